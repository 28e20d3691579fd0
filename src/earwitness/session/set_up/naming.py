"""Name the engine under test in a few answers, as a pure function.

First how many cylinders; then the whole engine is read back as it usually is, and one "confirm" is
enough. After a "no" one thing after another is asked, and each "no" offers its next possibility: so
that "cylinder", "confirm", "no" and the numbers are all the words it takes, in any language.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

from earwitness.engine.layout import (
    DEFAULT_FIRING_ORDERS,
    MOST_CYLINDERS,
    Arrangement,
    Cooling,
    Fuel,
)
from earwitness.session.messages.catalogue import Catalogue, english

if TYPE_CHECKING:
    from collections.abc import Sequence

Question = Literal[
    "cylinders", "arrangement", "numbering", "order", "cooling", "tailpipes", "fuel", "whole"
]
Numbering = Literal["alternate", "bank-by-bank"]
"""How the cylinders of two banks are numbered: odd on one bank and even on the other, or one bank
after the other. Common practice, no source."""
QUESTIONS: tuple[Question, ...] = (
    "arrangement", "numbering", "order", "cooling", "tailpipes", "fuel", "whole",
)  # fmt: skip
"""What is asked after the number of cylinders, in this order, if the engine is not a usual one."""
CHOICES: dict[str, tuple[object, ...]] = {
    "arrangement": get_args(Arrangement),
    "numbering": get_args(Numbering),
    "cooling": get_args(Cooling),
    "tailpipes": (1, 2),
    "fuel": get_args(Fuel),
}
"""What each "no" goes through, the usual first."""


@dataclass(frozen=True, slots=True)
class Naming:
    """The engine as far as it is named."""

    asks: Question | None = "cylinders"
    """None once everything is confirmed."""
    cylinders: int = 0
    arrangement: Arrangement = "inline"
    numbering: Numbering = "alternate"
    order: tuple[int, ...] = ()
    """Firing order as far as it is known."""
    cooling: Cooling = "liquid"
    tailpipes: int = 1
    fuel: Fuel = "petrol"
    words: Catalogue = field(default_factory=english)
    """The language in which it is asked."""

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers that may be said now."""
        if self.asks in ("cylinders", "whole"):
            return tuple(range(1, MOST_CYLINDERS + 1))
        if self.asks == "order" and len(self.order) < self.cylinders:
            return tuple(n for n in range(1, self.cylinders + 1) if n not in self.order)
        return ()

    @property
    def banks(self) -> tuple[tuple[int, ...], ...]:
        """Cylinder numbers of each bank, front to back; empty for an engine in line."""
        if self.arrangement == "inline":
            return ()
        numbers = tuple(range(1, self.cylinders + 1))
        if self.numbering == "alternate":
            return numbers[::2], numbers[1::2]
        half = (self.cylinders + 1) // 2
        return numbers[:half], numbers[half:]

    def engine(self) -> dict[str, object]:
        """Return the engine by the keys of a run sheet."""
        return {
            "cylinders": self.cylinders,
            "firing_order": self.order,
            "arrangement": self.arrangement,
            "banks": self.banks,
            "cooling": self.cooling,
            "tailpipes": self.tailpipes,
            "fuel": self.fuel,
        }


Step: TypeAlias = tuple[Naming, str]
"""What is known now, and what to say; nothing if it is empty."""


def question(naming: Naming) -> str:
    """Return what is asked now."""
    words = naming.words
    if naming.asks == "whole":
        return words.text("name_whole", engine=described(naming))
    if naming.asks == "order":
        if len(naming.order) < naming.cylinders:
            return words.text("name_say_order")
        return words.text("name_right", what=_order(naming))
    if naming.asks in (None, "cylinders"):
        return words.text("name_cylinders" if naming.asks else "name_done")
    return words.text("name_right", what=_part(naming, naming.asks))


