"""Looks of cut faces as a workshop knows them: laser machining, slitting and shearing, tearing.

Laser: pulses in strokes, strokes in layers, fields stitched side by side. Mirrors brake at a
stroke's ends and crowd the pulses; the focus lengthens with depth; melt beads up along a stroke
(Rayleigh 1878, from memory); scattered light writes ripples (Sipe et al. 1983, from memory).
Blade: all nicks of an edge draw copies of one path, straight, a wheel's arc or a sawing wave;
chatter keeps its frequency, a built-up edge smears films downstream, a shorn face has bands.
Tearing: no tool, no path. Rivers join downstream and add up their heights, hackle forks from its
origin (Hull 1999, from memory), steps run out, necks draw to fibrils, halted fronts leave bands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import torch
from torch import Tensor, sigmoid

from edgeqc.training.strip_fields import Batch, Look, at_line, blur, grained, lines, noise

# isort: split
from edgeqc.training.strip_fields import numbers_at, places, standardised, turned

_TABLE, _EDGE, _TURN = 8192, 4096, 2 * math.pi


def _bump(away: Tensor, width: Tensor | float) -> Tensor:
    return torch.exp(-((away / width) ** 2))


def _smooth(b: Batch, length: Tensor) -> Tensor:
    return noise(b, length, exponent=3.0)


def _banded(b: Batch, period: Tensor, angle: Tensor, width: Tensor, fan: Tensor) -> Tensor:
    """Return waves of about one period that run at an angle; crests fork where phases slip."""
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None] * period
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :] * period
    along = torch.cos(angle) * f_col + torch.sin(angle) * f_row
    across = torch.cos(angle) * f_row - torch.sin(angle) * f_col
    gain = _bump(along.abs() - 1, 1.4 * width) * _bump(across, 1.4 * fan) + 1e-6
    gain = gain * torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))
    return standardised(torch.fft.irfft2(gain, s=(b.rows, b.cols)))


def _shots(
    b: Batch, along: Tensor, across: Tensor, slip: Tensor, jitter: Tensor
) -> Iterator[tuple[Tensor, Tensor, Tensor, Tensor]]:
    """Yield the offsets from the nine pulses about, and two numbers each; strokes slip singly."""
    tables = torch.rand(5, b.size, _TABLE, device=b.device)
    tables[:2] = torch.randn(2, b.size, _TABLE, device=b.device).clamp(-2, 2)
    stroke = torch.floor(across + 0.5)
    for d_i in (-1, 0, 1):
        i = stroke + d_i
        moved = along + slip * numbers_at(tables[4], i, 0 * i)
        pulse = torch.floor(moved + 0.5)
        for d_j in (-1, 0, 1):
            found = numbers_at(tables[:4], i, pulse + d_j)
            u = moved - pulse - d_j - jitter * found[0]
            yield u, across - i - jitter * found[1], found[2], found[3]


def raster_of_pulses(b: Batch) -> Tensor:
    """Draw strokes of pulses, craters to grooves, crowded where mirrors turn; stitched fields."""
    along, across = turned(b, b.some(0.6, -0.2, 0.2) + b.pick(0, 0, 0, math.pi / 2))
    pitch, stroke = b.log_uniform(4, 36).clamp(max=b.rows / 4), b.uniform(0.3, 1.2) * b.cols
    pulse = pitch * b.pick(0.35, 0.6, 1, 1) * b.uniform(0.8, 1.2)
    turn, crowd = _TURN * (along / stroke + b.uniform(0, 1)), b.some(0.5, 0.2, 0.75)
    field = (along + _smooth(b, pitch)) / stroke * b.uniform(1, 3) + b.uniform(0, 1)
    high = torch.floor(across / b.rows * b.pick(0.5, 1, 2))
    found = numbers_at(torch.rand(4, b.size, _TABLE, device=b.device), torch.floor(field), high)
    found, stitched = found - 0.5, b.chance(0.4)
    u = (along + crowd * stroke / _TURN * torch.sin(turn)) / pulse + stitched * found[0]
    v = (across + stitched * b.uniform(0, 0.3) * found[1] * along) / pitch + stitched * found[2]
    v = v + b.some(0.4, 0, 0.25) * _smooth(b, 4 * pitch)
    radius, sharp = b.uniform(0.26, 0.62) * (1 + 0.35 * crowd * torch.cos(turn)), b.uniform(3, 14)
    spread, bead, lost = b.uniform(0, 0.35), b.pick(0, 0.4, 1.0), b.pick(0, 0, 0.1, 0.3)
    total, deepest = 0 * u, 0 * u
    for du, dv, first, second in _shots(b, u, v, b.pick(0, 0.5, 1, 8), b.pick(0, 0.05, 0.1, 0.15)):
        away = torch.hypot(du * pulse / pitch, dv) / (radius * (1 + spread * (2 * first - 1)))
        pit = bead * _bump(away - 1.15, 0.3) - sigmoid(sharp * (1 - away))
        pit = pit * (second >= lost) * (0.6 + 0.8 * first)
        total, deepest = total + pit, torch.minimum(deepest, pit)
    relief = standardised(b.either(total, deepest)) * (1 + stitched * found[3])
    seam = _bump(field - torch.floor(field + 0.5), b.uniform(0.01, 0.03)) * b.pick(-2, 0, 1)
    return grained(b, relief + stitched * seam * (1 + 0.4 * noise(b, pitch)), 0.6, 6, 0.5)


def focal_layers(b: Batch) -> Tensor:
    """Draw layer on layer of long focal marks that blur and lengthen as the focus sinks."""
    col, row = turned(b, b.pick(0.0))
    sunk = 0.5 + row / b.rows * b.pick(1, 1, 1, -1)
    layer, pitch = b.log_uniform(8, 90).clamp(max=b.rows / 3), b.log_uniform(3, 22)
    bent = lines(b.size, b.cols, b.log_uniform(20, 200)[:, 0], b.device)[:, None, :]
    v = b.rows / layer * (sunk + b.uniform(-0.2, 0.3) * sunk**2) + b.some(0.5, 0, 0.4) * bent
    u = (col + b.pick(0, 0, 0.1, 0.3) * b.uniform(-1, 1) * layer * v) / pitch
    length, fading = b.uniform(0.2, 0.5) * (1 + b.uniform(0, 1) * sunk), b.some(0.6, 0, 0.8)
    radius = b.uniform(0.22, 0.45) * (1 + b.some(0.6, 0, 0.8) * sunk)
    relief, tail, uneven = torch.zeros_like(u), b.uniform(0, 0.7), b.uniform(0.1, 0.8)
    for du, dv, first, second in _shots(b, u, v, b.pick(0, 0, 1), b.uniform(0, 0.15)):
        reach = length * (1 + tail * torch.sign(dv)) * (0.6 + 0.8 * second)
        relief = relief - _bump(du, radius) * _bump(dv**2, reach**2) * (1 - uneven * first)
    seam = v - torch.floor(v)
    relief = standardised(relief * (1 - fading * sunk)) + b.some(0.5, -1.2, 1.2) * (seam - 0.5)
    relief = relief - b.some(0.5, 0.3, 1.5) * _bump(torch.minimum(seam, 1 - seam), 0.06)
    melt = noise(b, b.log_uniform(1, 6), exponent=b.uniform(0.3, 1.2))
    return standardised(relief + b.pick(0, 0.2, 0.6) * melt * (0.3 + sunk))


def rippled_strokes(b: Batch) -> Tensor:
    """Draw fine ripples of interference that fill the spots or strokes of the beam."""
    along, across = turned(b, b.uniform(-0.25, 0.25))
    period, narrow = b.log_uniform(2.5, 10), b.uniform(0.06, 0.2)
    ripple = _banded(b, period, b.uniform(0, _TURN), narrow, b.uniform(0.06, 0.25))
    cross = _banded(b, 3 * period, b.uniform(0, _TURN), b.uniform(0.2, 0.4), b.uniform(0.2, 0.4))
    pitch = period * b.log_uniform(4, 12)
    v = across / pitch + b.some(0.5, 0, 0.1) * _smooth(b, 3 * pitch)
    spot, radius, u = 0 * v, b.uniform(0.3, 0.55), along / pitch / b.pick(0.3, 0.9, 1.1)
    for du, dv, first, _ in _shots(b, u, v, b.pick(0, 0.5, 3), b.uniform(0, 0.12)):
        dose = (1 - (du**2 + dv**2) / radius**2) * (0.75 + 0.5 * first)
        spot = torch.maximum(spot, dose.clamp(0, 1))
    fill = torch.tanh(b.uniform(2, 8) * spot)
    melted = 1 - 2 * b.some(0.5, 0, 1) * (spot - 0.6).clamp(min=0)  # smooth in the middle
    relief = fill * (ripple + b.some(0.4, 0, 0.8) * cross) * b.uniform(0.3, 1) * melted
    dust = (noise(b, b.uniform(0.7, 2)) - 1.6).clamp(min=0) * (1 - fill) * b.pick(0, 0.5, 1)
    return grained(b, standardised(relief - b.uniform(0.4, 2.5) * spot) + dust, 1, 10, 0.3)


def gas_cavities(b: Batch) -> Tensor:
    """Draw gas cavities, or beads of melt some burst, along few layers on smooth ground."""
    col, row = turned(b, b.uniform(-0.1, 0.1))
    pitch = b.log_uniform(10, 90).clamp(max=b.rows / 2.5)
    v = row / pitch + b.uniform(0, 1) + 0.1 * _smooth(b, 3 * pitch)
    flat, radius, sharp = b.uniform(0.7, 1.6), b.uniform(0.25, 0.5), b.log_uniform(4, 20)
    lost, opened, u = b.pick(0, 0.2, 0.45), b.pick(0, 0.15, 0.4), col / pitch / b.uniform(0.3, 1)
    hollow, lips, domes = 0 * v, 0 * v, 0 * v
    for du, dv, first, second in _shots(b, u, v, b.uniform(0, 2), b.uniform(0.02, 0.15)):
        away = torch.hypot(du, dv * flat) / (radius * (0.5 + first)) + 50 * (second < lost)
        hollow = torch.maximum(hollow, sigmoid(sharp * (1 - away)))
        lips = torch.maximum(lips, _bump(away - 1.1, 0.2))
        dome = (1 - away**2).clamp(min=0).sqrt() * (0.5 + first)
        domes = torch.maximum(domes, dome * (1 - 1.5 * _bump(away, 0.5) * (second > 1 - opened)))
    path = _bump(v - torch.floor(v + 0.5), b.uniform(0.05, 0.25)) * (1 + 0.3 * noise(b, pitch / 6))
    pits = b.pick(0, 0.3, 0.8) * lips * (1 - hollow) - hollow * b.uniform(0.6, 1.5)
    pits = pits + b.pick(0, 0.1, 0.3) * hollow * noise(b, b.log_uniform(1, 6))
    relief = b.either(pits, domes, 0.65) - b.some(0.6, -0.4, 0.6) * path
    ground = noise(b, b.log_uniform(3, 30), exponent=1.2) * (1 - hollow)
    return standardised(relief + b.pick(0, 0.05, 0.15) * ground)


def _edge(b: Batch) -> Tensor:
    """Return the profile of a cutting edge, (size, _EDGE): grinding, nicks, teeth, waviness."""
    spans = ((0.7, 12), (1, 8), (15, 150), (20, 100))
    made = [lines(b.size, _EDGE, b.log_uniform(*span)[:, 0], b.device) for span in spans]
    nicks = (made[1].abs() - b.uniform(1, 2.2)[:, 0]).clamp(min=0) * b.pick(-3, -2, 2)[:, 0]
    at = torch.arange(_EDGE, device=b.device, dtype=torch.float32)[None, :]
    teeth = torch.sin(_TURN * at / b.log_uniform(3, 40)[:, 0]) * (1 + 0.5 * made[3])
    edge = b.pick(0.15, 0.5, 1)[:, 0] * made[0] + b.pick(0, 1, 2)[:, 0] * nicks
    return edge + b.pick(0, 0, 0, 0.7)[:, 0] * teeth + b.pick(0, 0.3, 1)[:, 0] * made[2]


def _drag(b: Batch, position: Tensor, angle: Tensor) -> Tensor:
    """Return what an edge draws where it passed, strength changing slowly along the way."""
    slow = noise(b, b.log_uniform(20, 120), angle=angle, anisotropy=b.log_uniform(4, 40))
    return standardised(at_line(_edge(b), position + 2048) * (1 + b.pick(0, 0.2, 0.4) * slow))


def _path(b: Batch, tilt: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a blade's path: straight, or an arc of a wide circle."""
    along, across = turned(b, tilt)
    return along, across + b.some(0.5, -1, 1) * along**2 / (2.5 * b.cols)


