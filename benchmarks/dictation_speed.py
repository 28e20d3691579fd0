"""How long the speech model takes to load, and to recognise, on one core.

    OMP_NUM_THREADS=1 python benchmarks/dictation_speed.py [--model DIR] [--phrases 40]

Loading: from a call until the model can listen, the files read before, best of five. Recognising:
processor seconds for each second of sound, human numbers (see dictation_prompts.py) in shop noise
at 20 dB: by the model alone, each clip once; and with everything (speech detection, level, and
every pause of 32 ms decoded as if it were the end). The goal is 0.3 s, and 0.05 for the model. On a
busy machine all are upper bounds. Beside each of five runs stands how fast this core multiplied
before and after it: a matrix product of numpy's, as large as one layer makes it at a time. Runs on
two machines, or in two minutes, compare by that. Seed 34; two minutes.
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

RUNS = 5
"""Runs of all clips, a line each."""


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


def multiplied() -> float:
    """Return the multiplications a second of this core, median of 1,000 products [10^9 / s]."""
    rng, times = np.random.default_rng(34), []
    a, b = (rng.standard_normal(shape, np.float32) for shape in ((20, 1152), (1152, 384)))
    for _ in range(1000):
        began = time.perf_counter()
        a @ b
        times.append(time.perf_counter() - began)
    return a.size * b.shape[1] / float(np.median(times)) / 1e9


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--model", type=Path)
    arguments.add_argument("--phrases", type=int, default=40)
    options = arguments.parse_args()
    rng = np.random.default_rng(34)
    clips = [prompts.in_noise(c, 20, rng) for c in prompts.number_phrases(options.phrases, rng)]
    sound_s = sum(len(c.samples) for c in clips) / prompts.RATE_HZ
    load_s = min(loading_s(options.model) for _ in range(5))
    print(f"Loaded in {load_s:.2f} s.")
    print("| the model alone | with everything | core multiplied, before and after [10^9 / s] |")
    print("|---|---|---|")
    for _ in range(RUNS):
        before = multiplied()
        alone, after = listening_s(clips, options.model) / sound_s, multiplied()
        whole = working_s(clips, options.model) / sound_s
        print(f"| {alone:.3f} | {whole:.3f} | {before:.0f}, {after:.0f} |", flush=True)


if __name__ == "__main__":
    main()
