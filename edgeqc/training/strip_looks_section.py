"""Looks known from the preparation of blocks for the electron microscope.

A knife's edge is a fixed profile that passes every place of the cut: its scores keep spacing and
height as long as the stroke lasts, straight or about one centre, and what the knife does in time
(chatter, halts) lies as bands across them (Reid, "Ultramicrotomy", 1975, from memory). A peeled or
freeze-fractured face has no such memory: steps of a crack merge downstream and add their heights,
secondary cracks meet the front in conics (Smekal; Kies et al., J. Appl. Phys. 1950, from memory),
a peel halts at uneven distances, fibrils are drawn out. A pulsed beam leaves spots, tracks and
layers on a programmed grid, granules frozen in flight, spindles along the beam, and ripples that
the polarisation directs (Birnbaum 1965; van Driel et al. 1982, from memory).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    at_line,
    blur,
    grained,
    lines,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)

_TRACE = 4096


def _face_angle(b: Batch) -> Tensor:
    """Return directions of a scan: along the face, across it, or askew as the piece lay."""
    return b.pick(0, 0, 0.5 * math.pi, 0.25 * math.pi) + b.uniform(-0.2, 0.2)


def _stroke(b: Batch, angle: Tensor, bend: Tensor) -> tuple[Tensor, Tensor]:
    """Return places along and across a stroke about one centre of curvature."""
    along, across = turned(b, angle)
    radius = (b.rows + b.cols) / bend.clamp(min=0.03)
    away = radius - across
    return torch.atan2(along, away) * radius, radius - torch.hypot(along, away)


def _traced(b: Batch, trace: Tensor, at: Tensor) -> Tensor:
    """Return a trace (b, n) read at places that may be negative and wrap."""
    return at_line(trace, torch.remainder(at + 0.5 * _TRACE, _TRACE - 2))


def _wander(b: Batch, length: Tensor, at: Tensor) -> Tensor:
    """Return a random line of a correlation length, read at places."""
    return _traced(b, lines(b.size, _TRACE, length[:, 0], b.device), at)


def _drawn(b: Batch, place: Tensor) -> Tensor:
    """Return random numbers 0 .. 1, the same wherever the whole numbers given are the same."""
    return numbers_at(torch.rand(b.size, 2048, device=b.device), place, 0 * place)


def _marks(b: Batch, density: Tensor, width: Tensor, tail: Tensor) -> Tensor:
    """Return a trace of uneven single marks, round before and with a tail behind, largest 1."""
    draw = torch.rand(b.size, 1, _TRACE, device=b.device)
    height = torch.exp(0.7 * torch.randn_like(draw))
    marks = torch.fft.rfft((draw < density) * height)
    f = torch.fft.rfftfreq(_TRACE, device=b.device)[None, None, :]
    gain = torch.exp(-2 * (math.pi * width * f) ** 2) / (1 + 2j * math.pi * f * tail)
    trace = torch.fft.irfft(marks * gain, n=_TRACE)
    return (trace / (trace.abs().amax(dim=-1, keepdim=True) + 1e-6))[:, 0]


def _edge(b: Batch, across: Tensor) -> Tensor:
    """Return what a knife's edge leaves across its stroke: fine grinding, waves, nicks, burrs."""
    width, rate = b.log_uniform(0.6, 3.5), b.log_uniform(0.004, 0.06)
    nick = _marks(b, rate, width, 0 * width)[:, None]
    nick = nick - blur(nick, width * b.uniform(1.2, 2)) * b.uniform(0, 2.2)
    nick = b.pick(-1, -1, 1) * nick / (nick.std(dim=2, keepdim=True) + 1e-6)
    plane = b.uniform(0.2, 1.6) * _traced(b, nick[:, 0], across)
    plane = plane + b.uniform(0.05, 0.6) * _wander(b, b.log_uniform(0.5, 5), across)
    return standardised(plane + b.uniform(0, 1.2) * _wander(b, b.log_uniform(8, 60), across))


