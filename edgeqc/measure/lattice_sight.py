"""Looking for a lattice: the zone in one frame, its significant waves, what explains them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_fit import Reciprocal, Wave, fit_lattices
from edgeqc.measure.lattice_refine import unroll_in_pixels
from edgeqc.measure.lattice_spectrum import ZoneSpectrum, find_peaks, zone_spectrum
from edgeqc.quantity import FloatArray

# a face whose length turns by less than this is taken as straight
_BENT_DEG = 2.0


@dataclass(frozen=True)
class LatticeSettings:
    """When a lattice is claimed.

    Parameters
    ----------
    tile_px : int
        Side of the tiles whose spectra are averaged.
    min_period_px : float
        Shortest separation claimed, in pixels. The Nyquist limit is 2; the margin is for the
        beam's blur and for separations that differ from the set ones.
    max_pixel_um : float
        Largest pixel size at which a lattice is claimed: a lattice of 2 µm, the finest in
        print, is sampled twice a period there, and a finer pixel cannot alias it.
    min_separation_um, max_separation_um : float
        Separations searched. Published ones are 2 to 8 µm (J Cataract Refract Surg 43 (2017)
        420; Transl Vis Sci Technol 4 (2015) 8).
    max_chance : float
        Largest probability that chance alone makes either of the two waves.
    min_score : float
        Least logarithm of how much better the lattice explains the waves than chance.
    min_score_per_wave : float
        Least mean of it over the waves explained: a lattice of many nodes explains anything.
    min_ratio : float
        Least height of either of the two waves over the background.
    min_explained : float
        Least share of the significant waves that the lattice explains.
    max_width : float
        Broadest wave: its power 2.5 bins off its crest over that at the crest. A hump is a
        scale of the texture, not a pitch.
    max_skew_deg : float
        How far spots and lines may be from a right angle.
    max_departure : float
        Largest departure from a set separation, relatively, at which a value is given. A laser
        is seldom that far off its setting; a wave taken for its own multiple always is. What
        was seen then stands in the reason.
    u_tilt_unknown_deg : float
        Largest tilt allowed for where the tilt is not known.
    """

    tile_px: int = 128
    min_period_px: float = 3.0
    max_pixel_um: float = 1.0
    min_separation_um: float = 1.6
    max_separation_um: float = 14.0
    max_chance: float = 1e-4
    min_score: float = 6.5
    min_score_per_wave: float = 1.3
    min_ratio: float = 4.0
    min_explained: float = 0.8
    max_width: float = 0.25
    max_skew_deg: float = 2.0
    max_departure: float = 0.4
    u_tilt_unknown_deg: float = 5.0


@dataclass(frozen=True)
class LatticeFrame:
    """A picture of the zone, and the way from its frequencies to those on the face.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    mask : (rows, cols) bool array
        The zone.
    length_deg : float
        Direction of the face's length in it: 0 to the right, 90 downwards.
    pixel_um : (row, col)
        Pixel size.
    cos_tilt : float
        Foreshortening across the thickness.
    fan : float
        Relative change of lengths along a bent face from its mid-line to an edge.
    """

    pixels: NDArray[np.float32]
    mask: NDArray[np.bool_]
    length_deg: float
    pixel_um: tuple[float, float]
    cos_tilt: float
    fan: float = 0.0

    def on_face(self, row: float, col: float) -> tuple[float, float]:
        """Frequency (s, t) in cycles per µm on the face, from cycles per pixel."""
        g_row, g_col = row / self.pixel_um[0], col / self.pixel_um[1]
        c, s = math.cos(math.radians(self.length_deg)), math.sin(math.radians(self.length_deg))
        # seen across the thickness, lengths are shorter by cos(tilt), frequencies higher
        return g_col * c + g_row * s, (g_row * c - g_col * s) * self.cos_tilt

    def in_picture(self, s: float, t: float) -> tuple[float, float]:
        """Cycles per pixel (row, col), from cycles per µm on the face."""
        t = t / self.cos_tilt
        c, si = math.cos(math.radians(self.length_deg)), math.sin(math.radians(self.length_deg))
        return (s * si + t * c) * self.pixel_um[0], (s * c - t * si) * self.pixel_um[1]


def lattice_frames(
    image: CalibratedImage, face: CutFace, mask: NDArray[np.bool_]
) -> list[LatticeFrame]:
    """Return the zone as it lies in the picture, and a bent face laid straight."""
    rows, cols = (np.nonzero(mask.any(axis=axis))[0] for axis in (1, 0))
    window = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)
    direction = _length_direction_deg(face)
    tilt = math.radians(image.tilt_deg if math.isfinite(image.tilt_deg) else 0.0)
    size = image.pixel_size_um or (1.0, 1.0)
    middle = (face.anterior_px + face.posterior_px) / 2
    # the stations that the zone covers decide direction and bend
    row, col = np.clip(np.rint(middle).astype(int), 0, np.array(mask.shape) - 1).T
    near = (row >= window[0].start) & (row < window[0].stop)
    near &= (col >= window[1].start) & (col < window[1].stop)
    used = direction[near] if near.any() else direction
    length = float(np.ptp(face.s_px[near])) if near.any() else float(face.s_px[-1])
    fan = math.radians(float(np.ptp(used))) / max(length, 1.0) * float(
        np.median(face.thickness_px)) / 2
    plain = LatticeFrame(image.pixels[window], mask[window], float(np.median(used)), size,
                         math.cos(tilt), fan)
    # unequal pixels would shear the laid face
    if np.ptp(used) < _BENT_DEG or abs(size[0] / size[1] - 1) > 0.01:
        return [plain]
    laid, zone = unroll_in_pixels(image.pixels, mask, face)
    return [plain, LatticeFrame(laid, zone, 0.0, size, math.cos(tilt), fan)]


@dataclass(frozen=True)
class Sight:
    """What one frame shows of the lattice.

    Parameters
    ----------
    frame : LatticeFrame
        The frame.
    spectra : list of ZoneSpectrum
        Averaged spectra at full and reduced size.
    waves : list of Wave
        Significant peaks, the strongest first.
    lattices : list of Reciprocal
        What explains them, best first.
    """

    frame: LatticeFrame
    spectra: list[ZoneSpectrum]
    waves: list[Wave]
    lattices: list[Reciprocal]

    @property
    def clarity(self) -> float:
        """How high the waves stand that the best lattice explains."""
        if not self.lattices:
            return 0.0
        return sum(math.log(self.waves[i].peak.ratio) for i, _ in self.lattices[0].orders)


def look_for_lattice(frame: LatticeFrame, settings: LatticeSettings) -> Sight:
    """Return the waves and lattices that one frame shows."""
    spectra = _spectra(frame, settings)
    waves = _waves(spectra, frame, settings)
    lattices = fit_lattices(
        waves, max_skew_deg=settings.max_skew_deg,
        separations=(settings.min_separation_um, settings.max_separation_um),
    )
    return Sight(frame, spectra, waves, lattices)


def _length_direction_deg(face: CutFace) -> FloatArray:
    """Direction of the face's length at every chord: 0 to the right, 90 downwards."""
    across = face.posterior_px - face.anterior_px
    # (s, t) is right-handed in the picture: s = t turned back by a quarter
    angle = np.unwrap(np.arctan2(-across[:, 1], across[:, 0]))
    width = max(3, angle.size // 20) | 1
    padded = np.pad(angle, width // 2, mode="edge")
    return np.degrees(np.convolve(padded, np.ones(width) / width, mode="valid"))


def _spectra(frame: LatticeFrame, settings: LatticeSettings) -> list[ZoneSpectrum]:
    """Spectra at full, half and quarter size, as far as the longest separation asks for them."""
    longest_px = settings.max_separation_um / min(frame.pixel_um)
    spectra = []
    for reduction in (1, 2, 4, 8):
        if reduction > 1 and longest_px < settings.tile_px / 8 * reduction:
            break
        spectrum = zone_spectrum(frame.pixels, frame.mask, tile_px=settings.tile_px,
                                 reduction=reduction)
        if spectrum is not None:
            spectra.append(spectrum)
    return spectra


def _waves(
    spectra: list[ZoneSpectrum], frame: LatticeFrame, settings: LatticeSettings
) -> list[Wave]:
    """Significant peaks of all spectra, each once, the strongest first."""
    found: list[Wave] = []
    for spectrum in reversed(spectra):  # the coarsest first: it has the finest frequencies
        for peak in find_peaks(spectrum, shortest_px=2.1):
            period = 1 / math.hypot(peak.row, peak.col)
            if peak.log_p > math.log(settings.max_chance):
                continue
            if spectrum.reduction > 1 and period < 4 * spectrum.reduction:
                continue
            s, t = frame.on_face(peak.row, peak.col)
            found.append(Wave(s, t, peak, peak.bin / min(frame.pixel_um)))
    found.sort(key=lambda wave: wave.peak.log_p)
    kept: list[Wave] = []
    for wave in found:
        if not any(_shadow(wave, other) for other in kept):
            kept.append(wave)
    return kept[:16]


def _shadow(wave: Wave, other: Wave) -> bool:
    """Whether a wave is the skirt of a stronger one, or the same wave in another spectrum."""
    apart = min(math.hypot(wave.s - other.s, wave.t - other.t),
                math.hypot(wave.s + other.s, wave.t + other.t))
    return apart < 2.0 * max(wave.bin, other.bin) or (
        apart < 5.0 * max(wave.bin, other.bin) and wave.peak.ratio < 0.3 * other.peak.ratio
    )
