"""Surfaces that trains of ultrashort pulses leave, as a laser processing engineer knows them.

A scanner lays pulses on lines. Their marks' diameters go with the root of the logarithm of fluence
over threshold (Liu 1982), so that weak pulses shrink and go out, and a struck place is easier to
strike again (incubation, Jee and others 1988), so that marks and misses come in runs. Scanners err:
lines start late, every other one is shifted where the mirror turns, passes meet at an angle. In
gels the plasma becomes a bubble (Vogel and others 2005); bubbles merge or leave walls and bridges,
gas runs off in channels. In stiffer polymers the focus leaves needles along the beam, rows of
streaks as in stealth dicing, ripples of about the wavelength (Bonse and others 2012), melt, beads
like a weld's and spheres that fell back. All from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from edgeqc.training.strip_fields import Batch, Look, blur, noise, numbers_at, standardised, turned

_TABLE = 8192


@dataclass(frozen=True)
class _Raster:
    """Pulses on lines: positions along and across in samples, distances, and how pulses err.

    Jitter of pulses, slip of lines and backlash of every other line are shares of a step; margin
    is the logarithm of energy over threshold (1 as designed, below 0 nothing is struck), of which
    as many pulses as run share a part of the spread.
    """

    x: Tensor
    y: Tensor
    step: Tensor
    gap: Tensor
    jitter: Tensor
    slip: Tensor
    backlash: Tensor
    margin: Tensor
    spread: Tensor
    run: Tensor
    tables: Tensor

    def lit(self, margin: Tensor, spread: Tensor, run: Tensor) -> _Raster:
        """Return the raster with other energies."""
        return replace(self, margin=margin, spread=spread, run=run)

    def read(self, table: int, line: Tensor, site: Tensor) -> Tensor:
        """Return the random number of places of the raster."""
        return numbers_at(self.tables[table], line, site)

    def pulses(self, reach: int = 1) -> Iterator[tuple[Tensor, Tensor, Tensor, Tensor]]:
        """Yield offsets (samples), energy and a random number in 0-1 of the pulses about."""
        scatter = self.jitter * torch.minimum(self.step, self.gap)
        for d_line in (-1, 0, 1):
            line = torch.floor(self.y / self.gap + 0.5) + d_line
            late = self.backlash * (line % 2) + self.slip * self.read(0, line, line)
            at = self.x / self.step - late
            for d_site in range(-reach, reach + 1):
                site = torch.floor(at + 0.5) + d_site
                own = self.read(2, line, site)
                shared = self.read(2, line + 31, torch.floor(site / self.run))
                energy = self.margin + self.spread * (0.6 * own + 0.8 * shared)
                u = (at - site) * self.step - scatter * self.read(0, line, site)
                v = self.y - line * self.gap - scatter * self.read(1, line, site)
                yield u, v, energy, self.read(3, line, site)


def _raster(
    b: Batch, step: Tensor, gap: Tensor, angle: Tensor, at: tuple[Tensor, Tensor] | None = None
) -> _Raster:
    """Return a raster with errors of all kinds, from almost none to many."""
    x, y = turned(b, angle) if at is None else at
    length = torch.maximum(step, gap) * b.log_uniform(4, 30)
    warp = b.pick(0, 0.1, 0.3, 0.5) * torch.minimum(step, gap)
    y = y + warp * noise(b, length, exponent=1.5) + gap * b.uniform(0, 1)
    x = x + warp * noise(b, length, exponent=1.5) + step * b.uniform(0, 1)
    tables = torch.rand(4, b.size, _TABLE, device=b.device)
    tables[:3] = torch.randn(3, b.size, _TABLE, device=b.device).clamp(-2, 2)
    return _Raster(
        x, y, step, gap,
        jitter=b.pick(0.02, 0.06, 0.12, 0.22), slip=b.pick(0, 0.05, 0.3, 0.3),
        backlash=b.pick(0, 0.5, 0.5, 1) * b.uniform(0, 1), margin=b.uniform(0.8, 1.2),
        spread=b.pick(0.02, 0.15, 0.35), run=b.pick(1, 2, 5), tables=tables,
    )  # fmt: skip


def _scattered(b: Batch, pitch: Tensor, margin: Tensor, spread: Tensor) -> _Raster:
    """Return places in no order, as many as the margin leaves, in clumps or singly."""
    raster = _raster(b, pitch, pitch, b.uniform(-1.571, 1.571)).lit(margin, spread, b.pick(1, 1, 3))
    return replace(raster, jitter=b.uniform(0.2, 0.33), slip=b.uniform(1, 3))


def _scale(b: Batch, low: float, high: float) -> Tensor:
    """Return a pitch in samples, at most a third of the strip's thickness."""
    return b.log_uniform(low, max(low * 1.5, min(high, b.rows / 3)))


