"""Choose, among the readings of an utterance, what was meant, and say how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.speech.recogniser import UNKNOWN_WORD

if TYPE_CHECKING:
    from earwitness.speech.grammar import Grammar, Meaning, Phrase
    from earwitness.speech.model_folder import Gate
    from earwitness.speech.recogniser import Alternative, Utterance


@dataclass(frozen=True, slots=True)
class Weighed:
    """What an utterance most probably means."""

    alternative: Alternative
    """The reading it rests on; the likeliest of all if nothing was understood."""
    phrases: tuple[Phrase, ...]
    """Its meaningful parts; empty if nothing was understood."""
    probability: float
    """Of this meaning among all that may have been said, 0-1; 0 if nothing was understood."""


def weighed(utterance: Utterance, grammar: Grammar, gate: Gate) -> Weighed:
    """Return the likeliest meaning of an utterance.

    A recogniser that only knows which words may neighbour each other also offers readings that
    no one would say ("sixteen four"). They take no share: one of the others must have been said.
    Readings with unknown speech, and silence, do take their share.

    Parameters
    ----------
    utterance : Utterance
        As recognised.
    grammar : Grammar
        What may be said now.
    gate : Gate
        Scale of the scores, and how far below the best a reading may lie.

    Returns
    -------
    Weighed
        The meaning with the largest share, P = sum exp(a s) over its readings / the same over all.
    """
    best = utterance.alternatives[0]
    shares: dict[tuple[Meaning, ...], float] = {}
    readings: dict[tuple[Meaning, ...], tuple[Alternative, tuple[Phrase, ...]]] = {}
    total = 0.0
    for alternative in utterance.alternatives:
        share = math.exp(gate.score_scale * (alternative.score - best.score))
        phrases = _phrases(alternative, grammar)
        if phrases:
            meaning = tuple(p.meaning for p in phrases)
            shares[meaning] = shares.get(meaning, 0.0) + share
            readings.setdefault(meaning, (alternative, phrases))
        total += share if phrases or _outside(alternative) else 0.0
    if not shares:
        return Weighed(best, (), 0.0)
    meaning = max(shares, key=lambda m: shares[m])
    alternative, phrases = readings[meaning]
    if best.score - alternative.score > gate.shortfall:
        return Weighed(best, (), 0.0)
    return Weighed(alternative, phrases, shares[meaning] / total)


def _phrases(alternative: Alternative, grammar: Grammar) -> tuple[Phrase, ...]:
    return () if _outside(alternative) else tuple(grammar.phrases_in(alternative.text))


def _outside(alternative: Alternative) -> bool:
    """Tell whether it is silence or holds speech that is not of the grammar."""
    return not alternative.words or any(w.text == UNKNOWN_WORD for w in alternative.words)
