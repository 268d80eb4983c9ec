"""Whole pictures with one or two cut faces, drawn on the fitting device, for the face model."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.faces.face_model import CANVAS, N_PLANES, STRIDE
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.scene_lab_columns import SCENES as COLUMN_SCENES
from edgeqc.training.scene_lab_crowd import SCENES as CROWD_SCENES
from edgeqc.training.scene_lab_dirt import SCENES as DIRT_SCENES
from edgeqc.training.scene_lab_holders import SCENES as HOLDER_SCENES
from edgeqc.training.scene_lab_lowvac import SCENES as LOW_VACUUM_SCENES
from edgeqc.training.scene_lab_quiet import SCENES as QUIET_SCENES
from edgeqc.training.scene_lab_relief import SCENES as RELIEF_SCENES
from edgeqc.training.scene_lab_slivers import SCENES as SLIVER_SCENES
from edgeqc.training.scene_lab_solid import SCENES as SOLID_SCENES
from edgeqc.training.scene_lab_sputter import SCENES as SPUTTER_SCENES
from edgeqc.training.scene_lens_explant import BODIES as EXPLANT_BODIES
from edgeqc.training.scene_lens_microscopist import BODIES as MICROSCOPIST_BODIES
from edgeqc.training.scene_lens_optician import BODIES as OPTICIAN_BODIES
from edgeqc.training.scene_places import Finish, Scene, zones
from edgeqc.training.scene_surrounds import BODY, FACE, covered, outlines, surround, wandering
from edgeqc.training.strip_fields import Batch, noise
from edgeqc.training.strip_places import Place, littered
from edgeqc.training.strips import smoothed, taken, zone_signal

_FLOOR = 1e-7  # as in faces.face_model
_PLAIN, _VARIED = 0.15, 0.27
"""Shares of the pictures with straight faces on plain grounds, and with any outline and a
chamber's surroundings; the others are further hands' scenes."""
_HANDS_AT_A_TIME = 3
_BODIES = (*OPTICIAN_BODIES, *MICROSCOPIST_BODIES, *EXPLANT_BODIES)
_FURTHER: tuple[Scene, ...] = (
    *LOW_VACUUM_SCENES, *SPUTTER_SCENES, *SLIVER_SCENES, *HOLDER_SCENES, *SOLID_SCENES,
    *DIRT_SCENES, *RELIEF_SCENES, *QUIET_SCENES, *CROWD_SCENES, *COLUMN_SCENES,
)  # fmt: skip
ASPECTS = (0.66, 0.75, 0.75, 0.84, 1.0)
"""Rows over columns of the pictures."""


@dataclass(frozen=True)
class _Frame:
    """Position along and across the faces' common axis, of every sample of every picture."""

    along: Tensor
    across: Tensor
    thickness: Tensor


def _frame(b: Batch) -> _Frame:
    row = torch.arange(b.rows, device=b.device, dtype=torch.float32)[None, :, None]
    col = torch.arange(b.cols, device=b.device, dtype=torch.float32)[None, None, :]
    quarter = (math.pi / 2) * b.pick(0, 0, 0, 1, 2, 3)
    free = torch.where(b.chance(0.25) > 0, b.uniform(-3.2, 3.2), 0.06 * b.normal())
    angle = quarter + free
    side = torch.where(torch.cos(angle).abs() > 0.7, b.rows, b.cols)
    thickness = b.uniform(0.25, 0.8) * side
    row = row - b.rows * b.uniform(0.4, 0.6)
    col = col - b.cols * b.uniform(0.4, 0.6)
    along = torch.cos(angle) * col + torch.sin(angle) * row
    across = torch.cos(angle) * row - torch.sin(angle) * col
    bend = b.chance(0.6) * 0.12 * b.normal() / b.cols
    return _Frame(along, across + bend * along**2, thickness)


def _layout(b: Batch, at: _Frame) -> tuple[Place, Tensor]:
    """Return the zones' places and the side that lies beside."""
    # a second face beside the first: the axis repeats across
    pair = b.chance(0.2)
    pitch = at.thickness * (1 + b.log_uniform(0.02, 0.5))
    across = at.across
    number = torch.floor(across / pitch + 0.5) * pair
    number = number.clamp(-1, 1)
    across = across - number * pitch
    half = at.thickness / 2
    rough = b.pick(0.2, 0.5, 1, 3) * b.uniform(0.3, 1)
    front = -half + wandering(b, at.along, rough, b.log_uniform(2, 60))
    back = half * (1 + b.uniform(-0.15, 0.15) * at.along / b.cols)
    back = back + wandering(b, at.along, rough, b.log_uniform(2, 60))
    t = (across - front) / (back - front)
    edge = torch.minimum(across - front, back - across)
    slanted = 0.2 * b.normal() * across
    for sign in (-1, 1):
        far = torch.where(b.chance(0.3) > 0, b.uniform(0.2, 0.45), 3.0) * b.cols
        end = far - sign * at.along + slanted + b.uniform(0, 2) * noise(b, b.log_uniform(2, 20))
        edge = torch.minimum(edge, end)
    place = zones(b, at.along, across, t, at.thickness, edge)
    return place, torch.where(t < 0.5, -1.0, 1.0)


