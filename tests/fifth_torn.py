"""What pulling apart leaves: eight looks of the fifth maker."""

from __future__ import annotations

import cv2
import numpy as np
from fifth_grain import (
    Relief,
    grid_noise,
    nearest,
    octaves,
    oriented,
    plane,
    soft,
    uniform_log,
    warped,
)


def _pull(rng):
    """Return the direction the tear ran: through the thickness as a rule, or along the face."""
    return np.deg2rad(rng.choice([90, 90, 90, -90, 0, 180, 60, 120]) + rng.normal(0, 9))


def _march(rng, size, gap):
    """March river lines down a sheet; where two meet they run on as one, as tall as both."""
    rows, cols = size
    x = rng.uniform(-gap, cols + gap, int(cols / gap) + 4)
    aim, pace = rng.normal(0, 1, len(x)), rng.normal(0, 0.25, len(x))
    tall = aim.copy()
    steps = np.zeros(size, np.float32)
    ridge = np.zeros(size, np.float32)
    for row in range(rows):
        pace = 0.96 * pace + rng.normal(0, 0.10, len(x))
        order = np.argsort(x)
        x, pace = x[order] + pace[order], pace[order]
        tall, aim = tall[order], aim[order]
        space = np.diff(x)
        pace[:-1] += 0.25 * np.exp(-np.abs(space) / (0.4 * gap)) * (space > 0)
        pace[1:] -= 0.25 * np.exp(-np.abs(space) / (0.4 * gap)) * (space > 0)
        meet = np.flatnonzero(space < 1.2)
        if len(meet):
            for k in meet:  # in order, so that three that meet at once are one as well
                tall[k + 1] += tall[k]
                aim[k + 1] += aim[k]
            keep = np.ones(len(x), bool)
            keep[meet] = False
            x, tall, aim, pace = x[keep], tall[keep], aim[keep], pace[keep]
        if rng.random() < 0.02 * cols / gap / 3:  # a new one starts from nothing
            x = np.append(x, rng.uniform(0, cols))
            tall, aim = np.append(tall, 0.0), np.append(aim, rng.normal(0, 0.9))
            pace = np.append(pace, 0.0)
        tall += (aim - tall) * min(0.2, 0.6 / gap)
        at = np.clip(np.rint(x).astype(int), 0, cols - 1)
        np.add.at(steps[row], at, tall)
        inner = (at > 0) & (at < cols - 1)
        ridge[row, at[inner]] += np.minimum(np.abs(tall[inner]), 2.5)
    return steps, ridge


def _rivers(rng, shape, gap, angle):
    def draw(size):
        steps, ridge = _march(rng, size, gap)
        level = np.cumsum(steps, axis=1)
        level -= cv2.blur(level, (int(6 * gap) | 1, int(10 * gap) | 1))
        width = 0.6 + 0.03 * gap
        return soft(level, 0.7) * 0.22 * gap + 0.5 * gap * soft(ridge, width) * width

    return oriented(draw, shape, angle - np.pi / 2)


def rivers(rng, shape, room):
    """Steps that run with the crack and join like rivers."""
    gap = uniform_log(rng, 7, min(36, room / 4))
    z = _rivers(rng, shape, gap, _pull(rng)) * rng.uniform(0.5, 1.2)
    return Relief(z + rng.uniform(0.02, 0.06) * gap * octaves(rng, shape, 0.8 * gap, 4))


def hackle(rng, shape, room):
    """Shards that fan out from where the tear began."""
    size = uniform_log(rng, 5, min(30, room / 3))
    side = rng.choice([-1, 1])
    origin = (rng.uniform(0.1, 0.9) * shape[1], shape[0] * (0.5 + side * rng.uniform(0.6, 1.5)))
    v, u = np.indices(shape, dtype=np.float32)
    far = np.hypot(u - origin[0], v - origin[1])
    turn = np.arctan2(u - origin[0], (v - origin[1]) * -side)
    middle = float(np.median(far))
    turn = turn * middle
    z = np.zeros(shape, np.float32)
    for part, stretch in ((1.0, 5.0), (0.45, 4.0), (0.2, 3.0)):
        step = max(2.0, size * part)
        span = (int(np.ptp(far)) + 60, int(np.ptp(turn)) + 60)
        noise = np.ascontiguousarray(grid_noise(rng, span[::-1], step, stretch).T)
        wander = 0.5 * step * grid_noise(rng, shape, 3 * step)
        at_u = np.clip(turn - turn.min() + 20 + wander, 0, span[1] - 2).astype(np.float32)
        at_v = np.clip(far - far.min() + 20, 0, span[0] - 2).astype(np.float32)
        sample = cv2.remap(noise, at_u, at_v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        z += step * (1 - np.abs(sample))
    return Relief(soft(rng.uniform(0.25, 0.5) * z, 0.5))


def _strand(rng, start, angle, length, width):
    count = max(4, int(length / 6))
    turn = angle + np.cumsum(rng.normal(0, 0.13, count)) * rng.uniform(0.3, 1.0)
    path = start + np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]) * 6, axis=0)
    return path, width * np.linspace(1, rng.uniform(0.25, 0.8), count)