def sheared_bands(b: Batch) -> Tensor:
    """Draw a guillotine's face: rollover, burnish with drag lines, at times a second burnish."""
    tilt = math.pi / 2 + b.uniform(-0.6, 0.6)
    t = 0.5 + turned(b, b.pick(0, math.pi))[1] / b.rows + 0.02 * _smooth(b, b.uniform(20, 80))
    enter, leave, soft = b.uniform(0, 0.25), b.uniform(0.4, 1.2), b.log_uniform(0.01, 0.1)
    burnish = sigmoid((t - enter) / soft) * sigmoid((leave - t) / soft)
    again = sigmoid((t - leave - b.uniform(0.05, 0.2)) / soft)
    strength = b.uniform(0.05, 0.5) + burnish + b.uniform(0, 0.8) * again
    drag = standardised(_drag(b, _path(b, tilt)[1], tilt) * strength)
    rough = noise(b, b.log_uniform(1, 8), angle=tilt, anisotropy=b.log_uniform(5, 60), exponent=0.3)
    roll = b.uniform(0, 2) * torch.exp(-t.clamp(min=0) / b.uniform(0.03, 0.2))
    relief = drag + b.pick(0, 0.2, 0.5) * rough * (1.2 - burnish) - roll
    return grained(b, relief + b.some(0.5, 0, 0.6) * burnish, 0.7, 4, 0.3)


