"""How deep the laser got, as a fraction of the local thickness, and what ligament was left."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.faces.whole_chords import as_shown, whole_chords
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.thickness import ThicknessSettings, local_thickness, station_values
from edgeqc.quantity import BoolArray, FloatArray, Measured, Profile, combine
from edgeqc.zoning.zones import LASER, LEAST_DEPTH, OBSCURED, SCISSOR, TORN, ZoneMap


@dataclass(frozen=True)
class CutDepthSettings:
    """Choices behind the cut depth.

    Parameters
    ----------
    through_cut_fraction : float
        Depth fraction from which a chord counts as cut through.
    obscured_chord_max : float
        Obscured share of a chord above which it is left out.
    least_laser_length : float
        Share of the measured length that must carry a laser zone for a depth to be given.
    u_beside_max : float
        Largest standard uncertainty of the mean depth fraction from chords beside a stretch
        without laser, for a face to be called measured.
    """

    through_cut_fraction: float = 0.99
    obscured_chord_max: float = 0.5
    least_laser_length: float = 0.02
    u_beside_max: float = 0.015


@dataclass(frozen=True)
class CutDepthMeasures:
    """Cut depth of one face.

    Parameters
    ----------
    profile : Profile
        d/t along s; valid where a laser zone is present on a measured chord.
    fraction : Measured or None
        Mean of d/t over the lasered length; None where there is no laser zone.
    minimum, nine_point, area_fraction : Measured or None
        Least d/t; the nine-point average; laser area over face area on the lasered length.
    laser_length_fraction, through_cut_fraction : Measured or None
        Share of the measured length with a laser zone; share of that cut through.
    ligament, ligament_max : Measured or None
        Mean and greatest uncut rest over the lasered length, in µm; None without a scale.
    area_fractions : mapping of zone name to Measured
        Share of the face's area of laser, scissor, torn, obscured.
    left_out : float
        Share of the face's length that was left out (obscured, or an edge not in the picture).
    flags : tuple of Raised
        Doubts about the depth that its border beside a stretch brings.
    """

    profile: Profile
    fraction: Measured | None
    minimum: Measured | None
    nine_point: Measured | None
    area_fraction: Measured | None
    laser_length_fraction: Measured | None
    through_cut_fraction: Measured | None
    ligament: Measured | None
    ligament_max: Measured | None
    area_fractions: dict[str, Measured]
    left_out: float
    flags: tuple[Raised, ...] = ()


def nine_point_average(depth: FloatArray) -> float:
    """Return the nine-point average of a depth profile, its two ends weighted half.

    Parameters
    ----------
    depth : (n,) float array
        Depth at even distances along the front.

    Notes
    -----
    (½(a1 + a9) + a2 + … + a8)/8 at nine evenly spaced positions, as fracture testing measures a
    crack front.

    References
    ----------
    Theor. Appl. Fract. Mech. 2022, doi 10.1016/j.tafmec.2022.103385 (comparison of averages);
    the weights are common practice in fracture testing (from memory).
    """
    at = np.linspace(0, depth.size - 1, 9)
    points = np.interp(at, np.arange(depth.size), depth)
    return float((0.5 * (points[0] + points[-1]) + points[1:-1].sum()) / 8)


def _fraction(value: float, budget: dict[str, float], n: int, note: str = "") -> Measured:
    """Return a fraction with its interval kept within 0 .. 1."""
    u = combine(budget)
    return Measured(
        value, u, "1", budget, n, max(0.0, value - 2 * u), min(1.0, value + 2 * u), note
    )


def _of_draws(zones: ZoneMap, used: BoolArray, what: Callable[[FloatArray], float]) -> float:
    """Return the standard deviation of a summary over the border's posterior draws.

    A draw that has no laser zone in a chord says nothing on its depth there.
    """
    drawn = [draw[used & (draw >= LEAST_DEPTH)] for draw in zones.depth_draws.astype(float)]
    values = [what(depth) for depth in drawn if depth.size > 1]
    return float(np.std(values)) if len(values) > 1 else 0.0


_LEAST_SHARE = 0.01  # of the area; a residual below this has no name to be doubted
_EXCHANGED = "scissor or torn"
_BESIDE_STRETCH = "beside a stretch"


def _as_seen(zones: ZoneMap, face: CutFace) -> ZoneMap:
    """Return the zone map on the parts of the chords that the face shows."""
    whole = whole_chords(face)
    return replace(
        zones,
        labels=as_shown(zones.labels, face, whole),
        probability=as_shown(zones.probability, face, whole),
    )


def _area_fractions(zones: ZoneMap, span: FloatArray, u_depth: float) -> dict[str, Measured]:
    """Share of the face's area of each zone; chords count by their length.

    Notes
    -----
    Scissor and torn may stand in each other's place. With the probability that the zones are
    wrong, one of the two, either alike, is the other's: the doubt of that is the standard
    deviation of such a share (type B, JCGM 100:2008, 4.3).
    """
    result = {}
    weight = span / span.sum()
    names = {LASER: "laser", SCISSOR: "scissor", TORN: "torn", OBSCURED: "obscured"}
    share = {code: float((zones.labels == code).mean(axis=0) @ weight) for code in names}
    risk = min(max(1 - zones.naming_confidence, 0.0), 1.0)
    residual = [share[code] for code in (SCISSOR, TORN) if share[code] >= _LEAST_SHARE]
    exchanged = math.sqrt(risk * (1 - risk) * float(np.mean(np.square(residual or [0.0]))))
    for code, name in names.items():
        value = share[code]
        expected = float(zones.probability[code - 1].mean(axis=0) @ weight)
        budget = {
            "zone border": u_depth if 0 < value < 1 else 0.0,
            "names": abs(value - expected) / math.sqrt(3),
        }
        found = _fraction(value, budget, zones.labels.shape[1])
        if code in (SCISSOR, TORN):
            other = share[SCISSOR + TORN - code]
            found = _exchanged(found, exchanged, can_fall=value, can_rise=other)
        result[name] = found
    return result


def _exchanged(found: Measured, doubt: float, *, can_fall: float, can_rise: float) -> Measured:
    """Return a share with the doubt of its name: it falls by its own area, rises by the other's."""
    u = math.hypot(found.u, doubt)
    below = u if can_fall >= _LEAST_SHARE else found.u
    above = u if can_rise >= _LEAST_SHARE else found.u
    return replace(
        found,
        u=u,
        budget={**found.budget, _EXCHANGED: doubt},
        low=max(0.0, found.value - 2 * below),
        high=min(1.0, found.value + 2 * above),
    )


