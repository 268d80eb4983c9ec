"""Whole studies: designs read from tables, guards, answers, files, and rates by simulation."""

import csv
import importlib.util
import json
import re
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from edgeqc.cli import main
from edgeqc.errors import ProtocolError, StudyError
from edgeqc.protocol import protocol_of, read_protocol
from edgeqc.settings import compare_settings, read_results, run_settings, study_settings
from edgeqc.study.mixed import fit_mixed
from edgeqc.study.study_settings import ModelSettings, StudySettings

QUICK = StudySettings(model=ModelSettings(permutations=499, bootstrap_draws=499))
DEPTHS = {1.0: 0.30, 4.0: 0.70, 8.0: 0.88}


def table_of(depths=None, units=4, faces=3, seed=1, spread=0.02, **columns):
    """Rows of faces.csv for settings that differ in pulse energy."""
    rng = np.random.default_rng(seed)
    rows = []
    for a, (energy, depth) in enumerate((depths or DEPTHS).items()):
        for unit in range(units):
            shift = spread * rng.normal()
            for face in range(1, faces + 1):
                value = min(depth + shift + spread * rng.normal(), 1.0)
                rows.append({
                    "image": f"SM-{a}{unit:02d}.tif", "specimen": f"SM-{a}{unit:02d}/a",
                    "face": face, "pulse_energy_uj": energy, "spot_separation_um": 3.0,
                    "line_separation_um": 6.0, "material": "acrylic", "verdict": "measured",
                    "cut_depth_fraction": value, "u_cut_depth_fraction": 0.01,
                    "ligament_um": 600 * (1 - value), "u_ligament_um": 6.0,
                    "debris_count": int(rng.poisson(3)), **columns})
    return pd.DataFrame(rows)


def of(comparison, name):
    return next(result for result in comparison.results if result.response.name == name)


# --- the answer -----------------------------------------------------------------------------
def test_a_clear_study_is_answered():
    table = table_of()
    before = table.copy()
    found = compare_settings(table, protocol=QUICK)
    pd.testing.assert_frame_equal(table, before)
    assert found.conclusive
    assert found.answer.startswith("8 µJ cuts deepest (0.8")
    assert "Throughout: spot separation 3 µm and line separation 6 µm." in found.answer
    assert found.design.unit == "specimen"
    assert [arm.units for arm in found.design.arms] == [4, 4, 4]
    assert [round(arm.dose, 3) for arm in found.design.arms] == [5.556, 22.222, 44.444]
    depth = of(found, "cut_depth_fraction")
    pair = next(pair for pair in depth.pairs if (pair.first, pair.second) == (0, 2))
    assert pair.low < 0.58 < pair.high
    assert depth.dose is not None
    assert "is predicted at" in depth.dose.sentence
    assert "Kenward-Roger" in found.methods
    assert "numpy" in found.methods
    assert "80 % power" in found.proposal


def test_no_difference_is_not_called_equal_without_its_test():
    same = compare_settings(table_of({1.0: 0.8, 4.0: 0.8, 8.0: 0.8}), protocol=QUICK)
    assert same.answer.startswith("All settings are equivalent in cut depth")
    assert same.conclusive
    wide = compare_settings(table_of({1.0: 0.6, 4.0: 0.6}, spread=0.15), protocol=QUICK)
    assert wide.answer.startswith("These data cannot say which setting does best")
    assert not wide.conclusive
    assert "includes no difference" in wide.answer


def test_best_settings_that_cannot_be_told_apart_are_both_named():
    found = compare_settings(table_of({1.0: 0.3, 4.0: 0.80, 8.0: 0.80}), protocol=QUICK)
    assert "cut deepest and cannot be told apart" in found.answer
    assert "1 µJ" in found.answer


def test_pseudo_replication_is_shown():
    # units differ, faces of a unit agree: the naive test sees three times the evidence
    found = compare_settings(table_of(faces=8, seed=3), protocol=QUICK)
    nesting = of(found, "cut_depth_fraction").nesting
    assert nesting.icc > 0.2
    assert nesting.design_effect > 2
    assert "Counting every face as independent" in nesting.sentence


def test_the_same_table_gives_the_same_figures_in_any_order():
    table = table_of()
    first = compare_settings(table, protocol=QUICK)
    second = compare_settings(table.sample(frac=1, random_state=4), protocol=QUICK)
    assert first.answer == second.answer
    assert of(first, "ligament_um").tests[-1].p == of(second, "ligament_um").tests[-1].p