def _narrow(b: Batch, across: Tensor, spacing: Tensor, length: Tensor, angle: Tensor,
            slim: Tensor) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Return cosine and size of lines that wander, fork and end (phases with dislocations)."""
    real = noise(b, length, exponent=1.2, angle=angle, anisotropy=slim)
    imag = noise(b, length, exponent=1.2, angle=angle, anisotropy=slim)
    size = torch.hypot(real, imag) + 1e-4
    phase = 2 * math.pi * across / spacing
    return (real * torch.cos(phase) - imag * torch.sin(phase)) / size, size


def _warped(b: Batch, most: float) -> tuple[Tensor, Tensor]:
    """Return two smooth displacements in samples, as uneven stress bends a crack's way."""
    length = b.log_uniform(12, 120)
    size = b.uniform(0.1, most) * length
    return size * noise(b, length, exponent=1.8), size * noise(b, length, exponent=1.8)


def _burst_passes(b: Batch) -> Tensor:
    """Rows of burst cups: apart, overlapping or foamed to films, some failed, passes set off."""
    pitch, ratio, shear = b.log_uniform(4, 60), b.log_uniform(0.5, 2.2), b.pick(0, 0.5, 0.27)
    u, v = turned(b, _face_angle(b))
    melt, faint = noise(b, pitch * b.log_uniform(0.4, 5), exponent=1.7), b.chance(0.3)
    bend = faint * b.uniform(0, 0.2) * melt
    v = v / (pitch * ratio) + bend
    gaps, radius = b.pick(0, 0, 0.04, 0.2, 0.6), b.uniform(0.35, 0.8) * ratio.clamp(max=1.1)
    uneven, width = b.uniform(0, 0.5), b.log_uniform(0.05, 0.2)
    cup, rim = torch.zeros_like(v), torch.zeros_like(v)
    near, second = torch.full_like(v, 9.0), torch.full_like(v, 9.0)
    grid = places(u / pitch + shear * v + bend, v, b.log_uniform(0.02, 0.2), gaps)
    for du, dv, number, _ in grid.near():
        far = torch.hypot(du - shear * dv, dv * ratio)
        reach = far / (radius * (1 + uneven * (number - 0.5)))
        cup = torch.maximum(cup, (1 - reach**2).clamp(min=0) * (0.6 + uneven * number))
        rim = torch.maximum(rim, torch.exp(-(((reach - 1) / width) ** 2)) * (0.5 + number))
        second = torch.minimum(second, torch.maximum(near, far))
        near = torch.minimum(near, far)
    film = torch.exp(-(((second - near) / (1.5 * width)) ** 2)) * (second < 1.2)
    rim = b.pick(0, 0.3, 0.8) * rim * (1 - 4 * cup).clamp(min=0) + b.pick(0, 0, 0.7, 1.5) * film
    step = b.pick(0, 0, 0.3) * _drawn(b, torch.floor((v + 0.5) / b.pick(1, 3, 6)))
    bursts = (rim + step - b.pick(1, 1, -1) * cup) * (1 - 0.6 * faint)
    return grained(b, bursts + b.pick(0, 0.15, 0.5) * melt, 0.7, 4, 0.25)


def _rippled_tracks(b: Batch) -> Tensor:
    """Periodic ripples of one wavelength inside scan tracks, broken and reset at every track."""
    period, angle = b.log_uniform(14, 90), _face_angle(b)
    u, v = turned(b, angle)
    v = v + b.pick(0, 0.05) * period * noise(b, period, exponent=1.5)
    track = torch.floor(v / period)
    middle = 2 * (v / period - track) - 1
    wave = (period * b.uniform(0.08, 0.24)).clamp(2.6, 12)
    turn = angle + b.pick(0.7, 1.1, 1.57, 1.57) + b.uniform(-0.1, 0.1)
    across = turned(b, turn)[1] + wave * _drawn(b, track)
    ripple, size = _narrow(b, across, wave, wave * b.uniform(2, 7), turn, b.uniform(1, 3))
    shown = torch.exp(-((middle / b.uniform(0.4, 1.2)) ** 2)) * size.clamp(max=1)
    groove = middle**2 * b.uniform(0, 2.5) + b.pick(0, 1.5) * middle.abs() ** 12
    beat = 2 * math.pi / (period * b.uniform(0.3, 0.9))
    pulses = torch.cos(beat * u - b.uniform(1, 3) * middle**2) * (1 - middle**2)
    relief = ripple * shown + groove + b.pick(0, 0, 0.3, 0.7) * pulses
    return grained(b, relief, 0.7, 6, 0.4)


