"""Looks that the physics of soft, glassy and hydrated polymers leaves on a cut face.

Torn: a crack front splits into lamellae that overtake each other, as shocks of Burgers' equation
do, so that steps run together as rivers; the front sticks and slips; nuclei ahead of it leave
conics in glassy acrylic, cavities in rubbery one; soft layers come off in fingers of one width
(Shull and Creton, from memory).  Scissor: one rigid profile writes every line, so that lines share
a direction or a centre, keep their spacing and run on through folds across the travel (Schallamach,
1971, from memory), films and chatter.  Laser: photodisruption writes a lattice of cavities with
dense shells that join within a line and leave bridges between lines (Vogel and others, 2005, from
memory); shocks and interference ripple the walls; filaments refocus along the beam.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import torch
from torch import Tensor

from edgeqc.training.strip_fields import (  # isort: skip
    Batch, Look, at_line, blur, grained, lines, noise, numbers_at, places, standardised, turned,
)  # fmt: skip

_RIVALS = 15  # sources on either side that may take a place over


def _span(b: Batch) -> float:
    return math.hypot(b.rows, b.cols)


def _gate(b: Batch, probability: float, low: float, high: float) -> Tensor:
    return b.chance(probability) * b.uniform(low, high)


def _table(b: Batch, columns: int) -> Tensor:
    return torch.rand(columns, b.size, 4096, device=b.device)


def _numbers(b: Batch, place: Tensor, columns: int) -> Tensor:
    """Return new random numbers (columns, size, rows, cols) that belong to whole numbers."""
    return numbers_at(_table(b, columns), place, torch.zeros_like(place))


def _read(line: Tensor, across: Tensor) -> Tensor:
    return at_line(line, across + line.shape[1] / 2)


def _wander(b: Batch, length: Tensor, to: Tensor) -> Tensor:
    return _read(lines(b.size, int(_span(b)) + 8, length, b.device), to)


def _arc(b: Batch, angle: Tensor, tightest: float = 0.6) -> tuple[Tensor, Tensor]:
    """Return places along and across paths about one far or near centre."""
    u, v = turned(b, angle)
    side, radius = b.pick(-1, 1), _span(b) * b.log_uniform(tightest, 30)
    across = side * (torch.hypot(u, side * v + radius) - radius)
    return radius * torch.atan2(u, side * v + radius), across


def _edge(b: Batch, length: Tensor) -> Tensor:
    """Return the profile of an edge, (b, n): grind of two scales, and nicks with lips."""
    count, longer = int(_span(b)) + 8, length * b.log_uniform(4, 15)
    fine, coarse = (lines(b.size, count, of, b.device)[:, None] for of in (length, longer))
    struck, width = torch.randn(b.size, 1, count, device=b.device), b.log_uniform(0.6, 3.5)
    struck = struck * (torch.rand_like(struck) < b.log_uniform(0.004, 0.06))
    nick = b.pick(0, 0.5, 1.3) * standardised(blur(struck, width) - 0.6 * blur(struck, 3 * width))
    return standardised(b.uniform(0.1, 1) * fine + b.uniform(0, 1) * coarse + nick)[:, 0]


def _spectral(b: Batch, angle: Tensor) -> tuple[Tensor, Tensor]:
    """Return frequencies along and across a direction."""
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None]
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]
    along = torch.cos(angle) * f_col + torch.sin(angle) * f_row
    return along, torch.cos(angle) * f_row - torch.sin(angle) * f_col


def _pulses(
    b: Batch, along: Tensor, across: Tensor, slip: Tensor, jitter: Tensor
) -> Iterator[tuple[Tensor, Tensor, Tensor, Tensor]]:
    """Yield offsets from the nine pulses about, in pitches, and two numbers; lines slip."""
    table, line = _table(b, 5), torch.floor(across + 0.5)
    for d_line in (-1, 0, 1):
        at = line + d_line
        started = along - slip * numbers_at(table[4], at, torch.zeros_like(at))
        shot = torch.floor(started + 0.5)
        for d_shot in (-1, 0, 1):
            found = numbers_at(table[:4], at, shot + d_shot)
            u = started - shot - d_shot - jitter * (found[0] - 0.5)
            yield u, across - at - jitter * (found[1] - 0.5), found[2], found[3]


def _bubble_chains(b: Batch) -> Tensor:
    """Laser: chains of bubbles with dense shells, some joined, in lines written one by one."""
    u, v = turned(b, b.pick(0, 0, math.pi / 2) + 0.12 * b.normal() * b.chance(0.5))
    pitch = b.log_uniform(4, 45)
    step = pitch * b.uniform(0.35, 1.0)  # pulses are closer than lines
    radius, wall = b.uniform(0.3, 0.6) * (pitch * step).sqrt(), b.uniform(0.12, 0.35)
    varied, missing = b.uniform(0.05, 0.6), b.pick(0, 0.03, 0.15)
    joined, power, jitter = b.pick(0, 0.06, 0.15), b.pick(2, 4), b.pick(0.05, 0.2, 0.5)
    pit, rim, nearest = torch.zeros_like(u), torch.zeros_like(u), torch.full_like(u, 9.0)
    for du, dv, first, second in _pulses(b, u / step, v / pitch, b.pick(0, 0.5, 1), jitter):
        size = radius * (1 + varied * (first - 0.5) + 0.7 * (second > 1 - joined))
        r = torch.hypot(du * step, dv * pitch) / size
        there = (second > missing).float()
        nearest = torch.minimum(nearest, r + 9 * (1 - there))
        pit = torch.maximum(pit, there * (0.6 + 0.8 * first) * torch.exp(-(r**power)))
        rim = torch.maximum(rim, there * torch.exp(-(((r - 1.15) / wall) ** 2)))
    shell = torch.exp(-(((nearest - 1.15) / wall) ** 2))  # one about all that have joined
    rim = torch.where(b.chance(0.6) > 0, shell, rim * (1 - pit.clamp(max=1)))
    ground = b.pick(0, 0.06, 0.3) * noise(b, pitch * b.uniform(0.5, 3), exponent=1.0)
    return grained(b, b.uniform(0, 0.8) * rim - pit * b.pick(1, 1, -0.7) + ground, 1, 6, 0.35)


def _bridged_layers(b: Batch) -> Tensor:
    """Laser: slits one over another, opened by gas, with bridges and threads left between."""
    u, v = turned(b, 0.06 * b.normal())
    layer = b.log_uniform(9, 70)
    length, hole = layer * b.uniform(1.1, 4), torch.full_like(u, -1.0)
    v = v + layer * b.uniform(0, 0.15) * _wander(b, layer * 4, u)
    high, long, slip = b.uniform(0.22, 0.45), b.uniform(0.38, 0.52), b.pick(0.3, 1)
    for du, dv, first, second in _pulses(b, u / length, v / layer, slip, b.pick(0.1, 0.3)):
        slit = (du / (long * (0.6 + 0.7 * first))) ** 2 + (dv / (high * (0.5 + 0.9 * second))) ** 2
        hole = torch.maximum(hole, 1 - slit)
    beat = u / layer * b.uniform(2, 4) + 0.3 * torch.floor(v / layer + 0.5)
    hole = hole + b.uniform(0, 0.3) * torch.cos(2 * math.pi * beat) * torch.exp(-3 * hole**2)
    deep = torch.sigmoid(hole * b.log_uniform(2, 20))
    thread = noise(b, b.log_uniform(1.5, 5), angle=math.pi / 2, anisotropy=b.uniform(4, 14))
    lip = torch.exp(-(((hole + 0.15) / b.uniform(0.1, 0.3)) ** 2)) * b.uniform(0.1, 0.9)
    return grained(b, lip - deep * (1 - b.uniform(0, 0.4) * thread.clamp(min=0)), 1, 8, 0.35)


def _rippled_spots(b: Batch) -> Tensor:
    """Laser: spots of a lattice, each with rings of its shock or a fine grating inside."""
    u, v = turned(b, b.uniform(0, math.pi / 2) * b.chance(0.3))
    pitch = b.log_uniform(14, 80)
    step, reach = pitch * b.uniform(0.5, 1.0), pitch * b.uniform(0.25, 0.5)
    wave = (pitch * b.uniform(0.1, 0.28)).clamp(min=2.6)
    turn, grating = b.pick(0, 1.0, 1.57) + 0.1 * b.normal(), b.chance(0.4)
    dent, jitter, missing = b.pick(0.3, 1, 3), b.pick(0.03, 0.2, 0.5), b.pick(0, 0.05, 0.3)
    relief, even = torch.zeros_like(u), b.uniform(0, 1)
    for du, dv, first, second in _pulses(b, u / step, v / pitch, b.pick(0, 0.5, 1), jitter):
        x, y = du * step, dv * pitch
        r = torch.hypot(x, y)
        way = torch.where(grating > 0, torch.cos(turn) * x + torch.sin(turn) * y + wave * first, r)
        ring = torch.cos(2 * math.pi * way / wave) * torch.exp(-((r / reach) ** 2))
        ring = ring - dent * torch.exp(-((2.2 * r / reach) ** 2))
        relief = relief + (second > missing) * (even + first) * ring
    return grained(b, relief, 1, 5, 0.5)


def _filaments(b: Batch) -> Tensor:
    """Laser: beaded filaments at a programmed pitch down the beam, to uneven depths, some melt."""
    u, v = turned(b, 0.05 * b.normal())
    pitch = b.log_uniform(6, 50)
    table, number, relief = _table(b, 4), torch.floor(u / pitch), torch.zeros_like(u)
    jitter, width = b.pick(0.03, 0.12, 0.3), b.uniform(0.12, 0.28)
    bead, share, deepest = pitch * b.uniform(0.4, 1.6), b.uniform(0.4, 1), b.uniform(0.6, 1.3)
    for d in (-1, 0, 1):
        found = numbers_at(table, number + d, torch.zeros_like(number))
        x = u / pitch - number - d - 0.5 - jitter * (found[0] - 0.5)
        ends = torch.sigmoid((deepest * (0.7 + 0.5 * found[1]) - v / b.rows - 0.5) * 20)
        wave = 0.5 + 0.5 * torch.cos(2 * math.pi * (v / bead * (0.9 + 0.2 * found[3]) + found[2]))
        void = ends * (0.5 + found[3]) * (1 - share + share * wave**1.5)
        relief = relief - void * torch.exp(-((x / width) ** 2))
    blob = noise(b, pitch * b.uniform(0.3, 0.8), exponent=2.0)
    melt = torch.tanh(1.5 * (blob - b.uniform(0.6, 1.8)).clamp(min=0)) * b.pick(0, 0.5, 1)
    return grained(b, relief * (1 - melt) + melt, 1, 6, 0.4)


def _drag_lines(b: Batch) -> Tensor:
    """Scissor: one edge's profile drawn along arcs, then a nicked edge's, or a crossing pass."""
    angle, length = b.uniform(-math.pi, math.pi), b.log_uniform(1.5, 14)
    along, across = _arc(b, angle)
    again = torch.where(b.chance(0.4) > 0, turned(b, angle + b.uniform(-0.9, 0.9))[1], across)
    old, new = _read(_edge(b, length), across), _read(_edge(b, length), again)
    nicked = torch.sigmoid((along - _span(b) * b.uniform(-0.4, 0.6)) / b.log_uniform(3, 100))
    load = (1 + b.uniform(0, 0.5) * _wander(b, b.log_uniform(30, 300), along)).clamp(0.1, 2.5)
    relief = load * (old + b.pick(0, 0.4, 0.9) * nicked * (new - b.uniform(0.1, 1) * old))
    shake = _gate(b, 0.4, 0.1, 0.6) * torch.cos(2 * math.pi * along / b.log_uniform(5, 40))
    swell = _gate(b, 0.5, 0.3, 2) * noise(b, b.log_uniform(40, 200), exponent=2.0)
    return grained(b, relief + shake * (0.4 + 0.2 * relief) + swell, 1, 5, 0.5)


def _friction_folds(b: Batch) -> Tensor:
    """Scissor: folds that repeat one front across the travel, the edge's lines through them."""
    along, across = _arc(b, b.uniform(-math.pi, math.pi), 2.0)
    pitch = b.log_uniform(6, 60)
    front = b.uniform(0, 0.35) * _wander(b, pitch * b.uniform(1.5, 6), across)
    phase = along / pitch + front + 0.15 * _wander(b, pitch * 12, along)
    part = phase - torch.floor(phase)
    rise = torch.exp(-b.uniform(2, 7) * part) + torch.sigmoid((part - 0.93) * 50)
    rounded = (0.5 + 0.5 * torch.cos(2 * math.pi * part)) ** b.uniform(1, 5)
    fold = torch.where(b.chance(0.4) > 0, rounded, rise)
    beat = (1 + b.uniform(0, 0.9) * _wander(b, pitch * b.uniform(2, 8), along)).clamp(0, 2.2)
    drawn = _read(_edge(b, b.log_uniform(1.2, 10)), across)
    relief = standardised(fold * beat) + b.log_uniform(0.2, 1.5) * drawn * (0.7 + 0.5 * fold)
    return grained(b, relief, 1, 5, 0.4)


