"""Lens surfaces beside a cut face, as somebody sees them who makes and measures lenses.

A lathe leaves fine rings of the feed; a mould leaves a gloss, a parting line and sometimes a fin of
flash; tumbling rounds every arris. A square edge is a wall between two arrises, and an arris is
brighter than either plane, since more secondary electrons leave where the surface is steep or
sharp (yield about 1 / cos of the tilt; Goldstein's textbook, from memory). All that is faint or
lies in a few lines: the planes themselves are plain, whatever their brightness, and a cut is not.
"""

from __future__ import annotations

import torch
from torch import Tensor

from edgeqc.training.scene_materials import any_angle, scratches, spots
from edgeqc.training.scene_surrounds import Body, Outline, laid, wandering
from edgeqc.training.strip_fields import Batch, at_line, lines, noise


def _tone(b: Batch) -> Tensor:
    """Return a plane's brightness: that of the face more often than not, else anything."""
    return torch.where(b.chance(0.62) > 0, b.uniform(0.9, 1.25), b.log_uniform(0.12, 1.8))


def _next_tone(b: Batch, tone: Tensor) -> Tensor:
    """Return the brightness of the plane behind an arris: much like the first, or another."""
    alike = tone * (1 + 0.18 * b.normal()).clamp(0.6, 1.5)
    return torch.where(b.chance(0.6) > 0, alike, _tone(b))


def _line(away: Tensor, width: Tensor) -> Tensor:
    """Return a line, 1 where a distance is zero."""
    return torch.exp(-((away / width) ** 2).clamp(max=30))


def _arris(b: Batch, away: Tensor) -> Tensor:
    """Return the light of an arris: a line with a glow on one side of it, or a dim crease."""
    sign = b.pick(-1, 1)
    glow = torch.exp(-(sign * away).clamp(0, 400) / b.log_uniform(2, 25))
    glow = glow * torch.sigmoid(sign * away / 0.7)
    light = b.pick(0, 0.2, 0.5, 0.9, -0.3) * b.uniform(0.4, 1)
    return light * (_line(away, b.log_uniform(0.8, 3)) + b.pick(0, 0, 0.4, 0.8) * glow)


def _width(b: Batch, at: Outline, low: float, high: float) -> Tensor:
    """Return a width in samples, as a share of the face's thickness."""
    return (b.log_uniform(low, high) * at.thickness).clamp(min=2)


def _near_parallel(b: Batch, at: Outline, width: Tensor) -> Tensor:
    """Return how far out a border lies at every sample: parallel, converging, bowed."""
    u = at.along - b.uniform(-0.5, 0.5) * b.cols
    limit = width / (0.5 * b.cols)
    slope = b.chance(0.45) * torch.minimum(0.3 * b.normal().abs(), 0.9 * limit) * b.pick(-1, 1)
    bow = b.chance(0.5) * torch.minimum(0.4 * b.normal().abs(), limit) * b.pick(-1, -1, 1)
    return width + slope * u + bow / b.cols * u**2


def _depth(b: Batch, at: Outline, side: int) -> Tensor:
    """Return the distance from a smooth line along the border, or from the border as it is.

    The lens's own edges were there before the cut: burrs and notches of the cut are not in them.
    """
    level = at.across if side else -at.across
    near = torch.exp(-(at.beyond[side] / 3) ** 2) + 1e-12
    near = near / near.sum(dim=(1, 2), keepdim=True)
    u_mean, mean = ((near * x).sum(dim=(1, 2), keepdim=True) for x in (at.along, level))
    u = at.along - u_mean
    slope = (near * u * (level - mean)).sum(dim=(1, 2), keepdim=True)
    slope = (slope / ((near * u**2).sum(dim=(1, 2), keepdim=True) + 9)).clamp(-1, 1)
    smooth = (level - mean - slope * u) / torch.sqrt(1 + slope**2)
    return torch.where(b.chance(0.75) > 0, smooth, at.beyond[side])


