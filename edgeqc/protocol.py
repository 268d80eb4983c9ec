"""The protocol: what a laboratory signs, from ``pipelines/*.toml`` to frozen settings.

Each stage owns its settings record; this module only maps tables to them. A table's keys are the
record's fields, a key left out keeps the record's default, and an unknown key is an error.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from edgeqc.errors import ProtocolError
from edgeqc.measure.measurands import MEASURANDS

KINDS = ("specimen", "folder", "settings")

TABLES: Mapping[str, Mapping[str, tuple[str, str]]] = MappingProxyType({
    "specimen": {
        "imaging": ("edgeqc.imaging.calibration", "ImagingSettings"),
        "faces": ("edgeqc.faces.fragment", "FaceSettings"),
        "zones": ("edgeqc.zoning.zone_settings", "ZoneSettings"),
        "zone_model": ("edgeqc.protocol", "ZoneModelSettings"),
        "measures": ("edgeqc.measure.face_measures", "MeasureSettings"),
        "report": ("edgeqc.protocol", "ReportSettings"),
    },
    "folder": {
        "folder": ("edgeqc.folder_settings", "FolderSettings"),
    },
    "settings": {
        "design": ("edgeqc.study.study_settings", "DesignSettings"),
        "responses": ("edgeqc.study.study_settings", "ResponseSettings"),
        "model": ("edgeqc.study.study_settings", "ModelSettings"),
        "planning": ("edgeqc.study.study_settings", "PlanningSettings"),
    },
})
"""Pipeline -> table -> module and name of the settings record that the table fills."""

_ROUGHNESS_LIMIT = re.compile(
    r"(laser|scissor|torn|face)/(edge contour|height map|grey level)/.+_(min|max)")

_STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True)
class Limit:
    """A laboratory's limit for one measurand of a face.

    Parameters
    ----------
    measurand : str
        Name in ``MEASURANDS``, or ``zone/basis/parameter`` of a roughness row.
    bound : {"min", "max"}
        Whether ``value`` is the least or the greatest allowed.
    value : float
        The limit, in the measurand's unit.
    """

    measurand: str
    bound: Literal["min", "max"]
    value: float


@dataclass(frozen=True)
class ReportSettings:
    """What the laboratory puts on its reports.

    Parameters
    ----------
    laboratory : str
        Issuing laboratory.
    requester : str
        Who asked for the examination.
    examination : str
        Name of the examination.
    sample_type : str
        Type of the sample.
    """

    laboratory: str = ""
    requester: str = ""
    examination: str = "Zones, cut depth and roughness of cut faces on electron micrographs"
    sample_type: str = "Fragment of an intraocular lens, cut face"


@dataclass(frozen=True)
class ZoneModelSettings:
    """Which model names the zones.

    Parameters
    ----------
    file : str
        Model file written by ``edgeqc teach``, relative to the protocol's own place; the model
        that comes with the package where it is empty.
    """

    file: str = ""


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
    return protocol_of(protocol_tables(file), kind=kind, file=file.name)


def protocol_tables(file: Path) -> dict[str, Any]:
    """Return the tables of a protocol file, unchecked; a file that it names by its full path.

    Raises
    ------
    ProtocolError
        The file cannot be read or is not TOML.
    """
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
    model = tables.get("zone_model")
    if isinstance(model, dict) and isinstance(model.get("file"), str) and model["file"]:
        model["file"] = str((file.parent / model["file"]).resolve())
    return tables


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
    head = _record(_Head, tables.get("protocol", {}), "protocol", faults)
    if head is not None and head.pipeline not in ("", kind):
        faults.append(
            f"protocol.pipeline is {head.pipeline!r}, but a protocol for {kind!r} is needed"
        )
    settings = {}
    for table, (module, name) in known.items():
        record = getattr(import_module(module), name)
        settings[table] = _record(record, tables.get(table, {}), table, faults)
    limits = _limits(tables.get("limits", {}), faults)
    model = _model_hash(settings.get("zone_model"), faults)
    if faults or head is None:
        listed = "; ".join(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise ProtocolError(
            f"{count}: {listed}", file=file,
            remedy="Mend the keys named; the protocol that comes with the package lists them all.",
        )
    canonical: dict[str, Any] = {
        "pipeline": kind, "name": head.name, "version": head.version,
        "settings": {table: _plain(record) for table, record in settings.items()},
        "limits": [_plain(limit) for limit in limits],
    }
    if model:
        # what the model is, not where it lies, tells protocols apart
        canonical["settings"]["zone_model"] = {"file": model}
    text = json.dumps(canonical, sort_keys=True, ensure_ascii=False)
    return Protocol(
        kind=kind,
        name=head.name,
        version=head.version,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        settings=MappingProxyType(settings),
        limits=limits,
    )


@dataclass(frozen=True)
class _Head:
    """What identifies a protocol."""

    name: str = "unnamed"
    version: str = "0"
    pipeline: str = ""


def _model_hash(model: ZoneModelSettings | None, faults: list[str]) -> str:
    """Return the hash of the zone model that a protocol names, ``""`` where it names none."""
    if model is None or not model.file:
        return ""
    try:
        return hashlib.sha256(Path(model.file).read_bytes()).hexdigest()
    except OSError as error:
        name = Path(model.file).name
        faults.append(f"zone_model.file: {name!r} cannot be read ({error.strerror})")
        return ""


def _plain(item: Any) -> Any:
    """Return records, mappings and tuples as what JSON can write."""
    if dataclasses.is_dataclass(item):
        return {field.name: _plain(getattr(item, field.name))
                for field in dataclasses.fields(item)}
    if isinstance(item, Mapping):
        return {str(key): _plain(value) for key, value in item.items()}
    if isinstance(item, tuple | list):
        return [_plain(value) for value in item]
    return item


def _hint(word: str, known: typing.Iterable[str]) -> str:
    """Words that point to the nearest known name, or nothing."""
    near = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _checked(
    model: type[BaseModel], table: Any, name: str, faults: list[str]
) -> BaseModel | None:
    """Return a table's values as the model's types, or None with the faults added."""
    try:
        # JSON mode: strict about types, and yet an array may fill a tuple
        return model.model_validate_json(json.dumps(table, default=str))
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=False):
            key = ".".join(str(part) for part in fault["loc"])
            where = f"{name}.{key}" if key else f"[{name}]"
            if fault["type"] == "extra_forbidden":
                faults.append(f"{where} is not a known key{_hint(key, _keys_of(model))}")
            else:
                message = fault["msg"][0].lower() + fault["msg"][1:]
                faults.append(f"{where}: {message}, got {fault['input']!r}")
        return None


def _keys_of(model: type[BaseModel], prefix: str = "") -> list[str]:
    """Return the dotted names of every key that a model knows."""
    keys = []
    for name, item in model.model_fields.items():
        keys.append(prefix + name)
        if isinstance(item.annotation, type) and issubclass(item.annotation, BaseModel):
            keys += _keys_of(item.annotation, f"{prefix}{name}.")
    return keys


def _model_of(record: type[Any]) -> type[BaseModel]:
    """Return the model that checks a table for a settings record, its inner records too."""
    hints = typing.get_type_hints(record)
    fields: dict[str, Any] = {}
    for item in dataclasses.fields(record):
        kind = hints[item.name]
        if dataclasses.is_dataclass(kind):
            kind = _model_of(typing.cast(type[Any], kind))
            fields[item.name] = (kind, Field(default_factory=kind))
        elif item.default is not dataclasses.MISSING:
            fields[item.name] = (kind, item.default)
        elif item.default_factory is not dataclasses.MISSING:
            fields[item.name] = (kind, Field(default_factory=item.default_factory))
        else:
            fields[item.name] = (kind, ...)
    return create_model(record.__name__, __config__=_STRICT, **fields)


def _record(record: type[Any], table: Any, name: str, faults: list[str]) -> Any:
    """Return a settings record filled from a table, or None with the faults added."""
    checked = _checked(_model_of(record), table, name, faults)
    return None if checked is None else _filled(record, checked, name, faults)


def _filled(record: type[Any], checked: BaseModel, name: str, faults: list[str]) -> Any:
    """Return the record with checked values; its own rules on them may add faults."""
    values: dict[str, Any] = {}
    before = len(faults)
    hints = typing.get_type_hints(record)
    for key in type(checked).model_fields:
        value = getattr(checked, key)
        if isinstance(value, BaseModel):
            value = _filled(hints[key], value, f"{name}.{key}", faults)
        values[key] = value
    if len(faults) > before:
        return None
    try:
        return record(**values)
    except ValueError as error:
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
        if key not in known and not _ROUGHNESS_LIMIT.fullmatch(key):
            faults.append(f"limits.{key} is not a known limit{_hint(key, known)}")
        elif isinstance(value, bool) or not isinstance(value, int | float):
            faults.append(f"limits.{key}: a number is needed, got {value!r}")
        else:
            measurand, _, bound = key.rpartition("_")
            limits.append(Limit(measurand, "min" if bound == "min" else "max", float(value)))
    return tuple(limits)
