"""The known-answer check as a page to file, a table, and a line for a control chart."""

from __future__ import annotations

import csv
import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import edgeqc
from edgeqc.known_answer import (
    FAR_OFF,
    CheckedPhantom,
    OwnSettings,
    check_phantoms,
    settings_of,
)
from edgeqc.protocol import Protocol, read_protocol
from edgeqc.report.tables import cell, write_table
from edgeqc.specimen_sheet import Sheet, read_sheet
from edgeqc.typesetting import typeset_pdf
from edgeqc.zoning.model import model_identifier

_TEMPLATE = Path(__file__).parent / "report" / "templates" / "check.typ"
_Z = 1.959964  # two-sided 95 % quantile of the normal distribution


@dataclass(frozen=True)
class CheckSummary:
    """What a check amounts to, over the faces whose depth stands.

    These are the faces called measured, and those with no other doubt than whether the residual
    was torn or cut.

    Parameters
    ----------
    phantoms, measured, review, lost : int
        How many; how many faces were measured, sent to review, rejected or not found.
    depth_bias, depth_sd, depth_largest : float
        Mean, standard deviation and largest size of the depth error.
    depth_covered, depth_n : int
        Truths inside the stated 95 % interval, out of how many.
    thickness_bias, thickness_sd : float
        Mean and standard deviation of the relative thickness error.
    thickness_covered, thickness_n : int
        As for the depth.
    dice_median : float
        Median of the mean overlap of the zones, over the faces called measured.
    far_off : int
        Faces whose depth stands and is off by more than ``FAR_OFF``.
    depth_stands : int
        Faces whose depth stands.
    """

    phantoms: int
    measured: int
    review: int
    lost: int
    depth_bias: float
    depth_sd: float
    depth_largest: float
    depth_covered: int
    depth_n: int
    thickness_bias: float
    thickness_sd: float
    thickness_covered: int
    thickness_n: int
    dice_median: float
    far_off: int
    depth_stands: int


def summarise(checked: Sequence[CheckedPhantom]) -> CheckSummary:
    """Return the summary of a check."""
    good = [item for item in checked if item.verdict == "measured"]
    sound = [item for item in checked if item.depth_stands]
    depth = [item for item in sound if math.isfinite(item.depth_error)]
    thick = [item for item in sound if math.isfinite(item.thickness_error)]
    errors = np.array([item.depth_error for item in depth])
    shares = np.array([item.thickness_error for item in thick])
    dice = [item.dice for item in good if math.isfinite(item.dice)]
    return CheckSummary(
        phantoms=len(checked), measured=len(good),
        review=sum(item.verdict == "review" for item in checked),
        lost=sum(item.verdict in ("rejected", "no face") for item in checked),
        depth_bias=_mean(errors), depth_sd=_sd(errors),
        depth_largest=float(np.abs(errors).max(initial=0.0)) if errors.size else math.nan,
        depth_covered=sum(_covers(item.depth, item.true_depth) for item in depth),
        depth_n=len(depth),
        thickness_bias=_mean(shares), thickness_sd=_sd(shares),
        thickness_covered=sum(_covers(item.thickness_um, item.true_thickness_um)
                              for item in thick),
        thickness_n=len(thick),
        dice_median=float(np.median(dice)) if dice else math.nan,
        far_off=int(np.count_nonzero(np.abs(errors) > FAR_OFF)),
        depth_stands=len(sound),
    )


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else math.nan


def _sd(values: np.ndarray) -> float:
    return float(values.std(ddof=1)) if values.size > 1 else math.nan


def _covers(value: object, truth: float) -> bool:
    low, high = value.interval  # type: ignore[attr-defined]
    return bool(low <= truth <= high)


def share_interval(hits: int, n: int) -> tuple[float, float]:
    """Return the 95 % interval of a share by the score method; (0, 1) without a case.

    References
    ----------
    J. Am. Stat. Assoc. 1927, 22:209 (score interval).
    """
    if n == 0:
        return 0.0, 1.0
    share, scale = hits / n, 1 + _Z * _Z / n
    middle = (share + _Z * _Z / (2 * n)) / scale
    half = _Z / scale * math.sqrt(share * (1 - share) / n + _Z * _Z / (4 * n * n))
    return max(0.0, middle - half), min(1.0, middle + half)


