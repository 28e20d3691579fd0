"""Judge a cylinder and an engine: Bayes over what may be wrong, or a plain "undetermined"."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from earwitness.diagnosis.decision.decide import decide
from earwitness.diagnosis.decision.next_check import next_check
from earwitness.diagnosis.decision.patterns import patterns
from earwitness.diagnosis.decision.reasons import flags_of, reasons_of, weights_of
from earwitness.diagnosis.evidence import ALONE
from earwitness.diagnosis.forward.across import context_of
from earwitness.diagnosis.forward.clues import Case, build_case
from earwitness.diagnosis.hypotheses import (
    SEALED,
    SET_UP,
    UNDETERMINED,
    in_words,
    is_leak,
    ways,
)
from earwitness.diagnosis.likelihoods import COMMIT_AT, SET_UP_SHARES
from earwitness.diagnosis.repair import REPAIRS, Area, areas_of, deepest
from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict, Ranked, percent_sure
from earwitness.engine.cautions import cautions
from earwitness.gauges.leakage import check_limit_percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.diagnosis.decision.patterns import Pattern
    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext
    from earwitness.engine.layout import EngineLayout


def judge_cylinder(evidence: CylinderEvidence, context: EngineContext = ALONE) -> CylinderVerdict:
    """Return which seal of one cylinder leaks, how probably, and why.

    The verdict is the most probable hypothesis, or the one seal that surely leaks whatever leaks
    beside it, if nothing keeps it open; else `undetermined`, with the probability of the most
    probable hypothesis.

    Parameters
    ----------
    evidence : CylinderEvidence
    context : EngineContext, optional
        What the other cylinders tell.

    Raises
    ------
    GaugeError
        If a reading is impossible.
    """
    case = case_of(evidence, context)
    ranking = _ranking(case)
    decision = decide(evidence, context, case, ranking)
    leading = decision.verdict if decision.given else ranking[0].verdict
    weights = weights_of(case, decision, leading)
    percent = evidence.leakage_percent
    return CylinderVerdict(
        cylinder=evidence.cylinder,
        leakage_percent=percent,
        within_limit=None if percent is None else percent <= evidence.limit_percent,
        verdict=decision.verdict,
        probability=decision.probability,
        ranking=ranking,
        next_check=None if decision.verdict == SEALED else next_check(evidence, case, context),
        reasons=reasons_of(evidence, decision, leading, weights),
        flags=flags_of(evidence, case, decision),
        open_part=decision.open_part,
        weights=weights,
    )


def case_of(evidence: CylinderEvidence, context: EngineContext = ALONE) -> Case:
    """Return the case of one cylinder: every way, every clue, and the probability of each way.

    Raises
    ------
    GaugeError
        If a reading is impossible.
    """
    check_limit_percent(evidence.limit_percent, evidence.limit_origin)
    points = (*evidence.points, *(f.point for f in evidence.findings if f.point))
    return build_case(evidence, context, ways(tuple(dict.fromkeys(points)), SET_UP_SHARES))


def judge_engine(layout: EngineLayout, evidences: Sequence[CylinderEvidence]) -> EngineVerdict:
    """Return every cylinder's verdict and where the repair lies.

    The area is the deepest one that a given verdict points to; its probability is that of at
    least one cylinder leaking there. Cylinders come in number order, whatever the order given.

    Raises
    ------
    LayoutError
        If evidence names a cylinder the engine does not have.
    GaugeError
        If a reading is impossible.
    ValueError
        If a cylinder is given twice.
    """
    by_number = {e.cylinder: e for e in evidences}
    if len(by_number) != len(evidences):
        raise ValueError("evidence names a cylinder twice")
    for number in by_number:
        layout.require(number)
    verdicts = tuple(
        judge_cylinder(by_number[n], context_of(layout, by_number, n)) for n in sorted(by_number)
    )
    untested = tuple(n for n in range(1, layout.cylinders + 1) if n not in by_number)
    area, probability = _area(verdicts, untested)
    together = patterns(layout, by_number, verdicts)
    return EngineVerdict(
        area=area,
        probability=probability,
        summary=_summary(area, verdicts, untested, together),
        next_check=_engine_check(verdicts, untested, together),
        cylinders=verdicts,
        reasons=tuple(pattern.technician for pattern in together),
        flags=_engine_flags(untested, together),
        cautions=tuple(c.text for c in cautions("report", layout)),
    )


def _ranking(case: Case) -> tuple[Ranked, ...]:
    found = sorted(case.by_verdict().items(), key=lambda item: (-item[1], item[0]))
    return tuple(Ranked(verdict, p) for verdict, p in found)


# --- the engine ------------------------------------------------------------------------------


def _area(verdicts: tuple[CylinderVerdict, ...], untested: tuple[int, ...]) -> tuple[Area, float]:
    """Return the deepest area that a given verdict points to, or none, or undetermined."""
    leaks = [v for v in verdicts if is_leak(v.verdict)]
    if leaks:
        area = deepest(tuple(a for v in leaks for a in areas_of(v.verdict)))
        return area, _p_any(verdicts, area)
    sound = math.prod(_p_area(v, "none") for v in verdicts)
    if verdicts and not untested and all(v.verdict == SEALED for v in verdicts):
        return ("none" if sound >= COMMIT_AT else "undetermined"), sound
    probable: tuple[Area, ...] = ("bottom-end", "cylinder-head", "head-gasket")
    return "undetermined", max(_p_any(verdicts, area) for area in probable)


def _p_any(verdicts: tuple[CylinderVerdict, ...], area: Area) -> float:
    """Return the probability that at least one cylinder leaks in an area [1]."""
    return 1.0 - math.prod(1.0 - _p_area(v, area) for v in verdicts)


def _p_area(verdict: CylinderVerdict, area: Area) -> float:
    p = math.fsum(r.probability for r in verdict.ranking if area in areas_of(r.verdict))
    return min(p, 1.0)


def _summary(
    area: Area,
    verdicts: tuple[CylinderVerdict, ...],
    untested: tuple[int, ...],
    together: tuple[Pattern, ...],
) -> str:
    """Say it in a customer's words."""
    said = [_leak_sentence(v) for v in verdicts if is_leak(v.verdict)]
    said.append(REPAIRS[area].customer)
    groups = (
        ("holds its air", "hold their air", [v for v in verdicts if v.verdict == SEALED]),
        (
            "must be tested again",
            "must be tested again",
            [v for v in verdicts if v.verdict == SET_UP],
        ),
        ("is still open", "are still open", [v for v in verdicts if v.verdict == UNDETERMINED]),
    )
    said += [_group_sentence([v.cylinder for v in g], one, many) for one, many, g in groups if g]
    if untested:
        said.append(_group_sentence(list(untested), "was not tested", "were not tested"))
    said += [pattern.customer for pattern in together if pattern.customer]
    return " ".join(said)


