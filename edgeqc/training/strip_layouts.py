"""Further layouts of zones, borders between them and grounds beside the face, by another hand.

A laser's depth follows what steers it: the scan's wave, one spot line after another, a curved
field, energy that fades out. What it leaves is torn or cut. Each layout draws one such course of
the depth along the face; whole-thickness stretches at the ends or within, changes of the residual
and faces of one zone are common to all. Marks find borders by the codes, whoever laid them out.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, blur, lines, noise
from edgeqc.training.strip_places import Place
from edgeqc.zoning.texture import MARGIN

_LASER, _SCISSOR, _TORN = 0, 1, 2
_THROUGH, _NONE = 2.0, -1.0
"""Depths, in thicknesses, of a laser that went through and of one that was not used."""
_WHOLE = 0.23
"""Share of faces that are meant to be of one zone; some others come out so."""
_TABLE = 64
_REACH = 2.6
"""How far a distance from a border is known, in standard deviations of its blur."""
_SEAM = 0.12
"""Share of the thickness, from either edge, that the surround may change."""


def _columns(b: Batch) -> Tensor:
    return torch.arange(b.cols, device=b.device, dtype=torch.float32)[None, None, :] + 0.5


def _rows(b: Batch) -> Tensor:
    return torch.arange(b.rows, device=b.device, dtype=torch.float32)[None, :, None] + 0.5


def _thickness(b: Batch) -> float:
    return b.rows / (1 + 2 * MARGIN)


def _wander(b: Batch, length: Tensor) -> Tensor:
    """Return a random line along the face, (size, 1, cols)."""
    return lines(b.size, b.cols, length[:, 0], b.device)[:, None, :]


def _down(b: Batch, length: Tensor) -> Tensor:
    """Return a random line across the thickness, (size, rows, 1)."""
    return lines(b.size, b.rows, length[:, 0], b.device)[:, :, None]


def _pitched(b: Batch, pitch: Tensor, numbers: int) -> tuple[Tensor, list[Tensor]]:
    """Return places within cells along the face (0 .. 1), and the cells' random numbers."""
    at = _columns(b) / pitch + b.uniform(0, 1)
    cell = torch.floor(at)
    key = cell.long() % _TABLE
    tables = torch.rand(numbers, b.size, 1, _TABLE, device=b.device)
    return at - cell, [torch.gather(table, 2, key) for table in tables]


def _roughened(b: Batch, depth: Tensor, most: float = 4.0) -> Tensor:
    """Return the depth with the fine unevenness of every border, a few samples."""
    fine = b.pick(0, 0.25, 0.5, 1) * b.uniform(0, most) / _thickness(b)
    return depth + fine * _wander(b, b.log_uniform(1, 20))


def _slow(b: Batch, most: float) -> Tensor:
    """Return the slow change of a depth along the face, in thicknesses."""
    return b.uniform(0, most) * _wander(b, b.log_uniform(0.1, 2) * b.rows)


def _ended(depth: Tensor) -> Tensor:
    """Return the depth, through where next to nothing is left and none where it is too little."""
    return torch.where(depth > 0.992, _THROUGH, torch.where(depth < 0.012, _NONE, depth))


def _edge(b: Batch, base: float, inward: float) -> tuple[Tensor, Tensor]:
    """Return an edge of the face in rows as it was meant, and as bumps and chips left it."""
    thickness = _thickness(b)
    wave = b.pick(0, 0.002, 0.006, 0.015) * b.uniform(0.3, 1) * thickness
    edge = base + b.pick(0, 0.5, 1) * b.uniform(-0.01, 0.01) * thickness
    edge = edge + wave * _wander(b, b.log_uniform(20, 300)).clamp(-2, 2)
    worn = b.pick(0, 0.3, 1) * b.uniform(0, 1) * _wander(b, b.log_uniform(1, 6)).clamp(-2, 2)
    crowd = _wander(b, b.log_uniform(5, 60))
    level = b.uniform(1.0, 2.2)
    bump = b.chance(0.3) * b.uniform(0.003, 0.015) * (crowd - level).clamp(0, 1.5) / 1.5
    over = -_wander(b, b.log_uniform(4, 50)) - level
    chip = (over / b.log_uniform(0.02, 0.6)).clamp(0, 1)  # from broken out to worn away
    chip = b.chance(0.3) * b.uniform(0.005, 0.03) * chip
    return edge, edge + worn + inward * (chip - bump) * thickness


