"""Microphones through a sound server: exact, whole, and plain about what fails."""

from __future__ import annotations

import ctypes
import json
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
from typer.testing import CliRunner

from earwitness.audio.loudspeaker import Loudspeaker
from earwitness.audio.microphone import Microphone
from earwitness.cli.main import app
from earwitness.errors import EquipmentError
from earwitness.session.equipment.ears import Input
from earwitness.session.equipment.probe import Probe
from earwitness.session.equipment.shared import Shared
from earwitness.session.equipment.sound import Back, Begun, Gone
from earwitness.session.equipment.taking import Recorded, TakeOrder
from earwitness.session.runner import audio_system, open_microphone
from sound_server import FALTERS_NOT_MS, FS, SINKS

if TYPE_CHECKING:
    from pathlib import Path

    from sound_server import SoundServer

pytestmark = [pytest.mark.slow, pytest.mark.timeout(90)]


def record(microphone: Microphone, seconds: float) -> tuple[np.ndarray, list[float]]:
    """Record so much; return the samples and the age of each block's first sample."""
    blocks, frames = [], 0
    with microphone:
        while frames < seconds * microphone.sample_rate_hz:
            block = microphone.next_block(3.0)
            assert block is not None
            assert block.first_frame == frames
            assert not block.overflow
            frames += len(block.samples)
            blocks.append(block)
    assert microphone.lost == 0
    starts = [b.captured_s - b.first_frame / microphone.sample_rate_hz for b in blocks]
    return np.concatenate([b.samples for b in blocks]), starts


def test_a_tone_comes_in_exactly_and_nothing_is_lost(server: SoundServer) -> None:
    """A sine of amplitude 0.1 has -23.01 dB re full scale; 0.1 dB either way."""
    t = np.arange(20 * FS) / FS
    tone = 0.1 * np.sin(2 * np.pi * 1000 * t)
    player = server.play(np.stack([tone, 0.5 * tone], axis=1), "shop", latency_ms=FALTERS_NOT_MS)
    x, _ = record(Microphone("probe", sample_rate_hz=FS, channels=2), 6.0)
    player.terminate()
    x = x[3 * FS :]
    levels = 10 * np.log10(np.mean(x.astype(float) ** 2, axis=0))
    assert levels == pytest.approx([-23.01, -29.03], abs=0.1)
    smooth = x[:-2] + x[2:] - 2 * np.cos(2 * np.pi * 1000 / FS) * x[1:-1]
    assert np.abs(smooth).max() < 1e-4, "a sine obeys its recurrence; a lost block breaks it"


