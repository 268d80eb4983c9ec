"""Looks as an examiner of toolmarks and of torn and laser-processed evidence knows them.

Laser: every pulse leaves a bubble where a program puts it. Overlapping pulses lie like coins, the
later on top; lines, layers and scan fields meet in seams; the focus is longer along the beam than
across (after Vogel et al. 2005, from memory). Scissor: an edge repeats its profile, the signature,
along the whole stroke (after Bachrach et al. 2010, from memory): lines keep their distance and
wave together, only the contact changes. A rocking edge leaves bars that nest, a stroke's end a
pushed-off ridge or a smear, two blades a pinch. Torn: the crack follows stress. Steps flow together
downstream, hackle fans out or forms chevrons, arrests bow at changing distances, ductile matter
draws to fibrils and whitens (after Hull 1999 and Greensmith 1956 on tearing, from memory).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training import strip_fields
from edgeqc.training.strip_fields import Batch, Look, blur, grained, noise, numbers_at, turned

_SAMPLES = 4096


def _bell(distance: Tensor, width: Tensor | float) -> Tensor:
    return torch.exp(-((distance / width) ** 2).clamp(max=40))


def _line(b: Batch, length: Tensor, smooth: float = 0.0) -> Tensor:
    """Return a random line per member, (size, n), of a correlation length."""
    line = strip_fields.lines(b.size, _SAMPLES, length, b.device)[:, None]
    return strip_fields.standardised(blur(line, smooth * length))[:, 0]


def _read(line: Tensor, position: Tensor) -> Tensor:
    """Return a line (b, n) read at positions, beginning anew beyond its ends."""
    return strip_fields.at_line(line, torch.remainder(position, _SAMPLES))


def _of(level: Tensor, count: int = 1) -> Tensor:
    """Return uniform random numbers that belong to whole numbers, (count, size, rows, cols)."""
    table = torch.rand(count, level.shape[0], 1024, device=level.device)
    return numbers_at(table, level, torch.zeros_like(level))


def _edge(b: Batch, bare: float = 0.2) -> Tensor:
    """Return the profile of a cutting edge, (size, n): fine and coarse roughness, and nicks."""
    fine, width = b.log_uniform(0.7, 4), b.log_uniform(0.7, 5)
    coarse = fine * b.log_uniform(4, 25)
    ground = _line(b, fine) * torch.exp(0.8 * _line(b, coarse * 3))
    ground = ground + b.uniform(0, 2)[:, 0] * _line(b, coarse)
    ground = torch.where(b.chance(0.35)[:, 0] > 0, -1.5 * ground.abs(), ground)
    struck = torch.rand(b.size, _SAMPLES, device=b.device) < b.log_uniform(0.008, 0.05)[:, 0]
    nicks = struck * torch.randn(b.size, _SAMPLES, device=b.device)
    nicks = blur(nicks[:, None], width)[:, 0] * (width * b.uniform(2, 8))[:, 0]
    line = torch.where(b.chance(bare) > 0, 0.04, 1.0)[:, 0] * ground + nicks
    return strip_fields.standardised(line[:, None])[:, 0]


def _swept(b: Batch, angle: Tensor, bent: float) -> tuple[Tensor, Tensor]:
    """Return places along and across a stroke, straight or about one centre, all waving alike."""
    along, across = turned(b, angle)
    way, curved = b.pick(-1, 1), b.chance(bent) > 0
    radius, length = b.cols * b.log_uniform(0.5, 5), b.log_uniform(60, 400)
    out = way * across + radius
    arc = way * (torch.sqrt(along**2 + out**2) - radius)
    sweep = radius * torch.atan2(along, out)
    along, across = torch.where(curved, sweep, along), torch.where(curved, arc, across)
    wave = b.chance(0.4) * b.uniform(0.01, 0.06) * length
    return along, across + wave * _read(_line(b, length, 0.3), along)


def _contact(b: Batch, angle: Tensor) -> Tensor:
    """Return how firmly an edge lay on, 0 to 1, changing slowly along a stroke."""
    field = noise(b, b.log_uniform(8, 40), angle=angle, anisotropy=b.log_uniform(6, 40))
    return torch.sigmoid(3 * (field + b.uniform(-0.3, 2)))


def overlapped_pulses(b: Batch) -> Tensor:
    """Pulses laid over one another like coins, line after line, the latest on top."""
    along, across = turned(b, b.pick(0, 0, math.pi / 2) + 0.1 * b.normal())
    pitch, size, there_back = b.log_uniform(2.5, 30), b.uniform(0.9, 2.6), b.chance(0.5)
    apart = size * b.uniform(0.8, 1.9)
    x, y = along / pitch, across / (pitch * apart)
    table = torch.rand(3, b.size, 8192, device=b.device)
    rim, deep, uneven = b.uniform(0, 0.8), b.uniform(0.3, 1.5), b.uniform(0, 0.3)
    jitter, lost = b.pick(0.1, 0.3, 0.7), b.pick(0, 0.02, 0.15)
    relief = torch.zeros_like(x)
    for d_i in (-1, 0, 1):
        i = torch.floor(y + 0.5) + d_i
        way = 1 - 2 * there_back * torch.remainder(i, 2)
        for step in range(-3, 4):
            j = torch.floor(x + 0.5) + way * step
            found = numbers_at(table, i, j)
            u, v = x - j - jitter * (found[0] - 0.5), (y - i) * apart - jitter * (found[1] - 0.5)
            radius = size * (1 + uneven * (found[2] - 0.5)) * (found[2] > lost) + 1e-3
            r2 = (u**2 + v**2) / radius**2
            coin = deep * (r2 - 0.6) + rim * r2.clamp(max=2) ** 4 + uneven * found[0]
            relief = torch.where(r2 < 1, coin, relief)
    return grained(b, blur(relief, b.uniform(0.4, 1.2)), 0.8, 20, 0.5)


def pitted_recast(b: Batch) -> Tensor:
    """Rows of pits with frozen collars, or a faint stipple of weak pulses."""
    along, across = turned(b, b.pick(0, 0, math.pi / 2) + 0.12 * b.normal())
    faint = b.chance(0.4)
    pitch, ratio, shear = b.log_uniform(4, 45), b.uniform(0.7, 2.3), b.pick(0, 0, 0.5)
    bend = b.uniform(0, 0.2) * noise(b, pitch * 10, exponent=2.0)
    y = across / (pitch * ratio) + bend
    x = along / pitch + shear * y + bend
    spots = strip_fields.places(x, y, b.pick(0.02, 0.06, 0.14), b.pick(0, 0.05, 0.25))
    pit, collar, uneven = b.uniform(0.15, 0.4), b.uniform(0.3, 0.9), b.uniform(0, 0.6)
    hole, rim = torch.zeros_like(along), torch.zeros_like(along)
    for u, v, number, other in spots.near():
        radius = pit * (1 - 0.4 * faint) * (1 + uneven * (number - 0.5))
        away = torch.sqrt((u - shear * v) ** 2 + (v * ratio) ** 2 + 1e-9)
        gone = (away / radius - 1) / collar
        hole = torch.maximum(hole, torch.sigmoid(-3 * gone) * (0.6 + 0.4 * other))
        rim = torch.maximum(rim, _bell(gone - 0.7, 0.8) * (0.3 + 0.7 * other))
    patchy = torch.sigmoid(3 * (noise(b, pitch * b.uniform(3, 10)) + b.uniform(-0.2, 1.5)))
    relief = b.uniform(0.1, 1.2) * (1 - faint) * rim - b.pick(0.3, 1, 1) * b.uniform(1, 3) * hole
    relief = relief * torch.where(faint > 0, patchy * b.pick(-1, 1), 1.0)
    relief = relief + b.uniform(0, 0.3) * noise(b, pitch * b.uniform(0.3, 1.5), exponent=2.0)
    return grained(b, relief, 0.8, 6, 0.4)


def scan_seams(b: Batch) -> Tensor:
    """Lanes of melt between dotted seams, scan field stitched to scan field."""
    along, across = turned(b, b.pick(0, 0, 0, math.pi / 2) + 0.08 * b.normal())
    lane = b.log_uniform(8, 60)
    field, pitch = lane * b.log_uniform(5, 20), lane * b.log_uniform(0.15, 0.6)
    wander = noise(b, lane * 2)
    at = along / field + 0.01 * wander
    block = torch.floor(at)
    shift = _of(block, 2)
    y = across / lane + b.pick(0, 0, 0.1, 0.5) * shift[0] + b.uniform(0.01, 0.08) * wander
    row = torch.floor(y + 0.5)
    x = along / pitch + shift[1] + 7 * _of(row)[0]
    j = torch.floor(x + 0.5)
    dot = numbers_at(torch.rand(2, b.size, 8192, device=b.device), row, j)
    u, v = x - j - 0.3 * (dot[0] - 0.5), (y - row) * lane / pitch - 0.4 * (dot[1] - 0.5)
    bead = _bell(torch.sqrt(u**2 + v**2 + 1e-9), 0.2 + 0.3 * dot[1])
    seam = _bell(v, b.uniform(0.15, 0.6)) * torch.sigmoid(2 * noise(b, lane) + b.uniform(0, 2))
    ripple = torch.cos(math.tau * x + b.uniform(2, 8) * (y - row) ** 2) * b.uniform(-0.2, 0.3)
    relief = b.pick(-2, 2) * bead * b.uniform(0.5, 1) * (dot[1] > b.pick(0, 0.1, 0.3))
    relief = relief + b.uniform(-0.9, 0.9) * seam - b.uniform(-2.4, 2.4) * (y - row) ** 2
    stitch = _bell(at - block - 0.5, b.uniform(1, 4) / field)
    relief = relief + b.uniform(-0.6, 0.6) * stitch + ripple.clamp(min=0)
    return grained(b, blur(relief, 0.6), 0.8, 15, 0.6)


def beam_spindles(b: Batch) -> Tensor:
    """Voids longer along the beam than across, side by side, layer under layer."""
    along, across = turned(b, 0.06 * b.normal())
    pitch, ratio = b.log_uniform(4, 30), b.log_uniform(1.8, 8)
    y = across / (pitch * ratio) + b.uniform(0, 0.05) * noise(b, pitch * 8)
    shear = b.pick(0, 0.5, 0.31)
    x = along / pitch + shear * y
    spots = strip_fields.places(x, y, b.pick(0.03, 0.08, 0.16), b.pick(0, 0.05, 0.2))
    thin, reach, head = b.uniform(0.12, 0.35), b.uniform(0.2, 0.45), b.chance(0.6)
    void, crown = torch.zeros_like(x), torch.zeros_like(x)
    for u, v, number, other in spots.near():
        length, side = reach * (0.6 + 0.6 * number), u - shear * v
        taper = (1 - (v / length) ** 2).clamp(min=0)
        width = thin * (0.15 + taper.sqrt() * (1 - 0.4 * head * v / length))
        void = torch.maximum(void, _bell(side, width) * taper.sqrt() * (0.5 + 0.5 * other))
        r = torch.sqrt(side**2 + ((v + 0.8 * length) * ratio) ** 2 + 1e-9)
        crown = torch.maximum(crown, _bell(r, 0.3 * (0.5 + other)) * head)
    shape = b.pick(1, 1, -1) * (void + b.uniform(0, 1) * crown)
    relief = torch.cos(math.tau * y) * b.uniform(0, 0.4) - shape
    return grained(b, blur(relief, 0.5), 0.8, 20, 0.7)


def drawn_signature(b: Batch) -> Tensor:
    """One stroke: the edge's profile runs through, contact comes and goes."""
    angle = b.uniform(-math.pi / 2, math.pi / 2)
    along, across = _swept(b, angle, 0.5)
    mark = _read(_edge(b), across * b.pick(0.3, 1, 1)) * (0.15 + _contact(b, angle))
    halts = (_read(_line(b, b.log_uniform(1, 3)), along) - 2).clamp(min=0)
    thread = _read(_line(b, b.log_uniform(0.6, 1.5)), across).clamp(min=0)
    gate = torch.sigmoid(4 * noise(b, b.log_uniform(6, 30), angle=angle, anisotropy=8))
    relief = mark + b.pick(0, 0, 1.5) * thread * gate + b.pick(0, 0, 0.7, 2) * halts
    swell = noise(b, b.log_uniform(20, 150), exponent=2.0)
    return grained(b, relief + b.uniform(0, 0.6) * swell, 0.8, 8, 0.35)


