"""Write Broadcast Wave files that stay readable whenever the writing is interrupted.

Samples are kept as they were captured, to the last bit. While a file grows, its samples are put on
disk first and its header is brought up to them afterwards, so that the header never promises more
than there is. What was written after the last such moment is found by `repair_length`.

References
----------
EBU Tech 3285, Specification of the Broadcast Wave Format, version 2 (2011).
"""

from __future__ import annotations

import errno
import math
import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Self

from earwitness.audio.bext import (
    Bext,
    Subtype,
    bext_of,
    chunk_of,
    coding_history,
    samples_since_midnight,
)
from earwitness.audio.riff import (
    bytes_of,
    chunks,
    empty_file,
    new_file,
    settle,
    sync_folder,
    write_at,
)
from earwitness.audio.wav_repair import Repaired, repair_length
from earwitness.errors import AudioFileError, StorageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from types import TracebackType
    from typing import Any, BinaryIO

    from numpy.typing import NDArray

__all__ = [
    "Bext",
    "BroadcastWavWriter",
    "Repaired",
    "Subtype",
    "coding_history",
    "read_bext",
    "repair_length",
    "samples_since_midnight",
    "write_broadcast_wav",
]

MAX_FILE_BYTES = (1 << 32) - 1 + 8
"""Longest file [bytes]: a RIFF file counts all but its first eight bytes in 32 bits."""
SYNC_EVERY_S = 1.0
"""How much sound a power cut may cost [s]. Chosen: a breath between two sentences; and one fsync a
second wears no card."""

_LARGEST_CHUNK_BYTES = 1 << 21
"""Longest `bext` chunk that is read [bytes]."""
_BLOCK_FRAMES = 1 << 20
"""Samples per channel that are written at a time [1]."""
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class BroadcastWavWriter:
    """Appends sound to a new Broadcast Wave file.

    Parameters
    ----------
    path : Path
        A new file; an existing one is never written over.
    sample_rate_hz : int
        Sample rate [Hz].
    channels : int
        Number of channels.
    subtype : {"PCM_16", "PCM_24", "FLOAT"}
        How samples are kept.
    bext : Bext
        Who records what, when and how.
    sync_every_s : float, optional
        After how much sound it is put on disk [s].

    Raises
    ------
    AudioFileError
        If the file exists, or a text of `bext` cannot be kept.
    StorageError
        If the disk refuses.
    """

    def __init__(
        self,
        path: Path,
        *,
        sample_rate_hz: int,
        channels: int,
        subtype: Subtype,
        bext: Bext,
        sync_every_s: float = SYNC_EVERY_S,
    ) -> None:
        if sample_rate_hz <= 0 or channels <= 0:
            raise ValueError(f"{sample_rate_hz} samples a second on {channels} channels")
        self.path = path
        self._rate_hz = sample_rate_hz
        self._channels = channels
        self._subtype = subtype
        self._sync_frames = sync_every_s * sample_rate_hz
        self._frames = self._synced = 0
        header, self._places = empty_file(sample_rate_hz, channels, subtype, chunk_of(bext))
        with self._plainly("begin"):
            self._file = new_file(path, header)

    @property
    def frames(self) -> int:
        """Samples per channel that were appended."""
        return self._frames

    @property
    def synced_frames(self) -> int:
        """Samples per channel that are on disk, whatever happens now."""
        return self._synced

    def append(self, block: NDArray[Any]) -> None:
        """Add samples at the end.

        Parameters
        ----------
        block : ndarray, shape (frames,) or (frames, channels)
            int16 for PCM_16; int32 with values of 24 bits for PCM_24; float32 for FLOAT.

        Raises
        ------
        AudioFileError
            If the file would grow beyond 4 GiB; nothing of the block is kept, all before it is.
        StorageError
            If the disk refuses; what was appended before is kept.
        ValueError
            If the samples are of another type or shape: to convert them would change them.
        """
        if self._file < 0:
            raise ValueError("the file was closed")
        data, end = bytes_of(block, self._subtype, self._channels), self._places.end(self._frames)
        if end + len(data) + 1 > MAX_FILE_BYTES:
            raise AudioFileError(
                f"{self.path} would grow beyond 4 GiB, more than a WAV file can hold",
                remedy="End this recording and begin another; what was recorded before is kept.",
            )
        with self._plainly("keep more sound in"):
            write_at(self._file, data, end)
        self._frames += len(data) // self._places.frame_bytes
        if self._frames - self._synced >= self._sync_frames:
            self.sync()

    def sync(self) -> None:
        """Put everything appended so far on disk, and say so in the header.

        Raises
        ------
        StorageError
            If the disk refuses.
        """
        if self._frames > self._synced:
            with self._plainly("keep the sound of"):
                settle(self._file, self._places, self._frames)
            self._synced = self._frames

    def close(self) -> None:
        """Put everything on disk and close the file; may be called twice."""
        if self._file < 0:
            return
        try:
            self.sync()
        finally:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            with suppress(StorageError):  # the first error is the one to tell
                self.close()

    @contextmanager
    def _plainly(self, doing: str) -> Iterator[None]:
        try:
            yield
        except FileExistsError as e:
            raise AudioFileError(
                f"{self.path} is there already, and a recording is never written over",
                remedy="Choose another name.",
            ) from e
        except OSError as e:
            reason = "the disk is full" if e.errno in _FULL else (e.strerror or str(e)).lower()
            kept = f"the first {self._frames / self._rate_hz:.1f} s are kept"
            raise StorageError(
                f"The disk refused to {doing} {self.path}: {reason}",
                remedy=f"Free some space or choose another disk; {kept}.",
            ) from e


