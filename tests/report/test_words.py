"""Names, numbers and probabilities in words."""

from __future__ import annotations

import doctest
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.report import words


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.995, "virtually certain"),
        (0.95, "very likely"),
        (0.70, "likely"),
        (0.50, "about as likely as not"),
        (0.20, "unlikely"),
        (0.05, "very unlikely"),
        (0.005, "exceptionally unlikely"),
        (0.0, "exceptionally unlikely"),
    ],
)
def test_likelihoods_are_those_of_the_published_scale(probability: float, said: str) -> None:
    """IPCC AR4 (2007), Working Group II, front matter F: >99, 90-99, 66-90, 33-66, 10-33, 1-10,
    <1 %."""
    assert words.in_words(probability) == said


@given(st.floats(0, 1))
def test_no_probability_is_written_as_a_certainty(probability: float) -> None:
    written = words.percent(probability)
    assert written not in ("100 %", "0 %")
    if not written.startswith(("more than", "under")):
        assert -1e-9 <= probability - float(written.removesuffix(" %")) / 100 < 0.01


def test_levels_without_a_bound_are_said_in_words() -> None:
    assert words.interval(-math.inf, 2.0) == "no bound to +2.0 dB"
    assert words.decibels(math.nan) == "not a number"
    assert words.decibels(-1.26) == "−1.3 dB"
    assert words.decibels(-0.04) == words.decibels(0.0) == "0.0 dB"


HIDDEN = [*"\u202e\u2066\u200f\x00\x1b\ue000\u061c\u200b\ufeff", "\U000e0041"]


@pytest.mark.parametrize("mark", HIDDEN)
def test_hidden_and_reordering_characters_become_visible(mark: str) -> None:
    """Unicode 15, section 23.2, 23.3, 23.8, 23.9: directional marks, embeddings, overrides,
    isolates, zero-width space, byte order mark, tags."""
    assert words.made_visible(f"a{mark}b") == f"a[U+{ord(mark):04X}]b"


@pytest.mark.parametrize(
    "text", ["Ærø – 日本 ✓ 34 %", "two\nlines", "emoji 🔧", "Zürich", "\u0645\u06cc\u200c\u062e"]
)
def test_ordinary_text_is_left_alone(text: str) -> None:
    assert words.made_visible(text) == text


def test_examples_in_the_documentation_are_true() -> None:
    result = doctest.testmod(words)
    assert result.attempted >= 7
    assert result.failed == 0