def test_a_cue_is_placed_in_the_recording_where_it_sounds(server: SoundServer) -> None:
    """Within 0.1 s: the detector leaves out 0.6 s after each turn.

    A busy machine makes single cues late; one that came in time shows how they are placed.
    """
    speaker = Loudspeaker("shop")
    noise = 0.1 * np.random.default_rng(2).standard_normal(4800).astype(np.float32)
    with Microphone("probe", sample_rate_hz=FS) as microphone:
        blocks, begun, expected = [], time.monotonic(), []
        while time.monotonic() < begun + 11:
            block = microphone.next_block(3.0)
            assert block is not None
            blocks.append(block)
            if len(expected) < 6 and time.monotonic() > begun + 4 + len(expected):
                expected.append(block.frame_at(speaker.play(noise), FS))
    speaker.close()
    x = np.abs(np.concatenate([b.samples[:, 0] for b in blocks])) > 0.02
    late = [np.flatnonzero(x[frame - FS // 2 :])[0] / FS - 0.5 for frame in expected]
    assert np.abs(late).min() < 0.1


@pytest.mark.parametrize("device", ["no such microphone", 999])
def test_what_is_not_there_is_refused_in_words(server: SoundServer, device: int | str) -> None:
    with pytest.raises(EquipmentError, match="cannot record"):
        Microphone(device, sample_rate_hz=FS)


def test_a_refused_sample_rate_is_said_and_the_own_one_taken(server: SoundServer) -> None:
    with pytest.raises(EquipmentError, match="at 1 Hz"):
        Microphone("probe", sample_rate_hz=1)
    source = open_microphone(Input("probe", 0, 1), 1)
    source.close()
    own = next(d for d in audio_system().inputs if d.name == "probe").default_rate_hz
    assert source.sample_rate_hz == own


def test_a_machine_that_stalls_loses_sound_and_the_stream_says_so(server: SoundServer) -> None:
    """The interpreter stands still for 0.45 s, nine times what the stream may hold.

    What is lost is marked at its block; on a machine that stalled even longer than it was made to,
    the device is taken for gone.
    """
    noise = 1e-2 * np.random.default_rng(6).standard_normal(30 * FS)
    player = server.play(noise, "shop", latency_ms=FALTERS_NOT_MS)
    frames, told = 0, ""
    with Microphone("probe", sample_rate_hz=FS, latency_s=0.05) as microphone:
        while frames <= 3 * FS:
            block = microphone.next_block(3.0)
            frames = block.first_frame if block else frames
        ctypes.PyDLL(None).usleep(450_000)  # holds the lock that the callback needs
        until_s = time.monotonic() + 10
        while not told and time.monotonic() < until_s:
            told = what_was_lost(microphone)
        lost = microphone.lost
    player.terminate()
    assert told
    assert lost >= 1


def what_was_lost(microphone: Microphone) -> str:
    """Take the next block; return what the stream says of lost sound before it."""
    try:
        block = microphone.next_block(3.0)
    except EquipmentError as e:
        return e.fault if "was gone for" in e.fault else ""
    return "marked" if block is not None and block.overflow else ""


def test_two_listeners_share_one_device(server: SoundServer) -> None:
    shared = Shared(lambda: open_microphone(Input("probe"), 2))
    taps = [shared.tap(), shared.tap()]
    for tap in taps:
        tap.start()
    first, second = ([tap.next_block(3.0) for _ in range(5)] for tap in taps)
    assert [b.first_frame for b in first] == [b.first_frame for b in second]
    for tap in taps:
        tap.close()


def test_a_microphone_pulled_out_in_a_take_costs_neither_its_sound_nor_the_inspection(
    server: SoundServer, tmp_path: Path
) -> None:
    from earwitness.audio.bext import Bext

    posted: list[object] = []
    player = server.play(1e-2 * np.random.default_rng(3).standard_normal(20 * FS), "shop")
    probe = Probe(lambda: open_microphone(Input("probe"), 1), posted.append, channels=(0,))
    probe.start()
    probe.begin(TakeOrder((tmp_path / "take.wav",), Bext(), (60.0, 120.0)))
    wait_for(lambda: any(isinstance(p, Begun) for p in posted))
    time.sleep(1.0)
    for sink in SINKS:  # with another microphone left, the server would hand that over
        server.unplug(sink)
    wait_for(lambda: any(isinstance(p, Gone) for p in posted))
    (recorded,) = (p for p in posted if isinstance(p, Recorded))
    assert recorded.seconds > 0.5
    assert recorded.why
    assert (tmp_path / "take.wav").stat().st_size > 0.5 * FS * 4
    for sink in SINKS:
        server.plug_in(sink)
    wait_for(lambda: any(isinstance(p, Back) for p in posted))
    probe.stop()
    player.terminate()


def wait_for(what, seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until
        time.sleep(0.05)


def test_a_bay_that_is_ready_is_called_so(
    server: SoundServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command itself, over the sound server, with the tests' own settings."""
    monkeypatch.setenv("EARWITNESS_SPEAKER", "loudspeaker")
    noise = 2e-3 * np.random.default_rng(4).standard_normal(30 * FS)
    player = server.play(noise, "shop", latency_ms=FALTERS_NOT_MS)
    done = CliRunner().invoke(app, ["check", "--probe", "probe", "--seconds", "16", "--json"])
    player.terminate()
    told = json.loads(done.stdout)
    items = {item["name"]: item for item in told["items"]}
    assert set(items) == {
        "microphone", "bandwidth", "gain", "gain control", "recording", "noise", "loudspeaker",
        "speech", "disk", "clock",
    }  # fmt: skip
    not_ready = {name for name, item in items.items() if not item["ready"]}
    assert not_ready <= {"speech", "disk"}, "the model and the disk are those of this machine"
    assert done.exit_code == int(bool(not_ready))


def test_a_bay_without_its_microphone_is_not_ready(server: SoundServer) -> None:
    done = CliRunner().invoke(app, ["check", "--probe", "no such microphone", "--json"])
    assert done.exit_code == 1
    first = json.loads(done.stdout)["items"][0]
    assert (first["name"], first["ready"]) == ("microphone", False)
    assert "earwitness devices" in first["remedy"]
    assert "Listening" not in done.stderr
