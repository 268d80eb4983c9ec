"""Height noise taken out of roughness parameters: what adding it once more does, backwards.

Noise of a known size is added to the heights a second time. How a parameter answers tells what the
first noise, that of the measurement, has done to it already.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.measure.roughness_result import extrapolated, noise_share
from edgeqc.measure.roughness_symbols import Symbol
from edgeqc.quantity import FloatArray

ALL_NOISE = "the height noise accounts for all of the roughness"
BROKEN_UP = "the height noise breaks hills and dales up: no number can be had from them"

LEAST_RISE = 3.0
"""Pruning threshold over the noise below which hills and dales are those of the noise: on drawn
surfaces, at 3.5 times the noise, their density is 6 to 15 % too high and comes out right when the
noise is taken out; at twice the noise it is 25 to 70 % too high, and does not."""

ELEMENTS_OF_NOISE = "the height noise makes profile elements of its own: no spacing can be had"

MOST_ELEMENTS = 0.3
"""Share of a mean spacing that noise may have taken away: of edges drawn and read from pictures it
was up to 16 % too small where a fifth was told, and 30 to 40 % where two fifths were."""

LEAST_BEND, LEAST_LEFT = 4.0, 0.5
"""Mean curvature of peaks over that of the noise from which it gets a number, and share of it that
must be left without noise: what is taken out is then right within itself on drawn surfaces."""

HILLS = frozenset({"Spd", "Svd", "Sha", "Sda", "Shv", "Sdv"})
CURVATURES = frozenset({"Spc", "Svc"})
LEVELS = frozenset({"Smc", "Sal"})
SCALED = frozenset(
    {"a", "Sa", "da", "c", "k", "pk", "vk", "dc", "mc", "vmp", "vmc", "vvc", "vvv"})
"""Parameters that go down by as much as the root mean square does: those of few heights, of which
adding noise once more says too little."""
EXACT = frozenset({"dq", "Sdq"})
DEVELOPED = frozenset({"dl", "Sdr"})
UNTOUCHED = frozenset({"pq", "vq", "mq", "Spq", "Svq", "Smq", "Str", "Std"})
"""Parameters whose chance answer to noise is larger than what noise does to them on average: they
are left as found, and that answer is their doubt."""


@dataclass(frozen=True)
class NoiseKnown:
    """What is known of the noise in a batch of profiles or a surface.

    Parameters
    ----------
    left : (batch,) float array
        Root mean square height without noise over that with it; NaN where noise is all.
    slope_left : (batch,) float array
        The same for the root mean square slope.
    u_left_rel : (batch,) float array
        Relative standard uncertainty of ``left``.
    u_rel : float
        Relative standard uncertainty of the noise's standard deviation.
    broken : bool
        Whether the noise makes hills and dales of its own (`broken_up`).
    bend : float
        Standard deviation of the noise's own curvature; NaN where it is not known.
    """

    left: FloatArray
    slope_left: FloatArray
    u_left_rel: FloatArray
    u_rel: float
    broken: bool = False
    bend: float = math.nan


@dataclass(frozen=True)
class TakenOut:
    """A parameter without noise.

    Parameters
    ----------
    value : (batch,) float array
        The value, NaN where noise leaves none.
    growth : (batch,) float array
        Factor by which its other shares of uncertainty grow.
    share : (batch,) float array
        Standard uncertainty from the noise.
    why : str
        Why there is no value, where there is none.
    """

    value: FloatArray
    growth: FloatArray
    share: FloatArray
    why: str = ALL_NOISE


def noise_known(
    rms: FloatArray, noise_left_um: float, slopes: tuple[FloatArray, FloatArray], u_rel: float
) -> NoiseKnown:
    """Return what is known of the noise from its size and from what it does to slopes.

    Parameters
    ----------
    rms : (batch,) float array
        Root mean square height with noise.
    noise_left_um : float
        Standard deviation of the noise after the filters.
    slopes : ((batch,) float array, (batch,) float array)
        Root mean square slope, and that with noise added once more.
    u_rel : float
        Relative standard uncertainty of the noise.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        square = 1.0 - (noise_left_um / rms) ** 2
        left = np.sqrt(np.where(square > 0, square, np.nan))
        u_left = (noise_left_um / (rms * left)) ** 2 * u_rel
        without = extrapolated(*slopes)
        slope_left = np.where(without > 0, without, np.nan) / slopes[0]
    return NoiseKnown(np.asarray(left), np.asarray(slope_left), np.asarray(u_left), u_rel)


