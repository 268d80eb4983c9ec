"""Random recipes: the families of phantoms, each varied as widely as pictures vary."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from edgeqc.errors import UsageError
from edgeqc.phantoms.face_recipe import (
    FORMS,
    LASER_KINDS,
    SCISSOR_KINDS,
    TORN_KINDS,
    FaceRecipe,
    LayoutRecipe,
    Stretch,
    ZoneRecipe,
)
from edgeqc.phantoms.random_parts import (
    DEFECTS,
    random_acquisition,
    random_bar,
    random_debris,
    random_edge,
    random_signal,
    random_surround,
)
from edgeqc.phantoms.recipe import DebrisRecipe, Recipe
from edgeqc.phantoms.textures import (
    laser_zone,
    log_uniform,
    scissor_zone,
    torn_zone,
)

Rng = np.random.Generator

MAX_THICKNESS_UM = 1300.0
"""Greatest thickness of a random face."""

FAMILIES = (
    "lattice", "melt", "fine", "smooth", "bubbles", "layered", "scissor_residual",
    "mixed_residual", "through_cut", "scissor_ends", "scissor_whole", "torn_whole", "thin_strip",
    "two_faces", "cropped", "hard",
)
"""Families of phantoms. The first six name the laser zone; their layout is any."""

_WEIGHTS = (4.0, 1.5, 1.5, 1.5, 1.5, 1.5, 2.0, 1.0, 1.5, 2.5, 1.0, 1.0, 1.5, 1.5, 1.0, 1.0)

_LAYOUTS = {
    "over_torn": 4.0, "over_scissor": 2.5, "over_both": 1.0, "through": 1.2, "scissor_ends": 2.0,
    "thin_strip": 1.2,
}


@dataclass(frozen=True)
class Plan:
    """What a family leaves open, once decided.

    Parameters
    ----------
    layout, laser, scissor, torn : str
        Layout and kinds of the zones.
    crop : str
        How the frame cuts the face: "through", "one end", "inside", "thickness", "fills".
    """

    layout: str
    laser: str
    scissor: str
    torn: str
    crop: str


def _pick(rng: Rng, choices: Mapping[str, float]) -> str:
    weights = np.array(list(choices.values()), float)
    return str(rng.choice(list(choices), p=weights / weights.sum()))


def _plan(rng: Rng, family: str, fixed: dict[str, Any]) -> Plan:
    layout = {
        "scissor_residual": "over_scissor", "mixed_residual": "over_both",
        "through_cut": "through", "scissor_ends": "scissor_ends",
        "scissor_whole": "scissor_whole", "torn_whole": "torn_whole", "thin_strip": "thin_strip",
    }.get(family) or _pick(rng, _LAYOUTS)
    crop = _pick(rng, {"through": 5, "one end": 2, "inside": 2})
    if family == "cropped":
        crop = _pick(rng, {"thickness": 2, "fills": 1, "slanted out": 1})
    kinds = {"lattice": 4.0} | dict.fromkeys(LASER_KINDS[1:], 1.0)
    laser = family if family in LASER_KINDS else _pick(rng, kinds)
    plan = Plan(
        layout, laser, str(rng.choice(SCISSOR_KINDS)), str(rng.choice(TORN_KINDS)), crop
    )
    known = {field.name for field in dataclasses.fields(Plan)}
    return replace(plan, **{name: fixed.pop(name) for name in known & set(fixed)})


def _depth(rng: Rng) -> float:
    """Return a depth fraction: most cuts go nearly through."""
    if rng.random() < 0.75:
        return float(rng.uniform(0.7, 0.98))
    return float(rng.uniform(0.05, 0.7))


def _layout(rng: Rng, plan: Plan, thickness_um: float, pixel_um: float) -> LayoutRecipe:
    depth = _depth(rng)
    stretches: tuple[Stretch, ...] = ()
    residual = "scissor" if plan.layout == "over_scissor" else "torn"
    if plan.layout == "over_both":
        residual = "both"
        depth = min(depth, 0.9)
    if plan.layout == "thin_strip":
        strip_px = log_uniform(rng, 3, 25)
        depth = 1 - min(0.5, strip_px * pixel_um / thickness_um)
        residual = str(rng.choice(["torn", "torn", "scissor"]))
    if plan.layout == "through":
        depth = 1.0
    if plan.layout in ("scissor_whole", "torn_whole"):
        depth, residual = 0.0, plan.layout.removesuffix("_whole")
    if plan.layout == "scissor_ends":
        depth = 1.0 if rng.random() < 0.4 else depth
        residual = str(rng.choice(["torn", "torn", "scissor"]))
        stretches = _stretches(rng, pixel_um)
    calm = depth in (0.0, 1.0) or plan.layout == "thin_strip"
    room = min(depth, 1 - depth)
    steps = tuple(
        (float(rng.uniform(0.1, 0.9)), float(rng.normal(0, 0.35 * room)))
        for _ in range(int(rng.choice([0, 0, 0, 1, 2])))
    )
    return LayoutRecipe(
        plan.layout, depth,
        slant=0.0 if calm else float(rng.normal(0, 0.35 * room)),
        wave=0.0 if calm else float(rng.choice([0.0, 0.03, 0.15, 0.35])) * room * rng.random(),
        wave_length_um=thickness_um * log_uniform(rng, 0.08, 0.8),
        fringe_um=pixel_um * float(rng.choice([0, 0.5, 1, 2, 4])) * rng.random(),
        fringe_length_um=pixel_um * log_uniform(rng, 2, 15),
        steps=() if calm else steps,
        softness_um=pixel_um * float(rng.choice([0, 0, 2, 5, 12])) * rng.random(),
        ledge_um=float(rng.choice([0, 0, 1, -1])) * pixel_um * log_uniform(rng, 0.5, 8),
        residual=residual, change=float(rng.uniform(0.2, 0.8)),
        scissor_first=bool(rng.random() < 0.5), stretches=stretches,
    )


def _in_view(
    layout: LayoutRecipe, ends: tuple[float, float], along_um: float
) -> LayoutRecipe:
    """Return the layout with places along the face counted in the part that is seen."""
    start, end = ends
    first, last = max(start, -0.5 * along_um), min(end, 0.5 * along_um)

    def moved(place: float) -> float:
        if not 0 <= place <= 1:
            return place
        return (first + place * (last - first) - start) / (end - start)

    return replace(
        layout, change=moved(layout.change),
        steps=tuple((moved(place), by) for place, by in layout.steps),
        stretches=tuple(
            replace(item, start=moved(item.start), end=moved(item.end))
            for item in layout.stretches
        ),
    )


def _stretches(rng: Rng, pixel_um: float) -> tuple[Stretch, ...]:
    def look() -> dict[str, float]:
        return {"slant": float(rng.normal(0, 0.3)), "wave_um": pixel_um * rng.uniform(0, 8)}

    ends = str(rng.choice(["start", "end", "both", "middle"], p=[0.35, 0.35, 0.22, 0.08]))
    if ends == "middle":
        start = float(rng.uniform(0.15, 0.6))
        return (Stretch(start, start + float(rng.uniform(0.1, 0.3)), **look()),)
    first = Stretch(-1.0, float(rng.uniform(0.08, 0.5)), **look())
    last = Stretch(float(rng.uniform(0.55, 0.92)), 2.0, **look())
    return {"start": (first,), "end": (last,), "both": (first, last)}[ends]


def _greys(rng: Rng, zones: list[ZoneRecipe]) -> list[ZoneRecipe]:
    """Return the zones with greys (and sometimes contrasts) that do not tell their names."""
    mode = str(rng.choice(["equal", "near", "any"], p=[0.35, 0.35, 0.3]))
    spread = {"equal": 0.0, "near": 0.06, "any": 0.2}[mode]
    greys = np.clip(1 + spread * rng.standard_normal(len(zones)), 0.5, 1.6)
    sds = np.array([zone.texture_sd for zone in zones])
    if rng.random() < 0.3:  # equal contrast of all zones
        sds[:] = log_uniform(rng, 0.04, 0.25)
    return [
        replace(zone, grey=float(grey), texture_sd=float(sd * grey))
        for zone, grey, sd in zip(zones, greys, sds, strict=True)
    ]


def _angle(rng: Rng) -> float:
    """Return the direction of the face: near horizontal most often; anterior on any side."""
    base = float(rng.choice([0, 180, 90, 270, -1], p=[0.4, 0.25, 0.08, 0.07, 0.2]))
    if base < 0:
        return float(rng.uniform(0, 360))
    return float((base + rng.normal(0, 4)) % 360)


def _extent(rows: int, cols: int, angle_deg: float) -> tuple[float, float]:
    """Return the picture's extent along and across a direction, in pixels."""
    angle = math.radians(angle_deg)
    c, s = abs(math.cos(angle)), abs(math.sin(angle))
    along = min(cols / max(c, 1e-6), rows / max(s, 1e-6))
    across = min(rows / max(c, 1e-6), cols / max(s, 1e-6))
    return along, across


