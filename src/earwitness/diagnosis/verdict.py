"""The verdict on a cylinder and on the engine: the result types of this room."""

from __future__ import annotations

from dataclasses import dataclass

SCHEMA = "earwitness.verdict/1"


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
    ranking: tuple[Ranked, ...]
    next_check: str | None
    reasons: tuple[str, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EngineVerdict:
    """Where the repair lies: none, bottom-end, cylinder-head, head-gasket or undetermined."""

    area: str
    probability: float
    summary: str
    """In a customer's words."""
    next_check: str | None
    cylinders: tuple[CylinderVerdict, ...]
