"""What was understood of an utterance, as it is shown, recorded and acted on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.speech.grammar import Meaning
    from earwitness.speech.recogniser import Word
    from earwitness.speech.utterance import Decoded

KEPT_READINGS = 5
"""Readings of an utterance that are kept for the record [1]. Chosen: enough to see what it was
confused with, few enough to be read."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One utterance as understood; the JSON line of `earwitness dictate`."""

    start_s: float
    end_s: float
    text: str
    confidence: float
    """How probable this meaning is among all that may have been said, 0-1; 0 if it has none."""
    command: str | None
    value: float | None
    unit: str | None
    needs_confirmation: bool
    rejected: bool
    doubtful: bool = False
    """It is rejected because its number is not sure, and counts if it is heard once more alike."""
    while_talking: bool = False
    """The tool itself was talking, so that it may have heard itself."""
    extends: bool = False
    """It goes on with the utterance before and takes its place."""
    clipped: bool = False
    """It was too loud for the microphone, so that its words are not believed."""
    readings: tuple[str, ...] = ()
    """What the recogniser thought it might have been, the likeliest first."""


def understood(
    decoded: Decoded, *, while_talking: bool = False, clipped: bool = False
) -> tuple[Heard, ...]:
    """Return what an utterance means, or that it was refused.

    Parameters
    ----------
    decoded : Decoded
        As recognised.
    while_talking : bool, optional
        Whether the tool itself was talking.
    clipped : bool, optional
        Whether it was too loud for the microphone.

    Returns
    -------
    tuple of Heard
        One for each reading in the breath; a single rejected one if it is unsure, holds unknown
        speech, or means nothing; empty if there were no words. A number that is not quite sure is
        rejected with its meaning, as doubtful. Of an utterance that goes on with one that was
        surely heard, only the last.
    """
    if decoded.utterance is None or decoded.found is None:
        return ()
    words, phrases = decoded.found.alternative.words, decoded.found.phrases
    how = replace(_NOTHING, while_talking=while_talking, clipped=clipped, extends=decoded.extends)
    if not decoded.understood:
        return (_heard(decoded, words, None, how),)
    chosen = phrases[-1:] if decoded.replaces else phrases
    heard = [_heard(decoded, words[p.start : p.stop], p.meaning, how) for p in chosen]
    return (heard[0], *(replace(h, extends=False) for h in heard[1:]))


_NOTHING = Heard(0.0, 0.0, "", 0.0, None, None, None, needs_confirmation=False, rejected=True)


def _heard(decoded: Decoded, words: Sequence[Word], meaning: Meaning | None, how: Heard) -> Heard:
    assert decoded.found is not None and decoded.utterance is not None  # noqa: PT018, S101
    numbered = meaning is not None and meaning.value is not None
    unsure = decoded.found.probability < decoded.gate.sure_from
    readings = [a.text for a in decoded.utterance.alternatives[:KEPT_READINGS]]
    return replace(
        how,
        start_s=decoded.at_s(words[0].start_s),
        end_s=decoded.at_s(words[-1].end_s),
        text=" ".join(w.text for w in words),
        confidence=0.0 if decoded.spoilt else round(decoded.found.probability, 3),
        command=meaning.command if meaning else None,
        value=meaning.value if meaning else None,
        unit=meaning.unit if meaning else None,
        needs_confirmation=meaning is not None and (numbered or unsure),
        rejected=meaning is None or decoded.doubtful,
        doubtful=decoded.doubtful,
        readings=tuple(dict.fromkeys(readings)),
    )