def wheel_arcs(b: Batch) -> Tensor:
    """Draw arcs of a slitting wheel: concentric or fed on copies, rear teeth crossing some."""
    along, across = turned(b, b.either(b.uniform(-0.3, 0.3), b.uniform(0, _TURN)))
    fed, feed, side = b.chance(0.5) > 0, b.log_uniform(5, 60), b.pick(-1, 1)
    total, radius = 0 * across, b.rows * b.log_uniform(1.2, 9)
    for sign, share in ((1, b.pick(1)), (-1, b.some(0.35, 0.3, 1))):
        hub = torch.hypot(along, side * across + sign * radius) - radius
        copies = sign * along - torch.sqrt((radius**2 - across**2).clamp(min=0) + radius**2 / 9)
        position = torch.where(fed, copies + radius, hub)
        phase = position / feed
        tooth = numbers_at(torch.rand(b.size, 99, device=b.device), torch.floor(phase), 0 * phase)
        scallop = (phase - torch.floor(phase) - 0.5) ** 2 * 4 * (tooth + 0.5)
        drawn = standardised(at_line(_edge(b), position + _EDGE / 2))
        total = total + share * standardised(b.pick(0, 0.8, 2) * scallop + drawn)
    fade = 1 + b.some(0.6, 0.1, 0.5) * noise(b, b.uniform(0.2, 0.8) * b.rows)
    return grained(b, total * fade.clamp(min=0.1), 0.9, 5, 0.25)


