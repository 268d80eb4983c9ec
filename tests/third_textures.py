"""Relief that laser pulses, blades and cracks leave on a cut face, for ``third_maker.py``.

Each function returns one height field over the whole sheet; its scale is set by the caller. The
kinds of a zone differ in what made them, and each has wide ranges of size, direction and disorder.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from third_relief import (
    Sheet,
    cells,
    grain,
    laid,
    line_waves,
    log_uniform,
    scattered,
    soft,
    walls,
    waves,
)

# ---- laser: what pulses leave -------------------------------------------------------------


def pulse_points(rng, sheet, pitch):
    """Return the pulses' places: spots along s, layers along t, each layer with its own phase."""
    spot, layer = (sheet.px(each, 2.2) for each in pitch)
    jitter = log_uniform(rng, 0.03, 0.28)
    rows = np.arange(0, sheet.s.shape[0], layer)
    cols = np.arange(0, sheet.s.shape[1], spot)
    grid = np.stack(np.meshgrid(rows, cols, indexing="ij"), -1)
    phase = rng.uniform(0, spot, rows.size) if rng.random() < 0.5 else np.zeros(rows.size)
    grid[..., 1] += phase[:, None]
    grid += rng.normal(0, jitter, grid.shape) * [layer, spot]
    grid[..., 0] += (line_waves(rng, cols.size, 12) * rng.uniform(0, 0.8) * layer)[None]
    points = grid.reshape(-1, 2)
    return points[rng.random(len(points)) > rng.choice([0.0, 0.02, 0.1])], min(spot, layer)


def laser_craters(rng, sheet):
    points, pitch = pulse_points(rng, sheet, (log_uniform(rng, 3, 13), log_uniform(rng, 3, 13)))
    away, _, _, nearest = cells(sheet.s.shape, points)
    radius = pitch * rng.uniform(0.38, 0.7) * np.exp(rng.normal(0, 0.18, len(points)))
    radius = radius.astype(np.float32)[nearest]
    depth = np.exp(rng.normal(0, 0.25, len(points))).astype(np.float32)[nearest]
    relief = -depth * np.maximum(1 - (away / radius) ** 2, 0)
    relief += rng.uniform(0, 0.4) * depth * np.exp(-(((away - radius) / (0.2 * radius)) ** 2))
    return soft(relief, 0.7) + rng.uniform(0.03, 0.15) * grain(rng, relief.shape, 1.0)


def laser_bubbles(rng, sheet):
    spacing = sheet.px(log_uniform(rng, 4, 22), 3.0)
    points = scattered(rng, sheet.s.shape, spacing)
    if rng.random() < 0.4:  # small ones between the large
        points = np.vstack([points, scattered(rng, sheet.s.shape, spacing / 1.8)])
    away, _, _, nearest = cells(sheet.s.shape, points)
    radius = spacing * 0.42 * np.exp(rng.normal(0, rng.uniform(0.1, 0.35), len(points)))
    radius = radius.astype(np.float32)[nearest]
    relief = -np.sqrt(np.maximum(radius**2 - away**2, 0)) / spacing
    return soft(relief, 0.8) + 0.04 * grain(rng, relief.shape, 1.2)


def laser_molten(rng, sheet):
    size = sheet.px(log_uniform(rng, 5, 20), 4)
    flow = waves(rng, sheet.s, sheet.t, (size, size * rng.uniform(0.7, 1.3)), 2, 0.3)
    away, _, _, nearest = cells(
        sheet.s.shape, scattered(rng, sheet.s.shape, size * rng.uniform(0.7, 1.8))
    )
    count = int(nearest.max()) + 1
    radius = (size * rng.uniform(0.25, 0.5) * np.exp(rng.normal(0, 0.4, count))).astype("f4")
    bead = np.sqrt(np.maximum(1 - (away / radius[nearest]) ** 2, 0))  # frozen drops, and pores
    sign = np.where(rng.random(count) < rng.uniform(0.4, 1), 0.8, -1.0).astype(np.float32)
    return rng.uniform(0.4, 1) * flow + soft(bead * sign[nearest], 0.9)


