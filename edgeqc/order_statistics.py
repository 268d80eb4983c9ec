"""Medians of large arrays."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", bound=np.floating[Any])


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
    return float(row_medians(values.reshape(1, -1))[0])


def row_medians(values: NDArray[Number]) -> NDArray[Number]:
    """Return the median of every row (rows,) of finite values (rows, cols); see ``median``."""
    middle = values.shape[1] // 2
    ordered = np.partition(values, middle, axis=1)
    if values.shape[1] % 2:
        return np.asarray(ordered[:, middle])
    return np.asarray(
        np.mean(np.stack([ordered[:, :middle].max(axis=1), ordered[:, middle]]), axis=0))
