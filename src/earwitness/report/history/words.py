"""Values, comparisons and changes of an engine's history in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.diagnosis.trend import own_scatter, widening
from earwitness.report.words import point_name

if TYPE_CHECKING:
    from earwitness.diagnosis.trend import Change, Quantity, Scatter, Series, Value
    from earwitness.record.history import EngineHistory

QUANTITIES: dict[Quantity, str] = {
    "leakage": "Leakage",
    "compression-dry": "Dry compression",
    "compression-wet": "Wet compression",
    "hiss": "Hiss",
}
"""What each series is called."""
MORE_AND_LESS: dict[Quantity, tuple[str, str]] = {
    "leakage": ("leaks more", "leaks less"),
    "compression-dry": ("has more dry compression", "has less dry compression"),
    "compression-wet": ("has more wet compression", "has less wet compression"),
    "hiss": ("hisses louder", "hisses less"),
}
"""What a rise and a fall mean."""
DIGITS: dict[Quantity, str] = {
    "leakage": ".1f",
    "compression-dry": ".0f",
    "compression-wet": ".0f",
    "hiss": ".1f",
}
"""Digits that a value is written with."""
UNIT_OF_DIFFERENCE: dict[Quantity, str] = {
    "leakage": "points",
    "compression-dry": "kPa",
    "compression-wet": "kPa",
    "hiss": "dB",
}
"""Unit of a difference: between two percentages it is points of percent."""
FEWEST_SHOWN = 4
"""Steps from which it is worth saying what they show of the scatter [1]: fewer tell nothing."""
MOST_NAMED = 6
"""Values of a series that a sentence names [1]."""
KNOWN_BY = {"vin": "VIN", "engine-id": "shop's own id", "label": "label and layout alone"}
"""What ties the visits of an engine together."""


def number(quantity: Quantity, value: float) -> str:
    """Write a value of a series without its unit.

    Examples
    --------
    >>> number("leakage", 31.0), number("hiss", -4.26)
    ('31', '−4.3')
    """
    text = f"{value:{DIGITS[quantity]}}"
    text = text.removesuffix(".0") if quantity == "leakage" else text
    return text.replace("-", "−") if float(text) else text.replace("-", "")


def value_text(series: Series, value: Value | None) -> str:
    """Write what one visit says, for a table."""
    if value is None:
        return "–"
    return f"{'≤ ' if value.bound else ''}{number(series.quantity, value.value)}"


def name_of(series: Series) -> str:
    """Name a series in a table: what is followed, and where."""
    named = QUANTITIES[series.quantity]
    return f"{named} at {point_name(series.point).lower()}" if series.point else named


def outcome(change: Change) -> str:
    """Say in a few words what a comparison came to, for a table."""
    moved = number(change.quantity, change.change)
    around = number(change.quantity, change.scatter)
    if not change.called:
        return f"none (±{around})"
    sign = "+" if change.change > 0 else ""
    return f"{'MORE' if change.change > 0 else 'LESS'} {sign}{moved} (±{around})"


def sentence(change: Change, history: EngineHistory) -> str:
    """Say what a comparison shows, or what it would have shown."""
    return _called(change, history) if change.called else _not_called(change, history)


def scatter_sentences(history: EngineHistory) -> tuple[str, ...]:
    """Say what scatter each quantity is held against, and what the engine's own steps show."""
    followed = dict.fromkeys(s.quantity for s in history.series)
    return tuple(f"{_stated(q, history.scatter[q])}{_shown(q, history)}" for q in followed)


def _shown(quantity: Quantity, history: EngineHistory) -> str:
    ratio, count = own_scatter(history.series, quantity)
    if count < FEWEST_SHOWN:
        return ""
    wider = widening(history.series, quantity) > 1.0
    so = ", which chance hardly does: it is taken to be so much wider" if wider else ""
    return f" The {count} steps from visit to visit on this engine show {ratio:.1f} times that{so}."


