"""The study in sentences: design, results, the answer, methods."""

from __future__ import annotations

import math
from collections.abc import Mapping

from edgeqc.study.design import Arm, Design, shown, words_of
from edgeqc.study.numbers_in_words import (
    counted,
    decimals_for,
    interval,
    listed,
    number,
    p_value,
    units_word,
)
from edgeqc.study.results import ArmSummary, Comparison, Pair, ResponseResult
from edgeqc.study.study_settings import StudySettings

_BEST = {"cut_depth_fraction": ("cuts deepest", "cut deepest"),
         "through_cut_fraction": ("cuts through most", "cut through most"),
         "ligament_um": ("leaves the least ligament", "leave the least ligament")}


def places_for(result: ResponseResult) -> int:
    """Return the decimals that suit a response's differences."""
    spreads = [pair.se for pair in result.pairs if math.isfinite(pair.se) and pair.se > 0]
    if not spreads:
        spreads = [arm.sd for arm in result.arms if math.isfinite(arm.sd) and arm.sd > 0]
    places = decimals_for(min(spreads)) if spreads else 3
    # a thousandth of the thickness or of a share is finer than any face is measured
    return min(places, 3) if result.response.kind == "fraction" else places


def unit_of(result: ResponseResult) -> str:
    """Return a response's unit with a space before it, or nothing for a pure number."""
    return "" if result.response.unit in ("", "1") else f" {result.response.unit}"


def design_paragraph(design: Design) -> str:
    """Return the design in a paragraph: what was counted, what varied, what goes together.

    Parameters
    ----------
    design : Design
        As read from the table.
    """
    counts = design.counts
    parts = [f"The table holds {counted(counts['faces'], 'face')}."]
    if design.arms:
        units = sum(arm.units for arm in design.arms)
        parts.append(
            f"{counts['taking part']} of them, on {units_word(design.unit, units)}, take part;"
            f" the {design.unit} is the unit, and faces are nested in it.")
        left = [f"{counts[word]} in review" if word == "review" else f"{counts[word]} rejected"
                for word in ("review", "rejected") if counts.get(word)]
        if left:
            parts.append(f"Left out: {listed(left)}.")
        parts.append(_varied(design))
    parts.extend(design.notes)
    said: set[str] = set()
    for factor in design.factors:
        if not factor.separable and not said >= {factor.name, *factor.partners}:
            said |= {factor.name, *factor.partners}
            partners = listed([words_of(name)[0] for name in factor.partners])
            parts.append(f"{_capital(factor.label)} changes together with {partners}: their"
                         " effects cannot be told apart, and none is given for either alone.")
    if design.missing:
        some = listed(list(design.missing[:6]))
        more = f" and {len(design.missing) - 6} more" if len(design.missing) > 6 else ""
        parts.append(f"Cells of the crossing without a {design.unit}: {some}{more}.")
    parts.extend(_block_words(design))
    return " ".join(dict.fromkeys(part for part in parts if part))


def _varied(design: Design) -> str:
    """Return what varied and what stood still."""
    free = [factor for factor in design.factors if factor.name != "material"]
    words = []
    for factor in free:
        levels = ", ".join(shown(level) for level in factor.levels)
        words.append(f"{factor.label} ({levels} {factor.unit})".replace(" )", ")"))
    sizes = [arm.units for arm in design.arms]
    span = "" if min(sizes) == max(sizes) else f"{min(sizes)} to "
    text = (f"{counted(len(design.arms), 'setting')} with {span}"
            f"{units_word(design.unit, max(sizes))} each"
            + (f", from {listed(words)}" if words else "") + ".")
    if len(design.materials) > 1:
        text += (f" {len(design.materials)} materials ({listed(list(design.materials))}): settings"
                 " are compared within each, never over materials.")
    return text + (f" The same throughout: {fixed_words(design)}." if design.fixed else "")