# --- designs that carry no comparison -------------------------------------------------------
def no_numbers(found, *words):
    assert not found.conclusive
    for word in words:
        assert word in found.answer, found.answer
    assert all(result.overall is None and not result.pairs for result in found.results)
    assert not re.search(r"p [=<]", found.answer)


def test_material_that_changes_with_the_setting():
    table = table_of({1.0: 0.3, 8.0: 0.9})
    table["material"] = np.where(table["pulse_energy_uj"] > 4, "acrylic", "silicone")
    no_numbers(compare_settings(table, protocol=QUICK), "Setting and material change together")


def test_operator_that_changes_with_the_setting():
    table = table_of({1.0: 0.3, 8.0: 0.9})
    table["operator"] = np.where(table["pulse_energy_uj"] > 4, "A", "B")
    no_numbers(compare_settings(table, protocol=QUICK), "Setting and operator change together")


def test_a_single_unit_per_arm():
    found = compare_settings(table_of(units=1, faces=9), protocol=QUICK)
    no_numbers(found, "Fewer than two settings have 3 units", "not independent")
    assert len(of(found, "cut_depth_fraction").arms) == 3
    assert "Bring these settings to at least 3 specimens each" in found.proposal


def test_all_faces_in_review():
    table = table_of()
    table["verdict"] = "review"
    no_numbers(compare_settings(table, protocol=QUICK), "No face takes part: all 36 are in review")


def test_an_empty_table():
    no_numbers(compare_settings(table_of().iloc[:0], protocol=QUICK), "holds no faces")
    no_numbers(compare_settings(pd.DataFrame({"specimen": []}), protocol=QUICK), "no faces")


def test_a_table_without_settings():
    bare = table_of().drop(columns=["pulse_energy_uj", "spot_separation_um",
                                    "line_separation_um"])
    no_numbers(compare_settings(bare, protocol=QUICK), "names no settings")
    blank = table_of().assign(pulse_energy_uj=None, spot_separation_um="",
                              line_separation_um=np.nan)
    no_numbers(compare_settings(blank, protocol=QUICK), "names no settings")
    no_numbers(compare_settings(table_of({4.0: 0.7}), protocol=QUICK), "Only one setting")


def test_mixed_materials_are_never_pooled():
    one, other = table_of(seed=5), table_of({1.0: 0.5, 4.0: 0.8, 8.0: 0.95}, seed=6)
    other["material"] = "silicone"
    other["specimen"] = "S" + other["specimen"]
    found = compare_settings(pd.concat([one, other]), protocol=QUICK)
    depths = [r for r in found.results if r.response.name == "cut_depth_fraction"]
    assert [result.material for result in depths] == ["acrylic", "silicone"]
    assert "Acrylic: " in found.answer
    assert "Silicone: " in found.answer
    assert "never over materials" in found.design_words
    acting = next(one for one in found.interactions if one.response == "cut_depth_fraction")
    assert acting.settings == ("1 µJ", "4 µJ", "8 µJ")
    assert acting.test.p < 0.01  # 0.3, 0.7, 0.88 against 0.5, 0.8, 0.95
    for result in depths:
        assert {found.design.arms[arm.arm].material for arm in result.arms} == {result.material}


def test_units_of_mixed_material_or_setting_are_left_out_by_name():
    table = table_of()
    table.loc[table["specimen"] == "SM-000/a", "pulse_energy_uj"] = [1.0, 1.0, 8.0]
    table.loc[(table["specimen"] == "SM-100/a") & (table["face"] == 1), "material"] = "silicone"
    found = compare_settings(table, protocol=QUICK)
    assert "SM-000/a, SM-100/a" in found.design_words
    assert [arm.units for arm in found.design.arms] == [3, 3, 4]


def test_no_response_that_decides():
    found = compare_settings(table_of().drop(columns="cut_depth_fraction"), protocol=QUICK)
    assert "no face that takes part has the response that decides" in found.answer


