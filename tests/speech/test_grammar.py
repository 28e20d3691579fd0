"""The grammar understands all of its own sentences, and nothing that only resembles them."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.speech.grammar import Grammar, Meaning, grammar_for, grammar_in, interpret
from earwitness.speech.numbers import MAX_NUMBER
from earwitness.speech.vocabulary import NumberField, english

EXPECTS = ("number", "command", "any")
TABLE = english().entries
FIELDS = english().fields
ONE_EACH = {id(e.number): e for e in TABLE if e.number is not None}
"""One entry for each field of numbers: the sentences of the others differ in the opening only."""


def of(*commands, bare=None):
    return Grammar(english(), tuple(e for e in TABLE if e.command in commands), bare)


@pytest.mark.parametrize("state", ["asleep", "awake", "answer"])
def test_sentences_of_each_state_parse_back(state):
    grammar = grammar_in(state)
    sentences = list(itertools.islice(grammar.sentences(), 0, 12_000, 53))
    assert sentences
    assert [s for s, meaning in sentences if grammar.interpret(s) != meaning] == []


@pytest.mark.slow
@pytest.mark.parametrize("entry", ONE_EACH.values(), ids=lambda e: e.command)
def test_every_sentence_of_each_kind_of_number_parses_back(entry):
    """Together with the test of the openings this is every sentence of the language."""
    grammar = of(entry.command)
    count = 0
    for sentence, meaning in grammar.sentences():
        count += 1
        assert grammar.interpret(sentence) == meaning, sentence
    assert count >= 16


@pytest.mark.slow
def test_every_number_alone_parses_back():
    grammar = grammar_for("number")
    assert [s for s, m in grammar.sentences() if grammar.interpret(s) != m] == []


@pytest.mark.parametrize("entry", TABLE, ids=lambda e: e.command)
def test_every_opening_leads_to_its_own_entry(entry):
    grammar = grammar_for("any")
    for hear in entry.hear:
        number = " three" if entry.number and entry.number.whole else " forty two"
        number += f" {entry.number.units[0].words[0]}" if "forty" in number and entry.number else ""
        found = grammar.interpret(hear + (number if entry.number else ""))
        assert found is not None
        assert found.command in (entry.command, f"{entry.command}-3")


@pytest.mark.parametrize("state", ["awake", "answer"])
def test_the_phrase_list_holds_the_pairs_of_words_that_are_said(state):
    """The recogniser learns pairs; one it never saw would cost a sentence its likelihood.

    Units, decimals and ends follow examples that stand for all, and are left out here.
    """
    units = {w for u in english().units.values() for w in u.words}
    by_example = {*units, "point", "</s>", "and", "half"}
    listed = {pair for p in grammar_in(state).phrases() for pair in _pairs(p)}
    said = itertools.islice(grammar_in(state).sentences(), 0, 12_000, 53)
    pairs = {(a, b) for s, _ in said for a, b in _pairs(s) if not {a, b} & by_example}
    assert pairs - listed == set()


@pytest.mark.parametrize("field", FIELDS)
def test_half_of_a_number_has_its_own_place_in_the_list(field):
    """So that "cylinder" alone is heard as that, and not completed by the recogniser."""
    openings = [h for e in TABLE if e.number is FIELDS[field] for h in e.hear]
    assert set(openings) <= set(grammar_in("awake").phrases())


def _pairs(phrase):
    return set(itertools.pairwise(["<s>", *phrase.split(), "</s>"]))


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("confirm", Meaning("confirm")),
        ("scratch that", Meaning("scratch-that")),
        ("no", Meaning("no")),
        ("cylinder three", Meaning("cylinder", 3.0)),
        ("seventy five psi", Meaning(None, 75.0, "psi")),
        ("leakage forty two percent", Meaning("leakage", 42.0, "percent")),
        ("leakage forty two", Meaning("leakage", 42.0, "percent")),
        ("compression dry one forty five psi", Meaning("compression-dry", 145.0, "psi")),
        ("wet compression nine fifty kilopascal", Meaning("compression-wet", 950.0, "kPa")),
        ("compression dry one forty five", Meaning("compression-dry", 145.0, None)),
        ("compression dry one four five psi", Meaning("compression-dry", 145.0, "psi")),
        ("compression dry twelve fifty kilopascals", Meaning("compression-dry", 1250.0, "kPa")),
        ("leakage two six", Meaning("leakage", 26.0, "percent")),
        ("stop and sleep", Meaning("sleep")),
        ("wake and listen", Meaning("wake")),
        ("supply pressure six point nine bar", Meaning("supply-pressure", 6.9, "bar")),
        ("gauge reading sixty psi", Meaning("gauge-reading", 60.0, "psi")),
        ("supply under flow seventy two psi", Meaning("supply-under-flow", 72.0, "psi")),
        ("zero check two percent", Meaning("zero-check", 2.0, "percent")),
        ("zero check zero", Meaning("zero-check", 0.0, "percent")),
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
     "forty two forty two", "yes", "wake", "sleep", "leakage six point nine point one",
     # A number that is read digit by digit has the digits of its gauge, no more and no fewer.
     "leakage one four two", "compression dry one four psi", "cylinder one two",
     "compression dry one two five oh kilopascal", "supply six nine bar",
     # Twelve fifty is one number only in kilopascal; there a tenth is none.
     "compression dry twelve fifty", "compression dry twelve fifty psi", "leakage twelve fifty",
     "supply five hundred point five kilopascal"],
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
    "text", ["cylinder three confirm", "no next", "leakage two next", "six no"]
)
def test_controls_stand_alone(text):
    assert grammar_for("any").phrases_in(text) == []


def test_a_state_may_narrow_the_grammar():
    asked = of("confirm", "scratch-that")
    assert asked.interpret("confirm") == Meaning("confirm")
    assert asked.interpret("wake and listen") is None
    assert set(asked.phrases()) == {"confirm", "scratch", "scratch that", "[unk]"}


def test_a_note_may_hold_any_talk_and_means_no_words():
    """What is said after "note" is kept as sound; nothing vouches for its words."""
    for text in ("note", "note the boot is torn", "save note [unk] seven"):
        (only,) = grammar_in("awake").phrases_in(text)
        assert only.meaning == Meaning("note")
        assert (only.start, only.stop) == (0, len(text.split()))
    assert grammar_in("awake").phrases_in("the note") == []


@pytest.mark.parametrize(
    ("text", "open_ended"),
    [
        ("leakage forty", True), ("leakage forty two", True), ("leakage forty percent", False),
        ("cylinder three", False), ("next", False), ("cylinder three leakage nine", True),
        ("leakage", False), ("forty", True), ("forty bar", False),
    ],
)  # fmt: skip
def test_a_number_without_its_unit_may_go_on(text, open_ended):
    assert grammar_for("any").goes_on(text) == open_ended


@pytest.mark.parametrize(
    ("text", "begun"),
    [
        ("cylinder", True), ("compression dry", True), ("compression", True), ("throttle", True),
        ("leakage forty point", True), ("cylinder three leakage", True), ("stop and", True),
        ("three", False), ("[unk]", False), ("[unk] cylinder", False), ("radiator", False),
        ("", False),
    ],
)  # fmt: skip
def test_the_beginning_of_a_phrase_is_known(text, begun):
    assert grammar_in("awake").is_begun(text) == begun


def test_out_of_range_is_understood_so_that_it_can_be_asked_about():
    for field in FIELDS.values():
        assert isinstance(field, NumberField)
        for unit in field.units:
            beyond = english().numbers.say(unit.high + 1)
            word = f" {unit.words[0]}" if unit.words else ""
            grammar = Grammar(english(), (), field)
            assert grammar.interpret(beyond + word).value == unit.high + 1


def test_an_unknown_expectation_is_a_programmers_mistake():
    with pytest.raises(ValueError, match="expect='letters'"):
        grammar_for("letters")


@given(st.lists(st.sampled_from(sorted(english().words | {"[unk]"})), max_size=8))
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
