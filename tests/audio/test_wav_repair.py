"""A recording that was interrupted: every sample that was put on disk is read again."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

from earwitness.audio.broadcast_wav import (
    BroadcastWavWriter,
    Repaired,
    read_bext,
    repair_length,
)
from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError
from exact_sound import BEXT, SUBTYPES, TYPES, as_soundfile_reads, assert_tells, ramp, same

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


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
        assert repair_length(left) == Repaired(repaired.frames, 0, 0)
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
        BroadcastWavWriter(
            tmp_path / "a.wav", sample_rate_hz=48_000, channels=1, subtype="PCM_16", bext=BEXT
        ),
        pytest.raises(AudioFileError, match="still being recorded"),
    ):
        repair_length(tmp_path / "a.wav")
