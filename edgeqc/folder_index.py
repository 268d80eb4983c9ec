"""The page over all reports of a run: one row a face, to sort and to choose from."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import edgeqc
from edgeqc.findings import Value, interval_text, is_lopsided, value_text
from edgeqc.folder_work import Row
from edgeqc.quantity import COVERAGE_FACTOR
from edgeqc.report.wording import CAUTIONS, VERDICT_WORDS

SMALL = ".small.jpg"
"""Ending of a picture's small overlay, made for this page."""

_TEMPLATES = Path(__file__).parent / "report" / "templates"
_HEADER = ("Specimen", "Picture, face", "Verdict", "Cut depth", "Ligament, µm", "Thickness, µm",
           "Settings", "What to know")
_VERDICTS = ("measured", "review", "rejected", "failed")
_MEANINGS = {
    "measured": "measured, nothing in the way",
    "review": "measured with a doubt that a person has to settle",
    "rejected": "the picture is of no use",
    "failed": "the picture could not be examined",
}
_LEGEND = (
    "Cut depth is the laser's depth as a fraction of the local thickness; ± is the expanded"
    " uncertainty (k = 2), the mark on the bar the 95 % interval. Values of faces for review are"
    " grey: they are not to be relied on before a person has looked."
)
_GAUGE_PX = 119
_BREAKS = re.compile(r"(?<=[/_-])")  # where a long file name may go on in the next line


def index_page(
    images: Sequence[Row], faces: Sequence[Row], folders: Mapping[str, str],
    files: Mapping[str, Collection[str]],
) -> str:
    """Return the page as HTML that needs no server and no other file but the reports.

    Parameters
    ----------
    images, faces : sequence of mapping
        Rows of the two tables, in their order.
    folders : mapping of str to str
        Folder of each specimen.
    files : mapping of str to collection of str
        Files in each specimen's folder.
    """
    import jinja2

    found: defaultdict[str, list[Row]] = defaultdict(list)
    for face in faces:
        found[face["image"]].append(face)
    rows = []
    for image in images:
        links = _links(image, folders, set(files.get(image["specimen"], ())))
        of_image: list[Row | None] = [*found[image["image"]]]
        rows += [{**_words(image, face), **links} for face in of_image or [None]]
    counts = Counter(row["verdict"] for row in rows)
    content = {
        "software": f"edgeqc {edgeqc.__version__}",
        "pictures": len(images),
        "headline": _headline(images, faces),
        "subline": _subline(images, len(folders)),
        "has_log": any(counts[name] for name in ("rejected", "failed")),
        "verdicts": [{"name": name, "words": VERDICT_WORDS[name], "count": counts[name],
                      "meaning": _MEANINGS[name]} for name in _VERDICTS],
        "header": _HEADER, "rows": rows, "legend": _LEGEND, "caution": CAUTIONS[0],
    }
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES), autoescape=True,
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("index.html.j2").render(d=content)


def _headline(images: Sequence[Row], faces: Sequence[Row]) -> str:
    verdicts = Counter(face["verdict"] for face in faces)
    parts = [f"{verdicts[name]} {VERDICT_WORDS[name]}" for name in _VERDICTS if verdicts[name]]
    where = f"{_many(len(faces), 'cut face')} in {_many(len(images), 'picture')}"
    return f"{where}: {', '.join(parts)}" if parts else where


def _subline(images: Sequence[Row], specimens: int) -> str:
    statuses = Counter(image["status"] for image in images)
    parts = [_many(specimens, "specimen"),
             *(f"{_many(statuses[name], 'picture')} {VERDICT_WORDS[name]}"
               for name in ("rejected", "failed") if statuses[name])]
    return f"{', '.join(parts)}."


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _links(image: Row, folders: Mapping[str, str], files: set[str]) -> dict[str, str]:
    folder = folders.get(image["specimen"], "")
    small = next((name for stem in picture_stems(image["image"])
                  if (name := f"{stem}{SMALL}") in files), "")
    return {
        key: f"{quote(folder)}/{quote(name)}" if name in files else ""
        for key, name in (("report", "report.html"), ("pdf", "report.pdf"), ("small", small))
    }


def picture_stems(image: str) -> tuple[str, str]:
    """Return the stems that the files made from a picture may have.

    The full name, with underscores, comes first: it is taken where pictures share a stem.
    """
    base, _, page = image.partition("#")
    stem = base.rpartition("/")[2].rpartition(".")[0]
    return image.replace("/", "_").replace("#", ".p"), f"{stem}.p{page}" if page else stem


def _words(image: Row, face: Row | None) -> dict[str, Any]:
    verdict = str(face["verdict"] if face else image["status"])
    if not face and verdict not in ("rejected", "failed"):
        verdict = "rejected"
    row = face or {}
    flags = str(row.get("flags") or "").replace("_", " ").replace(";", "; ")
    words = {
        "specimen": image["specimen"], "image": image["image"], "face": row.get("face"),
        "parts": _BREAKS.split(image["image"]),
        "verdict": verdict, "words": VERDICT_WORDS[verdict], "rank": _VERDICTS.index(verdict),
        "alt": f"{image['image']} with its zones marked",
        "why": flags if face else image.get("reason") or "",
        **_setting(row), **_depth(row),
    }
    for key, column in (("ligament", "ligament_um"), ("thickness", "thickness_um")):
        words[key] = _with_doubt(row.get(column), row.get(f"u_{column}")) or ("—" if face else "")
        words[f"{key}_key"] = _key(row.get(column))
    return words


def _depth(row: Row) -> dict[str, Any]:
    value = row.get("cut_depth_fraction")
    low, high = row.get("cut_depth_low"), row.get("cut_depth_high")
    return {
        "depth": _with_doubt(
            value, row.get("u_cut_depth_fraction"),
            interval=None if low is None or high is None else (low, high)),
        "depth_key": _key(value),
        "bar": _on_gauge(value) if value is not None else 0,
        "low": None if low is None or high is None else 0.5 + _on_gauge(low),
        "high": None if low is None or high is None else 0.5 + _on_gauge(high),
    }


def _on_gauge(fraction: float) -> float:
    return round(min(1.0, max(0.0, fraction)) * _GAUGE_PX, 1)


def _with_doubt(
    value: float | None, u: float | None, *, interval: tuple[float, float] | None = None
) -> str:
    """Return ``value ± U``, or the value and its interval where that is another, as in a report."""
    if value is None:
        return ""
    if u is None:
        return f"{value:.3g}"
    half = COVERAGE_FACTOR * u
    low, high = interval or (max(value - half, 0.0), value + half)
    stated = Value(value=value, u=u, low=low, high=high, unit="1")
    if is_lopsided(stated):
        return f"{value_text(stated, expanded=False)} ({interval_text(stated)})"
    return value_text(stated)


def _key(value: float | None) -> str:
    # the page compares digits as numbers, so a fixed form sorts right
    return "" if value is None else f"{value:.6f}"


def _setting(row: Row) -> dict[str, str]:
    energy = row.get("pulse_energy_uj")
    spot, line = row.get("spot_separation_um"), row.get("line_separation_um")
    parts = [str(row.get("material") or "")]
    if energy not in (None, ""):
        parts.append(f"{energy}\N{NO-BREAK SPACE}µJ")
    if spot not in (None, "") and line not in (None, ""):
        parts.append(f"{spot} × {line}\N{NO-BREAK SPACE}µm")
    text = ", ".join(part for part in parts if part)
    return {"setting": text, "setting_key": text}
