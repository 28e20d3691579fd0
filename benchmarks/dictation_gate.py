"""How sure a number must be to be read back, and what hearing it twice alike is worth.

    python benchmarks/dictation_gate.py --voices PACK... [--clips 60] [--model DIR]

For each voice and level of noise: wrong read-backs in percent of what is said, sayings a reading,
and the share of readings that is never read back right. Each clip with a number is heard in four
draws of noise; a technician says it until it is read back right, four times at most, in all 24
orders. Packs of voices that the gate may be chosen on, some 4 minutes each on one free core:

    python models/recipe/speakers.py espeak 160 71 espeak
    python models/recipe/speakers.py flite 120 72 flite
    python models/recipe/speakers.py pico 160 73 pico

The table of decision record 0154 is this one, for the model of its time. Seed 4243.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from itertools import permutations
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from dictation_accuracy import final, listening_for, synthetic
from earwitness.speech.dictation import dictate, load_model

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.speech.grammar import Meaning
    from earwitness.speech.recogniser import SpeechModel

LOWEST = 0.3
"""Confidence from which what is heard is looked at [1]."""
DRAWS = 4
SNRS_DB = (10, 5)
POLICIES = (
    *((g, g) for g in (0.7, 0.85, 0.9, 0.95)),
    *((g, 0.95) for g in (0.5, 0.7, 0.8)),
)
"""From where a number is doubtful, and from where it is sure; if the same, it is heard once."""


@dataclass(frozen=True, slots=True)
class Saying:
    """What is heard of a reading that is said once."""

    meant: tuple[tuple[str | None, float | None], ...]
    confidence: float
    right: bool


def heard(
    clip: prompts.Clip, model: SpeechModel, snr_db: float, rng: np.random.Generator
) -> Saying:
    grammar = listening_for(clip, model)
    gate = replace(model.gate, number_from=LOWEST, number_sure_from=LOWEST)
    noisy = prompts.in_noise(clip, snr_db, rng).samples
    said = [
        h
        for h in final(dictate(noisy, prompts.RATE_HZ, model, grammar=grammar, gate=gate))
        if not h.rejected
    ]
    meant = tuple((h.command, h.value) for h in said)
    truth = tuple((m.command, m.value) for m in meanings(clip, model))
    return Saying(meant, said[-1].confidence if said else 0.0, meant == truth)


def meanings(clip: prompts.Clip, model: SpeechModel) -> list[Meaning]:
    grammar = listening_for(clip, model)
    return [p.meaning for p in grammar.phrases_in(clip.words)] if grammar else []


def outcome(sayings: Sequence[Saying], doubtful: float, sure: float) -> tuple[int, int, bool]:
    """Return the wrong read-backs, the sayings, and whether it was read back right."""
    wrong, before = 0, set()
    for count, saying in enumerate(sayings, 1):
        if saying.confidence >= sure or (saying.confidence >= doubtful and saying.meant in before):
            if saying.right:
                return wrong, count, True
            wrong += 1
            before.clear()
        elif saying.confidence >= doubtful:
            before.add(saying.meant)
    return wrong, len(sayings), False


def cell(readings: list[list[Saying]], doubtful: float, sure: float) -> str:
    tries = [outcome(o, doubtful, sure) for r in readings for o in permutations(r)]
    wrong, said, right = (np.array(column, dtype=float) for column in zip(*tries, strict=True))
    return f"{100 * wrong.sum() / said.sum():.1f} / {said.mean():.2f} / {1 - right.mean():.2f}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--voices", type=Path, nargs="+", required=True)
    arguments.add_argument("--clips", type=int, default=60)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(4243)
    for pack in options.voices:
        numbered = [
            c
            for c in synthetic(pack, model)
            if any(m.value is not None for m in meanings(c, model))
        ][: options.clips]
        columns = {
            f"{pack.name}, {snr_db} dB": [
                [heard(c, model, snr_db, rng) for _ in range(DRAWS)] for c in numbered
            ]
            for snr_db in SNRS_DB
        }
        print(f"| doubtful from | sure from | {' | '.join(columns)} | {len(numbered)} readings")
        for doubtful, sure in POLICIES:
            cells = [cell(readings, doubtful, sure) for readings in columns.values()]
            print(f"| {doubtful} | {sure} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
