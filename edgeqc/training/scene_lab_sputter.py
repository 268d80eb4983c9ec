"""Whole scenes of a laboratory that sputters gold and looks from one side in high vacuum.

Everything is a height map under one lamp: the detector collects most from what leans towards it,
flanks and rims give more (about 1 / cos of the tilt, Goldstein's textbook, from memory), and what
stands up shades what lies behind. A piece on edge has one surface in the light, one in shadow.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training import scene_materials as stuff
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_materials import any_angle, scratches, silver_paint, spots
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import wandering
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, turned
from edgeqc.training.strip_places import Place

_Pair = tuple[Tensor, Tensor]
_NONE, _PAD = -99.0, 48
_Light = tuple[Tensor, Tensor, Tensor]  # to the detector in columns and rows; how one-sided


@dataclass(frozen=True)
class _Piece:
    """Where samples lie on a face or two: ``out``, ``limb`` from ragged and smooth borders."""

    along: Tensor
    across: Tensor
    t: Tensor
    edge: Tensor
    out: list[Tensor]
    limb: list[Tensor]
    ends: Tensor
    thickness: Tensor
    angle: Tensor


def _cloud(b: Batch, low: float, high: float) -> Tensor:
    return noise(b, b.log_uniform(low, high), exponent=1.5)


def _fades(far: Tensor, length: Tensor) -> Tensor:
    return torch.exp(-far.clamp(min=0) / length)


def _trail(plane: Tensor, light: _Light, length: Tensor, spread: Tensor) -> Tensor:
    """Return what stands towards the detector, weighed less the farther off: one-sided blur."""
    wide = functional.pad(plane[:, None], (_PAD,) * 4, mode="replicate")[:, 0]
    size = wide.shape[-2:]
    f_row = torch.fft.fftfreq(size[0], device=plane.device)[None, :, None]
    f_col = torch.fft.rfftfreq(size[1], device=plane.device)[None, None, :]
    to, beside = light[0] * f_col + light[1] * f_row, light[0] * f_row - light[1] * f_col
    gain = torch.exp(-2 * (math.pi * spread * beside) ** 2)
    gain = gain / torch.complex(torch.ones_like(to), -2 * math.pi * length * to)
    seen = torch.fft.irfft2(torch.fft.rfft2(wide) * gain, s=size)
    return seen[:, _PAD:-_PAD, _PAD:-_PAD]


def _lit(b: Batch, height: Tensor, light: _Light, low: float, high: float) -> Tensor:
    """Return the electrons of a height map: tilt, facing the detector, shadows in hollows."""
    wide = functional.pad(height[:, None], (1,) * 4, mode="replicate")[:, 0]
    right, down = wide[:, 1:-1, 2:] - wide[:, 1:-1, :-2], wide[:, 2:, 1:-1] - wide[:, :-2, 1:-1]
    steep = b.log_uniform(low, high) / ((right**2 + down**2).mean((1, 2), True).sqrt() + 1e-4)
    right, down = (right * steep).clamp(-6, 6), (down * steep).clamp(-6, 6)
    tilt = torch.sqrt(1 + right**2 + down**2)
    facing = -(light[0] * right + light[1] * down) / tilt
    gain = tilt ** b.uniform(0.5, 1.1) * (1 + light[2] * facing)
    hollow = (_trail(height, light, b.log_uniform(3, 60), b.uniform(1, 6)) - height) * steep
    gain = (gain / (1 + b.uniform(0, 0.5) * hollow.clamp(0, 30))).clamp(max=4)
    return gain / gain.mean(dim=(1, 2), keepdim=True).clamp(min=0.2)


def _pits(b: Batch) -> Tensor:
    """Bubbles in glue: hollows of many sizes with round or steep flanks, folds, a soft skin."""
    pitch = b.log_uniform(14, 150)
    skin = b.pick(0, 0.1, 0.3) * b.uniform(0, 1) * _cloud(b, 5, 80)
    hollow, _ = spots(b, pitch, b.uniform(0.1, 0.9), b.log_uniform(1, 6))
    return pitch * (skin - hollow + b.pick(0, 0, 0.3) * _rough(b))


def _rough(b: Batch) -> Tensor:
    """Wrinkled tape, broken wax, plaster: a field of any fineness, or the crests where it folds."""
    field = noise(b, b.log_uniform(2, 100), exponent=b.uniform(0.3, 1.6), angle=any_angle(b),
                  anisotropy=b.log_uniform(1, 20))  # fmt: skip
    fold = torch.exp(-field.abs() / b.uniform(0.1, 0.6)) + b.pick(0, 0.05) * _cloud(b, 4, 30)
    return torch.where(b.chance(0.5) > 0, fold, field)


def _foil(b: Batch) -> Tensor:
    """Foil that was crumpled and smoothed again: flat facets, straight creases, rolling lines."""
    height = b.uniform(0, 0.02) * noise(b, b.log_uniform(2, 20))
    for _ in range(7):
        along, across = turned(b, any_angle(b))
        bent = across + b.uniform(-0.3, 0.3) * (along - b.uniform(-0.4, 0.4) * b.cols).abs()
        height = height + b.uniform(-5, 5) / b.cols * (bent - b.uniform(-0.5, 0.5) * b.cols).abs()
    return height


def _turned_metal(b: Batch) -> Tensor:
    """Grooves of a lathe about a far or near centre, scalloped, with a ragged tool's lines."""
    along, across = turned(b, any_angle(b))
    radius = torch.sqrt((along + b.log_uniform(0.1, 8) * b.cols) ** 2 + across**2)
    radius = radius - radius.mean(dim=(1, 2), keepdim=True)
    pitch = b.log_uniform(4, 60)
    height = pitch * ((radius / pitch).remainder(1) - 0.5) ** 2 * b.pick(0.3, 1, 1)
    height = height + b.pick(0, 0.2, 0.6) * noise(b, b.log_uniform(1.5, 8))
    return height + wandering(b, radius, b.uniform(0, 1.5), b.log_uniform(1, 8))


