"""Fit the two shipped networks from seeds: draw samples in many processes, fit as they arrive.

Run as ``python -m edgeqc.training.fit draw|fit-zones|fit-face ...``; DEVELOPERS.md has the recipe.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor, nn

from edgeqc.faces import face_model
from edgeqc.training.borders import border_loss
from edgeqc.training.cell_classes import IGNORED
from edgeqc.training.drawn_store import Drawing, DrawnStore
from edgeqc.training.network import PlaneNetwork, export_onnx
from edgeqc.training.origins import names_of, origin_loss
from edgeqc.training.photographs import FloatImage, photograph_squares, read_photographs
from edgeqc.training.resume import resumed
from edgeqc.training.sample_pool import (
    STORED_PLANES,
    Batch,
    Sample,
    SamplePool,
    face_batch,
    picture_batch,
    read_faces,
    read_pictures,
)
from edgeqc.training.samples import PLANE_STEP, FaceSample, draw_bench_samples, draw_samples
from edgeqc.training.scenes import draw_scenes
from edgeqc.training.strips import draw_strips
from edgeqc.training.variety import CROP_COLUMNS, vary_faces, vary_pictures
from edgeqc.zoning import texture
from edgeqc.zoning.model import N_BORDERS, N_NAMES, N_ORIGINS

_MakeBatch = Callable[[list[Sample], np.random.Generator, int], Batch]

ZONE_WIDTHS = (40, 64, 96, 128, 128)
FACE_WIDTHS = (24, 32, 64, 96, 128, 128)
_STORED_CELLS = 300


def _cropped(face: FaceSample, rng: np.random.Generator) -> FaceSample:
    """Return a random stretch of a long face: the rest would only take up memory."""
    cells = face.classes.shape[1]
    first = int(rng.integers(0, max(1, cells - _STORED_CELLS + 1)))
    last = min(cells, first + _STORED_CELLS)
    columns = slice(first * texture.CELL, last * texture.CELL)
    return FaceSample(face.planes[:, :, columns], face.classes[:, first:last])


def _write_chunk(
    path: Path, rng: np.random.Generator, count: int, photographs: tuple[FloatImage, ...]
) -> None:
    arrays: dict[str, Any] = {}
    for index in range(count):
        picture, faces = draw_samples(rng, photographs=photographs)
        arrays[f"p{index}"] = picture.planes
        arrays[f"pc{index}"] = picture.classes
        if index % 2:  # a fifth of the faces: looks drawn to be mistaken make any name doubtful
            faces += draw_bench_samples(rng)
        for number, full in enumerate(faces):
            face = _cropped(full, rng)
            arrays[f"f{index}_{number}"] = face.planes[:STORED_PLANES]
            arrays[f"fc{index}_{number}"] = face.classes
            arrays[f"fk{index}_{number}"] = np.concatenate(
                [face.planes[9:12, 0, 0], face.planes[8, 0]]
            )
    aside = path.with_suffix(".part.npz")
    np.savez(aside, **arrays)
    aside.rename(path)


def _draw_forever(
    out: str, worker: int, seed: int, seconds: float, photographs: Path | None
) -> None:
    cv2.setNumThreads(1)
    textures = read_photographs(photographs) if photographs else ()
    end = time.monotonic() + seconds
    chunk = 0
    while time.monotonic() < end:
        rng = np.random.default_rng([seed, worker, chunk])
        try:
            _write_chunk(Path(out) / f"s{seed}w{worker}c{chunk}.npz", rng, 6, textures)
        except Exception as error:  # one recipe that cannot be drawn must not end the night
            print(f"seed {seed} worker {worker} chunk {chunk}: {error!r}", flush=True)
        chunk += 1


def draw(
    out: Path, *, workers: int, seed: int, seconds: float, photographs: Path | None = None
) -> None:
    """Fill a folder with sample files from ``workers`` processes."""
    out.mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    running = [
        context.Process(target=_draw_forever, args=(str(out), worker, seed, seconds, photographs))
        for worker in range(workers)
    ]
    for process in running:
        process.start()
    for process in running:
        process.join()


_ORIGIN_WEIGHT = 0.5
"""Weight of the looks' origins beside the names (ours: makes both of a size)."""


