"""Texture and matching values that other parts of the package, and its tests, lean on.

They hold the libraries to the published values: a release that changes a convention shows here
and not as a shifted result. Sources: documentation and test data of scikit-image, where a test
names no other.
"""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from skimage import data
from skimage.feature import graycomatrix, graycoprops, local_binary_pattern

SMALL = np.array([[0, 0, 1, 1], [0, 0, 1, 1], [0, 2, 2, 2], [2, 2, 3, 3]], dtype=np.uint8)


def test_co_occurrence_counts():
    # the example of the library's documentation
    got = graycomatrix(SMALL, [1], [0, np.pi / 2], levels=4)
    across = [[2, 2, 1, 0], [0, 2, 0, 0], [0, 0, 3, 1], [0, 0, 0, 1]]
    down = [[3, 0, 2, 0], [0, 2, 2, 0], [0, 0, 1, 2], [0, 0, 0, 0]]
    np.testing.assert_array_equal(got[:, :, 0, 0], across)
    np.testing.assert_array_equal(got[:, :, 0, 1], down)


@pytest.mark.parametrize(
    ("name", "across", "down"),
    [("contrast", 0.583333, 1.0), ("dissimilarity", 0.416667, 0.666667),
     ("homogeneity", 0.808333, 0.7), ("ASM", 0.145833, 0.138889),
     ("correlation", 0.719533, 0.485714)],
)
def test_co_occurrence_properties(name, across, down):
    matrix = graycomatrix(SMALL, [1], [0, np.pi / 2], levels=4, symmetric=True, normed=True)
    got = graycoprops(matrix, name)[0]
    assert got == pytest.approx([across, down], abs=1e-6)


def test_convention_of_homogeneity():
    counts = np.array([[0, 1, 2, 3], [1, 1, 2, 3], [1, 0, 2, 0], [0, 0, 0, 3]], dtype=float)
    matrix = (counts / counts.sum())[:, :, None, None]
    assert graycoprops(matrix, "contrast")[0, 0] == pytest.approx(2.894737, abs=1e-6)
    assert graycoprops(matrix, "correlation")[0, 0] == pytest.approx(0.078270, abs=1e-6)
    assert graycoprops(matrix, "ASM")[0, 0] == pytest.approx(0.119114, abs=1e-6)
    # 1/(1 + d²); 1/(1 + |d|) is another convention
    assert graycoprops(matrix, "homogeneity")[0, 0] == pytest.approx(0.5, abs=1e-6)
    i, j = np.indices(counts.shape)
    assert np.sum(matrix[:, :, 0, 0] / (1 + np.abs(i - j))) == pytest.approx(0.565789, abs=1e-6)


def turned(code, steps, points):
    return ((code << steps) | (code >> (points - steps))) & ((1 << points) - 1)


@pytest.mark.parametrize(("points", "uniform"), [(8, 58), (16, 242)])
def test_counts_of_binary_patterns(points, uniform):
    # at most two changes around the ring: P (P - 1) + 2
    codes = np.arange(2**points)
    changes = np.array([int(c).bit_count() for c in codes ^ turned(codes, 1, points)])
    assert np.count_nonzero(changes <= 2) == uniform == points * (points - 1) + 2
    if points == 8:
        classes = {min(turned(int(c), k, 8) for k in range(8)) for c in codes}
        assert len(classes) == 36
    noise = np.random.default_rng(0).integers(0, 2**31, (300, 300))
    labels = local_binary_pattern(noise, points, 1 if points == 8 else 2, "uniform")
    assert set(np.unique(labels)) == set(range(points + 2))


