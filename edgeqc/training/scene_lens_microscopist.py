"""Lens surfaces beside a cut face, drawn from what makes the signal of a smooth tilted polymer.

Such a surface has hardly any relief, so what is seen of it is signal: the yield grows as 1 / cos
of the tilt and near a corner, a wall keeps electrons from the detector, a badly coated polymer
charges line by line (Goldstein's textbook, from memory). Greys therefore follow the band's own
shape and the scan, never the way of a blade, a laser or a tear.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.scene_materials import any_angle, scratches, spots
from edgeqc.training.scene_surrounds import Body, Outline
from edgeqc.training.strip_fields import Batch, at_line, lines, noise, standardised, turned


@dataclass(frozen=True)
class _Band:
    """Where a surface lies beside its face."""

    out: Tensor  # distance from the face's own border
    far: Tensor  # the same from the lens's old edge
    reach: Tensor  # usual width
    s: Tensor  # fraction of the local width
    inside: Tensor  # distance inside the surface


def _smoothed(plane: Tensor, step: int) -> Tensor:
    """Return a plane without what is finer than a step, straight on at the picture's ends."""
    rows, cols = plane.shape[-2:]
    low = functional.pad(plane, (0, -cols % step, 0, -rows % step), mode="replicate")
    low = functional.avg_pool2d(low, step)
    for _ in range(2):
        ends = 2 * low[:, :1] - low[:, 1:2], 2 * low[:, -1:] - low[:, -2:-1]
        low = torch.cat([ends[0], low, ends[1]], 1).transpose(1, 2)
    fine = functional.interpolate(low[:, None], scale_factor=step, mode="bilinear")[:, 0]
    return fine[:, step : step + rows, step : step + cols]


def _read(b: Batch, position: Tensor, finest: float, coarsest: float) -> Tensor:
    """Return a random line read at positions on either side of zero."""
    line = lines(b.size, 4096, b.log_uniform(finest, coarsest)[:, 0], b.device)
    return at_line(line, position + 2048)


def _old_edge(b: Batch, at: Outline, side: int) -> Tensor:
    """Return the distance from a lens edge that knows nothing of the cut's notches and lips."""
    out, across = at.beyond[side], at.across if side else -at.across
    near = (out.abs() < 4).float()
    offset = (near * (out - across)).sum((1, 2), keepdim=True) / (1 + near.sum((1, 2), True))
    plain = torch.where(b.chance(0.65) > 0, across + offset, _smoothed(out, 16))
    return plain + b.chance(0.2) * (out - plain) * torch.exp(-out.clamp(0, 300) / 8)


def _both(first: Tensor, second: Tensor, radius: Tensor) -> Tensor:
    """Return the distance inside two things at once, their corner rounded."""
    least = torch.minimum(first, second)
    bent = torch.hypot((radius - first).clamp(min=0), (radius - second).clamp(min=0))
    return torch.where(least > radius, least, radius - bent)


def _ended(b: Batch, at: Outline, far: Tensor, inside: Tensor, radius: Tensor) -> Tensor:
    """Return a distance ended with the face's ends, beyond or before them, or not at all."""
    for sign in (-1, 1):
        reach = torch.where(at.edge > 0, sign * at.along, -1e4).amax((1, 2), keepdim=True)
        plan = b.pick(0, 0, 0, 0, 1, 2, 3)
        reach = reach.clamp(min=-0.2 * b.cols) + torch.where(plan == 0, 9.0 * b.cols, 0.0)
        reach = reach + (plan >= 2) * (5 - 2 * plan) * b.log_uniform(0.01, 0.35) * b.cols
        end = reach - sign * at.along + b.pick(0, 0.2, 0.8) * b.normal() * far.clamp(min=0)
        inside = _both(inside, end + b.uniform(0, 1) * _read(b, far, 10, 80), radius)
    return inside


