"""Two region models joined give the mean of what each says."""

import numpy as np
import pytest

from edgeqc.faces import perceptrons
from edgeqc.training.regions import joined
from edgeqc.zoning import region

N = 12


def model(rng, members):
    found = {
        "centre": rng.normal(size=N), "scale": rng.uniform(0.5, 2, N),
        "members": np.array(float(members)), "temperature": np.array(1.0),
    }  # fmt: skip
    for member in range(members):
        found |= {
            f"w{member}": rng.normal(size=(N, 7)), f"b{member}": rng.normal(size=7),
            f"v{member}": rng.normal(size=(7, 3)), f"c{member}": rng.normal(size=3),
        }  # fmt: skip
    return found


def names(monkeypatch, held, features):
    monkeypatch.setattr(perceptrons, "_weights", lambda folder, file: held)
    return region.region_names(features)


@pytest.mark.parametrize("members", [(1, 1), (2, 3)])
def test_the_joint_model_is_the_mean_over_all_members(monkeypatch, members):
    rng = np.random.default_rng(4)
    first, second = (model(rng, each) for each in members)
    both = joined(first, second)
    for _ in range(5):
        features = rng.normal(size=N) * 0.5  # within the limits of either
        expected = np.average(
            [names(monkeypatch, each, features) for each in (first, second)],
            axis=0, weights=members,
        )  # fmt: skip
        found = names(monkeypatch, both, features)
        assert found == pytest.approx(expected, abs=1e-9)
        assert found.sum() == pytest.approx(1)
