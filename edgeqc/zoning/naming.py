"""Names of the zones as wholes: the network's and the region model's, weighed together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.zoning.partition import Partition
from edgeqc.zoning.region import UnrolledFace, region_features, region_names

LEAST_SHARE = 0.01
"""Share of the face from which a zone is named as a whole; less has no texture to speak of."""
_WHOLE = 0.97  # share from which one zone is the whole face, and laser, scissor, torn all possible
SHEET_ODDS = 10.0
"""Odds that the sheet is right on how a fragment was freed (common practice, no source: a sheet is
wrong on some rows, and a fragment cut free may still tear for a stretch)."""
_STRETCH_WEIGHTS = np.array([1.0, 1.0, 0.2])
"""Of laser, scissor and torn in a stretch of the whole thickness beside a laser zone: blades reach
through where the laser left nothing to tear along (common practice, no source)."""
_CONTRADICTED_SHARE = 0.05  # a smaller zone has too little texture to speak against the sheet
_NETWORK_WEIGHT = 0.75
"""Power of the network's mean probability in the joint opinion; the region model's has 1. Between
0.5 and 1 regions of phantoms kept apart were named alike, and better than by either alone."""
_WHOLE_REGION_WEIGHT = 0.5
_WHOLE_WEIGHTS = np.array([0.6, 1.0, 1.0])
"""Of a face of one texture: power of the region model, and weights of laser, scissor and torn. Half
of the regions that this model learned from were laser zones, and it calls most whole faces so; of
163 phantoms of one texture 71 % were named right with these, 63 % without."""


@dataclass(frozen=True)
class Naming:
    """The partition with its zones named as wholes.

    Parameters
    ----------
    partition : Partition
        The partition, renamed where both opinions together say so.
    worst_against, mean_against : float
        Probability that network and region model together give to other names than the ones
        given: of the zone that fares worst, and the mean weighted by area.
    least_margin : float
        Least gap between the network's mean probability of the name given and of the next.
    log_opinion : float
        Mean over the face's area of the log-probability that both together give the names.
    net_rival, region_rival : float
        Largest probability, over the residual's zones, that the network, and the region model,
        each by itself gives to another kind of residual than its likeliest. A strip below the
        laser and a stretch of the whole thickness count apart.
    contradiction : float
        Largest probability that the textures alone give to the kind of residual that the sheet
        speaks against; 0 where the sheet says nothing.
    """

    partition: Partition
    worst_against: float
    mean_against: float
    least_margin: float
    log_opinion: float
    net_rival: float
    region_rival: float
    contradiction: float = 0.0


def _renamed(part: Partition, to: NDArray[np.int8]) -> Partition:
    """Exchange the kinds of residual: ``to[kind, chord]`` is the new kind of each old one."""
    state = np.zeros_like(part.state)
    cell = part.cell.copy()
    cell[1:] = 0.0
    chords = np.arange(to.shape[1])
    for kind in (0, 1):
        for new in (0, 1):
            here = chords[to[kind] == new]
            state[here, new] += part.state[here, kind]
            # kind torn stands in row 2 of the cells, scissor in row 1
            cell[2 - new][:, here] += part.cell[2 - kind][:, here]
    kinds = to[part.draw_kinds, chords[None, :]]
    return replace(part, state=state, cell=cell, draw_kinds=kinds)


def _as_whole(part: Partition, name: int, sure: float) -> Partition:
    """Return the partition of a face that is one zone throughout, with the doubt it leaves."""
    state, draws = np.zeros_like(part.state), np.zeros_like(part.draws)
    cell = np.full_like(part.cell, (1 - sure) / 2)
    cell[name] = sure
    kinds = np.zeros_like(part.draw_kinds)
    if name == 0:
        state[:, 0, -1] = 1.0
        draws[:] = part.state.shape[2] - 1
    else:
        kind = 1 if name == 1 else 0
        state[:, kind, 0] = 1.0
        kinds[:] = kind
    return replace(part, state=state, cell=cell, draws=draws, draw_kinds=kinds)


def _joint(region: FloatArray, network: FloatArray, whole: bool) -> FloatArray:
    """Return the logarithmic pool of two opinions (Stat. Sci. 1986, 1:114)."""
    power = (network + 1e-3) ** _NETWORK_WEIGHT
    if whole:
        power = power * (region + 1e-4) ** _WHOLE_REGION_WEIGHT * _WHOLE_WEIGHTS
    else:
        power = power * (region + 1e-4)
    return np.asarray(power / power.sum())


def _rival(opinion: FloatArray, whole: bool) -> float:
    """Return what an opinion gives to all but the likeliest of the names that anatomy allows."""
    allowed = opinion if whole else opinion[1:]
    return 1 - float(allowed.max() / max(float(allowed.sum()), 1e-9))


def sheet_weights(freed_by: str) -> FloatArray:
    """Return the weights of laser, scissor and torn by how the sheet says the piece was freed.

    Parameters
    ----------
    freed_by : str
        ``scissors`` or ``traction``; anything else tells nothing.
    """
    against = {"scissors": 2, "traction": 1}.get(freed_by)
    weights = np.ones(3)
    if against is not None:
        weights[against] = 1 / SHEET_ODDS
    return weights


def _weighed(opinion: FloatArray, weights: FloatArray) -> FloatArray:
    return np.asarray(opinion * weights / max(float((opinion * weights).sum()), 1e-12))


@dataclass(frozen=True)
class _Part:
    """A zone, or a stretch or strip of it that stands by itself, and what is thought of it.

    A residual's strip below the laser and its stretch of the whole thickness may have come about
    in different ways: each has a name of its own. ``code`` is the zone's code in the cells,
    ``chords`` says where along the face it lies.
    """

    code: int
    chords: NDArray[np.bool_]
    share: float
    joint: FloatArray
    network: FloatArray
    net_rival: float = 0.0
    region_rival: float = 0.0
    contradiction: float = 0.0

    @property
    def whole(self) -> bool:
        """Whether it is all of the face."""
        return self.share >= _WHOLE

    @property
    def given(self) -> int:
        """The name that the opinions give: what stands above a residual is laser by anatomy."""
        if self.whole:
            return int(self.joint.argmax())
        return 1 + int(self.joint[1:].argmax()) if self.code else 0

    @property
    def against(self) -> float:
        """Probability of other names than the one given."""
        return 1 - float(self.joint[self.given])


def _places(labels: NDArray[np.intp]) -> list[tuple[int, NDArray[np.bool_], bool]]:
    """Return the zones' codes, residuals apart by whether a laser zone stands above them.

    With each, the chords where it is looked at, and whether it is a stretch of the whole
    thickness beside a laser zone.
    """
    lasered = (labels == 0).any(axis=0)
    everywhere = np.ones_like(lasered)
    found = []
    for code in range(3):
        inside = labels == code
        if inside.mean() < LEAST_SHARE:
            continue
        below, beside = float((inside & lasered).mean()), float((inside & ~lasered).mean())
        if code and min(below, beside) >= LEAST_SHARE:
            found += [(code, lasered, False), (code, ~lasered, True)]
        else:
            found.append((code, everywhere, bool(lasered.any() and beside > below)))
    return found


def _opinions(
    unrolled: UnrolledFace, part: Partition, net: FloatArray, *, taught: bool, weights: FloatArray
) -> list[_Part]:
    labels = part.cell.argmax(axis=0)
    named = net[:3] / np.maximum(net[:3].sum(axis=0), 1e-9)
    found = []
    for code, chords, beside in _places(labels):
        inside = (labels == code) & chords
        share = float(inside.mean())
        network = named[:, inside].mean(axis=1)
        region = network if taught else region_names(region_features(unrolled, inside))
        whole = share >= _WHOLE
        joint = network if taught else _joint(region, network, whole)
        if code == 0 and not whole:  # a laser zone with something below it needs no name
            found.append(_Part(code, chords, share, joint, network))
            continue
        against = float(joint[weights < 1].sum()) if share >= _CONTRADICTED_SHARE else 0.0
        weighing = weights * _STRETCH_WEIGHTS if beside else weights
        joint, network, region = (_weighed(each, weighing) for each in (joint, network, region))
        rivals = _rival(network, whole), _rival(region, whole)
        found.append(_Part(code, chords, share, joint, network, *rivals, against))
    return found


def name_regions(
    unrolled: UnrolledFace,
    part: Partition,
    net: FloatArray,
    *,
    taught: bool = False,
    freed_by: str = "",
) -> Naming:
    """Return the partition with its zones named as wholes.

    Parameters
    ----------
    unrolled : UnrolledFace
        The face.
    part : Partition
        The ordered partition, named cell by cell.
    net : (4, n_t, n_s) float array
        The network's class probabilities.
    taught : bool
        Whether ``net`` comes from a laboratory's own model: the region model, which knows the
        shipped looks only, then has no say.
    freed_by : str
        How the sheet says that the piece was freed: ``scissors``, ``traction``, or else.

    Returns
    -------
    Naming

    Notes
    -----
    Anatomy settles the laser zone wherever something lies below it; what is named anew is the
    residual (torn or scissor), and a face that is one zone throughout (any of the three).
    """
    parts = _opinions(unrolled, part, net, taught=taught, weights=sheet_weights(freed_by))
    changed = part
    whole = next((each for each in parts if each.whole), None)
    if whole is not None and whole.given != whole.code:
        changed = _as_whole(part, whole.given, float(whole.joint[whole.given]))
    elif whole is None:
        to = np.repeat(np.array([[0], [1]], np.int8), part.state.shape[0], axis=1)
        for each in (each for each in parts if each.code):
            to[2 - each.code, each.chords] = 2 - each.given
        if (to != np.array([[0], [1]])).any():
            changed = _renamed(part, to)
    weight = sum(each.share for each in parts) or 1.0
    margins = [
        float(each.network[each.given] - np.delete(each.network, each.given).max())
        for each in parts
    ]
    return Naming(
        changed,
        max((each.against for each in parts), default=1.0),
        sum(each.against * each.share for each in parts) / weight,
        min(margins, default=0.0),
        sum(each.share * np.log(1.001 - each.against) for each in parts) / weight,
        max((each.net_rival for each in parts), default=0.0),
        max((each.region_rival for each in parts), default=0.0),
        max((each.contradiction for each in parts), default=0.0),
    )
