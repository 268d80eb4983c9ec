"""Looks of cut faces as grey pictures: what secondary electrons show, not how high a face is.

Everything here is brightness. An edge is bright on the side from which electrons leave twice and
dark on the side that another part screens; its bloom is as wide as electrons travel. Holes are
dark as few electrons come out, bright on the wall that faces the detector; strands are bright at
both flanks; flat parts tell nothing. Insulators charge: halos, trails along the scan, patches of
another potential (Reimer, Scanning Electron Microscopy, 1998; Cazaux, Scanning 26, 2004). Laser
cavities after Vogel et al., Appl Phys B 81, 2005; rivers, mist and hackle after Hull,
Fractography, 1999; strokes of an edge after Atkins, The Science and Engineering of Cutting, 2009
(all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    at_line,
    blur,
    lines,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)

_TOLD = 4096


def _edge(distance: Tensor, bloom: Tensor | float, shade: Tensor | float) -> Tensor:
    """Return the grey about an edge: bloom where the distance is positive, screened beyond."""
    lit, upper = torch.exp(-distance.clamp(min=0) / bloom), torch.sigmoid(3 * distance)
    return upper * lit - (1 - upper) * 0.6 * torch.exp(distance.clamp(max=0) / shade)


def _told(b: Batch) -> Callable[[Tensor, Tensor], Tensor]:
    """Return a function that gives each place of a lattice a number 0 .. 1 of its own."""
    table = torch.rand(b.size, _TOLD, device=b.device)

    def number(first: Tensor, second: Tensor) -> Tensor:
        return numbers_at(table, first, second)

    return number


def _split(place: Tensor) -> tuple[Tensor, Tensor]:
    """Return the whole part of a place and what is left of it."""
    return torch.floor(place), place - torch.floor(place)


def _to_zero(field: Tensor) -> Tensor:
    """Return about how many samples away a smooth field passes zero, with its sign."""
    down, along = torch.gradient(field, dim=(1, 2))
    steep = torch.sqrt(down**2 + along**2)
    return field / (steep + 0.25 * steep.mean(dim=(1, 2), keepdim=True) + 1e-6)


def _trailed(plane: Tensor, length: Tensor) -> Tensor:
    """Return a plane dragged along the scan, as charge that drains slowly does."""
    f_col = torch.fft.rfftfreq(plane.shape[-1], device=plane.device)[None, None, :]
    gain = 1 / (1 + 2j * math.pi * f_col * length)
    return torch.fft.irfft(torch.fft.rfft(plane) * gain, n=plane.shape[-1])


def _specks(b: Batch, share: Tensor, sigma: Tensor) -> Tensor:
    """Return a few bright specks, each about 1 high."""
    seeds = torch.rand(b.size, b.rows, b.cols, device=b.device) / share
    return (blur(seeds * (seeds < 1), sigma) * 3 * math.pi * sigma**2).clamp(0, 1.5)


def _observed(b: Batch, grey: Tensor, finest: float = 0.4, coarsest: float = 1.2) -> Tensor:
    """Return a grey picture with what the microscope adds, in every zone alike."""
    defocus = torch.where(b.chance(0.1) > 0, b.uniform(1, 1.8), 1.0)
    grey = blur(grey, defocus * b.uniform(finest, coarsest))
    grey = 3 * torch.tanh(standardised(grey) / 3)
    bright = (grey - 1).clamp(min=0)
    grey = grey + b.pick(0, 0, 1.5) * b.uniform(0.2, 1) * blur(bright, b.log_uniform(2, 14))
    grey = grey + b.pick(0, 0, 0, -1, 1) * _trailed(bright, b.log_uniform(6, 80))
    patch = torch.tanh(noise(b, b.log_uniform(15, 120), exponent=1.5) / b.log_uniform(0.1, 1))
    grey = grey + b.pick(0, 0, 0, 0.6) * b.uniform(0.3, 1) * patch
    specks = _specks(b, b.log_uniform(1e-4, 1e-3), b.log_uniform(0.5, 1.4))
    grey = grey + b.pick(0, 0, 0, 2.5) * specks
    crack = _to_zero(noise(b, b.log_uniform(15, 60), exponent=2.2)) / b.uniform(0.7, 1.2)
    grey = grey - b.chance(0.1) * b.uniform(0.5, 1.5) * torch.exp(-(crack**2)) * (patch > 0.2)
    fine = b.pick(0, 0.1, 0.3) * b.uniform(0, 1) * noise(b, b.log_uniform(0.5, 3), exponent=0.3)
    return standardised((grey + fine).clamp(-5, 6))


def _lattice(b: Batch, finest: float, coarsest: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return places along and across lines of spots, in pitches, and the pitch in samples."""
    along, across = turned(b, b.uniform(-0.1, 0.1) + b.chance(0.25) * b.uniform(-1.57, 1.57))
    pitch = b.log_uniform(finest, coarsest)
    sway = b.pick(0, 0.1, 0.4) * b.uniform(0.3, 1) * noise(b, 8 * pitch, exponent=1.5)
    across = across / (pitch * b.log_uniform(0.6, 2.2)) + sway
    along = along / pitch + b.pick(0, 0.5, 0.5, 0.23) * across
    return along, across, pitch


