"""Areal roughness against closed forms and simulated Gaussian surfaces (ISO 25178-2:2021).

Expected values are closed forms of the definitions unless a test names another source.
"""

import math

import numpy as np
import pytest
from scipy import fft, ndimage
from scipy.special import ellipe, erfcx
from skimage.morphology import h_maxima

from edgeqc.errors import MeasurementError
from edgeqc.measure.material_ratio import (
    MaterialSettings,
    material_values,
)
from edgeqc.measure.probability_curve import probability_values
from edgeqc.measure.roughness import ArealSettings, Band, roughness_areal
from edgeqc.measure.watershed import pruned_hills

A = 1.3
NO_FEATURES = ArealSettings(features=False)


def values(z, spacing, **options):
    options.setdefault("settings", NO_FEATURES)
    return {name: item.value for name, item in roughness_areal(z, spacing, **options).items()}


def gaussian_surface(rng, shape, lengths, sq=1.0):
    """Gaussian heights with autocorrelation exp(-(r/lr)² - (c/lc)²), by spectral synthesis."""
    fr = np.fft.fftfreq(shape[0])[:, None]
    fc = np.fft.rfftfreq(shape[1])[None, :]
    root = np.exp(-0.5 * np.pi**2 * ((fr * lengths[0]) ** 2 + (fc * lengths[1]) ** 2))
    norm = math.pi * lengths[0] * lengths[1] / (shape[0] * shape[1])
    noise = fft.rfft2(rng.normal(size=shape))
    return fft.irfft2(noise * root, shape) * sq * math.sqrt(norm * shape[0] * shape[1])


def exponential_surface(rng, shape, length):
    """Gaussian heights with autocorrelation exp(-r/length), from the sampled autocorrelation."""
    row = np.minimum(np.arange(shape[0]), shape[0] - np.arange(shape[0]))[:, None]
    col = np.minimum(np.arange(shape[1]), shape[1] - np.arange(shape[1]))[None, :]
    power = np.maximum(fft.rfft2(np.exp(-np.hypot(row, col) / length)).real, 0)
    return fft.irfft2(fft.rfft2(rng.normal(size=shape)) * np.sqrt(power), shape)


@pytest.fixture(scope="module")
def isotropic():
    return gaussian_surface(np.random.default_rng(11), (1024, 1024), (8.0, 8.0))


@pytest.fixture(scope="module")
def isotropic_values(isotropic):
    return values(isotropic, 1.0)


# --- closed forms ---------------------------------------------------------------------------------
def waves(n=400, periods=4):
    phase = 2 * np.pi * periods * (np.arange(n) + 0.5) / n
    return phase[:, None], phase[None, :], 1.0 / (2 * np.pi * periods / n) ** -1


def test_single_sine():
    z = A * np.sin(2 * np.pi * (np.arange(12_000) + 0.5) / 3000)[None, :] * np.ones((16, 1))
    got = values(z, 0.01)
    for name, value in (
        ("Sa", 2 * A / math.pi), ("Sq", A / math.sqrt(2)), ("Sku", 1.5), ("Sp", A), ("Sv", A),
        ("Sz", 2 * A),
    ):
        assert got[name] == pytest.approx(value, rel=1e-6), name
    assert got["Ssk"] == pytest.approx(0, abs=1e-6)


def test_single_sine_slopes():
    row, col, step = waves()
    got = values(np.sin(col) + 0 * row, step)
    m = 0.5
    expected = 100 * (2 / math.pi * math.sqrt(2) * ellipe(m) - 1)
    assert expected == pytest.approx(21.600672, abs=1e-6)
    assert got["Sdq"] == pytest.approx(1 / math.sqrt(2), rel=1e-4)
    assert got["Sdr"] == pytest.approx(expected, rel=1e-4)


