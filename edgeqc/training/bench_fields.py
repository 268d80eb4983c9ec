"""The fields that all bench looks are made of: noise, profiles, cells and domes, in pixels.

A look is a height field; heights are relative, and the scene (``bench_faces``) sets the steepness
of every zone.
"""

from collections.abc import Callable
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Places = NDArray[np.float64]
Rng = np.random.Generator
OVERSAMPLING = 4  # entries per px of a profile that ``read_profile`` reads


class Ground(NamedTuple):
    """Rectangle that a look fills: rows (depth), columns (along the face), px size in µm."""

    rows: int
    cols: int
    pixel_um: float


class Relief(NamedTuple):
    """Drawn look: relative height, its strength (1 rough, 0 smooth), extra brightness."""

    height: Field
    strength: float = 1.0
    bright: Field | None = None


Look = Callable[[Rng, Ground], Relief]


def white_noise(rng: Rng, rows: int, cols: int) -> Field:
    """Independent normal values, (rows, cols)."""
    return rng.standard_normal((rows, cols), dtype=np.float32)


def unit(field: Field) -> Field:
    """Return the field with mean 0 and standard deviation 1 (as it is where it is flat)."""
    mean, sd = cv2.meanStdDev(field)
    return np.asarray((field - float(mean[0, 0])) / (float(sd[0, 0]) or 1.0), np.float32)


def smooth_noise(rng: Rng, rows: int, cols: int, scale: float, along: float = 0.0) -> Field:
    """Return unit noise, features ``scale`` px down the rows, ``along`` (0: same) px across."""
    along = along or scale
    if max(scale, along) < 5:
        sigmas = max(along / 2, 0.3), max(scale / 2, 0.3)
        field = white_noise(rng, rows, cols)
        return unit(np.asarray(cv2.GaussianBlur(field, (0, 0), sigmas[0], sigmaY=sigmas[1])))
    # Wide features need few px: drawn at eight px a feature, they are then only enlarged.
    by = max(scale / 8, 1.0), max(along / 8, 1.0)
    if max(by) > 1.5:
        few = int(rows / by[0]) + 3, int(cols / by[1]) + 3
        small = smooth_noise(rng, *few, scale=scale / by[0], along=along / by[1])
        size = int(few[1] * by[1]), int(few[0] * by[0])
        large = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
        return unit(np.ascontiguousarray(large[:rows, :cols]))
    # A coarse grid drawn large costs a tenth of a wide blur; the cut hides where the grid lies.
    few = int(rows / max(scale, 1)) + 4, int(cols / max(along, 1)) + 4
    size = int(few[1] * max(along, 1)) + 1, int(few[0] * max(scale, 1)) + 1
    large = cv2.resize(white_noise(rng, *few), size, interpolation=cv2.INTER_CUBIC)
    top, left = (size[1] - rows) // 2, (size[0] - cols) // 2
    return unit(np.ascontiguousarray(large[top : top + rows, left : left + cols]))


def fractal(rng: Rng, rows: int, cols: int, scale: float, persistence: float = 0.5) -> Field:
    """Return unit noise of octaves from ``scale`` to 2 px, each ``persistence`` as high."""
    total = np.zeros((rows, cols), np.float32)
    height = 1.0
    while scale > 1.8:
        total += height * smooth_noise(rng, rows, cols, scale)
        scale, height = scale / 2.1, height * persistence
    return unit(total)


