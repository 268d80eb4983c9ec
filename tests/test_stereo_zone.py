"""Roughness of a zone by its stereo pair: random fields, shading, and what is not told.

Pairs are drawn here by a projection and a brightness law of our own making.
"""

import dataclasses

import cv2
import numpy as np
import pytest

from edgeqc.measure.form import surface_form
from edgeqc.measure.height_map import height_from_stereo
from edgeqc.measure.stereo_field import FieldSpectrum, conjugate_gradient, learned_spectrum
from edgeqc.measure.stereo_frame import on_ground_plane, on_picture
from edgeqc.measure.stereo_patch import LaidPair, ReliefPatch, smoothed_guess
from edgeqc.measure.stereo_relief import ReliefSettings
from edgeqc.measure.stereo_shading import shading_slopes, shading_terms
from edgeqc.measure.stereo_witness import Witness, together, witness_of
from edgeqc.measure.stereo_zone import StereoZoneSettings, zone_heights
from edgeqc.measure.surface_filter import gaussian_areal_filter

PIXEL_UM = 0.25
SIZE = (168, 208)
FORM = "polynomial 2"
# fewer rounds than by default: these reliefs are easy, and the readings settle sooner
SETTINGS = StereoZoneSettings(relief=ReliefSettings(warps=2, rounds=4, inner=5, last_inner=20))


def rough(rng, length_px, sq, shape=SIZE):
    plane = cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), length_px)
    return (plane - plane.mean()) * sq / plane.std()


def project(height_um, grey, tilt_deg):
    """Grey levels as seen at a tilt about the column direction: x = X cos a - Z sin a."""
    a = np.deg2rad(tilt_deg)
    ground = np.arange(height_um.shape[1]) - (height_um.shape[1] - 1) / 2
    seen = ground * np.cos(a) - height_um / PIXEL_UM * np.sin(a)
    seen = np.maximum.accumulate(seen, axis=1)
    return np.array([np.interp(ground, s, g) for s, g in zip(seen, grey, strict=True)])


def secant(height_um, tilt_deg):
    """Brightness by the secant law at a tilt: the surface leans by its tangent."""
    slope = np.gradient(height_um, PIXEL_UM)
    return np.sqrt(1 + slope[0] ** 2 + (slope[1] + np.tan(np.deg2rad(tilt_deg))) ** 2)


def pair_of(height, grain, shading, tilts, noise, rng):
    return [
        project(height, grain + shading * secant(height, t), t)
        + noise * rng.standard_normal(height.shape)
        for t in tilts
    ]


def zone(shape=SIZE, border=16):
    inside = np.zeros(shape, bool)
    inside[border:-border, border:-border] = True
    return inside


def in_band(height, inside, short_um):
    kept = np.where(inside, height, np.nan)
    kept = kept - surface_form(kept, (PIXEL_UM, PIXEL_UM), FORM)
    return gaussian_areal_filter(kept, (PIXEL_UM, PIXEL_UM), short_um)[inside]


def sq_in_band(height, inside, short_um):
    return float(np.nanstd(in_band(height, inside, short_um)))


def told(height, grain, shading=0.0, tilts=(-5, 5), noise=0.01, seed=1, settings=SETTINGS, **more):
    pair = pair_of(height, grain, shading, tilts, noise, np.random.default_rng(seed))
    found = height_from_stereo(*pair, pixel_size_um=PIXEL_UM, tilt_deg=tilts, **more)
    assert found.stereo is not None
    return zone_heights(found.stereo, zone(), FORM, settings)


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(21)
    height = rough(rng, 12.0, 1.0)
    return height, 0.5 + rough(rng, 1.3, 0.1)


@pytest.fixture(scope="module")
def plain(scene):
    return told(*scene)