def _serrated(b: Batch) -> Tensor:
    """Scissor: tracks of a micro-serrated edge, equal teeth side by side, swaying together."""
    along, across = _arc(b, b.uniform(-math.pi, math.pi))
    pitch = b.log_uniform(5, 70)
    turn = 2 * math.pi * along / (pitch * b.log_uniform(6, 30)) + b.uniform(0, 6)
    sway = _gate(b, 0.5, 0.1, 1) * torch.sin(turn) + b.pick(0, 0.1) * _wander(b, 10 * pitch, along)
    across = across + pitch * sway
    tooth, part = torch.floor(across / pitch), (across / pitch) % 1
    worn = 1 + b.pick(0.05, 0.3, 0.8) * (_numbers(b, tooth, 1)[0] - 0.5)
    arch, saw = torch.sin(math.pi * part), torch.maximum(1 - part, 8 * part - 7)
    cut = torch.where(b.chance(0.6) > 0, arch ** b.uniform(0.4, 2), saw)
    land = _gate(b, 0.3, 0.3, 1) * torch.floor(part * 3) * 0.5
    scratch = b.log_uniform(0.02, 0.5) * _read(_edge(b, b.log_uniform(1.0, 5)), across)
    return grained(b, worn * (cut * b.pick(-1, 1) + land) + scratch, 1, 5, 0.4)


