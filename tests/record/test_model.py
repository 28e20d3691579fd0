"""The fold from entries to an inspection, and bodies that come back as they were."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.acoustics.finding import Finding, Floors
from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict, Ranked
from earwitness.engine.layout import EngineLayout
from earwitness.errors import GaugeError, RecordError
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies, model
from earwitness.record.canonical import canonical_bytes, value_of
from earwitness.record.chain import GENESIS, Entry
from earwitness.record.identity import digests_of, salted
from earwitness.record.reader import Record
from earwitness.speech.dictation import Heard

if TYPE_CHECKING:
    from earwitness.record.chain import Body

START = datetime(2026, 3, 4, 9, 15, tzinfo=UTC)
LAYOUT = EngineLayout(4, (1, 3, 4, 2), label="Four in line", bore_mm=86.0)
IDENTITY = salted({"shop": "Harbour Motors", "customer": ""}, np.random.default_rng(3).bytes)
OPENED = bodies.opened_body(
    LAYOUT,
    limit=LeakageLimit(20, "maker's handbook"),
    gauge={"orifice_mm": 1.0, "supply_kpa": 690.0},
    identity=IDENTITY,
    date="2026-03-04",
    label="Visit 7",
    source="sheet.toml",
)
FINDING = Finding(
    basis="cycles",
    point="tailpipe",
    sample_rate_hz=48_000,
    baseline_s=12.0,
    take_s=12.5,
    excess_db=3.1,
    interval_db=(2.2, 4.0),
    p_value=0.0078,
    detectable_db=0.9,
    grade="clear",
    usable=True,
    flags=("unsteady",),
    floors=Floors((1000.0, 2000.0), (-80.1, -82.3), (-77.0, -79.9)),
    cycles_db=(3.0, 3.2),
)

FLOATS = st.floats(allow_nan=False)
FINDINGS = st.builds(
    Finding,
    basis=st.sampled_from(["pair", "cycles"]),
    point=st.none() | st.sampled_from(["tailpipe", "plug-hole-2"]),
    sample_rate_hz=st.integers(4_000, 384_000),
    baseline_s=FLOATS,
    take_s=FLOATS,
    excess_db=FLOATS,
    interval_db=st.tuples(FLOATS, FLOATS),
    p_value=st.none() | FLOATS,
    detectable_db=st.none() | FLOATS,
    grade=st.sampled_from(["none", "faint", "clear", "strong", "undetermined"]),
    usable=st.booleans(),
    flags=st.lists(st.sampled_from(["clipped", "unsteady"])).map(tuple),
    floors=st.none()
    | st.builds(Floors, *[st.lists(FLOATS, max_size=4).map(tuple) for _ in range(3)]),
    cycles_db=st.lists(FLOATS, max_size=4).map(tuple),
    hiss_db=st.none() | FLOATS,
)


def on_disk(body: Body) -> Any:
    """A body as it comes back from a line of the log."""
    return value_of(canonical_bytes(body))


def told(*entries: tuple[str, Body], lost: str | None = None) -> model.Inspection:
    """Fold entries after an `opened` one; the first of them is entry 2."""
    listed = [
        Entry(seq, START + timedelta(seconds=seq), kind, on_disk(body), GENESIS)
        for seq, (kind, body) in enumerate([("opened", OPENED), *entries], start=1)
    ]
    return model.inspection(Record(Path("visit-7"), tuple(listed), "f" * 64, lost))


def leakage(cylinder: int, value: str) -> tuple[str, Body]:
    return "reading", bodies.reading_body(cylinder, "leakage", value, "percent", origin="typed")


def take(cylinder: int, point: str = "tailpipe") -> tuple[str, Body]:
    body = bodies.take_body(
        cylinder=cylinder, point=point, basis="cycles", audio=["audio/0001-x.wav"],
        air_on_s=[(2, 6), (10, 14.5)],
    )  # fmt: skip
    return "take", body


@given(FINDINGS)
def test_a_finding_comes_back_to_the_last_bit(finding: Finding) -> None:
    assert bodies.finding_from(on_disk(bodies.finding_body(finding, 7, refused=False))) == finding


def test_a_finding_that_is_not_a_number_comes_back() -> None:
    finding = Finding(
        "pair", None, 8_000, 1.0, 1.0, math.nan, (-math.inf, math.inf), None, None,
        "undetermined", False, ("not-finite",),
    )  # fmt: skip
    back = bodies.finding_from(on_disk(bodies.finding_body(finding, 7, refused=True)))
    assert math.isnan(back.excess_db)
    assert back.interval_db == (-math.inf, math.inf)


def test_a_verdict_comes_back() -> None:
    ranking = (Ranked("exhaust-valve", 0.93), Ranked("sealed", 0.01))
    weak = CylinderVerdict(
        3, 34.5, False, "exhaust-valve", 0.93, ranking, "Tap the valve stem.", ("hiss",), ("a",)
    )
    verdict = EngineVerdict("cylinder-head", 0.93, "The exhaust valve leaks.", None, (weak,))
    body = on_disk(bodies.verdict_body(verdict))
    assert bodies.verdict_from(body) == verdict
    assert {"schema", "engine", "cylinders"} <= body.keys()
    assert body["schema"] == "earwitness.verdict/1"


def test_bodies_have_the_fields_that_other_programs_read() -> None:
    """The names of the record format, version 1."""
    heard = Heard(0.5, 2.0, "cylinder three", 0.9, None, 34.0, "percent", True, False)
    assert sorted(OPENED) == [
        "date", "engine", "gauge", "identity", "label", "limit", "program", "schema", "source",
    ]  # fmt: skip
    assert OPENED["schema"] == "earwitness.record/1"
    assert OPENED["label"] == "Visit 7"
    assert OPENED["identity"] == digests_of(IDENTITY)
    assert OPENED["date"] == "2026-03-04"
    assert bodies.utterance_body(heard, cylinder=None, audio="audio/0001-x.wav") == {
        "cylinder": None, "audio": "audio/0001-x.wav", "start_s": 0.5, "end_s": 2.0,
        "text": "cylinder three", "confidence": 0.9, "command": None, "value": 34.0,
        "unit": "percent", "needs_confirmation": True, "rejected": False, "doubtful": False,
        "while_talking": False, "extends": False, "clipped": False, "readings": [],
    }  # fmt: skip
    assert leakage(3, "34")[1] == {
        "cylinder": 3, "quantity": "leakage", "value": "34", "unit": "percent",
        "origin": "typed", "utterance": None, "repeats": None,
    }  # fmt: skip
    assert take(1)[1]["air_on_s"] == [[2.0, 6.0], [10.0, 14.5]]


def test_the_fold_tells_the_whole_visit() -> None:
    heard = Heard(0.5, 2.0, "thirty four percent", 0.9, None, 34.0, "percent", False, False)
    it = told(
        ("utterance", bodies.utterance_body(heard, cylinder=3, audio="audio/0001-x.wav")),
        leakage(3, "34.5"),
        take(3),
        ("finding", bodies.finding_body(FINDING, 4, refused=False)),
        ("note", bodies.note_body("the radio was on")),
        ("closed", {}),
        lost="Nothing much.",
    )
    assert (it.layout, it.opened.limit.origin, it.closed, it.lost) == (
        LAYOUT, "maker's handbook", True, "Nothing much.",
    )  # fmt: skip
    assert it.utterances[0].heard == heard
    assert it.takes[0].finding == FINDING
    assert it.takes[0].air_on_s == ((2.0, 6.0), (10.0, 14.5))
    assert [n.text for n in it.notes] == ["the radio was on"]
    assert (it.opened_at, it.ended_at, it.entries) == (
        START + timedelta(seconds=1), START + timedelta(seconds=7), 7,
    )  # fmt: skip


def test_evidence_is_what_still_counts() -> None:
    unusable = Finding(
        "pair", "radiator", 8_000, 1.0, 1.0, 0.0, (0.0, 0.0), None, None, "undetermined", False,
        ("clipped",),
    )  # fmt: skip
    it = told(
        leakage(3, "40"),
        leakage(3, "34.5"),
        leakage(1, "8"),
        leakage(1, "9"),
        ("retraction", bodies.retraction_body(5, "scratch that")),
        take(3),
        ("finding", bodies.finding_body(FINDING, 7, refused=False)),
        take(3, "radiator"),
        ("finding", bodies.finding_body(unusable, 9, refused=True)),
        take(3, "oil-filler"),
        ("finding", bodies.finding_body(FINDING, 11, refused=True)),
        take(3, "throttle-body"),
        ("finding", bodies.finding_body(FINDING, 13, refused=False)),
        ("retraction", bodies.retraction_body(13, "somebody bumped the probe")),
        ("reading", bodies.reading_body(3, "bubbles", "slow", "", origin="run sheet")),
    )
    one, three = model.evidence(it)
    assert (one.cylinder, one.leakage_percent, one.findings) == (1, 8.0, ())
    assert (three.leakage_percent, three.bubbles) == (34.5, "slow")
    assert three.findings == (FINDING, unusable)
    assert (three.limit_percent, three.limit_origin) == (20.0, "maker's handbook")
    assert three.points[:4] == ("oil-filler", "tailpipe", "throttle-body", "radiator")
    assert [r.value for r in it.retracted_readings] == ["9"]
    assert [t.counts for t in it.takes] == [True, False, False, False]


def pressure(quantity: bodies.Quantity, value: str, unit: str) -> tuple[str, Body]:
    return "reading", bodies.reading_body(2, quantity, value, unit, origin="dictated, confirmed")


@pytest.mark.parametrize(
    ("entries", "percent"),
    [
        ([("supply-pressure", "80", "psi"), ("cylinder-pressure", "60", "psi")], 25.0),
        ([("cylinder-pressure", "4.5", "bar"), ("supply-pressure", "6", "bar")], 25.0),
        ([("supply-pressure", "80", "psi"), ("cylinder-pressure", "413.685", "kpa")], 25.0),
        ([("cylinder-pressure", "517.5", "kpa")], 25.0),  # of the gauge's 690 kPa
        ([("cylinder-pressure", "345", "kpa"), ("leakage", "12", "percent")], 12.0),
        ([("leakage", "12", "percent"), ("cylinder-pressure", "345", "kpa")], 50.0),
        ([("supply-pressure", "80", "psi")], None),
    ],
)
def test_leakage_comes_from_the_form_that_was_read_last(
    entries: list[tuple[bodies.Quantity, str, str]], percent: float | None
) -> None:
    """60 psi over 80 psi is a loss of 25 percent: FAA AC 43.13-1B, paragraph 8-14b(5)."""
    (one,) = model.evidence(told(*(pressure(*entry) for entry in entries)))
    assert one.leakage_percent == pytest.approx(percent, abs=1e-3)


def test_pressures_are_judged_in_kilopascals() -> None:
    """1 psi = 6.894757 kPa: NIST SP 811 (2008), appendix B.8."""
    (one,) = model.evidence(
        told(pressure("compression-dry", "100", "psi"), pressure("compression-wet", "7.5", "bar"))
    )
    assert one.compression_dry_kpa == pytest.approx(689.4757, abs=1e-4)
    assert one.compression_wet_kpa == pytest.approx(750.0)


def test_pressures_that_cannot_stand_on_one_tester_are_named() -> None:
    it = told(pressure("supply-pressure", "60", "psi"), pressure("cylinder-pressure", "80", "psi"))
    with pytest.raises(GaugeError, match=r"Cylinder 2: .*above its supply"):
        model.evidence(it)


def test_a_rescored_take_speaks_with_its_last_finding() -> None:
    it = told(
        take(2),
        ("finding", bodies.finding_body(FINDING, 2, refused=True)),
        ("finding", bodies.finding_body(FINDING, 2, refused=False)),
    )
    assert (len(it.takes[0].findings), it.takes[0].counts) == (2, True)


def test_clock_steps_are_told() -> None:
    back = [
        Entry(1, START, "opened", on_disk(OPENED), GENESIS),
        Entry(2, START - timedelta(days=1), "note", {"text": "a"}, GENESIS),
        Entry(3, START, "note", {"text": "b"}, GENESIS),
    ]
    it = model.inspection(Record(Path("r"), tuple(back), "f" * 64, None))
    assert it.clock_steps == (2,)
    assert [n.text for n in it.notes] == ["a", "b"]


@pytest.mark.parametrize(
    ("kind", "body", "fault"),
    [
        ("omen", {}, "does not know entries of that kind"),
        ("opened", OPENED, "already opened"),
        ("reading", {"cylinder": 1}, "quantity: Field required"),
        ("reading", {**leakage(1, "5")[1], "quantity": "smell"}, "quantity"),
        ("reading", leakage(1, "a lot")[1], "'a lot' is not a decimal number"),
        ("reading", leakage(1, "nan")[1], "'nan' is not a decimal number"),
        ("reading", leakage(1, "140")[1], "140"),
        (
            "reading",
            {**leakage(1, "5")[1], "quantity": "compression-dry"},
            "'percent' is not known",
        ),
        ("reading", {**leakage(1, "5")[1], "quantity": "bubbles"}, "none, slow or steady"),
        ("retraction", {"retracts": 9, "why": "?"}, "no earlier reading or take"),
        ("finding", {"take": 1}, "refused"),
        ("finding", bodies.finding_body(FINDING, 9, refused=False), "no earlier take"),
        ("take", {**take(1)[1], "audio": "x"}, "audio"),
        ("utterance", {"cylinder": None}, "audio"),
        ("verdict", {"schema": "earwitness.verdict/2"}, "engine"),
    ],
)
def test_an_entry_that_makes_no_sense_is_named(kind: str, body: Body, fault: str) -> None:
    with pytest.raises(RecordError, match=rf"Entry 2 \({kind}\) of visit-7: .*{fault}"):
        told((kind, body))


def test_an_impossible_engine_in_a_record_is_named() -> None:
    body = {**OPENED, "engine": {**OPENED["engine"], "cylinders": 5}}
    entry = Entry(1, START, "opened", on_disk(body), GENESIS)
    with pytest.raises(RecordError, match=r"Entry 1 \(opened\)"):
        model.inspection(Record(Path("r"), (entry,), "f" * 64, None))


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(0, 100).map(str)) | st.integers(0, 30), max_size=30
    )
)
def test_the_last_reading_that_was_not_retracted_counts(
    script: list[tuple[int, str] | int],
) -> None:
    """Against a plain list: readings are added to it, retractions take one out."""
    entries: list[tuple[str, Body]] = []
    kept: dict[int, tuple[int, str]] = {}
    made: list[int] = []
    for step in script:
        if isinstance(step, tuple):
            entries.append(leakage(*step))
            kept[len(entries) + 1] = step
            made.append(len(entries) + 1)
        elif made:
            target = made[step % len(made)]
            entries.append(("retraction", bodies.retraction_body(target, "scratch that")))
            kept.pop(target, None)
    it = told(*entries)
    assert [(r.cylinder, r.value) for r in it.readings] == list(kept.values())
    assert len(it.readings) + len(it.retracted_readings) == len(made)
    for e in model.evidence(it):
        assert e.leakage_percent == float([v for c, v in kept.values() if c == e.cylinder][-1])


def test_later_keys_are_left_alone() -> None:
    body = {**leakage(1, "5")[1], "temperature": 20}
    assert told(("reading", body)).readings[0].value == "5"


def test_a_value_that_was_built_is_json() -> None:
    assert json.loads(canonical_bytes(OPENED)) == json.loads(json.dumps(OPENED))
    assert bodies.read_body(bodies.Opened, on_disk(OPENED)).engine == LAYOUT
