"""Scenes of whole lens pieces as height fields, seen obliquely in parallel projection.

The cut face is one flank of a piece that lies or stands on a stub. Behind it the lens's own front
goes on: domed or flat, up to a round, square or ridged rim, over the step of an optic-haptic
junction, round the holes of a plate, out into the stump of a loop; so does its back where that
bulges into view. In every column behind the face the running maximum of height on the screen is
what the beam meets. The surface meets the cut in a sharp edge, a rounded one, a burr, a step or a
fillet. Yield grows with tilt, about as a power of 1 / cos (textbooks of the method, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training import scene_materials as materials
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, turned
from edgeqc.training.strip_places import Place

_DEEP = 120  # samples of every column from cut to rim, close together at both
_FAR = 9e3
_Pair = tuple[Tensor, Tensor]


@dataclass(frozen=True)
class _Habit:
    """What the pieces of a scene tend to be: sizes, and shares of the members."""

    thick: tuple[float, float]
    domed: float = 0.5
    round_plan: float = 0.5
    joint: float = 0.3
    holes: float = 0.0
    loop: float = 0.0
    terrace: float = 0.0
    ends: float = 0.3


@dataclass(frozen=True)
class _Plan:
    """A piece seen from above: one number or one line (size, columns, 1) per member."""

    x: Tensor
    lean: Tensor
    reach: Tensor
    shown: Tensor
    centre: Tensor
    half_chord: Tensor
    holes: tuple[tuple[Tensor, Tensor, Tensor], ...]
    terrace: tuple[Tensor, Tensor, Tensor]


@dataclass(frozen=True)
class _Relief:
    """Greatest heights so far above borders (``line``, cut up to ``lip``): fronts, then backs."""

    seen: Tensor
    shade: Tensor
    line: Tensor
    lip: Tensor
    reach: Tensor
    wall: _Pair


@dataclass(frozen=True)
class _View:
    """One picture of pieces: what every sample of it shows."""

    along: Tensor
    across: Tensor
    t: Tensor
    edge: Tensor
    body: Tensor
    flank: Tensor
    depth: Tensor
    shade: Tensor
    outside: Tensor
    below: Tensor
    thickness: Tensor
    plan: _Plan


def _corner(one: Tensor, other: Tensor, radius: Tensor) -> Tensor:
    """Return the distance inside two borders that meet in a rounded corner."""
    lack = torch.hypot((radius - one).clamp(min=0), (radius - other).clamp(min=0))
    return radius - lack + (torch.minimum(one, other) - radius).clamp(min=0)


def _axes(b: Batch, habit: _Habit) -> tuple[Tensor, Tensor, Tensor]:
    """Return positions along and across a piece, and its thickness."""
    short = min(b.rows, b.cols)
    thickness = b.uniform(*habit.thick) * short
    angle = (math.pi / 2) * b.pick(0, 1, 2, 2, 3, 0) + 0.07 * b.normal()
    free = torch.where(b.chance(0.6) > 0, angle, b.uniform(-math.pi, math.pi))
    along, across = turned(b, free)
    room = ((short - thickness) / 2).clamp(min=0)
    across = across + b.uniform(-0.9, 0.9) * room + b.chance(0.12) * 0.4 * b.normal() * thickness
    return along + b.uniform(-0.15, 0.15) * b.cols, across, thickness


def _plan(b: Batch, habit: _Habit, thickness: Tensor) -> _Plan:
    """Return how far pieces reach behind their cuts, and what interrupts them."""
    count = int(1.5 * max(b.rows, b.cols))
    x = torch.arange(count, device=b.device, dtype=torch.float32)[None, :, None] - count / 2
    lean = b.log_uniform(0.04, 0.85)
    wide = torch.where(b.chance(0.3) > 0, b.log_uniform(0.012, 0.15), b.uniform(0.15, 1.6))
    reach = (wide * thickness / lean).clamp(0.03 * b.cols, 2.5 * b.cols)
    lean = wide * thickness / reach
    centre = b.uniform(-0.3, 0.3) * b.cols
    chord = torch.where(b.chance(habit.round_plan) > 0, b.log_uniform(0.3, 1.6), 99.0) * b.cols
    arc = torch.sqrt((1 - ((x - centre) / chord) ** 2).clamp(min=0))
    slant = (1 + b.pick(0, 0.3, 1.2) * b.uniform(-1, 1) * x / b.cols).clamp(0.1, 2)
    outline = torch.where(chord < 50 * b.cols, arc, slant)
    place, width = b.uniform(-0.4, 0.4) * b.cols, b.log_uniform(0.05, 0.3) * b.cols
    stump = torch.sigmoid(((width - (x - place).abs()) / b.log_uniform(0.5, 20)).clamp(-30, 30))
    outline = outline * (1 + b.chance(habit.loop) * b.uniform(0.3, 1.5) * stump)
    holes = []
    for _ in range(2):
        radius = b.uniform(0.08, 0.5) * torch.minimum(thickness, 0.5 * reach + 0.1 * thickness)
        back = radius + b.uniform(0.03, 0.7) * reach
        back = torch.where(b.chance(0.4) > 0, b.uniform(-0.6, 0.8) * radius, back)
        radius = torch.where(b.chance(habit.holes) > 0, radius, -_FAR)
        holes.append((b.uniform(-0.45, 0.45) * b.cols, back, radius))
    line = b.uniform(0.1, 0.7) * reach * (1 + b.pick(0, 0.4) * b.normal() * x / b.cols)
    line = line + wandering(b, x, b.pick(0, 0.01, 0.03) * reach, b.log_uniform(5, 100))
    rise = torch.where(b.chance(habit.terrace) > 0, b.uniform(0.12, 0.6) * thickness, 0.0)
    terrace = line.clamp(min=2), rise, b.chance(0.55)
    return _Plan(x, lean, reach * outline, b.chance(0.62), centre, chord, tuple(holes), terrace)


def _own_height(b: Batch, habit: _Habit, plan: _Plan, thickness: Tensor, y: Tensor) -> Tensor:
    """Return the heights that a lens was made with: dome, junction, ridge, rounded rim."""
    x, reach = plan.x, plan.reach
    half = torch.where(plan.half_chord < 2 * b.cols, plan.half_chord, 0.6 * b.cols)
    far = torch.hypot(x - plan.centre, y - b.uniform(-0.2, 0.5) * half)
    dome = b.chance(habit.domed) * b.uniform(-0.08, 0.3) * thickness
    height = -dome * ((far / half) ** 2).clamp(max=3)
    across = (x - b.uniform(-0.4, 0.4) * b.cols) * b.normal() + (y - b.uniform(0, 1) * reach)
    way = torch.where(b.chance(0.5) > 0, far - b.uniform(0.4, 1.1) * half, across)
    step = torch.sigmoid((way / b.log_uniform(0.004, 0.12) / b.cols).clamp(-30, 30))
    step = step * b.chance(habit.joint) * b.pick(-1, 1) * b.log_uniform(0.02, 0.3) * thickness
    height = height + step + b.chance(0.4) * b.uniform(-0.15, 0.15) * thickness * x / b.cols
    inward = (reach - y).clamp(min=0)
    ridge = torch.exp(-((inward / b.log_uniform(0.005, 0.08) / b.cols) ** 2).clamp(max=30))
    height = height + b.pick(0, 0, 1, -0.6) * b.log_uniform(0.006, 0.05) * thickness * ridge
    radius = b.pick(0.001, 0.05, 0.15, 0.5) * b.uniform(0.4, 1) * b.cols
    bend = (1 - inward / radius).clamp(0, 1)
    drop = torch.minimum(radius, b.uniform(0.05, 0.4) * thickness)
    return height - drop * (1 - torch.sqrt((1 - bend**2).clamp(min=1e-6)))


def _meeting(b: Batch, plan: _Plan, thickness: Tensor, y: Tensor) -> _Pair:
    """Return what a cut did to the surface next to it, and how far the cut's own lip stands out."""
    kind = torch.randint(7, (b.size, 1, 1), device=b.device)
    size = b.log_uniform(0.006, 0.07) * thickness
    width = size * b.log_uniform(0.3, 6)
    u = (y / width).clamp(max=20)
    ragged = wandering(b, plan.x, b.pick(0.1, 0.4, 1, 2) * b.uniform(0.5, 1), b.log_uniform(2, 50))
    burr = wandering(b, plan.x, b.pick(0.5, 1.0), b.log_uniform(3, 60)) + b.uniform(-1, 0.7)
    rounded = torch.sqrt((1 - (1 - u).clamp(min=0) ** 2).clamp(min=0))
    stepped = torch.sigmoid(((u - b.uniform(1, 6)) / 0.15).clamp(-30, 30))
    shape = (kind == 4) * 2 * (u / 4).clamp(max=1) ** 2  # a fillet
    for number, part in ((1, rounded), (3, -torch.sigmoid(9 * u - 2)), (5, stepped)):
        shape = torch.where(kind == number, part, shape)
    lip = ragged + torch.where(kind == 2, size * burr.clamp(0, 2.5), 0.0)
    return size * shape + lip * torch.exp(-((1.5 * u) ** 2).clamp(max=30)), lip


