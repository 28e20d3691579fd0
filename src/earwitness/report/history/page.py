"""The history of engines as one page: what has changed, pictures, every value, what is left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.trend import FALSE_CHANGE, FOUND
from earwitness.report.history.pictures import Pictured, pictures
from earwitness.report.history.words import (
    KNOWN_BY,
    name_of,
    number,
    outcome,
    scatter_sentences,
    summary,
    value_text,
)
from earwitness.report.setting import set_history
from earwitness.report.words import AREA_TITLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.diagnosis.trend import Change, Series
    from earwitness.record.archive import LeftOut, Visit
    from earwitness.record.history import EngineHistory


@dataclass(frozen=True, slots=True)
class VisitView:
    """One visit in words."""

    day: str
    place: str
    evidence: str
    tester: str
    verdict: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One series in the table."""

    cylinder: int
    first: bool
    """Whether it is the first row of its cylinder."""
    name: str
    values: tuple[str, ...]
    """One a visit."""
    step: str
    line: str
    would_have_seen: str
    called: bool


@dataclass(frozen=True, slots=True)
class EngineView:
    """One engine on the page."""

    title: str
    known_by: str
    sentences: tuple[str, ...]
    called: bool
    remarks: tuple[str, ...]
    visits: tuple[VisitView, ...]
    pictures: tuple[Pictured, ...]
    rows: tuple[Row, ...]
    silent: tuple[str, ...]
    """Where nothing was heard at any visit."""
    comparisons: int
    scatter: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HistoryView:
    """The whole page."""

    engines: tuple[EngineView, ...]
    left_out: tuple[LeftOut, ...]
    false_change: float
    found: float


def render_history(histories: Sequence[EngineHistory], left_out: Sequence[LeftOut]) -> str:
    """Write the page.

    Parameters
    ----------
    histories : sequence of EngineHistory
        One an engine.
    left_out : sequence of LeftOut
        What was found but could not be used.

    Returns
    -------
    str
        A complete HTML document without script and without anything outside the file; the same
        text for the same records.
    """
    views = tuple(_engine(h) for h in histories)
    return set_history(HistoryView(views, tuple(left_out), FALSE_CHANGE, FOUND))


def rows_of(history: EngineHistory) -> tuple[Row, ...]:
    """Return the table of an engine: a row a series, but none where all visits were silent."""
    made: list[Row] = []
    for series in (s for s in history.series if not is_silent(s)):
        changes = {c.comparison: c for c in history.changes_of(series)}
        step, line = changes.get("since the visit before"), changes.get("over all visits")
        made.append(
            Row(
                cylinder=series.cylinder,
                first=not made or made[-1].cylinder != series.cylinder,
                name=f"{name_of(series)} ({series.unit})",
                values=_texts(history, series),
                step=outcome(step) if step else "–",
                line=outcome(line) if line else "–",
                would_have_seen=_detectable(step),
                called=any(c.called for c in changes.values()),
            )
        )
    return tuple(made)


def is_silent(series: Series) -> bool:
    """Tell whether nothing was ever heard there."""
    return all(v.bound for v in series.values)


def silent_places(history: EngineHistory) -> tuple[str, ...]:
    """Say where nothing was heard at any visit, by listening point."""
    where: dict[str, list[str]] = {}
    for series in history.series:
        if is_silent(series):
            where.setdefault(name_of(series), []).append(str(series.cylinder))
    return tuple(f"{name}, cylinder {', '.join(n)}" for name, n in where.items())


def evidence_of(visit: Visit) -> str:
    """Say what a visit rests on."""
    if visit.kind == "record":
        return "record, not signed"
    return f"claim bag, signed by {visit.fingerprint}"


def _engine(history: EngineHistory) -> EngineView:
    engine = history.engine
    label = engine.visits[-1].told.layout.label or engine.visits[-1].told.opened.label
    named = engine.known_by != "label" and label
    return EngineView(
        title=f"{engine.name}, {label}" if named else engine.name,
        known_by=KNOWN_BY[engine.known_by],
        sentences=summary(history),
        called=any(c.called for c in history.changes),
        remarks=history.remarks,
        visits=tuple(_visit(v) for v in engine.visits),
        pictures=pictures(history),
        rows=rows_of(history),
        silent=silent_places(history),
        comparisons=len(history.changes),
        scatter=scatter_sentences(history),
    )


def _visit(visit: Visit) -> VisitView:
    gauge, verdict = visit.told.opened.gauge, visit.told.verdict
    orifice = f"{gauge.orifice_mm:g} mm" if gauge.orifice_mm else "orifice not stated"
    supply = f"{gauge.supply_kpa:g} kPa" if gauge.supply_kpa else "supply not stated"
    area = verdict.area if verdict else ""
    also = (f"Also at {', '.join(visit.copies)}.",) if visit.copies else ()
    return VisitView(
        day=visit.day.isoformat(),
        place=visit.place,
        evidence=evidence_of(visit),
        tester=f"{orifice}, {supply}",
        verdict=AREA_TITLES.get(area, area) or "not judged",
        remarks=(*also, *visit.remarks),
    )


def _texts(history: EngineHistory, series: Series) -> tuple[str, ...]:
    by_visit = {v.visit: v for v in series.values}
    return tuple(value_text(series, by_visit.get(i)) for i in range(len(history.engine.visits)))


def _detectable(step: Change | None) -> str:
    if step is None:
        return "–"
    return number(step.quantity, step.detectable)
