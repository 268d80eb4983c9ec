"""What scissors and blades leave: the profile of a moving edge, arcs, chatter, bites, smear.

Every look takes a generator, the shape of a flat patch and the size of its features in px, and
returns height in px and tone (1 = neutral). Every one is swept: ``u`` runs across the marks,
``v`` along the tool's way.
"""

from __future__ import annotations

import cv2
import numpy as np
from fourth_field import field, line_table, sampled, turned, wander


def _straight(rng, shape):
    return turned(shape, rng.uniform(-np.pi / 2, np.pi / 2), (shape[0] / 2, shape[1] / 2))


def _about_pivot(rng, shape):
    """Return distance from a pivot beyond the patch, and the way round it in px."""
    size = np.hypot(*shape)
    reach = size * rng.uniform(0.55, 1.8)
    where = rng.uniform(0, 2 * np.pi)
    centre = (shape[0] / 2 + reach * np.sin(where), shape[1] / 2 + reach * np.cos(where))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    y, x = y - np.float32(centre[0]), x - np.float32(centre[1])
    c, s = np.float32(np.cos(where + np.pi)), np.float32(np.sin(where + np.pi))
    along = np.arctan2(y * c - x * s, x * c + y * s)
    return np.hypot(y, x), along * np.float32(reach)


def _edge(rng, length, grain):
    """Return the profile of a blade's edge: grinding marks of several widths and nicks."""
    profile = np.zeros(length)
    for k, share in enumerate(rng.uniform(0.3, 1.0, 3)):
        profile += share * 0.55**k * wander(rng, length, max(1.6, 0.6 * grain / 2**k))
    nicks = np.zeros(length)
    count = max(2, int(length / (grain * rng.uniform(2.5, 9))))
    for at, deep, wide in zip(
        rng.uniform(0, length, count), rng.normal(0, 2.2, count),
        np.clip(0.16 * grain * np.exp(rng.normal(0, 0.5, count)), 1.0, None), strict=True,
    ):  # fmt: skip
        low, high = max(0, int(at - 3 * wide)), min(length, int(at + 3 * wide) + 1)
        nicks[low:high] += deep * np.maximum(0, 1 - np.abs(np.arange(low, high) - at) / wide)
    return profile + nicks


def swept(rng, u, v, grain, keep=1.0):
    """Return the height that an edge leaves on its way, as it slowly wears and picks up grit."""
    length = int(u.max() - u.min()) + 8
    reach = float(v.max() - v.min())
    knots = max(3, int(reach / (keep * rng.uniform(250, 900))) + 3)
    first = _edge(rng, length, grain)
    rows = []
    for _ in range(knots):
        rows.append(first)
        first = 0.75 * first + 0.45 * _edge(rng, length, grain)
    table = np.array(rows, np.float32)
    tall = 16
    table = cv2.resize(table, (length, tall * knots), interpolation=cv2.INTER_LINEAR)
    scratches = rng.integers(4, 30)
    for _ in range(scratches):
        at, start = int(rng.integers(0, length)), int(rng.integers(0, tall * knots))
        stop = start + int(rng.integers(6, 40))
        wide = int(np.clip(round(grain * 0.15), 1, 5))
        table[start:stop, at : at + wide] += rng.normal(0, 1.8)
    spread = (v - v.min()) / max(reach, 1) * (tall * (knots - 1))
    return sampled(table, u - u.min() + 3, spread)


def drawn(rng, shape, grain):
    """Straight drawing marks that run on."""
    u, v = _straight(rng, shape)
    return swept(rng, u, v, grain), np.ones(shape, np.float32)


def arcs(rng, shape, grain):
    """Marks about the pivot of a pair of scissors."""
    u, v = _about_pivot(rng, shape)
    return swept(rng, u, v, grain), np.ones(shape, np.float32)


def _clock(rng, v, period, spread):
    """Return the running number of beats at ``v`` when their periods vary."""
    count = int((v.max() - v.min()) / period * 1.6) + 6
    beats = np.cumsum(period * np.exp(rng.normal(0, spread, count))) + v.min() - 2 * period
    return np.interp(v, beats, np.arange(count)).astype(np.float32)


def chatter(rng, shape, grain):
    """Waves across the tool's way where it chattered, with fine drawing marks through them."""
    u, v = (_straight if rng.random() < 0.5 else _about_pivot)(rng, shape)
    span = float(u.max() - u.min()) + 3
    period = max(16.0, grain * rng.uniform(1.2, 2.6))
    bow = rng.uniform(-1.2, 1.2) * ((u - u.mean()) / span) ** 2 * span * 0.4
    front = bow + line_table(wander(rng, int(span), span / 3) * 0.5 * period, u - u.min())
    beat = _clock(rng, v + front, period, 0.28)
    strength = 0.6 + 0.5 * field(rng, shape, 9 * period)
    wave = np.cos(2 * np.pi * beat)
    wave = (wave + 0.3 * np.cos(4 * np.pi * beat + 0.8)) * np.clip(strength, 0.0, 1.5)
    fine = swept(rng, u, v, max(3.0, 0.45 * grain))
    height = 0.16 * period * wave + rng.uniform(0.5, 1.0) * (0.06 * period + 0.5) * fine
    return height, 1 + 0.04 * wave


