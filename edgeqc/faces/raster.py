"""Between the picture and the frame of a face: coordinates of pixels, labels on pixels."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from edgeqc.faces.face import CutFace
from edgeqc.faces.outline import polygon_mask
from edgeqc.faces.whole_chords import whole_chords
from edgeqc.quantity import BoolArray, FloatArray

LATTICE_PX = 8
"""Spacing of the pixels whose place along the face is solved for; between them it is interpolated
(the chords turn slowly: the error stays below 0.02 chords for bends of a thousand pixels)."""


_GUESS_STEP = 4
_MOST_ROUNDS, _SETTLED = 40, 1e-3  # chords; where they fan out, a root takes more than a few rounds
_STRIP_PIXELS = 1 << 17


@dataclass(frozen=True)
class FrameWindow:
    """Frame coordinates of the pixels around a face.

    Parameters
    ----------
    rows, cols : slice
        The window's place in the picture: the face's bounding box.
    station : (rows, cols) float32 array
        Position along the face in chords, 0 .. n_s - 1 (held at the ends).
    t : (rows, cols) float32 array
        Fraction of the thickness from the anterior edge, on whole chords
        (``edgeqc.faces.whole_chords``); outside the face it leaves 0..1.
    inside : (rows, cols) bool array
        Pixels whose centre lies inside the outline.
    """

    rows: slice
    cols: slice
    station: NDArray[np.float32]
    t: NDArray[np.float32]
    inside: BoolArray


@dataclass(frozen=True)
class FaceRaster:
    """Zone labels of the pixels around a face.

    Parameters
    ----------
    rows, cols : slice
        The window's place in the picture.
    labels : (rows, cols) uint8 array
        Label of every pixel inside the outline, 0 elsewhere.
    """

    rows: slice
    cols: slice
    labels: NDArray[np.uint8]

    def in_picture(self, shape: tuple[int, int]) -> NDArray[np.uint8]:
        """Return the labels on the whole picture, 0 outside the face."""
        out = np.zeros(shape, np.uint8)
        out[self.rows, self.cols] = self.labels
        return out


def frame_coordinates(face: CutFace, shape: tuple[int, int]) -> FrameWindow:
    """Return (station, t) of every pixel in the bounding box of a face.

    Parameters
    ----------
    face : CutFace
        The face.
    shape : (rows, cols)
        Size of the picture.

    Notes
    -----
    A pixel belongs to the chord on whose line it lies: the root of its signed distance from the
    chords' lines, which do not feel the roughness of the edges because that moves a chord's ends
    along its own line only.
    """
    low = np.floor(face.outline_px.min(axis=0)).astype(int)
    high = np.ceil(face.outline_px.max(axis=0)).astype(int)
    top, left = (int(v) for v in np.clip(low, 0, np.array(shape) - 1))
    bottom, right = (int(v) for v in np.clip(high, 0, np.array(shape) - 1))
    rows, cols = slice(top, bottom + 1), slice(left, right + 1)
    whole = whole_chords(face)
    station = _stations(whole, rows, cols)
    t = _fractions(whole, station, rows, cols)
    size = (rows.stop - top, cols.stop - left)
    inside = polygon_mask(face.outline_px - [top, left], size)
    return FrameWindow(rows, cols, station, t, inside)


def label_raster(
    face: CutFace,
    labels: NDArray[np.uint8],
    shape: tuple[int, int],
    *,
    window: FrameWindow | None = None,
) -> NDArray[np.uint8]:
    """Return zone labels of a face as a raster of the picture.

    Parameters
    ----------
    face : CutFace
        The face.
    labels : (n_t, n_s) uint8 array
        Labels on the unrolled face; cell (i, j) lies at t = (i + 0.5)/n_t of the whole chords
        (``edgeqc.faces.whole_chords``) and (j + 0.5)/n_s of the length.
    shape : (rows, cols)
        Size of the picture.
    window : FrameWindow, optional
        The face's frame coordinates in a picture of that size, where they are known already.

    Returns
    -------
    (rows, cols) uint8 array
        Every pixel inside the outline has the label of its nearest cell, others 0.
    """
    return face_raster(face, labels, window or frame_coordinates(face, shape)).in_picture(shape)


def face_raster(face: CutFace, labels: NDArray[np.uint8], window: FrameWindow) -> FaceRaster:
    """Return zone labels of a face on the pixels of a window; see ``label_raster``."""
    n_t, n_s = labels.shape
    share = n_s / max(face.s_px.size - 1, 1)
    rows, cols = window.station.shape
    found = np.empty((rows, cols), np.uint8)
    for strip in _strips(rows, cols):
        column = np.clip(window.station[strip] * share, 0, n_s - 1).astype(np.int32)
        row = np.clip(window.t[strip] * n_t, 0, n_t - 1).astype(np.int32)  # t of no chord: huge
        found[strip] = np.where(window.inside[strip], labels[row, column], np.uint8(0))
    return FaceRaster(window.rows, window.cols, found)


def _chord_lines(face: CutFace) -> tuple[FloatArray, FloatArray]:
    """Return unit directions of the chords (n, 2), and their mid-points."""
    along = face.posterior_px - face.anterior_px
    direction = along / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    return direction, (face.anterior_px + face.posterior_px) / 2


def _stations(face: CutFace, rows: slice, cols: slice) -> NDArray[np.float32]:
    """Return the position along the face of every pixel of a window."""
    height, width = rows.stop - rows.start, cols.stop - cols.start
    size = (math.ceil(height / LATTICE_PX) + 1, math.ceil(width / LATTICE_PX) + 1)
    row, col = np.mgrid[: size[0], : size[1]] * float(LATTICE_PX)
    points = np.stack([row.ravel() + rows.start, col.ravel() + cols.start], axis=1)
    direction, middle = _chord_lines(face)
    across = np.stack([-direction[:, 1], direction[:, 0]], axis=1)  # towards growing s
    if ((middle[-1] - middle[0]) * across.mean(axis=0)).sum() < 0:
        across = -across
    last = middle.shape[0] - 1
    at = _first_guess(middle, points.reshape(*size, 2)).ravel()
    lines = np.concatenate([middle, across], axis=1)
    rise = np.diff(lines, axis=0, append=lines[-1:])
    spacing = max(float(face.s_px[-1]) / max(last, 1), 1e-6)
    moving = np.arange(at.size)
    for _ in range(_MOST_ROUNDS):
        # the damped root of the signed distance from the chord's line
        chord = at[moving].astype(np.intp)
        line = lines[chord] + rise[chord] * (at[moving] - chord)[:, None]
        gap = ((points[moving] - line[:, :2]) * line[:, 2:]).sum(axis=1)
        better = np.clip(at[moving] + np.clip(gap / spacing, -200, 200), 0, last)
        step = np.abs(better - at[moving])
        at[moving] = better
        moving = moving[step > _SETTLED]
        if not moving.size:
            break
    coarse = at.reshape(size).astype(np.float32)
    station = np.empty((height, width), np.float32)
    row, col = (np.arange(n, dtype=np.float32) / np.float32(LATTICE_PX) for n in (height, width))
    for strip in _strips(height, width):
        full_row, full_col = (np.ascontiguousarray(part) for part in
                              np.broadcast_arrays(row[strip, None], col[None, :]))
        station[strip] = cv2.remap(coarse, full_col, full_row, cv2.INTER_LINEAR)
    return station


def _strips(rows: int, cols: int) -> Iterator[slice]:
    """Yield the rows in pieces whose planes stay in the cache."""
    step = max(1, _STRIP_PIXELS // max(cols, 1))
    for top in range(0, rows, step):
        yield slice(top, min(rows, top + step))


def _first_guess(middle: FloatArray, points: FloatArray) -> FloatArray:
    """Return about which chord's middle is nearest to each point of a lattice (rows, cols, 2).

    The nearest of a thousand chords takes long to find: it is looked for at every fourth point.
    """
    known = points[::_GUESS_STEP, ::_GUESS_STEP]
    nearest = np.asarray(cKDTree(middle).query(known.reshape(-1, 2))[1], np.float32)
    row, col = (np.arange(n, dtype=np.float32) / _GUESS_STEP for n in points.shape[:2])
    at = np.meshgrid(row, col, indexing="ij")
    guess = cv2.remap(nearest.reshape(known.shape[:2]), at[1], at[0], cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(guess, float)


def _fractions(
    face: CutFace, station: NDArray[np.float32], rows: slice, cols: slice
) -> NDArray[np.float32]:
    """Return t of every pixel of a window from its station."""
    direction, _ = _chord_lines(face)
    # where along the chord's direction each edge lies, from the picture's origin
    first = (face.anterior_px * direction).sum(axis=1)
    table = np.stack([
        direction[:, 0], direction[:, 1], first, 1 / np.maximum(face.thickness_px, 1e-6)])
    lookup = np.ascontiguousarray(table.astype(np.float32))
    row = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
    col = np.arange(cols.start, cols.stop, dtype=np.float32)[None, :]
    t = np.empty_like(station)
    for strip in _strips(station.shape[0], station.shape[1]):
        values = _looked_up(lookup, station[strip])
        t[strip] = (row[strip] * values[0] + col * values[1] - values[2]) * values[3]
    return t


def _looked_up(
    lines: NDArray[np.float32], station: NDArray[np.float32]
) -> list[NDArray[np.float32]]:
    """Return four tables (4, n) linearly interpolated at fractional positions."""
    if lines.shape[1] < 32000:  # the interpolation routine holds positions in 16 bits
        # read as four channels of one row they take half the time, and are the same to the bit
        table, zero = cv2.merge(list(lines[:, None])), np.zeros_like(station)
        read = np.asarray(cv2.remap(table, station, zero, cv2.INTER_LINEAR), np.float32)
        return list(np.moveaxis(read, 2, 0))
    index = np.arange(lines.shape[1])
    return [np.asarray(np.interp(station, index, line), np.float32) for line in lines]
