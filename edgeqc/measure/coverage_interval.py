"""The 95 % coverage interval of a roughness value, on the scale that its parameter asks for."""

from __future__ import annotations

import math

from edgeqc.measure.roughness_symbols import Symbol

LARGEST_LOG_RATIO = 1.5
"""Half-width over value from which a positive parameter's interval starts at zero instead."""

ASPECT_RATIO = "Texture aspect ratio"
SKEWNESS, KURTOSIS = "Skewness", "Kurtosis"


def coverage_interval(
    value: float, half: float, sampling: float, symbol: Symbol
) -> tuple[float, float]:
    """Return the ends of the interval of a value.

    Parameters
    ----------
    value : float
        The value.
    half : float
        Half the width of an even interval: factor times standard uncertainty.
    sampling : float
        Standard uncertainty from the finite region alone.
    symbol : Symbol
        Its entry in the register.

    Notes
    -----
    For a parameter that is positive by definition the interval is taken on a logarithmic scale:
    the estimate of a spread from few independent features is itself skewed. What is estimated is
    the mean of that law, which lies above its median by half the square of the relative scatter.
    A kurtosis scatters as the square of its excess over 1, its least value, and a skewness grows
    with its own scatter: theirs are taken on the scales 1/(kurtosis - 1) and arsinh(skewness).

    References
    ----------
    JCGM 100:2008, G.5.3 (skewed laws); mean of a log-normal law, closed form.
    """
    if symbol.title == KURTOSIS:
        return _kurtosis_interval(value, half)
    if symbol.title == SKEWNESS:
        return _skewness_interval(value, half)
    low, high = value - half, value + half
    if symbol.positive and value > 0:
        if half < LARGEST_LOG_RATIO * value:
            middle = value * math.exp(min(0.5 * (sampling / value) ** 2, half / value))
            low, high = middle * math.exp(-half / value), middle * math.exp(half / value)
        else:
            low = 0.0
    if symbol.title == ASPECT_RATIO:
        high = min(high, 1.0)
    return low, high


def _kurtosis_interval(value: float, half: float) -> tuple[float, float]:
    """Interval of a kurtosis on the scale 1/(kurtosis - 1)."""
    excess = value - 1.0
    if not excess > 0:
        return value, value
    return 1.0 + excess / (1.0 + half / excess), 1.0 + excess / (1.0 - half / excess)


def _skewness_interval(value: float, half: float) -> tuple[float, float]:
    """Interval of a skewness on the scale arsinh(skewness)."""
    middle, reach = math.asinh(value), half / math.hypot(1.0, value)
    if reach > LARGEST_LOG_RATIO:
        return value - half, value + half
    return math.sinh(middle - reach), math.sinh(middle + reach)
