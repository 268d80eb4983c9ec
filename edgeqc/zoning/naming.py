"""Names of the zones as wholes: the network's and the region model's, weighed together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import BorderEvidence
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
_RESIDUALS = (1, 2)  # codes of scissor and torn in the cells
_SEAM_REACH, _SEAM_LEAST = 4, 0.03
"""Cells about a change of the residual's kind in which a border is looked for, and its least
probability. Of 42 faces of three makers drawn with two kinds below the laser (seeds 82000000 to
84000307) 26 had one in truth; 16 of these lay below it, and none of the others. Of 38 phantoms
drawn with two in truth 6 lie below it."""
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


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a zone, or a part of it that stands by itself, lies.

    ``codes`` are its codes in the cells, ``chords`` says where along the face; ``beside`` is true
    for a stretch of the whole thickness beside a laser zone.
    """

    codes: tuple[int, ...]
    chords: NDArray[np.bool_]
    beside: bool

    def inside(self, labels: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return the cells of it."""
        return np.asarray(np.isin(labels, self.codes) & self.chords)


@dataclass(frozen=True)
class _Part:
    """A zone, or a stretch or strip of it that stands by itself, and what is thought of it.

    A residual's strip below the laser and its stretch of the whole thickness may have come about
    in different ways: each has a name of its own. ``place`` says where it lies.
    """

    place: _Place
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
        return 0 if self.place.codes == (0,) else 1 + int(self.joint[1:].argmax())

    @property
    def against(self) -> float:
        """Probability of other names than the one given."""
        return 1 - float(self.joint[self.given])


def _kinds(labels: NDArray[np.intp], chords: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the kind of residual, 1 or 2, that most of a chord's residual is; 0 elsewhere."""
    cut, torn = ((labels == code).sum(axis=0) for code in (1, 2))
    return np.where(chords & (cut + torn > 0), np.where(cut >= torn, 1, 2), 0)


def _seamless(labels: NDArray[np.intp], chords: NDArray[np.bool_], borders: BorderEvidence) -> bool:
    """Whether the residual changes its kind along the face, and nowhere a border is seen there."""
    kinds = _kinds(labels, chords)
    changes = np.flatnonzero((kinds[:-1] != kinds[1:]) & (kinds[:-1] > 0) & (kinds[1:] > 0))
    for chord in changes:
        rows = (labels[:, chord] > 0) | (labels[:, chord + 1] > 0)
        near = slice(max(0, chord - _SEAM_REACH), chord + _SEAM_REACH + 1)
        seen = 1 / (1 + np.exp(-borders.along[rows, near]))
        if seen.mean(axis=0).max() >= _SEAM_LEAST:
            return False
    return changes.size > 0


def _places(labels: NDArray[np.intp], borders: BorderEvidence | None) -> list[_Place]:
    """Return the zones' places, residuals apart by whether a laser zone stands above them.

    Kinds of residual between which no border is seen share one place: they are one texture.
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
            found += [_Place((code,), lasered, False), _Place((code,), ~lasered, True)]
        else:
            found.append(_Place((code,), everywhere, bool(lasered.any() and beside > below)))
    strips = [each for each in found if each.codes != (0,) and not each.beside]
    if borders is not None and len(strips) == len(_RESIDUALS):
        chords = strips[0].chords & strips[1].chords
        if _seamless(labels, chords, borders):
            others = [each for each in found if each not in strips]
            return [*others, _Place(_RESIDUALS, chords, False)]
    return found


def _opinions(
    unrolled: UnrolledFace,
    labels: NDArray[np.intp],
    net: FloatArray,
    places: list[_Place],
    *,
    taught: bool,
    weights: FloatArray,
) -> list[_Part]:
    named = net[:3] / np.maximum(net[:3].sum(axis=0), 1e-9)
    found = []
    for place in places:
        inside = place.inside(labels)
        share = float(inside.mean())
        network = named[:, inside].mean(axis=1)
        region = network if taught else region_names(region_features(unrolled, inside))
        whole = share >= _WHOLE
        joint = network if taught else _joint(region, network, whole)
        if place.codes == (0,) and not whole:  # with something below it a laser zone needs no name
            found.append(_Part(place, share, joint, network))
            continue
        against = float(joint[weights < 1].sum()) if share >= _CONTRADICTED_SHARE else 0.0
        weighing = weights * _STRETCH_WEIGHTS if place.beside else weights
        joint, network, region = (_weighed(each, weighing) for each in (joint, network, region))
        rivals = _rival(network, whole), _rival(region, whole)
        found.append(_Part(place, share, joint, network, *rivals, against))
    return found


def name_regions(
    unrolled: UnrolledFace,
    part: Partition,
    net: FloatArray,
    *,
    taught: bool = False,
    freed_by: str = "",
    borders: BorderEvidence | None = None,
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
    borders : BorderEvidence, optional
        Where textures are seen to end: kinds of residual without a border between them are one.

    Returns
    -------
    Naming

    Notes
    -----
    Anatomy settles the laser zone wherever something lies below it; what is named anew is the
    residual (torn or scissor), and a face that is one zone throughout (any of the three).
    """
    labels = part.cell.argmax(axis=0)
    places = _places(labels, borders)
    weights = sheet_weights(freed_by)
    parts = _opinions(unrolled, labels, net, places, taught=taught, weights=weights)
    changed = part
    whole = next((each for each in parts if each.whole), None)
    if whole is not None and (whole.given,) != whole.place.codes:
        changed = _as_whole(part, whole.given, float(whole.joint[whole.given]))
    elif whole is None:
        to = np.repeat(np.array([[0], [1]], np.int8), part.state.shape[0], axis=1)
        for each in parts:
            for code in set(each.place.codes) & set(_RESIDUALS):
                to[2 - code, each.place.chords] = 2 - each.given
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
