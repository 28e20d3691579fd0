"""Choose the level, the dither and the padding with which a recogniser is fed.

    python benchmarks/dictation_level.py [--phrases 30]

For each setting: numbers right and wrong in quiet and in noise, and how many of the
demonstration's voice clips, cut close to the words, are understood.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from dictation_grammar import voice_clips
from earwitness.speech import conditioning
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import grammar_for

if TYPE_CHECKING:
    from earwitness.speech.recogniser import SpeechModel

SETTINGS = (
    *({"TARGET_LEVEL_DB": level} for level in (-4.0, -7.0, -10.0, -15.0, -25.0)),
    *({"DITHER": dither} for dither in (1e-5, 1e-4, 3e-3)),
    *({"PADDING_S": padding} for padding in (0.0, 0.15, 0.5)),
)


def tally(clips: list[prompts.Clip], model: SpeechModel) -> str:
    """Return right/wrong."""
    right = wrong = 0
    for clip in clips:
        heard = [h for h in dictate(clip.samples, prompts.RATE_HZ, model) if not h.rejected]
        truth = [p.meaning for p in grammar_for("any").phrases_in(clip.words)]
        said = [(h.command, h.value) for h in heard]
        right += said == [(m.command, m.value) for m in truth]
        wrong += bool(heard) and said != [(m.command, m.value) for m in truth]
    return f"{right}/{wrong}"


def close(clip: prompts.Clip) -> prompts.Clip:
    """Return the clip without what is before and after the words."""
    voiced = np.flatnonzero(np.abs(clip.samples) > 0.02 * np.max(np.abs(clip.samples)))
    return prompts.Clip(clip.words, clip.value, clip.samples[voiced[0] : voiced[-1] + 1])


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=30)
    count = arguments.parse_args().phrases
    model, rng = load_model(), np.random.default_rng(31)
    phrases, voice = prompts.number_phrases(count, rng), voice_clips()
    sets = {
        "numbers": phrases,
        "numbers 10 dB": [prompts.in_noise(c, 10, rng) for c in phrases],
        "voice, close": [close(c) for c in voice],
        "noise only": prompts.noise_only(10, rng),
    }
    print("| setting |", " | ".join(f"{n} ({len(c)})" for n, c in sets.items()), "|")
    for setting in SETTINGS:
        before = {name: getattr(conditioning, name) for name in setting}
        for name, value in setting.items():
            setattr(conditioning, name, value)
        cells = [tally(clips, model) for clips in sets.values()]
        print(f"| {setting} |", " | ".join(cells), "|", flush=True)
        for name, value in before.items():
            setattr(conditioning, name, value)


if __name__ == "__main__":
    main()
