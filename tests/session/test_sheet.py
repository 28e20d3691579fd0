"""Run sheets: a good one is read whole, a bad one is refused with its key, fault and remedy."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from earwitness.errors import SheetError
from earwitness.record.model import evidence, inspection
from earwitness.record.reader import read_record
from earwitness.session.replay import Replay
from earwitness.session.sheets.sheet import read_sheet

if TYPE_CHECKING:
    from pathlib import Path

GOOD = """
[inspection]
date = 2026-03-02
[people]
shop = "Quayside Engine Works"
[engine]
vin = "1m8gd m9ax kp042788"
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 84.0
[gauge]
orifice_mm = 1.0
supply_kpa = 690
[limits]
leakage_percent = 25
origin = "AC 43.13-1B"
[[cylinder]]
number = 3
supply_psi = 80
cylinder_psi = 60
compression_dry_psi = 100
bubbles = "none"
[[cylinder.take]]
point = "tailpipe"
baseline = "off.wav"
pressurised = "on.wav"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("off.wav", "on.wav"):
        (tmp_path / name).write_bytes(b"RIFF")
    return tmp_path


def read(folder: Path, text: str):
    (folder / "sheet.toml").write_text(text, encoding="utf-8")
    return read_sheet(folder / "sheet.toml")


def test_a_good_sheet_is_read_whole(folder: Path) -> None:
    sheet = read(folder, GOOD)
    assert sheet.engine.layout().firing_order == (1, 3, 4, 2)
    assert sheet.inspection.date == "2026-03-02"
    cylinder = sheet.cylinder[0]
    assert cylinder.take[0].files == ("off.wav", "on.wav")
    assert cylinder.pressures("compression_dry") == ((100.0,), "psi")


def test_80_over_60_psi_is_25_percent(folder: Path) -> None:
    """FAA AC 43.13-1B (1998), 8-14b(5): 60/80 is a loss of 25 percent."""
    ((supply, held),) = read(folder, GOOD).cylinder[0].pairs()
    assert 100 * (supply - held) / supply == pytest.approx(25.0)


def test_only_cylinders_and_one_cylinder_are_needed(tmp_path: Path) -> None:
    sheet = read(tmp_path, "[engine]\ncylinders = 4\n[[cylinder]]\nnumber = 1\n")
    assert sheet.cylinder[0].pairs() == []
    assert sheet.cylinder[0].leakage_percent == ()
    assert sorted(sheet.engine.layout().firing_order) == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("bore_mm", "bore_inch", "the key engine.bore_inch is not known"),
        ("[1, 3, 4, 2]", "[1, 3, 4, 3]", "firing"),
        ("[1, 3, 4, 2]", '"1342"', "engine.firing_order"),
        ("number = 3", "number = 9", "no cylinder 9 in an engine of 4 cylinders"),
        ("supply_psi = 80", "leakage_percent = 140", "cylinder[1].leakage_percent is 140"),
        ("supply_psi = 80", "leakage_percent = nan", "cylinder[1].leakage_percent is nan"),
        ("supply_psi = 80", "leakage_percent = 20", "needs either leakage_percent"),
        ("cylinder_psi = 60", "cylinder_psi = 90", "620.5"),
        ("supply_psi = 80", "supply_psi = 80\nsupply_kpa = 552", "in kpa and in psi"),
        ('"tailpipe"', '"glovebox"', "no listening point 'glovebox'"),
        ('"tailpipe"', '"plug-hole-3"', "no listening point 'plug-hole-3'"),
        ('"on.wav"', '"gone.wav"', "'gone.wav', which is not there"),
        ('pressurised = "on.wav"', "", "needs either baseline and pressurised, or cycled"),
        ('pressurised = "on.wav"', 'cycled = "on.wav"', "needs either baseline and pressurised"),
        ('bubbles = "none"', 'bubbles = "many"', "cylinder[1].bubbles is 'many'"),
        ("orifice_mm = 1.0", "orifice_mm = 0.0", "metering orifice of 0 mm"),
        ("supply_kpa = 690", "supply_kpa = -690", "-690"),
        ("supply_psi = 80", "supply_psi = [80, 81]", "2 supply pressures for 1 cylinder pressures"),
        ("supply_psi = 80", "leakage_percent = [20, 140]", "cylinder[1].leakage_percent[2] is 140"),
        ("supply_psi = 80", "leakage_percent = []", "cylinder[1].leakage_percent"),
        ("supply_psi = 80", "supply_under_flow_kpa = 500\nsupply_psi = 80", "under flow without"),
        ("orifice_mm = 1.0", "zero_percent = 15", "with the hose shut the tester shows 15 percent"),
        ("orifice_mm = 1.0", "full_percent = [99, 80]", "hose open the tester shows 80 percent"),
        ("orifice_mm = 1.0", "altitude_m = 9000", "altitude of 9000 m"),
        ('origin = "AC 43.13-1B"', 'rule = "guess"', "limits.rule is 'guess'"),
        ("bore_mm = 84.0", "strokes = 2", "ports"),
        ("bore_mm = 84.0", 'arrangement = "rotary"', "apex"),
        ("bore_mm = 84.0", "firing_intervals_deg = [180, 180, 180, 90]", "add up to 630"),
        ("cylinders = 4", "", "the key engine.cylinders is missing"),
        ("cylinders = 4", "cylinders = 0", "0"),
        ("[engine]", "[engine", "is not a TOML file"),
        ('bubbles = "none"', "bubbles = " + "[" * 3000, "is not a TOML file"),
    ],
)
def test_a_bad_sheet_is_refused(folder: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(SheetError) as caught:
        read(folder, GOOD.replace(old, new, 1))
    assert says in caught.value.fault
    assert "sheet.toml" in caught.value.fault
    assert "\n" not in str(caught.value)


def test_a_missing_sheet_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="does not exist"):
        read_sheet(tmp_path / "nothing.toml")