def _frozen_granules(b: Batch) -> Tensor:
    """Granules and drops that froze on the wall, thick along the passes and thin between."""
    radius = b.log_uniform(1.6, 8)
    u, v = turned(b, _face_angle(b))
    v = v + b.pick(0, 0.5) * radius * noise(b, radius * 10, exponent=1.8)
    period = radius * b.uniform(4, 14)
    rate, level, drops = b.uniform(2.5, 8), b.uniform(-0.6, 0.5), torch.zeros_like(u + v)
    for scale, gaps in ((1.0, 0.0), (1.6, 0.2), (2.6, 0.8)):
        cell = radius * scale * 2.2
        grid = places(u / cell, v / cell, b.uniform(0.2, 0.3), b.uniform(gaps, 0.15 + gaps))
        for du, dv, number, second in grid.near():
            size = 0.14 + 0.34 * number
            body = (1 - (du**2 + dv**2) / size**2).clamp(min=0).sqrt() * size * scale
            path = torch.cos(2 * math.pi * (v - dv * cell) / period)  # where the drop lies
            drops = torch.maximum(drops, body * (second < torch.sigmoid(rate * (path - level))))
    pulses = torch.cos(2 * math.pi * u / (period * b.uniform(0.5, 1.2)))
    ground = torch.cos(2 * math.pi * v / period) + b.pick(0, 0, 0.8) * pulses
    ground = b.uniform(-0.4, 0.4) * ground + b.uniform(0, 0.15) * noise(b, radius * 2)
    return grained(b, 2.5 * drops + ground, 0.7, 3, 0.2)


def _beam_spindles(b: Batch) -> Tensor:
    """Spindles that self-focusing drew out along the beam, layer under layer, beaded or hollow."""
    pitch, stretch = b.log_uniform(4.5, 24), b.log_uniform(2.5, 9)
    tall, side = turned(b, 0.5 * math.pi + b.uniform(-0.25, 0.25))
    column = torch.floor(side / pitch + 0.5)
    deep = tall / (pitch * stretch) + b.pick(0, 0.1, 0.25) * _drawn(b, column)
    grid = places(deep, side / pitch, b.uniform(0.02, 0.1), b.pick(0, 0, 0.12))
    long, thin = b.uniform(0.35, 0.6), b.uniform(0.15, 0.4)
    hollow, blunt = b.pick(0, 0.9), b.uniform(-0.6, 0.6)
    relief = torch.zeros_like(deep)
    for du, dv, number, _ in grid.near():
        at = (du / (long * (0.7 + 0.6 * number))).clamp(-1, 1)
        wide = thin * (1 - at**2) * (1 + blunt * at) + 1e-3
        body = torch.exp(-((dv / wide) ** 2)) - hollow * torch.exp(-((2.2 * dv / wide) ** 2))
        relief = torch.maximum(relief, body * (1 - at**4))
    beads = torch.cos(2 * math.pi * tall / (pitch * b.uniform(0.4, 1)) + 2 * column)
    relief = relief * b.pick(1, -1) * (1 + b.pick(0, 0, 0.5) * beads)
    return grained(b, relief + b.pick(0, 0.4) * noise(b, 3 * pitch), 0.7, 4, 0.25)


