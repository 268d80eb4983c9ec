"""What tearing leaves: rivers, hackle, fibrils, dimples, terraces, parabolas, pull-outs.

Every look takes a generator, the shape of a flat patch (the crack runs down its rows, more or
less) and the size of its features in px, and returns height in px and tone (1 = neutral).
"""

from __future__ import annotations

import cv2
import numpy as np
from fourth_field import field, fractal, line_table, nearest, sampled, scatter, wander


def rivers(rng, shape, grain):
    """Steps that start at the crack's origin, wander, attract each other and join."""
    rows, cols = shape
    margin = rows // 2 + 20
    width = cols + 2 * margin
    count = max(12, int(width / (grain * rng.uniform(0.5, 1.0))))
    place = np.sort(rng.uniform(0, width, count))
    aim = rng.normal(0, 1, count) + 0.7 * rng.choice([-1, 1], count)
    step = aim.copy()
    speed = rng.normal(0, 0.25, count)
    table = np.zeros((rows, width + 1), np.float32)
    reach = grain * rng.uniform(1.2, 2.2)
    pull, wild = rng.uniform(0.02, 0.06), rng.uniform(0.05, 0.12)
    births = rng.uniform(0.2, 0.9) * width / (grain * 60)
    for row in range(rows):
        gap = np.diff(place)
        near = np.exp(-gap / reach) * pull
        speed[:-1] += near
        speed[1:] -= near
        speed = 0.93 * speed + wild * rng.standard_normal(len(place))
        place = place + np.clip(speed, -0.9, 0.9)
        order = np.argsort(place)
        place, step, aim, speed = place[order], step[order], aim[order], speed[order]
        group = np.concatenate([[0], np.cumsum(np.diff(place) >= 1.0)])
        if group[-1] + 1 < len(group):
            size = np.bincount(group)
            step, aim = np.bincount(group, step), np.bincount(group, aim)
            place, speed = np.bincount(group, place) / size, np.bincount(group, speed) / size
        fresh = rng.poisson(births)
        if fresh:
            place = np.concatenate([place, rng.uniform(0, width, fresh)])
            step = np.concatenate([step, np.zeros(fresh)])
            aim = np.concatenate([aim, rng.normal(0, 1.3, fresh)])
            speed = np.concatenate([speed, rng.normal(0, 0.25, fresh)])
            order = np.argsort(place)
            place, step, aim, speed = place[order], step[order], aim[order], speed[order]
        step = step + 0.035 * (aim - step)
        at = np.clip(place, 0, width - 1)
        low = at.astype(int)
        np.add.at(table[row], low, step * (1 - at + low))
        np.add.at(table[row], low + 1, step * (at - low))
    height = np.cumsum(table, axis=1)
    height -= cv2.GaussianBlur(height, (0, 0), 3 * grain + 4)
    slant = rng.uniform(-0.6, 0.6)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    x = x + margin + slant * (y - rows / 2) + line_table(wander(rng, rows, 0.4 * rows + 20), y) * 8
    height = sampled(height, x, y) * 0.16 * grain
    return height + 0.05 * grain * fractal(rng, shape, 1.5 * grain), np.ones(shape, np.float32)


