"""The scale bar drawn in a picture, found and measured in pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.imaging.data_bar import DataBar, level_runs


@dataclass(frozen=True)
class ScaleBarSettings:
    """How a scale bar is found.

    Parameters
    ----------
    min_length_fraction, max_length_fraction : float
        Length of the bar as a fraction of the picture's width. Longer lines are frames.
    max_thickness_fraction : float
        Thickness of the bar as a fraction of its length.
    level_tolerance : float
        How far the grey level may vary from pixel to pixel along the bar (JPEG of middling
        quality moves it by up to a tenth of the range).
    min_contrast : float
        Least difference in grey to what lies above and below the bar.
    """

    min_length_fraction: float = 0.025
    max_length_fraction: float = 0.7
    max_thickness_fraction: float = 0.2
    level_tolerance: float = 24 / 255
    min_contrast: float = 0.15


@dataclass(frozen=True)
class ScaleBar:
    """A scale bar.

    Parameters
    ----------
    length_px, u_length_px : float
        Length between its ends, and standard uncertainty, in pixels.
    row_px, col_px : float
        Its left end.
    """

    length_px: float
    u_length_px: float
    row_px: float
    col_px: float


@dataclass(frozen=True)
class _Line:
    first_row: int
    last_row: int
    start: int
    stop: int

    @property
    def length(self) -> int:
        return self.stop - self.start


def find_scale_bar(
    pixels: NDArray[np.float32], bar: DataBar | None, settings: ScaleBarSettings | None = None
) -> ScaleBar | None:
    """Return the scale bar of a picture, or None where none or several could be it.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels, 0 to 1.
    bar : DataBar or None
        The data bar; the scale bar is looked for there first, then in the whole picture.
    settings : ScaleBarSettings, optional
        What counts as a scale bar.

    Notes
    -----
    A bar is one thin straight line of one grey level, with or without a tick at either end, or
    a flat rectangle. Its ends are had to a fraction of a pixel from the grey levels there:
    a drawn bar that is not on the pixel grid leaves a partly covered pixel. The length between
    ticks is taken from the middle of one to the middle of the other; the half width of a tick
    goes into the uncertainty, because instruments differ in this.
    """
    settings = settings or ScaleBarSettings()
    areas = []
    if bar is not None:
        areas.append((bar.top, bar.bottom))
    areas.append((0, pixels.shape[0]))
    for top, bottom in areas:
        lines = _lines(pixels[top:bottom], settings)
        found = _choose(pixels[top:bottom], lines)
        if found is not None:
            return ScaleBar(found.length_px, found.u_length_px, found.row_px + top, found.col_px)
    return None


def _lines(area: NDArray[np.float32], settings: ScaleBarSettings) -> list[_Line]:
    """Thin horizontal lines of one level."""
    cols = area.shape[1]
    shortest = max(12, int(settings.min_length_fraction * cols))
    lines: list[_Line] = []
    for bright in (True, False):
        ink = area >= 0.75 if bright else area <= 0.25
        flat = np.zeros_like(ink)
        flat[:, 1:] = np.abs(np.diff(area, axis=1)) <= settings.level_tolerance
        flat[:, 0] = True
        row, start, stop = level_runs(ink & flat)
        # the first pixel of a run differs from its left neighbour and was dropped by ``flat``
        start = np.where((start > 0) & ink[row, np.maximum(start - 1, 0)], start - 1, start)
        long = stop - start >= shortest
        lines += _merge(row[long], start[long], stop[long])
    kept = []
    for line in lines:
        thick = line.last_row - line.first_row + 1
        if (line.length <= settings.max_length_fraction * cols
                and thick <= max(2, settings.max_thickness_fraction * line.length)
                and _stands_out(area, line, settings)):
            kept.append(line)
    return kept


def _merge(
    row: NDArray[np.intp], start: NDArray[np.intp], stop: NDArray[np.intp]
) -> list[_Line]:
    """Join runs of following rows with the same ends to lines and rectangles."""
    open_lines: list[_Line] = []
    done: list[_Line] = []
    for r, a, b in zip(row.tolist(), start.tolist(), stop.tolist(), strict=True):
        still: list[_Line] = []
        joined = False
        for line in open_lines:
            if line.last_row < r - 1:
                done.append(line)
            elif (not joined and line.last_row == r - 1
                  and abs(line.start - a) <= 1 and abs(line.stop - b) <= 1):
                still.append(_Line(line.first_row, r, min(line.start, a), max(line.stop, b)))
                joined = True
            else:
                still.append(line)
        if not joined:
            still.append(_Line(r, r, a, b))
        open_lines = still
    return done + open_lines


def _stands_out(area: NDArray[np.float32], line: _Line, settings: ScaleBarSettings) -> bool:
    """Whether the line differs from what is above and below it, ticks left aside."""
    inner = slice(line.start + line.length // 5, line.stop - line.length // 5)
    level = float(np.median(area[line.first_row : line.last_row + 1, inner]))
    for row in (line.first_row - 2, line.last_row + 2):
        if not 0 <= row < area.shape[0]:
            return False
        beside = np.abs(area[row, inner] - level) > settings.min_contrast
        if beside.mean() < 0.8:
            return False
    return True


def _choose(area: NDArray[np.float32], lines: list[_Line]) -> ScaleBar | None:
    if not lines:
        return None
    measured = [(_measure(area, line), line) for line in lines]
    # a run that is a part of a far longer line is no bar
    measured = [(bar, line) for bar, line in measured if bar.length_px <= 1.3 * line.length + 4]
    if not measured:
        return None
    ticked = [bar for bar, line in measured if _has_ticks(area, line)]
    bars = ticked or [bar for bar, _ in measured]
    lengths = [bar.length_px for bar in bars]
    if max(lengths) > 1.02 * min(lengths):
        return None  # several lines could be it: no guess
    return bars[0]


def _tick_width(area: NDArray[np.float32], line: _Line, left: bool) -> int:
    """Width in pixels of the vertical tick at an end of the line, 0 where there is none."""
    level = float(np.median(area[line.first_row : line.last_row + 1,
                                 line.start + line.length // 4 : line.stop - line.length // 4]))
    end = line.start if left else line.stop
    reach = max(4, line.length // 20)
    near = slice(max(0, end - reach), end + reach)
    widths = []
    for row in (line.first_row - 2, line.first_row - 3, line.last_row + 2, line.last_row + 3):
        if not 0 <= row < area.shape[0]:
            continue
        ink = np.nonzero(np.abs(area[row, near] - level) < 0.25)[0]
        if not ink.size or ink[-1] - ink[0] + 1 != ink.size:
            continue  # no stroke, or several: letters and emblems, not a tick
        outer = ink[0] + near.start - line.start if left else line.stop - 1 - ink[-1] - near.start
        if abs(outer) <= 1 and ink.size <= max(2, line.length // 10):
            widths.append(ink.size)
    return int(np.median(widths)) if len(widths) >= 2 else 0


def _has_ticks(area: NDArray[np.float32], line: _Line) -> bool:
    left, right = (_tick_width(area, line, side) for side in (True, False))
    return bool(left and right and abs(left - right) <= 1)


def _measure(area: NDArray[np.float32], line: _Line) -> ScaleBar:
    """Length between the ends to a fraction of a pixel."""
    profile = area[line.first_row : line.last_row + 1].mean(axis=0)
    inner = slice(line.start + line.length // 4, line.stop - line.length // 4)
    level = float(np.median(profile[inner]))
    beside = [row for row in (line.first_row - 2, line.last_row + 2) if 0 <= row < area.shape[0]]
    ground = float(np.median(area[beside, inner]))
    # share of each pixel that the bar covers; lossy compression blurs its ends
    cover = np.clip((profile - ground) / (level - ground), 0, 1)
    middle = (line.start + line.stop) // 2
    left = middle - _covered_length(cover[middle - 1 :: -1]) - 0.5
    right = middle - 0.5 + _covered_length(cover[middle:])
    ticks = [_tick_width(area, line, side) for side in (True, False)]
    length = right - left
    # each end: the pixel grid (a pixel wide, rectangular), for an end of a whole pixel
    variance = 2 / 12
    if all(ticks):
        length -= sum(ticks) / 2
        variance += sum((tick / 2) ** 2 / 3 for tick in ticks)
    return ScaleBar(length, math.sqrt(variance), (line.first_row + line.last_row) / 2, left)


def _covered_length(cover: NDArray[np.floating]) -> float:
    """Length in pixels from the middle to the end, the last partly covered pixels included."""
    gaps = np.nonzero(cover < 0.5)[0]
    whole = int(gaps[0]) if gaps.size else cover.size
    last = float(cover[whole - 1]) if whole else 0.0
    beyond = float(cover[whole]) if whole < cover.size else 0.0
    return max(0.0, whole - 1 + last + (beyond if beyond > 0.1 else 0.0))
