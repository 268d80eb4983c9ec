"""Cut faces from procedural textures whose statistics name the cause: topology and repetition.

- Laser: lattices. Stamps about programmed places (sparse convolution on a jittered lattice), beats
  of two passes, scan layers, bubbles by the foci, cells of an anisotropic Voronoi metric.
- Blade: functions of one smooth coordinate without dislocations, times slow changes along it.
- Tearing: the same ridges with dislocations. Phases of summed kernels fork and end (phasor noise,
  Tricard et al. 2019); rivers join pairwise downstream; side fronts meet the main one in parabolas
  (Smekal 1953); fibrils follow a wandering flow (line integral convolution, Cabral and Leedom
  1993); ribs bow about an origin at uneven distances. All papers from memory.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training import strip_fields as fields
from edgeqc.training.strip_fields import Batch, Look, at_line, blur, noise, standardised, turned

_TAU = 2 * math.pi
_SAMPLES = 2048  # of an edge's profile, more than any strip's diagonal


def _numbers(b: Batch, first: Tensor, second: Tensor | None = None) -> Tensor:
    """Return a random number for every whole number, or every pair of them."""
    second = torch.zeros_like(first) if second is None else second
    return fields.numbers_at(torch.rand(b.size, 8192, device=b.device), first, second)


def _bump(x: Tensor) -> Tensor:
    return torch.exp(-(x * x).clamp(max=40))


def _sway(b: Batch, low: float, high: float) -> Tensor:
    """Return smooth noise of a scale between two."""
    return noise(b, b.log_uniform(low, high), exponent=1.5)


def _line(b: Batch, low: float, high: float) -> Tensor:
    """Return a random line (b, samples) of a length of correlation between two."""
    return fields.lines(b.size, _SAMPLES, b.log_uniform(low, high)[:, 0], b.device)


def _finished(b: Batch, relief: Tensor, most: float = 0.25) -> Tensor:
    return fields.grained(b, blur(relief, b.log_uniform(0.4, 1.1)), 1, 30, most)


def _streamed(source: Tensor, angle: Tensor, step: Tensor, doublings: int) -> Tensor:
    """Return a plane averaged along a flow, over 2^doublings steps to either side."""
    rows, cols = source.shape[-2:]
    x = torch.linspace(-1, 1, cols, device=source.device)[None, None, :]
    y = torch.linspace(-1, 1, rows, device=source.device)[None, :, None]
    right, down = 2 * step * torch.cos(angle) / (cols - 1), 2 * step * torch.sin(angle) / (rows - 1)
    way = torch.cat([torch.stack([x + s * right, y + s * down], dim=1) for s in (1, -1)])
    for _ in range(doublings):
        seen = torch.cat([source.repeat(2, 1, 1)[:, None], way], dim=1)
        at = way.movedim(1, -1)
        seen = functional.grid_sample(seen, at, padding_mode="reflection", align_corners=True)
        source, way = seen[:, 0].unflatten(0, (2, -1)).mean(0), seen[:, 1:]
    return source


def _forked(b: Batch, along: Tensor, across: Tensor, reach: Tensor) -> tuple[Tensor, Tensor]:
    """Return phase (in turns) and amplitude of waves across that fork; both places in pitches."""
    width, gaps = 1.6, b.uniform(0, 0.05)
    kernels = fields.places(along / reach, across / width, b.uniform(0.15, 0.22), gaps)
    real = imaginary = torch.zeros_like(across)
    for u, v, first, _ in kernels.near():
        weight = torch.exp(-1.4 * math.pi * (u * u + v * v).clamp(max=20))
        phase = _TAU * (width * v + first)
        real = real + weight * torch.cos(phase)
        imaginary = imaginary + weight * torch.sin(phase)
    turns = torch.atan2(imaginary, real + 1e-9) / _TAU
    return turns, torch.tanh(2.5 * torch.sqrt(real**2 + imaginary**2))


def _rivers(b: Batch, level: Tensor, across: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return distance, tread and strength of lines, in pitches, that join in pairs with level."""
    jitter, delay, treads = torch.rand(3, b.size, 8192, device=b.device)
    k = of = torch.floor(level)
    y = across * torch.exp2(-k)
    first = tread = torch.floor(y) - 3
    nearest = torch.full_like(y, 9.0)
    for offset in range(7):
        i = first + offset
        j = torch.floor(i / 2)
        own = i + 0.5 + 0.6 * (fields.numbers_at(jitter, i, k) - 0.5)
        joint = 2 * (j + 0.5 + 0.6 * (fields.numbers_at(jitter, j, k + 1) - 0.5))
        done = ((level - k - 0.6 * fields.numbers_at(delay, j, k + 1)) / 0.4).clamp(0, 1)
        at = own + (joint - own) * done * done * (3 - 2 * done)
        tread = tread + (at < y)
        nearest = torch.minimum(nearest, (y - at).abs())
    for _ in range(8):  # a tread between two lines that do not join is its parent's
        even = torch.remainder(tread, 2) == 0
        tread, of = torch.where(even, tread / 2, tread), torch.where(even, of + 1, of)
    return nearest * torch.exp2(k), fields.numbers_at(treads, tread, of), 1 + k