def _struck(
    raster: _Raster, radius: Tensor, stretch: Tensor | float = 1.0, reach: int = 1
) -> tuple[Tensor, Tensor, Tensor]:
    """Return the distances to the nearest two marks in radii (by energy), the first's number."""
    q = torch.full_like(raster.x, 9.0)
    second, value = q.clone(), q * 0
    for u, v, energy, chance in raster.pulses(reach):
        size = radius * torch.sqrt(energy.clamp(min=1e-4, max=3))
        away = (torch.sqrt(u * u + (v / stretch) ** 2 + 1e-6) / size).clamp(max=9)
        closer = away < q
        second = torch.minimum(second, torch.where(closer, q, away))
        q, value = torch.where(closer, away, q), torch.where(closer, chance, value)
    return q, second, value


def _caps(raster: _Raster, radius: Tensor, tail: Tensor) -> tuple[Tensor, Tensor]:
    """Return the depth in overlapping spheres, sizes with a tail, and its number."""
    power = torch.full_like(raster.x, -1e6)
    value = torch.zeros_like(power)
    for u, v, energy, chance in raster.pulses():
        size = radius * torch.sqrt(energy.clamp(min=0, max=3)) * torch.exp(-tail * chance)
        here = size * size - u * u - v * v
        here = torch.where(energy > 0, here, torch.full_like(here, -1e6))
        value = torch.where(here > power, chance, value)
        power = torch.maximum(power, here)
    return torch.sqrt(power.clamp(min=0) + 1e-6), value


def _crater(b: Batch, q: Tensor) -> Tensor:
    """Return the section of a pit (bowl, flat or cusp) with its rim and at times a central jet."""
    bowl = (1 - q * q).clamp(min=1e-6) ** b.pick(0.5, 1, 2)
    flat = torch.sigmoid((1 - q) / b.uniform(0.05, 0.2))
    cusp = torch.exp(-b.uniform(1.2, 2.5) * q)
    kind = b.pick(0, 0, 0, 1, 2)
    pit = torch.where(kind == 1, flat, torch.where(kind == 2, cusp, bowl))
    rim = b.pick(0, 0.3, 0.8) * torch.exp(-(((q - 1.05) / b.uniform(0.1, 0.35)) ** 2))
    jet = b.pick(0, 0, 0, 0.7) * torch.exp(-((q / b.uniform(0.15, 0.35)) ** 2))
    return rim + jet - pit


def _ripples(b: Batch, period: Tensor, angle: Tensor, order: Tensor) -> Tensor:
    """Return ripples that fork and end: noise of a narrow band about a wave vector."""
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None]
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]
    along = torch.cos(angle) * f_col + torch.sin(angle) * f_row
    across = torch.cos(angle) * f_row - torch.sin(angle) * f_col
    wide = 1 / (period * order)
    gain = torch.exp(-(((along.abs() - 1 / period) / wide) ** 2) - (across / wide) ** 2 / 2)
    white = torch.fft.rfft2(torch.randn(b.size, b.rows, b.cols, device=b.device))
    return standardised(torch.fft.irfft2(white * (gain + 1e-7), s=(b.rows, b.cols)))


