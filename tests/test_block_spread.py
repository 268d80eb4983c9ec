"""Scatter between blocks: moments left out block by block, and degrees of freedom."""

import math

import numpy as np
import pytest
from scipy import stats

from edgeqc.measure.block_spread import freedom_of, moments_left_out, skewness_and_kurtosis
from edgeqc.measure.roughness_result import SAMPLING, measured
from edgeqc.measure.roughness_symbols import symbol_of


def test_moments_are_those_of_scipy():
    heights = np.random.default_rng(1).gamma(2.0, size=500) + 3.0
    skew, kurtosis = skewness_and_kurtosis({str(k): np.mean(heights**k) for k in range(1, 5)})
    assert float(skew) == pytest.approx(stats.skew(heights))
    assert float(kurtosis) == pytest.approx(stats.kurtosis(heights, fisher=False))


def test_leaving_out_is_leaving_out():
    rng = np.random.default_rng(2)
    pieces = [rng.gamma(2.0, size=size) for size in (40, 25, 60, 30)]
    sums = {str(k): np.array([np.sum(piece**k) for piece in pieces]) for k in range(1, 5)}
    count = np.array([float(piece.size) for piece in pieces])
    skew, kurtosis = moments_left_out(sums, count)
    without = [
        np.concatenate([piece for k, piece in enumerate(pieces) if k != left]) for left in range(4)]
    for added, moment in ((skew, stats.skew),
                          (kurtosis, lambda z: stats.kurtosis(z, fisher=False))):
        values = np.array([moment(rest) for rest in without])
        assert added == pytest.approx(-0.75 * (values - values.mean()))
    empty = {name: np.append(field, 0.0) for name, field in sums.items()}
    assert moments_left_out(empty, np.append(count, 0.0))[0] == pytest.approx(np.append(skew, 0.0))


def test_freedom_of_normal_and_of_lonely_contributions():
    rng = np.random.default_rng(3)
    normal = freedom_of(rng.standard_normal((400, 64)))
    assert np.median(normal) == pytest.approx(63, abs=3)
    heavy = freedom_of(rng.standard_t(3, size=(400, 64)))
    assert np.median(heavy) < 30
    lonely = np.zeros(64)
    lonely[:3] = 5.0, -4.9, -0.1
    assert freedom_of(lonely) <= 2.0


@pytest.mark.parametrize("name", ["Ssk", "Rsk"])
def test_skewness_is_mirrored_with_its_interval(name):
    up = measured(0.8, {SAMPLING: 0.2}, 9.0, symbol_of(name)).interval
    down = measured(-0.8, {SAMPLING: 0.2}, 9.0, symbol_of(name)).interval
    assert up == pytest.approx([-down[1], -down[0]])
    assert up[1] - 0.8 > 0.8 - up[0]
    near = measured(0.01, {SAMPLING: 0.01}, math.inf, symbol_of(name)).interval
    assert near == pytest.approx((-0.0096, 0.0296), abs=2e-4)


def test_kurtosis_never_falls_below_one():
    low, high = measured(1.2, {SAMPLING: 0.05}, math.inf, symbol_of("Sku")).interval
    assert 1.0 < low < 1.2 < high
    far = measured(8.0, {SAMPLING: 3.0}, 4.0, symbol_of("Sku"))
    assert far.value == 8.0
    assert math.isnan(far.u)
    assert "far out" in far.note
