"""Cut faces held on rough things: paper, mesh, foil, sponge, salt, wax, paint, clay, clips.

What lies over a face's border is ``IGNORED``; what holds the piece beside it is background.
"""

from __future__ import annotations

import math
from dataclasses import replace

import torch
from torch import Tensor

from edgeqc.training import strip_fields
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_materials import Material, any_angle, drawn, scratches, spots
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import BACKGROUND, BODY, FACE, Outline, laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, noise, places, standardised, turned
from edgeqc.training.strip_places import Place, littered

Seen = tuple[Tensor, Tensor]  # electrons and codes


def _border(b: Batch, along: Tensor, thickness: Tensor) -> Tensor:
    """Return how far a long border lies outwards: corners, taper, step, notch, rag, burrs."""
    knots = torch.randn(b.size, 12, device=b.device)
    stretch = at_line(knots, along / b.cols * b.uniform(3, 9) + 5.5)
    total = b.chance(0.4) * b.uniform(0, 0.08) * stretch
    total = total + b.chance(0.35) * b.uniform(-0.35, 0.35) * along / b.cols
    step = ((along - b.uniform(-0.4, 0.4) * b.cols) / b.uniform(1, 25)).clamp(0, 1)
    total = total + b.pick(0, 0, 0, 0.2) * b.uniform(-1, 1) * step
    x = ((along - b.uniform(-0.4, 0.4) * b.cols) / (b.log_uniform(0.05, 0.5) * thickness)).abs()
    notch = (1 - x).clamp(min=0) ** b.pick(0.5, 1, 2)
    total = total - b.chance(0.25) * b.uniform(-0.08, 0.25) * notch
    spike = wandering(b, along, b.uniform(1, 1), b.log_uniform(2, 10)) - b.uniform(0.3, 1.6)
    total = total + b.chance(0.25) * b.log_uniform(0.004, 0.03) * spike.clamp(min=0)
    return total * thickness + wandering(b, along, b.pick(0, 0.3, 1, 2), b.log_uniform(2, 40))


def _lying(b: Batch, low: float, high: float, ended: float, twins: float) -> tuple[Outline, Tensor]:
    """Return pieces between two shares of the short side thick, and distances inside their ends."""
    angle = torch.where(b.chance(0.4) > 0, any_angle(b), 0.07 * b.normal())
    angle = angle + 1.571 * b.pick(0, 0, 1, 2, 3)
    length = torch.where(torch.cos(angle).abs() > 0.7, b.cols, b.rows).float()
    short = min(b.rows, b.cols)
    thickness = torch.where(b.chance(0.5) > 0, b.uniform(low, high), b.log_uniform(low, high))
    twin = b.chance(twins) * (thickness < 0.6)
    thickness = thickness * short * (1 - 0.4 * twin)
    along, across = turned(b, angle)
    room = (short - thickness * (1 + twin)).clamp(min=0) / 2 + 0.08 * thickness
    along = along - b.uniform(-0.15, 0.15) * length
    bow = b.chance(0.55) * 0.5 * b.normal() * (along / length).abs() ** b.pick(2, 2, 3)
    knee = (b.pick(0, 0, 0, 0, 0.4) * b.uniform(-1, 1) * (along - 0.2 * length)).clamp(min=0)
    across = across - b.uniform(-1, 1) * room + bow * thickness + b.pick(-1, 1) * knee
    apart = torch.where(twin > 0, across.abs() - 1.5, 1e4)  # two pieces, never grown together
    along = along + twin * torch.sign(across) * b.uniform(-0.2, 0.2) * length
    half = thickness * (0.5 + b.log_uniform(0.02, 0.3))
    across = torch.where(twin > 0, across.abs() - half, across)
    front = -thickness / 2 - _border(b, along, thickness)
    back = torch.maximum(thickness / 2 + _border(b, along, thickness), front + 0.2 * thickness)
    end = torch.full_like(along, 1e4)
    for sign in (-1, 1):
        reach = torch.where(b.chance(ended) > 0, b.uniform(0.12, 0.45), 3.0) * length
        bite = b.pick(0, 0, 0.01, 0.03, 0.12) * thickness
        bite = wandering(b, across, bite, b.log_uniform(8, 90) + 2 * bite)
        end = torch.minimum(end, reach - sign * along + 0.3 * b.normal() * across + bite)
    side = torch.minimum(across - front, back - across)  # meets the ends in rounded corners
    radius = b.pick(0, 0, 0.1, 0.25, 0.45) * b.uniform(0.3, 1) * thickness + 0.01
    edge = torch.maximum(radius, torch.minimum(side, end))
    edge = edge - torch.hypot((radius - side).clamp(min=0), (radius - end).clamp(min=0))
    fringe = b.pick(0, 0, 0.5, 1.2, 2.5) * b.uniform(0.3, 1) * noise(b, b.log_uniform(2, 25))
    t, edge = (across - front) / (back - front), torch.minimum(edge + fringe, apart)
    beyond = front - across - fringe, across - back - fringe
    return Outline(along, across, t, edge, beyond, thickness), end


