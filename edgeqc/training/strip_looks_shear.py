"""Looks of scissor and blade cuts, as an examiner of tool marks and a microtomist see them.

A blade's edge is a profile, and sliding writes the profile on the face: every nick draws one line,
and all lines of a stroke share its bends, its wobble, its stops. That a mark runs on parallel to
its neighbours names the cut, however faint, coarse, rough or broken the marks are. Scissors add
arcs about the pivot, two facets that meet in a pinch line, a lip where the sheet was bent away, a
step wherever the hand closed anew. From memory: Atkins, Xu and Jeronimidis, J. Mater. Sci. 39
(2004), pressing and slicing of soft solids; Mahvash and others, IEEE Trans. Biomed. Eng. 55
(2008): scissors open a sheet in short bursts ahead of the crossing point; Biasotti, J. Forensic
Sci. 4 (1959): runs of consecutive lines that agree.
"""

from __future__ import annotations

import math

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
    standardised,
    turned,
)

_ACROSS, _ALONG, _NUMBERS = 2048, 128, 4096


def _angle(b: Batch, along_face: float = 0.35) -> Tensor:
    """Return directions of strokes: near the face's length, through its thickness, or any."""
    kind = torch.rand(b.size, 1, 1, device=b.device)
    spread = b.pick(0.02, 0.08, 0.2) * torch.randn(b.size, 1, 1, device=b.device)
    through = math.pi / 2 + b.uniform(-0.6, 0.6)
    other = torch.where(kind > 0.5 + along_face / 2, through, b.uniform(-math.pi, math.pi))
    return torch.where(kind < along_face, spread, other)


def _bent(b: Batch, along: Tensor, across: Tensor, share: float = 0.6) -> Tensor:
    """Return the place across strokes that turn about a far pivot and wobble with the hand."""
    span = float(max(b.rows, b.cols))
    radius = span * b.log_uniform(0.8, 10) * b.pick(-1, 1)
    turning = b.chance(share) * (along + b.uniform(-0.3, 0.3) * span) ** 2 / (2 * radius)
    length = b.log_uniform(20, 300)
    size = b.chance(share / 2) * b.log_uniform(0.005, 0.06) * length
    return across + turning + size * at_line(_wander(b, length, 0.3), along + 1024)


def _wander(b: Batch, length: Tensor, smooth: float) -> Tensor:
    """Return a random line per member, (size, 2048), smooth over a share of its length."""
    line = lines(b.size, 2048, length[:, 0], b.device)
    return standardised(blur(line[:, None], smooth * length))[:, 0]


def _with(relief: Tensor, grain: Tensor, high: Tensor, steep: Tensor) -> Tensor:
    """Return a relief with a grain of a height, but no steeper than so many times the relief."""
    relief = standardised(torch.tanh(standardised(relief) / 4))  # no lone crumb drowns the rest
    both = (torch.stack(torch.gradient(plane, dim=(1, 2))) for plane in (relief, grain))
    own, its = (slopes.square().mean((0, 2, 3)).sqrt()[:, None, None] for slopes in both)
    return standardised(relief + torch.minimum(high, steep * own / (its + 1e-6)) * grain)


def _grained(b: Batch, relief: Tensor, finest: float, coarsest: float, most: float) -> Tensor:
    """Return a relief with some grain that leaves its lines to be seen."""
    grain = noise(b, b.log_uniform(finest, coarsest), exponent=b.uniform(0.2, 1.5))
    return _with(relief, grain, b.pick(0, 0.3, 1, 1) * b.uniform(0, most), b.uniform(0.2, 1.3))


def _stroke(b: Batch, angle: Tensor, share: float = 0.6) -> tuple[Tensor, Tensor]:
    """Return the places along and across a stroke, in samples."""
    along, across = turned(b, angle)
    return along, _bent(b, along, across, share)