def _stretch(b: Batch) -> tuple[Tensor, Tensor]:
    """Return how far a stretch reaches along the face at each row, in samples, and a lean."""
    thickness = _thickness(b)
    across = ((_rows(b) - MARGIN * thickness) / thickness).clamp(0, 1)
    lean = b.pick(0, 0.1, 0.4, 1) * b.uniform(0, 1) * thickness
    curve = across ** torch.where(b.chance(0.4) > 0, b.log_uniform(0.3, 3), 1.0)
    smooth = b.pick(0, 0.01, 0.04) * thickness * _down(b, b.log_uniform(10, 100))
    jagged = b.pick(0, 0, 2, 5) * b.uniform(0.3, 1) * _down(b, b.log_uniform(1, 8))
    return lean * (curve - 0.5) + smooth + jagged, lean


def _with_stretch(b: Batch, codes: Tensor, low: Tensor, high: Tensor, code: Tensor) -> Tensor:
    """Return codes with a stretch of the whole thickness; laser never lies below it."""
    col = _columns(b)
    plain = (col > low) & (col < high)
    below = (col > low.cummin(dim=1).values) & (col < high.cummax(dim=1).values)
    taken = torch.where(codes == _LASER, below, plain)
    return torch.where(taken, code, codes)


def _stretched(b: Batch, codes: Tensor, left_out: Tensor) -> Tensor:
    """Return codes with stretches at either end or within, cut by scissors or torn."""
    ends = b.pick(0, 0, 0, 0, 1, 2, 3, 3)  # none, left, right, both
    far = torch.full((b.size, b.rows, 1), 4.0 * b.cols, device=b.device)
    same = b.chance(0.5)
    kind = torch.where(b.chance(0.7) > 0, _SCISSOR, _TORN).to(torch.uint8)
    for side in (1, 2):
        own = torch.where(b.chance(0.7) > 0, _SCISSOR, _TORN).to(torch.uint8)
        code = torch.where(same > 0, kind, own)
        reach, lean = _stretch(b)
        reach = reach + b.log_uniform(0.02, 0.45) * b.cols + lean / 2
        here = ((ends == side) | (ends == 3)) & ~left_out
        reach = torch.where(here, reach, -far)
        low, high = (-far, reach) if side == 1 else (b.cols - reach, far)
        codes = _with_stretch(b, codes, low, high, code)
    middle = b.uniform(0.15, 0.85) * b.cols
    half = b.log_uniform(0.02, 0.2) * b.cols
    first, second = _stretch(b)[0], _stretch(b)[0]
    here = (b.chance(0.14) > 0) & ~left_out
    low = torch.where(here, middle - half - first, far)
    code = torch.where(b.chance(0.85) > 0, _TORN, _SCISSOR).to(torch.uint8)
    return _with_stretch(b, codes, low, middle + half + second, code)


def _residual(b: Batch, turning: float) -> Tensor:
    """Return what lies below the laser, changing along the face with a wedge on some members."""
    first = torch.where(b.chance(0.45) > 0, _SCISSOR, _TORN).to(torch.uint8)
    thickness = _thickness(b)
    across = (_rows(b) / thickness - MARGIN - b.uniform(0.3, 1)).clamp(-1, 1)
    wedge = b.pick(0.1, 0.5, 2) * b.uniform(-1, 1) * thickness
    bent = across * (1 + b.uniform(-0.8, 0.8) * across)
    change = b.uniform(0.1, 0.9) * b.cols + wedge * bent
    change = change + b.uniform(0, 5) * _down(b, b.log_uniform(2, 40))
    before = (_columns(b) < change) | (b.chance(turning) < 1)
    return torch.where(before, first, _SCISSOR + _TORN - first)


