"""Whole scenes as a laboratory sees them that looks at uncoated pieces in low vacuum.

Backscattered electrons tell the material more than the form (yield by atomic number: carbon and
polymers 0.06, silicone 0.1, silicon and aluminium 0.16, silver 0.4; Goldstein's textbook, from
memory): light is flat, edges hardly shine, a lens's own surface is as grey as its cut face. The
gas spreads some of the beam far about (a skirt), and what charge it leaves drifts slowly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_materials import any_angle, scratches, spots
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import BACKGROUND, BODY, FACE, laid, wandering
from edgeqc.training.strip_fields import Batch, blur, lines, noise, numbers_at, turned
from edgeqc.training.strip_places import Place

_NONE = -999.0  # the distance inside a thing that is not there
_Trio = tuple[Tensor, Tensor, Tensor]
_Drawn = tuple[Tensor, Tensor]
_Painted = tuple[Tensor, float, float]


@dataclass(frozen=True)
class _Lay:
    """Distances inside border and ends, beyond either long border, and beyond it without burrs."""

    along: Tensor
    edge: Tensor
    over: tuple[Tensor, Tensor]
    plain: tuple[Tensor, Tensor]
    ends: Tensor
    thickness: Tensor


def _metric(x: Tensor, steepest: float = 6.0) -> Tensor:
    """Return a signed field as a distance in samples near where it changes its sign."""
    down, along = torch.gradient(x, dim=(1, 2))
    return x / torch.sqrt(down**2 + along**2).clamp(0.4, steepest)


def _soft_min(one: Tensor, other: Tensor, radius: Tensor) -> Tensor:
    """Return the lesser of two distances, with the corner between them rounded."""
    return -radius * torch.logaddexp(-one / radius, -other / radius)


def _axes(b: Batch, low: float, high: float, free: float) -> _Trio:
    """Return positions along and across an axis of any direction, and a thickness in samples."""
    angle = math.pi / 2 * b.pick(0, 0, 1, 1, 2, 3)
    angle = angle + torch.where(b.chance(free) > 0, any_angle(b), 0.05 * b.normal())
    thickness = min(b.rows, b.cols) * b.uniform(low, high)
    along, across = turned(b, angle)
    side = torch.cos(angle).abs() * b.rows + torch.sin(angle).abs() * b.cols
    room = (side - thickness).clamp(min=0) * b.uniform(0.15, 0.45) + 0.08 * thickness
    return along + 0.12 * b.cols * b.normal(), across + room * b.uniform(-1, 1), thickness


def _worn(b: Batch, along: Tensor, thickness: Tensor) -> _Drawn:
    """Return how far a long border stands out in steps, and further in bites, rags and burrs."""
    place = along - b.uniform(-0.4, 0.4) * b.cols
    step = b.chance(0.2) * b.uniform(-0.3, 0.15) * thickness
    step = step * torch.sigmoid(place / b.log_uniform(0.7, 0.06 * b.cols))
    out = torch.zeros_like(along)
    for _ in range(3):
        width = b.log_uniform(0.006, 0.13) * b.cols
        x = ((along - b.uniform(-0.5, 0.5) * b.cols) / width).abs()
        bite = (1 - x ** b.pick(1, 2)).clamp(min=0) ** b.pick(0.5, 1)
        most = b.chance(0.22) * torch.minimum(1.3 * width, 0.25 * thickness)
        out = out + b.uniform(-0.9, 0.4) * most * bite
    out = out + wandering(b, along, b.pick(0, 0.2, 0.5, 1.2, 3), b.log_uniform(2, 90))
    spikes = wandering(b, along, b.uniform(1, 1), b.log_uniform(1.5, 12))
    burr = b.chance(0.2) * b.log_uniform(0.004, 0.03) * thickness * torch.sigmoid(place / 30)
    return step, out + burr * (spikes - b.uniform(0, 1.5)).clamp(min=0)


def _ends(b: Batch, along: Tensor, across: Tensor, share: float) -> Tensor:
    """Return the distance inside both ends, straight, slanted, torn or rounded."""
    inside = torch.full_like(along, 1e4)
    for sign in (-1, 1):
        far = torch.where(b.chance(share) > 0, b.uniform(0.12, 0.5), 4.0) * b.cols
        slant = torch.where(b.chance(0.5) > 0, 0.05, 0.5) * b.normal()
        bulge = b.chance(0.3) * b.uniform(-0.6, 1) / b.cols
        end = far - sign * along + slant * across - bulge * across**2
        torn = wandering(b, across, b.pick(0, 0.3, 1, 4), b.log_uniform(4, 60))
        inside = torch.minimum(inside, _metric(end + torn))
    return inside


def _laid_out(b: Batch, at: _Trio, front: Tensor, back: Tensor, ends: Tensor) -> tuple[_Lay, Place]:
    """Return faces between two profiles of the lens, with worn borders and corners."""
    along, across, thickness = at
    steps, wear = zip(*(_worn(b, along, thickness) for _ in range(2)), strict=True)
    front = front - steps[0]
    back = torch.maximum(back + steps[1], front + 0.15 * thickness)
    plain = _metric(front - across, 1.3), _metric(across - back, 1.3)
    front, back = front - wear[0], torch.maximum(back + wear[1], front - wear[0] + 4)
    over = _metric(front - across), _metric(across - back)
    corner = b.pick(0.002, 0.01, 0.03, 0.1) * thickness
    edge = _soft_min(-torch.maximum(*over), ends, corner)
    edge = edge + b.pick(0, 0, 0.4, 1) * b.uniform(0.3, 1) * noise(b, b.log_uniform(2, 25))
    lay = _Lay(along, edge, over, plain, ends, thickness)
    return lay, zones(b, along, across, (across - front) / (back - front), thickness, edge)


def _paper(b: Batch) -> Tensor:
    """Draw filter paper or card: fibres over fibres, white filler between them."""
    plane = b.uniform(0.3, 0.9) + 0.1 * noise(b, b.log_uniform(2, 20))
    common, spread, empty = any_angle(b), b.pick(0.5, 1.6, 3.1), b.uniform(0.05, 0.6)
    half = b.log_uniform(0.003, 0.022) * b.cols
    tone, flank, dark = b.uniform(0.05, 0.4), b.uniform(-0.1, 0.4), b.uniform(0, 0.5)
    for layer in range(6):
        along, across = turned(b, common + spread * b.uniform(-1, 1))
        bend = torch.sin(along / (half * b.log_uniform(10, 50)) + any_angle(b))
        across, pitch = across + b.uniform(0, 9) * half * bend, half * b.uniform(3, 6)
        row = torch.floor(across / pitch)
        shift = numbers_at(torch.rand(b.size, 1024, device=b.device), row, row)
        u = along / (half * b.log_uniform(25, 140)) + 7 * shift
        piece = torch.floor(u)
        found = numbers_at(torch.rand(4, b.size, 4096, device=b.device), piece, row)
        width = half * (0.45 + 0.7 * found[0]) * (1 - (2 * (u - piece) - 1) ** 8)
        x = (across - (row + 0.5) * pitch - (found[1] - 0.5) * (pitch - 2 * half)).abs()
        inside = torch.where(found[3] < empty, _NONE, width - x)
        hollow = (x / width.clamp(min=0.5)).clamp(max=1) ** 3 - 0.3
        body = 0.7 + 0.05 * layer + tone * (2 * found[2] - 1) + flank * hollow
        shade = dark * torch.exp(inside.clamp(-60, 0) / (0.6 * half))
        plane = laid(plane * (1 - shade), body, inside)
        del found, u, piece, row, shift, width, x, inside, hollow, body, shade
    filler, _ = spots(b, b.log_uniform(6, 25), b.uniform(0.3, 0.9), b.uniform(0.5, 1))
    return plane + b.chance(0.5) * b.uniform(0.2, 1.2) * filler


def _flat(b: Batch) -> Tensor:
    """Draw a sticky tab, wafer or glass: bare, wiped, pitted, wrinkled or pulled into threads."""
    hole, rim = spots(b, b.log_uniform(10, 130), b.uniform(0.2, 1), b.log_uniform(0.6, 5))
    plane = 1 + b.chance(0.6) * (b.uniform(0, 0.4) * rim - b.uniform(-0.4, 0.5) * hole)
    film = noise(b, b.log_uniform(15, 200), angle=any_angle(b), anisotropy=b.pick(1, 1, 8, 60))
    plane = plane + b.pick(0, 0.01, 0.04, 0.1) * film
    plane = plane + b.log_uniform(0.003, 0.06) * noise(b, b.log_uniform(0.8, 8))
    fold = noise(b, b.log_uniform(15, 120), angle=any_angle(b), anisotropy=b.log_uniform(2, 30))
    crest = torch.exp(-fold.abs() / b.uniform(0.03, 0.25)) - 0.5 * torch.sigmoid(6 * (fold - 1))
    return plane + b.pick(0, 0, 0.15, 0.4) * crest


def _metal(b: Batch) -> Tensor:
    """Draw a stub or a clip: turned, brushed or blasted metal, with scratches."""
    along, across = turned(b, any_angle(b))
    far = torch.hypot(along + b.log_uniform(0.1, 9) * b.cols, across)
    turning = torch.sin(2 * math.pi * far / b.log_uniform(4, 60)) + b.uniform(0, 1)
    brushed = noise(b, b.log_uniform(1, 14), angle=any_angle(b), anisotropy=b.pick(1, 10, 90))
    plane = b.chance(0.3) * turning + brushed * b.uniform(0.2, 1)
    return 1 + b.log_uniform(0.01, 0.2) * plane + b.uniform(-0.4, 0.2) * scratches(b, 3)


def _salted(b: Batch, ground: Tensor, empty: Tensor) -> Tensor:
    """Return a ground with cubes of dried salt on it, scattered or heaped, lit by facets."""
    pitch = b.log_uniform(0.02, 0.14) * b.cols
    for scale in (1.0, 0.6, 0.35):
        u, v = (x / (scale * pitch) + 0.5 for x in turned(b, any_angle(b)))
        row, col = torch.floor(v), torch.floor(u)
        found = numbers_at(torch.rand(7, b.size, 4096, device=b.device), row, col)
        half = 0.06 + 0.26 * found[0] ** 2
        room = (0.5 - 1.42 * half).clamp(min=0)
        u, v = u - col - 0.5 - (2 * found[2] - 1) * room, v - row - 0.5 - (2 * found[3] - 1) * room
        cosine, sine = torch.cos(6.3 * found[1]), torch.sin(6.3 * found[1])
        x, y = cosine * u + sine * v, cosine * v - sine * u
        inside = (half - torch.maximum(x.abs(), y.abs() * (1 + found[4]))) * scale * pitch
        inside = torch.where(found[6] < empty, _NONE, inside)
        facet = torch.sign(x + y) + 0.5 * torch.sign(x - y)
        ground = ground * (1 - 0.3 * torch.exp(inside.clamp(-90, 0) / 4))
        ground = laid(ground, 1 + 0.7 * found[5] + 0.12 * facet * (found[4] - 0.3), inside)
        del found, u, v, x, y, row, col, half, room, cosine, sine, inside, facet
    return ground


def _mesh(b: Batch) -> Tensor:
    """Draw a woven mesh or a sponge's holes, over the dark below."""
    pitch = b.log_uniform(0.03, 0.25) * b.cols
    u, v = (torch.cos(math.pi * x / pitch).abs() for x in turned(b, any_angle(b)))
    foam = 0.75 - 0.3 * noise(b, 0.4 * pitch, exponent=1.5).abs()
    wall = torch.where(b.chance(0.5) > 0, u.maximum(v), foam) - b.uniform(0.5, 0.85)
    plane = 1 + 0.4 * wall + 0.03 * noise(b, b.log_uniform(1, 10))
    return laid(b.uniform(0, 0.6), plane, wall * pitch * 0.5, 1.5)