def _snips(b: Batch) -> Tensor:
    """Scissor: facets of single strokes, each turned a little, with burrs where they meet."""
    u, v = turned(b, b.uniform(-math.pi, math.pi))
    stroke = _span(b) * b.log_uniform(0.12, 0.6)
    place = (u + b.uniform(-0.7, 0.7) * v) / stroke + b.uniform(0, 1)
    place = place + b.uniform(0, 0.03) * _wander(b, b.log_uniform(10, 80), v)
    part, found = place % 1, _numbers(b, torch.floor(place), 4)
    turn = b.pick(0.05, 0.25, 0.6) * (found[0] - 0.5) * 2
    across = torch.cos(turn) * v - torch.sin(turn) * u + 60 * (found[1] - 0.5)
    drawn = _read(_edge(b, b.log_uniform(1.5, 10)), across) * (0.4 + found[2])
    ridge = torch.exp(-part * stroke / b.log_uniform(1.5, 8)) * b.pick(-1, 1) * b.uniform(0.5, 3)
    tilt = (found[3] - 0.5) * b.uniform(0, 3.5) + (part - 0.5) * b.uniform(-3, 3)
    return grained(b, drawn + tilt + ridge, 1, 5, 0.4)


def _dragged_film(b: Batch) -> Tensor:
    """Scissor: tongues of sticky film pulled out one way, over or between straight lines."""
    angle = b.uniform(-math.pi, math.pi)
    _, v = turned(b, angle)
    f_u, f_v = _spectral(b, angle)
    width = b.log_uniform(1.2, 9)
    tail = torch.complex(torch.ones_like(f_u), 2 * math.pi * f_u * width * b.log_uniform(8, 40))
    gain = torch.exp(-2 * (math.pi * width) ** 2 * (f_v**2 + 0.1 * f_u**2)) / tail
    source, dense = torch.rand(b.size, b.rows, b.cols, device=b.device), b.log_uniform(0.02, 0.3)
    source = (source < dense / width**2) * (0.3 + torch.rand_like(source))
    film = standardised(torch.fft.irfft2(torch.fft.rfft2(source) * gain, s=(b.rows, b.cols)))
    lying = torch.sigmoid((film - b.uniform(-0.3, 1.2)) * b.log_uniform(2, 10))
    film = torch.where(b.chance(0.5) > 0, standardised(lying), film)
    line = _read(_edge(b, b.log_uniform(1.2, 12)), v) * (1 - b.uniform(0, 0.8) * lying)
    return grained(b, film + b.log_uniform(0.4, 2) * line, 1, 5, 0.4)