def laser_passes(rng, sheet):
    pitch = sheet.px(log_uniform(rng, 4, 18), 3.5)
    u, v = sheet.along(rng.normal(0, 3) if rng.random() < 0.8 else rng.uniform(-25, 25))
    v = v + pitch * rng.uniform(0.05, 0.35) * waves(rng, u, v, (pitch * 5, pitch * 3), 2)
    turn = 2 * np.pi * v / pitch
    strength = 1 + rng.uniform(0.2, 0.6) * waves(rng, u, v, (pitch * 4, pitch))
    relief = strength * (np.sin(turn) + rng.uniform(0, 0.5) * np.sin(2 * turn))
    spot = pitch * rng.uniform(0.4, 1.2)
    beads = waves(rng, u, v, (spot / 2, pitch / 2), 2) + np.sin(2 * np.pi * u / spot) * (
        rng.uniform(0, 1)
    )
    return relief + rng.uniform(0.3, 0.9) * beads


def laser_spindles(rng, sheet):
    pitch = (log_uniform(rng, 3, 10), log_uniform(rng, 8, 26))
    long = rng.uniform(2, 4)  # voids drawn out along the beam, which runs through the thickness
    rows = int(sheet.s.shape[0] / long) + 2
    small = Sheet(sheet.s[:rows], sheet.t[:rows], sheet.pixel_um)
    points, spot = pulse_points(rng, small, (pitch[0], max(pitch[1] / long, 2.0)))
    away, _, _, nearest = cells(small.s.shape, points)
    size = (spot * rng.uniform(0.3, 0.55) * np.exp(rng.normal(0, 0.2, len(points)))).astype("f4")
    relief = -np.maximum(1 - (away / size[nearest]) ** 2, 0)
    relief = cv2.resize(relief, (sheet.s.shape[1], int(rows * long)))[: sheet.s.shape[0]]
    return soft(relief, 0.7) + 0.05 * grain(rng, relief.shape, 1.0)


def laser_fine(rng, sheet):
    fine = rng.uniform(0.8, 1.6)
    relief = grain(rng, sheet.s.shape, fine)
    relief += rng.uniform(0, 2) * grain(rng, sheet.s.shape, 2.5 * fine)
    band = sheet.px(log_uniform(rng, 6, 25), 5)
    return relief + rng.uniform(0, 1.5) * waves(rng, sheet.s, sheet.t, (band * 12, band), 2)


def laser_smooth(rng, sheet):
    ripple = sheet.px(log_uniform(rng, 4, 20), 3)
    u, v = sheet.along(rng.normal(0, 8))
    relief = waves(rng, u, v, (ripple * rng.uniform(1, 3), ripple), 2, 0.4)
    points = scattered(rng, sheet.s.shape, sheet.px(log_uniform(rng, 12, 40), 8))
    away, _, _, nearest = cells(sheet.s.shape, points)
    radius = sheet.px(2, 1.5) * np.exp(rng.normal(0, 0.4, len(points))).astype(np.float32)
    return relief - 1.5 * soft(np.maximum(1 - (away / radius[nearest]) ** 2, 0), 0.8)


# ---- scissor: what a blade leaves ----------------------------------------------------------


def blade_path(rng, sheet, kind):
    """Return coordinates along and across the blade's path: straight, bowed, or about a pivot."""
    angle = rng.normal(90, 30) if rng.random() < 0.55 else rng.uniform(-40, 40)
    u, v = sheet.along(angle)
    if kind == "fan":
        far = max(sheet.s.shape) * rng.uniform(1.0, 2.5)
        about = far + v - float(v.mean())
        u0 = u - float(u.mean())
        return far * np.arctan2(u0, about), np.hypot(u0, about)
    if kind == "bowed":
        u0 = (u - float(u.mean())) / max(sheet.s.shape)
        v = v + max(sheet.s.shape) * rng.uniform(0.1, 0.4) * rng.choice([-1, 1]) * u0**2
    size = max(sheet.s.shape) / 3
    return u, v + size * 0.03 * waves(rng, u, v, (size, size))


def drag_lines(rng, u, v, width):
    """Return tracks of a nicked edge: many depths and lengths, sharp on one flank."""
    length = width * log_uniform(rng, 25, 120)
    relief = waves(rng, u, v, (length, width), 3, 0.7)
    few = waves(rng, u, v, (length * 3, width * rng.uniform(3, 8)), 2)
    return relief - rng.uniform(0.5, 2) * np.maximum(few - 0.8, 0) + rng.uniform(0.3, 1) * few


