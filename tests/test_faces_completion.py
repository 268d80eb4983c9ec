"""Parts of a face that the learned map left out are filled in between the face's own edges."""

from dataclasses import replace

import numpy as np
import pytest

from edgeqc.faces import completion
from edgeqc.faces.completion import lens_beyond_ends, notches_filled
from edgeqc.faces.face import CutFace
from edgeqc.faces.fragment import FaceRegion, FaceSettings
from edgeqc.faces.outline import polygon_mask
from edgeqc.faces.sides import Field
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.image import CalibratedImage, ImageSource

CELL = 4
ROWS, COLS = 480, 640
GRID = (ROWS // CELL, COLS // CELL)
FIELD = Field(0, 0, ROWS - 1, COLS - 1)
TOP, BOTTOM = 140, 340
BACKGROUND, BODY, FACE = 0, 1, 2


def on_grid(rows, cols):
    """A rectangle of cells, given in pixels."""
    mask = np.zeros(GRID, bool)
    mask[rows[0] // CELL : rows[1] // CELL, cols[0] // CELL : cols[1] // CELL] = True
    return mask


def pixels_of(*lens, ground=0.2, grey=0.6):
    """A picture of lens, given as rectangles (rows, cols) in pixels, on plain ground."""
    plane = np.full((ROWS, COLS), ground)
    for rows, cols in lens:
        plane[rows[0] : rows[1], cols[0] : cols[1]] = grey
    noise = np.random.default_rng(7).normal(0, 0.02, plane.shape)
    return np.asarray(np.clip(plane + noise, 0, 1), np.float32)


def region_of(mask, lens=None):
    return FaceRegion(
        mask, (CELL, CELL), 0.9, "learned", mask.astype(np.float32),
        lens=np.asarray(mask if lens is None else lens, np.float32),
    )  # fmt: skip


def filled_of(mask, lens, pixels, towards="top"):
    return notches_filled(region_of(mask, lens), pixels, FIELD, towards)


BAR = ((TOP, BOTTOM), (80, 560))
WHOLE = on_grid(*BAR)
BITE = on_grid((TOP, 230), (240, 400))


def test_a_notch_that_the_edge_closes_is_filled():
    filled = filled_of(WHOLE & ~BITE, WHOLE, pixels_of(BAR))
    assert (filled == WHOLE).mean() > 0.999


def test_a_true_notch_stays():
    pixels = pixels_of(BAR)
    bitten = np.repeat(np.repeat(BITE, CELL, 0), CELL, 1)
    pixels[bitten] = pixels_of()[bitten]
    # the map is right that ground lies there; were it not, the picture would still tell
    for lens in (WHOLE & ~BITE, WHOLE):
        assert (filled_of(WHOLE & ~BITE, lens, pixels) == (WHOLE & ~BITE)).all()


def test_ground_by_the_map_is_not_filled_whatever_the_picture_shows():
    assert (filled_of(WHOLE & ~BITE, WHOLE & ~BITE, pixels_of(BAR)) == (WHOLE & ~BITE)).all()


@pytest.mark.parametrize("grey", [0.21, 0.2])
def test_a_face_without_contrast_keeps_its_notch(grey):
    found = filled_of(WHOLE & ~BITE, WHOLE, pixels_of(BAR, grey=grey))
    assert (found == (WHOLE & ~BITE)).all()


def test_the_side_of_a_bow_is_no_notch():
    row, col = np.mgrid[:ROWS, :COLS]
    bow = 120 * ((col - 320) / 320) ** 2
    crescent = (row > 60 + bow) & (row < 240 + bow)
    pixels = np.where(crescent, 0.6, 0.2).astype(np.float32)
    mask = crescent[CELL // 2 :: CELL, CELL // 2 :: CELL]
    for lens in (mask, np.ones(GRID)):  # as well where the lens's surface fills the bow
        assert (filled_of(mask, lens, pixels) == mask).all()


FRAMED = ((TOP, BOTTOM), (80, COLS))
AT_FRAME = on_grid(FRAMED[0], FRAMED[1])
OPEN_TO_FRAME = on_grid((180, 300), (520, COLS))


@pytest.mark.parametrize(
    ("towards", "expected"), [("top", True), ("bottom", True), ("right", False), ("", False)]
)
def test_a_notch_that_the_frame_closes_is_filled_at_an_end_alone(towards, expected):
    # beside a long edge, towards which the lens's surface may lie, it says nothing
    found = filled_of(AT_FRAME & ~OPEN_TO_FRAME, AT_FRAME, pixels_of(FRAMED), towards)
    assert bool((found == AT_FRAME).all()) is expected
    assert bool((found == (AT_FRAME & ~OPEN_TO_FRAME)).all()) is not expected


def test_a_quarter_turn_changes_nothing():
    pixels = pixels_of(BAR)
    found = filled_of(WHOLE & ~BITE, WHOLE, pixels)
    turned = notches_filled(
        region_of(np.rot90(WHOLE & ~BITE), np.rot90(WHOLE)), np.rot90(pixels).copy(),
        Field(0, 0, COLS - 1, ROWS - 1), "left",
    )  # fmt: skip
    assert (np.rot90(found) == turned).mean() > 0.998


def face_to(last_col):
    cols = np.arange(80.0, last_col, 2.0)
    edges = [np.stack([np.full(cols.size, float(row)), cols], axis=1) for row in (TOP, BOTTOM)]
    return CutFace(
        number=1, outline_px=np.concatenate([edges[0], edges[1][::-1]]), anterior_px=edges[0],
        posterior_px=edges[1], s_px=cols - cols[0], complete=np.ones(cols.size, bool),
        anterior="top", anterior_source="sheet", u_edge_px=0.5,
    )  # fmt: skip


SHORT = on_grid((TOP, BOTTOM), (80, 440))


def test_what_lies_in_line_beyond_an_end_is_added():
    found = lens_beyond_ends(region_of(SHORT, WHOLE), face_to(440), (False, True))
    assert (found == WHOLE).mean() > 0.999


@pytest.mark.parametrize("goes_on", [(False, False), (True, False)])
def test_nothing_is_added_where_the_lens_does_not_go_on(goes_on):
    found = lens_beyond_ends(region_of(SHORT, WHOLE), face_to(440), goes_on)
    assert (found == SHORT).all()


def test_a_surface_that_reaches_past_the_edges_is_not_added():
    lens = SHORT | on_grid((60, 440), (440, 560))
    found = lens_beyond_ends(region_of(SHORT, lens), face_to(440), (False, True))
    assert (found == SHORT).all()


def test_without_a_map_of_lens_nothing_is_added():
    region = replace(region_of(SHORT), lens=None)
    assert lens_beyond_ends(region, face_to(440), (True, True)) is region.mask


STRIP = on_grid((280, BOTTOM), (80, 560))
UPPER = WHOLE & ~STRIP


def asked_about_strip(monkeypatch, answer, *, face_in_strip=0.05):
    """The region above a strip of lens, about which the look at full resolution gives an answer."""
    monkeypatch.setattr(completion, "belongs_to_cut", lambda features: answer)
    region = replace(
        region_of(UPPER, WHOLE),
        probability=np.where(UPPER, 0.99, np.where(STRIP, face_in_strip, 0.001)).astype(np.float32),
    )
    return completion.may_be_cut_beside(region, image_of(pixels_of(BAR)))


@pytest.mark.parametrize(("answer", "doubted"), [(0.6, True), (0.4, False)])
def test_a_part_beside_the_face_that_looks_cut_makes_the_outline_doubtful(
    monkeypatch, answer, doubted
):
    assert asked_about_strip(monkeypatch, answer) is doubted


def test_where_the_map_is_sure_of_a_surface_nothing_is_asked(monkeypatch):
    assert asked_about_strip(monkeypatch, 0.99, face_in_strip=0.001) is False


def test_the_doubt_is_said(monkeypatch):
    monkeypatch.setattr(completion, "belongs_to_cut", lambda features: 0.9)
    classes = classes_of(UPPER, WHOLE)
    classes[FACE][STRIP] = 0.05
    face = traced(classes, pixels_of(BAR))
    doubts = [flag.detail for flag in face.flags if flag.name == "outline_doubtful"]
    assert any("may be cut as well" in detail for detail in doubts)


def image_of(pixels):
    return CalibratedImage(
        pixels=pixels, valid=np.ones(pixels.shape, bool), pixel_size_um=(0.5, 0.5),
        u_rel_pixel_size=0.01, pixel_size_source="sheet", tilt_deg=0.0, u_tilt_deg=1.0,
        noise_sd=0.02, source=ImageSource("drawn.tif"),
    )  # fmt: skip


def classes_of(face, lens):
    """The learned map's probabilities (3, rows, cols) of background, lens body and face."""
    planes = np.zeros((3, *GRID), np.float32)
    planes[BACKGROUND], planes[FACE] = ~lens, face
    planes[BODY] = lens & ~face
    return np.clip(planes, 0.001, 0.998)


def traced(classes, pixels):
    faces, _ = trace_cut_faces(
        image_of(pixels), FaceSettings(), anterior="top", probability=classes
    )
    return faces[0]


def shared(face, rows, cols):
    found, true = polygon_mask(face.outline_px, (ROWS, COLS)), np.zeros((ROWS, COLS), bool)
    true[rows[0] : rows[1], cols[0] : cols[1]] = True
    return (found & true).sum() / (found | true).sum()


@pytest.mark.parametrize("left_out", [BITE, on_grid((TOP, BOTTOM), (440, 560))])
def test_a_part_that_the_map_takes_for_the_lens_body_is_filled_in_and_the_face_doubted(left_out):
    pixels, classes = pixels_of(BAR), classes_of(WHOLE & ~left_out, WHOLE)
    before, after = traced(classes[FACE], pixels), traced(classes, pixels)
    assert shared(before, *BAR) < 0.93
    assert shared(after, *BAR) > 0.985
    doubts = [flag.detail for flag in after.flags if flag.name == "outline_doubtful"]
    assert any("filled in" in detail for detail in doubts)


def test_a_face_that_the_map_shows_whole_is_neither_changed_nor_doubted():
    pixels = pixels_of(BAR)
    classes = classes_of(WHOLE, WHOLE)
    alone, among = traced(classes[FACE], pixels), traced(classes, pixels)
    assert np.array_equal(alone.outline_px, among.outline_px)
    assert among.flags == ()


def test_the_lens_body_above_a_face_stays_outside():
    body = on_grid((60, TOP), (80, 560))
    pixels = pixels_of(BAR, ((60, TOP), (80, 560)))
    pixels[60:TOP, 80:560] -= 0.15
    face = traced(classes_of(WHOLE, WHOLE | body), pixels)
    assert shared(face, *BAR) > 0.97
    assert face.flags == ()
