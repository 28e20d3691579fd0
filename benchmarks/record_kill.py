"""Kill a writer a thousand times, and count what was acknowledged and is no longer there.

    python benchmarks/record_kill.py
    python benchmarks/record_kill.py --early     a writer that acknowledges too early: must lose

Every round forks a writer, which creates a record or goes on with one, adds sound files and appends
entries, and acknowledges each over a pipe. It dies by SIGKILL: either from outside after a random
time, or by its own hand at a named point: before, after, or half-way through one of the system
calls by which a record is written. Then every entry acknowledged since the record began must be
there with the body it was acknowledged with, every acknowledged sound file with its bytes; the
chain must hold, and the record must open and take another entry. Of a live recording at least as
much must be left as its recorder said is on disk, under the name it was recorded or taken over by.

A killed process loses what it had not handed to the system; the system itself lives on. So this
shows that nothing is acknowledged before it was handed over and that no half-written state keeps a
record from opening. It does not show what a power cut leaves: for that the order of the calls is
tested in tests/record/test_power_cut.py, and no machine was switched off.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import mmap
import os
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import rfc8785  # noqa: F401  # now, so that the first entry of a child is not late
import soundfile as sf

from earwitness.audio.broadcast_wav import Bext, BroadcastWavWriter
from earwitness.engine.layout import EngineLayout
from earwitness.errors import EarwitnessError
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies
from earwitness.record.store import LOG, RecordWriter, audio_file, read_record

WRITING = tuple(
    (call, what, when)
    for call, what in (
        ("write", "log"),
        ("fsync", "log"),
        ("write", "sound"),
        ("fsync", "sound"),
        ("rename", "sound"),
        ("fsync", "audio folder"),
    )
    for when in (("before", "half-way", "after") if call == "write" else ("before", "after"))
)
RECORDING = tuple(
    (call, what, when)
    for call, what in (
        ("pwrite", "live sound"),
        ("ftruncate", "live sound"),
        ("fsync", "live sound"),
        ("rename", "live sound"),
        ("fsync", "audio folder"),
        ("write", "log"),
        ("fsync", "log"),
    )
    for when in (("before", "half-way", "after") if "write" in call else ("before", "after"))
)
REPAIRING = tuple(
    (call, what, when)
    for call, what in (
        ("write", "cut-off line"),
        ("fsync", "cut-off line"),
        ("fsync", "folder"),
        ("ftruncate", "log"),
        ("fsync", "log"),
        ("write", "log"),
    )
    for when in (("before", "half-way", "after") if call == "write" else ("before", "after"))
)
CREATING = tuple(
    (call, what, when)
    for call, what in (
        ("mkdir", "folder"),
        ("mkdir", "audio folder"),
        ("open", "log"),
        ("fsync", "folder"),
    )
    for when in ("before", "after")
)
HOOKED = ("write", "pwrite", "fsync", "rename", "ftruncate", "mkdir", "open")
TIMER = ("timer", "", "")
READY = b"!"
"""What a child says when it is about to begin; the random time counts from there."""
SHARE_BY_TIMER = 0.4
ROUNDS_A_RECORD = 25
STEPS = 3
"""Sound files, and as many notes, that a child adds before it dies by its own hand."""
LONGEST_WAIT_STEPS = 8
"""Longest random time [1], in the time that one step takes on this disk."""
START = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)


@dataclass
class Tally:
    """What became of the rounds."""

    rounds: Counter = field(default_factory=Counter)
    """By work and point."""
    said: Counter = field(default_factory=Counter)
    """Entries acknowledged before the writer died, likewise."""
    broken: Counter = field(default_factory=Counter)
    """Entries lost and records that did not open, likewise."""
    inside: Counter = field(default_factory=Counter)
    """Where the timer struck."""
    lost: list[str] = field(default_factory=list)
    not_reached: int = 0


@dataclass
class Bay:
    """One record under fire, and what was acknowledged in it."""

    folder: Path
    sounds: list[Path]
    early: bool
    longest_wait_s: float = 0.0
    acknowledged: dict[int, dict] = field(default_factory=dict)
    on_disk: dict[str, int] = field(default_factory=dict)
    """Samples of each live recording that its recorder said are on disk."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=70)
    parser.add_argument("--early", action="store_true", help="acknowledge before writing")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--place", type=Path, help="folder to work in; a temporary one if left out")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=arguments.place) as place:
        tally = fire(Path(place), arguments.rounds, arguments.seed, early=arguments.early)
    if arguments.json:
        print(json.dumps(_as_json(tally)))
    else:
        _print(tally)
    sys.exit(bool(tally.lost))


