"""Weigh the evidence: one clue for each thing observed, and Bayes' rule over the ways.

The weight of a clue is what I. J. Good calls the weight of evidence: ten times the decimal
logarithm of the factor by which the odds of a verdict change when the clue joins the others
[decibans]. Ten decibans make odds ten times as long, three about double them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis import likelihoods
from earwitness.diagnosis.evidence import heard, loudest
from earwitness.gauges.compression import check_compression_kpa, wet_test
from earwitness.gauges.leakage import check_leakage_percent

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.diagnosis.evidence import CylinderEvidence, EngineContext, Heard
    from earwitness.diagnosis.hypotheses import Way

POINT_WORDS = {
    "oil-filler": "the oil filler",
    "tailpipe": "the tailpipe",
    "tailpipe-left": "the left tailpipe",
    "tailpipe-right": "the right tailpipe",
    "throttle-body": "the throttle body",
    "radiator": "the radiator neck",
    "adapter": "the hose adapter",
    "control": "the control position",
}
"""Listening points in a sentence; a plug hole is put into words by `point_words`."""


@dataclass(frozen=True, slots=True)
class Clue:
    """One observation and how probable each way makes it."""

    text: str
    likelihood: tuple[float, ...]
    """Probability of the observation given each way, shape (ways,) [1]."""


@dataclass(frozen=True, slots=True)
class Case:
    """The ways that are possible, the clues, and the probability of each way."""

    ways: tuple[Way, ...]
    clues: tuple[Clue, ...]
    probabilities: tuple[float, ...]
    """Probability of each way after all clues, shape (ways,) [1]."""

    def by_verdict(self) -> dict[str, float]:
        """Return the probability of each verdict: the sum over its ways."""
        return add_up(self.ways, self.probabilities)

    def weight_db(self, clue: Clue, verdict: str) -> float:
        """Return what `clue` adds to the odds of `verdict`, given all the others [decibans]."""
        others = [c for c in self.clues if c is not clue]
        without = add_up(self.ways, posterior(self.ways, others))
        return _log_odds_db(self.by_verdict()[verdict]) - _log_odds_db(without[verdict])


def build_case(evidence: CylinderEvidence, context: EngineContext, ways: tuple[Way, ...]) -> Case:
    """Return the case for one cylinder.

    Raises
    ------
    GaugeError
        If a reading is impossible.
    """
    clues = tuple(
        Clue(text, tuple(likelihood)) for text, likelihood in _observations(evidence, context, ways)
    )
    return Case(ways, clues, posterior(ways, clues))


def posterior(ways: Sequence[Way], clues: Sequence[Clue]) -> tuple[float, ...]:
    """Return the probability of each way by Bayes' rule; the priors where there is no clue."""
    weights = [likelihoods.prior(way) for way in ways]
    for clue in clues:
        weights = [w * p for w, p in zip(weights, clue.likelihood, strict=True)]
    total = math.fsum(weights)
    return tuple(w / total for w in weights)


def add_up(ways: Sequence[Way], probabilities: Sequence[float]) -> dict[str, float]:
    """Return the probability of each verdict: the sum over its ways."""
    found: dict[str, float] = {}
    for way, p in zip(ways, probabilities, strict=True):
        found[way.verdict] = found.get(way.verdict, 0.0) + p
    return found


def nominal_percent(evidence: CylinderEvidence) -> float | None:
    """Return the leakage stretched to the nominal limit [%], None if it was not read."""
    if evidence.leakage_percent is None:
        return None
    percent = check_leakage_percent(evidence.leakage_percent)
    return likelihoods.at_nominal_limit(percent, evidence.limit_percent)


def point_words(point: str) -> str:
    """Return a listening point in a sentence.

    Examples
    --------
    >>> point_words("plug-hole-2")
    'the plug hole of cylinder 2'
    """
    return POINT_WORDS.get(point, f"the plug hole of cylinder {point.rpartition('-')[2]}")


