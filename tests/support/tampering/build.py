"""Every kind of tampering by its name.

Run as a program, it lists them; with a folder as argument, it also makes each of them there, for
looking at by hand: ``python tests/support/tampering/build.py /tmp/bags``.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from inspect import getmembers, isfunction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tampering import kinds_of_claims, kinds_of_entries, kinds_of_files, kinds_of_names
from tampering.bench import Bench

Tampering = Callable[[Bench], None]

TAMPERINGS: dict[str, Tampering] = {
    name: made
    for module in (kinds_of_files, kinds_of_entries, kinds_of_claims, kinds_of_names)
    for name, made in getmembers(module, isfunction)
    if made.__module__ == module.__name__ and not name.startswith("_")
}
"""Each takes a sound bag on the bench and leaves it tampered with."""


def tampered(name: str, sound_bag: Path, bag: Path) -> Path:
    """Copy a sound bag and tamper with the copy."""
    shutil.copytree(sound_bag, bag)
    TAMPERINGS[name](Bench(bag))
    return bag


def main(folder: Path | None) -> None:
    """List every kind, and make it below a folder if one is given."""
    from tampering.small_bag import make_bag

    for name, made in TAMPERINGS.items():
        print(f"{name}: {made.__doc__}")  # noqa: T201
        if folder is not None:
            sound = folder / "sound"
            tampered(name, sound if sound.exists() else make_bag(sound), folder / name / "bag")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
