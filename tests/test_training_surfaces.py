"""What the surface model learns from: lens surfaces beside faces, and zones as if left out."""

import numpy as np
import pytest

pytest.importorskip("torch")

from edgeqc.training.surfaces import _of_phantoms, _of_scenes, _rows


def test_a_surface_and_each_zone_of_a_face_are_asked_about():
    rng = np.random.default_rng(3)
    scene, zones = np.zeros((300, 400), np.uint8), np.zeros((300, 400), np.uint8)
    scene[60:120, 50:350], scene[120:240, 50:350] = 1, 2
    zones[120:195], zones[195:240] = 1, 2
    pixels = np.asarray(0.4 + 0.05 * rng.standard_normal(scene.shape), np.float32)
    found = list(_rows(pixels, scene, zones, range(1, 4)))
    # the surface; the laser zone, less than twice as large as the rest, and the residual
    assert [belongs for belongs, _ in found] == [False, True, True]
    assert {values.shape for _, values in found} == {(37,)}


def test_a_surface_apart_from_the_face_is_not_asked_about():
    rng = np.random.default_rng(4)
    scene, zones = np.zeros((300, 400), np.uint8), np.ones((300, 400), np.uint8)
    scene[20:80, 50:350], scene[120:240, 50:350] = 1, 2
    pixels = np.asarray(0.4 + 0.05 * rng.standard_normal(scene.shape), np.float32)
    assert list(_rows(pixels, scene, zones, range(1, 4))) == []


def test_scenes_and_phantoms_give_both_kinds():
    found = list(_of_scenes(np.random.default_rng(5)))
    for seed in range(3):
        found += _of_phantoms(np.random.default_rng(seed))
    assert {belongs for belongs, _ in found} == {False, True}
    assert all(np.isfinite(values).all() for _, values in found)