def _loss(logits: Tensor, classes: Tensor, smoothing: float = 0.0) -> Tensor:
    """Return the loss of the names and, of the zone model, of borders and origins of looks."""
    names = names_of(classes)
    loss = nn.functional.cross_entropy(
        logits[:, :N_NAMES], names, ignore_index=IGNORED, label_smoothing=smoothing
    )
    if logits.shape[1] <= N_NAMES:
        return loss
    origins = N_NAMES + N_BORDERS
    loss = loss + border_loss(logits[:, N_NAMES:origins], names)
    return loss + _ORIGIN_WEIGHT * origin_loss(logits[:, origins:], classes)


def _held_loss(
    network: nn.Module, batch: _MakeBatch, pool: list[Sample], device: str
) -> tuple[float, float]:
    if len(pool) < 8:
        return float("nan"), float("nan")
    network.eval()
    rng = np.random.default_rng(0)
    losses, right = [], []
    with torch.no_grad():
        for _ in range(6):
            planes, classes = batch(pool, rng, 16)
            target = classes.to(device).long()
            logits = network(planes.to(device).float() / PLANE_STEP)
            losses.append(float(_loss(logits, target)))
            names = names_of(target)
            named = logits[:, :N_NAMES].argmax(1)
            right.append(float((named == names)[names != IGNORED].float().mean()))
    network.train()
    return float(np.mean(losses)), float(np.mean(right))


def _new_network(zones: bool, resume: Path | None) -> tuple[PlaneNetwork, tuple[int, int, int]]:
    """Return a network, fresh or as stored, and the shape of its input."""
    if zones:
        outputs = N_NAMES + N_BORDERS + N_ORIGINS
        network = PlaneNetwork(texture.N_PLANES, outputs, ZONE_WIDTHS, 20, 2)
        shape = (texture.N_PLANES, texture.ROWS, 1024)
    else:
        network = PlaneNetwork(face_model.N_PLANES, 3, FACE_WIDTHS, 16, 1)
        shape = (face_model.N_PLANES, face_model.CANVAS, face_model.CANVAS)
    if resume is not None:
        drawn = draw_strips(8, CROP_COLUMNS, 1.0, "cpu") if zones else draw_scenes(8, 1.0, "cpu")
        resumed(network, resume, drawn[0])
    return network, shape


def _set_rate(optimiser: torch.optim.Optimizer, rate: float, step: int, part: float) -> None:
    """Warm up over the first steps, then follow half a cosine down."""
    for group in optimiser.param_groups:
        warm = min(1.0, (step + 1) / 200)
        group["lr"] = rate * warm * (0.5 + 0.5 * np.cos(np.pi * part)) + 1e-6


def _fit_step(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    stored: Batch,
    vary: Callable[[Tensor, Tensor], Batch],
    drawn: DrawnStore,
) -> Tensor:
    """Move the weights by one batch and return its loss."""
    device = drawn.device
    inputs, target = stored[0].float() / PLANE_STEP, stored[1].long()
    more = drawn.take()
    if more is not None:
        inputs, target = torch.cat([inputs, more[0]]), torch.cat([target, more[1]])
    inputs, target = vary(inputs, target)
    inputs = inputs.contiguous(memory_format=torch.channels_last)
    with torch.autocast(device, dtype=torch.bfloat16):
        logits = network(inputs)
    loss = _loss(logits.float(), target, 0.01)
    optimiser.zero_grad(set_to_none=True)
    loss.backward()
    nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()
    return loss