def _around(b: Batch, at: _Frame, place: Place, side: Tensor) -> tuple[Tensor, Tensor]:
    """Return signal and scene codes of what the faces stand before."""
    level = torch.where(b.chance(0.65) > 0, b.uniform(0.02, 0.6), b.uniform(0.6, 1.5))
    grain = b.log_uniform(0.003, 0.1) * noise(b, b.log_uniform(1, 80))
    ground = level + grain + b.pick(0, 0, 0.1, 0.3) * b.uniform(-1, 1) * noise(
        b, b.uniform(150, 400)
    )
    codes = torch.zeros_like(place.codes)
    # the lens's own surface, seen beside one edge or both: smooth, of any grey
    which = torch.randint(6, (b.size, 1, 1), device=b.device)
    beside = ((which == 1) & (side < 0)) | ((which == 2) & (side > 0)) | (which == 3)
    reach = at.thickness * b.log_uniform(0.05, 2)
    body = beside & (place.edge_px < 0) & (-place.edge_px < reach)
    smooth = b.uniform(0.15, 1.4) + b.log_uniform(0.002, 0.06) * noise(
        b, b.log_uniform(1, 60), anisotropy=b.log_uniform(1, 12),
        angle=b.uniform(-1.6, 1.6),
    )  # fmt: skip
    smooth = smooth - b.uniform(0, 0.3) * (-place.edge_px / reach).clamp(0, 1)
    halo = b.chance(0.4) * b.uniform(-0.1, 0.3) * torch.exp(
        place.edge_px.clamp(max=0) / b.log_uniform(3, 60)
    )
    signal = torch.where(body, smooth, ground) + halo
    return signal, torch.where(body, BODY, codes)


def planes_of_picture(grey: Tensor, rows: int, cols: int) -> Tensor:
    """Return the face model's planes of pictures without a data bar.

    Parameters
    ----------
    grey : (b, picture rows, picture cols) tensor
        Grey, 0 .. 1.
    rows, cols : int
        Size of the picture on the model's canvas.

    Notes
    -----
    The same computation as ``edgeqc.faces.face_model.picture_planes``.
    """

    def shrunk(plane: Tensor) -> Tensor:
        return functional.interpolate(plane[:, None], size=(rows, cols), mode="area")[:, 0]

    planes = torch.zeros(grey.shape[0], N_PLANES, CANVAS, CANVAS, device=grey.device)
    centre = grey.flatten(1).median(dim=1).values[:, None, None]
    spread = grey.std(dim=(1, 2), keepdim=True) + 1e-6
    small = shrunk(grey)
    planes[:, 0, :rows, :cols] = ((small - centre) / spread).clamp(-4, 4)
    detail = small - smoothed(small, 12.0)
    planes[:, 1, :rows, :cols] = (
        detail / (detail.std(dim=(1, 2), keepdim=True) + 1e-6)
    ).clamp(-4, 4)
    first, second = smoothed(grey, 1.0), smoothed(grey, 2.0)
    for index, band in enumerate((grey - first, first - second)):
        energy = torch.log(smoothed(shrunk(band * band), 2.0) + _FLOOR)
        middle = energy.flatten(1).median(dim=1).values[:, None, None]
        planes[:, 2 + index, :rows, :cols] = (energy - middle).clamp(-5, 5)
    planes[:, 4:6, :rows, :cols] = 1.0
    return planes


def _with_faces(b: Batch, place: Place, electrons: Tensor, around: Tensor) -> Tensor:
    """Return the faces' electrons, with rims and litter, laid into what lies around them."""
    inside = torch.sigmoid(place.edge_px / b.uniform(0.2, 1.0))
    rim = b.pick(0, 0.1, 0.3, 0.8, -0.15) * b.uniform(0.3, 1)
    depth = place.edge_px.clamp(min=0)
    electrons = electrons + rim * torch.exp(-depth / b.log_uniform(1, 8))
    return littered(b, place, inside * electrons + (1 - inside) * around)[0]


