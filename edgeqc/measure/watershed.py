"""Hills and dales of a surface by watershed, pruned by height.

Every height belongs to the hill whose peak is reached by always going up the steepest way.
Neighbouring hills meet at saddles. Hills that rise less than a threshold above the saddle to a
higher neighbour are joined to it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import BoolArray, FloatArray

IntArray = NDArray[np.int64]
Borders = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float32]]

LOWEST = -1e30
"""Stands for heights outside the region, in µm: lower than any, yet a number."""

MANY_HILLS = 64
"""Hills are pruned on the map itself while there is more than one to so many heights."""

NO_SADDLE = np.iinfo(np.int64).min
"""Stands for the highest saddle of a hill that meets no other."""

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
    # numbered by height, so that the larger number of two hills is the higher one
    peak = peak[np.argsort(flat[peak], kind="stable")]
    number = np.full(top.size, -1, dtype=np.int32)
    number[peak] = np.arange(peak.size, dtype=np.int32)
    labels = np.where(valid, number[top].reshape(z.shape), np.int32(-1))
    wide, wide_z = _padded(labels, -1), _padded(z, LOWEST)
    wide, stay = _pruned_on_map(wide, wide_z, flat[peak], least_rise_um)
    peak = peak[stay]
    root, highest = _pruned(flat[peak], _borders(wide, wide_z), least_rise_um)
    kept, compact = np.unique(root, return_inverse=True)
    labels = _renumbered(wide[:-1, :-1], compact)
    return Hills(labels, peak[kept], highest[kept], _open(labels, kept.size))


def _renumbered(labels: NDArray[np.int32], new: NDArray[np.int64]) -> NDArray[np.int32]:
    """Labels by the new number of every hill; -1 stays."""
    lookup = np.append(new.astype(np.int32), np.int32(-1))  # -1 finds the last entry
    return lookup[labels]


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


def _padded(field: NDArray[Any], fill: float) -> NDArray[Any]:
    """Give a field a column to the right and a row below: no row then runs into the next."""
    wide = np.full((field.shape[0] + 1, field.shape[1] + 1), fill, dtype=field.dtype)
    wide[:-1, :-1] = field
    return wide


def _border(
    labels: NDArray[np.int32], z: NDArray[np.float32]
) -> Iterator[Borders]:
    """Yield neighbours that belong to two hills and the saddle between them, by stretches.

    Both fields are padded.
    """
    width = labels.shape[1]
    flat, heights = labels.ravel(), z.ravel()
    last = flat.size - width - 1  # the last place is padding
    for start in range(0, last, STRETCH):
        stop = min(start + STRETCH, last)
        here = flat[start:stop]
        for step in (1, width - 1, width, width + 1):
            there = flat[start + step : stop + step]
            at = np.flatnonzero((here != there) & ((here | there) >= 0))
            first, second = here.take(at), there.take(at)
            at += start
            saddle = np.minimum(heights.take(at), heights.take(at + step))
            yield first, second, saddle


def _borders(labels: NDArray[np.int32], z: NDArray[np.float32]) -> Borders:
    """Every two neighbours that belong to two hills, and the saddle between them."""
    first, second, saddle = (
        np.concatenate(parts) for parts in zip(*_border(labels, z), strict=True)
    )
    return first, second, saddle


def _pruned_on_map(
    labels: NDArray[np.int32],
    z: NDArray[np.float32],
    peak_height: NDArray[np.float32],
    least_rise: float,
) -> tuple[NDArray[np.int32], IntArray]:
    """Labels and numbers of the hills left by rounds of pruning over the map itself.

    These go on for as long as there are very many hills: noise makes one of every ten heights,
    and a list of all their borders is larger than the map several times over.
    """
    stay = np.arange(peak_height.size)
    while stay.size * MANY_HILLS > z.size:
        best = np.full(stay.size, NO_SADDLE)
        for border in _border(labels, z):
            _raise_to_saddles(best, border)
        parent, _ = _parents(peak_height[stay], best, least_rise)
        kept = np.flatnonzero(parent == np.arange(stay.size))
        if kept.size == stay.size:
            break
        compact = np.zeros(stay.size, dtype=np.int64)
        compact[kept] = np.arange(kept.size)
        labels, stay = _renumbered(labels, compact[parent]), stay[kept]
    return labels, stay


def _raise_to_saddles(best: IntArray, border: Borders) -> None:
    """Put the highest saddle of every hill, and the hill that it leads to, into ``best``.

    Both are packed into one whole number that sorts by height, then by hill.
    """
    for start in range(0, border[0].size, STRETCH):
        first, second, saddle = (field[start : start + STRETCH] for field in border)
        one, two = first.astype(np.int64), second.astype(np.int64)
        bits = saddle.view(np.int32)
        level = (bits ^ ((bits >> 31) & np.int32(0x7FFFFFFF))).astype(np.int64)
        level <<= 32
        np.maximum.at(best, one, level | two)
        np.maximum.at(best, two, level | one)


def _parents(
    peak_height: NDArray[np.float32], best: IntArray, least_rise: float
) -> tuple[IntArray, FloatArray]:
    """Hill that every hill is joined to (itself where it stays), and its highest saddle."""
    lonely = best == NO_SADDLE
    bits = (best >> 32).astype(np.int32)
    saddle = (bits ^ ((bits >> 31) & np.int32(0x7FFFFFFF))).view(np.float32).astype(np.float64)
    saddle[lonely] = -np.inf
    leads_to = np.where(lonely, -1, best & 0xFFFFFFFF)
    parent = np.arange(best.size)
    low = (leads_to > parent) & (peak_height.astype(np.float64) - saddle < least_rise)
    parent[low] = leads_to[low]
    while True:  # parents are higher: the ways up end
        farther = parent[parent]
        if np.array_equal(farther, parent):
            return parent, saddle
        parent = farther


def _pruned(
    peak_height: NDArray[np.float32], borders: Borders, least_rise: float
) -> tuple[IntArray, FloatArray]:
    """Root hill of every hill after pruning, and each root's highest saddle."""
    root = np.arange(peak_height.size)
    first, second, saddle = borders
    while True:
        best = np.full(root.size, NO_SADDLE)
        _raise_to_saddles(best, (first, second, saddle))
        parent, highest = _parents(peak_height, best, least_rise)
        if np.array_equal(parent, np.arange(root.size)):
            return root, highest
        root = parent[root]
        narrow = parent.astype(np.int32)
        first, second = narrow.take(first), narrow.take(second)
        apart = np.flatnonzero(first != second)
        first, second, saddle = first.take(apart), second.take(apart), saddle.take(apart)


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