def _striae(b: Batch, along: Tensor, across: Tensor, width: Tensor, life: Tensor) -> Tensor:
    """Return what an edge's profile draws: lines of a least width that change over their life."""
    f_across = torch.fft.fftfreq(_ACROSS, device=b.device)[None, :, None]
    f_along = torch.fft.rfftfreq(_ALONG, device=b.device)[None, None, :]
    longest = (b.log_uniform(2, 40) * width).clamp(max=min(b.rows, b.cols) / 6)
    gain = (1 + (2 * math.pi * f_across * longest) ** 2) ** (-b.uniform(0.35, 1.1) / 2)
    gain = gain * torch.exp(-2 * (math.pi * f_across * 0.4 * width) ** 2)
    gain = gain * torch.exp(-2 * (math.pi * f_along * 1.5) ** 2)
    white = torch.fft.rfft2(torch.randn(b.size, _ACROSS, _ALONG, device=b.device))
    table = standardised(torch.fft.irfft2(white * gain, s=(_ACROSS, _ALONG)))
    table = functional.pad(table[:, None], (0, 1, 0, 1), mode="circular")
    column = torch.remainder(along * 3 / life, _ALONG) * 2 / _ALONG - 1
    row = torch.remainder(across, _ACROSS) * 2 / _ACROSS - 1
    at = torch.stack(torch.broadcast_tensors(column, row), -1)
    return functional.grid_sample(table, at, align_corners=True)[:, 0]


def _edge(b: Batch, profile: Tensor) -> Tensor:
    """Return lines as edges of several makes draw them: even, scratched, ridged, flattened."""
    kind = b.pick(0, 0, 1, 2, 3, 4)
    cut = torch.relu(profile - b.uniform(0.3, 1.5))
    flat = torch.tanh(b.uniform(1, 4) * (profile + b.uniform(-1, 1)))
    out = torch.where(kind == 1, -cut, torch.where(kind == 2, cut, profile))
    out = torch.where(kind == 3, flat, torch.where(kind == 4, profile * profile.abs(), out))
    return standardised(standardised(out) + b.uniform(0, 0.3) * profile)


