"""Variety made on the fitting device: samples varied anew each time they are taken."""

from __future__ import annotations

import torch
from torch import Tensor, nn

from edgeqc.training.cell_classes import IGNORED

CROP_COLUMNS = 640
"""Columns of the planes in a batch of faces."""


def vary_faces(planes: Tensor, classes: Tensor) -> tuple[Tensor, Tensor]:
    """Mirror along s, invert the shading, drop the scale: all on the fitting device."""
    batch = planes.shape[0]
    device = planes.device
    # chosen without asking the device which: the processor would have to wait for the answer
    mirror = torch.rand(batch, 1, 1, device=device) < 0.5
    planes = torch.where(mirror[:, None], planes.flip(-1), planes)
    planes[:, 6] *= 1 - 2 * mirror.float()
    classes = torch.where(mirror, classes.flip(-1), classes)
    inverted = torch.rand(batch, 1, 1, 1, device=device) < 0.2
    planes[:, 0:2] *= 1 - 2 * inverted.float()
    # level of the low-pass grey and of each texture band is never to be relied on
    gain = torch.exp(0.2 * torch.randn(batch, 7, 1, 1, device=device))
    planes[:, :7] *= gain
    planes[:, 1] *= (torch.rand(batch, 1, 1, device=device) < 0.8).float()
    planes[:, 2:5] += 0.2 * torch.randn(batch, 3, 1, 1, device=device)
    noisy = (torch.rand(batch, 1, 1, device=device) < 0.25).float()
    planes[:, 0] += (
        noisy * 0.5 * torch.rand(batch, 1, 1, device=device) * torch.randn_like(planes[:, 0])
    )
    planes[:, 9:11] *= (torch.rand(batch, 1, 1, 1, device=device) >= 0.15).float()
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
