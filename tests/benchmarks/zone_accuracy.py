"""Accuracy of faces, zones and depth on pictures with known truth; run by hand.

    python tests/benchmarks/zone_accuracy.py --maker phantoms --count 200 --seed 900000
    python tests/benchmarks/zone_accuracy.py --maker painted --count 100
    python tests/benchmarks/zone_accuracy.py --maker natural --count 100
    python tests/benchmarks/zone_accuracy.py --maker third --count 100
    python tests/benchmarks/zone_accuracy.py --maker fourth --count 100
    python tests/benchmarks/zone_accuracy.py --maker fifth --count 100
    python tests/benchmarks/zone_accuracy.py --maker sixth --count 100
    python tests/benchmarks/zone_accuracy.py --maker seventh --count 100

Prints a table by family. ``phantoms`` are drawn by the package from seeds that nothing was fitted
on, ``painted`` by ``tests/other_maker.py``, ``natural`` by the same with photographs of natural
textures for zones, ``third`` by ``tests/third_maker.py`` from height fields, ``fourth`` by
``tests/fourth_maker.py`` from pulses, swept edges and running cracks, ``fifth`` by
``tests/fifth_maker.py`` in the manners of several laboratories, ``sixth`` by
``tests/sixth_maker.py`` from lattices, nicked edges and fronts and ``seventh`` by
``tests/seventh_maker.py`` from relief seen by several columns, these five for judging only.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import fifth_maker
import fourth_maker
import seventh_maker
import sixth_maker
import third_maker
from other_maker import paint_face

from edgeqc.faces.face_model import face_probability
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.flags import verdict_of
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.cut_depth import measure_cut_depth
from edgeqc.measure.thickness import measure_thickness
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.training.photographs import read_photographs
from edgeqc.training.samples import _zone_fill, calibrated_phantom
from edgeqc.zoning.calibration import DIAGNOSTIC_NAMES
from edgeqc.zoning.zones import map_zones


def mean_dice(found, truth):
    """Mean Dice over the zones that the truth holds (obscured left out of both)."""
    keep = truth != 4
    values = []
    for code in (1, 2, 3):
        there, here = (truth == code) & keep, (found == code) & keep
        if there.sum() > 0.01 * (truth > 0).sum():
            values.append(2 * (there & here).sum() / max(1, there.sum() + here.sum()))
        elif here.sum() > 0.05 * (truth > 0).sum():
            values.append(0.0)  # a zone that is not there
    return float(np.mean(values)) if values else float("nan")


def phantom_case(seed, family):
    if family == "filled":
        image, phantom = filled_case(seed)
    else:
        phantom = draw_phantom(random_recipe(np.random.default_rng(seed), family))
        image = calibrated_phantom(phantom)
    truth = phantom.truth
    faces = []
    for face in truth.faces:
        depth = np.asarray(face.depth_fraction, float)
        used = face.complete & np.isfinite(depth) & (depth > 0)
        faces.append(
            {
                "anterior": face.anterior,
                "centroid": tuple(np.mean(face.outline_px, axis=0)),
                "outline": face.outline_px,
                "depth": float(depth[used].mean()) if used.any() else float("nan"),
                "thickness": float(np.asarray(face.thickness_um)[face.complete].mean())
                if face.complete.any()
                else float("nan"),
                "complete": bool(face.complete.any()),
            }
        )
    return image, truth.labels, faces, str(truth.quality)


_PHOTOGRAPHS = []  # those that fill zones without an origin, in every process of a run


def use_photographs(folder):
    """Fill zones without an origin with photographs of a folder as well."""
    _PHOTOGRAPHS[:] = read_photographs(folder) if folder else ()


def filled_case(seed):
    """Return a phantom whose zones were filled anew, as in the fit but from another seed."""
    rng = np.random.default_rng(seed)
    while True:
        phantom = draw_phantom(random_recipe(rng))
        if phantom.truth.labels.any():
            break
    image = calibrated_phantom(phantom)
    pixels, _ = _zone_fill(
        np.asarray(image.pixels), phantom, rng, named=bool(seed % 2),
        photographs=tuple(_PHOTOGRAPHS),
    )  # fmt: skip
    return replace(image, pixels=pixels), phantom


def painted_case(seed, natural):
    made = paint_face(np.random.default_rng(seed), natural=natural)
    return (*single_face(made, "painted"), "good")


JUDGES = {
    "third": third_maker.draw_face,
    "fourth": fourth_maker.draw_face,
    "fifth": fifth_maker.draw_face,
    "sixth": sixth_maker.draw_face,
    "seventh": seventh_maker.draw_face,
}


def judge_case(maker, seed):
    """Return a picture of a maker for judging only, with its family in place of a recipe's."""
    made = JUDGES[maker](np.random.default_rng(seed))
    return (*single_face(made, maker), "good" if made.good else "bad", made.family)


