"""What is followed from visit to visit: from records that the real writer wrote."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest

from earwitness.diagnosis.trend import SCATTER
from earwitness.engine.layout import engine_layout
from earwitness.record import bodies
from earwitness.record.archive import read_archive
from earwitness.record.history import engine_history
from earwitness.record.store import RecordWriter
from years_of_engines import VIN, Cylinder, write_visit, write_years

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.diagnosis.trend import Series
    from earwitness.record.history import EngineHistory

DAYS = [date(2023, 5, 1), date(2024, 5, 2), date(2025, 5, 3)]


def history_of(folder: Path, *visits: dict[int, Cylinder], **more: object) -> EngineHistory:
    for day, cylinders in zip(DAYS, visits, strict=False):
        write_visit(folder / f"v-{day}", day, cylinders, **more)  # type: ignore[arg-type]
    (engine,) = read_archive(folder).engines
    return engine_history(engine)


def series_of(
    history: EngineHistory, cylinder: int, quantity: str, point: str | None = None
) -> Series:
    return next(
        s
        for s in history.series
        if (s.cylinder, s.quantity, s.point) == (cylinder, quantity, point)
    )


@pytest.fixture(scope="session")
def years(tmp_path_factory: pytest.TempPathFactory) -> tuple[EngineHistory, ...]:
    """A van over five years and a launch over three."""
    folder = write_years(tmp_path_factory.mktemp("years"))
    return tuple(engine_history(e) for e in read_archive(folder).engines)


def test_the_van_that_burns_a_valve(years: tuple[EngineHistory, ...]) -> None:
    van = years[0]
    assert van.engine.name == VIN
    called = {(c.cylinder, c.quantity) for c in van.changes if c.called}
    assert called == {(3, "leakage"), (3, "compression-dry")}
    leaks = series_of(van, 2, "leakage")
    assert [v.visit for v in leaks.values] == [0, 1, 3, 4]  # not tested in 2024: a gap
    assert leaks.reading_freedom == 19  # 5 visits x 4 cylinders less one, each read twice


def test_the_launch_whose_tester_changed(years: tuple[EngineHistory, ...]) -> None:
    launch = years[1]
    called = {(c.cylinder, c.comparison) for c in launch.changes if c.called}
    assert {n for n, _ in called} == {3, 4}
    assert "The leakage testers of these visits differ" in launch.remarks[0]
    first, second, last = series_of(launch, 3, "leakage").values
    assert (first.as_read, second.as_read, last.as_read) == (3.0, None, None)
    assert (second.value, last.value) == (12.0, 29.0)


def test_a_leak_carried_over_to_another_tester_by_hand(tmp_path: Path) -> None:
    """AC 43.13-1B orifices: flow equal in both, so A2 f(p2)/p2 = A1 f(p1)/p1 at the same hole.

    25 % of 551.58 kPa on 1.016 mm is a hole of 1.05 mm (worked in the tests of the orifice). On
    1.524 mm the flow balance of that hole, area ratio 2.25, is solved here by its own few lines.
    """
    for day, orifice, percent in zip(DAYS, (1.016, 1.524), (25.0, 14.0), strict=False):
        gauge = {"orifice_mm": orifice, "supply_kpa": 551.58}
        write_visit(tmp_path / f"{day}", day, {1: Cylinder((percent,))}, gauge=gauge)
    carried = series_of(engine_history(read_archive(tmp_path).engines[0]), 1, "leakage").values[0]
    supply = 551.58 + 101.325

    def factor(r: float) -> float:
        """Subsonic or choked flow of air, isentropic, over the choked one."""
        if r <= 0.528282:
            return 1.0
        return math.sqrt(
            (r ** (2 / 1.4) - r ** (2.4 / 1.4)) / (0.528282 ** (2 / 1.4) - 0.528282 ** (2.4 / 1.4))
        )

    def hole_area(percent: float, orifice: float) -> float:
        inside = 551.58 * (1 - percent / 100) + 101.325
        return orifice**2 * supply * factor(inside / supply) / (inside * factor(101.325 / inside))

    assert hole_area(carried.value, 1.524) == pytest.approx(hole_area(25.0, 1.016), rel=1e-6)
    assert carried.as_read == 25.0
    assert carried.value < 25.0


def test_unstated_testers_are_compared_with_a_word(tmp_path: Path) -> None:
    history = history_of(
        tmp_path, {1: Cylinder((9.0,))}, {1: Cylinder((10.0,))},
        gauge={"orifice_mm": None, "supply_kpa": None},
    )  # fmt: skip
    assert any("as if it had been the same one" in r for r in history.remarks)
    assert len(history.changes) == 1


def test_a_leak_that_cannot_be_carried_over_is_left_out(tmp_path: Path) -> None:
    testers = [(1.0, 690.0), (None, None), (1.5, 690.0)]
    for day, (orifice, supply), percent in zip(DAYS, testers, (100.0, 9.0, 8.0), strict=True):
        gauge = {"orifice_mm": orifice, "supply_kpa": supply}
        write_visit(tmp_path / f"{day}", day, {1: Cylinder((percent,))}, gauge=gauge)
    history = engine_history(read_archive(tmp_path).engines[0])
    assert [v.visit for v in series_of(history, 1, "leakage").values] == [2]
    assert any("is left out" in r for r in history.remarks)


def test_repeats_replace_the_default_scatter_of_reading(tmp_path: Path) -> None:
    """Four pairs 2 points apart: standard deviation sqrt(2) with four degrees of freedom."""
    cylinders = {n: Cylinder((10.0, 12.0)) for n in (1, 2)}
    history = history_of(tmp_path, cylinders, cylinders)
    assert history.scatter["leakage"].reading == pytest.approx(math.sqrt(2))
    assert "repeated readings" in history.scatter["leakage"].origin
    few = history_of(tmp_path / "few", {1: Cylinder((10.0, 12.0))})
    assert few.scatter == SCATTER


def test_equal_repeats_leave_what_the_marks_hide(tmp_path: Path) -> None:
    cylinders = {n: Cylinder((10.0, 10.0)) for n in (1, 2)}
    history = history_of(tmp_path, cylinders, cylinders)
    assert history.scatter["leakage"].reading == SCATTER["leakage"].least_reading


def test_hiss_and_its_error(tmp_path: Path) -> None:
    """A rise of 10 lg 2 dB is hiss at 0 dB; its error doubles there: 0.5 / 1.96 x 2."""
    loud = Cylinder(hiss={"tailpipe": 10 * math.log10(2)})
    quiet = Cylinder(hiss={"tailpipe": 0.0})
    history = history_of(tmp_path, {1: quiet}, {1: loud})
    silent, heard = series_of(history, 1, "hiss", "tailpipe").values
    assert heard.value == pytest.approx(0.0, abs=1e-9)
    assert heard.reading == pytest.approx(2 * 0.5 / 1.96, rel=1e-3)
    assert silent.bound
    assert silent.value == pytest.approx(10 * math.log10(10**0.07 - 1))  # detectable: 0.7 dB


@pytest.mark.parametrize(("rise", "level"), [(10 * math.log10(2), 0.0), (10.0, 10.0 - 0.458)])
def test_the_noise_is_taken_off_a_level(tmp_path: Path, rise: float, level: float) -> None:
    """ISO 3744 background correction: at +3.01 dB both are equal, at +10 dB 0.46 dB less."""
    history = history_of(tmp_path, {1: Cylinder(hiss={"tailpipe": rise})})
    (heard,) = series_of(history, 1, "hiss", "tailpipe").values
    assert heard.value == pytest.approx(level, abs=1e-3)


def test_screening_pairs_are_not_compared(tmp_path: Path) -> None:
    loud = {1: Cylinder((9.0,), hiss={"tailpipe": 6.0})}
    history = history_of(tmp_path, loud, loud, basis="pair")
    assert {s.quantity for s in history.series} == {"leakage"}
    assert any("only screen" in r for r in history.remarks)


@pytest.mark.parametrize("rise", [300.0, -300.0, math.nan, math.inf, 201.0])
def test_a_level_that_is_none_is_not_followed(tmp_path: Path, rise: float) -> None:
    loud = {1: Cylinder((9.0,), hiss={"tailpipe": rise})}
    history = history_of(tmp_path, loud, loud)
    assert {s.quantity for s in history.series} == {"leakage"}


def test_no_compression_at_all_is_a_value(tmp_path: Path) -> None:
    """A mark of 10 kPa over sqrt(12) is 2.9 kPa: the least that two readings scatter by."""
    history = history_of(tmp_path, *({1: Cylinder(dry_kpa=0.0)} for _ in DAYS))
    step, line = history.changes
    assert step.scatter > 2.9 * math.sqrt(2)
    assert not step.called
    assert not line.called


def test_readings_that_contradict_each_other_leave_the_visit_out(tmp_path: Path) -> None:
    write_visit(tmp_path / "good", DAYS[0], {1: Cylinder((9.0,))})
    bad = write_visit(tmp_path / "bad", DAYS[1], {1: Cylinder((9.0,))}, close=False)
    with RecordWriter.open(bad, clock=lambda: datetime(2024, 5, 3, tzinfo=UTC)) as writer:
        for quantity, kpa in (("supply-pressure", "500"), ("cylinder-pressure", "600")):
            body = bodies.reading_body(1, quantity, kpa, "kpa", origin="typed")
            writer.append("reading", body)
    found = read_archive(tmp_path)
    assert [v.place for e in found.engines for v in e.visits] == ["good"]
    assert [(one.place, "above its supply" in one.why) for one in found.left_out] == [("bad", True)]


def test_sixteen_cylinders_and_one_visit(tmp_path: Path) -> None:
    layout = engine_layout(16, firing_order=tuple(range(1, 17)))
    history = history_of(tmp_path, {n: Cylinder((9.0,)) for n in range(1, 17)}, layout=layout)
    assert [s.cylinder for s in history.series] == list(range(1, 17))
    assert history.changes == ()
