"""An invented visit, written to a real record, with synthetic noise for its sound."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf

from earwitness.acoustics.finding import Finding, Floors
from earwitness.audio.recording import read_recording
from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict, Ranked, Weight
from earwitness.engine.layout import EngineLayout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies, model
from earwitness.record.identity import Identity, salted
from earwitness.record.store import RecordWriter, read_record
from earwitness.report.html import render_html
from earwitness.speech.dictation import Heard

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.record.chain import Body
    from earwitness.record.model import Inspection

RATE_HZ = 48_000
AIR_ON_S = ((3.0, 6.0), (9.0, 12.5), (15.0, 18.0))
CENTRES_HZ = tuple(float(f) for f in np.geomspace(1_100, 15_000, 12))


class Visit:
    """Writes the entries of a visit, with made-up findings."""

    def __init__(self, folder: Path, scratch: Path, seed: int = 1) -> None:
        ticks = iter(range(100_000))
        start = datetime(2026, 3, 4, 9, 15, tzinfo=UTC)
        self.folder = folder
        self.writer = RecordWriter.create(
            folder, clock=lambda: start + timedelta(seconds=7 * next(ticks))
        )
        self.scratch = scratch
        self.rng = np.random.default_rng(seed)

    def open(self, **changes: object) -> None:
        """Write the entry that opens the record."""
        identity = salted(
            {
                "shop": "Harbour Lane Motors",
                "technician": "R. Okafor",
                "customer": "Ms. Lindqvist",
                "complaint": "Rough idle, loss of power on cylinder 3",
                "vin": "1M8GDM9AXKP042788",
                "engine_id": "Estate 7",
            },
            self.rng.bytes,
        )
        layout = EngineLayout(4, (1, 3, 4, 2), bore_mm=86.0, label="Inline four, 2.0 litre")
        body = dict(
            bodies.opened_body(
                layout,
                limit=LeakageLimit(20, "common practice, no source"),
                gauge={"orifice_mm": 1.0, "supply_kpa": 690.0},
                identity=identity,
                date="2026-03-04",
                source="sheet.toml",
                label="Blue estate car, rough idle",
            )
        )
        self.writer.begin(body | changes, identity)

    def sound(self, seconds: float, level: float, hiss: float = 0.0, name: str = "take") -> str:
        """Store noise with a hiss while the air is on; return its path in the record."""
        frames = int(seconds * RATE_HZ)
        samples = self.rng.normal(0, level, frames)
        if hiss:
            steps = np.diff(self.rng.normal(0, hiss, frames + 1))
            for a, b in AIR_ON_S:
                samples[int(a * RATE_HZ) : int(b * RATE_HZ)] += steps[
                    int(a * RATE_HZ) : int(b * RATE_HZ)
                ]
        path = self.scratch / f"{name}.wav"
        sf.write(path, np.clip(samples, -1, 1), RATE_HZ, subtype="PCM_24")
        return str(self.writer.add_audio(path, name=name)["path"])

    def take(self, cylinder: int, point: str, finding: Finding, *, refused: bool = False) -> int:
        """Store a take of the finding's basis with its finding; return its entry."""
        cycled = finding.basis == "cycles"
        name = f"c{cylinder}-{point}"
        level = 0.9 if "clipped" in finding.flags else 0.003
        if cycled:
            audio = [self.sound(20.0, level, 0.003 if finding.grade != "none" else 0, name)]
        else:
            audio = [self.sound(5.0, level, name=f"{name}-{s}") for s in ("off", "on")]
        body = bodies.take_body(
            cylinder=cylinder, point=point, basis=finding.basis, audio=audio,
            air_on_s=AIR_ON_S if cycled else None,
        )  # fmt: skip
        seq = self.writer.append("take", body).seq
        self.writer.append("finding", bodies.finding_body(finding, seq, refused=refused))
        return seq

    def read(self, cylinder: int, quantity: bodies.Quantity, value: str, unit: str) -> int:
        """Store a reading; return its entry."""
        body = bodies.reading_body(cylinder, quantity, value, unit, origin="dictated, confirmed")
        return self.writer.append("reading", body).seq

    def say(self, cylinder: int, text: str, value: float | None, audio: str) -> None:
        """Store an utterance."""
        heard = Heard(
            2.0, 4.5, text, 0.93, None if value else "scratch that", value,
            "percent" if value else None, value is not None, False,
        )  # fmt: skip
        body = bodies.utterance_body(heard, cylinder=cylinder, audio=audio)
        self.writer.append("utterance", body)

    def close(self, verdict: EngineVerdict | None) -> None:
        """End the visit."""
        if verdict:
            self.writer.append("verdict", bodies.verdict_body(verdict))
        self.writer.append("closed", {})
        self.writer.close()


