"""Scenes in which the cut face is the quietest thing in the picture and all around it is loud.

A laser zone may be smooth, a torn one a mirror, a scissor zone smeared, while the lens's own
surface beside it carries mould lines, wrinkles, polishing marks, frost, cells or droplets at the
same grey. Form tells them apart: the face is a slab between two long edges that run together, in
perspective; the grey jumps, kinks or brightens at the crease; steps and facets of the cut run
from zone to zone and stop at the edge, where what lies on the lens stops too. Reliefs are heights
lit from one side, steep flanks brighter (yield about 1 / cos of the tilt; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from edgeqc.training import scene_materials as materials
from edgeqc.training import strip_fields as fields
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid, wandering
from edgeqc.training.strip_fields import Batch, blur, noise, standardised, turned
from edgeqc.training.strip_places import Place, littered

_NEVER, _FAR = -999.0, 9e3


@dataclass(frozen=True)
class _Slab:
    """A slab's cut face: position in the slab's own plane, and distances to its borders."""

    along: Tensor
    t: Tensor
    edge: Tensor
    out: tuple[Tensor, Tensor]
    ends: Tensor
    thickness: Tensor
    angle: Tensor


@dataclass(frozen=True)
class _Habit:
    """What a scene makes of its slabs; shares but for the greatest thickness and the view."""

    thick: float
    view: float
    ended: float
    shown: float
    wide: float
    sharp: float
    grounds: tuple[materials.Material, ...]


def _gauss(x: Tensor) -> Tensor:
    return torch.exp(-(x**2).clamp(max=30))


def _true(level: Tensor) -> Tensor:
    """Return a level as a distance: over its own steepness."""
    down, right = torch.gradient(level, dim=(1, 2))
    return level / torch.sqrt(down**2 + right**2).clamp(0.5, 3)


def _ends(b: Batch, u: Tensor, v: Tensor, thickness: Tensor, share: float) -> tuple[Tensor, Tensor]:
    """Return the distances inside the ends of the cut and of the lens."""
    cut = clean = torch.full_like(u, _FAR)
    for sign in (-1, 1):
        far = torch.where(b.chance(share) > 0, b.uniform(0.12, 0.45), 4.0) * b.cols
        skew = b.pick(0, 0.1, 0.3, 0.8) * b.normal().clamp(-2, 2)
        bow = b.chance(0.4) * b.uniform(-0.8, 0.8) / thickness
        line = _true(far - sign * u + skew * v + bow * v**2)
        rough = 0.4 + b.pick(0, 0.01, 0.03, 0.08) * b.uniform(0.3, 1) * thickness
        rough = wandering(b, v, rough, b.log_uniform(5, 90)).clamp(-0.2 * far, 0.2 * far)
        cut = torch.minimum(cut, line + rough)
        more = b.pick(0, 0, 0, 0, -0.04, 0.05, 0.5, 9) * b.uniform(0.3, 1) * thickness
        clean = torch.minimum(clean, line + more + wandering(b, v, b.pick(0, 3), b.uniform(9, 90)))
    return cut, clean


def _slab(b: Batch, habit: _Habit) -> _Slab:
    """Return slabs of nearly constant thickness, bent as a whole, in perspective."""
    short = min(b.rows, b.cols)
    thickness = b.uniform(0.2, habit.thick) * short
    quarter = (math.pi / 2) * b.pick(0, 0, 1, 2, 3) + 0.06 * b.normal()
    angle = torch.where(b.chance(0.6) > 0, quarter, b.uniform(-3.14, 3.14))
    x, y = turned(b, angle)
    y = y + b.uniform(-1, 1) * ((short - thickness) / 2 + 0.1 * thickness)
    x = x + b.uniform(-0.15, 0.15) * b.cols
    lean = habit.view * (1.4 * b.normal() * x + 0.7 * b.normal() * y) / b.cols
    u, v = (axis / (1 + lean).clamp(0.5, 1.8) for axis in (x, y))
    v = v + b.chance(0.6) * b.uniform(-0.4, 0.4) / b.cols * u**2
    knee = b.chance(0.13) * b.uniform(-0.35, 0.35)
    v = v + knee * torch.sqrt((u - b.uniform(-0.25, 0.25) * b.cols) ** 2 + b.log_uniform(30, 3000))
    v = v + wandering(b, u, b.pick(0, 0, 0.01, 0.025) * b.cols, b.uniform(60, 300))
    pitch = thickness * (1.05 + b.log_uniform(0.02, 0.6))
    paired, way = b.chance(0.17), b.pick(-1, 1)
    between = torch.where(paired > 0, (v * way - pitch / 2).abs() - 1.5, _FAR)
    second = (v * way > pitch / 2).float() * paired
    v, u = v - second * pitch * way, u + second * b.uniform(-0.3, 0.3) * b.cols
    belly = b.chance(0.5) * b.uniform(-0.5, 0.5) * ((u / b.cols) ** 2 - 0.05)
    half = thickness / 2 * (1 + belly + b.pick(0, 0.1) * b.normal() * u / b.cols).clamp(min=0.7)
    inward = _true(v + half), _true(half - v)
    cut, clean = _ends(b, u, v, thickness, habit.ended)
    edge = torch.minimum(cut, between)
    radius = b.pick(0, 0, 0.05, 0.2) * b.uniform(0.3, 1) * thickness
    for side in inward:
        fine = b.pick(0.2, 0.4, 1, 2.5) * b.uniform(0.3, 1)
        line = side + wandering(b, u, fine, b.log_uniform(2, 50))
        width = b.log_uniform(0.01, 0.12) * b.cols
        x = (u - b.uniform(-0.5, 0.5) * b.cols) / width  # a chip, or a lip
        shape = torch.where(b.chance(0.5) > 0, (1 - x.abs()).clamp(min=0), _gauss(x))
        line = line - b.chance(0.4) * b.uniform(-0.3, 0.9) * width.minimum(0.2 * thickness) * shape
        corner = torch.hypot((radius - line).clamp(min=0), (radius - edge).clamp(min=0))
        edge = radius - corner + (torch.minimum(line, edge) - radius).clamp(min=0)
    edge = edge + b.pick(0, 0.3, 0.8) * b.uniform(0.3, 1) * noise(b, b.log_uniform(1.5, 12))
    return _Slab(u, (v + half) / (2 * half), edge, (-inward[0], -inward[1]),
                 torch.minimum(clean, between), thickness, angle)  # fmt: skip


def _lit(b: Batch, height: Tensor) -> Tensor:
    """Return a relief lit from one side, with bright flanks; mean 0, standard deviation 1."""
    down, right = torch.gradient(height, dim=(1, 2))
    light = b.uniform(-3.14, 3.14)
    facing = standardised(torch.cos(light) * right + torch.sin(light) * down)
    return standardised(torch.lerp(facing, standardised(torch.hypot(down, right)), b.uniform(0, 1)))


def _domes(b: Batch, s: Tensor, w: Tensor, size: Tensor, gaps: Tensor, large: Tensor) -> Tensor:
    """Return the height of scattered round domes of many sizes, in samples, 0 between them."""
    top = torch.zeros_like(s)
    even = b.uniform(0.3, 2.5)
    for u, v, _, other in fields.places(s / size, w / size, b.uniform(0.15, 0.3), gaps).near():
        radius = large * (0.1 + 0.9 * other**even)
        top = torch.maximum(top, radius**2 - u * u - v * v)
    return size * (top + 1e-6).sqrt()


def _ribbed(b: Batch, position: Tensor, finest: float, coarsest: float) -> Tensor:
    """Return parallel lines of a random profile."""
    line = fields.lines(b.size, 4096, b.log_uniform(finest, coarsest)[:, 0], b.device)
    return fields.at_line(line, (position + 2000).remainder(4090.0))


def _lined(b: Batch, s: Tensor, w: Tensor, angle: Tensor) -> Tensor:
    """Draw lines of a mould or lathe along the edge, or crossing marks of polishing, in patches."""
    total = -b.uniform(0, 2) * materials.scratches(b, 3)
    made = b.chance(0.5)
    for _ in range(2):
        turn = torch.where(made > 0, b.pick(0, 0.1) * b.normal(), b.uniform(-3.14, 3.14))
        line = torch.cos(turn) * w + torch.sin(turn) * s + b.uniform(-0.5, 0.5) / b.cols * s**2
        patch = 4 * _ribbed(b, torch.cos(turn) * s - torch.sin(turn) * w, 20, 120) + 2 * made
        total = total + b.uniform(0.1, 1) * torch.sigmoid(patch) * _ribbed(b, line, 0.7, 8)
    return total + made * b.uniform(0, 2) * _ribbed(b, line, 5, 40)


def _skinned(b: Batch, s: Tensor, w: Tensor, angle: Tensor) -> Tensor:
    """Draw a film that shrank to sharp crests, of a direction or of none; or frost, or a haze."""
    turn = angle + b.pick(0, 0.4, 1.57) * b.uniform(0.4, 1)
    frost = b.chance(0.4)
    length = torch.where(frost > 0, b.log_uniform(1.2, 20), b.log_uniform(8, 70))
    field = noise(b, length, anisotropy=b.log_uniform(1.1, 14) ** (1 - frost), angle=turn,
                  exponent=b.uniform(0.6, 1.8))  # fmt: skip
    crest = torch.sqrt((field - b.uniform(-0.6, 0.6)) ** 2 + b.log_uniform(0.002, 0.1))
    dense = (1.2 + _ribbed(b, w + s * b.normal(), 15, 120)).clamp(0.1, 3)
    return torch.where(frost > 0, field * dense, -crest)


def _celled(b: Batch, s: Tensor, w: Tensor, angle: Tensor) -> Tensor:
    """Draw cells on the lens: flat hills side by side, with kernels or threads between."""
    size = b.log_uniform(9, 75)
    push = b.uniform(0.05, 0.3) * noise(b, size)
    of = fields.places(s / size + push, w / size - push, b.uniform(0.15, 0.4), b.pick(0, 0, 0.3))
    near, second, value, off_u, off_v = fields.cells(of)
    kernel = _gauss(torch.hypot(off_u - 0.1, off_v) / b.uniform(0.1, 0.25))
    hill = ((second - near) / 0.25).clamp(0, 1) * (0.5 + value)
    return size * (hill * b.pick(1, -1) + b.pick(0, 0.5, 1.5) * kernel)


def _dropped(b: Batch, s: Tensor, w: Tensor, angle: Tensor) -> Tensor:
    """Draw droplets, beads or blisters that dried on the lens, and a haze between them."""
    size = b.log_uniform(10, 90)
    wave = b.uniform(0, 0.12) * size * noise(b, size)
    top = _domes(b, s + wave, w - wave, size, b.uniform(0, 0.8), b.uniform(0.2, 0.5))
    return top + b.log_uniform(0.02, 0.4) * noise(b, b.log_uniform(1.5, 20))


_RELIEFS = (_lined, _lined, _skinned, _skinned, _celled, _dropped)


def _texture(b: Batch, s: Tensor, w: Tensor, angle: Tensor) -> Tensor:
    """Return lens textures, several kinds in one batch: mean 0, standard deviation 1."""
    plane = torch.zeros_like(s)
    which = torch.randint(3, (b.size,))
    for number, kind in enumerate(torch.randperm(len(_RELIEFS))[:3].tolist()):
        at = torch.nonzero(which == number)[:, 0].to(b.device)
        if at.numel():
            part = b.part(int(at.numel()))
            plane[at] = _lit(part, _RELIEFS[kind](part, s[at], w[at], angle[at]))
    return plane.clamp(-4, 4)


def _netted(b: Batch) -> Tensor:
    """Draw open foam, struts in front of dimmer ones, or the curled plates of dried paint."""
    foam, size = b.chance(0.5), b.log_uniform(25, 180)
    s, w = turned(b, b.uniform(-3.14, 3.14))
    bend = noise(b, 0.3 * size)
    grain = noise(b, b.log_uniform(1.5, 14), exponent=b.uniform(0.4, 1.4))
    plane = b.uniform(0, 0.25) + 0.03 * grain
    for depth in (0.45, 1.0):
        wave = b.uniform(0.03, 0.15) * size * bend
        of = fields.places((s + wave) / size + 3 * depth, (w - wave) / size, b.uniform(0.2, 0.45),
                           0 * size)  # fmt: skip
        near, second, value, off_u, _ = fields.cells(of)
        gap = (second - near) * size
        strut = b.uniform(0.06, 0.3) * (0.6 + 0.8 * value) * size - gap
        solid = torch.where(foam > 0, strut, gap - b.log_uniform(1, 10) * (0.6 + value) - bend)
        rim = torch.exp(-solid.clamp(min=0) / (b.uniform(0.03, 0.25) * size))
        tone = b.uniform(0.4, 1.1) + b.uniform(0, 0.7) * rim + b.uniform(0, 0.8) * rim * off_u
        tone = depth * (tone + 0.3 * (value - 0.5) + b.log_uniform(0.02, 0.25) * grain)
        plane = laid(plane * (1 - 0.5 * torch.exp(solid.clamp(max=0) / 5)), tone, solid, 0.8)
        size = size * b.uniform(0.8, 1.3)
    return plane


def _paper(b: Batch) -> Tensor:
    """Draw paper or felt: flat, twisted and broken fibres over each other."""
    plane = b.uniform(0.05, 0.4) + 0.05 * noise(b, b.log_uniform(2, 30))
    kin, spread = b.uniform(-3.14, 3.14), b.pick(0.3, 0.8, 2)
    wide = b.log_uniform(0.006, 0.035) * b.cols
    for layer in range(7):
        s, w = turned(b, kin + spread * b.normal())
        w = w + wandering(b, s, b.uniform(2, 0.05 * b.cols), b.uniform(50, 250))
        pitch, long = wide * b.uniform(2.5, 8), b.log_uniform(0.3, 3) * b.cols
        lane = torch.floor(w / pitch)
        piece = torch.floor(s / long + 0.37 * lane)
        found = fields.numbers_at(torch.rand(3, b.size, 2048, device=b.device), lane, piece)
        twist = 0.75 + 0.25 * torch.sin(s / wide * (0.05 + 0.3 * found[2]) + 9 * found[0])
        half = wide * (0.3 + 0.7 * found[0]) * twist
        x = (w / pitch - lane - 0.5 + 0.3 * (found[1] - 0.5)) * pitch / half
        inside = torch.minimum(half * (1 - x.abs()), _NEVER * (found[2] - 0.8))
        x = x.clamp(-1, 1)
        tone = 0.35 + 0.08 * layer + 0.35 * found[1] + b.uniform(0, 0.6) * x.abs() ** 3 + 0.1 * x
        plane = laid(plane * (1 - 0.5 * torch.exp(inside.clamp(max=0) / 4)), tone, inside, 0.8)
    return plane * b.uniform(0.7, 1.3)


def _bubbled(b: Batch) -> Tensor:
    """Draw tape or resin with burst bubbles, or beads of sintered metal grown together."""
    s, w = turned(b, b.uniform(-3.14, 3.14))
    bead, size = b.chance(0.5), b.log_uniform(12, 110)
    skin = noise(b, b.log_uniform(1.2, 120), anisotropy=b.log_uniform(1, 8), angle=b.normal())
    skin = b.log_uniform(0.01, 0.1) * size * skin
    loose = torch.where(bead > 0, 0.0, b.uniform(0.1, 0.8))
    height = 0.8 * _domes(b, w - skin, s + skin, b.uniform(0.4, 1) * size, loose, 0.3 + 0.4 * bead)
    large = b.uniform(0.2, 0.6) + 0.15 * bead
    height = height.maximum(_domes(b, s + skin, w, size, b.uniform(0, 0.7), large))
    lit = _lit(b, torch.where(bead > 0, height, -height) + skin).clamp(-2.5, 3.5)
    deep = (height / (0.4 * size)).clamp(0, 1)
    dark = b.uniform(0, 0.9) * torch.where(bead > 0, (1 - deep) ** 2, deep)
    return (b.uniform(0.3, 1.2) + b.log_uniform(0.04, 0.35) * lit) * (1 - dark)


_ROUGH = (_netted, _netted, _paper, _bubbled, _bubbled)
_CALM = (materials.far_void, materials.flat_wafer, materials.polished_metal, materials.turned_metal)


def _smear(plane: Tensor, angle: Tensor, along: Tensor, across: Tensor) -> Tensor:
    """Return every member blurred, more along one direction than across it."""
    rows, cols = plane.shape[-2:]
    f_row = torch.fft.fftfreq(rows, device=plane.device)[None, :, None]
    f_col = torch.fft.rfftfreq(cols, device=plane.device)[None, None, :]
    one = (torch.cos(angle) * f_col + torch.sin(angle) * f_row) * along
    two = (torch.cos(angle) * f_row - torch.sin(angle) * f_col) * across
    gain = torch.exp(-(2 * math.pi**2 * (one**2 + two**2)).clamp(max=60))
    return torch.fft.irfft2(torch.fft.rfft2(plane) * gain, s=(rows, cols))


def _quieted(b: Batch, p: _Slab, place: Place, electrons: Tensor) -> Tensor:
    """Return the zones' electrons with one zone, or all, calmed over a part or the whole."""
    every = b.chance(0.4) > 0
    zone = ((place.codes == torch.randint(3, (b.size, 1, 1), device=b.device)) | every).float()
    x = p.along / b.cols - b.uniform(-0.4, 0.4)
    x = x + 0.2 * b.normal() * (p.t.clamp(-1, 2) - 0.5)
    half = torch.sigmoid(b.pick(-1, 1) * x / b.log_uniform(0.005, 0.2))
    field = noise(b, b.uniform(0.06, 0.3) * b.cols, exponent=1.5)
    patch = torch.sigmoid((field + b.uniform(-0.5, 1)) / b.log_uniform(0.05, 0.6))
    part = torch.where(b.chance(0.3) > 0, half, torch.where(b.chance(0.35) > 0, patch, 1.0))
    part = part * b.chance(0.88) * zone
    wide = b.log_uniform(4, 60)
    narrow = torch.where(b.chance(0.4) > 0, b.log_uniform(0.5, 2.5), wide)
    turn = p.angle + b.pick(0, 0, 1.57, 0.3) + 0.2 * b.normal()
    zone = zone * (p.edge > 0)
    share = _smear(zone, turn, wide, narrow).clamp(min=0) + 1e-3
    mean = (_smear(electrons * zone, turn, wide, narrow) + 1e-3) / share
    far = torch.hypot(x * b.cols, (p.t - b.uniform(-1, 2)) * p.thickness)
    arcs = b.pick(0, 0, 0.01, 0.03) * _ribbed(b, far, 2, 25)  # of a mirror, about its origin
    calm = mean + arcs + b.pick(0, 0.04, 0.12, 0.25) * b.uniform(0.3, 1) * (electrons - mean)
    return torch.lerp(electrons, calm.clamp(0, 2.5), part)


