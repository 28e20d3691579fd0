"""What the page says, ready to be set: the inspection in words, tables and pictures."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.repair import REPAIRS
from earwitness.engine.cautions import cautions
from earwitness.engine.listening_points import listening_points
from earwitness.record.identity import PEOPLE, in_order
from earwitness.report import words
from earwitness.report.sections.paragraph import complaint_cause_correction
from earwitness.report.sections.review import Review, review_of
from earwitness.report.sections.takes import TakeView, take_view
from earwitness.report.sections.weighing import BY_HAND, Weighing, reasons_beside, weighing

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator
    from datetime import datetime

    from earwitness.audio.recording import Recording
    from earwitness.diagnosis.repair import Repair
    from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict
    from earwitness.record.model import Inspection, Utterance
    from earwitness.record.readings import Reading
    from earwitness.report.sections.takes import Sounds
    from earwitness.speech.dictation import Heard

SET_UP_POINTS = ("adapter", "control")
"""Listening points that check the set-up, not the engine."""

MOST_AT_ONCE = 4
"""Takes that are drawn at the same time [1]. Chosen: a take in memory is some 60 MB."""

CALLED = {
    "vin": "VIN",
    "engine_id": "Engine known here as",
}
"""What a field of identity is called, where not by its own name."""
WITHHELD = "withheld from this copy; the record keeps a salted digest of it"
"""Stands for a value that is not disclosed."""


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what there is to say under it."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One cylinder in the picture of the engine."""

    number: int
    leakage: str
    state: str
    weak: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One cylinder in the table."""

    number: int
    leakage: str
    within: str
    verdict: str
    probability: str
    next_check: str


@dataclass(frozen=True, slots=True)
class ReadingView:
    """A gauge value in words."""

    seq: int
    quantity: str
    value: str
    origin: str
    retracted: str | None


@dataclass(frozen=True, slots=True)
class Spoken:
    """An utterance in words."""

    seq: int
    cylinder: str
    at: str
    text: str
    understood: str
    confidence: str


@dataclass(frozen=True, slots=True)
class CylinderView:
    """All that is known of one cylinder."""

    number: int
    title: str
    verdict: CylinderVerdict | None
    reasons: tuple[str, ...]
    """What the table of weights does not say."""
    weighing: Weighing | None
    ranking: tuple[Fact, ...]
    readings: tuple[ReadingView, ...]
    takes: tuple[TakeView, ...]
    not_heard: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole report."""

    inspection: Inspection
    title: str
    facts: tuple[Fact, ...]
    engine: tuple[Fact, ...]
    area: str
    likelihood: str | None
    verdict: EngineVerdict | None
    repair: Repair
    cost: str
    """What it may cost, against the other repairs, in words."""
    cautions: tuple[str, ...]
    banks: tuple[tuple[Cell, ...], ...]
    rows: tuple[Row, ...]
    limit: str
    together: tuple[str, ...]
    """What the cylinders show together."""
    cylinders: tuple[CylinderView, ...]
    not_tested: tuple[int, ...]
    spoken: tuple[Spoken, ...]
    paragraph: tuple[tuple[str, str], ...]
    """Complaint, cause and correction, to be pasted elsewhere."""
    review: Review
    irregular: tuple[str, ...]
    """Interruptions, clock steps, a record that was not closed."""
    by_hand: str = BY_HAND
    """How to add up the weights by hand."""


