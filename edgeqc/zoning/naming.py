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
_CONTRADICTED_SHARE = 0.05  # a smaller zone has too little texture to speak against the sheet
_NETWORK_WEIGHT = 0.75
"""Power of the network's mean probability in the joint opinion; the region model's has 1. Between
0.5 and 1 regions of phantoms kept apart were named alike, and better than by either alone."""


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
        each by itself gives to another kind of residual than its likeliest; for the network also
        over strips below the laser that share their zone with a stretch of the whole thickness.
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


def _renamed(part: Partition, to: FloatArray) -> Partition:
    """Exchange the kinds of residual by chord: ``to[kind]`` is the new kind of each old one."""
    state = np.zeros_like(part.state)
    cell = part.cell.copy()
    cell[1:] = 0.0
    old_rows = {0: 2, 1: 1}  # kind torn stands in row 2 of the cells, scissor in row 1
    for kind in (0, 1):
        state[:, int(to[kind])] += part.state[:, kind]
        cell[old_rows[int(to[kind])]] += part.cell[old_rows[kind]]
    kinds = to.astype(np.int8)[part.draw_kinds]
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


def _joint(region: FloatArray, network: FloatArray) -> FloatArray:
    """Return the logarithmic pool of two opinions (Stat. Sci. 1986, 1:114)."""
    power = (region + 1e-4) * (network + 1e-3) ** _NETWORK_WEIGHT
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


def _strip_rival(
    labels: NDArray[np.intp], named: FloatArray, zone: int, weights: FloatArray
) -> float:
    """Return what the network gives against a strip below the laser that shares its zone's name.

    A stretch of one kind through the whole thickness has the larger part of the zone, and would
    lend its name to a thin strip beside it whose own texture says otherwise.
    """
    lasered = (labels == 0).any(axis=0)
    below, beside = (labels == zone) & lasered, (labels == zone) & ~lasered
    if zone == 0 or min(below.mean(), beside.mean()) < LEAST_SHARE:
        return 0.0
    strip = _weighed(named[:, below].mean(axis=1), weights)
    stretch = named[1:, beside].mean(axis=1)
    return 1 - float(strip[1 + int(stretch.argmax())] / max(float(strip[1:].sum()), 1e-9))


@dataclass(frozen=True)
class _Opinions:
    """What is thought of each zone, by zone: share of the face, joint opinion, the network's."""

    shares: list[float]
    joint: dict[int, FloatArray]
    network: dict[int, FloatArray]
    net_rival: float
    region_rival: float
    contradiction: float


def _opinions(
    unrolled: UnrolledFace, part: Partition, net: FloatArray, *, taught: bool, weights: FloatArray
) -> _Opinions:
    labels = part.cell.argmax(axis=0)
    named = net[:3] / np.maximum(net[:3].sum(axis=0), 1e-9)
    shares = [float((labels == zone).mean()) for zone in range(3)]
    joints: dict[int, FloatArray] = {}
    networks: dict[int, FloatArray] = {}
    rivals, contradiction = [(0.0, 0.0)], 0.0
    for zone in (z for z in range(3) if shares[z] >= LEAST_SHARE):
        inside = labels == zone
        network = named[:, inside].mean(axis=1)
        region = network if taught else region_names(region_features(unrolled, inside))
        joint = network if taught else _joint(region, network)
        whole = shares[zone] >= _WHOLE
        if zone != 0 or whole:  # a laser zone with something below it needs no name
            if shares[zone] >= _CONTRADICTED_SHARE:
                contradiction = max(contradiction, float(joint[weights < 1].sum()))
            joint, network, region = (_weighed(each, weights) for each in (joint, network, region))
            rivals.append((_rival(network, whole), _rival(region, whole)))
            rivals.append((_strip_rival(labels, named, zone, weights), 0.0))
        joints[zone], networks[zone] = joint, network
    net_rival, region_rival = (max(each) for each in zip(*rivals, strict=True))
    return _Opinions(shares, joints, networks, net_rival, region_rival, contradiction)


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
    found = _opinions(unrolled, part, net, taught=taught, weights=sheet_weights(freed_by))
    shares, opinions = found.shares, found.joint
    given = {zone: zone for zone in opinions}
    for zone, joint in opinions.items():
        if shares[zone] >= _WHOLE:
            given[zone] = int(joint.argmax())
        elif zone != 0:
            given[zone] = 1 + int(joint[1:].argmax())
    changed = part
    whole = next((zone for zone in opinions if shares[zone] >= _WHOLE), None)
    if whole is not None and given[whole] != whole:
        changed = _as_whole(part, given[whole], float(opinions[whole][given[whole]]))
    elif whole is None:
        to = np.array([2 - given.get(2, 2), 2 - given.get(1, 1)])
        if to.tolist() != [0, 1]:
            changed = _renamed(part, to)
    against = {zone: 1 - float(opinions[zone][given[zone]]) for zone in opinions}
    weight = sum(shares[zone] for zone in opinions) or 1.0
    margins = [
        float(network[given[zone]] - np.delete(network, given[zone]).max())
        for zone, network in found.network.items()
    ]
    return Naming(
        changed,
        max(against.values(), default=1.0),
        sum(against[zone] * shares[zone] for zone in opinions) / weight,
        min(margins, default=0.0),
        sum(shares[zone] * np.log(1.001 - against[zone]) for zone in opinions) / weight,
        found.net_rival,
        found.region_rival,
        found.contradiction,
    )
