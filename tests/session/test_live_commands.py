"""What is said beyond the gauge dialogue moves the inspection; what is doubtful does not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from earwitness.engine.test_plan import test_plan as plan_of
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session import machine
from earwitness.session.dictation import Turn
from earwitness.session.equipment.ears import Devices, Equipment
from earwitness.session.equipment.sound import Spoken
from earwitness.session.live.inspection import LiveInspection, LivePlan
from earwitness.session.live.keeping import Keeper
from earwitness.session.live.steps import places_of
from earwitness.session.live.typed import heard_from, press_from
from earwitness.session.sheets.sheet import Visit, read_sheet
from earwitness.session.sheets.sheet_text import sheet_text
from earwitness.session.snapshot import Board, Press
from earwitness.speech.heard import Heard

if TYPE_CHECKING:
    from pathlib import Path

VISIT = Visit.model_validate(
    {
        "people": {"technician": "R. Amadi"},
        "engine": {"cylinders": 2, "cooling": "air", "label": 'Twin "B"'},
        "gauge": {"orifice_mm": 1.0, "supply_kpa": 690},
    }
)


class Silence:
    sample_rate_hz, channels = 48_000, 1

    def start(self) -> None: ...
    def next_block(self, timeout_s: float) -> None: ...
    def close(self) -> None: ...


class Visited:
    """An inspection whose threads never run: what it hears is handed to it."""

    def __init__(self, folder: Path) -> None:
        moments = iter(datetime(2026, 3, 2, tzinfo=UTC) + timedelta(seconds=n) for n in range(999))
        layout = VISIT.engine.layout()
        self.folder, self.board = folder, Board()
        self.keeper = Keeper.create(folder, VISIT, clock=lambda: next(moments))
        self.live = LiveInspection(
            LivePlan(layout, places_of(plan_of(layout)), 690.0),
            self.keeper,
            self.board,
            rng=np.random.default_rng(1),
            equipment=Equipment(voice="off"),
            devices=Devices(lambda *_: Silence(), lambda _: None),
        )
        self.live._do_all(self.live._first)
        self.press("understood")

    def press(self, action: str, value: str = "") -> None:
        self.live._step(Press(action, value))
        self.live._publish()

    def type(self, line: str) -> None:
        asked = press_from(line)
        assert asked is not None
        self.live._step(asked)
        self.live._publish()

    def hear(self, command: str, value: float | None = None, **how: bool) -> None:
        doubt = how.get("rejected", False), how.get("unsure", False)
        heard = Heard(0.0, 1.0, command, 0.9, command, value, None, doubt[1], doubt[0])
        state = self.live._talk._gauge
        turn = Turn(heard, 1, (), None, state)  # type: ignore[arg-type]
        self.live._talk.spoken(
            Spoken(turn, (), state, self.folder / "audio" / "0001-c1-said.live.wav")
        )
        self.live._publish()

    @property
    def now(self):
        return self.board.latest()[1]


@pytest.fixture
def visited(tmp_path: Path):
    made = Visited(tmp_path / "record")
    yield made
    made.live._ears.voice.close()


def test_next_leaves_the_gauge_and_a_point_may_be_named(visited: Visited) -> None:
    visited.hear("next")
    assert (visited.now.phase, visited.now.point) == ("move", "oil-filler")
    visited.hear("point:throttle-body")
    assert visited.now.point == "throttle-body"
    visited.hear("cylinder", 2.0)
    assert (visited.now.cylinder, visited.now.point) == (2, "gauge")


def test_pause_and_resume_come_back_to_the_place(visited: Visited) -> None:
    visited.hear("next")
    visited.hear("pause")
    assert visited.now.phase == "paused"
    visited.hear("next")
    assert visited.now.phase == "paused"
    visited.hear("resume")
    assert (visited.now.phase, visited.now.point) == ("move", "oil-filler")


@pytest.mark.parametrize("how", ["rejected", "unsure"])
def test_what_is_doubtful_moves_nothing(visited: Visited, how: str) -> None:
    visited.hear("next", **{how: True})
    assert visited.now.point == "gauge"


def test_status_and_help_are_said_and_a_mark_is_kept(visited: Visited) -> None:
    visited.hear("status")
    assert visited.now.said == "cylinder 1, gauge; 0 of 12 places done"
    visited.hear("help")
    assert "retest" in visited.now.said
    visited.hear("mark")
    notes = [n.text for n in inspection(read_record(visited.folder)).notes]
    assert "Marked by word of mouth." in notes


def test_a_typed_reading_is_read_back_and_stored_on_confirm_alone(visited: Visited) -> None:
    visited.type("leakage 34 %")
    assert (visited.now.phase, visited.now.said) == (
        "read-back", "cylinder 1, leakage thirty four percent, correct?",
    )  # fmt: skip
    assert not inspection(read_record(visited.folder)).readings
    visited.type("y")
    (reading,) = inspection(read_record(visited.folder)).readings
    assert (reading.value, reading.origin) == ("34", "typed")
    visited.type("scratch that")
    assert not inspection(read_record(visited.folder)).readings


def test_the_sheet_of_what_was_typed_says_the_same(visited: Visited) -> None:
    for line in ("leakage 34 %", "y", "compression dry 120 psi", "y", "bubbles none", "y"):
        visited.type(line)
    visited.type("leakage 43 %")
    visited.type("n")
    visited.keeper.close()
    sheet = read_sheet(visited.folder / "replay.toml")
    (cylinder,) = sheet.cylinder
    assert cylinder.leakage_percent == (34.0,)
    assert cylinder.compression_dry_psi == (120.0,)
    assert cylinder.bubbles == "none"
    assert sheet.engine.layout() == VISIT.engine.layout()
    assert sheet.people.technician == "R. Amadi"
    assert sheet.gauge.supply_kpa == 690
    assert sheet_text(inspection(read_record(visited.folder))) == (
        visited.folder / "replay.toml"
    ).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("line", "press"),
    [
        ("", Press("next")),
        ("S", Press("start")),
        ("leakage 9 percent", Press("reading", "leakage 9 percent")),
        ("12.5%", Press("reading", "12.5%")),
        ("Supply 690 kPa", Press("reading", "supply 690 kpa")),
        ("cylinder 2", Press("cylinder", "2")),
        ("plug hole 2", Press("point", "plug-hole-2")),
        ("skip that", Press("skip")),
        ("hello", None),
        ("leakage 99999 %", None),
        ("x" * 500, None),
        ("leakage \x00 9", None),
    ],
)
def test_what_is_typed(line: str, press: Press | None) -> None:
    assert press_from(line) == press


@pytest.mark.parametrize("percent", [0, 1, 9, 12.5, 34, 100])
def test_digits_and_words_mean_the_same(percent: float) -> None:
    heard = heard_from(f"leakage {percent:g} %")
    assert heard is not None
    assert (heard.command, heard.value, heard.unit) == ("leakage", percent, "percent")
    assert machine.step(machine.begin(cylinders=2, cylinder=1), heard)[0].pending is not None