def scissor_lines(rng, sheet, kind="straight"):
    u, v = blade_path(rng, sheet, kind)
    relief = drag_lines(rng, u, v, sheet.px(log_uniform(rng, 1.5, 9), 1.3))
    return relief + 0.06 * grain(rng, relief.shape, 1.0)


def scissor_bowed(rng, sheet):
    return scissor_lines(rng, sheet, "bowed")


def scissor_fan(rng, sheet):
    return scissor_lines(rng, sheet, "fan")


def scissor_chatter(rng, sheet):
    u, v = blade_path(rng, sheet, rng.choice(["straight", "bowed", "fan"]))
    width = sheet.px(log_uniform(rng, 2, 8), 1.4)
    period = sheet.px(log_uniform(rng, 18, 90), 10)
    phase = u / period + 0.25 * waves(rng, u, v, (period * 3, period * 4), 2)
    bite = (phase % 1).astype(np.float32)  # slow advance, then a quick slip
    ridge = np.where(bite < 0.8, bite / 0.8, (1 - bite) / 0.2) * period * 0.15
    return soft(ridge, 1.0) + width * rng.uniform(0.15, 0.4) * drag_lines(rng, u, v, width)


def scissor_smear(rng, sheet):
    u, v = blade_path(rng, sheet, rng.choice(["straight", "bowed"]))
    width = sheet.px(log_uniform(rng, 8, 30), 6)
    length = width * rng.uniform(6, 14)
    v = v + 0.3 * width * waves(rng, u, v, (length, width * 2))
    folds = waves(rng, u, v, (length, width), 2)
    lips = np.maximum(folds, 0) ** 0.5 + 0.35 * folds  # pressed flat, with raised lips
    lines = drag_lines(rng, u, v, sheet.px(log_uniform(rng, 1.5, 5), 1.3))
    return lips * width * 0.3 + rng.uniform(0.15, 0.5) * lines


def scissor_bites(rng, sheet):
    first, second = (
        scissor_lines(rng, sheet, rng.choice(["straight", "bowed", "fan"])) for _ in range(2)
    )
    u, v = sheet.along(rng.uniform(50, 130))
    spread = max(sheet.s.shape) / 5
    side = v + spread * 0.15 * waves(rng, u, v, (spread, spread * 4), 2)
    side = side - np.quantile(side[::9, ::9], rng.uniform(0.3, 0.7))
    share = 1 / (1 + np.exp(-np.clip(side / 1.5, -30, 30)))
    burr = sheet.px(log_uniform(rng, 3, 10), 2)
    return first * share + second * (1 - share) + 2.5 * np.exp(-((side / burr) ** 2))


def scissor_polished(rng, sheet):
    """Return a wiped surface: low swells along the path, and a few scratches."""
    u, v = blade_path(rng, sheet, rng.choice(["straight", "bowed", "fan"]))
    swell = sheet.px(log_uniform(rng, 20, 80), 15)
    scratch = waves(rng, u, v, (swell * 4, sheet.px(log_uniform(rng, 2, 6), 1.5)), 2)
    faint = rng.uniform(0.02, 0.08) * waves(rng, u, v, (swell * 2, 2.0), 2)
    relief = waves(rng, u, v, (swell * 4, swell), 2) * swell / 12
    return relief - 1.5 * np.maximum(scratch - rng.uniform(1.0, 1.6), 0) + 5 * faint


# ---- torn: what a crack leaves -------------------------------------------------------------


def torn_rivers(rng, sheet):
    spacing = sheet.px(log_uniform(rng, 5, 22), 5)

    def make(shape):
        steps, count = shape[1] // 3 + 1, max(12, int(shape[0] / spacing * 4))
        place = rng.uniform(0, shape[0], count)
        height = rng.choice([-1, 1], count) * np.minimum(rng.gamma(1.5, 1, count), 3)
        start = np.where(rng.random(count) < 0.5, -40, rng.uniform(0, steps, count))
        drift = waves(rng, *np.meshgrid(
            np.arange(steps, dtype="f4"), np.arange(shape[0], dtype="f4")
        ), (steps / 3 + 2, spacing * 5), 3)  # fmt: skip
        rows = np.empty((steps, shape[0]), np.float32)
        for k in range(steps):
            at = np.clip(place, 0, shape[0] - 1).astype(int)
            grown = np.clip((k - start) / 30, 0, 1)
            place = place + (grown > 0) * (0.7 * drift[at, k] + rng.normal(0, 0.4, count))
            rows[k] = np.cumsum(np.bincount(at, height * grown, shape[0])[: shape[0]])
        rows -= gaussian_filter1d(rows, spacing * 2, axis=1)
        return cv2.resize(rows.T, shape[::-1])

    relief = laid(sheet, rng.uniform(0, 360), 1.0, make)
    facet = waves(rng, sheet.s, sheet.t, (spacing, spacing), 3)
    return 2 * np.tanh(soft(relief, 0.9) / 2) + rng.uniform(0.15, 0.45) * facet


