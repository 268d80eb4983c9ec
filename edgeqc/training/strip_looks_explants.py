"""Looks of cut faces as dried, sputtered explants show them: soft polymers that have relaxed.

Laser: cavitation bubbles on the programmed spots join to a wall; where they hardly join, tissue
bridges, tongues and a wall like crumpled paper remain (Vogel 2005, from memory). The polymer
relaxes: pits soften, the pitch stays. Scissors squeeze before they cut: pressed bands, a step for
each bite, fine parallel drag lines, laps of smeared film, a pinch line where the blades pass.
Tears peel: tongues, sheets, strings, wrinkles of a relaxed skin and matte granular ground.
All dry alike: rims of the last water, dull zones and the coating's grain lie on any face, hence
the grain of two zones may be the same and only its arrangement tell them apart.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, sigmoid
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, Look, at_line, blur, lines, noise

# isort: split
from edgeqc.training.strip_fields import numbers_at, standardised, turned

_EDGE, _ENTRIES, _NODES, _TURN = 4096, 8192, 96, 2 * math.pi
_CLOSEST = 4.0  # samples between the closest resolved pulses


def _crest(away: Tensor) -> Tensor:
    return torch.exp(-(away.clamp(-6, 6) ** 2))


def _calm(b: Batch, length: Tensor) -> Tensor:
    """Return a slow field without detail, read from a coarse turned net of random numbers."""
    along, across = turned(b, b.uniform(0, _TURN))
    at = torch.stack([along, across], dim=-1) * (2 / _NODES / length[..., None])
    net = torch.randn(b.size, 1, _NODES, _NODES, device=b.device)
    drawn = functional.grid_sample(
        net, at, mode="bicubic", padding_mode="reflection", align_corners=False
    )
    return 1.35 * drawn[:, 0]


def _gone(field: Tensor) -> Tensor:
    """Return about how many samples away a field's zero line lies, with the field's sign."""
    down = functional.pad(field[:, 2:] - field[:, :-2], (0, 0, 1, 1), mode="replicate")
    along = functional.pad(field[:, :, 2:] - field[:, :, :-2], (1, 1), mode="replicate")
    slope = torch.sqrt(down**2 + along**2) / 2
    return field / (slope + 0.15 * slope.mean(dim=(-2, -1), keepdim=True) + 1e-6)


def _aged(b: Batch, relief: Tensor, most: float = 0.5) -> Tensor:
    """Dry and coat a relief: dull zones, rims where the last water stood, grain."""
    relief = standardised(relief)
    dull = sigmoid(5 * (_calm(b, b.uniform(0.15, 0.6) * b.rows) - b.pick(0.2, 0.7, 1.4)))
    softer = blur(relief, b.log_uniform(1.2, 7))
    relief = relief + b.some(0.5, 0.3, 0.95) * dull * (softer - relief)
    width = b.log_uniform(0.8, 5)
    shore = _gone(_calm(b, b.uniform(0.2, 0.7) * b.rows) - b.uniform(0.3, 1.5)) + width * softer
    rim = _crest(shore / width) * sigmoid(2 * softer)  # the water breaks off and thins out
    film = 0.3 * torch.exp(-shore.clamp(0, 200) / (12 * width)) * (shore > 0)
    relief = relief + b.some(0.25, 0.3, 1.4) * (rim + film)
    grain = noise(b, b.log_uniform(0.7, 8), exponent=b.uniform(0.1, 1.6))
    return standardised(relief + b.pick(0, 0.3, 1, 1) * b.uniform(0, most) * grain)


def _walk(b: Batch, length: Tensor, at: Tensor) -> Tensor:
    """Return a random line with a correlation length, read at positions about 0."""
    return at_line(lines(b.size, _EDGE, length[:, 0], b.device), at + _EDGE / 2)


def _sown(b: Batch, angle: Tensor, spot: Tensor, line: Tensor, jitter: Tensor) -> Tensor:
    """Return the energies of pulses at their places of a programmed lattice, 0 elsewhere."""
    reach = int(0.55 * math.hypot(b.rows, b.cols) / _CLOSEST) + 1
    count = 2 * reach + 1
    step = torch.arange(-reach, reach + 1, device=b.device, dtype=torch.float32)
    own = torch.randn(3, b.size, count, count, device=b.device)
    slip = b.pick(0, 0, 0.15, 1) * torch.randn(b.size, count, 1, device=b.device)
    along = step[None, None, :] + slip + b.pick(0, 0.5) * step[None, :, None] + jitter * own[0]
    along = (torch.remainder(along + reach, count) - reach) * spot  # staggered lines stay inside
    across = (step[None, :, None] + 0.6 * jitter * own[1]) * line
    row = torch.sin(angle) * along + torch.cos(angle) * across + b.rows / 2
    col = torch.cos(angle) * along - torch.sin(angle) * across + b.cols / 2
    inside = (row >= 0) & (row < b.rows) & (col >= 0) & (col < b.cols)
    lost = torch.rand_like(row) < b.pick(0, 0, 0.05, 0.2)
    energy = torch.exp(b.pick(0.1, 0.3, 0.6) * own[2].clamp(-2, 2)) * inside * ~lost
    place = (row.long().clamp(0, b.rows - 1) * b.cols + col.long().clamp(0, b.cols - 1)).flatten(1)
    plane = torch.zeros(b.size, b.rows * b.cols, device=b.device)
    return plane.scatter_add(1, place, energy.flatten(1)).reshape(b.size, b.rows, b.cols)


def _way(b: Batch) -> Tensor:
    """Return a direction of passes: along the strip, across it, or a little off."""
    return b.pick(0, 0, 0, math.pi / 2) + b.some(0.6, -0.3, 0.3)


def joined_bubbles(b: Batch) -> Tensor:
    """Draw cavitation bubbles on spots and lines that join to a wall, with rims and late gas."""
    angle, spot = _way(b), b.log_uniform(_CLOSEST, 40).clamp(max=b.rows / 5)
    line = (spot * b.log_uniform(0.8, 2.5)).clamp(min=_CLOSEST)
    wide = b.uniform(0.17, 0.42) * spot
    pulses = _sown(b, angle, spot, line, b.pick(0, 0.06, 0.12, 0.22))
    gas = blur(pulses, wide) * (_TURN * wide**2)
    gas = gas * torch.exp(b.some(0.6, 0.1, 0.5) * _calm(b, b.uniform(0.2, 0.8) * b.rows))
    late = b.uniform(1.6, 3.5) * wide  # a few bubbles grow on and swallow their neighbours
    few = pulses * (torch.rand_like(pulses) < b.pick(0.01, 0.04)) * b.chance(0.5)
    grown = blur(few, late) * (_TURN * late**2)
    level = b.uniform(0.3, 0.7)
    wall = -sigmoid(b.uniform(1.5, 7) * (gas - level) / level)
    wall = torch.minimum(wall, -1.3 * sigmoid(9 * (grown - 0.4)))
    wall = wall - b.uniform(0, 0.3) * torch.tanh(gas - level)
    rim = b.pick(0, 0, 0.4, 0.9) * _crest((gas - 0.6 * level) / (0.25 * level))
    return _aged(b, blur(wall + rim, b.log_uniform(0.3, 2)))


def tissue_wall(b: Batch) -> Tensor:
    """Draw a wall like crumpled tissue paper: creased cusps of passes, torn bridges in lines."""
    along, across = turned(b, _way(b))
    line, sway = b.log_uniform(5, 60).clamp(max=b.rows / 4), b.uniform(0.02, 0.2)
    spot = line * b.log_uniform(0.35, 1.2)
    crumple = noise(b, line * b.uniform(0.3, 1.2), exponent=b.uniform(0.6, 1.6))
    v = across / line + sway * crumple + b.uniform(0, 0.25) * _calm(b, 5 * line)
    which, power = torch.floor(v), b.uniform(0.4, 2.5)
    table = torch.rand(2, b.size, _ENTRIES, device=b.device)
    shift = numbers_at(table[0], which, 0 * which)
    u = along / spot + b.pick(0, 0.15, 1) * shift + 1.4 * sway * crumple
    kept = numbers_at(table[1], which, torch.floor(u))  # what of a bridge is left
    seam = 1 - torch.sin(math.pi * v).abs().clamp(min=1e-3) ** power
    bridge = 1 - torch.sin(math.pi * u).abs().clamp(min=1e-3) ** power
    worn = 0.25 + sigmoid(3 * _calm(b, b.uniform(0.2, 0.7) * b.rows) + b.uniform(-1, 2))
    net = b.uniform(0.5, 1.2) * seam + b.uniform(0, 0.9) * bridge * (kept > b.pick(0, 0.4, 0.7))
    return _aged(b, worn * net - b.uniform(0.05, 0.55) * crumple.abs().clamp(max=1.5), 0.4)


def tongued_layers(b: Batch) -> Tensor:
    """Draw layers of passes whose free edges are scalloped by the pulses; some hang as tongues."""
    (along, across), layer = turned(b, _way(b)), b.log_uniform(10, 90).clamp(max=b.rows / 3)
    spot = (layer * b.log_uniform(0.25, 1.0)).clamp(min=3)
    v = across * b.pick(-1, 1) / layer + b.uniform(0, 0.25) * _calm(b, 4 * layer)
    ragged = noise(b, 0.3 * spot, exponent=1.2)
    u = along / spot + 0.08 * ragged
    which, table = torch.floor(v), torch.rand(3, b.size, _ENTRIES, device=b.device)
    u = u + b.pick(0, 0.5, 1) * numbers_at(table[0], which, 0 * which)
    cell = torch.floor(u)
    found = numbers_at(table[1:], which, cell)
    bow = (4 * (u - cell) * (1 - u + cell)).clamp(0, 1) ** b.uniform(0.4, 1)
    hang = 1 + b.uniform(0.5, 2) * (found[0] < b.pick(0, 0.1, 0.3))
    reach = (b.uniform(0.15, 0.4) * hang * (0.7 + 0.6 * found[1]) * bow).clamp(max=0.95)
    deep = v - which  # 0 at the upper layer's lower edge
    past = (deep - reach) * layer + b.uniform(0, 0.6) * ragged
    width = b.log_uniform(0.6, 4)
    over = sigmoid(-past / width)
    lip = b.pick(0, 0.4, 0.9) * _crest((past + 1.5 * width) / (1.5 * width))
    risen = deep.clamp(min=1e-3) ** b.uniform(0.7, 3)  # on to the next layer, without a step
    return _aged(b, over + lip + (1 - over) * risen + b.uniform(0, 0.3) * ragged)


def relaxed_passes(b: Batch) -> Tensor:
    """Draw a relaxed wall: faint rounded passes of one pitch, moire of two layers, hardly more."""
    angle, pitch = _way(b), b.log_uniform(5, 70).clamp(max=b.rows / 3)
    shrunk = b.uniform(0, 0.3) * _calm(b, b.uniform(0.4, 1) * b.rows) * b.rows * 0.06
    relief = torch.zeros_like(shrunk)
    for turn, strength in ((0.0, b.pick(1.0)), (0.06, b.some(0.5, 0.3, 0.9)),
                           (math.pi / 2, b.some(0.5, 0.2, 0.8))):  # fmt: skip
        along, across = turned(b, angle + turn * b.uniform(0.8, 1))
        wave = _TURN * (across + shrunk) / (pitch * b.uniform(0.9, 1.1)) + _TURN * b.uniform(0, 1)
        fading = 0.1 + sigmoid(3 * _calm(b, b.uniform(0.3, 0.9) * b.rows) + b.uniform(0, 2.5))
        pulse = 1 + b.some(0.5, 0.1, 0.5) * torch.sin(_TURN * along / (0.6 * pitch))
        rounded = torch.sin(wave + b.uniform(0, 0.8) * torch.sin(wave))
        relief = relief + strength * fading * rounded * pulse
    relief = standardised(relief) + b.pick(0, 0.3, 1) * _calm(b, b.uniform(0.1, 0.5) * b.rows)
    return _aged(b, relief, 0.9)


def matted_spots(b: Batch) -> Tensor:
    """Draw a fine granular wall: pulses hardly resolved, unequal lines, fields set side by side."""
    (along, across), pitch = turned(b, _way(b)), b.log_uniform(2.2, 9)
    line = (pitch * b.log_uniform(0.8, 2)).clamp(max=b.rows / 8)
    stray = b.uniform(0.05, 0.35) * noise(b, 1.5 * pitch, exponent=1.2)
    field = torch.floor(along / (b.uniform(0.15, 0.8) * b.cols) + b.uniform(0, 1))
    table = torch.rand(4, b.size, _ENTRIES, device=b.device)
    set_by = b.chance(0.5) * (numbers_at(table[0], field, 0 * field) - 0.5)
    v = across / line + set_by + b.uniform(0, 0.12) * _calm(b, 8 * line) + 0.5 * stray
    which = torch.floor(v)
    shift, stripe = numbers_at(table[1:3], which, field)
    u = along / pitch + stray + b.pick(0, 0.2, 1) * shift
    uneven, bed = b.uniform(0.3, 1), torch.sin(math.pi * (v - which)).clamp(min=0)
    grain = bed * torch.sin(math.pi * (u - torch.floor(u))).clamp(min=0)
    grain = grain * (1 - uneven + 2 * uneven * numbers_at(table[3], which, torch.floor(u)))
    grain = grain + (stripe - 0.5) * bed * b.uniform(0, 1.2)
    grain = b.pick(-1, 1) * grain + 0.3 * set_by
    return _aged(b, blur(grain, pitch * b.log_uniform(0.12, 0.45)), 0.7)


def _combed(b: Batch, across: Tensor, fine: Tensor) -> Tensor:
    """Return the profile that a blade's edge drags along its path, read across that path."""
    body = lines(b.size, _EDGE, fine[:, 0], b.device)
    broad = lines(b.size, _EDGE, (fine * b.log_uniform(4, 15))[:, 0], b.device)
    nick = lines(b.size, _EDGE, (0.7 * fine + 0.3)[:, 0], b.device)
    nick = functional.relu(nick - 1.6) * b.pick(-3, -3, 2)[:, 0]
    edge = body + b.uniform(0, 1.2)[:, 0] * broad + b.uniform(0, 1)[:, 0] * nick
    return at_line(edge, across + _EDGE / 2)


