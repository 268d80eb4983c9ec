"""What lies around a face: background, the lens's own surface, the face's rim and burrs."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.phantoms.face_recipe import FaceRecipe, Layer
from edgeqc.phantoms.fields import Patch, Plane, standardised
from edgeqc.phantoms.outline import FaceShape
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.relief import draw_relief
from edgeqc.phantoms.signal import electron_signal

BACKGROUND_BELOW_PX = 25.0
"""How far the stub lies below a face in a stereo pair, in pixels."""


def flat_patch(size: tuple[int, int], pixel_um: float, angle_deg: float = 0.0) -> Patch:
    """Return a patch with plain picture coordinates, turned by an angle."""
    row, col = np.meshgrid(
        np.arange(size[0], dtype=np.float32) * np.float32(pixel_um),
        np.arange(size[1], dtype=np.float32) * np.float32(pixel_um), indexing="ij",
    )
    angle = math.radians(angle_deg)
    c, s = np.float32(math.cos(angle)), np.float32(math.sin(angle))
    return Patch(s * row + c * col, c * row - s * col, pixel_um, angle_deg)


def _textured(
    recipe: Recipe, size: tuple[int, int], layers: tuple[Layer, ...], angle: float,
    rng: np.random.Generator,
) -> Plane:
    relief = draw_relief(flat_patch(size, recipe.pixel_size_um, angle), layers, rng)
    plane = standardised(electron_signal(relief, recipe.pixel_size_um, recipe.signal))
    return np.asarray(np.float32(4) * np.tanh(plane / np.float32(4)))


def draw_surround(
    recipe: Recipe, shapes: list[FaceShape], size: tuple[int, int], rng: np.random.Generator
) -> tuple[Plane, Plane, NDArray[np.uint8]]:
    """Return signal, heights and scene codes of everything behind the faces."""
    what = recipe.surround
    ground_rng, optic_rng = rng.spawn(2)
    signal = np.full(size, what.grey, np.float32)
    if what.texture_sd > 0 and what.layers:
        signal += np.float32(what.texture_sd) * _textured(recipe, size, what.layers, 0, ground_rng)
    if what.gradient:
        direction = ground_rng.uniform(0, 2 * math.pi)
        ramp_r = np.linspace(-0.5, 0.5, size[0], dtype=np.float32)[:, None] * math.sin(direction)
        ramp_c = np.linspace(-0.5, 0.5, size[1], dtype=np.float32)[None, :] * math.cos(direction)
        signal = np.maximum(signal + np.float32(what.gradient) * (ramp_r + ramp_c), 0.02)
    signal = signal.astype(np.float32)
    height = np.full(size, -BACKGROUND_BELOW_PX * recipe.pixel_size_um, np.float32)
    codes = np.zeros(size, np.uint8)
    if what.optic_side == "none":
        return signal, height, codes
    row, col = np.meshgrid(
        np.arange(size[0], dtype=np.float32), np.arange(size[1], dtype=np.float32), indexing="ij"
    )
    angle = recipe.faces[0].angle_deg
    optic = np.full(size, what.optic_grey, np.float32)
    if what.optic_layers and what.optic_texture_sd > 0:
        optic += np.float32(what.optic_texture_sd) * _textured(
            recipe, size, what.optic_layers, angle, optic_rng
        )
    for shape, face in zip(shapes, recipe.faces, strict=True):
        s, w = shape.axis.from_picture(row, col)
        reach = np.float32(what.optic_width * face.thickness_um)
        far = np.float32(0.3 * face.thickness_um)
        share = np.zeros(size, np.float32)
        ends = shape.past_ends_um(s, w)
        pixel = np.float32(recipe.pixel_size_um)
        for side in ("anterior", "posterior"):
            if what.optic_side not in (side, "both"):
                continue
            # it starts under the face, so that no gap shows along the rough edge
            out = -w if side == "anterior" else w
            base = shape.cos_tilt * face.thickness_um * 0.5
            inner = out - (base - far)
            outer = base + reach - out
            band = np.minimum(np.minimum(inner, outer), ends)
            share = np.maximum(share, np.clip(band / pixel + np.float32(0.5), 0, 1))
        # the surface curves away from the edge: its grey changes with distance
        fall = np.float32(what.optic_grey * 0.25) * np.clip(np.abs(w) / reach - 0.5, 0, 1.5)
        signal += share * (optic - fall - signal)
        codes[share >= 0.5] = 1
        height[share >= 0.5] = -0.1 * BACKGROUND_BELOW_PX * recipe.pixel_size_um
    return signal, height, codes


def rim_signal(
    face: FaceRecipe,
    shape: FaceShape,
    where: tuple[Patch, Plane],
    drawn: tuple[Plane, Plane],
) -> tuple[Plane, Plane]:
    """Return signal and heights with the rims along the two long edges.

    Parameters
    ----------
    face, shape
        The face.
    where : (Patch, w)
        Its patch, and w as seen in µm.
    drawn : (signal, height)
        Signal (1 on average) and heights of the zones.
    """
    patch, w = where
    signal, height = drawn
    pixel = np.float32(shape.axis.pixel_um)
    front, back = shape.along(patch.s_um, shape.anterior_um, shape.posterior_um)
    edges = ((face.anterior, w - front), (face.posterior, back - w))
    for edge, distance in edges:
        depth = np.maximum(np.asarray(distance, np.float32) / pixel, 0)
        if edge.rounding_px > 0:  # worn or rounded: the relief fades towards the edge
            fade = 1 - np.exp(-depth / np.float32(edge.rounding_px))
            smooth = cv2.GaussianBlur(signal, (0, 0), max(1.0, edge.rounding_px / 2))
            signal = smooth + fade * (signal - smooth)
            height = height * fade
        if edge.brightness:
            signal = signal + np.float32(edge.brightness) * np.exp(
                -depth / np.float32(edge.width_px)
            )
    return np.asarray(signal, np.float32), np.asarray(height, np.float32)


def glow(signal: Plane, codes: NDArray[np.uint8], halo: float, reach_px: float) -> Plane:
    """Return the signal with a glow (or shadow) of the surroundings along the faces."""
    if halo == 0 or not (codes == 2).any():
        return signal
    distance = cv2.distanceTransform((codes != 2).astype(np.uint8), cv2.DIST_L2, 5)
    share = np.where(distance > 0, np.exp(-distance / np.float32(reach_px)), 0)
    return np.asarray(np.maximum(signal + np.float32(halo) * share, 0.01), np.float32)


def grow_burrs(
    signal: Plane, face: FaceRecipe, shape: FaceShape, rng: np.random.Generator
) -> Plane:
    """Return the signal with burrs that reach outside the face along its two long edges.

    A burr is no part of the face: the outline runs beneath it.
    """
    signal = signal.copy()
    length_px = (shape.ends_um[1] - shape.ends_um[0]) / shape.axis.pixel_um
    for edge, line, sign in (
        (face.anterior, shape.anterior_um, -1.0), (face.posterior, shape.posterior_um, 1.0)
    ):
        for _ in range(int(rng.poisson(edge.burrs * length_px / 100))):
            s = rng.uniform(*shape.ends_um)
            out = edge.burr_px * math.exp(0.4 * rng.standard_normal()) * shape.axis.pixel_um
            wide = out * math.exp(0.7 * rng.standard_normal() + 0.5)
            lean = rng.normal(0, 0.6) * out
            n = 7
            t = np.linspace(0, 1, n)
            top = out * np.sin(math.pi * t) ** 0.7 * (1 + 0.25 * rng.standard_normal(n))
            along = s + wide * (t - 0.5) + lean * np.sin(math.pi * t)
            base = np.interp(along, shape.s_um, line)
            sunk = 1.5 * shape.axis.pixel_um * rng.random()
            outer = shape.axis.to_picture(along, base + sign * np.maximum(top, 0))
            inner = shape.axis.to_picture(along, base - sign * sunk)
            if (np.abs(outer) > 30000).any():
                continue
            grey = face.grey * rng.uniform(0.7, 1.3)
            for share in (1.0, 0.7, 0.45):  # brightest at its thin rim, darker towards its root
                heap = inner + share * (outer - inner) + rng.normal(0, 0.3, outer.shape)
                ring = np.concatenate([heap, inner[::-1]])[:, ::-1]
                tone = float(grey * (0.75 + 0.5 * share**2))
                cv2.fillPoly(signal, [np.rint(ring * 16).astype(np.int32)], tone, cv2.LINE_AA, 4)
    return signal
