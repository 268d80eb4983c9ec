"""Line-edge roughness against closed forms and simulated edges.

The simulated edges are drawn from their autocovariance by a Cholesky factor or a first-order
recursion, not from the spectrum that the fit uses.
"""

import math

import numpy as np
import pytest
from scipy.linalg import cholesky, toeplitz
from scipy.signal import lfilter

from edgeqc.errors import MeasurementError
from edgeqc.measure.edge_spectrum import (
    edge_correlation,
    edge_spectral_density,
    sampling_rel_u,
    variance_within,
)
from edgeqc.measure.line_edge import line_edge_roughness, line_width_rq


def exponential_edges(rng, lines, n, sigma, correlation, step=1.0):
    """Edges with autocovariance sigma² exp(-t/correlation): a first-order recursion."""
    keep = math.exp(-step / correlation)
    drive = rng.normal(size=(lines, n + 1)) * sigma * math.sqrt(1 - keep**2)
    drive[:, 0] = rng.normal(size=lines) * sigma
    return lfilter([1.0], [1.0, -keep], drive, axis=1)[:, 1:]


def edges_of(rng, lines, n, sigma, correlation, exponent, step=1.0):
    covariance = edge_correlation(np.arange(n) * step, sigma, correlation, exponent)
    factor = cholesky(toeplitz(covariance) + 1e-10 * np.eye(n), lower=True)
    return (factor @ rng.normal(size=(n, lines))).T


# --- closed forms ---------------------------------------------------------------------------------
NODE, WEIGHT = np.polynomial.legendre.leggauss(1500)


@pytest.mark.parametrize("exponent", [0.5, 0.75, 1.0])
def test_density_integrates_to_the_variance(exponent):
    # normalisation of the model density (form: Phys. Rev. B 1993;48:14472): substitution
    # 2 pi f xi = tan(u) makes the integral over all f finite and smooth
    u = NODE * (math.pi / 2)
    frequency = np.tan(u) / (2 * math.pi * 20.0)
    density = edge_spectral_density(frequency, 2.0, 20.0, exponent)
    jacobian = (math.pi / 2) / (np.cos(u) ** 2 * 2 * math.pi * 20.0)
    assert np.sum(WEIGHT * jacobian * density) == pytest.approx(4.0, rel=1e-9)


@pytest.mark.parametrize(("exponent", "peak"), [(0.5, 2.0), (0.75, 2.622058), (1.0, math.pi)])
def test_density_at_zero(exponent, peak):
    got = edge_spectral_density(np.array([0.0]), 2.0, 20.0, exponent)[0]
    assert got / (4.0 * 20.0) == pytest.approx(peak, abs=1e-6)


def test_exponent_one_half_is_exponential():
    lag = np.linspace(0, 100, 51)
    np.testing.assert_allclose(
        edge_correlation(lag, 2.0, 20.0, 0.5), 4.0 * np.exp(-lag / 20.0), rtol=1e-9
    )
    # and the density is its transform, by quadrature
    fine = np.linspace(0, 2000, 400_001)
    for frequency in (0.0, 0.005, 0.02):
        cosine = 4 * np.exp(-fine / 20) * np.cos(2 * np.pi * frequency * fine)
        assert 2 * np.trapezoid(cosine, fine) == pytest.approx(
            edge_spectral_density(np.array([frequency]), 2.0, 20.0, 0.5)[0], rel=1e-4
        )


@pytest.mark.parametrize(
    ("length", "expected"),
    [(50, 1.9749), (100, 2.7178), (200, 3.2800), (500, 3.6928), (1000, 3.8432)],
)
def test_variance_on_a_finite_length(length, expected):
    # closed form for an exponential autocovariance, s = 2, xi = 20
    assert variance_within(length, 2.0, 20.0) == pytest.approx(expected, abs=1e-4)
    # the quadrature for other exponents meets it
    assert variance_within(length, 2.0, 20.0, 0.5 + 1e-9) == pytest.approx(expected, rel=1e-4)
    lines = 3000 + 1_500_000 // length  # enough that chance is below half a percent
    edges = exponential_edges(np.random.default_rng(length), lines, length, 2.0, 20.0)
    assert edges.var(axis=1).mean() == pytest.approx(expected, rel=0.02)


