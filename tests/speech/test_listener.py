"""Speech is found in a stream, ended at the right moment, and never taken from the tool itself."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import soundfile as sf
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.speech.detection import FRAMES_TO_BEGIN, ON_FROM, SpeechGate
from earwitness.speech.grammar import grammar_for, grammar_in
from earwitness.speech.level import FRAME_S
from earwitness.speech.listener import (
    BEGUN_FRAMES,
    OPEN_FRAMES,
    QUICK_FRAMES,
    TALK_FRAMES,
    Began,
    Guess,
    Listener,
    Said,
)
from earwitness.speech.own_voice import TAIL_FRAMES
from earwitness.speech.utterance import (
    LEAD_FRAMES,
    MAX_HEARD_FRAMES,
    MAX_KEPT_FRAMES,
    PAUSE_BEGIN,
)

FS = 16_000
FRAME = 512


def loud(frames):
    return np.tile([0.2, -0.2], frames * FRAME // 2)


def quiet(frames):
    return np.zeros(frames * FRAME)


def listen(model, detector, *parts, state="awake"):
    grammar = grammar_for("any") if state == "any" else grammar_in(state)
    listener = Listener(model, grammar, fs=FS, gate=model.gate, detector=detector)
    events = [e for p in parts for e in listener.feed(p)]
    return events + list(listener.finish())


def said(events):
    return [e for e in events if isinstance(e, Said)]


def waited(event, frames_fed):
    return round(event.decided_s / FRAME_S) - frames_fed


def test_one_loud_frame_is_no_speech(scripted, loud_detector):
    assert listen(scripted([]), loud_detector, quiet(20), loud(1), quiet(60)) == []


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("next", QUICK_FRAMES),
        ("leakage forty percent", QUICK_FRAMES),
        ("leakage forty", OPEN_FRAMES),
        ("[unk] [unk]", TALK_FRAMES),
        ("cylinder", BEGUN_FRAMES),
    ],
)
def test_how_long_an_end_is_waited_for(scripted, loud_detector, text, frames):
    events = listen(
        scripted([(text, 9.0)]), loud_detector, quiet(20), loud(15), quiet(60), state="any"
    )
    (only,) = said(events)
    assert waited(only, 35) == frames
    assert isinstance(events[0], Began)


def test_where_the_speech_was_is_told_to_a_frame(scripted, loud_detector):
    (only,) = said(listen(scripted([("next", 9.0)]), loud_detector, quiet(20), loud(15), quiet(40)))
    assert only.start_s == pytest.approx(20 * FRAME_S, abs=1e-3)
    assert only.end_s == pytest.approx(35 * FRAME_S, abs=1e-3)
    assert only.heard[0].start_s == pytest.approx(20 * FRAME_S, abs=FRAME_S)


def test_the_sound_of_an_utterance_is_kept_as_it_was(scripted, loud_detector):
    (only,) = said(listen(scripted([("next", 9.0)]), loud_detector, quiet(20), loud(15), quiet(40)))
    assert set(np.abs(only.samples)) == {np.float32(0.0), np.float32(0.2)}
    assert np.count_nonzero(only.samples) == 15 * FRAME


def test_a_pause_of_a_second_does_not_split_a_phrase(scripted, loud_detector):
    model = scripted([("cylinder", 9.0)], [("cylinder three", 9.0)])
    pause = round(1.0 / FRAME_S)
    parts = (quiet(10), loud(15), quiet(pause), loud(10), quiet(40))
    (only,) = said(listen(model, loud_detector, *parts))
    assert (only.heard[0].command, only.heard[0].value) == ("cylinder", 3.0)


def test_a_number_that_goes_on_is_put_right(scripted, loud_detector):
    model = scripted([("leakage forty", 9.0)], [("leakage forty two percent", 9.0)])
    parts = (quiet(10), loud(15), quiet(OPEN_FRAMES + 10), loud(10), quiet(60))
    first, second = said(listen(model, loud_detector, *parts))
    assert (first.heard[0].value, first.heard[0].extends) == (40.0, False)
    assert (second.heard[0].value, second.heard[0].extends) == (42.0, True)


def test_a_doubtful_number_that_goes_on_is_one_number_from_the_start(scripted, loud_detector):
    doubtful = [("leakage forty", 2.0), ("[unk]", 0.0)]
    model = scripted(doubtful, [("leakage forty two percent", 9.0)])
    parts = (quiet(10), loud(15), quiet(OPEN_FRAMES + 10), loud(10), quiet(60))
    first, second = said(listen(model, loud_detector, *parts))
    assert (first.heard[0].doubtful, first.heard[0].value) == (True, 40.0)
    assert (second.heard[0].value, second.heard[0].extends) == (42.0, True)


def test_all_of_a_breath_counts_when_a_doubtful_one_goes_on(scripted, loud_detector):
    """Nothing of its first half was taken, so that the cylinder is not lost."""
    doubtful = [("cylinder two leakage forty", 2.0), ("[unk]", 0.0)]
    model = scripted(doubtful, [("cylinder two leakage forty two percent", 9.0)])
    parts = (quiet(10), loud(15), quiet(OPEN_FRAMES + 10), loud(10), quiet(60))
    _, second = said(listen(model, loud_detector, *parts))
    assert [(h.command, h.value) for h in second.heard] == [("cylinder", 2.0), ("leakage", 42.0)]
    assert [h.extends for h in second.heard] == [True, False]


def test_half_of_a_number_is_never_a_number(scripted, loud_detector):
    """What follows close on a number and does not fit it makes both doubtful."""
    model = scripted([("leakage forty", 9.0)], [("[unk]", 9.0)], [("two percent", 9.0)])
    parts = (quiet(10), loud(15), quiet(OPEN_FRAMES + 10), loud(10), quiet(60))
    first, second = said(listen(model, loud_detector, *parts, state="any"))
    assert first.heard[0].value == 40.0
    assert (second.heard[0].rejected, second.heard[0].extends) == (True, True)


def test_the_rest_of_a_spoilt_number_is_none_either(scripted, loud_detector):
    model = scripted(
        [("four", 9.0)], [("[unk]", 9.0)], [("[unk]", 9.0)], [("[unk]", 9.0)], [("one", 9.0)]
    )
    parts = (loud(15), quiet(OPEN_FRAMES + 8), loud(8), quiet(TALK_FRAMES + 8), loud(8), quiet(60))
    events = said(listen(model, loud_detector, quiet(10), *parts, state="any"))
    assert [e.heard[0].rejected for e in events] == [False, True, True]
    assert all(e.heard[0].extends for e in events[1:])


DOUBTFUL = [("four", 0.0), ("[unk]", 0.0)]


def in_two_pieces():
    return quiet(10), loud(15), quiet(TALK_FRAMES + 8), loud(10), quiet(60)


def test_the_rest_of_a_number_that_was_refused_is_no_number(scripted, loud_detector):
    model = scripted(DOUBTFUL, [("[unk]", 9.0)], [("seventy two", 9.0)])
    events = said(listen(model, loud_detector, *in_two_pieces(), state="any"))
    assert [e.heard[0].rejected for e in events] == [True, True]


def test_a_number_that_was_refused_and_goes_on_may_be_sure_as_a_whole(scripted, loud_detector):
    model = scripted(DOUBTFUL, [("four hundred seventy two", 9.0)])
    first, second = said(listen(model, loud_detector, *in_two_pieces(), state="any"))
    assert first.heard[0].rejected
    assert (second.heard[0].value, second.heard[0].extends) == (472.0, True)


def test_a_number_in_three_pieces_is_one(scripted, loud_detector):
    model = scripted([("nine", 9.0)], [("nine hundred", 9.0)], [("nine hundred forty psi", 9.0)])
    gap = quiet(OPEN_FRAMES + 8)
    events = said(
        listen(model, loud_detector, quiet(10), loud(9), gap, loud(9), gap, loud(9), quiet(60),
               state="any")
    )  # fmt: skip
    assert [e.heard[0].value for e in events] == [9.0, 900.0, 940.0]
    assert [e.heard[0].extends for e in events] == [False, True, True]


def test_another_phrase_close_behind_a_number_stands_for_itself(scripted, loud_detector):
    model = scripted([("leakage forty", 9.0)], [("[unk]", 9.0)], [("cylinder two", 9.0)])
    parts = (quiet(10), loud(15), quiet(OPEN_FRAMES + 10), loud(10), quiet(60))
    _, second = said(listen(model, loud_detector, *parts))
    assert (second.heard[0].command, second.heard[0].extends) == ("cylinder", False)


def test_a_number_is_not_waited_for_longer_than_a_breath(scripted, loud_detector):
    model = scripted([("leakage forty", 9.0)], [("two percent", 9.0)])
    parts = (quiet(10), loud(15), quiet(BEGUN_FRAMES + 5), loud(10), quiet(60))
    _, second = said(listen(model, loud_detector, *parts, state="any"))
    assert not second.heard[0].extends


def test_talk_without_an_end_means_nothing_and_stays_in_bounds(scripted, loud_detector):
    model = scripted([("next", 9.0)])
    events = listen(model, loud_detector, quiet(10), loud(MAX_KEPT_FRAMES + 500), quiet(40))
    (only,) = said(events)
    assert [h.rejected for h in only.heard] == [True]
    assert len(only.samples) <= MAX_KEPT_FRAMES * FRAME
    assert model.fed <= 2.2 * MAX_HEARD_FRAMES * FRAME


@pytest.mark.slow
def test_ten_minutes_take_no_more_memory_than_one_utterance(scripted, loud_detector):
    """What is kept is bounded by the longest utterance, 60 s of samples, not by the stream."""
    model = scripted([("next", 9.0)])
    listener = Listener(model, grammar_in("awake"), fs=FS, gate=model.gate, detector=loud_detector)
    second = loud(31)
    tracemalloc.start()
    for n in range(600):
        for _ in listener.feed(second if n % 100 < 90 else quiet(31)):
            pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 6 * MAX_KEPT_FRAMES * FRAME * 8


def test_what_holds_no_word_is_still_told_for_the_sake_of_notes(scripted, loud_detector):
    (only,) = said(listen(scripted([]), loud_detector, quiet(10), loud(20), quiet(40)))
    assert only.heard == ()
    assert only.end_s > only.start_s


def test_guesses_come_while_one_speaks(scripted, loud_detector):
    events = listen(scripted([("next", 9.0)]), loud_detector, quiet(10), loud(30), quiet(40))
    guesses = [e for e in events if isinstance(e, Guess)]
    assert len(guesses) >= 3
    assert {g.text for g in guesses} == {"next"}
    assert all(g.at_s < said(events)[0].decided_s for g in guesses)


def test_what_is_expected_changes_at_once(scripted, loud_detector):
    """Between two utterances of one block, so that block size cannot matter."""
    model = scripted([("wake and listen", 9.0)])
    listener = Listener(model, grammar_in("asleep"), fs=FS, gate=model.gate, detector=loud_detector)
    block = np.concatenate([quiet(10), loud(15), quiet(30), loud(15), quiet(30)])
    heard = []
    for event in listener.feed(block):
        if isinstance(event, Said):
            heard += event.heard
            listener.expect(grammar_in("awake"))
    assert [h.command for h in heard] == ["wake", "wake"]
    assert len({tuple(asked) for asked in model.asked}) == 2


def own(listener, *parts):
    """Feed parts while the tool talks; return what happened until it has died away."""
    listener.talks(True)
    events = [e for p in parts for e in listener.feed(p)]
    listener.talks(False)
    return events + list(listener.feed(quiet(40)))


@pytest.mark.parametrize("pause", [14, 30])
def test_the_frames_before_an_utterance_hold_none_of_its_own_voice(scripted, loud_detector, pause):
    """All that belong to it, or those since the tool's voice had died away."""
    model = scripted([("next", 9.0)])
    listener = Listener(model, grammar_in("awake"), fs=FS, gate=model.gate, detector=loud_detector)
    listener.talks(True)
    list(listener.feed(loud(10)))
    listener.talks(False)
    after = [quiet(TAIL_FRAMES + pause), loud(15), quiet(40)]
    (only,) = said([e for part in after for e in listener.feed(part)])
    assert not only.heard[0].while_talking
    before = len(only.samples) // FRAME - 15 - min(PAUSE_BEGIN, QUICK_FRAMES)
    assert before - min(pause, LEAD_FRAMES - FRAMES_TO_BEGIN) in (0, 1)
    assert np.count_nonzero(only.samples) == 15 * FRAME


