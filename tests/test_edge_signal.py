"""An edge's own mean square, freed of noise: against edges whose noise is known point by point."""

import math

import numpy as np
import pytest
from test_edge_reading import LENGTH, drawn, wave

from edgeqc.measure.edge_contour import EdgeContourSettings
from edgeqc.measure.edge_reading import EdgeReadingSettings, read_edge
from edgeqc.measure.edge_signal import EdgeSignal
from edgeqc.measure.edge_spectrum import ExpectedPeriodogram, edge_spectral_density
from edgeqc.measure.line_edge import line_edge_roughness

N, SIGMA, LENGTH_STEPS, EXPONENT, NOISE = 1200, 1.0, 12.0, 0.8, 0.9
GRAIN = (0.3, -0.15)


def edges(rng, lines, n=N):
    """Edges of the model's spectrum by their own random amplitudes, on eight times the length."""
    size = 8 * n
    density = edge_spectral_density(np.fft.rfftfreq(size), SIGMA, LENGTH_STEPS, EXPONENT)
    white = np.fft.rfft(rng.standard_normal((lines, size)), axis=1)
    made = np.fft.irfft(white * np.sqrt(density), size, axis=1)[:, :n]
    return made - made.mean(axis=1, keepdims=True)


def grainy(rng, shape):
    """Noise of unit size with the correlations of GRAIN: a moving mean solved for them."""
    size = 4 * shape[1]
    angle = 2 * np.pi * np.fft.rfftfreq(size)
    power = 1 + 2 * GRAIN[0] * np.cos(angle) + 2 * GRAIN[1] * np.cos(2 * angle)
    white = np.fft.rfft(rng.standard_normal((shape[0], size)), axis=1)
    return np.fft.irfft(white * np.sqrt(power), size, axis=1)[:, : shape[1]]


def test_the_mean_square_is_right_and_its_doubt_is_the_scatter():
    rng = np.random.default_rng(1)
    true = edges(rng, 300)
    seen = true + NOISE * rng.standard_normal(true.shape)
    off, by_squares, stated = [], [], []
    for line, own in zip(seen, true, strict=True):
        signal = EdgeSignal(line[None], np.ones((1, N), bool), 1.0, ())
        mean, variance = signal.square_um2((SIGMA, LENGTH_STEPS, EXPONENT, NOISE))
        off.append(mean - np.mean(own**2))
        by_squares.append(np.mean(line**2) - NOISE**2 - np.mean(own**2))
        stated.append(variance)
    assert abs(np.mean(off)) < 0.01
    assert np.std(off) == pytest.approx(math.sqrt(np.mean(stated)), rel=0.1)
    assert np.std(off) < 0.9 * np.std(by_squares)


def test_without_noise_it_is_what_was_seen_gaps_included():
    rng = np.random.default_rng(2)
    true = edges(rng, 2)
    valid = np.ones(true.shape, bool)
    valid[:, 300:420] = False
    signal = EdgeSignal(np.where(valid, true, np.nan), valid, 0.5, ())
    mean, variance = signal.square_um2((SIGMA, 0.5 * LENGTH_STEPS, EXPONENT, 1e-6))
    each = [np.mean(line[known] ** 2) for line, known in zip(true, valid, strict=True)]
    assert mean == pytest.approx(np.mean(each), rel=1e-6)
    assert variance < 1e-9


def test_noise_that_goes_on_from_point_to_point_has_its_own_floor():
    rng = np.random.default_rng(3)
    noise = grainy(rng, (400, 512))
    windows = np.ones(noise.shape)
    expected = ExpectedPeriodogram(windows, 0.25, GRAIN)
    seen = np.mean(np.abs(np.fft.rfft(noise, axis=1)) ** 2, axis=0) * 0.25 / 512
    assert np.mean(seen / expected.noise_of_unit) == pytest.approx(1, abs=0.02)
    np.testing.assert_allclose(seen, expected.noise_of_unit, rtol=0.35)
    white = ExpectedPeriodogram(windows, 0.25)
    np.testing.assert_allclose(white.noise_of_unit, 0.25, rtol=1e-12)


def test_grainy_noise_is_taken_out_where_its_grain_is_known():
    rng = np.random.default_rng(4)
    true = edges(rng, 40)
    seen = true + NOISE * grainy(rng, true.shape)
    truth = math.sqrt(np.mean(true**2))
    given = {"detrend": 0, "noise_um": (NOISE, 0.1)}
    told = line_edge_roughness(seen, 1.0, noise_correlation=GRAIN, **given).values
    blind = line_edge_roughness(seen, 1.0, **given).values
    assert told["Rq_biased"].value > 1.2 * truth
    assert told["Rq_unbiased"].value == pytest.approx(truth, rel=0.01)
    assert abs(blind["Rq_unbiased"].value / truth - 1) > 0.02
    assert told["noise"].value == pytest.approx(NOISE, rel=0.02)


def test_single_edges_are_within_five_per_cent_where_noise_adds_a_third():
    rng = np.random.default_rng(5)
    true = edges(rng, 60)
    seen = true + NOISE * rng.standard_normal(true.shape)
    off = []
    for line, own in zip(seen, true, strict=True):
        value = line_edge_roughness(line, 1.0, detrend=0, noise_um=(NOISE, 0.05)).values
        truth = math.sqrt(np.mean(own**2))
        assert value["Rq_biased"].value > 1.15 * truth
        off.append(value["Rq_unbiased"].value / truth - 1)
    assert abs(np.mean(off)) < 0.01
    assert np.percentile(np.abs(off), 90) < 0.05


def test_readings_between_the_pixels_tell_how_their_noise_goes_on():
    assert EdgeContourSettings().reading == EdgeReadingSettings()
    line = wave(0.4)
    form = np.stack([np.full(LENGTH, 40.0), np.arange(float(LENGTH))], axis=1)
    form[1:-1, 1] += 0.5
    normal = np.tile([-1.0, 0.0], (LENGTH, 1))
    found = [
        read_edge(drawn(line, 0.1, np.random.default_rng(k)), form, normal, line,
                  settings=EdgeReadingSettings())
        for k in range(12)
    ]
    offset = np.stack([reading.offset_px for reading in found])[:, 2:-2]
    rest = offset - offset.mean(axis=0)
    square = np.mean(rest**2)
    lags = [np.mean(rest[:, k:] * rest[:, :-k]) / square for k in (1, 2)]
    assert lags[0] > 0.2  # neighbours share pixels
    stated = np.mean([reading.noise_correlation for reading in found], axis=0)
    np.testing.assert_allclose(stated[:2], lags, atol=0.03)
    real = math.sqrt(np.mean(np.var(offset, axis=0, ddof=1)))
    assert np.mean([reading.noise_px for reading in found]) == pytest.approx(real, rel=0.05)
