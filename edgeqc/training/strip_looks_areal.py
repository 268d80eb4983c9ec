"""Looks of cut faces as areal topography: spectra, lay, height distribution, waviness and form.

Every look is made of what an areal measurement tells: an autocorrelation (isotropic, or a lay), a
spectrum between two cut-offs, skewness and kurtosis of heights (shaped by the sinh-arcsinh map of
Jones and Pewsey 2009, from memory), plateaus and valleys of the material ratio curve (Abbott and
Firestone 1933, from memory), waviness and form beneath.
Laser: spectral peaks on a reciprocal lattice, passes, stitched scan fields.
Scissor: texture aspect ratio near 0: one profile dragged on, waviness across, lapped strokes.
Torn: broken power laws (Mandelbrot et al. 1984, from memory), hills and dales, turning lay.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, sigmoid
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, Look, at_line, noise, numbers_at, places

# isort: split
from edgeqc.training.strip_fields import standardised, turned

_TABLE, _TRACE, _TURN = 4096, 4096, 2 * math.pi


def _hump(away: Tensor, width: Tensor | float) -> Tensor:
    return torch.exp(-((away / width) ** 2))


def _slow(b: Batch, length: Tensor, exponent: float = 2.0) -> Tensor:
    """Return a smooth field of long wavelengths (made on every fourth sample, not periodic)."""
    coarse = Batch(b.size, b.rows // 4 + 4, b.cols // 4 + 4, b.device)
    field = noise(coarse, (length / 4).clamp(min=1.5), exponent=exponent)[:, None]
    size = (4 * coarse.rows, 4 * coarse.cols)
    fine = functional.interpolate(field, size=size, mode="bicubic", align_corners=False)
    return fine[:, 0, 4 : b.rows + 4, 4 : b.cols + 4]


def _leaned(plane: Tensor, lean: Tensor | float, heavy: Tensor | float) -> Tensor:
    """Return heights of another skewness (lean) and kurtosis (heavy > 1: long tails)."""
    bent = torch.asinh(plane.clamp(-6, 6)) * heavy + lean
    return standardised(torch.sinh(bent.clamp(-4, 4)))


def _worn(plane: Tensor, level: Tensor, worn: Tensor) -> Tensor:
    """Return heights whose peaks above a level are worn off to a plateau, wholly at worn = 1."""
    return plane - worn * functional.softplus(6 * (plane - level)) / 6


def _measured(b: Batch, relief: Tensor, most: float) -> Tensor:
    """Return a relief through an areal short-wave filter, on roughness and form of its own."""
    relief = functional.pad(standardised(relief)[:, None], (6, 6, 6, 6), mode="reflect")[:, 0]
    f_row = torch.fft.fftfreq(b.rows + 12, device=b.device)[None, :, None]
    f_col = torch.fft.rfftfreq(b.cols + 12, device=b.device)[None, None, :]
    square, knee = f_row**2 + f_col**2, b.log_uniform(2, 30)
    rough = torch.exp(-b.uniform(0.4, 1.1) * torch.log(1 + (_TURN * knee) ** 2 * square))
    energy = (rough * rough).mean(dim=(1, 2), keepdim=True).sqrt() + 1e-6
    size = b.pick(0, 0.3, 1, 1) * b.uniform(0, most) / energy
    both = torch.fft.rfft2(relief) + size * rough * torch.fft.rfft2(torch.randn_like(relief))
    both = both * torch.exp(-2 * (math.pi * b.pick(0.4, 0.4, 0.8, 1.4)) ** 2 * square)
    plane = torch.fft.irfft2(both, s=(b.rows + 12, b.cols + 12))[:, 6:-6, 6:-6]
    col, row = turned(b, b.uniform(0, _TURN))
    form = b.some(0.3, -2, 2) * (row / b.rows) ** 2 + b.some(0.3, -2, 2) * (col / b.cols) ** 2
    return standardised(plane + form)


def _series(b: Batch, u: Tensor, v: Tensor, decay: Tensor) -> Tensor:
    """Return a surface of period 1 along u and v by its first harmonics, humps at the lattice."""
    total, loose = torch.zeros_like(u), b.pick(0, 0, 0.3, 0.8)
    for h, k in ((1, 0), (0, 1), (1, 1), (1, -1), (2, 0), (0, 2), (2, 1), (1, 2)):
        size = decay ** (h * h + k * k - 1) * b.uniform(0.4, 1)
        total = total + size * torch.cos(_TURN * (h * u + k * v) + loose * b.normal())
    return standardised(total)


def reciprocal_lattice(b: Batch) -> Tensor:
    """Draw craters or domes by the peaks of their spectrum: square, oblique or hexagonal."""
    along, across = turned(b, b.some(0.7, -0.3, 0.3) + b.pick(0, 0, math.pi / 4, math.pi / 2))
    pitch = b.log_uniform(4, 56).clamp(max=b.rows / 4)
    loose = b.pick(0, 0.05, 0.1, 0.18) * b.uniform(0.5, 1)
    wander = loose * _slow(b, 2 * pitch)
    v = across / pitch + wander
    u = along / (pitch * b.pick(0.5, 0.8, 1, 1, 1.15, 2)) + b.pick(0, 0, 0.5, 0.5, 0.2) * v - wander
    relief = _series(b, u, v, b.uniform(0.45, 0.85))
    relief = _worn(relief, b.uniform(0, 1.5), b.uniform(0, 1)) * b.pick(-1, -1, 1)
    grain = noise(b, pitch * b.uniform(0.12, 0.5), exponent=b.uniform(0.3, 1.5))
    uneven = (1 + b.pick(0, 0.3, 0.5) * grain).clamp(min=0.1)
    patchy = 0.25 + sigmoid(b.uniform(1, 4) * (_slow(b, b.uniform(0.2, 0.6) * b.rows) + 0.7))
    relief = standardised(relief) * uneven * b.either(patchy, 0 * patchy + 1, 0.4)
    return _measured(b, relief + b.pick(0, 0.15, 0.4) * grain, 0.6)


def hatched_passes(b: Batch) -> Tensor:
    """Draw passes side by side, each of a depth of its own, pulses beating along the groove."""
    along, across = turned(b, b.some(0.6, -0.25, 0.25) + b.pick(0, 0, 0, math.pi / 2))
    pitch = b.log_uniform(4, 48).clamp(max=b.rows / 5)
    v = across / pitch + b.pick(0, 0.05, 0.12) * _slow(b, 3 * pitch)
    index = torch.floor(v)
    depth, slip = numbers_at(torch.rand(2, b.size, _TABLE, device=b.device), index, 0 * index)
    odd = torch.remainder(index, 2)  # there and back: pairs of passes draw together
    part = v - index - 0.5 + b.pick(0, 0, 0.12) * (odd - 0.5)
    groove = (2 * part.abs()).clamp(max=1) ** b.uniform(0.9, 4)
    burr = _hump(part.abs() - 0.5, 0.15) * (1 + torch.sign(part) * b.uniform(-1, 1))
    beat = along / (pitch * b.pick(0.3, 0.5, 0.8, 1, 1.6)) + b.pick(0, 0.5, 1, 1) * slip
    beads = torch.cos(_TURN * beat + b.uniform(0, 2) * (2 * part) ** 2 * torch.sign(odd - 0.5))
    beads = _leaned(beads, b.uniform(-0.6, 0.6), 1) * (1 - b.uniform(0, 1) * groove)
    melt = noise(b, pitch * b.uniform(0.08, 0.4), exponent=0.8)
    relief = groove + b.some(0.5, 0.2, 0.8) * burr - b.pick(0, 0.25, 0.7) * depth
    relief = relief + b.pick(0, 0.15, 0.3, 0.7) * beads + b.pick(0, 0.1, 0.25) * melt
    kept = sigmoid(b.uniform(1, 3) * (_slow(b, b.uniform(0.15, 0.5) * b.rows) + b.uniform(0, 3)))
    return _measured(b, standardised(relief) * (0.2 + kept), 0.6)


def unresolved_pulses(b: Batch) -> Tensor:
    """Draw a short autocorrelation of pits too fine to part, faint passes and layers beneath."""
    fine = b.log_uniform(0.8, 5)
    field = noise(b, fine, exponent=b.uniform(1.5, 3))
    pits = _leaned(field, b.uniform(-0.9, 0), b.uniform(0.8, 1.3))
    along, across = turned(b, b.some(0.4, -0.1, 0.1) + b.pick(0, 0, 0, math.pi / 2))
    pitch = (fine * b.log_uniform(5, 24)).clamp(max=b.rows / 5)
    v = across / pitch + b.uniform(0, 0.1) * _slow(b, 4 * pitch)
    layer = numbers_at(torch.randn(b.size, _TABLE, device=b.device), torch.floor(v), 0 * v)
    seam = _hump(v - torch.floor(v + 0.5), b.uniform(0.05, 0.25))
    comb = b.pick(-1, 0, 1) * seam + b.pick(0, 0.15, 0.5) * layer.clamp(-2, 2)
    comb = comb + b.pick(0, 0.5, 1) * torch.cos(_TURN * v)
    beat = torch.cos(_TURN * along / pitch / b.pick(0.25, 0.5, 1, 2)) * b.pick(0, 0.5, 1)
    relief = standardised(pits) * (1 + b.pick(0, 0.2, 0.4) * torch.cos(_TURN * v + b.uniform(0, 6)))
    return _measured(b, relief + b.log_uniform(0.5, 2.5) * standardised(comb + beat), 0.25)


def stitched_fields(b: Batch) -> Tensor:
    """Draw hatch in stitched scan fields: phase, depth, tilt and turn jump at the seams."""
    col, row = turned(b, b.some(0.5, -0.06, 0.06))
    high, wide = b.rows * b.uniform(0.15, 0.8), b.rows * b.log_uniform(0.25, 2)
    x, y = col / wide + b.uniform(0, 1), row / high + b.uniform(0, 1)
    at_x, at_y = torch.floor(x), torch.floor(y)
    found = numbers_at(torch.rand(4, b.size, _TABLE, device=b.device), at_y, at_x)
    angle = b.uniform(-0.6, 0.6) + b.pick(0, 0.3, math.pi / 2) * (found[0] > 0.5)
    cosine, sine = torch.cos(angle), torch.sin(angle)
    pitch = b.log_uniform(4, 30).clamp(max=b.rows / 8)
    u = (cosine * col + sine * row) / (pitch * b.pick(0.5, 1, 1, 2)) + found[1]
    v = (cosine * row - sine * col) / pitch + found[2]
    hatch = torch.cos(_TURN * v) + b.pick(0, 0.3, 0.8, 1) * torch.cos(_TURN * u)
    hatch = _leaned(hatch, b.uniform(-0.9, 0.5), b.uniform(0.6, 1.3))
    tilt = (x - at_x - 0.5) * (found[3] - 0.5) + (y - at_y - 0.5) * (found[0] - 0.5)
    edge_x, edge_y = (x - torch.floor(x + 0.5)) * wide, (y - torch.floor(y + 0.5)) * high
    seam = torch.maximum(_hump(edge_x, b.uniform(1, 5)), _hump(edge_y, b.uniform(1, 5)))
    melt = noise(b, b.log_uniform(1, 5), exponent=b.uniform(0.5, 1.2))
    relief = hatch * (0.6 + 0.8 * found[3]) * (1 + 0.3 * melt) + b.uniform(0, 2) * tilt
    relief = relief + b.pick(0, 0.4, 0.8) * (found[1] - 0.5) + b.pick(-1.5, 0, 0.8) * seam
    return _measured(b, relief + b.pick(0.1, 0.3, 0.6) * melt, 0.5)


def _profile(b: Batch, short: Tensor, long: Tensor, slope: Tensor) -> Tensor:
    """Return traces (size, _TRACE) with a power law f^-slope between two cut-off wavelengths."""
    f = torch.fft.rfftfreq(_TRACE, device=b.device)[None, :].clamp(min=1e-4)
    short, long, slope = short[:, 0], long[:, 0], slope[:, 0]
    gain = torch.exp(-slope / 2 * torch.log(f * 20) - ((f * short) ** 2).clamp(max=30))
    gain = gain * (1 - torch.exp(-((f * long) ** 2))) + 1e-6
    white = torch.fft.rfft(torch.randn(b.size, _TRACE, device=b.device))
    return standardised(torch.fft.irfft(white * gain, n=_TRACE)[:, None])[:, 0]


def _cutter(b: Batch, scale: Tensor) -> Tensor:
    """Return traces of an edge: a ground land, scores of nicks, at times no long waves."""
    slope, long = b.uniform(0.2, 1.8), scale * b.log_uniform(6, 60)
    fine = _leaned(_profile(b, scale, long, slope)[:, None], b.uniform(-0.8, 0.5), 1.0)
    rare = _profile(b, scale * b.uniform(0.7, 2), long, b.uniform(0, 0.5))[:, None]
    scores = (rare - b.uniform(1, 2)).clamp(min=0) * b.pick(-4, -2.5, 2)
    land = _worn(fine, b.uniform(-0.3, 1.5), b.uniform(0, 1))
    return standardised(land + b.pick(0, 0.5, 1) * scores)[:, 0]


def _path(b: Batch, tilt: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a blade's gently bent way."""
    along, across = turned(b, tilt)
    reach, once, twice = along / b.cols, b.some(0.5, -0.3, 0.3), b.some(0.3, -0.2, 0.2)
    return along, across + b.cols * (once + twice * reach) * reach**2