def _course(b: Batch, angle: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a blade's gently bent path."""
    along, across = turned(b, angle)
    bend = b.some(0.7, -0.25, 0.25) / b.cols
    sway = b.some(0.4, 0.5, 5) * _walk(b, b.uniform(100, 400), along)
    return along, across + bend * along**2 + sway


def pressed_bites(b: Batch) -> Tensor:
    """Draw the bites of scissors: a pressed band, then drag lines, a step where the next begins."""
    along, across = _course(b, b.uniform(-0.4, 0.4) + b.pick(0, math.pi / 2))
    bite = b.uniform(0.12, 0.8) * b.pick(b.rows, b.rows, b.cols)
    curve = b.uniform(-0.5, 0.5) * across**2 / b.rows + b.uniform(-0.6, 0.6) * across
    ragged = _walk(b, b.log_uniform(4, 60), across)
    s = (along + curve + b.log_uniform(0.5, 6) * ragged) / bite + b.uniform(0, 1)
    which = torch.floor(s + 0.25 * torch.sin(2.4 * s))
    own = numbers_at(torch.randn(3, b.size, _ENTRIES, device=b.device), which, 0 * which)
    gone = s + 0.25 * torch.sin(2.4 * s) - which  # 0 to 1 within a bite
    tilt = b.pick(0, 0.04, 0.12) * own[0].clamp(-2, 2)
    drag = _combed(b, across + tilt * along + b.pick(0, 30) * own[1], b.log_uniform(1, 10))
    pressed = sigmoid((b.uniform(0.1, 0.55) - gone) * b.uniform(8, 40))
    drag = drag * (1 - b.uniform(0.4, 1) * pressed) * (0.5 + sigmoid(own[2]))
    step = own[1] * b.uniform(0.1, 0.8) + b.uniform(-1, 1) * gone
    lip = b.pick(0, 0.6, 1.5) * _crest(gone * bite / b.log_uniform(1.5, 8))
    return _aged(b, b.uniform(0.3, 1.3) * drag + step + lip - b.uniform(0, 0.7) * pressed)


def pinched_face(b: Batch) -> Tensor:
    """Draw a face squeezed between two blades: pressed bands, drag of each, a pinch line."""
    col, row = turned(b, b.pick(0.0))
    path = _walk(b, b.uniform(30, 250), col)
    pinch = row - b.rows * (b.uniform(-0.4, 0.4) + b.uniform(0.005, 0.06) * path)
    lean = b.uniform(-0.9, 0.9)
    _, upper = _course(b, math.pi / 2 + lean)
    _, lower = _course(b, math.pi / 2 + lean + b.pick(0, 0.15, 0.5) * b.uniform(-1, 1))
    fine, here = b.log_uniform(1, 9), sigmoid(pinch / b.log_uniform(0.7, 5))
    drag = here * _combed(b, upper, fine) + (1 - here) * _combed(b, lower, fine)
    front = pinch.abs() / b.rows + 0.03 * path + 0.04 * drag
    pressed = sigmoid((front - b.uniform(0.15, 0.6)) * b.uniform(12, 60))
    drag = drag * (1 - b.uniform(0.5, 0.9) * pressed)
    ridge = b.uniform(-1.5, 2.5) * _crest(pinch / b.log_uniform(1.5, 8))
    buckle = torch.sin(_TURN * front * b.uniform(4, 18)) * torch.exp(-front * b.uniform(4, 12))
    relief = b.uniform(0.4, 1.3) * drag + ridge + b.some(0.5, 0.2, 0.8) * buckle
    return _aged(b, relief + b.uniform(-0.8, 0.8) * here - b.uniform(0, 0.8) * pressed)


def dull_drag(b: Batch) -> Tensor:
    """Draw a dull cut: faint fine parallel lines that run through, smeared out in places."""
    angle, fine = b.uniform(0, math.pi), b.log_uniform(0.8, 8)
    along, across = _course(b, angle)
    drag = _combed(b, across, fine) + 0.5 * _combed(b, across + 0.03 * along, fine)
    pulled = noise(b, b.log_uniform(2, 12), angle=angle, anisotropy=b.log_uniform(8, 40))
    shown = 0.15 + sigmoid(4 * _calm(b, b.uniform(0.15, 0.6) * b.rows) + b.uniform(-1, 2))
    relief = standardised(drag) * shown + b.uniform(0.1, 0.7) * pulled
    return _aged(b, relief + b.pick(0, 0.4, 1) * _walk(b, b.uniform(40, 200), along), 0.9)


def stick_and_slip(b: Batch) -> Tensor:
    """Draw a blade that sticks and slips: bowed bands across its path with drag lines through."""
    along, across = _course(b, b.uniform(0, math.pi))
    period = b.log_uniform(8, 80).clamp(max=b.rows / 3)
    bow = b.uniform(-0.7, 0.7) * across**2 / b.rows + b.uniform(-0.3, 0.3) * across
    strain = _walk(b, period * b.uniform(1, 4), along)
    fray = _walk(b, b.log_uniform(8, 80), across)
    s = (along + bow) / period + b.uniform(0.05, 0.5) * strain + b.uniform(0, 0.15) * fray
    gone, held = s - torch.floor(s), b.uniform(0.08, 0.5)
    tooth = torch.minimum(gone / (1 - held), (1 - gone) / held)
    hit = 1 + b.uniform(0, 0.4) * _walk(b, b.uniform(4, 30), s.floor() * 7).clamp(-2, 2)
    tooth = hit * tooth.clamp(min=1e-3) ** b.uniform(0.6, 2.5)
    drag = _combed(b, across + b.uniform(0, 3) * torch.sin(_TURN * s), b.log_uniform(1, 9))
    smear = 1 - b.uniform(0, 0.9) * sigmoid(6 * (gone - 0.5))
    relief = standardised(tooth) * b.uniform(0.4, 1.4) + b.uniform(0.3, 1.1) * drag * smear
    return _aged(b, relief, 0.6)


def lapped_smears(b: Batch) -> Tensor:
    """Draw laps of smeared film: strokes lie over strokes, each with the lines of its edge."""
    angle, fine = b.uniform(0, math.pi), b.log_uniform(1, 9)
    along, across = _course(b, angle)
    relief = _combed(b, across, fine)
    width, lip, thick = b.log_uniform(0.7, 5), b.pick(0, 0.7, 1.6), b.uniform(0.2, 1.5)
    for _ in range(4):
        along, across = turned(b, angle + b.pick(0, 0.03, 0.1) * b.normal().clamp(-2, 2))
        edge = _walk(b, b.log_uniform(15, 150), along)
        away = across - b.uniform(-0.5, 0.5) * b.rows - b.log_uniform(1, 8) * edge
        end = along - b.uniform(-0.5, 0.5) * b.cols + b.uniform(-1, 1) * across
        end = end + b.log_uniform(2, 20) * _walk(b, b.log_uniform(6, 80), across)
        away = torch.minimum(away * b.pick(-1, 1), end * b.pick(-1, 1) + b.pick(0, 2000))
        over = sigmoid(away / width)
        film = thick + b.uniform(0.1, 1) * _combed(b, across, fine)
        film = film + lip * _crest(0.5 * away / width - 1)
        relief = relief + over * (film - relief * b.uniform(0.6, 1))
    return _aged(b, relief)


def peeled_tongues(b: Batch) -> Tensor:
    """Draw tongues peeled off and laid over each other, pointed, unequal, finely striated."""
    tilt, wide = b.uniform(0, _TURN), b.log_uniform(8, 60).clamp(max=b.rows / 5)
    along, across = turned(b, tilt)
    long = wide * b.log_uniform(0.9, 4)
    swirl = b.uniform(0.1, 0.5) * wide * _calm(b, 3 * wide)
    x, y = (along + swirl) / long, (across + 1.2 * swirl) / wide
    striae = noise(b, 0.1 * wide + 0.6, angle=tilt, anisotropy=b.log_uniform(2, 7))
    table, relief = torch.rand(4, b.size, _ENTRIES, device=b.device), torch.full_like(x, -0.6)
    low_x, low_y = torch.floor(x), torch.floor(y)
    sharp, curled = b.uniform(4, 20), b.pick(0, 0.3, 0.8)
    for d_x in (0, -1):
        for d_y in (0, 1):
            found = numbers_at(table, low_x + d_x, low_y + d_y)
            u = x - low_x - d_x - 0.2 - 0.3 * found[0]
            v = y - low_y - d_y - 0.4 * (found[1] - 0.5) + 0.2 * (found[3] - 0.5) * u
            end = (0.5 + 0.9 * found[2]) * (1 - 2.5 * (v / (0.5 + 0.5 * found[3])) ** 2)
            inner = torch.minimum(end - u, 1.5 * u + 0.3) + 0.04 * striae
            there = sigmoid(sharp * inner.clamp(-2, 2))
            level = 0.4 * found[3] + b.uniform(0.2, 0.9) * u + curled * _crest((inner - 0.08) / 0.1)
            relief = torch.maximum(relief, there * (level + 0.7) - 0.7)
    return _aged(b, standardised(relief) + b.uniform(0.1, 0.6) * striae)


def peeled_sheets(b: Batch) -> Tensor:
    """Draw sheets peeled off at several levels: ragged, some curled edges, smooth or matte."""
    fray = noise(b, b.log_uniform(3, 30), exponent=b.uniform(0.3, 1.0))
    matte = noise(b, b.log_uniform(0.7, 4), exponent=0.4)
    relief = b.log_uniform(0.02, 0.3) * matte + 0.2 * fray
    width, rag, curled = b.log_uniform(0.6, 4), b.log_uniform(0.02, 0.3), b.pick(0, 0.4, 1.0)
    size = b.log_uniform(0.07, 0.4) * b.rows
    for _ in range(4):
        field = _calm(b, size * b.uniform(0.6, 1.6)) - b.uniform(-0.6, 1.2)
        away = _gone(field) + rag * size * fray
        over = sigmoid(away / width)
        skin = b.log_uniform(0.02, 0.3) * matte + b.uniform(-0.6, 0.6) * field + b.uniform(0.5, 2)
        skin = skin + curled * _crest((away - 2 * width) / (2 * width)) * (1 + fray).clamp(0, 2)
        relief = relief + over * (skin - b.uniform(0, 0.8) * relief)
    return _aged(b, relief)


def strings(b: Batch) -> Tensor:
    """Draw strings drawn out and fallen back, curved and ending, on an undulating ground."""
    ground = noise(b, b.log_uniform(3, 30), exponent=b.uniform(0.3, 1.3))
    relief = b.uniform(0.3, 1.0) * ground
    size, thick, strength = b.uniform(0.06, 0.3) * b.rows, b.log_uniform(1, 6), b.uniform(0.8, 2.5)
    for _ in range(3):
        gone = _gone(_calm(b, size * b.uniform(0.6, 1.5)) + 0.05 * ground)
        alive = _calm(b, 1.2 * size) - b.uniform(0, 1)  # strings end where this runs out
        taper = alive.clamp(0.02, 1) ** 0.7
        off = gone / (thick * b.uniform(0.6, 1.3) * taper)
        relief = relief + strength * taper * (alive > 0) * (1 - off**2).clamp(min=0).sqrt()
    return _aged(b, blur(relief, b.uniform(0.3, 1.0)))


def wrinkled_skin(b: Batch) -> Tensor:
    """Draw a skin that wrinkled as the stretched body under it fell back: forked, patchy folds."""
    period = b.log_uniform(6, 60).clamp(max=b.rows / 4)
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None] * period
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :] * period
    radius = torch.sqrt(f_row**2 + f_col**2 + 1e-6)
    aim, tied = b.uniform(0, _TURN), b.uniform(0, 2.2)
    lie = torch.cos(aim) * f_col + torch.sin(aim) * f_row
    gain = _crest((radius - 1) / b.uniform(0.2, 0.6)) * torch.exp(tied * ((lie / radius) ** 2 - 1))
    white = torch.randn(b.size, b.rows, b.cols, device=b.device)
    fold = standardised(torch.fft.irfft2(torch.fft.rfft2(white) * gain, s=(b.rows, b.cols)))
    form = torch.tanh(b.uniform(0.5, 2.5) * fold)
    ridge = torch.exp(-b.uniform(1, 4) * fold.abs().clamp(max=5))
    form = torch.where(b.chance(0.5) > 0, standardised(form), standardised(ridge))
    slack = 0.1 + sigmoid(3 * _calm(b, b.uniform(0.15, 0.5) * b.rows) + b.uniform(-1, 2))
    slope = b.uniform(0.1, 0.8) * _calm(b, b.uniform(0.1, 0.4) * b.rows)
    return _aged(b, form * slack + slope, 0.6)


