"""Scenes of mounts that carry many fragments: faces beside, before and over one another.

Fragments are small and mounts are not, so several go on one: set side by side with a slit between
them, end to end, or leant on each other so that the nearer one covers the further. Some stand with
the cut towards the beam, others lie flat or turn their backs and show nothing but lens. Faces
taper out, curl into hooks, lose corners and bits of their edges, and shed chips, shavings and
flaps. Narrow slits are dark because few electrons get out of them, or bright where both walls
charge (Goldstein's textbook, from memory). Jaws, slots and edges of the holder cross the picture.
Borders are read from lines along each fragment, so that all of a side's wear costs one look-up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from edgeqc.training import scene_materials as materials
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, numbers_at, turned
from edgeqc.training.strip_places import Place

_NEVER = -999.0
# greatest thickness, share of faces and of fragments there, distance from the middle
_OTHERS = (0.6, 0.0, 0.3, 0.6), (0.85, 1.0, 1.0, 0.2), (0.4, 0.4, 0.35, 0.6)
_Two = tuple[Tensor, Tensor]


@dataclass(frozen=True)
class _Piece:
    """One fragment: distances inside its long borders, its face, and the lens surface below it."""

    along: Tensor
    across: Tensor
    t: Tensor
    lateral: Tensor
    edge: Tensor
    body: Tensor
    thickness: Tensor


def _sided(b: Batch, low: float, high: float) -> Tensor:
    """Return one number per member and side, (size, 2, 1)."""
    return low + (high - low) * torch.rand(b.size, 2, 1, device=b.device)


def _sized(b: Batch, low: float, high: float) -> Tensor:
    """Return one number per member and side whose logarithm is uniform."""
    return torch.exp(_sided(b, math.log(low), math.log(high)))


def _some(b: Batch, share: float) -> Tensor:
    """Return 1 for a share of the sides, 0 for the others."""
    return (_sided(b, 0, 1) < share).float()


def _threads(b: Batch, length: Tensor) -> Tensor:
    """Return a random line per side, (size, 2, entries)."""
    drawn = lines(2 * b.size, 2 * (b.rows + b.cols), length.reshape(-1), b.device)
    return drawn.reshape(b.size, 2, -1)


def _read(pair: Tensor, second: Tensor, position: Tensor) -> Tensor:
    """Return the first or the second line of a pair, read at positions from the middle."""
    count = pair.shape[-1]
    position = (position + count / 2).clamp(0, count - 1.001) + count * second
    return at_line(pair.flatten(1), position)


def _joined(one: Tensor, other: Tensor, radius: Tensor) -> Tensor:
    """Return the smaller of two distances, rounded where they are alike."""
    return torch.minimum(one, other) - (radius - (one - other).abs()).clamp(min=0) ** 2 / radius / 4


def _clean(b: Batch, x: Tensor, thickness: Tensor) -> Tensor:
    """Return how far the unworn borders stand from the axis, x pictures along."""
    line = 1 + b.chance(0.5) * b.uniform(-0.5, 0.5) * x
    line = line + _some(b, 0.4) * _sided(b, -0.7, 0.7) * (x**2 - 0.08)
    step = torch.sigmoid(((x - _sided(b, -0.45, 0.45)) / _sized(b, 0.002, 0.08)).clamp(-30, 30))
    line = line + _some(b, 0.2) * _sided(b, -0.3, 0.3) * step
    # drawn out into a point, from both sides or like a chisel
    run = (b.uniform(0.1, 0.6) - b.pick(-1, 1) * x) / b.log_uniform(0.15, 1.3)
    power = torch.cat([b.pick(0, 0.5, 1, 1.7), b.pick(0.4, 1, 1, 1.4)], 1)
    spear = run.clamp(0, 1) ** power - 0.4 * (run < 0)  # nothing, not a thread, past the point
    return 0.5 * thickness * line.clamp(0.3, 1.7) * torch.where(b.chance(0.3) > 0, spear, 1.0)


def _wear(b: Batch, x: Tensor, thickness: Tensor) -> Tensor:
    """Return how far tears, burrs and teeth push the borders out, and notches (negative)."""
    total = torch.zeros_like(x)
    for _ in range(3):
        u = (x - _sided(b, -0.5, 0.5)) / _sized(b, 0.006, 0.13)
        u = torch.where(u > 0, u * _sided(b, 0.5, 4), -u)
        kind = _sided(b, 0, 1)
        shape = torch.where(kind < 0.4, (1 - u).clamp(min=0), (1 - u**2).clamp(min=0) ** 0.5)
        shape = torch.where(kind > 0.8, torch.sigmoid(((1 - u) / 0.05).clamp(-30, 30)), shape)
        total = total - _some(b, 0.22) * _sized(b, 0.01, 0.22) * thickness * shape
    total = total + _sized(b, 0.1, 2.5) * _threads(b, _sized(b, 1.5, 40))
    total = total + _some(b, 0.5) * 0.012 * thickness * _threads(b, _sized(b, 20, 250))
    length = _sized(b, 2, 25)
    lip = (_threads(b, length) - _sided(b, 0.3, 1.8)).clamp(min=0)
    size = torch.minimum(_sized(b, 0.004, 0.04) * thickness, 0.7 * length)
    total = total + _some(b, 0.3) * size * lip
    teeth = x * b.cols / _sized(b, 4, 40) + 0.4 * _threads(b, _sized(b, 60, 300))
    return total + _some(b, 0.1) * _sized(b, 0.8, 6) * teeth.remainder(1) ** _sided(b, 0.5, 3)


def _beyond(b: Batch, x: Tensor, thickness: Tensor, share: float) -> Tensor:
    """Return how far the lens's own surface reaches beyond the borders; never where not seen."""
    wide = torch.where(_some(b, 0.55) > 0, _sized(b, 0.01, 0.14), _sized(b, 0.14, 1.5)) * thickness
    place = x - _sided(b, -0.35, 0.35)
    fan = 0.5 + torch.where(_some(b, 0.5) > 0, 1.0, -1.0) * _sided(b, 0.5, 4) * place
    chord = 1 - (place / _sized(b, 0.15, 1.2)) ** 2  # of a round optic
    shelf = 1 + _sided(b, -1.2, 1) * torch.sigmoid((place / _sized(b, 0.003, 0.1)).clamp(-30, 30))
    kind = _sided(b, 0, 1)
    shape = torch.where(kind < 0.3, 1.0, torch.where(kind < 0.5, fan, chord))
    shape = torch.where(kind > 0.8, shelf, shape).clamp(-0.3, 1.5)
    rag = _some(b, 0.25) * _sized(b, 0.3, 3) * _threads(b, _sized(b, 4, 90))
    first, both = b.chance(0.5), b.chance(0.35)
    shown = torch.cat([torch.maximum(first, both), torch.maximum(1 - first, both)], 1)
    shown = shown * b.chance(share) > 0
    return torch.where(shown, wide.clamp(min=1.5) * shape + rag, _NEVER)


