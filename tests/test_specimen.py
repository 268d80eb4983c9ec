"""The specimen pipeline from picture files to files, on a phantom whose truth is known.

One easy picture: what is tested here is that the steps hang together and that nothing is lost on
the way. How right the answers are over many pictures is tested with the zones and the measures.
"""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from edgeqc.errors import ImageError, UsageError
from edgeqc.findings import read_findings, value_text
from edgeqc.phantoms import Recipe, draw_phantom
from edgeqc.specimen import LeftOut, examine_specimen

RECIPE = Path(__file__).parents[1] / "demo_images" / "sm-014b.recipe.json"


def _phantom():
    """The bench series' plainest picture, drawn afresh: another seed, a smaller frame."""
    recipe = Recipe.from_json(RECIPE.read_text(encoding="utf-8"))
    return draw_phantom(replace(recipe, seed=101, rows=800, cols=640))


@pytest.fixture(scope="module")
def phantom():
    return _phantom()


@pytest.fixture(scope="module")
def place(phantom, tmp_path_factory):
    """A folder with the picture once, twice in a two-page file, and their sheet."""
    folder = tmp_path_factory.mktemp("pictures")
    tifffile.imwrite(folder / "one.tif", phantom.image)
    with tifffile.TiffWriter(folder / "two.tif") as file:
        file.write(phantom.image)
        file.write(phantom.image[::-1])
    truth = phantom.truth.faces[0]
    opposite = {"top": "bottom", "bottom": "top"}
    rows = ["image,specimen,lens,pixel_size_um,tilt_deg,anterior,faces,pulse_energy_uj,"
            "spot_separation_um,line_separation_um"]
    for name, side in (("one.tif", truth.anterior), ("two.tif#1", truth.anterior),
                       ("two.tif#2", opposite[truth.anterior])):
        rows.append(f"{name},SM-031/a,007,0.6,0,{side},1,8,3,6")
    (folder / "specimens.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def result(place, tmp_path_factory):
    return examine_specimen(
        [place / "one.tif"], tmp_path_factory.mktemp("out") / "x", sheet=place / "specimens.csv")


def test_the_answer_holds_the_truth(result, phantom):
    truth = phantom.truth.faces[0]
    face = result.findings.faces[0]
    depth, thickness = face.values["cut_depth_fraction"], face.values["thickness_um"]
    assert len(result.findings.faces) == 1
    assert depth.low <= truth.cut_depth_fraction <= depth.high
    assert depth.value == pytest.approx(truth.cut_depth_fraction, abs=0.03)
    middle = float(np.mean(truth.thickness_um[truth.complete]))
    assert thickness.value == pytest.approx(middle, rel=0.01)
    assert value_text(depth) in face.answer
    assert face.anterior == truth.anterior


def test_the_label_raster_agrees_with_the_truth(result, phantom):
    raster = cv2.imread(str(result.folder / "one.zones.png"), cv2.IMREAD_UNCHANGED)
    truth = phantom.truth.labels
    assert raster.shape == truth.shape
    for code in (1, 3):
        both = np.sum((raster == code) & (truth == code))
        assert 2 * both / (np.sum(raster == code) + np.sum(truth == code)) > 0.85


def test_provenance(result, place):
    findings = read_findings(result.folder / "findings.json")
    assert findings == result.findings
    assert findings.images[0].sha256 == hashlib.sha256(
        (place / "one.tif").read_bytes()).hexdigest()
    assert findings.images[0].pixel_size_source == "sheet"
    assert findings.sheet["lens"] == "007"
    assert findings.areal_dose_j_cm2.value == pytest.approx(44.444, abs=0.001)
    assert str(place) not in (result.folder / "findings.json").read_text(encoding="utf-8")


def test_the_same_input_gives_the_same_findings(result, place, tmp_path):
    again = examine_specimen([place / "one.tif"], tmp_path, sheet=place / "specimens.csv")
    kept = result.findings.model_dump(exclude={"issued"})
    assert again.findings.model_dump(exclude={"issued"}) == kept
    for name in ("profiles.csv", "roughness.csv", "one.zones.png", "one.overlay.png"):
        assert (tmp_path / name).read_bytes() == (result.folder / name).read_bytes()


def test_every_page_is_a_picture_of_its_own(place, tmp_path, phantom):
    done = examine_specimen([place / "two.tif"], tmp_path, sheet=place / "specimens.csv")
    assert [item.image for item in done.findings.images] == ["two.tif", "two.tif#2"]
    assert {"two.zones.png", "two.p2.zones.png"} <= {path.name for path in tmp_path.iterdir()}
    first, second = (face.values["cut_depth_fraction"] for face in done.findings.faces)
    # the mirrored page holds the same face, its anterior edge on the other side
    assert first.value == pytest.approx(second.value, abs=0.02)


def test_without_a_scale_there_are_fractions_and_no_micrometres(phantom, tmp_path):
    tifffile.imwrite(tmp_path / "bare.tif", phantom.image)
    done = examine_specimen([tmp_path / "bare.tif"], tmp_path / "out")
    face = done.findings.faces[0]
    assert face.values["cut_depth_fraction"].value is not None
    for name, value in face.values.items():
        if name.endswith("_um"):
            assert value.value is None
            assert "pixel size" in value.reason
    assert not any("µm" in item.result.unit for item in face.roughness)
    assert "scale_unknown" in {flag.name for item in done.findings.images for flag in item.flags}


def test_a_picture_left_out_stands_as_failed(place, tmp_path):
    done = examine_specimen(
        [place / "one.tif", place / "two.tif"], tmp_path, sheet=place / "specimens.csv",
        left_out=LeftOut({"two.tif": "took too long"}))
    status = {item.image: (item.status, item.reason) for item in done.findings.images}
    assert status["two.tif"] == ("failed", "took too long")
    assert done.findings.verdict == "review"
    assert json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))


def test_an_unreadable_picture_is_an_error_that_names_it(tmp_path):
    (tmp_path / "text.tif").write_text("no picture")
    with pytest.raises(ImageError) as caught:
        examine_specimen([tmp_path / "text.tif"], tmp_path / "out")
    assert caught.value.file == "text.tif"
    assert not (tmp_path / "out").exists()


def test_pictures_of_two_specimens_are_not_mixed(place, tmp_path):
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("image,specimen\none.tif,A\ntwo.tif,B\n")
    with pytest.raises(UsageError, match="several specimens: A, B"):
        examine_specimen([place / "one.tif", place / "two.tif"], tmp_path / "out", sheet=sheet)
    with pytest.raises(UsageError, match="no picture"):
        examine_specimen([], tmp_path / "out")
