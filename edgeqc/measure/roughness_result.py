"""Roughness values with their doubt and everything that they rest on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import convolve1d
from scipy.special import stdtrit

from edgeqc.errors import MeasurementError
from edgeqc.measure.coverage_interval import KURTOSIS, coverage_interval
from edgeqc.measure.roughness_row import Basis, RoughnessRow, Zone
from edgeqc.measure.roughness_symbols import Symbol, symbol_of
from edgeqc.quantity import FloatArray, Measured, combine

NOISY = 0.3
"""Share of height noise, over the value, from which it is said that noise dominates: about half
of the value's square is then noise."""

LAG_KERNEL = 16
"""Steps to either side of the kernel that gives noise its correlation from point to point."""

LARGEST_RECIPROCAL = 0.75
"""Half-width of a kurtosis over its excess above 1 from which its uncertainty is not known: its
interval would reach to four times that excess and beyond."""

COVERAGE = 0.95
"""Coverage probability of the intervals."""

SAMPLING = "sampling along the surface"
PIXEL = "pixel size"
HEIGHT_SCALE = "height scale"
NOISE = "height noise"
ENDS = "filter ends"
LEVELLING = "levelling"
ROUNDS = "rounds of the robust filter"

NOT_SETTLED = "the robust filter had not settled: the nesting index is too short for these heights"

REACH = 4.0
"""How far, in last moves, a line that has not settled may stand from where it would: on profiles
of white noise, grooves, spikes and self-affine heights, filtered at 10 to 60 samples, Rq after 30
rounds is off that after 400 by less than 4 last moves in 95 % of those that had not settled; of 11
such self-affine surfaces Sq after 10 rounds is off that after 300 by 0 to 4.5."""

LARGEST_DOUBT = 2.0
"""Standard uncertainty over value from which a positive parameter gets no number: its interval
would reach from nothing to five times the value and more."""

TOO_DOUBTFUL = "its doubt is more than twice its value"

FEW_DECIDE = "uncertainty unknown: a few heights far out decide it"

NO_TRANSITION = "the probability curve's two slopes are alike: no transition"


@dataclass(frozen=True)
class HeightDoubt:
    """What is known of the errors of a height map or contour before any parameter is taken.

    Parameters
    ----------
    noise_um : float
        Standard deviation of the height noise in µm. It is taken out of every parameter that it
        adds to (`noise_taken_out`).
    noise_u_rel : float
        Relative standard uncertainty of ``noise_um``.
    height_u_rel : float
        Relative standard uncertainty of the height scale (tilt, pixel size).
    spacing_u_rel : float
        Relative standard uncertainty of the lateral scale.
    noise_correlation_um : float
        Distance l over which the noise goes together, autocorrelation exp(-(r/l)²); 0 for noise
        that is new at every point. Heights from matched windows have noise as wide as those.
    noise_lags : tuple of float
        Correlation of the noise of heights 1, 2, ... steps apart, where it is known that way
        (edges read from a picture); takes the place of ``noise_correlation_um``.

    References
    ----------
    JCGM 100:2008, 4.1.4.
    """

    noise_um: float = 0.0
    noise_u_rel: float = 0.1
    height_u_rel: float = 0.0
    spacing_u_rel: float = 0.0
    noise_correlation_um: float = 0.0
    noise_lags: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        figures = (
            self.noise_um, self.noise_u_rel, self.height_u_rel, self.spacing_u_rel,
            self.noise_correlation_um, *np.abs(self.noise_lags),
        )
        if not all(math.isfinite(figure) and figure >= 0 for figure in figures):
            raise MeasurementError(
                f"the doubt of the heights is {figures}",
                rule="Noise and relative uncertainties are finite numbers, zero or more.",
                remedy="Give standard deviations.",
            )

    def weights(self, spacing_um: float) -> FloatArray:
        """Return the kernel that makes such noise of white noise; its squares sum to one."""
        if self.noise_lags:
            return _weights_of(self.noise_lags)
        sigma = 0.5 * self.noise_correlation_um / spacing_um
        half = int(4.0 * sigma + 0.5)
        if half == 0:
            return np.ones(1)
        kernel: FloatArray = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
        kernel /= np.sqrt(np.sum(kernel**2))
        return kernel

    def draw(
        self, rng: np.random.Generator, shape: tuple[int, ...], spacing_um: tuple[float, ...]
    ) -> FloatArray:
        """Return such noise in µm, along as many of the last axes as there are spacings."""
        noise: FloatArray = rng.normal(0.0, self.noise_um, shape)
        for axis, step in zip(range(-len(spacing_um), 0), spacing_um, strict=True):
            kernel = self.weights(step)
            if kernel.size > 1:
                noise = convolve1d(noise, kernel, axis=axis, mode="wrap")
        return noise