_Kinds = tuple[tuple[Callable[[Batch], Tensor], float, float], ...]
_TAPES: _Kinds = ((_pits, 0.1, 0.9), (_rough, 0.05, 0.6), (_pits, 0.3, 1.5))
_METALS: _Kinds = ((_turned_metal, 0.08, 0.8), (stuff.polished_metal, 0.05, 0.5))
_WRAPS: _Kinds = ((_foil, 0.15, 1.0), (silver_paint, 0.2, 1.2), (_foil, 0.3, 1.5), *_TAPES[1:2])
_OTHERS: _Kinds = ((stuff.dried_salt, 0.2, 1.2), (stuff.fibres, 0.3, 1.4), *_METALS, *_TAPES)


def _ground(b: Batch, light: _Light, kinds: _Kinds) -> Tensor:
    """Return electrons of a ground of one of two kinds per member, sharp or out of focus."""
    plane = torch.ones(b.size, b.rows, b.cols, device=b.device)
    for number, kind in enumerate(torch.randperm(len(kinds))[:2].tolist()):
        at = torch.arange(number, b.size, 2, device=b.device)
        if at.numel():
            own, (draw, low, high) = b.part(int(at.numel())), kinds[kind]
            lamp = light[0][at], light[1][at], light[2][at]
            plane[at] = _lit(own, draw(own), lamp, low, high)
    level = torch.where(b.chance(0.5) > 0, b.log_uniform(0.06, 0.7), b.uniform(0.7, 1.25))
    plane = blur(plane, b.pick(0.2, 0.2, 0.6, 2, 5) * b.uniform(0.5, 1.5))
    wide = 1 + b.pick(0, 0.1, 0.3) * noise(b, b.uniform(80, 250), exponent=1.5)
    return (level * plane * wide.clamp(0.3, 2)).clamp(0, 2.6)