def fibrils(rng, shape, room):
    """Strands drawn out of the break, with forks and knots, over a ragged ground."""
    width = uniform_log(rng, 2.2, min(12, room / 7))
    pull = _pull(rng)
    z = 0.8 * width * octaves(rng, shape, 5 * width, 4)
    area = shape[0] * shape[1]
    length = uniform_log(rng, 25, 70) * width
    count = int(np.clip(0.55 * area / (length * width), 30, 1100))
    for _ in range(count):
        start = np.array([rng.uniform(0, shape[1]), rng.uniform(0, shape[0])])
        thick = max(1.6, width * np.exp(rng.normal(0, 0.35)))
        reach = length * rng.uniform(0.4, 1.3)
        arms = [(start, pull + rng.normal(0, 0.22), reach, thick)]
        if rng.random() < 0.3:
            arms.append((start, pull + rng.choice([-1, 1]) * 0.6, 0.5 * reach, 0.6 * thick))
        high = float(rng.uniform(0.5, 3.2) * width)
        for arm in arms:
            path, widths = _strand(rng, *arm)
            at = np.rint(path * 4).astype(np.int32)
            for share, rise in ((1.0, 0.0), (0.62, 0.35)):
                sink = 1 - np.linspace(0, 1, len(widths)) ** 3  # the end lies on the ground
                for a, b, w, up in zip(at[:-1], at[1:], widths, sink, strict=False):
                    cv2.line(
                        z, a.tolist(), b.tolist(), float(high * up + rise * w),
                        max(1, round(share * w)), cv2.LINE_8, 2,
                    )  # fmt: skip
    return Relief(soft(z, 0.6 + 0.1 * width), 0.0)


def dimples(rng, shape, room):
    """Cups of uneven size and place with raised tear ridges between."""
    size = uniform_log(rng, 8, min(46, room / 2.6))
    count = int(3.2 * shape[0] * shape[1] / size**2)
    points = np.column_stack([rng.uniform(0, n - 1, count) for n in shape])
    thin = grid_noise(rng, shape, 4 * size) + 0.5 * grid_noise(rng, shape, 1.5 * size)
    at = points.astype(int)
    chance = 1 / (1 + np.exp(1.5 * thin[at[:, 0], at[:, 1]] + 0.9))
    points = points[rng.random(count) < chance]
    dist, label = nearest(points, shape)
    reach = np.full(label.max() + 1, 1.0, np.float32)
    np.maximum.at(reach, label.ravel(), dist.ravel())
    deep = reach / size * np.exp(rng.normal(0, 0.25, len(reach))).astype(np.float32)
    cup = (dist / reach[label]) ** rng.uniform(1.4, 2.4) * deep[label]
    cup = warped(cup, rng, 0.9 * size, 0.16 * size)
    stretch = uniform_log(rng, 1, 1.9)
    cup = cv2.resize(cup[:, : max(4, int(shape[1] / stretch))], (shape[1], shape[0]))
    z = rng.uniform(0.3, 0.6) * size * cup
    return Relief(soft(z, 0.6) + 0.03 * size * octaves(rng, shape, size / 2, 3), 0.1 * (cup - 0.5))


def flakes(rng, shape, room):
    """Torn flaps over one another, every one a little tilted, with ragged rims."""
    size = uniform_log(rng, 20, min(90, room / 1.6))
    count = int(np.clip(5 * shape[0] * shape[1] / size**2, 60, 6000))
    index = np.zeros(shape, np.int32)
    pull, aspect = _pull(rng), uniform_log(rng, 1, 2.8)
    for k in range(1, count):
        turn = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(5, 10)))
        ring = 0.75 * size * np.exp(rng.normal(0, 0.35)) * rng.uniform(0.55, 1.2, len(turn))
        a, b = ring * np.cos(turn) * aspect, ring * np.sin(turn)
        u = a * np.cos(pull) - b * np.sin(pull) + rng.uniform(0, shape[1])
        v = a * np.sin(pull) + b * np.cos(pull) + rng.uniform(0, shape[0])
        cv2.fillPoly(index, [np.rint(np.column_stack([u, v])).astype(np.int32)], k)
    index = cv2.remap(
        index.astype(np.float32), *_wander(rng, shape, 0.35 * size, 0.12 * size),
        cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT_101,
    ).astype(np.int32)  # fmt: skip
    tilt_u, tilt_v = rng.normal(0, rng.uniform(0.05, 0.16), (2, count)).astype(np.float32)
    level = rng.normal(0, 0.16 * size, count).astype(np.float32)
    v, u = np.indices(shape, dtype=np.float32)
    cell = 2 * size
    z = level[index] + tilt_u[index] * cell * np.sin(u / cell)
    z += tilt_v[index] * cell * np.sin(v / cell)
    fine = rng.uniform(0.012, 0.035) * size * octaves(rng, shape, 0.4 * size, 4, 0.6)
    return Relief(soft(z, 0.6) + fine)


