"""Torn looks of the sixth maker: fronts that ran, joined, stopped and pulled material out.

Every look takes (rng, shape, room) and returns a height in pixels and a yield around 1.
"""

from __future__ import annotations

import cv2
import numpy as np
from sixth_field import F, cells, grid, noise, pick, rough, sample, shifted, smooth, steep


def _scale(rng, room, low=6.0, high=60.0):
    return pick(rng, low, max(low * 1.3, min(high, room / 2.5)))


def _front(rng, shape, unrest=0.5):
    """Return the planes (way of the front, place along the front), both wandering."""
    x, y = grid(shape)
    way = rng.choice(["down", "up", "along"], p=[0.55, 0.2, 0.25])
    if way == "along":
        way, side = (x if rng.uniform() < 0.5 else x.max() - x), y
    else:
        way, side = (y if way == "down" else y.max() - y), x
    side = side + F(rng.normal(0, 0.25)) * way
    far = pick(rng, 60, 200)
    return (
        way + F(unrest * far * 0.3) * noise(rng, shape, far),
        side + F(unrest * far * 0.3) * noise(rng, shape, far * 0.8),
    )


def _run_rivers(rng, steps, width, gap):
    """Let the lines between levels of a front run, wander, join and start; return the levels."""
    place = np.sort(rng.uniform(0, width, max(4, int(width / gap * 1.6))))
    level = rng.normal(0, 1, len(place) + 1)
    aim = level.copy()
    speed = rng.normal(0, 0.25, len(place))
    table = np.empty((steps, width), F)
    columns = np.arange(width)
    birth = rng.uniform(0.4, 1.0) * width / gap**2
    pull = rng.uniform(0.02, 0.12) * gap
    for step in range(steps):
        speed = 0.93 * speed + rng.normal(0, 0.14, len(place))
        near = np.diff(place)
        draw = np.zeros(len(place))
        tight = np.where(near < gap, pull / np.maximum(near, 2), 0)
        draw[:-1] += tight
        draw[1:] -= tight
        place = place + np.clip(speed + draw, -1.6, 1.6)
        keep = np.ones(len(place), bool)
        keep[1:] = np.diff(place) > 1.2
        if not keep.all():
            order = np.concatenate([keep, [True]])
            place, speed = place[keep], speed[keep]
            level, aim = level[order], aim[order]
        if rng.uniform() < birth:
            at = rng.uniform(0, width)
            here = int(np.searchsorted(place, at))
            place = np.insert(place, here, at)
            speed = np.insert(speed, here, rng.normal(0, 0.3))
            aim = np.insert(aim, here, rng.normal())
            level = np.insert(level, here, level[here])
        level += 0.03 * (aim - level)
        table[step] = level[np.searchsorted(place, columns)]
    return table


def rivers(rng, shape, room):
    """River lines: steps between levels of the front that wander and join on its way."""
    gap = _scale(rng, room, 8, 50)
    way = rng.choice(["down", "up", "along"], p=[0.6, 0.2, 0.2])
    steps, width = (shape[1], shape[0]) if way == "along" else shape
    table = _run_rivers(rng, steps, width, gap)
    table = table.T if way == "along" else table[::-1] if way == "up" else table
    table = smooth(np.ascontiguousarray(table), 1.0)
    table = shifted(table, F(gap * 0.15) * noise(rng, shape, gap), F(3) * noise(rng, shape, 25))
    height = steep(table, rng.uniform(0.35, 0.75))
    return height + steep(rough(rng, shape, gap * 0.7, 3), rng.uniform(0.08, 0.22)), None


