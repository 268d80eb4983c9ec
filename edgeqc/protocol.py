"""The protocol: what a laboratory signs, from ``pipelines/*.toml`` to frozen settings.

Each stage owns its settings record; this module only maps tables to them. A table's keys are the
record's fields, a key left out keeps the record's default, and an unknown key is an error.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError, create_model

from edgeqc.errors import ProtocolError
from edgeqc.measure.measurands import MEASURANDS

KINDS = ("specimen", "folder", "settings")

TABLES: Mapping[str, Mapping[str, tuple[str, str]]] = MappingProxyType({
    "specimen": {
        "imaging": ("edgeqc.imaging.scale", "ImagingSettings"),
    },
    "folder": {},
    "settings": {},
})
"""Pipeline -> table -> module and name of the settings record that the table fills."""

_STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True)
class Limit:
    """A laboratory's limit for one measurand of a face.

    Parameters
    ----------
    measurand : str
        Name in ``MEASURANDS``.
    bound : {"min", "max"}
        Whether ``value`` is the least or the greatest allowed.
    value : float
        The limit, in the measurand's unit.
    """

    measurand: str
    bound: Literal["min", "max"]
    value: float


@dataclass(frozen=True)
class Protocol:
    """Settings of one pipeline, with what identifies them.

    Parameters
    ----------
    kind : {"specimen", "folder", "settings"}
        The pipeline.
    name, version : str
        As the laboratory calls it.
    sha256 : str
        Hash over every setting in force (defaults included), not over the file's bytes: two
        files that ask for the same are the same protocol.
    settings : mapping of str to settings record
        One frozen record per table.
    limits : tuple of Limit
        The laboratory's limits; empty where it set none.
    """

    kind: str
    name: str
    version: str
    sha256: str
    settings: Mapping[str, Any]
    limits: tuple[Limit, ...] = ()

    def __getitem__(self, table: str) -> Any:
        return self.settings[table]


def shipped_protocol(kind: str) -> Path:
    """Return the path of the protocol file that comes with the package.

    Parameters
    ----------
    kind : {"specimen", "folder", "settings"}
        The pipeline.
    """
    package = Path(__file__).parent
    # the wheel holds pipelines/ inside the package; a checkout has it beside the package
    for folder in (package / "pipelines", package.parent / "pipelines"):
        if (folder / f"{kind}.toml").is_file():
            return folder / f"{kind}.toml"
    raise ProtocolError(
        f"the protocol {kind}.toml that comes with the package is missing",
        remedy="Install the package again.",
    )


def read_protocol(path: str | Path | None = None, *, kind: str = "specimen") -> Protocol:
    """Return the protocol of a TOML file, checked as a whole.

    Parameters
    ----------
    path : path, optional
        The file; the one that comes with the package where none is given.
    kind : {"specimen", "folder", "settings"}
        The pipeline that the protocol is for.

    Raises
    ------
    ProtocolError
        Naming every fault of the file at once.
    """
    file = shipped_protocol(kind) if path is None else Path(path)
    try:
        tables = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ProtocolError(
            f"cannot be read ({error.strerror})", file=file.name,
            remedy="Check the path given with --protocol.",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ProtocolError(
            f"is not a TOML file: {error}", file=file.name,
            remedy="Start from a copy of the protocol that comes with the package.",
        ) from error
    return protocol_of(tables, kind=kind, file=file.name)


def protocol_of(
    tables: Mapping[str, Any], *, kind: str = "specimen", file: str = ""
) -> Protocol:
    """Return the protocol of nested tables, as a TOML file would give them.

    Parameters
    ----------
    tables : mapping
        Table -> key -> value.
    kind : {"specimen", "folder", "settings"}
        The pipeline that the protocol is for.
    file : str
        Name for error messages.
    """
    known = TABLES[kind]
    faults: list[str] = []
    for table in tables:
        if table not in ("protocol", "limits", *known):
            faults.append(f"[{table}] is not a known table{_hint(table, ['limits', *known])}")
    head = _checked(_HEAD, tables.get("protocol", {}), "protocol", faults)
    if head is not None and head["pipeline"] not in ("", kind):
        faults.append(
            f"protocol.pipeline is {head['pipeline']!r}, but a protocol for {kind!r} is needed"
        )
    settings = {}
    for table, (module, name) in known.items():
        record = getattr(import_module(module), name)
        settings[table] = _record(record, tables.get(table, {}), table, faults)
    limits = _limits(tables.get("limits", {}), faults)
    if faults or head is None:
        listed = "; ".join(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise ProtocolError(
            f"{count}: {listed}", file=file,
            remedy="Mend the keys named; the protocol that comes with the package lists them all.",
        )
    canonical = {
        "pipeline": kind, "name": head["name"], "version": head["version"],
        "settings": {table: dataclasses.asdict(record) for table, record in settings.items()},
        "limits": [dataclasses.asdict(limit) for limit in limits],
    }
    text = json.dumps(canonical, sort_keys=True, ensure_ascii=False)
    return Protocol(
        kind=kind,
        name=head["name"],
        version=head["version"],
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        settings=MappingProxyType(settings),
        limits=limits,
    )


class _Head(BaseModel):
    model_config = _STRICT

    name: str = "unnamed"
    version: str = "0"
    pipeline: str = ""


_HEAD = _Head


def _hint(word: str, known: typing.Iterable[str]) -> str:
    """Words that point to the nearest known name, or nothing."""
    near = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _checked(
    model: type[BaseModel], table: Any, name: str, faults: list[str]
) -> dict[str, Any] | None:
    """Values of a table as the model's types, or None with the faults added."""
    try:
        # JSON mode: strict about types, and yet an array may fill a tuple
        checked = model.model_validate_json(json.dumps(table, default=str))
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=False):
            key = ".".join(str(part) for part in fault["loc"])
            where = f"{name}.{key}" if key else f"[{name}]"
            if fault["type"] == "extra_forbidden":
                hint = _hint(str(fault["loc"][-1]), model.model_fields)
                faults.append(f"{where} is not a known key{hint}")
            else:
                message = fault["msg"][0].lower() + fault["msg"][1:]
                faults.append(f"{where}: {message}, got {fault['input']!r}")
        return None
    return {key: getattr(checked, key) for key in model.model_fields}