def test_sum_and_product_of_sines():
    row, col, step = waves(1000, 1)
    got = values(np.sin(col) + np.sin(row), step)
    for name, value, rel in (
        ("Sa", 8 / math.pi**2, 1e-5), ("Sq", 1, 1e-9), ("Sku", 2.25, 1e-9), ("Sz", 4, 1e-5),
        ("Sdq", 1, 1e-5),
    ):
        assert got[name] == pytest.approx(value, rel=rel), name
    assert got["Sdr"] == pytest.approx(40.26289, abs=1e-3)
    got = values(np.sin(col) * np.sin(row), step)
    for name, value, rel in (
        ("Sa", 4 / math.pi**2, 1e-5), ("Sq", 0.5, 1e-9), ("Sku", 2.25, 1e-9), ("Sz", 2, 1e-5),
        ("Sdq", 1 / math.sqrt(2), 1e-5),
    ):
        assert got[name] == pytest.approx(value, rel=rel), name
    assert got["Sdr"] == pytest.approx(22.04057, abs=1e-3)


@pytest.mark.parametrize(("slope", "sdr"), [(0.1, 0.498756), (math.tan(math.pi / 6), 15.470054)])
def test_tilted_plane(slope, sdr):
    side, n = 50.0, 500
    step = side / n
    z = slope * (np.arange(n) + 0.5)[None, :] * step * np.ones((40, 1))
    got = values(z, step)
    assert got["Sa"] == pytest.approx(slope * side / 4, rel=1e-3)
    assert got["Sq"] == pytest.approx(slope * side / math.sqrt(12), rel=1e-3)
    assert got["Sku"] == pytest.approx(1.8, rel=1e-3)
    assert got["Sdq"] == pytest.approx(slope, rel=1e-9)
    assert got["Sdr"] == pytest.approx(sdr, rel=1e-5)
    with pytest.raises(MeasurementError, match="constant"):
        values(z, step, band=Band(form="plane"))  # nothing is left after levelling


def test_paraboloid_cap_on_its_disc():
    h, n = 2.0, 900
    row, col = (np.mgrid[:n, :n] + 0.5 - n / 2) / (n / 2)
    radius2 = row**2 + col**2
    got = values(h * (1 - radius2), 0.01, mask=radius2 < 1)
    assert got["Sa"] == pytest.approx(h / 4, rel=1e-3)
    assert got["Sq"] == pytest.approx(h / math.sqrt(12), rel=1e-3)
    assert got["Ssk"] == pytest.approx(0, abs=2e-3)
    assert got["Sku"] == pytest.approx(1.8, rel=1e-3)


def test_sphere_cap():
    radius, a, n = 10.0, 3.0, 1000
    row, col = (np.mgrid[:n, :n] + 0.5 - n / 2) * (2 * a / n)
    disc = row**2 + col**2 < a**2
    z = np.where(disc, np.sqrt(np.maximum(radius**2 - row**2 - col**2, 0)), np.nan)
    assert np.nanmean(z) == pytest.approx(9.771506, rel=1e-4)
    got = values(z, 2 * a / n)
    assert got["Sq"] == pytest.approx(0.132954, rel=1e-4)
    assert got["Sz"] == pytest.approx(0.460608, rel=1e-4)
    closed = 2 * radius * (radius - math.sqrt(radius**2 - a**2)) / a**2 - 1
    assert 100 * closed == pytest.approx(2.357330, abs=1e-5)
    assert got["Sdr"] == pytest.approx(100 * closed, rel=1e-4)


def test_sine_volumes():
    # c(p) = A cos(pi p): Vm(p) = sin(pi p)/pi - p cos(pi p), Vv(p) = Vm(1 - p)
    ratio = (np.arange(100_000) + 0.5) / 100_000
    got = material_values(A * np.cos(np.pi * ratio)[None], MaterialSettings(), "S")
    expected = {"Vmp": 0.0032575, "Vmc": 0.8310539, "Vvc": 0.9290196, "Vvv": 0.0252945}
    for name, value in expected.items():
        assert got[name][0] == pytest.approx(value * A, rel=1e-4), name


def test_gaussian_material_ratio():
    # closed forms of the normal distribution; curve from its exact quantiles
    from scipy.special import ndtri

    ratio = (np.arange(1_000_000) + 0.5) / 1_000_000
    got = {k: float(v[0]) for k, v in material_values(
        -ndtri(ratio)[None], MaterialSettings(), "S").items()}
    expected = {
        "Sk": 2.573956, "Spk": 0.945031, "Svk": 0.945031, "Smr1": 9.9051, "Smr2": 90.0949,
        "Vmp": 0.047343, "Vmc": 0.905916, "Vvc": 1.217257, "Vvv": 0.111638,
        "Smc": 1.281552, "Sxp": 1.959964, "Smr": 50.0,
    }
    for name, value in expected.items():
        assert got[name] == pytest.approx(value, rel=1e-3), name
    assert got["Sk"] != pytest.approx(2.622003, rel=1e-2)  # a plain secant instead of the line


