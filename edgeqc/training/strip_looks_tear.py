"""Torn faces as soft, wet, layered and brittle bodies leave them when pulled apart.

What pulling leaves differs from a blade's drag by how its lines behave: they begin from nothing,
wander, fork, run into each other and end, and their front bows and halts. From memory: Gent and
Pulford (1984) on steps of torn rubber; Saffman and Taylor (1958) and Nase, Lindner and Creton
(2008) on fingers in peeled layers; Gent and Lindley (1959) and Lakrout, Sergot and Creton (1999)
on cavities and fibrils; Sommer (1969) on lances under twist; Tanaka and others (2000) on torn
gels; Maugis and Barquins (1988) on stick and slip in peeling; Bahat (1991) on plumes.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    blur,
    cells,
    grained,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)


def _smooth(x: Tensor) -> Tensor:
    x = x.clamp(0, 1)
    return x * x * (3 - 2 * x)


def _scale(b: Batch, low: float, high: float, share: float = 0.4) -> Tensor:
    """Return a size in samples, at most a share of the strip's height."""
    return b.log_uniform(low, max(low + 1, min(high, share * b.rows)))


def _any(b: Batch) -> Tensor:
    return b.uniform(-math.pi, math.pi)


def _bent(b: Batch, wander: Tensor, angle: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates in samples whose lines wander by slopes of about ``wander``."""
    along, across = turned(b, angle)
    for length in (b.log_uniform(0.15, 1.2) * b.rows, b.log_uniform(4, 25)):
        size = wander * length * b.uniform(0.5, 1.1)
        along = along + size * noise(b, length, exponent=2.0)
        across = across + size * noise(b, length, exponent=2.0)
        wander = wander * b.uniform(0.2, 0.9)
    return along, across


def _forked(b: Batch, across: Tensor, spacing: Tensor, order: Tensor) -> tuple[Tensor, Tensor]:
    """Return the phase (cycles) of lines that fork and end, and how high they stand there.

    The argument of a complex random field turns once about each of its zeros: there a line ends.
    """
    length = spacing * b.log_uniform(0.5, 3)
    real = order + noise(b, length, exponent=1.2)
    imaginary = noise(b, length, exponent=1.2)
    uneven = b.uniform(0, 0.5) * noise(b, spacing * 3, exponent=1.2)
    phase = across / spacing + uneven + torch.atan2(imaginary, real) / (2 * math.pi)
    size = torch.sqrt(real**2 + imaginary**2)
    return phase, size / (size + 0.5)


def _tooth(phase: Tensor, flank: Tensor) -> Tensor:
    """Return ramps of one cycle that fall over a share ``flank`` of it, 0 .. 1."""
    part = phase - torch.floor(phase)
    return torch.minimum(part / (1 - flank), (1 - part) / flank)


def _bands(b: Batch, position: Tensor) -> tuple[Tensor, Tensor]:
    """Return samples' place (0 .. 1) in bands of uneven widths about 1, and a number per band."""
    table = torch.rand(2, b.size, 1024, device=b.device)
    cell = torch.floor(position)

    def read(which: int, at: Tensor) -> Tensor:
        return numbers_at(table[which], at, torch.zeros_like(at))

    before = position - cell < 0.9 * read(0, cell)
    cell = torch.where(before, cell - 1, cell)
    start = cell + 0.9 * read(0, cell)
    end = cell + 1 + 0.9 * read(0, cell + 1)
    return (position - start) / (end - start), read(1, cell)


def _rivers(b: Batch, down: Tensor, across: Tensor, width: Tensor) -> Tensor:
    """Return ridges, 1 apart at ``down`` 0, that run into each other two by two further down."""
    table = torch.rand(2, b.size, 4096, device=b.device)
    power, relief = b.uniform(0.8, 2), torch.zeros_like(down + across)
    for level in range(5):
        step = 2.0 ** (level + 1)
        lane = across / step
        cell = torch.floor(lane)
        first, second = numbers_at(table, cell, torch.full_like(cell, level))
        end = step * (0.7 + 2.0 * first) if level < 4 else torch.full_like(first, 1e4)
        side = torch.where(second < 0.5, -0.5, 0.5)
        shift = side * _smooth((down / end - 0.35) / 0.65)
        away = (lane - cell - 0.5 - shift).abs() * step / (width * 1.25**level)
        alive = _smooth((end - down) / (0.1 * end) + 0.5)
        height = (0.6 + 0.8 * second) * 1.15**level
        relief = torch.maximum(relief, height * alive * torch.exp(-(away**power)))
    return relief


def _fan(b: Batch, spacing: Tensor) -> tuple[Tensor, Tensor]:
    """Return distance from an origin and arc there, whole spacings about: rays that spread."""
    along, across = _bent(b, b.uniform(0.06, 0.25), _any(b))
    turn = spacing / (2 * math.pi)
    away = torch.round(b.log_uniform(0.5, 6) * b.rows / turn) * turn
    along, across = along + away, across + b.uniform(-0.3, 0.3) * b.rows
    radius = torch.sqrt(along**2 + across**2 + 1)
    return radius, torch.atan2(across, along) * away


def cross_hatched(b: Batch) -> Tensor:
    """Torn rubber: two families of steps, each broken, that cross under a lozenge's angle."""
    along, across = _bent(b, b.uniform(0.03, 0.25), _any(b))
    spacing, opening = _scale(b, 5, 70, 0.25), b.uniform(0.25, 1.0)
    relief = torch.zeros_like(along)
    for sign, weight in ((1.0, 1.0), (-1.0, b.pick(0.3, 0.7, 1.0))):
        angle = sign * opening * b.uniform(0.7, 1.2)
        place = along * torch.sin(angle) + across * torch.cos(angle)
        phase, rise = _forked(b, place, spacing * b.uniform(0.7, 1.4), b.uniform(0, 1))
        patch = (noise(b, spacing * b.log_uniform(1, 5)) + b.uniform(0, 1.5)).clamp(0, 2)
        relief = relief + weight * rise * patch * _tooth(phase, b.log_uniform(0.05, 0.4))
    fine, rise = _forked(b, across, spacing / b.uniform(3, 6) + 1.5, b.uniform(0, 1))
    relief = relief + b.pick(0, 0.1, 0.25) * rise * _tooth(fine, b.uniform(0.1, 0.5))
    return grained(b, relief, 1, 6, 0.25)


def arrested(b: Batch) -> Tensor:
    """Stick and slip: bowed lines where the front halted, rough at first, smooth on the run."""
    along, across = _bent(b, b.uniform(0.02, 0.12), b.pick(0, 0.5, 1) * math.pi + 0.3 * _any(b))
    scale = b.log_uniform(0.15, 0.8)
    away = across / b.rows / scale + b.uniform(-0.5, 0.5)
    bow = b.pick(-1, 1) * b.uniform(0.3, 1.2) * b.rows * scale * (torch.sqrt(1 + away**2) - 1)
    lobes = b.log_uniform(8, 60)
    front = along + bow + b.uniform(0.06, 0.35) * lobes * noise(b, lobes, exponent=1.5)
    part, number = _bands(b, front / _scale(b, 10, 160, 0.8))
    fresh, rough = torch.exp(-part / b.log_uniform(0.06, 0.7)), noise(b, b.log_uniform(1, 8))
    phase, rise = _forked(b, across + 0.3 * bow, _scale(b, 3, 14), b.uniform(0, 0.8))
    lines = rise * _tooth(phase, b.uniform(0.1, 0.5))
    kind = b.chance(0.5)
    ridge = torch.exp(-part / b.log_uniform(0.02, 0.12)) * (0.3 + number)
    relief = b.uniform(0.5, 2) * ridge + b.pick(-1, 0, 1) * part * (0.4 + number)
    relief = relief + b.uniform(0.3, 0.9) * fresh * (kind * rough + 1.5 * (1 - kind) * lines)
    return grained(b, relief, 2, 20, 0.2)


def fingered(b: Batch) -> Tensor:
    """Peeled soft layers: walls between fingers that ran into each other, begun anew at halts."""
    along, across = _bent(b, b.uniform(0.05, 0.2), _any(b))
    spacing = _scale(b, 4, 30, 0.15)
    front = along + b.uniform(0.3, 1) * spacing * 3 * noise(b, spacing * 5, exponent=1.5)
    reach = spacing * b.log_uniform(4, 30)
    part, number = _bands(b, front / reach)
    down = part * (0.6 + 0.8 * number) * reach / spacing
    shifted = across / spacing + 37 * torch.floor(8 * number)
    walls = _rivers(b, down, shifted, b.uniform(0.12, 0.4))
    beads = 1 + b.pick(0, 0.3, 0.7) * noise(b, spacing * b.uniform(0.3, 1))
    edge = b.pick(0, 0.4, 1) * torch.exp(-down / b.uniform(0.3, 1))
    floor = b.uniform(0, 0.25) * noise(b, spacing * 2, exponent=1.5)
    return grained(b, walls * beads.clamp(0, 2) + edge + floor, 2, 20, 0.3)


def fibrillated(b: Batch) -> Tensor:
    """Adhesive or gel drawn to fibrils that necked and snapped back: bent strands, beaded ends."""
    relief = b.uniform(0.1, 0.5) * noise(b, _scale(b, 3, 60))
    length, pull = _scale(b, 10, 110), _any(b)
    slender = b.log_uniform(0.2, 0.6)
    for layer in range(2):
        along, across = _bent(b, b.uniform(0.05, 0.5), pull + b.pick(0.1, 0.4, 1.5) * _any(b) / 3)
        thick, bulb, bend = b.log_uniform(0.08, 0.3), b.pick(0, 1, 2), b.uniform(0, 0.8)
        of = places(along / length, across / (length * slender), b.uniform(0.2, 0.5),
                    b.uniform(0.0, 0.7))  # fmt: skip
        for u, v, first, second in of.near():
            place = (u / (0.3 + 0.5 * first)).clamp(-1.2, 1.2)
            away = v - bend * (second - 0.5) * 2 * (place**2 - 0.3)
            half = thick * (1.1 - 0.4 * place)
            half = half * (1 + bulb * torch.exp(-(((place - 0.85) / 0.13) ** 2)))
            ends = (1 - place**6).clamp(min=0) * (1 + 0.5 * layer)
            strand = (ends * (1 - (away / half) ** 2)).clamp(min=0).sqrt() * (0.5 + second)
            relief = torch.maximum(relief, strand)
    return grained(b, relief, 1, 5, 0.2)


def cavitated(b: Batch) -> Tensor:
    """Cavities grown until their walls met and tore: uneven cups with thin ragged walls."""
    along, across = _bent(b, b.uniform(0.05, 0.22), _any(b))
    size, stretch = _scale(b, 6, 80), b.log_uniform(1, 3)
    relief = torch.zeros_like(along)
    for part, weight, level in ((1.0, 1.0, 9.0), (b.uniform(2.2, 4), b.pick(0, 0.35, 0.6), 0.5)):
        of = places(along * part / (size * stretch), across * part / size,
                    b.uniform(0.25, 0.5), b.uniform(0.1, 0.4))  # fmt: skip
        near, second, value, off_u, _ = cells(of)
        wall = torch.exp(-(second - near) / b.log_uniform(0.05, 0.25))
        ragged = (1 + b.uniform(0, 0.6) * noise(b, size / 4)).clamp(min=0)
        cup = b.uniform(0, 1.2) * near**2 - b.uniform(0, 1.2) * value + b.pick(0, 0, 0.5, 1) * off_u
        patch = weight * _smooth(noise(b, size * 2) + level)
        relief = relief + patch * (wall * ragged * (0.5 + value) + cup)
    return grained(b, relief, 1, 8, 0.2)


def deviated(b: Batch) -> Tensor:
    """Swerves of the tear and its jumps back: uneven sawteeth, their steep sides fibrous."""
    along, across = _bent(b, b.uniform(0.22, 0.5), _any(b))
    spacing = _scale(b, 14, 180, 0.6)
    phase, rise = _forked(b, across, spacing, b.uniform(0.2, 1.2))
    flank = b.uniform(0.05, 0.45)
    part = phase - torch.floor(phase)
    steep = (part > 1 - flank).float()
    grain = noise(b, b.log_uniform(2, 10), angle=_any(b), anisotropy=b.pick(1, 4, 8))
    small, low = _forked(b, along + 0.4 * across, spacing / b.uniform(4, 9) + 2, b.uniform(0, 1))
    relief = rise * (_tooth(phase, flank) + 0.3 * (part * math.pi).sin())
    relief = relief + b.uniform(0.03, 0.15) * blur(steep, 1.0) * grain
    return standardised(relief + b.pick(0, 0.08, 0.2) * (1 - steep) * low * _tooth(small, flank))


def blunt_stepped(b: Batch) -> Tensor:
    """Gel, gelatine, soft cheese: rounded terraces with lobed rims, the lip drawn up or rolled."""
    length = _scale(b, 12, 200, 0.7)
    field = noise(b, length, exponent=b.uniform(1.5, 2.5), angle=_any(b),
                  anisotropy=b.log_uniform(1.3, 8))  # fmt: skip
    field = field + b.uniform(0, 0.15) * noise(b, length / 4 + 2, exponent=2.5)
    dense = b.log_uniform(1, 4)
    level, rise = _forked(b, field * dense * length, length, b.uniform(0.3, 2.5))
    part = level - torch.floor(level)
    width = (b.log_uniform(0.06, 0.35) * torch.exp(0.5 * noise(b, length))).clamp(0.04, 0.9)
    stairs = _smooth(part / width) * rise - b.pick(1, 1, 0.3) * part
    lip = b.pick(-0.3, 0, 0.3, 0.6) * rise * torch.exp(-(((part - width) / (0.6 * width)) ** 2))
    slow = b.uniform(0, 0.3) * field + b.uniform(0, 0.3) * noise(b, length * 2, exponent=2.0)
    return grained(b, blur(stairs + lip, 0.9) + slow, 1, 30, 0.15)


def lanced(b: Batch) -> Tensor:
    """Pull with twist: facets in echelon that spread from an origin, smooth first, then coarse."""
    spacing = _scale(b, 5, 60, 0.25)
    radius, arc = _fan(b, spacing)
    phase, rise = _forked(b, arc, spacing, b.uniform(0, 0.7))
    flank = b.log_uniform(0.04, 0.35)
    reach = (radius - radius.amin((1, 2), keepdim=True)) / b.rows
    reach = reach - b.pick(-2, -2, 0, 0.4) + 0.3 * noise(b, spacing * 3)
    begun = _smooth(reach / b.uniform(0.2, 1.5)) * _smooth(3 * radius / b.rows - 0.3)
    ties, low = _forked(b, radius, spacing * b.uniform(0.6, 2), b.uniform(0, 0.3))
    ties = b.pick(0, 0.3, 0.6) * low * _tooth(ties, b.uniform(0.2, 0.5))
    near = torch.exp(-(1 - (phase - torch.floor(phase))) / (2 * flank))
    lance = rise * _tooth(phase, flank) + near * ties
    mist = b.pick(0, 0.1, 0.3) * noise(b, b.log_uniform(1, 5)) * begun.sqrt()
    return standardised(lance * begun + mist + 0.02 * noise(b, b.log_uniform(1, 30)))


def mirror_stepped(b: Batch) -> Tensor:
    """Nearly featureless: few steps that rise from nothing, bend, fork and die out."""
    along, across = _bent(b, b.uniform(0.2, 0.5), _any(b))
    length = b.log_uniform(0.5, 2.5) * b.rows
    lane = length * b.log_uniform(0.1, 0.5)
    sharp, fork, bend = b.log_uniform(0.8, 4) / lane, b.uniform(0.2, 1), b.uniform(-0.8, 0.8)
    shade, ridge = b.log_uniform(0.05, 0.4), b.chance(0.4)
    of = places(along / length, across / lane, b.uniform(0.2, 0.5), b.uniform(0.1, 0.75))
    relief = torch.zeros_like(along)
    for u, v, first, second in of.near():
        place = (u / (0.35 + 0.5 * first)).clamp(-1.5, 1.5)
        fade = (1 - place**2).clamp(min=0) * (0.3 + second)
        away = v - bend * (place**2) * (second - 0.3)
        branch = away - fork * (place - first).clamp(min=0) * torch.sign(second - 0.5)
        for one in (away, branch):
            side = torch.sigmoid(one / sharp) * torch.exp(-one.clamp(min=0) / shade)
            line = torch.exp(-((one / sharp) ** 2))
            relief = torch.maximum(relief, fade * (ridge * line + (1 - ridge) * side))
    slow = noise(b, b.uniform(0.2, 1) * b.rows, exponent=2.0)
    relief = relief + b.uniform(0, 0.25) * slow
    mist = _smooth(noise(b, b.log_uniform(0.3, 2) * b.rows) - 0.3) * noise(b, b.log_uniform(1, 4))
    relief = relief + b.pick(0, 0.03, 0.07) * mist
    return standardised(relief + b.log_uniform(0.003, 0.04) * noise(b, b.log_uniform(1, 8)))


def flapped(b: Batch) -> Tensor:
    """Tongues torn up, curled at the tip, each with the hollow it left; the ground drawn smooth."""
    along, across = _bent(b, b.uniform(0.05, 0.3), _any(b))
    length = _scale(b, 30, 200, 0.8)
    slim, curl, broad = b.log_uniform(0.35, 1), b.uniform(0.12, 0.35), b.uniform(0.2, 0.5)
    depth, lean, blunt = b.uniform(0, 1.2), b.uniform(0, 0.8), b.log_uniform(1, 8)
    raised, down = torch.zeros_like(along), torch.zeros_like(along)
    of = places(along / length, across / (length * slim), b.uniform(0.1, 0.4), b.uniform(0.1, 0.75))
    for u, v, first, second in of.near():
        reach = 0.25 + 0.3 * first
        place = (u / reach).clamp(-3, 1.5)
        half = broad * (0.5 + second) * (1 - 0.3 * place * first)
        v = v - lean * (second - 0.5) * place**2
        half = half * (1 - (place.clamp(-1, 1) * 0.5 + 0.5) ** blunt * 0.97)
        inside = _smooth((1 - (v / half) ** 2) * 4) * (place.abs() < 1)
        roll = (1 - ((place - 1 + curl) / curl) ** 2).clamp(min=0).sqrt()
        raised = torch.maximum(raised, inside * (0.25 * (1 + place) + roll) * (0.4 + second))
        behind = _smooth(3 - 3 * (((place + 1.1) / 1.1) ** 2 + (v / half) ** 2))
        down = torch.minimum(down, -depth * behind * (0.4 + first))
    phase, rise = _forked(b, across, length / 8 + 2, b.uniform(0, 1))
    ground = b.pick(0, 0.1, 0.3) * rise * _tooth(phase, b.uniform(0.2, 0.5))
    ground = ground + b.uniform(0.05, 0.3) * noise(b, length, exponent=1.5)
    return grained(b, ground + torch.where(raised > 0.02, raised, down), 1, 8, 0.2)


def orange_peel(b: Batch) -> Tensor:
    """Plasticised sheet pulled out: pimpled or creased skin, broken by a few wandering tears."""
    length, angle = _scale(b, 3, 30, 0.2), _any(b)
    relief = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    stretch = b.pick(1, 1.3, 1.3, 2.5)
    for part, weight in ((1.0, 1.0), (0.4, b.uniform(0, 0.5))):
        field = noise(b, length * part, exponent=b.uniform(1.6, 4), angle=angle, anisotropy=stretch)
        relief = relief + weight * (field**2 + b.log_uniform(0.002, 0.1)).sqrt()
    relief = relief * b.pick(-1, 1)
    _, across = _bent(b, b.uniform(0.2, 0.6), angle + b.pick(0, 0.5 * math.pi))
    phase, rise = _forked(b, across, length * b.log_uniform(6, 25), b.uniform(0, 0.8))
    patch = 1 - b.pick(0, 0.5, 0.9) * _smooth(4 * _tooth(phase, b.uniform(0.2, 0.5)) - 1.5)
    tears = b.uniform(1.5, 4) * rise * _tooth(phase, b.log_uniform(0.02, 0.15))
    return standardised(standardised(relief) * patch + tears)


def granular(b: Batch) -> Tensor:
    """Ice, wax, dry cheese: parted between grains or across them, each its own tilt and steps."""
    along, across = _bent(b, b.uniform(0, 0.15), _any(b))
    size = _scale(b, 8, 110)
    jag = b.uniform(0.04, 0.14) * size
    along, across = along + jag * noise(b, size / 3), across + jag * noise(b, size / 3)
    of = places(along / (size * b.log_uniform(1, 2)), across / size, b.uniform(0.2, 0.5),
                b.uniform(0, 0.4))  # fmt: skip
    near, second, value, off_u, off_v = cells(of)
    turn = 2 * math.pi * 7 * value
    tilt = b.uniform(0.5, 2) * (off_u * torch.cos(turn) + off_v * torch.sin(turn))
    wobble = 0.3 * noise(b, size / 3, exponent=1.5)
    hatch = (off_u * torch.sin(3 * turn) + off_v * torch.cos(3 * turn) + wobble) * b.uniform(3, 12)
    steps = b.pick(0, 0.4, 0.9) * _tooth(hatch, b.uniform(0.1, 0.4)) * (value * 5 % 1)
    rounded = b.pick(0, 0, 1.5) * -(near**2)
    joint = torch.exp(-(second - near) / b.log_uniform(0.03, 0.12))
    joint = joint * b.pick(-0.5, 0, 0.3) * (noise(b, size) + 0.5).clamp(0, 2)
    joint = joint - b.uniform(0, 2) * (value < 0.12)
    relief = tilt + steps + rounded + joint + b.uniform(0, 0.8) * (value * 11 % 1)
    return grained(b, blur(relief, 0.4 + b.uniform(0, 0.06) * size), 1, 10, 0.2)


def splintered(b: Batch) -> Tensor:
    """Wet wood, sinew, layered card: bundles pulled apart at uneven heights with frayed ends."""
    along, across = _bent(b, b.uniform(0.25, 0.45), _any(b))
    width, slender = _scale(b, 4, 50, 0.25), b.log_uniform(3.5, 12)
    table = torch.rand(3, b.size, 4096, device=b.device)

    def read(which: int, first: Tensor, second: Tensor) -> Tensor:
        return numbers_at(table[which], first, second)

    relief = torch.zeros_like(along)
    for part, weight in ((1.0, 1.0), (0.35, 0.45)):
        lane = across / (width * part)
        row = torch.floor(lane)
        hair = torch.floor(lane * b.uniform(3, 7))
        fray = b.uniform(0, 0.25) * (read(0, hair, hair * 0) - 0.5)
        place = along / (width * part * slender) + 9 * read(1, row, row * 0 + 5) + fray
        middle = lane - row - 0.5
        place = place + b.uniform(-0.3, 0.3) * middle + b.pick(0, 0.4) * middle.abs()
        at = torch.floor(place)
        height, taper = read(2, row, at), _smooth(4 * (place - at)) * (1 - 0.3 * (place - at))
        bundle = (1 - (2 * middle) ** 2).clamp(min=0).sqrt()
        relief = relief + weight * (1.5 * height * taper + b.uniform(0.2, 0.8) * bundle)
    return grained(b, blur(relief, b.uniform(0.3, 1.2)), 1, 4, 0.3)


def plumed(b: Batch) -> Tensor:
    """Clay, stiff wax, gel under bending: barbs that curve off a wandering axis to both sides."""
    along, across = _bent(b, b.uniform(0.12, 0.35), b.pick(0, 0, 0.5, 1) * math.pi + 0.2 * _any(b))
    across = across + b.uniform(-0.7, 0.7) * b.rows
    side = torch.sqrt(across**2 + (0.03 * b.rows) ** 2)
    bend = b.uniform(0.6, 1.6)
    place = along + b.uniform(0.5, 2.5) * b.rows * (side / b.rows) ** bend
    spacing = _scale(b, 5, 50, 0.2)
    place = place + b.uniform(0, 2) * spacing * noise(b, spacing * 4, exponent=1.5)
    part = (side / b.rows / b.uniform(0.3, 1)).clamp(max=1)
    barbs = _rivers(b, side / spacing / b.log_uniform(0.7, 4), place / spacing,
                    b.uniform(0.15, 0.5))  # fmt: skip
    relief = b.pick(0, 2) * barbs
    for scale, weight in ((1.0, 1.0), (0.4, 0.4)):
        phase, rise = _forked(b, place, spacing * scale + 1, b.uniform(0, 1.2))
        relief = relief + weight * rise * _tooth(phase, b.log_uniform(0.08, 0.5))
    patch = (noise(b, spacing * b.uniform(0.7, 3)) + 1).clamp(0.1, 2)
    relief = relief * (b.uniform(0.1, 0.6) + part) * patch
    return grained(b, relief, 1, 6, 0.3)


TEAR_LOOKS: tuple[Look, ...] = (
    cross_hatched, arrested, fingered, fibrillated, cavitated, deviated, blunt_stepped, lanced,
    mirror_stepped, flapped, orange_peel, granular, splintered, plumed,
)  # fmt: skip
