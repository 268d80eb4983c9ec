"""The data bar: the strip of text that an instrument writes below or above a picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.order_statistics import row_medians

FloatPixels = NDArray[np.float32]


@dataclass(frozen=True)
class DataBarSettings:
    """How a data bar is told from a picture.

    Parameters
    ----------
    level_tolerance : float
        Two grey levels closer than this are the same (1 is the whole range). Half a level of
        8 bits would do for uncompressed files; JPEG moves a flat strip by a level or two.
    min_background_share : float
        Least share of a row that the strip's background colour takes. A row of large bold text
        leaves about half.
    max_height_fraction, min_height_px
        Largest height as a fraction of the picture's, and least height in pixels.
    min_ink_share, max_ink_share : float
        Share of the strip that text and lines take.
    min_ink_contrast : float
        Least difference in grey between ink and background.
    max_flat_share_above : float
        Share of equal neighbours that the picture's own rows next to the strip stay below; a
        picture has noise and a drawn strip has none.
    min_share_of_one_ink : float
        Least share of the ink that is of one level; small smoothed letters leave about a third.
    """

    level_tolerance: float = 2.5 / 255
    min_background_share: float = 0.4
    max_height_fraction: float = 0.25
    min_height_px: int = 8
    min_ink_share: float = 0.004
    max_ink_share: float = 0.6
    min_ink_contrast: float = 0.15
    max_flat_share_above: float = 0.9
    min_share_of_one_ink: float = 0.2


@dataclass(frozen=True)
class DataBar:
    """Where the data bar lies.

    Parameters
    ----------
    top, bottom : int
        First row, and first row after it.
    background : float
        Grey level of its ground.
    """

    top: int
    bottom: int
    background: float


def find_data_bar(pixels: FloatPixels, settings: DataBarSettings | None = None) -> DataBar | None:
    """Return the data bar at the lower or upper edge of a picture, or None.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels, 0 to 1.
    settings : DataBarSettings, optional
        How a bar is told from a picture.

    Notes
    -----
    A drawn strip is free of noise: its ground is one grey level over the whole width, with ink
    of another level on it, and the picture begins at one row for all columns. All three are
    asked for, so that a clipped background is not taken for a strip.
    """
    settings = settings or DataBarSettings()
    rows, cols = pixels.shape
    if rows < 4 * settings.min_height_px or cols < 64:
        return None
    below = _strip_height(pixels, settings)
    if below is not None:
        return DataBar(rows - below[0], rows, below[1])
    above = _strip_height(pixels[::-1], settings)
    return None if above is None else DataBar(0, above[0], above[1])


def _strip_height(pixels: FloatPixels, settings: DataBarSettings) -> tuple[int, float] | None:
    """Height and ground level of a strip at the bottom."""
    rows = pixels.shape[0]
    reach = min(rows, int(settings.max_height_fraction * rows) + settings.min_height_px)
    part = pixels[rows - reach :]
    level = _commonest(part[-max(settings.min_height_px, rows // 50) :])
    near = np.abs(part - np.float32(level)) <= settings.level_tolerance
    share = near.mean(axis=1)
    line = _full_lines(part, level, settings)
    like = (share >= settings.min_background_share) | line
    like[-2:] = True  # the last rows may hold a blurred frame
    unlike = np.nonzero(~like)[0]
    top = int(unlike[-1]) + 1 if unlike.size else 0
    if reach - top < settings.min_height_px or share[top:].max() < 0.6:
        return None
    # a drawn line marks the border, also where the picture above is clipped to the strip's ground
    for row in np.nonzero(line[top : reach - settings.min_height_px])[0] + top:
        below = part[row + 1 :]
        if _is_drawn(below, _inked(below, level, settings), settings):
            first = int(row) - 1 if row > top and share[row - 1] > 0.97 else int(row)
            return reach - first, level
    ink = _inked(part[top:], level, settings)
    if not _is_drawn(part[top:], ink, settings):
        return None
    if top > 0 and _picture_begins(part, share, top, level, settings):
        return reach - top, level
    return _text_lines(part[top:], ink, level, settings)


def _commonest(values: FloatPixels) -> float:
    """Return the commonest grey level, to half a level of 8 bits."""
    counts, edges = np.histogram(values, bins=256, range=(0, 1))
    best = int(np.argmax(counts))
    inside = values[(values >= edges[best]) & (values <= edges[best + 1])]
    return float(np.median(inside))


def _inked(part: FloatPixels, level: float, settings: DataBarSettings) -> NDArray[np.bool_]:
    return np.asarray(np.abs(part - np.float32(level)) > settings.min_ink_contrast)


def _full_lines(
    part: FloatPixels, level: float, settings: DataBarSettings
) -> NDArray[np.bool_]:
    """Rows that are a thin drawn line of ink across the whole width."""
    middle = row_medians(part)
    same = np.abs(part - middle[:, None]) <= settings.level_tolerance
    full = (same.mean(axis=1) > 0.97) & (np.abs(middle - level) > 0.3)
    thin = full.copy()
    # a clipped background above the strip is flat too, but no line
    edge = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(np.int8), [0]])))
    for start, stop in zip(edge[::2], edge[1::2], strict=True):
        if stop - start > 3 or start == 0:
            thin[start:stop] = False
    return np.asarray(thin, np.bool_)


def _is_drawn(part: FloatPixels, ink: NDArray[np.bool_], settings: DataBarSettings) -> bool:
    """Whether what stands out of the ground is drawn: of one level, in separate strokes.

    What a specimen leaves on a clipped ground has all levels; text has one, and a few at the
    smoothed edges of its letters.
    """
    share = float(ink.mean())
    if not settings.min_ink_share <= share <= settings.max_ink_share:
        return False
    # rows that are ink from end to end are a frame and say nothing about text
    text = ink[~(ink.mean(axis=1) > 0.97)]
    values = part[ink]
    level = _commonest(values)
    of_level = float(np.mean(np.abs(values - level) <= 6 / 255))
    if of_level < settings.min_share_of_one_ink or not text.size:
        return False
    strokes = np.count_nonzero(np.diff(text.astype(np.int8), axis=1) == 1, axis=1)
    return bool(strokes.max(initial=0) >= 4)


def _picture_begins(
    part: FloatPixels, share: NDArray[np.floating], top: int, level: float,
    settings: DataBarSettings,
) -> bool:
    """Whether a picture ends right above the strip, for the whole width at one row.

    It has noise, or at least another level than the strip's ground.
    """
    above = part[max(0, top - max(4, part.shape[0] // 20)) : top]
    flat = np.abs(np.diff(above, axis=1)) <= 0.5 / 255
    other = np.abs(above - np.float32(level)) > settings.min_ink_contrast
    sudden = share[top : top + 3].max() - share[max(0, top - 2) : top].min() > 0.4
    return bool(sudden and (flat.mean() <= settings.max_flat_share_above or other.mean() > 0.9))


def _text_lines(
    part: FloatPixels, ink: NDArray[np.bool_], level: float, settings: DataBarSettings
) -> tuple[int, float] | None:
    """Height of the text at the bottom where the ground runs on into a clipped background.

    The strip's upper edge is not to be seen then; what is above its text is background, so that
    nothing is lost by ending the strip right above the text.
    """
    height = part.shape[0]
    inked = np.nonzero(ink.any(axis=1))[0]
    # a line of text is followed by a gap of at most about its own height
    gap = max(6, height // 5)
    if not inked.size or height - inked[-1] > 2 * gap:
        return None
    first = inked[-1]
    for row in inked[::-1]:
        if first - row > gap:
            break
        first = row
    text = ink[first:]
    if first <= gap // 2 or text.shape[0] > height // 2 or text.any(axis=0).mean() > 0.9:
        return None
    # a faint face may lie in these rows: all that is not text must be the ground itself
    ground = np.abs(part[first:] - np.float32(level)) <= settings.level_tolerance
    written = slice(*(np.nonzero(text.any(axis=0))[0][[0, -1]] + (0, 1)))
    ground[:, written] = True
    if ground.mean() < 0.995 or not _is_drawn(part[first:], text, settings):
        return None
    return height - max(0, int(first) - 2), level


def level_runs(
    ink: NDArray[np.bool_],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Return row, start and stop (exclusive) of every horizontal run of True."""
    padded = cv2.copyMakeBorder(ink.astype(np.uint8), 0, 0, 1, 1, cv2.BORDER_CONSTANT, value=0)
    step = np.diff(padded.astype(np.int8), axis=1)
    row, start = np.nonzero(step == 1)
    _, stop = np.nonzero(step == -1)
    return row, start, stop
