"""The heights of a zone from the stereo pair itself, or why it gives none.

Two readings of the same pair are made: one that lets the brightness of a slope change with the
tilt, one that does not. Where they part, brightness decides the relief and the zone gets no number.
Nor does it where the brightness itself shows nothing of the relief found (`stereo_witness`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from edgeqc.measure.form import SurfaceForm, surface_form
from edgeqc.measure.stereo_blocks import LEAST_POINTS, blocks, patch_of
from edgeqc.measure.stereo_frame import StereoEvidence, on_ground_plane, on_picture
from edgeqc.measure.stereo_geometry import height_per_parallax
from edgeqc.measure.stereo_relief import ReliefSettings, find_relief
from edgeqc.measure.stereo_witness import Witness, together
from edgeqc.measure.surface_filter import gaussian_areal_filter
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
    largest_part : float
        Largest difference of Sq between the readings with and without shading, in logarithms.
    largest_excess : float
        Largest root of what is left between the pictures at coarse frequencies over what is left
        at the finest (1: noise alone). Where more is left, match or shading are not understood,
        and readings that agree may both be wrong.
    largest_split : float
        Largest difference of Sq by the plain match from that by the reading without shading, in
        logarithms: two ways of reading one pair, which fail in different places.
    largest_fine : float
        Largest root mean square height of the whole relief over that within the band: where the
        relief is mostly finer than the band, what is left of it there is mostly error.
    largest_unseen : float
        Largest share of Sq² that the pair does not show and only the spectrum speaks for.
    least_opening : float
        Least gradient of the texture across the tilt axis, over that along it: lines along the
        parallax hide it.
    least_explained : float
        Least share of the brightness, between `stereo_witness.FINE_PX` and `COARSE_PX`, that the
        relief must explain: a relief that only differences of brightness feign shows nowhere else.
    alone_part, alone_excess, alone_split, alone_fine : float
        Stricter limits for a relief that the brightness does not show, on a surface whose grain
        has nothing to do with its relief: there the pair stands alone.
    u_rel : float
        Relative standard uncertainty of heights where all is seen and the readings are the same.
    part_weight, unseen_weight, fine_weight, opening_weight : float
        Growth of that uncertainty with the difference of the readings, with the unseen share, with
        the relief finer than the band (root mean square of the whole over that in the band, less
        1), and with the logarithm of an opening above 1: the brightness of ridges along the axis
        changes most with the tilt.
    split_weight : float
        The same with the difference of Sq by the plain match from that of the reading: two
        readings of one pair, of which neither is known to be the right one.
    floor_px : float
        Standard uncertainty in pixels of height that a relief has however low it is. These and the
        figures above were set on phantom zones (seeds 7101, 7102 and 7201 of
        tests/benchmarks/stereo_accuracy.py, some 100 zones told).
    largest_u_rel : float
        Relative standard uncertainty beyond which a zone gets no number.
    """

    relief: ReliefSettings = field(default_factory=ReliefSettings)
    least_matched: float = 0.85
    short_px: float = 32.0
    least_relief_px: float = 1.0
    largest_part: float = 0.09
    largest_excess: float = 2.5
    largest_split: float = 0.1
    largest_fine: float = 2.6
    largest_unseen: float = 0.12
    least_opening: float = 0.4
    least_explained: float = 0.2
    alone_part: float = 0.04
    alone_excess: float = 1.25
    alone_split: float = 0.05
    alone_fine: float = 1.5
    u_rel: float = 0.05
    part_weight: float = 2.2
    unseen_weight: float = 1.0
    fine_weight: float = 0.07
    opening_weight: float = 0.2
    split_weight: float = 1.0
    floor_px: float = 0.2
    largest_u_rel: float = 0.2


@dataclass(frozen=True)
class ZoneHeights:
    """Heights of a zone, or the reason for none.

    Parameters
    ----------
    height_um : (rows, cols) float array, optional
        On the grid of the height map, ``nan`` outside the zone. A draw of what the pair allows,
        its size that of the mean of both readings.
    short_um : float
        Nesting index of the S-filter that its band begins at, in µm.
    u_rel : float
        Relative standard uncertainty of the heights beside tilts and pixel size.
    part, unseen, excess : float
        Difference of the two readings in logarithms; share of Sq² that the pair does not show;
        what is left between the pictures, over noise.
    explained, opening : float
        Share of the brightness that the relief explains; gradient of the texture across the tilt
        axis over that along it.
    split, fine : float
        Difference of the plain match from the reading without shading, in logarithms; root mean
        square of the whole relief over that in the band.
    reason : str
        Why there are none, in words; empty where there are.
    """

    height_um: FloatArray | None
    short_um: float
    u_rel: float = math.nan
    part: float = math.nan
    unseen: float = math.nan
    excess: float = math.nan
    explained: float = math.nan
    opening: float = math.nan
    split: float = math.nan
    fine: float = math.nan
    reason: str = ""


