"""What pulses on a lattice leave: pits, trenches, bubbles, ripples, coins, froth, beads.

Every look takes a generator, the shape of a flat patch (rows through the thickness) and the size
of its features in px, and returns height in px and tone (1 = neutral).
"""

from __future__ import annotations

import cv2
import numpy as np
from fourth_field import caps, field, fractal, lattice, line_table, nearest, turned, wander


def _angle(rng):
    """Return the direction of the scan lines: along, across or askew to the edge."""
    return float(rng.choice([0.0, np.pi / 2, rng.uniform(-0.6, 0.6)], p=[0.5, 0.25, 0.25])
                 + rng.normal(0, 0.03))  # fmt: skip


def pits(rng, shape, grain):
    """Craters with a molten rim, one a pulse, some weak or missing."""
    line = grain * rng.uniform(1.0, 1.9)
    points, number = lattice(rng, shape, grain, line, _angle(rng), rng.uniform(0.02, 0.13),
                             rng.uniform(0, 0.05))  # fmt: skip
    index, dy, dx = nearest(points, shape, pad=int(line))
    radius = grain * rng.uniform(0.36, 0.58) * np.clip(rng.normal(1, 0.13, len(points)), 0.5, 1.5)
    power = np.clip(rng.normal(1, 0.2, len(points)), 0.1, 2)
    power *= np.clip(rng.normal(1, 0.12, number.max() + 1), 0.3, 2)[number]
    q = np.hypot(dy, dx) / radius.astype(np.float32)[index]
    deep = (radius * power).astype(np.float32)[index]
    rim = rng.uniform(0.1, 0.45)
    height = deep * (rim * np.exp(-(((q - 1.05) / 0.25) ** 2)) - np.maximum(0, 1 - q**2))
    tone = 1 + 0.15 * np.exp(-(((q - 1.05) / 0.3) ** 2)) - 0.1 * (q < 0.6)
    return height + 0.04 * grain * fractal(rng, shape, grain), tone


