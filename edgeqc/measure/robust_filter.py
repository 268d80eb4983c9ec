"""Filters that ignore deep grooves and debris: robust Gaussian regression; and the spline filter.

A Gaussian mean line is pulled into every groove. The robust filter weighs each height by how far
it lies from the line, in turns, until the line no longer moves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft

from edgeqc.errors import MeasurementError
from edgeqc.measure.height_checks import check_nesting_index, check_spacing
from edgeqc.measure.surface_filter import ALPHA, KERNEL_HALF_WIDTH
from edgeqc.quantity import BoolArray, FloatArray

ALPHA_SECOND_ORDER = 0.7309134280946759
"""Constant of the weighting function for regression of order 2, at which a sine at the nesting
index passes at 50 %: (1 + q) exp(-q) = 1/2 with q = π α² = 1.6783470 (ISO/TS 16610-31:2010)."""

BIWEIGHT_TUNING = 3.0 / 0.6744897501960817
"""Tuning constant of the biweight in median absolute residuals: three standard deviations of a
Gaussian residual, 4.4478 (ISO/TS 16610-31:2010)."""

MAX_ROUNDS = 40
"""Largest number of rounds."""

TOLERANCE = 1e-4
"""Change of the line, over the tuning constant, at which the rounds end."""

SMALLEST_TUNING = 0.01
"""Floor of the tuning constant, as a share of the largest residual. On a profile without noise
the median residual is that of the filter's own tiny bias; without a floor the heights beside a
groove would be thrown out one after the other until the line there hangs in the air (a sine with
a groove: error 0.040 µm without, 0.003 µm with it). On any profile with noise the median rules."""

MIN_WEIGHT = 1e-3
"""Local sum of robust weights, as a share of the sum without them, below which the last line is
kept: nothing near enough to the line is left to fit it on."""


def robust_profile_filter(
    height_um: ArrayLike, spacing_um: float, nesting_index_um: float, *, order: int = 2
) -> FloatArray:
    """Return the long-wave part of profiles by robust Gaussian regression.

    Parameters
    ----------
    height_um : (..., n) array
        Heights in µm along the last axis; NaN marks gaps.
    spacing_um : float
        Sampling interval in µm.
    nesting_index_um : float
        Nesting index in µm.
    order : {0, 2}
        Order of the regression; 2 follows form and needs no form removal.

    Returns
    -------
    (..., n) float array
        Mean line in µm, NaN where the input is NaN.

    Notes
    -----
    At each point a polynomial is fitted with Gaussian weights times the biweight
    (1 - (r/c)²)² of the residuals r; c = 4.4478 times the median absolute residual of the
    profile. Ends and gaps need no other treatment: the regression uses what is there.

    References
    ----------
    ISO/TS 16610-31:2010 (later ISO 16610-31; stopping rule ours).
    """
    height = np.asarray(height_um, dtype=np.float64)
    spacing = check_spacing(spacing_um)
    if height.ndim == 0 or height.shape[-1] < 2 or not np.isfinite(height).any():
        raise MeasurementError(
            f"the profile has the shape {height.shape} and no use",
            rule="A profile holds at least two heights that are numbers.",
            remedy="Give an array of heights in µm.",
        )
    nesting = check_nesting_index(nesting_index_um, spacing, height.shape[-1] * spacing)
    rows = height.reshape(-1, height.shape[-1])
    valid = np.isfinite(rows)
    offset = np.where(valid, rows, 0.0).sum(axis=1) / np.maximum(valid.sum(axis=1), 1)
    filled = np.where(valid, rows - offset[:, None], 0.0)
    weights = regression_weights(spacing, nesting, order)
    line = _robust_lines(filled, valid, weights, order)
    result: FloatArray = np.where(valid, line + offset[:, None], np.nan).reshape(height.shape)
    return result


def regression_alpha(order: int) -> float:
    """Return the constant of the weighting function of a regression filter.

    References
    ----------
    ISO/TS 16610-31:2010 (constants of order 0 and 2).
    """
    if order not in (0, 2):
        raise MeasurementError(
            f"the order of the regression is {order!r}",
            rule="The order is 0 or 2.",
            remedy="Choose 2 to follow form, 0 for a levelled profile.",
        )
    return ALPHA if order == 0 else ALPHA_SECOND_ORDER


def regression_weights(spacing_um: float, nesting_index_um: float, order: int) -> FloatArray:
    """Return the sampled weighting function of a regression filter, summing to one.

    References
    ----------
    ISO/TS 16610-31:2010 (constants of order 0 and 2).
    """
    alpha = regression_alpha(order)
    # the wider function of order 2 falls to the same share at alpha/ALPHA times the half width
    half = int(KERNEL_HALF_WIDTH * alpha / ALPHA * nesting_index_um / spacing_um + 1e-9)
    offset = np.arange(-half, half + 1) * (spacing_um / nesting_index_um)
    weights: FloatArray = np.exp(-math.pi * (offset / alpha) ** 2)
    weights /= weights.sum()
    return weights


def _robust_lines(
    filled: FloatArray, valid: BoolArray, weights: FloatArray, order: int
) -> FloatArray:
    """Run the rounds of regression and weighing, for all profiles at once."""
    moments = _MomentSpectra(filled.shape[1], weights, 2 * order)
    robust = valid.astype(np.float64)
    plain = moments.of(robust, 0)[0]
    line = np.zeros_like(filled)
    for round_number in range(MAX_ROUNDS):
        new = _regression(moments, robust, filled * robust, order, MIN_WEIGHT * plain)
        new = np.where(np.isfinite(new), new, line)
        moved = np.abs(new - line).max(axis=1)
        line = new
        residual = np.abs(filled - line)
        residual[~valid] = np.nan
        largest = np.nanmax(residual, axis=1)
        tuning = np.fmax(BIWEIGHT_TUNING * np.nanmedian(residual, axis=1),
                         np.fmax(SMALLEST_TUNING * largest, np.finfo(float).tiny))
        if round_number and (moved <= TOLERANCE * tuning).all():
            break
        ratio = np.nan_to_num(residual / tuning[:, None], nan=2.0)
        robust = np.where(ratio < 1.0, (1.0 - ratio**2) ** 2, 0.0)
    return line


class _MomentSpectra:
    """Spectra of the weighting function times the powers of the lever, for local moments."""

    def __init__(self, n: int, weights: FloatArray, top: int) -> None:
        half = weights.size // 2
        self.n = n
        self.size = fft.next_fast_len(n + half, real=True)
        # levers in half widths keep the powers of the same size
        lever = np.arange(-half, half + 1) / max(half, 1)
        self.spectra = []
        for power in range(top + 1):
            padded = np.zeros(self.size)
            padded[np.arange(-half, half + 1) % self.size] = (weights * lever**power)[::-1]
            self.spectra.append(fft.rfft(padded))

    def of(self, data: FloatArray, top: int) -> list[FloatArray]:
        """Return the moments 0 to ``top`` of (batch, n) data about every point."""
        transformed = fft.rfft(data, self.size, axis=1)
        return [
            fft.irfft(transformed * self.spectra[power], self.size, axis=1)[:, : self.n]
            for power in range(top + 1)
        ]


def _regression(
    moments: _MomentSpectra,
    robust: FloatArray,
    weighted: FloatArray,
    order: int,
    least: FloatArray,
) -> FloatArray:
    """Value at each point of the polynomial fitted about it; NaN where too little is near."""
    s = moments.of(robust, 2 * order)
    t = moments.of(weighted, order)
    with np.errstate(divide="ignore", invalid="ignore"):
        if order == 0:
            return np.where(s[0] > least, t[0] / s[0], np.nan)
        # Cramer's rule for the constant term of the 3 x 3 normal equations
        a = s[2] * s[4] - s[3] * s[3]
        b = s[1] * s[4] - s[2] * s[3]
        c = s[1] * s[3] - s[2] * s[2]
        determinant = s[0] * a - s[1] * b + s[2] * c
        value = (t[0] * a - t[1] * b + t[2] * c) / determinant
        # spread of the data about the point; too little of it and a parabola runs wild
        steady = determinant > 1e-9 * s[0] ** 3
        value = np.where(steady, value, t[0] / s[0])
        return np.where(s[0] > least, value, np.nan)

