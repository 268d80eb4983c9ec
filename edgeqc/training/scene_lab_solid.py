"""Whole scenes of cut faces, each piece a solid body seen obliquely.

At every depth below its cut face a convex slab or wedge has a section with two lens surfaces and
two ends, which shifts, shrinks and swells with depth as tilt, perspective and curvature have it.
What a line of sight meets first is face, surface, end or ground, and the light follows from the
depths: yield by tilt, a detector at one side, shadow, dark corners (Reimer 1998, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_materials import GROUNDS, drawn, scratches, spots
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import BACKGROUND, BODY, FACE, wandering
from edgeqc.training.strip_fields import Batch, blur, cells, noise, places, standardised, turned
from edgeqc.training.strip_places import Place

_FAR = 1e4


@dataclass(frozen=True)
class _Solid:
    """A piece of a lens: its section at every depth, lengths in samples."""

    x: Tensor
    y: Tensor
    thick: Tensor
    ends: tuple[Tensor, Tensor]
    slant: Tensor
    taper: Tensor
    sag: tuple[Tensor, Tensor]
    radius: tuple[Tensor, Tensor]
    shift: tuple[Tensor, Tensor]
    shrink: Tensor
    swell: tuple[Tensor, Tensor]
    deep: Tensor
    rear: Tensor

    def walls(self, depth: Tensor | float) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Return distances inside front, back and ends, and the place along, at a depth."""
        x = self.x * (1 + self.shrink * depth) - self.shift[0] * depth
        y = self.y * (1 + self.shrink * depth) - self.shift[1] * depth
        at = (x / torch.where(x < 0, self.ends[0], self.ends[1])).clamp(-1.3, 1.3)
        rise = depth - depth * depth / (2 * self.deep)
        half = self.thick / 2
        front = y + half * (1 + self.taper * at - self.sag[0] * at * at) + self.swell[0] * rise
        back = half * (1 + self.taper * at - self.sag[1] * at * at) + self.swell[1] * rise - y
        end = torch.minimum(x + self.ends[0] - self.slant * y, self.ends[1] - x + self.slant * y)
        return front, back, end, x

    def inside(self, depth: Tensor | float) -> Tensor:
        """Return the distance inside the section at a depth, negative outside."""
        front, back, end, x = self.walls(depth)
        side = torch.minimum(front, back)
        radius = torch.where(x < 0, self.radius[0], self.radius[1])
        u, v = (radius - side).clamp(min=0), (radius - end).clamp(min=0)
        return torch.where((u > 0) & (v > 0), radius - torch.hypot(u, v), torch.minimum(side, end))

    def met(self) -> tuple[Tensor, Tensor]:
        """Return the depth first met along every line of sight, and the silhouette's distance."""
        low = torch.zeros_like(self.y)
        high = (self.deep * (1 + self.rear * self.x / self.ends[0].clamp(max=1200))).clamp(min=1)
        for _ in range(9):  # the body is convex: its distance has one maximum
            middle = (low + high) / 2
            rising = self.inside(middle + 0.004 * self.deep) > self.inside(middle)
            low, high = torch.where(rising, middle, low), torch.where(rising, high, middle)
        outline = torch.maximum(self.inside(low), self.inside(0.0))
        first, last = torch.zeros_like(low), low
        for _ in range(9):
            middle = (first + last) / 2
            out = self.inside(middle) <= 0
            first, last = torch.where(out, middle, first), torch.where(out, last, middle)
        depth = torch.where(self.inside(0.0) > 0, 0.0, last)
        return torch.where(outline > 0, depth, _FAR), outline


@dataclass(frozen=True)
class _Seen:
    """What is seen of a solid: its face's border, depths, silhouette, and where its face lies."""

    solid: _Solid
    edge: Tensor
    t: Tensor
    depth: Tensor
    outline: Tensor


