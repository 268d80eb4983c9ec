"""Outline, zones and figures of the fifth maker's faces; u runs along the face, v through it."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from fifth_grain import grid_noise, uniform_log

FAMILIES = {
    "laser_over_torn": 0.30,
    "laser_over_scissor": 0.30,
    "scissor_stretch": 0.20,
    "through": 0.12,
    "whole_scissor": 0.04,
    "whole_torn": 0.04,
}


def pick_family(rng):
    return str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))


@dataclass
class Shape:
    """One face in a level picture, anterior side up."""

    size: tuple[int, int]
    tilt: float  # radians
    thick: float  # mean pixels
    start: int  # u of the first entry of the edge tables
    top: np.ndarray  # v of the anterior edge by u
    bottom: np.ndarray
    bow: np.ndarray
    u: np.ndarray = field(repr=False)  # by pixel
    v: np.ndarray = field(repr=False)
    flat: np.ndarray = field(repr=False)  # v less the bow
    face: np.ndarray = field(repr=False)
    ends: tuple[float | None, float | None]

    def along(self, table):
        """Read a table by u at every pixel."""
        return np.interp(self.u.ravel(), np.arange(len(table)) + self.start, table).reshape(
            self.size
        )


def _walk(rng, n, step):
    noise = grid_noise(rng, (4, n), step)[1]
    return noise.astype(float)


def draw_shape(rng, size, out_of_picture=0.0):
    """Draw the outline; ``out_of_picture`` moves a long edge out by that share of thickness."""
    rows, cols = size
    tilt = np.deg2rad(np.clip(rng.normal(0, 4), -11, 11))
    inside = rng.random(2) < 0.42
    ends = [cols * rng.uniform(0.30, 0.45) * sign if here else None
            for sign, here in zip((-1, 1), inside, strict=True)]  # fmt: skip
    left = ends[0] if inside[0] else -cols / 2
    right = ends[1] if inside[1] else cols / 2
    span = right - left
    bow_size = rng.choice([0, 0, rng.uniform(-0.022, 0.022)]) * cols
    wish = rng.uniform(0.19, 0.56) * rows * cols / span
    room = rows - abs(np.sin(tilt)) * span - abs(bow_size) - 44
    thick = float(np.clip(wish, 0.23 * rows, min(0.82 * rows, room)))
    if thick > room - 1:
        tilt *= 0.3
    spare = max(0.0, room - thick) / 2
    middle = rng.uniform(-spare, spare) * 0.9
    if out_of_picture:
        middle = rng.choice([-1, 1]) * (rows / 2 + (out_of_picture - 0.5) * thick)
    n, start = 2 * cols, -cols
    x = np.arange(n) + start
    bow = bow_size * (1 - (2 * x / cols) ** 2)
    taper = 1 + rng.choice([0, 0, rng.uniform(-0.13, 0.13)]) * x / cols
    rough = rng.uniform(0, 1.6) * _walk(rng, n, uniform_log(rng, 2, 15))
    top = -thick / 2 * taper + rough + 0.008 * thick * _walk(rng, n, 160)
    bottom = thick / 2 * taper + 0.008 * thick * _walk(rng, n, 160)
    bottom += rng.uniform(0, 2.2) * _walk(rng, n, uniform_log(rng, 2, 25))
    if rng.random() < 0.18:  # a step in an edge
        edge = top if rng.random() < 0.5 else bottom
        at = rng.uniform(-0.3, 0.3) * cols
        rise = rng.choice([-1, 1]) * rng.uniform(0.02, 0.06) * thick
        edge += rise / (1 + np.exp(np.clip((at - x) / 2, -40, 40)))
    py, px = np.indices(size, dtype=np.float64)
    px -= (cols - 1) / 2
    py -= (rows - 1) / 2 + middle
    c, s = np.cos(tilt), np.sin(tilt)
    u, v = px * c + py * s, py * c - px * s
    shape = Shape(size, tilt, thick, start, top, bottom, bow, u, v, v, v > 0, tuple(ends))
    shape.flat = v - shape.along(bow)
    shape.face = (shape.flat >= shape.along(top)) & (shape.flat <= shape.along(bottom))
    for end, sign in zip(ends, (-1, 1), strict=True):
        if end is not None:
            shape.face &= _end(rng, shape, end, sign)
    return shape


def _end(rng, shape, end, sign):
    """Return the pixels on the near side of an end: leaning, ragged, with rounded corners."""
    t = np.arange(int(2.4 * shape.thick)) - 1.2 * shape.thick
    line = np.tan(np.deg2rad(rng.normal(0, 6))) * t
    line += rng.choice([0.5, 2, 6]) * _walk(rng, len(t), uniform_log(rng, 4, 40))
    past = np.interp(shape.flat.ravel(), t, line).reshape(shape.size)
    dist = (end + past - shape.u) * sign  # inward distance from the end
    keep = dist > 0
    radius = rng.choice([0.0, rng.uniform(0.03, 0.2)]) * shape.thick
    if radius > 2:
        for gap in (shape.flat - shape.along(shape.top), shape.along(shape.bottom) - shape.flat):
            corner = (dist < radius) & (gap < radius)
            keep &= ~corner | (np.hypot(radius - dist, radius - gap) < radius)
    return keep


def _border(rng, n, thick):
    """Return a random border about zero, and its kind."""
    x = np.arange(n)
    kind = str(rng.choice(["straight", "wavy", "slanted", "stepped", "wandering"]))
    line = rng.uniform(0.2, 1.2) * _walk(rng, n, 12)
    if kind == "wavy":
        line += rng.uniform(0.015, 0.05) * thick * _walk(rng, n, uniform_log(rng, 40, 220))
    elif kind == "slanted":
        line += rng.choice([-1, 1]) * rng.uniform(0.1, 0.25) * thick * (2 * x / n - 1)
    elif kind == "stepped":
        cells = rng.normal(0, 0.06 * thick, n // 60 + 2)
        ends = np.cumsum(rng.uniform(70, 420, len(cells)))
        line += cells[np.minimum(np.searchsorted(ends, x), len(cells) - 1)]
        line = cv2.GaussianBlur(line[None, :], (0, 0), rng.uniform(1, 5))[0]
    elif kind == "wandering":
        line += 0.02 * thick * _walk(rng, n, 60)
    return line, kind


def _tidy(mask):
    """Keep the largest part of a mask and fill its holes."""
    for flip in (False, True):
        work = (~mask if flip else mask).astype(np.uint8)
        count, parts, stats, _ = cv2.connectedComponentsWithStats(work, connectivity=4)
        if count < 2:
            continue
        big = stats[1:, 4] >= 0.02 * mask.size if flip else stats[1:, 4] == stats[1:, 4].max()
        work = np.isin(parts, np.flatnonzero(big) + 1)
        mask = ~work if flip else work
    return mask


def draw_zones(rng, shape, family):
    """Return the label of every pixel (no debris yet), and the kind of the laser's border."""
    n = len(shape.top)
    labels = np.zeros(shape.size, np.uint8)
    if family.startswith("whole"):
        labels[shape.face] = 2 if family == "whole_scissor" else 3
        return labels, "none"
    below, kind = 3, "through"
    if family == "laser_over_scissor" or (family == "scissor_stretch" and rng.random() < 0.35):
        below = 2
    through = family == "through" or (family == "scissor_stretch" and rng.random() < 0.25)
    laser = np.ones(shape.size, bool)
    if not through:
        line, kind = _border(rng, n, shape.thick)
        share = 1 - rng.uniform(0.12, 0.7)
        here = shape.bottom - shape.top
        least = np.maximum(0.08 * here, 20)  # nothing thinner than can be named
        depth = np.clip(share * here + line, np.maximum(0.12 * here, 26), here - least)
        u, v = shape.u, shape.flat
        if kind == "wandering":  # a border that doubles back a little
            reach = rng.uniform(0.01, 0.03) * shape.thick
            u = u + 1.5 * reach * grid_noise(rng, shape.size, 2.5 * reach + 6)
            v = v + reach * grid_noise(rng, shape.size, 3 * reach + 6)
        table = np.interp(u.ravel(), np.arange(n) + shape.start, shape.top + depth)
        laser = v < table.reshape(shape.size)
        inner = max(0.06 * shape.thick, 12)
        laser |= shape.flat < shape.along(shape.top) + inner
        laser &= shape.flat < shape.along(shape.bottom) - inner
        laser = _tidy(laser)
    labels[shape.face] = below
    labels[shape.face & laser] = 1
    if family == "scissor_stretch":
        labels[_stretches(rng, shape)] = 2
    return labels, kind


