"""Choose the check that would tell most for its effort.

The gain of a check is the expected fall of the Shannon entropy of the verdict, which is the mutual
information between verdict and result [bit]; the best check has the greatest gain a minute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

from earwitness.diagnosis.evidence import ALONE, heard, neighbour_at
from earwitness.diagnosis.forward.clues import add_up, bubbles_of, point_words
from earwitness.diagnosis.forward.lookup import leak_size, most_telling, p_checked
from earwitness.diagnosis.forward.sound import predicted
from earwitness.diagnosis.hypotheses import in_words
from earwitness.diagnosis.likelihoods import (
    BUBBLES,
    CHECKED,
    HISS_BACK,
    MINUTES,
    NEIGHBOUR_LEAKS,
    SIZE_EDGES,
    WET,
)
from earwitness.engine.listening_points import (
    RADIATOR,
    TAILPIPE,
    TAILPIPES,
    THROTTLE_BODY,
    plug_hole,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.diagnosis.evidence import CheckName, CylinderEvidence, EngineContext
    from earwitness.diagnosis.forward.clues import Case
    from earwitness.diagnosis.hypotheses import Way

LEAST_GAIN_BIT = 0.003
"""Gain below which no check is worth naming [bit]. Chosen: a verdict that is 98 % sure still gets
a check that would confirm it."""
CHECK_WORDS: dict[CheckName, str] = {
    "top-dead-centre": "Find top dead centre of the compression stroke again and read anew",
    "adapter-tight": "Wet the hose adapter with soapy water and watch for bubbles",
    "tester-right": "Check the leakage tester against a known orifice or a second one",
    "tap-helps": "Tap the stems of this cylinder's valves with a soft hammer, air off, and read "
    "again",
    "ventilation-quiets": "Pinch the crankcase ventilation hose and listen at the throttle body "
    "again",
}
"""What to do for each check with a yes or a no."""


@dataclass(frozen=True, slots=True)
class Check:
    """Something a technician can do next."""

    kind: str
    """`listen`, `leakage`, `wet`, `bubbles`, `test-neighbour`, `hiss-back`, or a `CheckName`."""
    text: str
    """What to do, without the full stop."""
    minutes: float
    """Effort [min]."""
    outcomes: tuple[tuple[float, ...], ...]
    """Probability of each outcome given each way, shape (ways, outcomes) [1]."""
    point: str | None = None
    """Listening point, for `listen`."""


def next_check(
    evidence: CylinderEvidence, case: Case, context: EngineContext = ALONE
) -> str | None:
    """Return the best next check and what it would settle; None if none would tell anything."""
    best = best_check(evidence, case, context)
    if best is None:
        return None
    pair = settles(case, best)
    what = f"; it would settle {in_words(pair[0])} against {in_words(pair[1])}" if pair else ""
    return f"{best.text}{what}."


def best_check(
    evidence: CylinderEvidence, case: Case, context: EngineContext = ALONE
) -> Check | None:
    """Return the check with the most expected information a minute, None if none would tell."""
    gains = [(gain_bit(case, check), check) for check in checks(evidence, case, context)]
    useful = [
        (gain / check.minutes, check.text, check) for gain, check in gains if gain > LEAST_GAIN_BIT
    ]
    return max(useful, key=lambda u: u[:2])[2] if useful else None


def settles(case: Case, check: Check) -> tuple[str, str] | None:
    """Return the two verdicts that the check tells apart most, the more probable first.

    Of all pairs, the one whose own entropy falls most, weighed by its probability.
    """
    p = case.by_verdict()
    rows = {verdict: _row_of(case, check, verdict) for verdict in p if p[verdict] > 0}
    pairs = list(combinations(sorted(rows, key=lambda v: (-p[v], v))[:6], 2))
    if not pairs:
        return None
    return max(pairs, key=lambda pair: _gain_between(*((p[v], rows[v]) for v in pair)))


def checks(
    evidence: CylinderEvidence, case: Case, context: EngineContext = ALONE
) -> tuple[Check, ...]:
    """Return the checks that are still open at this cylinder."""
    return (
        *_gauge_checks(evidence, case),
        *_listening_checks(evidence, case),
        *_yes_no_checks(evidence, case),
        *_neighbour_checks(evidence, case, context),
    )


def gain_bit(case: Case, check: Check) -> float:
    """Return the expected fall of the verdict's entropy by a check [bit]."""
    now = _entropy_bit(case.by_verdict())
    later = 0.0
    for k in range(len(check.outcomes[0])):
        joint = [p * row[k] for p, row in zip(case.probabilities, check.outcomes, strict=True)]
        chance = math.fsum(joint)
        if chance > 0:
            verdicts = add_up(case.ways, [p / chance for p in joint])
            later += chance * _entropy_bit(verdicts)
    return now - later