def test_the_same_cylinder_twice_is_refused(tmp_path: Path) -> None:
    twice = "[engine]\ncylinders = 4\n" + "[[cylinder]]\nnumber = 1\n" * 2
    with pytest.raises(SheetError, match="same cylinder number"):
        read(tmp_path, twice)


def test_a_sheet_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(SheetError, match="is not a TOML file"):
        read_sheet(tmp_path / "a.toml")


REPEATED = """
[engine]
cylinders = 2
firing_order = [1, 2]
firing_intervals_deg = [315, 405]
arrangement = "vee"
banks = [[1], [2]]
cooling = "air"
[gauge]
orifice_mm = 1.0
supply_kpa = 690
zero_percent = [1, 3]
full_percent = 98
altitude_m = 1500
[limits]
rule = "ac-43.13-1b"
[[cylinder]]
number = 1
leakage_percent = [33, 34, 36]
supply_under_flow_kpa = 660
compression_dry_psi = [118, 120]
[[cylinder]]
number = 2
supply_kpa = 690
cylinder_kpa = [600, 610]
"""


def test_repeated_readings_and_corrections(tmp_path: Path) -> None:
    """25 %: FAA AC 43.13-1B."""
    sheet = read(tmp_path, REPEATED)
    one, two = sheet.cylinder
    assert one.leakage_percent == (33, 34, 36)
    assert one.pressures("compression_dry") == ((118, 120), "psi")
    assert two.pairs() == [(690, 600), (690, 610)]
    assert sheet.gauge.zero_percent == (1, 3)
    assert sheet.gauge.full_percent == (98,)
    assert sheet.limits.limit().leakage_percent == 25
    assert sheet.engine.layout().intervals_deg == (315, 405)


def test_a_replay_keeps_every_reading_and_computes_the_mean(tmp_path: Path) -> None:
    """By hand: zero 2 % and full 98 %, so 33, 34, 36 are 31/.96, 32/.96, 34/.96; of 690 kPa the
    cylinder holds 100 less that, against 660 kPa under flow."""
    sheet = read(tmp_path, REPEATED)
    folder = tmp_path / "record"
    clock = iter(datetime(2026, 3, 2, 9, minute, tzinfo=UTC) for minute in range(60))
    run = Replay(sheet, tmp_path, folder, clock=lambda: next(clock), tell=lambda _: None)
    verdict = run.run("sheet.toml").verdict
    entries = [json.loads(line) for line in (folder / "record.jsonl").read_text().splitlines()]
    readings = [e["body"] for e in entries if e["kind"] == "reading"]
    kept = [(r["quantity"], r["value"]) for r in readings if r["cylinder"] == 1]
    assert kept == [
        ("supply-under-flow", "660"), ("compression-dry", "118"), ("compression-dry", "120"),
        ("leakage", "33"), ("leakage", "34"), ("leakage", "36"),
    ]  # fmt: skip
    expected = [100 * (1 - 690 * (1 - (p - 2) / 96) / 660) for p in (33, 34, 36)]
    first, second = verdict.cylinders
    assert first.leakage_percent == pytest.approx(sum(expected) / 3)
    assert second.leakage_percent == pytest.approx(100 * (1 - 605 / 690))


def test_checks_that_were_done_reach_the_verdict(tmp_path: Path) -> None:
    text = """
[engine]
cylinders = 1
[[cylinder]]
number = 1
leakage_percent = 34
checked = { top-dead-centre = true, adapter-tight = false }
"""
    sheet = read(tmp_path, text)
    folder = tmp_path / "record"
    clock = iter(datetime(2026, 3, 2, 9, minute, tzinfo=UTC) for minute in range(60))
    Replay(sheet, tmp_path, folder, clock=lambda: next(clock), tell=lambda _: None).run("s.toml")
    known = evidence(inspection(read_record(folder)))
    assert known[0].checked == (("top-dead-centre", True), ("adapter-tight", False))


def test_a_check_that_nobody_knows_is_refused(tmp_path: Path) -> None:
    text = "[engine]\ncylinders = 1\n[[cylinder]]\nnumber = 1\nchecked = { oil-level = true }\n"
    with pytest.raises(SheetError, match="oil-level"):
        read(tmp_path, text)