def _ground(b: Batch, one: _Painted, other: _Painted, share: float) -> Tensor:
    """Return one or both of two materials, each of a grey between its two numbers or any."""
    along, across = turned(b, any_angle(b))
    line = across - b.uniform(-0.4, 0.4) * b.cols
    line = line + wandering(b, along, b.pick(0, 1, 8), b.log_uniform(3, 60))
    line = torch.where(b.chance(0.25) > 0, line, torch.where(b.chance(share) > 0, 99.0, -99.0))
    planes = []
    for plane, low, high in (one, other):
        tone = torch.where(b.chance(0.25) > 0, b.uniform(0.1, 0.6), b.uniform(low, high))
        planes.append(plane * torch.where(b.chance(0.15) > 0, 1 + 0.04 * b.normal(), tone))
    return blur(laid(planes[0], planes[1], line), b.pick(0.1, 0.1, 0.8, 2, 6) * b.uniform(0.4, 1.4))


def _marks(b: Batch) -> Tensor:
    """Return what faintly marks a moulded or lathed surface, about 0; on many next to nothing."""
    grain, rim = spots(b, b.log_uniform(12, 160), b.uniform(0.5, 0.98), b.log_uniform(0.6, 3))
    plane = b.chance(0.35) * (b.uniform(-0.3, 0.4) * grain + b.uniform(0, 0.1) * rim)
    plane = plane + b.log_uniform(0.002, 0.025) * noise(b, b.log_uniform(0.8, 90))
    along, across = turned(b, any_angle(b))
    far = torch.hypot(along + b.log_uniform(0.3, 8) * b.cols, across)
    rings = torch.sin(2 * math.pi * far / b.log_uniform(5, 50))
    plane = plane + b.chance(0.25) * b.log_uniform(0.003, 0.05) * rings
    film = torch.sigmoid(25 * (noise(b, b.log_uniform(30, 200), exponent=1.5) - b.uniform(-1, 1.5)))
    plane = plane + b.pick(0, 0, 0, 0.2) * b.uniform(-1, 1) * (film + 6 * film * (1 - film))
    return plane + b.chance(0.3) * b.uniform(-0.3, 0.2) * scratches(b, 3)


