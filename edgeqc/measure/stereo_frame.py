"""Into the tilt frame and back: laying two pictures over each other, and heights over the ground.

In the tilt frame rows run along the tilt axis and the parallax runs along the columns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from edgeqc.measure.stereo_geometry import (
    ground_from_positions,
    height_from_positions,
    height_per_parallax,
    tilt_frame,
)
from edgeqc.measure.stereo_refine import Disparity, Plane, fill_gaps, grid_of, smooth
from edgeqc.quantity import BoolArray, FloatArray

ALIGN_PX = 160
"""Longer side of the pictures in which their common shift is found."""

MIN_OVERLAP = 0.3
"""Least share of the picture that both must have in common."""

_SIGMA_WINDOW_PX = 8.0


@dataclass(frozen=True)
class StereoFrame:
    """A pair in its tilt frame, cut to the common field.

    Parameters
    ----------
    grey : two (rows, cols) float32 arrays
        The pictures; gaps filled from their surroundings.
    usable : two (rows, cols) bool arrays
        Where they hold a field.
    matrix : (2, 2) float array
        Picture offset (row, col) in pixels = matrix @ tilt-frame offset (along, across) in pixels.
    origin_px : (2,) float array
        Picture position (row, col) of the first cut picture's pixel (0, 0).
    across_um : float
        Spacing across the axis in µm.
    picture_shape : (rows, cols)
        Shape of the pictures as given.
    spacing_um : (row, col)
        Pixel size of the pictures as given, in µm.
    """

    grey: tuple[Plane, Plane]
    usable: tuple[BoolArray, BoolArray]
    matrix: FloatArray
    origin_px: FloatArray
    across_um: float
    picture_shape: tuple[int, int]
    spacing_um: tuple[float, float]


@dataclass(frozen=True)
class Ground:
    """Heights on the ground grid (orientation and spacing of the pictures)."""

    height_um: FloatArray
    noise_um: FloatArray
    sigma_um: FloatArray
    confidence: FloatArray
    grey: FloatArray
    picture_px: NDArray[np.float32]


@dataclass(frozen=True)
class StereoEvidence:
    """A matched pair, kept for a closer look at single zones.

    Parameters
    ----------
    frame : StereoFrame
        The two pictures in the tilt frame.
    tilt_deg : (float, float)
        Their tilts.
    along_um : float
        Spacing along the axis in µm.
    parallax_px, across_px : (rows, cols) float32 arrays
        Parallax of the relief and cross-parallax by matching, on the ground plane of the frame.
    offset_px : float
        Shift of the second picture along the columns that has no meaning, in pixels.
    """

    frame: StereoFrame
    tilt_deg: tuple[float, float]
    along_um: float
    parallax_px: Plane
    across_px: Plane
    offset_px: float


def frame_of_pair(
    pictures: tuple[Plane, Plane], angle_deg: float, spacing_um: tuple[float, float]
) -> StereoFrame | None:
    """Return the pair turned into the tilt frame and cut to its common field; None without one."""
    matrix, _, across_um = tilt_frame(angle_deg, spacing_um)
    shape = pictures[0].shape
    turned = [_turn(picture, matrix) for picture in pictures]
    (first, first_ok, corner), (second, second_ok, _) = turned
    shift = common_shift((first, second), (first_ok, second_ok))
    if shift is None:
        return None
    rows, cols = first.shape
    down, along = shift  # second picture's content lies at (row + down, col + along)
    cut_a = (_span(-down, rows), _span(-along, cols))
    cut_b = (_span(down, rows), _span(along, cols))
    offset = np.array([cut_a[0].start, cut_a[1].start], float)
    return StereoFrame(
        (np.ascontiguousarray(first[cut_a]), np.ascontiguousarray(second[cut_b])),
        (first_ok[cut_a], second_ok[cut_b]),
        matrix, corner + matrix @ offset, across_um, (shape[0], shape[1]), spacing_um,
    )


def _span(shift: int, size: int) -> slice:
    return slice(max(0, shift), min(size, size + shift))


def _turn(picture: Plane, matrix: FloatArray) -> tuple[Plane, BoolArray, FloatArray]:
    """Turn a picture; also say where it is known and where its corner lies in the picture."""
    rows, cols = picture.shape
    known = np.isfinite(picture)
    middle = np.array([(rows - 1) / 2, (cols - 1) / 2])
    inverse = np.linalg.inv(matrix)
    corners = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]]) * middle
    reach = np.abs(corners @ inverse.T).max(axis=0)
    size = np.floor(2 * reach + 1e-6).astype(int) + 1
    corner = middle - matrix @ ((size - 1) / 2)
    grey = fill_gaps(picture, known)
    if np.array_equal(matrix, np.eye(2)):
        return grey, known, corner
    row, col = _positions((int(size[0]), int(size[1])), matrix, corner)
    turned = cv2.remap(grey, col, row, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    there = cv2.remap(known.astype(np.uint8), col, row, cv2.INTER_NEAREST,
                      borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(turned), np.asarray(there > 0), corner


def _positions(
    shape: tuple[int, int], matrix: FloatArray, corner: FloatArray
) -> tuple[Plane, Plane]:
    row, col = grid_of(shape)
    there = [
        (corner[k] + matrix[k, 0] * row + matrix[k, 1] * col).astype(np.float32) for k in (0, 1)
    ]
    return there[0], there[1]


def common_shift(
    pair: tuple[Plane, Plane], usable: tuple[BoolArray, BoolArray]
) -> tuple[int, int] | None:
    """Return the shift (rows, cols) of the second picture against the first, in pixels.

    Notes
    -----
    Maximum of the normalised cross-correlation of the coarsely sampled, evened-out pictures over
    all shifts that leave `MIN_OVERLAP` in common. The coarse sampling blurs a lattice away. The
    shift is good to a coarse pixel; the match takes up the rest.
    """
    step = max(1, math.ceil(max(pair[0].shape) / ALIGN_PX))
    size = (max(8, pair[0].shape[1] // step), max(8, pair[0].shape[0] // step))
    small: list[Plane] = []
    weight: list[Plane] = []
    for plane, known in zip(pair, usable, strict=True):
        there, coarse = (
            np.asarray(cv2.resize(each, size, interpolation=cv2.INTER_AREA), np.float32)
            for each in (known.astype(np.float32), plane)
        )
        detail = coarse - smooth(coarse, 6.0)
        contrast = np.sqrt(smooth(detail * detail, 6.0))
        small.append(detail / (contrast + 0.05 * contrast.mean() + 1e-12) * there)
        weight.append(there)
    shape = [fft.next_fast_len(2 * n) for n in small[0].shape]

    def cross(one: Plane, two: Plane) -> FloatArray:
        product = np.conj(fft.rfft2(one, shape)) * fft.rfft2(two, shape)
        return np.asarray(fft.irfft2(product, shape), float)

    overlap = cross(weight[0], weight[1])
    power = cross(small[0] ** 2, weight[1]) * cross(weight[0], small[1] ** 2)
    value = cross(small[0], small[1]) / np.sqrt(np.maximum(power, 1e-6))
    value[overlap < MIN_OVERLAP * small[0].size] = -1
    if value.max() <= 0:
        return None
    peak = np.unravel_index(int(np.argmax(value)), value.shape)
    rows, cols = pair[0].shape
    ratio = (rows / small[0].shape[0], cols / small[0].shape[1])
    shift = [int(p) - n if int(p) > n // 2 else int(p) for p, n in zip(peak, shape, strict=True)]
    return round(shift[0] * ratio[0]), round(shift[1] * ratio[1])


def to_ground(
    found: Disparity, noise_px: Plane, frame: StereoFrame, tilt_deg: tuple[float, float]
) -> Ground:
    """Return heights on the ground grid from the parallax in the first picture.

    Notes
    -----
    A point seen at column x of the first picture lies at X(x) on the ground; each row of X is made
    to grow (a point behind an overhang takes its front's place) and inverted by linear
    interpolation, so that heights come to stand above the ground and not above the picture.
    """
    height_px, column, row, _ = _over_ground(found, tilt_deg)
    factor = height_per_parallax(tilt_deg) * frame.across_um
    planes = (
        np.asarray(height_px * frame.across_um, np.float32),
        np.asarray(noise_px * factor, np.float32),
        np.asarray(np.clip(found.correlation, 0, 1), np.float32),
        frame.grey[0],
    )
    known = found.matched.astype(np.uint8)
    on_grid = [_take(plane, column, row) for plane in planes]
    known = np.asarray(cv2.remap(known, column, row, cv2.INTER_NEAREST,
                                 borderMode=cv2.BORDER_CONSTANT))
    return _to_picture([*on_grid, column, row], known > 0, frame)


def _over_ground(
    found: Disparity, tilt_deg: tuple[float, float]
) -> tuple[FloatArray, Plane, Plane, float]:
    """Heights in the first picture, its column and row seen at every ground point, the shift."""
    rows, cols = found.along_px.shape
    seen = np.arange(cols) - (cols - 1) / 2
    offset = float(np.median(found.along_px[found.matched]))
    other = seen - (found.along_px - offset)
    height_px = height_from_positions(np.broadcast_to(seen, other.shape), other, tilt_deg=tilt_deg)
    ground_px = ground_from_positions(np.broadcast_to(seen, other.shape), other, tilt_deg=tilt_deg)
    ground_px = np.maximum.accumulate(ground_px, axis=1)
    column = np.empty((rows, cols), np.float32)
    index = np.arange(cols, dtype=float)
    for i in range(rows):
        column[i] = np.interp(seen, ground_px[i], index, left=-1, right=cols)
    return height_px, column, grid_of((rows, cols))[0], offset


def evidence_of(
    found: Disparity, frame: StereoFrame, tilt_deg: tuple[float, float]
) -> StereoEvidence:
    """Return what a pair holds for a closer look at its zones."""
    height_px, column, row, offset = _over_ground(found, tilt_deg)
    along = frame.matrix[:, 0] * np.asarray(frame.spacing_um)
    unit = height_per_parallax(tilt_deg)
    # the first guess goes on behind gaps of the match, where it may be anything smooth
    parallax = fill_gaps(np.asarray(height_px / unit, np.float32), found.matched)
    return StereoEvidence(
        frame, tilt_deg, float(np.hypot(*along)), _take(parallax, column, row),
        _take(found.across_px, column, row), offset,
    )


def on_ground_plane(mask: BoolArray, evidence: StereoEvidence) -> BoolArray:
    """Return a mask of the picture's grid on the ground plane of the tilt frame."""
    frame = evidence.frame
    row, col = _positions(
        (evidence.parallax_px.shape[0], evidence.parallax_px.shape[1]), frame.matrix,
        frame.origin_px,
    )
    turned = cv2.remap(mask.astype(np.uint8), col, row, cv2.INTER_NEAREST,
                       borderMode=cv2.BORDER_CONSTANT)
    return np.asarray((turned > 0) & frame.usable[0], bool)


def on_picture(plane: FloatArray, evidence: StereoEvidence) -> FloatArray:
    """Return a plane of the tilt frame's ground on the grid of the picture; gaps stay gaps."""
    frame = evidence.frame
    inverse = np.asarray(np.linalg.inv(frame.matrix), float)
    row, col = _positions(frame.picture_shape, inverse, -inverse @ frame.origin_px)
    return np.asarray(
        cv2.remap(np.asarray(plane, np.float32), col, row, cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_CONSTANT, borderValue=math.nan),
        float,
    )


def _take(plane: Plane, col: Plane, row: Plane) -> Plane:
    return np.asarray(
        cv2.remap(plane, col, row, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    )


def _to_picture(planes: list[Plane], known: BoolArray, frame: StereoFrame) -> Ground:
    """Planes on the ground grid of the tilt frame, turned to the orientation of the picture."""
    height, noise, confidence, grey, column, line = planes
    # a grid point of the picture's orientation -> its place in the tilt frame
    inverse = np.asarray(np.linalg.inv(frame.matrix), float)
    row, col = _positions(frame.picture_shape, inverse, -inverse @ frame.origin_px)
    straight = np.array_equal(frame.matrix, np.eye(2))

    def turn(plane: Plane) -> Plane:
        how = cv2.INTER_LINEAR if straight else cv2.INTER_LANCZOS4
        return np.asarray(cv2.remap(plane, col, row, how, borderMode=cv2.BORDER_REPLICATE))

    there = cv2.remap(known.astype(np.uint8), col, row, cv2.INTER_NEAREST,
                      borderMode=cv2.BORDER_CONSTANT) > 0
    gap: FloatArray = np.where(there, 0.0, np.nan)
    seen_col = cv2.remap(column, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen_row = cv2.remap(line, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    picture_px = np.stack(
        [
            frame.origin_px[k] + frame.matrix[k, 0] * seen_row + frame.matrix[k, 1] * seen_col
            for k in (0, 1)
        ],
        axis=-1,
    ).astype(np.float32)
    height_um: FloatArray = turn(height) + gap
    noise_um: FloatArray = turn(noise) + gap
    weight = np.maximum(smooth(there.astype(np.float32), _SIGMA_WINDOW_PX), 1e-3)
    power = smooth(np.nan_to_num(noise_um).astype(np.float32) ** 2, _SIGMA_WINDOW_PX) / weight
    middle = float(np.nanmedian(height_um)) if there.any() else 0.0
    return Ground(
        height_um - middle, noise_um, np.sqrt(np.maximum(power, 0)) + gap, turn(confidence) + gap,
        turn(grey) + gap, picture_px,
    )
