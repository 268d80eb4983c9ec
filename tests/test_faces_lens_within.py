"""What the learned map sees of the lens's own surface within an outline makes it doubtful."""

import numpy as np
import pytest

from edgeqc.faces.face import CutFace
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.lens_within import lens_seen_within, mean_within
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.image import CalibratedImage, ImageSource

ROWS, COLS, CELL = 400, 600, 4
TOP, BOTTOM, LEFT, RIGHT = 80, 320, 60, 540


def image():
    rng = np.random.default_rng(5)
    pixels = np.full((ROWS, COLS), 0.15)
    pixels[TOP:BOTTOM, LEFT:RIGHT] = 0.6
    pixels += rng.normal(0, 0.02, pixels.shape)
    return CalibratedImage(
        pixels.astype(np.float32), np.ones(pixels.shape, bool), (1.0, 1.0), 0.0, "sheet", 0.0, 0.0,
        0.0, ImageSource("drawn"),
    )  # fmt: skip


def face():
    across = np.arange(LEFT, RIGHT, dtype=float)
    first, second = (
        np.stack([np.full_like(across, row), across], axis=1) for row in (TOP, BOTTOM - 1)
    )
    return CutFace(
        number=1, outline_px=np.concatenate([first, second[::-1]]), anterior_px=first,
        posterior_px=second, s_px=across - LEFT, complete=np.ones(across.size, bool),
        anterior="top", anterior_source="sheet", u_edge_px=0.5,
    )  # fmt: skip


def seen(probability, rows, cols):
    """The map's lens probability: a value within parts of the face given in pixels, else none."""
    plane = np.zeros((ROWS // CELL, COLS // CELL), np.float32)
    plane[rows[0] // CELL : rows[1] // CELL, cols[0] // CELL : cols[1] // CELL] = probability
    return plane


PLACES = {
    "anterior edge": ((TOP, TOP + 24), (LEFT, RIGHT)),
    "posterior edge": ((BOTTOM - 24, BOTTOM), (LEFT, RIGHT)),
    "first end": ((TOP, BOTTOM), (LEFT, LEFT + 80)),
    "last end": ((TOP, BOTTOM), (RIGHT - 80, RIGHT)),
    "middle": ((160, 240), (200, 400)),
}


@pytest.mark.parametrize("place", PLACES)
def test_lens_along_any_border_or_within_is_seen(place):
    assert lens_seen_within(face(), image(), seen(0.4, *PLACES[place]))


def test_a_map_that_sees_next_to_none_or_only_beside_the_face_says_nothing():
    assert not lens_seen_within(face(), image(), seen(0.02, (TOP, BOTTOM), (LEFT, RIGHT)))
    assert not lens_seen_within(face(), image(), seen(0.9, (0, TOP - 8), (0, COLS)))
    assert not lens_seen_within(face(), image(), seen(0.9, (0, ROWS), (0, LEFT - 8)))


def test_a_mean_is_that_of_the_part_asked_for():
    plane = seen(0.5, (TOP, (TOP + BOTTOM) // 2), (LEFT, RIGHT))
    asked = {"along": (0.1, 0.9)}
    assert mean_within(face(), image(), plane, across=(0.05, 0.4), **asked) == pytest.approx(0.5)
    assert mean_within(face(), image(), plane, across=(0.6, 0.95), **asked) == pytest.approx(0)
    whole = mean_within(face(), image(), plane, across=(0, 1), **asked)
    assert whole == pytest.approx(0.25, abs=0.02)


@pytest.mark.parametrize("lens", [0.0, 0.3])
def test_the_doubt_reaches_the_face_with_its_reason(lens):
    probability = np.zeros((3, ROWS // CELL, COLS // CELL), np.float32)
    probability[2, TOP // CELL : BOTTOM // CELL, LEFT // CELL : RIGHT // CELL] = 1 - 0.002
    probability[1] = seen(lens, (TOP, TOP + 32), (LEFT, RIGHT))
    probability[2] = np.minimum(probability[2], 1 - probability[1])
    probability[0] = 1 - probability[1] - probability[2]
    faces, _ = trace_cut_faces(image(), FaceSettings(), anterior="top", probability=probability)
    assert len(faces) == 1
    details = ";".join(f.detail for f in faces[0].flags if f.name == "outline_doubtful")
    assert ("the learned map sees some of the lens's own surface" in details) == (lens > 0)
