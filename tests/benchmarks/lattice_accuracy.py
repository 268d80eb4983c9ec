"""Accuracy of spot and line separation and of debris on faces with known truth; run by hand.

    python tests/benchmarks/lattice_accuracy.py --maker phantoms --count 200 --seed 3900000
    python tests/benchmarks/lattice_accuracy.py --maker painted --count 60 --own-zones

Lattices are measured without a sheet, with the true settings and with wrong ones. A lattice counts
as resolved where both separations are at least 4 pixels long and two waves that fix it stand 20
times over their surroundings for somebody who knows where to look; as unresolved where one is
shorter than 2.5 pixels or no two such waves are there. ``--own-zones`` traces the face and maps
its zones first; otherwise the true ones are given.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from other_maker import paint_face
from zone_accuracy import painted_case

from edgeqc.faces.face import CutFace
from edgeqc.faces.face_model import face_probability
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import frame_coordinates, label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.measure.debris import find_pieces
from edgeqc.measure.lattice import lattice_of_mask
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.phantoms.fields import Patch
from edgeqc.phantoms.outline import shape_face
from edgeqc.training.samples import calibrated_phantom, face_from_truth, seen_part
from edgeqc.zoning.zones import LASER, map_zones

FAMILIES = ["lattice"] * 10 + ["melt"] * 3 + ["fine"] * 3 + ["smooth", "bubbles", "layered"]
WRONG = [(1.3, 0.8), (2.0, 1.0), (0.5, 0.5), (1.0, 1.5)]


def wave_ratios(pixels, mask, along, across, orders):
    """Power of known waves over that of their surroundings, all over the zone."""
    weight = mask.astype(np.float32)
    near = cv2.GaussianBlur(pixels * weight, (0, 0), 15)
    near /= np.maximum(cv2.GaussianBlur(weight, (0, 0), 15), 1e-3)
    level, a, b = (pixels - near)[mask], along[mask], across[mask]
    rng = np.random.default_rng(0)
    ratios = {}
    for name, (f_a, f_b) in orders.items():
        beside = []
        for n in range(15):
            reach = 0.0 if n == 0 else rng.uniform(6, 14)
            turn = rng.uniform(0, 2 * np.pi)
            g_a = f_a + reach * np.cos(turn) / np.ptp(a)
            g_b = f_b + reach * np.sin(turn) / np.ptp(b)
            beside.append(abs(np.sum(level * np.exp(-2j * np.pi * (g_a * a + g_b * b)))) ** 2)
        ratios[name] = beside[0] / np.mean(beside[1:])
    return ratios


def state_of(ratios, pitch_px, jitter):
    seen = [order for order, ratio in ratios.items() if ratio >= 20]
    fixed = any(p[0] * q[1] != p[1] * q[0] for p in seen for q in seen)
    if pitch_px >= 4 and fixed and jitter <= 0.25:
        return "resolved"
    return "unresolved" if pitch_px < 2.5 or not fixed else "between"


def phantom_case(seed):
    """Picture, faces (true face, mask, lattice or None, state), labels."""
    rng = np.random.default_rng(seed)
    recipe = random_recipe(rng, FAMILIES[int(rng.integers(len(FAMILIES)))])
    drawn = draw_phantom(recipe)
    image, truth = calibrated_phantom(drawn), drawn.truth.faces[0]
    face = seen_part(face_from_truth(truth), image.pixels.shape)
    mask = drawn.truth.labels == LASER
    part = recipe.faces[0].laser.layers[0]
    lattice, state = None, "absent"
    if part.kind == "lattice" and mask.sum() > 1500:
        axis = shape_face(recipe, recipe.faces[0], np.random.default_rng(0)).axis
        row, col = np.mgrid[: mask.shape[0], : mask.shape[1]].astype(np.float32)
        s, w = axis.from_picture(row, col)
        squeeze = np.cos(np.radians(recipe.tilt_deg))
        patch = Patch(np.float32(s), np.float32(w / squeeze), axis.pixel_um, axis.angle_deg,
                      squeeze)
        along, across = (np.asarray(each, float) for each in patch.turned(part.angle_deg))
        lattice = part.params["spot_um"], part.params["line_um"]
        orders = [(1, 0), (0, 1), (1, 1), (1, -1), (2, 0), (0, 2)]
        orders += [(1, 0.5), (1, -0.5)] if part.params["stagger"] else []
        orders = {(h, k): (h / lattice[0], k / lattice[1]) for h, k in orders
                  if np.hypot(h / lattice[0], k / lattice[1]) * recipe.pixel_size_um < 0.45}
        ratios = wave_ratios(image.pixels, mask, along, across, orders)
        state = state_of(ratios, min(lattice) / recipe.pixel_size_um, part.params["jitter"])
    return image, face, mask, lattice, state, drawn.truth.labels, truth.anterior


def painted(seed):
    image, labels, truths, _ = painted_case(seed, False)
    made = paint_face(np.random.default_rng(seed))
    lattice = (made.spot_um, made.line_um) if np.isfinite(made.spot_um) else None
    cols = np.arange(8, labels.shape[1] - 8, 4)
    inside = labels > 0
    top = np.stack([inside.argmax(axis=0)[cols], cols], axis=1).astype(float)
    last = labels.shape[0] - 1 - inside[::-1].argmax(axis=0)
    low = np.stack([last[cols], cols], axis=1).astype(float)
    ends = (top, low) if made.anterior == "top" else (low[::-1], top[::-1])
    steps = np.hypot(*np.diff((ends[0] + ends[1]) / 2, axis=0).T)
    face = CutFace(1, np.concatenate([ends[0], ends[1][::-1]]), *ends,
                   np.concatenate([[0.0], np.cumsum(steps)]), np.ones(cols.size, bool),
                   made.anterior, "sheet", 0.5)
    state = "absent" if lattice is None else "resolved"  # at least 4 pixels and steep, all of them
    return image, face, labels == LASER, lattice, state, labels, truths[0]["anterior"]


def examine(maker, seed, own_zones):
    image, face, mask, lattice, state, labels, side = (
        phantom_case(seed) if maker == "phantoms" else painted(seed))
    if face is None or mask.sum() < 1500:
        return []
    if own_zones:
        found, _ = trace_cut_faces(image, FaceSettings(), anterior=side, expected=1,
                                   probability=face_probability(image))
        if not found:
            return []
        face, zones = map_zones(image, found[0])
        mask = label_raster(face, zones.labels, labels.shape) == LASER
    rows = []
    for sheet in ("none", "true", "wrong"):
        set_um = None if sheet == "none" else lattice or (3.0, 6.0)
        if sheet == "wrong":
            set_um = tuple(a * b for a, b in zip(set_um, WRONG[seed % 4], strict=True))
        measured = lattice_of_mask(image, face, mask & image.valid, set_um=set_um)
        values = measured.spot_um, measured.line_um
        rows.append({"seed": seed, "sheet": sheet, "state": state, "true": lattice,
                     "values": None if values[0] is None else values})
    return [with_pieces(rows[0], image, face, labels), *rows[1:]]


def with_pieces(row, image, face, labels):
    """The row with the pieces of debris: planted, seen, false."""
    window = frame_coordinates(face, labels.shape)
    here = window.rows, window.cols
    raster = find_pieces(image.pixels[here], window.inside & image.valid[here]).raster
    hidden = ((labels[here] == 4) & window.inside).astype(np.uint8)
    count, pieces, stats, _ = cv2.connectedComponentsWithStats(hidden, connectivity=8)
    large = [n for n in range(1, count) if stats[n, cv2.CC_STAT_AREA] >= 12]
    near = cv2.dilate(hidden, np.ones((7, 7), np.uint8)) > 0
    false = sum(not near[raster == n].any() for n in range(1, int(raster.max()) + 1))
    seen = sum(bool(raster[pieces == n].any()) for n in large)
    return row | {"planted": len(large), "littered": count > 1, "seen": seen, "false": false}


def table(rows):
    for sheet in ("none", "true", "wrong"):
        part = [row for row in rows if row["sheet"] == sheet]
        resolved = [row for row in part if row["state"] == "resolved"]
        error, held, width = [], [], []
        for row in resolved:
            if row["values"] is None:
                continue
            pairs = [list(zip(row["values"], true, strict=True))
                     for true in (row["true"], row["true"][::-1])]
            # names may be exchanged where no sheet, or a wrong one, gives them
            pair = pairs[0] if sheet == "true" else min(
                pairs, key=lambda each: sum(abs(value.value / true - 1) for value, true in each))
            error += [abs(value.value / true - 1) for value, true in pair]
            held += [value.interval[0] <= true <= value.interval[1] for value, true in pair]
            width += [2 * value.u / value.value for value, _ in pair]
        claims = {state: sum(row["values"] is not None for row in part if row["state"] == state)
                  for state in ("unresolved", "absent", "between")}
        counts = {state: sum(row["state"] == state for row in part) for state in claims}
        if not error:
            continue
        print(f"sheet {sheet:5s} resolved {len(resolved)}, claimed {len(error) // 2}; error median "
              f"{np.median(error):.5f} 95 % {np.quantile(error, 0.95):.5f} largest "
              f"{max(error):.4f}; intervals hold {np.mean(held):.3f}, half width "
              f"{np.median(width):.5f}; claims where "
              + ", ".join(f"{state} {claims[state]} of {counts[state]}" for state in claims))
    faces = [row for row in rows if "false" in row]
    clean = [row for row in faces if not row["littered"]]
    littered = [row for row in faces if row["littered"]]
    print(f"debris: {len(clean)} clean faces, with a false piece "
          f"{sum(row['false'] > 0 for row in clean)}; {len(littered)} littered, seen "
          f"{sum(row['seen'] for row in littered)} of {sum(row['planted'] for row in littered)}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--maker", choices=["phantoms", "painted"], default="phantoms")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=3_900_000)
    parser.add_argument("--own-zones", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rows = []
    for seed in range(given.seed, given.seed + given.count):
        rows += examine(given.maker, seed, given.own_zones)
    table(rows)


if __name__ == "__main__":
    main()