def _lit(b: Batch, relief: Tensor) -> Tensor:
    """Return a relief as electrons show it: lit from the detector's side, flanks bright."""
    down, right = relief.roll(-1, 1) - relief.roll(1, 1), relief.roll(-1, 2) - relief.roll(1, 2)
    way = any_angle(b)
    facing = standardised(torch.cos(way) * right + torch.sin(way) * down)
    plane = b.uniform(0.2, 1) * facing + b.uniform(0, 1) * standardised(torch.hypot(down, right))
    return plane + 0.3 * standardised(relief)


def _toned(b: Batch, plane: Tensor, low: float, high: float, most: float) -> Tensor:
    """Return a pattern about a level, from a quarter of a contrast to all of it."""
    plane = b.log_uniform(0.25 * most, most) * standardised(plane).clamp(-3, 3.5)
    return (b.uniform(low, high) + plane).clamp(0, 2.8)


def _paper(b: Batch) -> Tensor:
    """Draw filter paper or lint-free cloth: single curved fibres laid over one another."""
    size = b.log_uniform(3, 30)
    top = b.uniform(-0.6, 0.1) + 0.15 * noise(b, size)
    flank, common, spread = b.uniform(0, 0.9), any_angle(b), b.pick(0.15, 1, 3.1)
    for layer in range(7):
        u, v = turned(b, common + spread * b.uniform(-1, 1))
        bend = b.uniform(0.3, 2) * noise(b, b.uniform(40, 200), exponent=1.6)
        v = v / (size * b.uniform(1.5, 6)) + bend
        u, row = u / (size * b.log_uniform(8, 50)) + 0.37 * torch.floor(v), torch.floor(v)
        tables = torch.rand(4, b.size, 4096, device=b.device)
        thick, place, grey, there = strip_fields.numbers_at(tables, torch.floor(u), row)
        taper = 1 - (2 * (u - torch.floor(u)) - 1) ** 6
        x = (v - row - 0.5 - 0.3 * (place - 0.5)) / (0.08 + 0.25 * thick)
        x = (x / taper.clamp(min=0.02).sqrt()).abs()
        body = b.uniform(-0.2, 0.2) + 0.1 * layer + 0.4 * grey + flank * x**4
        shadow = 0.35 * torch.exp(-1.5 * (x - 1).clamp(0, 15))
        top = torch.where(there < 0.75, torch.where(x < 1, body, top - shadow), top)
    return _toned(b, top.clamp(-2.5, 3), 0.35, 1.3, 0.4)


def _woven(b: Batch) -> Tensor:
    """Draw a woven mesh: round wires over and under one another before a deep."""
    u, v, pitch = *turned(b, any_angle(b)), b.log_uniform(12, 160)
    bend = b.pick(0, 0.03, 0.1) * noise(b, b.uniform(150, 300), exponent=1.8)
    u, v = u / pitch + bend, v / (pitch * b.uniform(0.7, 1.3)) - bend
    i, j = torch.floor(u + 0.5), torch.floor(v + 0.5)
    top, wide, lift = torch.full_like(u, -9.0), b.uniform(0.14, 0.42), b.uniform(0.2, 0.6)
    signal = b.uniform(-2.5, 0.2) + 0.3 * noise(b, pitch)
    grain, flank = b.uniform(0, 0.35) * noise(b, b.log_uniform(0.8, 6)), b.uniform(-0.8, 0.9)
    for x, place, sign in ((u - i, v, 1 - 2 * i.remainder(2)), (v - j, u, 2 * j.remainder(2) - 1)):
        x, wave = x / wide, lift * torch.cos(math.pi * place) * sign
        height = torch.where(x.abs() < 1, wave + (1 - x * x).clamp(min=0).sqrt(), -10.0)
        plane = 0.5 * wave + flank * x.abs() ** 3 + 0.4 * x + grain
        signal, top = torch.where(height > top, plane, signal), torch.maximum(height, top)
    return _toned(b, signal, 0.3, 1.2, 0.45)


