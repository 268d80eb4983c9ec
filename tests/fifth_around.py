"""What lies about the face: the lens's own surfaces, grounds, and particles."""

from __future__ import annotations

import cv2
import numpy as np
from fifth_grain import Relief, grid_noise, octaves, plane, profile, read_profile, soft, warped

GROUNDS = ("stub", "tape", "foil", "wafer", "paper")


def ground(rng, shape, kind):
    """Return relief and tone of the ground (tone about the face's mean)."""
    if kind == "stub":
        _, across = plane(shape, rng.uniform(0, np.pi))
        marks = read_profile(profile(rng, 3 * max(shape), rng.uniform(3, 9), 1.6), across)
        return Relief(0.5 * marks, rng.uniform(-0.45, 0.1))
    if kind == "tape":
        hills = octaves(rng, shape, rng.uniform(40, 160), 3)
        pits = grid_noise(rng, shape, rng.uniform(6, 22))
        pits = np.clip(pits - rng.uniform(1.1, 1.9), 0, None)
        return Relief(2.5 * hills - 5 * pits, rng.uniform(-0.75, -0.35) - 0.1 * (pits > 0.2))
    if kind == "foil":
        fold = np.abs(warped(octaves(rng, shape, rng.uniform(90, 260), 3), rng, 120, 25))
        return Relief(-rng.uniform(4, 14) * fold, rng.uniform(0.25, 0.6))
    if kind == "wafer":
        return Relief(np.zeros(shape, np.float32), rng.choice([-0.8, -0.6, -0.3, 0.3]))
    z = np.zeros(shape, np.float32)
    for k in range(220):
        at = np.array([rng.uniform(0, shape[1]), rng.uniform(0, shape[0])])
        turn = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.14, 26))
        path = at + np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]) * 16, axis=0)
        path = np.rint(path).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(z, [path], False, 2.0 + 12 * k / 220, int(rng.integers(8, 34)))
    return Relief(soft(z, 2.6) * rng.uniform(0.2, 0.6), rng.uniform(-0.4, 0.25))


def band_widths(rng, thick):
    """Return the widths of the lens's surface seen above and below the face, 0 for none."""
    if rng.random() < 0.38:
        return 0.0, 0.0
    sides = [(1, 0), (0, 1), (1, 1)][int(rng.integers(3))]
    return tuple(
        side * (rng.uniform(7, 24) if rng.random() < 0.35 else rng.uniform(0.08, 0.5) * thick)
        for side in sides
    )


def lens_surface(rng, shape, away):
    """Return relief and tone of an oblique lens surface; ``away`` = distance from the face."""
    fall = rng.uniform(0.25, 1.3)
    z = -fall * away - rng.uniform(0, 0.002) * np.clip(away, 0, None) ** 2
    z = z + rng.uniform(0, 1.4) * grid_noise(rng, shape, rng.uniform(30, 140))
    tone = rng.choice([-1, 1]) * rng.uniform(0.12, 0.4)
    tone = tone + rng.uniform(-0.0012, 0.0012) * away
    if rng.random() < 0.45:  # a few faint marks
        marks = np.zeros(shape, np.float32)
        for _ in range(int(rng.integers(3, 25))):
            a = np.array([rng.uniform(0, shape[1]), rng.uniform(0, shape[0])])
            b = a + rng.normal(0, 90, 2)
            cv2.line(marks, np.rint(a).astype(int).tolist(), np.rint(b).astype(int).tolist(), 1.0)
        z = z + rng.uniform(0.3, 0.9) * soft(marks, 0.9)
    return Relief(z.astype(np.float32), tone)


def particles(rng, shape, count, largest):
    """Return the heights (0 where none) and the mask of scattered particles."""
    z = np.zeros(shape, np.float32)
    for _ in range(count):
        r = float(np.exp(rng.uniform(np.log(2.2), np.log(largest))))
        turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
        ring = r * (1 + 0.22 * rng.standard_normal(14))
        at = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        path = np.column_stack([at[0] + ring * np.cos(turn), at[1] + ring * np.sin(turn)])
        cv2.fillPoly(z, [np.rint(path).astype(np.int32)], r)
    mask = z > 0
    if count:
        inner = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
        z = np.where(mask, 1.6 * np.sqrt(inner * np.maximum(z, 1)), 0)
        z += mask * 0.8 * grid_noise(rng, shape, 4)
    return z.astype(np.float32), mask
