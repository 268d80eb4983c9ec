import cv2
import numpy as np
import pytest

from edgeqc.imaging.area_means import shrunk_together


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 7])
@pytest.mark.parametrize("size", [(41, 17), (160, 64), (100, 50), (300, 17), (320, 17)])
def test_planes_shrunk_together_are_the_same_as_one_by_one(count, size):
    rng = np.random.default_rng(count)
    planes = [rng.normal(size=(200, 320)).astype(np.float32) for _ in range(count)]
    found = shrunk_together(planes, size)
    assert len(found) == count
    for plane, small in zip(planes, found, strict=True):
        assert np.array_equal(small, cv2.resize(plane, size, interpolation=cv2.INTER_AREA))


def test_the_mean_is_kept():
    plane = np.random.default_rng(0).random((90, 77)).astype(np.float32)
    first, _ = shrunk_together([plane, plane], (13, 11))
    assert float(first.mean(dtype=float)) == pytest.approx(float(plane.mean(dtype=float)), rel=1e-5)