def about_origin(rng, sheet, far):
    """Return distance and direction from where a crack began, at or beyond one edge."""
    rows, cols = sheet.s.shape
    below = rng.random() < 0.5
    place = rng.uniform(-0.2, 1.2) * cols, (1 - rng.uniform(-far, 0.04)) * rows
    ds = sheet.s - np.float32(place[0])
    dt = sheet.t - np.float32(place[1]) if below else np.float32(rows - place[1]) - sheet.t
    dt = dt * np.float32(rng.uniform(0.8, 1.25))
    return np.hypot(ds, dt) + 1, np.arctan2(ds, -dt)  # no seam where the face can lie


def torn_hackle(rng, sheet):
    radius, turn = about_origin(rng, sheet, 0.6)
    width = sheet.px(log_uniform(rng, 5, 22), 4)
    around = turn * float(np.median(radius))
    around = around + width * 0.35 * waves(rng, sheet.s, sheet.t, (width * 5, width * 5), 2)
    long = width * rng.uniform(5, 14)
    blade = waves(rng, radius, around, (long, width), 2, 0.5)
    bevel = waves(rng, radius + long, around, (long, width * 2), 1)
    ridge = np.tanh(3 * blade) + rng.uniform(0.4, 1) * bevel  # lances: flat between steep flanks
    growth = 0.3 + 0.7 * (radius - radius.min()) / float(np.ptp(radius))
    chips = waves(rng, sheet.s, sheet.t, (width, width), 4, 0.6)
    return growth * (soft(ridge, 0.8) + rng.uniform(0.15, 0.5) * chips) * width