# --- designs read from data -----------------------------------------------------------------
def test_factors_that_change_together_are_named_and_not_parted():
    table = table_of()
    table["spot_separation_um"] = table["pulse_energy_uj"].map({1.0: 2.0, 4.0: 3.0, 8.0: 4.0})
    found = compare_settings(table, protocol=QUICK)
    assert all(not factor.separable for factor in found.design.factors)
    assert "Pulse energy changes together with spot separation" in found.design_words
    assert "cannot say which of them did it" in found.answer
    assert of(found, "cut_depth_fraction").factors == ()
    assert "To tell pulse energy and spot separation apart" in found.proposal
    assert found.answer.startswith("8 µJ at 4 µm spots cuts deepest")


def crossed(interaction=0.0, drop=False, seed=2):
    """Two energies × three spot separations, with an interaction in the last cell."""
    rng = np.random.default_rng(seed)
    rows = []
    for i, energy in enumerate((4.0, 8.0)):
        for j, spot in enumerate((2.0, 4.0, 6.0)):
            if drop and (i, j) == (0, 2):
                continue
            depth = 0.5 + 0.2 * i - 0.05 * j + (interaction if (i, j) == (1, 2) else 0.0)
            for unit in range(5):
                shift = 0.02 * rng.normal()
                for face in range(1, 3):
                    rows.append({
                        "image": f"{i}{j}{unit}.tif", "specimen": f"SM-{i}{j}{unit}",
                        "face": face, "pulse_energy_uj": energy, "spot_separation_um": spot,
                        "line_separation_um": 6.0, "verdict": "measured",
                        "cut_depth_fraction": depth + shift + 0.01 * rng.normal()})
    return pd.DataFrame(rows)


def test_crossed_factors_get_their_effects_and_interaction():
    plain = of(compare_settings(crossed(), protocol=QUICK), "cut_depth_fraction")
    effects = {effect.name: effect for effect in plain.factors}
    energy = effects["pulse_energy_uj"]
    assert abs(energy.mean[1] - energy.mean[0] - 0.2) < 0.03
    assert energy.test.p < 1e-6
    assert effects["pulse_energy_uj × spot_separation_um"].test.p > 0.01
    bent = of(compare_settings(crossed(0.15), protocol=QUICK), "cut_depth_fraction")
    assert {e.name: e for e in bent.factors}[
        "pulse_energy_uj × spot_separation_um"].test.p < 1e-3
    assert plain.surface is not None
    slope = dict(zip(plain.surface.names, plain.surface.beta, strict=True))
    assert abs(slope["pulse energy"] - 0.1) < 0.02


def test_missing_cells_are_named_and_effects_stay_estimable():
    found = compare_settings(crossed(drop=True), protocol=QUICK)
    assert found.design.missing == ("4 µJ at 6 µm spots",)
    assert "Fill the missing cells: 4 µJ at 6 µm spots." in found.proposal
    effects = {e.name: e for e in of(found, "cut_depth_fraction").factors}
    energy = effects["pulse_energy_uj"]
    assert abs(energy.mean[1] - energy.mean[0] - 0.2) < 0.03


