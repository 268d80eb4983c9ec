"""Heights from stereo pairs drawn here, with a projection of our own making."""

import cv2
import numpy as np
import pytest

import edgeqc
from edgeqc.errors import HeightMapError
from edgeqc.measure.height_map import height_from_stereo

PIXEL_UM = 0.25
SIZE = (176, 224)
CORE = np.s_[30:-30, 30:-30]


def rough(rng, shape, length_px, sq):
    grain = rng.standard_normal(shape)
    plane = cv2.GaussianBlur(grain, (0, 0), length_px)
    plane -= plane.mean()
    return plane * sq / plane.std()


def project(height_um, grey, tilt_deg, pixel_um=PIXEL_UM):
    """Grey levels as seen at a tilt about the column direction: x = X cos a - Z sin a."""
    a = np.deg2rad(tilt_deg)
    ground = np.arange(height_um.shape[1]) - (height_um.shape[1] - 1) / 2
    seen = ground * np.cos(a) - height_um / pixel_um * np.sin(a)
    return np.array([np.interp(ground, s, g) for s, g in zip(seen, grey, strict=True)])


def texture(rng, shape):
    return 0.5 + rough(rng, shape, 1.2, 0.12) + rough(rng, shape, 4.0, 0.05)


def pair_of(height_um, grey, tilts, noise, rng):
    return [project(height_um, grey, t) + noise * rng.standard_normal(grey.shape) for t in tilts]


def levelled(plane):
    row, col = np.mgrid[0:1:plane.shape[0] * 1j, 0:1:plane.shape[1] * 1j]
    design = np.stack([np.ones(plane.size), row.ravel(), col.ravel()], axis=1)
    known = np.isfinite(plane.ravel())
    fit, *_ = np.linalg.lstsq(design[known], plane.ravel()[known], rcond=None)
    return plane - (design @ fit).reshape(plane.shape)


def corrected_sq(height_map):
    """Sq of the core, levelled, with the noise sample's own share taken out."""
    seen = np.nanvar(levelled(height_map.height_um[CORE]))
    noise = np.nanvar(levelled(height_map.noise_um[CORE]))
    return np.sqrt(max(seen - noise, 0.0))


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(11)
    height = rough(rng, SIZE, 9.0, 1.0)
    # crests bright and hollows dark, steep ground brighter, as in an electron picture
    slope = np.gradient(height, PIXEL_UM)
    secant = np.sqrt(1 + slope[0] ** 2 + slope[1] ** 2)
    grey = texture(rng, SIZE) + 0.2 * (height - cv2.GaussianBlur(height, (0, 0), 8)) + 0.5 * secant
    return height, grey


@pytest.fixture(scope="module")
def symmetric(scene):
    return pair_of(*scene, (-5, 5), 0.02, np.random.default_rng(1))


@pytest.fixture(scope="module")
def straight(symmetric):
    return height_from_stereo(*symmetric, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))


@pytest.mark.parametrize("tilts", [(-5, 5), (0, 8), (6, -2)])
def test_heights_come_back(scene, tilts):
    height, grey = scene
    left, right = pair_of(height, grey, tilts, 0.02, np.random.default_rng(1))
    found = edgeqc.height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=tilts)
    # 6 and -2 degrees differ too little in foreshortening to prove their own sign
    assert [f.name for f in found.flags] == (["stereo_sign_unproven"] if tilts == (6, -2) else [])
    error = levelled((found.height_um - height)[CORE])
    assert np.isfinite(error).mean() > 0.995
    # the stated noise is the noise
    assert np.nanstd(error) == pytest.approx(found.sigma_z_rms_um, rel=0.2)
    truth = levelled(height[CORE]).std()
    assert corrected_sq(found) == pytest.approx(truth, rel=0.05)


@pytest.mark.parametrize("turns", [1, 2])
def test_quarter_turns_of_the_pair_turn_the_map(symmetric, straight, turns):
    left, right = symmetric
    # a quarter turn counted from the row axis towards growing columns
    angle = {1: 90.0, 2: 180.0}[turns]
    turned = height_from_stereo(
        np.rot90(left, turns), np.rot90(right, turns), pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5),
        tilt_axis=angle)
    difference = np.rot90(turned.height_um, -turns) - straight.height_um
    assert np.nanstd(difference[CORE]) < 0.02


