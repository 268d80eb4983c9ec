"""Profile parameters over batches of profiles: heights, slopes, sections, spread between blocks.

Everything here takes (batch, n) heights from the mean line and returns (batch,) values; the
public calls with names, units and uncertainty are in ``roughness``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.material_ratio import MaterialSettings, material_values, probability_values
from edgeqc.measure.profile_elements import (
    HEIGHT_DISCRIMINATION,
    SPACING_DISCRIMINATION,
    profile_elements,
)
from edgeqc.measure.slopes import local_slopes
from edgeqc.quantity import FloatArray

BLOCKS = 10
"""Blocks into which the evaluation length is cut to see how parameters vary along it: enough
for a variance with 9 degrees of freedom, few enough for a block to be longer than the
correlation length of any profile that is long enough for its section length."""

BLOCK_CURVE = 40
"""Points to which the material ratio curve of a block is thinned for its scatter."""

MIN_BLOCK = 16
"""Fewest heights in a block of which parameters are taken."""


@dataclass(frozen=True)
class ProfileSettings:
    """How profile parameters are taken.

    Parameters
    ----------
    material : MaterialSettings
        Where the material ratio curve is read.
    height_discrimination : float
        Least height of a hill or dale, as a share of Rz.
    spacing_discrimination : float
        Least width of a hill or dale, as a share of the section length.

    References
    ----------
    ISO 21920-2:2021 and ISO 21920-3:2021 (the two discriminations from memory).
    """

    material: MaterialSettings = field(default_factory=MaterialSettings)
    height_discrimination: float = HEIGHT_DISCRIMINATION
    spacing_discrimination: float = SPACING_DISCRIMINATION

    def element_reading(self, kind: str) -> dict[str, str]:
        """Return, by symbol, what the profile elements leave out, in words."""
        words = (
            f"elements of at least {100 * self.height_discrimination:g} % of {kind}z and"
            f" {100 * self.spacing_discrimination:g} % of the section length"
        )
        return {kind + "Sm": words, kind + "c": words}


@dataclass(frozen=True)
class ProfileValues:
    """Values of a batch of profiles and how they scatter along the profile.

    Parameters
    ----------
    value : dict of str to (batch,) float array
        Symbol without its leading letter (``"a"``, ``"q"``, ``"z"``, ``"Sm"``) -> value.
    sampling : dict of str to (batch,) float array
        Standard uncertainty from the finite evaluation length.
    freedom : dict of str to float
        Degrees of freedom of that uncertainty.
    levelling : (batch,) float array
        Variance of the mean line's height, in µm²: what removing it takes from the mean square.
    restless : (batch,) float array, optional
        Root mean square move of a robust filter's line in its last round, in µm; 0 where it had
        settled, None without a robust filter.
    """

    value: dict[str, FloatArray]
    sampling: dict[str, FloatArray]
    freedom: dict[str, float]
    levelling: FloatArray
    restless: FloatArray | None = None


def profile_values(
    height_um: FloatArray,
    spacing_um: float,
    starts: NDArray[np.int64],
    settings: ProfileSettings,
) -> ProfileValues:
    """Return every profile parameter of a batch of profiles.

    Parameters
    ----------
    height_um : (batch, n) float array
        Heights in µm; NaN in gaps. Each profile's mean is taken off here.
    spacing_um : float
        Sampling interval in µm.
    starts : (sections + 1,) int array
        Borders of the section lengths; they span the evaluation length, which may be shorter
        than the profile.
    settings : ProfileSettings
        How they are taken.

    Returns
    -------
    ProfileValues

    References
    ----------
    ISO 21920-2:2021.
    """
    z = height_um[:, starts[0] : starts[-1]]
    gaps = bool(np.isnan(z).any())
    mean = np.nanmean if gaps else np.mean
    z = z - mean(z, axis=1, keepdims=True)
    z -= mean(z, axis=1, keepdims=True)  # the rounding of a large offset's mean is left over
    value: dict[str, FloatArray] = {}
    sampling: dict[str, FloatArray] = {}
    freedom: dict[str, float] = {}
    levelling = _moments(z, local_slopes(z, spacing_um), value, sampling)
    freedom.update(dict.fromkeys(value, BLOCKS - 1.0))
    _sections(z, starts - starts[0], value, sampling, freedom)
    _elements(z, spacing_um, settings, value, sampling, freedom, len(starts) - 1)
    _material(z, settings.material, value, sampling, freedom)
    return ProfileValues(value, sampling, freedom, levelling)


def _block_mean(field: FloatArray, borders: NDArray[np.int64]) -> FloatArray:
    """Mean of each block, allowing for gaps: (batch, blocks)."""
    inner = borders[:-1]
    result: FloatArray = np.add.reduceat(field, inner, axis=1) / np.diff(borders)
    if np.isfinite(result).all():  # one gap makes its block's sum NaN
        return result
    valid = np.isfinite(field)
    total = np.add.reduceat(np.where(valid, field, 0.0), inner, axis=1)
    count = np.add.reduceat(valid.astype(np.float64), inner, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 0, total / count, np.nan)


def block_borders(samples: int) -> NDArray[np.int64]:
    """Return the borders of the blocks of a profile.

    References
    ----------
    Batch means of a correlated series: Management Science 1983;29(9):1090 (from memory).
    """
    blocks = max(1, min(BLOCKS, samples // MIN_BLOCK))
    return np.rint(np.linspace(0, samples, blocks + 1)).astype(np.int64)


def spread_of_mean(blocks: FloatArray) -> FloatArray:
    """Return the standard uncertainty of the mean of (..., blocks) block values.

    Notes
    -----
    The scatter of the block means, with the correlation of neighbouring blocks added where it
    is positive; never less than without it.

    References
    ----------
    JCGM 100:2008, 4.2.3 and 4.2.7 note 1; batch means as in ``block_borders``.
    """
    known = np.isfinite(blocks)
    count = known.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, blocks, 0.0).sum(axis=-1) / count
        deviation = np.where(known, blocks - mean[..., None], 0.0)
        square = (deviation * deviation).sum(axis=-1) / (count - 1)
        pairs = (deviation[..., 1:] * deviation[..., :-1]).sum(axis=-1) / (count - 1)
        # deviations from the blocks' own mean pull neighbours apart by square/count
        together = np.maximum(pairs + square / count, 0.0)
        return np.where(count > 2, np.sqrt((square + 2.0 * together) / count), np.nan)


def _spreads(of_blocks: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Spread of the mean of each field's blocks, all fields in one go."""
    spreads = spread_of_mean(np.stack(list(of_blocks.values())))
    return dict(zip(of_blocks, spreads, strict=True))


