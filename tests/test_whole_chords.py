"""At an end cut off askew the zones' borders run on straight, in the labels too."""

from dataclasses import replace

import numpy as np
import pytest
from third_maker import draw_face

from edgeqc.faces.face import CutFace
from edgeqc.faces.face_model import face_probability
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import frame_coordinates, label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.faces.whole_chords import as_shown, whole_chords
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.zoning.zones import map_zones

_ROWS, _COLUMNS, _THICKNESS, _SLOPE = 300, 400, 120.0, 0.3


def _askew(rough: float = 0.0) -> tuple[CutFace, CutFace]:
    """Return a straight face that runs askew to the picture, as traced and as it is.

    The mid-line falls by 0.3 a column from row 90; the picture's left and right borders cut the
    face off, so that a chord near them ends on the border.
    """
    along = np.array([_SLOPE, 1.0]) / np.hypot(_SLOPE, 1)
    across = np.array([along[1], -along[0]])
    s = np.arange(-12.0, 425.0)
    middle = np.array([90.0, 0.0]) + s[:, None] * along
    noise = rough * np.random.default_rng(3).standard_normal((2, s.size))
    ends = [middle + side * (_THICKNESS / 2 + noise[k])[:, None] * across
            for k, side in enumerate((-1, 1))]  # fmt: skip
    shown, complete = [], np.ones(s.size, bool)
    for end, other in (ends, ends[::-1]):
        share = np.ones(s.size)
        for border in (0.0, _COLUMNS - 1.0):
            beyond = (end[:, 1] - border) * (-1 if border == 0 else 1) > 0
            cut = (border - other[:, 1]) / (end[:, 1] - other[:, 1])
            share = np.where(beyond, np.minimum(share, cut), share)
        complete &= share == 1
        shown.append(other + share[:, None] * (end - other))
    kept = np.hypot(*(shown[1] - shown[0]).T) > 0.25 * _THICKNESS
    kept &= (shown[0][:, 1] >= -0.1) & (shown[1][:, 1] <= _COLUMNS - 0.9)
    rows = slice(*(np.flatnonzero(kept)[[0, -1]] + [0, 1]))
    corners = np.array([[90 - 62.6, 0], [90 + 62.6, 0], [209.7 + 62.6, 399], [209.7 - 62.6, 399]])
    traced, whole = (
        CutFace(
            number=1, outline_px=corners, anterior_px=pair[0][rows], posterior_px=pair[1][rows],
            s_px=s[rows] - s[rows][0], complete=complete[rows], anterior="top",
            anterior_source="sheet", u_edge_px=0.3,
        )
        for pair in (shown, ends)
    )  # fmt: skip
    return traced, whole


def test_edges_are_carried_on_straight():
    traced, true = _askew()
    assert 10 < np.flatnonzero(traced.complete)[0] < 60
    found = whole_chords(traced)
    short = np.abs(traced.thickness_px - _THICKNESS)
    assert short[~traced.complete].max() > 40
    for mine, theirs in ((found.anterior_px, true.anterior_px),
                         (found.posterior_px, true.posterior_px)):  # fmt: skip
        assert np.abs(mine - theirs).max() < 1e-6
    assert found.complete.tolist() == traced.complete.tolist()


def test_a_rough_edge_carries_on_within_its_roughness():
    traced, _ = _askew(rough=1.5)
    found = whole_chords(traced)
    # a straight line through 30 points of that roughness, carried on by as many chords
    assert np.abs(found.thickness_px[~traced.complete] - _THICKNESS).max() < 5


def test_chords_that_are_whole_or_all_cut_stay():
    traced, true = _askew()
    whole = replace(true, complete=np.ones(true.s_px.size, bool))
    assert whole_chords(whole) is whole
    cropped = replace(traced, complete=np.zeros(traced.s_px.size, bool))
    assert whole_chords(cropped) is cropped
    values = np.zeros((3, 4))
    assert as_shown(values, whole, whole) is values


def test_a_few_whole_chords_carry_no_edge_far():
    traced, _ = _askew(rough=3.0)
    few = np.zeros(traced.s_px.size, bool)
    few[200:215] = True
    scarce = replace(traced, complete=few)
    assert whole_chords(scarce) is scarce
    few[200:221] = True  # enough for a line, which goes astray over two hundred chords
    found = whole_chords(replace(traced, complete=few))
    assert (found.thickness_px <= 7.001 * traced.thickness_px).all()


def test_a_straight_border_is_straight_in_the_picture():
    traced, true = _askew()
    columns, n_t = 200, 100
    labels = np.where(np.arange(n_t)[:, None] < 60, 1, 3).astype(np.uint8).repeat(columns, axis=1)
    raster = label_raster(traced, labels, (_ROWS, _COLUMNS))
    row, col = np.nonzero(raster)
    # distance of the border from the mid-line: a tenth of the thickness towards the posterior
    offset = (row - 90 - _SLOPE * col) / np.hypot(_SLOPE, 1)
    laser = raster[row, col] == 1
    far = np.abs(offset - 0.1 * _THICKNESS) > 3
    assert (laser == (offset < 0.1 * _THICKNESS))[far].mean() > 0.999
    # shares of the area are those of what is seen: chords count by their length as traced
    seen = as_shown(labels, traced, true)
    station = traced.column_chords(columns)
    weight = traced.thickness_px[station]
    share = float((seen == 1).mean(axis=0) @ weight / weight.sum())
    assert share == pytest.approx(laser.mean(), abs=0.005)
    short = ~traced.complete[station]
    assert np.abs((seen == 1).mean(axis=0) - 0.6)[short].max() > 0.1
    assert ((seen == 1).mean(axis=0) == 0.6)[~short].all()


@pytest.mark.parametrize("seed", [107000006, 107000008, 107000025])
def test_zones_at_ends_cut_off_askew(seed):
    """Faces of an unrelated maker: where chords are cut short, laser zone and residual stay."""
    made = draw_face(np.random.default_rng(seed))
    image = CalibratedImage(
        pixels=np.asarray(made.image, np.float32) / np.iinfo(made.image.dtype).max,
        valid=np.ones(made.image.shape, bool),
        pixel_size_um=(made.pixel_size_um, made.pixel_size_um), u_rel_pixel_size=0.005,
        pixel_size_source="sheet", tilt_deg=0.0, u_tilt_deg=1.0, noise_sd=0.0,
        source=ImageSource("made"),
    )  # fmt: skip
    traced, _ = trace_cut_faces(image, FaceSettings(), anterior=made.anterior, expected=1,
                                probability=face_probability(image))  # fmt: skip
    face, zones = map_zones(image, traced[0])
    window = frame_coordinates(face, made.labels.shape)
    station = np.clip(np.rint(window.station).astype(int), 0, face.s_px.size - 1)
    ends = ~face.complete[station] & window.inside
    here = label_raster(face, zones.labels, made.labels.shape, window=window)
    here = here[window.rows, window.cols]
    true = made.labels[window.rows, window.cols]
    judged = ends & (true > 0) & (true < 4)
    assert judged.sum() > 1000
    assert ((here == 1) == (true == 1))[judged].mean() > 0.95
