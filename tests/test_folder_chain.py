"""The folder pipeline with the whole chain: bad pictures among good ones."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import tifffile
from bad_pictures import KINDS, write_bad

from edgeqc.folder import examine_folder
from edgeqc.phantoms import draw_phantom, random_recipe


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """A folder with good and bad pictures, and its run's output."""
    root = tmp_path_factory.mktemp("mixed")
    folder = root / "pictures"
    (folder / "sub folder").mkdir(parents=True)
    phantom = draw_phantom(random_recipe(np.random.default_rng(5), "lattice"))
    sound = (phantom.image // 257).astype(np.uint8) if phantom.image.dtype == np.uint16 else (
        phantom.image)
    tifffile.imwrite(folder / "good.tif", sound)
    tifffile.imwrite(folder / "sub folder" / "two pages µ.tif", np.stack([sound, sound[::-1]]))
    size = phantom.truth.pixel_size_um
    (folder / "specimens.csv").write_text(
        "image;specimen;lens;pixel_size_um;tilt_deg;anterior;shelf\n"
        f"good.tif;SM-001/a;007;{size:.6g};0;{phantom.truth.faces[0].anterior};A 3\n"
        .replace(".", ",").replace("good,tif", "good.tif"), encoding="utf-8-sig")
    names = write_bad(folder, sound)
    run = examine_folder(folder, root / "out")
    return folder, root / "out", names, run


def test_each_bad_picture_is_a_row_with_its_reason_and_the_good_are_done(mixed):
    _, out, names, run = mixed
    rows = {row["image"]: row for row in table(out / "images.csv")}
    assert len(names) == len(KINDS) == 10
    for name in names:
        assert rows[name]["status"] in ("failed", "rejected"), name
        assert len(rows[name]["reason"]) > 10, name
        assert "unexpected" not in rows[name]["reason"], name
    good = ["good.tif", "sub folder/two pages µ.tif", "sub folder/two pages µ.tif#2"]
    assert {rows[name]["status"] for name in good} <= {"measured", "review"}
    assert set(rows) == {*names, *good}
    assert run.exit_code == 1
    assert len(run.problems) == 10


def test_files_of_a_specimen_stand_in_its_folder(mixed):
    _, out, _, _ = mixed
    made = {path.name for path in (out / "SM-001_a").iterdir()}
    assert made >= {"findings.json", "report.html", "report.pdf", "profiles.csv",
                    "roughness.csv", "good.zones.png", "good.overlay.png", "good.small.jpg",
                    "record.json"}
    assert (out / "two pages µ" / "two pages µ.p2.zones.png").is_file()
    findings = json.loads((out / "SM-001_a" / "findings.json").read_text(encoding="utf-8"))
    assert findings["specimen"] == "SM-001/a"


def test_ids_and_the_sheets_own_columns_are_carried_through(mixed):
    _, out, _, _ = mixed
    face = next(row for row in table(out / "faces.csv") if row["image"] == "good.tif")
    assert (face["specimen"], face["lens"], face["shelf"]) == ("SM-001/a", "007", "A 3")


def test_nothing_of_the_machine_reaches_the_output(mixed):
    folder, out, _, _ = mixed
    for path in out.rglob("*"):
        if path.is_file():
            assert str(folder).encode() not in path.read_bytes(), path.name


def test_a_second_run_measures_nothing_and_writes_the_same_bytes(mixed):
    folder, out, _, _ = mixed
    names = ("images.csv", "faces.csv", "run.xlsx", "index.html", "problems.log")
    before = {name: (out / name).read_bytes() for name in names}
    run = examine_folder(folder, out)
    assert run.counts["specimens_examined"] == 0
    assert {name: (out / name).read_bytes() for name in names} == before