def single_face(made, source):
    """Return the calibrated picture, the labels and the truths of a maker's one face."""
    image = CalibratedImage(
        made.image.astype(np.float32) / 255, np.ones(made.image.shape, bool),
        (made.pixel_size_um,) * 2, 0.0, "sheet", 0.0, 0.0, 0.0, ImageSource(source),
    )  # fmt: skip
    rows, cols = np.nonzero(made.labels)
    face = {
        "anterior": made.anterior,
        "centroid": (rows.mean(), cols.mean()),
        "depth": made.depth_fraction,
        "thickness": made.thickness_um,
        "complete": True,
    }
    return image, made.labels, [face]


def freed_by(labels):
    """Return what a sheet would say of how the piece was freed."""
    scissor, torn = ((labels == code).sum() > 0.01 * (labels > 0).sum() for code in (2, 3))
    return "both" if scissor == torn else "scissors" if scissor else "traction"


def examine(job):
    """Return one row per true face."""
    maker, seed, family, side_known, freed_known = job
    cv2.setNumThreads(1)
    if maker in ("phantoms", "filled"):
        image, labels, truths, quality = phantom_case(seed, family)
    elif maker in JUDGES:
        image, labels, truths, quality, family = judge_case(maker, seed)
    else:
        image, labels, truths, quality = painted_case(seed, maker == "natural")
    side = ";".join(each["anterior"] for each in truths) if side_known and truths else None
    faces, flags = trace_cut_faces(
        image, FaceSettings(), anterior=side, expected=len(truths) or None,
        probability=face_probability(image),
    )  # fmt: skip
    raster = np.zeros(labels.shape, np.uint8)
    results = []
    for face in faces:
        turned, zones = map_zones(image, face, freed_by=freed_by(labels) if freed_known else "")
        raster = np.maximum(raster, label_raster(turned, zones.labels, labels.shape))
        results.append((turned, zones))
    rows = []
    nameless = seed % 2 == 0 if maker == "filled" else None
    base = {
        "seed": seed, "nameless": nameless, "family": family or maker, "quality": quality,
        "faces": len(faces),
    }  # fmt: skip
    union = ((labels > 0) | (raster > 0)).sum()
    base["iou"] = float(((labels > 0) & (raster > 0)).sum() / max(1, union))
    for truth in truths:
        row = dict(base, truth=truth["depth"], true_thickness=truth["thickness"])
        near = [
            (np.hypot(*(np.array(turned.centroid_px) - truth["centroid"])), turned, zones)
            for turned, zones in results
        ]
        if not near:
            rows.append(row | {"verdict": "rejected", "dice": 0.0})
            continue
        _, turned, zones = min(near, key=lambda each: each[0])
        depth = measure_cut_depth(image, turned, zones)
        thick = measure_thickness(image, turned)
        mine = label_raster(turned, zones.labels, labels.shape)
        window = labels * (cv2.dilate((mine > 0).astype(np.uint8), np.ones((25, 25))) > 0)
        all_flags = (*flags, *turned.flags, *zones.flags, *thick.flags, *depth.flags)
        row |= {
            "verdict": verdict_of(all_flags),
            "flags": [flag.name for flag in all_flags],
            "dice": mean_dice(mine, window if len(truths) > 1 else labels),
            "depth": depth.fraction.value if depth.fraction else float("nan"),
            "u": depth.fraction.u if depth.fraction else float("nan"),
            "low": depth.fraction.interval[0] if depth.fraction else float("nan"),
            "high": depth.fraction.interval[1] if depth.fraction else float("nan"),
            "thickness": thick.mean.value if thick.mean else float("nan"),
            "u_thickness": thick.mean.u if thick.mean else float("nan"),
            "risk": 1 - zones.naming_confidence,
            "side_right": turned.anterior == truth["anterior"],
            "diagnostics": dict(
                zip(DIAGNOSTIC_NAMES, map(float, zones.diagnostics), strict=True)
            ),
        }
        rows.append(row)
    return rows


