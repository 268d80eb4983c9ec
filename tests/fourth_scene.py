"""What lies about a cut face and on it: lens surfaces, stub, tape, void, dust, film."""

from __future__ import annotations

import cv2
import numpy as np
from fourth_field import field, fractal, sampled, wander


def _stub(rng, shape):
    """Return height and tone of turned metal with pores."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    far = rng.uniform(2000, 9000)
    way = rng.uniform(0, 2 * np.pi)
    ring = np.hypot(y - far * np.sin(way), x - far * np.cos(way))
    profile = wander(rng, int(np.ptp(ring)) + 4, rng.uniform(4, 18)).astype(np.float32)[None]
    marks = sampled(np.repeat(profile, 2, 0), ring - ring.min() + 1, np.zeros_like(ring))
    pores = np.minimum(field(rng, shape, 14) + 2.4, 0)
    return 0.5 * marks + 4 * pores, np.full(shape, rng.uniform(0.5, 1.3), np.float32)


def _tape(rng, shape):
    """Return height and tone of carbon tape: dark, dimpled, now and then wrinkled."""
    dents = np.minimum(field(rng, shape, rng.uniform(18, 60)) + 1.2, 0)
    fold = np.exp(-((field(rng, shape, rng.uniform(200, 500)) / 0.04) ** 2))
    height = 6 * dents + 8 * cv2.GaussianBlur(fold, (0, 0), 3) * rng.choice([0, 1])
    height += 0.4 * fractal(rng, shape, 12)
    return height, np.full(shape, rng.uniform(0.12, 0.5), np.float32)


def _void(rng, shape):
    """Return height and tone of a far, dim ground out of focus."""
    return 3 * field(rng, shape, 150), 0.12 + 0.05 * np.abs(field(rng, shape, 250))


def ground(rng, shape):
    """Return height and tone of what the fragment lies on, with particles strewn on it."""
    pick = rng.choice(3, p=[0.3, 0.4, 0.3])
    height, tone = (_stub, _tape, _void)[pick](rng, shape)
    height, tone = height.astype(np.float32), tone.astype(np.float32)
    for _ in range(int(rng.integers(0, 25))):
        centre = rng.uniform(0, 1, 2) * shape
        grain_of_dust(rng, height, tone, centre, float(rng.uniform(2, 16)))
    return height, tone


def grain_of_dust(rng, height, tone, centre, radius):
    """Set a particle on the ground, in place; return where it is (slices, mask)."""
    rows, cols = height.shape
    reach = int(1.7 * radius) + 3
    top, left = (max(0, int(c) - reach) for c in centre)
    bottom, right = min(rows, int(centre[0]) + reach), min(cols, int(centre[1]) + reach)
    window = (slice(top, bottom), slice(left, right))
    if bottom - top < 2 or right - left < 2:
        return window, np.zeros((max(0, bottom - top), max(0, right - left)), bool)
    y, x = np.mgrid[top:bottom, left:right].astype(np.float32)
    y, x = y - centre[0], x - centre[1]
    if rng.random() < 0.6:  # a chip: the lowest of some planes
        ways = np.sort(rng.uniform(0, 2 * np.pi, 6))
        sides = radius * rng.uniform(0.7, 1.1, 6)
        slopes = rng.uniform(0.6, 2.2, 6)
        planes = [(side - x * np.cos(way) - y * np.sin(way)) * slope
                  for way, side, slope in zip(ways, sides, slopes, strict=True)]  # fmt: skip
        body = np.minimum(np.min(planes, 0), radius * rng.uniform(0.5, 0.9))
        body = np.where(np.hypot(y, x) < 1.6 * radius, body, -1)
    else:  # a clump of round grains
        body = np.full(y.shape, -1, np.float32)
        for _ in range(int(rng.integers(3, 14))):
            dy, dx = rng.normal(0, 0.35 * radius, 2)
            r = radius * rng.uniform(0.25, 0.5)
            room = r**2 - (y - dy) ** 2 - (x - dx) ** 2
            body = np.maximum(body, np.where(room > 0, np.sqrt(np.maximum(room, 0)) + r, -1))
    mask = body > 0
    base = float(np.quantile(height[window], 0.85))
    height[window] = np.where(mask, base + body, height[window])
    tone[window] = np.where(mask, rng.uniform(0.7, 1.5), tone[window])
    return window, mask


def lens_surface(rng, far, along, width):
    """Return height (below the face), tone and where: the lens surface beyond an edge.

    ``far`` is the distance beyond the edge in px (negative on the face's side), ``along`` the
    place along the edge, ``width`` how much of the surface is seen at every place.
    """
    share = far / np.maximum(width, 1e-3)
    where = (far > 0) & (share < 1)
    share = np.clip(share, 0, 1)
    height = -rng.uniform(0.15, 0.6) * far - 12 * share**3
    start, stop = rng.uniform(0.4, 0.95), rng.uniform(0.4, 1.1)
    tone = start + (stop - start) * share + rng.uniform(0.1, 0.5) * np.exp(-(1 - share) * 14)
    if rng.random() < 0.4:  # faint scratches of handling
        table = (field(rng, (64, 2048), 3) > 2.6).astype(np.float32)
        marks = sampled(table, (along - along.min()) * 0.7 + 0.6 * far, far * 0.08 + 8)
        tone = tone * (1 + 0.12 * marks)
    return height.astype(np.float32), tone.astype(np.float32), where


def film(rng, height, tone, where, spread):
    """Lay a film over some of the face, in place; return where it lies."""
    blob = field(rng, height.shape, spread) + 0.25 * field(rng, height.shape, spread / 5)
    inside = blob[where]
    if not inside.size:
        return np.zeros(height.shape, bool)
    mask = (blob > np.quantile(inside, 1 - rng.uniform(0.01, 0.05))) & where
    mask = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((9, 9))) > 0
    within = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    calm = cv2.GaussianBlur(height, (0, 0), 14) + 3
    crack = np.abs(field(rng, height.shape, 45)) < 0.03
    thick = 5 * (1 - np.exp(-within / 5)) - 1.5 * (crack & mask)
    height[mask] = (calm + thick)[mask]
    tone[mask] = rng.choice([rng.uniform(0.65, 0.8), rng.uniform(1.2, 1.5)])
    return mask
