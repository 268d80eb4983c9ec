"""Reliefs of torn faces, drawn from what fractography knows of polymers that were pulled apart.

Sources are quoted from memory: Hull, Fractography (1999); Rabinovitch and Bahat on Wallner lines;
Ravi-Chandar and Yang (1997) on conic marks; Kramer (1983) on crazes; Bouchaud (1997) and Ponson
et al. (2006) on self-affine roughness; Gent and Pulford (1984) on the steps of torn rubber.
Scales are in samples of the strip. Every relief has mean 0 and a standard deviation of its own.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    Places,
    at_line,
    blur,
    cells,
    lines,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)

_TABLE = 4096


def _read(plane: Tensor, row: Tensor, col: Tensor) -> Tensor:
    """Return a plane read at positions in samples, linearly; it goes round at its ends."""
    rows, cols = plane.shape[-2:]
    low_row, low_col = torch.floor(row), torch.floor(col)
    f_row, f_col = row - low_row, col - low_col
    i, j = low_row.long() % rows, low_col.long() % cols
    k, m = (i + 1) % rows, (j + 1) % cols
    flat = plane.flatten(1)
    at = [torch.gather(flat, 1, (a * cols + c).flatten(1)).reshape(row.shape)
          for a, c in ((i, j), (i, m), (k, j), (k, m))]  # fmt: skip
    upper, lower = at[0] + f_col * (at[1] - at[0]), at[2] + f_col * (at[3] - at[2])
    return upper + f_row * (lower - upper)


def _bent(b: Batch, angle: Tensor, length: Tensor, slope: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a direction that wavers by about ``slope`` (radians)."""
    along, across = turned(b, angle)
    aside, over = (slope * length * noise(b, length, exponent=1.6) for _ in range(2))
    return along + aside, across + over


def _any_way(b: Batch) -> Tensor:
    return b.uniform(-math.pi, math.pi)


def _polar(b: Batch) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return wavering coordinates from a crack's origin: right, down, distance and direction."""
    right, down = _bent(b, b.pick(0.0), b.log_uniform(12, 90), b.uniform(0.15, 0.6))
    right = right - b.cols * b.uniform(-0.65, 0.65)
    down = down - b.rows * b.uniform(-1.0, 1.0)
    return right, down, torch.sqrt(right**2 + down**2 + 4), torch.atan2(down, right)


def _hackle(b: Batch, far: Tensor, way: Tensor, width: Tensor, stretch: Tensor) -> Tensor:
    """Return a field drawn out along the directions away from the origin."""
    usual = far.mean(dim=(-2, -1), keepdim=True)
    # a whole number of turns of the plane, so that it closes round the origin
    turns = torch.round(2 * math.pi * usual / b.cols).clamp(min=1)
    scale = turns * b.cols / (2 * math.pi)
    plane = noise(b, (width * scale / usual).clamp(min=0.7), exponent=b.uniform(0.4, 1.6))
    return _read(plane, scale * torch.log(far / usual) / stretch, way * scale)


def _finished(b: Batch, relief: Tensor) -> Tensor:
    """Blunt the relief as the material recoils, and lay grain and waviness over some."""
    relief = standardised(blur(relief, b.log_uniform(0.25, 2.2)))
    grain = noise(b, b.log_uniform(0.7, 12), exponent=b.uniform(0.1, 1))
    wave = noise(b, b.rows * b.uniform(0.1, 0.6), exponent=1.2)
    relief = relief + b.chance(0.5) * b.log_uniform(0.03, 0.5) * grain
    relief = relief + b.chance(0.4) * b.uniform(0, 1.2) * wave
    return standardised(relief) * b.log_uniform(0.5, 4)


