"""Whether the settings act alike in different materials, without pooling over them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeqc.study.arm_tests import TestResult
from edgeqc.study.design import Design
from edgeqc.study.effects import fit_arms, tested_arms
from edgeqc.study.numbers_in_words import listed, p_value
from edgeqc.study.responses import FaceValues
from edgeqc.study.study_settings import StudySettings


@dataclass(frozen=True)
class MaterialInteraction:
    """Test of whether differences between settings are the same in all materials.

    Parameters
    ----------
    response : str
        Name of the response.
    settings : tuple of str
        Settings met in every material with units enough.
    test : TestResult
        From the mixed model with one spread.
    sentence : str
        In words.
    """

    response: str
    settings: tuple[str, ...]
    test: TestResult
    sentence: str


def material_interaction(
    values: FaceValues, design: Design, settings: StudySettings
) -> MaterialInteraction | None:
    """Return the interaction of setting and material, or None where nothing is crossed.

    Parameters
    ----------
    values : FaceValues
        A response over all materials.
    design : Design
        Settings and materials.
    settings : StudySettings
        Least number of units, level.

    Notes
    -----
    A mean for each setting in each material, unit as random intercept; the contrasts are
    differences of differences, so that levels of materials cancel. Kenward-Roger F test.

    References
    ----------
    Kenward MG, Roger JH (1997). Biometrics 53:983-997.
    """
    tested = tested_arms(values, design, settings.design.min_units_per_arm)
    places: dict[str, dict[str, int]] = {}
    for arm in tested:
        one = design.arms[arm]
        places.setdefault(one.label, {})[one.material] = arm
    materials = sorted({design.arms[arm].material for arm in tested})
    shared = [label for label, found in places.items() if len(found) == len(materials)]
    if len(materials) < 2 or len(shared) < 2:
        return None
    arms = [places[label][material] for material in materials for label in shared]
    fitted = fit_arms(values, arms, {})
    if fitted.mixed is None:
        return None
    rows = []
    for m in range(1, len(materials)):
        for s in range(1, len(shared)):
            row = np.zeros(fitted.mixed.beta.size)
            row[[0, m * len(shared) + s]] += 1.0
            row[[s, m * len(shared)]] -= 1.0
            rows.append(row)
    found = fitted.mixed.contrast(np.array(rows))
    test = TestResult("mixed model, setting by material", found.statistic, found.df_num,
                      found.df_den, found.p)
    verb = ("differ between materials" if test.p < settings.model.alpha else
            "show no difference between materials, which is no proof of their being the same")
    return MaterialInteraction(
        values.response.name, tuple(shared), test,
        f"Differences between settings in {values.response.label} {verb}"
        f" ({listed(materials)}; interaction {p_value(test.p)}, {len(shared)} settings met in"
        " each).")