def reciprocating_knife(b: Batch) -> Tensor:
    """Draw the waves that all points of a sawing edge write at once: copies of one path."""
    along, across = turned(b, b.uniform(0, _TURN))
    stroke = b.log_uniform(40, 400)
    phase = _TURN * along / stroke + b.uniform(0, 2) * torch.sin(along / (2.7 * stroke))
    sharp = torch.asin(0.985 * torch.sin(phase)) * 2 / math.pi
    path = b.either(torch.sin(phase + b.uniform(-0.6, 0.6) * torch.cos(phase)), sharp)
    drag = standardised(at_line(_edge(b), across + b.uniform(0.05, 0.3) * stroke * path + 2048))
    lighter = 1 - b.some(0.6, 0.2, 0.8) * sigmoid(6 * torch.cos(phase))  # the way back
    relief = drag * lighter + b.pick(0, -0.5, 0.5) * _bump(path.abs() - 1, 0.06)
    return grained(b, relief + b.pick(0, 0, 0.6) * b.uniform(0, 1) * path, 0.9, 5, 0.25)


def chattered_cut(b: Batch) -> Tensor:
    """Draw a vibrating blade's bands at the machine's frequency, drag lines through them."""
    tilt, period = b.uniform(0, _TURN), b.log_uniform(5, 80)
    along, across = turned(b, tilt)
    at = along + b.uniform(-0.5, 0.5) * across + b.some(0.5, -1, 1) * across**2 / (2 * b.cols)
    slow = at_line(lines(b.size, _EDGE, b.log_uniform(100, 500)[:, 0], b.device), at + 2048)
    phase = at / period * _TURN + b.some(0.5, 0, 2.5) * slow
    steep, lean, beat = b.pick(0.3, 1, 3), b.uniform(-0.9, 0.9), b.some(0.4, 0.3, 0.8)
    bands = torch.tanh(steep * torch.sin(phase + lean * torch.sin(phase)) + b.uniform(-0.6, 0.6))
    bands = bands / torch.tanh(steep) + beat * torch.sin(phase * b.uniform(1.05, 1.3))
    grip = sigmoid(b.pick(0, 2, 5) * bands)  # lines deepen while the blade presses
    swell = 1 + b.pick(0, 0.3, 0.6) * noise(b, b.uniform(0.3, 1) * b.rows)
    relief = b.uniform(0.3, 1.2) * bands * swell.clamp(min=0.05)
    relief = relief + b.log_uniform(0.3, 2.4) * _drag(b, across, tilt) * grip
    return grained(b, relief, 0.9, 5, 0.25)


