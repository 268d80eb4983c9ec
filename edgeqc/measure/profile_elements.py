"""Profile elements by crossing-the-line segmentation: their mean spacing and mean height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

HEIGHT_DISCRIMINATION = 0.10
"""Least height of a hill or depth of a dale, as a share of Rz (from memory)."""

SPACING_DISCRIMINATION = 0.01
"""Least width of a hill or dale, as a share of the section length (from memory)."""

BESIDE = (2, 3, 4, 5)
"""Steps, in elements counted from both sides, to those beside an element that share nothing with
it: where they go together, a mean of them is less well known (JCGM 100:2008, 4.2.7 note 1)."""


@dataclass(frozen=True)
class ProfileElements:
    """Profile elements of a batch of profiles.

    Parameters
    ----------
    spacing_um, height_um : (batch,) float arrays
        Mean width and mean height of the elements, NaN where a profile has none.
    u_spacing_um, u_height_um : (batch,) float arrays
        Standard uncertainty of the means from the elements' scatter, NaN below two elements.
    count : (batch,) int array
        Number of hills and dales that the means rest on, divided by two.
    """

    spacing_um: FloatArray
    height_um: FloatArray
    u_spacing_um: FloatArray
    u_height_um: FloatArray
    count: NDArray[np.int64]


@dataclass(frozen=True)
class _Runs:
    """Stretches on one side of the line: profile, unbroken piece of it, side, ends, extreme."""

    row: NDArray[np.int64]
    piece: NDArray[np.int64]
    hill: NDArray[np.bool_]
    begin: FloatArray
    end: FloatArray
    extreme: FloatArray


def profile_elements(
    height_um: FloatArray,
    spacing_um: float,
    least_height_um: FloatArray,
    least_width_um: float,
) -> ProfileElements:
    """Return mean spacing (RSm) and mean height (Rc) of the profile elements.

    Parameters
    ----------
    height_um : (batch, n) float array
        Heights in µm from the mean line, NaN in gaps.
    spacing_um : float
        Sampling interval in µm.
    least_height_um : (batch,) float array
        Hills and dales that reach less far from the line are taken as part of their neighbours.
    least_width_um : float
        The same for their width.

    Returns
    -------
    ProfileElements

    Notes
    -----
    The profile is cut where it crosses the mean line, the crossing placed by a straight line
    between samples. Low hills and dales go first, then narrow ones; what is left alternates.
    An element is a hill with the dale beside it. Elements are counted from both sides (hill
    then dale, dale then hill), so that a profile and its mirror image give the same mean; the
    incomplete stretches at the two ends and beside gaps are left out.

    References
    ----------
    ISO 21920-2:2021 (crossing-the-line segmentation, profile elements); the two
    discriminations from memory.
    """
    runs = _crossing_runs(height_um, spacing_um)
    runs = _merged(runs, runs.extreme >= least_height_um[runs.row])
    runs = _merged(runs, runs.end - runs.begin >= least_width_um)
    # the border between a hill and a dale lies midway when something low was dropped between
    joined = runs.piece[1:] == runs.piece[:-1]
    border = 0.5 * (runs.end[:-1] + runs.begin[1:])
    pair = joined[1:] & joined[:-1]
    width = (border[1:] - border[:-1])[pair]
    height = runs.extreme[1:-1][pair]
    piece = runs.piece[1:-1][pair]  # one complete hill or dale each
    both = piece[1:] == piece[:-1]
    element_width = (width[1:] + width[:-1])[both]
    element_height = (height[1:] + height[:-1])[both]
    element_row = runs.row[1:-1][pair][1:][both]
    return _summary(element_row, element_width, element_height, height_um.shape[0])


def _crossing_runs(height_um: FloatArray, spacing_um: float) -> _Runs:
    n = height_um.shape[1]
    flat = height_um.ravel()
    hill = flat >= 0  # NaN compares false; gaps are cut out below
    change = np.empty(flat.size, dtype=np.bool_)
    change[0] = True
    np.not_equal(hill[1:], hill[:-1], out=change[1:])
    change[::n] = True
    gap = np.isnan(flat)
    any_gap = bool(gap.any())
    if any_gap:
        change[1:] |= gap[1:] != gap[:-1]
    start = np.flatnonzero(change)
    stop = np.append(start[1:], flat.size)
    extreme = np.maximum.reduceat(np.abs(flat), start)
    row, column = start // n, start % n
    # crossing between samples start-1 and start, by a straight line
    before, after = flat[np.maximum(start - 1, 0)], flat[start]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(column > 0, before / (before - after), 1.0)
    begin = (column - 1 + np.where(np.isfinite(share), share, 1.0)) * spacing_um
    last = (stop - 1) % n == n - 1
    end = np.where(last, (n - 1) * spacing_um, np.append(begin[1:], 0.0))
    if not any_gap:
        return _Runs(row, row, hill[start], begin, end, extreme)
    # each stretch between gaps counts as a piece of its own
    whole = ~gap[start]
    piece = np.cumsum(gap[start] | (column == 0))
    return _Runs(
        row[whole], piece[whole], hill[start][whole], begin[whole], end[whole], extreme[whole]
    )


def _merged(runs: _Runs, keep: NDArray[np.bool_]) -> _Runs:
    """Drop the runs not kept, and join neighbours on the same side of the line."""
    row, piece, hill = runs.row[keep], runs.piece[keep], runs.hill[keep]
    begin, end, extreme = runs.begin[keep], runs.end[keep], runs.extreme[keep]
    if row.size == 0:
        return _Runs(row, piece, hill, begin, end, extreme)
    new = np.ones(row.size, dtype=np.bool_)
    new[1:] = (piece[1:] != piece[:-1]) | (hill[1:] != hill[:-1])
    first = np.flatnonzero(new)
    final = np.append(first[1:], row.size) - 1
    tallest = np.maximum.reduceat(extreme, first)
    return _Runs(row[first], piece[first], hill[first], begin[first], end[final], tallest)


def _summary(
    row: NDArray[np.int64], width: FloatArray, height: FloatArray, batch: int
) -> ProfileElements:
    count = np.bincount(row, minlength=batch)
    results = []
    with np.errstate(divide="ignore", invalid="ignore"):
        independent = (count + 1) / 2.0
        for field in (width, height):
            mean = np.bincount(row, field, minlength=batch) / count
            apart = field - mean[row]
            square = np.bincount(row, apart**2, minlength=batch) / (count - 1)
            # elements counted from both sides overlap by half
            own = square / independent
            # deviations from their own mean pull neighbours apart by that much, at either lag
            together = _products(row, apart, batch) / (count - 1) + len(BESIDE) * own
            total = own + 2.0 * np.maximum(together, 0.0) / count
            results.append((mean, np.where(count > 1, np.sqrt(total), np.nan)))
    (spacing, u_spacing), (tall, u_tall) = results
    return ProfileElements(spacing, tall, u_spacing, u_tall, (count + 1) // 2)


def _products(row: NDArray[np.int64], apart: FloatArray, batch: int) -> FloatArray:
    """Sum of the products of deviations of elements that lie beside each other."""
    total = np.zeros(batch)
    for lag in BESIDE:
        same = row[lag:] == row[:-lag]
        product = apart[lag:] * apart[:-lag]
        total += np.bincount(row[lag:][same], product[same], minlength=batch)
    return total