def test_its_own_voice_is_no_command(scripted, loud_detector):
    model = scripted([("leakage forty two percent", 9.0)])
    listener = Listener(model, grammar_in("awake"), fs=FS, gate=model.gate,
                        detector=loud_detector)  # fmt: skip
    assert own(listener, quiet(5), loud(60)) == []
    assert own(listener, quiet(5), loud(60)) == []
    assert model.asked == []


def test_the_technician_breaks_in(scripted, loud_detector):
    model = scripted([("no", 9.0)])
    listener = Listener(model, grammar_in("answer"), fs=FS, gate=model.gate, detector=loud_detector)
    own(listener, 0.4 * loud(60))
    began, *_, ended = own(listener, 0.4 * loud(20), 4 * loud(20))
    assert began == Began(began.at_s, while_talking=True)
    assert isinstance(ended, Said)
    assert ended.heard[0].while_talking


def test_what_begins_under_its_voice_is_marked(scripted, loud_detector):
    """Too soft to break in, and half of it is lost: it must not pass for a whole."""
    model = scripted([("confirm", 9.0)])
    listener = Listener(model, grammar_in("answer"), fs=FS, gate=model.gate, detector=loud_detector)
    listener.talks(True)
    list(listener.feed(loud(30)))
    listener.talks(False)
    (ended,) = said([*listener.feed(loud(20)), *listener.feed(quiet(40))])
    assert ended.heard[0].while_talking


