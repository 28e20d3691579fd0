"""An inspection as its log tells it: the state is a fold over the entries, in their order."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from earwitness.diagnosis.evidence import CylinderEvidence, bubbles_heard
from earwitness.engine.listening_points import listening_points
from earwitness.errors import EarwitnessError, RecordError
from earwitness.gauges.altitude import ambient_kpa
from earwitness.record import bodies
from earwitness.record.bodies import AudioFile, Opened
from earwitness.record.identity import Identity, in_order, stated_digests
from earwitness.record.readings import (
    Reading,
    bubbles_of,
    check_reading,
    checks_of,
    last_of,
    leakage_of,
    mean_kpa,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from earwitness.acoustics.finding import Finding
    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.engine.layout import EngineLayout
    from earwitness.gauges.readout import LeakageRead
    from earwitness.record.chain import Entry
    from earwitness.record.reader import Record
    from earwitness.speech.dictation import Heard


@dataclass(frozen=True, slots=True)
class Utterance:
    """Something that was said, as understood."""

    seq: int
    time: datetime
    cylinder: int | None
    audio: str
    heard: Heard


@dataclass(frozen=True, slots=True)
class Take:
    """Recordings at one listening point of one cylinder, with what they show."""

    seq: int
    time: datetime
    cylinder: int
    point: str
    basis: str
    audio: tuple[str, ...]
    air_on_s: tuple[tuple[float, float], ...]
    """When the air was on [s]; empty for a pair."""
    findings: tuple[Finding, ...] = ()
    """In the order they were reached; the last one holds."""
    refused: bool = False
    retracted: str | None = None

    @property
    def finding(self) -> Finding | None:
        """The finding that holds, or None if the take was never scored."""
        return self.findings[-1] if self.findings else None

    @property
    def counts(self) -> bool:
        """Whether a conclusion may rest on this take."""
        finding = self.finding
        return finding is not None and finding.usable and not self.refused and not self.retracted


@dataclass(frozen=True, slots=True)
class Note:
    """A remark in the log."""

    seq: int
    time: datetime
    text: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """One visit to one engine: everything said, heard and concluded in it."""

    name: str
    """Name of the record folder."""
    opened: Opened
    opened_at: datetime
    ended_at: datetime
    """Time of the last entry."""
    closed: bool
    entries: int
    head: str
    """Chain head: digest of the last line of the log."""
    readings: tuple[Reading, ...] = ()
    retracted_readings: tuple[Reading, ...] = ()
    takes: tuple[Take, ...] = ()
    """All of them, refused and retracted ones too."""
    utterances: tuple[Utterance, ...] = ()
    audio: tuple[AudioFile, ...] = ()
    notes: tuple[Note, ...] = ()
    verdict: EngineVerdict | None = None
    """The last one that was reached."""
    clock_steps: tuple[int, ...] = ()
    """Entries whose time lies before that of the entry before; their numbers order them."""
    lost: str | None = None
    identity: Identity = field(default_factory=Identity)
    """People and engine, as far as they are disclosed."""

    @property
    def layout(self) -> EngineLayout:
        """The engine under test."""
        return self.opened.engine

    @property
    def tested(self) -> tuple[int, ...]:
        """Cylinders of which anything was read or recorded, ascending."""
        return tuple(sorted({r.cylinder for r in self.readings} | {t.cylinder for t in self.takes}))

    def readings_of(self, cylinder: int) -> tuple[Reading, ...]:
        """Return the readings of a cylinder that count, in the order of the log."""
        return tuple(r for r in self.readings if r.cylinder == cylinder)

    def leakage(self, cylinder: int) -> LeakageRead | None:
        """Return the leakage of a cylinder, repeats averaged and corrections made."""
        return leakage_of(self.readings_of(cylinder), self.opened.gauge)

    def leakage_percent(self, cylinder: int) -> float | None:
        """Return the leakage of a cylinder from either form of reading [%]."""
        read = self.leakage(cylinder)
        return None if read is None else read.percent

    @property
    def ambient_kpa(self) -> float:
        """Absolute pressure around the engine, from the height of the shop [kPa]."""
        return ambient_kpa(self.opened.gauge.altitude_m or 0.0)

    def supply_kpa(self, cylinder: int) -> float | None:
        """Return the supply of the leakage test [kPa].

        With the air flowing if that was read there, else as read there, else the tester's own.
        """
        readings = self.readings_of(cylinder)
        flowing = mean_kpa(readings, "supply-under-flow")
        still = mean_kpa(readings, "supply-pressure")
        return next((p for p in (flowing, still) if p is not None), self.opened.gauge.supply_kpa)

    def audio_file(self, path: str) -> AudioFile | None:
        """Return what the record says of a sound file, or None if it says nothing."""
        return next((a for a in self.audio if a.path == path), None)


def inspection(record: Record) -> Inspection:
    """Tell the inspection from its log.

    Parameters
    ----------
    record : Record
        Entries whose chain was checked, as from `read_record`.

    Raises
    ------
    RecordError
        If an entry is of a kind this version does not know, lacks a field, or speaks of an
        entry that is not there.
    """
    fold = _Fold()
    for entry in record.entries:
        try:
            fold.take_in(entry)
        except EarwitnessError as e:
            raise RecordError(
                f"Entry {entry.seq} ({entry.kind}) of {record.folder}: {e.fault}", remedy=e.remedy
            ) from e
    return fold.told(record)


def evidence(told: Inspection) -> tuple[CylinderEvidence, ...]:
    """Gather what is known of each cylinder that was tested, in ascending order.

    Pressures are brought to kilopascals. Retracted readings and takes are left out, and so are
    takes that were refused by hand; an unusable finding stays, because its flags travel to the
    verdict.

    Raises
    ------
    GaugeError
        If the pressures read at a cylinder cannot stand on one tester.
    LayoutError
        If a reading or a take names a cylinder that the engine does not have.
    """
    return tuple(_evidence_of(told, cylinder) for cylinder in told.tested)


def _evidence_of(told: Inspection, cylinder: int) -> CylinderEvidence:
    limit, read = told.opened.limit, told.readings_of(cylinder)
    bubbles, leakage = last_of(read, "bubbles"), told.leakage(cylinder)
    findings = tuple(
        take.finding
        for take in told.takes
        if take.cylinder == cylinder and take.finding and _speaks(take, take.finding)
    )
    known = CylinderEvidence(
        cylinder=cylinder,
        points=tuple(point.name for point in listening_points(told.layout, cylinder)),
        limit_percent=limit.leakage_percent,
        limit_origin=limit.origin,
        orifice_mm=told.opened.gauge.orifice_mm,
        supply_kpa=told.supply_kpa(cylinder),
        ambient_kpa=told.ambient_kpa,
        compression_dry_kpa=mean_kpa(read, "compression-dry"),
        compression_wet_kpa=mean_kpa(read, "compression-wet"),
        bubbles=bubbles_of(bubbles) if bubbles else None,
        bubbles_heard=bubbles_heard(findings),
        checked=checks_of(read),
        findings=findings,
    )
    if leakage is None:
        return known
    return replace(
        known,
        leakage_percent=leakage.percent,
        leakage_count=leakage.count,
        leakage_scatter_percent=leakage.scatter_percent,
        leakage_bound_percent=leakage.bound_percent,
        leakage_remarks=leakage.remarks,
    )


def _speaks(take: Take, finding: Finding) -> bool:
    return not take.retracted and (not take.refused or not finding.usable)


@dataclass(slots=True)
class _Fold:
    """The inspection while its log is being read."""

    opened: Opened | None = None
    readings: dict[int, Reading] = field(default_factory=dict)
    takes: dict[int, Take] = field(default_factory=dict)
    utterances: list[Utterance] = field(default_factory=list)
    audio: list[AudioFile] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    verdict: EngineVerdict | None = None

    def take_in(self, entry: Entry) -> None:
        """Let one entry have its effect."""
        effect = _EFFECTS.get(entry.kind)
        if effect is None:
            raise RecordError(
                "this program does not know entries of that kind",
                remedy="Update earwitness and try again.",
            )
        effect(self, entry)

    def told(self, record: Record) -> Inspection:
        """Close the fold."""
        if self.opened is None:
            raise RecordError(f"{record.folder} holds no entry that opens it")
        entries, named = record.entries, in_order(self.opened.identity)
        return Inspection(
            name=record.folder.resolve().name,
            opened=self.opened,
            opened_at=entries[0].time,
            ended_at=entries[-1].time,
            closed=entries[-1].kind == "closed",
            entries=len(entries),
            head=record.head,
            readings=tuple(r for r in self.readings.values() if r.retracted is None),
            retracted_readings=tuple(r for r in self.readings.values() if r.retracted is not None),
            takes=tuple(self.takes.values()),
            utterances=tuple(self.utterances),
            audio=tuple(self.audio),
            notes=tuple(self.notes),
            verdict=self.verdict,
            clock_steps=tuple(b.seq for a, b in itertools.pairwise(entries) if b.time < a.time),
            lost=record.lost,
            identity=Identity(
                {name: record.identity[name].value for name in named if name in record.identity},
                tuple(name for name in named if name not in record.identity),
            ),
        )


def _on_opened(fold: _Fold, entry: Entry) -> None:
    if fold.opened is not None:
        raise RecordError("the record was already opened")
    fold.opened = bodies.read_body(Opened, entry.body)
    stated_digests(entry.body)


def _on_audio(fold: _Fold, entry: Entry) -> None:
    fold.audio.append(bodies.read_body(AudioFile, entry.body))


def _on_utterance(fold: _Fold, entry: Entry) -> None:
    said = bodies.said_from(entry.body)
    fold.utterances.append(Utterance(entry.seq, entry.time, said.cylinder, said.audio, said.heard))


def _on_reading(fold: _Fold, entry: Entry) -> None:
    read = bodies.read_body(bodies.Read, entry.body)
    reading = Reading(
        entry.seq,
        entry.time,
        read.cylinder,
        read.quantity,
        read.value,
        read.unit,
        read.origin,
        read.utterance,
        read.repeats,
    )
    check_reading(reading)
    _check_repeats(fold, reading)
    fold.readings[entry.seq] = reading


def _check_repeats(fold: _Fold, reading: Reading) -> None:
    """Check that a repeat names the first reading of the same quantity at the same cylinder."""
    if reading.repeats is None:
        return
    first = fold.readings.get(reading.repeats)
    alike = first and (first.cylinder, first.quantity) == (reading.cylinder, reading.quantity)
    if first is None or not alike or first.repeats is not None:
        raise RecordError(
            f"it repeats entry {reading.repeats}, which is no first reading of that quantity"
        )


def _on_retraction(fold: _Fold, entry: Entry) -> None:
    said = bodies.read_body(bodies.Retraction, entry.body)
    if said.retracts in fold.readings:
        reading = fold.readings[said.retracts]
        fold.readings[said.retracts] = replace(reading, retracted=said.why)
    elif said.retracts in fold.takes:
        take = fold.takes[said.retracts]
        fold.takes[said.retracts] = replace(take, retracted=said.why)
    else:
        raise RecordError(f"it retracts entry {said.retracts}, which is no earlier reading or take")


def _on_take(fold: _Fold, entry: Entry) -> None:
    taken = bodies.read_body(bodies.Taken, entry.body)
    fold.takes[entry.seq] = Take(
        entry.seq,
        entry.time,
        taken.cylinder,
        taken.point,
        taken.basis,
        taken.audio,
        taken.air_on_s or (),
    )


def _on_finding(fold: _Fold, entry: Entry) -> None:
    found = bodies.found_from(entry.body)
    take = fold.takes.get(found.take)
    if take is None:
        raise RecordError(f"it is about entry {found.take}, which is no earlier take")
    fold.takes[found.take] = replace(
        take, findings=(*take.findings, found.finding), refused=found.refused
    )


def _on_verdict(fold: _Fold, entry: Entry) -> None:
    fold.verdict = bodies.verdict_from(entry.body)


def _on_note(fold: _Fold, entry: Entry) -> None:
    fold.notes.append(Note(entry.seq, entry.time, str(entry.body.get("text", ""))))


def _on_closed(fold: _Fold, entry: Entry) -> None:
    """Nothing to learn: that it is the last entry says all."""


_EFFECTS: dict[str, Callable[[_Fold, Entry], None]] = {
    "opened": _on_opened,
    "audio": _on_audio,
    "utterance": _on_utterance,
    "reading": _on_reading,
    "retraction": _on_retraction,
    "take": _on_take,
    "finding": _on_finding,
    "verdict": _on_verdict,
    "note": _on_note,
    "closed": _on_closed,
}
