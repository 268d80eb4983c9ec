"""The report as PDF: archival, tagged, the same bytes for the same findings."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from edgeqc.report.figures import FONT_FOLDER

_TEMPLATE = Path(__file__).parent / "templates" / "report.typ"
# archival with tags for reading aloud (ISO 19005-2 level a, ISO 14289-1)
_STANDARDS = ["a-2a", "ua-1"]
_PLAIN_NOTE = (
    "A character of the texts is not in the fonts of this program, so this is a plain PDF and not"
    " an archival one; the missing character is left blank. The web page shows it."
)


def write_pdf(
    content: Mapping[str, Any], files: Mapping[str, bytes], path: Path, *, issued: datetime
) -> tuple[str, ...]:
    """Write the report as PDF and return notes on the file.

    Parameters
    ----------
    content : mapping
        From ``report_content``, with the names of the picture files filled in.
    files : mapping of str to bytes
        The picture files (JPEG, PNG, SVG) that the content names.
    path : Path
        Where the PDF goes.
    issued : datetime
        Time of issue; it is the file's time stamp, so that the same findings give the same bytes.

    Returns
    -------
    tuple of str
        A sentence where the PDF is a plain one, because a glyph is missing; empty otherwise.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="edgeqc-") as folder:
        root = Path(folder)
        (root / "report.typ").write_bytes(_TEMPLATE.read_bytes())
        for name, data in files.items():
            (root / name).write_bytes(data)

        def compiled(notes: tuple[str, ...], standards: list[Any]) -> bytes:
            data = json.dumps({**content, "notes": list(notes)}, ensure_ascii=False)
            result = typst.compile(
                str(root / "report.typ"), root=str(root), format="pdf",
                font_paths=[str(FONT_FOLDER)], ignore_system_fonts=True,
                sys_inputs={"data": data}, pdf_standards=standards, timestamp=issued,
            )
            return bytes(result)

        notes: tuple[str, ...] = ()
        try:
            pdf = compiled(notes, list(_STANDARDS))
        except typst.TypstError:
            # under PDF/A a missing glyph is an error; better a plain PDF than none
            notes = (_PLAIN_NOTE,)
            pdf = compiled(notes, [])
    path.write_bytes(pdf)
    return notes