def _mouths(b: Batch) -> Tensor:
    """Dark mouths with thin bright rims on a lattice, lit from one side."""
    along, across, pitch = _lattice(b, 6, 75)
    way, width = b.uniform(-math.pi, math.pi), b.log_uniform(0.03, 0.12) + 0.5 / pitch
    radius, spread = b.uniform(0.16, 0.42), b.pick(0.1, 0.4, 0.9)
    long, one_sided, bead = b.log_uniform(0.7, 1.8), b.uniform(0, 0.9), b.chance(0.25)
    dark, lit = torch.zeros(2, b.size, b.rows, b.cols, device=b.device)
    spots = places(along, across, b.log_uniform(0.02, 0.2), b.pick(0.0, 0.05, 0.3))
    for u, v, first, other in spots.near():
        size = radius * (1 + spread * (first - 0.5))
        r = torch.sqrt(u * u + (v * long) ** 2 + 1e-6)
        facing = (torch.cos(way) * u + torch.sin(way) * v * long) / r
        inside = torch.sigmoid((size - r) / (0.5 * width))
        wall = inside * (0.4 + 0.6 * facing * (r / size).clamp(0, 1))
        core = bead * torch.exp(-((r / (0.35 * size)) ** 2)) * (other > 0.4)
        dark = torch.maximum(dark, inside * (0.6 + 0.4 * other) - 0.5 * one_sided * wall - core)
        rim = torch.exp(-(((r - size) / width) ** 2)) * (1 - one_sided * (0.5 + 0.5 * facing))
        lit = torch.maximum(lit, rim)
    ground = b.pick(0, 0.08, 0.25) * torch.cos(2 * math.pi * across) + 0.05 * noise(b, pitch / 5)
    return _observed(b, b.uniform(0.8, 2) * lit - b.uniform(0.6, 1.8) * dark + ground)


def _curtains(b: Batch) -> Tensor:
    """Layers of spots from the side: scalloped bright seams, streaks hanging beneath them."""
    along, across = turned(b, b.uniform(-0.08, 0.08))
    height, pitch = b.log_uniform(8, 90), b.log_uniform(3, 30)
    level = across / height + b.pick(0.0, 0.05, 0.2) * noise(b, 3 * height, exponent=1.2)
    spot = along / pitch + b.pick(0, 0.15, 0.5) * noise(b, 6 * pitch)
    told, deep = _told(b), (b.uniform(0.2, 0.9) * pitch / height).clamp(max=0.7)
    rough = b.pick(0.0, 0.1, 0.25) * told(torch.floor(spot), torch.floor(level))
    layer, below = _split(level + deep * torch.sin(math.pi * spot).abs() * b.pick(1, -1) + rough)
    gain = 0.4 + 1.2 * told(layer, layer * 0)
    seam = _edge((below - torch.floor(below + 0.5)) * height, b.log_uniform(0.8, 6), 2.0)
    shot, side = _split(spot + b.chance(0.5) * told(layer, layer * 0 + 3))
    streak = torch.cos(2 * math.pi * side) * torch.exp(-below / b.log_uniform(0.15, 2))
    streak = streak * (0.3 + told(layer, shot + 11))
    drop = (told(shot, layer + 5) < b.pick(0.0, 0.05, 0.2)).float()
    pit = ((side - 0.5) / 0.25) ** 2 + ((below - 0.3) / 0.2) ** 2
    grey = b.uniform(0.5, 1.6) * seam * gain + b.uniform(0.1, 1.0) * streak
    return _observed(b, grey - 1.5 * drop * torch.exp(-pit) + b.pick(0.0, 0.3) * gain)


