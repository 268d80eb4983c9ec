"""A height map in the report: its picture, and its profile along the laser zone."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.examined import ExaminedPicture
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.zone_roughness import heights_on_picture
from edgeqc.quantity import FloatArray
from edgeqc.report.figures import OVERLAY_LARGEST_PX, Rgb, draw_scale_bar
from edgeqc.report.profile_figure import draw_line_figure

_RANGE = (1.0, 99.0)  # percentiles of height drawn as black and white
_GAP = (86, 180, 233)  # where there is no height: a colour, since all heights are grey
_PROFILE_T = 0.4  # depth at which the profile is read where no laser zone tells a better one


def draw_heights(picture: ExaminedPicture) -> tuple[Rgb, str]:
    """Return a picture of the heights on the picture's grid, and what it shows.

    Parameters
    ----------
    picture : ExaminedPicture
        With a registered height map.

    Returns
    -------
    drawn : (rows, cols, 3) uint8 array
        Low is black, high is white, gaps are blue.
    caption : str
        The range of heights shown.
    """
    assert picture.image is not None
    assert picture.height_map is not None
    heights = levelled(picture.height_map, picture.image.pixels.shape)
    known = np.isfinite(heights)
    low, high = np.percentile(heights[known], _RANGE) if known.any() else (0.0, 1.0)
    grey = np.nan_to_num((heights - low) / max(float(high - low), 1e-9) * 255)
    drawn = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    drawn[~known] = _GAP
    scale = min(1.0, OVERLAY_LARGEST_PX / max(heights.shape))
    size = (max(1, round(heights.shape[1] * scale)), max(1, round(heights.shape[0] * scale)))
    small = np.asarray(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA), np.uint8)
    caption = (
        f"Heights from the {_source(picture.height_map)}, levelled by a plane for display: black"
        f" {low:.2f} µm, white {high:.2f} µm; blue where there is no height."
    )
    return draw_scale_bar(small, picture.image, scale), caption


def _source(height_map: HeightMap) -> str:
    return height_map.source if height_map.source == "stereo pair" else (
        f"height map {height_map.source}")


def levelled(height_map: HeightMap, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Return the heights on the picture's pixels with their plane taken off.

    Parameters
    ----------
    height_map : HeightMap
        Registered to the picture.
    shape : (rows, cols)
        Shape of the picture.
    """
    heights = heights_on_picture(height_map, (shape[0], shape[1]))
    known = np.isfinite(heights)
    if known.sum() < 3:
        return heights
    row, col = np.nonzero(known)
    step = max(1, row.size // 50_000)
    design = np.column_stack([row, col, np.ones(row.size)])
    plane, *_ = np.linalg.lstsq(design[::step], heights[known][::step].astype(float), rcond=None)
    result = heights.copy()
    result[known] -= (design @ plane).astype(np.float32)
    return result


def draw_height_profile(picture: ExaminedPicture) -> str:
    """Return the heights along the first face, at mid-depth of its laser zone, as SVG text.

    An empty text where fewer than two points along that line have a height.
    """
    assert picture.image is not None
    assert picture.height_map is not None
    face, zones = picture.faces[0].face, picture.faces[0].zones
    depth = zones.depth[zones.depth > 0] if zones is not None else np.empty(0)
    t = float(np.median(depth)) / 2 if depth.size else _PROFILE_T
    station = np.arange(face.s_px.size, dtype=float)
    points = face.chord_points_px(station, np.full(station.size, t))
    heights = levelled(picture.height_map, picture.image.pixels.shape)
    row = np.clip(np.rint(points[:, 0]).astype(int), 0, heights.shape[0] - 1)
    col = np.clip(np.rint(points[:, 1]).astype(int), 0, heights.shape[1] - 1)
    along: FloatArray = face.s_px * (picture.image.pixel_size_um or (1.0, 1.0))[1]
    values = heights[row, col].astype(float)
    if np.isfinite(values).sum() < 2:
        return ""
    return draw_line_figure(along, values, below="along the face, µm", left="height, µm")
