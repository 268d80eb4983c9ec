"""Scenes as many columns and detectors show them: what the microscope does decides, not the lens.

The same slab is flat in the in-lens detector, hard lit in the side detector, of one grey in the
backscattered image, glowing in gas. The stage is tilted: a lens surface takes much of the picture
and a belt of it is in focus. The record drifts, shakes, is stitched, fades, charges, burns out.
Slabs are chords of a disc, wedged, bowed or S-bent, thinning to their ends, with narrow bevels
along one long border or both, often only part of the way, some finely machined.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.scene_materials import GROUNDS, OPTICS, drawn
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, standardised, turned
from edgeqc.training.strip_places import Place, littered

_NEVER = -999.0
_PAD = 24


@dataclass(frozen=True)
class _Slab:
    """A fragment: places, border distances, and what its lens surfaces need."""

    along: Tensor
    t: Tensor
    edge: Tensor
    out: tuple[Tensor, Tensor]
    ends: Tensor
    between: Tensor
    chord: Tensor
    thickness: Tensor
    angle: Tensor


@dataclass(frozen=True)
class _Column:
    """What the members' detectors make of edges, shadows and greys; one number each."""

    rim: Tensor
    rim_px: Tensor
    relief: Tensor
    shadow: Tensor
    alike: Tensor
    metal: Tensor


def _column(b: Batch) -> _Column:
    """Return in-lens, side, backscattered or low vacuum detectors."""
    kind = torch.randint(4, (b.size, 1, 1), device=b.device)

    def of(*values: float) -> Tensor:
        return torch.tensor(values, device=b.device)[kind]

    return _Column(
        of(0.5, 0.35, 0.06, 0.2) * b.pick(0, 0.4, 1, 1, 2.2) * b.uniform(0.4, 1.3),
        of(1.2, 3, 6, 5) * b.log_uniform(0.6, 4) * b.cols / 600,
        of(0.25, 1.0, 0.45, 0.5) * b.uniform(0.5, 1.3),
        of(0.0, 0.85, 0.5, 0.15) * b.uniform(0.3, 1.1),
        (torch.rand(b.size, 1, 1, device=b.device) < of(0.4, 0.35, 0.8, 0.5)).float(),
        (torch.rand(b.size, 1, 1, device=b.device) < of(0.2, 0.3, 0.65, 0.35)).float(),
    )


