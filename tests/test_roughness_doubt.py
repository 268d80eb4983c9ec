"""The stated uncertainty of roughness values: does it cover, and does each share do its part?"""

import math

import numpy as np
import pytest
from scipy import fft

from edgeqc.errors import MeasurementError
from edgeqc.measure.noise_taken_out import BROKEN_UP, ELEMENTS_OF_NOISE
from edgeqc.measure.roughness import (
    ArealSettings,
    Band,
    HeightDoubt,
    roughness_areal,
    roughness_profile,
    roughness_profiles,
)
from edgeqc.measure.roughness_result import measured
from edgeqc.measure.roughness_symbols import symbol_of
from edgeqc.measure.zone_roughness import _with_matching

CORRELATION = 10.0


def gaussian_profiles(rng, count, n):
    """Heights of Sq 1 and autocorrelation exp(-(x/10)²), cut from longer ones."""
    longer = n + 120
    transfer = np.exp(-0.5 * (np.pi * np.fft.rfftfreq(longer) * CORRELATION) ** 2)
    heights = fft.irfft(fft.rfft(rng.normal(size=(count, longer)), axis=1) * transfer, longer)
    return heights[:, :n] * math.sqrt(math.sqrt(math.pi) * CORRELATION)


def gaussian_map(rng, side, length):
    longer = side + 60
    fr, fc = np.fft.fftfreq(longer)[:, None], np.fft.rfftfreq(longer)[None, :]
    transfer = np.exp(-0.5 * (np.pi * length) ** 2 * (fr**2 + fc**2))
    heights = fft.irfft2(fft.rfft2(rng.normal(size=(longer, longer))) * transfer, (longer, longer))
    return heights[:side, :side] * math.sqrt(math.pi) * length


def least_hits(tries, probability, sigmas=3.0):
    return probability * tries - sigmas * math.sqrt(tries * probability * (1 - probability))


# closed forms for Gaussian heights of Sq 1 and this autocorrelation
PROFILE_TRUTH = {
    "Rq": 1.0, "Ra": math.sqrt(2 / math.pi), "Rdq": math.sqrt(2) / CORRELATION, "Rsk": 0.0,
    "Rk": 2.573956, "Rpk": 0.945031, "Rvk": 0.945031, "Rvmc": 0.905916, "Rvvc": 1.217257,
    "Rmc": 1.281552, "Rmr": 50.0,
}


@pytest.mark.parametrize("lengths", [50, 200])
def test_profile_intervals_cover(lengths):
    tries = 300
    z = gaussian_profiles(np.random.default_rng(lengths), tries, int(lengths * CORRELATION))
    table = roughness_profiles(z, 1.0)
    hits = dict.fromkeys(PROFILE_TRUTH, 0)
    for index in range(tries):
        result = table.at(index)
        for name, truth in PROFILE_TRUTH.items():
            low, high = result[name].interval
            hits[name] += low <= truth <= high
    for name, count in hits.items():
        # 95 % are claimed; 92 % is the least that counts as held, less the chance of 300 tries
        assert count >= least_hits(tries, 0.92), (name, count)
        assert count <= tries * 0.998 or name == "Rmr", (name, count)


def test_profile_uncertainty_is_the_scatter():
    z = gaussian_profiles(np.random.default_rng(3), 300, 1500)
    table = roughness_profiles(z, 1.0)
    for name in PROFILE_TRUTH:
        scatter, stated = table.value[name].std(), np.sqrt(np.mean(table.u(name) ** 2))
        assert 0.7 < stated / scatter < 1.5, (name, stated, scatter)
    for name in ("Rz", "Rp", "Rv", "RSm", "Rc"):
        scatter, stated = table.value[name].std(), np.sqrt(np.mean(table.u(name) ** 2))
        assert 0.6 < stated / scatter < 1.8, (name, stated, scatter)