@dataclass(frozen=True)
class _Reading:
    """Heights by one reading.

    A draw; root mean squares of draws and mean in the band; what is left unexplained; root mean
    square of the draw with its form taken off alone; what the brightness says of it.
    """

    draw_um: FloatArray
    drawn: tuple[float, ...]
    mean: float
    excess: float
    whole: float
    witness: Witness

    @property
    def sq(self) -> float:
        """Root mean square of the draws."""
        return math.sqrt(float(np.mean(np.square(self.drawn))))

    @property
    def unseen(self) -> float:
        """Share of the power that the pair does not show."""
        return max(1 - self.mean**2 / self.sq**2, 0.0) if self.sq > 0 else 1.0

    @property
    def fine(self) -> float:
        """Root mean square of the whole relief over that in the band, less 1."""
        return max(self.whole / self.sq - 1, 0.0) if self.sq > 0 else math.inf


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
    Two readings of the relief as a random field, with and without shading, and the plain match must
    agree; the texture must vary across the axis, and the brightness must show the relief. Sq of a
    reading is the root mean square over its draws, each with form and S-filter taken off like any
    surface. Sq given is the mean of the two readings; their difference, the scatter of the draws,
    the unseen share, the share of finer relief and the error found on phantoms make its
    uncertainty.

    References
    ----------
    ISO 25178-3:2012 (S-filter). JCGM 100:2008, 4.3.
    """
    short_um = settings.short_px * max(evidence.frame.spacing_um)
    inside = on_ground_plane(zone, evidence)
    if not inside.any():
        return ZoneHeights(None, short_um, reason="the pair does not show it")
    band = _Band(zone, evidence.frame.spacing_um, form, short_um)
    guess = evidence.parallax_px * (
        height_per_parallax(evidence.tilt_deg) * evidence.frame.across_um)
    first = band.rms(on_picture(np.asarray(guess, float), evidence))
    reason = _too_low(first / GUESS_MARGIN, evidence, settings)
    if reason:
        return ZoneHeights(None, short_um, reason=reason)
    plain = _reading(evidence, inside, band, shading=False, settings=settings.relief)
    reason = (_too_low(plain.sq, evidence, settings) or _unseen(plain, settings)
              or _unexplained(plain, settings) or _unsure(plain, first, settings)
              or _unwitnessed(plain, first, settings))
    seen = ZoneHeights(
        None, short_um, unseen=plain.unseen, excess=plain.excess,
        explained=plain.witness.explained, opening=plain.witness.opening,
        split=_split(plain, first), fine=1 + plain.fine, reason=reason)
    if reason:
        return seen
    shaded = _reading(evidence, inside, band, shading=True, settings=settings.relief)
    sq = (plain.sq + shaded.sq) / 2
    part = math.log(shaded.sq / plain.sq) if shaded.sq > 0 else -math.inf
    u_rel = _doubt(plain, (part, seen.split), sq / evidence.frame.across_um, settings)
    reason = (_too_low(sq, evidence, settings) or _shaded(part, plain.witness, settings)
              or _doubtful(u_rel, settings))
    scaled = plain.draw_um * (sq / plain.drawn[0])
    return replace(
        seen, height_um=None if reason else scaled, u_rel=u_rel, part=part, reason=reason)


def _doubt(
    plain: _Reading, parts: tuple[float, float], relief_px: float, settings: StereoZoneSettings
) -> float:
    """Return the relative standard uncertainty of the heights, from what readings differ by."""
    part, split = parts
    shares = (
        settings.floor_px / relief_px if relief_px > 0 else math.inf,
        settings.opening_weight * math.log(max(plain.witness.opening, 1.0)),
        settings.u_rel, settings.part_weight * part, settings.unseen_weight * plain.unseen,
        settings.split_weight * split, settings.fine_weight * plain.fine,
        float(np.std(plain.drawn)) / plain.sq,
    )
    return math.sqrt(sum(share**2 for share in shares))


GUESS_MARGIN = 0.75
"""The match seldom understates a relief by more than this: a lower one need not be looked at."""


def _too_low(sq_um: float, evidence: StereoEvidence, settings: StereoZoneSettings) -> str:
    relief_px = sq_um / evidence.frame.across_um
    if relief_px >= settings.least_relief_px:
        return ""
    return f"its relief of {relief_px:.1f} px is too low for the pair"


def _unseen(reading: _Reading, settings: StereoZoneSettings) -> str:
    if reading.unseen <= settings.largest_unseen:
        return ""
    return f"the pair shows only {1 - reading.unseen:.0%} of the relief's power"


def _unexplained(reading: _Reading, settings: StereoZoneSettings) -> str:
    if reading.excess <= settings.largest_excess:
        return ""
    return f"between the pictures {reading.excess:.2f} times as much is left as noise explains"


def _split(reading: _Reading, match_um: float) -> float:
    """Return the difference of Sq by the plain match from that of a reading, in logarithms."""
    if not (match_um > 0 and reading.sq > 0):
        return -math.inf
    return math.log(match_um / reading.sq)


def _unsure(reading: _Reading, match_um: float, settings: StereoZoneSettings) -> str:
    split = _split(reading, match_um)
    if abs(split) > settings.largest_split:
        return f"two ways of reading the pair differ by {_percent(split)}"
    if reading.whole > settings.largest_fine * reading.sq:
        return "its relief is mostly finer than the pair can settle"
    return ""


def _unwitnessed(reading: _Reading, match_um: float, settings: StereoZoneSettings) -> str:
    witness = reading.witness
    if witness.opening < settings.least_opening:
        return "its texture runs across the tilt axis and hides the parallax"
    alone = (reading.excess <= settings.alone_excess and 1 + reading.fine <= settings.alone_fine
             and abs(match_um / reading.sq - 1) <= settings.alone_split)
    if witness.explained >= settings.least_explained or alone:
        return ""
    return (f"the relief that the pair tells shows in {max(witness.explained, 0.0):.0%} of its"
            " brightness only, and may be a matter of brightness alone")


def _shaded(part: float, witness: Witness, settings: StereoZoneSettings) -> str:
    shown = witness.explained >= settings.least_explained
    if abs(part) > (settings.largest_part if shown else settings.alone_part):
        return f"brightness that changes with the tilt makes {_percent(part)} of the roughness"
    return ""


def _doubtful(u_rel: float, settings: StereoZoneSettings) -> str:
    if u_rel > settings.largest_u_rel:
        return f"its roughness is known to {u_rel:.0%} only"
    return ""


def _percent(difference: float) -> str:
    """Return a difference of logarithms as a share of what it is a difference from."""
    return f"{abs(math.expm1(difference)):.0%}"


@dataclass(frozen=True)
class _Band:
    """What makes a zone's heights a roughness."""

    zone: BoolArray
    spacing_um: tuple[float, float]
    form: SurfaceForm
    short_um: float

    def rms(self, height_um: FloatArray) -> float:
        """Return the root mean square height within the band, 0 where there are no heights."""
        kept = np.where(self.zone, height_um, np.nan)
        if not np.isfinite(kept).any():
            return 0.0
        kept = kept - surface_form(kept, self.spacing_um, self.form)
        kept = gaussian_areal_filter(kept, self.spacing_um, self.short_um)
        return float(np.nanstd(kept[self.zone]))

    def whole(self, height_um: FloatArray) -> float:
        """Return the root mean square height with the form taken off alone."""
        kept = np.where(self.zone, height_um, np.nan)
        if not np.isfinite(kept).any():
            return 0.0
        return float(np.nanstd(kept - surface_form(kept, self.spacing_um, self.form)))


