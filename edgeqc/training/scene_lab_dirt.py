"""Whole scenes from a busy laboratory: explants as they come, dirty, charged, seen in the lens.

Upright close under the lens; poorly coated; dried out of saline; with capsule and cells. The
halo about a charged piece and rectangles of earlier scans are in Reimer's book, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training import scene_materials as made
from edgeqc.training import strip_fields
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, standardised
from edgeqc.training.strip_places import Place

_AWAY = -999.0
_Two = tuple[Tensor, Tensor]
_Kinds = tuple[made.Material, ...]


@dataclass(frozen=True)
class _Piece:
    """Distances beyond front and back with their fray (``near``) and without, and inside ends."""

    along: Tensor
    across: Tensor
    t: Tensor
    edge: Tensor
    near: list[Tensor]
    even: list[Tensor]
    end: Tensor
    thickness: Tensor


def _turned(b: Batch, most: float = math.pi) -> _Two:
    return strip_fields.turned(b, b.uniform(-most, most))


def _either(b: Batch, share: float, first: Tensor | float, second: Tensor | float) -> Tensor:
    return torch.where(b.chance(share) > 0, first, second)


def _bell(x: Tensor) -> Tensor:
    return torch.exp(-(x**2).clamp(max=40))


def _fade(distance: Tensor, length: Tensor) -> Tensor:
    return torch.exp(-(distance.clamp(min=0) / length).clamp(max=40))


def _cloud(b: Batch, length: Tensor, stretch: Tensor | float = 1.0) -> Tensor:
    """Return soft random fields of a length in samples, read from a coarse table."""
    table = 1.4 * torch.randn(b.size, 1, 192, 192, device=b.device)
    along, across = _turned(b)
    at = [x / (96 * length) + b.uniform(-1, 1) for x in (along / stretch, across)]
    return functional.grid_sample(table, torch.stack(at, -1), "bicubic", "reflection", False)[:, 0]


def _scatter(b: Batch, pitch: Tensor, gaps: Tensor, square: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return the distance inside scattered grains, a number of each, and how its flank is lit."""
    along, across = _turned(b)
    u, v = along / pitch + b.uniform(0, 1), across / pitch + b.uniform(0, 1)
    table = torch.rand(6, b.size, 2048, device=b.device)
    found = strip_fields.numbers_at(table, u.floor(), v.floor())
    radius = 0.03 + 0.27 * found[0] ** 2
    room = 1 - 2.9 * radius
    u = u - u.floor() - 0.5 - (found[1] - 0.5) * room
    v = v - v.floor() - 0.5 - (found[2] - 0.5) * room
    turn, lamp, angular = 2 * math.pi * found[3], made.any_angle(b), b.chance(square) > 0
    x, y = u * turn.cos() + v * turn.sin(), v * turn.cos() - u * turn.sin()
    y = y * (1 + 1.2 * found[4])
    far = torch.where(angular, torch.maximum(x.abs(), y.abs()), torch.hypot(x, y))
    facet = torch.where(angular, (x.abs() > y.abs()).float(), 1.0)
    lit = (x * facet * torch.cos(lamp) + y * torch.sin(lamp)) / radius
    inside = torch.where(found[5] < gaps, _AWAY, (radius - far) * pitch)
    return inside, found[4], lit.clamp(-1.5, 1.5)


def _ragged(b: Batch, x: Tensor, thickness: Tensor) -> Tensor:
    """Return how far a border lies outside its even course: bites, burrs, scallops, fray."""
    count, size = x.shape[1], b.pick(0.1, 0.4, 0.8, 2, 3.5)[:, 0]
    out = size * lines(b.size, count, b.log_uniform(1.5, 40)[:, 0], b.device)
    spike = lines(b.size, count, b.log_uniform(2, 14)[:, 0], b.device) - b.uniform(0.3, 1.8)[:, 0]
    out = out + (b.chance(0.25) * b.log_uniform(0.004, 0.04) * thickness)[:, 0] * spike.clamp(0, 2)
    phase = (x / b.log_uniform(8, 90)[:, 0]).remainder(1) - 0.5
    out = out - (b.chance(0.12) * b.log_uniform(0.8, 6))[:, 0] * (1 - 4 * phase**2)
    for _ in range(3):
        wide = (b.log_uniform(0.01, 0.12) * b.cols)[:, 0]
        z = ((x - (b.uniform(-0.5, 0.5) * b.cols)[:, 0]) / wide).abs()
        shape = (1 - z ** b.pick(1, 2, 2)[:, 0]).clamp(min=0) ** b.pick(0.5, 1)[:, 0]
        deep = (b.chance(0.25) * b.uniform(-0.35, 1))[:, 0] * shape
        out = out - deep * torch.minimum(wide, 0.25 * thickness[:, 0])
    return out


