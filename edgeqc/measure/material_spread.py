"""Parameters of the material ratio curve with their scatter between blocks left out in turn."""

from __future__ import annotations

import numpy as np

from edgeqc.measure.block_spread import block_borders, freedom_of, spreads
from edgeqc.measure.material_ratio import MaterialSettings, material_values, probability_values
from edgeqc.quantity import FloatArray

BLOCK_CURVE = 40
"""Points to which the material ratio curve of a block is thinned for its scatter."""

SURE_OF_TWO = 2.0
"""Difference of the probability curve's two slopes over its own uncertainty from which they are
two: a break found in chance alone parts any curve in two lines."""


def falling_curve(z: FloatArray, points: int) -> FloatArray:
    """Return (batch, points) heights in falling order; gaps are closed by interpolation.

    References
    ----------
    ISO 21920-2:2021 (material ratio curve).
    """
    rising = np.sort(z, axis=1)  # NaN goes to the end
    count = np.isfinite(z).sum(axis=1)
    if points == z.shape[1] and (count == points).all():
        return rising[:, ::-1]
    curve = np.full((z.shape[0], points), np.nan)
    for row in range(z.shape[0]):
        m = int(count[row])
        if m > 1:
            at = (np.arange(points) + 0.5) * m / points - 0.5
            curve[row] = np.interp(at, np.arange(m), rising[row, :m])[::-1]
    return curve


def material_with_spread(
    z: FloatArray, settings: MaterialSettings
) -> tuple[dict[str, FloatArray], ...]:
    """Return values, standard uncertainties, degrees of freedom and pseudo-values by block.

    Parameters
    ----------
    z : (batch, n) float array
        Heights in µm from the mean line, NaN in gaps.
    settings : MaterialSettings
        Where the curve is read.

    References
    ----------
    ISO 21920-2:2021 (parameters); jackknife with blocks, as in `curves_without_one`.
    """
    curve = falling_curve(z, z.shape[1])
    values = {
        name.removeprefix("R"): field
        for name, field in (material_values(curve, settings) | probability_values(curve)).items()
    }
    blocks = block_borders(z.shape[1]).size - 1
    if blocks < 3:
        return values, dict.fromkeys(values, mean_free(z)), {}, {}
    size = z.shape[1] // blocks
    pieces = z[:, : size * blocks].reshape(-1, size)
    thinned = thinned_curve(falling_curve(pieces, size), BLOCK_CURVE)
    left_out = curves_without_one(thinned.reshape(z.shape[0], blocks, -1))
    without = left_out.reshape(z.shape[0] * blocks, -1)
    scatter = material_values(without, settings) | probability_values(without)
    # pseudo-values of the jackknife, up to their common part
    pseudo = {
        name.removeprefix("R"): (1 - blocks) * field.reshape(z.shape[0], blocks)
        for name, field in scatter.items()
    }
    pseudo["apart"] = pseudo["pq"] - pseudo["vq"]
    found = spreads(pseudo)
    apart = found.pop("apart")
    pseudo.pop("apart")
    values["mq"] = sure_transition(values, apart, "")
    freedom = {name: np.full(z.shape[0], blocks - 1.0) for name in values}
    for name in ("pq", "vq", "mq"):
        freedom[name] = freedom_of(pseudo[name] - pseudo[name].mean(axis=1, keepdims=True))
    return values, found, freedom, pseudo


def sure_transition(
    values: dict[str, FloatArray], u_apart: FloatArray, prefix: str
) -> FloatArray:
    """Return the material ratio of the transition, NaN where the two slopes may well be one.

    Parameters
    ----------
    values : dict of str to (batch,) float array
        ``pq``, ``vq`` and ``mq`` under their symbols.
    u_apart : (batch,) float array
        Standard uncertainty of the difference of the two slopes.
    prefix : str
        ``"S"`` for a surface.

    References
    ----------
    ISO 13565-3:1998 (two processes, two slopes); JCGM 100:2008, 6.3.3 (two standard
    uncertainties).
    """
    apart = np.abs(values[prefix + "pq"] - values[prefix + "vq"])
    sure: FloatArray = np.where(apart > SURE_OF_TWO * u_apart, values[prefix + "mq"], np.nan)
    return sure


def mean_free(z: FloatArray) -> FloatArray:
    """Return NaN for every profile: nothing is known of the scatter along it.

    References
    ----------
    JCGM 100:2008, 4.2 (a scatter needs repeated readings).
    """
    return np.full(z.shape[0], np.nan)


def thinned_curve(curve: FloatArray, points: int) -> FloatArray:
    """Return (batch, points) curves that stand for longer ones, by means over equal shares.

    References
    ----------
    ISO 21920-2:2021 (material ratio curve).
    """
    m = curve.shape[1]
    if m <= points:
        return curve
    borders = np.rint(np.linspace(0, m, points + 1)).astype(np.int64)
    thinned: FloatArray = np.add.reduceat(curve, borders[:-1], axis=1) / np.diff(borders)
    return thinned


def curves_without_one(curves: FloatArray) -> FloatArray:
    """Return the pooled curves with each block left out in turn, from their own means.

    Parameters
    ----------
    curves : (batch, blocks, points) float array
        Curve of every block; NaN where a block has none.

    Returns
    -------
    (batch, blocks, (blocks - 1) points) float array
        Entry b is the pool without block b, in falling order.

    References
    ----------
    Jackknife with blocks: Ann. Statist. 1989;17(3):1217 (from memory).
    """
    batch, blocks, points = curves.shape
    others = np.array([[k for k in range(blocks) if k != b] for b in range(blocks)])
    pools = curves[:, others].reshape(batch, blocks, (blocks - 1) * points)
    pools -= pools.mean(axis=2, keepdims=True)
    falling: FloatArray = -np.sort(-pools, axis=2)
    return falling