def _pressed(b: Batch) -> Tensor:
    """Scissor: an edge pressed through the thickness; rolled entry, fine lines, hollow, burr."""
    along, across = _arc(b, math.pi / 2 + 0.2 * b.normal())
    down = 0.5 + b.pick(-1, 1) * along / b.rows
    line = _read(_edge(b, b.log_uniform(1.2, 12)), across)
    waved = 0.03 * b.uniform(0, 2) * _wander(b, b.log_uniform(20, 120), across)
    seam = torch.sigmoid((down - b.uniform(0.2, 0.8) + waved) * b.log_uniform(8, 80))
    rolled = torch.exp(-down.clamp(min=0) / b.uniform(0.04, 0.2)) * b.uniform(-3, 3)
    rolled = rolled + (down - 0.5) ** 2 * b.uniform(-6, 6)
    halt = (down - b.uniform(0.1, 0.9) + waved) * b.rows / b.log_uniform(1.5, 6)
    ribbed = torch.cos(2 * math.pi * (along + 30 * waved) / b.log_uniform(5, 30)) * (1 - seam)
    relief = line * (1 - b.uniform(0, 0.8) * seam) * b.log_uniform(0.4, 1.5) + rolled
    relief = relief + b.pick(0, 0, 1.5) * torch.exp(-(halt**2)) + 0.5 * seam
    return grained(b, relief + _gate(b, 0.35, 0.2, 0.8) * ribbed, 1, 5, 0.4)