def _ends(b: Batch, y: Tensor, thickness: Tensor, far: Tensor) -> Tensor:
    """Return how far the fragment reaches each way, y samples across, for both its ends."""
    half = thickness / 2
    line = far + _some(b, 0.6) * _sided(b, -0.5, 0.5) * y
    line = line + _some(b, 0.4) * _sided(b, -0.5, 0.5) / half * y**2
    point = _some(b, 0.3) * _sided(b, 0.1, 1.3) * thickness
    line = line - point * ((y / half - _sided(b, -1, 1)).abs() / 2).clamp(max=1.2)
    for way in (-1, 1):  # corners broken off
        lost = (way * y - half * (1 - _sided(b, 0.1, 1))).clamp(min=0)
        line = line - _some(b, 0.3) * _sided(b, 0.3, 2) * lost
    length = _sized(b, 3, 100)
    sd = torch.minimum(_some(b, 0.6) * _sized(b, 0.005, 0.1) * thickness, 0.4 * length)
    return line + (0.4 + sd) * _threads(b, length)


def _hooked(b: Batch, at: _Two, thickness: Tensor, share: float) -> _Two:
    """Return positions on an axis that bows all along, and for some curls round at one end."""
    along, across = at
    across = across + b.chance(0.5) * 0.2 * b.normal() / b.cols * along**2
    start, radius = b.uniform(0.0, 0.3) * b.cols, thickness * b.log_uniform(0.7, 2.5)
    flip, way = b.pick(-1, 1), b.pick(-1, 1)
    u, v = flip * along - start, radius - way * across
    curled = (u > 0) & (b.chance(share) > 0)
    along = torch.where(curled, flip * (start + radius * torch.atan2(u, v)), along)
    return along, torch.where(curled, way * (radius - torch.hypot(u, v)), across)


