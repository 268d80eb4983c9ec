"""Pictures of the report: the photograph with its zones, and its plain twin.

Zones are told apart three times over, by pattern, letter and colour, so that they stay apart for
the colour-blind and in grey print. The colours are those of Okabe and Ito (Color Universal
Design, 2008).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FaceRaster, face_raster, frame_coordinates
from edgeqc.faces.whole_chords import whole_chords
from edgeqc.imaging.image import CalibratedImage
from edgeqc.typesetting import FONT_FOLDER
from edgeqc.zoning.zones import LASER, OBSCURED, SCISSOR, TORN, ZoneMap

ZONE_COLOURS = {LASER: "#0072B2", SCISSOR: "#E69F00", TORN: "#009E73", OBSCURED: "#999999"}
ZONE_LETTERS = {LASER: "L", SCISSOR: "S", TORN: "T", OBSCURED: "O"}

OVERLAY_LARGEST_PX = 1600
"""Longer side of an overlay, above what print resolves; a larger picture is drawn reduced."""

_TINT = 0.16  # share of the zone's colour on the picture: the texture must stay visible
_HATCH = 0.72  # share of the colour on the lines of the pattern
_NO_PICTURE = 40  # grey level shown where the file holds no picture (data bar, no number)
_STRETCH = (0.5, 99.5)  # grey percentiles drawn as black and white; display only

Rgb = NDArray[np.uint8]


def draw_picture(
    image: CalibratedImage, largest_px: int = OVERLAY_LARGEST_PX
) -> tuple[NDArray[np.uint8], float]:
    """Return the picture for display, stretched to 8 bits, and its scale.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    largest_px : int
        Longer side of the result at most.

    Returns
    -------
    grey : (rows, cols) uint8 array
        For display only; nothing is measured on it.
    scale : float
        Result pixels per picture pixel, at most 1.
    """
    rows, cols = image.pixels.shape
    scale = min(1.0, largest_px / max(rows, cols))
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    small = cv2.resize(image.pixels, size, interpolation=cv2.INTER_AREA) if scale < 1 else (
        image.pixels)
    valid = image.valid if scale == 1 else cv2.resize(
        image.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    shown = small[valid & np.isfinite(small)]
    low, high = np.percentile(shown, _STRETCH) if shown.size else (0.0, 1.0)
    grey = np.clip(np.nan_to_num((small - low) / max(float(high - low), 1e-6) * 255), 0, 255)
    # a data bar may hold names of people, and none of it is measured
    return np.where(valid, grey, _NO_PICTURE).astype(np.uint8), scale


def draw_labels(
    image: CalibratedImage,
    faces: Sequence[tuple[CutFace, ZoneMap | None]],
    rasters: Sequence[FaceRaster | None] = (),
) -> NDArray[np.uint8]:
    """Return the zones of all faces as codes on the picture's own grid.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    faces : sequence of (CutFace, ZoneMap or None)
        The faces.
    rasters : sequence of FaceRaster or None
        The zones of each face on the picture's pixels, where they are known already.

    Returns
    -------
    (rows, cols) uint8 array
        0 outside (data bar included), 1 laser, 2 scissor, 3 torn, 4 obscured.
    """
    shape = image.pixels.shape[0], image.pixels.shape[1]
    labels = np.zeros(shape, np.uint8)
    for (face, zones), known in zip_longest(faces, rasters):
        if zones is not None:
            raster = known or face_raster(face, zones.labels, frame_coordinates(face, shape))
            here = labels[raster.rows, raster.cols]
            np.maximum(here, raster.labels, out=here)
    return np.where(image.valid, labels, np.uint8(0))


def draw_overlay(
    image: CalibratedImage,
    faces: Sequence[tuple[CutFace, ZoneMap | None]],
    labels: NDArray[np.uint8],
    *,
    largest_px: int = OVERLAY_LARGEST_PX,
) -> Rgb:
    """Return the picture with zones, outlines, the anterior edge and a scale bar.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    faces : sequence of (CutFace, ZoneMap or None)
        The faces in their order.
    labels : (rows, cols) uint8 array
        From ``draw_labels``.
    largest_px : int
        Longer side of the result at most.

    Returns
    -------
    (rows, cols, 3) uint8 array
        Red, green, blue.
    """
    grey, scale = draw_picture(image, largest_px)
    unit = max(1.0, max(grey.shape) / 1024)  # line widths and letters keep their look in print
    size = (grey.shape[1], grey.shape[0])
    labels = np.asarray(cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST), np.uint8)
    picture = _tinted(grey, labels, unit)
    for face, _ in faces:
        _draw_edges(picture, face, scale, unit)
    canvas = Image.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    _draw_letters(draw, labels, unit)
    for face, _ in faces:
        _draw_face_name(draw, face, len(faces), scale, unit)
    _draw_scale_bar(draw, image, scale, unit)
    return np.asarray(canvas)


def write_png(path: Path, picture: NDArray[np.uint8]) -> None:
    """Write an 8-bit grey or red-green-blue picture as PNG, the same bytes every time."""
    ordered = picture if picture.ndim == 2 else picture[..., ::-1]
    # level 1: stronger compression of a noisy picture costs ten times the time for a tenth less;
    # no filter: grain is not to be foretold from its neighbours, and trying costs half the time
    done, data = cv2.imencode(".png", ordered, [
        cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE])
    assert done  # an 8-bit array always encodes
    path.write_bytes(data.tobytes())


def _colour(code: int) -> list[float]:
    text = ZONE_COLOURS[code].lstrip("#")
    return [float(int(text[i : i + 2], 16)) for i in (0, 2, 4)]


def _tinted(grey: NDArray[np.uint8], labels: NDArray[np.uint8], unit: float) -> Rgb:
    """Return the picture with each zone's colour and pattern laid over it."""
    picture = np.repeat(grey[..., None], 3, axis=2)
    rows, cols = np.flatnonzero(labels.any(axis=1)), np.flatnonzero(labels.any(axis=0))
    if rows.size:
        box = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
        zone, under = labels[box], grey[box].astype(np.float32)
        share = np.zeros(zone.shape, np.float32)
        for code in ZONE_COLOURS:
            tile = np.where(_pattern(code, unit), np.float32(_HATCH), np.float32(_TINT))
            times = (zone.shape[0] // tile.shape[0] + 1, zone.shape[1] // tile.shape[1] + 1)
            inked = np.tile(tile, times)[: zone.shape[0], : zone.shape[1]]
            np.copyto(share, inked, where=zone == code)
        colours = np.zeros((max(ZONE_COLOURS) + 1, 3), np.float32)
        for code in ZONE_COLOURS:
            colours[code] = _colour(code)
        for channel in range(3):
            ink = colours[:, channel][zone]
            picture[(*box, channel)] = np.rint(under + share * (ink - under))
    width = max(1, round(unit))
    borders = cv2.morphologyEx(labels, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    borders = cv2.dilate(borders.astype(np.uint8), np.ones((width, width), np.uint8)) > 0
    picture[borders] = 255
    return picture


def _pattern(code: int, unit: float) -> NDArray[np.bool_]:
    """Return a tile of the zone's pattern: slanted lines, upright lines, dots, lattice."""
    pitch, ink = round(14 * unit), 1.3 * unit
    row, col = np.indices((2 * pitch, pitch))
    if code == LASER:
        return np.asarray((row + col) % pitch < ink)
    if code == SCISSOR:
        return np.asarray(col % pitch < ink)
    if code == TORN:
        shift = (row // pitch) * (pitch // 2)
        away = np.hypot(row % pitch - pitch / 2, (col + shift) % pitch - pitch / 2)
        return np.asarray(away < 2.3 * unit)
    return np.asarray(((row + col) % pitch < ink) | ((row - col) % pitch < ink))


def _draw_edges(picture: Rgb, face: CutFace, scale: float, unit: float) -> None:
    """Draw the outline thinly and the anterior edge as a dashed double line."""
    def fixed(points_px: NDArray[np.float64]) -> NDArray[np.int32]:
        points = np.clip((points_px[:, ::-1] + 0.5) * scale - 0.5, -30000, 30000)
        return np.asarray(np.round(points * 16).astype(np.int32))

    width = max(1, round(unit))
    cv2.polylines(picture, [fixed(face.outline_px)], True, (0, 0, 0), width + 2, cv2.LINE_AA, 4)
    cv2.polylines(picture, [fixed(face.outline_px)], True, (255, 255, 255), width, cv2.LINE_AA, 4)
    # where an end cuts chords short they start on that end, not on the anterior edge
    carried = np.hypot(*(whole_chords(face).anterior_px - face.anterior_px).T) > 1
    edge = fixed(face.anterior_px[~carried])
    cv2.polylines(picture, [edge], False, (0, 0, 0), 5 * width, cv2.LINE_AA, 4)
    step = max(2, len(edge) // 24)
    for start in range(0, len(edge) - 1, step):
        dash = edge[start : start + step // 2 + 1]
        cv2.polylines(picture, [dash], False, (255, 255, 255), 3 * width, cv2.LINE_AA, 4)


def _font(size: float, *, bold: bool = True) -> ImageFont.FreeTypeFont:
    name = "SourceSansPro-Semibold.ttf" if bold else "SourceSansPro-Regular.ttf"
    # the basic layout does not depend on a text-shaping library being there: same pixels always
    return ImageFont.truetype(
        str(FONT_FOLDER / name), max(8, round(size)), layout_engine=ImageFont.Layout.BASIC)


def _plate(
    draw: ImageDraw.ImageDraw, centre: tuple[float, float], text: str, size: float
) -> None:
    """Write text in white on a dark plate, centred on (row, col) and kept inside the picture."""
    font = _font(size)
    left, top, right, bottom = draw.textbbox((0, 0), text, font=font)
    pad = size * 0.30
    width, height = right - left + 2 * pad, bottom - top + 2 * pad
    canvas = draw.im.size
    col = min(max(centre[1] - width / 2, 2), canvas[0] - width - 2)
    row = min(max(centre[0] - height / 2, 2), canvas[1] - height - 2)
    draw.rectangle((col, row, col + width, row + height), fill=(20, 20, 20))
    draw.text((col + pad - left, row + pad - top), text, font=font, fill=(255, 255, 255))


def _draw_letters(draw: ImageDraw.ImageDraw, labels: NDArray[np.uint8], unit: float) -> None:
    """Put each zone's letter at the deepest point of its larger pieces."""
    smallest = (18 * unit) ** 2
    for code, letter in ZONE_LETTERS.items():
        zone = (labels == code).astype(np.uint8)
        if np.count_nonzero(zone) < smallest:
            continue
        count, pieces, stats, _ = cv2.connectedComponentsWithStats(zone)
        sizes = [(int(stats[i, cv2.CC_STAT_AREA]), i) for i in range(1, count)]
        for area, piece in sorted(sizes, reverse=True)[:4]:
            if area < smallest:
                break
            left, top, width, height, _ = (int(value) for value in stats[piece])
            box = (slice(top, top + height), slice(left, left + width))
            inside = np.pad((pieces[box] == piece).astype(np.uint8), 1)
            depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)[1:-1, 1:-1]
            row, col = np.unravel_index(int(depth.argmax()), depth.shape)
            size = min(26 * unit, max(13 * unit, 1.2 * float(depth.max())))
            _plate(draw, (float(row + top), float(col + left)), letter, size)


def _draw_face_name(
    draw: ImageDraw.ImageDraw, face: CutFace, count: int, scale: float, unit: float
) -> None:
    """Write ``anterior`` beside the anterior edge, outside the face; number several faces."""
    middle = len(face.s_px) // 2
    ahead = face.anterior_px[middle] - face.posterior_px[middle]
    ahead = ahead / max(1e-9, float(np.hypot(*ahead)))
    spot = (face.anterior_px[middle] + 0.5) * scale + ahead * 16 * unit
    text = {"sheet": "anterior", "inferred": "anterior (inferred)"}.get(
        face.anterior_source, "side not known: depth from here")
    if count > 1:
        text = f"face {face.number} · {text}"
    _plate(draw, (float(spot[0]), float(spot[1])), text, 17 * unit)


def nice_length(target: float) -> float:
    """Return the greatest of 1, 2, 5 times a power of ten that is not above the target.

    Examples
    --------
    >>> nice_length(230.0)
    200.0
    """
    power = 10.0 ** math.floor(math.log10(target))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= target * (1 + 1e-9))


def draw_scale_bar(picture: Rgb, image: CalibratedImage, scale: float) -> Rgb:
    """Return a drawn picture with our own scale bar on it.

    Parameters
    ----------
    picture : (rows, cols, 3) uint8 array
        The drawing.
    image : CalibratedImage
        The picture that it shows; gives the pixel size.
    scale : float
        Drawn pixels per picture pixel.
    """
    canvas = Image.fromarray(picture)
    _draw_scale_bar(ImageDraw.Draw(canvas), image, scale, max(1.0, max(picture.shape) / 1024))
    return np.asarray(canvas)


def _draw_scale_bar(
    draw: ImageDraw.ImageDraw, image: CalibratedImage, scale: float, unit: float
) -> None:
    """Draw our own scale bar at the lower right; in pixels where the scale is not known."""
    width, height = draw.im.size
    if image.pixel_size_um is None:
        drawn = scale / image.reduction  # per pixel of the file
        length = nice_length(0.22 * width / drawn)
        bar, text = length * drawn, f"{length:g} px (no scale known)"
    else:
        length = nice_length(0.22 * width / scale * image.pixel_size_um[1])
        bar, text = length / image.pixel_size_um[1] * scale, f"{length:g} µm"
    font = _font(19 * unit)
    wide = draw.textlength(text, font=font)
    pad = 8 * unit
    box = max(bar, wide) + 2 * pad
    left, top = width - box - 10 * unit, height - 46 * unit - 10 * unit
    draw.rectangle((left, top, left + box, top + 46 * unit), fill=(255, 255, 255),
                   outline=(20, 20, 20))
    start = left + (box - bar) / 2
    # a picture of a few pixels has no room for a bar of one
    draw.rectangle((start, top + 8 * unit, start + max(bar - 1, 0), top + 14 * unit),
                   fill=(20, 20, 20))
    draw.text((left + (box - wide) / 2, top + 17 * unit), text, font=font, fill=(20, 20, 20))
