"""Every sentence that the tool can say, spoken, as the headset hears it from the loudspeaker."""

from __future__ import annotations

from dataclasses import replace
from string import Formatter
from typing import TYPE_CHECKING

import numpy as np
import soxr

from earwitness.session import machine
from earwitness.session.dictation import Dialogue, Turn
from earwitness.session.equipment.headset import from_16_bits, to_16_bits
from earwitness.session.equipment.voice import SPEAKER_FS, Manner, spoken
from earwitness.session.messages.catalogue import english
from earwitness.speech.vocabulary import english as vocabulary

if TYPE_CHECKING:
    from earwitness.speech.recogniser import SpeechModel

FS = 16_000
SILENCE_S = 1.5
"""Before and after a sentence [s]: longer than the recogniser waits for more."""
LATE_S = 0.15
"""How much later than its mark the voice is heard [s]: the loudspeaker's and the room's delay."""
HUM = 1e-4
"""Noise of the headset [full scale]."""
SLOTS = {
    "n": "3", "point": "throttle body", "reading": "leakage forty two percent", "count": "4",
    "result": "clear, +4.2 dB, p 0.0012", "why": "Voices were heard.", "remedy": "Take it again.",
    "done": "3", "total": "12", "text": "confirm", "wanted": "48000", "got": "44100",
    "engine": "cylinders: 4, in line, firing order 1 3 4 2", "what": "firing order 1 3 4 2",
    "order": "1 3 4 2", "first": "1, 2", "second": "3, 4", "seal": "Exhaust valve", "sure": "95 %",
}  # fmt: skip
"""What stands in the slots; the readings are those that would do most harm."""
ANYTHING = "three"
"""What stands in any other slot."""


def sentences() -> list[str]:
    """Return every message of the catalogue and every answer of the dictation, slots filled."""
    texts = [*english().messages.values(), *vocabulary().prompts.values()]
    filled = (t.format(**{k: SLOTS.get(k, ANYTHING) for k in slots(t)}) for t in texts if t)
    return sorted(set(filled))


def slots(text: str) -> list[str]:
    """Return the names of the slots of a text."""
    return [name for _, name, _, _ in Formatter().parse(text) if name]


def heard(sentence: str, level_db: float, rng: np.random.Generator) -> tuple[np.ndarray, slice]:
    """Return the headset's sound of a sentence, and where in it the tool says that it talks.

    `level_db` is that of the loudest sample [dB re full scale].
    """
    said = spoken(sentence, Manner())
    assert said is not None
    voice = soxr.resample(said, SPEAKER_FS, FS)
    voice *= 10 ** (level_db / 20) / np.abs(voice).max()
    lead, late = round(SILENCE_S * FS), round(LATE_S * FS)
    sound = HUM * rng.standard_normal(2 * lead + late + len(voice))
    sound[lead + late : lead + late + len(voice)] += voice
    return from_16_bits(to_16_bits(sound.astype("f4"))), slice(lead, lead + late + len(voice))


def obeyed(
    model: SpeechModel, sound: np.ndarray, talking: slice | None, *, waiting: bool
) -> list[str]:
    """Return what the gauge dialogue and the inspection would do at a sentence.

    `waiting` puts a value before it that was read back and waits for "confirm".
    """
    state = machine.begin(cylinders=4, cylinder=1)
    if waiting:
        reading = machine.Reading(1, "leakage", "42", "percent", "leakage forty two percent")
        state = replace(state, pending=reading)
    dialogue, found = Dialogue(model, state, fs=FS), list[str]()
    for start in range(0, len(sound), FS // 50):
        if talking is not None:
            dialogue.talks(talking.start <= start < talking.stop)
        found += _done(dialogue.feed(sound[start : start + FS // 50]))
    return found + _done(dialogue.finish())


def _done(happenings: object) -> list[str]:
    found = []
    for turn in happenings:  # type: ignore[attr-defined]
        if not isinstance(turn, Turn):
            continue
        found += [type(e).__name__ for e in turn.effects if not isinstance(e, machine.Say)]
        h = turn.heard
        trusted = h and not (h.rejected or h.needs_confirmation or h.while_talking)
        found += [h.command or "a number"] if h and trusted else []
    return found
