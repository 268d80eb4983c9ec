"""Looks of cut faces as parametric models straight from the textbook descriptions.

Laser: an impulse on each place of a programmed lattice, convolved with the spot (overlapping
pulses saturate); a ruled grating as a series of harmonics; a reciprocal lattice whose peaks are as
wide as the pulses stray; glazed melt under which the passes still show.
Blade: the edge is a one-dimensional profile, self-affine or sparse nicks, extruded along its way,
plus harmonics of chatter, strokes that overlap, two flanks that meet.
Tearing: ridged fractal ground (Mandelbrot et al. 1984; Musgrave 1994, from memory), rivers as
branching random walks whose steps are double layers, peeled layers as levels of a self-affine
height, facets with random slopes and crazes.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, sigmoid
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, Look, at_line, cells, lines, noise

# isort: split
from edgeqc.training.strip_fields import numbers_at, places, standardised, turned

_EDGE, _ENTRIES, _TURN = 4096, 4096, 2 * math.pi


def _slow(b: Batch, knots: int) -> Tensor:
    """Return smooth fields through few random knots, standard deviation about 1."""
    wide = max(4, round(knots * min(b.cols / b.rows, 4)))
    grid = torch.randn(b.size, 1, knots, wide, device=b.device)
    size = (b.rows, b.cols)
    field = functional.interpolate(grid, size=size, mode="bicubic", align_corners=True)
    return standardised(field[:, 0])


def _frequencies(b: Batch) -> tuple[Tensor, Tensor]:
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None]
    return f_row, torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]


def _white(b: Batch) -> Tensor:
    return torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))


def _back(b: Batch, spectrum: Tensor) -> Tensor:
    return torch.fft.irfft2(spectrum, s=(b.rows, b.cols))


def _worn(b: Batch, relief: Tensor, most: float, finest: float = 0.7) -> Tensor:
    """Return a relief with the nuisances: patches worn off, blur, self-affine grain, waviness."""
    worn = b.some(0.45, 0.3, 0.85) * sigmoid(b.uniform(1, 3) * (_slow(b, 4) - b.uniform(-0.3, 1)))
    f_row, f_col = _frequencies(b)
    f2 = f_row**2 + f_col**2
    sigma = b.pick(0, 0, 0.5, 1) * b.log_uniform(0.5, 2)
    kept = torch.fft.rfft2(standardised(relief) * (1 - worn))
    kept = kept * torch.exp(-2 * (math.pi * sigma) ** 2 * f2)
    rough = (f2 + (0.16 / b.log_uniform(finest, 9)) ** 2) ** (-0.5 * b.uniform(1.1, 1.9))
    rough = rough / rough.square().mean(dim=(1, 2), keepdim=True).sqrt()
    wavy = b.some(0.4, 0, 0.4) * _slow(b, 4)
    grain = b.pick(0, 0.2, 0.6, 1) * b.uniform(0.1, 1) * most
    return standardised(_back(b, kept + grain * rough * _white(b)) + wavy)


def _stamped(b: Batch, x: Tensor, y: Tensor, weights: tuple[Tensor, ...]) -> list[Tensor]:
    """Return planes on which points (b, n) at columns x and rows y left their weights."""
    col, row = torch.floor(x), torch.floor(y)
    u, v = x - col, y - row
    inside = (col >= 0) & (col < b.cols - 1) & (row >= 0) & (row < b.rows - 1)
    first = row.clamp(0, b.rows - 2).long() * b.cols + col.clamp(0, b.cols - 2).long()
    first = first + torch.arange(b.size, device=b.device)[:, None] * (b.rows * b.cols)
    planes = []
    for weight in weights:
        plane = torch.zeros(b.size * b.rows * b.cols, device=b.device)
        there = weight * inside
        for step, part in (
            (0, (1 - u) * (1 - v)), (1, u * (1 - v)), (b.cols, (1 - u) * v), (b.cols + 1, u * v),
        ):  # fmt: skip
            plane.index_add_(0, (first + step).flatten(), (there * part).flatten())
        planes.append(plane.reshape(b.size, b.rows, b.cols))
    return planes


def _scan(b: Batch) -> Tensor:
    """Return the direction of a scan: mostly with the face or across it, a little askew."""
    askew = b.pick(0, 0.03, 0.1, 0.4) * b.normal()
    return torch.where(b.chance(0.15) > 0, b.uniform(0, _TURN), b.pick(0, 0, math.pi / 2) + askew)


def _pulses(b: Batch, finest: float) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return columns, rows and energies of the pulses of a programme, and its pitch."""
    side = int(math.hypot(b.rows, b.cols) / finest) + 2
    pitch = b.log_uniform(1.15 * finest, 40).clamp(max=b.rows / 4)
    step = (pitch * b.pick(0.4, 0.7, 1, 1, 1.5)).clamp(min=1.05 * finest)
    index = torch.arange(side, device=b.device) - side / 2
    i, j = index[None, :, None], index[None, None, :]
    shift = torch.remainder(i, 2) / 2 * b.pick(0, 1, 1)  # rows in step or staggered
    shift = shift + b.pick(0, 0, 1) * torch.rand(b.size, side, 1, device=b.device)
    jitter = b.pick(0, 0.03, 0.08, 0.15)
    spread = torch.randn(2, b.size, side, side, device=b.device).clamp(-2.5, 2.5) * jitter
    u, v = (j + shift + spread[0]) * step, (i + spread[1]) * pitch
    v = v + pitch * b.some(0.4, 0, 0.25) * torch.randn(b.size, side, 1, device=b.device)
    way = _scan(b)
    x = b.cols / 2 + torch.cos(way) * u - torch.sin(way) * v
    y = b.rows / 2 + torch.sin(way) * u + torch.cos(way) * v
    drift = b.uniform(0, 0.4) * torch.sin(u / b.uniform(0.1, 1) / b.cols + v / b.rows * 4)
    lot = torch.rand(b.size, side, side, device=b.device)
    fired = (lot >= b.pick(0, 0, 0.05, 0.25)) & (lot[:, :, :1] >= b.pick(0, 0, 0.1))
    energy = fired * (1 + drift + b.uniform(0, 0.3) * (2 * lot - 1))
    return x.flatten(1), y.flatten(1), energy.flatten(1), pitch