def _finished(b: Batch, relief: Tensor, scale: Tensor, most: float = 0.5) -> Tensor:
    """Return a standardised relief with grain whose slopes do not drown features of a scale."""
    length = torch.minimum(b.log_uniform(0.7, 12), scale / 2)
    size = b.log_uniform(0.03, most) * (length / scale) ** 0.7
    grain = b.chance(0.85) * size * noise(b, length, exponent=b.uniform(0.3, 1.5))
    sway = b.pick(0, 0, 0.4, 1) * noise(b, scale * b.uniform(2, 8) + 10, exponent=1.5)
    relief = blur(standardised(relief), b.log_uniform(0.3, 1.3))
    return standardised(standardised(relief) + grain + sway)


def rimmed_raster(b: Batch) -> Tensor:
    """Pits on lines, apart or touching, rims, lines late or shifted; at times a second pass."""
    step = _scale(b, 4.5, 60)
    angle = b.pick(0, 0, 1.571) + b.uniform(-0.3, 0.3)
    radius, stretch = b.uniform(0.28, 0.75), b.pick(1, 1, 1.4)
    raster = _raster(b, step, step * b.uniform(0.8, 1.7), angle)
    q, _, value = _struck(raster, step * radius, stretch)
    turn = b.pick(0.05, 0.12, 0.3, -0.2, 1.571)
    other = _raster(b, step * b.pick(1, 1.06, 1.2), raster.gap * b.pick(1, 1.06), angle + turn)
    crossed = _struck(other, step * radius * b.uniform(0.6, 1))[0]
    q = torch.minimum(q, crossed + torch.where(b.chance(0.35) > 0, 0.0, 9.0))
    differ = 1 + b.pick(0, 0.5) * (value - 0.5)
    return _finished(b, b.pick(1, 1, 1, -1) * differ * _crater(b, q), step)


def threshold_strings(b: Batch) -> Tensor:
    """Energy near threshold on a smooth ground: runs of marks and misses on lines, patches bare."""
    step = _scale(b, 3, 30)
    raster = _raster(b, step, step * b.uniform(1, 3), b.uniform(-1.571, 1.571))
    drift = b.uniform(0, 0.8) * noise(b, 0.2 * b.rows * b.log_uniform(0.5, 3), exponent=1.5)
    raster = raster.lit(b.uniform(-0.4, 0.5) + drift, b.uniform(0.3, 0.9), b.pick(1, 3, 8, 20))
    q = _struck(raster, step * b.uniform(0.3, 0.55))[0]
    burst = _scattered(b, step * b.uniform(6, 12), b.uniform(-1.5, 0), b.uniform(0.3, 1))
    rare = b.pick(0, 1.5) * (1 - _struck(burst, step * 1.5)[0] ** 2).clamp(min=0)
    swell = b.pick(0.05, 0.3) * noise(b, step * b.log_uniform(3, 10), exponent=1.5)
    return _finished(b, _crater(b, q) - rare + swell, step, 0.3)


