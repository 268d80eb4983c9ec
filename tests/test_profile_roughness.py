"""Profile roughness against closed forms (ISO 21920-2:2021 definitions on known shapes).

Unless a test names another source, the expected values are closed forms of the definitions for a
shape of amplitude A and period L over whole periods.
"""

import math

import numpy as np
import pytest
from scipy.special import ellipe

from edgeqc.errors import MeasurementError
from edgeqc.measure.form import profile_form
from edgeqc.measure.material_ratio import core_values, running_total
from edgeqc.measure.profile_elements import profile_elements
from edgeqc.measure.profile_parameters import ProfileSettings, profile_values
from edgeqc.measure.roughness import Band, roughness_profile, roughness_profiles
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.measure.section_lengths import (
    SETTING_CLASSES,
    longest_class_within,
    plan_sections,
    setting_class_for,
    too_short,
)
from edgeqc.measure.slopes import local_slopes

A, L, PERIODS, PER = 1.7, 2.5, 5, 4000  # so fine that a crest between samples is 3e-7 low
N = PERIODS * PER
STEP = L / PER
PHASE = (np.arange(N) + 0.5) / PER  # midpoints, in periods
SINE = A * np.sin(2 * np.pi * PHASE)
# phase shifted so that the triangle's kinks lie on sample borders
TRIANGLE = A * (4 * np.abs((PHASE + 0.25) % 1 - 0.5) - 1)
SAWTOOTH = A * (2 * (PHASE % 1) - 1)
SQUARE = A * np.where(PHASE % 1 < 0.5, 1.0, -1.0)
H = A
CUSPS = H * (2 * (PHASE % 1) - 1) ** 2  # parabolas with pointed peaks


def values(z, step=STEP, **options):
    return {name: item.value for name, item in roughness_profile(z, step, **options).items()}


def pulse(duty):
    return A * np.where(PHASE % 1 < duty, 1.0, -1.0)


@pytest.mark.parametrize(
    ("name", "expected", "rel"),
    [
        ("Ra", 2 * A / math.pi, 1e-6),
        ("Rq", A / math.sqrt(2), 1e-6),
        ("Rku", 1.5, 1e-6),
        ("Rp", A, 1e-5), ("Rv", A, 1e-5), ("Rz", 2 * A, 1e-5), ("Rt", 2 * A, 1e-5),
        ("RSm", L, 1e-5),
        ("Rda", 4 * A / L, 1e-5),
        ("Rdq", math.sqrt(2) * math.pi * A / L, 1e-5),
        ("Rc", 2 * A, 1e-5),
        ("Rmr", 50.0, 1e-3),
        ("Rk", 1.774700 * A, 1e-4),  # Rpk and Rvk of a sine are degenerate
    ],
)
def test_sine(name, expected, rel):
    assert values(SINE)[name] == pytest.approx(expected, rel=rel)


def test_sine_skewness_is_zero():
    assert values(SINE)["Rsk"] == pytest.approx(0, abs=1e-6)


def test_sine_developed_length():
    # elliptic integral: 2/pi sqrt(1+k²) E(m) - 1, k = 2 pi A/L, m = k²/(1+k²)
    z = np.sin(2 * np.pi * PHASE)
    k2 = (2 * math.pi) ** 2
    expected = 100 * (2 / math.pi * math.sqrt(1 + k2) * ellipe(k2 / (1 + k2)) - 1)
    assert expected == pytest.approx(318.8275, abs=1e-4)
    assert values(z, 1 / PER)["Rdl"] == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("height", "percent"), [(0.5, 100 / 3), (0.0, 50.0), (-0.5, 200 / 3)])
def test_sine_material_ratio(height, percent):
    settings = ProfileSettings()
    material = type(settings.material)(section_height_um=height * A)
    got = values(SINE, settings=ProfileSettings(material=material))["Rmr"]
    assert got == pytest.approx(percent, abs=0.05)