def write_broadcast_wav(
    path: Path,
    samples: NDArray[Any],
    sample_rate_hz: int,
    *,
    subtype: Subtype,
    bext: Bext,
) -> None:
    """Write a whole Broadcast Wave file; it is on disk, complete and under its name, on return.

    Parameters
    ----------
    path : Path
        A new file; an existing one is never written over.
    samples : ndarray, shape (frames,) or (frames, channels)
        As for `BroadcastWavWriter.append`.
    sample_rate_hz : int
        Sample rate [Hz].
    subtype : {"PCM_16", "PCM_24", "FLOAT"}
        How samples are kept.
    bext : Bext
        Who recorded what, when and how.

    Raises
    ------
    AudioFileError, StorageError, ValueError
        As `BroadcastWavWriter`; nothing is left under the name.
    """
    if path.exists():
        raise AudioFileError(
            f"{path} is there already, and a recording is never written over",
            remedy="Choose another name.",
        )
    part = path.with_name(f".{path.name}.part")
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    try:
        part.unlink(missing_ok=True)
        with BroadcastWavWriter(
            part,
            sample_rate_hz=sample_rate_hz,
            channels=channels,
            subtype=subtype,
            bext=bext,
            sync_every_s=math.inf,
        ) as writer:
            for start in range(0, len(samples), _BLOCK_FRAMES):
                writer.append(samples[start : start + _BLOCK_FRAMES])
        part.rename(path)
        sync_folder(path.parent)
    except OSError as e:
        raise StorageError(f"The disk refused to keep {path}: {e.strerror}") from e
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def read_bext(path: Path) -> Bext | None:
    """Read what a Broadcast Wave file says of itself.

    Parameters
    ----------
    path : Path
        Any sound file.

    Returns
    -------
    Bext or None
        None if the file has no `bext` chunk.

    Raises
    ------
    AudioFileError
        If the file cannot be read, or its `bext` chunk is cut short or beyond any sense.
    """
    try:
        with path.open("rb") as f:
            for name, at, length in chunks(f):
                if name == b"bext":
                    return _sensible_bext(path, f, at, length)
    except FileNotFoundError as e:
        raise AudioFileError(f"{path} does not exist", remedy="Check the name.") from e
    except OSError as e:
        raise AudioFileError(f"{path} cannot be read ({e.strerror})") from e
    return None


def _sensible_bext(path: Path, f: BinaryIO, at: int, length: int) -> Bext:
    if length > _LARGEST_CHUNK_BYTES:
        raise AudioFileError(f"{path} says that its bext chunk has {length} bytes")
    f.seek(at)
    data = f.read(length)
    bext = bext_of(data) if len(data) == length else None
    if bext is None:
        raise AudioFileError(f"{path} has a bext chunk that is cut short")
    return bext
