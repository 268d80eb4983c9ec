"""What a specimen chamber shows beside a cut face: grounds to lie on, and other lens surfaces.

Every material takes a ``Batch`` and returns electrons, (size, rows, cols), about 1 where a cut
face is 1. Carbon is dark (few secondary electrons), metals and gold-coated things are bright, and
steep flanks and rims are brighter than flats (yield about 1 / cos of the tilt; Goldstein's
textbook, from memory). The grounds lie below the face and are often out of focus.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.strip_fields import (
    Batch,
    at_line,
    blur,
    cells,
    lines,
    noise,
    numbers_at,
    places,
    standardised,
    turned,
)

Material = Callable[[Batch], Tensor]


def any_angle(b: Batch) -> Tensor:
    """Return a direction per member."""
    return b.uniform(-3.15, 3.15)


def spots(b: Batch, pitch: Tensor, gaps: Tensor, sharp: Tensor) -> tuple[Tensor, Tensor]:
    """Return scattered roundish grains of many sizes, 1 inside and 0 outside, and their rims."""
    shape = b.uniform(0, 0.06) * noise(b, 0.2 * pitch + 1)
    far = torch.full_like(shape, 9.0)
    for scale in (1.0, 0.7):  # one grain within a cell at most, in each of two turned lattices
        along, across = turned(b, any_angle(b))
        u, v = along / (scale * pitch) + b.uniform(0, 1), across / (scale * pitch)
        cell_u, cell_v = torch.floor(u), torch.floor(v)
        found = numbers_at(torch.rand(4, b.size, 4096, device=b.device), cell_u, cell_v)
        radius = 0.05 + 0.28 * found[0] ** 3
        room = 1 - 2 * (radius + 0.12)
        u = u - cell_u - 0.5 - (found[1] - 0.5) * room
        v = v - cell_v - 0.5 - (found[2] - 0.5) * room
        away = scale * (torch.sqrt(u * u + v * v) - radius) + 9.0 * (found[3] < gaps)
        far = torch.minimum(far, away)
    far = (far + shape.clamp(-0.1, 0.1)) * pitch
    sharp = torch.minimum(sharp, 0.05 * pitch)
    return torch.sigmoid(-far / sharp), torch.exp(-((far / (1.5 * sharp)) ** 2).clamp(max=30))


def scratches(b: Batch, count: int) -> Tensor:
    """Return single scratches, long or short, straight or bowed; 1 where deepest."""
    total = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    common = any_angle(b)
    kin = b.chance(0.4)
    for _ in range(count):
        along, across = turned(b, common + torch.where(kin > 0, b.uniform(-0.1, 0.1), any_angle(b)))
        along = along - b.uniform(-0.5, 0.5) * b.cols
        bow = b.uniform(-0.6, 0.6) / b.cols
        line = across - b.uniform(-0.5, 0.5) * b.cols - bow * along**2
        reach = (b.log_uniform(0.05, 1.5) * b.cols - along.abs()) / (0.02 * b.cols)
        width = b.log_uniform(0.7, 4)
        depth = b.uniform(0.2, 1) * torch.sigmoid(reach)
        total = total + depth * torch.exp(-((line / width) ** 2).clamp(max=30))
    return total


def _profile(b: Batch, position: Tensor, finest: float, coarsest: float) -> Tensor:
    """Return parallel lines: a random profile read at positions that may lie anywhere."""
    count = 4096
    line = lines(b.size, count, b.log_uniform(finest, coarsest)[:, 0], b.device)
    return at_line(line, position.remainder(count - 2.0))


def _centred(b: Batch, nearest: float, farthest: float) -> tuple[Tensor, Tensor]:
    """Return distance from and angle about a centre so many picture widths away."""
    along, across = turned(b, any_angle(b))
    along = along + b.log_uniform(nearest, farthest) * b.cols
    return torch.sqrt(along**2 + across**2), torch.atan2(across, along)


def _levelled(b: Batch, low: float, high: float, pattern: Tensor, most: float) -> Tensor:
    """Return a pattern about a level, of a contrast up to ``most``."""
    return b.uniform(low, high) + b.log_uniform(0.05 * most, most) * standardised(pattern)


def carbon_tape(b: Batch) -> Tensor:
    """Draw dark glue with pits that have bright rims, wrinkles and a soft grain."""
    inside, rim = spots(b, b.log_uniform(12, 140), b.uniform(0.1, 0.9), b.log_uniform(0.6, 4))
    folds = noise(b, b.log_uniform(20, 150), anisotropy=b.log_uniform(2, 40), angle=any_angle(b),
                  exponent=1.5)  # fmt: skip
    crest = torch.exp(-folds.abs() / b.uniform(0.05, 0.3)) * b.pick(0, 0, 1, 1)
    plane = b.uniform(0.3, 1.5) * rim - b.uniform(0, 1) * inside + b.uniform(0.3, 1.2) * crest
    plane = plane + b.uniform(0.1, 0.6) * noise(b, b.log_uniform(2, 60))
    return _levelled(b, 0.05, 0.55, plane, 0.2)


def turned_metal(b: Batch) -> Tensor:
    """Draw a turned stub: arcs of one pitch about a centre, with a profile of the tool's."""
    far, angle = _centred(b, 0.05, 20)
    far = far + b.pick(0, 0, 1, 3) * noise(b, b.log_uniform(20, 100))
    pitch = b.log_uniform(3, 70)
    phase = (far / pitch).remainder(1)
    groove = torch.where(b.chance(0.5) > 0, (2 * phase - 1) ** 2, phase)
    plane = b.uniform(0, 1) * standardised(groove) + b.uniform(0.3, 1) * _profile(b, far, 0.7, 12)
    plane = plane * (1 + b.uniform(0, 0.6) * torch.cos(2 * angle + any_angle(b)))
    plane = plane + b.uniform(0, 0.5) * noise(b, b.log_uniform(0.8, 6))
    return _levelled(b, 0.25, 1.5, plane, 0.3)


