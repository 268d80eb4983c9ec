"""Phantoms: their truth is right, and their pictures follow the physics that they claim."""

import ast
import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from skimage.draw import polygon2mask

from edgeqc.errors import UsageError
from edgeqc.phantoms import (
    FAMILIES,
    Recipe,
    draw_phantom,
    draw_stereo_pair,
    random_recipe,
)
from edgeqc.phantoms.acquisition import detect_electrons, take_picture
from edgeqc.phantoms.demo import demo_phantoms, face, picture, write_demo
from edgeqc.phantoms.face_recipe import EdgeRecipe, LayoutRecipe
from edgeqc.phantoms.fields import Patch, anisotropic_noise, correlated_line
from edgeqc.phantoms.layout import lay_out, zone_weights
from edgeqc.phantoms.outline import lay_chords, shape_face, side_of
from edgeqc.phantoms.recipe import AcquisitionRecipe, BarRecipe, DebrisRecipe, SurroundRecipe
from edgeqc.phantoms.signal import electron_signal, tilt_yield
from edgeqc.phantoms.writing import truth_json, write_phantoms


def small(seed, family=None, **fixed):
    fixed.setdefault("rows", 400)
    fixed.setdefault("cols", 500)
    return random_recipe(np.random.default_rng(seed), family, **fixed)


def plate(layout, *, pixel_um=0.5, **changes):
    """A straight smooth plate without noise in its outline, for exact answers."""
    smooth = EdgeRecipe(rq_um=0.0, brightness=0.0)
    shape = {
        "form": "plate", "sag": 0.0, "bend": 0.0, "anterior": smooth, "posterior": smooth,
        "end_rq_um": 0.0, "corner_um": 0.0,
    } | changes
    return picture(
        5, pixel_um, face(120.0, layout, **shape), rows=400, cols=500, surround=SurroundRecipe()
    )


PLAIN = LayoutRecipe("over_torn", 0.8)


# --- recipes ------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_draws_and_its_recipe_survives_json(family):
    recipe = small(3, family)
    assert Recipe.from_json(recipe.to_json()) == recipe
    assert recipe.family == family
    phantom = draw_phantom(recipe)
    assert phantom.image.shape == (400, 500)
    assert phantom.truth.labels.shape == phantom.truth.scene.shape == (400, 500)
    assert ((phantom.truth.labels > 0) == (phantom.truth.scene == 2)).all()
    assert np.isfinite(phantom.truth.height_um[phantom.truth.scene == 2]).all()
    assert np.isnan(phantom.truth.height_um[phantom.truth.scene != 2]).all()
    assert len(phantom.truth.faces) == (2 if family == "two_faces" else 1)


def test_same_recipe_same_picture_other_seed_other_picture():
    recipe = small(8)
    first, again = draw_phantom(recipe), draw_phantom(Recipe.from_json(recipe.to_json()))
    assert np.array_equal(first.image, again.image)
    assert np.array_equal(first.truth.labels, again.truth.labels)
    other = draw_phantom(replace(recipe, seed=recipe.seed + 1))
    assert not np.array_equal(first.image, other.image)


def test_fixed_fields_hold():
    bar = BarRecipe(0)
    recipe = small(1, "melt", pixel_size_um=0.4, angle_deg=180.0, layout="through", bar=bar)
    assert (recipe.pixel_size_um, recipe.faces[0].angle_deg) == (0.4, 180.0)
    assert recipe.faces[0].laser.kind == "melt"
    assert recipe.faces[0].layout.depth == 1.0
    assert recipe.bar == bar


@pytest.mark.parametrize("text", ["{", "[]", '{"family": "x"}', '{"nonsense": 1}'])
def test_a_wrong_recipe_is_a_usage_error(text):
    with pytest.raises(UsageError, match="recipe"):
        Recipe.from_json(text)


def test_an_unknown_family_names_the_known_ones():
    with pytest.raises(UsageError, match="lattice"):
        random_recipe(np.random.default_rng(0), "velvet")


