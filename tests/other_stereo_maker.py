"""Stereo pairs of surfaces by another maker: nothing here is shared with `edgeqc.phantoms`.

A surface of two zones stands on a fine grid whose rows run along the tilt axis. A tilt moves every
point of a row to x = X cos a - Z sin a; of points that fall together the front one is seen. The
picture, with its axis at any angle, is taken from that view through a beam of finite width, with
counts of electrons of its own.

Brightness is of three makes: "fixed" (a grain and a shading that the tilt does not change),
"turning" (yield and a detector at a side, by the tilted normal, hardly any grain), "between".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

SIDE_PX, MARGIN_PX, FINE = 320, 100, 2
KINDS = ("pits", "striations", "ridges", "fractal")
MAKES = ("fixed", "turning", "between")
STEEPEST = 0.8
"""Largest root mean square slope of a zone."""


@dataclass(frozen=True)
class OtherPair:
    """Two pictures of one surface, and the truth on the grid of an untilted picture.

    ``relief_px`` is the root mean square height of either zone, in pixels.
    """

    left: np.ndarray
    right: np.ndarray
    height_um: np.ndarray
    labels: np.ndarray
    pixel_um: float
    tilt_deg: tuple[float, float]
    axis_deg: float
    kinds: tuple[str, str]
    make: str
    dose: float
    relief_px: tuple[float, float]


def _noise(rng: np.random.Generator, side: int, law: np.ndarray) -> np.ndarray:
    """Return noise of mean 0 and variance 1 with a given amplitude of every frequency."""
    plane = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * law, (side, side))
    plane -= plane.mean()
    return plane / plane.std()


def _radius(side: int) -> np.ndarray:
    """Return frequency in cycles per pixel of the picture."""
    return np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :]) * FINE


def _soft(rng: np.random.Generator, side: int, length_px: float) -> np.ndarray:
    return _noise(rng, side, np.exp(-((math.pi * length_px * _radius(side)) ** 2)))


def pits(rng: np.random.Generator, side: int) -> np.ndarray:
    """Return round pits on a lattice, each a little off its place and of its own depth."""
    pitch = np.array([rng.uniform(14, 30), rng.uniform(14, 30)]) * FINE
    angle, width = rng.uniform(0, math.pi), rng.uniform(0.22, 0.34) * pitch.min()
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    plane = np.zeros((side, side))
    reach, count = int(4 * width), int(1.5 * side / pitch.min())
    for i in range(-count, count + 1):
        for j in range(-count, count + 1):
            place = turn @ (np.array([i, j]) * pitch) + side / 2 + rng.normal(0, 0.06 * pitch)
            depth = rng.uniform(0.7, 1.3)
            start = np.floor(place).astype(int) - reach
            if (start + 2 * reach < 0).any() or (start >= side).any():
                continue
            row, col = (np.arange(max(0, s), min(side, s + 2 * reach)) for s in start)
            if row.size and col.size:
                far = (row[:, None] - place[0]) ** 2 + (col[None, :] - place[1]) ** 2
                plane[np.ix_(row, col)] -= depth * np.exp(-far / (2 * width**2))
    return plane / plane.std() + 0.15 * _soft(rng, side, 5.0)


def striations(rng: np.random.Generator, side: int) -> np.ndarray:
    """Return grooves along one direction that begin and end, like a blade's."""
    angle, long, short = rng.uniform(0, math.pi), rng.uniform(60, 200), rng.uniform(5, 14)
    down, right = np.fft.fftfreq(side)[:, None] * FINE, np.fft.rfftfreq(side)[None, :] * FINE
    one = math.cos(angle) * down + math.sin(angle) * right
    two = -math.sin(angle) * down + math.cos(angle) * right
    law = np.exp(-((math.pi * long * one) ** 2)) * np.exp(-((math.pi * short * two) ** 2))
    return _noise(rng, side, law) + 0.15 * _soft(rng, side, 6.0)


def ridges(rng: np.random.Generator, side: int) -> np.ndarray:
    """Return sharp crests between round hollows, on three scales."""
    length = rng.uniform(14, 30)
    plane = sum(0.45**k * -np.abs(_soft(rng, side, length / 2**k)) for k in range(3))
    return np.asarray(plane)


def fractal(rng: np.random.Generator, side: int) -> np.ndarray:
    """Return a self-affine surface between a longest wave and the beam."""
    hurst, longest = rng.uniform(0.5, 0.95), rng.uniform(30, 90)
    law = (1 + (longest * _radius(side)) ** 2) ** (-(hurst + 1) / 2)
    return _noise(rng, side, law * np.exp(-((1.2 * math.pi * _radius(side)) ** 2)))


SHAPES = {"pits": pits, "striations": striations, "ridges": ridges, "fractal": fractal}