def test_horizontal_axis_has_the_parallax_along_rows(symmetric, straight):
    left, right = symmetric
    turned = height_from_stereo(left.T, right.T, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5),
                                tilt_axis="horizontal")
    assert np.nanstd((turned.height_um.T - straight.height_um)[CORE]) < 0.02


def test_oblique_axis(scene):
    height, grey = scene
    left, right = pair_of(height, grey, (-5, 5), 0.01, np.random.default_rng(1))
    centre = ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
    # a positive angle of OpenCV turns the picture's content anticlockwise as displayed: the
    # vertical axis then leans towards growing columns as rows grow
    turn = cv2.getRotationMatrix2D(centre, 25.0, 1.0)
    turned = [cv2.warpAffine(p, turn, SIZE[::-1], flags=cv2.INTER_CUBIC) for p in (left, right)]
    truth = cv2.warpAffine(height, turn, SIZE[::-1], flags=cv2.INTER_CUBIC)
    found = height_from_stereo(*turned, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5), tilt_axis=25.0)
    core = np.s_[60:-60, 60:-60]
    error = levelled((found.height_um - truth)[core])
    assert np.nanstd(error) < 0.2 * truth[core].std()


@pytest.mark.parametrize(("down", "along", "tolerance"), [
    (4, 14, 0.1),
    # an odd shift leaves the coarse alignment a row off: other noise, same heights
    (9, 14, 1.2),
])
def test_shift_and_grey_gain_change_nothing(symmetric, straight, down, along, tolerance):
    left, right = symmetric
    moved = height_from_stereo(left[:-down, :-along], 40 + 3 * right[down:, along:],
                               pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))
    rows, cols = moved.height_um.shape
    difference = (moved.height_um - straight.height_um[:rows, :cols])[40:-40, 40:-40]
    assert np.isfinite(difference).mean() > 0.99
    assert np.nanstd(levelled(difference)) < tolerance * straight.sigma_z_rms_um


def test_twice_the_pixel_size_gives_twice_the_height(symmetric, straight):
    left, right = symmetric
    twice = height_from_stereo(left, right, pixel_size_um=0.5, tilt_deg=(-5, 5))
    np.testing.assert_allclose(twice.height_um, 2 * straight.height_um, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(twice.sigma_z_um, 2 * straight.sigma_z_um, rtol=1e-5, atol=1e-6)


def test_the_same_pair_gives_the_same_bytes(symmetric, straight):
    left, right = symmetric
    before = left.copy()
    again = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))
    assert again.height_um.tobytes() == straight.height_um.tobytes()
    assert again.noise_um.tobytes() == straight.noise_um.tobytes()
    assert np.array_equal(left, before)


def test_pictures_of_different_fields_give_no_heights(scene):
    height, grey = scene
    rng = np.random.default_rng(3)
    left, _ = pair_of(height, grey, (-5, 5), 0.02, rng)
    other, _ = pair_of(height, texture(rng, SIZE), (-5, 5), 0.02, rng)
    found = height_from_stereo(left, other, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))
    assert [f.name for f in found.flags] == ["stereo_no_overlap"]
    assert not found.has_heights
    assert np.isnan(found.sigma_z_rms_um)


@pytest.mark.parametrize("tilts", [(-5, 5), (0, 8)])
def test_swapped_tilts_are_said_and_give_no_heights(scene, tilts):
    height, grey = scene
    left, right = pair_of(height, grey, tilts, 0.02, np.random.default_rng(1))
    found = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=tilts[::-1])
    assert "stereo_tilts_swapped" in [f.name for f in found.flags]
    assert not found.has_heights


def test_unequal_swapped_tilts_show_without_any_shading():
    rng = np.random.default_rng(5)
    height, grey = rough(rng, SIZE, 7.0, 1.2), texture(rng, SIZE)
    left, right = pair_of(height, grey, (0, 10), 0.02, rng)
    right_way = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=(0, 10))
    assert right_way.has_heights
    wrong = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=(10, 0))
    assert [f.name for f in wrong.flags] == ["stereo_tilts_swapped"]