def _wander(rng, shape, step, reach):
    v, u = np.indices(shape, dtype=np.float32)
    for part in (1.0, 0.45):
        u += part * reach * grid_noise(rng, shape, max(2, part * step))
        v += part * reach * grid_noise(rng, shape, max(2, part * step))
    return u, v


def conchoidal(rng, shape, room):
    """Uneven ribs where the crack paused, crossed by rivers that run with it."""
    pull = _pull(rng)
    along, across = plane(shape, pull)
    rib = uniform_log(rng, 16, min(60, room / 2.5))
    front = along + across**2 / rng.uniform(0.9, 2.5) / shape[1]
    front += 0.45 * rib * octaves(rng, shape, 3.5 * rib, 2)
    bend = int(np.ptp(front)) + 40
    pause = np.cumsum(rng.gamma(2.2, rib / 2.2, int(3 * bend / rib)))
    line = np.zeros(bend, np.float32)
    x = np.arange(bend)
    for at in pause[pause < bend]:
        line += rng.uniform(0.2, 1.0) * np.exp(-np.abs(x - at) / (0.16 * rib))
    rib_z = np.interp(front - front.min(), x, line).astype(np.float32)
    gap = uniform_log(rng, 7, min(26, room / 4))
    z = 0.22 * rib * soft(rib_z, 0.8) + rng.uniform(0.45, 0.8) * _rivers(rng, shape, gap, pull)
    return Relief(z + 0.03 * gap * octaves(rng, shape, gap, 4))


def rugged(rng, shape, room):
    """Crests and clefts of every size that wander."""
    size = uniform_log(rng, 9, min(60, room / 2))
    z, part, weight = np.zeros(shape, np.float32), size, 1.0
    for _ in range(5):
        ridge = 1 - np.abs(grid_noise(rng, shape, part, rng.uniform(1, 1.8)))
        z += part * ridge * weight
        part, weight = part / 2, weight * rng.uniform(0.9, 1.15)
        if part < 1.5:
            break
    z = warped(z, rng, 1.6 * size, 0.28 * size)
    return Relief(rng.uniform(0.22, 0.42) * z)


def parabolas(rng, shape, room):
    """Secondary cracks that met the main front along parabolas, open the way it ran."""
    size = uniform_log(rng, 14, min(52, room / 2.2))
    half = (shape[0] // 2 + 1, shape[1] // 2 + 1)
    s = size / 2
    along, _ = plane(half, _pull(rng))
    reach = np.hypot(*half) / 2
    n = int(np.clip(1.3 * (2 * reach) ** 2 / (s * s * 3), 12, 700))
    first = along.copy()
    owner = np.zeros(half, np.int32)
    where = along - along.min()
    v0, u0 = rng.uniform(0, half[0], n), rng.uniform(0, half[1], n)
    v, u = np.indices(half, dtype=np.float32)
    for k in range(1, n):
        iv, iu = int(v0[k]), int(u0[k])
        start = along[iv, iu] - s * rng.uniform(0.4, 1.8)
        w = int(5 * s)
        box = np.s_[max(0, iv - w) : iv + w, max(0, iu - w) : iu + w]
        arrive = start + np.hypot(v[box] - v0[k], u[box] - u0[k]) * rng.uniform(1.05, 1.25)
        win = arrive < first[box]
        first[box][win] = arrive[win]
        owner[box][win] = k
    level = rng.normal(0, 0.5, n).astype(np.float32)[owner]
    rise = soft(first - (where + along.min()), 0.5) * 0.35
    z = cv2.resize(level * s * 0.45 + rise, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    z = warped(z, rng, 0.6 * size, 0.05 * size)
    return Relief(soft(z, 0.6) + 0.04 * size * octaves(rng, shape, 0.6 * size, 4, 0.6))


TORN = {
    "rivers": rivers,
    "hackle": hackle,
    "fibrils": fibrils,
    "dimples": dimples,
    "flakes": flakes,
    "conchoidal": conchoidal,
    "rugged": rugged,
    "parabolas": parabolas,
}