def test_gaussian_material_ratio_of_a_million_draws():
    flat = -np.sort(-np.random.default_rng(17).normal(size=1_000_000))[None]
    got = {k: float(v[0]) for k, v in material_values(flat, MaterialSettings(), "S").items()}
    for name, value, rel in (
        ("Sk", 2.573956, 0.02), ("Spk", 0.945031, 0.02), ("Svk", 0.945031, 0.02),
        ("Smr1", 9.9051, 0.02), ("Smr2", 90.0949, 0.02), ("Vmp", 0.047343, 0.01),
        ("Vmc", 0.905916, 0.01), ("Vvc", 1.217257, 0.01), ("Vvv", 0.111638, 0.01),
        ("Smc", 1.281552, 0.01), ("Sxp", 1.959964, 0.01),
    ):
        assert got[name] == pytest.approx(value, rel=rel), name
    slopes = probability_values(flat, "S")
    for name in ("Spq", "Svq"):
        assert slopes[name][0] == pytest.approx(1.0, rel=0.03), name


def test_slope_formula_on_a_gaussian_surface(isotropic, isotropic_values):
    """Seven points come to 2 Sq/l; the central difference of two expects 0.24614 at l = 8."""
    central = (isotropic[:, 2:] - isotropic[:, :-2])[1:-1] / 2
    across = (isotropic[2:] - isotropic[:-2])[:, 1:-1] / 2
    two_points = math.sqrt(np.mean(central**2 + across**2)) / isotropic_values["Sq"]
    seven = isotropic_values["Sdq"] / isotropic_values["Sq"]
    assert two_points / seven == pytest.approx(0.24614 / 0.25, rel=1e-3)
    assert seven == pytest.approx(0.25, rel=0.01)


# --- simulated Gaussian surfaces ------------------------------------------------------------------
def test_gaussian_heights(isotropic_values):
    got = isotropic_values
    assert got["Sa"] / got["Sq"] == pytest.approx(math.sqrt(2 / math.pi), abs=0.002)
    assert got["Ssk"] == pytest.approx(0, abs=0.05)
    assert got["Sku"] == pytest.approx(3, abs=0.1)


def test_gaussian_correlation_and_slope(isotropic_values):
    got = isotropic_values
    assert got["Sal"] == pytest.approx(8 * math.sqrt(math.log(5)), rel=0.04)
    assert got["Sdq"] == pytest.approx(2 * got["Sq"] / 8, rel=0.01)
    s = got["Sdq"]
    expected = 100 * math.sqrt(math.pi) / 2 * s * erfcx(1 / s)
    assert got["Sdr"] == pytest.approx(expected, rel=0.02)
    assert 100 * math.sqrt(math.pi) / 2 * 0.25 * erfcx(4) == pytest.approx(3.03532, abs=1e-5)
    assert got["Str"] > 0.9


def test_gaussian_surface_material_and_probability(isotropic_values):
    got = isotropic_values
    sq = got["Sq"]
    for name, value, rel in (
        ("Sk", 2.573956, 0.02), ("Spk", 0.945031, 0.03), ("Svk", 0.945031, 0.03),
        ("Vmc", 0.905916, 0.01), ("Vvc", 1.217257, 0.01), ("Vmp", 0.047343, 0.03),
        ("Vvv", 0.111638, 0.02), ("Spq", 1.0, 0.03), ("Svq", 1.0, 0.03), ("Smc", 1.281552, 0.01),
        ("Sxp", 1.959964, 0.01),
    ):
        # rel allows for 1024² heights of 8 px correlation: some 10 000 independent ones
        assert got[name] == pytest.approx(value * sq, rel=rel), name


def test_exponential_correlation():
    z = exponential_surface(np.random.default_rng(5), (1024, 1024), 10.0)
    assert values(z, 1.0)["Sal"] == pytest.approx(10 * math.log(5), rel=0.05)


