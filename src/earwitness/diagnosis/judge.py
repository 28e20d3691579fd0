"""Judge a cylinder and an engine: Bayes over what may be wrong, or a plain "undetermined"."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from earwitness.diagnosis.across import all_alike, context_of, shared_reasons
from earwitness.diagnosis.clues import Case, build_case, point_words
from earwitness.diagnosis.evidence import ALONE, heard, loudest, masked
from earwitness.diagnosis.hypotheses import (
    SEALED,
    SET_UP,
    UNDETERMINED,
    in_words,
    is_leak,
    parts,
    ways,
)
from earwitness.diagnosis.likelihoods import SET_UP_SHARES, sources
from earwitness.diagnosis.next_check import next_check
from earwitness.diagnosis.repair import REPAIRS, Area, areas_of, deepest
from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict, Ranked
from earwitness.engine.cautions import cautions
from earwitness.gauges.leakage import check_limit_percent
from earwitness.gauges.orifice import leak_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext
    from earwitness.engine.layout import EngineLayout

COMMIT_AT = 0.80
"""Probability from which a verdict is given [1]. Chosen: docs/decisions/0041-when-to-commit.md."""
LEAST_WEIGHT_DB = 1.0
"""Weight below which a clue is not worth a sentence [decibans]. I. J. Good: about the smallest
change that a person notices."""


def judge_cylinder(evidence: CylinderEvidence, context: EngineContext = ALONE) -> CylinderVerdict:
    """Return which seal of one cylinder leaks, how probably, and why.

    The verdict is the most probable hypothesis if nothing keeps it open, else `undetermined`; the
    probability is that of the most probable hypothesis either way.

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
    check_limit_percent(evidence.limit_percent, evidence.limit_origin)
    points = (*evidence.points, *(f.point for f in evidence.findings if f.point))
    points = tuple(dict.fromkeys(points))
    case = build_case(evidence, context, ways(points, SET_UP_SHARES))
    ranking = _ranking(case)
    best = ranking[0]
    open_because = _open_because(evidence, case, best)
    percent = evidence.leakage_percent
    return CylinderVerdict(
        cylinder=evidence.cylinder,
        leakage_percent=percent,
        within_limit=None if percent is None else percent <= evidence.limit_percent,
        verdict=UNDETERMINED if open_because else best.verdict,
        probability=best.probability,
        ranking=ranking,
        next_check=None
        if not open_because and best.verdict == SEALED
        else next_check(evidence, case, context),
        reasons=(
            *open_because,
            *_weights(case, best.verdict),
            *_size(evidence),
            *_gaps(evidence, best.verdict),
        ),
        flags=_flags(evidence, case, best.verdict, bool(open_because)),
    )


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
    alike = all_alike(layout, by_number)
    return EngineVerdict(
        area=area,
        probability=probability,
        summary=_summary(area, verdicts, untested, alike),
        next_check=_engine_check(verdicts, untested, alike),
        cylinders=verdicts,
        reasons=shared_reasons(layout, by_number, _gasket_cylinders(verdicts)),
        flags=tuple(
            name
            for name, raised in (("all-alike", alike), ("cylinders-not-tested", bool(untested)))
            if raised
        ),
        cautions=tuple(c.text for c in cautions("report", layout)),
    )


def _ranking(case: Case) -> tuple[Ranked, ...]:
    found = sorted(case.by_verdict().items(), key=lambda item: (-item[1], item[0]))
    return tuple(Ranked(verdict, p) for verdict, p in found)


# --- why a cylinder stays open ---------------------------------------------------------------


def _open_because(evidence: CylinderEvidence, case: Case, best: Ranked) -> tuple[str, ...]:
    """Return the reason not to commit to the most probable hypothesis, () if there is none."""
    for reason in (
        _nothing_to_judge_by(evidence),
        _silence(evidence, best.verdict),
        _against_the_gauge(evidence, best.verdict),
        _tie(evidence, case, best.verdict),
        _too_weak(best),
    ):
        if reason:
            return (reason,)
    return ()