def fire(place: Path, rounds: int, seed: int, *, early: bool) -> Tally:
    """Run the rounds; named points take turns, so that each is met about equally often."""
    rng = np.random.default_rng(seed)
    sounds = _sounds(place, rng)
    tally, bay, longest_wait_s = Tally(), None, LONGEST_WAIT_STEPS * _step_s(place, sounds)
    turns = [("write", p) for p in WRITING] + [("repair", p) for p in REPAIRING]
    turns += [("create", p) for p in CREATING] + [("record", p) for p in RECORDING]
    for number in range(rounds):
        if bay is None or number % ROUNDS_A_RECORD == 0:
            bay = _new_bay(place / f"record-{number:05d}", sounds, early, longest_wait_s)
        if rng.random() < SHARE_BY_TIMER:
            work, point = str(rng.choice(["write", "repair", "create", "record"])), TIMER
        else:
            work, point = turns[number % len(turns)]
        target = bay
        if work == "create":
            target = Bay(place / f"new-{number:05d}" / "record", sounds, early, longest_wait_s)
        _round(target, work, point, rng, tally)
    return tally


def _round(bay: Bay, work: str, point: tuple, rng: np.random.Generator, tally: Tally) -> None:
    if work == "repair":  # leave it something to repair
        _child(bay, "write", ("write", "log", "half-way"), rng, tally)
    before = len(bay.acknowledged)
    died = _child(bay, work, point, rng, tally)
    row = (work, *point)
    tally.rounds[row] += 1
    tally.said[row] += len(bay.acknowledged) - before
    tally.not_reached += not died and point != TIMER
    lost = _losses(bay)
    tally.broken[row] += len(lost)
    tally.lost += lost


def _child(bay: Bay, work: str, point: tuple, rng: np.random.Generator, tally: Tally) -> bool:
    """Let a writer work until it dies; gather what it acknowledged; tell whether it was killed."""
    mark = mmap.mmap(-1, 64)
    listen, speak = os.pipe()
    share, nth = float(rng.uniform(0.02, 0.98)), int(rng.integers(1, STEPS + 1))
    wait_s = float(rng.uniform(0, bay.longest_wait_s))
    nth = 1 if work in {"repair", "create"} else nth
    pid = os.fork()
    if pid == 0:
        os.close(listen)
        try:
            _write(bay, work, _Trap(point, nth, share, mark), speak)
        except BaseException:  # a child must never go on as if it were its parent
            traceback.print_exc()
            os._exit(1)
    os.close(speak)
    os.read(listen, len(READY))
    if point == TIMER:
        time.sleep(wait_s)
        where = mark[:].rstrip(b"\0").decode()
        os.kill(pid, signal.SIGKILL)
        tally.inside[where or "between calls"] += 1
    with os.fdopen(listen, "rb") as pipe:
        said = [json.loads(line) for line in pipe]
    killed = os.WIFSIGNALED(os.waitpid(pid, 0)[1])
    bay.acknowledged |= {entry["seq"]: entry for entry in said if "seq" in entry}
    bay.on_disk |= {live["place"]: live["frames"] for live in said if "place" in live}
    return killed