def _knife_scores(b: Batch) -> Tensor:
    """Scores of one stroke or two, straight or about a pivot; a new chip's begin on the face."""
    angle, bend = b.uniform(-3.14, 3.14), b.pick(0, 0, 0.5, 1.2) * b.uniform(0.5, 1.2)
    along, across = _stroke(b, angle, bend)
    first = _edge(b, across)
    chip = _marks(b, b.log_uniform(0.002, 0.02), b.log_uniform(0.7, 3), b.uniform(0, 0.1))
    start = 0.3 * b.cols * _wander(b, b.log_uniform(4, 30), across)
    after = torch.sigmoid((along - start) / b.uniform(1, 8))
    first = first - b.pick(0, 2, 5) * _traced(b, chip, across) * after
    turn = angle + b.pick(-1, 1) * b.uniform(0.08, 0.9)
    second = _edge(b, _stroke(b, turn, bend * b.pick(0.1, 1, 1))[1])
    border = across + b.uniform(-0.4, 0.4) * min(b.rows, b.cols) + b.uniform(-1, 1) * along
    share = torch.sigmoid(border / b.log_uniform(0.6, 5))
    crossed = b.chance(0.4)
    share = b.chance(0.5) * (crossed * b.uniform(0.3, 0.7) + (1 - crossed) * share)
    ledge = b.pick(0, 1, 2) * (share > 0).float() * (1 - crossed) * torch.tanh(border / 4)
    clean = b.pick(0, 0, 1) * torch.sigmoid(4 * noise(b, 60 * b.log_uniform(0.5, 2)) - 1)
    relief = (first * (1 - share) + second * share) * (1 - 0.8 * clean) + ledge
    return grained(b, relief + b.pick(0, 0.5) * noise(b, b.log_uniform(30, 120), exponent=2),
                   0.7, 3, 0.2)  # fmt: skip


def _chatter(b: Batch) -> Tensor:
    """Even bands along the edge of a knife that sprang, crossed by scores that run on straight."""
    angle, period = b.uniform(-3.14, 3.14), b.log_uniform(5, 70)
    along, across = _stroke(b, angle, b.pick(0, 0, 0.4) * b.uniform(0.1, 1))
    skew = along + torch.tan(b.pick(0, 0, 0.3, 0.7) * b.uniform(-1, 1)) * across
    beat = skew / period + b.pick(0, 0.05, 0.15) * _wander(b, 6 * period, skew)
    beat = beat + b.pick(0, 0.1) * noise(b, 3 * period, exponent=1.5)
    part = beat - torch.floor(beat)
    rise = b.uniform(0.06, 0.5)
    saw = torch.minimum(part / rise, (1 - part) / (1 - rise))
    saw = torch.where(b.chance(0.4) > 0, 0.5 - 0.5 * torch.cos(2 * math.pi * part), saw)
    swell = (1 + b.pick(0, 0.6) * noise(b, 5 * period, exponent=1.5, angle=angle)).clamp(0, 2)
    second = b.pick(0, 0, 0.4) * torch.cos(2 * math.pi * beat * b.uniform(2.2, 4))
    relief = saw * swell * 2 + second + b.uniform(0.1, 0.7) * _edge(b, across)
    return grained(b, relief, 0.7, 4, 0.2)


def _stroke_facets(b: Batch) -> Tensor:
    """Facets of several closes of the blades: each with its drag, ended by a straight halt line."""
    along, across = _stroke(b, b.uniform(-3.14, 3.14), b.pick(0, 0.4) * b.uniform(0.1, 1))
    stroke = b.uniform(0.12, 0.6) * max(b.cols, b.rows)
    halt = (along + torch.tan(b.uniform(-0.7, 0.7)) * across) / stroke
    halt = halt + b.pick(0, 0.02) * _wander(b, 0.5 * stroke, across)
    facet = torch.floor(halt)
    part = halt - torch.floor(halt)
    own = _drawn(b, facet) - 0.5
    swing = b.pick(0.05, 0.2, 0.5)
    drag = _edge(b, across + swing * own * along + 700 * own)
    tilt = b.uniform(0, 3) * own * part + b.pick(0, 1, 2) * own
    roof = b.pick(0, 1.5) * (1 - 2 * torch.remainder(facet, 2)) * (part - 0.5)
    bevel = b.log_uniform(1, 6) / stroke
    ridge = torch.exp(-part / bevel) - b.uniform(0, 1) * torch.exp(-(1 - part) / bevel)
    relief = b.uniform(0.15, 0.8) * drag + tilt + roof + b.uniform(-2.5, 2.5) * ridge
    return grained(b, blur(relief, b.uniform(0.3, 0.8)), 0.7, 4, 0.15)


