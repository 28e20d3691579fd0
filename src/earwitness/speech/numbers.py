"""Read spoken numbers, and say numbers so that what is said is what would be heard."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

Style = Literal["name", "short", "digits", "pair"]
"""Forty two · one forty five (145) · one four five · twelve fifty (1250)."""
MAX_NUMBER = 3999.9
"""Largest number understood [1]. Chosen: beyond every gauge of the trade, so that what is out of
its range can be asked about."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """A number as it was said."""

    value: float
    """A whole number of tenths [1]."""
    style: Style
    digits: int = 0
    """How many digits were read one by one; 0 for the other styles [1]."""
    decimal: bool = False
    """A tenth was said."""


@dataclass(frozen=True, eq=False)
class NumberWords:
    """The number words of a language, and the ways in which they make numbers from 0 to 3999.9.

    See `languages/en/vocabulary.toml` for what each field holds.
    """

    digits: tuple[str, ...]
    noughts: tuple[str, ...]
    teens: tuple[str, ...]
    tens: tuple[str, ...]
    tens_and_units: str
    hundred: str
    thousand: str
    point: str
    one_hundred: tuple[str, ...] = ()
    one_thousand: tuple[str, ...] = ()
    joints: tuple[str, ...] = ("",)
    halves: tuple[str, ...] = ()
    short_hundreds: bool = False
    pairs: bool = False
    homophones: Mapping[str, str] = field(default_factory=dict)

    def read(self, text: str) -> Spoken | None:
        """Read one spoken number with at most one decimal.

        The whole text must be the number: half of one, or two of them, is nothing.

        Parameters
        ----------
        text : str
            Words, for example "one forty five point five"; hyphens and capitals do not matter.

        Returns
        -------
        Spoken or None
            None if the text is not exactly one number.

        Examples
        --------
        >>> from earwitness.speech.vocabulary import english
        >>> numbers = english().numbers
        >>> numbers.read("two six")
        Spoken(value=26.0, style='digits', digits=2, decimal=False)
        >>> numbers.read("twenty twenty one hundred") is None
        True
        """
        phrase = self.plainly(text)
        if phrase in self._wholes:
            return self._wholes[phrase]
        for fraction, tenths in self._fractions.items():
            if phrase == fraction.removeprefix(f"{self._joint} "):
                return Spoken(tenths / 10, "name", decimal=True)
            whole = self._wholes.get(phrase.removesuffix(f" {fraction}"))
            if whole and phrase.endswith(f" {fraction}"):
                value = (10 * whole.value + tenths) / 10
                return Spoken(value, whole.style, whole.digits, decimal=True)
        return None

    def say(self, value: float) -> str:
        """Say a number in the one way that is read back.

        Parameters
        ----------
        value : float
            The number, 0 to 3999.9, a whole number of tenths [1].

        Returns
        -------
        str
            The words; `read` gives the value back.

        Raises
        ------
        ValueError
            If the value is outside the range or has more than one decimal.

        Examples
        --------
        >>> from earwitness.speech.vocabulary import english
        >>> english().numbers.say(145.5)
        'one hundred forty five point five'
        """
        if not 0 <= value <= MAX_NUMBER or abs(10 * value - round(10 * value)) > 1e-6:
            raise ValueError(f"value={value} must be between 0 and {MAX_NUMBER} with one decimal")
        whole, tenths = divmod(round(10 * value), 10)
        words = self._name(whole)
        return f"{words} {self.point} {self.digits[tenths]}" if tenths else words

    def spellings(self, value: float) -> Iterator[str]:
        """Yield every phrase that `read` reads as this number.

        Parameters
        ----------
        value : float
            The number, 0 to 3999.9, a whole number of tenths [1].

        Yields
        ------
        str
            A phrase, without homophones.
        """
        whole, tenths = divmod(round(10 * value), 10)
        if tenths == 0:
            yield from (words for words, _, _ in self._spellings(whole))
        for fraction in (f for f, t in self._fractions.items() if t == tenths):
            for words, _, _ in self._spellings(whole):
                yield f"{words} {fraction}"
            if whole == 0:
                yield fraction.removeprefix(f"{self._joint} ")

    def plainly(self, text: str) -> str:
        """Return the text in small letters, single spaces, and digits for their homophones.

        A text of nothing but homophones stays as it is: "to" alone is no number.
        """
        words = text.lower().replace("-", " ").split()
        if all(w in self.homophones for w in words):
            return " ".join(words)
        return " ".join(self.homophones.get(w, w) for w in words)

    def words(self) -> frozenset[str]:
        """Return every single word that numbers are made of, without homophones."""
        names = (*self.digits, *self.noughts, *self.teens, *self.tens)
        patterns = (self.hundred, self.thousand, self.tens_and_units)
        rest = (self.point, *self.one_hundred, *self.one_thousand, *self.joints, *self.halves)
        texts = (*names, *(_without_slots(p) for p in patterns), *rest)
        return frozenset(w for text in texts for w in text.split())

    @cached_property
    def _wholes(self) -> dict[str, Spoken]:
        numbers = range(int(MAX_NUMBER) + 1)
        return {w: Spoken(float(n), s, d) for n in numbers for w, s, d in self._spellings(n)}

    @cached_property
    def _fractions(self) -> dict[str, int]:
        """Give what may follow a whole number, and the tenths it means."""
        tenths = {f"{self.point} {d}": n for n, d in enumerate(self.digits)}
        noughts = {f"{self.point} {d}": 0 for d in self.noughts}
        return {**tenths, **noughts, **dict.fromkeys(self.halves, 5)}

    @property
    def _joint(self) -> str:
        """The word between hundreds and the rest, which a half begins with too."""
        return next((j for j in self.joints if j), "\0")

    def _spellings(self, n: int) -> Iterator[tuple[str, Style, int]]:
        for words in self._names(n):
            yield words, "name", 0
        hundreds, rest = divmod(n, 100)
        if self.short_hundreds and 1 <= hundreds <= 9 and rest >= 10:
            yield f"{self.digits[hundreds]} {self._name(rest)}", "short", 0
        if self.pairs and hundreds > 10 and hundreds % 10:
            yield from ((words, "pair", 0) for words in self._pair(hundreds, rest))
        if 10 <= n < 1000:
            for words in self._digit_by_digit(n):
                yield words, "digits", len(str(n))

    def _names(self, n: int) -> Iterator[str]:
        """Yield the full names of a whole number, that of the read-back first."""
        if n == 0:
            yield from dict.fromkeys((self.digits[0], *self.noughts))
        elif n < 100:
            yield self._name(n)
        else:
            size, pattern, ones = (
                (100, self.hundred, self.one_hundred)
                if n < 1000
                else (1000, self.thousand, self.one_thousand)
            )
            count, rest = divmod(n, size)
            heads = [pattern.format(n=self.digits[count]), *(ones if count == 1 else ())]
            tails = list(self._names(rest)) if rest else [""]
            joints = self.joints if rest else ("",)
            for parts in product(heads, joints if rest < 100 else ("",), tails):
                yield " ".join(p for p in parts if p)

    def _pair(self, hundreds: int, rest: int) -> Iterator[str]:
        if rest == 0:
            yield self.hundred.format(n=self._name(hundreds))
        elif rest >= 10:
            yield f"{self._name(hundreds)} {self._name(rest)}"

    def _name(self, n: int) -> str:
        if n >= 100:
            return next(self._names(n))
        if n < 10:
            return self.digits[n]
        if n < 20:
            return self.teens[n - 10]
        tens, unit = self.tens[n // 10 - 2], n % 10
        return self.tens_and_units.format(tens=tens, unit=self.digits[unit]) if unit else tens

    def _digit_by_digit(self, n: int) -> Iterator[str]:
        names = [self.noughts if d == "0" else (self.digits[int(d)],) for d in str(n)]
        for chosen in product(*names):
            yield " ".join(chosen)


def _without_slots(pattern: str) -> str:
    for slot in ("{n}", "{tens}", "{unit}"):
        pattern = pattern.replace(slot, "")
    return pattern