def _write(bay: Bay, work: str, trap: _Trap, speak: int) -> None:
    """Be the writer. Never returns."""
    plain_write = os.write
    plain_write(speak, READY)
    trap.set()

    def acknowledge(seq: int, kind: str, body: dict) -> None:
        plain_write(speak, _line({"seq": seq, "kind": kind, "body": body}))

    step = 0
    with _writer(bay.folder, create=work == "create") as writer:
        if not writer.entries:
            entry = writer.append("opened", _opened())
            acknowledge(entry.seq, "opened", dict(entry.body))
        while trap.timed or step < STEPS + 2:
            step += 1
            sound = bay.sounds[(writer.entries + step) % len(bay.sounds)]
            if work == "record":
                body = dict(_recorded(writer, lambda live: plain_write(speak, _line(live))))
            else:
                body = dict(writer.add_audio(sound, name="take"))
            acknowledge(writer.entries, "audio", body)
            note = {"text": "n" * (step * 700 % 5_000)}
            if bay.early:
                acknowledge(writer.entries + 1, "note", note)
            entry = writer.append("note", note)
            acknowledge(entry.seq, "note", note)
    os._exit(0)


def _recorded(writer: RecordWriter, tell) -> dict:
    """Record live into the record, telling what is on disk, and let the record take it over."""
    place = writer.place_to_record("live")
    block = np.arange(4_000, dtype=np.int16)
    with BroadcastWavWriter(
        place, sample_rate_hz=8_000, channels=1, subtype="PCM_16", bext=Bext(originator="kill")
    ) as recorder:
        for _ in range(3):
            recorder.append(block)
            recorder.sync()
            tell({"place": place.name, "frames": recorder.synced_frames})
    return writer.take_over(place, name="live")


def _line(said: dict) -> bytes:
    return json.dumps(said).encode() + b"\n"


def _writer(folder: Path, *, create: bool) -> RecordWriter:
    ticks = iter(range(1_000_000))

    def clock() -> datetime:
        return START + timedelta(seconds=next(ticks))

    opener = RecordWriter.create if create else RecordWriter.open
    return opener(folder, clock=clock)


class _Trap:
    """Stands around the system calls of a writer, and kills it at its point."""

    def __init__(self, point: tuple, nth: int, share: float, mark: mmap.mmap) -> None:
        self.point, self.left, self.share, self.mark = point, nth, share, mark
        self.timed = point == TIMER

    def set(self) -> None:
        for name in HOOKED:
            setattr(os, name, self._around(name, getattr(os, name)))

    def _around(self, name: str, call):
        def trapped(first, *others, **named):
            what = _what(first)
            here = f"{name} {what}".encode()
            strikes = self.point[:2] == (name, what)
            if strikes:
                self.left -= 1
            when = self.point[2] if strikes and not self.left else ""
            if when == "before":
                _die()
            if when == "half-way":
                part = bytes(others[0])[: max(1, int(self.share * len(others[0])))]
                call(first, part, *others[1:])
                _die()
            self.mark[: len(here)] = here
            try:
                result = call(first, *others, **named)
            except OSError:  # a folder whose parent is still to be made: it will be asked for again
                self.left += strikes
                raise
            finally:
                self.mark[:] = bytes(64)
            if when == "after":
                _die()
            return result

        return trapped


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _what(target: object) -> str:
    """Name the file that a call is about."""
    path = Path(f"/proc/self/fd/{target}").readlink() if isinstance(target, int) else Path(target)
    if path.suffix == ".part":
        return "sound"
    if path.name.endswith(".live.wav"):
        return "live sound"
    names = {LOG: "log", "audio": "audio folder", ".lost": "cut-off line"}
    return names.get(path.name) or names.get(path.suffix) or "folder"


def _losses(bay: Bay) -> list[str]:
    """Read the record as a stranger, go on with it, and name everything that is not as it was."""
    try:
        wrong = _missing(bay)
        wrong += _sound_gone(bay)
        note = {"text": "after an interruption"}
        log = bay.folder / LOG
        with _writer(bay.folder, create=not log.exists()) as writer:
            kind, body = ("note", note) if writer.entries else ("opened", _opened())
            entry = writer.append(kind, body)
        bay.acknowledged[entry.seq] = {"seq": entry.seq, "kind": kind, "body": body}
        read_record(bay.folder, head=writer.head)
        wrong += _sound_gone(bay)
    except EarwitnessError as e:
        return [f"{bay.folder.name}: {e}"]
    return wrong