def overlapping_strokes(b: Batch) -> Tensor:
    """Strokes over strokes: one edge at other angles, each with a ridge pushed off at its end."""
    base, spread = b.uniform(-math.pi, math.pi), b.pick(0.04, 0.15, 0.4)
    edge, bent = _edge(b, 0.15), _line(b, b.log_uniform(15, 60), 0.3)
    lip, thick = b.uniform(0, 2.5), b.log_uniform(0.8, 5)
    relief = _read(edge, _swept(b, base, 0.5)[1])
    for _ in range(4):
        along, across = _swept(b, base + spread * b.normal(), 0.5)
        offset = b.uniform(-900, 900)
        reach, half = b.uniform(-0.4, 0.7) * b.cols, b.uniform(0.2, 0.7) * b.rows
        ahead = reach - along - thick * b.uniform(0, 1.5) * _read(bent, across + offset)
        beside = half - (across - b.normal() * half).abs()
        inside = torch.sigmoid(ahead / thick) * torch.sigmoid(beside / (thick * b.uniform(1, 8)))
        mark = _read(edge, across + offset) * b.uniform(0.4, 1.2) + b.uniform(0, 0.8) * b.normal()
        mark = mark + lip * _bell(ahead - thick, thick * 2) * b.uniform(0, 1)
        relief = relief + inside * (mark - relief * b.pick(1, 1, 0.5))
    return grained(b, relief, 0.8, 8, 0.3)


