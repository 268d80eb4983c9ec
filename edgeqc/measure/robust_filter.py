"""Filters that ignore deep grooves and debris: robust Gaussian regression; and the spline filter.

A Gaussian mean line is pulled into every groove. The robust filter weighs each height by how far
it lies from the line, in turns, until the line no longer moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import MeasurementError
from edgeqc.measure.form import profile_form
from edgeqc.measure.height_checks import check_nesting_index, check_spacing
from edgeqc.measure.local_regression import MIN_SUPPORT, fitted_profile_nodes
from edgeqc.measure.regression_nodes import NodeAxis, interpolated, node_axis
from edgeqc.measure.surface_filter import ALPHA, KERNEL_HALF_WIDTH
from edgeqc.quantity import BoolArray, FloatArray

ALPHA_SECOND_ORDER = 0.7309134280946759
"""Constant of the weighting function for regression of order 2, at which a sine at the nesting
index passes at 50 %: (1 + q) exp(-q) = 1/2 with q = π α² = 1.6783470 (ISO/TS 16610-31:2010)."""

BIWEIGHT_TUNING = 3.0 / 0.6744897501960817
"""Tuning constant of the biweight in median absolute residuals: three standard deviations of a
Gaussian residual, 4.4478 (ISO/TS 16610-31:2010)."""

LEAST_SAMPLES = 10.0
"""Least nesting index of a profile in samples. Below it the weights span fewer than ten heights,
too few to tell which of them lie off a parabola."""

MAX_ROUNDS = 30
"""Largest number of rounds. At the nesting indices of the setting classes profiles settle in five
to eight, white noise filtered at ten samples needs 30; a profile filtered below its own wavelengths
may never settle."""

TOLERANCE = 1e-3
"""Root mean square move of the line, over the tuning constant, at which the rounds end: 0.3 % of
the residuals' own standard deviation."""

SMALLEST_TUNING = 0.01
"""Floor of the tuning constant, as a share of the largest residual. On a profile without noise
the median residual is that of the filter's own tiny bias; without a floor the heights beside a
groove would be thrown out one after the other until the line there hangs in the air (a sine with
a groove: error 0.040 µm without, 0.003 µm with it). On any profile with noise the median rules."""

LEAST_ROBUST_SUPPORT = 0.05
"""Share of the plain sum of weights that must be left of it after robust weighing to move the line
or surface there; below, it stays where it was."""

LEAST_ROBUST_STEADINESS = 0.01
"""The same for the determinant of the equations: what is left lies to one side, and the polynomial
would hang in the air."""

NODES_PER_SIGMA = 3.0
"""Nodes within a standard deviation of the weights for the line or surface that is returned."""

ROWS_AT_ONCE = 64
"""Profiles worked on together: few enough for their arrays to stay in the processor's cache."""

LEAST_FOR_A_PARABOLA = 3
"""Heights that a parabola takes."""


@dataclass(frozen=True)
class RobustLines:
    """Long-wave part of profiles, and whether each had settled.

    Parameters
    ----------
    line_um : (..., n) float array
        In µm, NaN where the input is NaN.
    move_um : (...) float array
        Root mean square move of the line in the last round; 0 where it had settled.
    """

    line_um: FloatArray
    move_um: FloatArray


def robust_profile_filter(
    height_um: ArrayLike, spacing_um: float, nesting_index_um: float, *, order: int = 2
) -> FloatArray:
    """Return the long-wave part of profiles by robust Gaussian regression.

    Parameters
    ----------
    height_um, spacing_um, nesting_index_um, order
        As in ``robust_lines``.

    Returns
    -------
    (..., n) float array
        Mean line in µm, NaN where the input is NaN.

    References
    ----------
    ISO/TS 16610-31:2010 (later ISO 16610-31; stopping rule ours).
    """
    return robust_lines(height_um, spacing_um, nesting_index_um, order=order).line_um


def robust_lines(
    height_um: ArrayLike, spacing_um: float, nesting_index_um: float, *, order: int = 2
) -> RobustLines:
    """Return the long-wave part of profiles by robust Gaussian regression, and how settled it is.

    Parameters
    ----------
    height_um : (..., n) array
        Heights in µm along the last axis; NaN marks gaps.
    spacing_um : float
        Sampling interval in µm.
    nesting_index_um : float
        Nesting index in µm, ten samples or more.
    order : {0, 2}
        Order of the regression; 2 follows form and needs no form removal.

    Returns
    -------
    RobustLines
        The mean lines.

    Notes
    -----
    At each point a polynomial is fitted with Gaussian weights times the biweight
    (1 - (r/c)²)² of the residuals r; c = 4.4478 times the median absolute residual of the
    profile. Ends and gaps need no other treatment: the regression uses what is there. Each
    profile settles by itself, so that a profile gives the same line alone and among others.

    References
    ----------
    ISO/TS 16610-31:2010 (later ISO 16610-31; stopping rule ours).
    """
    height = np.asarray(height_um, dtype=np.float64)
    spacing = check_spacing(spacing_um)
    if height.ndim == 0 or height.shape[-1] < 2 or not np.isfinite(height).any():
        raise MeasurementError(
            f"the profile has the shape {height.shape} and no use",
            rule="A profile holds at least two heights that are numbers.",
            remedy="Give an array of heights in µm.",
        )
    nesting = check_nesting_index(nesting_index_um, spacing, height.shape[-1] * spacing)
    if nesting < LEAST_SAMPLES * spacing * (1 - 1e-9):
        raise MeasurementError(
            f"the nesting index of a robust filter is {nesting:g} µm at a spacing of"
            f" {spacing:g} µm",
            rule=f"It holds at least {LEAST_SAMPLES:g} sampling intervals, so that outliers can be"
            " told from the line.",
            remedy="Choose a larger nesting index or the Gaussian filter.",
        )
    rows = height.reshape(-1, height.shape[-1])
    valid = np.isfinite(rows)
    form = _form(rows, valid, spacing, order)
    filled = np.where(valid, rows - form, 0.0)
    sigma = regression_alpha(order) * nesting / math.sqrt(2.0 * math.pi) / spacing
    axis = node_axis(rows.shape[1], sigma, order, NODES_PER_SIGMA)
    line, move = np.empty_like(rows), np.zeros(rows.shape[0])
    for start in range(0, rows.shape[0], ROWS_AT_ONCE):
        piece = np.s_[start : start + ROWS_AT_ONCE]
        line[piece], move[piece] = _settled(filled[piece], valid[piece], axis, order)
    result: FloatArray = np.where(valid, line + form, np.nan).reshape(height.shape)
    return RobustLines(result, move.reshape(height.shape[:-1]))


