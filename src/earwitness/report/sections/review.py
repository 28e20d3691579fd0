"""What a reviewer asks for: every take in one table, the microphone chain, the flags raised."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.report import words
from earwitness.report.sections.takes import MEANINGS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.acoustics.finding import Finding
    from earwitness.record.model import Inspection, Take

CHAIN = """
Relative level, not calibrated. No sound calibrator was put on the microphone, so no level in this
report is a sound pressure: levels are in decibels against the full scale of the recording, and
findings are differences between two such levels.

A difference is the same whatever the sensitivity of the microphone, as long as gain and place stay
as they are between air off and air on. Automatic gain, compression or a moved probe would spoil it;
what of this can be seen in the recording is flagged.

A level that could have been detected holds for that take, in that noise, with that probe in that
place. It is no promise about another shop or another microphone.
"""
"""What can be said of the microphones."""

HEADINGS = (
    "Entry", "Cyl.", "Point", "Basis", "Result", "Rise (95 % interval)", "p", "Detectable", "Flags",
)  # fmt: skip
"""Heads of the table of takes."""


@dataclass(frozen=True, slots=True)
class TakeRow:
    """One take in the reviewer's table; every field in words."""

    seq: int
    cylinder: int
    point: str
    basis: str
    result: str
    rise: str
    chance: str
    detectable: str
    flags: str


@dataclass(frozen=True, slots=True)
class FlagCount:
    """A flag that was raised, how often, and what it means."""

    name: str
    times: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Review:
    """The reviewer's part of the page."""

    headings: tuple[str, ...]
    takes: tuple[TakeRow, ...]
    chain: tuple[str, ...]
    sound: str
    """What was recorded, in what form."""
    flags: tuple[FlagCount, ...]
    fingerprint_of: str
    """First and last digits of the chain head, for comparing by eye."""


def review_of(told: Inspection) -> Review:
    """Gather what a reviewer asks for.

    Parameters
    ----------
    told : Inspection
        The inspection.
    """
    return Review(
        headings=HEADINGS,
        takes=tuple(_row(take) for take in told.takes),
        chain=tuple(" ".join(said.split()) for said in CHAIN.strip().split("\n\n")),
        sound=_sound(told),
        flags=tuple(_flags(told)),
        fingerprint_of=grouped(told.head[:16]),
    )


def grouped(digits: str) -> str:
    """Write hexadecimal digits in groups of four.

    Examples
    --------
    >>> grouped("ba7816bf8f01")
    'ba78 16bf 8f01'
    """
    return " ".join(digits[i : i + 4] for i in range(0, len(digits), 4))


def _row(take: Take) -> TakeRow:
    finding = take.finding
    usable = finding is not None and finding.usable
    shown = finding if usable else None
    detectable = shown.detectable_db if shown else None
    return TakeRow(
        seq=take.seq,
        cylinder=take.cylinder,
        point=words.point_name(take.point),
        basis={"cycles": "cycled", "pair": "pair"}.get(take.basis, take.basis),
        result=_result(take),
        rise=_rise(shown) if shown else "–",
        chance=_chance(shown.p_value) if shown else "–",
        detectable="–" if detectable is None else words.decibels(detectable),
        flags=", ".join(finding.flags) if finding and finding.flags else "none",
    )


def _result(take: Take) -> str:
    finding = take.finding
    if take.retracted is not None:
        return "retracted"
    if finding is None:
        return "not scored"
    if take.refused or not finding.usable:
        return "refused"
    return words.GRADE_WORDS.get(finding.grade, finding.grade)


def _rise(finding: Finding) -> str:
    low, high = (words.decibels(v).removesuffix(" dB") for v in finding.interval_db)
    return f"{words.decibels(finding.excess_db)} ({low} to {high})"


def _chance(p_value: float | None) -> str:
    if p_value is None:
        return "–"
    return f"{p_value:.4f}" if p_value >= 0.0001 else "below 0.0001"


def _sound(told: Inspection) -> str:
    """Say how much was recorded, in what form."""
    if not told.audio:
        return "No sound was recorded."
    forms = Counter(
        f"{a.subtype}, {a.sample_rate_hz} Hz, {a.channels} channel{'s' * (a.channels != 1)}"
        for a in told.audio
    )
    seconds = sum(a.frames / a.sample_rate_hz for a in told.audio if a.sample_rate_hz)
    listed = "; ".join(f"{form} ({n} file{'s' * (n != 1)})" for form, n in sorted(forms.items()))
    return f"{len(told.audio)} recordings, {seconds / 60:.1f} minutes in all: {listed}."


def _flags(told: Inspection) -> Iterator[FlagCount]:
    counted = Counter(f for t in told.takes if t.finding for f in t.finding.flags)
    for name, times in sorted(counted.items()):
        known = MEANINGS.get(name)
        said = f"{times} take{'s' * (times != 1)}"
        yield FlagCount(name, said, known.meaning if known else "")