def _dragged(b: Batch, across: Tensor, change: Tensor, scale: Tensor) -> Tensor:
    """Return an edge's trace dragged on, with a slow change into a second trace."""
    first, second = (at_line(_cutter(b, scale), across + _TRACE / 2) for _ in range(2))
    return standardised(first + change * (second - first))


def _scale(b: Batch) -> Tensor:
    return b.log_uniform(2, 20).clamp(max=b.rows / 12)


def ground_lay(b: Batch) -> Tensor:
    """Draw a lay of texture aspect ratio near 0, patches of stick and skip, worn plateaus."""
    tilt, scale = b.uniform(0, _TURN), _scale(b)
    slow = _slow(b, b.uniform(0.1, 0.35) * b.cols)
    relief = _dragged(b, _path(b, tilt)[1], sigmoid(b.uniform(0.5, 3) * slow), scale)
    flow = noise(b, scale * b.uniform(0.4, 1), angle=tilt, anisotropy=b.log_uniform(12, 80))
    relief = relief + b.pick(0, 0.25, 0.5) * flow
    skip = sigmoid(b.uniform(1, 4) * (_slow(b, b.uniform(0.15, 0.5) * b.rows) + b.uniform(0.3, 2)))
    return _measured(b, relief * (0.2 + skip), 0.6)