def spot_lattice(b: Batch) -> Tensor:
    """Draw a lattice of impulses convolved with a spot, rimmed or not; overlaps saturate."""
    x, y, energy, pitch = _pulses(b, 4.0)
    plane = torch.fft.rfft2(_stamped(b, x, y, (energy,))[0])
    f_row, f_col = _frequencies(b)
    way, oval = b.uniform(0, math.pi), b.pick(1, 1, 1.4, 2)
    along = torch.cos(way) * f_col + torch.sin(way) * f_row
    across = torch.cos(way) * f_row - torch.sin(way) * f_col
    f2 = _TURN**2 * (along**2 * oval + across**2 / oval) / 2
    radius = (b.uniform(0.16, 0.42) * pitch).clamp(min=0.7)
    rim = b.pick(0, 0, 0.5, 0.95)
    spot = torch.exp(-f2 * radius**2) - rim * torch.exp(-f2 * (1.5 * radius) ** 2)
    dose = _back(b, plane * spot)
    dose = dose / (dose.square().mean(dim=(1, 2), keepdim=True).sqrt() + 1e-6)
    hard = b.pick(0.3, 1, 2.5)
    return _worn(b, b.pick(-1, -1, -1, 1) * torch.tanh(hard * dose), 0.7)


def ruled_passes(b: Batch) -> Tensor:
    """Draw lines of passes: a grating of some harmonics, each line of its own depth and waver."""
    along, across = turned(b, _scan(b))
    pitch = b.log_uniform(3, 70).clamp(max=b.rows / 3)
    waver = at_line(lines(b.size, _EDGE, b.log_uniform(30, 300)[:, 0], b.device), along + _EDGE / 2)
    phase = across / pitch + b.uniform(0, 1) + b.pick(0, 0.03, 0.1, 0.2) * waver
    line = torch.floor(phase)
    depth, beads = numbers_at(torch.rand(2, b.size, _ENTRIES, device=b.device), line, 0 * line)
    groove, sharp = 0 * phase, b.uniform(0.2, 0.8)
    for k in range(1, 5):  # as a groove's cosine series: odd and even parts fall off geometrically
        groove = groove - sharp ** (k - 1) * torch.cos(_TURN * k * phase)
    groove = groove * (1 + b.uniform(0, 0.6) * (2 * depth - 1))
    bead = b.pick(0.3, 0.6, 1.2) * pitch
    beaded = torch.cos(_TURN * (along / bead.clamp(min=2.5) + b.pick(0, 1) * beads))
    relief = standardised(groove) + b.pick(0, 0, 0.4, 0.8) * beaded * (1 + 0.5 * groove / 2)
    return _worn(b, relief, 0.7)


