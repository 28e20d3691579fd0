"""An invented shop's archive: visits to its engines over years, written by the real record writer.

Run by hand to look at a history: python tests/support/years_of_engines.py FOLDER
The shop, the people, the engines and every value are invented; the VIN is not that of any vehicle
known to us, and its check digit is right.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf

from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.judge import judge_engine
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies, model
from earwitness.record.identity import salted
from earwitness.record.reader import read_record
from earwitness.record.store import RecordWriter

if TYPE_CHECKING:
    from collections.abc import Mapping

FOUR = engine_layout(4, label="Inline four, 1.9 litre")
VIN = "WXX2Z0001XP000123"
"""Invented: WXX is no maker's code we know of. Test of the check digit: see test_archive.py."""
SHOP = "Lockside Motor Repairs"
GAUGE = {"orifice_mm": 1.0, "supply_kpa": 690.0}
LIMIT = LeakageLimit(20.0, "common practice, no source")


@dataclass(frozen=True)
class Cylinder:
    """What one visit says of one cylinder."""

    leakage: tuple[float, ...] = ()
    """Readings of one set-up [%]."""
    dry_kpa: float | None = None
    hiss: Mapping[str, float] = field(default_factory=dict)
    """Rise of the floor at each listening point [dB]; below half a decibel nothing was found."""


def write_visit(
    folder: Path,
    day: date,
    cylinders: Mapping[int, Cylinder],
    *,
    identity: Mapping[str, str] | None = None,
    layout: EngineLayout = FOUR,
    gauge: Mapping[str, float | None] = GAUGE,
    label: str = "",
    stated_day: str = "",
    close: bool = True,
    judged: bool = False,
    basis: bodies.Basis = "cycles",
) -> Path:
    """Write the record of a visit; its sound is a quarter of a second of noise."""
    named = salted(identity or {}, np.random.default_rng(day.toordinal()).bytes)
    start = datetime(day.year, day.month, day.day, 9, 30, tzinfo=UTC)
    ticks = iter(range(100_000))
    with RecordWriter.create(folder, clock=lambda: start + timedelta(seconds=next(ticks))) as w:
        opened = bodies.opened_body(
            layout, limit=LIMIT, gauge=gauge, identity=named, label=label, date=stated_day,
            source="an invented visit",
        )  # fmt: skip
        w.begin(opened, named)
        sound = _sound(w, folder, day)
        for number, said in cylinders.items():
            _write_cylinder(w, number, said, sound, basis)
        if judged:  # a history needs no verdict, and judging takes longer than all the rest
            told = model.inspection(read_record(folder))
            w.append("verdict", bodies.verdict_body(judge_engine(layout, model.evidence(told))))
        if close:
            w.append("closed", {})
    return folder


def _sound(w: RecordWriter, folder: Path, day: date) -> str:
    scratch = folder.with_name(f".{folder.name}.wav")
    noise = np.random.default_rng(day.toordinal()).normal(0, 0.01, 6_000)
    sf.write(scratch, noise, 24_000, subtype="PCM_16")
    path = w.add_audio(scratch, name="noise")["path"]
    scratch.unlink()
    return str(path)


def _write_cylinder(
    w: RecordWriter, number: int, said: Cylinder, sound: str, basis: bodies.Basis
) -> None:
    first = None
    for percent in said.leakage:
        body = _reading(number, "leakage", percent, "percent", repeats=first)
        seq = w.append("reading", body).seq
        first = first or seq
    if said.dry_kpa is not None:
        w.append("reading", _reading(number, "compression-dry", said.dry_kpa, "kpa"))
    for point, rise in said.hiss.items():
        audio = [sound] if basis == "cycles" else [sound, sound]
        body = bodies.take_body(
            cylinder=number, point=point, basis=basis, audio=audio,
            air_on_s=[(0.05, 0.1)] if basis == "cycles" else None,
        )  # fmt: skip
        seq = w.append("take", body).seq
        w.append("finding", bodies.finding_body(finding(point, rise, basis), seq, refused=False))


def _reading(
    number: int, quantity: bodies.Quantity, value: float, unit: str, repeats: int | None = None
) -> Mapping[str, object]:
    return bodies.reading_body(
        number, quantity, f"{value:g}", unit, origin="typed", repeats=repeats
    )


def finding(point: str, rise_db: float, basis: bodies.Basis = "cycles") -> Finding:
    """A usable finding with an interval of ±0.5 dB."""
    grade = (
        "none"
        if rise_db < 0.5
        else "faint"
        if rise_db < 3
        else "clear"
        if rise_db < 6
        else "strong"
    )
    proof = basis == "cycles"
    return Finding(
        basis, point, 24_000, 10.0, 10.0, rise_db, (rise_db - 0.5, rise_db + 0.5),
        (0.4 if grade == "none" else 0.003) if proof else None, 0.7 if proof else None, grade,
        usable=True, flags=() if proof else ("screening-only",),
    )  # fmt: skip


# --- several years of one shop ---------------------------------------------------------------

VAN = {
    date(2022, 5, 9): ((8, 9), (10, 9.5), (12, 11.5), (9, 9), 0.1),
    date(2023, 5, 30): ((9, 9.5), (9, 10), (15, 16), (8, 8.5), 0.2),
    date(2024, 6, 4): ((8.5, 8), None, (19, 18), (9, 10), 1.8),
    date(2025, 5, 22): ((10, 9), (11, 10), (24, 25), (9.5, 9), 3.4),
    date(2026, 3, 4): ((9, 9), (10, 11), (34, 33), (10, 9), 8.5),
}
"""A delivery van: leakage of cylinders 1 to 4, and the rise at the tailpipe of cylinder 3. The
exhaust valve of cylinder 3 burns away; cylinder 2 was not tested in 2024."""
LAUNCH = {
    date(2024, 9, 2): (1.5, (3.5, 2.5, 3, 3.5, 2.5, 3)),
    date(2025, 9, 8): (1.0, (15, 13, 12, 16, 11.5, 13)),
    date(2026, 2, 16): (1.0, (13.5, 14, 29, 27, 12, 12.5)),
}
"""A launch: orifice of the tester, leakage of cylinders 1 to 6. The shop bought another tester
after the first visit; between the last two the gasket between cylinders 3 and 4 went."""


def write_years(folder: Path, *, judged: bool = False) -> Path:
    """Write all visits of the shop below a folder."""
    people = {"shop": SHOP, "technician": "T. Aldous"}
    for day, (*leaks, rise) in VAN.items():
        cylinders = {
            n: Cylinder(tuple(leak), 1150.0 - 8 * leak[0], _van_hiss(n, rise))
            for n, leak in enumerate(leaks, start=1)
            if leak is not None
        }
        who = people | {"vin": VIN, "customer": "Harrow Bakery"}
        write_visit(folder / f"van-{day}", day, cylinders, identity=who, judged=judged)
    six = engine_layout(6, label="Launch, inline six")
    for day, (orifice, leaks) in LAUNCH.items():
        cylinders = {n: Cylinder((leak,)) for n, leak in enumerate(leaks, start=1)}
        write_visit(
            folder / f"launch-{day}", day, cylinders, identity=people | {"engine_id": "L-07"},
            layout=six, gauge={"orifice_mm": orifice, "supply_kpa": 690.0}, judged=judged,
        )  # fmt: skip
    return folder


def _van_hiss(number: int, rise: float) -> dict[str, float]:
    if number != 3:
        return {"tailpipe": 0.0}
    return {"oil-filler": 0.2, "tailpipe": rise, "throttle-body": 0.1}


if __name__ == "__main__":
    write_years(Path(sys.argv[1]), judged=True)
