"""What the live inspection shows in large type fits where it is shown."""

from __future__ import annotations

from dataclasses import replace

import pytest

from earwitness.engine.layout import engine_layout
from earwitness.engine.test_plan import test_plan
from earwitness.session.live import steps
from earwitness.session.live.shown import View, shown
from earwitness.session.snapshot import Engine

LAYOUT = engine_layout(4)
BEGUN, _ = steps.begin(LAYOUT, steps.places_of(test_plan(LAYOUT)))
VIEW = View(Engine("", LAYOUT.banks))
LONGEST = 30
"""Two lines of 94 px in a window of 1280 px hold this many letters [1]; measured in the browser."""


@pytest.mark.parametrize("place", range(len(BEGUN.places)))
@pytest.mark.parametrize("phase", ["move", "get-ready", "air-on", "air-off", "paused", "done"])
def test_the_instruction_is_short(place: int, phase: str) -> None:
    state = replace(BEGUN, at=place, phase=phase)  # type: ignore[arg-type]
    told = shown(state, VIEW, None).instruction
    assert 0 < len(told) <= LONGEST
    assert told[0].isupper()


def test_a_finished_plan_says_so() -> None:
    assert shown(replace(BEGUN, at=None), VIEW, None).instruction == "Plan done"
