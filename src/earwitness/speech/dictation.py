"""Turn a recording into what was said: readings, commands, and what was refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.errors import AudioFileError
from earwitness.speech.grammar import Expect, Grammar, grammar_for
from earwitness.speech.heard import Heard
from earwitness.speech.listener import Event, Listener, Said
from earwitness.speech.model_folder import Gate
from earwitness.speech.vosk_recogniser import load_model, shipped_model

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.speech.detection import Detector
    from earwitness.speech.recogniser import SpeechModel
    from earwitness.units import Samples

# Whoever dictates needs a model first, and finds it here.
__all__ = ["Gate", "Heard", "checked", "dictate", "events_in", "load_model", "shipped_model"]

BLOCK_S = 1.0
"""Length of the blocks that a recording is fed in [s]; it does not change what is heard."""


def dictate(
    samples: Samples,
    fs: int,
    model: SpeechModel,
    expect: Expect = "any",
    *,
    gate: Gate | None = None,
    grammar: Grammar | None = None,
    detector: Detector | None = None,
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
        What may be said, in the model's language.
    gate : Gate, optional
        How sure the recogniser must be; that of the model if left out.
    grammar : Grammar, optional
        A narrower grammar than that of `expect`, which it replaces.
    detector : Detector, optional
        Tells speech from noise; the Silero network if left out.
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
        If the model knows no phrase of the grammar.
    """
    checked(samples, fs, name)
    listener = Listener(
        model,
        grammar_for(expect, model.vocabulary) if grammar is None else grammar,
        fs=fs,
        gate=model.gate if gate is None else gate,
        detector=detector,
    )
    events = events_in(samples, fs, listener)
    return [h for e in events if isinstance(e, Said) for h in e.heard]


def events_in(samples: Samples, fs: int, listener: Listener) -> Iterator[Event]:
    """Yield what happens in a whole recording, as it happens.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        One channel relative to full scale [1].
    fs : int
        Its sample rate [Hz].
    listener : Listener
        A fresh one for that rate.

    Yields
    ------
    Event
        In order of time; what the listener is told between two of them is in force at once.
    """
    block = max(round(BLOCK_S * fs), 1)
    for start in range(0, len(samples), block):
        yield from listener.feed(samples[start : start + block])
    yield from listener.finish()


def checked(samples: Samples, fs: int, name: str) -> None:
    """Refuse samples that no microphone gives.

    Raises
    ------
    AudioFileError
        If a sample is not a finite number; the sentence names the recording by `name`.
    ValueError
        If they are not one channel of floating-point numbers, or `fs` is not positive.
    """
    if samples.ndim != 1 or not np.issubdtype(samples.dtype, np.floating):
        raise ValueError(f"samples of shape {samples.shape}, {samples.dtype}: one float channel")
    if fs <= 0:
        raise ValueError(f"fs={fs} must be positive")
    bad = np.flatnonzero(~np.isfinite(samples))
    if len(bad):
        raise AudioFileError(
            f"{name} holds {len(bad)} values that are not numbers, first at {bad[0] / fs:.2f} s"
        )