def hackle(rng, shape, grain):
    """Lancets that fan out from an origin, each a tilted flake that overlaps its neighbours."""
    rows, cols = shape
    origin = np.array([-rng.uniform(0.1, 1.6) * rows - 30, rng.uniform(-0.1, 1.1) * cols])
    points = scatter(rng, shape, 1.15 * grain, tries=4)
    way = points - origin
    order = np.argsort(-np.hypot(*way.T))
    points, way = points[order], way[order]
    angle = np.arctan2(way[:, 0], way[:, 1]) + rng.normal(0, 0.14, len(points))
    angle += 0.25 * field(rng, shape, 12 * grain)[
        tuple(np.clip(points, 0, np.array(shape) - 1).astype(int).T)
    ]
    long = grain * rng.uniform(1.5, 4.5, len(points))
    wide = grain * rng.uniform(0.45, 1.0, len(points))
    index = np.zeros(shape, np.int32)
    outline = np.array([[-1, 0], [-0.35, 0.8], [0.4, 1], [1, 0.15], [0.9, -0.3], [0.2, -0.95],
                        [-0.5, -0.6]])  # fmt: skip
    c, s = np.cos(angle), np.sin(angle)
    shake = rng.normal(1, 0.18, (len(points), len(outline), 2))
    along = outline[None, :, 0] * long[:, None] * shake[..., 0]
    across = outline[None, :, 1] * wide[:, None] * shake[..., 1]
    corners = np.stack([points[:, 1, None] + along * c[:, None] - across * s[:, None],
                        points[:, 0, None] + along * s[:, None] + across * c[:, None]], -1)
    corners = np.round(corners * 8).astype(np.int32)
    for k in range(len(points)):
        cv2.fillPoly(index, [corners[k]], k, cv2.LINE_8, 3)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    close = points.astype(np.float32)
    dy, dx = y - close[index, 0], x - close[index, 1]
    c, s = c.astype(np.float32)[index], s.astype(np.float32)[index]
    tilt = rng.normal(0, 0.5, len(points)).astype(np.float32)[index]
    nose = np.abs(rng.normal(0.15, 0.15, len(points))).astype(np.float32)[index]
    height = tilt * (dy * c - dx * s) + nose * (dx * c + dy * s)
    height += (0.15 * grain * rng.standard_normal(len(points))).astype(np.float32)[index]
    tone = 1 + rng.normal(0, 0.05, len(points)).astype(np.float32)[index]
    return height + 0.05 * grain * fractal(rng, shape, grain), tone


