"""The dictation dialogue: nothing is stored unread, unconfirmed or out of range."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.session.machine import (
    ANSWERS,
    MOST_REREADS,
    Reading,
    Remark,
    Retract,
    Say,
    State,
    Store,
    begin,
    finish,
    listening,
    step,
)
from earwitness.speech.dictation import Heard


def heard(
    command: str | None, value: float | None = None, unit: str | None = None, **more: bool
) -> Heard:
    return Heard(
        0.0,
        1.0,
        "",
        0.95,
        command,
        value,
        unit,
        more.get("unsure", False),
        more.get("rejected", False),
    )


def talk(*said: Heard, cylinder: int | None = None):
    state, effects = begin(cylinders=4, cylinder=cylinder), []
    for h in said:
        state, more = step(state, h)
        effects += more
    return state, effects


def stored(effects: list[object]) -> list[tuple[str, str]]:
    return [(e.reading.quantity, e.reading.value) for e in effects if isinstance(e, Store)]


THREE = heard("cylinder", 3.0)
LEAK = heard("leakage", 34.0, "percent", unsure=True)
CONFIRM = heard("confirm")


def test_a_reading_is_stored_after_read_back_and_confirmation() -> None:
    _, effects = talk(THREE, LEAK, CONFIRM)
    assert Say("cylinder 3, leakage thirty four percent, correct?") in effects
    assert stored(effects) == [("leakage", "34")]


def test_an_unconfirmed_reading_is_reported_and_not_stored() -> None:
    state, effects = talk(THREE, LEAK)
    assert stored(effects) == []
    (remark,) = finish(state)
    assert isinstance(remark, Remark)
    assert "leakage thirty four percent" in remark.text


def doubted(heard: Heard) -> Heard:
    return replace(heard, text="leakage thirty four", rejected=True, doubtful=True)


def test_a_doubtful_number_is_asked_for_again_and_read_back_when_heard_alike() -> None:
    _, effects = talk(THREE, doubted(LEAK))
    assert effects[-1] == Say("say again")
    _, effects = talk(THREE, doubted(LEAK), doubted(LEAK), CONFIRM)
    assert Say("cylinder 3, leakage thirty four percent, correct?") in effects
    assert stored(effects) == [("leakage", "34")]


def test_two_doubtful_numbers_that_differ_are_none() -> None:
    other = heard("leakage", 43.0, "percent")
    state, effects = talk(THREE, doubted(LEAK), doubted(other))
    assert state.pending is None
    assert effects[1:] == [Say("say again")] * 2
    state, _ = talk(THREE, doubted(LEAK), doubted(other), doubted(LEAK))
    assert state.pending is not None
    assert state.pending.value == "34"


def test_a_doubt_ends_with_the_number_that_was_understood() -> None:
    other = heard("leakage", 43.0, "percent")
    state, _ = talk(THREE, doubted(LEAK), other, heard("no"), doubted(LEAK))
    assert state.pending is None


def test_a_doubtful_number_gone_on_with_is_heard_once() -> None:
    """ "Forty", then "forty percent": the second holds the sound of the first."""
    more = replace(doubted(LEAK), extends=True)
    state, effects = talk(THREE, doubted(LEAK), more)
    assert state.pending is None
    assert effects[1:] == [Say("say again")] * 2
    assert talk(THREE, doubted(LEAK), more, doubted(LEAK))[0].pending is not None


def test_half_of_a_doubtful_number_is_forgotten_with_what_goes_on() -> None:
    for rest in (doubted(heard("leakage", 43.0, "percent")), heard(None, rejected=True)):
        state, _ = talk(THREE, doubted(LEAK), replace(rest, extends=True), doubted(LEAK))
        assert state.pending is None


def test_a_cylinder_that_is_doubtful_is_not_selected_before_it_is_heard_alike() -> None:
    assert talk(doubted(THREE))[0].cylinder is None
    assert talk(doubted(THREE), doubted(THREE))[0].cylinder == 3


def test_the_same_value_said_twice_is_no_confirmation() -> None:
    """Whoever hears a wrong value says the right one again, which is misheard again."""
    _, effects = talk(THREE, LEAK, LEAK)
    assert stored(effects) == []
    assert effects[-2:] == [Say("cylinder 3, leakage thirty four percent, correct?")] * 2
    assert stored(talk(THREE, LEAK, LEAK, CONFIRM)[1]) == [("leakage", "34")]


def test_what_was_turned_down_is_not_offered_at_once_again() -> None:
    state, effects = talk(THREE, LEAK, heard("no"), LEAK)
    assert state.pending is None
    assert effects[-1] == Say("leakage thirty four percent again? say it another way")
    assert stored(talk(THREE, LEAK, heard("no"), LEAK, CONFIRM)[1]) == []


def test_what_was_turned_down_by_mistake_can_still_be_stored() -> None:
    _, effects = talk(THREE, LEAK, heard("no"), LEAK, LEAK, CONFIRM)
    assert stored(effects) == [("leakage", "34")]


def test_another_cylinder_may_have_what_was_turned_down_before() -> None:
    _, effects = talk(THREE, LEAK, heard("no"), heard("cylinder", 2.0), LEAK, CONFIRM)
    assert stored(effects) == [("leakage", "34")]


def test_a_different_value_replaces_the_one_that_waits() -> None:
    other = heard("leakage", 43.0, "percent")
    assert stored(talk(THREE, LEAK, other, CONFIRM)[1]) == [("leakage", "43")]


def test_scratch_that_drops_what_waits() -> None:
    assert stored(talk(THREE, LEAK, heard("scratch-that"), CONFIRM)[1]) == []


def test_scratch_that_retracts_what_was_stored_last() -> None:
    state, effects = talk(THREE, LEAK, CONFIRM, heard("scratch-that"))
    retracted = [e.reading.value for e in effects if isinstance(e, Retract)]
    assert retracted == ["34"]
    assert state.stored == ()


@pytest.mark.parametrize("value", [101.0, 142.0, 999.0])
def test_an_impossible_leakage_is_asked_about(value: float) -> None:
    _, effects = talk(THREE, heard("leakage", value, "percent"), CONFIRM)
    assert stored(effects) == []
    assert any(isinstance(e, Say) and "more than the gauge can show" in e.text for e in effects)


def test_pressures_are_stored_as_they_were_said() -> None:
    _, effects = talk(THREE, heard("compression-dry", 100.0, "psi"), CONFIRM)
    (store,) = (e for e in effects if isinstance(e, Store))
    assert (store.reading.quantity, store.reading.value) == ("compression-dry", "100")
    assert store.reading.unit == "psi"


def test_a_pressure_without_its_unit_is_asked_about() -> None:
    assert stored(talk(THREE, heard("compression-dry", 100.0), CONFIRM)[1]) == []


def test_a_leakage_in_psi_is_asked_about() -> None:
    assert stored(talk(THREE, heard("leakage", 34.0, "psi"), CONFIRM)[1]) == []


def test_two_gauges_are_stored_and_must_agree() -> None:
    """Behind the orifice there is never more pressure than before it."""
    supply = heard("supply-pressure", 80.0, "psi")
    fits, above = heard("gauge-reading", 60.0, "psi"), heard("gauge-reading", 90.0, "psi")
    both = [("supply-pressure", "80"), ("cylinder-pressure", "60")]
    assert stored(talk(THREE, supply, CONFIRM, fits, CONFIRM)[1]) == both
    assert stored(talk(THREE, supply, CONFIRM, above, CONFIRM)[1]) == both[:1]


def test_the_supply_falls_when_air_flows_and_never_rises() -> None:
    """What sag correction asks for: at most the supply with the tap shut."""
    supply = heard("supply-pressure", 80.0, "psi")
    fits, above = heard("supply-under-flow", 74.0, "psi"), heard("supply-under-flow", 90.0, "psi")
    both = [("supply-pressure", "80"), ("supply-under-flow", "74")]
    assert stored(talk(THREE, supply, CONFIRM, fits, CONFIRM)[1]) == both
    assert stored(talk(THREE, supply, CONFIRM, above, CONFIRM)[1]) == both[:1]


def test_a_zero_check_is_in_percent_and_near_zero() -> None:
    """Beyond 10 % a tester needs adjusting, not correcting (gauges.correction)."""
    assert stored(talk(THREE, heard("zero-check", 2.0, "percent"), CONFIRM)[1]) == [("zero", "2")]
    assert stored(talk(THREE, heard("zero-check", 2.0), CONFIRM)[1]) == [("zero", "2")]
    assert stored(talk(THREE, heard("zero-check", 11.0, "percent"), CONFIRM)[1]) == []
    assert stored(talk(THREE, heard("zero-check", 2.0, "psi"), CONFIRM)[1]) == []


def test_saying_a_stored_reading_again_is_a_repeat() -> None:
    """The record takes readings of one quantity for repeats of a reading."""
    again = heard("leakage", 36.0, "percent")
    both = [("leakage", "34"), ("leakage", "36")]
    assert stored(talk(THREE, LEAK, CONFIRM, again, CONFIRM)[1]) == both


def test_a_pressure_is_held_to_the_gauge_in_its_own_unit() -> None:
    """600 psi is 4137 kPa, more than any compression gauge shows; 600 kPa is not."""
    assert stored(talk(THREE, heard("compression-dry", 600.0, "psi"), CONFIRM)[1]) == []
    assert stored(talk(THREE, heard("compression-dry", 600.0, "kPa"), CONFIRM)[1])


def test_a_reading_without_a_cylinder_is_asked_about() -> None:
    assert talk(LEAK, CONFIRM)[1][0] == Say("say the cylinder first")
    assert stored(talk(LEAK, CONFIRM)[1]) == []


def test_a_cylinder_that_is_not_there_is_asked_about() -> None:
    state, effects = talk(heard("cylinder", 9.0))
    assert state.cylinder is None
    assert effects == [Say("cylinder 9? this engine has 4")]


def test_another_cylinder_in_one_cylinders_dictation_stores_nothing() -> None:
    _, effects = talk(heard("cylinder", 2.0), LEAK, CONFIRM, cylinder=3)
    assert stored(effects) == []
    assert any(isinstance(e, Remark) for e in effects)


def test_asleep_nothing_is_understood_but_the_wake_word() -> None:
    _, effects = talk(THREE, heard("sleep"), LEAK, CONFIRM)
    assert stored(effects) == []
    assert stored(talk(THREE, heard("sleep"), heard("wake"), LEAK, CONFIRM)[1])


def test_a_half_heard_confirmation_confirms_nothing() -> None:
    assert stored(talk(THREE, LEAK, heard("confirm", unsure=True))[1]) == []


def test_what_the_recogniser_rejected_changes_nothing() -> None:
    before, _ = talk(THREE, LEAK)
    after, effects = step(before, heard("confirm", rejected=True))
    assert after == before
    assert effects == [Say("say again")]


def test_bubbles_are_confirmed_like_any_reading() -> None:
    assert stored(talk(THREE, heard("bubbles:slow"), CONFIRM)[1]) == [("bubbles", "slow")]


COMMANDS = st.sampled_from(
    [
        None,
        "cylinder",
        "leakage",
        "compression-dry",
        "confirm",
        "scratch-that",
        "no",
        "sleep",
        "wake",
        "repeat",
        "bubbles:none",
        "point:tailpipe",
        "note",
    ]
)
HEARD = st.builds(
    Heard,
    st.just(0.0),
    st.just(1.0),
    st.just(""),
    st.just(0.95),
    COMMANDS,
    st.none() | st.integers(0, 9999).map(lambda n: n / 10),
    st.sampled_from([None, "percent", "psi", "kPa", "bar"]),
    st.booleans(),
    st.booleans(),
    while_talking=st.booleans(),
    extends=st.booleans(),
    doubtful=st.booleans(),
).filter(lambda h: not h.doubtful or (h.rejected and h.command not in ANSWERS))


@given(st.lists(HEARD, max_size=12))
def test_only_what_was_read_back_is_ever_stored(said: list[Heard]) -> None:
    """Whatever is said in whatever order, each stored reading was spoken back before."""
    state: State = begin(cylinders=4)
    spoken = ""
    for h in said:
        state, effects = step(state, h)
        for e in effects:
            assert not isinstance(e, Store) or e.reading.spoken in spoken
            assert not (isinstance(e, Store) and (h.while_talking or h.extends or h.rejected))
            spoken += f"{e.text}\n" if isinstance(e, Say) else ""
        assert all(isinstance(r, Reading) and 1 <= r.cylinder <= 4 for r in state.stored)


def overlapped(command: str | None, value: float | None = None, **more: bool) -> Heard:
    return replace(heard(command, value, "percent" if value else None, **more), while_talking=True)


def test_a_confirmation_into_the_read_back_stores_nothing_but_has_it_read_again() -> None:
    _, effects = talk(THREE, LEAK, overlapped("confirm"))
    assert stored(effects) == []
    assert effects[-1] == Say("cylinder 3, leakage thirty four percent, correct?")


def test_its_own_read_back_is_no_second_saying() -> None:
    """Heard through the loudspeaker, "leakage thirty four percent" must not confirm itself."""
    _, effects = talk(THREE, LEAK, overlapped("leakage", 34.0))
    assert stored(effects) == []


def test_a_loudspeaker_that_hears_itself_falls_silent() -> None:
    _, effects = talk(THREE, LEAK, *[overlapped("leakage", 34.0)] * 10)
    assert sum(isinstance(e, Say) and "correct?" in e.text for e in effects) == 1 + MOST_REREADS


@pytest.mark.parametrize("command", ["no", "scratch-that"])
def test_the_technician_may_break_in_to_drop_a_value(command: str) -> None:
    state, effects = talk(THREE, LEAK, overlapped(command))
    assert state.pending is None
    assert effects[-1] == Say("scratched")


def test_breaking_in_takes_back_nothing_that_is_stored() -> None:
    state, _ = talk(THREE, LEAK, CONFIRM, overlapped("scratch-that"))
    assert len(state.stored) == 1


def test_a_number_gone_on_with_is_no_second_saying() -> None:
    """ "Forty", then "percent": the same value, but it was said once."""
    more = replace(LEAK, extends=True)
    _, effects = talk(THREE, LEAK, more)
    assert stored(effects) == []
    assert effects[-1] == Say("cylinder 3, leakage thirty four percent, correct?")


def test_a_number_that_is_in_doubt_waits_no_longer() -> None:
    state, effects = talk(THREE, LEAK, replace(heard(None, rejected=True), extends=True), CONFIRM)
    assert stored(effects) == []
    assert state.pending is None
    assert effects[2:] == [
        Remark("Not stored, because it was not confirmed: leakage thirty four percent."),
        Say("say again"),
    ]


def test_a_bare_number_corrects_the_value_that_waits() -> None:
    _, effects = talk(THREE, LEAK, heard(None, 43.0), CONFIRM)
    assert stored(effects) == [("leakage", "43")]
    _, effects = talk(THREE, heard("supply-pressure", 90.0, "psi"), heard(None, 80.0), CONFIRM)
    assert [(e.reading.value, e.reading.unit) for e in effects if isinstance(e, Store)] == [
        ("80", "psi")
    ]


def test_a_bare_number_without_a_question_is_asked_about() -> None:
    assert talk(THREE, heard(None, 43.0))[1][-1] == Say("which gauge?")


def test_no_drops_what_waits_and_never_what_is_stored() -> None:
    state, effects = talk(THREE, LEAK, CONFIRM, heard("no"))
    assert len(state.stored) == 1
    assert not any(isinstance(e, Retract) for e in effects)


@pytest.mark.parametrize(
    ("command", "unit", "highest"),
    [("leakage", "percent", 100), ("compression-dry", "psi", 400), ("compression-wet", "kPa", 3000),
     ("supply-pressure", "bar", 30)],
)  # fmt: skip
def test_each_unit_has_its_range(command: str, unit: str, highest: float) -> None:
    """What a gauge can show: leakage 0-100, psi 0-400, kPa 0-3000, bar with a decimal."""
    assert stored(talk(THREE, heard(command, highest, unit), CONFIRM)[1])
    beyond, effects = talk(THREE, heard(command, highest + 1, unit), CONFIRM)
    assert stored(effects) == []
    assert beyond.pending is None
    assert any(isinstance(e, Say) and e.text.endswith("the gauge can show") for e in effects)


def test_a_note_in_one_breath_is_kept_with_its_time() -> None:
    said = replace(heard("note"), text="note [unk] [unk]", start_s=3.21, end_s=6.54)
    _, effects = talk(said)
    assert effects == [Remark("Spoken note, from 3.2 to 6.5 s of the recording."), Say("note kept")]


def test_a_note_may_follow_its_word_and_is_no_command() -> None:
    word = replace(heard("note"), text="note")
    state, effects = talk(THREE, LEAK, word, replace(CONFIRM, start_s=8.0, end_s=9.0))
    assert stored(effects) == []
    assert effects[-2:] == [
        Remark("Spoken note, from 8.0 to 9.0 s of the recording."),
        Say("note kept"),
    ]
    assert not state.noting


def test_what_may_be_said_depends_on_the_dialogue() -> None:
    assert listening(talk(THREE)[0]) == "awake"
    assert listening(talk(THREE, LEAK)[0]) == "answer"
    assert listening(talk(THREE, heard("sleep"))[0]) == "asleep"
    assert listening(begin(cylinders=4, awake=False)) == "asleep"


def test_going_to_sleep_reports_what_was_not_confirmed() -> None:
    assert isinstance(talk(THREE, LEAK, heard("sleep"))[1][-2], Remark)


def test_an_unsure_waking_is_none() -> None:
    assert talk(heard("sleep"), heard("wake", unsure=True))[0].awake is False


def test_shop_talk_is_not_answered_but_a_half_understood_command_is() -> None:
    unknown = replace(heard(None, rejected=True), text="[unk] [unk]")
    assert talk(unknown)[1] == []
    assert talk(replace(unknown, text="cylinder [unk]"))[1] == [Say("say again")]


def test_a_voice_that_overdrives_the_microphone_is_told_so() -> None:
    too_loud = replace(heard(None, rejected=True), clipped=True)
    assert talk(too_loud)[1] == [Say("too loud for the microphone, say again")]
