"""Measurement-system studies: parts × operators × repeats, by variance and by ranges."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import StudyError

_POOL_ABOVE_P = 0.25
"""The part × operator interaction joins the repeats where its p-value is above this (practice
of the measurement-systems handbook)."""

_SPREAD_FACTOR = 6.0
"""Study variation is this many standard deviations."""

_D2_STAR = {
    (1, 2): 1.41421, (1, 3): 1.91155, (1, 4): 2.23887, (1, 5): 2.48124, (1, 6): 2.67253,
    (1, 7): 2.82981, (1, 8): 2.96288, (1, 9): 3.07794, (1, 10): 3.17905,
}
"""d2* for one range of so many values (Duncan AJ, Quality Control and Industrial Statistics;
table D3 of the measurement-systems handbook, from memory): reciprocals are the K2, K3 factors."""

_D2 = {2: 1.12838, 3: 1.69257}
"""d2 for the mean of many ranges of so many repeats; reciprocals are the K1 factors."""


@dataclass(frozen=True)
class GaugeStudy:
    """Outcome of a measurement-system study.

    Parameters
    ----------
    method : {"variance", "ranges"}
        How it was reckoned.
    sums_of_squares, mean_squares : mapping of str to float
        ``part``, ``operator``, ``interaction``, ``repeat``; empty by ranges.
    f, p : mapping of str to float
        Tests of part, operator and interaction; empty by ranges.
    pooled : bool
        Whether the interaction joined the repeats.
    variance : mapping of str to float
        ``repeatability``, ``reproducibility``, ``gauge``, ``part``, ``total``.
    percent_contribution, percent_study : mapping of str to float
        Shares of total variance and of total standard deviation, in percent.
    categories : float
        √2·part/gauge, the number of categories told apart before truncation.
    """

    method: str
    sums_of_squares: Mapping[str, float]
    mean_squares: Mapping[str, float]
    f: Mapping[str, float]
    p: Mapping[str, float]
    pooled: bool
    variance: Mapping[str, float]
    percent_contribution: Mapping[str, float]
    percent_study: Mapping[str, float]
    categories: float

    @property
    def distinct_categories(self) -> int:
        """Whole number of categories told apart."""
        return int(self.categories)

    def study_variation(self, source: str) -> float:
        """Six standard deviations of a source."""
        return _SPREAD_FACTOR * math.sqrt(self.variance[source])


def gauge_by_variance(readings: ArrayLike, *, pool_above_p: float = _POOL_ABOVE_P) -> GaugeStudy:
    """Return the measurement-system study by analysis of variance.

    Parameters
    ----------
    readings : (parts, operators, repeats) array
        Crossed and without gaps.
    pool_above_p : float
        The interaction joins the repeats where its p-value is above this.

    References
    ----------
    Measurement Systems Analysis Reference Manual, 4th ed. (2010), chapter III section B.
    """
    from scipy.stats import f as f_distribution

    table = _checked(readings)
    parts, operators, repeats = table.shape
    grand = table.mean()
    cell = table.mean(axis=2)
    ss = {
        "part": operators * repeats * float(np.sum((table.mean(axis=(1, 2)) - grand) ** 2)),
        "operator": parts * repeats * float(np.sum((table.mean(axis=(0, 2)) - grand) ** 2)),
        "interaction": 0.0,
        "repeat": float(np.sum((table - cell[:, :, None]) ** 2)),
    }
    ss["interaction"] = (
        repeats * float(np.sum((cell - grand) ** 2)) - ss["part"] - ss["operator"])
    df = {"part": parts - 1, "operator": operators - 1,
          "interaction": (parts - 1) * (operators - 1),
          "repeat": parts * operators * (repeats - 1)}
    ms = {source: ss[source] / df[source] for source in ss}
    f = {"part": ms["part"] / ms["interaction"], "operator": ms["operator"] / ms["interaction"],
         "interaction": ms["interaction"] / ms["repeat"]}
    p = {source: float(f_distribution.sf(f[source], df[source], df[
        "repeat" if source == "interaction" else "interaction"])) for source in f}
    pooled = p["interaction"] > pool_above_p
    if pooled:
        repeat = (ss["interaction"] + ss["repeat"]) / (df["interaction"] + df["repeat"])
        base, crossed = repeat, 0.0
    else:
        repeat, base = ms["repeat"], ms["interaction"]
        crossed = max(0.0, (ms["interaction"] - repeat) / repeats)
    reproducibility = max(0.0, (ms["operator"] - base) / (parts * repeats)) + crossed
    part = max(0.0, (ms["part"] - base) / (operators * repeats))
    return _summed("variance", (ss, ms, f, p, pooled), (repeat, reproducibility, part))


def gauge_by_ranges(readings: ArrayLike) -> GaugeStudy:
    """Return the measurement-system study by the average-and-range method.

    Parameters
    ----------
    readings : (parts, operators, repeats) array
        Crossed and without gaps; two or three repeats, at most ten parts and operators.

    References
    ----------
    Measurement Systems Analysis Reference Manual, 4th ed. (2010), chapter III section B.
    """
    table = _checked(readings)
    parts, operators, repeats = table.shape
    if repeats not in _D2 or (1, parts) not in _D2_STAR or (1, operators) not in _D2_STAR:
        raise StudyError(
            "the average-and-range method has no constants for a study of this size",
            rule="Two or three repeats, two to ten parts and operators.",
            remedy="Use the analysis of variance.")
    equipment = float(np.ptp(table, axis=2).mean()) / _D2[repeats]
    spread = float(np.ptp(table.mean(axis=(0, 2)))) / _D2_STAR[1, operators]
    appraiser = max(0.0, spread**2 - equipment**2 / (parts * repeats))
    part = float(np.ptp(table.mean(axis=(1, 2)))) / _D2_STAR[1, parts]
    return _summed("ranges", ({}, {}, {}, {}, False), (equipment**2, appraiser, part**2))


def _checked(readings: ArrayLike) -> np.ndarray[tuple[int, int, int], np.dtype[np.float64]]:
    table = np.asarray(readings, dtype=float)
    if table.ndim != 3 or min(table.shape) < 2 or not np.all(np.isfinite(table)):
        raise StudyError(
            "a measurement-system study needs parts × operators × repeats without gaps",
            rule="At least two of each.")
    return table


def _summed(
    method: str,
    squares: tuple[
        Mapping[str, float], Mapping[str, float], Mapping[str, float], Mapping[str, float], bool],
    parts: tuple[float, float, float],
) -> GaugeStudy:
    """Sum up a study from its three variances."""
    repeat, reproducibility, part = parts
    gauge = repeat + reproducibility
    variance = {"repeatability": repeat, "reproducibility": reproducibility, "gauge": gauge,
                "part": part, "total": gauge + part}
    total = variance["total"]
    ss, ms, f, p, pooled = squares
    return GaugeStudy(
        method, ss, ms, f, p, pooled, variance,
        {name: 100 * value / total for name, value in variance.items()},
        {name: 100 * math.sqrt(value / total) for name, value in variance.items()},
        math.sqrt(2 * part / gauge) if gauge > 0 else math.inf,
    )
