from itertools import product

import numpy as np
import pytest

from edgeqc.faces.best_path import SLOPE, best_paths, together


def worth(path, evidence, stiffness):
    steps = np.diff(path)
    if np.abs(steps).max(initial=0) > SLOPE:
        return -np.inf
    return evidence[np.arange(len(path)), path].sum() - stiffness * (steps**2).sum()


def questions(rng, sizes):
    return [(rng.normal(size=size).astype(np.float32), float(rng.uniform(0.02, 1)))
            for size in sizes]


@pytest.mark.parametrize("seed", range(5))
def test_no_other_path_is_worth_more(seed):
    asked = questions(np.random.default_rng(seed), [(5, 5), (3, 5), (4, 6), (1, 5), (5, 5)])
    for (evidence, stiffness), path in zip(asked, best_paths(asked), strict=True):
        n, width = evidence.shape
        most = max(worth(np.array(each), evidence, stiffness)
                   for each in product(range(width), repeat=n))
        assert worth(path, evidence, stiffness) == pytest.approx(most, abs=1e-5)


def test_a_path_does_not_depend_on_those_beside_it():
    sizes = [(300, 31), (120, 31), (300, 31), (80, 17), (1, 31)]
    asked = questions(np.random.default_rng(7), sizes)
    for one, path in zip(asked, best_paths(asked), strict=True):
        assert np.array_equal(best_paths([one])[0], path)


def test_searches_of_different_lengths_get_their_own_answers():
    def search(asked):
        found = []
        for question in asked:
            found.append((yield question))
        return found

    rng = np.random.default_rng(8)
    each = [questions(rng, [(20, 9)] * count) for count in (2, 0, 3)]
    found = together([search(asked) for asked in each])
    assert [len(paths) for paths in found] == [2, 0, 3]
    for asked, paths in zip(each, found, strict=True):
        for one, path in zip(asked, paths, strict=True):
            assert np.array_equal(best_paths([one])[0], path)
    assert together([]) == []
