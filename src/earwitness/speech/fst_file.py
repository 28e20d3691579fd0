"""See whether a file of a finite-state transducer is whole, without the library that reads it."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

MAGIC = 2_125_659_606
"""How the header of a transducer begins. OpenFst 1.7, `fst.cc`."""
ADDED = 446_681_434
"""What comes before the transducer within a look-ahead one. OpenFst 1.7, `add-on.h`."""
STATE_BYTES, ARC_BYTES = 20, 16
"""Size of a state and of an arc of a constant transducer. OpenFst 1.7, `const-fst.h`: weight, three
counts and a position of 4 bytes each; two labels, a weight and the next state."""
ALIGNED = 4
"""Header flag: states and arcs begin at multiples of 16 bytes. OpenFst 1.7, `fst.h`."""


def is_cut_off(path: Path) -> bool:
    """Tell whether a constant transducer is shorter than it announces.

    OpenFst complains when it reads such a file, but the look-ahead type that Vosk uses goes on with
    what there is, and hears "forty" for "forty two".

    Parameters
    ----------
    path : Path
        A transducer file; other kinds than constant ones, and what looks ahead in them, are not
        judged.

    Returns
    -------
    bool
        True only if bytes are missing for certain.
    """
    try:
        _go_through(_File(path.read_bytes()))
    except struct.error:
        return True
    return False


class _File:
    """The bytes of a file, read one after the other; struct.error where there are no more."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, layout: str) -> tuple[Any, ...]:
        values = struct.unpack_from(f"<{layout}", self._data, self._at)
        self._at += struct.calcsize(f"<{layout}")
        return values

    def text(self) -> bytes:
        (length,) = self.take("i")
        return bytes(self.take(f"{max(length, 0)}s")[0])

    def skip(self, size: int) -> None:
        self._at += size
        if self._at > len(self._data):
            raise struct.error("the file ends early")


def _go_through(file: _File) -> None:
    """Go through a file as far as it is known; struct.error where it ends early."""
    if _transducer(file) != b"olabel_lookahead" or file.take("i") != (ADDED,):
        return
    if _transducer(file) == b"const" and file.take("?") == (True,):
        _skip_reach(file)
        _skip_reach(file)


def _transducer(file: _File) -> bytes:
    """Go through a header and, of a constant transducer, what it announces; return its kind."""
    (magic,) = file.take("I")
    if magic != MAGIC:
        return b""
    kind, _ = file.text(), file.text()
    _, flags, _, _, states, arcs = file.take("iiQqqq")
    if kind == b"const" and flags & ALIGNED:
        return b""
    if kind == b"const":
        file.skip(STATE_BYTES * states + ARC_BYTES * arcs)
    return kind


def _skip_reach(file: _File) -> None:
    """Go through what a look-ahead transducer knows of the labels that each state can reach."""
    if file.take("?") != (True,):
        return
    _, has_map = file.take("??")
    if has_map:
        file.skip(8 * file.take("q")[0])
    _, sets = file.take("iq")
    for _ in range(sets):
        file.skip(8 * file.take("q")[0])
        file.skip(4)
