"""Robust Gaussian regression filter for surfaces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import MeasurementError
from edgeqc.measure.form import surface_form
from edgeqc.measure.height_checks import check_nesting_index, checked_surface
from edgeqc.measure.local_regression import (
    MIN_SUPPORT,
    NodeFit,
    NodeGrid,
    fitted_nodes,
    moved_to,
    node_grid,
    spread,
    with_nearest,
)
from edgeqc.measure.regression_nodes import RealArray
from edgeqc.measure.robust_filter import (
    BIWEIGHT_TUNING,
    LEAST_ROBUST_STEADINESS,
    LEAST_ROBUST_SUPPORT,
    NODES_PER_SIGMA,
    SMALLEST_TUNING,
    regression_alpha,
)
from edgeqc.order_statistics import median
from edgeqc.quantity import BoolArray, FloatArray

LEAST_SAMPLES = 6.0
"""Least nesting index in samples. Below it the weights span fewer than 35 heights, too few to
tell which of them lie off a surface of six parameters."""

ROUNDS_NODES_PER_SIGMA = 1.25
"""Nodes within a standard deviation of the weights while the robust weights settle. A wave at the
nesting index is then off by 1 % at most, which moves no weight that matters."""

MAX_AREAL_ROUNDS = 10
"""Largest number of rounds. Heights with noise settle in three to ten. A surface without noise
filtered at a nesting index below its own wavelengths may never: its residuals are the filter's
own, and which of them are outliers depends on the round. Unsettled, the last move goes into the
doubt."""

AREAL_TOLERANCE = 1e-3
"""Root mean square move of the surface, over the tuning constant, at which the rounds end: 0.3 %
of the residuals' own standard deviation."""

SINGLE_BELOW_SIGMA = 8.0
"""Standard deviation of the weights, in samples, below which the rounds run in single precision.
The surface that is returned never does."""

MIN_SINGLE_SUPPORT, HEEDED_SINGLE_SUPPORT = 1e-3, 0.02
"""``MIN_SUPPORT`` of the rounds in single precision, and the least support of nodes that tell how
far the surface moved. Far outside a region the equations lose all their digits: with nodes down to
``MIN_SUPPORT``, of 24 ragged regions at nesting indices of 6 to 26 steps four got heights that were
no number, and none settled of 17 that do so in double."""

BAND_HEIGHTS = 65_536
"""Heights weighed together, so that they stay in the processor's cache."""

PICKED = 300_000
"""Heights (nodes) at most, evenly picked, from which the median residual (the next step) comes."""


@dataclass(frozen=True)
class RobustSurface:
    """Long-wave part of a surface, and whether it had settled.

    Parameters
    ----------
    surface_um : (rows, cols) float array
        In µm, NaN where the input is NaN.
    settled : bool
        Whether the rounds ended by themselves.
    move_um : float
        Root mean square move of the surface in the last round.
    rounds : int
        Number of rounds of robust weighing.
    """

    surface_um: FloatArray
    settled: bool
    move_um: float
    rounds: int


def robust_areal_filter(
    height_um: ArrayLike,
    spacing_um: float | tuple[float, float],
    nesting_index_um: float,
    *,
    order: int = 2,
) -> FloatArray:
    """Return the long-wave part of a surface by robust Gaussian regression.

    Parameters
    ----------
    height_um : (rows, cols) array
        Heights in µm; NaN marks gaps and everything outside the region.
    spacing_um : float or (float, float)
        Sampling interval in µm, one for both directions or (row, col).
    nesting_index_um : float
        Nesting index in µm, six samples or more.
    order : {0, 2}
        Order of the regression; 2 follows form and needs no form removal.

    Returns
    -------
    (rows, cols) float array
        Long-wave surface in µm, NaN where the input is NaN.

    Notes
    -----
    As ``robust_profile_filter``, with the full polynomial of the order in both directions.
    Ends and gaps need no other treatment: the regression uses what is there. Time and memory
    grow with the number of heights, for every nesting index.

    References
    ----------
    ISO 16610-71:2014 (areal robust Gaussian regression; weights as in -31, from memory).
    """
    return robust_surface(height_um, spacing_um, nesting_index_um, order=order).surface_um


