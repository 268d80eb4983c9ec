"""The depth profile along the face, as SVG: zones, cut depth with its interval, thickness.

The same drawing stands in the web page and in the PDF.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.face_profiles import FaceProfiles
from edgeqc.report.figures import ZONE_COLOURS, ZONE_LETTERS
from edgeqc.zoning.zones import LASER, OBSCURED, SCISSOR, TORN, ZoneMap

_WIDTH, _LEFT, _RIGHT = 720.0, 64.0, 14.0
_SECTION_TOP, _SECTION_HEIGHT = 16.0, 190.0
_GRAPH_HEIGHT, _GAP = 110.0, 34.0
_LETTER, _LINE = 6.2, 14.0  # width of a letter and height of a line, at 12 units
_COLUMNS = 240  # columns drawn of the zone map: finer than print resolves

_PATTERNS = {
    LASER: '<path d="M0,12 L12,0 M-3,3 L3,-3 M9,15 L15,9" stroke="{c}" stroke-width="1"/>',
    SCISSOR: '<path d="M6,0 L6,12" stroke="{c}" stroke-width="1.1"/>',
    TORN: '<circle cx="3" cy="3" r="1.3" fill="{c}"/><circle cx="9" cy="9" r="1.3" fill="{c}"/>',
    OBSCURED: '<path d="M0,12 L12,0 M0,0 L12,12" stroke="{c}" stroke-width="1"/>',
}


@dataclass(frozen=True)
class _Scale:
    """Linear map from data to drawing units."""

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return self.start + share * (self.stop - self.start)


def draw_profile_figure(
    profiles: FaceProfiles, zones: ZoneMap | None, *, depth_limit: float | None = None,
    name: str = "face", side_known: bool = True,
) -> str:
    """Return the figure of one face as SVG text.

    Parameters
    ----------
    profiles : FaceProfiles
        Thickness, depth fraction with its 95 % interval, and ligament along the face.
    zones : ZoneMap or None
        The zones that the section shows.
    depth_limit : float, optional
        The laboratory's least depth fraction, drawn as a line.
    name : str
        Makes the pattern names unique within a page.
    side_known : bool
        Whether the upper edge is known to be the anterior one; else it is not called so.
    """
    right = _WIDTH - _RIGHT
    along = _Scale(float(profiles.s[0]), float(profiles.s[-1]), _LEFT, right)
    deep = _Scale(0.0, 1.0, _SECTION_TOP, _SECTION_TOP + _SECTION_HEIGHT)
    graph_top = _SECTION_TOP + _SECTION_HEIGHT + _GAP
    parts = [_definitions(name)]
    parts += _section(profiles, zones, along, deep, name, side_known)
    if depth_limit is not None:
        parts.append(_line(_LEFT, deep(depth_limit), right, deep(depth_limit), dash="7 4"))
        parts.append(_text(right - 4, deep(depth_limit) - 4, f"limit {depth_limit:g}", "end"))
    parts += _axis_left(deep, [0.0, 0.25, 0.5, 0.75, 1.0], "depth / thickness")
    bottom = graph_top - _GAP
    if profiles.valid.any():
        parts += _lengths(profiles, along, graph_top)
        bottom = graph_top + _GRAPH_HEIGHT
    parts += _axis_below(along, bottom, f"along the face, {profiles.unit}")
    height = bottom + 44
    return _drawing(height, parts)


def draw_line_figure(
    along: NDArray[np.float64], values: NDArray[np.float64], *, below: str, left: str
) -> str:
    """Return values along a line as SVG text; gaps stay gaps.

    Parameters
    ----------
    along, values : (n,) float arrays
        Position and value; ``nan`` where there is none.
    below, left : str
        Titles of the axes, with units.
    """
    known = np.isfinite(values)
    low, high = float(values[known].min()), float(values[known].max())
    margin = 0.06 * (high - low) or 1.0
    ahead = _Scale(float(along[0]), float(along[-1]), _LEFT, _WIDTH - _RIGHT)
    up = _Scale(low - margin, high + margin, _SECTION_TOP + _GRAPH_HEIGHT, _SECTION_TOP)
    parts = [f'<rect x="{_n(_LEFT)}" y="{_n(up.stop)}" width="{_n(ahead.stop - ahead.start)}"'
             f' height="{_n(_GRAPH_HEIGHT)}" fill="none" stroke="#222"/>']
    for run in _runs(np.flatnonzero(known).tolist()):
        line = _points([ahead(along[i]) for i in run], [up(values[i]) for i in run])
        parts.append(f'<polyline points="{line}" fill="none" stroke="#222" stroke-width="1"/>')
    parts += _axis_left(up, _nice_ticks(up.low, up.high, 4), left)
    parts += _axis_below(ahead, up.start, below)
    return _drawing(up.start + 44, parts)


def _drawing(height: float, parts: Iterable[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}"'
        f' width="{_WIDTH:g}" height="{height:g}" font-family="Source Sans Pro, sans-serif"'
        f' font-size="12" fill="#222">' + "".join(parts) + "</svg>"
    )


def _definitions(name: str) -> str:
    patterns = "".join(
        f'<pattern id="{name}-{code}" width="12" height="12" patternUnits="userSpaceOnUse">'
        f'{body.format(c=ZONE_COLOURS[code])}</pattern>'
        for code, body in _PATTERNS.items()
    )
    return f"<defs>{patterns}</defs>"


def _section(
    profiles: FaceProfiles, zones: ZoneMap | None, along: _Scale, deep: _Scale, name: str,
    side_known: bool,
) -> list[str]:
    """Draw the unrolled face: anterior edge above, zones as areas, the depth line on top."""
    parts: list[str] = []
    letters: list[str] = []
    if zones is not None:
        # a fraction of a chord that an end cuts short is none of the thickness
        whole = profiles.valid if profiles.valid.any() else np.ones_like(profiles.valid)
        parts, letters = _zone_areas(zones.labels, whole, along, deep, name)
    frame = (f'<rect x="{_n(along.start)}" y="{_n(deep.start)}"'
             f' width="{_n(along.stop - along.start)}" height="{_n(deep.stop - deep.start)}"'
             ' fill="none" stroke="#222"/>')
    band = [index for index, ok in enumerate(profiles.lasered) if ok]
    for run in _runs(band):
        s = [along(profiles.s[i]) for i in run]
        low = [deep(min(1.0, profiles.depth_low[i])) for i in run]
        high = [deep(max(0.0, min(1.0, profiles.depth_high[i]))) for i in run]
        edge = _points([*s, *reversed(s)], [*low, *reversed(high)])
        parts.append(f'<polygon points="{edge}" fill="#fff" fill-opacity="0.8"/>')
        middle = _points(s, [deep(profiles.depth[i]) for i in run])
        parts.append(f'<polyline points="{middle}" fill="none" stroke="#000" stroke-width="1.8"/>')
    parts.append(frame)
    above, below = (("anterior edge", "posterior edge below") if side_known else
                    ("edge that depth is measured from (side not known)", ""))
    parts.append(_text(along.start + 5, deep.start - 4, above))
    parts.append(_text(along.stop - 5, deep.start - 4, below, "end"))
    return parts + letters


def _zone_areas(
    labels: NDArray[np.uint8], whole: NDArray[np.bool_], along: _Scale, deep: _Scale, name: str
) -> tuple[list[str], list[str]]:
    """Return each zone as one path of upright rectangles, and letters where they are tall.

    Columns whose chord is not ``whole`` stay empty.
    """
    n_t, n_s = labels.shape
    columns = min(_COLUMNS, n_s)
    picked = ((np.arange(columns) + 0.5) / columns * n_s).astype(int)
    width = (along.stop - along.start) / columns
    paths: dict[int, list[str]] = {}
    centres: dict[int, list[tuple[float, float, float]]] = {}
    for column, source in enumerate(picked):
        if not whole[source]:
            continue
        line = labels[:, source]
        edges = [0, *(np.flatnonzero(np.diff(line.astype(np.int16))) + 1).tolist(), n_t]
        left = along.start + column * width
        for start, stop in pairwise(edges):
            code, top, bottom = int(line[start]), deep(start / n_t), deep(stop / n_t)
            paths.setdefault(code, []).append(
                f"M{_n(left)},{_n(top)}h{_n(width + 0.05)}V{_n(bottom)}h{_n(-width - 0.05)}z")
            centres.setdefault(code, []).append((bottom - top, left, (top + bottom) / 2))
    parts, letters = [], []
    for code in sorted(paths):
        if code in _PATTERNS:
            outline = "".join(paths[code])
            # the tint lies under the pattern, not in it: tiles would show their seams
            parts.append(f'<path d="{outline}" fill="{_pale(ZONE_COLOURS[code])}"/>')
            parts.append(f'<path d="{outline}" fill="url(#{name}-{code})"/>')
    for code in sorted(centres):
        if code in ZONE_LETTERS and len(centres[code]) >= 4:
            tallest = max(height for height, _, _ in centres[code])
            tall = [item for item in centres[code] if item[0] >= 0.6 * tallest]
            _, left, middle = tall[len(tall) // 2]
            if tallest > 9:
                letters.append(_badge(left, middle, ZONE_LETTERS[code], min(18.0, tallest - 2)))
    return parts, letters


def _pale(colour: str) -> str:
    """Return a colour thinned with white, as print would."""
    parts = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return "#" + "".join(f"{round(255 - 0.22 * (255 - part)):02x}" for part in parts)


def _lengths(profiles: FaceProfiles, along: _Scale, top: float) -> list[str]:
    """Draw the lower graph: local thickness and what the laser left of it."""
    shown = np.concatenate([profiles.thickness[profiles.valid], [0.0]])
    ceiling = float(np.nanmax(shown)) * 1.3 or 1.0
    up = _Scale(0.0, ceiling, top + _GRAPH_HEIGHT, top)
    parts = [f'<rect x="{_n(along.start)}" y="{_n(top)}" width="{_n(along.stop - along.start)}"'
             f' height="{_n(_GRAPH_HEIGHT)}" fill="none" stroke="#222"/>']
    ticks = _nice_ticks(0.0, ceiling, 4)
    parts += _axis_left(up, ticks, profiles.unit)
    curves: Sequence[tuple[NDArray[np.float64], NDArray[np.bool_], str, str]] = (
        (profiles.thickness, profiles.valid, "", "thickness"),
        (profiles.ligament, profiles.lasered, "5 3", "ligament (thickness − laser depth)"),
    )
    for values, where, dash, label in curves:
        good = [i for i in range(values.size) if where[i] and math.isfinite(values[i])]
        for run in _runs(good):
            line = _points([along(profiles.s[i]) for i in run], [up(values[i]) for i in run])
            style = f' stroke-dasharray="{dash}"' if dash else ""
            parts.append(f'<polyline points="{line}" fill="none" stroke="#222"'
                         f' stroke-width="1.5"{style}/>')
        if good:
            # one label at the left, one at the right: they never meet
            at, anchor = (along.stop - 8, "end") if dash else (along.start + 8, "start")
            ends = (at - _LETTER * len(label), at) if dash else (at, at + _LETTER * len(label))
            near = [i for i in good if ends[0] <= along(profiles.s[i]) <= ends[1]] or good
            height = up(float(values[near].max())) - 6
            over = profiles.thickness[near][profiles.valid[near]]
            if dash and over.size and height - up(float(np.nanmin(over))) < _LINE:
                height = up(float(values[near].min())) + _LINE  # no room between the two curves
            parts.append(_text(at, height, label, anchor))
    return parts


def _axis_left(scale: _Scale, ticks: Iterable[float], title: str) -> list[str]:
    parts = []
    for tick in ticks:
        at = scale(tick)
        parts.append(_line(_LEFT - 4, at, _LEFT, at))
        parts.append(_text(_LEFT - 7, at + 4, f"{tick:g}", "end"))
    middle = (scale.start + scale.stop) / 2
    parts.append(f'<text transform="translate(14,{_n(middle)}) rotate(-90)"'
                 f' text-anchor="middle">{title}</text>')
    return parts


def _axis_below(scale: _Scale, at: float, title: str) -> list[str]:
    parts = []
    for tick in _nice_ticks(scale.low, scale.high, 7):
        parts.append(_line(scale(tick), at, scale(tick), at + 4))
        parts.append(_text(scale(tick), at + 17, f"{tick:g}", "middle"))
    parts.append(_text((scale.start + scale.stop) / 2, at + 34, title, "middle"))
    return parts


def _nice_ticks(low: float, high: float, count: int) -> list[float]:
    """Round numbers between two ends, about ``count`` of them."""
    raw = max((high - low) / count, 1e-12)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw)
    first = math.ceil(low / step - 1e-9)
    return [round(index * step, 10) for index in range(first, math.floor(high / step + 1e-9) + 1)]


def _runs(indices: list[int]) -> list[list[int]]:
    """Neighbouring indices joined into runs of at least two."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and index == runs[-1][-1] + 1:
            runs[-1].append(index)
        else:
            runs.append([index])
    return [run for run in runs if len(run) > 1]


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _points(cols: Iterable[float], rows: Iterable[float]) -> str:
    return " ".join(f"{_n(col)},{_n(row)}" for col, row in zip(cols, rows, strict=True))


def _line(col: float, row: float, col_end: float, row_end: float, dash: str = "") -> str:
    style = f' stroke-dasharray="{dash}"' if dash else ""
    return (f'<line x1="{_n(col)}" y1="{_n(row)}" x2="{_n(col_end)}" y2="{_n(row_end)}"'
            f' stroke="#222"{style}/>')


def _text(col: float, row: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{_n(col)}" y="{_n(row)}" text-anchor="{anchor}">{text}</text>'


def _badge(col: float, row: float, letter: str, size: float) -> str:
    half = size / 2
    return (f'<rect x="{_n(col - half)}" y="{_n(row - half)}" width="{_n(size)}"'
            f' height="{_n(size)}" fill="#141414"/>'
            f'<text x="{_n(col)}" y="{_n(row + 0.28 * size)}" text-anchor="middle" fill="#fff"'
            f' font-size="{_n(0.78 * size)}" font-weight="600">{letter}</text>')
