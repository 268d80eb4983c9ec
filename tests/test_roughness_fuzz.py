"""Odd heights: a value with its doubt, words why not, or one of our errors; never a crash."""

import math

import numpy as np
import pytest

from edgeqc.errors import EdgeqcError, MeasurementError
from edgeqc.measure.line_edge import line_edge_roughness
from edgeqc.measure.roughness import Band, HeightDoubt, roughness_areal, roughness_profile

KINDS = (
    "plain", "whole numbers", "two levels", "mostly gaps", "one spike", "picometres", "metres",
    "offset", "infinite", "half flat", "drift", "one gap at the end",
)


def odd(rng, kind, shape):
    z = rng.normal(size=shape)
    if kind == "whole numbers":
        return np.round(z)
    if kind == "two levels":
        return np.sign(z)
    if kind == "mostly gaps":
        z[rng.random(shape) < 0.6] = np.nan
    elif kind == "one spike":
        z[...] = 0.0
        z.flat[rng.integers(z.size)] = 1.0
    elif kind in ("picometres", "metres", "offset"):
        return {"picometres": z * 1e-6, "metres": z * 1e6, "offset": z + 1e8}[kind]
    elif kind == "infinite":
        z.flat[rng.integers(z.size)] = np.inf
    elif kind == "half flat":
        z[..., : shape[-1] // 2] = 0.0
    elif kind == "drift":
        return np.cumsum(z, axis=-1)
    elif kind == "one gap at the end":
        z[..., shape[-1] // 3 :] = np.nan
    return z


def sound(result):
    for name, item in result.items():
        if math.isnan(item.value) or math.isnan(item.u):
            assert item.note, name
        else:
            low, high = item.interval
            assert math.isfinite(item.value), name
            assert math.isfinite(item.u), name
            assert low <= item.value <= high, name


@pytest.mark.parametrize("kind", KINDS)
def test_odd_profiles(kind):
    rng = np.random.default_rng(len(kind))
    for n in (60, 150, 333):
        for options in (
            {}, {"nesting_index_um": n / 4}, {"kind": "W", "nesting_index_um": n / 3},
            {"kind": "P", "band": Band(form="circle")}, {"doubt": HeightDoubt(noise_um=0.1)},
            {"band": Band(filter="robust Gaussian", form="line"), "nesting_index_um": n / 3},
            {"band": Band(form="polynomial 3", short_nesting_index_um=5.0)},
        ):
            z = odd(rng, kind, (n,))
            before = z.copy()
            try:
                sound(roughness_profile(z, 1.0, **options))
            except EdgeqcError:
                pass
            np.testing.assert_array_equal(z, before)
        try:
            sound(line_edge_roughness(odd(rng, kind, (n,)), 1.0).values)
        except EdgeqcError:
            pass


@pytest.mark.parametrize("kind", KINDS)
def test_odd_surfaces(kind):
    rng = np.random.default_rng(len(kind))
    for shape in ((9, 60), (40, 33)):
        for options in (
            {}, {"nesting_index_um": 20.0}, {"doubt": HeightDoubt(noise_um=0.1)},
            {"band": Band(form="sphere")}, {"band": Band(form="cylinder")},
            {"band": Band(filter="robust Gaussian"), "nesting_index_um": 20.0},
            {"band": Band(form="plane", short_nesting_index_um=5.0)},
            {"mask": rng.random(shape) < 0.5},
        ):
            try:
                sound(roughness_areal(odd(rng, kind, shape), (1.0, 1.3), **options))
            except EdgeqcError:
                pass


@pytest.mark.parametrize(("factor", "match"), [(1e12, "reaches"), (1e-15, "constant")])
def test_heights_in_another_unit_are_an_error(factor, match):
    z = np.random.default_rng(0).normal(size=(40, 300)) * factor
    for call in (
        lambda: roughness_profile(z[0], 1.0),
        lambda: roughness_areal(z, 1.0),
        lambda: line_edge_roughness(z, 1.0),
    ):
        with pytest.raises(MeasurementError, match=match):
            call()
