"""Random fields, lattices and cavities that the surfaces of the fourth maker are made of."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np


def field(rng, shape, scale):
    """Return a smooth random field of unit spread whose features are about ``scale`` px."""
    step = max(1.0, scale / 2.5)
    rows, cols = (int(np.ceil(size / step)) + 6 for size in shape)
    coarse = rng.standard_normal((rows, cols)).astype(np.float32)
    coarse = cv2.GaussianBlur(coarse, (0, 0), max(0.35, min(1.0, scale / 2.5)))
    if step > 1:
        coarse = cv2.resize(
            coarse, (int(cols * step) + 1, int(rows * step) + 1), interpolation=cv2.INTER_CUBIC
        )
    top, left = (int(rng.integers(0, have - need + 1)) for have, need
                 in zip(coarse.shape, shape, strict=True))  # fmt: skip
    part = coarse[top : top + shape[0], left : left + shape[1]]
    return (part / max(1e-6, float(part.std()))).astype(np.float32)


def fractal(rng, shape, scale, octaves=4, gain=0.5):
    """Return fields of halving scale added up, unit spread."""
    total = np.zeros(shape, np.float32)
    for k in range(octaves):
        if scale / 2**k < 1.2:
            break
        total += gain**k * field(rng, shape, scale / 2**k)
    return total / max(1e-6, float(total.std()))


def wander(rng, count, scale):
    """Return a smooth random line of unit spread over ``count`` samples."""
    scale = max(1.5, float(scale))
    knots = int(np.ceil(count / scale)) + 4
    values = rng.standard_normal(knots)
    at = (np.arange(count) / scale + 1 + rng.uniform(0, 1)).astype(np.float32)
    low = np.floor(at).astype(int)
    x = at - low
    a, b, c, d = (values[np.clip(low + k, 0, knots - 1)] for k in (-1, 0, 1, 2))
    return b + 0.5 * x * (c - a + x * (2 * a - 5 * b + 4 * c - d + x * (3 * (b - c) + d - a)))


def turned(shape, angle, centre=(0.0, 0.0)):
    """Return the coordinates (u across, v along a direction at ``angle``) of every pixel."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    y, x = y - np.float32(centre[0]), x - np.float32(centre[1])
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return y * c - x * s, x * c + y * s


def lattice(rng, shape, spot, line, angle, jitter=0.05, lost=0.0):
    """Return pulse positions (row, col) in firing order, and the line that each is on."""
    reach = np.hypot(*shape) / 2 + 2 * max(spot, line)
    u = np.arange(-reach, reach, line)
    v = np.arange(-reach, reach, spot)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    number = np.repeat(np.arange(len(u)), len(v))
    stagger = rng.uniform(0, spot, len(u)) if rng.random() < 0.6 else np.zeros(len(u))
    uu = uu.ravel() + (0.5 * jitter * line * rng.standard_normal(len(u)))[number]
    vv = vv.ravel() + stagger[number]
    uu = uu + jitter * line * rng.standard_normal(uu.size)
    vv = vv + jitter * spot * rng.standard_normal(vv.size)
    c, s = np.cos(angle), np.sin(angle)
    points = np.stack([uu * c + vv * s + shape[0] / 2, vv * c - uu * s + shape[1] / 2], 1)
    pad = max(spot, line)
    keep = ((points > -pad) & (points < np.array(shape) + pad)).all(1)
    keep &= rng.random(len(points)) >= lost
    return points[keep], number[keep]


def scatter(rng, shape, spacing, tries=3):
    """Return points strewn at random, no two much closer than ``spacing``."""
    count = int(tries * shape[0] * shape[1] / spacing**2) + 4
    points = rng.uniform(-spacing, np.array(shape) + spacing, (count, 2))
    cells = np.floor(points / (0.8 * spacing)).astype(int)
    _, first = np.unique(cells, axis=0, return_index=True)
    return points[np.sort(first)]


def nearest(points, shape, pad=0):
    """Return, for every pixel, its nearest point's number and the offset (rows, cols) to it."""
    grid = np.round(points).astype(int) + pad
    size = (shape[0] + 2 * pad, shape[1] + 2 * pad)
    inside = ((grid >= 0) & (grid < size)).all(1)
    numbers = np.nonzero(inside)[0]
    grid = grid[inside]
    source = np.ones(size, np.uint8)
    source[grid[:, 0], grid[:, 1]] = 0
    _, marks = cv2.distanceTransformWithLabels(
        source, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(marks.max() + 1, int)
    table[marks[grid[:, 0], grid[:, 1]]] = numbers
    index = table[marks[pad : pad + shape[0], pad : pad + shape[1]]]
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    close = points.astype(np.float32)
    return index, y - close[index, 0], x - close[index, 1]


def caps(points, radii, lift, shape, classes=9):
    """Return how high spheres about ``points`` stand above the plane (0 where none does).

    ``lift`` is the height of the centres in units of the radii.
    """
    pad = int(np.ceil(radii.max())) + 1
    total = np.zeros(shape, np.float32)
    edges = np.quantile(radii, np.linspace(0, 1, classes + 1))
    for low, high in pairwise(edges):
        chosen = (radii >= low) & (radii <= high)
        if not chosen.any():
            continue
        radius = float(radii[chosen].mean())
        grid = np.round(points[chosen]).astype(int) + pad
        size = (shape[0] + 2 * pad, shape[1] + 2 * pad)
        grid = grid[((grid >= 0) & (grid < size)).all(1)]
        if not len(grid):
            continue
        source = np.ones(size, np.uint8)
        source[grid[:, 0], grid[:, 1]] = 0
        far = cv2.distanceTransform(source, cv2.DIST_L2, 5)[pad:-pad, pad:-pad]
        cap = np.sqrt(np.maximum(radius**2 - far**2, 0)) + lift * radius
        np.maximum(total, np.where(far < radius, cap, 0), out=total)
    return total


def sampled(table, u, v):
    """Return ``table`` (rows along v, columns along u) at the given places, mirrored beyond."""
    return cv2.remap(
        table, u.astype(np.float32), v.astype(np.float32), cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip


def line_table(values, at):
    """Return the values of a line at fractional positions (float map), ends held."""
    return np.interp(at, np.arange(len(values)), values).astype(np.float32)


def steep(height, slope, even=False):
    """Return the height scaled so that its slope's spread is ``slope``.

    With ``even`` a few steep lips do not press the rest down.
    """
    calm = cv2.GaussianBlur(height.astype(np.float32), (0, 0), 0.8)
    rise = np.hypot(np.diff(calm, axis=1)[:-1], np.diff(calm, axis=0)[:, :-1])
    have = np.sqrt(float((rise**2).mean()))
    if even:
        most = 2.5 * float(np.median(rise[::3, ::3]))
        have = max(0.4 * have, np.sqrt(float((np.minimum(rise, most) ** 2).mean())))
    return (height * (slope / max(have, 1e-6))).astype(np.float32)