def _band(b: Batch, at: Outline, side: int, low: float = 0.03, high: float = 5) -> _Band:
    """Return a surface of any width, its outer border straight, bowed, converging or wavering."""
    out, far = at.beyond[side], _old_edge(b, at, side)
    reach = (b.log_uniform(low, high) * at.thickness).clamp(min=3)
    x = at.along / b.cols - b.uniform(-0.5, 0.5)
    border = reach + b.chance(0.45) * b.uniform(-0.7, 0.7) * x * torch.maximum(reach, 0 * x + 30)
    border = border + b.chance(0.4) * 0.3 * b.normal() * b.cols * x**2
    border = border + b.pick(0, 0, 0.4, 2) * b.uniform(0.3, 1) * _read(b, at.along, 15, 200)
    level = border - far
    inside = level / torch.hypot(*torch.gradient(level, dim=(1, 2))).clamp(1, 5)
    radius = b.pick(0.5, 3, 25) * b.uniform(0.3, 1)
    inside = torch.minimum(_ended(b, at, far, inside, radius), out)
    return _Band(out, far, reach, (far / border.clamp(min=2)).clamp(0, 1), inside)


def _tone(b: Batch) -> Tensor:
    """Return a grey level, the face's own more often than not."""
    free = torch.where(b.chance(0.6) > 0, b.log_uniform(0.1, 0.8), b.uniform(1, 1.7))
    return torch.where(b.chance(0.55) > 0, 1 + 0.08 * b.normal(), free)


def _near(distance: Tensor, width: Tensor) -> Tensor:
    """Return what dies away with distance on either side."""
    return torch.exp(-(distance.abs() / width).clamp(max=30))


def _facing(b: Batch, at: Outline) -> Tensor:
    """Return how far the slope beside the face looks towards a detector at one side, -1 to 1."""
    down, right = torch.gradient(_smoothed(at.across, 16), dim=(1, 2))
    return torch.sin(torch.atan2(down, right) + any_angle(b))


def _faint(b: Batch, at: Outline, band: _Band, most: float = 0.04) -> Tensor:
    """Return what little a clean surface shows: coat, haze, mould lines, a scratch or some dust."""
    total = b.log_uniform(0.002, most) * noise(b, b.log_uniform(0.7, 4), exponent=b.uniform(0, 1))
    total = total + b.chance(0.5) * b.uniform(0, 1.5) * most * noise(b, b.log_uniform(40, 250))
    kind = int(torch.randint(5, ()))
    if kind == 0:  # lathe or mould lines, in line with the lens's edge
        tool = _read(b, band.far + b.uniform(-0.1, 0.1) * at.along, 1, 9)
        tool = tool * torch.sigmoid(_read(b, at.along, 40, 200) + 1)
        total = total + b.chance(0.5) * b.uniform(0.1, 0.9) * most * tool
    elif kind == 1:
        total = total + b.chance(0.6) * b.uniform(-2, 4) * most * scratches(b, 2)
    elif kind == 2:  # dust
        grain, rim = spots(b, b.log_uniform(60, 250), b.uniform(0.6, 0.98), b.log_uniform(0.6, 2))
        total = total + b.chance(0.7) * (b.uniform(-0.4, 0.5) * grain + b.uniform(0, 0.4) * rim)
    return total


def _beside_face(b: Batch, out: Tensor) -> Tensor:
    """Return what the corner at the face adds: a thin line, a glow, a shadow, or none of them."""
    line = b.pick(0, 0, 0, 0.6, 0.9, -0.5) * b.uniform(0.3, 1) * _near(out, b.log_uniform(0.7, 4))
    glow = b.pick(0, 0, 0.4, -0.5) * b.uniform(0.2, 1)
    return line + glow * _near(out.clamp(min=0), b.log_uniform(5, 90))


def _rim(b: Batch, band: _Band) -> Tensor:
    """Return the brightness of the outer corner, where electrons leave two ways, or none."""
    size = b.pick(0, 0.35, 0.85) * b.uniform(0.3, 1) * (band.s > 0.5)
    return size * _near(band.inside, b.log_uniform(0.8, 7))


def _finished(band: _Band, signal: Tensor) -> tuple[Tensor, Tensor]:
    """Return electrons, the brightest held back as a detector does, and the distance inside."""
    high = 0.8 * torch.tanh((signal - 1.3).clamp(min=0) / 0.9)
    return signal.clamp(0.02, 1.3) + high, band.inside


