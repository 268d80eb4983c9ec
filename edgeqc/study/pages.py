"""Writing a study: page, PDF, JSON, tables and figures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from edgeqc.study.content import Figure, study_content
from edgeqc.study.plain_record import plain
from edgeqc.study.results import Comparison
from edgeqc.study.study_tables import csv_text, study_tables
from edgeqc.typesetting import picture_of_svg, typeset_pdf

SCHEMA_VERSION = 1
_TEMPLATES = Path(__file__).parent / "templates"


def write_study(
    comparison: Comparison,
    folder: Path,
    provenance: Mapping[str, Any],
    *,
    issued: datetime | None = None,
) -> list[str]:
    """Write a study into a folder and return the names of the files.

    Parameters
    ----------
    comparison : Comparison
        The study.
    folder : Path
        Existing folder.
    provenance : mapping
        Protocol, inputs and their hashes: label -> value.
    issued : datetime, optional
        Time of issue, now where none is given; JSON, tables and figures do not hold it.
    """
    when = (issued or datetime.now(UTC)).replace(microsecond=0)
    content, figures = study_content(comparison, provenance)
    files: list[str] = []

    def put(name: str, data: bytes) -> None:
        (folder / name).write_bytes(data)
        files.append(name)

    record = {"schema_version": SCHEMA_VERSION, "provenance": dict(provenance),
              **plain(comparison)}
    put("settings.json", (json.dumps(record, ensure_ascii=False, indent=1) + "\n").encode())
    for name, (header, rows) in study_tables(comparison).items():
        put(name, csv_text(header, rows).encode())
    (folder / "figures").mkdir(exist_ok=True)
    for figure in figures:
        put(f"figures/{figure.name}.svg", figure.svg.encode())
        put(f"figures/{figure.name}.png", picture_of_svg(figure.svg))
    content["issued"] = when.strftime("%Y-%m-%d")
    put("settings.html", study_html(content, figures).encode())
    put("settings.pdf", study_pdf(content, figures, when))
    return files


def study_html(content: Mapping[str, Any], figures: Sequence[Figure]) -> str:
    """Return the study as one web page that needs no other file.

    Parameters
    ----------
    content : mapping
        From ``study_content``.
    figures : sequence of Figure
        Drawn into the page.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES), autoescape=True,
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    drawings = {figure.name: figure.svg for figure in figures}
    return environment.get_template("settings.html.j2").render(d=content, svg=drawings)


def study_pdf(content: Mapping[str, Any], figures: Sequence[Figure], issued: datetime) -> bytes:
    """Return the study as PDF: archival and tagged, plain where a character is missing.

    Parameters
    ----------
    content : mapping
        From ``study_content``.
    figures : sequence of Figure
        Set into the pages.
    issued : datetime
        The file's time stamp, so that the same study gives the same bytes.
    """
    drawings = {f"{figure.name}.svg": figure.svg.encode() for figure in figures}
    pdf, _ = typeset_pdf(_TEMPLATES / "settings.typ", content, drawings, issued=issued)
    return pdf