def pinched_shear(b: Batch) -> Tensor:
    """Two blades' faces, each with its own drag, meeting at a pinched ridge along the face."""
    along, across = turned(b, 0.08 * b.normal())
    apart = across - b.uniform(-0.3, 0.3) * b.rows
    apart = apart - b.uniform(0.5, 6) * _read(_line(b, b.log_uniform(60, 400), 0.1), along)
    lean, width = b.uniform(0.1, 1.4) * b.pick(-1, 1), b.log_uniform(1.5, 14)
    other = torch.where(b.chance(0.5) > 0, -lean, lean + 0.3 * b.normal())
    upper = _read(_edge(b), _swept(b, lean, 0.5)[1]) * b.uniform(0.3, 1)
    lower = _read(_edge(b), _swept(b, other, 0.5)[1]) * b.uniform(0.1, 1)
    below = torch.sigmoid(apart / b.log_uniform(0.6, 4))
    pucker = b.uniform(0, 1) * _read(_line(b, width * b.uniform(0.2, 0.6)), along + apart)
    ridge = _bell(apart, width) * (b.uniform(0.5, 3) * b.pick(-1, 1, 1) + pucker)
    bevel = b.uniform(-4, 4) * torch.sqrt((apart / b.rows) ** 2 + 0.001)
    burnish = 1 - b.uniform(0, 0.9) * _bell(apart.abs() - 0.35 * b.rows, 0.2 * b.rows)
    relief = burnish * (upper + below * (lower - upper)) + b.uniform(-1.5, 1.5) * below
    return grained(b, relief + ridge + bevel, 0.8, 10, 0.35)