def _axis(b: Batch, thickness: Tensor, jumps: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return places along and across a straight or round axis, and the picture's length on it."""
    col, row = _turned(b, 0)
    slip = lines(b.size, b.rows, b.log_uniform(1, 60)[:, 0], b.device)
    leap = torch.round(lines(b.size, b.rows, b.log_uniform(20, 90)[:, 0], b.device))
    slip = b.uniform(0, 0.7) * slip[:, :, None] + b.uniform(0, 3) * leap[:, :, None]
    col = col + jumps * b.chance(0.4) * slip  # charge pushes the beam
    angle = _either(b, 0.5, b.uniform(-0.8, 0.8), 0.05 * b.normal())
    angle = angle + (math.pi / 2) * b.pick(0, 0, 1, 2, 3)
    cosine, sine = torch.cos(angle), torch.sin(angle)
    room = cosine.abs() * b.rows + sine.abs() * b.cols
    length = cosine.abs() * b.cols + sine.abs() * b.rows
    slack, turn = 0.4 * (room - thickness).clamp(min=0) + 0.08 * thickness, b.pick(-1, 1)
    u = cosine * col + sine * row + b.uniform(-0.12, 0.12) * length
    v = turn * (cosine * row - sine * col + b.uniform(-1, 1) * slack)
    bend = _either(b, 0.5, b.log_uniform(0.9, 6), 60.0) * b.cols
    return bend * torch.atan2(u, bend - v), turn * (bend - torch.hypot(u, bend - v)), length


def _piece(b: Batch, small: float, large: float, ends: float, jumps: float = 0.0) -> _Piece:
    """Return pieces whose thickness is a share of the picture's short side."""
    thickness = _either(b, 0.5, b.uniform(small, large), b.log_uniform(small, large))
    thickness = thickness * min(b.rows, b.cols)
    along, across, length = _axis(b, thickness, jumps)
    pitch = thickness * (1.03 + b.log_uniform(0.02, 0.8))
    number = (torch.floor(across / pitch + 0.5) * b.chance(0.14)).clamp(-1, 0)  # a second face
    along, across = along + number * b.uniform(-0.3, 0.3) * length, across - number * pitch
    count = 2 * (b.rows + b.cols)
    x = torch.arange(count, device=b.device, dtype=torch.float32)[None] - count / 2
    # the piece's middle: slow waves, a step, a knee
    wave, place = b.chance(0.35) * b.uniform(0, 0.05) * b.cols, b.uniform(-0.3, 0.3) * b.cols
    middle = wave[:, 0] * lines(b.size, count, b.uniform(120, 500)[:, 0], b.device)
    step = b.chance(0.2) * b.uniform(-0.2, 0.2) * thickness
    middle = middle + (step * torch.sigmoid((x[:, None] - place) / b.log_uniform(2, 40)))[:, 0]
    middle = middle + (b.chance(0.2) * b.uniform(-0.25, 0.25) * (x[:, None] + place).abs())[:, 0]
    taper = b.chance(0.4) * b.uniform(-0.6, 0.6) / length
    out, near, even, end = [], [], [], torch.full_like(across, 4.0 * b.cols)
    for sign in (-1.0, 1.0):
        plain_ = sign * middle + (thickness / 2 * (1 + taper * x[:, None]).clamp(0.25, 1.75))[:, 0]
        rough, taper = plain_ + _ragged(b, x, thickness), _either(b, 0.5, taper, 0.0)
        slope = functional.pad((rough[:, 6:] - rough[:, :-6]) / 6, (3, 3))
        lean = at_line((1 + slope**2) ** -0.5, along + count / 2).clamp(min=0.3)
        out.append(sign * across - at_line(rough, along + count / 2))
        even.append(sign * across - at_line(plain_, along + count / 2))
        far = (out[-1].abs() / (0.04 * b.cols)).clamp(max=1)
        near.append(out[-1] * (lean + (1 - lean) * far))
        fray = lines(b.size, count, b.log_uniform(2, 40)[:, 0], b.device)
        skew = 0.3 * b.normal() * across - b.chance(0.3) * b.uniform(0, 0.8) * across.abs()
        far = _either(b, ends, b.uniform(0.14, 0.46) * length, 4.0 * b.cols) - sign * along + skew
        fray = b.pick(0.2, 0.7, 2, 4) * at_line(fray, across + count / 2)
        end = torch.minimum(end, (far + fray) / 1.05)
    radius = _either(b, 0.5, b.log_uniform(0.01, 0.12), b.uniform(0.05, 0.5)) * thickness
    edge = -torch.maximum(near[0], near[1])
    corner = torch.hypot((radius - edge).clamp(min=0), (radius - end).clamp(min=0))
    edge = torch.maximum(torch.minimum(edge, end), radius) - corner
    t = -out[0] / -(out[0] + out[1]).clamp(max=-4)
    return _Piece(along, across, t, edge, near, even, end, thickness)


def _mesh(b: Batch) -> Tensor:
    """Draw a woven mesh or a sponge: rods that pass over and under each other."""
    along, across = _turned(b)
    pitch, sway = b.log_uniform(12, 120), b.pick(0, 0.05, 0.3)
    u, v = (x / pitch + sway * _cloud(b, 2 * pitch) for x in (along, across))
    top = torch.zeros_like(u) - b.uniform(0.5, 2)
    for x, y in ((u, v), (v, u)):
        off = (x.remainder(1) - 0.5) / b.uniform(0.15, 0.42)
        rod = torch.cos(math.pi * (y + x.floor())) * 0.5 + b.uniform(-0.5, 1) * off**2
        top = torch.where(off.abs() < 1, torch.maximum(top, rod.clamp(-1.5, 3)), top)
    return b.uniform(0.1, 1) + b.uniform(0.05, 0.3) * standardised(top)


def _crystals(b: Batch) -> Tensor:
    """Draw a crust of crystals of several sizes on a plain bed."""
    plane, pitch = 0.3 * _cloud(b, b.log_uniform(8, 100)), b.log_uniform(12, 110)
    for scale in (0.4, 1.0, 0.7):
        inside, value, lit = _scatter(b, scale * pitch, b.uniform(0, 0.5), 0.7)
        body = 0.5 + value + b.uniform(0.2, 1.2) * lit + b.uniform(0, 1.5) * _bell(inside / 2)
        plane = laid(plane * (1 - 0.5 * _fade(-inside, 0.1 * pitch)), body, inside)
    return b.uniform(0.1, 1.2) + b.log_uniform(0.02, 0.3) * standardised(plane).clamp(-4, 4)


_STUBS = (made.carbon_tape, made.turned_metal, made.polished_metal, made.fibres, made.flat_wafer,
          made.silver_paint, made.far_void, made.crumpled_foil, _mesh, _crystals, made.plain)
_BEDS = (*_STUBS[:1], *_STUBS[5:])
_LOOSE = (made.fibres, _mesh, _crystals, _crystals, *_STUBS[:5:4], made.dried_salt)


def _ground(b: Batch, kinds: _Kinds) -> Tensor:
    """Return grounds: sharp or far out of focus, dark to bright, faint or as rough as a face."""
    ground = made.drawn(b, kinds, 4)
    ground = blur(ground, b.pick(0.2, 0.2, 0.8, 3, 9) * b.uniform(0.5, 1.6) * b.cols / 800)
    level = _either(b, 0.5, b.uniform(0.05, 0.6), b.uniform(0.7, 1.6))
    rough = level + b.uniform(0.08, 0.3) * standardised(ground).clamp(-3, 4)
    ground = _either(b, 0.4, rough, ground * _either(b, 0.4, b.uniform(0.1, 0.8), 1))
    light = 1 + b.pick(0, 0.1, 0.3) * _cloud(b, b.uniform(0.3, 0.9) * b.cols).clamp(-1.5, 1.5)
    return (ground * light).clamp(0, 2.6)


def _marks(b: Batch) -> Tensor:
    """Return what a lens surface shows: lathe rings, grain of a mould, dimples, scratches, haze."""
    along, across = _turned(b)
    far = torch.hypot(along, across + b.log_uniform(0.3, 20) * b.cols)
    pit, _, _ = _scatter(b, b.log_uniform(7, 45), b.uniform(0, 0.7), 0)
    kind = torch.randint(5, (b.size, 1, 1), device=b.device)
    haze = noise(b, _either(b, 0.4, b.log_uniform(1, 6), b.log_uniform(20, 200)))
    plane = torch.where(kind == 0, torch.sin(far / b.log_uniform(0.5, 4)), haze)
    plane = torch.where(kind == 2, _bell(pit / 1.5) - 2 * torch.sigmoid(pit / 1.5), plane)
    nicks = b.chance(0.3) * b.uniform(-0.3, 0.4) * made.scratches(b, 3)
    return b.log_uniform(0.004, 0.09) * plane + nicks


def _skin(b: Batch, at: _Piece, side: int, marks: Tensor) -> _Two:
    """Return the electrons of the surface beyond one border, and the distance inside it."""
    out, far = at.near[side].clamp(min=0), b.log_uniform(0.1, 0.6)
    reach = _either(b, 0.4, b.log_uniform(0.01, 0.1), _either(b, 0.4, far, b.log_uniform(0.6, 5)))
    taper = 1 + b.chance(0.5) * b.uniform(-1, 1) * at.along / b.cols
    reach = at.thickness * reach * (taper + b.pick(0, 0, 0.1) * _cloud(b, b.uniform(60, 300)))
    own = b.uniform(0.05, 0.5) * b.cols - b.pick(-1, 1) * at.along + 0.4 * b.normal() * out
    ends = _either(b, 0.25, torch.minimum(at.end, own), at.end)
    ends = torch.where((reach > 0.5 * at.thickness) & (b.chance(0.35) > 0), 4.0 * b.cols, ends)
    border = torch.minimum(reach - at.even[side], 1.2 * reach + 3 + at.edge)
    inside = torch.minimum(border, ends + b.pick(0, 0, 0.3) * b.normal() * out)
    level = _either(b, 0.5, 1 + 0.05 * b.normal(), b.uniform(0.2, 1.6))
    slant = b.chance(0.5) * b.uniform(-0.3, 0.5) * (out / reach.clamp(min=1)).clamp(0, 1)
    shoulder = _fade(out, reach.clamp(min=1) * b.uniform(0.05, 0.6) + 1)
    plane = level + marks - slant + b.chance(0.5) * b.uniform(-0.35, 0.45) * shoulder
    chamfer = b.chance(0.2) * b.log_uniform(2, 30) * b.cols / 800
    seam = b.pick(0.15, -0.7, -0.4, -0.2, 0.4, 0.8) * b.uniform(0.4, 1)
    plane = torch.where(out < chamfer, plane + b.uniform(-0.4, 0.4), plane)
    plane = plane + seam * _bell((out - chamfer) / b.uniform(0.8, 3))
    rim = b.pick(0, 0.2, 0.7) * b.uniform(0.4, 1) * _fade(inside, b.log_uniform(1, 9))
    return (plane + rim).clamp(0, 2.8), inside


def _dressed(b: Batch, at: _Piece, electrons: Tensor, ground: Tensor) -> _Two:
    """Return electrons and codes of pieces on their ground, with shadow, halo, clip, lit lips."""
    which, marks = torch.rand(b.size, 1, 1, device=b.device), _marks(b)
    codes, solid, skins = torch.zeros_like(at.edge, dtype=torch.long), at.edge, []
    spot, value, _ = _scatter(b, b.log_uniform(8, 60), b.uniform(0.3, 0.95), 0)  # deposits
    spot = torch.where(b.chance(0.35) > 0, spot, _AWAY)
    for side, shown in enumerate(((which > 0.35) & (which < 0.78), which > 0.57)):
        plane, inside = _skin(b, at, side, marks)
        plane = laid(plane, b.uniform(0.4, 1.4) + 0.4 * value, spot)
        skins.append((plane, torch.where(shown, torch.minimum(inside, at.near[side] + 2), _AWAY)))
        solid = torch.maximum(solid, skins[-1][1])
    shade = b.pick(0, 0.5, 0.9) * b.uniform(0.3, 1) * _fade(-solid, b.log_uniform(3, 80))
    touch = b.chance(0.25) * b.uniform(-0.5, 0.7) * _bell((solid + 3) / b.uniform(1, 5))
    glow = b.chance(0.3) * b.uniform(0, 0.4) * _fade(-solid, b.log_uniform(10, 120))
    signal = ground * (1 - shade) + touch + glow
    for plane, inside in skins:
        signal, codes = laid(signal, plane, inside), torch.where(inside > 0, 1, codes)
    clip = torch.where(b.chance(0.1) > 0, -at.end, _AWAY)  # a clip holds the piece's ends
    metal = b.uniform(0.2, 1.7) + b.uniform(0, 0.8) * _fade(clip, b.uniform(2, 9)) + marks
    signal, codes = laid(signal, metal, clip), torch.where(clip > 0, 0, codes)
    lip = b.pick(0, 0.2, 0.6, 1.0) * b.uniform(0.4, 1) * _fade(at.edge, b.log_uniform(1, 10))
    uneven = _either(b, 0.5, (0.6 + 0.6 * _cloud(b, b.uniform(40, 300))).clamp(0, 1.5), 1.0)
    signal = laid(signal, 1 + b.uniform(0.4, 1.1) * (electrons - 1) + lip * uneven, at.edge)
    return signal.clamp(0, 3), torch.where(at.edge > 0, 2, codes)


def _film(b: Batch, signal: Tensor, share: float) -> _Two:
    """Return the signal under dried saline or protein, and where that hides all below."""
    pool = _cloud(b, b.log_uniform(25, 250)) + 0.3 * _cloud(b, b.log_uniform(8, 40))
    drop, _, _ = _scatter(b, b.log_uniform(60, 400), b.uniform(0.1, 0.8), 0)
    inside = _either(b, 0.5, (pool - b.uniform(0.2, 1.6)) * 20, drop)
    inside = torch.where(b.chance(share) > 0, inside, _AWAY)
    opaque = _either(b, 0.12, b.uniform(0.8, 1), b.uniform(0.1, 0.55))
    body = b.uniform(0.3, 1.5) + b.log_uniform(0.01, 0.15) * _cloud(b, b.log_uniform(4, 60))
    ring = b.uniform(-0.3, 0.7) * _bell(inside / b.log_uniform(1, 6))
    cover = opaque * torch.sigmoid(inside / b.log_uniform(0.6, 4))
    return signal + cover * (body - signal) + ring, (inside > 0) & (opaque > 0.7)


def _border_spot(b: Batch, at: _Piece) -> _Two:
    """Return places along and across some direction, from a place on the border."""
    near = (at.edge[:, ::4, ::4].abs() < 3).float()
    spot = torch.multinomial(near.flatten(1) + 1e-7, 1)[:, :, None]
    (col, row), way = _turned(b, 0), made.any_angle(b)
    row = row - 4 * (spot // near.shape[2]) + b.rows / 2
    col = col - 4 * (spot % near.shape[2]) + b.cols / 2
    return way.cos() * col + way.sin() * row, way.cos() * row - way.sin() * col


def _hung(b: Batch, at: _Piece, signal: Tensor, share: float) -> _Two:
    """Return the signal under a fold of capsule that hangs over a border, and what it hides."""
    u, v = _border_spot(b, at)
    wide = b.log_uniform(0.04, 0.25) * b.cols
    long = wide * b.uniform(0.5, 2.5)
    wobble = 0.25 * _cloud(b, 0.5 * wide + 6) + 0.06 * _cloud(b, 0.12 * wide + 4)
    inside = torch.minimum(wide * (1 - 0.5 * v / long).clamp(0, 1.5) - u.abs(), long - v.abs())
    inside = torch.where(b.chance(share) > 0, inside + wide * wobble, _AWAY)
    thick = _either(b, 0.6, b.uniform(0.8, 1), b.uniform(0.25, 0.55))
    fold = _cloud(b, 0.3 * wide + 5, b.log_uniform(1, 6)).abs() - 0.6
    body = b.uniform(0.05, 0.3) * fold + b.uniform(0, 0.7) * _bell(inside / b.uniform(1, 4))
    signal = signal * (1 - b.uniform(0, 0.5) * _fade(-inside, b.log_uniform(2, 15)))
    veil = signal + thick * (b.uniform(0.4, 1.3) + body - signal)
    return laid(signal, veil, inside), (inside > 0) & (thick > 0.7)


def _littered(b: Batch, at: _Piece, signal: Tensor, fibres: float, crumbs: float) -> _Two:
    """Return the signal with fibres across the border and crumbs, and what thick fibres hide."""
    hidden = at.edge > 1e6
    for _ in range(2):
        (u, v), wide = _border_spot(b, at), b.log_uniform(0.7, 14) * b.cols / 800
        curl = b.log_uniform(0.15, 4) * b.cols
        line = torch.hypot(u, v - curl) - curl + b.uniform(0, 6) * _cloud(b, b.uniform(30, 200))
        inside = torch.minimum(b.log_uniform(0.05, 1.2) * b.cols - u.abs(), 0.9 * curl - v)
        inside = torch.where(b.chance(fibres) > 0, torch.minimum(wide - line.abs(), inside), _AWAY)
        rod = b.uniform(0.2, 1.5) + b.uniform(-0.3, 0.9) * (line / wide).clamp(-1, 1) ** 2
        signal = laid(signal * (1 - b.uniform(0, 0.5) * _fade(-inside, wide)), rod, inside)
        hidden = hidden | ((inside > 0) & (wide > 0.007 * b.cols))
    grain, value, lit = _scatter(b, b.log_uniform(10, 70), b.uniform(0.2, 0.95), 0.25)
    close = _cloud(b, b.log_uniform(30, 200)) > b.uniform(-1, 1.5)
    close = torch.where(b.chance(0.4) > 0, at.edge.abs() < b.log_uniform(3, 25), close)
    grain = torch.where(close & (b.chance(crumbs) > 0), grain, _AWAY)
    body = b.uniform(0.3, 1.2) + 0.5 * value + 0.3 * lit + b.uniform(0, 0.9) * _bell(grain / 2)
    signal = signal * (1 - b.uniform(0, 0.4) * _fade(-grain, b.uniform(1, 5)))
    return laid(signal, body, grain), hidden


def _lit_outlines(b: Batch, signal: Tensor) -> Tensor:
    """Return the signal with every outline bright, as a detector within the lens shows it."""
    soft = blur(signal, b.log_uniform(0.8, 2.5))
    steep = ((soft - soft.roll(1, 1)).abs() + (soft - soft.roll(1, 2)).abs()).clamp(max=0.4)
    return b.uniform(0, 0.35) + b.uniform(0.6, 1) * signal + b.uniform(0.5, 2.5) * steep


def _charged(b: Batch, at: _Piece, signal: Tensor) -> Tensor:
    """Return the signal under charge: dark halo, wake along the scan, bands across everything."""
    here = (at.edge > 0).float()
    halo = blur(here, b.log_uniform(8, 70)).clamp(0, 1) * (1 - here)
    signal = signal * (1 - b.chance(0.8) * b.uniform(0.4, 1.5) * halo).clamp(min=0.05)
    turn = 2 * math.pi * torch.fft.rfftfreq(2 * b.cols, device=b.device) * b.log_uniform(10, 200)
    wake = torch.fft.rfft(here, n=2 * b.cols) / torch.complex(torch.ones_like(turn), turn)
    wake = torch.fft.irfft(wake, n=2 * b.cols)[..., : b.cols] * (1 - here)
    lip = _bell(at.edge / b.log_uniform(1.5, 8)) * _cloud(b, b.uniform(30, 250)).clamp(0, 1.5)
    line = lines(b.size, b.rows, b.log_uniform(0.7, 40)[:, 0], b.device)[:, :, None]
    burst = torch.sigmoid(15 * (line - b.uniform(0, 1.3))) * here.amax(2, keepdim=True)
    begun = torch.sigmoid((_turned(b, 0)[0] + b.uniform(-0.1, 1.2) * b.cols) / 3)
    band = b.uniform(-0.4, 0.5) * burst * begun + b.uniform(0, 0.08) * line
    signal = signal + b.chance(0.5) * b.uniform(-0.5, 0.3) * wake
    return signal + b.uniform(0, 1) * lip + b.chance(0.8) * band


def _scanned(b: Batch, signal: Tensor) -> Tensor:
    """Return the signal under rectangles of earlier scans and dark corners, soft or the bore's."""
    col, row = _turned(b, 0)
    for _ in range(2):
        high, soft = b.log_uniform(0.08, 0.7) * b.rows, b.log_uniform(0.6, 5)
        down = high / 2 - (row - b.uniform(-0.5, 0.5) * b.rows).abs()
        side = high * b.uniform(0.6, 0.8) - (col - b.uniform(-0.5, 0.5) * b.cols).abs()
        inside = torch.minimum(down, side) / soft
        dark = b.uniform(-0.08, 0.4) * torch.sigmoid(inside)
        signal = signal * (1 - b.chance(0.4) * (dark + b.uniform(-0.15, 0.2) * _bell(inside / 2)))
    far = torch.hypot(row - 0.1 * b.normal() * b.rows, col - 0.1 * b.normal() * b.cols) / b.cols
    bore = torch.sigmoid((far - b.uniform(0.42, 0.7)) / b.log_uniform(0.01, 0.08))
    dark = b.pick(0, 0.5, 1.2) * far**2 + b.chance(0.2) * b.uniform(0.2, 0.6) * bore
    return (signal * (1 - dark).clamp(0.4, 1)).clamp(0, 3)


def _scene(b: Batch, at: _Piece, kinds: _Kinds, *shares: float) -> tuple[Place, Finish]:
    """Return a scene by its grounds and shares of film, capsule, fibres, crumbs, light, charge."""
    def finish(electrons: Tensor) -> _Two:
        signal, codes = _dressed(b, at, electrons, _ground(b, kinds))
        signal, flooded = _film(b, signal, shares[0])
        signal, hung = _hung(b, at, signal, shares[1])
        signal, strand = _littered(b, at, signal, shares[2], shares[3])
        hidden = (flooded | hung) & (at.edge > -0.3 * at.thickness)
        hidden = hidden | (strand & (at.edge.abs() < 0.06 * b.cols))
        signal = _either(b, shares[4], _lit_outlines(b, signal), signal)
        signal = _either(b, shares[5], _charged(b, at, signal), signal)
        return _scanned(b, signal), torch.where(hidden, IGNORED, codes)
    return zones(b, at.along, at.across, at.t, at.thickness, at.edge), finish


def _in_lens(b: Batch) -> tuple[Place, Finish]:
    """Draw pieces upright close under the lens: flat light, every outline bright."""
    return _scene(b, _piece(b, 0.25, 0.9, 0.3), _STUBS, 0.25, 0.08, 0.15, 0.4, 1, 0.25)


def _charging(b: Batch) -> tuple[Place, Finish]:
    """Draw poorly coated pieces on glue, salt or foil, charged and scanned more than once."""
    return _scene(b, _piece(b, 0.15, 0.75, 0.5, 1), _BEDS, 0.15, 0.06, 0.15, 0.3, 0.2, 1)


def _dried(b: Batch) -> tuple[Place, Finish]:
    """Draw pieces at low magnification that dried on paper, mesh, glass or their own salt."""
    return _scene(b, _piece(b, 0.12, 0.4, 0.7), _LOOSE, 0.7, 0.1, 0.25, 0.5, 0.25, 0.15)


def _with_capsule(b: Batch) -> tuple[Place, Finish]:
    """Draw pieces at high magnification under capsule, cells, fibres and deposits."""
    return _scene(b, _piece(b, 0.4, 0.9, 0.2), _STUBS, 0.3, 0.5, 0.3, 0.6, 0.4, 0.25)


SCENES: tuple[Scene, ...] = (_in_lens, _charging, _dried, _with_capsule)
