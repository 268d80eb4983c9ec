"""Dense sub-pixel matching of two pictures of one field, seen at two tilts.

The parallax runs along the columns (`height_map` turns the pictures so). Coarse to fine: a search
by normalised correlation on the coarsest level, where a laser lattice is blurred away and cannot
alias; then, level by level, iterated least-squares matching in a Gaussian window, which is limited
to less than half a period of the texture by construction. A semi-global matcher proposes other
parallaxes on a middle level, for steps that the coarse level misses; a proposal is taken only
where it correlates clearly better, so that it cannot shift a periodic texture by one pitch.
Matching is done from either picture; points on which both do not agree are dropped.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from edgeqc.measure.stereo_refine import (
    Disparity,
    Plane,
    StereoSettings,
    even_out,
    grid_of,
    local_correlation,
    refine,
    smooth,
)
from edgeqc.measure.stereo_steps import match_with_steps, propose
from edgeqc.quantity import BoolArray

STEP_PX = 1.5
"""A proposal that differs by more than this from the smooth match points to a step."""

STEP_SHARE = 0.06
"""Share of better-correlating proposals from which the whole field is matched as one with steps."""


def _search(pair: tuple[Plane, Plane], reach: int, row_ratio: float) -> Plane:
    """Whole-pixel parallax of the best correlation within ±reach."""
    shape = pair[0].shape
    best = np.full(shape, -2, np.float32)
    found = np.zeros(shape, np.float32)
    zero = np.zeros(shape, np.float32)
    for shift in range(-reach, reach + 1):
        value = local_correlation(
            pair, np.full(shape, shift, np.float32), zero, row_ratio=row_ratio
        )
        better = value > best
        best[better] = value[better]
        found[better] = shift
    return np.asarray(cv2.medianBlur(found, 5))


def _take_proposals(
    grey: tuple[Plane, Plane],
    pair: tuple[Plane, Plane],
    now: tuple[Plane, Plane],
    settings: StereoSettings,
    level: int,
) -> tuple[Plane, float]:
    """Take in better proposals; also say what share of the field they move by a step."""
    along_px, across_px = now
    proposed, has = propose(grey, across_px, max(2, settings.max_parallax_px >> level))
    ratio = settings.row_ratio
    gain = local_correlation(pair, proposed, across_px, 2.0, ratio) - local_correlation(
        pair, along_px, across_px, 2.0, ratio
    )
    # whole patches only: single pixels win by chance, and so does the next pitch of a lattice
    take = has & (smooth(gain, 2.0, ratio) > settings.proposal_gain)
    steps = take & (np.abs(proposed - along_px) > STEP_PX)
    return np.where(take, proposed, along_px).astype(np.float32), float(steps.mean())


def _pyramid(plane: Plane, levels: int) -> list[Plane]:
    planes = [plane]
    for _ in range(levels):
        planes.append(np.asarray(cv2.pyrDown(planes[-1])))
    return planes


def _doubled(plane: Plane, shape: tuple[int, ...]) -> Plane:
    size = (shape[1], shape[0])
    wide = np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR), np.float32)
    return np.float32(2) * wide


def _match_from(
    grey: tuple[Plane, Plane], settings: StereoSettings
) -> tuple[Plane, Plane, bool]:
    """Parallax along and across, seen from the first picture, and whether it has steps."""
    smaller = min(grey[0].shape[0] / settings.row_ratio, grey[0].shape[1])
    levels = max(0, int(np.log2(max(1, smaller / settings.coarsest_px))))
    first, second = (_pyramid(plane, levels) for plane in grey)
    proposal_level = next(
        (k for k in range(levels) if first[k].size <= settings.proposal_pixels), levels
    )
    along_px = across_px = np.zeros((1, 1), np.float32)
    coarse_px = 1.6 * settings.window_px
    share = 0.0
    for level in range(levels, -1, -1):
        pair = (even_out(first[level], settings), even_out(second[level], settings))
        shape = pair[0].shape
        if level == levels:
            along_px = _search(pair, max(2, settings.max_parallax_px >> level), settings.row_ratio)
            across_px = np.zeros(shape, np.float32)
        else:
            along_px, across_px = _doubled(along_px, shape), _doubled(across_px, shape)
        now = refine(pair, (along_px, across_px), window_px=coarse_px, iterations=5,
                     across=True, robust=True, row_ratio=settings.row_ratio)
        if level == proposal_level:
            at_level = (first[level], second[level])
            taken, share = _take_proposals(at_level, pair, now, settings, level)
            now = refine(pair, (taken, now[1]), window_px=coarse_px, iterations=2,
                         across=True, robust=True, row_ratio=settings.row_ratio)
        along_px, across_px = now
    pair = (even_out(grey[0], settings), even_out(grey[1], settings))
    if share > STEP_SHARE:
        return match_with_steps(pair, grey, across_px, settings), across_px, True
    along_px, across_px = finish(pair, (along_px, across_px), settings)
    return along_px, across_px, False


def finish(
    pair: tuple[Plane, Plane], start: tuple[Plane, Plane], settings: StereoSettings
) -> tuple[Plane, Plane]:
    """Return the parallax after the last, finest rounds (the same on a pair and on its twin)."""
    return refine(
        pair, start, window_px=settings.window_px, iterations=settings.iterations,
        across=False, robust=False, row_ratio=settings.row_ratio,
    )


def match_pair(
    left: Plane, right: Plane, usable: tuple[BoolArray, BoolArray], settings: StereoSettings
) -> Disparity:
    """Return the parallax of every point of the left picture.

    Parameters
    ----------
    left, right : (rows, cols) float32 arrays
        The pictures, brought to the same shape and laid over each other to within
        ``settings.max_parallax_px``; parallax along the columns.
    usable : two (rows, cols) bool arrays
        Where each picture holds a field that may be matched.
    settings : StereoSettings
        Settings.

    Returns
    -------
    Disparity
        In the left picture's frame; the mean of the match from the left and that from the right
        where both agree.
    """
    along_px, across_px, steps = _match_from((left, right), settings)
    back_along, _, back_steps = _match_from((right, left), settings)
    row, col = grid_of(left.shape)
    col_there, row_there = col - along_px, row - across_px
    back = -np.asarray(cv2.remap(back_along, col_there, row_there, cv2.INTER_LINEAR))
    pair = (even_out(left, settings), even_out(right, settings))
    correlation = local_correlation(pair, along_px, across_px)
    there = cv2.remap(usable[1].astype(np.uint8), col_there, row_there, cv2.INTER_NEAREST)
    agreed = np.abs(back - along_px) <= settings.agreement_px
    matched = usable[0] & (there > 0) & agreed & (correlation >= settings.min_correlation)
    mean = np.where(agreed, (along_px + back) / 2, along_px).astype(np.float32)
    return Disparity(
        mean, across_px, correlation, np.asarray(matched, bool), bool(steps or back_steps)
    )


def match_halves(
    grey: tuple[Plane, Plane], found: Disparity, settings: StereoSettings, band_rows: int = 1
) -> tuple[Plane, Plane]:
    """Return the match made twice more, from two halves of the pictures' rows.

    Parameters
    ----------
    grey : two (rows, cols) float32 arrays
        The pictures, grey levels as they are.
    found : Disparity
        Their match; only its cross-parallax is used.
    settings : StereoSettings
        Settings of the match.
    band_rows : int
        One row in this many is used: 1, or more where resampling has tied the noise of
        neighbouring rows together.

    Returns
    -------
    two (rows, cols) float32 arrays
        Parallax by the even and by the odd rows.

    Notes
    -----
    Both halves see the same relief, with noise of their own from the first search to the last
    round: half their difference is a sample of the noise that their mean has, point by point,
    without any model of the noise. The cross-parallax is rounded to whole rows, since
    interpolation between rows would tie the halves together.
    """
    down = round(float(np.median(found.across_px[found.matched]))) if found.matched.any() else 0
    other = np.roll(grey[1], down, axis=0)
    step = 2 * band_rows
    half_settings = replace(settings, row_ratio=settings.row_ratio / step)
    halves: list[Plane] = []
    for first in (0, band_rows):
        part = (np.ascontiguousarray(grey[0][first::step]),
                np.ascontiguousarray(other[first::step]))
        along_px, _, _ = _match_from(part, half_settings)
        row, col = grid_of(grey[0].shape)
        halves.append(np.asarray(
            cv2.remap(along_px, col, (row - first) / step, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE),
            np.float32,
        ))
    return halves[0], halves[1]


STEEP_PX = 0.4
"""Change of the parallax from pixel to pixel that no sound match of a rough face reaches."""

PERIODIC = 0.4
"""Autocorrelation at a lag from which a texture counts as periodic."""


def without_islands(along_px: Plane, matched: BoolArray, grey: Plane) -> BoolArray:
    """Return which matched points may be kept once islands of another parallax are left out.

    Parameters
    ----------
    along_px : (rows, cols) float32 array
        Parallax.
    matched : (rows, cols) bool array
        Where it is matched.
    grey : (rows, cols) float32 array
        The picture.

    Notes
    -----
    Where the texture is periodic along the parallax, a patch may lock on to the next period, and
    correlates there perfectly. Such a patch is walled in by a jump of the parallax: only the
    largest walled-in part is kept. Elsewhere only specks are dropped, since real steps exist.
    """
    soft = smooth(along_px, 1.5)
    slope_row, slope_col = np.gradient(soft)
    wall = np.hypot(slope_row, slope_col) > STEEP_PX
    wall = cv2.dilate(wall.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    inside = matched & ~wall
    count, label, stats, _ = cv2.connectedComponentsWithStats(inside.astype(np.uint8), None,
                                                              connectivity=4)
    if count <= 1:
        return np.asarray(inside, bool)
    area = stats[:, cv2.CC_STAT_AREA].copy()
    area[0] = 0
    least = area.max() if is_periodic(grey) else min(500, int(area.max()))
    return np.asarray(area[label] >= least, bool)


def is_periodic(grey: Plane) -> bool:
    """Return whether the texture repeats itself along the rows.

    Notes
    -----
    Mean autocorrelation of the rows, local mean taken out, at lags beyond its first zero.
    """
    detail = grey - smooth(grey, 16.0)
    spectrum = np.abs(np.fft.rfft(detail, 2 * detail.shape[1], axis=1)) ** 2
    lagged = np.fft.irfft(spectrum.mean(axis=0))[: detail.shape[1] // 3]
    lagged = lagged / max(float(lagged[0]), 1e-12)
    negative = np.flatnonzero(lagged < 0)
    return bool(negative.size and lagged[negative[0] :].max() > PERIODIC)


def matched_share(
    found: Disparity, grey: Plane, usable: BoolArray, settings: StereoSettings
) -> float:
    """Return the share of the common field's texture that was matched.

    Weighted by local variance: bare background cannot be matched and says nothing.
    """
    soft = smooth(grey, settings.presmooth_px)
    detail = soft - smooth(soft, settings.contrast_window_px)
    weight = smooth(detail * detail, settings.contrast_window_px)
    # an outline is strong and matches anything along itself: it counts no more than texture
    weight = np.minimum(weight, np.percentile(weight[usable], 75)) if usable.any() else weight
    weight = np.where(usable, weight, 0)
    return float(weight[found.matched].sum() / max(float(weight.sum()), 1e-12))
