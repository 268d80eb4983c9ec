"""Spot and line separation: right where resolved, silent where not."""

from __future__ import annotations

import dataclasses

import cv2
import face_scenes as scenes
import numpy as np
import other_maker
import pytest
from skimage import data

from edgeqc.measure.lattice import (
    LatticeMeasures,
    LatticeSettings,
    areal_dose,
    lattice_of_mask,
    measure_lattice,
)
from edgeqc.measure.lattice_spectrum import find_waves, zone_spectrum
from edgeqc.quantity import Measured

SHAPE = (320, 400)


def _measure(picture: np.ndarray, *, pixel_um: float | None = 0.5, tilt_deg: float = 0.0,
             set_um: tuple[float, float] | None = None,
             length_to: str = "right",
             settings: LatticeSettings | None = None) -> LatticeMeasures:
    image = scenes.plain_image(picture, pixel_um=pixel_um, tilt_deg=tilt_deg)
    face = scenes.plain_face(*picture.shape, length_to=length_to)
    return measure_lattice(image, face, scenes.one_zone(), set_um=set_um, settings=settings)


def _check(found: LatticeMeasures, spot: float, line: float, tolerance: float = 0.015) -> None:
    assert found.spot_um is not None, dict(found.reasons)
    assert found.line_um is not None
    assert found.spot_um.value == pytest.approx(spot, rel=tolerance)
    assert found.line_um.value == pytest.approx(line, rel=tolerance)
    for value in (found.spot_um, found.line_um):
        assert 0 < value.u < 0.1 * value.value
        assert value.u == pytest.approx(np.sqrt(sum(v**2 for v in value.budget.values())))


# published settings: 3 x 6 µm (J Cataract Refract Surg 43 (2017) 420), 8 x 2 and 4 x 6 µm
# (Transl Vis Sci Technol 4 (2015) 8)
@pytest.mark.parametrize(("spot", "line", "pixel_um"), [
    (3.0, 6.0, 0.5), (8.0, 2.0, 0.4), (4.0, 6.0, 0.5), (3.0, 6.0, 0.25), (5.3, 5.9, 0.6),
    (11.0, 7.0, 0.5),
])
@pytest.mark.parametrize("angle", [0.0, 33.0, 90.0])
def test_separations_and_direction(
    spot: float, line: float, pixel_um: float, angle: float
) -> None:
    rng = np.random.default_rng(int(10 * spot + line + angle))
    picture = scenes.lattice_picture(SHAPE, rng, spot_px=spot / pixel_um, line_px=line / pixel_um,
                                     angle_deg=angle)
    found = _measure(picture, pixel_um=pixel_um, set_um=(spot, line))
    _check(found, spot, line)
    assert found.angle_deg is not None
    off = (found.angle_deg.value - angle + 90) % 180 - 90
    assert abs(off) < 1.0
    assert found.regularity is not None
    assert 0 < found.regularity.value <= 1
    assert found.flags == ()


def test_jitter_lowers_regularity() -> None:
    shares = []
    for jitter in (0.02, 0.1, 0.18):
        picture = scenes.lattice_picture(SHAPE, np.random.default_rng(8), spot_px=8, line_px=12,
                                         jitter=jitter)
        found = _measure(picture, set_um=(4, 6))
        _check(found, 4, 6)
        assert found.regularity is not None
        shares.append(found.regularity.value)
    assert shares[0] > shares[1] > shares[2]


def test_parts_of_the_zone_that_differ_give_no_separation() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(9), spot_px=8, line_px=12)
    found = _measure(picture, set_um=(4, 6))
    _check(found, 4, 6)
    assert found.spot_um is not None
    assert found.line_um is not None
    apart = max(each.budget["spectrum"] / each.value for each in (found.spot_um, found.line_um))
    assert apart < 0.2 * LatticeSettings().max_u_rel  # a plain lattice is nowhere near the limit
    strict = _measure(picture, set_um=(4, 6), settings=LatticeSettings(max_u_rel=0.9 * apart))
    assert strict.spot_um is None
    assert "parts of the zone differ" in strict.reasons["spot_um"]
    assert [flag.name for flag in strict.flags] == ["lattice_not_significant"]


def test_a_wrong_set_value_does_not_change_what_is_measured() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(3), spot_px=7, line_px=12)
    told = _measure(picture, set_um=(4.2, 5.0))
    _check(told, 3.5, 6.0)
    assert [flag.name for flag in told.flags] == ["lattice_differs_from_set"]