def polished_metal(b: Batch) -> Tensor:
    """Draw ground or polished metal: crossing hair lines, single scratches, pores."""
    plane = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for share in (1.0, 0.5, 0.25):
        along, across = turned(b, any_angle(b))
        strength = share * b.uniform(0, 1) * (1 + 0.5 * noise(b, b.log_uniform(20, 200)))
        bowed = across + b.uniform(-0.2, 0.2) / b.cols * along**2
        plane = plane + strength * _profile(b, bowed + 2048, 0.6, 6)
    pores, _ = spots(b, b.log_uniform(15, 90), b.uniform(0.5, 1), b.log_uniform(0.5, 2))
    return _levelled(b, 0.25, 1.5, plane + scratches(b, 4) - 2 * b.chance(0.5) * pores, 0.25)


def flat_wafer(b: Batch) -> Tensor:
    """Draw silicon or glass: nearly featureless, with some dust, stains or a scratch."""
    dust, rim = spots(b, b.log_uniform(20, 160), b.uniform(0.6, 0.98), b.log_uniform(0.5, 2))
    stain = torch.sigmoid(6 * (noise(b, b.log_uniform(40, 200), exponent=1.3) - 1))
    plane = 0.01 * noise(b, b.log_uniform(0.8, 30)) + b.uniform(-0.06, 0.06) * stain
    plane = plane + b.uniform(-0.2, 0.8) * dust + b.uniform(0, 0.4) * rim
    return b.uniform(0.1, 1.2) + plane + b.chance(0.4) * b.uniform(-0.3, 0.3) * scratches(b, 3)


def fibres(b: Batch) -> Tensor:
    """Draw filter paper or tissue: fibres over fibres, each bright along its flanks."""
    top = b.uniform(-0.5, 0.2) + 0.2 * noise(b, b.log_uniform(3, 60))
    common, spread = any_angle(b), b.pick(0.3, 1, 3.1)
    length = b.log_uniform(25, 160)
    for layer in range(6):
        field = noise(b, length, anisotropy=b.log_uniform(8, 60), exponent=1.8,
                      angle=common + spread * b.uniform(-1, 1))  # fmt: skip
        x = ((field - b.uniform(-1, 1)) / b.log_uniform(0.08, 0.35)).abs()
        body = b.uniform(-0.3, 0.5) + 0.1 * layer + b.uniform(0.1, 1) * x**4
        top = torch.where(x < 1, body, top - 0.4 * torch.exp(-(x - 1).clamp(0, 20) * 3))
    return _levelled(b, 0.3, 1.3, top, 0.35)


def silver_paint(b: Batch) -> Tensor:
    """Draw dried conducting paint: small plates at all tilts with bright edges, in clusters."""
    plane = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    size = b.log_uniform(5, 50)
    for scale in (1.0, 0.37):
        along, across = turned(b, any_angle(b))
        push = 0.25 * size * noise(b, 0.5 * size + 1)
        of = places((along + push) / (scale * size), (across - push) / (scale * size),
                    0.35 + 0 * size, 0 * size)  # fmt: skip
        near, second, value, off_u, off_v = cells(of)
        tilt = (value - 0.5) * off_u + (0.5 - value) * off_v
        edge = torch.exp(-(second - near) / b.uniform(0.03, 0.2))
        plane = plane + scale * (value + 2 * tilt + b.uniform(-1, 1.5) * edge)
    hollow = b.pick(0, 1, 2) * torch.sigmoid(4 * (noise(b, 3 * size) - 0.8))
    return _levelled(b, 0.4, 1.6, plane - hollow, 0.4)


