"""The roughness tables of a report: what holds for all rows stands once, and where it holds."""

import numpy as np

from edgeqc.findings import RoughnessEntry, Value
from edgeqc.measure.roughness import ArealSettings, Band, roughness_areal, roughness_profile
from edgeqc.report.content import _roughness


def entries(rows):
    return [
        RoughnessEntry(
            zone=row.zone, basis=row.basis, parameter=row.parameter, title=row.title,
            result=Value(
                value=row.result.value, u=row.result.u, low=row.result.low, high=row.result.high,
                unit=row.result.unit,
            ),
            filter=row.filter, nesting_index_um=row.nesting_index_um,
            evaluation_length_um=row.evaluation_length_um, standard=row.standard, note=row.note,
        )
        for row in rows if np.isfinite(row.result.u)
    ]


def test_tables_say_what_a_surface_metrologist_asks_for():
    rng = np.random.default_rng(0)
    z = np.convolve(rng.normal(size=2040), np.hanning(43)[1:-1], "valid")
    band = Band(form="line", short_nesting_index_um=2.5)
    profile = roughness_profile(z, 0.5, setting_class="Sc1", band=band)
    surface = roughness_areal(
        rng.normal(size=(60, 80)), 0.5, settings=ArealSettings(features=False),
        band=Band(form="polynomial 2", short_nesting_index_um=4.0),
    )
    practice = RoughnessEntry(
        zone="laser", basis="edge contour", parameter="Rq_unbiased", title="Of the edge",
        result=Value(value=1.0, u=0.1, unit="µm"), evaluation_length_um=500.0,
        standard="line-edge practice", note="anterior edge; Hann window",
    )
    anterior, posterior = (
        [entry.model_copy(update={"note": f"{edge} edge; {entry.note}"})
         for entry in entries(profile.rows("laser", "edge contour"))]
        for edge in ("anterior", "posterior")
    )
    tables = _roughness([
        practice, *anterior, *posterior, *entries(surface.rows("torn", "height map")),
    ])
    assert len(tables) == 2  # bases are never mixed
    edge, heights = tables[0]["groups"], tables[1]["groups"]
    assert [group["title"] for group in edge] == [
        "laser zone, anterior edge, line-edge practice, over 500 µm: Hann window",
        *(
            f"laser zone, {side} edge, ISO 21920-2:2021, Gaussian (ISO 16610-21), nesting index"
            " 80 µm, over 400 µm: F-operator: line; S-filter: Gaussian, nesting index 2.5 µm;"
            " ends: moment criterion of order 1 (a straight slope passes unchanged);"
            " section length 80 µm"
            for side in ("anterior", "posterior")
        ),
    ]
    named = {row[0].split(",")[0]: row[3] for row in edge[1]["rows"]}
    assert named["Rq"] == "height parameters"
    assert named["RSm"].startswith("feature parameters; elements of at least 10 % of Rz")
    assert heights[0]["title"].startswith("torn zone, ISO 25178-2:2021, over 40 µm: no L-filter")
    assert "S-filter: Gaussian, nesting index 4 µm" in heights[0]["title"]
    assert "area 1200 µm²" in heights[0]["title"]
    assert {row[3] for row in heights[0]["rows"] if row[0].startswith("Sq")} == {
        "4.2 height parameters"
    }


def test_why_there_is_no_value_is_said_once():
    missing = RoughnessEntry(
        zone="torn", basis="edge contour", parameter="RSm", title="Mean spacing",
        result=Value(value=None, unit="µm", reason="noise makes elements: no spacing can be had"),
        evaluation_length_um=500.0, standard="ISO 21920-2:2021, feature parameters",
        note="anterior edge; noise makes elements: no spacing can be had; least height 10 %",
    )
    given = missing.model_copy(update={
        "parameter": "Rq", "result": Value(value=1.0, u=0.1, unit="µm"), "note": "anterior edge"})
    rows = _roughness([missing, given])[0]["groups"][0]["rows"]
    assert rows[0][1] == "none: noise makes elements: no spacing can be had"
    assert rows[0][3] == "feature parameters; least height 10 %"