def write_check(
    checked: Sequence[CheckedPhantom],
    out: Path,
    protocol: Protocol,
    *,
    like: OwnSettings,
    seed: int,
    issued: datetime,
) -> CheckSummary:
    """Write ``check.pdf``, ``check.csv``, and a line of ``control.csv``; return the summary.

    Parameters
    ----------
    checked : sequence of CheckedPhantom
        The phantoms.
    out : Path
        Folder; made where it is missing. ``control.csv`` grows by a line with every check.
    protocol : Protocol
        Specimen protocol in force.
    like : OwnSettings
        What the phantoms were like.
    seed : int
        Seed of the recipes.
    issued : datetime
        When.
    """
    out.mkdir(parents=True, exist_ok=True)
    summary = summarise(checked)
    write_table(out / "check.csv", _COLUMNS, [_row(item) for item in checked])
    when = issued.replace(microsecond=0)
    _append_control(out / "control.csv", summary, protocol, seed, when)
    content = _content(checked, summary, protocol, like, seed, when)
    pdf, _ = typeset_pdf(
        _TEMPLATE, content, {"errors.svg": _figure(checked).encode()}, issued=when)
    (out / "check.pdf").write_bytes(pdf)
    return summary


def run_check(
    count: int,
    out: Path,
    *,
    seed: int = 0,
    like: Path | None = None,
    sheet: Path | None = None,
    protocol: Path | None = None,
) -> str:
    """Check fresh phantoms, write the results, and return the answer in a sentence.

    Parameters
    ----------
    count : int
        How many phantoms.
    out : Path
        Folder of the results.
    seed : int
        Seed of the recipes.
    like : Path, optional
        Folder of pictures whose settings the phantoms take.
    sheet, protocol : Path, optional
        That folder's specimen sheet (``specimens.csv`` in it by default), and the specimen
        protocol.
    """
    settings = read_protocol(protocol, kind="specimen")
    own = OwnSettings()
    if like is not None:
        beside = like / "specimens.csv"
        named = sheet or (beside if beside.is_file() else None)
        own = settings_of(like, Sheet() if named is None else read_sheet(named), settings)
    checked = check_phantoms(count, settings, seed=seed, like=own)
    summary = write_check(
        checked, out, settings, like=own, seed=seed, issued=datetime.now(UTC))
    return _answer(summary)


_COLUMNS = ("number", "family", "verdict", "verdict_without_residual", "true_depth", "depth",
            "u_depth", "depth_low", "depth_high", "depth_error", "true_thickness_um",
            "thickness_um", "u_thickness_um", "thickness_error", "dice")


def _row(item: CheckedPhantom) -> dict[str, object]:
    row: dict[str, object] = {
        "number": item.number, "family": item.family, "verdict": item.verdict,
        "verdict_without_residual": item.verdict_without_residual or item.verdict,
        "true_depth": item.true_depth, "true_thickness_um": item.true_thickness_um,
        "depth_error": item.depth_error, "thickness_error": item.thickness_error,
        "dice": item.dice,
    }
    if item.depth is not None:
        low, high = item.depth.interval
        row |= {"depth": item.depth.value, "u_depth": item.depth.u, "depth_low": low,
                "depth_high": high}
    if item.thickness_um is not None:
        row |= {"thickness_um": item.thickness_um.value, "u_thickness_um": item.thickness_um.u}
    return row


def _append_control(
    path: Path, summary: CheckSummary, protocol: Protocol, seed: int, when: datetime
) -> None:
    """Append a check's figures to the control record; the header is written once."""
    figures = {
        "when": when.isoformat(), "software": edgeqc.__version__, "model": model_identifier(),
        "protocol_sha256": protocol.sha256, "seed": seed, **dataclasses.asdict(summary)}
    new = not path.exists()
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(figures)
        writer.writerow([cell(value) for value in figures.values()])


_HELD_WORDS = {
    "pixel_size_um": "pixel size {:.4g} µm", "thickness_um": "thickness {:.4g} µm",
    "tilt_deg": "tilt {:.3g}°", "noise_sd": "noise {:.2g} of full scale (standard deviation)",
    "rows": "{} rows", "cols": "{} columns",
}  # fmt: skip


