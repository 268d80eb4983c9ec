"""Samples drawn on the fitting device, kept for a while in its memory.

A strip is thousands of small operations, which keep a processor busy six times as long as the card.
So they are drawn in processes of their own, beside the fit, and reach it through shared memory.
"""

from __future__ import annotations

import queue
import time
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from edgeqc.training.samples import PLANE_STEP
from edgeqc.training.scenes import draw_scenes
from edgeqc.training.strips import draw_strips
from edgeqc.training.variety import CROP_COLUMNS

STRIP_SAMPLES = (0.55, 0.75, 1.0, 1.25, 1.6, 2.1)
"""Picture samples per plane sample of the strips."""
SCENE_SAMPLES = (1.0, 1.5, 2.0)
"""Picture samples per canvas sample of the pictures."""
_KEPT = 3000
_AT_A_TIME = 24  # by a process beside the fit; six take half as long
_SLOTS = 2  # batches on their way, per process
_EVERY = 4  # steps of the fit, where it draws itself
_FIRST = 240  # samples drawn before the first step


@dataclass(frozen=True)
class Drawing:
    """What is drawn, and where.

    Parameters
    ----------
    zones : bool
        Strips for the zone model, or scenes for the face model.
    device : str
        Where to draw.
    photographs : (n, side, side) tensor, optional
        Photographs that give the looks of some zones.
    """

    zones: bool
    device: str
    photographs: Tensor | None = None

    def there(self) -> Drawing:
        """Return the same with its photographs on the device."""
        if self.photographs is None:
            return self
        return Drawing(self.zones, self.device, self.photographs.to(self.device))

    def batch(self, size: int) -> tuple[Tensor, Tensor]:
        """Return planes, as int8 of ``PLANE_STEP`` a unit, and classes of new samples."""
        samples = STRIP_SAMPLES if self.zones else SCENE_SAMPLES
        sample = samples[int(torch.randint(len(samples), ()))]
        with torch.no_grad():
            planes, classes = (
                draw_strips(size, CROP_COLUMNS, sample, self.device, self.photographs)
                if self.zones
                else draw_scenes(size, sample, self.device, self.photographs)
            )
        planes = (planes * PLANE_STEP).round().clamp(-127, 127).to(torch.int8)
        return planes, classes.to(torch.uint8)


def _draw_forever(
    what: Drawing, seed: int, slots: tuple[Tensor, Tensor], ready: Any, free: Any
) -> None:
    """Draw batches into shared memory, in a process of its own."""
    torch.manual_seed(seed)
    torch.set_num_threads(1)
    what = what.there()
    while True:
        planes, classes = what.batch(slots[0].shape[1])
        slot = free.get()
        slots[0][slot], slots[1][slot] = planes.cpu(), classes.cpu()
        ready.put(slot)


class DrawnStore:
    """Samples drawn on the fitting device.

    Parameters
    ----------
    what : Drawing
        What is drawn.
    wanted : int
        Samples taken at each step of the fit.
    workers : int
        Processes that draw beside the fit; 0 where the fit draws itself.
    seed : int
        Of the processes.
    """

    def __init__(self, what: Drawing, wanted: int, *, workers: int = 0, seed: int = 0) -> None:
        self.what, self.wanted = what, wanted
        self.device = what.device
        self.planes: Tensor | None = None
        self.classes: Tensor | None = None
        self.drawn = self.taken = 0
        self._slots: tuple[Tensor, Tensor] | None = None
        if wanted and workers:
            self._start(workers, seed)
        else:
            self.what = what.there()

    def _start(self, workers: int, seed: int) -> None:
        context = torch.multiprocessing.get_context("spawn")
        planes, classes = Drawing(self.what.zones, "cpu").batch(1)
        slots = tuple(
            torch.empty(
                (_SLOTS * workers, _AT_A_TIME, *each.shape[1:]), dtype=each.dtype
            ).share_memory_()
            for each in (planes, classes)
        )
        self._slots = (slots[0], slots[1])
        self._ready, self._free = context.Queue(), context.Queue()
        for slot in range(_SLOTS * workers):
            self._free.put(slot)
        for worker in range(workers):
            process = context.Process(
                target=_draw_forever,
                args=(self.what, 1000 * seed + worker, self._slots, self._ready, self._free),
                daemon=True,
            )
            process.start()

    def _store(self, planes: Tensor, classes: Tensor) -> None:
        if self.planes is None or self.classes is None:
            self.planes, self.classes = (
                torch.zeros((_KEPT, *each.shape[1:]), dtype=each.dtype, device=self.device)
                for each in (planes, classes)
            )
        at = (self.drawn + torch.arange(planes.shape[0])) % _KEPT
        at = at.to(self.device)
        self.planes[at] = planes.to(self.device)
        self.classes[at] = classes.to(self.device)
        self.drawn += planes.shape[0]

    def _collect(self) -> None:
        """Store what the processes have drawn since, waiting only for the first of it."""
        assert self._slots is not None
        while True:
            try:
                slot = self._ready.get_nowait()
            except queue.Empty:
                if self.drawn >= _FIRST:
                    return
                time.sleep(0.05)
                continue
            self._store(self._slots[0][slot], self._slots[1][slot])
            self._free.put(slot)

    def take(self) -> tuple[Tensor, Tensor] | None:
        """Return planes and classes for one step, or None where none are wanted."""
        if self.wanted == 0:
            return None
        if self._slots is not None:
            self._collect()
        else:
            self._draw()
        self.taken += 1
        assert self.planes is not None
        assert self.classes is not None
        at = torch.randint(min(self.drawn, _KEPT), (self.wanted,), device=self.device)
        return self.planes[at].float() / PLANE_STEP, self.classes[at].long()

    def _draw(self) -> None:
        # drawing costs more than a step: every few steps is enough for a store of thousands
        size = max(1, self.wanted // 4)
        if self.taken % _EVERY == 0:
            self._store(*self.what.batch(size))
        while self.drawn < _FIRST:
            self._store(*self.what.batch(size))
