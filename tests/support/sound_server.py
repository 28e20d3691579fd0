"""A sound server of the tests' own: a shop as one sink, a room with a headset as another.

The tool's loudspeaker plays into that room, so that the headset hears every word of it.

Needs pulseaudio, pulseaudio-utils and libasound2-plugins (tests/install_system_parts.sh).
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from pathlib import Path
from tempfile import mkstemp
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

ALSA = """
pcm.probe { type pulse device "shop.monitor" hint.description "probe" }
pcm.headset { type pulse device "room.monitor" hint.description "headset" }
pcm.shop { type pulse device "shop" hint.description "what sounds in the shop" }
pcm.loudspeaker { type pulse device "room" hint.description "loudspeaker" }
pcm.desk { type pulse device "desk.monitor" hint.description "desk" }
pcm.valve { type pulse device "valve" hint.description "valve" }
pcm.mouth { type pulse device "mouth" hint.description "mouth" }
pcm.!default { type pulse }
ctl.!default { type pulse }
"""
SINKS = ("shop", "room")
FS = 48_000
DESK = ("front-left", "front-right", "rear-left", "rear-right")
"""Channels of the one device: probe, nothing, ambient microphone, headset."""
FALTERS_NOT_MS = 2000
"""Sound that a player may hold so that a busy machine does not make it falter [ms]."""


class SoundServer:
    """A running PulseAudio daemon with a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._players: list[subprocess.Popen[bytes]] = []
        self._modules: dict[str, str] = {}
        (folder / "asound.conf").write_text(ALSA)
        self.environment = {
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PULSE_RUNTIME_PATH": str(folder / "pulse"),
            "PULSE_STATE_PATH": str(folder / "state"),
            "PULSE_SERVER": f"unix:{folder}/pulse/native",
            "ALSA_CONFIG_PATH": f"/usr/share/alsa/alsa.conf:{folder}/asound.conf",
        }
        for name in ("pulse", "state", "config"):
            (folder / name).mkdir(mode=0o700)
        self._daemon = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             f"--log-target=file:{folder}/log", "-L", "module-native-protocol-unix"],
            env=self._env(),
        )  # fmt: skip
        self._wait()
        for sink in SINKS:
            self.plug_in(sink)

    def plug_in(self, sink: str) -> None:
        """Make a sink; its monitor is a microphone."""
        wide = ["format=float32le", f"rate={FS}", "channels=2"]
        self._modules[sink] = self._control(
            "load-module", "module-null-sink", f"sink_name={sink}", *wide
        )

    def plug_in_desk(self) -> None:
        """Make one device of four channels, and ways into that of the probe and of the headset."""
        wide = ["format=float32le", f"rate={FS}", "channels=4", f"channel_map={','.join(DESK)}"]
        self._modules["desk"] = self._control(
            "load-module", "module-null-sink", "sink_name=desk", *wide
        )
        for name, channel in (("valve", DESK[0]), ("mouth", DESK[3])):
            self._control(
                "load-module", "module-remap-sink", f"sink_name={name}", "master=desk",
                "channels=1", "channel_map=mono", f"master_channel_map={channel}", "remix=no",
            )  # fmt: skip

    def unplug(self, sink: str) -> None:
        """Take a sink and its microphone away."""
        self._control("unload-module", self._modules.pop(sink))

    def play(
        self, samples: np.ndarray, sink: str, fs: int = FS, *, latency_ms: int = 100
    ) -> subprocess.Popen[bytes]:
        """Begin to play samples, shape (frames,), (frames, 2) or (frames, 4) as `DESK` has it.

        Returns what can be stopped. A player with little latency is prompt, and falters on a busy
        machine.
        """
        both = samples if samples.ndim == 2 else np.stack([samples, samples], axis=1)
        file = Path(mkstemp(".raw", dir=self.folder)[1])
        file.write_bytes(both.astype("<f4").tobytes())
        player = subprocess.Popen(
            ["pacat", f"--device={sink}", "--format=float32le", f"--rate={fs}",
             f"--channels={both.shape[1]}", f"--channel-map={','.join(DESK[: both.shape[1]])}",
             f"--latency-msec={latency_ms}", str(file)],
            env=self._env(),
        )  # fmt: skip
        self._players.append(player)
        return player

    def hush(self) -> None:
        """End all that is still being played."""
        for player in self._players:
            player.terminate()
            player.wait()
        self._players.clear()

    def stop(self) -> None:
        """End everything that was started here."""
        self.hush()
        self._daemon.terminate()
        self._daemon.wait()

    def _env(self) -> dict[str, str]:
        return {**os.environ, **self.environment}

    def _control(self, *arguments: str) -> str:
        done = subprocess.run(
            ["pactl", *arguments], env=self._env(), capture_output=True, text=True, check=True
        )
        return done.stdout.strip()

    def _wait(self) -> None:
        for _ in range(100):
            with contextlib.suppress(subprocess.CalledProcessError):
                self._control("info")
                return
            time.sleep(0.1)
        raise AssertionError((self.folder / "log").read_text())


@contextlib.contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    """Run a sound server while the context lasts; PortAudio in this process then sees it."""
    server = SoundServer(folder)
    before = {name: os.environ.get(name) for name in server.environment}
    os.environ.update(server.environment)
    reload_portaudio()
    try:
        yield server
    finally:
        server.stop()
        for name, value in before.items():
            if value is None:
                os.environ.pop(name)
            else:
                os.environ[name] = value
        reload_portaudio()


def reload_portaudio() -> None:
    """Let PortAudio look again for what there is."""
    import sounddevice as sd

    sd._terminate()
    sd._initialize()
