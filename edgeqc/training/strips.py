"""Unrolled cut faces drawn on the fitting device, many thousands an hour.

A phantom of ``edgeqc.phantoms`` is a whole picture with its truth and takes seconds; the zone
model needs many more faces than that can give. Here only the unrolled strip is drawn, in batches:
looks, layout, edges, beam and noise, and from it the planes that the model sees.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED, NAMELESS, UNTOLD
from edgeqc.training.strip_fields import Batch, at_line, blur, lines, noise, standardised
from edgeqc.training.strip_layouts import LAYOUTS, bordered, surrounded
from edgeqc.training.strip_looks import (
    LASER_LOOKS,
    NAMED_LOOKS,
    SCISSOR_LOOKS,
    TORN_LOOKS,
    draw_looks,
)
from edgeqc.training.strip_nameless import NAMELESS_LOOKS, PHOTOGRAPHS
from edgeqc.training.strip_places import Place, littered, one_after_another
from edgeqc.zoning.texture import CELL, MARGIN, N_PLANES, ROWS

_FLOOR = 1e-7  # as in zoning.texture
_LOOKS = (LASER_LOOKS, SCISSOR_LOOKS, TORN_LOOKS)
_WHOLE_NAMELESS, _ZONE_NAMELESS = 0.2, 0.1
"""Share of faces, and of zones among the others, whose looks tell no name."""
_ANYONES, _PICTURED = 0.35, 0.5
"""Share of these that show the look of any zone, and of the others that are photographs."""
_LAID_ANEW = 0.5
"""Share of faces whose zones another hand lays out, and of batches with its borders and grounds."""


def _per_column(b: Batch, sd: Tensor, length: Tensor) -> Tensor:
    return sd * lines(b.size, b.cols, length[:, 0], b.device)[:, None, :]


def _depth(b: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """Return depth fraction along the strip, and which residual lies below it (0 torn, 1 cut)."""
    mean = torch.where(b.chance(0.75) > 0, b.uniform(0.6, 0.98), b.uniform(0.05, 0.7))
    thin = b.chance(0.12)
    mean = torch.where(thin > 0, 1 - b.log_uniform(0.012, 0.08), mean)
    room = torch.minimum(mean, 1 - mean)
    col = torch.linspace(-0.5, 0.5, b.cols, device=b.device)[None, None, :]
    depth = mean + b.chance(0.5) * b.uniform(-0.5, 0.5) * room * col
    depth = depth + _per_column(b, b.pick(0, 0.05, 0.2, 0.4) * b.uniform(0, 1) * room,
                                b.log_uniform(0.05, 0.6) * b.rows)  # fmt: skip
    depth = depth + _per_column(b, b.pick(0, 0.5, 1, 2, 4) * b.uniform(0, 1) / b.rows,
                                b.log_uniform(2, 15))  # fmt: skip
    step = b.chance(0.2) * b.uniform(-0.5, 0.5) * room
    depth = depth + step * torch.sigmoid((col - b.uniform(-0.5, 0.5)) / 0.004)
    depth = torch.where(depth > 0.985, 2.0, torch.where(depth < 0.02, -1.0, depth))
    # over a stretch the laser got through, with ends as steep as they come
    gone = (col - b.uniform(-0.5, 0.5)).abs() < b.uniform(0.03, 0.3)
    depth = torch.where(gone & (b.chance(0.12) > 0), 2.0, depth)
    layout = torch.rand(b.size, 1, 1, device=b.device)
    depth = torch.where(layout < 0.10, torch.full_like(depth, 2.0), depth)  # through
    depth = torch.where(layout > 0.86, torch.full_like(depth, -1.0), depth)  # no laser
    cut = b.chance(0.42)
    turn = b.chance(0.12)
    return depth, cut, turn


def _lay_out(b: Batch) -> Place:
    row = torch.arange(b.rows, device=b.device, dtype=torch.float32)[None, :, None] + 0.5
    thickness = b.rows / (1 + 2 * MARGIN)
    sd = torch.exp(math.log(0.004) + 0.9 * torch.randn(b.size, 1, 1, device=b.device))
    edges = []
    for base in (MARGIN * thickness, (1 + MARGIN) * thickness):
        wander = _per_column(b, sd.clamp(max=0.02) * thickness, b.log_uniform(4, 200))
        offset = 0.004 * thickness * torch.randn(b.size, 1, 1, device=b.device)
        edges.append(base + wander + offset)
    t = (row - edges[0]) / (edges[1] - edges[0])
    edge_px = torch.minimum(row - edges[0], edges[1] - row)
    depth, cut, turn = _depth(b)
    col = torch.arange(b.cols, device=b.device, dtype=torch.float32)[None, None, :]
    change = b.uniform(0.05, 0.95) * b.cols + b.uniform(-0.5, 0.5) * b.rows * (t - 0.5)
    kind = torch.where(turn > 0, torch.where(col < change, cut, 1 - cut), cut.expand_as(t))
    codes = torch.where(t < depth, 0, torch.where(kind > 0.5, 1, 2))
    wander = lines(b.size, 512, b.log_uniform(5, 80)[:, 0], b.device)
    slant = 0.35 * torch.randn(b.size, 1, 1, device=b.device) * thickness * (t - 0.5)
    border = b.uniform(-0.05, 1.05) * b.cols + slant
    border = border + b.uniform(0, 8) * at_line(wander, t.clamp(0, 1) * 500)
    beyond = torch.where(b.chance(0.5) > 0, border - col, col - border)
    codes = torch.where((beyond > 0) & (b.chance(0.27) > 0), 1, codes)
    return Place(t, codes, b.pick(0, 0, 2, 5, 10) * b.uniform(0, 1),
                  (t - depth).abs() * thickness, edge_px)  # fmt: skip


def _shaded(b: Batch, relief: Tensor) -> Tensor:
    """Return the electrons of a relief: tilt yield, shading, bright ridges; or height itself."""
    steep = b.log_uniform(0.3, 3)
    relief = relief * steep
    down = functional.pad(relief[:, 2:] - relief[:, :-2], (0, 0, 1, 1), mode="replicate") / 2
    along = functional.pad(relief[:, :, 2:] - relief[:, :, :-2], (1, 1), mode="replicate") / 2
    slope2 = down**2 + along**2
    raised = (1 + slope2) ** (b.uniform(0.8, 1.3) / 2) - 1
    way = b.uniform(-math.pi, math.pi)
    facing = (torch.cos(way) * along + torch.sin(way) * down) / torch.sqrt(1 + slope2)
    ridge = relief - blur(relief, b.log_uniform(0.8, 8))
    signal = standardised(raised / (1 + raised / 4)) * b.uniform(0, 1)
    signal = signal + standardised(facing) * b.chance(0.8) * b.uniform(0, 1.2)
    signal = signal + standardised(ridge) * b.chance(0.7) * b.uniform(0, 1.0)
    direct = b.chance(0.3)
    sign = torch.where(b.chance(0.3) > 0, -1.0, 1.0)
    plane = direct * standardised(relief) * sign + (1 - direct) * standardised(signal)
    return 4 * torch.tanh(standardised(plane) / 4)


def _greys(b: Batch) -> tuple[Tensor, Tensor]:
    """Return grey and contrast of the three zones, (size, 3, 1, 1); they tell no name."""
    spread = b.pick(0.0, 0.02, 0.06, 0.06, 0.2)[:, None]
    grey = 1 + spread * torch.randn(b.size, 3, 1, 1, device=b.device)
    low, high = math.log(0.03), math.log(0.35)
    contrast = torch.exp(low + (high - low) * torch.rand(b.size, 3, 1, 1, device=b.device))
    equal = b.chance(0.4)[:, None]
    contrast = equal * contrast[:, :1] + (1 - equal) * contrast
    faint = torch.rand(b.size, 1, 1, 1, device=b.device) < 0.2
    contrast[:, :1] = torch.where(faint, contrast[:, :1] * 0.25, contrast[:, :1])
    return grey, contrast


def _origins(b: Batch) -> Tensor:
    """Return (size, 3) of the zones: 0 the usual look, ``NAMELESS`` none's, ``UNTOLD`` anyone's."""
    whole = torch.rand(b.size, 1, device=b.device) < _WHOLE_NAMELESS
    other = whole | (torch.rand(b.size, 3, device=b.device) < _ZONE_NAMELESS)
    anyone = torch.rand(b.size, 3, device=b.device) < _ANYONES
    return other * torch.where(anyone, UNTOLD, NAMELESS)


def _relief(b: Batch, zone: int, origin: Tensor) -> Tensor:
    """Return the looks of one zone, (size, rows, cols), by their origins (size,)."""
    relief = draw_looks(b, _LOOKS[zone])
    pictured = torch.rand(b.size, device=b.device) < (0 if b.photographs is None else _PICTURED)
    for members, looks in (
        (origin == UNTOLD, NAMED_LOOKS),
        ((origin == NAMELESS) & ~pictured, NAMELESS_LOOKS),
        ((origin == NAMELESS) & pictured, PHOTOGRAPHS),
    ):
        at = torch.nonzero(members)[:, 0]
        if at.numel():
            relief[at] = draw_looks(b.part(int(at.numel())), looks)
    return relief


def zone_signal(b: Batch, place: Place) -> tuple[Tensor, Tensor]:
    """Return the electrons of the zones at their places, 1 on average, and the looks' origins.

    The origins, (size, 3), are 0, ``NAMELESS`` or ``UNTOLD`` for laser, scissor and torn.
    """
    grey, contrast = _greys(b)
    origins = _origins(b)
    signal = torch.zeros_like(place.t)
    shares = []
    for zone in range(3):
        member = (place.codes == zone).float()
        shares.append(torch.where(place.soft > 0.5, _softened(member, place.soft), member))
    total = sum(shares) + 1e-6
    for zone in range(3):
        look = _shaded(b, _relief(b, zone, origins[:, zone]))
        patchy = 1 + b.pick(0, 0, 0.2, 0.4) * noise(b, 0.25 * b.rows * b.uniform(0.5, 2))
        drift = b.pick(0, 0, 0.03, 0.08) * noise(b, 0.5 * b.rows * b.uniform(0.5, 2))
        plane = grey[:, zone] + contrast[:, zone] * look * patchy.clamp(0.2, 3) + drift
        signal = signal + plane * shares[zone] / total
    line = b.chance(0.25) * b.uniform(-0.4, 0.4)
    ledge = torch.exp(-((place.ledge / b.uniform(0.7, 3)) ** 2)) * (place.ledge < 12)
    return signal + line * ledge, origins


def _softened(member: Tensor, width: Tensor) -> Tensor:
    return blur(member, width / 2.5 + 0.3).clamp(0, 1)


def _surround(b: Batch, place: Place, signal: Tensor) -> Tensor:
    """Put the strip's surround outside the edges, with rims, halos and glow."""
    inside = torch.sigmoid(place.edge_px / b.uniform(0.2, 1.0))
    rim = b.pick(0, 0.1, 0.3, 0.8, -0.15) * b.uniform(0.3, 1)
    depth = place.edge_px.clamp(min=0)
    signal = signal + rim * torch.exp(-depth / b.log_uniform(1, 8))
    signal = signal + b.chance(0.3) * b.uniform(0, 0.2) * torch.exp(-depth / b.log_uniform(8, 60))
    ground = []
    for _ in range(2):  # either side has a ground of its own
        level = torch.where(b.chance(0.6) > 0, b.uniform(0.05, 0.6), b.uniform(0.6, 1.3))
        grain = b.log_uniform(0.003, 0.08) * noise(b, b.log_uniform(2, 60))
        beside = b.chance(0.3) * b.uniform(-0.4, 0.4) * torch.exp(
            place.edge_px.clamp(max=0) / b.log_uniform(2, 30)
        )
        ground.append(level + grain + beside)
    outside = torch.where(place.t < 0.5, ground[0], ground[1])
    return inside * signal + (1 - inside) * outside


