"""Scenes of pieces seen nearly square on, where the lens's own surface is only a sliver.

A piece is stood on its edge so that the beam meets the cut face at right angles. A degree or two
of lean is enough for the lens's smooth front or back to come into view as a narrow band: 1 to
12 % of the thickness, wider towards one end when the piece is turned as well as leant, gone where
the cut edge bows over it. Seen at a grazing angle such a band may be much brighter than the face
(yield about 1 / cos of the tilt), as grey as it, or dark where the face shades it. What tells it
is that it is smooth, follows the outline, and ends in a clean line that the cut never has.

Outlines are lens shapes: optics that taper and bow, haptics, stepped edges, knees, torn-off ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from edgeqc.training import scene_materials as materials
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, cells, lines, noise, places, turned
from edgeqc.training.strip_places import Place

_NEVER = -999.0


@dataclass(frozen=True)
class _Piece:
    """One fragment's outline: places, border distances, and the clean outline of the lens."""

    along: Tensor
    across: Tensor
    t: Tensor
    edge: Tensor
    out: tuple[Tensor, Tensor]
    ends: Tensor
    thickness: Tensor


def _sloped(level: Tensor) -> Tensor:
    """Return a level field as a distance: divided by its own steepness."""
    down, right = torch.gradient(level, dim=(1, 2))
    return level / torch.sqrt(down**2 + right**2).clamp(0.7, 3)


def _corner(one: Tensor, other: Tensor, radius: Tensor) -> Tensor:
    """Return the distance inside two borders that meet in a corner of a radius."""
    round_off = torch.hypot((radius - one).clamp(min=0), (radius - other).clamp(min=0))
    return radius - round_off + (torch.minimum(one, other) - radius).clamp(min=0)


def _lens_line(b: Batch, x: Tensor, wild: float) -> Tensor:
    """Return how far a clean long border stands out, in thicknesses, at x pictures along."""
    line = b.chance(0.5) * b.uniform(-0.45, 0.45) * x  # taper
    line = line + b.chance(0.45) * b.uniform(-0.5, 0.5) * (x**2 - 0.1)  # bow
    for _ in range(2):  # steps of an optic's edge, abrupt or drawn out
        rise = b.chance(0.22 * wild) * b.uniform(-0.2, 0.2)
        place, width = b.uniform(-0.45, 0.45), b.log_uniform(0.002, 0.06)
        line = line + rise * torch.sigmoid(((x - place) / width).clamp(-30, 30))
    bend = b.chance(0.15 * wild) * b.uniform(-0.5, 0.5)
    return line + bend * torch.sqrt((x - b.uniform(-0.3, 0.3)) ** 2 + b.log_uniform(1e-5, 1e-2))


def _bites(b: Batch, x: Tensor) -> Tensor:
    """Return how deep notches and chips reach into a border, in thicknesses."""
    total = torch.zeros_like(x)
    for _ in range(3):
        width = b.log_uniform(0.008, 0.15)
        u = ((x - b.uniform(-0.5, 0.5)) / width).abs()
        flat = torch.sigmoid((1 - u) / 0.06)
        shape = torch.where(b.chance(0.5) > 0, flat, (1 - u**2).clamp(min=0))
        total = total + b.chance(0.2) * b.log_uniform(0.01, 0.2) * shape
    return total


def _torn(b: Batch, along: Tensor, thickness: Tensor) -> Tensor:
    """Return how far raggedness and burrs push a border outwards, in samples."""
    fine = wandering(b, along, b.pick(0.1, 0.4, 1, 2.5) * b.uniform(0.3, 1), b.log_uniform(1.5, 40))
    slow = wandering(b, along, b.pick(0, 0.004, 0.015) * thickness, b.log_uniform(20, 200))
    lip = wandering(b, along, b.pick(1.0), b.log_uniform(2, 25)) - b.uniform(0.3, 1.6)
    return fine + slow + b.chance(0.25) * b.log_uniform(0.006, 0.04) * thickness * lip.clamp(min=0)


