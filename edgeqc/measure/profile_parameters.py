"""Profile parameters over batches of profiles: heights, slopes, sections, spread between blocks.

Everything here takes (batch, n) heights from the mean line and returns (batch,) values; the
public calls with names, units and uncertainty are in ``roughness``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.block_spread import (
    BLOCKS,
    block_borders,
    freedom_of,
    moments_left_out,
    spreads,
)
from edgeqc.measure.material_ratio import MaterialSettings
from edgeqc.measure.material_spread import material_with_spread
from edgeqc.measure.profile_elements import (
    HEIGHT_DISCRIMINATION,
    SPACING_DISCRIMINATION,
    profile_elements,
)
from edgeqc.measure.slopes import local_slopes
from edgeqc.quantity import FloatArray


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
    freedom : dict of str to float or (batch,) float array
        Degrees of freedom of that uncertainty.
    levelling : (batch,) float array
        Variance of the mean line's height, in µm²: what removing it takes from the mean square.
    restless : (batch,) float array, optional
        Root mean square move of a robust filter's line in its last round, in µm; 0 where it had
        settled, None without a robust filter.
    blocks : dict of str to (batch, blocks) float array
        Pseudo-values of each block or section length, whose scatter is ``sampling``; up to their
        common part.
    """

    value: dict[str, FloatArray]
    sampling: dict[str, FloatArray]
    freedom: dict[str, FloatArray | float]
    levelling: FloatArray
    restless: FloatArray | None = None
    blocks: dict[str, FloatArray] = field(default_factory=dict)


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
    freedom: dict[str, FloatArray | float] = {}
    levelling, blocks = _moments(z, local_slopes(z, spacing_um), value, sampling, freedom)
    blocks.update(_sections(z, starts - starts[0], value, sampling, freedom))
    _elements(z, spacing_um, settings, value, sampling, freedom, len(starts) - 1)
    found, spread, known, pseudo = material_with_spread(
        z, settings.material, sampling["q"])
    blocks.update(pseudo)
    value.update(found)
    for name, of_tails in ((name, spread.pop(name, None)) for name in ("sk", "ku")):
        if of_tails is not None:
            more = of_tails > sampling[name]
            freedom[name] = np.where(more, known["pq"], freedom[name])
            sampling[name] = np.where(more, of_tails, sampling[name])
    sampling.update(spread)
    freedom.update(known)
    return ProfileValues(value, sampling, freedom, levelling, blocks=blocks)


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


def _moments(
    z: FloatArray,
    slope: FloatArray,
    value: dict[str, FloatArray],
    sampling: dict[str, FloatArray],
    freedom: dict[str, FloatArray | float],
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Parameters that are means over the evaluation length, by way of block means."""
    borders = block_borders(z.shape[1])
    weight = _weights(z, borders)
    square = z * z
    slope_square = slope * slope
    excess = np.sqrt(1.0 + slope_square) - 1.0
    fields = {
        "1": z, "sign": np.sign(z), "abs": np.abs(z), "2": square,
        "3": square * z, "4": square * square,
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
        q1, dq1 = (field[:, None] for field in (q, dq))
        # first-order change of each parameter with the block means (JCGM 100:2008, 5.1.2)
        change = {
            # the mean line itself moves: more heights lie on one side of it where they are skewed
            "a": shift["abs"] - mean["sign"][:, None] * shift["1"],
            "q": shift["2"] / (2.0 * q1),
            "da": shift["da"], "dq": shift["dq"] / (2.0 * dq1), "dl": 100.0 * shift["dl"],
        }
    freedom.update(dict.fromkeys(value, BLOCKS - 1.0))
    sums = {name: np.nan_to_num(block[name]) * weight for name in "1234"}
    blocks = np.count_nonzero(weight, axis=1)[:, None]
    for name, added in zip(("sk", "ku"), moments_left_out(sums, weight), strict=True):
        change[name] = np.where(weight > 0, added * blocks, np.nan)
        freedom[name] = freedom_of(added)
    found = spreads({**change, "1": block["1"]})
    levelling: FloatArray = np.nan_to_num(found.pop("1")) ** 2
    sampling.update(found)
    return levelling, change


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
    freedom: dict[str, FloatArray | float],
) -> dict[str, FloatArray]:
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
    return {"z": both, "p": high, "v": low}


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
    freedom: dict[str, FloatArray | float],
    sections: int,
) -> None:
    least_height = settings.height_discrimination * value["z"]
    section_um = z.shape[1] * spacing_um / sections
    least_width = settings.spacing_discrimination * section_um
    elements = profile_elements(z, spacing_um, least_height, least_width)
    # the least height is a share of Rz, which is itself known only so well
    higher = least_height + settings.height_discrimination * np.nan_to_num(sampling["z"])
    other = profile_elements(z, spacing_um, higher, least_width)
    rows = (
        ("Sm", elements.spacing_um, elements.u_spacing_um, other.spacing_um),
        ("c", elements.height_um, elements.u_height_um, other.height_um),
    )
    for name, found, scatter, moved in rows:
        value[name] = found
        sampling[name] = np.hypot(scatter, np.nan_to_num(moved - found))
        freedom[name] = np.maximum(elements.count - 1.0, 1.0)
