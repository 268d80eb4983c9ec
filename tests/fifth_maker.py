"""A fifth maker of cut-face pictures, for judging only: nothing may be fitted on it.

Zones are drawn by cells of a pulse lattice, tools with a stroke, and marching cracks; the picture
by ray-marched shadow, hollows, edges and detectors of five kinds of laboratory.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from fifth_around import GROUNDS, band_widths, ground, lens_surface, particles
from fifth_beam import STYLES, charge, detect, focus, light
from fifth_grain import Relief, grid_noise, octaves, soft, uniform_log
from fifth_laser import LASER
from fifth_scissor import SCISSOR
from fifth_shape import draw_shape, draw_zones, figures, pick_family
from fifth_torn import TORN

LOOKS = {1: LASER, 2: SCISSOR, 3: TORN}
SIZES = ((960, 1280), (884, 1280), (1024, 1280), (1024, 1024), (1100, 1440), (900, 1600))
FAULTS = ("blur", "low_dose", "charging", "clipping", "thickness_cut")


@dataclass(frozen=True)
class DrawnFace:
    """A picture with its truth."""

    image: np.ndarray
    labels: np.ndarray
    pixel_size_um: float
    anterior: str
    depth_fraction: float
    thickness_um: float
    family: str
    good: bool
    looks: tuple[str, ...]
    chord_deg: float  # lean of the chords from the picture's rows or columns, level picture
    style: str
    fault: str


def _zone_relief(rng, shape, code, room):
    """Draw a look on a flat sheet and lay it along the face's bow."""
    name = str(rng.choice(list(LOOKS[code])))
    made = LOOKS[code][name](rng, shape.size, room)
    follow = shape.flat if rng.random() < 0.6 else shape.v
    x = (shape.u + shape.size[1] / 2).astype(np.float32)
    y = (follow + shape.size[0] / 2).astype(np.float32)
    tone = np.broadcast_to(np.asarray(made.tone, np.float32), shape.size)
    z, tone = (
        cv2.remap(np.ascontiguousarray(each, np.float32), x, y, cv2.INTER_CUBIC,
                  borderMode=cv2.BORDER_REFLECT_101)
        for each in (made.height, tone)
    )  # fmt: skip
    z = z - z.mean()
    if code == 1:  # the pulses' strength drifts
        z *= 1 + rng.uniform(0, 0.3) * np.clip(grid_noise(rng, shape.size, 160), -1.5, 1.5)
    z += uniform_log(rng, 0.05, 0.5) * octaves(rng, shape.size, uniform_log(rng, 2.5, 8), 2)
    return name, z, tone


def _face_relief(rng, shape, labels):
    """Return relief and tone of the face: every zone's look, joined at the borders."""
    z, tone = np.zeros(shape.size, np.float32), np.zeros(shape.size, np.float32)
    total = np.full(shape.size, 1e-6, np.float32)
    fade = rng.choice([0.7, 1.5, rng.uniform(3, 12)], p=[0.45, 0.3, 0.25])
    looks = []
    for code in (1, 2, 3):
        zone = labels == code
        if not zone.any():
            continue
        inner = cv2.distanceTransform(zone.astype(np.uint8), cv2.DIST_L2, 3)
        room = 2.0 * float(np.quantile(inner[zone], 0.9))
        name, height, own = _zone_relief(rng, shape, code, room)
        looks.append(name)
        level, grey = rng.normal(0, 5), rng.normal(0, 0.09)
        outer = cv2.distanceTransform((~zone).astype(np.uint8), cv2.DIST_L2, 3)
        weight = 1 / (1 + np.exp(np.clip((outer - inner) / (0.45 * fade), -30, 30)))
        z += weight * (height + level)
        tone += weight * (own + grey)
        total += weight
    return z / total, tone / total, tuple(looks)


def _scene(rng, shape, labels):
    """Return relief and tone of all the picture, and the names of the zones' looks."""
    z, tone, looks = _face_relief(rng, shape, labels)
    z += rng.uniform(0, 0.03) * shape.thick * grid_noise(rng, shape.size, 0.8 * shape.thick)
    base = ground(rng, shape.size, str(rng.choice(GROUNDS)))
    drop = rng.uniform(18, 110)
    specks, _ = particles(rng, shape.size, int(rng.integers(0, 40)), 16)
    out_z = base.height - drop + specks
    out_tone = base.tone + 0.15 * (specks > 0)
    if rng.random() < 0.5:
        away = cv2.distanceTransform((~shape.face).astype(np.uint8), cv2.DIST_L2, 3)
        out_tone = out_tone - rng.uniform(0.1, 0.4) * np.exp(-away / rng.uniform(10, 60))
    above, below = shape.along(shape.top) - shape.flat, shape.flat - shape.along(shape.bottom)
    calm = [cv2.GaussianBlur(e[None, :], (0, 0), 45)[0] for e in (shape.top, shape.bottom)]
    slopes = shape.along(calm[0]) - shape.flat, shape.flat - shape.along(calm[1])
    inside = np.ones(shape.size, bool)
    for end, sign in zip(shape.ends, (-1, 1), strict=True):
        if end is not None:
            inside &= (end - shape.u) * sign > 0
    widths = band_widths(rng, shape.thick)
    for away, even, width in zip((above, below), slopes, widths, strict=True):
        if not width:
            continue
        band = lens_surface(rng, shape.size, even.astype(np.float32))
        rim = width * (1 + 0.06 * grid_noise(rng, shape.size, 200))
        here = (away > 0) & (away < rim) & inside
        out_z = np.where(here, band.height, out_z)
        out_tone = np.where(here, band.tone, out_tone)
    return Relief(
        soft(np.where(shape.face, z, out_z).astype(np.float32), 0.6),
        soft(np.where(shape.face, tone, out_tone).astype(np.float32), 0.6),
    ), looks