def matte_ground(b: Batch) -> Tensor:
    """Draw the matte ground of a tear: crumbs on crumbs, pits, no path, uneven in height."""
    fine, stretch, aim = b.log_uniform(1, 12), b.pick(1, 1, 1.6, 2.5), b.uniform(0, math.pi)
    crumb = noise(b, fine, exponent=b.uniform(-0.1, 0.8), angle=aim, anisotropy=stretch)
    clump = noise(b, fine * b.log_uniform(3, 8), exponent=0.7, angle=aim, anisotropy=stretch)
    billow, form = b.pick(-1, 1) * (crumb.abs() - 0.8) * 1.6, b.uniform(0, 1)  # or torn cups
    ground = (1 - form) * crumb + form * billow
    bare = b.uniform(0.2, 1) * (0.4 + sigmoid(b.uniform(1, 5) * clump))
    relief = ground * bare + b.uniform(0.2, 1) * clump
    relief = relief + b.uniform(0, 0.8) * _calm(b, b.uniform(0.1, 0.5) * b.rows)
    lobe = _gone(_calm(b, b.uniform(0.15, 0.4) * b.rows) + 0.1 * clump)
    relief = relief + b.some(0.5, 0.3, 1.2) * torch.tanh(lobe / b.log_uniform(1, 10))
    return _aged(b, relief, 0.4)


LASER_LOOKS: tuple[Look, ...] = (
    joined_bubbles, tissue_wall, tongued_layers, relaxed_passes, matted_spots,
)  # fmt: skip
SCISSOR_LOOKS: tuple[Look, ...] = (
    pressed_bites, pinched_face, dull_drag, stick_and_slip, lapped_smears,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (peeled_tongues, peeled_sheets, strings, wrinkled_skin, matte_ground)
