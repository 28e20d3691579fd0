"""What is typed, pressed and said, as what the inspection and its gauge dialogue understand."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from earwitness.session.snapshot import Press, press
from earwitness.speech.grammar import grammar_for
from earwitness.speech.heard import Heard
from earwitness.speech.vocabulary import english

if TYPE_CHECKING:
    from earwitness.session.snapshot import Action
    from earwitness.speech.vocabulary import Vocabulary

COMMANDS: dict[str, Action] = {
    "next": "next",
    "done": "next",
    "pause": "pause",
    "resume": "resume",
    "retest": "again",
    "skip": "skip",
    "confirm": "confirm",
    "no": "no",
    "scratch-that": "scratch-that",
    "repeat": "repeat",
}
"""Commands of the vocabulary and what each asks of the inspection."""
SHORT: dict[str, Action] = {
    "": "next",
    "s": "start",
    "start": "start",
    "a": "again",
    "again": "again",
    "y": "confirm",
    "yes": "confirm",
    "n": "no",
    "p": "pause",
    "pause": "pause",
    "r": "resume",
    "resume": "resume",
    "q": "finish",
    "finish": "finish",
    "skip": "skip",
}
"""What may be typed for short, and what it means."""
POINT = "point:"
_UNITS = {"%": " percent", "kpa": " kilopascals", "psi": " psi", "bar": " bar"}
_NUMBER = re.compile(r"(\d+(?:[.]\d)?)(?:\s*(%|kpa|psi|bar))?")


def press_of(command: str | None, value: float | None) -> Press | None:
    """Return what a spoken command asks of the inspection; None if it is the dialogue's alone.

    Parameters
    ----------
    command : str or None
        Name of the command in the vocabulary.
    value : float or None
        The number said with it [1].
    """
    if command is None:
        return None
    if command.startswith(POINT):
        return Press("point", command.removeprefix(POINT))
    if command == "cylinder" and value is not None:
        return Press("cylinder", f"{value:.0f}")
    return Press(COMMANDS[command]) if command in COMMANDS else None


def press_from(line: str, vocabulary: Vocabulary | None = None) -> Press | None:
    """Return what a typed line asks; None if it is nothing that can be asked.

    Parameters
    ----------
    line : str
        As typed: a short form, anything that may be said, with numbers in digits or in words.
    vocabulary : Vocabulary, optional
        The language; English if left out.

    Examples
    --------
    >>> press_from("cylinder 3")
    Press(action='cylinder', value='3')
    >>> press_from("leakage 34 %")
    Press(action='reading', value='leakage 34 %')
    """
    plain = " ".join(line.lower().split())
    if plain in SHORT:
        return Press(SHORT[plain])
    heard = heard_from(plain, vocabulary)
    asked = press_of(heard.command, heard.value) if heard else None
    if asked is not None or heard is None:
        return asked
    try:
        return press("reading", plain)
    except ValueError:
        return None


def heard_from(line: str, vocabulary: Vocabulary | None = None) -> Heard | None:
    """Return a typed sentence as if it had been said and heard without a doubt; None if it is none.

    Parameters
    ----------
    line : str
        For example "leakage 34 %" or "leakage thirty four percent".
    vocabulary : Vocabulary, optional
        The language; English if left out.
    """
    known = english() if vocabulary is None else vocabulary
    words = _NUMBER.sub(lambda m: _spelt(m, known), line.lower())
    meaning = grammar_for("any", known).interpret(" ".join(words.split()))
    if meaning is None:
        return None
    return Heard(0.0, 0.0, line, 1.0, meaning.command, meaning.value, meaning.unit, False, False)


def heard_as(command: str) -> Heard:
    """Return an answer that was pressed as if it had been said."""
    return Heard(0.0, 0.0, "", 1.0, command, None, None, False, False)


def _spelt(match: re.Match[str], vocabulary: Vocabulary) -> str:
    unit = _UNITS.get(match[2] or "", "")
    try:
        return vocabulary.numbers.say(float(match[1])) + unit
    except ValueError:
        return match[0]
