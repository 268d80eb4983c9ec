"""Looks of cut faces as procedural materials: few bold layers, each known by its structure.

Laser: one stamp scattered on a programmed lattice, distance fields of passes, bubbles as soft
cells along their rows, a worn glaze with gratings that beat. Blade: one profile extruded along
stream lines that run on, parted by grit, banded by chatter, pinched where two blades meet, lapped.
Tearing: gullies combed down the slopes of a ground (in the manner of erosion filters, after
Perlin 1985 and Lagae et al. 2009, from memory), fans of rivers, cups as soft cells (Worley 1996,
from memory), fibrils as noise drawn out along a flow (line integral convolution, Cabral and
Leedom 1993, from memory).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, sigmoid
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, Look, at_line, blur, grained, lines, noise

# isort: split
from edgeqc.training.strip_fields import numbers_at, standardised, turned

_TURN, _LONG, _TABLE = 2 * math.pi, 4096, 8192


def _peak(away: Tensor) -> Tensor:
    return torch.exp(-(away**2).clamp(max=60))


def _grown(b: Batch, plane: Tensor) -> Tensor:
    return functional.interpolate(plane[:, None], size=(b.rows, b.cols), mode="bicubic",
                                  align_corners=True)[:, 0]  # fmt: skip


def _less(b: Batch, times: int) -> Batch:
    return Batch(b.size, b.rows // times + 2, b.cols // times + 2, b.device)


def _soft(b: Batch, length: Tensor, exponent: float = 2.5) -> Tensor:
    """Return slow noise, drawn at a quarter of the resolution."""
    return standardised(_grown(b, noise(_less(b, 4), length / 4, exponent=exponent)))


def _moved(plane: Tensor, d_col: Tensor, d_row: Tensor) -> Tensor:
    """Return a plane read at displaced places (domain warping); mirrored at its ends."""
    rows, cols = plane.shape[-2:]
    col = torch.linspace(-1, 1, cols, device=plane.device) + d_col * (2 / (cols - 1))
    row = torch.linspace(-1, 1, rows, device=plane.device)[:, None] + d_row * (2 / (rows - 1))
    at = torch.stack(torch.broadcast_tensors(col, row), dim=-1)
    return functional.grid_sample(plane[:, None], at, padding_mode="reflection",
                                  align_corners=True)[:, 0]  # fmt: skip


def _drawn_out(plane: Tensor, angle: Tensor, step: Tensor) -> Tensor:
    """Return a plane averaged along a flow, 32 steps long, by doubling."""
    d_col, d_row = torch.cos(angle) * step, torch.sin(angle) * step
    for reach in (1, 2, 4, 8, 16):
        plane = (plane + _moved(plane, reach * d_col, reach * d_row)) / 2
    return plane


def _stamped(b: Batch, col: Tensor, row: Tensor, weight: Tensor, stamp: Tensor) -> Tensor:
    """Return the sum of a stamp's weighted copies at points between samples."""
    plane = torch.zeros(b.size, b.rows * b.cols, device=b.device)
    i, j = torch.floor(row), torch.floor(col)
    for d_i, d_j in ((0, 0), (0, 1), (1, 0), (1, 1)):
        share = (1 - (row - i - d_i).abs()) * (1 - (col - j - d_j).abs()) * weight
        at_i, at_j = i + d_i, j + d_j
        inside = (at_i >= 0) & (at_i < b.rows) & (at_j >= 0) & (at_j < b.cols)
        key = at_i.clamp(0, b.rows - 1).long() * b.cols + at_j.clamp(0, b.cols - 1).long()
        plane.scatter_add_(1, key.flatten(1), (share * inside).flatten(1))
    stamp = torch.roll(stamp, (-(b.rows // 2), -(b.cols // 2)), (1, 2))
    spectrum = torch.fft.rfft2(plane.reshape(b.size, b.rows, b.cols)) * torch.fft.rfft2(stamp)
    return torch.fft.irfft2(spectrum, s=(b.rows, b.cols))


def _lattice(
    b: Batch, pitch: Tensor, stroke: Tensor, angle: Tensor, slip: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Return columns and rows of a programmed lattice, (size, strokes, pulses), stroke numbers."""
    strokes, pulses = int(0.25 * b.rows + 0.1 * b.cols) + 3, int(0.25 * b.cols + 0.1 * b.rows) + 3
    i = torch.arange(strokes, device=b.device)[None, :, None] - float(strokes // 2)
    j = torch.arange(pulses, device=b.device)[None, None, :] - float(pulses // 2)
    slips = slip * (torch.rand(b.size, strokes, 1, device=b.device) - 0.5)
    shift = slips + b.pick(0, 0, 0.5, 0.33) * i
    u, v = (j + shift - torch.round(shift)) * pitch, i * stroke
    cosine, sine = torch.cos(angle), torch.sin(angle)
    return cosine * u - sine * v + b.cols / 2, cosine * v + sine * u + b.rows / 2, i


def _wear(relief: Tensor, scale: Tensor, amount: Tensor) -> Tensor:
    """Return a relief whose crests are worn and whose hollows are filled by so much."""
    relief = standardised(relief)
    smooth = blur(relief, scale)
    return smooth + (relief - smooth) * (1 - amount * sigmoid(3 * (relief - smooth) - 0.5))


def stamped_pulses(b: Batch) -> Tensor:
    """Draw one crater stamped on a lattice: rimmed, overlapping, some lost, some rows stronger."""
    pitch = b.log_uniform(4, 48).clamp(max=b.rows / 4)
    stroke = (pitch * b.pick(0.87, 1, 1, 1.5, 2.2)).clamp(max=b.rows / 2.5)
    tilt = b.some(0.7, -0.22, 0.22)
    col, row, i = _lattice(b, pitch, stroke, tilt, b.pick(0, 0, 0.3, 1))
    shake = b.pick(0.02, 0.05, 0.12) * pitch
    col, row = (x + shake * torch.randn_like(x) for x in (col, row))
    power = (1 + b.uniform(0, 0.4) * torch.randn_like(col)).clamp(0.1, 2)
    kept = torch.rand_like(col) >= b.pick(0, 0, 0.1, 0.25)
    power = power * (1 + b.pick(0, 0, 0.5) * torch.cos(math.pi * i)) * kept
    along, across = turned(b, tilt)
    away = torch.hypot(along, across * b.uniform(0.75, 1.3)) / (pitch * b.uniform(0.28, 0.6))
    crater = b.pick(0, 0.3, 0.7) * _peak((away - 1.15) / 0.28) - _peak(away ** b.pick(1, 1.5, 2.5))
    relief = _stamped(b, col, row, power, crater + b.pick(0, 0.6) * _peak(away / 0.35))
    relief = relief / (1 + b.pick(0, 0.4, 1) * relief.abs())
    weak = 1 - b.some(0.5, 0.3, 0.9) * sigmoid(3 * _soft(b, b.uniform(0.05, 0.2) * b.rows))
    relief = _wear(relief * weak, pitch / 5 + 0.5, b.some(0.4, 0.3, 1))
    return grained(b, relief, 0.7, 6, 0.6)


def grooved_passes(b: Batch) -> Tensor:
    """Draw grooves of passes as a distance field: lips, scalloped walls; some hatched or ending."""
    pitch, tilt = b.log_uniform(5, 70).clamp(max=b.rows / 3), b.pick(0, 0, math.pi / 2)
    along, across = turned(b, tilt + b.some(0.7, -0.22, 0.22))
    relief, soft = 0 * across, b.some(0.5, 0, 0.12) * _soft(b, 2 * pitch)
    for share in (b.pick(1), b.some(0.3, 0.3, 1)):
        number = torch.floor(v := across / pitch + soft + 0.5)
        tables = torch.rand(3, b.size, _TABLE, device=b.device)
        depth, phase, end = numbers_at(tables, number, 0 * number)
        pulse = along / (pitch * b.pick(0.3, 0.5, 0.8)) + b.pick(0, 1) * phase
        pulse = torch.cos(_TURN * pulse)
        away, width = (v - number - 0.5).abs() - b.pick(0, 0.05, 0.1) * pulse, b.uniform(0.12, 0.34)
        groove = b.pick(0, 0.4, 0.8) * _peak((away - 1.25 * width) / (0.3 * width))
        groove = groove - sigmoid((width - away) / b.log_uniform(0.02, 0.12))
        groove = groove * (1 + b.pick(0, 0.3, 0.8) * pulse) * (1 - b.pick(0.1, 0.5, 0.9) * depth)
        reach = b.pick(0.3, 0.7, 2, 2) * b.cols * (1 + b.pick(0, 0, 0.2) * (end - 0.5))
        relief = relief + share * groove * sigmoid((reach - along.abs()) / (0.2 * pitch))
        along, across, pitch = across, along, pitch * b.pick(0.7, 1, 1.6)
    melt, where = noise(b, b.log_uniform(0.8, 8)), 0.3 + b.pick(0, 1) * (-relief).clamp(0, 1)
    return standardised(standardised(relief) + b.uniform(0.05, 0.6) * melt * where)


def bubble_rows(b: Batch) -> Tensor:
    """Draw gas bubbles strung on programmed rows, merging where near; films between them."""
    pitch = b.log_uniform(5, 50).clamp(max=b.rows / 4)
    stroke = (pitch * b.log_uniform(0.9, 2.5)).clamp(max=b.rows / 2.5)
    tilt = b.some(0.7, -0.22, 0.22)
    col, row, _ = _lattice(b, pitch, stroke, tilt, b.pick(0, 1))
    col = col + b.pick(0.05, 0.15, 0.3) * pitch * torch.randn_like(col)  # mostly along the row
    row = row + b.uniform(0.02, 0.1) * pitch * torch.randn_like(row)
    size = torch.exp(b.uniform(0.2, 1.3) * torch.randn_like(col).clamp(-2, 2))
    size = size * (torch.rand_like(col) >= b.pick(0, 0.15, 0.4))
    along, across = turned(b, tilt)
    stamp = _peak(torch.hypot(along, across * b.uniform(0.8, 1.3)) / pitch / b.uniform(0.28, 0.42))
    near = _stamped(b, col, row, size, stamp)
    far = -torch.log(near.clamp(min=1e-4)) - b.uniform(0.3, 1.6)  # 0 on the bubbles' walls
    hollow, depth = sigmoid(-far * b.log_uniform(1.5, 9)), b.pick(0, 0.2, 0.5) * (-far).clamp(0, 3)
    rim = b.pick(0, 0.4, 1) * _peak((far - 0.2) / b.uniform(0.25, 0.6))
    seam = _peak((across / stroke + 0.5) % 1 * 6 - 3) * b.pick(0, 0, -0.4, 0.4)
    relief = rim - hollow * (1 + depth) * b.pick(1, 1, 1, -1) + seam
    film = noise(b, b.log_uniform(1, 10), exponent=0.9) * (1.1 - hollow)
    return standardised(standardised(relief) + b.pick(0.05, 0.2, 0.5) * film)


def glazed_melt(b: Batch) -> Tensor:
    """Draw a glaze of warped melt and even grain; ghosts of passes almost too fine, which beat."""
    length = b.log_uniform(3, 20)
    melt, way = _soft(b, length), _soft(b, 2 * length)
    melt = _moved(melt, b.uniform(0, 1.5) * length * way, b.uniform(0, 1.5) * length * way)
    grain = noise(b, b.log_uniform(0.5, 2.5), exponent=b.uniform(0, 0.8))
    pitch, tilt = b.log_uniform(2.3, 20), b.some(0.7, -0.22, 0.22) + b.pick(0, 0, math.pi / 2)
    ghost, sharp = 0 * grain, b.uniform(0.5, 3)
    for share in (b.uniform(0.6, 1), b.some(0.6, 0.4, 1)):
        wave = torch.cos(_TURN * turned(b, tilt)[1] / pitch + b.uniform(0, 0.5) * melt)
        ghost = ghost + share * torch.tanh(sharp * wave + b.uniform(-0.8, 0.8))
        tilt = tilt + b.uniform(-0.12, 0.12) + b.pick(0, 0, math.pi / 2)
        pitch = (pitch * b.uniform(0.86, 1.16)).clamp(min=2.2)
    ghost = standardised(ghost) * b.pick(0, 0.15, 0.4, 1, 2) * sigmoid(b.uniform(0, 3) * way + 1)
    pores = blur(((grain + ghost - b.uniform(1.8, 2.8)) * 2).clamp(0, 2), b.log_uniform(0.7, 2.5))
    relief = b.uniform(0, 0.7) * melt + b.log_uniform(0.2, 1) * grain + ghost
    relief = standardised(relief - b.pick(0, 1, 3) * pores)
    return standardised(_wear(relief, b.log_uniform(1, 4), b.uniform(0, 0.7)))


def _profile(b: Batch) -> Tensor:
    """Return an edge's profile, (size, _LONG): bundles of fine lines, slow form, rare scores."""
    slow, gate = (lines(b.size, _LONG, b.log_uniform(8, 90)[:, 0], b.device) for _ in range(2))
    fine, rare = (lines(b.size, _LONG, b.log_uniform(0.8, 6)[:, 0], b.device) for _ in range(2))
    fold = torch.where(b.chance(0.4)[:, 0] > 0, 1 - 1.6 * fine.abs(), fine)  # sharp crests
    scores = (rare - b.uniform(1.3, 2.3)[:, 0]).clamp(min=0) * b.pick(-3, -2, 2)[:, 0]
    bundle = fold * sigmoid(b.uniform(0, 4)[:, 0] * gate + 0.6)
    return bundle + b.pick(0, 0.4, 1)[:, 0] * slow + b.pick(0, 0.7, 1.5)[:, 0] * scores


def _extruded(b: Batch, position: Tensor) -> Tensor:
    return standardised(at_line(_profile(b), position + _LONG / 2))


def _bent(b: Batch, tilt: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across gently bent stream lines."""
    along, across = turned(b, tilt)
    bow = b.some(0.5, -0.25, 0.25) * along**2 / b.cols
    swing = b.some(0.5, 0, 0.05) * b.cols * torch.sin(_TURN * along / b.cols * b.uniform(0.3, 1))
    return along, across + bow + swing


def chatter_flutes(b: Batch) -> Tensor:
    """Draw bands of a chattering edge, steep on one side, the edge's lines running through."""
    (along, across), period = _bent(b, b.uniform(0, _TURN)), b.log_uniform(7, 90)
    skew = along + b.uniform(-0.5, 0.5) * across
    pulse = lines(b.size, _LONG, b.log_uniform(20, 300)[:, 0], b.device)
    phase = skew / period + b.pick(0, 0.2, 0.6) * at_line(pulse, skew + _LONG / 2)
    phase = phase + b.pick(0, 0.05, 0.12) * _soft(b, period)
    part, steep = phase - torch.floor(phase), b.uniform(0.55, 0.95)
    band = torch.minimum(part / steep, (1 - part) / (1 - steep))
    beat = numbers_at(torch.rand(b.size, 997, device=b.device), torch.floor(phase), 0 * phase)
    band = b.either(band - 0.5, torch.cos(_TURN * phase) / 2) * (1 - b.pick(0, 0.4, 0.9) * beat)
    fade = sigmoid(b.uniform(0, 4) * (_soft(b, b.uniform(0.05, 0.25) * b.rows) + 0.5))
    drawn = _extruded(b, across + b.pick(0, 0.02, 0.06) * period * band)
    drawn = drawn * (1 + b.uniform(-1, 1) * band)
    relief = standardised(band * fade) * b.log_uniform(0.35, 1.6) + drawn * b.log_uniform(0.5, 1.5)
    return grained(b, relief, 0.8, 5, 0.5)


def grit_gouges(b: Batch) -> Tensor:
    """Draw stream lines that part around hard grains, with gouges which start there and run on."""
    along, across = _bent(b, b.uniform(0, _TURN))
    stream, plough = across, torch.zeros_like(across)
    for _ in range(5):
        x, y = b.uniform(-0.5, 0.4) * b.cols, b.uniform(-0.45, 0.45) * b.rows
        size = b.log_uniform(2, 16) * b.chance(0.8)
        u, v = along - x, across - y
        stream = stream - v * size**2 / (u**2 + v**2 + 2 * size**2 + 1)
        away = v.abs() / (size * b.uniform(0.3, 0.6) + 0.3)
        score = b.uniform(0, 1) * _peak((away - 1.3) / 0.4) - _peak(away)
        on = sigmoid((u / (size + 0.5)).clamp(-30, 30)) * (size > 0)
        plough = plough + b.uniform(-0.5, 1.5) * score * on
    drawn = _extruded(b, stream) * b.log_uniform(0.4, 1.2)
    fade = sigmoid(b.uniform(0, 2) * _soft(b, b.uniform(0.05, 0.25) * b.rows) + 1)
    return grained(b, drawn * fade + b.uniform(0.4, 1.4) * plough, 0.8, 4, 0.4)


def pinched_line(b: Batch) -> Tensor:
    """Draw lines of two blades that meet at a pinch: a ridge or lip, squeezed waves along it."""
    along, across = turned(b, b.some(0.8, -0.3, 0.3))
    line = lines(b.size, _LONG, b.log_uniform(60, 300)[:, 0], b.device)
    wavy = at_line(line, along + _LONG / 2) * b.uniform(0, 0.02)
    away = across + (wavy + b.uniform(-0.35, 0.35)) * b.rows
    bow, relief = b.uniform(-0.3, 0.3) * away.abs() / b.rows, 0 * away
    for sign in (-1, 1):  # each blade on its side, with a direction and a level of its own
        side = sigmoid((sign * away / b.log_uniform(0.6, 4)).clamp(-30, 30))
        drawn = _extruded(b, along + away * (b.uniform(-1.3, 1.3) + bow)) * b.uniform(0.4, 1)
        relief = relief + (drawn + b.uniform(-1, 1)) * side
    reach = b.uniform(0.02, 0.1) * b.rows + 2
    wave = torch.sin(_TURN * away / (reach * b.uniform(0.4, 1.2)) + _soft(b, 2 * reach))
    squeezed = wave * _peak(away / (2 * reach)) * b.pick(0, 0.5, 1)
    rag = 1 + 0.4 * noise(b, b.log_uniform(2, 12))
    ridge = _peak(away / (reach * b.uniform(0.15, 0.6))) * b.pick(-1.5, 1, 2.5) * rag
    return grained(b, relief + squeezed + ridge, 0.8, 5, 0.5)


def lapped_smear(b: Batch) -> Tensor:
    """Draw smeared laps, shingled along the drag with lobed fronts, lines running over them."""
    (along, across), length = _bent(b, b.uniform(0, _TURN)), b.log_uniform(20, 160)
    lobes = lines(b.size, _LONG, (length * b.uniform(0.06, 0.3))[:, 0], b.device)
    phase = along / length + b.uniform(0.1, 0.5) * at_line(lobes, across + _LONG / 2)
    phase = phase + b.uniform(0.05, 0.3) * _soft(b, length / 4)
    level, part = torch.floor(phase), phase - torch.floor(phase)
    found = numbers_at(torch.rand(2, b.size, 997, device=b.device), level, 0 * level)
    lap = part * (1 - torch.exp((part - 1) / b.log_uniform(0.02, 0.15))) * (0.3 + found[0])
    lip = _peak((part - 0.93) / 0.06) * b.pick(0, 0.3, 0.8)
    shift = b.pick(0, 0, 0.05) * length * found[1]  # a lap carries its lines a little aside
    drawn = _extruded(b, across + shift) * (1 - b.pick(0, 0.4, 0.8) * part)
    relief = standardised(lap + lip) * b.log_uniform(0.3, 1.2) + b.log_uniform(0.6, 1.6) * drawn
    return grained(b, relief, 0.8, 5, 0.5)


def _combed(
    b: Batch, d_col: Tensor, d_row: Tensor, wave: Tensor, order: Tensor
) -> tuple[Tensor, Tensor]:
    """Return cosine and sine of stripes that run along directions (of length 1) and fork freely.

    The stripes are a wave apart; patches of so many stripes (the order) agree in phase.
    """
    col, row = turned(b, 0 * wave)
    size = wave * order
    warp = _soft(b, size / 3) * 0.3
    p, q = col / size + warp, row / size - warp
    i, j = torch.floor(q), torch.floor(p)
    fade_p, fade_q = (f * f * (3 - 2 * f) for f in (p - j, q - i))
    table = torch.rand(b.size, _TABLE, device=b.device)
    cosine, sine = torch.zeros_like(warp), torch.zeros_like(warp)
    for d_i, d_j in ((0, 0), (0, 1), (1, 0), (1, 1)):
        weight = (fade_q if d_i else 1 - fade_q) * (fade_p if d_j else 1 - fade_p)
        off_col, off_row = col - (j + d_j) * size, row - (i + d_i) * size
        phase = (off_row * d_col - off_col * d_row) / wave
        phase = _TURN * (phase + numbers_at(table, i + d_i, j + d_j))
        cosine, sine = cosine + weight * torch.cos(phase), sine + weight * torch.sin(phase)
    norm = torch.rsqrt(cosine**2 + sine**2 + 0.02)
    return cosine * norm, sine * norm


def gullied_ground(b: Batch) -> Tensor:
    """Draw an undulating ground whose slopes bear hackle, ridges with side ridges running down."""
    h, wave = _less(b, 2), b.log_uniform(2.5, 22)
    ground = _soft(h, wave * b.uniform(1, 4), 1.8)
    d_row, d_col = torch.gradient(ground, dim=(1, 2))
    steep = torch.hypot(d_row, d_col).mean(dim=(1, 2), keepdim=True) + 1e-6
    way, common = b.uniform(0, _TURN), b.pick(0, 1, 1) * b.uniform(0.5, 3)  # it may lean
    d_col, d_row = d_col / steep + common * torch.cos(way), d_row / steep + common * torch.sin(way)
    relief, height, sharp = ground * b.uniform(0.2, 1.2), b.uniform(0.3, 0.9), b.chance(0.6) > 0
    strength = torch.tanh(b.uniform(0.7, 2) * torch.hypot(d_col, d_row))
    for share in (1.0, 0.5):
        d_col, d_row = (d / (torch.hypot(d_col, d_row) + 1e-6) for d in (d_col, d_row))
        ridge, flank = _combed(h, d_col, d_row, wave, b.uniform(1.2, 3))
        ridge = torch.where(sharp, 1 - 1.6 * flank.abs(), ridge)
        relief = relief + share * height * ridge * strength
        turn = b.uniform(0.3, 0.9) * flank  # side ridges leave the first at an angle
        d_col, d_row = d_col - turn * d_row, d_row + turn * d_col
        wave = (wave * b.uniform(0.35, 0.6)).clamp(min=2)
    return grained(b, _grown(b, relief), 0.8, 8, 0.6)


def river_fan(b: Batch) -> Tensor:
    """Draw rivers that fan from an origin, step by step, fork, fade and end."""
    h, wave = _less(b, 2), b.log_uniform(2.5, 24)
    col, row = turned(h, 0 * wave)
    x = col - b.uniform(-1, 1) * h.cols
    y = row - b.pick(-1, 1) * b.uniform(0, 1.2) * h.rows
    bend = b.uniform(0.1, 0.5) * _soft(h, wave * b.log_uniform(1, 3))
    angle = torch.atan2(y, x + 0.013) + bend
    cosine, sine = _combed(h, torch.cos(angle), torch.sin(angle), wave, b.log_uniform(1.5, 8))
    phase = torch.atan2(sine, cosine + 1e-4) / math.pi
    step = phase - torch.tanh(phase * b.uniform(2, 8))  # one steep flank, one gentle
    ridge = torch.exp(-phase.abs() / b.uniform(0.1, 0.5))
    life = _soft(h, wave * b.uniform(0.6, 3))
    rivers = standardised(b.either(step, ridge)) * b.pick(-1, 1)
    rivers = rivers * sigmoid(b.uniform(0.5, 5) * (life + b.uniform(-0.3, 1)))
    past = torch.hypot(x, y) / (b.uniform(0.1, 0.6) * h.rows)
    rivers = standardised(rivers * b.either(past / (1 + past), torch.ones_like(past)))
    ground = noise(b, b.log_uniform(2, 30), exponent=b.uniform(0.6, 1.6))
    relief = _grown(b, rivers + b.pick(0, 0.5, 1) * life) + b.uniform(0.1, 0.8) * ground
    return grained(b, relief, 0.7, 4, 0.4)


def _cups(b: Batch, spacing: Tensor, angle: Tensor, long: Tensor) -> Tensor:
    """Return squared distances to the nearest of random points, softly: cups with sharp rims."""
    count = b.rows * b.cols // 25 + 16
    col = torch.rand(b.size, count, device=b.device) * b.cols
    row = torch.rand(b.size, count, device=b.device) * b.rows
    kept = torch.rand(b.size, count, device=b.device) < (25 / spacing**2)[:, 0]
    weight = torch.exp(b.uniform(0, 1.8)[:, 0] * torch.randn(b.size, count, device=b.device))
    along, across = turned(b, angle)
    stamp = _peak(torch.sqrt(along**2 / long + across**2 * long) / (0.42 * spacing))
    return -torch.log(_stamped(b, col, row, weight.clamp(0.02, 20) * kept, stamp).clamp(min=1e-5))


def dimpled_cups(b: Batch) -> Tensor:
    """Draw dimples of all sizes, sharp rims between, drawn out to tongues where sheared."""
    spacing, angle = b.log_uniform(6, 60), b.uniform(0, _TURN)
    cups = _cups(b, spacing, angle, b.pick(1, 1, 1.5, 2.5))
    fine = _cups(b, (spacing * b.uniform(0.25, 0.5)).clamp(min=5), angle, b.pick(1, 1.5))
    relief = standardised(b.either(cups, torch.sqrt((cups + 4).clamp(min=0.05))))
    where = sigmoid(b.uniform(1, 4) * (relief + b.uniform(-1, 1)))  # the small on the rims
    relief = relief + b.pick(0, 0.4, 0.8) * standardised(fine) * where
    reach = b.pick(0, 0, 0.25, 0.5) * spacing.clamp(max=25) * relief.clamp(-2, 2)
    relief = _moved(relief, reach * torch.cos(angle), reach * torch.sin(angle))
    ground = _soft(b, b.log_uniform(10, 50), 1.5)
    patch = sigmoid(b.uniform(0, 4) * (ground + b.uniform(-0.3, 1.5)))
    relief = standardised(relief * patch) + b.uniform(0, 1) * ground
    return grained(b, relief, 0.8, 5, 0.5)


def pulled_fibrils(b: Batch) -> Tensor:
    """Draw fibrils pulled out along a wandering flow, tangled in two heights, over torn ground."""
    h, wide, base = _less(b, 2), b.log_uniform(0.7, 3), b.uniform(0, _TURN)
    relief = b.uniform(0.3, 1) * (ground := _soft(h, b.log_uniform(3, 20), 1.5))
    for share in (b.pick(1), b.chance(0.7)):
        angle = base + b.uniform(0.2, 1) * _soft(h, wide * b.log_uniform(7, 30))
        drawn = _drawn_out(noise(h, wide, exponent=2.0), angle, wide * b.uniform(0.8, 2.2))
        fibril = torch.sqrt((standardised(drawn) - b.uniform(-0.5, 1)).clamp(min=0) + 0.01)
        fibril = fibril * b.uniform(1, 2.2) * (0.7 + 0.3 * ground)
        relief = torch.maximum(relief, share * (fibril + relief.mean(dim=(1, 2), keepdim=True)))
        base = base + b.uniform(-1.2, 1.2)
    frayed = sigmoid(b.uniform(0, 4) * (_soft(h, b.uniform(0.03, 0.15) * b.rows) + 0.6))
    relief = ground * b.uniform(0, 0.4) + standardised(relief) * (0.2 + frayed)
    return grained(b, _grown(b, relief), 0.7, 5, 0.5)


LASER_LOOKS: tuple[Look, ...] = (stamped_pulses, grooved_passes, bubble_rows, glazed_melt)
SCISSOR_LOOKS: tuple[Look, ...] = (chatter_flutes, grit_gouges, pinched_line, lapped_smear)
TORN_LOOKS: tuple[Look, ...] = (gullied_ground, river_fan, dimpled_cups, pulled_fibrils)
