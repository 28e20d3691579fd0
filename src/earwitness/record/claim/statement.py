"""The statement of a bag: what the shop vouches for, and the signature under it.

Ed25519 as in RFC 8032, section 5.1, over a typed, length-prefixed encoding of canonical JSON
(RFC 8785), so that no other message of this or another program can pass for a statement.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes, length_prefixed, value_of
from earwitness.record.moment import from_rfc3339, rfc3339

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

SCHEMA = "earwitness.claim/1"
"""Version of the claim this program writes, and the newest it reads."""
SIGNATURE_BYTES = 64
"""Size of an Ed25519 signature [bytes]. RFC 8032, section 5.1.6."""
FINGERPRINT_DIGITS = 40
"""Hexadecimal digits that people compare: 160 bits. Chosen: decision 0060."""

_HEX = re.compile(r"[0-9a-f]{64}", re.ASCII)
_FIELDS = ("chain_head", "entries", "key", "manifest_sha256", "packed_at", "program", "schema")
_SIGN_BIT = 1 << 255
_P = 2**255 - 19
"""Order of the field of the curve. RFC 8032, section 5.1."""
_Y8 = 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
"""Height of a point of order eight; the other one's is `_P` less this. A test works it out."""
_SMALL_ORDER = frozenset({0, 1, _P - 1, _P, _P + 1, _Y8, _P - _Y8})
"""Heights of the points under which a signature would fit any message."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What the shop vouches for."""

    chain_head: str
    """Digest of the last line of the record's log."""
    entries: int
    """Number of entries of the record."""
    manifest_sha256: str
    """Digest of the bytes of the payload manifest, and with it of every file in the payload."""
    packed_at: datetime
    program: str
    key: str
    """SHA-256 of the 32 raw bytes of the public key."""


def statement_bytes(statement: Statement) -> bytes:
    """Write a statement the one canonical way.

    Raises
    ------
    ValueError
        If a digest is not 64 lower-case hexadecimal digits, or nothing is stated.
    """
    digests = (statement.chain_head, statement.manifest_sha256, statement.key)
    if not all(_HEX.fullmatch(d) for d in digests) or statement.entries < 1:
        raise ValueError(f"not a statement: {statement}")
    return canonical_bytes(
        {
            "schema": SCHEMA,
            "chain_head": statement.chain_head,
            "entries": statement.entries,
            "manifest_sha256": statement.manifest_sha256,
            "packed_at": rfc3339(statement.packed_at),
            "program": statement.program,
            "key": statement.key,
        }
    )


def read_statement(data: bytes) -> Statement:
    """Read a statement; only the very bytes that `statement_bytes` writes are one.

    Raises
    ------
    RecordError
        If the bytes are not canonical, a field is missing, strange or added, or the schema is
        another one.
    """
    fields = canonical_object(data, "The statement")
    _check_schema(fields.get("schema"))
    if sorted(fields) != sorted(_FIELDS):
        raise RecordError(f"The statement has other fields than {', '.join(_FIELDS)}")
    try:
        statement = Statement(
            chain_head=_text(fields, "chain_head"),
            entries=_count(fields),
            manifest_sha256=_text(fields, "manifest_sha256"),
            packed_at=from_rfc3339(_text(fields, "packed_at")),
            program=_text(fields, "program"),
            key=_text(fields, "key"),
        )
        same = statement_bytes(statement) == data
    except ValueError as e:
        raise RecordError("The statement has a field that is not of its form") from e
    if not same:
        raise RecordError("The statement is not written the one way this program writes it")
    return statement


def sign(key: Ed25519PrivateKey, statement: bytes, *, schema: str = SCHEMA) -> bytes:
    """Sign a statement.

    Parameters
    ----------
    key : Ed25519PrivateKey
        The shop's key.
    statement : bytes
        Canonical bytes, as they will be kept.
    schema : str, optional
        What kind of statement it is; part of what is signed.

    Returns
    -------
    bytes
        64 bytes; the same every time for the same key and statement.
    """
    return key.sign(length_prefixed([schema.encode(), statement]))


