"""The live inspection as a pure step: a take has its rhythm whatever happens."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.engine.layout import engine_layout
from earwitness.engine.test_plan import test_plan as plan_of
from earwitness.session.live import steps
from earwitness.session.live.events import (
    Answer,
    BeginTake,
    Cue,
    Due,
    EndTake,
    Finish,
    GoTo,
    Note,
    Rest,
    Say,
    Scored,
    Spoilt,
    TakeBegun,
)
from earwitness.session.live.takes import rhythm
from earwitness.session.snapshot import ACTIONS, WITH_VALUE, PlanStep, Press

TWO = engine_layout(2, cooling="air")
PLACES = steps.places_of(plan_of(TWO))
GOOD = Scored(usable=True, result="nothing heard")
BAD = Scored(usable=False, result="refused", why="It was overdriven.", remedy="Step back.")


def go(*events, places=PLACES, cycles=2):
    state, effects = steps.begin(TWO, places, cycles)
    for event in (press("understood"), *events):
        state, more = steps.step(state, event)
        effects += more
    return state, effects


def press(action: str, value: str = "") -> Press:
    return Press(action, value)  # type: ignore[arg-type]


NEXT = press("next")
TAKE = [NEXT, TakeBegun(), *[Due()] * 5]


def test_nothing_goes_on_before_the_cautions_are_understood() -> None:
    state, effects = steps.begin(TWO, PLACES)
    assert "crank" in effects[-1].text
    for event in (*[press(a) for a in ("again", "skip", "resume")], Due(), TakeBegun()):
        assert steps.step(state, event) == (state, [])
    assert steps.allowed(state, waiting=False) == ("understood", "pause", "finish")
    state, _ = steps.step(state, press("pause"))
    state, _ = steps.step(state, press("resume"))
    assert state.phase == "cautions"
    state, effects = steps.step(state, press("understood"))
    assert state.phase == "gauge"
    assert Note("The cautions were read and understood before the air went on.") in effects


def test_the_plan_begins_with_the_gauge_of_each_cylinder() -> None:
    assert [(p.cylinder, p.point) for p in PLACES] == [
        (1, "gauge"), (1, "oil-filler"), (1, "tailpipe"), (1, "throttle-body"),
        (1, "plug-hole-2"), (1, "adapter"),
        (2, "gauge"), (2, "oil-filler"), (2, "tailpipe"), (2, "throttle-body"),
        (2, "plug-hole-1"), (2, "adapter"),
    ]  # fmt: skip


def test_a_take_turns_the_valve_on_and_off_and_ends_with_the_air_off() -> None:
    _, effects = go(NEXT, *TAKE)
    cues = [e.on for e in effects if isinstance(e, Cue)]
    assert cues == [True, False, True, False]
    assert effects[-1] == EndTake()


def test_a_good_take_leads_on_and_a_refused_one_does_not() -> None:
    state, effects = go(NEXT, *TAKE, GOOD)
    assert state.place == PlanStep(1, "tailpipe", "to-do")
    assert Say("oil filler is enough: nothing heard") in effects
    state, effects = go(NEXT, *TAKE, BAD)
    assert (state.place.point, state.place.state) == ("oil-filler", "spoiled")
    assert "It was overdriven. Step back." in effects[-1].text


def test_a_take_that_cannot_serve_is_stopped_at_once_and_taken_again() -> None:
    spoilt = Spoilt("It is silent.", "Check the cable.")
    state, effects = go(NEXT, NEXT, TakeBegun(), Due(), spoilt, press("again"))
    assert EndTake("It is silent.") in effects
    assert effects[-1] == BeginTake(1, "oil-filler")
    assert state.phase == "get-ready"


def test_nothing_is_said_between_the_first_sample_and_the_last() -> None:
    state, _ = go(NEXT, NEXT, TakeBegun())
    for _ in range(4):
        state, effects = steps.step(state, Due())
        assert not any(isinstance(e, Say) for e in effects)


def test_a_pause_in_a_take_keeps_what_there_is_and_comes_back_to_the_place() -> None:
    state, effects = go(NEXT, NEXT, TakeBegun(), Due(), press("pause"))
    assert EndTake("asked for pause") in effects
    assert effects[-1] == Rest()
    state, effects = steps.step(state, press("resume"))
    assert state.place.point == "oil-filler"
    assert GoTo(1) in effects


def test_what_was_done_another_day_is_not_done_again() -> None:
    done = {(1, p) for p in ("gauge", "oil-filler", "tailpipe")}
    state, _ = go(places=steps.places_of(plan_of(TWO), done))
    assert (state.cylinder, state.place.point) == (1, "throttle-body")


def test_a_skipped_place_is_in_the_record() -> None:
    _, effects = go(NEXT, press("skip"))
    assert Note("Left out at the technician's word: oil filler of cylinder 1.") in effects


def test_another_cylinder_has_a_dialogue_of_its_own() -> None:
    state, effects = go(press("cylinder", "2"))
    assert GoTo(2) in effects
    assert (state.cylinder, state.place.point) == (2, "gauge")
    assert go(press("cylinder", "3"))[1][-1] == Say("there is no cylinder 3")


def test_a_control_take_is_made_on_demand() -> None:
    state, _ = go(press("point", "control"))
    assert state.place == PlanStep(1, "control", "to-do")
    _, effects = go(press("point", "radiator"))
    assert effects[-1] == Say("there is no radiator at cylinder 1")


def test_readings_go_to_the_gauge_dialogue_but_not_in_a_take() -> None:
    reading = press("reading", "leakage 9 percent")
    assert go(reading)[1][-1] == Answer(reading)
    assert Answer(reading) not in go(NEXT, NEXT, TakeBegun(), reading)[1]


def test_when_all_is_done_next_finishes() -> None:
    places = (PlanStep(1, "gauge", "to-do"), PlanStep(1, "tailpipe", "to-do"))
    state, effects = go(NEXT, *TAKE, GOOD, NEXT, places=places)
    assert state.phase == "done"
    assert effects[-1] == Finish()
    assert steps.step(state, NEXT) == (state, [])


def test_the_rhythm_is_jittered_within_its_bounds_and_follows_its_generator() -> None:
    drawn = [rhythm(np.random.default_rng(seed)) for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    stays = [b - a for a, b in pairwise((0.0, *drawn[0]))]
    assert len(stays) == 13
    assert all(2.6 - 1e-3 <= s <= 4.2 + 1e-3 for s in stays)
    assert len(set(stays)) == 13


PRESSES = st.sampled_from([press(a) for a in ACTIONS if a not in WITH_VALUE])
NAMED = st.sampled_from([press("cylinder", "2"), press("point", "tailpipe")])
TAKES = st.sampled_from([TakeBegun(), Due(), GOOD, BAD, Spoilt("why", "what")])


@pytest.mark.parametrize("cycles", [5])
@given(st.lists(PRESSES | NAMED | TAKES, max_size=60))
def test_whatever_happens_takes_are_begun_and_ended_in_turn(cycles: int, events: list) -> None:
    """No two takes at once; cues alternate within a take; nothing follows the finish."""
    state, _ = steps.begin(TWO, PLACES, cycles)
    asked = running = finished = False
    last_cue = False
    for event in events:
        state, effects = steps.step(state, event)
        running = running or (asked and isinstance(event, TakeBegun))
        for effect in effects:
            assert not finished
            finished = isinstance(effect, Finish)
            if isinstance(effect, BeginTake):
                assert not running
                asked, last_cue = True, False
            elif isinstance(effect, EndTake):
                asked = running = False
            elif isinstance(effect, Cue):
                assert running
                assert effect.on is not last_cue
                last_cue = effect.on
    assert [(p.cylinder, p.point) for p in state.places] == [(p.cylinder, p.point) for p in PLACES]