# --- the tools -----------------------------------------------------------------------------------
def test_a_spectrum_is_learned_from_its_draws():
    rng = np.random.default_rng(3)
    shape = (96, 120)
    rows, cols = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    true = FieldSpectrum((1 / (1 + (20 * np.hypot(rows, cols)) ** 2)).astype(np.float32), shape)
    draws = [true.field(rng.standard_normal(shape, np.float32)) for _ in range(20)]
    found = learned_spectrum(draws)
    power = [float(np.mean(s.root[1:40, 1:40] ** 2)) for s in (true, found)]
    assert power[1] == pytest.approx(power[0], rel=0.1)
    white = rng.standard_normal(shape).astype(np.float32)
    np.testing.assert_allclose(true.white(true.field(white)), white, atol=1e-3)
    # its own transpose
    other = rng.standard_normal(shape).astype(np.float32)
    assert np.vdot(other, true.field(white)) == pytest.approx(
        float(np.vdot(true.field(other), white)), rel=1e-4)


def test_conjugate_gradient_solves_a_linear_system():
    rng = np.random.default_rng(4)
    matrix = rng.standard_normal((12, 12))
    matrix = matrix @ matrix.T + np.eye(12)
    wanted = rng.standard_normal(12)
    found = conjugate_gradient(lambda x: matrix @ x, wanted, np.zeros(12), rounds=60,
                               tolerance=1e-10)
    np.testing.assert_allclose(found, np.linalg.solve(matrix, wanted), rtol=1e-6)


def test_shading_slopes_are_the_derivatives_of_the_terms():
    rng = np.random.default_rng(5)
    p, q = rng.uniform(-1.5, 1.5, (2, 6, 7)).astype(np.float64)
    weight = np.array([0.3, -0.7, 0.2, 0.5, -0.4])
    step = 1e-3

    def total(across, along):
        return sum(w * t.astype(float) for w, t in
                   zip(weight, shading_terms(across, along), strict=True))

    by_p, by_q = shading_slopes(p, q, weight)
    np.testing.assert_allclose(
        by_p, (total(p + step, q) - total(p - step, q)) / (2 * step), atol=2e-3)
    np.testing.assert_allclose(
        by_q, (total(p, q + step) - total(p, q - step)) / (2 * step), atol=2e-3)


def test_shading_terms_hold_the_secant_law_and_a_detector_at_a_side():
    # differences of brightness between two leans of a slope, by the laws themselves
    rng = np.random.default_rng(6)
    p, q = rng.uniform(-1, 1, (2, 40, 50))
    lean = np.tan(np.deg2rad(5))

    def brightness(across, along):
        s = np.sqrt(1 + across**2 + along**2)
        return s**1.1 - 0.6 * (0.8 * across + 0.6 * along) / s

    change = brightness(p - lean, q) - brightness(p + lean, q)
    design = np.stack([t.ravel() for t in shading_terms(p, q)], axis=1).astype(float)
    fit, *_ = np.linalg.lstsq(design, change.ravel(), rcond=None)
    assert np.var(change.ravel() - design @ fit) < 1e-3 * np.var(change)


# --- zones ---------------------------------------------------------------------------------------
def test_sq_of_a_zone_in_its_band(scene, plain):
    assert plain.reason == ""
    truth = sq_in_band(scene[0], zone(), plain.short_um)
    found = sq_in_band(plain.height_um, zone(), plain.short_um)
    assert found == pytest.approx(truth, rel=0.05)
    assert abs(found / truth - 1) < 2 * plain.u_rel
    assert np.isnan(plain.height_um[~zone()]).all()
    assert plain.short_um == SETTINGS.short_px * PIXEL_UM


def test_heights_of_a_zone_stand_where_they_are(scene, plain):
    found, truth = (in_band(h, zone(), plain.short_um) for h in (plain.height_um, scene[0]))
    both = np.isfinite(found) & np.isfinite(truth)
    assert both.mean() > 0.98
    assert np.corrcoef(found[both], truth[both])[0, 1] > 0.95


