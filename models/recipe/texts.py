"""What is said in training: commands, readings, numbers, loose words, and talk that is none of it.

    python texts.py 20            # prints so many examples

All texts are made by this file; none is taken from anywhere.
"""

# ruff: noqa: SIM905 -- word lists are read more easily as text

from __future__ import annotations

import re
import sys
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from lexicon import DIGITS, NUMBER_WORDS, TEENS, TENS, TRADE_WORDS, dictionary

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator

    Maker = Callable[[Generator], str]

COMMANDS = (
    "stop and sleep|next step|next cylinder|next|step done|done|finish|finished|status|say status|"
    "mark|mark this|mark that|note|save note|take note|take a note|pause|pause test|resume|"
    "resume test|retest|retest cylinder|skip|skip this|skip step|help|help me|say help|repeat|"
    "repeat that|say again|sleep|wake and listen|confirm|confirmed|yes|yes confirm|correct|"
    "that is correct|no|wrong|that is wrong|scratch that|undo|cancel|bubbles none|no bubbles|"
    "bubbles slow|slow bubbles|bubbles steady|steady bubbles|oil filler|tailpipe|left tailpipe|"
    "tailpipe left|right tailpipe|tailpipe right|throttle body|radiator|adapter|external|control|"
    "hose coupler|hose|coupler|air on|air off|start test|stop test|stop|start|go back|wake up|"
    "record|ready|no not that|wait|hiss heard|faint hiss|loud hiss|none|left bank|right bank|"
    "zero check|check zero|supply under flow|check|"
    "head gasket|intake manifold|exhaust valve|spark plug|dipstick|crankcase|coolant|main bank"
).split("|")
PLACES = tuple(
    "oil filler|tailpipe|left tailpipe|tailpipe right|throttle body|radiator|adapter|"
    "external".split("|")
)
PRESSURES = (
    "compression dry|dry compression|compression wet|wet compression|supply pressure|supply|"
    "supply under flow|"
    "gauge reading|gauge|pressure"
).split("|")

SUBJECTS = (
    "the other guy|my brother|that customer|the boss|somebody|the parts desk|everybody|"
    "the apprentice|this engine|the truck outside|the old lady|your buddy|the radio|the weather|"
    "that wrench|the lift"
).split("|")
VERBS = (
    "said he wants|needs to bring|is looking for|forgot about|never finished|should talk about|"
    "keeps dropping|will order|can not find|broke|is coming back with|paid for|was listening to|"
    "put down|did not check|wants to cancel|is waiting on|has to repeat|took|stopped"
).split("|")
OBJECTS = (
    "the front brakes|a sandwich for lunch|the game last night|two boxes of rags|the green hoses|"
    "that invoice|the keys|a new battery|the timing cover|some coffee|the wrong part|"
    "three of those bolts|the oil change|the whole afternoon|a noise in the back|the left side|"
    "the test drive|a note from the office|the blue one|five minutes ago|next week|my phone"
).split("|")
REMARKS = (
    "hand me that wrench would you|did you see the game last night|watch your fingers|"
    "can somebody get the door|turn that radio down|i will be right back|"
    "where did you put the light|it is too hot in here|what time is it|"
    "how much do we charge for that|no i did not say that|stop messing about|listen to this|"
    "wake me up when it is done|one of these days|give me a second|hold on a minute|"
    "okay sounds good|that is what i thought|hey how are you doing|call the parts store|"
    "i need a half inch socket|he is at lunch|not my problem|yes sir|"
    "next time use the right tool|for the last time no|mark said he would be here by two|"
    "right over there|left it on the bench|thanks a lot|see you on monday|put it in neutral|"
    "and then he listened|step on the brake|help me lift this|set it down slowly|"
    "the plug is fine|check the oil|are you done with that|the radiator is leaking again|"
    "sleep on it|say that again|never mind|over and out|let me see that"
).split("|")


