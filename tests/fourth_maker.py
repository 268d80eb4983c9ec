"""A fourth maker of cut faces with known truth, for judging only: nothing is fitted on it.

Surfaces are made by what makes them: pulses fired on a lattice, an edge swept along its way,
cracks that run, join and overrun nuclei. They are laid on a face that is turned and bent into the
picture, with the lens surfaces, stub, tape and dust about it, and looked at with electrons. The
figures follow from the same lines as the labels.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import fourth_blade
import fourth_laser
import fourth_torn
import numpy as np
from fourth_beam import photograph
from fourth_field import field, fractal, steep, wander
from fourth_layout import LASER, OBSCURED, SCISSOR, TORN, lay_out
from fourth_scene import film, grain_of_dust, ground, lens_surface

LOOKS = {LASER: fourth_laser.LOOKS, SCISSOR: fourth_blade.LOOKS, TORN: fourth_torn.LOOKS}
FLAWS = ("blur", "dose", "charging", "clipping", "outside")
SIDES = ("top", "left", "bottom", "right")  # by quarter turns against the clock


@dataclass(frozen=True)
class DrawnFace:
    """A picture of one cut face and all that is true of it."""

    image: np.ndarray  # uint8
    labels: np.ndarray  # uint8: 0 outside, 1 laser, 2 scissor, 3 torn, 4 obscured
    pixel_size_um: float
    anterior: str  # side of the picture on which the anterior edge lies
    depth_fraction: float  # mean over the whole chords that have laser
    thickness_um: float  # mean over the whole chords
    family: str
    good: bool  # False where the picture was taken badly on purpose
    looks: tuple[str, ...]


def draw_face(rng: np.random.Generator) -> DrawnFace:
    """Draw a random face; the same generator state gives the same picture."""
    turns = int(rng.integers(4))
    rows, cols = _size(rng, upright=turns % 2 == 1)
    flaw = str(rng.choice(FLAWS)) if rng.random() < 0.15 else None
    layout = lay_out(rng, rows, cols, outside=flaw == "outside")
    depth, thickness = layout.figures()
    nominal = float(np.median(layout.posterior - layout.anterior))
    pixel = np.exp(rng.uniform(np.log(max(0.25, 150 / nominal)), np.log(min(2, 900 / nominal))))

    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    s, t = (part.astype(np.float32) for part in layout.frame.flat(y, x))
    share = layout.share(s, t).astype(np.float32)
    labels = layout.zones(s, share)
    height, tone, looks = _face(rng, layout, s, t, labels)
    height, tone = _about(rng, layout, (s, t, share), labels > 0, height, tone)
    labels = _hide(rng, labels, height, tone)

    height, tone, labels = (np.ascontiguousarray(np.rot90(part, turns))
                            for part in (height, tone, labels))  # fmt: skip
    image = photograph(rng, height, tone, labels > 0, flaw)
    return DrawnFace(
        image, labels, float(pixel), SIDES[turns], depth, thickness * float(pixel),
        layout.family, flaw is None, looks,
    )  # fmt: skip


def _size(rng, upright):
    """Return rows and columns of the level picture: 1.0 to 1.6 million pixels, never upright."""
    area = rng.uniform(1.02e6, 1.55e6)
    ratio = rng.choice([1.0, 1.25, 4 / 3, 1.45, 1.6])
    short, long = int(np.sqrt(area / ratio)), int(np.sqrt(area * ratio))
    return (long, short) if upright else (short, long)


def _grain(rng, extent, pulsed):
    """Return a size of features between 4.5 and 60 px that a zone of this extent can show."""
    most = float(np.clip(extent / (4.5 if pulsed else 3.5), 6, 60))
    return float(np.exp(rng.uniform(np.log(4.5), np.log(most))))


def _face(rng, layout, s, t, labels):
    """Return height and tone of the face in the picture, and the names of its looks."""
    on = labels > 0
    low_s, low_t = int(np.floor(s[on].min())) - 3, int(np.floor(t[on].min())) - 3
    shape = (int(t[on].max()) - low_t + 5, int(s[on].max()) - low_s + 5)
    flat_s, flat_t = np.meshgrid(np.arange(shape[1]) + low_s, np.arange(shape[0]) + low_t)
    codes = layout.zones(flat_s, np.clip(layout.share(flat_s, flat_t), 0, 1))
    height, tone = np.zeros(shape, np.float32), np.ones(shape, np.float32)
    names = []
    for code in LOOKS:
        here = codes == code
        if not here.any() or not (labels == code).any():
            continue
        filled = np.nonzero(here.any(axis=1))[0]
        rows = slice(filled[0], filled[-1] + 1)
        extent = np.median(here.sum(axis=0)[here.any(axis=0)])
        name = str(rng.choice(list(LOOKS[code])))
        look = LOOKS[code][name]
        grain = _grain(rng, extent, code == LASER)
        made, bright = look(rng, (rows.stop - rows.start, shape[1]), grain)
        if code == LASER:
            made, bright = _uneven(rng, made, bright, grain)
        made = steep(made - np.median(made), rng.uniform(0.35, 0.8), even=code != LASER)
        made = 40 * np.tanh(made / 40) + rng.uniform(-4, 4)
        made += steep(fractal(rng, made.shape, rng.uniform(3, 9)), rng.uniform(0.02, 0.13))
        soft = cv2.GaussianBlur(here.astype(np.float32), (0, 0), 0.7)[rows]
        height[rows] += soft * made
        tone[rows] += soft * (bright * np.exp(rng.normal(0, 0.1)) - 1)
        height += _lip(rng, here)
        names.append(name)
    height += rng.uniform(1, 7) * fractal(rng, shape, 350, 3)
    maps = (s - low_s, t - low_t)
    return (cv2.remap(height, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE),
            cv2.remap(tone, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            tuple(names))  # fmt: skip


def _uneven(rng, height, tone, grain):
    """Return a look with outlines as uneven as melt leaves them."""
    y, x = np.mgrid[: height.shape[0], : height.shape[1]].astype(np.float32)
    scale, push = grain * rng.uniform(0.4, 1.0) + 1.5, grain * rng.uniform(0.01, 0.07)
    maps = (x + push * field(rng, height.shape, scale), y + push * field(rng, height.shape, scale))
    return (cv2.remap(part.astype(np.float32), *maps, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REFLECT_101) for part in (height, tone))  # fmt: skip


def _lip(rng, here):
    """Return a low bank or a shallow ditch just inside a zone's border, as often as not none."""
    within = cv2.distanceTransform(here.astype(np.uint8), cv2.DIST_L2, 3)
    size = rng.choice([0.0, rng.uniform(-3, 4)])
    return size * np.exp(-within / rng.uniform(1.5, 6)) * here