def _block_words(design: Design) -> list[str]:
    """Return a sentence on each column that may disturb."""
    found = []
    for block in design.blocks:
        name = "lens" if block.name == "_lens" else words_of(block.name)[0]
        if block.relation == "within units":
            found.append(f"{_capital(name)} changes within units; it is part of the scatter of"
                         " faces.")
        elif block.adjusted:
            found.append(f"{_capital(name)} is crossed with the settings; the comparison is"
                         " adjusted for it.")
        elif block.relation == "confounded":
            found.append(f"{_capital(name)} changes together with the settings.")
        else:
            how = "crossed" if block.relation == "crossed" else "partly crossed"
            found.append(f"{_capital(name)} is {how} with the settings and not adjusted for.")
    return found


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def best_arm(result: ResponseResult) -> ArmSummary | None:
    """Return the tested arm with the best mean, or None where no way is better."""
    tested = [arm for arm in result.arms if arm.tested]
    better = result.response.better
    if not tested or better == "none":
        return None
    if better == "near zero":
        return min(tested, key=lambda arm: abs(arm.mean))
    pick = max if better == "higher" else min
    return pick(tested, key=lambda arm: arm.mean)


def pair_between(result: ResponseResult, a: int, b: int) -> Pair | None:
    """Return the comparison of two arms, or None where it was not made."""
    wanted = {a, b}
    return next((pair for pair in result.pairs if {pair.first, pair.second} == wanted), None)


def result_sentence(result: ResponseResult, settings: StudySettings) -> str:
    """Return what one response says.

    Parameters
    ----------
    result : ResponseResult
        Tests and intervals, with ``p_holm``.
    settings : StudySettings
        Level.
    """
    name = _capital(result.response.label)
    if result.obstacle:
        return f"{name}: {result.obstacle}"
    alpha = settings.model.alpha
    overall = result.overall
    if overall is None or not math.isfinite(overall.p):
        return f"{name}: no test could be made."
    pair = largest_pair(result)
    words = (f"{p_value(overall.p)} overall, {p_value(result.p_holm)} allowing for all responses")
    if result.p_holm < alpha:
        head = f"{name} differs between settings ({words})"
    else:
        head = f"{name}: no difference between settings is shown ({words})"
    if pair is None:
        return f"{head}."
    text = f"{head}; largest {_pair_words(result, pair, alpha)}."
    same = [one.equivalence for one in result.pairs if one.equivalence is not None]
    if same:
        margin = same[0].margin
        if all_equivalent(result):
            text += f" All settings are equivalent within ±{margin:g}{unit_of(result)}"
            text += "." if result.p_holm >= alpha else (
                ": the difference is there, but smaller than what matters.")
        elif result.p_holm >= alpha:
            text += (f" Equivalence within ±{margin:g}{unit_of(result)} is shown for"
                     f" {sum(one.equivalent for one in same)} of {counted(len(same), 'pair')}.")
    return text


def largest_pair(result: ResponseResult) -> Pair | None:
    """Return the pair of arms furthest apart."""
    known = [pair for pair in result.pairs if math.isfinite(pair.estimate)]
    if not known:
        return None
    return max(known, key=lambda pair: abs(
        math.log(pair.estimate) if pair.scale == "ratio" else pair.estimate))


def all_equivalent(result: ResponseResult) -> bool:
    """Return whether every pair of tested settings was compared and found equivalent."""
    count = sum(arm.tested for arm in result.arms)
    shown = sum(pair.equivalence is not None and pair.equivalence.equivalent
                for pair in result.pairs)
    return shown > 0 and shown == count * (count - 1) // 2


def _pair_words(result: ResponseResult, pair: Pair, alpha: float) -> str:
    """Return a comparison of two arms in words."""
    labels = {arm.arm: arm.label for arm in result.arms}
    level = f"{100 * (1 - alpha):g} % CI"
    if pair.scale == "ratio":
        return (f"ratio {number(pair.estimate, 2)} ({level} {interval(pair.low, pair.high, 2)}),"
                f" {labels[pair.second]} over {labels[pair.first]}")
    places = places_for(result)
    return (f"difference {number(pair.estimate, places)}{unit_of(result)} ({level}"
            f" {interval(pair.low, pair.high, places)}), {labels[pair.second]} minus"
            f" {labels[pair.first]}")


