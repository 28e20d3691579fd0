"""What is known about one cylinder before it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from earwitness.acoustics.finding import Finding

Bubbles = Literal["none", "slow", "steady"]


@dataclass(frozen=True, slots=True)
class CylinderEvidence:
    """Gauges, findings and what the eye saw, for one cylinder."""

    cylinder: int
    points: tuple[str, ...]
    """Listening points this engine offers at this cylinder, listened to or not."""
    leakage_percent: float | None = None
    """100 (supply - cylinder) / supply, gauge pressures [%]."""
    limit_percent: float = 20.0
    """Leakage above which the cylinder is suspect [%]."""
    limit_origin: str = "common practice, no source"
    compression_dry_kpa: float | None = None
    compression_wet_kpa: float | None = None
    bubbles: Bubbles | None = None
    """What the eye saw at the radiator neck."""
    findings: tuple[Finding, ...] = ()
    """In the order taken; the last usable one at a listening point counts."""
