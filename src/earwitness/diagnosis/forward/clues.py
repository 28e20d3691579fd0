"""Weigh the evidence: one clue for each thing observed, and Bayes' rule over the ways.

The weight of a clue is what I. J. Good calls the weight of evidence: ten times the decimal
logarithm of the factor by which the odds of a verdict change when the clue joins those before it
[decibans]. Ten decibans make odds ten times as long, three about double them. The weights and the
odds before any evidence add up to the odds after all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from earwitness.diagnosis import likelihoods
from earwitness.diagnosis.evidence import heard
from earwitness.diagnosis.forward import lookup
from earwitness.diagnosis.forward.leak import UNREAD, Leak, in_this_shop, leak_of, p_leakage
from earwitness.diagnosis.forward.sound import Joint, joint
from earwitness.diagnosis.forward.takes import Take, take_of
from earwitness.engine.listening_points import CONTROL
from earwitness.gauges.compression import check_compression_kpa, wet_test

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.diagnosis.evidence import (
        Bubbles,
        CheckName,
        CylinderEvidence,
        EngineContext,
        Heard,
    )
    from earwitness.diagnosis.hypotheses import Way
    from earwitness.diagnosis.likelihoods import Spread

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
ANSWERS: dict[CheckName, tuple[str, str]] = {
    "top-dead-centre": (
        "The piston was checked to stand at top dead centre of compression",
        "The piston was found off top dead centre of compression",
    ),
    "adapter-tight": (
        "No bubbles of soapy water at the adapter",
        "Bubbles of soapy water at the adapter",
    ),
    "tester-right": ("The tester reads a known orifice rightly", "The tester misreads an orifice"),
    "tap-helps": (
        "Tapping the valve stems lowers the leakage",
        "Tapping the valve stems changes nothing",
    ),
    "ventilation-quiets": (
        "The throttle body falls silent with the crankcase ventilation pinched",
        "The throttle body hisses with the crankcase ventilation pinched",
    ),
}
"""What each check with a yes or a no came to, in a sentence."""


@dataclass(frozen=True, slots=True)
class Clue:
    """One observation and how probable each way makes it, given the clues before it."""

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
    leak: Leak = UNREAD
    takes: tuple[Take, ...] = ()
    known: dict[str, Spread] = field(default_factory=dict)
    """Level of a gram a second past sound rings on this engine, by point [dB]."""
    joints: tuple[Joint, ...] = ()
    """All takes under each way, shape (ways,)."""

    def by_verdict(self) -> dict[str, float]:
        """Return the probability of each verdict: the sum over its ways."""
        return add_up(self.ways, self.probabilities)

    def p_leaks(self, seal: str) -> float:
        """Return the probability that a seal leaks, alone or beside another [1]."""
        return math.fsum(
            p for w, p in zip(self.ways, self.probabilities, strict=True) if seal in w.causes
        )

    def odds_db(self, claim: frozenset[Way]) -> tuple[float, ...]:
        """Return the log odds of a claim before any clue and after each, shape (1 + clues,) [dB].

        Parameters
        ----------
        claim : frozenset of Way
            The ways in which it would be true.
        """
        weights = [lookup.prior(way) for way in self.ways]
        found = [_log_odds_db(self.ways, weights, claim)]
        for clue in self.clues:
            weights = [w * p for w, p in zip(weights, clue.likelihood, strict=True)]
            found.append(_log_odds_db(self.ways, weights, claim))
        return tuple(found)


def build_case(evidence: CylinderEvidence, context: EngineContext, ways: tuple[Way, ...]) -> Case:
    """Return the case for one cylinder.

    Raises
    ------
    GaugeError
        If a reading is impossible.
    """
    known = {point: (level, spread) for point, level, spread in context.blow_by_db}
    leak, sounds = in_this_shop(leak_of(evidence), known), heard(evidence)
    takes = tuple(map(take_of, sounds))
    hose = any(t.point == CONTROL and t.level_db is not None for t in takes)
    joints = tuple(joint(way, takes, leak, hose=hose, known=known) for way in ways)
    clues = (
        *_gauge_clues(evidence, context, leak, ways),
        *_check_clues(evidence, ways),
        *_pattern_clues(context, ways),
        *_sound_clues(sounds, joints),
    )
    return Case(ways, clues, posterior(ways, clues), leak, takes, known, joints)


def posterior(ways: Sequence[Way], clues: Sequence[Clue]) -> tuple[float, ...]:
    """Return the probability of each way by Bayes' rule; the priors where there is no clue."""
    weights = [lookup.prior(way) for way in ways]
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


def bubbles_of(evidence: CylinderEvidence) -> Bubbles | None:
    """Return what the eye saw at the radiator neck; what was heard, where nobody looked."""
    return evidence.bubbles if evidence.bubbles is not None else evidence.bubbles_heard