def _transferred(b: Batch, signal: Tensor) -> Tensor:
    """Return the signal with coarse and fine detail weighed anew, as detectors and filters do."""
    f_row = torch.fft.fftfreq(b.rows, device=b.device)[None, :, None]
    f_col = torch.fft.rfftfreq(b.cols, device=b.device)[None, None, :]
    octave = torch.log2(torch.sqrt(f_row**2 + f_col**2) + 1e-6)
    step = torch.sigmoid((octave - b.uniform(-7, -1.5)) / b.uniform(0.3, 1.5))
    gain = torch.exp(b.chance(0.35) * b.uniform(-1, 1) * step)
    return torch.fft.irfft2(torch.fft.rfft2(signal) * gain, s=(b.rows, b.cols))


def taken(b: Batch, signal: Tensor) -> Tensor:
    """Return the picture of the signal: beam, gradient, charging, noise, clipping, tone."""
    signal = blur(signal, torch.where(b.chance(0.06) > 0, b.uniform(1.5, 3), b.uniform(0.3, 1.1)))
    signal = _transferred(b, signal)
    for axis, count in ((1, b.rows), (2, b.cols)):
        ramp = torch.linspace(-0.5, 0.5, count, device=b.device)
        shape = [1, 1, 1]
        shape[axis] = count
        signal = signal * (1 + b.pick(0, 0, 0.1, 0.3) * b.uniform(-1, 1) * ramp.reshape(shape))
    lying = b.chance(0.5)
    for axis, along in ((1, lying), (2, 1 - lying)):
        count = signal.shape[axis]
        streak = lines(b.size, count, b.log_uniform(0.5, 20)[:, 0], b.device)
        streak = streak[:, :, None] if axis == 1 else streak[:, None, :]
        size = along * b.pick(0, 0, 0.01, 0.03, 0.1) * b.uniform(0, 1)
        signal = signal + size * streak
    dose = torch.where(b.chance(0.12) > 0, b.log_uniform(8, 60), b.log_uniform(60, 8000))
    grain = torch.randn_like(signal) * (signal.clamp(min=0.05) / dose).sqrt()
    signal = signal + grain
    contrast = b.log_uniform(0.15, 0.8)
    grey = b.uniform(0.3, 0.6) + contrast * (signal - 1)
    grey = grey + b.chance(0.15) * b.uniform(0, 1) * (grey - blur(grey, 1.2))
    grey = grey.clamp(0, 1)
    grey = grey + b.chance(0.3) * b.uniform(-0.8, 0.8) * grey * (1 - grey)  # a tone curve
    return (grey * 255).round() / 255