def _uneven(b: Batch, spread: Tensor) -> Tensor:
    """Return a rising line (b, samples) of slope 1 on average, uneven by a spread."""
    line = torch.cumsum(torch.exp(spread[:, 0] * _line(b, 5, 60)), dim=1)
    return line * (_SAMPLES / line[:, -1:])


def _stroke(b: Batch) -> tuple[Tensor, Tensor]:
    """Return places along and across a stroke: straight, bent, or about the shears' pivot."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    bend, far = b.pick(0, 0, 0.3, 0.8) * b.uniform(-1, 1), b.log_uniform(0.6, 4) * b.cols
    radius = torch.sqrt(along**2 + (across + far) ** 2 + 1)
    swing = far * torch.atan2(along, across + far)
    pivot = b.chance(0.35) > 0
    across = torch.where(pivot, radius - far, across + bend * along**2 / (b.rows + b.cols))
    return torch.where(pivot, swing, along), across


def _edge(b: Batch, across: Tensor) -> Tensor:
    """Return the profile of a tool's edge at places across its way: grain, waves, some nicks."""
    nicks = _line(b, 0.8, 6)
    nicks = (nicks.abs() - b.uniform(1.2, 2.4)[:, 0]).clamp(min=0) * torch.sign(nicks)
    profile = b.pick(0.1, 0.5, 1.0)[:, 0] * _line(b, 0.6, 12) + b.pick(0, 1.5, 4.0)[:, 0] * nicks
    profile = profile + b.pick(0, 0.3, 1.0)[:, 0] * _line(b, 8, 80)
    profile = profile / (profile.std(dim=1, keepdim=True) + 1e-6)
    return at_line(profile, across + _SAMPLES / 2)


