"""`earwitness inspect` as a process: typed through, stopped by Ctrl-C, killed, and gone on with."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from sound_server import FS

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.model import Inspection
    from sound_server import SoundServer

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

QUIET = ["--typed", "--mute", "--no-page", "--probe", "probe"]


class Process:
    """One run of the command; what it tells is collected line by line."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        environment = {
            **os.environ,
            "EARWITNESS_SHOP": "Quayside Engine Works",
            "EARWITNESS_TECHNICIAN": "R. Amadi",
        }
        self.run = subprocess.Popen(
            [sys.executable, "-m", "earwitness", "inspect", *arguments, *QUIET],
            cwd=folder, env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
        self.told: list[str] = []
        self._reader = threading.Thread(target=self._collect)
        self._reader.start()

    def end(self, code: int | None = None) -> None:
        """Wait for the end, and close what is open."""
        assert self.run.wait(60) == code or code is None
        self._reader.join()
        for pipe in (self.run.stdin, self.run.stderr):
            assert pipe is not None
            pipe.close()

    def _collect(self) -> None:
        assert self.run.stderr is not None
        self.told += [""]
        for line in self.run.stderr:
            self.told.append(line)

    def type_when(self, told: str, line: str) -> None:
        """Type a line once something was told; everything before that is forgotten."""
        self.wait_for(told)
        assert self.run.stdin is not None
        self.run.stdin.write(f"{line}\n")
        self.run.stdin.flush()

    def wait_for(self, told: str) -> None:
        until = time.monotonic() + 40
        while not any(told in line for line in self.told):
            assert time.monotonic() < until, "".join(self.told)
            time.sleep(0.05)
        self.told.clear()


@pytest.fixture
def shop(server: SoundServer):
    player = server.play(2e-3 * np.random.default_rng(9).standard_normal(60 * FS), "shop")
    yield
    player.terminate()


def read(folder: Path) -> Inspection:
    return inspection(read_record(folder))


def go_to_the_take(record: Path) -> Process:
    """Type a reading, confirm it, and go as far as the first turn of the valve."""
    process = Process(record.parent, "--cylinders", "1", "--out", str(record))
    process.type_when("Read the cautions", "")
    process.type_when("Read the gauge", "leakage 9 %")
    process.type_when("correct?", "y")
    process.type_when("stored", "")
    process.type_when("Probe to the oil filler", "s")
    process.wait_for("Air on")
    return process


def test_ctrl_c_in_a_take_saves_everything_and_says_how_to_go_on(
    shop: None, tmp_path: Path
) -> None:
    process = go_to_the_take(tmp_path / "record")
    process.run.send_signal(signal.SIGINT)
    process.wait_for("Go on with: earwitness inspect --resume")
    process.end(0)
    told = read(tmp_path / "record")
    assert [(r.quantity, r.value, r.origin) for r in told.readings] == [("leakage", "9", "typed")]
    assert told.identity.values == {"shop": "Quayside Engine Works", "technician": "R. Amadi"}
    assert any("cautions were read" in n.text for n in told.notes)
    assert any("broken off" in n.text for n in told.notes)
    (kept,) = told.audio
    assert kept.frames > FS


def test_a_kill_in_a_take_loses_nothing_and_another_day_goes_on(shop: None, tmp_path: Path) -> None:
    record = tmp_path / "record"
    killed = go_to_the_take(record)
    time.sleep(1.0)
    killed.run.kill()
    killed.end()
    live = next((record / "audio").glob("*.live.wav"))
    written = live.stat().st_size
    another = Process(tmp_path, "--resume", str(record))
    another.type_when("Read the cautions", "")
    another.type_when("Probe to the oil filler", "q")
    another.end(0)
    told = read(record)
    assert told.closed
    assert told.verdict is not None
    assert [r.value for r in told.readings] == ["9"]
    (rescued,) = told.audio
    assert rescued.frames >= (written - 4096) // 4
    assert any("cut off while it was recorded" in n.text for n in told.notes)


def test_the_engine_is_named_before_anything_is_begun(shop: None, tmp_path: Path) -> None:
    """Without a sheet and without a count; whoever ends it there leaves nothing behind."""
    given_up = Process(tmp_path, "--out", str(tmp_path / "none"))
    given_up.type_when("how many cylinders", "q")
    given_up.wait_for("nothing was begun")
    given_up.end(0)
    assert not (tmp_path / "none").exists()
    record = tmp_path / "record"
    process = Process(tmp_path, "--out", str(record))
    process.type_when("how many cylinders", "2")
    process.type_when("firing order 1 2", "y")
    process.wait_for("Read the cautions")
    process.run.send_signal(signal.SIGINT)
    process.wait_for("Go on with: earwitness inspect --resume")
    process.end(0)
    told = read(record)
    assert (told.layout.cylinders, told.layout.cooling) == (2, "liquid")
    assert any("named before the record was begun" in n.text for n in told.notes)


def test_a_probe_that_is_not_there_is_said_before_anything_is_made(
    server: SoundServer, tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "earwitness", "inspect", "--typed", "--mute", "--no-page",
         "--probe", "no such microphone", "--out", "record"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert "no such microphone" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "record").exists()