def _weights_of(lags: tuple[float, ...]) -> FloatArray:
    """Return the even kernel that gives white noise these correlations."""
    at = np.arange(-LAG_KERNEL, LAG_KERNEL + 1)
    correlation = np.zeros(at.size)
    correlation[LAG_KERNEL] = 1.0
    for lag, share in enumerate(lags, start=1):
        correlation[LAG_KERNEL + lag] = correlation[LAG_KERNEL - lag] = share
    # correlations known only in part may ask for less than nothing at some frequency
    power = np.maximum(np.fft.fft(np.fft.ifftshift(correlation)).real, 0.0)
    kernel: FloatArray = np.fft.fftshift(np.fft.ifft(np.sqrt(power)).real)
    kernel /= np.sqrt(np.sum(kernel**2))
    return kernel


@dataclass(frozen=True)
class Conditions:
    """Under what conditions a set of roughness values holds.

    Parameters
    ----------
    kind : str
        ``"R"``, ``"P"``, ``"W"`` for a profile, ``"S"`` for a surface.
    filter : str
        Name of the L-filter, ``"none"`` without one.
    nesting_index_um, short_nesting_index_um : float or None
        Nesting indices of the L- and the S-filter.
    end_treatment : str
        What was done at ends and gaps.
    form : str
        What form was taken off.
    section_length_um : float or None
        Section length of a profile.
    evaluation_length_um : float or None
        Evaluation length of a profile; the longer side of a surface.
    evaluation_area_um2 : float or None
        Area of a surface over which the values were taken, without gaps.
    standard : str
        Standard of the definitions.
    note : str
        ``""`` for a default setting, else ``"non-default: ..."``.
    readings : mapping of str to str
        Symbol -> where on the material ratio curve, or after what pruning, it is read.
    """

    kind: str
    filter: str = "none"
    nesting_index_um: float | None = None
    short_nesting_index_um: float | None = None
    end_treatment: str = ""
    form: str = "mean"
    section_length_um: float | None = None
    evaluation_length_um: float | None = None
    evaluation_area_um2: float | None = None
    standard: str = ""
    note: str = ""
    readings: Mapping[str, str] = field(default_factory=dict)

    def in_words(self) -> str:
        """Return form, S-filter, end treatment and extent, as they stand beside every value."""
        parts = [] if self.form == "mean" else [f"F-operator: {self.form}"]
        if self.short_nesting_index_um is not None:
            parts.append(f"S-filter: Gaussian, nesting index {self.short_nesting_index_um:.3g} µm")
        if self.end_treatment:
            parts.append(f"ends: {self.end_treatment}")
        if self.section_length_um is not None and self.kind == "R" and (
            "section length" not in self.note
        ):
            parts.append(f"section length {self.section_length_um:.4g} µm")
        if self.evaluation_area_um2 is not None:
            area = float(f"{self.evaluation_area_um2:.4g}")
            parts.append(f"area {area:.0f} µm²" if area >= 1000 else f"area {area:g} µm²")
        return "; ".join(parts)


@dataclass(frozen=True)
class Roughness(Mapping[str, Measured]):
    """Roughness values by the standard's symbol, with their conditions.

    Parameters
    ----------
    values_by_symbol : mapping of str to Measured
        Symbol -> value; NaN with a note where it could not be had.
    conditions : Conditions
        Band, lengths, form, standard.
    """

    values_by_symbol: Mapping[str, Measured]
    conditions: Conditions

    def __getitem__(self, symbol: str) -> Measured:
        # "Rmr(c)" and "Rmc(p)" stand for the values at the settings' c and p
        return self.values_by_symbol[symbol.partition("(")[0]]

    def __iter__(self) -> Iterator[str]:
        return iter(self.values_by_symbol)

    def __len__(self) -> int:
        return len(self.values_by_symbol)

    def rows(self, zone: Zone, basis: Basis) -> tuple[RoughnessRow, ...]:
        """Return the values as rows of ``roughness.csv`` for a zone and basis."""
        given = self.conditions
        words = given.in_words()
        rows = []
        for name, value in self.items():
            entry = symbol_of(name)
            read = given.readings.get(name, "")
            notes = [text for text in (given.note, read, value.note, words) if text]
            clause = f"{given.standard}, {entry.family}" if given.standard else ""
            rows.append(
                RoughnessRow(
                    zone, basis, name, entry.title, value, given.filter, given.nesting_index_um,
                    given.evaluation_length_um, clause, "; ".join(notes),
                )
            )
        return tuple(rows)


