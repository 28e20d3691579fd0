"""What the cylinders of one engine tell about each other."""

from __future__ import annotations

import math
import statistics
from typing import TYPE_CHECKING

from earwitness.diagnosis.evidence import EngineContext, heard, loudest, neighbour_at
from earwitness.diagnosis.forward.leak import hiss_strength_db
from earwitness.diagnosis.forward.takes import take_of
from earwitness.diagnosis.likelihoods import BLOW_BY_ALIKE_DB, SOUND_BELOW
from earwitness.engine.listening_points import plug_hole
from earwitness.gauges.compression import LOWEST_OF_HIGHEST

if TYPE_CHECKING:
    from collections.abc import Mapping

    from earwitness.diagnosis.evidence import CylinderEvidence
    from earwitness.engine.layout import EngineLayout

ALIKE_WITHIN_PERCENT = 10.0
"""Spread of the leakages within which all cylinders count as alike [%]. Expert estimate, to be
calibrated."""
ALIKE_FROM = 3
"""Fewest cylinders that can be called all alike [1]. Chosen: two agree too easily by chance."""


def context_of(
    layout: EngineLayout, evidences: Mapping[int, CylinderEvidence], cylinder: int
) -> EngineContext:
    """Return what the other cylinders tell about `cylinder`.

    Parameters
    ----------
    layout : EngineLayout
    evidences : mapping of int to CylinderEvidence
        Evidence of every tested cylinder by its number.
    cylinder : int
        One of the tested cylinders.
    """
    beside = [evidences[n] for n in layout.neighbours(cylinder) if n in evidences]
    highest = _highest_dry(evidences)
    return EngineContext(
        highest_dry_kpa=highest,
        hiss_back=_hiss_back(cylinder, beside),
        low_beside=_low_beside(evidences[cylinder], beside, highest),
        leaks_beside=tuple(
            (e.cylinder, e.leakage_percent > e.limit_percent)
            for e in beside
            if e.leakage_percent is not None
        ),
        sound_on_tester=sum(_sound(e) for e in evidences.values() if e.cylinder != cylinder),
        tested_beside=tuple(e.cylinder for e in beside),
        blow_by_db=_blow_by([e for e in evidences.values() if e.cylinder != cylinder]),
        all_alike=all_alike(layout, evidences),
    )


def all_alike(layout: EngineLayout, evidences: Mapping[int, CylinderEvidence]) -> bool:
    """Tell whether every cylinder was read, leaks too much, and about as much as the others."""
    read = [e for e in evidences.values() if e.leakage_percent is not None]
    if len(read) < max(ALIKE_FROM, layout.cylinders):
        return False
    percents = [e.leakage_percent or 0.0 for e in read]
    over = all((e.leakage_percent or 0.0) > e.limit_percent for e in read)
    return over and max(percents) - min(percents) <= ALIKE_WITHIN_PERCENT


def _highest_dry(evidences: Mapping[int, CylinderEvidence]) -> float | None:
    """Return the highest dry compression [kPa] if there is another one to compare it with."""
    dry = [e.compression_dry_kpa for e in evidences.values() if e.compression_dry_kpa is not None]
    return max(dry) if len(dry) > 1 and max(dry) > 0 else None


def _hiss_back(cylinder: int, beside: list[CylinderEvidence]) -> tuple[tuple[int, bool], ...]:
    """Say of each neighbour whose test listened at this plug hole whether it was loudest there."""
    return tuple(
        (other.cylinder, sound in loudest(heard(other)))
        for other in beside
        for sound in heard(other)
        if sound.point == plug_hole(cylinder) and sound.proof
    )


def _blow_by(others: list[CylinderEvidence]) -> tuple[tuple[str, float, float], ...]:
    """Return what a gram a second past sound rings sounds like on this engine, point by point.

    Only of points where each sound cylinder was heard: the mean of the loud ones would be too loud.
    """
    found: dict[str, list[float]] = {}
    for other in filter(_sound, others):
        strength = hiss_strength_db(other)
        for take in (take_of(h) for h in heard(other) if h.proof):
            level = -math.inf if take.level_db is None else take.level_db - strength
            found.setdefault(take.point, []).append(level)
    return tuple(
        (point, statistics.median(levels), _spread(len(levels)))
        for point, levels in sorted(found.items())
        if neighbour_at(point) is None and math.isfinite(min(levels))
    )


def _spread(count: int) -> float:
    """Return how far another cylinder of the engine may lie from the mean of so many [dB]."""
    return BLOW_BY_ALIKE_DB * math.sqrt(1.0 + 1.0 / count)


def _sound(evidence: CylinderEvidence) -> bool:
    """Tell whether a cylinder loses so little that it can only pass sound rings."""
    percent = evidence.leakage_percent
    return percent is not None and percent <= SOUND_BELOW * evidence.limit_percent


def _low_beside(
    evidence: CylinderEvidence, beside: list[CylinderEvidence], highest: float | None
) -> tuple[tuple[int, bool], ...]:
    """Say of each neighbour of a low cylinder whether it is low too."""
    if highest is None or not _low(evidence, highest):
        return ()
    return tuple(
        (other.cylinder, _low(other, highest))
        for other in beside
        if other.compression_dry_kpa is not None
    )


def _low(evidence: CylinderEvidence, highest: float) -> bool:
    dry = evidence.compression_dry_kpa
    return dry is not None and dry < LOWEST_OF_HIGHEST * highest