def _stated(quantity: Quantity, scatter: Scatter) -> str:
    factor, unit = (100.0, "%") if scatter.relative else (1.0, UNIT_OF_DIFFERENCE[quantity])
    reading = f", {factor * scatter.reading:.3g} between readings" if scatter.reading else ""
    return (
        f"{QUANTITIES[quantity]}: standard deviation {factor * scatter.set_up:.3g} {unit} between "
        f"visits{reading} ({scatter.origin})."
    )


def summary(history: EngineHistory) -> tuple[str, ...]:
    """Say all that has changed on an engine; what would have been seen if nothing has."""
    called = [sentence(c, history) for c in headlines(history)]
    if called:
        return tuple(called)
    if not history.changes:
        return ("Nothing can be compared yet: no quantity was read or heard at two visits.",)
    return (f"No change that this test could see. It would have seen: {_would_have(history)}.",)


def headlines(history: EngineHistory) -> tuple[Change, ...]:
    """Return the changes that are called; of a series that has just changed, the step alone."""
    found = []
    for series in history.series:
        called = [c for c in history.changes_of(series) if c.called]
        found += called[:1]
    return tuple(found)


def _would_have(history: EngineHistory) -> str:
    """Name the largest detectable change of each quantity among the last steps."""
    largest: dict[Quantity, float] = {}
    for c in history.changes:
        if c.comparison == "since the visit before":
            largest[c.quantity] = max(c.detectable, largest.get(c.quantity, 0.0))
    return "; ".join(
        f"{QUANTITIES[q].lower()} {number(q, most)} {UNIT_OF_DIFFERENCE[q]}"
        for q, most in largest.items()
    )


def _called(change: Change, history: EngineHistory) -> str:
    more, less = MORE_AND_LESS[change.quantity]
    unit = UNIT_OF_DIFFERENCE[change.quantity]
    verb = more if change.change > 0 else less
    who = f"Cylinder {change.cylinder} {verb}{_where(change)}"
    around = f"±{number(change.quantity, change.scatter)} {unit}"
    day = _day(change, history)
    if change.comparison == "since the visit before":
        noise = ", each over the noise of its own day" if change.quantity == "hiss" else ""
        return (
            f"{who} than on {day}: {_from_to(change)}{noise}, more than the test's own scatter "
            f"of {around}."
        )
    a_year = number(change.quantity, change.change / change.years)
    sign = "+" if change.change > 0 else ""
    return (
        f"{who} from visit to visit since {day}: {_all_values(change, history)}, "
        f"{sign}{a_year} {unit} a year; all in all more than the test's own scatter of {around}."
    )


def _not_called(change: Change, history: EngineHistory) -> str:
    found = number(change.quantity, change.detectable)
    step = change.comparison == "since the visit before"
    values = _from_to(change) if step else _all_values(change, history)
    line = "" if step else " along a line through all visits"
    return (
        f"Cylinder {change.cylinder}, {QUANTITIES[change.quantity].lower()}{_where(change)}: no "
        f"change since {_day(change, history)}{line} that this test could see ({values}); it would "
        f"have seen {found} {UNIT_OF_DIFFERENCE[change.quantity]}."
    )


def _where(change: Change) -> str:
    return f" at the {point_name(change.point).lower()}" if change.point else ""


def _day(change: Change, history: EngineHistory) -> str:
    return history.engine.visits[change.first_visit].day.isoformat()


def _from_to(change: Change) -> str:
    begin, end = (
        f"{'at most ' if bound else ''}{number(change.quantity, value)}"
        for value, bound in (
            (change.from_value, change.from_bound),
            (change.to_value, change.to_bound),
        )
    )
    return f"{begin} → {end} {change.unit}"


def _all_values(change: Change, history: EngineHistory) -> str:
    """Name the values of the series that was compared, the middle ones only if there are few."""
    series = next(s for s in history.series if change in history.changes_of(s))
    shown = [number(series.quantity, v.value) for v in series.values]
    if len(shown) > MOST_NAMED:
        shown = [shown[0], "…", *shown[2 - MOST_NAMED :]]
    return f"{' → '.join(shown)} {series.unit}"
