"""Pictures of cut faces with known truth, drawn as relief and seen through an electron column."""

from dataclasses import dataclass

import cv2
import numpy as np
from seventh_around import GROUNDS, SURFACES, lay_surface, scatter_debris
from seventh_laser import LASER_LOOKS
from seventh_mechanical import SCISSOR_LOOKS, TORN_LOOKS
from seventh_noise import fractal, smooth
from seventh_sem import COLUMNS, photograph
from seventh_shape import ENDS, SHAPES, draw_band, place_pixels
from seventh_zones import FAMILIES, LASER, OBSCURED, SCISSOR, TORN, draw_cut, measure, name_zones

SIDES = ("top", "bottom", "left", "right")
FAULTS = ("noise", "blur", "charging", "debris", "cropped", "low-contrast")
MATERIALS = ("hydrophobic", "hydrophilic", "silicone")
BESIDE = ("anterior", "posterior", "end")
KINDS = {LASER: ("laser", LASER_LOOKS), SCISSOR: ("scissor", SCISSOR_LOOKS),
         TORN: ("torn", TORN_LOOKS)}


@dataclass(frozen=True)
class DrawnFace:
    """A picture and all that is true of it."""

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


@dataclass(frozen=True)
class Plan:
    """What a picture is to show, settled before anything is drawn."""

    family: str
    fault: str
    anterior: str
    shape: str
    ends: str
    material: str
    ground: str
    column: str
    beside: str  # where the lens's own surface is seen, "" if nowhere
    surface: str
    textures: dict[int, str]
    thickness_um: float
    size: tuple[int, int]  # height, width with the anterior edge above


def pick(rng, names):
    return str(rng.choice(list(names)))


def plan_face(rng):
    """Choose family, fault, looks and sizes."""
    family = str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))
    fault = pick(rng, FAULTS) if rng.random() < 0.25 else ""
    shape = pick(rng, SHAPES)
    ends = "both" if shape == "rounded" and rng.random() < 0.6 else pick(rng, ENDS)
    beside = pick(rng, BESIDE) if rng.random() < 0.52 else ""
    if beside == "end" and ends == "none":
        beside = pick(rng, BESIDE[:2])
    thick = rng.uniform(160, 450) if shape == "haptic" else rng.uniform(180, 880)
    return Plan(family, fault, pick(rng, SIDES), shape, ends, pick(rng, MATERIALS),
                pick(rng, GROUNDS), pick(rng, COLUMNS), beside, pick(rng, SURFACES),
                {code: pick(rng, looks) for code, (_, looks) in KINDS.items()},
                float(thick), tuple(int(side) for side in rng.integers(700, 1101, 2)))


def fit_band(rng, plan):
    """A band that fills a fair part of the picture and has enough whole chords to measure."""
    height, width = plan.size
    for _ in range(80):
        band = draw_band(rng, width, height, plan.shape, plan.ends, plan.fault == "cropped")
        places = place_pixels(band, width, height)
        if not 0.16 <= places.face.mean() <= 0.59:
            continue
        found = measure(band, places.face.astype(np.uint8))
        lost = places.face[[0, -1]].mean(axis=1).max()  # of a long edge, beyond the picture
        fits = 0.12 <= lost <= 0.7 if plan.fault == "cropped" else lost < 0.03
        if found is not None and fits:
            return band, places, found[1]
    raise RuntimeError("no band fits this plan")


def finish_face(rng, plan, band, cut, um):
    """Relief and yield of the unrolled face, the zones feathered into each other."""
    top, bottom = int(band.upper.min()) - 6, int(band.lower.max()) + 6
    s, n = np.meshgrid(band.s.astype(np.float32), np.arange(top, bottom, dtype=np.float32))
    keep = slice(*plan_span(plan, band))
    s, n = s[:, keep], n[:, keep]
    codes = name_zones(cut, s, n, band.upper[keep][None], band.lower[keep][None])
    relief, tone = np.zeros(s.shape, np.float32), np.zeros(s.shape, np.float32)
    blur = rng.uniform(0.8, 3.5)
    for code in np.unique(codes):
        share = cv2.GaussianBlur((codes == code).astype(np.float32), (0, 0), blur)
        height, shade = KINDS[int(code)][1][plan.textures[int(code)]](rng, s.shape, um)
        level = rng.normal(0, 3.5) + rng.normal(0, 0.02) * n
        strength = rng.uniform(0.8, 1.25) * (0.85 if plan.material == "silicone" else 1.0)
        relief += share * (strength * height + level)
        tone += share * shade * rng.uniform(0.9, 1.1)
    relief *= 1 + rng.uniform(0, 0.35) * smooth(rng, s.shape, 60).clip(-2, 1.5)
    relief += 4 * smooth(rng, s.shape, 110) + 0.15 * fractal(rng, s.shape, 3, 2)
    near = np.minimum(n - band.upper[keep][None], band.lower[keep][None] - n)
    relief -= rng.uniform(0, 5) * np.exp(-np.maximum(near, 0) / rng.uniform(2, 7))
    return relief.astype(np.float32), tone, (keep.start, top)


