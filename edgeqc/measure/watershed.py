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
"""Pointers followed, or heights compared with their neighbours, together."""

JUMPS_OF_ALL = 2
"""Jumps that all pointers take before only those that still move are followed."""

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
    # numbered by height, so that the larger number of two hills is the higher one
    peak = _by_height(np.flatnonzero(is_peak & valid.ravel()), flat)
    number = np.full(top.size, -1, dtype=np.int32)
    number[peak] = np.arange(peak.size, dtype=np.int32)
    labels = _looked_up(number, top).reshape(z.shape)
    labels[~valid] = -1
    wide, wide_z = _padded(labels, -1), _padded(z, LOWEST)
    wide, stay = _pruned_on_map(wide, wide_z, flat[peak], least_rise_um)
    peak = peak[stay]
    root = _pruned(wide, wide_z, flat[peak], least_rise_um)
    kept, compact = np.unique(root, return_inverse=True)
    wide = _renumbered(wide, compact)
    highest = _highest_saddles(wide, wide_z, kept.size)
    labels = np.ascontiguousarray(wide[:-1, :-1])
    return Hills(labels, peak[kept], highest, _open(labels, kept.size))


def _by_height(place: IntArray, height: NDArray[np.float32]) -> IntArray:
    """Places by rising height, equal heights in their own order.

    Height and order are packed into whole numbers, whose sort takes a tenth of a stable one.
    """
    packed = _level(height.take(place))
    packed |= np.arange(place.size)
    packed.sort()
    packed &= 0xFFFFFFFF
    return place.take(packed)


def _level(height: NDArray[np.float32]) -> IntArray:
    """Heights as whole numbers that sort like them, in the upper half of 64 bits."""
    bits = (height + np.float32(0.0)).view(np.int32)  # makes one zero of both
    level = (bits ^ ((bits >> 31) & np.int32(0x7FFFFFFF))).astype(np.int64)
    level <<= 32
    return level


def _renumbered(labels: NDArray[np.int32], new: NDArray[np.int64]) -> NDArray[np.int32]:
    """Labels by the new number of every hill, in place; -1 stays."""
    # -1 finds the last entry
    return _looked_up(np.append(new.astype(np.int32), np.int32(-1)), labels)


def _looked_up(value: NDArray[np.int32], index: NDArray[np.int32]) -> NDArray[np.int32]:
    """Values at indices, in the place of these; by stretches, as indices are widened to be used."""
    flat = index.reshape(-1)
    for start in range(0, flat.size, STRETCH):
        stretch = flat[start : start + STRETCH]
        stretch[...] = value.take(stretch)
    return index


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
        target[start:stop] += np.where(up, step_of.take(best & 7), np.int32(0))
    return _followed(target.ravel()), is_peak.ravel()


def _followed(target: NDArray[np.int32]) -> NDArray[np.int32]:
    """Follow every pointer to its end, stretch by stretch so that each stays in the cache.

    Works on the array handed over. A stretch is followed as far as the others have come; a few
    sweeps settle all.
    """
    for start in range(0, target.size, STRETCH):
        stretch = target[start : start + STRETCH]
        for _ in range(JUMPS_OF_ALL):
            stretch[...] = target.take(stretch, mode="clip")
        _follow_stretch(target, stretch)
    settled = False
    while not settled:
        settled = True
        for start in range(0, target.size, STRETCH):
            settled &= not _follow_stretch(target, target[start : start + STRETCH])
    return target


def _follow_stretch(target: NDArray[np.int32], stretch: NDArray[np.int32]) -> bool:
    """Follow the pointers of a stretch as far as they lead now; whether any moved.

    A pointer that does not move has reached a peak.
    """
    farther = target.take(stretch, mode="clip")
    moving = np.flatnonzero(farther != stretch)
    any_moved, farther = moving.size > 0, farther.take(moving)
    while moving.size:
        stretch[moving] = farther
        ahead = target.take(farther, mode="clip")
        still = np.flatnonzero(ahead != farther)
        moving, farther = moving.take(still), ahead.take(still)
    return any_moved


def _padded(field: NDArray[Any], fill: float) -> NDArray[Any]:
    """Give a field a column to the right and a row below: no row then runs into the next."""
    wide = np.full((field.shape[0] + 1, field.shape[1] + 1), fill, dtype=field.dtype)
    wide[:-1, :-1] = field
    return wide


