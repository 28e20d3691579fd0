"""Check a vehicle identification number: its alphabet, its length and its check digit.

ISO 3779:2009 gives the alphabet and the length; the check digit in the ninth place is required
by 49 CFR 565.15(c) of vehicles for the United States (and likewise in Canada), and elsewhere that
place may hold anything. Both from memory, not read again.
"""

from __future__ import annotations

import re

from earwitness.errors import LayoutError

VIN_LENGTH = 17
"""Characters of a VIN [1]. ISO 3779:2009, from memory."""
CHECK_PLACE = 9
"""Place of the check digit, from 1 [1]. 49 CFR 565.15(c), from memory."""
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
"""Weight of each place in the check sum [1]. 49 CFR 565.15(c), table IV, from memory."""

_VALUES = {str(digit): digit for digit in range(10)} | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True)
)
"""Number that a character stands for in the check sum [1]. 49 CFR 565.15(c), table III, from
memory. I, O and Q are no characters of a VIN: they are taken for 1 and 0."""
_PRINTED = re.compile(r"[\s*-]+")
"""What plates and papers print around or between the characters."""
_MISTAKEN = {"I": "1", "O": "0", "Q": "0"}
_REMEDY = "Read the number again from the plate or the registration and correct it."


def check_vin(text: str) -> str:
    """Return a VIN as it is kept: 17 capital letters and digits, no spaces.

    A check digit that does not match is no reason to refuse: see `vin_warning`.

    Raises
    ------
    LayoutError
        If the length is wrong, or a character is none of a VIN.

    Examples
    --------
    >>> check_vin(" 1m8gd-m9ax-kp042788 ")
    '1M8GDM9AXKP042788'

    References
    ----------
    ISO 3779:2009, Road vehicles - Vehicle identification number (VIN) - Content and structure.
    """
    bare = _PRINTED.sub("", text)
    for place, sign in enumerate(bare, start=1):
        _check_sign(text, place, sign)
    if len(bare) != VIN_LENGTH:
        raise LayoutError(
            f"the VIN {text!r} has {len(bare)} characters; a VIN has {VIN_LENGTH}", remedy=_REMEDY
        )
    return bare.upper()


def check_digit(vin: str) -> str:
    """Return the check digit that belongs to a VIN, whatever stands in its place.

    The weighted sum of the characters' values modulo 11, ten written as X.

    Parameters
    ----------
    vin : str
        As `check_vin` returns it.

    Examples
    --------
    >>> check_digit("11111111111111111")
    '1'

    References
    ----------
    49 CFR 565.15(c), Code of Federal Regulations, check digit; from memory.
    """
    total = sum(weight * _VALUES[sign] for weight, sign in zip(WEIGHTS, vin, strict=True) if weight)
    return "0123456789X"[total % 11]


def vin_warning(vin: str) -> str | None:
    """Return a sentence if the check digit of a VIN does not match, else None.

    Parameters
    ----------
    vin : str
        As `check_vin` returns it.
    """
    expected, written = check_digit(vin), vin[CHECK_PLACE - 1]
    if written == expected:
        return None
    why = (
        "a typing error is likely, since makers in North America must use it"
        if vin[0] in "12345"
        else "a typing error, or a maker outside North America that does not use it"
    )
    return (
        f"Check digit of the VIN does not match: place {CHECK_PLACE} is {written}, "
        f"the others give {expected}; {why}."
    )


def _check_sign(text: str, place: int, sign: str) -> None:
    capital = sign.upper() if sign.isascii() else sign
    if capital in _VALUES:
        return
    meant = _MISTAKEN.get(capital)
    hint = f"; {meant} is meant, perhaps" if meant else ""
    raise LayoutError(
        f"the VIN {text!r} has {sign!r} in place {place}, which no VIN has{hint}", remedy=_REMEDY
    )