def _content(
    checked: Sequence[CheckedPhantom],
    summary: CheckSummary,
    protocol: Protocol,
    like: OwnSettings,
    seed: int,
    when: datetime,
) -> dict[str, object]:
    def coverage(hits: int, n: int) -> str:
        low, high = share_interval(hits, n)
        return f"{hits} of {n} ({100 * low:.0f} to {100 * high:.0f} %)" if n else "none"

    def number(value: float, form: str) -> str:
        return format(value, form).replace("%", " %") if math.isfinite(value) else "none"

    held = [_HELD_WORDS[name].format(value)
            for name, value in dataclasses.asdict(like).items() if value is not None]
    return {
        "title": "Known-answer check",
        "issued": when.strftime("%Y-%m-%d %H:%M %Z").strip(),
        "answer": _answer(summary),
        "rows": [
            ["Phantoms", str(summary.phantoms)],
            ["Measured", f"{summary.measured}"],
            ["For review", f"{summary.review}"],
            ["Depth stands: measured, or only the remainder's name in doubt",
             f"{summary.depth_stands}"],
            ["Rejected or not found", f"{summary.lost}"],
            ["Depth: mean error (bias)", number(summary.depth_bias, "+.4f")],
            ["Depth: standard deviation of the error", number(summary.depth_sd, ".4f")],
            ["Depth: largest error", number(summary.depth_largest, ".4f")],
            ["Depth: truth inside the stated 95 % interval",
             coverage(summary.depth_covered, summary.depth_n)],
            ["Thickness: mean relative error", number(summary.thickness_bias, "+.2%")],
            ["Thickness: its standard deviation", number(summary.thickness_sd, ".2%")],
            ["Thickness: truth inside the stated 95 % interval",
             coverage(summary.thickness_covered, summary.thickness_n)],
            ["Zones: median of the mean overlap", number(summary.dice_median, ".3f")],
            [f"Depth stands, and is off by more than {FAR_OFF:g}", str(summary.far_off)],
        ],
        "families": sorted({item.family for item in checked}),
        "settings": held or ["drawn at random over all settings"],
        "provenance": [
            ["Program", f"edgeqc {edgeqc.__version__}"], ["Zone model", model_identifier()],
            ["Protocol", f"{protocol.name}, version {protocol.version}"],
            ["Protocol hash", protocol.sha256], ["Seed", str(seed)]],
        "figure_alt": "Error of every depth that stands, with its stated interval.",
    }


def _answer(summary: CheckSummary) -> str:
    if summary.depth_n == 0:
        return (f"Of {summary.phantoms} phantoms none gave a depth that stands, so that nothing can"
                " be said about its error.")
    low, high = share_interval(summary.depth_covered, summary.depth_n)
    over, spread = "the one phantom", ""
    if summary.depth_n > 1:
        over = f"{summary.depth_n} phantoms"
        spread = f" on average, with a standard deviation of {summary.depth_sd:.4f}"
    return (
        f"Over {over} whose depth stands the cut depth was off by"
        f" {summary.depth_bias:+.4f}{spread};"
        f" {summary.depth_covered} of {summary.depth_n} truths"
        f" ({100 * low:.0f} to {100 * high:.0f} %) lay inside the stated 95 % interval."
        f" {summary.review} of {summary.phantoms} went to review,"
        f" {summary.depth_stands - summary.measured} of them for the remainder's name alone;"
        f" {summary.far_off} of the depths that stand were off by more than {FAR_OFF:g}.")


def _figure(checked: Sequence[CheckedPhantom]) -> str:
    """Draw the error of every depth that stands with its interval, in the order drawn."""
    shown = [item for item in checked if item.depth_stands and math.isfinite(item.depth_error)]
    reach = max([0.05, *(abs(item.depth_error) for item in shown)]) * 1.15
    left, right, middle, half = 60.0, 706.0, 90.0, 74.0
    parts = [f'<rect x="{left}" y="{middle - half}" width="{right - left}" height="{2 * half}"'
             ' fill="none" stroke="#222"/>',
             f'<line x1="{left}" y1="{middle}" x2="{right}" y2="{middle}" stroke="#222"/>']
    for tick in (-reach / 1.15, 0.0, reach / 1.15):
        at = middle - tick / reach * half
        parts.append(f'<text x="{left - 6}" y="{at + 4:.1f}" text-anchor="end">{tick:+.2f}</text>')
    for index, item in enumerate(shown):
        assert item.depth is not None
        col = left + (index + 0.5) / len(shown) * (right - left)
        low, high = (min(max((end - item.true_depth) / reach, -1), 1) * half
                     for end in item.depth.interval)
        at = middle - item.depth_error / reach * half
        hit = low <= 0 <= high
        parts.append(f'<line x1="{col:.1f}" y1="{middle - low:.1f}" x2="{col:.1f}"'
                     f' y2="{middle - high:.1f}" stroke="#222"/>')
        parts.append(f'<circle cx="{col:.1f}" cy="{at:.1f}" r="2.6"'
                     f' fill="{"#222" if hit else "#fff"}" stroke="#222"/>')
    parts.append(f'<text x="{(left + right) / 2}" y="{middle + half + 18}" text-anchor="middle">'
                 "depths that stand, in the order drawn; a hollow dot: truth outside the interval"
                 "</text>")
    return ('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 720 190" width="720"'
            ' height="190" font-family="Source Sans Pro, sans-serif" font-size="12"'
            f' fill="#222">{"".join(parts)}</svg>')