def scored_plateau(b: Batch) -> Tensor:
    """Draw a burnished plateau (negative skewness) with a few deep scores on one common course."""
    tilt, scale = b.uniform(0, _TURN), _scale(b)
    fine = noise(b, 0.4 * scale, angle=tilt, anisotropy=b.log_uniform(20, 120), exponent=0.6)
    plateau = b.uniform(0.15, 0.7) * fine
    for spread, share in ((0.0, 1.0), (0.06, 0.5)):
        across = _path(b, tilt + spread * b.normal())[1] + _TRACE / 2
        long = scale * b.log_uniform(8, 60)
        trace = _profile(b, scale * b.uniform(0.8, 2.5), long, b.uniform(0, 1))
        deep = at_line(trace, across) + 0.25 * _slow(b, b.uniform(0.1, 0.4) * b.cols)
        valley = functional.softplus(5 * (deep - b.uniform(0.5, 1.7))) / 5
        bank = _hump(deep - b.uniform(0.2, 0.8), 0.3) * b.pick(0, 0, 0.3)
        kept = torch.exp(-2 * valley)  # a score cuts the fine lay away
        plateau = plateau * kept - share * (b.uniform(1, 3) * valley - bank)
    waves = _slow(b, b.uniform(0.2, 0.6) * b.rows) * b.pick(0, 0.3, 0.8)
    return _measured(b, standardised(plateau) + waves, 0.6)


