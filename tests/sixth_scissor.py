"""Scissor looks of the sixth maker: marks of an edge that moved along one path.

Every look takes (rng, shape, room) and returns a height in pixels and a yield around 1. The marks
have one direction, or one centre of curvature, and run on through the whole zone.
"""

from __future__ import annotations

import numpy as np
from sixth_field import F, curve, heading, noise, pick, rough, sample, smooth, steep


def _path(rng, shape, curved=None):
    """Return the planes along and across the path of the edge."""
    if rng.uniform() < 0.65:  # through the thickness, leaning
        angle = np.pi / 2 + rng.normal(0, 0.45)
    else:  # along the face
        angle = rng.normal(0, 0.22)
    if curved is None:
        curved = rng.uniform() < 0.35
    return heading(rng, shape, angle, rng.choice([-1, 1]) * rng.uniform(0.35, 1.4) * curved)


def swept(rng, along, across, width, length=None):
    """Return what the nicks of an edge leave: a profile that changes slowly on its way."""
    length = length or pick(rng, 500, 3000)
    rows, cols = int(across.max()) + 3, int(along.max() / 4) + 3
    table = np.zeros((rows, cols), F)
    weight = 1.0
    for part in range(3):
        cell = max(1.7, width / 2.3**part)
        table += F(weight) * noise(rng, (rows, cols), cell, length / 4)
        weight *= rng.uniform(0.45, 0.9)
    for _ in range(int(rows / width * rng.uniform(0, 0.5))):  # single nicks, begun and ended
        at, first = rng.integers(0, rows), rng.integers(-cols // 2, cols)
        last = first + int(cols * rng.uniform(0.3, 1.2))
        half = max(1.0, width * rng.uniform(0.1, 0.35))
        y = np.arange(max(0, int(at - 2.5 * half)), min(rows, int(at + 2.5 * half) + 1))
        x = np.arange(max(0, first), max(0, min(last, cols)))
        if len(x):
            taper = np.clip(np.minimum(x - first, last - x) / 18, 0, 1)[None, :]
            mark = np.exp(-(((y - at) / half) ** 2))[:, None] * taper * rng.normal(0, 1.8)
            table[y[0] : y[-1] + 1, x[0] : x[-1] + 1] += mark.astype(F)
    return sample(table, along / F(4), across)


def _width(rng, room, low=3.0, high=34.0):
    return pick(rng, low, max(low * 1.3, min(high, room / 3)))


def drag(rng, shape, room):
    """Straight lines side by side, fine and coarse, that run on."""
    along, across = _path(rng, shape, curved=False)
    height = swept(rng, along, across, _width(rng, room))
    return steep(height, rng.uniform(0.35, 0.85)), None


def arcs(rng, shape, room):
    """Lines about one centre, from a blade that turned about its pivot."""
    along, across = _path(rng, shape, curved=True)
    height = swept(rng, along, across, _width(rng, room))
    return steep(height, rng.uniform(0.35, 0.85)), None


def chatter(rng, shape, room):
    """An edge that stuck and slipped: steps across the path, over the lines along it."""
    along, across = _path(rng, shape)
    period = pick(rng, 9, max(11, min(60, room / 2.5)))
    count = int(along.max() / period) + 8
    front = F(period * rng.uniform(0.1, 0.7)) * sample(
        noise(rng, (int(along.max() / 4) + 3, int(across.max()) + 3), 80, 330), across, along / 4
    )
    gaps = np.maximum(0.35, 1 + rng.normal(0, rng.uniform(0.05, 0.3), count)) * period
    ends = np.cumsum(gaps).astype(F)
    place = np.clip(along + front, 0, ends[-2])
    number = np.searchsorted(ends, place.ravel()).reshape(place.shape)
    inside = (ends[number] - place) / gaps.astype(F)[number]
    lift = np.exp(rng.normal(0, 0.25, count)).astype(F)[number]
    saw = lift * np.where(inside < 0.85, inside / 0.85, (1 - inside) / 0.15).astype(F)
    lines = swept(rng, along, across, _width(rng, room, 3, 14))
    height = steep(smooth(saw * F(period), 0.8), rng.uniform(0.4, 0.75))
    return height + steep(lines, rng.uniform(0.2, 0.45)), None


def facets(rng, shape, room):
    """Several cuts that met: plane facets with their own lean, a sharp ridge between each two."""
    count = int(rng.integers(3, 7))
    base = np.pi / 2 + rng.normal(0, 0.3)
    along, across = heading(rng, shape, base)
    cuts = np.sort(rng.uniform(0.05, 0.95, count - 1)) * float(across.max())
    bow = F(rng.uniform(0, 12)) * np.sin(along / F(rng.uniform(80, 300)))
    height = np.full(shape, 1e9, F)
    width = _width(rng, room, 3, 20)
    for part in range(count):
        middle = (cuts[part - 1] if part else 0) * 0.5 + (
            cuts[part] if part < count - 1 else across.max()
        ) * 0.5
        turned = heading(rng, shape, base + rng.normal(0, 0.16))
        plane = F(rng.uniform(0.15, 0.45)) * np.abs(across + bow - F(middle))
        lines = steep(swept(rng, *turned, width), rng.uniform(0.32, 0.65))
        height = np.minimum(height, F(rng.normal(0, 9)) + plane + np.clip(lines, -9, 9))
    return smooth(height, 0.6), None


def smear(rng, shape, room):
    """Soft material wiped along the path: tongues over one another, each with a lip ahead."""
    along, across = _path(rng, shape)
    rows, cols = int(across.max()) + 3, int(along.max()) + 3
    table = np.zeros((rows, cols), F)
    wide = _width(rng, room, 6, 40)
    long = wide * rng.uniform(4, 11)
    y0, x0 = np.arange(rows), np.arange(cols)
    for _ in range(int(min(700, 2.2 * rows * cols / (wide * long)))):
        half, reach = wide * pick(rng, 0.4, 1.6), long * pick(rng, 0.5, 1.6)
        cy, cx = rng.uniform(0, rows), rng.uniform(-reach, cols)
        ys = y0[(y0 > cy - half) & (y0 < cy + half)]
        xs = x0[(x0 > cx) & (x0 < cx + reach)]
        if not len(ys) or not len(xs):
            continue
        side = ((ys - cy) / half)[:, None].astype(F)
        head = ((xs - cx) / reach)[None, :].astype(F)
        side = side / np.sqrt(np.clip(head * 2.5, 0.04, 1))
        nose = np.clip(1.3 * (1 - side**2) - np.maximum(head - 0.75, 0) * 4, 0, 1) * head**0.7
        body = np.sqrt(np.maximum(nose, 0)) * (F(0.35) + head**3) * F(half * 0.5)
        patch = table[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]
        np.maximum(patch, body + patch * F(0.6), out=patch)
    height = steep(smooth(sample(table, along, across), 0.9), rng.uniform(0.35, 0.7))
    lines = steep(swept(rng, along, across, max(3, wide / 3)), rng.uniform(0.18, 0.4))
    return height + lines, None


def bites(rng, shape, room):
    """One closing of the jaws after another: curved fronts with a burr, lines between them."""
    along, across = _path(rng, shape, curved=False)
    gap = pick(rng, 40, 170)
    radius = F(across.max() * rng.uniform(0.5, 1.6))
    off = (across - F(across.max() * rng.uniform(0.2, 0.8))) / radius
    place = along + radius * (1 - np.sqrt(np.maximum(1 - off**2, 0.05))) * F(rng.choice([-1, 1]))
    place -= place.min()
    ends = np.cumsum(gap * np.exp(rng.normal(0, 0.35, int(place.max() / gap * 2) + 8))).astype(F)
    number = np.searchsorted(ends, place.ravel()).reshape(place.shape)
    number = np.minimum(number, len(ends) - 1)
    left = ends[number] - place
    burr = np.exp(-left / F(rng.uniform(2.5, 7))) * F(rng.uniform(3, 9))
    tilt = rng.uniform(-0.3, 0.3, len(ends)).astype(F)[number] * left
    shift = rng.uniform(0, 400, len(ends)).astype(F)[number]
    lines = swept(rng, along, across + shift, _width(rng, room, 3, 16))
    return smooth(burr + tilt * F(0.5), 0.7) + steep(lines, rng.uniform(0.4, 0.7)), None


def plough(rng, shape, room):
    """A notched edge: deep grooves with the displaced material heaped up at both sides."""
    along, across = _path(rng, shape)
    rows, cols = int(across.max()) + 3, int(along.max() / 4) + 3
    wide = _width(rng, room, 8, 46)
    y = np.arange(rows, dtype=F)[:, None]
    table = np.zeros((rows, cols), F)
    at = rng.uniform(0, wide)
    while at < rows:
        half = wide * pick(rng, 0.18, 0.55)
        force = np.maximum(0.25, 1 + 0.35 * curve(rng, cols, 120))[None, :]
        far = ((y - F(at)) / F(half)) ** 2
        table += (1.4 * far - 1) * np.exp(-far) * force * F(half)
        at += wide * pick(rng, 0.6, 1.9)
    table += steep(noise(rng, (rows, cols), max(1.8, wide / 7), 260), rng.uniform(0.12, 0.3))
    height = sample(table, along / F(4), across)
    return steep(height, rng.uniform(0.4, 0.9)), None


def polished(rng, shape, room):
    """A sharp, even cut: burnished ground with a few long scratches and bands across its way."""
    along, across = _path(rng, shape)
    fine = steep(swept(rng, along, across, _width(rng, room, 3, 9)), rng.uniform(0.12, 0.22))
    rows, cols = int(across.max()) + 3, int(along.max() / 4) + 3
    table = np.zeros((rows, cols), F)
    for _ in range(int(rng.uniform(0.02, 0.05) * rows) + 5):
        at, half = rng.uniform(0, rows), rng.uniform(1.2, 4)
        y = np.arange(max(0, int(at - 12)), min(rows, int(at + 12)))
        line = np.exp(-(((y - at) / half) ** 2)) * rng.choice([-1, 1, -1]) * rng.uniform(0.6, 1.8)
        first = int(rng.uniform(-0.3, 0.4) * cols)
        table[y, max(0, first) : first + int(cols * rng.uniform(0.5, 1.2))] += line[:, None]
    scratches = sample(table, along / F(4), across) * F(rng.uniform(1.2, 2.2))
    band = steep(rough(rng, shape, 220, 2), 0.05)
    return fine + scratches + band, None


LOOKS = {
    "drag": drag,
    "arcs": arcs,
    "chatter": chatter,
    "facets": facets,
    "smear": smear,
    "bites": bites,
    "plough": plough,
    "polished": polished,
}