def _reading(
    evidence: StereoEvidence, inside: BoolArray, band: _Band, *, shading: bool,
    settings: ReliefSettings,
) -> _Reading:
    found, excess, witness = _read(evidence, inside, shading, settings)
    mean, *draws = (on_picture(plane, evidence) for plane in found)
    return _Reading(
        draws[0], tuple(band.rms(draw) for draw in draws), band.rms(mean), excess,
        band.whole(draws[0]), witness,
    )


def _read(
    evidence: StereoEvidence, inside: BoolArray, shading: bool, settings: ReliefSettings
) -> tuple[tuple[FloatArray, ...], float, Witness]:
    """Return mean and draws of the heights in µm on the ground plane, largest excess, witness."""
    excess, witnesses = 1.0, []
    planes = tuple(np.full(inside.shape, np.nan) for _ in range(1 + settings.draws))
    unit = height_per_parallax(evidence.tilt_deg) * evidence.frame.across_um
    for window in blocks(inside, settings.block_px):
        own = np.zeros_like(inside)
        own[window] = inside[window]
        if own.sum() < LEAST_POINTS:
            continue
        patch, place = patch_of(evidence, own, settings.margin_px)
        found = find_relief(patch, shading=shading, settings=settings)
        excess = max(excess, found.excess)
        witnesses.append(found.witness)
        rows, cols = own[place].shape
        for plane, parallax in zip(planes, (found.mean_px, *found.draws_px), strict=True):
            plane[place] = np.where(own[place], unit * parallax[:rows, :cols], plane[place])
    return planes, excess, together(witnesses)
