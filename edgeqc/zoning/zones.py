"""The zone map of a cut face."""

from __future__ import annotations

from dataclasses import astuple, dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace, Side
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import BorderEvidence
from edgeqc.zoning.calibration import Diagnostics, Risks, depth_doubt, diagnose, zone_risks
from edgeqc.zoning.contrast import contrast_partition, texture_planes
from edgeqc.zoning.grid import N_T, border_evidence, on_face
from edgeqc.zoning.model import TaughtHead, model_identifier, network_output
from edgeqc.zoning.naming import LEAST_SHARE, name_regions
from edgeqc.zoning.own_texture import refine_partition
from edgeqc.zoning.partition import Partition, PartitionSettings, face_moves, partition_face
from edgeqc.zoning.region import structure_ratio, unroll_for_regions
from edgeqc.zoning.texture import MARGIN, ROWS, face_planes

OUTSIDE, LASER, SCISSOR, TORN, OBSCURED = 0, 1, 2, 3, 4
LEAST_DEPTH = 0.06
"""Depth fraction from which a chord counts as lasered: the bright rim along the anterior edge looks
like a shallow cut, and beside a scissor stretch a few cells of it are named so."""
_CHORD_WEIGHT, _REGION_WEIGHT = 0.003, 1.0
"""How much a chord's evidence and the regions' mean log-probability say about the anterior side:
near the logistic fit (0.0022, 0.94) on 182 faces of three makers, of which a side said at 0.98 was
wrong in 1 of 30."""
ZONE_NAMES = {LASER: "laser", SCISSOR: "scissor", TORN: "torn", OBSCURED: "obscured"}


@dataclass(frozen=True)
class ZoneMap:
    """Zones on the unrolled face.

    Cell (i, j) lies at t = (i + 0.5)/n_t and at (j + 0.5)/n_s of the face's length
    (``CutFace.s_px``).

    Parameters
    ----------
    labels : (n_t, n_s) uint8 array
        1 laser, 2 scissor, 3 torn, 4 obscured.
    probability : (4, n_t, n_s) float32 array
        Posterior probability of laser, scissor, torn, obscured; sums to 1 over the first axis.
    depth : (n_s,) float array
        Depth of the laser zone from the anterior edge as a fraction of the thickness; 0 where
        there is none.
    depth_draws : (n_draws, n_s) float32 array
        Draws of ``depth`` from its joint posterior (correlated along s).
    second_depth : (n_s,) float array
        The same depth by the second, independent estimator; ``nan`` where it abstains.
    model : str
        Identifier of the naming model.
    naming_confidence : float
        Posterior probability, 0..1, that the zones bear the right names.
    separability : float
        Bhattacharyya distance between the textures either side of the weakest border.
    depth_u_model : float
        Standard uncertainty of the mean depth fraction from the model (calibrated on phantoms).
    flags : tuple of Raised
        Doubts about the zones.
    diagnostics : tuple of float
        Figures behind the risk and the depth's doubt, named by
        ``edgeqc.zoning.calibration.DIAGNOSTIC_NAMES``.
    """

    labels: NDArray[np.uint8]
    probability: NDArray[np.float32]
    depth: FloatArray
    depth_draws: NDArray[np.float32]
    second_depth: FloatArray
    model: str
    naming_confidence: float
    separability: float
    depth_u_model: float = 0.0
    flags: tuple[Raised, ...] = ()
    diagnostics: tuple[float, ...] = ()


