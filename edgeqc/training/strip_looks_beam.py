"""Surfaces that a femtosecond laser left, by a second author: spots on a scanned lattice.

Every pulse opens a small cavity by optical breakdown (Vogel et al. 2005, from memory); the cut
lies where cavities meet. What is left is a relief of the spots' lattice: pits, the tissue between
them, gas domes, melt, and what the scanner did between lines, passes and fields.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import torch
from torch import Tensor

from edgeqc.training.strip_fields import (
    Batch,
    Look,
    blur,
    cells,
    entry_of,
    grained,
    noise,
    places,
    standardised,
    turned,
)

_TABLE = 4096  # even, so that every other line stays every other line
_NUMBERS = 6


@dataclass(frozen=True)
class Spot:
    """One spot near every sample: offsets in samples, and random numbers of its own."""

    along: Tensor
    across: Tensor
    numbers: Tensor

    def number(self, index: int) -> Tensor:
        """Return one of the four numbers from 0 to 1 that belong to the spot."""
        return self.numbers[..., 2 + index]


@dataclass(frozen=True)
class Scan:
    """A scanned lattice as samples see it.

    Parameters
    ----------
    along, across : (b, rows, cols) tensors
        Positions in spots along a line and in lines.
    pitch, gap : (b, 1, 1) tensors
        Samples between spots and between lines.
    offsets : (b, lines) tensor
        Where every line begins, in spots.
    jitter, missing : (b, 1, 1) tensors
        Largest displacement of a spot, in spots and lines, and share of spots that failed.
    """

    along: Tensor
    across: Tensor
    pitch: Tensor
    gap: Tensor
    offsets: Tensor
    jitter: Tensor
    missing: Tensor
    table: Tensor

    def near(self) -> Iterator[Spot]:
        """Yield the nine spots about every sample; what reaches further than a pitch is cut off."""
        size = self.along.shape[0]
        member = torch.arange(size, device=self.along.device)[:, None, None]
        nearest = torch.floor(self.across + 0.5)
        for step in (-1, 0, 1):
            line = nearest + step
            at = torch.remainder(line.long(), _TABLE)
            run = self.along - self.offsets[member, at]
            spot = torch.floor(run + 0.5)
            for beside in (-1, 0, 1):
                numbers = self.table[entry_of(line, spot + beside, _TABLE) + member * _TABLE]
                u = run - spot - beside - self.jitter * (2 * numbers[..., 0] - 1)
                v = self.across - line - self.jitter * (2 * numbers[..., 1] - 1)
                failed = 1e3 * (numbers[..., 5] < self.missing)
                yield Spot(u * self.pitch + failed, v * self.gap + failed, numbers)

    def of_lines(self, count: int) -> list[Tensor]:
        """Return random numbers from 0 to 1 that belong to the nearest line."""
        size, device = self.along.shape[0], self.along.device
        at = torch.remainder(torch.floor(self.across + 0.5).long(), _TABLE)
        table = torch.rand(size, _TABLE, count, device=device)
        member = torch.arange(size, device=device)[:, None, None]
        return list(table[member, at].unbind(-1))


def scan_at(
    b: Batch, angle: Tensor, pitch: Tensor, gap: Tensor, *, stagger: Tensor | float = 0.0,
    jitter: Tensor | float = 0.0, missing: Tensor | float = 0.0, even: bool = True,
) -> Scan:  # fmt: skip
    """Return a lattice of known pitches; unless even, with all that scanners do to it."""
    along, across = turned(b, angle)
    line = torch.arange(_TABLE, device=b.device, dtype=torch.float32)[None, :]
    offsets = torch.as_tensor(stagger, device=b.device).reshape(-1, 1) * (line % 2)
    offsets = offsets.expand(b.size, _TABLE)
    if not even:
        # pulses that are not locked to the scanner start anywhere on a line, or slip line by line
        free = torch.rand(b.size, _TABLE, device=b.device)
        slip = b.uniform(-0.3, 0.3)[:, 0] * line
        walk = torch.cumsum(0.15 * (free - 0.5), dim=1)
        kind = b.pick(0, 0, 1, 2, 3)[:, 0]
        offsets = offsets + (kind == 1) * free + (kind == 2) * slip + (kind == 3) * walk
        along, across = _stitched(b, along, across, pitch, gap)
        lag = b.pick(0, 0.1, 0.3) * torch.minimum(pitch, gap)
        drift = b.log_uniform(0.1, 1) * b.rows
        along = along + lag * noise(b, drift, exponent=1.5)
        across = across + lag * noise(b, drift, exponent=1.5)
    table = torch.rand(b.size * _TABLE, _NUMBERS, device=b.device)
    jitter = torch.as_tensor(jitter, device=b.device)
    missing = torch.as_tensor(missing, device=b.device)
    return Scan(along / pitch, across / gap, pitch, gap, offsets, jitter, missing, table)


def _stitched(
    b: Batch, along: Tensor, across: Tensor, pitch: Tensor, gap: Tensor
) -> tuple[Tensor, Tensor]:
    """Return positions with the shifts between the fields that a scanner put side by side."""
    field = torch.maximum(b.log_uniform(60, 500), 5 * torch.maximum(pitch, gap))
    on = b.chance(0.35)
    col = torch.floor(along / field + b.uniform(0, 1))
    row = torch.floor(across / field + b.uniform(0, 1))
    entry = entry_of(row, col, _TABLE)
    member = torch.arange(b.size, device=b.device)[:, None, None]
    shift = torch.rand(b.size, _TABLE, 2, device=b.device)[member, entry] - 0.5
    return along + on * pitch * shift[..., 0], across + on * gap * shift[..., 1]


def _scan(b: Batch, finest: float, coarsest: float, jitter: float = 0.35) -> Scan:
    """Return any lattice: often along or down the face, lines closer or wider than spots."""
    angle = torch.where(b.chance(0.4) > 0, b.pick(0, math.pi / 2) + b.uniform(-0.1, 0.1),
                        b.uniform(-math.pi, math.pi))  # fmt: skip
    pitch = b.log_uniform(finest, coarsest)
    gap = (pitch * b.log_uniform(0.5, 2.5)).clamp(finest, 1.5 * coarsest)
    return scan_at(
        b, angle, pitch, gap, stagger=b.pick(0, 0.5, 0.5, 0.25), even=False,
        jitter=b.pick(0.03, 0.15, 1) * b.uniform(0, jitter), missing=b.pick(0, 0.05, 0.3),
    )  # fmt: skip


def _radius(scan: Scan, share: Tensor) -> Tensor:
    return share * torch.minimum(scan.pitch, scan.gap)


def pitted(b: Batch, scan: Scan, radius: Tensor, uneven: Tensor | float = 0.3) -> Tensor:
    """Return the pits of a scan, 0 and below: the deepest of those that overlap."""
    oblong = b.log_uniform(0.6, 1.7)  # focal spots are longer along the beam's axis
    round_, sharp = b.chance(0.5), b.log_uniform(3, 14)
    floor = torch.zeros_like(scan.along)
    for spot in scan.near():
        size = radius * (1 + uneven * (spot.number(0) - 0.5))
        away = torch.hypot(spot.along / oblong.sqrt(), spot.across * oblong.sqrt()) / size
        bowl = torch.where(round_ > 0, (1 - away**2).clamp(min=0), torch.exp(-(away**2)))
        crater = torch.sigmoid(sharp * (1 - away))
        section = torch.where(sharp > 7, crater * (0.3 + 0.7 * bowl), bowl)
        floor = torch.maximum(floor, section * (1 - uneven * spot.number(1)))
    return -floor


def _finished(b: Batch, relief: Tensor, grain: float = 0.25) -> Tensor:
    """Return the relief with the fine grain of debris and melt."""
    return grained(b, relief, 0.5, 20, grain)


def _pits(b: Batch) -> Tensor:
    """Pits on a rectangular or staggered lattice, with jitter and drop-outs."""
    scan = _scan(b, 3, 45)
    relief = pitted(b, scan, _radius(scan, b.uniform(0.3, 0.75)), b.uniform(0, 0.8))
    swell = b.uniform(0, 0.4) * noise(b, b.log_uniform(10, 100), exponent=1.5)
    return _finished(b, standardised(relief) + swell, 0.5)


def _traces(b: Batch) -> Tensor:
    """Grooves of lines whose spots overlap, scalloped, in a raster or in zigzag."""
    scan = _scan(b, 2.5, 50)
    scalloped = b.uniform(0.1, 0.6)
    wander = b.uniform(0, 0.15) * noise(b, b.log_uniform(2, 60), exponent=1.0)
    # of a zigzag every other line leans the other way
    period = b.log_uniform(6, 60)
    swing = b.pick(0, 0, 1) * b.uniform(0.2, 1) * (((scan.along / period) % 2 - 1).abs() - 0.5)
    first = torch.floor(scan.across)
    member = torch.arange(b.size, device=b.device)[:, None, None]
    numbers = torch.rand(b.size, _TABLE, 3, device=b.device)
    uneven, power = b.uniform(0, 0.4), b.log_uniform(0.6, 2.5)
    depth = torch.full_like(first, -1.0)
    for step in (-1, 0, 1, 2):
        at = torch.remainder((first + step).long(), _TABLE)
        one = numbers[member, at]
        lean = swing * (1 - 2 * (at % 2))
        off = scan.across - first - step - lean - wander - uneven * (one[..., 0] - 0.5)
        phase = 2 * math.pi * (scan.along - scan.offsets[member, at])
        reach = 0.75 * (1 + scalloped * (torch.cos(phase) - 1) / 2 + uneven * (one[..., 1] - 0.5))
        groove = 1 - (off.abs() / reach) ** (2 * power)
        depth = torch.maximum(depth, groove - uneven * one[..., 2])
    relief = -depth.clamp(min=-1)
    return _finished(b, relief, 0.6)


def _bubbled(b: Batch) -> Tensor:
    """Domes that gas pushed up, in loose rank, smooth, some of them burst."""
    scan = _scan(b, 5, 60, 0.6)
    radius = _radius(scan, b.uniform(0.4, 0.8))
    uneven, merging = b.uniform(0.2, 1), b.log_uniform(4, 20)
    burst = b.pick(0, 0.15, 0.5)
    total, holes = torch.ones_like(scan.along), torch.zeros_like(scan.along)
    for spot in scan.near():
        size = radius * (1 + uneven * (spot.number(0) - 0.5))
        away = torch.hypot(spot.along, spot.across) / size
        total = total + torch.exp(merging * (1 - away**2).clamp(min=-4) * (0.4 + spot.number(1)))
        hole = torch.sigmoid(10 * (0.25 + 0.3 * spot.number(2) - away))
        holes = torch.maximum(holes, hole * (spot.number(3) < burst))
    domes = torch.log(total) / merging
    swell = b.uniform(0, 0.5) * noise(b, b.log_uniform(20, 120), exponent=1.8)
    return _finished(b, standardised(domes) + swell - b.uniform(0.5, 3) * holes, 0.15)


def _bridged(b: Batch) -> Tensor:
    """Cusps and walls of what stood between the spots, torn off at heights of their own."""
    scan = _scan(b, 4, 55, 0.45)
    first, second = (torch.full_like(scan.along, 1e4) for _ in range(2))
    unit = torch.sqrt(scan.pitch * scan.gap)
    for spot in scan.near():
        away = torch.hypot(spot.along, spot.across) / unit * (0.8 + 0.4 * spot.number(0))
        second = torch.minimum(second, torch.maximum(first, away))
        first = torch.minimum(first, away)
    first, second = first.clamp(max=2), second.clamp(max=3)
    walls = torch.exp(-(second - first) / b.log_uniform(0.04, 0.3))
    cusps = (first / 0.7) ** b.log_uniform(1, 5)
    relief = b.uniform(0, 1) * walls + b.uniform(0.3, 1.5) * cusps
    torn = 0.8 + b.uniform(0.1, 0.5) * noise(b, unit * b.uniform(0.1, 0.8), exponent=0.6)
    standing = torch.minimum(relief, torn * b.log_uniform(0.5, 3))
    frayed = relief.clamp(0, 2) * noise(b, b.log_uniform(0.5, 3), exponent=0.3)
    return _finished(b, standardised(standing) + b.pick(0, 0.2, 0.6) * frayed)


def _rippled(b: Batch) -> Tensor:
    """Show laser-induced ripples: fine parallel lines within spots, broken from spot to spot.

    Notes
    -----
    Their direction follows the polarisation, their pitch a part of the wavelength (Bonse et al.
    2012, from memory).
    """
    scan = _scan(b, 8, 60)
    pitch = b.log_uniform(2.5, 9)
    way, unlike = b.uniform(0, math.pi), b.pick(0.05, 0.2, 0.6)
    waver = b.uniform(0, 0.8) * noise(b, pitch * b.uniform(0.5, 3), exponent=1.0)
    radius = _radius(scan, b.uniform(0.45, 1))
    best, ripple = torch.full_like(scan.along, 4.0), torch.zeros_like(scan.along)
    for spot in scan.near():
        away = torch.hypot(spot.along, spot.across) / (radius * (0.7 + 0.6 * spot.number(0)))
        turn = way + unlike * (spot.number(1) - 0.5)
        off = torch.cos(turn) * spot.along + torch.sin(turn) * spot.across
        wave = torch.cos(2 * math.pi * (off / pitch + spot.number(2)) + waver)
        ripple = torch.where(away < best, wave * (0.3 + spot.number(3)), ripple)
        best = torch.minimum(best, away)
    within = torch.sigmoid(b.log_uniform(2, 12) * (1 - best))
    bowl = -b.uniform(0, 1.5) * (1 - best**2).clamp(min=0)
    outside = b.uniform(0, 0.5) * (1 - within) * noise(b, b.log_uniform(0.8, 8))
    return _finished(b, within * ripple + bowl + outside)


def _cratered(b: Batch) -> Tensor:
    """Craters with rims and holes, and the debris that they threw out."""
    scan = _scan(b, 7, 60, 0.5)
    radius = _radius(scan, b.uniform(0.2, 0.5))
    rim, wide, hole = b.uniform(0.1, 1.2), b.uniform(0.12, 0.4), b.pick(0, 0.5, 2)
    flight = b.uniform(0.8, 2)
    relief, thrown = torch.zeros_like(scan.along), torch.zeros_like(scan.along)
    for spot in scan.near():
        size = radius * (0.6 + 0.8 * spot.number(0))
        away = torch.hypot(spot.along, spot.across) / size
        bowl = -(1 - away**2).clamp(min=0) - hole * torch.exp(-((away / 0.2) ** 2))
        ring = torch.exp(-(((away - 1) / wide) ** 2))
        relief = relief + (0.4 + 0.6 * spot.number(1)) * (bowl + rim * ring)
        thrown = thrown + torch.exp(-away / flight) * (spot.number(2) > 0.3)
    grit = b.log_uniform(2.5, 10)
    along, across = turned(b, b.uniform(0, math.pi))
    dots = places(along / grit, across / grit, b.uniform(0.3, 0.5), b.uniform(0, 0.6))
    away, _, value, _, _ = cells(dots)
    ball = (1 - (away / (0.15 + 0.35 * value)) ** 2).clamp(min=0).sqrt()
    return _finished(b, relief + b.pick(0, 0.5, 1.5) * ball * thrown.clamp(0, 1.2))


def _layered(b: Batch) -> Tensor:
    """Bands of passes one beneath the other, each with a lattice a little shifted."""
    angle = torch.where(b.chance(0.6) > 0, b.uniform(-0.15, 0.15), b.uniform(-1.6, 1.6))
    pitch = b.log_uniform(2.5, 30)
    gap = (pitch * b.log_uniform(0.6, 2)).clamp(min=2.5)
    scan = scan_at(b, angle, pitch, gap, stagger=b.pick(0, 0.5), even=False,
                   jitter=b.uniform(0, 0.25), missing=b.pick(0, 0.1))  # fmt: skip
    _, down = turned(b, angle + b.pick(0, 0, math.pi / 2))
    thick = torch.maximum(b.log_uniform(14, 110), 2 * gap)
    waver = b.uniform(0, 3) * noise(b, b.log_uniform(10, 100), exponent=1.2)
    at = (down + waver) / thick + b.uniform(0, 1)
    layer = torch.remainder(torch.floor(at).long(), _TABLE)
    rest = at - torch.floor(at)
    member = torch.arange(b.size, device=b.device)[:, None, None]
    numbers = torch.rand(b.size, _TABLE, 4, device=b.device)[member, layer]
    shifted = Scan(scan.along + numbers[..., 0], scan.across + numbers[..., 1] - 0.5, pitch, gap,
                   scan.offsets, scan.jitter, scan.missing, scan.table)  # fmt: skip
    relief = pitted(b, shifted, _radius(scan, b.uniform(0.4, 0.9)))
    relief = standardised(relief) * (1 - b.uniform(0, 0.8) * numbers[..., 2])
    level = b.uniform(0, 1.5) * (numbers[..., 3] - 0.5) + b.uniform(-1.5, 1.5) * rest
    width = b.uniform(0.6, 4)
    seam = torch.exp(-((torch.minimum(rest, 1 - rest) * thick / width) ** 2))
    return _finished(b, relief + level + b.pick(-1, 0, 1) * b.uniform(0.3, 2.5) * seam)


def _remelted(b: Batch) -> Tensor:
    """Softened ground that still shows its lattice here and there, with beads of melt."""
    scan = _scan(b, 4, 50)
    pits = standardised(pitted(b, scan, _radius(scan, b.uniform(0.4, 0.9)), 0.5))
    soft = blur(pits, _radius(scan, b.uniform(0.15, 0.5)))
    remnant = torch.sigmoid(b.log_uniform(1, 8) * (noise(b, b.log_uniform(10, 90), exponent=1.5)
                                                   - b.uniform(-0.5, 1.5)))  # fmt: skip
    flow = noise(b, b.log_uniform(3, 40), exponent=b.uniform(1.5, 3),
                 angle=b.uniform(0, math.pi), anisotropy=b.pick(1, 1, 3))  # fmt: skip
    relief = remnant * pits + b.uniform(0, 1) * (1 - remnant) * standardised(soft)
    relief = relief + b.uniform(0.3, 2) * flow
    pooled = b.uniform(-1, 2)  # melt fills what lies low and levels it
    relief = torch.where(b.chance(0.5) > 0, _pooled(relief, pooled), relief)
    size = b.log_uniform(6, 40)
    along, across = turned(b, b.uniform(0, math.pi))
    away, _, value, _, _ = cells(places(along / size, across / size, b.uniform(0.2, 0.5),
                                        b.uniform(0.5, 1)))  # fmt: skip
    bead = (1 - (away / (0.1 + 0.3 * value)) ** 2).clamp(min=0).sqrt()
    return _finished(b, relief + b.pick(0, 0, 2) * bead, 0.1)


def _pooled(relief: Tensor, level: Tensor) -> Tensor:
    """Return a relief whose hollows are filled, smoothly, up to a level."""
    return -level + torch.nn.functional.softplus(4 * (relief + level)) / 4


def _faded(b: Batch) -> Tensor:
    """Pits that widen and fade where the focus left the face, down to a smooth glaze."""
    scan = _scan(b, 3, 40)
    way, middle = b.uniform(-math.pi, math.pi), b.uniform(-0.6, 0.6)
    off = (turned(b, way)[0] / b.pick(b.rows, b.cols) * 2 - middle) / b.log_uniform(0.3, 1.2)
    spread = torch.sqrt(1 + off**2)  # the beam's radius about its focus
    radius = _radius(scan, b.uniform(0.25, 0.6)) * spread.clamp(max=1.6)
    fading = spread ** -b.uniform(1, 4)
    relief = pitted(b, scan, radius, b.uniform(0, 0.6)) * fading
    glaze = noise(b, b.log_uniform(6, 90), exponent=b.uniform(1.8, 3))
    return _finished(b, standardised(relief) + b.uniform(0.1, 1) * glaze, 0.06)


def _grain(b: Batch) -> Tensor:
    """Fine grain of a lattice that the picture does not resolve, with its lines' unevenness."""
    angle = b.uniform(-math.pi, math.pi)
    scan = scan_at(b, angle, b.uniform(1.1, 3), b.log_uniform(1.3, 5), even=False)
    fine = noise(b, b.uniform(0.3, 1), exponent=b.uniform(0.2, 1.5), angle=angle,
                 anisotropy=b.log_uniform(0.6, 2.5))  # fmt: skip
    power, level = scan.of_lines(2)
    sampled = torch.cos(2 * math.pi * scan.across) * b.uniform(0, 1)
    sampled = blur(sampled + b.uniform(0, 1) * (level - 0.5), b.uniform(0.4, 0.8))
    patchy = (1 + b.pick(0, 0.15, 0.5) * noise(b, b.log_uniform(8, 80))).clamp(0.1, 3)
    relief = fine * patchy * (1 + b.uniform(0, 1) * (power - 0.5)) + sampled
    return _finished(b, relief + b.pick(0, 0.6) * noise(b, b.log_uniform(10, 100), exponent=1.6))