def _record(record: type[Any], table: Any, name: str, faults: list[str]) -> Any:
    """Return a settings record filled from a table, or None with the faults added."""
    hints = typing.get_type_hints(record)
    fields: dict[str, Any] = {}
    for item in dataclasses.fields(record):
        if item.default is not dataclasses.MISSING:
            fields[item.name] = (hints[item.name], item.default)
        elif item.default_factory is not dataclasses.MISSING:
            fields[item.name] = (hints[item.name], item.default_factory())
        else:
            fields[item.name] = (hints[item.name], ...)
    model = create_model(record.__name__, __config__=_STRICT, **fields)
    values = _checked(model, table, name, faults)
    if values is None:
        return None
    try:
        return record(**values)
    except ValueError as error:  # the record's own rules on its values
        faults.append(f"[{name}]: {error}")
        return None


def _limits(table: Any, faults: list[str]) -> tuple[Limit, ...]:
    """Limits of the table ``[limits]``: a measurand's name with ``_min`` or ``_max``."""
    limits = []
    known = [f"{name}_{bound}" for name in MEASURANDS for bound in ("min", "max")]
    if not isinstance(table, Mapping):
        faults.append("[limits] must be a table")
        return ()
    for key, value in table.items():
        if key not in known:
            faults.append(f"limits.{key} is not a known limit{_hint(key, known)}")
        elif isinstance(value, bool) or not isinstance(value, int | float):
            faults.append(f"limits.{key}: a number is needed, got {value!r}")
        else:
            measurand, bound = key[:-4], key[-3:]
            limits.append(Limit(measurand, "min" if bound == "min" else "max", float(value)))
    return tuple(limits)
