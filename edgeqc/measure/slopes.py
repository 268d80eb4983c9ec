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
    height = np.ascontiguousarray(height_um)
    z = np.moveaxis(height, axis, 0)
    n = z.shape[0]
    if n <= 2 * REACH:
        slope = _shorter(z)
    else:
        slope = np.empty_like(z)  # laid out as z is, whichever axis goes first
        inner, change = slope[REACH : n - REACH], z[4 : n - 2] - z[2 : n - 4]
        np.multiply(change, _LONG[0], out=inner)  # a missing height makes the sum NaN
        for k, weight in enumerate(_LONG[1:], 2):
            np.subtract(z[REACH + k : n - REACH + k], z[REACH - k : n - REACH - k], out=change)
            change *= weight
            inner += change
        slope[:REACH] = _shorter(z[: 2 * REACH])[:REACH]
        slope[-REACH:] = _shorter(z[-2 * REACH :])[-REACH:]
        _bridge(slope, height, axis)
    slope /= spacing_um
    return np.moveaxis(slope, 0, axis)


def _bridge(slope: FloatArray, height: FloatArray, axis: int) -> None:
    """Put the formulas of fewer points where a gap makes that of seven NaN, and NaN into gaps.

    ``slope`` has the axis first and is laid out as ``height`` is. As in ``_shorter``, for the few
    heights beside gaps alone.
    """
    gap = np.isnan(height)
    if not gap.any():
        return
    missing = np.isnan(slope)
    missing[:REACH] = False
    missing[-REACH:] = False
    missing = np.moveaxis(missing, 0, axis)
    missing &= ~gap
    at, flat = np.flatnonzero(missing), height.ravel()
    step = height.strides[axis] // height.itemsize
    two_back, back, here, ahead, two_ahead = (flat.take(at + k * step) for k in range(-2, 3))
    one, three = here - back, ahead - back
    five = _MIDDLE[0] * three + _MIDDLE[1] * (two_ahead - two_back)
    found = np.where(np.isfinite(one), one, ahead - here)
    found = np.where(np.isfinite(three), 0.5 * three, found)
    every = np.moveaxis(slope, 0, axis).reshape(-1)
    every[at] = np.where(np.isfinite(five), five, found)
    every[np.flatnonzero(gap)] = np.nan  # the central formulas do not look at the height itself


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
