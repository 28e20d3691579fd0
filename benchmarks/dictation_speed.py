"""How long the speech model takes to load, and to recognise, on one core.

    OMP_NUM_THREADS=1 python benchmarks/dictation_speed.py [--model DIR] [--phrases 40]

Loading: from a call until the model can listen, the files read before, best of five. Recognising:
processor seconds for each second of sound, human numbers (see dictation_prompts.py) in shop noise
at 20 dB, everything included (speech detection, level, network, search), best of three. The goal is
0.3 s and 0.05. On a busy machine both are upper bounds. Seed 34; a minute.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

import dictation_prompts as prompts
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model


def loading_s(path: Path | None) -> float:
    began = time.perf_counter()
    load_model(path)
    return time.perf_counter() - began


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
    share = min(working_s(clips, options.model) for _ in range(3)) / sound_s
    print(f"Loaded in {load_s:.2f} s; {share:.3f} processor seconds for each second of sound")


if __name__ == "__main__":
    main()
