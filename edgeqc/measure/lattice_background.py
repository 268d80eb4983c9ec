"""The smooth part of a zone's power spectrum."""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
import scipy.special
from numpy.typing import NDArray

from edgeqc.order_statistics import median

Plane = NDArray[np.float32]

_CELL = 9
"""Side in bins of the cells whose median power is the background."""


def spectrum_background(power: Plane, count: int) -> Plane:
    """Return the smooth part of a power spectrum: medians by ring, then by cell.

    Parameters
    ----------
    power : (rows, cols // 2 + 1) float32 array
        Power at frequencies in the order of the transform.
    count : int
        Number of independent spectra of which it is the mean.

    Notes
    -----
    Medians do not follow narrow peaks. That of a mean of ``count`` exponential powers is turned
    into its mean (a gamma law's).
    """
    rows, half = power.shape
    ring = _rings(rows, half)
    log = np.maximum(power, power.max() * 1e-12)
    np.log(log, out=log)
    order = np.argsort(ring, axis=None, kind="stable")  # of bytes: one pass
    bounds = np.searchsorted(ring.ravel()[order], np.arange(int(ring.max()) + 2))
    flat = log.ravel().take(order)
    middle = np.array([median(flat[a:b]) if b > a else np.nan for a, b in pairwise(bounds)])
    known = np.isfinite(middle)
    middle = np.interp(np.arange(middle.size), np.flatnonzero(known), middle[known])
    level = middle.astype(np.float32).take(ring)
    log -= level
    cells = _cell_medians(np.fft.fftshift(log, axes=0))
    smooth = cv2.resize(cells, (half, rows), interpolation=cv2.INTER_LINEAR)
    smooth = np.asarray(np.fft.ifftshift(smooth, axes=0), np.float32)
    smooth += level
    np.exp(smooth, out=smooth)
    share = float(scipy.special.gammaincinv(count, 0.5)) / count
    return np.asarray(smooth / np.float32(share), np.float32)


def _rings(rows: int, half: int) -> NDArray[np.uint8]:
    """Return the ring of every frequency; rings have equal steps in its logarithm.

    There are at most 156 of them.
    """
    # rows of either sign have the same rings: half of them is reckoned
    row = np.fft.fftfreq(rows).astype(np.float32)[: rows // 2 + 1, None]
    col = (np.arange(half) / max(2 * (half - 1), 1)).astype(np.float32)[None, :]
    square = np.maximum(row * row + col * col, np.float32(1e-8))
    ring = np.rint(6 * np.log2(square)).astype(np.int16)
    ring -= ring.min()
    number = np.arange(rows)
    return np.asarray(ring.astype(np.uint8)[np.minimum(number, rows - number)])


def _cell_medians(plane: Plane) -> Plane:
    shape = tuple(math.ceil(n / _CELL) for n in plane.shape)
    pad = [(0, m * _CELL - n) for m, n in zip(shape, plane.shape, strict=True)]
    cells = np.pad(plane, pad, mode="reflect" if min(plane.shape) > _CELL else "edge")
    cells = cells.reshape(shape[0], _CELL, shape[1], _CELL).transpose(0, 2, 1, 3)
    cells = cells.reshape(*shape, -1)
    middle = _CELL * _CELL // 2  # of an odd number: one to select, which is fast
    medians = np.ascontiguousarray(np.partition(cells, middle, axis=-1)[..., middle])
    return np.asarray(cv2.medianBlur(medians, 3), np.float32)