def point_words(point: str) -> str:
    """Return a listening point in a sentence.

    Examples
    --------
    >>> point_words("plug-hole-2")
    'the plug hole of cylinder 2'
    """
    return POINT_WORDS.get(point, f"the plug hole of cylinder {point.rpartition('-')[2]}")


def _gauge_clues(
    evidence: CylinderEvidence, context: EngineContext, leak: Leak, ways: tuple[Way, ...]
) -> Iterator[Clue]:
    percent, limit = evidence.leakage_percent, evidence.limit_percent
    if percent is not None:
        text = f"Leakage {percent:.3g} % against a limit of {limit:.3g} % ({evidence.limit_origin})"
        yield _clue(text, [p_leakage(w, leak) for w in ways])
    dry, wet = evidence.compression_dry_kpa, evidence.compression_wet_kpa
    if dry is not None and check_compression_kpa(dry) >= 0 and context.highest_dry_kpa:
        share = dry / context.highest_dry_kpa
        text = f"Dry compression {dry:.0f} kPa, {100 * share:.0f} % of the highest cylinder"
        yield _clue(text, [lookup.p_compression(w, share) for w in ways])
    if dry is not None and wet is not None:
        rise = wet_test(dry_kpa=dry, wet_kpa=wet).rise
        text = f"Wet test: compression changes by {100 * rise:+.0f} % with oil"
        yield _clue(text, [lookup.p_wet(w, rise) for w in ways])
    if (bubbles := bubbles_of(evidence)) is not None:
        how = "Bubbles at" if evidence.bubbles is not None else "Bubbles heard at"
        text = f"{how} the radiator neck: {bubbles}"
        yield _clue(text, [lookup.p_bubbles(w, bubbles) for w in ways])


def _check_clues(evidence: CylinderEvidence, ways: tuple[Way, ...]) -> Iterator[Clue]:
    for name, yes in evidence.checked:
        likelihood = [lookup.p_checked(w, name, yes=yes) for w in ways]
        yield _clue(ANSWERS[name][0 if yes else 1], likelihood)


def _pattern_clues(context: EngineContext, ways: tuple[Way, ...]) -> Iterator[Clue]:
    for n, seen in context.hiss_back:
        how = "loudest" if seen else "not loudest"
        text = f"Air into cylinder {n} is {how} at this plug hole"
        table = likelihoods.HISS_BACK
        yield _clue(text, [lookup.p_pair_pattern(w, n, seen, table) for w in ways])
    for n, seen in context.leaks_beside:
        text = (
            f"Cylinder {n} beside it {'leaks too much as well' if seen else 'is within its limit'}"
        )
        table = likelihoods.NEIGHBOUR_LEAKS
        yield _clue(text, [lookup.p_pair_pattern(w, n, seen, table) for w in ways])
    for n, seen in context.low_beside:
        text = f"Compression of cylinder {n} beside it is {'low as well' if seen else 'not low'}"
        table = likelihoods.LOW_BESIDE
        yield _clue(text, [lookup.p_pair_pattern(w, n, seen, table) for w in ways])
    if context.sound_on_tester:
        text = "Other cylinders lose little by the same tester"
        yield _clue(text, [lookup.p_sound_on_tester(w) for w in ways])
    if context.all_alike:
        text = "All cylinders leak too much, and about as much"
        yield _clue(text, [lookup.p_all_alike(w) for w in ways])


def _sound_clues(sounds: tuple[Heard, ...], joints: tuple[Joint, ...]) -> Iterator[Clue]:
    steps = [j.steps() for j in joints]
    for k, sound in enumerate(sounds):
        yield _clue(sound_text(sound), [step[k] for step in steps])


def sound_text(sound: Heard) -> str:
    """Return what one take showed, in a sentence."""
    where = point_words(sound.point)
    basis = "air cycles" if sound.proof else "a screening pair"
    if sound.grade == "undetermined":
        return f"No hiss proven at {where} ({basis})"
    if not sound.audible:
        return f"No hiss at {where} ({basis})"
    chance = "" if sound.p_value is None else f", p = {sound.p_value:.2g}"
    grade = sound.grade.capitalize()
    return f"{grade} hiss at {where}, {sound.excess_db:+.1f} dB ({basis}{chance})"


def _clue(text: str, likelihood: list[float]) -> Clue:
    return Clue(text, tuple(likelihood))


def _log_odds_db(ways: Sequence[Way], weights: Sequence[float], claim: frozenset[Way]) -> float:
    """Return 10 lg(p / (1 - p)) of a claim, within what double precision can tell [decibans]."""
    yes = math.fsum(w for way, w in zip(ways, weights, strict=True) if way in claim)
    no = math.fsum(w for way, w in zip(ways, weights, strict=True) if way not in claim)
    tiny = 1e-300
    return 10.0 * (math.log10(max(yes, tiny)) - math.log10(max(no, tiny)))