def _froth(b: Batch) -> Tensor:
    """Gas bubbles in melt, rim by rim, the smaller over the larger, some burst, in patches."""
    along, across, pitch = _lattice(b, 7, 70)
    grey = 0.15 * noise(b, 0.5 * pitch, exponent=1.2)
    way, thin = b.uniform(-math.pi, math.pi), b.log_uniform(0.5, 2.5)
    waves = [(b.uniform(-0.8, 0.8), b.uniform(-0.8, 0.8), b.uniform(0, 6.3)) for _ in range(4)]
    fill = b.uniform(-0.4, 3)
    for scale in (1.0, 0.45):
        best, jitter, gaps = grey * 0 - 1, b.uniform(0.05, 0.3), b.uniform(0.05, 0.5)
        for u, v, first, other in places(along / scale, across / scale, jitter, gaps).near():
            size = 0.22 + 0.45 * first
            r = torch.sqrt(u * u + v * v + 1e-6)
            away = (size - r) * scale * pitch
            facing = (torch.cos(way) * u + torch.sin(way) * v) / size
            skin = 1.6 * torch.exp(-away.abs() / thin) - 0.5 + 0.5 * facing
            burst = (other > 0.55).float() * torch.sigmoid((0.6 * size - r) * 12)
            at_u, at_v = along - scale * u, across - scale * v  # the bubble's own centre
            here = sum(torch.sin(at_u * p + at_v * q + turn) for p, q, turn in waves) + fill
            over = (away > 0) & (first > best) & (here > 0)
            grey = torch.where(over, skin - 1.1 * burst, grey)
            best = torch.where(over, first, best)
    return _observed(b, grey)


def _tags(b: Batch) -> Tensor:
    """Smooth molten ground; short bright bridges and dark necks in rows, the rest tells little."""
    along, across, pitch = _lattice(b, 7, 45)
    slim, tall = b.uniform(0.05, 0.14) + 0.5 / pitch, b.uniform(0.15, 0.5)
    lean, forked = b.uniform(-0.4, 0.4), b.chance(0.3)
    grey = 0.2 * noise(b, 1.5 * pitch, exponent=1.5, anisotropy=b.log_uniform(1, 4))
    neck = torch.zeros_like(grey)
    rows = places(along, across, b.uniform(0.03, 0.15), b.uniform(0.2, 0.7))
    for u, v, first, other in rows.near():
        size = tall * (0.5 + first)
        off = (u - lean * v).abs() - forked * 0.35 * v.abs() * (other > 0.5)
        body = torch.exp(-((off / slim) ** 2)) * torch.sigmoid((size - v.abs()) / 0.05)
        hole = torch.exp(-((u / slim - 2.2) ** 2 / 1.7 + (v / (0.8 * size)) ** 2))
        grey = torch.maximum(grey, (0.8 + 1.4 * first) * body)
        neck = torch.maximum(neck, hole)
    off = (across - torch.floor(across + 0.5)) * pitch / b.uniform(1, 3)
    grey = grey - b.pick(0, 0.6, 1.2) * neck + b.pick(0.1, 0.3, -0.4) * torch.exp(-(off**2))
    return _observed(b, grey)


