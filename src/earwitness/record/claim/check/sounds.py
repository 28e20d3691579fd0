"""Step 5: whether every sound file is there, is the one its entry names, and can be read."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.bodies import AudioFile, read_body
from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.check.inventory import LARGEST_FILE_BYTES
from earwitness.record.claim.layout import RECORD
from earwitness.record.claim.manifest import file_digest
from earwitness.record.reader import audio_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from soundfile import SoundFile

    from earwitness.record.chain import Entry
    from earwitness.record.claim.check.inventory import Contents

MOST_SAMPLES = 1 << 28
"""Most samples of one sound file that are read, all channels together [1]. Chosen: 93 minutes at
48 kHz; a compressed file of silence could otherwise hold years."""
BLOCK_FRAMES = 1 << 16
"""Sound that is read at a time [frames]."""


class Sounds:
    """The sound of a bag against what the record says of it.

    Attributes
    ----------
    defects : list of Defect
    intact : set of str
        Paths, as the record names them, of the files that are what their entry says.
    """

    def __init__(
        self, contents: Contents, entries: Sequence[Entry], digests: Mapping[str, str]
    ) -> None:
        self.defects: list[Defect] = []
        self.intact: set[str] = set()
        self._contents = contents
        self._digests = digests
        self._entered: set[str] = set()
        for entry in entries:
            if entry.kind == "audio":
                self._check(entry)
        for entry in entries:
            self._check_names(entry)
        if not self._entered:
            self.defects.append(defect("audio-none", None, "no entry names a sound file"))

    def _check(self, entry: Entry) -> None:
        try:
            stated = read_body(AudioFile, entry.body)
        except RecordError as e:
            self._add("audio-entry-malformed", None, f"entry {entry.seq}: {e.fault}")
            return
        path = f"{RECORD}/{stated.path}"
        if stated.path in self._entered:
            self._add("audio-entered-twice", path, f"entry {entry.seq} names {path} once more")
        self._entered.add(stated.path)
        found = list(self._faults(stated, path))
        for kind, detail in found:
            self._add(kind, path, f"entry {entry.seq}: {detail}")
        if not found:
            self.intact.add(stated.path)

    def _faults(self, stated: AudioFile, path: str) -> Iterator[tuple[str, str]]:
        try:
            place = audio_file(self._contents.bag / RECORD, stated.path)
        except RecordError as e:
            yield "audio-path", e.fault
            return
        if path not in self._contents.files:
            yield "audio-missing", f"{path} is not in the bag"
            return
        other = list(self._other_bytes(stated, path, place))
        yield from other
        if not other:  # sound that is known to be changed is not decoded
            yield from _sound_faults(stated, place)

    def _other_bytes(self, stated: AudioFile, path: str, place: Path) -> Iterator[tuple[str, str]]:
        size = self._contents.files[path]
        if size != stated.bytes:
            yield "audio-differs", f"{path} has {size} bytes, stated are {stated.bytes}"
        elif size > LARGEST_FILE_BYTES:
            yield "audio-unreadable", f"{path} is larger than any recording"
        else:
            yield from self._other_digest(stated, path, place)

    def _other_digest(self, stated: AudioFile, path: str, place: Path) -> Iterator[tuple[str, str]]:
        try:
            digest = self._digests.get(path) or file_digest(place)[0]
        except OSError as e:
            yield "audio-unreadable", f"{path} cannot be read: {e.strerror or e}"
            return
        if digest != stated.sha256:
            yield "audio-differs", f"{path} has the digest {digest}, stated is {stated.sha256}"

    def _check_names(self, entry: Entry) -> None:
        """Note sound that a take or an utterance names without there being an entry for it."""
        named = entry.body.get("audio") if entry.kind in {"take", "utterance"} else None
        for path in named if isinstance(named, list) else [named]:
            if isinstance(path, str) and path not in self._entered:
                detail = f"entry {entry.seq} ({entry.kind}) names {path}, which no entry describes"
                self._add("audio-not-entered", None, detail)

    def _add(self, kind: str, path: str | None, detail: str) -> None:
        self.defects.append(defect(kind, path, detail))


def _sound_faults(stated: AudioFile, place: Path) -> Iterator[tuple[str, str]]:
    """Read a sound file to its end in constant memory.

    It is opened by descriptor, so that neither its name nor a link decides how it is read.
    """
    import soundfile as sf

    try:
        fd = os.open(place, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            with sf.SoundFile(fd, closefd=False) as sound:
                yield from _form_faults(stated, sound)
                yield from _stream_faults(sound)
        finally:
            os.close(fd)
    except (sf.LibsndfileError, OSError, RuntimeError, ValueError, TypeError) as e:
        reason = getattr(e, "error_string", None) or e
        yield "audio-unreadable", f"it cannot be read as sound: {reason}"


def _form_faults(stated: AudioFile, sound: SoundFile) -> Iterator[tuple[str, str]]:
    for name, field in (
        ("sample_rate_hz", "samplerate"),
        ("channels", "channels"),
        ("frames", "frames"),
        ("subtype", "subtype"),
    ):
        said, there = getattr(stated, name), getattr(sound, field)
        if said != there:
            yield "audio-header", f"its {name} is {there}, stated is {said}"


def _stream_faults(sound: SoundFile) -> Iterator[tuple[str, str]]:
    import numpy as np

    frames, channels = sound.frames, sound.channels
    if frames * channels > MOST_SAMPLES:
        yield "audio-unreadable", f"it holds {frames * channels} samples, more than are ever read"
        return
    read = 0
    for block in sound.blocks(BLOCK_FRAMES, dtype="float32"):
        if not np.isfinite(block).all():
            yield "audio-unreadable", "it holds samples that are no numbers"
            return
        read += len(block)
    if read != frames:
        yield "audio-unreadable", f"it ends after {read} of {frames} frames"