def answer_of(
    primary: list[ResponseResult], design: Design, settings: StudySettings
) -> tuple[str, bool]:
    """Return the sentence that answers which setting, and whether it settles the matter.

    Parameters
    ----------
    primary : list of ResponseResult
        Of the response that decides, one per material.
    design : Design
        Obstacles and what goes together.
    settings : StudySettings
        Level and name of the response.
    """
    if design.obstacle:
        return f"These data cannot say which setting does best. {design.obstacle}", False
    if not primary:
        return ("These data cannot say which setting does best: no face that takes part has the"
                f" response that decides ({settings.responses.primary})."), False
    sentences, settled = [], False
    for result in primary:
        text, sure = _answer_within(result, design, settings)
        sentences.append(f"{_capital(result.material)}: {text}" if result.material
                         and len(design.materials) > 1 else _capital(text))
        settled |= sure
    bound = [factor for factor in design.factors
             if not factor.separable and factor.name != "material"]
    if bound and settled:
        names = listed([factor.label for factor in bound])
        sentences.append(f"The settings are compared as they are: {names} changed together, so"
                         " that the data cannot say which of them did it.")
    partly = [block.name for block in design.blocks if block.relation == "partly crossed"]
    if settled and partly:
        names = listed([words_of(name)[0] for name in partly])
        sentences.append(f"Not every pair of settings shares its {names}: a difference between two"
                         " that do not may not be the settings' own.")
    if settled and design.fixed:
        sentences.append(f"Throughout: {fixed_words(design)}.")
    return " ".join(sentences), settled


def fixed_words(design: Design) -> str:
    """Return the settings that do not vary, in words."""
    return listed([f"{words_of(name)[0]} {value} {words_of(name)[1]}".strip()
                   for name, value in design.fixed])


def _answer_within(
    result: ResponseResult, design: Design, settings: StudySettings
) -> tuple[str, bool]:
    """Return the answer within one material."""
    alpha = settings.model.alpha
    if result.obstacle:
        return f"these data cannot say which setting does best. {result.obstacle}", False
    overall = result.overall
    if overall is None or not math.isfinite(result.p_holm):
        return "these data cannot say which setting does best; no test could be made.", False
    best = best_arm(result)
    if result.p_holm < alpha and all_equivalent(result):
        return result_sentence(result, settings), True
    if result.p_holm >= alpha:
        return _no_difference(result, design, settings)
    if best is None:
        return result_sentence(result, settings), True
    single, plural = _BEST.get(
        result.response.name, (f"does best in {result.response.label}",
                               f"do best in {result.response.label}"))
    equal: list[ArmSummary] = []
    below: list[ArmSummary] = []
    for arm in result.arms:
        if arm.tested and arm.arm != best.arm:
            pair = pair_between(result, arm.arm, best.arm)
            told_apart = pair is not None and pair.p_family < alpha
            (below if told_apart else equal).append(arm)
    places = places_for(result)
    level = f"{100 * (1 - alpha):g} % CI"
    mean = (f"{number(best.mean, places)}{unit_of(result)}, {level}"
            f" {interval(best.low, best.high, places)}, {units_word(design.unit, best.units)}")
    if not below:
        return (f"settings differ in {result.response.label} ({p_value(result.p_holm)} allowing for"
                f" all responses), but these data cannot say which does best: {best.label} has the"
                f" best mean ({mean}) and no other setting is told apart from it.", False)
    runner = max(below, key=lambda arm: -abs(arm.mean - best.mean))
    gap = pair_between(result, runner.arm, best.arm)
    gap_words = _gap(result, gap, best.arm, alpha) if gap is not None else ""
    rest = "every other setting" if not equal else listed([arm.label for arm in below])
    if not equal:
        return (f"{best.label} {single} ({mean}), told apart from {rest}; the next,"
                f" {runner.label}, is {gap_words} away"
                f" ({p_value(result.p_holm)} overall, allowing for all responses).", True)
    others = listed([arm.label for arm in equal])
    return (f"{best.label} ({mean}) and {others} {plural} and cannot be told apart; {best.label} is"
            f" told apart from {rest} ({p_value(result.p_holm)} overall, allowing for all"
            " responses).", True)