def test_what_begins_later_is_not_marked(scripted, loud_detector):
    model = scripted([("confirm", 9.0)])
    listener = Listener(model, grammar_in("answer"), fs=FS, gate=model.gate, detector=loud_detector)
    own(listener, loud(30))
    (ended,) = said([*listener.feed(loud(20)), *listener.feed(quiet(40))])
    assert not ended.heard[0].while_talking


@given(st.lists(st.floats(0, 1), max_size=60))
def test_speech_begins_after_two_sure_frames_only(probabilities):
    gate, before = SpeechGate(), False
    for earlier, now in zip([0.0, *probabilities], probabilities, strict=False):
        speaking = gate.feed(now)
        assert before or not speaking or (earlier >= ON_FROM and now >= ON_FROM)
        before = speaking


# With the shipped model and the Silero network.


@pytest.fixture(scope="module")
def stream(voice_dir):
    """Four phrases with a second between them, in faint noise, at 48 kHz."""
    names = ("cylinder-three", "leakage-forty-two-percent", "confirm", "leakage-nine-percent")
    parts = []
    for name in names:
        samples, fs = sf.read(voice_dir / f"{name}.flac", dtype="float64")
        parts += [soxr.resample(samples, fs, 48_000), np.zeros(48_000)]
    whole = np.concatenate([np.zeros(24_000), *parts])
    return whole + 1e-3 * np.random.default_rng(5).standard_normal(len(whole))


