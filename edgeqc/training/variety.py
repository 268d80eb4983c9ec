"""Variety made on the fitting device: samples varied, and samples drawn there and kept a while."""

from __future__ import annotations

import torch
from torch import Tensor, nn

from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.samples import PLANE_STEP
from edgeqc.training.scenes import draw_scenes
from edgeqc.training.strips import draw_strips

CROP_COLUMNS = 640
"""Columns of the planes in a batch of faces."""
STRIP_SAMPLES = (0.55, 0.75, 1.0, 1.25, 1.6, 2.1)
"""Picture samples per plane sample of the strips drawn on the fitting device."""
SCENE_SAMPLES = (1.0, 1.5, 2.0)
"""Picture samples per canvas sample of the pictures drawn there."""
STRIPS_KEPT = 3000
STRIPS_EVERY = 4  # steps of the fit
FIRST_STRIPS = 40  # batches of strips drawn before the first step


def vary_faces(planes: Tensor, classes: Tensor) -> tuple[Tensor, Tensor]:
    """Mirror along s, invert the shading, drop the scale: all on the fitting device."""
    batch = planes.shape[0]
    device = planes.device
    mirror = torch.rand(batch, device=device) < 0.5
    planes[mirror] = planes[mirror].flip(-1)
    planes[mirror, 6] *= -1
    classes[mirror] = classes[mirror].flip(-1)
    inverted = torch.rand(batch, device=device) < 0.2
    planes[inverted, 0:2] *= -1
    # level of the low-pass grey and of each texture band is never to be relied on
    gain = torch.exp(0.2 * torch.randn(batch, 7, 1, 1, device=device))
    planes[:, :7] *= gain
    planes[:, 1] *= (torch.rand(batch, 1, 1, device=device) < 0.8).float()
    planes[:, 2:5] += 0.2 * torch.randn(batch, 3, 1, 1, device=device)
    noisy = (torch.rand(batch, 1, 1, device=device) < 0.25).float()
    planes[:, 0] += (
        noisy * 0.5 * torch.rand(batch, 1, 1, device=device) * torch.randn_like(planes[:, 0])
    )
    blind = torch.rand(batch, device=device) < 0.15
    planes[blind, 9:11] = 0
    return planes, classes


def _folded(at: Tensor, extent: Tensor) -> Tensor:
    """Fold positions back into 0 .. extent, as between two mirrors."""
    period = 2 * extent
    rest = torch.remainder(at, period)
    return torch.minimum(rest, period - rest)


def _warped(planes: Tensor, classes: Tensor) -> tuple[Tensor, Tensor]:
    """Turn, stretch and shift what stands on each canvas; what lacks is mirrored at its edges."""
    batch, _, size, _ = planes.shape
    device = planes.device
    on = planes[:, 5] > 0.5  # the canvas of each picture, an upper-left rectangle
    extent = torch.stack([on[:, :, 0].sum(1), on[:, 0].sum(1)], 1).float().clamp(min=16)

    def normal(spread: float) -> Tensor:
        return spread * torch.randn(batch, 1, 1, device=device)

    # turned and shrunk little: much mirrored ground takes away what tells a face from it
    angle, aspect = normal(0.08), torch.exp(normal(0.1))
    scale = torch.exp(normal(0.12) - 0.1)
    cosine, sine, shear = torch.cos(angle), torch.sin(angle), normal(0.05)

    def source(count: int) -> Tensor:
        """Return where each of count × count canvas places comes from, -1 .. 1."""
        at = (torch.arange(count, device=device) + 0.5) * size / count
        row = at[None, :, None] - extent[:, 0, None, None] / 2
        col = at[None, None, :] - extent[:, 1, None, None] / 2
        row, col = row * scale * aspect, (col + shear * row) * scale / aspect
        far_row, far_col = extent[:, 0, None, None], extent[:, 1, None, None]
        shift_row, shift_col = move[0] * far_row, move[1] * far_col
        rows = _folded(cosine * row - sine * col + far_row / 2 + shift_row, far_row)
        cols = _folded(sine * row + cosine * col + far_col / 2 + shift_col, far_col)
        rows = torch.minimum(rows.clamp(min=0.5), far_row - 0.5)
        cols = torch.minimum(cols.clamp(min=0.5), far_col - 0.5)
        return torch.stack([cols, rows], dim=-1) * 2 / size - 1

    move = (normal(0.04), normal(0.04))
    turned = nn.functional.grid_sample(planes, source(size), align_corners=False)
    small = source(classes.shape[-1])
    named = nn.functional.grid_sample(
        classes[:, None].float(), small, mode="nearest", align_corners=False
    )[:, 0].long()
    canvas = planes[:, 5:6]
    shrunk = nn.functional.interpolate(canvas, size=classes.shape[-2:], mode="nearest")[:, 0] > 0.5
    turned[:, 5:6] = canvas
    return turned * canvas, torch.where(shrunk, named, IGNORED)


