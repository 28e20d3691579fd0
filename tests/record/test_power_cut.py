"""What a power cut leaves: the order of the system calls, and a disk that keeps only what it must.

No machine is switched off here. A model of the disk watches every call by which a record is
written, and knows what the system owes after each: the bytes of a file as of its last fsync, the
names in a folder as of the folder's last fsync (POSIX.1-2017, fsync, from memory). After every call
it builds the folders that a power cut could leave, and each must open with every acknowledged
entry.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from earwitness.errors import EarwitnessError
from earwitness.record.store import LOG, RecordWriter, audio_file, read_record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.record.chain import Body, Entry
    from earwitness.record.moment import Clock

Tree = dict[str, "Tree | bytes"]
CALLS = ("open", "write", "fsync", "rename", "ftruncate", "mkdir")
LONG_NOTE = {"text": "n" * 9_000}
"""Over three blocks of 4096 bytes."""


@dataclass
class Disk:
    """A folder, the calls made on it, and what the system owes of it."""

    root: Path
    ignored: str = ""
    """A call that this disk only pretends to carry out."""
    calls: list[str] = field(default_factory=list)
    acknowledged: list[Entry] = field(default_factory=list)
    cuts: list[tuple[str, int, Tree]] = field(default_factory=list)
    """What could be left: after which call, how much was acknowledged by then, the folder."""
    content: dict[int, bytes] = field(default_factory=dict)
    """Bytes that are owed, by the number of the file."""
    names: dict[int, dict[str, int]] = field(default_factory=dict)
    """Names that are owed and the numbers of their files, by the number of the folder."""

    @contextmanager
    def watching(self, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
        """All there is is on disk; from here on only what is put there."""
        for path in [self.root, *self.root.rglob("*")]:
            self._put(path)
        with monkeypatch.context() as m:
            for name in CALLS:
                m.setattr(os, name, self._around(name, getattr(os, name)))
            yield

    def acknowledge(self, entry: Entry) -> None:
        self.acknowledged.append(entry)
        self._cut("acknowledgement")

    def _around(self, name: str, call: Callable[..., object]) -> Callable[..., object]:
        def watched(first: int | Path, *others: object, **named: object) -> object:
            at = (
                Path(f"/proc/self/fd/{first}").readlink() if isinstance(first, int) else Path(first)
            )
            here = f"{name} {_what(at)}"
            self.calls.append(here)
            result = call(first, *others, **named)
            if name == "fsync" and here != self.ignored:
                self._put(at)
            self._cut(here)
            return result

        return watched

    def _put(self, path: Path) -> None:
        if path.is_dir():
            self.names[_number(path)] = {p.name: _number(p) for p in path.iterdir()}
        else:
            self.content[_number(path)] = path.read_bytes()

    def _cut(self, after: str) -> None:
        trees = [self._owed(_number(self.root))]
        trees += [self._there(self.root, share) for share in (1.0, 0.5, 0.0)]
        self.cuts += [(after, len(self.acknowledged), tree) for tree in trees]

    def _owed(self, folder: int) -> Tree:
        """The least: nothing but what was put on disk."""
        return {
            name: self._owed(number) if number in self.names else self.content.get(number, b"")
            for name, number in self.names[folder].items()
        }

    def _there(self, folder: Path, share: float) -> Tree:
        """Names and lengths as they are, but a share of the new bytes are blocks of zeros."""
        return {
            p.name: self._there(p, share) if p.is_dir() else self._bytes(p, share)
            for p in folder.iterdir()
        }

    def _bytes(self, path: Path, share: float) -> bytes:
        there, owed = path.read_bytes(), self.content.get(_number(path), b"")
        if len(there) <= len(owed):
            return there
        zeros = int(share * (len(there) - len(owed)))
        return owed + bytes(zeros) + there[len(owed) + zeros :]


def test_the_order_of_the_calls(
    tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Written, then fsynced, then acknowledged; renamed, then the folder fsynced, then named."""
    source, disk = sound(), Disk(tmp_path)
    with disk.watching(monkeypatch), RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        assert disk.calls[-3:] == ["open log", "open folder", "fsync folder"]
        disk.calls.clear()
        writer.append("opened", opened)
        assert disk.calls == ["write log", "fsync log"]
        disk.calls.clear()
        writer.add_audio(source, name="take")
    assert disk.calls == [
        "open sound",
        "write sound",
        "fsync sound",
        "rename sound",
        "open audio folder",
        "fsync audio folder",
        "write log",
        "fsync log",
    ]


