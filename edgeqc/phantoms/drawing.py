"""A recipe in, a picture and its truth out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.phantoms.acquisition import draw_bar, take_picture
from edgeqc.phantoms.debris import Litter, scatter_debris
from edgeqc.phantoms.face_recipe import FaceRecipe, ZoneRecipe
from edgeqc.phantoms.fields import Patch, Plane, slow_noise, standardised
from edgeqc.phantoms.layout import OBSCURED, Layout, Weights, lay_out, zone_weights
from edgeqc.phantoms.outline import FaceShape, lay_chords, shape_face
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.relief import draw_relief
from edgeqc.phantoms.signal import electron_signal
from edgeqc.phantoms.surround import draw_surround, glow, grow_burrs, rim_signal
from edgeqc.phantoms.truth import (
    BAR,
    FACE,
    DrawnFace,
    FaceTruth,
    PhantomTruth,
    face_truth,
)


@dataclass(frozen=True)
class Phantom:
    """A known-answer picture.

    Parameters
    ----------
    image : (rows, cols) uint8 or uint16 array
        The picture.
    truth : PhantomTruth
        What is in it.
    recipe : Recipe
        What it was drawn from.
    """

    image: NDArray[np.uint8 | np.uint16]
    truth: PhantomTruth
    recipe: Recipe


@dataclass(frozen=True)
class Scene:
    """The scene before the beam: signal, heights, and what is where (no data bar).

    Parameters
    ----------
    signal, height_um : (rows, cols) float32 arrays
        Electrons that leave the specimen (1 on average on a face), and heights everywhere.
    labels, codes : (rows, cols) uint8 arrays
        Zones; background, optic surface or face.
    faces : tuple of FaceTruth
        Truth of the faces.
    """

    signal: Plane
    height_um: Plane
    labels: NDArray[np.uint8]
    codes: NDArray[np.uint8]
    faces: tuple[FaceTruth, ...]


def _patch_of(shape: FaceShape, size: tuple[int, int]) -> tuple[tuple[slice, slice], Patch, Plane]:
    """Return the rectangle of the picture that holds a face, its patch, and w as seen."""
    corners = []
    for edge in (shape.anterior_um, shape.posterior_um):
        corners.append(shape.axis.to_picture(shape.s_um, edge))
    points = np.concatenate(corners)
    low = np.clip(np.floor(points.min(axis=0)).astype(int) - 12, 0, np.array(size) - 16)
    high = np.clip(np.ceil(points.max(axis=0)).astype(int) + 13, low + 16, size)
    window = (slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1])))
    row, col = np.meshgrid(
        np.arange(low[0], high[0], dtype=np.float32), np.arange(low[1], high[1], dtype=np.float32),
        indexing="ij",
    )
    s, w = shape.axis.from_picture(row, col)
    s, w = np.asarray(s, np.float32), np.asarray(w, np.float32)
    patch = Patch(
        s, w / np.float32(shape.cos_tilt), shape.axis.pixel_um, shape.axis.angle_deg,
        shape.cos_tilt,
    )
    return window, patch, w


def _zone_signal(
    signals: tuple[Plane, Plane], weight: Plane, zone: ZoneRecipe, rng: np.random.Generator,
    scale_px: float,
) -> Plane:
    """Return a zone's signal brought to its mean grey and texture contrast.

    ``signals`` are that of the plain view, which sets the scale, and that of the view wanted.
    """
    plain, signal = signals
    mask = (weight > 0.5).astype(np.uint8)
    if not mask.any():
        return signal
    mean, sd = (float(value[0, 0]) for value in cv2.meanStdDev(plain, mask=mask))
    texture = (signal - np.float32(mean)) * np.float32(1 / max(sd, 1e-9))
    texture = np.float32(4) * np.tanh(texture / np.float32(4))  # no pixel dominates the zone
    gain = np.float32(zone.texture_sd)
    if zone.patchiness > 0:
        texture *= np.clip(
            1 + np.float32(zone.patchiness) * slow_noise(signal.shape, rng, scale_px), 0.2, 3
        )
    result = np.float32(zone.grey) + gain * texture
    if zone.drift > 0:
        result += np.float32(zone.drift) * slow_noise(signal.shape, rng, 2 * scale_px)
    return np.asarray(result, np.float32)


Lean = tuple[float, float]


def _draw_zones(
    recipe: Recipe, face: FaceRecipe, patch: Patch, weights: Weights, lean: Lean,
    rng: np.random.Generator,
) -> tuple[Plane, Plane]:
    """Return heights and signal of a face's zones on its patch."""
    height = np.zeros(patch.shape, np.float32)
    signal = np.zeros(patch.shape, np.float32)
    parts = zip(
        (face.laser, face.scissor, face.torn),
        (weights.laser, weights.scissor, weights.torn),
        rng.spawn(3), (face.layout.ledge_um, 0.0, 0.0), strict=True,
    )
    scale_px = 0.25 * face.thickness_um / recipe.pixel_size_um
    slope = math.tan(math.radians(recipe.tilt_deg))
    turn = math.radians(face.angle_deg)
    tilt = (slope * math.cos(turn), -slope * math.sin(turn))
    for zone, weight, child, ledge in parts:
        if not (weight > 0).any():
            continue
        weight = np.asarray(weight, np.float32)
        relief = draw_relief(patch, zone.layers, child)
        height += weight * (relief + np.float32(ledge))
        views = [_raw_signal(recipe, zone, relief, tilt)]
        if lean != (0.0, 0.0):
            leant = (tilt[0] + lean[0], tilt[1] + lean[1])
            views.append(_raw_signal(recipe, zone, relief, leant))
        signal += weight * _zone_signal((views[0], views[-1]), weight, zone, child, scale_px)
    if face.layout.ledge_um:
        signal += _ledge_signal(recipe, face, np.asarray(weights.laser, np.float32))
    return height, signal