def _axes(b: Batch, low: float, high: float) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return positions along and across a bent axis, thickness and the picture's length."""
    angle = (math.pi / 2) * b.pick(0, 0, 1, 2, 3)
    angle = angle + torch.where(b.chance(0.35) > 0, b.uniform(-0.8, 0.8), 0.07 * b.normal())
    lying = torch.cos(angle).abs() > 0.7
    side, span = torch.where(lying, b.rows, b.cols) + 0.0, torch.where(lying, b.cols, b.rows) + 0.0
    x, y = turned(b, angle)
    thick = side * torch.where(b.chance(0.5) > 0, b.uniform(low, high), b.log_uniform(low, high))
    x = x + b.uniform(-0.12, 0.12) * span
    y = y + b.uniform(-1, 1) * ((side - thick) / 2 + 0.1 * thick) * b.pick(0.2, 0.7, 1)
    y = y + b.chance(0.4) * 0.25 * b.normal() / span * x * x
    y = y + b.chance(0.15) * 0.3 * b.normal() * torch.sqrt((x - 0.2 * b.normal() * span) ** 2 + 300)
    step = b.chance(0.15) * b.uniform(-0.2, 0.2) * thick
    y = y + step * torch.tanh((x - b.uniform(-0.3, 0.3) * span) / b.log_uniform(3, 60))
    return x, y, thick, span


def _solid(b: Batch, axes: tuple[Tensor, ...], ended: float, curved: float) -> _Solid:
    """Return solids whose ends are seen in a share of the members, with surfaces or none."""
    x, y, thick, span = axes
    ends = [torch.where(b.chance(ended) > 0, b.uniform(0.2, 0.46), 4.0) * span for _ in "lr"]
    deep = thick * b.log_uniform(0.3, 2.5)
    reach = [thick * torch.where(b.chance(0.5) > 0, b.log_uniform(0.012, 0.1),
                                 b.log_uniform(0.12, 2.0)) for _ in range(3)]  # fmt: skip
    kind = torch.rand(b.size, 1, 1, device=b.device)
    tilted, both = (kind > 0.36) & (kind < 0.84), kind > 0.84
    shift = torch.where(tilted, b.pick(-1, 1) * reach[0] / deep, 0.0)
    yaw = b.chance(0.35) * b.uniform(-0.5, 0.5) * thick / deep * (kind > 0.36)
    other = torch.where(tilted, b.uniform(-0.25, 0.25) * shift.abs(), -b.uniform(0.02, 0.3))
    swell = [torch.where(both, 2 * reach[i] / deep, other) for i in (1, 2)]
    sag = [b.chance(curved) * b.uniform(-0.25, 1) * b.uniform(0, 0.95) for _ in "fb"]
    round_end = [torch.where(b.chance(0.5) > 0, 1.0, thick * b.uniform(0.05, 0.48)) for _ in "lr"]
    return _Solid(
        x, y, thick, (ends[0], ends[1]), b.chance(0.5) * 0.4 * b.normal(),
        b.chance(0.4) * b.uniform(-0.5, 0.5), (sag[0], sag[1]), (round_end[0], round_end[1]),
        (yaw, shift), b.chance(0.4) * b.uniform(0, 0.2) / deep * (kind > 0.36),
        (swell[0], swell[1]), deep, b.chance(0.3) * b.uniform(-1.6, 1.6),
    )  # fmt: skip


def _seen(b: Batch, solid: _Solid) -> _Seen:
    """Return what is seen of solids whose faces have ragged, notched or burred borders."""
    depth, outline = solid.met()
    front, back, end, x = solid.walls(0.0)
    rough = []
    for _ in "fb":
        line = wandering(b, x, b.pick(0.2, 0.5, 1, 2.5) * b.uniform(0.2, 1), b.log_uniform(2, 60))
        for _ in range(2):
            at, wide = b.uniform(-0.4, 0.4) * b.cols, b.log_uniform(0.02, 0.25) * solid.thick
            cut = b.chance(0.25) * b.pick(-1, -1, 0.5) * b.log_uniform(0.02, 0.18) * solid.thick
            line = line + cut * (1 - ((x - at) / wide).abs()).clamp(0, 1) ** b.uniform(0.3, 2)
        rough.append(line)
    edge = solid.inside(0.0) + torch.where(front < back, rough[0], rough[1])
    edge = edge + b.chance(0.3) * b.uniform(0, 1.5) * noise(b, b.log_uniform(2, 15)) * (end < 40)
    # where a chip is off the border the lens surface shows if it is turned to the viewer
    shown = solid.inside(0.02 * solid.deep) > solid.inside(0.0)
    depth = torch.where((edge <= 0) & (depth <= 0) & ~shown, _FAR, depth.where(edge <= 0, 0.0))
    return _Seen(solid, edge, front / (front + back).clamp(min=1), depth, outline)