def test_anisotropic_surface():
    z = gaussian_surface(np.random.default_rng(6), (1024, 1024), (12.0, 5.0))
    got = values(z, 1.0)
    assert got["Sal"] == pytest.approx(5 * math.sqrt(math.log(5)), rel=0.06)
    assert got["Str"] == pytest.approx(5 / 12, rel=0.06)
    assert abs((got["Std"] - 90 + 90) % 180 - 90) < 15  # ridges run along the rows' axis


def test_sine_ridges_have_no_aspect():
    length = 40.0
    z = np.sin(2 * np.pi * np.arange(400) / length)[None, :] * np.ones((400, 1))
    result = roughness_areal(z, 1.0, settings=NO_FEATURES)
    assert result["Sal"].value == pytest.approx(math.acos(0.2) / (2 * math.pi) * length, abs=1)
    assert result["Str"].value < 0.05
    assert "upper limit" in result["Str"].note


def test_sum_of_sines_aspect():
    length = 64.0
    phase = 2 * np.pi * np.arange(512) / length
    got = values(np.sin(phase)[:, None] + np.sin(phase)[None, :], 1.0)
    assert got["Sal"] == pytest.approx(0.308232 * length, abs=1)
    assert got["Sal"] / got["Str"] == pytest.approx(0.352416 * length, abs=1)
    assert got["Str"] == pytest.approx(0.8746, abs=0.03)


@pytest.mark.parametrize("angle", [30.0, 120.0, 0.0, 75.0])
def test_direction_of_ridges(angle):
    """Std is the direction along the ridges, from growing column towards growing row (ours)."""
    row, col = np.mgrid[:360, :420].astype(float)
    across = -col * math.sin(math.radians(angle)) + row * math.cos(math.radians(angle))
    got = roughness_areal(np.sin(2 * np.pi * across / 23), 1.0, settings=NO_FEATURES)["Std"]
    assert abs((got.value - angle + 90) % 180 - 90) < 1.0
    assert got.note == ""


# --- features -------------------------------------------------------------------------------------
def egg_box(n=300, periods=6):
    phase = 2 * np.pi * periods * (np.arange(n) + 0.5) / n
    return np.sin(phase)[:, None] * np.sin(phase)[None, :]


def test_egg_box_features():
    # sin x sin y: two peaks and two pits a cell, pointed at ±1, curvature k²
    n, periods = 300, 6
    result = roughness_areal(egg_box(n, periods), 0.1)
    got = {name: item.value for name, item in result.items()}
    area = (n * 0.1) ** 2
    assert got["Spd"] == pytest.approx(2 * periods**2 / area, rel=1e-9)
    assert got["Svd"] == pytest.approx(2 * periods**2 / area, rel=1e-9)
    assert got["S10z"] == pytest.approx(2.0, rel=1e-3)
    wavenumber = 2 * np.pi * periods / (n * 0.1)
    assert got["Spc"] == pytest.approx(wavenumber**2, rel=1e-2)
    # a hill is the square whose corners are the four pits about a peak
    assert got["Sha"] == pytest.approx(area / (2 * periods**2), rel=0.05)
    # above its saddles at height 0: the square of one sign, volume (2/k)²
    assert got["Shv"] == pytest.approx((2 / wavenumber) ** 2, rel=0.05)


def test_pruning_removes_low_hills_only():
    row, col = np.mgrid[:200, :300].astype(float)
    bumps = [(60, 80, 10.0), (60, 120, 6.0), (140, 200, 8.0), (150, 230, 0.3)]
    z = sum(h * np.exp(-((row - r) ** 2 + (col - c) ** 2) / 200) for r, c, h in bumps)
    low = pruned_hills(z, (1.0, 1.0), 0.5)
    assert sorted(np.round(z.ravel()[low.peak]).astype(int)) == [6, 8, 10]
    assert pruned_hills(z, (1.0, 1.0), 1e9).peak.size == 1


def test_hills_against_height_maxima_of_scikit_image():
    z = gaussian_surface(np.random.default_rng(3), (200, 220), (9.0, 9.0)).astype(np.float32)
    least = 0.5
    hills = pruned_hills(z.astype(np.float64), (1.0, 1.0), least)
    # h_maxima keeps a maximum that rises by more than h; run on whole steps it is exact
    step = 1e-3
    coarse = np.rint((z - z.min()) / step).astype(np.int32)
    marked, count = ndimage.label(h_maxima(coarse, round(least / step)), np.ones((3, 3)))
    ours = pruned_hills(coarse * step, (1.0, 1.0), least)
    assert abs(ours.peak.size - count) <= 1
    assert abs(hills.peak.size - count) <= 1
    assert np.unique(marked.ravel()[ours.peak]).size >= count - 1