def fibrils(rng, shape, grain):
    """Fibres drawn out and fallen over a rough ground, tapering and curling."""
    height = 0.35 * grain * fractal(rng, shape, 2.5 * grain, 5, 0.6)
    lean = rng.uniform(-0.6, 0.6) + np.pi / 2
    spread = rng.uniform(0.25, 0.7)
    count = int(np.clip(shape[0] * shape[1] / (grain**2 * rng.uniform(3, 7)), 30, 2200))
    flow = field(rng, shape, 10 * grain + 40) * 0.5
    for level in np.sort(rng.uniform(0, 1.2, count)):
        place = rng.uniform(-grain, np.array(shape) + grain)
        start = np.clip(place, 0, np.array(shape) - 1).astype(int)
        turn = lean + flow[start[0], start[1]] + rng.normal(0, spread)
        steps, stride = int(rng.integers(5, 12)), grain * rng.uniform(0.35, 0.9)
        bend = np.cumsum(rng.normal(0, 0.2, steps) + rng.normal(0, 0.05))
        path = place + np.cumsum(
            stride * np.stack([np.sin(turn + bend), np.cos(turn + bend)], 1), axis=0
        )
        path = np.round(path[:, ::-1] * 8).astype(np.int32)
        thick = max(1.0, grain * rng.uniform(0.12, 0.38))
        for share in (1.0, 0.6, 0.25):
            for piece, taper in ((path, 0.55), (path[: max(3, 2 * steps // 3)], 1.0)):
                wide = max(1, round(thick * share * taper))
                up = thick * taper * (level + 0.5 * np.sqrt(1.03 - share**2))
                cv2.polylines(height, [piece], False, float(up + 0.3 * grain), wide, cv2.LINE_8, 3)
    height = cv2.GaussianBlur(height, (0, 0), 0.6)
    return height, 1 + 0.06 * (height > 0.5 * grain)


def dimples(rng, shape, grain):
    """Cups of very unequal size between sharp walls, sheared along the pull."""
    stretch = rng.uniform(1.1, 2.0)
    small = (int(np.ceil(shape[0] / stretch)) + 1, shape[1])
    few = scatter(rng, small, 1.4 * grain, tries=2)
    many = scatter(rng, small, max(4.0, 0.55 * grain), tries=2)
    crowd = field(rng, small, 9 * grain)
    at = np.clip(many, 0, np.array(small) - 1).astype(int)
    points = np.concatenate([few, many[crowd[at[:, 0], at[:, 1]] > 0.4]])
    index, dy, dx = nearest(points, small, pad=int(2 * grain))
    off = np.hypot(dy, dx + 0.25 * np.abs(dy))
    wall = off ** rng.uniform(1.1, 1.4) / grain**0.25
    depth = rng.uniform(0.5, 1.2, len(points)).astype(np.float32)[index]
    cups = cv2.GaussianBlur(wall * depth, (0, 0), max(0.6, 0.05 * grain))
    height = cv2.resize(cups, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    bend = 0.3 * grain
    shear = rng.uniform(-0.4, 0.4)
    height = sampled(height, x + shear * y + bend * field(rng, shape, 2.5 * grain),
                     y + bend * field(rng, shape, 2.5 * grain))  # fmt: skip
    return height + 0.08 * grain * fractal(rng, shape, 1.5 * grain), np.ones(shape, np.float32)


def terraces(rng, shape, grain):
    """Ragged terraces where the crack halted, slipped to another plane and went on."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    arrival = (y + rng.uniform(-0.5, 0.5) * x) * rng.uniform(0.3, 0.8)
    arrival = arrival + 1.6 * grain * fractal(rng, shape, 6 * grain, 5, 0.55)
    level = arrival / (grain * rng.uniform(1.2, 2.0))
    number = np.floor(level).astype(int) - int(np.floor(level.min()))
    part = level - np.floor(level)
    jump = np.cumsum(rng.normal(0, 0.5, number.max() + 2) + rng.uniform(-0.3, 0.3))
    tread = jump.astype(np.float32)[number] + 0.5 * part**4
    height = grain * 0.4 * tread + 0.1 * grain * fractal(rng, shape, 1.6 * grain, 4, 0.6)
    return height - cv2.GaussianBlur(height, (0, 0), 5 * grain), 1 + 0.1 * (part > 0.9)


def parabolas(rng, shape, grain):
    """Crack fronts from nuclei that the main front overran: parabolic seams, open to its way."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    slant = rng.uniform(-0.4, 0.4)
    bow = rng.uniform(-0.4, 0.4) / cols
    main = y + slant * x + bow * (x - cols / 2) ** 2
    main += 0.5 * grain * fractal(rng, shape, 6 * grain)
    time, owner = main.copy(), np.zeros(shape, np.int32)
    nuclei = scatter(rng, shape, 1.6 * grain, tries=1)
    at = np.clip(nuclei, 0, np.array(shape) - 1).astype(int)
    starts = main[at[:, 0], at[:, 1]] - grain * rng.uniform(0.3, 1.1, len(nuclei))
    size = int(10 * grain)
    for k in np.argsort(starts):
        (r, c), place = at[k], nuclei[k]
        if time[r, c] < starts[k] + 0.2 * grain:
            continue  # a front was there before it could start
        window = (slice(max(0, r - size), r + size), slice(max(0, c - size), c + size))
        far = np.hypot(y[window] - place[0], x[window] - place[1])
        own = starts[k] + far * 1.22
        sooner = own < time[window]
        time[window][sooner] = own[sooner]
        owner[window][sooner] = k + 1
    level = rng.normal(0, 0.35 * grain, len(nuclei) + 1).astype(np.float32)
    level[0] = 0
    seam = cv2.morphologyEx(owner.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((3, 3))) > 0
    ridge = cv2.GaussianBlur(seam.astype(np.float32), (0, 0), max(0.8, 0.07 * grain))
    ribs = np.sin(2 * np.pi * time / (grain * rng.uniform(0.5, 0.9)))
    height = level[owner] + 0.5 * grain * ridge + 0.03 * grain * ribs
    return height + 0.1 * grain * fractal(rng, shape, 2 * grain, 4, 0.6), 1 + 0.15 * ridge


def pullouts(rng, shape, grain):
    """Holes and lumps with ragged walls where pieces stayed on the other side."""
    bed = fractal(rng, shape, 5 * grain, 5, 0.5)
    height = 0.14 * grain * fractal(rng, shape, 2 * grain, 5, 0.65)
    for cut, sign in ((rng.uniform(0.5, 0.9), -1), (rng.uniform(0.6, 1.1), 1)):
        inside = (sign * bed > cut).astype(np.uint8)
        within = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
        height += sign * grain * 0.7 * (1 - np.exp(-within / (0.18 * grain)))
        height += inside * 0.2 * grain * fractal(rng, shape, 1.2 * grain, 4, 0.6)
    way = rng.uniform(-0.5, 0.5)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    lines = field(rng, (int(shape[0] / 5) + 4, shape[1] * 2), max(2.5, 0.5 * grain))
    streaks = sampled(lines, x + way * y + shape[1] / 2 + 2 * bed * grain * 0.4, y / 5)
    return height + 0.12 * grain * streaks, np.ones(shape, np.float32)


LOOKS = {
    "rivers": rivers, "hackle": hackle, "fibrils": fibrils, "dimples": dimples,
    "terraces": terraces, "parabolas": parabolas, "pullouts": pullouts,
}  # fmt: skip