def test_sizes_and_scales_spread_as_pictures_do():
    rng = np.random.default_rng(4)
    recipes = [random_recipe(rng) for _ in range(300)]
    sizes = np.array([max(item.rows, item.cols) for item in recipes])
    assert sizes.min() >= 400
    assert sizes.max() <= 2200
    assert 0.6 < np.mean((sizes >= 600) & (sizes <= 1200)) < 0.95
    thickness = np.array([item.faces[0].thickness_um for item in recipes])
    assert thickness.max() <= 1300
    depth = np.array([item.faces[0].layout.depth for item in recipes])
    assert np.mean(depth[depth > 0] >= 0.7) > 0.6
    sides = {side_of(item.faces[0].angle_deg) for item in recipes}
    assert sides == {"top", "bottom", "left", "right"}
    assert {item.surround.optic_side for item in recipes} == {
        "none", "anterior", "posterior", "both"
    }


# --- truth against counting pixels --------------------------------------------------------------


@pytest.mark.parametrize("depth", [0.3, 0.85])
def test_depth_truth_agrees_with_counting_pixels_in_columns(depth):
    phantom = draw_phantom(plate(replace(PLAIN, depth=depth, wave=0.03)))
    labels = phantom.truth.labels
    counted = (labels == 1).sum(axis=0) / (labels > 0).sum(axis=0)
    truth = phantom.truth.faces[0]
    columns = truth.anterior_px[:, 1]
    inner = (columns > 5) & (columns < 494)
    at_chord = np.interp(columns[inner], np.arange(500), counted)
    # one column's count is good to about a pixel out of 240
    assert np.abs(at_chord - truth.depth_fraction[inner]).max() < 0.02
    assert truth.cut_depth_fraction == pytest.approx(counted.mean(), abs=0.002)
    assert truth.zone_fraction["laser"] == pytest.approx((labels == 1).sum() / (labels > 0).sum())
    assert truth.ligament_um == pytest.approx((1 - counted.mean()) * 120, abs=0.3)


@pytest.mark.parametrize("angle", [0, 37, 90, 180, 270, 301])
def test_depth_is_counted_from_the_anterior_side_at_any_angle(angle):
    recipe = plate(replace(PLAIN, depth=0.7), angle_deg=float(angle))
    phantom = draw_phantom(recipe)
    truth = phantom.truth.faces[0]
    assert truth.cut_depth_fraction == pytest.approx(0.7, abs=1e-3)
    middle = len(truth.complete) // 2
    front, back = truth.anterior_px[middle], truth.posterior_px[middle]
    codes = [
        phantom.truth.labels[tuple(np.rint(front + t * (back - front)).astype(int))]
        for t in (0.1, 0.5, 0.65, 0.75, 0.9)
    ]
    assert codes == [1, 1, 1, 3, 3]
    toward = {"top": (-1, 0), "bottom": (1, 0), "left": (0, -1), "right": (0, 1)}[truth.anterior]
    assert np.dot(front - back, toward) > 0.7 * np.hypot(*(front - back))


@pytest.mark.parametrize("tilt", [0.0, 30.0, 45.0])
def test_tilt_foreshortens_the_picture_but_not_the_truth(tilt):
    """A length across the tilt axis shrinks by cos(tilt): 13.40 % at 30 deg, 29.29 % at 45 deg."""
    recipe = replace(plate(PLAIN), tilt_deg=tilt)
    phantom = draw_phantom(recipe)
    rows = (phantom.truth.labels > 0).sum(axis=0).mean()
    shrink = {0.0: 0.0, 30.0: 0.1340, 45.0: 0.2929}[tilt]
    assert rows == pytest.approx(240 * (1 - shrink), abs=0.6)
    assert phantom.truth.faces[0].thickness_um == pytest.approx(120, rel=1e-6)
    assert phantom.truth.faces[0].cut_depth_fraction == pytest.approx(0.8, abs=1e-3)


def test_thickness_of_a_taper_is_across_its_mid_line():
    """A wedge of half-angle a, cut square to its mid-line, has thickness 2·s·tan(a) at s."""
    recipe = plate(PLAIN, taper=0.4, start_um=-200.0, end_um=200.0)
    truth = draw_phantom(recipe).truth.faces[0]
    s = 0.5 * (truth.anterior_px + truth.posterior_px)[:, 1] - 0.5 * 499
    expected = 120 * (1 + 0.4 * s * 0.5 / 400)
    assert truth.thickness_um[truth.complete] == pytest.approx(expected[truth.complete], rel=1e-6)


