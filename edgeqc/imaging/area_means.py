"""Planes shrunk together to means over areas."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_MOST = 4  # planes that the library shrinks at once


def shrunk_together(planes: Sequence[Plane], size: tuple[int, int]) -> list[Plane]:
    """Return planes of one shape, each shrunk to means over areas.

    Parameters
    ----------
    planes : sequence of (rows, cols) float32 arrays
        The planes.
    size : (cols, rows)
        Size of the results, as the library wants it.

    Notes
    -----
    Where the areas are no whole numbers of pixels the library takes as long over one plane as
    over four that lie interleaved, and the means are the same to the last bit.
    """
    rows, cols = planes[0].shape
    whole = rows % size[1] == 0 and cols % size[0] == 0
    if whole or size[0] > cols or size[1] > rows:
        return [_shrunk(plane, size) for plane in planes]
    found: list[Plane] = []
    for start in range(0, len(planes), _MOST):
        some = planes[start : start + _MOST]
        if len(some) == 1:
            found.append(_shrunk(some[0], size))
            continue
        small = _shrunk(np.asarray(cv2.merge(some)), size)
        found += [np.ascontiguousarray(small[..., k]) for k in range(len(some))]
    return found


def _shrunk(planes: Plane, size: tuple[int, int]) -> Plane:
    return np.asarray(cv2.resize(planes, size, interpolation=cv2.INTER_AREA), np.float32)