def test_a_lattice_does_not_alias():
    rng = np.random.default_rng(7)
    row, col = np.mgrid[0:SIZE[0], 0:SIZE[1]]
    height = rough(rng, SIZE, 25.0, 6.0)  # parallax of several pitches
    dots = np.cos(2 * np.pi * col / 10) * np.cos(2 * np.pi * row / 12)
    grey = 0.5 + 0.2 * dots + rough(rng, SIZE, 1.5, 0.03)
    left, right = pair_of(height, grey, (-5, 5), 0.01, rng)
    found = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))
    error = levelled((found.height_um - height)[CORE])
    pitch_um = 10 * PIXEL_UM / (2 * np.sin(np.deg2rad(5)))
    assert np.mean(np.abs(error) > pitch_um / 2) < 0.01


@pytest.mark.parametrize(("left", "right", "what"), [
    (np.full((80, 80), 3.0), np.ones((80, 80)), "constant"),
    (np.full((80, 80), np.nan), np.ones((80, 80)), "constant or empty"),
    (np.zeros((80, 1)), np.zeros((80, 1)), "shape"),
    (np.zeros((80, 80, 3)), np.zeros((80, 80, 3)), "shape"),
])
def test_useless_pictures_are_named(left, right, what):
    with pytest.raises(HeightMapError, match=what):
        height_from_stereo(left, right, pixel_size_um=0.25, tilt_deg=(-5, 5))


@pytest.mark.parametrize("pixel", [0, -0.2, float("nan"), "wide", (0.2, 0.0), (1, 2, 3)])
def test_impossible_pixel_size_is_named(scene, pixel):
    with pytest.raises(HeightMapError, match="pixel size"):
        height_from_stereo(*scene, pixel_size_um=pixel, tilt_deg=(-5, 5))


def test_different_shapes_are_named(scene):
    with pytest.raises(HeightMapError, match="shapes"):
        height_from_stereo(scene[0], scene[1][:-1], pixel_size_um=0.25, tilt_deg=(-5, 5))


def test_gaps_stay_gaps(symmetric):
    left, right = symmetric
    left, right = left.copy(), right.copy()
    left[-30:], right[-30:] = np.nan, np.nan  # a data bar
    found = height_from_stereo(left, right, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5))
    assert np.isnan(found.height_um[-28:]).all()
    assert np.isfinite(found.height_um[30:-60, 30:-30]).mean() > 0.99


def test_known_disparity_beside_opencvs_own_matcher():
    """Middlebury-style pair that scikit-image carries, with its true disparity.

    Both are given the same grey pictures.
    """
    from skimage.color import rgb2gray
    from skimage.data import stereo_motorcycle

    from edgeqc.measure.stereo_match import match_pair
    from edgeqc.measure.stereo_refine import StereoSettings

    left, right, truth = stereo_motorcycle()
    left, right = (rgb2gray(p).astype(np.float32) for p in (left, right))
    known = np.isfinite(truth)
    # the bundled docstring has the direction the other way round: right(x - d) is left(x)
    row, col = np.nonzero(known)
    there = np.rint(col - truth[known]).astype(int)
    ok = there >= 0
    forward = np.abs(left[row[ok], col[ok]] - right[row[ok], there[ok]]).mean()
    back = np.rint(col + truth[known]).astype(int)
    ok = back < left.shape[1]
    assert forward < 0.6 * np.abs(left[row[ok], col[ok]] - right[row[ok], back[ok]]).mean()
    assert (np.nanmin(truth), truth[known].max()) == pytest.approx((7.191, 59.909), abs=1e-2)
    assert known.mean() == pytest.approx(0.9265, abs=1e-4)

    middle = 33
    moved = np.roll(right, middle, axis=1)
    ours = match_pair(left, moved, (np.ones(moved.shape, bool),) * 2, StereoSettings())
    assert ours.steps
    block = 5
    theirs = cv2.StereoSGBM_create(-32, 64, block, 8 * block**2, 32 * block**2, 1, 0, 5, 100, 2,
                                   cv2.STEREO_SGBM_MODE_SGBM_3WAY)
    border = 96
    grey = [cv2.copyMakeBorder(np.round(p * 255).astype(np.uint8), 0, 0, border, border,
                               cv2.BORDER_REPLICATE) for p in (left, moved)]
    raw = theirs.compute(*grey)[:, border:-border].astype(np.float32) / 16
    has = raw > -32
    wanted = known
    error = np.abs(ours.along_px + middle - truth)[wanted]
    other = np.where(has, np.abs(raw + middle - truth), np.inf)[wanted]
    bad, bad_other = np.mean(error > 1), np.mean(other > 1)
    assert bad < 0.9 * bad_other
    assert np.median(error) < np.median(other)