def _shading(b: Batch, seen: Tensor, height: Tensor, y: Tensor, thickness: Tensor) -> Tensor:
    """Return relative yields of a surface: by tilt, by side of the detector, in pits, on crests."""
    spread = torch.diff(y, dim=2, append=y[:, :, -1:] + 1).clamp(min=0.02)
    steep = (torch.diff(height, dim=2, append=height[:, :, -1:]) / spread).clamp(-3, 3)
    aside, slant = (torch.gradient(plane, dim=1)[0] for plane in (height, y))
    aside = (aside - steep * slant).clamp(-1, 1)
    normal = torch.sqrt(1 + steep**2 + aside**2)
    facing = torch.diff(seen, dim=2, append=seen[:, :, -1:]) / spread / normal
    usual = facing.clamp(0.02, 1).median(dim=2, keepdim=True).values.median(dim=1, keepdim=True)
    power = b.pick(0, 0.25, 0.5, 0.8) * b.uniform(0.5, 1)
    plane = ((facing.clamp(0.03, 1) / usual.values.clamp(0.03)) ** -power).clamp(0.4, 2.4)
    light = b.uniform(-0.35, 0.35) * aside + b.uniform(-0.25, 0.35) * steep
    plane = plane * (1 + light / normal * 1.4)
    for wide, much in ((9, b.uniform(0, 0.5)), (41, b.uniform(0, 0.35))):
        mean = functional.avg_pool2d(height, wide, wide // 2, wide // 2, count_include_pad=False)
        mean = functional.interpolate(mean[:, None], height.shape[1:], mode="bilinear")[:, 0]
        plane = plane + much * torch.tanh((height - mean) / (0.0012 * wide * thickness))
    plane = functional.avg_pool2d(plane, (15, 1), 1, (7, 0), count_include_pad=False)
    return plane.clamp(0.15, 2.6)


def _relief(b: Batch, habit: _Habit, plan: _Plan, thickness: Tensor) -> _Relief:
    """Return the height fields of fronts and backs: two for every member."""
    sides = b.part(2 * b.size)
    lean = torch.cat([plan.lean, -plan.lean])
    flare = sides.chance(0.15) * lean.abs() + sides.chance(0.25) * sides.log_uniform(0.02, 0.4)
    lean = torch.where(torch.cat([plan.shown, plan.shown]) > 0, lean + flare, -3.0)
    thick = torch.cat([thickness, thickness])
    both = replace(plan, lean=lean, reach=torch.cat([plan.reach, plan.reach]),
                   centre=torch.cat([plan.centre, plan.centre]),
                   half_chord=torch.cat([plan.half_chord, plan.half_chord]))  # fmt: skip
    share = torch.linspace(0, math.pi, _DEEP, device=b.device)[None, None, :]
    y = both.reach * (0.5 - 0.5 * torch.cos(share))
    own = _own_height(sides, habit, both, thick, y)
    line = own[:, :, :1].clamp(-0.4 * thick, 0.4 * thick)
    met, lip = _meeting(sides, both, thick, y)
    height = own - line + met
    screen = height + y * lean
    spread = torch.diff(y, dim=2, append=y[:, :, -1:] + 1).clamp(min=0.3)
    size, (place, rise, _) = b.size, plan.terrace
    front, front_y, front_dy = screen[:size], y[:size], spread[:size]
    hidden = torch.where(front_y < place, front, -_FAR).amax(dim=2, keepdim=True)
    wall = hidden, torch.where((rise > 0) & (place < plan.reach), hidden + rise, -_FAR)
    up = rise * ((front_y - place) / front_dy + 0.5).clamp(0, 1)
    pit = torch.zeros_like(front)
    for hole_x, hole_y, radius in plan.holes:
        inside = radius - torch.hypot(plan.x - hole_x, front_y - hole_y)
        pit = torch.maximum(pit, (inside / front_dy + 0.5).clamp(0, 1))
    floor = front_y * lean[:size] - thickness - 2 * line[:size].abs()
    lifted = torch.lerp(front + up, floor, pit)
    height = torch.cat([height[:size] + lifted - front, height[size:]])
    seen = torch.cummax(torch.cat([lifted, screen[size:]]), dim=2).values
    shade = _shading(sides, seen, height, y, thick)
    return _Relief(seen, shade, line[:, :, 0], lip[:, :, 0], both.reach, wall)


def _met(relief: _Relief, column: Tensor, back: Tensor, q: Tensor) -> tuple[Tensor, ...]:
    """Return depth behind the cut, shade and horizon where the beam meets a surface."""
    size, count = q.shape[0], relief.seen.shape[1]
    member = torch.arange(size, device=q.device)[:, None, None] + size * back.long()
    base = (member * count + (column + 0.5).long().clamp(0, count - 1)) * _DEEP
    seen, shade = relief.seen.flatten(), relief.shade.flatten()
    low = torch.zeros_like(base)
    for step in (64, 32, 16, 8, 4, 2, 1):
        tried = (low + step).clamp(max=_DEEP - 2)
        low = torch.where(seen[base + tried] <= q, tried, low)
    under = seen[base + low]
    part = ((q - under) / (seen[base + low + 1] - under).clamp(min=1e-3)).clamp(0, 1)
    tone = torch.lerp(shade[base + low], shade[base + low + 1], part)
    share = 0.5 - 0.5 * torch.cos(math.pi * (low + part) / (_DEEP - 1))
    return share * relief.reach.flatten()[base // _DEEP], tone, seen[base + _DEEP - 1]


def _ends(b: Batch, habit: _Habit, plan: _Plan, along: Tensor, across: Tensor) -> _Pair:
    """Return distances inside the face's ends and inside the piece's, whose flanks may show."""
    face = solid = plan.half_chord - (along - plan.centre).abs()
    for sign in (-1, 1):
        far = torch.where(b.chance(habit.ends) > 0, b.uniform(0.08, 0.45), 9.0) * b.cols
        line = far - sign * along + b.pick(0, 0.05, 0.3) * b.normal() * across
        line = line + b.pick(0, 0, 0.4) * b.normal() / b.cols * across**2
        wide = plan.shown * b.chance(0.4) * b.log_uniform(0.01, 0.3) * b.cols
        rough = wandering(b, across, b.pick(0.2, 0.6, 2), b.log_uniform(2, 60))
        face = torch.minimum(face, line + rough)
        solid = torch.minimum(solid, line + wide * (1 + 0.0008 * b.normal() * across))
    return face, torch.maximum(face, solid)


def _steep(line: Tensor) -> Tensor:
    """Return what to multiply a distance across by, so that it is one from a sloping line."""
    down, right = torch.gradient(line, dim=(1, 2))
    return 1 / torch.sqrt(1 + down**2 + right**2).clamp(max=4)


def _view(b: Batch, habit: _Habit) -> _View:
    """Return pieces of a habit as the beam sees them."""
    along, across, thickness = _axes(b, habit)
    plan = _plan(b, habit, thickness)
    relief = _relief(b, habit, plan, thickness)
    size, column = b.size, along + plan.x.shape[1] / 2
    front = -thickness / 2 - at_line(relief.line[:size], column)
    back_line = thickness / 2 + at_line(relief.line[size:], column)
    back = across > back_line
    q = torch.where(back, across - back_line, front - across)
    one = _steep(front) * (across - front + at_line(relief.lip[:size], column))
    other = _steep(back_line) * (back_line - across + at_line(relief.lip[size:], column))
    face_end, solid_end = _ends(b, habit, plan, along, across)
    radius = torch.where(plan.shown > 0, 0.02, b.pick(0, 0.03, 0.12, 0.4) * b.uniform(0.4, 1))
    lines_in = torch.minimum(one, other)
    solid = _corner(lines_in, solid_end, radius * thickness)
    depth, shade, horizon = _met(relief, column, back, q)
    away = torch.full_like(along, _FAR)
    floor = depth * plan.lean - thickness - 2 * (front + thickness / 2).abs()
    opened = torch.zeros_like(back)
    for hole_x, hole_y, hole in plan.holes:
        chord = torch.sqrt((hole**2 - hole_y**2).clamp(min=0)) * (hole > 0)
        within = hole > torch.hypot(along - hole_x, depth - hole_y) - 2
        opened = opened | (within & (q < floor + 0.08 * thickness) & ~back)
        away = torch.where(chord > 0, torch.minimum(away, (along - hole_x).abs() - chord), away)
    solid = torch.minimum(solid, away)
    edge = torch.minimum(solid, face_end)
    low, high = (at_line(wall[:, :, 0], column) for wall in relief.wall)
    second = torch.minimum(torch.minimum(q - low, high - q), solid_end)
    second = torch.where(back | (plan.terrace[2] == 0) | (plan.shown == 0), -_FAR, second)
    t = torch.where(second > 0, (high - q) / (high - low).clamp(min=1),
                    (across - front) / (back_line - front).clamp(min=1))  # fmt: skip
    free = (back | (one < 0) | (away < 0)) & ~opened & (plan.shown > 0)
    body = torch.where(free, torch.minimum(horizon - q, solid_end), -_FAR)
    flank = torch.where(edge < solid, solid, -_FAR)
    beyond = torch.maximum(torch.where(lines_in > 0, -_FAR, q - horizon.clamp(min=0)), -solid_end)
    return _View(along, across, t, torch.maximum(edge, second), body, flank, depth, shade,
                 beyond.clamp(min=0), back.float(), thickness, plan)  # fmt: skip


def _laid_down(plane: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """Return a texture read at places of the surface it lies on, -1 .. 1 and mirrored beyond."""
    at, mode = torch.stack([x, y], -1), "reflection"
    return functional.grid_sample(plane[:, None], at, "bilinear", mode, align_corners=False)[:, 0]


def _skin(b: Batch, v: _View) -> Tensor:
    """Return what a lens's own surface carries, foreshortened with it and mostly faint."""
    plane = b.pick(0, 0, 1, -1) * b.uniform(0.05, 0.4) * materials.scratches(b, 3)
    haze = noise(b, b.log_uniform(1.5, 120), exponent=b.uniform(0.4, 1.5))
    plane = plane + b.log_uniform(0.004, 0.09) * haze
    frost = noise(b, b.log_uniform(1, 8), exponent=b.uniform(0.2, 1.5))
    plane = plane + b.pick(0, 0, 0, 0.05, 0.15) * b.uniform(0.4, 1.5) * frost
    salt = torch.sigmoid(9 * (noise(b, b.log_uniform(12, 120), exponent=1.6) - b.uniform(0.5, 2)))
    plane = plane + b.chance(0.3) * b.uniform(-0.3, 0.3) * salt * (1 + 0.3 * frost)
    low = v.depth * v.plan.lean * b.uniform(0.5, 1) + 0.5 * v.across.abs()  # on steep walls too
    plane = _laid_down(plane, v.along * 1.6 / b.cols, low * 2 / b.rows - 1)
    # rings of the mould or the lathe, about the optic's axis
    ring = lines(b.size, 4096, (b.log_uniform(2, 30) / v.plan.lean.clamp(0.1, 1))[:, 0], b.device)
    far = torch.hypot(v.along - v.plan.centre, v.depth + b.uniform(-0.3, 1.5) * b.cols)
    plane = plane + b.pick(0, 0, 0.03, 0.1) * at_line(ring, far.remainder(4094.0))
    slow = noise(b, b.uniform(60, 300), exponent=1.5, anisotropy=b.pick(1, 6, 30))  # charging
    return plane + b.pick(0, 0.03, 0.1, 0.25) * b.uniform(0, 1) * slow


def _stub(b: Batch, v: _View) -> Tensor:
    """Return what the piece lies on, its shadow there, and glue that creeps up the foot."""
    plane = materials.drawn(b, materials.GROUNDS)
    scale = 1.15 / max(b.rows, b.cols)
    plane = _laid_down(plane, v.along * scale / b.log_uniform(1, 4), v.across * scale)
    plane = blur(plane, b.pick(0.1, 0.1, 1.5, 5) * b.uniform(0.5, 1.5))
    plane = plane * (1 - b.uniform(0, 0.9) * torch.exp(-v.outside / b.log_uniform(3, 90)))
    foot = v.below * torch.exp(-v.outside / b.log_uniform(4, 60)) * b.chance(0.3)
    return torch.lerp(plane, b.uniform(0.1, 1) * (1 + b.uniform(0, 0.6) * foot), foot)


def _dusted(b: Batch, signal: Tensor) -> Tensor:
    """Lay upright grains and shreds on all alike."""
    way, long = b.uniform(-3, 3), b.pick(1, 1, 4)
    field = noise(b, b.log_uniform(1.5, 10), exponent=1.7, anisotropy=long, angle=way)
    grain = torch.sigmoid(12 * (field - b.uniform(2.6, 4))) * b.chance(0.45)
    lit = b.uniform(0.4, 1.5) + b.uniform(-1, 1) * (field - field.roll(2, 1)).clamp(-1, 1)
    return torch.lerp(signal, lit, grain).clamp(0, 3)


def _scene(b: Batch, habit: _Habit) -> tuple[Place, Finish]:
    """Return the zones of pieces of a habit, and what draws them."""
    v = _view(b, habit)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        own = (v.edge > 0).float() + 1e-4
        grey = (electrons * own).sum((1, 2), keepdim=True) / own.sum((1, 2), keepdim=True)
        grey = grey.clamp(0.3, 1.8) * (1 + 0.05 * b.normal())
        level = torch.where(b.chance(0.5) > 0, grey, b.log_uniform(0.25, 2))
        skin = _skin(b, v)
        by_cut = torch.exp(v.edge.clamp(max=0) / b.log_uniform(1, 20))
        surface = level * (v.shade + skin) * (1 + b.pick(0, 0.2, -0.3) * b.uniform(0, 1) * by_cut)
        turn = torch.exp(-v.flank.clamp(min=0) / (b.uniform(0.02, 0.3) * v.thickness))
        aside = level * (b.uniform(0.5, 1.5) + b.uniform(-0.4, 0.7) * turn + skin)
        limb = b.pick(0, 0.2, 0.6) * torch.exp(-v.body.clamp(min=0) / b.log_uniform(0.8, 8))
        signal = laid(_stub(b, v), aside, v.flank, b.uniform(0.3, 1))
        signal = laid(signal, (surface + limb).clamp(0.02, 2.8), v.body, b.uniform(0.3, 1))
        face = electrons * (1 + b.pick(0, 0.2, 0.5) * b.uniform(-1, 1) * (v.t.clamp(0, 1) - 0.5))
        face = face * (1 + wandering(b, v.along, b.pick(0, 0.06, 0.15), b.uniform(80, 400)))
        rim = b.pick(0, 0, 0.2, 0.5, -0.3) * torch.exp(-v.edge.clamp(min=0) / b.log_uniform(1, 15))
        signal = laid(signal, (face + rim).clamp(0, 3), v.edge, b.uniform(0.25, 1))
        codes = torch.where((v.body > 0) | (v.flank > 0), 1, 0)
        return _dusted(b, signal), torch.where(v.edge > 0, 2, codes)

    return zones(b, v.along, v.across, v.t, v.thickness, v.edge), finish


def optic_segment(b: Batch) -> tuple[Place, Finish]:
    """Draw a segment of an optic on its stub: domed, its rim round, square or ridged."""
    return _scene(b, _Habit((0.2, 0.7), domed=0.8, round_plan=0.75, joint=0.15, ends=0.15))


def plate_with_holes(b: Batch) -> tuple[Place, Finish]:
    """Draw a plate haptic, flat or stepped, with holes behind the cut or through it."""
    return _scene(b, _Habit((0.2, 0.6), 0.2, 0.15, holes=0.4, ends=0.45))


def junction(b: Batch) -> tuple[Place, Finish]:
    """Draw an optic-haptic junction: steps, fillets, the stump of a loop behind the face."""
    return _scene(b, _Habit((0.25, 0.85), joint=0.9, loop=0.5, round_plan=0.4))


def terraced(b: Batch) -> tuple[Place, Finish]:
    """Draw a piece cut twice, or moulded with a step: one flank behind the other."""
    return _scene(b, _Habit((0.2, 0.5), domed=0.3, round_plan=0.2, terrace=0.9))


SCENES: tuple[Scene, ...] = (optic_segment, plate_with_holes, junction, terraced)