def _ends(
    b: Batch, along: Tensor, across: Tensor, half: Tensor, share: float
) -> tuple[Tensor, Tensor]:
    """Return the distances inside the ends: as torn off, and as the lens's surface shows."""
    cut = clean = torch.full_like(along, 9e3)
    for sign in (-1, 1):
        far = torch.where(b.chance(share) > 0, b.uniform(0.1, 0.47), 4.0) * b.cols
        line = far - sign * along + b.pick(0, 0.1, 0.5) * b.normal() * across
        line = line + b.chance(0.4) * b.uniform(-0.5, 0.5) / half * across**2
        own = line + b.pick(0, 0, 0.02, 0.1, -0.2) * b.uniform(0.3, 1) * half
        clean = torch.minimum(clean, own + wandering(b, across, b.pick(0.2, 1), b.uniform(4, 60)))
        sd = 0.3 + b.pick(0, 0, 0.03, 0.1, 0.2) * b.uniform(0.3, 1) * half
        line = line + wandering(b, across, sd, b.log_uniform(4, 80)).clamp(-0.4 * half, 0.4 * half)
        # a corner broken off slantwise
        slant = far - sign * along + b.pick(-1.0, 1.0) * b.uniform(0.6, 1.6) * across
        broken = torch.where(b.chance(0.25) > 0, slant + b.uniform(-0.3, 0.6) * half, 9e3)
        cut = torch.minimum(cut, torch.minimum(_sloped(line), _sloped(broken)))
    return cut, clean


def _piece(b: Batch, along: Tensor, across: Tensor, thickness: Tensor, *, share: float,
           wild: float, pairs: float) -> _Piece:  # fmt: skip
    """Return a fragment about an axis, or two side by side."""
    half = thickness / 2
    pitch = thickness * (1.06 + b.log_uniform(0.02, 0.7))
    paired, way = b.chance(pairs), b.pick(-1, 1)
    between = torch.where(paired > 0, (across * way - pitch / 2).abs() - 2, 9e3)
    second = (across * way > pitch / 2).float() * paired
    across = across - second * pitch * way
    along = along + second * b.uniform(-0.4, 0.4) * b.cols
    x = along / b.cols
    front = -half * (1 + _lens_line(b, x, wild)).clamp(0.3, 1.7)
    back = half * (1 + _lens_line(b, x, wild)).clamp(0.3, 1.7)
    inward = _sloped(across - front), _sloped(back - across)
    cut, clean = (torch.minimum(end, between) for end in _ends(b, along, across, half, share))
    edge = cut
    for side in inward:
        line = side - _bites(b, x) * thickness + _torn(b, along, thickness)
        radius = b.pick(0, 0, 0.04, 0.15, 0.5) * b.uniform(0.4, 1) * thickness
        edge = torch.minimum(edge, _corner(line, cut, radius))
    grain = b.pick(0, 0.3, 0.8, 1.6) * b.uniform(0.3, 1) * noise(b, b.log_uniform(1.5, 20))
    t = (across - front) / (back - front)
    return _Piece(along, across, t, edge + grain, (-inward[0], -inward[1]), clean, thickness)


