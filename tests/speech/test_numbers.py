"""Spoken numbers and their read-back are inverses, and half of a number is none."""

from __future__ import annotations

import itertools

import num2words
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.speech.numbers import (
    DIGITS,
    HOMOPHONES,
    MAX_NUMBER,
    TEENS,
    TENS,
    parse_number,
    say_number,
    spellings,
)

ALL_VALUES = [tenths / 10 for tenths in range(10_000)]
NUMBER_WORDS = (*DIGITS, *TEENS, *TENS, "oh", "a", "hundred", "and", "point", "half")


def test_what_we_say_is_what_we_hear():
    assert [parse_number(say_number(v)) for v in ALL_VALUES] == ALL_VALUES


def test_every_spelling_is_heard_as_its_value():
    wrong = [(v, s) for v in ALL_VALUES for s in spellings(v) if parse_number(s) != v]
    assert wrong == []


def test_no_spelling_belongs_to_two_values():
    phrases = [s for v in ALL_VALUES for s in spellings(v)]
    assert len(set(phrases)) == len(phrases)


@pytest.mark.parametrize(
    "length",
    [1, 2, pytest.param(3, marks=pytest.mark.slow), pytest.param(4, marks=pytest.mark.slow)],
)
def test_nothing_but_a_spelling_is_a_number(length):
    phrases = {s for v in ALL_VALUES for s in spellings(v)}
    words = NUMBER_WORDS if length < 4 else NUMBER_WORDS[::2]
    said = (" ".join(w) for w in itertools.product(words, repeat=length))
    assert [s for s in said if (parse_number(s) is not None) != (s in phrases)] == []


def test_read_back_agrees_with_num2words():
    """num2words 0.5.14, English: the same words but for its hyphens and its "and"."""
    theirs = {v: num2words.num2words(v) for v in range(1000)}
    plain = {v: t.replace("-", " ").replace(" and ", " ") for v, t in theirs.items()}
    assert {v: say_number(v) for v in range(1000)} == plain
    assert {v: parse_number(t) for v, t in theirs.items()} == {v: v for v in range(1000)}


def test_decimals_agree_with_num2words():
    values = [tenths / 10 for tenths in range(1, 10_000, 37)]
    assert [parse_number(num2words.num2words(v)) for v in values] == values


@pytest.mark.parametrize(
    ("words", "value"),
    [
        # Readings to accept, as technicians say them: common practice, no source.
        ("one thirty-five", 135),
        ("one three five", 135),
        ("two six", 26),
        ("one forty five", 145),
        ("one oh five", 105),
        ("point five", 0.5),
        ("a hundred and ten", 110),
        ("one hundred forty five", 145),
        ("hundred", 100),
        ("oh", 0),
        ("seventeen and a half", 17.5),
        ("Forty Two", 42),
        ("one oh oh", 100),
        ("nine hundred ninety nine point nine", 999.9),
        # Homophones, which only a written text can hold.
        ("forty for", 44),
        ("two hundred ate", 208),
        ("one to", 12),
    ],
)
def test_numbers_of_the_trade(words, value):
    assert parse_number(words) == value


@pytest.mark.parametrize(
    "words",
    [
        "",
        " ",
        "twenty twenty",
        "ten one",
        "twenty zero",
        "twenty oh",
        "oh five",
        "zero hundred",
        "ten hundred",
        "one hundred and",
        "point",
        "five point",
        "point five five",
        "five point ten",
        "and",
        "a",
        "half",
        "minus five",
        "one thousand",
        "one two three four",
        "forty two percent",
        "to",
        "for to",
        "point five and a half",
    ],
)
def test_half_heard_numbers_are_none(words):
    assert parse_number(words) is None


@pytest.mark.parametrize("value", [-0.1, 1000, 0.05, 3.14, float("nan"), float("inf")])
def test_what_cannot_be_said_is_refused(value):
    with pytest.raises(ValueError, match="must be between"):
        say_number(value)


@given(st.lists(st.sampled_from((*NUMBER_WORDS, *HOMOPHONES, "[unk]", "cylinder")), max_size=8))
def test_any_words_are_a_number_in_range_or_none(words):
    value = parse_number(" ".join(words))
    assert value is None or (0 <= value <= MAX_NUMBER and value * 10 == round(value * 10))


@given(st.text())
def test_any_text_is_a_number_in_range_or_none(text):
    value = parse_number(text)
    assert value is None or 0 <= value <= MAX_NUMBER
