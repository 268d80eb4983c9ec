"""Numbers as a paper prints them."""

from __future__ import annotations

import math
from collections.abc import Sequence


def decimals_for(spread: float) -> int:
    """Return the decimals that show two significant digits of a spread (none above 10)."""
    if not (math.isfinite(spread) and spread > 0):
        return 3
    return min(max(1 - math.floor(math.log10(spread)), 0), 6)


def number(value: float, decimals: int) -> str:
    """Return a number with so many decimals, a true minus sign, a dash where it is missing.

    Examples
    --------
    >>> number(-0.0213, 3)
    '−0.021'
    """
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def interval(low: float, high: float, decimals: int) -> str:
    """Return ``low to high``."""
    return f"{number(low, decimals)} to {number(high, decimals)}"


def p_value(p: float) -> str:
    """Return a p-value with its relation sign.

    Examples
    --------
    >>> p_value(0.0321), p_value(0.00002), p_value(0.4567)
    ('p = 0.032', 'p < 0.001', 'p = 0.46')
    """
    if p is None or math.isnan(p):
        return "no p-value"
    if p < 0.001:
        return "p < 0.001"
    if p < 0.1:
        # 0.0499 must not be printed as 0.050
        return f"p = {p:.3f}" if not 0.0495 <= p < 0.0505 else f"p = {p:.4f}"
    return f"p = {p:.2f}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """Return words joined as in a sentence.

    Examples
    --------
    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "lens", "lenses"), counted(3, "face")
    ('1 lens', '3 faces')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {plural or noun + 's'}"


def units_word(unit: str, count: int) -> str:
    """Return a count of units (lenses or specimens) in words."""
    return counted(count, unit, "lenses" if unit == "lens" else f"{unit}s")
