"""Exchanges of the shop's key: the key before names the key after it, and signs that.

A reader who once compared the fingerprint of one key can follow the thread to any later one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes
from earwitness.record.claim.statement import (
    canonical_object,
    check,
    key_digest,
    read_signature,
    sign,
    signature_text,
)
from earwitness.record.moment import from_rfc3339, rfc3339

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

SCHEMA = "earwitness.rotation/1"
"""Version of the statement by which a key names the next one."""

_DIGITS = re.compile(r"[0-9a-f]{128}", re.ASCII)
_FIELDS = ("key", "next_key", "program", "public_key", "rotated_at", "schema")


@dataclass(frozen=True, slots=True)
class Rotation:
    """One exchange of keys."""

    public_key: Ed25519PublicKey
    """The key before, which signs."""
    next_key: str
    """Digest of the key after it; see `Statement.key`."""
    rotated_at: datetime
    program: str

    @property
    def key(self) -> str:
        """Digest of the key before."""
        return key_digest(self.public_key)


@dataclass(frozen=True, slots=True)
class SignedRotation:
    """The two files of an exchange as they are kept and copied into bags; not checked yet."""

    statement: bytes
    signature_text: bytes


def signed_rotation(
    old: Ed25519PrivateKey, new: Ed25519PublicKey, *, rotated_at: datetime, program: str
) -> SignedRotation:
    """Let a key name the one after it."""
    statement = canonical_bytes(
        {
            "schema": SCHEMA,
            "key": key_digest(old.public_key()),
            "public_key": old.public_key().public_bytes_raw().hex(),
            "next_key": key_digest(new),
            "rotated_at": rfc3339(rotated_at),
            "program": program,
        }
    )
    return SignedRotation(statement, signature_text(sign(old, statement, schema=SCHEMA)))


def read_rotation(signed: SignedRotation) -> Rotation:
    """Read an exchange and check that the key before signed it.

    Raises
    ------
    RecordError
        If it is damaged, or the signature is not that key's.
    """
    fields = canonical_object(signed.statement, "The exchange of keys")
    if sorted(fields) != sorted(_FIELDS) or not all(isinstance(v, str) for v in fields.values()):
        raise RecordError(f"The exchange of keys has other fields than {', '.join(_FIELDS)}")
    if fields["schema"] != SCHEMA:
        raise RecordError(
            f"The exchange of keys is of schema {fields['schema']!r}, not {SCHEMA}",
            remedy="Update earwitness and try again.",
        )
    rotation = _rotation(fields)
    if rotation.key != fields["key"]:
        raise RecordError("The exchange of keys names another key than it shows")
    signature = read_signature(signed.signature_text)
    check(rotation.public_key, signed.statement, signature, schema=SCHEMA)
    return rotation


def key_thread(kept: Iterable[SignedRotation], digest: str) -> tuple[SignedRotation, ...]:
    """Return the exchanges that lead to a key, the earliest first.

    Parameters
    ----------
    kept : iterable of SignedRotation
        In any order; those that lead elsewhere are left out.
    digest : str
        The key in use.

    Raises
    ------
    RecordError
        If one of them is damaged or not signed by the key it names, or two lead to one key.
    """
    by_next: dict[str, tuple[Rotation, SignedRotation]] = {}
    for signed in kept:
        rotation = read_rotation(signed)
        if rotation.next_key in by_next:
            raise RecordError("Two exchanges of keys lead to one key")
        by_next[rotation.next_key] = (rotation, signed)
    thread: list[SignedRotation] = []
    while digest in by_next:
        rotation, signed = by_next.pop(digest)
        thread.insert(0, signed)
        digest = rotation.key
    return tuple(thread)


def _rotation(fields: dict[str, str]) -> Rotation:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    digits = fields["public_key"] + fields["next_key"]
    try:
        if not _DIGITS.fullmatch(digits):
            raise ValueError(digits)
        return Rotation(
            public_key=Ed25519PublicKey.from_public_bytes(bytes.fromhex(fields["public_key"])),
            next_key=fields["next_key"],
            rotated_at=from_rfc3339(fields["rotated_at"]),
            program=fields["program"],
        )
    except ValueError as e:
        raise RecordError("The exchange of keys has a field that is not of its form") from e