def _run_through(b: Batch, p: _Slab, face: Tensor) -> Tensor:
    """Return the face with steps, hairlines and facets that cross its zones from edge to edge."""
    v = (p.t.clamp(-1, 2) - 0.5) * p.thickness
    some = b.chance(0.6)
    for _ in range(4):
        lean = b.pick(0.1, 0.5, 2) * b.normal().clamp(-2, 2)
        line = p.along - b.uniform(-0.5, 0.5) * b.cols + lean * v
        line = (line + b.uniform(-0.6, 0.6) / p.thickness * v**2) / torch.sqrt(1 + lean**2)
        line = line + wandering(b, v, b.pick(0, 0.5, 3), b.log_uniform(6, 90))
        face = face + some * b.uniform(-0.3, 0.4) * _gauss(line / b.log_uniform(0.7, 5))
        tone = b.uniform(-0.25, 0.25) * b.chance(0.4) * (line > 0)
        face = face * (1 + tone * torch.exp(-line.clamp(min=0) / (b.log_uniform(0.05, 3) * b.cols)))
    return face * (1 + b.pick(0, 0.2, 0.5) * b.uniform(-1, 1) * (p.t.clamp(0, 1) - 0.5))


def _lens(b: Batch, p: _Slab, side: int, grey: Tensor, wide: float
          ) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    """Return a lens surface beside an edge: electrons, distance inside it, and its crease."""
    around = b.chance(0.15)
    out = torch.where(around > 0, -p.edge, p.out[side])
    reach = torch.where(b.chance(wide) > 0, b.log_uniform(0.2, 5), b.log_uniform(0.01, 0.2))
    reach = (reach * p.thickness).clamp(min=2)
    border = reach * (1 + b.pick(0, 0, 1, 3) * b.uniform(-1, 1) * p.along / b.cols).clamp(0, 2)
    border = border + wandering(b, p.along, b.pick(0.3, 1, 4), b.uniform(8, 200))
    inside = torch.minimum(_true(border - out), torch.where(around > 0, _FAR, p.ends))
    inside = inside.minimum(out + 0.25 * p.thickness).minimum(2.1 * reach + p.edge)
    x = (out / reach).clamp(0, 1)
    away = out.clamp(-50, 4000) / b.uniform(0.3, 1) * (1 + b.pick(0, 0.3, 1) * x**2)
    texture = _texture(b, p.along, away, p.angle)
    # the tilt changes at the crease, so the grey does, or only its slope
    jump = torch.where(b.chance(0.5) > 0, 0.04 * b.normal(), b.uniform(-0.6, 0.7)).clamp(-0.7, 0.8)
    tone = grey * (1 + jump) * (1 + b.pick(0, -0.5, -0.2, 0.3, 0.6) * b.uniform(0.3, 1) * x)
    plane = tone * (1 + b.log_uniform(0.015, 0.28) * texture)
    bevel = torch.sigmoid(b.uniform(0.1, 0.6) * reach - out)
    plane = plane * (1 + b.chance(0.25) * b.uniform(-0.4, 0.4) * bevel)
    limb = b.pick(0, 0, 0.3, 0.8, -0.4) * b.uniform(0.3, 1)
    plane = plane + limb * torch.exp(-inside.clamp(min=0) / b.log_uniform(1, 15))
    crease = 0.7 + wandering(b, p.along, b.pick(0, 0.5), b.uniform(10, 120)).clamp(-0.5, 0.5)
    crease = crease * b.pick(0, 0.3, 0.7, -0.4) * _gauss(p.edge / b.log_uniform(0.7, 3))
    round_off = b.pick(0, 0, 0.25, -0.3) * torch.exp(-out.clamp(min=0) / b.log_uniform(2, 20))
    return (plane + round_off).clamp(0, 2.8), inside, crease