def smeared_films(b: Batch) -> Tensor:
    """Draw drag lines under films that a built-up edge spread downstream, lobed at their ends."""
    tilt, wide = b.uniform(0, _TURN), b.log_uniform(6, 50)
    along, across = _path(b, tilt)
    film, front, ragged, lobe = 0 * across, 0 * across, noise(b, wide / 3), b.uniform(0.3, 1.2)
    u, v = along / (wide * b.log_uniform(3, 9)), across / wide
    for du, dv, first, second in places(u, v, b.uniform(0.2, 0.4), b.uniform(0.1, 0.7)).near():
        end = 0.55 * (0.4 + second) - lobe * dv**2 + 0.04 * ragged - du
        side = sigmoid((0.3 + 0.3 * first - dv.abs() + 0.03 * ragged) * 14)
        patch = sigmoid(end * 30) * sigmoid((du + 0.6) * 6) * side
        film = torch.maximum(film, patch * (0.5 + first))
        front = torch.maximum(front, _bump(end, 0.05) * side)
    streaks = noise(b, wide / 4, angle=tilt, anisotropy=b.log_uniform(10, 80), exponent=0.5)
    relief = _drag(b, across, tilt) * (1 - b.uniform(0.4, 1) * film.clamp(0, 1))
    relief = relief + b.uniform(0.6, 2.5) * film + b.pick(0, 0.4, 1) * front
    return grained(b, relief + b.pick(0, 0.3, 0.6) * streaks, 0.9, 5, 0.2)


