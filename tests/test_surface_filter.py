"""Filters against their transmission curves (ISO 16610) and against scipy as a reference."""

import math

import numpy as np
import pytest
from scipy import ndimage

from edgeqc.errors import MeasurementError
from edgeqc.measure.form import profile_form, surface_form
from edgeqc.measure.robust_areal import robust_areal_filter
from edgeqc.measure.robust_filter import (
    ALPHA_SECOND_ORDER,
    regression_weights,
    robust_profile_filter,
)
from edgeqc.measure.spline_filter import spline_profile_filter
from edgeqc.measure.surface_filter import (
    ALPHA,
    gaussian_areal_filter,
    gaussian_profile_filter,
    gaussian_weights,
    noise_passed,
)

LC = 100.0


def gain(z, line, inner):
    return float(line[inner] @ z[inner] / (z[inner] @ z[inner]))


def kernel_gain(weights, spacing, wavelength):
    offset = np.arange(weights.size) - weights.size // 2
    return float(weights @ np.cos(2 * np.pi * offset * spacing / wavelength))


def test_alpha():
    # ISO 16610-21:2011, clause 4
    assert pytest.approx(0.469718639350, abs=1e-12) == ALPHA
    assert math.exp(-math.pi * ALPHA**2) == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize(
    ("ratio", "percent"),
    [(0.25, 0.00153), (0.5, 6.25), (0.8, 33.8564), (1, 50), (1.25, 64.1713), (2, 84.0896),
     (3, 92.5875), (5, 97.2655), (10, 99.3092)],
)
def test_profile_gaussian_transmission(ratio, percent):
    # closed form 2^-(lc/lambda)²
    wavelength = LC * ratio
    z = np.sin(2 * np.pi * np.arange(4000) / wavelength)
    span = slice(1000, 1000 + round(2000 // wavelength * wavelength) if ratio < 20 else 3000)
    long_wave = 100 * gain(z, gaussian_profile_filter(z, 1.0, LC), span)
    assert long_wave == pytest.approx(percent, abs=0.001)
    assert long_wave == pytest.approx(100 * 2 ** -((1 / ratio) ** 2), abs=0.0005)


@pytest.mark.parametrize(("half", "expected"), [(0.5, 0.510609), (0.6, 0.501447)])
def test_cost_of_cutting_the_kernel_short(half, expected):
    weights = gaussian_weights(0.01, LC, half)
    assert kernel_gain(weights, 0.01, LC) == pytest.approx(expected, abs=1e-4)
    assert kernel_gain(gaussian_weights(0.01, LC), 0.01, LC) == pytest.approx(0.5, abs=1e-6)


def test_sigma_of_the_equivalent_normal_kernel():
    sigma = ALPHA / math.sqrt(2 * math.pi)
    assert sigma == pytest.approx(0.187390625, abs=1e-9)
    z = np.random.default_rng(0).normal(size=3000)
    reference = ndimage.gaussian_filter1d(z, sigma * LC, truncate=5.34)
    ours = gaussian_profile_filter(z, 1.0, LC)
    np.testing.assert_allclose(ours[150:-150], reference[150:-150], atol=1e-6)


def test_step_response_width():
    z = np.repeat([0.0, 1.0], 20_000)
    line = gaussian_profile_filter(z, LC / 2000, LC)
    width = (np.searchsorted(line, 0.9) - np.searchsorted(line, 0.1)) / 2000
    assert width == pytest.approx(0.480301, rel=0.01)


def test_areal_gaussian_transmission():
    # rotationally symmetric: a product of two sines at lc has 1/lambda_eff² = 2/lc²
    row, col = np.mgrid[:600, :600].astype(float)
    middle = np.s_[150:450, 150:450]
    single = np.sin(2 * np.pi * col / LC)
    product = single * np.sin(2 * np.pi * row / LC)
    oblique = np.sin(2 * np.pi * (0.6 * col + 0.8 * row) / LC)
    for z, expected in ((single, 0.5), (product, 0.25), (oblique, 0.5)):
        line = gaussian_areal_filter(z, 1.0, LC)[middle].ravel()
        inner = z[middle].ravel()
        # the oblique wave does not fit whole periods into the window: 0.02 % of the sine
        assert line @ inner / (inner @ inner) == pytest.approx(expected, abs=2e-4)


def test_areal_gaussian_against_scipy_and_on_oblong_pixels():
    z = np.random.default_rng(1).normal(size=(260, 300))
    sigma = ALPHA * 30 / math.sqrt(2 * math.pi)
    ours = gaussian_areal_filter(z, (1.0, 2.0), 30.0)
    reference = ndimage.gaussian_filter(z, (sigma, sigma / 2), truncate=5.4)
    np.testing.assert_allclose(ours[60:-60, 60:-60], reference[60:-60, 60:-60], atol=2e-6)


@pytest.mark.parametrize(
    ("ratio", "limit", "sampled"),
    [(0.5, 5.8824, 5.9091), (1, 50, 50), (2, 94.1176, 94.1110), (4, 99.6109, 99.6103)],
)
def test_spline_transmission(ratio, limit, sampled):
    # ISO 16610-22: 1/(1 + (sin(pi dx/lambda)/sin(pi dx/lc))^4); dx = lc/64
    step = LC / 64
    wavelength = LC * ratio
    formula = 100 / (1 + (math.sin(math.pi * step / wavelength) / math.sin(math.pi / 64)) ** 4)
    assert formula == pytest.approx(sampled, abs=1e-4)
    assert 100 / (1 + ratio**-4) == pytest.approx(limit, abs=1e-4)
    n = 64 * 64
    z = np.cos(2 * np.pi * (np.arange(n) - n // 2) * step / wavelength)
    line = spline_profile_filter(z, step, LC)
    assert 100 * line[n // 2] == pytest.approx(formula, abs=1e-6)


def test_second_order_regression_transmission():
    # (1 + q) exp(-q), q = pi (a lc/lambda)²: 50 % at lc for a = 0.730913
    assert pytest.approx(0.730913, abs=1e-6) == ALPHA_SECOND_ORDER
    q = math.pi * ALPHA_SECOND_ORDER**2
    assert q == pytest.approx(1.678347, abs=1e-6)
    assert (1 + q) * math.exp(-q) == pytest.approx(0.5, abs=1e-9)
    weights = regression_weights(1.0, LC, 2)
    lever = np.arange(weights.size) - weights.size // 2
    s = [float(weights @ lever**k) for k in range(5)]
    # symmetric: the constant term of the parabola is (s4 t0 - s2 t2)/(s0 s4 - s2²)
    effective = weights * (s[4] - s[2] * lever**2) / (s[0] * s[4] - s[2] ** 2)
    for ratio in (0.5, 0.8, 1.0, 1.5, 3.0):
        q = math.pi * (ALPHA_SECOND_ORDER / ratio) ** 2
        got = kernel_gain(effective, 1.0, LC * ratio)
        assert got == pytest.approx((1 + q) * math.exp(-q), abs=1e-4)


def test_second_order_regression_keeps_a_parabola_to_the_ends():
    x = np.arange(900.0)
    parabola = 3.0 - 0.02 * x + 1e-4 * x**2
    np.testing.assert_allclose(robust_profile_filter(parabola, 1.0, 200.0), parabola, atol=1e-9)
    row, col = np.mgrid[:150, :210].astype(float)
    surface = 1 + 0.01 * row - 0.03 * col + 1e-4 * row**2 - 2e-4 * row * col + 5e-5 * col**2
    surface[40:60, 80:120] = np.nan
    smooth = robust_areal_filter(surface, 1.0, 60.0)
    np.testing.assert_allclose(smooth, surface, atol=1e-9)


def test_areal_gaussian_against_scipy_with_gaps():
    """Order 0 at gaps and edges is a ratio of two filtered fields."""
    rng = np.random.default_rng(12)
    z = rng.normal(size=(210, 260))
    z[rng.random(z.shape) < 0.05] = np.nan
    z[50:90, 100:180] = np.nan
    known = np.isfinite(z)
    for nesting in (4.5, 11.0, 50.0):
        sigma = ALPHA * nesting / math.sqrt(2 * math.pi)

        def smooth(field, sigma=sigma):
            return ndimage.gaussian_filter(field, sigma, truncate=5.4, mode="constant")

        near = np.maximum(smooth(known.astype(float)), 1e-30)  # none deep inside the hole
        reference = smooth(np.nan_to_num(z)) / near
        ours = gaussian_areal_filter(z, 1.0, nesting, end_treatment="renormalised")
        np.testing.assert_allclose(ours[known], reference[known], atol=3e-6)


# --- ends, gaps, form -----------------------------------------------------------------------------
@pytest.fixture
def gappy():
    rng = np.random.default_rng(5)
    row, col = np.mgrid[:200, :240].astype(float)
    z = 0.3 * row - 0.1 * col + 40.0
    z[rng.random(z.shape) < 0.05] = np.nan
    z[80:120, 100:150] = np.nan
    z[:, 230:][row[:, 230:] > 100] = np.nan
    return z


def test_slope_passes_ends_and_gaps(gappy):
    np.testing.assert_allclose(gaussian_areal_filter(gappy, 1.0, 30.0), gappy, atol=1e-9)
    profile = gappy[90]
    np.testing.assert_allclose(gaussian_profile_filter(profile, 1.0, 30.0), profile, atol=1e-9)


def test_constant_passes_whatever_the_end_treatment(gappy):
    level = np.where(np.isnan(gappy), np.nan, 7.0)
    for ends in ("first moment", "renormalised"):
        out = gaussian_areal_filter(level, 1.0, 30.0, end_treatment=ends)
        np.testing.assert_allclose(out, level, atol=1e-9)


def test_gaps_change_the_line_little_beside_them():
    z = np.sin(2 * np.pi * np.arange(2000) / 400)
    holed = z.copy()
    holed[np.random.default_rng(0).random(2000) < 0.05] = np.nan
    whole = gaussian_profile_filter(z, 1.0, LC)
    line = gaussian_profile_filter(holed, 1.0, LC)
    assert np.nanmax(np.abs(line - whole)) < 0.01
    assert np.isnan(line[np.isnan(holed)]).all()


def test_many_profiles_at_once_and_input_kept():
    z = np.random.default_rng(2).normal(size=(3, 4, 300))
    before = z.copy()
    lines = gaussian_profile_filter(z, 1.0, 50.0)
    np.testing.assert_array_equal(z, before)
    np.testing.assert_allclose(lines[1, 2], gaussian_profile_filter(z[1, 2], 1.0, 50.0))
    robust = robust_profile_filter(z, 1.0, 50.0)
    # every profile settles by itself
    np.testing.assert_allclose(robust[1, 2], robust_profile_filter(z[1, 2], 1.0, 50.0), atol=1e-12)


def test_mirror_and_transpose():
    z = np.random.default_rng(8).normal(size=(120, 90))
    # the robust rounds run in single precision, which shows at 1e-6
    for smooth, within in ((gaussian_areal_filter, 1e-9), (robust_areal_filter, 1e-5)):
        plain = smooth(z, (1.0, 1.5), 40.0)
        np.testing.assert_allclose(smooth(z.T, (1.5, 1.0), 40.0), plain.T, atol=within)
    np.testing.assert_allclose(
        gaussian_areal_filter(z[::-1], (1.0, 1.5), 40.0),
        gaussian_areal_filter(z, (1.0, 1.5), 40.0)[::-1], atol=1e-9,
    )


def test_noise_passed_by_the_filters():
    noise = np.random.default_rng(9).normal(size=(400, 1000))
    line = gaussian_profile_filter(noise, 1.0, 20.0)[:, 50:-50]
    weights = gaussian_weights(1.0, 20.0)
    assert line.var() == pytest.approx(noise_passed(weights, "long"), rel=0.03)
    rest = noise[:, 50:-50] - line
    assert rest.var() == pytest.approx(noise_passed(weights, "short"), rel=0.03)


def test_forms_are_recovered():
    x = np.arange(800) * 0.5
    arc = -np.sqrt(300.0**2 - (x - 150) ** 2)
    np.testing.assert_allclose(profile_form(arc[None], 0.5, "circle")[0], arc, atol=1e-8)
    row, col = np.mgrid[:80, :100] * 0.1
    ball = np.sqrt(400 - (row - 3) ** 2 - (col - 6) ** 2) + 2
    ball[20:30, 20:40] = np.nan
    got = surface_form(ball, (0.1, 0.1), "sphere")
    np.testing.assert_allclose(got[np.isfinite(ball)], ball[np.isfinite(ball)], atol=1e-8)
    across = (col - 4) * math.cos(0.4) - (row - 4) * math.sin(0.4)
    rod = np.sqrt(900 - across**2) + 0.01 * (row * math.cos(0.4) + col * math.sin(0.4))
    np.testing.assert_allclose(surface_form(rod, (0.1, 0.1), "cylinder"), rod, atol=1e-8)
    cubic = 1 + row * 2 - col + row * col**2 - 0.1 * row**3
    np.testing.assert_allclose(surface_form(cubic, (0.1, 0.1), "polynomial 3"), cubic, atol=1e-8)
    plane = 5 + 0.2 * row - 0.1 * col
    np.testing.assert_allclose(surface_form(plane, (0.1, 0.1), "plane"), plane, atol=1e-10)


def test_flat_sphere_fit_does_not_run_away():
    rng = np.random.default_rng(0)
    z = rng.normal(0, 1e-3, (60, 70))
    assert np.ptp(surface_form(z, (1.0, 1.0), "sphere")) < 2e-3


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: gaussian_profile_filter(np.zeros(1), 1.0, 10.0), "two heights"),
        (lambda: gaussian_profile_filter(np.zeros(100), 0.0, 10.0), "spacing"),
        (lambda: gaussian_profile_filter(np.zeros(100), 1.0, 2.0), "nesting"),
        (lambda: gaussian_profile_filter(np.zeros(100), 1.0, math.inf), "nesting"),
        (lambda: gaussian_profile_filter(np.zeros(100), 1.0, 300.0), "100 µm long"),
        (lambda: gaussian_profile_filter(np.full(100, np.nan), 1.0, 20.0), "all gap"),
        (lambda: gaussian_areal_filter(np.zeros((1, 100)), 1.0, 20.0), "shape"),
        (lambda: gaussian_areal_filter(np.zeros((50, 100)), (1.0, 0.0), 20.0), "column spacing"),
        (lambda: gaussian_areal_filter(np.zeros((50, 100)), (1.0, 1.0, 1.0), 20.0), "3 numbers"),
        (lambda: robust_profile_filter(np.full(9, np.nan), 1.0, 5.0), "no use"),
        (lambda: robust_profile_filter(np.zeros(99), 1.0, 5.0), "robust filter is 5 µm"),
        (lambda: robust_profile_filter(np.zeros(99), 1.0, 25.0, order=1), "order"),
    ],
)
def test_useless_input_is_an_error(call, match):
    with pytest.raises(MeasurementError, match=match):
        call()