@pytest.mark.parametrize("set_um", [(7.0, 6.0), (3.5, 12.0), (1.75, 3.0), (5.0, 5.0), (7.0, 12.0)])
def test_a_set_value_that_is_far_off_does_not_pull(set_um: tuple[float, float]) -> None:
    # multiples of the true separations above all: seven waves tell 3.5 x 6 from any of them
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(3), spot_px=7, line_px=12)
    found = _measure(picture, set_um=set_um)
    _check(found, 3.5, 6.0)
    assert [flag.name for flag in found.flags] == ["lattice_differs_from_set"]


def test_few_waves_far_from_the_set_value_are_not_claimed_but_what_was_seen_is_said() -> None:
    row, col = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    picture = 0.5 + 0.1 * (np.cos(2 * np.pi * col / 7) + np.cos(2 * np.pi * row / 12))
    picture += 0.05 * np.random.default_rng(1).standard_normal(SHAPE)
    _check(_measure(picture, set_um=(3.4, 6.1)), 3.5, 6.0)
    found = _measure(picture, set_um=(7.0, 6.0))
    assert found.spot_um is None
    assert "3.5 x 6 µm were seen" in found.reasons["spot_um"]
    assert [flag.name for flag in found.flags] == ["lattice_differs_from_set"]


def test_without_set_values_the_smaller_is_the_spots_and_that_is_said() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(4), spot_px=12, line_px=7)
    found = _measure(picture)
    _check(found, 3.5, 6.0)
    assert found.spot_um is not None
    assert "smaller" in found.spot_um.note


def test_shifted_lines() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(5), spot_px=8, line_px=12,
                                     stagger=0.5)
    _check(_measure(picture, set_um=(4, 6)), 4, 6)


def test_lines_shifted_by_half_can_be_read_in_two_ways_and_nothing_is_guessed() -> None:
    # centred cells: spots 4 in lines 6 apart, or spots 12 in lines 2 apart
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(5), spot_px=8, line_px=12,
                                     stagger=0.5)
    found = _measure(picture)
    assert found.spot_um is None
    assert "two ways" in found.reasons["spot_um"]


@pytest.mark.parametrize("tilt", [10.0, 25.0])
def test_tilt_is_undone_across_the_thickness(tilt: float) -> None:
    # foreshortening by cos(tilt): 10 deg 1.519 %, 25 deg 9.369 % (plane trigonometry)
    squeeze = float(np.cos(np.radians(tilt)))
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(6), spot_px=8, line_px=12,
                                     squeeze=squeeze)
    _check(_measure(picture, tilt_deg=tilt, set_um=(4, 6)), 4, 6)


def test_invariances() -> None:
    rng = np.random.default_rng(7)
    picture = scenes.lattice_picture(SHAPE, rng, spot_px=7, line_px=11, angle_deg=20)
    first = _measure(picture, set_um=(3.5, 5.5))
    assert first.spot_um is not None
    assert first.line_um is not None
    others = {
        "quarter turn": (np.rot90(picture, -1), 0.5, "down"),
        "mirror": (picture[:, ::-1], 0.5, "right"),
        "grey gain and offset": (0.1 + 0.3 * picture, 0.5, "right"),
        "contrast turned over": (1 - picture, 0.5, "right"),
        "pixel size doubled": (picture, 1.0, "right"),
    }
    for name, (other, pixel_um, length_to) in others.items():
        set_um = (3.5 * pixel_um / 0.5, 5.5 * pixel_um / 0.5)
        again = _measure(np.ascontiguousarray(other), pixel_um=pixel_um, length_to=length_to,
                         set_um=set_um)
        assert again.spot_um is not None, name
        assert again.line_um is not None, name
        factor = pixel_um / 0.5
        assert again.spot_um.value == pytest.approx(factor * first.spot_um.value, rel=2e-3), name
        assert again.line_um.value == pytest.approx(factor * first.line_um.value, rel=2e-3), name


@pytest.mark.parametrize(("spot_px", "line_px", "pixel_um", "flag"), [
    (2.4, 4.8, 0.8, "texture_unresolved"),   # below three pixels
    (2.4, 2.6, 0.9, "texture_unresolved"),
])
def test_too_fine_a_lattice_is_not_claimed(
    spot_px: float, line_px: float, pixel_um: float, flag: str
) -> None:
    rng = np.random.default_rng(9)
    picture = scenes.lattice_picture(SHAPE, rng, spot_px=spot_px, line_px=line_px)
    for set_um in (None, (spot_px * pixel_um, line_px * pixel_um)):
        found = _measure(picture, pixel_um=pixel_um, set_um=set_um)
        assert found.spot_um is None
        assert found.line_um is None
        assert found.reasons["spot_um"]
        if set_um is not None:
            assert [item.name for item in found.flags] == [flag]


