"""Read spoken numbers, and say numbers so that what is said is what would be heard."""

from __future__ import annotations

from functools import cache
from itertools import product
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
"""Names of 0-9. Common English."""
TEENS = (
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
)
"""Names of 10-19. Common English."""
TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
"""Names of 20, 30 … 90. Common English."""
ZEROS = ("zero", "oh")
"""What a nought is called when digits are read one by one. Common practice, no source."""
HOMOPHONES = {"for": "four", "fore": "four", "to": "two", "too": "two", "ate": "eight"}
"""Words that only spelling tells from a digit; see docs/decisions/0031."""
MAX_NUMBER = 999.9
"""Largest number understood [1]. Chosen: no gauge of the trade shows more than three digits."""


def parse_number(text: str) -> float | None:
    """Read one spoken number from 0 to 999.9, with at most one decimal.

    The whole text must be the number: half of one, or two of them, is nothing.

    Parameters
    ----------
    text : str
        Words, for example "one forty five point five"; hyphens and capitals do not matter.

    Returns
    -------
    float or None
        The number [1], a whole number of tenths; None if the text is not exactly one number.

    Examples
    --------
    >>> parse_number("two six"), parse_number("one oh five"), parse_number("point five")
    (26.0, 105.0, 0.5)
    >>> parse_number("twenty twenty") is None
    True
    """
    phrase = spelled_plainly(text)
    for whole, tenths in _splits(phrase):
        if whole is not None and tenths is not None:
            return (10 * whole + tenths) / 10
    return None


def say_number(value: float) -> str:
    """Say a number in the one way that is read back.

    Parameters
    ----------
    value : float
        The number, 0 to 999.9, a whole number of tenths [1].

    Returns
    -------
    str
        The words; `parse_number` gives the value back.

    Raises
    ------
    ValueError
        If the value is outside the range or has more than one decimal.

    Examples
    --------
    >>> say_number(145.5)
    'one hundred forty five point five'
    """
    if not 0 <= value <= MAX_NUMBER or abs(10 * value - round(10 * value)) > 1e-6:
        raise ValueError(f"value={value} must be between 0 and {MAX_NUMBER} with one decimal")
    whole, tenths = divmod(round(10 * value), 10)
    words = _plain(whole)
    return f"{words} point {DIGITS[tenths]}" if tenths else words


def spellings(value: float) -> Iterator[str]:
    """Yield every phrase that `parse_number` reads as a number.

    Parameters
    ----------
    value : float
        The number, 0 to 999.9, a whole number of tenths [1].

    Yields
    ------
    str
        A phrase, without homophones.
    """
    whole, tenths = divmod(round(10 * value), 10)
    fractions = [f"point {d}" for d in _digit_names(tenths)]
    if tenths == 5:
        fractions.append("and a half")
    if tenths == 0:
        yield from _whole_spellings(whole)
    for words, fraction in product(_whole_spellings(whole), fractions):
        yield f"{words} {fraction}"
    if whole == 0:
        yield from (f.removeprefix("and ") for f in fractions)


def spelled_plainly(text: str) -> str:
    """Return the text in small letters, single spaces, and digits for their homophones.

    A text of nothing but homophones stays as it is: "to" alone is no number.

    Parameters
    ----------
    text : str
        Any words.

    Returns
    -------
    str
        The words to look up.
    """
    words = text.lower().replace("-", " ").split()
    if all(w in HOMOPHONES for w in words):
        return " ".join(words)
    return " ".join(HOMOPHONES.get(w, w) for w in words)


def _splits(phrase: str) -> Iterator[tuple[int | None, int | None]]:
    """Yield the ways to part a phrase into whole and tenths; the parts may be unreadable."""
    yield _whole_numbers().get(phrase), 0
    if phrase == "a half":
        yield 0, 5
    if phrase.endswith(" and a half"):
        yield _whole_numbers().get(phrase.removesuffix(" and a half")), 5
    whole, point, tenths = phrase.rpartition("point ")
    if point:
        yield _whole_numbers().get(whole.removesuffix(" ")) if whole else 0, _tenths(tenths)


def _tenths(word: str) -> int | None:
    if word in ZEROS:
        return 0
    return DIGITS.index(word) if word in DIGITS else None


@cache
def _whole_numbers() -> dict[str, int]:
    return {words: n for n in range(1000) for words in _whole_spellings(n)}


def _whole_spellings(n: int) -> Iterator[str]:
    if n >= 100:
        yield from _hundreds_spellings(n)
        return
    yield _plain(n)
    if n == 0:
        yield "oh"
    if n >= 10:
        yield from _digit_by_digit(n)


def _hundreds_spellings(n: int) -> Iterator[str]:
    h, rest = divmod(n, 100)
    heads = [f"{DIGITS[h]} hundred"] + (["a hundred", "hundred"] if h == 1 else [])
    for head in heads:
        if rest:
            yield f"{head} {_plain(rest)}"
            yield f"{head} and {_plain(rest)}"
        else:
            yield head
    if rest >= 10:
        yield f"{DIGITS[h]} {_plain(rest)}"
    yield from _digit_by_digit(n)


def _digit_by_digit(n: int) -> Iterator[str]:
    for names in product(*(_digit_names(int(d)) for d in str(n))):
        yield " ".join(names)


def _digit_names(digit: int) -> tuple[str, ...]:
    return ZEROS if digit == 0 else (DIGITS[digit],)


def _plain(n: int) -> str:
    if n >= 100:
        h, rest = divmod(n, 100)
        return f"{DIGITS[h]} hundred" + (f" {_plain(rest)}" if rest else "")
    if n < 10:
        return DIGITS[n]
    if n < 20:
        return TEENS[n - 10]
    return TENS[n // 10 - 2] + (f" {DIGITS[n % 10]}" if n % 10 else "")
