"""Step 3: read the log of a bag to its end, and name every place where it does not hold.

What `record.chain` refuses at the first fault is read on here, so that a reviewer sees all of them.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from earwitness.errors import RecordError
from earwitness.record.canonical import is_canonical, value_of
from earwitness.record.chain import GENESIS, Entry, link
from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.check.inventory import LOG_PATH
from earwitness.record.moment import from_rfc3339
from earwitness.record.reader import SCHEMA

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

LOG_BYTES = 256 << 20
"""Longest log that is read [bytes]. Chosen: a hundred times that of sixteen cylinders in a day."""
LINE_BYTES = 1 << 20
"""Longest line that is read [bytes]. Chosen: ten times the verdict on sixteen cylinders."""
NESTING = 32
"""Deepest JSON that is read [levels]. Chosen: four times that of any entry."""

_BYTE_ORDER_MARKS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
_KEYS = {"seq", "time", "kind", "body", "prev"}
_KIND = re.compile(r"[a-z][a-z_-]{0,39}")
_VERSION = re.compile(r"earwitness\.record/\d{1,6}")
_STRING = re.compile(rb'"(?:[^"\\]|\\.)*+"')
_ANY_BRACKET = re.compile(rb"[\[{\]}]")


@dataclass(frozen=True, slots=True)
class Log:
    """A log as far as it can be read."""

    entries: tuple[Entry, ...]
    """Every line that is an entry, in the order of the lines."""
    lines: int
    head: str
    """Digest of the last whole line."""
    cut_off: int
    """Bytes after the last line break: an entry that was never acknowledged."""
    defects: tuple[Defect, ...]

    @property
    def whole(self) -> bool:
        """Whether every line could be read as an entry."""
        return 0 < self.lines == len(self.entries)


def read_log_of(bag: Path) -> Log:
    """Read the log of a bag, line by line."""
    reading = _Reading()
    try:
        fd = os.open(bag / LOG_PATH, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(fd, "rb") as f:
            if os.fstat(fd).st_size > LOG_BYTES:
                reading.add("record-too-long", f"the log is longer than {LOG_BYTES} bytes")
            else:
                reading.read(f)
    except OSError as e:
        reading.add("record-missing", f"{LOG_PATH} cannot be read: {e.strerror or e}")
    return reading.told()


def parsed(line: bytes) -> dict[str, Any]:
    """Read a JSON object that a stranger wrote.

    Raises
    ------
    ValueError
        If it is no JSON object, or nested deeper than `NESTING`.
    """
    level = 0
    for bracket in _ANY_BRACKET.findall(_STRING.sub(b"", line)):
        level += 1 if bracket in b"[{" else -1
        if level > NESTING:
            raise ValueError(f"it is nested deeper than {NESTING} levels")
    fields = value_of(line)
    if not isinstance(fields, dict):
        raise ValueError("it is not a JSON object")
    return fields


@dataclass(slots=True)
class _Reading:
    """The log while it is read."""

    entries: list[Entry] = field(default_factory=list)
    defects: list[Defect] = field(default_factory=list)
    lines: int = 0
    awaited: int = 1
    head: str = GENESIS
    cut_off: int = 0

    def add(self, kind: str, detail: str) -> None:
        self.defects.append(defect(kind, LOG_PATH, detail))

    def read(self, f: BinaryIO) -> None:
        while line := f.readline(LINE_BYTES + 1):
            if self.lines == 0 and line.startswith(_BYTE_ORDER_MARKS):
                self.add("record-rewritten", "the log begins with a byte order mark")
            if line.endswith(b"\n"):
                self._line(line[:-1])
            elif len(line) <= LINE_BYTES:
                self.cut_off = len(line)
            else:
                self.add("record-too-long", f"line {self.lines + 1} is over {LINE_BYTES} bytes")
                return

    def told(self) -> Log:
        if not self.lines and not self.defects:
            self.add("record-empty", "the log holds no whole entry")
        return Log(tuple(self.entries), self.lines, self.head, self.cut_off, tuple(self.defects))

    def _line(self, line: bytes) -> None:
        self.lines += 1
        try:
            fields = parsed(line)
            if not is_canonical(line, fields):
                self.add("line-rewritten", f"line {self.lines} is not canonical JSON")
            entry = _entry(fields)
        except (ValueError, RecordError) as e:
            self.add("line-damaged", f"line {self.lines} is no entry: {_reason(e)}")
            self.awaited += 1
        else:
            for kind, detail in self._misplaced(entry):
                self.add(kind, f"line {self.lines} {detail}")
            self.entries.append(entry)
            self.awaited = entry.seq + 1
        self.head = link(line)

    def _misplaced(self, entry: Entry) -> Iterator[tuple[str, str]]:
        if entry.seq != self.awaited:
            yield "number-wrong", f"says it is entry {entry.seq}, not {self.awaited}"
        if entry.prev != self.head:
            yield "link-broken", "does not follow from the line before it"
        if self.lines == 1:
            yield from _misopened(entry)


def _reason(e: Exception) -> str:
    return e.fault if isinstance(e, RecordError) else str(e)


def _misopened(entry: Entry) -> Iterator[tuple[str, str]]:
    if entry.kind != "opened":
        yield "record-not-opened", f"is of kind {entry.kind}, not the one that opens a record"
        return
    schema = entry.body.get("schema")
    if schema != SCHEMA:
        known = isinstance(schema, str) and _VERSION.fullmatch(schema)
        what = schema if known else "no version at all"
        yield "record-version", f"names {what}; this program reads {SCHEMA}"


def _entry(fields: dict[str, Any]) -> Entry:
    if fields.keys() != _KEYS:
        raise ValueError(f"it has other fields than {', '.join(sorted(_KEYS))}")
    seq, kind, body, prev = (fields[key] for key in ("seq", "kind", "body", "prev"))
    if type(seq) is not int or seq < 1:
        raise ValueError("its number is none")
    if not isinstance(kind, str) or not _KIND.fullmatch(kind):
        raise ValueError("it has no valid kind")
    if not isinstance(body, dict) or not isinstance(prev, str):
        raise ValueError("its body is no object, or it names no line before it")
    return Entry(seq, from_rfc3339(str(fields["time"])), kind, body, prev)
