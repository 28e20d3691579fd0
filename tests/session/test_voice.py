"""The tool's voice: spoken where espeak-ng is, tones otherwise, one sentence after another."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from earwitness.acoustics.settings import HissSettings
from earwitness.session.equipment import voice
from earwitness.session.equipment.voice import (
    CUE_S,
    MOST_CUE_S,
    SPEAKER_FS,
    Manner,
    Voice,
    cue,
    spoken,
    sweep,
    tones,
)


class Speaker:
    """Keeps what it is to play, and plays it a hundred times too fast."""

    def __init__(self) -> None:
        self.played: list[int] = []
        self._until = 0.0

    def play(self, samples: np.ndarray) -> float:
        self.played.append(len(samples))
        self._until = time.monotonic() + len(samples) / SPEAKER_FS / 100
        return time.monotonic()

    def stop(self) -> None:
        self._until = 0.0

    @property
    def playing(self) -> bool:
        return time.monotonic() < self._until

    def close(self) -> None:
        self.stop()


def wait_until_silent(talking: Voice) -> None:
    for _ in range(500):
        if not talking.busy:
            return
        time.sleep(0.01)
    raise AssertionError("it still talks")


def test_cues_differ_and_stay_below_the_band_of_the_hiss() -> None:
    """The detector listens from 1 kHz on: of a cue at most 1 % of the power lies there."""
    for begins, ends in voice.CUE_HZ.values():
        x = sweep(begins, ends)
        assert len(x) == round(CUE_S * SPEAKER_FS)
        power = np.abs(np.fft.rfft(x)) ** 2
        hz = np.fft.rfftfreq(len(x), 1 / SPEAKER_FS)
        assert power[hz >= 1000].sum() < 0.01 * power.sum()
        halves = (x[: len(x) // 2], x[len(x) // 2 :])
        crossings = [int((np.diff(np.sign(half)) != 0).sum()) for half in halves]
        assert (crossings[1] > crossings[0]) == (ends > begins)


@pytest.mark.parametrize(("word_s", "is_said"), [(0.3, True), (0.6, False)])
def test_a_word_with_the_cue_is_over_before_the_detector_listens_again(
    monkeypatch: pytest.MonkeyPatch, word_s: float, is_said: bool
) -> None:
    """The detector leaves out `guard_after_s`, 0.6 s; 0.1 s of it are left to the echo."""
    word = np.full(round(word_s * SPEAKER_FS), 0.1, "f4")
    monkeypatch.setattr(voice, "spoken", lambda *_: word)
    x = cue(on=True, says=True, manner=Manner(air_on="air on"))
    assert len(x) / SPEAKER_FS <= min(MOST_CUE_S, HissSettings().guard_after_s - 0.1)
    assert (len(x) == round(CUE_S * SPEAKER_FS) + len(word)) == is_said
    assert np.array_equal(cue(on=True, says=False, manner=Manner()), sweep(*voice.CUE_HZ[True]))


def test_a_cue_is_marked_as_talk_until_it_is_over() -> None:
    speaker, talks = Speaker(), []
    talking = Voice(speaker, "earcons", talks.append)
    for on in (True, False):
        talking.cue(on=on)
        assert talks[-1] is True
        until = time.monotonic() + 5
        while talks[-1] is True and time.monotonic() < until:
            time.sleep(0.01)
    talking.say("stored")
    wait_until_silent(talking)
    talking.close()
    assert talks == [True, False] * 3


@pytest.mark.slow
def test_air_on_and_air_off_are_said() -> None:
    manner = Manner(air_on="air on", air_off="air off")
    cues = [cue(on=on, says=True, manner=manner) for on in (True, False)]
    assert all(CUE_S + 0.2 < len(x) / SPEAKER_FS <= MOST_CUE_S for x in cues)


def test_tones_tell_a_question_from_a_statement_and_from_bad_news() -> None:
    kinds = [tones("stored", "plain"), tones("correct?", "plain"), tones("It is silent.", "bad")]
    assert len(kinds[0]) < len(kinds[1])
    assert not np.array_equal(kinds[1], kinds[2])


def test_without_a_voice_it_sounds_tones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(voice.shutil, "which", lambda _: None)
    speaker, talks = Speaker(), []
    talking = Voice(speaker, "auto", talks.append)
    talking.say("stored")
    wait_until_silent(talking)
    talking.close()
    assert speaker.played == [len(tones("stored", "plain"))]
    assert talks == [True, False]


def test_sentences_follow_each_other_and_a_hush_forgets_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    going_on = threading.Event()
    monkeypatch.setattr(voice, "spoken", lambda *_: going_on.wait(5) and sweep(440, 440))
    monkeypatch.setattr(voice, "installed_voice", lambda: "/bin/true")
    speaker = Speaker()
    talking = Voice(speaker, "auto", lambda _: None)
    for sentence in ("one", "two", "three"):
        talking.say(sentence)
    assert talking.busy
    talking.hush()
    going_on.set()
    wait_until_silent(talking)
    talking.close()
    assert speaker.played == []


def test_muted_it_says_nothing_and_still_tells_when_the_cue_was(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    speaker = Speaker()
    talking = Voice(speaker, "off", lambda _: None)
    talking.say("stored")
    before = time.monotonic()
    assert talking.cue(on=True) >= before
    assert not talking.busy
    talking.close()
    assert speaker.played == []


@pytest.mark.slow
@pytest.mark.parametrize("sentence", ["cylinder 3, leakage forty two percent, correct?", "--help"])
def test_a_sentence_is_spoken_and_never_taken_for_an_option(sentence: str) -> None:
    """A calm reader says 165 words a minute: seven words in 2 to 6 s."""
    x = spoken(sentence, Manner())
    assert x is not None
    assert np.abs(x).max() > 0.05
    assert 0.2 < len(x) / SPEAKER_FS < 6.0


class Slow(Speaker):
    """Plays at its own speed."""

    def play(self, samples: np.ndarray) -> float:
        began_s = super().play(samples)
        self._until = began_s + len(samples) / SPEAKER_FS
        return began_s


def test_who_breaks_in_silences_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sentence ends at once, and what waits behind it is not said either."""
    monkeypatch.setattr(voice, "spoken", lambda *_: np.zeros(30 * SPEAKER_FS, "f4"))
    monkeypatch.setattr(voice, "installed_voice", lambda: "here")
    speaker = Slow()
    talking = Voice(speaker, "auto", lambda _: None)
    talking.say("Leakage forty-two percent?")
    talking.say("Say confirm.")
    while not speaker.playing:
        time.sleep(0.01)
    talking.interrupt()
    wait_until_silent(talking)
    assert not speaker.playing
    assert len(speaker.played) == 1
    talking.close()


def test_nobody_silences_a_cue() -> None:
    speaker = Slow()
    talking = Voice(speaker, "earcons", lambda _: None)
    talking.cue(on=True)
    talking.interrupt()
    assert speaker.playing
    talking.close()
