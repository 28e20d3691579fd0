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
    TIMESTAMP,
)
from earwitness.record.claim.make.contents import REPORTS, check_sounds, record_files
from earwitness.record.claim.make.note import checking_text
from earwitness.record.claim.manifest import (
    bag_info_text,
    declaration_text,
    manifest_text,
    read_manifest,
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

_TOKEN_BYTES = 1 << 20
"""Longest time stamp that is taken [bytes]. Chosen: a hundred times one with its certificates."""
_WHOLE = "the whole record is"


def pack(
    record: Path,
    out: Path | None = None,
    *,
    key: ShopKey,
    clock: Clock,
    reports: Mapping[str, Path],
    timestamp: Path | None = None,
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
    timestamp : Path, optional
        RFC 3161 token over the statement that this very call will write.
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
            _fill(bag, payload, given, key=key, packed_at=clock(), timestamp=timestamp)
            refuse_place(target, record)
            bag.rename(target)
            durable.sync_folder(target.parent)
    except OSError as e:
        raise durable.storage_error(e, f"pack {record} into {target}", _WHOLE) from e
    return target


def add_timestamp(bag: Path, token: Path) -> None:
    """Put a time stamp into a bag that has none yet, and into its tag manifest.

    Parameters
    ----------
    bag : Path
        A claim bag.
    token : Path
        Answer of a time stamp authority (RFC 3161) over the bag's `claim/statement.json`.

    Raises
    ------
    RecordError
        If the bag has one or is damaged, or the token is about something else.
    StorageError
        If the disk refuses; the bag is then as it was, or has the file but not its line.
    """
    if os.path.lexists(bag / TIMESTAMP):
        raise RecordError(f"{bag} already has a time stamp", remedy="Keep the first one.")
    try:
        stated = (bag / STATEMENT).read_bytes()
    except OSError as e:
        raise RecordError(f"{bag / STATEMENT} cannot be read ({e.strerror})") from e
    listed = read_manifest(bag / TAG_MANIFEST)
    if listed.faults:
        raise RecordError(f"{bag} is damaged: {listed.faults[0].detail}")
    data = _token(token, stated)
    lines = manifest_text({**listed.entries, TIMESTAMP: hashlib.sha256(data).hexdigest()})
    part = bag.with_name(f".{bag.name}.tags")
    try:
        durable.write_file(part, lines)
        durable.write_file(bag / TIMESTAMP, data)
        part.replace(bag / TAG_MANIFEST)
        durable.sync_folder(bag)
    except OSError as e:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise durable.storage_error(e, f"add a time stamp to {bag}", "the bag is") from e


def _fill(
    bag: Path,
    payload: Mapping[str, Path],
    given: Mapping[str, bytes],
    *,
    key: ShopKey,
    packed_at: datetime,
    timestamp: Path | None,
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
        **_claim(key, stated, timestamp),
    }
    tag_digests = {path: digest for path, (digest, _) in _written(bag, tags).items()}
    _written(bag, {TAG_MANIFEST: manifest_text(tag_digests)})


def _claim(key: ShopKey, stated: bytes, timestamp: Path | None) -> dict[str, bytes]:
    files = {
        STATEMENT: stated,
        SIGNATURE: signature_text(sign(key.private, stated)),
        PUBLIC_KEY: public_key_text(key.public),
    }
    for number, rotation in enumerate(key.rotations, start=1):
        stem = f"{CLAIM}/rotation-{number:04d}"
        files[f"{stem}.json"] = rotation.statement
        files[f"{stem}.sig"] = rotation.signature_text
    if timestamp is not None:
        files[TIMESTAMP] = _token(timestamp, stated)
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


def _token(path: Path, stated: bytes) -> bytes:
    """Read a time stamp and check that it is about the statement."""
    try:
        with path.open("rb") as f:
            data = f.read(_TOKEN_BYTES + 1)
    except OSError as e:
        raise RecordError(
            f"{path} cannot be read ({e.strerror})", remedy="Check the name of the time stamp."
        ) from e
    imprints = (hashlib.new(name, stated).digest() for name in ("sha256", "sha384", "sha512"))
    if len(data) > _TOKEN_BYTES or not any(imprint in data for imprint in imprints):
        raise RecordError(
            f"{path} is no time stamp over this statement",
            remedy=f"Ask the authority for one over {STATEMENT} of the bag, by SHA-256.",
        )
    return data
