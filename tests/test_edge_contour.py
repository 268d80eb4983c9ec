"""Edge contours of faces made here: form, deviation, noise, and who owns which stretch.

Line-edge figures: exponential autocorrelation, checks against closed forms (variance within a
finite length; NIST 2005 and arXiv 2001.00433 for the bias by noise and levelling).
"""

import math

import numpy as np
import pytest

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.edge_contour import EdgeContourSettings, edge_contours, longest_stretch
from edgeqc.measure.edge_roughness import LINE_EDGE_TITLES, edge_rows
from edgeqc.measure.line_edge import line_edge_roughness
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZoneMap

PIXEL = 0.25


def image_of(pixel=PIXEL, tilt=0.0, shape=(200, 4200), u_rel=0.01):
    return CalibratedImage(
        np.zeros(shape, np.float32), np.ones(shape, bool), pixel and (pixel, pixel), u_rel, "sheet",
        tilt, 0.5, 0.01, ImageSource("a.tif"))


def face_of(anterior, posterior, complete=None):
    n = anterior.shape[0]
    return CutFace(
        1, np.concatenate([anterior, posterior[::-1]]), anterior, posterior,
        np.arange(n, dtype=float), np.ones(n, bool) if complete is None else complete,
        "top", "sheet", 0.2)


def zones_of(labels):
    labels = np.asarray(labels, np.uint8)
    n_s = labels.shape[1]
    return ZoneMap(
        labels, np.full((4, *labels.shape), 0.25, np.float32), np.ones(n_s),
        np.ones((2, n_s), np.float32), np.ones(n_s), "test", 1.0, 10.0)


def laser_over_torn(n_s=200):
    labels = np.full((40, n_s), TORN)
    labels[:30] = LASER
    return zones_of(labels)


def exponential_line(rng, n, step, rq, length):
    """First-order autoregressive series: autocorrelation exp(-lag/length) exactly."""
    keep = math.exp(-step / length)
    line = np.empty(n)
    line[0] = rng.normal()
    kick = rng.normal(size=n) * math.sqrt(1 - keep**2)
    for k in range(1, n):
        line[k] = keep * line[k - 1] + kick[k]
    return rq * line


def straight_face(line_um, n=None, pixel=PIXEL):
    n = n or line_um.size
    col = np.arange(n, dtype=float)
    anterior = np.stack([60 - line_um / pixel, col], axis=1)
    return face_of(anterior, np.stack([np.full(n, 140.0), col], axis=1))


def test_deviation_is_outwards_and_in_micrometres():
    n = 600
    line = 1.5 * np.sin(2 * np.pi * np.arange(n) / 60)
    found = edge_contours(image_of(), straight_face(line), laser_over_torn())
    contour = next(c for c in found if c.edge == "anterior")
    assert (contour.zone, contour.edge) == ("laser", "anterior")
    assert contour.spacing_um == pytest.approx(PIXEL, rel=1e-3)
    # up is outwards for an anterior edge at the top; the low polynomial takes next to nothing
    np.testing.assert_allclose(contour.deviation_um[30:-30], line[30:-30], atol=0.2)


def test_a_bent_edge_loses_its_form_only():
    n = 3000
    angle = np.linspace(-0.15, 0.15, n)
    radius = 10000.0  # 2.5 mm: no lens surface bends more
    rough = 2.0 * np.sin(2 * np.pi * np.arange(n) / 50)  # px, outwards
    ends = [np.stack([10100 - r * np.cos(angle), 1500 + r * np.sin(angle)], axis=1)
            for r in (radius + rough, np.full(n, radius - 300.0))]
    found = edge_contours(image_of(), face_of(*ends), laser_over_torn())
    contour = next(c for c in found if c.edge == "anterior")
    assert np.std(contour.deviation_um) == pytest.approx(2.0 * PIXEL / math.sqrt(2), rel=0.02)
    assert contour.length_um == pytest.approx(0.3 * radius * PIXEL, rel=0.02)


def test_zones_own_their_edges():
    n = 900
    labels = np.full((40, 90), TORN)
    labels[:, :45] = LASER  # cut through on the left half
    labels[:30, 45:] = LASER
    labels[:, :5] = SCISSOR
    found = edge_contours(image_of(), straight_face(np.zeros(n)), zones_of(labels))
    owners = {(c.edge, c.zone): c for c in found}
    assert set(owners) == {("anterior", "laser"), ("posterior", "laser"), ("posterior", "torn")}
    assert owners["anterior", "laser"].deviation_um.size == pytest.approx(850, abs=12)
    assert owners["posterior", "torn"].station[0] == pytest.approx(450, abs=12)


def test_gaps_stay_gaps_and_incomplete_chords_are_left_out():
    complete = np.ones(600, bool)
    complete[300:306] = False
    complete[:50] = False
    line = np.sin(np.arange(600))
    face = straight_face(line)
    face = face_of(face.anterior_px, face.posterior_px, complete)
    contour = edge_contours(image_of(), face, laser_over_torn())[0]
    assert contour.station[0] == 50
    assert np.isnan(contour.deviation_um[250:256]).all()
    assert np.isfinite(contour.deviation_um[:245]).all()


def test_longest_stretch():
    wanted = np.zeros(100, bool)
    wanted[5:30] = wanted[33:60] = wanted[80:99] = True
    part, known = longest_stretch(wanted, 5, 20)
    assert (part.start, part.stop) == (5, 60)
    assert known.sum() == 52
    assert longest_stretch(wanted, 0, 30) is None
    assert longest_stretch(np.zeros(9, bool), 1, 1) is None


