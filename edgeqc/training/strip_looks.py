"""Looks of laser, scissor and torn zones, in batches.

What a name means here: a laser leaves pits on a lattice, molten or bubbly ground, or lines of
passes; a blade leaves straight or gently bent lines that run on; tearing leaves ridges, steps,
dimples and facets that have no straight line. Scales are in samples of the picture. The looks of
``strip_looks_beam``, ``_blade``, ``_fracture``, ``_pulse``, ``_shear``, ``_tear``, ``_observed``
and ``_grown`` were drawn by eight other hands, those of ``_FURTHER_HANDS`` by ten more, each
without sight of these and of the others', except that the last four saw ``_workshop`` for the form.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from edgeqc.training import (
    strip_looks_areal,
    strip_looks_explants,
    strip_looks_modelled,
    strip_looks_polymer,
    strip_looks_section,
    strip_looks_shader,
    strip_looks_synth,
    strip_looks_terrain,
    strip_looks_toolmark,
    strip_looks_workshop,
)
from edgeqc.training.strip_fields import (
    Batch,
    Look,
    at_line,
    blur,
    cells,
    lines,
    noise,
    places,
    standardised,
    turned,
)
from edgeqc.training.strip_looks_beam import BEAM_LOOKS
from edgeqc.training.strip_looks_blade import BLADE_LOOKS
from edgeqc.training.strip_looks_fracture import FRACTURE_LOOKS
from edgeqc.training.strip_looks_grown import GROWN_LASER, GROWN_SCISSOR, GROWN_TORN
from edgeqc.training.strip_looks_observed import OBSERVED_LASER, OBSERVED_SCISSOR, OBSERVED_TORN
from edgeqc.training.strip_looks_pulse import PULSE_LOOKS
from edgeqc.training.strip_looks_shear import SHEAR_LOOKS
from edgeqc.training.strip_looks_tear import TEAR_LOOKS


def _any_angle(b: Batch) -> Tensor:
    return b.uniform(-math.pi / 2, math.pi / 2)


def _lattice_angle(b: Batch) -> Tensor:
    small = 0.08 * torch.randn(b.size, 1, 1, device=b.device)
    turn = small + (math.pi / 2) * b.chance(0.35)
    free = b.chance(0.2)
    return free * _any_angle(b) + (1 - free) * turn


def _lattice(b: Batch, low: float = 3.2, high: float = 28.0) -> Tensor:
    """Pits, bowls or bumps on a jittered lattice, with rims, drop-outs and line grooves."""
    spot = b.log_uniform(low, high)
    line = (spot * b.log_uniform(0.4, 2.5)).clamp(low, 1.6 * high)
    along, across = turned(b, _lattice_angle(b))
    row = torch.floor(across / line + 0.5)
    stagger = b.pick(0, 0, 0, 0.5) * (row % 2)
    wobble = b.uniform(0, 0.15) * b.chance(0.4) * noise(b, b.log_uniform(8, 60))
    jitter = b.pick(0.02, 0.05, 0.08, 0.12, 0.2) * b.uniform(0.6, 1.2)
    gaps = b.pick(0, 0, 0.02, 0.08, 0.2)
    grid = places(along / spot + stagger + wobble, across / line + wobble, jitter, gaps)
    radius = b.uniform(0.3, 0.75) * torch.minimum(spot, line)
    spread, rim, oval = b.uniform(0.02, 0.4), b.pick(0, 0, 0.3, 0.7), b.log_uniform(0.6, 1.6)
    cusp = b.chance(0.3)
    bowls, ridged = torch.zeros_like(along), torch.full_like(along, 4.0)
    for u, v, size, strength in grid.near():
        r2 = (u * spot) ** 2 + (v * line * oval) ** 2
        r2 = r2 / (radius * (1 + spread * (2 * size - 1))) ** 2
        deep = 1 + spread * (2 * strength - 1)
        bowl = torch.exp(-r2)
        bowls -= deep * (bowl - rim * r2 * math.e * bowl)
        ridged = torch.minimum(ridged, r2 - deep)
    depth = cusp * standardised(ridged) + (1 - cusp) * standardised(bowls)
    groove = b.pick(0, 0, 0, 0.4, 0.8) * torch.cos(2 * math.pi * across / line)
    return depth - groove


def _melted(b: Batch) -> Tensor:
    plane = blur(_lattice(b, 3.0, 14.0), b.uniform(0.8, 3.0))
    return standardised(plane) + b.uniform(0.1, 1.0) * noise(b, b.log_uniform(2, 40))


def _unresolved(b: Batch) -> Tensor:
    fine = _lattice(b, 1.2, 3.0)
    return standardised(fine) + b.uniform(0, 0.5) * noise(b, b.log_uniform(1, 30))


def _bubbles(b: Batch) -> Tensor:
    """Round cavities of uneven size, some with a raised rim."""
    scale = b.log_uniform(6, 45)
    along, across = turned(b, _any_angle(b))
    grid = places(along / scale, across / scale, b.uniform(0.2, 0.5), b.uniform(0, 0.8))
    plane, edge = torch.zeros_like(along), torch.zeros_like(along)
    for u, v, size, strength in grid.near():
        radius = 0.12 + 0.5 * size**2
        r2 = (u * u + v * v) / radius**2
        plane = torch.minimum(plane, -torch.sqrt((1 - r2).clamp(min=0)) * radius * (0.3 + strength))
        edge = torch.maximum(edge, radius * torch.exp(-(((r2 - 1) / 0.3) ** 2)))
    ground = b.uniform(0, 0.6) * noise(b, b.log_uniform(1, 30))
    return standardised(plane + b.pick(0, 0.3, 0.6) * edge) + ground


def _smooth(b: Batch) -> Tensor:
    return noise(
        b, b.log_uniform(4, 60), exponent=b.uniform(0.5, 1.3),
        anisotropy=b.log_uniform(1, 3), angle=_any_angle(b),
    )  # fmt: skip


def _passes(b: Batch) -> Tensor:
    """Bands of laser passes, undulating, mostly along the face."""
    scale = b.log_uniform(7, 60)
    angle = 0.1 * torch.randn(b.size, 1, 1, device=b.device)
    _, across = turned(b, torch.where(b.chance(0.25) > 0, _any_angle(b), angle))
    bend = b.uniform(0.1, 1.0) * noise(b, scale * b.log_uniform(4, 25))
    phase = 2 * math.pi * (across / scale + bend)
    plane = torch.sin(phase + b.uniform(0, 0.9) * torch.sin(phase))
    plane = plane * (1 + b.uniform(0, 0.5) * noise(b, 8 * scale))
    mixed = b.chance(0.5) * b.uniform(0.2, 0.8)
    return plane + mixed * standardised(_lattice(b, 3.0, 12.0))


def _striations(b: Batch) -> Tensor:
    """One profile, extruded along the cut, here and there faint; gently bent."""
    scale = b.log_uniform(1.5, 22)
    along, across = turned(b, _any_angle(b))
    arc = b.chance(0.4) * b.uniform(-0.2, 0.2)
    across = across + arc * along**2 / b.cols
    across = across + b.chance(0.4) * b.uniform(0, 1.5) * scale * noise(b, 40 * scale)
    total = torch.zeros_like(across)
    sharp = b.chance(0.3)
    count = 4096
    reach = across - across.amin(dim=(1, 2), keepdim=True)
    for octave in range(3):
        line = lines(b.size, count, 0.35 * scale[:, 0, 0] * 2.5**octave, b.device)
        scratch = -(line.abs() - 0.9).clamp(min=0) + 0.2 * line
        line = sharp[:, 0] * scratch * 2 + (1 - sharp[:, 0]) * line
        value = at_line(line, reach)
        faded = (1 + b.uniform(0, 0.7) * noise(b, 12 * scale)).clamp(min=0)
        total = total + value * faded * b.uniform(0.2, 1.0)
    return total


def _drawn(b: Batch) -> Tensor:
    """Lines of limited length: noise drawn out along the blade's way."""
    return noise(
        b, b.log_uniform(1.2, 12), exponent=b.uniform(0.3, 1.0),
        anisotropy=b.log_uniform(12, 80), angle=_any_angle(b),
    )  # fmt: skip