def _mottle(b: Batch) -> Tensor:
    """Mottling of a lattice that the picture hardly resolves: uneven lines, gaps, beats."""
    along, across, pitch = _lattice(b, 2.8, 9)
    told, row = _told(b), torch.floor(across + 0.5)
    spot = along + b.pick(0, 0.1, 0.5) * told(row, row * 0 + 2)
    beat = noise(b, pitch * b.log_uniform(3, 20))
    dots = torch.cos(2 * math.pi * spot) * (0.6 + 0.4 * torch.cos(2 * math.pi * across))
    gain = torch.where(b.chance(0.5) > 0, 0.3 + 1.4 * told(torch.floor(spot + 0.5), row), 1.0)
    rail = torch.cos(2 * math.pi * across) * (0.3 + told(row, row * 0))
    missed = (told(row, torch.floor(along / 9)) < b.pick(0.0, 0.06, 0.25)).float()
    shown = (1 + 0.5 * beat).clamp(0.1, 2.5) * (1 - 0.9 * missed)
    grey = (dots * gain + b.uniform(0, 0.5) * rail) * shown
    tone = told(torch.floor(across / b.pick(2, 5, 11)), row * 0 + 7)
    return _observed(b, grey + b.pick(0, 0.3, 0.6) * tone, 0.3, 0.55)


def _stroke(b: Batch, angle: Tensor | None = None) -> tuple[Tensor, Tensor]:
    """Return samples along and across a stroke that bends gently, at any angle."""
    along, across = turned(b, b.uniform(-math.pi, math.pi) if angle is None else angle)
    bend = b.pick(0, 0.2, 1) * b.uniform(-1, 1) / (1.5 * max(b.rows, b.cols))
    return along, across + bend * along**2


def _scored(b: Batch, across: Tensor, finest: float, coarsest: float) -> Tensor:
    """Return the grey of an edge's own profile drawn along: flanks bright and dark, floors."""
    count = b.rows + b.cols + 400
    line = lines(b.size, count, b.log_uniform(finest, coarsest)[:, 0], b.device)
    line = torch.sign(line) * line.abs().clamp(max=4) ** b.pick(1, 1, 3)[:, 0]
    slope = torch.diff(line, dim=1, prepend=line[:, :1])
    slope = (slope / (slope.std(dim=1, keepdim=True) + 1e-6)).clamp(-4, 4)
    flank = b.uniform(0.2, 1)[:, 0] * slope.abs() + b.uniform(-1, 1)[:, 0] * slope
    return standardised(at_line(flank + b.uniform(0, 0.6)[:, 0] * line, across + count / 2))


def _drawn(b: Batch) -> Tensor:
    """Parallel lines of the edge's own teeth, near and far, some dying out on their way."""
    angle = b.uniform(-math.pi, math.pi)
    along, across = _stroke(b, angle)
    grey = _scored(b, across, 1.5, 25)
    wane = noise(b, b.log_uniform(10, 60), angle=angle, anisotropy=b.uniform(4, 16))
    grey = grey * torch.where(b.chance(0.5) > 0, torch.sigmoid(2 * wane + 1), 1.0)
    other = _scored(b, across + b.uniform(-0.06, 0.06) * along, 1, 6)
    return _observed(b, grey + b.pick(0, 0.3, 0.7) * other)


def _bare(b: Batch) -> Tensor:
    """Flat and featureless but for a few long bright lines, with debris beside them."""
    along, across = _stroke(b)
    span = math.hypot(b.rows, b.cols) / 2
    grey, beside = b.pick(0.03, 0.1) * noise(b, b.log_uniform(10, 100), exponent=2), across * 0
    for _ in range(6):
        off, start = b.uniform(-0.7, 0.7) * span, b.uniform(-1.2, 0.6) * span
        far = across - off + b.uniform(-0.03, 0.03) * along
        held = torch.sigmoid((along - start) / 8) + (b.chance(0.5) > 0).float()
        line = _edge(far * b.pick(-1, 1), b.log_uniform(0.8, 5), b.log_uniform(0.8, 12))
        grey = grey + b.pick(0, 0.3, 1, 2) * line * held.clamp(max=1)
        beside = beside + torch.exp(-far.abs() / b.log_uniform(2, 12))
    crumbs = beside.clamp(max=1) * _specks(b, b.log_uniform(2e-3, 2e-2), b.log_uniform(0.7, 2))
    grey = grey + b.pick(0, 0.1, 0.2) * _scored(b, across, 1.5, 20)
    return _observed(b, grey + b.pick(0, 1.2) * crumbs)


