"""Simulate settings studies by hand: does the 5 % test reject in 5 %, do 95 % intervals cover.

    python tests/benchmarks/study_simulation.py [runs]

Prints, for each kind of study, the share of runs without any effect in which each test rejects
at 5 %, and the share of 95 % intervals that hold the true difference.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from edgeqc.study.arm_tests import classical_anova, pooled_difference, welch_anova, welch_difference
from edgeqc.study.counts import fit_counts, rate_ratio
from edgeqc.study.effects import Fitted, fit_arms, mixed_difference, mixed_test
from edgeqc.study.permutation import permutation_test
from edgeqc.study.responses import FaceValues, Response
from edgeqc.study.unit_means import weighted_arm_means

ICC = 0.5
NAN = float("nan")


@dataclass(frozen=True)
class Drawn:
    """One simulated study: faces and the true means of the arms."""

    values: FaceValues
    truth: np.ndarray


def faces_of(
    value: np.ndarray, unit: np.ndarray, arm_of_unit: np.ndarray, kind: str = "length"
) -> FaceValues:
    """Faces as the package holds them, from values and the number of their unit."""
    response = Response("simulated", "simulated", "1", kind, "higher", NAN, NAN, NAN)
    names = np.array([f"{number:05d}" for number in range(arm_of_unit.size)])
    return FaceValues(response, value, np.full(value.size, NAN), names[unit], names[unit],
                      arm_of_unit[unit].astype(np.intp), np.ones(value.size, bool), 0)


def nested(
    rng: np.random.Generator, units: list[int], faces: tuple[int, int],
    spread: np.ndarray, means: np.ndarray,
) -> Drawn:
    """Normal faces in units in arms, intra-class correlation 0.5, spread by arm."""
    arm = np.repeat(np.arange(len(units)), units)
    count = rng.integers(faces[0], faces[1] + 1, arm.size)
    unit = np.repeat(np.arange(arm.size), count)
    between = rng.normal(size=arm.size) * np.sqrt(ICC)
    within = rng.normal(size=unit.size) * np.sqrt(1 - ICC)
    value = means[arm[unit]] + spread[arm[unit]] * (between[unit] + within)
    return Drawn(faces_of(value, unit, arm), means)


def near_one(rng: np.random.Generator, means: np.ndarray, rounded: bool) -> Drawn:
    """Fractions close to 1: beta units, beta faces; with ``rounded`` many exact ones."""
    arm = np.repeat(np.arange(means.size), 4)
    unit = np.repeat(np.arange(arm.size), 3)
    precision = 40.0
    centre = rng.beta(means[arm] * precision, (1 - means[arm]) * precision)
    centre = np.clip(centre, 1e-6, 1 - 1e-6)
    value = rng.beta(centre[unit] * precision, (1 - centre[unit]) * precision)
    if rounded:
        value = np.round(value, 1)  # tenths: at 0.97 two of three faces are exactly 1
        return Drawn(faces_of(value, unit, arm, "fraction"), np.full(means.size, NAN))
    return Drawn(faces_of(value, unit, arm, "fraction"), means)


def counted(rng: np.random.Generator, rate: float) -> Drawn:
    """Counts with gamma-distributed units."""
    arm = np.repeat(np.arange(4), 4)
    unit = np.repeat(np.arange(arm.size), 3)
    level = rng.gamma(4.0, rate / 4.0, arm.size)
    return Drawn(faces_of(rng.poisson(level[unit]).astype(float), unit, arm, "count"),
                 np.full(4, rate))


ONE = np.ones(4)
ZERO = np.zeros(4)
SCENARIOS: dict[str, Callable[[np.random.Generator], Drawn]] = {
    "4 arms × 4 units × 3 faces": lambda rng: nested(rng, [4] * 4, (3, 3), ONE, ZERO),
    "4 arms × 3 units × 3 faces": lambda rng: nested(rng, [3] * 4, (3, 3), ONE, ZERO),
    "unequal spread 1:1:1:3": lambda rng: nested(
        rng, [4] * 4, (3, 3), np.array([1.0, 1, 1, 3]), ZERO),
    "unequal spread 1:1.7:2.3:3": lambda rng: nested(
        rng, [4] * 4, (3, 3), np.array([1.0, 1.7, 2.3, 3]), ZERO),
    "unbalanced units 3-6, faces 1-5": lambda rng: nested(rng, [3, 4, 5, 6], (1, 5), ONE, ZERO),
    "unbalanced, small arm spread most": lambda rng: nested(
        rng, [6, 5, 4, 3], (1, 5), np.array([1.0, 1.5, 2, 2.5]), ZERO),
    "missing cell (5 of 2 × 3), faces 1-5": lambda rng: nested(
        rng, [4] * 5, (1, 5), np.ones(5), np.zeros(5)),
    "6 arms × 3 units": lambda rng: nested(rng, [3] * 6, (3, 3), np.ones(6), np.zeros(6)),
    "one face per unit": lambda rng: nested(rng, [4] * 4, (1, 1), ONE, ZERO),
    "fractions near 0.97": lambda rng: near_one(rng, np.full(4, 0.97), False),
    "fractions near 0.97, in tenths": lambda rng: near_one(rng, np.full(4, 0.97), True),
    "fractions 0.97 0.90 0.80 0.70 (coverage)": lambda rng: near_one(
        rng, np.array([0.97, 0.9, 0.8, 0.7]), False),
    "differing means 0 1 2 3 (coverage)": lambda rng: nested(
        rng, [4] * 4, (3, 3), ONE, np.arange(4.0)),
    "counts of 3": lambda rng: counted(rng, 3.0),
    "counts of 0.5": lambda rng: counted(rng, 0.5),
}


def headline(fitted: Fitted, rng: np.random.Generator, permutations: int) -> dict[str, float]:
    """P-values by test; the one called ``counts`` decides in the package."""
    from edgeqc.study.effects import all_tests
    from edgeqc.study.study_settings import ModelSettings, StudySettings

    settings = StudySettings(model=ModelSettings(
        permutations=permutations, bootstrap_draws=max(permutations, 499)))
    test, _, _ = all_tests(fitted, settings, rng)
    mixed = mixed_test(fitted)
    values = fitted.values
    return {
        "counts": test.p,
        "mixed, one spread": mixed.p if mixed is not None else NAN,
        "plain unit means": welch_anova(weighted_arm_means(
            fitted.units, list(fitted.arms), None)).p,
        "naive": classical_anova([values.value[values.arm == arm] for arm in fitted.arms]).p,
    }


def covered(fitted: Fitted, truth: np.ndarray) -> Iterator[tuple[str, bool]]:
    """Whether the intervals of all pairs hold the truth, by method."""
    values = fitted.values
    k = len(fitted.arms)
    if values.response.kind == "count":
        place = np.searchsorted(fitted.arms, fitted.units.arm)
        fit = fit_counts(fitted.units.mean * fitted.units.faces, fitted.units.faces, place)
        for i in range(k - 1):
            _, low, high, _ = rate_ratio(fit, i, i + 1)
            if np.isfinite(low):
                yield "counts", bool(low <= truth[i + 1] / truth[i] <= high)
        return
    faces = [values.value[values.arm == arm] for arm in fitted.arms]
    for i in range(k):
        for j in range(i + 1, k):
            true = truth[j] - truth[i]
            if not np.isfinite(true):
                continue
            if np.all(fitted.means.variance[[i, j]] > 0):
                found = welch_difference(fitted.means, i, j)
                yield "counts", bool(found.low <= true <= found.high)
            if fitted.mixed is not None:
                found = mixed_difference(fitted.mixed, i, j, 0.05)
                yield "mixed, one spread", bool(found.low <= true <= found.high)
            found = pooled_difference(faces, i, j, family=2)
            yield "naive", bool(found.low <= true <= found.high)


def simulate(
    name: str, runs: int, seed: int = 1, permutations: int = 199
) -> tuple[dict[str, float], dict[str, float]]:
    """Share of rejections and of covering intervals, by method."""
    rng = np.random.default_rng([seed, *name.encode()])
    rejected: dict[str, list[bool]] = {}
    held: dict[str, list[bool]] = {}
    for _ in range(runs):
        drawn = SCENARIOS[name](rng)
        arms = [int(arm) for arm in np.unique(drawn.values.arm)]
        if np.ptp(drawn.values.value) == 0:
            continue
        fitted = fit_arms(drawn.values, arms, {})
        for method, p in headline(fitted, rng, permutations).items():
            if np.isfinite(p):
                rejected.setdefault(method, []).append(p < 0.05)
        permuted = permutation_test(fitted.units.mean, np.searchsorted(arms, fitted.units.arm),
                                    rng, draws=permutations)
        rejected.setdefault("permutation", []).append(permuted.p < 0.05)
        for method, inside in covered(fitted, drawn.truth):
            held.setdefault(method, []).append(inside)
    return ({method: float(np.mean(hits)) for method, hits in rejected.items()},
            {method: float(np.mean(hits)) for method, hits in held.items()})


def main() -> None:
    """Print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    print(f"{runs} runs of each; share rejected at 5 % | share of 95 % intervals that cover")
    for name in SCENARIOS:
        rejected, held = simulate(name, runs)
        left = ", ".join(f"{method} {100 * share:.1f} %" for method, share in rejected.items())
        right = ", ".join(f"{method} {100 * share:.1f} %" for method, share in held.items())
        print(f"{name}\n    {left}\n    {right}", flush=True)


if __name__ == "__main__":
    main()