def _border(b: Batch, x: Tensor, thick: Tensor, long: Tensor) -> tuple[Tensor, ...]:
    """Return an axis's bend, a border's own course outwards, and its damage, (size, n) each."""
    def u(low: float, high: float, share: float = 1.0) -> Tensor:
        return b.some(share, low, high)[:, 0]
    def worn(finest: float, coarsest: float) -> Tensor:
        return lines(b.size, x.shape[1], b.log_uniform(finest, coarsest)[:, 0], b.device)
    bow = u(-0.35, 0.35, 0.5) / long * (x - u(-0.3, 0.3) * long) ** 2
    knee = u(-0.5, 0.5, 0.15) * ((x - u(-0.35, 0.35) * long) ** 2 + 60).sqrt()
    step = torch.sigmoid((x - u(-0.4, 0.4) * long) / b.log_uniform(0.8, 40)[:, 0])
    fine = u(-0.25, 0.25, 0.2) * thick * step + b.pick(0.1, 0.4, 1, 2)[:, 0] * worn(2, 50)
    fine = fine + u(0.005, 0.04, 0.25) * thick * (worn(2, 20) - u(0.3, 1.8)).clamp(min=0)
    for _ in range(3):
        wide = b.log_uniform(0.008, 0.12)[:, 0] * long
        far = ((x - u(-0.5, 0.5) * long) / wide).abs().clamp(max=5)
        notch = torch.where(u(0, 1) > 0.5, (1 - far).clamp(min=0), torch.exp(-(far**4)))
        fine = fine - u(-0.3, 1, 0.2) * torch.minimum(wide, 0.25 * thick) * notch
    room = (0.38 * thick - 4).clamp(min=1)
    course = (0.5 * (bow + knee) + u(-0.5, 0.5, 0.3) * thick / long * x).maximum(-room)
    return bow + knee, course, fine.maximum(-0.3 * room)


def _ended(b: Batch, edge: Tensor, at: _Pair, thickness: Tensor, reach: list[Tensor]) -> _Pair:
    """Return the distance inside faces with ends, slanted, round or ragged, and that from ends."""
    ends = torch.full_like(edge, 1e4)
    for far, along in zip(reach, (at[0], -at[0]), strict=True):
        lean = b.pick(0.05, 0.2, 0.6) * b.normal()
        bulge = b.pick(0, 0, 1, 2) * b.uniform(-0.1, 0.2) * at[1] ** 2 / thickness
        end = (far - along + lean * at[1] - bulge) / (1 + lean**2).sqrt()
        end = end + b.pick(0, 0.5, 2) * b.uniform(0, 1) * noise(b, b.log_uniform(3, 40))
        radius = b.pick(0.02, 0.05, 0.2, 0.45) * b.uniform(0.3, 1) * thickness
        gone = ((radius - edge).clamp(min=0) ** 2 + (radius - end).clamp(min=0) ** 2).sqrt()
        edge = torch.where(torch.maximum(edge, end) < radius, radius - gone, edge.minimum(end))
        ends = torch.minimum(ends, end - b.uniform(0.6, 1.2) * radius)
    return edge, ends


