"""The zone map of a cut face."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace, Side
from edgeqc.faces.whole_chords import whole_chords
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
from edgeqc.zoning.partition import Partition, face_moves, partition_face
from edgeqc.zoning.region import structure_ratio, unroll_for_regions
from edgeqc.zoning.texture import MARGIN, ROWS, face_planes
from edgeqc.zoning.zone_settings import ZoneSettings

OUTSIDE, LASER, SCISSOR, TORN, OBSCURED = 0, 1, 2, 3, 4
LEAST_DEPTH = 0.06
"""Depth fraction from which a chord counts as lasered: the bright rim along the anterior edge looks
like a shallow cut, and beside a scissor stretch a few cells of it are named so."""
_CHORD_WEIGHT, _REGION_WEIGHT = 0.006, 1.1
"""How much a chord's evidence and the regions' mean log-probability say about the anterior side:
about the logistic fits to 304 good faces of three makers (seeds 85000000 to 85200139; 0.0069 and
1.10 with the network before, 0.0053 and 1.26 with this one), of which a side said at 0.98 is wrong
in 2 of 162, both phantoms."""
_TOLD = -3.0  # log-odds of a look without a name where a laboratory taught the names
ZONE_NAMES = {LASER: "laser", SCISSOR: "scissor", TORN: "torn", OBSCURED: "obscured"}


@dataclass(frozen=True)
class ZoneMap:
    """Zones on the unrolled face.

    Cell (i, j) lies at t = (i + 0.5)/n_t and at (j + 0.5)/n_s of the face's length
    (``CutFace.s_px``). Where an end cuts chords short, t is that of whole chords
    (``edgeqc.faces.whole_chords``), and some cells lie beyond what the face shows.

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
class _Reading:
    """One orientation of a face, read by the model and partitioned.

    What was read stands on the ``whole`` chords, which may reach beyond those of ``face``.
    """

    face: CutFace
    whole: CutFace
    sample_px: float
    net: FloatArray  # (4, N_T, n_s): probability of each class, each cell by itself
    textures: list[NDArray[np.float32]]  # what tells textures apart, names aside
    borders: BorderEvidence
    nameless: FloatArray  # (N_T, n_s): probability that a look is of no particular origin
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
    whole = whole_chords(face)
    made = face_planes(image, whole, anterior_known=anterior_known)
    output = network_output(made, features=taught is not None)
    logits = output.logits if taught is None else taught.logits(output.features)
    net = class_probability(on_face(logits), settings.temperature)
    named = np.maximum(net[:3], 1e-4)
    named /= named.sum(axis=0)
    complete = face.complete[face.column_chords(net.shape[2])]
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
    # a laboratory that taught its own looks has said what they are
    strange = on_face(output.nameless)[0] if taught is None else np.full(net.shape[1:], _TOLD)
    nameless = 1.0 / (1.0 + np.exp(-strange))
    return _Reading(face, whole, made.sample_px, net, textures, borders, nameless, part)


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
            unroll_for_regions(image, way.whole),
            way.partition,
            way.net,
            taught=taught is not None,
            borders=way.borders,
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
    unrolled = unroll_for_regions(image, reading.whole)
    naming = name_regions(
        unrolled, reading.partition, net,
        taught=taught is not None, freed_by=freed_by, borders=reading.borders,
    )  # fmt: skip
    part = naming.partition
    probability = np.concatenate([part.cell * (1 - hidden), hidden[None]]).astype(np.float32)
    labels = (part.cell.argmax(axis=0) + 1).astype(np.uint8)
    depth = laser_depth(part)
    rim = (labels == LASER) & (depth == 0)
    labels = np.where(rim, part.cell[1:].argmax(axis=0) + 2, labels).astype(np.uint8)
    labels[hidden > 0.5] = OBSCURED
    second = contrast_partition(reading.textures)
    found = diagnose(
        net, naming, depth, second,
        borders=reading.borders, nameless=reading.nameless, sample_px=reading.sample_px,
    )  # fmt: skip
    risks, u_depth = zone_risks(found), depth_doubt(found)
    # where no chord is complete no depth is given, and none to be doubted
    given = u_depth if reading.face.complete.any() else 0.0
    flags += _name_doubts(
        labels, found, risks, settings, against_sheet=naming.contradiction, freed_by=freed_by
    )
    flags += _doubts(labels, found, given, settings, depth_risk=risks.depth)
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
    freed_by: str,
) -> tuple[Raised, ...]:
    """Return the flag of names that cannot be relied on: of all zones, or of the residual alone."""
    laser = (labels == LASER).any()
    scissor, torn = (float((labels == code).mean()) >= LEAST_SHARE for code in (SCISSOR, TORN))
    unknown = (torn or scissor) and risks.unfamiliar > settings.unfamiliar_max
    # where the sheet says what made it, the name does not rest on the look alone
    by_sheet = unknown and torn != scissor and freed_by == ("traction" if torn else "scissors")
    doubts = []
    limit = settings.through_risk_max if found.through else settings.risk_max
    if risks.zones > limit:
        doubts.append(f"risk of wrong zones {risks.zones:.2f}")
    elif unknown and not by_sheet:
        doubts.append(f"the residual's look may be none that is known ({risks.unfamiliar:.2f})")
    elif (scissor or torn) and found.region_clash > settings.against_max:
        doubts.append(f"a zone may bear another name ({found.region_clash:.2f})")
    if against_sheet > settings.contradiction_max:
        doubts.append(f"texture against the sheet's word on how it was freed ({against_sheet:.2f})")
    if not laser and found.separation > settings.one_zone_separation_max:
        doubts.append(f"no laser zone, yet two textures ({found.separation:.1f} apart)")
    deep = risks.depth <= settings.depth_risk_max
    if laser and not deep:
        doubts.append(f"risk of a wrong depth {risks.depth:.2f}")
    alone = laser and (scissor or torn) and deep
    if doubts:
        name = "residual_unnamed" if alone else "zones_unnamed"
        return (raised(name, "; ".join(doubts)),)
    return (raised("named_by_sheet", f"{risks.unfamiliar:.2f}"),) if by_sheet else ()


def _doubts(
    labels: NDArray[np.uint8],
    found: Diagnostics,
    u_depth: float,
    settings: ZoneSettings,
    *,
    depth_risk: float,
) -> tuple[Raised, ...]:
    flags: list[Raised] = []
    heard = found.separation > settings.dispute_separation_min
    if found.dispute > settings.dispute_max and heard and depth_risk > settings.dispute_risk_min:
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
