"""Record for ten minutes through a sound server on a busy machine, and count what is lost.

    python benchmarks/live_soak.py --minutes 10 --busy 2

A sine is played into a null sink and recorded to disk by the probe's own thread, while so many
processes keep the cores busy. A sine obeys x[n-1] + x[n+1] = 2 cos(w) x[n]: a lost, repeated or
changed sample breaks it. Printed are the recorded time, breaks, what the stream itself counted as
lost, the level against the 0.1 dB that are promised, and the growth of memory.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

import soundfile as sf

from earwitness.audio.bext import Bext
from earwitness.session.equipment.ears import Input
from earwitness.session.equipment.meters import Meters
from earwitness.session.equipment.probe import Probe
from earwitness.session.equipment.sound import Begun
from earwitness.session.equipment.taking import Recorded, TakeOrder
from earwitness.session.runner import open_microphone
from sound_server import FS, sound_server

HZ, AMPLITUDE = 1000.0, 0.1
TOLERANCE = 1e-4
"""Most that the recurrence of an unbroken sine may miss by [full scale]: float32 and dither."""


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--busy", type=int, default=2, help="processes that keep a core busy")
    told = options.parse_args()
    with tempfile.TemporaryDirectory() as folder, sound_server(Path(folder)) as server:
        busy = [
            subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(told.busy)
        ]
        try:
            report(soak(server, Path(folder) / "take.wav", 60 * told.minutes), told.busy)
        finally:
            for process in busy:
                process.kill()
                process.wait()
    return 0


def soak(server, file: Path, seconds: float) -> dict[str, float]:
    posted, done = [], threading.Event()

    def post(event: object) -> None:
        posted.append(event)
        if isinstance(event, Begun | Recorded):
            done.set()

    sources, meters = [], Meters(FS)

    def opened():
        sources.append(open_microphone(Input("probe"), 1))
        return sources[-1]

    t = np.arange(round((seconds + 30) * FS)) / FS
    server.play((AMPLITUDE * np.sin(2 * np.pi * HZ * t)).astype("f4"), "shop", latency_ms=2000)
    time.sleep(3.0)
    probe = Probe(opened, post, channels=(0,), show=meters.feed)
    probe.start()
    probe.begin(TakeOrder((file,), Bext(), (seconds * 2, seconds * 3)))
    done.wait(30)
    begun_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    time.sleep(seconds)
    done.clear()
    probe.end()
    done.wait(30)
    probe.stop()
    grown_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - begun_kib
    recorded = next(p for p in posted if isinstance(p, Recorded))
    return {
        "seconds": recorded.seconds,
        "marked": len(recorded.lost_s),
        "counted": sources[0].lost,
        "devices": len(sources),
        "grown_mib": grown_kib / 1024,
        **inspect(file),
    }


def inspect(file: Path) -> dict[str, float]:
    turn, breaks, energy, frames = 2 * np.cos(2 * np.pi * HZ / FS), 0, 0.0, 0
    for block in sf.blocks(file, blocksize=10 * FS, overlap=2, dtype="float32"):
        x = block.astype(float)
        breaks += int((np.abs(x[:-2] + x[2:] - turn * x[1:-1]) > TOLERANCE).sum())
        energy, frames = energy + float((x**2).sum()), frames + len(x)
    level = 10 * np.log10(energy / frames) - 10 * np.log10(AMPLITUDE**2 / 2)
    return {"breaks": breaks, "level_error_db": level}


def report(found: dict[str, float], busy: int) -> None:
    print(f"{busy} busy processes on {os.cpu_count()} cores, load {os.getloadavg()[1]:.1f}")
    print(f"recorded            {found['seconds']:.1f} s")
    print(f"breaks in the sine  {found['breaks']}")
    print(f"marked as lost      {found['marked']}, counted by the stream {found['counted']}")
    print(f"devices opened      {found['devices']}")
    print(f"level error         {found['level_error_db']:+.4f} dB")
    print(f"memory grew by      {found['grown_mib']:.1f} MiB")


if __name__ == "__main__":
    raise SystemExit(main())