def _piece(b: Batch, free: float, low: float, high: float, ended: float, two: float) -> _Piece:
    """Return pieces at any angle in a share, of a thickness between fractions of the short side."""
    angle = math.pi / 2 * b.pick(0, 0, 1, 2, 3) + 0.07 * b.normal()
    angle = torch.where(b.chance(free) > 0, any_angle(b), angle)
    length = torch.where(torch.cos(angle).abs() > 0.7, b.cols, b.rows).float()
    part = torch.where(b.chance(0.5) > 0, b.uniform(low, high), b.log_uniform(low, high))
    side = float(min(b.rows, b.cols))
    thickness = side * part
    along, across = turned(b, angle)
    across = across + b.uniform(-0.5, 0.5) * (1.15 * side - thickness).clamp(min=0.1 * side)
    count = 2 * (b.rows + b.cols)
    x = torch.arange(count, device=b.device, dtype=torch.float32)[None] - count / 2
    thick, long = thickness[:, 0], length[:, 0]
    axis = _border(b, x, thick, long)[0]
    pitch = thickness * (1.12 + b.log_uniform(0.02, 0.7))
    bent, both = across - at_line(axis, along + count / 2), b.chance(two)
    second = both * (bent > pitch / 2)
    fold = torch.where(both > 0, (pitch / 2 - bent).abs() - 1, 1e4)
    bent, along = bent - second * pitch, along + (second - 0.4) * b.uniform(-0.5, 0.5) * length
    edges, out, limb = [], [], []
    for sign in (-1.0, 1.0):
        _, course, fine = _border(b, x, thick, long)
        smooth = sign * (thick / 2 + course)
        slope = functional.pad((axis + smooth)[:, 2:] - (axis + smooth)[:, :-2], (1, 1)) / 2
        slant = (1 + at_line(slope.clamp(-1.5, 1.5), along + count / 2) ** 2).sqrt()
        limb.append(sign * (bent - at_line(smooth, along + count / 2)) / slant)
        edges.append(at_line(smooth + sign * fine, along + count / 2))
        out.append(sign * (bent - edges[-1]) / slant)
    far = [torch.where(b.chance(ended) > 0, b.uniform(0.12, 0.47), 3.0) * length for _ in "ab"]
    t = (bent - edges[0]) / (edges[1] - edges[0]).clamp(min=4)
    edge, ends = _ended(b, -torch.maximum(*out), (along, bent), thickness, far)
    return _Piece(along, across, t, edge.minimum(fold), out, limb, ends, thickness, angle)


def _marks(b: Batch, along: Tensor, out: Tensor) -> Tensor:
    """Return what a lens surface bears: nothing, faint rings, dimples, scratches, haze, film."""
    at = out * b.log_uniform(0.5, 4) + 0.002 * along**2 / b.cols
    plane = b.some(0.5, 0, 0.06) * _cloud(b, 40, 200)
    plane = plane + wandering(b, at, b.some(0.2, 0.01, 0.04), b.uniform(3, 9))
    plane = plane + b.some(0.3, 0.005, 0.04) * noise(b, b.log_uniform(0.8, 3), exponent=0.5)
    plane = plane - b.some(0.2, 0.1, 0.4) * torch.sigmoid(4 * (_cloud(b, 4, 14) - 2.3))
    film = torch.sigmoid(12 * (_cloud(b, 30, 120) - b.uniform(0, 2))) * b.some(0.25, -0.15, 0.15)
    return plane + film + b.some(0.25, -0.4, 0.4) * scratches(b, 3)