def reciprocal_lattice(b: Batch) -> Tensor:
    """Draw a lattice near what the picture resolves: peaks of its spectrum, widened by disorder."""
    f_row, f_col = _frequencies(b)
    pitch = b.log_uniform(2.3, 24)
    way, between = _scan(b), b.pick(math.pi / 2, math.pi / 2, math.pi / 3, 1.3)
    stray = b.log_uniform(0.003, 0.04) / pitch
    gain = torch.zeros(b.size, 1, 1, device=b.device)
    for turn, share in ((0.0, b.pick(1)), (1.0, b.pick(0, 0.5, 1, 1)), (2.0, b.pick(0, 0.4))):
        angle = way + turn * between
        g_row, g_col = torch.sin(angle) / pitch, torch.cos(angle) / pitch
        for sign in (1, -1):
            gone = (f_row - sign * g_row) ** 2 + (f_col - sign * g_col) ** 2
            gain = gain + share * torch.exp(-(gone / (2 * stray**2)).clamp(max=60))
    field = standardised(_back(b, (gain + 1e-5) * _white(b)))
    steep = b.pick(0, 0.6, 1.2)
    field = torch.where(steep > 0, -torch.exp(steep * field.clamp(max=3)), field)
    patch = 1 - b.some(0.4, 0.3, 0.9) * sigmoid(4 * _slow(b, 5))
    return _worn(b, standardised(field) * patch, 1.0, 0.5)


def glazed_melt(b: Batch) -> Tensor:
    """Draw melt that froze smooth over the passes: faint lines, capillary waves."""
    f_row, f_col = _frequencies(b)
    across = turned(b, _scan(b))[1]
    pitch = b.log_uniform(6, 80).clamp(max=b.rows / 3)
    f = torch.sqrt(f_row**2 + f_col**2)
    ring = torch.exp(-(((f * pitch * b.uniform(0.4, 1.5) - 1) / 0.45) ** 2).clamp(max=60)) + 1e-6
    melt = standardised(_back(b, ring * _white(b)))
    phase = across / pitch + 0.12 * melt + b.uniform(0, 0.15) * _slow(b, 6)
    apart = phase - torch.floor(phase) - 0.5
    seam = torch.exp(-((apart / b.uniform(0.06, 0.3)) ** 2)) * b.pick(-1, 1)
    relief = b.uniform(0.3, 1) * melt + b.uniform(0.5, 1.3) * standardised(seam)
    return _worn(b, relief, 0.6)


def _way(b: Batch) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a blade's way, straight or gently bent."""
    along, across = turned(b, b.uniform(0, _TURN))
    swing = b.rows * b.some(0.3, -0.04, 0.04) * torch.sin(along / (b.uniform(0.2, 0.6) * b.cols))
    return along, across + b.some(0.6, -0.35, 0.35) * along**2 / b.cols + swing


