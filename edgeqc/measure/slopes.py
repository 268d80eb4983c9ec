"""Slopes of sampled profiles and surfaces by the seven-point formula."""

from __future__ import annotations

import numpy as np

from edgeqc.quantity import FloatArray

# weights of z[+1]-z[-1], z[+2]-z[-2], z[+3]-z[-3], by half the number of points used
_CENTRAL: dict[int, tuple[float, ...]] = {
    3: (45.0 / 60.0, -9.0 / 60.0, 1.0 / 60.0),
    2: (8.0 / 12.0, -1.0 / 12.0),
    1: (0.5,),
}


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
    slope = _central(z, 3)
    inner = slope[..., 3:-3]
    if z.shape[-1] < 7 or np.isnan(inner).any():
        slope = np.where(np.isnan(slope), _shorter(z), slope)
        slope[np.isnan(z)] = np.nan  # the central formulas do not look at the height itself
    else:
        # no gap: only the three heights at either end need the shorter formulas
        slope[..., :3] = _shorter(z[..., :6])[..., :3]
        slope[..., -3:] = _shorter(z[..., -6:])[..., -3:]
    slope /= spacing_um
    return np.moveaxis(slope, -1, axis)


def _central(z: FloatArray, half: int) -> FloatArray:
    """Central difference over 2 half + 1 points, NaN where one of them is missing."""
    slope = np.full(z.shape, np.nan)
    n = z.shape[-1]
    if n > 2 * half:
        inner = np.zeros((*z.shape[:-1], n - 2 * half))
        for step, weight in enumerate(_CENTRAL[half], start=1):
            ahead = z[..., half + step : n - half + step]
            inner += weight * (ahead - z[..., half - step : n - half - step])
        slope[..., half : n - half] = inner
    return slope


def _shorter(z: FloatArray) -> FloatArray:
    """Slopes by five points, else three, else the difference to the one neighbour."""
    forward = np.full(z.shape, np.nan)
    forward[..., :-1] = z[..., 1:] - z[..., :-1]
    slope = np.full(z.shape, np.nan)
    slope[..., 1:] = forward[..., :-1]
    slope = np.where(np.isnan(slope), forward, slope)
    for half in (1, 2):
        better = _central(z, half)
        slope = np.where(np.isnan(better), slope, better)
    return np.where(np.isnan(z), np.nan, slope)

