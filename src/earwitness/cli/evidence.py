"""Pack a record into a claim bag, and check one."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from earwitness.cli.options import clock
from earwitness.cli.reporting import draw_paper, draw_silent_report, write_report
from earwitness.errors import KeyStoreError, RecordError
from earwitness.record.claim.audit import audit, to_parquet
from earwitness.record.claim.check.page import Drawing
from earwitness.record.claim.check.verify import verify
from earwitness.record.claim.keys.card import KeyCard, card_text, read_card
from earwitness.record.claim.keys.shop_key import rotate, shop_key
from earwitness.record.claim.make.bag import beside, pack, refuse_place
from earwitness.record.claim.make.disclosure import disclosure
from earwitness.record.claim.make.stamping import add_timestamp, request_timestamp
from earwitness.record.durable import replace_file, storage_error, write_file
from earwitness.record.identity import MAX_BYTES, identity_bytes, read_identity
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.report.page_words import words_of_page

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator
    from datetime import datetime

    from earwitness.record.claim.audit import Row, Summary
    from earwitness.record.claim.check.defects import Depth, Verification
    from earwitness.record.claim.keys.shop_key import ShopKey
    from earwitness.record.identity import Salted

CARD_NAME = "shop-key-card.txt"
"""The public half of the shop's key, to hand out; it lies beside the key folder's own files."""


@dataclass(frozen=True, slots=True)
class Packed:
    """A claim bag that was just made."""

    bag: Path
    fingerprint: str
    card: Path
    """The shop's public key card, for whoever will check the bag."""
    discloses: tuple[str, ...]


def pack_record(
    record: Path,
    out: Path | None,
    *,
    keys: Path,
    passphrase: str | None,
    new_key: bool,
    withhold: Collection[str] = (),
    tell: Callable[[str], None],
) -> Packed:
    """Write the report anew and pack it with its record.

    Parameters
    ----------
    record : Path
        Record folder.
    out : Path or None
        The bag to make; beside the record if None.
    keys : Path
        The shop's key folder.
    passphrase : str or None
        What protects the key.
    new_key : bool
        Take a new key into use first; the old one vouches for it.
    withhold : collection of str
        Fields of people and engine that neither bag nor report disclose.
    tell : callable
        Called with each thing the bag will disclose, before it is made.

    Raises
    ------
    RecordError, KeyStoreError, StorageError
        If record, key or disk will not do; nothing of the bag is left.
    """
    read = read_record(record)
    target = out or beside(record)
    refuse_place(target, record)
    discloses = disclosure(read, withhold)
    for sentence in discloses:
        tell(sentence)
    key = shop_key(keys, clock=clock, passphrase=passphrase)
    if new_key:
        key = rotate(keys, clock=clock, passphrase=passphrase)
    shop = inspection(read).identity.get("shop") or ""
    with _place_for_report(record, withhold) as place:
        written = write_report(record, place, withhold=withhold, tell=tell)
        reports = {page.name: page for page in (written.html, written.pdf) if page}
        bag = pack(record, target, key=key, clock=clock, reports=reports, withhold=withhold)
    return Packed(bag, key.fingerprint, _card(keys, key, shop), discloses)


def verify_bag(
    bag: Path,
    depth: Depth,
    *,
    card: Path | None = None,
    identity: Path | None = None,
    authority: Path | None = None,
) -> Verification:
    """Check a claim bag; with the shop's key card also whose it is.

    Parameters
    ----------
    bag : Path
        Claim bag.
    depth : {"quick", "default", "recompute"}
        How deep to look.
    card : Path, optional
        The shop's key card.
    identity : Path, optional
        People and engine that the bag withholds, as `disclose` wrote them.
    authority : Path, optional
        Certificate in PEM of the authority of an enclosed time stamp.

    Raises
    ------
    KeyStoreError, RecordError
        If one of these files cannot be read. A bag that cannot be read is a defect, not an error.
    """
    known = None if card is None else _digest_on(card)
    drawing = Drawing(draw=draw_silent_report, words=words_of_page, paper=draw_paper)
    shown = None if identity is None else _identity_of(identity)
    trusted = None if authority is None else certificate(authority)
    return verify(
        bag, depth=depth, known_key=known, render=drawing, identity=shown, authority=trusted
    )