def _profile(b: Batch) -> Tensor:
    """Return a self-affine profile of an edge, (b, n), or sparse nicks, or both."""
    f = torch.fft.rfftfreq(_EDGE, device=b.device)[None, :]
    longest, hurst = b.log_uniform(6, 150)[:, 0], b.uniform(-0.1, 0.9)[:, 0]
    gain = (f**2 + (0.3 / longest) ** 2) ** (-0.5 * (0.5 + hurst))
    gain = gain * torch.exp(-((f * b.log_uniform(1.5, 12)[:, 0]) ** 2).clamp(max=60))
    white = torch.fft.rfft(torch.randn(b.size, _EDGE, device=b.device))
    rough = torch.fft.irfft(white * gain, n=_EDGE)
    rough = rough / (rough.std(dim=1, keepdim=True) + 1e-6)
    rate, width = b.log_uniform(0.01, 0.12)[:, 0], b.log_uniform(0.8, 5)[:, 0]
    lot = torch.rand(2, b.size, _EDGE, device=b.device)
    nicks = (lot[0] < rate) * -torch.log(lot[1] + 1e-4)
    core = torch.exp(-(_TURN * f * width) ** 2 / 2)
    pile = b.pick(0, 0.6, 1)[:, 0] * torch.exp(-(_TURN * f * width * 2) ** 2 / 2)
    nicks = -torch.fft.irfft(torch.fft.rfft(nicks) * (core - pile), n=_EDGE)
    nicks = nicks / (nicks.std(dim=1, keepdim=True) + 1e-6)
    share = b.pick(0, 0.3, 0.8, 1)[:, 0]
    return (1 - share) * rough + share * nicks


def _chatter(b: Batch, along: Tensor, across: Tensor) -> Tensor:
    """Return the harmonics of a vibrating edge: bands across its way, their period kept."""
    period = b.log_uniform(8, 120)
    phase = _TURN / period * (along + b.uniform(-0.5, 0.5) * across) + 0.5 * _slow(b, 4)
    total = torch.sin(phase)
    for k in (2, 3):
        total = total + b.uniform(0, 0.8) / k * torch.sin(k * phase + b.uniform(0, _TURN))
    return total * (1 + b.uniform(0, 0.7) * _slow(b, 4)).clamp(min=0.1)


def extruded_profile(b: Batch) -> Tensor:
    """Draw a self-affine edge extruded along its way, which changes slowly, plus chatter."""
    along, across = _way(b)
    here = at_line(_profile(b), across + _EDGE / 2)
    later = at_line(_profile(b), across + _EDGE / 2)
    turn = along / b.cols * b.pick(0, 0.3, 1) + 0.4 * b.normal()
    drawn = torch.cos(turn) * here + torch.sin(turn) * later
    chatter = _chatter(b, along, across)
    drawn = drawn * (1 + b.uniform(0, 0.6) * torch.tanh(chatter))
    return _worn(b, drawn + b.pick(0, 0.2, 0.5, 1) * b.uniform(0.3, 1) * chatter, 0.6)


def nicked_edge(b: Batch) -> Tensor:
    """Draw the few deep lines of a nicked edge, some begun on the way, over long smeared ground."""
    along, across = _way(b)
    wide = b.log_uniform(3, 24)
    lane = torch.floor(across / wide)
    deep, begun = numbers_at(torch.rand(2, b.size, _ENTRIES, device=b.device), lane, 0 * lane)
    apart = (across / wide - lane - 0.5) * 2
    cut = torch.exp(-(((apart + 0.6 * (2 * begun - 1)) / b.uniform(0.1, 0.5)) ** 2))
    ploughed = sigmoid((along - (2 * begun - 1) * 0.8 * b.cols) / b.log_uniform(2, 20))
    cut = cut * deep ** b.pick(1, 3, 6) * (1 - b.pick(0, 0.5, 1) * (1 - ploughed))
    ground = at_line(_profile(b), across + _EDGE / 2) * b.uniform(0.15, 0.7)
    pull = b.log_uniform(40, 400)  # snags between lines: slips at uneven spaces
    snag = at_line(lines(b.size, _EDGE, (pull / 3)[:, 0], b.device), along + 0.3 * across + 2048)
    relief = ground - b.uniform(0.6, 1.6) * standardised(cut) + b.pick(0, 0.2, 0.5) * snag
    return _worn(b, relief, 0.6)


