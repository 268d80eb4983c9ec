"""Pixel size from every source, with the traps that instrument files set."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from edgeqc.errors import ScaleError
from edgeqc.imaging.calibration import read_images
from edgeqc.imaging.image import CalibratedImage
from edgeqc.imaging.instrument_tags import ACQUISITION_KEYS

ROWS, COLS = 192, 256


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    rng = np.random.default_rng(5)
    scene = np.full((ROWS, COLS), 80.0)
    scene[60:130, 20:230] = 150
    scene += cv2.GaussianBlur(rng.normal(0, 50, scene.shape), (0, 0), 1.2)
    return np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)


def _paired(**values: str) -> str:
    """Text as private tag 34118 holds it: numbers, then pairs of lines."""
    head = values.pop("head", "0")
    lines = ["0", "0", "0", head, "1.5e+003", "6"]
    for key, value in values.items():
        lines += [key, value]
    return "\r\n".join(lines) + "\r\n"


PAIRED = _paired(
    head="7.443333e-008",
    DP_DETECTOR_TYPE="Detector = SE2",
    DP_DWELL_TIME="Dwell Time = 100 ns",
    DP_TILT_CORRECTION="Tilt Corrn. = Off",
    AP_WIDTH=f"Width = {COLS * 0.07443333:.2f} µm",
    AP_IMAGE_PIXEL_SIZE="Image Pixel Size = 74.43 nm",
    AP_FIB_PIXEL_SIZE="FIB Pixel Size = 979.8 nm",
    AP_WD="WD =  5.1 mm",
    AP_MAG="Mag =    1.50 K X",
    AP_ACTUALKV="EHT =  5.00 kV",
    AP_STAGE_AT_T="Stage at T =  54.0 °",
    AP_DATE="Date :13 Jul 2021",
    SV_USER_NAME="User Name = A. Nonymous",
    SV_FILE_NAME=r"File Name = D:\users\nonymous\secret-17.tif",
)

SECTIONED = f"""[User]
Date=08/18/2020
User=nonymous
UserText=secret-17

[Beam]
HV=15000
Beam=EBeam
Scan=EScan

[EBeam]
HFW={COLS * 3.85417e-7:.6g}
WD=0.00402349
TiltCorrectionIsOn=no

[IBeam]
HFW=0.0001

[EScan]
Dwell=3e-007
PixelWidth=3.85417e-007
PixelHeight=3.85417e-007

[Stage]
StageT=0.336851

[Image]
ResolutionX={COLS}
ResolutionY={ROWS}

