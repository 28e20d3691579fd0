"""The sound files of a record: copied in, or taken over from a recorder, scored, never changed."""

from __future__ import annotations

import errno
import os
import re
from contextlib import suppress
from typing import TYPE_CHECKING

from earwitness.errors import AudioFileError
from earwitness.record import durable
from earwitness.record.reader import AUDIO, LIVE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.record.chain import Body

_NAME_CHARACTERS = 60
"""Most characters of a name [1]. Chosen: with number and suffix far below any file system's."""


def score_files(
    files: Sequence[Path], point: str | None, air_on_s: Sequence[tuple[float, float]]
) -> Finding:
    """Score one take from its recordings: once it is made, when it is replayed, and by a verifier.

    Parameters
    ----------
    files : sequence of Path
        Baseline and pressurised; or, with `air_on_s`, the cycled take and perhaps its reference.
    point : str or None
        Listening point.
    air_on_s : sequence of (float, float)
        When the air was on [s]; empty for a pair.

    Raises
    ------
    AudioFileError, SheetError
        If a file cannot be read, or the times do not fit the take.
    """
    from earwitness.acoustics.hiss import score_blocks, score_pair
    from earwitness.audio.recording import open_recording, read_recording

    if air_on_s:
        take, *ambient = [open_recording(f) for f in files]
        reference = ambient[0].blocks() if ambient else None
        return score_blocks(
            take.blocks(), take.sample_rate_hz, air_on_s, point=point, reference=reference
        )
    first, second = [read_recording(f) for f in files]
    return score_pair(
        first.samples, first.sample_rate_hz, second.samples, second.sample_rate_hz, point=point
    )


class SoundFiles:
    """The audio folder of one record, whose only writer this is.

    Parameters
    ----------
    record : Path
        The record folder.
    """

    def __init__(self, record: Path) -> None:
        self._folder = record / AUDIO
        self._last = -1

    def live_place(self, name: str) -> Path:
        """Return where a recorder writes a file that the record will take over."""
        return self._folder / f"{self._numbered(name)}{LIVE}.wav"

    def copy_in(self, source: Path, name: str) -> Body:
        """Copy a sound file byte for byte; see `RecordWriter.add_audio`.

        Raises
        ------
        AudioFileError
            If the source cannot be read or is not sound; nothing of it is kept.
        OSError
            If the disk refuses; nothing of it is kept.
        """
        target = self._folder / f"{self._numbered(name)}{_suffix(source)}"
        part = target.with_name(f".{target.name}.part")
        try:
            digest, size = durable.copy_bytes(source, part)
            described = _sound_header(part, source)
            part.rename(target)
            durable.sync_folder(self._folder)
        except (AudioFileError, OSError):
            with suppress(OSError):
                part.unlink(missing_ok=True)
            raise
        return _body(target, source, digest, size, described)

    def take_over(self, source: Path, name: str) -> Body:
        """Make a finished recording the record's own; see `RecordWriter.take_over`.

        Raises
        ------
        AudioFileError
            If the source is still being recorded, is a link, cannot be read or is not sound.
        OSError
            If the disk refuses.
        """
        with durable.settled(source) as (digest, size, is_alone):
            described = _sound_header(source, source)
            target = self._target_of(source, name)
            if not is_alone or not _renamed(source, target):
                return self.copy_in(source, name)
            durable.sync_folder(self._folder)
            durable.sync_folder(source.parent)
        return _body(target, source, digest, size, described)

    def _target_of(self, source: Path, name: str) -> Path:
        """Keep the number that a live recording was given."""
        if source.parent == self._folder and source.stem.endswith(LIVE):
            return source.with_name(source.name.replace(LIVE, "", 1))
        return self._folder / f"{self._numbered(name)}{_suffix(source)}"

    def _numbered(self, name: str) -> str:
        """Return a name with the next number; the folder is listed only once."""
        if self._last < 0:
            stems = [p.name.lstrip(".")[:4] for p in self._folder.glob("*")]
            self._last = max((int(s) for s in stems if s.isascii() and s.isdigit()), default=0)
        self._last += 1
        plain = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-")[:_NAME_CHARACTERS] or "sound"
        return f"{self._last:04d}-{plain}"


def repair_cut_off(record: Path, named: set[str]) -> list[str]:
    """Bring recordings that were cut off while they were made up to all the sound they hold.

    Parameters
    ----------
    record : Path
        The record folder.
    named : set of str
        Paths that entries name; those are never touched.

    Returns
    -------
    list of str
        A sentence for each file, naming it.
    """
    from earwitness.audio.broadcast_wav import repair_length

    said = []
    for path in sorted((record / AUDIO).glob(f"*{LIVE}.wav")):
        shown = f"{AUDIO}/{path.name}"
        if shown in named or path.is_symlink():
            continue
        try:
            found = repair_length(path)
        except AudioFileError as e:
            said.append(
                f"{shown} was cut off while it was recorded, and is kept as it is: {e.fault}."
            )
        else:
            beyond = f", {found.recovered_frames} of them beyond its header"
            said.append(
                f"{shown} was cut off while it was recorded; {found.frames} samples are kept"
                f"{beyond if found.recovered_frames else ''}."
            )
    return said


def _renamed(source: Path, target: Path) -> bool:
    """Give a file its new name; False if that lies on another disk."""
    try:
        source.rename(target)
    except OSError as e:
        if e.errno != errno.EXDEV:
            raise
        return False
    return True


def _body(
    target: Path, source: Path, digest: str, size: int, described: dict[str, int | str]
) -> Body:
    return {
        "path": f"{AUDIO}/{target.name}",
        "sha256": digest,
        "bytes": size,
        "original_name": os.fsencode(source.name).decode("utf-8", "replace"),
        **described,
    }


def _suffix(source: Path) -> str:
    suffix = source.suffix.lower()
    return suffix if re.fullmatch(r"[.][a-z0-9]{1,8}", suffix) else ""


def _sound_header(copy: Path, source: Path) -> dict[str, int | str]:
    import soundfile as sf

    try:
        info = sf.info(copy)
    except (sf.LibsndfileError, RuntimeError, ValueError) as e:
        raise AudioFileError(f"{source} is not a sound file that can be read") from e
    return {
        "sample_rate_hz": int(info.samplerate),
        "channels": int(info.channels),
        "frames": int(info.frames),
        "subtype": str(info.subtype),
    }