def overlapping_strokes(b: Batch) -> Tensor:
    """Draw strokes that overlap: each its lines at its own slight angle, behind a bowed front."""
    along, across = _way(b)
    stroke = b.log_uniform(60, 500)
    front = along + b.uniform(-0.6, 0.6) * across**2 / b.rows + b.uniform(-0.5, 0.5) * across
    q = front / stroke + 0.15 * _slow(b, 4) * b.chance(0.6) + b.uniform(0, 1)
    k, part = torch.floor(q), q - torch.floor(q)
    tables = torch.rand(3, b.size, _ENTRIES, device=b.device) - 0.5
    tilt, place, high = numbers_at(tables, k, 0 * k)
    at = across + b.pick(0.05, 0.15, 0.35) * tilt * along + place * b.pick(20, 200, 700)
    drawn = at_line(_profile(b), at + _EDGE / 2)
    steps = b.uniform(-1.2, 1.2) * (part - 0.5) * 2 + b.pick(0, 1) * high * 2
    lip = torch.exp(-part * stroke / b.log_uniform(1.5, 10))
    relief = standardised(drawn) + b.uniform(0.2, 1) * steps + b.pick(-1, 0.6, 1.4) * lip
    return _worn(b, relief, 0.5)


def pinched_flanks(b: Batch) -> Tensor:
    """Draw the flanks of two blades that met in a pinch line, each with lines of its own lean."""
    along, across = turned(b, b.pick(0, 0, math.pi / 2) + 0.12 * b.normal())
    line = lines(b.size, _EDGE, b.log_uniform(60, 300)[:, 0], b.device)
    away = across - b.uniform(-0.25, 0.25) * b.rows
    away = away - b.uniform(0.5, 6) * at_line(line, along + _EDGE / 2)
    lean = b.uniform(-1.4, 1.4)
    other = torch.where(b.chance(0.5) > 0, -lean, b.uniform(-1.4, 1.4))
    first = at_line(_profile(b), (along + lean * away) * b.uniform(0.6, 1) + _EDGE / 2)
    second = at_line(_profile(b), (along + other * away) * b.uniform(0.6, 1) + _EDGE / 2)
    drawn = torch.lerp(first, b.uniform(0.3, 1) * second, sigmoid(away / b.log_uniform(0.7, 6)))
    crest = torch.exp(-((away / b.log_uniform(1.5, 14)) ** 2)) * (1 + 0.3 * _slow(b, 12))
    smear = torch.exp(-away.abs() / b.log_uniform(10, 80))
    relief = drawn * (1 - b.uniform(0, 0.8) * smear) + b.pick(-2.5, 1.5, 3) * crest
    relief = relief + b.uniform(-1.5, 1.5) * away.abs() / b.rows
    return _worn(b, relief, 0.5)


