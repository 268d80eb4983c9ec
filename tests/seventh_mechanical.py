"""Relief left by scissors and by tearing, on the unrolled face.

Each look takes the unrolled face (rows across it, columns along it) and the size of a pixel in
micrometres; it returns heights in px and a factor on the yield.
"""

import cv2
import numpy as np
from seventh_noise import bend, bumps, cells, curve, fractal, smooth, streaks


def blade_way(rng):
    """Direction in which the blade went: mostly across the face, at a slant."""
    return rng.choice([-1, 1]) * rng.uniform(50, 90)


def drag_lines(rng, shape, um):
    way = blade_way(rng)
    width = np.clip(rng.uniform(1.5, 5) / um, 1.0, 6)
    height = 1.0 * streaks(rng, shape, 220, width, way)
    deep = streaks(rng, shape, 320, 2.5 * width, way + rng.normal(0, 2))
    height += 1.3 * width * np.where(np.abs(deep) > 1.5, deep, 0.4 * deep)
    return height + 0.2 * fractal(rng, shape, 6, 3), 1.0 + 0.04 * deep


def chatter(rng, shape, um):
    """Waves square to the way of the blade, unevenly spaced, over faint drag lines."""
    way = blade_way(rng)
    pitch = np.clip(rng.uniform(15, 55) / um, 9, 60)
    angle = np.deg2rad(way)
    rows, cols = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    along = cols * np.cos(angle) - rows * np.sin(angle)
    uneven = curve(rng, 4000, 1.5 * pitch) * 0.35 * pitch
    along = along + uneven[(along + 2000).clip(0, 3999).astype(np.int32)]
    along = along + 0.25 * pitch * smooth(rng, shape, 2.5 * pitch)
    phase = along / pitch
    saw = phase - np.floor(phase)
    height = 0.2 * pitch * np.minimum(saw, 4 * (1 - saw)) * (1 + 0.3 * smooth(rng, shape, 50))
    height = height + 0.55 * streaks(rng, shape, 160, 1.4, way)
    return height + 0.2 * fractal(rng, shape, 6, 3), np.ones(shape)


def smeared(rng, shape, um):
    """Polished by the flank of the blade: smooth, with soft flow and thin lips."""
    way = blade_way(rng)
    scale = np.clip(20 / um, 8, 40)
    flow = streaks(rng, shape, 200, 0.5 * scale, way)
    height = 0.12 * scale * flow + 0.15 * scale * smooth(rng, shape, 2 * scale)
    tongue = cv2.GaussianBlur(np.maximum(streaks(rng, shape, 70, 10, way) - 1.4, 0), (0, 0), 1)
    return height + 3 * tongue + 0.35 * streaks(rng, shape, 150, 1.2, way), 1.0 + 0.05 * flow


def crushed(rng, shape, um):
    """Squeezed between blunt blades: folds, creases and small cracks."""
    scale = np.clip(rng.uniform(25, 60) / um, 12, 60)
    fold = bend(rng, streaks(rng, shape, 4 * scale, 0.6 * scale, rng.uniform(-35, 35)), 8, scale)
    height = 0.22 * scale * (1 - np.abs(fold))
    crack = np.abs(bend(rng, streaks(rng, shape, 90, 14, rng.uniform(-40, 40)), 5, 14))
    height -= 3.5 * np.exp(-((crack / 0.05) ** 2)) * (smooth(rng, shape, 60) > 0.4)
    height += 0.6 * streaks(rng, shape, 110, 1.7, blade_way(rng))
    return height + 0.5 * fractal(rng, shape, 10, 4), 1.0 + 0.04 * smooth(rng, shape, scale)


def shear_lip(rng, shape, um):
    """A burnished entry, a slanted step, and a coarser part where the blades met."""
    way = blade_way(rng)
    rows = np.arange(shape[0], dtype=np.float32)[:, None] / shape[0]
    at = rng.uniform(0.4, 0.75) + 0.03 * curve(rng, shape[1], 60)[None] / 1.5
    lower = (1 / (1 + np.exp(-(rows - at) * shape[0] / 5))).astype(np.float32)
    width = np.clip(3 / um, 1.1, 4)
    fine = 0.9 * streaks(rng, shape, 260, width, way)
    coarse = 2.0 * width * streaks(rng, shape, 130, 2 * width, way + rng.normal(0, 7))
    height = fine * (1 - lower) + (0.6 * coarse + fine) * lower - rng.uniform(4, 12) * lower
    return height + 0.2 * fractal(rng, shape, 6, 3), 1.0 + 0.05 * (lower - 0.5)


def hackle(rng, shape, um):
    """Ridges that fan out and grow coarser as the tear ran on."""
    scale = np.clip(rng.uniform(12, 35) / um, 6, 40)
    way = rng.choice([-1, 1]) * rng.uniform(30, 90)
    ridge = bend(rng, streaks(rng, shape, 5 * scale, 0.45 * scale, way), 0.5 * scale, 3 * scale)
    height = 0.3 * scale * (1 - np.abs(ridge)) + 0.1 * scale * fractal(rng, shape, scale, 4)
    return height, 1.0 + 0.05 * smooth(rng, shape, 2 * scale)