def chatter_bars(b: Batch) -> Tensor:
    """Bars of a rocking edge that nest over the whole width, crossed by its lines."""
    angle = b.uniform(-math.pi / 2, math.pi / 2)
    along, across = _swept(b, angle, 0.3)
    period = b.log_uniform(5, 70)
    plan, pace = _line(b, period * b.uniform(1, 8), 0.2), _line(b, period * b.uniform(2, 10))
    phase = along / period + b.uniform(0, 0.4) * _read(plan, across)
    phase = phase + b.uniform(0, 0.25) * _read(pace, along)
    part = torch.remainder(phase, 1)
    fall = torch.sigmoid((1 - part) * b.log_uniform(6, 40) - 2)
    wave = (0.5 - 0.5 * torch.cos(math.tau * part)).clamp(min=1e-4) ** b.uniform(1, 5)
    bar = torch.where(b.chance(0.6) > 0, fall * (part + 1e-4) ** b.log_uniform(0.4, 4), wave)
    bar = bar * (1 - b.uniform(0, 0.8) * _of(torch.floor(phase))[0]) * (0.7 + _contact(b, angle))
    mark = b.pick(0, 0.3, 0.8) * _read(_edge(b), across)
    return grained(b, strip_fields.standardised(bar) + mark, 0.8, 8, 0.35)


