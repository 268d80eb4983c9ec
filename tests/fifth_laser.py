"""What pulses on a programmed lattice leave: eight looks of the fifth maker."""

from __future__ import annotations

import cv2
import numpy as np
from fifth_grain import (
    Relief,
    grid_noise,
    lattice,
    nearest,
    octaves,
    plane,
    profile,
    read_profile,
    soft,
    uniform_log,
)


def _angle(rng):
    """Return the direction of the pulse rows: level as a rule, at times upright or leaning."""
    kind = rng.random()
    lean = np.deg2rad(rng.normal(0, 3))
    if kind < 0.65:
        return lean
    return lean + (np.pi / 2 if kind < 0.85 else np.deg2rad(rng.uniform(-40, 40)))


def craters(rng, shape, room):
    """Single pits with thrown-up rims, apart from one another."""
    pitch = uniform_log(rng, 7, min(44, room / 4))
    row = max(7, pitch * rng.uniform(0.8, 1.7))
    points = lattice(
        rng, shape, pitch, row, _angle(rng), rng.uniform(0.0, 0.11), missing=rng.uniform(0, 0.05)
    )
    dist, label = nearest(points, shape)
    size = min(pitch, row)
    radius = size * rng.uniform(0.3, 0.43) * np.exp(rng.normal(0, 0.12, label.max() + 1))
    deep = size * rng.uniform(0.2, 0.55) * np.exp(rng.normal(0, 0.25, label.max() + 1))
    ratio = dist / radius[label].astype(np.float32)
    deep = deep[label].astype(np.float32)
    bowl = -deep * np.clip(1 - ratio**2, 0, None)
    rim = deep * rng.uniform(0.2, 0.7) * np.exp(-(((ratio - 1.1) / 0.28) ** 2))
    height = soft(bowl + rim, 0.5 + 0.03 * size)
    return Relief(height, -rng.uniform(0.05, 0.35) * np.exp(-((ratio / 0.8) ** 4)))


def honeycomb(rng, shape, room):
    """Cavities that touch, with thin walls between."""
    pitch = uniform_log(rng, 6.5, min(40, room / 4))
    row, aspect = pitch * rng.uniform(0.75, 1.2), uniform_log(rng, 1, 2.6)
    flat = (max(8, int(shape[0] / aspect)), shape[1])
    lean = rng.normal(0, 0.05)
    points = lattice(rng, flat, pitch, row, lean, rng.uniform(0.03, 0.13), missing=0.02)
    dist, label = nearest(points, flat)
    power = rng.uniform(1.4, 3.0)
    lift = rng.normal(0, 0.12, label.max() + 1).astype(np.float32)
    z = (dist / (0.55 * pitch)) ** power + lift[label]
    size = (shape[1], shape[0])
    z = cv2.resize(np.minimum(z, 1.8), size, interpolation=cv2.INTER_LINEAR)
    return Relief(soft(pitch * rng.uniform(0.2, 0.5) * z, 0.6), 0.12 * (z - 0.5))


def scan_lines(rng, shape, room):
    """Grooves of the scanned line with a bead for every pulse."""
    along, across = plane(shape, _angle(rng))
    row = uniform_log(rng, 7, min(46, room / 4))
    bead = max(5.5, row * uniform_log(rng, 0.4, 1.4))
    across = across + 0.12 * row * grid_noise(rng, shape, 5 * row, 3)
    k = np.floor(across / row).astype(np.int32)
    k -= k.min()
    count = k.max() + 1
    part = across / row - np.floor(across / row)
    strength = np.exp(rng.normal(0, 0.22, count)).astype(np.float32)[k]
    phase = (rng.random(count) * rng.choice([0, 0.4, 1])).astype(np.float32)[k]
    groove = (0.5 + 0.5 * np.cos(2 * np.pi * part)) ** rng.uniform(0.6, 2.5)
    pulse = 0.5 + 0.5 * np.cos(2 * np.pi * (along / bead + phase))
    pulse = pulse ** rng.uniform(0.7, 2) * rng.uniform(0.6, 1.1)
    z = strength * (groove + pulse * (1 - groove) * (1 + 0.3 * grid_noise(rng, shape, bead)))
    return Relief(row * rng.uniform(0.18, 0.45) * soft(z, 0.5), 0.1 * groove)


