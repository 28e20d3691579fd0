"""Let an authority elsewhere vouch for the time of a finished bag."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record import durable
from earwitness.record.claim.layout import STATEMENT, TAG_MANIFEST, TIMESTAMP
from earwitness.record.claim.manifest import manifest_text, read_manifest
from earwitness.record.claim.timestamp import (
    TOKEN_BYTES,
    TimeStamp,
    check_authority,
    read_stamp,
    request_for,
)

if TYPE_CHECKING:
    from pathlib import Path


def request_timestamp(bag: Path, out: Path) -> None:
    """Write the request that an authority answers with a time stamp for this bag.

    Parameters
    ----------
    bag : Path
        A claim bag.
    out : Path
        A new file; it holds the SHA-256 of the bag's statement and nothing else of the bag.

    Raises
    ------
    RecordError
        If the bag has no statement, or the file is there already.
    StorageError
        If the disk refuses.
    """
    request = request_for(_statement(bag))
    if os.path.lexists(out):
        raise RecordError(f"{out} is already there", remedy="Choose another name.")
    try:
        durable.replace_file(out, request)
    except OSError as e:
        raise durable.storage_error(e, f"write {out}", "the bag is") from e


def add_timestamp(bag: Path, token: Path, *, authority: bytes | None = None) -> TimeStamp:
    """Put a time stamp into a bag that has none yet, and into its tag manifest.

    Parameters
    ----------
    bag : Path
        A claim bag.
    token : Path
        Answer of a time stamp authority (RFC 3161) over the bag's `claim/statement.json`.
    authority : bytes, optional
        The authority's certificate in PEM; without it the signature of the time stamp is not
        checked here.

    Raises
    ------
    RecordError
        If the bag has one or is damaged, or the token is about something else or not signed.
    StorageError
        If the disk refuses; the bag is then as it was, or has the file but not its line.
    """
    if os.path.lexists(bag / TIMESTAMP):
        raise RecordError(f"{bag} already has a time stamp", remedy="Keep the first one.")
    stamp = _stamp_for(_statement(bag), token)
    if authority is not None:
        check_authority(stamp, authority)
    listed = read_manifest(bag / TAG_MANIFEST)
    if listed.faults:
        raise RecordError(f"{bag} is damaged: {listed.faults[0].detail}")
    lines = {**listed.entries, TIMESTAMP: hashlib.sha256(stamp.answer).hexdigest()}
    part = bag.with_name(f".{bag.name}.tags")
    try:
        durable.write_file(part, manifest_text(lines))
        durable.write_file(bag / TIMESTAMP, stamp.answer)
        part.replace(bag / TAG_MANIFEST)
        durable.sync_folder(bag)
    except OSError as e:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise durable.storage_error(e, f"add a time stamp to {bag}", "the bag is") from e
    return stamp


def _statement(bag: Path) -> bytes:
    try:
        return (bag / STATEMENT).read_bytes()
    except OSError as e:
        raise RecordError(
            f"{bag / STATEMENT} cannot be read ({e.strerror})", remedy="Give the folder of a bag."
        ) from e


def _stamp_for(stated: bytes, token: Path) -> TimeStamp:
    """Read a time stamp and check that it is about the statement."""
    remedy = "Ask the authority again with what `earwitness timestamp --request` writes."
    try:
        with token.open("rb") as f:
            stamp = read_stamp(f.read(TOKEN_BYTES + 1))
    except OSError as e:
        raise RecordError(
            f"{token} cannot be read ({e.strerror})", remedy="Check the name of the time stamp."
        ) from e
    except RecordError as e:
        raise RecordError(f"{token}: {e.fault}", remedy=remedy) from e
    if not stamp.speaks_of(stated):
        raise RecordError(f"{token} is no time stamp over this statement", remedy=remedy)
    return stamp
