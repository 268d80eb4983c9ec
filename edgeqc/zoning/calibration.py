"""How far a zone map can be trusted: diagnostics, and what they meant on phantoms kept apart."""

from __future__ import annotations

import json
import math
from dataclasses import astuple, dataclass, fields
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import BorderEvidence
from edgeqc.zoning.contrast import ContrastPartition
from edgeqc.zoning.naming import LEAST_SHARE, Naming

CALIBRATION_FILE = "zone_calibration.json"
RECORD_NAMES = ("centre", "scale", "risk", "depth_risk", "unfamiliar", "log_u", "log_u_sure")
SURE_DEPTH_RISK = 0.05
"""Risk of a wrong depth up to which a depth's doubt is calibrated by itself: among the others a few
that are off by far would make every interval wide."""


@dataclass(frozen=True)
class Diagnostics:
    """Figures that tell a sure zone map from a guessed one.

    Parameters
    ----------
    clash : float
        Mean probability that the cells, each taken by itself, give to other names than the
        partition gives them.
    worst_clash : float
        The same for the zone that fares worst (zones of at least 3 % of the face).
    doubt : float
        Mean entropy of the cells' names after partition, in bits.
    net_doubt : float
        The same before partition.
    dispute : float
        Distance of the two estimators' mean depths, as a fraction of the thickness.
    separation : float
        Bhattacharyya distance of the textures either side of the second estimator's border.
    gain : float
        Log-likelihood per cell that the second estimator gained by telling two textures apart.
    u_posterior : float
        Standard deviation of the mean depth over the posterior's draws.
    spread : float
        Mean standard deviation of the border within its chord, as a fraction of the thickness.
    depth : float
        Mean depth fraction over the chords that have a laser zone.
    coarse : float
        Picture pixels per plane sample, as log2, below 0 only (a face of few pixels).
    region_clash, region_doubt : float
        Probability that network and region model together give to other names than the ones
        given: of the zone that fares worst, and the mean over the face's area.
    margin : float
        Least gap, over the zones, between the network's mean probability of the name given and
        of the next.
    least_share : float
        Area share of the smallest zone found (of at least 0.3 %): a thin strip may be a rim.
    net_rival, region_rival : float
        What the network, and the region model, by itself gives to another kind of residual.
    through : float
        1 where all but 1.5 % of the face is laser zone: the question is then whether a thin
        strip was missed, and other figures tell it.
    no_laser : float
        1 where no chord has a laser zone.
    unclaimed_through, unclaimed_along : float
        Borders that the network expects where none is drawn: a chord, and a row.
    strange_laser, strange_residual : float
        Mean probability, by the network, that the look is of no particular origin: of the laser
        zone, and of the residual (the stranger of scissor and torn); of the whole face where
        there is none.
    torn_alone : float
        1 where the residual is called torn and nothing else.
    """

    clash: float
    worst_clash: float
    doubt: float
    net_doubt: float
    dispute: float
    separation: float
    gain: float
    u_posterior: float
    spread: float
    depth: float
    coarse: float
    region_clash: float
    region_doubt: float
    margin: float
    least_share: float
    net_rival: float
    region_rival: float
    through: float
    no_laser: float
    unclaimed_through: float
    unclaimed_along: float
    strange_laser: float
    strange_residual: float
    torn_alone: float


def _entropy(probability: FloatArray) -> FloatArray:
    p = np.clip(probability, 1e-9, 1.0)
    return np.asarray(-(p * np.log2(p)).sum(axis=0))