def hackle(rng, shape, room):
    """Lances that fan out from where the crack began, coarser and higher with the way run."""
    x, y = grid(shape)
    gap = _scale(rng, room, 6, 34)
    at_x = rng.uniform(-0.1, 1.1) * shape[1]
    at_y = rng.choice([-1, 1]) * rng.uniform(0.55, 1.3) * shape[0] + shape[0] / 2
    bend, sharp = gap * rng.uniform(1.0, 2.5), gap * rng.uniform(0.1, 0.3)
    x = x + F(bend) * noise(rng, shape, gap * 11) + F(sharp) * noise(rng, shape, gap)
    y = y + F(bend) * noise(rng, shape, gap * 11) + F(sharp) * noise(rng, shape, gap)
    far = np.hypot(x - F(at_x), y - F(at_y))
    middle = float(np.median(far))
    turn = np.arctan2(y - F(at_y), x - F(at_x)) * F(middle)
    turn, out = turn - turn.min(), far - far.min()
    size = (int(turn.max()) + 3, int(out.max()) + 3)
    ridges = np.zeros(shape, F)
    for cell in (gap, gap * 0.5):
        table = 1 - np.abs(noise(rng, size, cell, cell * rng.uniform(4, 7)))
        ridges += F(cell / gap) * sample(table, out, turn)
    growth = F(0.45) + F(0.75) * out / out.max()
    height = steep(ridges * growth, rng.uniform(0.5, 0.95))
    return height + steep(rough(rng, shape, gap, 3), rng.uniform(0.15, 0.3)), None


def fibrils(rng, shape, room):
    """Strands drawn out of the matrix along the pull, bent back and lying over one another."""
    thick = pick(rng, 2.2, max(3, min(9, room / 9)))
    long = thick * rng.uniform(9, 22)
    base = rng.choice([np.pi / 2, np.pi / 2, 0.0]) + rng.normal(0, 0.25)
    lean = base + rng.uniform(0.2, 0.5) * noise(rng, shape, long * 1.3)
    canvas = rough(rng, shape, thick * 3, 2) * F(thick * 0.3)
    count = int(min(3200, 1.7 * shape[0] * shape[1] / (thick * long)))
    starts = np.stack([rng.uniform(0, shape[1], count), rng.uniform(0, shape[0], count)], 1)
    points = [starts]
    curl = rng.normal(0, 0.03, count)
    own = rng.normal(0, 0.16, count)
    step = long / 9
    for number in range(9):
        last = points[-1]
        at = (
            np.clip(last[:, 1], 0, shape[0] - 1).astype(int),
            np.clip(last[:, 0], 0, shape[1] - 1).astype(int),
        )
        angle = lean[at] + own + curl * number**1.4
        points.append(last + step * np.stack([np.cos(angle), np.sin(angle)], 1))
    paths = np.stack(points, 1)
    tall = np.sort(rng.normal(0, 1, count))
    for path, up in zip(paths, tall, strict=True):
        wide = thick * np.exp(rng.normal(0, 0.3))
        line = (path * 8).round().astype(np.int32)
        for part, length in ((1.0, 10), (0.66, 9), (0.33, 8)):
            value = float(up * thick + wide * np.sqrt(1 - (part * 0.95) ** 2) * 0.8)
            cv2.polylines(canvas, [line[:length]], False, value, max(1, round(wide * part)), 8, 3)
    return steep(smooth(canvas, 0.8), rng.uniform(0.55, 1.0)), None


def dimples(rng, shape, room):
    """Voids that grew and met: cups of two sizes, drawn out along the pull, thin walls between."""
    size = _scale(rng, room, 8, 50)
    stretch = pick(rng, 0.55, 2.2)
    height = np.zeros(shape, F)
    coarse = noise(rng, shape, size * 4) > rng.uniform(-0.6, 0.6)
    for cell, where in ((size, coarse), (max(5, size * 0.45), ~coarse)):
        dx, dy, number = cells(rng, shape, cell, stretch, rng.uniform(0.2, 0.5))
        floor = rng.normal(0, 0.25, number.max() + 1).astype(F)[number]
        steepness = np.exp(rng.normal(0, 0.3, number.max() + 1)).astype(F)[number]
        cup = np.minimum((dx**2 + dy**2) * steepness * 2 + floor, 1.3) * F(cell)
        height = np.where(where, cup, height)
    height = steep(smooth(height, 0.8), rng.uniform(0.55, 1.0))
    return height + steep(rough(rng, shape, size, 4), rng.uniform(0.1, 0.25)), None


