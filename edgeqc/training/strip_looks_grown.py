"""Looks that come out of small simulations: pulses, edges and cracks that leave a history.

Laser: pulses along a scan path with drift, losses and stage jitter, bubbles that grow as the cube
root of the energy (Vogel and others 1999), gas that shields the next row, cavities that coarsen
(threshold dynamics; Merriman, Bence and Osher 1992), melt that flows level. Blade: nicks that wear
away and break out anew; sticking and slipping; swarf pushed along and dropped; strokes that
overwrite each other. Torn: a front that runs by Huygens' rule over random toughness and halts
(pinning; Gao and Rice 1989), planes that meet and go on as one (rivers; Hull 1999), voids that
impinge (Johnson and Mehl 1939), strands that bundle, swells that meet in cusps. From memory.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training import strip_fields
from edgeqc.training.strip_fields import Batch, Look, blur, grained, noise, standardised, turned

_Pulses = tuple[Tensor, Tensor, Tensor]
_PULSE_LINES, _PULSES = 128, 384
_STEPS, _LANES = 128, 512


def _line(b: Batch, samples: int, shortest: float, longest: float) -> Tensor:
    return strip_fields.lines(b.size, samples, b.log_uniform(shortest, longest)[:, 0], b.device)


def _normal(b: Batch, *shape: int) -> Tensor:
    return torch.randn(b.size, *shape, device=b.device)


def _even(b: Batch, *shape: int) -> Tensor:
    return torch.rand(b.size, *shape, device=b.device)


def _read(table: Tensor, row: Tensor, col: Tensor) -> Tensor:
    """Return a table per member (b, n, m) read at places in its entries, mirrored at its ends."""
    n, m = table.shape[-2:]
    grid = torch.stack((2 * col / (m - 1) - 1, 2 * row / (n - 1) - 1), dim=-1)
    return torch.nn.functional.grid_sample(
        table[:, None], grid, mode="bilinear", padding_mode="reflection", align_corners=True
    )[:, 0]


def _warped(b: Batch, plane: Tensor, by: Tensor, wave: Tensor, zoom: Tensor | float = 1) -> Tensor:
    """Return a plane enlarged and pushed about by smooth fields of some deviation in samples."""
    col, row = turned(b, torch.zeros(b.size, 1, 1, device=b.device))
    row, col = row + by * noise(b, wave, exponent=2.0), col + by * noise(b, wave, exponent=2.0)
    return _read(plane, row / zoom + b.rows / 2, col / zoom + b.cols / 2)


def _smear(plane: Tensor, angle: Tensor, along: Tensor, across: Tensor) -> Tensor:
    """Return a plane blurred by a Gaussian of two widths that lies along an angle."""
    rows, cols = plane.shape[-2:]
    f_row = torch.fft.fftfreq(rows, device=plane.device)[None, :, None]
    f_col = torch.fft.rfftfreq(cols, device=plane.device)[None, None, :]
    u = (torch.cos(angle) * f_col + torch.sin(angle) * f_row) * along
    v = (torch.cos(angle) * f_row - torch.sin(angle) * f_col) * across
    gain = torch.exp(-2 * math.pi**2 * (u * u + v * v))
    return torch.fft.irfft2(torch.fft.rfft2(plane) * gain, s=(rows, cols))


def _scan(b: Batch, finest: float, coarsest: float) -> tuple[Tensor, Tensor, Tensor]:
    """Return places along and across the scan lines, in pulses and in lines, and the pitch."""
    tilt = b.pick(0, 0, 0.5, 0.5) * math.pi + b.pick(0, 0.03, 0.03, 1.5) * b.uniform(-1, 1)
    along, across = turned(b, tilt)
    pitch = b.log_uniform(finest, coarsest).clamp(max=b.rows / 4)
    across = across + b.pick(0, 0, 0.04, -0.04) * b.uniform(0, 1) * along**2 / b.cols
    return along / pitch, across / (pitch * b.log_uniform(0.5, 1.8)), pitch


def _pulse_table(b: Batch) -> _Pulses:
    """Return energy and misplacement along and across of every pulse, as a scan sets them down."""
    n, m, loose = _PULSE_LINES, _PULSES, b.log_uniform(0.01, 0.18)
    table = Batch(b.size, n, m, b.device)
    energy = 1 + b.pick(0, 0.1, 0.3) * _line(b, n, 0.4, 20)[..., None]
    energy = energy + b.pick(0, 0.15, 0.3) * noise(table, b.log_uniform(4, 60), exponent=1.5)
    energy = energy + b.log_uniform(0.02, 0.4) * _normal(b, n, m)
    lost = noise(table, b.log_uniform(1, 3), anisotropy=6.0) > b.pick(9, 9, 1.7, 1.1)
    lost = lost | (_even(b, n, 1) < b.pick(0, 0, 0.06, 0.15))
    at = torch.arange(m, device=b.device)[None, None, :]
    odd = (torch.arange(n, device=b.device)[None, :, None] % 2).float()
    du = loose * _normal(b, n, m) + b.pick(0, 0.1, 0.3) * _normal(b, n, 1)
    du = du + odd * b.pick(0, 0.5, 0.5, 0.2)
    dv = 0.6 * loose * _normal(b, n, m) + b.pick(0, 0.05, 0.15) * _normal(b, n, 1)
    dv = dv + b.pick(0, 0, 0.12) * torch.sin(at * b.uniform(0.1, 1.5) + b.pick(0, 0.4, 2) * odd)
    return torch.where(lost, 0.0, energy), du.clamp(-0.8, 0.8), dv.clamp(-0.45, 0.45)


def _craters(of: _Pulses, along: Tensor, across: Tensor, reach: Tensor) -> tuple[Tensor, Tensor]:
    """Return cavities (1 at their middles, 0 outside) and the rims of all pulses near a sample."""
    across, along = across + _PULSE_LINES // 2, along + _PULSES // 2
    cavity = rims = torch.zeros_like(along)
    i, j = torch.floor(across + 0.5), torch.floor(along + 0.5)
    for at_i, at_j in ((i + d // 3 - 1, j + d % 3 - 1) for d in range(9)):
        key = (at_i.long() % _PULSE_LINES) * _PULSES + at_j.long() % _PULSES
        e, du, dv = (t.flatten(1).gather(1, key.flatten(1)).reshape(key.shape) for t in of)
        radius = reach * e.clamp(1e-3, 4) ** (1 / 3)
        near = ((along - at_j - du) ** 2 + (across - at_i - dv) ** 2) / radius**2
        live = (e > 0.05) * e.clamp(0, 1.5) ** 0.5
        cavity = torch.maximum(cavity, live * (1 - near).clamp(min=0))
        rims = rims + live * torch.exp(-((near.sqrt() - 1.1) ** 2) / 0.06)
    return cavity, rims


def scan_record(b: Batch) -> Tensor:
    """Return spots of a scan with all that went wrong: drift, lost lines, shaking, weak pulses."""
    along, across, pitch = _scan(b, 3.5, 60)
    energy, du, dv = _pulse_table(b)
    some = 0.7 * (_normal(b, 1, 1) * 0.4 + _normal(b, _PULSE_LINES, _PULSES))  # near threshold
    energy = torch.where(b.chance(0.25) > 0, some, energy)
    cavity, rims = _craters((energy, du, dv), along, across, b.uniform(0.3, 0.85))
    relief = cavity ** b.pick(0.35, 0.6, 1.0) * b.pick(-1, -1, 1) + b.pick(0, 0.2, 0.6) * rims
    relief = relief + b.pick(0, 0, 0.4) * cavity * (noise(b, 0.12 * pitch) + 1)
    relief = standardised(relief) + b.pick(0.04, 0.2, 0.4) * noise(b, 0.4 * pitch, exponent=0.5)
    return grained(b, relief, 0.5, 30, 0.45).clamp(-8, 8)


def coarsened_bubbles(b: Batch) -> Tensor:
    """Return bubbles of a lattice that ran into each other until walls and bridges are left."""
    along, across, pitch = _scan(b, 5, 40)
    cavity, _ = _craters(_pulse_table(b), along, across, b.uniform(0.5, 0.75))
    field = standardised(cavity) + b.log_uniform(0.1, 0.7) * noise(b, 0.5 * pitch)
    level, width = b.uniform(-0.4, 0.3), pitch * b.log_uniform(0.08, 0.22)
    ageing = b.log_uniform(0.5, 9)  # in steps: old ones coarsen long, young ones soon stop
    for step in range(9):
        spread = standardised(blur(field, width))
        field = torch.where(step < ageing, torch.tanh(3 * (spread + level)), field)
    inside, wide = (blur((field > 0).float(), w) for w in (width * b.uniform(0.3, 1), 0.35 * pitch))
    relief = -inside - b.pick(0, 1, 2) * wide - b.pick(0.5, 1.2) * cavity
    relief = relief + b.pick(0, 0.5, 1) * torch.exp(-((inside - 0.35) ** 2) / 0.02)
    return grained(b, relief + b.pick(0, 0.2) * inside * noise(b, 0.2 * pitch), 0.5, 20, 0.35)


def flowed_melt(b: Batch) -> Tensor:
    """Return rows of pits that later pulses re-melted: glaze in hot places, pits where cold."""
    along, across, pitch = _scan(b, 4, 45)
    energy, du, dv = _pulse_table(b)
    warm = noise(b, pitch * b.log_uniform(1.5, 8), exponent=1.5, anisotropy=b.pick(1, 2, 6))
    mobile = torch.sigmoid(b.log_uniform(1.5, 6) * (warm + b.uniform(-1, 0.8)))
    turn = torch.arange(_PULSE_LINES, device=b.device)[None, :, None] % 3
    reach, rim, relief = b.uniform(0.4, 0.9), b.uniform(0.1, 0.5), 0.15 * noise(b, 0.5 * pitch)
    for visit in range(3):  # the lines are written in three interleaved visits
        cavity, rims = _craters((energy * (turn == visit), du, dv), along, across, reach)
        relief = relief - cavity.sqrt() + rim * rims
        for _ in range(4):
            relief = relief + mobile * (blur(relief, 0.16 * pitch) - relief)
    beads = noise(b, pitch * b.log_uniform(0.15, 0.5), exponent=2) - b.uniform(1.3, 2.4)
    relief = standardised(relief) + b.pick(0, 1.0, 2.0) * beads.clamp(0, 1).sqrt()
    pores = (noise(b, 0.3 * pitch, exponent=2) - b.uniform(1.8, 2.5)).clamp(0, 0.4)
    return grained(b, relief - b.pick(0, 4) * mobile * pores, 0.5, 20, 0.4)


def shielded_rows(b: Batch) -> Tensor:
    """Return a lattice written row by row where gas of one row hides the focus of the next."""
    along, across, pitch = _scan(b, 3, 25)
    energy, du, dv = _pulse_table(b)
    state, rows = (_even(b, _PULSES) < 0.7).float(), []
    hold, spread = b.uniform(0.68, 0.78)[:, 0], b.uniform(0.05, 0.35)[:, 0]
    for _ in range(_PULSE_LINES):  # directed percolation: a pulse takes if the row before let it
        beside = (1 - 2 * spread) * state + spread * (state.roll(1, 1) + state.roll(-1, 1))
        likely = hold * (beside * 1.5).clamp(max=1.2) + 0.06
        rows.append(state := (_even(b, _PULSES) < likely).float())
    alive = torch.stack(rows, dim=1)
    energy = energy.clamp(min=0.3) * torch.where(b.chance(0.7) > 0, alive, 1 - alive)
    energy = energy * (0.5 + b.pick(0, 1, 2.5) * blur(alive, b.log_uniform(0.6, 4)))
    cavity, rims = _craters((energy, du, dv), along, across, b.uniform(0.4, 0.75))
    relief = b.pick(0, 0.3, 0.8) * rims - cavity ** b.pick(0.4, 0.8)
    rough = noise(b, pitch * b.log_uniform(0.1, 0.4), exponent=0.3) * (cavity + 0.2)
    return grained(b, standardised(relief) + b.pick(0, 0.3, 0.7) * rough, 0.5, 20, 0.5)


def _drag(b: Batch) -> tuple[Tensor, Tensor]:
    """Return places along and across the way of an edge: straight or a gentle arc."""
    way = torch.where(b.chance(0.4) > 0, b.uniform(-0.12, 0.12), b.uniform(-1.6, 1.6))
    (along, across), bow = turned(b, way), b.pick(0, 0.1, 0.4) * b.uniform(-1, 1)
    return along, across + bow * (along - b.uniform(-0.5, 0.5) * b.cols) ** 2 / b.cols


def _edge_profile(b: Batch, across: Tensor) -> Tensor:
    """Return what the teeth of an edge leave across its way, standardised."""
    line = _line(b, 1024, 0.5, 4) + b.pick(0, 0.5, 1.5)[:, 0] * _line(b, 1024, 6, 60)
    line = line + b.pick(0, 2, 5)[:, 0] * (_normal(b, 1024).abs() - 2.2).clamp(min=0)
    return standardised(strip_fields.at_line(line, (across / b.log_uniform(0.7, 5) + 512) % 1023))


def worn_edge(b: Batch) -> Tensor:
    """Return lines of an edge whose nicks wear off and break out anew on the way."""
    along, across = _drag(b)
    n, m = 64, 1024
    profile, state, rows = _line(b, m, 0.5, 3), torch.zeros(b.size, m, device=b.device), []
    keep = torch.where(b.chance(0.5)[:, 0] > 0, 1 - 10 ** (-1 - 2.2 * _even(b, m)), 0.995)
    outbreak, hard = b.pick(0.0005, 0.004, 0.02)[:, 0], b.uniform(1, 6)[:, 0]
    for _ in range(n):
        state = keep * state + (_even(b, m) < outbreak) * hard * _normal(b, m)
        profile = torch.where(_even(b, 1) < 0.01, profile.roll(97, 1) * 0.6, profile)
        rows.append(profile + state)
    table = _smear(torch.stack(rows, 1), b.pick(0.0), b.log_uniform(0.5, 2), b.pick(0.7))
    row = (along / (along.abs().amax(dim=(1, 2), keepdim=True) + 1) + 1) * (n - 1) / 2
    across = across + b.pick(0, 0.5, 3) * strip_fields.at_line(_line(b, n, 6, 30), row)
    relief = standardised(_read(table, row, (across / b.log_uniform(0.7, 5) + m / 2) % (m - 1)))
    relief = torch.maximum(relief.clamp(max=8), b.pick(-9, -9, -0.5))
    relief = relief + b.log_uniform(0.1, 0.6) * _edge_profile(b, across)
    return grained(b, relief + b.pick(0, 0.4, 0.9) * noise(b, b.uniform(30, 200)), 2, 20, 0.3)


def slipping_edge(b: Batch) -> Tensor:
    """Return the marks of an edge that stuck and slipped, crossed by the lines of its teeth."""
    along, across = _drag(b)
    n, beat, sharp = 1024, b.log_uniform(3, 60), b.log_uniform(0.6, 8)
    lengths = torch.exp(b.pick(0.05, 0.15, 0.45)[:, 0] * _line(b, n, 0.4, 8))
    ends = torch.cumsum(lengths, dim=1).contiguous()
    skew = b.uniform(-0.6, 0.6) * across  # the edge need not lie square to its way, nor straight
    bowed = b.pick(0, 0.1, 0.3) * across**2 / across.abs().amax(dim=(1, 2), keepdim=True)
    ragged = b.pick(0, 0.05, 0.2) * beat * noise(b, b.log_uniform(5, 60), exponent=1.2)
    at = (along + skew + bowed + ragged) / beat + ends[:, None, n // 2 : n // 2 + 1]
    flat = at.reshape(b.size, -1).clamp(0.01).contiguous()
    index = torch.searchsorted(ends, flat).clamp(1, n - 1)
    start, length = torch.gather(ends, 1, index - 1), torch.gather(lengths, 1, index)
    phase = ((flat - start) / length).clamp(0, 1).reshape(at.shape)
    shape = torch.where(b.chance(0.5) > 0, phase**sharp, torch.sin(math.pi * phase))
    hold = torch.sigmoid(3 * (noise(b, b.log_uniform(40, 250), exponent=2) + b.uniform(-0.5, 2)))
    relief = standardised(blur(length.reshape(at.shape) * shape * hold, b.log_uniform(0.3, 1.5)))
    return grained(b, relief + b.log_uniform(0.5, 3) * _edge_profile(b, across), 2, 20, 0.4)


def pushed_swarf(b: Batch) -> Tensor:
    """Return a scored face where swarf gathers before the edge and is dropped in lumps."""
    along, across = _drag(b)
    n, m, rate = 192, 384, b.log_uniform(0.004, 0.05)[:, 0]
    load, tail, rows = 0.9 * _even(b, m), torch.zeros_like(rate), []
    tooth = (b.pick(1, 0)[:, 0] + 0.8 * _line(b, m, 1, 12)).clamp(min=0)
    share, rest = b.uniform(0.1, 0.33)[:, 0], b.uniform(0.0, 0.5)[:, 0]
    for _ in range(n):  # a sand pile with one slope: lanes above the limit drop and load others
        load = load + rate * tooth * 3 * _even(b, m) ** 2
        drop = torch.where(load > 1, load - rest, 0.0)
        load = load - drop + share * (drop.roll(1, 1) + drop.roll(-1, 1)) * 0.8
        rows.append(tail := 0.55 * tail + drop)
    long, lane = b.log_uniform(1, 8), b.log_uniform(0.2, 0.8)
    row, col = (along / long + n / 2) % (n - 1), (across / (long * lane) + m / 2) % (m - 1)
    lumps = _read(torch.stack(rows, 1), row, col)
    relief = b.uniform(0.25, 0.8) * standardised(lumps).clamp(max=8)
    return grained(b, relief + b.uniform(0.7, 1.4) * _edge_profile(b, across), 2, 20, 0.4)


def stroke_facets(b: Batch) -> Tensor:
    """Return facets of several strokes, each with its own lines, tilt and lip over the last."""
    relief, main = torch.zeros(b.size, b.rows, b.cols, device=b.device), b.uniform(-1.6, 1.6)
    loose, tilted = b.pick(0.03, 0.12, 0.4), b.log_uniform(0.3, 3)
    lined, lip = b.log_uniform(0.1, 1.0), b.pick(0, 0.4, 1.2)
    for stroke in range(5):
        along, across = turned(b, main + loose * _normal(b, 1, 1))
        across = across + b.uniform(-0.3, 0.3) * along**2 / b.cols
        cut = tilted * b.uniform(-1, 1) * across / b.rows + 0.6 * b.uniform(-1, 1)
        cut = cut + lined * _edge_profile(b, across)
        front = turned(b, main + b.pick(0, 0.5 * math.pi) + b.uniform(-0.5, 0.5))[1]
        front = front - b.uniform(-0.5, 0.5) * (b.cols + b.rows) / 2
        front = front + b.pick(0, 1, 4) * strip_fields.at_line(_line(b, 1024, 20, 200), along + 512)
        front = (front / b.log_uniform(0.8, 6)).clamp(-8, 8) if stroke else b.pick(8.0)
        live = b.chance(1.1 if stroke < 2 else 0.6)
        over = live * torch.sigmoid(4 * front)
        relief = over * cut + (1 - over) * relief + live * lip * torch.exp(-(front**2))
    return grained(b, relief, 0.5, 15, 0.35)


def _from_origin(b: Batch, lane: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return step and lane of every sample on rays from an origin beside it, and samples a step."""
    way, first = b.uniform(-math.pi, math.pi), b.uniform(4, 50)
    half = (torch.cos(way).abs() * b.cols + torch.sin(way).abs() * b.rows) / 2
    away = half * b.log_uniform(0.9, 9)
    along, across = turned(b, way)
    radius = torch.hypot(along + away, across)
    low = radius.amin(dim=(1, 2), keepdim=True)
    pace = (radius.amax(dim=(1, 2), keepdim=True) - low) / (_STEPS - 1 - first)
    col = torch.atan2(across, along + away) * away / lane + _LANES / 2
    return first + (radius - low) / pace, col % (_LANES - 1), pace