@dataclass(frozen=True)
class Shares:
    """Shares of the standard uncertainty of one parameter over a batch, each (batch,)."""

    shares: Mapping[str, FloatArray] = field(default_factory=dict)
    freedom: FloatArray | float = math.inf

    def total(self) -> FloatArray:
        """Root sum of squares of the shares (JCGM 100:2008, 5.1.2)."""
        square = np.sum([share**2 for share in self.shares.values()], axis=0)
        total: FloatArray = np.sqrt(square)
        return total


def scale_shares(value: FloatArray, symbol: Symbol, doubt: HeightDoubt) -> dict[str, FloatArray]:
    """Return the shares that the lateral and the height scale have in a value's uncertainty.

    References
    ----------
    JCGM 100:2008, 5.1.3 (sensitivity of a power law).
    """
    shares = {}
    if symbol.lateral_power and doubt.spacing_u_rel:
        shares[PIXEL] = np.abs(value * symbol.lateral_power) * doubt.spacing_u_rel
    if symbol.height_power and doubt.height_u_rel:
        shares[HEIGHT_SCALE] = np.abs(value * symbol.height_power) * doubt.height_u_rel
    return shares


def noise_share(value: FloatArray, noisier: FloatArray, symbol: Symbol) -> FloatArray:
    """Return how much of a value is height noise, from what adding the noise once more does.

    Parameters
    ----------
    value, noisier : (batch,) float array
        The value, and that of the same heights with the noise added a second time.
    symbol : Symbol
        The parameter; of one that grows with height, squares add up, of any other the change
        itself is taken.

    References
    ----------
    Simulation and extrapolation: J. Am. Stat. Assoc. 1994;89:1314 (from memory).
    """
    change = np.abs(noisier - value)
    if symbol.height_power != 1.0 or not symbol.positive:
        return change
    share: FloatArray = np.maximum(change, np.abs(value - extrapolated(value, noisier)))
    return share


def extrapolated(value: FloatArray, noisier: FloatArray) -> FloatArray:
    """Return a height parameter without noise, as adding the noise once more says: squares add up.

    References
    ----------
    Simulation and extrapolation: J. Am. Stat. Assoc. 1994;89:1314 (from memory).
    """
    without: FloatArray = np.sqrt(np.maximum(2.0 * value**2 - noisier**2, 0.0))
    return without


def too_doubtful(value: float, u: float, symbol: Symbol) -> bool:
    """Tell whether a parameter that is positive by definition is too doubtful for a number."""
    return symbol.positive and value > 0 and u > LARGEST_DOUBT * value


def no_number(unit: str, note: str, n: int) -> Measured:
    """Return a value that is too doubtful for a number, with its reason."""
    said = "; ".join(text for text in (note, TOO_DOUBTFUL) if text)
    return Measured(math.nan, math.nan, unit, n=n, note=said)


def measured(
    value: float,
    budget: dict[str, float],
    freedom: float,
    symbol: Symbol,
    *,
    note: str = "",
    n: int = 1,
) -> Measured:
    """Return a value with its budget and its 95 % coverage interval.

    Notes
    -----
    The interval uses Student's factor at the effective degrees of freedom, where only the
    sampling share is of few, on the parameter's own scale (`coverage_interval`). Where the
    standard uncertainty of a parameter that is positive by definition is more than twice the
    value, no number is given: such an interval says nothing but that it is not known.

    References
    ----------
    JCGM 100:2008, G.4.1 (effective degrees of freedom), G.3.2 (factor).
    """
    if not math.isfinite(value):
        return Measured(math.nan, math.nan, symbol.unit, n=n, note=note or "could not be had")
    unknown = sorted(name for name, share in budget.items() if not math.isfinite(share))
    if unknown:
        note = "; ".join([text for text in (note,) if text] + [f"unknown: {', '.join(unknown)}"])
        return Measured(value, math.nan, symbol.unit, budget, n, note=note)
    u = combine(budget)
    if too_doubtful(value, u, symbol):
        return no_number(symbol.unit, note, n)
    share = budget.get(SAMPLING, 0.0)
    ratio = min(u / share, 1e3) if share > 0 else 1e3
    factor = float(stdtrit(min(freedom * ratio**4, 1e6), 0.5 + COVERAGE / 2))
    if symbol.title == KURTOSIS and factor * u > LARGEST_RECIPROCAL * (value - 1.0):
        said = "; ".join(text for text in (note, FEW_DECIDE) if text)
        return Measured(value, math.nan, symbol.unit, budget, n, note=said)
    low, high = coverage_interval(value, factor * u, share, symbol)
    noise = budget.get(NOISE, 0.0)
    if noise > NOISY * abs(value) and symbol.positive and symbol.height_power:
        note = "; ".join([text for text in (note,) if text] + ["dominated by height noise"])
    return Measured(value, u, symbol.unit, budget, n, float(low), float(high), note)