def crossed_passes(b: Batch) -> Tensor:
    """Draw two or three passes at angles: scratches over scratches or facets side by side."""
    first, soft, overlaid = b.uniform(0, _TURN), b.log_uniform(0.5, 6), b.chance(0.45) > 0
    relief = _drag(b, _path(b, first)[1], first)
    for share in (1.0, 0.4):
        across = _path(b, tilt := first + b.pick(-1, 1) * b.log_uniform(0.12, 1.4))[1]
        drawn, away = _drag(b, across, tilt), across - b.uniform(-0.35, 0.35) * b.rows
        side = sigmoid(away / soft)
        facet = relief * (1 - side) + side * (drawn + b.uniform(-3, 3) * away / b.rows)
        facet = facet + b.pick(0, 0, 1) * _bump(away, 2 * soft)
        relief = b.either(torch.where(overlaid, relief + drawn, facet), relief, share)
    return grained(b, relief, 0.9, 5, 0.25)


def _rivers(b: Batch, stage: Tensor, place: Tensor, thin: Tensor) -> tuple[Tensor, Tensor]:
    """Return ridges and steps of lines that join in pairs each time the stage grows by 1."""
    part, level = stage - torch.floor(stage), torch.floor(stage)
    parent = place / torch.exp2(level + 1)
    index, ridge, step = torch.floor(parent), 0 * part, 0 * part
    tables = torch.rand(3, b.size, _TABLE, device=b.device)
    key = torch.remainder(index, 2048 / torch.exp2(level))  # a full turn closes
    found, after = (numbers_at(tables, torch.floor(key / n), level + n) for n in (1, 2))
    after = torch.where(torch.remainder(key, 2) > 0.5, after[2], after[1])
    joined = ((part - 0.6 * found[0]) / (1 - 0.6 * found[0])).clamp(0, 1)
    apart = 0.25 * (1 - joined * joined * (3 - 2 * joined))
    width = thin * torch.exp2(0.5 * stage - level)
    for side, height in ((-1, found[1]), (1, found[2])):
        away = parent - index - 0.5 - side * apart
        ridge = ridge + (height + (after / 2 - height) * part) * _bump(away, width)
        rise = height - 0.3 + (after / 2 - height + 0.15) * part
        step = step + rise * torch.tanh(away / width) * _bump(away, 0.09 * torch.exp2(part))
    return ridge, step


def joining_rivers(b: Batch) -> Tensor:
    """Draw rivers that wander, join downstream and gain height, on smooth or grained ground."""
    tilt, spacing = b.uniform(0, _TURN), b.log_uniform(4, 30).clamp(max=b.rows / 8)
    along, across = turned(b, tilt)
    reach = 0.5 * (b.cols * torch.cos(tilt).abs() + b.rows * torch.sin(tilt).abs())
    stage = b.uniform(0.5, 2.2) * (along / reach + 1) + 0.4 + 0.25 * _smooth(b, 3 * spacing)
    wander = b.uniform(0.1, 0.6) * _smooth(b, 2 * spacing) + 0.15 * noise(b, 3 * spacing)
    swerve = b.uniform(0, 0.08) * b.rows / spacing * _smooth(b, b.uniform(0.2, 0.5) * b.rows)
    place = across * (1 + b.some(0.5, -0.5, 0.5) * along / reach) / spacing + wander + swerve
    ridge, step = _rivers(b, stage.clamp(0, 8), place, b.uniform(0.03, 0.15))
    relief = standardised(b.pick(-1, 0, 1) * ridge + b.pick(0.7, 2) * step)
    relief = relief + b.uniform(0, 0.5) * noise(b, b.log_uniform(8, 80), exponent=1.4)
    return grained(b, relief, 0.9, 6, 0.25)


