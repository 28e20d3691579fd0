"""What this room asks of a speech recogniser, whichever it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from earwitness.speech.model_folder import Gate
    from earwitness.speech.vocabulary import Vocabulary
    from earwitness.units import Samples

RECOGNISER_RATE_HZ = 16_000
"""Sample rate that every recogniser here is fed with [Hz]. Chosen: that of the shipped model."""
UNKNOWN_WORD = "[unk]"
"""What a recogniser puts for speech outside its grammar. The name of it in Vosk's own models."""


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
    """Turns the samples of one utterance into its readings."""

    def feed(self, samples: Samples) -> None:
        """Take samples at 16 kHz, shape (frames,) [1].

        How the utterance is cut into calls must not change what is heard.
        """
        ...

    def partial(self) -> str:
        """Return the best guess so far, for a display; it may change with every sample."""
        ...

    def finish(self) -> Utterance | None:
        """Return what was said, None if nothing was; the recogniser is not used again."""
        ...


class SpeechModel(Protocol):
    """A loaded model that can listen with any grammar."""

    vocabulary: Vocabulary
    """The language that it was made for."""
    gate: Gate
    """How sure it must be."""

    def recogniser(self, phrases: Sequence[str]) -> Recogniser:
        """Return a recogniser for one utterance; more copies of a phrase make it likelier.

        Phrases with a word that the model lacks are left out.

        Raises
        ------
        ModelError
            If no phrase is left.
        """
        ...

    def lacking(self, words: Iterable[str]) -> list[str]:
        """Return those of the words that the model does not know, sorted."""
        ...
