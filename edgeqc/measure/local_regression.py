"""Local polynomial regression of a surface with Gaussian weights, fast for every weight's width.

A regression surface is smooth, so it need not be fitted at every height: the polynomial is fitted
at nodes that lie a fraction of the weights' standard deviation apart, and the surface between
them is interpolated. Weighted sums over the heights about the nodes separate into rows and
columns and come out of dense matrix products over windows of nodes, so that time and memory grow
with the number of heights alone.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from edgeqc.measure.regression_nodes import (
    WINDOW_NODES,
    NodeAxis,
    RealArray,
    Window,
    interpolated,
    interpolation,
    node_axis,
)
from edgeqc.quantity import BoolArray

STRIP_WINDOWS = 8
"""Windows of rows worked on together."""

PRODUCT_NODES = 128
"""Rows of nodes that go into one matrix product."""

GROUP_NODES = 64
"""Columns of nodes worked on together; times the nodes of a strip, they are enough for the
solution of their equations to be worth its many calls, and few enough for the cache."""

MIN_SUPPORT = 1e-7
"""Least sum of weights at a node, as a share of a full one, to fit there; elsewhere the nearest
fitted value is taken."""

RIDGE = 1e-5
"""Added to the diagonal of the normal equations, constant term excepted, levers in standard
deviations of the weights: in a strip too thin to say how the surface bends across it, it does not
bend more than the form taken off before. Elsewhere it changes the surface by some 1e-5."""


@dataclass(frozen=True)
class NodeGrid:
    """Nodes of a surface, and the order of the polynomial fitted about them."""

    row: NodeAxis
    col: NodeAxis
    order: int

    @property
    def powers(self) -> list[tuple[int, int]]:
        """Powers of the row and the column lever in the polynomial."""
        return _powers(self.order)


@dataclass(frozen=True)
class NodeFit:
    """Fitted values at the nodes of a grid.

    Parameters
    ----------
    value : (row nodes, col nodes) float array
        Fitted height.
    support : (row nodes, col nodes) float array
        Sum of the weights; 1 in the middle of a complete surface.
    steadiness : (row nodes, col nodes) float array
        Determinant of the normal equations, levers in standard deviations of the weights.
    """

    value: RealArray
    support: RealArray
    steadiness: RealArray


def _powers(order: int) -> list[tuple[int, int]]:
    return [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]


def node_grid(
    shape: tuple[int, int],
    sigma: tuple[float, float],
    order: int,
    nodes_per_sigma: float,
    *,
    single: bool = False,
) -> NodeGrid:
    """Return the nodes of a surface for Gaussian weights.

    Parameters
    ----------
    shape : (rows, cols)
        Shape of the surface.
    sigma : (float, float)
        Standard deviation of the weights in row and column samples.
    order : int
        Order of the polynomial.
    nodes_per_sigma : float
        Nodes within one standard deviation.
    single : bool
        Work in single precision: for weights a few samples wide, whose equations are never
        nearly singular.

    References
    ----------
    ISO/TS 16610-31:2010 (regression form of a filter); the nodes are ours.
    """
    # in double the zeros of a wide window cost more than the calls for two narrow ones
    window = WINDOW_NODES if single else WINDOW_NODES // 2
    row, col = (
        node_axis(n, width, order, nodes_per_sigma, single=single, window_nodes=window)
        for n, width in zip(shape, sigma, strict=True)
    )
    return NodeGrid(row, col, order)


def fitted_nodes(grid: NodeGrid, weight: RealArray, weighted: RealArray) -> NodeFit:
    """Return the polynomials' values at the nodes of a grid.

    Parameters
    ----------
    grid : NodeGrid
        The nodes.
    weight : (rows, cols) float array
        Weight of every height, 0 in gaps.
    weighted : (rows, cols) float array
        Weight times height.

    References
    ----------
    ISO 16610-71:2014; local polynomial regression: Chapman & Hall 1996, ISBN 0-412-98321-4, 2.3
    (from memory).
    """
    shape = grid.row.nodes, grid.col.nodes
    value, support, steadiness = (np.empty(shape, weight.dtype) for _ in range(3))
    columns = [
        (window, [_flat_columns(window.matrix[: top + 1]) for top in range(2 * grid.order + 1)])
        for window in grid.col.moments
    ]
    many = _windows_of(grid.col.moments, GROUP_NODES)
    groups = [columns[k : k + many] for k in range(0, len(columns), many)]
    for start in range(0, len(grid.row.moments), STRIP_WINDOWS):
        windows = grid.row.moments[start : start + STRIP_WINDOWS]
        by_row = [
            _by_row(windows, data, top)
            for data, top in ((weight, 2 * grid.order), (weighted, grid.order))
        ]
        band = slice(windows[0].first, windows[-1].last)
        for group in groups:
            sums, target = (_by_column(part, group) for part in by_row)
            here = np.s_[band, group[0][0].first : group[-1][0].last]
            support[here] = sums[0]
            solution = _solved(sums, target, grid.order)
            for field, found in zip((value, steadiness), solution, strict=True):
                field[here] = found.reshape(sums[0].shape)
    return NodeFit(value, support, steadiness)


def _flat_columns(matrix: RealArray) -> RealArray:
    """Return (samples, powers x nodes) from (powers, nodes, samples)."""
    return np.ascontiguousarray(matrix.reshape(-1, matrix.shape[2]).T)


def _windows_of(windows: tuple[Window, ...], nodes: int) -> int:
    """Windows that hold so many nodes."""
    return max(1, nodes // (windows[0].last - windows[0].first))


def _by_row(windows: tuple[Window, ...], data: RealArray, top: int) -> list[RealArray]:
    """Return sums over windows of rows, some together: (powers, nodes, columns) of each lot."""
    lots, many = [], _windows_of(windows, PRODUCT_NODES)
    for begin in range(0, len(windows), many):
        together = windows[begin : begin + many]
        first = together[0].first
        lot = np.empty((top + 1, together[-1].last - first, data.shape[1]), data.dtype)
        for window in together:
            matrix = window.matrix[: top + 1].reshape(-1, window.stop - window.start)
            product = matrix @ data[window.start : window.stop]
            rows = slice(window.first - first, window.last - first)
            lot[:, rows] = product.reshape(top + 1, -1, data.shape[1])
        lots.append(lot)
    return lots


def _by_column(
    by_row: list[RealArray], group: list[tuple[Window, list[RealArray]]]
) -> RealArray:
    """Return sums over windows of columns, of those over rows: (pairs of powers, nodes, nodes)."""
    top, left_end = by_row[0].shape[0] - 1, group[0][0].first
    shape = sum(lot.shape[1] for lot in by_row), group[-1][0].last - left_end
    sums = np.empty(((top + 1) * (top + 2) // 2, *shape), by_row[0].dtype)
    first = 0
    for lot in by_row:
        rows = slice(first, first + lot.shape[1])
        first = rows.stop
        for window, matrices in group:
            cols, at = slice(window.first - left_end, window.last - left_end), 0
            for power in range(top + 1):
                count = top - power + 1
                product = lot[power, :, window.start : window.stop] @ matrices[count - 1]
                product = product.reshape(rows.stop - rows.start, count, -1)
                sums[at : at + count, rows, cols] = product.swapaxes(0, 1)
                at += count
    return sums


@functools.cache
def _equations(order: int) -> tuple[list[list[int]], list[int]]:
    """Places of the sums in the upper half of the normal equations, and on their right side."""
    powers = _powers(order)[::-1]
    place = {pair: k for k, pair in enumerate(_powers(2 * order))}
    left = [
        [place[one[0] + two[0], one[1] + two[1]] for two in powers[k:]]
        for k, one in enumerate(powers)
    ]
    return left, [_powers(order).index(power) for power in powers]


def _solved(
    support: RealArray, target: RealArray, order: int
) -> tuple[RealArray, RealArray]:
    """Constant term of the polynomial at every node, and the determinant.

    Elimination without pivoting, which is safe for positive definite equations, with the
    constant term last: nothing has to be put back. Works on the sums handed over.
    """
    places, known = _equations(order)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        support, target = (sums.reshape(sums.shape[0], -1) for sums in (support, target))
        inverse = 1.0 / support[0]
        support *= inverse
        target *= inverse
        left = [[support[k] for k in row] for row in places]
        for row in left[:-1]:
            row[0] = row[0] + row[0].dtype.type(RIDGE)
        return _eliminated(left, [target[k] for k in known])


def _eliminated(
    left: list[list[RealArray]], rest: list[RealArray]
) -> tuple[RealArray, RealArray]:
    """Last unknown of symmetric equations, and their determinant.

    Row k of ``left`` begins with its diagonal term. Works on the lists handed over.
    """
    determinant = left[0][0]
    for k, pivot_row in enumerate(left[:-1]):
        inverse = 1.0 / pivot_row[0]
        for ahead in range(1, len(pivot_row)):
            i = k + ahead
            share = pivot_row[ahead] * inverse
            rest[i] = rest[i] - share * rest[k]
            row = left[i]
            for j in range(len(row)):
                row[j] = row[j] - share * pivot_row[ahead + j]
        determinant = determinant * left[k + 1][0]
    return rest[-1] / left[-1][0], determinant


def fitted_profile_nodes(
    axis: NodeAxis, weight: RealArray, weighted: RealArray, order: int
) -> NodeFit:
    """Return the polynomials' values at the nodes of profiles.

    Parameters
    ----------
    axis : NodeAxis
        The nodes.
    weight : (profiles, n) float array
        Weight of every height, 0 in gaps.
    weighted : (profiles, n) float array
        Weight times height.
    order : {0, 2}
        Order of the polynomial.

    Returns
    -------
    NodeFit
        Of (profiles, nodes) arrays.

    References
    ----------
    ISO/TS 16610-31:2010.
    """
    shape = weight.shape[0], axis.nodes
    value, support, steadiness = (np.empty(shape) for _ in range(3))
    powers = range(order, -1, -1)  # the constant term last
    for window in axis.moments:
        matrix = window.matrix.reshape(-1, window.stop - window.start).T
        along = slice(window.start, window.stop)
        count = window.last - window.first
        shaped = shape[0], -1, count
        s = np.moveaxis((weight[:, along] @ matrix).reshape(shaped), 1, 0)
        terms = matrix[:, : (order + 1) * count]
        t = np.moveaxis((weighted[:, along] @ terms).reshape(shaped), 1, 0)
        here = np.s_[:, window.first : window.last]
        support[here] = s[0]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            s, t = s / s[0], t / s[0]
            left = [[s[a + b] for b in powers[k:]] for k, a in enumerate(powers)]
            for row in left[:-1]:
                row[0] = row[0] + RIDGE
            value[here], steadiness[here] = _eliminated(left, [t[a] for a in powers])
    return NodeFit(value, support, steadiness)


def with_nearest(value: RealArray, good: BoolArray) -> RealArray:
    """Return node values in which those not good are those of the nearest good node.

    References
    ----------
    Common practice, no source.
    """
    if good.all() or not good.any():
        return value
    nearest = distance_transform_edt(~good, return_distances=False, return_indices=True)
    filled: RealArray = value[tuple(nearest)]
    return filled


def spread(grid: NodeGrid, value: RealArray) -> RealArray:
    """Return the surface at every height from its values at the nodes.

    Parameters
    ----------
    grid : NodeGrid
        The nodes.
    value : (row nodes, col nodes) float array
        Heights there.

    Returns
    -------
    (rows, cols) float array

    References
    ----------
    Polynomial interpolation on equidistant nodes; common practice, no source.
    """
    return interpolated(value, grid.row.spread, grid.col.spread)


def moved_to(grid: NodeGrid, other: NodeGrid, value: RealArray) -> RealArray:
    """Return node values of one grid at the nodes of another grid on the same surface.

    References
    ----------
    Polynomial interpolation on equidistant nodes; common practice, no source.
    """
    windows = [
        () if new.nodes == old.nodes else interpolation(new.nodes, old.nodes)
        for old, new in ((grid.row, other.row), (grid.col, other.col))
    ]
    return interpolated(value, windows[0], windows[1])