def halts(rng, shape, grain):
    """A blade that stuck and slipped: one lip at each halt, its marks running on between."""
    u, v = (_about_pivot if rng.random() < 0.7 else _straight)(rng, shape)
    span = float(u.max() - u.min()) + 3
    period = max(24.0, grain * rng.uniform(3.5, 8))
    front = line_table(wander(rng, int(span), span / 2.5) * 0.6 * period, u - u.min())
    beat = _clock(rng, v + front, period, 0.45)
    part = beat - np.floor(beat)
    size = np.exp(rng.normal(0, 0.4, int(beat.max()) + 2)).astype(np.float32)
    lip = np.exp(-part * 9) * size[np.floor(beat).astype(int)]
    fine = swept(rng, u, v, max(3.0, 0.6 * grain), keep=2)
    return 0.06 * period * part + 4.5 * lip + max(0.8, grain / 10) * fine, 1 + 0.1 * lip


def bites(rng, shape, grain):
    """Facets of single closings of the blades, each with marks of its own direction."""
    u, v = _straight(rng, shape)
    span = float(u.max() - u.min()) + 3
    size = float(np.clip(0.35 * min(shape) * rng.uniform(0.7, 1.8), 60, 420))
    front = line_table(wander(rng, int(span), 1.2 * size) * 0.18 * size, u - u.min())
    beat = _clock(rng, v + front, size, 0.3)
    number = np.floor(beat).astype(int)
    part = beat - number
    count = number.max() + 1
    lean = rng.uniform(-0.4, 0.4, count).astype(np.float32)[number]
    offset = rng.uniform(0, 4000, count).astype(np.float32)[number]
    across = u * np.cos(lean) + v * np.sin(lean)
    low = float(across.min())
    profile = _edge(rng, int(across.max() - low) + 4100, grain)
    marks = line_table(profile, across - low + offset)
    tilt = rng.normal(0, 0.08, count).astype(np.float32)[number]
    rise = rng.normal(0, 0.1, count).astype(np.float32)[number]
    plane = tilt * (part - 0.5) * size + rise * (u - u.mean()) * 0.3
    lip = np.exp(-part * size / 4.0)
    tone = 1 + rng.normal(0, 0.1, count).astype(np.float32)[number]
    return max(1.0, grain / 7) * marks + plane + 4 * lip, np.clip(tone, 0.8, 1.2)


def smear(rng, shape, grain):
    """Material dragged in tongues along the tool's way, streaked lengthwise."""
    u, v = _straight(rng, shape)
    length, reach = int(u.max() - u.min()) + 3, float(v.max() - v.min())
    at, along = u - u.min(), v - v.min()
    height = 0.5 * swept(rng, u, v, grain, keep=2)
    tone = np.ones(shape, np.float32)
    for _ in range(int(rng.integers(5, 12))):
        lobes = np.abs(wander(rng, length, rng.uniform(1.5, 5) * grain + 6))
        edge = rng.uniform(-0.1, 1.0) * reach + lobes * rng.uniform(1.5, 5) * grain
        edge += wander(rng, length, 10 * grain + 40) * 0.08 * reach
        ahead = line_table(edge, at) - along
        over = 1 / (1 + np.exp(-np.clip(ahead / 1.5, -30, 30)))
        tail = np.exp(-np.maximum(ahead, 0) / rng.uniform(30, 120))
        height += rng.uniform(1.2, 3) * over * (0.25 + 0.75 * tail)
        tone += 0.06 * over * tail
    streak = swept(rng, u, v, max(3.0, 0.5 * grain), keep=1)
    return height + 0.3 * streak, np.clip(tone, 0.85, 1.25)


def passes(rng, shape, grain):
    """Two passes at different angles; the deeper of the two stands."""
    angle = rng.uniform(-np.pi / 2, np.pi / 2)
    turn = rng.choice([-1, 1]) * rng.uniform(0.3, 0.9)
    mid = (shape[0] / 2, shape[1] / 2)
    u, v = turned(shape, angle, mid)
    p, q = turned(shape, angle + turn, mid)
    first = swept(rng, u, v, grain, keep=2)
    second = swept(rng, p, q, grain * rng.uniform(0.7, 1.4), keep=2)
    lean = rng.uniform(0, 2 * np.pi)
    _, x = turned(shape, lean, mid)
    plane = (x / np.hypot(*shape) * rng.uniform(6, 16)).astype(np.float32)
    return np.minimum(first, second + plane), np.where(first < second + plane, 1.03, 0.97)


LOOKS = {
    "drawn": drawn, "arcs": arcs, "chatter": chatter, "halts": halts, "bites": bites,
    "smear": smear, "passes": passes,
}  # fmt: skip