[Detectors]
Name=ETD
"""


def _write(path: Path, picture: np.ndarray, code: int = 0, text: str = "",
           **options: object) -> CalibratedImage:
    tags = [] if not code else [(code, "s", 0, text.encode("latin-1"), True)]
    sheet = options.pop("sheet", None)
    tifffile.imwrite(path, picture, extratags=tags, metadata=None, **options)
    return read_images(path, sheet)[0]


def _names(image: CalibratedImage) -> list[str]:
    return [flag.name for flag in image.flags]


def test_paired_lines_of_tag_34118(tmp_path: Path, picture: np.ndarray) -> None:
    image = _write(tmp_path / "a.tif", picture, 34118, PAIRED)
    assert image.pixel_size_um == pytest.approx((0.07443333, 0.07443333), rel=1e-4)
    assert image.pixel_size_source == "instrument tag"
    # 5 % expanded (k = 2) for a scale that was not calibrated the same day: scope of ASTM E766
    assert image.u_rel_pixel_size == pytest.approx(0.025)


def test_other_beams_keys_are_not_read(tmp_path: Path, picture: np.ndarray) -> None:
    text = _paired(AP_FIB_PIXEL_SIZE="FIB Pixel Size = 979.8 nm")
    image = _write(tmp_path / "a.tif", picture, 34118, text)
    assert image.pixel_size_um is None
    assert "scale_unknown" in _names(image)


def test_field_width_goes_before_a_pixel_size_of_another_screen(
    tmp_path: Path, picture: np.ndarray
) -> None:
    text = _paired(head="2.5e-007", AP_WIDTH=f"Width = {COLS * 0.125:.2f} µm",
                   AP_IMAGE_PIXEL_SIZE="Image Pixel Size = 250.0 nm")
    image = _write(tmp_path / "a.tif", picture, 34118, text)
    assert image.pixel_size_um == pytest.approx((0.125, 0.125), rel=1e-3)


def test_a_cropped_picture_keeps_the_stored_pixel_size(
    tmp_path: Path, picture: np.ndarray
) -> None:
    text = _paired(DP_IMAGE_STORE="Store resolution = 1024 * 768",
                   AP_WIDTH=f"Width = {1024 * 0.125:.2f} µm")
    image = _write(tmp_path / "a.tif", picture[:100], 34118, text)
    assert image.pixel_size_um == pytest.approx((0.125, 0.125), rel=1e-3)
    resampled = _write(tmp_path / "b.tif", picture, 34118, text)  # a quarter of 1024 x 768
    assert resampled.pixel_size_um == pytest.approx((0.5, 0.5), rel=1e-3)


@pytest.mark.parametrize("code", [34680, 34682])
def test_sectioned_text_in_metres_and_radians(
    tmp_path: Path, picture: np.ndarray, code: int
) -> None:
    image = _write(tmp_path / "a.tif", picture, code, SECTIONED)
    assert image.pixel_size_um == pytest.approx((0.385417, 0.385417), rel=1e-5)
    assert image.source.acquisition["stage_tilt_deg"] == pytest.approx(19.3001, abs=1e-3)
    assert image.source.acquisition["accelerating_voltage_kv"] == 15
    assert image.source.acquisition["working_distance_mm"] == pytest.approx(4.02349)
    assert math.isnan(image.tilt_deg), "a stage's tilt is not the face's"


def test_the_beam_that_took_the_picture_gives_the_field(
    tmp_path: Path, picture: np.ndarray
) -> None:
    text = SECTIONED.replace("Beam=EBeam", "Beam=IBeam").replace("Scan=EScan", "Scan=IScan")
    image = _write(tmp_path / "a.tif", picture, 34682, text)
    assert image.pixel_size_um == pytest.approx((100 / COLS, 100 / COLS), rel=1e-6)


def test_only_the_fixed_list_of_settings_passes(tmp_path: Path, picture: np.ndarray) -> None:
    for code, text in ((34118, PAIRED), (34682, SECTIONED)):
        image = _write(tmp_path / "a.tif", picture, code, text,
                       description="taken by A. Nonymous in D:\\users\\nonymous",
                       software="nonymous' own", resolution=(72, 72), resolutionunit=2)
        assert set(image.source.acquisition) <= set(ACQUISITION_KEYS)
        assert "nonymous" not in repr(image.source).lower()
        assert "nonymous" not in repr(image.flags).lower()
        assert image.source.acquisition["detector"] in ("SE2", "ETD")


def test_private_tag_33560(tmp_path: Path, picture: np.ndarray) -> None:
    import struct

    # written by hand: 60-byte head, one tag of kind 1 whose body gives exponent and calibration
    tifffile.imwrite(tmp_path / "a.tif", picture, metadata=None,
                     extratags=[(33560, "I", 1, 60, True)])
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        at = tiff.pages[0].tags[33560].offset + 8
    data[at : at + 4] = struct.pack("<I", len(data))
    body = len(data) + 68
    data += struct.pack("<4s6xhhhhh6x32sh", b"SIS0", 30, 12, 1, 2, 3, b"picture", 1)
    data += struct.pack("<hhI", 1, 1, body)
    data += struct.pack("<10xhdd8xd2x34s32s", -9, 250.0, 251.0, 5e4, b"camera", b"kind")
    (tmp_path / "a.tif").write_bytes(bytes(data))
    (image,) = read_images(tmp_path / "a.tif")
    assert image.pixel_size_um == pytest.approx((0.251, 0.250), rel=1e-9)
    assert image.pixel_size_source == "instrument tag"


@pytest.mark.parametrize(("text", "expected"), [
    ("[SemImageFile]\nImageName=x\nPixelSize=250.5\nDataSize=256x192\n", 0.2505),  # bare: nm
    ("PixelSizeX=2.5e-007\nPixelSizeY=2.5e-007\n", 0.25),  # bare and tiny: m
    ("Pixel Size = 0.25 µm\n", 0.25),
    ("pixel_size: 250 nm\n", 0.25),
    ("$CM_MAG 1000\n$$SM_MICRON_BAR 80\n$$SM_MICRON_MARKER 20um\n", 0.25),
    ("[SemImageFile]\nPixelSize=125\nDataSize=512x384\n", 0.25),  # the copy is half as wide
    ("Magnification=1000\n", None),  # a magnification alone gives no scale
    ("PixelSize=5\n", None),  # µm or nm: both possible, so neither
    ("PixelSize=0\n", None),
    ("PixelSize=1 px\n", None),
])
def test_side_files(
    tmp_path: Path, picture: np.ndarray, text: str, expected: float | None
) -> None:
    (tmp_path / "a.txt").write_text(text, encoding="utf-8")
    cv2.imwrite(str(tmp_path / "a.png"), picture)
    (image,) = read_images(tmp_path / "a.png")
    if expected is None:
        assert image.pixel_size_um is None
        assert image.pixel_size_source == "none"
    else:
        assert image.pixel_size_um == pytest.approx((expected, expected))
        assert image.pixel_size_source == "side file"


def test_text_at_the_end_of_the_file(tmp_path: Path, picture: np.ndarray) -> None:
    cv2.imwrite(str(tmp_path / "a.jpg"), picture)
    with (tmp_path / "a.jpg").open("ab") as stream:
        stream.write(b"\0\0[SEM]\r\nPixelSizeX=2.5e-007\r\nPixelSizeY=2.5e-007\r\nUser=nonymous\r\n")
    (image,) = read_images(tmp_path / "a.jpg")
    assert image.pixel_size_um == pytest.approx((0.25, 0.25))


@pytest.mark.parametrize(("size", "unit", "expected"), [
    (0.25, "µm", 0.25), (250, "nm", 0.25), (0.00025, "mm", 0.25), (0.25, None, 0.25),
])
def test_ome_xml(
    tmp_path: Path, picture: np.ndarray, size: float, unit: str | None, expected: float
) -> None:
    named = "" if unit is None else f' PhysicalSizeXUnit="{unit}" PhysicalSizeYUnit="{unit}"'
    xml = ('<?xml version="1.0" encoding="UTF-8"?><OME xmlns='
           '"http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0"><Pixels '
           f'ID="Pixels:0" PhysicalSizeX="{size}" PhysicalSizeY="{size}"{named}/></Image></OME>')
    tifffile.imwrite(tmp_path / "a.ome.tif", picture, metadata=None,
                     description=xml.encode("utf-8"))
    (image,) = read_images(tmp_path / "a.ome.tif")
    assert image.pixel_size_um == pytest.approx((expected, expected))
    assert image.pixel_size_source == "OME-XML"


@pytest.mark.parametrize(("resolution", "unit", "expected"), [
    ((72, 72), 2, None), ((96, 96), 2, None), ((300, 300), 2, None), ((384, 384), 2, None),
    ((67, 67), 3, None), ((1, 1), 1, None), ((2400, 2400), 2, None), ((100000, 100000), 1, None),
    ((40000, 40000), 3, 0.25), ((101600, 101600), 2, 0.25),
])
def test_resolution_tags_only_where_they_can_be_an_objects(
    tmp_path: Path, picture: np.ndarray, resolution: tuple[int, int], unit: int,
    expected: float | None,
) -> None:
    image = _write(tmp_path / "a.tif", picture, resolution=resolution, resolutionunit=unit)
    if expected is None:
        assert image.pixel_size_um is None
    else:
        assert image.pixel_size_um == pytest.approx((expected, expected))
        assert image.pixel_size_source == "resolution tag"


def test_the_sheet_goes_first_and_a_contradiction_stops_lengths(
    tmp_path: Path, picture: np.ndarray
) -> None:
    agreeing = _write(tmp_path / "a.tif", picture, 34118, PAIRED,
                      sheet={"pixel_size_um": "0.0750", "tilt_deg": 4})
    assert agreeing.pixel_size_um == (0.075, 0.075)
    assert agreeing.pixel_size_source == "sheet"
    assert agreeing.tilt_deg == 4
    assert agreeing.u_tilt_deg == 1
    differing = _write(tmp_path / "a.tif", picture, 34118, PAIRED,
                       sheet={"pixel_size_um": 0.0765})
    assert differing.pixel_size_um is None
    assert differing.pixel_size_source == "none"
    assert "scale_conflict" in _names(differing)


def test_two_instrument_texts_that_differ_stop_lengths(
    tmp_path: Path, picture: np.ndarray
) -> None:
    (tmp_path / "a.txt").write_text("PixelSizeX=1.5e-007\n")
    image = _write(tmp_path / "a.tif", picture, 34118, PAIRED)
    assert image.pixel_size_um is None
    assert "scale_conflict" in _names(image)


@pytest.mark.parametrize("row", [
    {"pixel_size_um": 0}, {"pixel_size_um": -0.25}, {"pixel_size_um": 250},
    {"pixel_size_um": "a quarter"}, {"scale_bar_um": 0}, {"tilt_deg": 95},
])
def test_impossible_sheet_values_are_errors(
    tmp_path: Path, picture: np.ndarray, row: dict[str, object]
) -> None:
    with pytest.raises(ScaleError) as caught:
        _write(tmp_path / "a.tif", picture, sheet=row)
    assert caught.value.rule
    assert caught.value.remedy
    assert caught.value.file == "a.tif"


def test_an_implausible_tag_is_ignored_with_a_flag(tmp_path: Path, picture: np.ndarray) -> None:
    text = _paired(AP_IMAGE_PIXEL_SIZE="Image Pixel Size = 1.0 m")
    image = _write(tmp_path / "a.tif", picture, 34118, text)
    assert image.pixel_size_um is None
    assert "scale_implausible" in _names(image)


def test_tilt_on_top_of_the_instruments_tilt_correction(
    tmp_path: Path, picture: np.ndarray
) -> None:
    text = PAIRED.replace("Tilt Corrn. = Off", "Tilt Corrn. = On")
    image = _write(tmp_path / "a.tif", picture, 34118, text, sheet={"tilt_deg": 20})
    assert "tilt_corrected_twice" in _names(image)


def _with_bar(picture: np.ndarray, length: int, *, dark: bool, ticks: bool, thick: int,
              top: bool = False) -> np.ndarray:
    ground, ink = (0, 255) if dark else (255, 0)
    bar = np.full((36, picture.shape[1]), ground, np.uint8)
    cv2.putText(bar, "8.00 kV WD 9.8 mm SE", (6, 14), cv2.FONT_HERSHEY_PLAIN, 0.8, ink, 1)
    cv2.putText(bar, "20 um", (10, 26), cv2.FONT_HERSHEY_PLAIN, 0.7, ink, 1)
    bar[29 : 29 + thick, 12 : 12 + length] = ink
    if ticks:
        for col in (12, 12 + length - 1):
            bar[26:35, col] = ink
    return np.concatenate([bar, picture] if top else [picture, bar])


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize(("ticks", "thick"), [(True, 1), (True, 2), (False, 2), (False, 4)])
@pytest.mark.parametrize("top", [False, True])
def test_scale_bar_in_a_data_bar(
    tmp_path: Path, picture: np.ndarray, dark: bool, ticks: bool, thick: int, top: bool
) -> None:
    wide = np.tile(picture, (2, 2))
    stored = _with_bar(wide, 80, dark=dark, ticks=ticks, thick=thick, top=top)
    cv2.imwrite(str(tmp_path / "a.png"), stored)
    (image,) = read_images(tmp_path / "a.png", {"scale_bar_um": 20})
    valid = np.ones(stored.shape, bool)
    valid[slice(0, 36) if top else slice(-36, None)] = False
    np.testing.assert_array_equal(image.valid, valid)
    # between ticks the length counts from the middle of one to the middle of the other
    expected = 20 / (79 if ticks else 80)
    assert image.pixel_size_source == "scale bar"
    assert image.pixel_size_um == pytest.approx((expected, expected), rel=1e-3)
    assert image.u_rel_pixel_size > 0.025


def test_scale_bar_with_ends_between_pixels(tmp_path: Path, picture: np.ndarray) -> None:
    wide = np.tile(picture, (2, 2))
    stored = _with_bar(wide, 80, dark=True, ticks=False, thick=3)
    # 0.4 of the next pixel is covered at either end: 80.8 px
    stored[-7:-4, [11, 92]] = round(0.4 * 255)
    cv2.imwrite(str(tmp_path / "a.png"), stored)
    (image,) = read_images(tmp_path / "a.png", {"scale_bar_um": 20.2})
    assert image.pixel_size_um == pytest.approx((0.25, 0.25), rel=2e-4)


def test_scale_bar_drawn_into_the_picture(tmp_path: Path, picture: np.ndarray) -> None:
    wide = np.tile(picture, (2, 2))
    wide[360:364, 400:480] = 255
    cv2.imwrite(str(tmp_path / "a.png"), wide)
    (image,) = read_images(tmp_path / "a.png", {"scale_bar_um": 20})
    assert image.pixel_size_um == pytest.approx((0.25, 0.25), rel=1e-3)
    assert image.valid.all()


def test_two_lines_that_could_be_the_bar_give_no_scale(
    tmp_path: Path, picture: np.ndarray
) -> None:
    wide = np.tile(picture, (2, 2))
    wide[360:364, 400:480] = 255
    wide[320:324, 20:160] = 255
    cv2.imwrite(str(tmp_path / "a.png"), wide)
    (image,) = read_images(tmp_path / "a.png", {"scale_bar_um": 20})
    assert image.pixel_size_um is None


def test_scale_bar_checks_the_sheets_pixel_size(tmp_path: Path, picture: np.ndarray) -> None:
    stored = _with_bar(np.tile(picture, (2, 2)), 80, dark=True, ticks=False, thick=3)
    cv2.imwrite(str(tmp_path / "a.png"), stored)
    good, bad = (read_images(tmp_path / "a.png", {"scale_bar_um": 20, "pixel_size_um": size})[0]
                 for size in (0.25, 0.5))
    assert good.pixel_size_source == "sheet"
    assert bad.pixel_size_um is None
    assert "scale_conflict" in _names(bad)


@pytest.mark.parametrize("quality", [95, 80, 65])
def test_scale_bar_in_a_lossy_picture(
    tmp_path: Path, picture: np.ndarray, quality: int
) -> None:
    """Lossy compression blurs the bar's ends; a wrong length would be worse than none."""
    stored = _with_bar(np.tile(picture, (2, 2)), 120, dark=False, ticks=True, thick=3)
    cv2.imwrite(str(tmp_path / "a.jpg"), stored, [cv2.IMWRITE_JPEG_QUALITY, quality])
    (image,) = read_images(tmp_path / "a.jpg", {"scale_bar_um": 30})
    assert not image.valid[-30:].any()
    assert image.pixel_size_um == pytest.approx((30 / 119, 30 / 119), rel=0.015)


def test_ome_xml_on_the_first_page_holds_for_all(tmp_path: Path, picture: np.ndarray) -> None:
    xml = ('<OME><Image ID="Image:0"><Pixels PhysicalSizeX="0.25" PhysicalSizeY="0.25"/>'
           "</Image></OME>")
    with tifffile.TiffWriter(tmp_path / "a.ome.tif") as writer:
        writer.write(picture, description=xml.encode(), metadata=None)
        writer.write(picture[::-1], metadata=None)
    first, second = read_images(tmp_path / "a.ome.tif")
    assert first.pixel_size_um == second.pixel_size_um == (0.25, 0.25)
