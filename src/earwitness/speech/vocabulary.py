"""The table of what may be said in the bay, what it means, and how it is said back.

A language is one file, `languages/<name>/vocabulary.toml`, or the `vocabulary.toml` of a model
folder; nothing else of the program knows its words.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from earwitness.errors import ModelError
from earwitness.speech.numbers import NumberWords

if TYPE_CHECKING:
    from collections.abc import Mapping

    from earwitness.speech.numbers import Spoken

Kind = Literal["control", "answer", "reading", "place", "note"]
"""What a phrase does; see `languages/en/vocabulary.toml`."""
KINDS: tuple[Kind, ...] = ("control", "answer", "reading", "place", "note")
VOCABULARY_FILE = "vocabulary.toml"
"""Name of a language's file, in a language folder or in a model folder."""
ANSWER_NUMBER = "number"
"""Name of the field of a number that is said alone."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit in which a gauge is read."""

    name: str
    """As written in a reading: percent, psi, kPa or bar; empty for a count."""
    words: tuple[str, ...]
    """How it is spoken."""
    low: float
    high: float
    """What such a gauge can show [this unit]; what is beyond is asked about."""
    decimals: bool = False
    """A tenth may be said."""
    digits: int = 0
    """How many digits a number has that is read digit by digit; 0: it is not read so [1]."""
    pairs: bool = False
    """"Twelve fifty" is one number."""

    def takes(self, number: Spoken) -> bool:
        """Tell whether a number may be said in this way for this unit, whatever its size."""
        if number.decimal and not self.decimals:
            return False
        if number.style == "digits":
            return number.digits == self.digits
        return number.style != "pair" or self.pairs


@dataclass(frozen=True, slots=True)
class NumberField:
    """The number that may follow a phrase, or be said alone."""

    units: tuple[Unit, ...]
    """Units that may be spoken after it; the single nameless one for a count."""
    default_unit: str | None = None
    """The unit meant when none is spoken; None where it must be asked."""

    @property
    def whole(self) -> bool:
        """Whether it is a count, without a unit."""
        return self.units[0].name == ""

    def unit_of(self, word: str) -> Unit | None:
        """Return the unit that a word names here."""
        return next((u for u in self.units if word in u.words), None)

    def takes(self, number: Spoken) -> bool:
        """Tell whether a number without a unit may be said in this way here.

        A pair needs its unit: "twelve fifty" may be two numbers.
        """
        if self.default_unit is None and not self.whole and number.style == "pair":
            return False
        return any(u.takes(number) for u in self.units)


@dataclass(frozen=True, slots=True)
class Entry:
    """One meaning of the table."""

    command: str
    """The stable name of the meaning; for a numbered place the number is appended."""
    hear: tuple[str, ...]
    """The phrases that mean it; the first is how it is said back."""
    gist: str
    """What happens, for help pages."""
    kind: Kind
    number: NumberField | None = None

    @property
    def say(self) -> str:
        """How the meaning is said back."""
        return self.hear[0]

    @property
    def strings(self) -> bool:
        """Whether it may share one breath: "cylinder three leakage forty two percent"."""
        return self.kind in ("reading", "place")


@dataclass(frozen=True, eq=False)
class Vocabulary:
    """A language: everything that may be said, and everything that is answered."""

    language: str
    numbers: NumberWords
    units: Mapping[str, Unit]
    fields: Mapping[str, NumberField]
    entries: tuple[Entry, ...]
    states: Mapping[str, tuple[str, ...]]
    """What may be said in each state of the dialogue: commands, "kind:…", or "number"."""
    prompts: Mapping[str, str]
    """What the tool says, with slots in braces."""
    spoken: Mapping[str, str] = field(default_factory=dict)
    """How the gauge of a reading is named when it is read back."""

    @property
    def bare_number(self) -> NumberField:
        """The field of a number that is said alone."""
        return self.fields[ANSWER_NUMBER]

    def entries_in(self, state: str) -> tuple[Entry, ...]:
        """Return what may be said in a state, other than a bare number, in the table's order."""
        listed = self.states[state]
        return tuple(e for e in self.entries if e.command in listed or f"kind:{e.kind}" in listed)

    @cached_property
    def words(self) -> frozenset[str]:
        """Every single word that may be said."""
        phrases = [h for e in self.entries for h in e.hear]
        units = [w for u in self.units.values() for w in u.words]
        return self.numbers.words() | {w for p in phrases + units for w in p.split()}


