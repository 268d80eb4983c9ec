"""How well a stereo pair tells the roughness of a zone: phantoms drawn at two tilts.

Run by hand: python tests/benchmarks/stereo_accuracy.py --seed 901 --recipes 150

Every recipe is one of random kind with a pixel of at most 0.4 µm, drawn at ±3 to ±8 degrees as a
sound slow scan (4,500 to 20,000 electrons a pixel, no charging, no displaced lines, no lossy
compression; contrast not turned over). Tilts and pixel size are told with errors of the size that
is stated (0.1 degrees, 1 %). Each zone is the true one less 12 pixels of border. Compared is Sq in
the band that is stated with it: the same form and S-filter are taken off the true heights. Limits
and uncertainty were set on seeds 7101, 7102 and 7201; the last lines say how often the intervals
hold (value / exp(2u) to value · exp(2u), as a length's interval is stated), all together and by
kind of zone.

With --maker other the pairs are those of tests/other_stereo_maker.py, which share nothing with
the phantoms: axes at any angle, total tilts of 5 to 16 degrees, 400 to 16,000 electrons a pixel,
brightness that the tilt changes, does not change, or changes in part.

With --keep FILE the limits are opened: every zone of which half matches and whose relief is at
least a third of a pixel is measured, and FILE holds one line of JSON a zone, value, truth and every
figure that the limits look at. That is for studying limits; the last lines then say what open
limits would give.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from edgeqc.measure.height_map import HeightMap, height_from_stereo
from edgeqc.measure.roughness import Band, roughness_areal
from edgeqc.measure.stereo_zone import StereoZoneSettings, zone_heights
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.stereo import draw_stereo_pair

sys.path.insert(0, str(Path(__file__).parents[1]))
from other_stereo_maker import draw_other_pair

SIDE_PX, BORDER_PX, LEAST_POINTS = 320, 12, 4000
U_TILT_DEG, U_PIXEL = 0.1, 0.01
OPEN = StereoZoneSettings(
    least_matched=0.5, least_relief_px=0.25, least_opening=0.0, largest_coherence=1.0,
    largest_u_rel=math.inf)
"""Limits that refuse next to nothing: what a study of them needs."""

BAND_PX = (3.0, 12.0)
"""Standard deviations between which the brightness of matched and other parts is compared."""

ZONES = {1: "laser", 2: "scissor", 3: "torn"}


def sound_recipe(rng: np.random.Generator) -> Recipe:
    """Return a random recipe of a picture that anyone would take a stereo pair of."""
    while True:
        recipe = random_recipe(rng)
        if recipe.pixel_size_um > 0.4 or recipe.signal.inverted:
            continue
        dose = float(np.exp(rng.uniform(np.log(4500), np.log(20000))))
        return dataclasses.replace(recipe, acquisition=dataclasses.replace(
            recipe.acquisition, dose=dose, line_jitter_px=0.0, line_noise=0.0, charging=0.0,
            bloom=0.0, sharpen=0.0, jpeg_quality=0, blur_px=min(recipe.acquisition.blur_px, 1.0)))


def field_of(recipe: Recipe, tilt: float) -> tuple[np.ndarray, ...]:
    """Return both pictures, the true heights and labels, cut to a part of the face."""
    plain = draw_phantom(recipe)
    pair = draw_stereo_pair(recipe, (-tilt, tilt))
    labels = plain.truth.labels
    start = []
    for axis, index in enumerate(np.nonzero((labels > 0) & (labels < 4))):
        start.append(int(np.clip(np.median(index) - SIDE_PX / 2, 0,
                                 max(0, labels.shape[axis] - SIDE_PX))))
    cut = tuple(slice(s, s + SIDE_PX) for s in start)
    full = np.iinfo(pair[0].image.dtype).max
    pictures = [p.image[cut].astype(np.float32) / full for p in pair]
    return pictures[0], pictures[1], plain.truth.height_um[cut], labels[cut]


def zones_of(
    labels: np.ndarray, height: np.ndarray, names: dict[int, str]
) -> Iterator[tuple[str, np.ndarray]]:
    """Yield the zones that are large enough, clear of their border."""
    kernel = np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)
    for code, name in names.items():
        inside = cv2.erode((labels == code).astype(np.uint8), kernel) > 0
        inside &= np.isfinite(height)
        if inside.sum() >= LEAST_POINTS:
            yield name, inside


@dataclasses.dataclass(frozen=True)
class Field:
    """A pair and its truth; ``kinds`` holds the kind of every zone by its code."""

    pictures: tuple[np.ndarray, np.ndarray]
    truth: np.ndarray
    labels: np.ndarray
    pixel_um: float
    tilt_deg: tuple[float, float]
    axis_deg: float
    kinds: dict[int, str]
    about: dict[str, Any]


def own_field(rng: np.random.Generator) -> Field:
    """Return a field of a random phantom."""
    recipe, tilt = sound_recipe(rng), float(rng.choice([3.0, 4.0, 5.0, 6.0, 8.0]))
    left, right, truth, labels = field_of(recipe, tilt)
    kinds = {code: getattr(recipe.faces[0], name).kind for code, name in ZONES.items()}
    about = {"make": recipe.family, "dose": recipe.acquisition.dose}
    return Field((left, right), np.asarray(truth, float), labels, recipe.pixel_size_um,
                 (-tilt, tilt), 0.0, kinds, about)


def other_field(rng: np.random.Generator) -> Field:
    """Return a field of the other maker."""
    pair = draw_other_pair(rng)
    return Field((pair.left, pair.right), pair.height_um, pair.labels, pair.pixel_um,
                 pair.tilt_deg, pair.axis_deg, dict(enumerate(pair.kinds, 1)),
                 {"make": pair.make, "dose": pair.dose})


MAKERS = {"own": own_field, "other": other_field}


def map_of(field: Field, wrong: tuple[float, float]) -> HeightMap:
    """Return the height map of a field told with a wrong tilt (degrees) and pixel (factor)."""
    low, high = field.tilt_deg
    return height_from_stereo(
        *field.pictures, pixel_size_um=field.pixel_um * wrong[1], u_tilt_deg=U_TILT_DEG,
        tilt_deg=(low - wrong[0] / 2, high + wrong[0] / 2), tilt_axis=field.axis_deg,
        u_rel_pixel_size=U_PIXEL)


def look(
    found: HeightMap, truth: np.ndarray, inside: np.ndarray, pixel_um: float,
    settings: StereoZoneSettings,
) -> dict[str, Any]:
    """Return what a zone gave beside the truth, on the matched part and on the whole zone."""
    known = inside & np.isfinite(found.height_um)
    matched = float(known.sum() / inside.sum())
    if found.stereo is None or matched < settings.least_matched:
        return {"reason": "no match: " + ",".join(f.name for f in found.flags), "matched": matched}
    heights = zone_heights(found.stereo, known, "polynomial 2", settings)
    row = {name: getattr(heights, name) for name in (
        "reason", "moved", "part", "split", "unseen", "excess", "explained", "opening", "coherence",
        "fine")}
    row["matched"] = matched
    if heights.height_um is None:
        return row
    known &= np.isfinite(heights.height_um)
    made = []
    for plane, spacing, mask in (
        (heights.height_um, found.spacing_um, known), (truth, (pixel_um, pixel_um), known),
        (truth, (pixel_um, pixel_um), inside),
    ):
        short = heights.short_um * spacing[0] / found.spacing_um[0]
        band = Band(form="polynomial 2", short_nesting_index_um=short)
        made.append(roughness_areal(plane, spacing, mask=mask, band=band)["Sq"].value)
    u_rel = float(np.hypot(heights.u_rel, found.u_scale_rel))
    return row | {"error": made[0] / made[1] - 1, "u_rel": u_rel, "value": made[0],
                  "true": made[1], "true_all": made[2]}


def unmatched_contrast(
    pictures: tuple[np.ndarray, np.ndarray], found: HeightMap, inside: np.ndarray
) -> float:
    """Return the contrast of the brightness where a zone does not match over where it does."""
    mean = (pictures[0] + pictures[1]) / 2
    fine, coarse = (cv2.GaussianBlur(mean, (0, 0), width) for width in BAND_PX)
    known = np.isfinite(found.height_um)
    parts = [(fine - coarse)[inside & part] for part in (~known, known)]
    return float(parts[0].std() / parts[1].std()) if all(p.size for p in parts) else math.nan


def main() -> None:
    """Draw, measure, print."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seed", type=int, default=901)
    ask.add_argument("--recipes", type=int, default=150)
    ask.add_argument("--maker", choices=MAKERS, default="own")
    ask.add_argument("--keep", type=Path, help="open the limits and keep every zone's figures here")
    ask.add_argument("--minutes", type=float, default=60.0, help="no more recipes after that")
    told = ask.parse_args()
    settings = OPEN if told.keep else StereoZoneSettings()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(told.seed)
    rows: list[dict[str, Any]] = []
    start = time.monotonic()
    for index in range(told.recipes):
        if time.monotonic() - start > 60 * told.minutes:
            break
        field = MAKERS[told.maker](rng)
        wrong = rng.normal(0, U_TILT_DEG), 1 + rng.normal(0, U_PIXEL)
        begun = time.process_time()
        found = map_of(field, wrong)
        for kind, inside in zones_of(field.labels, field.truth, field.kinds):
            row = look(found, field.truth, inside, field.pixel_um, settings)
            rows.append(row | {"kind": kind, "make": field.about["make"]})
            if told.keep:
                kept = rows[-1] | field.about | {
                    "maker": told.maker, "seed": told.seed, "index": index,
                    "tilt": field.tilt_deg, "axis": field.axis_deg, "pixel": field.pixel_um,
                    "points": int(inside.sum()), "u_scale": found.u_scale_rel,
                    "unmatched_contrast": unmatched_contrast(field.pictures, found, inside)}
                with told.keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(kept) + "\n")
            print(f"{index} {field.about['make']}/{kind}, {field.tilt_deg[0]:.1f} and"
                  f" {field.tilt_deg[1]:.1f}°, {field.pixel_um:.2f} µm: {told_of(row)}"
                  f" ({time.process_time() - begun:.0f} s)", flush=True)
    summary(rows)