def test_levels_and_ties_make_no_false_hills():
    z = np.zeros((60, 60))
    z[10:30, 10:40] = 1.0  # two flat tops on a flat ground
    z[40:50, 20:30] = 2.0
    assert pruned_hills(z, (1.0, 1.0), 0.1).peak.size == 2
    steps = np.floor(gaussian_surface(np.random.default_rng(0), (120, 120), (10.0, 10.0)) * 4)
    ours = pruned_hills(steps, (1.0, 1.0), 1.5).peak.size
    _, count = ndimage.label(h_maxima((steps - steps.min()).astype(np.int32), 2), np.ones((3, 3)))
    assert ours == count


# --- behaviour ------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def rough():
    return gaussian_surface(np.random.default_rng(2), (160, 220), (6.0, 4.0), 0.5) + 30.0


TURNED = {"Std", "Smq", "Spq", "Svq"}


def test_transpose_mirror_offset_and_scale(rough):
    plain = {k: v.value for k, v in roughness_areal(rough, (0.5, 0.4)).items()}
    variants = {
        "transposed": roughness_areal(rough.T, (0.4, 0.5)),
        "mirrored": roughness_areal(rough[::-1, ::-1], (0.5, 0.4)),
        "offset": roughness_areal(rough - 500.0, (0.5, 0.4)),
    }
    for what, result in variants.items():
        for name, value in plain.items():
            # single precision of the spatial and feature families shows at 1e-5
            if name != "Std" or what == "offset":
                expected = pytest.approx(value, rel=1e-4, abs=1e-6, nan_ok=True)
                assert result[name].value == expected, (what, name)
    turned = variants["transposed"]["Std"].value
    assert (turned - (90 - plain["Std"]) + 90) % 180 - 90 == pytest.approx(0, abs=0.1)
    doubled = roughness_areal(3 * rough, (0.5, 0.4))
    wider = roughness_areal(rough, (1.0, 0.8))
    for name, power, lateral in (
        ("Sa", 1, 0), ("Sq", 1, 0), ("Sk", 1, 0), ("Vvc", 1, 0), ("S10z", 1, 0), ("Sal", 0, 1),
        ("Sdq", 1, -1), ("Spd", 0, -2), ("Sha", 0, 2), ("Spc", 1, -2), ("Shv", 1, 2),
    ):
        assert doubled[name].value == pytest.approx(3**power * plain[name], rel=1e-4), name
        assert wider[name].value == pytest.approx(2.0**lateral * plain[name], rel=1e-4), name


def test_upside_down(rough):
    plain, turned = roughness_areal(rough, 1.0), roughness_areal(-rough, 1.0)
    for one, other in (
        ("Sp", "Sv"), ("Spk", "Svk"), ("S5p", "S5v"), ("Spd", "Svd"), ("Sha", "Sda"),
        ("Shv", "Sdv"), ("Spc", "Svc"),
    ):
        assert turned[one].value == pytest.approx(plain[other].value, rel=1e-4), one
    assert turned["Ssk"].value == pytest.approx(-plain["Ssk"].value, rel=1e-9)


def test_gaps_and_irregular_zone_change_little(rough):
    rng = np.random.default_rng(7)
    holed = rough.copy()
    holed[rng.random(rough.shape) < 0.05] = np.nan
    plain, gappy = roughness_areal(rough, 1.0), roughness_areal(holed, 1.0)
    for name in ("Sa", "Sq", "Sk", "Sal", "Str", "Sdq", "Sdr", "Spd", "Sha", "Vvc", "Spc"):
        assert gappy[name].value == pytest.approx(plain[name].value, rel=0.06), name
    row, col = np.mgrid[:160, :220]
    zone = (row > 20 + 0.2 * col) & (row < 150)
    part = roughness_areal(rough, 1.0, mask=zone)
    cut = roughness_areal(np.where(zone, rough, np.nan), 1.0)
    assert part["Sq"].value == cut["Sq"].value
    assert part.conditions.evaluation_area_um2 == zone.sum()
    assert part["Sal"].value == pytest.approx(plain["Sal"].value, rel=0.15)