def test_areal_intervals_cover():
    tries, length = 80, 5.0
    rng = np.random.default_rng(6)
    truth = {
        "Sq": 1.0, "Sa": math.sqrt(2 / math.pi), "Sdq": 2 / length, "Sk": 2.573956,
        "Sal": length * math.sqrt(math.log(5)), "Vvc": 1.217257, "Smr": 50.0,
    }
    hits = dict.fromkeys(truth, 0)
    settings = ArealSettings(features=False)
    for _ in range(tries):
        result = roughness_areal(gaussian_map(rng, 120, length), 1.0, settings=settings)
        for name, value in truth.items():
            low, high = result[name].interval
            hits[name] += low <= value <= high
    for name, count in hits.items():
        assert count >= least_hits(tries, 0.92), (name, count)


def test_noise_is_taken_out_of_rq_and_sq():
    rng = np.random.default_rng(8)
    z = gaussian_profiles(rng, 200, 3000)
    noise = 0.8
    table = roughness_profiles(
        z + rng.normal(0, noise, z.shape), 1.0, doubt=HeightDoubt(noise_um=noise)
    )
    plain = roughness_profiles(z, 1.0)
    raw = roughness_profiles(z + rng.normal(0, noise, z.shape), 1.0)
    assert raw.value["Rq"].mean() / plain.value["Rq"].mean() > 1.2
    assert table.value["Rq"].mean() == pytest.approx(plain.value["Rq"].mean(), rel=0.01)
    hits = sum(low <= 1.0 <= high for low, high in
               (table.at(i)["Rq"].interval for i in range(200)))
    assert hits >= least_hits(200, 0.92)
    surface = gaussian_map(rng, 250, 6.0)
    noisy = surface + rng.normal(0, noise, surface.shape)
    got = roughness_areal(noisy, 1.0, doubt=HeightDoubt(noise_um=noise))
    assert got["Sq"].value == pytest.approx(surface.std(), rel=0.01)
    assert got["Sq"].budget["height noise"] == pytest.approx(0.1 * noise**2, rel=0.05)
    assert got["Sdq"].note == "dominated by height noise"
    # and the slope, which is mostly noise here, has the truth within its doubt
    assert abs(got["Sdq"].value - 2 / 6.0) < 2 * got["Sdq"].u


@pytest.mark.parametrize("noise", [0.3, 0.8])
def test_noise_is_taken_out_of_ra_and_sa_too(noise):
    """Otherwise Ra would come out above Rq, which it never is."""
    rng = np.random.default_rng(14)
    z = gaussian_profiles(rng, 150, 1500)
    table = roughness_profiles(
        z + rng.normal(0, noise, z.shape), 1.0, doubt=HeightDoubt(noise_um=noise)
    )
    truth = math.sqrt(2 / math.pi)
    assert table.value["Ra"].mean() == pytest.approx(truth, rel=0.015)
    assert (table.value["Ra"] <= table.value["Rq"]).all()
    hits = sum(low <= truth <= high for low, high in
               (table.at(i)["Ra"].interval for i in range(150)))
    assert hits >= least_hits(150, 0.92)
    surface = gaussian_map(rng, 250, 6.0)
    got = roughness_areal(
        surface + rng.normal(0, noise, surface.shape), 1.0, doubt=HeightDoubt(noise_um=noise)
    )
    assert got["Sa"].value == pytest.approx(np.abs(surface - surface.mean()).mean(), rel=0.015)
    assert got["Sa"].value <= got["Sq"].value
    # heights that are not Gaussian: the truth stays within the doubt
    spiky = np.exp(1.2 * z) / 3
    table = roughness_profiles(
        spiky + rng.normal(0, noise / 3, z.shape), 1.0, doubt=HeightDoubt(noise_um=noise / 3)
    )
    centred = spiky - spiky.mean(axis=1, keepdims=True)
    off = np.abs(table.value["Ra"] / np.abs(centred).mean(axis=1) - 1)
    assert np.median(off) < 0.05


