"""Say why: what moved the odds by how much, what is missing, and which flags travel along."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from earwitness.acoustics.across import across_points
from earwitness.diagnosis.decision.decide import over_limit
from earwitness.diagnosis.evidence import heard, like_control
from earwitness.diagnosis.forward.clues import point_words
from earwitness.diagnosis.hypotheses import in_words, is_leak, own_points
from earwitness.diagnosis.verdict import Weight
from earwitness.gauges.orifice import leak_size

if TYPE_CHECKING:
    from earwitness.diagnosis.decision.decide import Decision
    from earwitness.diagnosis.evidence import CylinderEvidence
    from earwitness.diagnosis.forward.clues import Case

LEAST_WEIGHT_DB = 1.0
"""Weight below which a clue is not worth a sentence [decibans]. I. J. Good: about the smallest
change that a person notices."""
BEFORE = "Before any evidence"
"""What the first weight is called: the odds that the priors give."""
THE_REST = "the rest"
"""All verdicts but the one at hand."""


def weights_of(case: Case, decision: Decision, verdict: str) -> tuple[Weight, ...]:
    """Return what moved the odds of a claim, in the order it was weighed; the decibans add up.

    Parameters
    ----------
    case : Case
    decision : Decision
    verdict : str
        The verdict given, or the first of the ranking.
    """
    odds = case.odds_db(decision.claim)
    steps = [odds[0], *(b - a for a, b in pairwise(odds))]
    names = [BEFORE, *(clue.text for clue in case.clues)]
    return tuple(
        Weight(
            name,
            verdict if db >= 0 else THE_REST,
            THE_REST if db >= 0 else verdict,
            db,
        )
        for name, db in zip(names, steps, strict=True)
    )


def reasons_of(
    evidence: CylinderEvidence, decision: Decision, verdict: str, weights: tuple[Weight, ...]
) -> tuple[str, ...]:
    """Return the reasons of a verdict, one sentence each, the most important first."""
    return (
        *((decision.why_open,) if decision.why_open else ()),
        *_weighty(weights, verdict),
        *_together(evidence),
        *evidence.leakage_remarks,
        *_size(evidence),
        *_gaps(evidence, verdict),
    )


def flags_of(evidence: CylinderEvidence, case: Case, decision: Decision) -> tuple[str, ...]:
    """Return the flags of every take, then the verdict's own, each once."""
    leak = decision.given and is_leak(decision.verdict)
    own = {p for way in case.ways if way.verdict == decision.verdict for p in own_points(way)}
    proofs = [h.proof for h in heard(evidence) if h.audible and h.point in own]
    screening = leak and not any(proofs)
    within = leak and evidence.leakage_percent is not None and not over_limit(evidence)
    raised = (
        ("no-leakage-reading", evidence.leakage_percent is None),
        ("points-not-listened", bool(_not_listened(evidence))),
        ("hiss-like-control", bool(like_control(evidence))),
        ("rests-on-screening", screening and bool(proofs)),
        ("not-heard", screening and not proofs),
        ("leak-within-limit", within),
        ("second-seal-open", decision.open_part is not None),
    )
    taken = (flag for f in evidence.findings for flag in f.flags)
    return tuple(dict.fromkeys([*taken, *(name for name, yes in raised if yes)]))


def _weighty(weights: tuple[Weight, ...], verdict: str) -> tuple[str, ...]:
    """Say what moved the odds of a verdict, heaviest first."""
    heavy = [w for w in weights[1:] if abs(w.decibans) >= LEAST_WEIGHT_DB]
    return tuple(
        f"{w.evidence}: {_decibans(abs(w.decibans))} "
        f"{'for' if w.decibans > 0 else 'against'} {in_words(verdict)}."
        for w in sorted(heavy, key=lambda w: -abs(w.decibans))
    )


def _decibans(weight_db: float) -> str:
    return f"{weight_db:.0f} deciban{'' if round(weight_db) == 1 else 's'}"


def _together(evidence: CylinderEvidence) -> tuple[str, ...]:
    """Say what the air-cycled takes show all together, and where it is loudest."""
    across = across_points(evidence.findings)
    if len(across.points) < 2 or not any(p.found for p in across.points):
        return ()
    chance = max(p.p_value for p in across.points if p.name in across.located)
    names = " and ".join(point_words(p) for p in across.located)
    listened = f"Of {len(across.points)} points listened to with the air cycled"
    sure = f"(p = {chance:.3f}, all points counted)"
    hidden = ""
    if across.hidden:
        silent = ", ".join(map(point_words, across.hidden))
        hidden = f" Noise could hide a louder one: {silent}."
    if len(across.located) > 1:
        return (f"{listened}, {names} hiss equally loudly within 3 dB {sure}.{hidden}",)
    if across.margin_db is None:
        return (f"{listened}, only {names} hisses {sure}.{hidden}",)
    loudest = f"{names} hisses loudest, by {across.margin_db:.1f} dB {sure}"
    return (f"{listened}, {loudest}.{hidden}",)


def _size(evidence: CylinderEvidence) -> tuple[str, ...]:
    """Say what hole the leakage amounts to, where the tester's orifice and supply are known."""
    percent, orifice, supply = evidence.leakage_percent, evidence.orifice_mm, evidence.supply_kpa
    if percent is None or orifice is None or supply is None:
        return ()
    size = leak_size(
        percent, orifice_mm=orifice, supply_kpa=supply, ambient_kpa=evidence.ambient_kpa
    )
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
    if hose := like_control(evidence):
        where = ", ".join(map(point_words, hose))
        lines.append(f"The hose hisses about as loudly, so this counts for less: {where}.")
    for point, flags in _unusable(evidence):
        lines.append(f"The take at {point_words(point)} was not used: {', '.join(flags)}.")
    if is_leak(verdict) and evidence.leakage_percent is not None and not over_limit(evidence):
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