def _steps(b: Batch, position: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return number, distance from the start and distance to the end of unequal unit steps."""
    late = b.uniform(0.2, 0.9)[:, 0] * torch.rand(b.size, _NUMBERS, device=b.device)
    base = torch.floor(position)
    number = base - (position < base + _number(late, base)).float()
    start, end = (n + _number(late, n) for n in (number, number + 1))
    return number, position - start, end - position


def _number(table: Tensor, of: Tensor, and_of: Tensor | None = None) -> Tensor:
    """Return the random number of each (b, rows, cols) cell from a table (b, entries)."""
    return numbers_at(table, of, torch.zeros_like(of) if and_of is None else and_of)


def nick_lines(b: Batch) -> Tensor:
    """Few deep lines of a nicked edge, with ploughed shoulders, over an otherwise smooth cut."""
    along, across = _stroke(b, _angle(b))
    width, span = b.log_uniform(0.8, 7), float(max(b.rows, b.cols))
    pitch = (width * b.log_uniform(8, 60) + 8).clamp(max=0.3 * min(b.rows, b.cols))
    tables = torch.rand(6, b.size, _NUMBERS, device=b.device)
    broken, heavy, fade = b.chance(0.4), b.uniform(0.3, 1.2), b.log_uniform(1, 60)
    shoulder, upward = b.uniform(0, 0.9), b.pick(0, 0.1, 0.5, 1)
    total = torch.zeros_like(across)
    for d in (-1, 0, 1):
        cell = torch.floor(across / pitch) + d
        place, depth, wide, side, begin, length = (_number(t, cell) for t in tables)
        u = (across - (cell + 0.1 + 0.8 * place) * pitch) / (width * torch.exp(1.2 * wide - 0.6))
        lip = torch.exp(-0.5 * (u.abs() - 2.2) ** 2 / 0.6) * ((u > 0) == (side > 0.4))
        groove = (shoulder * lip - torch.exp(-0.5 * u**2)) * torch.where(wide < upward, -1.0, 1.0)
        s = along - (begin - 0.8) * 1.4 * span
        live = torch.sigmoid(s / fade) * torch.sigmoid((length * span - s) / (4 * fade))
        total = total + groove * (1 - broken * (1 - live)) * torch.exp(heavy * (3 * depth - 1.8))
    fine = _striae(b, along, across, b.log_uniform(1, 4), b.log_uniform(200, 3000))
    swell = b.chance(0.5) * b.uniform(0, 0.6) * noise(b, b.log_uniform(40, 200), exponent=2.0)
    relief = standardised(total) + b.pick(0.03, 0.1, 0.25) * b.uniform(0.3, 1) * fine + swell
    return _grained(b, relief, 0.7, 6, 0.35)


def rotating_blades(b: Batch) -> Tensor:
    """Arcs about the pivot of one blade, or of both, with stations of the crossing point."""
    span = float(max(b.rows, b.cols))
    total = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    width, life = b.log_uniform(1, 9), b.log_uniform(100, 4000)
    centre, far, side = b.uniform(-math.pi, math.pi), b.log_uniform(0.4, 3) * span, b.pick(-1, 1)
    for share in (torch.ones_like(far), b.pick(0, 0, 0.5, 1)):
        along, across = turned(b, centre)
        radius = torch.sqrt(along**2 + (across + far) ** 2 + 1e-3)
        way = torch.atan2(along, across + far) * far
        number, after, _ = _steps(b, way / (b.log_uniform(0.08, 0.6) * span))
        table = torch.randn(b.size, _NUMBERS, device=b.device)
        shift = b.chance(0.4) * b.uniform(0, 3) * width * _number(table, number)
        arcs = _edge(b, _striae(b, way, radius - far + shift, width, life))
        station = b.chance(0.6) * b.uniform(0.2, 1) * torch.exp(-after * b.log_uniform(8, 60))
        total = total + share * (arcs + station)
        centre, far = centre + side * b.uniform(0.15, 0.8), far * b.uniform(0.6, 1.5)
    return _grained(b, blur(total, 0.5), 0.7, 12, 0.7)


def pinch_line(b: Batch) -> Tensor:
    """Two facets, one of each blade, that meet in a line with a lip and sheared tongues."""
    meet = turned(b, b.chance(0.7) * b.uniform(-0.15, 0.15))[1] + b.rows * b.uniform(-0.35, 0.35)
    slow = lines(b.size, b.cols, b.log_uniform(60, 600)[:, 0], b.device)[:, None]
    quick = lines(b.size, b.cols, b.log_uniform(2, 20)[:, 0], b.device)[:, None]
    away = meet - 0.08 * b.rows * b.uniform(0, 1) * slow
    away = away - b.pick(0, 0.3, 1) * b.log_uniform(1, 8) * torch.relu(quick)
    width, life = b.log_uniform(1, 10), b.log_uniform(80, 3000)
    first, turn = _angle(b, 0.2), b.uniform(0.15, 1.2) * b.pick(-1, 1)
    reach, wide, facets = b.log_uniform(4, 60), b.log_uniform(1, 8), []
    for angle, scale in ((first, 1.0), (first + turn, b.log_uniform(0.5, 2))):
        along, across = _stroke(b, angle, 0.4)
        dragged = across + b.chance(0.5) * reach * torch.exp(-away.abs() / reach)
        facets.append(_edge(b, _striae(b, along, dragged, width * scale, life)))
    lower = torch.sigmoid(away / b.log_uniform(0.4, 3))
    relief = (1 - lower) * facets[0] + lower * b.uniform(0.2, 1.2) * facets[1]
    lip = torch.exp(-0.5 * (away / wide) ** 2) * (1 + 0.5 * quick).clamp(min=0)
    relief = relief + b.pick(-2, 1, 2, 4) * b.uniform(0.3, 1) * lip
    relief = relief + b.uniform(-1.5, 1.5) * lower + b.uniform(-3, 3) * away.abs() / b.rows
    return _grained(b, relief, 0.7, 15, 0.6)


def compression_waves(b: Batch) -> Tensor:
    """Waves of the pressed sheet, square to the stroke, crossed by the lines of the edge."""
    angle, pitch = _angle(b), b.log_uniform(5, 70)
    along, across = _stroke(b, angle)
    bow = noise(b, b.log_uniform(60, 300), exponent=2.0, angle=angle + math.pi / 2, anisotropy=6.0)
    phase = along / pitch + b.uniform(0.05, 0.3) * bow
    phase = phase + b.chance(0.5) * b.uniform(-1, 1) * (across / (4 * pitch + 40)) ** 2 / 4
    _, after, before = _steps(b, phase)
    saw = after / (after + before)  # no two waves alike
    wave = torch.cos(2 * math.pi * saw)
    crest, shape = torch.exp((wave - 1) * b.uniform(1, 6)), b.pick(0, 1, 2)
    saw = blur(saw ** b.uniform(1, 4), 0.8)
    wave = torch.where(shape == 0, wave, torch.where(shape == 1, 2 * saw, 2 * crest))
    patch = noise(b, b.log_uniform(0.2, 1) * pitch * 4 + 20, exponent=1.5)
    wave = wave * torch.sigmoid(b.pick(0, 2, 5) * (patch + b.uniform(-0.3, 1)))
    fine = _striae(b, along, across, b.log_uniform(1, 5), b.log_uniform(100, 3000))
    relief = standardised(wave) + b.uniform(0.35, 1.2) * _edge(b, fine)
    return _grained(b, relief, 0.7, 8, 0.5)


def copied_grinding(b: Batch) -> Tensor:
    """Short fine scratches in near directions: the lay of the ground flank, pressed on."""
    angle, width, spread = _angle(b), b.log_uniform(0.9, 4), b.pick(0.01, 0.05, 0.2)
    total = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for share in (1.0, 0.8, 0.6):
        turn = spread * torch.randn(b.size, 1, 1, device=b.device)
        along, across = _stroke(b, angle + turn, 0.2)
        lay = _striae(b, along, across, width * b.log_uniform(0.7, 1.6), b.log_uniform(50, 500))
        lay = standardised(lay - blur(lay, 4 * width))
        cut = torch.where(b.chance(0.6) > 0, torch.relu(lay - b.uniform(0.2, 1.2)), lay)
        total = total - share * cut / (cut.std((1, 2), keepdim=True) + 1e-3)
    touch = noise(b, b.log_uniform(15, 150), exponent=1.2, angle=angle, anisotropy=b.pick(1, 4))
    touch = torch.sigmoid(b.pick(0, 1.5, 4) * (touch + b.uniform(-0.3, 1.2)))
    along, across = _stroke(b, angle + math.pi / 2 + b.uniform(-0.5, 0.5))
    drawn = _striae(b, along, across, width * b.log_uniform(1, 6), b.log_uniform(300, 3000))
    return _grained(b, standardised(total * touch) + b.pick(0.1, 0.2, 0.6) * drawn, 0.7, 10, 0.5)


def burnished_bands(b: Batch) -> Tensor:
    """Bands that the flank rubbed smooth beside bands left matt, both along the stroke."""
    angle, breadth = _angle(b), b.log_uniform(5, 40)
    along, across = _stroke(b, angle)
    band = _striae(b, along, across, breadth, breadth * b.log_uniform(12, 100))
    ragged = b.uniform(0, 0.4) * noise(b, b.log_uniform(2, 12))
    rubbed = torch.sigmoid(b.log_uniform(5, 20) * (band + ragged + b.uniform(-0.2, 0.9)))
    matt = noise(b, breadth * b.log_uniform(0.06, 0.3), exponent=b.uniform(0.2, 1), angle=angle,
                 anisotropy=b.pick(1, 2, 6, 15))  # fmt: skip
    fine = _striae(b, along, across, b.log_uniform(1, 4), b.log_uniform(100, 3000))
    relief = (1 - rubbed) * (matt + b.uniform(0.3, 1) * fine) + rubbed * b.uniform(0.05, 0.4) * fine
    relief = relief + rubbed * (b.uniform(-1, 1.5) + b.pick(0, 0, 3, 6) * (1 - rubbed))
    return _grained(b, relief, 0.7, 5, 0.25)


def debris_drag(b: Batch) -> Tensor:
    """Crumbs before the edge that plough tails, all of one way, and lie where the tails end."""
    along, across = _stroke(b, _angle(b), 0.4)
    crumb = b.log_uniform(1.5, 10)
    length, spacing = crumb * b.log_uniform(12, 50), crumb * b.log_uniform(2.5, 12)
    tip, hollow, gaps = b.uniform(0.2, 0.9), b.uniform(0.5, 1.5), b.uniform(0, 0.7)
    lost, taper = b.uniform(0, 0.7), b.uniform(0.15, 1)
    tables = torch.rand(7, b.size, _NUMBERS, device=b.device)
    total = torch.zeros_like(across)
    for d in (-1, 0, 1):
        track = torch.floor(across / spacing) + d
        s = along / length + 97 * _number(tables[0], track)
        cell = torch.floor(s)
        head, off, far, big, there, stays = (_number(t, track, cell) for t in tables[1:])
        own = crumb * torch.exp(1.5 * big - 1.3)
        x = (s - cell - 0.55 - 0.35 * head) * length / own
        y = (across - (track + 0.2 + 0.6 * off) * spacing) / own
        body = 1.5 * (stays > lost) * torch.exp(-0.5 * (x**2 + y**2) ** 1.5)
        run = (0.04 + far * (0.45 + 0.35 * head)) * length / own
        live = torch.sigmoid(-3 * (x + 0.5)) * torch.sigmoid(4 * (x + run))
        left = (1 + x / run).clamp(0, 1)
        y = y / (taper + (1 - taper) * left)
        groove = torch.exp(-0.5 * (y / tip) ** 2) - 0.5 * torch.exp(-2 * (y.abs() - 1.2) ** 2)
        total = total + (there > gaps) * (body - hollow * live * left**0.7 * groove)
    fine = _striae(b, along, across, b.log_uniform(1, 5), b.log_uniform(200, 3000))
    return _grained(b, standardised(total) + b.uniform(0.1, 0.7) * _edge(b, fine), 0.7, 6, 0.4)


def faint_marks(b: Batch) -> Tensor:
    """Lines fainter than the grain about them, broken, but parallel from end to end."""
    width, life = b.log_uniform(1.2, 12), b.pick(25, 60, 200) * b.uniform(0.7, 1.5)
    along, across = _stroke(b, _angle(b, 0.45))
    drawn = _edge(b, _striae(b, along, across, width, 30 + life * width))
    fine = _striae(b, along, across, b.log_uniform(1.2, 4), b.log_uniform(80, 2000))
    there = noise(b, b.log_uniform(20, 150), exponent=1.5) + b.uniform(0, 1)
    drawn = (drawn + b.uniform(0.2, 0.8) * fine) * torch.sigmoid(b.pick(0, 3) * there)
    grain = noise(b, b.log_uniform(0.5, 4), exponent=b.uniform(-0.2, 0.8))
    relief = _with(drawn, grain, b.log_uniform(0.8, 4), b.uniform(1.5, 3.5))
    coarse = noise(b, b.log_uniform(8, 80), exponent=b.uniform(0.8, 2))
    return standardised(relief + b.chance(0.5) * b.uniform(0.2, 1) * coarse)


def relaxed_marks(b: Batch) -> Tensor:
    """Slack marks of a wet soft polymer: rounded, low, beaded, with wrinkles of drying."""
    angle, width = _angle(b), b.log_uniform(2.5, 14)
    along, across = _stroke(b, angle)
    drawn = _striae(b, along, across, width, width * b.log_uniform(40, 400))
    drawn = torch.where(b.chance(0.5) > 0, drawn, torch.log1p(torch.exp(3 * drawn)) / 3)
    beads = noise(b, width * b.uniform(0.8, 2), exponent=1.5, angle=angle, anisotropy=b.pick(1, 3))
    drawn = standardised(drawn) * (1 + b.pick(0, 0.3, 0.6) * beads)
    drawn = blur(drawn, width * b.uniform(0.2, 0.5))
    wrinkle = -torch.sqrt(noise(b, b.log_uniform(1.5, 8), exponent=1.5) ** 2 + 0.05)
    pits = -torch.relu(noise(b, b.log_uniform(1, 5), exponent=1.2) - b.uniform(1.2, 2.2))
    skin = standardised(wrinkle) + b.pick(0, 1) * standardised(pits)
    relief = _with(drawn, skin, b.pick(0, 0.25, 0.5), b.uniform(0.15, 0.7))
    return _grained(b, relief, 0.7, 4, 0.2)


def lip_curl(b: Batch) -> Tensor:
    """Lines through the thickness that end in a burr or a curled lip at one edge."""
    depth = b.rows / 2 + b.pick(-1, 1) * turned(b, b.pick(0.0))[1]
    along, across = turned(b, math.pi / 2 + b.uniform(-0.9, 0.9))
    reach = b.rows * b.log_uniform(0.04, 0.25)
    sweep = b.uniform(-1.5, 1.5) * reach * torch.exp(-depth / (2 * reach))
    across = _bent(b, along, across, 0.5) + sweep
    drawn = _edge(b, _striae(b, along, across, b.log_uniform(1, 8), b.log_uniform(80, 2000)))
    scallop = lines(b.size, b.cols, b.log_uniform(3, 60)[:, 0], b.device)[:, None]
    reach = reach * (1 + b.pick(0.1, 0.4, 0.8) * scallop).clamp(min=0.1)
    away = depth - reach
    under = torch.sigmoid(-away / b.log_uniform(0.4, 3))
    roll = torch.sqrt((1 - (2 * depth / reach - 1) ** 2).clamp(min=0) + 0.01)
    smear = noise(b, b.log_uniform(2, 12), exponent=1.2, anisotropy=b.pick(1, 4, 10))
    lip = b.uniform(1, 3) * roll + b.uniform(0.1, 0.5) * smear + b.uniform(0, 0.4) * drawn
    shadow = torch.exp(-away.clamp(min=0) / b.log_uniform(2, 10)) * b.uniform(0, 1.5)
    return _grained(b, (1 - under) * (drawn - shadow) + under * lip, 0.7, 8, 0.5)


def rough_drawn(b: Batch) -> Tensor:
    """Ragged ground of a blunt edge whose tops are ironed and bear drawn lines."""
    angle = _angle(b)
    along, across = _stroke(b, angle)
    ground = noise(b, b.log_uniform(2, 25), exponent=b.uniform(0, 0.9), angle=angle,
                   anisotropy=b.log_uniform(1, 5))  # fmt: skip
    torn = noise(b, b.log_uniform(5, 25), exponent=1.2, angle=angle + b.uniform(0.8, 1.6),
                 anisotropy=b.log_uniform(1.5, 6))  # fmt: skip
    scale = torch.remainder(along / b.log_uniform(6, 50) + b.uniform(0.6, 1.6) * torn, 1.0)
    ground = ground - b.pick(0, 0.6) * torn.abs()
    ground = standardised(ground + b.pick(-2.5, 0, 0, 2.5) * scale)
    coarse = _edge(b, _striae(b, along, across, b.log_uniform(2, 12), b.log_uniform(200, 4000)))
    fine = _striae(b, along, across, b.log_uniform(1, 4), b.log_uniform(100, 1000))
    level = b.uniform(-0.5, 0.9) + b.uniform(0.4, 1) * coarse + b.uniform(0.1, 0.4) * fine
    stiff = b.log_uniform(3, 12)
    ironed = ground - functional.softplus(stiff * (ground - level)) / stiff  # the lower of both
    return standardised(torch.where(b.chance(0.7) > 0, ironed, _with(coarse, ground,
                        b.uniform(0.6, 1.5), b.uniform(0.8, 2.5))))  # fmt: skip


def _parted(b: Batch, angle: Tensor, way: Tensor, pitch: Tensor, aside: Tensor) -> Tensor:
    """Return strokes parted by steps met along a way, turned and set aside from each other."""
    x, y = turned(b, torch.zeros_like(angle))
    go, wide = turned(b, way)
    front = at_line(_wander(b, b.log_uniform(10, 200), 0.05), wide + 1024)
    number, after, before = _steps(b, (go + b.pick(0, 1, 4) * b.uniform(0.5, 1.5) * front) / pitch)
    tables = torch.randn(5, b.size, _NUMBERS, device=b.device)
    turn, height, tilt, strong, shift = (_number(t, number).clamp(-2, 2) for t in tables)
    angle = angle + b.pick(0, 0.05, 0.2, 0.6) * aside * turn
    along = torch.cos(angle) * x + torch.sin(angle) * y
    across = torch.cos(angle) * y - torch.sin(angle) * x
    width = b.log_uniform(1, 9)
    shift = torch.where(aside > 0, 211 * number, b.pick(0, 0.15, 0.6) * width * shift)
    across = _bent(b, along, across) + shift
    drawn = _edge(b, _striae(b, along, across, width, b.log_uniform(150, 4000)))
    drawn = drawn * torch.exp(b.uniform(0, 0.8) * (0.3 + 0.7 * aside) * strong)
    relief = drawn + aside * b.pick(0.3, 1, 2) * height
    relief = relief + b.pick(0, 0.5, 1.5) * (tilt * aside + 1 - aside) * (after - before)
    lip = torch.exp(0.6 * strong - after * pitch / b.log_uniform(1, 7))
    lip = lip - b.pick(-1, 0, 1) * torch.exp(-before * pitch / b.log_uniform(1, 12))
    return blur(relief + b.pick(-1, 1) * b.uniform(0.3, 2) * lip, 0.5)


def stroke_facets(b: Batch) -> Tensor:
    """Facets of several strokes, each with its own way, height and lines, parted by steps."""
    pitch = float(max(b.rows, b.cols)) * b.log_uniform(0.08, 0.5)
    way = b.pick(0, math.pi / 2) + b.uniform(-0.7, 0.7)
    return _grained(b, _parted(b, _angle(b), way, pitch, torch.ones_like(way)), 0.7, 10, 0.5)


def stop_marks(b: Batch) -> Tensor:
    """Fresh starts of the edge: its own line left standing, its marks set off a little."""
    angle, pitch = _angle(b), b.log_uniform(12, 150)
    relief = _parted(b, angle, angle + b.uniform(-0.5, 0.5), pitch, torch.zeros_like(angle))
    return _grained(b, relief, 0.7, 10, 0.5)


def coarse_flutes(b: Batch) -> Tensor:
    """Few broad flutes of a worn edge, nearly along the face, with sharp crests or dull ones."""
    angle = b.pick(0.02, 0.1, 0.25) * torch.randn(b.size, 1, 1, device=b.device).clamp(-2, 2)
    along, across = _stroke(b, angle, 0.7)
    width = b.rows * b.log_uniform(0.025, 0.13)
    flute = _striae(b, along, across, width, b.log_uniform(300, 6000))
    _, after, before = _steps(b, across / (1.5 * width) + 0.2 * flute)
    part = (after / (after + before)) ** b.uniform(0.5, 3)
    scallop = 4 * part * (1 - part)
    shape, way = b.pick(0, 1, 2, 2), b.pick(-1, 1)
    crest = torch.sqrt(flute**2 + b.log_uniform(0.001, 0.1))
    flute = torch.where(shape == 0, flute, way * torch.where(shape == 1, crest, scallop))
    fine = _striae(b, along, across, b.log_uniform(1, 5), b.log_uniform(100, 3000))
    lump = noise(b, b.log_uniform(4, 40), exponent=1.2, angle=angle, anisotropy=b.pick(1, 3))
    relief = standardised(flute) + b.pick(0.04, 0.12, 0.3) * _edge(b, fine)
    relief = _with(relief, lump, b.pick(0, 0.1, 0.25), b.uniform(0.3, 1))
    return _grained(b, relief, 0.7, 8, 0.4)


SHEAR_LOOKS: tuple[Look, ...] = (
    nick_lines, rotating_blades, pinch_line, compression_waves, copied_grinding, burnished_bands,
    debris_drag, faint_marks, relaxed_marks, lip_curl, rough_drawn, stroke_facets, coarse_flutes,
    stop_marks,
)  # fmt: skip
