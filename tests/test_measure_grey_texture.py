"""Grey-level texture: known lay, correlation length and slope; never a standard's symbol."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeqc.measure.grey_texture import grey_texture_rows, zone_texture
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
