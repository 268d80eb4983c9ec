"""The answer in a sentence: what was cut how deep, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from edgeqc.findings import (
    FlagEntry,
    Value,
    interval_text,
    is_lopsided,
    proviso_of,
    residual_is_a_guess,
    unit_text,
    value_text,
)
from edgeqc.zoning.zones import LASER, OBSCURED, SCISSOR, TORN, ZoneMap

_MINOR = 0.02  # an area share below this is not spoken of: it is within the borders' own doubt
_MOSTLY = 0.85  # from this share on, the remainder was parted in one way
_NO_DEPTH = "the cut depth cannot be given"
_THROUGH = 0.995  # share of the lasered length cut through that is spoken of as all of it


def residual_of(zones: ZoneMap | None) -> str:
    """Return how the remainder below the laser zone was parted.

    Returns
    -------
    str
        ``"torn"``, ``"cut by scissors"``, ``"partly torn, partly cut by scissors"``,
        ``"obscured"``, or ``""`` where there is no remainder or no laser zone.
    """
    if zones is None:
        return ""
    beneath = zones.labels[:, zones.depth > 0]
    beneath = beneath[np.isin(beneath, (SCISSOR, TORN, OBSCURED))]
    seen = beneath[beneath != OBSCURED]
    if beneath.size == 0:
        return ""
    if seen.size == 0:
        return "obscured"
    torn = float(np.mean(seen == TORN))
    if torn >= _MOSTLY:
        return "torn"
    return "cut by scissors" if torn <= 1 - _MOSTLY else "partly torn, partly cut by scissors"


def face_answer(
    number: int,
    values: Mapping[str, Value],
    flags: Sequence[FlagEntry],
    *,
    verdict: str,
    residual: str,
) -> str:
    """Return the answer for one face, in one or two sentences.

    Parameters
    ----------
    number : int
        Number of the face in its picture.
    values : mapping of str to Value
        Measurand -> value.
    flags : sequence of FlagEntry
        Worst first.
    verdict : str
        Verdict of the face.
    residual : str
        From ``residual_of``.
    """
    if residual and residual_is_a_guess(flags):
        residual = f"{residual} (if its name is right)"
    said = _depth_said(values, residual)
    proviso = proviso_of(flags)
    if proviso and not said.startswith(_NO_DEPTH):
        said = f"{proviso}, {said}"
    tail = {
        "measured": "Measured.",
        "review": f"For review: {_reasons(flags, 'review')}",
        "rejected": f"Rejected: {_reasons(flags, 'reject')}",
    }[verdict]
    if verdict == "rejected":
        return f"Face {number}: no result. {tail}"
    return f"Face {number}: {said} {tail}"


def _depth_said(values: Mapping[str, Value], residual: str) -> str:
    depth, length = values["cut_depth_fraction"], values["laser_length_fraction"]
    if depth.value is None:
        if (values["laser_area_fraction"].value or 0.0) <= 0:
            return _without_laser(values)
        return f"{_NO_DEPTH} ({depth.reason.rstrip('.')})."
    through = values["through_cut_fraction"].value or 0.0
    if through >= _THROUGH:
        said = f"laser-cut through the whole thickness (depth fraction {_doubted(depth)})"
    elif is_lopsided(depth):
        said = f"laser-cut to {_doubted(depth)}, of the local thickness"
    else:
        coverage = "" if depth.u is None else " (95 % coverage, k = 2)"
        said = f"laser-cut to {value_text(depth)} of the local thickness{coverage}"
    if length.value is not None and length.value < 1 - _MINOR:
        said += f" over {length.value:.0%} of its length".replace("%", " %")
    if residual and through < _THROUGH:
        ligament = values["ligament_um"]
        left = f", ligament {_length(ligament)}" if ligament.value is not None else ""
        said += f"; the remainder was {residual}{left}"
    return f"{said}."


def _doubted(depth: Value) -> str:
    """Return a depth with its interval where that is not ``value ± U``."""
    if is_lopsided(depth):
        return f"{value_text(depth, expanded=False)}, 95 % interval {interval_text(depth)}"
    return value_text(depth)


def _length(value: Value) -> str:
    """Return a length with its interval where that is not ``value ± U``, as near nought."""
    if not is_lopsided(value):
        return value_text(value)
    unit = unit_text(value.unit)
    return (f"{value_text(value, expanded=False)}{unit}"
            f" (95 % interval {interval_text(value)}{unit})")


def _without_laser(values: Mapping[str, Value]) -> str:
    shares = [
        (values["scissor_area_fraction"].value or 0.0, "cut by scissors"),
        (values["torn_area_fraction"].value or 0.0, "torn"),
        (values["obscured_area_fraction"].value or 0.0, "obscured"),
    ]
    parts = [
        f"{share * 100:.0f} % of its area {word}" for share, word in sorted(shares, reverse=True)
        if share > _MINOR
    ]
    if not parts:
        return "no zones could be told."
    return f"no laser zone was found; {', '.join(parts)}."


def _reasons(flags: Sequence[FlagEntry], severity: str) -> str:
    """Sentences of the flags that decide the verdict, the first two of them."""
    deciding = [flag.sentence for flag in flags if flag.severity == severity]
    more = f" And {len(deciding) - 2} more, below." if len(deciding) > 2 else ""
    return " ".join(deciding[:2]) + more


def specimen_answer(answers: Sequence[str], failed: Sequence[str]) -> str:
    """Return the answer for the specimen: its faces' answers, and what could not be examined."""
    said = list(answers)
    if failed:
        count = "1 picture" if len(failed) == 1 else f"{len(failed)} pictures"
        said.append(f"{count} gave no result: {'; '.join(failed)}.")
    return " ".join(said) if said else "No cut face was found in any picture."


ZONE_WORDS: Mapping[int, str] = {
    LASER: "cut by laser", SCISSOR: "cut by scissors", TORN: "torn", OBSCURED: "obscured",
}
"""What each zone is called in a sentence."""