def weld_furrows(b: Batch) -> Tensor:
    """Pulses that overlap to furrows with crescents like a weld's, to and fro; cusps between."""
    gap = _scale(b, 10, 80)
    raster = _raster(b, gap, gap, b.pick(0, 0, 1.571, 0.785) + b.uniform(-0.25, 0.25))
    wander = b.pick(0, 0.04, 0.1) * noise(b, gap * b.log_uniform(0.5, 3), exponent=1.5)
    line = torch.floor(raster.y / gap + wander + 0.5)
    v = raster.y / gap + wander - line
    own = raster.read(0, line, line * 0)
    way = torch.where((line % 2 == 0) & (b.chance(0.6) > 0), -1.0, 1.0)
    bend = b.uniform(0.3, 1.7) * way * (2 * v) ** 2
    step = torch.maximum(gap * b.log_uniform(0.15, 0.7), b.pick(3.2, 4.5))
    phase = (raster.x + 0.3 * gap * own + bend * gap * 0.4) / step
    phase = phase + b.uniform(0, 0.3) * noise(b, 2 * gap)
    tooth = phase % 1
    scale = torch.where(b.chance(0.5) > 0, tooth**2 - 0.33, torch.cos(2 * math.pi * tooth) / 2)
    bead = b.log_uniform(0.5, 1.5) * scale * (1 - (2 * v) ** 2).clamp(min=0)
    cusp = b.pick(1, 1, -1) * (2 * v).abs() ** b.uniform(1.2, 4) * (1 + b.pick(0, 0.2, 0.4) * own)
    return _finished(b, cusp + bead + b.pick(0, 0, 0.3) * own, gap)


def ripples_in_spots(b: Batch) -> Tensor:
    """Ripples of about the wavelength, one direction over the face, within spots or tracks."""
    period = b.log_uniform(3, 14)
    step = (period * b.uniform(4, 12)).clamp(max=b.rows / 2.5)
    angle = b.uniform(-1.571, 1.571)
    raster = _raster(b, step, step * b.uniform(0.8, 1.3), b.uniform(-0.4, 0.4))
    q = _struck(raster, step * b.uniform(0.4, 0.7))[0]
    spots = torch.sigmoid((1 - q) / b.uniform(0.08, 0.3))
    tracks = 0.5 + 0.5 * torch.cos(2 * math.pi * raster.y / raster.gap)
    where = torch.where(b.chance(0.65) > 0, spots, tracks ** b.uniform(0.5, 2))
    fine = _ripples(b, period, angle, b.log_uniform(3, 12))
    wave = torch.tanh(b.uniform(0.6, 2) * fine) * (1 - b.pick(0, 0.9) * torch.exp(-5 * q * q))
    low = b.uniform(0.3, 2.5) * _crater(b, q)
    return _finished(b, low + where * wave, period, 0.2)


def bubble_raft(b: Batch) -> Tensor:
    """Cups of bubbles that met, of many sizes, with sharp walls, holes to the next and froth."""
    step = _scale(b, 6, 70)
    raster = _raster(b, step, step * b.uniform(0.8, 1.2), b.uniform(-1.571, 1.571))
    raster = raster.lit(b.uniform(0.5, 1.2), b.uniform(0.1, 0.6), b.pick(1, 2))
    depth, value = _caps(raster, step * b.uniform(0.55, 1.0), b.uniform(0, 0.8))
    small = step / b.uniform(2.5, 5)
    froth = _scattered(b, small, b.uniform(-0.8, 0.6), b.uniform(0.5, 1))
    fine = _caps(froth, small * 0.6, b.uniform(0, 0.8))[0]
    q, _, value = _struck(raster, step * b.uniform(0.12, 0.25))
    hole = b.chance(0.5) * (value > b.uniform(0.3, 0.8)) * torch.sigmoid((1 - q) / 0.1)
    relief = (depth * (0.8 + 0.4 * value) + b.pick(0, 0.5, 1) * fine) / step + 0.5 * hole
    return _finished(b, -b.pick(1, 1, 1, -1) * relief, step, 0.3)