def stamp(
    bag: Path, *, request: Path | None, add: Path | None, authority: Path | None
) -> datetime | None:
    """Write a request for a time stamp, or put the answer into the bag.

    Returns
    -------
    datetime or None
        The time that the answer states; None for a request.

    Raises
    ------
    RecordError, StorageError
        As `request_timestamp` and `add_timestamp`; or if it is neither of both, or both.
    """
    if (request is None) == (add is None) or (request and authority):
        raise RecordError(
            "timestamp takes either --request or --add",
            remedy="First --request FILE; send it to an authority; then --add its answer.",
        )
    if request is not None:
        request_timestamp(bag, request)
        return None
    trusted = None if authority is None else certificate(authority)
    return add_timestamp(bag, add, authority=trusted).time if add else None


def certificate(path: Path) -> bytes:
    """Read the file of an authority's certificate; raises RecordError."""
    try:
        with path.open("rb") as f:
            return f.read(MAX_BYTES)
    except OSError as e:
        raise RecordError(
            f"{path} cannot be read ({e.strerror})",
            remedy="Give the certificate that the authority publishes, in PEM.",
        ) from e


def disclose(record: Path, fields: Collection[str], out: Path) -> dict[str, str]:
    """Write people and engine of a record into a file, for one who holds a bag without them.

    Parameters
    ----------
    record : Path
        Record folder.
    fields : collection of str
        What to disclose, by the names in `record.identity.FIELDS`.
    out : Path
        The file to write; it must not exist.

    Returns
    -------
    dict of str to str
        What is disclosed.

    Raises
    ------
    RecordError
        If nothing of that is recorded, or the file is there already.
    StorageError
        If it cannot be written.
    """
    known = read_record(record).identity
    if missing := [name for name in fields if name not in known]:
        raise RecordError(
            f"{record} discloses no {', '.join(missing)}",
            remedy=f"It discloses {', '.join(known) or 'nothing of people and engine'}.",
        )
    if os.path.lexists(out):
        raise RecordError(f"{out} is already there", remedy="Choose another name.")
    chosen = {name: known[name] for name in fields}
    try:
        replace_file(out, identity_bytes(chosen))
    except OSError as e:
        raise storage_error(e, f"write {out}", "the record is") from e
    return {name: given.value for name, given in chosen.items()}


@contextmanager
def _place_for_report(record: Path, withhold: Collection[str]) -> Iterator[Path]:
    """Give the record folder; or, if the report withholds something, a folder for this bag only."""
    if not withhold:
        yield record
        return
    with TemporaryDirectory() as folder:
        yield Path(folder)


def _identity_of(path: Path) -> dict[str, Salted]:
    try:
        with path.open("rb") as f:
            return read_identity(f.read(MAX_BYTES + 1))
    except (OSError, RecordError) as e:
        why = e.fault if isinstance(e, RecordError) else str(e.strerror)
        raise RecordError(
            f"{path} cannot be read as values with salts: {why}",
            remedy="Give the file that `earwitness disclose` wrote, unchanged.",
        ) from e


def audit_archive(
    folder: Path,
    out: Path,
    depth: Depth,
    *,
    jobs: int,
    scheduler: str | None,
    tell: Callable[[Row, int], None],
) -> Summary:
    """Check every claim bag below a folder; see `audit`. A .parquet table keeps its .csv beside."""
    table = out.with_suffix(".csv") if out.suffix == ".parquet" else out
    done = audit(folder, table, depth=depth, jobs=jobs, scheduler=scheduler, tell=tell)
    if table != out:
        to_parquet(table, out)
    return done


def _card(keys: Path, key: ShopKey, shop: str) -> Path:
    card = keys / CARD_NAME
    text = card_text(KeyCard(shop, key.public, key.since.date()))
    card.unlink(missing_ok=True)
    write_file(card, text.encode("utf-8"))
    return card


def _digest_on(card: Path) -> str:
    try:
        return read_card(card.read_text(encoding="utf-8")).digest
    except (OSError, ValueError) as e:
        raise KeyStoreError(
            f"{card} cannot be read as a key card ({e})",
            remedy="Give the text file that the shop handed out.",
        ) from e
