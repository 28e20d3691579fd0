"""Canonical bytes against RFC 8785, and what they refuse."""

from __future__ import annotations

import json
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes, is_canonical, value_of

SAFE_INTEGERS = st.integers(-(2**53) + 1, 2**53 - 1)
TEXT = st.text(st.characters(exclude_categories=["Cs"]))
JSON = st.recursive(
    st.none()
    | st.booleans()
    | SAFE_INTEGERS
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner),
    max_leaves=20,
)


def test_the_sample_of_the_standard() -> None:
    """RFC 8785, section 3.2.2 (input) and 3.2.3 (result), from memory."""
    value = json.loads(
        r"""{
          "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
          "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
          "literals": [null, true, false]
        }"""
    )
    assert canonical_bytes(value).decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_names_are_sorted_by_utf_16_code_units() -> None:
    """RFC 8785, section 3.2.3, the sorting sample, from memory."""
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    written = json.loads(
        canonical_bytes(dict.fromkeys(names, 0)), object_pairs_hook=lambda pairs: pairs
    )
    assert [name for name, _ in written] == [
        "\r",
        "1",
        "\u0080",
        "\u00f6",
        "\u20ac",
        "\U0001f600",
        "\ufb33",
    ]


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555557", "333333333.33333343"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_of_appendix_b(bits: str, text: str) -> None:
    """RFC 8785, appendix B, number samples, from memory."""
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_bytes(number).decode() == text


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf"), 2**53, -(2**53)])
def test_numbers_json_cannot_carry_are_refused(number: float) -> None:
    """RFC 8785, appendix B: NaN and Infinity must end in an error."""
    with pytest.raises(RecordError, match="cannot keep this value exactly"):
        canonical_bytes({"level_db": number})


@pytest.mark.parametrize("value", [{1: "one"}, {None: 1}, "\ud800", b"bytes", {1, 2}, object()])
def test_what_is_not_json_is_refused(value: object) -> None:
    with pytest.raises(RecordError, match="cannot keep this value exactly"):
        canonical_bytes(value)


@given(JSON)
def test_every_json_value_comes_back(value: object) -> None:
    written = canonical_bytes(value)
    assert value_of(written) == value
    assert canonical_bytes(value_of(written)) == written
    assert b"\n" not in written


ODD_NUMBERS = st.sampled_from(
    [0.0, -0.0, 1.0, 100.0, 1e-7, 1.5e-5, 1e16, 1e21, 1.5e300, 5e-324, 2**53, -(2**60), 0.0001]
)
NAMES = st.text(st.characters(exclude_categories=["Cs"]), max_size=3)


@settings(max_examples=60)
@given(st.dictionaries(NAMES, ODD_NUMBERS | SAFE_INTEGERS | st.floats(-1e6, 1e6) | TEXT))
def test_the_short_way_to_tell_canonical_text_agrees_with_the_long_one(value: object) -> None:
    """On text as Python writes it: the canonical one or nearly so."""
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    read = value_of(text)
    assert is_canonical(text, read) == (canonical_bytes(read) == text)
    assert is_canonical(canonical_bytes(read), read)


@pytest.mark.parametrize(
    "text",
    [
        '{"a":1.0}', '{"a":[1.0]}', '{"a":-1.0,"b":0}', '{"a":1e-07}', '{"a":1e+16}', '{"a":1e21}',
        '{"a":-1.5e-05}', '{"a":-0}', '{"a":-0.0}', '{"a": 1}', '{"b":1,"a":1}', '{"a":1,"a":1}',
        r'{"a":"\u00e9"}', r'{"a":"\/"}', '{"a":1.50}', '{"a":9007199254740993}', ' {"a":1}',
        '{"\ufb33":0,"\U0001f600":0}',
    ],
)  # fmt: skip
def test_text_written_another_way_is_not_canonical(text: str) -> None:
    assert not is_canonical(text.encode(), value_of(text.encode()))


@pytest.mark.parametrize("text", ['{"a":NaN}', '{"a":-Infinity}', r'["\ud83d"]'])
def test_text_that_holds_what_no_record_keeps_is_refused(text: str) -> None:
    """Python reads all three, and would write them again."""
    with pytest.raises(RecordError, match="cannot keep"):
        is_canonical(text.encode(), value_of(text.encode()))


def test_deep_nesting_is_told_without_a_crash() -> None:
    text = b"[" * 400 + b"]" * 400
    assert is_canonical(text, value_of(text))