_BESIDE = 0.1  # of the thickness: so near to a stretch a chord's depth may be the stretch's border


def _beside_stretches(profile: Profile, measured: BoolArray, thickness: float) -> float:
    """Return the doubt of the mean depth from chords beside a stretch without laser.

    Where such a stretch begins its border may run slantwise, or be drawn so by mistake: a few
    chords then show next to no depth. What they change in the mean is taken as the half width of
    a rectangular distribution (type B, JCGM 100:2008, 4.3.7).
    """
    used = profile.valid
    bare = profile.s_um[measured & ~used]
    if bare.size == 0:
        return 0.0
    after = np.clip(np.searchsorted(bare, profile.s_um), 0, bare.size - 1)
    before = np.maximum(after - 1, 0)
    away = np.minimum(np.abs(bare[after] - profile.s_um), np.abs(bare[before] - profile.s_um))
    kept = used & (away > _BESIDE * thickness)
    if not kept.any() or kept.sum() == used.sum():
        return 0.0
    shift = float(profile.value[kept].mean() - profile.value[used].mean())
    return abs(shift) / math.sqrt(3)


def measure_cut_depth(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: CutDepthSettings | None = None,
) -> CutDepthMeasures:
    """Return cut depth, ligament and zone shares of a face.

    Parameters
    ----------
    image : CalibratedImage
        Gives pixel size and tilt.
    face : CutFace
        The face, its anterior side settled.
    zones : ZoneMap
        Its zone map.
    settings : CutDepthSettings, optional
        Choices.

    Returns
    -------
    CutDepthMeasures
        Fractions need no pixel size; the ligament does.

    Notes
    -----
    d(s) is the depth of the laser zone from the anterior edge and t(s) the local thickness.
    ``fraction`` is the mean of d/t over the length where d > 0; ``area_fraction`` is Σd/Σt there;
    obscured chords and chords without both edges are left out. The doubt of the border is the
    spread of its posterior draws together with the model's calibrated doubt, which also covers
    the outline (it was calibrated on outlines that were found, not given), and what the chords
    beside a stretch without laser change in the mean.

    References
    ----------
    JCGM 100:2008, 5.1.2. Averages over a front: Theor. Appl. Fract. Mech. 2022,
    doi 10.1016/j.tafmec.2022.103385.
    """
    settings = settings or CutDepthSettings()
    thickness = local_thickness(image, face, ThicknessSettings())
    columns = zones.depth.size
    span, complete = station_values(thickness, columns)
    hidden = (zones.labels == OBSCURED).mean(axis=0) > settings.obscured_chord_max
    measured = complete & ~hidden
    used = measured & (zones.depth > 0)
    s = (np.arange(columns) + 0.5) / columns * thickness.s_um[-1]
    u_point = zones.depth_draws.std(axis=0)
    profile = Profile(s, zones.depth.copy(), u_point, "1", used, s_unit=thickness.s_unit)
    shares = _area_fractions(_as_seen(zones, face), span, zones.depth_u_model)
    left_out = 1.0 - float(measured.mean())
    share = float(used.sum() / max(1, measured.sum()))
    if not measured.any() or share < settings.least_laser_length:
        none = _fraction(0.0, {"zone border": zones.depth_u_model}, columns)
        length = none if measured.any() else None
        return CutDepthMeasures(
            profile, None, None, None, None, length, None, None, None, shares, left_out
        )
    return _with_laser(image, zones, settings, profile, span, measured, shares, left_out)