def broken_bridges(b: Batch) -> Tensor:
    """Smooth cavities and between them walls that were parted late: stubs, frayed, in rows."""
    step = _scale(b, 8, 80)
    raster = _raster(b, step, step * b.uniform(0.7, 1.8), b.uniform(-1.571, 1.571))
    q, second, _ = _struck(raster, step * b.uniform(0.45, 0.6))
    wall = torch.exp(-(((second - q) / b.uniform(0.08, 0.3)) ** 2))
    post = torch.sigmoid((q - b.uniform(1.0, 1.25)) / b.uniform(0.04, 0.12))
    kind = b.pick(0, 0.5, 1)
    solid = kind * wall + (1 - kind * 0.6) * post
    fray = noise(b, step * b.log_uniform(0.08, 0.3), exponent=b.uniform(0.5, 1.5))
    lost = torch.sigmoid((noise(b, step * b.uniform(0.4, 2)) + b.uniform(-0.8, 1)) / 0.25)
    floor = b.pick(0, 0.4) * _crater(b, q) - b.uniform(0, 0.3) * (1 - q**2).clamp(min=0)
    return _finished(b, solid * lost * (1 + b.uniform(0.1, 0.6) * fray) + floor, step, 0.2)


def depth_layers(b: Batch) -> Tensor:
    """Layers of foci one below the other, each a band with its own level and columns of pulses."""
    gap = b.log_uniform(5, max(9.0, min(100.0, b.rows / 3)))
    step = torch.maximum(gap * b.log_uniform(0.15, 0.7), b.pick(2.5, 3.5))
    raster = _raster(b, step, gap, b.pick(0, 0, 1) * b.uniform(-0.12, 0.12))
    stretch = gap / step * b.uniform(0.6, 1.1)
    q = _struck(raster, step * b.uniform(0.4, 0.65), stretch.clamp(min=0.8))[0]
    place = raster.y / gap + b.pick(0, 0.06, 0.15) * torch.cos(2 * math.pi * raster.x / step)
    line = torch.floor(place + 0.5)
    level = b.pick(0, 0.5, 1.5) * raster.read(0, line, line * 0)
    saw = b.pick(0, 1, -1) * b.uniform(0.3, 1.5) * (place - line)
    ledge = b.pick(0, 0.6) * torch.exp(-(((place - line + 0.45) / 0.08) ** 2))
    marks = b.log_uniform(0.35, 1.5) * (1 + b.pick(0, 0.5) * raster.read(1, line, line * 0))
    return _finished(b, level + saw + ledge + marks * _crater(b, q), step, 0.4)


def fallen_spheres(b: Batch) -> Tensor:
    """Spheres of melt that fell back about pits, many small and a few large, on smooth ground."""
    step = _scale(b, 20, 90)
    raster = _raster(b, step, step * b.uniform(0.8, 1.5), b.uniform(-1.571, 1.571))
    q = _struck(raster, step * b.uniform(0.25, 0.5))[0]
    relief = b.uniform(0.15, 0.8) * _crater(b, q)
    near = torch.exp(-(((q - b.uniform(0.9, 1.3)) / b.uniform(0.2, 0.8)) ** 2))
    for share, most in ((b.uniform(0.06, 0.14), 1.0), (b.uniform(0.15, 0.3), 0.4)):
        small = torch.maximum(step * share, b.pick(3.0, 4.0))
        margin = b.uniform(-1.4, -0.3) * (2 - most) + b.uniform(0.8, 2) * near
        balls = _scattered(b, small, margin, b.uniform(0.4, 0.9))
        depth = _caps(balls, small * 0.55, b.uniform(0.1, 0.9))[0]
        relief = relief + b.uniform(3, 8) * depth / step
    return _finished(b, relief, step * 0.2, 0.15)


