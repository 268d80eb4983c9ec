"""A face that ends where the lens goes on is doubted; one that ends at the ground is not."""

import numpy as np
import pytest

from edgeqc.faces.face import CutFace
from edgeqc.faces.going_on import ends_gone_beyond

ROWS, COLS = 400, 800
TOP, BOTTOM = 100.0, 300.0
NEITHER, LAST = (False, False), (False, True)  # which ends the lens goes on beyond


def face_to(last_col, *, bow=0.0):
    """A face from the left frame to a column, its edges bowed by so many pixels over the width."""
    cols = np.arange(0.0, last_col, 2.0)
    sag = bow * (cols / COLS) ** 2
    anterior = np.stack([TOP + sag, cols], axis=1)
    posterior = np.stack([BOTTOM + sag, cols], axis=1)
    return CutFace(
        number=1, outline_px=np.concatenate([anterior, posterior[::-1]]), anterior_px=anterior,
        posterior_px=posterior, s_px=cols, complete=np.ones(cols.size, bool), anterior="top",
        anterior_source="sheet", u_edge_px=0.5,
    )  # fmt: skip


def picture(lens_to, *, stretch=0.5, ground=0.1, bow=0.0):
    """The face of grey 0.6 to column 500, from there a stretch of the lens, then ground."""
    row, col = np.mgrid[:ROWS, :COLS]
    sag = bow * (col / COLS) ** 2
    pixels = np.full((ROWS, COLS), ground)
    lens = (row >= TOP + sag) & (row <= BOTTOM + sag) & (col < lens_to)
    pixels[lens] = np.where(col < 500, 0.6, stretch)[lens]
    noise = np.random.default_rng(3).normal(0, 0.03, pixels.shape)
    return np.asarray(pixels + noise, np.float32)


@pytest.mark.parametrize("bow", [0.0, 12.0])
def test_a_stretch_left_out_is_noticed(bow):
    assert ends_gone_beyond(face_to(500, bow=bow), picture(COLS, bow=bow)) == LAST
    # a stretch of another grey is one as well
    assert ends_gone_beyond(face_to(500, bow=bow), picture(COLS, stretch=0.4, bow=bow)) == LAST


def test_a_face_that_ends_with_its_lens_is_not_doubted():
    assert ends_gone_beyond(face_to(500), picture(500)) == NEITHER


def test_the_frame_ends_a_face_without_doubt():
    assert ends_gone_beyond(face_to(COLS - 2), picture(COLS)) == NEITHER


def test_a_surface_that_covers_an_edge_beyond_the_end_is_no_stretch():
    pixels = picture(COLS)
    pixels[:105, 500:] = pixels[200:305, 500:]  # beside the end the lens's own surface lies above
    assert ends_gone_beyond(face_to(500), pixels) == NEITHER


def test_both_ends_and_a_turned_picture_count_alike():
    face, pixels = face_to(500), picture(COLS)
    turned = CutFace(
        **{
            **{name: getattr(face, name) for name in face.__dataclass_fields__},
            "anterior_px": COLS - 1 - face.anterior_px[:, ::-1],
            "posterior_px": COLS - 1 - face.posterior_px[:, ::-1],
        }
    )
    across = np.zeros((COLS, COLS), np.float32)
    across[:, COLS - ROWS :] = pixels[::-1, ::-1].T
    assert ends_gone_beyond(turned, across) == ends_gone_beyond(face, pixels) == LAST


def test_an_edge_without_contrast_says_nothing():
    assert ends_gone_beyond(face_to(500), picture(COLS, stretch=0.6, ground=0.6)) == NEITHER


def learned_map(stretch, ground):
    """Probability of a face on a grid of cells of 8 pixels: sure to column 500, then as given."""
    row, col = (np.mgrid[: ROWS // 8, : COLS // 8] + 0.5) * 8
    lens = (row >= TOP) & (row <= BOTTOM)
    return np.where(lens, np.where(col < 500, 0.999, stretch), ground).astype(np.float32)


def with_one_edge_hidden():
    """The stretch goes on, and beyond the end something covers its upper edge."""
    pixels = picture(COLS)
    pixels[:150, 500:] = 0.5
    return pixels


@pytest.mark.parametrize(
    ("stretch", "ground", "expected"),
    [(0.05, 0.001, True), (0.002, 0.001, False), (0.05, 0.05, False)],
)
def test_one_edge_is_enough_where_the_map_is_less_sure_of_ground_within(stretch, ground, expected):
    pixels = with_one_edge_hidden()
    assert ends_gone_beyond(face_to(500), pixels) == NEITHER
    found = ends_gone_beyond(face_to(500), pixels, probability=learned_map(stretch, ground))
    assert found == (False, expected)


def test_the_map_alone_makes_no_doubt():
    # nothing of the lens is seen beyond the end, whatever the map says
    hesitant = learned_map(0.3, 0.001)
    assert ends_gone_beyond(face_to(500), picture(500), probability=hesitant) == NEITHER
