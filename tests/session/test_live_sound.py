"""Takes while they are made, from a microphone made of numbers: exact, marked, stopped early."""

from __future__ import annotations

import queue
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf

from earwitness.audio.bext import Bext
from earwitness.audio.microphone import Block
from earwitness.errors import EquipmentError, StorageError
from earwitness.session.equipment import sound, taking
from earwitness.session.equipment.headset import from_16_bits, to_16_bits
from earwitness.session.equipment.probe import Probe
from earwitness.session.equipment.shared import Shared, Tap
from earwitness.session.equipment.sound import (
    Back,
    Begun,
    Damaged,
    DueNow,
    Failed,
    Gone,
)
from earwitness.session.equipment.taking import Recorded, TakeOrder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

FS = 48_000
BLOCK = 4800


class Numbers:
    """A source that delivers what it is given as fast as it is asked, then nothing."""

    channels = 2

    def __init__(self, samples: np.ndarray, *, overflow_at: int = -1, fails: bool = False) -> None:
        self.sample_rate_hz = FS
        self._blocks = [
            Block(samples[i : i + BLOCK], i, 0.0, overflow=i == overflow_at)
            for i in range(0, len(samples), BLOCK)
        ]
        self._fails = fails
        self.begun_s = time.monotonic()

    def start(self) -> None:
        self.begun_s = time.monotonic()

    def next_block(self, timeout_s: float) -> Block | None:
        if self._blocks:
            block = self._blocks.pop(0)
            at_s = self.begun_s + block.first_frame / FS
            return Block(block.samples, block.first_frame, at_s, block.overflow)
        if self._fails:
            raise EquipmentError("It was pulled out")
        time.sleep(min(timeout_s, 0.01))
        return None

    def close(self) -> None:
        self._blocks.clear()


class Run:
    """A probe, and what it posts."""

    def __init__(
        self, source: Callable[[], Numbers], folder: Path, rhythm: tuple[float, ...] = (60.0, 90.0)
    ) -> None:
        self.posted: queue.Queue[object] = queue.Queue()
        self.files = (folder / "probe.wav", folder / "ambient.wav")
        self.probe = Probe(source, self.posted.put, channels=(0, 1))
        self.probe.begin(TakeOrder(self.files, Bext(), rhythm))
        self.probe.start()

    def wait_for(self, kind: type) -> object:
        while True:
            event = self.posted.get(timeout=10)
            if isinstance(event, kind):
                return event

    def recorded(self) -> Recorded:
        self.probe.end()
        found = self.wait_for(Recorded)
        assert isinstance(found, Recorded)
        return found


def stereo(seconds: float = 1.0, level: float = 0.01) -> np.ndarray:
    rng = np.random.default_rng(3)
    return (level * rng.standard_normal((round(seconds * FS), 2))).astype("f4")


def test_probe_and_ambient_are_on_disk_to_the_last_bit(tmp_path: Path) -> None:
    samples = stereo()
    run = Run(lambda: Numbers(samples), tmp_path)
    run.wait_for(Begun)
    time.sleep(0.3)
    recorded = run.recorded()
    run.probe.stop()
    assert recorded.seconds == 1.0
    for channel, file in enumerate(run.files):
        kept, fs = sf.read(file, dtype="float32")
        assert fs == FS
        assert np.array_equal(kept, samples[:, channel])


def test_lost_sound_is_marked_where_it_was_lost_and_the_take_goes_on(tmp_path: Path) -> None:
    run = Run(lambda: Numbers(stereo(), overflow_at=5 * BLOCK), tmp_path)
    run.wait_for(Begun)
    time.sleep(0.3)
    recorded = run.recorded()
    run.probe.stop()
    assert recorded.lost_s == (0.5,)
    assert recorded.why == ""
    assert recorded.seconds == 1.0


def test_the_valve_is_due_by_the_clock_and_turned_where_it_was_heard(tmp_path: Path) -> None:
    """Two turns 0.1 s apart, said to have sounded at known moments of the stream."""
    source = Numbers(stereo(2.0))
    run = Run(lambda: source, tmp_path, (0.0, 0.0, 1.5))
    for at_s in (0.25, 0.75):
        run.wait_for(DueNow)
        run.probe.turned(source.begun_s + at_s)
    run.wait_for(DueNow)
    time.sleep(0.3)
    recorded = run.recorded()
    run.probe.stop()
    assert recorded.air_on_s == ((pytest.approx(0.25, abs=1e-3), pytest.approx(0.75, abs=1e-3)),)


@pytest.mark.parametrize(
    ("samples", "flag"),
    [
        (np.clip(stereo(3.0, 0.5), -0.8, 0.8), "clipped"),
        (np.zeros((3 * FS, 2), "f4"), "silent"),
        (np.tile(stereo(0.01), (300, 1)), "repeated-blocks"),
    ],
)
def test_a_take_that_cannot_serve_is_told_while_it_is_made(
    tmp_path: Path, samples: np.ndarray, flag: str
) -> None:
    run = Run(lambda: Numbers(samples), tmp_path)
    assert run.wait_for(Damaged) == Damaged(flag)
    run.recorded()
    run.probe.stop()


def test_good_sound_is_never_called_damaged(tmp_path: Path) -> None:
    run = Run(lambda: Numbers(stereo(5.0)), tmp_path)
    run.wait_for(Begun)
    time.sleep(0.5)
    run.recorded()
    run.probe.stop()
    assert not [e for e in list(run.posted.queue) if isinstance(e, Damaged)]


def test_a_lost_device_closes_the_take_and_is_opened_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sound, "AGAIN_S", 0.05)
    sources = [Numbers(stereo(), fails=True), Numbers(stereo())]
    run = Run(lambda: sources.pop(0), tmp_path)
    recorded = run.wait_for(Recorded)
    assert isinstance(recorded, Recorded)
    assert recorded.why
    assert recorded.seconds == 1.0
    assert isinstance(run.wait_for(Gone), Gone)
    assert run.wait_for(Back) == Back("probe")
    run.probe.stop()


def test_a_full_disk_ends_the_inspection_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise StorageError("The disk is full")

    monkeypatch.setattr(taking.BroadcastWavWriter, "append", refuse)
    run = Run(lambda: Numbers(stereo()), tmp_path)
    failed = run.wait_for(Failed)
    assert isinstance(failed, Failed)
    assert "disk is full" in str(failed.error)
    run.probe.stop()


def test_two_taps_get_the_same_blocks_and_both_hear_of_its_loss() -> None:
    shared = Shared(lambda: Numbers(stereo(), fails=True))
    taps = [shared.tap(), shared.tap()]
    for tap in taps:
        tap.start()
    assert [frames_until_lost(tap) for tap in taps] == [FS, FS]


def frames_until_lost(tap: Tap) -> int:
    frames = 0
    try:
        while True:
            block = tap.next_block(1.0)
            frames += len(block.samples) if block else 0
    except EquipmentError:
        return frames


def test_16_bits_come_back_as_a_file_gives_them(tmp_path: Path) -> None:
    x = np.array([-2.0, -1.0, -0.3, 0.0, 1e-5, 0.7, 1.0, 2.0], "f4")
    sf.write(tmp_path / "x.wav", to_16_bits(x), FS, subtype="PCM_16")
    read, _ = sf.read(tmp_path / "x.wav", dtype="float32")
    assert np.array_equal(from_16_bits(to_16_bits(x)), read)