@dataclass
class _Stage:
    """A scene as it grows: the faces, the lamp, electrons and codes."""

    b: Batch
    piece: _Piece
    light: _Light
    signal: Tensor
    codes: Tensor

    def lay(self, plane: Tensor, inside: Tensor, code: int, soft: Tensor | float = 0.6) -> None:
        """Lay a thing over what is there."""
        self.signal = self.signal + torch.sigmoid(inside / soft) * (plane - self.signal)
        self.codes = torch.where(inside > 0, code, self.codes)

    def shade(self, solid: Tensor, most: float, low: float, high: float) -> None:
        """Cast the shadow of a thing, away from the detector, and the dark of its foot."""
        b = self.b
        cast = _trail(torch.sigmoid(solid), self.light, b.log_uniform(low, high), b.uniform(1, 15))
        foot = b.pick(0, 0.3, 0.8) * _fades(-solid, b.log_uniform(2, 25))
        glow = b.some(0.2, 0, 0.4) * _fades(-solid, b.uniform(5, 60))
        depth = b.some(0.85, 0.2, 1) * most * (2 * cast).clamp(0, 1)
        self.signal = self.signal * (1 - depth) * (1 - foot) + glow

    def facing(self, sign: Tensor | float) -> Tensor:
        """Return how the front's (-1) or back's (1) outside changes with the detector's side."""
        over = self.light[1] * torch.cos(self.piece.angle)
        return sign * self.light[2] * (over - self.light[0] * torch.sin(self.piece.angle))

    def flanks(self, none: float, wide: float) -> None:
        """Lay in neither, one or both lens surfaces."""
        b, sort, third = self.b, self.b.uniform(0, 1), (1 - none) / 3
        for side, shown in enumerate((sort > none + third, (sort > none) & (sort < 1 - third))):
            part = torch.where(b.chance(wide) > 0, b.log_uniform(0.12, 2.5), b.uniform(0.01, 0.12))
            self.flank(side, shown * (part * self.piece.thickness).clamp(min=2.5))

    def flank(self, side: int, reach: Tensor) -> None:
        """Lay in a lens surface beside one border, as far as it reaches (0: not at all)."""
        b, out, along = self.b, self.piece.out[side], self.piece.along
        course = 1 + b.some(0.35, -1.2, 1.2) / b.cols * along
        border = reach * (course + b.some(0.3, -1, 1) * (2 * along / b.cols) ** 2)
        border = border + wandering(b, along, b.pick(0, 0.3, 1, 2), b.log_uniform(20, 150))
        inside = torch.minimum(border - self.piece.limb[side], out)
        shift = b.pick(0, 0, 1) * b.uniform(-0.15, 0.06) * b.cols
        inside = torch.minimum(inside, self.piece.ends + shift + b.pick(0, 0.4) * b.normal() * out)
        x, equal = (out / border.clamp(min=2)).clamp(0, 1), b.chance(0.45)
        level = (1 + self.facing(2.0 * side - 1) * b.uniform(0.6, 1.1)).clamp(0.12, 1.9)
        level = torch.where(equal > 0, 1 + 0.08 * b.normal(), level)
        bend = b.some(0.7, -0.6, 0.6) * x ** b.uniform(0.5, 2) + _marks(b, along, out)
        limb = b.pick(0, 0.2, 0.6) * b.uniform(0.3, 1) + 0.3 * (level < 0.45)
        shoulder = (b.pick(0, 0, 0.4, 0.8) - equal * b.pick(0, 0.2, 0.6)) * b.uniform(0.3, 1)
        body = level * (1 + bend) + limb * _fades(inside, b.log_uniform(1, 12))
        body = body + shoulder * _fades(out, b.log_uniform(1, 14))
        bevel = b.some(0.25, 0, 1) ** 2 * 0.12 * b.rows
        on_bevel = torch.sigmoid((bevel - out) / 0.8) * (bevel > 2)
        body = (body + on_bevel * (b.uniform(0.4, 1.6) - body)).clamp(0, 2.8)
        self.lay(body, torch.where(reach > 0, inside, _NONE), 1)

    def seat(self, electrons: Tensor) -> None:
        """Lay the cut face in: its grey, the bright rim of gold, a line where it joins."""
        b, edge, t = self.b, self.piece.edge, self.piece.t
        towards = self.facing(torch.where(t < 0.5, -1.0, 1.0))
        ramp = b.some(0.4, -0.35, 0.35) * (t.clamp(0, 1) - 0.5)
        rim = b.pick(0, 0.2, 0.5, 1.1) * b.uniform(0.4, 1) * (1 + towards)
        plane = electrons * b.uniform(0.7, 1.15) * (1 + ramp)
        self.lay(plane + rim * _fades(edge, b.log_uniform(0.8, 9)), edge, 2, b.uniform(0.25, 1.1))
        join = b.pick(0, 0, 0.5, -0.5) * b.uniform(0.2, 1)
        self.signal = self.signal + join * _fades((edge + b.uniform(0, 2)).abs(), b.uniform(0.5, 2))

    def dressed(self) -> _Pair:
        """Add what lies over all alike: stains, specks, a fibre, the glow of what charges."""
        b, light, edge = self.b, self.light, self.piece.edge
        stain = torch.sigmoid(10 * (_cloud(b, 15, 90) - b.uniform(0.8, 2)))
        self.signal = self.signal * (1 + b.some(0.25, -0.35, 0.3) * stain)
        speck, rim = spots(b, b.log_uniform(8, 60), b.uniform(0.75, 0.99), b.uniform(0.5, 2))
        speck = speck - 0.7 * light[2] * (speck - speck.roll((1, 1), (1, 2))) + rim
        self.signal = self.signal + b.some(0.22, -0.3, 0.8) * speck
        along, across = turned(b, any_angle(b))
        half, along = b.log_uniform(1, 8), along - b.uniform(-0.4, 0.4) * b.cols
        far = across - b.uniform(-0.35, 0.35) * b.rows + b.uniform(-1, 1) / b.cols * along**2
        inside = torch.minimum(half - far.abs(), b.uniform(0.05, 0.6) * b.cols - along.abs())
        inside = torch.where(b.chance(0.18) > 0, inside, _NONE)
        fibre = b.uniform(0.4, 1.2) * (1 + 0.6 * light[2] * (far / half)).clamp(0.2, 2)
        codes = torch.where((inside > 0) & (half > 2.5) & (edge > -2), IGNORED, self.codes)
        self.lay(fibre, inside, 0)
        charged = _trail(torch.sigmoid(edge), light, b.uniform(20, 90), b.uniform(10, 40))
        return (self.signal + b.some(0.12, -0.25, 0.4) * charged).clamp(0, 3), codes


