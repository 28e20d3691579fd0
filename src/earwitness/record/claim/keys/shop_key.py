"""The shop's key: made on first use, kept private, and exchanged without losing the thread.

The folder holds `shop-key.pem`, the key in use; after an exchange also every earlier key under
its fingerprint, and for each exchange a statement, signed by the key before, that names the next.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import unicodedata
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib.metadata import version
from typing import TYPE_CHECKING

from earwitness.errors import KeyStoreError, RecordError, StorageError
from earwitness.record import durable
from earwitness.record.claim.keys.protection import protected_text
from earwitness.record.claim.keys.rotation import SignedRotation, key_thread, signed_rotation
from earwitness.record.claim.statement import FINGERPRINT_DIGITS, fingerprint, key_digest
from earwitness.record.moment import Clock, from_rfc3339, rfc3339

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

KEY_FILE = "shop-key.pem"
"""The key in use: PKCS#8 in PEM, after a line that says since when."""

_SINCE = re.compile(rb"In use since: (\S+)\n")
_MAX_BYTES = 1 << 16
"""Longest file of a key folder that is read [bytes]. Chosen: a hundred times what is written."""
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


@dataclass(frozen=True, slots=True)
class ShopKey:
    """The key in use, and how it came to be in use."""

    private: Ed25519PrivateKey = field(repr=False)
    since: datetime
    rotations: tuple[SignedRotation, ...] = ()
    """Exchanges that led to this key, the earliest first."""

    @property
    def public(self) -> Ed25519PublicKey:
        """The half that everybody may know."""
        return self.private.public_key()

    @property
    def digest(self) -> str:
        """How statements name the key."""
        return key_digest(self.public)

    @property
    def fingerprint(self) -> str:
        """How people compare the key."""
        return fingerprint(self.digest)


def shop_key(folder: Path, *, clock: Clock, passphrase: str | None = None) -> ShopKey:
    """Return the shop's key; where there is none yet, make one.

    Parameters
    ----------
    folder : Path
        A folder for keys alone, of this account alone.
    clock : Clock
        Tells since when a new key is in use.
    passphrase : str, optional
        What protects the key on disk; a new key is protected by it.

    Raises
    ------
    KeyStoreError
        If others can read the key, it is not this account's, it is damaged or missing, or the
        pass phrase is wrong, missing or one too many.
    StorageError
        If a new key cannot be kept.
    """
    with _folder_for(folder):
        if not os.path.lexists(folder / KEY_FILE):
            _refuse_remains(folder)
            _put(folder, KEY_FILE, _private_text(_new_key(), clock(), passphrase))
        return _load(folder, passphrase)


def rotate(folder: Path, *, clock: Clock, passphrase: str | None = None) -> ShopKey:
    """Take a new key into use; the old one is kept, and vouches for the new one.

    Returns
    -------
    ShopKey
        The new key, protected by the same pass phrase.

    Raises
    ------
    KeyStoreError, StorageError
        As `shop_key`; the old key then stays in use.
    """
    with _folder_for(folder):
        old, new, now = _load(folder, passphrase), _new_key(), clock()
        program = f"earwitness {version('earwitness')}"
        signed = signed_rotation(old.private, new.public_key(), rotated_at=now, program=program)
        statement, signature = _rotation_names(key_digest(new.public_key()))
        _put(folder, statement, signed.statement)
        _put(folder, signature, signed.signature_text)
        _put(folder, _retired_name(old.digest), _private_text(old.private, old.since, passphrase))
        _put(folder, KEY_FILE, _private_text(new, now, passphrase))
        return _load(folder, passphrase)


def protect(folder: Path, *, old: str | None, new: str | None) -> ShopKey:
    """Change the pass phrase of the key in use; None stands for no pass phrase.

    Raises
    ------
    KeyStoreError, StorageError
        As `shop_key`; the old pass phrase then stays.
    """
    with _folder_for(folder):
        key = _load(folder, old)
        _put(folder, KEY_FILE, _private_text(key.private, key.since, new))
        return _load(folder, new)


def _load(folder: Path, passphrase: str | None) -> ShopKey:
    if not os.path.lexists(folder / KEY_FILE):
        _refuse_remains(folder)
        raise KeyStoreError(
            f"{folder} holds no key yet", remedy="Pack a claim bag: the first one makes the key."
        )
    data = _read(folder / KEY_FILE)
    private = _private_key(data, folder / KEY_FILE, passphrase)
    since = _SINCE.match(data)
    try:
        moment = from_rfc3339(since[1].decode("ascii") if since else "")
    except ValueError as e:
        raise KeyStoreError(f"{folder / KEY_FILE} does not say since when it is in use") from e
    return ShopKey(private, moment, _rotations(folder, key_digest(private.public_key())))


def _rotations(folder: Path, digest: str) -> tuple[SignedRotation, ...]:
    """Follow the exchanges back from the key in use; an exchange broken off leads nowhere."""
    kept = []
    for statement in sorted(folder.glob("rotation-*.json")):
        signature = statement.with_suffix(".sig")
        if os.path.lexists(signature):
            kept.append(SignedRotation(_read(statement), _read(signature)))
    try:
        return key_thread(kept, digest)
    except RecordError as e:
        raise KeyStoreError(
            f"{folder} holds an exchange of keys that is not true: {e.fault}"
        ) from e