def _piece(b: Batch, at: _Two, thickness: Tensor, far: Tensor, grain: Tensor, *,
           share: float = 0.42, hooks: float = 0.1) -> _Piece:  # fmt: skip
    """Return a fragment about an axis ``at`` that reaches ``far`` along it both ways."""
    along, across = _hooked(b, at, thickness, hooks)
    most = b.rows + b.cols
    reading = torch.arange(-most, most, device=b.device, dtype=torch.float32)[None, None]
    x = reading / b.cols
    clean = _clean(b, x, thickness)
    half, reach = clean + _wear(b, x, thickness), clean + _beyond(b, x, thickness, share)
    second = (across > 0).float()
    stands = _read(half, second, along)
    lateral = stands - across.abs()
    t = 0.5 + 0.5 * b.pick(-1, 1) * across / stands.clamp(min=1)
    end = _read(_ends(b, reading, thickness, far), (along > 0).float(), across) - along.abs()
    edge = _joined(lateral, end, 0.5 + thickness * b.pick(0, 0, 0.1, 0.4) * b.uniform(0.3, 1))
    body = _read(torch.where(clean > 0, reach, clean), second, along) - across.abs()
    lag = b.pick(0, 0, 0, 0.04, 0.15, -0.1) * b.uniform(0.2, 1) * thickness
    body = _joined(body, end + lag, 0.5 + thickness * b.pick(0, 0.1, 0.6) * b.uniform(0.3, 1))
    through = b.chance(0.6) > 0
    for _ in range(2):  # bitten out, undercut
        place, side = b.uniform(-0.45, 0.45) * b.cols, b.pick(-0.5, 0.5) * thickness
        radius = b.log_uniform(0.02, 0.3) * thickness
        bite = torch.hypot((along - place) / b.log_uniform(0.5, 3), across - side) - radius
        bite = bite + (0.12 * radius).clamp(max=2) * grain + 9e3 * b.chance(0.78)
        edge = torch.minimum(edge, bite)
        body = torch.where(through, torch.minimum(body, bite), body)
    long = b.log_uniform(0.02, 0.3) * thickness  # a flap, hanging over one of the edges
    out = torch.where(across * b.pick(-1, 1) > 0, -lateral, -thickness)
    lean = (along - b.uniform(-0.4, 0.4) * b.cols - b.uniform(-0.8, 0.8) * out).abs()
    flap = b.uniform(0.1, 1.2) * long * (1 - out / long).clamp(0, 1.3) ** 0.6 - lean
    flap = torch.minimum(flap, out + 0.15 * thickness) + (0.06 * long).clamp(max=3) * grain
    flap = torch.minimum(flap, torch.minimum(end, long - out)) - 9e3 * b.chance(0.8)
    edge = torch.maximum(edge, flap) + b.pick(0, 0.3, 0.7, 1.4) * b.uniform(0.3, 1) * grain
    return _Piece(along, across, t, lateral, edge, body, thickness)


def _frame(b: Batch, free: float) -> Tensor:
    """Return the direction of a mount's row of fragments."""
    level = (math.pi / 2) * b.pick(0, 0, 1, 2, 3) + b.pick(0.01, 0.05, 0.15) * b.normal()
    return torch.where(b.chance(free) > 0, b.uniform(-3.14, 3.14), level)