def _scanned(b: Batch, faults: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return the beam's rows and columns, sheared, shaken, stepped between tiles; and the tile."""
    col, row = turned(b, b.uniform(0, 0))
    unit = b.cols / 600
    tile = torch.zeros_like(row)
    moved_row, moved_col = row, col + b.pick(0, 0.03, 0.08) * b.normal() * row
    for number, line in enumerate((row / b.rows, col / b.cols)):
        beyond = (line > b.uniform(-0.4, 0.4)).float() * b.chance(0.5 * faults)
        tile = tile + (1 + number) * beyond
        moved_row = moved_row + beyond * b.pick(0, 1, 3) * unit * b.normal()
        moved_col = moved_col + beyond * b.pick(0, 1, 3) * unit * b.normal()
    shaken = b.chance(0.6 * faults) * b.pick(0.3, 0.8, 2) * b.uniform(0.3, 1) * unit
    moved_col = moved_col + wandering(b, row, shaken, b.log_uniform(0.8, 60))
    return moved_row, moved_col, tile


def _steep(level: Tensor) -> Tensor:
    """Return a smooth level as a distance: divided by its own slope."""
    down, right = torch.gradient(level, dim=(1, 2))
    return level / torch.sqrt(down**2 + right**2).clamp(0.1, 3)


def _both(one: Tensor, other: Tensor, round_off: Tensor) -> Tensor:
    """Return the distance inside two borders, their corner rounded off."""
    reach = round_off.clamp(min=0.01)
    return torch.minimum(one, other) - (reach - (one - other).abs()).clamp(min=0) ** 2 / (4 * reach)


def _border(b: Batch, x: Tensor, s: Tensor, wild: float) -> Tensor:
    """Return how thick one half stands, 1 in the middle: thinning, wedged, stepped."""
    line = 1 - b.chance(0.5) * b.uniform(-0.1, 0.65) * s.clamp(-1.3, 1.3) ** 2
    line = line + b.chance(0.5) * wild * b.uniform(-0.6, 0.6) * x
    rise, place = b.chance(0.3) * wild * b.uniform(-0.25, 0.25), b.uniform(-0.45, 0.45)
    step = torch.sigmoid((x - place) / b.log_uniform(0.002, 0.08))
    return (line + rise * step).clamp(0.3, 1.7)


def _worn(b: Batch, along: Tensor, thickness: Tensor) -> Tensor:
    """Return how far the cut's raggedness and chips move a long border, outwards positive."""
    fine = wandering(b, along, b.pick(0.1, 0.3, 0.8, 2) * b.uniform(0.3, 1), b.log_uniform(1.5, 60))
    rough = wandering(b, along, b.uniform(0.05, 0.3), b.log_uniform(3, 40))
    total = fine + b.pick(0, 0, 0.04) * rough * thickness
    for _ in range(2):
        u = (along - b.uniform(-0.5, 0.5) * b.cols) / (b.log_uniform(0.008, 0.12) * b.cols) + rough
        u = u.abs() * torch.where(u > 0, b.uniform(0.5, 2), 1.0)
        deep = b.chance(0.18) * b.log_uniform(0.01, 0.15) * thickness
        total = total - deep * (1 - u ** b.pick(0.7, 1, 2, 4)).clamp(min=0) * (1 + rough)
    return total


def _slab(b: Batch, row: Tensor, col: Tensor, share: Tensor, wild: float) -> _Slab:
    """Return a slab about a bent axis, or two that lie like an open book or one behind another."""
    short = min(b.rows, b.cols)
    paired = b.chance(0.12)
    thickness = (share * (1 - 0.4 * paired)).clamp(min=0.2) * short
    angle = (math.pi / 2) * b.pick(0, 0, 1, 2, 3) + b.pick(0.02, 0.08, 0.2) * b.normal()
    angle = torch.where(b.chance(0.35) > 0, b.uniform(-3.14, 3.14), angle)
    cosine, sine = torch.cos(angle), torch.sin(angle)
    along = cosine * col + sine * row + b.uniform(-0.15, 0.15) * b.cols
    across = cosine * row - sine * col
    across = across + b.uniform(-1, 1) * ((short - thickness) / 2 + 0.05 * short)
    x = along / b.cols
    bend = b.chance(0.5) * b.uniform(-0.45, 0.45) * x**2
    wave = b.chance(0.35) * b.uniform(0.01, 0.07) * torch.sin(b.uniform(3, 9) * x + b.uniform(0, 6))
    way = b.pick(-1, 1)
    across = way * (across - wild * (bend + wave) * b.cols)
    pitch = thickness * (1.03 + b.log_uniform(0.02, 0.6))
    between = torch.where(paired > 0, (across - pitch / 2).abs() - 1, 9e3)
    second = (across > pitch / 2) & (paired > 0)
    other = torch.where(b.chance(0.5) > 0, pitch - across, across - pitch)
    across = way * torch.where(second, other, across)
    along = along + second * b.uniform(-0.3, 0.3) * b.cols
    chords = [torch.where(b.chance(0.45) > 0, b.uniform(0.16, 0.46), b.log_uniform(0.8, 4))
              for _ in range(2)]  # fmt: skip
    chord = b.cols * torch.where(along < 0, *chords)
    s, half = along / chord, thickness / 2
    front, back = (half * _border(b, along / b.cols, s, wild) for _ in range(2))
    end = chord - along.abs() + b.pick(0, 0.1, 0.4) * b.normal() * across
    end = _steep(end + b.chance(0.4) * b.uniform(-0.5, 0.4) / half * across**2)
    out = -across - front, across - back
    worn = wandering(b, across, b.pick(0.3, 1, 4) * b.uniform(0.3, 1), b.log_uniform(2, 50))
    edge = torch.minimum(end + worn, between)
    corner = b.pick(0, 0.02, 0.1, 0.4) * b.uniform(0.3, 1) * thickness
    for side in out:
        edge = _both(_worn(b, along, thickness) - _steep(side), edge, corner)
    t, clean = (across + front) / (front + back), torch.minimum(end, between)
    return _Slab(along, t, edge, out, clean, between, chord, thickness, angle)


def _profile(b: Batch, position: Tensor, finest: float, coarsest: float) -> Tensor:
    """Return lines along a coordinate, of a random profile."""
    line = lines(b.size, 4096, b.log_uniform(finest, coarsest)[:, 0], b.device)
    return at_line(line, (position + 2048).remainder(4094.0))


def _shape(b: Batch, s: _Slab, front: Tensor) -> Tensor:
    """Return a bevel's width along the borders: even, running out, in part, of two widths."""
    x = s.along / b.cols - torch.where(front, b.uniform(-0.4, 0.4), b.uniform(-0.4, 0.4))
    runs = (0.6 + b.pick(-1, 1) * b.uniform(0.8, 3) * x).clamp(0, 1.3)
    part = torch.sigmoid((b.uniform(0.06, 0.4) - x.abs()) / b.log_uniform(0.003, 0.06))
    stop = torch.sigmoid(b.pick(-1, 1) * x / b.log_uniform(0.003, 0.1))
    which = torch.where(front, *torch.randint(7, (2, b.size, 1, 1), device=b.device))
    shape = 1 + wandering(b, s.along, b.pick(0, 0.05, 0.3), b.uniform(40, 250)).clamp(min=-0.9)
    for number, kind in enumerate((runs, part, stop, b.uniform(0.2, 0.7) + stop)):
        shape = torch.where(which == number, kind, shape)
    return shape


def _machined(b: Batch, s: _Slab, out: Tensor) -> Tensor:
    """Return what a bevel carries: a grain, lines at some angle, chatter, or nearly nothing."""
    tilt = b.pick(0, 0, 1.57, 0.6) + 0.1 * b.normal()
    cut = _profile(b, torch.cos(tilt) * out + torch.sin(tilt) * s.along, 0.6, 8)
    pitch = b.log_uniform(3, 25)
    uneven = wandering(b, s.along, b.uniform(0.3, 3), 8 * pitch)
    chatter = torch.sin((s.along + b.uniform(-0.7, 0.7) * out) / pitch + uneven)
    grain = noise(b, b.log_uniform(0.7, 12), anisotropy=b.log_uniform(0.2, 8), angle=s.angle)
    cut = b.pick(0, 0, 1) * cut + b.pick(0, 0, 0, 0.8) * chatter * (0.6 + 0.5 * uneven.clamp(-1, 1))
    return cut + b.pick(0.1, 0.4, 1) * grain


def _bevels(b: Batch, s: _Slab, level: Tensor, shares: tuple[Tensor, Tensor],
            c: _Column) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Return electrons of narrow bevels beside the long borders, and the distance inside them."""
    front = s.t < 0.5
    out = torch.where(front, *s.out)
    wide = torch.where(front, b.log_uniform(0.012, 0.18), b.log_uniform(0.012, 0.18))
    wide = (wide * s.thickness).clamp(min=2) * _shape(b, s, front)
    inside = _both(wide - out, s.ends, b.uniform(0, 0.1) * s.thickness)
    inside = torch.minimum(torch.minimum(inside, out + 0.08 * s.thickness), s.edge + 1.6 * wide)
    x = (out / (wide + 1)).clamp(0, 1)
    facing = torch.where(front, b.uniform(-0.5, 0.5), b.uniform(-0.5, 0.5))  # to the detector
    plane = level * (1 + c.relief * (b.uniform(-0.5, 0.5) * x + b.chance(0.6) * facing))
    plane = plane * (1 + b.chance(0.3) * b.uniform(-0.4, 0.4) * (x > b.uniform(0.3, 0.7)))
    plane = plane + b.log_uniform(0.01, 0.25) * _machined(b, s, out)
    plane = plane + c.rim * b.pick(0, 0.6, 1.5) * torch.exp(-inside.clamp(min=0) / c.rim_px)
    return plane, torch.where((torch.where(front, *shares) > 0) & (wide > 1.2), inside, _NEVER)


def _surface(b: Batch, s: _Slab, out: Tensor, level: Tensor, c: _Column,
             wide: float) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Return electrons of the tilted disc behind one border, and the distance inside it."""
    bulge = torch.where(b.chance(wide) > 0, b.log_uniform(0.35, 4), b.log_uniform(0.012, 0.25))
    bulge = (bulge * s.thickness).clamp(min=2)
    q = b.uniform(-0.8, 0.7)  # a chord before or behind the disc's middle
    u = s.along / s.chord * torch.sqrt(1 - q**2)
    v = out * (1 + q) / bulge - q
    far = torch.sqrt(u**2 + v**2 + 1e-4)
    inside = _steep((1 - far) * bulge / (1 + q))
    inside = inside + wandering(b, s.along, b.pick(0.1, 0.5, 2), b.log_uniform(4, 90))
    inside = torch.minimum(torch.minimum(inside, out + 0.08 * s.thickness), s.between)
    x = (out / bulge).clamp(0, 1)
    plane = level * (1 + c.relief * (b.uniform(-0.7, 0.7) * x ** b.pick(0.5, 1, 3)
                                     + b.pick(0, 0.5) * b.uniform(-1, 1) * u.clamp(-1, 1)))
    haze = noise(b, b.log_uniform(1, 90), exponent=b.uniform(0.2, 1.5), angle=s.angle,
                 anisotropy=b.log_uniform(1, 9))  # fmt: skip
    rings = _profile(b, far * b.uniform(0.6, 1.6) * b.cols, 0.8, 14)
    optic = standardised(drawn(b, OPTICS, 2))
    which = torch.randint(5, (b.size, 1, 1), device=b.device)
    marks = torch.where(which < 2, optic, torch.where(which == 2, rings, haze))
    step = (far * b.uniform(3, 12)).remainder(1) - 0.5
    marks = marks + 0.3 * haze + (which == 4) * b.uniform(-3, 3) * step
    plane = plane + level * b.log_uniform(0.006, 0.2) * marks
    # the disc's own far rim: a line, and a turned step inside it
    plane = plane + c.rim * b.pick(0, 0.5, 1, 2.5) * torch.exp(-inside.clamp(min=0) / c.rim_px)
    ledge = b.chance(0.35) * b.log_uniform(0.02, 0.2) * bulge
    plane = plane * torch.where(inside < ledge, b.uniform(0.55, 1.5), 1.0)
    return plane.clamp(0, 2.8), inside


def _ground(b: Batch, c: _Column) -> Tensor:
    """Return what lies below: of any grey, as bright as the face for some."""
    plane = drawn(b, GROUNDS)
    mean = plane.mean(dim=(1, 2), keepdim=True).clamp(min=0.1)
    level = torch.where(c.metal > 0, b.uniform(0.9, 2.0), b.pick(1, 2.4) * b.uniform(0.03, 0.5))
    plane = level + b.uniform(0.2, 1) * (plane - mean) * (level / mean).clamp(0.3, 2)
    return blur(plane, b.pick(0.1, 0.6, 2, 6) * b.uniform(0.5, 1.5)).clamp(0, 2.6)


def _cast(b: Batch, solid: Tensor) -> Tensor:
    """Return a hard cast shadow of what stands above the ground, 0 .. 1."""
    way, reach, soft = b.uniform(-3.14, 3.14), b.log_uniform(0.02, 0.25), b.log_uniform(0.6, 5)
    here = functional.affine_grid(torch.eye(2, 3, device=b.device).repeat(b.size, 1, 1),
                                  [b.size, 1, b.rows, b.cols], align_corners=False)  # fmt: skip
    way = torch.stack([torch.cos(way), torch.sin(way)], -1) * reach[..., None]
    shade = torch.zeros_like(solid)
    for part in (0.2, 0.4, 0.6, 0.8, 1.0):  # a wall's shadow is swept along, softer far off
        seen = functional.grid_sample(solid[:, None], here + part * way, padding_mode="border",
                                      align_corners=False)[:, 0]  # fmt: skip
        shade = torch.maximum(shade, torch.sigmoid(seen / (soft + 4 * part)))
    return shade


def _unequal(b: Batch, s: _Slab) -> Tensor:
    """Return the light over the piece: gradients and zones of a quite other grey, about 1."""
    light = 1 + b.pick(0, 0.3, 0.9) * b.uniform(-1, 1) * (s.t.clamp(-0.2, 1.2) - 0.5)
    light = light * (1 + b.pick(0, 0.3, 0.8) * b.uniform(-1, 1) * s.along / b.cols).clamp(0.2, 2)
    slow = noise(b, b.log_uniform(30, 200), exponent=1.5)
    light = light * (1 + b.pick(0, 0.07, 0.2) * slow).clamp(0.4, 2)
    # a belt or patch of another grey with its own border, and a neighbour's hard shadow
    line = torch.where(b.chance(0.5) > 0, (s.t - b.uniform(0.1, 0.9)) * s.thickness,
                       s.along - b.uniform(-0.4, 0.4) * b.cols)  # fmt: skip
    line = line + b.pick(0, 4, 20) * slow + b.uniform(-0.5, 0.5) * b.pick(0, 1) * s.along
    patch = b.chance(0.4) * torch.sigmoid(line / b.log_uniform(0.5, 25))
    return (light * (1 + b.uniform(-0.65, 0.6) * patch)).clamp(0.2, 2.2)


def _assembled(b: Batch, s: _Slab, electrons: Tensor, c: _Column,
               shares: tuple[float, float, float]) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Return ground, lens surfaces and face above each other, and their codes."""
    wide, seen, bevels = shares  # of wide surfaces, of any surface, of bevelled borders
    base, light = b.log_uniform(0.35, 1.6), _unequal(b, s)
    shared = torch.where(b.chance(0.6) > 0, light, 1.0)
    some, own = b.chance(0.68), b.log_uniform(0.25, 1.9)
    level = torch.where(c.alike > 0, base * (1 + 0.04 * b.normal()), own) * shared
    plane, inside = _surface(b, s, torch.where(b.chance(0.5) > 0, *s.out), level, c, wide)
    layers = [(plane, torch.where(some * b.chance(seen) > 0, inside, _NEVER))]
    level = torch.where(b.chance(0.5) > 0, level, b.log_uniform(0.3, 1.9) * shared)
    layers.append(_bevels(b, s, level, (some * b.chance(bevels), some * b.chance(bevels)), c))
    solid = torch.maximum(s.edge, torch.maximum(layers[0][1], layers[1][1]))
    signal = _ground(b, c) * (1 - c.shadow * b.chance(0.6) * _cast(b, solid))
    near = torch.exp(solid.clamp(max=0) / b.log_uniform(2, 70))
    signal = signal * (1 + b.pick(0, 0, -0.7, 0.5) * b.uniform(0.3, 1) * near)
    codes = torch.zeros_like(s.edge, dtype=torch.long)
    for plane, inside in layers:
        signal = laid(signal, plane.clamp(0, 2.8), inside, b.uniform(0.3, 1.2))
        codes = torch.where(inside > 0, 1, codes)
    face = base * light * (1 + b.pick(0.25, 0.6, 1, 1, 1.5) * (electrons - 1))
    for out in s.out:  # each border brightens by itself, along part of it
        rim = c.rim * b.pick(0, 0.4, 1) * torch.sigmoid(
            2 * wandering(b, s.along, b.pick(0, 1, 2), b.uniform(30, 200)) + b.uniform(0, 3))
        face = face + rim * torch.exp(-(-out).clamp(min=0) / (c.rim_px * b.log_uniform(0.4, 2.5)))
    signal = laid(signal, face, s.edge, b.uniform(0.25, 1.2))
    return signal, torch.where(s.edge > 0, 2, codes)


def _defocused(b: Batch, signal: Tensor, most: Tensor) -> Tensor:
    """Return the picture of a tilted stage: a belt in focus, the ends less so, some astigmatic."""
    depth = turned(b, torch.where(b.chance(0.7) > 0, 0.15 * b.normal(), b.uniform(-3, 3)))[1]
    away = (depth / b.rows - b.uniform(-0.5, 0.5)).abs() - b.uniform(0, 0.2)
    sigma = most * away.clamp(min=0) + b.chance(0.2) * b.log_uniform(0.3, 2)
    wide = functional.pad(signal[:, None], (_PAD,) * 4, mode="reflect")[:, 0]
    f_row = torch.fft.fftfreq(wide.shape[1], device=b.device)[None, :, None] * b.cols / 600
    f_col = torch.fft.rfftfreq(wide.shape[2], device=b.device)[None, None, :] * b.cols / 600
    angle, slim = b.uniform(-3.14, 3.14), b.pick(1, 1, 0.5, 0.15)
    one = torch.cos(angle) * f_col + torch.sin(angle) * f_row
    other = slim * (torch.cos(angle) * f_row - torch.sin(angle) * f_col)
    power, sharp, low = one**2 + other**2, torch.fft.rfft2(wide), 0.0
    for high in (1.0, 2.6, 6.5):
        soft = torch.fft.irfft2(sharp * torch.exp(-19.7 * high**2 * power), s=wide.shape[1:])
        soft = soft[:, _PAD:-_PAD, _PAD:-_PAD]
        signal = torch.lerp(signal, soft, ((sigma - low) / (high - low)).clamp(0, 1))
        low = high
    return signal


def _charged(b: Batch, s: _Slab, signal: Tensor, share: float) -> Tensor:
    """Return the picture of a piece that charges: an edge or belt washed out, streaks beside."""
    border = torch.where(b.chance(0.5) > 0, s.out[0], s.out[1])
    near = torch.exp(-(border / (b.log_uniform(0.01, 0.15) * s.thickness)).clamp(-5, 5) ** 2)
    part = torch.sigmoid(wandering(b, s.along, b.uniform(2, 5), b.uniform(40, 250)) - 1)
    near = near * part * torch.exp(s.edge.clamp(max=0) / (0.03 * s.thickness))
    washed = b.chance(0.6 * share) * b.uniform(0.4, 0.97) * near
    signal = torch.lerp(signal, b.pick(0.25, 1.0, 1.7, 2.4) * torch.ones_like(signal), washed)
    row = turned(b, b.uniform(0, 0))[1] / b.rows - b.uniform(-0.5, 0.5)
    belt = torch.sigmoid((b.log_uniform(0.003, 0.08) - row.abs()) / b.log_uniform(0.003, 0.05))
    held = torch.sigmoid((s.edge + b.pick(0, 30)) / b.log_uniform(2, 40))
    signal = signal + b.chance(0.35 * share) * b.uniform(-0.3, 0.7) * belt * held
    # what was bright leaves a dark tail along the fast scan
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]
    lag = 1 + 2j * math.pi * f_col * b.log_uniform(0.02, 0.4) * b.cols
    seen = torch.fft.rfft(signal - signal.mean(dim=(1, 2), keepdim=True))
    tail = b.chance(0.5 * share) * b.uniform(0.1, 0.5) * torch.fft.irfft(seen / lag, n=b.cols)
    return (signal - tail).clamp(0, 3)


def _recorded(b: Batch, tile: Tensor, signal: Tensor, faults: float) -> Tensor:
    """Return the picture as recorded: tiles, corners, drift of the gain, tone, lost extremes."""
    tone = 1 + b.chance(0.8) * 0.14 * torch.sin(tile * 2.1 + b.uniform(0, 6.3))
    signal = signal * torch.where(tile > 0, tone, 1.0)
    col, row = turned(b, b.uniform(0, 0))
    far = torch.hypot(col / b.cols - b.uniform(-0.3, 0.3), row / b.cols - b.uniform(-0.2, 0.2))
    fade = b.chance(0.5 * faults) * b.uniform(0.3, 1.3) * far ** b.pick(1.5, 2, 4)
    drift = wandering(b, row, b.chance(0.6 * faults) * b.uniform(0, 0.14), b.log_uniform(8, 300))
    signal = signal * (1 - fade).clamp(min=0.15) * (1 + drift).clamp(0.3, 2)
    tube = torch.sigmoid((b.uniform(0.45, 0.75) - far) / b.log_uniform(0.01, 0.2))
    signal = signal * (1 - b.chance(0.12 * faults) * b.uniform(0.3, 0.85) * (1 - tube))
    sign = torch.where(b.chance(0.15 * faults) > 0, -1.0, 1.0) * b.log_uniform(0.15, 0.8)
    span = sign * standardised(signal) * signal.std(dim=(1, 2), keepdim=True).clamp(max=0.1) * 10
    signal = b.uniform(0.8, 1.15) + span / (1 + 0.7 * span.abs())  # a toe and a shoulder
    low = torch.where(b.chance(0.12 * faults) > 0, b.uniform(0.3, 0.65), 0.0)
    high = torch.where(b.chance(0.2 * faults) > 0, b.uniform(1.15, 1.7), 3.0)
    return torch.minimum(torch.maximum(signal, low), high).clamp(0, 3)


def _scene(b: Batch, thick: tuple[float, float], shares: tuple[float, float, float], *,
           wild: float, focus: float, faults: float) -> tuple[Place, Finish]:  # fmt: skip
    """Return a slab's zones, and what draws it through a column."""
    row, col, tile = _scanned(b, faults)
    s = _slab(b, row, col, b.uniform(*thick), wild)
    place = zones(b, s.along, s.t * s.thickness, s.t, s.thickness, s.edge)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        c = _column(b)
        electrons = torch.where(tile > 0, electrons.roll((5, -9), (1, 2)), electrons)
        signal, codes = _assembled(b, s, electrons, c, shares)
        signal = _charged(b, s, littered(b, place, signal)[0], faults)
        signal = _defocused(b, signal, b.chance(focus) * b.log_uniform(2, 16))
        return _recorded(b, tile, signal, faults), codes

    return place, finish


def tilted_stage(b: Batch) -> tuple[Place, Finish]:
    """Draw slabs looked at slantwise: a wide lens surface, a belt in focus, hard shadows."""
    return _scene(b, (0.2, 0.6), (0.9, 0.95, 0.3), wild=0.8, focus=0.7, faults=0.45)


def bevelled_edges(b: Batch) -> tuple[Place, Finish]:
    """Draw slabs whose long borders carry narrow bevels, along all or part of them."""
    return _scene(b, (0.3, 0.85), (0.25, 0.3, 0.8), wild=1.0, focus=0.3, faults=0.4)


def faulty_records(b: Batch) -> tuple[Place, Finish]:
    """Draw slabs of any kind in pictures that drifted, charged, shook or were stitched."""
    return _scene(b, (0.2, 0.8), (0.5, 0.6, 0.4), wild=1.3, focus=0.4, faults=1.0)


SCENES: tuple[Scene, ...] = (tilted_stage, bevelled_edges, faulty_records)
