"""Roughness against independent computations by scipy and scikit-image on irregular data.

Closed forms are tested elsewhere; here the data are noise and ragged zones, for which there is no
closed form, and the reference shares no code with the package.
"""

import math

import numpy as np
import pytest
from scipy import ndimage, signal, stats
from skimage.measure import regionprops
from skimage.segmentation import watershed

from edgeqc.measure.areal_spatial import _autocorrelation
from edgeqc.measure.roughness import ArealSettings, roughness_areal, roughness_profile
from edgeqc.measure.watershed import pruned_hills


@pytest.fixture(scope="module")
def ragged():
    """Skewed heights on a ragged zone with holes, (row, col) spacing 0.5 and 0.4."""
    rng = np.random.default_rng(21)
    z = ndimage.gaussian_filter(rng.normal(size=(150, 190)), (3.0, 5.0))
    z = np.exp(z / z.std() * 0.5)
    row, col = np.indices(z.shape)
    z[(row < 30 - 0.3 * col) | (row > 140 - 0.1 * col) | (rng.random(z.shape) < 0.03)] = np.nan
    z[70:80, 60:75] = np.nan
    return z


@pytest.fixture(scope="module")
def ragged_values(ragged):
    return {k: v.value for k, v in roughness_areal(ragged, (0.5, 0.4)).items()}


@pytest.fixture(scope="module")
def profile():
    rng = np.random.default_rng(22)
    return np.exp(0.5 * ndimage.gaussian_filter1d(rng.normal(size=6000), 4.0) * 5)


@pytest.fixture(scope="module")
def profile_of(profile):
    return {k: v.value for k, v in roughness_profile(profile, 0.5).items()}


def test_moments_against_scipy(ragged, ragged_values, profile, profile_of):
    for heights, got, letter in (
        (ragged[np.isfinite(ragged)], ragged_values, "S"), (profile, profile_of, "R"),
    ):
        assert got[letter + "a"] == pytest.approx(np.abs(heights - heights.mean()).mean(), rel=1e-9)
        assert got[letter + "q"] == pytest.approx(heights.std(), rel=1e-9)
        assert got[letter + "sk"] == pytest.approx(stats.skew(heights), rel=1e-9)
        assert got[letter + "ku"] == pytest.approx(stats.kurtosis(heights, fisher=False), rel=1e-9)


def test_material_ratio_curve_against_quantiles(ragged, ragged_values, profile, profile_of):
    # Hazen's plotting position: height i of m stands for the ratio (i + 1/2)/m
    for heights, got, letter in (
        (ragged[np.isfinite(ragged)], ragged_values, "S"), (profile, profile_of, "R"),
    ):
        z = heights - heights.mean()

        def at(ratio, z=z):
            return np.quantile(z, 1 - ratio, method="hazen")

        assert got[letter + "mc"] == pytest.approx(at(0.10), rel=1e-6)
        assert got[letter + "dc"] == pytest.approx(at(0.02) - at(0.98), rel=1e-6)
        assert got[letter + "mr"] == pytest.approx(100 - stats.percentileofscore(z, 0.0), abs=0.02)
        stem = "V" if letter == "S" else "Rv"
        # volumes by their definition: what lies above c(p), what is missing below it
        above, below = np.clip(z - at(0.10), 0, None), np.clip(at(0.80) - z, 0, None)
        assert got[stem + "mp"] == pytest.approx(above.mean(), rel=1e-3)
        assert got[stem + "vv"] == pytest.approx(below.mean(), rel=1e-3)
        core = np.clip(z - at(0.80), 0, None).mean() - above.mean()
        assert got[stem + "mc"] == pytest.approx(core, rel=1e-3)
        if letter == "S":
            assert got["Sxp"] == pytest.approx(at(0.025) - at(0.5), rel=1e-6)


def test_core_against_a_line_fitted_by_scipy(profile, profile_of):
    z = np.sort(profile - profile.mean())[::-1]
    m, width = z.size, round(0.4 * profile.size)
    ratio = (np.arange(m) + 0.5) / m
    start = min(range(m - width + 1), key=lambda k: z[k] - z[k + width - 1])
    line = stats.linregress(ratio[start : start + width], z[start : start + width])
    top, bottom = line.intercept, line.intercept + line.slope
    assert profile_of["Rk"] == pytest.approx(top - bottom, rel=1e-6)
    over, under = z > top, z < bottom
    peaks = 2 * np.sum(z[over] - top) / m / over.mean()
    dales = 2 * np.sum(bottom - z[under]) / m / under.mean() if under.any() else 0.0
    assert profile_of["Rpk"] == pytest.approx(peaks, rel=2e-3)
    assert profile_of["Rvk"] == pytest.approx(dales, rel=2e-2, abs=1e-3)
    assert profile_of["Rmr1"] == pytest.approx(100 * over.mean(), abs=0.05)
    assert profile_of["Rmr2"] == pytest.approx(100 * (1 - under.mean()), abs=0.05)


def test_autocorrelation_against_scipy(ragged):
    known = np.isfinite(ragged)
    z = np.where(known, ragged - ragged[known].mean(), 0.0)
    products = signal.correlate(z, z, method="fft")
    pairs = signal.correlate(known.astype(float), known.astype(float), method="fft")
    expected = products / np.maximum(pairs, 1)
    expected /= expected[z.shape[0] - 1, z.shape[1] - 1]
    got, reach, _ = _autocorrelation(ragged - ragged[known].mean())
    rows, cols = z.shape
    part = expected[rows - 1 - reach[0] : rows + reach[0], cols - 1 : cols + reach[1]]
    seen = np.isfinite(got)
    assert seen.mean() > 0.9
    np.testing.assert_allclose(got[seen], part[seen], atol=2e-5)