def needles(rng, shape, grain):
    """Cavities drawn out along the beam, with webs of material between them."""
    stretch = rng.uniform(1.8, 4.0)
    grain = max(4.5, min(grain, shape[0] / (6 * stretch)))
    small = (int(np.ceil(shape[0] / stretch)) + 1, shape[1])
    spot, line = grain, grain * rng.uniform(1.0, 1.5)
    points, _ = lattice(rng, small, spot, line, rng.normal(0, 0.04), rng.uniform(0.04, 0.14),
                        rng.uniform(0, 0.08))  # fmt: skip
    index, dy, dx = nearest(points, small, pad=int(line))
    radius = (grain * rng.uniform(0.36, 0.52, len(points))).astype(np.float32)[index]
    q = np.hypot(dy, dx) / radius
    height = -radius * np.sqrt(np.maximum(0, 1 - q**2))
    size = (shape[1], shape[0])
    height = cv2.resize(height, size, interpolation=cv2.INTER_LINEAR)
    wall = cv2.resize((q < 0.9).astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return height + 0.06 * grain * fractal(rng, shape, 2 * grain), 1.05 - 0.2 * wall


def trenches(rng, shape, grain):
    """Scan lines molten to trenches, scalloped by the single pulses."""
    line = max(4.0, grain * rng.uniform(0.9, 1.6))
    spot = max(2.5, line * rng.uniform(0.25, 0.8))
    u, v = turned(shape, _angle(rng), (shape[0] / 2, shape[1] / 2))
    drift = wander(rng, int(v.max() - v.min()) + 3, 12 * line) * 0.12 * line
    u = u + line_table(drift, v - v.min())
    raw = u / line - float(u.min()) / line
    number = np.floor(raw).astype(int)
    across = raw - number - 0.5
    count = number.max() + 1
    phase = rng.uniform(0, 1, count).astype(np.float32)[number]
    slip = line_table(wander(rng, int(v.max() - v.min()) + 3, 6 * spot) * 0.25, v - v.min())
    pulse = 0.5 + 0.5 * np.cos(2 * np.pi * (v / spot + phase + slip) - 2.5 * np.abs(across))
    depth = np.clip(rng.normal(1, 0.18, count), 0.4, 1.7).astype(np.float32)[number]
    trench = np.cos(np.pi * across) ** rng.uniform(0.8, 2.5)
    height = -0.5 * line * depth * trench * (1 - rng.uniform(0.45, 0.8) * pulse)
    ridge = np.exp(-(((np.abs(across) - 0.5) / 0.09) ** 2))
    height += 0.08 * line * ridge * (1 + 0.7 * field(rng, shape, 1.5 * line))
    return height + 0.03 * line * fractal(rng, shape, line), 1 + 0.12 * ridge


def bubbles(rng, shape, grain):
    """Open gas bubbles that grew on the pulses; neighbours that touched became one."""
    spot = grain * rng.uniform(1.2, 1.8)
    points, number = lattice(rng, shape, spot, spot * rng.uniform(1, 1.5), _angle(rng),
                             rng.uniform(0.06, 0.14), rng.uniform(0.02, 0.1))  # fmt: skip
    radii = 0.55 * grain * np.exp(rng.normal(0, 0.22, len(points)))
    follow = number[1:] == number[:-1]
    gap = np.hypot(*(points[1:] - points[:-1]).T)
    joined = np.nonzero(follow & (gap < 0.95 * (radii[1:] + radii[:-1])))[0]
    points[joined + 1] = (points[joined] + points[joined + 1]) / 2
    radii[joined + 1] = np.cbrt(radii[joined] ** 3 + radii[joined + 1] ** 3)
    radii[joined] *= 0.3
    radii = np.minimum(radii, 1.3 * grain)
    hollow = caps(points, radii, rng.uniform(-0.2, 0.3), shape)
    rim = cv2.GaussianBlur(hollow, (0, 0), max(0.8, grain * 0.12)) * (hollow == 0)
    height = -hollow + 0.5 * rim + 0.07 * grain * fractal(rng, shape, 2 * grain)
    return height, 1 + 0.05 * (hollow == 0)


def ripples(rng, shape, grain):
    """Molten ripples with forks, lumped at the pitch of the pulses."""
    angle = _angle(rng)
    u, v = turned(shape, angle, (shape[0] / 2, shape[1] / 2))
    period = float(np.clip(grain * rng.uniform(0.5, 1.0), 3.5, 20))
    turn = np.exp(1j * (2 * np.pi / period * u + 1.2 * field(rng, shape, 9 * period)))
    turn = turn.astype(np.complex64)
    for _ in range(int(rng.integers(6, 26))):
        off = (u - rng.uniform(u.min(), u.max())) + 1j * (v - rng.uniform(v.min(), v.max()))
        off = off / np.maximum(np.abs(off), 1e-3)
        turn *= off if rng.random() < 0.5 else off.conj()
    wave = turn.real
    sharp = np.sign(wave) * np.abs(wave) ** rng.uniform(0.6, 1.4)
    pitch = period * rng.uniform(2.5, 5)
    lump = np.cos(2 * np.pi * v / pitch + field(rng, shape, 6 * period)) * np.cos(
        2 * np.pi * u / (pitch * rng.uniform(0.8, 1.6)) + field(rng, shape, 6 * period)
    )
    height = 0.25 * period * sharp * (0.75 + 0.5 * lump) + 0.5 * period * lump
    height += 0.05 * period * fractal(rng, shape, period)
    if rng.random() < 0.5:  # droplets that the pulses threw
        points, _ = lattice(rng, shape, 2 * pitch, 2 * pitch, angle, 0.14, 0.3)
        height += caps(points, period * rng.uniform(0.25, 0.55, len(points)), 0, shape, 4)
    return height, 1 + 0.08 * (sharp > 0.3)


def coins(rng, shape, grain):
    """Pulses laid over each other like coins in firing order, each a tilted shallow dish."""
    line = grain * rng.uniform(0.6, 1.0)
    points, number = lattice(rng, shape, grain * rng.uniform(0.5, 0.85), line, _angle(rng),
                             rng.uniform(0.03, 0.12))  # fmt: skip
    if rng.random() < 0.5:  # there and back
        order = np.lexsort((np.where(number % 2, -1, 1) * np.arange(len(number)), number))
        points = points[order]
    index = np.zeros(shape, np.int32)
    radii = 0.62 * grain * np.clip(rng.normal(1, 0.1, len(points)), 0.6, 1.4)
    spots = np.round(points[:, ::-1] * 16).astype(int).tolist()
    sizes = np.maximum(16, np.round(radii * 16)).astype(int).tolist()
    for k, (spot, size) in enumerate(zip(spots, sizes, strict=True)):
        cv2.circle(index, spot, size, k, -1, cv2.LINE_8, 4)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    close = points.astype(np.float32)
    dy, dx = (np.clip(off, -grain, grain) for off in (y - close[index, 0], x - close[index, 1]))
    q = np.minimum((dy**2 + dx**2) / radii.astype(np.float32)[index] ** 2, 1.4)
    lean = rng.uniform(0.2, 0.6)
    level = (0.06 * grain * rng.standard_normal(len(points))).astype(np.float32)
    towards = rng.uniform(0, 2 * np.pi)
    height = level[index] + 0.35 * grain * q
    height = height + lean * (np.cos(towards) * dx + np.sin(towards) * dy)
    return height, 0.92 + 0.12 * q


def froth(rng, shape, grain):
    """Froth of burst bubbles in bands along the scan lines, with strings of melt across."""
    line = grain * rng.uniform(2.0, 3.2)
    points, _ = lattice(rng, shape, 0.7 * grain, line, _angle(rng), 0.16, 0.1)
    radii = grain * rng.choice([0.3, 0.45, 0.8], len(points), p=[0.45, 0.4, 0.15])
    radii *= np.exp(rng.normal(0, 0.12, len(points)))
    hollow = caps(points, np.maximum(radii, 1.2), 0.1, shape, classes=6)
    height = -hollow
    for _ in range(int(min(400, shape[0] * shape[1] / (12 * grain**2)))):
        at = rng.uniform(0, 1, 2) * shape
        way = rng.uniform(0, np.pi)
        half = rng.uniform(0.8, 2.2) * grain
        ends = [tuple(int(c) for c in (at + sign * half * np.array([np.sin(way), np.cos(way)])))
                for sign in (-1, 1)]  # fmt: skip
        cv2.line(height, ends[0][::-1], ends[1][::-1], float(rng.uniform(-0.2, 0.2) * grain),
                 max(1, round(0.14 * grain)), cv2.LINE_AA)  # fmt: skip
    return height + 0.06 * grain * fractal(rng, shape, 2 * grain), 1 - 0.1 * (hollow > 0.3 * grain)


def beads(rng, shape, grain):
    """Scan lines set with beads of frozen melt."""
    spot = grain * rng.uniform(0.85, 1.25)
    points, _ = lattice(rng, shape, spot, grain * rng.uniform(1.3, 2.2), _angle(rng),
                        rng.uniform(0.04, 0.13), rng.uniform(0.02, 0.15))  # fmt: skip
    radii = grain * 0.48 * np.exp(rng.normal(0, 0.2, len(points)))
    height = caps(points, np.maximum(radii, 1.3), rng.uniform(-0.3, 0.1), shape)
    tone = 1 + 0.12 * (height > 0.2 * grain)
    return height + 0.06 * grain * fractal(rng, shape, 1.5 * grain), tone


LOOKS = {
    "pits": pits, "needles": needles, "trenches": trenches, "bubbles": bubbles,
    "ripples": ripples, "coins": coins, "froth": froth, "beads": beads,
}  # fmt: skip
