"""Recordings are read as they were captured, or refused in one plain sentence."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy
import soundfile as sf

from earwitness.audio.recording import open_recording, read_recording
from earwitness.errors import AudioFileError

MALFORMED = Path(scipy.__file__).parent / "io/tests/data"
"""SciPy's own set of odd and broken WAV files (BSD licence), installed with SciPy."""

Reader = Callable[[Path], object]


def read_in_blocks(path: Path) -> list[np.ndarray]:
    return list(open_recording(path).blocks(999))


@pytest.fixture(params=[read_recording, read_in_blocks])
def read(request: pytest.FixtureRequest) -> Reader:
    """Either way of reading: what one refuses the other must refuse with the same words."""
    return request.param


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_samples_come_back_exactly(tmp_path: Path, rate: int, subtype: str) -> None:
    """A 16-bit, 24-bit or float sample survives writing and reading without a change of a bit."""
    rng = np.random.default_rng(5)
    steps = rng.integers(-(2**15), 2**15, size=(20_000, 2)).astype(np.float32) / 2**15
    sf.write(tmp_path / "a.wav", steps, rate, subtype=subtype)
    recording = read_recording(tmp_path / "a.wav")
    assert np.array_equal(recording.samples, steps)
    assert (recording.sample_rate_hz, recording.channels, recording.frames) == (rate, 2, 20_000)
    assert recording.seconds == pytest.approx(20_000 / rate)
    assert open_recording(tmp_path / "a.wav").sample_rate_hz == rate
    assert np.array_equal(np.concatenate(read_in_blocks(tmp_path / "a.wav")), steps)


def test_mono_is_the_first_channel_not_a_mixture(tmp_path: Path) -> None:
    left_right = np.tile(np.array([[0.5, -0.5], [0.25, 0.0]], np.float32), (4800, 1))
    sf.write(tmp_path / "a.wav", left_right, 48_000, subtype="FLOAT")
    assert read_recording(tmp_path / "a.wav").mono().tolist() == [0.5, 0.25] * 4800


@pytest.mark.parametrize("path", sorted(MALFORMED.glob("*.wav")), ids=lambda p: p.stem)
def test_scipy_malformed_set_is_read_or_refused(path: Path) -> None:
    """Every file of SciPy's set gives samples or one sentence that names the file."""
    try:
        recording = read_recording(path)
    except AudioFileError as e:
        refusal = e
    else:
        assert recording.frames > 0
        assert np.isfinite(recording.samples).all()
        return
    assert path.name in str(refusal)
    assert refusal.exit_code == 2


def test_scipy_malformed_set_is_installed() -> None:
    assert len(list(MALFORMED.glob("*.wav"))) >= 20


@pytest.mark.parametrize(
    "name",
    [
        "test-44100Hz-le-1ch-4bytes-early-eof.wav",
        "test-44100Hz-le-1ch-4bytes-early-eof-no-data.wav",
    ],
)
def test_cut_short_files_of_the_set_are_refused(name: str, read: Reader) -> None:
    with pytest.raises(AudioFileError):
        read(MALFORMED / name)


def test_a_recording_that_lost_its_end_is_refused(tmp_path: Path, read: Reader) -> None:
    whole = tmp_path / "whole.wav"
    sf.write(whole, np.zeros(1000, np.float32), 48_000, subtype="PCM_16")
    cut = tmp_path / "cut.wav"
    cut.write_bytes(whole.read_bytes()[:-500])
    with pytest.raises(AudioFileError, match="cut short: its last 500 bytes"):
        read(cut)


def test_a_flac_that_lost_its_end_is_refused(tmp_path: Path, read: Reader) -> None:
    whole = tmp_path / "whole.flac"
    noise = np.random.default_rng(1).normal(0, 0.1, 48_000)
    sf.write(whole, noise, 48_000, subtype="PCM_16")
    cut = tmp_path / "cut.flac"
    cut.write_bytes(whole.read_bytes()[:30_000])
    with pytest.raises(AudioFileError, match=r"cut\.flac cannot be read as sound"):
        read(cut)


def test_a_streamed_wav_of_unknown_length_is_read(tmp_path: Path) -> None:
    """Recorders that stream write 0xFFFFFFFF for a length they do not know yet."""
    sf.write(tmp_path / "a.wav", np.full(1000, 0.5, np.float32), 8000, subtype="PCM_16")
    data = bytearray((tmp_path / "a.wav").read_bytes())
    data[40:44] = struct.pack("<I", 0xFFFFFFFF)
    (tmp_path / "b.wav").write_bytes(data)
    assert read_recording(tmp_path / "b.wav").frames == 1000


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"cylinder 3, tailpipe: no hiss\n" * 20, "cannot be read as sound"),
        (b"RIFF", "cannot be read as sound"),
        (b"RIFF\xff\xff\xff\xffWAVEfmt \xff\xff\xff\xff", "cannot be read as sound"),
    ],
)
def test_what_is_not_sound_is_refused(
    tmp_path: Path, content: bytes, says: str, read: Reader
) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    with pytest.raises(AudioFileError, match=says) as caught:
        read(path)
    assert "take.wav" in str(caught.value)


def test_a_wav_without_samples_is_refused(tmp_path: Path, read: Reader) -> None:
    sf.write(tmp_path / "a.wav", np.zeros(0, np.float32), 48_000)
    with pytest.raises(AudioFileError, match="holds no samples"):
        read(tmp_path / "a.wav")


@pytest.mark.parametrize("name", ["missing.wav", "nul\0.wav", "x" * 300 + ".wav", "."])
def test_what_cannot_be_opened_is_refused(tmp_path: Path, name: str, read: Reader) -> None:
    with pytest.raises(AudioFileError):
        read(tmp_path / name)


def test_an_impossible_sample_rate_is_refused(tmp_path: Path, read: Reader) -> None:
    sf.write(tmp_path / "a.wav", np.zeros(100, np.float32), 1000)
    with pytest.raises(AudioFileError, match="1000 samples a second"):
        read(tmp_path / "a.wav")


def test_a_single_sample_is_no_recording(tmp_path: Path, read: Reader) -> None:
    sf.write(tmp_path / "a.wav", np.array([0.1]), 48_000)
    with pytest.raises(AudioFileError, match=r"a\.wav lasts only 0\.0208 ms"):
        read(tmp_path / "a.wav")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused_with_its_time(
    tmp_path: Path, value: float, read: Reader
) -> None:
    samples = np.zeros((48_000, 2), np.float32)
    samples[12_000, 1] = value
    sf.write(tmp_path / "a.wav", samples, 48_000, subtype="FLOAT")
    with pytest.raises(AudioFileError, match=r"no numbers, the first at 0\.250 s"):
        read(tmp_path / "a.wav")


def test_headerless_samples_are_refused(tmp_path: Path, read: Reader) -> None:
    """A .raw file does not say its rate or format, so nothing can be known of it."""
    (tmp_path / "take.raw").write_bytes(bytes(96_000))
    with pytest.raises(AudioFileError, match=r"take\.raw cannot be read as sound"):
        read(tmp_path / "take.raw")