def _nothing_to_judge_by(evidence: CylinderEvidence) -> str | None:
    if evidence.leakage_percent is None and not heard(evidence):
        return "There is nothing to judge by: no leakage reading and no usable take."
    return None


def _silence(evidence: CylinderEvidence, verdict: str) -> str | None:
    """Refuse to locate a large leak that nobody hears, whatever hypothesis is left over."""
    sounds = heard(evidence)
    if not sounds or any(h.audible for h in sounds) or evidence.bubbles in ("slow", "steady"):
        return None
    if is_leak(verdict) and _over(evidence):
        return "The gauge shows a leak above the limit, but no take hears it: it is not located."
    return None


def _against_the_gauge(evidence: CylinderEvidence, verdict: str) -> str | None:
    if verdict != SEALED:
        return None
    if evidence.leakage_percent is None:
        return "Nothing was heard, but how much air is lost was not read."
    if _over(evidence):
        return "The gauge is above the limit, so the cylinder cannot be called sealed."
    return None


def _tie(evidence: CylinderEvidence, case: Case, verdict: str) -> str | None:
    """Leave both open where two points are equally loud and speak for different seals."""
    audible = tuple(h for h in heard(evidence) if h.audible)
    clear = tuple(h for h in audible if h.grade != "faint") or audible
    top = {h.point for h in loudest(clear)}
    own = {p for way in case.ways if way.verdict == verdict for p in sources(way)}
    if not is_leak(verdict) or len(top) < 2 or top <= own:
        return None
    names = " and ".join(point_words(h.point) for h in loudest(clear))
    return f"The hiss at {names} is equally loud within 3 dB, and they speak for different seals."


def _too_weak(best: Ranked) -> str | None:
    if best.probability >= COMMIT_AT:
        return None
    return (
        f"The most likely explanation, {in_words(best.verdict)}, reaches only "
        f"{percent_sure(best.probability)}; a verdict needs {100 * COMMIT_AT:.0f} %."
    )


def _over(evidence: CylinderEvidence) -> bool:
    return evidence.leakage_percent is not None and (
        evidence.leakage_percent > evidence.limit_percent
    )


# --- reasons and flags -----------------------------------------------------------------------


def percent_sure(probability: float) -> str:
    """Return a probability in words, rounded down and never as certainty.

    Examples
    --------
    >>> percent_sure(0.934), percent_sure(0.29), percent_sure(0.9999)
    ('93 %', '29 %', 'more than 99 %')
    """
    if probability > 0.99:
        return "more than 99 %"
    return f"{math.floor(round(100 * probability, 9))} %"


def _weights(case: Case, verdict: str) -> tuple[str, ...]:
    """Say what moved the odds of a verdict, heaviest first."""
    weighed = [(case.weight_db(clue, verdict), clue.text) for clue in case.clues]
    heavy = sorted((w for w in weighed if abs(w[0]) >= LEAST_WEIGHT_DB), key=lambda w: -abs(w[0]))
    return tuple(
        f"{text}: {_decibans(abs(db))} {'for' if db > 0 else 'against'} {in_words(verdict)}."
        for db, text in heavy
    )


def _decibans(weight_db: float) -> str:
    return f"{weight_db:.0f} deciban{'' if round(weight_db) == 1 else 's'}"


def _size(evidence: CylinderEvidence) -> tuple[str, ...]:
    """Say what hole the leakage amounts to, where the tester's orifice and supply are known."""
    percent, orifice, supply = evidence.leakage_percent, evidence.orifice_mm, evidence.supply_kpa
    if percent is None or orifice is None or supply is None:
        return ()
    size = leak_size(percent, orifice_mm=orifice, supply_kpa=supply)
    if size is None:
        return ("The cylinder holds no pressure: no hole can be computed.",)
    hole = f"{size.hole_mm:.2f} mm, {size.free_air_l_min:.0f} L/min of free air"
    return (
        f"Through the tester's {orifice:g} mm orifice this leakage amounts to a hole of {hole}.",
    )