def test_binary_pattern_of_flat_and_of_noise():
    flat = np.full((20, 20), 7, np.uint8)
    inside = np.s_[1:-1, 1:-1]  # the library takes what lies outside as black
    assert (local_binary_pattern(flat, 8, 1, "uniform")[inside] == 8).all()
    assert (local_binary_pattern(flat, 8, 1, "default")[inside] == 255).all()
    # independent continuous heights, four neighbours: k of four above the middle, 1/5 each, and
    # of the six patterns with two above, four are uniform
    noise = np.random.default_rng(1).integers(0, 2**31, (2000, 2000))  # ties hardly occur
    labels = local_binary_pattern(noise, 4, 1, "uniform")[inside].astype(int)
    share = np.bincount(labels.ravel(), minlength=6) / labels.size
    assert share == pytest.approx([1 / 5, 1 / 5, 2 / 15, 1 / 5, 1 / 5, 1 / 15], abs=0.002)


def test_binary_patterns_under_quarter_turn_and_grey_map():
    picture = data.brick()[:200, :200]

    def histogram(grey):
        # own samples of the ring only: the library's rounding of interpolated corners depends
        # on the side that they lie on
        labels = local_binary_pattern(grey, 4, 1, "uniform")[1:-1, 1:-1]
        return np.bincount(labels.astype(int).ravel(), minlength=6)

    np.testing.assert_array_equal(histogram(picture), histogram(np.rot90(picture).copy()))
    mapped = (np.arange(256) ** 2).astype(np.uint16)[picture]  # increasing
    np.testing.assert_array_equal(histogram(picture), histogram(mapped))


TEXTURES = {
    "brick": (111.4554, 26.0516, 0.2347, 0.0933),
    "grass": (118.2237, 38.5855, 0.8971, 1.0615),
    "gravel": (126.5450, 38.7211, 0.5445, 0.5490),
}


@pytest.mark.parametrize("name", TEXTURES)
def test_bundled_textures(name):
    mean, spread, across, down = TEXTURES[name]
    picture = getattr(data, name)()
    assert picture.shape == (512, 512)
    assert picture.dtype == np.uint8
    assert picture.mean() == pytest.approx(mean, abs=1e-3)
    assert picture.std() == pytest.approx(spread, abs=1e-3)
    matrix = graycomatrix(picture // 32, [1], [0, np.pi / 2], levels=8, symmetric=True, normed=True)
    assert graycoprops(matrix, "contrast")[0] == pytest.approx([across, down], abs=1e-3)


def test_contrast_orders_the_textures():
    mean_of = {name: (row[2] + row[3]) / 2 for name, row in TEXTURES.items()}
    assert mean_of["brick"] < mean_of["gravel"] < mean_of["grass"]


@pytest.fixture(scope="module")
def motorcycle():
    left, right, disparity = data.stereo_motorcycle()
    return left.mean(axis=2), right.mean(axis=2), disparity


def test_stereo_truth(motorcycle):
    left, right, disparity = motorcycle
    assert left.shape == right.shape == disparity.shape == (500, 741)
    known = np.isfinite(disparity)
    assert 100 * known.mean() == pytest.approx(92.65, abs=0.01)
    assert np.isinf(disparity[~known]).all()  # unknown is inf, not NaN
    assert disparity[known].min() == pytest.approx(7.191, abs=1e-2)
    assert disparity[known].max() == pytest.approx(59.909, abs=1e-2)
    # depth = focal length times baseline over (disparity + offset of the principal points)
    depth = 994.978 * 193.001 / (disparity[known] + 31.086)
    assert depth.min() == pytest.approx(2110, abs=1)
    assert depth.max() == pytest.approx(5017, abs=1)


def test_direction_of_the_stereo_truth(motorcycle):
    """The right picture at column c - d matches the left one at column c."""
    left, right, disparity = motorcycle
    row, col = np.indices(disparity.shape).astype(float)
    known = np.isfinite(disparity)
    shift = np.where(known, disparity, 0.0)

    def difference(picture, other, sign):
        moved = map_coordinates(other, [row, col + sign * shift], order=1, cval=np.nan)
        return float(np.nanmean(np.abs(moved - picture)[known]))

    right_way = difference(left, right, -1)
    assert right_way == pytest.approx(7.3, abs=0.3)
    assert difference(right, left, 1) > 1.7 * right_way  # the docstring's reading: 14.7
    assert difference(left, right, 1) > 5 * right_way  # the opposite sign: 44.8