def _mirror_to_hackle(b: Batch) -> Tensor:
    """Smooth about the origin, then grained mist, then hackle that points away from it."""
    _, _, far, way = _polar(b)
    mirror, width = b.rows * b.log_uniform(0.12, 0.9), b.log_uniform(3, 30)
    rough = far / mirror + b.uniform(0.1, 0.4) * noise(b, b.log_uniform(5, 60))
    mist = torch.sigmoid((rough - 1) * b.log_uniform(3, 15))
    hackled = ((rough - b.uniform(1.0, 1.8)) * b.log_uniform(0.5, 3)).clamp(0, 1.5)
    coarse = _hackle(b, far, way, width, b.log_uniform(2.5, 12))
    fine = _hackle(b, far, way, width * b.uniform(0.25, 0.5), b.log_uniform(1.5, 6))
    sharp = b.uniform(0, 1)
    lances = (1 - sharp) * coarse - sharp * 1.6 * coarse.abs() + b.uniform(0.1, 0.6) * fine
    grain = noise(b, b.log_uniform(0.8, 4), exponent=b.uniform(0.2, 1))
    return _finished(b, hackled * lances + b.log_uniform(0.05, 0.5) * mist * grain)


def _ribs(b: Batch) -> Tensor:
    """Arrest lines that bow about the origin, ripples of passing waves, and hackle across them.

    Along a Wallner line, distance from the origin less (crack's speed / shear wave's) times that
    from the flaw that sent the wave is the same.
    """
    right, down, far, way = _polar(b)
    space = b.log_uniform(6, 80)
    samples = 2 * b.cols
    uneven = lines(b.size, samples, 2 * space[:, 0], b.device)
    phase = far / space + b.uniform(0.2, 0.9) * at_line(uneven, far)
    phase = phase + b.uniform(0.05, 0.4) * noise(b, space * b.uniform(0.5, 3))
    part = phase - torch.floor(phase)
    lean = b.uniform(0.15, 0.85)
    tooth = torch.minimum(part / lean, (1 - part) / (1 - lean)) ** b.log_uniform(0.5, 4)
    strong = at_line(lines(b.size, samples, space[:, 0], b.device), far).abs()
    relief = tooth * strong * torch.sigmoid(b.uniform(0, 3) * noise(b, space * b.uniform(0.5, 3)))
    length, ratio = b.log_uniform(4, 25), b.uniform(0.2, 0.8)
    for _ in range(2):
        flaw_right, flaw_down = b.cols * b.uniform(-0.5, 0.5), b.rows * b.uniform(-1, 1)
        away = torch.sqrt((right - flaw_right) ** 2 + (down - flaw_down) ** 2)
        late = far - ratio * away
        packet = at_line(lines(b.size, samples, 3 * length[:, 0], b.device), late + 0.5 * b.cols)
        slip = at_line(lines(b.size, samples, 2 * length[:, 0], b.device), late + 0.5 * b.cols)
        ripple = torch.sin(2 * math.pi * late / length + 2 * slip) * torch.relu(packet - 0.3)
        fades = torch.sigmoid(2 * noise(b, 4 * length) - 0.5)
        relief = relief + b.chance(0.6) * b.uniform(0, 0.3) * ripple * fades
    hackle = _hackle(b, far, way, b.log_uniform(3, 15), b.log_uniform(2, 10))
    return _finished(b, relief + b.chance(0.8) * b.uniform(0.05, 0.5) * hackle)