def _slope(depth: Tensor) -> tuple[Tensor, Tensor]:
    """Return a depth map's slopes: the flatter of the two neighbours' differences."""
    slopes = []
    for axis in (1, 2):
        before, after = depth - depth.roll(1, axis), depth.roll(-1, axis) - depth
        slopes.append(torch.where(before.abs() < after.abs(), before, after).clamp(-6, 6))
    return slopes[0], slopes[1]


def _warped(plane: Tensor, right: Tensor, down: Tensor) -> Tensor:
    """Return a plane read at positions in samples from its middle, mirrored at its ends."""
    at = torch.stack([right * (2 / plane.shape[2]), down * (2 / plane.shape[1])], -1)
    return functional.grid_sample(plane[:, None], at, "bilinear", "reflection", False)[:, 0]


def _lit(b: Batch, height: Tensor, low: float, high: float, most: float) -> Tensor:
    """Return a ground of some relief: yield by tilt, a detector's side, dark hollows."""
    height = standardised(blur(height, b.uniform(0.7, 2))) * b.log_uniform(0.5, 2.5)
    down, right = _slope(height)
    way, steep = b.uniform(-math.pi, math.pi), torch.sqrt(1 + down**2 + right**2)
    plane = b.uniform(0.2, 1) * standardised((steep - 1).clamp(max=2))
    plane = plane + b.uniform(0.2, 1) * (torch.cos(way) * right + torch.sin(way) * down) / steep
    plane = standardised(plane + b.uniform(0, 0.8) * height).clamp(-3, 4)
    return b.uniform(low, high) + b.log_uniform(0.2 * most, 1.2 * most) * plane


def _crystals(b: Batch) -> Tensor:
    """Draw a bed of crystals: blocks of flat tilted tops with dark gaps."""
    size = b.log_uniform(8, 70)
    along, across = turned(b, b.uniform(-3, 3))
    narrow, jitter, gaps = b.uniform(0.6, 1.6), b.uniform(0.1, 0.4), b.pick(0, 0.2)
    near, second, value, u, v = cells(places(along / size, narrow * across / size, jitter, gaps))
    top = size * (0.5 * value + (value - 0.5) * u * 1.4 + (value * 7 % 1 - 0.5) * v * 1.4)
    return _lit(b, top - size * torch.exp(-(second - near) / b.uniform(0.03, 0.2)), 0.3, 1.4, 0.35)


def _mesh(b: Batch) -> Tensor:
    """Draw a woven mesh or grid: round bars over a hollow, some bent."""
    along, across = turned(b, b.uniform(-3, 3))
    pitch, wide = b.log_uniform(25, 200), b.uniform(0.15, 0.45)
    warp = b.pick(0, 2, 8) * noise(b, b.log_uniform(40, 200))
    top = torch.zeros_like(along)
    for u, w in ((along + warp, across), (across - warp, along)):
        off = ((u / pitch).remainder(1) - 0.5) / (wide / 2)
        over = 0.2 * torch.cos(math.pi * w / pitch + math.pi * torch.floor(u / pitch))
        top = torch.maximum(top, (1 - off**2).clamp(min=0).sqrt() + over * (off.abs() < 1))
    plane = _lit(b, top * pitch * wide / 2 + noise(b, b.log_uniform(1, 8)), 0.4, 1.4, 0.3)
    return plane * (0.25 + 0.75 * (top > 0))


def _straws(b: Batch) -> Tensor:
    """Draw fibres of round section one over another, each in a direction of its own."""
    top = noise(b, b.log_uniform(4, 50))
    common, spread = b.uniform(-3, 3), b.pick(0.2, 0.8, 3)
    for layer in range(7):
        along, across = turned(b, common + spread * b.uniform(-1, 1))
        pitch, wide = b.log_uniform(40, 220), b.log_uniform(3, 22)
        bent = across + b.uniform(0, 25) * torch.sin(along / b.log_uniform(40, 250))
        off = ((bent / pitch + b.uniform(0, 1)).remainder(1) - 0.5) * pitch / wide
        top = torch.where(off.abs() < 1, wide * (1 - off**2).abs().sqrt() + 3.0 * layer, top)
    return _lit(b, top, 0.3, 1.3, 0.35)


_GROUNDS = (_crystals, _crystals, _mesh, _straws, *GROUNDS[1:8], *GROUNDS[9:12])


