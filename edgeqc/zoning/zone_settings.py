"""Limits of the zone map."""

from __future__ import annotations

from dataclasses import dataclass, field

from edgeqc.zoning.partition import PartitionSettings


@dataclass(frozen=True)
class ZoneSettings:
    """Limits of the zone map.

    Parameters
    ----------
    risk_max : float
        Largest risk (0..1) that the zones are wrong, for a face to be called measured. Of 88 faces
        between 0.2 and 0.25 that nothing else spoke against 4 were wrong, all of our own makers;
        of 50 between 0.25 and 0.3, 5, two of them of others.
    through_risk_max : float
        The same where all but 1.5 % of the face is laser zone: of 18 such phantoms and
        texture-filled faces below 0.15 a thin strip, or the name, was missed in 6.
    unfamiliar_max : float
        Largest probability that the looks are none that the models know, for the same, where
        there is a residual and the sheet does not say what made it: what they do not know they
        name all the same, mostly torn, and with conviction. Of 54 faces of two unrelated makers
        between 0.15 and 0.25 none was wrong; of 881 of natural textures 2 lay there, one wrong.
    against_max : float
        Largest probability that network and region model together give to another name than the
        one given, of the zone that fares worst, for the same, where there is a residual: of 293
        faces of unrelated makers with something called scissor 4 were wrong up to it, and of 54
        beyond it with a risk of up to 0.2, 12.
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
        Bhattacharyya distance from which the second estimator has a say. Of faces called
        measured otherwise, of five makers, 8 were disputed between 1 and 2 and 2 of them wrong.
    dispute_risk_min : float
        Risk of a wrong depth from which it has one. Of 200 disputed depths below it, of six makers,
        4 were wrong: no more than of undisputed ones, since the risk weighs the dispute.
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

    risk_max: float = 0.25
    through_risk_max: float = 0.1
    unfamiliar_max: float = 0.25
    against_max: float = 0.05
    contradiction_max: float = 0.8
    depth_risk_max: float = 0.05
    u_depth_max: float = 0.03
    obscured_max: float = 0.35
    inferred_side_min: float = 0.98
    dispute_max: float = 0.1
    dispute_separation_min: float = 1.0
    dispute_risk_min: float = 0.05
    one_zone_separation_max: float = 0.85
    structure_min: float = 0.02
    temperature: float = 1.0
    partition: PartitionSettings = field(default_factory=PartitionSettings)