def _conics(b: Batch) -> Tensor:
    """Conic marks: cracks opened ahead of the front at levels of their own, where they met it."""
    along, across = _bent(b, _any_way(b), b.log_uniform(20, 120), b.uniform(0.05, 0.5))
    size = b.log_uniform(10, 80)
    longer, speed = b.uniform(1.4, 2.4), b.uniform(0.45, 0.75)
    of = places(along / size / longer, across / size, b.uniform(0.3, 0.45), b.uniform(0, 0.6))
    first = torch.zeros_like(along)  # arrival after the main front; below 0 a secondary wins
    second = torch.full_like(along, 9.0)
    level = noise(b, size, exponent=1.2) * b.uniform(0, 0.6)
    pit = torch.zeros_like(along)
    ragged = b.log_uniform(0.01, 0.12) * noise(b, b.log_uniform(2, 20), exponent=0.6)
    for u, v, number, ahead in of.near():
        away = torch.sqrt((u * longer) ** 2 + v**2)
        arrival = away / speed - u * longer - (0.2 + 0.7 * ahead) + ragged * number
        wins = arrival < first
        second = torch.minimum(second, torch.where(wins, first, arrival))
        first = torch.minimum(first, arrival)
        tilt = (number - 0.5) * 2 + 0.4 * v * (2 * ahead - 1)
        level = torch.where(wins, tilt, level)
        pit = pit + torch.exp(-((away * size / (1.5 + 4 * number)) ** 2))
    seam = torch.exp(-(second - first).clamp(max=9) / b.log_uniform(0.03, 0.25))
    seam = seam * torch.sigmoid(b.uniform(0, 4) * noise(b, size))
    relief = level * b.log_uniform(0.1, 1) + seam * b.uniform(-0.6, 1.2) - b.uniform(0, 1) * pit
    rough = noise(b, b.log_uniform(1.5, 15), exponent=b.uniform(0.3, 1))
    return _finished(b, relief + b.log_uniform(0.02, 0.3) * rough)


def _stick_slip(b: Batch) -> Tensor:
    """Bands where the crack crept and blunted, and bands where it jumped and left rough ground."""
    angle, band = _any_way(b), b.log_uniform(14, 130)
    along, _ = _bent(b, angle, b.log_uniform(25, 120), b.uniform(0.25, 0.8))
    uneven = lines(b.size, 2 * b.cols, band[:, 0], b.device)
    phase = along / band + b.uniform(0.2, 0.8) * at_line(uneven, along + b.cols)
    ragged = noise(b, b.log_uniform(4, 40), exponent=b.uniform(0.2, 0.9))
    phase = phase + b.log_uniform(0.04, 0.3) * ragged + b.uniform(0, 0.35) * noise(b, 2 * band)
    part = phase - torch.floor(phase)
    slow = b.uniform(0.15, 0.8)
    jump = torch.sigmoid((part - slow) * b.log_uniform(6, 60)) * (1 - part) ** b.uniform(0, 1)
    rough = noise(b, b.log_uniform(1.5, 20), exponent=b.uniform(0.2, 1),
                  angle=angle + b.uniform(-0.4, 0.4), anisotropy=b.log_uniform(1, 6))  # fmt: skip
    sharp = b.uniform(0, 1)
    rough = (1 - sharp) * rough - 1.5 * sharp * rough.abs()
    ridge = torch.exp(-(part * band / b.log_uniform(1.5, 12)))  # pulled up where the crack stood
    kept = torch.sigmoid(2 * noise(b, band))
    relief = (b.log_uniform(0.03, 0.4) + jump) * rough + b.uniform(-0.3, 1.2) * ridge * kept
    return _finished(b, relief + b.uniform(-0.8, 0.8) * part * kept)


def _tabled(table: Tensor, i: Tensor, k: Tensor) -> Tensor:
    return numbers_at(table, i, k)