def _far(b: Batch, share: float) -> Tensor:
    """Return where a fragment ends each way: within the picture for a share, else beyond it."""
    return torch.where(_some(b, share) > 0, _sided(b, 0.12, 0.5), 4.0) * b.cols


def _jaw(b: Batch, share: float) -> Tensor:
    """Return the distance inside a jaw, bar or mounting edge that lies over the fragments."""
    u, v = turned(b, _frame(b, 0.4))
    line = v - b.uniform(0.22, 0.5) * min(b.rows, b.cols)
    line = line + wandering(b, u, b.pick(0, 0.4, 1.5, 6), b.log_uniform(4, 120))
    bar = b.log_uniform(0.02, 0.12) * b.cols - line.abs()
    return torch.where(b.chance(share) > 0, torch.where(b.chance(0.3) > 0, bar, line), _NEVER)


def _ground(b: Batch) -> Tensor:
    """Return what the mount shows: any material, often soft, with the holder's slots in some."""
    plane = materials.drawn(b, materials.GROUNDS, 3)
    plane = blur(plane, torch.where(b.chance(0.4) > 0, 0.1, b.log_uniform(0.8, 12)))
    level = b.uniform(0.75, 1.2) / plane.mean(dim=(1, 2), keepdim=True).clamp(min=0.2)
    plane = plane * torch.where(b.chance(0.35) > 0, level, b.uniform(0.5, 1))
    u, v = turned(b, _frame(b, 0.4))
    sway = wandering(b, u, b.pick(0, 0.3, 1.5), b.log_uniform(5, 100))
    slot = b.log_uniform(0.01, 0.2) * b.cols - (v + sway - b.uniform(-0.5, 0.5) * b.rows).abs()
    slot = torch.where(b.chance(0.35) > 0, slot, _NEVER)
    deep = plane * b.uniform(0, 0.6) * (1 + 0.3 * torch.tanh(v / 30))
    edge = torch.exp(-(slot / b.log_uniform(1, 10)).abs().clamp(max=30))
    plane = laid(plane, deep, slot, b.log_uniform(0.5, 8)) + b.uniform(-0.3, 0.9) * edge
    return (plane * (1 + b.pick(0, 0.3, 0.9) * b.uniform(-1, 1) * u / b.cols)).clamp(0, 2.6)


def _skin(b: Batch, p: _Piece, optic: Tensor, grey: Tensor) -> Tensor:
    """Return the lens's own surface: what it was made with, its tilt, and its rounded rim."""
    level = torch.where(b.chance(0.5) > 0, grey * (1 + 0.03 * b.normal()), b.log_uniform(0.2, 1.9))
    plane = level + b.log_uniform(0.08, 1) * (optic - optic.mean(dim=(1, 2), keepdim=True))
    out, room = -p.lateral.clamp(max=0), p.body.clamp(min=0)
    fall = b.pick(0, 0, 0.2, 0.4, -0.3) * (out / (out + room + 1)) ** b.log_uniform(1, 4)
    plane = plane * (1 + fall + b.pick(0, 0.2, 0.6) * b.uniform(-1, 1) * p.along / b.cols)
    plane = plane + b.pick(0, 0, 0.2, 0.6, -0.25) * torch.exp(-room / b.log_uniform(0.8, 14))
    foot = b.pick(0, 0, -0.5, 0.3) * b.uniform(0.2, 1)  # the cut's shade or its burr
    return (plane * (1 + foot * torch.exp(-out / b.log_uniform(1, 20)))).clamp(0, 2.8)


