"""Assisted listening through real streams of a sound server, and through files."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile as sf
from scipy import signal
from typer.testing import CliRunner

from earwitness.acoustics.assist.chain import CEILING_DB, Chain, Choice
from earwitness.cli.main import app
from earwitness.session.monitor import Monitor, listen_to_file, monitor
from sound_server import FS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sound_server import SoundServer

AIR_ON_S = [(5.0, 8.0)]


def take(seconds: float = 9.0) -> np.ndarray:
    """Shop noise, and from 5 to 8 s as much hiss again."""
    rng = np.random.default_rng(21)
    noise = rng.standard_normal(round(seconds * FS)) * 0.01
    t = np.arange(len(noise)) / FS
    return (noise * np.where((t >= 5) & (t < 8), 2.0, 1.0)).astype(np.float32)


@pytest.fixture
def server(server: SoundServer) -> Iterator[SoundServer]:
    """A server in which nothing sounds yet."""
    yield server
    server.hush()


@pytest.mark.slow
def test_from_the_probe_to_the_headphones(server: SoundServer) -> None:
    """What the sink `room` plays is what the chain makes of what the sink `shop` plays."""
    server.play(np.sin(2 * np.pi * 10_000 * np.arange(90 * FS) / FS) * 0.1, "shop")
    listening, duplex = monitor(
        Choice("shift", ticks=True), microphone="probe", headphones="loudspeaker", sample_rate_hz=FS
    )
    listening.orders.put("mute")
    with duplex:
        runner = threading.Thread(target=listening.run, args=(lambda _: None,), daemon=True)
        runner.start()
        wait_until(lambda: duplex.delay_frames > 0)
        heard = record(server, "room.monitor", 2.0).astype(np.float64)
        listening.orders.put("stop")
        runner.join(timeout=60)
    hz, power = signal.welch(heard, FS, nperseg=4096)
    assert hz[np.argmax(power)] == pytest.approx(3000, abs=FS / 4096)
    assert 0.01 < np.abs(heard).max() <= 10 ** (CEILING_DB / 20)


@pytest.mark.slow
def test_nothing_unasked_is_heard(server: SoundServer) -> None:
    """Opening and closing the streams over and over: the headphones get silence, never a buffer's
    old contents, which may be as loud as the device can be."""
    heard: list[np.ndarray] = []
    recorder = threading.Thread(target=lambda: heard.append(record(server, "room.monitor", 6.0)))
    recorder.start()
    while recorder.is_alive():
        listening, duplex = monitor(
            Choice(), microphone="probe", headphones="loudspeaker", sample_rate_hz=FS
        )
        with duplex:
            runner = threading.Thread(target=listening.run, args=(lambda _: None,), daemon=True)
            runner.start()
            time.sleep(0.5)
            listening.orders.put("stop")
            runner.join(timeout=60)
    assert not heard[0].any()


@pytest.mark.slow
def test_the_command_listens_until_it_is_ended(server: SoundServer) -> None:
    """Sound on, air on, end: single keys from standard input; one JSON line a second."""
    server.play(np.random.default_rng(3).standard_normal(60 * FS) * 0.01, "shop")
    words = ["monitor", "--microphone", "probe", "--headphones", "loudspeaker", "--json"]
    running = subprocess.Popen(
        [sys.executable, "-m", "earwitness", *words],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert running.stdin is not None
    assert running.stdout is not None
    first = json.loads(running.stdout.readline())
    running.stdin.write(" a")
    running.stdin.flush()
    later = [json.loads(running.stdout.readline()) for _ in range(5)]
    _, talk = running.communicate("q", timeout=30)
    assert running.returncode == 0
    assert (first["muted"], first["air_on"]) == (True, False)
    assert (later[-1]["muted"], later[-1]["air_on"]) == (False, True)
    level_db = np.median([line["level_db"] for line in later])
    assert level_db == pytest.approx(-40 + 10 * np.log10(7 / 24), abs=1.0)
    assert "crank" in talk
    assert "not calibrated" in talk


def wait_until(it_is_so: Callable[[], bool], within_s: float = 60.0) -> None:
    end_s = time.monotonic() + within_s
    while not it_is_so():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def record(server: SoundServer, source: str, seconds: float) -> np.ndarray:
    """Record from a source of the server, with its own program."""
    recorder = subprocess.Popen(
        ["parec", f"--device={source}", "--format=float32le", f"--rate={FS}", "--channels=1",
         "--latency-msec=40"],
        stdout=subprocess.PIPE,
        env=server._env(),
    )  # fmt: skip
    assert recorder.stdout is not None
    sound = recorder.stdout.read(round(seconds * FS) * 4)
    recorder.terminate()
    recorder.stdout.close()
    recorder.wait()
    return np.frombuffer(sound, dtype="<f4")


class Bench:
    """A stream that delivers a recording at once and keeps what is played."""

    def __init__(self, samples: np.ndarray) -> None:
        self._blocks = list(samples[: len(samples) // 128 * 128].reshape(-1, 128))
        self.played: list[np.ndarray] = []
        self.listening: Monitor | None = None

    def next_block(self) -> np.ndarray:
        if len(self._blocks) == 1 and self.listening is not None:
            self.listening.orders.put("stop")
        return self._blocks.pop(0)

    def play(self, samples: np.ndarray) -> None:
        self.played.append(samples)


def bench(samples: np.ndarray) -> tuple[Monitor, Any]:
    stream = Bench(samples)
    listening = Monitor(Chain(FS, Choice()), stream)  # type: ignore[arg-type]
    stream.listening = listening
    return listening, stream


def test_it_starts_muted() -> None:
    listening, stream = bench(take(1.0))
    listening.run(lambda _: None)
    assert listening.muted
    assert not np.concatenate(stream.played).any()


def test_what_is_asked_is_done() -> None:
    listening, stream = bench(take(0.5))
    for order in ("mute", "air", "moved"):
        listening.orders.put(order)  # type: ignore[arg-type]
    listening.run(lambda _: None)
    assert not listening.muted
    assert not listening.air_on  # a moved probe learns anew, with the air off
    assert np.concatenate(stream.played).any()


def test_the_meter_is_told_ten_times_a_second() -> None:
    listening, _ = bench(take(1.0))
    clock = iter(np.arange(0.0, 1e6, 0.03))
    told: list[object] = []
    listening.run(told.append, clock=lambda: float(next(clock)))
    assert len(told) == pytest.approx(FS / 128 / 4, abs=30)


@pytest.mark.slow
def test_a_recording_is_listened_to(tmp_path: Path) -> None:
    sf.write(tmp_path / "take.wav", take(), FS, subtype="PCM_24")
    choice = Choice(subtract=True, gain_db=10.0)
    done = listen_to_file(tmp_path / "take.wav", tmp_path / "heard.wav", choice, AIR_ON_S)
    heard, fs = sf.read(tmp_path / "heard.wav")
    off, on = heard[3 * fs : 5 * fs], heard[round(5.5 * fs) : 8 * fs]
    step_db = 10 * np.log10(np.mean(on**2) / np.mean(off**2))
    assert (len(heard), fs) == (9 * FS, FS)
    assert step_db > 6.02 + 3  # the hiss alone raises the sum by 20 lg 2
    assert done.meter.baseline_db is not None


@pytest.mark.slow
def test_the_command_listens_to_a_recording(tmp_path: Path) -> None:
    sf.write(tmp_path / "take.wav", take(2.0), FS, subtype="PCM_16")
    words = ["monitor", "--file", tmp_path / "take.wav", "--out", tmp_path / "heard.wav", "--json"]
    done = CliRunner().invoke(app, [str(w) for w in [*words, "--point", "plug-hole-2"]])
    told = json.loads(done.stdout)
    assert (done.exit_code, told["schema"], told["mode"]) == (0, "earwitness.monitor/1", "shift")
    assert (tmp_path / "heard.wav").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--file", "take.wav"], "belong together"),
        (["--point", "elbow"], "no listening point"),
        (["--gain-db", "40"], "gain_db"),
        (["--file", "none.wav", "--out", "x.wav"], "none.wav"),
        (["--file", "low.wav", "--out", "x.wav", "--point", "throttle-body"], "44.1 kHz"),
    ],
)
def test_wrong_use_is_one_sentence(tmp_path, monkeypatch, words, sentence) -> None:
    monkeypatch.chdir(tmp_path)
    sf.write("low.wav", np.zeros(16_000), 16_000)
    done = CliRunner().invoke(app, ["monitor", *words])
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert "Traceback" not in done.output
