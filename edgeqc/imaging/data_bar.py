"""The data bar: the strip of text that an instrument writes below or above a picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

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
    """

    level_tolerance: float = 2.5 / 255
    min_background_share: float = 0.4
    max_height_fraction: float = 0.25
    min_height_px: int = 8
    min_ink_share: float = 0.004
    max_ink_share: float = 0.6
    min_ink_contrast: float = 0.15
    max_flat_share_above: float = 0.9


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
    level = _ground_level(part[-max(settings.min_height_px, rows // 50) :])
    near = np.abs(part - np.float32(level)) <= settings.level_tolerance
    share = near.mean(axis=1)
    # a frame or separating line across the whole width is of one other level
    line = (np.abs(part - np.median(part, axis=1, keepdims=True))
            <= settings.level_tolerance).mean(axis=1) > 0.9
    like = (share >= settings.min_background_share) | line
    like[-2:] = True  # the last rows may hold a blurred frame
    unlike = np.nonzero(~like)[0]
    top = int(unlike[-1]) + 1 if unlike.size else 0
    height = reach - top
    if height < settings.min_height_px or share[top:].max() < 0.6:
        return None
    ink = np.abs(part[top:] - np.float32(level)) > settings.min_ink_contrast
    if not settings.min_ink_share <= ink.mean() <= settings.max_ink_share:
        return None
    if top == 0 or not _picture_begins(pixels, part, rows - height, level, settings):
        return _text_lines(ink, height, level)
    return (height, level) if _is_text(ink) else None


def _ground_level(strip: FloatPixels) -> float:
    """Return the commonest grey level of a strip, to half a level of 8 bits."""
    counts, edges = np.histogram(strip, bins=256, range=(0, 1))
    best = int(np.argmax(counts))
    inside = strip[(strip >= edges[best]) & (strip <= edges[best + 1])]
    return float(np.median(inside))


def _picture_begins(
    pixels: FloatPixels, part: FloatPixels, top: int, level: float, settings: DataBarSettings
) -> bool:
    """Whether the rows just above the strip are picture: noisy, over the whole width."""
    above = pixels[max(0, top - max(4, part.shape[0] // 20)) : top]
    flat = np.abs(np.diff(above, axis=1)) <= 0.5 / 255
    of_ground = np.abs(above - np.float32(level)) <= settings.level_tolerance
    return bool(flat.mean() <= settings.max_flat_share_above
                and of_ground.mean() <= settings.min_background_share)


def _is_text(ink: NDArray[np.bool_]) -> bool:
    """Whether ink is text and lines: many separate strokes in a row, none as wide as a face."""
    strokes = np.count_nonzero(np.diff(ink.astype(np.int8), axis=1) == 1, axis=1)
    return bool(strokes.max() >= 4 or _has_line(ink))


def _has_line(ink: NDArray[np.bool_]) -> bool:
    share = ink.mean(axis=1)
    return bool(((share > 0.03) & (share < 0.6)).any() and ink.any(axis=1).mean() < 0.5)


def _text_lines(ink: NDArray[np.bool_], height: int, level: float) -> tuple[int, float] | None:
    """Height of the text at the bottom where the ground runs on into a clipped background.

    The strip's upper edge is not to be seen then; what is above its text is background, so that
    nothing is lost by ending the strip right above the text.
    """
    inked = ink.any(axis=1)
    # a line of text is followed by a gap of at most its own height
    gap = max(6, height // 5)
    rows = np.nonzero(inked)[0]
    if not rows.size or ink.shape[0] - rows[-1] > 2 * gap:
        return None
    first = rows[-1]
    for row in rows[::-1]:
        if first - row > gap:
            break
        first = row
    text = ink[first:]
    narrow = text.any(axis=0).mean() < 0.9 and _is_text(text)
    if not narrow or first <= gap // 2 or text.shape[0] > height // 2:
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
