"""The outline of a fragment's cut face: a bent, tapering band with or without its ends.

Everything is laid out with the anterior edge above; the picture is turned afterwards.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from seventh_noise import curve, rough_curve

SHAPES = ("straight", "curved", "tapered", "stepped", "rounded", "haptic")
ENDS = ("none", "left", "right", "both")


@dataclass(frozen=True)
class Band:
    """A face along its axis: s at whole px; offsets square to it, anterior negative."""

    s: np.ndarray
    axis_x: np.ndarray
    axis_y: np.ndarray
    turn: np.ndarray  # direction of the axis, radians
    upper: np.ndarray  # offset of the anterior edge
    lower: np.ndarray  # offset of the posterior edge
    ends: tuple[float, float]  # s of the two ends
    slants: tuple[float, float]  # px of s per px of offset
    corner: float  # radius of the corners at the ends
    ragged: tuple[np.ndarray, np.ndarray]  # px by which each end wanders, by whole px of offset

    @property
    def thickness(self):
        return self.lower - self.upper


@dataclass(frozen=True)
class Places:
    """Where each pixel lies: along the axis, across it, and in the face or not."""

    s: np.ndarray
    n: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    past_end: np.ndarray  # signed px beyond the nearer end, negative within
    past_corner: np.ndarray  # the same, the corners rounded off
    face: np.ndarray


def lay_axis(rng, width, height, tilt, bow):
    count = int(1.9 * np.hypot(width, height))
    s = np.arange(count, dtype=float)
    from_mid = s - count / 2
    turn = tilt + bow * from_mid / width + 0.012 * curve(rng, count, 180)
    x, y = np.cumsum(np.cos(turn)), np.cumsum(np.sin(turn))
    mid = count // 2
    return (s, x - x[mid] + width * rng.uniform(0.47, 0.53),
            y - y[mid] + height * rng.uniform(0.44, 0.56), turn)


def taper(rng, shape, place):
    """Thickness relative to the middle, by place along the picture (-0.5 to 0.5 within it)."""
    if shape == "tapered":
        return 1 + rng.choice([-1, 1]) * rng.uniform(0.3, 0.75) * np.clip(place, -0.7, 0.7)
    if shape == "haptic":
        side, swell = rng.choice([-1, 1]), rng.uniform(0.3, 0.8)
        return 0.8 + swell / (1 + np.exp(-side * (place - side * 0.2) * rng.uniform(8, 18)))
    return 1 + rng.uniform(-0.15, 0.15) * np.clip(place, -0.7, 0.7)


def step_edges(rng, place, upper, lower):
    """One or two ledges, as where an optic's rim is stepped."""
    for _ in range(rng.integers(1, 3)):
        at, sharp = rng.uniform(-0.3, 0.3), rng.uniform(25, 110)
        ledge = rng.uniform(0.06, 0.16) / (1 + np.exp(-np.clip((place - at) * sharp, -40, 40)))
        if rng.random() < 0.5:
            upper = upper * (1 - 2 * ledge)
        else:
            lower = lower * (1 - 2 * ledge)
    return upper, lower


def draw_band(rng, width, height, shape, ends, cropped):
    """A band of the named shape, its ends in or out of the picture."""
    bent = shape in ("curved", "haptic")
    tilt = np.deg2rad(rng.uniform(-13, 13) if bent else np.clip(rng.normal(0, 7), -18, 18))
    bow = rng.choice([-1, 1]) * (rng.uniform(0.18, 0.5) if bent else rng.uniform(0, 0.1))
    s, x, y, turn = lay_axis(rng, width, height, tilt, bow)
    place = (s - s.size / 2) / width
    thick = height * (rng.uniform(0.2, 0.34) if shape == "haptic" else rng.uniform(0.25, 0.64))
    half = thick / 2 * taper(rng, shape, place)
    upper, lower = -half, half.copy()
    if shape == "stepped":
        upper, lower = step_edges(rng, place, upper, lower)
    for edge in (upper, lower):
        edge += rng.uniform(0.002, 0.008) * thick * curve(rng, s.size, rng.uniform(60, 160))
        edge += np.exp(rng.uniform(-2, 0.9)) * rough_curve(rng, s.size, rng.uniform(8, 30), 3)
    if cropped:  # pushed so far that part of one long edge leaves the picture
        reach = rng.uniform(0.42, 0.5) * height - half.mean()
        y = y + rng.choice([-1, 1]) * (reach + rng.uniform(0.0, 0.06) * height)
    mid = s.size / 2
    far = 0.94 * s.size / 2
    first = mid - (rng.uniform(0.3, 0.45) * width if ends in ("left", "both") else far)
    last = mid + (rng.uniform(0.3, 0.45) * width if ends in ("right", "both") else far)
    slants = tuple(np.tan(np.deg2rad(rng.normal(0, 9, 2).clip(-22, 22))))
    corner = thick * (rng.uniform(0.2, 0.48) if shape == "rounded" else rng.uniform(0.01, 0.1))
    reach = int(2 * thick) + 8
    ragged = tuple(rng.uniform(0.7, 4) * rough_curve(rng, 2 * reach, 35, 4) for _ in range(2))
    return Band(s, x, y, turn, upper, lower, (first, last), slants, corner, ragged)


def spread(band, width, height, by=4):
    """Axis coordinates (s, n) of every pixel, by projecting it squarely onto the axis."""
    pad = 2
    cols = (np.arange(-pad, -(-width // by) + pad) * by + (by - 1) / 2)[None]
    rows = (np.arange(-pad, -(-height // by) + pad) * by + (by - 1) / 2)[:, None]
    cols, rows = np.broadcast_arrays(cols, rows)
    s = band.s.size / 2 + (cols - width / 2)
    for _ in range(10):
        cx, cy, turn = (np.interp(s, band.s, line)
                        for line in (band.axis_x, band.axis_y, band.turn))
        s = s + (cols - cx) * np.cos(turn) + (rows - cy) * np.sin(turn)
    cx, cy, turn = (np.interp(s, band.s, line) for line in (band.axis_x, band.axis_y, band.turn))
    n = (rows - cy) * np.cos(turn) - (cols - cx) * np.sin(turn)
    fine = []
    for field in (s, n):
        large = cv2.resize(field.astype(np.float32), None, fx=by, fy=by,
                           interpolation=cv2.INTER_LINEAR)
        fine.append(large[pad * by:pad * by + height, pad * by:pad * by + width])
    return fine


def place_pixels(band, width, height):
    """The face's pixels and their places."""
    s, n = spread(band, width, height)
    at = np.clip(np.rint(s).astype(np.int32), 0, band.s.size - 1)
    upper = band.upper.astype(np.float32)[at]
    lower = band.lower.astype(np.float32)[at]
    reach = band.ragged[0].size // 2
    deep = np.clip(np.rint(n).astype(np.int32) + reach, 0, 2 * reach - 1)
    near_edge = np.minimum(n - upper, lower - n)
    bite = np.clip(band.corner - near_edge, 0, band.corner)
    rounding = band.corner - np.sqrt(np.maximum(band.corner ** 2 - bite ** 2, 0))
    before = band.ends[0] + band.slants[0] * n + band.ragged[0].astype(np.float32)[deep] - s
    after = s - band.ends[1] - band.slants[1] * n - band.ragged[1].astype(np.float32)[deep]
    past_end = np.maximum(before, after).astype(np.float32)
    past_corner = past_end + rounding
    face = (near_edge >= 0) & (past_corner <= 0)
    return Places(s, n, upper, lower, past_end, past_corner, face)