def forking_hackle(b: Batch) -> Tensor:
    """Draw mirror, mist and hackle: ridges that fork away from where the crack began."""
    col, row = turned(b, b.pick(0.0))
    x = col - b.uniform(-0.55, 0.55) * b.cols
    y = (row + b.pick(-1, 0, 1) * b.uniform(0.3, 1) * b.rows) * b.log_uniform(0.6, 1.6)
    radius, spacing = torch.sqrt(x * x + y * y + 4), b.log_uniform(5, 35)
    swing = (b.uniform(0.2, 0.8) * _smooth(b, 3 * spacing) + 0.1 * noise(b, spacing)) * spacing
    stage = 9.35 - torch.log2(radius / spacing) + b.uniform(0.1, 0.4) * _smooth(b, 3 * spacing)
    place = (torch.atan2(y, x + 0.01) + swing / (radius + spacing)) * 4096 / _TURN
    thin = b.uniform(0.03, 0.12) * torch.exp2(5 - 0.5 * stage)  # in spacings, hence even
    ridge, step = _rivers(b, stage.clamp(0, 11), place, thin)
    past = torch.log2(radius / (b.uniform(0.05, 0.8) * b.rows))
    rising = sigmoid(b.uniform(2, 8) * past)
    rising = rising * (1 + 0.4 * noise(b, 2 * spacing))
    relief = standardised((b.uniform(0.3, 1) * ridge + b.pick(0, 1, 2) * step) * rising)
    mist = _bump(past, 0.6) * noise(b, b.log_uniform(0.8, 3), exponent=0.3)
    waves = b.some(0.2, 0.05, 0.2) * torch.sin(radius / b.uniform(2, 7) + swing / 3) * rising
    ground = b.uniform(0, 0.4) * noise(b, b.log_uniform(2, 20)) * rising
    return standardised(relief + b.pick(0, 0.3, 0.8) * mist + waves + ground)


def ending_steps(b: Batch) -> Tensor:
    """Draw the steps of a torn elastomer: wandering, changing height, ending on smooth ground."""
    base, spread, lip = b.uniform(0, _TURN), b.pick(0.1, 0.3, 0.8), b.pick(0, 0.5, 1.2)
    relief = b.uniform(0.02, 0.2) * noise(b, b.log_uniform(15, 120), exponent=1.5)
    rough, width, few = 0.3 * noise(b, b.log_uniform(2, 8)), b.log_uniform(0.8, 8), b.pick(0.5, 1)
    for _ in range(18):
        angle = base + spread * b.normal()
        along, across = turned(b, angle)
        x, y = b.uniform(-0.5, 0.5) * b.cols, b.uniform(-0.5, 0.5) * b.rows
        gone = (along - x * torch.cos(angle) - y * torch.sin(angle)) / b.rows
        path = at_line(lines(b.size, _EDGE, b.log_uniform(25, 150)[:, 0], b.device), along + 2048)
        away = across - y * torch.cos(angle) + x * torch.sin(angle)
        bend = b.log_uniform(0.01, 0.15) * path + b.some(0.3, -0.4, 0.4) * gone.abs()
        gone, away = gone / b.uniform(0.15, 0.8), away - b.rows * bend
        life = sigmoid((1 - gone.abs()) * b.uniform(4, 12)) * (1 + 0.6 * gone.clamp(-1, 1))
        sharp = away / width + rough
        step = torch.tanh(sharp) * torch.exp(-away.abs() / (0.2 * b.rows)) + lip * _bump(sharp, 1)
        relief = relief + life * step * b.normal() * (torch.rand_like(few) < few)
    return grained(b, relief, 0.8, 10, 0.15)