def _span(at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Return from where to where along its axis the face is seen next to one border."""
    near = (at.edge > 0) & (at.beyond[side] > -0.4 * at.thickness)
    low = torch.where(near, at.along, 1e4).amin(dim=(1, 2), keepdim=True)
    high = torch.where(near, at.along, -1e4).amax(dim=(1, 2), keepdim=True)
    return low.clamp(-3e3, 3e3), high.clamp(-3e3, 3e3)


def _ended(b: Batch, at: Outline, side: int, inside: Tensor) -> Tensor:
    """Return the distance inside a surface that ends in line with the face, sooner or later."""
    out, ends = at.beyond[side], _span(at, side)
    for sign, end in zip((-1, 1), ends, strict=True):
        spare = b.pick(0, 0, 0.04, 0.25, -0.15) * b.uniform(0.3, 1) * b.cols
        spare = torch.where(b.chance(0.45) > 0, 4.0 * b.cols, spare)
        slant = b.pick(0, 0.2, 0.8) * b.normal().clamp(-2, 2)
        left = spare + sign * (end - at.along) + slant * out
        left = left / torch.sqrt(1 + slant**2)
        corner = b.pick(0, 0, 0.3, 1) * b.uniform(2, 60)  # a rounded or broken corner
        both = torch.minimum(inside, left)
        cut = 0.7 * (inside + left - corner)
        inside = torch.minimum(both, torch.where(corner > 0, cut, both))
    return inside


def _few_marks(b: Batch) -> Tensor:
    """Return what handling and coating leave: grain of the coat, few scratches, little dust."""
    grain = noise(b, b.log_uniform(0.6, 3), exponent=b.uniform(0.2, 1))
    cloud = noise(b, b.log_uniform(30, 250), exponent=1.4)
    plane = b.log_uniform(0.002, 0.05) * grain + b.pick(0, 0.01, 0.05) * b.uniform(0, 1) * cloud
    scratch = b.chance(0.3) * b.pick(-1, 1, 1) * b.log_uniform(0.02, 0.3) * scratches(b, 3)
    dust, rim = spots(b, b.log_uniform(30, 180), b.uniform(0.75, 0.98), b.log_uniform(0.5, 2))
    grit = b.uniform(-0.4, 0.5) * dust + b.uniform(0, 0.5) * rim
    return plane + scratch + b.chance(0.35) * grit


def _charging(b: Batch) -> Tensor:
    """Return what charging multiplies: rows of the scan that jump or drift, or nothing."""
    row = lines(b.size, b.rows, b.log_uniform(0.5, 40)[:, 0], b.device)[:, :, None]
    some = (row.abs() - b.uniform(0, 2)).clamp(min=0) * torch.sign(row)
    return 1 + b.chance(0.2) * b.log_uniform(0.02, 0.25) * some.clamp(-2, 2)


def _finished(
    b: Batch, at: Outline, side: int, plane: Tensor, inside: Tensor
) -> tuple[Tensor, Tensor]:
    """Return a surface with its marks and what is seen where the face begins, and its extent."""
    out = at.beyond[side].clamp(min=0)
    plane = plane * (1 + b.pick(0, 0, 1) * b.uniform(-0.35, 0.35) * at.along / b.cols)
    plane = (plane + _few_marks(b)) * _charging(b)
    shade = b.pick(0, 0, 0.5, 0.8) * b.uniform(0.3, 1)
    plane = plane * (1 - shade * torch.exp(-out / b.log_uniform(2, 40)))
    joint = b.pick(0, 0, 0, 0.5, 0.9, -0.4) * b.uniform(0.3, 1)
    plane = plane + joint * torch.exp(-out / b.log_uniform(0.8, 4))
    rim = b.pick(0, 0, 0, 0.3, 0.8, -0.3) * b.uniform(0.3, 1)
    plane = plane + rim * torch.exp(-inside.clamp(min=0) / b.log_uniform(0.8, 6))
    return plane.clamp(0, 2.2), torch.minimum(inside, at.beyond[side])


def square_edge(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw the wall of a square edge, a chamfer or land, and the plane behind them.

    The last plane may lie a step lower, or be another piece's: then the step's shadow lies on it.
    """
    out = _depth(b, at, side)
    tone = _tone(b)
    plane = tone + b.uniform(-0.2, 0.2) * (out / at.thickness).clamp(0, 2)
    matt = b.chance(0.3) * b.log_uniform(0.01, 0.06)
    plane = plane + matt * noise(b, b.log_uniform(1, 6))
    first = _near_parallel(b, at, _width(b, at, 0.04, 1.2))
    second = first + _near_parallel(b, at, _width(b, at, 0.02, 0.25)).clamp(min=2)
    for border, share in ((first, 0.75), (second, 0.6)):
        tone = _next_tone(b, tone)
        there = torch.where(b.chance(share) > 0, out - border, -999.0)
        drop = b.pick(0, 0, 0.4, 0.8) * b.uniform(0.4, 1)
        shadow = drop * torch.exp(-there.clamp(0, 500) / b.log_uniform(2, 0.04 * b.cols))
        plane = laid(plane, tone * (1 - shadow) + 0 * plane, there) + _arris(b, there)
    last = _near_parallel(b, at, _width(b, at, 0.05, 4))
    seen = torch.where(b.chance(0.6) > 0, last, first)
    return _finished(b, at, side, plane, _ended(b, at, side, seen - out))


def lathed_dome(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a turned optic that curves away: faint rings of the feed, a brighter horizon."""
    out = _depth(b, at, side)
    reach = _width(b, at, 0.08, 5)
    radius = b.log_uniform(0.4, 6) * b.cols
    u = at.along - b.uniform(-0.5, 0.5) * b.cols
    flat = (reach / radius).clamp(0.05, 1)  # foreshortening by the tilt
    v = (out - reach) / flat + radius * b.pick(-1, 1, 1)
    far = torch.sqrt(u**2 + v**2)
    inside = reach - b.pick(0, 1, 1) * flat * 0.5 * u**2 / radius - out
    away = (1 - inside / reach).clamp(0, 1)
    steep = (1.02 - away ** b.pick(2, 4, 8)).rsqrt().clamp(max=4) - 1
    plane = _tone(b) * (1 + b.pick(0, 0.1, 0.3) * steep - b.pick(0, 0.3, 0.6) * away**2)
    profile = lines(b.size, 2048, b.log_uniform(0.6, 4)[:, 0], b.device)
    feed = at_line(profile, far.remainder(2046.0))
    pitch = b.log_uniform(3, 24)
    ring = _line((far / pitch).remainder(1) - 0.5, b.uniform(0.1, 0.3)) - 0.3
    patch = torch.sigmoid(3 * noise(b, b.log_uniform(60, 250), exponent=1.4))
    mark = torch.where(b.chance(0.5) > 0, feed, ring)
    plane = plane + b.chance(0.7) * b.log_uniform(0.004, 0.05) * mark * patch
    zone = torch.sigmoid((far - radius * b.uniform(0.8, 1.1)) / b.log_uniform(0.6, 5))
    plane = plane * (1 + b.chance(0.25) * b.uniform(-0.3, 0.4) * zone)  # an optic zone's edge
    return _finished(b, at, side, plane, _ended(b, at, side, inside))


def moulded_gloss(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a moulded surface: gloss, a parting line, a fin of flash, an ejector's circle."""
    out = _depth(b, at, side)
    reach = _near_parallel(b, at, _width(b, at, 0.05, 4))
    flash = b.chance(0.3) * b.log_uniform(1, 0.02 * b.cols)
    fin = flash * (0.5 + wandering(b, at.along, b.uniform(0.2, 1), b.log_uniform(10, 150)))
    inside = reach + fin.clamp(min=0) - out
    tone = _tone(b)
    sink = noise(b, b.log_uniform(80, 300), exponent=1.6)
    plane = tone * (1 + b.pick(0, 0.03, 0.1) * sink)
    plane = laid(plane, plane + b.uniform(0.1, 0.8), torch.where(flash > 0, out - reach, -99.0))
    parting = out - b.uniform(0.15, 0.9) * reach
    parting = torch.where(b.chance(0.4) > 0, parting, -999.0)
    behind = plane * (_next_tone(b, tone) / tone).clamp(0.5, 1.8)
    plane = laid(plane, torch.where(b.chance(0.5) > 0, behind, plane), parting)
    plane = plane + _arris(b, parting)
    u = (at.along - b.uniform(-0.4, 0.4) * b.cols) * b.uniform(0.3, 1)
    v = out - b.uniform(0, 1.2) * at.thickness
    pin = b.log_uniform(0.03, 0.2) * b.cols - torch.hypot(u, v)
    pin = torch.where(b.chance(0.2) > 0, pin, -999.0)
    plane = plane + b.uniform(-0.1, 0.1) * torch.sigmoid(pin / 1.5)
    plane = plane + b.uniform(-0.2, 0.3) * _line(pin, b.log_uniform(1, 4))
    return _finished(b, at, side, plane, _ended(b, at, side, inside))


def haptic_root(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw the root of a haptic: a narrow edge widens by a fillet into a tongue."""
    out = _depth(b, at, side)
    narrow = _near_parallel(b, at, _width(b, at, 0.02, 0.5))
    place = b.uniform(-0.4, 0.4) * b.cols
    half = torch.where(b.chance(0.5) > 0, b.log_uniform(0.04, 0.3), 3.0) * b.cols
    sign = b.pick(-1, 1)
    sway = b.uniform(-0.7, 0.7) * out.clamp(0, 2.0 * b.cols)
    u = half - (sign * (at.along - place) + sway - half).abs()  # positive within the haptic
    fillet = b.log_uniform(0.008, 0.12) * b.cols
    tongue = torch.minimum(u, _near_parallel(b, at, _width(b, at, 0.5, 6)) - out)
    edge = narrow - out
    inside = torch.maximum(tongue, edge)
    gap = (1 - (tongue - edge).abs() / (2 * fillet)).clamp(min=0)
    inside = inside + 0.5 * fillet * gap**2
    tone = _tone(b)
    plane = tone + b.uniform(-0.2, 0.2) * (out / at.thickness).clamp(0, 3)
    wall = _width(b, at, 0.05, 0.4)
    side_on = torch.where(b.chance(0.5) > 0, wall - inside, -999.0)  # the haptic's own flank
    plane = laid(plane, _next_tone(b, tone) + 0 * plane, side_on) + _arris(b, side_on)
    bend = out - narrow - b.uniform(0, 0.5) * fillet  # where the haptic leaves the optic
    bend = torch.where(b.chance(0.5) > 0, bend, -999.0)
    soft = torch.sigmoid(bend / b.log_uniform(0.6, 0.02 * b.cols))
    plane = plane * (1 + b.uniform(-0.35, 0.35) * soft) + _arris(b, bend)
    frost = b.chance(0.35) * b.log_uniform(0.01, 0.07)
    plane = plane + frost * noise(b, b.log_uniform(0.8, 5), exponent=b.uniform(0.3, 1.5))
    return _finished(b, at, side, plane, _ended(b, at, side, inside))


def tumbled_shoulder(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a tumbled edge: every arris rounded, light runs over it, pits and hair lines."""
    out = _depth(b, at, side)
    reach = _near_parallel(b, at, _width(b, at, 0.06, 2.5)).clamp(min=2)
    inside = reach - out
    x = (out / reach).clamp(0, 1)
    crest, spread = b.uniform(-0.2, 1.2), b.log_uniform(0.08, 0.8)
    light = torch.exp(-(((x - crest) / spread) ** 2).clamp(max=30))
    fall = b.pick(0, 0.5, 0.9) * x ** b.pick(2, 4, 8)
    rise = b.pick(0, 0, 0.6) * (1 - x) ** b.pick(2, 6)
    plane = _tone(b) * (1 + b.uniform(-0.4, 0.6) * light + rise) * (1 - fall)
    peel = noise(b, b.log_uniform(12, 70), exponent=1.7)
    plane = plane + b.pick(0, 0.01, 0.03) * peel
    pit, rim = spots(b, b.log_uniform(14, 60), b.uniform(0.6, 0.97), b.log_uniform(0.5, 1.5))
    plane = plane + b.chance(0.4) * (b.uniform(-0.25, 0.05) * pit + b.uniform(0, 0.2) * rim)
    plane = plane + b.chance(0.4) * b.log_uniform(0.01, 0.1) * scratches(b, 6)
    return _finished(b, at, side, plane, _ended(b, at, side, inside))


def charged_plain(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a bare plane on which the beam's charge is all there is to see, or noise alone."""
    out = _depth(b, at, side)
    inside = _near_parallel(b, at, _width(b, at, 0.05, 6)) - out
    veil = lines(b.size, 2048, b.log_uniform(20, 150)[:, 0], b.device)
    lean = b.uniform(-0.6, 0.6) * out.clamp(0, 2000)
    curtain = at_line(veil, at.along + lean + 1024)
    fade = torch.exp(-out.clamp(min=0) / (b.log_uniform(0.2, 4) * at.thickness))
    plane = _tone(b) * (1 + b.pick(0, 0.05, 0.2) * b.uniform(0.3, 1) * curtain * fade)
    plane = plane * (1 + b.pick(0, 0.4, -0.5) * b.uniform(0.3, 1) * fade)
    bloom = noise(b, b.log_uniform(60, 300), exponent=1.8, angle=any_angle(b),
                  anisotropy=b.uniform(1, 6))  # fmt: skip
    plane = plane * (1 + b.pick(0, 0.1, 0.25) * torch.sigmoid(2 * bloom - b.uniform(-1, 3)))
    plane = plane + b.chance(0.4) * b.log_uniform(0.02, 0.2) * torch.randn_like(plane)
    return _finished(b, at, side, plane, _ended(b, at, side, inside))


def wetted(b: Batch, at: Outline, side: int) -> tuple[Tensor, Tensor]:
    """Draw a dried film: a meniscus along the face, shorelines, few droplets and dimples."""
    out = _depth(b, at, side)
    inside = _near_parallel(b, at, _width(b, at, 0.15, 5)) - out
    tone = _tone(b)
    film = _next_tone(b, tone) + b.pick(0, 0.02, 0.05) * noise(b, b.log_uniform(10, 100))
    width = _width(b, at, 0.04, 0.9)
    shore = width * (1 + wandering(b, at.along, b.uniform(0, 0.4), b.log_uniform(25, 250)))
    shore = shore + b.pick(0, 0, 0.5) * width * noise(b, 0.6 * width + 6, exponent=1.6)
    shore = torch.where(b.chance(0.75) > 0, shore - out, -999.0)
    thin = torch.exp(-shore.clamp(min=0) / (b.log_uniform(0.1, 2) * width))
    film = film * (1 + b.uniform(-0.4, 0.4) * thin)
    plane = laid(tone + 0 * film, film, shore)
    for _ in range(2):  # lines that a receding shore left
        left = shore + b.uniform(0, 0.6) * width
        plane = plane + b.pick(0, 0.15, 0.4, -0.2) * _line(left, b.log_uniform(0.8, 4))
    pitch = b.log_uniform(25, 150)
    drop, rim = spots(b, pitch, b.uniform(0.6, 0.97), b.log_uniform(0.5, 3))
    shown = b.chance(0.5) * (b.uniform(-0.3, 0.3) * drop + b.uniform(0, 0.4) * rim)
    return _finished(b, at, side, plane + shown, _ended(b, at, side, inside))


BODIES: tuple[Body, ...] = (
    square_edge, lathed_dome, moulded_gloss, haptic_root, tumbled_shoulder, charged_plain, wetted,
)  # fmt: skip
"""Surfaces of a lens as they left the lathe, the mould or the tumbler, and after use."""