def _etched(b: Batch) -> Tensor:
    """Draw an etched mesh: flat bars with bevelled rims, and round or square holes."""
    u, v, pitch = *turned(b, any_angle(b)), b.log_uniform(16, 220)
    u, v = u / pitch, v / pitch + b.pick(0, 0.5) * torch.floor(u / pitch + 0.5).remainder(2)
    x, y = (u - torch.floor(u + 0.5)).abs(), (v - torch.floor(v + 0.5)).abs()
    power = b.pick(2, 2, 4, 8)
    away = (x**power + y**power + 1e-6) ** (1 / power) - b.uniform(0.2, 0.44)
    away = (away + b.pick(0, 0.02) * noise(b, 0.15 * pitch + 1)) * pitch
    bar = b.uniform(0.05, 0.5) * noise(b, b.log_uniform(0.8, 8), anisotropy=b.log_uniform(1, 40))
    below = b.uniform(-2, 0.5) + 0.3 * noise(b, b.log_uniform(5, 40))
    bar = bar + b.uniform(-0.4, 1.5) * torch.exp(-away.abs() / b.log_uniform(1, 8))
    return _toned(b, laid(below, bar, away), 0.3, 1.2, 0.4)


def _foil(b: Batch) -> Tensor:
    """Draw crumpled foil: flat facets, each of one grey, between bright or dark creases."""
    plane, size = 0.3 * noise(b, b.log_uniform(20, 150), exponent=2.0), b.log_uniform(40, 250)
    for share in (1.0, 0.8, 0.6, 0.45, 0.3):
        u, v = turned(b, any_angle(b))
        kink = ((v / (share * size)).remainder(2) - 1).abs()  # a crease breaks where it is crossed
        u = u + b.uniform(-0.6, 0.6) * share * size * kink
        fold = ((u / (share * size)).remainder(2) - 1).abs() - b.uniform(0.2, 0.8)
        fold = fold * share * size / b.uniform(0.8, 3)
        crease = b.pick(0, 1, -1) * torch.exp(-fold.abs())
        plane = plane + b.uniform(-1, 1) * torch.tanh(2 * fold) + crease
    return _toned(b, plane, 0.5, 1.5, 0.4)


def _foam(b: Batch) -> Tensor:
    """Draw sponge or foam: open cells with bright walls, smaller ones seen within."""
    signal = b.uniform(-1.5, -0.5) + torch.zeros(b.size, b.rows, b.cols, device=b.device)
    size, none = b.log_uniform(14, 110), b.uniform(0, 0)
    for scale in (0.55, 1.0):
        u, v = turned(b, any_angle(b))
        push = b.uniform(0.05, 0.25) * noise(b, 0.5 * size + 1, exponent=1.8)
        of = places(u / (scale * size) + push, v / (scale * size) - push, 0.3 + none, none)
        near, second, value, off_u, _ = strip_fields.cells(of)
        x = (second - near) / b.uniform(0.15, 0.7)
        wall = scale * (0.8 + 0.6 * value - b.uniform(-0.5, 0.8) * x + 0.4 * off_u)
        signal = torch.where(x < 1, wall, signal - 0.7 * torch.exp(-(x - 1).clamp(0, 20) * 3))
    return _toned(b, signal + b.uniform(0, 0.3) * noise(b, b.log_uniform(1, 8)), 0.25, 1.1, 0.45)


