"""Who, for whom, which engine: kept beside the log, which holds their salted digests only.

So a value can be left out of a copy of the record without breaking its chain, and be shown later
to one person who checks it against the digest. A digest is SHA-256 (FIPS 180-4) over domain, salt,
name and value, each after its length; without the salt no guess at a value can be confirmed.
"""

from __future__ import annotations

import base64
import hashlib
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes, length_prefixed, value_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator
    from pathlib import Path

IDENTITY = "identity.json"
"""The file of values and salts in a record folder; without it every value is withheld."""
SCHEMA = "earwitness.identity/1"
"""Version of that file, and the domain of the digests."""
PEOPLE = ("shop", "technician", "customer", "complaint")
"""Fields that tell of people."""
FIELDS = (*PEOPLE, "vin", "engine_id")
"""Every field; `engine_id` is the shop's own name for the engine."""
SALT_BYTES = 32
"""Size of a salt [bytes]: as many as the digest has, so that the salt is never what is guessed."""
MAX_BYTES = 1 << 20
"""Longest file that is read [bytes]. Chosen: a hundred times the longest texts of a run sheet."""

Salts = Callable[[int], bytes]
"""Returns that many bytes nobody can foresee; `os.urandom` for every real record."""

_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_NAME = re.compile(r"[a-z][a-z_]{0,39}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Salted:
    """A value with the salt that lets its digest be checked."""

    value: str
    """In Unicode form NFC."""
    salt: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Identity:
    """What a copy of a record says of people and engine."""

    values: Mapping[str, str] = field(default_factory=dict)
    """What is disclosed, each as it was recorded."""
    withheld: tuple[str, ...] = ()
    """What was recorded, but is not disclosed in this copy."""

    def get(self, name: str) -> str | None:
        """Return a value; None if it is withheld or was never recorded."""
        return self.values.get(name)


def salted(values: Mapping[str, str], salts: Salts) -> dict[str, Salted]:
    """Give every value a salt of its own; blank values are left out.

    Parameters
    ----------
    values : mapping of str to str
        By the names in `FIELDS`.
    salts : Salts
        Where salts come from.

    Raises
    ------
    ValueError
        If a name is none of `FIELDS`, or a salt has another length.
    """
    if unknown := sorted(values.keys() - set(FIELDS)):
        raise ValueError(f"no field of identity: {', '.join(unknown)}")
    made = {
        name: Salted(unicodedata.normalize("NFC", values[name]), salts(SALT_BYTES))
        for name in FIELDS
        if values.get(name, "").strip()
    }
    if any(len(given.salt) != SALT_BYTES for given in made.values()):
        raise ValueError(f"a salt must have {SALT_BYTES} bytes")
    return made


def digest_of(name: str, given: Salted) -> str:
    """Return the digest by which an `opened` entry names a value: 64 hexadecimal digits."""
    parts = (SCHEMA.encode(), given.salt, name.encode(), given.value.encode())
    return hashlib.sha256(length_prefixed(parts)).hexdigest()


def digests_of(identity: Mapping[str, Salted]) -> dict[str, str]:
    """Return the digest of every field, as the `opened` entry holds them."""
    return {name: digest_of(name, given) for name, given in identity.items()}


def identity_bytes(identity: Mapping[str, Salted]) -> bytes:
    """Write values and salts the one canonical way."""
    fields = {
        name: {"salt": base64.b64encode(given.salt).decode("ascii"), "value": given.value}
        for name, given in identity.items()
    }
    return canonical_bytes({"schema": SCHEMA, "fields": fields})


def read_identity(data: bytes) -> dict[str, Salted]:
    """Read values and salts; only the very bytes that `identity_bytes` writes are such a file.

    Raises
    ------
    RecordError
        If it is anything else.
    """
    try:
        found = value_of(data)
        fields = found["fields"] if isinstance(found, dict) else {}
        identity = {name: _salted(name, given) for name, given in fields.items()}
        same = bool(identity) and identity_bytes(identity) == data
    except (AttributeError, LookupError, TypeError, ValueError, RecursionError, RecordError) as e:
        raise RecordError(f"{IDENTITY} is damaged: it does not hold values with salts") from e
    if not same:
        raise RecordError(f"{IDENTITY} is not written the one way this program writes it")
    return identity


def stated_digests(opened: Mapping[str, Any]) -> dict[str, str]:
    """Return the digests that the body of an `opened` entry states.

    Raises
    ------
    RecordError
        If one of them, or its name, is not of its form.
    """
    stated = opened.get("identity", {})
    if not isinstance(stated, dict):
        raise RecordError("identity is not an object of digests")
    for name, digest in stated.items():
        if not _NAME.fullmatch(name) or not _DIGEST.fullmatch(str(digest)):
            raise RecordError(f"identity.{name[:40]} is not a digest of 64 hexadecimal digits")
    return stated


def disagreements(
    stated: Mapping[str, str], given: Mapping[str, Salted]
) -> Iterator[tuple[str, str, str]]:
    """Yield every value that is not what was recorded, as kind of defect, name, and a sentence."""
    for name, one in given.items():
        if name not in stated:
            yield "identity-unknown", name, f"{name} is given, but the record names none"
        elif digest_of(name, one) != stated[name]:
            yield "identity-differs", name, f"{name} is not what was recorded"


def identity_in(
    folder: Path, opened: Mapping[str, Any]
) -> tuple[dict[str, Salted], tuple[str, ...]]:
    """Read what a record folder discloses, and hold it to the entry that opened the record.

    Parameters
    ----------
    folder : Path
        The record folder.
    opened : mapping
        Body of its first entry.

    Returns
    -------
    identity : dict of str to Salted
        What is as it was recorded.
    faults : tuple of str
        What is not, in plain sentences.
    """
    try:
        with (folder / IDENTITY).open("rb") as f:
            given = read_identity(f.read(MAX_BYTES + 1))
    except FileNotFoundError:
        return {}, ()
    except OSError as e:
        return {}, (f"{IDENTITY} cannot be read ({e.strerror}).",)
    except RecordError as e:
        return {}, (f"{e.fault}.",)
    found = list(disagreements(stated_digests(opened), given))
    wrong = {name for _, name, _ in found}
    faults = tuple(f"{IDENTITY}: {sentence}." for *_, sentence in found)
    return {name: one for name, one in given.items() if name not in wrong}, faults


def in_order(names: Iterable[str]) -> tuple[str, ...]:
    """Return names of fields in the order in which people are told them; strange ones last."""
    given = set(names)
    return (*(n for n in FIELDS if n in given), *sorted(given - set(FIELDS)))


def without(identity: Mapping[str, Salted], names: Collection[str]) -> dict[str, Salted]:
    """Return what is left when some fields are withheld."""
    return {name: given for name, given in identity.items() if name not in names}


def _salted(name: str, given: Mapping[str, str]) -> Salted:
    """Read one field; raises ValueError for a salt or a spelling that is not of its form."""
    salt = base64.b64decode(given["salt"], validate=True)
    if len(salt) != SALT_BYTES or not _NAME.fullmatch(name) or not given["value"].strip():
        raise ValueError(name)
    if unicodedata.normalize("NFC", given["value"]) != given["value"]:
        raise ValueError(name)
    return Salted(given["value"], salt)
