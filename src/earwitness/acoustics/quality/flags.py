"""Say whether a recording can be trusted: one table of flags, from `damage` and `changes`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.acoustics.bands import NYQUIST_SHARE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from earwitness.acoustics.quality.changes import Changes
    from earwitness.acoustics.quality.damage import SampleChecks
    from earwitness.acoustics.settings import HissSettings


@dataclass(frozen=True, slots=True)
class QualityFlag:
    """One thing that can be wrong with a take."""

    name: str
    meaning: str
    refuses: bool
    """True if no conclusion may be drawn from the take."""
    remedy: str


FLAGS = (
    QualityFlag(
        "not-finite",
        "Some samples are not numbers, or are far beyond full scale.",
        True,
        "Record the take again.",
    ),
    QualityFlag(
        "too-short", "There is not enough sound.", True, "Record longer, with longer periods."
    ),
    QualityFlag(
        "rates-differ",
        "The two recordings have different sample rates.",
        True,
        "Record both with the same settings.",
    ),
    QualityFlag(
        "channels-differ",
        "The two recordings have different numbers of channels.",
        True,
        "Record both with the same settings.",
    ),
    QualityFlag(
        "silent", "The microphone delivered no sound.", True, "Check the cable, then record again."
    ),
    QualityFlag(
        "clipped",
        "The recording was overdriven: peaks are cut flat.",
        True,
        "Lower the gain or step back, then record again.",
    ),
    QualityFlag(
        "zero-runs",
        "Stretches of the recording are missing: the samples there are exactly zero.",
        True,
        "Switch off noise gates and other programs, then record again.",
    ),
    QualityFlag(
        "repeated-blocks",
        "Stretches of the recording were played twice by the recorder.",
        True,
        "Close other programs, then record again.",
    ),
    QualityFlag(
        "band-limited",
        "The recording holds nothing of the upper octaves, as over a telephone or headset.",
        True,
        "Record at 44.1 or 48 kHz with a wired microphone and no voice processing.",
    ),
    QualityFlag(
        "gain-stepped",
        "The gain was changed during the take.",
        False,
        "Leave the gain alone while recording; repeat the take.",
    ),
    QualityFlag(
        "speech", "Someone spoke during the take.", False, "Repeat the take without talking."
    ),
    QualityFlag(
        "knocked",
        "The probe was knocked, or something heavy fell.",
        False,
        "Hold the probe still, and repeat the take if nothing was found.",
    ),
    QualityFlag(
        "few-quiet-frames",
        "Shop noise covered most of the take.",
        False,
        "Repeat the take when the shop is quieter.",
    ),
    QualityFlag(
        "reference-ignored",
        "The ambient recording does not fit the take and was left out.",
        False,
        "Record both microphones together, with the same settings.",
    ),
    QualityFlag(
        "too-few-cycles",
        "The air was not switched often enough to prove anything at 1 %.",
        False,
        "Cycle the air at least five times, starting and ending with it off.",
    ),
    QualityFlag(
        "screening-only",
        "Shop noise that changed by itself cannot be told from a leak here.",
        False,
        "Take an air-cycled recording to prove it.",
    ),
    QualityFlag(
        "unsteady",
        "The sound did not come with the air every time.",
        False,
        "Repeat the take, and hold the probe still.",
    ),
    QualityFlag(
        "upper-bound",
        "The rise is below 6 dB: the leak is no louder than stated, and may be fainter.",
        False,
        "Bring the probe closer, or quieten the shop.",
    ),
)
"""Every flag, in the order in which findings list them."""


def ordered(names: Iterable[str]) -> tuple[str, ...]:
    """Return flags in the order of the table, each once.

    Raises
    ------
    ValueError
        If one is not in the table.
    """
    found = set(names)
    unknown = found - {f.name for f in FLAGS}
    if unknown:
        raise ValueError(f"no such quality flag: {', '.join(sorted(unknown))}")
    return tuple(f.name for f in FLAGS if f.name in found)


def refuses(names: Iterable[str]) -> bool:
    """Return whether any of these flags forbids a conclusion."""
    found = set(names)
    return any(f.refuses and f.name in found for f in FLAGS)


def meaning(name: str) -> str:
    """Return what a flag means, one sentence."""
    return _named(name).meaning


def remedy(name: str) -> str:
    """Return what to do about a flag, one sentence."""
    return _named(name).remedy


def flags_of(
    checks: SampleChecks, changes: Changes | None, sample_rate_hz: int, settings: HissSettings
) -> set[str]:
    """Return what is wrong with one channel of sound.

    Parameters
    ----------
    checks : SampleChecks
        What its samples show.
    changes : Changes or None
        What its band powers show; None if the sample rate is too low for them.
    sample_rate_hz : int
        Sample rate [Hz].
    settings : HissSettings
        Least length and bandwidth.
    """
    if not checks.finite:
        return {"not-finite"}
    if checks.count < max(2.0, settings.shortest_take_s * sample_rate_hz):
        return {"too-short"}
    if checks.silent:
        return {"silent"}
    found = {
        "clipped": checks.clipped,
        "zero-runs": checks.gap,
        "repeated-blocks": checks.repeated,
        "band-limited": changes is None or changes.cut_off,
    }
    if changes is not None:
        found |= {
            "gain-stepped": changes.gain_stepped,
            "speech": changes.spoken_over,
            "knocked": changes.knocked,
        }
    return {name for name, is_so in found.items() if is_so}


def reaches(sample_rate_hz: int, least_hz: float) -> bool:
    """Return whether a sample rate carries sound up to a frequency [Hz]."""
    return NYQUIST_SHARE * sample_rate_hz / 2 >= least_hz


def _named(name: str) -> QualityFlag:
    for flag in FLAGS:
        if flag.name == name:
            return flag
    raise ValueError(f"no such quality flag: {name}")
