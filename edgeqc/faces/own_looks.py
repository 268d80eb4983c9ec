"""A face map made up from how the picture's own faces look, where the learned map wavers."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import BoolArray, FloatArray

FloatImage = NDArray[np.float32]

RIDGE = 0.005
"""Weight of the ridge penalty, as a share of the summed cell weights."""

ROUNDS = 8
"""Newton rounds: the penalised likelihood is concave and near its top after four or five."""

MOST_LOGIT = 5.0
"""The picture's own looks move the logarithm of the odds by at most so much."""

_FLOOR = 1e-3
_LEAST_WEIGHT = 0.05
_LARGEST_CUE = 3.0  # in standard deviations of the picture


def log_odds(probability: FloatImage) -> FloatImage:
    """Return log(p / (1 - p)), p held away from 0 and 1 by 0.001."""
    p = np.clip(probability, _FLOOR, 1 - _FLOOR)
    return np.asarray(np.log(p / (1 - p)), np.float32)


def looks_log_odds(
    probability: FloatImage, cues: FloatImage, valid: BoolArray
) -> FloatImage:
    """Return the log-odds of "cut face" that each cell's looks alone tell in this picture.

    Parameters
    ----------
    probability : (rows, cols) float32 array
        P(cut face) by a learned map.
    cues : (rows, cols, n) float32 array
        What each cell looks like: grey and texture energies.
    valid : (rows, cols) bool array
        False on the data bar, whose flat grey must not teach that what is flat is no face.

    Returns
    -------
    (rows, cols) float32 array
        Within ``-MOST_LOGIT .. MOST_LOGIT``.

    Notes
    -----
    Logistic regression on the cues and their products, fitted to the learned map itself by
    iteratively reweighted least squares with a ridge (Hastie, Tibshirani, Friedman, The Elements
    of Statistical Learning, 2nd ed., 4.4.1). Cells on which the map is decided weigh most, so that
    a stretch on which it wavers takes the name of the decided stretches that look like it. What
    the map gets wrong as a whole stays wrong.
    """
    design = _design(cues)
    fitted = _every_second(valid)
    x = design[fitted]
    target = probability.ravel()[fitted].astype(np.float64)
    if target.size < x.shape[1]:
        return np.zeros(probability.shape, np.float32)
    weight = np.abs(2 * target - 1) + _LEAST_WEIGHT
    penalty = RIDGE * float(weight.sum()) * np.eye(design.shape[1])
    penalty[0, 0] = 1e-6
    slopes = np.zeros(design.shape[1])
    for _ in range(ROUNDS):
        share = 1 / (1 + np.exp(-np.clip(x @ slopes, -30, 30)))
        curvature = x.T @ (x * (weight * share * (1 - share) + 1e-6)[:, None])
        step = x.T @ (weight * (target - share)) - penalty @ slopes
        slopes = slopes + np.linalg.solve(curvature + penalty, step)
    odds = np.clip(design @ slopes, -MOST_LOGIT, MOST_LOGIT)
    return np.asarray(odds.reshape(probability.shape), np.float32)


def made_up(probability: FloatImage, cues: FloatImage, valid: FloatImage) -> FloatImage:
    """Return a face map joined with what the looks of its decided cells tell about the others.

    Parameters
    ----------
    probability : (3, rows, cols) float32 array
        Probability of background, other lens body and face.
    cues : (n, canvas rows, canvas cols) float32 array
        Grey and texture energies of the same picture, on the same or a finer grid.
    valid : (canvas rows, canvas cols) float32 array
        Share of each sample that shows the specimen.

    Returns
    -------
    (3, rows, cols) float32 array
    """
    rows, cols = probability.shape[1:]
    small = [
        cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA) for plane in (*cues, valid)
    ]
    face = probability[2]
    odds = log_odds(face) + looks_log_odds(face, np.stack(small[:-1], axis=-1), small[-1] > 0.5)
    joined = 1 / (1 + np.exp(-odds))
    rest = (1 - joined) / np.maximum(1 - face, _FLOOR / 10)
    out = np.stack([probability[0] * rest, probability[1] * rest, joined])
    return np.asarray(out / out.sum(axis=0, keepdims=True), np.float32)


def _every_second(valid: BoolArray) -> NDArray[np.intp]:
    """Return the flat indices of every second valid cell of every second row: enough to fit on."""
    chosen = np.zeros(valid.shape, bool)
    chosen[::2, ::2] = valid[::2, ::2]
    return np.flatnonzero(chosen)


def _design(cues: FloatImage) -> FloatArray:
    """Return one, the standardised cues and their products for each cell."""
    flat = cues.reshape(-1, cues.shape[2]).astype(np.float64)
    spread = flat.std(axis=0) + 1e-6
    flat = np.clip((flat - flat.mean(axis=0)) / spread, -_LARGEST_CUE, _LARGEST_CUE)
    first, second = np.triu_indices(flat.shape[1])
    return np.concatenate([np.ones((flat.shape[0], 1)), flat, flat[:, first] * flat[:, second]], 1)