def _scene(b: Batch, habit: _Habit) -> tuple[Place, Finish]:
    """Return slabs' zones, and what draws ground, lens and face above each other."""
    p = _slab(b, habit)
    place = zones(b, p.along, (p.t - 0.5) * p.thickness, p.t, p.thickness, p.edge)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        face = _run_through(b, p, _quieted(b, p, place, electrons))
        member = (p.edge > 0).float() * torch.stack([p.t < 0.5, p.t >= 0.5]).float()
        greys = (member * face).sum(dim=(2, 3), keepdim=True) + 1.0
        greys = (greys / (member.sum(dim=(2, 3), keepdim=True) + 1.0)).clamp(0.25, 1.9)
        first, both, some = b.chance(0.5), b.chance(0.37), b.chance(habit.shown)
        solid, layers = p.edge, []
        for side in (0, 1):
            shown = (some > 0) & ((first == side) | (both > 0))
            plane, inside, crease = _lens(b, p, side, greys[side], habit.wide)
            inside = torch.where(shown, inside, _NEVER)
            layers.append((plane, inside, crease * shown * ((p.t < 0.5) == (side == 0))))
            solid = torch.maximum(solid, inside)
        signal = materials.drawn(b, habit.grounds)
        signal = blur(signal, torch.where(b.chance(habit.sharp) > 0, 0.1, b.log_uniform(1, 12)))
        alike = greys.mean(dim=0) / signal.mean(dim=(1, 2), keepdim=True).clamp(min=0.15)
        signal = signal * torch.where(b.chance(0.4) > 0, alike, 1.0) * b.uniform(0.7, 1.15)
        signal = signal * (1 + b.pick(0, 0.2, 0.7) * turned(b, b.uniform(-3, 3))[0] / b.cols)
        solid = solid.clamp(max=0)
        dark = b.pick(0, 0.5, 0.9) * torch.sigmoid(b.pick(-4, 0, 4) * (p.t - 0.5))
        signal = signal * (1 - dark * torch.exp(solid / b.log_uniform(3, 60)))
        signal = signal + b.pick(0, 0, 0.25) * torch.exp(solid / b.log_uniform(3, 60))
        codes = torch.zeros_like(p.edge, dtype=torch.long)
        for plane, inside, _ in layers:
            signal = laid(signal, plane, inside, b.uniform(0.3, 1))
            codes = torch.where(inside > 0, 1, codes)
        rim = b.pick(0, 0, 0.15, 0.35, -0.15)
        face = face + rim * torch.exp(-p.edge.clamp(min=0) / b.log_uniform(0.8, 10))
        signal = laid(signal, littered(b, place, face)[0], p.edge, b.uniform(0.25, 1))
        signal = (signal + layers[0][2] + layers[1][2]).clamp(0, 3)
        return signal, torch.where(p.edge > 0, 2, codes)

    return place, finish


def beside_a_loud_lens(b: Batch) -> tuple[Place, Finish]:
    """Draw a quiet face whose lens, of like grey, carries all the texture; a calm ground."""
    return _scene(b, _Habit(0.85, 0.15, 0.35, 0.69, 0.75, 0.4, (*_CALM, _bubbled)))


def on_rough_ground(b: Batch) -> tuple[Place, Finish]:
    """Draw a quiet face in front of sponge, paper, pits, cracks or beads as rough as a cut."""
    return _scene(b, _Habit(0.75, 0.06, 0.5, 0.55, 0.4, 0.8, _ROUGH))


def faceted_in_perspective(b: Batch) -> tuple[Place, Finish]:
    """Draw a slab that runs away from the eye, broken into facets, its lens wide beside it."""
    return _scene(b, _Habit(0.7, 0.3, 0.45, 0.65, 0.65, 0.6, (*_ROUGH, *_CALM[:3])))


SCENES: tuple[Scene, ...] = (beside_a_loud_lens, on_rough_ground, faceted_in_perspective)