def _rivers(b: Batch) -> Tensor:
    """River lines: steps between tilted facets that join downstream by pairs, as they must."""
    space, run = b.log_uniform(3, 14), b.log_uniform(25, 160)
    along, across = _bent(b, _any_way(b), b.log_uniform(15, 90), b.uniform(0.3, 0.65))
    raw = along / run + b.uniform(0.5, 4)
    depth = raw.clamp(0, 4.999)
    age = torch.floor(depth)
    late, wander, wide = b.uniform(0.2, 0.7), b.uniform(0.15, 0.42), space * 2**age
    table = torch.rand(b.size, _TABLE, device=b.device)
    left, right = torch.full_like(along, -1e4), torch.full_like(along, 1e4)
    number = torch.zeros_like(along)
    for step in (-2, -1, 0, 1, 2):
        i = torch.floor(across / wide) + step
        parent = torch.floor(i / 2)
        own = (i + 0.5 + wander * (2 * _tabled(table, i, age) - 1)) * wide
        shift = wander * (2 * _tabled(table, parent, age + 1) - 1)
        # every pair joins at a distance of its own
        part = ((depth - age - late * _tabled(table, parent, age + 33)) / (1 - late)).clamp(0, 1)
        join = part * part * (3 - 2 * part)
        at = own + join * ((parent + 0.5 + shift) * 2 * wide - own)
        before = (at <= across) & (at > left)
        number = torch.where(before, _tabled(table, i, age + 77), number)
        left = torch.where(before, at, left)
        right = torch.where((at > across) & (at < right), at, right)
    gap = (right - left).clamp(0.1, 1e3)
    lean = torch.sign(number - b.pick(-1, 0.35))  # all one way, or each its own
    tilted = lean * ((across - left) / gap - 0.5)
    relief = standardised(tilted * gap.clamp(max=60) ** b.uniform(0.3, 1))
    lip = torch.exp(-torch.minimum(across - left, right - across) / b.uniform(0.7, 2.5))
    relief = relief + b.uniform(-0.5, 1.0) * lip * b.chance(0.6)
    patchy = torch.sigmoid(b.uniform(0, 4) * noise(b, b.log_uniform(15, 80)) + 0.8)
    begun = (raw + 1 + 0.5 * noise(b, 4 * space)).clamp(0, 1)  # they rise from smooth ground
    return _finished(b, relief * patchy * begun)


def _tear_ridges(b: Batch) -> Tensor:
    """Walls between overlapping cracks, drawn out to knife edges and snapped ligaments."""
    angle, size = _any_way(b), b.log_uniform(4, 45)
    drawn, power = b.log_uniform(1, 7), b.uniform(0.4, 1.3)
    col, row = _bent(b, b.pick(0.0), size * b.uniform(1, 4), b.uniform(0.1, 0.6))
    relief = torch.zeros_like(row)
    for share in (1.0, 0.4):
        plane = noise(b, share * size, exponent=b.uniform(1.2, 2.5), angle=angle, anisotropy=drawn)
        field = _read(plane, row, col)
        high = torch.exp(b.uniform(0, 0.8) * noise(b, share * size * b.uniform(0.5, 2)))
        wall = -((field.abs() + 0.02) ** power) * (1 if share == 1 else b.uniform(0, 0.6))
        crest = torch.exp(-field.abs() / b.uniform(0.05, 0.3))
        relief = relief + wall + share * b.uniform(0, 0.8) * crest * (high - 1)
        step = torch.tanh(field / b.uniform(0.05, 0.6)) * noise(b, 3 * size, exponent=1.2)
        relief = relief + b.chance(0.5) * b.uniform(0, 0.7) * share * step
    return _finished(b, relief)


def _craze(b: Batch) -> Tensor:
    """Craze left in patches on either face, its fibrils snapped to leaning stubs and craters."""
    along, across = _bent(b, _any_way(b), b.log_uniform(15, 60), b.uniform(0.1, 0.4))
    size = b.log_uniform(3.5, 22)
    of = places(along / size, across / size, b.uniform(0.35, 0.5), b.uniform(0, 0.6))
    lean, thick, pit = b.uniform(0, 0.5), b.uniform(0.15, 0.4), b.uniform(0, 0.8)
    stubs = torch.zeros_like(along)
    for u, v, height, ratio in of.near():
        wide = thick * (0.5 + ratio)
        tall = torch.exp(2.0 * (height - 0.7))
        # a stub leans over: steep below its tip, a tail behind
        away = torch.sqrt((u - lean * wide) ** 2 / (1 + lean * torch.sign(u)) + v**2 + 1e-6) / wide
        stubs = stubs + tall * torch.exp(-(away**3)) - pit * torch.exp(-4 * (away - 1.6) ** 2)
    patch = noise(b, size * b.log_uniform(2, 8), exponent=b.uniform(0.5, 1.5), angle=_any_way(b),
                  anisotropy=b.log_uniform(1, 4))  # fmt: skip
    inside = torch.sigmoid((patch - b.uniform(-1.2, 0.6)) * b.log_uniform(4, 30))
    ground = b.log_uniform(0.02, 0.3) * noise(b, b.log_uniform(2, 12))
    return _finished(b, inside * (stubs + b.uniform(-0.8, 0.8)) + (1 - inside) * ground)


