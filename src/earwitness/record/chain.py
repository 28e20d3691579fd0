"""The log as a chain: every line carries the digest of the line before it.

A line that is changed, dropped, moved or repeated breaks the link of the line after it. Lines
cut off at the very end break nothing; they show only against a chain head that was kept
elsewhere, such as the one printed on the report.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes, is_canonical, value_of
from earwitness.record.moment import from_rfc3339, rfc3339

if TYPE_CHECKING:
    from datetime import datetime

Body = Mapping[str, Any]
"""What an entry says: a JSON object."""

GENESIS = "0" * 64
"""What the first entry names as the digest of the entry before it."""
LINK_PREFIX = b"earwitness.entry/1\0"
"""Goes before the line into the digest, so that no digest made elsewhere passes for a link."""

_KEYS = ("seq", "time", "kind", "body", "prev")
_KIND = re.compile(r"[a-z][a-z_-]{0,39}")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log."""

    seq: int
    """Place in the log, counted from 1: also the number of its line."""
    time: datetime
    """When it was written, by the clock of the machine, in Universal Time."""
    kind: str
    body: Body
    prev: str
    """Digest of the line before it."""


def link(line: bytes) -> str:
    """Return the digest by which the next entry names this line.

    Parameters
    ----------
    line : bytes
        A line of the log without its line break.

    Returns
    -------
    str
        SHA-256 (FIPS 180-4) of `LINK_PREFIX` and the line, 64 hexadecimal digits.
    """
    return hashlib.sha256(LINK_PREFIX + line).hexdigest()


def line_of(entry: Entry) -> bytes:
    """Write an entry as its canonical line, without a line break."""
    return canonical_bytes(
        {
            "seq": entry.seq,
            "time": rfc3339(entry.time),
            "kind": entry.kind,
            "body": entry.body,
            "prev": entry.prev,
        }
    )


def check(lines: Iterable[bytes], *, head: str | None = None) -> tuple[Entry, ...]:
    """Read the lines of a log and check that each one follows the one before.

    Parameters
    ----------
    lines : iterable of bytes
        Complete lines without their line breaks.
    head : str, optional
        Digest of the last line as it was noted elsewhere.

    Raises
    ------
    RecordError
        Naming the first line that is damaged, changed, missing, moved or repeated.
    """
    entries: list[Entry] = []
    prev = GENESIS
    for number, line in enumerate(lines, start=1):
        entries.append(_entry(line, number, prev))
        prev = link(line)
    if head is not None and head != prev:
        raise RecordError(
            f"The record ends at line {len(entries)} with chain head {prev}, not with {head}: "
            "lines were cut off or added at the end"
        )
    return tuple(entries)


def _entry(line: bytes, number: int, prev: str) -> Entry:
    fields = _object(line, number)
    if sorted(fields) != sorted(_KEYS):
        raise RecordError(f"Line {number} of the record has other fields than {', '.join(_KEYS)}")
    if fields["seq"] != number or isinstance(fields["seq"], bool):
        raise RecordError(
            f"Line {number} of the record says it is entry {fields['seq']!r}: "
            "entries are missing, moved or repeated"
        )
    if fields["prev"] != prev:
        raise RecordError(
            f"Line {number} of the record does not follow from line {number - 1}: "
            "one of the two was changed or exchanged"
        )
    return Entry(
        seq=number,
        time=_moment(fields["time"], number),
        kind=_kind(fields["kind"], number),
        body=_body(fields["body"], number),
        prev=prev,
    )


def _object(line: bytes, number: int) -> dict[str, Any]:
    try:
        fields = value_of(line)
    except (ValueError, RecursionError) as e:
        raise RecordError(f"Line {number} of the record is damaged: it is not JSON") from e
    if not isinstance(fields, dict):
        raise RecordError(f"Line {number} of the record is not a JSON object")
    try:
        canonical = is_canonical(line, fields)
    except RecordError as e:
        raise RecordError(f"Line {number} of the record holds a value no record keeps") from e
    if not canonical:
        raise RecordError(f"Line {number} of the record was rewritten: it is not canonical JSON")
    return fields


def _moment(value: object, number: int) -> datetime:
    try:
        return from_rfc3339(str(value))
    except ValueError as e:
        raise RecordError(f"Line {number} of the record has no valid time") from e


def _kind(value: object, number: int) -> str:
    if not isinstance(value, str) or not _KIND.fullmatch(value):
        raise RecordError(f"Line {number} of the record has no valid kind")
    return value


def _body(value: object, number: int) -> Body:
    if not isinstance(value, dict):
        raise RecordError(f"Line {number} of the record has a body that is not a JSON object")
    return value
