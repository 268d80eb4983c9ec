"""Grey-level texture: known lay, correlation length and slope; never a standard's symbol."""

from __future__ import annotations

import dataclasses
import importlib.util
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeqc.faces.raster import frame_coordinates
from edgeqc.measure.grey_lags import lag_pairs, lag_products, power_spectrum
from edgeqc.measure.grey_texture import (
    GreyTexture,
    GreyTextureSettings,
    _rows,
    _tensors,
    grey_texture_rows,
    zone_texture,
)
from edgeqc.quantity import Measured
from edgeqc.zoning.zones import SCISSOR

_SPEC = importlib.util.spec_from_file_location(
    "face_scenes", Path(__file__).with_name("face_scenes.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

SHAPE = (320, 420)


def _field(
    rng: np.random.Generator, along_px: float, across_px: float, angle_deg: float
) -> np.ndarray:
    """Gaussian field with autocorrelation exp(-(a/along)² - (b/across)²), a along the lay."""
    f_row, f_col = np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1])[None]
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    f_a, f_b = c * f_col + s * f_row, c * f_row - s * f_col
    shape = np.exp(-0.5 * math.pi**2 * ((along_px * f_a) ** 2 + (across_px * f_b) ** 2))
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal(SHAPE)) * shape).real
    return field / field.std()


def _texture(picture: np.ndarray, **options: object):
    image = scenes.plain_image(picture, **options)
    mask = np.zeros(SHAPE, bool)
    mask[25:-25, 25:-25] = True
    return zone_texture(image, scenes.plain_face(*SHAPE), mask)


@pytest.mark.parametrize("angle", [-60.0, 0.0, 25.0, 90.0])
def test_lay_direction_and_strength(angle: float) -> None:
    field = _field(np.random.default_rng(1), 24, 4, angle)
    found = _texture(0.5 + 0.1 * field + 0.02 * np.random.default_rng(2).standard_normal(SHAPE))
    off = (found.lay_deg.value - angle + 90) % 180 - 90
    assert abs(off) < max(2.0, 2 * found.lay_deg.u)
    assert found.lay_strength.value > 0.7
    assert found.lay_strength.unit == "1"


def test_intervals_of_a_lay_hold() -> None:
    rng = np.random.default_rng(12)
    angle, strength = [], []
    for _ in range(24):
        field = 0.5 + 0.1 * _field(rng, 16, 5, 25.0)
        found = _texture(field + 0.03 * rng.standard_normal(SHAPE), noise_sd=0.03)
        low, high = found.lay_deg.interval
        angle.append(low <= 25.0 <= high)
        low, high = found.lay_strength.interval
        calm = _texture(field, noise_sd=1e-4).lay_strength.value
        strength.append(low <= calm <= high)
    assert sum(angle) >= 20
    assert sum(strength) >= 20


def test_noise_makes_no_lay_and_takes_no_strength_away() -> None:
    field = _field(np.random.default_rng(1), 20, 5, 30)
    strengths = []
    for noise in (0.01, 0.05):
        grain = noise * np.random.default_rng(3).standard_normal(SHAPE)
        strengths.append(_texture(0.5 + 0.1 * field + grain, noise_sd=noise).lay_strength.value)
    assert strengths[1] == pytest.approx(strengths[0], abs=0.05)
    isotropic = _texture(0.5 + 0.1 * _field(np.random.default_rng(4), 6, 6, 0))
    assert isotropic.lay_strength.value < 0.15


