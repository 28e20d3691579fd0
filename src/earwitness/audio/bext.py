"""Who recorded what, when and how: the `bext` chunk of a Broadcast Wave file.

References
----------
EBU Tech 3285, Specification of the Broadcast Wave Format, version 2 (2011).
EBU R 98, Format for the CodingHistory field in Broadcast Wave Format files.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from earwitness.errors import AudioFileError

Subtype = Literal["PCM_16", "PCM_24", "FLOAT"]
"""How samples are kept: whole numbers of 16 or 24 bits, or 32-bit floating point."""

BITS: dict[Subtype, int] = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}
"""Bits of one sample."""
FIXED_BYTES = 602
"""Length of everything before the coding history [bytes]. EBU Tech 3285, 2.3."""

_FIXED = struct.Struct("<256s32s32s10s8sQH64s5h180s")
"""Description, Originator, OriginatorReference, OriginationDate, OriginationTime, TimeReference,
Version, UMID, five loudness values, Reserved."""
_VERSION = 2
_UNUSED = 0x7FFF
"""A loudness that was not measured. EBU Tech 3285, version 2."""
_WIDTHS = {"description": 256, "originator": 32, "originator_reference": 32}
_PLAIN = re.compile(r"[ -~]*")
_PLAIN_LINES = re.compile(r"[ -~\r\n]*")
_LARGEST_HISTORY_BYTES = 1 << 20
"""Longest coding history that is kept or read [bytes]. Chosen: some ten thousand lines."""
_SEPARATED = re.compile(r"(\d+)[-_:/ .](\d+)[-_:/ .](\d+)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Bext:
    """What a Broadcast Wave file says of itself, in plain ASCII."""

    description: str = ""
    """What is heard; up to 256 characters."""
    originator: str = ""
    """Who or what recorded it; up to 32 characters."""
    originator_reference: str = ""
    """How the originator calls this recording; up to 32 characters."""
    time: datetime | None = None
    """When it began, to the second; None if that is not known. The format knows no zones: this
    program writes Universal Time and reads every time as such, but many recorders write local
    time."""
    time_reference_samples: int = 0
    """First sample counted from midnight [1]."""
    coding_history: str = ""
    """One line for each step the samples went through; see `coding_history`."""


def coding_history(sample_rate_hz: int, subtype: Subtype, channels: int, note: str) -> str:
    """Write one line of a coding history.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    subtype : {"PCM_16", "PCM_24", "FLOAT"}
        How samples are kept.
    channels : int
        Number of channels.
    note : str
        What was done, without commas: "as captured", or "derived: resampled from 48000 Hz".

    Raises
    ------
    ValueError
        If the note holds a comma or a line break: they end fields and lines.

    References
    ----------
    EBU R 98.
    """
    if re.search(r"[,\r\n]", note):
        raise ValueError(f"a note in a coding history has no commas and line breaks: {note!r}")
    mode = {1: "mono", 2: "stereo"}.get(channels, "multitrack")
    return f"A=PCM,F={sample_rate_hz},W={BITS[subtype]},M={mode},T={note}\r\n"


def samples_since_midnight(moment: datetime, sample_rate_hz: int) -> int:
    """Count the samples from midnight, Universal Time, to a moment: the time reference."""
    there = moment.astimezone(UTC)
    midnight = there.replace(hour=0, minute=0, second=0, microsecond=0)
    return (there - midnight) * sample_rate_hz // timedelta(seconds=1)


def chunk_of(bext: Bext) -> bytes:
    """Write the data of a `bext` chunk, version 2.

    Raises
    ------
    AudioFileError
        If a text is too long or is not plain ASCII.
    ValueError
        If the time has no zone or the time reference is no unsigned 64-bit number.
    """
    history = _ascii("coding_history", bext.coding_history, _PLAIN_LINES, _LARGEST_HISTORY_BYTES)
    texts = [_ascii(name, getattr(bext, name), _PLAIN, most) for name, most in _WIDTHS.items()]
    if not 0 <= bext.time_reference_samples < 1 << 64:
        raise ValueError(f"a time reference of {bext.time_reference_samples} samples")
    day, second = _date_and_time(bext.time)
    fixed = _FIXED.pack(
        *texts, day, second, bext.time_reference_samples, _VERSION, b"", *[_UNUSED] * 5, b""
    )
    return fixed + history


def bext_of(chunk: bytes) -> Bext | None:
    """Read the data of a `bext` chunk of any version; None if it is cut short."""
    if len(chunk) < FIXED_BYTES:
        return None
    description, originator, reference, day, second, since, *_ = _FIXED.unpack_from(chunk)
    return Bext(
        description=_text(description),
        originator=_text(originator),
        originator_reference=_text(reference),
        time=_moment(_text(day), _text(second)),
        time_reference_samples=since,
        coding_history=_text(chunk[FIXED_BYTES : FIXED_BYTES + _LARGEST_HISTORY_BYTES]),
    )


def _ascii(name: str, text: str, plain: re.Pattern[str], most: int) -> bytes:
    said = name.replace("_", " ")
    if not plain.fullmatch(text):
        raise AudioFileError(
            f"The {said} {text!r} holds characters that a Broadcast Wave file cannot keep",
            remedy="Write it with plain English letters, digits and signs.",
        )
    if len(text) > most:
        raise AudioFileError(
            f"The {said} of a Broadcast Wave file has {len(text)} characters, more than {most}",
            remedy="Make it shorter.",
        )
    return text.encode("ascii")


def _date_and_time(moment: datetime | None) -> tuple[bytes, bytes]:
    if moment is None:
        return b"", b""
    if moment.tzinfo is None:
        raise ValueError("the time of a recording must carry its zone")
    there = moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds")
    return there[:10].encode(), there[11:].encode()


def _text(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode("ascii", "replace")


def _moment(day: str, second: str) -> datetime | None:
    """Read date and time with any of the separators that the standard allows."""
    date, time = _SEPARATED.fullmatch(day), _SEPARATED.fullmatch(second)
    if date is None or time is None:
        return None
    year, month, day_of_month, hour, minute, at = map(int, (*date.groups(), *time.groups()))
    try:
        return datetime(year, month, day_of_month, hour, minute, at, tzinfo=UTC)
    except ValueError:
        return None