def robust_surface(
    height_um: ArrayLike,
    spacing_um: float | tuple[float, float],
    nesting_index_um: float,
    *,
    order: int = 2,
) -> RobustSurface:
    """Return the long-wave part of a surface by robust regression, and whether it had settled.

    Parameters
    ----------
    height_um, spacing_um, nesting_index_um, order
        As in ``robust_areal_filter``.

    Notes
    -----
    Each round weighs the heights by their residuals and fits anew. The surface for the next
    round is that combination of the last two whose moves cancel best (a secant step), which
    needs about two thirds of the rounds. A longer memory needs fewer still, but throws single
    places to where other heights are outliers.

    References
    ----------
    ISO 16610-71:2014 (from memory); J. ACM 1965;12:547 (mixing of rounds, from memory).
    """
    height, valid, spacing = checked_surface(height_um, spacing_um)
    extent = max(n * step for n, step in zip(height.shape, spacing, strict=True))
    nesting = check_nesting_index(nesting_index_um, max(spacing), extent)
    _check_samples(nesting, spacing)
    # what the regression passes unchanged goes first: the rest is small and its sums exact
    form = surface_form(height, spacing, "polynomial 2" if order == 2 else "mean")
    filled = np.where(valid, height - form, 0.0)
    sigma = regression_alpha(order) * nesting / math.sqrt(2.0 * math.pi)
    shape, widths = (height.shape[0], height.shape[1]), (sigma / spacing[0], sigma / spacing[1])
    single = max(widths) < SINGLE_BELOW_SIGMA
    grid = node_grid(shape, widths, order, ROUNDS_NODES_PER_SIGMA, single=single)
    rough: RealArray = filled.astype(np.float32) if single else filled
    plain = fitted_nodes(grid, valid.astype(rough.dtype), rough)
    rounds = _rounds(rough, valid, grid, plain)
    fine = node_grid(shape, widths, order, NODES_PER_SIGMA)
    nodes = rounds.value
    if single or (fine.row.nodes, fine.col.nodes) != nodes.shape:
        weight = rounds.weight.astype(np.float64)
        fit = fitted_nodes(fine, weight, weight * filled)
        before = [moved_to(grid, fine, field) for field in (plain.support, plain.steadiness)]
        nodes = np.where(
            _carried(fit, before[0], before[1]), fit.value, moved_to(grid, fine, nodes)
        )
    surface = np.where(valid, spread(fine, nodes) + form, np.nan)
    return RobustSurface(surface, rounds.settled, rounds.move_um, rounds.count)


def _check_samples(nesting_um: float, spacing_um: tuple[float, float]) -> None:
    if nesting_um < LEAST_SAMPLES * max(spacing_um) * (1 - 1e-9):
        raise MeasurementError(
            f"the nesting index of a robust filter is {nesting_um:g} µm at a spacing of"
            f" {max(spacing_um):g} µm",
            rule=f"It holds at least {LEAST_SAMPLES:g} sampling intervals, so that outliers can be"
            " told from the surface.",
            remedy="Choose a larger nesting index or the Gaussian filter.",
        )


@dataclass(frozen=True)
class _Rounds:
    value: RealArray
    weight: RealArray
    settled: bool
    move_um: float
    count: int


