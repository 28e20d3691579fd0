"""Options that several commands share, and turning words of the command line into values."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from earwitness.errors import EarwitnessError

if TYPE_CHECKING:
    from earwitness.record.claim.check.defects import Depth
    from earwitness.session.equipment.ears import Input

Json = Annotated[bool, typer.Option("--json", help="Print one documented JSON object.")]
Out = Annotated[Path | None, typer.Option(help="Where to write; a dated name if left out.")]
Model = Annotated[Path | None, typer.Option(help="Folder of another Vosk model.")]
Record = Annotated[Path, typer.Argument(help="Record folder of an inspection.")]
Quick = Annotated[bool, typer.Option("--quick", help="Names and sizes only.")]
KEY_FOLDER = Path(typer.get_app_dir("earwitness")) / "keys"
"""Where the shop's key lies unless another folder is named."""
Keys = Annotated[
    Path, typer.Option(help="The shop's key folder.", envvar="EARWITNESS_KEYS", show_default=False)
]
PassPhrase = Annotated[
    str | None,
    typer.Option(
        help="What protects the key; better given in the environment than typed here.",
        envvar="EARWITNESS_PASSPHRASE",
    ),
]
Withhold = Annotated[
    str,
    typer.Option(help="Leave out: all, people, or names with commas, e.g. vin,customer."),
]
Authority = Annotated[
    Path | None, typer.Option(help="Certificate (PEM) of the time stamp's authority.")
]
Times = tuple[tuple[float, float], ...]


class Expect(StrEnum):
    """What may be said in a dictation."""

    NUMBER = "number"
    COMMAND = "command"
    ANY = "any"


def clock() -> datetime:
    """Return the time of day; the one place where the program reads it."""
    return datetime.now(UTC)  # noqa: TID251  # the clock that everything else takes as an argument


def numbers(text: str, option: str) -> tuple[int, ...]:
    """Return cylinder numbers that were given with commas between them.

    Raises
    ------
    EarwitnessError
        If one is no number.
    """
    try:
        return tuple(int(n) for n in text.split(",") if n.strip())
    except ValueError as e:
        raise EarwitnessError(
            f"{option} {text} is no list of cylinders", remedy="Write for example 3,4."
        ) from e


def input_of(name: str, sample_rate_hz: int) -> Input:
    """Return the microphone that a setting names.

    Parameters
    ----------
    name : str
        A number or a part of a name as `earwitness devices` shows them, and perhaps a colon and the
        channel, 1 is the first; empty for the machine's own choice.
    sample_rate_hz : int
        Sample rate [Hz].

    Examples
    --------
    >>> input_of("Field recorder:2", 48_000)
    Input(device='Field recorder', channel=1, sample_rate_hz=48000)
    """
    from earwitness.session.equipment.ears import Input

    device, colon, channel = name.rpartition(":")
    if not (colon and channel.isdecimal() and int(channel) > 0):
        device, channel = name, "1"
    chosen: int | str | None = int(device) if device.isdecimal() else device or None
    return Input(chosen, int(channel) - 1, sample_rate_hz)


def record_folder(out: Path | None, kind: str) -> Path:
    """Return `out`, or a new dated folder name in the current folder."""
    if out is not None:
        return out
    name = f"{kind}-{clock().astimezone():%Y-%m-%d-%H%M}"
    candidates = (Path(f"{name}{suffix}") for suffix in ["", *(f"-{i}" for i in range(2, 10_000))])
    return next(path for path in candidates if not path.exists())


def take(
    recordings: list[Path], cycled: Path | None, air_on: str | None, reference: Path | None
) -> tuple[list[Path], Times]:
    """Sort out whether a pair or an air-cycled take was given.

    Raises
    ------
    EarwitnessError
        If it is neither, or both.
    """
    if cycled is None and len(recordings) == 2 and not air_on and not reference:
        return recordings, ()
    if cycled is not None and not recordings and air_on:
        return [cycled, *([reference] if reference else [])], times(air_on)
    raise EarwitnessError(
        "score takes either two recordings (baseline, pressurised),"
        " or --cycled with --air-on and perhaps --reference",
        remedy="Give one of the two forms; `earwitness score --help` shows both.",
    )


def fields(text: str) -> tuple[str, ...]:
    """Read names of people and engine, `people` and `all` for several.

    Raises
    ------
    EarwitnessError
        If one of them is no such name.
    """
    from earwitness.record.identity import FIELDS, PEOPLE

    groups = {"all": FIELDS, "people": PEOPLE} | {name: (name,) for name in FIELDS}
    named = [name.strip().lower().replace("-", "_") for name in text.split(",") if name.strip()]
    if unknown := [name for name in named if name not in groups]:
        raise EarwitnessError(
            f"{', '.join(unknown)} is nothing that can be withheld or disclosed by itself",
            remedy=f"Choose from {', '.join(groups)}.",
        )
    chosen = {field for name in named for field in groups[name]}
    return tuple(name for name in FIELDS if name in chosen)


def depth(*, quick: bool, recompute: bool) -> Depth:
    """Say how deep to check.

    Raises
    ------
    EarwitnessError
        If both ends are asked for.
    """
    if quick and recompute:
        raise EarwitnessError(
            "--quick and --recompute exclude each other", remedy="Leave one of them out."
        )
    return "quick" if quick else "recompute" if recompute else "default"


def times(text: str) -> Times:
    """Read `2.0-6.0,10.0-14.0`.

    Raises
    ------
    EarwitnessError
        If it is no such list.
    """
    try:
        pairs = [part.split("-") for part in text.split(",")]
        return tuple((float(start), float(end)) for start, end in pairs)
    except ValueError as e:
        raise EarwitnessError(
            f"--air-on {text!r} is not a list of times",
            remedy="Write start and end in seconds, for example 2.0-6.0,10.0-14.0.",
        ) from e
