"""The tool's own voice is not taken for the technician's."""

from __future__ import annotations

from earwitness.speech.own_voice import ABOVE_OWN_DB, TAIL_FRAMES, TIMES, OwnVoice


def talk(voice, levels):
    voice.talks(True)
    own = [voice.is_own(db) for db in levels]
    voice.talks(False)
    return own, [voice.is_own(-70.0) for _ in range(TAIL_FRAMES)]


def test_when_the_tool_is_silent_every_voice_is_another():
    assert not OwnVoice().is_own(0.0)


def test_at_first_nobody_else_can_be_heard():
    own, tail = talk(OwnVoice(), [-30.0, 0.0, -20.0])
    assert all(own)
    assert all(tail)


def test_its_voice_stays_in_the_room_for_a_moment():
    voice = OwnVoice()
    talk(voice, [-30.0])
    assert not voice.audible
    assert not voice.is_own(-30.0)


def test_who_is_clearly_louder_breaks_in():
    voice = OwnVoice()
    talk(voice, [-30.0, -25.0])
    own, _ = talk(voice, [-25.0, -25.0 + ABOVE_OWN_DB, -25.0 + ABOVE_OWN_DB + 0.1, -60.0])
    assert own == [True, True, False, False]


def test_breaking_in_hardly_raises_what_was_learnt():
    voice = OwnVoice()
    talk(voice, [-30.0])
    talk(voice, [-30.0, -10.0])
    own, _ = talk(voice, [-20.0])
    assert own == [False]


def test_a_headset_lets_the_technician_break_in_softly():
    voice = OwnVoice()
    talk(voice, [-75.0])
    own, _ = talk(voice, [-50.0])
    assert own == [False]


def test_a_quieter_loudspeaker_is_learnt():
    voice = OwnVoice()
    talk(voice, [-20.0])
    for _ in range(TIMES):
        talk(voice, [-40.0])
    own, _ = talk(voice, [-30.0])
    assert own == [False]


def test_cues_do_not_make_a_sentence_anothers():
    voice = OwnVoice()
    talk(voice, [-20.0])
    for _ in range(TIMES - 1):
        talk(voice, [-40.0])
    own, _ = talk(voice, [-20.0])
    assert own == [True]


def test_a_tool_that_was_taken_for_another_is_known_again():
    """Learnt from a cue alone, its sentences are 10 dB louder: they seem another's four times."""
    voice = OwnVoice()
    talk(voice, [-40.0])
    own = [talk(voice, [-30.0])[0][0] for _ in range(6)]
    assert own == [False, False, False, False, True, True]