def _stacked(b: Batch) -> Tensor:
    """Draw flakes of silver paint, or cubes and needles of salt or protein, over one another."""
    u, v = turned(b, any_angle(b))
    size, cubes, thin = b.log_uniform(7, 80), b.chance(0.5), b.pick(0, 0.5, 1.5, 6)
    push = b.pick(0, 0.05, 0.15) * noise(b, 0.4 * size + 1, exponent=1.8)
    of = places(u / size + push, v / size - push, b.uniform(0.2, 0.5), b.uniform(0, 0.4))
    crust = b.uniform(0, 0.6) * _lit(b, noise(b, b.log_uniform(1.5, 15), exponent=1.2))
    signal, top, tilt = b.uniform(-1.5, 0.5) + crust, torch.full_like(u, -1.0), b.uniform(0, 1.5)
    rim, wide = b.uniform(-0.8, 1.5), b.uniform(0.02, 0.12)
    for off_u, off_v, first, fourth in of.near():
        cosine, sine = torch.cos(6.28 * fourth), torch.sin(6.28 * fourth)
        x, y = cosine * off_u + sine * off_v, (cosine * off_v - sine * off_u) * (1 + thin * first)
        flat = torch.where(cubes > 0, torch.maximum(x.abs(), y.abs()), torch.hypot(x, y))
        inside = 0.3 + 0.45 * first - flat
        plane = 1.5 * fourth + tilt * x * (first - 0.5) + rim * torch.exp(-inside.abs() / wide)
        shown = (inside > 0) & (first > top)
        signal, top = torch.where(shown, plane, signal), torch.where(shown, first, top)
    return _toned(b, signal, 0.4, 1.6, 0.4)


def _wax(b: Batch) -> Tensor:
    """Draw wax or the back of tape: drops or crepe, scratches, smears, rubbed-off glue."""
    drops = (noise(b, b.log_uniform(30, 150), exponent=1.8) - b.uniform(0, 1)).clamp(min=0)
    crepe = noise(b, b.log_uniform(5, 30), anisotropy=b.log_uniform(2, 20), angle=any_angle(b))
    glue = torch.sigmoid(8 * (noise(b, b.log_uniform(8, 60), exponent=1.4) - b.uniform(0.3, 2)))
    plane = _lit(b, drops + b.pick(0, 0.1, 1) * crepe) + b.pick(0, -1, 1) * glue
    return _toned(b, plane + b.pick(0, -2, 1, 4) * scratches(b, 8), 0.1, 1.2, 0.25)


def _clay(b: Batch) -> Tensor:
    """Draw modelling clay: dents, the ridges of a finger tip, and filler grains."""
    far = torch.hypot(*turned(b, any_angle(b)))
    ridge = torch.sin(far / b.log_uniform(3, 18) + 2 * noise(b, b.uniform(60, 200)))
    ridge = ridge * (noise(b, b.uniform(60, 200), exponent=1.5) - b.uniform(-0.5, 1)).clamp(0, 1)
    grains, rim = spots(b, b.log_uniform(6, 40), b.uniform(0.2, 0.9), b.log_uniform(0.5, 2))
    relief = 6 * noise(b, b.log_uniform(15, 120), exponent=1.8) + b.uniform(-1, 2) * grains
    return _toned(b, _lit(b, relief + 2 * ridge) + b.uniform(0, 1) * rim, 0.3, 1.3, 0.35)


def _metal(b: Batch) -> Tensor:
    """Draw sandblasted metal's craters, or long grooves and gouges of a brush or a file."""
    craters = noise(b, b.log_uniform(2, 30), exponent=b.uniform(0.4, 1.3)).abs()
    angle, long = any_angle(b), b.log_uniform(30, 500)
    groove = noise(b, b.log_uniform(3, 30), anisotropy=long, angle=angle, exponent=0.8)
    groove = groove - b.uniform(0, 2) * (groove - 1).clamp(min=0)
    return _toned(b, torch.where(b.chance(0.45) > 0, _lit(b, craters), groove), 0.4, 1.6, 0.4)


def _clean(b: Batch) -> Tensor:
    """Return faint marks of a lens's own surface: rings, mould grain, dimples, dust, haze."""
    u, v = turned(b, any_angle(b))
    rings = torch.sin(torch.hypot(u + b.log_uniform(0.3, 12) * b.cols, v) / b.log_uniform(0.8, 6))
    dust, rim = spots(b, b.log_uniform(15, 120), b.uniform(0.5, 0.98), b.log_uniform(0.5, 2))
    marks = b.log_uniform(0.003, 0.06) * noise(b, b.log_uniform(30, 250), exponent=1.5)
    marks = marks + b.log_uniform(0.002, 0.02) * noise(b, b.log_uniform(0.7, 4))
    marks = marks + b.chance(0.3) * b.log_uniform(0.003, 0.03) * rings
    return marks + b.chance(0.35) * (b.uniform(-0.25, 0.4) * dust + b.uniform(0, 0.3) * rim)