def _bent(b: Batch, most: float) -> tuple[Tensor, Tensor]:
    """Return places along and across a way that wanders as stress does."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    length, fine = b.log_uniform(20, 180), b.log_uniform(4, 15)
    across = across + b.log_uniform(0.1 * most, most) * length * noise(b, length, exponent=1.3)
    return along, across + b.pick(0, 0.08, 0.2) * fine * noise(b, fine)


def stamped_pulses(b: Batch) -> Tensor:
    """Pits, bumps or ringed craters on a programmed lattice, unequal pulses, maybe two passes."""
    angle, pitch = b.pick(0, 0, math.pi / 2, 0.5) + b.uniform(-0.3, 0.3), b.log_uniform(5, 55)
    ratio, skew = b.log_uniform(0.55, 2.2), b.pick(0, 0, 0.5, 0.23)
    jitter, gaps = b.pick(0, 0.03, 0.08, 0.15), b.pick(0, 0, 0.04, 0.2)
    width, rim, flat = b.uniform(0.2, 0.42), b.pick(0, 0.3, 0.8), b.pick(2, 4)
    long, spread = b.log_uniform(0.6, 1.7), b.pick(0.1, 0.6, 1.5)
    summed = deepest = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for weight in (1.0, b.pick(0, 0, 0, 0.6, 1.0)):  # two passes beat
        along, across = turned(b, angle)
        v = across / (pitch * ratio) + b.pick(0, 0.1, 0.3) * _sway(b, 40, 200)
        spots = fields.places(along / pitch + skew * v, v, jitter, gaps)
        for du, dv, first, second in spots.near():
            d = torch.sqrt((du / long) ** 2 + (dv * ratio * long) ** 2 + 1e-6)
            d = (d / (width * (0.7 + 0.6 * first))).clamp(max=8)
            stamp = rim * _bump((d - 1.6) / 0.45) - torch.exp(-(d**flat))
            stamp = weight * stamp * torch.exp(spread * (second - 0.5))
            summed, deepest = summed + stamp, torch.minimum(deepest, stamp)
        angle, pitch = angle + b.uniform(-0.2, 0.2), pitch * b.uniform(0.85, 1.15)
    relief = standardised(torch.where(b.chance(0.6) > 0, summed, deepest)) * b.pick(1, 1, -1)
    return _finished(b, relief, 0.9)


def scan_layers(b: Batch) -> Tensor:
    """Layers of scan lines through the thickness, scalloped by pulses, some split or overdriven."""
    along, across = turned(b, b.pick(0, 0, 0, math.pi / 2) + 0.04 * b.normal())
    layer, pulse = b.log_uniform(5, 60), b.log_uniform(4, 40)
    sway = b.pick(0, 0.06, 0.15) * _sway(b, 30, 200)
    v = across / layer + sway
    i = torch.floor(v)
    part = v - i - 0.5
    u = along / pulse + b.pick(0, 0, 1) * _numbers(b, i) + b.pick(0, 0.5) * torch.remainder(i, 2)
    slot, power = _numbers(b, torch.floor(u), i), 0.4 + _numbers(b, i)
    bow = b.uniform(0, 1.2) * (torch.remainder(u, 1) - 0.5) ** 2
    cusp = (part.abs() * 2) ** b.pick(2, 3, 6)
    beads = torch.cos(_TAU * u) * (1 - (2 * part).abs()) * power
    crack = _bump((part + bow - 0.4) * layer / b.log_uniform(0.8, 4)) * power * (0.4 + 1.2 * slot)
    relief = cusp + b.uniform(0.6, 1.5) * beads + b.pick(0, 0.5, 1.2) * _numbers(b, i)
    relief = relief - b.pick(0, 0.7, 1.4) * crack + b.pick(0, 0.4, 0.8) * slot * (1 - cusp)
    return _finished(b, standardised(relief), 0.6)


def gas_bubbles(b: Batch) -> Tensor:
    """Round smooth bowls that gas left about the foci, small ones between, some run together."""
    along, across = turned(b, b.pick(0, 0, 0.5) + b.uniform(-0.2, 0.2))
    pitch, together = b.log_uniform(9, 80), b.pick(1.0, 1.0, 0.55)
    relief = 0.15 * noise(b, 0.5 * pitch, exponent=1.5)
    for octave, base in enumerate((0.36, 0.34, 0.3)):
        size, loose = pitch / 2.1**octave, (0.06 + 0.12 * octave) * b.pick(0.5, 1, 1.5)
        few = b.uniform(0.02, 0.3) if octave == 0 else b.uniform(0.2, 0.95)
        of = fields.places(along / (size * together), across / size, loose, few)
        for u, v, first, _ in of.near():
            d2 = ((u * together) ** 2 + v * v).clamp(max=4)
            radius2 = (base * (0.6 + 0.8 * first)) ** 2
            bowl = torch.sqrt((radius2 - d2).clamp(min=0)) / 1.7**octave
            relief = torch.where(bowl > 0, torch.minimum(relief, -bowl * 2), relief)
            relief = relief + 0.15 / 1.7**octave * _bump(((d2 / radius2).sqrt() - 1.1) / 0.12)
    return _finished(b, standardised(relief) * b.pick(1, 1, 1, -1), 0.3)


def webs_between_cavities(b: Batch) -> Tensor:
    """Walls left between neighbouring cavities of a lattice: closed, thinned, or torn to stubs."""
    along, across = turned(b, b.pick(0, 0, math.pi / 2) + b.uniform(-0.25, 0.25))
    pitch, ratio = b.log_uniform(7, 60), b.log_uniform(0.6, 1.8)
    along = along + b.pick(0.04, 0.1) * pitch * noise(b, 0.6 * pitch)
    v = across / (pitch * ratio) + b.pick(0.04, 0.1) * noise(b, 0.6 * pitch)
    u = along / pitch + b.pick(0, 0.5, 0.5) * v
    of = fields.places(u, v, b.uniform(0.02, 0.11), b.pick(0, 0.06))
    near, second, value, off_u, off_v = fields.cells(of)
    thick = b.uniform(0.12, 0.4) * torch.exp(0.4 * noise(b, pitch))
    wall = torch.exp(-(((second - near) / thick) ** b.pick(1, 2, 4)).clamp(max=40))
    wall = wall * (0.25 + 0.75 * (noise(b, 0.4 * pitch) > b.pick(-3, -1, 0)))
    floor = b.pick(0, 0.5, 1.0) * near**2 + b.pick(0, 0.3, 0.8) * value
    tilt = b.pick(0, 0.5) * (off_u * torch.cos(_TAU * value) + off_v * torch.sin(_TAU * value))
    return _finished(b, standardised(blur(wall, 0.7) + floor + tilt), 0.3)


def drag_lines(b: Batch) -> Tensor:
    """Long scores of one edge with one direction or pivot; a nick may begin, strokes cross."""
    along, across = _stroke(b)
    loaded = at_line(_line(b, 60, 400), along + _SAMPLES / 2)
    relief = _edge(b, across) * (1 + b.pick(0, 0.3) * loaded)
    begun = torch.sigmoid((along - b.uniform(-0.4, 0.4) * b.cols) / b.log_uniform(1, 20))
    nick = _bump((across - b.uniform(-0.3, 0.3) * b.rows) / b.log_uniform(1, 12)) * begun
    relief = relief + b.pick(0, 3, -3) * nick + b.pick(0, 0, 0.8) * _edge(b, _stroke(b)[1])
    return _finished(b, relief + b.pick(0, 0.4, 0.9) * _sway(b, 40, 200), 0.5)


def stroke_facets(b: Batch) -> Tensor:
    """Facets of several strokes that meet along straight borders, each with its own lines."""
    base, turn = b.uniform(-math.pi, math.pi), b.pick(0.03, 0.12, 0.6)
    height = torch.full((b.size, b.rows, b.cols), -1e3, device=b.device)
    second, lined = height.clone(), torch.zeros_like(height)
    scale = b.log_uniform(0.15, 0.8) * b.rows
    for number in range(-2, 3):
        _, across = turned(b, base + turn * b.normal())
        ramp = (number + 0.3 * b.normal()) * across / scale - 0.5 * number**2 + 0.2 * b.normal()
        above = ramp > height
        second = torch.maximum(torch.minimum(ramp, height), second)
        lined = torch.where(above, _edge(b, across + b.uniform(-99, 99)), lined)
        height = torch.where(above, ramp, height)
    lip = torch.exp(-((height - second) * scale / b.log_uniform(3, 20)).clamp(max=20))
    facets = b.pick(1, -1) * standardised(height.clamp(-6, 6))
    relief = facets + b.pick(0.3, 0.6, 1.2) * lined + b.pick(0, 0.3, 0.8) * lip
    return _finished(b, relief, 0.2)


def chatter_bands(b: Batch) -> Tensor:
    """Even bands that the edge left by sticking and slipping, crossed by its own drag lines."""
    along, across = _stroke(b)
    place = along + b.pick(0, 0, 0.5) * b.uniform(-1, 1) * across
    place = place + b.pick(0, 0.4, 1.0) * b.uniform(-1, 1) * across**2 / b.rows
    turns = at_line(_uneven(b, b.uniform(0, 0.12)), place + _SAMPLES / 2) / b.log_uniform(6, 90)
    part, slow = torch.remainder(turns, 1), b.uniform(0.5, 0.92)
    saw = torch.where(part < slow, part / slow, (1 - part) / (1 - slow))
    wave = torch.where(b.chance(0.5) > 0, saw, 0.5 + 0.5 * torch.cos(_TAU * part))
    wave = wave * (1 - b.pick(0, 0.3, 0.7) * _numbers(b, torch.floor(turns)))
    wave = wave * (1 - b.pick(0, 0, 0.9) * torch.sigmoid(10 * along / b.cols - b.uniform(-4, 4)))
    return _finished(b, standardised(wave) + b.pick(0.15, 0.5, 1.2) * _edge(b, across), 0.2)


def smeared_films(b: Batch) -> Tensor:
    """Films and tongues smeared one way over each other, all streaked in the stroke's direction."""
    angle = b.uniform(-math.pi, math.pi)
    along, across = turned(b, angle)
    streaks = noise(b, b.log_uniform(3, 12), angle=angle, anisotropy=b.log_uniform(12, 60))
    films = noise(b, b.log_uniform(15, 60), angle=angle, anisotropy=b.log_uniform(6, 25))
    edge = torch.sigmoid((films - b.uniform(-0.5, 0.8)) / b.log_uniform(0.02, 0.3))
    lane = at_line(_uneven(b, b.uniform(0.2, 0.8)), across + _SAMPLES / 2) / b.log_uniform(8, 70)
    i = torch.floor(lane)
    reach = along / b.log_uniform(40, 250) + (lane - i - 0.5) ** 2 * b.uniform(0.1, 0.9)
    ragged = b.pick(0.02, 0.06, 0.15) * at_line(_line(b, 1, 8), across + _SAMPLES / 2)
    reach = reach + _numbers(b, i) + ragged
    tongue = torch.remainder(reach, 1) ** b.pick(1, 3) * (0.3 + _numbers(b, i, torch.floor(reach)))
    relief = torch.where(b.chance(0.65) > 0, standardised(edge), standardised(tongue))
    relief = relief * b.pick(0.4, 0.8, 1.3) + b.pick(0.2, 0.6, 1.2) * streaks
    return _finished(b, relief + b.pick(0.4, 0.7, 1.2) * _edge(b, across), 0.2)


