"""The report as one web page that needs no other file."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).parent / "templates"


def write_html(content: Mapping[str, Any], path: Path) -> None:
    """Write the report as one web page with everything in it.

    Parameters
    ----------
    content : mapping
        From ``report_content``, with pictures as data URIs and figures as SVG text.
    path : Path
        Where the page goes.
    """
    page = _template().render(d=content)
    path.write_text(page, encoding="utf-8", newline="\n")


@cache
def _template() -> Any:
    """Return the page's template, compiled once in a process."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER), autoescape=True,
        undefined=jinja2.ChainableUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def data_uri(data: bytes, kind: str) -> str:
    """Return bytes as a data URI of a media type (``"image/webp"``)."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
