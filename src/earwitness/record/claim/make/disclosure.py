"""What a claim bag tells whoever gets it, in sentences to be read before it is packed."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from earwitness.audio.broadcast_wav import read_bext
from earwitness.errors import EarwitnessError
from earwitness.record.claim.make.contents import left_out
from earwitness.record.identity import without
from earwitness.record.model import Inspection, inspection
from earwitness.record.reader import audio_file

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from datetime import datetime

    from earwitness.record.reader import Record

_NAMES_SHOWN = 5
"""How many file names a sentence lists. Chosen: what fits on a line or two."""


def disclosure(record: Record, withhold: Collection[str] = ()) -> tuple[str, ...]:
    """Say what a bag of this record discloses.

    Parameters
    ----------
    record : Record
        As read from disk.
    withhold : collection of str, optional
        Fields of people and engine that the bag will not disclose.

    Returns
    -------
    tuple of str
        Plain sentences, the most private first.

    Raises
    ------
    RecordError
        If the record cannot be understood.
    """
    identity = record.identity
    seen = inspection(replace(record, identity=without(identity, withhold)))
    hidden = {name: given.value for name, given in identity.items() if name in withhold}
    sentences = (
        _people(seen),
        _complaint(seen),
        _withheld(seen),
        *_standing_elsewhere(record, hidden),
        _engine(seen),
        _voice(seen),
        _sounds(seen),
        _original_names(seen),
        _inside_the_files(record, seen),
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
    values = seen.identity.values.items()
    names = [f"{who.replace('_', ' ')} {name}" for who, name in values if who != "complaint"]
    return _sentence("Names and particulars as entered", names)


def _complaint(seen: Inspection) -> str:
    complaint = seen.identity.get("complaint")
    return f"The complaint, word for word: {complaint}" if complaint else ""


def _withheld(seen: Inspection) -> str:
    if not seen.identity.withheld:
        return ""
    names = ", ".join(name.replace("_", " ") for name in seen.identity.withheld)
    return (
        f"Withheld, each known only by a salted digest: {names}. That something was entered there "
        "stays visible. Voices in the recordings, notes, the label and names of files are packed "
        "as they are: whatever they say of people or engine is disclosed."
    )


def _standing_elsewhere(record: Record, hidden: Mapping[str, str]) -> Iterator[str]:
    """Warn of entries that hold a withheld value word for word, whatever the case."""
    for name, value in hidden.items():
        there = [e.seq for e in record.entries if value.casefold() in _texts(e.body).casefold()]
        if there:
            entries = ", ".join(map(str, there))
            yield f"NOT withheld: the {name.replace('_', ' ')} also stands in entries {entries}."


def _texts(body: object) -> str:
    """Return every text in a body, one a line."""
    if isinstance(body, Mapping):
        return "\n".join(map(_texts, body.values()))
    if isinstance(body, list | tuple):
        return "\n".join(map(_texts, body))
    return body if isinstance(body, str) else ""


def _engine(seen: Inspection) -> str:
    said = {seen.opened.label: None, seen.layout.label: None, seen.opened.source: None}
    return _sentence("Label, engine and run sheet as entered", [text for text in said if text])


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


def _inside_the_files(record: Record, seen: Inspection) -> str:
    """List the texts that the recorder wrote into the sound files themselves."""
    texts = {text: None for a in seen.audio for text in _texts_of_file(record, a.path)}
    more = len(texts) - _NAMES_SHOWN
    shown = [*list(texts)[:_NAMES_SHOWN], *([f"and {more} more"] if more > 0 else [])]
    return _sentence("Written inside the sound files", shown)


def _texts_of_file(record: Record, path: str) -> Iterator[str]:
    from soundfile import SoundFile, SoundFileError

    with suppress(EarwitnessError, SoundFileError, OSError):
        place = audio_file(record.folder, path)
        with SoundFile(place) as sound:
            yield from sound.copy_metadata().values()
        bext = read_bext(place)
        if bext is not None:
            texts = (bext.originator, bext.originator_reference, bext.description)
            yield from (text for text in texts if text)


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