def told_of(row: dict[str, Any]) -> str:
    """Return what a zone gave, in words."""
    return row["reason"] or (
        f"Sq {row['true']:.3f} µm, error {row['error']:+.1%}, u {row['u_rel']:.1%}, start moves"
        f" {row['moved']:+.1%}, shading {row['part']:+.1%}, unseen {row['unseen']:.1%}, left"
        f" {row['excess']:.2f}, shown {row['explained']:.0%}")


def summary(rows: list[dict[str, Any]]) -> None:
    """Print the figures."""
    told = [row for row in rows if not row["reason"]]
    for kind in sorted({row["kind"] for row in rows}):
        own = [row for row in told if row["kind"] == kind]
        held = sum(abs(np.log1p(row["error"])) <= 2 * row["u_rel"] for row in own)
        largest = max((abs(row["error"]) for row in own), default=0.0)
        print(f"  {kind}: {sum(row['kind'] == kind for row in rows)} zones, {len(own)} told,"
              f" {held} held, largest error {largest:.1%}")
    error = np.array([row["error"] for row in told])
    u_rel = np.array([row["u_rel"] for row in told])
    print(f"zones {len(rows)}, told {len(told)}")
    for limit in sorted({" ".join(row["reason"].split()[:2]) for row in rows if row["reason"]}):
        print(f"  {limit} ...: {sum(row['reason'].startswith(limit) for row in rows)}")
    if told:
        size = np.abs(error)
        held = np.abs(np.log1p(error)) <= 2 * u_rel
        print(f"Sq error median {np.median(size):.1%}, 90 % {np.percentile(size, 90):.1%}, largest"
              f" {size.max():.1%}, mean {error.mean():+.1%}; inside 2u {held.mean():.1%}; median u"
              f" {np.median(u_rel):.1%}")


if __name__ == "__main__":
    main()