def _chatter(b: Batch) -> Tensor:
    """Ripples across the stroke where the edge stuck and slipped: bright crests, long shade."""
    along, across = _stroke(b)
    span, pitch = math.hypot(b.rows, b.cols), b.log_uniform(6, 90)
    bow = b.uniform(-0.4, 0.4) * across**2 / span
    sway = b.log_uniform(0.1, 0.8) * noise(b, 5 * pitch, exponent=1.5)
    crest, part = _split((along + bow) / pitch * (1 + b.uniform(-0.4, 0.4) * along / span) + sway)
    gain = 0.2 + 1.6 * _told(b)(crest, crest * 0)
    tooth = torch.exp(-part / b.uniform(0.05, 0.3)) - torch.exp((part - 1) / b.uniform(0.1, 0.5))
    wave = torch.where(b.chance(0.65) > 0, tooth, torch.cos(2 * math.pi * part))
    grey = wave * gain * (0.6 + 0.5 * noise(b, 4 * pitch)).clamp(0.05, 2)
    return _observed(b, grey + b.pick(0.15, 0.4, 0.8) * _scored(b, across, 1, 12))


def _facets(b: Batch) -> Tensor:
    """Bites of the blades: facets each of one grey with lines of its own, straight bright edges."""
    along, across = _stroke(b)
    span = math.hypot(b.rows, b.cols) / 2
    tone, slope, edges, shift = torch.zeros(4, b.size, b.rows, b.cols, device=b.device)
    lean, bloom = b.uniform(-0.25, 0.25), b.log_uniform(1, 8)
    for _ in range(5):
        far = along - b.uniform(-0.9, 0.9) * span + (lean + b.uniform(-0.2, 0.2)) * across
        there = b.chance(0.8)
        past = there * torch.sigmoid(far / 0.6)
        tone = tone + past * torch.randn_like(lean)
        slope, shift = slope + past * b.uniform(-0.3, 0.3), shift + past * b.uniform(20, 200)
        edges = edges + there * b.uniform(0.3, 2) * _edge(far * b.pick(-1, 1), bloom, 2 * bloom)
    own = _scored(b, across + slope * along + shift, 1.5, 25)
    grey = b.pick(0.1, 0.5, 0.9) * tone + b.uniform(0.4, 1) * edges
    return _observed(b, grey + b.pick(0.1, 0.4, 0.8) * own)


