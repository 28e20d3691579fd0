"""Spoken numbers and their read-back are inverses, and half of a number is none."""

from __future__ import annotations

import itertools

import num2words
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.speech.numbers import MAX_NUMBER
from earwitness.speech.vocabulary import english

NUMBERS = english().numbers
ALL_VALUES = [tenths / 10 for tenths in range(40_000)]
SOME_VALUES = [*ALL_VALUES[:1500], *ALL_VALUES[1500::37], *ALL_VALUES[1500::110]]
NUMBER_WORDS = tuple(sorted(NUMBERS.words()))


def parse_number(text):
    spoken = NUMBERS.read(text)
    return None if spoken is None else spoken.value


say_number = NUMBERS.say


def test_what_we_say_is_what_we_hear():
    assert [parse_number(say_number(v)) for v in SOME_VALUES] == SOME_VALUES


def test_every_spelling_is_heard_as_its_value_and_no_other():
    wrong = [(v, s) for v in SOME_VALUES for s in NUMBERS.spellings(v) if parse_number(s) != v]
    assert wrong == []


@pytest.mark.slow
def test_every_spelling_of_every_value():
    phrases = [(v, s) for v in ALL_VALUES for s in NUMBERS.spellings(v)]
    assert [(v, s) for v, s in phrases if parse_number(s) != v] == []
    assert [parse_number(say_number(v)) for v in ALL_VALUES] == ALL_VALUES
    assert len({s for _, s in phrases}) == len(phrases)


@pytest.mark.slow
@pytest.mark.parametrize(
    "length",
    [
        1,
        pytest.param(2, marks=pytest.mark.slow),
        pytest.param(3, marks=pytest.mark.slow),
        pytest.param(4, marks=pytest.mark.slow),
    ],
)
def test_nothing_but_a_spelling_is_a_number(length):
    phrases = {s for v in ALL_VALUES for s in NUMBERS.spellings(v)}
    words = NUMBER_WORDS if length < 4 else NUMBER_WORDS[::3]
    said = (" ".join(w) for w in itertools.product(words, repeat=length))
    assert [s for s in said if (parse_number(s) is not None) != (s in phrases)] == []


def test_read_back_agrees_with_num2words():
    """num2words 0.5.14, English: the same words but for its hyphens, commas and "and"."""
    whole = (*range(400), *range(400, 4000, 7))
    theirs = {v: num2words.num2words(v) for v in whole}
    plain = {
        v: t.replace("-", " ").replace(",", "").replace(" and ", " ") for v, t in theirs.items()
    }
    assert {v: say_number(v) for v in whole} == plain
    heard = {v: parse_number(t.replace(",", "")) for v, t in theirs.items()}
    assert heard == {v: v for v in whole}


def test_decimals_agree_with_num2words():
    values = [tenths / 10 for tenths in range(1, 10_000, 37)]
    assert [parse_number(num2words.num2words(v)) for v in values] == values


@pytest.mark.parametrize(
    ("words", "style", "digits"),
    [
        ("forty two", "name", 0),
        ("one forty five", "short", 0),
        ("one four five", "digits", 3),
        ("two six", "digits", 2),
        ("twelve fifty", "pair", 0),
        ("twelve hundred", "pair", 0),
        ("one thousand two hundred fifty", "name", 0),
        ("six point nine", "name", 0),
    ],
)
def test_how_a_number_was_said_is_told(words, style, digits):
    spoken = NUMBERS.read(words)
    assert (spoken.style, spoken.digits) == (style, digits)
    assert spoken.decimal == ("point" in words)


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
        ("oh", 0),
        ("seventeen and a half", 17.5),
        ("Forty Two", 42),
        ("one oh oh", 100),
        ("nine hundred ninety nine point nine", 999.9),
        ("twelve fifty", 1250),
        ("twelve hundred", 1200),
        ("one thousand two hundred and fifty", 1250),
        ("a thousand", 1000),
        ("two thousand and five", 2005),
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
        "hundred",
        "hundred ten",
        "point",
        "five point",
        "point five five",
        "five point ten",
        "and",
        "a",
        "half",
        "minus five",
        "thousand",
        "twelve five",
        "twelve oh five",
        "twelve fifty fifty",
        "four thousand",
        "one two three four",
        "forty two percent",
        "to",
        "for to",
        "point five and a half",
    ],
)
def test_half_heard_numbers_are_none(words):
    assert parse_number(words) is None


@pytest.mark.parametrize("value", [-0.1, 4000, 0.05, 3.14, float("nan"), float("inf")])
def test_what_cannot_be_said_is_refused(value):
    with pytest.raises(ValueError, match="must be between"):
        say_number(value)


@given(
    st.lists(st.sampled_from((*NUMBER_WORDS, *NUMBERS.homophones, "[unk]", "cylinder")), max_size=8)
)
def test_any_words_are_a_number_in_range_or_none(words):
    value = parse_number(" ".join(words))
    assert value is None or (0 <= value <= MAX_NUMBER and value * 10 == round(value * 10))


@given(st.text())
def test_any_text_is_a_number_in_range_or_none(text):
    value = parse_number(text)
    assert value is None or 0 <= value <= MAX_NUMBER
