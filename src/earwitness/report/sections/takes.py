"""One take on the page: its picture, its numbers in words, its flags and its sound."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from earwitness.acoustics.quality.flags import FLAGS
from earwitness.acoustics.settings import DEFAULTS
from earwitness.engine.listening_points import listening_points
from earwitness.errors import EarwitnessError
from earwitness.report import words
from earwitness.report.listening_copy import copy_of_cycled, copy_of_pair
from earwitness.report.pictures.figures import parts_of, take_picture

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from markupsafe import Markup

    from earwitness.acoustics.finding import Finding
    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection, Take
    from earwitness.report.listening_copy import ListeningCopy

Sounds = Literal["playable", "told", "none"]
"""What a page has of the listening copies."""
ROLES = {"pair": ("air off", "air on"), "cycles": ("air cycled", "ambient reference")}
"""What each recording of a take is, by the take's basis."""
MEANINGS = {flag.name: flag for flag in FLAGS}
"""What the detector says of each flag."""


@dataclass(frozen=True, slots=True)
class Flag:
    """A quality flag in words."""

    name: str
    meaning: str
    remedy: str


@dataclass(frozen=True, slots=True)
class File:
    """A sound file of the record."""

    role: str
    path: str
    sha256: str
    form: str


@dataclass(frozen=True, slots=True)
class Player:
    """A listening copy, ready to play."""

    uri: str
    seconds: float
    caption: str


@dataclass(frozen=True, slots=True)
class TakeView:
    """A take, ready to be set."""

    seq: int
    point: str
    seal: str
    """Which seal air at this point speaks of."""
    basis: str
    grade: str
    arcs: int | None
    """Arcs of the grade's symbol, None for a question mark."""
    status: str | None
    """Why the take does not count, None if it does."""
    numbers: tuple[tuple[str, str], ...]
    flags: tuple[Flag, ...]
    picture: Markup | None
    """A drawing with its description for those who cannot see it."""
    player: Player | None
    problem: str | None
    """Why there is no picture and no sound."""
    files: tuple[File, ...]


def take_view(
    told: Inspection, take: Take, audio: Callable[[str], Recording], *, sounds: Sounds = "playable"
) -> TakeView:
    """Set one take.

    Parameters
    ----------
    told : Inspection
        The inspection it belongs to.
    take : Take
        The take.
    audio : callable
        Returns the recording of a path, or raises an `EarwitnessError`.
    sounds : {"playable", "told", "none"}
        Whether there are listening copies, or only what is said of them, or nothing of either.
    """
    finding = take.finding
    grade = finding.grade if finding else "undetermined"
    point = words.point_name(take.point)
    said = words.GRADE_WORDS.get(grade, grade)
    description = (
        f"{point}: spectrogram of the take, and its noise floor by band with the air off and on; "
        f"{said}."
    )
    picture, player, problem = _picture_and_sound(told, take, audio, description, sounds)
    return TakeView(
        seq=take.seq,
        point=point,
        seal=_seal(told, take),
        basis="air cycled on and off"
        if take.basis == "cycles"
        else "two recordings, air off and on",
        grade=said if finding and finding.usable else "no conclusion",
        arcs=words.GRADE_ARCS.get(grade) if finding and finding.usable else None,
        status=_status(take),
        numbers=tuple(_numbers(finding)) if finding and finding.usable else (),
        flags=tuple(_flag(name) for name in (finding.flags if finding else ())),
        picture=picture,
        player=player,
        problem=problem,
        files=tuple(_files(told, take)),
    )


def _rise(finding: Finding) -> str:
    """Say the rise; where it is not significant only what it is at most."""
    low, high = finding.interval_db
    if finding.p_value is not None and finding.p_value > DEFAULTS.none_p:
        return f"not significant; at most {words.decibels(high)}"
    return f"{words.decibels(finding.excess_db)} (95 % interval {words.interval(low, high)})"


def _chance(p_value: float | None) -> str:
    """Say how often such a rise comes without a leak."""
    if p_value is None:
        return "not stated: this take screens only, it proves nothing"
    return f"p = {p_value:.4f}" if p_value >= 0.0001 else "p below 0.0001"