def test_hills_under_little_noise_stay_within_their_doubt():
    rng = np.random.default_rng(41)
    names, tries, noise = ("Spd", "Svd", "Sda", "S10z"), 30, 0.08
    truth = dict.fromkeys(names, 0.0)
    for _ in range(tries):
        clean = roughness_areal(gaussian_map(rng, 96, 5.0), 1.0)
        for name in names:
            truth[name] += clean[name].value / tries
    held = dict.fromkeys(names, 0)
    for _ in range(tries):
        z = gaussian_map(rng, 96, 5.0) + rng.normal(0, noise, (96, 96))
        found = roughness_areal(z, 1.0, doubt=HeightDoubt(noise_um=noise))
        for name in names:
            low, high = found[name].interval
            held[name] += low <= truth[name] <= high
    for name, count in held.items():
        assert count >= least_hits(tries, 0.92), (name, count)


def test_hills_that_noise_makes_get_no_number():
    rng = np.random.default_rng(42)
    z = gaussian_map(rng, 96, 5.0) + rng.normal(0, 0.3, (96, 96))
    found = roughness_areal(z, 1.0, doubt=HeightDoubt(noise_um=0.3))
    for name in ("Spd", "Svd", "Spc", "Svc", "Sha", "Sda", "Shv", "Sdv"):
        assert math.isnan(found[name].value), name
        assert found[name].note == BROKEN_UP
    assert math.isfinite(found["S5p"].value)


SLOPES = {"Rdq": 0.01, "Rda": 0.01, "Rdl": 0.02}
HEIGHTS = {"Rk": 0.01, "Rmc": 0.01, "Rdc": 0.01, "Rvvc": 0.01}


@pytest.mark.parametrize(("noise", "names"), [(0.08, SLOPES), (0.3, HEIGHTS)])
def test_noise_is_taken_out_of_every_parameter_that_it_adds_to(noise, names):
    """Means over many profiles: the single ones scatter."""
    rng = np.random.default_rng(15)
    z = gaussian_profiles(rng, 150, 1500)
    clean = roughness_profiles(z, 1.0)
    raw = roughness_profiles(z + rng.normal(0, noise, z.shape), 1.0)
    told = roughness_profiles(
        z + rng.normal(0, noise, z.shape), 1.0, doubt=HeightDoubt(noise_um=noise))
    for name, most in names.items():
        truth = clean.value[name].mean()
        assert abs(told.value[name].mean() / truth - 1) < most, name
        assert raw.value[name].mean() / truth > 1 + 2 * most, name
    for name in ("Rz", "Rp", "Rv", "Rt", "Rpt", "Rzx"):
        # noise picks out the highest of neighbours: read backwards, half of that or more goes
        off = told.value[name].mean() / clean.value[name].mean() - 1
        assert abs(off) < 0.6 * (raw.value[name].mean() / clean.value[name].mean() - 1), name
        assert abs(off) < 2 * np.mean(told.shares[name].shares["height noise"] / told.value[name])


def test_elements_that_noise_makes_get_no_spacing():
    """Sections of 80 steps: nothing is too narrow to count as an element."""
    rng = np.random.default_rng(19)
    z = gaussian_profiles(rng, 12, 400)
    told = {}
    for noise in (0.03, 0.5):
        told[noise] = [
            roughness_profile(row + rng.normal(0, noise, row.size), 1.0, setting_class="Sc1",
                              doubt=HeightDoubt(noise_um=noise))["RSm"] for row in z]
    assert all(math.isfinite(value.u) for value in told[0.03])
    refused = [value.note for value in told[0.5] if math.isnan(value.value)]
    assert len(refused) >= 8
    assert set(refused) == {ELEMENTS_OF_NOISE}


