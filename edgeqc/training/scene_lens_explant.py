"""Surfaces of handled lens fragments beside their cut face, as a pathologist mounts them.

An explanted piece has been gripped, rinsed, dried, bent and clamped before it lies in the chamber.
Its own front and back lean away beside the cut: mostly smooth moulded or lathed plastic, of any
grey and often of the face's own, with tide lines, prints, domes of protein, bent lips and rolled
borders on it. Steep parts are brighter, as about 1 / cos of the tilt (Reimer's textbook, from
memory). Nothing here covers a surface with a texture that cutting or tearing would leave.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.scene_materials import any_angle, scratches, spots
from edgeqc.training.scene_surrounds import Body, Outline
from edgeqc.training.strip_fields import Batch, at_line, lines, noise, turned


def _wander(b: Batch, position: Tensor, length: Tensor) -> Tensor:
    """Return a random line of standard deviation 1, read at positions about the middle."""
    count = 2 * (b.rows + b.cols)
    return at_line(lines(b.size, count, length[:, 0], b.device), position + count / 2)


def _samples_from(level: Tensor) -> Tensor:
    """Return how many samples away a smooth field passes zero, to first order."""
    down = functional.pad(level[:, 2:] - level[:, :-2], (0, 0, 1, 1), mode="replicate") / 2
    right = functional.pad(level[:, :, 2:] - level[:, :, :-2], (1, 1), mode="replicate") / 2
    return level / (down * down + right * right).sqrt().clamp(min=1e-4)


def _line(far: Tensor, width: Tensor) -> Tensor:
    """Return a line of a width where a distance is zero."""
    return torch.exp(-((far / width) ** 2).clamp(max=30))


def _calm(b: Batch, at: Outline, side: int) -> Tensor:
    """Return the distance from the cut as moulding left it: without the cut's burrs and notches."""
    across = at.across if side == 1 else -at.across
    ragged = at.beyond[side] - across
    small = functional.avg_pool2d(ragged[:, None], 8, ceil_mode=True)
    half = max(1, b.cols // 200)
    for _ in range(3):
        small = functional.pad(small, (half, half, half, half), mode="replicate")
        small = functional.avg_pool2d(small, 2 * half + 1, stride=1)
    smooth = functional.interpolate(small, (b.rows, b.cols), mode="bilinear", align_corners=False)
    return across + smooth[:, 0]


def _tone(b: Batch) -> Tensor:
    """Return a grey: the face's own more often than not, else from dark to brighter."""
    other = b.log_uniform(0.2, 1.7)
    return torch.where(b.chance(0.55) > 0, 1 + 0.12 * b.normal().clamp(-2.5, 2.5), other)


def _ends(b: Batch, at: Outline, out: Tensor) -> Tensor:
    """Return the distance from a surface's two ends: the face's own, longer, shorter, or none."""
    on_face = at.edge > 0
    high = torch.where(on_face, at.along, -1e5).amax(dim=(1, 2), keepdim=True)
    low = torch.where(on_face, at.along, 1e5).amin(dim=(1, 2), keepdim=True)
    inside = torch.full_like(out, 1e4)
    for sign, last in ((1, high), (-1, -low)):
        last = last.clamp(-0.3 * b.cols, 2.0 * b.cols)
        kind = b.uniform(0, 1)
        shift = torch.where(kind < 0.3, 1.0 * b.normal(), 0.1 * b.cols * b.normal())
        shift = torch.where(kind > 0.5, 4.0 * b.cols, shift)
        lean = b.pick(0, 0.3, 1) * b.normal().clamp(-2, 2)
        end = last + shift + lean * out.clamp(min=0) - sign * at.along
        end = end + b.pick(0, 0, 1, 3) * _wander(b, out, b.log_uniform(4, 60))
        inside = torch.minimum(inside, end / torch.sqrt(1 + lean * lean))
    return inside


def _extent(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor, Tensor]:
    """Return distance from the cut, usual width, and distance inside a surface's outline."""
    out = _calm(b, at, side)
    sliver = b.chance(0.3)
    reach = torch.where(sliver > 0, b.log_uniform(0.03, 0.2), b.log_uniform(0.2, 2.5))
    reach = (reach * at.thickness).clamp(min=3)
    x = (at.along - b.uniform(-0.5, 0.5) * b.cols) / b.cols
    # the optic's round rim, a wedge between rim and cut, or a haptic's root that widens it
    bow = b.pick(0, 0, -1, 1) * b.uniform(0.1, 1.8)
    slope = b.pick(0, 0, 1) * b.uniform(-1.6, 1.6)
    root = b.chance(0.2) * b.log_uniform(0.4, 4)
    grown = torch.sigmoid(x * b.pick(-1, 1) / b.log_uniform(0.008, 0.12))
    border = reach * (1 + slope * x + bow * x * x + root * grown)
    pinch = b.chance(0.12) * b.uniform(0.1, 0.6) * _line(x, b.log_uniform(0.03, 0.2))
    border = border * (1 - pinch)
    border = border + b.pick(0, 0, 0.4, 1.5) * _wander(b, at.along, b.log_uniform(6, 150))
    border = torch.where(b.chance(0.15) > 0, 4.0 * b.cols, border)
    inside = border - out
    steep = _samples_from(inside)
    inside = torch.where(steep.abs() < inside.abs(), steep, inside)
    # a clamp's jaw, or a second cut, takes a corner away along a straight line
    angle = any_angle(b)
    jaw = torch.cos(angle) * at.along + torch.sin(angle) * (out - 0.5 * reach)
    jaw = torch.where(b.chance(0.18) > 0, jaw + b.uniform(0.05, 0.4) * b.cols, 1e4)
    return out, reach, torch.minimum(torch.minimum(inside, jaw), _ends(b, at, out))


def _finished(
    b: Batch, at: Outline, side: int, plane: Tensor, calm: Tensor, reach: Tensor, inside: Tensor
) -> tuple[Tensor, Tensor]:
    """Return a surface with its light, its seam along the cut and its outer line, and its place."""
    out = at.beyond[side]
    far, calm = out.clamp(min=0), calm.clamp(min=0)
    across = (calm / reach).clamp(max=2)
    light = 1 + b.chance(0.5) * b.uniform(-0.35, 0.35) * across
    light = light + b.chance(0.45) * b.uniform(-0.6, 0.6) * at.along / b.cols
    light = light + b.chance(0.2) * 0.1 * b.normal() * _wander(b, at.along, b.uniform(80, 300))
    cloud = noise(b, b.log_uniform(2, 200), exponent=b.uniform(0.6, 1.6))
    plane = plane * light + b.log_uniform(0.001, 0.03) * cloud
    # shadow or glow that dies away from the cut, then the seam: bright, dark, broken or none
    glow = b.pick(0, 0, 0.4, -0.5) * b.uniform(0.2, 1)
    plane = plane + glow * plane * torch.exp(-calm / b.log_uniform(2, 40))
    seam = b.pick(0, 0, 0.6, -0.5) * b.uniform(0.2, 1) * _line(far, b.log_uniform(0.8, 5))
    broken = torch.sigmoid(4 * _wander(b, at.along, b.log_uniform(15, 150)) + b.pick(1, 9, 9))
    plane = plane + seam * broken
    rim = b.pick(0, 0, 0.7, -0.4) * b.uniform(0.2, 1)
    plane = plane + rim * torch.exp(-inside.clamp(min=0) / b.log_uniform(0.8, 7))
    grain = torch.randn(b.size, b.rows, b.cols, device=b.device)
    plane = plane * (1 + b.pick(0, 0, 1) * b.log_uniform(0.004, 0.1) * grain)
    return plane.clamp(0.03, 2.2), torch.minimum(inside, out)


def rinsed_and_dried(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a rinsed surface: bare, with a few tide lines, or a film's meniscus along the cut."""
    out, reach, inside = _extent(b, at, side)
    plane = _tone(b) + 0 * out
    shore = noise(b, b.log_uniform(60, 250), exponent=1.7)
    shore = shore + b.pick(0, 1, -1) * b.uniform(0.3, 1.5) * out / (reach + 20)
    level = b.uniform(-1, 0.6)
    marked = b.chance(0.6)
    for _ in range(3):
        far = _samples_from(shore - level)
        width = b.log_uniform(1, 5)
        tail = torch.exp(-far.clamp(min=0) / (width * b.log_uniform(3, 30)))
        wet = torch.sigmoid(far / width)
        strength = marked * b.uniform(-0.06, 0.09)
        plane = plane + strength * (b.uniform(0.3, 2) * _line(far, width) + tail * wet)
        level = level + b.log_uniform(0.08, 0.8)
    # what stays in the corner along a clamp or the cut: a hollow slope, then its thin foot
    uneven = 1 + 0.3 * _wander(b, at.along, b.log_uniform(30, 200))
    foot = (b.log_uniform(0.05, 0.5) * reach + 3) * uneven.clamp(0.3, 2)
    u = (out / foot).clamp(0, 2)
    hollow = (1 - u).clamp(min=0) ** 2
    meniscus = b.uniform(-0.5, 0.6) * hollow + b.uniform(-0.1, 0.3) * _line(u - 1, 3 / foot)
    return _finished(b, at, side, plane + b.chance(0.3) * meniscus, out, reach, inside)


def bent_lip(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a surface that the cut bent up or down: a crest, a hollow behind it, wide buckles."""
    out, reach, inside = _extent(b, at, side)
    width = b.log_uniform(0.04, 0.6) * torch.minimum(reach, at.thickness) + 2
    swell = b.uniform(0, 0.6) * _wander(b, at.along, b.log_uniform(25, 250))
    u = out.clamp(min=0) / (width * (1 + swell).clamp(0.25, 2.5))
    lip = b.pick(-1, 1) * b.uniform(0.3, 1.6) * (1 - u) * torch.exp(-u * b.uniform(0.6, 1.4))
    wave = (at.along + b.normal() * 0.4 * out) * 6.283 / (b.log_uniform(0.12, 1.2) * b.cols)
    height = torch.sin(wave + any_angle(b)) + 0.5 * torch.sin(0.43 * wave + any_angle(b))
    lip = lip * (1 + b.uniform(0, 0.5) * height).clamp(0, 2)
    buckle = b.chance(0.4) * b.uniform(0.02, 0.3) * height * torch.exp(-u / b.log_uniform(1, 10))
    slope = lip + buckle + b.uniform(-0.5, 0.5)
    steep = torch.sqrt(1 + slope * slope)
    plane = _tone(b) * (1 + b.uniform(0.1, 0.7) * (steep - 1) + b.uniform(-0.3, 0.3) * slope)
    # the lip's far side hides a strip of the surface: a crease of shadow
    crease = b.chance(0.35) * b.uniform(0.15, 0.6)
    plane = plane * (1 - crease * _line(u - b.uniform(1, 1.8), b.log_uniform(0.05, 0.4)))
    return _finished(b, at, side, plane, out, reach, inside)


def rolled_border(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a smooth surface that rolls over at its outer border, and maybe at the cut too."""
    out, reach, inside = _extent(b, at, side)
    plane = _tone(b) + 0 * out
    for far, share in ((inside, 0.85), (out, 0.35)):
        radius = b.log_uniform(0.06, 1.2) * reach + 2
        turn = (1 - far.clamp(min=0) / radius).clamp(0, 1)
        steep = 1 / torch.sqrt((1 - turn * turn).clamp(min=0.05)) - 1
        lit = b.pick(-1, -1, 1, 1) * b.uniform(0.1, 0.9)
        bright = 1 + lit.clamp(min=0) * steep.clamp(max=2)
        dark = 1 + lit.clamp(max=0) * turn ** b.uniform(1, 4)
        plane = plane * torch.where(b.chance(share) > 0, bright * dark, 1.0)
    # another limb of the same piece seen behind the roll, past a dark gap
    gap = b.uniform(0.25, 0.8) * reach * (1 + b.uniform(-0.5, 0.5) * at.along / b.cols)
    past = out - gap
    shown = b.chance(0.25)
    behind = _tone(b) * (1 - b.uniform(0.2, 0.9) * torch.exp(-past.clamp(min=0)
                                                           / b.log_uniform(2, 30)))  # fmt: skip
    share = shown * torch.sigmoid(past / b.log_uniform(0.6, 3))
    bright = shown * b.uniform(0, 0.7) * torch.exp(past.clamp(max=0) / b.log_uniform(1.5, 12))
    plane = (1 - share) * (plane + bright) + share * behind
    return _finished(b, at, side, plane, out, reach, inside)


def gripped(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a smooth surface with one or two prints of forceps and where their tips slipped."""
    out, reach, inside = _extent(b, at, side)
    plane = _tone(b) + 0 * out
    seen = torch.minimum(reach, b.uniform(0.3, 0.6) * b.rows)
    place, apart = b.uniform(-0.4, 0.4) * b.cols, b.log_uniform(0.05, 0.3) * b.cols
    angle = any_angle(b)
    ribs = b.log_uniform(5, 22)
    for number in range(2):
        u = at.along - place - number * apart
        v = out - b.uniform(0.1, 0.9) * seen
        lengthwise = torch.cos(angle) * u + torch.sin(angle) * v
        crosswise = torch.cos(angle) * v - torch.sin(angle) * u
        long, wide = b.log_uniform(0.015, 0.11) * b.cols, b.log_uniform(0.006, 0.035) * b.cols
        round_corner = 0.6 * wide
        corner = torch.hypot((lengthwise.abs() - long + round_corner).clamp(min=0),
                             (crosswise.abs() - wide + round_corner).clamp(min=0))  # fmt: skip
        far = round_corner - corner
        soft = b.log_uniform(0.8, 6)
        print_ = torch.sigmoid(far / soft)
        rib = b.pick(0, 1) * torch.cos(6.283 * lengthwise / ribs + any_angle(b))
        pressed = b.uniform(-0.25, 0.25) + b.uniform(0.02, 0.15) * rib
        pressed = pressed + b.uniform(-0.3, 0.3) * crosswise / wide
        wall = b.uniform(-0.1, 0.35) * _line(far, 1.5 * soft)
        plane = plane + b.chance(0.75) * (print_ * pressed + wall)
    slip = b.chance(0.6) * b.pick(-1, 1) * b.log_uniform(0.02, 0.3) * scratches(b, 3)
    return _finished(b, at, side, plane + slip, out, reach, inside)


def square_edge(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw the optic's sharp edge that the cut meets at a slant: plain planes, lines between."""
    out, reach, inside = _extent(b, at, side)
    x = at.along / b.cols
    plane = _tone(b) * (1 + b.uniform(-0.2, 0.2) * out.clamp(min=0) / (reach + 10))
    level = b.uniform(0.08, 0.5) * reach
    together = b.uniform(-1.2, 1.2)
    turned_line = _wander(b, out - level * together * x, b.log_uniform(1.5, 12))
    for shown in (0.95, 0.35):
        crest = level * (1 + together * x + b.chance(0.3) * b.uniform(-1, 1) * x * x)
        far = _samples_from(out - crest)
        step = torch.sigmoid(far / b.log_uniform(0.5, 4))
        wall = _tone(b) * b.log_uniform(0.5, 1.5)
        wall = wall + b.uniform(-0.3, 0.3) * far.clamp(0, 300) / (reach + 10)
        here = b.chance(shown)
        plane = plane + here * step * (wall - plane)
        crisp = b.pick(0, 0.9, 0.5, -0.4) * b.uniform(0.3, 1)
        plane = plane + here * crisp * _line(far, b.log_uniform(0.8, 4))
        shade = here * b.chance(0.4) * b.uniform(-0.3, 0.3)
        plane = plane + shade * torch.exp(-far.clamp(min=0) / b.log_uniform(4, 40))
        level = level + b.uniform(0.1, 0.5) * reach
    plane = plane + b.chance(0.35) * b.log_uniform(0.004, 0.04) * turned_line
    return _finished(b, at, side, plane, out, reach, inside)


def faint_deposits(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a surface from the eye: sparse domes of protein, a thin membrane's shred, dust."""
    out, reach, inside = _extent(b, at, side)
    plane = _tone(b) + 0 * out
    where = torch.sigmoid(5 * (noise(b, b.log_uniform(40, 200), exponent=1.5) - b.uniform(-1, 1)))
    for pitch in (b.log_uniform(10, 35), b.log_uniform(40, 160)):
        dome, ring = spots(b, pitch, b.uniform(0.5, 0.97), b.log_uniform(0.8, 4))
        lit = dome - dome.roll((2, 1), (1, 2))
        kind = b.uniform(-0.12, 0.15) * dome + b.uniform(-0.15, 0.3) * lit
        plane = plane + b.chance(0.7) * where * (kind + b.uniform(-0.05, 0.25) * ring)
    # a shred of capsule that still clings: a smooth patch with a thin curled border
    shred = _samples_from(noise(b, b.log_uniform(70, 250), exponent=1.8) - b.uniform(0.3, 1.5))
    curl = b.uniform(-0.1, 0.35) * _line(shred, b.log_uniform(1, 5))
    patch = b.uniform(-0.2, 0.2) * torch.sigmoid(shred / b.log_uniform(0.8, 8))
    plane = plane + b.chance(0.4) * (patch + curl)
    return _finished(b, at, side, plane, out, reach, inside)


def charged(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a bare surface that took charge: scan lines of uneven grey, curtains, noise alone."""
    out, reach, inside = _extent(b, at, side)
    row = torch.arange(b.rows, device=b.device, dtype=torch.float32)[None, :, None] - b.rows / 2
    row = row.expand(b.size, -1, 1)
    slow = _wander(b, row, b.log_uniform(20, 200))
    quick = _wander(b, row, b.log_uniform(0.7, 6))
    fade = torch.sigmoid(3 * noise(b, b.log_uniform(80, 250), exponent=1.5) + b.uniform(-2, 2))
    plane = _tone(b) * (1 + b.chance(0.6) * b.uniform(0, 0.2) * slow)
    plane = plane + b.chance(0.6) * b.log_uniform(0.01, 0.15) * quick * fade
    # where charge gathers: a bright or dark pool along the cut or the outer border
    pool = torch.where(b.chance(0.5) > 0, out, inside).clamp(min=0)
    pool = torch.exp(-pool / (b.log_uniform(0.1, 1) * reach + 4))
    plane = plane * (1 + b.uniform(-0.5, 0.6) * pool * fade)
    curtain = _wander(b, turned(b, any_angle(b))[0], b.log_uniform(40, 250))
    plane = plane * (1 + b.chance(0.4) * b.uniform(0, 0.15) * curtain)
    grain = b.log_uniform(0.002, 0.12) * noise(b, b.log_uniform(0.3, 3), exponent=0.3)
    return _finished(b, at, side, plane * (1 + grain), out, reach, inside)


BODIES: tuple[Body, ...] = (
    rinsed_and_dried, bent_lip, rolled_border, gripped, square_edge, faint_deposits, charged,
)  # fmt: skip
"""What a handled piece shows beside its cut face."""
