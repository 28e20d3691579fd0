"""One small inspection of an invented engine, packed: two takes, a reading, a correction."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf

from earwitness.acoustics.hiss import score_cycled, score_pair
from earwitness.audio.recording import read_recording
from earwitness.diagnosis.judge import judge_engine
from earwitness.engine.layout import EngineLayout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies, model
from earwitness.record.claim.check.page import Drawing
from earwitness.record.identity import salted
from earwitness.record.reader import read_record
from earwitness.record.store import RecordWriter
from earwitness.speech.dictation import Heard
from tampering.bench import Bench

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.record.chain import Body
    from earwitness.record.identity import Salted, Salts

FS = 24_000
AIR_ON_S = [(1.5, 3.0), (4.5, 6.0), (7.5, 9.0)]
START = datetime(2026, 3, 4, 16, 30, tzinfo=UTC)
PEOPLE = {
    "shop": "Ferry Lane Engines",
    "technician": "O. Marsh",
    "customer": "Tarn Boats",
    "vin": "1M8GDM9AXKP042788",
}
"""The VIN is the worked example of the check digit that is passed around, from memory."""
HEARD = Heard(0.1, 0.4, "leakage forty two percent", 0.97, "leakage", 42.0, "percent", True, False)
CHECKING = "Run sha256sum -c manifest-sha256.txt in this folder. Each line must say OK.\n"


def make_record(folder: Path, *, seed: int = 1, value: str = "42") -> Path:
    """Record an inspection: air in cylinder 3, heard at two points, one slip."""
    scratch = folder.with_name(f"{folder.name}-sounds")
    scratch.mkdir(parents=True)
    ticks = iter(range(1000))
    with RecordWriter.create(folder, clock=lambda: START + timedelta(seconds=next(ticks))) as w:
        identity = salted(PEOPLE, salts())
        w.begin(_opened(identity), identity)
        heard = w.add_audio(_sound(scratch, "said", 0.5, seed), name="said")["path"]
        said = w.append("utterance", bodies.utterance_body(HEARD, cylinder=3, audio=heard)).seq
        slip = w.append("reading", _reading("24", said)).seq
        w.append("retraction", bodies.retraction_body(slip, "scratch that"))
        w.append("reading", _reading(value, said))
        _cycled(w, scratch, seed)
        _pair(w, scratch, seed)
        told = model.inspection(read_record(folder))
        verdict = judge_engine(told.layout, model.evidence(told))
        w.append("verdict", bodies.verdict_body(verdict))
        w.append("closed", {})
    return folder


def make_bag(bag: Path, *, seed: int = 1, value: str = "42") -> Path:
    """Pack such a record by hand, the way decisions 0060 and 0061 describe a bag."""
    make_record(bag / "data" / "record", seed=seed, value=value)
    for path in sorted((bag / "data" / "record-sounds").iterdir()):
        path.unlink()
    (bag / "data" / "record-sounds").rmdir()
    bench = Bench(bag)
    bench.write("data/CHECKING.txt", CHECKING.encode())
    bench.write("data/report.html", draw(bag / "data" / "record").encode())
    bench.write("bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    bench.write(
        "bag-info.txt",
        b"Source-Organization: Ferry Lane Engines\nExternal-Identifier: 0\n"
        b"Bagging-Date: 2026-03-04\nPayload-Oxum: 0.0\nBag-Software-Agent: earwitness 0\n",
    )
    bench.seal()
    return bag


def draw(folder: Path) -> str:
    """Draw a plain page of a record: quicker than the report, and as true to the record."""
    told = model.inspection(read_record(folder))
    readings = "".join(f"<li>{escape(r.value)} {escape(r.unit)}</li>" for r in told.readings)
    summary = escape(told.verdict.summary if told.verdict else "no verdict")
    shop = escape(told.identity.get("shop") or "no shop")
    return (
        f'<!doctype html><html lang="en"><head><title>Leak inspection</title>'
        f'<meta name="earwitness-record" content="{told.head} {told.entries}">'
        f"</head><body><p>{shop}: {summary}</p><ul>{readings}</ul></body></html>\n"
    )


def words(html: str) -> str:
    """Return what a plain page says."""
    return re.sub(r"<[^>]*>", " ", html)


DRAWING = Drawing(draw=draw, words=words)


def salts(seed: int = 1) -> Salts:
    """Return a source of salts that gives the same ones every time."""
    rng = np.random.default_rng(seed)
    return rng.bytes


def _opened(identity: dict[str, Salted]) -> Body:
    layout = EngineLayout(4, (1, 3, 4, 2), label="Harbour pump")
    limit = LeakageLimit(20, "common practice, no source")
    return bodies.opened_body(layout, limit=limit, identity=identity, source="made for tests")


def _reading(value: str, utterance: int) -> Body:
    return bodies.reading_body(
        3, "leakage", value, "percent", origin="dictated, confirmed", utterance=utterance
    )


def _cycled(w: RecordWriter, scratch: Path, seed: int) -> None:
    source = _sound(scratch, "c3-tailpipe", 10.5, seed + 1, hiss=AIR_ON_S)
    path = str(w.add_audio(source, name=source.stem)["path"])
    body = bodies.take_body(
        cylinder=3, point="tailpipe", basis="cycles", audio=[path], air_on_s=AIR_ON_S
    )
    take = w.append("take", body).seq
    sound = read_recording(w.folder / path)
    finding = score_cycled(sound.samples, sound.sample_rate_hz, AIR_ON_S, point="tailpipe")
    _found(w, finding, take)


def _pair(w: RecordWriter, scratch: Path, seed: int) -> None:
    sources = [
        _sound(scratch, f"c3-oil-filler-{x}", 2.0, seed + n) for n, x in ((2, "off"), (3, "on"))
    ]
    off, on = (str(w.add_audio(source, name=source.stem)["path"]) for source in sources)
    body = bodies.take_body(cylinder=3, point="oil-filler", basis="pair", audio=[off, on])
    take = w.append("take", body).seq
    a, b = read_recording(w.folder / off), read_recording(w.folder / on)
    finding = score_pair(a.samples, FS, b.samples, FS, point="oil-filler")
    _found(w, finding, take)


def _found(w: RecordWriter, finding: Finding, take: int) -> None:
    w.append("finding", bodies.finding_body(finding, take, refused=not finding.usable))


def _sound(
    folder: Path,
    name: str,
    seconds: float,
    seed: int,
    hiss: list[tuple[float, float]] | None = None,
) -> Path:
    """Write faint white noise, ten decibels louder while the air is on."""
    t = np.arange(int(seconds * FS)) / FS
    level = np.full(len(t), 0.002)
    for start, end in hiss or []:
        level[(t >= start) & (t < end)] *= 10**0.5
    samples = level * np.random.default_rng(seed).normal(0, 1, len(t))
    sf.write(folder / f"{name}.wav", samples, FS, subtype="PCM_16")
    return folder / f"{name}.wav"
