"""Run sheets: a good one is read whole, a bad one is refused with its key, fault and remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from earwitness.errors import SheetError
from earwitness.session.sheet import read_sheet

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
    assert cylinder.pressure("compression_dry") == (100.0, "psi")


def test_80_over_60_psi_is_25_percent(folder: Path) -> None:
    """FAA AC 43.13-1B (1998), 8-14b(5): 60/80 is a loss of 25 percent."""
    assert read(folder, GOOD).cylinder[0].leakage() == pytest.approx(25.0)


def test_only_cylinders_and_one_cylinder_are_needed(tmp_path: Path) -> None:
    sheet = read(tmp_path, "[engine]\ncylinders = 4\n[[cylinder]]\nnumber = 1\n")
    assert sheet.cylinder[0].leakage() is None
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
