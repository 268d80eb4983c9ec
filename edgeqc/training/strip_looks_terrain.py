"""Looks of cut faces as land and broken rock show them: craters, furrows, drainage, plumes.

What names the cause is geometry, at any scale. Shots of a laser lie on a programmed raster and
overprint each other as impacts do: the younger bowl is whole, the older one is bitten. An edge
that is dragged is a graver: its profile runs on along straight lines or about one centre, as
striae of ice or of a fault's tool mark do, and chatter stands square to the way it went. A crack
follows stress: its steps join downstream as rivers do and their heights add up (Zapffe and
Clogg 1945, from memory), barbs diverge from an axis that bends (Woodworth 1896; Bahat 1991, from
memory), lances stand en echelon where the stress turned (Sommer 1969, from memory), ribs and
hackle belong to one origin, and fibres span what was pulled apart.
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
    cells,
    grained,
    lines,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)

_EDGE = 2048
"""Samples of an edge's profile."""
_SHEET = (512, 1024)
"""Samples across and along a sheet that bent coordinates read."""
_RIVERS = 63


def _sheet(b: Batch, width: Tensor, anisotropy: Tensor) -> Tensor:
    """Return a periodic sheet of streaks of a width that run along its columns."""
    of = Batch(b.size, *_SHEET, b.device)
    return noise(of, width * anisotropy.sqrt(), exponent=1.0, anisotropy=anisotropy)


