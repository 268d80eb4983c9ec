"""Laser looks of the sixth maker: what pulses on a programmed lattice leave behind.

Every look takes (rng, shape, room) and returns a height in pixels and a yield around 1; ``room``
is the narrow side of the zone, so that enough of the lattice fits in. Rows lie along the columns
of the grid, the beam comes along the rows of the grid, from the anterior edge.
"""

from __future__ import annotations

import numpy as np
from sixth_field import F, curve, grid, lattice, noise, pick, rough, sample, smooth, steep


def _steps(rng, room, low=5.0, high=46.0):
    """Return the spot and the line spacing in pixels."""
    line = pick(rng, low, max(low * 1.1, min(high, room / 3.5)))
    return float(np.clip(line * pick(rng, 0.55, 1.8), low, high)), line


def _scatter(rng, spread, dropped=0.0):
    def draw(size):
        return np.exp(rng.normal(0, spread, size)) * (rng.uniform(size=size) > dropped)

    return draw


def pits(rng, shape, room):
    """Separate craters, each with a raised rim; some pulses missing."""
    spot, line = _steps(rng, room)
    wide, high = spot * rng.uniform(0.28, 0.45), line * rng.uniform(0.26, 0.42)
    rim = rng.uniform(0.15, 0.7)
    height = np.zeros(shape, F)
    depth = _scatter(rng, rng.uniform(0.05, 0.4), rng.uniform(0, 0.05))
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.01, 0.1), stagger=rng.choice([0, 0.5, 0.33]),
        lean=rng.normal(0, 0.03), sway=rng.uniform(0, 2),
    ):  # fmt: skip
        far = (dx / F(wide)) ** 2 + (dy / F(high)) ** 2
        shape_ = np.exp(-far) - F(rim) * np.exp(-((np.sqrt(far) - F(1.5)) ** 2) * 6)
        height -= draw("depth", depth) * shape_
    height = steep(height, rng.uniform(0.5, 1.0))
    return height + steep(rough(rng, shape, 8, 3), rng.uniform(0.03, 0.15)), None


def tracks(rng, shape, room):
    """Overlapping pulses along lines: grooves with beads between sharp cusps."""
    spot, line = _steps(rng, room, 5.0, 40.0)
    x, y = grid(shape)
    y = y + F(rng.normal(0, 0.03)) * x + F(rng.uniform(0, 0.25) * line) * noise(
        rng, shape, line * 8, line * 4
    )
    y -= y.min()
    number = (y / F(line)).astype(np.int32)
    count = number.max() + 1
    inside = y / F(line) - number - F(0.5)
    profile = np.abs(inside) ** F(rng.uniform(1.2, 2.5)) * 2
    phase = rng.uniform(0, 1, count).astype(F)[number]
    bead = np.cos(2 * np.pi * (x / F(spot) + phase)) * (F(0.5) - np.abs(inside)) * 2
    sharp = np.exp(2 * bead) / 7
    depth = np.exp(rng.normal(0, 0.25, count)).astype(F)[number]
    lively = 0.6 + 0.4 * noise(rng, shape, line * 3, spot * 6)
    height = depth * profile * F(line) - F(rng.uniform(0.5, 1.3) * spot) * sharp * lively
    height = steep(smooth(height, 0.8), rng.uniform(0.45, 0.95))
    return height + steep(rough(rng, shape, 6, 2), rng.uniform(0.03, 0.15)), None


def bubbles(rng, shape, room):
    """Gas bubbles that grew on the nodes and burst: round hollows of many sizes."""
    spot, line = _steps(rng, room, 7.0, 56.0)
    size = min(spot, line) * rng.uniform(0.35, 0.62)
    radius = _scatter(rng, rng.uniform(0.1, 0.35), rng.uniform(0, 0.08))
    height = np.zeros(shape, F)
    nearest = np.full(shape, 9, F)
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.03, 0.13), stagger=0.5,
        lean=rng.normal(0, 0.03), sway=rng.uniform(0, 3),
    ):  # fmt: skip
        reach = draw("radius", radius) * F(size) + F(0.01)
        far = np.hypot(dx, dy) / reach
        height = np.minimum(height, -reach * np.sqrt(np.maximum(1 - far**2, 0)))
        nearest = np.minimum(nearest, np.abs(far - F(1.06)))
    lip = np.exp(-((nearest / F(0.11)) ** 2))
    height = smooth(height + F(0.22 * size) * lip, 0.7)
    height = steep(height, rng.uniform(0.6, 1.2))
    height += steep(rough(rng, shape, size, 3), rng.uniform(0.05, 0.25))
    return height, 1 + F(rng.uniform(0.0, 0.25)) * lip


def melt(rng, shape, room):
    """Droplets of melt set on the lattice and drawn together along its lines."""
    spot, line = _steps(rng, room, 6.0, 44.0)
    size = min(spot, line) * rng.uniform(0.42, 0.6)
    radius = _scatter(rng, rng.uniform(0.1, 0.3), rng.uniform(0, 0.1))
    height = np.zeros(shape, F)
    thread = rng.uniform(0.2, 0.8)
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.02, 0.11), stagger=rng.choice([0, 0.5]),
        lean=rng.normal(0, 0.03), sway=rng.uniform(0, 3),
    ):  # fmt: skip
        reach = draw("radius", radius) * F(size) + F(0.01)
        ball = reach * np.sqrt(np.maximum(1 - (dx**2 + dy**2) / reach**2, 0))
        neck = F(thread) * reach * np.exp(-((dy / (F(0.4) * reach)) ** 2))
        near = np.clip(1.5 - np.abs(dx) / F(spot), 0, 1)
        height = np.maximum(height, np.maximum(ball, neck * near))
    for _ in range(3):  # surface tension rounds the necks
        height += F(0.5) * (smooth(height, max(0.6, size * 0.13)) - height)
    return steep(height, rng.uniform(0.5, 1.0)), None