def described(naming: Naming) -> str:
    """Return the whole engine in words, for the technician and for the record."""
    parts = [q for q in QUESTIONS if q != "whole" and _applies(naming, q)]
    count = naming.words.text("name_count", n=naming.cylinders)
    return ", ".join([count, *(_part(naming, q) for q in parts)])


def step(naming: Naming, command: str | None, number: int | None = None) -> Step:
    """Take in one answer; one that does not fit changes nothing.

    Parameters
    ----------
    naming : Naming
        What is known.
    command : str or None
        "confirm", "no", "scratch-that", "repeat", or "cylinder" or None with a number.
    number : int, optional
        The number said [1].

    Returns
    -------
    tuple of Naming and str
        What is known now, and what to say.
    """
    if naming.asks is None:
        return naming, ""
    if number is not None:
        return _number(naming, number)
    if command == "confirm":
        return _confirmed(naming)
    if command == "no":
        return _asked(_otherwise(naming))
    if command == "scratch-that" and naming.asks == "order" and naming.order:
        return _asked(replace(naming, order=naming.order[:-1]))
    return naming, question(naming) if command == "repeat" else ""


def _number(naming: Naming, number: int) -> Step:
    if naming.asks in ("cylinders", "whole") and 1 <= number <= MOST_CYLINDERS:
        counted = _usual(Naming(cylinders=number, words=naming.words))
        return _asked(replace(counted, asks="whole" if counted.order else _first(counted)))
    if number in naming.numbers:
        order = (*naming.order, number)
        left = [n for n in naming.numbers if n != number]
        if len(left) > 1:
            return replace(naming, order=order), naming.words.text("name_next", n=number)
        return _asked(replace(naming, order=(*order, *left)))
    return naming, naming.words.text("name_not", n=number)


def _confirmed(naming: Naming) -> Step:
    if naming.asks == "cylinders" or (
        naming.asks == "order" and len(naming.order) < naming.cylinders
    ):
        return _asked(naming)
    if naming.asks == "whole":
        return _asked(replace(naming, asks=None))
    at = QUESTIONS.index(naming.asks) if naming.asks else 0
    following = next(q for q in QUESTIONS[at + 1 :] if _applies(naming, q))
    return _asked(replace(naming, asks=following))


def _otherwise(naming: Naming) -> Naming:
    """Offer the next possibility of what was turned down."""
    asked = naming.asks
    if asked == "whole":
        return replace(naming, asks=_first(naming))
    if asked == "order":
        return replace(naming, order=())
    if asked not in CHOICES:
        return naming
    offered = _next(CHOICES[asked], getattr(naming, asked))
    changed: Naming = replace(naming, **{asked: offered})  # type: ignore[arg-type]
    return _usual(changed) if asked == "arrangement" else changed


def _usual(naming: Naming) -> Naming:
    """Take the usual firing order of such an engine, if there is one."""
    order = DEFAULT_FIRING_ORDERS.get((naming.arrangement, naming.cylinders), ())
    return replace(naming, order=order)


def _first(naming: Naming) -> Question:
    return next(q for q in QUESTIONS if _applies(naming, q))


def _applies(naming: Naming, asked: Question) -> bool:
    """Tell whether a question makes sense for this engine."""
    if asked == "numbering":
        return naming.arrangement != "inline"
    return naming.cylinders > 1 or asked not in ("arrangement", "order")


def _asked(naming: Naming) -> Step:
    return naming, question(naming)


def _part(naming: Naming, asked: Question) -> str:
    match asked:
        case "order":
            return _order(naming)
        case "tailpipes":
            return naming.words.text(f"name_tailpipes_{naming.tailpipes}")
        case "numbering":
            first, second = (", ".join(map(str, bank)) for bank in naming.banks)
            return naming.words.text("name_banks", first=first, second=second)
    return naming.words.text(f"name_{getattr(naming, asked)}")


def _order(naming: Naming) -> str:
    return naming.words.text("name_order", order=" ".join(map(str, naming.order)))


def _next(choices: Sequence[object], now: object) -> object:
    return choices[(choices.index(now) + 1) % len(choices)]