def _private_key(data: bytes, path: Path, passphrase: str | None) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    protected = b"ENCRYPTED" in data
    if protected and passphrase is None:
        raise KeyStoreError(f"{path} is protected", remedy="Give its pass phrase.")
    if passphrase is not None and not protected:
        raise KeyStoreError(
            f"{path} is not protected by a pass phrase, though one was given",
            remedy="Leave the pass phrase out, or set one for this key first.",
        )
    phrase = None if passphrase is None else _phrase(passphrase)
    try:
        key = load_pem_private_key(data, phrase)
    except (ValueError, TypeError, UnsupportedAlgorithm) as e:
        if protected:
            raise KeyStoreError(
                f"The pass phrase does not open {path}", remedy="Type it again, minding capitals."
            ) from e
        raise KeyStoreError(f"{path} is damaged: it holds no key") from e
    if not isinstance(key, Ed25519PrivateKey):
        raise KeyStoreError(f"{path} is not an Ed25519 key")
    return key


def _private_text(key: Ed25519PrivateKey, since: datetime, passphrase: str | None) -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    open_form = Encoding.PEM if passphrase is None else Encoding.DER
    text = key.private_bytes(open_form, PrivateFormat.PKCS8, NoEncryption())
    if passphrase is not None:
        text = protected_text(text, _phrase(passphrase))
    return f"In use since: {rfc3339(since)}\n\n".encode() + text


def _phrase(passphrase: str) -> bytes:
    """Spell a pass phrase one way, whichever keyboard it was typed on."""
    if not passphrase:
        raise KeyStoreError(
            "The pass phrase is empty", remedy="Give one with letters in it, or none at all."
        )
    return unicodedata.normalize("NFC", passphrase).encode("utf-8", "surrogateescape")


def _new_key() -> Ed25519PrivateKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.generate()


def _retired_name(digest: str) -> str:
    return f"{digest[:FINGERPRINT_DIGITS]}.pem"


def _rotation_names(digest: str) -> tuple[str, str]:
    stem = f"rotation-{digest[:FINGERPRINT_DIGITS]}"
    return f"{stem}.json", f"{stem}.sig"


def _refuse_remains(folder: Path) -> None:
    """Never begin anew where a key was: the thread of keys would be lost."""
    if any(folder.glob("*.pem")) or any(folder.glob("rotation-*")):
        raise KeyStoreError(f"{folder} holds earlier keys, but {KEY_FILE} is missing")


@contextmanager
def _folder_for(folder: Path) -> Iterator[None]:
    """Make the folder if need be, check whose it is, and keep other programs out meanwhile."""
    try:
        if not os.path.lexists(folder):
            durable.make_folder(folder.parent)
            with suppress(FileExistsError):
                folder.mkdir(mode=0o700)
            durable.sync_folder(folder.parent)
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as e:
        raise _folder_error(folder, e) from e
    try:
        _check_private(os.fstat(fd), folder, 0o700)
        fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)


def _folder_error(folder: Path, e: OSError) -> KeyStoreError:
    if e.errno in {errno.ELOOP, errno.ENOTDIR, errno.EEXIST}:
        return KeyStoreError(
            f"{folder} is a link or lies in a file, so it is no folder of keys",
            remedy="Put the folder itself there, on a disk of this machine.",
        )
    return KeyStoreError(
        f"{folder} cannot be opened or made ({e.strerror})",
        remedy="Make it a folder that belongs to your account.",
    )


def _check_private(found: os.stat_result, path: Path, mode: int) -> None:
    if found.st_uid != os.geteuid():
        raise KeyStoreError(
            f"{path} belongs to another account",
            remedy="Use the account that made the key, or let that account's owner hand it over.",
        )
    if stat.S_IMODE(found.st_mode) & _OTHERS:
        raise KeyStoreError(
            f"{path} can be read or changed by other accounts",
            remedy=f"Run `chmod {mode:o} {path}`, and exchange the key if others used the machine.",
        )


def _read(path: Path) -> bytes:
    """Read a file of the key folder, if it is this account's alone."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as e:
        why = "it is a link" if e.errno == errno.ELOOP else str(e.strerror)
        raise KeyStoreError(f"{path} cannot be read: {why}") from e
    with os.fdopen(fd, "rb") as f:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode) or found.st_size > _MAX_BYTES:
            raise KeyStoreError(f"{path} is not a key file")
        _check_private(found, path, 0o600)
        return f.read(_MAX_BYTES)


def _put(folder: Path, name: str, data: bytes) -> None:
    """Write a file that only this account can read, whole or not at all."""
    part = folder / f".{name}.part"
    try:
        part.unlink(missing_ok=True)
        fd = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            durable.write_all(fd, data)
        finally:
            os.close(fd)
        part.replace(folder / name)
        durable.sync_folder(folder)
    except OSError as e:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise StorageError(
            f"The disk refused to keep a key in {folder} ({e.strerror})",
            remedy="Free some space and try again; the key that was in use stays in use.",
        ) from e
