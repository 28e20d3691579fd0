"""Step 4: whether the statement is signed, and speaks of this bag, this record and this key."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.canonical import length_prefixed
from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.check.inventory import Contents, read_small
from earwitness.record.claim.keys.rotation import SignedRotation, key_thread, read_rotation
from earwitness.record.claim.layout import (
    BAG_INFO,
    CLAIM,
    PUBLIC_KEY,
    SIGNATURE,
    STATEMENT,
    TIMESTAMP,
)
from earwitness.record.claim.statement import (
    SCHEMA,
    Statement,
    key_digest,
    read_public_key,
    read_signature,
    read_statement,
)
from earwitness.record.claim.timestamp import check_authority, read_stamp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from typing import TypeVar

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from earwitness.record.claim.check.log import Log

    T = TypeVar("T")

CLAIM_FILE_BYTES = 1 << 20
"""Longest statement, signature, key or time stamp that is read [bytes]. Chosen: a hundred times a
time stamp with its whole chain of certificates."""

_ROTATION = re.compile(rf"{CLAIM}/rotation-[^/]*\.json")
_VERSION = re.compile(r"earwitness\.claim/\d{1,6}", re.ASCII)


def absent(contents: Contents) -> Iterator[Defect]:
    """Yield which of statement, signature and key are not there at all."""
    for path in (STATEMENT, SIGNATURE, PUBLIC_KEY):
        if path not in contents.files:
            yield defect("claim-missing", path, f"{path} is not there as a plain file")


class Signed:
    """The claim of a bag, checked.

    Attributes
    ----------
    defects : list of Defect
    key : str or None
        SHA-256 of the raw public key; None if it cannot be read.
    earlier : tuple of str
        Keys before it that vouch for it, by an unbroken line of exchanges; the earliest first.
    statement : Statement or None
    stamped : datetime or None
        The time that an enclosed time stamp states.
    """

    def __init__(
        self,
        contents: Contents,
        log: Log,
        *,
        shop: str | None,
        known_key: str | None,
        authority: bytes | None,
    ) -> None:
        self.defects: list[Defect] = list(absent(contents))
        self._contents = contents
        self.stamped: datetime | None = None
        data = self._file(STATEMENT)
        self.statement = self._read(STATEMENT, data, read_statement, _statement_kind(data))
        key = self._read(PUBLIC_KEY, self._file(PUBLIC_KEY), read_public_key, "key-malformed")
        signature = self._read(
            SIGNATURE, self._file(SIGNATURE), read_signature, "signature-malformed"
        )
        self.key = None if key is None else key_digest(key)
        self.earlier = self._earlier_keys()
        self._check_signature(key, data, signature)
        self._check_key(known_key)
        if self.statement is not None:
            self._check_statement(self.statement, log)
            self._check_labels(self.statement, shop)
        if data is not None and TIMESTAMP in contents.files:
            self._check_timestamp(data, authority)

    def knows(self, known_key: str) -> bool:
        """Return whether a key is the one that signed, or vouches for it."""
        return known_key == self.key or known_key in self.earlier

    def _earlier_keys(self) -> tuple[str, ...]:
        """Follow the exchanges of keys that lead to this one; each must be true and of use."""
        kept: dict[str, SignedRotation] = {}
        for path in filter(_ROTATION.fullmatch, self._contents.files):
            data, signature = self._file(path), self._file(f"{path.removesuffix('.json')}.sig")
            try:
                kept[path] = SignedRotation(data or b"", signature or b"")
                read_rotation(kept[path])
            except RecordError as e:
                self._add("rotation-wrong", path, e.fault)
                del kept[path]
        thread = key_thread(kept.values(), self.key or "")
        for path, signed in kept.items():
            if signed not in thread:
                self._add("rotation-wrong", path, "it does not lead to the key enclosed")
        return tuple(read_rotation(signed).key for signed in thread)

    def _file(self, path: str) -> bytes | None:
        """Read a file of the claim; None if it is not there, which `absent` has said."""
        if path not in self._contents.files:
            return None
        try:
            return read_small(self._contents.bag, path, CLAIM_FILE_BYTES)
        except OSError as e:
            self._add("claim-unread", path, f"{path} cannot be read: {e.strerror or e}")
            return None

    def _read(
        self, path: str, data: bytes | None, read: Callable[[bytes], T], kind: str
    ) -> T | None:
        if data is None:
            return None
        try:
            return read(data)
        except RecordError as e:
            self._add(kind, path, e.fault)
            return None

    def _check_signature(
        self, key: Ed25519PublicKey | None, statement: bytes | None, signature: bytes | None
    ) -> None:
        from cryptography.exceptions import InvalidSignature

        if key is None or statement is None or signature is None:
            return  # each of them has been named
        try:  # not by `check`, which also refuses what `_read` has named: the form of the statement
            key.verify(signature, length_prefixed([SCHEMA.encode(), statement]))
        except InvalidSignature:
            self._add("signature-wrong", SIGNATURE, "this key did not sign this statement")

    def _check_key(self, known_key: str | None) -> None:
        if known_key is not None and self.key is not None and not self.knows(known_key):
            detail = f"the key enclosed is {self.key}, it should be {known_key}"
            self._add("foreign-key", PUBLIC_KEY, detail)

    def _check_statement(self, said: Statement, log: Log) -> None:
        manifest = self._contents.payload.sha256
        for kind, what, stated, there in (
            ("statement-key", "key", said.key, self.key),
            ("statement-manifest", "digest of the manifest", said.manifest_sha256, manifest),
            ("statement-head", "chain head", said.chain_head, log.head),
            ("statement-entries", "number of entries", said.entries, log.lines),
        ):
            if stated != there:
                detail = f"the {what} is {there or 'not there'}, the statement says {stated}"
                self._add(kind, STATEMENT, detail)

    def _check_labels(self, said: Statement, shop: str | None) -> None:
        """Hold bag-info.txt, which is not signed, to what is."""
        expected = {
            "external-identifier": said.chain_head,
            "bagging-date": said.packed_at.date().isoformat(),
            "bag-software-agent": said.program,
        }
        if shop is not None:
            expected["source-organization"] = " ".join(shop.split())
        there = [(label.lower(), value) for label, value in self._contents.info.fields]
        there = [(label, value) for label, value in there if label != "payload-oxum"]
        for label, value in there:
            if expected.get(label) != value:
                detail = f"{label} is {value!r}, by the statement {expected.get(label)!r}"
                self._add("label-differs", BAG_INFO, detail)
        for label in sorted(expected):
            if (count := [name for name, _ in there].count(label)) != 1:
                self._add("label-differs", BAG_INFO, f"{label} is there {count} times, not once")

    def _check_timestamp(self, statement: bytes, authority: bytes | None) -> None:
        """Hold a time stamp to the statement, and to its authority where that is known."""
        data = self._file(TIMESTAMP)
        stamp = self._read(TIMESTAMP, data, read_stamp, "timestamp-malformed")
        if stamp is None:
            return
        self.stamped = stamp.time
        if not stamp.speaks_of(statement):
            self._add("timestamp-other", TIMESTAMP, "it was made for other bytes")
        try:
            if authority is not None:
                check_authority(stamp, authority)
        except RecordError as e:
            self._add("timestamp-unsigned", TIMESTAMP, e.fault)

    def _add(self, kind: str, path: str, detail: str) -> None:
        self.defects.append(defect(kind, path, detail))


def _statement_kind(data: bytes | None) -> str:
    """Tell a statement of another version from one that is damaged."""
    try:
        fields = json.loads(data or b"")
    except (ValueError, RecursionError):
        return "statement-malformed"
    schema = fields.get("schema") if isinstance(fields, dict) else None
    other = isinstance(schema, str) and schema != SCHEMA and _VERSION.fullmatch(schema)
    return "statement-version" if other else "statement-malformed"
