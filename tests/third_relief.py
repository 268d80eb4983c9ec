"""Random relief, cells and directions from which ``third_textures.py`` builds its surfaces."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d


@dataclass(frozen=True)
class Sheet:
    """Upright canvas: s along the face and t across it, in pixels, float32 (rows, cols)."""

    s: np.ndarray
    t: np.ndarray
    pixel_um: float

    def px(self, um, least=0.7):
        """Return a length in pixels."""
        return max(um / self.pixel_um, least)

    def along(self, angle_deg):
        """Return coordinates along and across a direction (0 = along the face)."""
        c, d = float(np.cos(np.radians(angle_deg))), float(np.sin(np.radians(angle_deg)))
        return self.s * c + self.t * d, self.t * c - self.s * d


def log_uniform(rng, low, high):
    """Return a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def waves(rng, u, v, size, octaves=1, gain=0.55):
    """Return smooth random relief over coordinates u, v; size = (along u, along v) in pixels."""
    total = np.zeros(u.shape, np.float32)
    u, v = np.asarray(u, np.float32), np.asarray(v, np.float32)
    for k in range(octaves):
        lattice = np.pad(rng.standard_normal((256, 256), np.float32), 2, "wrap")
        scale = [float(max(each / 2**k, 0.5)) for each in size]
        shift = rng.uniform(0, 200, 2)
        if size[0] == size[1]:  # turned anew, or the lattice shows
            c, d = float(np.cos(shift[0])), float(np.sin(shift[0]))
            u, v = u * c + v * d, v * c - u * d
        at = [
            np.mod(w / e + float(d), 256) + 2 for w, e, d in zip((u, v), scale, shift, strict=True)
        ]
        total += gain**k * cv2.remap(lattice, *at, cv2.INTER_CUBIC)
    return total


def grain(rng, shape, sigma):
    """Return fine grain of unit deviation, correlated over sigma pixels alike in all directions."""
    field = cv2.GaussianBlur(rng.standard_normal(shape, np.float32), (0, 0), sigma)
    return field / float(field.std())


def line_waves(rng, count, size, octaves=3):
    """Return a random profile of unit deviation, `count` samples, correlated over `size`."""
    total = np.zeros(count)
    for k in range(octaves):
        part = gaussian_filter1d(rng.normal(size=count), max(size / 2**k, 0.6), mode="reflect")
        total += 0.5**k * part / (part.std() + 1e-9)
    return (total - total.mean()) / (total.std() + 1e-9)


def soft(field, sigma):
    """Return the field blurred by a Gaussian; wide ones on a coarser raster."""
    if sigma < 6:
        return cv2.GaussianBlur(field, (0, 0), sigma)
    step = int(sigma / 3)
    small = cv2.resize(field, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return cv2.resize(small, field.shape[::-1], interpolation=cv2.INTER_LINEAR)


def cells(shape, points):
    """Return every pixel's nearest point: distance, its two parts, and the point's number."""
    points = points[((points >= 0) & (points < np.array(shape) - 1)).all(axis=1)]
    at = np.round(points).astype(int)
    seeds = np.ones(shape, np.uint8)
    seeds[at[:, 0], at[:, 1]] = 0
    _, names = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    number = np.zeros(names.max() + 1, np.int32)
    number[names[at[:, 0], at[:, 1]]] = np.arange(len(points))
    nearest = number[names]
    points = points.astype(np.float32)
    row = np.arange(shape[0], dtype=np.float32)[:, None] - points[nearest, 0]
    col = np.arange(shape[1], dtype=np.float32)[None, :] - points[nearest, 1]
    return np.hypot(row, col), row, col, nearest


def scattered(rng, shape, spacing):
    """Return points at random with about the given spacing and no lattice."""
    count = max(8, int(shape[0] * shape[1] / spacing**2))
    return rng.uniform(0, 1, (count, 2)) * np.array(shape)


def walls(shape, points):
    """Return the distance to the borders of the points' cells, and the cells' numbers."""
    nearest = cells(shape, points)[3]
    edge = np.ones(shape, np.uint8)
    edge[:, 1:][nearest[:, 1:] != nearest[:, :-1]] = 0
    edge[1:][nearest[1:] != nearest[:-1]] = 0
    return cv2.distanceTransform(edge, cv2.DIST_L2, 3), nearest


def laid(sheet, angle_deg, stretch, make):
    """Return relief made on its own raster, stretched along a direction and laid on the sheet."""
    u, v = sheet.along(angle_deg)
    low_u, low_v = float(u.min()), float(v.min())
    shape = (int(v.max() - low_v) + 3, int((u.max() - low_u) / stretch) + 3)
    tile = make(shape).astype(np.float32)
    u, v = ((u - low_u) / stretch).astype(np.float32), (v - low_v).astype(np.float32)
    return cv2.remap(tile, u, v, cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REFLECT)  # fmt: skip
