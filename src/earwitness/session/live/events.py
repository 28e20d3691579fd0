"""What happens to a live inspection, and what it asks to be done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from earwitness.session.snapshot import Press

if TYPE_CHECKING:
    from earwitness.session.equipment.voice import Mood


@dataclass(frozen=True, slots=True)
class TakeBegun:
    """The recording has begun."""


@dataclass(frozen=True, slots=True)
class Due:
    """The moment has come to turn the valve, or to end the take."""


@dataclass(frozen=True, slots=True)
class Scored:
    """A take was scored."""

    usable: bool
    result: str
    """In a few words."""
    why: str = ""
    """Why it is not usable, one sentence."""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Spoilt:
    """A take that is being made cannot serve."""

    why: str
    remedy: str


Event: TypeAlias = Press | TakeBegun | Due | Scored | Spoilt


@dataclass(frozen=True, slots=True)
class Say:
    """Say this once nothing else is being said and no take is being made."""

    text: str
    mood: Mood = "plain"


@dataclass(frozen=True, slots=True)
class Cue:
    """Sound the signal to open or close the valve, now."""

    on: bool


@dataclass(frozen=True, slots=True)
class BeginTake:
    """Begin to record once nothing is being said any more."""

    cylinder: int
    point: str


@dataclass(frozen=True, slots=True)
class EndTake:
    """Stop recording; keep the sound."""

    why: str = ""
    """Why it was broken off; empty for a whole take, which is then scored."""


@dataclass(frozen=True, slots=True)
class GoTo:
    """What is dictated from now on is about this cylinder."""

    cylinder: int


@dataclass(frozen=True, slots=True)
class Answer:
    """Hand this to the gauge dialogue."""

    press: Press


@dataclass(frozen=True, slots=True)
class Note:
    """Append this sentence to the record."""

    text: str


@dataclass(frozen=True, slots=True)
class Rest:
    """Close what is open, so that another day can go on from here."""


@dataclass(frozen=True, slots=True)
class Finish:
    """Judge, and close the record."""


Effect: TypeAlias = Say | Cue | BeginTake | EndTake | GoTo | Answer | Note | Rest | Finish
