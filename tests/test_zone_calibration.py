"""The calibration of the zone map's doubts: what it is fitted to, and what is made of it."""

import json
from dataclasses import fields

import numpy as np
import pytest

from edgeqc.training.calibrate import calibrate, read_faces
from edgeqc.zoning import calibration
from edgeqc.zoning.calibration import (
    DIAGNOSTIC_NAMES,
    VECTOR_NAMES,
    Diagnostics,
    Risks,
    depth_doubt,
    diagnostic_vector,
    zone_risks,
)
from edgeqc.zoning.zone_settings import ZoneSettings
from edgeqc.zoning.zones import _doubts, _name_doubts


def faces_of(rng, count):
    """Faces whose chance of being wrong grows with one figure, and their error with another."""
    rows = []
    for _ in range(count):
        figures = {each.name: float(rng.uniform(0.01, 0.5)) for each in fields(Diagnostics)}
        figures["through"] = float(rng.random() < 0.2)
        figures["no_laser"] = 0.0
        wrong = rng.random() < 0.9 * figures["net_rival"] / 0.5
        error = 0.02 * figures["spread"] * abs(rng.standard_normal())
        nameless = bool(rng.random() < figures["net_doubt"] / 0.5)
        rows.append({
            "nameless": nameless, "diagnostics": figures, "flags": [], "truth": 0.5,
            "depth": 0.5 + error, "dice": 0.3 if wrong else 0.97,
        })  # fmt: skip
    return rows


@pytest.fixture
def record(tmp_path):
    rng = np.random.default_rng(3)
    path = tmp_path / "rows.json"
    path.write_text(json.dumps(faces_of(rng, 1500)))
    return calibrate(read_faces([path]), "drawn figures")


def use(monkeypatch, record):
    held = {name: np.asarray(record[name], float) for name in calibration.RECORD_NAMES}
    monkeypatch.setattr(calibration, "_calibration", lambda: held)


def test_fitted_risks_and_doubts_hold_on_fresh_faces(record, monkeypatch):
    use(monkeypatch, record)
    rows = faces_of(np.random.default_rng(4), 1500)
    found = [Diagnostics(**row["diagnostics"]) for row in rows]
    risk = np.array([zone_risks(each).zones for each in found])
    wrong = np.array([row["dice"] < 0.8 for row in rows])
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 1.0)):
        inside = (risk >= low) & (risk < high)
        assert inside.sum() > 100
        assert wrong[inside].mean() == pytest.approx(risk[inside].mean(), abs=0.1)
    unfamiliar = np.array([zone_risks(each).unfamiliar for each in found])
    nameless = np.array([row["nameless"] for row in rows])
    for low, high in ((0.0, 0.4), (0.4, 0.6), (0.6, 1.0)):
        inside = (unfamiliar >= low) & (unfamiliar < high)
        assert nameless[inside].mean() == pytest.approx(unfamiliar[inside].mean(), abs=0.1)
    error = np.array([abs(row["depth"] - row["truth"]) for row in rows])
    doubt = np.array([depth_doubt(each) for each in found])
    assert 0.92 <= (error <= 2 * doubt).mean() <= 0.995


def test_a_few_depths_far_off_do_not_widen_those_that_are_sure(monkeypatch, tmp_path):
    """One in eleven is far off, where `spread` tells: the other intervals hold all the same."""
    rng = np.random.default_rng(6)
    rows = faces_of(rng, 3000)
    for row in rows:
        row["dice"] = 0.97
        if row["diagnostics"]["spread"] > 0.5 * 10 / 11:
            row["depth"] = 0.5 + rng.uniform(0.1, 0.25)
    fitted, fresh = rows[:1500], rows[1500:]
    path = tmp_path / "rows.json"
    path.write_text(json.dumps(fitted))
    record = calibrate(read_faces([path]), "drawn figures")
    assert record["log_u_sure"] < np.log(0.7)
    use(monkeypatch, record)
    found = [Diagnostics(**row["diagnostics"]) for row in fresh]
    sure = np.array([zone_risks(each).depth <= calibration.SURE_DEPTH_RISK for each in found])
    held = np.array([
        abs(row["depth"] - row["truth"]) <= 2 * depth_doubt(each)
        for row, each in zip(fresh, found, strict=True)
    ])  # fmt: skip
    assert sure.sum() > 700
    assert 0.92 <= held[sure].mean() <= 0.98


def test_the_shipped_record_fits_the_figures_in_use():
    shipped = json.loads(
        calibration.files("edgeqc").joinpath("zoning", calibration.CALIBRATION_FILE).read_text()
    )
    assert shipped["names"] == list(VECTOR_NAMES)
    assert len(shipped["risk"]) == len(shipped["log_u"]) == len(VECTOR_NAMES) + 1


@pytest.mark.parametrize("case", ["through", "torn_alone"])
def test_figures_count_again_only_in_their_case(case):
    values = {each.name: 0.2 for each in fields(Diagnostics)} | {"through": 0.0, "torn_alone": 0.0}
    apart = diagnostic_vector(Diagnostics(**values))
    inside = diagnostic_vector(Diagnostics(**{**values, case: 1.0}))
    again = [at for at, name in enumerate(VECTOR_NAMES) if name.startswith(f"{case} x ")]
    assert len(again) > 8
    assert (apart[len(DIAGNOSTIC_NAMES) :] == 0).all()
    first = [VECTOR_NAMES.index(VECTOR_NAMES[at].removeprefix(f"{case} x ")) for at in again]
    assert np.allclose(inside[again], inside[first])
    others = [at for at in range(len(DIAGNOSTIC_NAMES), len(VECTOR_NAMES)) if at not in again]
    assert (inside[others] == 0).all()


