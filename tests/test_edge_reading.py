"""Edges read anew from the picture: what a reading says, and how noisy it is.

Drawn edges have a known line; phantoms are traced as any picture is.
"""

import dataclasses

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.edge_contour import EdgeContour, edge_contours
from edgeqc.measure.edge_reading import EdgeReadingSettings, read_edge
from edgeqc.measure.edge_roughness import edge_rows
from edgeqc.measure.line_edge import line_edge_roughness
from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.phantoms.face_recipe import EdgeRecipe
from edgeqc.phantoms.recipe import (
    AcquisitionRecipe,
    BarRecipe,
    DebrisRecipe,
    SignalRecipe,
    SurroundRecipe,
)
from edgeqc.zoning.zones import ZoneMap

LENGTH = 900
SETTINGS = EdgeReadingSettings()


def drawn(line_px, noise, rng):
    """A blurred step (sigma 1 px) from 0.2 above to 0.8 below row 40 - line."""
    row = np.arange(80)[:, None]
    picture = 0.2 + 0.6 * ndtr(row - (40.0 - line_px)[None, :])
    return (picture + noise * rng.standard_normal(picture.shape)).astype(np.float32)


def read(picture, traced):
    form = np.stack([np.full(LENGTH, 40.0), np.arange(float(LENGTH))], axis=1)
    normal = np.tile([-1.0, 0.0], (LENGTH, 1))
    return read_edge(picture, form, normal, traced, settings=SETTINGS)


def wave(amplitude=0.8, period=30.0):
    return amplitude * np.sin(2 * np.pi * np.arange(LENGTH) / period)


def test_a_reading_follows_the_edge_and_not_the_tracers_smoothed_line():
    line = wave()
    found = read(drawn(line, 0.0, np.random.default_rng(0)), 0.6 * line)
    assert np.std(found.offset_px) == pytest.approx(np.std(line), rel=0.01)
    assert found.noise_px < 0.01


def test_predicted_noise_is_the_noise_between_repeats():
    line = wave(0.4)
    repeats = [read(drawn(line, 0.1, np.random.default_rng(k)), line) for k in range(12)]
    offsets = np.stack([r.offset_px for r in repeats])
    real = float(np.sqrt(np.mean(np.var(offsets, axis=0, ddof=1))))
    assert np.mean([r.noise_px for r in repeats]) == pytest.approx(real, rel=0.1)
    # neighbouring readings know nothing of each other
    rest = offsets - offsets.mean(axis=0)
    assert abs(np.mean(rest[:, 1:] * rest[:, :-1]) / np.mean(rest**2)) < 0.05


def test_where_there_is_no_edge_there_is_no_reading():
    rng = np.random.default_rng(2)
    assert read(np.zeros((80, LENGTH), np.float32), np.zeros(LENGTH)) is None
    noise = (0.5 + 0.1 * rng.standard_normal((80, LENGTH))).astype(np.float32)
    assert read(noise, np.zeros(LENGTH)) is None
    far = drawn(np.full(LENGTH, 0.0), 0.02, rng)
    assert read(far, np.full(LENGTH, 25.0)) is None  # the line lies on bare ground


def test_known_noise_settles_an_edge_too_fine_to_show_its_floor():
    # correlation length of 1.5 steps: the spectrum never becomes flat
    rng = np.random.default_rng(3)
    keep = np.exp(-1 / 1.5)
    line = np.zeros(1200)
    for k in range(1, line.size):
        line[k] = keep * line[k - 1] + np.sqrt(1 - keep**2) * rng.normal()
    seen = line + 0.8 * rng.normal(size=line.size)
    told = line_edge_roughness(seen, 1.0, detrend=0, noise_um=(0.8, 0.05))
    alone = line_edge_roughness(seen, 1.0, detrend=0)
    assert told.values["Rq_biased"].value > 1.2 * np.std(line)
    assert told.values["Rq_unbiased"].value == pytest.approx(np.std(line), rel=0.05)
    assert told.values["Rq_unbiased"].u < alone.values["Rq_unbiased"].u


def test_slopes_of_an_edge_are_freed_of_its_readings_noise():
    rng = np.random.default_rng(5)
    raw, told, held = [], [], []
    for _ in range(8):
        line = gaussian_filter1d(rng.standard_normal(LENGTH), 2.5, mode="wrap")
        line = 1.2 * line / line.std()
        found = read(drawn(line, 0.1, rng), gaussian_filter1d(line, 3.0))
        assert found is not None

        def rows(deviation, noise, found=found):
            contour = EdgeContour(
                "laser", "anterior", deviation - deviation.mean(), 1.0, np.arange(float(LENGTH)),
                0.0, 0.0, "none", noise, 0.05, found.noise_correlation)
            return {row.parameter: row.result for row in edge_rows(contour)}

        truth = rows(line, 1e-3)["Rdq"].value
        seen = rows(found.offset_px, found.noise_px)
        raw.append(rows(found.offset_px, 1e-3)["Rdq"].value / truth - 1)
        told.append(seen["Rdq"].value / truth - 1)
        low, high = seen["Rdq"].interval
        held.append(low <= truth <= high)
    assert np.mean(raw) > 0.3
    assert abs(np.mean(told)) < 0.08
    assert sum(held) >= 7