def test_moments_under_noise_keep_their_cumulants():
    rng = np.random.default_rng(16)
    z = np.exp(0.5 * gaussian_map(rng, 400, 5.0))
    noise = 0.3 * z.std()
    clean = roughness_areal(z, 1.0, settings=ArealSettings(features=False))
    seen = z + rng.normal(0, noise, z.shape)
    raw = roughness_areal(seen, 1.0, settings=ArealSettings(features=False))
    told = roughness_areal(
        seen, 1.0, doubt=HeightDoubt(noise_um=noise), settings=ArealSettings(features=False))
    for name in ("Ssk", "Sku"):
        assert told[name].value == pytest.approx(clean[name].value, rel=0.03), name
        assert raw[name].value < 0.93 * clean[name].value, name


def test_noise_correlated_from_point_to_point():
    rng = np.random.default_rng(17)
    lags = (0.5, 0.2)
    noise = HeightDoubt(noise_um=0.2, noise_lags=lags).draw(rng, (40, 5000), (1.0,))
    assert noise.std() == pytest.approx(0.2, rel=0.02)
    for step, share in enumerate(lags, start=1):
        lag = np.mean(noise[:, step:] * noise[:, :-step]) / noise.var()
        assert lag == pytest.approx(share, abs=0.02)
    z = gaussian_profiles(rng, 40, 5000)
    truth = roughness_profiles(z, 1.0).value["Rdq"].mean()
    rightly = roughness_profiles(z + noise, 1.0, doubt=HeightDoubt(0.2, noise_lags=lags))
    wrongly = roughness_profiles(z + noise, 1.0, doubt=HeightDoubt(0.2))
    assert rightly.value["Rdq"].mean() == pytest.approx(truth, rel=0.02)
    assert not np.nanmean(wrongly.value["Rdq"]) > 0.8 * truth  # white noise would take too much


def test_a_transition_needs_two_slopes():
    rng = np.random.default_rng(18)
    one = [roughness_areal(gaussian_map(rng, 96, 5.0), 1.0)["Smq"] for _ in range(20)]
    assert sum(math.isnan(value.value) for value in one) >= 16
    two = gaussian_map(rng, 200, 4.0)
    two = np.where(two < -0.5, -0.5 + 6.0 * (two + 0.5), two)
    assert roughness_areal(two, 1.0)["Smq"].value == pytest.approx(69.0, abs=6.0)


def test_noise_after_filters():
    # white noise alone, sd 1: what an L- or S-filter leaves of it is what is taken out
    rng = np.random.default_rng(9)
    z = gaussian_profiles(rng, 60, 3000)
    noise = rng.normal(0, 0.6, z.shape)
    for options in (
        {"nesting_index_um": 60.0},
        {"nesting_index_um": 60.0, "kind": "W"},
        {"nesting_index_um": 300.0, "band": Band(short_nesting_index_um=8.0)},
        {"kind": "P", "band": Band(short_nesting_index_um=8.0)},
    ):
        name = options.get("kind", "R") + "q"
        clean = roughness_profiles(z, 1.0, **options).value[name].mean()
        got = roughness_profiles(z + noise, 1.0, doubt=HeightDoubt(noise_um=0.6), **options)
        assert got.value[name].mean() == pytest.approx(clean, rel=0.01), options