def _axis(b: Batch, low: float, high: float, off: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return positions along and across, and thickness; some reach beyond the frame sideways."""
    short = min(b.rows, b.cols)
    thickness = b.uniform(low, high) * short
    level = (math.pi / 2) * b.pick(0, 0, 1, 2, 3) + b.pick(0.01, 0.04, 0.12) * b.normal()
    along, across = turned(b, torch.where(b.chance(0.65) > 0, level, b.uniform(-3.14, 3.14)))
    room = ((short - thickness) / 2 - 0.02 * short).clamp(min=0)
    across = across + b.uniform(-1, 1) * (room + (b.chance(off) > 0) * 0.35 * thickness)
    return along + b.uniform(-0.2, 0.2) * b.cols, across, thickness


def _creased_foil(b: Batch) -> Tensor:
    """Draw crumpled foil: facets of one grey each that meet in sharp creases."""
    along, across = turned(b, b.uniform(-3.14, 3.14))
    size = b.log_uniform(25, 220)
    bend = 0.12 * size * noise(b, size)
    of = places((along + bend) / size, (across - bend) / (size * b.log_uniform(0.4, 1)),
                b.uniform(0.25, 0.5), 0 * size)  # fmt: skip
    near, second, value, off_u, off_v = cells(of)
    slope = (value - 0.5) * off_u + (value * 7 % 1 - 0.5) * off_v
    crease = torch.exp(-(second - near) * size / b.uniform(1, 5))
    plane = value + b.uniform(0, 1.5) * slope + b.uniform(-0.6, 1) * crease
    return b.uniform(0.3, 1.2) + b.log_uniform(0.05, 0.5) * (plane - 0.5)


def _crystal_bed(b: Batch) -> Tensor:
    """Draw crystals grown over each other: squarish blocks at all turns with bright arrises."""
    plane = b.uniform(0.1, 0.9) + 0.05 * noise(b, b.log_uniform(2, 20))
    for base in (b.log_uniform(7, 45), b.log_uniform(5, 30)):
        along, across = turned(b, b.uniform(-3.14, 3.14))
        of = places(along / base, across / base, b.uniform(0.1, 0.3), b.uniform(0, 0.5))
        inside, tone = torch.full_like(along, -9.0), torch.zeros_like(along)
        for u, v, first, other in of.near():
            cosine, sine = torch.cos(3.14 * first), torch.sin(3.14 * first)
            p, q = cosine * u + sine * v, cosine * v - sine * u
            block = 0.2 + 0.45 * other - torch.maximum(p.abs(), (0.6 + first) * q.abs())
            tone = torch.where(block > inside, first + 0.5 * p, tone)
            inside = torch.maximum(inside, block)
        inside = inside * base
        arris = torch.exp(-(inside - 1).abs() / b.uniform(0.8, 2.5))
        block = b.uniform(0.3, 0.9) + b.uniform(0.1, 0.7) * tone + b.uniform(0, 0.7) * arris
        plane = laid(plane * (1 - 0.5 * torch.exp(inside.clamp(max=0) / 4)), block, inside)
    return plane


def _felt(b: Batch) -> Tensor:
    """Draw paper or a filter: ribbons crossing over each other, dark gaps between."""
    plane = b.uniform(0, 0.4) + 0.05 * noise(b, b.log_uniform(2, 20))
    kin, wide = b.uniform(-3.14, 3.14), b.log_uniform(0.006, 0.03) * b.cols
    for _ in range(7):
        along, across = turned(b, kin + b.pick(0.2, 1.5) * b.normal())
        line = across + wandering(b, along, b.uniform(2, 20), b.uniform(40, 200))
        pitch = wide * b.uniform(3, 9)
        lane = torch.floor(line / pitch)
        x = ((line / pitch - lane - 0.5) * pitch / (wide * b.uniform(0.4, 1))).abs()
        shape = b.uniform(0.3, 0.9) + b.uniform(0, 0.7) * x.clamp(max=1) ** 3
        shape = shape + 0.12 * torch.sin(lane * 12.9) + 0.03 * torch.sin(along / wide * 1.7)
        plane = laid(plane * (1 - 0.5 * torch.exp(-(x - 1).clamp(0, 9))), shape, (1 - x) * wide)
    return plane


def _rubble(b: Batch) -> Tensor:
    """Draw a ground as rough as any cut: cast resin, dried paint, swarf, sponge."""
    size = b.log_uniform(1.5, 30)
    field = noise(b, size, exponent=b.uniform(0.3, 1.6))
    lit = field - torch.where(b.chance(0.5) > 0, field.roll(1, 1), field.roll(1, 2))
    lit = lit / (lit.std(dim=(1, 2), keepdim=True) + 1e-6) + 0.4 * field
    plane = b.uniform(0.2, 1.3) + b.log_uniform(0.04, 0.35) * lit
    pores = torch.sigmoid(8 * (noise(b, 2 * size, exponent=1.5) - b.uniform(0.4, 2)))
    return plane - b.chance(0.5) * b.uniform(0.2, 0.8) * pores


def _wire_mesh(b: Batch) -> Tensor:
    """Draw a woven mesh or a grid bar: round wires over dark holes."""
    pitch = b.log_uniform(0.04, 0.4) * b.cols
    along, across = turned(b, b.uniform(-3.14, 3.14))
    plane = b.uniform(0, 0.4) + b.log_uniform(0.005, 0.08) * noise(b, b.log_uniform(1, 40))
    fill = b.uniform(0.15, 0.45)
    for line, other in ((along, across), (across, along)):
        lane = (line + 0.05 * pitch * torch.sin(other / pitch * math.pi)) / pitch
        x = ((lane.remainder(1) - 0.5) / fill).abs()
        wire = b.uniform(0.4, 1.3) - b.uniform(-0.4, 0.4) * x.clamp(max=1) ** 2
        plane = laid(plane, wire, (1 - x) * fill * pitch)
    return plane + b.log_uniform(0.005, 0.05) * noise(b, b.log_uniform(1, 10))


def _ground(b: Batch, kinds: tuple[int, ...], sharp: float) -> Tensor:
    """Return grounds of some kinds, of any grey, sharp for a share and else out of focus."""
    plane = materials.drawn(b, tuple(_GROUNDS[kind] for kind in kinds))
    plane = blur(plane, torch.where(b.chance(sharp) > 0, 0.1, b.log_uniform(1, 14)))
    level = b.uniform(0.7, 1.2) / plane.mean(dim=(1, 2), keepdim=True).clamp(min=0.2)
    plane = plane * torch.where(b.chance(0.4) > 0, level, 1.0)
    along, _ = turned(b, b.uniform(-3.14, 3.14))
    return (plane * (1 + b.pick(0, 0.3, 0.8) * b.uniform(0, 1) * along / b.cols)).clamp(0, 2.6)


_GROUNDS = (
    materials.carbon_tape, materials.turned_metal, _creased_foil, _crystal_bed, _felt, _rubble,
    _wire_mesh, materials.flat_wafer, materials.polished_metal, materials.far_void,
)  # fmt: skip


def _widths(b: Batch, p: _Piece, twist: Tensor) -> Tensor:
    """Return how wide the lens's surface shows along a border: even, running out, in part."""
    wide = torch.where(b.chance(0.65) > 0, b.log_uniform(0.012, 0.13), b.log_uniform(0.13, 1.2))
    x = p.along / b.cols - b.uniform(-0.3, 0.3)
    run = (0.6 + b.pick(-1, 1) * b.uniform(0.6, 3) * x).clamp(0, 1.3)
    some = torch.exp(-((x / b.uniform(0.08, 0.4)) ** 2).clamp(max=30))
    stop = torch.sigmoid((b.pick(-1, 1) * x / b.log_uniform(0.004, 0.08)).clamp(-30, 30))
    sway = (1 + wandering(b, p.along, b.uniform(0.1, 0.6), b.uniform(60, 300))).clamp(min=0)
    which = torch.randint(7, (b.size, 1, 1), device=b.device)
    shape = torch.ones_like(x)
    for number, kind in enumerate((run, some, stop, sway, 1 - 0.9 * some)):
        shape = torch.where(which == number, kind, shape)
    shape = torch.where(twist != 0, (0.3 + 2 * twist * p.along / b.cols).clamp(0, 1.3), shape)
    return (wide * p.thickness).clamp(min=1.5) * shape


def _made_marks(b: Batch, p: _Piece, out: Tensor) -> Tensor:
    """Return what a moulded or lathed surface may carry: almost nothing, never a cut's marks."""
    haze = noise(b, b.log_uniform(1.5, 150), exponent=b.uniform(0.6, 1.5))
    haze = haze + b.pick(0, 0, 0, 9, -9) * materials.scratches(b, 2)
    line = lines(b.size, 4096, b.log_uniform(1, 12)[:, 0], b.device)
    lathe = at_line(line, (out + 0.02 * p.along * b.normal() + 2000).clamp(0, 4090))
    speck = torch.sigmoid(8 * (noise(b, b.log_uniform(1.5, 8), exponent=1.7) - b.uniform(2, 4)))
    marks = b.log_uniform(0.002, 0.05) * haze + b.pick(0, 0, 0.01, 0.03) * lathe
    wave = torch.sin(p.along / b.cols * b.uniform(1, 8) + b.uniform(0, 6))  # charging
    return marks + b.pick(0, 0, 0.4, -0.3) * speck + b.pick(0, 0, 0.1, 0.3) * wave


def _band(b: Batch, p: _Piece, side: int, grey: Tensor, twist: Tensor) -> tuple[Tensor, Tensor]:
    """Return electrons of the lens's surface beside one border and the distance inside it."""
    out = p.out[side]
    width = _widths(b, p, twist)
    inside = _corner(width - out, p.ends, b.pick(0, 0.1, 0.4) * b.uniform(0, 1) * p.thickness)
    inside = torch.minimum(inside, out + 0.3 * p.thickness)  # on its own side, and in notches
    x = (out / (width + 1)).clamp(0, 1)
    tone = torch.where(b.chance(0.5) > 0, b.log_uniform(0.12, 0.9), b.uniform(1.1, 2.2))
    plane = torch.where(b.chance(0.45) > 0, grey * (1 + 0.03 * b.normal()), 0.5 * (grey + 1) * tone)
    round_off = b.pick(0, 0, 0.15, 0.5, -0.4) * b.uniform(0.4, 1) * x ** b.pick(1, 2, 5)
    plane = plane * (1 + round_off) + _made_marks(b, p, out)
    # a chamfer next to the cut, of another grey
    bevel = b.chance(0.2) * b.uniform(0.15, 0.6) * width
    plane = laid(plane, plane * b.uniform(0.4, 1.7), torch.where(bevel > 0, bevel - out, _NEVER))
    near = torch.exp(p.edge.clamp(max=0) / b.log_uniform(1, 15))
    plane = plane * (1 + b.pick(0, 0, 0, -0.6, 0.4) * near)
    rim = b.pick(0, 0, 0.2, 0.7, -0.3) * b.uniform(0.3, 1)
    plane = plane + rim * torch.exp(-inside.clamp(min=0) / b.log_uniform(0.8, 7))
    return plane.clamp(0, 2.8), torch.where(width > 1, inside, _NEVER)


def _assembled(b: Batch, p: _Piece, electrons: Tensor, ground: Tensor, both: float,
               twisted: float) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Return ground, the lens's surfaces and the face above each other, and their codes."""
    member, width = torch.sigmoid(p.edge), 0.07 * p.thickness + 2
    grey = (blur(electrons * member, width) + 0.02) / (blur(member, width) + 0.02)  # close by
    twist = b.chance(twisted) * b.pick(-1, 1) * b.uniform(0.4, 1.5)
    bands = []
    first, second, some = b.chance(0.5), b.chance(both), b.chance(0.67)
    for side in (0, 1):
        shown = (some > 0) & ((first == side) | (second > 0))
        plane, inside = _band(b, p, side, grey.clamp(0.3, 2), twist if side else -twist)
        bands.append((plane, torch.where(shown, inside, _NEVER)))
    solid = torch.maximum(p.edge, torch.maximum(bands[0][1], bands[1][1])).clamp(max=0)
    lee = torch.where(b.chance(0.5) > 0, torch.sigmoid(p.across / 9 * b.pick(-1, 1)), 1.0)
    dark = b.pick(0, 0.3, 0.7, 0.95) * lee * torch.exp(solid / b.log_uniform(2, 70))
    glow = b.chance(0.3) * b.uniform(-0.1, 0.4) * torch.exp(solid / b.log_uniform(2, 80))
    signal = (ground * (1 - dark) + glow).clamp(min=0)
    codes = torch.zeros_like(p.edge, dtype=torch.long)
    for plane, inside in bands:
        signal = laid(signal, plane, inside, b.uniform(0.3, 1.2))
        codes = torch.where(inside > 0, 1, codes)
    # the face: edge brightening of its own and, for some, a thin line all along the cut
    face = electrons * (1 + b.pick(0, 0, 0.15, 0.4) * b.uniform(-1, 1) * (p.t.clamp(0, 1) - 0.5))
    rim = torch.exp(-p.edge.clamp(min=0) / b.log_uniform(0.8, 12))
    face = face + b.pick(0, 0, 0.15, 0.5, -0.2) * rim
    signal = laid(signal, face, p.edge, b.uniform(0.25, 1.0))
    line = b.pick(0, 0, 0, 0.5, -0.5) * b.uniform(0.3, 1)
    signal = signal + line * torch.exp(-((p.edge / b.uniform(0.7, 2)) ** 2).clamp(max=30))
    return signal, torch.where(p.edge > 0, 2, codes)


def _littered(b: Batch, p: _Piece, signal: Tensor, codes: Tensor) -> tuple[Tensor, Tensor]:
    """Lay crumbs at the edge, a film over face and surface alike, and fibres across."""
    field = noise(b, b.log_uniform(1.5, 0.012 * b.cols), exponent=1.6)
    crumb = torch.sigmoid(8 * (field - b.uniform(1.8, 3))) * b.chance(0.35)
    crumb = crumb * torch.exp(-((p.edge / (b.uniform(0.02, 0.2) * p.thickness)) ** 2).clamp(max=30))
    signal = torch.lerp(signal, b.uniform(0.4, 1.9) + 0.2 * field.clamp(0, 3), crumb)
    film = torch.sigmoid(9 * (noise(b, b.log_uniform(30, 150), exponent=1.5) - b.uniform(0.3, 2)))
    signal = signal * (1 + b.chance(0.15) * b.uniform(-0.3, 0.2) * film)
    along, across = turned(b, b.uniform(-3.14, 3.14))
    line = across - b.uniform(-0.4, 0.4) * b.rows
    line = line + wandering(b, along, b.pick(2, 10, 30), b.uniform(60, 300))
    width = b.log_uniform(0.001, 0.012) * b.cols
    inside = torch.where(b.chance(0.12) > 0, _sloped(width - line.abs()), _NEVER)
    flank = (line / width).abs().clamp(max=1) ** 3
    signal = laid(signal, b.uniform(0.3, 1.3) + b.uniform(0, 0.8) * flank, inside)
    codes = torch.where((inside > 0) & (width > 0.007 * b.cols), IGNORED, codes)
    return signal.clamp(0, 3), codes


def _scene(b: Batch, p: _Piece, kinds: tuple[int, ...], sharp: float, *, both: float = 0.35,
           twisted: float = 0.0, glued: float = 0.0, jaw: Tensor | None = None,
           ) -> tuple[Place, Finish]:  # fmt: skip
    """Return a piece's zones, and what draws it above a ground, in a clip's jaws or not."""

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        ground = _ground(b, kinds, sharp)
        # glue that creeps up the foot of the piece and fades into the ground
        creep = b.uniform(0.02, 0.2) * p.thickness
        foot = b.chance(glued) * torch.exp(-p.out[1].clamp(min=0) / creep)
        ground = ground + foot * (b.uniform(0.05, 0.9) - ground)
        signal, codes = _assembled(b, p, electrons, ground, both, twisted)
        if jaw is not None:
            metal = _ground(b, (1, 5, 8), 0.8)
            shine = b.uniform(-0.3, 0.8) * torch.exp(-jaw.clamp(min=0) / b.log_uniform(1, 15))
            shade = b.uniform(0, 0.7) * torch.exp(jaw.clamp(max=0) / b.log_uniform(2, 40))
            signal = laid(signal * (1 - shade), metal + shine, jaw, b.log_uniform(0.3, 2))
            codes = torch.where(jaw > 0, 0, codes)
        return _littered(b, p, signal, codes)

    return zones(b, p.along, p.across, p.t, p.thickness, p.edge), finish


def on_edge(b: Batch) -> tuple[Place, Finish]:
    """Draw a piece stood on its edge, the stub far below and mostly out of focus."""
    p = _piece(b, *_axis(b, 0.2, 0.92, 0.25), share=0.3, wild=1.0, pairs=0.08)
    return _scene(b, p, (0, 1, 2, 5, 7, 8, 9), 0.3)


def haptic_end(b: Batch) -> tuple[Place, Finish]:
    """Draw a thin, curved haptic that lies across a big empty picture, round on its flanks."""
    along, across, thickness = _axis(b, 0.12, 0.3, 0.05)
    radius = b.log_uniform(0.45, 8) * b.cols
    arc = radius * torch.atan2(along, across + radius)
    across = torch.hypot(along, across + radius) - radius
    # widened to a plate or a knob at one end
    x = (arc / b.cols - b.uniform(-0.2, 0.4)) / b.log_uniform(0.01, 0.1)
    across = across / (1 + b.pick(0, 0, 0.5, 1.2) * b.uniform(0.3, 1) * torch.sigmoid(x))
    p = _piece(b, arc, across, thickness, share=0.6, wild=0.8, pairs=0.12)
    return _scene(b, p, (0, 2, 4, 6, 7, 8, 9), 0.7, both=0.6)


def in_a_clip(b: Batch) -> tuple[Place, Finish]:
    """Draw a thick piece in a clip or slot: it nearly fills the picture, jaws beside or over it."""
    p = _piece(b, *_axis(b, 0.4, 0.9, 0.35), share=0.2, wild=0.6, pairs=0.0)
    beside = torch.where(b.chance(0.4) > 0, p.across.abs(), p.across)
    beside = beside - (0.5 + b.uniform(0.02, 0.3)) * p.thickness + 0.03 * b.normal() * p.along
    over = p.along - b.uniform(0.1, 0.4) * b.cols + 0.2 * b.normal() * p.across
    jaw = torch.where(b.chance(0.65) > 0, beside, over)
    jaw = jaw + wandering(b, p.along, b.pick(0, 0.5, 2), b.log_uniform(5, 80))
    jaw = torch.where(b.chance(0.8) > 0, jaw, _NEVER)
    p = replace(p, edge=torch.minimum(p.edge, -jaw))  # what the jaw hides is no face
    return _scene(b, p, (0, 5, 7, 8, 9), 0.3, jaw=jaw)


def leant_on_rubble(b: Batch) -> tuple[Place, Finish]:
    """Draw pieces leant in crystals, paper, paint or mesh, turned so that slivers run out."""
    p = _piece(b, *_axis(b, 0.15, 0.75, 0.2), share=0.45, wild=1.6, pairs=0.22)
    return _scene(b, p, (2, 3, 4, 5, 5, 6), 0.65, twisted=0.4, glued=0.25)


SCENES: tuple[Scene, ...] = (on_edge, haptic_end, in_a_clip, leant_on_rubble)