def test_coarse_pixels_want_a_sheet_that_agrees() -> None:
    # a lattice of 2 µm would be seen at 3 pixels and more where pixels are above 1.33 µm
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(9), spot_px=6, line_px=9)
    alone = _measure(picture, pixel_um=1.4)
    assert [flag.name for flag in alone.flags] == ["texture_unresolved"]
    _check(_measure(picture, pixel_um=1.4, set_um=(8.2, 12.9)), 8.4, 12.6)
    for set_um in ((8.4, 6.3), (6.3, 12.6), (5.0, 5.0)):
        assert _measure(picture, pixel_um=1.4, set_um=set_um).spot_um is None


def test_an_aliased_lattice_is_held_back_by_the_set_separation() -> None:
    # spots every 1.18 px are seen every 1/(1/1.18 - 1) = 6.6 px
    row, col = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    picture = 0.5 + 0.1 * (np.cos(2 * np.pi * col / 1.18) + np.cos(2 * np.pi * row / 1.22))
    picture += 0.02 * np.random.default_rng(1).standard_normal(SHAPE)
    found = _measure(picture, pixel_um=0.9, set_um=(1.18 * 0.9, 1.22 * 0.9))
    assert found.spot_um is None
    assert [flag.name for flag in found.flags] == ["texture_unresolved"]


def test_no_scale_no_separation() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(3), spot_px=7, line_px=12)
    found = _measure(picture, pixel_um=None)
    assert found.spot_um is None
    assert "pixel size" in found.reasons["spot_um"]


def _null(kind: int, rng: np.random.Generator) -> np.ndarray:
    """Textures without a lattice: white, smooth, fractal, striated, spotted."""
    white = rng.standard_normal(SHAPE).astype(np.float32)
    if kind == 0:
        field = white
    elif kind == 1:
        field = cv2.GaussianBlur(white, (0, 0), float(rng.uniform(1, 6)))
    elif kind == 2:
        f = np.hypot(np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1])[None])
        f[0, 0] = 1
        field = np.fft.ifft2(np.fft.fft2(white) / f ** rng.uniform(0.5, 2)).real
    elif kind == 3:
        field = cv2.GaussianBlur(white, (0, 0), sigmaX=float(rng.uniform(8, 30)),
                                 sigmaY=float(rng.uniform(0.8, 3)))
    else:
        field = cv2.GaussianBlur((white > 2.3).astype(np.float32), (0, 0),
                                 float(rng.uniform(1, 4)))
    field = field / field.std()
    offsets = 0.3 * rng.standard_normal(SHAPE[0])[:, None] * rng.integers(0, 2)
    return 0.5 + 0.1 * field + 0.03 * rng.standard_normal(SHAPE) + 0.05 * offsets


def test_false_claims_on_textures_without_a_lattice() -> None:
    rng = np.random.default_rng(77)
    claims = 0
    for number in range(100):
        found = _measure(_null(number % 5, rng))
        claims += found.spot_um is not None
    # at a rate of 1 % more than three of 100 have a chance of 2 %
    assert claims <= 3


@pytest.mark.parametrize("name", ["grass", "gravel"])
def test_natural_textures_have_no_lattice(name: str) -> None:
    # pictures that the image library carries; brick, a lattice of its own, is left out
    picture = getattr(data, name)().astype(float) / 255
    for pixel_um in (0.2, 0.5, 0.9):
        assert _measure(picture, pixel_um=pixel_um).spot_um is None


def test_white_noise_follows_the_law_that_significance_rests_on() -> None:
    # the upper tail of an averaged periodogram: no more spectra have a peak beyond a chance of
    # 10 % than that (three binomial standard errors)
    hits, runs = 0, 60
    rng = np.random.default_rng(5)
    for _ in range(runs):
        noise = rng.standard_normal((256, 256)).astype(np.float32)
        spectrum = zone_spectrum(noise, np.ones(noise.shape, bool), side_px=2048, longest_px=60)
        assert spectrum is not None
        hits += bool(find_waves(spectrum, shortest_px=2.1, longest_px=60, max_chance=0.1))
    assert hits / runs <= 0.1 + 3 * np.sqrt(0.1 * 0.9 / runs)


