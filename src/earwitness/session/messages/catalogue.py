"""Everything that a live inspection says, shows and puts on its page, in one language.

A language is one file: `messages/<language>.toml`, or the `messages.toml` of a model folder; no
other file of the live inspection, of its page or of `check` holds a sentence.
"""

from __future__ import annotations

import re
import string
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.errors import ModelError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

MESSAGES_FILE = "messages.toml"
"""Name of the catalogue in a model folder."""
PLUG_HOLE = "plug-hole"
"""Begins the name of a plug hole, which ends in the cylinder's number."""
CYLINDER = re.compile(r"\bcylinder (\d+)\b")
"""A cylinder's number in a sentence from elsewhere in the program."""
REMEDY = "Compare it with the English one; docs/live.md says how a language is written."


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The words of one language; see `en.toml` for what each table holds."""

    language: str
    messages: Mapping[str, str]
    seals: Mapping[str, str]
    points: Mapping[str, str]
    page: Mapping[str, Any]
    refusals: Mapping[str, str]
    check: Mapping[str, str]
    given: Mapping[str, str]

    def text(self, message: str, **slots: object) -> str:
        """Return a message with its slots filled in."""
        return self.messages[message].format(**slots)

    def ready(self, message: str, **slots: object) -> str:
        """Return what `check` tells, with its slots filled in."""
        return self.check[message].format(**slots)

    def point(self, name: str) -> str:
        """Return a place as it is said and written.

        Examples
        --------
        >>> english().point("oil-filler"), english().point("plug-hole-2")
        ('oil filler', 'plug hole 2')
        """
        head, _, number = name.rpartition("-")
        if head == PLUG_HOLE:
            return self.points[PLUG_HOLE].format(n=number)
        return self.points.get(name, name.replace("-", " "))

    def told(self, sentence: str) -> str:
        """Return a sentence that the rest of the program has in English, in this language.

        A cylinder's number in it is a slot.
        """
        if sentence in self.given:
            return self.given[sentence]
        number = CYLINDER.search(sentence)
        known = self.given.get(numberless(sentence)) if number else None
        return known.format(n=number[1]) if known and number else sentence


@cache
def english() -> Catalogue:
    """Return the catalogue that comes with the package."""
    return _read(Path(__file__).with_name("en.toml"))


def beside(model: Path) -> Catalogue:
    """Return the catalogue of a speech model's language: the one in its folder, or English.

    Raises
    ------
    ModelError
        If the file there cannot be read, or lacks or misnames something; it says what.
    """
    path = model / MESSAGES_FILE
    return load_catalogue(path) if path.exists() else english()


def load_catalogue(path: Path) -> Catalogue:
    """Read a language, and hold it against English: the same keys, the same slots.

    Raises
    ------
    ModelError
        If the file cannot be read, or lacks or misnames something; it says what.
    """
    try:
        found = _read(path)
        fault = next(_faults(found, english()), None)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
        raise ModelError(f"The messages {path} cannot be read: {e}", remedy=REMEDY) from e
    except KeyError as e:
        raise ModelError(f"The messages {path} lack {e}", remedy=REMEDY) from e
    except (TypeError, AttributeError, ValueError) as e:
        raise ModelError(f"The messages {path} are not as expected: {e}", remedy=REMEDY) from e
    if fault:
        raise ModelError(f"The messages {path}: {fault}", remedy=REMEDY)
    return found


def numberless(sentence: str) -> str:
    """Return a sentence with a slot for the number of the cylinder in it.

    Examples
    --------
    >>> numberless("Spark plug of cylinder 3 out.")
    'Spark plug of cylinder {n} out.'
    """
    return CYLINDER.sub("cylinder {n}", sentence)


def sentences(table: Any, at: str = "") -> Iterator[tuple[str, str]]:
    """Go through every text of a table, with its path in it.

    Examples
    --------
    >>> list(sentences({"start": ["Start", "s"]}))
    [('start.0', 'Start'), ('start.1', 's')]
    """
    if isinstance(table, str):
        yield at, table
        return
    rows = table.items() if isinstance(table, dict) else enumerate(table)
    for name, value in rows:
        yield from sentences(value, f"{at}.{name}" if at else str(name))


def _read(path: Path) -> Catalogue:
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    return Catalogue(**{name: told[name] for name in Catalogue.__dataclass_fields__})


def _faults(found: Catalogue, model: Catalogue) -> Iterator[str]:
    """Say in what a catalogue differs from the model in more than its words."""
    for table in ("messages", "seals", "points", "page", "refusals", "check"):
        wanted = dict(sentences(getattr(model, table)))
        have = dict(sentences(getattr(found, table)))
        yield from (f"{table} lacks {key}" for key in wanted if key not in have)
        yield from (f"{table} has {key}, which nothing uses" for key in have if key not in wanted)
        for key in wanted.keys() & have.keys():
            if _slots(have[key]) != _slots(wanted[key]):
                slots = ", ".join(sorted(_slots(wanted[key]))) or "none"
                yield f"{table}: the slots of {key} must be {slots}"


def _slots(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
