"""Robust Gaussian regression filter for surfaces.

The long-wave surface is smooth, so it need not be fitted at every height: heights are gathered
into blocks much smaller than the weighting function, a polynomial is fitted about the middle of
every block, and the surface between is a cubic spline. The powers of the position inside each
block are kept, so that a parabolic surface still comes out exactly.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft
from scipy.interpolate import make_interp_spline
from scipy.ndimage import distance_transform_edt

from edgeqc.measure.height_checks import check_nesting_index, checked_surface
from edgeqc.measure.robust_filter import (
    BIWEIGHT_TUNING,
    MAX_ROUNDS,
    SMALLEST_TUNING,
    regression_weights,
)
from edgeqc.quantity import FloatArray

BLOCKS_PER_SIGMA = 4.0
"""Blocks within one standard deviation of the weighting function. With four, the spline between
block middles changes the transmission at the nesting index by less than 0.0001."""

MEDIAN_HEIGHTS = 300_000
"""Heights at most, evenly picked, from which the median residual and the change are taken."""

AREAL_TOLERANCE = 2e-4
"""Root mean square change of the surface, over the tuning constant, at which the rounds end: a
twentieth of a percent of the residuals' own standard deviation."""

NODES_AT_ONCE = 8192
"""Block middles whose equations are solved together, so that they stay in the cache."""

MIN_SUPPORT = 1e-3
"""Least sum of weights at a block's middle, as a share of a full one, to fit there; elsewhere the
nearest fitted value is taken."""