def _flank(b: Batch, lay: _Lay, side: int) -> _Drawn:
    """Return the lens's surface beyond a long border, 1 where a face is, and its inside."""
    plane = torch.where(b.chance(0.55) > 0, 1 + 0.03 * b.normal(), b.uniform(0.35, 1.6)) + _marks(b)
    out = lay.plain[side]
    share = torch.where(b.chance(0.5) > 0, b.log_uniform(0.01, 0.1), b.log_uniform(0.1, 4))
    usual = (share * lay.thickness).clamp(min=1.5)
    reach = usual * (1 + b.chance(0.4) * b.uniform(-1, 1) * lay.along / b.cols)
    wander = b.pick(0, 0, 0.05, 0.15) * usual.clamp(max=40)
    inside = reach - out + wandering(b, lay.along, wander, b.log_uniform(8, 150))
    far = torch.where(b.chance(0.3) > 0, b.uniform(-0.2, 0.45), 5.0) * b.cols
    inside = torch.minimum(inside, far + b.pick(-1, 1) * lay.along + b.normal() * out)
    flush = lay.ends + b.uniform(-0.3, 0.3) * out.clamp(min=0) + b.pick(0, 0, 0, 8, 40)
    flush = torch.where(b.chance(0.85) > 0, flush, 999.0)
    inside = _soft_min(inside, flush, b.pick(0.3, 0.3, 6, 30).minimum(0.2 * usual))
    u = (out / reach.clamp(min=1)).clamp(0, 1)
    # tilted away from the detector above: a shoulder that darkens, a chamfer of another grey
    plane = plane * (1 - b.pick(0, 0, 0.15, 0.5) * b.uniform(0.3, 1) * u ** b.pick(1, 2, 4))
    chamfer = torch.sigmoid((b.log_uniform(1.5, 0.05 * b.cols) - out) / b.uniform(0.4, 2))
    plane = plane + b.chance(0.3) * b.uniform(-0.3, 0.25) * chamfer
    seam = torch.exp(-lay.over[side].clamp(min=0) / b.log_uniform(0.8, 12))
    plane = plane + b.pick(0, 0, 0, 0.15, -0.1, -0.3) * seam
    lip = torch.exp(-inside.clamp(min=0) / b.log_uniform(0.8, 6))
    plane = plane + b.pick(0, 0, 0, 0.25, -0.3) * lip
    return plane, inside.minimum(lay.over[side]).minimum(-lay.edge)