def table(rows, key="family"):
    """Print the goals' figures by family."""
    print(
        f"{key:22s}   n meas rev%  IoU>.95  dice50 dice10 |dep|50 |dep|95 cover  wrong thick50 "
        "thick95  U50"
    )
    groups = sorted({row[key] for row in rows})
    for group in [*groups, None]:
        part = [row for row in rows if group is None or row[key] == group]
        good = [row for row in part if row["verdict"] == "measured"]
        error = np.array([abs(row["depth"] - row["truth"]) for row in good])
        missed = np.array([np.isnan(row["depth"]) != np.isnan(row["truth"]) for row in good], bool)
        dice = np.array([row["dice"] for row in good])
        cover = [row["low"] <= row["truth"] <= row["high"] for row in good
                 if np.isfinite(row["depth"]) and np.isfinite(row["truth"])]  # fmt: skip
        thick = np.array([abs(row["thickness"] / row["true_thickness"] - 1) for row in good])
        thick = thick[np.isfinite(thick)]
        fine = error[np.isfinite(error)]
        wrong = int(((dice < 0.8) | (error > 0.05) | missed).sum()) if good else 0
        width = [2 * row["u"] for row in good if np.isfinite(row["u"])]

        def q(values, share):
            return float(np.quantile(values, share)) if len(values) else float("nan")

        print(
            f"{group or 'ALL'!s:22s} {len(part):3d} {len(good):4d} "
            f"{100 * (1 - len(good) / len(part)):4.0f} "
            f"{np.mean([row['iou'] >= 0.95 for row in part]):8.2f} {q(dice, 0.5):7.3f} "
            f"{q(dice, 0.1):6.3f} {q(fine, 0.5):7.4f} {q(fine, 0.95):7.4f} "
            f"{np.mean(cover) if cover else float('nan'):5.2f} {wrong:5d} {q(thick, 0.5):7.4f} "
            f"{q(thick, 0.95):7.4f} {q(width, 0.5):5.3f}"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    makers = ["phantoms", "filled", "painted", "natural", *JUDGES]
    parser.add_argument("--maker", choices=makers, default="phantoms")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=900_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--side-unknown", action="store_true")
    parser.add_argument(
        "--freed-known", action="store_true", help="the sheet says scissors or traction"
    )
    parser.add_argument("--photographs", type=Path, help="folder, for zones without an origin")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    family = "filled" if given.maker == "filled" else None
    jobs = [
        (given.maker, given.seed + k, family, not given.side_unknown, given.freed_known)
        for k in range(given.count)
    ]
    start = (given.photographs,)
    with multiprocessing.Pool(given.workers, use_photographs, start) as pool:
        rows = [row for part in pool.imap(examine, jobs, chunksize=2) for row in part]
    table(rows)
    table([row for row in rows if row["quality"] == "good"], "quality")
    if given.out:
        given.out.write_text(json.dumps(rows, indent=0, default=str))


if __name__ == "__main__":
    main()