def terraces(rng, shape, room):
    """A front that stopped and went on: ragged steps across its way, feathered between."""
    gap = _scale(rng, room, 10, 60)
    way, side = _front(rng, shape, 0.6)
    way = way + F(gap * 0.6) * rough(rng, shape, gap * 2.5, 5, 0.55)
    way -= way.min()
    count = int(way.max() / gap * 3) + 6
    ends = np.cumsum(gap * np.exp(rng.normal(0, 0.5, count))).astype(F)
    number = np.minimum(np.searchsorted(ends, way.ravel()), count - 1).reshape(shape)
    level = rng.normal(0, 1, count).cumsum().astype(F)
    level -= np.interp(np.arange(count), np.arange(count)[::4], level[::4]).astype(F) * F(0.8)
    height = steep(smooth(level[number] * F(gap), 0.9), rng.uniform(0.45, 0.8))
    feather = noise(rng, (int(np.ptp(side)) + 3, int(way.max()) + 3), gap * 0.25, gap * 1.2)
    feather = sample(feather, way, side - side.min())
    return height + steep(feather, rng.uniform(0.15, 0.35)), None


def pullouts(rng, shape, room):
    """Clods left standing and holes they came out of, with torn rims and rubble."""
    size = _scale(rng, room, 12, 60)
    field = rough(rng, shape, size * 1.6, 5, 0.5)
    clod = np.tanh((field - F(rng.uniform(0.3, 0.9))) * F(rng.uniform(4, 9)))
    field = rough(rng, shape, size * 1.2, 5, 0.52)
    hole = np.tanh((field - F(rng.uniform(0.5, 1.1))) * F(rng.uniform(4, 9)))
    ground = rough(rng, shape, size * 0.8, 6, 0.68)
    height = steep(clod - hole, rng.uniform(0.7, 1.1)) + steep(ground, rng.uniform(0.15, 0.38))
    return smooth(height, 0.6), 1 - F(0.12) * (hole > 0)


def parabolas(rng, shape, room):
    """Small cracks that began ahead of the main one: a parabola round each point of origin."""
    size = _scale(rng, room, 22, 60)
    rows, cols = shape[0] // 2 + 2, shape[1] // 2 + 2
    way, side = (each[:rows, :cols] for each in _front(rng, (rows, cols), 0.4))
    side, way = side - side.min(), way - way.min()
    count = int(np.clip(rows * cols / (size / 2) ** 2 * 0.8, 8, 170))
    soonest = way.copy()
    level = np.zeros((rows, cols), F)
    dome = np.zeros((rows, cols), F)
    fast = rng.uniform(0.85, 1.25)
    for _ in range(count):
        py, px = rng.integers(0, rows), rng.integers(0, cols)
        lead = rng.uniform(0.1, 0.5) * size
        far = np.hypot(side - side[py, px], way - way[py, px])
        here = way[py, px] - F(lead) + far * F(fast)
        first = here < soonest
        soonest = np.where(first, here, soonest)
        level[first] = rng.normal()
        dome = np.where(first, far, dome)
    small = level * F(size * 0.5) - dome * F(rng.uniform(0.1, 0.5))
    big = cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    big = shifted(big, F(1.5) * noise(rng, shape, 7), F(1.5) * noise(rng, shape, 7))
    height = steep(smooth(big, 0.7), rng.uniform(0.45, 0.8))
    return height + steep(rough(rng, shape, size * 0.5, 5, 0.65), rng.uniform(0.28, 0.5)), None


def folds(rng, shape, room):
    """Rubbery folds across the pull: crests of uneven height that bend, fork and end."""
    gap = _scale(rng, room, 9, 48)
    way, side = _front(rng, shape, 0.5)
    bent = F(gap * 0.35)
    way = way + bent * rough(rng, shape, gap * 2.6, 3) + F(gap * 0.6) * noise(rng, shape, gap * 9)
    side = side + bent * noise(rng, shape, gap * 3)
    way, side = way - way.min(), side - side.min()
    table = noise(rng, (int(side.max()) + 3, int(way.max()) + 3), gap * 3.2, gap)
    crest = 1 - np.abs(sample(table, way, side))
    rise = np.exp(0.3 * noise(rng, shape, gap * 4))
    height = steep(crest * rise, rng.uniform(0.5, 0.9))
    return height + steep(rough(rng, shape, gap * 0.6, 3), rng.uniform(0.12, 0.28)), None


LOOKS = {
    "rivers": rivers,
    "hackle": hackle,
    "fibrils": fibrils,
    "dimples": dimples,
    "terraces": terraces,
    "pullouts": pullouts,
    "parabolas": parabolas,
    "folds": folds,
}