def waviness_across(b: Batch) -> Tensor:
    """Draw waviness of a narrow band across the lay, the roughness strokes deeper in its flanks."""
    tilt, scale = b.uniform(0, _TURN), _scale(b)
    along, across = _path(b, tilt)
    period = (scale * b.log_uniform(1.5, 10)).clamp(5, 80)
    band = _profile(b, period * b.uniform(0.85, 1), period * b.uniform(1, 1.3), b.uniform(-2, 1))
    drift = along + b.uniform(-0.5, 0.5) * across + b.uniform(-0.3, 0.3) * across**2 / b.cols
    sway = at_line(band, drift + _TRACE / 2)
    phase = _TURN * drift / period + b.uniform(0, 0.6) * sway
    even = torch.sin(phase + b.uniform(-0.8, 0.8) * torch.sin(phase))
    bands = _leaned(b.either(even, sway, 0.6), b.uniform(-0.8, 0.8), b.uniform(0.6, 1.3))
    swell = (1 + b.pick(0, 0.3, 0.6) * _slow(b, b.uniform(0.2, 0.6) * b.cols)).clamp(min=0.1)
    strokes = _dragged(b, across, sigmoid(_slow(b, b.uniform(0.2, 0.4) * b.cols)), scale)
    relief = bands * swell + b.log_uniform(0.35, 2.5) * strokes * sigmoid(b.pick(0, 1, 3) * bands)
    return _measured(b, relief, 0.5)