def broken_up(least_rise_um: float, noise_left_um: float) -> bool:
    """Tell whether height noise makes hills and dales of its own.

    Parameters
    ----------
    least_rise_um : float
        Pruning threshold in µm.
    noise_left_um : float
        Standard deviation of the noise after the filters.

    References
    ----------
    None: a limit found by drawing surfaces, see `LEAST_RISE`.
    """
    return least_rise_um < LEAST_RISE * noise_left_um


def without_noise(
    name: str, symbol: Symbol, pair: tuple[FloatArray, FloatArray], noise: NoiseKnown
) -> TakenOut:
    """Return a parameter without noise, and what the noise leaves of doubt.

    Parameters
    ----------
    name : str
        ``"Sq"``, ... of a surface; ``"q"``, ... of a profile.
    symbol : Symbol
        Its entry.
    pair : ((batch,) float array, (batch,) float array)
        The value, and the mean of those with noise added once more.
    noise : NoiseKnown
        What is known of the noise.

    Notes
    -----
    The root mean square goes down in quadrature, Ra, Sa and what is read from the material ratio
    curve of a profile (and the mean slope) by the same factor, which is right for Gaussian
    heights; how far that is from what adding the noise once more says is part of the doubt. The
    spacing of elements is left as found: noise adds elements in proportion to its amplitude, and
    what that says of the value without noise is its doubt, or the reason for none. Third and
    fourth moments about the mean keep their cumulants, those of Gaussian noise being zero: exact.
    Squares of any other parameter that grows with height go up evenly with the noise's variance,
    also exactly for Gaussian heights and for the root mean square slope; the developed length or
    area goes up with it in first order, or with the square of the slope, which bracket it. Of
    hills and dales the logarithm is taken.

    How far to trust such a step: where it is not exact, an even distribution from no correction to
    twice the correction (GUM 4.3.7); for hills, dales and curvature, whose answer to noise bends
    most, the whole correction as a standard uncertainty. The noise's own doubt comes on top.

    References
    ----------
    Simulation and extrapolation: J. Am. Stat. Assoc. 1994;89:1314 (from memory). JCGM 100:2008,
    4.3.7. Cumulants of a sum of independent parts add up, closed form.
    """
    value, noisier = pair
    flat = np.ones_like(value)
    if symbol.title == "Skewness" or symbol.title == "Kurtosis":
        power, centre = (3, 0.0) if symbol.title == "Skewness" else (4, 3.0)
        grown = noise.left**-power
        moved = centre + (value - centre) * grown
        return TakenOut(moved, grown, np.abs(moved - centre) * power * noise.u_left_rel)
    if name in ("q", "Sq"):
        moved = value * noise.left
        return TakenOut(moved, 1.0 / noise.left, moved * noise.u_left_rel)
    if name in SCALED:
        kept = noise.slope_left if name == "da" else noise.left
        moved = value * kept
        other = np.where(value > 0, extrapolated(value, noisier), 2.0 * value - noisier)
        known = moved * noise.u_left_rel if name != "da" else _squares_known(
            pair, moved, noise.u_rel)
        return TakenOut(moved, 1.0 / kept, np.hypot(known, moved - other))
    if name in HILLS:
        return _by_logarithm(pair, noise)
    if name == "Sm":
        share = np.abs(noisier - value) / (math.sqrt(2.0) - 1.0)
        return TakenOut(np.where(share > MOST_ELEMENTS * value, np.nan, value), flat, share)
    if name in LEVELS:
        gained = noisier - value
        share = np.abs(gained) * math.hypot(2.0 * noise.u_rel, 1.0 / math.sqrt(3.0))
        return TakenOut(value - gained, flat, share)
    if name in DEVELOPED:
        ways = 2.0 * value - noisier, value * noise.slope_left**2
        moved = 0.5 * (ways[0] + ways[1])
        open_ = np.abs(ways[0] - ways[1]) / math.sqrt(12.0)
        share = np.hypot(open_, 2.0 * noise.u_rel * np.abs(value - moved))
        return TakenOut(np.where(moved > 0, moved, np.nan), flat, share)
    if symbol.height_power == 1.0 and symbol.positive and name not in UNTOUCHED:
        return _by_squares(name, pair, noise)
    return TakenOut(value, flat, noise_share(value, noisier, symbol))


