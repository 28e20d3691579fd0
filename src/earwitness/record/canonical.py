"""One byte sequence for one JSON value (RFC 8785), so that a digest means something."""

from __future__ import annotations

from earwitness.errors import RecordError


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