def lapped_strokes(b: Batch) -> Tensor:
    """Draw strokes that overlap like slates: lay, level and tilt change at a lap's edge."""
    tilt, scale = b.uniform(0, _TURN), _scale(b)
    side, away = turned(b, tilt + b.pick(0, 0.5, 1.2, math.pi / 2) * b.pick(-1, 1))
    width = b.rows * b.log_uniform(0.2, 0.9)
    place = away + b.uniform(-0.4, 0.4) * side**2 / b.cols + 0.01 * b.rows * _slow(b, 6 * scale)
    place = place / width + b.uniform(0, 1)
    index = torch.floor(place)
    tables = torch.randn(3, b.size, _TABLE, device=b.device).clamp(-2, 2)
    found = numbers_at(tables, index, 0 * index)
    angle = tilt + b.pick(0.03, 0.08, 0.2) * found[0]
    col, row = turned(b, b.pick(0.0))
    across = torch.cos(angle) * row - torch.sin(angle) * col
    across = across + b.some(0.5, -0.25, 0.25) * away**2 / b.cols + 90 * found[1]
    lines = at_line(_cutter(b, scale), across.remainder(_TRACE - 3.0))
    edge = (place - index) * width
    step = found[1] + b.uniform(-2, 2) * (place - index)
    relief = lines * (0.5 + found[2].abs()) + b.pick(0.2, 0.6, 1.2) * step
    lip = _hump(edge - scale, scale) * (1 + 0.3 * _slow(b, 8 * scale) + 0.15 * noise(b, scale))
    return _measured(b, relief + b.pick(0, 0.4, 1, -0.8) * lip, 0.5)


def shorn_flanks(b: Batch) -> Tensor:
    """Draw the flanks of two blades: rolled-over rims, burnish, a pinched line between two lays."""
    t = turned(b, b.some(0.6, -0.12, 0.12))[1] / b.rows + b.uniform(-0.35, 0.35)
    t = t + b.uniform(0, 0.02) * _slow(b, b.uniform(20, 90))
    scale, tilt = _scale(b), b.pick(0, math.pi / 2, math.pi / 2) + b.uniform(-0.6, 0.6)
    soft = b.log_uniform(0.004, 0.05)
    lower, change = sigmoid(t / soft), sigmoid(_slow(b, 0.3 * b.cols * b.uniform(0.5, 1)))
    upper_lines = _dragged(b, _path(b, tilt)[1], change, scale)
    turn = b.pick(0, 0.15, 0.6) * b.normal()
    trace = _cutter(b, scale * b.log_uniform(0.6, 1.8))
    lower_lines = at_line(trace, _path(b, tilt + turn)[1] + _TRACE / 2)
    weak = b.uniform(0.15, 1.2)
    relief = standardised(upper_lines) * (1 - lower) + weak * lower_lines * lower
    uneven = 1 + 0.3 * _slow(b, 8 * scale) + 0.15 * noise(b, scale)
    pinch = _hump(t, b.log_uniform(0.006, 0.04)) * uneven
    rim = torch.exp(-(0.6 - t.abs()).clamp(min=0) / b.uniform(0.05, 0.2))
    relief = relief + b.pick(-2, 1, 2.5) * pinch - b.uniform(0, 2) * rim
    return _measured(b, relief + b.uniform(-2, 2) * t.abs(), 0.6)


