"""Surfaces that scissors or a blade left, by a second author: what a moving edge does to a polymer.

All of them are height fields built from what machining and microtomy know: the edge's profile is
extruded along the stroke, and what the force does (chatter, stick and slip, crushing, smear,
plucking) lies across or upon it. Named papers are cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    at_line,
    entry_of,
    grained,
    lines,
    noise,
    turned,
)

_TABLE = 4096
_STEP = 4  # samples along the stroke per sample of a streak's canvas: streaks are long


@dataclass(frozen=True)
class Stroke:
    """Where samples lie along and across a stroke of the blade, in samples."""

    along: Tensor
    across: Tensor

    def extruded(self, edge: Tensor) -> Tensor:
        """Return an edge's profile, (b, n), drawn along the stroke."""
        return at_line(edge, self.across + edge.shape[1] / 2)

    def followed(self, course: Tensor) -> Tensor:
        """Return a course of events, (b, n), that is the same all across the stroke."""
        return at_line(course, self.along + course.shape[1] / 2)

    def moved(self, along: Tensor | float, across: Tensor | float) -> Stroke:
        """Return the stroke with its origin moved."""
        return Stroke(self.along + along, self.across + across)


def _span(b: Batch) -> int:
    return b.rows + b.cols


def _stroke(b: Batch, angle: Tensor | None = None) -> Stroke:
    """Return a stroke at any angle: straight, an arc about the scissors' pivot, or a fan."""
    angle = b.uniform(-math.pi, math.pi) if angle is None else angle
    along, across = turned(b, angle)
    far = b.log_uniform(1.3, 12) * _span(b)
    side = b.pick(-1, 1)
    kind = b.pick(0, 0, 1, 1, 2)
    arc = side * (torch.hypot(along, far + side * across) - far)
    arc_along = far * torch.atan2(along, far + side * across)
    fan = far * torch.atan2(across, far + along)
    fan_along = torch.hypot(across, far + along) - far
    bent = torch.where(kind == 0, across, torch.where(kind == 1, arc, fan))
    run = torch.where(kind == 0, along, torch.where(kind == 1, arc_along, fan_along))
    # the hand is not quite steady
    sway = b.chance(0.3) * b.uniform(0, 0.006) * _span(b)
    course = lines(b.size, 2 * _span(b), b.uniform(0.3, 1) * _span(b), b.device)
    return Stroke(run, bent + sway * at_line(course, run + _span(b)))


def _edge(b: Batch, finest: Tensor, coarsest: Tensor) -> Tensor:
    """Return profiles of the edge, (b, n), between two wavelengths: even, grooved or worn flat."""
    n = 2 * _span(b)
    f = torch.fft.rfftfreq(n, device=b.device)[None, :]
    finest, coarsest = finest[:, 0], coarsest[:, 0]
    low = (f * coarsest) ** 2
    slope = b.uniform(0, 1.6)[:, 0]
    gain = low / (1 + low) * (f + 1e-4) ** -slope * torch.exp(-2 * (f * finest) ** 2)
    white = torch.fft.rfft(torch.randn(b.size, n, device=b.device))
    line = torch.fft.irfft(white * gain, n=n)
    line = line / (line.std(dim=1, keepdim=True) + 1e-9)
    kind = b.pick(0, 0, 1, 2, 3)[:, 0]
    grooved = -functional.softplus(3 * line - 2)
    spiked = line * line.abs()
    flat = torch.tanh(2.5 * line)
    line = torch.where(kind == 1, grooved, torch.where(kind == 2, spiked, line))
    line = torch.where(kind == 3, flat, line)
    line = line - line.mean(dim=1, keepdim=True)
    return line / (line.std(dim=1, keepdim=True) + 1e-6)


def _dragged(b: Batch, stroke: Stroke) -> Tensor:
    """Return drag lines of one edge: from 2 to some 100 samples, fading here and there."""
    finest = b.log_uniform(2, 14)
    coarsest = (finest * b.log_uniform(2, 30)).clamp(max=120)
    turn = b.uniform(0, 1.5) * stroke.followed(
        lines(b.size, 2 * _span(b), b.uniform(0.2, 1) * _span(b), b.device)
    )
    # the edge wears and clogs on its way: one profile passes into another
    first = stroke.extruded(_edge(b, finest, coarsest))
    second = stroke.extruded(_edge(b, finest, coarsest))
    fading = b.pick(0, 0, 0.4, 0.9) * _streaks(b, stroke, b.log_uniform(3, 40), 60, 500)
    return (torch.cos(turn) * first + torch.sin(turn) * second) * (1 + fading).clamp(0, 2.5)