def smeared_ends(b: Batch) -> Tensor:
    """Drag lines under films smeared along the stroke, every lobe ending the same way."""
    angle = b.uniform(-math.pi, math.pi)
    along, across = _swept(b, angle, 0.25)
    wide, ratio, front = b.log_uniform(10, 70), b.log_uniform(2, 8), b.log_uniform(0.02, 0.08)
    fray = _read(_line(b, wide * b.uniform(0.05, 0.3)), across)
    x = along / (wide * ratio) + b.uniform(0.01, 0.08) * fray
    lobes = strip_fields.places(x, across / wide, b.uniform(0.3, 0.45), b.pick(0.4, 0.65, 0.85))
    film = torch.zeros_like(along)
    for u, v, number, other in lobes.near():
        gone = 0.7 - u - (0.4 + 1.5 * other) * v**2
        body = torch.sigmoid(gone / front) * ((u + 0.7) / 1.4).clamp(0, 1) ** (0.5 + number)
        body = body * torch.sigmoid((0.35 + 0.3 * number - v.abs()) / 0.06)
        film = torch.maximum(film, body + 0.5 * _bell(gone - 2 * front, 2 * front) * (body > 0.1))
    veil = b.uniform(0.3, 0.95) * film.clamp(0, 1)
    flow = noise(b, b.log_uniform(2, 8), angle=angle, anisotropy=b.log_uniform(8, 30))
    relief = _read(_edge(b, 0.1), across) * (1 - veil) + b.uniform(1, 3) * film
    return grained(b, relief + b.uniform(0, 0.3) * flow, 0.8, 6, 0.25)


def _flow(b: Batch, chevron: float, fan: float) -> tuple[Tensor, Tensor]:
    """Return places along and across a crack's paths: parallel, fanned out, or from a middle."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    kind, lean = b.uniform(0, 1), b.uniform(0.4, 2) * b.pick(-1, 1)
    away = b.cols * b.uniform(0.3, 1.1) + along
    level, middle = turned(b, 0.05 * b.normal())
    middle = middle - b.uniform(-0.3, 0.3) * b.rows
    off = torch.sqrt((middle - 5 * _read(_line(b, b.log_uniform(60, 300)), level)) ** 2 + 9)
    side = level + 40 * torch.tanh(middle / 30) + lean * off**1.3 / (0.2 * b.rows) ** 0.3
    fanned, length = kind < chevron + fan, b.log_uniform(20, 120)
    down = torch.where(fanned, torch.sqrt(away**2 + across**2 + 1e-6), along)
    round_ = torch.atan2(across, away) * b.cols * b.uniform(0.4, 0.8)
    over = torch.where(kind < chevron, side / (1 + lean.abs()), torch.where(fanned, round_, across))
    bend = length * b.uniform(0.04, 0.16) * noise(b, length, exponent=1.5)
    return torch.where(kind < chevron, off, down), over + bend


def jagged_steps(b: Batch) -> Tensor:
    """Blunt facets, each tilted its own way, with jagged risers between and whitened patches."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    size, stretch = b.log_uniform(12, 90), b.log_uniform(1, 6)
    step, lean, smaller = b.uniform(0.1, 1.5), b.uniform(0.2, 2), b.uniform(0.3, 0.5)
    relief = torch.zeros_like(along)
    for octave in range(3):
        scale = size * smaller**octave
        tooth = noise(b, scale * b.uniform(0.15, 0.6), exponent=0.8) * scale * b.uniform(0.03, 0.2)
        x, y = (along + tooth) / (scale * stretch), (across + tooth) / scale
        net = strip_fields.places(x, y, b.uniform(0.35, 0.5), b.pick(0, 0, 0.3))
        _, _, number, u, v = strip_fields.cells(net)
        facet = step * (number - 0.5) + lean * (torch.cos(40 * number) * u + number * v)
        patchy = torch.sigmoid(5 * (noise(b, size) + b.uniform(-1, 0.5))) if octave else 1.0
        relief = relief + facet * patchy * (1.3 * smaller) ** octave
    white = torch.sigmoid(5 * (noise(b, size) - b.uniform(0, 1)))
    craze = noise(b, b.log_uniform(0.8, 3), exponent=0.4) * white * b.pick(0, 0.1, 0.3)
    return grained(b, blur(relief, b.uniform(0.4, 1.5)) + craze, 0.8, 8, 0.12)