def _gap(result: ResponseResult, pair: Pair, best: int, alpha: float) -> str:
    """Return the distance of an arm from the best one, turned so that it is best minus other."""
    level = f"{100 * (1 - alpha):g} % CI"
    if pair.scale == "ratio":
        turned = pair.second != best
        values = [1 / value if turned else value for value in (pair.estimate, pair.low, pair.high)]
        low, high = sorted(values[1:])
        return f"a factor {number(values[0], 2)} ({level} {interval(low, high, 2)})"
    sign = 1.0 if pair.second == best else -1.0
    low, high = sorted((sign * pair.low, sign * pair.high))
    places = places_for(result)
    return (f"{number(sign * pair.estimate, places)}{unit_of(result)} ({level}"
            f" {interval(low, high, places)})")


def _no_difference(
    result: ResponseResult, design: Design, settings: StudySettings
) -> tuple[str, bool]:
    """Return the answer where no difference is shown: equivalent, or undecided."""
    alpha = settings.model.alpha
    same = [pair.equivalence for pair in result.pairs if pair.equivalence is not None]
    pair = largest_pair(result)
    if pair is None:
        return (f"these data cannot say which setting does best in {result.response.label}: no"
                " pair of settings could be compared.", False)
    seen = _pair_words(result, pair, alpha)
    if all_equivalent(result):
        return (f"all settings are equivalent in {result.response.label} within"
                f" ±{same[0].margin:g}{unit_of(result)}: largest {seen}.", True)
    text = (f"these data cannot say which setting does best in {result.response.label}"
            f" ({p_value(result.p_holm)} allowing for all responses): the largest {seen}, includes"
            " no difference." if not _beyond(pair) else
            f"these data cannot say which setting does best in {result.response.label}"
            f" ({p_value(result.p_holm)} allowing for all responses); largest {seen}, not allowing"
            " for the number of pairs.")
    return text, False


def _beyond(pair: Pair) -> bool:
    """Return whether an interval leaves out no difference."""
    none = 1.0 if pair.scale == "ratio" else 0.0
    return not pair.low <= none <= pair.high


def cautions_of(design: Design, results: list[ResponseResult]) -> tuple[str, ...]:
    """Return what the reader must keep in mind.

    Parameters
    ----------
    design : Design
        As read from the table.
    results : list of ResponseResult
        All responses.
    """
    found = ["Research use; a comparison of bench results, not a claim on patients or devices."]
    if any("grey level" in result.response.name for result in results):
        found.append("Grey-level texture is no roughness: it has no length unit and compares"
                     " pictures of one imaging session only.")
    if any(result.missing for result in results):
        gaps = sorted({(result.response.label, result.missing) for result in results
                       if result.missing})
        words = listed([f"{label}: {count}" for label, count in gaps])
        found.append("Faces that take part without a value (left out of that response; where the"
                     f" setting decides whether there is a value, this biases): {words}.")
    if any(not arm.tested for arm in design.arms):
        few = listed([arm_words(arm, design) for arm in design.arms if not arm.tested][:6])
        found.append(f"Too few units for a test, shown only: {few}.")
    return tuple(found)


def arm_words(arm: Arm, design: Design) -> str:
    """Return an arm with its number of units."""
    material = f", {arm.material}" if arm.material and len(design.materials) > 1 else ""
    return f"{arm.label}{material} ({units_word(design.unit, arm.units)})"


def methods_paragraph(
    comparison: Comparison, settings: StudySettings, versions: Mapping[str, str]
) -> str:
    """Return a paragraph on the methods, ready to quote.

    Parameters
    ----------
    comparison : Comparison
        Design and results.
    settings : StudySettings
        In force.
    versions : mapping of str to str
        Software.
    """
    from edgeqc.study.methods_words import methods_sentences

    return " ".join(methods_sentences(comparison.design, comparison.results, settings, versions))
