"""Parallax of fields with steps: OpenCV's semi-global matcher, refined where that pays.

Least-squares matching needs a start within a texture period and a relief without jumps. Where the
relief jumps (a torn flap above the rest), the semi-global matcher is the better start; what it
lacks is resolution, since it moves in sixteenths of a pixel and locks on to whole ones.
"""

from __future__ import annotations

import cv2
import numpy as np

from edgeqc.measure.stereo_refine import (
    Plane,
    StereoSettings,
    grid_of,
    local_correlation,
    refine,
    sample,
)
from edgeqc.quantity import BoolArray

_BLOCK_PX = 5
_STEP_REFINE_PX = 0.75
"""A refined parallax this far from its start has left the surface it started on."""


def propose(
    pair: tuple[Plane, Plane], across_px: Plane, reach: int
) -> tuple[Plane, BoolArray]:
    """Return the parallax by the semi-global matcher within ±reach, and where it has one.

    Parameters
    ----------
    pair : two (rows, cols) float32 arrays
        This picture and the other one, grey levels as they are.
    across_px : (rows, cols) float32 array
        Cross-parallax known so far: the matcher needs rows that are level with each other.
    reach : int
        Largest parallax in pixels.
    """
    row, col = grid_of(pair[0].shape)
    levelled = sample(pair[1], col, row - across_px)
    low, high = (float(value) for value in np.percentile(pair[0], (0.5, 99.5)))
    planes = [
        np.round(np.clip((plane - low) / max(high - low, 1e-9), 0, 1) * 255).astype(np.uint8)
        for plane in (pair[0], levelled)
    ]
    span = -(-2 * reach // 16) * 16
    # the matcher leaves a band of the width of its range empty: give it that band to lose
    border = reach + span
    padded = [
        cv2.copyMakeBorder(plane, 0, 0, border, border, cv2.BORDER_REPLICATE) for plane in planes
    ]
    matcher = cv2.StereoSGBM.create(
        minDisparity=-reach, numDisparities=span, blockSize=_BLOCK_PX, P1=8 * _BLOCK_PX**2,
        P2=32 * _BLOCK_PX**2, disp12MaxDiff=1, uniquenessRatio=5, speckleWindowSize=100,
        speckleRange=2, mode=cv2.STEREO_SGBM_MODE_SGBM_3WAY,
    )
    raw = matcher.compute(*padded)[:, border:-border]
    return raw.astype(np.float32) / 16, np.asarray(raw > -16 * reach)


def fill_from_behind(found: Plane, has: BoolArray) -> Plane:
    """Return the parallax with its gaps filled along the row from the lower of both sides.

    What one picture hides lies behind what hides it, so the smaller parallax is the likelier.
    """
    filled = found.copy()
    position = np.arange(found.shape[1])
    for line, known, out in zip(found, has, filled, strict=True):
        index = np.flatnonzero(known)
        if index.size == 0:
            continue
        after = np.searchsorted(index, position)
        before_value = line[index[np.clip(after - 1, 0, None)]]
        after_value = line[index[np.clip(after, None, index.size - 1)]]
        out[~known] = np.minimum(before_value, after_value)[~known]
    return np.asarray(cv2.medianBlur(filled, 3))


def match_with_steps(
    pair: tuple[Plane, Plane],
    grey: tuple[Plane, Plane],
    across_px: Plane,
    settings: StereoSettings,
) -> Plane:
    """Return the parallax of a field with steps.

    Parameters
    ----------
    pair : two (rows, cols) float32 arrays
        Pictures, evened out.
    grey : two (rows, cols) float32 arrays
        Pictures as they are.
    across_px : (rows, cols) float32 array
        Cross-parallax in pixels.
    settings : StereoSettings
        Settings.

    Returns
    -------
    (rows, cols) float32 array
        Semi-global parallax, refined by least squares where the refined value stays near its
        start and correlates better.
    """
    found, has = propose(grey, across_px, settings.max_parallax_px)
    start = fill_from_behind(found, has)
    refined, _ = refine(
        pair, (start, across_px), window_px=settings.window_px, iterations=1, across=False,
        robust=False, row_ratio=settings.row_ratio,
    )
    near = np.abs(refined - start) < _STEP_REFINE_PX
    ratio = settings.row_ratio
    better = local_correlation(pair, refined, across_px, 2.0, ratio) > local_correlation(
        pair, start, across_px, 2.0, ratio
    )
    return np.where(near & better, refined, start).astype(np.float32)
