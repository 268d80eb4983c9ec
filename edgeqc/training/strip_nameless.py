"""Looks of no particular origin, in batches: what the zone model must not be sure of.

Grains, gratings, patches, strokes, discs that hide one another, filtered noise and stretches of
photographs. None stands for a way in which a face comes about. Scales are in samples of the
picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.strip_fields import Batch, blur, cells, noise, places, standardised, turned

_SIZES = 6  # of the discs, each a fixed part smaller than the one before


def _any_angle(b: Batch) -> Tensor:
    return b.uniform(-math.pi / 2, math.pi / 2)


def filtered(b: Batch) -> Tensor:
    """Noise through folds and turns."""
    plane = noise(b, b.log_uniform(1, 12), angle=_any_angle(b), anisotropy=b.log_uniform(1, 12))
    for _ in range(2):
        low = blur(plane, b.log_uniform(0.8, 6))
        way = torch.randint(4, (b.size, 1, 1), device=b.device)
        gain = b.uniform(0.8, 3)
        plane = standardised(plane - low * b.uniform(-0.5, 1.0)) * gain
        plane = torch.where(way == 0, plane.abs(), plane)
        plane = torch.where(way == 1, torch.tanh(plane), plane)
        plane = torch.where(way == 2, torch.sin(plane * 2), plane)
        plane = standardised(plane)
    return plane


def photograph(b: Batch) -> Tensor:
    """Stretches of photographs, magnified, turned and mirrored at their edges."""
    if b.photographs is None:
        return filtered(b)
    count, side = b.photographs.shape[0], b.photographs.shape[-1]
    source = b.photographs[torch.randint(count, (b.size,), device=b.device)]
    other = b.photographs[torch.randint(count, (b.size,), device=b.device)]
    source = source + b.chance(0.3) * b.uniform(0.2, 0.8) * other.flip(-1)
    scale = b.log_uniform(0.4, 3.0)
    # shrunk without aliasing: blurred before by what the picture shows
    source = blur(source, torch.where(scale < 0.8, 0.5 / scale, 0.0))
    along, across = turned(b, torch.where(b.chance(0.5) > 0, _any_angle(b), 0.0))
    start_col, start_row = b.uniform(-1, 1), b.uniform(-1, 1)
    grid = torch.stack(
        [along / scale * (2 / side) + start_col, across / scale * (2 / side) + start_row], dim=-1
    )
    found = functional.grid_sample(
        source[:, None], grid, padding_mode="reflection", align_corners=False
    )
    return found[:, 0]


def _grains(b: Batch) -> Tensor:
    """Grains side by side: domes, flat tones or both, with a texture of their own."""
    scale = b.log_uniform(4, 40)
    along, across = turned(b, _any_angle(b))
    bend = b.uniform(0, 0.8) * noise(b, b.uniform(1, 4) * scale)
    jitter = b.uniform(0.1, 0.5)
    drawn = b.log_uniform(1, 2.5)
    at = places(along / (scale * drawn), across / scale + bend, jitter, torch.zeros_like(scale))
    nearest, second, value, _, _ = cells(at)
    dome = torch.sqrt((1.2 - nearest**2).clamp(min=0))
    joint = -torch.exp(-(((second - nearest) / b.uniform(0.05, 0.3)) ** 2))
    plane = b.chance(0.6) * b.uniform(0.3, 1.5) * dome + b.uniform(0, 2) * (value - 0.5)
    plane = plane + b.chance(0.5) * b.uniform(0.2, 1) * joint
    return standardised(plane) + b.uniform(0, 0.8) * noise(b, b.log_uniform(1, 10))


def _gratings(b: Batch) -> Tensor:
    """One or two warped gratings of round, sharp or square profile."""
    plane = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for number in range(2):
        scale = b.log_uniform(4, 50)
        _, across = turned(b, _any_angle(b))
        phase = 2 * math.pi * across / scale
        phase = phase + b.uniform(0.5, 3) * noise(b, scale * b.uniform(1, 5))
        wave, kind = torch.sin(phase), torch.randint(3, (b.size, 1, 1), device=b.device)
        wave = torch.where(kind == 1, torch.sign(wave), wave)
        wave = torch.where(kind == 2, torch.asin(wave.clamp(-0.999, 0.999)), wave)
        plane = plane + wave * (1.0 if number == 0 else b.chance(0.5) * b.uniform(0.3, 1))
    return standardised(plane) + b.uniform(0, 0.6) * noise(b, b.log_uniform(1, 20))


def _patches(b: Batch) -> Tensor:
    """Noise cut at levels: islands, labyrinths, contour lines."""
    field = noise(
        b, b.log_uniform(2, 25), exponent=b.uniform(0.3, 2.0), angle=_any_angle(b),
        anisotropy=b.log_uniform(1, 5),
    )  # fmt: skip
    kind = torch.randint(3, (b.size, 1, 1), device=b.device)
    plane = torch.tanh(field * b.uniform(2, 12))
    plane = torch.where(kind == 1, torch.exp(-field.abs() * b.uniform(3, 12)), plane)
    plane = torch.where(kind == 2, torch.sin(field * b.uniform(2, 8)), plane)
    return standardised(plane) + b.uniform(0, 0.8) * noise(b, b.log_uniform(1, 12))


def _strokes(b: Batch) -> Tensor:
    """Short strokes about a main direction, lying over one another: hair, straw, felt."""
    main, spread = _any_angle(b), b.uniform(0.25, 1.2)
    length, thick = b.log_uniform(2.5, 8), b.log_uniform(1, 5)
    plane = torch.full((b.size, b.rows, b.cols), -9.0, device=b.device)
    for _ in range(4):
        angle = main + spread * torch.randn(b.size, 1, 1, device=b.device)
        layer = noise(b, thick, exponent=b.uniform(0.6, 1.5), angle=angle, anisotropy=length**2)
        plane = torch.maximum(plane, layer * b.uniform(0.5, 1.5) + b.uniform(-0.5, 0.5))
    return plane


def _discs(b: Batch) -> Tensor:
    """Discs of all sizes hiding one another, as things in photographs do.

    Notes
    -----
    The "dead leaves" model: its statistics are near those of photographs (Int. J. Comput. Vis.
    2001, 41:35).
    """
    plane = noise(b, b.log_uniform(2, 60))
    largest, ratio = b.log_uniform(25, 120), b.uniform(0.45, 0.7)
    shading = b.chance(0.5) * b.uniform(0, 1.5)
    for step in range(_SIZES):
        size = (largest * ratio**step).clamp(min=3)
        along, across = turned(b, _any_angle(b))
        at = places(along / size, across / size, b.uniform(0.3, 0.6), b.uniform(0.2, 0.7))
        for u, v, extent, tone in at.near():
            radius2 = (0.25 + 0.5 * extent) ** 2
            inside = u * u + v * v < radius2
            shade = shading * (u / radius2.sqrt())
            plane = torch.where(inside, 3 * (tone - 0.5) + shade, plane)
    return standardised(plane) + b.uniform(0, 0.4) * noise(b, b.log_uniform(1, 8))


def _mixed(b: Batch) -> Tensor:
    """Two looks of no origin, one upon the other or one by the strength of the other."""
    first, second = standardised(_patches(b)), standardised(filtered(b))
    third = standardised(_grains(b))
    share, product = b.uniform(0.2, 0.8), b.chance(0.3)
    other = torch.where(b.chance(0.5) > 0, second, third)
    return torch.where(product > 0, first * other, share * first + (1 - share) * other)


NAMELESS_LOOKS: tuple[Callable[[Batch], Tensor], ...] = (
    filtered, filtered, _grains, _grains, _gratings, _patches, _strokes, _discs, _discs, _mixed,
)  # fmt: skip
PHOTOGRAPHS: tuple[Callable[[Batch], Tensor], ...] = (photograph,)