def _missing(bay: Bay) -> list[str]:
    if not bay.acknowledged:
        return []
    entries = {e.seq: e for e in read_record(bay.folder).entries}
    return [
        f"{bay.folder.name}: entry {seq}"
        for seq, said in bay.acknowledged.items()
        if seq not in entries
        or (entries[seq].kind, dict(entries[seq].body)) != (said["kind"], said["body"])
        or (said["kind"] == "audio" and _digest(bay, said) != said["body"]["sha256"])
    ]


def _sound_gone(bay: Bay) -> list[str]:
    """Name the live recordings of which less is left than was on disk, taken over or not."""
    gone = []
    for place, frames in bay.on_disk.items():
        live = bay.folder / "audio" / place
        path = live if live.exists() else live.with_name(place.replace(".live", ""))
        try:
            left = sf.info(path).frames
        except sf.LibsndfileError:
            left = -1
        if left < frames:
            gone.append(f"{bay.folder.name}: {place} has {left} samples of {frames}")
    return gone


def _digest(bay: Bay, said: dict) -> str:
    try:
        data = audio_file(bay.folder, said["body"]["path"]).read_bytes()
    except OSError:
        return ""
    return hashlib.sha256(data).hexdigest()


def _step_s(place: Path, sounds: list[Path]) -> float:
    """Return the time that adding a sound and a note takes here [s]."""
    with _writer(place / "pace", create=True) as writer:
        writer.append("opened", _opened())
        began = time.perf_counter()
        for sound in sounds * 3:
            writer.add_audio(sound, name="take")
            writer.append("note", {"text": "pace"})
        return (time.perf_counter() - began) / (3 * len(sounds))


def _new_bay(folder: Path, sounds: list[Path], early: bool, longest_wait_s: float) -> Bay:
    bay = Bay(folder, sounds, early, longest_wait_s)
    with _writer(folder, create=True) as writer:
        entry = writer.append("opened", _opened())
    bay.acknowledged[1] = {"seq": 1, "kind": "opened", "body": dict(entry.body)}
    return bay


def _opened():
    layout = EngineLayout(4, (1, 3, 4, 2), label="Four in line")
    return dict(bodies.opened_body(layout, limit=LeakageLimit(20, "common practice, no source")))


def _sounds(place: Path, rng: np.random.Generator) -> list[Path]:
    paths = []
    for number, frames in enumerate((500, 4_000, 30_000)):
        paths.append(place / f"sound-{number}.wav")
        sf.write(paths[-1], rng.normal(0, 0.1, frames), 48_000, subtype="PCM_16")
    return paths


def _as_json(tally: Tally) -> dict:
    return {
        "rounds": {" ".join(point).strip(): n for point, n in sorted(tally.rounds.items())},
        "inside": dict(tally.inside.most_common()),
        "acknowledged": tally.said.total(),
        "lost": tally.lost,
        "not_reached": tally.not_reached,
    }


def _print(tally: Tally) -> None:
    print(f"{'while it':<10}{'killed':<34}{'rounds':>6}{'acknowledged':>14}{'lost':>6}")
    for row, n in sorted(tally.rounds.items()):
        work, call, what, when = row
        point = "after a random time" if call == "timer" else f"{when} {call} of {what}"
        print(f"{work + 's':<10}{point:<34}{n:>6}{tally.said[row]:>14}{tally.broken[row]:>6}")
    print("\nwhere the random kills struck:", end=" ")
    print(", ".join(f"{where} {n}" for where, n in tally.inside.most_common()))
    rounds, lost = sum(tally.rounds.values()), len(tally.lost)
    print(f"\n{rounds} rounds, {tally.said.total()} entries acknowledged, {lost} lost or unopened")
    if tally.not_reached:
        print(f"{tally.not_reached} points were not reached")
    for line in tally.lost[:10]:
        print("  ", line)


if __name__ == "__main__":
    main()
