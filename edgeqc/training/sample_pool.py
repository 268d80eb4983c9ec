"""Samples read from a folder that still fills, kept in the fitting device's memory.

Batches are put together there: a processor that copies them, or threads that make them ahead,
left the card idle most of the time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.samples import PLANE_STEP
from edgeqc.training.variety import CROP_COLUMNS
from edgeqc.zoning import texture

STORED_PLANES = 7
"""Planes that vary within a face; the others are rebuilt from a few numbers."""
POOL_BYTES = 60e9
"""Most that the samples may take up; beyond it a new one takes an older one's place."""
_HELD_EVERY = 40  # one file of so many is kept for validation

# planes and classes of one face or picture, on the device; of a face also, on the processor, the
# numbers that it is rebuilt from
Sample = tuple[Tensor, Tensor, NDArray[Any]]
Batch = tuple[Tensor, Tensor]
_Arrays = Mapping[str, NDArray[Any]]


def read_faces(arrays: _Arrays, device: str) -> list[Sample]:
    """Return the faces of a file of samples."""
    return [
        (
            torch.from_numpy(arrays[name]).to(device),
            torch.from_numpy(arrays["fc" + name[1:]]).to(device),
            arrays["fk" + name[1:]],
        )
        for name in arrays
        if name[0] == "f" and name[1].isdigit()
    ]


def read_pictures(arrays: _Arrays, device: str) -> list[Sample]:
    """Return the pictures of a file of samples."""
    nothing = np.empty(0)
    return [
        (
            torch.from_numpy(arrays[name]).to(device),
            torch.from_numpy(arrays["pc" + name[1:]]).to(device),
            nothing,
        )
        for name in arrays
        if name[0] == "p" and name[1].isdigit()
    ]


class SamplePool:
    """Samples read so far, growing while new files arrive; some files are kept for validation.

    Parameters
    ----------
    folder : Path
        Where files of samples arrive.
    read : function
        ``read_faces`` or ``read_pictures``.
    device : str
        Where the samples are kept.
    """

    def __init__(
        self, folder: Path, read: Callable[[_Arrays, str], list[Sample]], device: str
    ) -> None:
        self.folder, self.read, self.device = folder, read, device
        self.fit: list[Sample] = []
        self.held: list[Sample] = []
        self._seen: set[str] = set()
        self._bytes = 0
        self._rng = np.random.default_rng(0)
        threading.Thread(target=self._watch, daemon=True).start()

    def _watch(self) -> None:
        while True:
            for path in sorted(self.folder.glob("s*c*.npz")):
                if path.name in self._seen or ".part" in path.name:
                    continue
                self._seen.add(path.name)
                into = self.held if len(self._seen) % _HELD_EVERY == 0 else self.fit
                with np.load(path) as stored:  # reads an array when it is asked for
                    samples = self.read(stored, self.device)
                for sample in samples:
                    self._keep(into, sample)
            time.sleep(1.0)

    def _keep(self, into: list[Sample], sample: Sample) -> None:
        size = sample[0].nbytes + sample[1].nbytes
        if self._bytes + size > POOL_BYTES and into:
            into[int(self._rng.integers(len(into)))] = sample
            return
        self._bytes += size
        into.append(sample)


def face_batch(pool: list[Sample], rng: np.random.Generator, size: int) -> Batch:
    """Return planes (size, N_PLANES, ROWS, CROP_COLUMNS) int8 and classes of stretches of faces."""
    device = pool[0][0].device
    cells = CROP_COLUMNS // texture.CELL
    shape = (size, texture.N_PLANES, texture.ROWS, CROP_COLUMNS)
    planes = torch.zeros(shape, dtype=torch.int8, device=device)
    classes = torch.full(
        (size, texture.ROWS // texture.CELL, cells), IGNORED, dtype=torch.uint8, device=device
    )
    there = np.zeros((size, CROP_COLUMNS), np.int8)  # on the face
    known, within = np.zeros((size, 3), np.int8), np.zeros((size, CROP_COLUMNS), np.int8)
    for row in range(size):
        stored, truth, numbers = pool[rng.integers(len(pool))]
        width = truth.shape[1]
        start = int(rng.integers(0, max(1, width - cells + 1)))
        take = min(cells, width)
        at = slice(start * texture.CELL, (start + take) * texture.CELL)
        end = take * texture.CELL
        planes[row, :STORED_PLANES, :, :end] = stored[:, :, at]
        classes[row, :, :take] = truth[:, start : start + take]
        there[row, :end], known[row], within[row, :end] = 1, numbers[:3], numbers[3:][at]
    seen = torch.from_numpy(there).to(device)[:, None, :]
    planes[:, 7] = _through(device)[None, :, None] * seen
    planes[:, 8] = torch.from_numpy(within).to(device)[:, None, :]
    planes[:, 9:12] = torch.from_numpy(known).to(device)[:, :, None, None] * seen[:, None]
    return planes, classes


def _through(device: torch.device) -> Tensor:
    """Return the plane rows' fraction of the thickness, as stored."""
    t = (torch.arange(texture.ROWS) + 0.5) / texture.ROWS * (1 + 2 * texture.MARGIN)
    return ((t - texture.MARGIN) * PLANE_STEP).round().to(torch.int8).to(device)


def picture_batch(pool: list[Sample], rng: np.random.Generator, size: int) -> Batch:
    """Return planes and classes of whole pictures."""
    chosen = [pool[rng.integers(len(pool))] for _ in range(size)]
    return torch.stack([each[0] for each in chosen]), torch.stack([each[1] for each in chosen])