def _rivers(b: Batch) -> Tensor:
    """Bright steps that run together downstream, terraces between them flat."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    pitch = b.log_uniform(25, 160)
    bends = b.uniform(0.3, 1)
    wild = bends * noise(b, bends * pitch, exponent=b.uniform(1.5, 2.5))
    fan = 1 + b.uniform(-0.5, 0.5) * along / math.hypot(b.rows, b.cols)
    phase = across * fan / pitch + b.log_uniform(0.08, 0.4) * wild
    run, told, (index, part) = b.log_uniform(1.5, 6) * pitch, _told(b), _split(phase)
    low, wide, kept = torch.zeros_like(phase), torch.ones_like(phase), torch.ones_like(phase)
    bloom, sign = b.log_uniform(0.8, 4), b.pick(-1, 1)
    near = (part - torch.floor(part + 0.5)) * pitch * sign
    grey = _edge(near, bloom, bloom) * (0.7 + told(torch.floor(phase + 0.5), index * 0))
    for step in range(3):
        way = (told(index, index * 0 + 31) > 0.3).float()
        life, age = _split(along / run * (1.5**step) + 9 * told(index, index * 0 + 17))
        at = low + wide * torch.where(way > 0, 0.55 * (1 - age**1.5), 0.45 + 0.55 * age**1.5)
        far = (part - at) * pitch
        kept = kept * torch.sigmoid((age - 0.15) * 30)
        grey = grey + (0.75**step) * kept * _edge(far * sign, bloom, bloom)
        kept = kept * torch.sigmoid((0.9 - age) * 30)
        above = far > 0
        low, wide = torch.where(above, at, low), torch.where(above, low + wide - at, at - low)
        index = index * 2 + above.float() + 101 * life
    return _observed(b, grey + b.pick(0.01, 0.03, 0.08) * noise(b, b.log_uniform(2, 40)))


def _dimples(b: Batch) -> Tensor:
    """Voids grown till only thin bright walls were left, of two sizes, often drawn to a side."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    pitch, drawn = b.log_uniform(12, 90), b.log_uniform(1, 3.5)
    wild, smooth = b.uniform(0.03, 0.2), b.uniform(1.4, 2.5)
    u0 = along / (pitch * drawn) + wild * noise(b, 0.5 * pitch, exponent=smooth)
    v0 = across / pitch + wild * noise(b, 0.5 * pitch, exponent=smooth)
    grey, offset = torch.zeros_like(u0), b.pick(0, 0.25, 0.55)
    coarse = (noise(b, 3 * pitch) > b.pick(-9, -9, -0.5, 0.5, 1.2)).float()
    for scale, shown in ((1.0, coarse), (0.4, 1 - coarse)):
        near, next_, lit, deep = u0 * 0 + 9, u0 * 0 + 9, u0 * 0, u0 * 0
        jitter, gaps = b.uniform(0.25, 0.45), b.uniform(0, 0.3)
        for u, v, first, other in places(u0 / scale, v0 / scale, jitter, gaps).near():
            d = torch.sqrt(u * u + v * v + 1e-6) - offset * u + 0.5 * first
            closer, next_ = d < near, torch.minimum(next_, torch.maximum(near, d))
            lit, deep = torch.where(closer, u.clamp(-1, 1), lit), torch.where(closer, other, deep)
            near = torch.minimum(near, d)
        wall = (next_ - near).clamp(0, 3) * pitch * scale
        tear = (0.8 + 0.9 * deep) * torch.exp(-wall / b.log_uniform(1, 4))
        cup = b.uniform(0.2, 1) * lit - b.uniform(0.3, 1.2) * (0.3 + deep) * torch.tanh(0.1 * wall)
        grey = grey + shown * (tear + cup)
    return _observed(b, grey + 0.06 * noise(b, b.log_uniform(2, 10)))


def _hackle(b: Batch) -> Tensor:
    """Mirror, mist and hackle about a start of fracture, in it or far from it."""
    along, down = turned(b, b.pick(0, math.pi))
    along, down = along - b.uniform(-0.7, 0.7) * b.cols, down - b.uniform(-0.8, 0.8) * b.rows
    rho = torch.sqrt(down**2 + along**2 + 4)
    wild = noise(b, 0.2 * rho.mean(dim=(1, 2), keepdim=True), exponent=1.8)
    theta = torch.atan2(down, along) / math.pi + b.uniform(0, 0.02) * wild
    theta = theta - 2 * torch.floor((theta + 1) / 2)
    at = torch.stack([theta, torch.log(rho) / 4 - 1 + 0 * theta], dim=-1).clamp(-1, 1)
    mirror = b.log_uniform(0.15, 1.2) * b.rows
    grown = torch.sigmoid((torch.log(rho / mirror)) * b.uniform(4, 12))
    mist = noise(b, b.log_uniform(1, 5), exponent=0.5) * torch.exp(-8 * (rho / mirror).log() ** 2)
    rib = torch.cos(rho / b.log_uniform(3, 20) + b.uniform(0.7, 3) * wild)
    grey = b.uniform(0.1, 0.5) * mist + b.pick(0, 0.08, 0.2) * rib * (1 - grown)
    for finest, coarsest in ((12.0, 60.0), (3.0, 15.0)):
        long = b.log_uniform(3, 12)
        spokes = noise(b, b.log_uniform(finest, coarsest), angle=math.pi / 2, anisotropy=long)
        spokes = functional.grid_sample(spokes[:, None], at, align_corners=False)[:, 0]
        ridge = torch.exp(-spokes.abs() / b.uniform(0.1, 0.4)) + b.uniform(-0.6, 0.6) * spokes
        grey = grey + grown * ridge
    return _observed(b, grey)


