"""How long a very long inspection takes to open, and whether the time grows with its length.

    python benchmarks/record_scale.py

An inspection of a 16-cylinder engine that lasts four hours: eight listening points a cylinder, each
take in six air cycles with its finding, and something said every ten seconds, each utterance with a
sound file of its own, every other one a reading. The sound files are there and empty: opening
reads only their names. Then the same for a half and for twice the hours.

Printed: seconds to read the record and check its chain (`read_record`), seconds to tell the
inspection from it (`model.inspection`), seconds of a plain `json.loads` of the same lines in the
same run, and the ratio; best of five, and the very first in a fresh process, imports included.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from earwitness.acoustics.finding import Finding, Floors
from earwitness.engine.layout import EngineLayout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies
from earwitness.record.chain import GENESIS, Entry, line_of, link
from earwitness.record.model import inspection
from earwitness.record.reader import AUDIO, LOG, read_record
from earwitness.speech.dictation import Heard

CYLINDERS = 16
POINTS = ("adapter", "control", "oil-filler", "tailpipe-left", "tailpipe-right", "throttle-body",
          "radiator", "plug-hole-2")  # fmt: skip
BANDS = 35
"""Bands of a finding from 39 kHz up [1]: `acoustics.bands.bands_for`."""
SAID_EVERY_S = 10
BEST_OF = 5
START = datetime(2026, 3, 4, 8, 0, tzinfo=UTC)

FRESH = """
import sys, time
began = time.perf_counter()
from pathlib import Path
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
inspection(read_record(Path(sys.argv[1])))
print(time.perf_counter() - began)
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=16)
    arguments = parser.parse_args()
    print(f"{'hours':>6} {'entries':>8} {'MB':>6} {'read s':>7} {'tell s':>7} {'both s':>7} "
          f"{'json.loads s':>12} {'ratio':>6} {'fresh process s':>15}")  # fmt: skip
    for hours in (arguments.hours / 2, arguments.hours, arguments.hours * 2):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "record"
            write_long_record(folder, hours, np.random.default_rng(arguments.seed))
            _print(folder, hours)


def write_long_record(folder: Path, hours: float, rng: np.random.Generator) -> None:
    """Write the record of a long inspection at once, without waiting for the disk."""
    (folder / AUDIO).mkdir(parents=True)
    lines: list[bytes] = []
    for kind, body in _contents(hours, rng):
        prev = link(lines[-1]) if lines else GENESIS
        seq = len(lines) + 1
        lines.append(line_of(Entry(seq, START + timedelta(seconds=seq), kind, body, prev)))
        if kind == "audio":
            (folder / body["path"]).touch()
    (folder / LOG).write_bytes(b"".join(line + b"\n" for line in lines))


def _contents(hours: float, rng: np.random.Generator):
    """Yield kind and body of every entry; takes are spread evenly between what is said."""
    layout = EngineLayout(CYLINDERS, tuple(range(1, CYLINDERS + 1)), label="Sixteen cylinders")
    yield "opened", bodies.opened_body(layout, limit=LeakageLimit(20, "common practice, no source"))
    said = int(hours * 3600 / SAID_EVERY_S)
    takes = int(CYLINDERS * len(POINTS) * hours / 4)
    seq, take = 1, 0
    for number in range(said):
        cylinder = 1 + number * CYLINDERS // said
        for kind, body in _said(number, seq, cylinder, rng):
            seq += 1
            yield kind, body
        while take < takes * (number + 1) // said:
            for kind, body in _taken(take, seq, cylinder, rng):
                seq += 1
                yield kind, body
            take += 1
    yield "closed", {}


def _said(number: int, seq: int, cylinder: int, rng: np.random.Generator):
    path = f"{AUDIO}/said-{number:05d}.wav"
    yield "audio", _audio(path, rng, seconds=3)
    percent = str(rng.integers(0, 100))
    heard = Heard(0.4, 2.1, f"leakage {percent} percent", float(rng.uniform(0.7, 1)), "leakage",
                  float(percent), "percent", needs_confirmation=True, rejected=False)  # fmt: skip
    yield "utterance", bodies.utterance_body(heard, cylinder=cylinder, audio=path)
    if number % 2:
        yield (
            "reading",
            bodies.reading_body(
                cylinder,
                "leakage",
                percent,
                "percent",
                origin="dictated, confirmed",
                utterance=seq + 2,
            ),
        )


def _taken(number: int, seq: int, cylinder: int, rng: np.random.Generator):
    path, point = f"{AUDIO}/take-{number:05d}.wav", POINTS[number % len(POINTS)]
    yield "audio", _audio(path, rng, seconds=32)
    on = [(5.0 * n + float(rng.uniform(0, 1)), 5.0 * n + 3) for n in range(6)]
    yield "take", bodies.take_body(cylinder=cylinder, point=point, basis="cycles", audio=[path],
                                   air_on_s=on)  # fmt: skip
    levels = [tuple(map(float, rng.normal(-80, 10, BANDS))) for _ in range(3)]
    finding = Finding("cycles", point, 48_000, 14.2, 15.1, 2.34, (1.1, 3.2), 0.003, 0.6, "clear",
                      usable=True, flags=("unsteady",), floors=Floors(*levels),
                      cycles_db=tuple(map(float, rng.normal(2, 1, 6))), hiss_db=-1.8)  # fmt: skip
    yield "finding", bodies.finding_body(finding, seq + 2, refused=False)


def _audio(path: str, rng: np.random.Generator, *, seconds: int):
    return {"path": path, "sha256": rng.bytes(32).hex(), "bytes": 44 + 96_000 * seconds,
            "original_name": path, "sample_rate_hz": 48_000, "channels": 1,
            "frames": 48_000 * seconds, "subtype": "PCM_16"}  # fmt: skip


def _print(folder: Path, hours: float) -> None:
    lines = (folder / LOG).read_bytes().splitlines()
    fresh = subprocess.run([sys.executable, "-c", FRESH, folder], capture_output=True, check=True)
    read, record = _best(lambda: read_record(folder))
    tell, _ = _best(lambda: inspection(record))
    plain, _ = _best(lambda: [json.loads(line) for line in lines])
    megabytes = (folder / LOG).stat().st_size / 1e6
    print(f"{hours:6g} {len(lines):8d} {megabytes:6.2f} {read:7.3f} {tell:7.3f} {read + tell:7.3f} "
          f"{plain:12.3f} {(read + tell) / plain:6.1f} {float(fresh.stdout):15.3f}")  # fmt: skip


def _best(work):
    times = []
    for _ in range(BEST_OF):
        began = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - began)
    return min(times), result


if __name__ == "__main__":
    main()
