"""How far places stand out of a face's texture, and how steep grey levels are."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.imaging.area_means import shrunk_together
from edgeqc.order_statistics import median

Plane = NDArray[np.float32]


def slope_of(pixels: Plane) -> Plane:
    """Return the size of the gradient of the slightly smoothed grey levels."""
    smooth = cv2.GaussianBlur(pixels, (0, 0), 1.0)
    rows, cols = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((0, 1), (1, 0)))
    return np.asarray(cv2.magnitude(rows, cols) / 8, np.float32)


def debris_views(
    pixels: Plane, on_face: NDArray[np.bool_], scales_px: tuple[float, ...]
) -> list[tuple[Plane, Plane]]:
    """Return what stands out of a face's texture, at every scale.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    on_face : (rows, cols) bool array
        Pixels of the face.
    scales_px : tuple of float
        Standard deviations of the smoothing.

    Returns
    -------
    list of two (rows, cols) float32 arrays
        Difference of the smoothed grey level from its surroundings over the local spread of such
        differences, without sign; and the difference itself.
    """
    share = on_face.astype(np.float32)
    grey = np.asarray(pixels * share, np.float32)
    return [_height(grey, share, scale) for scale in scales_px]


def _height(grey: Plane, share: Plane, scale: float) -> tuple[Plane, Plane]:
    """Difference from the surroundings at a scale, over the texture's local spread and itself.

    ``share`` is 1 on the face and 0 beside it, where ``grey`` is 0 too.
    """
    none = np.zeros(grey.shape, np.float32)
    # smoothing by s needs no finer raster than s/1.5
    reduction = max(1, int(scale / 1.5))
    size = (grey.shape[1] // reduction, grey.shape[0] // reduction)
    if min(size) < 8:
        return none, none
    mask, small = shrunk_together((share, grey), size)
    s = scale / reduction
    near = _over_mask(small, mask, s, 0.05)
    wide = _over_mask(small, mask, 6 * s + 8, 0.02)
    rest = near - wide
    inside = mask > 0.5
    if not inside.any():
        return none, none
    on_face = rest.ravel()[np.flatnonzero(inside)]
    spread = 1.4826 * median(np.abs(on_face - np.float32(median(on_face))))
    # what stands out must not raise its own yardstick
    square = np.minimum(rest * rest, 9 * spread * spread) * mask
    local = np.sqrt(_over_mask(square, mask, 40, 0.02))
    yardstick = np.maximum(np.maximum(local, 0.7 * spread), 0.5 / 255)
    height = np.abs(rest) / yardstick * (mask > 0.3)
    whole = grey.shape[::-1]
    return (np.asarray(cv2.resize(np.asarray(height, np.float32), whole,
                                  interpolation=cv2.INTER_LINEAR), np.float32),
            np.asarray(cv2.resize(np.asarray(rest, np.float32), whole,
                                  interpolation=cv2.INTER_LINEAR), np.float32))


def _over_mask(plane: Plane, mask: Plane, sigma: float, least: float) -> Plane:
    """Return a plane smoothed over its mask smoothed, which counts as no less than ``least``."""
    above, below = _smooth((plane, mask), sigma)
    return np.asarray(above / np.maximum(below, least), np.float32)


def _smooth(planes: tuple[Plane, ...], sigma: float) -> list[Plane]:
    """Gaussian smoothing; wide ones on a coarser raster, which they cannot tell from this one."""
    factor = max(1, int(sigma / 4))
    rows, cols = planes[0].shape
    if factor == 1 or min(rows, cols) < 4 * factor:
        return [np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)
                for plane in planes]
    small = shrunk_together(planes, (cols // factor, rows // factor))
    blurred = [cv2.GaussianBlur(plane, (0, 0), sigma / factor) for plane in small]
    return [np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)
            for plane in blurred]