def _smears(b: Batch) -> Tensor:
    """Films smeared over the face by the blade's flank: tongues and threads all dragged one way."""
    angle = b.uniform(-3.14, 3.14)
    along, across = _stroke(b, angle, b.pick(0, 0, 0.3) * b.uniform(0.1, 1))
    tongue = b.log_uniform(2, 16)  # all point the way of the stroke
    ends = _marks(b, 0.3 / tongue, tongue, 0 * tongue)
    front = along - b.uniform(2, 20) * tongue * _traced(b, ends, across)
    sheet = _marks(b, b.log_uniform(0.004, 0.03), b.uniform(0.5, 1.5), b.log_uniform(20, 200))
    cover = noise(b, b.log_uniform(30, 120), exponent=2, angle=angle, anisotropy=12)
    cover, thin, long = torch.sigmoid(5 * cover + 3), b.log_uniform(1.2, 6), b.log_uniform(30, 150)
    relief = b.pick(0, 0.3, 0.6) * noise(b, thin * long.sqrt(), angle=angle, anisotropy=long)
    relief = relief + b.uniform(1, 4) * _traced(b, sheet, front) * cover
    relief = relief + b.uniform(0.3, 0.8) * _edge(b, across) * (1 - 0.4 * cover)
    return grained(b, relief, 0.7, 4, 0.15)


def _curled_lip(b: Batch) -> Tensor:
    """Burnished cut with a lip rolled over along one side, its wrinkles even, drag below it."""
    angle = b.pick(0, 0.5 * math.pi) + b.uniform(-0.5, 0.5)
    drag = _edge(b, _stroke(b, angle, b.pick(0, 0.4))[1])
    col, row = turned(b, b.pick(0, math.pi))
    within = row + b.uniform(0.05, 0.4) * b.rows
    within = within - 0.02 * b.rows * _wander(b, b.log_uniform(20, 300), col + within * 0)
    thick = b.log_uniform(2, 0.12 * b.rows)
    below = torch.sigmoid(within / b.uniform(1, 4))
    roll = torch.exp(-((within / thick) ** 2)) + b.uniform(0, 1) * (1 - below)
    wave = thick * b.uniform(0.6, 2)
    fold = _wander(b, 3 * wave, col + within * 0)
    wrinkle = torch.cos(2 * math.pi * (col + b.uniform(-0.7, 0.7) * within) / wave + fold)
    chisel = b.pick(0, 1) * torch.exp(-within.clamp(min=0) / (3 * thick)) * below
    relief = b.uniform(1, 3) * roll + b.uniform(0.2, 0.9) * drag * below - chisel
    return grained(b, relief + b.pick(0, 0.3, 0.7) * wrinkle * (1 - below), 0.7, 4, 0.15)


def _rivers(b: Batch) -> Tensor:
    """River lines of a cleaved face: steps merge two by two downstream and add their heights."""
    u, v = turned(b, b.uniform(-3.14, 3.14))
    du, dv = _warped(b, 0.35)
    spacing, reach = b.log_uniform(2.5, 16), max(b.rows, b.cols)
    across = (v + dv) / spacing + b.uniform(0, 0.6) * noise(b, 3 * spacing)
    grown = (u + du + 0.6 * reach).clamp(min=0) / (spacing * b.log_uniform(3, 20))
    even = b.uniform(1.5, 4.5) * ((u + du) / reach + 0.5)
    along = torch.where(b.chance(0.5) > 0, even, torch.log2(1 + grown))
    level = torch.floor(along).clamp(0, 6)
    part, unit = (along - level).clamp(0, 1), 2**level
    first = torch.floor(across / unit) - 2
    count, ridge = first, torch.zeros_like(across)
    table = torch.rand(b.size, _TRACE, device=b.device)
    for k in range(5):
        line, pair = first + k, torch.floor((first + k) / 2)
        own = (line + 0.2 + 0.6 * numbers_at(table, line, level)) * unit
        meet = (pair + 0.2 + 0.6 * numbers_at(table, pair, level + 1)) * unit * 2
        share = ((part - 0.6 * numbers_at(table, pair, level + 9)) / 0.4).clamp(0, 1)
        place = own + (meet - own) * share * share * (3 - 2 * share)
        count = count + (across > place)
        ridge = torch.maximum(ridge, torch.exp(-(((across - place) / 0.16) ** 2)) * unit.sqrt())
    step = b.uniform(-0.2, 1)[:, 0] + torch.randn_like(table)
    step = step * (torch.rand_like(step) < b.pick(1, 0.6, 0.25)[:, 0])
    walk = torch.cumsum(step - step.mean(dim=1, keepdim=True), dim=1)
    height = at_line(walk, count * unit + 0.5 * _TRACE)
    height = height + step.mean(dim=1)[:, None, None] * (count * unit - across)
    ground = b.pick(0, 0.2, 0.5) * noise(b, b.log_uniform(8, 60), exponent=1.5)
    relief = standardised(height) + b.uniform(-0.3, 0.8) * ridge + ground
    return grained(b, blur(relief, b.uniform(0.3, 1.2)), 0.7, 5, 0.12)


