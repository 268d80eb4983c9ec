"""Outlines of cut faces of many shapes, and what a specimen chamber shows around them.

A fragment is held by tape, clip or paint; beside its cut face the lens's own front and back are
seen, as far as they are tilted towards the detector; other fragments, fibres and flakes lie about.
The truth stays exact: face, other lens surface, background, or ``IGNORED`` where a thing lies over
the border so that nobody could say.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_materials import GROUNDS, OPTICS, SURFACES, any_angle, drawn, spots
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, standardised

BACKGROUND, BODY, FACE = 0, 1, 2


@dataclass(frozen=True)
class Outline:
    """Where every sample of every picture lies with respect to the faces.

    Parameters
    ----------
    along, across : tensors
        Position in samples along and across the face.
    t : tensor
        Fraction of the thickness from the front border.
    edge : tensor
        Distance to the face's border in samples, positive inside.
    beyond : tensors
        Distance outside the front and the back border, negative on the face's side of it.
    thickness : tensor
        Usual distance between the borders, one per member.
    """

    along: Tensor
    across: Tensor
    t: Tensor
    edge: Tensor
    beyond: tuple[Tensor, Tensor]
    thickness: Tensor

    def part(self, members: Tensor) -> Outline:
        """Return the outlines of some members."""
        return Outline(
            self.along[members], self.across[members], self.t[members], self.edge[members],
            (self.beyond[0][members], self.beyond[1][members]), self.thickness[members],
        )  # fmt: skip


Body = Callable[[Batch, Outline, int], tuple[Tensor, Tensor]]
"""What draws a lens's own surface beside the front (0) or back (1) border: electrons, and the
distance inside it."""
_OWN_BODIES = 0.3
"""Share of the surfaces that are drawn here; the others are further hands'."""
_KINDS = 4


def _grid(b: Batch) -> tuple[Tensor, Tensor]:
    """Return rows and columns from the picture's middle."""
    row = torch.arange(b.rows, device=b.device, dtype=torch.float32)[None, :, None]
    col = torch.arange(b.cols, device=b.device, dtype=torch.float32)[None, None, :]
    return row - b.rows / 2, col - b.cols / 2


def wandering(b: Batch, along: Tensor, sd: Tensor, length: Tensor) -> Tensor:
    """Return a random line along an axis, read at every sample."""
    count = 2 * (b.rows + b.cols)
    line = lines(b.size, count, length[:, 0], b.device)
    return sd * at_line(line, along + count / 2)


def _distance(level: Tensor) -> Tensor:
    """Return the distance to where a smooth field passes zero, to first order."""
    down = functional.pad(level[:, 2:] - level[:, :-2], (0, 0, 1, 1), mode="replicate") / 2
    right = functional.pad(level[:, :, 2:] - level[:, :, :-2], (1, 1), mode="replicate") / 2
    return level / torch.sqrt(down**2 + right**2).clamp(1, 5)


def _axes(b: Batch) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return positions along and across a bent axis, thickness, and the picture's length."""
    angle = (math.pi / 2) * b.pick(0, 0, 0, 1, 2, 3)
    angle = angle + torch.where(b.chance(0.4) > 0, any_angle(b), 0.08 * b.normal())
    lying = torch.cos(angle).abs() > 0.7
    side = torch.where(lying, b.rows, b.cols)
    length = torch.where(lying, b.cols, b.rows).float()
    thickness = torch.where(b.chance(0.5) > 0, b.uniform(0.25, 0.8), b.log_uniform(0.12, 0.95))
    thickness = thickness * side
    row, col = _grid(b)
    along = torch.cos(angle) * col + torch.sin(angle) * row + b.uniform(-0.15, 0.15) * length
    across = torch.cos(angle) * row - torch.sin(angle) * col
    across = across + b.uniform(-1, 1) * ((side - thickness).abs() / 2 + 0.12 * thickness)
    across = across + b.chance(0.6) * 0.25 / length * b.normal() * along**2
    knee = b.chance(0.15) * 0.25 * b.normal()
    across = across + knee * torch.sqrt((along - b.uniform(-0.3, 0.3) * length) ** 2 + 400)
    wave = b.chance(0.3) * b.uniform(0, 0.06) * side
    return along, across + wandering(b, along, wave, b.uniform(60, 300)), thickness, length