def _least_saddles(peak_height: NDArray[np.float32], least_rise: float) -> NDArray[np.float32]:
    """Height above which a saddle can join every hill to a higher one, rounded down.

    A saddle below that of both its hills can be left out of pruning: a hill of which it is the
    highest saddle stays, and it would stay too if the highest were a lower one. As hills are only
    joined to higher ones, this holds in every round. The last entry stands for gaps.
    """
    least = (peak_height.astype(np.float64) - least_rise).astype(np.float32)
    least = np.maximum(np.nextafter(least, np.float32(-np.inf)), np.float32(LOWEST))
    return np.append(least, np.float32(LOWEST))


def _border(
    labels: NDArray[np.int32], z: NDArray[np.float32], least: NDArray[np.float32]
) -> Iterator[Borders]:
    """Yield neighbours that belong to two hills and the saddle between them, by stretches.

    Only those whose saddle lies above the least one of either hill. Both fields are padded; no
    saddle leads to a gap, which lies at LOWEST.
    """
    width = labels.shape[1]
    flat, heights = labels.ravel(), z.ravel()
    last = flat.size - width - 1  # the last place is padding
    for start in range(0, last, STRETCH):
        count = min(STRETCH, last - start)
        ahead = slice(start, start + count + width + 1)
        number, height = flat[ahead], heights[ahead]
        needed = least.take(number)
        here = number[:count]
        for step in (1, width - 1, width, width + 1):
            beside = slice(step, step + count)
            saddle = np.minimum(height[:count], height[beside])
            wanted = saddle > np.minimum(needed[:count], needed[beside])
            wanted &= here != number[beside]
            at = np.flatnonzero(wanted)
            yield here.take(at), number[beside].take(at), saddle.take(at)


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
        least = _least_saddles(peak_height[stay], least_rise)
        for border in _border(labels, z, least):
            _raise_to_saddles(best, border)
        parent = _parents(peak_height[stay], best, least_rise)
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
        stretch = slice(start, start + STRETCH)
        first, second = border[0][stretch], border[1][stretch]
        level = _level(border[2][stretch])
        np.maximum.at(best, first, level | second)
        np.maximum.at(best, second, level | first)


def _parents(peak_height: NDArray[np.float32], best: IntArray, least_rise: float) -> IntArray:
    """Hill that every hill is joined to; itself where it stays."""
    bits = (best >> 32).astype(np.int32)
    saddle = (bits ^ ((bits >> 31) & np.int32(0x7FFFFFFF))).view(np.float32).astype(np.float64)
    leads_to = np.where(best == NO_SADDLE, -1, best & 0xFFFFFFFF)
    parent = np.arange(best.size)
    low = (leads_to > parent) & (peak_height.astype(np.float64) - saddle < least_rise)
    parent[low] = leads_to[low]
    while True:  # parents are higher: the ways up end
        farther = parent[parent]
        if np.array_equal(farther, parent):
            return parent
        parent = farther


def _pruned(
    labels: NDArray[np.int32],
    z: NDArray[np.float32],
    peak_height: NDArray[np.float32],
    least_rise: float,
) -> IntArray:
    """Root hill of every hill after pruning, by rounds over a list of the borders."""
    root = np.arange(peak_height.size)
    parts = list(_border(labels, z, _least_saddles(peak_height, least_rise)))
    first, second = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    saddle = np.concatenate([part[2] for part in parts])
    while True:
        best = np.full(root.size, NO_SADDLE)
        _raise_to_saddles(best, (first, second, saddle))
        parent = _parents(peak_height, best, least_rise)
        if np.array_equal(parent, np.arange(root.size)):
            return root
        root = parent[root]
        narrow = parent.astype(np.int32)
        first, second = narrow.take(first), narrow.take(second)
        apart = np.flatnonzero(first != second)
        first, second, saddle = first.take(apart), second.take(apart), saddle.take(apart)


def _highest_saddles(
    labels: NDArray[np.int32], z: NDArray[np.float32], count: int
) -> FloatArray:
    """Height of every hill's highest saddle to a neighbour, -inf for a hill without one."""
    highest = np.full(count, -np.inf, dtype=np.float32)
    least = np.full(count + 1, LOWEST, dtype=np.float32)
    for first, second, saddle in _border(labels, z, least):
        np.maximum.at(highest, first, saddle)
        np.maximum.at(highest, second, saddle)
    return highest.astype(np.float64)


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