def fibrils(b: Batch) -> Tensor:
    """Draw fibrils pulled from a neck: curved, tapering, ending in curls, over a cupped ground."""
    tilt, wide, curl = b.uniform(0, _TURN), b.log_uniform(2, 10), b.pick(0, 0, 0, 1)
    along, across = turned(b, tilt)
    ground = noise(b, 1.5 * wide, angle=tilt, anisotropy=b.log_uniform(1, 4)).abs()
    whitened = 0.3 + sigmoid(b.uniform(1, 5) * (noise(b, b.uniform(0.15, 0.6) * b.rows) + 0.4))
    relief = b.pick(-1, 1) * b.uniform(0.2, 0.9) * ground * whitened
    bow, stray, slim, gaps = b.uniform(1, 12), b.uniform(1, 12), b.uniform(0.4, 0.9), b.pick(0, 0.5)
    for scale in (1.0, 0.5):
        long = wide * scale * b.log_uniform(12, 40)
        bent = across + 2 * wide * _smooth(b, 0.4 * long)
        spots = places(along / long, bent / (3 * wide * scale), b.uniform(0.25, 0.45), gaps)
        for du, dv, first, second in spots.near():
            off = dv * 3 - (first - 0.5) * (bow * du**2 + stray * du)  # in widths
            half = 0.5 + 0.5 * second
            thick = slim * (0.3 + 0.6 * second) * (1 - (du / half) ** 2).clamp(min=0).sqrt() + 1e-3
            knob = (du - 0.9 * half) * long / wide / scale
            tip = curl * (1 - (knob**2 + off**2) / 0.6).clamp(min=0).sqrt()
            there = torch.maximum((1 - (off / thick) ** 2).clamp(min=0).sqrt(), tip)
            level = scale * (0.8 + 1.5 * first) * whitened * (0.5 + there)
            relief = torch.where(there > 0.01, torch.maximum(relief, level), relief)
    return standardised(blur(relief, b.uniform(0.3, 0.8)))


def halted_front(b: Batch) -> Tensor:
    """Draw whitened bands where a tear front halted: curved, forking, uneven, fibrous between."""
    tilt, period = b.uniform(0, _TURN), b.log_uniform(16, 120)
    along, across = turned(b, tilt)
    forked = _banded(b, period, tilt, b.uniform(0.15, 0.4), b.uniform(0.1, 0.35))
    thumb = along + b.uniform(-0.5, 0.5) * across**2 / b.rows + period * _smooth(b, 2 * period) / 2
    rests = lines(b.size, _EDGE, (period * b.uniform(0.15, 0.5))[:, 0], b.device)
    fronts = at_line(rests, thumb + _EDGE / 2) + 0.4 * _smooth(b, period)
    bands = b.either(forked, standardised(fronts)) + b.pick(0, 0.1, 0.3) * noise(b, period / 2)
    crest = sigmoid(b.uniform(4, 15) * (bands - b.uniform(0.2, 1.2)))
    form = standardised(b.either(crest, torch.tanh(b.uniform(0.7, 3) * bands)))
    brush = noise(b, b.log_uniform(1.5, 8), angle=tilt, anisotropy=b.log_uniform(2, 7))
    brush = b.either(brush, brush.abs() * 1.6 - 1.2) * sigmoid(b.pick(-4, -2, 3) * form)
    relief = b.uniform(0.5, 1.4) * form + b.uniform(0.4, 1.6) * brush
    return grained(b, relief, 0.7, 6, 0.3)


LASER_LOOKS: tuple[Look, ...] = (raster_of_pulses, focal_layers, rippled_strokes, gas_cavities)
SCISSOR_LOOKS: tuple[Look, ...] = (
    sheared_bands, wheel_arcs, reciprocating_knife, chattered_cut, smeared_films, crossed_passes,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (joining_rivers, forking_hackle, ending_steps, fibrils, halted_front)