def beam_needles(b: Batch) -> Tensor:
    """Needles along the beam, through the thickness, head above and tail below, some beaded."""
    gap = b.log_uniform(4, max(6.0, min(40.0, b.rows / 5)))
    step = (gap * b.log_uniform(4, 16)).clamp(max=b.rows * 0.8)
    tilt = b.pick(0, 0, 1) * b.uniform(-0.5, 0.5) + b.uniform(-0.05, 0.05)
    raster = _raster(b, step, gap, math.pi / 2 + tilt)
    raster = raster.lit(b.uniform(0.3, 1.2), b.uniform(0.1, 0.6), b.pick(1, 1))
    half, bead = step * b.uniform(0.35, 0.75), gap * b.uniform(0.6, 2)
    depth = torch.zeros_like(raster.x)
    thick, blunt, beaded = b.uniform(0.2, 0.5), b.uniform(0.05, 0.4), b.pick(0, 0, 0.8)
    for u, v, energy, chance in raster.pulses():
        size = torch.sqrt(energy.clamp(min=1e-4, max=3))
        at = u / (half * size * (0.6 + 0.4 * chance)) + 0.5  # 0 at the head, 1 at the tail's end
        body = (at / blunt).clamp(0, 1) ** 0.5 * (1 - at).clamp(0, 1) ** 0.6
        wave = 1 + beaded * torch.cos(2 * math.pi * u / bead)
        across = v / (gap * thick * (0.15 + body) * size)
        depth = torch.maximum(depth, body * wave * size * torch.exp(-(across**2)))
    burr = b.pick(0, 0, 0.12) * noise(b, gap, angle=math.pi / 2 + tilt, anisotropy=b.pick(3, 8))
    return _finished(b, burr - b.pick(1, 1, -1) * depth, gap, 0.3)


def spiral_tracks(b: Batch) -> Tensor:
    """Beaded arcs about a far centre with wobble, pulses closer where the scanner slowed."""
    gap = _scale(b, 6, 60)
    step = gap * b.log_uniform(0.3, 1.3)
    x, y = turned(b, b.uniform(-0.4, 0.4))
    far = b.log_uniform(0.45, 2.5) * max(b.cols, 1.6 * b.rows) * b.pick(1, -1)
    side = b.uniform(-0.6, 0.6) * b.cols
    upright = b.chance(0.35)  # the centre beside the strip: arcs that run through the thickness
    dx, dy = x - torch.lerp(side, far * 1.5, upright), y - far * (1 - upright)
    radius = torch.sqrt(dx * dx + dy * dy + 1)
    here, there = torch.where(upright > 0, dy, dx), torch.where(upright > 0, dx, dy)
    angle = torch.atan2(here, -there * far.sign())
    mean = radius.mean(dim=(-2, -1), keepdim=True)
    turns, often = b.pick(6, 20, 60), b.uniform(3, 12)
    wobble = torch.minimum(b.pick(0, 0.3, 1) * gap, 0.3 * mean / turns)
    slowed = b.pick(0, 0, 0.6) * mean / often * torch.sin(angle * often + b.uniform(0, 6))
    radius = radius + wobble * torch.sin(angle * turns + b.uniform(0, 6))
    raster = _raster(b, step, gap, angle, (angle * mean + slowed, radius))
    q = _struck(raster, torch.minimum(step, gap) * b.uniform(0.35, 0.6), reach=2)[0]
    track = b.pick(0, 0.2, 1) * torch.cos(2 * math.pi * raster.y / gap)
    return _finished(b, b.uniform(0.8, 1.5) * _crater(b, q) - 0.5 * track, step)


def gas_channels(b: Batch) -> Tensor:
    """Round-edged channels of gas with bulbs, islands between them that keep the raster's marks."""
    wide = _scale(b, 10, 70)
    way = b.uniform(-1.571, 1.571)
    field = noise(b, wide * 1.2, exponent=2.0, angle=way, anisotropy=b.log_uniform(1, 6))
    band = b.uniform(0.25, 0.6) - field.abs()
    open_ = torch.where(b.chance(0.6) > 0, band * 1.5, field + b.uniform(-0.8, 0.5))
    bulbs = _scattered(b, wide * 2, b.uniform(-0.6, 0.8), b.uniform(0.3, 0.8))
    bulb = 1 - _struck(bulbs, wide * b.uniform(0.5, 1))[0]
    open_ = torch.maximum(open_, bulb.clamp(-1, 1) - 9 * b.chance(0.5))
    gone = torch.sigmoid(open_ / b.log_uniform(0.05, 0.25))
    lip = b.pick(0, 0.5) * torch.exp(-((open_ + 0.15) ** 2) / 0.02)
    step = torch.maximum(wide * b.uniform(0.15, 0.5), b.pick(3.0, 5.0))
    raster = _raster(b, step, step * b.uniform(0.9, 1.6), way + b.pick(0, 0, 0.5))
    marks = _crater(b, _struck(raster, step * b.uniform(0.35, 0.65))[0])
    relief = lip - gone * b.uniform(0.8, 2.5) + (1 - 0.9 * gone) * b.log_uniform(0.2, 0.8) * marks
    return _finished(b, relief, step, 0.2)


