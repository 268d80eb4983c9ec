"""Sixth maker of cut-face pictures with known truth, for judging only.

Height fields of pulses, edges and fronts in the face's own frame are laid into a picture with its
surroundings and seen by a simple electron detector. Nothing may be fitted on these pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import sixth_laser
import sixth_scissor
import sixth_torn
from scipy.special import expit
from sixth_around import debris, near_face, surroundings
from sixth_beam import FAULTS, picture, settings
from sixth_field import F, noise, pick, rough, smooth, steep
from sixth_layout import SIDES, chords, figures, lay_out, zone_labels

LOOKS = {1: sixth_laser.LOOKS, 2: sixth_scissor.LOOKS, 3: sixth_torn.LOOKS}
KINDS = {1: "laser", 2: "scissor", 3: "torn"}


@dataclass(frozen=True)
class DrawnFace:
    """One picture of a face and the truth about it."""

    image: np.ndarray
    labels: np.ndarray
    pixel_size_um: float
    anterior: str
    depth_fraction: float
    thickness_um: float
    family: str
    good: bool
    looks: tuple[str, ...]
    fault: str
    chords: np.ndarray  # rows of x0, y0, x1, y1 in pixels, anterior end first


def _beyond(rng, family):
    """Return the label of the face below the laser, 0 where the laser went through."""
    if family == "scissor-ends":
        return int(rng.choice([3, 2, 0], p=[0.5, 0.3, 0.2]))
    return {"laser-torn": 3, "laser-scissor": 2, "all-scissor": 2, "all-torn": 3}.get(family, 0)


def _zone(rng, kind, mask, s, t):
    """Return height, yield and name of a look drawn over a mask."""
    rows, cols = np.nonzero(mask)
    here = np.s_[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    mask, s, t = mask[here], s[here], t[here]
    s0, t0 = float(s[mask].min()) - 6, float(t[mask].min()) - 6
    size = (int(t[mask].max() - t0) + 12, int(s[mask].max() - s0) + 12)
    room = float(np.clip(mask.sum() / (size[1] - 12), 12, size[1]))
    name = str(rng.choice(list(LOOKS[kind])))
    height, tint = LOOKS[kind][name](rng, size, room)
    if kind == 3 and rng.uniform() < 0.25:  # a tear that changed its manner on the way
        other = str(rng.choice([each for each in LOOKS[3] if each != name]))
        share = expit(5 * noise(rng, size, 260) + F(rng.normal(0, 2)))
        height, name = height + share * (LOOKS[3][other](rng, size, room)[0] - height), (
            f"{name}, {other}"
        )
    height = cv2.remap(
        height.astype(F), (s - F(s0)).astype(F), (t - F(t0)).astype(F), cv2.INTER_CUBIC, None,
        cv2.BORDER_REFLECT,
    )  # fmt: skip
    height -= F(np.median(height[mask][::11]))
    if tint is not None:
        tint = cv2.remap(
            tint.astype(F), (s - F(s0)).astype(F), (t - F(t0)).astype(F), cv2.INTER_LINEAR, None,
            cv2.BORDER_REFLECT,
        )  # fmt: skip
    wide = smooth(height, 35)  # large swings are kept within reach, the marks on them whole
    height += 30 * np.tanh(wide / 30) - wide
    return here, np.clip(height, -90, 90), tint, name


def _ledge(rng, strip, s, t):
    """Return a ridge or a fillet along the lower limit of the laser, or nothing."""
    if rng.uniform() < 0.6:
        return 0
    column = np.clip(s, 0, len(strip.border) - 1).astype(np.int32)
    off = t - strip.border.astype(F)[column]
    wide = pick(rng, 1.5, 5)
    return F(rng.choice([-1, 1]) * rng.uniform(1, 5)) * np.exp(-((off / F(wide)) ** 2))


def _face(rng, strip, pieces, s, t):
    """Return height, yield and names of the face drawn over its pieces."""
    shape = s.shape
    height, tint, looks = np.zeros(shape, F), np.ones(shape, F), []
    if rng.uniform() < 0.7:  # the face is not quite plane
        height += steep(rough(rng, shape, 300, 2), rng.uniform(0.02, 0.12))
    for kind, mask in pieces:
        here, relief, own, name = _zone(rng, kind, mask, s, t)
        inside = mask[here]
        level = F(rng.normal(0, 3))
        height[here] += np.where(inside, relief + level, 0)
        colour = F(rng.uniform(0.86, 1.16)) * (1 if own is None else own)
        tint[here] *= np.where(inside, colour, 1)
        looks.append(f"{KINDS[kind]} {name}")
    height += _ledge(rng, strip, s, t)
    height += F(rng.uniform(0, 0.12)) * noise(rng, shape, 3)  # grain of the coating
    tint *= 1 + F(rng.uniform(0, 0.05)) * noise(rng, shape, 180)
    return height, tint, tuple(looks)


def _scene(rng, off_frame):
    """Return strip, planes, labels and pieces of a layout in which every zone can be named."""
    while True:
        strip, _ = lay_out(rng, off_frame)
        beyond = _beyond(rng, strip.family)
        if strip.family == "scissor-ends" and not beyond:
            strip.border[:] = strip.posterior + 5
        s, t = strip.to_strip()
        apart = zone_labels(strip, 9, s, t)
        labels = np.where(apart == 9, beyond, apart).astype(np.uint8)
        pieces = [(1, apart == 1), (beyond, apart == 9)]
        for side, _ in strip.stretches:
            middle = len(strip.anterior) / 2 + strip.shape[1] / 2 - strip.centre[0]
            pieces.append((2, (apart == 2) & ((s < middle) == (side == "left"))))
        pieces = [(kind, mask) for kind, mask in pieces if kind and mask.any()]
        face = (labels > 0).sum()
        enough = all(mask.sum() > 0.03 * face for _, mask in pieces)
        share = face / labels.size
        lines, number = chords(strip, labels)
        whole = not len(number) if off_frame else len(number) * 2 > 0.5 * (face**0.5)
        fills = (0.1 if off_frame else 0.15) < share < 0.6
        if enough and whole and fills and len(pieces) >= 1 + len(strip.stretches):
            return strip, (s, t), labels, pieces, lines, figures(strip, beyond, number)


def _turned_lines(lines, shape, turns):
    """Return chords after quarter turns of the picture."""
    rows, cols = shape
    for _ in range(turns):
        x0, y0, x1, y1 = lines.T
        lines = np.stack([y0, cols - 1 - x0, y1, cols - 1 - x1], 1)
        rows, cols = cols, rows
    return lines


def draw_face(rng):
    """Return one face of a family in trade proportion, about one in seven made badly."""
    fault = str(rng.choice(FAULTS)) if rng.uniform() < 0.15 else ""
    strip, planes, labels, pieces, lines, (depth, thickness) = _scene(rng, fault == "off frame")
    inside = labels > 0
    height, tint, looks = _face(rng, strip, pieces, *planes)
    around, around_tint, solid, kind = surroundings(rng, strip, *planes)
    dark = 1 - F(rng.uniform(0.2, 0.7)) * near_face(inside | solid, pick(rng, 15, 70))
    around_tint = np.where(solid, around_tint, around_tint * dark)
    hidden = debris(rng, labels, height, tint)
    height = np.where(inside, height, around)
    tint = np.where(inside, tint, around_tint)
    labels = np.where(hidden, np.uint8(4), labels)
    height, tint, labels = (
        np.ascontiguousarray(np.rot90(each, strip.turns)) for each in (height, tint, labels)
    )
    beam = settings(rng, fault)
    image = picture(rng, height.astype(F), tint.astype(F), beam, labels > 0, fault)
    thick_um = rng.uniform(150, 900)
    span = float(np.median(strip.posterior - strip.anterior))
    pixel = float(np.clip(thick_um / span, 0.2, 2.5))
    return DrawnFace(
        image, labels, pixel, SIDES[strip.turns], depth, thickness * pixel, strip.family,
        not fault, (*looks, f"ground {kind}"), fault,
        _turned_lines(lines, strip.shape, strip.turns),
    )  # fmt: skip
