"""How brightness changes with the tilt: terms of the slope that such a change can be made of."""

from __future__ import annotations

import numpy as np

from edgeqc.measure.stereo_refine import Plane
from edgeqc.quantity import FloatArray

TERMS = 5
"""Number of shading terms."""


def shading_terms(across: Plane, along: Plane) -> list[Plane]:
    """Return the terms of the change of brightness with the tilt, at every point.

    Parameters
    ----------
    across, along : (rows, cols) float32 arrays
        Slope of the surface across and along the tilt axis, as it stands half-way between the two
        tilts.

    Returns
    -------
    list of (rows, cols) float32 arrays
        With p and q the slopes and s = sqrt(1 + p² + q²): p/s, p/s³, 1/s, p²/s³, pq/s³.

    Notes
    -----
    The yield of secondary electrons rises as a power of s; its derivative by p is p times a
    function of s, which the first two terms span. A detector at a side adds -(a p + b q)/s, whose
    derivative by p the other three span. Their weights are found on the pair; with all weights 0
    the brightness of a slope does not change.

    References
    ----------
    L. Reimer, Scanning Electron Microscopy, 2nd ed. (1998), chapter 4 (secant law of the yield).
    """
    one = 1 / np.sqrt(1 + across * across + along * along)
    three = one * one * one
    terms = (across * one, across * three, one, across * across * three, across * along * three)
    return [np.asarray(term, np.float32) for term in terms]


def shading_slopes(
    across: Plane, along: Plane, weight: FloatArray
) -> tuple[Plane, Plane]:
    """Return the derivatives of the weighted sum of `shading_terms` by either slope."""
    p, q = across, along
    one = 1 / np.sqrt(1 + p * p + q * q)
    three = one * one * one
    five = three * one * one
    by_p = (
        one - p * p * three, three - 3 * p * p * five, -p * three,
        2 * p * three - 3 * p * p * p * five, q * three - 3 * p * p * q * five,
    )
    by_q = (
        -p * q * three, -3 * p * q * five, -q * three, -3 * p * p * q * five,
        p * three - 3 * p * q * q * five,
    )
    w = np.asarray(weight, np.float32)
    return (
        np.asarray(sum(k * term for k, term in zip(w, by_p, strict=True)), np.float32),
        np.asarray(sum(k * term for k, term in zip(w, by_q, strict=True)), np.float32),
    )
