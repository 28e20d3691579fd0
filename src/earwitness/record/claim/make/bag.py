"""Pack a record into a claim bag."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.errors import AudioFileError, RecordError
from earwitness.record import durable
from earwitness.record.claim.layout import (
    BAG_INFO,
    CHECKING,
    CLAIM,
    DECLARATION,
    MANIFEST,
    PAYLOAD,
    PUBLIC_KEY,
    RECORD,
    SIGNATURE,
    STATEMENT,
    TAG_MANIFEST,
)
from earwitness.record.claim.make.contents import REPORTS, check_sounds, record_files
from earwitness.record.claim.make.note import checking_text
from earwitness.record.claim.manifest import (
    bag_info_text,
    declaration_text,
    manifest_text,
)
from earwitness.record.claim.statement import (
    Statement,
    public_key_text,
    sign,
    signature_text,
    statement_bytes,
)
from earwitness.record.identity import IDENTITY, identity_bytes, identity_in, without
from earwitness.record.reader import LOG, Record, read_record

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from datetime import datetime

    from earwitness.record.claim.keys.shop_key import ShopKey
    from earwitness.record.identity import Salted
    from earwitness.record.moment import Clock

_WHOLE = "the whole record is"


def pack(
    record: Path,
    out: Path | None = None,
    *,
    key: ShopKey,
    clock: Clock,
    reports: Mapping[str, Path],
    withhold: Collection[str] = (),
) -> Path:
    """Pack a record and its report into a new, signed claim bag.

    The bag is made under a hidden name beside its place and gets its own name last, so an
    interruption leaves no half bag. The record is only read.

    Parameters
    ----------
    record : Path
        The record folder.
    out : Path, optional
        The bag's folder, which must not exist; by default NAME-claim beside the record.
    key : ShopKey
        Signs the statement.
    clock : Clock
        Tells when the bag was packed.
    reports : mapping of str to Path
        `report.html`, and perhaps `report.pdf`.
    withhold : collection of str, optional
        Fields of people and engine that the bag does not disclose; only their salted digests stay.

    Returns
    -------
    Path
        The bag.

    Raises
    ------
    RecordError
        If the record is broken, a sound file is missing or changed, a name is not fit for a bag,
        or the bag is already there.
    StorageError
        If the disk refuses; nothing of the bag is left.
    """
    if "report.html" not in reports or not all(map(REPORTS.fullmatch, reports)):
        raise ValueError(f"a bag takes report.html and report.pdf, not {sorted(reports)}")
    disclosed = identity_bytes(left) if (left := _disclosed(record, withhold)) else b""
    target = out or beside(record)
    refuse_place(target, record)
    try:
        with _at_rest(record), _hidden(target) as bag:
            payload = {f"{PAYLOAD}/{name}": path for name, path in reports.items()}
            payload |= {f"{RECORD}/{name}": path for name, path in record_files(record).items()}
            given = {f"{RECORD}/{IDENTITY}": disclosed} if disclosed else {}
            _fill(bag, payload, given, key=key, packed_at=clock())
            refuse_place(target, record)
            bag.rename(target)
            durable.sync_folder(target.parent)
    except OSError as e:
        raise durable.storage_error(e, f"pack {record} into {target}", _WHOLE) from e
    return target


def _fill(
    bag: Path,
    payload: Mapping[str, Path],
    given: Mapping[str, bytes],
    *,
    key: ShopKey,
    packed_at: datetime,
) -> None:
    """Write everything into the hidden folder, the statement after what it is about."""
    copied = {path: _copied(source, bag / path) for path, source in sorted(payload.items())}
    copied |= _written(bag, given)
    record = read_record(bag / RECORD)
    check_sounds(record, {p.removeprefix(f"{RECORD}/"): d for p, (d, _) in copied.items()})
    program = f"earwitness {version('earwitness')}"
    draft = Statement(record.head, len(record.entries), "0" * 64, packed_at, program, key.digest)
    note = checking_text(
        head=record.head,
        entries=len(record.entries),
        key=key.digest,
        statement_bytes=len(statement_bytes(draft)),
    )
    copied |= _written(bag, {CHECKING: note})
    listing = manifest_text({path: digest for path, (digest, _) in copied.items()})
    stated = statement_bytes(
        Statement(
            record.head,
            len(record.entries),
            hashlib.sha256(listing).hexdigest(),
            packed_at,
            program,
            key.digest,
        )
    )
    tags = {
        DECLARATION: declaration_text(),
        BAG_INFO: bag_info_text(_info(record, copied, packed_at, program)),
        MANIFEST: listing,
        **_claim(key, stated),
    }
    tag_digests = {path: digest for path, (digest, _) in _written(bag, tags).items()}
    _written(bag, {TAG_MANIFEST: manifest_text(tag_digests)})


def _claim(key: ShopKey, stated: bytes) -> dict[str, bytes]:
    files = {
        STATEMENT: stated,
        SIGNATURE: signature_text(sign(key.private, stated)),
        PUBLIC_KEY: public_key_text(key.public),
    }
    for number, rotation in enumerate(key.rotations, start=1):
        stem = f"{CLAIM}/rotation-{number:04d}"
        files[f"{stem}.json"] = rotation.statement
        files[f"{stem}.sig"] = rotation.signature_text
    return files


def _info(
    record: Record,
    copied: Mapping[str, tuple[str, int]],
    packed_at: datetime,
    program: str,
) -> list[tuple[str, str]]:
    """Return the fields of bag-info.txt (RFC 8493, section 2.2.2)."""
    from datetime import UTC

    shop = record.identity.get("shop")
    size = sum(size for _, size in copied.values())
    return [
        *([("Source-Organization", shop.value)] if shop else []),
        ("External-Identifier", record.head),
        ("Bagging-Date", packed_at.astimezone(UTC).date().isoformat()),
        ("Payload-Oxum", f"{size}.{len(copied)}"),
        ("Bag-Software-Agent", program),
    ]


def beside(record: Path) -> Path:
    """Return where the bag of a record goes unless told otherwise: NAME-claim beside it."""
    named = record if record.name not in {"", ".."} else Path(os.path.realpath(record))
    return named.with_name(f"{named.name}-claim")


def refuse_place(target: Path, record: Path) -> None:
    """Check that a bag can be made there.

    Raises
    ------
    RecordError
        If something is there already, or the place lies in the record itself.
    """
    if os.path.lexists(target):
        raise RecordError(
            f"{target} is already there", remedy="Choose another folder, or move that one away."
        )
    if Path(os.path.realpath(record)) in Path(os.path.realpath(target)).parents:
        raise RecordError(
            f"{target} lies in the record itself", remedy="Choose a folder outside the record."
        )


def _disclosed(record: Path, withhold: Collection[str]) -> dict[str, Salted]:
    """Return what the bag will tell of people and engine, or refuse what the record denies."""
    identity, faults = identity_in(record, read_record(record).entries[0].body)
    if faults:
        raise RecordError(
            f"{record}: {faults[0].rstrip('.')}",
            remedy=f"Put {IDENTITY} back as it was; without it everything in it is withheld.",
        )
    return without(identity, withhold)


@contextmanager
def _at_rest(record: Path) -> Iterator[None]:
    """Keep writers out of the record while it is copied."""
    fd = os.open(record / LOG, os.O_RDONLY | os.O_CLOEXEC)
    try:
        _lock(fd, fcntl.LOCK_SH, f"{record} is being written by another earwitness")
        yield
    finally:
        os.close(fd)


@contextmanager
def _hidden(target: Path) -> Iterator[Path]:
    """Make the hidden folder a bag is built in, and take it away if it does not become one."""
    hidden = target.with_name(f".{target.name}.part")
    durable.make_folder(hidden)
    fd = os.open(hidden, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        _lock(fd, fcntl.LOCK_EX, f"{target} is being packed by another earwitness")
        try:
            _clear(hidden)
            yield hidden
        except BaseException:
            with suppress(OSError):
                shutil.rmtree(hidden)
            raise
    finally:
        os.close(fd)


def _lock(fd: int, how: int, busy: str) -> None:
    try:
        fcntl.flock(fd, how | fcntl.LOCK_NB)
    except BlockingIOError as e:
        raise RecordError(busy, remedy="Wait until that is done, then pack again.") from e


def _clear(folder: Path) -> None:
    """Take away what an interrupted packing left."""
    for left in folder.iterdir():
        if left.is_dir() and not left.is_symlink():
            shutil.rmtree(left)
        else:
            left.unlink()


def _copied(source: Path, target: Path) -> tuple[str, int]:
    durable.make_folder(target.parent)
    try:
        copied = durable.copy_bytes(source, target)
    except AudioFileError as e:
        raise RecordError(e.fault, remedy="Check the file and its folder.") from e
    durable.sync_folder(target.parent)
    return copied


def _written(bag: Path, files: Mapping[str, bytes]) -> dict[str, tuple[str, int]]:
    for path, data in files.items():
        durable.make_folder((bag / path).parent)
        durable.write_file(bag / path, data)
    return {p: (hashlib.sha256(data).hexdigest(), len(data)) for p, data in files.items()}