MIN_DETERMINANT = 1e-10
"""Least determinant of the normal equations, scaled, to fit a polynomial; below, the mean."""


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
        Nesting index in µm.
    order : {0, 2}
        Order of the regression; 2 follows form and needs no form removal.

    Returns
    -------
    (rows, cols) float array
        Long-wave surface in µm, NaN where the input is NaN.

    Notes
    -----
    As ``robust_profile_filter``, with the full polynomial of the order in both directions.
    Ends and gaps need no other treatment: the regression uses what is there. Time grows with
    the number of heights for a nesting index of some thirty samples or more; below, the blocks
    shrink to single heights and the filter is a few times slower.

    References
    ----------
    ISO 16610-71:2014 (areal robust Gaussian regression; weights as in -31, from memory).
    """
    height, valid, spacing = checked_surface(height_um, spacing_um)
    extent = max(n * step for n, step in zip(height.shape, spacing, strict=True))
    nesting = check_nesting_index(nesting_index_um, max(spacing), extent)
    offset = float(height[valid].mean())
    filled = np.where(valid, height - offset, 0.0)
    grid = _BlockGrid(height.shape, spacing, nesting, order)
    stride = max(1, math.isqrt(filled.size // MEDIAN_HEIGHTS))
    robust = valid.astype(np.float64)
    surface = np.zeros_like(filled)
    for round_number in range(MAX_ROUNDS):
        new = grid.surface(robust, filled)
        picked = np.s_[::stride, ::stride]
        change = (new[picked] - surface[picked])[valid[picked]]
        moved = float(np.sqrt(np.mean(change**2))) if round_number and change.size else math.inf
        surface = new
        residual = np.abs(filled - surface)
        sample = residual[picked][valid[picked]]
        median = float(np.median(sample)) if sample.size else 0.0
        largest = float(np.max(residual, where=valid, initial=0.0))
        tuning = max(BIWEIGHT_TUNING * median, SMALLEST_TUNING * largest, np.finfo(float).tiny)
        if moved <= AREAL_TOLERANCE * tuning:
            break
        residual /= tuning
        residual *= residual
        np.subtract(1.0, residual, out=residual)
        np.maximum(residual, 0.0, out=residual)
        residual *= residual
        robust = np.where(valid, residual, 0.0)
    return np.where(valid, surface + offset, np.nan)


class _BlockGrid:
    """The blocks of a surface, the weighting function on them and the spline back to heights."""

    def __init__(
        self, shape: tuple[int, ...], spacing: tuple[float, float], nesting: float, order: int
    ) -> None:
        self.shape = shape
        self.order = order
        self.powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
        axes = [
            _BlockAxis(n, step, nesting, order) for n, step in zip(shape, spacing, strict=True)
        ]
        self.row, self.col = axes

    def surface(self, robust: FloatArray, filled: FloatArray) -> FloatArray:
        """Return the fitted surface for given robust weights."""
        support = self._moments(self._blocks(robust, 2 * self.order), 2 * self.order)
        target = self._moments(self._blocks(robust * filled, self.order), self.order)
        nodes = self._solve(support, target)
        if self.row.block > 1:
            nodes = self.row.spline @ nodes
        if self.col.block > 1:
            nodes = nodes @ self.col.spline.T
        return nodes

    def _blocks(self, data: FloatArray, top: int) -> FloatArray:
        """Sum over every block the data times powers of the place inside it."""
        row, col = self.row, self.col
        padded = data
        if (row.count * row.block, col.count * col.block) != self.shape:
            padded = np.zeros((row.count * row.block, col.count * col.block))
            padded[: self.shape[0], : self.shape[1]] = data
        stacked = padded.reshape(row.count, row.block, -1)
        by_row = row.inside[: top + 1][None] @ stacked  # (row blocks, powers, columns)
        by_row = by_row.reshape(row.count, top + 1, col.count, col.block)
        result: FloatArray = by_row @ col.inside[: top + 1].T
        return result  # (row blocks, row powers, column blocks, column powers)

    def _moments(self, blocks: FloatArray, top: int) -> dict[tuple[int, int], FloatArray]:
        """Weighted moments about the middle of every block, from the blocks' own moments."""
        size = (self.row.padded, self.col.padded)
        spectra = {
            (i, j): fft.rfft2(blocks[:, i, :, j], size)
            for i in range(top + 1) for j in range(top + 1 - i)
            if (i == 0 or self.row.block > 1) and (j == 0 or self.col.block > 1)
        }
        moments = {}
        for p in range(top + 1):
            for q in range(top + 1 - p):
                total = np.zeros((size[0], size[1] // 2 + 1), dtype=np.complex128)
                for (i, j), spectrum in spectra.items():
                    if i > p or j > q:
                        continue
                    factor = math.comb(p, i) * math.comb(q, j)
                    rows = self.row.transfer[p - i] * factor
                    total += rows[:, None] * self.col.half_transfer[q - j] * spectrum
                field = fft.irfft2(total, size)[: self.row.count, : self.col.count]
                moments[p, q] = field
        return moments

    def _solve(
        self,
        support: dict[tuple[int, int], FloatArray],
        target: dict[tuple[int, int], FloatArray],
    ) -> FloatArray:
        """Constant term of the polynomial at every block; the nearest where none can be had."""
        good = support[0, 0] > MIN_SUPPORT
        nodes = np.empty(good.shape)
        step = max(1, NODES_AT_ONCE // good.shape[1])
        for start in range(0, good.shape[0], step):
            band = np.s_[start : start + step]
            weight = np.where(good[band], support[0, 0][band], 1.0)
            right = [target[power][band] / weight for power in self.powers]
            if self.order == 0:
                nodes[band] = right[0]
                continue
            normal = {
                (a, b): support[one[0] + two[0], one[1] + two[1]][band] / weight
                for a, one in enumerate(self.powers)
                for b, two in enumerate(self.powers) if b >= a
            }
            nodes[band] = _constant_term(normal, right)
        if not good.all():
            nearest = distance_transform_edt(~good, return_distances=False, return_indices=True)
            nodes = nodes[tuple(nearest)]
        return nodes


def _constant_term(
    normal: dict[tuple[int, int], FloatArray], right: list[FloatArray]
) -> FloatArray:
    """Solve symmetric normal equations at every node for their constant term (number 0).

    Elimination without pivoting, which is safe for positive definite equations, with the
    constant term last: nothing has to be put back. Where the data about a node do not carry the
    polynomial, their mean is returned.
    """
    mean = right[0]
    left, rest = dict(normal), list(right)
    determinant = np.ones_like(mean)
    order = [*range(len(right) - 1, 0, -1), 0]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for place, k in enumerate(order[:-1]):
            pivot = left[k, k]
            determinant = determinant * pivot
            later = order[place + 1 :]
            for at, i in enumerate(later):
                share = left[min(i, k), max(i, k)] / pivot
                rest[i] = rest[i] - share * rest[k]
                for j in later[at:]:
                    pair, other = (min(i, j), max(i, j)), (min(j, k), max(j, k))
                    left[pair] = left[pair] - share * left[other]
        determinant = determinant * left[0, 0]
        return np.where(determinant > MIN_DETERMINANT, rest[0] / left[0, 0], mean)


class _BlockAxis:
    """One direction of the block grid; lengths in standard deviations of the weights."""

    def __init__(self, n: int, spacing: float, nesting: float, order: int) -> None:
        weights = regression_weights(spacing, nesting, order)
        lever = np.arange(weights.size) - weights.size // 2
        sigma = math.sqrt(float(weights @ lever**2))
        # at least eight blocks, so that the spline has something to go through
        self.block = max(1, min(int(sigma / BLOCKS_PER_SIGMA), n // 8))
        self.count = -(-n // self.block)
        place = (np.arange(self.block) - (self.block - 1) / 2.0) / sigma
        self.inside: FloatArray = np.stack([place**k for k in range(2 * order + 1)])
        # the blocks widen the weighting function; it is drawn narrower by as much
        narrow = math.sqrt(sigma**2 - (self.block**2 - 1) / 12.0) / sigma
        reach = min(int(weights.size // 2 / self.block) + 1, self.count - 1)
        step = np.arange(-reach, reach + 1) * self.block / sigma
        shape = np.exp(-0.5 * (step / narrow) ** 2)
        shape /= math.sqrt(2.0 * math.pi) * narrow * sigma
        self.padded = fft.next_fast_len(self.count + reach, real=True)
        self.transfer, self.half_transfer = [], []
        for k in range(2 * order + 1):
            kernel = np.zeros(self.padded)
            kernel[np.arange(-reach, reach + 1) % self.padded] = (shape * step**k)[::-1]
            self.transfer.append(fft.fft(kernel))
            self.half_transfer.append(fft.rfft(kernel))
        middles = (np.arange(self.count) + 0.5) * self.block - 0.5
        self.spline: FloatArray = np.empty((0, 0))
        if self.block > 1:
            spline = make_interp_spline(middles, np.eye(self.count), k=3)
            self.spline = spline(np.arange(n, dtype=np.float64))