def test_a_zone_carries_the_figures_that_its_uncertainty_is_made_of(scene, plain):
    assert plain.opening == pytest.approx(1, abs=0.2)
    assert max(abs(plain.moved), abs(plain.part)) < 0.02
    assert 1 <= plain.fine < 1.5
    assert SETTINGS.u_rel < plain.u_rel <= SETTINGS.largest_u_rel
    # a refused zone carries them too, as far as its pair was read
    strict = told(*scene, settings=dataclasses.replace(SETTINGS, least_opening=3.0))
    assert strict.height_um is None
    assert (strict.opening, strict.split, strict.fine, strict.unseen, strict.excess) == (
        plain.opening, plain.split, plain.fine, plain.unseen, plain.excess)
    assert np.isnan(strict.moved)


def test_each_weight_alone_refuses_a_zone_and_says_so(scene, plain):
    """Every share of the uncertainty counts: with its weight raised the zone goes, and says why."""
    for name, words in (("moved", "two starts"), ("part", "changes with the tilt"),
                        ("split", "two ways"), ("unseen", "relief's power")):
        value = abs(getattr(plain, name))
        if value == 0:
            continue
        strict = dataclasses.replace(SETTINGS, **{f"{name}_weight": 0.5 / value})
        found = told(*scene, settings=strict)
        assert found.height_um is None
        assert words in found.reason
        assert found.u_rel == pytest.approx(0.5, rel=0.1)
    strict = dataclasses.replace(SETTINGS, finer_weight=0.5 / (plain.fine - 1))
    assert "finer than the band" in told(*scene, settings=strict).reason


def test_lines_alone_give_no_heights(scene, plain):
    assert 0 < plain.coherence < SETTINGS.largest_coherence
    strict = dataclasses.replace(SETTINGS, largest_coherence=0.9 * plain.coherence)
    found = told(*scene, settings=strict)
    assert found.height_um is None
    assert "lines alone" in found.reason


def test_the_same_pair_gives_the_same_heights(scene, plain):
    assert told(*scene).height_um.tobytes() == plain.height_um.tobytes()


def test_unequal_tilts(scene):
    found = told(*scene, tilts=(0, 8))
    truth = sq_in_band(scene[0], zone(), found.short_um)
    assert found.reason == ""
    assert sq_in_band(found.height_um, zone(), found.short_um) == pytest.approx(truth, rel=0.05)


def test_a_horizontal_axis_gives_the_transpose(scene, plain):
    pair = pair_of(*scene, 0.0, (-5, 5), 0.01, np.random.default_rng(1))
    found = height_from_stereo(*(p.T for p in pair), pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5),
                               tilt_axis="horizontal")
    turned = zone_heights(found.stereo, zone().T, FORM, SETTINGS)
    sq = [sq_in_band(h, zone(), plain.short_um) for h in (turned.height_um.T, plain.height_um)]
    assert sq[0] == pytest.approx(sq[1], rel=0.01)


def test_masks_and_planes_find_back_through_an_oblique_frame(scene):
    pair = pair_of(*scene, 0.0, (-5, 5), 0.01, np.random.default_rng(1))
    centre = ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
    turn = cv2.getRotationMatrix2D(centre, 25.0, 1.0)
    turned = [cv2.warpAffine(p, turn, SIZE[::-1], flags=cv2.INTER_CUBIC,
                             borderMode=cv2.BORDER_REFLECT) for p in pair]
    found = height_from_stereo(*turned, pixel_size_um=PIXEL_UM, tilt_deg=(-5, 5), tilt_axis=25.0)
    disc = np.hypot(*(np.mgrid[:SIZE[0], :SIZE[1]] - np.array(centre)[::-1, None, None])) < 60
    ground = on_ground_plane(disc, found.stereo)
    assert ground.sum() == pytest.approx(disc.sum(), rel=0.02)
    back = on_picture(np.where(ground, 1.0, np.nan), found.stereo)
    assert np.mean(np.isfinite(back) & disc) > 0.93 * np.mean(disc)


