"""Hundreds of pictures with bad ones of ten kinds among them; by hand.

    python tests/benchmarks/folder_mixed.py [--pictures 500] [--bad 25] [--workers 2] [--cols 640]

Says how many results and how many named reasons came out, and the exit code.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import tifffile

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bad_pictures import write_bad

from edgeqc.folder import examine_folder
from edgeqc.phantoms import draw_phantom, random_recipe

DRAWN = 20  # different pictures; the others are mirrored or turned


# how a picture is laid, and where its top, left, bottom and right sides go
TURNS = (
    (lambda a: a, "top left bottom right"),
    (lambda a: a[:, ::-1], "top right bottom left"),
    (lambda a: a[::-1], "bottom left top right"),
    (lambda a: a[::-1, ::-1], "bottom right top left"),
    (np.rot90, "left bottom right top"),
    (lambda a: np.rot90(a, 3), "right top left bottom"),
)


def sound_pictures(count, cols):
    """Pictures that can be measured, each another file, and the anterior sides of their faces."""
    size = {"rows": round(0.75 * cols), "cols": cols} if cols else {}
    drawn = []
    for seed in range(DRAWN):
        recipe = random_recipe(np.random.default_rng(8_000_000 + seed), "lattice", **size)
        phantom = draw_phantom(recipe)
        image = phantom.image
        image = (image // 257).astype(np.uint8) if image.dtype == np.uint16 else image
        drawn.append((image, [face.anterior for face in phantom.truth.faces]))
    for number in range(count):
        image, sides = drawn[number % DRAWN]
        turn, goes = TURNS[number // DRAWN % len(TURNS)]
        where = dict(zip(("top", "left", "bottom", "right"), goes.split(), strict=True))
        # several faces may change their order when they are turned
        yield turn(image), where[sides[0]] if len(set(sides)) == 1 else ""


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pictures", type=int, default=500)
    parser.add_argument("--bad", type=int, default=25)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cols", type=int, default=0, help="size of the pictures; any by default")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "pictures"
        folder.mkdir()
        first, lines = None, ["image,anterior"]
        sound = sound_pictures(given.pictures - given.bad, given.cols)
        for number, (image, side) in enumerate(sound):
            first = image if first is None else first
            tifffile.imwrite(folder / f"p{number:03d}.tif", image, compression="zlib")
            lines.append(f"p{number:03d}.tif,{side}")
        (folder / "specimens.csv").write_text("\n".join(lines) + "\n")
        bad = set(write_bad(folder, first, given.bad))
        started = time.monotonic()
        run = examine_folder(folder, Path(scratch) / "out", workers=given.workers)
        seconds = time.monotonic() - started
    results = [row for row in run.images if row["status"] in ("measured", "review")]
    reasons = [row for row in run.images if row["status"] in ("failed", "rejected")]
    unexpected = [row for row in reasons if "unexpected" in row["reason"] or not row["reason"]]
    print(f"{len(run.images)} pictures in {seconds:.0f} s: {len(results)} results, {len(reasons)} "
          f"reasons ({len(unexpected)} of them unexpected or empty), exit code {run.exit_code}")
    for row in reasons:
        mark = "" if row["image"] in bad else "NOT PLANTED: "
        print(f"  {mark}{row['image']}: {row['status']}: {row['reason'][:90]}")
    for row in results:
        if row["image"] in bad:
            print(f"  PLANTED BUT PASSED: {row['image']}: {row['status']}")


if __name__ == "__main__":
    main()
