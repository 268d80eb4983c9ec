"""Looking for a lattice: the zone in one frame, its significant waves, what explains them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_fit import Reciprocal, WaveField, fit_lattices
from edgeqc.measure.lattice_refine import crests, unroll_in_pixels
from edgeqc.measure.lattice_spectrum import ZoneSpectrum, find_waves, zone_spectrum
from edgeqc.quantity import FloatArray

# a face whose length turns by less than this is taken as straight
_BENT_DEG = 0.3
# a lens bends along an arc; the second follows what does not
_DEGREES = (2, 4)
# longer ones are looked for than are claimed: a lattice beyond the range must not be taken for one
# of half its separation
_BEYOND = 1.6


@dataclass(frozen=True)
class LatticeSettings:
    """When a lattice is claimed.

    Parameters
    ----------
    block_px : tuple of int
        Longest sides of the blocks whose spectra are averaged, tried in this order until a
        lattice is seen: the whole zone as far as memory goes, then smaller blocks, which keep
        step where the picture is distorted.
    min_period_px : float
        Shortest separation claimed, in pixels. The Nyquist limit is 2; the margin is for the
        beam's blur and for separations that differ from the set ones.
    max_pixel_um : float
        Largest pixel size at which a lattice is claimed without the sheet's word: a lattice of
        2 µm, the finest in print, would there be seen at 3 pixels, folded at the sampling
        frequency.
    min_separation_um, max_separation_um : float
        Separations searched. Published ones are 2 to 8 µm (J Cataract Refract Surg 43 (2017)
        420; Transl Vis Sci Technol 4 (2015) 8).
    max_chance : float
        Largest probability that chance alone makes a wave that is looked at.
    max_chance_carrier : float
        The same for either of the two waves that carry the lattice.
    min_score : float
        Least logarithm of how much better the lattice explains the waves than chance, multiples
        of the strongest wave left aside.
    min_explained : float
        Least share of the significant waves that the lattice explains.
    max_skew_deg, max_skew_pair_deg : float
        How far spots and lines may be from a right angle, besides what the doubt of the tilt
        makes; the second where two waves are all there is. On drawn faces 95 % of the right
        lattices lie within 0.33, waves that stand beside each other by chance anywhere.
    max_u_rel : float
        Largest relative standard uncertainty by what parts of the zone say, for separations to be
        given: waves of one lattice mostly agree ten times better, and a wave of something else
        among them moved one separation by 5.6 %, another by 2.8 %.
    min_waves : int
        Fewest waves at which separations are given that are far from the set ones.
    max_departure : float
        Departure from a set separation, relatively, that counts as far.
    max_departure_coarse : float
        Largest departure from the set separations on pixels that could fold a finer lattice.
    u_tilt_unknown_deg : float
        Largest tilt allowed for where the tilt is not known.
    """

    block_px: tuple[int, ...] = (2048, 360)
    min_period_px: float = 3.0
    max_pixel_um: float = 1.33
    min_separation_um: float = 1.6
    max_separation_um: float = 20.0
    max_chance: float = 1e-2
    max_chance_carrier: float = 1e-4
    min_score: float = 5.5
    min_explained: float = 0.1
    max_skew_deg: float = 0.5
    max_skew_pair_deg: float = 0.25
    max_u_rel: float = 0.006
    min_waves: int = 4
    max_departure: float = 0.4
    max_departure_coarse: float = 0.15
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
    frames = [plain]
    for degree in _DEGREES:
        laid, zone = unroll_in_pixels(image.pixels, mask, face, degree)
        if zone.size:
            frames.append(LatticeFrame(laid, zone, 0.0, size, math.cos(tilt), fan))
    return frames


@dataclass(frozen=True)
class Sight:
    """What one frame shows of the lattice.

    Parameters
    ----------
    frame : LatticeFrame
        The frame.
    spectrum : ZoneSpectrum
        Spectrum of the zone.
    field : WaveField
        Significant waves.
    lattices : list of Reciprocal
        What explains them, best first.
    """

    frame: LatticeFrame
    spectrum: ZoneSpectrum
    field: WaveField
    lattices: list[Reciprocal]

    @property
    def clarity(self) -> float:
        """Score of the best lattice."""
        return self.lattices[0].score if self.lattices else 0.0


def look_for_lattice(
    frame: LatticeFrame, settings: LatticeSettings, block_px: int, skew_deg: float = 0.0
) -> Sight | None:
    """Return the waves and lattices that one frame shows, or None where the zone is too small.

    ``skew_deg`` is what the doubt of the tilt may turn a right angle by.
    """
    longest_px = _BEYOND * settings.max_separation_um / min(frame.pixel_um)
    spectrum = zone_spectrum(frame.pixels, frame.mask, side_px=block_px, longest_px=longest_px)
    if spectrum is None:
        return None
    waves = find_waves(spectrum, shortest_px=2.1, longest_px=longest_px,
                       max_chance=settings.max_chance)
    placed = [crests(spectrum, wave.row, wave.col, parts=False)[0] for wave in waves]
    waves = [replace(wave, row=float(at[0]), col=float(at[1]))
             for wave, at in zip(waves, placed, strict=True)]
    places = np.array([frame.on_face(wave.row, wave.col) for wave in waves]).reshape(-1, 2)
    back = np.array([frame.in_picture(1.0, 0.0), frame.in_picture(0.0, 1.0)]).T
    field = WaveField(tuple(waves), places, spectrum.to_bins @ back)
    lattices = fit_lattices(
        field, max_skew_deg=settings.max_skew_deg + skew_deg,
        separations=(settings.min_separation_um, _BEYOND * settings.max_separation_um),
    )
    return Sight(frame, spectrum, field, lattices)


def _length_direction_deg(face: CutFace) -> FloatArray:
    """Direction of the face's length at every chord: 0 to the right, 90 downwards."""
    across = face.posterior_px - face.anterior_px
    # (s, t) is right-handed in the picture: s = t turned back by a quarter
    angle = np.unwrap(np.arctan2(-across[:, 1], across[:, 0]))
    width = max(3, angle.size // 20) | 1
    padded = np.pad(angle, width // 2, mode="edge")
    return np.degrees(np.convolve(padded, np.ones(width) / width, mode="valid"))
