"""What lies around a face: the ground, the lens's own uncut surface, and debris upon all."""

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt
from seventh_noise import bend, bumps, cells, curve, fractal, smooth, streaks


def carbon_tape(rng, shape):
    height = 3 * fractal(rng, shape, 60, 3) + 0.7 * fractal(rng, shape, 5, 3, 0.7)
    height += bumps(rng, shape, int(rng.integers(5, 60)), (3, 22),
                    lambda r: -0.5 * np.exp(-(r ** 4)))
    return height, rng.uniform(0.25, 0.5) * (1 + 0.05 * smooth(rng, shape, 20))


def metal_stub(rng, shape):
    way = rng.uniform(0, 180)
    lines = streaks(rng, shape, 500, rng.uniform(2, 6), way)
    scratch = np.maximum(streaks(rng, shape, 250, 1.5, way + rng.normal(0, 40)) - 2.3, 0)
    return 0.9 * lines - 2 * scratch, rng.uniform(0.6, 1.15) * (1 + 0.04 * lines)


def foil(rng, shape):
    height = 3 * smooth(rng, shape, 30)
    for _ in range(4):
        crease = streaks(rng, shape, rng.uniform(80, 260), rng.uniform(25, 70),
                         rng.uniform(0, 180))
        height += rng.uniform(3, 12) * np.abs(bend(rng, crease, 10, 60))
    height = cv2.GaussianBlur(height, (0, 0), rng.uniform(1, 4))
    return height + 0.4 * streaks(rng, shape, 300, 2, rng.uniform(0, 180)), np.full(
        shape, rng.uniform(0.6, 1.0), np.float32)


def dark_void(rng, shape):
    far = 4 * smooth(rng, shape, 120)
    return far, rng.uniform(0.08, 0.22) * (1 + 0.25 * smooth(rng, shape, 250)).clip(0.3, 2)


GROUNDS = {"carbon-tape": carbon_tape, "metal-stub": metal_stub, "foil": foil,
           "dark-void": dark_void}


def plain_surface(rng, shape, _):
    return 3 * smooth(rng, shape, 90) + 0.12 * fractal(rng, shape, 4, 2), np.ones(shape)


def lathed_surface(rng, shape, way):
    lines = streaks(rng, shape, 600, rng.uniform(1.5, 4), way + rng.normal(0, 3))
    return 0.4 * lines + 3 * smooth(rng, shape, 90), 1 + 0.03 * lines


def moulded_surface(rng, shape, _):
    height = 2 * smooth(rng, shape, 60) + 0.25 * fractal(rng, shape, 3, 3, 0.8)
    height += bumps(rng, shape, int(rng.integers(10, 60)), (1.5, 6),
                    lambda r: 0.5 * np.exp(-(r ** 2)))
    return height, 1 + 0.03 * smooth(rng, shape, 25)


def dried_surface(rng, shape, _):
    """Shrunken hydrophilic skin: fine wrinkles, and at times a net of cracks."""
    height = 1.6 * (1 - np.abs(smooth(rng, shape, rng.uniform(6, 14))))
    if rng.random() < 0.5:
        first, second = cells(rng, shape, rng.uniform(60, 140))
        height = height - 5 * np.exp(-(((second - first) / 0.03) ** 2))
    return height + 0.15 * fractal(rng, shape, 4, 2), np.ones(shape)


SURFACES = {"plain": plain_surface, "lathed": lathed_surface, "moulded": moulded_surface,
            "dried": dried_surface}


def surface_region(rng, places, side, width):
    """Pixels of the lens's own surface, and their distance from the cut's edge."""
    span = np.clip(np.rint(places.s).astype(np.int32), 0, 4999)
    rim = (width * (1 + 0.05 * curve(rng, 5000, 250)))[span].astype(np.float32)
    within = (places.past_end <= 0) & ~places.face
    if side == "end":
        away = places.past_end
        beside = (places.n >= places.upper) & (places.n <= places.lower)
        away = np.maximum(away, places.past_corner)
        return (away > 0) & (away < rim) & beside, away
    above = places.upper - places.n
    away, other = (above, places.n - places.lower)[::1 if side == "anterior" else -1]
    clear = cv2.distanceTransform((~places.face).astype(np.uint8), cv2.DIST_L2, 5)
    return (away > other) & (away < rim) & within, clear


