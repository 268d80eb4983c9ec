"""What lies on a face: particles, crystals, sheet-like remnants."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.phantoms.fields import Plane, slow_noise, standardised
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.signal import electron_signal


@dataclass(frozen=True)
class Litter:
    """The scene with debris on it.

    Parameters
    ----------
    signal, height_um : (rows, cols) float32 arrays
        As in the scene.
    mask : (rows, cols) bool array
        Where debris lies.
    piece : (rows, cols) int32 array
        Number of the piece there, 0 for none.
    """

    signal: Plane
    height_um: Plane
    mask: NDArray[np.bool_]
    piece: NDArray[np.int32]


def _polygon(rng: np.random.Generator, size_px: float, corners: int, rough: float) -> Plane:
    """Return the corners (n, 2) of an irregular piece about the origin."""
    angle = np.sort(rng.uniform(0, 2 * math.pi, corners))
    radius = size_px / 2 * np.clip(1 + rough * rng.standard_normal(corners), 0.3, 2)
    stretch = rng.uniform(0.55, 1.0)
    turn = rng.uniform(0, math.pi)
    x, y = radius * np.cos(angle), stretch * radius * np.sin(angle)
    return np.stack(
        [x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)], axis=1
    ).astype(np.float32)


def _pieces(recipe: Recipe, rng: np.random.Generator) -> list[tuple[str, float]]:
    what = recipe.debris
    kinds = (
        ("particle", what.particles, what.particle_um, 0.6),
        ("crystal", what.crystals, what.crystal_um, 0.4),
        ("film", what.films, what.film_um, 0.3),
    )
    return [
        (kind, size * math.exp(spread * rng.standard_normal()) / recipe.pixel_size_um)
        for kind, count, size, spread in kinds
        for _ in range(count)
    ]


def scatter_debris(
    recipe: Recipe, signal: Plane, height_um: Plane, labels: NDArray[np.uint8],
    rng: np.random.Generator,
) -> Litter:
    """Return the scene with the recipe's debris on it, most of it on the faces."""
    piece = np.zeros(signal.shape, np.int32)
    signal, height_um = signal.copy(), height_um.copy()
    on_face = np.argwhere(labels[::4, ::4] > 0) * 4
    for number, (kind, size_px) in enumerate(_pieces(recipe, rng), start=1):
        size_px = min(max(size_px, 2.5), 0.5 * min(signal.shape))
        if len(on_face) and rng.random() < 0.85:
            centre = on_face[rng.integers(len(on_face))]
        else:
            centre = rng.integers(0, signal.shape)
        _place(recipe, kind, size_px, centre, (signal, height_um, piece, number), rng)
    return Litter(signal, height_um, piece > 0, piece)


def _place(
    recipe: Recipe,
    kind: str,
    size_px: float,
    centre: NDArray[np.int64],
    canvas: tuple[Plane, Plane, NDArray[np.int32], int],
    rng: np.random.Generator,
) -> None:
    """Draw one piece onto the canvas (a copy of the scene that the caller owns)."""
    signal, height, piece, number = canvas
    half = int(size_px) + 6
    top, left = int(centre[0]) - half, int(centre[1]) - half
    rows = slice(max(top, 0), min(top + 2 * half, signal.shape[0]))
    cols = slice(max(left, 0), min(left + 2 * half, signal.shape[1]))
    if rows.stop - rows.start < 4 or cols.stop - cols.start < 4:
        return
    corners = {"particle": 11, "crystal": int(rng.integers(4, 8)), "film": 16}[kind]
    rough = {"particle": 0.2, "crystal": 0.1, "film": 0.35}[kind]
    points = _polygon(rng, size_px, corners, rough) + np.float32(half)
    if kind != "crystal":
        points = _rounded(points)
    cover = np.zeros((2 * half, 2 * half), np.uint8)
    cv2.fillPoly(cover, [np.rint(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    alpha = np.asarray(cover, np.float32) / np.float32(255)
    grey, bump = _look(recipe, kind, alpha, size_px, rng)
    inner = (slice(rows.start - top, rows.stop - top), slice(cols.start - left, cols.stop - left))
    solid = alpha[inner] >= 0.5
    shade = cv2.GaussianBlur(alpha, (0, 0), max(1.5, size_px / 8))[inner]
    under = signal[rows, cols] * (1 - np.float32(0.35) * shade)  # it keeps electrons from below
    signal[rows, cols] = under + alpha[inner] * (grey[inner] - under)
    height[rows, cols] += np.where(solid, bump[inner], 0)
    piece[rows, cols] = np.where(solid, number, piece[rows, cols])


def _rounded(points: Plane) -> Plane:
    """Return a closed line through the corners, rounded by corner cutting."""
    for _ in range(3):
        ahead = np.roll(points, -1, axis=0)
        points = np.stack([0.75 * points + 0.25 * ahead, 0.25 * points + 0.75 * ahead], axis=1)
        points = points.reshape(-1, 2).astype(np.float32)
    return points


def _look(
    recipe: Recipe, kind: str, alpha: Plane, size_px: float, rng: np.random.Generator
) -> tuple[Plane, Plane]:
    """Return grey and height of one piece."""
    pixel = recipe.pixel_size_um
    solid = (alpha >= 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(solid, cv2.DIST_L2, 5)
    if kind == "film":
        wrinkles = slow_noise(alpha.shape, rng, max(4.0, size_px / rng.uniform(6, 20)))
        bump = (1 + 0.3 * wrinkles) * np.float32(pixel * min(size_px, 20) / 10)
        contrast = 0.12
    elif kind == "crystal":
        bump = np.minimum(depth, np.float32(size_px * 0.15)) * np.float32(pixel * 1.2)
        contrast = 0.25
    else:
        bump = np.sqrt(np.maximum(depth * (size_px - depth), 0)) * np.float32(pixel * 0.6)
        lumps = slow_noise(alpha.shape, rng, max(3.0, size_px / 4))
        bump = bump * (1 + np.float32(0.25) * lumps)
        contrast = 0.3
    bump = bump.astype(np.float32)
    worn = np.asarray(cv2.GaussianBlur(bump, (0, 0), 0.8), np.float32)
    raw = electron_signal(worn, pixel, recipe.signal)
    level = recipe.debris.contrast * recipe.faces[0].grey
    grey = level * (1 + np.float32(contrast) * np.clip(standardised(raw), -2, 3))
    rim = np.float32(0.4 * level) * np.exp(-depth / np.float32(2.0))
    return np.asarray(grey + rim, np.float32), bump