def _composed(b: Batch, depth: Tensor, turning: float = 0.08) -> Place:
    """Return the place of a depth (size, 1, cols) in thicknesses along the face."""
    thickness = _thickness(b)
    row = _rows(b)
    meant_front, front = _edge(b, MARGIN * thickness, 1.0)
    meant_back, back = _edge(b, (1 + MARGIN) * thickness, -1.0)
    roll = b.uniform(0, 1)
    depth = torch.where(roll < _WHOLE, _NONE, depth)
    depth = torch.where(roll < 0.45 * _WHOLE, _THROUGH, depth)
    border = meant_front + depth * (meant_back - meant_front)
    slope = torch.diff(border, dim=2, prepend=border[:, :, :1])
    steep = torch.sqrt(1 + slope.clamp(-20, 20) ** 2)
    below = _residual(b, turning)
    below = torch.where(roll < _WHOLE, below[:, -1:, :1], below)
    laser = row < border
    codes = _stretched(b, below * ~laser, roll < _WHOLE)
    # a ledge is where the laser ends, not where a stretch took its place
    is_ledge = (codes == _LASER) | ~laser
    ledge = torch.where(is_ledge, (row - border).abs() / steep, float(b.rows))
    t = (row - front) / (back - front)
    edge_px = torch.minimum(row - front, back - row)
    soft = b.pick(0, 0, 0, 3, 8) * b.uniform(0.2, 1)
    return Place(t, codes.long(), soft, ledge, edge_px)


def waved(b: Batch) -> Place:
    """Lay out a depth that undulates with the scan."""
    mean = torch.where(b.chance(0.6) > 0, b.uniform(0.6, 0.97), b.uniform(0.2, 0.7))
    amplitude = b.uniform(0.1, 1) ** 2 * 0.15
    period = b.log_uniform(0.03, 1.2) * b.rows
    phase = 2 * math.pi * (_columns(b) / period + b.uniform(0, 1))
    phase = phase + b.pick(0, 0.5, 2) * _wander(b, 4 * period)
    wave = torch.sin(phase) + b.pick(0, 0.3, 0.6) * torch.sin(2 * phase + b.uniform(0, 6))
    wave = torch.where(b.chance(0.3) > 0, 2 * wave.abs() - 1, wave)
    amplitude = amplitude * (1 + b.uniform(0, 0.6) * _wander(b, 6 * period)).clamp(0, 2)
    return _composed(b, _ended(_roughened(b, mean + amplitude * wave + _slow(b, 0.05))))


def toothed(b: Batch) -> Place:
    """Lay out a depth that rises as a saw's teeth or steps from one spot line to the next."""
    mean = torch.where(b.chance(0.7) > 0, b.uniform(0.55, 0.96), b.uniform(0.15, 0.6))
    within, (height, run) = _pitched(b, b.log_uniform(0.02, 0.5) * b.rows, 2)
    size = b.log_uniform(0.006, 0.15)
    tooth = torch.where(b.chance(0.5) > 0, within, 1 - within) * (0.5 + 0.5 * run)
    tooth = torch.where(b.chance(0.25) > 0, (2 * within - 1).abs(), tooth)
    share = b.uniform(-0.6, 1.3).clamp(0, 1)  # of teeth; the rest steps
    step = torch.where(b.chance(0.5) > 0, torch.floor(4 * height) / 3, height)  # whole passes
    depth = mean + size * (share * tooth + (1 - share) * step - 0.5)
    return _composed(b, _ended(_roughened(b, depth + _slow(b, 0.04), 1.5)))


def notched(b: Batch) -> Place:
    """Lay out a depth with deep notches in the shape of a V, upwards or downwards."""
    mean = b.uniform(0.45, 0.97)
    pitch = b.log_uniform(0.15, 1.5) * b.rows
    within, (here, at, wide, deep) = _pitched(b, pitch, 4)
    off, width = within - 0.35 - 0.3 * at, 0.05 + b.uniform(0.02, 0.3) * wide
    lop = torch.where(off > 0, b.uniform(0.5, 1), b.uniform(0.5, 1))
    notch = (1 - off.abs() / (width * lop)).clamp(min=0) * (here < b.uniform(0.3, 1))
    notch = notch ** torch.where(b.chance(0.25) > 0, b.uniform(0.5, 2), 1.0)
    up = b.chance(0.7)
    size = torch.where(up > 0, mean * b.uniform(0.15, 0.95), -(1.05 - mean) * b.uniform(0.4, 1))
    depth = mean + _slow(b, 0.04) - size * notch * (0.3 + 0.7 * deep)
    return _composed(b, _ended(_roughened(b, depth, 2.0)))


