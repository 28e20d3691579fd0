"""Pictures of an engine's history: one small panel a cylinder, value over time with its interval.

Drawings in SVG 1.1. Nothing from outside is written into them: only numbers, days and our words.
A change is told by a heavy frame, a square mark and a word, never by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from earwitness.report.history.tables import interval
from earwitness.report.history.words import (
    DIGITS,
    QUANTITIES,
    headlines,
    outcome,
)
from earwitness.report.pictures.drawing import (
    FRAME_COLOUR,
    Panel,
    bar,
    line,
    marks,
    outline,
    text,
    ticks,
)
from earwitness.report.pictures.figures import FOUND_COLOUR, INK, ON_COLOUR

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.diagnosis.trend import Change, Quantity, Series, Value
    from earwitness.record.history import EngineHistory

WIDTH, HEIGHT = 236, 168
"""Size of a panel with its lettering [its own units]."""
FRAME = Panel(38, 26, 190, 112)
SPARE = 0.06
"""Space beside the first and the last visit [share of the width]."""
HEADROOM = 1.08
"""Height of the scale over the highest end of an interval [1]."""
CLOSEST_DAYS = 24.0
"""Least distance between two named days [units of the picture]: their lettering is so wide."""


@dataclass(frozen=True, slots=True)
class Pictured:
    """The panels of one quantity, in the order of the cylinders."""

    title: str
    panels: tuple[str, ...]


def pictures(history: EngineHistory) -> tuple[Pictured, ...]:
    """Draw leakage and compressions of every cylinder; hiss is told in a table."""
    kinds: tuple[Quantity, ...] = ("leakage", "compression-dry", "compression-wet")
    found = []
    for quantity in kinds:
        series = [s for s in history.series if s.quantity == quantity]
        if series:
            top = HEADROOM * max(interval(v)[1] for s in series for v in s.values)
            title = f"{QUANTITIES[quantity]} ({series[0].unit}) at every visit"
            panels = tuple(panel(history, s, top) for s in series)
            found.append(Pictured(title, panels))
    return tuple(found)


def panel(history: EngineHistory, series: Series, top: float) -> str:
    """Draw one series.

    Parameters
    ----------
    history : EngineHistory
        What it belongs to.
    series : Series
        What is drawn.
    top : float
        Head of the scale, the same for all panels of a quantity, in the series' unit.

    Returns
    -------
    str
        An `svg` element, the same text for the same input.
    """
    called = [c for c in headlines(history) if c in history.changes_of(series)]
    drawn = "\n".join(
        (
            *_scales(history, series, top),
            *_limit(history, series, top),
            *_values(history, series, top, called),
            *_frame(series, called),
        )
    )
    return (
        f'<svg class="panel" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" aria-label="{_described(history, series)}" '
        f'font-family="Report Sans, DejaVu Sans, sans-serif" font-size="11" fill="{INK}">\n'
        f"{drawn}\n</svg>"
    )


def _described(history: EngineHistory, series: Series) -> str:
    said = "; ".join(
        f"{history.engine.visits[v.visit].day.isoformat()} {v.value:{DIGITS[series.quantity]}}"
        for v in series.values
    )
    return f"Cylinder {series.cylinder}, {QUANTITIES[series.quantity]} in {series.unit}: {said}"


def _frame(series: Series, called: Sequence[Change]) -> Iterator[str]:
    yield text(FRAME.x, 17, f"Cylinder {series.cylinder}", size=13, bold=True)
    yield outline(FRAME)
    if called:
        step = called[0]
        word, _, _ = outcome(step).partition(" (")
        yield text(FRAME.right, 17, word.lower(), anchor="end", colour=FOUND_COLOUR, bold=True)
        corners = [(FRAME.x, FRAME.y), (FRAME.right, FRAME.y), (FRAME.right, FRAME.bottom)]
        corners += [(FRAME.x, FRAME.bottom), (FRAME.x, FRAME.y - 1.5)]
        yield line(corners, FOUND_COLOUR, 3)


def _across(history: EngineHistory, visit: int) -> float:
    first, last = (history.engine.visits[i].day for i in (0, -1))
    span = (last - first).days
    share = (history.engine.visits[visit].day - first).days / span if span else 0.5
    return FRAME.x + FRAME.width * (SPARE + (1 - 2 * SPARE) * share)


def _scales(history: EngineHistory, series: Series, top: float) -> Iterator[str]:
    for level in ticks(0, top, 4):
        down = FRAME.down(level / top)
        yield line([(FRAME.x, down), (FRAME.right, down)], "#d5d9da", 0.6)
        yield marks(FRAME.x, down, f"{level:g}", below=False)
    named = FRAME.x - CLOSEST_DAYS
    visits = history.engine.visits
    for i, visit in enumerate(visits):
        x = _across(history, i)
        yield line([(x, FRAME.bottom), (x, FRAME.bottom + 3)], FRAME_COLOUR, 1)
        last = _across(history, len(visits) - 1)
        if x - named >= CLOSEST_DAYS and (i == len(visits) - 1 or last - x >= CLOSEST_DAYS):
            named = x
            yield text(x, FRAME.bottom + 14, f"{visit.day:%m/%y}", anchor="middle", size=9.5)
    yield text(10, FRAME.centre, series.unit, anchor="middle", turned=True)


def _limit(history: EngineHistory, series: Series, top: float) -> Iterator[str]:
    """Draw the limit that holds at the last visit, where the percentage itself is followed."""
    limit = history.engine.visits[-1].told.opened.limit.leakage_percent
    if series.quantity == "leakage" and limit < top:
        down = FRAME.down(limit / top)
        yield line([(FRAME.x, down), (FRAME.right, down)], INK, 1, dash="6 4")
        yield text(FRAME.right - 3, down - 3, "limit", anchor="end", size=9.5)


def _values(
    history: EngineHistory, series: Series, top: float, called: Sequence[Change]
) -> Iterator[str]:
    """Draw intervals, a line between visits that follow each other, marks, and the fitted line."""

    def place(value: Value, level: float) -> tuple[float, float]:
        return _across(history, value.visit), FRAME.down(min(max(level / top, 0.0), 1.0))

    for value in series.values:
        low, high = interval(value)
        yield line([place(value, low or 0.0), place(value, high)], ON_COLOUR, 1)
    for before, after in pairwise(series.values):
        if after.visit == before.visit + 1:  # a visit that lacks the value leaves a gap
            ends = [place(v, v.value) for v in (before, after)]
            yield line(ends, ON_COLOUR, 1.6)
    for trend in called:
        if trend.comparison == "over all visits":
            first, last = series.values[0], series.values[-1]
            ends = [place(first, trend.from_value), place(last, trend.to_value)]
            yield line(ends, FOUND_COLOUR, 1.6, dash="1.5 2.5")
    for value in series.values:
        changed = any(value.visit == c.last_visit for c in called)
        x, y = place(value, value.value)
        yield bar(x - 4, y - 4, 8, 8, FOUND_COLOUR) if changed else _dot(x, y)


def _dot(x: float, y: float) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{ON_COLOUR}"/>'
