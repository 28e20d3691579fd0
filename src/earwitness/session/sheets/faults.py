"""Say in words what is wrong with a run sheet."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from earwitness.units import KPA_PER_UNIT

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails


def in_a_sentence(error: ErrorDetails) -> str:
    """Say one validation error as 'key ... is wrong because ...'."""
    where = _key(error["loc"])
    if error["type"] == "extra_forbidden":
        return f"the key {where} is not known"
    if error["type"] == "missing":
        return f"the key {where} is missing"
    reason = re.sub(r"^(Value error, |Input )", "", error["msg"])
    given = error["input"]
    if isinstance(given, bool | int | float | str):
        return f"{where} is {_short(given)}; it {reason}"
    return f"{where} {reason}"


_UNITS = ("_percent", *(f"_{unit}" for unit in KPA_PER_UNIT))


def _key(location: tuple[int | str, ...]) -> str:
    """Name a key as a person counts: cylinder[2].take[1].point, first is 1.

    A reading that was not repeated is named without its number.
    """
    if location[-1:] == (0,) and str(location[-2]).endswith(_UNITS):
        location = location[:-1]
    text = "".join(f"[{p + 1}]" if isinstance(p, int) else f".{p}" for p in location)
    return text.lstrip(".") or "the sheet"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def on_one_line(error: Exception) -> str:
    """Return an error's text without line breaks, cut to 200 characters; its kind if it is mute."""
    return " ".join(str(error).split())[:200] or type(error).__name__