def _read(sheet: Tensor, along: Tensor, across: Tensor) -> Tensor:
    """Return a sheet read linearly at places, which it repeats beyond its ends."""
    rows, cols = sheet.shape[-2:]
    i, j = torch.floor(across), torch.floor(along)
    found = []
    for step in range(4):
        key = ((i + step // 2) % rows).long() * cols + ((j + step % 2) % cols).long()
        found.append(torch.gather(sheet.flatten(1), 1, key.flatten(1)).reshape(key.shape))
    low, high = (torch.lerp(*found[k : k + 2], along - j) for k in (0, 2))
    return torch.lerp(low, high, across - i)


def _along_line(b: Batch, length: Tensor, position: Tensor) -> Tensor:
    """Return a random line read at positions about 0."""
    return at_line(lines(b.size, _EDGE, length[:, 0], b.device), position + _EDGE / 2)


def _edge(b: Batch, across: Tensor) -> Tensor:
    """Return what an edge draws: nicks with levees, evenly spaced or not, on waves and grain."""
    spacing = b.log_uniform(4, 70)
    at = torch.arange(_EDGE, device=b.device) / spacing
    even, odd = torch.floor(at) != torch.floor(at - 1 / spacing), torch.rand_like(at) < 1 / spacing
    nicks = torch.where(b.chance(0.25) > 0, even, odd) * torch.rand_like(at) ** b.pick(0.3, 1, 3)
    width = (spacing * b.log_uniform(0.04, 0.3)).clamp(min=0.6)
    line = standardised(b.uniform(0, 0.9) * blur(nicks, 2 * width) - blur(nicks, width))[:, 0]
    for weight, length in ((b.pick(0.05, 0.3, 0.7), b.log_uniform(0.6, 4)),
                           (b.pick(0, 0.4, 1.2), b.log_uniform(8, 120))):  # fmt: skip
        line = line + weight[:, 0] * lines(b.size, _EDGE, length[:, 0], b.device)
    return at_line(line, across + _EDGE / 2)


def _stroke(b: Batch) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across one stroke: straight, about a centre, or unsteady."""
    u, v = turned(b, b.uniform(-1.6, 1.6))  # what is unsteady bends all lines alike
    far, sway = b.log_uniform(30, 300), b.pick(0, 0, 1) * b.uniform(0.005, 0.025)
    v = v + sway * far * _along_line(b, far, u)
    bend = b.pick(-1, 0, 0, 1) / b.log_uniform(250, 5000)
    return u, v + 0.5 * bend * (u - b.uniform(-0.5, 0.5) * b.cols) ** 2


def _raster(b: Batch, finest: float, coarsest: float) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return positions on a raster in pitches, mostly along the face, its ratio and its skew."""
    pitch, ratio = b.log_uniform(finest, coarsest), b.log_uniform(0.6, 1.9)
    u, v = turned(b, b.uniform(-1, 1) * b.pick(0.15, 0.15, 1.6))
    v = v + b.pick(0, 0.1, 0.3) * pitch * _along_line(b, pitch * b.uniform(3, 20), u)
    across, skew = v / (pitch * ratio), b.pick(0, 0, 0.5, 0.23)
    return u / pitch + skew * across, across, ratio, skew


def _far(u: Tensor, v: Tensor, ratio: Tensor, skew: Tensor) -> Tensor:
    """Return a distance on the face, in pitches, of an offset on a raster."""
    return torch.sqrt((u - skew * v) ** 2 + (ratio * v) ** 2 + 1e-9)


def impact_rows(b: Batch) -> Tensor:
    """Laser: rows of craters, the younger whole and the older bitten, with rims."""
    along, across, ratio, skew = _raster(b, 5, 60)
    reach, rim = b.uniform(0.2, 0.75), b.pick(0, 0.3, 0.7) * b.uniform(0.5, 1)
    flat, ring = b.pick(1, 1, 2), b.chance(0.3) * b.uniform(0.1, 0.4)
    order, spread = b.chance(0.6), b.uniform(0.05, 0.45)
    best, height = torch.full_like(along, -9.0), torch.zeros_like(along)
    found = places(along, across, b.uniform(0.01, 0.16), b.pick(0, 0.04, 0.15))
    for u, v, first, second in found.near():
        far = _far(u, v, ratio, skew) / (reach * (1 + spread * (first - 0.5) * 2))
        bowl = (far.clamp(max=1) ** (2 * flat) - 1) * (0.6 + 0.8 * second)
        bowl = bowl + ring * torch.cos(far * 14) * (far < 1) + rim * torch.exp(-16 * (far - 1) ** 2)
        turn = torch.where(order > 0, -u, second)
        newer = (far < 1.5) & (turn > best)
        covered = torch.where(far < 1, bowl, torch.maximum(height, bowl))
        height = torch.where(newer, covered, height)
        best = torch.where(newer & (far < 1.1), turn, best)
    return grained(b, blur(height, b.uniform(0.4, 0.9)), 1, 20, 0.5)


def half_barrels(b: Batch) -> Tensor:
    """Laser: halves of long voids in layers, as drill holes stand on a blasted face."""
    ratio, pitch = b.log_uniform(1.6, 6), b.log_uniform(4, 30)
    u, v = turned(b, b.uniform(-0.12, 0.12))
    v = v + b.pick(0, 0.3, 1) * pitch * _along_line(b, b.log_uniform(30, 200), u)
    across = v / (pitch * ratio)
    along = u / pitch + b.pick(0, 0.5, 0.5) * torch.floor(across)
    width, length = b.uniform(0.3, 0.55), b.uniform(0.35, 0.7)
    power, height = b.pick(2, 2, 4), torch.zeros_like(along)
    found = places(along, across, b.uniform(0.03, 0.15), b.pick(0, 0.05, 0.25))
    for du, dv, first, second in found.near():
        far = (du / (width * (0.8 + 0.4 * first))) ** 2 + (dv / length).abs() ** power
        height = torch.minimum(height, -(1 - far).clamp(min=0).sqrt() * (0.5 + second))
    broken = noise(b, b.log_uniform(2, 25), exponent=0.3)
    patch = torch.sigmoid(6 * noise(b, pitch * b.uniform(3, 12)) - b.uniform(2, 15))
    joint = b.uniform(0, 0.6) * torch.exp(-(((across - torch.floor(across)) / 0.08) ** 2))
    return grained(b, height * (1 - patch) - joint + 0.5 * patch * broken, 1, 10, 0.5)


def vesicles(b: Batch) -> Tensor:
    """Laser: molten skin with round gas holes of many sizes, the largest along the raster."""
    along, across, ratio, skew = _raster(b, 8, 90)
    height = b.uniform(0, 0.5) * torch.cos(2 * math.pi * across)
    lip, share = b.uniform(0.05, 0.5), b.uniform(0.1, 0.7)
    for octave in range(4):
        scale = 2.1**octave
        jitter = b.uniform(0.3, 0.4) if octave else b.uniform(0.05, 0.2)
        found = places(along * scale, across * scale, jitter, share * (1 if octave else 0.4))
        for u, v, first, second in found.near():
            size = 0.12 + 0.5 * first * (0.4 + 0.6 * second)
            far = _far(u, v, ratio, skew) / size
            hole = -(1 - far * far).clamp(min=0).sqrt() * size * 2.5 / scale
            edge = lip * size / scale * torch.exp(-(((far - 1.05) / 0.15) ** 2))
            height = torch.where(far < 1, torch.minimum(height, hole), height + edge)
    return grained(b, blur(height, b.uniform(0.3, 0.9)), 10, 120, 0.4)


def run_together_passes(b: Batch) -> Tensor:
    """Laser: grooves of many shots run together, beaded each in its own step and strength."""
    pitch, share, wide = b.log_uniform(6, 60), b.log_uniform(0.25, 0.9), b.uniform(0.25, 0.5)
    u, v = turned(b, b.uniform(-1, 1) * b.pick(0.2, 0.2, 1.6))
    table = torch.rand(3, b.size, 8192, device=b.device)
    row = torch.floor(v / pitch)
    shot = u / (pitch * share) + numbers_at(table[0], row, 0 * row)
    lost, spread = b.pick(0, 0.05, 0.15), b.uniform(0.1, 1)
    groove, off = torch.zeros_like(v), b.uniform(0, 0.25)
    for step in range(-2, 3):
        count = torch.floor(shot) + step
        power = numbers_at(table[1], row, count)
        x = (shot - count - 0.5) * share
        y = v / pitch - row - 0.5 + off * (numbers_at(table[2], row, count) - 0.5)
        far = (x * x + y * y) / (wide * (1 - 0.4 * spread * power)) ** 2
        bowl = (1 - 0.7 * spread * power) * (power > lost) * (1 - far).clamp(min=0)
        groove = torch.maximum(groove, bowl)
    bank = b.uniform(0, 0.8) * (2 * (v / pitch - row - 0.5).abs()).clamp(max=1) ** 6
    return grained(b, blur(bank - 1.5 * groove, b.uniform(0.4, 1)), 1, 15, 0.6)


def drawn_striae(b: Batch) -> Tensor:
    """Scissor: one to three families of drag lines, straight or each about its own centre."""
    first = b.uniform(-1.6, 1.6)
    x, y = turned(b, torch.zeros_like(first))
    relief, two = torch.zeros_like(x * y), b.chance(0.6)
    for family in range(3):
        angle = first + family * b.pick(-1, 1) * b.uniform(0.1, 1.3)
        u, v = turned(b, angle)
        reach = b.cols * b.log_uniform(0.6, 4)
        from_x, from_y = x + reach * torch.sin(angle), y - reach * torch.cos(angle)
        arc = reach - torch.sqrt(from_x**2 + from_y**2)
        across = torch.where(b.chance(0.5) > 0, arc, v).clamp(-1000, 1000)
        marks = _edge(b, across)
        band = torch.floor(across / b.log_uniform(5, 60))
        own = numbers_at(torch.rand(b.size, 512, device=b.device), band, 0 * band)
        saw = (u / b.log_uniform(40, 400) * (0.4 + own) + 9 * own) % 1  # smear ends in risers
        riser = torch.minimum(saw, 16 - 16 * saw) * (own > 0.5)
        stop = torch.exp(-((((u / b.log_uniform(60, 300)) % 1 - 0.5) / 0.02) ** 2))
        marks = marks + b.pick(0, 0, 0.4, 1.2) * riser + b.pick(0, 0, 0, 0.5, 1.5) * stop
        lies = torch.sigmoid((across / b.rows - b.uniform(-0.5, 0.5)) / b.log_uniform(0.005, 0.2))
        swath = lies * two * b.pick(0, 1, 1) if family else b.pick(1)
        relief = relief * (1 - swath * b.uniform(0.2, 1)) + swath * b.uniform(0.5, 1.2) * marks
    polish = torch.sigmoid(1.7 * noise(b, b.log_uniform(20, 90), exponent=1.5) + b.uniform(0, 5))
    return grained(b, relief * polish, 1, 30, 0.35)


def turned_furrows(b: Batch) -> Tensor:
    """Scissor: furrows ploughed side by side, one flank steep and lumpy with what it turned."""
    u, v = _stroke(b)
    pitch, skew = b.log_uniform(7, 70), b.uniform(0.08, 0.5)
    v = v + b.pick(0, 0.1, 0.25) * pitch * _along_line(b, pitch * b.uniform(1, 4), v)
    number, f = torch.floor(v / pitch), v / pitch % 1
    flank = torch.minimum(f / skew, (1 - f) / (1 - skew)) ** b.pick(0.6, 1, 2)
    height = 0.6 + 0.8 * numbers_at(torch.rand(b.size, 4096, device=b.device), number, 0 * number)
    clods = _read(_sheet(b, pitch * b.uniform(0.05, 0.2) + 0.7, b.log_uniform(1, 12)), u, v)
    burr = torch.exp(-(((f - skew) / b.uniform(0.1, 0.4)) ** 2))
    relief = 2.5 * flank * height + b.pick(0, 0.5, 1.2) * b.uniform(0.3, 1) * burr * clods
    return grained(b, relief + b.pick(0.1, 0.3, 0.7) * _edge(b, v), 1, 20, 0.3)


def hewn_strokes(b: Batch) -> Tensor:
    """Scissor: facets of strokes laid side by side, each with its tilt and its drag lines."""
    u, v = _stroke(b)
    width = b.log_uniform(14, 120)
    long, table = width * b.log_uniform(1, 6), torch.rand(5, b.size, 8192, device=b.device)
    at = v / width + b.uniform(0, 0.3) * _along_line(b, 2 * width, v)
    at = at + b.uniform(0, 0.07) * noise(b, width * b.uniform(1, 4), exponent=1.5)
    row, fv = torch.floor(at), at % 1 - 0.5
    along = u / long + numbers_at(table[0], row, 0 * row)
    along = along + b.pick(-1, 1) * b.uniform(0.3, 1.5) * fv * fv
    along = along + b.uniform(0, 0.3) * _along_line(b, long, u)
    facet, fu = torch.floor(along), along % 1
    own = [numbers_at(table[k], row, facet) - 0.5 for k in range(1, 5)]
    way = v + b.pick(0, 0.1, 0.35) * own[0] * u + 300 * own[1]
    relief = b.uniform(0, 1.5) * own[2] * fv + (0.4 + own[3]) * b.uniform(0.5, 2) * fu
    relief = relief + b.uniform(1, 4) * fv * fv + b.uniform(0.1, 0.4) * _edge(b, way)
    lip = torch.exp((fu - 1) * long / b.log_uniform(1.5, 8))
    return grained(b, blur(relief + b.uniform(-0.5, 1) * lip, b.uniform(0.4, 1.2)), 1, 20, 0.15)


def washboard(b: Batch) -> Tensor:
    """Scissor: chatter, waves square to the drag lines at one spacing, in packets or all along."""
    u, v = _stroke(b)
    pitch, skew = b.log_uniform(5, 60), b.uniform(0.12, 0.5)
    bow = b.pick(0, 1) * b.pick(-1, 1) / b.log_uniform(150, 1500)
    phase = (u + 0.5 * bow * v * v) / pitch + b.uniform(0, 0.6) * _along_line(b, 9 * pitch, u)
    phase = phase + b.pick(0, 0.15, 0.5) * _along_line(b, b.log_uniform(30, 300), v)
    wave = torch.minimum(phase % 1 / skew, (1 - phase % 1) / (1 - skew))
    wave = torch.where(b.chance(0.5) > 0, wave * wave * (3 - 2 * wave), wave ** b.pick(1, 3))
    packet = torch.sigmoid(3 * _along_line(b, 6 * pitch, u) + b.uniform(1, 5))
    track = torch.sigmoid(3 * _along_line(b, b.log_uniform(8, 80), v) + b.uniform(1, 5))
    relief = b.uniform(1.5, 3.5) * (wave - 0.5) * packet * track
    return grained(b, relief + b.uniform(0.1, 0.6) * _edge(b, v), 1, 20, 0.3)


def smeared_films(b: Batch) -> Tensor:
    """Scissor: films and streaks smeared one way over drag lines of the same way."""
    angle = b.uniform(-1.6, 1.6)
    _, v = turned(b, angle)
    body = noise(b, b.log_uniform(10, 60), angle=angle, anisotropy=b.log_uniform(2.5, 16))
    ragged = b.uniform(0, 0.4) * _along_line(b, b.log_uniform(1, 6), v)
    film = torch.sigmoid((body + ragged - b.uniform(-0.3, 1)) * b.pick(4, 12))
    lip = b.uniform(0, 2) * film * (1 - film) * 4  # where a film ends, it is rolled up
    streaks = noise(b, b.log_uniform(3, 20), angle=angle, anisotropy=b.log_uniform(30, 200))
    relief = _edge(b, v) * (1 - film * b.uniform(0.3, 0.9)) + b.uniform(0.5, 2.5) * film
    return grained(b, relief + lip + b.pick(0, 0.4, 1) * streaks, 1, 12, 0.25)


def plumose_barbs(b: Batch) -> Tensor:
    """Torn: barbs that leave a bent axis on both sides, coarser and higher away from it."""
    u, v = turned(b, b.uniform(-1.6, 1.6))
    scale = b.rows * b.log_uniform(0.3, 1.2)
    axis = b.uniform(0, 0.15) * b.rows * _along_line(b, b.log_uniform(80, 400), u)
    v = v - axis - b.uniform(-0.5, 0.5) * b.rows
    y = torch.sqrt(v * v + 4)
    far = y / scale
    across = u - b.uniform(0.6, 2.5) * scale * far ** b.uniform(0.45, 0.9)
    across = across + 250 * (v > 0) + b.uniform(1, 4) * noise(b, b.log_uniform(15, 50))
    width, long = b.log_uniform(1, 6), b.log_uniform(4, 18)
    fine = _read(_sheet(b, width, long), y * 1.2, across)
    wide = _read(_sheet(b, width * b.uniform(2.5, 5), long), y * 1.2, across)
    share = torch.sigmoid(4 * (far - b.uniform(0.2, 1)))
    barbs = fine * (1 - share) + (wide + 0.4 * fine) * share
    barbs = torch.where(b.chance(0.5) > 0, -barbs.abs() * 1.5, barbs)
    barbs = barbs * (0.15 + far) ** b.uniform(0.2, 1)
    front = (u + b.uniform(0.3, 1.2) * scale * far**1.5).clamp(-1000, 1000)
    ribs = b.pick(0, 0.3, 0.7) * _along_line(b, b.log_uniform(8, 60), front)
    return grained(b, barbs + ribs + b.uniform(-1, 1) * torch.exp(-y / 5), 1, 15, 0.3)


def _courses(b: Batch, apart: Tensor) -> Tensor:
    """Return courses of rivers over 512 stations, (rivers, b, 512): each joins another."""
    down, count = torch.linspace(0, 1, 512, device=b.device), _RIVERS + 2
    source = torch.arange(count, device=b.device)[:, None] - (count - 1) / 2
    source = source + 0.35 * torch.randn(count, b.size, device=b.device).clamp(-1.5, 1.5)
    length = b.log_uniform(10, 80)[:, 0].repeat(count, 1)
    wander = lines(count * b.size, 512, length, b.device).reshape(count, b.size, 512)
    course = (source[:, :, None] + b.uniform(0.12, 0.5)[:, :, 0] * wander) * apart[:, :, 0]
    bend, pace, first = b.uniform(0.6, 1.3)[:, 0], b.uniform(0.4, 1)[:, 0], b.log_uniform(0.15, 0.9)
    for level in range(4, -1, -1):
        step = 2**level
        own = torch.arange(step, _RIVERS + 1, 2 * step, device=b.device)
        sign = torch.where(torch.rand(len(own), b.size, device=b.device) < 0.5, -1, 1)
        other = (own[:, None] + step * sign)[:, :, None].expand(-1, -1, 512)
        into = torch.gather(course, 0, other)
        uneven = torch.exp(0.5 * torch.randn(len(own), b.size, 1, device=b.device))
        left = 1 - down / (first[:, 0] * 2 ** (pace * level) * uneven)
        course[own] = into + (course[own] - into) * left.clamp(min=0) ** bend
    return course[1:-1]


def drainage_steps(b: Batch) -> Tensor:
    """Torn: steps or ridges on smooth ground that join downstream and grow as they join."""
    turn = b.uniform(-math.pi, math.pi)
    u, v = turned(b, turn)
    long = b.cols * torch.cos(turn).abs() + b.rows * torch.sin(turn).abs()
    broad = b.cols * torch.sin(turn).abs() + b.rows * torch.cos(turn).abs()
    apart = torch.maximum(broad / _RIVERS * b.log_uniform(0.7, 2.4), b.uniform(2.5, 6))
    course = _courses(b, apart)
    at = (u / long + b.uniform(0.3, 0.8)) / b.log_uniform(1, 1.8)
    width, ridge, bias = b.log_uniform(0.9, 3), b.chance(0.35), b.pick(0.5, 0.75, 1)
    size = torch.exp(0.6 * torch.randn(_RIVERS, b.size, 1, 1, device=b.device))
    way = (torch.rand(_RIVERS, b.size, 1, 1, device=b.device) < bias) * 2.0 - 1
    start = b.uniform(0.15, 0.6) * torch.rand(_RIVERS, b.size, 1, 1, device=b.device)
    relief, station, fall = torch.zeros_like(v), at.clamp(0, 1) * 511, 1 - 0.6 * at.clamp(0, 1)
    for river in range(_RIVERS):
        off = (v - at_line(course[river], station)) / width
        step = (torch.tanh(off) + torch.sign(course[river][:, :1, None])) * way[river]
        shape = torch.where(ridge > 0, torch.exp(-off * off), step)
        relief = relief + size[river] * shape * torch.sigmoid((at - start[river]) / 0.02)
    slope = (relief * v).mean(dim=(1, 2), keepdim=True) / (v * v).mean(dim=(1, 2), keepdim=True)
    relief = standardised((relief - (1 - ridge) * slope * v * (5 * at).clamp(0, 1)) * fall)
    return grained(b, relief / (1 + 0.15 * relief.abs()), 1, 100, 0.25)


def echelon_lances(b: Batch) -> Tensor:
    """Torn: tilted lances en echelon, side by side or growing from an origin beside the face."""
    u, v = turned(b, b.uniform(-math.pi, math.pi))
    far, fan = b.uniform(0.6, 1.6) * b.cols, b.chance(0.6) > 0
    r = torch.sqrt((u + far) ** 2 + v * v + 25)
    width, ratio = b.log_uniform(5, 45), b.log_uniform(3, 12)
    along = torch.where(fan, torch.log(r / far) * far, u) / (width * ratio)
    across = torch.where(fan, torch.atan2(v, u + far) * far, v) / width
    across = across + b.uniform(0, 0.7) * noise(b, b.log_uniform(20, 90), exponent=1.5)
    of = places(along, across + b.uniform(-0.5, 0.5) * along, b.uniform(0.2, 0.4), b.pick(0))
    near, second, value, off_u, off_v = cells(of)
    tilt = b.pick(-1, 1) * (1 + b.uniform(0, 3) * value)
    relief = tilt * off_v + b.uniform(-1, 1) * off_u + b.uniform(0, 1) * (value - 0.5)
    relief = relief + b.uniform(-1, 1) * torch.exp(-(second - near) / b.uniform(0.02, 0.15))
    sheet = _sheet(b, b.log_uniform(0.8, 3), b.log_uniform(5, 20))
    hair = _read(sheet, along * width * ratio, across * width)
    return grained(b, blur(relief + b.pick(0, 0.15, 0.4) * hair, 0.6), 1, 12, 0.3)


def conchoidal(b: Batch) -> Tensor:
    """Torn: one origin: mirror about it, then ribs at uneven distances and hackle that forks."""
    x, y = turned(b, b.pick(0))
    x, y = x - b.uniform(-0.6, 0.6) * b.cols, y - b.uniform(-0.8, 0.8) * b.rows
    y = y * b.uniform(0.7, 1.4)
    warp = noise(b, b.log_uniform(20, 120), exponent=1.5)
    r = (torch.sqrt(x * x + y * y + 1) + b.uniform(1, 7) * warp).clamp(min=0)
    theta = torch.atan2(y, x + 1e-3) / (2 * math.pi) + b.uniform(0, 0.005) * warp
    mirror = b.log_uniform(0.12, 0.8) * b.rows
    begin = r / mirror
    spread = (begin ** b.uniform(0.5, 0.9) * mirror).clamp(max=1000)
    ribs = _along_line(b, b.log_uniform(4, 40), spread)
    ribs = torch.where(b.chance(0.6) > 0, -ribs.abs() * 1.6, ribs)
    hackle = torch.zeros_like(r)
    for octave in range(3):
        sheet = _sheet(b, b.log_uniform(1.5, 5), b.log_uniform(6, 25))
        streak = _read(sheet, r, theta * _SHEET[0] * 2**octave)
        hackle = hackle + streak * torch.sigmoid(4 * (begin - 1 - octave))
    mist = torch.sigmoid(3 * (begin - b.uniform(0.7, 2))) * noise(b, b.log_uniform(1, 3))
    relief = b.pick(0.3, 1, 1.4) * ribs + b.pick(0.2, 0.5, 1) * hackle
    return grained(b, relief + b.uniform(0, 0.4) * mist, 1, 10, 0.15)


def pulled_apart_fibres(b: Batch) -> Tensor:
    """Torn: basins pulled open, spanned by fibres that wander, join and end."""
    angle = b.uniform(-1.6, 1.6)
    u, v = turned(b, angle)
    bent = b.log_uniform(12, 80)
    v = v + bent * b.uniform(0.08, 0.25) * noise(b, bent, exponent=1.5)
    width, long = b.log_uniform(1.5, 9), b.log_uniform(5, 25)
    strand = _read(_sheet(b, width * 2, long), u, v)
    fibre = torch.exp(-((strand / b.log_uniform(0.2, 0.6)) ** 2))
    basin = noise(b, width * b.uniform(4, 15), angle=angle, anisotropy=b.log_uniform(0.4, 4))
    basin = basin + b.uniform(0, 0.3) * strand
    open_ = torch.sigmoid((basin - b.pick(-3, 0, 0.6, 1.2)) * b.log_uniform(3, 20))
    rough = _read(_sheet(b, width, long * 0.4), u, v) + 0.5 * strand
    relief = torch.lerp(b.uniform(0.2, 0.7) * rough, b.uniform(1, 2.5) * fibre - 1.5, open_)
    return grained(b, relief, 1, 10, 0.3)


LASER_LOOKS: tuple[Look, ...] = (impact_rows, half_barrels, vesicles, run_together_passes)
SCISSOR_LOOKS: tuple[Look, ...] = (
    drawn_striae, turned_furrows, hewn_strokes, washboard, smeared_films,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (
    plumose_barbs, drainage_steps, echelon_lances, conchoidal, pulled_apart_fibres,
)  # fmt: skip