def _tongues(b: Batch) -> Tensor:
    """Flaps of a tough rubber peeled one over the other, edges curled up and tips drawn out."""
    along, across = _bent(b, _any_way(b), b.log_uniform(12, 80), b.uniform(0.2, 0.7))
    size, longer = b.log_uniform(8, 60), b.log_uniform(1, 3.5)
    edge = noise(b, size * b.uniform(0.1, 0.6), exponent=b.uniform(0.5, 1.5))
    edge = b.log_uniform(0.01, 0.2) * edge
    of = places(along / size / longer, across / size, b.uniform(0.3, 0.5), b.uniform(0, 0.5))
    tip, curl, sink = b.uniform(0.3, 1.2), b.uniform(0, 0.9), b.uniform(0.2, 1)
    relief = b.uniform(0, 0.4) * noise(b, size, exponent=1.3)
    top = torch.full_like(relief, -1.0)
    for u, v, order, shape in of.near():
        end = (u + 0.5) / (0.6 + 0.5 * shape)  # 0 at the root, 1 at the tip
        half = 0.75 * torch.sqrt((1 - end).clamp(0, 1)) * (0.6 + 0.6 * order) * (end > 0)
        inside = half - v.abs() + edge * (end > 0.05)
        lies = (inside > 0) & (end > 0) & (end < 1.05) & (order > top)
        rim = torch.exp(-inside.clamp(min=0) * 6 / (0.3 + shape))
        lifted = order * sink + tip * end.clamp(0, 1) ** 2 + curl * rim
        root = (end / 0.5).clamp(0, 1) ** 2  # it grows out of what it was torn from
        relief = torch.where(lies, relief + root * (lifted - relief), relief)
        top = torch.where(lies, order, top)
    striae = noise(b, b.log_uniform(2, 10), angle=_any_way(b), anisotropy=b.log_uniform(1, 5))
    return _finished(b, relief + b.log_uniform(0.02, 0.25) * striae)


def _deepest(of: Places, skew: Tensor, spread: Tensor) -> Tensor:
    """Return the bowls of voids that met: paraboloids about foci that open one way."""
    deep = torch.full_like(of.along, 9.0)
    for u, v, wide, low in of.near():
        away = torch.sqrt(u * u + v * v + 1e-6) - skew * u
        bowl = (away / (1 + spread * (wide - 0.5))) ** 2 + 0.5 * spread * (low - 0.5)
        deep = torch.minimum(deep, bowl)
    return (deep + 0.25 * spread).clamp(0.01, 1.2)