def test_input_is_not_modified(rough):
    before = rough.copy()
    band = Band(form="polynomial 2", short_nesting_index_um=5.0)
    roughness_areal(rough, 1.0, nesting_index_um=80.0, band=band)
    np.testing.assert_array_equal(rough, before)


def test_filters_and_form_are_applied(rough):
    row, col = np.mgrid[:160, :220].astype(float)
    # quarter-period waves of 1000 px are form here, removed by the L-filter
    bent = rough + 3 * np.sin(2 * np.pi * col / 1000) + 0.01 * row
    plain = roughness_areal(rough, 1.0, settings=NO_FEATURES)["Sq"].value
    for options in (
        {"nesting_index_um": 80.0},
        {"nesting_index_um": 80.0, "band": Band(filter="robust Gaussian")},
        {"band": Band(form="polynomial 3")},
    ):
        got = roughness_areal(bent, 1.0, settings=NO_FEATURES, **options)
        assert got["Sq"].value == pytest.approx(plain, rel=0.06)
    rows = got.rows("laser", "height map")
    sq = next(item for item in rows if item.parameter == "Sq")
    assert sq.standard == "ISO 25178-2:2021, 4.2 height parameters"
    assert sq.filter == "none"
    assert "F-operator: polynomial 3" in sq.note
    assert rough.size == 35_200
    assert "area 35200 µm²" in sq.note
    everything = roughness_areal(rough, 1.0, band=Band(short_nesting_index_um=5.0))
    read = {item.parameter: item for item in everything.rows("torn", "height map")}
    assert "S-filter: Gaussian, nesting index 5 µm" in read["Spd"].note
    assert "pruned at 5 % of Sz" in read["Spd"].note
    assert "p = 2.5 %, q = 50 %" in read["Sxp"].note
    assert "c = 0 µm from the mean plane" in read["Smr"].note
    # every parameter names its clause (seen in a public table of contents of the standard)
    assert {item.standard.split(", ")[1].split(" ")[0] for item in read.values()} == {
        "4.2", "4.3", "4.4", "4.5", "5"
    }


@pytest.mark.parametrize(
    ("z", "spacing", "options", "match"),
    [
        (np.full((50, 50), 2.0), 1.0, {}, "constant"),
        (np.full((50, 50), np.nan), 1.0, {}, "all gap"),
        (np.ones((1, 500)), 1.0, {}, "shape"),
        (np.random.default_rng(0).normal(size=(3, 500)), 1.0, {}, "3 by 500"),
        (np.random.default_rng(0).normal(size=(50, 50)), 0.0, {}, "spacing"),
        (np.random.default_rng(0).normal(size=(50, 50)), (1.0, math.nan), {}, "column spacing"),
        (np.random.default_rng(0).normal(size=(50, 50)), 1.0,
         {"mask": np.zeros((50, 50), bool)}, "no height"),
        (np.random.default_rng(0).normal(size=(50, 50)), 1.0,
         {"mask": np.zeros((5, 5), bool)}, "mask"),
        (np.random.default_rng(0).normal(size=(50, 50)), 1.0, {"nesting_index_um": 90.0},
         "nesting index"),
        (np.random.default_rng(0).normal(size=(50, 50)), 1.0, {"band": Band(form="cone")},
         "cone"),
    ],
)
def test_useless_input_is_an_error(z, spacing, options, match):
    with pytest.raises(MeasurementError, match=match):
        roughness_areal(z, spacing, **options)


def test_one_pixel_strip_as_a_mask_is_an_error(rough):
    strip = np.zeros(rough.shape, bool)
    strip[:, 30] = True
    with pytest.raises(MeasurementError, match="160 by 1"):
        roughness_areal(rough, 1.0, mask=strip)


def test_pruning_is_a_setting(rough):
    plain = roughness_areal(rough, 1.0)
    hard = roughness_areal(rough, 1.0, settings=ArealSettings(pruning=0.3))
    assert hard["Spd"].value < plain["Spd"].value
    notes = {row.parameter: row.note for row in hard.rows("laser", "height map")}
    assert "pruned at 30 % of Sz" in notes["Spd"]