def _moments(
    z: FloatArray, slope: FloatArray, value: dict[str, FloatArray], sampling: dict[str, FloatArray]
) -> FloatArray:
    """Parameters that are means over the evaluation length, by way of block means."""
    borders = block_borders(z.shape[1])
    weight = _weights(z, borders)
    square = z * z
    slope_square = slope * slope
    excess = np.sqrt(1.0 + slope_square) - 1.0
    fields = {
        "1": z, "abs": np.abs(z), "2": square, "3": square * z, "4": square * square,
        "da": np.abs(slope), "dq": slope_square, "dl": excess,
    }
    block = {name: _block_mean(field, borders) for name, field in fields.items()}
    mean = {name: np.nansum(field * weight, axis=1) for name, field in block.items()}
    shift = {name: field - mean[name][:, None] for name, field in block.items()}
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.sqrt(mean["2"])
        sk, ku = mean["3"] / q**3, mean["4"] / q**4
        dq = np.sqrt(mean["dq"])
        value.update({"a": mean["abs"], "q": q, "sk": sk, "ku": ku})
        value.update({"da": mean["da"], "dq": dq, "dl": 100.0 * mean["dl"]})
        q1, sk1, ku1, dq1 = (field[:, None] for field in (q, sk, ku, dq))
        # first-order change of each parameter with the block means (JCGM 100:2008, 5.1.2)
        change = {
            "a": shift["abs"],
            "q": shift["2"] / (2.0 * q1),
            "sk": (shift["3"] / q1**3) - 3.0 * shift["1"] / q1 - 1.5 * sk1 * shift["2"] / q1**2,
            "ku": shift["4"] / q1**4 - 4.0 * sk1 * shift["1"] / q1
            - 2.0 * ku1 * shift["2"] / q1**2,
            "da": shift["da"], "dq": shift["dq"] / (2.0 * dq1), "dl": 100.0 * shift["dl"],
        }
    spreads = _spreads({**change, "1": block["1"]})
    levelling: FloatArray = np.nan_to_num(spreads.pop("1")) ** 2
    sampling.update(spreads)
    return levelling