def _ends(rng: Rng, crop: str, along_um: float) -> tuple[float, float]:
    """Return where the face begins and ends, from the centre of its axis."""
    half = 0.5 * along_um
    beyond = 1.6 * half
    if crop == "one end":
        inside = float(rng.uniform(0.35, 0.85)) * half
        return (-inside, beyond) if rng.random() < 0.5 else (-beyond, inside)
    if crop == "inside":
        return -float(rng.uniform(0.5, 0.88)) * half, float(rng.uniform(0.5, 0.88)) * half
    return -beyond, beyond


def random_face(
    rng: Rng, plan: Plan, frame: tuple[float, float, float], pixel_um: float, *,
    angle_deg: float, centre: tuple[float, float],
) -> FaceRecipe:
    """Return a random face.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness.
    plan : Plan
        Layout, kinds, cropping.
    frame : (thickness_um, along_um, across_um)
        Thickness of the face; the picture's extent along and across it.
    pixel_um : float
        Pixel size.
    angle_deg, centre
        Direction and place of the face.
    """
    thickness, along, _ = frame
    start, end = _ends(rng, plan.crop, along)
    slant = float(rng.choice([0.0, 0.1, 0.3]))
    taper = float(rng.normal(0, 0.12)) * (end - start) / (2 * along)
    zones = _greys(rng, [
        laser_zone(rng, plan.laser, pixel_um), scissor_zone(rng, plan.scissor, pixel_um),
        torn_zone(rng, plan.torn, pixel_um),
    ])
    form = str(rng.choice(FORMS))
    bend = 0.0
    if rng.random() < 0.6 or form == "meniscus":
        # sagitta/chord = tan(turn/4)/2: no section of a lens turns by more than some 40 degrees
        most = math.tan(math.radians(10)) / 2 * (end - start) / thickness
        bend = float(np.clip(rng.normal(0, 0.4), -1, 1)) * min(most, 0.5)
    return FaceRecipe(
        centre=centre, angle_deg=angle_deg, thickness_um=thickness, form=form,
        sag=0.0 if form == "plate" else float(rng.choice([0.03, 0.1, 0.25])) * rng.uniform(0.3, 1),
        apex=float(rng.uniform(-0.2, 1.2)), taper=float(np.clip(taper, -0.5, 0.5)), bend=bend,
        start_um=start, end_um=end,
        end_slant=(float(rng.normal(0, slant)), float(rng.normal(0, slant))),
        end_rq_um=pixel_um * float(rng.choice([0.3, 1, 3])) * rng.random(),
        corner_um=pixel_um * float(rng.choice([0, 3, 15])) * rng.random(),
        anterior=random_edge(rng, pixel_um), posterior=random_edge(rng, pixel_um),
        layout=_in_view(_layout(rng, plan, thickness, pixel_um), (start, end), along),
        laser=zones[0], scissor=zones[1], torn=zones[2],
    )