def test_conservation_of_variance():
    edges = exponential_edges(np.random.default_rng(1), 4000, 200, 2.0, 20.0)
    within, between = edges.var(axis=1).mean(), edges.mean(axis=1).var()
    assert within + between == pytest.approx(4.0, rel=0.02)
    assert within == pytest.approx(variance_within(200, 2.0, 20.0), rel=0.02)


@pytest.mark.parametrize("lengths", [25, 50])
def test_sampling_spread_of_one_edge(lengths):
    edges = exponential_edges(np.random.default_rng(lengths), 3000, lengths * 10, 1.0, 10.0)
    spread = edges.std(axis=1).std() / edges.std(axis=1).mean()
    assert sampling_rel_u(lengths * 10.0, 10.0) == pytest.approx(spread, rel=0.1)


def test_line_width():
    assert line_width_rq(1.0, 1.0) == pytest.approx(math.sqrt(2), rel=1e-12)
    assert line_width_rq(3.0, 4.0) == pytest.approx(5.0, rel=1e-12)
    assert line_width_rq(1.0, 1.0, 1.0) == 0
    rng = np.random.default_rng(2)
    common, left, right = rng.normal(size=(3, 200_000))
    one, two = 0.6 * common + 0.8 * left, 0.6 * common + 0.8 * right
    assert line_width_rq(1.0, 1.0, 0.36) == pytest.approx((one - two).std(), rel=0.01)


# --- the fit --------------------------------------------------------------------------------------
def test_white_noise_adds_its_variance():
    rng = np.random.default_rng(3)
    edges = exponential_edges(rng, 100, 1024, 2.0, 20.0)
    noise = rng.normal(0, 0.8, edges.shape)
    result = line_edge_roughness(edges + noise, 1.0, detrend=0)
    # exact density of the sampled recursion: s²(1 - k²)/(1 - 2 k cos + k²)
    keep = math.exp(-1 / 20)
    cosine = np.cos(2 * np.pi * result.frequency_per_um[-200:])
    own = 4 * (1 - keep**2) / (1 - 2 * keep * cosine + keep**2)
    assert np.mean(result.density_um3[-200:] - own) == pytest.approx(0.64 * 1.0, rel=0.01)
    assert result.values["Rq_biased"].value ** 2 == pytest.approx(
        edges.var(axis=1).mean() + 0.64, rel=0.01
    )


def test_fit_of_many_lines():
    # s = 2, xi = 20, exponent 0.75, noise 0.8, 400 lines of 2048 points
    rng = np.random.default_rng(4)
    edges = edges_of(rng, 400, 2048, 2.0, 20.0, 0.75)
    result = line_edge_roughness(edges + rng.normal(0, 0.8, edges.shape), 1.0, detrend=0)
    got = {name: item.value for name, item in result.values.items()}
    assert got["Rq_endless"] == pytest.approx(2.0, rel=0.02)
    assert got["correlation_length"] == pytest.approx(20.0, rel=0.05)
    assert got["exponent"] == pytest.approx(0.75, abs=0.03)
    assert got["noise"] == pytest.approx(0.8, rel=0.01)
    assert got["three_sigma"] == 3 * got["Rq_unbiased"]
    assert result.lines == 400
    assert result.evaluation_length_um == 2048
    assert "mean taken off" in result.treatment


def test_a_fit_held_by_a_bound_still_reaches_the_best_of_the_others():
    # without noise the fit presses its noise against the least that it may be
    many = edges_of(np.random.default_rng(99), 100, 1024, 2.0, 20.0, 0.75)
    fitted = line_edge_roughness(many, 1.0, detrend=0).values
    for name, truth in (("exponent", 0.75), ("correlation_length", 20.0), ("Rq_endless", 2.0)):
        assert abs(fitted[name].value - truth) < 2 * fitted[name].u, name


