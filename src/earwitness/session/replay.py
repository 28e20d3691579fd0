"""Run a whole inspection from recordings: every take scored, every word heard, one verdict."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.audio.recording import open_recording, read_recording
from earwitness.diagnosis.judge import judge_engine
from earwitness.engine.listening_points import require_listening_point
from earwitness.errors import EarwitnessError
from earwitness.record import bodies, model
from earwitness.record.identity import Salts, salted
from earwitness.record.reader import read_record
from earwitness.record.sound_files import score_files
from earwitness.record.store import RecordWriter
from earwitness.session import machine
from earwitness.session.dictation import turns_in
from earwitness.speech.dictation import load_model

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.record.chain import Body
    from earwitness.record.identity import Salted
    from earwitness.record.moment import Clock
    from earwitness.session.sheets.sheet import Cylinder, RunSheet, Take
    from earwitness.speech.recogniser import SpeechModel

DICTATED: bodies.Origin = "dictated, confirmed"
FROM_SHEET: bodies.Origin = "run sheet"


@dataclass(frozen=True, slots=True)
class Progress:
    """One thing that was just done."""

    done: int
    total: int
    text: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished replay: where its record is, and the verdict."""

    folder: Path
    verdict: EngineVerdict


class Replay:
    """Feed a run sheet through the whole path into a record folder.

    Parameters
    ----------
    sheet : RunSheet
        What to replay, already checked.
    recordings : Path
        Folder that the sheet's file names are relative to.
    folder : Path
        Record folder to make; it must not exist or be empty.
    clock : Clock
        Time of each entry.
    speech_model : Path, optional
        Vosk model folder, the shipped one if left out; loaded only if something was dictated.
    tell : callable
        Called with a Progress after each take and each dictation.
    salts : Salts, optional
        Where the salts of the digests of people and engine come from; the system unless given.
    """

    def __init__(
        self,
        sheet: RunSheet,
        recordings: Path,
        folder: Path,
        *,
        clock: Clock,
        tell: Callable[[Progress], None],
        speech_model: Path | None = None,
        salts: Salts = os.urandom,
    ) -> None:
        self._sheet = sheet
        self._layout = sheet.engine.layout()
        self._recordings = recordings
        self._folder = folder
        self._clock = clock
        self._speech_model = speech_model
        self._salts = salts
        self._recogniser: SpeechModel | None = None
        self._tell = tell
        self._done = 0
        self._total = sum(len(c.take) + len(c.dictation) for c in sheet.cylinder)

    def run(self, source: str) -> Outcome:
        """Replay everything and judge it.

        Parameters
        ----------
        source : str
            Name of the run sheet, for the record.

        Raises
        ------
        EarwitnessError
            If a recording cannot be used; what was recorded before it stays in the folder.
        """
        with RecordWriter.create(self._folder, clock=self._clock) as writer:
            self._writer = writer
            identity = salted(self._sheet.identity(), self._salts)
            writer.begin(self._opened(source, identity), identity)
            try:
                for cylinder in self._sheet.cylinder:
                    self._cylinder(cylinder)
            except EarwitnessError as e:
                writer.append("note", bodies.note_body(f"Stopped: {e.fault}"))
                kept = f"{e.remedy} What was recorded before is kept in {self._folder}."
                raise type(e)(e.fault, remedy=kept) from e
            verdict = judge(self._folder).verdict
            writer.append("verdict", bodies.verdict_body(verdict))
            writer.append("closed", {})
        return Outcome(self._folder, verdict)

    def _opened(self, source: str, identity: Mapping[str, Salted]) -> Body:
        sheet = self._sheet
        return bodies.opened_body(
            self._layout,
            gauge=sheet.gauge.model_dump(),
            limit=sheet.limits.limit(),
            identity=identity,
            date=sheet.inspection.date,
            source=source,
            label=sheet.inspection.label,
        )

    def _cylinder(self, cylinder: Cylinder) -> None:
        first: dict[str, int] = {}
        for quantity, value, unit in _typed(cylinder):
            body = bodies.reading_body(
                cylinder.number,
                quantity,
                value,
                unit,
                origin=FROM_SHEET,
                repeats=first.get(quantity),
            )
            seq = self._writer.append("reading", body).seq
            first.setdefault(quantity, seq)
        for name in cylinder.dictation:
            self._dictation(cylinder.number, name, marked=cylinder.dictation_marked)
        for take in cylinder.take:
            self._take(cylinder.number, take)

    def _dictation(self, cylinder: int, name: str, *, marked: bool) -> None:
        stored = self._store(name)
        recording = read_recording(self._folder / stored)
        self._recogniser = self._recogniser or load_model(self._speech_model)
        state = machine.begin(
            cylinders=self._layout.cylinders,
            cylinder=cylinder,
            supply_kpa=self._sheet.gauge.supply_kpa,
        )
        kept: list[int] = []
        samples, fs = recording.mono(), recording.sample_rate_hz
        tool = recording.samples[:, 1] if marked and recording.channels > 1 else None
        for turn in turns_in(samples, fs, self._recogniser, state, name=name, tool=tool):
            seq, state = None, turn.state
            if turn.heard is not None:
                body = bodies.utterance_body(turn.heard, cylinder=turn.cylinder, audio=stored)
                seq = self._writer.append("utterance", body).seq
            self._carry_out(turn.effects, seq, kept)
        self._carry_out(machine.finish(state), None, kept)
        self._report(f"cylinder {cylinder}, dictation: {_understood(state)}")

    def _carry_out(
        self, effects: Iterable[machine.Effect], seq: int | None, kept: list[int]
    ) -> None:
        """Append what the dialogue decided; `kept` stacks the stored readings' entries."""
        for effect in effects:
            match effect:
                case machine.Store(r):
                    body = bodies.reading_body(
                        r.cylinder, r.quantity, r.value, r.unit, origin=DICTATED, utterance=seq
                    )
                    kept.append(self._writer.append("reading", body).seq)
                case machine.Retract():
                    body = bodies.retraction_body(kept.pop(), "scratch that")
                    self._writer.append("retraction", body)
                case machine.Remark(text):
                    self._writer.append("note", bodies.note_body(text))
                case machine.Say():
                    pass  # a replay is silent: the technician has left

    def _take(self, cylinder: int, take: Take) -> None:
        stored = [self._store(name) for name in take.files]
        body = bodies.take_body(
            cylinder=cylinder,
            point=take.point,
            basis="cycles" if take.cycled else "pair",
            audio=stored,
            air_on_s=take.air_on_s or None,
        )
        seq = self._writer.append("take", body).seq
        finding = score([self._folder / name for name in stored], take.point, take.air_on_s)
        self._writer.append(
            "finding", bodies.finding_body(finding, seq, refused=not finding.usable)
        )
        self._report(f"cylinder {cylinder}, {take.point}: {in_short(finding)}")

    def _store(self, name: str) -> str:
        """Copy a recording into the record, once it is known to be sound; return its new name."""
        source = self._recordings / name
        for _ in open_recording(source).blocks():
            pass
        return str(self._writer.add_audio(source, name=source.stem)["path"])

    def _report(self, text: str) -> None:
        self._done += 1
        self._tell(Progress(self._done, self._total, text))


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict of a record, and what the record is short of."""

    verdict: EngineVerdict
    short_of: tuple[str, ...]
    """What an interruption cost, in plain sentences; empty for a whole record."""


def judge(folder: Path) -> Judgement:
    """Judge a record folder anew from the findings and readings in it.

    Raises
    ------
    RecordError
        If the record cannot be read.
    """
    told = model.inspection(read_record(folder))
    unfinished = "The inspection was not finished: its record was never closed."
    short_of = (() if told.closed else (unfinished,)) + ((told.lost,) if told.lost else ())
    return Judgement(judge_engine(told.layout, model.evidence(told)), short_of)


def score(
    files: list[Path], point: str | None, air_on_s: tuple[tuple[float, float], ...]
) -> Finding:
    """Score one take as `score_files` does, at a listening point that there is.

    Raises
    ------
    AudioFileError, SheetError
        If a file cannot be read, there is no such point, or the times do not fit the take.
    """
    if point is not None:
        require_listening_point(point)
    return score_files(files, point, air_on_s)


def in_short(finding: Finding) -> str:
    """Say a finding in a few words, for a progress line."""
    if not finding.usable:
        return f"refused ({', '.join(finding.flags)}), take it again"
    if finding.grade == "none":
        return "nothing heard"
    surely = "screening only" if finding.p_value is None else f"p {finding.p_value:.4f}"
    return f"{finding.grade}, {finding.excess_db:+.1f} dB, {surely}"


def _typed(cylinder: Cylinder) -> list[tuple[bodies.Quantity, str, str]]:
    """Give the readings that stand in the run sheet itself, as (quantity, value, unit).

    Each repeat is a reading of its own.
    """
    found: list[tuple[bodies.Quantity, str, str]] = []
    for quantity, name in _TYPED_PRESSURES:
        values, unit = cylinder.pressures(name) or ((), "kpa")
        found += [(quantity, f"{value:.15g}", unit) for value in values]
    percents: dict[bodies.Quantity, tuple[float, ...]] = {
        "zero": cylinder.zero_percent,
        "full": cylinder.full_percent,
        "leakage": cylinder.leakage_percent,
    }
    for percent, values in percents.items():
        found += [(percent, f"{value:.15g}", "percent") for value in values]
    if cylinder.bubbles is not None:
        found.append(("bubbles", cylinder.bubbles, ""))
    found += [(name, "yes" if answer else "no", "") for name, answer in cylinder.checked.items()]
    return found


_TYPED_PRESSURES: tuple[tuple[bodies.Quantity, str], ...] = (
    ("supply-pressure", "supply"),
    ("cylinder-pressure", "cylinder"),
    ("supply-under-flow", "supply_under_flow"),
    ("compression-dry", "compression_dry"),
    ("compression-wet", "compression_wet"),
)


def _understood(state: machine.State) -> str:
    spoken = ", ".join(reading.spoken for reading in state.stored)
    return spoken or "no reading was confirmed"