def melt_slosh(b: Batch) -> Tensor:
    """Melt of a train too hot: rounded swells, frozen waves, pores."""
    swell = _scale(b, 10, 90)
    angle = b.uniform(-1.571, 1.571)
    ground = noise(b, swell, exponent=2.5, angle=angle, anisotropy=b.log_uniform(1, 5))
    folds = 1 - 2 * noise(b, swell * 1.5, exponent=2.5).abs().clamp(max=1) ** b.uniform(0.7, 1.3)
    relief = ground + b.pick(0, 0, 1) * folds
    wave = _ripples(b, swell * b.uniform(0.2, 0.5) + 2, angle, b.log_uniform(1.2, 4))
    relief = relief + b.pick(0, 0.05, 0.12) * wave
    for share in (0.9, 0.35):
        step = torch.maximum(swell * share, b.pick(4.0, 6.0))
        pores = _scattered(b, step, b.uniform(-0.8, 0.5), b.uniform(0.5, 1))
        q = _struck(pores, step * b.uniform(0.25, 0.45))[0]
        pore = torch.sigmoid((1 - q) / b.uniform(0.04, 0.15))
        relief = relief - b.uniform(0.8, 2) * pore * share**0.5
    return _finished(b, relief, swell * 0.4, 0.15)


def stealth_rows(b: Batch) -> Tensor:
    """Rows of short streaks along the beam with a line of voids, the face bare between rows."""
    gap = b.rows / b.uniform(1.2, 5)
    step = b.log_uniform(2.8, 18)
    raster = _raster(b, step, gap, b.uniform(-0.06, 0.06))
    raster = raster.lit(b.uniform(0.3, 1.2), b.uniform(0.15, 0.7), b.pick(1, 1, 4))
    half, thin = gap * b.uniform(0.25, 0.6), step * b.uniform(0.2, 0.4)
    lean, below = b.pick(0, 0, 0.5) * b.uniform(-1, 1), b.uniform(0.1, 0.9)
    streak = torch.zeros_like(raster.x)
    for u, v, energy, chance in raster.pulses():
        size = half * torch.sqrt(energy.clamp(min=1e-3, max=3)) * (0.5 + 0.5 * chance)
        reach = torch.where(v > 0, size * below, size)
        body = (1 - (v / reach) ** 2).clamp(min=0) ** 0.7
        streak = torch.maximum(streak, body * torch.exp(-(((u - lean * v) / thin) ** 2)))
    q = _struck(raster, step * b.uniform(0.3, 0.6), b.uniform(1, 2.5))[0]
    hole = b.pick(0, 1, 1) * torch.sigmoid((1 - q) / 0.15)
    bare = noise(b, gap * b.uniform(0.2, 1), exponent=1.5, angle=1.571, anisotropy=b.pick(1, 3))
    relief = b.pick(1, -1) * streak * b.uniform(0.7, 1.3) - hole + b.uniform(0.05, 0.5) * bare
    return _finished(b, relief, step, 0.25)


PULSE_LOOKS: tuple[Look, ...] = (
    rimmed_raster, threshold_strings, weld_furrows, ripples_in_spots, bubble_raft, broken_bridges,
    depth_layers, fallen_spheres, beam_needles, spiral_tracks, gas_channels, melt_slosh,
    stealth_rows,
)  # fmt: skip