def fit(  # noqa: PLR0913 - one call, every choice of a fit named
    which: str,
    data: Path,
    out: Path,
    *,
    seconds: float,
    batch_size: int = 32,
    rate: float = 2e-3,
    resume: Path | None = None,
    device: str = "cuda",
    seed: int = 0,
    strip_share: float = 0.5,
    strip_workers: int = 0,
    photographs: Path | None = None,
    spent_before: float = 0.0,
    until: float | None = None,
) -> None:
    """Fit the zone model (``which="zones"``) or the face model and write weights and ONNX.

    A fit may be made in several calls: ``spent_before`` seconds of it have gone before, and the
    rate falls to nothing ``until`` seconds after its first start (by default at the end of this
    call).
    """
    zones = which == "zones"
    pool = SamplePool(data, read_faces if zones else read_pictures, device)
    batch = face_batch if zones else picture_batch
    vary = vary_faces if zones else vary_pictures
    torch.manual_seed(seed)
    network, shape = _new_network(zones, resume)
    torch.backends.cudnn.benchmark = True
    network.to(device, memory_format=torch.channels_last).train()
    averaged = torch.optim.swa_utils.AveragedModel(
        network,
        multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998),
        use_buffers=True,
    )
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=rate, weight_decay=0.02, fused=device == "cuda"
    )
    while len(pool.fit) < min(400, 4 * batch_size):
        time.sleep(1.0)
    squares = photograph_squares(photographs) if photographs else None
    drawn = DrawnStore(
        Drawing(zones, device, squares), round(strip_share * batch_size),
        workers=strip_workers, seed=seed,
    )  # fmt: skip
    from_pool = batch_size - drawn.wanted
    rng = np.random.default_rng(seed)
    until = until or spent_before + seconds
    start, step = time.monotonic(), 0
    while (spent := time.monotonic() - start) < seconds:
        part = (spent_before + spent) / (until)
        _set_rate(optimiser, rate, step, part)
        loss = _fit_step(network, optimiser, batch(pool.fit, rng, from_pool), vary, drawn)
        averaged.update_parameters(network)
        step += 1
        if step % 250 == 0:
            held = _held_loss(averaged.module, batch, pool.held, device)
            print(
                f"{which} {spent:5.0f} s step {step} loss {float(loss):.4f} held {held[0]:.4f}"
                f" right {held[1]:.4f} samples {len(pool.fit)}",
                flush=True,
            )
            torch.save(averaged.module.state_dict(), out.with_suffix(".pt"))
    torch.save(averaged.module.state_dict(), out.with_suffix(".pt"))
    out.with_suffix(".onnx").write_bytes(export_onnx(averaged.module, shape))
    print(which, "held", _held_loss(averaged.module.to(device), batch, pool.held, device))


def main() -> None:
    """Run one step of the recipe."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("step", choices=["draw", "fit-zones", "fit-face"])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--strips", type=float, default=0.5, help="share of strips in a batch")
    parser.add_argument(
        "--strip-workers", type=int, default=0, help="processes that draw strips beside the fit"
    )
    parser.add_argument("--photographs", type=Path, help="folder of pictures that name no zone")
    parser.add_argument("--spent-before", type=float, default=0.0, help="seconds, in earlier calls")
    parser.add_argument("--until", type=float, help="seconds of all calls together")
    given = parser.parse_args()
    if given.step == "draw":
        draw(
            given.data,
            workers=given.workers,
            seed=given.seed,
            seconds=given.seconds,
            photographs=given.photographs,
        )
        return
    fit(
        given.step.removeprefix("fit-"),
        given.data,
        given.out,
        seconds=given.seconds,
        batch_size=given.batch,
        rate=given.rate,
        resume=given.resume,
        device=given.device,
        seed=given.seed,
        strip_share=given.strips,
        strip_workers=given.strip_workers,
        photographs=given.photographs,
        spent_before=given.spent_before,
        until=given.until,
    )


if __name__ == "__main__":
    main()