def _dimples(b: Batch) -> Tensor:
    """Voids that grew and met, round or drawn to open bows by shear, small ones among large."""
    along, across = _bent(b, _any_way(b), b.log_uniform(15, 80), b.uniform(0.1, 0.5))
    skew, spread = b.chance(0.6) * b.uniform(0.1, 0.45), b.uniform(0.2, 1.0)
    size, longer = b.log_uniform(5, 60), b.uniform(1, 2.4)
    large = places(along / size / longer, across / size, b.uniform(0.3, 0.45), b.uniform(0, 0.2))
    bowls = _deepest(large, skew, spread) ** b.uniform(0.5, 1.2)
    small = (size * b.uniform(0.2, 0.4)).clamp(min=3)
    fine = places(along / small, across / small, b.uniform(0.35, 0.5), b.uniform(0, 0.5))
    where = torch.sigmoid(3 * noise(b, size * b.uniform(1, 3)) + b.uniform(-2, 2))
    inner = b.chance(0.6) * b.uniform(0.1, 0.8) * where * _deepest(fine, skew, spread)
    return _finished(b, bowls + inner)


def _terraces(b: Batch) -> Tensor:
    """Layer after layer torn off: flats with ragged edges, some undercut, some with a lip."""
    size = b.log_uniform(12, 90)
    field = noise(b, size, exponent=b.uniform(0.3, 1.2), angle=_any_way(b),
                  anisotropy=b.log_uniform(1, 5))  # fmt: skip
    col, row = _bent(b, b.pick(0.0), size * b.uniform(0.5, 2), b.uniform(0.2, 0.6))
    field = _read(field, row, col)
    ragged = b.uniform(0.02, 0.15) * noise(b, b.log_uniform(2, 15), exponent=0.4)
    level = field * b.uniform(0.8, 3.5) + ragged
    # layers of unequal thickness: the levels' own steps come from a table
    table = torch.rand(b.size, _TABLE, device=b.device)
    below = torch.floor(level)
    part = level - below
    uneven = 1.2 * (_tabled(table, below, below * 0) - 0.5)
    above = 1 + 1.2 * (_tabled(table, below + 1, below * 0) - 0.5)
    rise = torch.sigmoid((part - 0.5) * b.log_uniform(12, 120))
    relief = below + uneven + (above - uneven) * rise + b.uniform(0, 0.5) * level
    lip = torch.exp(-((part - 0.5).abs()) * b.log_uniform(10, 60))
    relief = relief + b.chance(0.5) * b.uniform(-0.4, 0.6) * lip * (rise > 0.4)
    return _finished(b, relief + b.log_uniform(0.02, 0.2) * noise(b, b.log_uniform(1, 8)))


def _pores(b: Batch) -> Tensor:
    """Pores torn open, of a swollen gel or left by what was pulled out, with tails behind some."""
    size, angle = b.log_uniform(4, 50), _any_way(b)
    web = noise(b, size, exponent=b.uniform(1.2, 2.5), angle=angle, anisotropy=b.log_uniform(1, 3))
    web = web + b.uniform(0, 0.6) * noise(b, size * b.uniform(0.15, 0.5), exponent=1.4)
    open_at = b.uniform(-0.3, 1.0)
    gel = -torch.relu(web - open_at) ** b.uniform(0.4, 1.2)
    wall = torch.exp(-((web - open_at) ** 2) / b.log_uniform(0.005, 0.1))
    along, across = _bent(b, angle, b.log_uniform(20, 80), b.uniform(0.1, 0.5))
    of = places(along / size, across / size, b.uniform(0.35, 0.5), b.uniform(0.3, 0.85))
    outline = b.uniform(0, 0.35) * noise(b, size * b.uniform(0.1, 0.5), exponent=1.0)
    tail, deep = b.chance(0.5) * b.uniform(0.1, 0.8), b.log_uniform(0.5, 2)
    pulled = torch.zeros_like(along)
    for u, v, wide, kind in of.near():
        radius = 0.12 + 0.6 * wide**3
        away = torch.sqrt(u * u + v * v + 1e-6) / radius + outline
        bowl = torch.sqrt(torch.relu(1 - away**2)) * radius
        pulled = pulled + torch.where(kind < 0.8, -1.0, 0.6) * deep * bowl
        behind = torch.exp(-((v / (0.3 * radius)) ** 2) - (u / radius - 2) ** 2 / 2)
        pulled = pulled + tail * 0.2 * (kind - 0.4) * behind * (u > 0)
    gelled, ground = b.chance(0.5), noise(b, b.log_uniform(3, 60))
    relief = gelled * (gel + b.uniform(0, 0.6) * wall) + (1 - gelled) * 4 * pulled
    return _finished(b, relief + b.log_uniform(0.03, 0.4) * ground)