def scatter_without_noise(
    name: str, symbol: Symbol, pair: tuple[FloatArray, FloatArray], blocks: tuple[FloatArray, ...],
) -> FloatArray | None:
    """Return the pseudo-values of a parameter without noise, None where noise adds no chance.

    Parameters
    ----------
    name, symbol
        As of `without_noise`.
    pair : ((batch,) float array, (batch,) float array)
        The value, and the mean of those with noise added once more.
    blocks : ((batch, blocks) float array, (batch, blocks) float array)
        Their pseudo-values, block by block.

    Notes
    -----
    Read backwards, the noise that happens to lie in a block counts more than once: the scatter
    is that of the extrapolated value, to first order.

    References
    ----------
    JCGM 100:2008, 5.1.2.
    """
    (value, noisier), (one, two) = pair, blocks
    if symbol.height_power != 1.0 or not symbol.positive or name in UNTOUCHED | SCALED | {"q"}:
        return None
    moved = extrapolated(value, noisier)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((2.0 * value[:, None] * one - noisier[:, None] * two) / moved)


def _squares_known(
    pair: tuple[FloatArray, FloatArray], moved: FloatArray, u_rel: float
) -> FloatArray:
    """Return what the doubt of the noise's size does to a value whose square it adds to."""
    with np.errstate(invalid="ignore", divide="ignore"):
        known: FloatArray = np.abs(pair[1] ** 2 - pair[0] ** 2) * u_rel / moved
    return known


def _by_squares(
    name: str, pair: tuple[FloatArray, FloatArray], noise: NoiseKnown
) -> TakenOut:
    value = pair[0]
    moved = extrapolated(*pair)
    least = LEAST_LEFT if name in CURVATURES else 0.0
    if name in CURVATURES:
        bent = value > LEAST_BEND * (noise.bend if math.isfinite(noise.bend) else math.inf)
        moved = np.where(bent & (not noise.broken), moved, np.nan)
    moved = np.where((moved > least * value) | (value == 0), moved, np.nan)
    model = 0.0 if name in EXACT else 1.0 if name in CURVATURES else 1.0 / math.sqrt(3.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        growth = np.where(value > 0, value / moved, 1.0)
        known = np.where(value > 0, _squares_known(pair, moved, noise.u_rel), 0.0)
    share = np.hypot(known, model * np.abs(value - moved))
    return TakenOut(moved, growth, share, BROKEN_UP if name in CURVATURES else ALL_NOISE)


def _by_logarithm(pair: tuple[FloatArray, FloatArray], noise: NoiseKnown) -> TakenOut:
    value, noisier = pair
    with np.errstate(invalid="ignore", divide="ignore"):
        step = np.log(noisier / value)
    moved = value * np.exp(-step) if not noise.broken else np.full_like(value, np.nan)
    share = moved * np.abs(step) * math.hypot(1.0, 2.0 * noise.u_rel)
    return TakenOut(moved, np.exp(-step), share, BROKEN_UP)