def gathered_rivers(b: Batch) -> Tensor:
    """Draw steps or ridges that flow together downstream on a smooth ground."""
    down, over = _flow(b, 0.15, 0.2)
    space = b.log_uniform(4, 22)
    w = over / space
    w = w + 0.5 * _read(_line(b, 16 * b.uniform(1.5, 5)), w * 16)
    run = strip_fields.standardised(down) * b.uniform(1.3, 3.5)
    merged = []
    for bundle, later in ((6.0, 1.0), (2.0, -1.0)):
        group = torch.floor(w / bundle)
        share = torch.sigmoid(2.5 * (run - later - 2 * (_of(group)[0] - 0.5)))
        keen, part = torch.exp(2 * share), (w / bundle - group).clamp(1e-4, 1 - 1e-4)
        w = bundle * (group + part**keen / (part**keen + (1 - part) ** keen))
        merged.append((bundle, share))
    table, ends, early = torch.rand(2, b.size, 1024, device=b.device), [], b.uniform(1, 4.5)
    part, soft = w - torch.floor(w), b.log_uniform(0.03, 0.15)
    soft = soft + 0.5 * sum(slope.abs() for slope in torch.gradient(w, dim=(1, 2)))
    for level in (torch.floor(w), torch.floor(w) + 1):
        height, start = numbers_at(table, level, 0 * level)
        height = (2 * height - 1) * torch.sigmoid(2 * (run + early - 3 * start))
        for bundle, share in merged:
            height = height * (1 - share * (torch.remainder(level, bundle) > 0.5))
        ends.append(height)
    tread = ends[0] + (ends[1] - ends[0]) * torch.sigmoid((part - 0.5) / soft)
    ridge = _bell(part - 0.5, 2 * soft) * (ends[1] - ends[0]).abs()
    relief = blur(torch.where(b.chance(0.6) > 0, tread, ridge + 0.2 * tread), b.uniform(0.5, 1.2))
    swell = b.uniform(0, 0.4) * noise(b, space * 4, exponent=2.0)
    return grained(b, strip_fields.standardised(relief) + swell, 0.8, 5, 0.12)


def hackle_lances(b: Batch) -> Tensor:
    """Lances that rise slowly and break off, fanned out or leaving a middle line as chevrons."""
    down, over = _flow(b, 0.4, 0.35)
    thick, skew, keen = b.log_uniform(4, 24), b.uniform(-0.8, 0.8), b.log_uniform(0.7, 2)
    long = torch.minimum(b.log_uniform(4, 13), 0.6 * b.rows / thick).clamp(min=2.5)
    relief = torch.zeros_like(down)
    for octave in range(2):
        size, gaps = thick / (1 + 1.7 * octave), b.pick(0.05, 0.3, 0.6)
        lances = strip_fields.places(down / (size * long), over / size, b.uniform(0.25, 0.45), gaps)
        for u, v, number, other in lances.near():
            part = (u + 0.75) / (0.8 + 0.7 * number)
            rise = part.clamp(1e-4, 1) ** keen * torch.sigmoid((1 - part) * 14)
            width = (0.12 + 0.5 * rise) * (0.6 + 0.6 * other)
            flank = (1 - v.abs() / width * (1 + skew * torch.sign(v))).clamp(min=0)
            relief = torch.maximum(relief, rise * flank * (0.4 + other) / (1 + octave))
    coarse = torch.sigmoid(2 * (strip_fields.standardised(down) + b.uniform(-1, 1)))
    mist = noise(b, b.log_uniform(1, 4), exponent=0.4) * b.uniform(0, 0.1)
    relief = torch.where(b.chance(0.5) > 0, 0.1 + coarse, 1.0) * (relief + mist)
    swell = noise(b, thick * 3, exponent=2.0) * b.uniform(0, 0.4)
    return grained(b, strip_fields.standardised(relief) + swell, 0.8, 10, 0.12)