def plan_span(plan, band):
    """Whole px of s that the picture can hold."""
    reach = int(0.62 * np.hypot(*plan.size))
    mid = band.s.size // 2
    return max(mid - reach, 0), min(mid + reach, band.s.size)


def turn_picture(field, anterior):
    """Turn a field drawn with the anterior edge above."""
    if anterior == "bottom":
        field = field[::-1]
    elif anterior in ("left", "right"):
        field = field.T
        if anterior == "right":
            field = field[:, ::-1]
    return np.ascontiguousarray(field)


def lay_ground(rng, plan, shape):
    """Relief and yield of what the fragment lies on."""
    relief, tone = GROUNDS[plan.ground](rng, shape)
    relief = cv2.GaussianBlur(relief.astype(np.float32), (0, 0), rng.uniform(0.8, 3.0))
    return relief - rng.uniform(45, 130), np.array(tone, np.float32)


def build_scene(rng, plan, band, places, cut, um):
    """Relief and yield of the whole picture, anterior edge above, without debris."""
    relief, tone = lay_ground(rng, plan, places.face.shape)
    looks = [f"ground:{plan.ground}"]
    if plan.beside:
        width = float(np.exp(rng.uniform(np.log(10), np.log(420))))
        region = lay_surface(rng, relief, tone, places, plan.beside, plan.surface, width)
        relief[~region & ~places.face] -= 0.5 * width
        looks += [f"surface:{plan.surface}", f"beside:{plan.beside}"]
    height, shade, (left, top) = finish_face(rng, plan, band, cut, um)
    at = (places.s - left, places.n - top)
    face = places.face
    relief[face] = cv2.remap(height, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)[face]
    tone[face] = cv2.remap(shade, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)[face]
    return relief, tone, looks


def draw_parts(rng, plan):
    """Draw a plan: the picture, and the band and zones behind it."""
    band, places, thickness_px = fit_band(rng, plan)
    um = plan.thickness_um / thickness_px
    face = places.face
    cut = draw_cut(rng, plan.family, band, (float(places.s[face].min()),
                                            float(places.s[face].max())))
    labels = name_zones(cut, places.s, places.n, places.upper, places.lower)
    labels[~face] = 0
    relief, tone, looks = build_scene(rng, plan, band, places, cut, um)
    covered, lift = scatter_debris(rng, face, plan.fault == "debris")
    if plan.ground == "dark-void":  # nothing lies on a void
        covered &= cv2.dilate((tone > 0.4).astype(np.uint8), np.ones((9, 9))) > 0
    relief = np.where(covered, cv2.GaussianBlur(relief, (0, 0), 3) + lift, relief)
    stuff = rng.uniform(0.75, 1.3) * (1 + 0.15 * smooth(rng, face.shape, 25))
    tone = np.where(covered, stuff, tone)
    codes = [int(code) for code in np.unique(labels) if code]
    looks += [f"{KINDS[code][0]}:{plan.textures[code]}" for code in codes]
    labels[covered & face] = OBSCURED
    depth, thickness = measure(band, labels)
    looks += [f"column:{plan.column}", f"shape:{plan.shape}", f"material:{plan.material}"]
    image = photograph(rng, turn_picture(relief, plan.anterior).astype(np.float32),
                       turn_picture(tone, plan.anterior).astype(np.float32),
                       plan.column, plan.material, plan.fault)
    drawn = DrawnFace(image, turn_picture(labels, plan.anterior), um, plan.anterior, depth,
                      thickness * um, plan.family, not plan.fault, tuple(looks), plan.fault)
    return drawn, band, cut


def draw_face(rng: np.random.Generator) -> DrawnFace:
    """One picture with its truth; the same state of `rng` gives the same picture."""
    return draw_parts(rng, plan_face(rng))[0]
