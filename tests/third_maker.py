"""Pictures of cut faces drawn from height fields: a third maker, for judging models only.

Nothing is fitted on these. Each zone is a height field that its cause would leave
(``third_textures.py``); the picture is the secondary-electron signal of the joined surface, with
beam blur, counting noise and charging. It shares no code with the package or the other maker.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from third_relief import Sheet, line_waves, log_uniform, soft, waves
from third_textures import LASER_KINDS, SCISSOR_KINDS, TORN_KINDS

OUTSIDE, LASER, SCISSOR, TORN, OBSCURED = range(5)
KINDS = {LASER: LASER_KINDS, SCISSOR: SCISSOR_KINDS, TORN: TORN_KINDS}
FAMILIES = (
    "laser over torn", "laser over scissor", "scissor stretch", "through cut",
    "whole scissor", "whole torn",
)  # fmt: skip
FAMILY_SHARES = (0.34, 0.33, 0.18, 0.10, 0.025, 0.025)
QUARTER_TURNS = {"top": 0, "left": 1, "bottom": 2, "right": 3}  # anticlockwise, from upright
BAD_SHARE = 0.15
MOST_PIXELS = 1.55e6


@dataclass(frozen=True)
class DrawnFace:
    """A picture of one face with its truth; `looks` names the textures that were drawn."""

    image: np.ndarray
    labels: np.ndarray
    pixel_size_um: float
    anterior: str
    depth_fraction: float
    thickness_um: float
    family: str
    good: bool
    looks: tuple[str, ...]


@dataclass(frozen=True)
class Frame:
    """How the upright sheet lies in the upright picture (rows, cols): turned and perhaps moved."""

    shape: tuple[int, int]  # picture, before quarter turns
    sheet_shape: tuple[int, int]
    matrix: np.ndarray  # sheet (col, row, 1) -> picture (col, row)
    thickness_px: float
    pixel_um: float

    def laid(self, field, how=cv2.INTER_CUBIC):
        """Return a field of the sheet as the picture sees it."""
        return cv2.warpAffine(field, self.matrix, self.shape[::-1], flags=how,
                              borderMode=cv2.BORDER_REPLICATE)  # fmt: skip

    def seen(self):
        """Return where the sheet's pixels fall inside the picture, bool (rows, cols)."""
        ones = np.ones(self.shape, np.uint8)
        return cv2.warpAffine(ones, self.matrix, self.sheet_shape[::-1],
                              flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP) > 0  # fmt: skip


def plan_frame(rng, scale, fault):
    """Return the frame: thickness 250-1000 µm at 0.3-1.5 µm a pixel, turned by a few degrees."""
    while True:
        rows, cols = rng.uniform(500, 1200), rng.uniform(500, 1400)
        share = rng.uniform(0.5, 0.86)
        thick_um = rng.uniform(250, 1000)
        if 0.3 <= thick_um / (share * rows) <= 1.5 and rows * cols < MOST_PIXELS:
            break
    pixel_um = thick_um / (share * rows) / scale
    rows, cols = int(rows * scale), int(cols * scale)
    turn = float(rng.choice([0.0, rng.normal(0, 1), rng.uniform(-7, 7)], p=[0.2, 0.5, 0.3]))
    room = 1 - share * (1 + 0.03) - 0.03 - abs(np.sin(np.radians(turn))) * cols / rows
    if room < 0:
        turn, room = 0.0, 1 - share - 0.05
    move = rng.uniform(-0.5, 0.5) * room * rows
    if fault == "cropped":
        move = rng.choice([-1, 1]) * ((1 - share) / 2 + rng.uniform(0.06, 0.2) * share) * rows
    margin = abs(np.sin(np.radians(turn))) * max(rows, cols) / 2 + 4
    sheet_shape = (int(rows + 2 * (margin + abs(move))), int(cols + 2 * margin))
    matrix = cv2.getRotationMatrix2D((sheet_shape[1] / 2, sheet_shape[0] / 2), turn, 1.0)
    matrix[:, 2] += [(cols - sheet_shape[1]) / 2, (rows - sheet_shape[0]) / 2 + move]
    return Frame((rows, cols), sheet_shape, matrix, share * rows, pixel_um)


# ---- truth: outline and zones on the upright sheet -------------------------------------------


