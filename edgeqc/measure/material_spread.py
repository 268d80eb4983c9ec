"""Parameters of the material ratio curve with their scatter between blocks left out in turn."""

from __future__ import annotations

import numpy as np

from edgeqc.measure.block_spread import MIN_BLOCK, block_borders, freedom_of, spreads
from edgeqc.measure.material_ratio import MaterialSettings, material_values
from edgeqc.measure.probability_curve import (
    probability_values,
    slope_spread,
    sure_transition,
)
from edgeqc.quantity import FloatArray

BLOCK_CURVE = 40
"""Points to which the material ratio curve of a block is thinned for its scatter."""

TAIL_BLOCKS = 40
"""Blocks at most whose highest and lowest heights tell a profile's tails."""


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
    z: FloatArray, settings: MaterialSettings, u_rms_um: FloatArray
) -> tuple[dict[str, FloatArray], ...]:
    """Return values, standard uncertainties, degrees of freedom and pseudo-values by block.

    Parameters
    ----------
    z : (batch, n) float array
        Heights in µm from the mean line, NaN in gaps.
    settings : MaterialSettings
        Where the curve is read.
    u_rms_um : (batch,) float array
        Standard uncertainty of the root mean square height from the finite length.

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
    found = spreads(pseudo)
    freedom = {name: np.full(z.shape[0], blocks - 1.0) for name in values}
    rms = np.sqrt(np.mean(curve**2, axis=1))
    slopes = slope_spread(curve, _extremes(z), u_rms_um / rms, settings.difference_ratios)
    found["pq"], found["vq"] = slopes.plateau, slopes.dale
    freedom["pq"] = freedom["vq"] = slopes.freedom
    freedom["mq"] = freedom_of(pseudo["mq"] - pseudo["mq"].mean(axis=1, keepdims=True))
    values["mq"] = sure_transition(values["mq"], values["pq"] - values["vq"], slopes)
    # leaving out blocks tells of the curve's middle, moving its tails of its ends
    found["sk"], found["ku"] = slopes.skewness, slopes.kurtosis
    for name, of_tails in (("mq", slopes.transition), ("dc", slopes.difference)):
        freedom[name] = np.where(of_tails > found[name], slopes.freedom, freedom[name])
        found[name] = np.fmax(found[name], of_tails)
    return values, found, freedom, pseudo


def _extremes(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest and lowest height of each of many short blocks."""
    blocks = max(1, min(TAIL_BLOCKS, z.shape[1] // MIN_BLOCK))
    starts = np.rint(np.linspace(0, z.shape[1], blocks + 1)).astype(np.int64)[:-1]
    return np.fmax.reduceat(z, starts, axis=1), np.fmin.reduceat(z, starts, axis=1)


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