def pressed_lip(b: Batch) -> Tensor:
    """Lip rolled or folded at the face's edge, folds widening inward, then a scored field."""
    row = torch.arange(b.rows, device=b.device)[None, :, None].float()
    depth = torch.where(b.chance(0.5) > 0, row, b.rows - 1 - row).expand(-1, -1, b.cols)
    edge = _line(b, 40, 300)[:, None, : b.cols]
    depth = (depth + b.log_uniform(0.5, 5) * edge).clamp(min=0)
    wide = b.uniform(0.08, 0.5) * b.rows
    turns = torch.log1p(depth / b.log_uniform(12, 90)) * 3
    turns = turns + b.pick(0, 0.05, 0.1) * noise(b, b.log_uniform(40, 120), anisotropy=6.0)
    folds = (0.5 + 0.5 * torch.cos(_TAU * turns)) ** b.pick(0.5, 1, 2.5)
    folds = folds * torch.exp(-depth / (wide * b.pick(0.6, 1, 3)))
    near = torch.exp(-depth / wide)
    along, across = turned(b, b.pick(0.2, 1.0, math.pi / 2) * b.pick(-1, 1) + b.uniform(-0.2, 0.2))
    lined = _edge(b, across + b.pick(0, 0.4) * along * near) * (1 - near)
    relief = 3 * folds + b.pick(0, 1, 2) * _bump((depth - 0.3 * wide) / (0.4 * wide))
    return _finished(b, standardised(relief + b.pick(0.25, 0.6, 1.2) * lined), 0.2)