def draw_outline(rng, frame):
    """Return the anterior and posterior row at each column, and the ends' columns at each row."""
    rows, cols = frame.sheet_shape
    place = (np.arange(cols) - cols / 2) / cols
    middle = rng.uniform(-0.4, 0.4)
    loss = rng.choice([0.0, rng.uniform(0, 0.25), rng.uniform(0.2, 0.7)])
    thick = frame.thickness_px * (1 - loss * (place - middle) ** 2)  # thins from the vertex out
    if rng.random() < 0.35:
        thick = thick * (1 + rng.uniform(-0.15, 0.0) * (place + 0.5))  # wedge: a haptic's side
    share = rng.choice([0.0, 0.5, 1.0, rng.uniform(0, 1)])  # plano- to biconvex
    bow = rng.uniform(-0.03, 0.03) * frame.thickness_px * (4 * place**2 - 1)
    anterior = rows / 2 - frame.thickness_px / 2 + share * (frame.thickness_px - thick) + bow
    wobble = rng.uniform(0.2, 1.6, 2)
    anterior = anterior + wobble[0] * line_waves(rng, cols, rng.uniform(3, 30))
    posterior = anterior + thick + wobble[1] * line_waves(rng, cols, rng.uniform(3, 40))
    ends = []
    for side in (0, 1):
        at = rng.uniform(0.07, 0.16) if rng.random() < 0.25 else -1.0
        lean = rng.normal(0, 0.06) * (np.arange(rows) - rows / 2)
        rough = rng.uniform(1, 5) * line_waves(rng, rows, rng.uniform(8, 60))
        ends.append((at if side == 0 else 1 - at) * cols + (lean + rough if at > 0 else 0 * lean))
    held = np.arange(max(0, int(ends[0].mean())), min(cols, int(ends[1].mean())))
    lean = np.polyfit(held, (anterior + posterior)[held] / 2, 1)[0]  # across = off the middle line
    level = lean * (np.arange(cols) - cols / 2)
    return anterior - level, posterior - level, ends


def depth_course(rng, frame, family):
    """Return the laser's depth over the local thickness at each column."""
    cols = frame.sheet_shape[1]
    if family.startswith("whole"):
        return np.zeros(cols)
    place = np.linspace(-0.5, 0.5, cols)
    wave = frame.thickness_px * rng.uniform(0.1, 0.9)
    depth = rng.uniform(0.36, 0.93) + rng.uniform(0, 0.05) * line_waves(rng, cols, wave)
    kind = rng.choice(["wavy", "slanted", "stepped"])
    if kind == "slanted":
        depth += rng.uniform(-0.3, 0.3) * place
    if kind == "stepped":
        for _ in range(rng.integers(1, 4)):
            depth += rng.uniform(-0.1, 0.1) * (place > rng.uniform(-0.45, 0.45))
    jag = log_uniform(rng, 1, 6) / frame.pixel_um / frame.thickness_px
    depth += jag * line_waves(rng, cols, max(1.0, rng.uniform(2, 25) / frame.pixel_um))
    if family == "through cut":
        begin, length = rng.uniform(-0.6, 0.2), rng.uniform(0.4, 1.5)
        depth[(place > begin) & (place < begin + length)] = 1.0
    depth = np.clip(depth, 0.12, 1)
    return np.where(depth > 0.985, 1.0, depth)


def draw_zones(rng, frame, family):
    """Return labels (uint8, sheet), local thickness (cols) and distance to the edge (px)."""
    rows, cols = frame.sheet_shape
    anterior, posterior, ends = draw_outline(rng, frame)
    row, col = np.arange(rows)[:, None], np.arange(cols)[None, :]
    inside = (row >= anterior) & (row < posterior)
    inside &= (col >= ends[0][:, None]) & (col < ends[1][:, None])
    rest = {"laser over torn": TORN, "whole torn": TORN, "laser over scissor": SCISSOR,
            "whole scissor": SCISSOR}.get(family, rng.choice([SCISSOR, TORN]))  # fmt: skip
    depth = depth_course(rng, frame, family)
    border = np.where(depth < 1, anterior + depth * (posterior - anterior), rows)
    labels = np.where(row < border, LASER, rest).astype(np.uint8)
    if family == "scissor stretch":
        sides = rng.choice([0, 1, 2], p=[0.4, 0.4, 0.2])
        for side in [0, 1] if sides == 2 else [sides]:
            reach = rng.uniform(0.1, 0.3 if sides == 2 else 0.45) * cols + max(
                0.0, ends[0].mean() if side == 0 else cols - ends[1].mean()
            )
            border = reach + rng.normal(0, 0.015) * (np.arange(rows) - rows / 2)
            border += rng.uniform(0.5, 4) * line_waves(rng, rows, rng.uniform(10, 80))
            labels[(col if side == 0 else cols - 1 - col) < border[:, None]] = SCISSOR
    return labels * inside


