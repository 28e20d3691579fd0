"""How well spoken numbers are understood, and how much else is wrongly accepted.

    python benchmarks/dictation_accuracy.py [--phrases 150] [--model DIR]

Prints the table of models/en-trade-0/README.md. Human voice: see dictation_prompts.py.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import jiwer
import numpy as np

import dictation_prompts as prompts
from earwitness.speech.dictation import Heard, dictate, load_model
from earwitness.speech.recogniser import UNKNOWN_WORD, SpeechModel

if TYPE_CHECKING:
    from collections.abc import Iterable


def heard_in(clips: Iterable[prompts.Clip], model: SpeechModel, expect: str) -> list[list[Heard]]:
    return [dictate(c.samples, prompts.RATE_HZ, model, expect) for c in clips]  # type: ignore[arg-type]


def said(heard: list[Heard]) -> str:
    words = [w for h in heard for w in h.text.split()]
    return " ".join(w for w in words if w != UNKNOWN_WORD)


def numbers_row(clips: list[prompts.Clip], model: SpeechModel, expect: str) -> str:
    results = heard_in(clips, model, expect)
    texts = [said(r) for r in results]
    values = [[h.value for h in r if not h.rejected] for r in results]
    truth = [[c.value] for c in clips]
    exact = sum(t == c.words for t, c in zip(texts, clips, strict=True))
    right = sum(v == t for v, t in zip(values, truth, strict=True))
    wrong = sum(bool(v) and v != t for v, t in zip(values, truth, strict=True))
    wer = 100 * jiwer.wer([c.words for c in clips], texts)
    n = len(clips)
    return f"| {n} | {100 * exact / n:.1f} | {wer:.1f} | {right} | {wrong} | {n - right - wrong} |"


def accepted(clips: list[prompts.Clip], model: SpeechModel, expect: str) -> str:
    results = heard_in(clips, model, expect)
    taken = sum(any(not h.rejected for h in r) for r in results)
    sure = sum(any(not h.rejected and not h.needs_confirmation for h in r) for r in results)
    return f"| {len(clips)} | {taken} | {sure} |"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=150)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(1620)
    single = prompts.single_numbers(rng)
    phrases = prompts.number_phrases(options.phrases, rng)
    sets = {"single words": single, "phrases": phrases}
    for snr_db in (20, 10, 5):
        sets[f"phrases, {snr_db} dB"] = [prompts.in_noise(c, snr_db, rng) for c in phrases]
    print("| set | expect | n | text exact % | WER % | value right | value wrong | refused |")
    for name, clips in sets.items():
        for expect in ("number", "any"):
            print(f"| {name} | {expect} {numbers_row(clips, model, expect)}", flush=True)
    print("\n| set | expect | n | accepted | accepted without confirmation |")
    noise = prompts.noise_only(40, rng)
    for name, clips in {"other talk": prompts.other_talk(), "noise only": noise}.items():
        for expect in ("number", "command", "any"):
            print(f"| {name} | {expect} {accepted(clips, model, expect)}", flush=True)


if __name__ == "__main__":
    main()
