"""Height, hybrid and material ratio parameters of surfaces, on rectangles and irregular regions.

The surface is read in bands of rows that fit the processor's cache, and summed up by tiles: the
whole gives the parameters, the scatter between tiles says how well one region stands for the
surface.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from edgeqc.measure.block_spread import freedom_of, moments_left_out
from edgeqc.measure.material_ratio import MaterialSettings, material_values
from edgeqc.measure.material_spread import (
    curves_without_one,
    thinned_curve,
)
from edgeqc.measure.probability_curve import probability_values, slope_spread, sure_transition
from edgeqc.measure.slopes import local_slopes
from edgeqc.measure.tail_spread import LARGEST_SPREAD, tails_of
from edgeqc.quantity import FloatArray

TILES = 8
"""Tiles along each side."""

MIN_TILE = 12
"""Fewest heights along a tile's side."""

BAND_HEIGHTS = 65_536
"""Heights worked on together: half a megabyte, so that a band stays in the cache."""

HALO = 3
"""Rows needed beyond a band for the seven-point slope."""

TILE_CURVE = 64
"""Points to which the material ratio curve of a tile is thinned."""

FULL_TILE = 0.3
"""Share of a tile that must be in the region for its material ratio curve to count."""


@dataclass(frozen=True)
class ArealValues:
    """Values of a surface and how they scatter over it.

    Parameters
    ----------
    value : dict of str to float
        Symbol -> value.
    sampling : dict of str to float
        Standard uncertainty from the finite area; NaN where it is not known.
    freedom : dict of str to float
        Degrees of freedom of that uncertainty; a symbol that is missing has very many.
    levelling_um2 : float
        Variance of the mean plane's height.
    notes : dict of str to str
        Symbol -> what has to be said beside the value.
    """

    value: dict[str, float]
    sampling: dict[str, float]
    freedom: dict[str, float]
    levelling_um2: float
    notes: dict[str, str]


