"""Writing so that it stays written: on disk before anyone is told, or not at all."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import stat
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from earwitness.errors import AudioFileError, StorageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CHUNK_BYTES = 1 << 20
"""How much of a sound file is copied at a time [bytes]. Chosen: far below any memory limit."""

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_GONE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOTCONN)
_CLOSED = (errno.EROFS, errno.EACCES, errno.EPERM)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, and put their names on disk."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for made in missing:
        sync_folder(made.parent)


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on disk."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def new_log(path: Path) -> int:
    """Make an empty file to append to, its name on disk, and return it open.

    Raises
    ------
    FileExistsError
        If there is a file of that name.
    OSError
        If the disk refuses.
    """
    flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    fd = os.open(path, flags, 0o644)
    try:
        sync_folder(path.parent)
    except OSError:
        os.close(fd)
        raise
    return fd


def write_all(fd: int, data: bytes) -> None:
    """Write every byte at the end of an open file and put them on disk."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
    os.fsync(fd)


def write_file(path: Path, data: bytes) -> None:
    """Write a whole file, its name included, so that it is on disk on return."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        write_all(fd, data)
    finally:
        os.close(fd)
    sync_folder(path.parent)


def replace_file(path: Path, data: bytes) -> None:
    """Write a whole file under its name at once, on disk on return: the old one or the new one."""
    part = path.with_name(f".{path.name}.part")
    try:
        write_file(part, data)
        part.replace(path)
        sync_folder(path.parent)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def copy_bytes(source: Path, target: Path) -> tuple[str, int]:
    """Copy a file byte for byte and put the copy on disk.

    Returns
    -------
    tuple of str and int
        SHA-256 of the bytes as hexadecimal digits, and their number.

    Raises
    ------
    AudioFileError
        If the source cannot be read.
    OSError
        If the target cannot be written.
    """
    digest, size = hashlib.sha256(), 0
    fd = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        for chunk in _chunks(source):
            digest.update(chunk)
            size += len(chunk)
            view = memoryview(chunk)
            while view:
                view = view[os.write(fd, view) :]
        os.fsync(fd)
    finally:
        os.close(fd)
    return digest.hexdigest(), size


@contextmanager
def settled(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Put a finished file on disk, and keep other recorders off it meanwhile.

    Yields
    ------
    digest : str
        SHA-256 of the bytes as hexadecimal digits.
    size : int
        Their number.
    is_alone : bool
        Whether the file goes by this name only.

    Raises
    ------
    AudioFileError
        If it is not there, a link, no plain file, or still being recorded.
    OSError
        If the disk refuses.
    """
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError as e:
        raise AudioFileError(f"{path} does not exist", remedy="Check the name.") from e
    except OSError as e:
        raise AudioFileError(f"{path} cannot be read ({e.strerror})") from e
    found = os.fstat(fd)
    if not stat.S_ISREG(found.st_mode):
        os.close(fd)
        raise AudioFileError(f"{path} is no plain file")
    with os.fdopen(fd, "rb") as f:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as e:
            raise AudioFileError(
                f"{path} is still being recorded", remedy="Finish that recording first."
            ) from e
        os.fsync(fd)
        digest = hashlib.file_digest(f, "sha256").hexdigest()
        yield digest, found.st_size, found.st_nlink == 1


def storage_error(e: OSError, doing: str, kept: str) -> StorageError:
    """Say in one sentence why the disk refused, what to do, and what is kept.

    Parameters
    ----------
    e : OSError
        What the system said.
    doing : str
        What was attempted, as the end of a sentence: "keep entry 12 in /bay/one".
    kept : str
        What is safe: "entries 1 to 11 are".
    """
    reason, remedy = _reason_and_remedy(e)
    return StorageError(f"The disk refused to {doing}: {reason}", remedy=f"{remedy}; {kept} kept.")


def _reason_and_remedy(e: OSError) -> tuple[str, str]:
    said = (e.strerror or str(e)).lower()
    if e.errno in _FULL:
        return "the disk is full", "Free some space or choose another folder with --out"
    if e.errno in _GONE:
        return (
            f"the folder or its disk is gone ({said})",
            "Plug the disk in again, or give the folder its name back, and go on",
        )
    if e.errno in _CLOSED:
        return said, "Allow writing there or choose another folder with --out"
    return said, "Choose another folder with --out, on a disk that works"


def _chunks(source: Path) -> Iterator[bytes]:
    try:
        with source.open("rb") as f:
            while chunk := f.read(CHUNK_BYTES):
                yield chunk
    except FileNotFoundError as e:
        raise AudioFileError(
            f"{source} does not exist", remedy="Check the name and the folder."
        ) from e
    except OSError as e:
        raise AudioFileError(f"{source} cannot be read ({e.strerror})") from e
