"""What lies about and on the face in the sixth maker: lens surfaces, stub, tape, dust, debris."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from sixth_field import F, curve, grid, heading, noise, pick, rough, smooth, steep
from sixth_scissor import swept


def ground(rng, shape):
    """Return height and yield of what the piece lies on, and its name."""
    kind = str(rng.choice(["tape", "stub", "void", "film"], p=[0.35, 0.25, 0.2, 0.2]))
    level = F(pick(rng, 0.22, 1.15))
    if kind == "tape":  # conductive tape: flat, with pores and a few wrinkles
        height = steep(rough(rng, shape, pick(rng, 40, 160), 3), rng.uniform(0.03, 0.12))
        pores = noise(rng, shape, pick(rng, 8, 30)) * noise(rng, shape, 90)
        height -= F(rng.uniform(2, 9)) * np.clip(pores - 1.3, 0, 1)
        tint = level * (1 - F(0.3) * np.clip(pores - 1.3, 0, 1))
    elif kind == "stub":  # metal turned on a lathe, out of focus
        along, across = heading(rng, shape, rng.uniform(0, np.pi), rng.uniform(-0.6, 0.6))
        height = steep(swept(rng, along, across, pick(rng, 5, 25)), rng.uniform(0.05, 0.2))
        height = smooth(height, rng.uniform(1, 4))
        tint = level * (1 + F(0.06) * noise(rng, shape, 200))
    elif kind == "film":
        height = steep(rough(rng, shape, pick(rng, 12, 60), 4), rng.uniform(0.04, 0.16))
        tint = level * (1 + F(0.08) * noise(rng, shape, 120))
    else:
        height = np.zeros(shape, F)
        tint = level * F(0.35) * (1 + F(0.15) * noise(rng, shape, 300))
    if kind != "void":
        _dust(rng, height, tint, int(rng.poisson(18)))
    return height, tint.astype(F), kind


def _dust(rng, height, tint, count):
    """Scatter grains over a ground, in place."""
    rows, cols = height.shape
    for _ in range(count):
        size = pick(rng, 2, 14)
        cx, cy = rng.uniform(0, cols), rng.uniform(0, rows)
        x0, x1 = int(max(0, cx - 2 * size)), int(min(cols, cx + 2 * size))
        y0, y1 = int(max(0, cy - 2 * size)), int(min(rows, cy + 2 * size))
        if x1 - x0 < 2 or y1 - y0 < 2:
            continue
        x, y = grid((y1 - y0, x1 - x0))
        x, y = x + x0 - F(cx), y + y0 - F(cy)
        turn = np.arctan2(y, x)
        reach = size * (1 + 0.2 * np.cos(2 * turn + rng.uniform(0, 6)))
        reach += size * 0.15 * np.cos(rng.integers(3, 6) * turn + rng.uniform(0, 6))
        dome = np.sqrt(np.clip(1 - (np.hypot(x, y) / reach) ** 2, 0, 1)).astype(F)
        height[y0:y1, x0:x1] += dome * F(size * 0.7)
        part = tint[y0:y1, x0:x1]
        part += (F(rng.uniform(0.5, 1.0)) - part) * (dome > 0) * F(0.8)


def _surface(rng, off, s, deep):
    """Return height, yield and place of a smooth lens surface seen obliquely beside an edge.

    ``off`` is the distance from the edge, positive on the surface's side.
    """
    reach = rng.choice([0.0, pick(rng, 18, 90), pick(rng, 60, 260), 1e5], p=[0.3, 0.3, 0.2, 0.2])
    if not reach:
        return None
    far = F(reach) * (1 + F(0.12) * np.sin(s / F(pick(rng, 150, 600)) + rng.uniform(0, 6)))
    place = (off > 0) & (off < far)
    slope = rng.uniform(0.25, 1.3)
    height = -F(deep) * (1 - np.exp(-F(slope / deep) * np.maximum(off, 0)))
    tint = F(rng.uniform(0.4, 1.1)) * (1 + F(0.05) * noise(rng, off.shape, 260))
    if rng.uniform() < 0.4:  # fine scratches and specks from handling
        marks = np.zeros(off.shape, F)
        for _ in range(int(rng.integers(2, 9))):
            ends = rng.uniform(0, off.shape[1], 2), rng.uniform(0, off.shape[0], 2)
            line = np.stack(ends, 1) + rng.normal(0, 12, (1, 2))
            line = np.linspace(line[0], line[0] + (line[1] - line[0]) * rng.uniform(0.1, 0.4), 9)
            line += rng.normal(0, 1.0, line.shape)
            cv2.polylines(marks, [line.round().astype(np.int32)], False, rng.choice([-1.0, 1.0]))
        height = height + F(rng.uniform(0.4, 1.2)) * smooth(marks, 0.9)
    if rng.uniform() < 0.35:
        specks = np.clip(noise(rng, off.shape, pick(rng, 5, 12)) - 2.1, 0, 1)
        height, tint = height + 4 * specks, tint + F(0.4) * specks
    if rng.uniform() < 0.3:  # a lathe's or a mould's faint rings
        height = height + F(0.35) * np.sin(off / F(pick(rng, 3, 12)))
    return height, tint, place


def surroundings(rng, strip, s, t):
    """Return height, yield and name of all that is not the face."""
    shape = s.shape
    low, low_tint, kind = ground(rng, shape)
    deep = F(pick(rng, 40, 260))
    height, tint = low - deep, low_tint.copy()
    column = np.clip(s, 0, len(strip.anterior) - 1).astype(np.int32)
    row = np.clip(t, 0, strip.depth - 1).astype(np.int32)
    between = (s > strip.first.astype(F)[row]) & (s < strip.last.astype(F)[row])
    solid = np.zeros(shape, bool)
    for edge, sign in ((strip.anterior, 1), (strip.posterior, -1)):
        even = gaussian_filter1d(edge, 60).astype(F)[column]  # no streaks from every chip
        off = sign * (even - t) + F(8)
        made = _surface(rng, off, s, deep)
        if made is not None:
            place = made[2] & between & (sign * (edge.astype(F)[column] - t) > 0)
            height = np.where(place, made[0], height)
            tint = np.where(place, made[1], tint)
            solid |= place
    return height.astype(F), tint.astype(F), solid, kind


def debris(rng, labels, height, tint):
    """Lay lumps or a film over the face, in place; return where they hide it."""
    hidden = np.zeros(labels.shape, bool)
    rows, cols = np.nonzero(labels[::4, ::4])
    if rng.uniform() > 0.38 or not len(rows):
        return hidden
    area = (labels > 0).sum()
    for _ in range(int(rng.integers(1, 6))):
        film = rng.uniform() < 0.25
        size = pick(rng, 25, 70) if film else pick(rng, 8, 38)
        at = rng.integers(len(rows))
        cx, cy = cols[at] * 4, rows[at] * 4
        half = int(size * 2)
        x0, x1 = max(0, cx - half), min(labels.shape[1], cx + half)
        y0, y1 = max(0, cy - half), min(labels.shape[0], cy + half)
        patch = np.s_[y0:y1, x0:x1]
        x, y = grid((y1 - y0, x1 - x0))
        turn = np.arctan2(y + F(y0 - cy), x + F(x0 - cx))
        round_ = curve(rng, 360, 60) * 0.14 + curve(rng, 360, 20) * 0.06
        round_ = round_ * np.sin(np.linspace(0, np.pi, 360)) + 1
        reach = F(size) * round_[np.clip((turn + np.pi) * 57.2, 0, 359).astype(int)]
        far = np.hypot(x + F(x0 - cx), y + F(y0 - cy)) / reach
        mask = (far < 1) & (labels[patch] > 0)
        if hidden.sum() + mask.sum() > 0.05 * area:
            break
        base = smooth(np.ascontiguousarray(height[patch]), size / 3)
        if film:
            cover = base + F(2.5) * np.clip(6 * (1 - far), 0, 1)
            cover += steep(noise(rng, x.shape, 14), 0.05)
        else:
            cover = base + F(size * rng.uniform(0.3, 0.7)) * np.sqrt(np.clip(1 - far**2, 0, 1))
            lumpy = rough(rng, x.shape, max(3, size / rng.uniform(1.5, 5)), 4, 0.6)
            cover += steep(lumpy, rng.uniform(0.15, 0.7))
        height[patch] = np.where(mask, cover, height[patch])
        shade = rng.choice([rng.uniform(0.6, 0.85), rng.uniform(1.15, 1.5)])
        tint[patch] = np.where(mask, F(shade), tint[patch])
        hidden[patch] |= mask
    return hidden


def near_face(mask, reach):
    """Return 1 at a mask, falling off over a reach outside it."""
    small = cv2.resize(mask.astype(np.uint8), None, fx=0.25, fy=0.25)
    far = cv2.distanceTransform(1 - small, cv2.DIST_L2, 3) * 4
    far = cv2.resize(far, mask.shape[::-1])
    return np.exp(-far / F(reach))