def _lens(b: Batch, lay: _Lay, electrons: Tensor, ground: Tensor) -> _Trio:
    """Return faces and the lens's own surfaces on a ground, codes, and the distance inside both."""
    face = (lay.edge > 0) + 1e-6
    own = (face * electrons).sum((1, 2), True) / face.sum((1, 2), True)
    which = torch.rand(b.size, 1, 1, device=b.device)
    layers, solid = [], lay.edge
    for side, shown in enumerate(((which > 0.36) & (which < 0.72), which > 0.6)):
        plane, inside = _flank(b, lay, side)
        layers.append((own * plane, torch.where(shown, inside, _NONE)))
        solid = torch.maximum(solid, layers[-1][1])
    outside = solid.clamp(-400, 0)
    lost = b.pick(0, 0.1, 0.2, 0.6) * torch.exp(outside / b.log_uniform(2, 50))
    contact = b.pick(0, -0.1, 0.05, 0.1, 0.25) * torch.exp(outside / b.uniform(0.8, 4))
    glow = b.pick(0, 0, 0, 0.2) * b.uniform(-0.5, 1) * torch.exp(outside / b.log_uniform(4, 90))
    signal = ground * (1 - lost) + glow - contact
    codes = torch.full_like(lay.edge, BACKGROUND, dtype=torch.long)
    for plane, inside in layers:
        signal = laid(signal, plane, inside)
        codes = torch.where(inside > 0, BODY, codes)
    rim = torch.exp(-lay.edge.clamp(min=0) / b.log_uniform(1, 10))
    flat = own + b.log_uniform(0.5, 1.1) * (electrons - own) + b.pick(0, 0, 0.1, -0.12) * rim
    signal = laid(signal, flat, lay.edge, b.uniform(0.25, 1))
    return signal, torch.where(lay.edge > 0, FACE, codes), solid


