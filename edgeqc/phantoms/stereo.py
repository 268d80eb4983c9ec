"""A stereo pair of a phantom: the same scene seen at two tilts, by parallel projection.

The axis stands at ``axis_deg`` from the row axis towards growing columns (0: vertical, -90:
horizontal); x = col·cos - row·sin runs across it. At tilt a, a point at X with height Z is seen at
x = X·cos a - Z·sin a about the picture's middle: a positive tilt moves high points towards
smaller x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from edgeqc.errors import UsageError
from edgeqc.phantoms.drawing import Phantom, Scene, compose_scene, finish_picture
from edgeqc.phantoms.fields import Plane
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.truth import FaceTruth
from edgeqc.quantity import FloatArray

MAX_TILT_DEG = 15.0
"""Beyond this the walls of the relief, which the scene does not hold, would be seen."""
MARCH_PX = 0.5
"""Step of the search for the visible surface, across the axis."""


@dataclass(frozen=True)
class _View:
    """A tilt about an axis through the picture's middle."""

    tilt: float
    axis: float
    middle: tuple[float, float]

    def ground(self, row: Plane, col: Plane, lift: Plane | float) -> tuple[Plane, Plane]:
        """Return the untilted position of what is seen at (row, col) at a height in pixels."""
        c, s = math.cos(self.axis), math.sin(self.axis)
        d_row, d_col = row - self.middle[0], col - self.middle[1]
        x = d_col * c - d_row * s
        moved = (x + lift * math.sin(self.tilt)) / math.cos(self.tilt) - x
        return (
            np.asarray(row - s * moved, np.float32), np.asarray(col + c * moved, np.float32)
        )

    def seen(self, points: FloatArray) -> FloatArray:
        """Return where points (n, 2) of the ground plane are seen."""
        c, s = math.cos(self.axis), math.sin(self.axis)
        away = points - np.array(self.middle)
        x = away[:, 1] * c - away[:, 0] * s
        moved = x * (math.cos(self.tilt) - 1)
        return np.asarray(points + np.stack([-s * moved, c * moved], axis=1))


def draw_stereo_pair(
    recipe: Recipe, tilts_deg: tuple[float, float] = (-4.0, 4.0), axis_deg: float = 0.0
) -> tuple[Phantom, Phantom]:
    """Return two phantoms of one scene, seen at two tilts.

    Parameters
    ----------
    recipe : Recipe
        The scene; ``draw_phantom(recipe).truth.height_um`` is its height map on the ground plane.
    tilts_deg : (float, float)
        Signed tilts of the two pictures, at most 15 degrees.
    axis_deg : float
        Tilt axis in degrees from the row axis towards growing columns: 0 vertical, -90 horizontal.

    Returns
    -------
    (Phantom, Phantom)
        Each with its own noise. Labels, scene and heights are as seen in that picture (heights
        stay heights above the ground plane); thickness and depth are those of the face itself.

    Notes
    -----
    The visible surface is the first that a ray meets from above, found in steps of half a pixel
    and then by interpolation; what lies behind it is hidden. Every slope's yield is that at its
    tilted angle.
    """
    if max(map(abs, tilts_deg)) > MAX_TILT_DEG:
        raise UsageError(
            f"the tilts {tilts_deg[0]:g} and {tilts_deg[1]:g} degrees are too large",
            rule=f"a phantom's stereo pair is drawn up to {MAX_TILT_DEG:g} degrees",
            remedy="choose smaller tilts",
        )
    found = []
    for index, tilt_deg in enumerate(tilts_deg):
        tilt, axis = math.radians(tilt_deg), math.radians(axis_deg)
        # high points move towards smaller x: the ground rises with x
        lean = (-math.sin(axis) * math.tan(tilt), math.cos(axis) * math.tan(tilt))
        scene = _tilted(recipe, compose_scene(recipe, lean), tilt, axis)
        found.append(finish_picture(recipe, scene, np.random.default_rng([recipe.seed, 2 + index])))
    return found[0], found[1]


def _tilted(recipe: Recipe, scene: Scene, tilt: float, axis: float) -> Scene:
    """Return the scene as seen at a tilt."""
    rows, cols = scene.signal.shape
    view = _View(tilt, axis, ((rows - 1) / 2, (cols - 1) / 2))
    lift = scene.height_um / np.float32(recipe.pixel_size_um)
    at_row, at_col = _visible(view, lift)

    def sampled(plane: Any, how: int) -> Any:
        return cv2.remap(plane, at_col, at_row, how, borderMode=cv2.BORDER_REPLICATE)

    return replace(
        scene,
        signal=sampled(scene.signal, cv2.INTER_CUBIC),
        height_um=sampled(scene.height_um, cv2.INTER_LINEAR),
        labels=sampled(scene.labels, cv2.INTER_NEAREST),
        codes=sampled(scene.codes, cv2.INTER_NEAREST),
        faces=tuple(_seen_face(face, view) for face in scene.faces),
    )


def _visible(view: _View, lift: Plane) -> tuple[Plane, Plane]:
    """Return the untilted position of the surface that every pixel sees."""
    rows, cols = lift.shape
    row, col = np.meshgrid(
        np.arange(rows, dtype=np.float32), np.arange(cols, dtype=np.float32), indexing="ij"
    )
    high, low = float(lift.max()) + 0.01, float(lift.min()) - 0.01
    reach = abs((high - low) * math.tan(view.tilt))
    levels = np.linspace(high, low, max(3, math.ceil(reach / MARCH_PX) + 1))
    before = np.full(lift.shape, high, np.float32)  # clearance at the previous level
    level = np.full(lift.shape, low, np.float32)
    open_rays = np.ones(lift.shape, bool)
    for index, height in enumerate(levels):
        at_row, at_col = view.ground(row, col, float(height))
        surface = cv2.remap(
            lift, at_col, at_row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        clearance = np.float32(height) - surface
        hit = open_rays & (clearance <= 0)
        if index:
            step = np.float32(levels[index - 1] - height)
            back = np.clip(clearance / np.minimum(clearance - before, -1e-9), 0, 1) * step
            level = np.where(hit, np.float32(height) + back, level)
        else:
            level = np.where(hit, np.float32(height), level)
        open_rays &= ~hit
        before = clearance
    return view.ground(row, col, level)


def _seen_face(face: FaceTruth, view: _View) -> FaceTruth:
    return replace(
        face,
        outline_px=view.seen(face.outline_px),
        anterior_px=view.seen(face.anterior_px),
        posterior_px=view.seen(face.posterior_px),
    )