def ripples(rng, shape, room):
    """Fine ripples, upright to the polarisation, that fork; strong on every scanned line."""
    spot, line = _steps(rng, room, 14.0, 50.0)
    period = max(3.2, line * rng.uniform(0.16, 0.3))
    x, y = grid(shape)
    lean = rng.normal(0, 0.12)
    fork = noise(rng, shape, period * 2.2, period * 5) * 0.9 + noise(rng, shape, line * 3) * 1.5
    wave = np.cos(2 * np.pi * (x + F(lean) * y) / F(period) + fork)
    y = y + F(rng.uniform(0, 3)) * curve(rng, shape[1], 130)[None, :]
    y -= y.min()
    number = (y / F(line)).astype(np.int32)
    inside = np.abs(y / F(line) - number - F(0.5)) * 2
    strength = np.exp(rng.normal(0, 0.2, number.max() + 1)).astype(F)[number]
    hill = np.exp(-((inside / F(rng.uniform(0.55, 0.8))) ** 4))
    phase = rng.uniform(0, 1, number.max() + 1).astype(F)[number]
    pulse = 1 + F(rng.uniform(0.1, 0.5)) * np.cos(2 * np.pi * (x / F(spot) + phase))
    height = steep(wave * hill * strength * pulse, rng.uniform(0.6, 1.1))
    return height - steep(smooth(hill, 1) * F(line), rng.uniform(0.1, 0.25)), None


def columns(rng, shape, room):
    """Pulse tracks drawn out along the beam, in layers one below the other."""
    line = pick(rng, 14, max(16, min(75, room / 2.6)))
    spot = float(np.clip(line * rng.uniform(0.16, 0.45), 5, 26))
    depth = _scatter(rng, rng.uniform(0.1, 0.4), rng.uniform(0, 0.06))
    height = np.zeros(shape, F)
    blunt = rng.uniform(0.3, 0.47)
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.02, 0.07), stagger=0.5,
        lean=rng.normal(0, 0.025), sway=rng.uniform(0, 3),
    ):  # fmt: skip
        down = np.clip(np.abs(dy) / F(line), 0, 1)
        taper = np.clip((F(blunt) + 0.06 - down) / F(0.12), 0, 1)
        width = F(0.33 * spot) * np.clip(1 - dy / F(line) * F(0.7), 0.3, 2)
        height -= draw("depth", depth) * taper * np.exp(-((dx / width) ** 2))
    height = steep(smooth(height, 0.7), rng.uniform(0.5, 1.0))
    return height + steep(rough(rng, shape, 7, 2), rng.uniform(0.03, 0.12)), None


def perforation(rng, shape, room):
    """Rows of eye-shaped cavities with thin bridges left standing between them."""
    spot, line = _steps(rng, room, 9.0, 54.0)
    spot = max(spot, line * 1.1)
    length = _scatter(rng, rng.uniform(0.05, 0.2), rng.uniform(0, 0.06))
    deep = np.zeros(shape, F)
    half = rng.uniform(0.22, 0.36) * line
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.02, 0.07), stagger=rng.choice([0, 0.5]),
        lean=rng.normal(0, 0.03), sway=rng.uniform(0, 2),
    ):  # fmt: skip
        reach = draw("length", length) * F(spot * 0.44) + F(0.01)
        lid = F(half) * np.maximum(1 - (dx / reach) ** 2, 0)
        deep = np.maximum(deep, np.maximum(lid - np.abs(dy), 0) / F(half))
    height = -np.sqrt(deep) * F(half) * 1.5
    strand = noise(rng, shape, line * 0.6, 2.4)
    height = steep(smooth(height, 0.8), rng.uniform(0.55, 1.05))
    return height + steep(strand * (1 - deep), rng.uniform(0.08, 0.2)), 1 - F(0.3) * deep


def burst(rng, shape, room):
    """Each pulse threw melt about: star-shaped splashes round a small hole on every node."""
    spot, line = _steps(rng, room, 11.0, 50.0)
    size = min(spot, line)
    depth = _scatter(rng, 0.2, rng.uniform(0, 0.06))
    height = np.zeros(shape, F)
    rays = int(rng.integers(4, 8))
    flat = noise(rng, (256, 256), 9)
    for dx, dy, draw in lattice(
        rng, shape, spot, line, jitter=rng.uniform(0.02, 0.08), stagger=rng.choice([0, 0.5]),
        lean=rng.normal(0, 0.03),
    ):  # fmt: skip
        far = np.hypot(dx, dy) / F(size)
        own = draw("own", lambda n: rng.uniform(0, 250, n))
        turn = np.arctan2(dy, dx)
        torn = sample(flat, np.abs(turn) * F(3 * rays) + 5, own + turn * 2)  # no two alike
        star = F(0.36) + F(0.03) * np.cos(rays * turn + own) + F(0.07) * torn
        splash = np.exp(-(((far - star * F(0.8)) / F(0.11)) ** 2))
        hole = np.exp(-((far / F(0.17)) ** 2))
        height += draw("depth", depth) * (F(0.45) * splash - hole)
    height = steep(smooth(height, 0.7), rng.uniform(0.5, 1.0))
    return height + steep(rough(rng, shape, size * 0.4, 3), rng.uniform(0.1, 0.3)), None


LOOKS = {
    "pits": pits,
    "tracks": tracks,
    "bubbles": bubbles,
    "melt": melt,
    "ripples": ripples,
    "columns": columns,
    "perforation": perforation,
    "burst": burst,
}