def _knotty(b: Batch) -> Tensor:
    """Torn rubber: the front turned and turned again, leaving blunt folds, facets and steps."""
    size, longer = b.log_uniform(8, 80), b.log_uniform(1, 3)
    along, across = _bent(b, _any_way(b), size * b.uniform(0.4, 1.5), b.uniform(0.2, 0.8))
    of = places(along / size / longer, across / size, b.uniform(0.35, 0.5), b.uniform(0, 0.4))
    near, next_near, value, off_u, off_v = cells(of)
    lean = 10 * math.pi * value
    facets = torch.cos(lean) * off_u + torch.sin(lean) * off_v + b.uniform(0, 2) * value
    crease = b.uniform(-0.4, 0.4) * torch.exp((near - next_near) / b.log_uniform(0.03, 0.3))
    facets = standardised(blur(facets + crease, size * b.log_uniform(0.01, 0.15)))
    col, row = _bent(b, b.pick(0.0), size, b.uniform(0.2, 1.2))
    folds = _read(noise(b, size * b.uniform(0.3, 0.8), exponent=2.5), row, col)
    folded, share = b.uniform(0, 1), b.chance(0.7) * b.uniform(0, 1)
    folds = (1 - folded) * folds + folded * 1.5 * folds.abs()
    return _finished(b, share * facets + (1 - share) * folds)


def _self_affine(b: Batch) -> Tensor:
    """Self-affine ground, exponents differing along and across the tear, cracks opened in some."""
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None]
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]
    angle = _any_way(b)
    f_along = (torch.cos(angle) * f_col + torch.sin(angle) * f_row).abs() + 1e-5
    f_across = (torch.cos(angle) * f_row - torch.sin(angle) * f_col).abs() + 1e-5
    # lengths along go as lengths across to the power 1 / slower, heights as across**hurst
    hurst, slower, length = b.uniform(0.4, 1), b.uniform(0.6, 1.0), b.log_uniform(10, 200)
    norm = (length * f_across) ** 2 + (length * f_along) ** (2 * slower) * b.log_uniform(0.3, 3)
    white = torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))
    gain = (1 + norm) ** (-0.5 * (hurst + 0.5 + 0.5 / slower))
    relief = standardised(torch.fft.irfft2(white * gain, s=(b.rows, b.cols)))
    relief = relief * torch.exp(b.uniform(0, 0.7) * noise(b, b.log_uniform(8, 60)))
    size = b.log_uniform(15, 90)
    main = noise(b, size, angle=_any_way(b), anisotropy=b.log_uniform(1, 4))
    branch = noise(b, size * b.uniform(0.3, 0.8))
    # a branch starts at the main crack and stays on one side of it
    beside = torch.exp(-1.5 * main.abs()) * (main > 0)
    gap, cracked = b.log_uniform(0.03, 0.25), b.chance(0.5) * b.uniform(0.5, 3)
    for field, most in ((main, gap), (branch, gap * beside)):
        wide = most * torch.relu(noise(b, size * b.uniform(0.5, 1.5), exponent=1.5) + 0.2)
        relief = relief - cracked * torch.exp(-((field / (wide + 1e-3)) ** 2)) * (wide > 0.01)
    return _finished(b, relief)


FRACTURE_LOOKS: tuple[Look, ...] = (
    _mirror_to_hackle, _ribs, _conics, _stick_slip, _rivers, _tear_ridges, _craze, _tongues,
    _dimples, _terraces, _pores, _knotty, _self_affine,
)  # fmt: skip
