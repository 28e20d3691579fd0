"""Lead a live inspection through four hours on a fast clock, and watch its memory.

    python benchmarks/live_memory.py --hours 4

The microphones deliver noise as fast as the program takes it, their blocks stamped with a clock
that runs with them; the program's own threads, scoring, dictation, record and board are the real
ones. Takes follow each other, a fourth of the cylinders is dictated and confirmed; a reader turns
every snapshot into the page's event, as the page's server does. Printed each half hour: memory in
use after a garbage collection, Python's blocks, and what the record has grown to. With --trace the
lines of code that hold more at the end than after the first hour are listed.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import os
import sys
import tempfile
import threading
import time
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

import numpy as np

from earwitness.audio.microphone import Block
from earwitness.display.wire import event
from earwitness.engine.test_plan import test_plan
from earwitness.session.equipment.ears import Devices, Equipment, Input
from earwitness.session.live.inspection import LiveInspection, LivePlan
from earwitness.session.live.keeping import Keeper
from earwitness.session.live.steps import places_of
from earwitness.session.sheets.sheet import Visit
from earwitness.session.snapshot import Board, Press
from earwitness.simulate.operator import load_clip
from earwitness.speech.dictation import load_model

PROBE_FS, HEADSET_FS = 24_000, 16_000
"""Sample rates [Hz]: the least that a proof needs, and that of speech."""
BLOCKS_A_SECOND = 10
BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
MOST_BEHIND_S = 5.0
"""How far the headset may be behind the probe [s]."""


class Clock:
    """Seconds of sound that the probe has delivered."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> float:
        """Return them [s]."""
        return self.seconds

    def date(self) -> datetime:
        """Return them as a time of day."""
        return BEGAN + timedelta(seconds=self.seconds)


class Noise:
    """A microphone in noise that delivers a block whenever it may."""

    channels = 1

    def __init__(self, clock: Clock, fs: int, level: float) -> None:
        self._clock, self._rng = clock, np.random.default_rng(fs)
        self.sample_rate_hz, self._level = fs, np.float32(level)
        self.seconds = 0.0
        self.voice = np.zeros((0, 1), "f4")

    def start(self) -> None:
        """Begin: nothing is to be done."""

    def close(self) -> None:
        """End: likewise."""

    def block(self) -> Block:
        """Return the next tenth of a second."""
        n = self.sample_rate_hz // BLOCKS_A_SECOND
        samples = self._level * self._rng.standard_normal((n, 1), dtype="f4")
        said, self.voice = self.voice[:n], self.voice[n:]
        samples[: len(said)] += said
        made = Block(samples, round(self.seconds * self.sample_rate_hz), self.seconds)
        self.seconds = round(self.seconds + 1 / BLOCKS_A_SECOND, 1)
        return made


class Probe(Noise):
    """It drives the clock, and waits while the program has something to do."""

    def __init__(self, clock: Clock, busy, behind) -> None:
        super().__init__(clock, PROBE_FS, 1e-2)
        self._busy, self._behind = busy, behind

    def next_block(self, timeout_s: float) -> Block | None:
        """Return a block once it is time for one."""
        until = time.monotonic() + timeout_s
        while self._busy() or self._behind() > MOST_BEHIND_S:
            if time.monotonic() > until:
                return None
            time.sleep(0.0005)
        made = self.block()
        self._clock.seconds = self.seconds
        return made


class Headset(Noise):
    """It follows the clock."""

    def next_block(self, timeout_s: float) -> Block | None:
        """Return a block once it is time for one."""
        until = time.monotonic() + timeout_s
        while self.seconds >= self._clock.seconds:
            if time.monotonic() > until:
                return None
            time.sleep(0.0005)
        return self.block()


