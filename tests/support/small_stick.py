"""A writer on a stick that fills up, is read-only, or is pulled out; run as its own process.

    [unshare ...] python small_stick.py WORK {stick,stand-in} FOLDER SOUND

A `stick` is a small disk in memory, mounted on FOLDER; run under `PRIVATE`, so that only this
process sees it. A `stand-in` needs no rights: a limit on the size of files, folders that may not be
written, a folder that is renamed. Prints one JSON object: the sentences of the refusals, how many
entries were acknowledged, and how many entries, and what loss, a reader finds.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from earwitness.errors import EarwitnessError
from earwitness.record.store import RecordWriter, read_record

STICK_BYTES = 96 * 1024
NOBODY = 65534
"""The account without rights on Debian."""
PRIVATE = ("unshare", "--map-root-user", "--mount")
WORKS = ("full-log", "full-sound", "read-only", "pulled-out", "other-stick")


def clock() -> datetime:
    return datetime(2026, 3, 4, tzinfo=UTC)


def mount(*arguments: str | Path) -> None:
    subprocess.run(["mount", *arguments], check=True)


def stick(place: Path) -> None:
    """Put a fresh stick in."""
    mount("-t", "tmpfs", "-o", f"size={STICK_BYTES}", "tmpfs", place)


def begin(folder: Path) -> RecordWriter:
    """Begin a record with its first entry."""
    from earwitness.engine.layout import EngineLayout
    from earwitness.gauges.leakage import LeakageLimit
    from earwitness.record import bodies

    writer = RecordWriter.create(folder, clock=clock)
    limit = LeakageLimit(20, "common practice, no source")
    writer.append("opened", bodies.opened_body(EngineLayout(4, (1, 3, 4, 2)), limit=limit))
    return writer


def refusal(work) -> str:
    """Do something until it is refused, and return the sentence."""
    try:
        for _ in range(10_000):
            work()
    except EarwitnessError as e:
        return str(e)
    return ""


def full(place: Path, add, *, real: bool) -> dict:
    """Fill the stick by `add`, then make room and go on with the same writer."""
    ballast = place / "ballast"
    ballast.write_bytes(bytes(40_000))
    with begin(place / "r") as writer:
        if not real:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_001, unlimited[1]))
        first = refusal(lambda: add(writer))
        kept = writer.entries
        found = told(place / "r")
        ballast.unlink()
        if not real:
            resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
        writer.append("note", {"text": "room again"})
    hidden = [p.name for p in (place / "r/audio").iterdir() if p.name.startswith(".")]
    return {"refusals": [first], "kept": kept, "found": found, "hidden": hidden,
            "after": told(place / "r")}  # fmt: skip


def read_only(place: Path, sound: Path, *, real: bool) -> dict:
    """Open a record on a stick whose switch says read-only."""
    begin(place / "r").close()
    if real:
        mount("-o", "remount,ro", place)
    else:
        for path in (place, place / "r", place / "r/audio", place / "r/record.jsonl"):
            path.chmod(0o555)
        if os.geteuid() == 0:
            os.seteuid(NOBODY)
    refusals = [
        refusal(lambda: RecordWriter.open(place / "r", clock=clock)),
        refusal(lambda: RecordWriter.create(place / "new", clock=clock)),
    ]
    return {"refusals": refusals, "kept": 1, "found": told(place / "r")}


def pulled_out(place: Path, sound: Path, *, real: bool) -> dict:
    """Pull the stick out while a writer is at it, and put it back."""
    if real:
        store = place.with_name("socket")
        store.mkdir()
        mount("--bind", place, store)
    with begin(place / "r") as writer:
        writer.append("note", {"text": "kept"})
        if real:
            subprocess.run(["umount", "--lazy", place], check=True)
        else:
            place.rename(place.with_name("gone"))
        refusals = [
            refusal(lambda: writer.append("note", {"text": "refused"})),
            refusal(lambda: writer.add_audio(sound, name="refused")),
        ]
        kept = writer.entries
        if real:
            mount("--bind", store, place)
        else:
            place.with_name("gone").rename(place)
        found = told(place / "r")
        writer.append("note", {"text": "back again"})
    return {"refusals": refusals, "kept": kept, "found": found, "after": told(place / "r")}


def other_stick(place: Path, sound: Path, *, real: bool) -> dict:
    """Another stick with a record of the same name comes into the place of the first."""
    first = place / "r"
    with begin(first) as writer:
        if real:
            stick(place)
        else:
            place.rename(place.with_name("gone"))
        begin(first).close()
        refusals = [refusal(lambda: writer.append("note", {"text": "refused"}))]
        return {"refusals": refusals, "kept": writer.entries, "found": told(first)}


def told(folder: Path) -> list:
    record = read_record(folder)
    return [len(record.entries), record.lost]


def main() -> None:
    name, real, place, sound = sys.argv[1], sys.argv[2] == "stick", *map(Path, sys.argv[3:])
    if real:
        stick(place)
    works = {
        "full-log": lambda: full(place, lambda w: w.append("note", {"text": "x" * 900}), real=real),
        "full-sound": lambda: full(place, lambda w: w.add_audio(sound, name="take"), real=real),
        "read-only": lambda: read_only(place, sound, real=real),
        "pulled-out": lambda: pulled_out(place, sound, real=real),
        "other-stick": lambda: other_stick(place, sound, real=real),
    }
    sys.stdout.write(json.dumps(works[name]()))


if __name__ == "__main__":
    main()
