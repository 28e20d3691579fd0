"""How many wrong values are stored when a technician dictates in noise, and what safety costs.

    python benchmarks/dictation_dialogue.py [--readings 700] [--clips 150] [--model DIR]

A simulated technician dictates readings to the real dialogue over the real recogniser, at each of
20, 10 and 5 dB in shop noise. Every few readings the cylinder is named. The tool reads back; the
technician listens, confirms what is right, says "no" to what is wrong, says again what was not
understood, and types it after five tries. Like anyone they sometimes fail:

* a wrong read-back is overlooked and confirmed, one in twenty (and one in ten, one in fifty);
* a wrong one is answered by saying the reading again instead of "no", three in ten;
* a right one is misheard and dropped, one in a hundred;
* the answer is forgotten and the next reading begun, one in fifty.

The voice is synthetic (see dictation_prompts.py), at drawn pace and pitch. Recognition is cached by
clip, noise draw and what may be said, so that readings are not all independent: `--clips` readings
are spoken, twice each, and each in two draws of noise at each level; whoever repeats a reading says
it in another of these four ways. Numbers are drawn evenly over the field's range, which is harder
than life: they hold as many sixteens as sixties. Seeds 38 and 39; 15 minutes on one free core.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from earwitness.session import machine
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import dictate, load_model
from earwitness.speech.grammar import grammar_in

if TYPE_CHECKING:
    from earwitness.speech.heard import Heard
    from earwitness.speech.vosk_recogniser import VoskModel

DETECTOR = SileroDetector()
DRAWS = 2
TAKES = 2
"""How often each reading was spoken."""
VARIANTS = 6
"""How often each answer and cylinder was spoken."""
CYLINDERS = 8
TRIES = 5
MISHEARD, FORGOTTEN, SAID_AGAIN = 0.01, 0.02, 0.3
OVERLOOKED = (0.05, 0.1, 0.02)
FIELDS = {
    "leakage": ("percent", 0, 100, 0.5),
    "compression-dry": ("psi", 60, 240, 0.15),
    "compression-wet": ("psi", 60, 240, 0.1),
    "supply-pressure": ("psi", 60, 120, 0.1),
    "gauge-reading": ("psi", 20, 60, 0.15),
}
"""Unit, range and share of each reading; the gauge in the cylinder stays below every supply."""
ANSWERS = ("confirm", "no", "scratch that")
COLUMNS = (
    "readings",
    "utterances",
    "read back",
    "read back wrong",
    "stored right",
    "stored wrong",
    "taken back by mistake",
    "forgotten",
    "given up",
    "repeats",
)


@dataclass(frozen=True)
class Wanted:
    """A reading that the technician wants stored, and the clips that say it."""

    command: str
    value: float
    unit: str
    clip: str


class Room:
    """The technician's clips, the noise, and what the recogniser makes of both."""

    def __init__(self, model: VoskModel, clips: int) -> None:
        self.model = model
        self._heard: dict[tuple[str, str, float, int], list[Heard]] = {}
        self._clips: dict[str, prompts.Clip] = {}
        self._noise = np.random.default_rng(39)
        rng = np.random.default_rng(38)
        self.readings = [self._reading(i, rng) for i in range(clips)]
        cylinders = [cylinder(n, model) for n in range(1, CYLINDERS + 1)]
        for words in (*ANSWERS, *cylinders):
            for variant in range(VARIANTS):
                self._clips[f"{words}/{variant}"] = prompts.spoken(words, rng, pad_s=0.5)

    def _reading(self, index: int, rng: np.random.Generator) -> Wanted:
        commands = list(FIELDS)
        command = commands[rng.choice(len(commands), p=[f[3] for f in FIELDS.values()])]
        unit, low, high, _ = FIELDS[command]
        value = float(rng.integers(low, high + 1))
        vocabulary = self.model.vocabulary
        takes = vocabulary.units[unit].takes
        numbers = vocabulary.numbers
        forms = [(w, numbers.read(w)) for w in numbers.spellings(value)]
        ways = [w for w, spoken in forms if takes(spoken) and not spoken.decimal]
        entry = next(e for e in vocabulary.entries if e.command == command)
        hear = entry.hear[int(rng.integers(len(entry.hear)))]
        number = ways[int(rng.integers(len(ways)))]
        named = unit != "percent" or rng.random() < 0.7
        words = f"{hear} {number} {unit}" if named else f"{hear} {number}"
        for take in range(TAKES):
            self._clips[f"reading {index}/{take}"] = prompts.spoken(words, rng, pad_s=0.5)
        return Wanted(command, value, unit, f"reading {index}")

    def heard(self, name: str, state: machine.State, snr_db: float, draw: int) -> list[Heard]:
        """Return what is heard of a clip in a draw of noise, in a state of the dialogue."""
        listening = machine.listening(state)
        key = (name, listening, snr_db, draw)
        if key not in self._heard:
            noisy = prompts.in_noise(self._clips[name], snr_db, self._noise)
            grammar = grammar_in(listening, self.model.vocabulary)
            self._heard[key] = dictate(
                noisy.samples, prompts.RATE_HZ, self.model, grammar=grammar, detector=DETECTOR
            )
        return self._heard[key]