def _chatter(b: Batch) -> Tensor:
    scale = b.log_uniform(6, 50)
    angle = _any_angle(b)
    _, across = turned(b, angle)
    phase = 2 * math.pi * (across / scale + b.uniform(0.02, 0.3) * noise(b, 20 * scale))
    wave = torch.sin(phase) + b.uniform(0, 0.8) * torch.sin(b.uniform(1.5, 4) * phase + 1)
    wave = wave * (1 + b.uniform(0, 0.5) * noise(b, 10 * scale))
    return standardised(wave) + b.uniform(0.3, 1.5) * standardised(_striations(b))


def _overlap(b: Batch) -> Tensor:
    """Lay marks of two strokes on either side of the line where they met."""
    _, across = turned(b, 0.3 * torch.randn(b.size, 1, 1, device=b.device))
    line = b.uniform(-0.35, 0.35) * b.rows + 0.04 * b.rows * noise(b, b.uniform(60, 200))
    share = torch.sigmoid((across - line) / b.uniform(1, 6))
    first, second = standardised(_striations(b)), standardised(_striations(b))
    step = b.uniform(-0.5, 0.5) * share
    return first * (1 - share) + second * share + step


def _smear(b: Batch) -> Tensor:
    angle = _any_angle(b)
    plane = noise(
        b, b.log_uniform(2, 14), exponent=b.uniform(0.4, 1.0), angle=angle,
        anisotropy=b.log_uniform(8, 30),
    )  # fmt: skip
    flakes = torch.tanh(b.uniform(1.5, 5) * plane) + 0.35 * plane
    fine = noise(b, b.log_uniform(0.8, 4), angle=angle, anisotropy=b.log_uniform(15, 60))
    return standardised(flakes) + b.uniform(0.1, 0.8) * fine


