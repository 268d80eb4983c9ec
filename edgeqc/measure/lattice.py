"""Spot and line separation of the laser's lattice, where the picture can show it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import label_raster
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_fit import Reciprocal, Wave, fit_lattices
from edgeqc.measure.lattice_refine import refine_frequency, unroll_in_pixels
from edgeqc.measure.lattice_spectrum import ZoneSpectrum, find_peaks, zone_spectrum
from edgeqc.quantity import FloatArray, Measured, combine
from edgeqc.zoning.zones import LASER, ZoneMap


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
    u_tilt_unknown_deg: float = 5.0


@dataclass(frozen=True)
class LatticeMeasures:
    """The lattice of a laser zone.

    Parameters
    ----------
    spot_um, line_um : Measured or None
        Separation of the spots along a line, and of the lines.
    angle_deg : Measured or None
        Direction of the lines from the face's length.
    regularity : Measured or None
        Share of the zone's texture that the lattice's waves hold, 0 to 1 (grey levels): the
        lower, the more the spots are displaced, missing or bridged.
    reasons : mapping of str to str
        Name of a missing value -> why it could not be had.
    flags : tuple of Raised
        Doubts.
    """

    spot_um: Measured | None = None
    line_um: Measured | None = None
    angle_deg: Measured | None = None
    regularity: Measured | None = None
    reasons: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    flags: tuple[Raised, ...] = ()


# a face whose length turns by less than this is taken as straight
_BENT_DEG = 2.0
_REFINED_WAVES = 5
_LEAST_SPREAD_BINS = 0.08
_NAMES = ("spot_um", "line_um", "angle_deg", "regularity")


def areal_dose(pulse_energy_uj: float, spot_um: Measured, line_um: Measured) -> Measured:
    """Return the areal dose of a lattice of pulses.

    Parameters
    ----------
    pulse_energy_uj : float
        Energy of a pulse.
    spot_um, line_um : Measured
        Separations.

    Notes
    -----
    Energy over the area of a cell, E/(spot x line); 1 µJ/µm² is 100 J/cm². The two separations
    share the pixel size, so that their doubts are added, not combined in quadrature.

    Examples
    --------
    >>> exact = [Measured(value, 0.0, "µm") for value in (3.0, 6.0)]
    >>> round(areal_dose(8.0, *exact).value, 3)
    44.444
    """
    value = 100 * pulse_energy_uj / (spot_um.value * line_um.value)
    shares = {name: value * item.u / item.value
              for name, item in (("spot separation", spot_um), ("line separation", line_um))}
    return Measured(value, sum(shares.values()), "J/cm²", shares,
                    note="uncertainty of the pulse energy not included")


def measure_lattice(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    *,
    set_um: tuple[float, float] | None = None,
    settings: LatticeSettings | None = None,
) -> LatticeMeasures:
    """Return spot and line separation of a face's laser zone, or why they could not be had.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    zones : ZoneMap
        Its zones.
    set_um : (spot, line), optional
        The separations that the laser was set to. They give the two measured directions their
        names, choose where geometry allows two readings, and hold a claim back where the set
        lattice is too fine for the picture; they never change a value.
    settings : LatticeSettings, optional
        When a lattice is claimed.

    Notes
    -----
    See ``zone_spectrum`` for the spectrum, ``find_peaks`` for the significance of its peaks, and
    ``fit_lattices`` for the lattice.
    """
    mask = label_raster(face, zones.labels, image.pixels.shape[:2]) == LASER
    return lattice_of_mask(image, face, mask & image.valid, set_um=set_um, settings=settings)


def lattice_of_mask(
    image: CalibratedImage,
    face: CutFace,
    mask: NDArray[np.bool_],
    *,
    set_um: tuple[float, float] | None = None,
    settings: LatticeSettings | None = None,
) -> LatticeMeasures:
    """Return the lattice of the pixels of a mask; see ``measure_lattice``.

    Parameters
    ----------
    mask : (rows, cols) bool array
        Pixels of the laser zone.
    """
    settings = settings or LatticeSettings()
    if not mask.any():
        return _nothing("there is no laser zone")
    if image.pixel_size_um is None:
        return _nothing("the picture has no pixel size")
    coarse = max(image.pixel_size_um)
    if coarse > settings.max_pixel_um:
        return _nothing(f"pixels of {coarse:.3g} µm are too coarse for a lattice",
                        raised("texture_unresolved", f"pixel {coarse:.3g} µm"))
    if set_um is not None and min(set_um) < settings.min_period_px * coarse:
        return _nothing(f"the set separation of {min(set_um):g} µm is less than"
                        f" {settings.min_period_px:g} pixels",
                        raised("texture_unresolved", f"{min(set_um) / coarse:.1f} px"))
    seen = [_see(frame, settings) for frame in _frames(image, face, mask)]
    sight = max(seen, key=lambda item: item.clarity)
    lattices = sight.lattices
    if not lattices or not _credible(lattices[0], sight.waves, settings):
        return _nothing("no lattice stands out above chance", raised("lattice_not_significant"))
    chosen, note = _named(lattices, set_um)
    if chosen is None:
        return _nothing(note, raised("lattice_not_significant", note))
    return _measured(chosen, note, sight, (image, set_um, settings))


def _nothing(reason: str, *flags: Raised) -> LatticeMeasures:
    return LatticeMeasures(reasons=MappingProxyType(dict.fromkeys(_NAMES, reason)), flags=flags)


@dataclass(frozen=True)
class _Frame:
    """A picture of the zone, and the way from its frequencies to those on the face."""

    pixels: NDArray[np.float32]
    mask: NDArray[np.bool_]
    length_deg: float
    pixel_um: tuple[float, float]
    cos_tilt: float

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


def _frames(image: CalibratedImage, face: CutFace, mask: NDArray[np.bool_]) -> list[_Frame]:
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
    plain = _Frame(image.pixels[window], mask[window], float(np.median(used)), size,
                   math.cos(tilt))
    # unequal pixels would shear the laid face
    if np.ptp(used) < _BENT_DEG or abs(size[0] / size[1] - 1) > 0.01:
        return [plain]
    laid, zone = unroll_in_pixels(image.pixels, mask, face)
    return [plain, _Frame(laid, zone, 0.0, size, math.cos(tilt))]


@dataclass(frozen=True)
class _Sight:
    """What one frame shows of the lattice."""

    frame: _Frame
    spectra: list[ZoneSpectrum]
    waves: list[Wave]
    lattices: list[Reciprocal]

    @property
    def clarity(self) -> float:
        """How high the waves stand that the best lattice explains."""
        if not self.lattices:
            return 0.0
        return sum(math.log(self.waves[i].peak.ratio) for i, _ in self.lattices[0].orders)


def _see(frame: _Frame, settings: LatticeSettings) -> _Sight:
    spectra = _spectra(frame, settings)
    waves = _waves(spectra, frame, settings)
    lattices = fit_lattices(
        waves, max_skew_deg=settings.max_skew_deg,
        separations=(settings.min_separation_um, settings.max_separation_um),
    )
    return _Sight(frame, spectra, waves, lattices)


def _length_direction_deg(face: CutFace) -> FloatArray:
    """Direction of the face's length at every chord: 0 to the right, 90 downwards."""
    across = face.posterior_px - face.anterior_px
    # (s, t) is right-handed in the picture: s = t turned back by a quarter
    angle = np.unwrap(np.arctan2(-across[:, 1], across[:, 0]))
    width = max(3, angle.size // 20) | 1
    padded = np.pad(angle, width // 2, mode="edge")
    return np.degrees(np.convolve(padded, np.ones(width) / width, mode="valid"))


def _spectra(frame: _Frame, settings: LatticeSettings) -> list[ZoneSpectrum]:
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
    spectra: list[ZoneSpectrum], frame: _Frame, settings: LatticeSettings
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


def _credible(lattice: Reciprocal, waves: list[Wave], settings: LatticeSettings) -> bool:
    """Whether a lattice may be claimed at all."""
    if lattice.score < settings.min_score or lattice.explained < settings.min_explained:
        return False
    if lattice.score < settings.min_score_per_wave * len(lattice.orders):
        return False
    return all(
        waves[i].peak.width <= settings.max_width and waves[i].peak.ratio >= settings.min_ratio
        for i, _ in _carriers(lattice, waves)
    )


def _carriers(
    lattice: Reciprocal, waves: list[Wave]
) -> list[tuple[int, tuple[float, float]]]:
    """Return the two most significant waves that together carry the lattice."""
    ordered = sorted(lattice.orders, key=lambda item: waves[item[0]].peak.log_p)
    first = ordered[0]
    for other in ordered[1:]:
        if first[1][0] * other[1][1] != first[1][1] * other[1][0]:
            return [first, other]
    return [first]


def _named(
    lattices: list[Reciprocal], set_um: tuple[float, float] | None
) -> tuple[Reciprocal | None, str]:
    """Choose among readings that explain the waves equally well, and say how."""
    best = lattices[0]
    # readings of the same cell that explain the waves about as well; where the set separations
    # tell which is which, a few stray waves must not decide it
    share = 0.85 if set_um is None else 0.5
    equal = [other for other in lattices
             if other.score >= share * best.score and abs(other.cell / best.cell - 1) < 0.03]
    if set_um is not None:
        def distance(lattice: Reciprocal) -> float:
            return (abs(math.log(lattice.spot / set_um[0]))
                    + abs(math.log(lattice.line / set_um[1])))

        return min(equal, key=distance), "spots and lines named by the set separations"
    if len(equal) == 1:
        return equal[0], "spots and lines told apart by the shift of every other line"
    first, second = equal[:2]
    crossed = max(abs(first.spot / second.line - 1), abs(first.line / second.spot - 1)) < 0.05
    if crossed and len(equal) == 2:
        smaller = min((first, second), key=lambda lattice: lattice.spot)
        return smaller, "the smaller separation is taken for that of the spots"
    return None, "the lattice can be read in two ways; the set separations would tell which"


def _measured(
    lattice: Reciprocal,
    note: str,
    sight: _Sight,
    context: tuple[CalibratedImage, tuple[float, float] | None, LatticeSettings],
) -> LatticeMeasures:
    image, set_um, settings = context
    frame = sight.frame
    lattice, scatter = _refined(lattice, sight)
    finest = min(lattice.spot, lattice.line) / max(frame.pixel_um)
    if finest < settings.min_period_px:
        return _nothing(f"a separation of {finest:.1f} pixels is too fine to be sure of",
                        raised("texture_unresolved", f"{finest:.1f} px"))
    values: dict[str, Measured] = {}
    tilt_spot, tilt_line, tilt_angle = _tilt_doubt(lattice, image, frame, settings)
    for name, value, spread, tilt in (("spot_um", lattice.spot, scatter[0], tilt_spot),
                                      ("line_um", lattice.line, scatter[1], tilt_line)):
        budget = {"spectrum": spread, "pixel size": value * image.u_rel_pixel_size, "tilt": tilt}
        values[name] = Measured(value, combine(budget), "µm", budget, len(lattice.orders),
                                note=note)
    flags = [] if set_um is None else _differs(values, set_um)
    angle_budget = {"spectrum": scatter[2], "tilt": tilt_angle}
    values["angle_deg"] = Measured(lattice.angle_deg, combine(angle_budget), "deg", angle_budget,
                                   len(lattice.orders))
    values["regularity"] = _regularity(lattice, sight.spectra, frame)
    return LatticeMeasures(values["spot_um"], values["line_um"], values["angle_deg"],
                           values["regularity"], flags=tuple(flags))


def _differs(values: dict[str, Measured], set_um: tuple[float, float]) -> list[Raised]:
    """Flag a measured separation whose 95 % interval leaves the set one out, by 3 % at least."""
    off = []
    for name, stated in zip(("spot_um", "line_um"), set_um, strict=True):
        value = values.get(name)
        if value is not None and abs(value.value - stated) > max(value.expanded, 0.03 * stated):
            off.append(f"{name.split('_')[0]} {value.value:.3g} µm, set {stated:g} µm")
    return [raised("lattice_differs_from_set", "; ".join(off))] if off else []


def _refined(
    lattice: Reciprocal, sight: _Sight
) -> tuple[Reciprocal, tuple[float, float, float]]:
    """Return the lattice from whole-zone frequencies, and standard uncertainties.

    Those of spot, line and angle, from the scatter of the waves about the lattice; at least
    what a share of the resolution makes that was found on drawn pictures.
    """
    waves, frame = sight.waves, sight.frame
    strongest = sorted(lattice.orders, key=lambda item: waves[item[0]].peak.log_p)
    taken = _carriers(lattice, waves)
    taken += [item for item in strongest if item not in taken][:_REFINED_WAVES]
    places = np.array([
        frame.on_face(*refine_frequency(frame.pixels, frame.mask, waves[i].peak))
        for i, _ in taken
    ])
    design = np.array([order for _, order in taken], float)
    weight = np.sqrt([waves[i].weight + 1e-3 for i, _ in taken])[:, None]
    solved = np.linalg.lstsq(design * weight, places * weight, rcond=None)[0]
    better = replace(
        lattice, along=(float(solved[0, 0]), float(solved[0, 1])),
        across=(float(solved[1, 0]), float(solved[1, 1])),
    )
    rest = places - design @ solved
    freedom = max(1, 2 * (len(taken) - 2))
    bin_size = float(np.median([waves[i].bin for i, _ in taken]))
    spread = max(math.sqrt(float((rest**2).sum()) / freedom), _LEAST_SPREAD_BINS * bin_size)
    covariance = np.linalg.pinv((design * weight).T @ (design * weight))
    u_along, u_across = (spread * math.sqrt(covariance[i, i]) for i in (0, 1))
    return better, (better.spot**2 * u_along, better.line**2 * u_across,
                    math.degrees(better.line * u_across))


def _tilt_doubt(
    lattice: Reciprocal, image: CalibratedImage, frame: _Frame, settings: LatticeSettings
) -> tuple[float, float, float]:
    """Return standard uncertainties of spot, line and angle by that of the tilt."""
    if math.isfinite(image.tilt_deg):
        tilt, u_tilt = math.radians(image.tilt_deg), math.radians(image.u_tilt_deg)
        # the second term keeps a doubt where the face lies flat
        stretch = math.tan(abs(tilt)) * u_tilt + u_tilt**2 / 2
    else:
        # 1/cos over 0 .. the largest tilt, as a rectangle
        largest = math.radians(settings.u_tilt_unknown_deg)
        stretch = (1 / math.cos(largest) - 1) / math.sqrt(3)

    def stretched(vector: tuple[float, float]) -> tuple[float, float]:
        return vector[0], vector[1] * (1 + stretch)

    other = Reciprocal(stretched(lattice.along), stretched(lattice.across), (), 0.0)
    turned = (other.angle_deg - lattice.angle_deg + 90) % 180 - 90
    return abs(other.spot - lattice.spot), abs(other.line - lattice.line), abs(turned)


def _regularity(
    lattice: Reciprocal, spectra: list[ZoneSpectrum], frame: _Frame
) -> Measured:
    """Share of the zone's texture that lies in the lattice's waves."""
    spectrum = spectra[0]
    size, middle = spectrum.size, spectrum.size // 2
    row, col = np.mgrid[:size, :size] - middle
    power = spectrum.total
    at_node = np.zeros((size, size), bool)
    for h in range(-5, 6):
        for twice in range(-16, 17):
            k = twice / 2
            if (h == 0 and twice % 2) or (h == 0 and twice == 0):
                continue
            s = h * lattice.along[0] + k * lattice.across[0]
            t = h * lattice.along[1] + k * lattice.across[1]
            f_row, f_col = frame.in_picture(s, t)
            if twice % 2 and not lattice.shifted:
                continue
            at_node |= np.hypot(row - f_row * size, col - f_col * size) <= 2.0
    band = (np.hypot(row, col) >= 3) & (np.hypot(row, col) <= size / 2)
    excess = np.maximum(spectrum.power - 1, 0) / np.maximum(spectrum.power, 1e-9) * power
    total = float(power[band].sum())
    share = float(excess[band & at_node].sum()) / total if total > 0 else 0.0
    # relative doubt of an averaged periodogram
    u = share / math.sqrt(max(spectrum.tiles, 1.0))
    return Measured(share, u, "1", {"spectrum": u}, note="of grey levels")
