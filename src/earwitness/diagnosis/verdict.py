"""The verdict on a cylinder and on the engine: the result types of this room, and their JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from earwitness.diagnosis.repair import REPAIRS, Area, areas_of, deepest

SCHEMA = "earwitness.verdict/1"
PROBABILITY_DIGITS = 6
"""Digits after the point that a probability keeps in JSON [1]: far finer than it is known, coarse
enough to be the same text on every machine."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """One hypothesis and its probability after all the evidence."""

    verdict: str
    probability: float


@dataclass(frozen=True, slots=True)
class CylinderVerdict:
    """Which seal of one cylinder leaks, with what probability, and why."""

    cylinder: int
    leakage_percent: float | None
    within_limit: bool | None
    verdict: str
    probability: float
    """Of `verdict`; of the first of `ranking` where the verdict is `undetermined`."""
    ranking: tuple[Ranked, ...]
    next_check: str | None
    reasons: tuple[str, ...]
    flags: tuple[str, ...]


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
    }


def _cylinder_area(verdict: str) -> Area:
    areas = areas_of(verdict)
    return areas[0] if len(areas) == 1 else deepest(areas)


def _area(name: str) -> Area:
    return next((area for area in REPAIRS if area == name), "undetermined")


def _rounded(probability: float) -> float:
    return round(probability, PROBABILITY_DIGITS)