def test_decay_against_contour_of_the_autocorrelation(ragged, ragged_values):
    """Sal and Str from all lags: nearest below 0.2, farthest of the hump about the middle."""
    known = np.isfinite(ragged)
    z = np.where(known, ragged - ragged[known].mean(), 0.0)
    fine = 4  # lags by quarter samples
    products = signal.correlate(z, z, method="fft")
    pairs = signal.correlate(known.astype(float), known.astype(float), method="fft")
    middle = np.array(z.shape) - 1
    window = np.s_[middle[0] - 30 : middle[0] + 31, middle[1] - 40 : middle[1] + 41]
    surface = ndimage.zoom((products / np.maximum(pairs, 1))[window], fine, order=1,
                           grid_mode=False)
    row = np.linspace(-30, 30, surface.shape[0])[:, None] * 0.5
    col = np.linspace(-40, 40, surface.shape[1])[None, :] * 0.4
    surface = surface / surface.max()
    labels, _ = ndimage.label(surface >= 0.2)
    hump = labels == labels[tuple(np.array(surface.shape) // 2)]
    distance = np.hypot(row, col)
    assert ragged_values["Sal"] == pytest.approx(distance[surface < 0.2].min(), abs=0.15)
    longest = ragged_values["Sal"] / ragged_values["Str"]
    assert longest == pytest.approx(distance[hump].max(), abs=0.25)


def test_gradients_against_splines():
    """Sdq and Sdr of a smooth surface from the derivatives of interpolating splines."""
    from scipy.interpolate import RectBivariateSpline

    rng = np.random.default_rng(23)
    z = ndimage.gaussian_filter(rng.normal(size=(160, 200)), 6.0) * 20
    got = roughness_areal(z[3:-3, 3:-3], (0.5, 0.4), settings=ArealSettings(features=False))
    row, col = np.arange(160) * 0.5, np.arange(200) * 0.4
    spline = RectBivariateSpline(row, col, z, kx=5, ky=5)
    slope2 = spline(row, col, dx=1) ** 2 + spline(row, col, dy=1) ** 2
    inner = slope2[3:-3, 3:-3]
    # heights beside the border have lower-order slopes
    assert got["Sdq"].value == pytest.approx(math.sqrt(inner.mean()), rel=2e-3)
    assert got["Sdr"].value == pytest.approx(100 * (np.sqrt(1 + inner) - 1).mean(), rel=3e-3)


def test_profile_elements_against_zero_crossings(profile, profile_of):
    """RSm by counting, without discrimination of low or narrow hills where there are none."""
    x = np.arange(4000) * 0.25
    rng = np.random.default_rng(24)
    phase = np.cumsum(1 + 0.3 * rng.normal(size=4000).cumsum() / 100) * 0.04
    z = np.sin(2 * np.pi * phase)
    z -= z.mean()
    up = np.flatnonzero((z[:-1] < 0) & (z[1:] >= 0))
    at = x[up] - z[up] * 0.25 / (z[up + 1] - z[up])
    down = np.flatnonzero((z[:-1] >= 0) & (z[1:] < 0))
    back = x[down] - z[down] * 0.25 / (z[down + 1] - z[down])
    expected = np.concatenate([np.diff(at), np.diff(back)]).mean()
    assert roughness_profile(z, 0.25)["RSm"].value == pytest.approx(expected, rel=2e-3)


def test_hills_against_watershed_of_scikit_image():
    """Every hill as scikit-image floods it from the same peaks.

    Flooding meets on the slopes a little beside where the steepest ways part: 4 % of the heights.
    """
    rng = np.random.default_rng(25)
    z = ndimage.gaussian_filter(rng.normal(size=(220, 240)), 7.0)
    z /= z.std()
    hills = pruned_hills(z, (1.0, 1.0), 0.3)
    markers = np.zeros(z.shape, int)
    markers.ravel()[hills.peak] = np.arange(1, hills.peak.size + 1)
    flooded = watershed(-z, markers, connectivity=2)
    assert np.mean(flooded == hills.labels + 1) > 0.95
    areas = {part.label - 1: part.area for part in regionprops(flooded)}
    own = np.bincount(hills.labels.ravel(), minlength=hills.peak.size)
    theirs = np.array([areas[k] for k in range(hills.peak.size)])
    assert np.median(np.abs(own / theirs - 1)) < 0.04
    assert own.sum() == theirs.sum() == z.size


def test_peak_density_and_five_point_height_from_height_maxima():
    """Peaks left after pruning at 5 % of Sz, by scikit-image's height maxima on whole steps."""
    from skimage.morphology import h_maxima

    rng = np.random.default_rng(26)
    z = ndimage.gaussian_filter(rng.normal(size=(200, 210)), 5.0)
    z -= z.mean()
    got = {k: v.value for k, v in roughness_areal(z, 0.5).items()}
    steps = np.rint((z - z.min()) / np.ptp(z) * 20_000).astype(np.int32)
    marked, count = ndimage.label(h_maxima(steps, 1000), np.ones((3, 3)))
    assert abs(got["Spd"] * z.size * 0.25 - count) <= 1
    tops = np.sort(ndimage.maximum(z, marked, np.arange(1, count + 1)))[::-1]
    assert got["S5p"] == pytest.approx(tops[:5].mean(), rel=1e-3)