def test_noise_that_goes_together():
    rng = np.random.default_rng(12)
    doubt = HeightDoubt(noise_um=0.5, noise_correlation_um=6.0)
    noise = doubt.draw(rng, (300, 400), (1.0, 1.0))
    assert noise.std() == pytest.approx(0.5, rel=0.05)
    lag = np.mean(noise[:, 6:] * noise[:, :-6]) / noise.var()
    assert lag == pytest.approx(math.exp(-1), abs=0.05)
    surface = gaussian_map(rng, 400, 20.0)[:300]
    for options in (
        {}, {"nesting_index_um": 80.0},
        {"nesting_index_um": 120.0, "band": Band(short_nesting_index_um=10.0)},
        {"band": Band(short_nesting_index_um=10.0)},
    ):
        settings = ArealSettings(features=False)
        clean = roughness_areal(surface, 1.0, settings=settings, **options)
        got = roughness_areal(surface + noise, 1.0, settings=settings, doubt=doubt, **options)
        assert got["Sq"].value == pytest.approx(clean["Sq"].value, rel=0.03), options
        # white noise of that size would bury the slope
        assert abs(got["Sdq"].value - clean["Sdq"].value) < 2 * got["Sdq"].u
    z = gaussian_profiles(rng, 80, 3000)
    noise = doubt.draw(rng, z.shape, (1.0,))
    clean = roughness_profiles(z, 1.0, nesting_index_um=60.0).value["Rq"].mean()
    table = roughness_profiles(z + noise, 1.0, nesting_index_um=60.0, doubt=doubt)
    assert table.value["Rq"].mean() == pytest.approx(clean, rel=0.01)


def test_noise_beyond_the_roughness_gives_no_number():
    rng = np.random.default_rng(1)
    z = rng.normal(0, 0.1, 800)
    found = roughness_profile(z, 1.0, doubt=HeightDoubt(noise_um=0.3))
    for name in ("Rq", "Ra"):
        assert math.isnan(found[name].value)
        assert found[name].note == "the height noise accounts for all of the roughness"
    surface = rng.normal(0, 0.1, (40, 60))
    found = roughness_areal(surface, 1.0, doubt=HeightDoubt(noise_um=0.3))
    assert math.isnan(found["Sq"].value)
    assert math.isnan(found["Sa"].value)


def test_scales_scale_the_doubt():
    z = gaussian_profiles(np.random.default_rng(2), 1, 2000)[0]
    doubt = HeightDoubt(height_u_rel=0.03, spacing_u_rel=0.02)
    got = roughness_profile(z, 1.0, doubt=doubt)
    assert got["Rq"].budget["height scale"] == pytest.approx(0.03 * got["Rq"].value)
    assert "pixel size" not in got["Rq"].budget
    assert got["RSm"].budget["pixel size"] == pytest.approx(0.02 * got["RSm"].value)
    assert got["Rdq"].budget["pixel size"] == pytest.approx(0.02 * got["Rdq"].value)
    # a pixel size wrong by 2 % moves the developed length by the share that is stated
    moved = roughness_profile(z, 1.02)["Rdl"].value - got["Rdl"].value
    assert abs(moved) == pytest.approx(got["Rdl"].budget["pixel size"], rel=0.05)
    surface = gaussian_map(np.random.default_rng(3), 100, 5.0)
    areal = roughness_areal(surface, 1.0, doubt=doubt)
    moved = roughness_areal(surface, 1.02)
    for name in ("Sal", "Sdq", "Sdr", "Spd", "Sha", "Spc", "Sdv"):
        change = abs(moved[name].value - areal[name].value)
        stated = areal[name].budget["pixel size"]
        # of the developed area the share is that of small slopes, which is the larger one
        assert change == pytest.approx(stated, rel=0.06 if name != "Sdr" else 0.15), name


def test_longer_profiles_are_better_known():
    z = gaussian_profiles(np.random.default_rng(4), 40, 8000)
    short, long = roughness_profiles(z[:, :2000], 1.0), roughness_profiles(z, 1.0)
    ratio = np.mean(short.u("Rq")) / np.mean(long.u("Rq"))
    assert ratio == pytest.approx(2.0, rel=0.2)  # four times the length