def _stretches(rng, shape):
    """Return the pixels of the stretches that scissors cut through the whole thickness."""
    visible = shape.u[shape.face]
    low, high = visible.min(), visible.max()
    sides = [(-1,), (1,), (-1, 1)][int(rng.integers(3))]
    taken = np.zeros(shape.size, bool)
    for side in sides:
        part = rng.uniform(0.14, 0.42 if len(sides) == 1 else 0.27) * (high - low)
        at = low + part if side < 0 else high - part
        t = np.arange(int(3 * shape.thick)) - 1.5 * shape.thick
        line = np.tan(np.deg2rad(rng.normal(0, 1.0))) * t
        line += rng.choice([0.3, 1, 2]) * _walk(rng, len(t), uniform_log(rng, 10, 80))
        if rng.random() < 0.25:
            line += rng.uniform(-0.02, 0.02) * shape.thick * np.sign(t - rng.uniform(-60, 60))
        here = at + np.interp(shape.flat.ravel(), t, line).reshape(shape.size)
        taken |= (shape.u - here) * side > 0
    return taken & shape.face


def figures(shape, labels):
    """Return depth fraction and thickness in pixels, over the whole chords of the labels."""
    rows, cols = shape.size
    half = int(0.5 * np.hypot(rows, cols))
    vv, uu = np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1), indexing="ij")
    c, s = np.cos(shape.tilt), np.sin(shape.tilt)
    row0 = -(shape.v[0, 0] * c + shape.u[0, 0] * s)  # the picture's row of the origin
    x, y = uu * c - vv * s + (cols - 1) / 2, uu * s + vv * c + row0
    sheet = cv2.remap(
        labels, x.astype(np.float32), y.astype(np.float32), cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT, borderValue=0,
    )  # fmt: skip
    count = (sheet > 0).sum(axis=0)
    at = np.arange(-half, half + 1) - shape.start
    expected = (shape.bottom - shape.top)[at]
    whole = (count > 0) & (np.abs(count - expected) < 3)
    laser = (sheet == 1).sum(axis=0)
    used = whole & (laser > 0)
    depth = float((laser[used] / count[used]).mean()) if used.any() else float("nan")
    return depth, float(count[whole].mean()) if whole.any() else float("nan")
