"""The grammar understands all of its own sentences, and nothing that only resembles them."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.speech.grammar import Grammar, Meaning, grammar_for, interpret
from earwitness.speech.numbers import MAX_NUMBER
from earwitness.speech.vocabulary import CONTROLS, TABLE, words_of
from earwitness.speech.vosk_recogniser import missing_words, shipped_model

EXPECTS = ("number", "command", "any")
FAST_AND_SLOW = ("number", *(pytest.param(e, marks=pytest.mark.slow) for e in EXPECTS[1:]))


@pytest.mark.parametrize("expect", FAST_AND_SLOW)
def test_every_hundredth_sentence_parses_back(expect):
    grammar = grammar_for(expect)
    for sentence, meaning in itertools.islice(grammar.sentences(), 0, None, 101):
        assert grammar.interpret(sentence) == meaning, sentence


@pytest.mark.slow
@pytest.mark.parametrize("expect", EXPECTS)
def test_every_sentence_parses_back(expect):
    grammar = grammar_for(expect)
    for sentence, meaning in grammar.sentences():
        assert grammar.interpret(sentence) == meaning, sentence


@pytest.mark.parametrize("entry", TABLE, ids=lambda e: e.command)
def test_what_is_said_back_is_among_what_is_heard(entry):
    assert entry.say in entry.hear


def test_no_phrase_has_two_meanings():
    phrases = [h for e in TABLE for h in e.hear]
    assert len(set(phrases)) == len(phrases)


@pytest.mark.parametrize("expect", EXPECTS)
def test_the_shipped_model_knows_every_word(expect):
    words = {w for p in grammar_for(expect).phrases() for w in p.split()} | words_of()
    assert missing_words(shipped_model(), words) == []


@pytest.mark.parametrize("expect", FAST_AND_SLOW)
def test_the_phrase_list_holds_the_pairs_of_words_that_are_said(expect):
    """The recogniser learns pairs; one it never saw would cost a sentence its likelihood.

    Units, decimals and ends follow examples that stand for all, and are left out here.
    """
    by_example = {"percent", "psi", "bar", "kilopascal", "point", "</s>"}
    listed = {pair for p in grammar_for(expect).phrases() for pair in _pairs(p)}
    said = itertools.islice(grammar_for(expect).sentences(), 0, None, 101)
    pairs = {(a, b) for s, _ in said for a, b in _pairs(s) if b not in by_example}
    assert pairs - listed == set()


def _pairs(phrase):
    return set(itertools.pairwise(["<s>", *phrase.split(), "</s>"]))


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("confirm", Meaning("confirm")),
        ("scratch that", Meaning("scratch-that")),
        ("undo", Meaning("scratch-that")),
        ("cylinder three", Meaning("cylinder", 3.0)),
        ("seventy five psi", Meaning(None, 75.0, "psi")),
        ("leakage forty two percent", Meaning("leakage", 42.0, "percent")),
        ("leakage forty two", Meaning("leakage", 42.0, "percent")),
        ("compression dry one forty five psi", Meaning("compression-dry", 145.0, "psi")),
        ("wet compression nine fifty kilopascal", Meaning("compression-wet", 950.0, "kPa")),
        ("compression dry one forty five", Meaning("compression-dry", 145.0, None)),
        ("supply pressure six point nine bar", Meaning("supply-pressure", 6.9, "bar")),
        ("gauge reading sixty psi", Meaning("gauge-reading", 60.0, "psi")),
        ("no bubbles", Meaning("bubbles:none")),
        ("slow bubbles", Meaning("bubbles:slow")),
        ("bubbles steady", Meaning("bubbles:steady")),
        ("tailpipe", Meaning("point:tailpipe")),
        ("left tailpipe", Meaning("point:tailpipe-left")),
        ("plug hole four", Meaning("point:plug-hole-4", 4.0)),
        ("oil filler", Meaning("point:oil-filler")),
        ("throttle body", Meaning("point:throttle-body")),
        ("cylinder for", Meaning("cylinder", 4.0)),
        # Out of range is asked about, not lost.
        ("leakage one forty two percent", Meaning("leakage", 142.0, "percent")),
        ("cylinder forty two", Meaning("cylinder", 42.0)),
    ],
)
def test_phrases_of_the_trade(text, meaning):
    assert interpret(text) == meaning


@pytest.mark.parametrize(
    "text",
    ["", "leakage", "leakage percent", "leakage forty two psi", "cylinder three point five",
     "cylinder", "percent", "stop messing about", "no one", "confirm confirm", "[unk]",
     "forty two forty two", "yes no"],
)  # fmt: skip
def test_what_means_nothing(text):
    assert interpret(text) is None


def test_numbers_alone_are_not_commands_and_commands_are_not_numbers():
    assert interpret("forty two", "command") is None
    assert interpret("leakage forty two", "number") is None
    assert interpret("forty two percent", "number") == Meaning(None, 42.0, "percent")


def test_readings_may_share_a_breath():
    found = grammar_for("any").phrases_in("cylinder three leakage forty two percent tailpipe")
    assert [(p.start, p.stop, p.meaning.command) for p in found] == [
        (0, 2, "cylinder"),
        (2, 6, "leakage"),
        (6, 7, "point:tailpipe"),
    ]


@pytest.mark.parametrize(
    "text", ["cylinder three confirm", "no next", "leakage two next", "six yes"]
)
def test_controls_stand_alone(text):
    assert grammar_for("any").phrases_in(text) == []


def test_a_state_may_narrow_the_grammar():
    asked = Grammar(tuple(e for e in CONTROLS if e.command in {"confirm", "scratch-that"}))
    assert asked.interpret("confirm") == Meaning("confirm")
    assert asked.interpret("wake") is None
    assert set(asked.phrases()) == {"confirm", "scratch that", "undo", "cancel", "[unk]"}


def test_an_unknown_expectation_is_a_programmers_mistake():
    with pytest.raises(ValueError, match="expect='letters'"):
        grammar_for("letters")


@given(
    st.lists(st.sampled_from(sorted(words_of() | {"four", "forty", "point", "[unk]"})), max_size=8)
)
def test_any_words_are_understood_whole_or_not_at_all(words):
    phrases = grammar_for("any").phrases_in(" ".join(words))
    spans = [(p.start, p.stop) for p in phrases]
    assert not spans or [spans[0][0], *(b for _, b in spans)] == [a for a, _ in spans] + [
        len(words)
    ]
    assert all(p.meaning.value is None or 0 <= p.meaning.value <= MAX_NUMBER for p in phrases)


@given(st.text(max_size=40))
def test_any_text_is_understood_or_not(text):
    assert isinstance(grammar_for("any").phrases_in(text), list)