def test_the_areal_dose() -> None:
    # E/(spot x line): 8 µJ at 3 x 6 µm is 44.444 J/cm², 1 µJ at 8 x 2 is 6.25, 12 at 4 x 6 is 50
    # (arithmetic on published settings)
    for energy, spot, line, dose in ((8, 3, 6, 400 / 9), (1, 8, 2, 6.25), (12, 4, 6, 50.0)):
        exact = [Measured(float(v), 0.0, "µm") for v in (spot, line)]
        assert areal_dose(energy, *exact).value == pytest.approx(dose, rel=1e-12)
        assert areal_dose(energy, *exact).unit == "J/cm²"
    doubtful = areal_dose(8, Measured(3, 0.03, "µm"), Measured(6, 0.06, "µm"))
    # one pixel size behind both: 1 % each makes 2 %
    assert doubtful.u / doubtful.value == pytest.approx(0.02)


def test_a_bent_face_is_laid_straight() -> None:
    """A lattice that follows an arc of 20 degrees."""
    rng = np.random.default_rng(2)
    flat = scenes.lattice_picture((260, 900), rng, spot_px=7, line_px=11, noise=0.0)
    radius, rows, cols = 2400.0, 420, 900
    row, col = np.mgrid[0:rows, 0:cols].astype(np.float32)
    centre = (210 + radius, cols / 2)
    angle = np.arctan2(col - centre[1], centre[0] - row)
    s = angle * radius + 450
    w = radius - np.hypot(row - centre[0], col - centre[1])
    picture = cv2.remap(flat.astype(np.float32), s.astype(np.float32),
                        (130 - w).astype(np.float32), cv2.INTER_CUBIC)
    picture += 0.03 * rng.standard_normal(picture.shape)
    stations = np.arange(-380, 381, 4.0) / radius
    ends = []
    for offset in (110.0, -110.0):
        ends.append(np.stack([centre[0] - (radius + offset) * np.cos(stations),
                              centre[1] + (radius + offset) * np.sin(stations)], axis=1))
    face = dataclasses.replace(
        scenes.plain_face(rows, cols), outline_px=np.concatenate([ends[0], ends[1][::-1]]),
        anterior_px=ends[0], posterior_px=ends[1], s_px=(stations - stations[0]) * radius,
        complete=np.ones(stations.size, bool),
    )
    found = measure_lattice(scenes.plain_image(picture), face, scenes.one_zone(), set_um=(3.5, 5.5))
    _check(found, 3.5, 5.5)


def test_no_zone_no_claim() -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(3), spot_px=7, line_px=12)
    image, face = scenes.plain_image(picture), scenes.plain_face(*SHAPE)
    empty = lattice_of_mask(image, face, np.zeros(SHAPE, bool))
    assert empty.reasons["spot_um"] == "there is no laser zone"
    strip = np.zeros(SHAPE, bool)
    strip[30:33] = True
    assert lattice_of_mask(image, face, strip, settings=LatticeSettings()).spot_um is None


def test_on_drawn_faces() -> None:
    """Phantoms with a lattice: most are claimed, and what is claimed is within 1.5 %."""
    phantoms = pytest.importorskip("edgeqc.phantoms")
    errors = []
    for seed in range(10):
        recipe = phantoms.random_recipe(np.random.default_rng(70_100 + seed), "lattice",
                                        rows=420, cols=520, pixel_size_um=0.5, angle_deg=0.0)
        drawn = phantoms.draw_phantom(recipe)
        truth = drawn.truth.faces[0]
        if truth.lattice is None:
            continue
        pixels = drawn.image / np.iinfo(drawn.image.dtype).max
        image = scenes.plain_image(pixels, pixel_um=recipe.pixel_size_um,
                                   tilt_deg=recipe.tilt_deg)
        middle = (truth.anterior_px + truth.posterior_px) / 2
        s_px = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(middle, axis=0).T))])
        face = dataclasses.replace(
            scenes.plain_face(420, 520), outline_px=truth.outline_px, s_px=s_px,
            anterior_px=truth.anterior_px, posterior_px=truth.posterior_px,
            complete=truth.complete)
        set_um = (truth.lattice.spot_um, truth.lattice.line_um)
        found = lattice_of_mask(image, face, drawn.truth.labels == 1, set_um=set_um)
        if found.spot_um is not None and found.line_um is not None:
            errors.append(max(abs(found.spot_um.value / set_um[0] - 1),
                              abs(found.line_um.value / set_um[1] - 1)))
    assert len(errors) >= 4
    assert np.median(errors) < 0.002
    assert max(errors) < 0.015