def _size(rng: Rng, fixed: dict[str, Any]) -> tuple[int, int]:
    cols = int(rng.uniform(600, 1200)) if rng.random() < 0.8 else int(log_uniform(rng, 400, 2200))
    rows = int(np.clip(cols * rng.uniform(0.6, 1.0), 400, 2200))
    return int(fixed.pop("rows", rows)), int(fixed.pop("cols", cols))


def random_recipe(rng: Rng, family: str | None = None, **fixed: Any) -> Recipe:
    """Return a random recipe.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness; the recipe's own seed is drawn from it too.
    family : str, optional
        One of ``FAMILIES``; drawn where not given.
    **fixed
        Fields of ``Recipe`` to hold fixed (``rows``, ``cols``, ``pixel_size_um``, ``tilt_deg``,
        ``bar``, ``acquisition``, ...), or of the plan: ``layout`` ("over_torn", "over_scissor",
        "over_both", "through", "scissor_ends", "thin_strip", "scissor_whole", "torn_whole"),
        ``laser``, ``scissor``, ``torn`` (kinds of the zones), ``crop`` ("through", "one end",
        "inside", "thickness", "fills", "slanted out"), or ``angle_deg``, ``thickness_um``,
        ``defect`` (one of ``DEFECTS``).
    """
    weights = np.array(_WEIGHTS) / sum(_WEIGHTS)
    family = family or str(rng.choice(FAMILIES, p=weights))
    if family not in FAMILIES:
        raise UsageError(
            f"there is no family of phantoms called {family!r}",
            rule=f"families are {', '.join(FAMILIES)}", remedy="choose one of them, or none",
        )
    plan = _plan(rng, family, fixed)
    count = 2 if family == "two_faces" else 1
    rows, cols = _size(rng, fixed)
    angle = float(fixed.pop("angle_deg", _angle(rng)))
    pixel, thickness = _scale(rng, plan, _extent(rows, cols, angle)[1] / count, fixed)
    bar = fixed.pop("bar", None) or random_bar(rng, rows, cols, pixel)
    tilt = float(abs(rng.normal(0, 6))) if rng.random() < 0.3 else 0.0
    defect = fixed.pop("defect", str(rng.choice(DEFECTS)) if family == "hard" else "")
    faces = _faces(rng, plan, (rows - bar.height_px, cols), (pixel, thickness, angle), count)
    littered = rng.random() < 0.4
    recipe = Recipe(
        family=family, seed=int(rng.integers(2**32)), rows=rows, cols=cols, pixel_size_um=pixel,
        tilt_deg=tilt, faces=faces, signal=random_signal(rng), surround=random_surround(rng, pixel),
        debris=random_debris(rng, pixel) if littered else DebrisRecipe(),
        acquisition=random_acquisition(rng, defect), bar=bar,
    )
    return replace(recipe, **fixed)