def _own_surface(b: Batch, at: Tensor, depth: Tensor) -> Tensor:
    """Return faint marks in a lens surface's own coordinates: rings, grain, dimples, scratches."""
    flat = b.uniform(0.4, 1.2)
    away = torch.hypot(at + b.normal() * b.cols, flat * depth + b.log_uniform(0.3, 6) * b.cols)
    rings = torch.sin(2 * math.pi * away / b.log_uniform(4, 40) + 2 * noise(b, b.uniform(50, 300)))
    dimple, rim = spots(b, b.log_uniform(15, 110), b.uniform(0.3, 0.97), b.log_uniform(0.6, 3))
    marks = b.pick(-1, 1) * scratches(b, 3) * b.chance(0.35) * b.uniform(0.3, 1)
    marks = marks + b.chance(0.35) * (b.uniform(-0.8, 0.8) * dimple + b.uniform(0, 0.6) * rim)
    marks = _warped(marks, at, flat * depth - b.uniform(0.1, 0.4) * b.rows)
    grain = noise(b, b.log_uniform(1, 150), anisotropy=b.log_uniform(1, 6), angle=b.uniform(-2, 2))
    plane = b.chance(0.2) * b.uniform(0.01, 0.05) * rings + b.log_uniform(0.05, 0.35) * marks
    return plane + b.log_uniform(0.002, 0.035) * grain


def _shade(b: Batch, depth: Tensor, thick: Tensor) -> Tensor:
    """Return how much light is left in corners and in the shadow of what stands higher."""
    wide = b.log_uniform(0.02, 0.25) * thick
    small = functional.pad(functional.avg_pool2d(depth[:, None], 4), (24,) * 4, mode="replicate")
    around = blur(small[:, 0], wide / 4)[:, None, 24:-24, 24:-24]
    around = functional.interpolate(around, size=(b.rows, b.cols), mode="bilinear")[:, 0]
    hollow = ((depth - around) / (wide + 0.3 * thick)).clamp(0, 2)
    left = torch.exp(-b.pick(0, 0.3, 1, 2) * b.uniform(0.3, 1) * hollow)
    way, steep = b.uniform(-math.pi, math.pi), b.log_uniform(0.4, 3)
    right, down = (0.5 + axis for axis in turned(b, torch.zeros_like(way)))
    dark = torch.zeros_like(depth)
    for step in (0.02, 0.06, 0.13, 0.24, 0.4):
        far = step * thick
        higher = _warped(depth, right + far * torch.cos(way), down + far * torch.sin(way))
        dark = torch.maximum(dark, ((depth - higher - steep * far) / (0.15 * thick)).clamp(0, 1))
    dark = blur(functional.pad(dark, (32,) * 4, mode="replicate"), b.log_uniform(0.8, 14))
    return left * (1 - b.chance(0.55) * b.uniform(0.1, 0.75) * dark[:, 32:-32, 32:-32])


def _mean(plane: Tensor, within: Tensor) -> Tensor:
    return (plane * within).sum((1, 2), keepdim=True) / (within.sum((1, 2), keepdim=True) + 1.0)


def _surface(b: Batch, of: _Seen, electrons: Tensor) -> tuple[Tensor, Tensor]:
    """Return the electrons of a solid's surfaces and ends, and where they are."""
    body = (of.edge <= 0) & (of.depth < _FAR)
    down, right = _slope(depth := of.depth.where(body, 0.0))
    front, back, end, at = of.solid.walls(depth)
    way, steep = b.uniform(-math.pi, math.pi), torch.sqrt(1 + down**2 + right**2)
    light = b.uniform(0, 0.35) * torch.log(steep)
    light = light + b.uniform(0, 0.5) * (torch.cos(way) * right + torch.sin(way) * down) / steep
    light = blur(light - b.chance(0.4) * b.uniform(0, 0.5) * depth / of.solid.deep, 1.2)
    level = _mean(electrons, of.edge > 0).clamp(min=0.3) + b.pick(-1, 1) * b.uniform(0.01, 0.08)
    level = torch.where(b.chance(0.45) > 0, level, b.uniform(0.25, 1.5))
    plane = level + (light - _mean(light, body)) * b.pick(0.3, 1, 1) + _own_surface(b, at, depth)
    plane = plane + (end < torch.minimum(front, back)) * b.chance(0.6) * b.uniform(-0.3, 0.3)
    # a line, a bright rim or a rounded shoulder between face and surface; the far rim glows
    gap, far, plane = (-of.edge).clamp(min=0), of.outline.clamp(min=0), plane.clamp(0.05, 1.9)
    for strength, away, wide in (
        (b.uniform(-0.5, 0.6), gap, b.log_uniform(0.8, 4)),
        (b.uniform(-0.3, 0.3), gap, b.log_uniform(0.02, 0.2) * of.solid.thick),
        (b.uniform(0, 0.6), far, b.log_uniform(0.8, 6)),
    ):
        plane = plane + b.chance(0.4) * strength * torch.exp(-away / wide)
    return plane, body