def _levels(b: Batch, label: Tensor) -> Tensor:
    """Return the height of the plane that began in a lane, rough at all lengths."""
    rough = _normal(b, _LANES) + b.pick(0, 1, 2)[:, 0] * _line(b, _LANES, 3, 30)
    return torch.gather(rough, 1, label.reshape(b.size, -1)).reshape(label.shape)


def halting_front(b: Batch) -> Tensor:
    """Return what a crack front left that ran over random toughness, and halted now and then."""
    lane = b.log_uniform(1.2, 6)
    row, col, pace = _from_origin(b, lane)
    table = Batch(b.size, _STEPS, _LANES, b.device)
    tough = noise(table, b.log_uniform(1.5, 20), exponent=b.uniform(0.2, 1.5))
    slow, side = torch.exp(b.uniform(0.15, 0.7) * tough), (1 + (lane / pace) ** 2).sqrt()[:, 0]
    time = b.pick(0, 1, 3)[:, 0] * _line(b, _LANES, 5, 60)
    label = torch.arange(_LANES, device=b.device)[None, :].expand(b.size, -1)
    times, labels = [time], [label]
    for step in range(1, _STEPS):  # Huygens: the first of three neighbours to send the crack on
        cost = slow[:, step] * side
        reach = (time + slow[:, step], time.roll(1, 1) + cost, time.roll(-1, 1) + cost)
        time, source = torch.stack(reach).min(dim=0)
        begun = torch.stack((label, label.roll(1, 1), label.roll(-1, 1)))
        labels.append(label := begun.gather(0, source[None])[0])
        times.append(time)
    rays = standardised(_read(_levels(b, torch.stack(labels, dim=1)), row, col))
    late = _read(torch.stack(times, dim=1), row, col).clamp(min=0)
    late = late * 440 / (late.amax(dim=(1, 2), keepdim=True) + 1)
    ribs = strip_fields.at_line(_line(b, 512, 1.5, 25), late)
    ribs = torch.where(b.chance(0.5) > 0, torch.tanh(4 * (ribs - 1.2).clamp(min=0)), ribs)
    relief = b.uniform(0, 1) * rays + b.uniform(0.1, 1) * standardised(ribs).clamp(-4, 4)
    hackle = b.pick(0, 0.3, 0.8) * torch.sigmoid((row - b.uniform(0.4, 1.2) * _STEPS) / 8)
    return grained(b, relief + hackle * noise(b, b.log_uniform(1, 6)), 1, 20, 0.3)


