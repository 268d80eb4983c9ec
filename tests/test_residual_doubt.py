"""A residual of doubtful name: the table says that the rest stands, and a study uses the rest."""

import numpy as np
import pandas as pd
import pytest

from edgeqc.flags import verdict_without_residual
from edgeqc.study.design_reading import read_design
from edgeqc.study.responses import read_responses
from edgeqc.study.study_settings import DesignSettings, ResponseSettings


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        ([], "measured"),
        (["tilt_unknown"], "measured"),
        (["residual_unnamed", "tilt_unknown"], "measured"),
        (["zones_unnamed"], "review"),
        (["residual_unnamed", "depth_disputed"], "review"),
        (["residual_unnamed", "no_face"], "rejected"),
    ],
)
def test_the_verdict_apart_from_the_residual(flags, expected):
    assert verdict_without_residual(flags) == expected


def test_an_unknown_flag_is_an_error():
    with pytest.raises(KeyError):
        verdict_without_residual(["no such flag"])


def study_table(**columns):
    rows = []
    for energy in (1.0, 2.0):
        for number in range(6):
            sure = number < 4
            rows.append({
                "image": f"{energy}-{number}.tif", "specimen": f"{energy}-{number}", "face": 1,
                "material": "acrylic", "pulse_energy_uj": energy,
                "cut_depth_fraction": 0.7 + 0.1 * energy + 0.001 * number,
                "u_cut_depth_fraction": 0.01,
                "torn_area_fraction": 0.1, "u_torn_area_fraction": 0.01,
                "verdict": "measured" if sure else "review",
                "verdict_without_residual": "measured" if number < 5 else "review",
            })  # fmt: skip
    return pd.DataFrame(rows).assign(**columns)


def responses_of(table):
    design, faces = read_design(table, DesignSettings())
    settings = ResponseSettings(
        measurands=("cut_depth_fraction", "torn_area_fraction"), roughness=(),
        primary="cut_depth_fraction",
    )  # fmt: skip
    found, _ = read_responses(faces, None, settings)
    return design, {each.response.name: each for each in found}


def test_a_study_takes_depths_that_do_not_rest_on_the_residual():
    design, found = responses_of(study_table())
    depth, torn = found["cut_depth_fraction"], found["torn_area_fraction"]
    assert int(depth.taking_part.sum()) == 10
    assert int(torn.taking_part.sum()) == 8
    assert design.counts["taking part"] == 10
    assert design.counts["review"] == 2
    assert any("2 faces whose remainder" in note for note in design.notes)


def test_tables_without_the_column_are_read_as_before():
    design, found = responses_of(study_table().drop(columns="verdict_without_residual"))
    for each in found.values():
        assert int(each.taking_part.sum()) == 8
    assert design.counts["review"] == 4
    assert not any("remainder" in note for note in design.notes)


def test_empty_cells_of_the_column_fall_back_on_the_verdict():
    _, found = responses_of(study_table(verdict_without_residual=np.nan))
    assert int(found["cut_depth_fraction"].taking_part.sum()) == 8
