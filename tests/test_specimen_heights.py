"""Pairs and height maps named on the sheet: which picture gets heights, and why not."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

import edgeqc.specimen_heights as subject
from edgeqc.errors import HeightMapError
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.specimen_heights import OpenPicture, flags_of, heights_of
from edgeqc.specimen_sheet import SheetRow


def _picture(name, tmp_path, scale=(0.5, 0.5), **row):
    image = CalibratedImage(
        pixels=np.zeros((40, 50), np.float32), valid=np.ones((40, 50), bool),
        pixel_size_um=scale, u_rel_pixel_size=0.01, pixel_size_source="sheet", tilt_deg=0.0,
        u_tilt_deg=1.0, noise_sd=0.0, source=ImageSource(name))
    return OpenPicture(image, SheetRow(name, "SM-014/c", **row), tmp_path / name)


@pytest.fixture
def no_matching(monkeypatch):
    """The pair as it is handed to the matcher, which has its own tests."""
    asked = []

    def taken(left, right, **options):
        asked.append((left, right, options))
        return subject.HeightMap(np.zeros(left.shape), (0.5, 0.5), np.zeros(left.shape), 0.0,
                                 "stereo pair")

    monkeypatch.setattr(subject, "height_from_stereo", taken)
    return asked


def test_the_first_picture_of_a_pair_gets_the_heights(tmp_path, no_matching):
    pair = [_picture(f"{side}.tif", tmp_path, pair="p", pair_tilt_deg=tilt, tilt_axis_deg=90.0)
            for side, tilt in (("a", -5.0), ("b", 5.0))]
    heights = heights_of([*pair, _picture("alone.tif", tmp_path)])
    assert list(heights) == ["a.tif"]
    assert heights["a.tif"].height_map is not None
    _, _, options = no_matching[0]
    assert options["tilt_deg"] == (-5.0, 5.0)
    assert options["tilt_axis"] == 90.0


def test_a_data_bar_is_a_gap_for_the_matcher(tmp_path, no_matching):
    first = _picture("a.tif", tmp_path, pair="p", pair_tilt_deg=0.0)
    valid = np.ones((40, 50), bool)
    valid[35:] = False
    first = replace(first, image=replace(first.image, valid=valid))
    heights_of([first, _picture("b.tif", tmp_path, pair="p", pair_tilt_deg=8.0)])
    assert np.isnan(no_matching[0][0][35:]).all()
    assert np.isfinite(no_matching[0][0][:35]).all()


@pytest.mark.parametrize(("first", "second", "flag"), [
    ({"pair_tilt_deg": None}, {"pair_tilt_deg": 5.0}, "stereo_tilt_missing"),
    ({"pair_tilt_deg": -5.0, "scale": None}, {"pair_tilt_deg": 5.0}, "scale_unknown"),
    ({"pair_tilt_deg": -5.0, "scale": (0.5, 0.5)}, {"pair_tilt_deg": 5.0, "scale": (0.4, 0.4)},
     "scale_conflict"),
])
def test_what_a_pair_lacks_is_a_flag(tmp_path, no_matching, first, second, flag):
    pair = [_picture("a.tif", tmp_path, pair="p", **first),
            _picture("b.tif", tmp_path, pair="p", **second)]
    heights = heights_of(pair)
    assert heights["a.tif"].height_map is None
    assert [item.name for item in flags_of(heights, "a.tif")] == [flag]
    assert flags_of(heights, "b.tif") == ()
    assert no_matching == []


def test_a_pair_that_lost_a_picture_gives_no_heights(tmp_path, no_matching):
    assert heights_of([_picture("a.tif", tmp_path, pair="p", pair_tilt_deg=5.0)]) == {}


def test_a_height_map_is_found_beside_its_picture_and_from_the_sheets_place(tmp_path):
    (tmp_path / "day1").mkdir()
    heights = np.random.default_rng(0).standard_normal((40, 50)).astype(np.float32)
    tifffile.imwrite(tmp_path / "day1" / "map.tif", heights)
    Path(tmp_path / "day1" / "map.json").write_text(
        '{"spacing_row_um": 0.5, "spacing_col_um": 0.5}')
    for row_image, named in (("a.tif", "map.tif"), ("day1/a.tif", "day1/map.tif")):
        picture = _picture("a.tif", tmp_path / "day1", height_map=named)
        picture = replace(picture, row=replace(picture.row, image=row_image))
        made = heights_of([picture])["a.tif"].height_map
        assert np.allclose(made.height_um, heights, atol=1e-6)
    with pytest.raises(HeightMapError):
        heights_of([_picture("a.tif", tmp_path, height_map="none.tif")])
