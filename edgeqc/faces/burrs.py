"""Burrs: what hangs over an edge and is no part of the face."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import legendre
from scipy.ndimage import binary_dilation, binary_propagation

from edgeqc.quantity import BoolArray, FloatArray

SHAPE_DEGREE = 5
"""Degree of the smooth shape of an edge: lens surfaces bend gently."""

TALL_SPREADS, TALL_PX = 3.2, 4.0
"""A burr stands out by more than this many robust standard deviations of the edge, and by more
than this many pixels."""

FOOT_SPREADS = 1.0
"""It reaches to where the edge comes back to this many standard deviations of its shape."""

MOST_OF_EDGE = 0.4
"""Where more of the edge than this would be burr, the shape is not understood and nothing is
taken off."""


def without_burrs(points: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return an edge that runs beneath its burrs.

    Parameters
    ----------
    points : (n, 2) float array
        Edge (row, col) at about even steps, the outside on its left as seen along it.
    u : (n,) float array
        Standard uncertainty of each point, in pixels.

    Returns
    -------
    points, u : float arrays
        The same points, those on burrs moved onto the bridge between the burr's feet; there the
        uncertainty has the edge's own roughness added.

    Notes
    -----
    The edge's shape is a polynomial fitted with bisquare weights over the straight line between
    its ends. Only what reaches outside counts: a notch is the face's own edge, a flap beyond it
    is not. Roughness raises the robust standard deviation and with it the threshold.
    """
    n = points.shape[0]
    chord = points[-1] - points[0]
    length = float(np.hypot(*chord))
    if n < 60 or length < 40:
        return points, u
    along = chord / length
    outward = np.array([-along[1], along[0]])  # left of the run, as seen with rows down
    x = (points - points[0]) @ along / length * 2 - 1
    y = (points - points[0]) @ outward
    shape = _robust_shape(x, y)
    rest = y - shape
    spread = float(1.4826 * np.median(np.abs(rest - np.median(rest))))
    tall = rest > max(TALL_SPREADS * spread, TALL_PX)
    burr = _grown(tall, rest > max(FOOT_SPREADS * spread, 1.0))
    if not burr.any() or burr.mean() > MOST_OF_EDGE:
        return points, u
    index = np.arange(n)
    # a few points away from the feet, where the burr's fillet has ended
    clear = ~binary_dilation(burr, iterations=3)
    if clear.sum() < 20:
        return points, u
    settled = np.convolve(np.pad(rest[clear], 4, mode="edge"), np.full(9, 1 / 9), "valid")
    bridge = shape + np.interp(index, index[clear], settled)
    moved = np.where(burr, bridge - y, 0.0)
    return points + moved[:, None] * outward, np.where(burr, np.hypot(u, spread), u)


def _robust_shape(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return a polynomial through an edge that its burrs do not lift."""
    weight = np.ones(x.size)
    fitted: FloatArray = np.full(x.size, np.median(y))
    basis = legendre.legvander(x, SHAPE_DEGREE).T.copy()
    for _ in range(8):
        # over its own range the basis is nearly orthogonal: the normal equations are safe
        weighted = basis * weight
        fitted = np.linalg.solve(weighted @ basis.T, weighted @ y) @ basis
        rest = y - fitted
        spread = max(1.4826 * float(np.median(np.abs(rest))), 0.3)
        weight = np.maximum(1 - (rest / (4.685 * spread)) ** 2, 0.0) ** 2 + 1e-6
    return np.asarray(fitted)


def _grown(seed: BoolArray, allowed: BoolArray) -> BoolArray:
    """Return the runs of allowed points that hold a seed."""
    return np.asarray(binary_propagation(seed & allowed, mask=allowed), bool)
