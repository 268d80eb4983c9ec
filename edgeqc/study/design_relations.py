"""What goes together in a design: factors that cannot be told apart, blocks."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.study.design import Arm, Block, Design, Factor, dummies, setting_label, words_of
from edgeqc.study.study_settings import DesignSettings

if TYPE_CHECKING:
    import pandas as pd


def separated_factors(arms: Sequence[Arm], columns: Sequence[str]) -> tuple[Factor, ...]:
    """Return the varying factors, each with whether its effect stands apart from the others'.

    Parameters
    ----------
    arms : sequence of Arm
        Settings met.
    columns : sequence of str
        Columns of settings.

    Notes
    -----
    A factor stands apart where it adds its full number of levels less one to the rank of the
    additive model of all factors, the material among them.
    """
    values = {name: [arm.levels[name] for arm in arms] for name in columns}
    values["material"] = [arm.material for arm in arms]
    varying = {name: cells for name, cells in values.items() if len(set(cells)) > 1}
    coding = {name: dummies(cells) for name, cells in varying.items()}
    factors = []
    for name, cells in varying.items():
        others = [coding[other] for other in coding if other != name]
        apart = _adds_fully(coding[name], others)
        partners = () if apart else tuple(
            other for other in coding if other != name
            and not _adds_fully(coding[name], [coding[other]]))
        label, unit = words_of(name)
        levels = tuple(sorted(set(cells), key=lambda level: (isinstance(level, str), level)))
        factors.append(Factor(name, label, unit, levels, apart, partners))
    return tuple(factors)


def _adds_fully(own: FloatArray, others: Sequence[FloatArray]) -> bool:
    """Return whether a factor's columns add their levels less one to the rank of the rest."""
    rest = np.column_stack([np.ones(own.shape[0]), *others])
    added = np.linalg.matrix_rank(np.column_stack([rest, own])) - np.linalg.matrix_rank(rest)
    return bool(added == own.shape[1] - 1)



def read_blocks(faces: pd.DataFrame, settings: DesignSettings) -> tuple[Block, ...]:
    """Return the columns that may disturb the comparison, and how they stand to the settings.

    Parameters
    ----------
    faces : DataFrame
        Faces that take part, with ``unit`` and ``arm``.
    settings : DesignSettings
        Names of blocks and conditions.

    Notes
    -----
    Crossed: the arms of each material stay comparable after adjustment. Confounded: with the
    block known, no two arms of one material can be compared within it.
    """
    found = []
    names = [*settings.blocks, *settings.conditions]
    if "_lens" in faces:
        names.insert(0, "_lens")
    for name in names:
        if name not in faces or len(faces) == 0:
            continue
        text = faces[name].astype(object).where(faces[name].notna(), "").astype(str).str.strip()
        levels = tuple(sorted(set(text)))
        if len(levels) < 2:
            continue
        adjust = name in settings.blocks or name == "_lens"
        if bool((text.groupby(faces["unit"]).nunique() > 1).any()):
            found.append(Block(name, levels, "within units", False))
            continue
        relation = _relation(faces.assign(_block=text))
        found.append(Block(name, levels, relation, adjust and relation == "crossed"))
    return tuple(found)


def _relation(faces: pd.DataFrame) -> str:
    """Return how a block stands to the arms, judged within materials."""
    units = faces.groupby("unit").first()
    comparable = False
    whole = True
    for _, part in units.groupby("_material"):
        arm, block = dummies(part["arm"].tolist()), dummies(part["_block"].tolist())
        rank = int(np.linalg.matrix_rank(np.column_stack([arm, block])))
        whole &= rank == arm.shape[1] + block.shape[1] - 1
        # two arms sharing a block can be compared within it
        shared = (arm.T @ block > 0).sum(axis=0)
        comparable |= bool(np.any(shared >= 2)) or arm.shape[1] < 2
    if whole:
        return "crossed"
    return "partly crossed" if comparable else "confounded"


def missing_cells(
    arms: Sequence[Arm], factors: Sequence[Factor], materials: Sequence[str]
) -> tuple[str, ...]:
    """Return the cells of the full crossing that no arm fills, in words.

    Parameters
    ----------
    arms : sequence of Arm
        Settings met.
    factors : sequence of Factor
        Columns that vary; where two of them cannot be told apart no crossing was meant, and
        nothing counts as missing.
    materials : sequence of str
        Materials met.
    """
    free = [factor for factor in factors if factor.name != "material"]
    if len(free) < 2 and len(materials) < 2:
        return ()
    if any(not factor.separable for factor in free):
        return ()  # the crossing was never meant
    present = {(arm.material, *(arm.levels[factor.name] for factor in free)) for arm in arms}
    cells = []
    for material in materials:
        for levels in product(*(factor.levels for factor in free)):
            if (material, *levels) not in present:
                named = dict(zip([factor.name for factor in free], levels, strict=True))
                label = setting_label(named)
                cells.append(f"{material}: {label}" if material else label)
    return tuple(cells)


def obstacle_of(design: Design, settings: DesignSettings) -> str:
    """Return why no comparison can be made, or an empty text.

    Parameters
    ----------
    design : Design
        Read so far.
    settings : DesignSettings
        Rules.
    """
    least = settings.min_units_per_arm
    if design.counts["taking part"] == 0:
        left = design.counts["review"] + design.counts["rejected"]
        return (f"No face takes part: all {design.counts['faces']} are in review or rejected."
                if left else "No face takes part.")
    settings_met = {arm.label for arm in design.arms}
    if len(settings_met) == 1:
        return f"Only one setting was met ({design.arms[0].label}); there is nothing to compare."
    per_material = design.strata()
    if len(per_material) > 1 and all(len(arms) == 1 for arms in per_material.values()):
        return ("Setting and material change together: each material was cut at one setting only,"
                " so that no difference can be put down to the setting.")
    bound = [block for block in design.blocks if block.relation == "confounded"]
    if bound:
        words = words_of(bound[0].name)[0]
        return (f"Setting and {words} change together: each {words} goes with its own settings,"
                " so that no difference can be put down to the setting.")
    if all(sum(design.arms[i].tested for i in arms) < 2 for arms in per_material.values()):
        most = max(arm.units for arm in design.arms)
        where = " of one material" if len(per_material) > 1 else ""
        return (f"Fewer than two settings{where} have {least} units; the best filled arm has"
                f" {most}. Faces of one {design.unit} are not independent, so that no test is"
                " made.")
    return ""