SHAPES = {
    "triangle": (TRIANGLE, A / 2, A / math.sqrt(3), 0.0, 1.8, 1e-5),
    "sawtooth": (SAWTOOTH, A / 2, A / math.sqrt(3), 0.0, 1.8, 1e-5),
    "square": (SQUARE, A, A, 0.0, 1.0, 1e-9),
    "pulse 0.2": (pulse(0.2), 0.64 * A, 0.8 * A, 1.5, 3.25, 1e-9),
    "pulse 0.35": (
        pulse(0.35), 4 * A * 0.35 * 0.65, 2 * A * math.sqrt(0.35 * 0.65),
        0.3 / math.sqrt(0.35 * 0.65), (1 - 3 * 0.35 * 0.65) / (0.35 * 0.65), 1e-9,
    ),
    "cusps": (
        CUSPS, 4 * H / (9 * math.sqrt(3)), 2 * H / (3 * math.sqrt(5)),
        2 * math.sqrt(5) / 7, 15 / 7, 1e-5,
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_height_parameters_of_shapes(shape):
    z, ra, rq, skew, kurtosis, rel = SHAPES[shape]
    got = values(z)
    assert got["Ra"] == pytest.approx(ra, rel=rel)
    assert got["Rq"] == pytest.approx(rq, rel=rel)
    assert got["Rsk"] == pytest.approx(skew, rel=rel, abs=1e-9)
    assert got["Rku"] == pytest.approx(kurtosis, rel=rel)


FINE = (np.arange(5 * 400_000) + 0.5) / 400_000
"""Periods sampled so finely that the kinks of a triangle and a cusp do not show at 1e-5."""


def test_triangle_slope():
    z = A * (4 * np.abs((FINE + 0.25) % 1 - 0.5) - 1)
    table = profile_values(
        z[None], L / 400_000, plan_sections(z.size, L / 400_000).starts, ProfileSettings()
    )
    # the seven-point formula rounds off the two kinks of a period: 6e-6 with these samples
    assert table.value["dq"][0] == pytest.approx(4 * A / L, rel=1e-5)
    inner = local_slopes(TRIANGLE[None, 1010:2990], STEP)  # one flank: 4A/L exactly
    np.testing.assert_allclose(np.abs(inner), 4 * A / L, rtol=1e-9)


def test_pulse_and_cusp_extremes():
    got = values(pulse(0.2))
    assert got["Rp"] == pytest.approx(1.6 * A, rel=1e-9)
    assert got["Rv"] == pytest.approx(0.4 * A, rel=1e-9)
    z = H * (2 * (FINE % 1) - 1) ** 2
    got = profile_values(
        z[None], L / 400_000, plan_sections(z.size, L / 400_000).starts, ProfileSettings()
    ).value
    assert got["p"][0] == pytest.approx(2 * H / 3, rel=1e-5)
    assert got["v"][0] == pytest.approx(H / 3, rel=1e-5)


def test_section_means_against_evaluation_length():
    """Five sections with sines of amplitude 1 to 5: tells ISO 21920-2 from the older rules."""
    amplitude = np.repeat(np.arange(1.0, 6.0), PER)
    got = values(amplitude * np.sin(2 * np.pi * PHASE))
    expected = {
        "Rz": 6.0, "Rzx": 10.0, "Rt": 10.0, "Rp": 3.0, "Rpt": 5.0, "Rv": 3.0, "Rvt": 5.0,
        "Ra": 6 / math.pi, "Rq": math.sqrt(5.5), "Rku": 2.427273,
    }
    for name, value in expected.items():
        assert got[name] == pytest.approx(value, rel=1e-6), name
    assert got["Rq"] != pytest.approx(2.121320, rel=1e-2)  # the older mean over sections
    assert got["Rku"] != pytest.approx(1.5, rel=1e-2)


def test_one_spike_in_one_section():
    z = A * np.sin(2 * np.pi * PHASE)
    crest = int(np.argmax(z[:PER]))
    z[crest] += 3.0
    got = values(z)
    top = z.mean()  # the mean line moves by H/n
    assert got["Rz"] == pytest.approx(2 * A + 3.0 / 5, rel=1e-6)
    assert got["Rt"] == got["Rzx"] == pytest.approx(2 * A + 3.0, rel=1e-6)
    assert got["Rpt"] == pytest.approx(A + 3.0 - top, rel=1e-6)


def test_triangle_material_ratio_curve():
    # one period: with more, equal heights make the sampled curve a staircase (6e-6 low here)
    phase = (np.arange(N) + 0.5) / N
    got = values(A * (4 * np.abs(phase - 0.5) - 1))
    assert got["Rk"] == pytest.approx(2 * A, rel=1e-6)
    assert values(TRIANGLE)["Rk"] == pytest.approx(2 * A, rel=1e-5)
    assert got["Rpk"] == pytest.approx(0, abs=1e-6 * A)
    assert got["Rvk"] == pytest.approx(0, abs=1e-6 * A)
    assert got["Rmr1"] == pytest.approx(0, abs=1e-3)
    assert got["Rmr2"] == pytest.approx(100, abs=1e-3)


def test_piecewise_material_ratio_curve():
    # construction of ISO 13565-2, kept in ISO 21920-2
    ratio = (np.arange(100_000) + 0.5) / 100_000
    curve = np.interp(ratio, [0, 0.1, 0.85, 1], [4.0, 1.0, 0.0, -6.0])[None]
    got = core_values(curve, running_total(curve))
    assert got.core_height[0] == pytest.approx(4 / 3, rel=1e-3)
    assert got.peak_height[0] == pytest.approx(2.866667, rel=1e-3)
    assert got.dale_height[0] == pytest.approx(5.8, rel=1e-3)
    assert 100 * got.peak_ratio[0] == pytest.approx(9.5556, rel=1e-3)
    assert 100 * got.dale_ratio[0] == pytest.approx(85.5, rel=1e-3)


@pytest.mark.parametrize(("points", "gain"), [(8, 0.998513), (10, 0.999593), (16, 0.999975)])
def test_seven_point_slope_gain(points, gain):
    # transfer of (z3 - 9 z2 + 45 z1 - ...)/60 at 2 pi/points
    phase = 2 * np.pi * np.arange(40 * points) / points
    slope = local_slopes(np.sin(phase)[None], 2 * np.pi / points)[0]
    inner = slice(4, -4)
    got = slope[inner] @ np.cos(phase)[inner] / (np.cos(phase)[inner] @ np.cos(phase)[inner])
    assert got == pytest.approx(gain, abs=1e-6)


@pytest.mark.parametrize(("points", "gain"), [(8, 0.900316), (10, 0.935489), (16, 0.974495)])
def test_two_point_slope_gain(points, gain):
    # sin(2 pi/N)/(2 pi/N), used where an end or a gap leaves no more neighbours
    phase = 2 * np.pi * np.arange(40 * points) / points
    z = np.stack([np.sin(phase - 2 * np.pi / points), np.sin(phase),
                  np.sin(phase + 2 * np.pi / points)], axis=1)
    slope = local_slopes(z, 2 * np.pi / points)[:, 1]
    assert slope @ np.cos(phase) / (np.cos(phase) @ np.cos(phase)) == pytest.approx(gain, abs=1e-6)


def test_sine_core_has_two_equal_secants():
    # degenerate: the 40 % secant is as flat from 0 % as from 60 %, so either pair is right
    ratio = (np.arange(200_000) + 0.5) / 200_000
    curve = A * np.cos(np.pi * ratio)[None]
    got = core_values(curve, running_total(curve))
    assert got.core_height[0] == pytest.approx(1.774700 * A, rel=1e-4)
    found = got.peak_height[0], got.dale_height[0]
    pairs = [(0.0, 0.443917 * A), (0.443917 * A, 0.0)]
    assert any(np.allclose(found, pair, rtol=1e-4, atol=1e-6 * A) for pair in pairs)


@pytest.mark.parametrize("offset", [1_000_000, 10_000_000])
def test_large_offset_keeps_the_spread(offset):
    # NIST StRD NumAcc3 and NumAcc4: mean offset + 0.2, sd(n - 1) = 0.1
    data = np.array([offset + 0.2] + [offset + 0.1, offset + 0.3] * 500)
    sections = plan_sections(data.size, 1.0)
    got = profile_values(data[None], 1.0, sections.starts, ProfileSettings()).value["q"][0]
    mean = profile_form(data[None], 1.0, "mean")[0, 0]
    assert mean == pytest.approx(offset + 0.2, rel=1e-12)
    deviation = got * math.sqrt(data.size / (data.size - 1))
    # 10000000.1 itself is stored to 9e-9 of the deviation
    assert deviation == pytest.approx(0.1, rel=1e-8)


# --- setting classes (ISO 21920-3; limits and lengths as in a public table) -----------------------
@pytest.mark.parametrize(
    ("name", "rz", "ra", "nesting", "length"),
    [
        ("Sc1", 0.16, 0.02, 80, 400), ("Sc2", 0.8, 0.1, 250, 1250), ("Sc3", 16, 2, 800, 4000),
        ("Sc4", 80, 10, 2500, 12500), ("Sc5", math.inf, math.inf, 8000, 40000),
    ],
)
def test_setting_classes(name, rz, ra, nesting, length):
    entry = SETTING_CLASSES[name]
    assert (entry.rz_limit_um, entry.ra_limit_um) == (rz, ra)
    assert (entry.nesting_index_um, entry.evaluation_length_um) == (nesting, length)
    assert setting_class_for(min(rz, 1e3)).name == name


def test_only_the_finest_class_fits_across_a_lens():
    # lens 0.5 to 1.2 mm thick
    assert longest_class_within(500).name == "Sc1"
    assert longest_class_within(1200).name == "Sc1"
    assert longest_class_within(300) is None


def test_shortened_evaluation_length_is_said(rng):
    full = plan_sections(900, 1.0, setting_class="Sc1")
    assert full.count == 5
    assert full.evaluation_length_um == 400
    short = plan_sections(700, 1.0, setting_class="Sc2")
    assert short.count == 2
    assert short.note.startswith("non-default: evaluation length is 2 section lengths")
    z = rng.normal(size=700)
    result = roughness_profile(z, 1.0, setting_class="Sc2")
    assert result.conditions.evaluation_length_um == 500
    assert "non-default" in result.conditions.note
    with pytest.raises(MeasurementError, match="section length"):
        roughness_profile(z, 1.0, setting_class="Sc3")
    z = rng.normal(size=1000)
    bare = roughness_profile(z, 0.45, setting_class="Sc1").conditions
    assert bare.note == "non-default: no S-filter, where class Sc1 has one of 2.5 µm"
    assert not too_short(bare.note)
    assert too_short(result.conditions.note)
    band = Band(short_nesting_index_um=2.5)
    default = roughness_profile(z, 0.45, setting_class="Sc1", band=band)
    assert default.conditions.note == ""
    coarse = roughness_profile(z, 0.6, setting_class="Sc1", band=band).conditions.note
    assert coarse == "non-default: spacing 0.6 µm is above 0.5 µm"


# --- behaviour ------------------------------------------------------------------------------------
@pytest.fixture
def rng():
    return np.random.default_rng(4)


@pytest.fixture
def rough(rng):
    return np.convolve(rng.normal(size=4040), np.hanning(43)[1:-1], "valid") / 4 + 100.0


SIGNED = {"Rsk", "Rmr", "Rmr1", "Rmr2", "Rmc", "Rmq"}


def test_mirror_offset_and_scale(rough):
    plain = values(rough, 0.5)
    mirrored = values(rough[::-1], 0.5)
    shifted = values(rough - 250.0, 0.5)
    doubled = values(2 * rough, 0.5)
    wider = values(rough, 1.0)
    turned = values(-rough, 0.5)
    for name in plain:
        assert mirrored[name] == pytest.approx(plain[name], rel=1e-9, abs=1e-9, nan_ok=True)
        assert shifted[name] == pytest.approx(plain[name], rel=1e-8, abs=1e-9, nan_ok=True)
    for name in ("Ra", "Rq", "Rz", "Rk", "Rpk", "Rvvc", "Rc", "Rdq"):
        assert doubled[name] == pytest.approx(2 * plain[name], rel=1e-9), name
    assert wider["RSm"] == pytest.approx(2 * plain["RSm"], rel=1e-9)
    assert wider["Rdq"] == pytest.approx(plain["Rdq"] / 2, rel=1e-9)
    assert turned["Rp"] == pytest.approx(plain["Rv"], rel=1e-9)
    assert turned["Rsk"] == pytest.approx(-plain["Rsk"], rel=1e-9)
    assert turned["RSm"] == pytest.approx(plain["RSm"], rel=1e-9)
    assert turned["Rpk"] == pytest.approx(plain["Rvk"], rel=1e-6)
    assert turned["Rvmp"] == pytest.approx(
        values(rough, 0.5, settings=ProfileSettings(
            material=type(ProfileSettings().material)(dale_ratio=0.9)))["Rvvv"], rel=1e-6)


def test_input_is_not_modified(rough):
    before = rough.copy()
    roughness_profile(rough, 0.5, nesting_index_um=100.0)
    np.testing.assert_array_equal(rough, before)


def test_many_profiles_are_the_same_as_one_by_one(rng):
    z = rng.normal(size=(7, 600)).cumsum(axis=1)
    table = roughness_profiles(z, 1.0, nesting_index_um=100.0)
    for row in range(7):
        one = roughness_profile(z[row], 1.0, nesting_index_um=100.0)
        for name, item in one.items():
            expected = pytest.approx(item.value, rel=1e-9, abs=1e-12, nan_ok=True)
            assert table.value[name][row] == expected, name


def test_gaps_change_little(rough, rng):
    gappy = rough.copy()
    gappy[rng.random(gappy.size) < 0.05] = np.nan
    gappy[1000:1040] = np.nan
    plain, holed = roughness_profile(rough, 0.5), roughness_profile(gappy, 0.5)
    for name in ("Ra", "Rq", "Rz", "Rk", "Rdq", "Rku", "Rvvc"):
        assert holed[name].value == pytest.approx(plain[name].value, rel=0.03), name


def test_spacing_and_height_discrimination():
    # a ripple below 10 % of Rz crosses the line and is not counted as an element
    x = np.arange(5000) / 1000
    z = np.sin(2 * np.pi * x) + 0.05 * np.sin(2 * np.pi * 40 * x)
    assert values(z, 0.001)["RSm"] == pytest.approx(1.0, rel=0.01)
    none = profile_elements(z[None], 0.001, np.zeros(1), 0.0)
    assert none.spacing_um[0] < 0.9


def test_primary_waviness_and_roughness_add_up():
    x = np.arange(4000) * 0.5
    z = 2 * np.sin(2 * np.pi * x / 1000) + 0.3 * np.sin(2 * np.pi * x / 20)
    primary = values(z, 0.5, kind="P")
    waviness = values(z, 0.5, kind="W", nesting_index_um=100.0)
    rough = values(z, 0.5, nesting_index_um=100.0)
    assert waviness["Wq"] == pytest.approx(2 / math.sqrt(2), rel=0.01)
    assert rough["Rq"] == pytest.approx(0.3 / math.sqrt(2), rel=0.01)
    assert primary["Pq"] == pytest.approx(math.hypot(2, 0.3) / math.sqrt(2), rel=1e-3)
    assert primary["Pz"] == primary["Pt"]  # one section: the evaluation length


def test_form_is_taken_off():
    x = np.linspace(-400, 400, 3200)
    step = x[1] - x[0]
    ripple = 0.2 * np.sin(2 * np.pi * x / 10)
    arc = np.sqrt(5000.0**2 - x**2)
    got = values(arc + ripple, step, band=Band(form="circle"))
    assert got["Rq"] == pytest.approx(0.2 / math.sqrt(2), rel=1e-3)
    got = values(1e-4 * x**2 + 0.3 * x + ripple, step, band=Band(form="polynomial 2"))
    assert got["Rq"] == pytest.approx(0.2 / math.sqrt(2), rel=1e-3)


def test_rows_carry_everything(rough):
    result = roughness_profile(
        rough, 0.5, nesting_index_um=250.0, band=Band(form="line", short_nesting_index_um=5.0)
    )
    rows = result.rows("laser", "edge contour")
    assert all(isinstance(row, RoughnessRow) for row in rows)
    row = next(row for row in rows if row.parameter == "Rq")
    assert row.filter == "Gaussian (ISO 16610-21)"
    assert row.nesting_index_um == 250.0
    assert row.evaluation_length_um == 2000.0
    assert row.standard.startswith("ISO 21920-2:2021")
    assert "non-default: evaluation length is 8 section lengths" in row.note
    for words in (
        "F-operator: line", "S-filter: Gaussian, nesting index 5 µm",
        "ends: moment criterion of order 1",
    ):
        assert words in row.note
    read = {row.parameter: row.note for row in rows}
    assert "c = 0 µm from the mean line" in read["Rmr"]
    assert "p = 10 %" in read["Rmc"]
    assert "p = 2 %, q = 98 %" in read["Rdc"]
    assert "p = 10 %, q = 80 %" in read["Rvmp"]
    assert "p =" not in read["Rq"]
    assert set(row.result.budget) >= {"sampling along the surface", "levelling", "filter ends"}
    assert result.conditions.short_nesting_index_um == 5.0


@pytest.mark.parametrize(
    ("z", "step", "options", "match"),
    [
        (np.full(500, 3.0), 1.0, {}, "constant"),
        (np.full(500, np.nan), 1.0, {}, "all gap"),
        (np.arange(10.0), 1.0, {}, "10 heights"),
        (np.ones((3, 500)), 1.0, {}, "shape"),
        (np.arange(500.0), 0.0, {}, "spacing"),
        (np.arange(500.0), -1.0, {}, "spacing"),
        (np.arange(500.0), math.nan, {}, "spacing"),
        (np.arange(500.0), (1.0, 1.0), {}, "spacing"),
        (np.arange(500.0), 1.0, {"nesting_index_um": 2.0}, "section length 2 µm"),
        (np.arange(500.0), 1.0, {"nesting_index_um": 600.0}, "600 µm"),
        (np.arange(500.0), 1.0, {"kind": "W"}, "waviness"),
        (np.arange(500.0), 1.0, {"kind": "X"}, "kind"),
        (np.arange(500.0), 1.0, {"setting_class": "Sc9"}, "Sc9"),
        (np.arange(500.0), 1.0, {"band": Band(form="ellipse")}, "ellipse"),
    ],
)
def test_useless_input_is_an_error(z, step, options, match):
    with pytest.raises(MeasurementError, match=match):
        roughness_profile(z, step, **options)


def test_one_useless_profile_of_many_is_a_gap(rng):
    z = rng.normal(size=(3, 500))
    z[1] = 5.0
    table = roughness_profiles(z, 1.0)
    assert list(table.usable) == [True, False, True]
    assert np.isnan(table.value["Rq"][1])
    assert math.isnan(table.at(1)["Rq"].value)