def finding(grade: str, excess_db: float, **changes: object) -> Finding:
    """A usable air-cycled finding, with changes."""
    off = tuple(float(-84 - 3 * np.log2(f / 1000)) for f in CENTRES_HZ)
    on = tuple(o + excess_db * (0.7 + 0.05 * i) for i, o in enumerate(off))
    fields: dict[str, object] = {
        "basis": "cycles",
        "point": None,
        "sample_rate_hz": RATE_HZ,
        "baseline_s": 8.4,
        "take_s": 7.4,
        "excess_db": excess_db,
        "interval_db": (excess_db - 0.8, excess_db + 0.9),
        "p_value": 0.0031 if grade != "none" else 0.4211,
        "detectable_db": 0.7,
        "grade": grade,
        "usable": True,
        "flags": (),
        "floors": Floors(CENTRES_HZ, off, on),
        "cycles_db": (excess_db,) * 3,
        "hiss_db": excess_db - 0.5 if grade != "none" else None,
    }
    return Finding(**{**fields, **changes})  # type: ignore[arg-type]


PAIR: Body = {"basis": "pair", "p_value": None, "detectable_db": None, "flags": ("screening-only",)}
REFUSED: Body = {
    "usable": False, "p_value": None, "detectable_db": None, "flags": ("clipped",), "floors": None,
    "cycles_db": (), "hiss_db": None, "baseline_s": 0.0, "take_s": 0.0, "interval_db": (0.0, 0.0),
}  # fmt: skip


def verdict() -> EngineVerdict:
    """What the visit comes to."""
    weak = CylinderVerdict(
        3, 34.5, False, "exhaust-valve", 0.934,
        (Ranked("exhaust-valve", 0.934), Ranked("rings-or-piston+exhaust-valve", 0.031),
         Ranked("set-up", 0.02), Ranked("rings-or-piston", 0.011), Ranked("sealed", 0.004)),
        "Tap the valve stem with a soft hammer, let it snap shut, and read the gauge again.",
        ("Leakage 34.5 % against a limit of 20 % (common practice, no source).",
         "Clear hiss at the tailpipe that follows the air valve; nothing at the oil filler."),
        ("leak-hole-0.9-mm",),
        weights=(
            Weight("Before any evidence", "the rest", "exhaust-valve", -11.0),
            Weight("Leakage 34.5 % against a limit of 20 %", "exhaust-valve", "the rest", 14.0),
            Weight("Clear hiss at the tailpipe", "exhaust-valve", "the rest", 8.51),
        ),
    )  # fmt: skip
    good = CylinderVerdict(
        1, 8.0, True, "sealed", 0.97, (Ranked("sealed", 0.97),), None,
        ("Leakage 8 % against a limit of 20 %.",), (),
    )  # fmt: skip
    lost = CylinderVerdict(
        4, 31.0, False, "undetermined", 0.44,
        (Ranked("rings-or-piston", 0.44), Ranked("intake-valve", 0.4)),
        "Listen at the oil filler, with the air cycled on and off.", ("Nothing was heard.",), (),
    )  # fmt: skip
    return EngineVerdict(
        "cylinder-head", 0.941,
        "Cylinder 3 loses 34.5 % of its test air past the exhaust valve (93 % sure). Air gets past "
        "a valve. If further checks confirm it, the work is on the cylinder head. Cylinder 1 holds "
        "its air.", "Cylinder 3: tap the valve stem.", (good, weak, lost),
    )  # fmt: skip