def _entropy_bit(probabilities: dict[str, float]) -> float:
    return -math.fsum(p * math.log2(p) for p in probabilities.values() if p > 0)


def _row_of(case: Case, check: Check, verdict: str) -> tuple[float, ...]:
    """Return the probability of each outcome given a verdict: the mean over its ways."""
    own = [
        (p, row)
        for way, p, row in zip(case.ways, case.probabilities, check.outcomes, strict=True)
        if way.verdict == verdict
    ]
    total = math.fsum(p for p, _ in own) or 1.0
    return tuple(math.fsum(p * row[k] for p, row in own) / total for k in range(len(own[0][1])))


def _gain_between(a: tuple[float, tuple[float, ...]], b: tuple[float, tuple[float, ...]]) -> float:
    """Return the mutual information between two verdicts and an outcome, weighed by both."""
    total = a[0] + b[0]
    gain = 0.0
    for in_a, in_b in zip(a[1], b[1], strict=True):
        mean = (a[0] * in_a + b[0] * in_b) / total
        for p, q in ((a[0], in_a), (b[0], in_b)):
            gain += p * q * math.log2(q / mean) if q > 0 and p > 0 else 0.0
    return gain


def _gauge_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    if evidence.leakage_percent is None:
        rows = tuple(_size_row(way) for way in case.ways)
        text = "Read the leakage gauge with the piston at top dead centre"
        yield Check("leakage", text, MINUTES["leakage"], rows)
    if evidence.compression_wet_kpa is None:
        rows = tuple(most_telling(WET, way) for way in case.ways)
        minutes = MINUTES["wet"]
        if evidence.compression_dry_kpa is None:
            minutes += MINUTES["dry"]
        text = "Wet test: a spoonful of oil into the cylinder, then measure compression again"
        yield Check("wet", text, minutes, rows)
    if RADIATOR in evidence.points and bubbles_of(evidence) is None:
        rows = tuple(most_telling(BUBBLES, way) for way in case.ways)
        text = "Cold engine: watch the full radiator neck for bubbles"
        yield Check("bubbles", text, MINUTES["bubbles"], rows)


def _size_row(way: Way) -> tuple[float, ...]:
    mean, deviation = leak_size(way)
    under = [0.5 * math.erfc((mean - edge) / deviation / math.sqrt(2.0)) for edge in SIZE_EDGES]
    return tuple(b - a for a, b in pairwise([0.0, *under, 1.0]))


def _listening_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    proved = {h.point for h in heard(evidence) if h.proof and h.grade != "undetermined"}
    for name in evidence.points:
        point = TAILPIPE if name in TAILPIPES else name
        if point in proved:
            continue
        rows = tuple(
            predicted(way, point, case.leak, joint, case.known)
            for way, joint in zip(case.ways, case.joints, strict=True)
        )
        yield Check("listen", _listen_text(evidence, name), MINUTES["listen"], rows, name)


def _listen_text(evidence: CylinderEvidence, point: str) -> str:
    where, takes = point_words(point), [f for f in evidence.findings if f.point == point]
    if any(f.usable for f in takes):
        return f"Listen at {where} again, with the air cycled on and off: a pair only screens"
    if takes:
        return f"Retake {where}: the take there could not be used"
    return f"Listen at {where}, with the air cycled on and off"


def _yes_no_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    done = {name for name, _ in evidence.checked}
    if not any(h.point == THROTTLE_BODY and h.audible for h in heard(evidence)):
        done.add("ventilation-quiets")
    for name in CHECKED:
        if name not in done:
            yes = [p_checked(way, name, yes=True) for way in case.ways]
            yield _yes_no(name, CHECK_WORDS[name], MINUTES[name], yes)


def _neighbour_checks(
    evidence: CylinderEvidence, case: Case, context: EngineContext
) -> Iterator[Check]:
    """Test a neighbour; if that was done, listen at this cylinder's hole while it is under air."""
    listened = {n for n, _ in context.hiss_back}
    for n in filter(None, map(neighbour_at, evidence.points)):
        if n not in context.tested_beside:
            leaks = [NEIGHBOUR_LEAKS[0 if w.neighbour == n else 1] for w in case.ways]
            text = f"Test cylinder {n} as well and compare"
            yield _yes_no("test-neighbour", text, MINUTES["test-neighbour"], leaks)
        elif n not in listened:
            hole = point_words(plug_hole(evidence.cylinder))
            text = f"Put cylinder {n} under air and listen at {hole}, the air cycled on and off"
            yes = [HISS_BACK[0 if w.neighbour == n else 1] for w in case.ways]
            yield _yes_no("hiss-back", text, MINUTES["hiss-back"], yes)


def _yes_no(kind: str, text: str, minutes: float, yes: list[float]) -> Check:
    return Check(kind, text, minutes, tuple((p, 1.0 - p) for p in yes))