def check(
    key: Ed25519PublicKey, statement: bytes, signature: bytes, *, schema: str = SCHEMA
) -> None:
    """Check that a signature is this key's, under these very bytes.

    Raises
    ------
    RecordError
        If it is not, if it is not 64 bytes long, if the bytes are not canonical JSON, or if the
        key is one under which a signature would fit any message.

    References
    ----------
    RFC 8032, section 5.1.7.
    """
    from cryptography.exceptions import InvalidSignature

    canonical_object(statement, "The statement")
    if len(signature) != SIGNATURE_BYTES:
        raise RecordError(f"The signature is {len(signature)} bytes long, not {SIGNATURE_BYTES}")
    _check_order(key)
    try:
        key.verify(signature, length_prefixed([schema.encode(), statement]))
    except InvalidSignature as e:
        raise RecordError(
            "The signature does not belong to this statement and this key: "
            "one of the three was changed or exchanged"
        ) from e


def signature_text(signature: bytes) -> bytes:
    """Write a signature as it is kept: 88 characters of base64 and a line feed."""
    return base64.b64encode(signature) + b"\n"


def read_signature(data: bytes) -> bytes:
    """Read a signature as it is kept.

    Raises
    ------
    RecordError
        If the text is anything but what `signature_text` writes.
    """
    try:
        signature = base64.b64decode(data.removesuffix(b"\n"), validate=True)
    except ValueError as e:
        raise RecordError("The signature is not base64 text") from e
    if len(signature) != SIGNATURE_BYTES or signature_text(signature) != data:
        raise RecordError("The signature is not 88 characters of base64 and a line feed")
    return signature


def key_digest(key: Ed25519PublicKey) -> str:
    """Return SHA-256 of the 32 raw bytes of a public key: how statements name it."""
    return hashlib.sha256(key.public_bytes_raw()).hexdigest()


def fingerprint(digest: str) -> str:
    """Write the digest of a key for people: the first 40 digits in groups of four.

    Examples
    --------
    >>> fingerprint("0123456789abcdef" * 4)
    '0123 4567 89ab cdef 0123 4567 89ab cdef 0123 4567'
    """
    return " ".join(digest[i : i + 4] for i in range(0, FINGERPRINT_DIGITS, 4))


def public_key_text(key: Ed25519PublicKey) -> bytes:
    """Write a public key as SubjectPublicKeyInfo in PEM (RFC 8410, RFC 7468)."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def read_public_key(data: bytes) -> Ed25519PublicKey:
    """Read a public key.

    Raises
    ------
    RecordError
        If it is damaged or no Ed25519 key, or one that fits any message.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(data)
    except (ValueError, UnsupportedAlgorithm) as e:
        raise RecordError("The public key is damaged") from e
    if not isinstance(key, Ed25519PublicKey):
        raise RecordError("The public key is not an Ed25519 key")
    _check_order(key)
    return key


def canonical_object(data: bytes, what: str) -> dict[str, Any]:
    """Read a JSON object that must be written the canonical way.

    Raises
    ------
    RecordError
        Beginning with `what`, if it is not.
    """
    try:
        fields = value_of(data)
        canonical = canonical_bytes(fields)
    except (ValueError, RecursionError, RecordError) as e:
        raise RecordError(f"{what} is damaged: it is not canonical JSON") from e
    if not isinstance(fields, dict) or canonical != data:
        raise RecordError(f"{what} was rewritten: it is not one canonical JSON object")
    return fields


def _check_schema(schema: object) -> None:
    if schema == SCHEMA:
        return
    if isinstance(schema, str) and re.fullmatch(r"earwitness\.claim/\d{1,6}", schema, re.ASCII):
        raise RecordError(
            f"The statement was written as {schema}; this program reads {SCHEMA}",
            remedy="Update earwitness and try again.",
        )
    raise RecordError(f"The statement is not one of this program: its schema is {schema!r}")


def _text(fields: dict[str, Any], name: str) -> str:
    if not isinstance(fields[name], str):
        raise ValueError(f"{name} is not text")
    return str(fields[name])


def _count(fields: dict[str, Any]) -> int:
    entries = fields["entries"]
    if not isinstance(entries, int) or isinstance(entries, bool):
        raise ValueError("entries is not a whole number")
    return entries


def _check_order(key: Ed25519PublicKey) -> None:
    height = int.from_bytes(key.public_bytes_raw(), "little") & ~_SIGN_BIT
    if height in _SMALL_ORDER:
        raise RecordError("The public key is one under which a signature fits any message")