def _dents(b: Batch, along: Tensor, thickness: Tensor) -> Tensor:
    """Return how far notches reach into a border, and lips out of it (negative)."""
    total = torch.zeros_like(along)
    for _ in range(3):
        width = b.log_uniform(0.01, 0.18) * b.cols
        x = (along - b.uniform(-0.5, 0.5) * b.cols) / width
        x = x.abs() * torch.where(x > 0, b.uniform(0.6, 1.7), 1.0)
        shape = torch.where(b.chance(0.4) > 0, (1 - x).clamp(min=0), torch.exp(-(x.clamp(max=4)
                            ** b.pick(2, 2, 6))))  # fmt: skip
        size = b.chance(0.3) * b.uniform(-0.6, 1) * torch.minimum(1.5 * width, 0.3 * thickness)
        total = total + size * shape
    return total


def _ragged(b: Batch, along: Tensor, thickness: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return how far the whole border, the front and the back are displaced outwards."""
    whole = b.pick(0, 0.3, 0.7, 1.5, 3) * b.uniform(0.3, 1) * noise(b, b.log_uniform(2, 30))
    coarse = b.chance(0.25) * b.uniform(0, 0.03) * thickness * noise(b, b.log_uniform(20, 120))
    sides = []
    for _ in range(2):
        fine = wandering(b, along, b.pick(0.2, 0.5, 1, 3) * b.uniform(0.3, 1),
                         b.log_uniform(2, 60))  # fmt: skip
        spike = wandering(b, along, b.uniform(1, 1), b.log_uniform(1.5, 12))
        burr = b.chance(0.25) * b.log_uniform(0.003, 0.03) * thickness
        sides.append(fine + burr * (spike - b.uniform(0, 1.5)).clamp(min=0))
    return whole + coarse, sides[0], sides[1]


def outlines(b: Batch) -> Outline:
    """Return faces of any outline: bent, wedged, notched, burred, pointed, wholly seen or not."""
    along, across, thickness, length = _axes(b)
    pitch = thickness * (1.1 + b.log_uniform(0.02, 0.5))
    number = (torch.floor(across / pitch + 0.5) * b.chance(0.12)).clamp(-1, 0)
    across = across - number * pitch
    along = along + number * b.uniform(-0.3, 0.3) * length
    wedge = b.chance(0.35) * b.uniform(-0.7, 0.7) / length * along
    other = torch.where(b.chance(0.5) > 0, wedge, b.chance(0.3) * b.uniform(-0.3, 0.3) / length
                        * along)  # fmt: skip
    half = thickness / 2
    front = -half * (1 + wedge).clamp(0.15, 1.85) + _dents(b, along, thickness)
    back = half * (1 + other).clamp(0.15, 1.85) - _dents(b, along, thickness)
    t = (across - front) / (back - front).clamp(min=4)
    ragged, rag_front, rag_back = _ragged(b, along, thickness)
    inward = _distance(across - front) + rag_front, _distance(back - across) + rag_back
    edge = torch.minimum(*inward)
    for sign in (-1, 1):
        far = torch.where(b.chance(0.42) > 0, b.uniform(0.15, 0.46), 3.0) * length
        apex = b.uniform(-1, 1)
        x = ((across / half - apex) / (1 + apex.abs())).abs().clamp(max=1.5)
        point = b.pick(0, 0.3, 0.6, 1.2) * b.uniform(0.5, 1) * thickness
        end = far - torch.minimum(point, 1.4 * far) * x ** b.pick(1, 1, 2, 3)
        end = end + 0.35 * b.normal() * across - sign * along
        sd = b.pick(0, 0, 0.02, 0.08) * b.uniform(0.3, 1) * thickness
        period = b.log_uniform(3, 120)  # long tongues are wide ones
        end = _distance(end) + wandering(b, across, torch.minimum(sd, 0.6 * period), period)
        edge = torch.minimum(edge, end)
    beyond = -(inward[0] + ragged), -(inward[1] + ragged)
    return Outline(along, across, t, edge + ragged, beyond, thickness)


def laid(
    under: Tensor, over: Tensor, inside: Tensor, soft: Tensor | float = 0.6
) -> Tensor:
    """Return one signal laid over another where a distance is positive, over a soft border."""
    share = torch.sigmoid(inside / soft)
    return (1 - share) * under + share * over


def _ground(b: Batch) -> Tensor:
    """Return one or two materials, often out of focus, with dust, glow and gradients."""
    row, col = _grid(b)
    angle = any_angle(b)
    line = torch.cos(angle) * row + torch.sin(angle) * col - b.uniform(-0.4, 0.4) * b.cols
    line = line + b.pick(0, 1, 6) * noise(b, b.log_uniform(3, 60))
    both = b.chance(0.25)
    ground = drawn(b, GROUNDS)
    ground = laid(ground, ground.roll(1, 0), torch.where(both > 0, line, -99.0))
    ground = ground + both * b.uniform(-0.5, 0.5) * torch.exp(-line.abs() / b.log_uniform(2, 20))
    ground = blur(ground, b.pick(0.1, 0.1, 1, 3, 8) * b.uniform(0.3, 1.3))
    if float(torch.rand(())) < 0.6:
        dust, rim = spots(b, b.log_uniform(25, 200), b.uniform(0.3, 0.97), b.log_uniform(0.5, 2))
        grain = b.uniform(0.3, 1.7) + b.uniform(0, 0.2) * noise(b, b.log_uniform(1, 10))
        share = b.chance(0.5) * dust
        ground = (1 - share) * ground + share * (grain + b.uniform(-0.2, 0.6) * rim)
    ground = ground * torch.where(b.chance(0.45) > 0, b.uniform(0.1, 0.8), 1.0)
    glow = torch.exp(-((row**2 + col**2).sqrt() / b.cols - b.uniform(0, 0.6)).abs() * 5)
    ramp = (torch.cos(angle) * col - torch.sin(angle) * row) / b.cols
    ground = ground + b.chance(0.15) * b.uniform(-0.3, 0.5) * glow
    return ground * (1 + b.pick(0, 0, 0.5) * b.uniform(-1, 1) * ramp)


def _body(b: Batch, at: Outline, side: int, surface: Tensor) -> tuple[Tensor, Tensor]:
    """Return electrons of a lens surface beside one border and the distance inside it."""
    wrap = b.chance(0.2)
    out = torch.where(wrap > 0, -at.edge, at.beyond[side])
    reach = torch.where(b.chance(0.3) > 0, b.log_uniform(0.02, 0.2), b.log_uniform(0.2, 4))
    reach = reach * at.thickness
    curve = b.chance(0.5) * 0.4 * b.normal() / b.cols
    border = reach + curve * (at.along - b.uniform(-0.5, 0.5) * b.cols) ** 2
    border = border + wandering(b, at.along, b.pick(0, 0.3, 1, 5), b.log_uniform(4, 80))
    inside = _distance(border - out)
    for sign in (-1, 1):
        far = torch.where(b.chance(0.22) * (1 - wrap) > 0, b.uniform(0.0, 0.45), 4.0) * b.cols
        end = (
            far
            - sign * at.along
            + 0.6 * b.normal() * out
            + b.uniform(0, 3) * noise(b, b.log_uniform(3, 30))
        )
        inside = torch.minimum(inside, end)
    rim = b.pick(0, 0, 0.15, 0.4, 0.9) * b.uniform(0.4, 1)
    mean = surface.mean(dim=(1, 2), keepdim=True)
    surface = mean + b.uniform(0.15, 1) * (surface - mean)
    surface = surface + rim * torch.exp(-inside.clamp(min=0) / b.log_uniform(1, 12))
    across = (out / reach).clamp(0, 1)
    surface = surface * (1 - b.uniform(-0.4, 0.7) * b.chance(0.6) * across)
    beside = b.pick(0, 0.3, 0.7, -0.3, -0.5) * b.uniform(0.4, 1)
    surface = surface + beside * torch.exp(-out.clamp(min=0) / b.log_uniform(1, 15))
    # a chamfer or step along the cut: a band of its own grey, with a line where it ends
    width = b.chance(0.3) * b.log_uniform(2, 0.07 * b.cols)
    width = width * (1 + wandering(b, at.along, b.uniform(0, 0.2), b.log_uniform(20, 200)))
    band = b.uniform(0.3, 1.6) + b.uniform(-0.5, 0.5) * out.clamp(0, 200) / (width + 1)
    band = band + b.log_uniform(0.005, 0.15) * standardised(surface)
    surface = laid(surface, band.clamp(0, 2), torch.where(width > 0, width - out, -99.0))
    line = torch.exp(-(((out - width) / b.uniform(0.8, 3)) ** 2).clamp(max=30)) * (width > 0)
    surface = surface + b.uniform(-0.5, 0.6) * line
    return surface, torch.minimum(inside, out)


def _bodies(
    b: Batch, at: Outline, side: int, surface: Tensor, others: tuple[Body, ...]
) -> tuple[Tensor, Tensor]:
    """Return lens surfaces beside one border, each by one of several hands, and their insides."""
    plane, inside = _body(b, at, side, surface)
    further = torch.rand(b.size, device=b.device) > _OWN_BODIES
    kinds = torch.randperm(len(others))[:_KINDS].tolist()
    owner = torch.arange(b.size, device=b.device) % max(len(kinds), 1)
    for number, kind in enumerate(kinds):
        members = torch.nonzero(further & (owner == number))[:, 0]
        if members.numel():
            part = b.part(int(members.numel()))
            plane[members], inside[members] = others[kind](part, at.part(members), side)
    return plane, inside


def _polygon(b: Batch, row: Tensor, col: Tensor, radius: Tensor) -> Tensor:
    """Return the distance inside a splinter of straight and ragged sides about a place."""
    turn = any_angle(b)
    inside = torch.full((b.size, b.rows, b.cols), 1e4, device=b.device)
    for number in range(5):
        angle = turn + 2 * math.pi * (number + b.uniform(-0.35, 0.35)) / 5
        side = torch.cos(angle) * col + torch.sin(angle) * row
        inside = torch.minimum(inside, radius * b.uniform(0.4, 1.3) - side)
    ragged = b.pick(0, 0.02, 0.08, 0.2) * radius * noise(b, 0.3 * radius + 2)
    return inside + ragged


def _other_thing(b: Batch, at: Outline) -> Tensor:
    """Return the distance inside a haptic or another fragment that lies clear of the face."""
    row, col = _grid(b)
    row, col = row - b.uniform(-0.5, 0.5) * b.rows, col - b.uniform(-0.5, 0.5) * b.cols
    radius = b.log_uniform(0.1, 1.2) * b.cols
    width = b.log_uniform(0.008, 0.06) * b.cols
    width = width * (1 + 0.3 * torch.sigmoid((row - b.uniform(-0.3, 0.3) * b.rows) / 20))
    angle = any_angle(b)
    loop = (
        width
        - (
            torch.sqrt(
                (row + radius * torch.cos(angle)) ** 2 + (col + radius * torch.sin(angle)) ** 2
            )
            - radius
        ).abs()
    )
    cut = torch.cos(angle) * col - torch.sin(angle) * row + b.uniform(-0.1, 0.6) * b.cols
    haptic = torch.minimum(loop, cut)
    fragment = _polygon(b, row, col, b.log_uniform(0.06, 0.35) * b.cols)
    inside = torch.where(b.chance(0.4) > 0, haptic, fragment)
    inside = torch.minimum(inside, -at.edge - b.log_uniform(2, 60))
    return torch.where(b.chance(0.4) > 0, inside, -99.0)


def surround(
    b: Batch, at: Outline, electrons: Tensor, others: tuple[Body, ...] = ()
) -> tuple[Tensor, Tensor]:
    """Return signal and scene codes of everything around the faces.

    Parameters
    ----------
    b : Batch
    at : Outline
    electrons : (size, rows, cols) tensor
        Zones' looks over the whole picture, for things that look like a face: not to be learned.
    others : tuple of Body
        Lens surfaces by further hands.
    """
    signal = _ground(b)
    which = torch.randint(10, (b.size, 1, 1), device=b.device)
    layers = []
    optic, litter = drawn(b, OPTICS, 2), drawn(b, SURFACES, 2)
    for side, (only, both) in enumerate(((2, 8), (5, 8))):
        surface, inside = _bodies(b, at, side, optic.roll(side, 0), others)
        shown = ((which >= only) & (which < only + 3)) | (which >= both)
        layers.append((surface, torch.where(shown, inside, -99.0), BODY))
    thing = _other_thing(b, at)
    rim = b.pick(0, 0.3, 0.8) * torch.exp(-thing.clamp(min=0) / b.log_uniform(1, 15))
    alike = b.chance(0.25) > 0
    plane = torch.where(alike, b.uniform(0.5, 1.2) * electrons, litter) + rim
    layers.insert(int(torch.randint(3, ())), (plane, thing, -1))
    codes = torch.full_like(at.edge, BACKGROUND, dtype=torch.long)
    solid = torch.maximum(at.edge, torch.maximum(layers[0][1], layers[1][1]))
    solid = torch.maximum(solid, layers[2][1]).clamp(max=0)
    shade = b.pick(0, 0.4, 0.8) * b.uniform(0, 1) * torch.exp(solid / b.log_uniform(3, 60))
    halo = b.chance(0.3) * b.uniform(-0.1, 0.4) * torch.exp(solid / b.log_uniform(3, 90))
    signal = signal * (1 - shade) + halo
    for plane, inside, code in layers:
        signal = laid(signal, plane, inside)
        named = torch.where(alike, IGNORED, BODY) if code < 0 else code
        codes = torch.where(inside > 0, named, codes)
    return signal, codes


def _border_place(b: Batch, edge: Tensor) -> tuple[Tensor, Tensor]:
    """Return row and column, from the picture's middle, of a place on the faces' border."""
    step = 4
    near = (edge[:, ::step, ::step].abs() < 3).float().flatten(1) + 1e-7
    at = torch.multinomial(near, 1)[:, :, None]
    cols = -(-b.cols // step)
    row = step * torch.div(at, cols, rounding_mode="floor") - b.rows / 2
    return row, step * (at % cols) - b.cols / 2


def covered(b: Batch, at: Outline, signal: Tensor, codes: Tensor) -> tuple[Tensor, Tensor]:
    """Return the picture with fibres, flakes and tweezer marks over the border, and its codes.

    Thin litter leaves the truth as it is; under a big thing nobody could say.
    """
    row, col = _grid(b)
    row_at, col_at = _border_place(b, at.edge)
    row, col = row - row_at, col - col_at
    angle = any_angle(b)
    u = torch.cos(angle) * col + torch.sin(angle) * row
    v = torch.cos(angle) * row - torch.sin(angle) * col
    # a tweezer mark: two crushed grooves in the face itself
    gap, width = b.log_uniform(0.02, 0.12) * b.cols, b.log_uniform(0.008, 0.04) * b.cols
    long = b.log_uniform(0.03, 0.2) * b.cols
    groove = width - torch.hypot((u.abs() - long).clamp(min=0), v.abs() - gap)
    groove = groove + b.uniform(0, 0.3) * width * noise(b, b.log_uniform(3, 40))
    groove = torch.where(b.chance(0.08) > 0, groove, -99.0)
    crushed = b.uniform(0.5, 1.5) + b.log_uniform(0.01, 0.2) * noise(
        b, b.log_uniform(2, 30), anisotropy=b.log_uniform(1, 20), angle=angle
    )
    share = torch.sigmoid(groove / b.log_uniform(0.5, 5)) * torch.sigmoid(at.edge)
    signal = signal * (1 - share) + crushed * share
    # a fibre: a bowed cylinder, brighter along its flanks
    width = b.log_uniform(0.0015, 0.025) * b.cols
    fibre = v + wandering(b, u, b.pick(0, 4, 25) * b.uniform(0, 1), b.uniform(60, 250))
    fibre = fibre + b.uniform(-1, 1) / b.cols * u**2
    x = (fibre / width).abs()
    inside = torch.minimum(width - fibre.abs(), b.log_uniform(0.1, 2) * b.cols - u.abs())
    inside = torch.where(b.chance(0.18) > 0, inside, -99.0)
    rod = b.uniform(0.2, 1.6) + b.uniform(0, 1) * x.clamp(max=1) ** 4 + 0.03 * noise(b, 4 * width)
    signal = laid(signal, rod, inside)
    codes = torch.where((inside > 0) & (width > 0.008 * b.cols), IGNORED, codes)
    # a flake or splinter
    radius = b.log_uniform(0.006, 0.14) * b.cols
    flake = torch.where(b.chance(0.22) > 0, _polygon(b, row, col, radius), -99.0)
    plane = drawn(b, SURFACES, 2) + b.pick(0, 0.3, 0.9) * torch.exp(
        -flake.clamp(min=0) / b.log_uniform(1, 8)
    )
    shadow = b.uniform(0, 0.5) * torch.exp(flake.clamp(max=0) / b.log_uniform(1, 8))
    signal = laid(signal * (1 - shadow), plane, flake)
    return signal, torch.where((flake > 0) & (radius > 0.02 * b.cols), IGNORED, codes)
