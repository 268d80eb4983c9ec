"""Where the zones lie on a face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.phantoms.face_recipe import LayoutRecipe
from edgeqc.phantoms.fields import correlated_line
from edgeqc.phantoms.outline import FaceShape
from edgeqc.quantity import FloatArray

LASER, SCISSOR, TORN, OBSCURED = 1, 2, 3, 4
"""Codes of the zones in label rasters (0: outside), as the output contract has them."""
ZONE_NAMES = {LASER: "laser", SCISSOR: "scissor", TORN: "torn", OBSCURED: "obscured"}

THROUGH = 0.985
"""A laser zone that reaches this share of the thickness goes through: less is not seen."""
SHALLOW = 0.02
"""A laser zone shallower than this is not there."""

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Layout:
    """The realised zones of a face.

    Parameters
    ----------
    depth : (n,) float array
        Depth of the laser zone on the grid of ``FaceShape.s_um``, as a fraction of the thickness
        along w.
    change_um : (n_w,) float array
        s at which the residual changes, on ``change_grid``; empty where it does not.
    stretches : tuple of (start, end) arrays
        Borders s(t) of the scissor stretches on an even grid of t over -0.2..1.2.
    softness_um : float
        Width of the blending.
    """

    depth: FloatArray
    change_um: FloatArray
    scissor_first: bool
    all_scissor: bool
    stretches: tuple[tuple[FloatArray, FloatArray], ...]
    softness_um: float


T_GRID = np.linspace(-0.2, 1.2, 281)
"""Grid of t on which borders across the thickness are kept."""


def lay_out(shape: FaceShape, recipe: LayoutRecipe, rng: np.random.Generator) -> Layout:
    """Return the realised zones of a face."""
    start, end = shape.ends_um
    place = np.asarray((shape.s_um - start) / (end - start))
    spacing = float(shape.s_um[1] - shape.s_um[0])
    n = shape.s_um.size
    thickness = (shape.posterior_um - shape.anterior_um) / shape.cos_tilt
    depth = np.asarray(recipe.depth + recipe.slant * (place - 0.5))
    wave = correlated_line(n, spacing, rng, correlation_um=recipe.wave_length_um, exponent=1.0)
    fringe = correlated_line(n, spacing, rng, correlation_um=recipe.fringe_length_um, exponent=0.6)
    depth = depth + recipe.wave * wave + recipe.fringe_um * fringe / thickness
    for position, rise_by in recipe.steps:
        width = 0.002 + 0.01 * rng.random()
        rise = 1 / (1 + np.exp(-np.clip((place - position) / width, -50, 50)))
        depth = depth + np.asarray(rise_by * rise)
    depth = np.asarray(np.where(depth > THROUGH, 1.0, np.where(depth < SHALLOW, 0.0, depth)))
    if recipe.depth <= 0:
        depth = np.zeros(n)
    if recipe.depth >= 1:
        depth = np.ones(n)
    across_um = float(np.median(thickness))
    step_um = float(T_GRID[1] - T_GRID[0]) * across_um

    def border(position: float, slant: float, wave_um: float) -> FloatArray:
        line = correlated_line(
            T_GRID.size, step_um, rng, correlation_um=0.15 * across_um, exponent=0.8
        )
        shift = slant * across_um * (T_GRID - 0.5)
        return np.asarray(start + position * (end - start) + shift + wave_um * line)

    stretches = tuple(
        (border(item.start, item.slant, item.wave_um), border(item.end, -item.slant, item.wave_um))
        for item in recipe.stretches
    )
    change = border(recipe.change, rng.uniform(-0.5, 0.5), 0.03 * across_um)
    return Layout(
        depth, change if recipe.residual == "both" else np.empty(0), recipe.scissor_first,
        recipe.residual == "scissor", stretches, recipe.softness_um,
    )


@dataclass(frozen=True)
class Weights:
    """Share of each zone at every position; they add up to 1.

    Parameters
    ----------
    laser, scissor, torn : float arrays
        Shares; at an abrupt border they go from 0 to 1 within a pixel.
    """

    laser: Floats
    scissor: Floats
    torn: Floats

    def labels(self) -> NDArray[np.uint8]:
        """Return the zone with the greatest share."""
        result = np.full(self.laser.shape, TORN, np.uint8)
        result[self.scissor > self.torn] = SCISSOR
        result[self.laser > np.maximum(self.scissor, self.torn)] = LASER
        return result


def zone_weights(
    shape: FaceShape, layout: Layout, s: Floats, w: Floats, blend_um: float
) -> Weights:
    """Return the zones' shares at positions on the face.

    Parameters
    ----------
    shape : FaceShape
        The face.
    layout : Layout
        Its zones.
    s, w : float arrays
        Positions in µm as seen in the picture.
    blend_um : float
        Width of the blending at abrupt borders (a pixel for a picture, 0 for exact zones).
    """
    front, back, depth = shape.along(s, shape.anterior_um, shape.posterior_um, layout.depth)
    seen = back - front
    t = (w - front) / seen
    soft = max(layout.softness_um, blend_um, 1e-9)
    # where the laser went through, the posterior edge itself is no border
    reach = np.where(depth >= 1, 2.0, np.where(depth <= 0, -1.0, depth))
    laser = np.clip((reach - t) * seen / soft + 0.5, 0, 1)
    if layout.all_scissor:
        cut = np.ones_like(t)
    elif layout.change_um.size:
        side = 1.0 if layout.scissor_first else -1.0
        cut = np.clip(side * (_at(layout.change_um, t) - s) / soft + 0.5, 0, 1)
    else:
        cut = np.zeros_like(t)
    whole = np.zeros_like(t)
    for start, end in layout.stretches:
        inside = np.minimum(s - _at(start, t), _at(end, t) - s)
        whole = np.maximum(whole, np.clip(inside / soft + 0.5, 0, 1))
    rest = 1 - whole
    return Weights(
        rest * laser, whole + rest * (1 - laser) * cut, rest * (1 - laser) * (1 - cut)
    )


def _at(border: FloatArray, t: Floats) -> Floats:
    position = np.clip((t - T_GRID[0]) / (T_GRID[1] - T_GRID[0]), 0, T_GRID.size - 1.001)
    index = position.astype(np.int32)
    values = np.asarray(border, t.dtype)
    result: Floats = values[index] + (position - index).astype(t.dtype) * (
        values[index + 1] - values[index]
    )
    return result
