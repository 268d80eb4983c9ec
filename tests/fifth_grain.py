"""Building stones of the fifth maker: grid noise, tool profiles, brushes and cells."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass
class Relief:
    """A drawn surface: height in pixels, and a departure of the electron yield."""

    height: np.ndarray
    tone: np.ndarray | float = 0.0


def grid_noise(rng, shape, step, stretch=1.0):
    """Return noise of random grid values, joined smoothly; ``stretch`` lengthens it along rows."""
    steps = (max(1.0, step), max(1.0, step * stretch))
    rows, cols = (int(np.ceil(n / s)) + 4 for n, s in zip(shape, steps, strict=True))
    grid = rng.standard_normal((rows, cols)).astype(np.float32)
    shift = rng.random(2) * 2
    size = (int(cols * steps[1]) + 1, int(rows * steps[0]) + 1)
    wide = cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)
    top, left = int(shift[0] * steps[0]), int(shift[1] * steps[1])
    return np.ascontiguousarray(wide[top : top + shape[0], left : left + shape[1]])


def octaves(rng, shape, step, levels=4, gain=0.5):
    total, weight = np.zeros(shape, np.float32), 1.0
    for _ in range(levels):
        total += weight * grid_noise(rng, shape, step)
        step, weight = step / 2, weight * gain
        if step < 1.2:
            break
    return total


def uniform_log(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(max(low * 1.001, high)))))


def soft(values, sigma):
    return cv2.GaussianBlur(values, (0, 0), float(sigma)) if sigma > 0.25 else values


def plane(shape, angle):
    """Return the coordinates along and across a direction (radians, 0 = along the rows)."""
    v, u = np.indices(shape, dtype=np.float32)
    u -= shape[1] / 2
    v -= shape[0] / 2
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return u * c + v * s, v * c - u * s


def warped(values, rng, step, reach):
    """Return an image whose points were moved by smooth noise of ``reach`` pixels."""
    shape = values.shape
    v, u = np.indices(shape, dtype=np.float32)
    u += reach * grid_noise(rng, shape, step)
    v += reach * grid_noise(rng, shape, step)
    return cv2.remap(values, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)


def oriented(draw, shape, angle):
    """Draw on a sheet whose rows run across ``angle`` and lay it on the canvas."""
    c, s = abs(np.cos(angle)), abs(np.sin(angle))
    size = (int(shape[0] * c + shape[1] * s) + 4, int(shape[1] * c + shape[0] * s) + 4)
    sheet = draw(size)
    along, across = plane(shape, angle)
    return cv2.remap(
        sheet, along + size[1] / 2, across + size[0] / 2, cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip


def profile(rng, length, step, sharp=1.0):
    """Return a bounded random profile of unit spread; ``sharp`` above 1 makes rare deep marks."""
    count = int(length / max(step, 0.5)) + 8
    values = rng.standard_normal(count)
    values = np.sign(values) * np.abs(values) ** sharp
    at = np.linspace(0, count - 1, int(length) + 8)
    fine = np.interp(at, np.arange(count), values)
    return (fine / (fine.std() + 1e-6)).astype(np.float32)


def read_profile(values, where):
    """Sample a profile (centred on 0) where ``where`` says, linearly between its points."""
    x = np.clip(where + len(values) / 2, 0, len(values) - 1.001).astype(np.float32)
    low = x.astype(np.int32)
    part = x - low
    return values[low] * (1 - part) + values[np.minimum(low + 1, len(values) - 1)] * part


def nearest(points, shape):
    """Return distance to the nearest point and its running number, by a distance transform."""
    mask = np.full(shape, 255, np.uint8)
    inside = (points >= 0).all(axis=1) & (points < np.array(shape) - 0.5).all(axis=1)
    at = np.rint(points[inside]).astype(int)
    at = np.minimum(at, np.array(shape) - 1)
    mask[at[:, 0], at[:, 1]] = 0
    dist, label = cv2.distanceTransformWithLabels(
        mask, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    return dist, label


def lattice(rng, shape, along, across, angle, jitter, *, missing=0.0, stagger=None):
    """Return the points (row, column) of a programmed lattice with its slips."""
    reach = np.hypot(*shape) / 2
    rows, cols = np.arange(-reach, reach, across), np.arange(-reach, reach, along)
    shift = (np.arange(len(rows)) % 2) * 0.5 if stagger is None else stagger * np.arange(len(rows))
    a = cols[None, :] + (shift[:, None] % 1) * along
    b = np.broadcast_to(rows[:, None], a.shape)
    a = a + rng.normal(0, jitter * along, a.shape) + rng.normal(0, 0.1 * along, (len(rows), 1))
    b = b + rng.normal(0, jitter * across, a.shape)
    keep = rng.random(a.shape) >= missing
    a, b = a[keep], b[keep]
    c, s = np.cos(angle), np.sin(angle)
    v, u = a * s + b * c + shape[0] / 2, a * c - b * s + shape[1] / 2
    ok = (v >= 0) & (v < shape[0] - 0.5) & (u >= 0) & (u < shape[1] - 0.5)
    return np.column_stack([v[ok], u[ok]])
