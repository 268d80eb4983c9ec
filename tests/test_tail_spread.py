"""Few events decide: tails of extreme heights, probability curve, counts of hills, edges."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from edgeqc.measure.coverage_interval import coverage_interval
from edgeqc.measure.feature_parameters import _count_spread, _mean
from edgeqc.measure.line_edge import line_edge_roughness
from edgeqc.measure.probability_curve import (
    UNKNOWN_RATIO,
    SlopeSpread,
    slope_spread,
    sure_transition,
)
from edgeqc.measure.roughness import HeightDoubt, roughness_areal, roughness_profiles
from edgeqc.measure.roughness_symbols import symbol_of
from edgeqc.measure.tail_spread import LARGEST_SPREAD, tails_of

_SPEC = importlib.util.spec_from_file_location(
    "roughness_coverage", Path(__file__).parent / "benchmarks" / "roughness_coverage.py")
assert _SPEC is not None
assert _SPEC.loader is not None
bench = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)


def least_hits(tries, probability, sigmas=3.0):
    return probability * tries - sigmas * math.sqrt(tries * probability * (1 - probability))


@pytest.mark.parametrize(("draw", "most"), [("exponential", 1.15), ("normal", 1.6)])
def test_the_highest_height_scatters_as_its_tail_says(draw, most):
    rng = np.random.default_rng(1)
    heights = getattr(rng, draw)(size=(400, 64, 30))
    blocks = heights.max(axis=2)
    tails = tails_of(blocks)
    told = LARGEST_SPREAD * np.sqrt(np.mean(tails.scale**2))
    assert 0.9 < told / blocks.max(axis=1).std() < most
    assert (tails.freedom == 19).all()


@pytest.mark.parametrize("count", [40, 64])
def test_blocks_hide_events(count):
    """Unless that is allowed for, their highest heights seem too far apart."""
    heights = np.random.default_rng(2).exponential(2.0, size=(400, count, 30)).max(axis=2)
    assert tails_of(heights).scale.mean() == pytest.approx(2.0, rel=0.05)
    assert tails_of(heights, blocks=False).scale.mean() > 2.15


def test_too_few_heights_have_no_tail():
    assert math.isnan(tails_of(np.array([[1.0, 2.0, np.nan, 3.0]])).scale[0])


def test_slopes_of_few_pits_hold_the_truth():
    """Pits come in tens: the valley part's slope rests on the deepest few."""
    rng = np.random.default_rng(3)
    tries = 250
    truth = roughness_profiles(
        np.stack([bench.field(rng, (1200,), "pits") for _ in range(300)]), 1.0).value
    table = roughness_profiles(
        np.stack([bench.field(rng, (1200,), "pits") for _ in range(tries)]), 1.0)
    found = [table.at(index) for index in range(tries)]
    for name in ("Rpq", "Rvq", "Rdc"):
        middle = truth[name].mean()
        hits = sum(low <= middle <= high for low, high in (row[name].interval for row in found))
        assert hits >= least_hits(tries, 0.93), (name, hits)
        assert np.median([row[name].u / row[name].value for row in found]) < 0.35, name


def test_slopes_of_one_gaussian_surface_are_not_doubted_too_much():
    rng = np.random.default_rng(4)
    found = [roughness_areal(bench.field(rng, (112, 112), "bell"), 1.0) for _ in range(60)]
    for name in ("Spq", "Svq"):
        scatter = np.std([row[name].value for row in found])
        told = np.sqrt(np.mean([row[name].u ** 2 for row in found]))
        assert 0.7 < told / scatter < 1.35, name


def test_a_ratio_of_which_nothing_is_known_is_not_told():
    curve = -np.sort(-np.random.default_rng(5).normal(size=(1, 3000)), axis=1)
    blocks = curve[:, np.random.default_rng(6).permutation(3000)].reshape(1, 50, 60)
    spread = slope_spread(
        curve, (blocks.max(axis=2), blocks.min(axis=2)), np.array([0.02]), (0.02, 0.98))
    assert spread.transition[0] > UNKNOWN_RATIO
    assert math.isnan(sure_transition(np.array([50.0]), np.array([9.0]), spread)[0])
    known = SlopeSpread(*(np.array([1.0]) for _ in range(8)))
    assert sure_transition(np.array([50.0]), np.array([9.0]), known)[0] == 50.0
    assert math.isnan(sure_transition(np.array([50.0]), np.array([1.9]), known)[0])


def test_hills_keep_apart():
    """Their number scatters less than that of as many independent events."""
    rng = np.random.default_rng(7)
    rows, cols = np.mgrid[3:112:7, 3:112:7] + rng.integers(-3, 4, (2, 16, 16))
    peak = (rows * 112 + cols).ravel()
    flat = np.zeros((112, 112), np.float32)
    assert _count_spread(flat, peak) < 0.6 * math.sqrt(peak.size)
    random = rng.choice(112 * 112, size=200, replace=False)
    assert _count_spread(flat, random) == pytest.approx(math.sqrt(200), rel=0.35)
    found = [roughness_areal(bench.field(rng, (112, 112), "bell"), 1.0,
                             doubt=HeightDoubt(noise_um=0.01)) for _ in range(90)]
    for name in ("Spd", "Svd", "Sda"):
        scatter = np.std([row[name].value for row in found])
        told = np.sqrt(np.mean([row[name].u ** 2 for row in found]))
        assert 0.8 < told / scatter < 1.65, name


def test_what_a_pruned_hill_had_goes_to_the_others():
    sizes = np.array([10.0, 12.0, 9.0, 11.0, 2.0])
    stay = sizes > 5
    alone, joined = _mean(sizes, stay), _mean(sizes, stay, joined=True)
    assert alone[0] == joined[0] == pytest.approx(8.8)
    scatter = sizes.std(ddof=1) / math.sqrt(5)
    assert alone[1] == pytest.approx(math.hypot(scatter, 10.5 - 8.8))
    assert joined[1] == pytest.approx(math.hypot(scatter, 11.0 - 8.8))


@pytest.mark.parametrize("noise", [0.01, 0.05])
@pytest.mark.parametrize("law", ["bell", "exponential", "pits"])
def test_the_sampling_of_an_edge_rests_on_no_model(noise, law):
    """A bell-shaped spectrum is not the model's, the less noise hides its flank the less so."""
    rng = np.random.default_rng(8)
    found = []
    for _ in range(60):
        z = bench.field(rng, (1200,), law) + rng.normal(0, noise, 1200)
        found.append(line_edge_roughness(
            z, 1.0, detrend=0, noise_um=(noise, 0.05)).values["Rq_biased"])
    scatter = np.std([value.value for value in found])
    told = np.sqrt(np.mean([value.u**2 for value in found]))
    assert 0.8 < told / scatter < 1.5


def test_the_mean_of_a_skewed_law_lies_above_its_median():
    low, high = coverage_interval(1.0, 0.6, 0.3, symbol_of("Shv"))
    assert low * high == pytest.approx(math.exp(0.3**2))
    even = coverage_interval(1.0, 0.6, 0.0, symbol_of("Shv"))
    assert even[0] * even[1] == pytest.approx(1.0)
    assert coverage_interval(1.0, 0.1, 0.9, symbol_of("Shv"))[0] == pytest.approx(1.0)