def blurred(field: Field, sigma: float) -> Field:
    """Return the field blurred; wide blurs on a coarse copy, where they are cheap."""
    if sigma < 5:
        return np.asarray(cv2.GaussianBlur(field, (0, 0), sigma), np.float32)
    step = sigma / 2.5
    rows, cols = field.shape
    few = max(int(cols / step), 2), max(int(rows / step), 2)
    coarse = cv2.GaussianBlur(cv2.resize(field, few, interpolation=cv2.INTER_AREA), (0, 0), 2.5)
    return np.asarray(cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def ramp(field: Field, low: float, high: float) -> Field:
    """0 below ``low``, 1 above ``high``, smooth between."""
    part = np.clip((field - low) / (high - low), 0, 1, dtype=np.float32)
    return np.asarray(part * part * (3 - 2 * part), np.float32)


def grid(rows: int, cols: int) -> tuple[Field, Field]:
    """Row and column of every px from the middle, shapes (rows, 1) and (1, cols)."""
    down = np.arange(rows, dtype=np.float32)[:, None] - rows / 2
    return down, np.arange(cols, dtype=np.float32)[None, :] - cols / 2


def read_profile(profile: Field, place: Field) -> Field:
    """Values of a profile (``OVERSAMPLING`` entries a px, middle entry at 0) at places in px."""
    at = (place * OVERSAMPLING).astype(np.int32) + profile.size // 2
    return np.asarray(profile.take(at, mode="clip"), np.float32)


def turned(ground: Ground, angle_deg: float, make: Callable[[int, int], Field]) -> Field:
    """Return a field made on a turned raster: its rows run ``angle_deg`` from the column axis."""
    angle = np.deg2rad(angle_deg)
    cos, sin = abs(np.cos(angle)), abs(np.sin(angle))
    cols = int(ground.cols * cos + ground.rows * sin) + 3
    rows = int(ground.cols * sin + ground.rows * cos) + 3
    field = make(rows, cols)
    matrix = cv2.getRotationMatrix2D((cols / 2, rows / 2), -angle_deg, 1.0)
    shift = np.array([[ground.cols - cols], [ground.rows - rows]]) / 2
    matrix = np.hstack([matrix[:, :2], matrix[:, 2:] + shift])
    size = ground.cols, ground.rows
    return np.asarray(
        cv2.warpAffine(field, matrix, size, borderMode=cv2.BORDER_REFLECT), np.float32
    )


def splat(places: Places, amounts: Places, shape: tuple[int, int]) -> Field:
    """Amounts laid on a raster at places (row, col), shared out between the four px around."""
    rows, cols = shape
    corner = np.floor(places).astype(np.int64)
    part = places - corner
    total = np.zeros(rows * cols)
    for down in (0, 1):
        for right in (0, 1):
            at = corner + np.array([down, right])
            share = np.abs(1 - down - part[:, 0]) * np.abs(1 - right - part[:, 1]) * amounts
            inside = ((at >= 0) & (at < shape)).all(axis=1)
            flat = at[inside, 0] * cols + at[inside, 1]
            total += np.bincount(flat, share[inside], minlength=rows * cols)
    return total.reshape(shape).astype(np.float32)


def cells(rng: Rng, rows: int, cols: int, pitch: float) -> tuple[Field, NDArray[np.int32], int]:
    """Distance to the nearest of seeds strewn ``pitch`` px apart, the seed's number, the count."""
    count = max(int(rows * cols / pitch**2), 2)
    seeds = np.ones((rows, cols), np.uint8)
    seeds[rng.integers(0, rows, count), rng.integers(0, cols, count)] = 0
    distance, number = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    return distance.astype(np.float32), number.astype(np.int32), count + 1


def domes(rng: Rng, rows: int, cols: int, pitch: float, spread: float = 0.5) -> Field:
    """Spherical caps of unequal radius on strewn seeds, height in px, 0 between them."""
    square = np.zeros((rows, cols), np.float32)
    # Caps of one radius meet where their cells do, so one distance map serves each radius; cells
    # of unequal caps would cut the large ones to polygons.
    for radius in 0.42 * pitch * rng.lognormal(0, spread, 4):
        count = max(int(0.3 * rows * cols / max(radius / 0.42, 2) ** 2), 1)
        seeds = np.ones((rows, cols), np.uint8)
        seeds[rng.integers(0, rows, count), rng.integers(0, cols, count)] = 0
        distance = cv2.distanceTransform(seeds, cv2.DIST_L2, 5)
        np.maximum(square, radius * radius - distance * distance, out=square)
    return np.sqrt(square)