@dataclass(frozen=True)
class ZoneSettings:
    """Limits of the zone map.

    Parameters
    ----------
    risk_max : float
        Largest risk (0..1) that the zones are wrong, for a face to be called measured.
    unfamiliar_max : float
        Largest probability that the looks are none that the models know, for the same, where
        the residual is called torn and nothing else: what they do not know they call torn, and
        with conviction.
    contradiction_max : float
        Largest probability that the textures may give to the kind of residual that the sheet
        speaks against, for the same.
    depth_risk_max : float
        Largest risk that the depth is off by more than 0.05, for the same. Up to it, where only
        the risk of wrong zones is too large, the residual's name alone is called doubtful: of
        1,395 phantoms and texture-filled faces below it 30 had such a depth, of some 110 faces of
        unrelated makers none.
    u_depth_max : float
        Largest standard uncertainty of the mean depth fraction, for the same.
    obscured_max : float
        Largest obscured share of the face, for the same.
    inferred_side_min : float
        Least probability of the anterior side where it is inferred from the zones.
    dispute_max : float
        Largest distance of the two estimators' mean depths, as a fraction of the thickness, for
        the same; counted only where the second one's textures are at least
        ``dispute_separation_min`` apart.
    dispute_separation_min : float
        Bhattacharyya distance from which the second estimator has a say.
    one_zone_separation_max : float
        Largest Bhattacharyya distance of the textures that the second estimator tells apart, for
        the same, on a face that is said to have no laser zone anywhere.
    structure_min : float
        Least autocorrelation of the face's grey over three samples, for the same: a face that
        shows noise alone has no texture to name.
    temperature : float
        The network's logits are divided by this (fitted on phantoms kept apart).
    partition : PartitionSettings
        Prior of the ordered partition.
    """

    risk_max: float = 0.15
    unfamiliar_max: float = 0.3
    contradiction_max: float = 0.8
    depth_risk_max: float = 0.05
    u_depth_max: float = 0.03
    obscured_max: float = 0.35
    inferred_side_min: float = 0.98
    dispute_max: float = 0.1
    dispute_separation_min: float = 2.0
    one_zone_separation_max: float = 0.85
    structure_min: float = 0.02
    temperature: float = 1.0
    partition: PartitionSettings = field(default_factory=PartitionSettings)


@dataclass(frozen=True)
class _Reading:
    """One orientation of a face, read by the model and partitioned."""

    face: CutFace
    sample_px: float
    net: FloatArray  # (4, N_T, n_s): probability of each class, each cell by itself
    textures: list[NDArray[np.float32]]  # what tells textures apart, names aside
    borders: BorderEvidence
    partition: Partition


def class_probability(logits: FloatArray, temperature: float) -> FloatArray:
    """Return class probabilities over the first axis from logits of the same shape."""
    logit = logits / temperature
    power = np.exp(logit - logit.max(axis=0))
    return np.asarray(power / power.sum(axis=0))


def _read(
    image: CalibratedImage,
    face: CutFace,
    settings: ZoneSettings,
    anterior_known: bool,
    taught: TaughtHead | None,
) -> _Reading:
    made = face_planes(image, face, anterior_known=anterior_known)
    output = network_output(made, features=taught is not None)
    logits = output.logits if taught is None else taught.logits(output.features)
    net = class_probability(on_face(logits), settings.temperature)
    named = np.maximum(net[:3], 1e-4)
    named /= named.sum(axis=0)
    columns = net.shape[2]
    station = ((np.arange(columns) + 0.5) / columns * face.s_px.size).astype(int)
    complete = face.complete[np.minimum(station, face.s_px.size - 1)]
    weight = (1 - net[3]) * np.where(complete, 1.0, 0.3)
    log_named = np.log(named)
    # the borders are drawn once more below: only that partition needs its draws
    borders = border_evidence(output.borders)
    moves = face_moves(N_T, settings.partition, borders)
    once = replace(settings.partition, n_draws=0)
    part = partition_face(log_named, weight, once, moves=moves)
    textures = texture_planes(made, _plane_rows())
    part = refine_partition(
        part, log_named, weight, textures, settings=settings.partition, moves=moves
    )
    return _Reading(face, made.sample_px, net, textures, borders, part)


def anterior_side(face: CutFace) -> Side:
    """Return the side of the picture that the face's anterior edge looks to."""
    row, col = np.mean(face.posterior_px - face.anterior_px, axis=0)
    if abs(row) >= abs(col):
        return "top" if row > 0 else "bottom"
    return "left" if col > 0 else "right"


