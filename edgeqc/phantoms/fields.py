"""Random fields and cell patterns that the reliefs are made of."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]


@dataclass(frozen=True)
class Patch:
    """A rectangle of the picture with the face's own coordinates at every pixel.

    Parameters
    ----------
    s_um, w_um : (rows, cols) float32 arrays
        Position along the face and across it, in µm on the face itself.
    pixel_um : float
        Pixel size in the picture plane.
    angle_deg : float
        Direction of the face's length in the picture.
    cos_tilt : float
        Foreshortening across the face.
    """

    s_um: Plane
    w_um: Plane
    pixel_um: float
    angle_deg: float = 0.0
    cos_tilt: float = 1.0

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.s_um.shape[0], self.s_um.shape[1]

    def turned(self, angle_deg: float) -> tuple[Plane, Plane]:
        """Return the coordinates along and across a lay at an angle to the face's length."""
        angle = math.radians(angle_deg)
        c, s = np.float32(math.cos(angle)), np.float32(math.sin(angle))
        return c * self.s_um + s * self.w_um, c * self.w_um - s * self.s_um


def _f32(plane: Any) -> Plane:
    return np.asarray(plane, np.float32)


def standardised(plane: Plane) -> Plane:
    """Return the plane with mean 0 and standard deviation 1 (as is where it is constant)."""
    mean, sd = cv2.meanStdDev(plane)
    scale = 1.0 / max(float(sd[0, 0]), 1e-12)
    return np.asarray((plane - np.float32(mean[0, 0])) * np.float32(scale), np.float32)


def anisotropic_noise(
    patch: Patch,
    rng: np.random.Generator,
    *,
    length_um: float,
    exponent: float = 0.8,
    angle_deg: float = 0.0,
    anisotropy: float = 1.0,
) -> Plane:
    """Return a Gaussian random field with mean 0 and standard deviation 1.

    Parameters
    ----------
    patch : Patch
        Where it is wanted.
    rng : numpy.random.Generator
        Source of randomness.
    length_um : float
        Correlation length across the lay.
    exponent : float
        Roughness exponent: the spectrum falls as f^-(2 + 2·exponent).
    angle_deg, anisotropy : float
        Direction of the lay from the face's length, and how much longer the field is along it.
    """
    rows, cols = patch.shape
    big = (scipy.fft.next_fast_len(rows, True), scipy.fft.next_fast_len(cols, True))
    f_row = scipy.fft.fftfreq(big[0], patch.pixel_um).astype(np.float32)[:, None]
    f_col = scipy.fft.rfftfreq(big[1], patch.pixel_um).astype(np.float32)[None, :]
    # from picture to face: undo the rotation, then the foreshortening across the face
    turn = math.radians(patch.angle_deg)
    f_s = math.sin(turn) * f_row + math.cos(turn) * f_col
    f_w = (math.cos(turn) * f_row - math.sin(turn) * f_col) * patch.cos_tilt
    lay = math.radians(angle_deg)
    f_along = math.cos(lay) * f_s + math.sin(lay) * f_w
    f_across = math.cos(lay) * f_w - math.sin(lay) * f_s
    root = math.sqrt(anisotropy)
    k = (2 * math.pi * length_um) ** 2
    power = 1 + k * ((f_along * root) ** 2 + (f_across / root) ** 2) * np.float32(1.0)
    gain = np.exp(np.float32(-(1 + exponent) / 2) * np.log(power)).astype(np.float32)
    gain[0, 0] = 0
    white = rng.standard_normal((2, *gain.shape), dtype=np.float32)
    field = scipy.fft.irfft2((white[0] + 1j * white[1]) * gain, s=big, overwrite_x=True)
    return standardised(np.ascontiguousarray(field[:rows, :cols]))


def slow_noise(
    shape: tuple[int, int], rng: np.random.Generator, length_px: float
) -> Plane:
    """Return a smooth random field (mean 0, standard deviation 1) of a given scale in pixels."""
    # eight samples a length: fewer, and slopes of the field show the coarse grid
    step = max(1.0, length_px / 8)
    small = (math.ceil(shape[0] / step) + 4, math.ceil(shape[1] / step) + 4)
    coarse = rng.standard_normal(small, dtype=np.float32)
    coarse = _f32(cv2.GaussianBlur(coarse, (0, 0), max(0.5, length_px / step / 2)))
    plane = cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return standardised(_f32(plane))