def _ridges(b: Batch) -> Tensor:
    """Folded noise over several octaves: a face that was pulled apart."""
    scale, fade = b.log_uniform(8, 50), b.uniform(0.4, 0.8)
    angle, drawn = _any_angle(b), b.log_uniform(1, 3)
    total = torch.zeros(b.size, b.rows, b.cols, device=b.device)
    for octave in range(4):
        field = noise(b, (scale / 2**octave).clamp(min=0.7), exponent=1.3, angle=angle,
                      anisotropy=drawn)  # fmt: skip
        total = total + (1 - 2 * field.abs()) * fade**octave
    return total


def _fibrils(b: Batch) -> Tensor:
    field = noise(
        b, b.log_uniform(3, 20), exponent=b.uniform(0.5, 1.3), angle=_any_angle(b),
        anisotropy=b.log_uniform(1.5, 7),
    )  # fmt: skip
    ridge = (1 - 0.8 * field.abs()).clamp(min=0) ** b.uniform(1, 3)
    sparse = b.pick(0, 0, 0.3, 0.6)
    return standardised((ridge - sparse).clamp(min=0)) + b.uniform(0.1, 0.8) * noise(
        b, b.log_uniform(1, 10)
    )


def _rivers(b: Batch) -> Tensor:
    scale = b.log_uniform(7, 60)
    _, across = turned(b, _any_angle(b))
    phase = across / scale + b.uniform(0.4, 1.6) * noise(
        b, scale * b.uniform(0.8, 3), exponent=b.uniform(0.5, 1.2)
    )
    part = phase - torch.floor(phase)
    steep = b.uniform(0.05, 0.3)
    return torch.where(part < steep, part / steep, (1 - part) / (1 - steep))


def _cell_net(b: Batch) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    scale, drawn = b.log_uniform(5, 50), b.log_uniform(1, 2.5)
    along, across = turned(b, _any_angle(b))
    bend = b.uniform(0, 0.6) * noise(b, 3 * scale)
    none = torch.zeros_like(scale)
    return cells(places(along / (scale * drawn), across / scale + bend, b.uniform(0.35, 0.6), none))


def _dimples(b: Batch) -> Tensor:
    nearest, _, value, _, _ = _cell_net(b)
    return nearest ** b.uniform(1.2, 2) * (0.4 + value) + b.uniform(0, 0.2) * noise(
        b, b.log_uniform(1, 10)
    )


def _facets(b: Batch) -> Tensor:
    _, _, value, u, v = _cell_net(b)
    other = (value * 7.31) % 1.0
    plane = 3 * ((value - 0.5) * u + (other - 0.5) * v) + b.uniform(0, 0.8) * ((value * 3.7) % 1)
    return standardised(blur(plane, b.uniform(0.3, 2))) + b.uniform(0, 0.5) * noise(
        b, b.log_uniform(1, 12)
    )