# taking off the shading (24 px) shortens long correlations; the uncertainty says so
@pytest.mark.parametrize(("length_px", "tolerance"), [(3.0, 0.05), (5.0, 0.05), (8.0, 0.08)])
def test_correlation_length(length_px: float, tolerance: float) -> None:
    # the autocorrelation exp(-(r/l)²) falls to 1/e at r = l, by its definition
    field = _field(np.random.default_rng(5), length_px, length_px, 0)
    grain = 0.03 * np.random.default_rng(6).standard_normal(SHAPE)
    found = _texture(0.5 + 0.1 * field + grain, noise_sd=0.03, pixel_um=0.5)
    assert found.correlation_length.unit == "µm"
    assert found.correlation_length.value == pytest.approx(0.5 * length_px, rel=tolerance)
    off = abs(found.correlation_length.value - 0.5 * length_px)
    assert off <= 2 * found.correlation_length.u
    unscaled = _texture(0.5 + 0.1 * field + grain, noise_sd=0.03, pixel_um=None)
    assert unscaled.correlation_length.unit == "px"
    assert unscaled.correlation_length.value == pytest.approx(length_px, rel=tolerance)


@pytest.mark.parametrize("slope", [-1.0, -2.0, -3.0])
def test_spectral_slope(slope: float) -> None:
    f = np.hypot(np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1])[None])
    f[0, 0] = np.inf
    white = np.fft.fft2(np.random.default_rng(7).standard_normal(SHAPE))
    field = np.fft.ifft2(white * f ** (slope / 2)).real
    found = _texture(0.5 + 0.1 * field / field.std(), noise_sd=0.0)
    assert found.spectral_slope.value == pytest.approx(slope, abs=0.15)


def test_contrast_over_noise() -> None:
    field = _field(np.random.default_rng(8), 4, 4, 0)
    grain = 0.02 * np.random.default_rng(9).standard_normal(SHAPE)
    found = _texture(0.5 + 0.1 * field + grain, noise_sd=0.02)
    assert found.contrast_over_noise.value == pytest.approx(5.0, rel=0.05)


def test_gain_offset_mirror_and_quarter_turn() -> None:
    picture = 0.5 + 0.1 * _field(np.random.default_rng(1), 18, 5, 20)
    picture += 0.02 * np.random.default_rng(2).standard_normal(SHAPE)
    first = _texture(picture)
    gained = _texture(0.1 + 0.5 * picture, noise_sd=0.01)
    mirrored = _texture(picture[:, ::-1])
    for other in (gained, mirrored):
        for name in ("lay_strength", "correlation_length", "spectral_slope",
                     "contrast_over_noise"):
            assert getattr(other, name).value == pytest.approx(getattr(first, name).value, rel=0.02)
    assert mirrored.lay_deg.value == pytest.approx(-first.lay_deg.value, abs=0.5)
    turned = np.ascontiguousarray(np.rot90(picture, -1))
    mask = np.zeros(turned.shape, bool)
    mask[25:-25, 25:-25] = True
    again = zone_texture(scenes.plain_image(turned),
                         scenes.plain_face(*turned.shape, length_to="down"), mask)
    assert again is not None
    assert again.lay_deg.value == pytest.approx(first.lay_deg.value, abs=0.5)


def test_rows_bear_no_standards_symbol() -> None:
    picture = 0.5 + 0.1 * _field(np.random.default_rng(1), 18, 5, 20)
    rows = grey_texture_rows(scenes.plain_image(picture), scenes.plain_face(*SHAPE),
                             scenes.one_zone(SCISSOR))
    assert [row.parameter for row in rows] == [
        "lay_strength", "correlation_length", "spectral_slope", "contrast_over_noise"]
    for row in rows:
        assert row.zone == "scissor"
        assert row.basis == "grey level"
        assert row.standard == ""
        assert row.result.unit in ("1", "µm")
        assert "not of heights" in row.note
        assert np.isfinite(row.result.u)


def test_a_tiny_zone_gives_nothing() -> None:
    mask = np.zeros(SHAPE, bool)
    mask[50:60, 50:60] = True
    assert zone_texture(scenes.plain_image(np.full(SHAPE, 0.5)), scenes.plain_face(*SHAPE),
                        mask) is None


def test_a_flat_zone_is_said_to_have_no_texture() -> None:
    found = _texture(np.full(SHAPE, 0.5), noise_sd=0.0)
    assert math.isnan(found.spectral_slope.value)
    blurred = cv2.GaussianBlur(np.random.default_rng(1).standard_normal(SHAPE), (0, 0), 60)
    assert np.isfinite(_texture(0.5 + blurred).lay_strength.value)


