"""Pictures too large to hold, read piece by piece into means of square blocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

Part = tuple[int, int, NDArray[Any]]
"""First row, first column, and the pixels (rows, cols) or (rows, cols, samples) of a piece."""

MAX_SIDE_PX = 32_000
"""Longest side of a picture that is measured as it is: resampling counts pixels in 16 bits."""

_CHUNK_PIXELS = 4_000_000  # 16 MB as float32: stays near the cache, costs no time in Python


def reduction_for(rows: int, cols: int, max_pixels: int) -> int:
    """Return the least side of a block, in pixels, that brings a picture within a limit.

    Examples
    --------
    >>> reduction_for(2048, 3072, 48_000_000), reduction_for(15_000, 20_000, 48_000_000)
    (1, 3)
    >>> reduction_for(1000, 40_000, 48_000_000)
    2
    """
    side = 1
    while (rows // side) * (cols // side) > max_pixels or max(rows, cols) // side > MAX_SIDE_PX:
        if side == min(rows, cols):
            break  # a strip of a few rows has nothing to be reduced to
        side += 1
    return side


def block_means(
    parts: Iterable[Part], shape: tuple[int, ...], side: int
) -> NDArray[np.float32]:
    """Return the means of a picture's blocks, scaled to its number format's range.

    Parameters
    ----------
    parts : iterable of (row, col, pixels)
        Pieces that together cover the picture once, in any order; pixels (rows, cols) or
        (rows, cols, samples) of one number format.
    shape : (rows, cols) or (rows, cols, samples)
        Size of the picture.
    side : int
        Side of a block in pixels; pixels beyond the last whole block are left out.

    Returns
    -------
    (rows // side, cols // side[, samples]) float32 array
        Whole numbers as a share of what their format can hold, so that 255 of 8 bits is 1;
        other numbers as they are. A block holds the mean of its finite pixels, ``nan`` where
        it has none.

    Notes
    -----
    The sums are of float32: 16 x 16 blocks of 16-bit numbers stay below 2^24 and are exact.
    """
    grid = (shape[0] // side, shape[1] // side, *shape[2:])
    sums = np.zeros(grid, np.float32)
    missing: NDArray[np.float32] | None = None
    kind, least = np.dtype(np.uint8), 0.0
    for row, col, pixels in parts:
        kind = pixels.dtype
        for start, chunk in _chunks(pixels):
            values = chunk.astype(np.float32)
            if kind.kind == "f":
                lost = ~np.isfinite(values)
                if lost.any():
                    values[lost] = 0
                    missing = np.zeros(grid, np.float32) if missing is None else missing
                    _add(missing, lost.astype(np.float32), row + start, col, side)
            elif kind.kind == "i":
                least = min(least, float(chunk.min(initial=0)))
            _add(sums, values, row + start, col, side)
    if missing is None:
        sums /= np.float32(side * side)
    else:
        count = side * side - missing
        sums = np.where(count > 0, sums / np.maximum(count, 1), np.float32(np.nan))
    return _of_range(sums, kind, least)


def _chunks(pixels: NDArray[Any]) -> Iterator[tuple[int, NDArray[Any]]]:
    step = max(1, _CHUNK_PIXELS // max(1, pixels[0].size))
    for start in range(0, pixels.shape[0], step):
        yield start, pixels[start : start + step]


def _add(sums: NDArray[np.float32], values: NDArray[np.float32], row: int, col: int, side: int
         ) -> None:
    """Add the sums over blocks of a piece that starts anywhere in the picture."""
    last_row = min(values.shape[0], sums.shape[0] * side - row)
    last_col = min(values.shape[1], sums.shape[1] * side - col)
    if last_row <= 0 or last_col <= 0:
        return
    values = values[:last_row, :last_col]
    for axis, first in ((0, row), (1, col)):
        # the piece's first block may have begun in the piece before
        starts = np.arange(-(first % side), values.shape[axis], side)
        starts[0] = 0
        values = np.add.reduceat(values, starts, axis=axis)
    top, left = row // side, col // side
    sums[top : top + values.shape[0], left : left + values.shape[1]] += values


def _of_range(means: NDArray[np.float32], kind: np.dtype[Any], least: float
              ) -> NDArray[np.float32]:
    if kind.kind not in "ui":
        return means
    info = np.iinfo(kind)
    # signed numbers without a negative one use half of their range
    low = float(info.min) if least < 0 else 0.0
    if low:
        means -= np.float32(low)
    means *= np.float32(1 / (info.max - low))
    return means


def blocks_to_pixels(
    labels: NDArray[np.uint8], side: int, shape: tuple[int, int]
) -> NDArray[np.uint8]:
    """Return labels of blocks as labels of the pixels that they were made of.

    Parameters
    ----------
    labels : (rows, cols) uint8 array
        A label for each block.
    side : int
        Side of a block in pixels.
    shape : (rows, cols)
        Size of the picture in the file; pixels beyond the last whole block are labelled 0.
    """
    if side == 1 and labels.shape == shape:
        return labels
    full = np.zeros(shape, np.uint8)
    rows, cols = labels.shape
    inner = full[: rows * side, : cols * side]
    for row in range(side):  # without a copy of the whole on the way
        for col in range(side):
            inner[row::side, col::side] = labels
    return full


# --- pieces -------------------------------------------------------------------------------------


def array_parts(array: NDArray[Any]) -> Iterator[Part]:
    """Yield a decoded picture as its own single piece."""
    yield 0, 0, array


def tiff_parts(page: Any) -> Iterator[Part]:
    """Yield the strips or tiles of a TIFF page, one decoded at a time.

    Parameters
    ----------
    page : tifffile.TiffPage
        A page of an open file, with its samples beside each other.
    """
    if page.is_memmappable:
        # one uncompressed run of bytes: the system pages in what is looked at
        yield 0, 0, _in_palette(page, page.asarray(out="memmap"))
        return
    rows, cols = page.imagelength, page.imagewidth
    for data, index, shape in page.segments(maxworkers=1, buffersize=_CHUNK_PIXELS):
        _, _, row, col, _ = index
        _, height, width, _ = shape
        height, width = min(height, rows - row), min(width, cols - col)
        if data is None:  # a sparse file leaves empty tiles out
            pixels = np.zeros((height, width, page.samplesperpixel), page.dtype)
        else:
            pixels = np.asarray(data)[0, :height, :width]
        plain = pixels[..., 0] if page.samplesperpixel == 1 else pixels
        yield row, col, _in_palette(page, plain)


def _in_palette(page: Any, pixels: NDArray[Any]) -> NDArray[Any]:
    """Return the grey levels or colours that a palette's numbers stand for."""
    if page.photometric != 3 or page.colormap is None:
        return pixels
    table = np.asarray(page.colormap)  # (3, 2**bits), 16 bits
    pixels = np.clip(pixels, 0, table.shape[1] - 1)
    if (table == table[0]).all():
        return np.asarray(table[0][pixels])
    return np.asarray(table[:, pixels].transpose(1, 2, 0))
