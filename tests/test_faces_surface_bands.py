"""A lens's own surface that an outline took in makes the outline doubtful; a cut zone does not."""

import cv2
import numpy as np
import pytest

from edgeqc.faces.face import CutFace
from edgeqc.faces.fragment import FaceSettings, find_face_regions
from edgeqc.faces.surface_bands import bands_within
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.image import CalibratedImage, ImageSource

ROWS, COLS = 480, 640
TOP, BOTTOM, LEFT, RIGHT = 100, 360, 60, 580


def picture(pixels):
    return CalibratedImage(
        np.asarray(pixels, np.float32), np.ones(pixels.shape, bool), (1.0, 1.0), 0.0, "sheet",
        0.0, 0.0, 0.0, ImageSource("drawn"),
    )  # fmt: skip


def drawn(band, *, at_top=True, lined=False, dusty=False, seed=3):
    """A cratered face with a band of so many rows along one edge, smooth or with drag lines.

    ``dusty``: dust lies on the band, and the noise goes together over some pixels.
    """
    rng = np.random.default_rng(seed)
    pixels = np.full((ROWS, COLS), 0.15)
    grain = cv2.GaussianBlur(rng.standard_normal((ROWS, COLS)), (0, 0), 2.5)
    face = np.s_[TOP:BOTTOM, LEFT:RIGHT]
    pixels[face] = (0.55 + 0.09 * grain / grain.std())[face]
    if band:
        part = np.s_[TOP : TOP + band, LEFT:RIGHT] if at_top else np.s_[
            BOTTOM - band : BOTTOM, LEFT:RIGHT]
        cloud = cv2.GaussianBlur(rng.standard_normal((ROWS, COLS)), (0, 0), 40.0)
        look = 0.005 * cloud / cloud.std()
        if lined:
            line = cv2.GaussianBlur(rng.standard_normal((ROWS, 1)), (1, 0), sigmaX=0.1, sigmaY=1.3)
            look = 0.06 * line / line.std() * np.ones((1, COLS))
        pixels[part] = (0.4 + look)[part]
    noise = rng.normal(0, 0.012, pixels.shape)
    if dusty:
        noise = 3 * cv2.GaussianBlur(noise, (0, 0), 1.5)
        for row, col in zip(rng.integers(TOP, TOP + max(band, 1), band // 2),
                            rng.integers(LEFT, RIGHT, band // 2), strict=True):
            cv2.circle(pixels, (int(col), int(row)), int(rng.integers(1, 4)), 0.9, -1)
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.7) + noise
    return picture(np.clip(pixels, 0, 1))


def whole_face():
    """The outline from the band's outer border to the face's other edge."""
    across = np.arange(LEFT, RIGHT, dtype=float)
    first, second = (
        np.stack([np.full_like(across, row), across], axis=1) for row in (TOP, BOTTOM - 1)
    )
    return CutFace(
        number=1, outline_px=np.concatenate([first, second[::-1]]), anterior_px=first,
        posterior_px=second, s_px=across - LEFT, complete=np.ones(across.size, bool),
        anterior="top", anterior_source="sheet", u_edge_px=0.5,
    )  # fmt: skip


@pytest.mark.parametrize("at_top", [True, False])
@pytest.mark.parametrize("band", [30, 60, 100])
def test_a_smooth_band_along_an_edge_is_seen(band, at_top):
    assert bands_within(whole_face(), drawn(band, at_top=at_top)).doubtful


@pytest.mark.parametrize("band", [30, 100])
def test_a_dusty_band_is_seen_through_noise_that_goes_together(band):
    assert bands_within(whole_face(), drawn(band, dusty=True)).doubtful
    assert not bands_within(whole_face(), drawn(0, dusty=True)).doubtful


def test_a_face_of_one_texture_and_a_band_of_drag_lines_are_no_lens_surface():
    assert not bands_within(whole_face(), drawn(0)).doubtful
    assert not bands_within(whole_face(), drawn(60, lined=True)).doubtful


@pytest.mark.parametrize("change", ["mirrored", "turned", "darker"])
def test_mirror_turn_gain_and_offset_change_nothing(change):
    face = whole_face()
    for band in (0, 60):
        image = drawn(band)
        plain = bands_within(face, image).doubtful
        pixels = image.pixels
        if change == "darker":
            other, moved = picture(0.6 * pixels + 0.1), face
        elif change == "mirrored":
            other, moved = picture(pixels[:, ::-1].copy()), moved_face(
                face, lambda at: np.stack([at[:, 0], COLS - 1 - at[:, 1]], axis=1))
        else:
            other, moved = picture(np.rot90(pixels).copy()), moved_face(
                face, lambda at: np.stack([COLS - 1 - at[:, 1], at[:, 0]], axis=1))
        assert bands_within(moved, other).doubtful == plain


def moved_face(face, move):
    return CutFace(
        number=1, outline_px=move(face.outline_px), anterior_px=move(face.anterior_px),
        posterior_px=move(face.posterior_px), s_px=face.s_px, complete=face.complete,
        anterior="unknown", anterior_source="none", u_edge_px=0.5,
    )  # fmt: skip


def test_a_face_of_few_pixels_is_not_asked():
    face = whole_face()
    small = moved_face(face, lambda at: at / 10)
    assert not bands_within(small, drawn(60)).doubtful


def test_the_outline_says_what_is_doubted():
    plane = np.zeros((ROWS // 4, COLS // 4), np.float32)
    plane[TOP // 4 : BOTTOM // 4, LEFT // 4 : RIGHT // 4] = 1.0
    faces, _ = trace_cut_faces(drawn(60), FaceSettings(), anterior="top", probability=plane)
    details = [flag.detail for flag in faces[0].flags if flag.name == "outline_doubtful"]
    assert any("lens's own surface" in detail for detail in details)
    faces, _ = trace_cut_faces(drawn(0), FaceSettings(), anterior="top", probability=plane)
    assert "outline_doubtful" not in [flag.name for flag in faces[0].flags]


@pytest.mark.parametrize(("length", "doubted"), [(24, True), (3, False)])
def test_a_part_that_hung_on_the_face_by_a_thread_is_asked_about(length, doubted):
    plane = np.zeros((ROWS // 4, COLS // 4), np.float32)
    plane[30:90, 20:100] = 1.0
    plane[58:60, 100:106] = 1.0  # the thread
    plane[40:80, 106 : 106 + length] = 1.0
    region = find_face_regions(drawn(0), FaceSettings(), probability=plane)[0]
    assert region.mask[:, :100].sum() > 0.9 * region.mask.sum()
    assert region.perhaps_more is doubted


def learned(band, lens):
    """A learned map of all classes that gives a band along the upper edge so much lens."""
    plane = np.zeros((3, ROWS // 4, COLS // 4), np.float32)
    face = np.s_[TOP // 4 : BOTTOM // 4, LEFT // 4 : RIGHT // 4]
    plane[2][face] = 1.0
    part = np.s_[TOP // 4 : (TOP + band) // 4, LEFT // 4 : RIGHT // 4]
    plane[2][part], plane[1][part] = 1 - lens, lens
    plane[0] = 1 - plane[1] - plane[2]
    return plane


@pytest.mark.parametrize("band", [20, 32])
@pytest.mark.parametrize("lens", [0.0, 0.3])
def test_a_narrow_band_is_left_out_where_the_learned_map_sees_lens_in_it_too(band, lens):
    faces, _ = trace_cut_faces(
        drawn(band), FaceSettings(), anterior="top", probability=learned(band, lens))
    face = faces[0]
    rows = face.anterior_px[20:-20, 0]
    details = ";".join(flag.detail for flag in face.flags if flag.name == "outline_doubtful")
    assert "lens's own surface" in details
    assert ("left out" in details) == (lens > 0)
    assert np.median(rows) == pytest.approx(TOP + band if lens else TOP, abs=1.5)
    assert np.median(face.posterior_px[20:-20, 0]) == pytest.approx(BOTTOM, abs=1.5)


def test_a_lined_zone_stays_even_where_the_learned_map_sees_lens():
    faces, _ = trace_cut_faces(
        drawn(32, lined=True), FaceSettings(), anterior="top", probability=learned(32, 0.3))
    assert np.median(faces[0].anterior_px[20:-20, 0]) == pytest.approx(TOP, abs=1.5)


def test_a_face_on_which_no_map_is_known_keeps_every_band():
    assert bands_within(whole_face(), drawn(32)).sure == ()
