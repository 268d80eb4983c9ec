"""The text of a protocol file: every key with its default and what it means.

The files in ``pipelines/`` are written by this module, so that they cannot drift away from the
settings records; a test holds them together.
"""

from __future__ import annotations

import dataclasses
import json
import re
import textwrap
import typing
from collections.abc import Iterator, Mapping
from importlib import import_module
from inspect import cleandoc
from types import MappingProxyType
from typing import Any

from edgeqc.protocol import TABLES

_HEADS: Mapping[str, str] = MappingProxyType({
    "specimen": """\
        The specimen protocol: what a laboratory signs. The tables stand in the order of the
        steps: picture, cut face, zones, measures, report. Copy this file, change what differs,
        give it a name and a version of your own, and pass it with --protocol. A key left out
        keeps the value shown here; an unknown key is an error. Units stand in the keys' names.
        """,
    "folder": """\
        The folder protocol: which files are examined, and how the run is held. None of these
        changes a measured value.
        """,
    "settings": """\
        The settings protocol: what is compared between laser settings, by which model, and by
        which rules.
        """,
})
_LIMITS = """\
    Limits of the laboratory: a measurand's name (a column of faces.csv) with _min or _max, or
    zone, basis and parameter of a row of roughness.csv.
    Without limits every verdict reads "no limit set". Examples:
    cut_depth_fraction_min = 0.80
    ligament_um_max = 120.0
    "laser/edge contour/Rq_max" = 1.5
    """


def protocol_text(kind: str) -> str:
    """Return the text of the protocol file that comes with the package.

    Parameters
    ----------
    kind : {"specimen", "folder", "settings"}
        The pipeline.
    """
    lines = [*_comment(_HEADS[kind]), "", "[protocol]", f'name = "edgeqc {kind}"',
             'version = "1"', f'pipeline = "{kind}"']
    for table, (module, name) in TABLES[kind].items():
        lines += _table(table, getattr(import_module(module), name)())
    if kind == "specimen":
        lines += ["", "[limits]", *_comment(_LIMITS)]
    return "\n".join(lines) + "\n"


def _table(name: str, record: Any) -> Iterator[str]:
    """Yield the lines of a record's table, then those of the records inside it."""
    meanings = _meanings(type(record))
    plain = [item for item in dataclasses.fields(record)
             if not dataclasses.is_dataclass(getattr(record, item.name))]
    inner = [item for item in dataclasses.fields(record) if item not in plain]
    if plain:
        yield ""
        yield f"[{name}]"
        yield f"# {cleandoc(type(record).__doc__ or '').splitlines()[0]}"
        said = ""
        for item in plain:
            meaning = meanings.get(item.name, "")
            if meaning and meaning != said:
                yield from _comment(meaning)
            said = meaning
            yield f"{item.name} = {_toml(getattr(record, item.name))}"
    for item in inner:
        yield from _table(f"{name}.{item.name}", getattr(record, item.name))


def _meanings(record: type[Any]) -> dict[str, str]:
    """Return what each field means, from the ``Parameters`` section of the docstring."""
    text = cleandoc(record.__doc__ or "")
    _, _, section = text.partition("Parameters\n----------\n")
    found: dict[str, str] = {}
    names: list[str] = []
    for line in re.split(r"\n\n[A-Z][a-z]+\n-{3,}", section)[0].splitlines():
        head = re.match(r"(\w[\w, ]*?) : (.+)", line)
        if head:
            names = [name.strip() for name in head[1].split(",")]
        elif line.startswith("    "):
            for name in names:
                found[name] = f"{found.get(name, '')} {line.strip()}".strip()
    return found


def _comment(text: str) -> list[str]:
    lines = textwrap.dedent(text).strip().splitlines()
    if len(lines) == 1:
        lines = textwrap.wrap(lines[0], 97)
    return [f"# {line}".rstrip() for line in lines]


def _toml(value: typing.Any) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple | list):
        return f"[{', '.join(_toml(item) for item in value)}]"
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{json.dumps(key)} = {_toml(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    return repr(value)
