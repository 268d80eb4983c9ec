"""The records that a study's analysis leaves: what the report prints and the tables hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from edgeqc.study.arm_tests import TestResult
from edgeqc.study.design import Design
from edgeqc.study.dose_response import DoseResponse, TargetDose
from edgeqc.study.equivalence import Equivalence
from edgeqc.study.regression import LeastSquares
from edgeqc.study.responses import Response
from edgeqc.study.study_settings import StudySettings

if TYPE_CHECKING:
    from edgeqc.study.material_interaction import MaterialInteraction


@dataclass(frozen=True)
class ArmSummary:
    """One arm of one response.

    Parameters
    ----------
    arm : int
        Index into the design's arms.
    label : str
        Setting in words.
    units, faces : int
        With a value.
    mean, low, high : float
        Mean over units and its confidence interval; ``nan`` ends where there is none.
    sd : float
        Standard deviation of the units' means.
    tested : bool
        Whether it takes part in the tests.
    """

    arm: int
    label: str
    units: int
    faces: int
    mean: float
    low: float
    high: float
    sd: float
    tested: bool


@dataclass(frozen=True)
class UnitValue:
    """One unit of one response.

    Parameters
    ----------
    unit : str
        Name.
    arm : int
        Index into the design's arms.
    mean : float
        Mean over its faces.
    faces : int
        Their number.
    outlying : bool
        Whether it lies far from its arm; it is kept all the same.
    residual : float
        Mean minus the arm's mean.
    """

    unit: str
    arm: int
    mean: float
    faces: int
    outlying: bool
    residual: float


@dataclass(frozen=True)
class Pair:
    """Comparison of two arms, second minus (or over) first.

    Parameters
    ----------
    first, second : int
        Index into the design's arms.
    scale : {"difference", "ratio"}
        What ``estimate`` and the interval are.
    estimate, low, high : float
        With the confidence interval of this one comparison.
    se, df : float
        Standard error and degrees of freedom (of the log for a ratio).
    p, p_family : float
        For this one comparison, and allowing for all pairs.
    g, g_low, g_high : float
        Standardised difference of unit means and its 95 % interval.
    equivalence : Equivalence or None
        Against the protocol's margin.
    """

    first: int
    second: int
    scale: str
    estimate: float
    low: float
    high: float
    se: float
    df: float
    p: float
    p_family: float
    g: float
    g_low: float
    g_high: float
    equivalence: Equivalence | None


@dataclass(frozen=True)
class Nesting:
    """What the nesting of faces in units does.

    Parameters
    ----------
    between, within : float
        Variances between units and between faces of a unit.
    icc : float
        Intra-class correlation.
    faces_per_unit, design_effect : float
        Mean number of faces, and by how much they inflate the variance of a mean.
    naive : TestResult
        The test that counts every face as independent.
    components : mapping of str to float
        Nested variances where lenses gave several specimens; empty otherwise.
    sentence : str
        In words.
    """

    between: float
    within: float
    icc: float
    faces_per_unit: float
    design_effect: float
    naive: TestResult
    components: Mapping[str, float]
    sentence: str


@dataclass(frozen=True)
class Sensitivity:
    """The comparison made another way.

    Parameters
    ----------
    name : str
        The other way.
    test : TestResult
        Its overall test.
    largest_shift : float
        Largest change of a difference between arms, in the response's unit.
    sentence : str
        In words.
    """

    name: str
    test: TestResult
    largest_shift: float
    sentence: str


@dataclass(frozen=True)
class FactorEffect:
    """Test of a factor or of the interaction of two.

    Parameters
    ----------
    name : str
        Factor, or two joined by ``×``.
    test : TestResult
        From the mixed model.
    levels : tuple of str
        Levels in words.
    mean, low, high : tuple of float
        Adjusted means of the levels and intervals; empty for an interaction.
    """

    name: str
    test: TestResult
    levels: tuple[str, ...] = ()
    mean: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()


@dataclass(frozen=True)
class DoseStudy:
    """Dose-response of one response.

    Parameters
    ----------
    factor, unit : str
        What the dose is, and its unit.
    curve : DoseResponse
        Curve and band.
    target : TargetDose or None
        Dose for the protocol's target.
    sentence : str
        In words.
    """

    factor: str
    unit: str
    curve: DoseResponse
    target: TargetDose | None
    sentence: str


@dataclass(frozen=True)
class PlanRow:
    """Units per arm that a next experiment needs.

    Parameters
    ----------
    difference : float
        To be found, in the response's unit.
    origin : str
        Where that difference comes from.
    faces_per_unit : int
        Faces averaged per unit.
    power : float
        Probability of detection.
    units : float
        Units per arm, rounded up; infinite where out of reach.
    units_cautious : float
        With the upper 80 % limit of the spread seen.
    """

    difference: float
    origin: str
    faces_per_unit: int
    power: float
    units: float
    units_cautious: float


@dataclass(frozen=True)
class ResponseResult:
    """Everything said of one response within one material.

    Parameters
    ----------
    response : Response
        What was compared.
    material : str
        Within which material; empty where the sheet names none.
    arms, units : tuples
        Arms and units with their values.
    missing : int
        Faces that take part without a value.
    overall : TestResult or None
        The test that counts.
    p_holm : float
        Its p-value allowing for all responses.
    tests : tuple of TestResult
        The same question by other methods.
    pairs : tuple of Pair
        Comparisons of two arms.
    nesting : Nesting or None
        Faces in units.
    sensitivities : tuple of Sensitivity
        Other ways.
    checks : tuple of str
        A sentence on each assumption.
    factors : tuple of FactorEffect
        Effects of single factors where they stand apart.
    dose : DoseStudy or None
        Dose-response.
    plan : tuple of PlanRow
        Next experiment.
    surface : LeastSquares or None
        Unit means on the coded numeric factors, where two or more stand apart.
    dose_note : str
        Why there is no dose-response, where one was tried.
    obstacle : str
        Why no test was made; empty where one was.
    sentence : str
        The answer in words.
    """

    response: Response
    material: str
    arms: tuple[ArmSummary, ...]
    units: tuple[UnitValue, ...]
    missing: int
    overall: TestResult | None = None
    p_holm: float = float("nan")
    tests: tuple[TestResult, ...] = ()
    pairs: tuple[Pair, ...] = ()
    nesting: Nesting | None = None
    sensitivities: tuple[Sensitivity, ...] = ()
    checks: tuple[str, ...] = ()
    factors: tuple[FactorEffect, ...] = ()
    dose: DoseStudy | None = None
    plan: tuple[PlanRow, ...] = ()
    surface: LeastSquares | None = None
    dose_note: str = ""
    obstacle: str = ""
    sentence: str = ""


@dataclass(frozen=True)
class Comparison:
    """A study: design, results and the answer.

    Parameters
    ----------
    answer : str
        The sentence that answers which setting does best, or why these data cannot.
    conclusive : bool
        Whether the answer names a setting or a difference (or equivalence) with its certainty.
    design : Design
        As read from the table.
    design_words : str
        The design in a paragraph.
    results : tuple of ResponseResult
        One per response and material.
    methods : str
        A paragraph ready to quote.
    proposal : str
        The next experiment.
    cautions : tuple of str
        What the reader must keep in mind.
    settings : StudySettings
        In force.
    versions : mapping of str to str
        Software behind the numbers.
    interactions : tuple of MaterialInteraction
        Whether settings act alike in different materials.
    """

    answer: str
    conclusive: bool
    design: Design
    design_words: str
    results: tuple[ResponseResult, ...]
    methods: str
    proposal: str
    cautions: tuple[str, ...]
    settings: StudySettings
    versions: Mapping[str, str]
    interactions: tuple[MaterialInteraction, ...] = ()
