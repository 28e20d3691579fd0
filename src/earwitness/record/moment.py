"""Moments as a record writes them: RFC 3339, in Universal Time."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

Clock = Callable[[], datetime]
"""Tells the time; the moment it returns carries its zone."""

_RFC_3339 = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)


def rfc3339(moment: datetime) -> str:
    """Write a moment in Universal Time with microseconds.

    Raises
    ------
    ValueError
        If the moment carries no zone: nobody could say later when it was.
    """
    if moment.tzinfo is None:
        raise ValueError("a clock must return moments with a time zone")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def from_rfc3339(text: str) -> datetime:
    """Read a moment.

    A leap second (second 60) is read as the first instant after it: `datetime` cannot hold it.

    Parameters
    ----------
    text : str
        For example 1996-12-19T16:39:57-08:00. Fractions finer than a microsecond are cut off.

    Raises
    ------
    ValueError
        If the text is not a moment by RFC 3339, section 5.6.
    """
    match = _RFC_3339.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a moment by RFC 3339")
    day, minute, second, fraction, zone = match.groups()
    leap = second == "60"
    moment = datetime.fromisoformat(
        f"{day}T{minute}:{'59' if leap else second}{(fraction or '.0')[:7]:0<7}{zone.upper()}"
    )
    return moment.astimezone(UTC) + timedelta(seconds=leap)
