"""What may be said now: its sentences, the phrase list for a recogniser, and what they mean."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Literal

from earwitness.speech.phrase_list import phrase_list
from earwitness.speech.vocabulary import ANSWER_NUMBER, Vocabulary, english

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.speech.vocabulary import Entry, NumberField

Expect = Literal["number", "command", "any"]
"""What may be said: an answer to a question, a command or reading of the table, or either."""


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


@dataclass(frozen=True)
class Grammar:
    """The part of a vocabulary that may be said in one state of an inspection."""

    vocabulary: Vocabulary
    entries: tuple[Entry, ...] = ()
    bare: NumberField | None = None
    """The number that may be said alone, with or without its unit; None if none may."""

    def sentences(self) -> Iterator[tuple[str, Meaning]]:
        """Yield every sentence with its meaning: all numbers within range, in all spellings."""
        for entry in self.entries:
            for hear in entry.hear:
                if entry.number is None:
                    yield hear, Meaning(entry.command)
                else:
                    yield from self._numbered_sentences(f"{hear} ", entry.number, entry)
        if self.bare is not None:
            yield from self._numbered_sentences("", self.bare, None)

    def phrases(self) -> list[str]:
        """Return the list for a recogniser that learns word pairs from it (docs/decisions/0030).

        Not every sentence is in it. Every pair of number words, and every number word after
        every opening, is; units and decimals follow examples. Copies of a phrase are its weight.
        """
        return phrase_list(self.vocabulary.numbers, self.entries, self.bare)

    def interpret(self, text: str) -> Meaning | None:
        """Return what a text means if all of it is one phrase of this grammar, else None."""
        return self._meaning_of(self.vocabulary.numbers.plainly(text).split())

    def phrases_in(self, text: str) -> list[Phrase]:
        """Return the phrases that make up a text from end to end; none if any word is left over.

        Readings and places may share a breath; a controlling word and a bare number must stand
        alone, because shop talk is full of "no", "next" and "one". Only after the word for a note
        may anything follow: it is kept as sound, not as words.
        """
        words = self.vocabulary.numbers.plainly(text).split()
        alone = self._meaning_of(words)
        if alone is not None:
            return [Phrase(0, len(words), alone)]
        note = next((e for e, _ in self._openings(words) if e.kind == "note"), None)
        if note is not None:
            return [Phrase(0, len(words), Meaning(note.command))]
        return self._chain(words)

    def goes_on(self, text: str) -> bool:
        """Tell whether more words may make another meaning of a text that already has one.

        True for a number without its unit: "leakage forty" may become "leakage forty two".
        """
        phrases = self.phrases_in(text)
        if not phrases or phrases[-1].meaning.value is None:
            return False
        words = self.vocabulary.numbers.plainly(text).split()
        last = phrases[-1]
        number = self._field_of(last.meaning.command)
        return number is not None and not number.whole and not number.unit_of(words[last.stop - 1])

    def is_begun(self, text: str) -> bool:
        """Tell whether a text is the beginning of a phrase and lacks the rest: "cylinder"."""
        words = self.vocabulary.numbers.plainly(text).split()
        return any(self._begun(words[i:]) for i in range(len(words)) if self._readable(words[:i]))

    def _meaning_of(self, words: list[str]) -> Meaning | None:
        for entry, hear in self._openings(words):
            meaning = self._meaning(entry, words[len(hear) :])
            if meaning is not None:
                return meaning
        return self._measured(None, self.bare, words) if self.bare is not None else None

    def _chain(self, words: list[str]) -> list[Phrase]:
        """Return the shareable phrases that fill the words; of two ways the longer first phrase."""
        fills: list[list[Phrase] | None] = [None] * len(words) + [[]]
        for start in range(len(words) - 1, -1, -1):
            for stop in range(len(words), start, -1):
                rest = fills[stop]
                meaning = self._shareable(words[start:stop]) if rest is not None else None
                if meaning is not None and rest is not None:
                    fills[start] = [Phrase(start, stop, meaning), *rest]
                    break
        return fills[0] or []

    def _shareable(self, words: list[str]) -> Meaning | None:
        for entry, hear in self._openings(words):
            meaning = self._meaning(entry, words[len(hear) :]) if entry.strings else None
            if meaning is not None:
                return meaning
        return None

    def _readable(self, words: list[str]) -> bool:
        return not words or bool(self._chain(words))

    def _begun(self, words: list[str]) -> bool:
        hears = [(e, h.split()) for e in self.entries for h in e.hear]
        if any(len(words) < len(h) and words == h[: len(words)] for _, h in hears):
            return True
        return any(
            set(words[len(hear) :]) <= self.vocabulary.numbers.words()
            for e, hear in self._openings(words)
            if e.number is not None
        )

    def _openings(self, words: list[str]) -> list[tuple[Entry, list[str]]]:
        known = self._heard.get(words[0], []) if words else []
        return [(entry, hear) for entry, hear in known if words[: len(hear)] == hear]

    @cached_property
    def _heard(self) -> dict[str, list[tuple[Entry, list[str]]]]:
        """Give the entries and the words they are heard as, by the first of those words."""
        heard: dict[str, list[tuple[Entry, list[str]]]] = {}
        for entry in self.entries:
            for words in (h.split() for h in entry.hear):
                heard.setdefault(words[0], []).append((entry, words))
        return heard

    def _field_of(self, command: str | None) -> NumberField | None:
        if command is None:
            return self.bare
        return next((e.number for e in self.entries if e.command == command), None)

    def _meaning(self, entry: Entry, rest: list[str]) -> Meaning | None:
        if entry.number is None:
            return None if rest else Meaning(entry.command)
        return self._measured(entry, entry.number, rest)

    def _measured(
        self, entry: Entry | None, number: NumberField, words: list[str]
    ) -> Meaning | None:
        """Read a number and its unit; `entry` is None for a bare number."""
        unit = number.unit_of(words[-1]) if words else None
        spoken = self.vocabulary.numbers.read(" ".join(words[:-1] if unit else words))
        if spoken is None or not (unit or number).takes(spoken):
            return None
        name = unit.name if unit else number.default_unit
        return Meaning(_command(entry, spoken.value), spoken.value, name)

    def _numbered_sentences(
        self, opening: str, number: NumberField, entry: Entry | None
    ) -> Iterator[tuple[str, Meaning]]:
        for unit in number.units:
            step = 1 if unit.decimals else 10
            for tenths in range(round(10 * unit.low), round(10 * unit.high) + 1, step):
                for text in self.vocabulary.numbers.spellings(tenths / 10):
                    spoken = self.vocabulary.numbers.read(text)
                    assert spoken is not None  # noqa: S101  # spellings and read are inverses
                    if not unit.takes(spoken):
                        continue
                    command = _command(entry, tenths / 10)
                    if number.takes(spoken):
                        meant = Meaning(command, tenths / 10, number.default_unit)
                        yield opening + text, meant
                    for word in unit.words:
                        yield f"{opening}{text} {word}", Meaning(command, tenths / 10, unit.name)


@cache
def grammar_for(expect: Expect, vocabulary: Vocabulary | None = None) -> Grammar:
    """Return the grammar of a general state.

    Parameters
    ----------
    expect : {"number", "command", "any"}
        What may be said: a number alone, anything of the table, or either.
    vocabulary : Vocabulary, optional
        The language; English if left out.

    Returns
    -------
    Grammar
        The grammar.

    Raises
    ------
    ValueError
        If `expect` is none of the three.
    """
    known = english() if vocabulary is None else vocabulary
    grammars = {
        "number": Grammar(known, bare=known.bare_number),
        "command": Grammar(known, known.entries),
        "any": Grammar(known, known.entries, known.bare_number),
    }
    if expect not in grammars:
        raise ValueError(f"expect={expect!r} must be one of {', '.join(grammars)}")
    return grammars[expect]


@cache
def grammar_in(state: str, vocabulary: Vocabulary | None = None) -> Grammar:
    """Return the grammar of one state of the dialogue.

    Parameters
    ----------
    state : str
        Name of a state in the vocabulary: asleep, awake or answer.
    vocabulary : Vocabulary, optional
        The language; English if left out.

    Returns
    -------
    Grammar
        The grammar.

    Raises
    ------
    KeyError
        If the vocabulary has no such state.
    """
    known = english() if vocabulary is None else vocabulary
    bare = known.bare_number if ANSWER_NUMBER in known.states[state] else None
    return Grammar(known, known.entries_in(state), bare)


def interpret(text: str, expect: Expect = "any") -> Meaning | None:
    """Return what an English text means as one phrase, or None.

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


def _command(entry: Entry | None, value: float) -> str | None:
    if entry is None:
        return None
    return f"{entry.command}-{value:.0f}" if entry.kind == "place" else entry.command
