"""Slopes of sampled profiles and surfaces by the seven-point formula."""

from __future__ import annotations

import numpy as np

from edgeqc.quantity import FloatArray

# weights of z[+1] - z[-1], z[+2] - z[-2], z[+3] - z[-3] in the formulas of seven and five points
_LONG = (45.0 / 60.0, -9.0 / 60.0, 1.0 / 60.0)
_MIDDLE = (8.0 / 12.0, -1.0 / 12.0)

REACH = 3
"""Samples to either side that the seven-point formula takes in."""


def local_slopes(height_um: FloatArray, spacing_um: float, axis: int = -1) -> FloatArray:
    """Return the local slope at every height.

    Parameters
    ----------
    height_um : array
        Heights in µm; NaN marks gaps.
    spacing_um : float
        Sampling interval in µm along ``axis``.
    axis : int
        The direction.

    Returns
    -------
    array of the input's shape
        dz/dx without unit, NaN in gaps and at heights without a neighbour.

    Notes
    -----
    Seven points: (z₃ - 9z₂ + 45z₁ - 45z₋₁ + 9z₋₂ - z₋₃)/(60 dx). Where an end or a gap leaves
    fewer neighbours, the central formula of five or three points is used, and beside the end
    the difference to the one neighbour, so that no height near an end is left out and the
    noise is not blown up by one-sided formulas of high order.

    References
    ----------
    ISO 21920-2:2021 and ISO 25178-2:2021, 4.4 (local gradient; the seven-point formula from
    memory, as in ISO 4287).
    """
    z = np.moveaxis(height_um, axis, 0)
    n = z.shape[0]
    if n <= 2 * REACH:
        slope = _shorter(z)
    else:
        slope = np.empty_like(z)  # laid out as z is, whichever axis goes first
        # a missing height makes the sum NaN
        inner = _LONG[0] * (z[4 : n - 2] - z[2 : n - 4])
        inner += _LONG[1] * (z[5 : n - 1] - z[1 : n - 5])
        inner += _LONG[2] * (z[6:] - z[: n - 6])
        slope[REACH : n - REACH] = inner
        slope[:REACH] = _shorter(z[: 2 * REACH])[:REACH]
        slope[-REACH:] = _shorter(z[-2 * REACH :])[-REACH:]
        missing = np.isnan(slope)
        if missing.any():
            np.copyto(slope, _shorter(z), where=missing)
            slope[np.isnan(z)] = np.nan  # the central formula does not look at the height itself
    slope /= spacing_um
    return np.moveaxis(slope, 0, axis)


def _shorter(z: FloatArray) -> FloatArray:
    """Slope along the first axis by five points, else three, else from the one neighbour."""
    n = z.shape[0]
    slope = np.full_like(z, np.nan)
    if n > 1:
        step = z[1:] - z[:-1]
        slope[:-1] = step
        np.copyto(slope[1:], step, where=np.isfinite(step))
    if n > 2:
        three = z[2:] - z[:-2]
        np.copyto(slope[1:-1], 0.5 * three, where=np.isfinite(three))
    if n > 4:
        five = _MIDDLE[0] * three[1:-1] + _MIDDLE[1] * (z[4:] - z[:-4])
        np.copyto(slope[2:-2], five, where=np.isfinite(five))
    slope[np.isnan(z)] = np.nan
    return slope
