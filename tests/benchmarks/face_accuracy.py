"""Outlines by several face models on the same pictures with known truth; run by hand.

    python tests/benchmarks/face_accuracy.py --model A.onnx --model B.onnx --maker fourth \\
        --maker phantoms --count 60 --seed 900000

Without ``--model`` the shipped one is judged. Prints, by maker and model, how many of the faces of
good quality lie at IoU 0.95 and whose outline is doubted. Choose a model by makers that have not
been looked at while it was made, and not by one of them alone.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
from zone_accuracy import JUDGES, judge_case, painted_case, phantom_case

from edgeqc.faces import face_model
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.flags import verdict_of

SHIPPED = str(files("edgeqc").joinpath("faces", face_model.MODEL_FILE))
MAKERS = ("phantoms", "painted", *JUDGES)


def drawn(maker, seed):
    """Return a picture, its labels, the truths of its faces and its quality."""
    if maker == "phantoms":
        return phantom_case(seed, None)
    if maker == "painted":
        return painted_case(seed, natural=False)
    return judge_case(maker, seed)[:4]


def traced(image, truths, network):
    """Return the raster of the faces traced with a network, and the flags of their outlines."""
    face_model._network = lambda: network
    faces, flags = trace_cut_faces(
        image, FaceSettings(), anterior=";".join(each["anterior"] for each in truths),
        expected=len(truths), probability=face_model.face_probability(image),
    )  # fmt: skip
    raster = np.zeros(image.pixels.shape, np.uint8)
    for face in faces:
        one = label_raster(face, np.ones((1, 1), np.uint8), raster.shape)
        raster = np.maximum(raster, one)
        flags = (*flags, *face.flags)
    return raster, flags


def examine(job):
    """Return a row per model for one picture, none where it is of no good quality."""
    maker, seed, models = job
    cv2.setNumThreads(1)
    image, labels, truths, quality = drawn(maker, seed)
    if quality != "good" or not truths:
        return []
    rows = []
    for model in models:
        raster, flags = traced(image, truths, cv2.dnn.readNetFromONNX(model))
        union = ((labels > 0) | (raster > 0)).sum()
        rows.append({
            "maker": maker, "seed": seed, "model": model,
            "iou": float(((labels > 0) & (raster > 0)).sum() / max(1, union)),
            "verdict": verdict_of(flags),
            "flags": [f"{flag.name}: {flag.detail}" for flag in flags],
        })  # fmt: skip
    return rows


def table(rows, makers, models):
    """Print how often each model finds the face, and how often it does not say that it has not."""
    print("right: IoU 0.95; unsaid: wrong and not doubted; doubted: right and doubted")
    for maker in (*makers, None):
        for model in models:
            part = [r for r in rows if r["model"] == model and maker in (None, r["maker"])]
            right = [row["iou"] >= 0.95 for row in part]
            sure = [row["verdict"] == "measured" for row in part]
            unsaid = sum(s and not r for r, s in zip(right, sure, strict=True))
            doubted = sum(r and not s for r, s in zip(right, sure, strict=True))
            print(f"{maker or 'ALL':9s} {Path(model).name:24s} {len(part):4d} pictures, right "
                  f"{sum(right):4d}, unsaid {unsaid:3d}, doubted {doubted:3d}, mean IoU "
                  f"{np.mean([row['iou'] for row in part]) if part else float('nan'):.4f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", action="append", help="an exported face model, may be repeated")
    parser.add_argument("--maker", action="append", choices=MAKERS)
    parser.add_argument("--count", type=int, default=60, help="pictures of each maker")
    parser.add_argument("--seed", type=int, default=900_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    models, makers = given.model or [SHIPPED], given.maker or MAKERS
    jobs = [
        (maker, given.seed + 100_000 * MAKERS.index(maker) + k, models)
        for maker in makers
        for k in range(given.count)
    ]
    with multiprocessing.Pool(given.workers) as pool:
        rows = [row for part in pool.imap(examine, jobs, chunksize=2) for row in part]
    table(rows, makers, models)
    if given.out:
        given.out.write_text(json.dumps(rows, indent=0))


if __name__ == "__main__":
    main()
