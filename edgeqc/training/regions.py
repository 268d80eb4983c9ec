"""Samples for the region model: whole zones of phantoms and bench faces, with true names.

Run as ``python -m edgeqc.training.regions draw|fit|join ...``; DEVELOPERS.md has the recipe.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.quantity import FloatArray
from edgeqc.training.cell_classes import NAMELESS
from edgeqc.training.photographs import read_photographs
from edgeqc.training.samples import (
    _SCALE_KNOWN,
    _calibrated,
    _true_face,
    _zone_fill,
    bench_face,
    calibrated_phantom,
    face_from_truth,
    misplaced,
    seen_part,
)
from edgeqc.zoning.grid import N_T
from edgeqc.zoning.region import region_features, unroll_for_regions
from edgeqc.zoning.texture import MARGIN

_LEAST_SHARE = 0.02  # of the face; a smaller region has no texture to speak of
_SIDE_PX_MAX = 1300  # of phantoms: larger ones cost more time than they teach
_BENCH_FACES = 2  # beside each phantom
_STRIP_ROWS = (90.0, 620.0)  # thickness and a rim, in pixels
_STRIP_PIXEL_UM = (0.15, 2.0)
_DRAWN, _USUAL, _ANY, _BENCH, _STRIP = range(5)
_KINDS = ("as drawn", "painted, usual looks", "painted, any texture", "bench", "strips")
_STRIPS = 3  # drawn at a time, beside each phantom


def _regions(
    image: CalibratedImage, face: CutFace, labels: NDArray[np.uint8]
) -> list[tuple[int, FloatArray]]:
    length = float(face.s_px[-1] - face.s_px[0])
    n_s = int(np.clip(N_T * length / float(np.median(face.thickness_px)), 8, 1024))
    t, station = (np.arange(N_T) + 0.5) / N_T, (np.arange(n_s) + 0.5) / n_s
    at = face.chord_points_px(station[None, :] * (face.s_px.size - 1), t[:, None])
    at = np.rint(at).astype(int)
    rows = np.clip(at[..., 0], 0, labels.shape[0] - 1)
    cols = np.clip(at[..., 1], 0, labels.shape[1] - 1)
    code = labels[rows, cols]
    unrolled = unroll_for_regions(image, face)
    return [
        (zone, region_features(unrolled, code == zone))
        for zone in (1, 2, 3)
        if (code == zone).mean() > _LEAST_SHARE
    ]


_Region = tuple[int, FloatArray, int]  # true name, features, kind of picture


def _phantom_regions(
    rng: np.random.Generator, photographs: tuple[NDArray[np.float32], ...]
) -> list[_Region]:
    """Return the regions of one phantom, and sometimes once more with its zones filled anew."""
    recipe = random_recipe(rng)
    if max(recipe.rows, recipe.cols) > _SIDE_PX_MAX:
        return []
    phantom = draw_phantom(recipe)
    image = calibrated_phantom(phantom, scale_known=bool(rng.random() < 0.6))
    pictures = [(_DRAWN, image)]
    if rng.random() < 0.35 and phantom.truth.labels.any():
        named = bool(rng.random() < 0.6)
        pixels, _ = _zone_fill(
            np.asarray(image.pixels), phantom, rng, named=named, photographs=photographs
        )
        pictures.append((_USUAL if named else _ANY, replace(image, pixels=pixels)))
    found = []
    for kind, picture in pictures:
        for truth in phantom.truth.faces:
            if truth.anterior_px.shape[0] < 12:
                continue
            seen = seen_part(face_from_truth(truth), image.pixels.shape)
            if seen is not None:
                regions = _regions(picture, misplaced(seen, rng), phantom.truth.labels)
                found += [(zone, values, kind) for zone, values in regions]
    return found


def _bench_regions(rng: np.random.Generator) -> list[_Region]:
    image, face, labels = bench_face(rng)
    seen = seen_part(face, image.pixels.shape)
    if seen is None:
        return []
    regions = _regions(image, misplaced(seen, rng), labels)
    return [(zone, values, _BENCH) for zone, values in regions]


def strip_regions(rng: np.random.Generator) -> list[_Region]:
    """Return the regions of strips as the zone model learns from them, those of usual looks."""
    import torch  # not there where regions are joined alone

    from edgeqc.training.strip_fields import Batch
    from edgeqc.training.strips import draw_pictures

    torch.manual_seed(int(rng.integers(2**31)))
    rows = 16 * round(float(np.exp(rng.uniform(*np.log(_STRIP_ROWS)))) / 16)
    cols = 16 * round(rows * float(rng.uniform(0.8, 3.0)) / 16)
    grey, codes, _ = draw_pictures(Batch(_STRIPS, rows, cols, "cpu"))
    along = np.arange(8, cols - 8, 2, dtype=float)
    rim = MARGIN / (1 + 2 * MARGIN) * rows
    edges = [np.stack([np.full_like(along, at), along], axis=1) for at in (rim, rows - 1 - rim)]
    face = _true_face(edges[0], edges[1])
    size_um = float(np.exp(rng.uniform(*np.log(_STRIP_PIXEL_UM))))
    found = []
    for picture, zones in zip(grey.numpy(), codes.numpy(), strict=True):
        known = size_um if rng.random() < _SCALE_KNOWN else None
        image = _calibrated(picture, np.ones(picture.shape, bool), known, "strip")
        labels = np.where(zones < NAMELESS, zones + 1, 0).astype(np.uint8)
        regions = _regions(image, misplaced(face, rng), labels)
        # one strip in some thousands is not finite, and would make every member so
        found += [(zone, values, _STRIP) for zone, values in regions if np.isfinite(values).all()]
    return found


def _draw(job: tuple[int, float, Path | None]) -> list[_Region]:
    seed, seconds, folder = job
    import torch

    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    photographs = read_photographs(folder) if folder else ()
    found: list[_Region] = []
    end = time.monotonic() + seconds
    step = 0
    while time.monotonic() < end:
        rng = np.random.default_rng([seed, step])
        step += 1
        found += _phantom_regions(rng, photographs)
        for _ in range(_BENCH_FACES):
            found += _bench_regions(rng)
        found += strip_regions(rng)
    return found


def draw(
    out: Path, *, workers: int, seed: int, seconds: float, photographs: Path | None = None
) -> None:
    """Write region features and their true names to one file."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers) as pool:
        parts = pool.map(_draw, [(seed * 1000 + k, seconds, photographs) for k in range(workers)])
    names, values, kinds = (
        np.array(each) for each in zip(*(row for part in parts for row in part), strict=True)
    )
    np.savez_compressed(out, names=names, values=values.astype(np.float32), kinds=kinds)
    print(names.size, "regions", flush=True)


