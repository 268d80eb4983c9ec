"""Findings: nothing silent, limits with their doubt, the published schema."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from pydantic import ValidationError

import edgeqc
from edgeqc.answers import face_answer
from edgeqc.errors import OutputError
from edgeqc.examined import compile_findings, set_areal_dose
from edgeqc.findings import (
    Value,
    against_limit,
    flag_entries,
    interval_text,
    read_findings,
    schema_json,
    value_of,
    value_text,
    write_findings,
)
from edgeqc.flags import raised
from edgeqc.protocol import Limit
from edgeqc.quantity import Measured
from edgeqc.specimen_sheet import SheetRow

ISSUED = datetime(2026, 11, 20, 9, 30, tzinfo=UTC)
SCHEMA = Path(edgeqc.__file__).with_name("findings.schema.json")


def test_an_absent_value_needs_its_reason():
    with pytest.raises(ValidationError, match="needs a reason"):
        Value(value=None, unit="µm")
    with pytest.raises(ValidationError):
        Value(value=float("nan"), u=0.1, unit="µm")
    assert value_of(Measured(float("nan"), float("nan"), "µm", note="no edge"), "µm").reason == (
        "no edge")
    assert value_of(None, "µm").reason
    assert value_of(Measured(1.0, float("nan"), "1"), "1").u is None


@pytest.mark.parametrize(("value", "u", "bound", "limit", "verdict"), [
    (0.85, 0.01, "min", 0.80, "pass"),
    (0.85, 0.03, "min", 0.80, "undecided"),
    (0.78, 0.03, "min", 0.80, "undecided"),
    (0.70, 0.03, "min", 0.80, "fail"),
    (50.0, 2.0, "max", 60.0, "pass"),
    (50.0, 6.0, "max", 60.0, "undecided"),
    (70.0, 2.0, "max", 60.0, "fail"),
    (0.75, 0.125, "min", 0.5, "pass"),  # the limit is the interval's very end
    (0.75, 0.125, "max", 0.5, "fail"),
])
def test_a_limit_inside_the_interval_is_undecided(value, u, bound, limit, verdict):
    """Decision with a guard band on both sides: JCGM 106:2012, clause 8 (its text from memory)."""
    result = against_limit(
        value_of(Measured(value, u, "1"), "1"), Limit("cut_depth_fraction", bound, limit), "Depth")
    assert result.verdict == verdict
    assert verdict in result.sentence


def test_no_value_is_undecided_with_its_reason():
    absent = Value(value=None, unit="1", reason="no laser zone was found")
    result = against_limit(absent, Limit("cut_depth_fraction", "min", 0.8), "Cut depth")
    assert result.verdict == "undecided"
    assert "no laser zone" in result.sentence


def test_a_stored_interval_decides_before_two_u():
    lopsided = value_of(Measured(0.98, 0.03, "1", low=0.90, high=1.0), "1")
    assert against_limit(lopsided, Limit("cut_depth_fraction", "max", 1.0), "D").verdict == "pass"


def test_findings_say_verdict_answer_and_provenance(case):
    findings, _, protocol = case(limits={"cut_depth_fraction_min": 0.75, "ligament_um_max": 6.1})
    face = findings.faces[0]
    assert findings.verdict == face.verdict == "measured"
    assert [item.verdict for item in face.limits] == ["pass", "undecided"]
    for piece in ("Face 1", "0.800 ± 0.020", "torn", "6.00 ± 0.60 µm", "75 %", "Measured"):
        assert piece in findings.answer
    assert findings.protocol.sha256 == protocol.sha256
    assert findings.software == f"edgeqc {edgeqc.__version__}"
    assert findings.images[0].sha256 == "ab" * 32
    assert findings.sheet["lens"] == "007"
    assert face.values["lattice_angle_deg"].reason == "the lattice is not resolved"


def test_a_limit_may_stand_on_a_roughness_row(case):
    findings, _, _ = case(limits={"laser/edge contour/Rq_max": 1.5,
                                  "laser/edge contour/Rz_max": 5.0})
    first, second = findings.faces[0].limits
    assert (first.verdict, first.unit) == ("pass", "µm")
    assert "Rq of the laser zone (edge contour) at most 1.5 µm: pass" in first.sentence
    assert second.verdict == "undecided"
    assert "no such value" in second.sentence


def test_a_depth_near_the_whole_thickness_gets_its_interval_in_words():
    near = Measured(0.98, 0.02, "1", low=0.94, high=1.0)
    values = {"cut_depth_fraction": value_of(near, "1"),
              "laser_length_fraction": value_of(Measured(1.0, 0.0, "1"), "1"),
              "through_cut_fraction": value_of(Measured(0.2, 0.0, "1"), "1"),
              "ligament_um": Value(value=None, unit="µm", reason="no pixel size is known")}
    said = face_answer(1, values, [], verdict="measured", residual="torn")
    assert said == ("Face 1: laser-cut to 0.980, 95 % interval 0.940 to 1.000, of the local"
                    " thickness; the remainder was torn. Measured.")
    values["through_cut_fraction"] = value_of(Measured(1.0, 0.0, "1"), "1")
    said = face_answer(1, values, [], verdict="measured", residual="")
    assert "through the whole thickness (depth fraction 0.980, 95 % interval 0.940 to" in said


def test_a_face_for_review_passes_nothing(case):
    findings, _, _ = case(flags=["depth_disputed"], limits={"cut_depth_fraction_min": 0.7})
    assert findings.verdict == "review"
    assert findings.faces[0].limits[0].verdict == "undecided"
    assert "for review" in findings.faces[0].limits[0].sentence
    assert "disagree" in findings.answer


def test_a_rejected_face_gives_no_result_in_words(case):
    findings, _, _ = case(flags=["out_of_focus", "noisy"])
    assert findings.verdict == "rejected"
    assert "0.800" not in findings.answer
    assert "out of focus" in findings.answer
    assert findings.images[0].status == "rejected"
    assert findings.images[0].reason


def test_a_failed_picture_beside_a_good_one_is_told(case):
    findings, _, _ = case(failed="ends before its promised rows")
    assert findings.verdict == "review"
    assert findings.images[1].status == "failed"
    assert "SM-014c.tif" in findings.answer
    assert "promised rows" in findings.answer


def test_the_file_follows_the_published_schema_and_comes_back(case, tmp_path):
    findings, _, _ = case(limits={"cut_depth_fraction_min": 0.75}, failed="why",
                          row={"pulse_energy_uj": 8.0, "spot_separation_um": 3.0,
                               "line_separation_um": 6.0})
    file = tmp_path / "findings.json"
    write_findings(findings, file)
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(file.read_text(encoding="utf-8")), schema)
    assert read_findings(file) == findings
    silent = json.loads(file.read_text(encoding="utf-8"))
    silent["faces"][0]["values"]["lattice_angle_deg"]["reason"] = ""
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(silent, schema)
    broken = json.loads(file.read_text(encoding="utf-8"))
    broken["faces"][0]["verdict"] = "fine"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, schema)
    file.write_text(json.dumps(broken), encoding="utf-8")
    with pytest.raises(OutputError, match=r"findings\.json"):
        read_findings(file)


def test_the_published_schema_is_the_records_own():
    assert SCHEMA.read_text(encoding="utf-8") == schema_json(), (
        "write it again: see the recipe in DEVELOPERS.md")


def test_areal_dose_of_the_published_clinical_setting():
    """8 µJ at 3 × 6 µm (J Cataract Refract Surg 2017;43:420) is 8/18 µJ/µm² = 44.4 J/cm²."""
    row = SheetRow("a.tif", "a", pulse_energy_uj=8.0, spot_separation_um=3.0,
                   line_separation_um=6.0)
    assert set_areal_dose(row).value == pytest.approx(44.4444444, rel=1e-8)
    assert set_areal_dose(SheetRow("a.tif", "a", pulse_energy_uj=8.0)) is None


def test_text_keeps_value_and_uncertainty_to_one_place():
    assert value_text(value_of(Measured(0.84731, 0.00617, "1"), "1")) == "0.847 ± 0.012"
    assert value_text(value_of(Measured(168.2, 2.1, "µm"), "µm")) == "168.2 ± 4.2 µm"
    assert value_text(value_of(Measured(0.0, 1e-8, "1"), "1")) == "0.000 ± <0.001"
    assert value_text(value_of(Measured(3.0, 0.0, "1"), "1")) == "3"


def test_numpy_numbers_become_plain_ones(case):
    value = value_of(Measured(np.float64(0.5), np.float64(0.1), "1", {"a": np.float64(0.1)}), "1")
    assert type(value.value) is float
    json.dumps(value.model_dump())


def test_an_answer_that_rests_on_guessed_names_says_so_first():
    short = Measured(20.0, 30.0, "µm", low=0.0, high=80.0)
    values = {"cut_depth_fraction": value_of(Measured(0.8, 0.01, "1", low=0.78, high=0.82), "1"),
              "laser_length_fraction": value_of(Measured(1.0, 0.0, "1"), "1"),
              "through_cut_fraction": value_of(Measured(0.0, 0.0, "1"), "1"),
              "ligament_um": value_of(short, "µm")}
    flags = flag_entries([raised("zones_unnamed")])
    said = face_answer(1, values, flags, verdict="review", residual="torn")
    assert said.startswith("Face 1: if the zones bear the right names, laser-cut to 0.800 ± 0.020")
    # 20 ± 60 µm would let the ligament be less than nothing
    assert "ligament 20 µm (95 % interval 0 to 80 µm). For review:" in said
    values["cut_depth_fraction"] = Value(value=None, unit="1", reason="no edge in the picture")
    said = face_answer(1, {**values, "laser_area_fraction": value_of(Measured(1.0, 0.0, "1"), "1")},
                       flags, verdict="review", residual="torn")
    assert said.startswith("Face 1: the cut depth cannot be given (no edge in the picture).")


def test_a_doubted_residual_leaves_the_depth_standing():
    values = {"cut_depth_fraction": value_of(Measured(0.8, 0.01, "1", low=0.78, high=0.82), "1"),
              "laser_length_fraction": value_of(Measured(1.0, 0.0, "1"), "1"),
              "through_cut_fraction": value_of(Measured(0.0, 0.0, "1"), "1"),
              "ligament_um": value_of(Measured(20.0, 1.0, "µm"), "µm")}
    flags = flag_entries([raised("residual_unnamed")])
    said = face_answer(1, values, flags, verdict="review", residual="torn")
    assert said.startswith("Face 1: laser-cut to 0.800 ± 0.020 of the local thickness")
    assert "the remainder was torn (if its name is right), ligament" in said
    # an edge that may be the wrong one: the depth may be counted from the other side
    side = flag_entries([raised("anterior_unknown")])
    said = face_answer(1, values, side, verdict="review", residual="torn")
    assert said.startswith("Face 1: if the edge marked is the anterior one, laser-cut to 0.800")
    side = flag_entries([raised("anterior_unknown"), raised("zones_unnamed")])
    said = face_answer(1, values, side, verdict="review", residual="torn")
    assert "if the zones bear the right names and the edge marked is the anterior one, l" in said
    # where all names are doubted, that one is too, and is not doubted twice
    both = flag_entries([raised("residual_unnamed"), raised("zones_unnamed")])
    said = face_answer(1, values, both, verdict="review", residual="torn")
    assert said.startswith("Face 1: if the zones bear the right names")
    assert "if its name is right" not in said


def test_a_share_with_hardly_any_doubt_gets_no_interval_from_nought_to_nought():
    assert interval_text(value_of(Measured(0.0, 1e-8, "1", low=0.0, high=2e-8), "1")) == (
        "below 0.001")


def test_the_reason_for_a_picture_of_two_faces_names_the_face(case):
    _, pictures, protocol = case()
    first = pictures[0].faces[0]
    second = replace(
        first, face=replace(first.face, number=2),
        measures=replace(first.measures, flags=(raised("depth_uncertain"),)))
    findings = compile_findings(
        "SM-014/b", [replace(pictures[0], faces=(first, second))], protocol, issued=ISSUED)
    said = findings.images[0].reason
    assert said == "Face 2: The interval of the cut depth is wider than the protocol allows."