def diagnose(
    net: FloatArray,
    naming: Naming,
    depth: FloatArray,
    second: ContrastPartition,
    *,
    borders: BorderEvidence,
    nameless: FloatArray,
    sample_px: float,
) -> Diagnostics:
    """Return the diagnostics of one face's zone map.

    Parameters
    ----------
    net : (4, n_t, n_s) float array
        Probability of laser, scissor, torn, obscured, each cell by itself.
    naming : Naming
        The ordered partition with its zones named as wholes.
    depth : (n_s,) float array
        Border along the face, as a fraction of the thickness; 0 where there is no laser zone.
    second : ContrastPartition
        The second estimator.
    borders : BorderEvidence
        Where the network sees textures end.
    nameless : (n_t, n_s) float array
        Probability that a cell's look is of no particular origin.
    sample_px : float
        Picture pixels per plane sample.
    """
    part = naming.partition
    seen = 1 - net[3]
    total = max(float(seen.sum()), 1e-9)
    named = net[:3] / np.maximum(net[:3].sum(axis=0), 1e-9)
    against = 1 - (named * part.cell).sum(axis=0)
    worst = 0.0
    winner = part.cell.argmax(axis=0)
    for zone in range(3):
        here = (winner == zone) * seen
        if here.sum() > 0.03 * total:
            worst = max(worst, float((against * here).sum() / here.sum()))
    n_states = part.state.shape[2]
    border = part.state.sum(axis=1)
    level = np.arange(n_states) / (n_states - 1)
    variance = border @ level**2 - (border @ level) ** 2
    lasered = depth > 0
    mean = float(depth[lasered].mean()) if lasered.any() else 0.0
    draws = part.draws / (n_states - 1)
    means = draws[:, lasered].mean(axis=1) if lasered.any() else np.zeros(1)
    return Diagnostics(
        clash=float((against * seen).sum() / total),
        worst_clash=worst,
        doubt=float((_entropy(part.cell) * seen).sum() / total),
        net_doubt=float((_entropy(named) * seen).sum() / total),
        dispute=abs(float(second.depth.mean()) - float(depth.mean())),
        separation=second.separation,
        gain=second.gain,
        u_posterior=float(means.std()),
        spread=float(np.sqrt(np.maximum(variance, 0)).mean()),
        depth=mean,
        coarse=min(0.0, math.log2(max(sample_px, 1e-3))),
        region_clash=naming.worst_against,
        region_doubt=naming.mean_against,
        margin=naming.least_margin,
        least_share=_least_share(winner),
        net_rival=naming.net_rival,
        region_rival=naming.region_rival,
        through=float((winner == 0).mean() > _THROUGH),
        no_laser=float(not lasered.any()),
        **_unclaimed(winner, borders),
        **_strangeness(winner, nameless),
    )


def _strangeness(winner: NDArray[np.intp], nameless: FloatArray) -> dict[str, float]:
    """Return how strange the looks of laser zone and residual are, and what the residual is."""
    zones = [winner == zone for zone in range(3)]
    there = [float(zone.mean()) >= LEAST_SHARE for zone in zones]
    strange = [
        float(nameless[zone].mean()) if found else -1.0
        for zone, found in zip(zones, there, strict=True)
    ]
    whole = float(nameless.mean())
    return {
        "strange_laser": strange[0] if there[0] else whole,
        "strange_residual": max(strange[1:]) if any(there[1:]) else whole,
        "torn_alone": float(there[2] and not there[1]),
    }


_BORDER_REACH = 5  # cells; a border and what speaks for it lie no further apart


def _unclaimed(winner: NDArray[np.intp], borders: BorderEvidence) -> dict[str, float]:
    """Return how many borders are seen where none is drawn: in a chord, and in a row."""
    found = {}
    for axis, odds in ((0, borders.through[1:-1]), (1, borders.along)):
        drawn = np.diff(winner, axis=axis) != 0
        elsewhere = ~maximum_filter1d(drawn, _BORDER_REACH, axis=axis) / (1 + np.exp(-odds))
        name = ("unclaimed_through", "unclaimed_along")[axis]
        found[name] = float(elsewhere.sum(axis=axis).mean())
    return found


_LEAST_FOUND = 0.003
_THROUGH = 0.985  # area share of the laser zone from which the cut counts as through


def _least_share(winner: NDArray[np.intp]) -> float:
    shares = [float((winner == zone).mean()) for zone in range(3)]
    return min(share for share in shares if share >= _LEAST_FOUND)


_SKEWED = (
    "clash", "worst_clash", "doubt", "net_doubt", "dispute", "u_posterior", "spread",
    "region_clash", "region_doubt", "least_share", "unclaimed_through", "unclaimed_along",
    "strange_laser", "strange_residual",
)  # fmt: skip
DIAGNOSTIC_NAMES = tuple(each.name for each in fields(Diagnostics))


