"""Hills and dales of a surface by watershed, pruned by height.

Every height belongs to the hill whose peak is reached by always going up the steepest way.
Neighbouring hills meet at saddles. Hills that rise less than a threshold above the saddle to a
higher neighbour are joined to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import BoolArray, FloatArray

IntArray = NDArray[np.int64]

LOWEST = -1e30
"""Stands for heights outside the region, in µm: lower than any, yet a number."""

_FIRST_FORWARD = 4
"""Code of the first neighbour with a larger index; codes alone (below 8) are level steps."""

STRETCH = 65_536
"""Pointers followed together."""

BAND_ROWS = 32
"""Rows worked on together, so that they stay in the processor's cache."""


@dataclass(frozen=True)
class Hills:
    """Hills of a surface (for dales, of the surface turned upside down).

    Parameters
    ----------
    labels : (rows, cols) int32 array
        Hill of every height, 0 .. count - 1; -1 outside the region.
    peak : (count,) int array
        Flat index of every hill's highest point.
    saddle : (count,) float array
        Height of the highest saddle to a neighbour; -inf for a hill without neighbour.
    open_hill : (count,) bool array
        True where the hill reaches the region's border, so that part of it may be missing.
    """

    labels: NDArray[np.int32]
    peak: IntArray
    saddle: FloatArray
    open_hill: BoolArray


def pruned_hills(
    height_um: FloatArray | NDArray[np.float32],
    spacing_um: tuple[float, float],
    least_rise_um: float,
) -> Hills:
    """Return the hills of a surface that rise at least a threshold above their saddle.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm, NaN outside the region.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.
    least_rise_um : float
        Least height of a peak over the highest saddle that leads to a higher peak.

    Returns
    -------
    Hills

    Notes
    -----
    Pruning goes in rounds. In each, every hill whose highest saddle leads to a higher hill, and
    that rises less than the threshold above it, is joined to that hill: the order of pruning one
    by one from the lowest rise leads to the same hills, because a hill's rise over its highest
    saddle does not change as long as that saddle leads to a higher hill.

    References
    ----------
    ISO 25178-2:2021, 5 and ISO 16610-85:2013 (watershed segmentation, pruning of the change
    tree; from memory).
    """
    valid = np.isfinite(height_um)
    z = height_um.astype(np.float32)
    z[~valid] = LOWEST
    top, is_peak = _climb(z, spacing_um)
    flat = z.ravel()
    peak = np.flatnonzero(is_peak & valid.ravel())
    number = np.full(top.size, -1, dtype=np.int32)
    number[peak] = np.arange(peak.size, dtype=np.int32)
    labels = np.where(valid, number[top].reshape(z.shape), np.int32(-1))
    first, second, saddle = _saddles(labels, z)
    root, highest = _prune(flat[peak].astype(np.float64), (first, second, saddle), least_rise_um)
    kept, compact = np.unique(root, return_inverse=True)
    lookup = np.append(compact.astype(np.int32), np.int32(-1))  # -1 finds the last entry
    labels = lookup[labels]
    return Hills(labels, peak[kept], highest[kept], _open(labels, kept.size))


def _climb(
    z: NDArray[np.float32], spacing_um: tuple[float, float]
) -> tuple[NDArray[np.int32], BoolArray]:
    """Flat index of the peak that the steepest way up from every height leads to, and the peaks.

    The direction of each neighbour is kept in the three lowest bits of its slope, so that one
    running maximum finds the steepest slope and whence it came. Slopes are compared to 1e-6.
    """
    rows, cols = z.shape
    # lower than a gap, so that no way leads out of the array along a gap at its border
    padded = np.full((rows + 2, cols + 2), 2 * LOWEST, dtype=np.float32)
    padded[1:-1, 1:-1] = z
    # neighbours with a larger index come last: on a level stretch only those are followed, so
    # there are no circles, and the false peaks that this leaves have no rise and are pruned
    shifts = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]
    step_of = np.array([i * cols + j for i, j in shifts], dtype=np.int32)
    target = np.arange(rows * cols, dtype=np.int32).reshape(rows, cols)
    is_peak = np.empty((rows, cols), dtype=np.bool_)
    for start in range(0, rows, BAND_ROWS):
        stop = min(start + BAND_ROWS, rows)
        here = z[start:stop]
        best = np.full(here.shape, -1, dtype=np.int32)
        for code, (i, j) in enumerate(shifts):
            rise = padded[1 + start + i : 1 + stop + i, 1 + j : 1 + cols + j] - here
            rise *= np.float32(1.0 / math.hypot(i * spacing_um[0], j * spacing_um[1]))
            packed = rise.view(np.int32)
            packed &= np.int32(~7)
            packed |= np.int32(code)
            np.maximum(best, packed, out=best)
        up = best >= _FIRST_FORWARD
        is_peak[start:stop] = ~up
        target[start:stop] += np.where(up, step_of[best & 7], np.int32(0))
    return _followed(target.ravel()), is_peak.ravel()