def _cut(b: Batch, p: _Piece, electrons: Tensor, patch: Tensor) -> Tensor:
    """Return a face's electrons, with rims that are rounded, curled or bright in stretches."""
    plane = electrons * (1 + b.chance(0.5) * b.uniform(-0.4, 0.4))
    plane = plane * (1 + b.pick(0, 0, 0.2, 0.5) * b.uniform(-1, 1) * (p.t.clamp(0, 1) - 0.5))
    deep = p.edge.clamp(min=0)
    lit = torch.where(b.chance(0.4) > 0, torch.sigmoid(p.across / 6 * b.pick(-1, 1)), 1.0)
    lit = lit * b.pick(0, 0, 0.15, 0.6, -0.35) * b.uniform(0.3, 1)
    plane = plane * (1 + lit * torch.exp(-deep / b.log_uniform(0.8, 0.06 * b.cols)))
    curl, wide = b.log_uniform(1, 0.03 * b.cols), b.uniform(0.25, 0.6)
    crest = torch.exp(-(((deep / curl - 1) / wide) ** 2).clamp(max=30)) * torch.sigmoid(4 * patch)
    return plane + b.chance(0.35) * b.uniform(-0.4, 0.8) * crest


def _set_up(b: Batch, pieces: list[_Piece], place: Place, jaw: Tensor, electrons: Tensor) -> Tensor:
    """Return the signal of ground, fragments and jaw, each before the last, with their shades."""
    signal = _ground(b)
    optic = materials.drawn(b, materials.OPTICS, 3)
    patch = noise(b, b.log_uniform(6, 90), exponent=1.3)
    member = (place.edge_px > 0).float()
    total = (electrons * member).sum(dim=(1, 2), keepdim=True) + 1
    grey = (total / (member.sum(dim=(1, 2), keepdim=True) + 1)).clamp(0.3, 2)
    between, seen = b.uniform(0.3, 1) * b.pick(0, 0, -0.9, 0.6), torch.full_like(signal, _NEVER)
    for number, p in enumerate(pieces):
        solid = torch.maximum(p.edge, p.body).clamp(max=0)
        lee = torch.where(b.chance(0.5) > 0, torch.sigmoid(p.across / 12 * b.pick(-1, 1)), 1.0)
        # the slit between this one and what is seen of the others, its shade, its halo
        signal = signal * (1 + between * torch.exp((seen + solid) / b.log_uniform(3, 30)))
        shade = b.pick(0, 0.3, 0.6, 0.95) * b.uniform(0.3, 1) * lee
        signal = signal * (1 - shade * torch.exp(solid / b.log_uniform(2, 50)))
        halo, soft = b.chance(0.3) * b.uniform(-0.1, 0.45), b.uniform(0.3, 1.2)
        signal = signal + halo * torch.exp(solid / b.log_uniform(3, 90))
        signal = laid(signal, _skin(b, p, optic, grey), p.body, soft)
        signal = laid(signal, _cut(b, p, electrons, patch), p.edge, soft)
        seen = torch.maximum(seen, solid)
        optic = optic.flip(number % 2 + 1).roll(1, 0)
    metal = materials.drawn(b, (materials.turned_metal, materials.polished_metal), 2)
    metal = metal + b.uniform(-0.3, 0.9) * torch.exp(-jaw.clamp(min=0) / b.log_uniform(1, 12))
    signal = signal * (1 - b.uniform(0, 0.8) * torch.exp(jaw.clamp(max=0) / b.log_uniform(2, 40)))
    return laid(signal, metal, jaw, b.log_uniform(0.3, 2)).clamp(0, 3)