def _own(b: Batch, at: Outline, end: Tensor, side: int, marks: Tensor) -> tuple[Tensor, Tensor]:
    """Return the lens's own surface beside a long border, and the distance inside it."""
    reach = torch.where(b.chance(0.5) > 0, b.log_uniform(0.012, 0.1), b.log_uniform(0.1, 3))
    reach, depth = reach * at.thickness, at.beyond[side].clamp(min=0)
    curve = 1 + b.chance(0.4) * 0.5 * b.normal() * (at.along / b.cols - 0.2) ** 2
    border = reach * curve + wandering(b, at.along, b.pick(0, 0, 0.5, 2), b.uniform(5, 80))
    plane = torch.where(b.chance(0.5) > 0, 1 + 0.06 * b.normal(), b.uniform(0.25, 1.5)) + marks
    shoulder = torch.exp(-depth / (b.log_uniform(0.03, 0.6) * reach + 1))
    plane = plane * (1 + b.pick(0, 0, 0.2, 0.6, -0.3) * shoulder)
    plane = plane * (1 - b.chance(0.5) * b.uniform(-0.3, 0.7) * (depth / (reach + 1)).clamp(max=1))
    plane = plane + b.pick(0, 0, 0.4, -0.3, -0.7) * torch.exp(-depth / b.log_uniform(0.8, 5))
    inside = torch.minimum(border - depth, 1.4 * border + 2 + at.edge)  # follows round corners
    plane = plane + b.pick(0, 0, 0.4, 0.8) * torch.exp(-inside.clamp(min=0) / b.log_uniform(1, 8))
    inside = torch.minimum(inside, end + b.pick(0, 0, -0.2, 0.03) * b.cols * b.uniform(0, 1))
    return plane, torch.minimum(inside, torch.minimum(at.beyond[side], -at.edge))


def _assembled(b: Batch, lie: tuple[Outline, Tensor], face: Tensor, ground: Tensor) -> Seen:
    """Return ground, own surfaces and face together, shadows and rims between, and the codes."""
    at, end = lie
    which = torch.randint(20, (b.size, 1, 1), device=b.device)  # seven in twenty show none
    marks, near, layers = _clean(b), at.edge, []
    for side, shown in enumerate((((which >= 7) & (which < 11)) | (which >= 15), which >= 11)):
        plane, inside = _own(b, at, end, side, marks.flip(1 + side))
        layers.append((plane, torch.where(shown, inside, -99.0)))
        near = torch.maximum(near, layers[-1][1]).clamp(max=0)
    shade = b.pick(0, 0.5, 0.9) * b.uniform(0.2, 1) * torch.exp(near / b.log_uniform(2, 50))
    glow = b.chance(0.3) * b.uniform(-0.1, 0.4) * torch.exp(near / b.log_uniform(3, 80))
    signal = ground * (1 - shade) + glow
    codes = torch.full_like(at.edge, BACKGROUND, dtype=torch.long)
    for plane, inside in layers:
        signal, codes = laid(signal, plane, inside), torch.where(inside > 0, BODY, codes)
    face = 1 + b.pick(1, 1, 1, 0.5, 0.2) * (face - 1)  # it may be the smoothest thing here
    rim = torch.exp(-at.edge.clamp(min=0) / b.log_uniform(1, 9))
    face = face + b.pick(0, 0, 0.1, 0.3, 0.6, -0.2) * rim
    return laid(signal, face, at.edge), torch.where(at.edge > 0, FACE, codes)


def _over(b: Batch, at: Outline, seen: Seen, thing: Tensor, cover: Tensor) -> Seen:
    """Return the scene with a thing laid over it where ``cover`` is positive, and its codes."""
    shadow = b.uniform(0, 0.7) * torch.exp(cover.clamp(max=0) / b.log_uniform(2, 25))
    rim = torch.exp(-cover.clamp(min=0) / b.log_uniform(1, 12))
    thing = thing + b.pick(0, 0.2, 0.6, -0.3) * rim
    lost = torch.where(at.edge > -0.03 * at.thickness - 2, IGNORED, BACKGROUND)
    return laid(seen[0] * (1 - shadow), thing, cover), torch.where(cover > 0, lost, seen[1])


