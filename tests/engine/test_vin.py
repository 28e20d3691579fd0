"""VIN: alphabet, length and check digit, against published examples."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.engine.vin import CHECK_PLACE, check_digit, check_vin, vin_warning
from earwitness.errors import LayoutError

SIGNS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"

PUBLISHED = [
    # The customary worked example of 49 CFR 565.15(c): sum 351 = 31 x 11 + 10, so X; from memory.
    ("1M8GDM9AXKP042788", "X"),
    # Seventeen ones: the weights sum to 89 = 8 x 11 + 1, so 1; customary test number, from memory.
    ("11111111111111111", "1"),
]


@pytest.mark.parametrize(("vin", "digit"), PUBLISHED)
def test_published_examples(vin, digit):
    assert check_vin(vin) == vin
    assert check_digit(vin) == digit == vin[CHECK_PLACE - 1]
    assert vin_warning(vin) is None


def test_the_worked_example_by_hand():
    """1M8GDM9A_KP042788: values 1 4 8 7 4 4 9 1 . 2 7 0 4 2 7 8 8, times the weights."""
    products = (8, 28, 48, 35, 16, 12, 18, 10, 0, 18, 56, 0, 24, 10, 28, 24, 16)
    assert sum(products) == 351
    assert check_digit("1M8GDM9AXKP042788") == "0123456789X"[sum(products) % 11]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1M8GDM9AXKP04278", "has 16 characters"),
        ("1M8GDM9AXKP0427888", "has 18 characters"),
        ("", "has 0 characters"),
        ("1M8GDM9AXKPO42788", "'O' in place 12, which no VIN has; 0 is meant"),
        ("IM8GDM9AXKP042788", "'I' in place 1, which no VIN has; 1 is meant"),
        ("1M8GDM9AXKP04278q", "'q' in place 17, which no VIN has; 0 is meant"),
        ("1M8GDM9AXKP04278٣", "in place 17"),
        ("1M8GDM9AXKP04278ß", "in place 17"),
        ("1M8GDM9AXKP04278_", "in place 17"),
    ],
)
def test_what_is_no_vin_is_refused_in_a_sentence(text, says):
    with pytest.raises(LayoutError) as refused:
        check_vin(text)
    assert says in str(refused.value)
    assert "plate" in str(refused.value)


def test_spaces_hyphens_and_stars_of_papers_are_dropped():
    assert check_vin("*1m8gd m9ax-kp042788*\n") == "1M8GDM9AXKP042788"


def test_a_wrong_check_digit_warns_by_region():
    american = vin_warning("1M8GDM9A1KP042788")
    european = vin_warning("WM8GDM9A1KP042788")
    assert american is not None
    assert european is not None
    assert "place 9 is 1, the others give X" in american
    assert "typing error is likely" in american
    assert "outside North America" in european


@given(st.text(SIGNS, min_size=17, max_size=17), st.integers(0, 16), st.sampled_from(SIGNS))
def test_the_digit_finds_what_it_is_made_to_find(vin, place, other):
    """A changed character is noticed unless both stand for the same number modulo 11."""
    right = vin[:8] + check_digit(vin) + vin[9:]
    wrong = right[:place] + other + right[place + 1 :]
    values = {s: int(s) for s in string.digits} | {
        s: v
        for v, row in enumerate(["", "AJ", "BKS", "CLT", "DMU", "ENV", "FW", "GPX", "HY", "RZ"])
        for s in row
    }
    same = right[place] == other if place == 8 else values[right[place]] == values[other]
    assert (vin_warning(wrong) is None) == same
