"""What goes wrong with a device is said and shown, the take marked, and the inspection goes on."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest

from earwitness.audio.microphone import Block, refusal
from earwitness.errors import EquipmentError
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session.equipment import sound, voice
from earwitness.session.equipment.ears import Devices, Equipment, Input
from earwitness.session.live.inspection import LiveInspection, LivePlan
from earwitness.session.live.keeping import Keeper
from earwitness.session.sheets.sheet import Visit
from earwitness.session.snapshot import Board, PlanStep, Press

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.record.model import Inspection
    from earwitness.session.snapshot import Snapshot

FS = 16_000
BLOCK = FS // 50
VISIT = Visit.model_validate({"engine": {"cylinders": 1, "cooling": "air"}})
PLACES = (PlanStep(1, "tailpipe", "to-do"), PlanStep(1, "oil-filler", "to-do"))


class Shop:
    """A microphone in plain noise, in real time; it can be pulled out, and can lose sound."""

    channels = 1

    def __init__(self, rate_hz: int = FS) -> None:
        self.sample_rate_hz = rate_hz
        self.pulled_out = self.loses = False
        self._rng = np.random.default_rng(2)
        self._frames, self._begun_s = 0, time.monotonic()

    def start(self) -> None:
        if self.pulled_out:
            raise EquipmentError("It is not there")
        self._frames, self._begun_s = 0, time.monotonic()

    def next_block(self, timeout_s: float) -> Block:
        if self.pulled_out:
            raise EquipmentError("It was pulled out")
        at_s = self._begun_s + self._frames / FS
        time.sleep(max(0.0, at_s + BLOCK / FS - time.monotonic()))
        noise = 1e-2 * self._rng.standard_normal((BLOCK, 1))
        lost, self.loses = self.loses, False
        block = Block(noise.astype("f4"), self._frames, at_s, overflow=lost)
        self._frames += BLOCK
        return block

    def close(self) -> None: ...


class Quick:
    """A loudspeaker that is done at once."""

    playing = False

    def play(self, samples: np.ndarray) -> float:
        return time.monotonic()

    def stop(self) -> None: ...
    def close(self) -> None: ...


class Going:
    """An inspection that runs, what it said, and what it shows."""

    def __init__(
        self, folder: Path, said: list[str], opened: Callable[[Input, int], Shop], **equipment
    ) -> None:
        self.board, self.said, self.folder = Board(), said, folder
        self.live = LiveInspection(
            LivePlan(VISIT.engine.layout(), PLACES, None, 5, (0.06, 0.08)),
            Keeper.create(folder, VISIT, clock=lambda: datetime(2026, 3, 2, tzinfo=UTC)),
            self.board,
            rng=np.random.default_rng(1),
            equipment=Equipment(**{"probe": Input("probe", 0, FS), **equipment}),
            devices=Devices(opened, lambda _: Quick()),
            model=object() if "headset" in equipment else None,
        )
        self._thread = threading.Thread(target=self.live.run, daemon=True)
        self._thread.start()
        self.press("understood", lambda s: s.phase == "cautions")

    def until(self, true: Callable[[Snapshot], bool]) -> Snapshot:
        number, end_s = 0, time.monotonic() + 20
        while time.monotonic() < end_s:
            number, now = self.board.wait_newer(number, 1.0)
            if now is not None and true(now):
                return now
        raise AssertionError(self.board.latest()[1])

    def press(self, action: str, when: Callable[[Snapshot], bool]) -> None:
        self.until(when)
        self.live.post(Press(action))

    def heard(self, words: str) -> bool:
        return any(words in s for s in self.said)

    def end(self) -> Inspection:
        self.press("finish", lambda s: "finish" in s.actions)
        self._thread.join(10.0)
        assert not self._thread.is_alive()
        return inspection(read_record(self.folder))


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every sentence that is spoken."""
    sentences: list[str] = []

    def spoken(sentence: str, _: object) -> np.ndarray:
        sentences.append(sentence)
        return np.zeros(48, "f4")

    monkeypatch.setattr(voice, "spoken", spoken)
    monkeypatch.setattr(voice, "installed_voice", lambda: "/bin/true")
    monkeypatch.setattr(sound, "AGAIN_S", 0.1)
    return sentences


def at_the_take(s: Snapshot) -> bool:
    return s.phase == "move" and s.point == "tailpipe"


def test_a_probe_pulled_out_in_a_take_ends_that_take_alone(tmp_path: Path, said: list[str]) -> None:
    shop = Shop()
    going = Going(tmp_path / "record", said, lambda *_: shop)
    going.press("start", at_the_take)
    going.until(lambda s: s.phase == "air-on")
    shop.pulled_out = True
    now = going.until(lambda s: bool(s.warnings))
    assert "stopped sending sound" in now.warnings[0]
    going.until(lambda s: s.phase == "move" and s.plan[0].state == "spoiled")
    going.until(lambda _: going.heard("tailpipe is spoiled: The probe microphone has stopped"))
    going.live.post(Press("start"))
    going.until(lambda _: sum("is spoiled" in s for s in said) == 2)
    shop.pulled_out = False
    going.until(lambda s: not s.warnings and going.heard("probe microphone is back"))
    going.press("start", at_the_take)
    going.until(lambda s: s.phase == "air-on")
    going.press("skip", lambda s: s.phase == "air-on")
    told = going.end()
    notes = [n.text for n in told.notes]
    assert sum("broken off" in n for n in notes) == 2
    assert {"The probe microphone went.", "The probe microphone came back."} <= set(notes)
    assert all(a.frames for a in told.audio)
    assert told.closed


def test_lost_sound_is_said_shown_and_noted_and_the_take_goes_on(
    tmp_path: Path, said: list[str]
) -> None:
    shop = Shop()
    going = Going(tmp_path / "record", said, lambda *_: shop)
    going.press("start", at_the_take)
    going.until(lambda s: s.phase == "air-on")
    shop.loses = True
    now = going.until(lambda s: bool(s.warnings))
    assert now.warnings == ("sound was lost in this take",)
    going.until(lambda _: going.heard("sound was lost"))
    told = going.end()
    (take,) = told.takes
    assert take.finding is not None
    assert any("Sound was lost by the recorder at" in n.text for n in told.notes)


def test_a_refused_rate_is_said_and_shown(tmp_path: Path, said: list[str]) -> None:
    going = Going(tmp_path / "record", said, lambda *_: Shop(44_100), probe=Input("probe", 0, FS))
    now = going.until(lambda s: bool(s.warnings))
    assert now.warnings == ("The probe refused 16000 samples a second and records at 44100.",)
    going.until(lambda _: going.heard("refused 16000"))
    assert going.end().closed


def test_a_headset_that_another_program_has_is_said_and_the_rest_goes_on(
    tmp_path: Path, said: list[str]
) -> None:
    """The words for it are PortAudio's own: `paDeviceUnavailable`, -9985."""
    import sounddevice as sd

    reason = sd._ffi.string(sd._lib.Pa_GetErrorText(-9985)).decode()

    def opened(wanted: Input, channels: int) -> Shop:
        if wanted.device == "headset":
            raise refusal("headset", FS, channels, sd.PortAudioError(reason, -9985))
        return Shop()

    going = Going(tmp_path / "record", said, opened, headset=Input("headset", 0, FS))
    now = going.until(lambda s: bool(s.warnings))
    assert "Close the other program that uses it" in now.warnings[0]
    assert "Until then readings are typed or pressed" in now.warnings[0]
    going.until(lambda _: going.heard("Close the other program"))
    assert going.end().closed
