"""Which words are taken for others, and the weights of the phrase list and of the scores.

    python benchmarks/dictation_grammar.py [--phrases 40] [--model DIR] [--choose]

Prints, for the synthetic and the human voice at 20 and 10 dB, which word of the vocabulary was
heard as which; a word that is often taken for another is renamed (docs/decisions/0038). With
`--choose` it also goes through weights: numbers right and wrong, the demonstration's voice right
and wrong, and other talk wrongly accepted, with and without a confirmation being asked. Everything
may be said. Seeds 30 and 34; 2 minutes on one free core, 10 with `--choose`.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import jiwer
import numpy as np

import dictation_prompts as prompts
from earwitness.speech import phrase_list
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import Grammar, grammar_for
from earwitness.speech.recogniser import UNKNOWN_WORD

if TYPE_CHECKING:
    from earwitness.speech.heard import Heard
    from earwitness.speech.model_folder import Gate
    from earwitness.speech.vosk_recogniser import VoskModel

DETECTOR = SileroDetector()
WEIGHTS = (
    (0.01, 400, 20),
    (0.05, 400, 20),
    (0.2, 400, 20),
    (0.05, 100, 20),
    (0.05, 400, 0),
    (0.05, 400, 100),
)
"""Unknown share, phrase weight and weight of beginnings that are compared."""


def phrases_of_the_trade(model: VoskModel, count: int, rng: np.random.Generator) -> list[str]:
    """Return every phrase without a number, and numbered ones drawn at random."""
    vocabulary, known = model.vocabulary, []
    for entry in vocabulary.entries:
        for hear in entry.hear:
            if entry.number is None:
                known.append(hear)
                continue
            for unit in (entry.number.units[i % len(entry.number.units)] for i in range(3)):
                value = float(rng.integers(int(unit.low), int(unit.high) + 1))
                word = f" {unit.words[0]}" if unit.words else ""
                known.append(f"{hear} {vocabulary.numbers.say(value)}{word}")
    numbers = [vocabulary.numbers.say(float(n)) for n in rng.integers(0, 200, count)]
    return [p for p in (*known, *numbers) if not model.lacking(p.split())]


def heard_in(
    clips: list[prompts.Clip], model: VoskModel, grammar: Grammar, gate: Gate
) -> list[list[Heard]]:
    return [
        dictate(c.samples, prompts.RATE_HZ, model, grammar=grammar, gate=gate, detector=DETECTOR)
        for c in clips
    ]


def confusions(clips: list[prompts.Clip], heard: list[list[Heard]]) -> tuple[Counter, Counter]:
    """Count (said, heard) for words heard as others, and how often each was said."""
    taken: Counter = Counter()
    said: Counter = Counter()
    for clip, found in zip(clips, heard, strict=True):
        words = clip.words.split()
        said.update(words)
        text = " ".join(h.text for h in found)
        alignment = jiwer.process_words(clip.words, text or UNKNOWN_WORD).alignments[0]
        for chunk in alignment:
            if chunk.type == "equal":
                continue
            was = words[chunk.ref_start_idx : chunk.ref_end_idx] or ["(nothing)"]
            now = text.split()[chunk.hyp_start_idx : chunk.hyp_end_idx] or ["(nothing)"]
            taken[" ".join(was), " ".join(now)] += 1
    return taken, said


def print_confusions(model: VoskModel, count: int) -> None:
    rng = np.random.default_rng(34)
    grammar = grammar_for("any", model.vocabulary)
    synthetic = [prompts.spoken(p, rng) for p in phrases_of_the_trade(model, count, rng)]
    sets = {"synthetic": synthetic, "human": prompts.number_phrases(count, rng)}
    print("| voice | clips | noise | said | heard as | times | of |")
    for name, clips in sets.items():
        for snr_db in (20, 10):
            noisy = [prompts.in_noise(c, snr_db, rng) for c in clips]
            taken, said = confusions(noisy, heard_in(noisy, model, grammar, model.gate))
            for (was, now), times in taken.most_common(14):
                of = sum(said[w] for w in was.split()[:1])
                print(f"| {name} | {len(clips)} | {snr_db} dB | {was} | {now} | {times} | {of} |")


def tally(clips: list[prompts.Clip], heard: list[list[Heard]], grammar: Grammar) -> str:
    """Return right/wrong/wrong without a confirmation."""
    right = wrong = unasked = 0
    for clip, found in zip(clips, heard, strict=True):
        taken = [h for h in found if not h.rejected]
        truth = [(p.meaning.command, p.meaning.value) for p in grammar.phrases_in(clip.words)]
        good = [(h.command, h.value) for h in taken if not h.extends] == truth != []
        right += good
        wrong += bool(taken) and not good
        unasked += not good and any(not h.needs_confirmation for h in taken)
    return f"{right}/{wrong}/{unasked}"


def print_choice(model: VoskModel, count: int) -> None:
    rng = np.random.default_rng(30)
    phrases, voice = prompts.number_phrases(count, rng), prompts.voice_clips()
    sets = {
        "numbers 20 dB": [prompts.in_noise(c, 20, rng) for c in phrases],
        "numbers 10 dB": [prompts.in_noise(c, 10, rng) for c in phrases],
        "voice 10 dB": [prompts.in_noise(c, 10, rng) for c in voice],
        "other talk": prompts.other_talk(every=3),
    }
    print("| unknown share | phrase weight | beginnings | scale |", " | ".join(sets), "|")
    for share, weight, beginnings in WEIGHTS:
        phrase_list.UNKNOWN_SHARE = share
        phrase_list.PHRASE_WEIGHT, phrase_list.OPENING_WEIGHT = weight, beginnings
        known = model.vocabulary
        grammar = Grammar(known, known.entries, known.bare_number)
        for scale in (1.0, 0.8, 0.6):
            gate = replace(model.gate, score_scale=scale)
            cells = [
                tally(clips, heard_in(clips, model, grammar, gate), grammar)
                for clips in sets.values()
            ]
            print(f"| {share} | {weight} | {beginnings} | {scale} |", " | ".join(cells), "|")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=40)
    arguments.add_argument("--model", type=Path)
    arguments.add_argument("--choose", action="store_true")
    options = arguments.parse_args()
    model = load_model(options.model)
    print_confusions(model, options.phrases)
    if options.choose:
        print_choice(model, options.phrases)


if __name__ == "__main__":
    main()