def cover(rng, labels):
    """Return a mask of debris that hides some of the face (a flake, a few crystals, a film)."""
    hidden = np.zeros(labels.shape, np.uint8)
    rows, cols = np.nonzero(labels)
    for _ in range(rng.integers(1, 5)):
        k = rng.integers(rows.size)
        size = labels.shape[0] * rng.uniform(0.02, 0.09)
        turn = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(6, 14)))
        far = size * rng.uniform(0.5, 1.3, turn.size)
        shape = np.stack([cols[k] + far * np.cos(turn), rows[k] + 0.7 * far * np.sin(turn)], -1)
        cv2.fillPoly(hidden, [np.round(shape).astype(np.int32)], 1)
    return hidden > 0


def truth_figures(frame, zones, hidden):
    """Return the depth fraction and thickness over columns that the picture shows whole."""
    inside = zones > 0
    thick = inside.sum(axis=0)
    seen = frame.seen()
    whole = (thick > 0.6 * np.median(thick[thick > 0])) & ~(inside & ~seen).any(axis=0)
    if whole.sum() < 20:
        whole = thick > 0
    clear = whole & ((inside & hidden).sum(axis=0) <= 0.02 * thick)
    laser = (zones == LASER).sum(axis=0)
    used = clear & (laser > 0)
    depth = float((laser[used] / thick[used]).mean()) if used.any() else float("nan")
    return depth, float(thick[whole].mean()) * frame.pixel_um


# ---- the signal ------------------------------------------------------------------------------


def zone_relief(rng, sheet, code):
    """Return one texture with unit root mean square slope, its steepness, and its name."""
    kind = KINDS[code][rng.integers(len(KINDS[code]))]
    relief = kind(rng, sheet).astype(np.float32)
    slope = np.hypot(*(cv2.Sobel(relief, -1, *way, scale=1 / 8) for way in ((1, 0), (0, 1))))
    relief /= float(np.sqrt(np.mean(np.minimum(slope, np.quantile(slope[::7, ::7], 0.97)) ** 2)))
    relief -= soft(relief, max(sheet.s.shape) / 8)
    low, high = {LASER: (0.35, 0.9), SCISSOR: (0.25, 0.75), TORN: (0.5, 1.1)}[code]
    steep = log_uniform(rng, low, high)
    if kind.__name__ in ("laser_smooth", "laser_fine", "scissor_polished"):
        steep *= rng.uniform(0.35, 0.8)
    if rng.random() < 0.12:  # coated thickly, or worn: little left to see
        steep *= rng.uniform(0.4, 0.7)
    return relief * steep, kind.__name__


def electron_signal(rng, relief):
    """Return the secondary electrons of a relief: slope, facing the detector, and hollows."""
    ds = cv2.Sobel(relief, -1, 1, 0, scale=1 / 8)
    dt = cv2.Sobel(relief, -1, 0, 1, scale=1 / 8)
    secant = np.sqrt(1 + ds**2 + dt**2)
    angle = rng.uniform(0, 2 * np.pi)
    facing = -(np.cos(angle) * ds + np.sin(angle) * dt) / secant
    signal = rng.uniform(0.15, 0.5) * np.minimum(secant - 1, 2.5) ** rng.uniform(0.7, 1)
    signal += rng.uniform(0.1, 0.4) * facing
    for sigma in (3, 14):  # few electrons leave a hollow, many a ridge
        bump = relief - soft(relief, sigma)
        signal += rng.uniform(0.03, 0.12) * np.tanh(bump / (0.35 * sigma))
    return signal


def surroundings(rng, sheet, anterior_side, beyond):
    """Return the signal beyond the face: stub, carbon tape, or the smooth optic past an edge."""
    kind = rng.choice(["stub", "tape"])
    base = log_uniform(rng, 0.03, 0.28)
    field = base * (1 + 0.15 * waves(rng, sheet.s, sheet.t, (120, 120), 3))
    if kind == "tape":
        size = rng.uniform(8, 40)
        pores = waves(rng, sheet.s, sheet.t, (size, size), 3)
        field = field + 0.12 * base * pores - base * 0.5 * (pores > 1.3)
    optic = rng.random(2) < 0.18
    for shown, where in zip(optic, (anterior_side, ~anterior_side), strict=True):
        if shown:
            far = rng.uniform(60, 500)
            sheen = rng.uniform(0.2, 0.42) + 0.012 * waves(rng, sheet.s, sheet.t, (150, 60), 2)
            sheen = sheen * (1 - 0.25 * beyond / (beyond + far)) + 0.15 * np.exp(-beyond / 25)
            field = np.where(where & (beyond < far), sheen, field)
    return field.astype(np.float32)


