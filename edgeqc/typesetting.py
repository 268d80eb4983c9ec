"""PDF pages and pictures from a template and plain data, with the fonts that come along."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

FONT_FOLDER = Path(__file__).parent / "fonts"
"""Fonts of every page and picture; the system's own are not used, so that all machines agree."""

PLAIN_NOTE = (
    "A character of the texts is not in the fonts of this program, so this is a plain PDF and not"
    " an archival one; the missing character is left blank. The web page shows it."
)
"""What is said where a PDF could not be an archival one."""

# archival with tags for reading aloud (ISO 19005-2 level a, ISO 14289-1)
_STANDARDS = ("a-2a", "ua-1")


def typeset_pdf(
    template: Path, content: Mapping[str, Any], files: Mapping[str, bytes], *, issued: datetime
) -> tuple[bytes, tuple[str, ...]]:
    """Return a document as PDF: archival and tagged, plain where a character is missing.

    Parameters
    ----------
    template : Path
        The document's template, which reads ``content`` as JSON data; texts are never markup.
    content : mapping
        What it says. The notes on the file are added under ``notes``.
    files : mapping of str to bytes
        Picture files (JPEG, PNG, SVG) that the content names.
    issued : datetime
        The file's time stamp: the same content and time give the same bytes.

    Returns
    -------
    pdf : bytes
        The document.
    notes : tuple of str
        A sentence where it is a plain PDF; empty otherwise.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="edgeqc-") as folder:
        root = Path(folder)
        (root / template.name).write_bytes(template.read_bytes())
        for name, data in files.items():
            (root / name).write_bytes(data)

        def compiled(notes: tuple[str, ...], standards: list[Any]) -> bytes:
            data = json.dumps({**content, "notes": list(notes)}, ensure_ascii=False)
            return bytes(typst.compile(
                str(root / template.name), root=str(root), format="pdf",
                font_paths=[str(FONT_FOLDER)], ignore_system_fonts=True,
                sys_inputs={"data": data}, pdf_standards=standards, timestamp=issued,
            ))

        try:
            return compiled((), list(_STANDARDS)), ()
        except typst.TypstError:
            # under PDF/A a missing glyph is an error; better a plain PDF than none
            return compiled((PLAIN_NOTE,), []), (PLAIN_NOTE,)


def picture_of_svg(svg: str, points_per_inch: float = 300.0) -> bytes:
    """Return a drawing as PNG.

    Parameters
    ----------
    svg : str
        The drawing.
    points_per_inch : float
        Resolution.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="edgeqc-") as folder:
        root = Path(folder)
        (root / "figure.svg").write_text(svg, encoding="utf-8")
        (root / "page.typ").write_text(
            '#set page(width: auto, height: auto, margin: 4pt)\n#image("figure.svg")\n',
            encoding="utf-8")
        return bytes(typst.compile(
            str(root / "page.typ"), root=str(root), format="png", ppi=points_per_inch,
            font_paths=[str(FONT_FOLDER)], ignore_system_fonts=True))