def _with_laser(
    image: CalibratedImage,
    zones: ZoneMap,
    settings: CutDepthSettings,
    profile: Profile,
    span: FloatArray,
    measured: BoolArray,
    shares: dict[str, Measured],
    left_out: float,
) -> CutDepthMeasures:
    used = profile.valid
    depth, t = zones.depth[used], span[used]
    n = int(used.sum())
    sd_mean = _of_draws(zones, used, lambda d: float(d.mean()))
    # the calibrated doubt is that of the mean; what the draws do not explain is common to all
    common = math.sqrt(max(0.0, zones.depth_u_model**2 - sd_mean**2))
    beside = _beside_stretches(profile, measured, float(t.mean()))
    near = {_BESIDE_STRETCH: beside} if beside else {}

    def of(value: float, sd: float, *, mean: bool = True) -> Measured:
        budget = {"border along s": sd, "model and outline": common}
        return _fraction(value, budget | (near if mean else {}), n)

    limit = settings.through_cut_fraction
    through = float((depth >= limit).mean())
    shifted = [(np.clip(depth + step, 0, 1) >= limit).mean() for step in (-common, common)]
    through_budget = {
        "border along s": _of_draws(zones, used, lambda d: float((d >= limit).mean())),
        "model and outline": float(np.ptp(shifted)) / (2 * math.sqrt(3)),
    }
    lasered = float(used.sum() / measured.sum())
    u_length = float((zones.depth_draws[:, measured] >= LEAST_DEPTH).mean(axis=1).std())
    length_budget = {"border along s": u_length, "sampling of s": 1 / measured.sum()}
    ligament, ligament_max = _ligament(
        image, profile, t, sd_mean, common=common, beside=beside
    )
    lowest = int(np.argmin(depth))
    return CutDepthMeasures(
        profile=profile,
        fraction=of(float(depth.mean()), sd_mean),
        minimum=of(float(depth[lowest]), float(profile.u[used][lowest]), mean=False),
        nine_point=of(nine_point_average(depth), _of_draws(zones, used, nine_point_average)),
        area_fraction=of(float(depth @ t / t.sum()), sd_mean),
        laser_length_fraction=_fraction(lasered, length_budget, int(measured.sum())),
        through_cut_fraction=_fraction(through, through_budget, n),
        ligament=ligament,
        ligament_max=ligament_max,
        area_fractions=shares,
        left_out=left_out,
        flags=_doubts(beside, settings),
    )


def _doubts(beside: float, settings: CutDepthSettings) -> tuple[Raised, ...]:
    if beside <= settings.u_beside_max:
        return ()
    return (raised("depth_uncertain", f"by {beside:.3f} from the border of a stretch beside"),)


def _ligament(
    image: CalibratedImage,
    profile: Profile,
    t: FloatArray,
    sd_mean: float,
    *,
    common: float,
    beside: float,
) -> tuple[Measured | None, Measured | None]:
    """Mean and greatest uncut rest, in µm, over the lasered length."""
    if image.pixel_size_um is None:
        return None, None
    rest = t * (1 - profile.value[profile.valid])
    mean_t = float(t.mean())
    deepest = int(np.argmax(rest))
    result = []
    for value, thickness, sd, near in (
        (float(rest.mean()), mean_t, sd_mean, beside),
        (float(rest[deepest]), float(t[deepest]), float(profile.u[profile.valid][deepest]), 0.0),
    ):
        budget = {
            "border along s": thickness * sd,
            "model and outline": thickness * common,
            "pixel size": value * image.u_rel_pixel_size,
        }
        if near:
            budget[_BESIDE_STRETCH] = thickness * near
        u = combine(budget)
        result.append(
            Measured(value, u, "µm", budget, rest.size, max(0.0, value - 2 * u), value + 2 * u)
        )
    return result[0], result[1]