def lay_surface(rng, relief, tone, places, side, look, width):
    """Lens surface falling away from the cut, written into relief and yield; its region."""
    region, away = surface_region(rng, places, side, width)
    slope = rng.uniform(0.1, 0.9)
    lip = rng.uniform(0.0, 6.0)
    texture, shade = SURFACES[look](rng, relief.shape, 90.0 if side == "end" else 0.0)
    fall = slope * away * (1 + 0.3 * away / max(width, 1.0))
    ease = np.exp(-np.maximum(away, 0) / 6.0)
    height = texture * (1 - ease) - fall - lip * (1 - ease)
    relief[region] = height[region]
    tone[region] = (rng.uniform(0.62, 1.12) * shade)[region]
    return region


def grain_outline(rng, size):
    """An irregular or crystal-like flake, filled, in a square mask."""
    side = int(2.8 * size) + 6
    mask = np.zeros((side, side), np.uint8)
    corners = int(rng.integers(5, 14))
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = size * rng.uniform(0.55, 1.25, corners)
    points = side / 2 + np.column_stack([np.cos(angle), np.sin(angle)]) * radius[:, None]
    cv2.fillPoly(mask, [np.rint(points * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    if rng.random() < 0.6:
        mask = (cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.2 * size + 0.5) > 0.5)
    return mask.astype(bool)


def drop_grain(rng, covered, lift, size, near):
    """One grain, put down anywhere or on the pixels `near`."""
    if near is None:
        row, col = (int(rng.integers(0, span)) for span in covered.shape)
    else:
        row, col = near[int(rng.integers(0, len(near)))]
    mask = grain_outline(rng, size)
    depth = distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    dome = np.sqrt(np.minimum(depth, 0.6 * size) * size).astype(np.float32) + (
        0.12 * size * smooth(rng, mask.shape, max(size / 4, 0.8)))
    top, left = row - mask.shape[0] // 2, col - mask.shape[1] // 2
    rows = slice(max(top, 0), min(top + mask.shape[0], covered.shape[0]))
    cols = slice(max(left, 0), min(left + mask.shape[1], covered.shape[1]))
    part = (slice(rows.start - top, rows.stop - top), slice(cols.start - left, cols.stop - left))
    put = mask[part]
    covered[rows, cols] |= put
    patch = lift[rows, cols]
    patch[put] = np.maximum(patch[put], dome[part][put])


def drop_fibre(rng, covered, lift):
    """A lint fibre lying in a slack curve."""
    turn = rng.uniform(0, 2 * np.pi) + np.cumsum(0.12 * curve(rng, 60, 6))
    step = rng.uniform(3, 9)
    row = rng.uniform(0, covered.shape[0]) + np.cumsum(np.sin(turn)) * step
    col = rng.uniform(0, covered.shape[1]) + np.cumsum(np.cos(turn)) * step
    drawn = np.zeros(covered.shape, np.uint8)
    line = np.rint(np.column_stack([col, row]) * 16).astype(np.int32)
    wide = int(rng.integers(3, 8))
    cv2.polylines(drawn, [line], False, 1, wide, cv2.LINE_8, 4)
    covered |= drawn > 0
    np.maximum(lift, 2 * np.sqrt(cv2.distanceTransform(drawn, cv2.DIST_L2, 3) * wide), out=lift)


def scatter_debris(rng, face, heavy):
    """Debris over the whole picture: the mask it covers and its height above what is under it."""
    covered, lift = np.zeros(face.shape, bool), np.zeros(face.shape, np.float32)
    for _ in range(int(rng.poisson(rng.gamma(1.5, 7)))):
        drop_grain(rng, covered, lift, float(np.exp(rng.uniform(np.log(1.8), np.log(16)))), None)
    if rng.random() < (0.5 if heavy else 0.06):
        drop_fibre(rng, covered, lift)
    if heavy:
        near = np.argwhere(face[::8, ::8]) * 8
        target = rng.uniform(0.05, 0.13)
        for _ in range(70):
            if covered[face].mean() >= target:
                break
            drop_grain(rng, covered, lift, float(rng.uniform(6, 45)), near)
    return covered, lift