def _drawn_fibrils(b: Batch) -> Tensor:
    """Fibrils drawn out of a peeled face, bundled, tapering to tips that curl or end in knobs."""
    u, v = turned(b, b.uniform(-3.14, 3.14))
    du, dv = _warped(b, 0.4)
    width, slim = b.log_uniform(3, 18), b.log_uniform(2.5, 12)
    relief, curl, knob = torch.zeros_like(u), b.uniform(0, 2), b.pick(0, 0, 0.8)
    for scale in (1.0, 0.45):
        grid = places((u + du) / (width * slim * scale), (v + dv) / (width * scale),
                      b.uniform(0.2, 0.35), b.uniform(0, 0.5))  # fmt: skip
        for a, c, number, other in grid.near():
            at = (a / (0.3 + 0.35 * number)).clamp(-1, 1)
            bow = c + (other - 0.5) * (curl * a * (at + 1) + 0.3 * a)
            wide = 0.3 * (0.3 + other) * (1.05 - at) ** 0.7 * (0.5 + 0.5 * number)
            body = torch.exp(-((bow / (wide + 0.02)) ** 2)) * (1 + at) ** 0.6 * (1 - at**4)
            tip = knob * torch.exp(-((bow / 0.2) ** 2) - ((at - 0.85) * slim / 2) ** 2)
            relief = torch.maximum(relief, (body + tip) * (0.3 + other) * scale)
    ground = b.uniform(0.05, 0.3) * noise(b, b.log_uniform(4, 40), exponent=1.2)
    return grained(b, relief * 2 + ground, 0.7, 4, 0.15)


def _halted_peel(b: Batch) -> Tensor:
    """Arrest lines of a peel at uneven distances, bowed and wavering; hackle fans between them."""
    angle, spread = b.uniform(-3.14, 3.14), max(b.rows, b.cols)
    u, v = turned(b, angle)
    du, dv = _warped(b, 0.25)
    front = u + du + b.uniform(-0.8, 0.8) * v * v / spread
    fan = (v + dv) / (1.3 + b.uniform(-0.9, 0.9) * u / spread)
    trace = _marks(b, b.log_uniform(0.012, 0.06), b.uniform(0.6, 2), b.log_uniform(2, 40))
    halt = _traced(b, trace, front * b.pick(1, -1))
    live, spacing = (0.9 + 0.5 * noise(b, b.log_uniform(30, 120))).clamp(0), b.log_uniform(4, 24)
    fan = fan + spacing * b.uniform(0.5, 3) * halt  # every halt sets the hackle anew
    hackle, size = _narrow(b, fan, spacing, spacing * b.uniform(0.7, 2), angle, b.uniform(1, 4))
    hackle = torch.exp(b.uniform(0.7, 4) * (hackle - 1)) * size.clamp(max=2)
    fade = torch.where(b.chance(0.5) > 0, 3 * halt, 1 - halt).clamp(0, 1.2)
    relief = b.uniform(3, 7) * halt * live + b.pick(0, 0.6, 1.2) * hackle * fade
    ground = b.uniform(0.05, 0.3) * noise(b, b.log_uniform(6, 60), exponent=1.2)
    return grained(b, relief + ground, 0.7, 4, 0.15)