HIDDEN = 96
MEMBERS = 10


def member(
    x: FloatArray, names: NDArray[np.intp], seed: int, epochs: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the weights of one perceptron, fitted to a bootstrap of named regions."""
    import torch
    from torch import nn

    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    pick = rng.integers(0, names.size, names.size)  # bootstrap, so that the members differ
    inputs = torch.tensor(x[pick], dtype=torch.float32)
    target = torch.tensor(names[pick])
    hidden, out = nn.Linear(x.shape[1], HIDDEN), nn.Linear(HIDDEN, 3)
    layers = nn.Sequential(hidden, nn.ReLU(), nn.Dropout(0.3), out)
    optimiser = torch.optim.AdamW(layers.parameters(), lr=2e-3, weight_decay=0.05)
    for _ in range(epochs):
        order = torch.randperm(target.numel())
        for start in range(0, target.numel(), 64):
            at = order[start : start + 64]
            noisy = inputs[at] + 0.15 * torch.randn_like(inputs[at])
            loss = nn.functional.cross_entropy(layers(noisy), target[at], label_smoothing=0.03)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
    weights = (hidden.weight, hidden.bias, out.weight, out.bias)
    w, b, v, c = (each.detach().double().numpy() for each in weights)
    return w.T, b, v.T, c


def _member(job: tuple[FloatArray, NDArray[np.intp], int, int]) -> tuple[FloatArray, ...]:
    import torch

    torch.set_num_threads(1)
    return member(*job)


def fit(data: list[Path], out: Path, *, epochs: int = 30, workers: int = 2) -> None:
    """Fit the region model to drawn regions and write its weights.

    The last tenth of each file's regions is kept apart for a figure of agreement.
    """
    stored = [np.load(path) for path in data]
    values = np.vstack([each["values"] for each in stored])
    names = np.concatenate([each["names"] for each in stored]).astype(np.intp) - 1
    kinds = np.concatenate([each["kinds"] for each in stored])
    held = np.concatenate([np.arange(each["names"].size) >= 0.9 * each["names"].size
                           for each in stored])  # fmt: skip
    centre, scale = values[~held].mean(axis=0), values[~held].std(axis=0) + 1e-6
    x = np.clip((values - centre) / scale, -4, 4)
    weights: dict[str, FloatArray | float] = {
        "centre": centre, "scale": scale, "members": MEMBERS, "temperature": 1.0,
    }  # fmt: skip
    total = np.zeros((int(held.sum()), 3))
    jobs = [(x[~held], names[~held], number, epochs) for number in range(MEMBERS)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        members = pool.map(_member, jobs, chunksize=1)
    for number, (w, b, v, c) in enumerate(members):
        weights |= {f"w{number}": w, f"b{number}": b, f"v{number}": v, f"c{number}": c}
        logits = np.maximum(x[held] @ w + b, 0) @ v + c
        power = np.exp(logits - logits.max(axis=1, keepdims=True))
        total += power / power.sum(axis=1, keepdims=True) / MEMBERS
    stored_as: dict[str, Any] = {name: np.float32(value) for name, value in weights.items()}
    np.savez_compressed(out, **stored_as)
    true = names[held]
    right = total.argmax(axis=1) == true
    print(f"{(~held).sum()} regions fitted; kept apart: right {right.mean():.3f}, "
          "mean log-probability "
          f"{np.log(total[np.arange(true.size), true] + 1e-9).mean():.3f}")  # fmt: skip
    for kind, title in enumerate(_KINDS):
        here = kinds[held] == kind
        if here.any():
            print(f"  {title}: {right[here].mean():.3f} of {here.sum()}")


_Model = dict[str, NDArray[np.float64]]


def joined(first: _Model, second: _Model) -> _Model:
    """Return a region model with the members of two, on the first one's standardisation.

    Notes
    -----
    The mean over the members of all. The second one's members see figures that the first one's
    limits clip, which differs from its own only far out.
    """
    found = dict(first)
    members = int(first["members"])
    ratio = first["scale"] / second["scale"]
    shift = (first["centre"] - second["centre"]) / second["scale"]
    for member in range(int(second["members"])):
        weight = second[f"w{member}"]
        found |= {
            f"w{members + member}": weight * ratio[:, None],
            f"b{members + member}": second[f"b{member}"] + shift @ weight,
            f"v{members + member}": second[f"v{member}"],
            f"c{members + member}": second[f"c{member}"],
        }
    found["members"] = first["members"] + second["members"]
    return found


def join(models: list[Path], out: Path) -> None:
    """Write the region model that two make together."""
    first, second = (
        {name: np.asarray(stored[name], float) for name in stored.files}
        for stored in map(np.load, models)
    )
    stored_as: dict[str, Any] = {k: np.float32(v) for k, v in joined(first, second).items()}
    np.savez_compressed(out, **stored_as)


def main() -> None:
    """Run one step of the recipe."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("step", choices=["draw", "fit", "join"])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--data", type=Path, nargs="*", default=[], help="drawn regions; two models to join"
    )
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--photographs", type=Path, help="folder of pictures that name no zone")
    given = parser.parse_args()
    if given.step == "fit":
        fit(given.data, given.out, workers=given.workers)
    elif given.step == "join":
        join(given.data, given.out)
    else:
        draw(
            given.out,
            workers=given.workers,
            seed=given.seed,
            seconds=given.seconds,
            photographs=given.photographs,
        )


if __name__ == "__main__":
    main()
