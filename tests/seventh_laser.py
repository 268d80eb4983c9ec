"""Relief left by a femtosecond laser: rows of spots, layers, melt, bubbles, ripples.

Each look takes the unrolled face (rows across it, columns along it) and the size of a pixel in
micrometres; it returns heights in px and a factor on the yield.
"""

import numpy as np
from seventh_noise import bend, bumps, fractal, smooth, streaks


def rows_of(rng, shape, pitch, jitter):
    """Phase of rows `pitch` px apart that run along the face and wander a little."""
    rows = np.arange(shape[0], dtype=np.float32)[:, None]
    drift = jitter * pitch * smooth(rng, shape, max(6 * pitch, 12), max(25 * pitch, 60))
    return (rows + drift) / pitch


def pits(phase_down, phase_along, sharp):
    down = 0.5 + 0.5 * np.cos(2 * np.pi * phase_down)
    along = 0.5 + 0.5 * np.cos(2 * np.pi * phase_along)
    return (down * along) ** sharp


def spot_lattice(rng, shape, um):
    down = max(rng.uniform(5, 16) / um, 2.1)
    along = max(down * rng.uniform(0.6, 1.3), 2.1)
    phase_down = rows_of(rng, shape, down, 0.12)
    index = np.rint(phase_down).astype(np.int32)
    shift = rng.uniform(0, 1, index.max() - index.min() + 1) * rng.choice([0.1, 0.5, 1.0])
    cols = np.arange(shape[1], dtype=np.float32)[None]
    phase_along = (cols + 0.15 * along * smooth(rng, shape, 2 * along)) / along
    phase_along = phase_along + shift[index - index.min()].astype(np.float32)
    strength = np.clip(1 + 0.4 * smooth(rng, shape, 40), 0.2, 2)
    size = min(down, along)
    height = -0.3 * size * strength * pits(phase_down, phase_along, rng.uniform(0.7, 1.6))
    mottle = 0.25 + 0.2 * max(4.5 - size, 0.0)  # pulses differ, which shows when rows do not
    return height + mottle * fractal(rng, shape, 5, 3), 1.0 + 0.03 * smooth(rng, shape, 30)


def layer_lines(rng, shape, um):
    pitch = max(rng.uniform(6, 22) / um, 2.4)
    phase = rows_of(rng, shape, pitch, 0.15)
    wave = np.abs(np.sin(np.pi * phase)) if rng.random() < 0.5 else np.cos(2 * np.pi * phase)
    strength = np.clip(1 + 0.45 * smooth(rng, shape, 8, 60), 0.1, 2)
    height = 0.16 * pitch * wave * strength + 0.3 * smooth(rng, shape, 0.9, 4)
    return height + 0.3 * fractal(rng, shape, 8, 3), 1.0 + 0.03 * smooth(rng, shape, 4, 60)


def beam_columns(rng, shape, um):
    """Fine curtains along the beam: across the face, with a few layers showing through."""
    pitch = max(rng.uniform(3, 9) / um, 2.2)
    cols = np.arange(shape[1], dtype=np.float32)[None]
    phase = (cols + 0.5 * pitch * smooth(rng, shape, 50, 1.5 * pitch)) / pitch
    height = 0.13 * pitch * np.cos(2 * np.pi * phase)
    height = height * np.clip(1 + 0.6 * smooth(rng, shape, 40, 12), 0, 2)
    layers = np.cos(2 * np.pi * rows_of(rng, shape, pitch * rng.uniform(3, 6), 0.1))
    return height + 0.06 * pitch * layers + 0.25 * fractal(rng, shape, 4, 2), np.ones(shape)


def melted(rng, shape, um):
    """Recast and rounded: soft humps, a few closed pores."""
    scale = np.clip(rng.uniform(10, 30) / um, 5, 40)
    height = 0.2 * scale * fractal(rng, shape, scale, 2, 0.35)
    count = int(shape[0] * shape[1] / (scale * 22) ** 2)
    height += bumps(rng, shape, count, (2, 0.35 * scale + 3),
                    lambda r: -0.5 * np.exp(-(r ** 4)) + 0.12 * np.exp(-(((r - 1.15) / 0.2) ** 2)))
    return height + 0.1 * smooth(rng, shape, 1.2), 1.0 + 0.04 * smooth(rng, shape, scale * 2)


def bubbled(rng, shape, um):
    """Cavities of gas with raised rims, crowded in rows."""
    radius = np.clip(rng.uniform(2, 7) / um, 1.8, 14)
    count = int(rng.uniform(0.15, 0.4) * shape[0] * shape[1] / (np.pi * radius ** 2))
    height = bumps(rng, shape, min(count, 5000), (0.6 * radius, 1.7 * radius),
                   lambda r: -0.4 * np.exp(-(r ** 4)) + 0.18 * np.exp(-(((r - 1.1) / 0.25) ** 2)))
    pitch = max(rng.uniform(8, 20) / um, 4)
    height += 0.07 * pitch * np.cos(2 * np.pi * rows_of(rng, shape, pitch, 0.15))
    return height + 0.25 * fractal(rng, shape, 6, 3), np.ones(shape)


def rippled(rng, shape, um):
    """Even ripples at a slant that break up and join again."""
    pitch = np.clip(rng.uniform(2, 7) / um, 3.2, 13)
    angle = np.deg2rad(rng.choice([-1, 1]) * rng.uniform(0, 65))
    rows, cols = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    wave = np.cos(2 * np.pi * (rows * np.cos(angle) + cols * np.sin(angle)
                               + 0.8 * pitch * smooth(rng, shape, 5 * pitch)) / pitch)
    wave *= np.clip(0.8 + 0.7 * smooth(rng, shape, 5 * pitch), 0, 2)
    return 0.15 * pitch * wave + 0.25 * fractal(rng, shape, 5, 3), np.ones(shape)


def fine_grain(rng, shape, um):
    """Lattice too fine to resolve: an even, fine, slightly lined grain."""
    scale = np.clip(1.5 / um, 0.8, 3)
    height = 0.42 * scale * fractal(rng, shape, 2 * scale, 3, 0.7)
    height += 0.3 * scale * smooth(rng, shape, scale, 12 * scale)
    faint = streaks(rng, shape, 200, rng.uniform(4, 9), rng.normal(0, 2))
    return height + 0.6 * faint, 1.0 + 0.03 * faint


def stacked(rng, shape, um):
    """Coarse terraces, one a pass of the beam, each with its own fine finish."""
    pitch = np.clip(rng.uniform(25, 70) / um, 10, 90)
    phase = rows_of(rng, shape, pitch, 0.06)
    height = 0.1 * pitch * (phase - np.floor(phase)) ** 2
    height += 0.35 * smooth(rng, shape, 1.0, 5) + 0.3 * fractal(rng, shape, 7, 3)
    band = np.floor(phase).astype(np.int32)
    tone = rng.normal(0, 0.03, band.max() - band.min() + 1).astype(np.float32)
    return bend(rng, height, 1.5, 30), 1.0 + tone[band - band.min()]


LASER_LOOKS = {"spot-lattice": spot_lattice, "layer-lines": layer_lines,
               "beam-columns": beam_columns, "melted": melted, "bubbled": bubbled,
               "rippled": rippled, "fine-grain": fine_grain, "stacked": stacked}