def test_a_zone_cut_into_blocks_is_read_as_a_whole_one(scene, plain):
    """136 by 176 points in blocks of at most 100: two by two, each with a spectrum of its own."""
    relief = dataclasses.replace(SETTINGS.relief, block_px=100)
    found = told(*scene, settings=dataclasses.replace(SETTINGS, relief=relief))
    assert found.reason == ""
    # no point is lost at the seams and none is taken twice
    assert (np.isfinite(found.height_um) == np.isfinite(plain.height_um)).all()
    one, two, truth = (
        in_band(h, zone(), plain.short_um) for h in (plain.height_um, found.height_um, scene[0]))
    both = np.isfinite(one) & np.isfinite(truth)
    one, two, truth = one[both], two[both], truth[both]
    assert np.std(two) == pytest.approx(np.std(truth), rel=0.05)
    assert np.std(two) == pytest.approx(np.std(one), rel=0.05)
    assert np.corrcoef(two, truth)[0, 1] > 0.93
    # blocks are drawn apart, so that single points part at a seam, but there is no step
    step = np.diff(found.height_um - scene[0], axis=1)[20:-20]
    seam = 16 + 88 - 1
    assert abs(step[:, seam].mean()) < 0.1
    assert np.abs(step[:, seam]).mean() < 5 * np.abs(step[:, 17:190]).mean()


def test_parts_too_small_for_a_spectrum_are_left_out(scene):
    relief = dataclasses.replace(SETTINGS.relief, block_px=36)
    found = told(*scene, settings=dataclasses.replace(SETTINGS, relief=relief))
    assert found.height_um is None  # 34 by 36 points say nothing of their own spectrum
    assert "too low" in found.reason


# --- what the brightness says --------------------------------------------------------------------
def witness(height_px, grey, inside):
    """The witness of a level patch with one pixel of height to one of parallax."""
    zero = np.zeros(inside.shape, np.float32)
    patch = ReliefPatch((zero, zero), zero, zero, zero, zero, (-0.5, 0.5), 1.0, 0.0, 1.0, inside,
                        zero)
    grey = grey.astype(np.float32)
    return witness_of(patch, LaidPair(zero, zero, zero, grey, grey),
                      height_px.astype(np.float32))


def test_brightness_shows_a_relief_by_its_slopes_and_crests_and_no_other():
    rng = np.random.default_rng(31)
    height, other = rough(rng, 5.0, 3.0), rough(rng, 5.0, 3.0)
    down, right = np.gradient(height)
    inside = zone()
    for grey in (0.4 * right - 0.2 * down, down**2 + right**2, -cv2.Laplacian(height, cv2.CV_64F),
                 0.1 * height):
        noisy = grey + 0.5 * grey.std() * rng.standard_normal(grey.shape)
        for sign in (1, -1):
            assert witness(sign * height, noisy, inside).explained > 0.65
        assert abs(witness(other, noisy, inside).explained) < 0.1
    # in chance's own terms: many unrelated reliefs of a small zone explain nothing on average
    small = np.zeros(SIZE, bool)
    small[40:110, 40:110] = True
    shares = [witness(rough(rng, 5.0, 3.0), noisy, small).explained for _ in range(30)]
    assert abs(np.mean(shares)) < 0.1


def test_the_opening_is_the_texture_across_over_that_along():
    rng = np.random.default_rng(32)
    lines = cv2.GaussianBlur(rng.standard_normal(SIZE), (0, 0), sigmaX=30.0, sigmaY=1.0)
    assert witness(rough(rng, 5.0, 1.0), lines, zone()).opening < 0.1
    turned = cv2.GaussianBlur(rng.standard_normal(SIZE), (0, 0), sigmaX=1.0, sigmaY=30.0)
    assert witness(rough(rng, 5.0, 1.0), turned, zone()).opening > 10
    assert witness(rough(rng, 5.0, 1.0), rough(rng, 2.0, 1.0), zone()).opening == pytest.approx(
        1, abs=0.1)


def test_lines_run_one_way_whatever_way_that_is_and_though_it_changes():
    rng = np.random.default_rng(34)
    row, col = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    height = rough(rng, 5.0, 1.0)
    for across in (row, col, row + col, np.hypot(row + 200, col + 200)):
        assert witness(height, np.sin(0.7 * across), zone()).coherence > 0.97
    assert witness(height, rough(rng, 2.0, 1.0), zone()).coherence < 0.3
    grid = np.sin(0.7 * row) + np.sin(0.7 * col)
    assert witness(height, grid, zone()).coherence < 0.3