def page_of(
    told: Inspection, audio: Callable[[str], Recording], *, sounds: Sounds = "playable"
) -> Page:
    """Set the page for an inspection.

    Parameters
    ----------
    told : Inspection
        The inspection.
    audio : callable
        Returns the recording of a path that the record names, or raises an `EarwitnessError`.
        It is called from several threads.
    sounds : {"playable", "told", "none"}
        Whether there are listening copies, or only what is said of them, or nothing of either.
    """
    verdict = told.verdict
    area = verdict.area if verdict else "undetermined"
    limit = told.opened.limit
    judged = {c.cylinder: c for c in verdict.cylinders} if verdict else {}
    numbers = sorted({*told.tested, *judged})
    views = _views(told, audio, sounds=sounds)
    repair = REPAIRS.get(area, REPAIRS["undetermined"])  # type: ignore[call-overload]
    return Page(
        inspection=told,
        title=told.opened.label or told.layout.label or f"Inspection of {told.opened_at:%Y-%m-%d}",
        facts=tuple(_facts(told)),
        engine=tuple(_engine(told)),
        area=words.AREA_TITLES.get(area, area),
        likelihood=_likelihood(verdict),
        verdict=verdict,
        repair=repair,
        cost=words.COST[repair.cost_band],
        cautions=tuple(c.text for c in cautions("report", told.layout)),
        banks=tuple(
            tuple(_cell(told, number, judged.get(number)) for number in bank)
            for bank in told.layout.banks or (tuple(range(1, told.layout.cylinders + 1)),)
        ),
        rows=tuple(_row(told, number, judged.get(number)) for number in numbers),
        limit=f"{limit.leakage_percent:g} % ({limit.origin})",
        together=told.verdict.reasons if told.verdict else (),
        cylinders=tuple(_cylinder(told, n, judged.get(n), views) for n in numbers),
        not_tested=tuple(n for n in range(1, told.layout.cylinders + 1) if n not in told.tested),
        spoken=tuple(_spoken(u) for u in told.utterances),
        paragraph=complaint_cause_correction(told),
        review=review_of(told),
        irregular=tuple(_irregular(told)),
    )


def moment(time: datetime) -> str:
    """Write a moment for a reader."""
    return time.strftime("%Y-%m-%d %H:%M:%S UTC")


def _views(
    told: Inspection, audio: Callable[[str], Recording], *, sounds: Sounds
) -> dict[int, TakeView]:
    """Set every take, several at a time: each for itself, so that their order does not matter."""
    with ThreadPoolExecutor(max_workers=min(MOST_AT_ONCE, os.cpu_count() or 1)) as pool:
        views = pool.map(lambda take: take_view(told, take, audio, sounds=sounds), told.takes)
        return {view.seq: view for view in views}


def _facts(told: Inspection) -> Iterator[Fact]:
    yield from _identity(told, PEOPLE)
    if told.opened.date:
        yield Fact("Day", told.opened.date)
    yield Fact("Record made", f"{moment(told.opened_at)} to {moment(told.ended_at)}")
    if told.opened.source:
        yield Fact("From", told.opened.source)


def _identity(told: Inspection, names: Collection[str]) -> Iterator[Fact]:
    """Yield what is recorded of people or engine, disclosed or not."""
    values, withheld = told.identity.values, told.identity.withheld
    for name in names:
        if name in values or name in withheld:
            called = CALLED.get(name, name.replace("_", " ").capitalize())
            yield Fact(called, values.get(name, WITHHELD))


def _engine(told: Inspection) -> Iterator[Fact]:
    layout, gauge = told.layout, told.opened.gauge
    if layout.label:
        yield Fact("Engine", layout.label)
    recorded = in_order((*told.identity.values, *told.identity.withheld))
    yield from _identity(told, [name for name in recorded if name not in PEOPLE])
    order = "–".join(str(n) for n in layout.firing_order)
    yield Fact("Cylinders", f"{layout.cylinders}, {layout.arrangement}, firing order {order}")
    yield Fact("Fuel and cooling", f"{layout.fuel}, {layout.cooling} cooled")
    if layout.bore_mm:
        yield Fact("Bore", f"{layout.bore_mm:g} mm")
    orifice = f"{gauge.orifice_mm:g} mm orifice" if gauge.orifice_mm else "orifice not stated"
    supply = f"{gauge.supply_kpa:g} kPa supply" if gauge.supply_kpa else "supply not stated"
    yield Fact("Leakage gauge", f"{orifice}, {supply}")


def _likelihood(verdict: EngineVerdict | None) -> str | None:
    """Return the verdict's probability in words and as a number; None if nothing is settled."""
    if verdict is None or verdict.area == "undetermined":
        return None
    return f"{words.in_words(verdict.probability)}, {words.percent(verdict.probability)}"