def test_chords_of_a_bent_face_stand_square_on_its_axis():
    """On an arc of constant thickness all chords point at the circle's centre."""
    recipe = plate(PLAIN, bend=0.3, start_um=-300.0, end_um=300.0)
    shape = shape_face(recipe, recipe.faces[0], np.random.default_rng(0))
    chords = lay_chords(shape, (400, 500))
    radius_px = 1 / shape.axis.curvature / 0.5
    centre = np.array([0.5 * 399 + radius_px, 0.5 * 499])
    for ends, expected in ((chords.anterior_px, 120), (chords.posterior_px, -120)):
        distance = np.hypot(*(ends - centre).T)
        assert distance == pytest.approx(radius_px + expected, abs=1e-6)
    steps = np.hypot(*np.diff(0.5 * (chords.anterior_px + chords.posterior_px), axis=0).T)
    assert steps == pytest.approx(2.0, abs=0.01)


def test_outline_holds_the_labels():
    """The outline, filled by another library, is the labelled face (ends and corners too)."""
    for seed in range(4):
        phantom = draw_phantom(small(seed, "lattice", debris=DebrisRecipe()))
        rows = 400 - phantom.recipe.bar.height_px
        filled = polygon2mask((400, 500), phantom.truth.faces[0].outline_px)[:rows]
        labelled = phantom.truth.labels[:rows] > 0
        assert (filled & labelled).sum() / (filled | labelled).sum() > 0.997


def test_summary_follows_the_definitions():
    stretch_free = draw_phantom(plate(replace(PLAIN, depth=0.9, slant=0.3))).truth.faces[0]
    d, t = stretch_free.depth_fraction, stretch_free.thickness_um
    known = np.isfinite(d)
    d, t = d[known], t[known]
    lasered = d > 0
    assert stretch_free.laser_length_fraction == pytest.approx(lasered.mean())
    assert stretch_free.through_cut_fraction == pytest.approx((d[lasered] >= 0.99).mean())
    assert stretch_free.cut_depth_area_fraction == pytest.approx((d * t).sum() / t.sum())
    assert stretch_free.ligament_max_um == pytest.approx(((1 - d) * t).max())


@pytest.mark.parametrize(
    ("layout", "present"),
    [("over_torn", {1, 3}), ("over_scissor", {1, 2}), ("over_both", {1, 2, 3}), ("through", {1}),
     ("scissor_whole", {2}), ("torn_whole", {3})],
)
def test_layouts_hold_the_zones_that_they_name(layout, present):
    recipe = small(2, "lattice", layout=layout, crop="through", angle_deg=0.0,
                   debris=DebrisRecipe())
    face_drawn = draw_phantom(recipe).truth
    assert set(np.unique(face_drawn.labels)) - {0} == present
    if 1 not in present:
        assert math.isnan(face_drawn.faces[0].cut_depth_fraction)
        assert face_drawn.faces[0].laser_length_fraction == 0


def test_zone_weights_add_up_to_one():
    recipe = small(6, "scissor_ends")
    shape = shape_face(recipe, recipe.faces[0], np.random.default_rng(1))
    layout = lay_out(shape, recipe.faces[0].layout, np.random.default_rng(2))
    s, w = np.meshgrid(np.linspace(*shape.ends_um, 200), np.linspace(-0.4, 0.4, 80))
    weights = zone_weights(shape, layout, s, w * recipe.faces[0].thickness_um, 2.0)
    total = weights.laser + weights.scissor + weights.torn
    assert total == pytest.approx(1.0)


def test_a_face_that_leaves_the_picture_has_no_thickness():
    recipe = small(5, "cropped", crop="fills")
    truth = draw_phantom(recipe).truth
    assert "cropped_thickness" in truth.quality
    assert not truth.faces[0].complete.any()
    assert math.isnan(truth.faces[0].cut_depth_fraction)


def test_obscured_borders_give_no_depth():
    recipe = replace(plate(PLAIN), debris=DebrisRecipe(films=3, film_um=60.0))
    truth = draw_phantom(recipe).truth
    hidden = np.isnan(truth.faces[0].depth_fraction[truth.faces[0].complete])
    assert (truth.labels == 4).any()
    assert truth.faces[0].debris_count >= 1
    assert truth.faces[0].debris_area_fraction == pytest.approx(
        (truth.labels == 4).sum() / (truth.labels > 0).sum()
    )
    border_row = np.rint(
        truth.faces[0].anterior_px[:, 0] + 0.8 * (truth.faces[0].posterior_px
                                                  - truth.faces[0].anterior_px)[:, 0]
    ).astype(int)
    column = np.clip(np.rint(truth.faces[0].anterior_px[:, 1]).astype(int), 0, 499)
    covered = truth.labels[border_row, column] == 4
    assert (hidden == covered[truth.faces[0].complete]).mean() > 0.98


