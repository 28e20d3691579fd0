"""Choose the weights of the phrase list and the scale of scores.

    python benchmarks/dictation_grammar.py [--phrases 40]

For each weight: numbers right and wrong, clips of the demonstration's voice right and wrong, and
other talk wrongly accepted, with and without a confirmation being asked. Everything may be said.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf
import soxr

import dictation_prompts as prompts
from earwitness.speech import grammar, weighing
from earwitness.speech.conditioning import conditioned_blocks
from earwitness.speech.dictation import DictationSettings, load_model
from earwitness.speech.weighing import weighed

if TYPE_CHECKING:
    from earwitness.speech.recogniser import SpeechModel, Utterance

VOICE = Path(__file__).parents[1] / "src" / "earwitness" / "simulate" / "voice"
SETTINGS = DictationSettings()


def utterances(clips: list[prompts.Clip], model: SpeechModel) -> list[list[Utterance]]:
    phrases = grammar.grammar_for("any").phrases()
    found = []
    for clip in clips:
        recogniser = model.recogniser(phrases)
        ended = [
            u for b in conditioned_blocks(clip.samples, prompts.RATE_HZ) for u in recogniser.feed(b)
        ]
        found.append(ended + recogniser.finish())
    return found


def voice_clips() -> list[prompts.Clip]:
    clips = []
    for path in sorted(VOICE.glob("*.flac")):
        samples, fs = sf.read(path, dtype="float64")
        padded = np.pad(soxr.resample(samples, fs, prompts.RATE_HZ), prompts.RATE_HZ // 2)
        clips.append(prompts.Clip(path.stem.replace("-", " "), None, padded))
    return clips


def tally(clips: list[prompts.Clip], heard: list[list[Utterance]]) -> str:
    """Return right/wrong/wrong without a confirmation."""
    spoken, right, wrong, unasked = grammar.grammar_for("any"), 0, 0, 0
    for clip, ended in zip(clips, heard, strict=True):
        said = [w for w in (weighed(u, spoken) for u in ended) if w.probability >= 0.7]
        meanings = [p.meaning for w in said for p in w.phrases]
        truth = [p.meaning for p in spoken.phrases_in(clip.words)]
        right += meanings == truth != []
        wrong += bool(meanings) and meanings != truth
        unasked += any(
            w.probability >= SETTINGS.sure_from and all(p.meaning.value is None for p in w.phrases)
            for w in said
            if meanings != truth
        )
    return f"{right}/{wrong}/{unasked}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=40)
    count = arguments.parse_args().phrases
    model, rng = load_model(), np.random.default_rng(30)
    phrases, voice = prompts.number_phrases(count, rng), voice_clips()
    sets = {
        "numbers 20 dB": [prompts.in_noise(c, 20, rng) for c in phrases],
        "numbers 10 dB": [prompts.in_noise(c, 10, rng) for c in phrases],
        "voice": voice,
        "voice 10 dB": [prompts.in_noise(c, 10, rng) for c in voice],
        "other talk": prompts.other_talk(every=3),
    }
    print("| unknown share | phrase weight | scale |", " | ".join(sets), "|")
    for share, weight in ((0.01, 400), (0.05, 400), (0.2, 400), (0.05, 100)):
        grammar.UNKNOWN_SHARE, grammar.PHRASE_WEIGHT = share, weight
        heard = {name: utterances(clips, model) for name, clips in sets.items()}
        for scale in (1.0, 0.8, 0.6):
            weighing.SCORE_SCALE = scale
            cells = [tally(clips, heard[name]) for name, clips in sets.items()]
            print(f"| {share} | {weight} | {scale} |", " | ".join(cells), "|", flush=True)


if __name__ == "__main__":
    main()