def _paced(b: Batch, stroke: Stroke, pitch: Tensor, uneven: Tensor) -> Tensor:
    """Return the number of events met along the stroke, growing always, however uneven."""
    course = lines(b.size, 2 * _span(b), pitch * b.uniform(0.5, 6), b.device)
    pace = torch.exp(uneven[:, 0] * course)
    met = torch.cumsum(pace / pace.mean(dim=1, keepdim=True), dim=1)
    return stroke.followed(met) / pitch


def _streaks(b: Batch, stroke: Stroke, width: Tensor, short: float, long: float) -> Tensor:
    """Return a Gaussian field of a width across and a length along the stroke, in samples."""
    length = b.log_uniform(short, long) / _STEP
    canvas = Batch(b.size, _span(b), _span(b) // _STEP, b.device)
    # the spectrum's corner, 2 pi f length = 1, lies far above the visible width
    field = noise(
        canvas, torch.sqrt(width * length) / 3, exponent=b.uniform(0.6, 2),
        anisotropy=length / width,
    )  # fmt: skip
    field = functional.pad(field[:, None], (0, 1, 0, 1), mode="circular")
    col = torch.remainder(stroke.along / _STEP, canvas.cols) / canvas.cols
    row = torch.remainder(stroke.across, canvas.rows) / canvas.rows
    grid = torch.stack((2 * col - 1, 2 * row - 1), dim=-1)
    return functional.grid_sample(field, grid, mode="bilinear", align_corners=True)[:, 0]


def _drawn(b: Batch, count: int, first: Tensor, second: Tensor | None = None) -> list[Tensor]:
    """Return random numbers from 0 to 1 that belong to whole numbers, alike wherever these are."""
    entry = entry_of(first, torch.zeros_like(first) if second is None else second, _TABLE)
    table = torch.rand(b.size * _TABLE, count, device=b.device)
    member = torch.arange(b.size, device=b.device)[:, None, None] * _TABLE
    return list(table[entry + member].unbind(-1))


def _grooves(b: Batch, stroke: Stroke, spacing: Tensor, width: Tensor, alive: Tensor) -> Tensor:
    """Return single grooves, one at most every spacing, that start and stop and have burrs."""
    at = stroke.across / spacing + b.uniform(0, 1)
    lane = torch.floor(at)
    place, size, deep, start, stop, there = _drawn(b, 6, lane)
    half = (width * (0.5 + 1.5 * size**2)).clamp(min=1.2)  # narrower ones would be beads
    off = ((at - lane - 0.5 - 0.5 * (place - 0.5)) * spacing / half).abs()
    vee, round_, flat = (1 - off).clamp(min=0), torch.exp(-(off**2)), torch.sigmoid(8 * (0.8 - off))
    kind = b.pick(0, 1, 1, 2)
    section = torch.where(kind == 0, vee, torch.where(kind == 1, round_, flat))
    burr = b.pick(0, 0, 0.3, 0.6) * torch.exp(-(((off - 1.6) / 0.5) ** 2))
    begin = (start - 0.5 - b.uniform(0, 0.8)) * b.cols
    end = begin + b.log_uniform(0.2, 4) * b.cols * (0.2 + stop)
    taper = b.log_uniform(1, 60)
    run = torch.sigmoid((stroke.along - begin) / taper) * torch.sigmoid((end - stroke.along) / 2)
    # what the nick pushed before it lies at its end
    heap = b.pick(0, 0, 0.8) * torch.exp(-(((stroke.along - end) / half - 1) ** 2) - off**2)
    depth = (0.2 + deep**2) * (there < alive)
    return depth * ((burr - section) * run + heap)


def _finished(b: Batch, relief: Tensor, grain: float = 0.2) -> Tensor:
    """Return the relief with some of the material's own grain."""
    return grained(b, relief, 0.6, 25, grain)


def _drag_lines(b: Batch) -> Tensor:
    """Lines of the edge's profile, extruded along straight or gently bent strokes."""
    stroke = _stroke(b)
    return _finished(b, _dragged(b, stroke) + b.uniform(0, 0.8) * _dragged(b, stroke), 0.35)


def _nicks(b: Batch) -> Tensor:
    """Show deep grooves of nicks in the edge, which start or stop, on smooth or lined ground."""
    stroke = _stroke(b)
    spacing = b.log_uniform(12, 140)
    width = torch.minimum(b.log_uniform(1, 14), spacing / 5)
    relief = 3 * _grooves(b, stroke, spacing, width, b.uniform(0.5, 1))
    finer = spacing * b.uniform(0.25, 0.7)
    relief = relief + b.uniform(0, 2) * _grooves(b, stroke, finer, width / 3 + 0.4, b.uniform(0, 1))
    ground = b.pick(0.03, 0.1, 0.25) * _dragged(b, stroke)
    swell = b.uniform(0, 0.3) * noise(b, b.log_uniform(15, 60), exponent=1.6)
    return _finished(b, relief + ground + swell, 0.15)


def _burnished(b: Batch) -> Tensor:
    """Smooth stretches that the flank rubbed, between rough ones, and faint scratches."""
    angle = b.uniform(-math.pi, math.pi)
    stroke = _stroke(b, angle)
    rubbed = torch.sigmoid(
        b.log_uniform(1, 6) * (_streaks(b, stroke, b.log_uniform(10, 80), 80, 900)
                               + b.uniform(-0.5, 1))
    )  # fmt: skip
    rough = _dragged(b, stroke) + b.uniform(0, 0.8) * noise(b, b.log_uniform(0.5, 6))
    scratches = torch.zeros_like(rough)
    for _ in range(3):  # grains between blade and lens slide in ways of their own
        way = _stroke(b, angle + b.uniform(-0.12, 0.12))
        spacing = b.log_uniform(8, 90)
        width = torch.minimum(b.log_uniform(0.7, 4), spacing / 5)
        family = _grooves(b, way, spacing, width, b.uniform(0, 1))
        scratches = scratches + b.uniform(0.1, 1) * family
    swell = stroke.extruded(_edge(b, b.uniform(20, 50), b.uniform(60, 160)))
    relief = b.log_uniform(0.2, 1) * (1 - rubbed) * rough + b.uniform(0.1, 0.6) * swell
    return _finished(b, relief + b.log_uniform(0.3, 2) * scratches, 0.1)


def _chatter(b: Batch) -> Tensor:
    """Waves square to drag lines, of an edge that swings as it cuts (regenerative chatter)."""
    stroke = _stroke(b)
    pitch = b.log_uniform(5, 60)
    oblique = b.pick(0, 0, 1) * b.uniform(-0.5, 0.5)
    front = b.log_uniform(0.3, 6) * stroke.extruded(_edge(b, b.uniform(30, 90), b.uniform(90, 300)))
    met = stroke.moved(oblique * stroke.across + front, 0.0)
    phase = 2 * math.pi * _paced(b, met, pitch, b.uniform(0, 0.6))
    wave = torch.sin(phase + b.uniform(0, 0.9) * torch.sin(phase + b.uniform(0, 6.28)))
    bursts = stroke.followed(lines(b.size, 2 * _span(b), pitch * b.uniform(3, 10), b.device))
    size = (1 + b.pick(0, 0.4, 1) * bursts).clamp(0, 2)
    # on a wave's crest the edge bites deeper and its lines are stronger
    scratches = _dragged(b, stroke) * (1 + b.uniform(-0.6, 0.6) * wave)
    return _finished(b, b.log_uniform(0.25, 2.5) * size * wave + scratches)


def _stick_slip(b: Batch) -> Tensor:
    """Show steps square to the cut: the edge holds, slips and bites anew, a little to the side."""
    stroke = _stroke(b)
    pitch = b.log_uniform(12, 110)
    finest = b.log_uniform(6, 80)
    # a front steeper than its waves are long would be no front
    bow = torch.minimum(0.5 * pitch, 0.2 * finest) * b.uniform(0, 1)
    front = bow * stroke.extruded(_edge(b, finest, b.uniform(100, 300)))
    phase = _paced(b, stroke.moved(front, 0.0), pitch, b.uniform(0, 0.9))
    event = torch.floor(phase)
    rest = phase - event
    aside, size, level = _drawn(b, 3, event)
    step = (rest ** b.log_uniform(0.4, 4)) * (0.3 + size)
    # a bite shifts the lines; they are strong where the edge held
    lateral = b.pick(0, 1, 1) * b.log_uniform(0.5, 12) * (aside - 0.5)
    held = 1 - b.uniform(0, 0.9) * rest
    scratches = held * _dragged(b, stroke.moved(0.0, lateral))
    return _finished(b, b.log_uniform(0.6, 4) * step + b.uniform(0, 1) * level + scratches)


def _crushed(b: Batch) -> Tensor:
    """Ripples of a lens pressed before it parted, with the lines of the cut upon them."""
    stroke = _stroke(b)
    press = _stroke(b)
    pitch = b.log_uniform(6, 60)
    warp = pitch * b.uniform(0.1, 0.6) * noise(b, pitch * b.log_uniform(0.5, 3), exponent=1.5)
    phase = 2 * math.pi * (press.along + warp) / pitch
    ripple = torch.sin(phase + 0.6 * torch.sin(phase))
    entry = b.uniform(-0.5, 0.5) * _span(b) * 0.6
    fading = torch.exp(-(press.along - entry).abs() / (b.log_uniform(0.1, 3) * b.cols))
    patchy = (1 + b.uniform(0, 0.8) * noise(b, b.log_uniform(10, 60))).clamp(0, 2)
    scratches = _dragged(b, stroke) * (1 - b.uniform(0, 0.5) * fading)
    return _finished(b, b.log_uniform(0.3, 1.6) * ripple * fading * patchy + scratches)


def _smeared(b: Batch) -> Tensor:
    """Flakes and lips drawn out along the lines: thin sheets with a thicker, ragged end."""
    stroke = _stroke(b)
    ragged = noise(b, b.log_uniform(1.5, 12), exponent=0.8)
    relief = b.uniform(0.3, 1) * _dragged(b, stroke)
    slender = b.log_uniform(2.5, 14)
    for layer in range(2):
        width = b.log_uniform(6, 50) / (1 + layer)
        at = stroke.across / width + b.uniform(0, 1)
        lane = torch.floor(at)
        (shift,) = _drawn(b, 1, lane)
        run = stroke.along / (width * slender) + shift * 7
        bead = torch.floor(run)
        place, size, there, thick = _drawn(b, 4, lane, bead)
        u = run - bead + b.uniform(0, 0.12) * ragged
        v = (at - lane - 0.5 - 0.3 * (place - 0.5)) * 2 + b.uniform(0, 0.25) * ragged
        # from a narrow root the sheet widens to its end
        half = (0.25 + 0.5 * size) * u.clamp(0.02, 1) ** b.uniform(0.2, 0.8)
        sharp = width / 2 / b.uniform(0.6, 2.5)
        cover = torch.sigmoid(sharp * (half - v.abs()))
        cover = cover * torch.sigmoid(sharp * slender * (0.85 - u)) * (there < b.uniform(0.2, 0.9))
        sheet = (0.4 + thick) * (0.3 + u.clamp(0, 1) ** 2)
        relief = relief * (1 - b.uniform(0, 0.9) * cover) + b.log_uniform(0.7, 3) * cover * sheet
    return _finished(b, relief)


def _two_strokes(b: Batch) -> Tensor:
    """Two strokes that meet at a small angle, with a ledge between them."""
    angle = b.uniform(-math.pi, math.pi)
    swing = b.pick(-1, 1) * b.uniform(0.04, 0.4)
    first, second = _stroke(b, angle), _stroke(b, angle + swing)
    border = _stroke(b, angle + swing * b.uniform(-0.5, 1.5))
    wander = b.log_uniform(0.2, 8) * border.followed(
        lines(b.size, 2 * _span(b), b.log_uniform(3, 120), b.device)
    )
    beyond = border.across + wander + b.uniform(-0.35, 0.35) * b.rows
    share = torch.sigmoid(beyond / b.log_uniform(0.4, 10))
    lip = b.uniform(-1, 2) * torch.exp(-((beyond / b.log_uniform(1, 8)) ** 2))
    ends = (1 + b.pick(0, 0.8) * border.followed(
        lines(b.size, 2 * _span(b), b.log_uniform(5, 80), b.device)
    )).clamp(0, 2)  # fmt: skip
    scratches = (1 - share) * _dragged(b, first) + b.log_uniform(0.4, 1.5) * share * _dragged(
        b, second
    )
    tilt = b.uniform(-1, 1) * (beyond / b.rows).clamp(-1, 1)  # the cuts' planes differ
    return _finished(b, scratches + b.uniform(0, 3) * share + lip * ends + tilt)


def _entry(b: Batch) -> Tensor:
    """Rollover where the edge entered, then shear bands, then drag lines (as in blanking)."""
    stroke = _stroke(b)
    bowed = b.log_uniform(0.3, 8) * stroke.extruded(_edge(b, b.uniform(20, 60), b.uniform(90, 300)))
    inward = stroke.along + bowed + b.uniform(-0.05, 0.45) * b.cols * b.uniform(0.3, 1)
    roll = -torch.exp(-inward.clamp(min=0) / b.log_uniform(5, 60)) * b.uniform(0.3, 2)
    pitch = b.log_uniform(4, 40)
    lean = inward + b.uniform(-0.6, 0.6) * stroke.across
    phase = (lean + 0.15 * pitch * noise(b, pitch, exponent=1.2)) / pitch
    band = torch.floor(phase)
    (size,) = _drawn(b, 1, band)
    bands = size * (phase - band) ** b.log_uniform(0.6, 3)
    reach = b.log_uniform(20, 250)
    depth = inward.clamp(min=0)
    begun = 1 - torch.exp(-((depth / reach) ** 2))
    relief = roll + b.uniform(0.5, 2.5) * bands * torch.exp(-depth / reach)
    return _finished(b, relief + (0.15 + 0.85 * begun) * _dragged(b, stroke))


def _plucked(b: Batch) -> Tensor:
    """Pits that a dull blade tore out, strung along straight lines."""
    stroke = _stroke(b)
    relief = b.log_uniform(0.2, 1) * _dragged(b, stroke)
    ragged = noise(b, b.log_uniform(0.8, 6), exponent=0.5)
    for layer in range(2):
        width = b.log_uniform(4, 40) / (1 + layer)
        at = stroke.across / width + b.uniform(0, 1)
        lane = torch.floor(at)
        shift, strong = _drawn(b, 2, lane)
        run = stroke.along / (width * b.log_uniform(0.7, 4)) + shift * 5
        bead = torch.floor(run)
        place, aside, size, there = _drawn(b, 4, lane, bead)
        u = (run - bead - 0.5 - 0.4 * (place - 0.5)) * 2
        v = (at - lane - 0.5 - b.uniform(0, 0.2) * (aside - 0.5)) * 2
        reach = 0.15 + 0.55 * size
        away = torch.hypot(u, v) / reach * (1 + b.uniform(0, 0.5) * ragged)
        pit = torch.sigmoid(b.log_uniform(3, 14) * (1 - away)) * (0.5 + size)
        pit = pit * (1 + b.uniform(-0.4, 0.8) * u)  # steep where the tear ended
        lanes = strong < b.uniform(0.2, 0.6)  # gaps between strings keep them apart
        relief = relief - b.log_uniform(0.7, 4) * pit * lanes * (there < b.uniform(0.4, 1))
    return _finished(b, relief)


def _serrated(b: Batch) -> Tensor:
    """Parallel grooves of a serrated or ground edge: regular, of any section, some worn."""
    stroke = _stroke(b)
    pitch = b.log_uniform(3, 60)
    course = lines(b.size, 2 * _span(b), pitch * b.uniform(1, 8), b.device)
    at = stroke.across / pitch + b.pick(0, 0.08, 0.3) * stroke.extruded(course)
    lane = torch.floor(at)
    rest = at - lane
    worn, level = _drawn(b, 2, lane)
    skew = b.uniform(0.15, 0.85)
    vee = torch.minimum(rest / skew, (1 - rest) / (1 - skew))
    kind = b.pick(0, 1, 2, 3)
    scallop = torch.sin(math.pi * rest)
    even = 0.5 - 0.5 * torch.cos(2 * math.pi * rest)
    square = torch.sigmoid(b.log_uniform(4, 20) * (vee - b.uniform(0.2, 0.7)))
    section = torch.where(kind == 0, vee, torch.where(kind == 1, scallop, even))
    section = torch.where(kind == 3, square, section) * b.pick(-1, 1)
    section = section * (1 - b.pick(0, 0.4, 0.9) * worn) + b.pick(0, 0.3) * level
    fading = 1 + b.pick(0, 0.5) * _streaks(b, stroke, pitch.clamp(min=4), 60, 500)
    finer = b.uniform(0, 0.35) * _dragged(b, stroke)
    return _finished(b, 2.5 * section * fading.clamp(0, 2) + finer, 0.4)


BLADE_LOOKS: tuple[Look, ...] = (
    _drag_lines, _nicks, _burnished, _chatter, _stick_slip, _crushed, _smeared, _two_strokes,
    _entry, _plucked, _serrated,
)  # fmt: skip
