"""WAV files as bytes: the chunks, where the lengths stand, and how both get on disk in order.

References
----------
Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft, 1991): RIFF, WAVE.
"""

from __future__ import annotations

import fcntl
import os
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.audio.bext import BITS, Subtype

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import Any, BinaryIO

    from numpy.typing import NDArray

_KINDS: dict[Subtype, tuple[int, str]] = {
    "PCM_16": (1, "int16"),
    "PCM_24": (1, "int32"),
    "FLOAT": (3, "float32"),
}
"""Format tag of the `fmt ` chunk, and type of the array that holds such samples."""
_INT24 = 1 << 23
_MOST_CHUNKS = 1_000
"""Chunks before the sound that are looked at [1]. Chosen: a hundred times what recorders write."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where in a file its lengths and its sound are."""

    frame_bytes: int
    data_at: int
    fact_at: int | None = None
    """Where the `fact` chunk counts the frames; files of whole numbers have none."""

    def end(self, frames: int) -> int:
        """Return where the sound ends that has so many frames."""
        return self.data_at + frames * self.frame_bytes


def empty_file(
    sample_rate_hz: int, channels: int, subtype: Subtype, bext: bytes
) -> tuple[bytes, Places]:
    """Write the header of a file without sound."""
    tag, _ = _KINDS[subtype]
    frame = channels * BITS[subtype] // 8
    fmt = struct.pack(
        "<HHIIHH", tag, channels, sample_rate_hz, sample_rate_hz * frame, frame, BITS[subtype]
    )
    chunks = [(b"bext", bext), (b"fmt ", fmt)]
    if subtype == "FLOAT":  # anything but whole numbers has an extension, here empty, and a count
        chunks[1:] = [(b"fmt ", fmt + bytes(2)), (b"fact", bytes(4))]
    body = b"".join(_chunk(name, data) for name, data in chunks) + struct.pack("<4sI", b"data", 0)
    header = struct.pack("<4sI4s", b"RIFF", 4 + len(body), b"WAVE") + body
    return header, Places(frame, len(header), len(header) - 12 if subtype == "FLOAT" else None)


def new_file(path: Path, header: bytes) -> int:
    """Make a file that nobody else may write, put it and its name on disk, return it open."""
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        write_at(fd, header, 0)
        os.fsync(fd)
        sync_folder(path.parent)
    except OSError:
        os.close(fd)
        raise
    return fd


def settle(fd: int, places: Places, frames: int) -> None:
    """Put the sound on disk, then the lengths that promise it; what lies beyond is cut off."""
    end = places.end(frames)
    odd = (end - places.data_at) % 2
    write_at(fd, bytes(odd), end)
    os.ftruncate(fd, end + odd)
    os.fsync(fd)
    header = bytearray(os.pread(fd, places.data_at, 0))
    struct.pack_into("<I", header, 4, end + odd - 8)
    struct.pack_into("<I", header, places.data_at - 4, end - places.data_at)
    if places.fact_at is not None:
        struct.pack_into("<I", header, places.fact_at, frames)
    write_at(fd, header, 0)
    os.fsync(fd)


def write_at(fd: int, data: bytes | bytearray, at: int) -> None:
    """Write every byte at a place in an open file."""
    view = memoryview(data)
    while view:
        done = os.pwrite(fd, view, at)
        view, at = view[done:], at + done


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on disk."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def bytes_of(block: NDArray[Any], subtype: Subtype, channels: int) -> bytes:
    """Write samples as the file holds them: little-endian, channels side by side.

    Raises
    ------
    ValueError
        If the samples are of another type or shape, or take more than 24 bits.
    """
    _, kind = _KINDS[subtype]
    if block.dtype.name != kind:
        raise ValueError(f"{subtype} takes samples of type {kind}, not {block.dtype.name}")
    if block.shape != (len(block), channels) and (channels > 1 or block.ndim != 1):
        raise ValueError(f"a block of shape {block.shape} for {channels} channels")
    little = block.astype(block.dtype.newbyteorder("<"), order="C", copy=False)
    if subtype != "PCM_24":
        return little.tobytes()
    if len(block) and (block.min() < -_INT24 or block.max() >= _INT24):
        raise ValueError("samples beyond 24 bits")
    return little.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def chunks(f: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, place and length of each chunk of a WAV file up to its sound."""
    head = f.read(12)
    if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        return
    at = 12
    for _ in range(_MOST_CHUNKS):
        f.seek(at)
        chunk = f.read(8)
        if len(chunk) < 8:
            return
        name, length = struct.unpack("<4sI", chunk)
        yield name, at + 8, length
        if name == b"data":
            return
        at += 8 + length + length % 2


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack("<4sI", name, len(data)) + data + bytes(len(data) % 2)
