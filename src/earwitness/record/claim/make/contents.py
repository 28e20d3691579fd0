"""What of a record folder goes into a bag, and what a bag must not carry."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.claim.manifest import name_faults, path_fault
from earwitness.record.identity import IDENTITY
from earwitness.record.reader import AUDIO, LOG, Record

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

REPORTS = re.compile(r"report\.(html|pdf)")
"""Names a report may have, in a record folder and in a bag."""


def record_files(record: Path) -> dict[str, Path]:
    """Return everything that belongs to a record, by its path in the record.

    The log, the sound files whether an entry names them or not, and what was cut off the log; not
    the values of people and engine, of which a bag may hold fewer.

    Raises
    ------
    RecordError
        If one of them is a link or no file, or its name does not go on every common system.
    """
    try:
        found = [record / LOG, *record.glob("*.lost")]
        if os.path.lexists(record / AUDIO):
            _refuse_link(record / AUDIO)
            found += list((record / AUDIO).iterdir())
    except OSError as e:
        raise RecordError(f"{record} cannot be read ({e.strerror})") from e
    for path in found:
        _refuse_link(path)
        if not path.is_file():
            raise RecordError(f"{path} is no file, and a record holds nothing else there")
    files = {p.relative_to(record).as_posix(): p for p in found}
    _refuse_names(files)
    return files


def check_sounds(record: Record, digests: Mapping[str, str]) -> None:
    """Refuse to vouch for a sound file that is not what its entry says.

    Parameters
    ----------
    record : Record
        The record in the bag.
    digests : mapping of str to str
        Path in the record to SHA-256.

    Raises
    ------
    RecordError
        Naming the first sound file that is missing or was changed.
    """
    for entry in record.entries:
        if entry.kind != AUDIO:
            continue
        path = str(entry.body.get("path"))
        digest = digests.get(path)
        if digest != entry.body.get("sha256"):
            what = "is missing" if digest is None else "was changed since it was recorded"
            raise RecordError(f"{path}, which entry {entry.seq} names, {what}")


def left_out(record: Path) -> tuple[str, ...]:
    """Return the names of things in a record folder that are no part of the record."""
    return tuple(
        sorted(
            p.name
            for p in record.iterdir()
            if p.name not in {LOG, AUDIO, IDENTITY} and p.suffix != ".lost" and not _is_report(p)
        )
    )


def _refuse_link(path: Path) -> None:
    if path.is_symlink():
        raise RecordError(
            f"{path} is a link, and a bag must hold the thing itself",
            remedy="Put the file in the link's place and try again.",
        )


def _refuse_names(paths: Collection[str]) -> None:
    for path in paths:
        reason = "is not UTF-8 text" if not _is_text(path) else path_fault(path)
        if reason:
            raise RecordError(
                f"The file name {path!a} {reason}, so a bag cannot carry it everywhere",
                remedy="Rename that file, which no entry of a record can name, and try again.",
            )
    for fault in name_faults(sorted(paths)):
        raise RecordError(
            f"In the record, {fault.detail}",
            remedy="Rename the one that no entry names, and try again.",
        )


def _is_report(path: Path) -> bool:
    return REPORTS.fullmatch(path.name) is not None


def _is_text(path: str) -> bool:
    with suppress(UnicodeEncodeError):
        return bool(path.encode("utf-8"))
    return False
