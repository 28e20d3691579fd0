"""Commit to a verdict, to the sure part of one, or leave it open with the reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.decision.contradiction import contradiction
from earwitness.diagnosis.evidence import heard, loudest
from earwitness.diagnosis.forward.clues import bubbles_of, point_words
from earwitness.diagnosis.hypotheses import (
    SEALED,
    SEALS,
    UNDETERMINED,
    in_words,
    is_leak,
    own_points_of,
    parts,
)
from earwitness.diagnosis.likelihoods import COMMIT_AT
from earwitness.diagnosis.verdict import percent_sure
from earwitness.gauges.compression import LOWEST_OF_HIGHEST

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext
    from earwitness.diagnosis.forward.clues import Case
    from earwitness.diagnosis.hypotheses import Way
    from earwitness.diagnosis.verdict import Ranked


@dataclass(frozen=True, slots=True)
class Decision:
    """What is claimed of a cylinder, how probably, and why not more."""

    verdict: str
    probability: float
    claim: frozenset[Way]
    """The ways in which the claim is true; its probability is theirs together."""
    open_part: str | None = None
    why_open: str | None = None
    """Why there is no verdict, or no more of one."""

    @property
    def given(self) -> bool:
        """True if a verdict is given."""
        return self.verdict != UNDETERMINED


def decide(
    evidence: CylinderEvidence, context: EngineContext, case: Case, ranking: tuple[Ranked, ...]
) -> Decision:
    """Return the verdict, its sure part, or `undetermined` with the reason.

    A hypothesis is claimed from a probability of `COMMIT_AT`. Where none reaches it, but one seal
    leaks alone or beside another with that probability, this seal is claimed and the other stays
    open.
    """
    best = ranking[0]
    alone = _claim(case, best)
    for reason in (
        _nothing_to_judge_by(evidence),
        _silence(evidence, best.verdict),
        _silent_at_home(evidence, best.verdict),
        _against_the_gauge(evidence, context, best.verdict),
        contradiction(evidence, context, case, best.verdict),
    ):
        if reason:
            return Decision(UNDETERMINED, best.probability, alone, why_open=reason)
    if best.probability >= COMMIT_AT:
        return Decision(best.verdict, best.probability, alone)
    return _sure_part(case, ranking) or Decision(
        UNDETERMINED, best.probability, alone, why_open=_too_weak(evidence, best)
    )


def over_limit(evidence: CylinderEvidence) -> bool:
    """Tell whether the leakage was read and is above the limit."""
    return evidence.leakage_percent is not None and (
        evidence.leakage_percent > evidence.limit_percent
    )


def _claim(case: Case, best: Ranked) -> frozenset[Way]:
    return frozenset(way for way in case.ways if way.verdict == best.verdict)


def _sure_part(case: Case, ranking: tuple[Ranked, ...]) -> Decision | None:
    """Return the claim that one seal leaks, whatever leaks beside it; None if none is sure."""
    seal = max(SEALS, key=case.p_leaks)
    p = case.p_leaks(seal)
    if p < COMMIT_AT:
        return None
    mixture = next(r.verdict for r in ranking if seal in parts(r.verdict) and "+" in r.verdict)
    other = next(part for part in parts(mixture) if part != seal)
    claim = frozenset(way for way in case.ways if seal in way.causes)
    why = f"Surely {in_words(seal)}; whether {in_words(other)} leaks as well stays open."
    return Decision(seal, p, claim, other, why)


def _nothing_to_judge_by(evidence: CylinderEvidence) -> str | None:
    if evidence.leakage_percent is None and not heard(evidence):
        return "There is nothing to judge by: no leakage reading and no usable take."
    return None


def _silence(evidence: CylinderEvidence, verdict: str) -> str | None:
    """Refuse to locate a large leak that nobody hears, whatever hypothesis is left over."""
    sounds = heard(evidence)
    if not sounds or any(h.audible for h in sounds) or bubbles_of(evidence) in ("slow", "steady"):
        return None
    if is_leak(verdict) and over_limit(evidence):
        return "The gauge shows a leak above the limit, but no take hears it: it is not located."
    return None


def _silent_at_home(evidence: CylinderEvidence, verdict: str) -> str | None:
    """Refuse to blame a seal by hiss elsewhere, where air cycles find none at its own point."""
    if not is_leak(verdict) or bubbles_of(evidence) in ("slow", "steady"):
        return None
    silent = {h.point for h in heard(evidence) if h.proof and h.complete and not h.audible}
    for seal in parts(verdict):
        for point in own_points_of(seal):
            if point in silent:
                return (
                    f"What hisses speaks for {in_words(verdict)}, but at {point_words(point)}, "
                    f"where {in_words(seal)} would be heard, there is no hiss."
                )
    return None


def _against_the_gauge(
    evidence: CylinderEvidence, context: EngineContext, verdict: str
) -> str | None:
    if verdict != SEALED:
        return None
    if evidence.leakage_percent is None:
        return "Nothing was heard, but how much air is lost was not read."
    if over_limit(evidence):
        return "The gauge is above the limit, so the cylinder cannot be called sealed."
    dry, highest = evidence.compression_dry_kpa, context.highest_dry_kpa
    if dry is not None and highest and dry < LOWEST_OF_HIGHEST * highest:
        return (
            "At rest the cylinder holds its air, but its compression is below three quarters of "
            "the highest: measure it again, then look at valve lift and timing."
        )
    return None


def _too_weak(evidence: CylinderEvidence, best: Ranked) -> str:
    top = loudest(heard(evidence))
    tied = ""
    if len(top) > 1:
        names = " and ".join(point_words(h.point) for h in top)
        tied = f" The hiss at {names} is equally loud within 3 dB."
    return (
        f"The most likely explanation, {in_words(best.verdict)}, reaches only "
        f"{percent_sure(best.probability)}; a verdict needs {100 * COMMIT_AT:.0f} %.{tied}"
    )