def write_visit(folder: Path, scratch: Path, changes: Body | None = None) -> None:
    """Write the whole visit: three cylinders, one refused take, one correction."""
    visit = Visit(folder, scratch)
    visit.open(**(changes or {}))
    said = visit.sound(6.0, 0.01, name="c3-said")
    visit.say(3, "leakage forty four percent", 44.0, said)
    wrong = visit.read(3, "leakage", "44", "percent")
    visit.say(3, "scratch that", None, said)
    visit.writer.append("retraction", bodies.retraction_body(wrong, "scratch that"))
    visit.say(3, "leakage thirty four point five percent", 34.5, said)
    visit.read(3, "leakage", "34.5", "percent")
    visit.read(3, "compression-dry", "690", "kpa")
    visit.read(1, "leakage", "8", "percent")
    visit.read(4, "leakage", "31", "percent")
    visit.take(3, "oil-filler", finding("none", 0.1))
    visit.take(3, "tailpipe", finding("undetermined", 0.0, **REFUSED), refused=True)
    visit.take(3, "tailpipe", finding("clear", 4.2, flags=("upper-bound",)))
    visit.take(3, "throttle-body", finding("faint", 1.1, **PAIR))
    visit.take(1, "tailpipe", finding("none", -0.05))
    visit.writer.append("note", bodies.note_body("The compressor started during the first take."))
    visit.close(verdict())


def rendered(folder: Path) -> str:
    """The report of a record folder."""
    told = model.inspection(read_record(folder))
    return render_html(told, audio=lambda path: read_recording(folder / path))


@pytest.fixture(scope="session")
def visit_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of the visit; tests only read it."""
    folder = tmp_path_factory.mktemp("visit")
    write_visit(folder / "inspection-2026-03-04", folder)
    return folder / "inspection-2026-03-04"


@pytest.fixture(scope="session")
def visit_page(visit_folder: Path) -> str:
    return rendered(visit_folder)


@pytest.fixture
def ten_takes_page(tmp_path: Path) -> str:
    """Ten takes at one cylinder."""
    visit = Visit(tmp_path / "ten", tmp_path)
    visit.open()
    for _ in range(10):
        visit.take(3, "tailpipe", finding("faint", 1.4))
    visit.close(verdict())
    return rendered(tmp_path / "ten")


@pytest.fixture(scope="session")
def made_hostile() -> Callable[[Inspection, str], Inspection]:
    """Puts a text into every field of the visit that comes from outside."""
    return _hostile


def _hostile(told: Inspection, text: str) -> Inspection:
    (first, *others), heard = told.takes, told.utterances[0].heard
    assert told.verdict is not None
    weak = replace(
        told.verdict.cylinders[1],
        reasons=(text,),
        flags=(text,),
        next_check=text,
        verdict=text,
        open_part=text,
        weights=(Weight(text, text, text, 1.0),),
    )
    return replace(
        told,
        name=text,
        opened=replace(
            told.opened, label=text, source=text, program=text,
            engine=replace(told.layout, label=text),
            limit=LeakageLimit(20, text),
        ),
        takes=(replace(first, retracted=text, point=text, basis=text), *others),
        utterances=(replace(told.utterances[0], heard=replace(heard, text=text, unit=text)),),
        retracted_readings=(replace(told.retracted_readings[0], retracted=text, value=text),),
        audio=tuple(replace(a, original_name=text, subtype=text) for a in told.audio),
        notes=(replace(told.notes[0], text=text),),
        verdict=replace(
            told.verdict, summary=text, next_check=text, area=text, reasons=(text,),
            cylinders=(told.verdict.cylinders[0], weak),
        ),
        lost=text,
        identity=Identity({"shop": text, "customer": text, "complaint": text, text: text}, (text,)),
    )  # fmt: skip