def vary_pictures(planes: Tensor, classes: Tensor) -> tuple[Tensor, Tensor]:
    """Turn, stretch, mirror, invert, shift the levels: all on the fitting device."""
    moved = torch.rand(planes.shape[0], device=planes.device) < 0.3
    if bool(moved.any()):
        planes[moved], classes[moved] = _warped(planes[moved], classes[moved])
    for axis in (-1, -2):
        if torch.rand(()) < 0.5:
            planes, classes = planes.flip(axis), classes.flip(axis)
    if torch.rand(()) < 0.5:
        planes, classes = planes.transpose(-1, -2), classes.transpose(-1, -2)
    shift = torch.randn(planes.shape[0], 3, 1, 1, device=planes.device)
    on = planes[:, 5:6]
    planes[:, 0:1] += 0.3 * shift[:, :1] * on
    planes[:, 2:4] += 0.3 * shift[:, 1:] * on
    inverted = torch.rand(planes.shape[0], device=planes.device) < 0.2
    planes[inverted, 0:2] *= -1
    planes[:, :4] *= torch.exp(0.15 * torch.randn(planes.shape[0], 4, 1, 1, device=planes.device))
    return planes.contiguous(), classes.contiguous()


class DrawnStore:
    """Samples drawn on the fitting device, kept for a while in its memory."""

    def __init__(
        self,
        zones: bool,
        share: float,
        batch_size: int,
        device: str,
        photographs: Tensor | None = None,
    ) -> None:
        self.zones = zones
        self.wanted = round(share * batch_size)
        self.fresh = max(1, self.wanted // 4)
        self.device = device
        self.photographs = None if photographs is None else photographs.to(device)
        self.planes: Tensor | None = None
        self.classes: Tensor | None = None
        self.drawn = self.taken = 0

    def _renew(self) -> None:
        samples = STRIP_SAMPLES if self.zones else SCENE_SAMPLES
        sample = samples[int(torch.randint(len(samples), ()))]
        with torch.no_grad():
            planes, classes = (
                draw_strips(self.fresh, CROP_COLUMNS, sample, self.device, self.photographs)
                if self.zones
                else draw_scenes(self.fresh, sample, self.device, self.photographs)
            )
        if self.planes is None or self.classes is None:
            shape = (STRIPS_KEPT, *planes.shape[1:])
            self.planes = torch.zeros(shape, dtype=torch.int8, device=self.device)
            self.classes = torch.zeros(
                (STRIPS_KEPT, *classes.shape[1:]), dtype=torch.uint8, device=self.device
            )
        at = (self.drawn + torch.arange(self.fresh, device=self.device)) % STRIPS_KEPT
        self.planes[at] = (planes * PLANE_STEP).round().clamp(-127, 127).to(torch.int8)
        self.classes[at] = classes.to(torch.uint8)
        self.drawn += self.fresh

    def take(self) -> tuple[Tensor, Tensor] | None:
        """Return planes and classes for one step, or None where none are wanted."""
        if self.wanted == 0:
            return None
        # drawing costs more than a step: every few steps is enough for a store of thousands
        for _ in range(FIRST_STRIPS if self.drawn == 0 else int(self.taken % STRIPS_EVERY == 0)):
            self._renew()
        self.taken += 1
        assert self.planes is not None
        assert self.classes is not None
        newest = torch.arange(self.drawn - self.fresh, self.drawn, device=self.device)
        count = min(self.drawn, STRIPS_KEPT)
        older = torch.randint(count, (self.wanted - self.fresh,), device=self.device)
        at = torch.cat([newest % STRIPS_KEPT, older])
        return self.planes[at].float() / PLANE_STEP, self.classes[at].long()