def islanded(b: Batch) -> Place:
    """Lay out a laser that went through but for islands of residual along the posterior edge."""
    within, (here, at, wide, tall) = _pitched(b, b.log_uniform(0.2, 2) * b.rows, 4)
    width = (0.08 + 0.3 * wide) * b.uniform(0.5, 1)
    off = (within - 0.5 - 0.2 * (at - 0.5)) / width
    dome = (1 - off.abs() ** b.log_uniform(1, 8)).clamp(min=0)
    height = b.log_uniform(0.015, 0.5) * (0.3 + 0.7 * tall) * (here < b.uniform(0.25, 0.95))
    island = height * dome
    rough = _roughened(b, 1 - island)
    return _composed(b, torch.where(island > 0.004, _ended(rough), _THROUGH), 0.2)


def bowed(b: Batch) -> Place:
    """Lay out a depth that curves along the face, as a bowl or a dome, with a tilt."""
    x = _columns(b) / b.cols - b.uniform(0.1, 0.9)
    mean = b.uniform(0.3, 0.98)
    sign = torch.where(b.chance(0.6) > 0, -1.0, 1.0)
    bowl = sign * b.uniform(0.1, 1.6) * x.abs() ** b.uniform(1.5, 3)
    depth = mean + bowl + b.chance(0.5) * b.uniform(-0.25, 0.25) * x
    return _composed(b, _ended(_roughened(b, depth + _slow(b, 0.03))))


def tapered(b: Batch) -> Place:
    """Lay out a residual that tapers to nothing along the face."""
    x = _columns(b) / b.cols
    x = torch.where(b.chance(0.5) > 0, x, 1 - x)
    nothing = b.uniform(0.1, 0.9)
    left = ((x - nothing) / b.uniform(0.2, 1)).clamp(0, 1)
    residual = b.log_uniform(0.03, 0.7) * left ** b.log_uniform(0.5, 2.5)
    uneven = 1 + b.uniform(0, 0.3) * _wander(b, b.log_uniform(0.1, 1) * b.rows)
    depth = _roughened(b, 1 - residual * uneven.clamp(0, 2), 2.0)
    return _composed(b, torch.where(left > 0, _ended(depth), _THROUGH), 0.12)


def thin(b: Batch) -> Place:
    """Lay out a residual of a few hundredths of the thickness."""
    residual = b.log_uniform(0.01, 0.06)
    uneven = b.pick(0, 0.1, 0.3) * _wander(b, b.log_uniform(3, 200))
    ragged = b.pick(0, 0.1, 0.2) * _wander(b, b.log_uniform(1, 6))
    return _composed(b, 1 - (residual * (1 + uneven + ragged)).clamp(0.004, 0.1), 0.15)


def shallow(b: Batch) -> Place:
    """Lay out a laser that reached a small part of the thickness."""
    depth = b.uniform(0.15, 0.5) + _slow(b, 0.05)
    within, (height,) = _pitched(b, b.log_uniform(0.03, 1) * b.rows, 1)
    spread = b.pick(0, 0, 0.01, 0.04) * (height - 0.5 + b.chance(0.5) * (within - 0.5))
    return _composed(b, _ended(_roughened(b, depth + spread)), 0.12)


def changing(b: Batch) -> Place:
    """Lay out a residual that changes between torn and cut along the face."""
    depth = torch.where(b.chance(0.7) > 0, b.uniform(0.35, 0.93), b.uniform(0.1, 0.5))
    depth = depth + _slow(b, 0.06)
    step = b.chance(0.3) * b.uniform(-0.08, 0.08)
    depth = depth + step * torch.sigmoid((_columns(b) - b.uniform(0, 1) * b.cols) / 3)
    return _composed(b, _ended(_roughened(b, depth)), 1.0)


LAYOUTS: tuple[Callable[[Batch], Place], ...] = (
    waved, toothed, notched, islanded, bowed, tapered, thin, shallow, changing,
)  # fmt: skip


def _from_border(member: Tensor, sigma: Tensor, most: float) -> tuple[Tensor, Tensor]:
    """Return distance from a zone's border, positive inside, and a weight that ends with it."""
    pad = math.ceil(_REACH * most) + 1
    share = blur(functional.pad(member, (pad,) * 4, mode="replicate"), sigma)
    share = share[:, pad:-pad, pad:-pad].clamp(1e-3, 1 - 1e-3)
    distance = sigma * math.sqrt(2) * torch.erfinv(2 * share - 1)
    return distance, (1 - (distance / (_REACH * sigma)) ** 2).clamp(min=0)


