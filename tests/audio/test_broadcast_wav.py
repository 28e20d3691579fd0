"""Broadcast Wave files against the standard's table, two independent readers, and interruptions."""

from __future__ import annotations

import errno
import os
import struct
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from wavinfo import WavInfoReader

from earwitness.audio import broadcast_wav
from earwitness.audio.bext import bext_of, chunk_of
from earwitness.audio.broadcast_wav import (
    Bext,
    BroadcastWavWriter,
    coding_history,
    read_bext,
    repair_length,
    samples_since_midnight,
    write_broadcast_wav,
)
from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError, StorageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

MOMENT = datetime(2026, 3, 4, 9, 15, 7, tzinfo=UTC)
BEXT = Bext(
    description="Cylinder 3, tailpipe",
    originator="earwitness 0.1",
    originator_reference="bay 2, take 17",
    time=MOMENT,
    time_reference_samples=samples_since_midnight(MOMENT, 48_000),
    coding_history=coding_history(48_000, "PCM_24", 1, "as captured"),
)
SUBTYPES = ["PCM_16", "PCM_24", "FLOAT"]
TYPES = {"PCM_16": np.int16, "PCM_24": np.int32, "FLOAT": np.float32}


def ramp(subtype: str, frames: int, channels: int = 1, *, first: int = 0) -> NDArray[Any]:
    """Samples that each differ from their neighbours, and tell where they stand."""
    steps = np.arange(first * channels, (first + frames) * channels).reshape(frames, channels)
    if subtype == "FLOAT":
        return (steps / 7 - 1).astype(np.float32)
    most = 2**15 if subtype == "PCM_16" else 2**23
    return ((steps * 263 + most) % (2 * most) - most).astype(TYPES[subtype])


def as_soundfile_reads(path: Path, subtype: str) -> tuple[NDArray[Any], int]:
    """The samples by libsndfile, as the whole numbers or floats that they are."""
    kind = {"PCM_16": "int16", "PCM_24": "int32", "FLOAT": "float32"}[subtype]
    samples, rate = sf.read(path, dtype=kind, always_2d=True)
    return (samples >> 8 if subtype == "PCM_24" else samples), rate


def same(a: NDArray[Any], b: NDArray[Any]) -> bool:
    """Whether two arrays are equal to the last bit, not-a-numbers too."""
    return a.dtype == b.dtype and a.reshape(-1).tobytes() == b.reshape(-1).tobytes()


TABLE = [
    ("Description", 0, 256, b"Cylinder 3, tailpipe"),
    ("Originator", 256, 32, b"earwitness 0.1"),
    ("OriginatorReference", 288, 32, b"bay 2, take 17"),
    ("OriginationDate", 320, 10, b"2026-03-04"),
    ("OriginationTime", 330, 8, b"09:15:07"),
    ("TimeReferenceLow", 338, 4, struct.pack("<I", 33_307 * 48_000)),
    ("TimeReferenceHigh", 342, 4, b""),
    ("Version", 346, 2, struct.pack("<H", 2)),
    ("UMID", 348, 64, b""),
    ("LoudnessValue", 412, 2, b"\xff\x7f"),
    ("LoudnessRange", 414, 2, b"\xff\x7f"),
    ("MaxTruePeakLevel", 416, 2, b"\xff\x7f"),
    ("MaxMomentaryLoudness", 418, 2, b"\xff\x7f"),
    ("MaxShortTermLoudness", 420, 2, b"\xff\x7f"),
    ("Reserved", 422, 180, b""),
    ("CodingHistory", 602, 39, b"A=PCM,F=48000,W=24,M=mono,T=as captured"),
]


@pytest.mark.parametrize(("name", "offset", "size", "value"), TABLE, ids=[row[0] for row in TABLE])
def test_every_field_stands_where_the_standard_says(
    name: str, offset: int, size: int, value: bytes
) -> None:
    """EBU Tech 3285, version 2: table of the broadcast extension chunk, in a secondary copy."""
    assert chunk_of(BEXT)[offset : offset + size] == value.ljust(size, b"\0")