@cache
def english() -> Vocabulary:
    """Return the vocabulary that comes with the package."""
    return load_vocabulary(Path(__file__).parent / "languages" / "en" / VOCABULARY_FILE)


def load_vocabulary(path: Path) -> Vocabulary:
    """Read a language.

    Parameters
    ----------
    path : Path
        Its `vocabulary.toml`.

    Returns
    -------
    Vocabulary
        The language.

    Raises
    ------
    ModelError
        If the file cannot be read, or lacks or misnames something; it says what.
    """
    remedy = "Compare it with the English one; docs/dictation.md says how a language is written."
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
        vocabulary = _vocabulary(found)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
        raise ModelError(f"The vocabulary {path} cannot be read: {e}", remedy=remedy) from e
    except KeyError as e:
        raise ModelError(f"The vocabulary {path} lacks {e}", remedy=remedy) from e
    except (TypeError, AttributeError, ValueError) as e:
        raise ModelError(f"The vocabulary {path} is not as expected: {e}", remedy=remedy) from e
    faults = _faults(vocabulary)
    if faults:
        raise ModelError(f"The vocabulary {path}: {faults[0]}", remedy=remedy)
    return vocabulary


def _vocabulary(found: dict[str, Any]) -> Vocabulary:
    units = {n: Unit(name=n, **_tuples(u)) for n, u in found["units"].items()}
    fields = {n: _field(f, units) for n, f in found["fields"].items()}
    return Vocabulary(
        language=found["language"],
        numbers=NumberWords(**_tuples(found["numbers"])),
        units=units,
        fields=fields,
        entries=tuple(_entry(e, fields) for e in found["entry"]),
        states=_tuples(found["states"]),
        prompts=found["prompts"],
        spoken=found["spoken"],
    )


def _field(found: dict[str, Any], units: dict[str, Unit]) -> NumberField:
    if "units" not in found:
        return NumberField((Unit("", (), float(found["low"]), float(found["high"])),))
    return NumberField(tuple(units[u] for u in found["units"]), found.get("default"))


def _entry(found: dict[str, Any], fields: dict[str, NumberField]) -> Entry:
    number = fields[found["number"]] if "number" in found else None
    return Entry(found["command"], tuple(found["hear"]), found["gist"], found["kind"], number)


def _tuples(found: dict[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in found.items()}


def _faults(vocabulary: Vocabulary) -> list[str]:
    """Return what would make the table mean two things at once, or nothing."""
    phrases = [h for e in vocabulary.entries for h in e.hear]
    twice = sorted({p for p in phrases if phrases.count(p) > 1})
    commands = {e.command for e in vocabulary.entries}
    known = commands | {f"kind:{k}" for k in KINDS} | {ANSWER_NUMBER}
    stray = sorted({s for listed in vocabulary.states.values() for s in listed} - known)
    kinds = sorted({e.kind for e in vocabulary.entries} - set(KINDS))
    numbers = vocabulary.numbers
    count = {"digits": 10, "teens": 10, "tens": 8}
    short = [n for n, c in count.items() if len(getattr(numbers, n)) != c]
    alike = [p for p in phrases if numbers.words().issuperset(p.split())]
    return [
        *(f'"{p}" is in two entries' for p in twice),
        *(f'a state lists "{s}", which is no entry' for s in stray),
        *(f'"{k}" is no kind of entry' for k in kinds),
        *(f"numbers.{n} needs {count[n]} words" for n in short),
        *(f'"{p}" is a number too' for p in alike if numbers.read(p)),
    ]