def _fine_marks(b: Batch, far: Tensor, field: Tensor, signal: Tensor) -> Tensor:
    """Return what a lip with its shadow, a crack and burrs add beside a border."""
    side = torch.where(b.chance(0.6) > 0, -1.0, 1.0)
    v = far * side
    there = (1 + b.uniform(0, 1.2) * field).clamp(0, 2)  # lips come and go
    lip = torch.exp(-(((v - b.uniform(-1, 1)) / b.uniform(0.6, 2)) ** 2))
    shade = torch.exp(-(((v + b.uniform(1, 3.5)) / b.uniform(0.8, 2)) ** 2))
    marks = b.chance(0.4) * there * (b.uniform(0.1, 0.7) * lip - b.uniform(0, 0.5) * shade)
    shift = b.uniform(-2, 2) + b.uniform(0, 1.5) * field
    crack = torch.exp(-(((far - shift) / b.uniform(0.5, 1.2)) ** 2))
    crack = crack * torch.sigmoid(6 * (field - b.uniform(-1.5, 1)))
    marks = marks - b.chance(0.22) * b.uniform(0.15, 0.7) * crack * signal
    burr = (field - b.uniform(0.8, 1.8)).clamp(0, 1) * torch.exp(-((far / b.uniform(1.5, 4)) ** 2))
    return marks + b.chance(0.2) * b.uniform(0.2, 0.9) * burr


def _wide_marks(b: Batch, far: Tensor, reach: Tensor) -> Tensor:
    """Return what last laser spots, a bent lip of the residual and a step in brightness add."""
    step = b.log_uniform(3, 0.06 * b.rows + 3.5)
    past = far + b.uniform(0, 0.6) * torch.minimum(step, reach)
    at = _columns(b) / step + b.uniform(0, 0.08) * _wander(b, 3 * step)
    u = (at - torch.floor(at) - 0.5) * step
    distance = torch.sqrt(u * u + past * past + 1e-6) / step
    hollow = torch.exp(-((distance / b.uniform(0.25, 0.42)) ** 2))
    ring = torch.exp(-(((distance - 0.45) / 0.12) ** 2))
    marks = b.chance(0.25) * (b.uniform(-0.5, 0.2) * hollow + b.uniform(0, 0.35) * ring)
    outside = (-far).clamp(min=0) / reach
    bent = torch.sigmoid(-far / 0.7) * outside * torch.exp(-outside / b.uniform(0.15, 0.5))
    marks = marks + b.chance(0.2) * b.uniform(-0.9, 1.5) * bent
    stepped = b.uniform(-0.15, 0.15) * torch.sigmoid(far / 0.7) + b.uniform(-0.15, 0.15)
    return marks + b.chance(0.25) * stepped


def bordered(b: Batch, place: Place, signal: Tensor) -> Tensor:
    """Put marks along the borders of one zone of every member; far from them nothing changes."""
    zone = b.pick(_LASER, _LASER, _LASER, _SCISSOR, _TORN)
    member = (place.codes == zone).float()
    field = noise(b, b.log_uniform(2, 30), exponent=1.0)
    far, weight = _from_border(member, b.uniform(1.5, 3), 3.0)
    widest = 0.025 * _thickness(b) + 2
    wide = b.uniform(0.5, 1) * widest
    wide_far, wide_weight = _from_border(member, wide, widest)
    marked = signal + weight * _fine_marks(b, far, field, signal)
    marked = marked + wide_weight * _wide_marks(b, wide_far, _REACH * wide)
    blended = b.chance(0.25) * b.uniform(0.3, 1) * weight
    marked = marked + blended * (blur(marked, b.uniform(1, 4)) - marked)
    return torch.where((weight > 0) | (wide_weight > 0), marked, signal)


