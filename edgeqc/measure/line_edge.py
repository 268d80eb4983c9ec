"""Line-edge roughness: biased and noise-unbiased Rq, correlation length, roughness exponent.

The edge of a face against the background is a true length profile. Its own measurement noise
adds to its roughness; the power spectral density tells the two apart, because noise is white and
roughness is not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft
from scipy.special import stdtrit

from edgeqc.errors import MeasurementError
from edgeqc.measure.edge_signal import EdgeSignal, Fitted
from edgeqc.measure.edge_spectrum import ExpectedPeriodogram, misfit, taper
from edgeqc.measure.height_checks import check_height_range, check_spacing
from edgeqc.quantity import BoolArray, FloatArray, Measured, combine

MIN_POINTS = 64
"""Fewest points of an edge from which a spectrum is fitted."""

MIN_KNOWN = 0.5
"""Least share of an edge that must be known."""

DETREND_BINS = 1
"""Lowest frequencies left out beside zero and each order of the line taken off: they hold what
taking it off has removed."""

HANN_CORRELATION = 1.0 + 2.0 * ((2.0 / 3.0) ** 2 + (1.0 / 6.0) ** 2)
"""How much the variance of a sum over a Hann-windowed periodogram exceeds that of independent
bins (correlation of neighbouring bins -2/3 and 1/6)."""

UNKNOWN_LOG_SPREAD = 2.0
"""Standard deviation, in the logarithm, of a fitted value about which the spectrum is silent."""

MAX_STEPS, LOG_STEP, MIN_GAIN = 60, 1e-4, 1e-7
"""Steps of the fit at most, its step in the logarithms for derivatives, and the gain in
log-likelihood below which it ends."""

LARGEST_LOG = 10.0
"""Largest half-width of an interval in the logarithm: beyond it nothing is known anyway."""

_SAMPLING, _NOISE, _PIXEL = "sampling along the surface", "noise", "pixel size"

USUAL_EXPONENT, USUAL_EXPONENT_LOG_SPREAD = 0.7, 0.4
"""Prior of the roughness exponent (log-normal): edges have 0.4 to 1 (common practice, no source).
It matters only for a single short edge, whose spectrum says next to nothing of the exponent."""

LEAST_NOISE_LOG_SPREAD = 0.02
"""No noise is known beforehand to less than this share."""

EXPONENT_BOUNDS = (0.1, 1.5)
"""Range in which the roughness exponent is sought."""

UNRESOLVED = 2.0
"""Correlation lengths below this many sampling intervals cannot be told from noise."""

TOO_LONG = 5.0
"""An edge shorter than this many correlation lengths does not fix them."""


@dataclass(frozen=True)
class LineEdge:
    """Roughness of an edge.

    Parameters
    ----------
    values : dict of str to Measured
        ``"Rq_biased"`` as measured, ``"Rq_unbiased"`` without noise, over this length;
        ``"Rq_endless"`` of an endless edge (finite length corrected); ``"three_sigma"``, three
        times the unbiased Rq; ``"correlation_length"``; ``"exponent"``; ``"noise"``.
    frequency_per_um, density_um3, fitted_um3 : (bins,) float arrays
        Mean two-sided power spectral density, and the model fitted to it.
    evaluation_length_um, spacing_um : float
        Length and sampling interval.
    lines : int
        Number of edges.
    treatment : str
        Line taken off, window, and how noise was told apart.
    """

    values: dict[str, Measured]
    frequency_per_um: FloatArray
    density_um3: FloatArray
    fitted_um3: FloatArray
    evaluation_length_um: float
    spacing_um: float
    lines: int
    treatment: str


def line_edge_roughness(
    edge_um: ArrayLike,
    spacing_um: float,
    *,
    detrend: int = 1,
    spacing_u_rel: float = 0.0,
    noise_um: tuple[float, float] | None = None,
    noise_correlation: tuple[float, ...] = (),
) -> LineEdge:
    """Return the roughness of one edge, or of several of one kind, with its noise taken out.

    Parameters
    ----------
    edge_um : (n,) or (lines, n) array
        Deviation of the edge in µm, across it, at equal steps along it; NaN marks gaps.
    spacing_um : float
        Step along the edge in µm.
    detrend : {0, 1, 2}
        Order of the line taken off each edge first: mean, straight line, parabola.
    spacing_u_rel : float
        Relative standard uncertainty of the pixel size, common to both directions.
    noise_um : (float, float), optional
        What is known beforehand of the noise of a point: standard deviation in µm, and its
        relative standard uncertainty. Without it the spectrum's white floor alone decides.
    noise_correlation : tuple of float
        Correlation of the noise of points 1, 2, ... steps apart; empty for white noise.

    Returns
    -------
    LineEdge

    Notes
    -----
    The model density plus the noise's floor is fitted by Whittle's likelihood to the Hann-windowed
    periodogram, with leakage, aliasing and gaps in what is expected of it. Rq_unbiased is that of
    the edge as seen, freed of noise frequency by frequency (`edge_signal`). Shares of u: "sampling
    along the surface", "noise" and "pixel size"; those of the fitted values come from the
    likelihood's curvature.

    References
    ----------
    Biometrika 2019;106(2):251 (likelihood); NIST 2005 and arXiv 2001.00433 (noise and
    levelling bias). SEMI P47-0307 covers evaluation length, interval and edge roughness; its
    default length and interval are not asserted here.
    """
    spacing = check_spacing(spacing_um)
    edges = _checked(edge_um)
    valid = np.isfinite(edges)
    flat = _detrended(edges, valid, detrend)
    windows = taper(valid.astype(np.float64))
    periodogram = np.abs(fft.rfft(np.where(valid, flat, 0.0) * windows, axis=1)) ** 2
    density = periodogram.mean(axis=0) * spacing / edges.shape[1]
    expected = ExpectedPeriodogram(windows, spacing, noise_correlation)
    bins = slice(1 + DETREND_BINS * (1 + detrend), None)
    biased = math.sqrt(float(np.mean(flat[valid] ** 2)))
    best, covariance = _fit(density, expected, bins, (edges.shape[0], biased), noise_um)
    length = edges.shape[1] * spacing
    signal = EdgeSignal(flat, valid, spacing, noise_correlation)
    values = _values(best, covariance, (biased, length, spacing), spacing_u_rel,
                     signal)
    names = ("mean", "straight line", "parabola")
    return LineEdge(
        values, expected.frequency, density, expected.of(*best), length, spacing,
        edges.shape[0], f"{names[detrend]} taken off; Hann window; white noise fitted"
        + ("" if noise_um is None else f" about {noise_um[0]:.3g} µm predicted"),
    )


def line_width_rq(left_um: float, right_um: float, correlation: float = 0.0) -> float:
    """Return the root mean square width deviation from those of the two edges.

    Parameters
    ----------
    left_um, right_um : float
        Root mean square deviation of either edge.
    correlation : float
        Correlation of the two edges, -1 to 1.

    References
    ----------
    JCGM 100:2008, 5.2.2 (correlated difference).

    Examples
    --------
    >>> round(line_width_rq(1.0, 1.0), 6)
    1.414214
    """
    square = left_um**2 + right_um**2 - 2.0 * correlation * left_um * right_um
    return math.sqrt(max(square, 0.0))


def _checked(edge_um: ArrayLike) -> FloatArray:
    edges = np.atleast_2d(np.asarray(edge_um, dtype=np.float64))
    if edges.ndim != 2 or edges.shape[1] < MIN_POINTS:
        raise MeasurementError(
            f"the edge has the shape {np.shape(edge_um)}",
            rule=f"An edge has at least {MIN_POINTS} points.",
            remedy="Measure along a longer stretch or at a smaller step.",
        )
    known = np.isfinite(edges).mean(axis=1)
    if (known < MIN_KNOWN).any():
        raise MeasurementError(
            f"only {100 * known.min():.0f} % of an edge is known",
            rule=f"At least {100 * MIN_KNOWN:.0f} % of its points are numbers.",
            remedy="Leave that edge out, or cut it to its known stretch.",
        )
    edges = np.where(np.isfinite(edges), edges, np.nan)
    for edge in edges:
        check_height_range(float(np.nanmin(edge)), float(np.nanmax(edge)), "edge")
    return edges


def _detrended(edges: FloatArray, valid: BoolArray, order: int) -> FloatArray:
    if order not in (0, 1, 2):
        raise MeasurementError(
            f"the order of the line to take off is {order!r}", rule="It is 0, 1 or 2.",
            remedy="Take a curved form off first.",
        )
    x = np.linspace(-1.0, 1.0, edges.shape[1])
    basis = np.polynomial.legendre.legvander(x, order)
    flat = np.empty_like(edges)
    for row in range(edges.shape[0]):
        good = valid[row]
        factors = np.linalg.lstsq(basis[good], edges[row, good], rcond=None)[0]
        flat[row] = edges[row] - basis @ factors
    return flat


def _fit(
    density: FloatArray,
    expected: ExpectedPeriodogram,
    bins: slice,
    figures: tuple[int, float],
    noise_um: tuple[float, float] | None,
) -> tuple[Fitted, FloatArray]:
    """Whittle's likelihood; parameters sigma, correlation length, exponent, noise."""
    lines, biased = figures
    seen = density[bins]
    n, step = expected.n, expected.spacing_um
    low = np.log([1e-3 * biased, 0.3 * step, EXPONENT_BOUNDS[0], 1e-3 * biased])
    high = np.log([10.0 * biased, n * step, EXPONENT_BOUNDS[1], 2.0 * biased])

    of_unit = lru_cache(maxsize=8)(expected.of_unit)

    def model(log: FloatArray) -> FloatArray:
        sigma, length, exponent, noise = (float(value) for value in np.exp(log))
        whole = sigma**2 * of_unit(length, exponent) + noise**2 * expected.noise_of_unit
        return np.asarray(whole[bins])

    floor = math.sqrt(float(np.median(seen[-max(seen.size // 8, 4):])) / step)
    if noise_um is not None:
        floor = min(noise_um[0], biased)
    known = _prior(noise_um)
    found = []
    for share in (0.01, 0.05):
        start = np.log([biased, share * n * step, USUAL_EXPONENT, max(floor, 2e-3 * biased)])
        found.append(_score(model, seen, np.clip(start, low, high), (low, high), (lines, known)))
    _, log, information = min(found, key=lambda item: item[0])
    # a spectrum that is not the model's says less, beside what was known beforehand
    share = 1.0 / misfit(seen, model(log), lines / HANN_CORRELATION)
    if share < 1.0:
        _, log, information = _score(model, seen, log, (low, high), (share * lines, known))
    # a direction in which the spectrum says nothing gets a wide spread, not none
    spread = np.array([UNKNOWN_LOG_SPREAD, UNKNOWN_LOG_SPREAD, np.inf, UNKNOWN_LOG_SPREAD])
    covariance: FloatArray = np.linalg.inv(information + np.diag(1.0 / spread**2)).astype(float)
    sigma, length, exponent, noise = (float(value) for value in np.exp(log))
    return (sigma, length, exponent, noise), covariance


def _prior(noise_um: tuple[float, float] | None) -> tuple[FloatArray, FloatArray]:
    """Return centre and precision of what is known of the four logarithms beforehand."""
    centre = np.array([0.0, 0.0, math.log(USUAL_EXPONENT), 0.0])
    precision = np.array([0.0, 0.0, 1.0 / USUAL_EXPONENT_LOG_SPREAD**2, 0.0])
    if noise_um is not None and noise_um[0] > 0:
        centre[3] = math.log(noise_um[0])
        precision[3] = 1.0 / max(noise_um[1], LEAST_NOISE_LOG_SPREAD) ** 2
    return centre, precision


def _score(
    model: Callable[[FloatArray], FloatArray],
    seen: FloatArray,
    start: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
    known: tuple[float, tuple[FloatArray, FloatArray]],
) -> tuple[float, FloatArray, FloatArray]:
    """Minimise by Fisher's scoring with damped steps: loss, logarithms, information.

    ``known``: number of lines, and centre and precision of what is known beforehand.
    """
    weight = known[0] / HANN_CORRELATION
    centre, precision = known[1]
    prior = np.diag(precision)

    def loss(log: FloatArray, density: FloatArray) -> float:
        whittle = float(np.sum(np.log(density) + seen / density))
        return weight * whittle + 0.5 * float(precision @ (log - centre) ** 2)

    log, density = start, model(start)
    reached = loss(log, density)
    damping = 1e-2
    for _ in range(MAX_STEPS):
        shifted = [model(log + LOG_STEP * unit) for unit in np.eye(4)]
        jacobian = np.log(np.stack(shifted) / density) / LOG_STEP
        information: FloatArray = weight * jacobian @ jacobian.T + prior
        slope = weight * jacobian @ (1.0 - seen / density) + prior @ (log - centre)
        # what a bound holds back must not bend the step of the others
        free = ~(((log <= bounds[0]) & (slope > 0)) | ((log >= bounds[1]) & (slope < 0)))
        gained = 0.0
        while damping < 1e6:
            damped = information + damping * np.diag(np.diag(information) + 1e-9)
            step = np.zeros(4)
            step[free] = np.linalg.solve(damped[np.ix_(free, free)], slope[free])
            new = np.clip(log - step, *bounds)
            new_density = model(new)
            new_loss = loss(new, new_density)
            if new_loss < reached:
                gained = reached - new_loss
                log, density, reached = new, new_density, new_loss
                damping = max(damping / 10.0, 1e-9)
                break
            damping *= 10.0
        if gained < MIN_GAIN:
            break
        damping = min(damping, 1e3)
    return reached, log, information


def _values(
    best: Fitted,
    covariance: FloatArray,
    figures: tuple[float, float, float],
    spacing_u_rel: float,
    signal: EdgeSignal,
) -> dict[str, Measured]:
    """Put values and shares of uncertainty together; ``figures``: biased, length, step."""
    sigma, correlation_um, exponent, noise = best
    biased, length, step = figures
    u_log = np.sqrt(np.diag(covariance))
    sampling = signal.sampling_um2() / (2.0 * biased)
    note = _doubts(correlation_um, length, step)
    square = biased**2 - noise**2
    values = {"Rq_biased": _measured(biased, {_SAMPLING: sampling}, "µm", spacing_u_rel)}
    if square > 0:
        unbiased, u_noise = signal.rms_um(best, covariance)
        shares = {_SAMPLING: sampling * biased / unbiased, _NOISE: u_noise}
        values["Rq_unbiased"] = _measured(unbiased, shares, "µm", spacing_u_rel, note)
        tripled = {source: 3.0 * share for source, share in shares.items()}
        values["three_sigma"] = _measured(3.0 * unbiased, tripled, "µm", spacing_u_rel, note)
    else:
        gone = "the noise accounts for all of the roughness"
        for name in ("Rq_unbiased", "three_sigma"):
            values[name] = Measured(math.nan, math.nan, "µm", note=gone)
    fitted = (
        ("Rq_endless", sigma, 0, "µm"),
        ("correlation_length", correlation_um, 1, "µm"),
        ("exponent", exponent, 2, "1"),
        ("noise", noise, 3, "µm"),
    )
    for name, value, index, unit in fitted:
        share = {_SAMPLING: value * float(u_log[index])}
        rel = spacing_u_rel if unit == "µm" else 0.0
        values[name] = _measured(value, share, unit, rel, note if name != "noise" else "")
    return values


def _doubts(correlation_um: float, length: float, step: float) -> str:
    if correlation_um < UNRESOLVED * step:
        return "correlation length is below two steps: roughness and noise cannot be told apart"
    if correlation_um * TOO_LONG > length:
        return f"edge is shorter than {TOO_LONG:g} correlation lengths"
    return ""


def _measured(
    value: float, shares: dict[str, float], unit: str, spacing_u_rel: float, note: str = ""
) -> Measured:
    budget = dict(shares)
    if spacing_u_rel > 0:
        budget[_PIXEL] = value * spacing_u_rel
    u = combine(budget)
    # a spread from few independent features is skewed: the interval is taken in the logarithm,
    # with Student's factor for as many degrees of freedom as give that relative uncertainty
    freedom = max(0.5 * (value / u) ** 2, 1.0) if u > 0 else math.inf
    factor = float(stdtrit(min(freedom, 1e6), 0.975))
    ratio = math.exp(min(factor * u / value, LARGEST_LOG)) if value > 0 else 1.0
    return Measured(value, u, unit, budget, low=value / ratio, high=value * ratio, note=note)