def test_the_order_of_the_calls_of_a_repair(
    small_record: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cut-off line is safe in its own file before it is taken off the log."""
    with (small_record / LOG).open("ab") as log:
        log.write(b'{"body":')
    disk = Disk(small_record)
    with disk.watching(monkeypatch):
        RecordWriter.open(small_record, clock=clock).close()
    assert disk.calls == [
        "open log",
        "open cut-off line",
        "write cut-off line",
        "fsync cut-off line",
        "open folder",
        "fsync folder",
        "ftruncate log",
        "fsync log",
        "write log",
        "fsync log",
    ]


@pytest.mark.slow
def test_a_power_cut_after_any_call_loses_nothing_that_was_acknowledged(
    tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    disk = _inspected(tmp_path, clock, opened, sound(), monkeypatch)
    assert len(disk.acknowledged) == 9
    assert len(disk.cuts) > 4 * 40
    assert _losses(disk, tmp_path / "left", clock) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "ignored", ["fsync log", "fsync sound", "fsync audio folder", "fsync folder"]
)
def test_the_model_of_the_disk_finds_what_a_missing_fsync_would_cost(
    tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch, ignored: str,
) -> None:  # fmt: skip
    disk = _inspected(tmp_path, clock, opened, sound(), monkeypatch, ignored=ignored)
    assert _losses(disk, tmp_path / "left", clock)


def _inspected(
    place: Path, clock: Clock, opened: Body, source: Path, monkeypatch: pytest.MonkeyPatch,
    *, ignored: str = "",
) -> Disk:  # fmt: skip
    """Make a record with two sounds, interrupt it in the middle of an entry, and go on."""
    folder = place / "disk" / "r"
    folder.parent.mkdir()
    disk = Disk(folder.parent, ignored)
    with disk.watching(monkeypatch), RecordWriter.create(folder, clock=clock) as writer:
        disk.acknowledge(writer.append("opened", opened))
        _work(disk, writer, source)
    with (folder / LOG).open("ab") as log:
        log.write(b'{"body":{"text":"cut')
    with disk.watching(monkeypatch), RecordWriter.open(folder, clock=clock) as writer:
        disk.acknowledge(read_record(folder).entries[-1])
        _work(disk, writer, source)
    return disk


def _work(disk: Disk, writer: RecordWriter, source: Path) -> None:
    writer.add_audio(source, name="take")
    disk.acknowledge(read_record(writer.folder).entries[-1])
    disk.acknowledge(writer.append("note", LONG_NOTE))
    disk.acknowledge(writer.append("note", {"text": "short"}))
    if len(disk.acknowledged) == 4:
        writer.add_audio(source, name="take")
        disk.acknowledge(read_record(writer.folder).entries[-1])


def _losses(disk: Disk, place: Path, clock: Clock) -> list[str]:
    """Open each folder that could be left, and go on with it; name what is not there."""
    wrong = []
    for number, (after, count, tree) in enumerate(disk.cuts):
        if count == 0:
            continue
        folder = place / str(number)
        _build(folder, tree)
        try:
            wrong += [f"{after}: {lost}" for lost in _missing(folder / "r", disk, count)]
            with RecordWriter.open(folder / "r", clock=lambda: disk.acknowledged[0].time) as writer:
                writer.append("note", {"text": "on it goes"})
            read_record(folder / "r", head=writer.head)
        except (EarwitnessError, OSError) as e:
            wrong.append(f"{after}: {e}")
    return wrong


def _missing(folder: Path, disk: Disk, count: int) -> list[str]:
    entries = read_record(folder).entries
    return [
        f"entry {entry.seq}"
        for entry in disk.acknowledged[:count]
        if entry not in entries
        or (
            entry.kind == "audio"
            and _digest(audio_file(folder, entry.body["path"])) != entry.body["sha256"]
        )
    ]


def _build(folder: Path, tree: Tree) -> None:
    folder.mkdir(parents=True)
    for name, what in tree.items():
        if isinstance(what, bytes):
            (folder / name).write_bytes(what)
        else:
            _build(folder / name, what)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _number(path: Path) -> int:
    return path.stat().st_ino


def _what(path: Path) -> str:
    if path.suffix == ".part":
        return "sound"
    names = {LOG: "log", "audio": "audio folder", ".lost": "cut-off line"}
    return names.get(path.name) or names.get(path.suffix) or "folder"
