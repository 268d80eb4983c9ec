"""Height maps as files: round trips, handedness, and files that are of no use."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
import sdfio
import tifffile
import x3pio

from edgeqc.errors import HeightMapError, OutputError
from edgeqc.flags import FLAGS
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.height_map_files import read_height_map, write_height_map

SPACING = (0.25, 0.31)


@pytest.fixture
def height_map():
    height = np.random.default_rng(2).normal(0, 1.5, (24, 31)).astype(np.float32).astype(float)
    height[3:6, 10:12] = np.nan
    sigma = np.where(np.isfinite(height), 0.05, np.nan)
    return HeightMap(height, SPACING, sigma, 0.012, "stereo pair", u_spacing_rel=0.01)


@pytest.mark.parametrize(("name", "exact"), [("a.tif", True), ("a.x3p", False), ("a.sdf", False)])
def test_round_trip(tmp_path, height_map, name, exact):
    written = write_height_map(height_map, tmp_path / name)
    assert all(file.is_file() for file in written)
    back = read_height_map(tmp_path / name)
    if exact:
        np.testing.assert_array_equal(back.height_um, height_map.height_um)
    else:  # metres and back
        np.testing.assert_allclose(back.height_um, height_map.height_um, rtol=1e-12)
    assert back.spacing_um == pytest.approx(SPACING, rel=1e-12)
    assert back.source == name
    names = [flag.name for flag in back.flags]
    assert names == ([] if exact else ["height_noise_unknown"])
    assert set(names) <= set(FLAGS)
    if exact:
        assert back.sigma_z_rms_um == pytest.approx(0.05)
        assert (back.u_scale_rel, back.u_spacing_rel) == (0.012, 0.01)


@pytest.mark.parametrize("name", ["a.x3p", "a.sdf"])
def test_y_grows_upwards_in_the_standard_formats(tmp_path, height_map, name):
    write_height_map(height_map, tmp_path / name)
    # read with the format's own library: row 0 is the least y, the picture's lowest row
    raw = (x3pio.read(tmp_path / name).layers[0].z if name.endswith("x3p")
           else sdfio.read(tmp_path / name).data)
    np.testing.assert_allclose(1e6 * raw[0], height_map.height_um[-1], rtol=1e-12)


def test_a_given_date_gives_the_same_bytes(tmp_path, height_map):
    when = datetime(2026, 3, 1, tzinfo=UTC)
    for k in "ab":
        write_height_map(height_map, tmp_path / f"{k}.sdf", when=when)
    assert (tmp_path / "a.sdf").read_bytes() == (tmp_path / "b.sdf").read_bytes()


def test_tiff_without_a_side_file_needs_a_spacing(tmp_path, height_map):
    write_height_map(height_map, tmp_path / "a.tif")
    (tmp_path / "a.json").unlink()
    with pytest.raises(HeightMapError, match="spacing"):
        read_height_map(tmp_path / "a.tif")
    assert read_height_map(tmp_path / "a.tif", spacing_um=(1.0, 2.0)).spacing_um == (1.0, 2.0)


@pytest.mark.parametrize("side", ["{", "[]", '{"spacing_row_um": "0.2", "spacing_col_um": 0.2}',
                                  '{"spacing_row_um": true, "spacing_col_um": 0.2}',
                                  '{"spacing_row_um": 0, "spacing_col_um": 0.2}',
                                  '{"spacing_row_um": NaN, "spacing_col_um": 0.2}',
                                  '{"spacing_row_um": 2e5, "spacing_col_um": 0.2}'])
def test_bad_side_files_are_named(tmp_path, height_map, side):
    write_height_map(height_map, tmp_path / "a.tif")
    (tmp_path / "a.json").write_text(side)
    with pytest.raises(HeightMapError, match=r"a\.(json|tif)"):
        read_height_map(tmp_path / "a.tif")


@pytest.mark.parametrize(("pixels", "what"), [
    (np.zeros((20, 20), np.uint16), "type uint16"),
    (np.zeros((20, 20), np.float32), "constant"),
    (np.full((20, 20), np.nan, np.float32), "all gap"),
    (np.full((20, 20), np.inf, np.float32), "all gap"),
    (np.arange(40, dtype=np.float32)[None], "shape"),
    (np.zeros((3, 20, 20), np.float32), "shape"),
])
def test_useless_maps_are_named(tmp_path, pixels, what):
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="minisblack")
    with pytest.raises(HeightMapError, match=what):
        read_height_map(tmp_path / "a.tif", spacing_um=(0.2, 0.2))


@pytest.mark.parametrize("suffix", [".tif", ".x3p", ".sdf"])
@pytest.mark.parametrize("cut", [0, 7, 200])
def test_damaged_files_are_named(tmp_path, height_map, suffix, cut):
    whole = tmp_path / f"whole{suffix}"
    write_height_map(height_map, whole)
    broken = tmp_path / f"broken{suffix}"
    broken.write_bytes(whole.read_bytes()[:cut])
    with pytest.raises(HeightMapError, match="broken"):
        read_height_map(broken, spacing_um=(0.2, 0.2))


def test_profiles_and_unknown_endings_are_named(tmp_path, height_map):
    x3pio.write(tmp_path / "p.x3p", np.arange(40.0), x_scale=1e-6)
    with pytest.raises(HeightMapError, match="profile"):
        read_height_map(tmp_path / "p.x3p")
    with pytest.raises(HeightMapError, match="ending"):
        read_height_map(tmp_path / "p.txt")
    with pytest.raises(HeightMapError, match="not there"):
        read_height_map(tmp_path / "none.sdf")
    with pytest.raises(OutputError, match="ending"):
        write_height_map(height_map, tmp_path / "a.png")
    with pytest.raises(OutputError, match="cannot be written"):
        write_height_map(height_map, tmp_path / "no folder" / "a.tif")


def test_millimetres_given_as_metres_are_caught(tmp_path, height_map):
    sdfio.write(tmp_path / "a.sdf", height_map.height_um, x_scale=0.25e-2, y_scale=0.25e-2)
    with pytest.raises(HeightMapError, match="unit of length"):
        read_height_map(tmp_path / "a.sdf")


def test_side_file_says_where_the_map_came_from(tmp_path, height_map):
    write_height_map(height_map, tmp_path / "a.tif")
    side = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    assert side["source"] == "stereo pair"
    assert side["height_unit"] == "µm"
