"""One byte sequence for one JSON value (RFC 8785), or for a list of parts: digests need it."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from earwitness.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterable

LENGTH_BYTES = 8
"""Size of the big-endian length before each part that is signed [bytes]. Chosen: decision 0060."""

_SAFE_INTEGER = 2**53 - 1
"""Integers up to here have a double of their own (RFC 8785, appendix D)."""

_NEEDS_THE_LONG_WAY = re.compile(
    rb"[:,\[]-?(?:[0-9.]+[eE]|[0-9]{16}|[0-9]+\.0[,\]}]|[NI])|[\xf0-\xf4]"
)
"""Where Python's own JSON may differ from RFC 8785 in text that Python would write the same way:
numbers with an exponent, integral doubles, integers of sixteen digits or more, NaN and
Infinity, and characters beyond the basic plane, by which RFC 8785 sorts keys otherwise."""


def canonical_bytes(value: object) -> bytes:
    """Write a JSON value the one canonical way.

    Parameters
    ----------
    value : object
        Null, truth values, numbers, text, lists or tuples, and mappings with text keys.

    Returns
    -------
    bytes
        UTF-8 text without line breaks.

    Raises
    ------
    RecordError
        For anything JSON cannot carry exactly: not-a-number, infinity, integers beyond 2**53,
        keys that are not text, half a surrogate pair, or an object of another type.

    References
    ----------
    RFC 8785, JSON Canonicalization Scheme, section 3.2.
    """
    import rfc8785

    try:
        return rfc8785.dumps(value)  # type: ignore[arg-type]  # refusing the rest is its job
    except rfc8785.CanonicalizationError as e:
        raise RecordError(
            f"A record cannot keep this value exactly: {e}",
            remedy="Give finite numbers, and text as names of fields.",
        ) from e


def value_of(text: bytes) -> object:
    """Read JSON so that `canonical_bytes` writes it the same way again.

    The canonical way writes a large double as plain digits; those are read as a double again.

    Raises
    ------
    ValueError
        If the text is not JSON in UTF-8.
    RecursionError
        If it is nested too deeply to be read.
    """
    return _READER.decode(text.decode("utf-8"))


def is_canonical(text: bytes, value: object) -> bool:
    """Tell whether `canonical_bytes` would write a value as this text.

    Most lines are told by Python's own, faster writer: where the text equals its compact, sorted
    output, the two can differ only in what `_NEEDS_THE_LONG_WAY` finds.

    Parameters
    ----------
    text : bytes
        JSON text.
    value : object
        What `value_of` read from it.

    Raises
    ------
    RecordError
        As `canonical_bytes`.
    """
    if not _NEEDS_THE_LONG_WAY.search(text):
        try:
            if _WRITER.encode(value).encode() == text:
                return True
        except (ValueError, RecursionError):
            pass  # half a surrogate, not a number, or too deep: the long way names it
    return canonical_bytes(value) == text


def length_prefixed(parts: Iterable[bytes]) -> bytes:
    r"""Join parts so that they can be told apart again: each after its length.

    Parameters
    ----------
    parts : iterable of bytes
        The first one names what the others are.

    Examples
    --------
    >>> length_prefixed([b"ab", b""])
    b'\x00\x00\x00\x00\x00\x00\x00\x02ab\x00\x00\x00\x00\x00\x00\x00\x00'
    """
    return b"".join(len(part).to_bytes(LENGTH_BYTES, "big") + part for part in parts)


def _number(digits: str) -> int | float:
    number = int(digits)
    return number if abs(number) <= _SAFE_INTEGER else float(digits)


_READER = json.JSONDecoder(parse_int=_number)
_WRITER = json.JSONEncoder(
    ensure_ascii=False,
    check_circular=False,
    allow_nan=False,
    sort_keys=True,
    separators=(",", ":"),
)
