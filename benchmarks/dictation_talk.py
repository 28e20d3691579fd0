"""How often other people's talk is taken for a command, and how sure the recogniser must be.

    python benchmarks/dictation_talk.py [--model DIR] [--every N] [--awake]

Talk of three kinds: human prompts of a telephone system that hold no phrase of the trade (see
dictation_prompts.py); talk of the shop, full of words of the vocabulary, and plain prose, both in
the synthetic voice at drawn pace and pitch. Each in quiet, and in shop noise at 20 and 10 dB. The
gate is chosen on every second utterance of each kind; the figures for it are from the others.
Asleep, all of it runs through once, an hour of talk. Seeds 36 and 37; 15 minutes on one free core.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import grammar_in

if TYPE_CHECKING:
    from earwitness.speech.heard import Heard
    from earwitness.speech.model_folder import Gate
    from earwitness.speech.recogniser import SpeechModel

DETECTOR = SileroDetector()
COMMANDS_THEMSELVES = ("vm-no",)
"""Prompts that are a command of the vocabulary: the word "no"."""
GATES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
SHOP = (
    "stop messing about with that",
    "pass me the adapter will you",
    "the leakage on that one was terrible last week",
    "next time put the lid back on",
    "no I never said that",
    "hold the radiator cap while I look",
    "did you skip lunch again",
    "I need help with this gearbox",
    "mark said he would be here by nine",
    "take a note of that and ring him back",
    "seven of them are done and two are not",
    "the supply van came at ten past eight",
    "forty two quid for a gauge",
    "is that the dry one or the wet one",
    "wake me up when it is finished",
    "listen to that, it is the tailpipe rattling",
    "we sleep when it is done",
    "confirm with the customer before you order",
    "scratch on the left door was there before",
    "repeat after me, no shortcuts",
    "cylinder head is at the machine shop",
    "compression fittings are in the blue drawer",
    "pressure washer is round the back",
    "pause the radio for a second",
    "can you finish this one for me",
    "the status of that order is still open",
    "he is going to resume work on Monday",
    "one of you has left the tap running",
    "throttle cable is stuck again",
    "oil everywhere and not a rag in sight",
    "bubbles in the brake line again",
    "external mirror is broken",
    "plug that charger in please",
    "twenty five past three already",
    "go and get some more coffee",
    "what time does the parts desk close",
    "that noise has been there since winter",
    "the bolt sheared off in the block",
    "turn the compressor off when you leave",
    "nobody told me about the recall",
)
"""Talk of a shop, written for this: half of it begins with a word of the vocabulary."""
PROSE = (
    "the morning was cold and the road was empty",
    "she put the letter on the table and left the room",
    "rain fell on the harbour all that afternoon",
    "they had walked for hours before anyone spoke",
    "his brother kept bees at the edge of the village",
    "the train was late and the platform was crowded",
    "a dog barked somewhere beyond the hill",
    "you could see the lights of the town from there",
    "nothing in the garden had been touched for years",
    "the old clock struck and nobody moved",
    "we ate bread and cheese under the trees",
    "her voice was calm but her hands were not",
    "the river had risen during the night",
    "it was the kind of silence that follows snow",
    "children were playing in the square",
    "the shop on the corner sold maps and string",
    "he folded the newspaper and looked out of the window",
    "a ship was coming in with the tide",
    "the path led through fields of barley",
    "by evening the wind had dropped",
)


def talk(every: int) -> dict[str, list[prompts.Clip]]:
    rng = np.random.default_rng(36)
    human = [c for c in prompts.other_talk() if c.words not in COMMANDS_THEMSELVES]
    shop = [prompts.spoken(s, rng) for _ in range(2) for s in SHOP]
    prose = [prompts.spoken(s, rng) for _ in range(2) for s in PROSE]
    kinds = {"human prompts": human, "talk of the shop": shop, "prose": prose}
    return {name: clips[::every] for name, clips in kinds.items()}


def heard(
    clips: list[prompts.Clip], model: SpeechModel, state: str, gate: Gate
) -> list[list[Heard]]:
    grammar = grammar_in(state, model.vocabulary)
    return [
        dictate(c.samples, prompts.RATE_HZ, model, grammar=grammar, gate=gate, detector=DETECTOR)
        for c in clips
    ]


def passed(results: list[list[Heard]], gate: Gate) -> list[str]:
    """Return what became commands, one text an utterance."""
    texts = []
    for result in results:
        commands = [h for h in result if not h.rejected and h.confidence >= _least(h, gate)]
        texts += [", ".join(h.text for h in commands)] if commands else []
    return texts


def _least(heard: Heard, gate: Gate) -> float:
    return gate.accept_from if heard.value is None else gate.number_sure_from


def from_confidence(gate: Gate, least: float) -> Gate:
    """Return a gate that lets everything pass from one confidence on."""
    return replace(gate, accept_from=least, number_from=least, number_sure_from=least)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--model", type=Path)
    arguments.add_argument("--every", type=int, default=1, help="Use one clip in so many.")
    arguments.add_argument("--awake", action="store_true", help="Leave out the hour asleep.")
    options = arguments.parse_args()
    model, noise = load_model(options.model), np.random.default_rng(37)
    lowest = from_confidence(model.gate, GATES[0])
    clips = {
        f"{name}, {f'{snr} dB' if snr else 'quiet'}": [
            prompts.in_noise(c, snr, noise) if snr else c for c in said
        ]
        for name, said in talk(options.every).items()
        for snr in (None, 20, 10)
    }
    seconds, woken = 0.0, []
    for said in () if options.awake else clips.values():
        seconds += sum(len(c.samples) for c in said) / prompts.RATE_HZ
        woken += [h for r in heard(said, model, "asleep", model.gate) for h in r if not h.rejected]
    print(f"Asleep: {seconds / 3600:.2f} h of talk, {len(woken)} commands", flush=True)
    print("| state | talk | n | chosen on: accepted at", " | ".join(map(str, GATES)), "", end="")
    print("| n | reported on, with the gate of the model | texts |")
    for state in ("awake", "answer"):
        sums = np.zeros(len(GATES) + 3, dtype=int)
        for name, said in clips.items():
            results = heard(said, model, state, lowest)
            chosen, reported = results[::2], results[1::2]
            trials = [from_confidence(lowest, g) for g in GATES]
            texts = passed(reported, model.gate)
            row = [len(chosen), *(len(passed(chosen, g)) for g in trials)]
            row += [len(reported), len(texts)]
            sums += row
            print(f"| {state} | {name} |", " | ".join(map(str, row)), f"| {texts} |", flush=True)
        print(f"| {state} | together |", " | ".join(map(str, sums)), "| |", flush=True)


if __name__ == "__main__":
    main()
