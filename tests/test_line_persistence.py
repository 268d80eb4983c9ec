"""How far lines run on: known textures, and the correlation that theory gives."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from edgeqc.zoning.persistence import LAGS, N_PERSISTENCE, line_persistence, window_of

SIZE, COUNT = 64, 24


def patches_of(plane):
    """Patches side by side, as the region model takes them."""
    count = plane.shape[1] // SIZE
    found = np.stack([plane[:SIZE, k * SIZE : (k + 1) * SIZE] for k in range(count)])
    found = found - found.mean(axis=(1, 2), keepdims=True)
    return (found * window_of(SIZE)).astype(np.float32)


def grating(rng, wander):
    """Lines along the patches' rows, whose places wander from column to column."""
    profile = np.convolve(rng.standard_normal(SIZE + 240), np.hanning(7), "same")
    shift = np.cumsum(rng.standard_normal(COUNT * SIZE)) * wander
    row = np.arange(SIZE)[:, None] + 120 + shift - shift.mean()
    return np.interp(row.clip(0, profile.size - 1), np.arange(profile.size), profile)


def named(values):
    together = values[0 : 3 * len(LAGS) : 3]
    return together, values[3 * len(LAGS) :]


def test_straight_lines_run_on_and_keep_their_direction():
    found = line_persistence(patches_of(grating(np.random.default_rng(0), 0.0)))
    assert found.shape == (N_PERSISTENCE,)
    together, directions = named(found)
    assert (together > 0.95).all()
    assert_allclose(directions, 1, atol=1e-6)


def test_wandering_lines_fade_with_distance():
    together, _ = named(line_persistence(patches_of(grating(np.random.default_rng(0), 1.0))))
    assert together[0] > together[2] > together[4]
    assert together[4] < 0.6


def test_noise_has_no_direction_that_its_patches_share():
    plane = np.random.default_rng(1).standard_normal((SIZE, COUNT * SIZE))
    assert named(line_persistence(patches_of(plane)))[1][2:].max() < 0.6


@pytest.mark.parametrize("sigma", [3.0, 6.0])
def test_a_gaussian_field_has_the_correlation_of_theory(sigma):
    """exp(-lag² / 4 sigma²): white noise under a Gaussian filter (Wiener-Khinchin theorem)."""
    rng = np.random.default_rng(2)
    field = gaussian_filter(rng.standard_normal((SIZE, 300 * SIZE)), sigma, mode="wrap")
    found = patches_of(field)
    mean_over_directions = named(line_persistence(found))[0] - line_persistence(found)[2:15:3]
    expected = np.exp(-(np.array(LAGS) ** 2 - 1.5**2) / (4 * sigma**2))
    near = np.array(LAGS) <= 2 * sigma
    # each patch's own mean was taken off, which takes the field's slow part with it
    assert_allclose(mean_over_directions[near], expected[near], atol=0.12)


def test_gain_and_polarity_do_not_matter():
    found = patches_of(grating(np.random.default_rng(3), 0.3))
    assert_allclose(line_persistence(-3 * found), line_persistence(found), rtol=1e-4, atol=1e-5)


def test_smaller_patches_are_read_at_shorter_lags():
    found = patches_of(grating(np.random.default_rng(4), 0.0))
    small = found[:, :32, :32] / np.maximum(window_of(SIZE)[:32, :32], 1e-3)
    small = (small - small.mean(axis=(1, 2), keepdims=True)) * window_of(32)
    together, _ = named(line_persistence(small.astype(np.float32)))
    assert (together > 0.9).all()
