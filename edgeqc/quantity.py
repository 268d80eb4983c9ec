"""A number with its doubt: ``Measured`` for one value, ``Profile`` for values along the face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COVERAGE_FACTOR = 2.0
"""Coverage factor k of printed expanded uncertainties (JCGM 100:2008, 6.3.3: about 95 %)."""


@dataclass(frozen=True)
class Measured:
    """One measured value with its standard uncertainty and where that comes from.

    Parameters
    ----------
    value : float
        The estimate.
    u : float
        Standard uncertainty (k = 1), in ``unit``; ``nan`` where it is not known, and then
        ``note`` says why.
    unit : str
        ``"µm"``, ``"1"``, ``"deg"``, ``"J/cm²"``, ...
    budget : mapping of str to float
        Source of doubt -> its share of ``u``, in ``unit`` (combined in quadrature).
    n : int
        Number of readings behind the value.
    low, high : float, optional
        95 % coverage interval where it is not ``value ± 2 u``.
    note : str
        A plain sentence where something has to be said beside the number.

    References
    ----------
    JCGM 100:2008 (GUM), clauses 5.1.2 and 6.2.
    """

    value: float
    u: float
    unit: str
    budget: Mapping[str, float] = field(default_factory=dict)
    n: int = 1
    low: float | None = None
    high: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.u < 0:
            raise ValueError(f"a standard uncertainty is never negative, got {self.u}")

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k·u with k = 2 (JCGM 100:2008, 6.2.1)."""
        return COVERAGE_FACTOR * self.u

    @property
    def interval(self) -> tuple[float, float]:
        """95 % coverage interval: the stored one, else ``value ± 2 u``."""
        low = self.value - self.expanded if self.low is None else self.low
        high = self.value + self.expanded if self.high is None else self.high
        return low, high

    def scaled(self, factor: float, unit: str, u_rel: float = 0.0, source: str = "") -> Measured:
        """Return the value times an exact or doubtful factor, in another unit.

        Parameters
        ----------
        factor : float
            What the value is multiplied by, ``unit`` per old unit.
        unit : str
            Unit of the result.
        u_rel : float
            Relative standard uncertainty of the factor.
        source : str
            Name of the factor in the budget; needed when ``u_rel`` > 0.
        """
        budget = {name: share * abs(factor) for name, share in self.budget.items()}
        if u_rel > 0:
            budget[source] = math.hypot(budget.get(source, 0.0), self.value * factor * u_rel)
        u = math.hypot(self.u * factor, self.value * factor * u_rel)
        low, high = None, None
        if self.low is not None and self.high is not None:
            ends = []
            for end in (self.low, self.high):
                # the scale's doubt widens each half-width in quadrature
                half = math.hypot((end - self.value) * factor, 2 * self.value * factor * u_rel)
                ends.append(self.value * factor + math.copysign(half, end - self.value))
            low, high = min(ends), max(ends)
        return Measured(self.value * factor, u, unit, budget, self.n, low, high, self.note)


def combine(budget: Mapping[str, float]) -> float:
    """Return the root sum of squares of a budget's independent shares (JCGM 100:2008, 5.1.2)."""
    return math.sqrt(sum(share * share for share in budget.values()))


def format_measured(value: float, u: float) -> tuple[str, str]:
    """Return value and uncertainty as text, rounded to the same decimal place.

    The uncertainty keeps two significant digits (JCGM 100:2008, 7.2.6) and the value is rounded
    to the same place.

    Examples
    --------
    >>> format_measured(0.84731, 0.01234)
    ('0.847', '0.012')
    """
    if not math.isfinite(value):
        return "—", "—"
    if not math.isfinite(u) or u <= 0:
        return f"{value:.4g}", "—"
    decimals = 1 - math.floor(math.log10(u))
    if round(u, decimals) >= 10 ** (2 - decimals):
        decimals -= 1  # 0.0996 becomes 0.10, not 0.100
    if decimals <= 0:
        return f"{round(value, decimals):.0f}", f"{round(u, decimals):.0f}"
    return f"{value:.{decimals}f}", f"{u:.{decimals}f}"


@dataclass(frozen=True)
class Profile:
    """Values along the face's length, with their doubt.

    Parameters
    ----------
    s_um : (n,) float array
        Position along the face in µm (or in pixels where no scale is known: see ``s_unit``).
    value : (n,) float array
        The value at each position.
    u : (n,) float array
        Standard uncertainty of each value.
    unit : str
        Unit of ``value``.
    valid : (n,) bool array
        Where the value may be used.
    s_unit : str
        ``"µm"``, or ``"px"`` where the picture has no scale.
    """

    s_um: FloatArray
    value: FloatArray
    u: FloatArray
    unit: str
    valid: BoolArray
    s_unit: str = "µm"

    def correlation_length(self) -> float:
        """Integral correlation length of the values along s, in samples (at least 1)."""
        data = self.value[self.valid]
        if data.size < 4 or np.ptp(data) == 0:
            return 1.0
        centred = data - data.mean()
        power = np.abs(np.fft.rfft(centred, 2 * data.size)) ** 2
        acf = np.fft.irfft(power)[: data.size]
        acf /= acf[0]
        below = np.nonzero(acf <= 0)[0]
        last = int(below[0]) if below.size else data.size // 2
        return float(max(1.0, 1.0 + 2.0 * acf[1:last].sum()))

    def mean(self) -> Measured:
        """Mean over the valid stretch; its u allows for correlation along s.

        Notes
        -----
        u² = s²·τ/n + ū², with τ the integral correlation length in samples: the sampling of a
        correlated series (JCGM 100:2008, 4.2.7 note 1), plus the mean of the pointwise doubt
        taken as common to all points (the cautious choice).
        """
        data = self.value[self.valid]
        if data.size == 0:
            return Measured(math.nan, math.nan, self.unit, n=0, note="no valid point along s")
        spread = float(data.std(ddof=1)) if data.size > 1 else 0.0
        sampling = spread * math.sqrt(min(1.0, self.correlation_length() / data.size))
        common = float(np.mean(self.u[self.valid]))
        budget = {"sampling along s": sampling, "pointwise doubt": common}
        return Measured(float(data.mean()), combine(budget), self.unit, budget, int(data.size))
