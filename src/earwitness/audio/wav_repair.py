"""Find the sound that an interrupted recording has beyond what its header says."""

from __future__ import annotations

import fcntl
import os
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.audio.riff import Places, chunks, settle
from earwitness.errors import AudioFileError, StorageError

if TYPE_CHECKING:
    from pathlib import Path
    from typing import BinaryIO

_LARGEST_HEADER_BYTES = 1 << 22
"""Longest header that is rewritten [bytes]. Chosen: over twice the longest one of our own."""


@dataclass(frozen=True, slots=True)
class Repaired:
    """What a file held beyond what its header said."""

    frames: int
    """Samples per channel that the header says now [1]."""
    recovered_frames: int
    """How many of them it did not say before [1]. They were handed to the system but not yet put
    on disk: after a power cut, unlike after a crash of the program, they may read as zeros."""
    dropped_bytes: int
    """Bytes of one last, incomplete frame that were cut off."""


def repair_length(path: Path) -> Repaired:
    """Bring the header of an interrupted file up to all the sound that is in it.

    A file that was finished is left as it is, to the last byte.

    Parameters
    ----------
    path : Path
        A file that a `BroadcastWavWriter` began.

    Raises
    ------
    AudioFileError
        If it is no WAV file, has lost sound that its header promises, or is being written.
    StorageError
        If the disk refuses.
    """
    try:
        with path.open("r+b") as f:
            fcntl.flock(f, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return _repaired(path, f)
    except FileNotFoundError as e:
        raise AudioFileError(f"{path} does not exist", remedy="Check the name.") from e
    except BlockingIOError as e:
        raise AudioFileError(
            f"{path} is still being recorded", remedy="Finish that recording first."
        ) from e
    except OSError as e:
        raise StorageError(f"The disk refused to repair {path}: {e.strerror}") from e


def _repaired(path: Path, f: BinaryIO) -> Repaired:
    places, promised, riff_end = _found(path, f)
    size = f.seek(0, os.SEEK_END)
    if size < places.data_at + promised:
        missing = places.data_at + promised - size
        raise AudioFileError(f"{path} is cut short: its last {missing} bytes are missing")
    before = promised // places.frame_bytes
    if size <= riff_end or riff_end != places.data_at + promised + promised % 2:
        return Repaired(before, 0, 0)  # finished; or more chunks follow the sound
    frames, dropped = divmod(size - places.data_at, places.frame_bytes)
    settle(f.fileno(), places, frames)
    return Repaired(frames, frames - before, dropped)


def _found(path: Path, f: BinaryIO) -> tuple[Places, int, int]:
    """Return where things are, how much sound the header promises, and where it says all ends."""
    there = {name: (at, length) for name, at, length in chunks(f)}
    if b"data" not in there or b"fmt " not in there:
        raise AudioFileError(f"{path} holds no sound that could be repaired")
    f.seek(4)
    riff_end = 8 + struct.unpack("<I", f.read(4))[0]
    f.seek(there[b"fmt "][0] + 12)
    frame = struct.unpack("<H", f.read(2))[0]
    data_at, promised = there[b"data"]
    if not frame or data_at > _LARGEST_HEADER_BYTES:
        raise AudioFileError(f"{path} has a header that no recorder writes")
    return Places(frame, data_at, there.get(b"fact", (None, 0))[0]), promised, riff_end
