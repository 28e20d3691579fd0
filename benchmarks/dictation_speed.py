"""How long the speech model takes to load, and to recognise, on one core.

    OMP_NUM_THREADS=1 python benchmarks/dictation_speed.py [--model DIR] [--phrases 40]

Loading: from a call until the model can listen, the files read before, best of five. Recognising:
processor seconds for each second of sound, human numbers (see dictation_prompts.py) in shop noise
at 20 dB, best of three: by the model alone, each clip once; and with everything (speech detection,
level, and every pause of 32 ms decoded as if it were the end). The goal is 0.3 s, and 0.05 for the
model. On a busy machine all are upper bounds. Seed 34; a minute.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

import dictation_prompts as prompts
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import grammar_for


def loading_s(path: Path | None) -> float:
    began = time.perf_counter()
    load_model(path)
    return time.perf_counter() - began


def listening_s(clips: list[prompts.Clip], path: Path | None) -> float:
    """Return the processor time of the model alone, the listener for the grammar made before."""
    model = load_model(path)
    phrases = grammar_for("number", model.vocabulary).phrases()
    model.recogniser(phrases).finish()
    began = time.process_time()
    for clip in clips:
        recogniser = model.recogniser(phrases)
        recogniser.feed(clip.samples.astype(np.float32))
        recogniser.finish()
    return time.process_time() - began


def working_s(clips: list[prompts.Clip], path: Path | None) -> float:
    """Return the processor time for all clips, the listeners for the grammar made before."""
    model, detector = load_model(path), SileroDetector()
    dictate(clips[0].samples, prompts.RATE_HZ, model, "number", detector=detector)
    began = time.process_time()
    for clip in clips:
        dictate(clip.samples, prompts.RATE_HZ, model, "number", detector=detector)
    return time.process_time() - began


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--model", type=Path)
    arguments.add_argument("--phrases", type=int, default=40)
    options = arguments.parse_args()
    rng = np.random.default_rng(34)
    clips = [prompts.in_noise(c, 20, rng) for c in prompts.number_phrases(options.phrases, rng)]
    sound_s = sum(len(c.samples) for c in clips) / prompts.RATE_HZ
    load_s = min(loading_s(options.model) for _ in range(5))
    alone, whole = (
        min(work(clips, options.model) for _ in range(3)) / sound_s
        for work in (listening_s, working_s)
    )
    print(f"Loaded in {load_s:.2f} s; processor seconds for each second of sound:", end=" ")
    print(f"{alone:.3f} the model alone, {whole:.3f} with everything")


if __name__ == "__main__":
    main()