def tilt_shoulder(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a surface that bends away: brighter with its tilt, or lost to the detector."""
    band = _band(b, at, side)
    first, last = b.uniform(0, 1.2), b.uniform(0.1, 1.42)
    tilt = first + (last - first) * band.s ** b.pick(0.6, 1, 2, 5, 10)
    rise = torch.cos((first + last) / 2) / torch.cos(tilt).clamp(min=0.14)
    seen = 1 + b.pick(0, 0.3, 0.6) * b.uniform(0.3, 1) * torch.sin(tilt) * _facing(b, at)
    lost = 1 - b.chance(0.4) * b.uniform(0.3, 0.95) * band.s ** b.pick(1, 3, 8)
    signal = _tone(b) * (rise ** b.uniform(0.4, 1.1)).clamp(max=2.4) * seen * lost
    return _finished(band, signal + _beside_face(b, band.out) + _faint(b, at, band))


def square_edge(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a sharp optic edge: a wall, a chamfer, a step or two, each facet of one grey."""
    band = _band(b, at, side, 0.1, 5)
    tone, start = _tone(b), torch.zeros_like(band.reach)
    signal = tone * (1 + b.uniform(-0.25, 0.25) * band.s)
    for chance in (1.0, 0.6, 0.35):
        part = b.uniform(0.05, 0.5) * band.reach
        start = start + torch.where(b.chance(0.5) > 0, b.log_uniform(3, 40), part)
        d = band.far - start - b.chance(0.3) * b.uniform(-0.15, 0.15) * at.along
        d = torch.where(b.chance(chance) > 0, d, -999.0)
        grey = (tone * torch.exp(b.pick(0.05, 0.3, 0.7) * b.normal())).clamp(0.06, 1.6)
        grey = grey * (1 + b.uniform(-0.3, 0.3) * (d / band.reach).clamp(0, 1))
        signal = signal + torch.sigmoid(d / b.pick(0.6, 0.6, 1.5, 8)) * (grey - signal)
        bright = b.pick(0, 0.3, 0.8, 1.1) * b.uniform(0.3, 1)  # the corner
        width = b.log_uniform(0.8, 5) * torch.where(d > 0, 1.0, b.log_uniform(0.3, 3))
        signal = signal + bright * _near(d, width)
        foot = b.chance(0.35) * b.uniform(0.1, 0.6) * torch.sigmoid(d / 0.8)  # below a wall
        signal = signal * (1 - foot * _near(d, b.log_uniform(3, 40)))
    signal = signal + _rim(b, band) + _beside_face(b, band.out)
    return _finished(band, signal + _faint(b, at, band, 0.03))


def shadowed_shelf(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a bare plane: the face's wall hides the detector from it, noise is all it shows."""
    band = _band(b, at, side, 0.05, 6)
    height = b.log_uniform(0.03, 1.5) * at.thickness
    hidden = 1 - torch.tanh((band.far.clamp(min=0) + b.uniform(0, 8)) / height)
    hidden = hidden * (1 + b.pick(0, 0.3) * _read(b, at.along, 60, 300)).clamp(0.2, 1.8)
    signal = _tone(b) * (1 - b.pick(0, 0, 0.4, 0.9) * b.uniform(0.3, 1) * hidden)
    along, across = turned(b, any_angle(b))
    ramp = (along / b.cols + b.pick(0, 0.6) * b.normal() * (across / b.cols) ** 2).clamp(-1, 1)
    signal = signal * (1 + b.pick(0, 0.3, 0.8) * b.uniform(-1, 1) * ramp)
    fall = b.chance(0.5) * _near(band.inside.clamp(min=0), b.log_uniform(1.5, 60))
    signal = signal * (1 - b.uniform(-0.5, 0.8) * fall)
    shot = b.pick(0, 0.02, 0.05, 0.1) * b.uniform(0.3, 1) * signal.clamp(min=0.02).sqrt()
    signal = signal + shot * torch.randn_like(signal) + _beside_face(b, band.out)
    return _finished(band, signal + b.chance(0.5) * _faint(b, at, band, 0.02))


def _scan_lines(b: Batch) -> Tensor:
    """Return how charge shifts whole scan lines: in blocks, in single lines, with long tails."""
    row = torch.arange(b.rows, device=b.device)[None, :, None].expand(b.size, -1, 1).float()
    slow = _read(b, row - b.rows / 2, 20, 150)
    block = torch.round(b.uniform(0.5, 1.3) * _read(b, row - b.rows / 2, 15, 60))
    share = b.log_uniform(0.005, 0.3)  # the more lines, the fainter
    single = torch.randn_like(row) * (torch.rand_like(row) < share) * (0.02 / share).clamp(max=1)
    past = torch.arange(b.cols, device=b.device) / b.cols - torch.rand_like(row) * b.uniform(0, 1.2)
    after = torch.sigmoid(past / 0.004) * torch.exp(-past.clamp(min=0) / b.log_uniform(0.1, 3))
    total = b.pick(0, 0.6, 1) * slow + b.pick(0, 0.5, 1) * block
    return total + b.pick(0, 0.6, 1.2) * single * after


def charged_lens(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a surface that charges: blown out or black in parts, shifted scan line by scan line."""
    band = _band(b, at, side)
    cloud = noise(b, b.log_uniform(60, 300), exponent=1.8)
    patch = torch.sigmoid((cloud - b.uniform(0, 1.5)) / b.log_uniform(0.1, 0.8))
    signal = _tone(b) + b.pick(0, 0.5, 1, -0.5, -0.8) * b.uniform(0.2, 1) * patch
    held = _near(band.inside.clamp(min=0), (b.log_uniform(0.05, 0.8) * band.reach).clamp(min=3))
    signal = signal + b.pick(0, 0.6, -0.6) * b.uniform(0.3, 1) * held
    signal = signal + b.log_uniform(0.03, 0.25) * _scan_lines(b)
    curtain = _read(b, at.along + b.uniform(-0.6, 0.6) * band.far, 40, 160)
    fade = torch.exp(-band.far.clamp(min=0) / (b.uniform(0.3, 3) * band.reach))
    signal = signal + b.chance(0.35) * b.uniform(0.05, 0.22) * curtain * fade
    hard = b.pick(1.2, 1.8, 2.5, 3)
    signal = hard * torch.tanh(signal.clamp(min=0) / hard) ** b.uniform(0.9, 1.3)
    return _finished(band, signal + _beside_face(b, band.out) + _faint(b, at, band, 0.015))


def contaminated_lens(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a surface with dark boxes of earlier scans, dimples, a few drops and a grained coat."""
    band = _band(b, at, side, 0.15, 5)
    signal = _tone(b) * (1 + b.uniform(-0.35, 0.35) * band.s)
    row = torch.arange(b.rows, device=b.device)[None, :, None] - b.rows * b.uniform(0, 1)
    col = torch.arange(b.cols, device=b.device)[None, None, :] - b.cols * b.uniform(0, 1)
    half = b.log_uniform(0.03, 0.35) * b.cols
    for shrink in (1.0, 0.5):  # carbon of a scanned frame, thickest at its edges
        box = torch.minimum(0.75 * shrink * half - row.abs(), shrink * half - col.abs())
        dark = torch.sigmoid(box / b.log_uniform(0.7, 4)) * (0.7 + 0.5 * _near(box, 0.06 * half))
        signal = signal * (1 - b.chance(0.35) * b.uniform(0.05, 0.35) * dark)
    pit, rim = spots(b, b.log_uniform(25, 120), b.uniform(0.7, 0.98), b.log_uniform(0.8, 3))
    lit = standardised(pit.roll(1, 1) - pit.roll(-1, 1)).clamp(-3, 3)
    signal = signal + b.chance(0.5) * b.log_uniform(0.02, 0.12) * lit
    signal = signal + b.chance(0.35) * b.uniform(-0.3, 0.3) * (pit + rim)
    haze = torch.sigmoid((noise(b, b.log_uniform(30, 160), exponent=1.6) - b.uniform(0, 1.5)) * 9)
    signal = signal * (1 + b.chance(0.5) * b.uniform(-0.25, 0.15) * haze)
    signal = signal + b.log_uniform(0.005, 0.07) * noise(b, b.log_uniform(0.6, 1.5), exponent=0.3)
    return _finished(band, signal + _rim(b, band) + _beside_face(b, band.out))


def wet_fillet(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a dried meniscus along the face: a hollow fillet, its foot line, bare lens beyond."""
    band = _band(b, at, side, 0.15, 5)
    width = (b.log_uniform(0.03, 0.6) * torch.minimum(band.reach, at.thickness)).clamp(min=4)
    lobes = b.pick(0.1, 0.3, 0.6) * _read(b, at.along, 25, 160)
    foot = width * torch.exp(lobes.clamp(-1.5, 1)) - band.far
    steep = (foot / width).clamp(0, 1.5)
    film = b.uniform(-0.6, 0.9) * steep ** b.pick(1, 2, 3) + 0.15 * b.normal() * steep.sin()
    share = torch.sigmoid(foot / b.log_uniform(0.7, 12))
    lens = _tone(b) * (1 + b.uniform(-0.3, 0.3) * band.s)
    wet = lens * torch.exp(b.pick(0, 0.15, 0.4) * b.normal()).clamp(0.4, 1.8) + film
    signal = lens + share * (wet - lens)
    for step in (0.0, 0.35, 0.8):  # where the film's border halted while it dried
        halt = foot + step * b.uniform(0.5, 1.5) * width
        size = b.chance(1 - 0.6 * step) * b.uniform(-0.35, 0.5)
        signal = signal + size * _near(halt, b.log_uniform(0.7, 5))
    soft = b.chance(0.4) * _near(band.inside.clamp(min=0), b.log_uniform(3, 40))
    signal = signal * (1 - b.uniform(0.2, 0.9) * soft)
    signal = signal + b.chance(0.3) * _beside_face(b, band.out)
    return _finished(band, signal + _faint(b, at, band, 0.03))


def haptic_root(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw the root of a haptic: the band widens into a rounded arm, lit along its flanks."""
    band = _band(b, at, side, 0.04, 1.2)
    half, lean = b.log_uniform(0.04, 0.3) * b.cols, b.uniform(-1, 1)
    u = at.along - b.uniform(-0.45, 0.45) * b.cols - lean * band.far
    flare = half * (1 + b.uniform(0.2, 1.2) * torch.exp(-band.far.clamp(min=0) / (0.7 * half)))
    arm = (flare - u.abs()) / (1 + lean.abs())
    long = torch.where(b.chance(0.5) > 0, 9.0 * b.cols, b.uniform(0.08, 0.5) * b.cols)
    arm = _both(arm, long - band.far, 0.6 * half)
    inside = torch.minimum(torch.maximum(band.inside, arm), band.out)
    depth = (inside / (b.uniform(0.15, 1) * half)).clamp(0.02, 1)
    tilt = torch.acos(depth.clamp(0.05, 0.999)) * b.uniform(0.3, 1)
    lit = (1 / torch.cos(tilt).clamp(min=0.2)) ** b.uniform(-0.4, 0.8)
    sided = b.pick(0, 0.25, 0.5) * torch.sin(tilt) * torch.tanh(2 * u / half)
    signal = _tone(b) * (lit.clamp(0.3, 2.2) + sided)
    seam = _near(u - b.uniform(-0.7, 0.7) * half, b.log_uniform(0.8, 4)) * torch.sigmoid(arm / 3)
    signal = signal + b.chance(0.3) * b.uniform(-0.4, 0.5) * seam + _beside_face(b, band.out)
    return _finished(replace(band, inside=inside), signal + _faint(b, at, band))


BODIES: tuple[Body, ...] = (
    tilt_shoulder, square_edge, shadowed_shelf, charged_lens, contaminated_lens, wet_fillet,
    haptic_root,
)  # fmt: skip