def test_unbiased_where_the_biased_value_is_far_off():
    rng = np.random.default_rng(5)
    edges = exponential_edges(rng, 40, 1024, 1.0, 12.0)
    true = math.sqrt(edges.var(axis=1).mean())
    result = line_edge_roughness(edges + rng.normal(0, 0.9, edges.shape), 1.0, detrend=0).values
    assert result["Rq_biased"].value / true > 1.2
    assert result["Rq_unbiased"].value == pytest.approx(true, rel=0.05)


def test_stated_uncertainty_covers():
    """Single edges of 100 correlation lengths: 95 % intervals hold the truth as often as said."""
    rng = np.random.default_rng(6)
    n, tries = 1200, 100
    truth = {
        "Rq_endless": 1.0, "noise": 0.5, "correlation_length": 12.0,
        "Rq_unbiased": math.sqrt(variance_within(n, 1.0, 12.0)),
    }
    inside = dict.fromkeys(truth, 0)
    for edge in exponential_edges(rng, tries, n, 1.0, 12.0):
        result = line_edge_roughness(edge + rng.normal(0, 0.5, n), 1.0, detrend=0).values
        for name, value in truth.items():
            low, high = result[name].interval
            inside[name] += low <= value <= high
    for name, hits in inside.items():
        # binomial: 95 of 100 with standard deviation 2.2; three of them below
        assert hits >= 88, (name, hits)


def test_gaps_do_not_bias():
    rng = np.random.default_rng(7)
    edges = exponential_edges(rng, 60, 800, 1.0, 10.0) + rng.normal(0, 0.5, (60, 800))
    edges[rng.random(edges.shape) < 0.1] = np.nan
    edges[:, 300:330] = np.nan
    result = line_edge_roughness(edges, 1.0, detrend=0).values
    assert result["Rq_endless"].value == pytest.approx(1.0, rel=0.05)
    assert result["noise"].value == pytest.approx(0.5, rel=0.05)


def test_scale_mirror_and_pixel_size():
    rng = np.random.default_rng(8)
    edge = exponential_edges(rng, 4, 600, 1.0, 10.0) + rng.normal(0, 0.4, (4, 600))
    plain = line_edge_roughness(edge, 1.0).values
    mirrored = line_edge_roughness(edge[:, ::-1] + 7.0, 1.0).values
    larger = line_edge_roughness(2 * edge, 2.0, spacing_u_rel=0.02).values
    for name, item in plain.items():
        # the search ends within 1e-4 of the best fit
        assert mirrored[name].value == pytest.approx(item.value, rel=2e-3), name
        power = 0 if name == "exponent" else 1
        assert larger[name].value == pytest.approx(2**power * item.value, rel=2e-3), name
    assert larger["Rq_unbiased"].budget["pixel size"] == pytest.approx(
        0.02 * larger["Rq_unbiased"].value
    )


def test_doubts_are_said():
    rng = np.random.default_rng(9)
    short = exponential_edges(rng, 1, 200, 1.0, 400.0)
    note = line_edge_roughness(short, 1.0).values["Rq_endless"].note
    assert note == "edge is shorter than 5 correlation lengths" or "told apart" in note
    noise = line_edge_roughness(rng.normal(size=(1, 500)), 1.0).values
    assert noise["Rq_unbiased"].note
    # a share that cannot be known does not come out as a certain number
    item = noise["Rq_endless"]
    assert item.u > 0.2 * item.value or "told apart" in item.note


@pytest.mark.parametrize(
    ("edge", "step", "match"),
    [
        (np.zeros(500), 1.0, "constant"),
        (np.arange(20.0), 1.0, "points"),
        (np.full(500, np.nan), 1.0, "0 %"),
        (np.random.default_rng(0).normal(size=500), 0.0, "spacing"),
        (np.where(np.arange(500) < 300, np.nan, np.arange(500.0) % 7), 1.0, "40 %"),
    ],
)
def test_useless_edge_is_an_error(edge, step, match):
    with pytest.raises(MeasurementError, match=match):
        line_edge_roughness(edge, step)
    with pytest.raises(MeasurementError, match="order"):
        line_edge_roughness(np.random.default_rng(0).normal(size=500), 1.0, detrend=5)
