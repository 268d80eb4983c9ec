"""The heights of a zone from the stereo pair itself, or why it gives none.

Three readings of the same pair are made. One takes brightness for a matter of the surface alone:
its heights are given. One starts far off: a relief that the pair settles is found from there too,
one that noise or brightness feigns is not. One lets the brightness of a slope change with the tilt:
where it parts from the first, brightness decides the relief. What they differ by, what is left
unexplained and what the pair does not show make one uncertainty; a zone where that is large gets
no number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from edgeqc.measure.form import SurfaceForm
from edgeqc.measure.stereo_frame import StereoEvidence, on_ground_plane, on_picture
from edgeqc.measure.stereo_geometry import height_per_parallax
from edgeqc.measure.stereo_reading import Reading, ReliefBand, read_relief
from edgeqc.measure.stereo_relief import ReliefSettings
from edgeqc.quantity import BoolArray, FloatArray


@dataclass(frozen=True)
class StereoZoneSettings:
    """When a stereo pair may tell a zone's roughness.

    Parameters
    ----------
    relief : ReliefSettings
        How the relief is found.
    least_matched : float
        Least share of the zone on which the two pictures match: what does not match is not a
        random part of the relief, and what matches beside it is often wrong.
    short_px : float
        Nesting index of the S-filter in pixels: finer relief is decided by brightness.
    least_relief_px : float
        Least root mean square height, in pixels, within that band: a lower relief makes a smaller
        parallax than its own shading feigns.
    least_opening : float
        Least gradient of the texture across the tilt axis, over that along it: lines along the
        parallax hide it.
    largest_coherence : float
        Largest share of the texture's gradient that runs one way, place by place: lines alone
        show the shift square to them, and where light moves them a relief is read from how their
        direction changes.
    u_rel : float
        Relative standard uncertainty of heights where all is seen and the readings are the same.
    floor_px : float
        Standard uncertainty in pixels of height that a relief has however low it is.
    moved_weight : float
        Growth of the uncertainty with the difference of Sq, in logarithms, of the reading that
        starts far off.
    part_weight : float
        The same of the reading in which brightness changes with the tilt.
    split_weight : float
        The same of the plain match.
    unseen_weight : float
        Growth with the share of Sq² that the pair does not show and only the spectrum speaks for.
    left_weight : float
        Growth with the root of the share that noise does not explain in what is left between the
        pictures at coarse frequencies.
    excess_px, fine_weight, close_weight : float
        Growth with what is left between the pictures over noise, less 1: in pixels of height; for
        each root mean square height of relief finer than the band; for each unit by which the
        logarithm of an opening is below 0.
    finer_weight : float
        Growth with each root mean square height of relief finer than the band, whatever is left.
    ridge_weight : float
        Growth with the logarithm of an opening above 1, for each unit of the brightness that the
        relief explains: the brightness of ridges along the axis moves with the tilt.
    largest_u_rel : float
        Relative standard uncertainty beyond which a zone gets no number. The weights are those of
        greatest likelihood for the errors of 330 zones (Student's t of four degrees of freedom;
        seeds 7801 and 7901 of the phantoms, 9401 of the other maker of
        tests/benchmarks/stereo_accuracy.py), a sixth larger, and ``left_weight`` with them, since
        of 63 other zones of phantoms (8001 to 8301) 56 lay inside 2u.
    """

    relief: ReliefSettings = field(default_factory=ReliefSettings)
    least_matched: float = 0.92
    short_px: float = 32.0
    least_relief_px: float = 0.33
    least_opening: float = 0.4
    largest_coherence: float = 0.95
    u_rel: float = 0.012
    floor_px: float = 0.012
    moved_weight: float = 1.3
    part_weight: float = 2.3
    split_weight: float = 0.85
    unseen_weight: float = 0.7
    left_weight: float = 0.05
    excess_px: float = 0.01
    fine_weight: float = 0.045
    close_weight: float = 0.23
    finer_weight: float = 0.035
    ridge_weight: float = 0.02
    largest_u_rel: float = 0.09


@dataclass(frozen=True)
class ZoneHeights:
    """Heights of a zone, or the reason for none.

    Parameters
    ----------
    height_um : (rows, cols) float array, optional
        On the grid of the height map, ``nan`` outside the zone. A draw of what the pair allows.
    short_um : float
        Nesting index of the S-filter that its band begins at, in µm.
    u_rel : float
        Relative standard uncertainty of the heights beside tilts and pixel size.
    moved, part, split : float
        Differences of Sq, in logarithms: of the reading that starts far off, of that with shading,
        of the plain match.
    unseen, excess : float
        Share of Sq² that the pair does not show; what is left between the pictures, over noise.
    explained, opening, coherence : float
        Share of the brightness that the relief explains; gradient of the texture across the tilt
        axis over that along it; share of it that runs one way, place by place.
    fine : float
        Root mean square of the whole relief over that in the band.
    reason : str
        Why there are none, in words; empty where there are.
    """

    height_um: FloatArray | None
    short_um: float
    u_rel: float = math.nan
    moved: float = math.nan
    part: float = math.nan
    split: float = math.nan
    unseen: float = math.nan
    excess: float = math.nan
    explained: float = math.nan
    opening: float = math.nan
    coherence: float = math.nan
    fine: float = math.nan
    reason: str = ""


def zone_heights(
    evidence: StereoEvidence, zone: BoolArray, form: SurfaceForm, settings: StereoZoneSettings
) -> ZoneHeights:
    """Return the heights of a zone by its stereo pair.

    Parameters
    ----------
    evidence : StereoEvidence
        The pair.
    zone : (rows, cols) bool array
        The zone, on the grid of the height map.
    form : str
        Form taken off the zone.
    settings : StereoZoneSettings
        Settings.

    Notes
    -----
    The relief is read as a random field (`find_relief`). Sq of a reading is the root mean square
    over its draws, each with form and S-filter taken off like any surface; the draw given is
    scaled to it. Readings are made one after the other, and none that can change nothing: a zone
    is refused as soon as its uncertainty is too large.

    References
    ----------
    ISO 25178-3:2012 (S-filter). JCGM 100:2008, 4.3.
    """
    short_um = settings.short_px * max(evidence.frame.spacing_um)
    inside = on_ground_plane(zone, evidence)
    if not inside.any():
        return ZoneHeights(None, short_um, reason="the pair does not show it")
    band = ReliefBand(zone, evidence.frame.spacing_um, form, short_um)
    guess = evidence.parallax_px * (
        height_per_parallax(evidence.tilt_deg) * evidence.frame.across_um)
    match = band.rms(on_picture(np.asarray(guess, float), evidence))
    reason = _too_low(match / GUESS_MARGIN, evidence, settings)
    if reason:
        return ZoneHeights(None, short_um, reason=reason)
    plain = read_relief(evidence, inside, band, settings=settings.relief)
    seen = _seen(plain, match, short_um)
    reason = _too_low(plain.sq, evidence, settings) or _hidden(seen, settings)
    if reason:
        return replace(seen, reason=reason)
    relief_px = plain.sq / evidence.frame.across_um
    seen = _judged(seen, plain, relief_px, settings)
    if not seen.reason:
        other = read_relief(evidence, inside, band, settings=settings.relief, far=True)
        seen = replace(seen, moved=_apart(other.sq, plain.sq))
        seen = _judged(seen, plain, relief_px, settings)
    if not seen.reason:
        other = read_relief(evidence, inside, band, settings=settings.relief, shading=True)
        seen = replace(seen, part=_apart(other.sq, plain.sq))
        seen = _judged(seen, plain, relief_px, settings)
    scaled = plain.draw_um * (plain.sq / plain.drawn[0])
    return seen if seen.reason else replace(seen, height_um=scaled)


def _seen(plain: Reading, match_um: float, short_um: float) -> ZoneHeights:
    return ZoneHeights(
        None, short_um, split=_apart(match_um, plain.sq), unseen=plain.unseen,
        excess=plain.excess, explained=plain.witness.explained, opening=plain.witness.opening,
        coherence=plain.witness.coherence, fine=plain.fine,
    )


def _apart(one_um: float, other_um: float) -> float:
    """Return the difference of two Sq in logarithms."""
    return math.log(one_um / other_um) if one_um > 0 and other_um > 0 else -math.inf


GUESS_MARGIN = 0.75
"""The match seldom understates a relief by more than this: a lower one need not be looked at."""


def _too_low(sq_um: float, evidence: StereoEvidence, settings: StereoZoneSettings) -> str:
    relief_px = sq_um / evidence.frame.across_um
    if relief_px >= settings.least_relief_px:
        return ""
    return f"its relief of {relief_px:.1f} px is too low for the pair"


def _hidden(seen: ZoneHeights, settings: StereoZoneSettings) -> str:
    if seen.opening < settings.least_opening:
        return "its texture runs across the tilt axis and hides the parallax"
    if seen.coherence > settings.largest_coherence:
        return "its texture is lines alone, and light that moves them would look like relief"
    return ""


def _judged(
    seen: ZoneHeights, plain: Reading, relief_px: float, settings: StereoZoneSettings
) -> ZoneHeights:
    """Return what is seen with its uncertainty so far, and why that is too large if it is."""
    excess = max(seen.excess - 1, 0.0)
    opening = math.log(max(seen.opening, 1e-6))
    shares = {
        "two starts of one reading differ by "
        f"{_percent(seen.moved)}": settings.moved_weight * seen.moved,
        "brightness that changes with the tilt makes "
        f"{_percent(seen.part)} of the roughness": settings.part_weight * seen.part,
        f"two ways of reading the pair differ by {_percent(seen.split)}":
            settings.split_weight * seen.split,
        f"the pair shows only {1 - seen.unseen:.0%} of the relief's power":
            settings.unseen_weight * seen.unseen,
        f"between the pictures {seen.excess:.2f} times as much is left as noise explains":
            math.hypot(settings.left_weight * math.sqrt(1 - 1 / (1 + excess) ** 2),
                       excess * settings.excess_px / relief_px,
                       excess * settings.fine_weight * (seen.fine - 1),
                       excess * settings.close_weight * max(-opening, 0.0)),
        "most of its relief is finer than the band": settings.finer_weight * (seen.fine - 1),
        "ridges along the tilt axis move with the light":
            settings.ridge_weight * max(opening, 0.0) * max(seen.explained, 0.0),
        "the draws of its relief differ": float(np.std(plain.drawn)) / plain.sq,
    }
    known = {why: share for why, share in shares.items() if not math.isnan(share)}
    u_rel = math.hypot(settings.u_rel, settings.floor_px / relief_px, *known.values())
    if u_rel <= settings.largest_u_rel:
        return replace(seen, u_rel=u_rel)
    return replace(seen, u_rel=u_rel, reason=max(known, key=lambda why: abs(known[why])))


def _percent(difference: float) -> str:
    """Return a difference of logarithms as a share of what it is a difference from."""
    return "nan" if math.isnan(difference) else f"{abs(math.expm1(difference)):.0%}"