def _plain_scenes(b: Batch) -> tuple[Place, Finish]:
    """Return straight faces, and what draws them on plain grounds."""
    at = _frame(b)
    place, side = _layout(b, at)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        around, codes = _around(b, at, place, side)
        signal = _with_faces(b, place, electrons, around)
        return signal, torch.where(place.edge_px > 0, FACE, codes)

    return place, finish


def _varied_scenes(b: Batch) -> tuple[Place, Finish]:
    """Return faces of any outline, and what draws them in a specimen chamber."""
    at = outlines(b)
    place = zones(b, at.along, at.across, at.t, at.thickness, at.edge)

    def finish(electrons: Tensor) -> tuple[Tensor, Tensor]:
        around, codes = surround(b, at, electrons, _BODIES)
        signal = _with_faces(b, place, electrons, around)
        return covered(b, at, signal, torch.where(at.edge > 0, FACE, codes))

    return place, finish


def _kinds(size: int) -> list[tuple[Scene, int]]:
    """Return what draws how many members of a batch."""
    chance = torch.rand(size)
    plain, varied = int((chance < _PLAIN).sum()), int((chance > 1 - _VARIED).sum())
    further = size - plain - varied
    which = torch.randperm(len(_FURTHER))[:_HANDS_AT_A_TIME].tolist()
    each = [len(range(number, further, len(which))) for number in range(len(which))]
    return [(_plain_scenes, plain), (_varied_scenes, varied),
            *zip((_FURTHER[kind] for kind in which), each, strict=True)]  # fmt: skip


def _scenes(b: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """Return electrons, scene codes and zones of scenes of every kind."""
    kinds = [(draw, size) for draw, size in _kinds(b.size) if size]
    sizes = [size for _, size in kinds]
    laid_out = [draw(b.part(size)) for draw, size in kinds]
    places = [[getattr(place, of.name) for of in fields(Place)] for place, _ in laid_out]
    together = Place(*(torch.cat(parts) for parts in zip(*places, strict=True)))
    electrons = zone_signal(b, together)[0].split(sizes)
    done = [finish(part) for (_, finish), part in zip(laid_out, electrons, strict=True)]
    signal, codes = (torch.cat(planes) for planes in zip(*done, strict=True))
    return signal, codes, together.codes


def scene_pictures(
    size: int, shape: tuple[int, int], device: str, photographs: Tensor | None = None
) -> tuple[Tensor, Tensor, Tensor]:
    """Return pictures of scenes of one ``shape`` (rows, cols), with their truth.

    The other parameters are those of ``draw_scenes``.

    Returns
    -------
    grey : (size, rows, cols) tensor
        The pictures, 0 .. 1.
    codes : (size, rows, cols) tensor
        0 background, 1 other lens body, 2 face, 255 not to be learned.
    zones : (size, rows, cols) tensor
        0 laser, 1 scissor, 2 torn, where there is a face.
    """
    b = Batch(size, *shape, device, photographs)
    signal, codes, zones = _scenes(b)
    return taken(b, signal), codes, zones


def draw_scenes(
    size: int, ratio: float, device: str, photographs: Tensor | None = None
) -> tuple[Tensor, Tensor]:
    """Return planes and scene classes of a batch of pictures.

    Parameters
    ----------
    size : int
        Pictures wanted.
    ratio : float
        Picture samples per sample of the model's canvas.
    device : str
        Where to draw.
    photographs : (n, side, side) tensor, optional
        Photographs that give the looks of some zones.

    Returns
    -------
    planes : (size, N_PLANES, CANVAS, CANVAS) float32 tensor
    classes : (size, CANVAS / STRIDE, CANVAS / STRIDE) int64 tensor
        0 background, 1 other lens body, 2 face, 255 not to be learned.
    """
    aspect = ASPECTS[int(torch.randint(len(ASPECTS), ()))]
    rows, cols = 32 * round(CANVAS * aspect / 32), CANVAS
    size_px = (32 * round(rows * ratio / 32), 32 * round(cols * ratio / 32))
    grey, codes, _ = scene_pictures(size, size_px, device, photographs)
    planes = planes_of_picture(grey, rows, cols)
    small = functional.interpolate(
        codes[:, None].float(), size=(rows // STRIDE, cols // STRIDE), mode="nearest-exact"
    )[:, 0].long()
    classes = torch.full(
        (size, CANVAS // STRIDE, CANVAS // STRIDE), IGNORED, dtype=torch.long, device=device
    )
    classes[:, : rows // STRIDE, : cols // STRIDE] = small
    return planes, classes