def far_void(b: Batch) -> Tensor:
    """Draw the dark of the chamber, with blurred shapes far below."""
    shape = noise(b, b.log_uniform(60, 300), exponent=1.5)
    shape = torch.sigmoid((shape - b.uniform(-0.5, 1.5)) / b.log_uniform(0.02, 0.5))
    bars = torch.sigmoid(_profile(b, turned(b, any_angle(b))[1] + 2048, 30, 150) * 4)
    plane = b.uniform(0, 0.6) * shape + b.pick(0, 0, 0.3) * b.uniform(0, 1) * bars
    plane = blur(plane, b.log_uniform(3, 30))
    return b.uniform(0.0, 0.15) + plane * b.uniform(0.1, 1) + 0.004 * noise(b, b.uniform(1, 5))


def crumpled_foil(b: Batch) -> Tensor:
    """Draw foil or a folded film: flat facets between sharp creases."""
    plane = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for _ in range(4):
        fold = noise(b, b.log_uniform(30, 250), exponent=1.6, angle=any_angle(b),
                     anisotropy=b.log_uniform(1, 8))  # fmt: skip
        plane = plane + b.uniform(-1, 1) * (fold - b.uniform(-1, 1)).abs()
    slope = plane - plane.roll((1, 2), (1, 2))
    sharp = plane - blur(plane, b.log_uniform(2, 8))
    plane = standardised(slope) + b.uniform(-0.8, 0.8) * standardised(sharp)
    return _levelled(b, 0.4, 1.4, plane, 0.3)


def plain(b: Batch) -> Tensor:
    """Draw a plain ground of any grain, from nothing to as coarse as a face."""
    grain = noise(b, b.log_uniform(1, 80), exponent=b.uniform(0, 1.5), angle=any_angle(b),
                  anisotropy=b.log_uniform(1, 20))  # fmt: skip
    return b.uniform(0.02, 1.5) + b.log_uniform(0.003, 0.2) * grain


def smooth_optic(b: Batch) -> Tensor:
    """Draw a clean lens surface: nothing but a faint cloud, or fine lathe lines."""
    far, _ = _centred(b, 0.5, 20)
    lathe = b.chance(0.3) * b.uniform(0.3, 1) * _profile(b, far, 1, 10)
    return _levelled(b, 0.3, 1.4, lathe + noise(b, b.log_uniform(1, 100)), 0.05)


def scratched_optic(b: Batch) -> Tensor:
    """Draw a lens surface that was handled: scratches, scuffs, forceps' prints."""
    marks = scratches(b, 7) * b.pick(-1, 1, 1)
    scuff = _profile(b, turned(b, any_angle(b))[1] + 2048, 0.7, 4)
    where = torch.sigmoid(5 * (noise(b, b.log_uniform(40, 200), exponent=1.5) - 0.7))
    plane = b.uniform(0.3, 1) * marks + b.pick(0, 0.2, 0.5) * scuff * where
    return b.uniform(0.3, 1.4) + b.uniform(0.05, 0.5) * plane + 0.01 * noise(b, b.uniform(1, 30))


def frosted(b: Batch) -> Tensor:
    """Draw a roughened surface, as of a haptic or a sharp edge's matt band."""
    fine = noise(b, b.log_uniform(1.0, 14), exponent=b.uniform(0.2, 1.8))
    plane = torch.where(b.chance(0.5) > 0, fine - fine.roll(1, 2), (fine - 0.5).abs())
    plane = standardised(plane) * (1 + b.uniform(0, 0.5) * noise(b, b.uniform(50, 200)))
    return _levelled(b, 0.4, 1.4, plane, 0.25)


def diffractive_rings(b: Batch) -> Tensor:
    """Draw the steps of a diffractive optic: rings about a centre, closer the farther out."""
    far, _ = _centred(b, 0.1, 3)
    first = b.log_uniform(0.1, 0.6) * b.cols
    even = b.chance(0.4)
    count = torch.where(even > 0, far / (0.4 * first), (far / first) ** 2)
    phase = count.remainder(1)
    step = torch.minimum(phase, 1 - phase) * torch.where(even > 0, 0.4 * first, first**2
                                                         / (2 * far + 1))  # fmt: skip
    line = torch.exp(-((step / b.uniform(1, 4)) ** 2).clamp(max=30))
    plane = b.uniform(-1, 1) * line + b.pick(0, 0.1, 0.3) * (phase - 0.5)
    return b.uniform(0.3, 1.4) + b.uniform(0.1, 0.7) * plane + 0.01 * noise(b, b.uniform(1, 30))