def _weights(z: FloatArray, borders: NDArray[np.int64]) -> FloatArray:
    """Share of each block in the valid heights."""
    valid = np.isfinite(z)
    if valid.all():
        return np.broadcast_to(np.diff(borders) / z.shape[1], (z.shape[0], borders.size - 1))
    count = np.add.reduceat(valid.astype(np.float64), borders[:-1], axis=1)
    share: FloatArray = count / np.maximum(count.sum(axis=1, keepdims=True), 1.0)
    return share


def _sections(
    z: FloatArray,
    starts: NDArray[np.int64],
    value: dict[str, FloatArray],
    sampling: dict[str, FloatArray],
    freedom: dict[str, float],
) -> None:
    """Means over the section lengths, and the extremes over the evaluation length."""
    high = np.fmax.reduceat(z, starts[:-1], axis=1)
    low = -np.fmin.reduceat(z, starts[:-1], axis=1)
    both = high + low
    count = high.shape[1]
    mean = np.nanmean if np.isnan(both).any() else np.mean
    value.update({name: mean(f, axis=1) for name, f in (("z", both), ("p", high), ("v", low))})
    largest = [np.fmax.reduce(field, axis=1) for field in (high, low, both)]
    value["pt"], value["vt"], value["zx"] = largest
    value["t"] = value["pt"] + value["vt"]
    if count > 2:
        scatter = {k: _scatter(f) for k, f in (("z", both), ("p", high), ("v", low))}
        for name, of_sections in scatter.items():
            sampling[name] = of_sections / np.sqrt(count)
    else:
        scatter = {name: np.full(z.shape[0], np.nan) for name in ("z", "p", "v")}
        sampling.update(scatter)
    # a largest value scatters like the single sections at most
    for name, source in (("pt", "p"), ("vt", "v"), ("t", "z"), ("zx", "z")):
        sampling[name] = scatter[source]
    freedom.update(dict.fromkeys(("z", "p", "v", "pt", "vt", "t", "zx"), max(count - 1.0, 1.0)))


def _scatter(sections: FloatArray) -> FloatArray:
    """Return the standard deviation between the sections; NaN where fewer than two are known."""
    valid = np.isfinite(sections)
    count = valid.sum(axis=1)
    mean = np.where(valid, sections, 0.0).sum(axis=1) / np.maximum(count, 1)
    square = np.where(valid, sections - mean[:, None], 0.0) ** 2
    return np.where(count > 1, np.sqrt(square.sum(axis=1) / np.maximum(count - 1, 1)), np.nan)


def _elements(
    z: FloatArray,
    spacing_um: float,
    settings: ProfileSettings,
    value: dict[str, FloatArray],
    sampling: dict[str, FloatArray],
    freedom: dict[str, float],
    sections: int,
) -> None:
    least_height = settings.height_discrimination * value["z"]
    section_um = z.shape[1] * spacing_um / sections
    least_width = settings.spacing_discrimination * section_um
    elements = profile_elements(z, spacing_um, least_height, least_width)
    value.update({"Sm": elements.spacing_um, "c": elements.height_um})
    sampling.update({"Sm": elements.u_spacing_um, "c": elements.u_height_um})
    freedom.update(dict.fromkeys(("Sm", "c"), max(float(elements.count.min()) - 1.0, 1.0)))


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


def _material(
    z: FloatArray,
    settings: MaterialSettings,
    value: dict[str, FloatArray],
    sampling: dict[str, FloatArray],
    freedom: dict[str, float],
) -> None:
    curve = falling_curve(z, z.shape[1])
    values = material_values(curve, settings)
    values.update(probability_values(curve))
    value.update({name.removeprefix("R"): field for name, field in values.items()})
    blocks = block_borders(z.shape[1]).size - 1
    if blocks < 3:
        sampling.update(dict.fromkeys((k.removeprefix("R") for k in values), mean_free(z)))
        return
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
    sampling.update(_spreads(pseudo))
    freedom.update(dict.fromkeys(pseudo, blocks - 1.0))


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