def smoothed(plane: Tensor, sigma: float) -> Tensor:
    """Blur by a short Gaussian kernel with reflected ends, as the model's planes are."""
    radius = max(1, math.ceil(3.5 * sigma))
    at = torch.arange(-radius, radius + 1, device=plane.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (at / sigma) ** 2)
    kernel = kernel / kernel.sum()
    plane = functional.pad(plane[:, None], (radius,) * 4, mode="reflect")
    plane = functional.conv2d(plane, kernel[None, None, :, None])
    return functional.conv2d(plane, kernel[None, None, None, :])[:, 0]


def _resampled(plane: Tensor, cols: int) -> Tensor:
    return functional.interpolate(
        plane[:, None], size=(ROWS, cols), mode="bilinear", align_corners=False
    )[:, 0]


def planes_of(grey: Tensor, cols: int, sample: float) -> Tensor:
    """Return the zone model's first seven planes of strips of grey.

    Parameters
    ----------
    grey : (b, rows, cols) tensor
        Pictures of unrolled faces at ``sample`` picture samples per plane sample.
    cols : int
        Columns of the planes.
    sample : float
        Picture samples per plane sample.

    Notes
    -----
    The same computation as ``edgeqc.zoning.texture.face_planes``, which a test compares.
    """
    inner = slice(int(ROWS * 0.1), int(ROWS * 0.9))
    unrolled = _resampled(smoothed(grey, 0.45 * sample) if sample > 1.3 else grey, cols)
    low = smoothed(unrolled, 20.0)
    detail = unrolled - low
    spread = detail[:, inner].square().mean(dim=(1, 2), keepdim=True).sqrt() + 1e-6
    mean = unrolled[:, inner].mean(dim=(1, 2), keepdim=True)
    planes = [(detail / spread).clamp(-5, 5), ((low - mean) / spread).clamp(-5, 5)]
    pool = min(max(4.0 * sample, 3.0), 16.0)
    first, second = smoothed(grey, 1.0), smoothed(grey, 2.0)
    third = smoothed(second, 3.46)
    for band in (grey - first, first - second, second - third):
        level = torch.log(_resampled(smoothed(band * band, pool), cols) + _FLOOR)
        middle = level[:, inner].flatten(1).median(dim=1).values
        planes.append((level - middle[:, None, None]).clamp(-4, 4))
    kernel = torch.tensor([[-1.0, 0, 1], [-2, 0, 2], [-1, 0, 1]], device=grey.device)
    padded = functional.pad(first[:, None], (1, 1, 1, 1), mode="reflect")
    col = functional.conv2d(padded, kernel[None, None])[:, 0]
    row = functional.conv2d(padded, kernel.T[None, None])[:, 0]
    power = smoothed(row * row + col * col, pool) + _FLOOR
    planes.append(_resampled(smoothed(row * row - col * col, pool) / power, cols))
    planes.append(_resampled(smoothed(2 * row * col, pool) / power, cols))
    return torch.stack(planes, dim=1)


