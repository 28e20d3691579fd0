"""The folder on disk: what is written, what is refused, and what each refusal says."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from earwitness.errors import AudioFileError, RecordError, StorageError
from earwitness.record.canonical import canonical_bytes
from earwitness.record.store import RecordWriter, audio_file, read_record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

NOBODY = 65534
"""The account without rights on Debian."""


@contextmanager
def without_rights() -> Iterator[None]:
    """Act as an account that may not write everywhere, even where the tests run as root."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.fixture
def readable_place() -> Iterator[Path]:
    """A folder that every account may enter; pytest's own folders are closed."""
    place = Path(tempfile.mkdtemp(prefix="earwitness-"))
    place.chmod(0o755)
    yield place
    shutil.rmtree(place)


def test_an_entry_is_in_the_file_when_append_returns(
    tmp_path: Path, clock: Clock, opened: Body
) -> None:
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        entry = writer.append("opened", opened)
        assert read_record(tmp_path / "r").entries == (entry,)
        assert (writer.entries, writer.head) == (1, read_record(tmp_path / "r").head)


def test_every_entry_is_synced_before_it_is_acknowledged(
    tmp_path: Path, clock: Clock, opened: Body, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last system call of an append is the fsync of the log, with the line written."""
    synced: list[int] = []
    fsync = os.fsync

    def watch(fd: int) -> None:
        fsync(fd)
        synced.append(os.fstat(fd).st_size)

    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        monkeypatch.setattr(os, "fsync", watch)
        for body in (opened, {"text": "one"}, {"text": "two"}):
            writer.append("opened" if body is opened else "note", body)
            assert synced[-1] == (tmp_path / "r" / "record.jsonl").stat().st_size
    assert len(synced) == 3


def test_the_folder_itself_is_synced_on_creation(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a power cut could lose the name of a log whose bytes are safe."""
    synced: set[int] = set()
    fsync = os.fsync

    def watch(fd: int) -> None:
        fsync(fd)
        synced.add(os.fstat(fd).st_ino)

    monkeypatch.setattr(os, "fsync", watch)
    folder = tmp_path / "deep" / "r"
    RecordWriter.create(folder, clock=clock).close()
    assert {p.stat().st_ino for p in (tmp_path, tmp_path / "deep", folder)} <= synced


def test_a_record_goes_on_where_it_stopped(small_record: Path, clock: Clock) -> None:
    before = read_record(small_record)
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.recovered is None
        entry = writer.append("note", {"text": "one more look"})
    after = read_record(small_record, head=writer.head)
    assert after.entries == (*before.entries, entry)
    assert entry.prev == before.head


def test_a_clock_that_steps_back_breaks_nothing(
    tmp_path: Path, opened: Body, small_record: Path
) -> None:
    early = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    with RecordWriter.open(small_record, clock=lambda: early) as writer:
        writer.append("note", {"text": "the battery of the clock was empty"})
    entries = read_record(small_record).entries
    assert [e.seq for e in entries] == list(range(1, 8))
    assert entries[-1].time == early


def test_a_second_writer_is_refused(small_record: Path, clock: Clock) -> None:
    with (
        RecordWriter.open(small_record, clock=clock),
        pytest.raises(RecordError, match="is being written by another earwitness"),
    ):
        RecordWriter.open(small_record, clock=clock)
    RecordWriter.open(small_record, clock=clock).close()


def test_a_writer_in_another_process_is_refused(small_record: Path, clock: Clock) -> None:
    program = (
        "import sys; from datetime import datetime, UTC; from pathlib import Path\n"
        "from earwitness.record.store import RecordWriter\n"
        "from earwitness.errors import RecordError\n"
        "clock = lambda: datetime(2026, 1, 1, tzinfo=UTC)\n"
        "try: RecordWriter.open(Path(sys.argv[1]), clock=clock)\n"
        "except RecordError as e: sys.exit(str(e))\n"
    )
    with RecordWriter.open(small_record, clock=clock):
        done = subprocess.run(
            [sys.executable, "-c", program, small_record],
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert "another earwitness" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_record_is_not_begun_over_another(small_record: Path, clock: Clock) -> None:
    before = (small_record / "record.jsonl").read_bytes()
    with pytest.raises(RecordError, match="already holds a record"):
        RecordWriter.create(small_record, clock=clock)
    assert (small_record / "record.jsonl").read_bytes() == before


def test_a_value_that_cannot_be_kept_leaves_the_record_as_it_was(
    small_record: Path, clock: Clock
) -> None:
    before = (small_record / "record.jsonl").read_bytes()
    with RecordWriter.open(small_record, clock=clock) as writer:
        with pytest.raises(RecordError, match="cannot keep this value"):
            writer.append("note", {"level_db": float("nan")})
        assert (small_record / "record.jsonl").read_bytes() == before
        writer.append("note", {"text": "and on it goes"})
    assert len(read_record(small_record).entries) == 7


FORMATS = [
    ("a.wav", "PCM_16", 1),
    ("a.wav", "PCM_24", 2),
    ("a.wav", "FLOAT", 1),
    ("a.wav", "PCM_U8", 1),
    ("a.flac", "PCM_24", 1),
    ("a.flac", "PCM_16", 2),
    ("A NAME with spaces.WAV", "PCM_32", 1),
]


@pytest.mark.parametrize(("name", "subtype", "channels"), FORMATS)
def test_sound_is_kept_byte_for_byte(
    small_record: Path,
    clock: Clock,
    sound: Callable[..., Path],
    name: str,
    subtype: str,
    channels: int,
) -> None:
    source = sound(name, subtype, channels)
    with RecordWriter.open(small_record, clock=clock) as writer:
        body = writer.add_audio(source, name="c3-tailpipe-on")
    kept = audio_file(small_record, body["path"])
    assert kept.read_bytes() == source.read_bytes()
    assert body == {
        "path": f"audio/0001-c3-tailpipe-on{source.suffix.lower()}",
        "sha256": hashlib.sha256(source.read_bytes()).hexdigest(),
        "bytes": source.stat().st_size,
        "original_name": name,
        "sample_rate_hz": 48_000,
        "channels": channels,
        "frames": 24_000,
        "subtype": subtype,
    }
    assert read_record(small_record).entries[-1].body == body
    assert read_record(small_record).lost is None


def test_sound_files_are_numbered_and_never_overwritten(
    small_record: Path, clock: Clock, sound: Callable[..., Path]
) -> None:
    source = sound()
    with RecordWriter.open(small_record, clock=clock) as writer:
        paths = [writer.add_audio(source, name="../up/ü ?")["path"] for _ in range(3)]
    assert paths == ["audio/0001-up.wav", "audio/0002-up.wav", "audio/0003-up.wav"]
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.add_audio(source, name="")["path"] == "audio/0004-sound.wav"


@pytest.mark.parametrize(
    ("content", "fault"),
    [(b"", "not a sound file"), (b"hello" * 100, "not a sound file"), (None, "does not exist")],
)
def test_what_is_not_sound_is_refused_and_leaves_nothing(
    small_record: Path, clock: Clock, tmp_path: Path, content: bytes | None, fault: str
) -> None:
    source = tmp_path / "text.wav"
    if content is not None:
        source.write_bytes(content)
    with RecordWriter.open(small_record, clock=clock) as writer:
        with pytest.raises(AudioFileError, match=rf"text\.wav.*{fault}"):
            writer.add_audio(source, name="text")
        writer.append("note", {"text": "went on"})
    assert list((small_record / "audio").iterdir()) == []
    assert read_record(small_record).lost is None


@pytest.mark.parametrize(
    "path", ["../secret.wav", "/etc/passwd", "audio/../x", "audio/.x", "x", ""]
)
def test_a_path_out_of_the_record_is_refused(tmp_path: Path, path: str) -> None:
    with pytest.raises(RecordError, match="outside its audio folder"):
        audio_file(tmp_path, path)


def _newer(line: bytes) -> bytes:
    first = json.loads(line)
    first["body"]["schema"] = "earwitness.record/2"
    return canonical_bytes({**first, "a_new_field": 1})


def _foreign(line: bytes) -> bytes:
    first = json.loads(line)
    first["body"]["schema"] = "somebody.else/1"
    return canonical_bytes(first)


def _not_opened(line: bytes) -> bytes:
    return canonical_bytes({**json.loads(line), "kind": "note"})


@pytest.mark.parametrize(
    ("damage", "sentence"),
    [
        (lambda text: b"", "holds no complete entry"),
        (lambda text: text[:20], "holds no complete entry"),
        (lambda text: b"\xef\xbb\xbf" + text, "byte order mark"),
        (lambda text: text.decode().encode("utf-16"), "byte order mark"),
        (lambda text: text.replace(b"\n", b"\r\n"), "Line 1 .* rewritten"),
        (lambda text: b"\n" + text, "Line 1 .* not JSON"),
        (lambda text: text.replace(b'"20"', b'"21"'), "does not follow from line 3"),
        (lambda text: text.replace(b'"20"', b'"2'), "Line 3 .* not JSON"),
        (lambda text: _newer(text.splitlines()[0]) + b"\n", "written as earwitness.record/2"),
        (lambda text: _foreign(text.splitlines()[0]) + b"\n", "schema is 'somebody.else/1'"),
        (lambda text: _not_opened(text.splitlines()[0]) + b"\n", "does not begin with the entry"),
    ],
)
def test_a_damaged_log_is_one_plain_sentence(
    small_record: Path, clock: Clock, damage: Callable[[bytes], bytes], sentence: str
) -> None:
    log = small_record / "record.jsonl"
    log.write_bytes(damage(log.read_bytes()))
    with pytest.raises(RecordError, match=sentence) as e:
        read_record(small_record)
    assert str(small_record) in str(e.value)
    assert str(e.value).endswith(".")
    assert "\n" not in str(e.value)


def test_a_newer_version_says_to_update_and_is_not_touched(
    small_record: Path, clock: Clock
) -> None:
    log = small_record / "record.jsonl"
    newer = _newer(log.read_bytes().splitlines()[0]) + b"\n" + b'{"cut off'
    log.write_bytes(newer)
    with pytest.raises(RecordError, match="Update earwitness"):
        read_record(small_record)
    with pytest.raises(RecordError, match=r"written as earwitness\.record/2.* Update earwitness"):
        RecordWriter.open(small_record, clock=clock)
    assert log.read_bytes() == newer


def test_a_broken_chain_is_not_continued(small_record: Path, clock: Clock) -> None:
    log = small_record / "record.jsonl"
    log.write_bytes(log.read_bytes().replace(b'"20"', b'"21"'))
    before = log.read_bytes()
    with pytest.raises(RecordError, match="does not follow"):
        RecordWriter.open(small_record, clock=clock)
    assert log.read_bytes() == before


@pytest.mark.parametrize("opener", [read_record, lambda f: RecordWriter.open(f, clock=None)])
def test_no_record_there(tmp_path: Path, opener: Callable[[Path], object]) -> None:
    (tmp_path / "file").touch()
    for folder, fault in [
        (tmp_path / "nowhere", "is not a folder"),
        (tmp_path / "file", "is not a folder"),
        (tmp_path, "has no record.jsonl"),
    ]:
        with pytest.raises(RecordError, match=fault):
            opener(folder)


def test_a_folder_that_may_not_be_written(readable_place: Path, clock: Clock) -> None:
    RecordWriter.create(readable_place / "warm", clock=clock).close()
    (readable_place / "closed").mkdir(mode=0o555)
    with (
        without_rights(),
        pytest.raises(
            StorageError, match=r"refused to make a record in .*permission denied.*--out"
        ),
    ):
        RecordWriter.create(readable_place / "closed" / "r", clock=clock)


def test_a_record_that_may_only_be_read(readable_place: Path, clock: Clock, opened: Body) -> None:
    with RecordWriter.create(readable_place / "r", clock=clock) as writer:
        writer.append("opened", opened)
    (readable_place / "r" / "record.jsonl").chmod(0o444)
    with without_rights():
        assert len(read_record(readable_place / "r").entries) == 1
        with pytest.raises(StorageError, match="go on with the record"):
            RecordWriter.open(readable_place / "r", clock=clock)


def test_a_folder_that_vanished(
    small_record: Path, clock: Clock, sound: Callable[..., Path]
) -> None:
    with RecordWriter.open(small_record, clock=clock) as writer:
        shutil.rmtree(small_record)
        with pytest.raises(StorageError, match=r"entry 7 .*entries 1 to 6 are kept"):
            writer.append("note", {"text": "lost"})
        with pytest.raises(StorageError, match=r"take\.wav"):
            writer.add_audio(sound(), name="x")


def test_a_log_that_was_replaced(small_record: Path, clock: Clock) -> None:
    log = small_record / "record.jsonl"
    with RecordWriter.open(small_record, clock=clock) as writer:
        copy = log.read_bytes()
        log.unlink()
        log.write_bytes(copy)
        with pytest.raises(StorageError, match="replaced by another file"):
            writer.append("note", {"text": "lost"})
    assert log.read_bytes() == copy


def _failing(code: int) -> Callable[..., None]:
    def fail(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    return fail


def test_an_entry_that_could_not_be_synced_is_taken_back(
    small_record: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (small_record / "record.jsonl").read_bytes()
    with RecordWriter.open(small_record, clock=clock) as writer:
        with monkeypatch.context() as m:
            m.setattr(os, "fsync", _failing(errno.EIO))
            with pytest.raises(StorageError, match=r"entry 7 .*input/output error"):
                writer.append("note", {"text": "never acknowledged"})
        assert (small_record / "record.jsonl").read_bytes() == before


def test_a_log_that_cannot_be_repaired_takes_no_more_until_it_is_opened_again(
    small_record: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    with RecordWriter.open(small_record, clock=clock) as writer:
        with monkeypatch.context() as m:
            m.setattr(os, "ftruncate", _failing(errno.EIO))
            m.setattr(os, "fsync", _failing(errno.EIO))
            m.setattr(os, "write", lambda fd, data: write(fd, data[:10]))
            with pytest.raises(StorageError, match="entries 1 to 6 are kept"):
                writer.append("note", {"text": "cut in the middle"})
        with pytest.raises(StorageError, match="could not be repaired"):
            writer.append("note", {"text": "refused"})
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.append("note", {"text": "on it goes"}).seq >= 7
    assert read_record(small_record).lost is None


def test_missing_and_unnamed_sound_is_reported_and_left_alone(
    small_record: Path, clock: Clock, sound: Callable[..., Path]
) -> None:
    with RecordWriter.open(small_record, clock=clock) as writer:
        kept = audio_file(small_record, writer.add_audio(sound(), name="a")["path"])
    stray = kept.with_name("0002-b.wav")
    kept.rename(stray)
    assert read_record(small_record).lost == (
        "audio/0002-b.wav is kept, but has no entry: the inspection was interrupted "
        "before it was acknowledged. audio/0001-a.wav is missing from the folder."
    )
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert "audio/0002-b.wav" in str(writer.recovered)
        assert writer.add_audio(sound(), name="b")["path"] == "audio/0003-b.wav"
    assert stray.exists()


FULL_DISK = """
import resource, signal, sys
from datetime import datetime, UTC
from pathlib import Path
from earwitness.errors import StorageError
from earwitness.record.store import RecordWriter
with RecordWriter.open(Path(sys.argv[1]), clock=lambda: datetime(2026, 3, 4, tzinfo=UTC)) as writer:
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
    try:
        while True:
            if len(sys.argv) > 3:
                writer.add_audio(Path(sys.argv[3]), name="take")
            print(writer.append("note", {"text": "x" * 100}).seq, flush=True)
    except StorageError as e:
        print(e)
    try:
        writer.append("note", {"text": "y" * 5000})
    except StorageError as e:
        print(e)
"""


def _fill_up(*arguments: object) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, *map(str, arguments)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.splitlines()


@pytest.mark.slow
@pytest.mark.parametrize("limit", [4_000, 4_001, 4_050, 4_123])
def test_a_full_disk_keeps_all_that_was_acknowledged(
    small_record: Path, clock: Clock, limit: int
) -> None:
    """The system refuses to let the log grow beyond `limit` bytes, also in mid-line."""
    *acknowledged, first, second = _fill_up(small_record, limit)
    last = int(acknowledged[-1])
    for sentence in (first, second):
        assert f"refused to keep entry {last + 1}" in sentence
        assert "the disk is full. Free some space" in sentence
        assert f"entries 1 to {last} are kept." in sentence
    record = read_record(small_record)
    assert (len(record.entries), record.lost) == (last, None)
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.append("note", {"text": "room again"}).seq == last + 1


@pytest.mark.slow
def test_a_disk_too_full_for_a_sound(small_record: Path, sound: Callable[..., Path]) -> None:
    source = sound()
    first, *_ = _fill_up(small_record, source.stat().st_size - 1, source)
    assert first.startswith("The disk refused to keep take.wav")
    assert list((small_record / "audio").iterdir()) == []
    assert read_record(small_record).lost is None