def fibrils(rng, shape, um):
    """Threads drawn out of the break, each leaning its own way."""
    height = 1.3 * fractal(rng, shape, np.clip(12 / um, 5, 20), 4, 0.65)
    threads = np.zeros(shape, np.float32)
    way = rng.uniform(40, 140)
    height += 0.8 * bend(rng, streaks(rng, shape, 35, 1.6, -way), 4, 25)
    lean = np.deg2rad(way)
    for _ in range(int(shape[0] * shape[1] / rng.uniform(250, 900))):
        turn = lean + rng.normal(0, 0.22)
        reach = rng.gamma(1.3, 14.0) + 4
        steps = np.linspace(0, 1, 6)
        col = rng.uniform(0, shape[1]) + steps * reach * np.cos(turn)
        row = rng.uniform(0, shape[0]) + steps * reach * np.sin(turn)
        col = col + rng.normal(0, 0.12) * reach * np.sin(np.pi * steps)
        line = np.rint(np.column_stack([col, row]) * 16).astype(np.int32)
        cv2.polylines(threads, [line], False, float(rng.uniform(0.6, 1.5)),
                      int(rng.choice([1, 1, 1, 1, 2, 3])), cv2.LINE_AA, 4)
    threads = bend(rng, cv2.GaussianBlur(threads, (0, 0), 0.7), 2, 9)
    return height + 2.2 * threads, 1.0 + 0.1 * threads


def mist(rng, shape, um):
    """Fine, even, directionless roughness with cloudy strength."""
    scale = np.clip(4 / um, 1.2, 7)
    strength = np.clip(1 + 0.4 * smooth(rng, shape, 45), 0.3, 2)
    height = 0.5 * scale * fractal(rng, shape, 2 * scale, 3, 0.7) * strength
    return height + 2 * fractal(rng, shape, 50, 2), 1.0 + 0.05 * smooth(rng, shape, 40)


def dimples(rng, shape, um):
    """Cups with torn rims, drawn out somewhat along the tear."""
    spacing = np.clip(rng.uniform(8, 24) / um, 6, 32)
    first, second = cells(rng, shape, spacing, rng.uniform(0.7, 1.6))
    rim = np.exp(-((second - first) / 0.16) ** 2)
    height = 0.35 * spacing * first ** 2 + 0.1 * spacing * rim
    height = bend(rng, height, 0.2 * spacing, spacing)
    return height + 0.09 * spacing * fractal(rng, shape, 0.7 * spacing, 4, 0.65), np.ones(shape)


def river_lines(rng, shape, um):
    """Facets a little apart in height, divided by steps that fan out, join and die away."""
    pitch = np.clip(rng.uniform(14, 40) / um, 8, 45)
    angle = np.deg2rad(rng.choice([-1, 1]) * rng.uniform(20, 80))
    rows, cols = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    across = cols * np.sin(angle) + rows * np.cos(angle)
    height = np.zeros(shape, np.float32)
    for size in (1.0, 0.45):
        step = pitch * size
        phase = (across + 1.6 * step * smooth(rng, shape, 3 * step)
                 + 0.25 * step * fractal(rng, shape, step, 3)) / step
        saw = phase - np.floor(phase)
        strength = np.clip(0.4 + 0.9 * smooth(rng, shape, 1.8 * step), 0, 2)
        height += (0.22 * step * strength * np.minimum(saw, 7 * (1 - saw))).astype(np.float32)
    height += 0.05 * pitch * fractal(rng, shape, pitch, 4, 0.6) + 0.5 * fractal(rng, shape, 5, 3)
    return bend(rng, height, 1.5, 8), 1.0 + 0.04 * smooth(rng, shape, 2 * pitch)


def peeled(rng, shape, um):
    """Sheets of ligament that came away, their curled edges standing up."""
    scale = np.clip(rng.uniform(60, 140) / um, 28, 120)
    way = rng.uniform(0, 180)
    sheet = streaks(rng, shape, 2 * scale, 0.8 * scale, way) + 0.5 * fractal(rng, shape, scale, 4)
    level = 0.65 * bend(rng, sheet, 4, 12)
    part = level - np.floor(level)
    curl = np.exp(-(part / 0.05) ** 2) * np.clip(smooth(rng, shape, 0.5 * scale), 0, 2)
    hold = np.clip(0.3 + 0.9 * smooth(rng, shape, 0.5 * scale), 0, 2)  # where the edge lets go
    height = hold * (8 * np.clip(part / 0.04, 0, 1) - 9 * part + 3 * curl)
    height = height + 1.3 * streaks(rng, shape, 45, 3, way + 90)
    flecks = bumps(rng, shape, int(shape[0] * shape[1] / 9000), (3, 9),
                   lambda r: 0.5 * np.exp(-(r ** 4)))
    height = cv2.GaussianBlur(height.astype(np.float32), (0, 0), 0.9)
    return height + flecks + 1.6 * fractal(rng, shape, 12, 4, 0.65), 1.0 + 0.05 * curl


SCISSOR_LOOKS = {"drag-lines": drag_lines, "chatter": chatter, "smeared": smeared,
                 "crushed": crushed, "shear-lip": shear_lip}
TORN_LOOKS = {"hackle": hackle, "fibrils": fibrils, "mist": mist, "dimples": dimples,
              "river-lines": river_lines, "peeled": peeled}
