"""The window through which a zone's spectrum is taken: its mask with a soft rim."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]


def softened(mask: NDArray[np.bool_]) -> Plane:
    """Return a zone's mask as a window that falls to zero towards its rim.

    Parameters
    ----------
    mask : (rows, cols) bool array
        The zone.
    """
    solid = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8),
                      borderType=cv2.BORDER_CONSTANT, borderValue=0.0)
    width = math.sqrt(float(np.count_nonzero(mask)))
    sigma = max(2.0, min(width / 48, 12.0))
    near = np.pad(solid.astype(np.float32), 1)  # the crop's own rim is softened too
    # 1/2 at the rim: what lies within it, from 0 to 1
    inner = 2 * _smoothed(near, sigma)[1:-1, 1:-1] - 1
    np.clip(inner, 0, 1, out=inner)
    inner *= solid
    return np.asarray(inner, np.float32)


def _smoothed(plane: Plane, sigma: float) -> Plane:
    """Return a plane smoothed, dark beyond its rim; widely on a grid no finer than that needs."""
    factor = max(1, int(sigma / 4))
    size = tuple(math.ceil(length / factor) for length in plane.shape)
    whole = np.zeros((size[0] * factor, size[1] * factor), np.float32)
    whole[: plane.shape[0], : plane.shape[1]] = plane
    coarse = cv2.resize(whole, size[::-1], interpolation=cv2.INTER_AREA)
    coarse = cv2.GaussianBlur(coarse, (0, 0), sigma / factor, borderType=cv2.BORDER_CONSTANT)
    fine = cv2.resize(coarse, whole.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[: plane.shape[0], : plane.shape[1]], np.float32)


def second_moments(soft: Plane) -> FloatArray:
    """Return the second moments (2, 2) of a window about its middle, in square pixels."""
    rows, cols = soft.shape
    by_row, by_col = soft.sum(axis=1, dtype=float), soft.sum(axis=0, dtype=float)
    total = float(by_row.sum())
    r, c = np.arange(rows, dtype=float), np.arange(cols, dtype=float)
    r, c = r - (by_row @ r) / total, c - (by_col @ c) / total
    mixed = float(r @ (soft @ c.astype(np.float32)).astype(float)) / total
    both = np.array([[by_row @ r**2 / total, mixed], [mixed, by_col @ c**2 / total]])
    return np.asarray(both + np.eye(2) / 12)
