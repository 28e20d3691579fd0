"""The likeliest meaning is chosen, and doubt is counted honestly."""

from __future__ import annotations

import math

import pytest

from earwitness.speech.grammar import grammar_for
from earwitness.speech.model_folder import Gate
from earwitness.speech.recogniser import Alternative, Utterance, Word
from earwitness.speech.weighing import weighed

GATE = Gate()


def utterance(*readings):
    return Utterance(
        tuple(
            Alternative(
                tuple(Word(w, i / 2, i / 2 + 0.4) for i, w in enumerate(text.split())), score
            )
            for text, score in readings
        )
    )


def test_a_lone_reading_is_certain():
    found = weighed(utterance(("forty two", 80.0)), grammar_for("number"), GATE)
    assert found.probability == 1.0
    assert found.phrases[0].meaning.value == 42.0


def test_what_no_one_would_say_gives_way():
    found = weighed(
        utterance(("sixteen four", 155.8), ("sixty four", 154.7)), grammar_for("any"), GATE
    )
    assert found.alternative.text == "sixty four"
    assert found.probability == 1.0


def test_but_not_to_something_far_less_likely():
    readings = utterance(("sixteen four", 155.0), ("sixty four", 155.0 - GATE.shortfall - 0.1))
    found = weighed(readings, grammar_for("any"), GATE)
    assert found.phrases == ()
    assert found.probability == 0.0


@pytest.mark.parametrize("rival", ["sixty", "[unk]", "fifty [unk]", ""])
def test_a_rival_takes_its_share(rival):
    """Two outcomes with log-odds d have probability 1/(1 + exp(-d)): the logistic function."""
    found = weighed(utterance(("fifty", 10.0), (rival, 9.0)), grammar_for("number"), GATE)
    assert found.probability == pytest.approx(1 / (1 + math.exp(-GATE.score_scale)))


def test_spellings_of_one_value_add_up():
    readings = utterance(("two six", 10.0), ("two sixty", 10.0), ("twenty six", 10.0))
    found = weighed(readings, grammar_for("number"), GATE)
    assert found.phrases[0].meaning.value == 26.0
    assert found.probability == pytest.approx(2 / 3)


@pytest.mark.parametrize("text", ["[unk]", "leakage", "[unk] confirm", "stop"])
def test_nothing_understood_keeps_the_words(text):
    found = weighed(utterance((text, 5.0)), grammar_for("any"), GATE)
    assert found.alternative.text == text
    assert found.phrases == ()
    assert found.probability == 0.0