def joining_rivers(b: Batch) -> Tensor:
    """Rivers that join two by two downstream: steps between treads, or ridges on smooth ground."""
    along, across = _bent(b, 0.3)
    pitch, slender = b.log_uniform(3, 18), b.log_uniform(4, 14)
    run = (along + b.uniform(0.5, 1.2) * (b.rows + b.cols) / 2).clamp(min=0)
    level = torch.log2(1 + run / (pitch * slender)) + 0.15 * _sway(b, 60, 300)
    distance, tread, strength = _rivers(b, level.clamp(min=0), across / pitch)
    width = b.log_uniform(0.7, 4)
    ridge = torch.exp(-((distance * pitch / width) ** b.pick(1, 2)).clamp(max=20)) * strength**0.5
    relief = b.pick(0, 1, 1) * standardised(blur(tread, 0.3 * width))
    relief = relief + b.pick(-0.8, 0.7, 1.0) * standardised(ridge)
    return _finished(b, relief + b.pick(0, 0.5, 1.5) * _sway(b, 30, 150), 0.3)


def forking_hackle(b: Batch) -> Tensor:
    """Hackle that forks, ends and steps sideways, at times from a mirror through mist."""
    along, across = _bent(b, 0.25)
    size, pitch = (b.rows + b.cols) / 2, b.log_uniform(5, 45)
    across = across * torch.exp(-b.pick(0, 0.8, 1.5) * along / size)  # a fan, at times
    turns, amplitude = _forked(b, along / pitch, across / pitch, b.log_uniform(2.5, 9))
    kind = b.pick(0, 1, 2)
    crest = torch.where(kind == 1, _bump(turns / b.uniform(0.08, 0.25)), torch.cos(_TAU * turns))
    saw = turns * (1 - _bump((turns.abs() - 0.5) / 0.08))
    relief = torch.where(kind == 0, saw, crest) * amplitude
    onset = torch.sigmoid((along / size + b.uniform(-0.2, 0.3)) / b.uniform(0.03, 0.2))
    onset = torch.where(b.chance(0.5) > 0, onset, torch.ones_like(onset))
    uneven = torch.exp(b.uniform(0.2, 0.9) * noise(b, b.log_uniform(1, 4) * pitch))
    mist = noise(b, b.log_uniform(1, 4), exponent=0.5) * onset * b.pick(0, 0.15, 0.5)
    return _finished(b, standardised(relief) * onset * uneven + mist, 0.15)


