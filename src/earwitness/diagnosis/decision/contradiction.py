"""Tell when the evidence fits no explanation: what the best one makes improbable."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from earwitness.diagnosis import likelihoods
from earwitness.diagnosis.evidence import heard
from earwitness.diagnosis.forward import lookup
from earwitness.diagnosis.forward.clues import bubbles_of, sound_text
from earwitness.diagnosis.forward.sound import p_louder, p_missed
from earwitness.diagnosis.hypotheses import SEALED, in_words
from earwitness.diagnosis.likelihoods import CONTRADICTED_BELOW, FALSE_HISS
from earwitness.gauges.compression import wet_test

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext
    from earwitness.diagnosis.forward.clues import Case
    from earwitness.diagnosis.hypotheses import Way
    from earwitness.diagnosis.likelihoods import Row


def contradiction(
    evidence: CylinderEvidence, context: EngineContext, case: Case, verdict: str
) -> str | None:
    """Return why the evidence contradicts itself, None if a verdict explains it.

    Each observation is held against what the verdict's most probable way and all other
    observations lead one to expect; the least expected one decides, as improbable as the least of
    so many.
    """
    best = max(
        (k for k, way in enumerate(case.ways) if way.verdict == verdict),
        key=lambda k: case.probabilities[k],
    )
    found = tuple(surprises(evidence, context, case, best))
    if not found:
        return None
    p, text = min(found)
    of_so_many = 1.0 - (1.0 - min(p, 1.0)) ** len(found)
    if of_so_many >= CONTRADICTED_BELOW:
        return None
    return (
        f"The evidence contradicts itself: {text[0].lower()}{text[1:]} does not fit even the best "
        f"explanation, {in_words(verdict)}."
    )


def surprises(
    evidence: CylinderEvidence, context: EngineContext, case: Case, index: int
) -> Iterator[tuple[float, str]]:
    """Return how improbable each observation is under one way, and what it was.

    Parameters
    ----------
    evidence : CylinderEvidence
    context : EngineContext
    case : Case
    index : int
        Of the way among `case.ways`.
    """
    way = case.ways[index]
    yield from _of_the_gauges(evidence, context, case, way)
    yield from _of_the_takes(evidence, case, index)


def _of_the_gauges(
    evidence: CylinderEvidence, context: EngineContext, case: Case, way: Way
) -> Iterator[tuple[float, str]]:
    if case.leak.size is not None:
        size, error = case.leak.size
        mean, deviation = lookup.leak_size(way)
        z = (size - mean) / math.hypot(deviation, error)
        beyond = z if way.verdict == SEALED else -z  # too much for a sound one, too little else
        text = f"a leakage of {evidence.leakage_percent:.3g} %"
        yield 0.5 * math.erfc(beyond / math.sqrt(2.0)), text
    dry, wet = evidence.compression_dry_kpa, evidence.compression_wet_kpa
    if dry is not None and context.highest_dry_kpa:
        column = lookup.compression_column(dry / context.highest_dry_kpa)
        row = lookup.most_telling(likelihoods.COMPRESSION, way)
        yield _as_rare(row, column), f"a dry compression of {dry:.0f} kPa"
    if dry and wet is not None:
        rise = wet_test(dry_kpa=dry, wet_kpa=wet).rise
        row = lookup.most_telling(likelihoods.WET, way)
        column = row.index(lookup.p_wet(way, rise))
        yield _as_rare(row, column), f"a change of {100 * rise:+.0f} % in the wet test"
    if (bubbles := bubbles_of(evidence)) is not None:
        row = lookup.most_telling(likelihoods.BUBBLES, way)
        column = row.index(lookup.p_bubbles(way, bubbles))
        yield _as_rare(row, column), f"what the radiator neck showed, {bubbles} bubbles,"


def _of_the_takes(
    evidence: CylinderEvidence, case: Case, index: int
) -> Iterator[tuple[float, str]]:
    joint = case.joints[index]
    for k, (sound, take) in enumerate(zip(heard(evidence), case.takes, strict=True)):
        if not take.proof or not take.complete:
            continue
        cells = joint.cells(without=k)
        mean, deviation = joint.mean_db[:, k], joint.deviation_db[:, k]
        text = f"{sound_text(sound)}," if take.level_db is not None else sound_text(sound)
        if take.level_db is None:
            silent = p_missed(mean, deviation, (take.missed_db, take.spread_db))
            yield float(silent @ cells), text
            continue
        wide = (deviation**2 + take.spread_db**2) ** 0.5
        louder = float(p_louder(mean, wide, take.level_db) @ cells)
        yield min(2.0 * min(louder, 1.0 - louder) + _by_chance(take.level_db), 1.0), text


def _by_chance(level_db: float) -> float:
    """Return the probability of a hiss at least as loud where there is none [1]."""
    share, (mean, deviation) = FALSE_HISS
    return share * 0.5 * math.erfc((level_db - mean) / deviation / math.sqrt(2.0))


def _as_rare(row: Row, column: int) -> float:
    """Return the probability of anything at most as probable as what was observed [1]."""
    return math.fsum(p for p in row if p <= row[column])