def _cracked(b: Batch) -> Tensor:
    """Short cracks that cavities drove from spot to spot, with lips, and the spots' small pits."""
    scan = _scan(b, 7, 60, 0.5)
    reach = _radius(scan, b.uniform(0.35, 0.8))
    way, unlike = b.uniform(0, math.pi), b.pick(0.4, 1.5, math.pi)
    width, lip = b.log_uniform(0.6, 3), b.uniform(0, 1)
    waver = b.uniform(0, 1.5) * width * noise(b, b.log_uniform(4, 20), exponent=1.2)
    relief = torch.zeros_like(scan.along)
    dimple, hollow = b.uniform(0, 1), reach * b.uniform(0.15, 0.5)
    for spot in scan.near():
        turn = way + unlike * (spot.number(0) - 0.5)
        run = torch.cos(turn) * spot.along + torch.sin(turn) * spot.across
        off = torch.cos(turn) * spot.across - torch.sin(turn) * spot.along + waver
        length = reach * (0.3 + spot.number(1))
        taper = (1 - (run / length) ** 2).clamp(min=0)
        crack = torch.exp(-((off / width) ** 2)) - lip * torch.tanh(off / width) * torch.exp(
            -off.abs() / (3 * width)
        )
        relief = relief - crack * taper * (0.3 + spot.number(2))
        relief = relief - dimple * torch.exp(-((torch.hypot(run, off) / hollow) ** 2))
    swell = b.uniform(0, 0.6) * noise(b, b.log_uniform(8, 90), exponent=1.6)
    return _finished(b, standardised(relief) + swell)


BEAM_LOOKS: tuple[Look, ...] = (
    _pits, _traces, _bubbled, _bridged, _rippled, _cratered, _layered, _remelted, _faded, _grain,
    _cracked,
)  # fmt: skip