# --- physics ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tilt_deg", "expected"), [(30, 1.1547005), (45, 1.4142136), (60, 2.0)]
)
def test_secondary_yield_of_a_tilted_plane_follows_one_over_cos(tilt_deg, expected):
    """delta(t)/delta(0) = sec t for n = 1 (Reimer, Scanning Electron Microscopy, chapter 4)."""
    slope = np.float32(math.tan(math.radians(tilt_deg)))
    assert tilt_yield(np.array(slope**2), 1.0, math.inf) == pytest.approx(expected, rel=1e-4)
    ramp = np.repeat(np.arange(64, dtype=np.float32)[:, None] * slope * 0.25, 64, axis=1)
    plain = replace(picture(0, 1.0).signal, exponent=1.0, saturation=math.inf, detector_gain=0.0,
                    convexity_gain=0.0, shadow_gain=0.0)
    drawn = electron_signal(ramp, 0.25, plain)[8:-8, 8:-8]
    assert drawn == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("dose", [4.0, 100.0])
def test_shot_noise_is_poisson(dose):
    """Variance of a count equals its mean; amplitude SNR is the root of the count."""
    flat = np.full((700, 700), 1.0, np.float32)
    counts = detect_electrons(flat, dose, np.random.default_rng(1)) * dose
    assert counts.mean() == pytest.approx(dose, rel=0.005)
    assert counts.var() == pytest.approx(counts.mean(), rel=0.01)
    assert counts.mean() / counts.std() == pytest.approx(math.sqrt(dose), rel=0.01)


def test_more_dose_less_noise_in_the_picture():
    flat = np.ones((300, 300), np.float32)
    plain = AcquisitionRecipe(blur_px=0.0, bits=16, brightness=0.5, contrast=0.3)
    noise = {}
    for dose in (50.0, 200.0):
        image = take_picture(flat, replace(plain, dose=dose), np.random.default_rng(2))
        noise[dose] = image.std() / 65535 / 0.3
        assert noise[dose] == pytest.approx(dose**-0.5, rel=0.02)


def test_beam_blur_widens_a_step_as_a_gaussian_does():
    """20-80 % of a Gaussian-blurred step is 1.683 sigma wide (closed formula)."""
    step = np.repeat((np.arange(200) >= 100).astype(np.float32)[None, :], 50, axis=0)
    plain = AcquisitionRecipe(blur_px=3.0, dose=1e7, bits=16, brightness=0.9, contrast=0.8)
    row = take_picture(step, plain, np.random.default_rng(0)).mean(axis=0)
    row = (row - row[0]) / (row[-1] - row[0])
    assert np.interp(0.8, row, np.arange(200)) - np.interp(0.2, row, np.arange(200)) == (
        pytest.approx(1.683242 * 3.0, rel=0.02)
    )


def test_a_random_edge_has_the_roughness_and_the_spectrum_asked_for():
    """With exponent 1/2 the autocorrelation is exp(-r/xi) (Palasantzas 1993)."""
    lines = np.stack([
        correlated_line(4000, 0.5, np.random.default_rng(i), correlation_um=10.0, exponent=0.5)
        for i in range(60)
    ])
    assert lines.std() == pytest.approx(1.0, rel=0.03)
    lag = np.mean(lines[:, :-20] * lines[:, 20:])
    assert lag == pytest.approx(math.exp(-1), abs=0.04)


