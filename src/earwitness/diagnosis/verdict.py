"""The verdict on a cylinder and on the engine: the result types of this room, and their JSON."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

from earwitness.diagnosis.repair import REPAIRS, Area, areas_of, deepest

SCHEMA = "earwitness.verdict/1"
PROBABILITY_DIGITS = 6
"""Digits after the point that a probability keeps in JSON [1]: far finer than it is known, coarse
enough to be the same text on every machine."""

DECIBAN_DIGITS = 2
"""Digits after the point that a weight keeps in JSON [1]: a factor of 1.002 on the odds."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """One hypothesis and its probability after all the evidence."""

    verdict: str
    probability: float


@dataclass(frozen=True, slots=True)
class Weight:
    """What one piece of evidence did to the odds, those before it given."""

    evidence: str
    favours: str
    """Verdict that it speaks for, `the rest` for all others together."""
    against: str
    decibans: float
    """Ten times the decimal logarithm of the factor on the odds of the verdict [decibans];
    negative where it speaks against the verdict."""


@dataclass(frozen=True, slots=True)
class CylinderVerdict:
    """Which seal of one cylinder leaks, with what probability, and why."""

    cylinder: int
    leakage_percent: float | None
    within_limit: bool | None
    verdict: str
    probability: float
    """That `verdict` is true: of its hypothesis or, where a second seal stays open, that this one
    leaks, alone or not; of the first of `ranking` where the verdict is `undetermined`."""
    ranking: tuple[Ranked, ...]
    next_check: str | None
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    open_part: str | None = None
    """A second seal that may leak as well, while the one in `verdict` is sure."""
    weights: tuple[Weight, ...] = ()
    """From the odds before any evidence to those of `probability`; their decibans add up."""


@dataclass(frozen=True, slots=True)
class EngineVerdict:
    """Where the repair lies: none, bottom-end, cylinder-head, head-gasket or undetermined."""

    area: str
    probability: float
    """That a cylinder leaks in `area`, or that all are sound; of the likeliest area where it is
    `undetermined`."""
    summary: str
    """In a customer's words."""
    next_check: str | None
    cylinders: tuple[CylinderVerdict, ...]
    reasons: tuple[str, ...] = ()
    """What the cylinders show together."""
    flags: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def to_json(verdict: EngineVerdict) -> dict[str, object]:
    """Return a verdict as the stable JSON object `earwitness.verdict/1`.

    Returns
    -------
    dict
        `schema`; `engine` with area, probability, summary, next_check, reasons, flags, cautions
        and the `repair` that the area leads to; `cylinders`, each with the fields of
        `CylinderVerdict`, its `area`, and every hypothesis in `ranking`. Nothing but text,
        finite numbers, booleans, None, lists and dicts with text keys.
    """
    return {
        "schema": SCHEMA,
        "engine": {
            "area": verdict.area,
            "probability": _rounded(verdict.probability),
            "summary": verdict.summary,
            "next_check": verdict.next_check,
            "reasons": list(verdict.reasons),
            "flags": list(verdict.flags),
            "cautions": list(verdict.cautions),
            "repair": asdict(REPAIRS[_area(verdict.area)]),
        },
        "cylinders": [_cylinder(c) for c in verdict.cylinders],
    }


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


def _cylinder(c: CylinderVerdict) -> dict[str, object]:
    return {
        "cylinder": c.cylinder,
        "leakage_percent": c.leakage_percent,
        "within_limit": c.within_limit,
        "verdict": c.verdict,
        "probability": _rounded(c.probability),
        "ranking": [
            {"verdict": r.verdict, "probability": _rounded(r.probability)} for r in c.ranking
        ],
        "next_check": c.next_check,
        "reasons": list(c.reasons),
        "flags": list(c.flags),
        "area": _cylinder_area(c.verdict),
        "open_part": c.open_part,
        "weights": [
            {
                "evidence": w.evidence,
                "favours": w.favours,
                "against": w.against,
                "decibans": round(w.decibans, DECIBAN_DIGITS),
            }
            for w in c.weights
        ],
    }


def _cylinder_area(verdict: str) -> Area:
    areas = areas_of(verdict)
    return areas[0] if len(areas) == 1 else deepest(areas)


def _area(name: str) -> Area:
    return next((area for area in REPAIRS if area == name), "undetermined")


def _rounded(probability: float) -> float:
    return round(probability, PROBABILITY_DIGITS)