def _littered(b: Batch, lay: _Lay, signal: Tensor, codes: Tensor, hairs: float) -> _Drawn:
    """Return the scene with stains, debris and fibres over all, as the gas lets it be seen."""
    grain, _ = spots(b, b.log_uniform(8, 50), b.uniform(0.2, 0.9), b.log_uniform(0.5, 1.5))
    film = noise(b, b.log_uniform(30, 200), exponent=1.5) - b.uniform(-0.5, 2)
    stain = torch.sigmoid(film / 0.08) + b.uniform(-1, 1) * torch.exp(-film.abs() / 0.04)
    signal = signal + b.chance(0.25) * b.uniform(-0.15, 0.2) * stain
    near = torch.exp(-lay.edge.abs() / b.log_uniform(3, 60)) > b.uniform(0, 1)
    signal = signal + b.chance(0.35) * grain * near * (b.uniform(0.5, 2) - signal)
    for _ in range(2):
        along, across = turned(b, any_angle(b))
        half = b.log_uniform(0.0012, 0.016) * b.cols
        x = across + b.uniform(-0.3, 0.3) * b.cols + b.uniform(-0.8, 0.8) / b.cols * along**2
        x = _metric(x + wandering(b, along, b.pick(0, 3, 12), b.uniform(50, 200))).abs()
        inside = torch.minimum(half - x, b.log_uniform(0.15, 2) * b.cols - along.abs())
        inside = torch.where(b.chance(hairs) > 0, inside, _NONE)
        body = b.uniform(0.5, 1.3) + b.uniform(-0.2, 0.4) * (x / half).clamp(max=1) ** 3
        signal = laid(signal, body, inside)
        broad = torch.where(half > 0.006 * b.cols, inside, _NONE)
        codes = torch.where((broad > 0) & (lay.edge.abs() < 4 * half), IGNORED, codes)
    # through the gas: a skirt of the beam, charge that drifts and trails along the lines
    signal = signal + b.pick(0, 0.03, 0.1, 0.25) * (blur(signal, b.log_uniform(8, 80)) - signal)
    slow = lines(b.size, b.rows, b.log_uniform(6, 120)[:, 0], b.device)[:, :, None]
    signal = signal * (1 + b.pick(0, 0.02, 0.05, 0.12) * b.uniform(0.2, 1) * slow)
    cloud = noise(b, b.uniform(0.1, 0.4) * b.cols, exponent=1.5)
    signal = signal + b.pick(0, 0, 0.03, 0.08, 0.15) * b.uniform(0.2, 1) * cloud
    pad = b.cols // 2
    f = torch.fft.rfftfreq(b.cols + pad, device=b.device)
    memory = torch.fft.rfft(functional.pad(signal, (pad, 0), mode="reflect"))
    memory = memory / (1 + 2j * math.pi * f * b.log_uniform(4, 0.15 * b.cols))
    trail = torch.fft.irfft(memory, n=b.cols + pad)[..., pad:]
    signal = signal - b.chance(0.4) * b.uniform(-0.2, 0.35) * (trail - trail.mean((1, 2), True))
    return torch.nan_to_num(signal).clamp(0, 3), codes


