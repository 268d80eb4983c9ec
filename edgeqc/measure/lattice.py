"""Spot and line separation of the laser's lattice, where the picture can show it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FrameWindow, label_raster
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_fit import Reciprocal, Wave
from edgeqc.measure.lattice_refine import refine_frequency
from edgeqc.measure.lattice_sight import (
    LatticeFrame,
    LatticeSettings,
    Sight,
    lattice_frames,
    look_for_lattice,
)
from edgeqc.measure.lattice_spectrum import ZoneSpectrum
from edgeqc.quantity import Measured, combine
from edgeqc.zoning.zones import LASER, ZoneMap

__all__ = [
    "LatticeMeasures", "LatticeSettings", "areal_dose", "lattice_of_mask", "measure_lattice",
]


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
    window: FrameWindow | None = None,
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
        lattice is too fine for the picture or far from what is seen; they never change a value.
    settings : LatticeSettings, optional
        When a lattice is claimed.
    window : FrameWindow, optional
        Frame coordinates of the face, where they are known already.

    Notes
    -----
    See ``zone_spectrum`` for the spectrum, ``find_peaks`` for the significance of its peaks, and
    ``fit_lattices`` for the lattice.
    """
    mask = label_raster(face, zones.labels, image.pixels.shape[:2], window=window) == LASER
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
    seen = [look_for_lattice(frame, settings) for frame in lattice_frames(image, face, mask)]
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
    level = [other for other in lattices if other.score >= 0.97 * best.score]
    equal = [other for other in lattices
             if other.score >= share * best.score and abs(other.cell / best.cell - 1) < 0.03]
    if set_um is not None:
        def distance(lattice: Reciprocal) -> float:
            return (abs(math.log(lattice.spot / set_um[0]))
                    + abs(math.log(lattice.line / set_um[1])))

        either = [*equal, *(other for other in level if other not in equal)]
        return min(either, key=distance), "spots and lines named by the set separations"
    if best.shifted and not best.shifted_both_ways and len(level) > 1:
        return None, "the lattice can be read in two ways; the set separations would tell which"
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
    sight: Sight,
    context: tuple[CalibratedImage, tuple[float, float] | None, LatticeSettings],
) -> LatticeMeasures:
    image, set_um, settings = context
    frame = sight.frame
    lattice, scatter = _refined(lattice, sight)
    finest = min(lattice.spot, lattice.line) / max(frame.pixel_um)
    if finest < settings.min_period_px:
        return _nothing(f"a separation of {finest:.1f} pixels is too fine to be sure of",
                        raised("texture_unresolved", f"{finest:.1f} px"))
    if set_um is not None and _far_off(lattice, set_um, settings):
        seen = f"{lattice.spot:.3g} x {lattice.line:.3g} µm were seen, {set_um[0]:g} x"
        return _nothing(f"{seen} {set_um[1]:g} µm set: too far apart to be sure of either",
                        raised("lattice_differs_from_set", f"{seen} {set_um[1]:g} µm set"))
    values: dict[str, Measured] = {}
    tilt = _stretched(lattice, 1.0, 1 + _tilt_doubt(image, settings))
    # the zone lies somewhere between the mid-line and an edge: half that, as a rectangle
    bend = _stretched(lattice, 1 + frame.fan / (2 * math.sqrt(3)), 1.0)
    for i, name, value in ((0, "spot_um", lattice.spot), (1, "line_um", lattice.line)):
        budget = {"spectrum": scatter[i], "pixel size": value * image.u_rel_pixel_size,
                  "tilt": tilt[i], "bend of the face": bend[i]}
        values[name] = Measured(value, combine(budget), "µm", budget, len(lattice.orders),
                                note=note)
    flags = [] if set_um is None else _differs(values, set_um)
    angle_budget = {"spectrum": scatter[2], "tilt": tilt[2], "bend of the face": bend[2]}
    values["angle_deg"] = Measured(lattice.angle_deg, combine(angle_budget), "deg", angle_budget,
                                   len(lattice.orders))
    values["regularity"] = _regularity(lattice, sight.spectra, frame)
    return LatticeMeasures(values["spot_um"], values["line_um"], values["angle_deg"],
                           values["regularity"], flags=tuple(flags))


def _far_off(
    lattice: Reciprocal, set_um: tuple[float, float], settings: LatticeSettings
) -> bool:
    return any(
        abs(math.log(seen / stated)) > math.log(1 + settings.max_departure)
        for seen, stated in zip((lattice.spot, lattice.line), set_um, strict=True)
    )


def _differs(values: dict[str, Measured], set_um: tuple[float, float]) -> list[Raised]:
    """Flag a measured separation whose 95 % interval leaves the set one out, by 3 % at least."""
    off = []
    for name, stated in zip(("spot_um", "line_um"), set_um, strict=True):
        value = values.get(name)
        if value is not None and abs(value.value - stated) > max(value.expanded, 0.03 * stated):
            off.append(f"{name.split('_')[0]} {value.value:.3g} µm, set {stated:g} µm")
    return [raised("lattice_differs_from_set", "; ".join(off))] if off else []


def _refined(
    lattice: Reciprocal, sight: Sight
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


def _tilt_doubt(image: CalibratedImage, settings: LatticeSettings) -> float:
    """Relative standard uncertainty of lengths across the thickness by that of the tilt."""
    if math.isfinite(image.tilt_deg):
        tilt, u_tilt = math.radians(image.tilt_deg), math.radians(image.u_tilt_deg)
        # the second term keeps a doubt where the face lies flat
        return math.tan(abs(tilt)) * u_tilt + u_tilt**2 / 2
    # 1/cos over 0 .. the largest tilt, as a rectangle
    largest = math.radians(settings.u_tilt_unknown_deg)
    return (1 / math.cos(largest) - 1) / math.sqrt(3)


def _stretched(lattice: Reciprocal, s: float, t: float) -> tuple[float, float, float]:
    """Change of spot, line and angle where frequencies are stretched along s and t."""
    other = replace(
        lattice, along=(lattice.along[0] * s, lattice.along[1] * t),
        across=(lattice.across[0] * s, lattice.across[1] * t),
    )
    turned = (other.angle_deg - lattice.angle_deg + 90) % 180 - 90
    return abs(other.spot - lattice.spot), abs(other.line - lattice.line), abs(turned)


def _regularity(
    lattice: Reciprocal, spectra: list[ZoneSpectrum], frame: LatticeFrame
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