def _ground(b: Batch, out: Tensor, coarse: Tensor, fine: Tensor, level: Tensor) -> Tensor:
    """Return mount, tape or the lens's own surface; out is the distance from the edge."""
    kind = b.uniform(0, 1)
    bright = level * b.uniform(0.75, 1.2)  # the lens's surface is about as bright as its face
    tone = torch.where(kind < 0.4, bright, b.log_uniform(0.04, 1.3))
    grain = torch.where(kind < 0.4, b.log_uniform(0.002, 0.04), b.log_uniform(0.005, 0.2))
    tape = torch.where((kind > 0.4) & (kind < 0.65), b.uniform(0.02, 0.25), b.uniform(0, 0.03))
    ground = tone * (1 + tape * coarse) + grain * fine
    slope = b.pick(0, 0.2, 0.5) * b.uniform(-1, 1) * out / (MARGIN * b.rows)
    ground = ground * (1 + slope.clamp(-0.6, 0.6))
    shadow = b.chance(0.4) * b.uniform(0.2, 0.95) * torch.exp(-out / b.log_uniform(1.5, 20))
    glow = b.chance(0.2) * b.uniform(0, 0.5) * torch.exp(-out / b.log_uniform(1, 15))
    return ground * (1 - shadow) + glow


def _rim(b: Batch, depth: Tensor) -> Tensor:
    """Return an edge's bright rim of uneven width, whole or broken."""
    width = b.log_uniform(0.8, 7) * torch.exp(b.uniform(0, 0.6) * _wander(b, b.log_uniform(5, 100)))
    gate = torch.sigmoid((_wander(b, b.log_uniform(3, 60)) - b.uniform(-0.8, 0.8)) / 0.15)
    gate = torch.where(b.chance(0.4) > 0, gate, torch.ones_like(gate))
    sharp = torch.where(b.chance(0.3) > 0, torch.sigmoid(2 * (width - depth)),
                        torch.exp(-depth / width))  # fmt: skip
    return b.pick(0, 0.15, 0.4, 0.9, -0.2) * b.uniform(0.3, 1) * gate * sharp


def _chamfered(b: Batch, t_in: Tensor, smooth: Tensor, signal: Tensor) -> Tensor:
    """Return the signal with a band along an edge, whose share of the thickness t_in tells."""
    width = b.uniform(0.02, 0.06) * (1 + 0.1 * _wander(b, b.log_uniform(20, 300)).clamp(-2, 2))
    band = torch.sigmoid((width - t_in) * _thickness(b) / b.uniform(0.4, 2)) * b.chance(0.22)
    paler = signal + b.uniform(0, 0.9) * (smooth - signal)
    return signal + band * (paler * b.uniform(0.6, 1.4) - signal)


def surrounded(b: Batch, place: Place, signal: Tensor) -> Tensor:
    """Put grounds outside both edges, with rims, burrs and chamfers at them.

    The signal stays the same farther inside than an eighth of the thickness.
    """
    coarse = noise(b, b.log_uniform(4, 60), exponent=b.uniform(0.3, 1.5),
                   anisotropy=b.pick(1, 1, 4, 0.25))  # fmt: skip
    fine = noise(b, b.log_uniform(0.5, 6), exponent=0.5)
    smooth = blur(signal, 2.5)
    level = signal.mean(dim=(1, 2), keepdim=True)
    depth, out = place.edge_px.clamp(min=0), (-place.edge_px).clamp(min=0)
    upper = place.t < 0.5
    drawn = _chamfered(b, place.t.clamp(min=0), smooth, signal)
    drawn = _chamfered(b, (1 - place.t).clamp(min=0), smooth, drawn)
    drawn = drawn + torch.where(upper, _rim(b, depth), _rim(b, depth))
    ground = torch.where(upper, _ground(b, out, coarse, fine, level),
                         _ground(b, out, fine, coarse, level))  # fmt: skip
    inside = torch.sigmoid(place.edge_px / b.uniform(0.2, 1.0))
    drawn = inside * drawn + (1 - inside) * ground
    reach = b.log_uniform(1.5, 10)
    burr = torch.sigmoid(4 * (coarse - b.uniform(0.8, 1.8))) * (b.chance(0.2) > 0)
    burr = burr * torch.exp(-((place.edge_px + 0.3 * reach) / reach) ** 2)
    drawn = drawn + burr * (b.uniform(0.7, 1.8) + 0.1 * fine - drawn)
    ending = ((_SEAM - depth / _thickness(b)) / (0.25 * _SEAM)).clamp(0, 1)
    return signal + ending * (drawn - signal)
