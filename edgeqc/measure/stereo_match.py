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

import cv2
import numpy as np

from edgeqc.measure.stereo_refine import (
    Disparity,
    Plane,
    StereoSettings,
    even_out,
    fill_gaps,
    grid_of,
    local_correlation,
    refine,
    smooth,
)
from edgeqc.measure.stereo_steps import match_with_steps, propose
from edgeqc.quantity import BoolArray

STEP_PX = 1.5
"""A proposal that differs by more than this from the smooth match points to a step."""

STEP_SHARE = 0.05
"""Share of better-correlating proposals from which the whole field is matched as one with steps."""


def _search(pair: tuple[Plane, Plane], reach: int) -> Plane:
    """Whole-pixel parallax of the best correlation within ±reach."""
    shape = pair[0].shape
    best = np.full(shape, -2, np.float32)
    found = np.zeros(shape, np.float32)
    zero = np.zeros(shape, np.float32)
    for shift in range(-reach, reach + 1):
        value = local_correlation(pair, np.full(shape, shift, np.float32), zero)
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
    gain = local_correlation(pair, proposed, across_px, 2.0) - local_correlation(
        pair, along_px, across_px, 2.0
    )
    # whole patches only: single pixels win by chance, and so does the next pitch of a lattice
    take = has & (smooth(gain, 2.0) > settings.proposal_gain)
    steps = take & (np.abs(proposed - along_px) > STEP_PX)
    return np.where(take, proposed, along_px).astype(np.float32), float(steps.mean())


def _pyramid(plane: Plane, levels: int) -> list[Plane]:
    planes = [plane]
    for _ in range(levels):
        planes.append(np.asarray(cv2.pyrDown(planes[-1])))
    return planes


def _doubled(plane: Plane, shape: tuple[int, ...]) -> Plane:
    size = (shape[1], shape[0])
    return 2 * np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR))


def _match_from(
    grey: tuple[Plane, Plane], settings: StereoSettings
) -> tuple[Plane, Plane, bool]:
    """Parallax along and across, seen from the first picture, and whether it has steps."""
    smaller = min(grey[0].shape)
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
            along_px = _search(pair, max(2, settings.max_parallax_px >> level))
            across_px = np.zeros(shape, np.float32)
        else:
            along_px, across_px = _doubled(along_px, shape), _doubled(across_px, shape)
        now = refine(pair, (along_px, across_px), window_px=coarse_px, iterations=5,
                     across=True, robust=True)
        if level == proposal_level:
            at_level = (first[level], second[level])
            taken, share = _take_proposals(at_level, pair, now, settings, level)
            now = refine(pair, (taken, now[1]), window_px=coarse_px, iterations=2,
                         across=True, robust=True)
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
        across=False, robust=False,
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
    """Return the last, finest match made twice, from two halves of the pictures' rows.

    Parameters
    ----------
    grey : two (rows, cols) float32 arrays
        The pictures, grey levels as they are.
    found : Disparity
        Their match, from which both halves start.
    settings : StereoSettings
        Settings of the match.
    band_rows : int
        Rows are dealt out to the halves in bands of this height: 1, or more where resampling has
        tied the noise of neighbouring rows together.

    Returns
    -------
    two (rows, cols) float32 arrays
        Parallax by the even and by the odd bands.

    Notes
    -----
    Both halves see the same relief, with noise of their own: half their difference is a sample of
    the noise that their mean has, point by point, without any model of the noise. The
    cross-parallax is rounded to whole rows, since interpolation between rows would tie the halves
    together.
    """
    pair = (even_out(grey[0], settings, along_only=True),
            even_out(grey[1], settings, along_only=True))
    rows = np.arange(grey[0].shape[0]) // band_rows % 2
    start = found.along_px
    if not found.steps:
        # wide enough to forget the noise that both would otherwise share
        start = smooth(fill_gaps(start, found.matched), 2 * settings.window_px)
    across_px = np.round(found.across_px)
    halves = []
    for half in (0, 1):
        weight = np.repeat((rows == half).astype(np.float32)[:, None], start.shape[1], axis=1)
        along_px, _ = refine(
            pair, (start, across_px), window_px=settings.window_px,
            iterations=1 if found.steps else settings.iterations, across=False, robust=False,
            weight=weight,
        )
        halves.append(along_px)
    return halves[0], halves[1]


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