def correlated_line(
    n: int,
    spacing_um: float,
    rng: np.random.Generator,
    *,
    correlation_um: float,
    exponent: float,
) -> FloatArray:
    """Return a correlated random line with standard deviation 1 in the ensemble.

    Notes
    -----
    White noise filtered to PSD(f) proportional to 1/(1 + (2·pi·f·xi)²)^(a + 1/2), on a line
    four times as long as is kept, so that its two ends are independent.

    References
    ----------
    G. Palasantzas, Phys. Rev. B 48 (1993) 14472.
    """
    length = scipy.fft.next_fast_len(4 * n + 16, True)
    f = scipy.fft.rfftfreq(length, spacing_um)
    power = (1 + (2 * np.pi * f * correlation_um) ** 2) ** (-(exponent + 0.5))
    # both halves of the spectrum; f = 0 and, for even lengths, Nyquist count once
    weight = np.full(f.size, 2.0)
    weight[0] = 1.0
    if length % 2 == 0:
        weight[-1] = 1.0
    power /= (weight * power).sum()
    spectrum = scipy.fft.rfft(rng.standard_normal(length)) * np.sqrt(power * length)
    return np.asarray(scipy.fft.irfft(spectrum, length)[:n])


@dataclass(frozen=True)
class PointGrid:
    """Random points near the places of a unit lattice, as pixels see them.

    Parameters
    ----------
    along, across : (rows, cols) float32 arrays
        Pixel positions in cell sizes, from the grid's first point.
    base : (rows, cols) int32 array
        Flat number of the lattice place nearest to every pixel.
    point : (2, n) float32 array
        Positions (along, across) of the points.
    value : (3, n) float32 array
        Three uniform random numbers of every point.
    stride : int
        Points per row of the lattice.
    """

    along: Plane
    across: Plane
    base: NDArray[np.int32]
    point: NDArray[np.float32]
    value: NDArray[np.float32]
    stride: int

    def neighbours(self) -> Iterator[tuple[NDArray[np.int32], Plane, Plane]]:
        """Yield, for the nine places about every pixel, number and offset of their points."""
        for d_i in (-1, 0, 1):
            for d_j in (-1, 0, 1):
                index = self.base + np.int32(d_i * self.stride + d_j)
                yield index, self.along - self.point[0][index], self.across - self.point[1][index]


def point_grid(
    along: Plane,
    across: Plane,
    rng: np.random.Generator,
    *,
    jitter: float = 1.0,
    dropout: float = 0.0,
    stagger: float = 0.0,
) -> PointGrid:
    """Return the points of a jittered unit lattice.

    Parameters
    ----------
    along, across : (rows, cols) float32 arrays
        Coordinates in cell sizes.
    rng : numpy.random.Generator
        Source of randomness.
    jitter : float
        Standard deviation of the points' displacement, in cell sizes: 0 for a perfect lattice;
        from about 0.4 on the lattice is no longer seen.
    dropout : float
        Share of missing points.
    stagger : float
        Shift of every other row, in cell sizes.
    """
    low_i, low_j = math.floor(float(across.min())) - 2, math.floor(float(along.min())) - 3
    size_i = math.ceil(float(across.max())) + 3 - low_i
    size_j = math.ceil(float(along.max())) + 4 - low_j
    point = np.clip(rng.standard_normal((2, size_i, size_j), dtype=np.float32) * jitter, -1, 1)
    point[0] += np.float32(stagger) * (np.arange(size_i, dtype=np.float32) % 2)[:, None]
    value = rng.random((3, size_i * size_j), dtype=np.float32)
    if dropout > 0:
        point[:, rng.random((size_i, size_j)) < dropout] += 50.0
    point[0] += np.arange(size_j, dtype=np.float32)[None, :]
    point[1] += np.arange(size_i, dtype=np.float32)[:, None]
    along, across = along - np.float32(low_j), across - np.float32(low_i)
    base_i = np.clip(np.rint(across), 1, size_i - 2).astype(np.int32)
    base_j = np.clip(np.rint(along - np.float32(stagger / 2)), 1, size_j - 2).astype(np.int32)
    base = base_i * np.int32(size_j) + base_j
    return PointGrid(along, across, base, point.reshape(2, -1), value, size_j)


@dataclass(frozen=True)
class Cells:
    """Nearest random points of every pixel.

    Parameters
    ----------
    nearest, second : (rows, cols) float32 arrays
        Distance to the nearest and second nearest point, in cell sizes.
    value : (3, rows, cols) float32 array
        Three uniform random numbers of the nearest point's cell.
    offset : (2, rows, cols) float32 array
        Vector from the nearest point, in cell sizes (along, across).
    """

    nearest: Plane
    second: Plane
    value: NDArray[np.float32]
    offset: NDArray[np.float32]


def cells(grid: PointGrid) -> Cells:
    """Return the nearest points of every pixel."""
    first = np.full(grid.along.shape, 1e6, np.float32)
    second = first.copy()
    best = np.zeros(grid.along.shape, np.int32)
    for index, d_along, d_across in grid.neighbours():
        distance = d_along * d_along + d_across * d_across
        np.minimum(second, np.maximum(first, distance), out=second)
        np.copyto(best, index, where=distance < first)
        np.minimum(first, distance, out=first)
    offset = np.stack([grid.along - grid.point[0][best], grid.across - grid.point[1][best]])
    np.clip(offset, -2, 2, out=offset)
    return Cells(
        np.sqrt(np.minimum(first, 4.0)), np.sqrt(np.minimum(second, 9.0)), grid.value[:, best],
        offset,
    )