def heard_in_blocks(stream, model, silero, sizes):
    listener = Listener(model, grammar_for("any"), fs=48_000, gate=model.gate, detector=silero)
    events, at = [], 0
    for size in sizes:
        events += listener.feed(stream[at : at + size])
        at += size
    events += listener.feed(stream[at:])
    events += listener.finish()
    plain = [(e.heard, e.start_s, e.end_s, e.decided_s) for e in said(events)]
    return plain, [e for e in events if not isinstance(e, Said)]


@pytest.fixture(scope="module")
def whole(stream, model, silero):
    return heard_in_blocks(stream, model, silero, [])


@pytest.mark.slow
def test_four_phrases_are_heard(whole):
    commands = [(h.command, h.value) for heard, *_ in whole[0] for h in heard]
    assert commands == [("cylinder", 3.0), ("leakage", 42.0), ("confirm", None), ("leakage", 9.0)]


@pytest.mark.slow
def test_every_utterance_keeps_what_else_it_may_have_been(whole):
    assert all(h.readings and h.readings[0] for heard, *_ in whole[0] for h in heard)


@pytest.mark.slow
@settings(max_examples=6, deadline=None)
@given(st.lists(st.integers(1, 60_000), min_size=1, max_size=30))
def test_a_stream_is_heard_like_a_file_in_blocks_of_any_size(stream, model, silero, whole, sizes):
    assert heard_in_blocks(stream, model, silero, sizes) == whole


@pytest.mark.slow
@pytest.mark.parametrize("size", [480, 4096])
def test_a_sound_cards_blocks_are_heard_like_a_file(stream, model, silero, whole, size):
    sizes = [size] * (len(stream) // size)
    assert heard_in_blocks(stream, model, silero, sizes) == whole