def tile_borders(size: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return the borders of the tiles along one side.

    References
    ----------
    Batch means, as for profiles.
    """
    tiles = max(1, min(TILES, size // MIN_TILE))
    return np.rint(np.linspace(0, size, tiles + 1)).astype(np.int64)


def height_and_hybrid_values(
    height_um: FloatArray, spacing_um: tuple[float, float]
) -> ArealValues:
    """Return Sa, Sq, Ssk, Sku, Sp, Sv, Sz, Sdq and Sdr.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm from the mean plane (mean zero), NaN outside the region.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.

    Returns
    -------
    ArealValues

    Notes
    -----
    Sdr is the mean of sqrt(1 + slope²) - 1 by the seven-point slopes, in percent. A height
    without a neighbour in one direction has no part in the slopes.

    References
    ----------
    ISO 25178-2:2021, 4.2 and 4.4.
    """
    sums, high, low = _tile_sums(height_um, spacing_um)
    q_shape = sums["n"].shape
    count, slopes = sums["n"].sum(), sums["m"].sum()
    mean = {k: sums[k].sum() / count for k in ("1", "abs", "2", "3", "4")}
    mean.update({k: sums[k].sum() / max(slopes, 1.0) for k in ("g", "e")})
    shift = {k: (sums[k] - mean[k] * sums["n"]) / count for k in ("1", "abs", "2", "3", "4")}
    shift.update({k: (sums[k] - mean[k] * sums["m"]) / max(slopes, 1.0) for k in ("g", "e")})
    q = math.sqrt(mean["2"])
    sk, ku = mean["3"] / q**3, mean["4"] / q**4
    dq = math.sqrt(mean["g"]) if slopes else math.nan
    value = {
        "Sa": mean["abs"], "Sq": q, "Ssk": sk, "Sku": ku,
        "Sp": float(np.nanmax(high)), "Sv": -float(np.nanmin(low)),
        "Sdq": dq, "Sdr": 100.0 * mean["e"] if slopes else math.nan,
    }
    value["Sz"] = value["Sp"] + value["Sv"]
    # first-order change of each parameter with the tile sums (JCGM 100:2008, 5.1.2)
    change = {
        # the mean plane itself moves: more heights lie on one side of it where heights are skewed
        "Sa": shift["abs"] - float(sums["sign"].sum() / count) * shift["1"],
        "Sq": shift["2"] / (2.0 * q),
        "Sdq": shift["g"] / (2.0 * dq) if dq > 0 else shift["g"] * math.nan,
        "Sdr": 100.0 * shift["e"],
    }
    powers = {name: sums[name].ravel() for name in "1234"}
    both = moments_left_out(powers, sums["n"].ravel())
    for name, added in zip(("Ssk", "Sku"), both, strict=True):
        change[name] = added.reshape(q_shape)
    sampling = {name: spread_of_sum(field) for name, field in change.items()}
    freedom = {name: float(freedom_of(field.ravel())) for name, field in change.items()}
    spread, of_tails = _extreme_spread(high.ravel(), low.ravel())
    sampling.update(spread)
    freedom.update(dict.fromkeys(spread, of_tails))
    return ArealValues(value, sampling, freedom, spread_of_sum(shift["1"]) ** 2, {})


def spread_of_sum(change: FloatArray) -> float:
    """Return the standard uncertainty of a sum over tiles from the tiles' own scatter.

    Parameters
    ----------
    change : (tile rows, tile cols) float array
        Contribution of each tile, adding up to zero.

    Notes
    -----
    Where neighbouring tiles go together, also across their corners, their covariance is added:
    features larger than a tile. Contributions that add up to zero pull neighbours apart, by as
    much as is added back. NaN with fewer than three tiles.

    References
    ----------
    JCGM 100:2008, 4.2.7 note 1, 5.2.2 (correlated contributions).
    """
    tiles = int(np.count_nonzero(change))
    if tiles < 3:
        return math.nan if change.size < 3 else 0.0
    square = float(np.sum(change**2))
    total = square * tiles / (tiles - 1.0)
    for first, second in (
        (change[1:], change[:-1]), (change[:, 1:], change[:, :-1]),
        (change[1:, 1:], change[:-1, :-1]), (change[1:, :-1], change[:-1, 1:]),
    ):
        together = first * second
        apart = np.count_nonzero(together) * square / tiles**2
        total += 2.0 * max(0.0, float(np.sum(together)) + apart)
    return math.sqrt(total)


def _extreme_spread(high: FloatArray, low: FloatArray) -> tuple[dict[str, float], float]:
    """Spread of the extreme heights from the tails of the tiles' own, and its freedom."""
    tails = tails_of(np.stack([high, -low]))
    top, bottom = (LARGEST_SPREAD * tails.scale).tolist()
    spread = {"Sp": top, "Sv": bottom, "Sz": math.hypot(top, bottom)}
    return spread, float(tails.freedom.min())


def _tile_sums(
    height_um: FloatArray, spacing_um: tuple[float, float]
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
    """Sum powers of height and of slopes by tile, with each tile's highest and lowest."""
    rows, cols = height_um.shape
    row_borders, col_borders = tile_borders(rows), tile_borders(cols)
    shape = (row_borders.size - 1, col_borders.size - 1)
    names = ("n", "1", "sign", "abs", "2", "3", "4", "m", "g", "e")
    sums = {name: np.zeros(shape) for name in names}
    high, low = np.full(shape, -np.inf), np.full(shape, np.inf)
    step = max(8, BAND_HEIGHTS // cols)
    for tile in range(shape[0]):
        for start in range(row_borders[tile], row_borders[tile + 1], step):
            stop = min(start + step, row_borders[tile + 1])
            first = max(start - HALO, 0)
            wide = height_um[first : stop + HALO]
            inner = slice(start - first, stop - first)
            fields, top, bottom = _band_fields(wide, inner, spacing_um)
            for name, field in fields.items():
                sums[name][tile] += np.add.reduceat(field, col_borders[:-1])
            high[tile] = np.maximum(high[tile], np.maximum.reduceat(top, col_borders[:-1]))
            low[tile] = np.minimum(low[tile], np.minimum.reduceat(bottom, col_borders[:-1]))
    empty = sums["n"] == 0
    high[empty], low[empty] = np.nan, np.nan
    return sums, high, low


def _band_fields(
    wide: FloatArray, inner: slice, spacing_um: tuple[float, float]
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
    """Column sums over a band of rows; ``wide`` has the rows that the slopes need beyond it."""
    z = wide[inner]
    slope = local_slopes(wide, spacing_um[0], axis=0)[inner] ** 2
    slope += local_slopes(z, spacing_um[1], axis=1) ** 2
    top, bottom = np.fmax.reduce(z, axis=0), np.fmin.reduce(z, axis=0)
    top = np.where(np.isnan(top), -np.inf, top)
    bottom = np.where(np.isnan(bottom), np.inf, bottom)
    fields = {"n": np.isfinite(z), "m": np.isfinite(slope)}
    if not fields["n"].all():
        z = np.where(fields["n"], z, 0.0)
    if not fields["m"].all():
        slope = np.where(fields["m"], slope, 0.0)
    square = z * z
    fields.update({
        "1": z, "sign": np.sign(z), "abs": np.abs(z), "2": square,
        "3": square * z, "4": square * square,
        "g": slope, "e": np.sqrt(1.0 + slope) - 1.0,
    })
    summed = {name: field.sum(axis=0, dtype=np.float64) for name, field in fields.items()}
    return summed, top, bottom


def areal_material_values(height_um: FloatArray, settings: MaterialSettings) -> ArealValues:
    """Return the material ratio, volume and probability parameters of a surface.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm from the mean plane, NaN outside the region.
    settings : MaterialSettings
        Where the curve is read.

    Returns
    -------
    ArealValues

    References
    ----------
    ISO 25178-2:2021, 4.5.
    """
    flat = height_um[np.isfinite(height_um)]
    flat.sort()
    curve = flat[::-1].copy()[None]
    value = {name: float(field[0]) for name, field in _curve_values(curve, settings).items()}
    tiles, extremes, (shape, at) = _tile_curves(height_um)
    if tiles.shape[0] < 3:
        return ArealValues(value, dict.fromkeys(value, math.nan), {}, 0.0, {})
    left_out = curves_without_one(tiles[None])[0]
    without = _curve_values(left_out, settings)
    without["Sq"] = np.sqrt(np.mean(left_out**2, axis=1))
    sampling: dict[str, float] = {}
    freedom: dict[str, float] = {}
    for name, field in without.items():
        added = np.zeros(shape)
        # pseudo-values of the jackknife, over their number
        added.ravel()[at] = (1.0 - at.size) / at.size * (field - field.mean())
        sampling[name] = spread_of_sum(added) if np.isfinite(field).all() else math.nan
        freedom[name] = float(freedom_of(added.ravel()))
    u_rms_rel = sampling.pop("Sq") / math.sqrt(float(np.mean(flat**2)))
    spread = slope_spread(
        curve, extremes, np.array([u_rms_rel]), settings.difference_ratios)
    sampling["Spq"], sampling["Svq"] = float(spread.plateau[0]), float(spread.dale[0])
    freedom["Spq"] = freedom["Svq"] = float(spread.freedom[0])
    sampling["Ssk"], sampling["Sku"] = float(spread.skewness[0]), float(spread.kurtosis[0])
    # leaving out tiles tells of the curve's middle, moving its tails of its ends
    sampling["Smq"] = float(np.fmax(sampling["Smq"], spread.transition[0]))
    apart = np.array([value["Spq"] - value["Svq"]])
    value["Smq"] = float(sure_transition(np.array([value["Smq"]]), apart, spread)[0])
    return ArealValues(value, sampling, freedom, 0.0, {})


def _curve_values(curve: FloatArray, settings: MaterialSettings) -> dict[str, FloatArray]:
    return material_values(curve, settings, "S") | probability_values(curve, "S")


_Places = np.ndarray[tuple[int], np.dtype[np.int64]]


def _tile_curves(
    height_um: FloatArray,
) -> tuple[FloatArray, tuple[FloatArray, FloatArray], tuple[tuple[int, int], _Places]]:
    """Thinned curves of the tiles that lie well inside the region, with the grid and their places.

    Between them the highest and the lowest height of every such tile, each (1, tiles).
    """
    row_borders, col_borders = tile_borders(height_um.shape[0]), tile_borders(height_um.shape[1])
    shape = row_borders.size - 1, col_borders.size - 1
    curves, places, extremes = [], [], []
    for place, ((top, bottom), (left, right)) in enumerate(
        product(pairwise(row_borders), pairwise(col_borders))
    ):
        tile = height_um[top:bottom, left:right]
        rising = np.sort(tile[np.isfinite(tile)])
        if rising.size < max(FULL_TILE * tile.size, 4):
            continue
        extremes.append((rising[-1], rising[0]))
        if rising.size < TILE_CURVE:
            rising = np.repeat(rising, -(-TILE_CURVE // rising.size))
        curves.append(thinned_curve(rising[None, ::-1], TILE_CURVE)[0])
        places.append(place)
    stacked = np.stack(curves) if curves else np.empty((0, TILE_CURVE))
    high, low = np.reshape(extremes, (1, -1, 2)).transpose(2, 0, 1)
    return stacked, (high, low), (shape, np.asarray(places, dtype=np.int64))