def _strands(b: Batch) -> Tensor:
    """Strands drawn out by the pull, bright at both flanks, over darker ones and dark gaps."""
    main, wide = b.uniform(-math.pi, math.pi), b.log_uniform(1.2, 6)
    grey = -1.2 + 0.4 * noise(b, 4 * wide)
    spread, stretch = b.pick(0.1, 0.3, 0.8), b.log_uniform(3, 18)
    for depth in range(5):
        angle = main + spread * torch.randn_like(main)
        field = noise(b, wide * b.log_uniform(4, 14), exponent=1.6, angle=angle, anisotropy=stretch)
        own = wide * b.log_uniform(0.5, 1.4)
        swell = own * (1 + 0.3 * noise(b, 6 * wide, exponent=1.2)).clamp(0.4, 2)
        far = (_to_zero(field - b.uniform(-0.8, 0.8)) / swell).abs()
        there = torch.sigmoid((1 - far) * 2.5 * own) * b.chance(0.9)
        body = 1.7 * far.clamp(max=1) ** 2 + 0.35 * (depth - 3)
        grey = grey * (1 - 0.3 * torch.exp(-((far / 2) ** 2))) * (1 - there) + there * body
    film = _to_zero(noise(b, 8 * wide, exponent=1.6) - 0.6) - 1e3 * (1 - b.chance(0.4))
    skin = 0.2 + 0.15 * grey + 1.5 * torch.exp(-film.clamp(min=0) / b.log_uniform(1, 5))
    return _observed(b, torch.where(film > 0, skin, grey))


def _arrests(b: Batch) -> Tensor:
    """Flat rubbery ground with a few blunt bright steps, bowed and cusped where the tear halted."""
    along, _ = turned(b, b.uniform(-math.pi, math.pi))
    length, bloom = b.log_uniform(20, 120), b.log_uniform(1, 7)
    cusp = noise(b, b.uniform(0.4, 1.2) * length, exponent=2.5, anisotropy=b.log_uniform(0.5, 3))
    drift, bowed = noise(b, length, exponent=2.5), b.pick(-1, 1) * b.uniform(0.35, 0.7)
    front = along / length + bowed * cusp.abs() + b.uniform(0.1, 0.3) * drift
    halt = torch.floor(front + 0.5)
    gain = (0.2 + 1.4 * _told(b)(halt, halt * 0)) * (1 - (2 * (front - halt)) ** 4)
    far, shade = _to_zero(front - halt) * b.pick(-1, 1), bloom * b.log_uniform(0.5, 4)
    seam = torch.exp(-_to_zero(cusp).abs() / b.log_uniform(0.8, 2.5)) * (drift > b.uniform(-1, 1))
    gain = gain * torch.sigmoid(4 * noise(b, 0.7 * length, exponent=2.0) + b.uniform(1, 5))
    ribs = torch.cos(2 * math.pi * front * b.log_uniform(4, 12)) * torch.sigmoid(-3 * drift)
    ground = b.pick(0, 0, 0.08) * ribs + b.pick(0.02, 0.05) * noise(b, b.log_uniform(2, 30))
    return _observed(b, _edge(far, bloom, shade) * gain + b.pick(0, 0.4, 0.9) * seam + ground)


OBSERVED_LASER: tuple[Look, ...] = (_mouths, _curtains, _froth, _tags, _mottle)
OBSERVED_SCISSOR: tuple[Look, ...] = (_drawn, _bare, _chatter, _facets)
OBSERVED_TORN: tuple[Look, ...] = (_rivers, _dimples, _hackle, _strands, _arrests)