def record(rng, signal, fault):
    """Return the picture: beam, drift, charging, counting and the setting of grey levels."""
    rows, cols = signal.shape
    signal = soft(signal, rng.uniform(2.8, 5) if fault == "blurred" else rng.uniform(0.45, 1.0))
    row, col = np.mgrid[-0.5 : 0.5 : rows * 1j, -0.5 : 0.5 : cols * 1j].astype(np.float32)
    lean = rng.normal(0, 0.12, 2)
    signal = signal * (1 + lean[0] * row + lean[1] * col)
    if rng.random() < 0.25:  # mild charging: lines after a bright place stay off their level
        drift = rng.uniform(0.01, 0.04) * line_waves(rng, rows, rng.uniform(1, 6), 1)
        signal = signal + drift[:, None].astype(np.float32) * (0.15 + signal)
    signal = np.maximum(signal, 0.01)
    counts = log_uniform(rng, 1.5, 4) if fault == "few electrons" else log_uniform(rng, 25, 400)
    signal = rng.poisson(signal / signal.mean() * counts).astype(np.float32)
    low, high = np.quantile(signal[::3, ::3], [0.003, 0.997])
    floor, top = rng.uniform(2, 30), rng.uniform(190, 254)
    return np.clip(floor + (signal - low) / (high - low) * (top - floor), 0, 255).astype(np.uint8)


def lit_face(rng, frame, zones, hidden):
    """Return the noiseless signal in the upright picture, its labels, and the textures' names."""
    t, s = np.mgrid[: frame.sheet_shape[0], : frame.sheet_shape[1]].astype(np.float32)
    sheet = Sheet(s, t, frame.pixel_um)
    relief, tone, names = np.zeros_like(s), np.zeros_like(s), []
    for code in (LASER, SCISSOR, TORN):
        if (zones == code).any():
            field, name = zone_relief(rng, sheet, code)
            share = cv2.GaussianBlur((zones == code).astype(np.float32), (0, 0), 1.2)
            relief += share * (field + rng.normal(0, 2.0))  # zones may stand off each other
            tone += share * rng.normal(0, 0.07)
            names.append(name)
    size = frame.thickness_px * rng.uniform(0.3, 1)
    relief += size * rng.uniform(0, 0.06) * waves(rng, s, t, (size, size))
    if hidden.any():
        crust = waves(rng, s, t, (rng.uniform(3, 12),) * 2, 3)
        edge = cv2.GaussianBlur(hidden.astype(np.float32), (0, 0), 1.0)
        relief = relief * (1 - edge) + edge * (crust * rng.uniform(0.5, 2) + 12)
        tone += edge * rng.normal(0.1, 0.12)
    labels = frame.laid(np.where(hidden & (zones > 0), OBSCURED, zones).astype(np.uint8),
                        cv2.INTER_NEAREST)  # fmt: skip
    face = (labels > 0).astype(np.uint8)
    signal = 0.45 + frame.laid(tone) + electron_signal(rng, frame.laid(relief))
    depth_in = cv2.distanceTransform(face, cv2.DIST_L2, 5)
    reach = log_uniform(rng, 1.5, 7)
    signal = signal + rng.uniform(0.1, 0.5) * np.exp(-depth_in / reach)  # electrons leave sideways
    beyond = cv2.distanceTransform(1 - face, cv2.DIST_L2, 5)
    row = np.arange(face.shape[0])[:, None]
    cols = np.flatnonzero(face.any(axis=0))
    above = row < np.interp(np.arange(face.shape[1]), cols, face.argmax(axis=0)[cols])[None]
    flat = Sheet(*np.meshgrid(np.arange(face.shape[1], dtype="f4"),
                              np.arange(face.shape[0], dtype="f4")), frame.pixel_um)  # fmt: skip
    outside = surroundings(rng, flat, above, beyond)
    return np.where(face > 0, signal, outside), labels, tuple(names)


def draw_face(rng, *, scale=1.0):
    """Return a face drawn from a generator; `scale` < 1 draws small pictures for quick tests."""
    family = str(rng.choice(FAMILIES, p=FAMILY_SHARES))
    fault = ""
    if rng.random() < BAD_SHARE:
        fault = str(rng.choice(["blurred", "few electrons", "cropped"]))
    frame = plan_frame(rng, scale, fault)
    zones = draw_zones(rng, frame, family)
    hidden = cover(rng, zones) if rng.random() < 0.1 else np.zeros(zones.shape, bool)
    signal, labels, looks = lit_face(rng, frame, zones, hidden)
    depth, thickness = truth_figures(frame, zones, hidden)
    if rng.random() < 0.5:
        signal, labels = signal[:, ::-1], labels[:, ::-1]
    anterior = str(rng.choice(list(QUARTER_TURNS)))
    signal, labels = (
        np.ascontiguousarray(np.rot90(each, QUARTER_TURNS[anterior])) for each in (signal, labels)
    )
    image = record(rng, signal.astype(np.float32), fault)
    return DrawnFace(image, labels, frame.pixel_um, anterior, depth, thickness, family,
                     not fault, looks)  # fmt: skip