def _ground(b: Batch, of: _Seen) -> Tensor:
    """Return a ground behind or below, sharp or not, with charge or glue about the piece."""
    soft = torch.where(b.chance(0.45) > 0, b.log_uniform(1.5, 14), 0.01)
    plane = blur(drawn(b, _GROUNDS), soft)
    plane = torch.where(b.chance(0.15) > 0, plane - plane.mean((1, 2), keepdim=True) + 1, plane)
    glow = torch.exp(of.outline.clamp(max=0) / b.log_uniform(3, 90))
    return plane + b.chance(0.4) * b.uniform(-0.35, 0.35) * glow


def _floor(b: Batch, of: _Seen, plane: Tensor) -> tuple[Tensor, Tensor]:
    """Return a ground lying under the solid's back, foreshortened, and its depth."""
    solid = of.solid
    steep = solid.shift[1].abs().clamp(min=0.3)
    depth = (solid.thick / 2 - solid.y) / steep  # nearer to the viewer before the face
    near = (solid.y / solid.thick - 0.5).clamp(min=0) / b.log_uniform(0.01, 0.3)
    dark = b.pick(0, 0.4, 0.9) * b.uniform(0.3, 1) * torch.exp(-near)
    return _warped(plane, solid.x, depth * 0.8) * (1 - dark), depth.clamp(min=0)


def _over(b: Batch, edge: Tensor, signal: Tensor, codes: Tensor) -> tuple[Tensor, Tensor]:
    """Lay films, charge, grains, flakes and a fibre over everything; big ones hide the border."""
    film = b.log_uniform(3, 30) * (noise(b, b.log_uniform(20, 150)) - b.uniform(0.3, 1.8))
    signal = signal * (1 + b.chance(0.25) * b.uniform(-0.35, 0.35) * torch.sigmoid(film))
    charge = torch.exp(-((edge / (b.log_uniform(0.02, 0.2) * b.rows)) ** 2).clamp(max=30))
    signal = signal + b.chance(0.2) * b.uniform(-0.2, 0.35) * charge
    inside, rim = spots(b, b.log_uniform(40, 220), b.uniform(0.6, 0.97), b.log_uniform(0.6, 2))
    share = b.chance(0.35) * inside
    lump = b.uniform(0.4, 1.6) + 0.1 * noise(b, b.log_uniform(2, 20)) + b.uniform(0, 0.5) * rim
    signal = signal * (1 - share) + share * lump
    along, across = turned(b, b.uniform(-3, 3))
    wide = b.log_uniform(1.5, 12)
    across = across + b.uniform(0, 40) * torch.sin(along / b.log_uniform(60, 300))
    off = ((across - b.uniform(-0.4, 0.4) * b.rows) / wide).clamp(-1, 1)
    thread = (off.abs() < 1) & (b.chance(0.12) > 0)
    signal = torch.where(thread, b.uniform(0.3, 1.3) + b.uniform(0, 0.6) * off**2, signal)
    hidden = (share > 0.5) | (thread & (wide > 4))
    codes = torch.where(hidden & (edge.abs() < 0.05 * b.rows), IGNORED, codes)
    return signal.nan_to_num(0.0).clamp(0, 3), codes


def _joined(
    b: Batch, of: _Seen, edge: Tensor, electrons: Tensor, ground: Tensor, *around: Tensor
) -> tuple[Tensor, Tensor]:
    """Return a solid before a ground of some depth, which may be another piece, littered."""
    below, there = around
    surface, body = _surface(b, of, electrons)
    signal = torch.where(body, surface, ground)
    codes = torch.where(edge > 0, FACE, torch.where(body | there, BODY, BACKGROUND))
    lap = torch.sigmoid(of.edge / b.uniform(0.2, 0.9))
    rim = torch.exp(-of.edge.clamp(min=0) / b.log_uniform(1, 9)) * b.uniform(0.2, 1)
    signal = lap * (electrons + b.pick(0, 0, 0.2, 0.6, -0.15) * rim) + (1 - lap) * signal
    depth = torch.where(of.depth < _FAR, of.depth, below).minimum(6 * of.solid.thick)
    return _over(b, edge, signal * _shade(b, depth, of.solid.thick), codes)


