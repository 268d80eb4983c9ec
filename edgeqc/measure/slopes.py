"""Slopes of sampled profiles and surfaces by the seven-point formula."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

# weights of z[+1] - z[-1], z[+2] - z[-2], z[+3] - z[-3] in the formulas of seven and five points
_LONG = (45.0 / 60.0, -9.0 / 60.0, 1.0 / 60.0)
_MIDDLE = (8.0 / 12.0, -1.0 / 12.0)


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
    z = np.moveaxis(height_um, axis, -1)
    slope = np.full(z.shape, np.nan)
    n = z.shape[-1]
    if n > 6:
        # gathered along the last axis; a missing height makes the sum NaN
        inner = _LONG[0] * (z[..., 4 : n - 2] - z[..., 2 : n - 4])
        inner += _LONG[1] * (z[..., 5 : n - 1] - z[..., 1 : n - 5])
        inner += _LONG[2] * (z[..., 6:] - z[..., : n - 6])
        slope[..., 3 : n - 3] = inner
    left_over = np.isnan(slope)
    here = np.nonzero(left_over & ~np.isnan(z))
    slope[here] = _shorter(z, here)
    if n > 6:
        slope[np.isnan(z)] = np.nan  # the central formula does not look at the height itself
    slope /= spacing_um
    return np.moveaxis(slope, -1, axis)


def _shorter(z: FloatArray, here: tuple[NDArray[np.int64], ...]) -> FloatArray:
    """Slopes at single places by five points, else three, else from the one neighbour."""
    last, n = here[-1], z.shape[-1]

    def at(offset: int) -> FloatArray:
        place = last + offset
        inside = (place >= 0) & (place < n)
        value: FloatArray = np.where(
            inside, z[(*here[:-1], np.clip(place, 0, n - 1))], np.nan
        )
        return value

    before, own, after = at(-1), z[here], at(1)
    three = 0.5 * (after - before)
    five = _MIDDLE[0] * (after - before) + _MIDDLE[1] * (at(2) - at(-2))
    slope = np.where(np.isnan(before), after - own, own - before)
    for better in (three, five):
        slope = np.where(np.isnan(better), slope, better)
    return slope