def test_witnesses_of_parts_add_up():
    rng = np.random.default_rng(33)
    height = rough(rng, 5.0, 3.0)
    left, right = zone(), zone()
    left[:, 100:], right[:, :100] = False, False
    parts = [witness(height, np.gradient(height)[1], part) for part in (left, right)]
    both = together(parts)
    assert both.points == zone().sum()
    assert min(p.explained for p in parts) < both.explained < max(p.explained for p in parts) + 0.02
    coherent = sorted(part.coherence for part in parts)
    assert coherent[0] <= both.coherence <= coherent[1]
    assert Witness(100, 1.0, 0.0, 1.0, 1.0).explained == 0  # too small to say anything
    assert Witness(9000, 0.0, 0.0, 0.0, 0.0).explained == 0


def test_lines_along_the_parallax_get_no_number(scene):
    rng = np.random.default_rng(34)
    lines = cv2.GaussianBlur(rng.standard_normal(SIZE), (0, 0), sigmaX=25.0, sigmaY=1.0)
    found = told(scene[0], 0.5 + 0.1 * lines / lines.std(), noise=0.002)
    assert found.height_um is None


def test_grain_with_little_shading_is_told(scene):
    found = told(*scene, shading=0.05)
    truth = sq_in_band(scene[0], zone(), found.short_um)
    assert found.reason == ""
    error = sq_in_band(found.height_um, zone(), found.short_um) / truth - 1
    assert abs(error) < min(0.08, 2 * found.u_rel)


def test_a_zone_that_shows_nothing_but_shading_gets_no_number():
    rng = np.random.default_rng(8)
    height = rough(rng, 4.0, 0.35)
    found = told(height, np.full(SIZE, 0.2), shading=0.5, noise=0.003)
    assert found.height_um is None
    assert found.reason


def test_a_low_relief_gets_no_number(scene):
    found = told(0.1 * scene[0], scene[1])
    assert found.height_um is None
    assert "too low" in found.reason


def test_noise_that_drowns_the_relief_gets_no_number(scene):
    found = told(0.3 * scene[0], scene[1], noise=0.12, seed=4)
    assert found.height_um is None
    assert found.unseen > 0.2


def test_a_feigned_relief_is_not_found_from_afar(scene, plain):
    """Noise over a faint grain: the match makes a relief of it, which a far start does not find."""
    faint = 0.5 + 0.15 * (scene[1] - 0.5)
    open_all = dataclasses.replace(SETTINGS, largest_u_rel=np.inf, least_relief_px=0.0)
    found = told(0.1 * scene[0], faint, noise=0.03, seed=5, settings=open_all)
    value = sq_in_band(found.height_um, zone(), found.short_um)
    assert value > 2 * 0.1 * sq_in_band(scene[0], zone(), found.short_um)
    assert found.moved < -0.15
    assert abs(plain.moved) < 0.02
    assert found.u_rel > 3 * SETTINGS.largest_u_rel


def test_a_far_start_keeps_the_form_and_nothing_fine():
    rng = np.random.default_rng(36)
    row, col = np.mgrid[-1:1:SIZE[0] * 1j, -1:1:SIZE[1] * 1j]
    form = (3 * row - 2 * col + row * col).astype(np.float32)
    zero = np.zeros(SIZE, np.float32)
    fine, coarse = rough(rng, 3.0, 1.0).astype(np.float32), rough(rng, 60.0, 1.0)
    made = [
        smoothed_guess(ReliefPatch((zero, zero), zero, zero, zero, zero, (-0.5, 0.5), 1.0, 0.0,
                                   1.0, zone(), np.asarray(form + part, np.float32)))
        for part in (zero, fine, coarse.astype(np.float32))
    ]
    np.testing.assert_allclose(made[0], form, atol=1e-3)
    assert (made[1] - form)[zone()].std() < 0.25
    assert np.corrcoef((made[2] - form)[zone()], coarse[zone()])[0, 1] > 0.9
