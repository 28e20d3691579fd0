"""What may be said now: its sentences, the phrase list for a recogniser, and what they mean."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Literal

from earwitness.speech.numbers import (
    DIGITS,
    TEENS,
    TENS,
    parse_number,
    say_number,
    spelled_plainly,
)
from earwitness.speech.recogniser import UNKNOWN_WORD
from earwitness.speech.vocabulary import BARE_NUMBER, TABLE, UNIT_WORDS, Entry, NumberField

if TYPE_CHECKING:
    from collections.abc import Iterator

Expect = Literal["number", "command", "any"]
"""What may be said: an answer to a question, a command or reading of the table, or either."""

UNKNOWN_SHARE = 0.05
"""Share of the phrase list that is unknown speech [1]. Chosen: benchmarks/dictation_grammar.py."""
PHRASE_WEIGHT = 400
"""Copies of a phrase without a number, so that numbered ones, listed in some 400 examples, do not
crowd it out [1]. Chosen: benchmarks/dictation_grammar.py."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a phrase means."""

    command: str | None
    """Name of the command or reading; None for a bare number."""
    value: float | None = None
    """The number spoken with it, in `unit`."""
    unit: str | None = None
    """percent, psi, kPa or bar; None if there is none or none was said."""


@dataclass(frozen=True, slots=True)
class Phrase:
    """A meaningful run of words within an utterance: words[start:stop]."""

    start: int
    stop: int
    meaning: Meaning


@dataclass(frozen=True, slots=True)
class Grammar:
    """The part of the table that may be said in one state of an inspection."""

    entries: tuple[Entry, ...] = ()
    bare_numbers: bool = False
    """A number alone, with or without unit, is an answer here."""
    _heard: dict[str, list[tuple[Entry, list[str]]]] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )
    """Entries and the words they are heard as, by the first of those words."""

    def __post_init__(self) -> None:
        for entry in self.entries:
            for hear in entry.hear:
                words = hear.split()
                self._heard.setdefault(words[0], []).append((entry, words))

    def sentences(self) -> Iterator[tuple[str, Meaning]]:
        """Yield every sentence in its plain spelling, with its meaning."""
        for entry in self.entries:
            for hear in entry.hear:
                if entry.number is None:
                    yield hear, Meaning(entry.command)
                else:
                    yield from _numbered_sentences(f"{hear} ", entry.number, entry)
        if self.bare_numbers:
            yield from _numbered_sentences("", BARE_NUMBER, None)

    def phrases(self) -> list[str]:
        """Return the list for a recogniser that learns word pairs from it (docs/decisions/0030).

        Not every sentence is in it. Every pair of number words, and every number word after
        every opening, is; units and decimals follow examples. Copies of a phrase are its weight.
        """
        listed = [p for e in self.entries for p in _entry_phrases(e)]
        if self.bare_numbers:
            listed += _numbered_phrases("", BARE_NUMBER)
        return listed + [UNKNOWN_WORD] * round(len(listed) * UNKNOWN_SHARE)

    def interpret(self, text: str) -> Meaning | None:
        """Return what a text means if all of it is one phrase of this grammar, else None."""
        words = spelled_plainly(text).split()
        for entry, hear in self._openings(words):
            meaning = _meaning(entry, words[len(hear) :])
            if meaning is not None:
                return meaning
        return _measured(None, words) if self.bare_numbers else None

    def phrases_in(self, text: str) -> list[Phrase]:
        """Return the phrases that make up a text from end to end; none if any word is left over.

        Readings and places may share a breath; a controlling word and a bare number must stand
        alone, because shop talk is full of "no", "next" and "one".
        """
        words = spelled_plainly(text).split()
        whole = self.interpret(text)
        if whole is not None:
            return [Phrase(0, len(words), whole)]
        return self._strung_together(words, 0) or []

    def _strung_together(self, words: list[str], start: int) -> list[Phrase] | None:
        if start == len(words):
            return []
        for stop in range(len(words), start, -1):
            meaning = self._stringable(words[start:stop])
            rest = self._strung_together(words, stop) if meaning else None
            if meaning is not None and rest is not None:
                return [Phrase(start, stop, meaning), *rest]
        return None

    def _stringable(self, words: list[str]) -> Meaning | None:
        for entry, hear in self._openings(words):
            if entry.strings:
                meaning = _meaning(entry, words[len(hear) :])
                if meaning is not None:
                    return meaning
        return None

    def _openings(self, words: list[str]) -> Iterator[tuple[Entry, list[str]]]:
        """Yield the entries, and the hear-forms of them, with which the words begin."""
        for entry, hear in self._heard.get(words[0], []) if words else []:
            if words[: len(hear)] == hear:
                yield entry, hear


