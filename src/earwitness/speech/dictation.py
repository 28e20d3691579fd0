"""Turn a recording into what was said: readings, commands, and what was refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.errors import AudioFileError
from earwitness.speech.conditioning import PADDING_S, conditioned_blocks
from earwitness.speech.grammar import Expect, Grammar, Meaning, grammar_for
from earwitness.speech.vosk_recogniser import load_model, shipped_model
from earwitness.speech.weighing import weighed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.speech.recogniser import SpeechModel, Utterance, Word
    from earwitness.units import Samples

# Whoever dictates needs a model first, and finds it here.
__all__ = ["DictationSettings", "Heard", "dictate", "load_model", "shipped_model", "understood"]


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


@dataclass(frozen=True, slots=True)
class DictationSettings:
    """How sure the recogniser must be; see docs/decisions/0032."""

    accept_from: float = 0.7
    """Smallest confidence that is not rejected [1]. Chosen: benchmarks/dictation_accuracy.py."""
    sure_from: float = 0.9
    """Smallest confidence at which a command needs no more than an echo [1]."""


def dictate(
    samples: Samples,
    fs: int,
    model: SpeechModel,
    expect: Expect = "any",
    *,
    settings: DictationSettings | None = None,
    grammar: Grammar | None = None,
    name: str = "The recording",
) -> list[Heard]:
    """Return everything that was said in a recording.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        One channel relative to full scale [1].
    fs : int
        Sample rate, any [Hz].
    model : SpeechModel
        From `load_model`.
    expect : {"number", "command", "any"}, optional
        What may be said.
    settings : DictationSettings, optional
        How sure the recogniser must be.
    grammar : Grammar, optional
        A narrower grammar than that of `expect`, which it replaces.
    name : str, optional
        What to call the recording in an error.

    Returns
    -------
    list of Heard
        In order of time; what was not understood is there too, marked `rejected`.

    Raises
    ------
    AudioFileError
        If a sample is not a finite number.
    ValueError
        If `samples` is not one channel of floating-point numbers, or `fs` not positive.
    ModelError
        If the model lacks a word of the grammar.
    """
    _check_samples(samples, fs, name)
    grammar = grammar_for(expect) if grammar is None else grammar
    settings = DictationSettings() if settings is None else settings
    seconds = len(samples) / fs
    return [
        heard
        for utterance in _utterances(samples, fs, model, grammar.phrases())
        for heard in understood(utterance, grammar, settings, seconds)
    ]


def understood(
    utterance: Utterance,
    grammar: Grammar,
    settings: DictationSettings,
    seconds: float,
) -> list[Heard]:
    """Return what one utterance means, or that it was refused.

    Parameters
    ----------
    utterance : Utterance
        As recognised, its times counted from `PADDING_S` before the recording.
    grammar : Grammar
        What may be said now.
    settings : DictationSettings
        How sure the recogniser must be.
    seconds : float
        Length of the recording [s].

    Returns
    -------
    list of Heard
        One for each reading in the breath; a single rejected one if it is unsure, holds unknown
        speech, or means nothing.
    """
    found = weighed(utterance, grammar)
    words = found.alternative.words
    if found.probability < settings.accept_from:
        return [_heard(words, None, found.probability, settings, seconds)]
    return [
        _heard(words[p.start : p.stop], p.meaning, found.probability, settings, seconds)
        for p in found.phrases
    ]


def _utterances(
    samples: Samples, fs: int, model: SpeechModel, phrases: Sequence[str]
) -> Iterator[Utterance]:
    recogniser = model.recogniser(phrases)
    for block in conditioned_blocks(samples, fs):
        yield from recogniser.feed(block)
    yield from recogniser.finish()


def _heard(
    words: Sequence[Word],
    meaning: Meaning | None,
    confidence: float,
    settings: DictationSettings,
    seconds: float,
) -> Heard:
    numbered = meaning is not None and meaning.value is not None
    unsure = confidence < settings.sure_from
    return Heard(
        start_s=_from_start(words[0].start_s, seconds),
        end_s=_from_start(words[-1].end_s, seconds),
        text=" ".join(w.text for w in words),
        confidence=round(confidence, 3),
        command=meaning.command if meaning else None,
        value=meaning.value if meaning else None,
        unit=meaning.unit if meaning else None,
        needs_confirmation=meaning is not None and (numbered or unsure),
        rejected=meaning is None,
    )


def _from_start(time: float, seconds: float) -> float:
    return round(min(max(time - PADDING_S, 0.0), seconds), 3)


def _check_samples(samples: Samples, fs: int, name: str) -> None:
    if samples.ndim != 1 or not np.issubdtype(samples.dtype, np.floating):
        raise ValueError(f"samples of shape {samples.shape}, {samples.dtype}: one float channel")
    if fs <= 0:
        raise ValueError(f"fs={fs} must be positive")
    bad = np.flatnonzero(~np.isfinite(samples))
    if len(bad):
        raise AudioFileError(
            f"{name} holds {len(bad)} values that are not numbers, first at {bad[0] / fs:.2f} s"
        )
