"""Choose the level, the dither and the padding with which the recogniser is fed.

    python benchmarks/dictation_level.py [--phrases 20] [--model DIR]

For each setting: numbers right and wrong in quiet, in noise, and 40 dB lower; how many of the
demonstration's voice clips, cut close to the words, are understood; and, for the level before
speech is looked for, phrases found at all. Seed 31; 4 minutes on one free core.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from earwitness.speech import level, utterance
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import grammar_for

if TYPE_CHECKING:
    from types import ModuleType

    from earwitness.speech.recogniser import SpeechModel

SETTINGS: tuple[tuple[ModuleType, str, float], ...] = (
    *((level, "TARGET_LEVEL_DB", db) for db in (-4.0, -10.0, -15.0, -25.0)),
    *((level, "DITHER", rms) for rms in (1e-4, 3e-3)),
    *((level, "DETECTOR_GAIN_DB", db) for db in (0.0, 20.0)),
    *((utterance, "PAD_FRAMES", frames) for frames in (0, 5, 15)),
)
DETECTOR = SileroDetector()


def tally(clips: list[prompts.Clip], model: SpeechModel) -> str:
    """Return right/wrong."""
    right = wrong = 0
    for clip in clips:
        found = dictate(clip.samples, prompts.RATE_HZ, model, detector=DETECTOR)
        heard = [h for h in found if not h.rejected]
        said = [(h.command, h.value) for h in heard if not h.extends]
        phrases = grammar_for("any", model.vocabulary).phrases_in(clip.words)
        truth = [(p.meaning.command, p.meaning.value) for p in phrases]
        right += said == truth
        wrong += bool(heard) and said != truth
    return f"{right}/{wrong}"


def close(clip: prompts.Clip) -> prompts.Clip:
    """Return the clip without what is before and after the words."""
    voiced = np.flatnonzero(np.abs(clip.samples) > 0.02 * np.max(np.abs(clip.samples)))
    return replace(clip, samples=clip.samples[voiced[0] : voiced[-1] + 1])


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=20)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(31)
    phrases, voice = prompts.number_phrases(options.phrases, rng), prompts.voice_clips()
    sets = {
        "numbers": phrases,
        "numbers 10 dB": [prompts.in_noise(c, 10, rng) for c in phrases],
        "numbers, 40 dB lower": [replace(c, samples=0.01 * c.samples) for c in phrases],
        "voice, close": [close(c) for c in voice],
    }
    print("| setting |", " | ".join(f"{n} ({len(c)})" for n, c in sets.items()), "|")
    for module, name, value in SETTINGS:
        before = getattr(module, name)
        setattr(module, name, value)
        cells = [tally(clips, model) for clips in sets.values()]
        print(f"| {name} {value:g} |", " | ".join(cells), "|", flush=True)
        setattr(module, name, before)


if __name__ == "__main__":
    main()