def _at_random(share: float) -> bool:
    return bool(torch.rand(()) < share)


def _places(b: Batch) -> Place:
    """Return layouts, each member's by one of two hands."""
    anew = int((torch.rand(b.size) < _LAID_ANEW).sum())
    further = LAYOUTS[int(torch.randint(len(LAYOUTS), ()))]
    if anew == b.size:
        return further(b)
    if anew == 0:
        return _lay_out(b)
    return one_after_another(_lay_out(b.part(b.size - anew)), further(b.part(anew)))


def draw_pictures(b: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """Return unrolled faces as a microscope shows them, and what lies where.

    Rows reach from ``MARGIN`` of the thickness before the face to as much behind it.

    Returns
    -------
    grey, codes, edge_px : (size, rows, cols) tensors
        Grey 0 .. 1; 0 laser, 1 scissor, 2 torn, 3 obscured, what is known of the look's origin
        added; distance from the face's edge in samples, positive inside.
    """
    place = _places(b)
    electrons, origins = zone_signal(b, place)
    if _at_random(_LAID_ANEW):
        electrons = bordered(b, place, electrons)
    around = surrounded if _at_random(_LAID_ANEW) else _surround
    signal, hidden = littered(b, place, around(b, place, electrons))
    grey = taken(b, signal)
    zones = place.codes.flatten(1)
    codes = (zones + torch.gather(origins, 1, zones)).reshape(place.codes.shape)
    return grey, torch.where(hidden, 3, codes), place.edge_px


def draw_strips(
    size: int, cols: int, sample: float, device: str, photographs: Tensor | None = None
) -> tuple[Tensor, Tensor]:
    """Return planes and classes of a batch of strips.

    Parameters
    ----------
    size : int
        Strips wanted.
    cols : int
        Columns of the planes, a multiple of ``CELL``.
    sample : float
        Picture samples per plane sample (0.45 to 2.5): how finely the picture shows the face.
    device : str
        Where to draw.
    photographs : (n, side, side) tensor, optional
        Photographs that give the looks of some zones, whose names they do not tell.

    Returns
    -------
    planes : (size, N_PLANES, ROWS, cols) float32 tensor
    classes : (size, ROWS / CELL, cols / CELL) int64 tensor
        0 laser, 1 scissor, 2 torn, 3 obscured, 255 not to be learned, with what is known of the
        look's origin added (``edgeqc.training.origins``).
    """
    rows, columns = 32 * round(ROWS * sample / 32), 32 * round(cols * sample / 32)
    b = Batch(size, rows, columns, device, photographs)
    grey, codes, edge_px = draw_pictures(b)
    # where either edge is misplaced, the frame's own t says what is on the face
    row = (torch.arange(b.rows, device=device, dtype=torch.float32) + 0.5) / b.rows
    frame_t = (-MARGIN + row * (1 + 2 * MARGIN))[None, :, None]
    outside = (edge_px < 0) | (frame_t < 0) | (frame_t > 1)
    codes = torch.where(outside, IGNORED, codes)
    known = torch.rand(size, device=device) < 0.7
    turned = ~known & (torch.rand(size, device=device) < 0.5)
    grey = torch.where(turned[:, None, None], grey.flip((1, 2)), grey)
    codes = torch.where(turned[:, None, None], codes.flip((1, 2)), codes)
    planes = torch.empty(size, N_PLANES, ROWS, cols, device=device)
    planes[:, :7] = planes_of(grey, cols, sample)
    at = (torch.arange(ROWS, device=device, dtype=torch.float32) + 0.5) / ROWS
    planes[:, 7] = (-MARGIN + at * (1 + 2 * MARGIN))[None, :, None]
    planes[:, 8] = 1.0
    spacing = torch.rand(size, device=device) < 0.6
    value = torch.log2(sample * b.log_uniform(0.15, 2.0)[:, 0, 0]).clamp(-4, 4)
    planes[:, 9] = torch.where(spacing, value, 0.0)[:, None, None]
    planes[:, 10] = spacing.float()[:, None, None]
    planes[:, 11] = known.float()[:, None, None]
    small = functional.interpolate(
        codes[:, None].float(), size=(ROWS // CELL, cols // CELL), mode="nearest-exact"
    )
    return planes, small[:, 0].long()
