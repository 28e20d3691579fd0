"""Read a record folder and say what is wrong with it, or what was lost."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.chain import Entry, check, link
from earwitness.record.identity import identity_in

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from earwitness.record.identity import Salted

SCHEMA = "earwitness.record/1"
"""Version of the record this program writes, and the newest it reads."""
LOG = "record.jsonl"
"""The log, one canonical JSON entry a line."""
LIVE = ".live"
"""Before the suffix of a sound file that is still being recorded."""
AUDIO = "audio"
"""The folder of sound files, as they were received."""

_AUDIO_PATH = re.compile(rf"{AUDIO}/[A-Za-z0-9][A-Za-z0-9._-]*")
_SCHEMA = re.compile(r"earwitness\.record/(\d{1,6})")


@dataclass(frozen=True, slots=True)
class Record:
    """A record as read from disk."""

    folder: Path
    entries: tuple[Entry, ...]
    head: str
    """Digest of the last line; the whole log hangs on it."""
    lost: str | None
    """What an interruption or a careless copy has cost, in plain sentences; None if nothing."""
    identity: Mapping[str, Salted] = field(default_factory=dict)
    """What is disclosed of people and engine, and is as it was recorded."""


def read_record(folder: Path, *, head: str | None = None) -> Record:
    """Read a record and check its chain.

    Parameters
    ----------
    folder : Path
        The record folder.
    head : str, optional
        Chain head as printed on a report; tells whether the log was cut off since.

    Raises
    ------
    RecordError
        If there is no record, it was written by a newer version, or a line is damaged or
        does not follow from the one before.
    """
    lines, tail = read_log(folder)
    if not lines:
        raise RecordError(
            f"{folder / LOG} holds no complete entry: "
            "the inspection was interrupted before anything was acknowledged",
            remedy="Start the inspection again in another folder.",
        )
    entries = check_log(folder, lines, head)
    identity, faults = identity_in(folder, entries[0].body)
    lost = (*_tail_words(tail, len(entries)), *words_on_files(folder, entries), *faults)
    return Record(folder, entries, link(lines[-1]), " ".join(lost) or None, identity)


def audio_file(folder: Path, path: str) -> Path:
    """Return where a sound file named by an entry lies.

    Raises
    ------
    RecordError
        If the name points anywhere but into the audio folder of the record.
    """
    if not _AUDIO_PATH.fullmatch(path):
        raise RecordError(f"The record names a sound file outside its audio folder: {path!r}")
    return folder / path


def read_log(folder: Path) -> tuple[list[bytes], bytes]:
    """Return the complete lines, and what an interruption left of one more.

    That is what follows the last line break; or the last line, if it holds a zero byte: no entry
    has one, but a disk that loses its power in the middle of a write can leave blocks of zeros
    before bytes that came later.

    Raises
    ------
    RecordError
        If the folder or its log is not there or cannot be read.
    """
    if not folder.is_dir():
        raise RecordError(f"{folder} is not a folder", remedy="Give the folder of a record.")
    try:
        data = (folder / LOG).read_bytes()
    except FileNotFoundError as e:
        raise RecordError(
            f"{folder} is not a record: it has no {LOG}", remedy="Give the folder of a record."
        ) from e
    except OSError as e:
        raise RecordError(f"{folder / LOG} cannot be read ({e.strerror})") from e
    if data.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        raise RecordError(
            f"{folder / LOG} begins with a byte order mark: another program has rewritten it"
        )
    *lines, tail = data.split(b"\n")
    if lines and not tail and b"\0" in lines[-1]:
        tail = lines.pop() + b"\n"
    return lines, tail


def check_log(folder: Path, lines: list[bytes], head: str | None) -> tuple[Entry, ...]:
    """Check the version and the chain of at least one complete line; see `read_record`."""
    _check_version(folder, lines[0])
    try:
        entries = check(lines, head=head)
    except RecordError as e:
        raise RecordError(f"{folder / LOG}: {e.fault}") from e
    if entries[0].kind != "opened":
        raise RecordError(f"{folder / LOG} does not begin with the entry that opens a record")
    return entries


def _check_version(folder: Path, line: bytes) -> None:
    try:
        schema = json.loads(line)["body"]["schema"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return  # the chain check names what is wrong with the line
    match = _SCHEMA.fullmatch(str(schema))
    if match and match[0] != SCHEMA:
        raise RecordError(
            f"{folder} was written as {match[0]}; this program reads {SCHEMA}",
            remedy="Update earwitness and try again.",
        )
    if not match:
        raise RecordError(f"{folder / LOG} is not a record: its schema is {schema!r}")


def _tail_words(tail: bytes, entries: int) -> list[str]:
    if not tail:
        return []
    size = f"its {len(tail)} bytes do not count"
    return [f"Entry {entries + 1} was cut short by an interruption, unacknowledged; {size}."]


def words_on_files(folder: Path, entries: tuple[Entry, ...]) -> list[str]:
    """Return a sentence for each sound file without an entry, and each entry without its file."""
    named = {str(e.body.get("path")) for e in entries if e.kind == "audio"}
    there = {f"{AUDIO}/{p.name}" for p in (folder / AUDIO).glob("*")}
    return [_words_on_stray(path) for path in sorted(there - named)] + [
        f"{path} is missing from the folder." for path in sorted(named - there)
    ]


def _words_on_stray(path: str) -> str:
    if path.endswith(".part"):
        how = "was copied in part"
    elif f"{LIVE}." in path:
        how = "was being recorded, and is kept"
    else:
        how = "is kept, but has no entry"
    return f"{path} {how}: the inspection was interrupted before it was acknowledged."
