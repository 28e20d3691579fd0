"""What the live inspection shows in large type fits where it is shown."""

from __future__ import annotations

from dataclasses import replace

import pytest

from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict, Ranked
from earwitness.engine import test_plan as plans
from earwitness.engine.layout import engine_layout
from earwitness.session.live import steps
from earwitness.session.live.shown import View, headline, shown
from earwitness.session.messages.catalogue import english
from earwitness.session.snapshot import Engine

LAYOUT = engine_layout(4)
BEGUN, _ = steps.begin(LAYOUT, steps.places_of(plans.test_plan(LAYOUT)))
VIEW = View(Engine("", LAYOUT.banks))
LONGEST = 30
"""Two lines of 94 px in a window of 1280 px hold this many letters [1]; measured in the browser."""


@pytest.mark.parametrize(
    "phase", ["cautions", "move", "get-ready", "air-on", "air-off", "paused", "done"]
)
def test_the_instruction_is_short(phase: str) -> None:
    for place in range(len(BEGUN.places)):
        state = replace(BEGUN, at=place, phase=phase)  # type: ignore[arg-type]
        told = shown(state, VIEW, None).instruction
        assert 0 < len(told) <= LONGEST
        assert told[0].isupper()


def test_a_finished_plan_says_so() -> None:
    assert shown(replace(BEGUN, at=None, phase="move"), VIEW, None).instruction == "Plan done"


def verdict_of(*cylinders: tuple[str, float]) -> EngineVerdict:
    told = tuple(
        CylinderVerdict(n, None, None, name, p, (Ranked("intake-valve", p),), None, (), ())
        for n, (name, p) in enumerate(cylinders, start=1)
    )
    return EngineVerdict("undetermined", 0.5, "", None, told)


@pytest.mark.parametrize(
    ("cylinders", "line"),
    [
        ([("sealed", 0.98), ("exhaust-valve", 0.947)], "Exhaust valve, 94 %"),
        ([("exhaust-valve", 0.9999)], "Exhaust valve, more than 99 %"),
        ([("sealed", 0.98), ("undetermined", 0.5)], "Undetermined"),
        ([("rings-or-piston", 0.9), ("intake-valve", 0.9)], "2 cylinders leak"),
        ([("sealed", 0.98), ("sealed", 0.96)], "All sound, 96 %"),
    ],
)
def test_the_verdict_stands_in_large_type_with_its_certainty(cylinders, line) -> None:
    view = replace(VIEW, verdict=verdict_of(*cylinders))
    assert shown(replace(BEGUN, at=None, phase="move"), view, None).instruction == line


def test_what_is_open_names_the_likeliest() -> None:
    _, detail = headline(verdict_of(("undetermined", 0.61)), english())
    assert detail == "Cylinder 1: open; likeliest is the intake valve, 61 %."
