"""Say which engines the leak test of this program does not fit, why, and what to do instead."""

from __future__ import annotations

from dataclasses import dataclass

from earwitness.errors import LayoutError


@dataclass(frozen=True, slots=True)
class NotCovered:
    """Why the method does not fit, and what to do instead."""

    why: str
    instead: str


NOT_COVERED: dict[str, NotCovered] = {
    "rotary": NotCovered(
        "a rotary engine has no valves and no head gasket, and its chambers share apex and side "
        "seals, so the places where air is heard mean other seals",
        "Follow the maker's compression test for a rotary engine.",
    ),
    "radial": NotCovered(
        "a radial engine has its cylinders one by one, each with its own head, so neighbours and "
        "banks mean nothing there",
        "Follow the maker's differential compression test.",
    ),
    "w": NotCovered(
        "a W engine has more than two banks, and which cylinders are neighbours cannot be told "
        "from two lists",
        "Follow the maker's test, or describe one pair of banks as a vee engine.",
    ),
}
"""Arrangements that are refused, why, and what to do instead. The reasons are geometry."""
TWO_STROKE = (
    "only four-stroke engines are covered; a two-stroke breathes through ports and its crankcase, "
    "so the places where air is heard mean other seals"
)


def check_covered(arrangement: object, strokes: object = 4) -> None:
    """Refuse an engine that the method does not fit, with the reason.

    Raises
    ------
    LayoutError
        For a working cycle of other than four strokes, and for the arrangements in `NOT_COVERED`.
    """
    if strokes != 4 or isinstance(strokes, bool):
        raise LayoutError(
            f"strokes = {strokes!r}: {TWO_STROKE}",
            remedy="Follow the maker's leak test for a two-stroke engine.",
        )
    if isinstance(arrangement, str) and arrangement.lower() in NOT_COVERED:
        found = NOT_COVERED[arrangement.lower()]
        raise LayoutError(
            f"arrangement = {arrangement!r} is not covered: {found.why}", remedy=found.instead
        )