def _alone(b: Batch, of: _Seen, depth: Tensor | None) -> tuple[Place, Finish]:
    """Return a piece on its own: over a ground at a ``depth``, or lying on a floor."""
    place = zones(b, of.solid.x, of.solid.y, of.t, of.solid.thick, of.edge)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        ground = _ground(b, of)
        ground, below = _floor(b, of, ground) if depth is None else (ground, depth + 0 * ground)
        return _joined(b, of, of.edge, electrons, ground, below, of.edge > _FAR)

    return place, finish


def standing_slab(b: Batch) -> tuple[Place, Finish]:
    """Return pieces that stand with the cut face up, the ground far below them."""
    of = _seen(b, _solid(b, _axes(b, 0.15, 0.9), 0.35, 0.5))
    return _alone(b, of, of.solid.deep * b.log_uniform(1, 3))


def lying_wedge(b: Batch) -> tuple[Place, Finish]:
    """Return pieces that lie on a floor, seen from low: floor before and behind, ends, top."""
    solid = _solid(b, _axes(b, 0.12, 0.75), 0.6, 0.6)
    steep = torch.where(b.chance(0.3) > 0, 0.0, -b.log_uniform(0.03, 1.2))
    shift = (b.chance(0.6) * b.uniform(-0.7, 0.7), steep)
    sag, swell = (solid.sag[0], 0.1 * solid.sag[1]), (solid.swell[0].clamp(max=0.3), 0 * steep)
    solid = replace(solid, shift=shift, sag=sag, swell=swell)
    return _alone(b, _seen(b, solid), None)


def lens_section(b: Batch) -> tuple[Place, Finish]:
    """Return whole sections of a lens, biconvex or plano, both ends seen, edges round or square."""
    solid = _solid(b, _axes(b, 0.12, 0.85), 1.0, 0.9)
    ends = (solid.ends[0] * b.uniform(0.7, 1.5), solid.ends[1] * b.uniform(0.7, 1.5))
    solid = replace(solid, ends=ends, taper=0.3 * solid.taper, shrink=1.5 * solid.shrink)
    return _alone(b, _seen(b, solid), solid.deep * b.pick(0.1, 1, 2))


def piece_on_piece(b: Batch) -> tuple[Place, Finish]:
    """Return two pieces: side by side, or one on another, whose smooth side is no cut face."""
    x, y, thick, span = _axes(b, 0.12, 0.55)
    of = _seen(b, _solid(b, (x, y, thick, span), 0.4, 0.5))
    turn, wide = b.pick(0, 0, 1) * b.uniform(-1, 1), b.log_uniform(0.5, 1.6) * thick
    away = torch.where(b.chance(0.6) > 0, (thick + wide) / 2 + b.log_uniform(0.01, 0.4) * thick,
                       b.uniform(0, 0.6) * thick) * b.pick(-1, 1)  # fmt: skip
    u, v = torch.cos(turn) * x + torch.sin(turn) * y, torch.cos(turn) * y - torch.sin(turn) * x
    other = _seen(b, _solid(b, (u, v - away, wide, span), 0.5, 0.6))
    faced = b.chance(0.5) * (away.abs() > (thick + wide) / 2) * (turn == 0)
    behind = torch.minimum(other.edge, -of.outline - 1)
    edge = torch.maximum(of.edge, torch.where(faced > 0, behind, -_FAR))
    second = (faced > 0) & (behind > of.edge)
    place = zones(b, x, y, torch.where(second, other.t, of.t), thick, edge)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        there = other.depth < _FAR
        side, _ = _surface(b, other, electrons)
        top = b.uniform(0.3, 1.4) + _own_surface(b, u, v) + b.uniform(-0.3, 0.3) * v / wide
        side = torch.where(other.edge > 0, torch.where(second, electrons, top), side)
        ground = torch.where(there, side, _ground(b, other))
        below = b.pick(0, 0.1, 0.6) * thick + torch.where(there, other.depth, other.solid.deep)
        return _joined(b, of, edge, electrons, ground, below, there)

    return place, finish


SCENES: tuple[Scene, ...] = (standing_slab, lying_wedge, piece_on_piece, lens_section)
