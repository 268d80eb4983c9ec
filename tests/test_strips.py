"""What is worked out strip by strip is what the whole picture gives, to the bit."""

import numpy as np
import pytest

from edgeqc.faces import face_model
from edgeqc.imaging import edge_blur, noise
from edgeqc.order_statistics import median, row_medians
from edgeqc.zoning import texture
from edgeqc.zoning.contrast import contrast_partition
from edgeqc.zoning.partition import PartitionSettings, partition_face, partition_faces

WHOLE = 1 << 40


@pytest.fixture
def picture():
    rng = np.random.default_rng(5)
    plane = rng.normal(0.5, 0.08, (407, 203)).astype(np.float32)
    plane[150:260, 40:170] += 0.3  # edges to be sharp
    return np.clip(plane, 0, 1)


def in_strips(monkeypatch, module, name, size, function):
    """Return what a function gives with large strips and with small ones."""
    found = []
    for value in (WHOLE, size):
        monkeypatch.setattr(module, name, value)
        found.append(function())
    return found


def test_fine_power(monkeypatch, picture):
    whole, parts = in_strips(
        monkeypatch, face_model, "_STRIP_PIXELS", 1, lambda: face_model._fine_power(picture))
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("pool", [3.0, 5.2, 11.0, 16.0])
def test_texture_energies(monkeypatch, picture, pool):
    whole, parts = in_strips(
        monkeypatch, texture, "_STRIP_PIXELS", 1, lambda: texture._energies(picture, pool))
    for one, other in zip(whole, parts, strict=True):
        assert one.factor == other.factor
        np.testing.assert_array_equal(one.values, other.values)


def test_noise(monkeypatch, picture):
    valid = np.ones(picture.shape, bool)
    valid[300:310] = False
    whole, parts = in_strips(
        monkeypatch, noise, "_BAND_PX", noise._BLOCK_PX,
        lambda: noise.estimate_noise(picture, valid))
    assert whole == parts


def test_blur_of_edges(monkeypatch, picture):
    valid = np.ones(picture.shape, bool)
    whole, parts = in_strips(
        monkeypatch, edge_blur, "_STRIP_PIXELS", 1,
        lambda: edge_blur.blur_of_edges(picture, valid, 0.01))
    assert np.isfinite(whole)
    assert whole == parts


@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_median_is_that_of_numpy(size):
    values = np.random.default_rng(size).normal(size=size).astype(np.float32)
    assert median(values) == float(np.median(values))


@pytest.mark.parametrize("size", [1, 6, 333])
def test_medians_of_rows_are_those_of_numpy(size):
    values = np.random.default_rng(size).normal(size=(9, size)).astype(np.float32)
    np.testing.assert_array_equal(row_medians(values), np.median(values, axis=1))


def test_opinions_run_together_are_those_run_alone():
    rng = np.random.default_rng(7)
    opinions = [np.log(rng.dirichlet(np.ones(3), (20, 60))).transpose(2, 0, 1) for _ in range(3)]
    weight, settings = rng.random((20, 60)), PartitionSettings(n_draws=30)
    together = partition_faces(opinions, weight, settings)
    for opinion, found in zip(opinions, together, strict=True):
        alone = partition_face(opinion, weight, settings)
        np.testing.assert_allclose(found.state, alone.state, atol=1e-12)
        assert found.evidence == pytest.approx(alone.evidence, abs=1e-12)
        np.testing.assert_array_equal(found.draws, alone.draws)
        np.testing.assert_array_equal(found.draw_kinds, alone.draw_kinds)


def test_a_face_of_one_texture_has_no_contrast():
    rng = np.random.default_rng(8)
    planes = [rng.normal(size=(256, 320)).astype(np.float32) for _ in range(7)]
    assert contrast_partition(planes).separation < 0.1