class Technician:
    """Dictates readings, listens to what is read back, and fails now and then."""

    def __init__(self, room: Room, snr_db: float, overlooked: float, seed: int) -> None:
        self._room = room
        self._snr_db = snr_db
        self._overlooked = overlooked
        self._rng = np.random.default_rng(seed)
        self._model_state = machine.begin(cylinders=CYLINDERS)
        self._cylinder = 0
        self.counts: Counter[str] = Counter()

    def dictate(self, readings: int) -> Counter[str]:
        """Dictate so many readings; return what was counted."""
        for index in range(readings):
            if index % 4 == 0:
                self._cylinder = int(self._rng.integers(1, CYLINDERS + 1))
                self._name_cylinder()
            wanted = self._room.readings[int(self._rng.integers(len(self._room.readings)))]
            self._dictate(wanted)
        return self.counts

    def _speak(self, words: str) -> list[machine.Effect]:
        """Say something in one of its clips; return what the tool does."""
        return self._say(f"{words}/{self._rng.integers(VARIANTS)}", int(self._rng.integers(DRAWS)))

    def _say(self, name: str, draw: int) -> list[machine.Effect]:
        self.counts["utterances"] += 1
        effects: list[machine.Effect] = []
        for heard in self._room.heard(name, self._model_state, self._snr_db, draw):
            self._model_state, more = machine.step(self._model_state, heard)
            effects += more
        return effects

    def _name_cylinder(self) -> None:
        for attempt in range(TRIES):
            self.counts["repeats"] += attempt > 0
            before = self._model_state.cylinder
            self._speak(cylinder(self._cylinder, self._room.model))
            now = self._model_state.cylinder
            if now == self._cylinder or (now != before and self._rng.random() < self._overlooked):
                return
        self.counts["given up"] += 1
        self._model_state = replace(self._model_state, cylinder=self._cylinder, pending=None)

    def _dictate(self, wanted: Wanted) -> None:
        self.counts["readings"] += 1
        ways = self._rng.permutation(TAKES * DRAWS)  # no one says a thing twice to the very sample
        for attempt in range(TRIES):
            self.counts["repeats"] += attempt > 0
            take, draw = divmod(int(ways[attempt % len(ways)]), DRAWS)
            effects = self._say(f"{wanted.clip}/{take}", draw)
            waiting = self._model_state.pending
            if self._keep(wanted, effects):
                return
            if waiting is None or not _is_read_back(waiting, effects):
                continue
            self.counts["read back"] += 1
            good = self._is_right(wanted, waiting)
            self.counts["read back wrong"] += not good
            if self._rng.random() < FORGOTTEN:
                self.counts["forgotten"] += 1
                return
            if not good and self._rng.random() < SAID_AGAIN:
                continue  # "no" would have been better, but people just say it again
            failing = MISHEARD if good else self._overlooked
            agrees = good != (self._rng.random() < failing)
            if self._settle(wanted, agrees=agrees):
                return
            if waiting.cylinder != self._cylinder and not agrees:
                self._name_cylinder()
        self.counts["given up"] += 1

    def _settle(self, wanted: Wanted, *, agrees: bool) -> bool:
        """Answer until the tool has understood; tell whether something was stored."""
        for attempt in range(TRIES):
            self.counts["repeats"] += attempt > 0
            words = "confirm" if agrees else ("no", "scratch that")[int(self._rng.integers(2))]
            if self._keep(wanted, self._speak(words)):
                return True
            if self._model_state.pending is None:
                return False
        return False

    def _keep(self, wanted: Wanted, effects: list[machine.Effect]) -> bool:
        stored = [e.reading for e in effects if isinstance(e, machine.Store)]
        for reading in stored:
            self.counts["stored right" if self._is_right(wanted, reading) else "stored wrong"] += 1
        for effect in effects:
            self.counts["taken back by mistake"] += isinstance(effect, machine.Retract)
        return bool(stored)

    def _is_right(self, wanted: Wanted, reading: machine.Reading) -> bool:
        said = (machine.QUANTITIES[wanted.command], f"{wanted.value:g}", wanted.unit)
        heard = (reading.quantity, reading.value, reading.unit)
        return said == heard and reading.cylinder == self._cylinder


def _is_read_back(waiting: machine.Reading, effects: list[machine.Effect]) -> bool:
    """Tell whether the tool has just said the value that waits."""
    return any(isinstance(e, machine.Say) and waiting.spoken in e.text for e in effects)


def cylinder(number: int, model: VoskModel) -> str:
    """Return how a cylinder is named."""
    return f"cylinder {model.vocabulary.numbers.say(number)}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--readings", type=int, default=700)
    arguments.add_argument("--clips", type=int, default=150)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    room = Room(load_model(options.model), options.clips)
    print(f"| noise | overlooked | {' | '.join(COLUMNS)} |", end="")
    print(" wrong / utterances [%] | repeats each |")
    for overlooked in OVERLOOKED:
        total: Counter[str] = Counter()
        for snr_db in (20, 10, 5):
            counts = Technician(room, snr_db, overlooked, 40 + snr_db).dictate(options.readings)
            total += counts
            print(row(f"{snr_db} dB", overlooked, counts), flush=True)
        print(row("together", overlooked, total), flush=True)


def row(name: str, overlooked: float, counts: Counter[str]) -> str:
    cells = " | ".join(str(counts[c]) for c in COLUMNS)
    wrong = 100 * counts["stored wrong"] / counts["utterances"]
    each = counts["repeats"] / counts["readings"]
    return f"| {name} | {overlooked} | {cells} | {wrong:.3f} | {each:.2f} |"


if __name__ == "__main__":
    main()