def _ragged_zone() -> np.ndarray:
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    border = 60 + 15 * np.sin(col / 17) + 0.2 * col
    return ((row > border) & (row < border + 150)).astype(np.float32)


@pytest.mark.parametrize("lag", [(0, 0), (0, 3), (-2, 5), (7, -11), (40, 0), (-72, 72)])
def test_products_and_pairs_are_those_of_shifted_rasters(lag: tuple[int, int]) -> None:
    # the definition: the raster times itself, shifted, summed
    zone = _ragged_zone()
    level = np.asarray(_field(np.random.default_rng(2), 6, 6, 0) * zone, np.float32)
    down, right = lag

    def shifted(plane: np.ndarray) -> float:
        padded = np.pad(plane.astype(float), 80)
        return float((padded * np.roll(padded, (down, right), (0, 1))).sum())

    at = (72 + down, 72 + right)
    products = lag_products(*power_spectrum(level, 72), 72)
    assert products[at] == pytest.approx(shifted(level), abs=1e-5 * float((level**2).sum()))
    assert lag_pairs(zone, 72)[at] == pytest.approx(shifted(zone), rel=0.01)


def test_turning_sums_is_turning_every_pixel() -> None:
    # on a curved face the frame turns: sums by chord against the mean over single pixels
    face = scenes.plain_face(*SHAPE)
    fan = np.linspace(-0.3, 0.3, face.anterior_px.shape[0]) * 150
    anterior, posterior = face.anterior_px.copy(), face.posterior_px.copy()
    anterior[:, 1] += fan
    face = dataclasses.replace(face, anterior_px=anterior, posterior_px=posterior)
    level = np.asarray(_field(np.random.default_rng(1), 18, 5, 20), np.float32)
    zone = np.zeros(SHAPE, np.float32)
    zone[25:-25, 25:-25] = 1
    image = scenes.plain_image(level, noise_sd=0.0, pixel_um=None)
    frame = frame_coordinates(face, SHAPE)
    at = np.zeros(SHAPE, np.float32)
    at[frame.rows, frame.cols] = frame.station
    sums, count = _tensors(level, (zone, at), (image, face), GreyTextureSettings())
    smooth = cv2.GaussianBlur(level, (0, 0), 1.2).astype(float)
    g_row, g_col = np.gradient(smooth)
    inner = np.zeros(SHAPE, bool)
    inner[28:-28, 28:-28] = True
    across = posterior - anterior
    turn = np.interp(at[inner], np.arange(len(across)),
                     np.unwrap(np.arctan2(-across[:, 1], across[:, 0])))
    assert np.ptp(turn) > 0.05
    g_s = g_col[inner] * np.cos(turn) + g_row[inner] * np.sin(turn)
    g_t = g_row[inner] * np.cos(turn) - g_col[inner] * np.sin(turn)
    expected = [(g_s * g_s).sum(), (g_t * g_t).sum(), (g_s * g_t).sum()]
    assert count.sum() == inner.sum()
    assert sums.sum(axis=1) == pytest.approx(expected, rel=2e-3)


def test_a_frame_that_is_known_already_changes_nothing() -> None:
    image = scenes.plain_image(0.5 + 0.1 * _field(np.random.default_rng(1), 18, 5, 20))
    face, zones = scenes.plain_face(*SHAPE), scenes.one_zone(SCISSOR)
    assert grey_texture_rows(image, face, zones) == grey_texture_rows(
        image, face, zones, window=frame_coordinates(face, SHAPE))


def test_a_lay_of_any_direction_gets_none() -> None:
    known = GreyTexture(*[Measured(1.0, 0.1, "1")] * 5)
    for u, said in ((10.0, "lay at 12.0° ± 20.0° from the length"),
                    (52.0, "its direction cannot be told")):
        rows = _rows("torn", dataclasses.replace(known, lay_deg=Measured(12.0, u, "deg")))
        assert rows[0].note.split("; ")[0] == said
