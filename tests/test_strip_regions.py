"""Whole zones of strips, as the region model learns from them."""

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.regions import strip_regions  # noqa: E402
from edgeqc.zoning.region import region_names  # noqa: E402


def test_regions_of_strips_have_the_model_s_features_and_every_name():
    found = [row for seed in range(4) for row in strip_regions(np.random.default_rng(seed))]
    values = np.array([each for _, each, _ in found])
    assert region_names(values[0]).shape == (3,)  # else a wrong number of features
    assert np.isfinite(values).all()
    assert {name for name, _, _ in found} == {1, 2, 3}


def test_the_same_seed_gives_the_same_regions():
    one, two = (strip_regions(np.random.default_rng(5)) for _ in range(2))
    assert [row[0] for row in one] == [row[0] for row in two]
    np.testing.assert_array_equal([row[1] for row in one], [row[1] for row in two])
