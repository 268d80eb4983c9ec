"""Robust Gaussian regression filters (ISO 16610-31 and -71), against closed forms and brute force.

The brute force solves the weighted normal equations at every height with numpy, without nodes,
interpolation or mixing of rounds.
"""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from edgeqc.errors import MeasurementError
from edgeqc.measure import robust_areal, robust_filter
from edgeqc.measure.local_regression import fitted_nodes, moved_to, node_grid, spread
from edgeqc.measure.robust_areal import (
    MAX_AREAL_ROUNDS,
    NODES_PER_SIGMA,
    ROUNDS_NODES_PER_SIGMA,
    robust_areal_filter,
    robust_surface,
)
from edgeqc.measure.robust_filter import (
    ALPHA_SECOND_ORDER,
    BIWEIGHT_TUNING,
    robust_lines,
    robust_profile_filter,
)
from edgeqc.measure.roughness import (
    ArealSettings,
    Band,
    roughness_areal,
    roughness_profile,
    roughness_profiles,
)
from edgeqc.measure.roughness_result import ROUNDS
from edgeqc.measure.surface_filter import ALPHA, gaussian_areal_filter, gaussian_profile_filter


def sigma_of(nesting, order=2):
    return (ALPHA if order == 0 else ALPHA_SECOND_ORDER) * nesting / math.sqrt(2 * math.pi)


def regression(weight, z, sigma, order=2, nodes=NODES_PER_SIGMA):
    """Linear regression surface by the package."""
    grid = node_grid(z.shape, (sigma, sigma), order, nodes)
    return spread(grid, fitted_nodes(grid, weight, weight * z).value)


def brute_force(weight, z, sigma, points):
    """Second-order regression at given heights by explicit sums over all heights."""
    row, col = np.indices(z.shape)
    values = []
    for r, c in points:
        u, v = (row - r) / sigma, (col - c) / sigma
        near = np.exp(-0.5 * (u**2 + v**2)) * weight
        basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v]).reshape(6, -1)
        scaled = basis * near.ravel()
        values.append(np.linalg.solve(scaled @ basis.T, scaled @ z.ravel())[0])
    return np.array(values)


# --- one groove in a profile ----------------------------------------------------------------------
X = np.arange(4000) * 1.0
SINE = 0.5 * np.sin(2 * np.pi * X / 4000)
GROOVED = np.where((X >= 1900) & (X < 2100), SINE - 5.0, SINE)  # 5 µm deep, 0.2 mm wide


def pull_of_groove(alpha, order):
    """Pull of a groove of half width b standard deviations and depth 5, closed form.

    Order 0: 5 P(|u| < b); order 2: the effective weight is (3/2 - u²/2) times the Gaussian.
    """
    b = 100 / 800 / (alpha / math.sqrt(2 * math.pi))
    inside = float(erf(b / math.sqrt(2)))
    square = inside - 2 * b * math.exp(-b * b / 2) / math.sqrt(2 * math.pi)
    return 5 * (inside if order == 0 else 1.5 * inside - 0.5 * square)


def test_groove_pulls_the_linear_lines():
    """How far depends on order and weighting constant.

    3.54 µm is that of a second-order regression with the constant of ISO 16610-21 (0.4697); with
    the constant for 50 % at order 2 (0.7309) it is 2.44 µm, with ISO 16610-21 itself 2.48 µm.
    """
    assert pull_of_groove(ALPHA, 2) == pytest.approx(3.54, abs=0.005)
    for alpha, order in ((ALPHA, 2), (ALPHA_SECOND_ORDER, 2), (ALPHA, 0)):
        sigma = alpha * 800 / math.sqrt(2 * math.pi)
        surface = np.repeat(GROOVED[None], 40, axis=0)  # a valley straight across
        line = regression(np.ones_like(surface), surface, sigma, order)[20]
        got = np.abs(line - SINE).max()
        assert got == pytest.approx(pull_of_groove(alpha, order), abs=0.005), (alpha, order)
    linear = gaussian_profile_filter(GROOVED, 1.0, 800.0)
    assert np.abs(linear - SINE).max() == pytest.approx(pull_of_groove(ALPHA, 0), abs=0.005)