def _raw_signal(recipe: Recipe, zone: ZoneRecipe, relief: Plane, tilt: Lean) -> Plane:
    """Return the signal of a relief before it is brought to the zone's grey and contrast."""
    raw = electron_signal(relief, recipe.pixel_size_um, recipe.signal, tilt)
    if zone.direct:
        raw = np.float32(1 - abs(zone.direct)) * standardised(raw)
        raw += np.float32(zone.direct) * standardised(relief)
    return raw


def _ledge_signal(recipe: Recipe, face: FaceRecipe, laser: Plane) -> Plane:
    """Return the bright or dark line that the step at the laser zone's border gives."""
    step = cv2.GaussianBlur(laser, (0, 0), 1.0) * np.float32(face.layout.ledge_um)
    line = electron_signal(step, recipe.pixel_size_um, recipe.signal)
    flat = -1.0 if recipe.signal.inverted else 1.0
    return np.asarray(np.float32(0.25) * np.tanh(line - np.float32(flat)), np.float32)


def _draw_face(
    recipe: Recipe, face: FaceRecipe, scene: Scene, lean: Lean, rng: np.random.Generator
) -> tuple[Scene, FaceShape, Layout]:
    """Return the scene with one more face on it."""
    outline_rng, layout_rng, relief_rng, burr_rng = rng.spawn(4)
    shape = shape_face(recipe, face, outline_rng)
    layout = lay_out(shape, face.layout, layout_rng)
    window, patch, w = _patch_of(shape, scene.signal.shape)
    inside = np.asarray(shape.inside_um(patch.s_um, w), np.float32)
    inside /= np.float32(shape.axis.pixel_um)
    weights = zone_weights(shape, layout, patch.s_um, w, recipe.pixel_size_um)
    height, signal = _draw_zones(recipe, face, patch, weights, lean, relief_rng)
    cover = np.clip(inside + np.float32(0.5), 0, 1)
    signal, height = rim_signal(face, shape, (patch, w), (signal, height))
    full_signal, full_height = scene.signal.copy(), scene.height_um.copy()
    labels, codes = scene.labels.copy(), scene.codes.copy()
    spot = full_signal[window]
    full_signal[window] = spot + cover * (np.float32(face.grey) * signal - spot)
    full_height[window] = np.where(inside >= 0, height, full_height[window])
    labels[window] = np.where(inside >= 0, weights.labels(), labels[window])
    codes[window] = np.where(inside >= 0, FACE, codes[window])
    full_signal = grow_burrs(full_signal, face, shape, burr_rng)
    return replace(
        scene, signal=full_signal, height_um=full_height, labels=labels, codes=codes
    ), shape, layout