def test_every_value_carries_its_budget():
    z = gaussian_profiles(np.random.default_rng(5), 1, 2000)[0]
    for result in (
        roughness_profile(z, 1.0, nesting_index_um=200.0),
        roughness_areal(gaussian_map(np.random.default_rng(5), 100, 5.0), 1.0,
                        nesting_index_um=60.0),
    ):
        for name, item in result.items():
            if math.isnan(item.value):
                assert item.note, name
                continue
            if math.isnan(item.u):  # the slopes were alike in some blocks
                assert name in ("Rmq", "Smq")
                assert "unknown" in item.note
                continue
            total = math.sqrt(sum(share**2 for share in item.budget.values()))
            assert item.u == pytest.approx(total), name
            assert item.u > 0, name
            assert {"sampling along the surface", "levelling", "filter ends"} <= set(item.budget)
            low, high = item.interval
            assert low <= item.value <= high, name


def test_ends_of_a_robust_filter_are_in_doubt_too():
    rng = np.random.default_rng(31)
    z = gaussian_profiles(rng, 1, 1200)[0]
    surface = gaussian_map(rng, 120, 5.0)
    for name in ("Gaussian", "robust Gaussian"):
        band = Band(filter=name)
        found = roughness_profile(z, 1.0, nesting_index_um=200.0, band=band)
        assert 0 < found["Rq"].budget["filter ends"] < 0.1 * found["Rq"].value
        found = roughness_areal(
            surface, 1.0, nesting_index_um=50.0, band=band, settings=ArealSettings(features=False)
        )
        assert 0 < found["Sq"].budget["filter ends"] < 0.1 * found["Sq"].value


def test_results_repeat_to_the_bit():
    z = gaussian_profiles(np.random.default_rng(6), 1, 1500)[0]
    doubt = HeightDoubt(noise_um=0.1)
    first = roughness_profile(z, 1.0, nesting_index_um=100.0, doubt=doubt)
    again = roughness_profile(z, 1.0, nesting_index_um=100.0, doubt=doubt)
    assert {k: (v.value, v.u) for k, v in first.items() if v.value == v.value} == {
        k: (v.value, v.u) for k, v in again.items() if v.value == v.value
    }


@pytest.mark.parametrize("name", ["Str", "Sdr", "Sq"])
def test_a_doubt_beyond_twice_the_value_gives_no_number(name):
    symbol = symbol_of(name)
    given = measured(0.1, {"sampling along the surface": 0.19}, math.inf, symbol)
    assert given.value == 0.1
    assert given.interval[0] == 0.0
    withheld = measured(0.1, {"sampling along the surface": 0.21}, math.inf, symbol, note="gaps")
    assert math.isnan(withheld.value)
    assert math.isnan(withheld.u)
    assert withheld.note == "gaps; its doubt is more than twice its value"
    # skewness may well be zero: its doubt is no share of it
    assert measured(0.1, {"sampling along the surface": 0.5}, math.inf,
                    symbol_of("Ssk")).value == 0.1


@pytest.mark.parametrize("freedom", [1.0, 3.0, math.inf])
@pytest.mark.parametrize("u_rel", [0.05, 0.5, 1.0, 1.9])
def test_the_aspect_ratio_stays_between_0_and_1(u_rel, freedom):
    # ISO 25178-2:2021, 4.3: a shortest over a longest length
    low, high = measured(0.6, {"sampling along the surface": 0.6 * u_rel}, freedom,
                         symbol_of("Str")).interval
    assert 0.0 <= low < 0.6 < high <= 1.0


def test_doubt_from_matching_keeps_to_the_same_bounds():
    value = measured(0.1, {"sampling along the surface": 0.04}, math.inf, symbol_of("Sdr"))
    wider = _with_matching(value, "Sdr", 0.6)
    assert wider.interval[0] >= 0.0
    assert wider.u > value.u
    assert math.isnan(_with_matching(value, "Sdr", 1.5).value)


def test_impossible_doubt_is_an_error():
    with pytest.raises(MeasurementError, match="doubt"):
        HeightDoubt(noise_um=-1.0)
    with pytest.raises(MeasurementError, match="doubt"):
        HeightDoubt(height_u_rel=math.nan)