def _overtaken(b: Batch, x: Tensor, time: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return border distance, offset and number of lamellae that overtake (Hopf-Lax, Burgers)."""
    table, base = _table(b, 2), torch.floor(x + 0.5)
    best, second = torch.full_like(x, 1e6), torch.full_like(x, 1e6)
    own, other = torch.zeros_like(x), torch.ones_like(x)
    for d in range(-_RIVALS, _RIVALS + 1):
        found = numbers_at(table, base + d, torch.zeros_like(base))
        site = base + d + 0.7 * (found[1] - 0.5)
        cost = found[0] + (x - site) ** 2 / (2 * time)
        first, runner = cost < best, cost < second
        other = torch.where(first, own, torch.where(runner, site, other))
        second = torch.where(first, best, torch.where(runner, cost, second))
        best, own = torch.where(first, cost, best), torch.where(first, site, own)
    distance = (second - best) * time / ((own - other).abs() + 0.2)
    return distance.clamp(max=20), x - own, torch.floor(own + 0.5)


def _rivers(b: Batch) -> Tensor:
    """Torn: steps and rivers that wander and run together, or hackle that forks from a mirror."""
    u, v = turned(b, b.uniform(-math.pi, math.pi))
    span, fan, away = _span(b), b.chance(0.4), _span(b) * b.uniform(0.35, 1.1)
    r, x = torch.hypot(u + away, v), v + u * u / span * b.uniform(-0.6, 0.6)
    x = torch.where(fan > 0, torch.atan2(v, u + away) * away, x)
    pitch, bend = b.log_uniform(1.5, 14), b.log_uniform(12, 90)
    x = x / pitch + b.uniform(0.07, 0.22) * bend / pitch * noise(b, bend, exponent=2.0)
    way = torch.where(fan > 0, r, u)
    low, high = way.amin(dim=(1, 2), keepdim=True), way.amax(dim=(1, 2), keepdim=True)
    part = (way - low) / (high - low)
    part = torch.where(b.chance(0.7) * fan > 0, 1 - part, part)
    time = b.log_uniform(0.3, 4) + 70 * part ** b.uniform(0.8, 2)
    gap, offset, number = _overtaken(b, x, time)
    height = _numbers(b, number, 1)[0] - 0.5
    edge = torch.exp(-gap * pitch / b.log_uniform(1, 5)) * (0.5 + height).abs()
    step = blur(3 * height * b.uniform(0.2, 1), b.uniform(0.4, 1.5))
    ramp = offset / time.sqrt() * b.uniform(-1.5, 1.5) * (1 + height)
    relief = b.pick(0, 1, 1) * step + b.pick(0, 1) * ramp + b.pick(-1, 1) * b.uniform(0.3, 2) * edge
    mirror = torch.sigmoid(((away - r) / span - b.uniform(-0.1, 0.3)) * b.uniform(5, 20))
    relief = standardised(relief * (1 - fan * b.chance(0.7) * mirror))
    return grained(b, relief + b.uniform(0, 1) * noise(b, b.log_uniform(20, 150)), 1, 6, 0.4)


def _arrest_bands(b: Batch) -> Tensor:
    """Torn: stick-slip; uneven bowed arrest lines, and rays that start anew behind each."""
    u, v = turned(b, b.uniform(-math.pi, math.pi))
    pitch, bend = b.log_uniform(16, 120), b.log_uniform(8, 60)
    along = u + v * v / _span(b) * b.pick(-1, 1) * b.uniform(0.2, 1)
    ragged = b.uniform(0.05, 0.15) * noise(b, pitch * b.uniform(0.3, 1.2), exponent=1.5)
    phase = along / pitch + ragged + b.uniform(0.2, 0.6) * _wander(b, pitch * 2, along)
    part, found = phase % 1, _numbers(b, torch.floor(phase), 3)
    x = v * (1 + 0.5 * (found[0] - 0.5) * part) + 0.8 * (found[1] - 0.5) * _span(b)
    x = x + 0.15 * bend * noise(b, bend, exponent=1.0)
    ray = _read(lines(b.size, int(3 * _span(b)), b.log_uniform(1.5, 9), b.device), x)
    fade = torch.where(b.chance(0.6) > 0, torch.exp(-part * b.uniform(1.5, 6)), part**1.5)
    ray = torch.where(b.chance(0.5) > 0, ray.abs(), ray) * fade * (0.3 + 1.4 * found[2])
    ledge = torch.exp(-part * pitch / b.log_uniform(1.5, 7)) * (0.4 + found[0])
    rough = noise(b, b.log_uniform(1.5, 8), exponent=0.6) * fade * _gate(b, 0.5, 0.2, 0.9)
    relief = b.uniform(0.3, 1.5) * ray + b.pick(-1, 1) * b.uniform(0.5, 3) * ledge + rough
    return grained(b, relief + (part - 0.5) * b.uniform(-2, 2), 1, 5, 0.4)


def _nucleated(b: Batch) -> Tensor:
    """Torn: what starts ahead of the front; conics that all open one way, or drawn-out cavities."""
    angle, size = b.uniform(-math.pi, math.pi), b.log_uniform(14, 110)
    (u, v), conic, speed = turned(b, angle), b.chance(0.5), b.uniform(0.45, 0.72)
    v = v + size * b.uniform(0.03, 0.15) * noise(b, size * b.uniform(0.7, 2), exponent=1.5)
    stretch, jitter = conic + (1 - conic) * b.uniform(1.4, 3.5), 0.2 + 0.05 * conic
    gaps, cavity = (1 - conic) * b.pick(0, 0.3, 0.6), b.uniform(0.2, 0.42)
    best, second = torch.full_like(u, 9.0), torch.full_like(u, 9.0)
    value, way, hole = torch.zeros_like(u), torch.zeros_like(u), torch.full_like(u, -2.0)
    for du, dv, first, late in places(u / size / stretch, v / size, jitter, gaps).near():
        r = torch.hypot(du, dv)
        begun = (r - speed * du + 0.25 * conic * late).clamp(max=8)  # the front comes along u
        second = torch.minimum(second, torch.maximum(best, begun))
        value = torch.where(begun < best, first, value)
        way = torch.where(begun < best, torch.atan2(dv, du), way)
        best = torch.minimum(begun, best)
        tapered = r * (1 + 0.5 * du).clamp(0.7, 2) / (cavity * (0.3 + 1.2 * first**2))
        hole = torch.maximum(hole, 1 - tapered)
    wall = torch.exp(-(second - best) * size / b.log_uniform(1.5, 8)) * b.pick(-2, -0.7, 0.7, 2)
    ray = torch.cos(way * b.pick(9, 15, 27) + 9 * value + 2 * torch.sin(3 * way + 20 * value))
    ray = _gate(b, 0.7, 0.05, 0.6) * ray * (best / 0.3).clamp(max=1)
    conics = b.uniform(0.3, 2.5) * value + wall - b.uniform(0, 1) * best + ray
    hole = hole + b.uniform(0.01, 0.12) * noise(b, size * 0.3)
    lip = torch.exp(-(((hole + 0.1) / b.uniform(0.06, 0.3)) ** 2))
    pits = b.uniform(0.1, 1) * lip - torch.sigmoid(hole * 12) * (0.5 + hole.clamp(0, 1))
    fibre = noise(b, b.log_uniform(1.2, 8), angle=angle, anisotropy=b.uniform(2.5, 7))
    pits = standardised(pits) + b.uniform(0.2, 0.7) * fibre
    return grained(b, torch.where(conic > 0, standardised(conics), pits), 1, 6, 0.4)


def _fingers(b: Batch) -> Tensor:
    """Torn: fingers of a soft layer coming off, of one width, that fork, end and stop in lobes."""
    angle, wide = b.uniform(-math.pi, math.pi), b.log_uniform(6, 60)
    f_u, f_v = _spectral(b, angle)
    f = torch.hypot(f_u, f_v) + 1e-6
    gain = torch.exp(-((torch.log(f * wide) / b.uniform(0.2, 0.4)) ** 2))
    gain = gain * torch.exp(-((f_u / f) ** 2) * b.log_uniform(2.5, 14))
    white = torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))
    finger = standardised(torch.fft.irfft2(white * gain, s=(b.rows, b.cols)))
    finger = finger - b.uniform(-0.4, 0.6)
    lobe = torch.tanh(finger * b.log_uniform(0.7, 8))
    crest = torch.exp(-((finger / b.uniform(0.15, 0.6)) ** 2))
    calm = noise(b, wide * b.uniform(1.5, 4), exponent=1.5)
    here = torch.sigmoid((calm + b.uniform(-0.5, 2.5)) * 5)
    drawn = noise(b, b.log_uniform(1.2, 5), angle=angle, anisotropy=b.uniform(2, 8))
    relief = standardised((b.uniform(0, 1) * lobe + b.pick(0, 0.7, -0.7) * crest) * here)
    return grained(b, relief + b.pick(0, 0.3, 0.6) * drawn + b.uniform(0, 0.8) * calm, 1, 6, 0.4)


def _blunt_lips(b: Batch) -> Tensor:
    """Torn: few curled tear lips of a tough rubber that start, curve, end, on a calm ground."""
    angle, span = b.uniform(-math.pi, math.pi), _span(b)
    u, v = turned(b, angle)
    cosine, sine, relief = torch.cos(angle), torch.sin(angle), torch.zeros_like(u)
    curl, back, smooth = b.log_uniform(0.7, 3), b.log_uniform(5, 60), b.log_uniform(2.5, 15)
    reach, many, lean = b.uniform(0.1, 0.4), b.uniform(0.3, 1), b.uniform(0, 0.6)
    for _ in range(12):
        row, col = b.uniform(-0.5, 0.5) * b.rows, b.uniform(-0.5, 0.5) * b.cols
        way, length = u - cosine * col - sine * row, span * b.log_uniform(0.03, 0.2)
        path = blur(lines(b.size, int(span) + 8, length, b.device)[:, None], smooth)[:, 0]
        path = _read(path, u) * length * b.uniform(0.05, 0.4) + b.uniform(-1, 1) * lean * way
        end = 1 - (way / (reach * span * b.uniform(0.4, 1.5))) ** 2
        tall = end.clamp(min=0) * (b.uniform(0, 1) < many) * b.log_uniform(0.3, 2)
        d = (v - cosine * row + sine * col - path) * b.pick(-1, 1)
        lip = torch.sigmoid(d / curl) * torch.exp(-d.clamp(min=0) / back / (0.2 + tall))
        relief = relief + tall * (lip - 0.5 * torch.exp(-(((d + 2 * curl) / (2 * curl)) ** 2)))
    ground = b.uniform(0, 0.6) * noise(b, b.log_uniform(4, 120), exponent=1.5)
    return grained(b, standardised(relief) + ground, 1, 5, 0.3)


LASER_LOOKS: tuple[Look, ...] = (_bubble_chains, _bridged_layers, _rippled_spots, _filaments)
SCISSOR_LOOKS: tuple[Look, ...] = (
    _drag_lines, _friction_folds, _serrated, _snips, _dragged_film, _pressed,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (_rivers, _arrest_bands, _nucleated, _fingers, _blunt_lips)