def _oriented(
    image: CalibratedImage, face: CutFace, settings: ZoneSettings, taught: TaughtHead | None
) -> tuple[_Reading, tuple[Raised, ...]]:
    """Read the face with its anterior side, inferring it where the sheet gives none."""
    if face.anterior_source == "sheet":
        return _read(image, face, settings, True, taught), ()
    ways = [_read(image, each, settings, False, taught) for each in (face, face.swapped())]
    opinions = [
        name_regions(
            unroll_for_regions(image, way.face),
            way.partition,
            way.net,
            taught=taught is not None,
        ).log_opinion
        for way in ways
    ]
    # neighbouring chords repeat each other: their evidence counts as that of a few
    chords = ways[0].net.shape[2]
    gap = _CHORD_WEIGHT * chords * (ways[0].partition.evidence - ways[1].partition.evidence)
    gap += _REGION_WEIGHT * (opinions[0] - opinions[1])
    probability = 1.0 / (1.0 + np.exp(-np.clip(gap, -50, 50)))
    chosen = ways[0] if probability >= 0.5 else ways[1]
    certainty = max(probability, 1 - probability)
    decided = certainty >= settings.inferred_side_min
    oriented = replace(
        chosen.face,
        anterior_source="inferred" if decided else "none",
        anterior=anterior_side(chosen.face) if decided else chosen.face.anterior,
    )
    flag = raised(
        "anterior_inferred" if decided else "anterior_unknown",
        f"{oriented.anterior}, probability {certainty:.2f}",
    )
    return _read(image, oriented, settings, True, taught), (flag,)


def map_zones(
    image: CalibratedImage,
    face: CutFace,
    settings: ZoneSettings | None = None,
    *,
    taught: TaughtHead | None = None,
    freed_by: str = "",
) -> tuple[CutFace, ZoneMap]:
    """Return the face with its anterior side settled, and its zone map.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        One of its faces.
    settings : ZoneSettings, optional
        Limits and priors.
    taught : TaughtHead, optional
        A laboratory's own naming model.
    freed_by : str
        How the sheet says that the piece was freed: ``scissors`` or ``traction``; anything else
        tells nothing.

    Returns
    -------
    face : CutFace
        The same face, turned so that t = 0 is the anterior edge.
    zones : ZoneMap
        Labels, probabilities, the border with its draws, the second estimator, flags.

    Notes
    -----
    A network names each cell from the texture around it and says where textures end; the ordered
    partition (see ``edgeqc.zoning.partition``) turns both into borders with exact posterior
    probabilities, once more with the looks that this face's zones show
    (``edgeqc.zoning.own_texture``). Each zone as a whole is then named from other features
    (``edgeqc.zoning.region``), and an estimator that uses texture contrast only
    (``edgeqc.zoning.contrast``) looks at the same border by itself.
    Risk of wrong names and doubt of the depth come from diagnostics of all of these, fitted on
    phantoms kept apart (``edgeqc.zoning.calibration``).
    """
    settings = settings or ZoneSettings()
    reading, flags = _oriented(image, face, settings, taught)
    net, hidden = reading.net, reading.net[3]
    unrolled = unroll_for_regions(image, reading.face)
    naming = name_regions(
        unrolled, reading.partition, net, taught=taught is not None, freed_by=freed_by
    )
    part = naming.partition
    probability = np.concatenate([part.cell * (1 - hidden), hidden[None]]).astype(np.float32)
    labels = (part.cell.argmax(axis=0) + 1).astype(np.uint8)
    depth = laser_depth(part)
    rim = (labels == LASER) & (depth == 0)
    labels = np.where(rim, part.cell[1:].argmax(axis=0) + 2, labels).astype(np.uint8)
    labels[hidden > 0.5] = OBSCURED
    second = contrast_partition(reading.textures)
    found = diagnose(
        net, naming, depth, second, borders=reading.borders, sample_px=reading.sample_px
    )
    risks, u_depth = zone_risks(found), depth_doubt(found)
    # where no chord is complete no depth is given, and none to be doubted
    given = u_depth if reading.face.complete.any() else 0.0
    flags += _name_doubts(labels, found, risks, settings, against_sheet=naming.contradiction)
    flags += _doubts(labels, found, given, settings)
    structure = structure_ratio(unrolled)
    if structure < settings.structure_min:
        flags += (raised("zones_inseparable", f"no texture above the noise ({structure:.3f})"),)
    return reading.face, ZoneMap(
        labels=labels,
        probability=probability / probability.sum(axis=0),
        depth=depth,
        depth_draws=np.asarray(part.draws.astype(np.float32) / N_T, np.float32),
        second_depth=_stretched(second.depth, net.shape[2]),
        model=model_identifier(taught),
        naming_confidence=1 - risks.zones,
        separability=second.separation,
        depth_u_model=u_depth,
        flags=flags,
        diagnostics=astuple(found),
    )