def _gaps(evidence: CylinderEvidence, verdict: str) -> tuple[str, ...]:
    """Say what the verdict could not lean on, and what a leak within the limit means."""
    lines = []
    if silent := _not_listened(evidence):
        lines.append(f"Not listened to: {', '.join(map(point_words, silent))}.")
    if hose := masked(evidence):
        where = ", ".join(map(point_words, hose))
        lines.append(f"Set aside, because the hose hisses as loudly: {where}.")
    for point, flags in _unusable(evidence):
        lines.append(f"The take at {point_words(point)} was not used: {', '.join(flags)}.")
    if is_leak(verdict) and evidence.leakage_percent is not None and not _over(evidence):
        lines.append("The leakage is within the limit: watch it, nothing has to come apart for it.")
    return tuple(lines)


def _not_listened(evidence: CylinderEvidence) -> tuple[str, ...]:
    """Return the engine's own points without a usable take."""
    told = {f.point for f in evidence.findings if f.usable}
    return tuple(p for p in evidence.points if p not in told and p not in ("adapter", "control"))


def _unusable(evidence: CylinderEvidence) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the takes that were refused, with the flags that say why."""
    return tuple(
        (f.point, f.flags or ("no reason given",))
        for f in evidence.findings
        if f.point and not f.usable
    )


def _flags(
    evidence: CylinderEvidence, case: Case, verdict: str, undetermined: bool
) -> tuple[str, ...]:
    """Return the flags of every take, then the verdict's own, each once."""
    own = {p for way in case.ways if way.verdict == verdict for p in sources(way)}
    proofs = [h.proof for h in heard(evidence) if h.audible and h.point in own]
    screening = is_leak(verdict) and not undetermined and not any(proofs)
    within = is_leak(verdict) and not undetermined and not _over(evidence)
    raised = (
        ("no-leakage-reading", evidence.leakage_percent is None),
        ("points-not-listened", bool(_not_listened(evidence))),
        ("hiss-like-control", bool(masked(evidence))),
        ("rests-on-screening", screening and bool(proofs)),
        ("not-heard", screening and not proofs),
        ("leak-within-limit", within and evidence.leakage_percent is not None),
    )
    taken = (flag for f in evidence.findings for flag in f.flags)
    return tuple(dict.fromkeys([*taken, *(name for name, yes in raised if yes)]))


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
    alike: bool,
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
    if alike:
        said.append("All cylinders leak alike: that is either general wear or the tester itself.")
    return " ".join(said)


def _leak_sentence(v: CylinderVerdict) -> str:
    read = "" if v.leakage_percent is None else f", {v.leakage_percent:.3g} % on the gauge"
    within = ", still within the limit" if v.within_limit else ""
    sure = percent_sure(v.probability)
    return (
        f"Cylinder {v.cylinder} loses air past {in_words(v.verdict)} ({sure} sure{read}{within})."
    )


def _group_sentence(numbers: list[int], one: str, many: str) -> str:
    if len(numbers) == 1:
        return f"Cylinder {numbers[0]} {one}."
    listed = ", ".join(map(str, numbers[:-1]))
    return f"Cylinders {listed} and {numbers[-1]} {many}."


def _engine_check(
    verdicts: tuple[CylinderVerdict, ...], untested: tuple[int, ...], alike: bool
) -> str | None:
    """Return the check that comes first on this engine."""
    if alike:
        return "Check the leakage tester against a known orifice before blaming every cylinder."
    unsettled = [v for v in verdicts if v.verdict in (UNDETERMINED, SET_UP) and v.next_check]
    leaks = [v for v in verdicts if is_leak(v.verdict) and v.next_check]
    worst = sorted(unsettled or leaks, key=lambda v: (-(v.leakage_percent or 0.0), v.cylinder))
    if worst and (unsettled or not untested):
        return f"Cylinder {worst[0].cylinder}: {worst[0].next_check}"
    if untested:
        return f"Test cylinder{'s' if len(untested) > 1 else ''} {', '.join(map(str, untested))}."
    return None


def _gasket_cylinders(verdicts: tuple[CylinderVerdict, ...]) -> tuple[int, ...]:
    """Return the cylinders whose verdict blames the gasket to a neighbour."""
    return tuple(v.cylinder for v in verdicts if "head-gasket-neighbour" in parts(v.verdict))
