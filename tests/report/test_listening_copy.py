"""Listening copies: short, loud enough, honest about what was done to them."""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from tinytag import TinyTag

from earwitness.audio.recording import Recording
from earwitness.record.reader import read_record
from earwitness.report.listening_copy import COPY_RATE_HZ, copy_of_cycled, copy_of_pair


def recording(seconds: float, level: float, rate_hz: int = 48_000, seed: int = 1) -> Recording:
    samples = np.random.default_rng(seed).normal(0, level, (int(seconds * rate_hz), 1))
    return Recording(Path("x.wav"), samples.astype(np.float32), rate_hz, "PCM_24")


def decoded(mp3: bytes) -> tuple[np.ndarray, int]:
    samples, rate = sf.read(io.BytesIO(mp3))
    return samples, rate


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000, 96_000, 192_000])
def test_every_sample_rate_gives_a_copy_of_the_same_length(rate_hz: int) -> None:
    copy = copy_of_cycled(recording(4, 0.01, rate_hz), [(1.0, 2.0)])
    samples, rate = decoded(copy.mp3)
    assert rate == COPY_RATE_HZ
    assert len(samples) / rate == pytest.approx(4.0, abs=0.1)
    assert copy.seconds == pytest.approx(4.0, abs=0.01)


@pytest.mark.parametrize("level", [1e-4, 1e-3, 1e-2, 0.1])
def test_a_quiet_take_is_amplified_by_the_gain_that_is_stated(level: float) -> None:
    take = recording(3, level)
    copy = copy_of_cycled(take, [(1.0, 2.0)])
    heard, _ = decoded(copy.mp3)
    measured_db = 20 * np.log10(np.std(heard) / level)
    # a third of the band, above 16 kHz, is left out: 10 lg(16/24) = -1.8 dB
    assert measured_db == pytest.approx(copy.gain_db - 1.8, abs=0.7)
    assert 0.07 < np.std(heard) < 0.3  # a normal listening level, whatever it was before


def test_a_loud_take_is_not_amplified_and_not_attenuated() -> None:
    assert copy_of_cycled(recording(3, 0.5), [(1.0, 2.0)]).gain_db == 0


def test_a_long_take_is_cut_from_shortly_before_the_air() -> None:
    copy = copy_of_cycled(recording(40, 0.01), [(10.0, 14.0), (18.0, 22.0), (26.0, 30.0)])
    assert (copy.cut_from_s, copy.seconds) == (8.0, 10.0)
    assert [(s.start_s, s.end_s) for s in copy.stretches] == [(2.0, 6.0)]


def test_a_pair_is_heard_one_after_the_other_with_one_gain() -> None:
    copy = copy_of_pair(recording(3, 0.001), recording(2, 0.002, seed=2))
    heard, rate = decoded(copy.mp3)
    off, on = copy.stretches
    assert (off.air_on, on.air_on) == (False, True)
    assert (off.end_s, on.start_s, on.end_s) == pytest.approx((3.0, 3.4, 5.4), abs=0.01)
    quiet = np.std(heard[int(0.5 * rate) : int(2.5 * rate)])
    loud = np.std(heard[int(3.9 * rate) : int(5.0 * rate)])
    assert 20 * np.log10(loud / quiet) == pytest.approx(6.0, abs=0.5)


@pytest.mark.parametrize("fill", [0.0, np.nan, np.inf, 1e30])
def test_sound_that_is_none_still_gives_a_copy(fill: float) -> None:
    take = Recording(Path("x"), np.full((48_000, 1), fill, dtype=np.float32), 48_000, "FLOAT")
    assert copy_of_cycled(take, []).gain_db == 0


def test_air_times_beyond_the_take_do_no_harm() -> None:
    copy = copy_of_cycled(recording(2, 0.01), [(50.0, 60.0)])
    assert (copy.cut_from_s, copy.stretches) == (0.0, ())


def test_a_one_sample_take_still_gives_a_copy() -> None:
    take = Recording(Path("x"), np.full((1, 1), 0.1, dtype=np.float32), 48_000, "PCM_16")
    assert copy_of_cycled(take, [(0.0, 1.0)]).mp3


def test_a_copy_is_the_same_every_time() -> None:
    assert copy_of_cycled(recording(3, 0.01), []) == copy_of_cycled(recording(3, 0.01), [])


@pytest.mark.parametrize("pair", [False, True])
def test_the_copy_says_inside_that_it_is_derived_and_from_what(pair: bool) -> None:
    """Read by tinytag, which has its own reader of ID3v2: the comment of the MP3 itself."""
    digests = ["ab" * 32, "cd" * 32][: 1 + pair]
    takes = [recording(3, 0.01), recording(3, 0.02, seed=2)][: 1 + pair]
    copy = (
        copy_of_pair(*takes, originals=digests)
        if pair
        else copy_of_cycled(takes[0], [(1.0, 2.0)], originals=digests)
    )
    tag = TinyTag.get(filename="copy.mp3", file_obj=io.BytesIO(copy.mp3))
    assert tag.title == "Listening copy"
    assert tag.comment.startswith("Derived, not evidence: cut, made louder and compressed")
    assert tag.comment.endswith(f"from SHA-256 {' and '.join(digests)}")
    assert tag.duration == pytest.approx(copy.seconds, abs=0.2)


def test_every_copy_in_the_page_names_the_originals_of_its_take(
    visit_page: str, visit_folder: Path
) -> None:
    entries = read_record(visit_folder).entries
    digests = {e.body["path"]: e.body["sha256"] for e in entries if e.kind == "audio"}
    known = {
        " and ".join(digests[path] for path in e.body["audio"] if path in digests)
        for e in entries
        if e.kind == "take"
    }
    copies = re.findall(r'src="data:audio/mpeg;base64,([^"]+)"', visit_page)
    assert copies
    for copy in copies:
        tag = TinyTag.get(filename="x.mp3", file_obj=io.BytesIO(base64.b64decode(copy)))
        assert tag.comment.split("from SHA-256 ")[1] in known