def laser_depth(part: Partition) -> FloatArray:
    """Return the expected depth of the laser zone in each chord, given that there is one.

    Beside a stretch without laser the posterior has two peaks, one at none; their mean would be
    a depth that neither says. Where less than half of it says laser, the depth is 0.
    """
    border = part.state.sum(axis=1)
    n_t = border.shape[1] - 1
    least = round(LEAST_DEPTH * n_t)
    present = border[:, least:].sum(axis=1)
    mean = border[:, least:] @ np.arange(least, n_t + 1) / n_t / np.maximum(present, 1e-12)
    return np.where(present >= 0.5, mean, 0.0)


def _stretched(values: FloatArray, columns: int) -> FloatArray:
    """Resample values given at even distances along the face to another number of columns."""
    at = (np.arange(columns) + 0.5) / columns
    return np.asarray(np.interp(at, (np.arange(values.size) + 0.5) / values.size, values))


def _plane_rows() -> slice:
    edge = MARGIN / (1 + 2 * MARGIN) * ROWS
    return slice(round(edge), round(ROWS - edge))


def _name_doubts(
    labels: NDArray[np.uint8],
    found: Diagnostics,
    risks: Risks,
    settings: ZoneSettings,
    *,
    against_sheet: float,
) -> tuple[Raised, ...]:
    """Return the flag of names that cannot be relied on: of all zones, or of the residual alone."""
    laser = (labels == LASER).any()
    scissor, torn = (float((labels == code).mean()) >= LEAST_SHARE for code in (SCISSOR, TORN))
    doubts = []
    if risks.zones > settings.risk_max:
        doubts.append(f"risk of wrong zones {risks.zones:.2f}")
    elif torn and not scissor and risks.unfamiliar > settings.unfamiliar_max:
        doubts.append(f"what is called torn may be of another origin ({risks.unfamiliar:.2f})")
    if against_sheet > settings.contradiction_max:
        doubts.append(f"texture against the sheet's word on how it was freed ({against_sheet:.2f})")
    if not laser and found.separation > settings.one_zone_separation_max:
        doubts.append(f"no laser zone, yet two textures ({found.separation:.1f} apart)")
    deep = risks.depth <= settings.depth_risk_max
    if laser and not deep:
        doubts.append(f"risk of a wrong depth {risks.depth:.2f}")
    alone = laser and (scissor or torn) and deep
    name = "residual_unnamed" if alone else "zones_unnamed"
    return (raised(name, "; ".join(doubts)),) if doubts else ()


def _doubts(
    labels: NDArray[np.uint8], found: Diagnostics, u_depth: float, settings: ZoneSettings
) -> tuple[Raised, ...]:
    flags: list[Raised] = []
    if found.dispute > settings.dispute_max and found.separation > settings.dispute_separation_min:
        flags.append(raised("depth_disputed", f"by {found.dispute:.2f} of the thickness"))
    laser = (labels == LASER).any()
    if laser and u_depth > settings.u_depth_max:
        flags.append(raised("depth_uncertain", f"standard uncertainty {u_depth:.3f}"))
    if not laser:
        flags.append(raised("no_laser_zone"))
    obscured = float((labels == OBSCURED).mean())
    if obscured > settings.obscured_max:
        flags.append(raised("mostly_obscured", f"{100 * obscured:.0f} % of the face"))
    return tuple(flags)