def _about(rng, layout, flat, face, height, tone):
    """Return height and tone with the lens surfaces and the ground about the face."""
    s, t, share = flat
    base, base_tone = ground(rng, face.shape)
    base -= rng.uniform(25, 140)
    count, thickness = len(layout.anterior), float(np.median(layout.posterior - layout.anterior))
    seen = rng.choice(4, p=[0.4, 0.25, 0.2, 0.15])  # the anterior surface, posterior, both, none
    within = layout.within(s, share)
    place = s - np.float32(layout.start)
    for edge, sign, shown in ((layout.anterior, -1, (0, 2)), (layout.posterior, 1, (1, 2))):
        if seen not in shown:
            continue
        middle = rng.uniform(0.2, 0.8) * count
        bow = 1 - rng.uniform(0, 1.2) * ((np.arange(count) - middle) / count) ** 2
        width = thickness * rng.uniform(0.06, 0.4) * np.maximum(bow, 0.1)
        width *= 1 + 0.12 * wander(rng, count, count / rng.uniform(3, 10))
        far = sign * (t - np.interp(place, np.arange(count), edge).astype(np.float32))
        made, bright, where = lens_surface(
            rng, far, s, np.interp(place, np.arange(count), np.maximum(width, 4))
        )
        where &= within & ~face
        base[where], base_tone[where] = made[where], bright[where]
    within_px = cv2.distanceTransform(face.astype(np.uint8), cv2.DIST_L2, 5)
    height = height - rng.uniform(2, 7) * np.exp(-within_px / rng.uniform(1.5, 5))
    return np.where(face, height, base), np.where(face, tone, base_tone)


def _hide(rng, labels, height, tone):
    """Lay dust and now and then a film on the face, in place; return labels with code 4 there."""
    labels = labels.copy()
    face = labels > 0
    if rng.random() < 0.15:
        labels[film(rng, height, tone, face, rng.uniform(70, 200))] = OBSCURED
    rows, cols = np.nonzero(face)
    for _ in range(int(rng.integers(0, 7)) if rng.random() < 0.45 else 0):
        k = int(rng.integers(len(rows)))
        window, mask = grain_of_dust(rng, height, tone, (rows[k], cols[k]),
                                     float(np.exp(rng.uniform(np.log(5), np.log(26)))))
        part = labels[window]
        part[mask & face[window]] = OBSCURED
    return labels