def _on_a_tab(b: Batch) -> tuple[Place, Finish]:
    """Return a bent ribbon on a sticky tab whose glue climbs a little along it."""
    along, across, thickness = _axes(b, 0.14, 0.6, 0.35)
    across = across + b.chance(0.5) * 0.2 * b.normal() / b.cols * along**2
    knee = torch.sqrt((along - b.uniform(-0.3, 0.3) * b.cols) ** 2 + b.log_uniform(30, 9000))
    across = across + b.chance(0.2) * 0.25 * b.normal() * knee
    half = thickness / 2 * (1 + b.chance(0.35) * b.uniform(-0.8, 0.8) * along / b.cols).clamp(0.2)
    lay, place = _laid_out(b, (along, across, thickness), -half, half, _ends(b, along, across, 0.5))

    def finish(electrons: Tensor) -> _Drawn:
        ground = _ground(b, (_flat(b), 0.6, 1.15), (_metal(b), 1.1, 1.9), 0.15)
        signal, codes, solid = _lens(b, lay, electrons, ground)
        climb = b.log_uniform(0.004, 0.05) * b.cols * (1 + 0.4 * noise(b, b.log_uniform(9, 90)))
        here = across * b.pick(-1, 1) > b.pick(0, 0, 999)
        wet = torch.where(here, torch.minimum(solid + climb, -solid), _NONE)
        sheen = signal * (1 + b.uniform(-0.4, 0.4) * (1 + solid / climb.clamp(min=1)).clamp(0, 1))
        return _littered(b, lay, laid(signal, sheen, wet, b.uniform(0.4, 2)), codes, 0.1)
    return place, finish


def _on_paper(b: Batch) -> tuple[Place, Finish]:
    """Return blocks with rounded corners, one or two side by side, on paper, sponge or mesh."""
    along, across, thickness = _axes(b, 0.18, 0.7, 0.5)
    thickness = torch.where(b.chance(0.3) > 0, 0.6, 1.0) * thickness
    pair = across.abs() - (thickness + b.log_uniform(0.03, 0.6) * thickness) / 2
    across = torch.where(b.chance(0.25) > 0, pair * b.pick(-1, 1), across)
    front, back = (b.pick(0.02, 0.02, 0.15) * b.normal() * along for _ in range(2))
    front, back, ends = front - thickness / 2, back + thickness / 2, _ends(b, along, across, 0.75)
    lay, place = _laid_out(b, (along, across, thickness), front, back, ends)

    def finish(electrons: Tensor) -> _Drawn:
        other = _mesh(b) if float(torch.rand(())) < 0.5 else _salted(b, _flat(b), b.uniform(0, 1))
        ground = _ground(b, (_paper(b), 0.7, 1.4), (other, 0.7, 1.4), 0.25)
        signal, codes, _ = _lens(b, lay, electrons, ground)
        return _littered(b, lay, signal, codes, 0.35)
    return place, finish


