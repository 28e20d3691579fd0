"""Broadcast Wave files: every sample to the bit, by two independent readers, and refusals."""

from __future__ import annotations

import errno
import os
import struct
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
from earwitness.audio.broadcast_wav import (
    BroadcastWavWriter,
    read_bext,
    repair_length,
    write_broadcast_wav,
)
from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError, StorageError
from exact_sound import BEXT, SUBTYPES, TYPES, as_soundfile_reads, assert_tells, ramp, same

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


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


@pytest.mark.slow
@given(sounds(), st.sampled_from([0.0, 0.0001, 1.0]))
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_samples_in_any_blocks_come_back_to_the_bit(
    tmp_path: Path, sound: tuple[str, list[NDArray[Any]]], sync_every_s: float
) -> None:
    subtype, blocks = sound
    path = tmp_path / "a.wav"
    path.unlink(missing_ok=True)
    with BroadcastWavWriter(
        path, sample_rate_hz=48_000, channels=blocks[0].shape[1], subtype=subtype, bext=BEXT,
        sync_every_s=sync_every_s,
    ) as writer:  # fmt: skip
        for block in blocks:
            writer.append(block)
    whole = np.concatenate(blocks)
    assert path.read_bytes().endswith(_data(whole, subtype) + bytes(len(_data(whole, subtype)) % 2))
    assert same(as_soundfile_reads(path, subtype)[0], whole)
    assert read_bext(path) == BEXT
    assert repair_length(path).recovered_frames == 0


def _data(samples: NDArray[Any], subtype: str) -> bytes:
    if subtype != "PCM_24":
        return samples.tobytes()
    return b"".join(int(s).to_bytes(3, "little", signed=True) for s in samples.reshape(-1))


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