def _seal(told: Inspection, take: Take) -> str:
    points = listening_points(told.layout, take.cylinder)
    return next((p.seal for p in points if p.name == take.point), "")


def _status(take: Take) -> str | None:
    if take.retracted is not None:
        return f"Retracted: {take.retracted}"
    if take.finding is None:
        return "Not scored: the inspection ended before this take was judged"
    if take.refused or not take.finding.usable:
        return "Refused: no conclusion rests on this take"
    return None


def _numbers(finding: Finding) -> Iterator[tuple[str, str]]:
    yield "Rise of the floor with the air on", _rise(finding)
    if finding.hiss_db is not None:
        bound = " or fainter" if "upper-bound" in finding.flags else ""
        yield "The hiss itself, against the floor", words.decibels(finding.hiss_db) + bound
    yield "Chance of such a rise without a leak", _chance(finding.p_value)
    if finding.detectable_db is not None:
        yield (
            "Smallest rise it would have shown",
            f"{words.decibels(finding.detectable_db)}, with probability 0.85",
        )
    if finding.bubbles is not None:
        yield "Bubbles", finding.bubbles.in_words
    yield "Sound used", f"{finding.baseline_s:.1f} s air off, {finding.take_s:.1f} s air on"


def _flag(name: str) -> Flag:
    known = MEANINGS.get(name)
    return Flag(name, known.meaning, known.remedy) if known else Flag(name, "", "")


def _files(told: Inspection, take: Take) -> Iterator[File]:
    roles = ROLES.get(take.basis, ())
    for place, path in enumerate(take.audio):
        role = roles[place] if place < len(roles) else "recording"
        stored = told.audio_file(path)
        if stored is None:
            yield File(role, path, "not in the record", "")
            continue
        seconds = stored.frames / stored.sample_rate_hz if stored.sample_rate_hz else 0.0
        form = (
            f"{stored.subtype}, {stored.sample_rate_hz} Hz, "
            f"{stored.channels} channel{'s' * (stored.channels != 1)}, {seconds:.1f} s, "
            f"received as {stored.original_name}"
        )
        yield File(role, path, stored.sha256, form)


def _picture_and_sound(
    told: Inspection,
    take: Take,
    audio: Callable[[str], Recording],
    description: str,
    sounds: Sounds,
) -> tuple[Markup | None, Player | None, str | None]:
    from markupsafe import Markup, escape

    pair = take.basis == "pair"
    try:
        recordings = [audio(path) for path in take.audio[: 2 if pair else 1]]
    except EarwitnessError as e:
        return None, None, e.fault
    if not recordings:
        return None, None, "The record names no sound for this take"
    parts = parts_of(recordings, take.air_on_s, pair=pair)
    described = str(escape(words.made_visible(description)))
    picture = Markup(take_picture(parts, take.finding, described))  # noqa: S704  # our own drawing
    if sounds == "none":
        return picture, None, None
    encode, stored = sounds == "playable", map(told.audio_file, take.audio[: len(recordings)])
    originals = [file.sha256 for file in stored if file is not None]
    if pair and len(recordings) == 2:
        copy = copy_of_pair(*recordings, originals=originals, encode=encode)
    else:
        copy = copy_of_cycled(recordings[0], take.air_on_s, originals=originals, encode=encode)
    return picture, _player(copy, pair=pair), None


def _player(copy: ListeningCopy, *, pair: bool) -> Player:
    on = ", ".join(
        f"{s.start_s:.1f}–{s.end_s:.1f} s" for s in copy.stretches if s.air_on
    )  # fmt: skip
    louder = f"{copy.gain_db:.0f} dB louder than the original" if copy.gain_db else "not amplified"
    where = "" if pair else f", beginning at {copy.cut_from_s:.1f} s of the take"
    air = f"air on at {on}" if on else "air off throughout"
    caption = (
        f"Listening copy, derived, not evidence; {copy.seconds:.0f} s, {louder}{where}; {air}."
    )
    return Player(_data_uri("audio/mpeg", copy.mp3), copy.seconds, caption)


def _data_uri(form: str, data: bytes) -> str:
    return f"data:{form};base64,{base64.b64encode(data).decode('ascii')}"