def test_a_time_reference_beyond_32_bits_goes_into_the_high_word() -> None:
    chunk = chunk_of(Bext(time_reference_samples=(5 << 32) + 7))
    assert struct.unpack_from("<II", chunk, 338) == (7, 5)


def test_a_chunk_without_history_has_602_bytes() -> None:
    """EBU Tech 3285: everything before CodingHistory."""
    assert len(chunk_of(Bext())) == 602


def test_the_chunks_come_in_order_and_add_up(tmp_path: Path) -> None:
    """RIFF: each chunk begins on an even byte; `bext` before `fmt ` before `data`."""
    write_broadcast_wav(tmp_path / "a.wav", ramp("PCM_24", 9), 48_000, subtype="PCM_24", bext=BEXT)
    data = (tmp_path / "a.wav").read_bytes()
    assert data[:4] + data[8:12] == b"RIFFWAVE"
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8
    at, names = 12, []
    while at < len(data):
        name, length = struct.unpack_from("<4sI", data, at)
        names.append((name, length))
        at += 8 + length + length % 2
    assert at == len(data)
    assert names == [(b"bext", 602 + 41), (b"fmt ", 16), (b"data", 27)]


@pytest.mark.parametrize("channels", [1, 2, 3])
@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
@pytest.mark.parametrize("subtype", SUBTYPES)
def test_two_independent_readers_agree(
    tmp_path: Path, subtype: str, rate: int, channels: int
) -> None:
    """libsndfile (soundfile) and wavinfo: samples, sample format and every text."""
    path, samples = tmp_path / "a.wav", ramp(subtype, 20_001, channels)
    write_broadcast_wav(path, samples, rate, subtype=subtype, bext=BEXT)
    read, read_rate = as_soundfile_reads(path, subtype)
    assert same(read, samples)
    assert (read_rate, sf.info(path).subtype) == (rate, subtype)
    info = WavInfoReader(str(path))
    bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}[subtype]
    assert (info.fmt.sample_rate, info.fmt.channel_count) == (rate, channels)
    assert (info.fmt.bits_per_sample, info.fmt.block_align) == (bits, channels * bits // 8)
    assert info.data.frame_count == 20_001
    assert_tells(info.bext, BEXT)
    assert info.bext.version == 2
    assert info.bext.loudness_value == 327.67  # 0x7FFF: not measured
    assert read_recording(path).frames == 20_001


def assert_tells(told: Any, bext: Bext) -> None:
    """What wavinfo reads is what was written."""
    assert told.description == bext.description
    assert told.originator == bext.originator
    assert told.originator_ref == bext.originator_reference
    assert told.time_reference == bext.time_reference_samples
    assert told.coding_history == bext.coding_history
    written = bext.time.strftime("%Y-%m-%d %H:%M:%S") if bext.time else " "
    assert f"{told.originator_date} {told.originator_time}" == written


ASCII = st.characters(min_codepoint=32, max_codepoint=126)
BEXTS = st.builds(
    Bext,
    description=st.text(ASCII, max_size=256),
    originator=st.text(ASCII, max_size=32),
    originator_reference=st.text(ASCII, max_size=32),
    time=st.none()
    | st.datetimes(datetime(1000, 1, 1), timezones=st.just(UTC)).map(  # noqa: DTZ001  # has a zone
        lambda moment: moment.replace(microsecond=0)
    ),
    time_reference_samples=st.integers(0, 2**64 - 1),
    coding_history=st.text(ASCII | st.sampled_from("\r\n"), max_size=300),
)


@given(BEXTS)
@settings(max_examples=50)
def test_every_text_comes_back(bext: Bext) -> None:
    assert bext_of(chunk_of(bext)) == bext


@st.composite
def sounds(draw: Callable[..., Any]) -> tuple[str, list[NDArray[Any]]]:
    """A sample format, and blocks of any samples it has, bit patterns that are no number too."""
    subtype, channels = draw(st.sampled_from(SUBTYPES)), draw(st.integers(1, 3))
    shapes = [(n, channels) for n in draw(st.lists(st.integers(0, 9), min_size=1, max_size=5))]
    if subtype == "FLOAT":
        bits = [draw(hnp.arrays(np.uint32, shape)) for shape in shapes]
        return subtype, [b.view(np.float32) for b in bits]
    most = 2 ** (15 if subtype == "PCM_16" else 23)
    inside = st.integers(-most, most - 1)
    return subtype, [draw(hnp.arrays(TYPES[subtype], shape, elements=inside)) for shape in shapes]


@given(sounds(), BEXTS, st.sampled_from([0.0, 0.0001, 1.0]))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_samples_in_any_blocks_come_back_to_the_bit(
    tmp_path: Path, sound: tuple[str, list[NDArray[Any]]], bext: Bext, sync_every_s: float
) -> None:
    subtype, blocks = sound
    path = tmp_path / "a.wav"
    path.unlink(missing_ok=True)
    with BroadcastWavWriter(
        path, sample_rate_hz=48_000, channels=blocks[0].shape[1], subtype=subtype, bext=bext,
        sync_every_s=sync_every_s,
    ) as writer:  # fmt: skip
        for block in blocks:
            writer.append(block)
    whole = np.concatenate(blocks)
    assert path.read_bytes().endswith(_data(whole, subtype) + bytes(len(_data(whole, subtype)) % 2))
    assert same(as_soundfile_reads(path, subtype)[0], whole)
    assert read_bext(path) == bext
    if len(whole):  # wavinfo wants a first sample
        assert_tells(WavInfoReader(str(path)).bext, bext)
    assert repair_length(path).recovered_frames == 0


def _data(samples: NDArray[Any], subtype: str) -> bytes:
    if subtype != "PCM_24":
        return samples.tobytes()
    return b"".join(int(s).to_bytes(3, "little", signed=True) for s in samples.reshape(-1))


@pytest.fixture
def snapshots(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[bytes]]:
    """Copies of a.wav after each call that changes it, and half-way through each write."""
    taken: list[bytes] = []
    path = tmp_path / "a.wav"

    def around(call: Callable[..., Any], *, halves: bool) -> Callable[..., Any]:
        def watched(fd: int, *arguments: Any) -> Any:
            if halves and len(arguments[0]) > 1:
                call(fd, bytes(arguments[0])[: len(arguments[0]) // 2], *arguments[1:])
                taken.append(path.read_bytes())
            result = call(fd, *arguments)
            taken.append(path.read_bytes())
            return result

        return watched

    monkeypatch.setattr(os, "pwrite", around(os.pwrite, halves=True))
    monkeypatch.setattr(os, "ftruncate", around(os.ftruncate, halves=False))
    yield taken
    monkeypatch.undo()


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("subtype", SUBTYPES)
def test_an_interruption_at_any_call_leaves_all_synced_samples_readable(
    tmp_path: Path, snapshots: list[bytes], subtype: str, channels: int
) -> None:
    """Killed after any call, or half-way through any write, also between sound and lengths."""
    whole, at_sync = ramp(subtype, 60, channels), [(0, 0)]
    writer = BroadcastWavWriter(
        tmp_path / "a.wav", sample_rate_hz=8_000, channels=channels, subtype=subtype, bext=BEXT,
        sync_every_s=1,
    )  # fmt: skip
    born = len(snapshots)
    for first in range(0, 60, 5):
        writer.append(whole[first : first + 5])
        if first % 3 == 0:
            writer.sync()
            at_sync.append((len(snapshots), writer.synced_frames))
    writer.close()
    assert len(at_sync) > 3
    left = tmp_path / "left.wav"
    for number, data in enumerate(snapshots[born - 1 :], start=born):
        synced = max(frames for when, frames in at_sync if when <= number)
        left.write_bytes(data)
        read, _ = as_soundfile_reads(left, subtype)
        assert len(read) >= synced
        assert same(read, whole[: len(read)])
        assert read_bext(left) == BEXT
        if len(read):  # wavinfo wants a first sample
            assert_tells(WavInfoReader(str(left)).bext, BEXT)
        repaired = repair_length(left)
        assert repaired.frames == len(read) + repaired.recovered_frames
        again, _ = as_soundfile_reads(left, subtype)
        assert len(again) == repaired.frames
        assert same(again, whole[: len(again)])
        assert repair_length(left) == broadcast_wav.Repaired(repaired.frames, 0, 0)
        assert struct.unpack_from("<I", left.read_bytes(), 4)[0] == left.stat().st_size - 8


RECORDER = """
import sys
import numpy as np
from pathlib import Path
from earwitness.audio.broadcast_wav import Bext, BroadcastWavWriter
path, subtype, kind = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
with BroadcastWavWriter(path, sample_rate_hz=48_000, channels=1, subtype=subtype,
                        bext=Bext(originator="earwitness"), sync_every_s=0.05) as writer:
    first = 0
    while True:
        writer.append(np.arange(first, first + 777).astype(kind) % 32_000)
        first += 777
        print(writer.synced_frames, flush=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize("subtype", SUBTYPES)
def test_kill_9_leaves_all_synced_samples_readable(tmp_path: Path, subtype: str) -> None:
    """A recorder in another process, killed while it writes; not a power cut."""
    rng = np.random.default_rng(71)
    kind = np.dtype(TYPES[subtype]).name
    for number in range(4):
        path = tmp_path / f"{number}.wav"
        command = [sys.executable, "-c", RECORDER, str(path), subtype, kind]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as recorder:
            assert recorder.stdout is not None
            told = [recorder.stdout.readline() for _ in range(int(rng.integers(20, 300)))]
            recorder.kill()
            told += recorder.stdout.readlines()
        synced = max(int(line) for line in told)
        read, _ = as_soundfile_reads(path, subtype)
        assert len(read) >= synced > 0
        repaired = repair_length(path)
        assert repaired.frames >= synced
        again, _ = as_soundfile_reads(path, subtype)
        expected = np.arange(repaired.frames).astype(kind) % 32_000
        assert same(again, expected.astype(kind))
        assert read_recording(path).frames == repaired.frames


def begin(path: Path, subtype: str = "PCM_16", channels: int = 1) -> BroadcastWavWriter:
    return BroadcastWavWriter(
        path, sample_rate_hz=48_000, channels=channels, subtype=subtype, bext=BEXT
    )


def test_sound_is_on_disk_before_the_header_promises_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written and fsynced, then the lengths, then fsynced again; the name first of all."""
    calls: list[str] = []

    def around(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def watched(fd: int, *others: Any) -> Any:
            folder = Path(f"/proc/self/fd/{fd}").readlink().is_dir()
            calls.append(f"{name} folder" if folder else f"{name} {others[-1]}" if others else name)
            return call(fd, *others)

        return watched

    for name in ("pwrite", "fsync", "ftruncate"):
        monkeypatch.setattr(os, name, around(name, getattr(os, name)))
    with begin(tmp_path / "a.wav") as writer:
        assert calls == ["pwrite 0", "fsync", "fsync folder"]
        at = (tmp_path / "a.wav").stat().st_size
        calls.clear()
        writer.append(ramp("PCM_16", 100))
        writer.sync()
        assert calls == [f"pwrite {at}", f"ftruncate {at + 200}", "fsync", "pwrite 0", "fsync"]
        calls.clear()
    assert calls == []


def test_a_whole_file_has_its_name_only_when_it_is_complete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "ftruncate", _failing(errno.ENOSPC))
    with pytest.raises(StorageError, match="the disk is full"):
        write_broadcast_wav(
            tmp_path / "a.wav", ramp("PCM_16", 9), 48_000, subtype="PCM_16", bext=BEXT
        )
    assert list(tmp_path.iterdir()) == []


def _failing(code: int) -> Callable[..., None]:
    def fail(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    return fail


def test_a_full_disk_keeps_what_was_appended_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk takes half a block more; that half is taken back when the file is closed."""
    path, pwrite = tmp_path / "a.wav", os.pwrite
    with begin(path) as writer:
        writer.append(ramp("PCM_16", 24_000))
        with monkeypatch.context() as m:
            m.setattr(os, "pwrite", _full_after(lambda fd, data, at: pwrite(fd, data[:51], at)))
            with pytest.raises(
                StorageError, match=r"keep more sound in .*a\.wav: the disk is full.*first 0\.5 s"
            ):
                writer.append(ramp("PCM_16", 100, first=24_000))
    assert same(as_soundfile_reads(path, "PCM_16")[0], ramp("PCM_16", 24_000))
    assert repair_length(path).recovered_frames == 0


def _full_after(call: Callable[..., Any]) -> Callable[..., Any]:
    left = iter([call, _failing(errno.ENOSPC)])

    def limited(*arguments: Any) -> Any:
        return next(left)(*arguments)

    return limited


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"evidence")
    for write in (
        lambda: begin(path),
        lambda: write_broadcast_wav(path, ramp("PCM_16", 9), 48_000, subtype="PCM_16", bext=BEXT),
    ):
        with pytest.raises(AudioFileError, match=r"a\.wav is there already.*another name"):
            write()
    assert path.read_bytes() == b"evidence"


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"begin .*nowhere.*no such file"):
        begin(tmp_path / "nowhere" / "a.wav")


def test_more_than_4_gib_is_refused_before_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RIFF counts in 32 bits all but the first 8 bytes; a smaller limit stands in here."""
    assert broadcast_wav.MAX_FILE_BYTES == 2**32 - 1 + 8
    path = tmp_path / "a.wav"
    with begin(path) as writer:
        writer.append(ramp("PCM_16", 1_000))
        size = path.stat().st_size
        monkeypatch.setattr(broadcast_wav, "MAX_FILE_BYTES", size + 200)
        with pytest.raises(AudioFileError, match=r"beyond 4 GiB.*begin another.*is kept"):
            writer.append(ramp("PCM_16", 100))
        assert path.stat().st_size == size
        writer.append(ramp("PCM_16", 99, first=1_000))
    assert same(as_soundfile_reads(path, "PCM_16")[0], ramp("PCM_16", 1_099))


@pytest.mark.parametrize(
    ("bext", "sentence"),
    [
        (Bext(description="Zylinder drei, Öl"), "description .*cannot keep.*plain English letters"),
        (Bext(originator="tab\there"), "originator .*cannot keep"),
        (Bext(originator="x" * 33), "originator .*33 characters, more than 32.*shorter"),
        (Bext(description="x" * 257), "257 characters, more than 256"),
        (Bext(originator_reference="x\n"), "originator reference .*cannot keep"),
        (Bext(coding_history="\0"), "coding history .*cannot keep"),
    ],
)
def test_a_text_that_cannot_be_kept_is_refused(tmp_path: Path, bext: Bext, sentence: str) -> None:
    with pytest.raises(AudioFileError, match=sentence):
        BroadcastWavWriter(
            tmp_path / "a.wav", sample_rate_hz=48_000, channels=1, subtype="PCM_16", bext=bext
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("subtype", "block"),
    [
        ("PCM_16", np.zeros(5, np.float32)),
        ("PCM_16", np.zeros(5, np.int32)),
        ("PCM_24", np.zeros(5, np.int16)),
        ("PCM_24", np.array([2**23], np.int32)),
        ("PCM_24", np.array([-(2**23) - 1], np.int32)),
        ("FLOAT", np.zeros(5, np.float64)),
        ("PCM_16", np.zeros((5, 2), np.int16)),
        ("PCM_16", np.zeros((5, 1, 1), np.int16)),
    ],
)
def test_samples_are_never_converted(tmp_path: Path, subtype: str, block: NDArray[Any]) -> None:
    with (
        begin(tmp_path / "a.wav", subtype) as writer,
        pytest.raises(ValueError, match=r"takes samples of type|24 bits|shape"),
    ):
        writer.append(block)


def test_times_are_written_in_universal_time_and_to_the_second(tmp_path: Path) -> None:
    there = timezone(timedelta(hours=-8))
    local = datetime(2026, 3, 3, 20, 15, 7, 999_999, tzinfo=there)
    assert bext_of(chunk_of(Bext(time=local))) == Bext(
        time=datetime(2026, 3, 4, 4, 15, 7, tzinfo=UTC)
    )
    assert samples_since_midnight(local, 48_000) == 15_307 * 48_000 + 47_999
    with pytest.raises(ValueError, match="zone"):
        chunk_of(Bext(time=datetime(2026, 3, 4)))  # noqa: DTZ001  # that is the point
    with pytest.raises(ValueError, match="time reference"):
        chunk_of(Bext(time_reference_samples=-1))


@pytest.mark.parametrize(
    ("day", "second", "time"),
    [
        (b"2026:03:04", b"09-15-07", MOMENT),
        (b"2026_03_04", b"09.15.07", MOMENT),
        (b"2026 03 04", b"09 15 07", MOMENT),
        (b"2026-13-04", b"09:15:07", None),
        (b"0000-00-00", b"00:00:00", None),
        (b"yesterday\0", b"\xff" * 8, None),
    ],
)
def test_separators_that_the_standard_allows(day: bytes, second: bytes, time: object) -> None:
    """EBU Tech 3285, OriginationDate and OriginationTime: - _ : space and stop, from memory."""
    chunk = bytearray(chunk_of(BEXT))
    chunk[320:330], chunk[330:338] = day, second
    told = bext_of(bytes(chunk))
    assert told is not None
    assert told.time == time


def test_files_without_bext_have_none(tmp_path: Path) -> None:
    for name in ("a.wav", "a.flac"):
        sf.write(tmp_path / name, np.zeros(9_000), 48_000)
        assert read_bext(tmp_path / name) is None
    (tmp_path / "empty").touch()
    assert read_bext(tmp_path / "empty") is None


def test_what_cannot_be_read_is_one_plain_sentence(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with pytest.raises(AudioFileError, match="does not exist"):
        read_bext(path)
    with pytest.raises(AudioFileError, match="cannot be read"):
        read_bext(tmp_path)
    path.write_bytes(struct.pack("<4sI4s4sI", b"RIFF", 999, b"WAVE", b"bext", 600) + bytes(600))
    with pytest.raises(AudioFileError, match="cut short"):
        read_bext(path)
    path.write_bytes(struct.pack("<4sI4s4sI", b"RIFF", 999, b"WAVE", b"bext", 2**32 - 1))
    with pytest.raises(AudioFileError, match="4294967295 bytes"):
        read_bext(path)


def test_only_what_was_interrupted_is_repaired(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    sf.write(path, np.zeros(9_000), 48_000)
    finished = path.read_bytes()
    assert repair_length(path).recovered_frames == 0
    assert path.read_bytes() == finished
    path.write_bytes(finished[:-2])
    with pytest.raises(AudioFileError, match="cut short: its last 2 bytes"):
        repair_length(path)
    path.write_bytes(b"no sound")
    with pytest.raises(AudioFileError, match="no sound that could be repaired"):
        repair_length(path)
    path.unlink()
    with pytest.raises(AudioFileError, match="does not exist"):
        repair_length(path)


def test_what_is_still_being_recorded_is_not_repaired(tmp_path: Path) -> None:
    with (
        begin(tmp_path / "a.wav"),
        pytest.raises(AudioFileError, match="still being recorded"),
    ):
        repair_length(tmp_path / "a.wav")


def test_coding_history_by_the_recommendation() -> None:
    """EBU R 98: A, F, W, M, T, separated by commas, ended by CR and LF; from memory."""
    assert coding_history(44_100, "PCM_16", 2, "derived: resampled") == (
        "A=PCM,F=44100,W=16,M=stereo,T=derived: resampled\r\n"
    )
    with pytest.raises(ValueError, match="commas"):
        coding_history(44_100, "PCM_16", 2, "a, b")
