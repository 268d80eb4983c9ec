"""Samples for the region model: whole zones of phantoms, with their true names.

Run as ``python -m edgeqc.training.regions draw|fit ...``; DEVELOPERS.md has the recipe.
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
from edgeqc.training.photographs import read_photographs
from edgeqc.training.samples import (
    _zone_fill,
    calibrated_phantom,
    face_from_truth,
    misplaced,
    seen_part,
)
from edgeqc.zoning.grid import N_T
from edgeqc.zoning.region import region_features, unroll_for_regions

_LEAST_SHARE = 0.02  # of the face; a smaller region has no texture to speak of


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


def _draw(job: tuple[int, float, Path | None]) -> tuple[list[int], list[FloatArray], list[int]]:
    seed, seconds, folder = job
    cv2.setNumThreads(1)
    photographs = read_photographs(folder) if folder else ()
    names: list[int] = []
    found: list[FloatArray] = []
    kinds: list[int] = []
    end = time.monotonic() + seconds
    step = 0
    while time.monotonic() < end:
        rng = np.random.default_rng([seed, step])
        step += 1
        recipe = random_recipe(rng)
        if max(recipe.rows, recipe.cols) > 1300:
            continue
        phantom = draw_phantom(recipe)
        image = calibrated_phantom(phantom, scale_known=bool(rng.random() < 0.6))
        pictures = [(0, image)]
        if rng.random() < 0.35 and phantom.truth.labels.any():
            named = bool(rng.random() < 0.6)
            pixels, _ = _zone_fill(
                np.asarray(image.pixels), phantom, rng, named=named, photographs=photographs
            )
            pictures.append((1 if named else 2, replace(image, pixels=pixels)))
        for kind, picture in pictures:
            for truth in phantom.truth.faces:
                if truth.anterior_px.shape[0] < 12:
                    continue
                seen = seen_part(face_from_truth(truth), image.pixels.shape)
                if seen is None:
                    continue
                for zone, values in _regions(picture, misplaced(seen, rng), phantom.truth.labels):
                    names.append(zone)
                    found.append(values)
                    kinds.append(kind)
    return names, found, kinds


def draw(
    out: Path, *, workers: int, seed: int, seconds: float, photographs: Path | None = None
) -> None:
    """Write region features and their true names to one file."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers) as pool:
        parts = pool.map(_draw, [(seed * 1000 + k, seconds, photographs) for k in range(workers)])
    names = np.concatenate([np.array(part[0]) for part in parts])
    values = np.vstack([np.array(part[1]) for part in parts])
    kinds = np.concatenate([np.array(part[2]) for part in parts])
    np.savez_compressed(out, names=names, values=values, kinds=kinds)
    print(names.size, "regions", flush=True)


HIDDEN = 96
MEMBERS = 5


def _member(
    x: FloatArray, names: NDArray[np.intp], seed: int, epochs: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
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


def fit(data: list[Path], out: Path, *, epochs: int = 30) -> None:
    """Fit the region model to drawn regions and write its weights.

    The last tenth of the regions is kept apart for a figure of agreement.
    """
    stored = [np.load(path) for path in data]
    values = np.vstack([each["values"] for each in stored])
    names = np.concatenate([each["names"] for each in stored]).astype(np.intp) - 1
    kinds = np.concatenate([each["kinds"] for each in stored])
    first = int(0.9 * names.size)
    centre, scale = values[:first].mean(axis=0), values[:first].std(axis=0) + 1e-6
    x = np.clip((values - centre) / scale, -4, 4)
    weights: dict[str, FloatArray | float] = {
        "centre": centre, "scale": scale, "members": MEMBERS, "temperature": 1.0,
    }  # fmt: skip
    total = np.zeros((names.size - first, 3))
    for member in range(MEMBERS):
        w, b, v, c = _member(x[:first], names[:first], member, epochs)
        weights |= {f"w{member}": w, f"b{member}": b, f"v{member}": v, f"c{member}": c}
        logits = np.maximum(x[first:] @ w + b, 0) @ v + c
        power = np.exp(logits - logits.max(axis=1, keepdims=True))
        total += power / power.sum(axis=1, keepdims=True) / MEMBERS
    stored_as: dict[str, Any] = {name: np.float32(value) for name, value in weights.items()}
    np.savez_compressed(out, **stored_as)
    held, right = names[first:], total.argmax(axis=1) == names[first:]
    print(f"{first} regions fitted; kept apart: right {right.mean():.3f}, mean log-probability "
          f"{np.log(total[np.arange(held.size), held] + 1e-9).mean():.3f}")  # fmt: skip
    for kind, title in enumerate(("as drawn", "painted, usual looks", "painted, any texture")):
        here = kinds[first:] == kind
        if here.any():
            print(f"  {title}: {right[here].mean():.3f} of {here.sum()}")


def main() -> None:
    """Run one step of the recipe."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("step", choices=["draw", "fit"])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--data", type=Path, nargs="*", default=[])
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--photographs", type=Path, help="folder of pictures that name no zone")
    given = parser.parse_args()
    if given.step == "fit":
        fit(given.data, given.out)
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