def _conics(b: Batch) -> Tensor:
    """Frozen block's fracture: secondary cracks meet the front in conics; mirror, then hackle."""
    u, v = turned(b, b.uniform(-3.14, 3.14))
    u, v = (axis + shift for axis, shift in zip((u, v), _warped(b, 0.15), strict=True))
    reach, lead, slow = max(b.rows, b.cols), b.log_uniform(2, 50), b.uniform(0.96, 1.02)
    some = b.uniform(0.4, 1)
    first, gap, level = u, torch.full_like(u, 1e3), torch.zeros_like(u)
    from_u, from_v = u + reach, v
    for _ in range(28):
        way_u = u - b.uniform(-0.6, 0.5) * reach
        way_v = v - b.uniform(-0.5, 0.5) * reach
        time = u - way_u - lead * b.uniform(0.2, 1.5) + torch.hypot(way_u, way_v) * slow
        time = time + 9e3 * (1 - b.chance(0.7) * (some > b.uniform(0, 1)))
        won = time < first
        gap = torch.where(won, first - time, torch.minimum(gap, time - first))
        first, level = torch.minimum(first, time), torch.where(won, b.uniform(-1, 1), level)
        from_u, from_v = torch.where(won, way_u, from_u), torch.where(won, way_v, from_v)
    far = torch.hypot(from_u, from_v)
    ray = torch.atan2(from_v, from_u + 1e-3) * b.log_uniform(8, 40)
    hackle = torch.sin(ray + 1.5 * noise(b, b.log_uniform(8, 60))) * far / (far + 2 * lead)
    rough = noise(b, b.log_uniform(2, 12)) * torch.sigmoid(far / lead - b.uniform(4, 30))
    meet = torch.exp(-((gap / b.log_uniform(0.8, 4)) ** 2)) * b.uniform(-0.5, 1.5)
    relief = b.uniform(0.5, 2) * level + b.pick(0, 0, 0.15, 0.4) * hackle + meet
    relief = relief + b.pick(0, 0.05, 0.2) * rough
    return grained(b, blur(relief, b.uniform(0.4, 1.5)), 0.8, 5, 0.08)


def _tear_lines(b: Batch) -> Tensor:
    """Tear lines of a rubbery face on smooth ground: they wander, fork, change height and end."""
    angle = b.uniform(-3.14, 3.14)
    across = turned(b, angle)[1] + _warped(b, 0.3)[0]
    spacing = b.log_uniform(5, 50)
    sharp, long = b.log_uniform(1.5, 25), b.uniform(0.5, 1.5) * spacing
    wave, size = _narrow(b, across, spacing, long, angle, b.uniform(1, 3.5))
    line = torch.exp(sharp * (wave - 1)) * size.clamp(max=2)
    alive = noise(b, spacing * 3, angle=angle, anisotropy=2)
    alive = torch.sigmoid(3 * (alive - b.uniform(-1.5, 0.7)))
    step = torch.tanh(2 * noise(b, spacing * 2, exponent=1.5, angle=angle, anisotropy=3))
    branch, small = _narrow(b, across, spacing * 0.4, spacing * 0.5, angle + 0.5, b.uniform(1, 3))
    branch = b.pick(0, 0, 0.3) * torch.exp(sharp * (branch - 1)) * small * (1 - alive)
    relief = b.pick(1, 1, -1) * 2 * line * alive + b.pick(0, 0.3, 0.8) * step + branch
    relief = relief + b.uniform(0.02, 0.3) * noise(b, b.log_uniform(5, 60), exponent=1.3)
    return grained(b, relief, 0.7, 4, 0.15)


LASER_LOOKS: tuple[Look, ...] = (_burst_passes, _rippled_tracks, _frozen_granules, _beam_spindles)
SCISSOR_LOOKS: tuple[Look, ...] = (_knife_scores, _chatter, _stroke_facets, _smears, _curled_lip)
TORN_LOOKS: tuple[Look, ...] = (_rivers, _drawn_fibrils, _halted_peel, _conics, _tear_lines)