def _settled(b: Batch, seen: Seen) -> Seen:
    """Return the scene with a thin fibre, crumbs and a stain over all, lit from a side."""
    stain = torch.sigmoid(8 * (noise(b, b.uniform(30, 200), exponent=1.5) - b.uniform(0.3, 1.5)))
    signal = seen[0] * (1 + b.chance(0.3) * b.uniform(-0.3, 0.25) * stain)
    u, v = turned(b, any_angle(b))
    signal = signal * (1 + b.pick(0, 0, 0.4) * b.uniform(-1, 1) * v / b.cols)
    v = v - b.uniform(-0.4, 0.4) * b.rows + wandering(b, u, b.uniform(0, 25), b.uniform(40, 250))
    fibre = torch.minimum(b.log_uniform(0.7, 3) - v.abs(), b.log_uniform(0.1, 1) * b.cols - u.abs())
    signal = laid(signal, b.uniform(0.3, 1.7).expand_as(v), fibre - 9999 * b.chance(0.7))
    few = torch.where(b.chance(0.3) > 0, b.uniform(0.7, 0.99), 2.0)
    crumbs = spots(b, b.log_uniform(25, 160), few, b.log_uniform(0.5, 2))[0]
    return (signal + crumbs * (b.uniform(0.5, 1.6) - signal)).clamp(0, 3), seen[1]


def _below(b: Batch, materials: tuple[Material, ...], share: float) -> Tensor:
    """Return a ground that lies below the plane of focus in a share of the pictures."""
    return blur(drawn(b, materials), b.chance(share) * b.log_uniform(1, 9)) * b.pick(1, 1, 0.5)


def _clamped(b: Batch) -> tuple[Place, Finish]:
    """Return pieces upright in a slit or clip: jaws beside the long borders, one over an end."""
    at, end = _lying(b, 0.15, 0.9, 0.35, 0.1)
    jaw_end = at.along * b.pick(-1, 1) - b.uniform(0.05, 0.45) * b.cols
    jaw_end = torch.where(b.chance(0.5) > 0, jaw_end + 0.3 * b.normal() * at.across, -999.0)
    ends = b.chance(0.5) > 0  # what is seen of the face ends at the jaw; or nobody could say
    at = replace(at, edge=torch.where(ends, torch.minimum(at.edge, -jaw_end), at.edge))
    place = zones(b, at.along, at.across, at.t, at.thickness, at.edge)

    def finish(electrons: Tensor) -> Seen:
        metal = drawn(b, (_metal, _metal, _metal, _foil, _wax))
        deep = _below(b, (_metal, _stacked, _paper, _clay, _wax), 0.8) * b.pick(0.1, 0.4, 1)
        signal, codes = _assembled(b, (at, end), electrons, deep)
        for side in (0, 1):
            gap = b.pick(0, 1, 1, 1) * b.log_uniform(0.01, 0.5) * at.thickness
            jaw = at.beyond[side] - gap - b.pick(0, 0.05) * b.normal() * at.along
            jaw = torch.where(b.chance(0.65) > 0, torch.minimum(jaw, -at.edge - 1), -999.0)
            bevel = b.pick(0, 0.3, -0.4) * torch.sigmoid((b.log_uniform(3, 40) - jaw) / 1.5)
            shadow = b.uniform(0, 0.5) * torch.exp(jaw.clamp(max=0) / b.log_uniform(2, 20))
            signal = signal * (1 - shadow * (at.edge < 0))
            signal = laid(signal, metal.flip(1 + side) + bevel, jaw)
            codes = torch.where(jaw > 0, BACKGROUND, codes)
        signal, codes = _over(b, at, (signal, codes), metal.flip(1, 2), jaw_end)
        return _settled(b, (signal, torch.where(ends & (jaw_end > 0), BACKGROUND, codes)))

    return place, finish


def _on_paper(b: Batch) -> tuple[Place, Finish]:
    """Return thin or thick pieces lying on paper, mesh or sponge, a strip of tape over an end."""
    at, end = _lying(b, 0.12, 0.6, 0.6, 0.15)
    place = zones(b, at.along, at.across, at.t, at.thickness, at.edge)

    def finish(electrons: Tensor) -> Seen:
        ground = _below(b, (_paper, _paper, _woven, _etched, _foam), 0.35)
        seen = _assembled(b, (at, end), littered(b, place, electrons)[0], ground)
        cover = at.along * b.pick(-1, 1) - b.uniform(0.1, 0.4) * b.cols
        cover = cover + 0.3 * b.normal() * at.across + b.pick(0, 2, 8) * noise(b, b.uniform(4, 40))
        cover = torch.minimum(cover, b.log_uniform(0.1, 2) * b.cols - cover)
        cover = cover - 9999 * b.chance(0.65)
        return _settled(b, _over(b, at, seen, drawn(b, (_wax, _wax, _foil)), cover))

    return place, finish