def _followed(target: NDArray[np.int32]) -> NDArray[np.int32]:
    """Follow every pointer to its end, stretch by stretch so that each stays in the cache.

    Works on the array handed over. A stretch is followed as far as the others have come; a few
    sweeps settle all.
    """
    settled = False
    while not settled:
        settled = True
        for start in range(0, target.size, STRETCH):
            stretch = target[start : start + STRETCH]
            farther = target.take(stretch, mode="clip")
            while not np.array_equal(farther, stretch):
                settled = False
                stretch[...] = farther
                farther = target.take(stretch, mode="clip")
    return target


def _saddles(
    labels: NDArray[np.int32], z: NDArray[np.float32]
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs of neighbouring hills with the height of the highest saddle between them."""
    cols = labels.shape[1]
    count = int(labels.max()) + 1
    # two hills meet only inside 2 x 2 squares that are not all of one hill
    mixed = labels[:-1, :-1] != labels[:-1, 1:]
    mixed |= labels[1:, :-1] != labels[1:, 1:]
    mixed |= labels[:-1, :-1] != labels[1:, :-1]
    row, col = np.divmod(np.flatnonzero(mixed), max(cols - 1, 1))
    corner = row * cols + col
    flat_labels, flat_z = labels.ravel(), z.ravel()
    label = [flat_labels.take(corner + k) for k in (0, 1, cols, cols + 1)]
    height = [flat_z.take(corner + k) for k in (0, 1, cols, cols + 1)]
    low, high = label[0], label[0]
    for other in label[1:]:
        low, high = np.minimum(low, other), np.maximum(high, other)
    simple = low >= 0
    for corner_label in label:
        simple &= (corner_label == low) | (corner_label == high)
    # of two hills in a square the saddle is the lower of their highest corners there
    tops = []
    for side in (low, high):
        corners = [np.where(a == side, h, LOWEST) for a, h in zip(label, height, strict=True)]
        tops.append(np.maximum.reduce(corners)[simple])
    keys = [low[simple].astype(np.int64) * count + high[simple]]
    heights = [np.minimum(*tops)]
    label, height = [a[~simple] for a in label], [h[~simple] for h in height]
    for one, two in ((0, 1), (2, 3), (0, 2), (1, 3), (0, 3), (1, 2)):
        a, b = label[one], label[two]
        border = np.flatnonzero((a != b) & (a >= 0) & (b >= 0))
        first, second = a[border].astype(np.int64), b[border].astype(np.int64)
        keys.append(np.minimum(first, second) * count + np.maximum(first, second))
        heights.append(np.minimum(height[one][border], height[two][border]))
    joined = np.concatenate(heights).astype(np.float64)
    return _highest_per_pair(np.concatenate(keys), joined, count)


def _highest_per_pair(
    key: IntArray, height: FloatArray, count: int
) -> tuple[IntArray, IntArray, FloatArray]:
    if key.size == 0:
        return key, key, height
    order = np.argsort(key)
    key, height = key[order], height[order]
    start = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
    pair = key[start]
    return pair // count, pair % count, np.maximum.reduceat(height, start)


def _prune(
    peak: FloatArray, pairs: tuple[IntArray, IntArray, FloatArray], least_rise: float
) -> tuple[IntArray, FloatArray]:
    """Root hill of every hill after pruning, and each root's highest saddle."""
    count = peak.size
    root = np.arange(count)
    # rank settles equal heights the same way everywhere
    rank = np.empty(count, dtype=np.int64)
    rank[np.lexsort((np.arange(count), peak))] = np.arange(count)
    by_rank = np.argsort(rank)
    first, second, saddle = pairs
    while True:
        one, two = np.concatenate([first, second]), np.concatenate([second, first])
        height = np.concatenate([saddle, saddle])
        highest = np.full(count, -np.inf)
        np.maximum.at(highest, one, height)
        at_saddle = height == highest[one]
        leads_to = np.full(count, -1, dtype=np.int64)
        np.maximum.at(leads_to, one[at_saddle], rank[two[at_saddle]])
        low = (leads_to > rank) & (peak - highest < least_rise)
        if not low.any():
            return root, highest
        parent = np.arange(count)
        parent[low] = by_rank[leads_to[low]]
        while True:
            farther = parent[parent]
            if np.array_equal(farther, parent):
                break
            parent = farther
        root = parent[root]
        first, second = parent[first], parent[second]
        apart = first != second
        first, second, saddle = first[apart], second[apart], saddle[apart]
        key = np.minimum(first, second) * count + np.maximum(first, second)
        first, second, saddle = _highest_per_pair(key, saddle, count)


def _open(labels: NDArray[np.int32], count: int) -> BoolArray:
    """Which hills touch the map's frame or a gap."""
    result = np.zeros(count + 1, dtype=np.bool_)  # the last entry takes the -1 of gaps
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        result[edge] = True
    if (labels < 0).any():
        for a, b in ((labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:])):
            result[a[b < 0]] = True
            result[b[a < 0]] = True
    return result[:count]