def test_noise_lies_along_its_lay_in_a_turned_and_tilted_picture():
    """The lay of a relief turns with the face."""
    row, col = np.meshgrid(np.arange(200.0), np.arange(200.0), indexing="ij")
    patch = Patch(col.astype(np.float32), row.astype(np.float32), 1.0, 30.0, 1.0)
    field = anisotropic_noise(
        patch, np.random.default_rng(3), length_um=4.0, anisotropy=6.0, angle_deg=20.0
    )
    g_row, g_col = np.gradient(field)
    tensor = np.array([[np.mean(g_row**2), np.mean(g_row * g_col)],
                       [np.mean(g_row * g_col), np.mean(g_col**2)]])
    along = np.linalg.eigh(tensor)[1][:, 0]  # (row, col) of least change
    angle = math.degrees(math.atan2(along[0], along[1])) % 180
    assert angle == pytest.approx(50, abs=4)


def test_relief_truth_is_the_standard_deviation_of_the_height_map():
    recipe = plate(replace(PLAIN, depth=1.0))
    phantom = draw_phantom(recipe)
    height = phantom.truth.height_um[phantom.truth.labels == 1]
    assert phantom.truth.faces[0].relief_sq_um["laser"] == pytest.approx(height.std(), rel=0.02)


def test_edge_truth_is_the_roughness_of_the_drawn_edge():
    rough = EdgeRecipe(rq_um=2.0, correlation_um=10.0, brightness=0.0)
    phantom = draw_phantom(plate(PLAIN, anterior=rough))
    top = np.argmax(phantom.truth.labels > 0, axis=0) * 0.5
    truth = phantom.truth.faces[0].edge_rq_um["anterior"]
    # pixel rows add a rounding of 1/sqrt(12) pixel
    assert top.std() == pytest.approx(math.hypot(truth, 0.5 / math.sqrt(12)), rel=0.04)


# --- what must not give the answer away ---------------------------------------------------------


def test_mean_grey_does_not_tell_the_zones():
    """Area under the curve of grey between any two zones, over many phantoms, stays near 1/2."""
    rng = np.random.default_rng(12)
    greys = {1: [], 2: [], 3: []}
    for _ in range(90):
        phantom = draw_phantom(random_recipe(rng, rows=260, cols=300))
        full = np.iinfo(phantom.image.dtype).max
        for code, found in greys.items():
            zone = phantom.truth.labels == code
            if zone.sum() > 300:
                found.append(phantom.image[zone].mean() / full)
    for one, other in ((1, 2), (1, 3), (2, 3)):
        a, b = np.array(greys[one]), np.array(greys[other])
        area = np.mean(a[:, None] > b[None, :])
        assert len(a) > 20
        assert len(b) > 20
        assert 0.36 < area < 0.64  # about two standard errors of the area for 30 against 60


# --- stereo -------------------------------------------------------------------------------------


def test_stereo_parallax_follows_the_height():
    """x = X·cos a - Z·sin a for a point at X, Z (parallel projection, published form)."""
    recipe = plate(PLAIN)
    ground = draw_phantom(recipe).truth
    one, two = draw_stereo_pair(recipe, (-6.0, 6.0), 0.0)
    assert one.image.shape == ground.labels.shape
    slope = math.tan(math.radians(6.0))
    mid = (ground.labels.shape[1] - 1) / 2
    checked = 0
    for row in range(100, 300, 7):
        for seen, sign in ((one, -1.0), (two, 1.0)):
            column = np.arange(40, 460, 5)
            height = seen.truth.height_um[row, column]
            x = (column - mid) / math.cos(math.radians(6)) + sign * slope * height / 0.5
            back = np.interp(x + mid, np.arange(500), ground.height_um[row])
            known = np.isfinite(height) & np.isfinite(back)
            checked += known.sum()
            assert np.mean(np.abs(back - height)[known] < 0.15) > 0.9 if known.any() else True
    assert checked > 1000


def test_stereo_at_no_tilt_is_the_plain_picture():
    recipe = plate(PLAIN)
    one, _ = draw_stereo_pair(recipe, (0.0, 5.0))
    plain = draw_phantom(recipe)
    assert np.array_equal(one.truth.labels, plain.truth.labels)
    inside = plain.truth.labels > 0
    assert np.corrcoef(one.image[inside], plain.image[inside])[0, 1] > 0.5


def test_stereo_refuses_large_tilts():
    with pytest.raises(UsageError, match="15 degrees"):
        draw_stereo_pair(plate(PLAIN), (-30.0, 30.0))


# --- data bar, files, demo ----------------------------------------------------------------------