def arrest_bows(b: Batch) -> Tensor:
    """Arrest lines about an origin, ever farther apart and crossed by waves of another source."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    wide, length = b.log_uniform(0.4, 2), b.log_uniform(15, 90)
    power, along = b.pick(0.3, 0.6, 1.6), along + b.uniform(0.3, 1) * b.cols
    bend = noise(b, length, exponent=1.5)
    away = torch.sqrt(along**2 + (across * wide) ** 2 + 1) + length * b.uniform(0.03, 0.16) * bend
    phase = b.cols / b.log_uniform(8, 60) / power * (away.clamp(min=1) / b.cols) ** power
    phase = phase + 0.6 * _read(_line(b, b.log_uniform(60, 200)), phase * 64)
    part = torch.remainder(phase, 1)
    crest = torch.where(b.chance(0.5) > 0, part.clamp(min=1e-4) ** b.uniform(2, 6),
                        _bell(part - 0.5, b.uniform(0.08, 0.2)))  # fmt: skip
    fades = torch.sigmoid(4 * (noise(b, b.log_uniform(15, 80)) + b.uniform(-0.2, 1)))
    source = turned(b, b.uniform(-math.pi, math.pi))
    other = torch.sqrt((source[0] + 0.6 * b.cols) ** 2 + source[1] ** 2) / b.log_uniform(2, 8)
    wallner = torch.cos(other + bend) * b.chance(0.4) * b.uniform(0.05, 0.2) * fades
    spoke = torch.atan2(across * wide, along) * b.uniform(100, 400)
    tails = (_read(_line(b, b.log_uniform(1, 6)), spoke + 4 * bend) - 0.8).clamp(min=0)
    tails = tails * torch.sigmoid(3 * noise(b, b.log_uniform(10, 50)) - 1) * b.pick(0, 0.3, 0.8)
    rough = noise(b, b.log_uniform(1, 5), exponent=0.8) * crest * b.uniform(0, 0.2)
    relief = crest * (0.3 + _of(torch.floor(phase))[0]) * (0.3 + fades) + wallner + tails + rough
    return grained(b, blur(relief, 0.6), 0.8, 10, 0.12)


def drawn_fibrils(b: Batch) -> Tensor:
    """Fibrils drawn out, bent and snapped, lying over one another with gaps between."""
    base, spread = b.uniform(-math.pi, math.pi), b.pick(0.1, 0.35, 0.9)
    thick, long, curl = b.log_uniform(4, 22), b.log_uniform(5, 16), b.uniform(0.3, 1.3)
    relief = 0.3 * noise(b, thick * 1.5) * b.uniform(0, 1)
    for layer in range(4):
        along, across = turned(b, base + spread * b.normal())
        across = across + thick * curl * noise(b, thick * b.uniform(2, 6), exponent=1.8)
        x, y = (axis / (thick * (0.45 + 0.13 * layer)) for axis in (along / long, across))
        strands = strip_fields.places(x, y, b.uniform(0.3, 0.5), b.pick(0.3, 0.6, 0.8))
        for u, v, number, other in strands.near():
            bowed = v + curl * (number - 0.5) * 3 * u**2
            taper = (1 - (u / (0.5 + 0.4 * other)) ** 2).clamp(min=0)
            width = (0.12 + 0.38 * number) * taper.sqrt() + 1e-3
            body = (1 - (bowed / width) ** 2).clamp(min=0).sqrt() * width * 2
            relief = torch.maximum(relief, body + (0.15 * layer + 0.3 * other) * (body > 0))
    return grained(b, blur(relief, 0.6), 0.8, 8, 0.2)


LASER_LOOKS: tuple[Look, ...] = (overlapped_pulses, pitted_recast, scan_seams, beam_spindles)
SCISSOR_LOOKS: tuple[Look, ...] = (
    drawn_signature, overlapping_strokes, pinched_shear, chatter_bars, smeared_ends
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (
    jagged_steps, gathered_rivers, hackle_lances, arrest_bows, drawn_fibrils
)  # fmt: skip
