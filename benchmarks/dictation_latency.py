"""How long after the last word the tool knows what was said.

    python benchmarks/dictation_latency.py [--phrases 20] [--draws 3] [--model DIR]

Two parts make it up: the silence that must be waited for, counted in samples of the stream from
the last sample of the voice, and the time that this machine computes. Blocks of 10 ms are fed as a
sound card delivers them; a block waits until the one before has been worked on. The voices are the
demonstration's clips (Piper) and human numbers (see dictation_prompts.py), in quiet and in shop
noise, each in several draws of it. "Closed" phrases cannot go on; "open" ones are numbers without
their unit. Seeds 32 and 33; three minutes on one free core.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import load_model
from earwitness.speech.grammar import grammar_for
from earwitness.speech.listener import Listener, Said

if TYPE_CHECKING:
    from earwitness.speech.recogniser import SpeechModel

BLOCK = prompts.RATE_HZ // 100
DETECTOR = SileroDetector()


def last_voiced_s(clip: prompts.Clip) -> float:
    voiced = np.flatnonzero(np.abs(clip.samples) > prompts.ACTIVE * np.max(np.abs(clip.samples)))
    return float(voiced[-1] / prompts.RATE_HZ)


def waited_s(clip: prompts.Clip, end_s: float, model: SpeechModel) -> tuple[float, float] | None:
    """Return how long the stream, and the answer, came after the last word [s].

    None if the words were not understood. A block is worked on when it has arrived and the one
    before is done.
    """
    grammar = grammar_for("any", model.vocabulary)
    listener = Listener(model, grammar, fs=prompts.RATE_HZ, gate=model.gate, detector=DETECTOR)
    done_s, found = 0.0, None
    for start in range(0, len(clip.samples), BLOCK):
        arrived_s = (start + BLOCK) / prompts.RATE_HZ
        begun = time.perf_counter()
        events = list(listener.feed(clip.samples[start : start + BLOCK]))
        done_s = max(arrived_s, done_s) + time.perf_counter() - begun
        for event in events:
            if isinstance(event, Said) and event.heard and not event.heard[-1].rejected:
                found = (arrived_s - end_s, done_s - end_s)
    return found


def row(name: str, clips: list[tuple[prompts.Clip, float]], model: SpeechModel) -> str:
    times = [t for t in (waited_s(c, end, model) for c, end in clips) if t is not None]
    silence, answer = np.array(times).T * 1000
    cells = [f"{np.median(x):.0f} / {np.percentile(x, 95):.0f}" for x in (silence, answer)]
    within = 100 * np.mean(answer <= 300)
    return f"| {name} | {len(times)} of {len(clips)} | {' | '.join(cells)} | {within:.0f} |"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=20)
    arguments.add_argument("--draws", type=int, default=3)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(32)
    quiet = {
        "closed, synthetic": [
            prompts.Clip(c.words, c.value, np.pad(c.samples, (0, 8000)))
            for c in prompts.voice_clips()
        ],
        "open, human": [
            prompts.Clip(c.words, c.value, np.pad(c.samples, (0, 8000)))
            for c in prompts.number_phrases(options.phrases, rng)
        ],
    }
    print("| phrases | understood | silence waited for, median / 95 % [ms] ", end="")
    print("| answer, median / 95 % [ms] | within 300 ms [%] |")
    noise = np.random.default_rng(33)
    for name, clips in quiet.items():
        ends = [last_voiced_s(c) for c in clips] * options.draws
        for snr_db in (None, 20, 10):
            heard = [
                prompts.in_noise(c, snr_db, noise) if snr_db else c for c in clips * options.draws
            ]
            label = f"{name}, {f'{snr_db} dB' if snr_db else 'quiet'}"
            print(row(label, list(zip(heard, ends, strict=True)), model), flush=True)


if __name__ == "__main__":
    main()