def _rounds(
    filled: RealArray, valid: BoolArray, grid: NodeGrid, plain: NodeFit
) -> _Rounds:
    """Weigh and fit in turns until the surface no longer moves."""
    used = _enough(plain.support)
    mixing = _Mixing(used if filled.dtype == np.float64 else plain.support > HEEDED_SINGLE_SUPPORT)
    value = with_nearest(plain.value, used)
    settled, move, count = False, math.inf, 0
    weight = weighted = np.empty_like(filled)
    while not settled and count < MAX_AREAL_ROUNDS:
        count += 1
        surface = spread(grid, value)
        if surface is value:  # every height has a node
            surface = value.copy()
        weight, tuning = _robust_weights(surface, weighted, filled, valid)
        fit = fitted_nodes(grid, weight, weighted)
        carried = _carried(fit, plain.support, plain.steadiness)
        new = np.where(carried, fit.value, value)
        moved = mixing.moved(value, new)
        move = float(np.sqrt(np.mean(moved**2)))
        settled = move <= AREAL_TOLERANCE * tuning
        value = new if settled or count == MAX_AREAL_ROUNDS else mixing.mixed(moved, new)
    return _Rounds(value, weight, settled, move, count)


def _robust_weights(
    surface: RealArray, weighted: RealArray, filled: RealArray, valid: BoolArray
) -> tuple[RealArray, float]:
    """Biweight of the residuals, in the place of the surface, and its tuning constant.

    Puts weight times height into ``weighted``. By bands of rows that stay in the cache.
    """
    step = max(1, BAND_HEIGHTS // surface.shape[1])
    bands = [slice(start, start + step) for start in range(0, surface.shape[0], step)]
    largest = 0.0
    for band in bands:
        residual = surface[band]
        np.subtract(filled[band], residual, out=residual)
        np.abs(residual, out=residual)
        residual *= valid[band]
        largest = max(largest, float(residual.max()))
    stride = max(1, math.isqrt(surface.size // PICKED))
    sample = surface[::stride, ::stride][valid[::stride, ::stride]]
    middle = median(sample) if sample.size else 0.0
    tuning = max(BIWEIGHT_TUNING * middle, SMALLEST_TUNING * largest, np.finfo(float).tiny)
    for band in bands:
        weight = surface[band]
        weight *= 1.0 / tuning
        weight *= weight
        np.subtract(1.0, weight, out=weight)
        np.maximum(weight, 0.0, out=weight)
        weight *= weight
        weight *= valid[band]
        np.multiply(weight, filled[band], out=weighted[band])
    return surface, tuning


def _carried(fit: NodeFit, support: RealArray, steadiness: RealArray) -> BoolArray:
    """Where enough is left after robust weighing, on enough sides, to move the surface."""
    return np.asarray(
        np.isfinite(fit.value)
        & (fit.support > LEAST_ROBUST_SUPPORT * support)
        & _enough(fit.support)
        & (fit.steadiness > LEAST_ROBUST_STEADINESS * steadiness)
    )


def _enough(support: RealArray) -> BoolArray:
    """Where a sum of weights is large enough for a fit in its precision."""
    least = MIN_SUPPORT if support.dtype == np.float64 else MIN_SINGLE_SUPPORT
    return np.asarray(support > least)


class _Mixing:
    """The round before, for the step after the next."""

    def __init__(self, used: BoolArray) -> None:
        self.used = used
        self.stride = max(1, math.isqrt(used.size // PICKED))
        self.picked = used[:: self.stride, :: self.stride]
        self.new: RealArray | None = None
        self.before: RealArray | None = None

    def moved(self, value: RealArray, new: RealArray) -> RealArray:
        """Return the step of the picked nodes in a round that led from ``value`` to ``new``."""
        every = np.s_[:: self.stride, :: self.stride]
        return (new[every] - value[every])[self.picked].astype(np.float64)

    def mixed(self, moved: RealArray, new: RealArray) -> RealArray:
        """Return where to go on from, after a round that moved to ``new``."""
        before, old = self.before, self.new
        self.new, self.before = new, moved
        if before is None or old is None:
            return new
        change = moved - before
        square = float(change @ change)
        share = float(change @ moved) / square if square > 0 else 0.0
        mixed: RealArray = new - new.dtype.type(share) * (new - old)
        return mixed