# spots 4 apart in lines 6 apart, shifted by half, are spots 12 apart in lines 2 apart as well
@pytest.mark.parametrize(("set_um", "told"), [
    ((4.1, 5.9), (4.0, 6.0)), ((11.8, 2.0), (12.0, 2.0)),
    ((5.0, 5.0), None), ((7.0, 3.4), None), ((8.0, 6.0), None),
])
def test_only_settings_that_fit_tell_the_two_readings_apart(
    set_um: tuple[float, float], told: tuple[float, float] | None
) -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(5), spot_px=8, line_px=12,
                                     stagger=0.5)
    found = _measure(picture, set_um=set_um)
    if told is None:
        assert found.spot_um is None
        assert "two ways" in found.reasons["spot_um"]
    else:
        _check(found, *told)


@pytest.mark.parametrize("stagger", [0.2, 0.37])
def test_lines_shifted_by_any_share(stagger: float) -> None:
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(6), spot_px=9, line_px=11,
                                     stagger=stagger)
    _check(_measure(picture), 4.5, 5.5)


def test_a_separation_is_not_taken_for_its_half() -> None:
    # the fundamental of the spots far below its harmonic: every other spot only a little deeper
    row, col = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    picture = 0.5 + 0.1 * (np.cos(2 * np.pi * col / 6) + np.cos(2 * np.pi * row / 9))
    picture += 0.035 * np.cos(2 * np.pi * col / 12)
    picture += 0.05 * np.random.default_rng(2).standard_normal(SHAPE)
    found = _measure(picture)
    # 6 x 4.5 or nothing; never 3 x 4.5
    assert found.spot_um is None or found.spot_um.value == pytest.approx(4.5, rel=0.01)
    if found.line_um is not None:
        assert found.line_um.value == pytest.approx(6.0, rel=0.01)


def test_a_lattice_longer_than_what_is_searched_is_not_halved() -> None:
    picture = scenes.lattice_picture((700, 700), np.random.default_rng(1), spot_px=14, line_px=50)
    assert _measure(picture).spot_um is None


def test_a_faint_lattice_is_seen_over_the_whole_zone() -> None:
    # no cell stands out of the noise; over 1,400 of them the waves do
    picture = scenes.lattice_picture(SHAPE, np.random.default_rng(4), spot_px=8, line_px=11,
                                     noise=0.35)
    _check(_measure(picture, set_um=(4, 5.5)), 4, 5.5)


def test_intervals_hold_the_true_separations() -> None:
    rng = np.random.default_rng(12)
    held, claims = 0, 0
    for _ in range(30):
        spot, line = rng.uniform(5, 14, 2)
        picture = scenes.lattice_picture(
            SHAPE, rng, spot_px=spot, line_px=line, angle_deg=float(rng.uniform(-90, 90)),
            jitter=float(rng.uniform(0, 0.15)), noise=float(rng.uniform(0.05, 0.3)))
        image = scenes.plain_image(picture, u_rel=0.0)
        found = measure_lattice(image, scenes.plain_face(*SHAPE), scenes.one_zone(),
                                set_um=(spot / 2, line / 2))
        if found.spot_um is None or found.line_um is None:
            continue
        for value, truth in ((found.spot_um, spot / 2), (found.line_um, line / 2)):
            claims += 1
            low, high = value.interval
            held += low <= truth <= high
            assert value.u < 0.01 * truth
    assert claims >= 40
    # of 40 at a rate of 95 % fewer than 35 hold with a chance of 1 in 100
    assert held >= 0.86 * claims


def test_faces_of_an_unrelated_maker() -> None:
    """Pits painted on a grid: right where the sheet is, and whatever a wrong sheet says."""
    judged = 0
    for seed in range(3_920_000, 3_920_008):
        made = other_maker.paint_face(np.random.default_rng(seed))
        if not np.isfinite(made.spot_um) or made.pixel_size_um > 1.33:
            continue
        image = scenes.plain_image(made.image / 255.0, pixel_um=made.pixel_size_um)
        face = scenes.plain_face(*made.labels.shape)
        true = (made.spot_um, made.line_um)
        for set_um in (true, (2 * true[0], true[1]), (true[0], true[1] / 1.3), None):
            found = lattice_of_mask(image, face, made.labels == 1, set_um=set_um)
            if found.spot_um is None or found.line_um is None:
                continue
            judged += 1
            seen = sorted((found.spot_um.value, found.line_um.value))
            assert seen == pytest.approx(sorted(true), rel=0.005), (seed, set_um)
    assert judged >= 6