def _chips(b: Batch, grain: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return distance inside scattered chips of all sizes, their tone, and their radius."""
    u, v = turned(b, b.uniform(-3.14, 3.14))
    pitch = b.log_uniform(0.04, 0.3) * b.cols
    u, v = u / pitch + b.uniform(0, 1), v / pitch + 0.3 * torch.sin(u / (1.7 * pitch))
    cell_u, cell_v = torch.floor(u), torch.floor(v)
    found = numbers_at(torch.rand(6, b.size, 4096, device=b.device), cell_u, cell_v)
    radius = 0.03 + 0.3 * found[0] ** 4
    room = 1 - 2.4 * radius
    u, v = u - cell_u - 0.5 - (found[1] - 0.5) * room, v - cell_v - 0.5 - (found[2] - 0.5) * room
    cosine, sine = torch.cos(6.28 * found[3]), torch.sin(6.28 * found[3])
    p, q = cosine * u + sine * v, cosine * v - sine * u
    far = torch.maximum(p.abs() * (0.7 + found[4]), q * (1.5 + 2 * found[5]))
    far = torch.maximum(far, torch.maximum(-0.9 * q - 0.5 * p, 0.8 * p - (0.4 + found[4]) * q))
    inside = (radius * (0.8 + 0.08 * grain) - far) * pitch
    inside = torch.where(found[5] < b.log_uniform(0.03, 0.6), inside, _NEVER)
    facet = found[4] + (1.5 * found[0] + 0.5) * (p / radius).clamp(-1, 1) * (found[3] - 0.5)
    return torch.where(b.chance(0.5) > 0, inside, _NEVER), facet, radius * pitch


def _strewn(b: Batch, signal: Tensor, codes: Tensor, electrons: Tensor, grain: Tensor) -> _Two:
    """Lay chips and shavings about, and over the fragments where nobody could say what is below."""
    inside, facet, radius = _chips(b, grain)
    alike = b.chance(0.3)  # broken from the face, as the face looks
    body = b.log_uniform(0.3, 1.6) + b.uniform(0, 0.6) * (facet - 0.5) + 0.04 * grain
    body = torch.where(alike > 0, electrons * (0.7 + 0.5 * facet), body)
    body = body + b.pick(0, 0.3, 0.9) * torch.exp(-inside.clamp(min=0) / b.log_uniform(0.8, 5))
    signal = signal * (1 - b.uniform(0, 0.7) * torch.exp(inside.clamp(max=0) / b.log_uniform(1, 8)))
    signal = laid(signal, body, inside)
    untold = (inside > 0) & (radius > 0.012 * b.cols) & ((codes > 0) | (alike > 0))
    for share in (0.2, 0.1):  # curled shavings
        u, v = turned(b, b.uniform(-3.14, 3.14))
        u, v = u - b.uniform(-0.5, 0.5) * b.cols, v - b.uniform(-0.4, 0.4) * b.rows
        angle = torch.atan2(v, u)
        curl = b.uniform(-0.15, 0.15) * angle + b.uniform(0, 0.15) * torch.sin(2 * angle)
        radius = b.log_uniform(0.02, 0.35) * b.cols * (1 + curl)
        width = b.log_uniform(0.0015, 0.02) * b.cols * (1 + 0.3 * torch.sin(3 * angle))
        over = torch.hypot(u, v) - radius
        inside = torch.minimum(width - over.abs(), (b.uniform(0.4, 2.9) - angle.abs()) * radius)
        inside, over = inside - 9e3 * b.chance(1 - share), (over / width).clamp(-1, 1)
        flank = b.uniform(0, 0.8) * over.abs() ** 3 + b.uniform(-0.3, 0.3) * over + 0.05 * grain
        shade = b.uniform(0, 0.6) * torch.exp(inside.clamp(max=0) / b.log_uniform(1, 10))
        signal = laid(signal * (1 - shade), b.uniform(0.3, 1.2) + flank, inside)
        untold = untold | ((inside > 0) & (width > 0.006 * b.cols) & (codes > 0))
    return signal.clamp(0, 3), torch.where(untold, IGNORED, codes)


def _mounted(b: Batch, pieces: list[_Piece], grain: Tensor, jaws: float) -> tuple[Place, Finish]:
    """Return what is left to see of the faces, later ones nearer, and what draws them."""
    jaw, lens = _jaw(b, jaws), torch.full_like(grain, _NEVER)
    place = Place(0 * lens, torch.zeros_like(lens).long(), lens[:, :1, :1], 0 * lens, lens)
    for p in pieces:
        own = zones(b, p.along, p.across, p.t, p.thickness, p.edge)
        face, solid = p.edge > 0, torch.maximum(p.edge, p.body)
        lens = torch.maximum(lens, solid)
        place = Place(
            torch.where(face, own.t, place.t), torch.where(face, own.codes, place.codes), own.soft,
            torch.where(face, own.ledge, place.ledge),
            torch.maximum(torch.minimum(place.edge_px, -solid), p.edge),
        )  # fmt: skip
    place = replace(place, edge_px=torch.minimum(place.edge_px, -jaw))
    codes = torch.where(place.edge_px > 0, 2, ((lens > 0) & (jaw <= 0)).long())

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        signal = _set_up(b, pieces, place, jaw, electrons)
        return _strewn(b, signal, codes, electrons, grain)

    return place, finish


def _pair(b: Batch, beside: bool) -> tuple[Place, Finish]:
    """Draw two fragments in a row, beside each other or end to end, the second one nearer."""
    short, angle, grain = min(b.rows, b.cols), _frame(b, 0.3), noise(b, b.log_uniform(1.5, 25))
    first = b.uniform(0.22, 0.5 if beside else 0.8) * short
    second = (first * b.log_uniform(0.55, 1.6)).clamp(0.2 * short, 0.8 * short)
    way, kink = b.pick(-1, 1), b.pick(0.01, 0.04, 0.15) * b.normal()
    gap = torch.where(b.chance(0.6) > 0, b.log_uniform(0.008, 0.2), -b.uniform(0.03, 0.5))
    gap = torch.where(b.chance(0.25) > 0, b.uniform(-0.01, 0.006), gap) * first  # or touching
    far, further = _far(b, 0.3), _far(b, 0.3)
    (u, v), (p, q) = turned(b, angle), turned(b, angle + kink * (1 if beside else 3))
    if beside:
        at, shift = b.uniform(0.3, 0.7) * first, b.uniform(-0.3, 0.3) * b.cols
        one, other = (u, v + way * at), (p - shift, q - way * ((first + second) / 2 + gap - at))
    else:
        long, longer = b.uniform(0.2, 0.6) * b.cols, b.uniform(0.2, 0.6) * b.cols
        meet, offset = b.uniform(-0.25, 0.25) * b.cols, b.uniform(-0.2, 0.2) * short
        one = u - way * (meet - long), v - offset
        other = p - way * (meet + gap + longer), q - offset - b.uniform(-0.25, 0.25) * first
        facing = torch.cat([-way, way], 1) > 0  # the end that meets the other fragment
        far = torch.where(facing, long, 4.0 * far)
        further = torch.where(facing, 4.0 * further, longer)
    pieces = [_piece(b, one, first, far, grain), _piece(b, other, second, further, grain)]
    return _mounted(b, pieces, grain, 0.25)


def side_by_side(b: Batch) -> tuple[Place, Finish]:
    """Draw two faces that stand beside each other, slit, touching or lapped."""
    return _pair(b, True)


def end_to_end(b: Batch) -> tuple[Place, Finish]:
    """Draw two faces in line whose ends meet, part, or lie over one another."""
    return _pair(b, False)


def among_others(b: Batch) -> tuple[Place, Finish]:
    """Draw one face, or two, among fragments that lie flat or turn their backs."""
    grain, pieces = noise(b, b.log_uniform(1.5, 25)), []
    for most, faced, present, near in _OTHERS:
        thickness = b.uniform(0.2, most) * min(b.rows, b.cols)
        u, v = turned(b, _frame(b, 0.5))
        at = u - b.uniform(-near, near) * b.cols, v - b.uniform(-near, near) * b.rows
        p = _piece(b, at, thickness, _far(b, 0.5), grain, share=0.36, hooks=0.25)
        bare, gone = b.chance(1 - faced) > 0, b.chance(present) < 1
        body = torch.where(gone, _NEVER, torch.where(bare, p.edge, p.body))
        pieces.append(replace(p, edge=torch.where(gone | bare, _NEVER, p.edge), body=body))
    return _mounted(b, pieces, grain, 0.2)


SCENES: tuple[Scene, ...] = (side_by_side, end_to_end, among_others)
