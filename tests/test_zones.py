"""Zone maps of whole faces: invariances, natural textures, traps; on pictures of another maker.

The pictures come from ``other_maker.py``, which shares nothing with the phantoms that the models
were fitted on.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from other_maker import paint_face
from scipy.stats import binom

from edgeqc.faces.face_model import face_probability
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.flags import verdict_of
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.cut_depth import measure_cut_depth
from edgeqc.zoning.zones import map_zones

TURNED = {"top": "left", "left": "bottom", "bottom": "right", "right": "top"}


def picture(pixels, size=1.0):
    pixels = np.ascontiguousarray(pixels, np.float32)
    return CalibratedImage(
        pixels, np.ones(pixels.shape, bool), (size, size), 0.0, "sheet", 0.0, 0.0, 0.0,
        ImageSource("painted"),
    )  # fmt: skip


def zoned(image, side):
    """The largest face of a picture with its zones and depth, and all of its flags."""
    faces, flags = trace_cut_faces(
        image, FaceSettings(), anterior=side, probability=face_probability(image)
    )
    face = max(faces, key=lambda each: each.thickness_px.sum())
    turned, zones = map_zones(image, face)
    depth = measure_cut_depth(image, turned, zones)
    return turned, zones, depth, (*flags, *turned.flags, *zones.flags)


@pytest.fixture(scope="module")
def painted():
    made = paint_face(np.random.default_rng(5))
    image = picture(made.image / np.float32(255), made.pixel_size_um)
    return made, image, zoned(image, made.anterior)


def mean_dice(found, truth):
    values = [
        2 * ((found == code) & (truth == code)).sum() / ((found == code).sum() + there.sum())
        for code in (1, 2, 3)
        if (there := truth == code).any()
    ]
    return float(np.mean(values))


def test_depth_and_zones_of_a_painted_face(painted):
    made, _, (face, zones, depth, _) = painted
    raster = label_raster(face, zones.labels, made.labels.shape)
    assert abs(depth.fraction.value - made.depth_fraction) < 0.02
    low, high = depth.fraction.interval
    assert low <= made.depth_fraction <= high
    assert mean_dice(raster, made.labels) > 0.9
    assert zones.labels.shape == zones.probability.shape[1:]
    np.testing.assert_allclose(zones.probability.sum(axis=0), 1.0, atol=1e-5)


def changed(made, image, how):
    pixels, side, size = image.pixels, made.anterior, made.pixel_size_um
    if how == "quarter turn":
        return picture(np.rot90(pixels), size), TURNED[side]
    if how == "mirror":
        return picture(pixels[:, ::-1], size), side
    if how == "gain and offset":
        return picture(0.6 * pixels + 0.15, size), side
    if how == "half the pixel size":
        twice = cv2.resize(pixels, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        return picture(twice, size / 2), side
    raise AssertionError(how)


@pytest.mark.parametrize(
    "how", ["quarter turn", "mirror", "gain and offset", "half the pixel size"]
)
def test_depth_does_not_depend_on(how, painted):
    made, image, (_, _, depth, _) = painted
    other_image, side = changed(made, image, how)
    _, _, other, _ = zoned(other_image, side)
    assert other.fraction.value == pytest.approx(depth.fraction.value, abs=0.015)


def test_input_is_not_modified_and_the_result_repeats(painted):
    made, image, (_, zones, _, _) = painted
    before = image.pixels.copy()
    _, again, _, _ = zoned(image, made.anterior)
    np.testing.assert_array_equal(before, image.pixels)
    np.testing.assert_array_equal(again.labels, zones.labels)
    np.testing.assert_array_equal(again.depth_draws, zones.depth_draws)


def test_a_depth_needs_no_scale(painted):
    made, image, (_, _, depth, _) = painted
    without = replace(image, pixel_size_um=None, pixel_size_source="none")
    _, _, other, _ = zoned(without, made.anterior)
    assert other.fraction.value == pytest.approx(depth.fraction.value, abs=0.02)
    assert other.ligament is None


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_natural_textures_are_never_named_wrongly_with_confidence(seed):
    # zones filled with photographs that scikit-image carries (brick, grass, gravel): their
    # texture cannot name a zone, so the face is either right by anatomy or goes to review
    made = paint_face(np.random.default_rng(seed), natural=True)
    image = picture(made.image / np.float32(255), made.pixel_size_um)
    face, zones, depth, flags = zoned(image, made.anterior)
    right = mean_dice(label_raster(face, zones.labels, made.labels.shape), made.labels) >= 0.8
    near = depth.fraction is not None and abs(depth.fraction.value - made.depth_fraction) <= 0.05
    assert verdict_of(flags) != "measured" or (right and near)


@pytest.mark.parametrize("seed", [41, 44, 47])
def test_the_sheet_names_a_residual_that_texture_cannot(seed):
    """Natural textures: the sheet's word decides, and the border is the same whatever it says."""
    made = paint_face(np.random.default_rng(seed), natural=True)
    image = picture(made.image / np.float32(255), made.pixel_size_um)
    faces, _ = trace_cut_faces(
        image, FaceSettings(), anterior=made.anterior, expected=1,
        probability=face_probability(image),
    )  # fmt: skip
    told = {way: map_zones(image, faces[0], freed_by=way)[1]
            for way in ("", "scissors", "traction", "both")}  # fmt: skip
    assert np.array_equal(told["both"].labels, told[""].labels)
    for way, given, against in (("scissors", 2, 3), ("traction", 3, 2)):
        named = [(told[way].labels == code).sum() for code in (given, against)]
        without = [(told[""].labels == code).sum() for code in (given, against)]
        assert named[0] >= without[0]
        assert named[1] <= without[1]
        assert np.allclose(told[way].depth, told[""].depth)