def meeting_fronts(b: Batch) -> Tensor:
    """Tear lines where side fronts met the main one: parabolas opening one way, nested, fading."""
    along, across = _bent(b, 0.12)
    pitch, long, width = b.log_uniform(12, 70), b.log_uniform(1.2, 3.5), b.log_uniform(0.02, 0.12)
    loose, gaps = b.uniform(0.28, 0.4), b.uniform(0, 0.45)
    of = fields.places((along + 0.4 * across) / (pitch * long), across / pitch, loose, gaps)
    relief = inside = torch.zeros_like(across)
    for u, v, first, second in of.near():
        u = (u * long - 0.4 * v).clamp(-9, 9)
        met = u + 0.02 + 0.3 * first**2 - torch.sqrt(u * u + v * v + 1e-6)
        fade = torch.sigmoid((0.25 + 0.4 * second - u / long) * 16) * _bump(v.abs() ** 3)
        relief = torch.maximum(relief, _bump(met / width) * fade * (0.4 + 0.6 * second))
        inside = torch.maximum(inside, (met > 0) * fade * (0.5 + first + 0.3 * u))
    relief = standardised(relief) * b.pick(1, 1, -1)
    relief = relief + b.pick(0, 0.5, 1.0) * standardised(blur(inside, 1.0))
    return _finished(b, relief + b.pick(0, 0.5) * noise(b, pitch, exponent=1.5), 0.4)


