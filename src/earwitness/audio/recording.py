"""Read recordings from disk, exactly as they were captured."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import AudioFileError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import Any, BinaryIO

    from earwitness.units import Samples

MIN_RATE_HZ = 4_000
"""Lowest sample rate that carries anything of a voice or a hiss [Hz]. Chosen: half of telephony."""
MAX_RATE_HZ = 384_000
"""Highest sample rate of any common recorder [Hz]. Chosen: twice 192 kHz."""
MIN_SECONDS = 0.1
"""Shortest file that is taken for a recording at all [s]. Chosen: shorter than any spoken word;
whether a take is long enough to judge is the detector's business."""
BLOCK_FRAMES = 65_536
"""Samples a channel that are read at once [1]: 0.5 MB of two channels."""


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording in memory.

    Attributes
    ----------
    samples : ndarray, shape (frames, channels)
        Samples relative to full scale [1].
    """

    path: Path
    samples: Samples
    sample_rate_hz: int
    subtype: str
    """Sample format on disk, for example PCM_16."""

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def frames(self) -> int:
        """Number of samples per channel."""
        return int(self.samples.shape[0])

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.frames / self.sample_rate_hz

    def mono(self) -> Samples:
        """Return the first channel, shape (frames,): the probe; others are not mixed in."""
        return self.samples[:, 0]


def read_recording(path: Path) -> Recording:
    """Read a WAV or FLAC file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Recording
        The samples as float32 relative to full scale; 24-bit samples are kept exactly.

    Raises
    ------
    AudioFileError
        If the file is missing, empty, not sound, cut short, shorter than `MIN_SECONDS`, holds a
        sample that is no number, or has an unusable sample rate.
    """
    _check_file(path)
    with _sound_file(path) as f:
        rate, subtype = f.samplerate, f.subtype
        samples = _read(path, f, -1)
    _check_length(path, len(samples), rate)
    _check_numbers(path, samples, rate, 0)
    return Recording(path, samples, int(rate), str(subtype))


@dataclass(frozen=True, slots=True)
class RecordingFile:
    """A recording on disk that is read block by block, however long it is."""

    path: Path
    sample_rate_hz: int

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield the samples in order, as `read_recording` gives them, shape (<= frames, channels).

        Raises
        ------
        AudioFileError
            If the file cannot be read to its end, or holds a sample that is no number.
        """
        done = 0
        with _sound_file(self.path) as f:
            while done < f.frames:
                block = _read(self.path, f, frames)
                if not len(block):
                    raise AudioFileError(f"{self.path} ends after {done} of {f.frames} samples")
                _check_numbers(self.path, block, self.sample_rate_hz, done)
                done += len(block)
                yield block


def open_recording(path: Path) -> RecordingFile:
    """Open a WAV or FLAC file that is to be read block by block.

    Raises
    ------
    AudioFileError
        As `read_recording`, for all that can be told without reading the samples.
    """
    _check_file(path)
    with _sound_file(path) as f:
        _check_length(path, f.frames, f.samplerate)
        return RecordingFile(path, int(f.samplerate))


def _sound_file(path: Path) -> Any:
    import soundfile as sf

    try:
        return sf.SoundFile(path)
    except (sf.LibsndfileError, RuntimeError, TypeError, ValueError) as e:
        raise AudioFileError(f"{path} cannot be read as sound ({_reason(e)})") from e


def _read(path: Path, f: Any, frames: int) -> Samples:
    import soundfile as sf

    try:
        samples: Samples = f.read(frames, dtype="float32", always_2d=True)
    except (sf.LibsndfileError, RuntimeError, TypeError, ValueError) as e:
        raise AudioFileError(f"{path} cannot be read as sound ({_reason(e)})") from e
    return samples


def _check_length(path: Path, frames: int, rate: int) -> None:
    if not MIN_RATE_HZ <= rate <= MAX_RATE_HZ:
        raise AudioFileError(
            f"{path} says it has {rate} samples a second, outside {MIN_RATE_HZ} to {MAX_RATE_HZ}"
        )
    if not frames:
        raise AudioFileError(f"{path} holds no samples")
    if frames < MIN_SECONDS * rate:
        raise AudioFileError(
            f"{path} lasts only {1000 * frames / rate:.3g} ms, too short to hold any sound"
        )


def _check_numbers(path: Path, samples: Samples, rate: int, before: int) -> None:
    import numpy as np

    bad = np.flatnonzero(~np.isfinite(samples).all(axis=1))
    if len(bad):
        raise AudioFileError(
            f"{path} holds samples that are no numbers, the first at "
            f"{(before + bad[0]) / rate:.3f} s"
        )


def _check_file(path: Path) -> None:
    try:
        if path.exists() and not path.is_file():
            raise AudioFileError(f"{path} is not a file")
        with path.open("rb") as f:
            head = f.read(12)
            size = path.stat().st_size
            missing = _missing_bytes(f, size) if head[:4] == b"RIFF" else 0
    except FileNotFoundError as e:
        raise AudioFileError(
            f"{path} does not exist", remedy="Check the name and the folder."
        ) from e
    except (OSError, ValueError) as e:
        raise AudioFileError(f"{path} cannot be opened ({_reason(e)})") from e
    if not head:
        raise AudioFileError(f"{path} is empty")
    if missing:
        raise AudioFileError(f"{path} is cut short: its last {missing} bytes are missing")


def _missing_bytes(f: BinaryIO, size: int) -> int:
    """Walk the chunks of a RIFF file; how many bytes of the sound its header promises but lacks."""
    position = 12
    while position + 8 <= size:
        f.seek(position)
        name, length = struct.unpack("<4sI", f.read(8))
        if name == b"data":
            streamed = length in (0, 0xFFFFFFFF)
            return 0 if streamed else max(0, position + 8 + length - size)
        position += 8 + length + length % 2
    return 0


def _reason(e: Exception) -> str:
    text = getattr(e, "error_string", None) or getattr(e, "strerror", None) or e
    return str(text).strip().rstrip(".")