def _observations(
    evidence: CylinderEvidence, context: EngineContext, ways: tuple[Way, ...]
) -> Iterator[tuple[str, list[float]]]:
    yield from _gauge_observations(evidence, context, ways)
    yield from _sound_observations(evidence, ways)
    yield from _pattern_observations(context, ways)


def _gauge_observations(
    evidence: CylinderEvidence, context: EngineContext, ways: tuple[Way, ...]
) -> Iterator[tuple[str, list[float]]]:
    percent, limit = evidence.leakage_percent, evidence.limit_percent
    if percent is not None:
        check_leakage_percent(percent)
        text = f"Leakage {percent:.3g} % against a limit of {limit:.3g} % ({evidence.limit_origin})"
        yield text, [likelihoods.p_leakage(w, percent, limit) for w in ways]
    dry, wet = evidence.compression_dry_kpa, evidence.compression_wet_kpa
    if dry is not None and check_compression_kpa(dry) >= 0 and context.highest_dry_kpa:
        share = dry / context.highest_dry_kpa
        text = f"Dry compression {dry:.0f} kPa, {100 * share:.0f} % of the highest cylinder"
        yield text, [likelihoods.p_compression(w, share) for w in ways]
    if dry is not None and wet is not None:
        rise = wet_test(dry_kpa=dry, wet_kpa=wet).rise
        text = f"Wet test: compression changes by {100 * rise:+.0f} % with oil"
        yield text, [likelihoods.p_wet(w, rise) for w in ways]
    if evidence.bubbles is not None:
        text = f"Bubbles at the radiator neck: {evidence.bubbles}"
        yield text, [likelihoods.p_bubbles(w, evidence.bubbles) for w in ways]


def _sound_observations(
    evidence: CylinderEvidence, ways: tuple[Way, ...]
) -> Iterator[tuple[str, list[float]]]:
    sounds, nominal = heard(evidence), nominal_percent(evidence)
    for sound in sounds:
        yield _sound_text(sound), [likelihoods.p_heard(w, sound, nominal) for w in ways]
    audible = [h for h in sounds if h.audible]
    if len(audible) > 1:
        top = loudest(sounds)
        names = " and ".join(point_words(h.point) for h in top)
        tied = "equally loud within 3 dB" if len(top) > 1 else "loudest by at least 3 dB"
        yield (
            f"The hiss at {names} is {tied}",
            [likelihoods.p_loudest(w, sounds, top) for w in ways],
        )


def _pattern_observations(
    context: EngineContext, ways: tuple[Way, ...]
) -> Iterator[tuple[str, list[float]]]:
    for n, seen in context.hiss_back:
        text = f"Air into cylinder {n} is {'heard' if seen else 'not heard'} at this plug hole"
        yield text, [likelihoods.p_pair_pattern(w, n, seen, likelihoods.HISS_BACK) for w in ways]
    for n, seen in context.low_beside:
        text = f"Compression of cylinder {n} beside it is {'low as well' if seen else 'not low'}"
        yield text, [likelihoods.p_pair_pattern(w, n, seen, likelihoods.LOW_BESIDE) for w in ways]
    if context.all_alike:
        text = "All cylinders leak too much, and about as much"
        yield text, [likelihoods.p_all_alike(w) for w in ways]


def _sound_text(sound: Heard) -> str:
    where = point_words(sound.point)
    basis = "air cycles" if sound.proof else "a screening pair"
    if not sound.audible:
        return f"No hiss at {where} ({basis})"
    chance = "" if sound.p_value is None else f", p = {sound.p_value:.2g}"
    grade = sound.grade.capitalize()
    return f"{grade} hiss at {where}, {sound.excess_db:+.1f} dB ({basis}{chance})"


def _log_odds_db(probability: float) -> float:
    """Return 10 lg(p / (1 - p)), within what double precision can tell [decibans]."""
    p = min(max(probability, 1e-12), 1.0 - 1e-12)
    return 10.0 * math.log10(p / (1.0 - p))