def _debris(rng, shape, scene, labels):
    """Strew particles and, at times, a film on the face; what they hide is obscured."""
    hidden = np.zeros(shape.size, bool)
    if rng.random() < 0.45:
        z, mask = particles(rng, shape.size, int(rng.integers(1, 12)), 18)
        scene.height = np.where(mask, scene.height + z, scene.height).astype(np.float32)
        scene.tone = np.where(mask, rng.uniform(-0.1, 0.3), scene.tone).astype(np.float32)
        hidden |= mask
    if rng.random() < 0.12:
        spot = shape.u[shape.face], shape.v[shape.face]
        pick = int(rng.integers(len(spot[0])))
        far = np.hypot(shape.u - spot[0][pick], shape.v - spot[1][pick])
        film = far + 0.02 * shape.thick * grid_noise(rng, shape.size, 30) < 0.09 * shape.thick
        film &= shape.face
        part = soft(film.astype(np.float32), 2)
        smooth = soft(scene.height, 9) + 3
        scene.height = scene.height * (1 - part) + smooth * part
        scene.tone = scene.tone * (1 - part) + rng.choice([-0.3, 0.35]) * part
        hidden |= film
    return np.where(hidden & (labels > 0), 4, labels).astype(np.uint8)


def _picture(rng, scene, style, fault):
    signal = light(rng, scene.height, scene.tone, style)
    if rng.random() < 0.35:  # the grain of a sputtered coat
        coat = grid_noise(rng, signal.shape, uniform_log(rng, 1.3, 3.2))
        signal = signal * (1 + rng.uniform(0.01, 0.06) * coat)
    if fault == "blur":
        signal = soft(signal, rng.uniform(4, 8))
    signal = focus(rng, signal, rng.choice([0.0, rng.uniform(0.5, 2.0)]))
    if fault == "charging":
        signal = charge(rng, signal, rng.uniform(2.5, 5))
    elif rng.random() < 0.25:
        signal = charge(rng, signal, rng.uniform(0.15, 0.6))
    dose = uniform_log(rng, 2, 6) if fault == "low_dose" else uniform_log(rng, 40, 900)
    return detect(rng, signal, dose, clip=rng.uniform(0.08, 0.16) if fault == "clipping" else 0.0)


def draw_face(rng: np.random.Generator) -> DrawnFace:
    """Draw one face and its truth."""
    family = pick_family(rng)
    fault = str(rng.choice(FAULTS)) if rng.random() < 0.15 else ""
    turns = int(rng.choice([0, 0, 1, 2, 3, 3]))
    size = SIZES[int(rng.integers(len(SIZES)))]
    shape = draw_shape(rng, size, rng.uniform(0.15, 0.35) if fault == "thickness_cut" else 0.0)
    labels, border = draw_zones(rng, shape, family)
    depth, thick_px = figures(shape, labels)
    if border == "through" and np.isfinite(depth):
        depth = 1.0  # also where the edge of a stretch leans across some chords
    scene, looks = _scene(rng, shape, labels)
    labels = _debris(rng, shape, scene, labels)
    scene = Relief(*(np.ascontiguousarray(np.rot90(e, turns)) for e in (scene.height, scene.tone)))
    style = str(rng.choice(list(STYLES)))
    pixel = uniform_log(rng, max(0.15, 150 / shape.thick), min(2.0, 900 / shape.thick))
    return DrawnFace(
        image=_picture(rng, scene, style, fault),
        labels=np.ascontiguousarray(np.rot90(labels, turns)),
        pixel_size_um=pixel,
        anterior=("top", "left", "bottom", "right")[turns],
        depth_fraction=depth,
        thickness_um=thick_px * pixel,
        family=family,
        good=not fault,
        looks=looks,
        chord_deg=float(np.rad2deg(shape.tilt)),
        style=style,
        fault=fault,
    )
