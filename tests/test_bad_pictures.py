"""Pictures of no use: each is a row with its reason, and the good one beside them is done."""

import csv
import struct

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from edgeqc.cli import main
from edgeqc.phantoms import draw_phantom, random_recipe


def _good():
    recipe = random_recipe(
        np.random.default_rng(11), "lattice", rows=480, cols=640, pixel_size_um=0.6,
        layout="over_torn", angle_deg=0.0, crop="through", tilt_deg=0.0)
    return draw_phantom(recipe)


def _absurd_header():
    """A little-endian TIFF that promises 2 million by 2 million pixels and holds none."""
    entries = [(256, 4, 1, 2_000_000), (257, 4, 1, 2_000_000), (258, 3, 1, 8), (259, 3, 1, 1),
               (262, 3, 1, 1), (273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, 2_000_000),
               (279, 4, 1, 100)]
    data = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(entries))
    for tag, kind, count, value in entries:
        data += struct.pack("<HHII", tag, kind, count, value)
    return data + struct.pack("<I", 0)


def _write_all(folder):
    rng = np.random.default_rng(3)
    good = _good()
    picture = good.image
    as_8_bit = (picture >> 8 if picture.dtype == np.uint16 else picture).astype(np.uint8)
    tifffile.imwrite(folder / "good.tif", picture)
    tifffile.imwrite(folder / "blank.tif", np.full((480, 640), 128, np.uint8))
    tifffile.imwrite(folder / "noise.tif", rng.integers(0, 255, (480, 640)).astype(np.uint8))
    background = 60 + 6 * rng.standard_normal((480, 640))
    tifffile.imwrite(folder / "background.tif", background.astype(np.uint8))
    tifffile.imwrite(folder / "defocused.tif", cv2.GaussianBlur(as_8_bit, (0, 0), 14))
    clipped = np.where(as_8_bit > np.percentile(as_8_bit, 30), 255, as_8_bit).astype(np.uint8)
    tifffile.imwrite(folder / "saturated.tif", clipped)
    # white background round a good face: at 1.5 px from it, as the edge's own blur stays
    labels = good.truth.labels[: as_8_bit.shape[0]] > 0
    around = cv2.dilate(labels.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    tifffile.imwrite(folder / "white.tif", np.where(around, 255, as_8_bit).astype(np.uint8))
    whole = (folder / "good.tif").read_bytes()
    (folder / "truncated.tif").write_bytes(whole[: len(whole) // 3])
    (folder / "text.tif").write_text("no picture at all")
    (folder / "empty.tif").write_bytes(b"")
    tifffile.imwrite(folder / "tiny.tif", as_8_bit[200:264, 200:264])
    tifffile.imwrite(folder / "nan.tif", np.full((480, 640), np.nan, np.float32))
    (folder / "absurd.tif").write_bytes(_absurd_header())
    row = {"pixel_size_um": good.truth.pixel_size_um, "anterior": good.truth.faces[0].anterior}
    with (folder / "specimens.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["image", "specimen", *row])
        writer.writerow(["good.tif", "SM-030/a", *row.values()])
        writer.writerow(["white.tif", "SM-030/b", *row.values()])


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    """Rows of ``images.csv`` by picture, and the command's exit code."""
    folder, out = tmp_path_factory.mktemp("pictures"), tmp_path_factory.mktemp("out")
    _write_all(folder)
    done = CliRunner().invoke(main, [
        "specimen", *map(str, sorted(folder.glob("*.tif"))), "--out", str(out), "--sheet",
        str(folder / "specimens.csv")])
    with (out / "images.csv").open(encoding="utf-8", newline="") as file:
        return {row["image"]: row for row in csv.DictReader(file)}, done, out


@pytest.mark.parametrize(("picture", "status", "words"), [
    ("blank.tif", "rejected", ["blank"]),
    ("noise.tif", "rejected", ["no structure above its noise"]),
    ("background.tif", "rejected", ["structure", "face"]),
    ("defocused.tif", "rejected", ["focus"]),
    ("saturated.tif", "rejected", ["clipped"]),
    ("truncated.tif", "failed", ["cut short"]),
    ("text.tif", "failed", ["text file"]),
    ("empty.tif", "failed", ["empty"]),
    ("tiny.tif", "rejected", ["small"]),
    ("nan.tif", "failed", ["number"]),
    ("absurd.tif", "failed", ["2000000 x 2000000 pixels"]),
])
def test_a_picture_of_no_use_is_a_row_with_its_reason(outcome, picture, status, words):
    rows, _, _ = outcome
    row = rows[picture]
    assert row["status"] == status, row
    assert any(word in row["reason"] for word in words), row["reason"]
    assert row["faces"] == "0"


def test_the_good_picture_beside_them_is_done_and_the_exit_code_is_1(outcome):
    rows, done, out = outcome
    assert done.exit_code == 1, done.output
    assert len(rows) == 13
    assert rows["good.tif"]["status"] in ("measured", "review")
    assert rows["good.tif"]["faces"] == "1"
    assert (out / "SM-030_a" / "report.pdf").exists()
    assert (out / "SM-030_a" / "good.zones.png").exists()


def test_a_clipped_background_does_not_cost_a_picture(outcome):
    rows, _, out = outcome
    assert rows["white.tif"]["status"] in ("measured", "review")
    assert "clipped" not in rows["white.tif"]["reason"]
    with (out / "faces.csv").open(encoding="utf-8", newline="") as file:
        faces = {row["image"]: row for row in csv.DictReader(file)}
    # the same face as beside a dark background; its zones are as doubtful here as there
    good, white = (float(faces[name]["thickness_um"]) for name in ("good.tif", "white.tif"))
    assert white == pytest.approx(good, rel=0.02)
    assert "background_clipped" in faces["white.tif"]["flags"]


def test_no_folder_of_this_machine_reaches_an_output(outcome):
    _, _, out = outcome
    for file in [*out.rglob("*.csv"), *out.rglob("*.json")]:
        assert str(out.parent) not in file.read_text(encoding="utf-8")