def bubbles(rng, shape, room):
    """Gas bubbles along the rows, opened or closed, of many sizes."""
    pitch = uniform_log(rng, 10, min(48, room / 3.5))
    row = pitch * rng.uniform(0.8, 1.4)
    points = lattice(
        rng, shape, pitch, row, _angle(rng), rng.uniform(0.06, 0.16), missing=rng.uniform(0, 0.15)
    )
    radii = np.clip(0.42 * pitch * np.exp(rng.normal(0, 0.3, len(points))), 2.5, 0.9 * pitch)
    z = 0.12 * pitch * octaves(rng, shape, pitch * 0.7, 3)
    tone = np.zeros(shape, np.float32)
    open_share = rng.choice([1.0, 0.75, 0.2])
    for (v, u), r in zip(points[order := rng.permutation(len(points))], radii[order], strict=True):
        n = int(1.6 * r) + 2
        v0, u0 = max(0, int(v) - n), max(0, int(u) - n)
        v1, u1 = min(shape[0], int(v) + n + 1), min(shape[1], int(u) + n + 1)
        dv = (np.arange(v0, v1) - v)[:, None] / r
        d2 = (dv**2 + ((np.arange(u0, u1) - u)[None, :] / r) ** 2).astype(np.float32)
        cap = r * np.sqrt(np.clip(1 - d2, 0, None))
        view = z[v0:v1, u0:u1]
        if rng.random() < open_share:
            lip = 0.2 * r * np.exp(-(((np.sqrt(d2) - 1.05) / 0.12) ** 2))
            view[:] = np.where(d2 < 1, -0.7 * cap, view + lip)
            tone[v0:v1, u0:u1] -= 0.2 * (d2 < 0.8)
        else:
            view[:] = np.maximum(view, 0.6 * cap)
    return Relief(soft(z, 0.6), soft(np.clip(tone, -0.3, 0), 1.0))


