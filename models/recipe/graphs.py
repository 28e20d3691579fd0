"""The graphs of a Vosk model: from sounds to words, and which words may follow which.

Vosk joins both while it decodes, so that a phrase list can take the place of the second. The first
is made for that by the look-ahead tools of OpenFst, whose version must be that of Vosk 0.3.45:
Debian's `libfst-tools` 1.7.9 with `libfst22-plugins-base`.

M. Mohri, F. Pereira and M. Riley (2008), "Speech recognition with weighted finite-state
transducers", Springer Handbook of Speech Processing. From memory.
"""

from __future__ import annotations

import math
import os
import subprocess
from typing import TYPE_CHECKING

from kaldi import phones
from lexicon import SILENCE, SPOKEN_NOISE, UNKNOWN, positioned, pronunciations

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    Arc = tuple[int, int, int, int, float]
    """From, to, transition, word, cost [nat]; 0 is no transition and no word."""

SILENCE_ODDS = 0.5
"""Probability of silence before the first word, and after each [1]."""
HALF = math.log(2)
"""Cost of each transition [nat]."""
PLUGINS = "/usr/lib/x86_64-linux-gnu"
LOOKAHEAD = "libfstlookahead.so.22"
START, BETWEEN = 0, 1
"""States of the first graph: before anything, and between words, where it may end."""


class Sounds:
    """The first graph, as a list of arcs that grows."""

    def __init__(self) -> None:
        self.arcs: list[Arc] = []
        self.number = {name: n for n, (name, _, _) in enumerate(phones(), 1)}
        self._states = 2
        self.after_word = self.new_state()
        for state in (START, self.after_word):
            self.arcs.append((state, BETWEEN, 0, 0, -math.log(1 - SILENCE_ODDS)))
            self.add_phone(state, BETWEEN, SILENCE, 0, -math.log(SILENCE_ODDS))

    def new_state(self) -> int:
        """Return the number of a state that is not used yet."""
        self._states += 1
        return self._states - 1

    def add_word(self, word: int, ways: Iterable[Sequence[str]]) -> None:
        """Add a word; its label is on the first arc of each way to say it."""
        for way in ways:
            state = BETWEEN
            for n, phone in enumerate(way):
                towards = self.after_word if n == len(way) - 1 else self.new_state()
                self.add_phone(state, towards, phone, 0 if n else word)
                state = towards

    def add_phone(self, start: int, end: int, phone: str, word: int, cost: float = 0.0) -> None:
        """Add the two states of a phone; its loop comes last, for Vosk's word times."""
        first = 4 * (self.number[phone] - 1) + 1
        inside, leaving = self.new_state(), self.new_state()
        self.arcs += [
            (start, inside, first, word, cost + HALF),
            (start, end, first + 1, word, cost + HALF),
            (inside, leaving, first + 3, 0, HALF),
            (leaving, leaving, first + 2, 0, HALF),
            (leaving, end, 0, 0, 0.0),
        ]


def sounds_to_words(numbers: dict[str, int]) -> list[Arc]:
    """Return the first graph for the words with the given numbers; it begins in `START`."""
    graph = Sounds()
    for word, number in numbers.items():
        ways = (
            [[f"{SPOKEN_NOISE}_S"]]
            if word == UNKNOWN
            else [positioned(w) for w in pronunciations(word)]
        )
        graph.add_word(number, ways)
    return graph.arcs


def write_graphs(folder: Path, words: Sequence[str]) -> None:
    """Write `HCLr.fst`, `Gr.fst` (any word after any), `words.txt`, and what goes with them.

    Parameters
    ----------
    folder : Path
        The folder `graph` of a model; it exists.
    words : sequence of str
        Every word; `UNKNOWN` is added.
    """
    every = [UNKNOWN, *sorted(words)]
    numbers = {word: n for n, word in enumerate(every, 1)}
    loop_cost = math.log(len(every) + 1)
    loop = [(0, 0, n, n, loop_cost) for n in numbers.values()]
    _compile(folder, "sounds", sounds_to_words(numbers), {BETWEEN: 0.0}, "olabel")
    _compile(folder, "words", loop, {0: loop_cost}, "ilabel")
    _run(
        folder,
        "fstconvert --fst_type=olabel_lookahead --save_relabel_opairs=relabel sounds.fst HCLr.fst",
        LD_PRELOAD=f"{PLUGINS}/{LOOKAHEAD}",
    )
    _run(
        folder,
        "fstrelabel --relabel_ipairs=relabel --relabel_opairs=relabel words.fst relabelled.fst",
    )
    _run(folder, "fstarcsort --sort_type=ilabel relabelled.fst sorted.fst")
    _run(folder, "fstconvert --fst_type=const sorted.fst Gr.fst")
    moved = dict(map(int, line.split()) for line in (folder / "relabel").read_text().splitlines())
    last = len(every)
    table = {"<eps>": 0, **numbers, "<s>": last + 1, "</s>": last + 2, "#0": last + 3}
    table = {word: moved.get(n, n) for word, n in table.items()}
    lines = [f"{word} {n}\n" for word, n in sorted(table.items(), key=lambda pair: pair[1])]
    (folder / "words.txt").write_text("".join(lines))
    (folder / "disambig_tid.int").write_text("")
    (folder / "phones").mkdir(exist_ok=True)
    kinds = "".join(f"{n} {kind}\n" for n, (_, _, kind) in enumerate(phones(), 1))
    (folder / "phones" / "word_boundary.int").write_text(kinds)
    for name in (
        "sounds.txt",
        "sounds.fst",
        "words.fst",
        "relabelled.fst",
        "sorted.fst",
        "relabel",
        "loop.txt",
    ):
        (folder / name).unlink(missing_ok=True)


def _compile(
    folder: Path, name: str, arcs: Sequence[Arc], final: dict[int, float], sort: str
) -> None:
    lines = [f"{u} {v} {i} {o} {c:.6f}" for u, v, i, o, c in sorted(arcs, key=lambda a: a[0])]
    lines += [f"{state} {cost:.6f}" for state, cost in final.items()]
    source = folder / f"{name}.arcs"
    source.write_text("\n".join(lines) + "\n")
    _run(folder, f"fstcompile {name}.arcs {name}.unsorted")
    _run(folder, f"fstarcsort --sort_type={sort} {name}.unsorted {name}.fst")
    source.unlink()
    (folder / f"{name}.unsorted").unlink()


def _run(folder: Path, command: str, **environment: str) -> None:
    libraries = {"LD_LIBRARY_PATH": f"{PLUGINS}/fst/22"}
    subprocess.run(  # noqa: S603 -- the tools of OpenFst, by name
        command.split(), cwd=folder, check=True, env={**os.environ, **libraries, **environment}
    )