def dried_salt(b: Batch) -> Tensor:
    """Draw a surface on which a salt solution dried: crystals, rings of drops, crusts."""
    inside, rim = spots(b, b.log_uniform(8, 70), b.uniform(0, 0.7), b.log_uniform(0.5, 2))
    drop = noise(b, b.log_uniform(30, 150), exponent=1.6) - b.uniform(-0.5, 1.5)
    crust = torch.sigmoid(drop / 0.05)
    ring = torch.exp(-drop.abs() / b.uniform(0.02, 0.1))
    plane = crust * (inside + b.uniform(0, 1) * rim + 0.3 * noise(b, b.log_uniform(1, 6)))
    plane = plane + b.uniform(0, 1) * ring
    return b.uniform(0.3, 1.3) + b.uniform(0.1, 0.5) * plane + 0.01 * noise(b, b.uniform(1, 30))


def cracked_coating(b: Batch) -> Tensor:
    """Draw a sputtered coat that cracked into plates: dark or bright thin nets."""
    size = b.log_uniform(12, 160)
    along, across = turned(b, any_angle(b))
    push = 0.15 * size * noise(b, 0.4 * size + 1)
    of = places((along + push) / size, (across - push) * b.log_uniform(0.3, 1) / size,
                b.uniform(0.2, 0.45), 0 * size)  # fmt: skip
    near, second, value, _, _ = cells(of)
    crack = torch.exp(-(((second - near) * size / b.uniform(1, 4)) ** 2).clamp(max=30))
    plane = b.pick(-1, -1, 1) * crack + b.pick(0, 0.15, 0.4) * (value - 0.5)
    return b.uniform(0.4, 1.4) + b.uniform(0.1, 0.6) * plane + 0.01 * noise(b, b.uniform(1, 30))


def deposits(b: Batch) -> Tensor:
    """Draw a film with holes, cell remnants or vacuoles on a lens surface."""
    inside, rim = spots(b, b.log_uniform(10, 90), b.uniform(0.2, 0.9), b.log_uniform(0.5, 3))
    film = torch.sigmoid(b.log_uniform(3, 40) * noise(b, b.log_uniform(10, 120), exponent=1.4))
    plane = b.uniform(-0.6, 0.6) * film + b.uniform(-0.6, 0.6) * inside + b.uniform(0, 0.6) * rim
    return b.uniform(0.4, 1.4) + b.uniform(0.2, 0.7) * plane + 0.02 * noise(b, b.uniform(1, 30))


def photographed(b: Batch) -> Tensor:
    """Draw a piece of some photograph, where there are any."""
    if b.photographs is None:
        return plain(b)
    which = torch.randint(b.photographs.shape[0], (b.size,), device=b.device)
    along, across = turned(b, any_angle(b))
    side = b.photographs.shape[-1]
    scale = 2 * b.log_uniform(0.4, 2) / side
    at = torch.stack([along * scale + b.uniform(-1, 1), across * scale + b.uniform(-1, 1)], -1)
    seen = functional.grid_sample(
        b.photographs[which][:, None].float(), at, padding_mode="reflection", align_corners=False
    )[:, 0]
    return _levelled(b, 0.2, 1.3, seen, 0.35)


GROUNDS: tuple[Material, ...] = (
    carbon_tape, carbon_tape, turned_metal, polished_metal, flat_wafer, fibres, silver_paint,
    far_void, far_void, crumpled_foil, plain, plain, photographed,
)  # fmt: skip
OPTICS: tuple[Material, ...] = (
    smooth_optic, smooth_optic, smooth_optic, scratched_optic, scratched_optic, frosted,
    diffractive_rings, dried_salt, cracked_coating, deposits,
)  # fmt: skip
"""What a lens shows beside its cut face: mostly clean, as it was made."""
SURFACES: tuple[Material, ...] = (*OPTICS[2:], polished_metal, crumpled_foil, photographed)
"""What lies about: handled, broken or foreign."""


def drawn(b: Batch, materials: tuple[Material, ...], most: int = 3) -> Tensor:
    """Return a material per member, (size, rows, cols), ``most`` kinds of them in one batch."""
    kinds = torch.randperm(len(materials))[:most]
    which = torch.randint(len(kinds), (b.size,))
    plane = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for number, kind in enumerate(kinds.tolist()):
        at = torch.nonzero(which == number)[:, 0]
        if at.numel():
            plane[at.to(b.device)] = materials[kind](b.part(int(at.numel())))
    return plane.clamp(-0.2, 3)