def _among_pieces(b: Batch) -> tuple[Place, Finish]:
    """Return pieces before other torn pieces out of focus, some held by a needle."""
    at, end = _lying(b, 0.15, 0.75, 0.45, 0.3)
    place = zones(b, at.along, at.across, at.t, at.thickness, at.edge)

    def finish(electrons: Tensor) -> Seen:
        signal = _below(b, (_wax, _metal, _stacked), 0.7) * b.pick(0.1, 0.4, 1)
        behind = torch.zeros_like(at.edge, dtype=torch.long)
        for number in range(3):
            u, v = turned(b, any_angle(b))
            u, v = u - b.uniform(-0.5, 0.5) * b.cols, v - b.uniform(-0.5, 0.5) * b.rows
            long = b.log_uniform(0.1, 1.2) * b.cols - u.abs()
            piece = torch.minimum(b.log_uniform(0.06, 0.5) * b.rows - v.abs(), long)
            piece = piece + b.pick(1, 4, 12) * noise(b, b.log_uniform(8, 60), exponent=1.4)
            sigma, torn, level = b.log_uniform(1.5, 9), b.chance(0.6) > 0, b.uniform(0.4, 1.2)
            plane = torch.where(torn, electrons.flip(1 + number % 2), 1 + _clean(b))
            plane = level * blur(plane, sigma) + 0.3 * torch.exp(-piece.abs() / sigma)
            share = torch.sigmoid(piece / sigma) * b.chance(0.7)
            signal = signal + share * (plane - signal)
            arguable = ((sigma < 2.5) & torn) | (level < 0.6)  # a face too, or nothing at all
            named = torch.where(arguable, IGNORED, BODY)
            behind = torch.where(share > 0.5, named, behind)
        signal, codes = _assembled(b, (at, end), littered(b, place, electrons)[0], signal)
        codes = torch.where(codes == BACKGROUND, behind, codes)
        u, v = turned(b, any_angle(b))
        u, v = u - b.uniform(-0.3, 0.3) * b.cols, v - b.uniform(-0.35, 0.35) * b.rows
        width = b.log_uniform(0.006, 0.05) * b.cols + b.uniform(0, 0.1) * u.clamp(min=0)
        steel = b.uniform(0.4, 1.4) + b.uniform(-0.4, 0.8) * (v / width).clamp(-1, 1) ** 2
        needle = torch.minimum(width - v.abs(), u - v**2 / width - 9999 * b.chance(0.65))
        return _settled(b, _over(b, at, (signal, codes), steel, needle))

    return place, finish


def _bedded(b: Batch) -> tuple[Place, Finish]:
    """Return pieces pressed into clay, wax, paint, foil or salt that creeps up to the border."""
    at, end = _lying(b, 0.2, 0.9, 0.5, 0.1)
    place = zones(b, at.along, at.across, at.t, at.thickness, at.edge)

    def finish(electrons: Tensor) -> Seen:
        ground = _below(b, (_clay, _clay, _wax, _stacked, _stacked, _foil), 0.2)
        creep = b.chance(0.4) * torch.exp(at.edge.clamp(max=0) / b.log_uniform(3, 60))
        risen = ground + creep * (b.uniform(0.2, 1.3) - ground)
        seen = _assembled(b, (at, end), electrons, risen)
        for share in (0.4, 0.25):
            u = at.along - b.uniform(-0.45, 0.45) * b.cols
            away = torch.hypot(u, at.across - b.pick(-0.5, 0.5) * at.thickness)
            radius = b.log_uniform(0.05, 0.3) * b.cols
            blob = radius - away + 0.2 * radius * noise(b, 0.4 * radius, exponent=1.5)
            blob = blob - 9999 * b.chance(1 - share)
            seen = _over(b, at, seen, ground.flip(1), blob)
        return _settled(b, seen)

    return place, finish


SCENES: tuple[Scene, ...] = (_clamped, _on_paper, _among_pieces, _bedded)