def test_robust_line_ignores_the_groove():
    assert pytest.approx(4.4478, abs=1e-4) == BIWEIGHT_TUNING  # 3/0.6745
    robust = robust_profile_filter(GROOVED, 1.0, 800.0)
    assert np.abs(robust - SINE).max() < 0.004  # 0.02 asked for; measured 0.0031


def test_robust_surface_ignores_the_groove():
    surface = np.repeat(GROOVED[None, ::5], 60, axis=0)
    robust = robust_areal_filter(surface, 5.0, 800.0)
    assert np.abs(robust - SINE[::5]).max() < 0.006


# --- the linear core ------------------------------------------------------------------------------
@pytest.mark.parametrize("nesting", [6.0, 9.0, 14.0, 25.0, 60.0, 130.0])
@pytest.mark.parametrize("order", [0, 2])
def test_transmission_for_every_nesting_index(nesting, order):
    """Closed forms 2^-(lc/λ)² (ISO 16610-61) and (1 + q) exp(-q), q = π (α lc/λ)² (order 2)."""
    n = 6 * round(nesting) + 40
    col = np.arange(2 * n) - n
    for ratio in (0.8, 1.0, 2.0):
        z = np.cos(2 * np.pi * col / (nesting * ratio))[None, :] * np.ones((n, 1))
        line = regression(np.ones_like(z), z, sigma_of(nesting, order), order)[n // 2]
        q = math.pi * ((ALPHA if order == 0 else ALPHA_SECOND_ORDER) / ratio) ** 2
        expected = math.exp(-q) * (1 + q if order == 2 else 1)
        assert line[n] == pytest.approx(expected, abs=1e-4)


def test_nodes_while_the_rounds_run():
    """Wider apart: the transmission at the nesting index is off by 1 % of the wave at most."""
    for nesting in (14.0, 40.0, 90.0):
        col = np.arange(700) - 350
        z = np.cos(2 * np.pi * col / nesting)[None, :] * np.ones((500, 1))
        line = regression(
            np.ones_like(z), z, sigma_of(nesting), 2, nodes=ROUNDS_NODES_PER_SIGMA
        )[250, 200:500]
        assert np.abs(line - 0.5 * z[250, 200:500]).max() < 0.012


@pytest.fixture(scope="module")
def irregular():
    """Heights on a ragged region with holes, and weights that differ from height to height."""
    rng = np.random.default_rng(1)
    z = gaussian_filter(rng.normal(size=(90, 120)), 6.0) * 20 + rng.normal(0, 0.2, (90, 120))
    row, col = np.indices(z.shape)
    weight = rng.random(z.shape) * (rng.random(z.shape) > 0.05)
    weight[(row < 20 - 0.3 * col) | (row > 85 - 0.1 * col)] = 0
    weight[40:52, 60:75] = 0
    return z, weight


@pytest.mark.parametrize("nesting", [7.0, 15.0, 40.0])
def test_regression_against_brute_force(irregular, nesting):
    z, weight = irregular
    inside = np.argwhere(weight > 0)
    points = inside[np.random.default_rng(2).choice(len(inside), 150, replace=False)]
    got = regression(weight, z, sigma_of(nesting))[tuple(points.T)]
    expected = brute_force(weight, z, sigma_of(nesting), points)
    # interpolation between nodes: a thousandth of the noise; heights with own nodes: exact but
    # for the cut of the weights
    assert np.abs(got - expected).max() < (2e-4 if nesting < 8 else 2e-3)


def test_nodes_of_one_grid_at_those_of_another():
    coarse, fine = (node_grid((200, 300), (20.0, 20.0), 2, k) for k in (1.25, 3.0))
    row, col = (np.linspace(-1, 1, k) for k in (coarse.row.nodes, coarse.col.nodes))
    cubic = row[:, None] ** 3 - 2 * row[:, None] * col[None, :] ** 2
    row, col = (np.linspace(-1, 1, k) for k in (fine.row.nodes, fine.col.nodes))
    expected = row[:, None] ** 3 - 2 * row[:, None] * col[None, :] ** 2
    np.testing.assert_allclose(moved_to(coarse, fine, cubic), expected, atol=1e-10)
    row, col = (np.linspace(-1, 1, k) for k in (200, 300))
    expected = row[:, None] ** 3 - 2 * row[:, None] * col[None, :] ** 2
    np.testing.assert_allclose(spread(coarse, cubic), expected, atol=1e-10)


@pytest.mark.parametrize(("order", "nesting"), [(0, 60.0), (2, 40.0), (2, 150.0)])
def test_profile_rounds_against_brute_force(order, nesting):
    """Plain rounds at every height by numpy, on a profile with gaps, form and outliers."""
    rng = np.random.default_rng(13)
    x = np.arange(400.0)
    z = np.sin(x / 60) + 1e-4 * (x - 100) ** 2 * (order == 2) + rng.normal(0, 0.1, x.size)
    z[rng.random(x.size) < 0.05] += 2.0
    z[200:215] = np.nan
    known, flat = np.isfinite(z), np.nan_to_num(z)
    lever = (x[None, :] - x[:, None]) / sigma_of(nesting, order)
    near = np.exp(-0.5 * lever**2)
    basis = np.stack([lever**k for k in range(order + 1)])
    weight = known.astype(float)
    for _ in range(60):
        scaled = basis * (near * weight)
        left = np.einsum("aij,bij->iab", scaled, basis)
        right = np.einsum("aij,j->ia", scaled, flat)
        line = np.linalg.solve(left, right[..., None])[:, 0, 0]
        residual = np.abs(flat - line)
        c = BIWEIGHT_TUNING * np.median(residual[known])
        weight = np.where(known, np.maximum(1 - (residual / c) ** 2, 0) ** 2, 0)
    got = robust_profile_filter(z, 1.0, nesting, order=order)
    off = (got - line)[known]
    assert np.sqrt(np.mean(off**2)) < 0.001  # the noise is 0.1
    assert np.abs(off).max() < 0.01
    assert np.isnan(got[~known]).all()


@pytest.mark.parametrize("nesting", [6.0, 12.0, 30.0, 60.0])
def test_parabola_passes_unchanged(nesting):
    row, col = np.mgrid[:150, :210].astype(float)
    surface = 1 + 0.01 * row - 0.03 * col + 1e-4 * row**2 - 2e-4 * row * col + 5e-5 * col**2
    surface[40:60, 80:120] = np.nan
    surface[np.random.default_rng(0).random(surface.shape) < 0.05] = np.nan
    np.testing.assert_allclose(robust_areal_filter(surface, 1.0, nesting), surface, atol=1e-9)


# --- the rounds -----------------------------------------------------------------------------------
def brute_force_rounds(z, sigma, rounds):
    """Plain rounds of weighing and fitting at every height."""
    row, col = (field.ravel() for field in np.indices(z.shape))
    u = (row[None, :] - row[:, None]) / sigma
    v = (col[None, :] - col[:, None]) / sigma
    near = np.exp(-0.5 * (u**2 + v**2))
    powers = [(i, j) for i in range(3) for j in range(3 - i)]
    known, flat = np.isfinite(z).ravel(), np.nan_to_num(z).ravel()
    weight, line = known.astype(float), np.zeros(flat.size)
    for _ in range(rounds):
        sums = {(i, j): (near * u**i * v**j) @ weight for i in range(5) for j in range(5 - i)}
        right = np.stack([(near * u**i * v**j) @ (weight * flat) for i, j in powers], axis=-1)
        left = np.stack([
            np.stack([sums[a[0] + b[0], a[1] + b[1]] for b in powers], axis=-1) for a in powers
        ], axis=-1)
        line = np.linalg.solve(left, right[..., None])[:, 0, 0]
        residual = np.abs(flat - line)
        c = BIWEIGHT_TUNING * np.median(residual[known])
        weight = np.where(known, np.maximum(1 - (residual / c) ** 2, 0) ** 2, 0)
    return line.reshape(z.shape)


@pytest.mark.parametrize("nesting", [7.0, 12.0])
def test_rounds_end_where_plain_rounds_do(nesting):
    rng = np.random.default_rng(3)
    row, col = np.mgrid[:22, :26].astype(float)
    z = np.sin(col / 15) + 0.002 * row**2 + rng.normal(0, 0.1, row.shape)
    z[rng.random(z.shape) < 0.05] = np.nan
    z[10:12, 17:19] += 3.0
    expected = brute_force_rounds(z, sigma_of(nesting), 15)
    result = robust_surface(z, 1.0, nesting)
    assert result.settled
    off = (result.surface_um - expected)[np.isfinite(z)]
    # 0.1 is the noise: the rounds end within 0.3 % of it and more lies ahead of them
    assert np.sqrt(np.mean(off**2)) < 0.002
    assert np.abs(off).max() < 0.03


def test_robust_surface_ignores_debris_and_grooves():
    rng = np.random.default_rng(3)
    row, col = np.mgrid[:300, :320].astype(float)
    form = np.sin(2 * np.pi * col / 900) + 1e-5 * row**2
    z = form + rng.normal(0, 0.05, form.shape)
    z[140:160] -= 5.0
    z[60:75, 60:75] += 8.0
    linear = gaussian_areal_filter(z, 1.0, 150.0)
    robust = robust_areal_filter(z, 1.0, 150.0)
    assert np.abs(linear - form).max() > 0.5
    assert np.abs(robust - form).max() < 0.05


def test_a_patch_that_drowns_its_surroundings_does_not_throw_the_surface():
    """Where next to nothing is left, the surface stays; it never hangs in the air."""
    rng = np.random.default_rng(4)
    z = rng.normal(0, 0.05, (200, 240))
    z[60:120, 60:120] += rng.choice([-6.0, 6.0], size=(60, 60))
    for nesting in (8.0, 30.0):
        assert np.abs(robust_areal_filter(z, 1.0, nesting)).max() < 8.0


def self_affine(n, seed, exponent=0.9):
    """A profile that has relief on every scale: a short robust filter settles on it slowly."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
    spectrum[1:] /= np.arange(1, spectrum.size) ** exponent
    return np.fft.irfft(spectrum, n) * 300


def test_profile_rounds_that_have_not_settled_are_said():
    z = self_affine(2000, 0)
    smooth = 0.1 * np.random.default_rng(1).standard_normal(2000) + np.sin(np.arange(2000) / 200)
    lines = robust_lines(np.stack([z, smooth]), 1.0, 20.0)
    assert lines.move_um[0] > 0
    assert lines.move_um[1] == 0
    band = Band(filter="robust Gaussian")
    found = roughness_profile(z, 1.0, nesting_index_um=20.0, band=band)
    assert "had not settled" in found.conditions.note
    assert all("had not settled" in row.note for row in found.rows("laser", "edge contour"))
    assert found["Rq"].budget[ROUNDS] > 3 * lines.move_um[0]
    assert found["Rsk"].budget[ROUNDS] > 0
    settled = roughness_profile(z, 1.0, nesting_index_um=200.0, band=band)
    assert "had not settled" not in settled.conditions.note
    assert settled["Rq"].budget[ROUNDS] == 0
    plain = roughness_profile(z, 1.0, nesting_index_um=20.0)
    assert ROUNDS not in plain["Rq"].budget


def test_the_share_of_unsettled_rounds_holds_what_many_rounds_would_give(monkeypatch):
    z = np.stack([self_affine(1500, seed) for seed in range(20, 44)])
    band = Band(filter="robust Gaussian")
    found = roughness_profiles(z, 1.0, nesting_index_um=12.0, band=band)
    share = found.shares["Rq"].shares[ROUNDS]
    monkeypatch.setattr(robust_filter, "MAX_ROUNDS", 400)
    settled = roughness_profiles(z, 1.0, nesting_index_um=12.0, band=band)
    restless = (share > 0) & (settled.shares["Rq"].shares[ROUNDS] == 0)
    assert restless.sum() >= 10
    off = np.abs(found.value["Rq"] - settled.value["Rq"])[restless]
    assert np.mean(off <= 2 * share[restless]) >= 0.95


def test_unsettled_rounds_are_said():
    """Without noise and below the surface's own wavelengths, residuals are the filter's own."""
    z = gaussian_filter(np.random.default_rng(5).normal(size=(200, 220)), 4.0)
    result = robust_surface(z, 1.0, 8.0)
    assert not result.settled
    assert result.rounds == MAX_AREAL_ROUNDS
    assert result.move_um > 0
    assert np.isfinite(result.surface_um).all()
    assert np.abs(result.surface_um).max() < 1.3 * np.abs(z).max()
    rough = roughness_areal(
        z, 1.0, nesting_index_um=8.0, band=Band(filter="robust Gaussian"),
        settings=ArealSettings(features=False),
    )
    assert "had not settled" in rough.conditions.note
    assert rough["Sq"].budget["rounds of the robust filter"] >= 3 * result.move_um
    noisy = z + 0.3 * z.std() * np.random.default_rng(6).normal(size=z.shape)
    assert robust_surface(noisy, 1.0, 30.0).settled


@pytest.mark.parametrize("nesting", [6.0, 10.0, 14.0])
def test_rounds_in_single_precision_hold_beside_ragged_borders(nesting, monkeypatch):
    """Far outside the region next to nothing of the weights is left to fit to."""
    rng = np.random.default_rng(11)
    waves = gaussian_filter(rng.normal(size=(400, 300)), 30.0)
    z = waves / waves.std() + 0.1 * rng.normal(size=waves.shape)
    z[100:103] -= 3.0
    z[gaussian_filter(rng.normal(size=z.shape), 25.0) > 0.01] = np.nan
    z[rng.random(z.shape) < 0.03] = np.nan
    single = robust_surface(z, 1.0, nesting)
    assert np.array_equal(np.isfinite(single.surface_um), np.isfinite(z))
    assert single.settled == (nesting > 6.0)
    assert single.move_um < 0.02  # a fifth of the noise; 0.13 or NaN with what lay far outside
    monkeypatch.setattr(robust_areal, "SINGLE_BELOW_SIGMA", 0.0)
    double = robust_surface(z, 1.0, nesting).surface_um
    assert np.sqrt(np.nanmean((single.surface_um - double) ** 2)) < 0.002


def test_thin_and_small_regions():
    rng = np.random.default_rng(7)
    z = np.full((80, 300), np.nan)
    z[40:43] = 0.01 * np.arange(300) + rng.normal(0, 0.02, (3, 300))
    line = robust_areal_filter(z, 1.0, 60.0)
    assert np.nanmax(np.abs(line - 0.01 * np.arange(300))) < 0.05
    assert np.isfinite(robust_areal_filter(rng.normal(size=(9, 8)), 1.0, 9.0)).all()


def test_too_short_a_nesting_index_is_an_error():
    with pytest.raises(MeasurementError, match="robust filter is 5 µm"):
        robust_areal_filter(np.random.default_rng(0).normal(size=(50, 60)), 1.0, 5.0)
    with pytest.raises(MeasurementError, match="order"):
        robust_areal_filter(np.random.default_rng(0).normal(size=(50, 60)), 1.0, 9.0, order=1)
