"""A folder's run killed at random moments and taken up again; by hand.

    python tests/benchmarks/folder_kills.py --kills 20 [--pictures 12] [--workers 2] [--real]

Runs once undisturbed, then again and again with SIGKILL at random moments until as many kills as
asked have struck, and says whether the tables are the same bytes and whether a finished specimen
was measured twice. ``--real`` examines drawn pictures by the whole chain instead of a stand-in.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
TABLES = ("images.csv", "faces.csv", "run.xlsx", "index.html")
RUN = """
import sys
from pathlib import Path
from edgeqc.folder import FolderRequest, run_folder
if __name__ == "__main__":
    run_folder(FolderRequest(Path(sys.argv[1]), Path(sys.argv[2]), workers=int(sys.argv[3]),
                             examiner=sys.argv[4], protocol=Path(sys.argv[5])))
"""


def start(folder, out, script, given):
    examiner = "edgeqc.folder_examiner:examine" if given.real else "fake_examiner:examine"
    return subprocess.Popen([sys.executable, str(script), str(folder), str(out),
                             str(given.workers), examiner, str(script.with_name("own.toml"))],
                            stderr=subprocess.DEVNULL)


def fill(folder, given):
    folder.mkdir()
    if given.real:
        import numpy as np
        import tifffile

        from edgeqc.phantoms import draw_phantom, random_recipe

        for number in range(given.pictures):
            recipe = random_recipe(np.random.default_rng(5_000 + number), rows=384, cols=512)
            tifffile.imwrite(folder / f"p{number:02d}.tif", draw_phantom(recipe).image)
        (folder / "bad.tif").write_text("no picture")
        return
    for number in range(given.pictures):
        (folder / f"p{number:02d}.tif").write_text(f"sleep {0.02 + 0.01 * (number % 5):.2f}")
    (folder / "bad.tif").write_text("refuse")


def records(out):
    """Time stamp of each finished specimen's record: a second measurement would change it."""
    return {path.parent.name: path.stat().st_mtime_ns for path in out.glob("*/record.json")}


def one_life(folder, out, script, given, mean_s, rng):
    """Run until a kill strikes or the run ends; say which, and what was finished before."""
    before = records(out)
    process = start(folder, out, script, given)
    try:
        process.wait(timeout=rng.expovariate(1 / mean_s))
        struck = False
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        struck = True
    after = records(out)
    again = [name for name in before if after.get(name) != before[name]]
    return struck, again


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--pictures", type=int, default=12)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--real", action="store_true")
    given = parser.parse_args()
    os.environ["PYTHONPATH"] = str(TESTS)
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        script = root / "run.py"
        script.write_text(RUN)
        (root / "own.toml").write_text('[protocol]\nname = "own"\n')
        fill(root / "pictures", given)
        started = time.monotonic()
        start(root / "pictures", root / "whole", script, given).wait()
        mean_s = (time.monotonic() - started) / 2
        wanted = {name: (root / "whole" / name).read_bytes() for name in TABLES}
        kills, rounds, repeated, different = 0, 0, [], 0
        while kills < given.kills:
            rounds += 1
            out = root / f"out{rounds}"
            struck = True
            while struck:
                struck, again = one_life(root / "pictures", out, script, given, mean_s, rng)
                kills += struck
                repeated += again
            different += any((out / n).read_bytes() != data for n, data in wanted.items())
    print(f"{kills} kills over {rounds} runs to the end: {different} with other bytes, "
          f"{len(repeated)} finished specimens measured again")
    return 1 if different or repeated else 0


if __name__ == "__main__":
    sys.exit(main())