def ripples(rng, shape, room):
    """Fine ripples with forks, grown by feedback, in the rows of the scan."""
    wave = uniform_log(rng, 5.5, min(14, room / 6))
    half = (shape[0] // 2 + 1, shape[1] // 2 + 1)
    z = rng.standard_normal(half).astype(np.float32)
    short = wave / 2
    angle = rng.choice([0, np.pi / 2]) + rng.normal(0, 0.12)
    n = int(3 * short) | 1
    y, x = np.indices((n, n)) - n // 2
    a, b = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    ring = np.cos(2 * np.pi * a / short) * np.exp(-((a / short) ** 2) - (b / (1.2 * short)) ** 2)
    ring = (ring - ring.mean()).astype(np.float32)
    ring /= np.abs(ring).sum()
    for _ in range(5):
        z = np.tanh(6 * cv2.filter2D(z, -1, ring))
    z = soft(cv2.resize(z, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), 0.6)
    pitch = wave * rng.uniform(4, 8)
    _, across = plane(shape, rng.normal(0, 0.04))
    across = across + 0.08 * pitch * grid_noise(rng, shape, 4 * pitch, 3)
    rows = np.cos(2 * np.pi * across / pitch)
    z = z * (0.75 + 0.35 * rows) * wave * rng.uniform(0.2, 0.34)
    return Relief(z + rng.uniform(0.02, 0.06) * pitch * rows, 0.08 * rows)


def melt(rng, shape, room):
    """Drops that ran and froze in rows, with round pores."""
    pitch = uniform_log(rng, 9, min(50, room / 3.5))
    angle = _angle(rng)
    points = lattice(rng, shape, pitch, 0.9 * pitch, angle, rng.uniform(0.1, 0.2), missing=0.08)
    dist, label = nearest(points, shape)
    radius = 0.62 * pitch * np.exp(rng.normal(0, 0.2, label.max() + 1)).astype(np.float32)
    drop = np.sqrt(np.clip(radius[label] ** 2 - dist**2, 0, None))
    z = soft(rng.uniform(0.5, 0.9) * drop, 0.14 * pitch)
    z += 0.1 * pitch * grid_noise(rng, shape, 1.5 * pitch)
    pores = np.column_stack([rng.uniform(0, n - 1, len(points) // 2 + 2) for n in shape])
    away, which = nearest(pores, shape)
    size = rng.uniform(0.06, 0.16, which.max() + 1).astype(np.float32)[which] * pitch + 0.8
    hole = 1 / (1 + np.exp(np.clip(3 * (away - size), -30, 30)))
    _, across = plane(shape, angle)
    rows = np.cos(2 * np.pi * across / (0.9 * pitch))
    return Relief(z - 0.5 * pitch * hole + 0.1 * pitch * rows, -0.3 * hole)


def perforation(rng, shape, room):
    """Long cavities side by side, as of pulses stacked through the depth."""
    pitch = uniform_log(rng, 7, min(40, room / 4))
    aspect = rng.uniform(2.4, 4.5)
    flat = (max(8, int(shape[0] / aspect)), shape[1])
    points = lattice(
        rng, flat, pitch, pitch * rng.uniform(0.9, 1.3), rng.normal(0, 0.04), 0.08,
        missing=0.04, stagger=rng.choice([0.0, 0.5, 0.13]),
    )  # fmt: skip
    dist, label = nearest(points, flat)
    radius = pitch * rng.uniform(0.3, 0.42) * np.exp(rng.normal(0, 0.1, label.max() + 1))
    ratio = cv2.resize(dist / radius[label].astype(np.float32), (shape[1], shape[0]))
    hole = 1 / (1 + np.exp(np.clip(7 * (ratio - 1), -30, 30)))
    lip = np.exp(-(((ratio - 1.15) / 0.2) ** 2))
    z = -pitch * rng.uniform(0.35, 0.8) * hole + 0.14 * pitch * lip
    z += 0.06 * pitch * octaves(rng, shape, pitch / 2, 2)
    return Relief(z, -rng.uniform(0.1, 0.4) * hole)


def scalloped_layers(rng, shape, room):
    """Layer upon layer of pulses, every layer's edge a row of scallops."""
    along, across = plane(shape, rng.normal(0, 0.05))
    layer = uniform_log(rng, 8, min(50, room / 3.5))
    spot = layer * uniform_log(rng, 0.45, 1.3)
    drift = read_profile(profile(rng, 4 * shape[1], 6 * layer), along)
    across = across + 0.1 * layer * drift
    k = np.floor(across / layer).astype(np.int32)
    k -= k.min()
    phase = rng.random(k.max() + 1).astype(np.float32)[k]
    arch = np.abs(np.sin(np.pi * (along / spot + phase)))
    part = across / layer - np.floor(across / layer) + rng.uniform(0.25, 0.6) * arch
    step = part - np.floor(part)
    bias = rng.normal(0, 0.15, k.max() + 1).astype(np.float32)[k]
    z = layer * rng.uniform(0.25, 0.5) * (step + bias)
    z += 0.04 * layer * octaves(rng, shape, layer / 2, 3)
    return Relief(soft(z, 0.7), 0.1 * (step - 0.5))


LASER = {
    "craters": craters,
    "honeycomb": honeycomb,
    "scan_lines": scan_lines,
    "bubbles": bubbles,
    "ripples": ripples,
    "melt": melt,
    "perforation": perforation,
    "scalloped_layers": scalloped_layers,
}