def torn_fibrils(rng, sheet):
    relief = 1.2 * waves(rng, sheet.s, sheet.t, (sheet.px(12, 6),) * 2, 3, 0.6)
    rows, cols = sheet.s.shape
    length = sheet.px(log_uniform(rng, 40, 160), 40)
    count = int(min(900, rng.uniform(3, 9) * rows * cols / (length * 12)))
    main, spread = rng.uniform(0, np.pi), rng.uniform(0.15, 0.9)
    for k in range(count):
        n = 9
        turn = main + rng.normal(0, spread) + np.cumsum(rng.normal(0, 0.18, n))
        path = np.stack([np.cos(turn), np.sin(turn)], -1).cumsum(0) * length / n
        path += rng.uniform(0, 1, 2) * [cols, rows] - path[n // 2]
        wide = int(np.clip(rng.gamma(2, sheet.px(1.2, 1)), 1, 9))
        path, top = np.round(path * 16).astype(np.int32), float(rng.uniform(0.5, 1.5))
        cv2.polylines(relief, [path], False, top + 2 * k / count, wide, cv2.LINE_AA, 4)
    return soft(relief, 1.1)


def torn_dimples(rng, sheet, stretch=None):
    size = sheet.px(log_uniform(rng, 9, 40), 10)
    stretch = stretch or rng.uniform(1, 1.7)

    def make(shape):
        many = scattered(rng, shape, size)
        some = scattered(rng, shape, size / 2)  # small ones in patches
        patch = cv2.resize(rng.normal(size=(7, 9)), shape[::-1], interpolation=cv2.INTER_CUBIC)
        some = some[patch[tuple(some.astype(int).T)] > 1.2]
        depth, _ = walls(shape, np.vstack([many, some]))
        return -(np.minimum(depth, size * 0.5) ** 0.7)

    u = sheet.s + size * 0.13 * waves(rng, sheet.s, sheet.t, (size, size), 2)
    v = sheet.t + size * 0.13 * waves(rng, sheet.s, sheet.t, (size, size), 2)
    relief = laid(Sheet(u, v, sheet.pixel_um), rng.uniform(0, 180), stretch, make)
    return soft(relief, 0.9) + 0.25 * waves(rng, sheet.s, sheet.t, (size / 3, size / 3), 3)


def torn_ligaments(rng, sheet):
    return torn_dimples(rng, sheet, rng.uniform(3, 6))


def torn_conchoidal(rng, sheet):
    radius, turn = about_origin(rng, sheet, 0.25)
    period = sheet.px(log_uniform(rng, 25, 90), 14)
    radius = radius + period * 0.4 * waves(rng, sheet.s, sheet.t, (period * 5, period * 5), 3)
    arcs = np.sin(2 * np.pi * (np.maximum(radius, 1) / period) ** rng.uniform(0.75, 1.0))
    arcs = np.where(arcs > 0, arcs, 0.3 * arcs) * (
        1 + 0.4 * waves(rng, sheet.s, sheet.t, (period * 2,) * 2)
    )
    around = turn * float(np.median(radius))
    steps = np.tanh(2 * waves(rng, radius, around, (period * 3, period * 0.4), 2))
    chips = waves(rng, sheet.s, sheet.t, (period / 5, period / 5), 3, 0.6)
    share = rng.uniform(0.02, 0.07), rng.uniform(0.012, 0.03)
    return period * (0.2 * arcs + share[0] * steps + share[1] * chips)


def torn_facets(rng, sheet):
    size = sheet.px(log_uniform(rng, 18, 80), 14)
    s = sheet.s + size * 0.06 * waves(rng, sheet.s, sheet.t, (size / 2, size / 2), 3)
    t = sheet.t + size * 0.06 * waves(rng, sheet.s, sheet.t, (size / 2, size / 2), 3)

    main, spread = rng.uniform(0, np.pi), rng.uniform(0.2, 1.2)
    steps = rng.choice([0.0, rng.uniform(0.01, 0.06)])

    def make(shape):
        points = scattered(rng, shape, size)
        _, row, col, nearest = cells(shape, points)
        tilt = rng.normal(0, 0.5, (2, len(points))).astype(np.float32)
        lift = rng.normal(0, size * 0.06, len(points)).astype(np.float32)
        turn = (rng.normal(0, spread, len(points)) + main).astype(np.float32)[nearest]
        along = col * np.cos(turn) + row * np.sin(turn)
        across = row * np.cos(turn) - col * np.sin(turn) + 17 * lift[nearest]
        lines = size * steps * waves(rng, along, across, (size * 0.8, size * 0.12), 2)
        return tilt[0][nearest] * row + tilt[1][nearest] * col + lift[nearest] + lines

    relief = laid(Sheet(s, t, sheet.pixel_um), rng.uniform(0, 180), rng.uniform(1, 2.5), make)
    fine = waves(rng, sheet.s, sheet.t, (size / 6, size / 6), 3, 0.6)
    return soft(relief, 1.0) + size * rng.uniform(0.02, 0.06) * fine


def torn_matte(rng, sheet):
    """Return a matte break: rough alike at many scales, with pulled-up lips here and there."""
    size = sheet.px(log_uniform(rng, 15, 70), 12)
    octaves = int(np.clip(np.log2(size / 1.2), 3, 6))
    relief = waves(rng, sheet.s, sheet.t, (size, size), octaves, rng.uniform(0.5, 0.68))
    u, v = sheet.along(rng.uniform(0, 180))
    lips = waves(rng, u, v + size * 0.3 * relief, (size * 2, size * 0.5), 2)
    return size * (relief + rng.uniform(0, 1) * np.maximum(lips - 0.7, 0))


LASER_KINDS = (
    laser_craters, laser_bubbles, laser_molten, laser_passes, laser_spindles, laser_fine,
    laser_smooth,
)  # fmt: skip
SCISSOR_KINDS = (
    scissor_lines, scissor_bowed, scissor_fan, scissor_chatter, scissor_smear, scissor_bites,
    scissor_polished,
)  # fmt: skip
TORN_KINDS = (
    torn_rivers, torn_hackle, torn_fibrils, torn_dimples, torn_ligaments, torn_conchoidal,
    torn_facets, torn_matte,
)  # fmt: skip
