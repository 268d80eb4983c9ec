"""Drawing primitives for the study's figures: scales, marks and text as SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

INK = "#1c2326"
FAINT = "#5b666b"
RULE = "#c9d0d3"
WASH = "#eef1f3"
ACCENT = "#0072B2"
WARM = "#D55E00"
FONT = "'Source Sans Pro', 'Source Sans 3', 'Segoe UI', Helvetica, Arial, sans-serif"

CHARACTER = 0.49
"""Mean width of a character of the text face, as a share of its size."""


@dataclass(frozen=True)
class Scale:
    """A straight map from values to points of the picture.

    Parameters
    ----------
    low, high : float
        Values at the ends.
    start, end : float
        Points at the ends.
    """

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Point of a value, held inside the ends."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, -0.02), 1.02) * (self.end - self.start)


def nice_scale(
    low: float, high: float, start: float, end: float, *, ticks: int = 5
) -> tuple[Scale, list[float]]:
    """Return a scale with room around the values, and its ticks at round numbers.

    Parameters
    ----------
    low, high : float
        Range of the values.
    start, end : float
        Points of the ends.
    ticks : int
        About how many.
    """
    if not high - low > 1e-9 * max(abs(low), abs(high)):
        pad = abs(low) * 0.1 or 1.0
        low, high = low - pad, high + pad
    raw = (high - low) / ticks
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    marks = [round(index * step, 12) for index in range(first, last + 1)]
    return Scale(marks[0], marks[-1], start, end), marks


def tick_text(value: float, marks: Sequence[float]) -> str:
    """Return a tick's number with as many decimals as the step needs."""
    step = abs(marks[1] - marks[0]) if len(marks) > 1 else abs(value) or 1.0
    decimals = 0
    while decimals < 6 and abs(round(step, decimals) - step) > 1e-9 * step:
        decimals += 1
    return f"{value:.{decimals}f}".replace("-", "−")


def _clean(words: str) -> str:
    """Return words safe inside SVG: marks escaped, control characters left out."""
    return escape("".join(letter for letter in words if letter.isprintable()))


def text(
    column: float, row: float, words: str, *, size: float = 12, anchor: str = "start",
    colour: str = INK, weight: str = "normal",
) -> str:
    """Return a line of text; ``column`` and ``row`` place its base line."""
    style = "" if weight == "normal" else f' font-weight="{weight}"'
    return (f'<text x="{column:.1f}" y="{row:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
            f' fill="{colour}"{style}>{_clean(words)}</text>')


def line(
    start: tuple[float, float], end: tuple[float, float], *, colour: str = INK,
    width: float = 1.0, dash: str = "",
) -> str:
    """Return a straight line between two points (column, row)."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}"'
            f' stroke="{colour}" stroke-width="{width:g}"{dashes}/>')


def dot(
    column: float, row: float, *, radius: float = 3.4, fill: str = ACCENT, stroke: str = "#ffffff",
    width: float = 0.8, opacity: float = 1.0,
) -> str:
    """Return a round mark."""
    clear = "" if opacity >= 1 else f' fill-opacity="{opacity:g}"'
    return (f'<circle cx="{column:.1f}" cy="{row:.1f}" r="{radius:g}" fill="{fill}"{clear}'
            f' stroke="{stroke}" stroke-width="{width:g}"/>')


def box(
    corner: tuple[float, float], size: tuple[float, float], *, fill: str = WASH,
    stroke: str = "none", opacity: float = 1.0,
) -> str:
    """Return a rectangle from its upper left corner and its width and height."""
    clear = "" if opacity >= 1 else f' fill-opacity="{opacity:g}"'
    return (f'<rect x="{corner[0]:.1f}" y="{corner[1]:.1f}" width="{max(size[0], 0):.1f}"'
            f' height="{max(size[1], 0):.1f}" fill="{fill}"{clear} stroke="{stroke}"/>')


def diamond(column: float, row: float, *, half: float = 5.5, fill: str = INK) -> str:
    """Return a mark for a mean."""
    points = (f"{column - half:.1f},{row:.1f} {column:.1f},{row - half:.1f}"
              f" {column + half:.1f},{row:.1f} {column:.1f},{row + half:.1f}")
    return f'<polygon points="{points}" fill="{fill}"/>'


def path(
    points: Sequence[tuple[float, float]], *, colour: str = INK, width: float = 1.5,
    fill: str = "none", dash: str = "", opacity: float = 1.0,
) -> str:
    """Return a line through points, or an area where ``fill`` is a colour."""
    places = " ".join(f"{column:.1f},{row:.1f}" for column, row in points)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    if fill != "none":
        return f'<polygon points="{places}" fill="{fill}" fill-opacity="{opacity:g}"/>'
    return (f'<polyline points="{places}" fill="none" stroke="{colour}" stroke-width="{width:g}"'
            f'{dashes} stroke-linejoin="round"/>')


def level_axis(
    scale: Scale, marks: Sequence[float], row: float, title: str, *, top: float | None = None
) -> list[str]:
    """Return an axis along the bottom with ticks, numbers and title; grid lines up to ``top``."""
    parts = []
    for mark in marks:
        column = scale(mark)
        if top is not None:
            parts.append(line((column, top), (column, row), colour=RULE, width=0.6))
        parts.append(line((column, row), (column, row + 4), colour=FAINT, width=0.8))
        parts.append(text(column, row + 17, tick_text(mark, marks), size=11, anchor="middle",
                          colour=FAINT))
    parts.append(line((scale.start, row), (scale.end, row), colour=FAINT, width=0.8))
    middle = (scale.start + scale.end) / 2
    parts.append(text(middle, row + 35, title, size=12, anchor="middle"))
    return parts


def upright_axis(
    scale: Scale, marks: Sequence[float], column: float, title: str, *, right: float | None = None
) -> list[str]:
    """Return an axis up the left side; grid lines to ``right``; the title stands above it."""
    parts = []
    for mark in marks:
        row = scale(mark)
        if right is not None:
            parts.append(line((column, row), (right, row), colour=RULE, width=0.6))
        parts.append(line((column - 4, row), (column, row), colour=FAINT, width=0.8))
        parts.append(text(column - 7, row + 4, tick_text(mark, marks), size=11, anchor="end",
                          colour=FAINT))
    parts.append(line((column, scale.start), (column, scale.end), colour=FAINT, width=0.8))
    parts.append(text(column - 34, min(scale.start, scale.end) - 12, title, size=12))
    return parts


def picture(width: float, height: float, parts: Sequence[str], words: str) -> str:
    """Return a whole figure as SVG text.

    Parameters
    ----------
    width, height : float
        Size in points.
    parts : sequence of str
        Marks, first ones at the back.
    words : str
        What the figure shows, for readers who cannot see it.
    """
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}"'
        f' width="{width:g}" height="{height:g}" role="img" font-family="{FONT}">'
        f"<title>{_clean(words)}</title>"
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>'
        + "".join(parts) + "</svg>\n")


def text_width(words: str, size: float = 12) -> float:
    """Return about how wide a line of text is."""
    return CHARACTER * size * len(words)