def _form(rows: FloatArray, valid: BoolArray, spacing: float, order: int) -> FloatArray:
    """Return what the regression passes unchanged: the rest is small and its sums exact."""
    count = valid.sum(axis=1)
    mean = np.where(valid, rows, 0.0).sum(axis=1) / np.maximum(count, 1)
    form = np.repeat(mean[:, None], rows.shape[1], axis=1)
    bent = count >= LEAST_FOR_A_PARABOLA
    if order == 2 and bent.any():
        form[bent] = profile_form(rows[bent], spacing, "polynomial 2")
    return form


def regression_alpha(order: int) -> float:
    """Return the constant of the weighting function of a regression filter.

    References
    ----------
    ISO/TS 16610-31:2010 (constants of order 0 and 2).
    """
    if order not in (0, 2):
        raise MeasurementError(
            f"the order of the regression is {order!r}",
            rule="The order is 0 or 2.",
            remedy="Choose 2 to follow form, 0 for a levelled profile.",
        )
    return ALPHA if order == 0 else ALPHA_SECOND_ORDER


def regression_weights(spacing_um: float, nesting_index_um: float, order: int) -> FloatArray:
    """Return the sampled weighting function of a regression filter, summing to one.

    References
    ----------
    ISO/TS 16610-31:2010 (constants of order 0 and 2).
    """
    alpha = regression_alpha(order)
    # the wider function of order 2 falls to the same share at alpha/ALPHA times the half width
    half = int(KERNEL_HALF_WIDTH * alpha / ALPHA * nesting_index_um / spacing_um + 1e-9)
    offset = np.arange(-half, half + 1) * (spacing_um / nesting_index_um)
    weights: FloatArray = np.exp(-math.pi * (offset / alpha) ** 2)
    weights /= weights.sum()
    return weights


def _settled(
    filled: FloatArray, valid: BoolArray, axis: NodeAxis, order: int
) -> tuple[FloatArray, FloatArray]:
    """Run the rounds of regression and weighing; profiles that have settled are left alone.

    Also returns how far those that never did still moved.
    """
    plain = fitted_profile_nodes(axis, valid.astype(np.float64), filled, order)
    used = plain.support > MIN_SUPPORT
    nodes = np.where(used, plain.value, 0.0)
    before = np.zeros_like(nodes), np.zeros_like(nodes)  # nodes and move of the round before
    left = np.zeros(filled.shape[0])
    going = np.flatnonzero(valid.any(axis=1))
    for number in range(MAX_ROUNDS):
        if going.size == 0:
            break
        weight, tuning = _robust_weights(filled[going] - _spread(nodes[going], axis), valid[going])
        fit = fitted_profile_nodes(axis, weight, weight * filled[going], order)
        carried = np.isfinite(fit.value) & used[going]
        carried &= fit.support > LEAST_ROBUST_SUPPORT * plain.support[going]
        carried &= fit.steadiness > LEAST_ROBUST_STEADINESS * plain.steadiness[going]
        new = np.where(carried, fit.value, nodes[going])
        move = new - nodes[going]
        size = np.sqrt(np.mean(move**2, axis=1))
        settled = size <= TOLERANCE * tuning
        left[going] = np.where(settled, 0.0, size)
        mixed = _mixed(new, move, (before[0][going], before[1][going])) if number else new
        before[0][going], before[1][going] = new, move
        nodes[going] = np.where(settled[:, None], new, mixed)
        going = going[~settled]
    return _spread(nodes, axis), left


def _spread(nodes: FloatArray, axis: NodeAxis) -> FloatArray:
    return np.asarray(interpolated(nodes, (), axis.spread), dtype=np.float64)


def _mixed(new: FloatArray, move: FloatArray, before: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Nodes to go on from: each profile's combination of two rounds whose moves cancel best."""
    change = move - before[1]
    square = np.einsum("ij,ij->i", change, change)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(square > 0, np.einsum("ij,ij->i", change, move) / square, 0.0)
    mixed: FloatArray = new - share[:, None] * (new - before[0])
    return mixed


def _robust_weights(residual: FloatArray, valid: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Biweight of each profile's residuals, and its tuning constant."""
    residual = np.abs(residual)
    if valid.all():
        median = np.median(residual, axis=1)
    else:
        median = np.nanmedian(np.where(valid, residual, np.nan), axis=1)
    largest = np.max(residual, axis=1, where=valid, initial=0.0)
    tuning = np.maximum(BIWEIGHT_TUNING * median, SMALLEST_TUNING * largest)
    tuning = np.maximum(tuning, np.finfo(float).tiny)
    ratio = residual / tuning[:, None]
    weight = np.maximum(1.0 - ratio * ratio, 0.0) ** 2
    return np.where(valid, weight, 0.0), tuning