class Technician(threading.Thread):
    """Presses and dictates as the board asks, round and round, until the time is over."""

    def __init__(self, live, board: Board, headset: Headset, clock: Clock, until_s: float) -> None:
        super().__init__(daemon=True)
        self._live, self._board, self._headset = live, board, headset
        self._clock, self._until_s = clock, until_s
        self.takes = self.events = 0
        self._said_s = -60.0

    def run(self) -> None:
        """Follow the board until the inspection is done."""
        number, column, before = 0, -1, ("", None, None)
        while True:
            number, now = self._board.wait_newer(number, 1.0)
            if now is None:
                continue
            _, column = event(number, now, column)
            self.events += 1
            here = (now.phase, now.cylinder, now.point)
            if now.phase == "done":
                return
            self.act(now, here != before)
            before = here

    def act(self, now, changed: bool) -> None:
        """Do what the board asks."""
        if now.phase == "cautions" and changed:
            self._live.post(Press("understood"))
        elif now.phase == "move" and self._clock.seconds > self._until_s:
            self._live.post(Press("finish"))
        elif now.phase in ("gauge", "read-back"):
            self.dictate(now)
        elif now.phase == "move" and changed:
            self.takes += now.point is not None
            again = Press("cylinder", str(1 + self.takes % 16))
            self._live.post(again if now.point is None else Press("start"))

    def dictate(self, now) -> None:
        """Say a reading or confirm it, or go on."""
        if self._clock.seconds < self._said_s + 8:
            return
        self._said_s = self._clock.seconds
        if now.said == "stored" or now.cylinder % 4:
            self._live.post(Press("next"))
            return
        phrase = "confirm" if now.phase == "read-back" else "leakage forty two percent"
        self._headset.voice = 0.1 * load_clip(phrase, HEADSET_FS)[:, np.newaxis].astype("f4")


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=float, default=4.0)
    options.add_argument("--trace", action="store_true")
    told = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        lead(Path(folder) / "record", told.hours, trace=told.trace)
    return 0


def lead(folder: Path, hours: float, *, trace: bool) -> None:
    clock, board = Clock(), Board()
    visit = Visit.model_validate({"engine": {"cylinders": 16, "firing_order": [*range(1, 17)]}})
    layout = visit.engine.layout()
    headset = Headset(clock, HEADSET_FS, 1e-4)
    behind = lambda: clock.seconds - headset.seconds  # noqa: E731
    probe = Probe(clock, lambda: live._events.qsize() > 0, behind)
    live = LiveInspection(
        LivePlan(layout, places_of(test_plan(layout)), 690.0),
        Keeper.create(folder, visit, clock=clock.date),
        board,
        rng=np.random.default_rng(4),
        equipment=Equipment(
            Input("probe", 0, PROBE_FS), Input("headset", 0, HEADSET_FS), voice="off"
        ),
        devices=Devices(
            lambda wanted, _: probe if wanted.device == "probe" else headset,
            lambda _: None,
            clock.now,
        ),
        model=load_model(None),
    )
    technician = Technician(live, board, headset, clock, hours * 3600)
    watching = threading.Event()
    watcher = threading.Thread(target=watch, args=(clock, technician, folder, watching, trace))
    watcher.start()
    technician.start()
    live.run()
    watching.set()
    watcher.join()


def watch(clock: Clock, technician, folder: Path, over: threading.Event, trace: bool) -> None:
    """Print each half hour what is in use."""
    print(" hours  real time   takes  events  entries   blocks   memory [MiB]", flush=True)
    began_s, next_s, first = time.monotonic(), 0.0, None
    while True:
        ended = over.wait(0.05)
        if clock.seconds >= next_s or ended:
            gc.collect()
            entries = sum(1 for _ in (folder / "record.jsonl").open("rb"))
            blocks = sys.getallocatedblocks()
            print(
                f"{clock.seconds / 3600:6.2f} {time.monotonic() - began_s:8.0f} s "
                f"{technician.takes:7d} {technician.events:7d} {entries:8d} {blocks:8d} "
                f"{memory_mib():13.1f}",
                flush=True,
            )
            next_s += 1800.0
            if trace and next_s == 5400.0:
                tracemalloc.start(5)
                first = tracemalloc.take_snapshot()
        if ended:
            break
    if first is not None:
        for line in tracemalloc.take_snapshot().compare_to(first, "lineno")[:15]:
            print(line)


def memory_mib() -> float:
    """Memory of this process that is in the machine's, what is free given back first [MiB]."""
    if sys.platform == "linux":
        ctypes.CDLL(None).malloc_trim(0)
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


if __name__ == "__main__":
    raise SystemExit(main())
