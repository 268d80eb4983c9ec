"""Fit what tells a lens's own surface from a part of the cut (``edgeqc.faces.surface_looks``).

Run as ``python -m edgeqc.training.surfaces draw|fit ...``; DEVELOPERS.md has the recipe.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.surface_looks import surface_features
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.quantity import BoolArray, FloatArray
from edgeqc.training.regions import member

_BACKGROUND, _BODY, _FACE = 0, 1, 2
_LEAST_SHARE, _LEAST_REST, _LARGEST_SHARE = 0.04, 0.1, 2.0
"""Area of a part against the rest of the face: what is worth asking, and what may be left out."""
_SIDES = (640, 832, 1024)
_LARGEST_PHANTOM = 1500  # pixels a side: larger ones cost more time than they teach
_MEMBERS, _EPOCHS = 8, 40
_HELD = 10  # one region of so many is kept for a figure of agreement
_SCENES_AT_ONCE = 3

_Row = tuple[bool, FloatArray]


def _rows(
    pixels: NDArray[np.float32], scene: NDArray[Any], zones: NDArray[Any], kinds: range
) -> Iterator[_Row]:
    """Yield each surface beside a face, and each zone as if it had been left out of the face."""
    face, ground = scene == _FACE, scene == _BACKGROUND
    area = float(face.sum())
    if area == 0:
        return
    near = cv2.dilate(face.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    body = (scene == _BODY).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(body, connectivity=4)
    parts: list[tuple[bool, BoolArray, BoolArray]] = [
        (False, labels == label, face) for label in range(1, count)
        if stats[label, cv2.CC_STAT_AREA] > _LEAST_SHARE * area and near[labels == label].any()
    ]  # fmt: skip
    for kind in kinds:
        zone, rest = face & (zones == kind), face & (zones != kind)
        share, left = zone.sum() / area, rest.sum() / area
        if share > _LEAST_SHARE and left > _LEAST_REST and share < _LARGEST_SHARE * left:
            parts.append((True, zone, rest))
    for belongs, part, beside in parts:
        found = surface_features(pixels, part, beside, ground)
        if found is not None:
            yield belongs, found


def _of_scenes(rng: np.random.Generator) -> Iterator[_Row]:
    import torch

    from edgeqc.training.scenes import scene_pictures

    torch.manual_seed(int(rng.integers(2**31)))
    rows, cols = (int(side) for side in rng.choice(_SIDES, 2))
    with torch.no_grad():
        drawn = scene_pictures(_SCENES_AT_ONCE, (rows, cols), "cpu")
    grey, codes, zones = (plane.numpy() for plane in drawn)
    for number in range(_SCENES_AT_ONCE):
        yield from _rows(grey[number].astype(np.float32), codes[number], zones[number], range(3))


def _of_phantoms(rng: np.random.Generator) -> Iterator[_Row]:
    recipe = random_recipe(rng)
    while max(recipe.rows, recipe.cols) > _LARGEST_PHANTOM:
        recipe = random_recipe(rng)
    phantom = draw_phantom(recipe)
    pixels = np.asarray(phantom.image, np.float32) / np.float32(np.iinfo(phantom.image.dtype).max)
    yield from _rows(pixels, phantom.truth.scene, phantom.truth.labels, range(1, 4))


def _draw(job: tuple[int, float]) -> list[_Row]:
    seed, seconds = job
    import torch

    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    found: list[_Row] = []
    end, step = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        rng = np.random.default_rng([seed, step])
        step += 1
        found += _of_scenes(rng)
        for _ in range(4):  # a scene takes as long
            found += _of_phantoms(rng)
    return found


def draw(out: Path, *, workers: int, seed: int, seconds: float) -> None:
    """Write features of parts beside faces, and which of them belong to the cut, to one file."""
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        parts = pool.map(_draw, [(seed * 1000 + k, seconds) for k in range(workers)])
    belongs, values = zip(*(row for part in parts for row in part), strict=True)
    np.savez_compressed(out, belongs=np.array(belongs), values=np.array(values, np.float32))
    print(len(belongs), "parts", sum(belongs), "of them of the cut", flush=True)


def fit(data: list[Path], out: Path) -> None:
    """Fit the perceptrons to drawn parts and write their weights."""
    stored = [np.load(path) for path in data]
    values = np.vstack([each["values"] for each in stored]).astype(float)
    belongs = np.concatenate([each["belongs"] for each in stored]).astype(np.intp)
    kept = np.arange(belongs.size) % _HELD == 0
    centre, scale = values[~kept].mean(axis=0), values[~kept].std(axis=0) + 1e-6
    x = np.clip((values - centre) / scale, -4, 4)
    weights: dict[str, FloatArray | float] = {
        "centre": centre, "scale": scale, "members": _MEMBERS, "temperature": 1.0,
    }  # fmt: skip
    said = np.zeros(int(kept.sum()))
    for number in range(_MEMBERS):
        w, b, v, c = member(x[~kept], belongs[~kept], number, _EPOCHS)
        v, c = v[:, :2], c[:2]  # two names of three
        weights |= {f"w{number}": w, f"b{number}": b, f"v{number}": v, f"c{number}": c}
        power = np.exp(np.maximum(x[kept] @ w + b, 0) @ v + c)
        said += power[:, 1] / power.sum(axis=1) / _MEMBERS
    stored_as: dict[str, Any] = {name: np.float32(value) for name, value in weights.items()}
    np.savez_compressed(out, **stored_as)
    print(f"{(~kept).sum()} parts fitted")
    for least in (0.5, 0.6, 0.7, 0.8):
        taken = [float((said[belongs[kept] == name] > least).mean()) for name in (0, 1)]
        print(f"above {least}: {taken[0]:.3f} of surfaces, {taken[1]:.3f} of parts of the cut")


def main() -> None:
    """Run one step of the recipe."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("step", choices=["draw", "fit"])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--data", type=Path, nargs="+", default=[])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=600)
    given = parser.parse_args()
    if given.step == "draw":
        draw(given.out, workers=given.workers, seed=given.seed, seconds=given.seconds)
    else:
        fit(given.data, given.out)


if __name__ == "__main__":
    main()
