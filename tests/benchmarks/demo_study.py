"""Draw a study of the Saltmarsh Bench Series, examine it, compare its settings, hold it to truth.

    python tests/benchmarks/demo_study.py OUT [lenses per setting]

Draws small pictures of cut faces whose depth follows a saturating dose-response (four pulse
energies, lenses and fragments scattered about it), runs ``edgeqc folder`` and ``edgeqc settings``
on them, and prints what these say beside the truth.
"""

from __future__ import annotations

import csv
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from edgeqc.cli import main as edgeqc
from edgeqc.phantoms import draw_phantom
from edgeqc.phantoms.demo import face, laser, lattice, picture, scissor, torn
from edgeqc.phantoms.face_recipe import LayoutRecipe
from edgeqc.phantoms.writing import sheet_row, write_picture, write_sheet

ENERGIES_UJ = (2.0, 4.0, 6.0, 10.0)
SPOT_UM, LINE_UM = 4.0, 6.0
TOP, SCALE_J_CM2 = 0.95, 14.0
LENS_SD, FRAGMENT_SD = 0.02, 0.015
TARGET = 0.85
SEED = 2026


def dose(energy: float) -> float:
    """Areal dose in J/cm²."""
    return 100 * energy / (SPOT_UM * LINE_UM)


def true_depth(energy: float) -> float:
    """Mean depth fraction that the series was given at a pulse energy."""
    return TOP * -math.expm1(-dose(energy) / SCALE_J_CM2)


def draw_study(folder: Path, lenses: int) -> dict[str, float]:
    """Draw pictures and sheet; return picture name -> true depth fraction."""
    rng = np.random.default_rng(SEED)
    folder.mkdir(parents=True, exist_ok=True)
    rows, truth, number = [], {}, 30
    for energy in ENERGIES_UJ:
        for _ in range(lenses):
            number += 1
            lens_shift = LENS_SD * rng.normal()
            for fragment in "ab":
                depth = true_depth(energy) + lens_shift + FRAGMENT_SD * rng.normal()
                pulled = rng.random() < 0.5
                layout = LayoutRecipe(
                    "over_torn" if pulled else "over_scissor", min(depth, 0.97), wave=0.01,
                    wave_length_um=90.0, fringe_um=0.8, fringe_length_um=5.0, softness_um=1.0,
                    ledge_um=1.0, residual="torn" if pulled else "scissor")
                cut = face(
                    float(rng.uniform(230, 290)), layout, angle_deg=float(rng.normal(0, 1.5)),
                    laser=laser(lattice(SPOT_UM, LINE_UM, jitter=0.08)),
                    torn=torn(float(rng.uniform(9, 14))),
                    scissor=scissor(float(rng.uniform(55, 80)), float(rng.uniform(3.5, 5.0))))
                recipe = replace(picture(int(rng.integers(1 << 30)), 0.6, cut),
                                 rows=640, cols=760)
                phantom = draw_phantom(recipe)
                name = f"sm-{number:03d}{fragment}.tif"
                write_picture(folder / name, phantom.image)
                truth[name] = float(phantom.truth.faces[0].cut_depth_fraction)
                rows.append(sheet_row(name, phantom, **{
                    "specimen": f"SM-{number:03d}/{fragment}", "lens": f"L-{number:03d}",
                    "fragment": fragment, "material": "hydrophilic acrylic",
                    "pulse_energy_uj": f"{energy:g}", "spot_separation_um": f"{SPOT_UM:g}",
                    "line_separation_um": f"{LINE_UM:g}", "accelerating_voltage_kv": 8,
                    "coating": "gold-palladium", "drying": "air"}))
    write_sheet(folder, rows)
    return truth


def run(*arguments: str) -> None:
    """Run a command of the package in this process and print what it says."""
    done = CliRunner().invoke(edgeqc, list(arguments))
    print(f"$ edgeqc {' '.join(arguments[:1])} ...  (exit code {done.exit_code})")
    print(done.output[-2000:])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception


def compare_with_truth(out: Path, truth: dict[str, float]) -> None:
    """Print estimates beside the truth of the pictures and of the series."""
    with (out / "results" / "faces.csv").open(encoding="utf-8-sig") as stream:
        faces = list(csv.DictReader(stream))
    verdicts = [row["verdict"] for row in faces]
    print({verdict: verdicts.count(verdict) for verdict in sorted(set(verdicts))})
    errors = {}
    for row in faces:
        if row["cut_depth_fraction"]:
            errors.setdefault(row["verdict"], []).append(
                float(row["cut_depth_fraction"]) - truth[row["image"]])
    for verdict, found in errors.items():
        size = np.abs(found)
        print(f"depth error of faces {verdict}: median {np.median(size):.4f},"
              f" 95th percentile {np.quantile(size, 0.95):.4f}, mean {np.mean(found):+.4f}")
    with (out / "study" / "settings_means.csv").open(encoding="utf-8") as stream:
        means = [row for row in csv.DictReader(stream) if row["response"] == "cut_depth_fraction"]
    for row in means:
        energy = float(row["setting"].split(" ")[0])
        inside = row["ci_low"] != "" and (
            float(row["ci_low"]) <= true_depth(energy) <= float(row["ci_high"]))
        verdict = 'no interval' if row['ci_low'] == '' else 'inside' if inside else 'OUTSIDE'
        print(f"{row['setting']}: truth {true_depth(energy):.3f}, found {row['mean'][:6]}"
              f" ({row['ci_low'][:6]} to {row['ci_high'][:6]}), n = {row['units']},"
              f" {verdict}")
    wanted = -SCALE_J_CM2 * math.log1p(-TARGET / TOP)
    print(f"dose for a depth of {TARGET}: truth {wanted:.1f} J/cm²")


def main() -> None:
    """Draw, examine, compare, print."""
    out = Path(sys.argv[1])
    truth = draw_study(out / "pictures", int(sys.argv[2]) if len(sys.argv) > 2 else 5)
    print(f"{len(truth)} pictures drawn")
    run("folder", str(out / "pictures"), "--out", str(out / "results"), "--workers", "1")
    run("settings", str(out / "results"), "--out", str(out / "study"))
    compare_with_truth(out, truth)


if __name__ == "__main__":
    main()
