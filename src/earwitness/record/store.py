"""A record on disk: a folder with the log `record.jsonl` and the sound files it names.

An entry is on disk before `RecordWriter.append` returns. After an interruption at any instant
the folder opens again, with every entry that was acknowledged, and says what was lost.
"""

from __future__ import annotations

import errno
import fcntl
import itertools
import os
from typing import TYPE_CHECKING, Self

from earwitness.errors import RecordError, StorageError
from earwitness.record import durable
from earwitness.record.chain import GENESIS, Body, Entry, line_of, link
from earwitness.record.identity import IDENTITY, digests_of, identity_bytes
from earwitness.record.moment import Clock
from earwitness.record.reader import (
    AUDIO,
    LOG,
    SCHEMA,
    Record,
    audio_file,
    check_log,
    read_log,
    read_record,
    words_on_files,
)
from earwitness.record.sound_files import SoundFiles, repair_cut_off

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path
    from types import TracebackType

    from earwitness.record.identity import Salted

__all__ = ["AUDIO", "LOG", "SCHEMA", "Clock", "Record", "RecordWriter", "audio_file", "read_record"]

_NOTHING = "nothing was acknowledged yet, so everything is"


class RecordWriter:
    """Appends to one record; the only writer while it is open.

    Made by `create` for a new record or by `open` for one to go on with.

    Attributes
    ----------
    folder : Path
        The record folder.
    recovered : str or None
        What `open` found broken off and put aside, in plain sentences.
    """

    def __init__(self, folder: Path, log: int, *, clock: Clock, lines: list[bytes]) -> None:
        self.folder = folder
        self.recovered: str | None = None
        self._log = log
        self._clock = clock
        self._seq = len(lines)
        self._head = link(lines[-1]) if lines else GENESIS
        self._size = sum(len(line) + 1 for line in lines)
        self._broken = False
        self._sounds = SoundFiles(folder)

    @classmethod
    def create(cls, folder: Path, *, clock: Clock) -> Self:
        """Begin a record in a new or empty place.

        Raises
        ------
        RecordError
            If the folder already holds a record.
        StorageError
            If the folder cannot be made or written.
        """
        try:
            durable.make_folder(folder / AUDIO)
            log = durable.new_log(folder / LOG)
        except FileExistsError as e:
            raise RecordError(
                f"{folder} already holds a record or a file of that name",
                remedy="Choose another folder with --out.",
            ) from e
        except OSError as e:
            raise durable.storage_error(e, f"make a record in {folder}", _NOTHING) from e
        return cls(folder, _locked(log, folder), clock=clock, lines=[])

    @classmethod
    def open(cls, folder: Path, *, clock: Clock) -> Self:
        """Go on with a record, after an interruption too.

        A last line that was cut short is moved into a file of its own beside the log, and a note
        in the log says so; everything that was acknowledged stays.

        Raises
        ------
        RecordError
            As `read_record`, and if another program is writing this record.
        StorageError
            If the folder cannot be written.
        """
        read_log(folder)
        try:
            log = os.open(folder / LOG, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC)
        except OSError as e:
            raise durable.storage_error(e, f"go on with the record in {folder}", "it is") from e
        _locked(log, folder)
        try:
            lines, tail = read_log(folder)
            entries = check_log(folder, lines, None) if lines else ()
            writer = cls(folder, log, clock=clock, lines=lines)
            writer._recover(tail, entries)
        except BaseException:
            os.close(log)
            raise
        return writer

    @property
    def head(self) -> str:
        """Digest of the last line."""
        return self._head

    @property
    def entries(self) -> int:
        """Number of entries acknowledged so far."""
        return self._seq

    def begin(self, body: Body, identity: Mapping[str, Salted]) -> Entry:
        """Add the entry that opens the record; people and engine are on disk before it.

        Parameters
        ----------
        body : Body
            From `bodies.opened_body`, made with the same identity.
        identity : mapping of str to Salted
            Values with their salts, for the file beside the log.

        Raises
        ------
        RecordError, StorageError
            As `append`.
        ValueError
            If the record was begun, or the body states other digests.
        """
        if self._seq or body["identity"] != digests_of(identity):
            raise ValueError("a record is begun once, by an entry made with the same identity")
        place = self.folder / IDENTITY
        try:
            self._check_place()
            if identity:
                durable.replace_file(place, identity_bytes(identity))
            else:
                place.unlink(missing_ok=True)
        except OSError as e:
            raise durable.storage_error(e, f"keep {place}", self._kept()) from e
        return self.append("opened", body)

    def append(self, kind: str, body: Body) -> Entry:
        """Add an entry; it is on disk when this returns.

        Raises
        ------
        RecordError
            If the body holds something a record cannot keep.
        StorageError
            If the disk refuses; the entry is not kept, everything before it is.
        """
        entry = Entry(self._seq + 1, self._clock(), kind, body, self._head)
        line = line_of(entry)
        try:
            self._check_place()
            durable.write_all(self._log, line + b"\n")
        except OSError as e:
            self._undo()
            raise durable.storage_error(
                e, f"keep entry {entry.seq} in {self.folder}", self._kept()
            ) from e
        self._seq, self._head, self._size = entry.seq, link(line), self._size + len(line) + 1
        return entry

    def add_audio(self, source: Path, *, name: str) -> Body:
        """Copy a sound file into the record exactly as it is, and add the entry that names it.

        Parameters
        ----------
        source : Path
            A WAV, FLAC or other sound file.
        name : str
            What it is, for the file's new name: "c3-tailpipe-on".

        Returns
        -------
        Body
            The body of the `audio` entry; its `path` is how later entries name the sound.

        Raises
        ------
        AudioFileError
            If the source is missing, unreadable or not sound; nothing of it is kept.
        StorageError
            If the disk refuses; everything before it is kept.
        """
        return self._add_sound(source, name, self._sounds.copy_in)

    def place_to_record(self, name: str) -> Path:
        """Return a new file name in the audio folder for a recorder to write a WAV file to.

        Parameters
        ----------
        name : str
            What will be heard: "c3-tailpipe".
        """
        return self._sounds.live_place(name)

    def take_over(self, source: Path, *, name: str) -> Body:
        """Make a finished recording the record's own, and add the entry that names it.

        The file is put on disk and renamed; no byte of it is copied or changed. One that lies on
        another disk, or goes by a second name too, is copied and stays where it is.

        Parameters
        ----------
        source : Path
            A closed file, best one from `place_to_record`.
        name : str
            What it is, unless it already has a name from `place_to_record`.

        Returns
        -------
        Body
            As `add_audio`.

        Raises
        ------
        AudioFileError
            If the source is still being recorded, is missing, a link or not sound.
        StorageError
            If the disk refuses; everything before it is kept, and the sound too, without an entry.
        """
        return self._add_sound(source, name, self._sounds.take_over)

    def _add_sound(self, source: Path, name: str, how: Callable[[Path, str], Body]) -> Body:
        try:
            self._check_place()
            body = how(source, name)
        except OSError as e:
            raise durable.storage_error(
                e, f"keep {source.name} in {self.folder}", self._kept()
            ) from e
        return self.append("audio", body).body

    def close(self) -> None:
        """Let another writer at the record; may be called twice."""
        if self._log >= 0:
            os.close(self._log)
            self._log = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _recover(self, tail: bytes, entries: tuple[Entry, ...]) -> None:
        """Put a cut-off line aside first, then cut it off the log, then note it there."""
        try:
            if tail:
                durable.write_file(_place_for(tail, self.folder, self._seq + 1), tail)
                os.ftruncate(self._log, self._size)
                os.fsync(self._log)
        except OSError as e:
            raise durable.storage_error(e, f"repair {self.folder / LOG}", self._kept()) from e
        if not entries:
            return
        noted = " ".join(str(e.body.get("text")) for e in entries if e.kind == "note")
        notes = [
            f"An entry was cut short by an interruption; its {lost.stat().st_size} bytes "
            f"are in {lost.name}."
            for lost in sorted(self.folder.glob("cut-off-*.lost"))
            if lost.name not in noted
        ]
        entered = {str(e.body.get("path")) for e in entries if e.kind == "audio"}
        cut_off = repair_cut_off(self.folder, entered)
        notes += [text for text in cut_off if text.split(" ", 1)[0] not in noted]
        for note in notes:
            self.append("note", {"text": note})
        self.recovered = " ".join((*notes, *words_on_files(self.folder, entries))) or None

    def _check_place(self) -> None:
        if self._log < 0:
            raise ValueError("the record was closed")
        if self._broken:
            raise StorageError(f"The log in {self.folder} could not be repaired after a failure")
        here, there = os.fstat(self._log), (self.folder / LOG).stat()
        if (here.st_dev, here.st_ino) != (there.st_dev, there.st_ino):
            raise OSError(errno.ESTALE, "the log was replaced by another file")

    def _undo(self) -> None:
        """Take a half-written line back, so that the log ends with a whole one."""
        try:
            if os.fstat(self._log).st_size != self._size:
                os.ftruncate(self._log, self._size)
                os.fsync(self._log)
        except OSError:
            self._broken = True

    def _kept(self) -> str:
        if self._seq < 2:
            return "entry 1 is" if self._seq else _NOTHING
        return f"entries 1 to {self._seq} are"


def _locked(log: int, folder: Path) -> int:
    try:
        fcntl.flock(log, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as e:
        os.close(log)
        raise RecordError(
            f"{folder} is being written by another earwitness",
            remedy="Finish that inspection first, or choose another folder.",
        ) from e
    return log


def _place_for(tail: bytes, folder: Path, seq: int) -> Path:
    """Name a file for a cut-off line; one that holds another line, or more of it, is left alone."""
    names = itertools.chain(
        [f"cut-off-{seq:04d}.lost"], (f"cut-off-{seq:04d}-{n}.lost" for n in itertools.count(2))
    )
    places = (folder / name for name in names)
    return next(p for p in places if not p.exists() or tail.startswith(p.read_bytes()))
