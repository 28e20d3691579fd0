"""Choose the check that would tell most for its effort.

The gain of a check is the expected fall of the Shannon entropy of the verdict [bit]; the best
check has the greatest gain a minute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.clues import add_up, nominal_percent, point_words
from earwitness.diagnosis.evidence import ALONE, heard, masked, neighbour_at
from earwitness.diagnosis.likelihoods import (
    BUBBLES,
    HEARD,
    HISS_BACK,
    LEAKAGE,
    WET,
    loudness,
    most_telling,
)
from earwitness.engine.listening_points import CONTROL, TAILPIPE, TAILPIPES, plug_hole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.diagnosis.clues import Case
    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext
    from earwitness.diagnosis.hypotheses import Cause

LEAST_GAIN_BIT = 0.01
"""Gain below which no check is worth naming [bit]. Chosen: a hundredth of a yes-or-no answer."""
LISTEN_MIN = 2.0
"""Effort of one air-cycled take [min]: 44 s of sound and the way there. Expert estimate."""
EASY: tuple[float, float] = (0.90, 0.05)
"""Probability that a set-up check finds the fault it looks for, if present and if not [1].
Expert estimate, to be calibrated."""
TAP_HELPS = (0.30, 0.03)
"""Probability that tapping the stem lowers the leakage, of a leaking valve and of anything else
[1]: dirt on the seat. Expert estimate, to be calibrated."""
NEIGHBOUR_LEAKS = (0.90, 0.20)
"""Probability that the neighbour leaks too much, if the gasket between leaks and if not [1].
Expert estimate, to be calibrated."""
VENT_QUIETS = (0.85, 0.05, 0.40)
"""Probability that the intake falls silent with the crankcase ventilation pinched, if the rings
leak, if the intake valve does, and otherwise [1]. Expert estimate, to be calibrated."""


@dataclass(frozen=True, slots=True)
class Check:
    """Something a technician can do next."""

    text: str
    minutes: float
    """Effort [min]. Expert estimates."""
    outcomes: tuple[tuple[float, ...], ...]
    """Probability of each outcome given each way, shape (ways, outcomes) [1]."""


def next_check(
    evidence: CylinderEvidence, case: Case, context: EngineContext = ALONE
) -> str | None:
    """Return the best next check in a technician's words, None if none would tell anything."""
    gains = [(gain_bit(case, check), check) for check in checks(evidence, case, context)]
    useful = [(gain / check.minutes, check.text) for gain, check in gains if gain > LEAST_GAIN_BIT]
    return max(useful)[1] if useful else None


def checks(
    evidence: CylinderEvidence, case: Case, context: EngineContext = ALONE
) -> tuple[Check, ...]:
    """Return the checks that are still open at this cylinder."""
    return (
        *_gauge_checks(evidence, case),
        *_listening_checks(evidence, case),
        *_set_up_checks(case),
        *_engine_checks(evidence, case),
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


def _gauge_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    if evidence.leakage_percent is None:
        rows = tuple(most_telling(LEAKAGE, way) for way in case.ways)
        yield Check("Read the leakage gauge with the piston at top dead centre.", 3.0, rows)
    if evidence.compression_wet_kpa is None:
        rows = tuple(most_telling(WET, way) for way in case.ways)
        minutes = 12.0 if evidence.compression_dry_kpa is None else 6.0
        text = "Wet test: a spoonful of oil into the cylinder, then measure compression again."
        yield Check(text, minutes, rows)


def _listening_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    nominal = nominal_percent(evidence)
    proved = {f.point for f in evidence.findings if f.usable and f.p_value is not None}
    proved -= set(masked(evidence))
    for name in evidence.points:
        if name in proved or name == CONTROL:
            continue
        point = TAILPIPE if name in TAILPIPES else name
        rows = tuple(HEARD[loudness(way, point, nominal)] for way in case.ways)
        yield Check(_listen_text(evidence, name), LISTEN_MIN, rows)


def _listen_text(evidence: CylinderEvidence, point: str) -> str:
    where, takes = point_words(point), [f for f in evidence.findings if f.point == point]
    if point in masked(evidence):
        return f"Silence the hose and its couplings, then listen at {where} again."
    if any(f.usable for f in takes):
        return f"Listen at {where} again, with the air cycled on and off: a pair only screens."
    if takes:
        return f"Retake {where}: the take there could not be used."
    return f"Listen at {where}, with the air cycled on and off."


def _set_up_checks(case: Case) -> Iterator[Check]:
    for cause, text, minutes in (
        ("off-tdc", "Find top dead centre of the compression stroke again and read anew.", 3.0),
        ("adapter-leak", "Wet the hose adapter with soapy water and watch for bubbles.", 1.5),
        ("gauge-wrong", "Check the leakage tester against a known orifice or a second one.", 5.0),
    ):
        yield _yes_no(text, minutes, [EASY[0 if cause in w.causes else 1] for w in case.ways])


def _engine_checks(evidence: CylinderEvidence, case: Case) -> Iterator[Check]:
    if "radiator" in evidence.points and evidence.bubbles is None:
        rows = tuple(most_telling(BUBBLES, way) for way in case.ways)
        yield Check("Cold engine: watch the full radiator neck for bubbles.", LISTEN_MIN, rows)
    valves = {"exhaust-valve", "intake-valve"}
    text = "Tap the stems of this cylinder's valves with a soft hammer, air off, and read again."
    taps = [TAP_HELPS[0 if valves & set(w.causes) else 1] for w in case.ways]
    yield _yes_no(text, 10.0, taps)
    if any(h.point == "throttle-body" and h.audible for h in heard(evidence)):
        text = "Pinch the crankcase ventilation hose and listen at the throttle body again."
        yield _yes_no(text, 3.0, [_vent_quiets(w.causes) for w in case.ways])


def _neighbour_checks(
    evidence: CylinderEvidence, case: Case, context: EngineContext
) -> Iterator[Check]:
    """Test a neighbour; if that was done, listen at this cylinder's hole while it is under air."""
    listened = {n for n, _ in context.hiss_back}
    for n in filter(None, map(neighbour_at, evidence.points)):
        if n not in context.tested_beside:
            leaks = [NEIGHBOUR_LEAKS[0 if w.neighbour == n else 1] for w in case.ways]
            yield _yes_no(f"Test cylinder {n} as well and compare.", 10.0, leaks)
        elif n not in listened:
            hole = point_words(plug_hole(evidence.cylinder))
            text = f"Put cylinder {n} under air and listen at {hole}, the air cycled on and off."
            yield _yes_no(text, 6.0, [HISS_BACK[0 if w.neighbour == n else 1] for w in case.ways])


def _vent_quiets(causes: tuple[Cause, ...]) -> float:
    if "intake-valve" in causes or "off-tdc" in causes:
        return VENT_QUIETS[1]
    return VENT_QUIETS[0] if "rings-or-piston" in causes else VENT_QUIETS[2]


def _yes_no(text: str, minutes: float, yes: list[float]) -> Check:
    return Check(text, minutes, tuple((p, 1.0 - p) for p in yes))
