"""The findings of a specimen: validated, versioned, and the one thing that reports are made from.

``findings.json`` follows the JSON Schema in ``findings.schema.json`` beside this module. A value
is either a number with its uncertainty or absent with a reason; it is never a silent null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from edgeqc.errors import OutputError
from edgeqc.flags import RESIDUAL_FLAG, Raised
from edgeqc.protocol import Limit
from edgeqc.quantity import COVERAGE_FACTOR, Measured, format_measured

SCHEMA_VERSION: Literal["1.0"] = "1.0"
"""Version of the findings' form; the first number changes when a reader has to change."""

# flags that leave the names of the zones in doubt, whatever the doubt of their borders
_UNNAMED = frozenset({"zones_unnamed", "texture_unfamiliar"})
_SIDE_UNKNOWN = "anterior_unknown"
_FINEST = 0.001  # a fraction's uncertainty below this is not written out

LimitVerdict = Literal["pass", "fail", "undecided", "no limit set"]
Status = Literal["measured", "review", "rejected", "failed"]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Record(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Value(_Record):
    """A measured value with its doubt, or the reason why there is none."""

    model_config = ConfigDict(json_schema_extra={"anyOf": [
        {"properties": {"value": {"type": "number"}, "u": {"type": "number"}},
         "required": ["value", "u"]},
        {"properties": {"reason": {"minLength": 1}}, "required": ["reason"]},
    ]})

    value: Finite | None = Field(description="Estimate, in `unit`; null only with a reason.")
    u: Finite | None = Field(
        default=None, ge=0, description="Standard uncertainty (k = 1), in `unit`."
    )
    low: Finite | None = Field(default=None, description="Lower end, 95 % coverage interval.")
    high: Finite | None = Field(default=None, description="Upper end, 95 % coverage interval.")
    unit: str
    budget: dict[str, Finite] = Field(
        default_factory=dict, description="Source of doubt -> its share of u, in `unit`."
    )
    n: int = Field(default=1, ge=0, description="Number of readings behind the value.")
    note: str = ""
    reason: str = Field(default="", description="Why there is no value, or no uncertainty.")

    @model_validator(mode="after")
    def _never_silent(self) -> Value:
        if (self.value is None or self.u is None) and not self.reason:
            raise ValueError("a value or an uncertainty that is absent needs a reason")
        if self.value is None and (self.u is not None or self.low is not None):
            raise ValueError("an absent value has no uncertainty")
        return self


class FlagEntry(_Record):
    """A flag in full, so that the findings can be read without the program."""

    name: str
    severity: Literal["note", "review", "reject"]
    sentence: str
    consequence: str
    detail: str = ""


class LimitResult(_Record):
    """A measurand held against the laboratory's limit."""

    measurand: str
    title: str = Field(description="What a reader calls it.")
    unit: str
    bound: Literal["min", "max"] | None = None
    limit: Finite | None = None
    verdict: LimitVerdict
    sentence: str


class RoughnessEntry(_Record):
    """One roughness or texture parameter of one zone of one face."""

    zone: Literal["laser", "scissor", "torn", "face"]
    basis: Literal["edge contour", "height map", "grey level"]
    parameter: str
    title: str = ""
    result: Value
    filter: str = ""
    nesting_index_um: Finite | None = None
    evaluation_length_um: Finite | None = None
    standard: str = ""
    note: str = ""


class FaceFindings(_Record):
    """Everything that is said about one cut face."""

    image: str
    face: int = Field(ge=1)
    answer: str = Field(description="What was cut how deep and how sure that is, in one sentence.")
    verdict: Literal["measured", "review", "rejected"]
    centroid_row_px: Finite
    centroid_col_px: Finite
    anterior: Literal["top", "bottom", "left", "right", "unknown"]
    anterior_source: Literal["sheet", "inferred", "none"]
    values: dict[str, Value] = Field(description="Measurand -> its value.")
    roughness: tuple[RoughnessEntry, ...] = ()
    limits: tuple[LimitResult, ...] = ()
    flags: tuple[FlagEntry, ...] = ()
    zone_model: str = ""
    naming_confidence: Finite | None = None
    residual: str = Field(default="", description="How the uncut remainder was parted.")


class ImageFindings(_Record):
    """One picture: where it came from and whether it could be used."""

    image: str
    sha256: str = ""
    page: int = 1
    status: Status
    reason: str = ""
    faces: int = Field(ge=0)
    rows_px: int | None = None
    cols_px: int | None = None
    pixel_size_um: Value
    pixel_size_source: str
    tilt_deg: Value
    quality: dict[str, Value] = Field(default_factory=dict)
    acquisition: dict[str, str | Finite] = Field(default_factory=dict)
    flags: tuple[FlagEntry, ...] = ()


class Correction(_Record):
    """A change that a person made to what the program found."""

    when: str
    who: str
    what: str
    reason: str


class ProtocolId(_Record):
    """Which protocol was in force."""

    name: str
    version: str
    sha256: str


class Findings(_Record):
    """The findings of one specimen."""

    schema_version: Literal["1.0"] = SCHEMA_VERSION
    specimen: str
    issued: str = Field(description="Date and time of issue, ISO 8601 with offset.")
    sheet: dict[str, str] = Field(
        default_factory=dict, description="What the specimen sheet says, as text, by column."
    )
    areal_dose_j_cm2: Value | None = None
    answer: str = Field(description="The answer in one or two sentences.")
    verdict: Status
    images: tuple[ImageFindings, ...]
    faces: tuple[FaceFindings, ...]
    protocol: ProtocolId
    software: str = Field(description="Name and version of the program.")
    coverage_factor: Finite = COVERAGE_FACTOR
    corrections: tuple[Correction, ...] = ()


def value_of(measured: Measured | None, unit: str, reason: str = "") -> Value:
    """Return a measured value in the findings' form, finite or absent with a reason.

    Parameters
    ----------
    measured : Measured or None
        The value; None where it was not had.
    unit : str
        Unit of the absent value.
    reason : str
        Why it was not had.
    """
    if measured is None or not math.isfinite(measured.value):
        note = measured.note if measured is not None else ""
        return Value(value=None, unit=unit, reason=reason or note or "not determined")
    if not math.isfinite(measured.u):
        why = measured.note or reason or "uncertainty not determined"
        return Value(
            value=measured.value, u=None, unit=measured.unit, n=measured.n, note=measured.note,
            reason=why,
        )
    low, high = measured.interval
    return Value(
        value=float(measured.value), u=float(measured.u), low=float(low), high=float(high),
        unit=measured.unit, n=int(measured.n), note=measured.note,
        budget={name: float(share) for name, share in measured.budget.items()
                if math.isfinite(share)},
    )


def flag_entries(flags: Iterable[Raised]) -> tuple[FlagEntry, ...]:
    """Return raised flags in full, each name once, worst first."""
    order = {"reject": 0, "review": 1, "note": 2}
    seen: dict[str, FlagEntry] = {}
    for item in flags:
        flag = item.flag
        if item.name not in seen:
            seen[item.name] = FlagEntry(
                name=flag.name, severity=flag.severity, sentence=flag.sentence,
                consequence=flag.consequence, detail=item.detail,
            )
    return tuple(sorted(seen.values(), key=lambda entry: order[entry.severity]))


def against_limit(value: Value, limit: Limit, title: str) -> LimitResult:
    """Return how a value stands against a limit, its 95 % interval taken into account.

    Parameters
    ----------
    value : Value
        The value with its interval.
    limit : Limit
        The limit.
    title : str
        What the reader calls the measurand.

    Notes
    -----
    ``pass`` and ``fail`` need the whole 95 % interval on one side of the limit; a limit inside
    the interval leaves the question ``undecided``. The rule guards both sides equally.

    References
    ----------
    JCGM 106:2012, clause 8 (decision rules with a guard band); the width U is our choice.
    """
    words = "at least" if limit.bound == "min" else "at most"
    rule = f"{title} {words} {limit.value:g}{unit_text(value.unit)}"
    if value.value is None or value.low is None or value.high is None:
        verdict: LimitVerdict = "undecided"
        sentence = f"{rule}: undecided, because {value.reason.rstrip('.')}."
    else:
        inside = value.low < limit.value < value.high
        above = value.low >= limit.value
        passed = above if limit.bound == "min" else value.high <= limit.value
        verdict = "undecided" if inside else ("pass" if passed else "fail")
        tail = " (the limit lies inside the 95 % interval)" if inside else ""
        sentence = f"{rule}: {verdict}{tail}."
    return LimitResult(
        measurand=limit.measurand, title=title, unit=value.unit, bound=limit.bound,
        limit=limit.value, verdict=verdict, sentence=sentence,
    )


def unit_text(unit: str) -> str:
    """Return a unit as it follows a number: with its space, nothing for unit 1."""
    return {"1": "", "deg": "°", "%": " %"}.get(unit, f" {unit}")


def value_text(value: Value, *, expanded: bool = True) -> str:
    """Return a value as a reader wants it: ``0.85 ± 0.02``, or the word ``none``.

    Parameters
    ----------
    value : Value
        The value.
    expanded : bool
        Give U = k·u (k = 2) behind the sign ±; else only the value.
    """
    if value.value is None:
        return "none"
    if value.u is None or value.u == 0:
        return f"{value.value:.4g}{unit_text(value.unit)}"
    doubt = COVERAGE_FACTOR * value.u
    text, u_text = format_measured(value.value, doubt)
    if value.unit == "1" and doubt < _FINEST / 2:
        text, u_text = f"{value.value:.3f}", f"<{_FINEST:g}"
    return f"{text} ± {u_text}{unit_text(value.unit)}" if expanded else text


def interval_text(value: Value) -> str:
    """Return the 95 % interval, to the decimals of the value; empty where there is no doubt."""
    if value.value is None or value.low is None or value.high is None or not value.u:
        return ""
    doubt = COVERAGE_FACTOR * value.u
    digits = len(format_measured(value.value, doubt)[0].partition(".")[2])
    if value.unit == "1" and doubt < _FINEST / 2:
        digits = 3
        if value.high < _FINEST:
            return f"below {_FINEST:g}"
    return f"{value.low:.{digits}f} to {value.high:.{digits}f}"


def is_lopsided(value: Value) -> bool:
    """Tell whether the 95 % interval is not ``value ± U``, as near the ends of a fraction."""
    if value.value is None or value.u is None or value.low is None or value.high is None:
        return False
    half = COVERAGE_FACTOR * value.u
    return max(abs(value.value - value.low - half), abs(value.high - value.value - half)) > (
        0.05 * half)


def proviso_of(flags: Iterable[FlagEntry]) -> str:
    """Return what the depth of a face with these flags rests on, unproven; empty for nothing."""
    names = {flag.name for flag in flags}
    parts = ["the zones bear the right names"] if names & _UNNAMED else []
    if _SIDE_UNKNOWN in names:
        parts.append("the edge marked is the anterior one")
    return f"if {' and '.join(parts)}" if parts else ""


def residual_is_a_guess(flags: Iterable[FlagEntry]) -> bool:
    """Tell whether a face's flags doubt only what its residual is called."""
    names = {flag.name for flag in flags}
    return RESIDUAL_FLAG in names and not names & _UNNAMED


def schema_json() -> str:
    """Return the JSON Schema of the findings, as published beside this module."""
    schema = Findings.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Findings of a specimen"
    return json.dumps(schema, indent=2, ensure_ascii=False, sort_keys=True) + "\n"


def write_findings(findings: Findings, path: Path) -> None:
    """Write the findings as JSON (UTF-8, keys in the records' order)."""
    data: dict[str, Any] = findings.model_dump(mode="json")
    # allow_nan=False: a NaN would otherwise become a token that is not JSON
    text = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_findings(path: str | Path) -> Findings:
    """Return the findings of a file, checked.

    Raises
    ------
    OutputError
        The file is not a findings file of a version that this program reads.
    """
    file = Path(path)
    try:
        return Findings.model_validate_json(file.read_bytes())
    except (OSError, ValidationError) as error:
        raise OutputError(
            f"is not a findings file of schema {SCHEMA_VERSION} ({type(error).__name__})",
            file=file.name, remedy="Examine the specimen again with this version.",
        ) from error


def issue_text(when: datetime) -> str:
    """Return a time of issue as the findings hold it: ISO 8601, whole seconds, with offset."""
    return when.replace(microsecond=0).isoformat()


def sheet_text(row: Mapping[str, Any]) -> dict[str, str]:
    """Return a sheet row as text by column, empty cells left out."""
    return {
        str(key): f"{cell:g}" if isinstance(cell, float) else str(cell)
        for key, cell in row.items() if cell is not None and str(cell) != ""
    }
