"""Readings of a record: repeats, corrections of the scale, sag, and what replaces what."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.layout import engine_layout
from earwitness.errors import GaugeError, RecordError
from earwitness.gauges.leakage import COMMON_PRACTICE_LIMIT
from earwitness.record import bodies, model
from earwitness.record.canonical import canonical_bytes, value_of
from earwitness.record.chain import GENESIS, Entry
from earwitness.record.reader import Record

if TYPE_CHECKING:
    from earwitness.record.chain import Body

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def told(*readings: tuple[Any, ...], **gauge: Any) -> model.Inspection:
    """Fold readings of cylinder 3, (quantity, value, unit[, repeats]); the first is entry 2."""
    opened = bodies.opened_body(
        engine_layout(4), limit=COMMON_PRACTICE_LIMIT, gauge={"supply_kpa": 690.0, **gauge}
    )
    entries: list[tuple[str, Body]] = [("opened", opened)]
    for quantity, value, unit, *repeats in readings:
        body = bodies.reading_body(
            3, quantity, value, unit, origin="run sheet", repeats=repeats[0] if repeats else None
        )
        entries.append(("reading", body))
    listed = [
        Entry(seq, START + timedelta(seconds=seq), kind, value_of(canonical_bytes(body)), GENESIS)
        for seq, (kind, body) in enumerate(entries, start=1)
    ]
    return model.inspection(Record(Path("visit-7"), tuple(listed), "f" * 64, None))


def test_repeats_are_kept_one_by_one_and_averaged() -> None:
    """33, 34, 36: mean 103/3, standard deviation sqrt(7/3), by hand."""
    it = told(
        ("leakage", "33", "percent"),
        ("leakage", "34", "percent", 2),
        ("leakage", "36", "percent", 2),
    )
    assert [r.value for r in it.readings] == ["33", "34", "36"]
    read = it.leakage(3)
    assert read is not None
    assert read.percent == pytest.approx(103 / 3)
    assert read.count == 3
    assert read.scatter_percent == pytest.approx((7 / 3) ** 0.5)
    (evidence,) = model.evidence(it)
    assert evidence.leakage_percent == read.percent
    assert (evidence.leakage_count, evidence.leakage_scatter_percent) == (3, read.scatter_percent)
    assert "Mean of 3 readings" in evidence.leakage_remarks[0]


def test_a_reading_that_repeats_nothing_replaces_what_was_read_before() -> None:
    """A piston off the top at first, brought there afterwards: nothing is averaged with it."""
    it = told(
        ("leakage", "95", "percent"), ("leakage", "21", "percent"), ("leakage", "23", "percent", 3)
    )
    assert it.leakage_percent(3) == 22.0


@settings(max_examples=25)
@given(st.lists(st.integers(0, 100), min_size=1, max_size=8))
def test_any_number_of_repeats(percents: list[int]) -> None:
    it = told(
        *(
            ("leakage", str(p), "percent", *([2] if place else []))
            for place, p in enumerate(percents)
        )
    )
    read = it.leakage(3)
    assert read is not None
    assert (read.count, read.percent) == (
        len(percents),
        pytest.approx(sum(percents) / len(percents), abs=1e-6),
    )


def test_two_gauges_pair_by_pair_and_with_one_supply() -> None:
    """60/80 psi is 25 percent: FAA AC 43.13-1B 8-14b(5); 64/80 is 20."""
    pairs = told(
        ("supply-pressure", "80", "psi"), ("supply-pressure", "100", "psi", 2),
        ("cylinder-pressure", "60", "psi"), ("cylinder-pressure", "80", "psi", 4),
    )  # fmt: skip
    assert pairs.leakage_percent(3) == pytest.approx((25 + 20) / 2)
    one = told(
        ("supply-pressure", "80", "psi"),
        ("cylinder-pressure", "60", "psi"), ("cylinder-pressure", "64", "psi", 3),
    )  # fmt: skip
    assert one.leakage_percent(3) == pytest.approx(22.5)


def test_scale_of_the_tester_and_of_the_cylinder() -> None:
    """By hand: 2 % at zero and 98 % at full make 26 % a leakage of 25 %."""
    by_tester = told(("leakage", "26", "percent"), zero_percent=[2.0], full_percent=[98.0])
    assert by_tester.leakage_percent(3) == pytest.approx(25.0)
    by_cylinder = told(
        ("zero", "1", "percent"), ("zero", "3", "percent", 2), ("full", "98", "percent"),
        ("leakage", "26", "percent"),
    )  # fmt: skip
    read = by_cylinder.leakage(3)
    assert read is not None
    assert read.percent == pytest.approx(25.0)
    assert read.bound_percent > 0
    (evidence,) = model.evidence(by_cylinder)
    assert evidence.leakage_bound_percent == read.bound_percent
    assert any("hose shut" in remark for remark in evidence.leakage_remarks)


def test_a_supply_that_sags_under_flow() -> None:
    """By hand: 30 % of 690 kPa leaves 483, which is 75 % of 644."""
    it = told(("supply-under-flow", "644", "kpa"), ("leakage", "30", "percent"))
    assert it.leakage_percent(3) == pytest.approx(25.0)
    assert it.supply_kpa(3) == 644.0


def test_compressions_are_averaged_too() -> None:
    it = told(
        ("compression-dry", "100", "psi"), ("compression-dry", "690", "kpa", 2),
        ("compression-wet", "9", "bar"),
    )  # fmt: skip
    (evidence,) = model.evidence(it)
    assert evidence.compression_dry_kpa == pytest.approx((689.4757 + 690) / 2)
    assert evidence.compression_wet_kpa == 900.0


def test_the_height_of_the_shop_sets_the_pressure_of_the_air() -> None:
    """US Standard Atmosphere 1976: 0.8321 at 5000 ft."""
    (evidence,) = model.evidence(told(("leakage", "30", "percent"), altitude_m=1524.0))
    assert evidence.ambient_kpa == pytest.approx(0.8321 * 101.325, abs=0.01)
    (evidence,) = model.evidence(told(("leakage", "30", "percent")))
    assert evidence.ambient_kpa == 101.325


def test_an_older_record_without_the_new_fields_is_read() -> None:
    opened = bodies.opened_body(engine_layout(4), limit=COMMON_PRACTICE_LIMIT)
    opened["gauge"] = {"orifice_mm": 1.0, "supply_kpa": 690.0}
    del opened["engine"]["firing_intervals_deg"]
    body = bodies.reading_body(3, "leakage", "34", "percent", origin="run sheet")
    del body["repeats"]
    entries = (
        Entry(1, START, "opened", value_of(canonical_bytes(opened)), GENESIS),
        Entry(2, START, "reading", value_of(canonical_bytes(body)), GENESIS),
    )
    it = model.inspection(Record(Path("visit-7"), entries, "f" * 64, None))
    assert it.leakage_percent(3) == 34.0


@pytest.mark.parametrize(
    "readings",
    [
        [("leakage", "33", "percent", 7)],
        [("leakage", "33", "percent"), ("zero", "1", "percent", 2)],
        [
            ("leakage", "3", "percent"),
            ("leakage", "3", "percent", 2),
            ("leakage", "3", "percent", 3),
        ],
    ],
)
def test_a_repeat_of_something_else_is_refused(readings: list[tuple[Any, ...]]) -> None:
    with pytest.raises(RecordError, match="repeats entry"):
        told(*readings)


@pytest.mark.parametrize("value", ["12", "-15", "nan"])
def test_a_scale_that_is_far_off_is_refused(value: str) -> None:
    with pytest.raises(RecordError, match=r"hose shut|not a decimal"):
        told(("zero", value, "percent"))


def test_readings_that_cannot_stand_on_one_tester_name_the_cylinder() -> None:
    it = told(("supply-under-flow", "300", "kpa"), ("leakage", "10", "percent"))
    with pytest.raises(GaugeError, match=r"Cylinder 3: .* more than the supply of 300 kPa"):
        it.leakage(3)
