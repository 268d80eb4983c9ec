"""Medians of large arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating[Any]]) -> float:
    """Return the median of an array's finite values, of which there is at least one.

    Parameters
    ----------
    values : float array
        Of any shape, without ``nan``.

    Notes
    -----
    The value is that of ``numpy.median``, which selects both middle values and looks for ``nan``
    at once and thereby misses numpy's fast selection of a single one: ten times as long.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    middle = values.size // 2
    ordered = np.partition(values, middle, axis=None)
    if values.size % 2:
        return float(ordered[middle])
    return float(np.mean(np.stack([ordered[:middle].max(), ordered[middle]])))
