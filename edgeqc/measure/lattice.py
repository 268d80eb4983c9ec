"""Spot and line separation of the laser's lattice, where the picture can show it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FrameWindow, label_raster
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_doubt import carriers, refined_lattice, stretched, tilt_doubt
from edgeqc.measure.lattice_fit import Reciprocal, WaveField, other_reading
from edgeqc.measure.lattice_sight import (
    LatticeFrame,
    LatticeSettings,
    Sight,
    lattice_frames,
    look_for_lattice,
)
from edgeqc.measure.lattice_spectrum import node_power, wave_chance
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


# sums of the logarithms of separations over the set ones: names may follow the nearer reading of
# one lattice, but which of two different ones it is may only be told by settings that fit
_SAME_DISTANCE = 0.01
_APART = 0.15
# a wave of half an order this much weaker than the carriers is none of the lattice's own
_COMPARABLE = 0.1
_RIVAL = 0.5
_STRONG = 0.3
# error of lengths along a bent face over its relative change of lengths to an edge: on drawn faces
# laid straight by their true edges 0.01 at the 95 % quantile, beyond what the spectrum explains
_BEND_SHARE = 0.02
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
        names, tell the two readings of lines shifted by half apart, and hold a claim back where
        the set lattice is too fine for the picture, or where coarse pixels or few waves speak
        for another one; they never change a value.
    settings : LatticeSettings, optional
        When a lattice is claimed.
    window : FrameWindow, optional
        Frame coordinates of the face, where they are known already.

    Notes
    -----
    See ``zone_spectrum`` for the spectrum, ``find_waves`` for the significance of its peaks,
    ``fit_lattices`` for the lattice, ``crests`` for its waves' frequencies between the bins. A
    bent face is also looked at laid straight; the frame in which the lattice is clearer is
    taken, and separations are those along its mid-line.

    On 106 drawn faces that nothing was set on, with a resolved lattice (both separations at least
    4 pixels, two waves 20 times over their surroundings) and a true sheet, 74 % are claimed, with
    errors of 0.02 % in the median and 0.25 % at the 95 % quantile, the intervals holding 96 %;
    without a sheet 40 %. On 34 faces of an unrelated maker all are claimed, within 0.1 %. No claim
    on 85 unresolved lattices and 45 zones without any.
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
    if coarse > settings.max_pixel_um and set_um is None:
        return _nothing(f"pixels of {coarse:.3g} µm are too coarse without set separations",
                        raised("texture_unresolved", f"pixel {coarse:.3g} µm"))
    if set_um is not None and min(set_um) < settings.min_period_px * coarse:
        return _nothing(f"the set separation of {min(set_um):g} µm is less than"
                        f" {settings.min_period_px:g} pixels",
                        raised("texture_unresolved", f"{min(set_um) / coarse:.1f} px"))
    sight = _best_sight(lattice_frames(image, face, mask), settings, tilt_doubt(image, settings))
    if sight is None:
        return _nothing("no lattice stands out above chance", raised("lattice_not_significant"))
    if _skipped(sight, settings):
        doubt = "waves of half an order leave open whether a separation is twice what was seen"
        return _nothing(doubt, raised("lattice_not_significant", doubt))
    chosen, note = _named(sight.lattices[0], set_um)
    if chosen is None:
        return _nothing(note, raised("lattice_not_significant", note))
    return _measured(chosen, note, sight, (image, set_um, settings))


def _best_sight(
    frames: list[LatticeFrame], settings: LatticeSettings, stretch: float = 0.0
) -> Sight | None:
    """Return the clearest credible lattice of all frames, over the largest blocks that show one."""
    for block_px in settings.block_px:
        # at 45 degrees to the length, a stretch by a share turns a right angle by as much
        seen = [look_for_lattice(frame, settings, block_px, math.degrees(stretch))
                for frame in frames]
        fine = [sight for sight in seen
                if sight is not None and sight.lattices
                and _credible(sight.lattices[0], sight.field, settings)
                and not _rivalled(sight)]
        if fine:
            return max(fine, key=lambda sight: sight.clarity)
    return None


def _nothing(reason: str, *flags: Raised) -> LatticeMeasures:
    return LatticeMeasures(reasons=MappingProxyType(dict.fromkeys(_NAMES, reason)), flags=flags)


def _credible(lattice: Reciprocal, field: WaveField, settings: LatticeSettings) -> bool:
    """Whether a lattice may be claimed at all."""
    if max(lattice.spot, lattice.line) > settings.max_separation_um:
        return False
    if lattice.evidence < settings.min_score or lattice.explained < settings.min_explained:
        return False
    if len(lattice.orders) == 2 and lattice.skew_deg > settings.max_skew_pair_deg:
        return False
    two = carriers(lattice, field)
    if len(two) < 2:
        return False
    return all(field.waves[i].log_p <= math.log(settings.max_chance_carrier)
               for i, _ in two)


def _rivalled(sight: Sight) -> bool:
    """Whether another lattice that scores well explains a strong wave that the best one does not.

    Texture with a scale of its own may lie at nodes of a lattice that is a multiple of the true
    one; then the true one's own waves are missing from it.
    """
    best, *others = sight.lattices
    waves = sight.field.waves
    known = {i for i, _ in best.orders}
    strong = _STRONG * max(waves[i].ratio for i in known)
    return any(
        other.score >= _RIVAL * best.score
        and any(i not in known and waves[i].ratio >= strong for i, _ in other.orders)
        for other in others
    )


def _skipped(sight: Sight, settings: LatticeSettings) -> bool:
    """Whether something stands where the waves of a lattice of twice a separation would.

    At places that are known beforehand a wave needs less to be significant. What is far fainter
    than the waves that carry the lattice is other texture.
    """
    lattice = sight.lattices[0]
    if lattice.shifted:
        return False
    least = _COMPARABLE * min(sight.field.waves[i].ratio for i, _ in carriers(lattice, sight.field))
    at = np.array([sight.frame.in_picture(
        h * lattice.along[0] + k * lattice.across[0], h * lattice.along[1] + k * lattice.across[1])
        for h, k in ((0.5, 0), (0, 0.5), (0.5, 0.5), (1, 0.5), (0.5, 1), (-0.5, 1), (-1, 0.5),
                     (-0.5, 0.5))])
    ratio, _ = node_power(sight.spectrum, at[:, 0], at[:, 1])
    # the highest of nine bins at each place
    highest = float(ratio.max())
    return highest >= least and (
        wave_chance(sight.spectrum, highest) * 9 * len(at) < settings.max_chance)


def _named(
    lattice: Reciprocal, set_um: tuple[float, float] | None
) -> tuple[Reciprocal | None, str]:
    """Say which direction of a lattice is that of the lines, where the picture leaves it open.

    Without a shift of every other line the two directions differ by name only; with a shift by
    half the same points are lines of spots in two ways. The set separations choose among these
    readings, never a different lattice.
    """
    if not lattice.settled:
        return None, "the waves seen leave open whether every other line is shifted"
    if lattice.shifted and not lattice.shifted_by_half:
        return lattice, "spots and lines told apart by the shift of every other line"
    readings = sorted((lattice, other_reading(lattice)), key=lambda item: item.spot)
    if set_um is not None:
        near, far = (_distance(item, set_um)
                     for item in sorted(readings, key=lambda item: _distance(item, set_um)))
        clear = far > near + (_APART if lattice.shifted else _SAME_DISTANCE)
        if clear and (near < _APART or not lattice.shifted):
            return (min(readings, key=lambda item: _distance(item, set_um)),
                    "spots and lines named by the set separations")
    if lattice.shifted:
        return None, "the lattice can be read in two ways; the set separations would tell which"
    return readings[0], "the smaller separation is taken for that of the spots"


def _distance(lattice: Reciprocal, set_um: tuple[float, float]) -> float:
    return abs(math.log(lattice.spot / set_um[0])) + abs(math.log(lattice.line / set_um[1]))


def _measured(
    lattice: Reciprocal,
    note: str,
    sight: Sight,
    context: tuple[CalibratedImage, tuple[float, float] | None, LatticeSettings],
) -> LatticeMeasures:
    image, set_um, settings = context
    frame = sight.frame
    lattice, scatter = refined_lattice(lattice, sight)
    finest = min(lattice.spot, lattice.line) / max(frame.pixel_um)
    if finest < settings.min_period_px:
        return _nothing(f"a separation of {finest:.1f} pixels is too fine to be sure of",
                        raised("texture_unresolved", f"{finest:.1f} px"))
    apart = max(scatter[0] / lattice.spot, scatter[1] / lattice.line)
    if apart > settings.max_u_rel:
        why = f"parts of the zone differ by {apart:.1%} in what the separations are"
        return _nothing(why, raised("lattice_not_significant", why))
    doubt = _against_set(lattice, set_um, max(frame.pixel_um), settings)
    if doubt is not None:
        return _nothing(doubt, raised("lattice_differs_from_set", doubt))
    values: dict[str, Measured] = {}
    tilt = stretched(lattice, 1.0, 1 + tilt_doubt(image, settings))
    bend = stretched(lattice, 1 + _BEND_SHARE * frame.fan, 1.0)
    for i, name, value in ((0, "spot_um", lattice.spot), (1, "line_um", lattice.line)):
        budget = {"spectrum": scatter[i], "pixel size": value * image.u_rel_pixel_size,
                  "tilt": tilt[i], "bend of the face": bend[i]}
        values[name] = Measured(value, combine(budget), "µm", budget, len(lattice.orders),
                                note=note)
    flags = [] if set_um is None else _differs(values, set_um)
    angle_budget = {"spectrum": scatter[2], "tilt": tilt[2], "bend of the face": bend[2]}
    values["angle_deg"] = Measured(lattice.angle_deg, combine(angle_budget), "deg", angle_budget,
                                   len(lattice.orders))
    values["regularity"] = _regularity(lattice, sight)
    return LatticeMeasures(values["spot_um"], values["line_um"], values["angle_deg"],
                           values["regularity"], flags=tuple(flags))


def _against_set(
    lattice: Reciprocal, set_um: tuple[float, float] | None, pixel_um: float,
    settings: LatticeSettings,
) -> str | None:
    """Return why a lattice far from the set one is held back, or None.

    The set separations never change a value. They hold one back where pixels are so coarse that
    a finer lattice would be seen as a coarser one, and where few waves speak for it.
    """
    if set_um is None:
        return None
    off = max(abs(math.log(seen / stated))
              for seen, stated in zip((lattice.spot, lattice.line), set_um, strict=True))
    seen = (f"{lattice.spot:.3g} x {lattice.line:.3g} µm were seen,"
            f" {set_um[0]:g} x {set_um[1]:g} µm set")
    if pixel_um > settings.max_pixel_um and off > math.log(1 + settings.max_departure_coarse):
        return f"{seen}: pixels of {pixel_um:.3g} µm may feign a lattice"
    if off > math.log(1 + settings.max_departure) and len(lattice.orders) < settings.min_waves:
        return f"{seen}: too far apart for {len(lattice.orders)} waves to be sure of either"
    return None


def _differs(values: dict[str, Measured], set_um: tuple[float, float]) -> list[Raised]:
    """Flag a measured separation whose 95 % interval leaves the set one out, by 3 % at least."""
    off = []
    for name, stated in zip(("spot_um", "line_um"), set_um, strict=True):
        value = values.get(name)
        if value is not None and abs(value.value - stated) > max(value.expanded, 0.03 * stated):
            off.append(f"{name.split('_')[0]} {value.value:.3g} µm, set {stated:g} µm")
    return [raised("lattice_differs_from_set", "; ".join(off))] if off else []


def _regularity(lattice: Reciprocal, sight: Sight) -> Measured:
    """Share of the zone's texture that lies in the lattice's waves."""
    spectrum, frame = sight.spectrum, sight.frame
    nodes = [(h, twice / 2) for h in range(6) for twice in range(-16, 17)
             if (h or twice > 0) and (twice % 2 == 0 or (h and lattice.shifted))]
    at = np.array([frame.in_picture(
        h * lattice.along[0] + k * lattice.across[0], h * lattice.along[1] + k * lattice.across[1])
        for h, k in nodes])
    at = at[np.hypot(*at.T) < 0.48]
    at[at[:, 1] < 0] *= -1
    _, excess = node_power(spectrum, at[:, 0], at[:, 1])
    total = float(spectrum.power.sum())
    share = min(1.0, float(excess.sum()) / total) if total > 0 else 0.0
    # each node's power is that of one draw
    u = float(np.sqrt((excess**2).sum())) / max(total, 1e-12)
    return Measured(share, u, "1", {"spectrum": u}, note="of grey levels")