def test_no_pixel_size_no_contour():
    face = straight_face(np.zeros(600))
    assert edge_contours(image_of(pixel=None), face, laser_over_torn()) == ()


def test_tilt_lengthens_deviations():
    line = np.sin(2 * np.pi * np.arange(800) / 40)
    flat, tilted = (
        edge_contours(image_of(tilt=t), straight_face(line), laser_over_torn())[0]
        for t in (0.0, 30.0))
    ratio = np.std(tilted.deviation_um) / np.std(flat.deviation_um)
    assert ratio == pytest.approx(1 / math.cos(math.radians(30)), rel=1e-9)
    assert tilted.u_height_rel > flat.u_height_rel
    unknown = edge_contours(image_of(tilt=math.nan), straight_face(line), laser_over_torn())[0]
    assert unknown.u_height_rel > 0.01


def test_unbiased_rq_where_the_biased_one_is_a_fifth_off():
    rng = np.random.default_rng(8)
    biased, unbiased = [], []
    for _ in range(8):
        line = exponential_line(rng, 2400, PIXEL, 0.6, 5.0)
        truth = np.std(line)
        noisy = line + rng.normal(0, 0.46, line.size)
        contour = edge_contours(image_of(), straight_face(noisy), laser_over_torn())[0]
        values = line_edge_roughness(contour.deviation_um, contour.spacing_um, detrend=0).values
        biased.append(values["Rq_biased"].value / truth - 1)
        unbiased.append(values["Rq_unbiased"].value / truth - 1)
    assert np.median(biased) > 0.2
    assert np.median(np.abs(unbiased)) < 0.05
    assert abs(np.median(unbiased)) < 0.05


def test_profile_rows_name_their_setting():
    rng = np.random.default_rng(3)
    line = exponential_line(rng, 2400, PIXEL, 0.4, 4.0)  # 600 µm: Sc1 fits, Rz asks for more
    contour = edge_contours(image_of(), straight_face(line), laser_over_torn())[0]
    rows = edge_rows(contour)
    rq = next(row for row in rows if row.parameter == "Rq")
    assert rq.basis == "edge contour"
    assert rq.zone == "laser"
    assert rq.nesting_index_um == 80.0
    assert rq.evaluation_length_um == pytest.approx(400.0)
    assert "non-default" in rq.note
    assert "Sc3" in rq.note
    assert "anterior edge" in rq.note
    assert rq.standard.startswith("ISO 21920-2")
    assert set(LINE_EDGE_TITLES) <= {row.parameter for row in rows}


def test_twice_the_pixel_size_doubles_lengths():
    rng = np.random.default_rng(4)
    line_px = exponential_line(rng, 1000, 1.0, 2.0, 15.0)
    rows = []
    for pixel in (0.35, 0.7):  # both long enough for the same form
        face = straight_face(line_px * pixel, pixel=pixel)
        contour = edge_contours(image_of(pixel), face, laser_over_torn())[0]
        rows.append(line_edge_roughness(contour.deviation_um, contour.spacing_um).values)
    for name in ("Rq_biased", "Rq_unbiased", "correlation_length"):
        assert rows[1][name].value == pytest.approx(2 * rows[0][name].value, rel=1e-3)
    assert rows[1]["exponent"].value == pytest.approx(rows[0]["exponent"].value, rel=1e-2)


def test_mirror_and_quarter_turn():
    rng = np.random.default_rng(5)
    line = exponential_line(rng, 1500, PIXEL, 0.5, 5.0)
    face = straight_face(line)
    straight = edge_contours(image_of(), face, laser_over_torn())[0]
    # quarter turn: (row, col) -> (col, -row)
    turned = face_of(*[np.stack([e[:, 1], 200 - e[:, 0]], axis=1)
                       for e in (face.anterior_px, face.posterior_px)])
    other = edge_contours(image_of(shape=(4200, 200)), turned, laser_over_torn())[0]
    np.testing.assert_allclose(other.deviation_um, straight.deviation_um, atol=1e-9)
    mirrored = face_of(*[np.stack([e[:, 0], 1500 - e[:, 1]], axis=1)
                         for e in (face.anterior_px, face.posterior_px)])
    other = edge_contours(image_of(), mirrored, laser_over_torn())[0]
    np.testing.assert_allclose(other.deviation_um, straight.deviation_um, atol=1e-9)


def test_constant_and_short_edges_give_no_rows():
    flat = edge_contours(image_of(), straight_face(np.zeros(400)), laser_over_torn())
    assert all(edge_rows(c) == () for c in flat)
    assert edge_contours(image_of(), straight_face(np.zeros(60)), laser_over_torn()) == ()
    settings = EdgeContourSettings(least_points=40)
    short = edge_contours(image_of(), straight_face(np.sin(np.arange(60.0))), laser_over_torn(),
                          settings)
    assert len(short) == 2
    assert edge_rows(short[0]) == ()


def test_an_interval_that_outgrows_its_value_tells_nothing():
    from edgeqc.measure.edge_roughness import _told
    from edgeqc.quantity import Measured

    near = Measured(5.0, 1.0, "µm", {}, 9, 3.0, 8.0)
    assert _told(near) is near
    for far in (Measured(5.0, 4.0, "µm", {}, 9, 0.0, 5e4), Measured(5.0, 6.0, "µm", {}, 9, 0, 9.0)):
        assert np.isnan(_told(far).value)
        assert "does not tell" in _told(far).note