def drawn_fibrils(b: Batch) -> Tensor:
    """Fibrils drawn out along a wandering flow: they taper, part, fold and leave holes."""
    angle = b.uniform(-math.pi, math.pi) + b.log_uniform(0.25, 1.2) * _sway(b, 25, 150)
    grain = b.log_uniform(1.2, 7)
    source = noise(b, grain)
    source = torch.where(b.chance(0.5) > 0, source, (source - 0.8).clamp(min=0))
    streak = standardised(_streamed(source, angle, b.uniform(0.15, 0.35) * grain, 6))
    kind = b.pick(0, 1, 2)
    ridge = torch.where(kind == 1, -streak.abs(), streak.clamp(min=0) ** 1.5)
    ridge = standardised(torch.where(kind == 0, streak, ridge))
    ridge = ridge * torch.sigmoid((_sway(b, 15, 90) + b.uniform(0.2, 1.6)) / 0.4)
    holes = (_sway(b, 4, 20) + 0.5 * streak - b.uniform(1, 3)).clamp(min=0)
    relief = standardised(ridge - 2 * holes)
    return _finished(b, relief + b.pick(0, 0.3, 0.7) * _sway(b, 15, 100), 0.3)


def blunt_steps(b: Batch) -> Tensor:
    """Blunt steps of unequal height that run together, turn back and die out on smooth treads."""
    _, across = _bent(b, 0.4)
    pitch = b.log_uniform(10, 90)
    wander = noise(b, b.log_uniform(0.8, 4) * pitch, exponent=b.uniform(1.0, 1.8))
    place = at_line(_uneven(b, b.uniform(0.3, 1.0)), across + _SAMPLES / 2) / pitch
    place = place + b.uniform(0.3, 1.0) * wander
    part, riser = torch.remainder(place, 1), b.log_uniform(0.05, 0.5)
    height = torch.sigmoid((noise(b, b.log_uniform(1, 4) * pitch) + b.uniform(0.0, 1.5)) / 0.3)
    height = height * (_numbers(b, torch.floor(place)) ** 2 + 0.1)
    rise = torch.sigmoid((part - 0.5) / riser * 4) - part
    rise = rise + b.pick(0, 0.3) * _bump((part - 0.5 - 0.5 * riser) / (0.5 * riser))
    relief = standardised(height * rise) + b.pick(0, 0.3, 0.8) * standardised(place)
    return _finished(b, relief, 0.3)


def rib_marks(b: Batch) -> Tensor:
    """Ribs where the front paused, bowed about an origin, unevenly apart, crossed by hackle."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    far, pitch, spacing = b.uniform(0.2, 1.2) * b.cols, b.log_uniform(8, 80), b.log_uniform(3, 14)
    radius = torch.sqrt((along + far) ** 2 + (across * b.log_uniform(0.7, 1.6)) ** 2 + 1)
    radius = radius + b.log_uniform(5, 18) * noise(b, b.log_uniform(15, 80), exponent=1.2)
    place = at_line(_uneven(b, b.uniform(0.5, 1.1)), radius) / pitch
    part = torch.remainder(place, 1)
    held = torch.sigmoid((noise(b, b.log_uniform(20, 120)) + b.uniform(0, 2)) / 0.4)
    rib = part ** b.pick(1, 3, 6) * torch.sigmoid((0.95 - part) / 0.02) * held
    rib = rib * _numbers(b, torch.floor(place)) ** 2
    sway = b.pick(0.1, 0.4) * noise(b, b.log_uniform(8, 40))
    lane = far * torch.atan2(across, along + far) / spacing + sway
    turns, amplitude = _forked(b, radius / spacing, lane, b.log_uniform(3, 12))
    mirror = torch.sigmoid((radius / far - b.uniform(0.4, 0.7)) / 0.06)
    hackle = torch.cos(_TAU * turns) * amplitude * (0.3 + part) * mirror
    return _finished(b, standardised(rib) + b.pick(0.2, 0.5, 0.9) * standardised(hackle), 0.3)


LASER_LOOKS: tuple[Look, ...] = (stamped_pulses, scan_layers, gas_bubbles, webs_between_cavities)
SCISSOR_LOOKS: tuple[Look, ...] = (
    drag_lines, stroke_facets, chatter_bands, smeared_films, pressed_lip,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (
    joining_rivers, forking_hackle, meeting_fronts, drawn_fibrils, blunt_steps, rib_marks,
)  # fmt: skip
