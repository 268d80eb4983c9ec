"""Linear spline filter for profiles."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solveh_banded

from edgeqc.errors import MeasurementError
from edgeqc.measure.height_checks import check_nesting_index, check_spacing
from edgeqc.quantity import FloatArray


def spline_profile_filter(
    height_um: ArrayLike, spacing_um: float, nesting_index_um: float
) -> FloatArray:
    """Return the long-wave part of profiles by the linear (cubic) spline filter.

    Parameters
    ----------
    height_um : (..., n) array
        Heights in µm along the last axis, without gaps.
    spacing_um : float
        Sampling interval in µm.
    nesting_index_um : float
        Nesting index in µm: a sine of this wavelength passes at 50 %.

    Returns
    -------
    (..., n) float array
        Mean line in µm.

    Notes
    -----
    Solves (1 + α⁴ Q) w = z with Q the squared second difference with natural ends and
    α = 1/(2 sin(π dx/λc)); transmission 1/(1 + (sin(π dx/λ)/sin(π dx/λc))⁴). Straight slopes
    pass unchanged up to the ends.

    References
    ----------
    ISO 16610-22:2015 (linear spline filter, non-periodic; from memory).

    Examples
    --------
    >>> line = spline_profile_filter(np.linspace(0.0, 5.0, 101), 1.0, 25.0)
    >>> bool(np.allclose(line, np.linspace(0.0, 5.0, 101)))
    True
    """
    height = np.asarray(height_um, dtype=np.float64)
    n = height.shape[-1] if height.ndim else 0
    if n < 5 or not np.isfinite(height).all():
        raise MeasurementError(
            f"the profile has the shape {height.shape}, or gaps",
            rule="The spline filter needs five heights or more and no gap.",
            remedy="Use the Gaussian filter where there are gaps.",
        )
    spacing = check_spacing(spacing_um)
    nesting = check_nesting_index(nesting_index_um, spacing, n * spacing)
    weight = (1.0 / (2.0 * math.sin(math.pi * spacing / nesting))) ** 4
    diagonal = np.full(n, 6.0)
    diagonal[[0, -1]], diagonal[[1, -2]] = 1.0, 5.0
    next_one = np.full(n, -4.0)
    next_one[[1, -1]] = -2.0
    bands = np.stack([np.ones(n), next_one, diagonal]) * weight  # upper form: row 2 is the middle
    bands[2] += 1.0
    rows = height.reshape(-1, n)
    offset = rows.mean(axis=1, keepdims=True)
    line = solveh_banded(bands, (rows - offset).T).T + offset
    result: FloatArray = line.reshape(height.shape)
    return result