def test_the_scale_bar_is_as_long_as_it_says():
    recipe = replace(plate(PLAIN), bar=BarRecipe(50, True, 60.0))
    phantom = draw_phantom(recipe)
    assert (phantom.truth.scene[-50:] == 3).all()
    assert (phantom.truth.labels[-50:] == 0).all()
    bar = phantom.image[-50:] == 255
    runs = [len(run) for run in "".join("1" if x else " " for x in bar[33]).split()]
    assert max(runs) == phantom.truth.scale_bar_px == 120
    assert phantom.truth.scale_bar_um == 60.0


def test_written_phantoms_can_be_read_back(tmp_path):
    source = tmp_path / "given.json"
    source.write_text(small(3, "two_faces").to_json())
    paths = write_phantoms(tmp_path, count=2, recipe=source, suffix=".png")
    assert [path.name for path in paths] == ["phantom-0001.png", "phantom-0002.png"]
    stem = tmp_path / "phantom-0001"
    recipe = Recipe.from_json(stem.with_suffix(".recipe.json").read_text())
    phantom = draw_phantom(recipe)
    assert np.array_equal(cv2.imread(str(paths[0]), cv2.IMREAD_UNCHANGED), phantom.image)
    labels = cv2.imread(str(tmp_path / "phantom-0001.zones.png"), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(labels, phantom.truth.labels)
    truth = json.loads(stem.with_suffix(".truth.json").read_text())
    assert truth == json.loads(truth_json(phantom.truth))
    lines = (tmp_path / "specimens.csv").read_text().splitlines()
    assert lines[0].startswith("image,specimen,lens,fragment,material,pulse_energy_uj")
    assert len(lines) == 3
    again = write_phantoms(
        tmp_path / "again", count=1, recipe=stem.with_suffix(".recipe.json"), suffix=".png"
    )
    assert again[0].read_bytes() == paths[0].read_bytes()


def test_written_random_phantoms_are_those_of_the_seed(tmp_path):
    path, = write_phantoms(tmp_path, count=1, seed=3, family="melt")
    expected = draw_phantom(random_recipe(np.random.default_rng(3), "melt"))
    assert np.array_equal(tifffile.imread(path), expected.image)


def test_no_phantoms_is_a_usage_error(tmp_path):
    with pytest.raises(UsageError, match="at least one"):
        write_phantoms(tmp_path, count=0)


def test_demo_pictures_show_what_their_story_says(tmp_path):
    phantoms = demo_phantoms()
    truths = {stem: phantom.truth for stem, (_, phantom) in phantoms.items()}
    torn = truths["sm-014b"].faces[0]
    assert torn.cut_depth_fraction == pytest.approx(0.85, abs=0.005)
    assert set(np.unique(truths["sm-014b"].labels)) >= {1, 3}
    assert truths["sm-021a"].faces[0].through_cut_fraction == 1.0
    assert len(truths["sm-023a"].faces) == 2
    assert "cropped_thickness" in truths["sm-022b"].quality
    assert "noisy" in truths["sm-018c"].quality
    paths = write_demo(tmp_path, phantoms)
    assert len(paths) == 9
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 12e6
    with tifffile.TiffFile(tmp_path / "sm-025a.tif") as stored:
        assert stored.pages[0].dtype == np.uint16
        assert 'PhysicalSizeX="0.65"' in stored.ome_metadata
    rows = (tmp_path / "specimens.csv").read_text().splitlines()
    assert len(rows) == 10
    assert any("SM-014/b" in row for row in rows)


def test_shipped_demo_pictures_are_those_of_their_recipes():
    """The pictures in the repository are drawn by this code, pixel for pixel."""
    folder = Path(__file__).parents[1] / "demo_images"
    recipe = Recipe.from_json((folder / "sm-014b.recipe.json").read_text(encoding="utf-8"))
    stored = tifffile.imread(folder / "sm-014b.tif").astype(int)
    drawn = draw_phantom(recipe).image.astype(int)
    # another build of the array libraries may round a pixel otherwise
    assert np.mean(np.abs(stored - drawn) > 1) < 0.01


def test_phantoms_know_nothing_of_what_measures_them():
    """No phantom may share a formula or a model with the steps that it is a check of."""
    for path in (Path(__file__).parents[1] / "edgeqc" / "phantoms").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            for name in names:
                assert not name.startswith(("edgeqc.measure", "edgeqc.zoning")), path.name