def test_lens_is_the_unit_where_the_sheet_names_it():
    table = table_of(units=6)
    # two specimens of each lens
    table["lens"] = table["specimen"].str.slice(0, 4) + (
        table["specimen"].str.slice(4, 6).astype(int) // 2).astype(str)
    found = compare_settings(table, protocol=QUICK)
    assert found.design.unit == "lens"
    assert [arm.units for arm in found.design.arms] == [3, 3, 3]
    assert set(of(found, "cut_depth_fraction").nesting.components) == {"lens", "specimen", "face"}


def test_settings_within_lenses_make_the_lens_a_block():
    table = table_of()
    table["lens"] = "L" + table["specimen"].str.slice(4, 6)
    shift = table["lens"].str[-1].astype(int) * 0.05
    table["cut_depth_fraction"] = table["cut_depth_fraction"] - shift
    found = compare_settings(table, protocol=QUICK)
    assert found.design.unit == "specimen"
    assert "the lens a block" in found.design_words
    result = of(found, "cut_depth_fraction")
    assert "adjusted for blocks" in result.overall.name
    pair = result.pairs[0]
    assert pair.high - pair.low < 0.09  # the lenses' 0.05 steps are taken out


def test_a_crossed_block_is_adjusted_for():
    table = table_of()
    table["session"] = "day " + table["specimen"].str.slice(5, 6)
    found = compare_settings(table, protocol=QUICK)
    assert [(b.name, b.relation, b.adjusted) for b in found.design.blocks] == [
        ("session", "crossed", True)]
    assert "fixed effects for session" in found.methods


def test_faces_in_review_are_left_out_counted_and_taken_in_again():
    table = table_of()
    table.loc[table["face"] == 1, "verdict"] = "review"
    table.loc[table["face"] == 1, "cut_depth_fraction"] = 0.5
    found = compare_settings(table, protocol=QUICK)
    assert found.design.counts["review"] == 12
    assert "12 in review" in found.design_words
    result = of(found, "cut_depth_fraction")
    review = result.sensitivities[0]
    assert "With the 12 faces in review" in review.sentence
    assert review.largest_shift > 0.1


def test_uncertainty_of_faces_is_weighed():
    table = table_of()
    weighed = of(compare_settings(table, protocol=QUICK), "cut_depth_fraction").sensitivities[1]
    assert "stated measurement uncertainty amounts to" in weighed.sentence
    assert weighed.largest_shift < 0.01
    silent = compare_settings(table.drop(columns="u_cut_depth_fraction"), protocol=QUICK)
    assert "state no standard uncertainty" in of(
        silent, "cut_depth_fraction").sensitivities[1].sentence


def test_exact_ones_and_a_flat_arm():
    table = table_of()
    table["through_cut_fraction"] = np.where(table["pulse_energy_uj"] > 4, 1.0,
                                             table["cut_depth_fraction"] / 2)
    result = of(compare_settings(table, protocol=QUICK), "through_cut_fraction")
    assert result.overall.name == "permutation of units"
    assert result.overall.p < 0.05
    assert any("kept as they are" in sentence for sentence in result.checks)
    table["through_cut_fraction"] = 1.0
    constant = of(compare_settings(table, protocol=QUICK), "through_cut_fraction")
    assert "all units have the same value" in constant.obstacle


def test_outliers_are_shown_and_kept():
    table = table_of(units=6, spread=0.005)
    table.loc[table["specimen"] == "SM-203/a", "cut_depth_fraction"] = 0.6
    result = of(compare_settings(table, protocol=QUICK), "cut_depth_fraction")
    assert [unit.unit for unit in result.units if unit.outlying] == ["SM-203/a"]
    assert result.arms[2].units == 6


def test_roughness_is_joined_and_bases_stay_apart():
    table = table_of()
    rng = np.random.default_rng(9)
    rows = []
    for row in table.itertuples():
        for basis, parameter, unit in (("edge contour", "Rq", "µm"), ("height map", "Rq", "µm")):
            rows.append({"image": row.image, "specimen": row.specimen, "face": str(row.face),
                         "zone": "laser", "basis": basis, "parameter": parameter,
                         "value": row.pulse_energy_uj + 0.1 * rng.normal(), "u": 0.1,
                         "unit": unit})
    found = compare_settings(table, roughness=pd.DataFrame(rows), protocol=QUICK)
    result = of(found, "laser/edge contour/Rq")
    assert result.arms[0].faces == 12
    assert result.response.unit == "µm"
    assert abs(result.arms[2].mean - 8) < 0.2
    names = [result.response.name for result in found.results]
    assert "laser/height map/Rq" not in names  # not asked for, and not pooled in


def test_two_nesting_indices_are_two_measurands():
    table = table_of()
    rows = [{"image": row.image, "specimen": row.specimen, "face": row.face, "zone": "laser",
             "basis": "edge contour", "parameter": "Rq", "unit": "µm", "u": 0.1,
             "value": 1.0 + 0.01 * row.Index if row.face < 3 else 9.0,
             "nesting_index_um": 80 if row.face < 3 else 250} for row in table.itertuples()]
    found = compare_settings(table, roughness=pd.DataFrame(rows), protocol=QUICK)
    result = of(found, "laser/edge contour/Rq")
    assert result.response.label.endswith("nesting index 80 µm")
    assert result.missing == 12
    assert max(arm.mean for arm in result.arms) < 2


def test_dose_alone_is_not_forced_on_settings_that_it_does_not_order():
    # equal doses by energy and by spacing, with different depths
    table = table_of({2.0: 0.3, 4.0: 0.5, 8.0: 0.9})
    other = table_of({4.0: 0.85}, seed=7)
    other["spot_separation_um"], other["specimen"] = 6.0, "X" + other["specimen"]
    result = of(compare_settings(pd.concat([table, other]), protocol=QUICK), "cut_depth_fraction")
    assert result.dose is None
    assert "Areal dose alone does not order the settings" in result.dose_note


def test_a_partly_crossed_block_is_a_caution():
    table = table_of({1.0: 0.3, 4.0: 0.7, 8.0: 0.8, 12.0: 0.9})
    table["coating"] = np.where(table["pulse_energy_uj"] > 4, "gold", "carbon")
    found = compare_settings(table, protocol=QUICK)
    assert [(b.name, b.relation) for b in found.design.blocks] == [("coating", "partly crossed")]
    assert "Not every pair of settings shares its coating" in found.answer
    assert "Coating is partly crossed with the settings" in found.design_words


def test_blocks_that_would_use_up_the_units_are_not_adjusted_for():
    table = table_of({1.0: 0.3, 8.0: 0.9}, units=3)
    table["session"] = table["specimen"].str.slice(5, 6)
    found = compare_settings(table, protocol=QUICK)
    result = of(found, "cut_depth_fraction")
    assert "adjusted for blocks" not in result.overall.name
    assert any("Blocks were not adjusted for" in sentence for sentence in result.checks)
    assert all(np.isfinite(pair.p) for pair in result.pairs)


def test_lattice_error_is_against_the_set_value():
    table = table_of(spot_separation_measured_um=3.15, u_spot_separation_measured_um=0.03)
    table["spot_separation_measured_um"] += 0.01 * np.arange(len(table)) % 0.02
    result = of(compare_settings(table, protocol=QUICK), "spot_separation_error")
    assert abs(result.arms[0].mean - 0.05) < 0.01


def test_refusals_name_the_remedy():
    with pytest.raises(StudyError, match="stand twice"):
        compare_settings(pd.concat([table_of(), table_of()]), protocol=QUICK)
    with pytest.raises(StudyError, match="none of the columns"):
        compare_settings(pd.DataFrame({"a": [1]}), protocol=QUICK)
    lens = replace(QUICK, design=replace(QUICK.design, unit="lens"))
    with pytest.raises(StudyError, match="names no lenses"):
        compare_settings(table_of(), protocol=lens)
    with pytest.raises(ProtocolError, match="below 3"):
        protocol_of({"design": {"min_units_per_arm": 2}}, kind="settings")
    with pytest.raises(ProtocolError, match="did you mean 'alpha'"):
        protocol_of({"model": {"alfa": 0.1}}, kind="settings")


def test_the_shipped_protocol_is_the_default():
    assert study_settings(read_protocol(kind="settings")) == StudySettings()


# --- files ----------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    (folder / "one").mkdir()
    table_of().to_csv(folder / "one" / "faces.csv", index=False)
    (folder / "one" / "SM-000").mkdir()
    (folder / "one" / "SM-000" / "roughness.csv").write_text(
        "image,face,zone,basis,parameter,value,u,unit\nSM-000.tif,1,laser,edge contour,Rq,1.2,"
        "0.1,µm\n", encoding="utf-8")
    return folder, run_settings(folder / "one", folder / "out")


def test_everything_is_written(written):
    folder, run = written
    for name in run.files:
        assert (folder / "out" / name).stat().st_size > 0
    record = json.loads((folder / "out" / "settings.json").read_text(encoding="utf-8"))
    assert record["schema_version"] == 1
    assert record["answer"] == run.comparison.answer
    assert "NaN" not in (folder / "out" / "settings.json").read_text(encoding="utf-8")
    page = (folder / "out" / "settings.html").read_text(encoding="utf-8")
    assert run.comparison.answer.split(",")[0] in page
    outside = re.sub(r'xmlns="http://www.w3.org/2000/svg"', "", page)
    assert "http" not in outside
    assert "<script" not in page
    assert (folder / "out" / "settings.pdf").read_bytes().startswith(b"%PDF")
    svg = (folder / "out" / "figures" / "design.svg").read_text(encoding="utf-8")
    assert svg.startswith("<svg")
    png = (folder / "out" / "figures" / "design.png").read_bytes()
    assert png.startswith(b"\x89PNG")


def test_tables_agree_with_the_record(written):
    folder, run = written
    with (folder / "out" / "settings_differences.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["response"] == "cut_depth_fraction"]
    pairs = of(run.comparison, "cut_depth_fraction").pairs
    assert len(rows) == len(pairs) == 3
    for row, pair in zip(rows, pairs, strict=True):
        assert float(row["estimate"]) == pytest.approx(pair.estimate, rel=1e-9)
    assert str(folder) not in (folder / "out" / "settings.json").read_text(encoding="utf-8")


def test_the_same_results_give_the_same_bytes(written, tmp_path):
    folder, _ = written
    again = run_settings(folder / "one", tmp_path)
    for name in again.files:
        if not name.endswith((".html", ".pdf")):  # these two carry the date of issue
            assert (tmp_path / name).read_bytes() == (folder / "out" / name).read_bytes(), name


def test_several_results_are_put_together(written, tmp_path):
    folder, _ = written
    more = table_of({12.0: 0.95})
    more["specimen"] = "T" + more["specimen"]
    (tmp_path / "two").mkdir()
    more.to_csv(tmp_path / "two" / "faces.csv", index=False)
    table, roughness = read_results([folder / "one", tmp_path / "two" / "faces.csv"])
    assert len(table) == 48
    assert len(roughness) == 1
    assert [len(a.levels) for a in compare_settings(table, protocol=QUICK).design.arms] == [3] * 4
    with pytest.raises(StudyError, match=r"/faces\.csv: cannot be read"):
        read_results([tmp_path])


def test_command(written, tmp_path):
    folder, _ = written
    done = CliRunner().invoke(main, ["settings", str(folder / "one"), "--out", str(tmp_path / "o")])
    assert done.exit_code == 0, done.output
    assert "8 µJ cuts deepest" in done.output
    missing = CliRunner().invoke(main, ["settings", str(folder / "x"), "--out", str(tmp_path)])
    assert missing.exit_code == 2


def test_texts_are_never_read_as_markup(tmp_path):
    table = table_of()
    table["material"] = "#panic() <b>*x*</b> $& \x01"
    table.to_csv(tmp_path / "faces.csv", index=False)
    run_settings(tmp_path / "faces.csv", tmp_path / "out")
    page = (tmp_path / "out" / "settings.html").read_text(encoding="utf-8")
    assert "<b>*x*" not in page


# --- rates ----------------------------------------------------------------------------------
def simulation():
    file = Path(__file__).parent / "benchmarks" / "study_simulation.py"
    spec = importlib.util.spec_from_file_location("study_simulation", file)
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["study_simulation"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", [
    "4 arms × 4 units × 3 faces", "unequal spread 1:1:1:3", "unbalanced units 3-6, faces 1-5",
    "missing cell (5 of 2 × 3), faces 1-5", "fractions near 0.97"])
def test_level_and_coverage_hold(name):
    # small size: 200 runs, so that the binomial noise of a true 5 % is 1.5 % (one sd); the
    # full-size figures come from tests/benchmarks/study_simulation.py
    rejected, held = simulation().simulate(name, 200, seed=17, permutations=49)
    assert 0.03 - 0.025 <= rejected["counts"] <= 0.07 + 0.025
    assert 0.93 - 0.015 <= held["counts"] <= 0.97 + 0.015
    assert rejected["naive"] > 0.12  # what counting faces as independent would do
    assert held["naive"] < 0.90


def test_a_large_table_costs_little():
    # 10,000 faces in 1,000 units, against statsmodels' fit of the same mixed model
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    unit = np.repeat(np.arange(1000), 10)
    X = np.eye(4)[unit % 4]
    y = rng.normal(size=1000)[unit] + rng.normal(size=unit.size)
    start = time.perf_counter()
    other = sm.MixedLM(y, X, groups=unit).fit(reml=True)
    theirs = time.perf_counter() - start
    start = time.perf_counter()
    mine = fit_mixed(y, X, unit)
    assert time.perf_counter() - start < theirs
    np.testing.assert_allclose(mine.beta, other.fe_params, atol=1e-4)
    table = pd.DataFrame({
        "image": unit.astype(str), "specimen": unit.astype(str),
        "face": np.tile(np.arange(1, 11), 1000), "verdict": "measured",
        "pulse_energy_uj": np.array([1.0, 2, 4, 8])[unit % 4], "cut_depth_fraction": 0.5 + 0.02 * y,
        "u_cut_depth_fraction": 0.01})
    start = time.perf_counter()
    found = compare_settings(table)
    assert time.perf_counter() - start < 10 * theirs
    assert found.results[0].overall.p > 0