def _crazing(b: Batch) -> Tensor:
    nearest, second, value, _, _ = _cell_net(b)
    crack = -torch.exp(-(((second - nearest) / b.uniform(0.04, 0.15)) ** 2))
    return crack + b.uniform(0, 0.5) * (value - 0.5) + b.uniform(0, 0.15) * noise(
        b, b.log_uniform(1, 20)
    )


def _hackle(b: Batch) -> Tensor:
    along, across = turned(b, b.uniform(-math.pi, math.pi))
    along = along - b.uniform(-0.3, 0.3) * b.cols
    across = across + b.uniform(0.4, 1.2) * b.rows
    field = noise(b, b.log_uniform(4, 40))
    fan = torch.atan2(across, along) * b.cols * 0.5
    ridges = torch.sin(2 * math.pi * fan / b.log_uniform(8, 50) + b.uniform(1, 3) * field)
    grow = (torch.hypot(along, across) / b.cols).clamp(0.1, 1)
    return (ridges + field * b.uniform(0.5, 1.5)) * grow


def _rough(b: Batch) -> Tensor:
    return noise(
        b, b.log_uniform(3, 60), exponent=b.uniform(0.0, 0.9), angle=_any_angle(b),
        anisotropy=b.log_uniform(1, 3),
    )  # fmt: skip


_FURTHER_HANDS = (
    strip_looks_polymer, strip_looks_toolmark, strip_looks_section, strip_looks_terrain,
    strip_looks_workshop, strip_looks_synth, strip_looks_shader, strip_looks_modelled,
    strip_looks_areal, strip_looks_explants,
)  # fmt: skip
LASER_LOOKS: tuple[Look, ...] = (
    _lattice, _lattice, _lattice, _melted, _unresolved, _bubbles, _smooth, _passes, *BEAM_LOOKS,
    *PULSE_LOOKS, *OBSERVED_LASER, *GROWN_LASER,
    *(look for hand in _FURTHER_HANDS for look in hand.LASER_LOOKS),
)  # fmt: skip
SCISSOR_LOOKS: tuple[Look, ...] = (
    _striations, _striations, _striations, _drawn, _chatter, _overlap, _smear, *BLADE_LOOKS,
    *SHEAR_LOOKS, *OBSERVED_SCISSOR, *GROWN_SCISSOR,
    *(look for hand in _FURTHER_HANDS for look in hand.SCISSOR_LOOKS),
)  # fmt: skip
TORN_LOOKS: tuple[Look, ...] = (
    _ridges, _fibrils, _rivers, _dimples, _facets, _crazing, _hackle, _rough,
    *FRACTURE_LOOKS, *TEAR_LOOKS, *OBSERVED_TORN, *GROWN_TORN,
    *(look for hand in _FURTHER_HANDS for look in hand.TORN_LOOKS),
)  # fmt: skip
NAMED_LOOKS: tuple[Look, ...] = (*LASER_LOOKS, *SCISSOR_LOOKS, *TORN_LOOKS)


def draw_looks(batch: Batch, looks: tuple[Look, ...], *, kinds: int = 4) -> Tensor:
    """Return (size, rows, cols) standardised planes, each of a look drawn from ``looks``.

    Members are dealt to at most ``kinds`` looks at a time, which keeps the device busy.
    """
    chosen = torch.randperm(len(looks))[: min(kinds, len(looks))].tolist()
    owner = torch.arange(batch.size, device=batch.device) % len(chosen)
    plane = torch.empty(batch.size, batch.rows, batch.cols, device=batch.device)
    for number, which in enumerate(chosen):
        members = torch.nonzero(owner == number)[:, 0]
        if members.numel():
            plane[members] = standardised(looks[which](batch.part(int(members.numel()))))
    second = noise(
        batch, batch.log_uniform(1, 50), angle=_any_angle(batch),
        anisotropy=batch.log_uniform(1, 4), exponent=batch.uniform(0.2, 1.2),
    )  # fmt: skip
    return standardised(plane + batch.chance(0.6) * batch.uniform(0, 0.5) * second)
