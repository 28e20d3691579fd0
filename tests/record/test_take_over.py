"""Recordings that a recorder made inside the record: taken over as they are, or kept if cut off."""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

from earwitness.audio.broadcast_wav import (
    Bext,
    BroadcastWavWriter,
    coding_history,
    samples_since_midnight,
)
from earwitness.errors import AudioFileError, StorageError
from earwitness.record.reader import read_record
from earwitness.record.store import RecordWriter

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.audio.broadcast_wav import Subtype
    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

FS = 48_000
BEGAN = datetime(2026, 3, 4, 9, 15, 30, tzinfo=UTC)
SAMPLES: dict[Subtype, np.ndarray] = {
    "PCM_16": np.random.default_rng(1).integers(-(1 << 15), 1 << 15, FS, dtype=np.int16),
    "PCM_24": np.random.default_rng(2).integers(-(1 << 23), 1 << 23, FS, dtype=np.int32),
    "FLOAT": np.random.default_rng(3).normal(0, 0.3, FS).astype(np.float32),
}


def bext(subtype: Subtype) -> Bext:
    return Bext(
        description="Cylinder 3, tailpipe",
        originator="earwitness",
        originator_reference="c3-tailpipe",
        time=BEGAN,
        time_reference_samples=samples_since_midnight(BEGAN, FS),
        coding_history=coding_history(FS, subtype, 1, "as captured"),
    )


def recorded(place: Path, subtype: Subtype = "PCM_16") -> Path:
    with BroadcastWavWriter(
        place, sample_rate_hz=FS, channels=1, subtype=subtype, bext=bext(subtype)
    ) as recorder:
        for block in np.array_split(SAMPLES[subtype], 7):
            recorder.append(block)
    return place


@pytest.fixture
def writer(tmp_path: Path, clock: Clock, opened: Body) -> Iterator[RecordWriter]:
    with RecordWriter.create(tmp_path / "r", clock=clock) as made:
        made.begin(opened, {})
        yield made


@pytest.mark.parametrize("subtype", list(SAMPLES))
def test_a_live_recording_is_taken_over_to_the_last_bit(
    writer: RecordWriter, subtype: Subtype
) -> None:
    """Read back by libsndfile (samples) and wavinfo (EBU Tech 3285 texts), not by our reader."""
    place = recorded(writer.place_to_record("c3-tailpipe"), subtype)
    before, there = hashlib.sha256(place.read_bytes()).hexdigest(), place.stat().st_ino
    body = writer.take_over(place, name="c3-tailpipe")
    taken = writer.folder / body["path"]
    assert body["path"] == "audio/0001-c3-tailpipe.wav"
    assert (body["sha256"], taken.stat().st_ino, place.exists()) == (before, there, False)
    assert body["frames"] == FS
    kind = {"PCM_16": "int16", "PCM_24": "int32", "FLOAT": "float32"}[subtype]
    samples, rate = sf.read(taken, dtype=kind)
    assert rate == FS
    np.testing.assert_array_equal(
        samples >> 8 if subtype == "PCM_24" else samples, SAMPLES[subtype]
    )
    said = WavInfoReader(str(taken)).bext
    assert (said.originator, said.originator_ref) == ("earwitness", "c3-tailpipe")
    assert (said.originator_date, said.originator_time) == ("2026-03-04", "09:15:30")
    assert said.time_reference == (9 * 3600 + 15 * 60 + 30) * FS
    assert "T=as captured" in said.coding_history
    assert read_record(writer.folder).lost is None


def test_each_recording_gets_a_place_of_its_own(writer: RecordWriter) -> None:
    places = [writer.place_to_record(name) for name in ("up", "up", "c3 / tail")]
    assert [p.name for p in places] == [
        "0001-up.live.wav", "0002-up.live.wav", "0003-c3-tail.live.wav",
    ]  # fmt: skip


def test_a_recording_made_elsewhere_is_taken_over_too(writer: RecordWriter, tmp_path: Path) -> None:
    body = writer.take_over(recorded(tmp_path / "Recorder 1.WAV"), name="c1-said")
    assert body["path"] == "audio/0001-c1-said.wav"
    assert body["original_name"] == "Recorder 1.WAV"
    assert not (tmp_path / "Recorder 1.WAV").exists()


