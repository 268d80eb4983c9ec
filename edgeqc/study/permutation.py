"""Permutation test at the level of units: a check that needs no model."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations, islice

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import TestResult, welch_statistics

_CHUNK_VALUES = 2_000_000
"""Values held at once, to bound memory."""


def permutation_test(
    values: FloatArray,
    arm: NDArray[np.integer],
    rng: np.random.Generator,
    *,
    block: NDArray[np.integer] | None = None,
    draws: int = 9999,
) -> TestResult:
    """Return the permutation test of no difference between arms, over whole units.

    Parameters
    ----------
    values : (n,) float array
        One value per unit.
    arm : (n,) int array
        Arm of each unit, 0..k-1.
    rng : numpy.random.Generator
        Source of the permutations where there are too many to list.
    block : (n,) int array, optional
        Units are exchanged within their block only.
    draws : int
        Permutations drawn; with fewer arrangements than this, all are listed and the test is
        exact.

    Notes
    -----
    The statistic is Welch's F, which keeps its level in large samples also where the spreads
    differ; where an arm has no spread, the sum of squares between arms takes its place. The
    observed arrangement counts as one of the drawn ones.

    References
    ----------
    Janssen A (1997). Studentized permutation tests for non-i.i.d. hypotheses. Stat Probab Lett
    36:9-21. Phipson B, Smyth GK (2010). Permutation p-values should never be zero. Stat Appl
    Genet Mol Biol 9:39.
    """
    values = np.asarray(values, dtype=float)
    arm = np.asarray(arm)
    sizes = np.bincount(arm).astype(float)
    blocks = np.zeros(arm.size, dtype=int) if block is None else np.asarray(block)
    studentised = bool(
        sizes.min() > 1 and all(np.ptp(values[arm == k]) > 0 for k in range(sizes.size))
    )
    observed = float(_statistics(values[None], arm[None], sizes, studentised=studentised)[0])
    exact = block is None and _log_arrangements(sizes) <= math.log(draws)
    source = _all_arrangements(arm, sizes) if exact else _drawn(arm, blocks, rng, draws)
    reached, seen = 0, 0
    tolerance = 1e-9 * max(abs(observed), 1e-12)
    for labels in source:
        found = _statistics(values[None], labels, sizes, studentised=studentised)
        reached += int(np.sum(found >= observed - tolerance))
        seen += labels.shape[0]
    p = reached / seen if exact else (reached + 1) / (seen + 1)
    how = f"all {seen} arrangements" if exact else f"{seen} random arrangements"
    where = " within blocks" if block is not None else ""
    return TestResult("permutation of units", observed, sizes.size - 1, math.nan, p,
                      f"{how} of whole units{where}")


def _log_arrangements(sizes: FloatArray) -> float:
    """Count the distinct ways to deal the units to the arms, as a logarithm."""
    ways = math.lgamma(sizes.sum() + 1) - sum(math.lgamma(size + 1) for size in sizes)
    return ways - 1e-9  # rounding must not turn a full list into draws


def _all_arrangements(
    arm: NDArray[np.integer], sizes: FloatArray
) -> Iterator[NDArray[np.integer]]:
    """All distinct label rows, in chunks."""
    def dealt(left: tuple[int, ...], arms: tuple[int, ...]) -> Iterator[list[tuple[int, int]]]:
        if len(arms) == 1:
            yield [(place, arms[0]) for place in left]
            return
        for chosen in combinations(left, int(sizes[arms[0]])):
            rest = tuple(place for place in left if place not in chosen)
            for tail in dealt(rest, arms[1:]):
                yield [(place, arms[0]) for place in chosen] + tail

    rows = dealt(tuple(range(arm.size)), tuple(range(sizes.size)))
    while chunk := list(islice(rows, 5000)):
        labels = np.empty((len(chunk), arm.size), dtype=np.int64)
        for row, places in enumerate(chunk):
            index = np.array(places)
            labels[row, index[:, 0]] = index[:, 1]
        yield labels


def _drawn(
    arm: NDArray[np.integer], blocks: NDArray[np.integer], rng: np.random.Generator, draws: int
) -> Iterator[NDArray[np.integer]]:
    """Random label rows, permuted within blocks, in chunks."""
    at_once = max(1, _CHUNK_VALUES // arm.size)
    for start in range(0, draws, at_once):
        rows = min(at_once, draws - start)
        labels = np.tile(arm, (rows, 1))
        for block in np.unique(blocks):
            members = np.nonzero(blocks == block)[0]
            labels[:, members] = rng.permuted(labels[:, members], axis=1)
        yield labels


def _statistics(
    values: FloatArray, labels: NDArray[np.integer], sizes: FloatArray, *, studentised: bool
) -> FloatArray:
    """Statistic of each row of labels."""
    centred = values - values.mean()
    sums, squares = [], []
    for k in range(sizes.size):
        inside = np.where(labels == k, centred, 0.0)
        sums.append(inside.sum(axis=1))
        if studentised:
            squares.append((inside**2).sum(axis=1))
    means = np.stack(sums, axis=1) / sizes
    if not studentised:
        return np.asarray(np.sum(sizes * means**2, axis=1))
    spread = (np.stack(squares, axis=1) - sizes * means**2) / (sizes - 1)
    # a rearrangement may collect equal values in an arm; the floor keeps its F finite and large
    floor = 1e-12 * float(np.mean(centred**2))
    return welch_statistics(means, np.maximum(spread, floor) / sizes, sizes - 1)