@cache
def grammar_for(expect: Expect) -> Grammar:
    """Return the grammar of a general state.

    Parameters
    ----------
    expect : {"number", "command", "any"}
        What may be said. A session that knows more makes its own `Grammar` from entries.

    Returns
    -------
    Grammar
        The grammar.

    Raises
    ------
    ValueError
        If `expect` is none of the three.
    """
    grammars: dict[str, Grammar] = {
        "number": Grammar(bare_numbers=True),
        "command": Grammar(TABLE),
        "any": Grammar(TABLE, bare_numbers=True),
    }
    if expect not in grammars:
        raise ValueError(f"expect={expect!r} must be one of {', '.join(grammars)}")
    return grammars[expect]


def interpret(text: str, expect: Expect = "any") -> Meaning | None:
    """Return what a text means as one phrase, or None.

    Parameters
    ----------
    text : str
        Words as recognised or typed.
    expect : {"number", "command", "any"}, optional
        What may be said.

    Returns
    -------
    Meaning or None
        None if the text as a whole is not one phrase.

    Examples
    --------
    >>> interpret("leakage forty two percent")
    Meaning(command='leakage', value=42.0, unit='percent')
    """
    return grammar_for(expect).interpret(text)


def _meaning(entry: Entry, rest: list[str]) -> Meaning | None:
    if entry.number is None:
        return None if rest else Meaning(entry.command)
    return _measured(entry, rest)


def _measured(entry: Entry | None, words: list[str]) -> Meaning | None:
    """Read a number and its unit; `entry` is None for a bare number."""
    number = BARE_NUMBER if entry is None or entry.number is None else entry.number
    unit = number.default_unit
    if words and words[-1] in number.units:
        unit, words = UNIT_WORDS[words[-1]], words[:-1]
    value = parse_number(" ".join(words))
    if value is None or (number.whole and value != int(value)):
        return None
    return Meaning(_command(entry, value), value, unit)


def _command(entry: Entry | None, value: float) -> str | None:
    if entry is None:
        return None
    return f"{entry.command}-{value:.0f}" if entry.command.startswith("point:") else entry.command


def _numbered_sentences(
    opening: str, number: NumberField, entry: Entry | None
) -> Iterator[tuple[str, Meaning]]:
    step = 10 if number.whole else 1
    for tenths in range(round(10 * number.low), round(10 * number.high) + 1, step):
        value = tenths / 10
        text, command = opening + say_number(value), _command(entry, value)
        yield text, Meaning(command, value, number.default_unit)
        for unit in number.units:
            yield f"{text} {unit}", Meaning(command, value, UNIT_WORDS[unit])


def _entry_phrases(entry: Entry) -> list[str]:
    if entry.number is None:
        return [p for p in entry.hear for _ in range(PHRASE_WEIGHT // len(entry.hear))]
    return [p for h in entry.hear for p in _numbered_phrases(f"{h} ", entry.number)]


def _numbered_phrases(opening: str, number: NumberField) -> list[str]:
    if number.whole:
        names = [say_number(n) for n in range(round(number.low), round(number.high) + 1)]
        return [opening + name for name in names for _ in range(PHRASE_WEIGHT // len(names))]
    endings = ["", *(f" {u}" for u in number.units)]
    examples = _example_numbers()
    return [f"{opening}{n}{endings[i % len(endings)]}" for i, n in enumerate(examples)]


@cache
def _example_numbers() -> tuple[str, ...]:
    """Numbers that between them hold the ways in which number words follow each other."""
    below_hundred = [say_number(n) for n in range(100)]
    hundreds = [f"{DIGITS[1 + i % 9]} hundred {n}" for i, n in enumerate(below_hundred[1:])]
    short = [f"{d} {t}" for d in DIGITS[1:] for t in (*TEENS, *TENS)]
    digits = [f"{a} {b}" for a in DIGITS[1:] for b in (*DIGITS, "oh")]
    noughts = [f"{a} oh {b}" for a, b in zip(DIGITS[1:], DIGITS[:0:-1], strict=True)]
    tenths = [f"{n} point {DIGITS[i % 10]}" for i, n in enumerate(below_hundred)]
    return (
        *below_hundred,
        *(f"{d} hundred" for d in (*DIGITS[1:], "a")),
        *hundreds,
        *short,
        *digits,
        *noughts,
        *tenths,
        *(f"point {d}" for d in DIGITS),
        *(f"{d} and a half" for d in DIGITS[1:]),
    )