def _scene(draw: Callable[[_Stage, Tensor], None], kinds: _Kinds, *shape: float) -> Scene:
    """Make a scene of what lays a piece, of ``_piece``'s shape, into its ground."""
    def scene(b: Batch) -> tuple[Place, Finish]:
        at, way = _piece(b, *shape), any_angle(b)
        light = torch.cos(way), torch.sin(way), b.uniform(0.2, 1.0)
        def finish(electrons: Tensor) -> _Pair:
            nothing = torch.zeros_like(at.edge, dtype=torch.long)
            stage = _Stage(b, at, light, _ground(b, light, kinds), nothing)
            draw(stage, electrons)
            return stage.dressed()
        return zones(b, at.along, at.across, at.t, at.thickness, at.edge), finish
    return functools.wraps(draw)(scene)


def _stood_in_slit(stage: _Stage, electrons: Tensor) -> None:
    """Stand a piece on edge in the slit of a split stub: jaws, dark gaps, a lit or dark flank."""
    b, at, jaws = stage.b, stage.piece, stage.signal
    stage.signal = blur(jaws, b.uniform(4, 12)) * b.uniform(0.05, 0.5)
    stage.flanks(0.3, 0.6)
    for sign in (-1.0, 1.0):
        jaw = sign * at.across - at.thickness * (0.5 + b.log_uniform(0.01, 0.7))
        jaw = jaw + b.uniform(-0.06, 0.06) * at.along + b.pick(0, 1) * noise(b, b.uniform(2, 30))
        jaw = torch.where(b.chance(0.85) > 0, jaw, _NONE)
        stage.shade(jaw, 0.7, 4, 40)
        lip = 1 + b.uniform(-0.4, 1) * _fades(jaw, b.log_uniform(1, 20))
        stage.lay(jaws * b.uniform(0.7, 1.3) * lip, jaw, 0)
    stage.shade(at.edge, 0.6, 3, 25)
    stage.seat(electrons)