def meeting_planes(b: Batch) -> Tensor:
    """Return rivers: crack planes at many levels that meet and run on as one, some anew."""
    lane = b.log_uniform(0.8, 4)
    row, col, _ = _from_origin(b, lane)
    table = Batch(b.size, _STEPS, _LANES, b.device)
    stray = noise(table, b.log_uniform(0.8, 5), exponent=b.uniform(0.2, 1), anisotropy=0.3)
    move = (b.log_uniform(0.6, 1.5) * stray).round().clamp(-1, 1).long()
    at = torch.arange(_LANES, device=b.device)[None, :].expand(b.size, -1)
    label, labels = at, [at]
    anew = torch.randint(8, 2 * _STEPS, (b.size, 1), device=b.device)  # a twist begins it again
    for step in range(1, _STEPS):
        label = torch.where(anew == step, at, label)
        labels.append(label := torch.gather(label, 1, (at + move[:, step]) % _LANES))
    begun = torch.stack(labels, dim=1)
    lance = ((at[:, None, :] - begun + _LANES // 2) % _LANES - _LANES // 2).clamp(-25, 25)
    height = standardised(_levels(b, begun)) + b.pick(0, 0.1, 0.3) * b.pick(-1, 1) * lance
    col = col + b.pick(1.5, 3, 6) * noise(b, b.log_uniform(8, 120), exponent=1.2)
    relief = standardised(_read(height, row, col % (_LANES - 1)))
    relief = blur(relief, b.log_uniform(0.15, 0.8) * lane)
    return grained(b, relief + b.pick(0, 0.5, 1.5) * noise(b, b.uniform(30, 200)), 0.5, 20, 0.4)


def impinging_voids(b: Batch) -> Tensor:
    """Return dimples: voids that began at different times, grew, met, and left drawn walls."""
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    cell, relief = b.log_uniform(5, 70), torch.zeros_like(along + across)
    drift, bend = cell * b.uniform(0.1, 0.5), cell * b.log_uniform(0.7, 4)
    along = along / b.pick(1, 1, 1.6, 2.8) + drift * noise(b, bend, exponent=1.5)
    across = across + drift * noise(b, bend, exponent=1.5)
    off, rounded, late = b.pick(0, 0.3), b.pick(1, 2), b.uniform(0.1, 0.9)
    for scale, weight in ((1.0, 1.0), (0.28, 0.3)):
        u, v, first = along / (cell * scale), across / (cell * scale), torch.full_like(relief, 3.0)
        second, spots = first, strip_fields.places(u, v, b.uniform(0.25, 0.45), b.uniform(0, 0.25))
        for u, v, begin, _ in spots.near():  # sheared voids are parabolas
            time = torch.hypot(u + off * (u * u + v * v), v).clamp(max=3) + late * begin**2
            second = torch.minimum(second, torch.maximum(first, time))
            first = torch.minimum(first, time)
        wall = torch.exp(-(((second - first) / b.uniform(0.05, 0.25)) ** 2))
        size = weight if scale == 1 else weight * b.pick(0, 1, 2) * (0.3 + relief.clamp(0, 2))
        relief = relief + size * (first.clamp(max=1.5) ** rounded + b.uniform(0, 1.2) * wall)
    relief = standardised(relief) + 0.4 * (noise(b, 0.1 * cell) + 1) * relief.clamp(0, 2)
    plain = torch.sigmoid(4 * (noise(b, 3 * cell, exponent=2) + b.pick(3, 3, 0.3)))
    return grained(b, relief * plain + b.pick(0, 0.6) * noise(b, 2 * cell), 0.5, 15, 0.4)


def bundled_strands(b: Batch) -> Tensor:
    """Return strands that were drawn out and drew together in bundles, broken and laid over."""
    way, width = b.uniform(-math.pi / 2, math.pi / 2), b.log_uniform(0.8, 7)
    length = width * b.log_uniform(3, 9)
    field = standardised(_smear(_normal(b, b.rows, b.cols), way, length, width))
    total, level, ageing = torch.zeros_like(field), b.uniform(-0.5, 0.5), b.uniform(1, 10)
    for step in range(10):
        spread = standardised(_smear(field, way, 0.5 * length, width * (0.7 + 0.09 * step)))
        field = torch.where(step < ageing, torch.tanh(2.5 * (spread - level)), field)
        total = total + field
    thin = standardised(_smear(torch.randn_like(field), way, 0.6 * length, 0.35 * width))
    ends = (noise(b, 1.2 * width, exponent=1.5) - b.uniform(1.0, 2.0)).clamp(0, 1)
    relief = standardised(total) + b.pick(0.2, 0.5, 0.9) * thin + b.pick(0.7, 1.5, 3) * ends
    relief = _warped(b, relief, b.log_uniform(0.25, 1) * length, b.log_uniform(0.6, 2) * length)
    return grained(b, relief + b.pick(0, 0.6, 1.2) * noise(b, b.uniform(20, 120)), 1.5, 15, 0.3)


def cusped_sheet(b: Batch) -> Tensor:
    """Return a rubbery tear: rounded swells that spread until they meet in sharp crooked lines."""
    zoom, length = b.log_uniform(1, 9), b.log_uniform(3.5, 8)
    way, drawn, size = b.uniform(-1.6, 1.6), b.pick(1, 1, 2.5, 5), zoom * length
    relief = noise(b, length, exponent=b.uniform(0.5, 1.2), angle=way, anisotropy=drawn)
    curve = b.log_uniform(0.8, 3) / length**2
    for axis in (1, 2):  # swelling: the highest parabola that stands on any place
        flat = relief
        for step in range(1, 9):
            beside = torch.maximum(flat.roll(step, axis), flat.roll(-step, axis))
            relief = torch.maximum(relief, beside - curve * step**2)
    relief = _warped(b, relief - 0.7 * blur(relief, 1.5 * length), b.uniform(0, 9), size, zoom)
    relief = blur(relief, b.log_uniform(0.15, 0.5) * zoom) * b.pick(-1, -1, 1)
    tears = noise(b, 0.15 * size, exponent=0.8, anisotropy=b.pick(1, 4), angle=b.uniform(0, 3))
    patch = torch.sigmoid(2.5 * (noise(b, 2 * size, exponent=1.5) - b.uniform(0, 2)))
    return grained(b, relief + b.pick(0, 0.1, 0.25) * patch * tears, 1.5, 15, 0.25)


GROWN_LASER: tuple[Look, ...] = (scan_record, coarsened_bubbles, flowed_melt, shielded_rows)
GROWN_SCISSOR: tuple[Look, ...] = (worn_edge, slipping_edge, pushed_swarf, stroke_facets)
GROWN_TORN: tuple[Look, ...] = (
    halting_front, meeting_planes, impinging_voids, bundled_strands, cusped_sheet,
)  # fmt: skip