def test_from_another_disk_it_is_copied_and_stays(
    writer: RecordWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`rename` says EXDEV (POSIX.1-2017, rename) where the two names lie on two file systems."""
    source, real = recorded(tmp_path / "take.wav"), Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self == source:
            raise OSError(errno.EXDEV, "Invalid cross-device link")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    body = writer.take_over(source, name="take")
    assert source.exists()
    assert (writer.folder / body["path"]).read_bytes() == source.read_bytes()
    assert read_record(writer.folder).lost is None


def test_a_file_with_a_second_name_is_copied(writer: RecordWriter, tmp_path: Path) -> None:
    """Whoever writes to it by its other name must not write into the record."""
    source = recorded(tmp_path / "take.wav")
    os.link(source, tmp_path / "other.wav")
    body = writer.take_over(source, name="take")
    assert (writer.folder / body["path"]).stat().st_nlink == 1
    assert source.exists()


def test_what_is_still_recorded_is_not_taken(writer: RecordWriter) -> None:
    place = writer.place_to_record("c1")
    with BroadcastWavWriter(
        place, sample_rate_hz=FS, channels=1, subtype="PCM_16", bext=bext("PCM_16")
    ) as recorder:
        recorder.append(SAMPLES["PCM_16"])
        with pytest.raises(AudioFileError, match="still being recorded"):
            writer.take_over(place, name="c1")
    assert writer.take_over(place, name="c1")["frames"] == FS


@pytest.mark.parametrize("what", ["missing", "link", "folder", "no sound"])
def test_what_is_no_recording_is_not_taken(writer: RecordWriter, tmp_path: Path, what: str) -> None:
    source = tmp_path / "take.wav"
    if what == "link":
        source.symlink_to(recorded(tmp_path / "there.wav"))
    elif what == "folder":
        source.mkdir()
    elif what == "no sound":
        source.write_bytes(b"RIFF")
    with pytest.raises(AudioFileError, match=r"take\.wav"):
        writer.take_over(source, name="take")
    assert writer.entries == 1
    assert list((writer.folder / "audio").iterdir()) == []
    assert os.path.lexists(source) == (what != "missing")


def test_a_refusing_disk_keeps_the_sound(
    writer: RecordWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = recorded(tmp_path / "take.wav")

    def refuse(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", refuse)
        with pytest.raises(StorageError, match=r"keep take\.wav"):
            writer.take_over(source, name="take")
    assert source.exists()
    assert writer.take_over(source, name="take")["path"].endswith("-take.wav")


def test_the_folder_is_listed_once_however_many_sounds_are_added(
    writer: RecordWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a long inspection takes time that grows with the square of its sounds."""
    source, real, listed = recorded(tmp_path / "take.wav"), Path.glob, []

    def glob(self: Path, pattern: str) -> Iterator[Path]:
        listed.append(self)
        return real(self, pattern)

    monkeypatch.setattr(Path, "glob", glob)
    paths = [writer.add_audio(source, name="take")["path"] for _ in range(20)]
    assert len(set(paths)) == 20
    assert len(listed) == 1


def test_what_was_renamed_but_never_entered_is_kept_and_said(
    writer: RecordWriter, clock: Clock
) -> None:
    """As a kill between the rename and the entry leaves it."""
    place = recorded(writer.place_to_record("c3-tailpipe"))
    orphan = place.rename(place.with_name("0001-c3-tailpipe.wav"))
    data = orphan.read_bytes()
    writer.close()
    with RecordWriter.open(writer.folder, clock=clock) as again:
        assert again.recovered == (
            "audio/0001-c3-tailpipe.wav is kept, but has no entry: "
            "the inspection was interrupted before it was acknowledged."
        )
        assert orphan.read_bytes() == data
        assert again.place_to_record("x").name == "0002-x.live.wav"
        body = again.take_over(orphan, name="c3-tailpipe")
    assert (body["sha256"], body["frames"]) == (hashlib.sha256(data).hexdigest(), FS)
    assert read_record(writer.folder).lost is None


RECORDER = """
import os, signal, sys
from pathlib import Path
import numpy as np
from earwitness.audio.broadcast_wav import Bext, BroadcastWavWriter
recorder = BroadcastWavWriter(
    Path(sys.argv[1]), sample_rate_hz=48_000, channels=1, subtype="PCM_16", bext=Bext()
)
block = np.arange(48_000, dtype=np.int16)
recorder.append(block)
recorder.append(block[:30_000])
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.slow
def test_what_was_cut_off_while_it_was_recorded_reopens_with_all_its_sound(
    writer: RecordWriter, clock: Clock
) -> None:
    """One second was put on disk, more was handed to the system: all of it comes back, once."""
    place = writer.place_to_record("c3-tailpipe")
    killed = subprocess.run([sys.executable, "-c", RECORDER, place], check=False)
    assert killed.returncode == -signal.SIGKILL
    assert sf.info(place).frames == 48_000
    writer.close()
    with RecordWriter.open(writer.folder, clock=clock) as again:
        assert "78000 samples are kept, 30000 of them beyond its header" in str(again.recovered)
        assert "0001-c3-tailpipe.live.wav was being recorded, and is kept" in str(again.recovered)
        entries = again.entries
    with RecordWriter.open(writer.folder, clock=clock) as again:
        assert again.entries == entries, "the repair is noted once"
        body = again.take_over(place, name="c3-tailpipe")
    samples, _ = sf.read(writer.folder / body["path"], dtype="int16")
    expected = np.concatenate([np.arange(48_000), np.arange(30_000)]).astype(np.int16)
    np.testing.assert_array_equal(samples, expected)
    notes = [e for e in read_record(writer.folder).entries if e.kind == "note"]
    assert len(notes) == 1


def test_what_cannot_be_repaired_is_kept_and_said(writer: RecordWriter, clock: Clock) -> None:
    place = writer.place_to_record("c1")
    place.write_bytes(b"RIFF")
    writer.close()
    with RecordWriter.open(writer.folder, clock=clock) as again:
        assert "is kept as it is" in str(again.recovered)
    assert place.read_bytes() == b"RIFF"
