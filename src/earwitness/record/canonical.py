"""One byte sequence for one JSON value (RFC 8785), so that a digest means something."""

from __future__ import annotations

import json

from earwitness.errors import RecordError

_SAFE_INTEGER = 2**53 - 1
"""Integers up to here have a double of their own (RFC 8785, appendix D)."""


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
    return json.loads(text.decode("utf-8"), parse_int=_number)


def _number(digits: str) -> int | float:
    number = int(digits)
    return number if abs(number) <= _SAFE_INTEGER else float(digits)
