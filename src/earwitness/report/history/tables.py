"""An engine's history for other programs: one JSON object, and rows for a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING

from earwitness.diagnosis.trend import FALSE_CHANGE, FOUND
from earwitness.report.history.words import scatter_sentences, sentence, summary
from earwitness.report.words import made_visible

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.diagnosis.trend import Change, Series, Value
    from earwitness.record.archive import LeftOut, Visit
    from earwitness.record.history import EngineHistory

SCHEMA = "earwitness.history/1"
DIGITS = 6
"""Digits after the point that a number keeps [1]: far finer than any gauge."""
NORMAL_95 = 1.959964
"""Half width of the central 95 % of the normal distribution [standard deviations]. Any table."""
COLUMNS = (
    "engine", "known_by", "day", "place", "kind", "cylinder", "quantity", "point", "unit",
    "value", "upper_bound", "low", "high", "as_read", "readings", "orifice_mm", "supply_kpa",
    "change_since_visit_before", "scatter", "called",
)  # fmt: skip
"""Columns of the table: a row a value; `low` and `high` are its 95 % interval, the last three the
comparison that ends at this value."""
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so would be run as a formula by a spreadsheet; it gets an apostrophe."""


def to_json(
    folder: str, histories: Sequence[EngineHistory], left_out: Sequence[LeftOut]
) -> dict[str, object]:
    """Return the object that `earwitness history --json` prints; docs/json.md names its keys."""
    return {
        "schema": SCHEMA,
        "folder": folder,
        "false_change": FALSE_CHANGE,
        "found_with": FOUND,
        "engines": [_engine(h) for h in histories],
        "left_out": [{"place": one.place, "why": one.why} for one in left_out],
    }


def to_csv(histories: Sequence[EngineHistory]) -> str:
    """Return a table with a row a value, RFC 4180 with a line feed at the end of a row."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for history in histories:
        for series in history.series:
            for value in series.values:
                writer.writerow({k: _cell(v) for k, v in _row(history, series, value).items()})
    return text.getvalue()


def interval(value: Value) -> tuple[float | None, float]:
    """Return the 95 % interval of a value as a measure of the engine; a bound has no lower end."""
    half = NORMAL_95 * value.standard_error
    return (None if value.bound else value.value - half), value.value + half


def _engine(history: EngineHistory) -> dict[str, object]:
    engine = history.engine
    layout = engine.visits[-1].told.layout
    return {
        "known_by": engine.known_by,
        "name": engine.name,
        "weak": engine.weak,
        "label": layout.label,
        "cylinders": layout.cylinders,
        "visits": [_visit(v) for v in engine.visits],
        "summary": list(summary(history)),
        "series": [_series(history, s) for s in history.series],
        "comparisons": len(history.changes),
        "scatter": list(scatter_sentences(history)),
        "remarks": list(history.remarks),
    }


def _visit(visit: Visit) -> dict[str, object]:
    told = visit.told
    return {
        "place": visit.place,
        "kind": visit.kind,
        "day": visit.day.isoformat(),
        "label": told.opened.label,
        "chain_head": told.head,
        "fingerprint": visit.fingerprint,
        "orifice_mm": told.opened.gauge.orifice_mm,
        "supply_kpa": told.opened.gauge.supply_kpa,
        "area": told.verdict.area if told.verdict else None,
        "copies": list(visit.copies),
        "remarks": list(visit.remarks),
    }


def _series(history: EngineHistory, series: Series) -> dict[str, object]:
    return {
        "cylinder": series.cylinder,
        "quantity": series.quantity,
        "point": series.point,
        "unit": series.unit,
        "values": [_value(v) for v in series.values],
        "changes": [_change(history, c) for c in history.changes_of(series)],
    }


def _value(value: Value) -> dict[str, object]:
    low, high = interval(value)
    return {
        "visit": value.visit,
        "value": _rounded(value.value),
        "upper_bound": value.bound,
        "interval": [_rounded(low), _rounded(high)],
        "as_read": _rounded(value.value if value.as_read is None else value.as_read),
        "readings": value.readings,
    }


def _change(history: EngineHistory, change: Change) -> dict[str, object]:
    return {
        "comparison": change.comparison,
        "from_visit": change.first_visit,
        "to_visit": change.last_visit,
        "from": _rounded(change.from_value),
        "to": _rounded(change.to_value),
        "change": _rounded(change.change),
        "scatter": _rounded(change.scatter),
        "detectable": _rounded(change.detectable),
        "p_value": change.p_value,
        "widened": _rounded(change.widened),
        "called": change.called,
        "sentence": sentence(change, history),
    }


def _row(history: EngineHistory, series: Series, value: Value) -> dict[str, object]:
    visit = history.engine.visits[value.visit]
    low, high = interval(value)
    step = next(
        (
            c
            for c in history.changes_of(series)
            if c.comparison == "since the visit before" and c.last_visit == value.visit
        ),
        None,
    )
    return {
        "engine": history.engine.name,
        "known_by": history.engine.known_by,
        "day": visit.day.isoformat(),
        "place": visit.place,
        "kind": visit.kind,
        "cylinder": series.cylinder,
        "quantity": series.quantity,
        "point": series.point,
        "unit": series.unit,
        "value": _rounded(value.value),
        "upper_bound": value.bound,
        "low": _rounded(low),
        "high": _rounded(high),
        "as_read": _rounded(value.value if value.as_read is None else value.as_read),
        "readings": value.readings,
        "orifice_mm": visit.told.opened.gauge.orifice_mm,
        "supply_kpa": visit.told.opened.gauge.supply_kpa,
        "change_since_visit_before": _rounded(step.change) if step else None,
        "scatter": _rounded(step.scatter) if step else None,
        "called": step.called if step else None,
    }


def _cell(value: object) -> object:
    """Make a text from outside safe in a spreadsheet; numbers stay numbers."""
    if not isinstance(value, str):
        return value
    shown = made_visible(value)
    return f"'{shown}" if shown.startswith(FORMULA_SIGNS) else shown


def _rounded(value: float | None) -> float | None:
    """Return a number JSON can hold; None for what is not finite."""
    return None if value is None or not math.isfinite(value) else round(value, DIGITS)