def ridged_ground(b: Batch) -> Tensor:
    """Draw ridged fractal ground: octaves of folded fields, finer ones rougher on the ridges."""
    f_row, f_col = _frequencies(b)
    way, stretch = b.uniform(0, _TURN), b.pick(1, 1.5, 3)
    along = (torch.cos(way) * f_col + torch.sin(way) * f_row) * stretch
    f = torch.log(along**2 + (torch.cos(way) * f_row - torch.sin(way) * f_col) ** 2 + 1e-9) / 2
    white, largest = _white(b), b.log_uniform(12, 110)
    total, weight = torch.zeros(b.size, 1, 1, device=b.device), b.pick(1.0)
    height, falls, sharp = b.pick(1.0), b.uniform(0.35, 0.75), b.pick(1, 2, 2)
    for _ in range(4):
        band = torch.exp(-(((f + torch.log(largest)) / 0.45) ** 2).clamp(max=60)) + 1e-7
        folded = (1 - standardised(_back(b, white * band)).abs()).clamp(min=-1.5)
        ridge = torch.where(sharp > 1.5, folded.clamp(min=0) ** 2, folded)
        total = total + height * weight * ridge
        weight = (b.uniform(0.5, 1.5) * ridge + 0.3).clamp(0.1, 1)
        height, largest = height * falls, (largest / 2.1).clamp(min=2)
    return _worn(b, b.pick(-1, 1, 1) * total + b.pick(0, 0.1, 0.3) * _slow(b, 4), 0.5)


def _walks(b: Batch, count: int) -> tuple[Tensor, ...]:
    """Return columns, rows, headings and weights (b, n) of walks that fork for two generations."""
    steps, main = int(0.8 * max(b.rows, b.cols)), b.uniform(0, _TURN)
    spread, curl, after = b.pick(0.1, 0.3, 0.6), b.uniform(0.15, 0.5), b.log_uniform(15, 150)
    x = (1.3 * torch.rand(b.size, count, 1, device=b.device) - 0.15) * b.cols
    y = (1.3 * torch.rand(b.size, count, 1, device=b.device) - 0.15) * b.rows
    lean = spread * torch.randn(b.size, count, 1, device=b.device)
    strength = torch.randn(b.size, count, 1, device=b.device)
    fork, time = 0 * lean, torch.arange(steps, device=b.device).float()
    length = b.log_uniform(8, 80).expand(b.size, count, 1).reshape(-1, 1)
    found: list[tuple[Tensor, ...]] = []
    for generation in range(3):
        bend = lines(b.size * count, steps, length, b.device).reshape(b.size, count, steps)
        heading = main + lean + curl * bend + fork * torch.exp(-time / after)
        px, py = x + torch.cumsum(torch.cos(heading), 2), y + torch.cumsum(torch.sin(heading), 2)
        life = steps * (0.08 + torch.rand(b.size, count, 1, device=b.device)) / (1 + generation)
        weight = strength * (1 - time / life).clamp(min=0).sqrt()
        found.append((px, py, heading, weight))
        parent = torch.randint(count, (b.size, count, 1), device=b.device)
        at = torch.gather(life, 1, parent) * torch.rand_like(life) * 0.9
        at = at.long().clamp(max=steps - 1)
        key = (parent * steps + at)[..., 0]
        x, y = (torch.gather(p.flatten(1), 1, key)[..., None] for p in (px, py))
        lean, strength = (torch.gather(p, 1, parent) for p in (lean, strength))
        fork = (0.4 + 0.6 * torch.rand_like(life)) * torch.sign(torch.rand_like(life) - 0.5)
        strength = 0.7 * strength
    return tuple(torch.cat(parts, 1).flatten(1) for parts in zip(*found, strict=True))


def branching_rivers(b: Batch) -> Tensor:
    """Draw rivers as branching random walks: crests, and double layers for steps."""
    x, y, heading, weight = _walks(b, 22)
    weights = (weight.abs(), -torch.sin(heading) * weight, torch.cos(heading) * weight)
    crest, right, down = (torch.fft.rfft2(p) for p in _stamped(b, x, y, weights))
    f_row, f_col = _frequencies(b)
    f2 = f_row**2 + f_col**2
    reach, width = b.log_uniform(8, 120), b.log_uniform(0.6, 3)
    round_off = torch.exp(-2 * (math.pi * width) ** 2 * f2)
    layer = 1j * (f_col * right + f_row * down) * round_off / (f2 + (0.16 / reach) ** 2)
    step = standardised(_back(b, layer))
    ridge = standardised(_back(b, crest * round_off))
    ground = noise(b, b.log_uniform(5, 100), exponent=b.uniform(0.2, 1.2))
    relief = step + b.pick(-0.6, 0, 0.5, 1) * ridge + b.uniform(0.05, 0.6) * ground
    return _worn(b, relief, 0.4)


