"""The known-answer check: its figures, its record, and one run from end to end."""

import csv
import math
from dataclasses import fields, replace
from datetime import UTC, datetime

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from edgeqc.known_answer import CheckedPhantom, OwnSettings, check_phantoms, mean_dice
from edgeqc.known_answer_report import (
    _HELD_WORDS,
    _answer,
    share_interval,
    summarise,
    write_check,
)
from edgeqc.protocol import protocol_of
from edgeqc.quantity import Measured

WHEN = datetime(2026, 11, 20, 9, 30, tzinfo=UTC)


def _item(error, verdict="measured", u=0.01, number=1, thickness_error=0.0):
    return CheckedPhantom(
        number, "lattice", verdict, 0.8, 300.0, Measured(0.8 + error, u, "1"),
        Measured(300.0 * (1 + thickness_error), 3.0, "µm"), 0.95)


def test_figures_are_those_of_the_measured_faces():
    summary = summarise([
        _item(0.01), _item(-0.01), _item(0.03, thickness_error=0.03), _item(0.06),
        _item(0.5, "review"), CheckedPhantom(6, "melt", "no face", 0.8, 300.0, None, None,
                                             math.nan)])
    assert (summary.phantoms, summary.measured, summary.review, summary.lost) == (6, 4, 1, 1)
    assert summary.depth_bias == pytest.approx(0.0225)
    assert summary.depth_sd == pytest.approx(np.std([0.01, -0.01, 0.03, 0.06], ddof=1))
    assert summary.depth_largest == pytest.approx(0.06)
    assert (summary.depth_covered, summary.depth_n) == (2, 4)
    assert (summary.thickness_covered, summary.thickness_n) == (3, 4)
    assert summary.far_off == 1


def test_a_depth_counts_where_only_the_residuals_name_is_in_doubt():
    unnamed = replace(_item(0.08, "review"), verdict_without_residual="measured")
    summary = summarise([_item(0.01), unnamed, _item(0.5, "review")])
    assert (summary.measured, summary.review, summary.depth_stands) == (1, 2, 2)
    assert summary.depth_bias == pytest.approx(0.045)
    assert summary.far_off == 1
    assert "2 of 3 went to review, 1 of them for the remainder's name alone" in _answer(summary)


def test_one_depth_has_no_spread():
    said = _answer(summarise([_item(0.01)]))
    assert said.startswith(
        "Over the one phantom whose depth stands the cut depth was off by +0.0100;")
    assert "nan" not in said


def test_every_setting_held_fixed_is_said_with_its_unit():
    assert set(_HELD_WORDS) == {each.name for each in fields(OwnSettings)}
    assert _HELD_WORDS["pixel_size_um"].format(0.78694) == "pixel size 0.7869 µm"


def test_nothing_measured_gives_no_figure():
    summary = summarise([_item(0.0, "review")])
    assert math.isnan(summary.depth_bias)
    assert summary.depth_n == 0
    assert share_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("hits", "n"), [(4, 5), (0, 10), (10, 10), (190, 200)])
def test_the_interval_of_a_share_is_the_score_interval(hits, n):
    """Against an independent implementation carried by a package."""
    assert share_interval(hits, n) == pytest.approx(
        proportion_confint(hits, n, method="wilson"), abs=1e-6)


def test_overlap_of_squares_and_stripes():
    """Squares 10 x 10 shifted by 3: 2·70/200 = 0.7; closed form."""
    a, b = np.zeros((10, 20), np.uint8), np.zeros((10, 20), np.uint8)
    a[:, :10], b[:, 3:13] = 1, 1
    assert mean_dice(a, b) == pytest.approx(0.7)
    assert math.isnan(mean_dice(a, np.zeros_like(b)))


def test_the_control_record_grows_by_a_line_a_check(tmp_path):
    protocol = protocol_of({})
    for seed in (1, 2):
        write_check([_item(0.01), _item(-0.02)], tmp_path, protocol, like=OwnSettings(),
                    seed=seed, issued=WHEN)
    with (tmp_path / "control.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["seed"] for row in rows] == ["1", "2"]
    assert rows[0]["protocol_sha256"] == protocol.sha256
    assert float(rows[0]["depth_bias"]) == pytest.approx(-0.005)
    assert (tmp_path / "check.pdf").read_bytes().startswith(b"%PDF")


def test_a_check_from_end_to_end_takes_the_settings_asked_for():
    like = OwnSettings(pixel_size_um=0.7, thickness_um=250.0, tilt_deg=0.0, noise_sd=0.02,
                       rows=480, cols=640)
    (item,) = check_phantoms(1, protocol_of({}), seed=3, like=like)
    assert item.true_thickness_um == pytest.approx(250.0, rel=0.15)  # a lens section tapers
    assert item.verdict in ("measured", "review", "rejected", "no face")
    if item.thickness_um is not None:
        assert item.thickness_error == pytest.approx(0.0, abs=0.05)
    again = check_phantoms(1, protocol_of({}), seed=3, like=like)
    assert again == [item]