_THROUGH_TOO = (
    "clash", "worst_clash", "doubt", "net_doubt", "dispute", "separation", "u_posterior", "spread",
    "coarse", "region_clash", "region_doubt", "margin", "net_rival", "region_rival",
    "unclaimed_through", "unclaimed_along",
)  # fmt: skip
_TORN_TOO = (
    "clash", "worst_clash", "net_doubt", "separation", "region_clash", "region_doubt", "margin",
    "net_rival", "region_rival", "strange_laser", "strange_residual",
)  # fmt: skip
VECTOR_NAMES = (
    *DIAGNOSTIC_NAMES,
    *(f"through x {name}" for name in _THROUGH_TOO),
    *(f"torn_alone x {name}" for name in _TORN_TOO),
)
"""What the calibration weighs: the diagnostics, and some once more for cuts that go through and for
residuals called torn alone."""


def diagnostic_vector(found: Diagnostics) -> FloatArray:
    """Return the figures named by ``VECTOR_NAMES``: (n,) with skewed ones as logarithms."""
    values = dict(zip(DIAGNOSTIC_NAMES, astuple(found), strict=True))
    for name in _SKEWED:
        values[name] = math.log(values[name] + 1e-3)
    for name in ("separation", "gain"):
        values[name] = math.log(max(values[name], 0.0) + 0.05)
    for name in ("net_rival", "region_rival"):
        values[name] = math.log(values[name] + 0.01)
    again = [values["through"] * values[name] for name in _THROUGH_TOO]
    again += [values["torn_alone"] * values[name] for name in _TORN_TOO]
    return np.array([values[name] for name in DIAGNOSTIC_NAMES] + again)


@lru_cache(maxsize=1)
def _calibration() -> dict[str, FloatArray]:
    text = files("edgeqc").joinpath("zoning", CALIBRATION_FILE).read_text("utf-8")
    stored = json.loads(text)
    return {name: np.asarray(stored[name], float) for name in RECORD_NAMES}


def _standardised(found: Diagnostics) -> FloatArray:
    held = _calibration()
    vector = (diagnostic_vector(found) - held["centre"]) / held["scale"]
    return np.concatenate([[1.0], np.clip(vector, -4, 4)])


@dataclass(frozen=True)
class Risks:
    """Risks, 0..1, of one face.

    Parameters
    ----------
    zones : float
        That the zones are wrong: Dice below 0.8, or the depth wrong.
    depth : float
        That the mean depth is off by more than 0.05 of the thickness; a laser zone where there is
        none, or none where there is one, counts as well, names of residuals do not.
    unfamiliar : float
        That the looks are none that the models know: of phantoms as drawn or filled anew, a face
        like this one was filled with textures of no particular origin.
    """

    zones: float
    depth: float
    unfamiliar: float


def zone_risks(found: Diagnostics) -> Risks:
    """Return the risks that the zones and the depth are wrong, and that the looks are unknown.

    Notes
    -----
    Logistic regressions on the diagnostics of phantoms and texture-filled faces that neither
    network was fitted on (J. R. Stat. Soc. B 1958, 20:215).
    """
    held, vector = _calibration(), _standardised(found)
    logits = [float(vector @ held[name]) for name in ("risk", "depth_risk", "unfamiliar")]
    zones, depth, unfamiliar = 1.0 / (1.0 + np.exp(-np.clip(logits, -50, 50)))
    return Risks(float(zones), float(depth), float(unfamiliar))


def depth_doubt(found: Diagnostics) -> float:
    """Return the standard uncertainty of the mean depth fraction, from the same calibration.

    Notes
    -----
    The logarithm of the absolute depth error of faces kept apart was regressed on the
    diagnostics, and the result scaled so that twice it covers 95 % of them (split conformal
    calibration: J. Am. Stat. Assoc. 2018, 113:1094), by itself for depths at a risk up to
    ``SURE_DEPTH_RISK`` (calibration within categories: V. Vovk, A. Gammerman, G. Shafer,
    Algorithmic Learning in a Random World, Springer 2005, section 4.5; section from memory).
    """
    held, vector = _calibration(), _standardised(found)
    log_u = float(vector @ held["log_u"])
    if zone_risks(found).depth <= SURE_DEPTH_RISK:
        log_u += float(held["log_u_sure"])
    return math.exp(max(math.log(1e-3), min(math.log(0.5), log_u)))