def two_digits(n: int) -> str:
    """Return how a number below 100 is said."""
    if n < 10:
        return DIGITS[n]
    if n < 20:
        return TEENS[n - 10]
    return TENS[n // 10 - 2] + (f" {DIGITS[n % 10]}" if n % 10 else "")


def hundreds(rng: Generator, most: int = 9) -> str:
    """Return 100 to 999 in one of the ways that gauges are read out."""
    first, rest = DIGITS[rng.integers(1, most + 1)], int(rng.integers(0, 100))
    joint = pick(rng, " ", " ", " and ")
    ways = (
        f"{first} hundred" + (joint + two_digits(rest) if rest else ""),
        f"a hundred{joint}{two_digits(max(rest, 1))}",
        f"hundred {two_digits(max(rest, 1))}",
        f"{first} {two_digits(max(rest, 10))}",
        f"{first} oh {DIGITS[rest % 10]}",
        f"{first} {DIGITS[rest // 10]} {DIGITS[rest % 10]}",
        pick(rng, "a hundred", "hundred", f"{first} hundred"),
    )
    return str(rng.choice(ways, p=(0.32, 0.08, 0.03, 0.3, 0.1, 0.12, 0.05)))


def thousands(rng: Generator) -> str:
    """Return 950 to 3000 as kilopascals are read out."""
    n = int(rng.integers(90, 301)) * 10
    whole, rest = divmod(n, 1000)
    joint = pick(rng, " ", " and ")
    if rng.random() < 0.5 or not whole:
        return two_digits(n // 100) + (f" {two_digits(n % 100)}" if n % 100 else " hundred")
    said = pick(rng, DIGITS[whole], "a" if whole == 1 else DIGITS[whole]) + " thousand"
    if rest >= 100:
        said += f" {DIGITS[rest // 100]} hundred" + (
            joint + two_digits(rest % 100) if rest % 100 else ""
        )
    elif rest:
        said += joint + two_digits(rest)
    return said


def decimal(rng: Generator) -> str:
    """Return a number with a decimal, or a half."""
    whole = pick(
        rng, two_digits(int(rng.integers(0, 100))), two_digits(int(rng.integers(0, 20))), ""
    )
    if whole and rng.random() < 0.15:
        return f"{whole} and a half"
    return f"{whole} point {pick(rng, *DIGITS, 'oh')}".strip()


def below_hundred(rng: Generator) -> str:
    """Return 0 to 99; words that are taken for one another come up more often."""
    kind = rng.random()
    if kind < 0.55:
        return two_digits(int(rng.integers(0, 100)))
    if kind < 0.75:
        return pick(rng, *TENS, *TEENS)
    return f"{pick(rng, *DIGITS, 'oh')} {pick(rng, *DIGITS, 'oh')}"


def digit_string(rng: Generator) -> str:
    """Return two to five digits, one by one."""
    return " ".join(rng.choice([*DIGITS, "oh"], rng.integers(2, 6)))


def number(rng: Generator) -> str:
    """Return any number."""
    makers = (below_hundred, hundreds, thousands, decimal, digit_string)
    return makers[rng.choice(5, p=(0.4, 0.27, 0.09, 0.16, 0.08))](rng)


def reading(rng: Generator) -> str:
    """Return something read off a gauge."""
    unit = pick(rng, "", "percent", "psi", "kilopascal", "kilopascals", "bar")
    ways: tuple[Maker, ...] = (
        lambda r: f"cylinder {two_digits(int(r.integers(1, 17)))}",
        lambda r: (
            f"leakage {pick(r, below_hundred(r), below_hundred(r), decimal(r), hundreds(r))}"
            f" {pick(r, '', 'percent', 'percent')}"
        ),
        lambda r: f"{pick(r, *PRESSURES)} {number(r)} {unit}",
        lambda r: f"plug hole {two_digits(int(r.integers(1, 17)))}",
        lambda r: f"{number(r)} {unit}",
        lambda r: (
            f"cylinder {two_digits(int(r.integers(1, 17)))} leakage {below_hundred(r)} percent"
        ),
        lambda r: (
            f"cylinder {two_digits(int(r.integers(1, 17)))} "
            f"{pick(r, *PRESSURES)} {number(r)} {unit}"
        ),
        lambda r: f"{pick(r, *PLACES)} {pick(r, *COMMANDS)}",
    )
    chosen = ways[rng.choice(len(ways), p=(0.2, 0.18, 0.2, 0.1, 0.14, 0.08, 0.05, 0.05))]
    return " ".join(chosen(rng).split())


def loose_words(rng: Generator) -> str:
    """Return words of the vocabulary in no order, so that no order is learnt."""
    return " ".join(rng.choice([*NUMBER_WORDS, *TRADE_WORDS], rng.integers(1, 6)))


def talk(rng: Generator) -> str:
    """Return talk of the shop that is no command: unknown speech."""
    kind = rng.random()
    if kind < 0.3:
        return pick(rng, *REMARKS)
    if kind < 0.65:
        return f"{pick(rng, *SUBJECTS)} {pick(rng, *VERBS)} {pick(rng, *OBJECTS)}"
    return " ".join(rng.choice(_plain_words(), rng.integers(2, 8)))


def mixed(rng: Generator) -> str:
    """Return something of the vocabulary with talk before or after it."""
    other, known = (
        talk(rng).split()[: rng.integers(2, 6)],
        pick(rng, reading(rng), *COMMANDS).split(),
    )
    return " ".join(other + known if rng.random() < 0.5 else known + other)


def utterance(rng: Generator) -> str:
    """Return one text for training."""
    makers: tuple[Maker, ...] = (
        number,
        reading,
        lambda r: pick(r, *COMMANDS),
        loose_words,
        lambda r: pick(r, *NUMBER_WORDS, *TRADE_WORDS),
        talk,
        mixed,
    )
    return makers[rng.choice(7, p=(0.28, 0.22, 0.11, 0.12, 0.06, 0.17, 0.04))](rng)


def pick(rng: Generator, *choices: str) -> str:
    """Return one of the choices."""
    return choices[rng.integers(len(choices))]


@cache
def _plain_words() -> list[str]:
    """Words of the dictionary that a synthesiser is likely to read right."""
    plain = re.compile(r"[a-z]{3,8}")
    vocabulary = {*NUMBER_WORDS, *TRADE_WORDS}
    return [
        word
        for word, ways in sorted(dictionary().items())
        if plain.fullmatch(word) and word not in vocabulary and 3 <= len(ways[0]) <= 7
    ]


if __name__ == "__main__":
    chance = np.random.default_rng(1)
    for _ in range(int(sys.argv[1]) if len(sys.argv) > 1 else 20):
        sys.stdout.write(utterance(chance) + "\n")
