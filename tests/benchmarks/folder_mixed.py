"""Hundreds of pictures with bad ones of ten kinds among them; by hand.

    python tests/benchmarks/folder_mixed.py [--pictures 500] [--bad 25] [--workers 2]

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


def sound_pictures(count):
    """Pictures that can be measured, each another file."""
    drawn = []
    for seed in range(DRAWN):
        recipe = random_recipe(np.random.default_rng(8_000_000 + seed), "lattice")
        image = draw_phantom(recipe).image
        drawn.append((image // 257).astype(np.uint8) if image.dtype == np.uint16 else image)
    turns = (lambda a: a, lambda a: a[:, ::-1], lambda a: a[::-1], lambda a: a[::-1, ::-1],
             lambda a: np.rot90(a), lambda a: np.rot90(a, 3))
    for number in range(count):
        yield turns[number // DRAWN % len(turns)](drawn[number % DRAWN])


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pictures", type=int, default=500)
    parser.add_argument("--bad", type=int, default=25)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "pictures"
        folder.mkdir()
        first = None
        for number, image in enumerate(sound_pictures(given.pictures - given.bad)):
            first = image if first is None else first
            tifffile.imwrite(folder / f"p{number:03d}.tif", image, compression="zlib")
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