def _on_a_wafer(b: Batch) -> tuple[Place, Finish]:
    """Return the section of an optic between two arcs, thin or thick, on a bright wafer."""
    along, across, thickness = _axes(b, 0.12, 0.5, 0.4)
    arcs = [b.uniform(-0.25, 0.8) / b.cols * (along - b.normal() * 20) ** 2 for _ in range(2)]
    most = b.uniform(0.1, 0.4) * thickness + 0 * along
    front, back = (_soft_min(arc, most, b.uniform(1, 8)) - thickness / 2 for arc in arcs)
    middle = b.uniform(-0.3, 0.3) * arcs[0]
    ends = _ends(b, along, across - middle, 0.65)
    lay, place = _laid_out(b, (along, across, thickness), middle + front, middle - back, ends)

    def finish(electrons: Tensor) -> _Drawn:
        ground = _ground(b, (_flat(b), 0.7, 1.9), (_metal(b), 0.8, 1.9), 0.2)
        ground = _salted(b, ground, torch.where(b.chance(0.6) > 0, 1.0, b.uniform(0, 1)))
        x, y = turned(b, any_angle(b))
        radius = b.log_uniform(0.06, 0.8) * b.cols
        away = radius - torch.hypot(x - b.uniform(0.1, 0.6) * b.cols - radius, y)
        disc = torch.where(b.chance(0.5) > 0, away, b.uniform(3, 30) - away.abs())
        disc = torch.where(b.chance(0.35) > 0, disc, _NONE).minimum(-lay.edge - 5)
        piece = torch.where(b.chance(0.5) > 0, 1.0, b.uniform(0.5, 1.4)) + _marks(b)
        piece = piece + b.pick(-0.3, -0.15, 0.2) * torch.exp(-disc.clamp(min=0) / b.uniform(1, 6))
        signal, codes, _ = _lens(b, lay, electrons, laid(ground, piece, disc))
        codes = torch.where((disc > 0) & (codes == BACKGROUND), BODY, codes)
        return _littered(b, lay, signal, codes, 0.1)
    return place, finish


def _in_a_clip(b: Batch) -> tuple[Place, Finish]:
    """Return a face that nearly fills the picture, held by a clip's jaw or by silver paint."""
    along, across, thickness = _axes(b, 0.4, 0.92, 0.12)
    front, back = (along * b.normal() * (0.04 + b.pick(0, 0.1) / b.cols * along) for _ in range(2))
    front, back = front - thickness / 2, back + thickness / 2
    x, y = turned(b, math.pi / 2 * b.pick(0, 1, 2, 3) + 0.08 * b.normal())
    jaw = x - b.uniform(0.4, 0.95) * x.amax((1, 2), True)
    corner = torch.where(b.chance(0.4) > 0, y - b.uniform(-0.2, 0.3) * b.rows, 999.0)
    jaw = _soft_min(jaw, corner, b.uniform(1, 12)) + b.uniform(0, 1) * noise(b, b.uniform(3, 30))
    jaw = torch.where(b.chance(0.5) > 0, jaw, _NONE)
    ends = torch.minimum(_ends(b, along, across, 0.3), -jaw)
    lay, place = _laid_out(b, (along, across, thickness), front, back, ends)

    def finish(electrons: Tensor) -> _Drawn:
        deep = blur(_mesh(b), b.log_uniform(1, 25))
        ground = _ground(b, (deep, 0.05, 1), (_metal(b), 0.8, 1.9), 0.5)
        signal, codes, _ = _lens(b, lay, electrons, ground)
        shade = b.uniform(0, 0.6) * torch.exp(jaw.clamp(max=0) / b.log_uniform(2, 50))
        signal = laid(signal * (1 - shade), b.uniform(1, 2) * _metal(b), jaw.minimum(-lay.edge))
        codes = torch.where(jaw.minimum(-lay.edge) > 0, BACKGROUND, codes)
        paint = noise(b, b.uniform(0.1, 0.3) * b.cols, exponent=1.6) - b.uniform(1.4, 2.4)
        paint = torch.where(b.chance(0.3) > 0, paint, _NONE) + 0.03 * noise(b, b.uniform(2, 12))
        flakes = b.uniform(1.5, 2.4) + 0.25 * noise(b, b.log_uniform(1.5, 12))
        codes = torch.where((paint > 0) & (codes != BACKGROUND), IGNORED, codes)
        return _littered(b, lay, laid(signal, flakes, paint, 0.02), codes, 0.1)
    return place, finish


SCENES: tuple[Scene, ...] = (_on_a_tab, _on_paper, _on_a_wafer, _in_a_clip)