def compose_scene(recipe: Recipe, lean: Lean = (0.0, 0.0)) -> Scene:
    """Return the scene of a recipe, before the beam.

    Parameters
    ----------
    recipe : Recipe
        What to draw.
    lean : (float, float)
        Slope of the whole scene along rows and columns, as in a picture of a stereo pair: it
        changes the yield of every slope, and nothing else here.
    """
    size = (recipe.rows - recipe.bar.height_px, recipe.cols)
    ground_rng, debris_rng, *face_rngs = np.random.default_rng(recipe.seed).spawn(
        2 + len(recipe.faces)
    )
    shapes = [
        shape_face(recipe, face, np.random.default_rng(0)) for face in recipe.faces
    ]
    signal, height, codes = draw_surround(recipe, shapes, size, ground_rng)
    scene = Scene(signal, height, np.zeros(size, np.uint8), codes, ())
    drawn = []
    for face, rng in zip(recipe.faces, face_rngs, strict=True):
        before = scene.labels
        scene, shape, layout = _draw_face(recipe, face, scene, lean, rng)
        own = np.where(before > 0, 0, scene.labels).astype(np.uint8)
        drawn.append((face, shape, layout, own))
    around = recipe.surround
    scene = replace(
        scene, signal=glow(scene.signal, scene.codes, around.halo, around.halo_px)
    )
    litter = scatter_debris(recipe, scene.signal, scene.height_um, scene.labels, debris_rng)
    labels = np.where(litter.mask & (scene.labels > 0), OBSCURED, scene.labels).astype(np.uint8)
    scene = replace(scene, signal=litter.signal, height_um=litter.height_um, labels=labels)
    return replace(scene, faces=_truths(recipe, scene, drawn, litter))


def _truths(
    recipe: Recipe,
    scene: Scene,
    drawn: list[tuple[FaceRecipe, FaceShape, Layout, NDArray[np.uint8]]],
    litter: Litter,
) -> tuple[FaceTruth, ...]:
    truths = []
    for face, shape, layout, own in drawn:
        labels = np.where(own > 0, scene.labels, 0).astype(np.uint8)
        pieces = np.unique(litter.piece[(labels == OBSCURED)])
        leave = DrawnFace(
            labels, scene.height_um, lay_chords(shape, labels.shape), int((pieces > 0).sum())
        )
        truths.append(face_truth(recipe, face, shape, layout, leave))
    truths.sort(key=lambda item: tuple(np.round(item.outline_px.mean(axis=0) / 20).tolist()))
    return tuple(replace(item, number=i) for i, item in enumerate(truths, start=1))


def planted_defects(
    recipe: Recipe, scene: Scene, image: NDArray[np.uint8 | np.uint16]
) -> list[str]:
    """Return the defects of a picture that ought to be noticed."""
    acquisition = recipe.acquisition
    full = 255 if image.dtype == np.uint8 else 65535
    clipped = float(((image == 0) | (image == full))[scene.codes == FACE].mean())
    defects = {
        "blurred": acquisition.blur_px >= 2.5,
        "noisy": acquisition.dose < 25,
        "saturated": clipped > 0.1,
        "charging": acquisition.charging >= 0.4,
        "gradient": max(map(abs, acquisition.gradient)) > 0.6,
        "line_jitter": acquisition.line_jitter_px > 0.8,
        "low_contrast": acquisition.contrast < 0.12,
        "cropped_thickness": any(not face.complete.any() for face in scene.faces),
        "partly_cropped": any(
            face.complete.any() and face.complete.mean() < 0.9 for face in scene.faces
        ),
    }
    return [name for name, present in defects.items() if present]


def finish_picture(recipe: Recipe, scene: Scene, rng: np.random.Generator) -> Phantom:
    """Return the phantom of a scene: beam, noise, data bar, truth at picture size."""
    image = take_picture(scene.signal, recipe.acquisition, rng)
    defects = planted_defects(recipe, scene, image)
    image, bar_px = draw_bar(image, recipe.bar, recipe.pixel_size_um)
    pad = ((0, recipe.bar.height_px), (0, 0))
    height = np.where(scene.labels > 0, scene.height_um, np.float32(np.nan))
    truth = PhantomTruth(
        labels=np.pad(scene.labels, pad),
        scene=np.pad(scene.codes, pad, constant_values=BAR),
        faces=scene.faces,
        pixel_size_um=recipe.pixel_size_um,
        tilt_deg=recipe.tilt_deg,
        height_um=np.pad(height, pad, constant_values=np.nan),
        scale_bar_um=recipe.bar.scale_bar_um if bar_px else 0.0,
        scale_bar_px=bar_px,
        defects=tuple(defects),
    )
    return Phantom(image, truth, recipe)


def draw_phantom(recipe: Recipe) -> Phantom:
    """Return the picture of a recipe, with its truth.

    Parameters
    ----------
    recipe : Recipe
        What to draw; the same recipe draws the same picture.
    """
    noise = np.random.default_rng([recipe.seed, 1])
    return finish_picture(recipe, compose_scene(recipe), noise)
