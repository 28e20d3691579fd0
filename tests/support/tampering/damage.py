"""Damage a bag at random, as a failing disk or an idle hand would, and undo it again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.record.claim.check.verify import verify

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.claim.check.defects import Depth, Verification
    from earwitness.record.claim.check.page import Drawing

Hand = Callable[[bytes, np.random.Generator], bytes]
MOST_BYTES = 400
"""Longest stretch that one act of damage changes."""


@dataclass(frozen=True)
class Act:
    """One bag that was damaged, and what checking it came to."""

    what: str
    """Kind of damage and file."""
    equal: bool
    """Whether the damage happened to leave every byte as it was."""
    found: Verification


class Fuzzer:
    """Damages one working copy of a sound bag again and again.

    After each act the copy is made whole and held to the original, and the folder around it must
    hold nothing else, so that whatever the verifier writes anywhere near shows.
    """

    def __init__(self, sound: Path, room: Path, *, seed: int) -> None:
        self.sound = sound
        self.room = room
        self.bag = room / "bag"
        shutil.copytree(sound, self.bag)
        self.rng = np.random.default_rng(seed)
        self.names = _files(sound)

    def act(self, depth: Depth = "default", render: Drawing | None = None) -> Act:
        """Damage the bag, check it, make it whole."""
        name = str(self.rng.choice(self.names))
        kind = str(self.rng.choice([*HANDS, "delete", "rename", "exchange"]))
        touched = self._damage(kind, name)
        equal = all(_same(self.bag / n, self.sound / n) for n in {name, *touched})
        before = _state(self.room)
        found = verify(self.bag, depth=depth, render=render)
        assert _state(self.room) == before, f"checking a bag changed something: {kind} {name}"
        for other in touched:
            (self.bag / other).unlink(missing_ok=True)
            if (self.sound / other).exists():
                shutil.copyfile(self.sound / other, self.bag / other)
        return Act(f"{kind} {name}", equal, found)

    def _damage(self, kind: str, name: str) -> list[str]:
        """Do it, and return the names of the files it touched."""
        path = self.bag / name
        if kind == "delete":
            path.unlink()
            return [name]
        if kind == "rename":
            new = f"{name}{self.rng.integers(10)}"
            path.rename(self.bag / new)
            return [name, new]
        if kind == "exchange":
            other = str(self.rng.choice(self.names))
            here, there = path.read_bytes(), (self.bag / other).read_bytes()
            path.write_bytes(there)
            (self.bag / other).write_bytes(here)
            return [name, other]
        path.write_bytes(HANDS[kind](path.read_bytes(), self.rng))
        return [name]


def _flip(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    out[_place(data, rng)] ^= 1 << int(rng.integers(8))
    return bytes(out)


def _truncate(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: _place(data, rng)]


def _insert(data: bytes, rng: np.random.Generator) -> bytes:
    at = _place(data, rng)
    return data[:at] + rng.bytes(int(rng.integers(1, MOST_BYTES))) + data[at:]


def _remove(data: bytes, rng: np.random.Generator) -> bytes:
    at = _place(data, rng)
    return data[:at] + data[at + int(rng.integers(1, MOST_BYTES)) :]


def _overwrite(data: bytes, rng: np.random.Generator) -> bytes:
    at = _place(data, rng)
    new = rng.bytes(int(rng.integers(1, MOST_BYTES)))
    return data[:at] + new + data[at + len(new) :]


def _repeat(data: bytes, rng: np.random.Generator) -> bytes:
    at, size = _place(data, rng), int(rng.integers(1, MOST_BYTES))
    return data[: at + size] + data[at:]


def _token(data: bytes, rng: np.random.Generator) -> bytes:
    """Put something that parsers stumble over in the place of as many bytes."""
    at, new = _place(data, rng), TOKENS[int(rng.integers(len(TOKENS)))]
    return data[:at] + new + data[at + len(new) :]


TOKENS = (
    b"\n", b"\r\n", b"\0", b"\xef\xbb\xbf", b"[" * 300, b'{"a":' * 300, b"NaN", b"1e999", b"../",
    b"9" * 5000, b'"', b"\\ud800", b"-", b"0x", b"true", b"null", b"%0A", b"<meta name=", b"\xff",
)  # fmt: skip
HANDS: dict[str, Hand] = {
    "flip": _flip,
    "truncate": _truncate,
    "insert": _insert,
    "remove": _remove,
    "overwrite": _overwrite,
    "repeat": _repeat,
    "token": _token,
}


def _place(data: bytes, rng: np.random.Generator) -> int:
    return int(rng.integers(len(data)))


def _files(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def _same(a: Path, b: Path) -> bool:
    return a.is_file() and b.is_file() and a.read_bytes() == b.read_bytes()


def _state(room: Path) -> list[tuple[str, int, int]]:
    """Name, size and time of change of everything in a folder."""
    found = ((p, p.lstat()) for p in sorted(room.rglob("*")))
    return [(str(p), s.st_size, s.st_mtime_ns) for p, s in found]