@pytest.mark.parametrize(
    ("risks", "figures", "laser", "expected"),
    [
        ((0.05, 0.02, 0.1), {}, True, set()),
        ((0.3, 0.02, 0.1), {}, True, {"residual_unnamed"}),
        ((0.8, 0.02, 0.1), {}, True, {"residual_unnamed"}),
        ((0.05, 0.02, 0.4), {}, True, {"residual_unnamed"}),
        ((0.5, 0.2, 0.1), {}, True, {"zones_unnamed"}),
        ((0.05, 0.2, 0.1), {}, True, {"zones_unnamed"}),
        ((0.05, 0.2, 0.1), {"separation": 0.5}, False, set()),
        ((0.05, 0.02, 0.1), {"separation": 1.5}, False, {"zones_unnamed"}),
        ((0.3, 0.02, 0.1), {"separation": 0.5}, False, {"zones_unnamed"}),
    ],
)
def test_which_names_are_doubted(risks, figures, laser, expected):
    base = {each.name: 0.0 for each in fields(Diagnostics)}
    labels = np.full((20, 30), 3, np.uint8)
    if laser:
        labels[:12] = 1
    found = _name_doubts(
        labels, Diagnostics(**(base | figures)), Risks(*risks), ZoneSettings(),
        against_sheet=0.0, freed_by="",
    )  # fmt: skip
    assert {flag.name for flag in found} == expected


def test_a_residual_of_unknown_look_is_named_by_the_sheet_alone():
    base = Diagnostics(**{each.name: 0.0 for each in fields(Diagnostics)})
    for kinds, named_by in (((3,), "traction"), ((2,), "scissors"), ((2, 3), None), ((), None)):
        labels = np.ones((20, 30), np.uint8)
        for number, code in enumerate(kinds):
            labels[12:, number * 15 :] = code
        for freed_by in ("", "scissors", "traction"):
            found = _name_doubts(
                labels, base, Risks(0.05, 0.01, 0.9), ZoneSettings(),
                against_sheet=0.0, freed_by=freed_by,
            )  # fmt: skip
            expected = ["named_by_sheet" if freed_by == named_by else "residual_unnamed"]
            assert [flag.name for flag in found] == (expected if kinds else [])


@pytest.mark.parametrize(
    ("kinds", "doubted"), [((), False), ((3,), True), ((2,), True), ((2, 3), True)]
)
def test_a_residual_needs_both_opinions(kinds, doubted):
    base = {each.name: 0.0 for each in fields(Diagnostics)}
    labels = np.ones((20, 30), np.uint8)
    for number, code in enumerate(kinds):
        labels[12:, number * 15 :] = code
    for against, expected in ((0.04, False), (0.06, doubted)):
        found = _name_doubts(
            labels, Diagnostics(**(base | {"region_clash": against})), Risks(0.1, 0.01, 0.1),
            ZoneSettings(), against_sheet=0.0, freed_by="",
        )  # fmt: skip
        assert [flag.name for flag in found] == ["residual_unnamed"] * expected


@pytest.mark.parametrize(
    ("dispute", "separation", "risk", "disputed"),
    [(0.2, 3.0, 0.1, True), (0.05, 3.0, 0.1, False), (0.2, 0.8, 0.1, False),
     (0.2, 3.0, 0.01, False)],
)  # fmt: skip
def test_the_second_estimator_is_heard_where_the_depth_is_at_risk(
    dispute, separation, risk, disputed
):
    base = {each.name: 0.0 for each in fields(Diagnostics)}
    found = Diagnostics(**(base | {"dispute": dispute, "separation": separation}))
    labels = np.ones((20, 30), np.uint8)
    raised = _doubts(labels, found, 0.01, ZoneSettings(), depth_risk=risk)
    assert [flag.name for flag in raised] == ["depth_disputed"] * disputed


@pytest.mark.parametrize(("risk", "through", "doubted"), [
    (0.25, 1.0, True), (0.12, 1.0, True), (0.05, 1.0, False), (0.12, 0.0, False),
])  # fmt: skip
def test_a_through_cut_has_no_residual_to_doubt_and_a_limit_of_its_own(risk, through, doubted):
    base = {each.name: 0.0 for each in fields(Diagnostics)} | {"through": through}
    labels = np.ones((20, 30), np.uint8)
    found = _name_doubts(
        labels, Diagnostics(**base), Risks(risk, 0.01, 0.1), ZoneSettings(),
        against_sheet=0.0, freed_by="",
    )  # fmt: skip
    assert [flag.name for flag in found] == ["zones_unnamed"] * doubted


def test_a_contradicted_sheet_doubts_the_residual():
    base = {each.name: 0.0 for each in fields(Diagnostics)}
    labels = np.repeat(np.array([1, 3], np.uint8), 10)[:, None] * np.ones((1, 30), np.uint8)
    found = _name_doubts(
        labels, Diagnostics(**base), Risks(0.05, 0.01, 0.1), ZoneSettings(),
        against_sheet=0.95, freed_by="scissors",
    )  # fmt: skip
    assert [flag.name for flag in found] == ["residual_unnamed"]
    assert "sheet" in found[0].detail