def _scale(
    rng: Rng, plan: Plan, room_px: float, fixed: dict[str, Any]
) -> tuple[float, float]:
    """Return pixel size and thickness: the face takes a fair share of the room it has."""
    low, high = (1.1, 2.2) if plan.crop in ("thickness", "fills") else (0.3, 0.75)
    share = float(rng.uniform(low, high))
    pixel = log_uniform(rng, 0.15, 2.0)
    shrink = float(rng.uniform(0.5, 1))
    if "thickness_um" in fixed and "pixel_size_um" not in fixed:
        thickness = float(fixed.pop("thickness_um"))
        return thickness / (share * room_px), thickness
    if "pixel_size_um" in fixed:
        pixel = float(fixed.pop("pixel_size_um"))
        thickness = min(share * room_px * pixel, MAX_THICKNESS_UM)
        return pixel, float(fixed.pop("thickness_um", thickness))
    # no lens is thicker: where the share asks for more, the picture is finer
    pixel = min(pixel, shrink * MAX_THICKNESS_UM / (share * room_px))
    return pixel, share * room_px * pixel


def _faces(
    rng: Rng, plan: Plan, size: tuple[int, int], at: tuple[float, float, float], count: int
) -> tuple[FaceRecipe, ...]:
    """Return the faces, for pixel size, thickness and direction ``at``."""
    pixel, thickness, angle = at
    along, across = _extent(*size, angle)
    share = thickness / pixel / across
    turn = math.radians(angle)
    faces: list[FaceRecipe] = []
    for index in range(count):
        shift = (index - (count - 1) / 2) * across / count
        if count == 1:
            shift = float(rng.uniform(-0.5, 0.5)) * max(0.0, 0.8 - share) * across
        if plan.crop == "thickness":
            shift = float(rng.choice([-1, 1])) * (share / 2 - rng.uniform(-0.2, 0.2)) * across
        if plan.crop == "slanted out":
            shift = float(rng.choice([-1, 1])) * (0.5 - share * rng.uniform(0.2, 0.5)) * across
            angle += float(rng.choice([-1, 1]) * rng.uniform(6, 18))
        centre = (
            0.5 + shift * math.cos(turn) / size[0], 0.5 - shift * math.sin(turn) / size[1]
        )
        own = plan if index == 0 else replace(
            plan, laser=plan.laser if rng.random() < 0.5 else str(rng.choice(LASER_KINDS)),
            layout=_pick(rng, _LAYOUTS),
        )
        face = random_face(
            rng, own, (thickness, along * pixel, across * pixel), pixel,
            angle_deg=angle + (rng.normal(0, 2) if index else 0.0), centre=centre,
        )
        # two faces bend alike, or they would cross
        faces.append(replace(face, bend=faces[0].bend) if index else face)
    return tuple(faces)
