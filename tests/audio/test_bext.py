"""Who recorded what, when and how: against the table of the standard, and another reader."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from wavinfo import WavInfoReader

from earwitness.audio.bext import bext_of, chunk_of
from earwitness.audio.broadcast_wav import (
    Bext,
    BroadcastWavWriter,
    coding_history,
    read_bext,
    samples_since_midnight,
    write_broadcast_wav,
)
from earwitness.errors import AudioFileError
from exact_sound import BEXT, MOMENT, assert_tells, ramp

if TYPE_CHECKING:
    from pathlib import Path

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
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_text_comes_back_from_two_readers(tmp_path: Path, bext: Bext) -> None:
    path = tmp_path / "a.wav"
    path.unlink(missing_ok=True)
    write_broadcast_wav(path, ramp("PCM_16", 3), 48_000, subtype="PCM_16", bext=bext)
    assert bext_of(chunk_of(bext)) == read_bext(path) == bext
    assert_tells(WavInfoReader(str(path)).bext, bext)


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


def test_coding_history_by_the_recommendation() -> None:
    """EBU R 98: A, F, W, M, T, separated by commas, ended by CR and LF; from memory."""
    assert coding_history(44_100, "PCM_16", 2, "derived: resampled") == (
        "A=PCM,F=44100,W=16,M=stereo,T=derived: resampled\r\n"
    )
    with pytest.raises(ValueError, match="commas"):
        coding_history(44_100, "PCM_16", 2, "a, b")