def test_a_sheet_against_a_clear_texture_goes_to_review(painted):
    """A sheet that is wrong on how the piece was freed must not rename what is plainly seen."""
    made, image, (turned, *_) = painted
    wrong = "traction" if made.residual == "scissor" else "scissors"
    right = "scissors" if made.residual == "scissor" else "traction"
    against, agreed = (map_zones(image, turned, freed_by=way)[1] for way in (wrong, right))
    assert verdict_of(against.flags) == "review"
    assert agreed.naming_confidence >= against.naming_confidence


def test_intervals_of_painted_faces_hold_the_truth():
    held = tried = 0
    for seed in range(40, 52):
        made = paint_face(np.random.default_rng(seed))
        image = picture(made.image / np.float32(255), made.pixel_size_um)
        _, _, depth, flags = zoned(image, made.anterior)
        if verdict_of(flags) != "measured" or depth.fraction is None:
            continue
        low, high = depth.fraction.interval
        tried += 1
        held += low <= made.depth_fraction <= high
    assert tried >= 2
    # a 95 % interval that holds as rarely as this would be met by chance once in a hundred
    assert binom.cdf(held, tried, 0.95) > 0.01


def test_flat_and_noisy_faces_go_to_review():
    rng = np.random.default_rng(8)
    pixels = np.full((420, 640), 0.1, np.float32)
    pixels[80:340] = 0.5
    pixels += rng.normal(0, 0.03, pixels.shape).astype(np.float32)
    _, _, _, flags = zoned(picture(np.clip(pixels, 0, 1)), "top")
    assert verdict_of(flags) != "measured"


def test_shares_of_residual_kinds_doubt_their_names(painted):
    _, image, (turned, zones, _, _) = painted
    found = {}
    for confidence in (1.0, 0.9, 0.5):
        doubted = replace(zones, naming_confidence=confidence)
        found[confidence] = measure_cut_depth(image, turned, doubted).area_fractions
    shares = [found[1.0][kind].value for kind in ("scissor", "torn")]
    moved = np.sqrt(np.mean([share**2 for share in shares if share >= 0.01]))
    assert moved > 0.05
    for kind in ("scissor", "torn"):
        assert found[1.0][kind].budget["scissor or torn"] == 0
        assert found[0.9][kind].budget["scissor or torn"] == pytest.approx(0.3 * moved)
        assert found[0.5][kind].u > found[0.9][kind].u > found[1.0][kind].u
    assert found[0.5]["laser"].u == found[1.0]["laser"].u


def test_a_share_falls_by_its_own_area_and_rises_by_the_others(painted):
    _, image, (turned, zones, _, _) = painted
    labels = zones.labels.copy()
    labels[labels == 2] = 3  # one kind of residual alone
    found = measure_cut_depth(
        image, turned, replace(zones, labels=labels, naming_confidence=0.8)
    ).area_fractions
    torn, scissor = found["torn"], found["scissor"]
    sure = np.hypot(torn.budget["zone border"], torn.budget["names"])
    assert torn.interval[1] == pytest.approx(min(1.0, torn.value + 2 * sure))
    assert torn.interval[0] == pytest.approx(max(0.0, torn.value - 2 * torn.u))
    assert scissor.value == 0
    assert scissor.interval[1] == pytest.approx(2 * scissor.u)
