"""The report as PDF."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from edgeqc.typesetting import typeset_pdf

_TEMPLATE = Path(__file__).parent / "templates" / "report.typ"


def write_pdf(
    content: Mapping[str, Any], files: Mapping[str, bytes], path: Path, *, issued: datetime
) -> tuple[str, ...]:
    """Write the report as PDF and return notes on the file.

    Parameters
    ----------
    content : mapping
        From ``report_content``, with the names of the picture files filled in.
    files : mapping of str to bytes
        The picture files that the content names.
    path : Path
        Where the PDF goes.
    issued : datetime
        Time of issue; it is the file's time stamp.

    Returns
    -------
    tuple of str
        A sentence where the PDF is a plain one, because a glyph is missing; empty otherwise.
    """
    pdf, notes = typeset_pdf(_TEMPLATE, content, files, issued=issued)
    path.write_bytes(pdf)
    return notes
