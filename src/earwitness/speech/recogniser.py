"""What this room asks of a speech recogniser, whichever it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Samples

RECOGNISER_RATE_HZ = 16_000
"""Sample rate that every recogniser here is fed with [Hz]. Chosen: that of the shipped model."""
UNKNOWN_WORD = "[unk]"
"""What a recogniser puts for speech outside its grammar. The name of the shipped model's word."""


@dataclass(frozen=True, slots=True)
class Word:
    """One recognised word."""

    text: str
    start_s: float
    """From the first sample fed [s]."""
    end_s: float
    """From the first sample fed [s]."""


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to read an utterance."""

    words: tuple[Word, ...]
    """Empty if it may have been no speech at all."""
    score: float
    """Natural logarithm of its likelihood, up to what all alternatives share."""

    @property
    def text(self) -> str:
        """The words with single spaces."""
        return " ".join(w.text for w in self.words)


@dataclass(frozen=True, slots=True)
class Utterance:
    """What was said between two pauses, as the recogniser's several readings of it."""

    alternatives: tuple[Alternative, ...]
    """At least one, the likeliest first, and that one has words."""


class Recogniser(Protocol):
    """Turns a stream of samples into utterances."""

    def feed(self, samples: Samples) -> list[Utterance]:
        """Take samples at 16 kHz, shape (frames,) [1]; return the utterances that ended.

        How the stream is cut into calls must not change what is heard.
        """
        ...

    def finish(self) -> list[Utterance]:
        """Return what was still being said when the stream ended."""
        ...


class SpeechModel(Protocol):
    """A loaded model that can listen with any grammar."""

    def recogniser(self, phrases: Sequence[str]) -> Recogniser:
        """Return a fresh recogniser for these phrases; more copies of one make it likelier.

        Raises
        ------
        ModelError
            If the model lacks a word of the phrases.
        """
        ...