def self_affine_ground(b: Batch) -> Tensor:
    """Draw a fracture of a broken power law, its roughness intermittent, skewed, faintly laid."""
    angle, stretch = b.uniform(0, _TURN), b.pick(1, 1, 1.5, 3) * b.uniform(1, 1.5)
    long = b.log_uniform(8, 160).clamp(max=b.rows / 2)
    field = noise(b, long, exponent=b.uniform(0.25, 1.1), angle=angle, anisotropy=stretch)
    relief = _leaned(field, b.uniform(-0.7, 0.7), b.uniform(0.8, 1.4))
    folded = standardised(relief.abs() * b.pick(-1, 1))
    relief = relief + b.pick(0, 0, 0.8) * folded
    rate = b.uniform(0.2, 1)
    fine = noise(b, b.log_uniform(1, 10), exponent=rate, angle=angle, anisotropy=stretch)
    bursts = b.uniform(0.3, 1.5) * _slow(b, b.uniform(0.1, 0.5) * b.rows)
    bursts = torch.exp(bursts.clamp(-3, 1.5))
    return _measured(b, relief + b.uniform(0, 0.5) * fine * bursts, 0.3)


def hills_and_dales(b: Batch) -> Tensor:
    """Draw dales of most unequal size, ridges between (motifs); drawn to one side where sheared."""
    angle = b.uniform(0, _TURN)
    along, across = turned(b, angle)
    size = b.log_uniform(9, 80).clamp(max=b.rows / 3)
    u, v = along / (size * b.log_uniform(1, 2.8)), across / size
    u, v = u + 0.45 * _slow(b, size) + b.some(0.5, 0.5, 1.5) * v, v + 0.45 * _slow(b, 1.5 * size)
    floor, drawn, unequal = torch.full_like(u, 9.0), b.some(0.5, 0.2, 0.8), b.uniform(0.3, 0.9)
    for du, dv, first, second in places(u, v, b.uniform(0.35, 0.6), b.pick(0.1, 0.3, 0.5)).near():
        bowl = ((du + drawn / 2) ** 2 + dv * dv).clamp(max=9)
        floor = torch.minimum(floor, bowl * (0.6 + second) + unequal * first)
    relief = _leaned(standardised(floor.clamp(max=1.5).sqrt()), b.uniform(-0.3, 0.8), 1.0)
    small = noise(b, size * b.uniform(0.1, 0.4), exponent=b.uniform(0.3, 1))
    whole = sigmoid(b.uniform(1, 5) * (_slow(b, b.uniform(0.2, 0.6) * b.rows) + b.uniform(0, 2)))
    relief = relief * (0.2 + whole) + b.uniform(0.03, 0.35) * small
    return _measured(b, relief + b.pick(0, 0.5, 1) * _slow(b, b.uniform(1, 3) * size), 0.2)


def turning_lay(b: Batch) -> Tensor:
    """Draw hackle whose lay turns from place to place: short ridges that end, fan out and fork."""
    scale = b.log_uniform(2, 14).clamp(max=b.rows / 12)
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None] * scale * _TURN
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :] * scale * _TURN
    white = torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))
    white[:, 0, 0] = 0
    root, slope, base = b.uniform(2, 4), b.uniform(1.2, 2.2), b.uniform(0, _TURN)
    field = b.uniform(0.35, 1.1) * _slow(b, b.uniform(0.1, 0.4) * b.rows + 3 * scale)
    total, weights = torch.zeros(b.size, b.rows, b.cols, device=b.device), torch.zeros_like(field)
    for turn in (-1.2, -0.6, 0.0, 0.6, 1.2):
        cosine, sine = torch.cos(base + turn), torch.sin(base + turn)
        power = 1 + (root * (cosine * f_col + sine * f_row)) ** 2
        power = power + ((cosine * f_row - sine * f_col) / root) ** 2
        layer = torch.fft.irfft2(white * torch.exp(-slope / 2 * torch.log(power)),
                                 s=(b.rows, b.cols))  # fmt: skip
        weight = torch.exp(5 * (torch.cos(2 * (field - turn)) - 1)) + 1e-4
        total, weights = total + weight * standardised(layer), weights + weight**2
    relief = _leaned(total / weights.sqrt(), b.uniform(-0.7, 0.7), b.uniform(0.7, 1.3))
    relief = b.either(relief, 1.5 * relief.abs() * b.pick(-1, 1), 0.6)
    calm = sigmoid(b.uniform(1, 6) * (_slow(b, b.uniform(0.2, 0.6) * b.rows) + b.uniform(-0.3, 2)))
    relief = standardised(relief) * (0.15 + calm) + b.pick(0, 0.4, 1) * field
    return _measured(b, relief, 0.5)


