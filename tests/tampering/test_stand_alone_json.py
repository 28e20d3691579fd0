"""The stand-alone verifier writes canonical JSON with code of its own, held to RFC 8785."""

from __future__ import annotations

import importlib.util
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

if TYPE_CHECKING:
    from types import ModuleType


def _module() -> ModuleType:
    path = Path(__file__).parents[2] / "tools" / "verify_bag.py"
    spec = importlib.util.spec_from_file_location("verify_bag", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


TOOL = _module()
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text() | st.floats(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555554", "333333333.33333325"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
    ],
)
def test_numbers_of_rfc_8785_appendix_b(bits: str, text: str) -> None:
    """From memory of the table; the same values hold for the library `rfc8785`."""
    value = struct.unpack(">d", bytes.fromhex(bits))[0]
    assert TOOL.canonical(value) == text
    assert rfc8785.dumps(value).decode() == text


@given(JSON)
def test_it_writes_what_the_library_writes(value: object) -> None:
    try:
        expected = rfc8785.dumps(value)  # type: ignore[arg-type]
    except rfc8785.CanonicalizationError:
        with pytest.raises((AttributeError, ValueError, TypeError)):
            TOOL.canonical(value).encode()
    else:
        assert TOOL.canonical(value).encode() == expected
