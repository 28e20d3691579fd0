"""Make the list of example phrases from which a recogniser learns which word follows which.

See docs/decisions/0030 for why the list holds examples and not every sentence.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from earwitness.speech.recogniser import UNKNOWN_WORD

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.speech.numbers import NumberWords
    from earwitness.speech.vocabulary import Entry, NumberField

UNKNOWN_SHARE = 0.05
"""Share of the phrase list that is unknown speech [1]. Chosen: benchmarks/dictation_grammar.py."""
PHRASE_WEIGHT = 400
"""Copies of a phrase without a number, so that numbered ones, listed in some 400 examples, do not
crowd it out [1]. Chosen: benchmarks/dictation_grammar.py."""
OPENING_WEIGHT = 20
"""Copies of each beginning of a phrase, so that half of one is heard as that and not completed by
the recogniser [1]. Chosen: benchmarks/dictation_grammar.py."""


def phrase_list(
    numbers: NumberWords, entries: Sequence[Entry], bare: NumberField | None
) -> list[str]:
    """Return the phrases that a recogniser is given for one state.

    Parameters
    ----------
    numbers : NumberWords
        The language's numbers.
    entries : sequence of Entry
        What may be said.
    bare : NumberField or None
        The number that may be said alone.

    Returns
    -------
    list of str
        Phrases; more copies of one make it likelier. At least one is `UNKNOWN_WORD`.
    """
    listed = [p for e in entries for p in _entry_phrases(numbers, e)]
    if bare is not None:
        listed += _numbered_phrases(numbers, "", bare)
    return listed + [UNKNOWN_WORD] * max(round(len(listed) * UNKNOWN_SHARE), PHRASE_WEIGHT)


def _entry_phrases(numbers: NumberWords, entry: Entry) -> list[str]:
    if entry.number is None:
        after = [f"{h} {UNKNOWN_WORD}" for h in entry.hear] if entry.kind == "note" else []
        forms = [*entry.hear, *after]
        whole = [p for p in forms for _ in range(PHRASE_WEIGHT // len(forms))]
        return whole + [b for h in entry.hear for b in _beginnings(h)]
    numbered = [p for h in entry.hear for p in _numbered_phrases(numbers, f"{h} ", entry.number)]
    return numbered + [b for h in entry.hear for b in (*_beginnings(h), *[h] * OPENING_WEIGHT)]


def _beginnings(phrase: str) -> list[str]:
    words = phrase.split()
    return [" ".join(words[:n]) for n in range(1, len(words)) for _ in range(OPENING_WEIGHT)]


def _numbered_phrases(numbers: NumberWords, opening: str, number: NumberField) -> list[str]:
    if number.whole:
        low, high = round(number.units[0].low), round(number.units[0].high)
        names = [numbers.say(n) for n in range(low, high + 1)]
        return [opening + name for name in names for _ in range(PHRASE_WEIGHT // len(names))]
    endings = ["", *(f" {w}" for u in number.units for w in u.words)]
    highest = max(u.high for u in number.units)
    listed = [
        f"{opening}{n}{endings[i % len(endings)]}"
        for i, n in enumerate(_examples(numbers, beyond=1 if highest <= 100 else 9))
    ]
    paired = [f" {w}" for u in number.units if u.pairs for w in u.words]
    large = _large_examples(numbers) if paired else ()
    return listed + [f"{opening}{n}{paired[i % len(paired)]}" for i, n in enumerate(large)]


@cache
def _examples(numbers: NumberWords, *, beyond: int) -> tuple[str, ...]:
    """Numbers that between them hold the ways in which number words follow each other.

    `beyond` is the highest hundred: a gauge to 100 has examples up to 199, to be asked about.
    """
    say, digits = numbers.say, numbers.digits[1:]
    heads = digits[:beyond]
    below_hundred = [say(n) for n in range(100)]
    named = [say(100 * (1 + i % beyond) + n) for i, n in enumerate(range(1, 100))]
    joined = [w for i, n in enumerate(range(1, 100, 3)) for w in _joined(numbers, i % beyond, n)]
    tails = [say(n) for n in (*range(10, 20), *range(20, 100, 10))]
    return (
        *below_hundred,
        *numbers.noughts,
        *(say(100 * n) for n in range(1, beyond + 1)),
        *numbers.one_hundred,
        *named,
        *joined,
        *(f"{d} {t}" for d in heads for t in tails if numbers.short_hundreds),
        *(f"{a} {b}" for a in digits for b in (*numbers.digits, *numbers.noughts[1:])),
        *(w for w in _with_noughts(numbers) if beyond > 1),
        *(say(n + (i % 9 + 1) / 10) for i, n in enumerate(range(100))),
        *(f"{numbers.point} {d}" for d in (*numbers.digits, *numbers.noughts[1:])),
        *(f"{d} {half}" for d in digits for half in numbers.halves),
    )


def _with_noughts(numbers: NumberWords) -> Iterator[str]:
    """Yield numbers that are read digit by digit and have a nought in the middle."""
    digits = numbers.digits[1:]
    for nought in numbers.noughts:
        yield from (f"{a} {nought} {b}" for a, b in zip(digits, digits[::-1], strict=True))
        yield from (f"{digits[0]} {nought} {other}" for other in numbers.noughts)


def _joined(numbers: NumberWords, hundred: int, rest: int) -> Iterator[str]:
    """Yield the names of a number that have a word between its hundred and the rest."""
    n = 100 * (hundred + 1) + rest
    plain = numbers.say(n)
    for words, style in ((w, numbers.read(w)) for w in numbers.spellings(n)):
        if style is not None and style.style == "name" and words != plain:
            yield words


@cache
def _large_examples(numbers: NumberWords) -> tuple[str, ...]:
    """Numbers from 1000 on, as a gauge in kilopascal shows them."""
    say = numbers.say
    hundreds = [h for h in range(11, 40) if h % 10]
    pairs = [f"{say(h)} {say(10 + i % 90)}" for i, h in enumerate(hundreds)]
    tens = [f"{say(h)} {say(t)}" for h in range(11, 20) for t in (10, 15, *range(20, 100, 10))]
    thousands = [say(1000 * (1 + i % 3) + n) for i, n in enumerate(range(0, 1000, 50))]
    named = [numbers.hundred.format(n=say(h)) for h in hundreds]
    return (*thousands, *((*pairs, *tens, *named) if numbers.pairs else ()))
