"""A take fed in blocks of whatever size gives what the whole recording gives, bit for bit."""

import tracemalloc

import numpy as np
import pytest

from earwitness.acoustics.bubbles.events import BubbleStream
from earwitness.acoustics.hiss import score_blocks, score_cycled
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.stream import TakeStream

FS = 24_000


def reduced(x, fs, turns, size, *, told_late=False):
    stream = TakeStream(fs, DEFAULTS, () if told_late else turns)
    for start in range(0, len(x), size):
        stream.feed(x[start : start + size])
        while told_late and turns and turns[0] <= stream.seconds:
            stream.turn(turns.pop(0))
    return stream.finish()


def same(a, b):
    assert a.flags == b.flags
    assert a.seconds == b.seconds
    assert a.stretches == b.stretches
    for one, other in zip(a.floors, b.floors, strict=True):
        np.testing.assert_array_equal(one.log_power, other.log_power)
        np.testing.assert_array_equal(one.frames, other.frames)
        assert one.kept == other.kept


@pytest.mark.parametrize("size", [1009, 4096, 65_536])
@pytest.mark.parametrize("told_late", [False, True])
def test_block_size_changes_no_bit(floor_noise, size, told_late):
    """Nor does it whether the turns of the valve are known before the take or told as they come."""
    x = floor_noise(1, FS, 16.3).astype(np.float32)
    turns = [2.0, 4.5, 7.7, 10.0, 13.1]
    whole = reduced(x, FS, list(turns), len(x))
    assert [s.on for s in whole.stretches] == [False, True, False, True, False, True]
    same(reduced(x, FS, list(turns), size, told_late=told_late), whole)


def test_single_samples_change_no_bit(floor_noise):
    """The smallest block there is, on a rate low enough to be quick."""
    x = floor_noise(2, 22_050, 2.5).astype(np.float32)
    same(reduced(x, 22_050, [1.2], 1), reduced(x, 22_050, [1.2], len(x)))


@pytest.mark.parametrize("defect", ["clipped", "zero-runs", "repeated-blocks", "band-limited"])
@pytest.mark.parametrize("at", [131_072 // 2, 131_072 // 2 - 300, 50_000])
def test_a_defect_is_found_wherever_a_segment_ends(floor_noise, defect, at):
    """Segments of 24 kHz sound end after 256 frames of 256 samples: 65 536 samples."""
    x = floor_noise(3, FS, 7).astype(np.float32)
    if defect == "clipped":
        x[at : at + 8] = 0.9
    elif defect == "zero-runs":
        x[at : at + 600] = 0
    elif defect == "repeated-blocks":
        x[at : at + 512] = x[at - 512 : at]
    else:
        spectrum = np.fft.rfft(x)
        spectrum[int(8_000 / 12_000 * len(spectrum)) :] = 0
        x = np.fft.irfft(spectrum, len(x)).astype(np.float32)
    for size in (777, len(x)):
        assert reduced(x, FS, [], size).flags == {defect}


@pytest.mark.parametrize("fs", [16_000, 22_050, 44_100, 96_000, 192_000])
def test_every_sample_rate_streams(floor_noise, fs):
    x = floor_noise(4, fs, 3).astype(np.float32)
    a, b = (reduced(x, fs, [1.4], size) for size in (len(x), 10_007))
    same(a, b)
    assert a.flags == ({"band-limited"} if fs < 22_050 else set())


def test_no_sample_is_invented(floor_noise):
    """Nothing is added at the end: a take of n samples has the frames that fit into it, no more."""
    for extra in (0, 1, 255, 256):
        x = floor_noise(5, FS, 2)[: 40_000 + extra].astype(np.float32)
        stream = TakeStream(FS, DEFAULTS)
        for start in range(0, len(x), 999):
            stream.feed(x[start : start + 999])
        assert stream.finish().seconds == len(x) / FS


def test_a_turn_before_the_last_is_a_mistake():
    stream = TakeStream(FS, DEFAULTS, [3.0])
    with pytest.raises(ValueError, match=r"at_s=2\.0"):
        stream.turn(2.0)


@pytest.mark.slow
def test_a_long_take_is_held_in_little_memory():
    """Ten minutes at 96 kHz are 230 MB in single precision; the bands of a period are 1 MB."""
    fs, rng = 96_000, np.random.default_rng(6)
    block = (rng.standard_normal(fs) * 0.05).astype(np.float32)
    stream = TakeStream(fs, DEFAULTS, [10.0 * k for k in range(1, 60)])
    tracemalloc.start()
    peaks = []
    for minute in range(10):
        tracemalloc.reset_peak()
        for second in range(60):
            stream.feed(np.roll(block, 7 * (60 * minute + second)))
        peaks.append(tracemalloc.get_traced_memory()[1])
    tracemalloc.stop()
    assert peaks[0] < 40e6
    assert peaks[-1] - peaks[0] < 2e6
    assert len(stream.finish().stretches) == 60


@pytest.mark.slow
@pytest.mark.parametrize("size", [1009, 65_536])
def test_a_take_scored_in_blocks_gives_the_same_finding(floor_noise, size):
    """With bubbles and a second microphone; a block may hold both channels of a recorder."""
    rng = np.random.default_rng(8)
    edges = np.cumsum([3.0, *rng.uniform(2, 3, 11)])
    air = list(zip(edges[:-1:2], edges[1::2], strict=True))
    x = np.stack([floor_noise(s, FS, edges[-1] + 3) for s in (1, 2)], axis=1).astype(np.float32)
    for at in rng.integers(FS, len(x) - FS, 40):
        t = np.arange(2000) / FS
        x[at : at + 2000, 0] += 3 * np.exp(-t / 0.008) * np.sin(2 * np.pi * 1300 * t) * x.std()
    parts = [x[start : start + size] for start in range(0, len(x), size)]
    whole = score_cycled(x, FS, air, point="radiator", reference=x[:, 1])
    split = score_blocks(
        iter(parts), FS, air, point="radiator", reference=(part[:, 1] for part in parts)
    )
    assert whole.bubbles is not None
    assert whole.bubbles.on + whole.bubbles.off > 10
    assert split == whole


@pytest.mark.slow
def test_bubbles_of_a_long_take_are_held_in_little_memory():
    """Three minutes at 48 kHz are 35 MB; of them 20 s and what was heard in each are held."""
    fs, rng = 48_000, np.random.default_rng(7)
    block = rng.standard_normal(fs).astype(np.float32)
    stream = BubbleStream(fs)
    tracemalloc.start()
    peaks = []
    for minute in range(3):
        tracemalloc.reset_peak()
        for second in range(60):
            stream.feed(np.roll(block, 7 * (60 * minute + second)))
        peaks.append(tracemalloc.get_traced_memory()[1])
    tracemalloc.stop()
    assert peaks[0] < 60e6
    assert peaks[-1] - peaks[0] < 2e6