def peeled_layers(b: Batch) -> Tensor:
    """Draw layers that peeled off: levels of a self-affine height, ragged edges, curled lips."""
    way = b.uniform(0, _TURN)
    high = noise(b, b.log_uniform(25, 160), exponent=b.uniform(0.8, 1.7), angle=way,
                 anisotropy=b.pick(1, 2, 5))  # fmt: skip
    along, _ = turned(b, way)
    level = (high + b.uniform(-1, 1) * along / b.cols) * b.log_uniform(0.6, 3) + b.uniform(0, 1)
    layer, part = torch.floor(level), level - torch.floor(level)
    tables = torch.rand(3, b.size, _ENTRIES, device=b.device)
    coarse, thick, turn = numbers_at(tables, layer, 0 * layer)
    fibre = noise(b, b.log_uniform(2, 12), angle=b.uniform(0, _TURN),
                  anisotropy=b.log_uniform(1, 5), exponent=0.6)  # fmt: skip
    lip = torch.exp(-part / b.uniform(0.03, 0.15)) * (0.4 + thick)
    relief = layer + b.uniform(0, 0.5) * part + b.pick(0, 0.5, 1) * lip
    relief = standardised(relief) + b.uniform(0.1, 0.5) * fibre * (0.2 + 1.6 * coarse * turn)
    return _worn(b, relief, 0.4)


def crazed_facets(b: Batch) -> Tensor:
    """Draw facets, each with a random slope, and crazes that open, fork and close across them."""
    half = Batch(b.size, b.rows // 2 + 1, b.cols // 2 + 1, b.device)  # facets are coarse
    way, wide = b.uniform(0, _TURN), b.log_uniform(5, 45).clamp(max=b.rows / 6)
    along, across = turned(half, way)
    ragged = noise(half, 0.5 * wide, exponent=b.uniform(0.6, 1.2))
    u0 = along / (wide * b.pick(1, 1.5, 3)) + b.uniform(0.1, 0.35) * ragged
    v0 = across / wide - b.uniform(0.1, 0.35) * ragged
    near, second, value, u, v = cells(places(u0, v0, b.uniform(0.25, 0.5), b.pick(0, 0.3)))
    lean = _TURN * torch.remainder(value * 61.7, 1)
    facet = (torch.cos(lean) * u + torch.sin(lean) * v) * (0.3 + value) + b.uniform(0, 0.5) * value
    seam = torch.exp(-(second - near) / b.uniform(0.03, 0.2))
    field = noise(b, b.log_uniform(6, 60), angle=way + b.uniform(0, math.pi),
                  anisotropy=b.log_uniform(1.5, 5), exponent=1.2)  # fmt: skip
    opened = sigmoid(4 * (_slow(b, 6) - b.uniform(-1, 0.5)))
    craze = torch.exp(-((field / b.uniform(0.04, 0.2)) ** 2)) * opened
    coarse = standardised(facet) + b.pick(-0.5, 0, 0.5) * seam + b.uniform(0.1, 0.4) * ragged
    relief = functional.interpolate(coarse[:, None], size=(b.rows, b.cols), mode="bilinear")[:, 0]
    return _worn(b, relief - b.pick(0, 0.6, 1.5) * craze, 0.6)


LASER_LOOKS: tuple[Look, ...] = (spot_lattice, ruled_passes, reciprocal_lattice, glazed_melt)
SCISSOR_LOOKS: tuple[Look, ...] = (
    extruded_profile, nicked_edge, overlapping_strokes, pinched_flanks,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (ridged_ground, branching_rivers, peeled_layers, crazed_facets)