def test_an_edge_that_is_all_noise_has_no_rz_and_asks_for_no_setting_class():
    rng = np.random.default_rng(6)
    for length in (300, 4000):  # shorter and longer than the shortest class allows
        noise = 0.3 * rng.standard_normal(length)
        contour = EdgeContour(
            "laser", "anterior", noise - noise.mean(), 1.0, np.arange(float(length)),
            0.0, 0.0, "none", 0.32, 0.05)
        rows = {row.parameter: row for row in edge_rows(contour)}
        assert np.isnan(rows["Rz"].result.value)
        assert rows["Rz"].result.note
        assert "for this Rz" not in rows["Rz"].note


# --- phantoms, traced --------------------------------------------------------------------------
def noisy_edges(seed):
    """A through cut whose edges have little roughness, taken at few electrons a pixel."""
    rng = np.random.default_rng(seed)
    recipe = random_recipe(rng, "smooth", rows=420, cols=1400, pixel_size_um=0.25,
                           thickness_um=60.0, angle_deg=0.0, layout="through", crop="through",
                           bar=BarRecipe())
    edge = EdgeRecipe(rq_um=float(rng.uniform(0.08, 0.12)), brightness=0.3, width_px=4.0,
                      correlation_um=float(rng.uniform(4, 8)), exponent=0.8)
    face = recipe.faces[0]
    calm = dataclasses.replace(face.laser, texture_sd=0.01, drift=0.0, patchiness=0.0)
    face = dataclasses.replace(face, anterior=edge, posterior=edge, laser=calm)
    return dataclasses.replace(
        recipe, tilt_deg=0.0, faces=(face,), surround=SurroundRecipe(), debris=DebrisRecipe(),
        signal=SignalRecipe(),
        acquisition=AcquisitionRecipe(blur_px=1.0, dose=float(rng.uniform(15, 25))))


def edges_of(seed):
    """Rows and contour of each traced edge of a phantom, with its true Rq on that stretch."""
    recipe = noisy_edges(seed)
    phantom = draw_phantom(recipe)
    size = recipe.pixel_size_um
    image = CalibratedImage(
        phantom.image.astype(np.float32) / 255, np.ones(phantom.image.shape, bool), (size, size),
        0.01, "sheet", 0.0, 0.5, 0.1, ImageSource("a.tif"))
    face = trace_cut_faces(image, FaceSettings())[0][0]
    zones = ZoneMap(np.ones((40, 100), np.uint8), np.full((4, 40, 100), 0.25, np.float32),
                    np.ones(100), np.ones((2, 100), np.float32), np.ones(100), "test", 1.0, 9.0)
    truth = phantom.truth.faces[0]
    for contour in edge_contours(image, face, zones):
        traced = face.anterior_px if contour.edge == "anterior" else face.posterior_px
        col = traced[np.clip(np.rint(contour.station).astype(int), 0, len(traced) - 1), 1]
        lines = (truth.anterior_px, truth.posterior_px)
        line = min(lines, key=lambda points: abs(np.median(points[:, 0] - traced[:, 0].mean())))
        line = line[(line[:, 1] >= col.min()) & (line[:, 1] <= col.max())]
        t = np.linspace(-1, 1, len(line))
        form = np.polynomial.legendre.Legendre.fit(t, line[:, 0], 3)(t)
        yield {r.parameter: r.result for r in edge_rows(contour)}, contour, size * float(
            np.std(line[:, 0] - form))


def test_noise_is_taken_out_of_traced_edges():
    cv2.setNumThreads(1)
    biased, unbiased, held = [], [], []
    for seed in range(4):
        for rows, contour, truth in edges_of(seed):
            assert contour.noise_um is not None
            value = rows["Rq_unbiased"]
            biased.append(rows["Rq_biased"].value / truth - 1)
            unbiased.append(value.value / truth - 1)
            held.append(value.low <= truth <= value.high)
    assert len(unbiased) == 8
    assert np.median(biased) > 0.2
    assert abs(np.median(unbiased)) < 0.05
    assert np.max(np.abs(unbiased)) < 0.2
    assert np.mean(held) >= 0.85