def surface(
    rng: np.random.Generator, side: int, kinds: tuple[str, str], relief_px: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """Return height in pixels of the picture, the number of the zone (1, 2), the reliefs taken."""
    border = side / 2 + 12 * FINE * _soft(rng, side, 60.0)
    across = rng.random() < 0.5
    place = np.arange(side)
    place = place[None, :] if across else place[:, None]
    second = 1 / (1 + np.exp(-np.clip((place - border) / (2.0 * FINE), -50, 50)))
    planes, taken = [], []
    for kind, relief in zip(kinds, relief_px, strict=True):
        plane = SHAPES[kind](rng, side)
        plane = (plane - plane.mean()) / plane.std()
        steep = math.sqrt(sum(float(np.mean(g**2)) for g in np.gradient(plane))) * FINE
        taken.append(min(relief, STEEPEST / steep))
        planes.append(plane * taken[-1])
    height = planes[0] * (1 - second) + planes[1] * second
    row, col = np.mgrid[-1 : 1 : side * 1j, -1 : 1 : side * 1j] * (side / FINE / 2)
    lean, bow = rng.normal(0, 0.02, 2), rng.normal(0, 1e-4)
    height = height + lean[0] * row + lean[1] * col + bow * (row**2 + 0.5 * col**2)
    return height, np.where(second > 0.5, 2, 1), (taken[0], taken[1])


@dataclass(frozen=True)
class Light:
    """How bright a slope is: grain, and weights of a fixed and of a turning shading."""

    grain: np.ndarray
    fixed: float
    turning: float
    exponent: float
    side: float
    angle: float

    def of(self, height: np.ndarray, tilt: float) -> np.ndarray:
        """Return the brightness of every point of the surface at a tilt, about 1."""
        along, across = (g * FINE for g in np.gradient(height))
        dim = self.fixed * (math.cos(self.angle) * along + math.sin(self.angle) * across)
        dim = dim / np.sqrt(1 + along**2 + across**2)
        # the normal (-p, -q, 1) turned about the axis by the tilt
        length = np.sqrt(1 + along**2 + across**2)
        up = np.clip((math.cos(tilt) - across * math.sin(tilt)) / length, 0.15, 1)
        right = (-across * math.cos(tilt) - math.sin(tilt)) / length
        down = -along / length
        turning = up**-self.exponent - 1
        turning = turning + self.side * (math.cos(self.angle) * down + math.sin(self.angle) * right)
        return np.maximum((1 + self.grain) * (1 + dim + self.turning * turning), 0.02)


def light_of(rng: np.random.Generator, side: int, make: str) -> Light:
    """Return a light of a make."""
    weight = {"fixed": 0.0, "turning": 1.0, "between": rng.uniform(0.2, 0.8)}[make]
    amount = rng.uniform(0.01, 0.04) if make == "turning" else rng.uniform(0.05, 0.2)
    grain = amount * np.clip(_soft(rng, side, rng.uniform(1.5, 4.0)), -3, 3)
    return Light(grain, (1 - weight) * rng.uniform(0.2, 0.6), weight * rng.uniform(0.5, 1.0),
                 rng.uniform(0.8, 1.2), rng.uniform(0.0, 0.6), rng.uniform(0, 2 * math.pi))


def seen(height: np.ndarray, bright: np.ndarray, tilt: float) -> np.ndarray:
    """Return the brightness in the view at a tilt, on the grid of the surface (fine pixels)."""
    side = height.shape[1]
    ground = np.arange(side) - (side - 1) / 2
    place = ground * math.cos(tilt) - FINE * height * math.sin(tilt)
    made = np.empty_like(bright)
    for i, (row, value) in enumerate(zip(place, bright, strict=True)):
        if tilt > 0:  # of several points on a ray the one with the largest X stands in front
            front = row <= np.minimum.accumulate(row[::-1])[::-1]
        else:
            front = row >= np.maximum.accumulate(row)
        made[i] = np.interp(ground, row[front], value[front])
    return made


def taken_at(plane: np.ndarray, axis_deg: float, how: int) -> np.ndarray:
    """Return a plane of the fine grid on the grid of the picture, turned to the axis."""
    row, col = np.mgrid[0:SIDE_PX, 0:SIDE_PX].astype(np.float32) - (SIDE_PX - 1) / 2
    axis, middle = math.radians(axis_deg), (plane.shape[0] - 1) / 2
    # the axis leans towards growing columns as rows grow
    along = row * math.cos(axis) + col * math.sin(axis)
    across = -row * math.sin(axis) + col * math.cos(axis)
    place = [np.asarray(FINE * each + middle, np.float32) for each in (across, along)]
    return np.asarray(cv2.remap(plane.astype(np.float32), *place, how))


def draw_other_pair(rng: np.random.Generator) -> OtherPair:
    """Return a pair of random kinds, make, axis, tilts, dose, pixel size and relief."""
    side = FINE * (SIDE_PX + 2 * MARGIN_PX)
    total = rng.uniform(5, 16)
    tilts = [(-total / 2, total / 2), (0.0, total), (-total / 3, 2 * total / 3)][rng.integers(3)]
    axis = float(rng.choice([0.0, 0.0, -90.0, rng.uniform(-80, 80)]))
    kinds = tuple(str(k) for k in rng.choice(KINDS, 2))
    make = str(rng.choice(MAKES))
    # parallax from trough to crest, 0.5 to 20 px: some five times its root mean square
    unit = 5 * math.sin(math.radians(total))
    wanted = tuple(float(np.exp(rng.uniform(math.log(0.5), math.log(20)))) / unit for _ in (1, 2))
    height, labels, taken = surface(rng, side, (kinds[0], kinds[1]), (wanted[0], wanted[1]))
    light = light_of(rng, side, make)
    dose, beam = float(np.exp(rng.uniform(math.log(400), math.log(16000)))), rng.uniform(0.4, 0.8)
    views = []
    for tilt in np.deg2rad(tilts):
        view = seen(height, light.of(height, tilt), tilt)
        view = taken_at(cv2.GaussianBlur(view, (0, 0), FINE * beam), axis, cv2.INTER_CUBIC)
        views.append(rng.poisson(dose * np.maximum(view, 0.01)) / dose)
    pixel = float(rng.uniform(0.1, 0.5))
    return OtherPair(
        views[0], views[1], taken_at(height, axis, cv2.INTER_LINEAR) * pixel,
        taken_at(labels, axis, cv2.INTER_NEAREST).astype(int), pixel, tilts, axis,
        (kinds[0], kinds[1]), make, dose, taken)