def _leak_sentence(v: CylinderVerdict) -> str:
    read = "" if v.leakage_percent is None else f", {v.leakage_percent:.3g} % on the gauge"
    within = ", still within the limit" if v.within_limit else ""
    sure = percent_sure(v.probability)
    also = "" if v.open_part is None else f"; whether past {in_words(v.open_part)} too is open"
    return (
        f"Cylinder {v.cylinder} loses air past {in_words(v.verdict)} "
        f"({sure} sure{read}{within}){also}."
    )


def _group_sentence(numbers: list[int], one: str, many: str) -> str:
    if len(numbers) == 1:
        return f"Cylinder {numbers[0]} {one}."
    listed = ", ".join(map(str, numbers[:-1]))
    return f"Cylinders {listed} and {numbers[-1]} {many}."


def _engine_check(
    verdicts: tuple[CylinderVerdict, ...],
    untested: tuple[int, ...],
    together: tuple[Pattern, ...],
) -> str | None:
    """Return the check that comes first on this engine."""
    for pattern in together:
        if pattern.check:
            return pattern.check
    unsettled = [v for v in verdicts if v.verdict in (UNDETERMINED, SET_UP) and v.next_check]
    leaks = [v for v in verdicts if is_leak(v.verdict) and v.next_check]
    worst = sorted(unsettled or leaks, key=lambda v: (-(v.leakage_percent or 0.0), v.cylinder))
    if worst and (unsettled or not untested):
        return f"Cylinder {worst[0].cylinder}: {worst[0].next_check}"
    if untested:
        return f"Test cylinder{'s' if len(untested) > 1 else ''} {', '.join(map(str, untested))}."
    return None


def _engine_flags(untested: tuple[int, ...], together: tuple[Pattern, ...]) -> tuple[str, ...]:
    """Return a flag for each pattern that has one, and for cylinders that were left out."""
    found = [pattern.flag for pattern in together if pattern.flag]
    return tuple(dict.fromkeys([*found, *(["cylinders-not-tested"] if untested else [])]))