def peeled_terraces(b: Batch) -> Tensor:
    """Draw layers peeled off to terraces: ragged wandering edges, each floor of its own grain."""
    angle, long = b.uniform(0, _TURN), b.log_uniform(25, 160).clamp(max=b.rows / 2)
    plane = noise(b, long, exponent=b.uniform(0.7, 1.4), angle=angle, anisotropy=b.uniform(1, 4))
    across = turned(b, angle)[1]
    ramp = (plane + b.uniform(-2, 2) * across / b.rows) * b.uniform(0.6, 2)
    level = torch.floor(ramp)
    part = ramp - level
    found = numbers_at(torch.rand(3, b.size, _TABLE, device=b.device), level + 50, 0 * level)
    riser = b.log_uniform(0.01, 0.25)
    height = level + sigmoid((part - 0.5) / riser) + b.uniform(0, 0.6) * part * found[0]
    lip = _hump(part - 0.5 - 2 * riser, riser + 0.02) * (0.3 + found[2])
    angle, rate = angle + b.uniform(-0.5, 0.5), b.uniform(0.3, 1.2)
    fine = b.log_uniform(1.5, 12)
    grain = noise(b, fine, exponent=rate, angle=angle, anisotropy=b.uniform(1, 5))
    fading = sigmoid(b.uniform(1, 4) * (_slow(b, b.uniform(0.2, 0.6) * b.rows) + 1))
    height = fading * height + (1 - fading) * ramp
    relief = standardised(height) + b.pick(0, 0.3, 0.8) * lip * fading
    return _measured(b, relief + b.uniform(0.05, 0.6) * grain * (0.2 + found[1]), 0.3)


def broken_crests(b: Batch) -> Tensor:
    """Draw crest lines (tear ridges) over two octaves that curve, meet and run out on ground."""
    angle, stretch = b.uniform(0, _TURN), b.pick(1.5, 3, 5, 7) * b.uniform(0.7, 1.2)
    size = b.log_uniform(4, 40).clamp(max=b.rows / 8)
    relief, thin = torch.zeros(b.size, b.rows, b.cols, device=b.device), b.log_uniform(0.08, 0.5)
    running = _slow(b, 3 * size)
    for scale, share in ((1.0, b.pick(1)), (0.4, b.uniform(0, 0.8))):
        field = noise(b, 1.6 * size * scale, exponent=3.0, angle=angle, anisotropy=stretch)
        crest = 1 / (1 + (field / thin) ** 2)  # a blade-like ridge with long skirts
        side = torch.tanh(field / thin) * b.pick(0, 0, 0.5)
        alive = sigmoid(3 * (running * share - b.uniform(-1, 0.6)))
        relief = relief + share * (crest + side) * alive
    fine, stretch = b.log_uniform(1.5, 10), b.uniform(1, 3)
    ground = noise(b, fine, exponent=b.uniform(0.4, 1.2), angle=angle, anisotropy=stretch)
    relief = standardised(relief) * b.pick(-1, 1, 1) + b.uniform(0.05, 0.5) * ground
    return _measured(b, relief + b.pick(0, 0.4, 0.8) * _slow(b, b.uniform(0.2, 0.6) * b.rows), 0.4)


LASER_LOOKS: tuple[Look, ...] = (
    reciprocal_lattice, hatched_passes, unresolved_pulses, stitched_fields,
)  # fmt: skip
SCISSOR_LOOKS: tuple[Look, ...] = (
    ground_lay, scored_plateau, waviness_across, lapped_strokes, shorn_flanks,
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (
    self_affine_ground, hills_and_dales, turning_lay, peeled_terraces, broken_crests,
)  # fmt: skip