def _leakage(told: Inspection, number: int) -> str:
    percent = told.leakage_percent(number)
    return "not read" if percent is None else f"{percent:.3g} %"


def _cell(told: Inspection, number: int, judged: CylinderVerdict | None) -> Cell:
    if number not in told.tested:
        return Cell(number, "–", "not tested", False)
    weak = judged is not None and judged.verdict != "sealed"
    state = "not judged" if judged is None else words.verdict_name(judged.verdict)
    return Cell(number, _leakage(told, number), state, weak)


def _row(told: Inspection, number: int, judged: CylinderVerdict | None) -> Row:
    leakage = _leakage(told, number)
    if judged is None:
        return Row(number, leakage, "–", "not judged", "–", "–")
    within = {True: "within", False: "beyond", None: "–"}[judged.within_limit]
    return Row(
        number,
        leakage,
        within,
        verdict_title(judged),
        words.percent(judged.probability),
        judged.next_check or "none needed",
    )


def verdict_title(judged: CylinderVerdict) -> str:
    """Return a verdict in words; where a question stays open, what leads or may leak as well."""
    said = words.verdict_name(judged.verdict)
    if judged.verdict == "undetermined" and judged.ranking:
        return f"{said}; most likely {words.verdict_name(judged.ranking[0].verdict)}"
    if judged.open_part:
        return f"{said}; {words.verdict_name(judged.open_part)} may leak as well"
    return said


def _cylinder(
    told: Inspection,
    number: int,
    judged: CylinderVerdict | None,
    views: dict[int, TakeView],
) -> CylinderView:
    takes = [t for t in told.takes if t.cylinder == number]
    heard = {t.point for t in takes if t.counts}
    offered = listening_points(told.layout, number)
    ranking = judged.ranking if judged else ()
    readings = sorted((*told.readings, *told.retracted_readings), key=lambda r: r.seq)
    return CylinderView(
        number=number,
        title=verdict_title(judged) if judged else "not judged",
        verdict=judged,
        reasons=reasons_beside(judged) if judged else (),
        weighing=weighing(judged) if judged else None,
        ranking=tuple(
            Fact(words.verdict_name(r.verdict), words.percent(r.probability)) for r in ranking[:5]
        ),
        readings=tuple(_reading(r) for r in readings if r.cylinder == number),
        takes=tuple(views[t.seq] for t in takes),
        not_heard=tuple(
            words.point_name(p.name)
            for p in offered
            if p.name not in heard and p.name not in SET_UP_POINTS
        ),
    )


def _reading(reading: Reading) -> ReadingView:
    unit = words.UNITS.get(reading.unit, reading.unit)
    return ReadingView(
        reading.seq,
        words.QUANTITIES.get(reading.quantity, reading.quantity),
        f"{reading.value} {unit}".strip(),
        reading.origin,
        reading.retracted,
    )


def _spoken(utterance: Utterance) -> Spoken:
    heard = utterance.heard
    understood = "nothing: it was not understood" if heard.rejected else _meaning(heard)
    if heard.doubtful:
        understood = f"{_meaning(heard)} (not sure: it had to be heard once more)"
    elif heard.needs_confirmation and not heard.rejected:
        understood += " (had to be confirmed)"
    return Spoken(
        utterance.seq,
        "–" if utterance.cylinder is None else str(utterance.cylinder),
        f"{words.clock_time(heard.start_s)}",
        heard.text,
        understood,
        words.percent(heard.confidence),
    )


def _meaning(heard: Heard) -> str:
    unit = words.UNITS.get(heard.unit or "", heard.unit or "")
    value = "" if heard.value is None else f"{heard.value:g}"
    return " ".join(part for part in (heard.command or "number", value, unit) if part)


def _irregular(told: Inspection) -> Iterator[str]:
    if told.lost:
        yield told.lost
    if not told.closed:
        yield "The record was not closed: the inspection may have gone on after the last entry."
    for seq in told.clock_steps:
        yield (
            f"The clock of the machine stepped back before entry {seq}; entries are in the order "
            "of their numbers."
        )
