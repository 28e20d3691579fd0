"""What a claim bag tells whoever gets it, in sentences to be read before it is packed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.record.claim.make.contents import left_out
from earwitness.record.model import Inspection, inspection

if TYPE_CHECKING:
    from datetime import datetime

    from earwitness.record.reader import Record

_NAMES_SHOWN = 5
"""How many file names a sentence lists. Chosen: what fits on a line or two."""


def disclosure(record: Record) -> tuple[str, ...]:
    """Say what a bag of this record discloses.

    Parameters
    ----------
    record : Record
        As read from disk.

    Returns
    -------
    tuple of str
        Plain sentences, the most private first.

    Raises
    ------
    RecordError
        If the record cannot be understood.
    """
    seen = inspection(record)
    sentences = (
        _people(seen),
        _complaint(seen),
        _voice(seen),
        _sounds(seen),
        _original_names(seen),
        _notes(seen),
        _times(seen),
        _withdrawn(seen),
        f"An interruption, in these words: {seen.lost}" if seen.lost else "",
        "The shop's public key, which is the same in all its bags, and the time of packing.",
        _not_packed(record),
        "A bag is signed, not locked: whoever holds it can read and play all of this.",
    )
    return tuple(sentence for sentence in sentences if sentence)


def _people(seen: Inspection) -> str:
    names = [f"{who} {name}" for who, name in seen.opened.people.items() if who != "complaint"]
    return _sentence("Names and particulars as entered", names)


def _complaint(seen: Inspection) -> str:
    complaint = seen.opened.people.get("complaint")
    return f"The complaint, word for word: {complaint}" if complaint else ""


def _voice(seen: Inspection) -> str:
    spoken = sorted({u.audio for u in seen.utterances})
    if not spoken:
        return ""
    return (
        f"The voice of whoever dictated, in {_counted(len(spoken), 'sound file')}, and "
        "whatever else was said within reach of the microphone."
    )


def _sounds(seen: Inspection) -> str:
    spoken = {u.audio for u in seen.utterances}
    others = [a for a in seen.audio if a.path not in spoken]
    if not others:
        return ""
    minutes = sum(a.frames / a.sample_rate_hz for a in others if a.sample_rate_hz) / 60
    return (
        f"{_counted(len(others), 'recording')} of the engine, {minutes:.1f} minutes in all; "
        "talk in the shop may be heard in them."
    )


def _original_names(seen: Inspection) -> str:
    names = [a.original_name for a in seen.audio]
    more = len(names) - _NAMES_SHOWN
    shown = [*names[:_NAMES_SHOWN], *([f"and {more} more"] if more > 0 else [])]
    return _sentence("Names the sound files had before", shown)


def _notes(seen: Inspection) -> str:
    if not seen.notes:
        return ""
    return f"{_counted(len(seen.notes), 'note')}, word for word."


def _times(seen: Inspection) -> str:
    return (
        f"When it happened: {_counted(seen.entries, 'entry', 'entries')}, each with its time, from "
        f"{_day_and_minute(seen.opened_at)} to {_day_and_minute(seen.ended_at)} Universal Time."
    )


def _withdrawn(seen: Inspection) -> str:
    takes = sum(1 for take in seen.takes if take.retracted)
    count = len(seen.retracted_readings) + takes
    if not count:
        return ""
    return f"{_counted(count, 'reading or take', 'readings or takes')} withdrawn since, and why."


def _not_packed(record: Record) -> str:
    return _sentence("Not packed, because they are no part of the record", left_out(record.folder))


def _sentence(opening: str, items: list[str] | tuple[str, ...]) -> str:
    return f"{opening}: {', '.join(items)}." if items else ""


def _counted(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _day_and_minute(moment: datetime) -> str:
    from datetime import UTC

    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M}"