def _leant_on_tape(stage: _Stage, electrons: Tensor) -> None:
    """Lean a piece on carbon tape: one wide flank, a long cast shadow, glue at its foot."""
    b, edge = stage.b, stage.piece.edge
    wet = b.log_uniform(2, 0.2 * b.rows) * (1 + 0.4 * noise(b, b.log_uniform(15, 90)))
    glue = b.uniform(0.05, 1.2) * (1 + (edge / wet.clamp(min=2)).clamp(-1, 0))
    stage.lay(glue, torch.where(b.chance(0.3) > 0, edge + wet, _NONE), 0)
    stage.shade(edge, 0.95, 10, 120)
    stage.flanks(0.35, 0.75)
    stage.seat(electrons)


def _bedded_in_foil(stage: _Stage, electrons: Tensor) -> None:
    """Bed a piece in foil and silver paint, whose fillets climb its sides or lap over."""
    b, edge = stage.b, stage.piece.edge
    stage.shade(edge, 0.8, 4, 60)
    stage.flanks(0.35, 0.4)
    stage.seat(electrons)
    size = b.log_uniform(12, 120)
    swell = size * (noise(b, size, exponent=1.6) - b.uniform(0.3, 1.8))
    reach = torch.where(b.chance(0.3) > 0, b.uniform(0.02, 0.2), -9) * stage.piece.thickness
    lap = torch.minimum(swell, reach - edge)
    foot = torch.minimum(swell + b.uniform(0, 1) * size, -edge)
    paint = torch.maximum(lap, torch.where(b.chance(0.45) > 0, foot, _NONE))
    half = silver_paint(b.part((b.size + 1) // 2))
    flakes = torch.cat([half, half.flip(1, 2)])[: b.size]
    dried = _lit(b, flakes, stage.light, 0.1, 1.2) * b.uniform(0.4, 1.4)
    stage.lay(dried + b.uniform(0, 0.6) * _fades(paint, b.log_uniform(1, 8)), paint, 0)
    stage.codes = torch.where((lap > 0) & (edge > -2), IGNORED, stage.codes)


def _seen_over_stub(stage: _Stage, electrons: Tensor) -> None:
    """See small pieces whole, far apart on a stub: tape's torn border, chips, a loop, salt."""
    b, edge = stage.b, stage.piece.edge
    along, across = turned(b, any_angle(b))
    torn = across + b.uniform(-0.3, 0.3) * b.rows + b.pick(1, 4, 12) * _cloud(b, 5, 60)
    torn = torch.where(b.chance(0.5) > 0, torn, _NONE)
    stage.shade(torn, 0.6, 4, 20)
    stage.lay(_ground(b, stage.light, _OTHERS), torn, 0)
    chips = b.rows * 0.1 * (noise(b, b.log_uniform(25, 90), exponent=1.9) - b.uniform(1.2, 2.2))
    ring = b.log_uniform(0.2, 1.5) * b.cols
    loop = b.log_uniform(2, 18) - (((along - ring) ** 2 + across**2).sqrt() - ring).abs()
    thing = torch.minimum(torch.where(b.chance(0.4) > 0, loop, chips), -edge - b.uniform(3, 40))
    thing = torch.where(b.chance(0.35) > 0, thing, _NONE)
    stage.shade(torch.maximum(edge, thing), 0.95, 6, 90)
    top = b.uniform(0.5, 1.4) + 0.4 * _fades(thing, b.uniform(2, 12)) + _marks(b, along, across)
    stage.lay(top, thing, 1)
    stage.flanks(0.35, 0.5)
    stage.seat(electrons)


SCENES: tuple[Scene, ...] = (
    _scene(_stood_in_slit, _METALS, 0.2, 0.15, 0.75, 0.25, 0.0),
    _scene(_leant_on_tape, _TAPES, 0.45, 0.12, 0.6, 0.5, 0.12),
    _scene(_bedded_in_foil, _WRAPS, 0.3, 0.25, 0.9, 0.3, 0.05),
    _scene(_seen_over_stub, _OTHERS, 0.6, 0.12, 0.4, 0.75, 0.35),
)
