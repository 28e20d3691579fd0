"""One engine over several visits: what was read and heard each time, and what has changed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

from earwitness.acoustics.proof.rise import NORMAL_95
from earwitness.diagnosis.forward.takes import hiss_level_db
from earwitness.diagnosis.trend import (
    LEAST_REPEATS,
    SCATTER,
    Change,
    Quantity,
    Scatter,
    Series,
    Value,
    compare,
    pooled_scatter,
)
from earwitness.gauges.orifice import leak_size
from earwitness.gauges.repeated import repeated
from earwitness.record.readings import kpa_of, series_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from earwitness.acoustics.finding import Finding
    from earwitness.gauges.readout import LeakageRead
    from earwitness.record.archive import Engine, Visit
    from earwitness.record.model import Take

SAME_TESTER = 0.02
"""Relative difference up to which two orifices or two supplies are the same [1]. Chosen: a pair of
drills of the same name, and the marks of a regulator's gauge; it moves 20 % by half a point."""
LEAST_RISE_DB = 0.1
"""Least rise that an upper bound of hiss is taken from [dB]. Chosen: a tenth of what any shop take
could detect; it keeps the bound from minus infinity."""
MOST_PERCENT = 99.9
"""Leakage up to which it is carried over to another tester [%]: no hole is as large as 100 %."""
LEAST_SCATTER_KPA = 3.0
"""Least standard deviation of a compression [kPa], where it is near nothing: a mark of 10 kPa over
sqrt(12) (JCGM 100:2008, F.2.2.1, from memory)."""
MOST_DB = 200.0
"""Levels beyond are none [dB]: 24 bits span 144 dB."""
HALVINGS = 60
"""Halvings of the interval in which a percentage is sought [1]: past double precision."""


@dataclass(frozen=True, slots=True)
class EngineHistory:
    """An engine's visits with every series and every comparison."""

    engine: Engine
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    """All comparisons, called or not, in the order of the series."""
    scatter: Mapping[Quantity, Scatter]
    """What the comparisons rest on: default, or from repeated readings."""
    remarks: tuple[str, ...]

    def changes_of(self, series: Series) -> tuple[Change, ...]:
        """Return the comparisons of one series."""
        key = (series.cylinder, series.quantity, series.point)
        return tuple(c for c in self.changes if (c.cylinder, c.quantity, c.point) == key)


def engine_history(engine: Engine, scatter: Mapping[Quantity, Scatter] = SCATTER) -> EngineHistory:
    """Follow every cylinder of an engine through its visits.

    Parameters
    ----------
    engine : Engine
        Its visits, oldest first.
    scatter : mapping
        Scatter of each quantity where the visits do not tell it themselves.
    """
    known, freedom = _from_repeats(engine, scatter)
    remarks: dict[str, None] = {}
    series = tuple(
        replace(one, reading_freedom=freedom.get(one.quantity, math.inf))
        for cylinder in _cylinders(engine)
        for one in _series(engine, cylinder, known, remarks)
        if one.values
    )
    return EngineHistory(engine, series, compare(series), known, (*engine.remarks, *remarks))


def _cylinders(engine: Engine) -> list[int]:
    return sorted({n for visit in engine.visits for n in visit.told.tested})


def _series(
    engine: Engine,
    cylinder: int,
    scatter: Mapping[Quantity, Scatter],
    remarks: dict[str, None],
) -> Iterator[Series]:
    yield _leakage(engine, cylinder, scatter, remarks)
    yield _compression(engine, cylinder, "compression-dry", scatter["compression-dry"])
    yield _compression(engine, cylinder, "compression-wet", scatter["compression-wet"])
    for point in _points(engine, cylinder):
        yield _hiss(engine, cylinder, point, scatter["hiss"], remarks)


# --- scatter ---------------------------------------------------------------------------------


_Read = Literal["leakage", "compression-dry", "compression-wet"]
"""What is followed as it was read."""


def _from_repeats(
    engine: Engine, scatter: Mapping[Quantity, Scatter]
) -> tuple[dict[Quantity, Scatter], dict[Quantity, float]]:
    """Return the scatter, from repeated readings where there are enough, and its freedom."""
    known: dict[Quantity, Scatter] = dict(scatter)
    freedom: dict[Quantity, float] = {}
    for quantity in get_args(_Read):
        default = scatter[quantity]
        spread, degrees = pooled_scatter(_repeats(engine, quantity))
        if degrees >= LEAST_REPEATS:
            origin = (
                f"set-up: {default.origin}; reading: repeated readings of these visits, "
                f"{degrees} degrees of freedom"
            )
            reading = max(spread, default.least_reading)
            known[quantity] = replace(default, reading=reading, origin=origin)
            freedom[quantity] = degrees
    return known, freedom


def _repeats(engine: Engine, quantity: _Read) -> Iterator[tuple[float, int]]:
    """Yield the scatter and the number of the readings of each set-up that was read repeatedly."""
    for visit in engine.visits:
        for cylinder in visit.told.tested:
            if quantity == "leakage":
                leak = visit.told.leakage(cylinder)
                if leak and leak.scatter_percent is not None:
                    yield leak.scatter_percent, leak.count
            elif (
                len(kpa := _kpa(visit, cylinder, quantity)) > 1 and (read := repeated(kpa)).mean > 0
            ):
                yield (read.scatter or 0.0) / read.mean, len(kpa)


def _kpa(visit: Visit, cylinder: int, quantity: _Read) -> list[float]:
    return [kpa_of(r) for r in series_of(visit.told.readings_of(cylinder), quantity)]


# --- leakage ---------------------------------------------------------------------------------


_Tester = tuple[float, float, float]
"""Orifice [mm], supply, and absolute pressure around the engine [kPa] of a leakage test."""


@dataclass(frozen=True, slots=True)
class _Leak:
    """A leakage as read at one visit, with the tester it was read on."""

    visit: int
    read: LeakageRead
    tester: _Tester | None
    """None unless orifice and supply are stated."""


def _leakage(
    engine: Engine, cylinder: int, scatter: Mapping[Quantity, Scatter], remarks: dict[str, None]
) -> Series:
    """Follow the percentage; where testers differ, as the last of them would show each leak."""
    leaks = [
        _Leak(i, read, _tester(visit, cylinder))
        for i, visit in enumerate(engine.visits)
        if (read := visit.told.leakage(cylinder)) is not None
    ]
    stated = [leak.tester for leak in leaks if leak.tester]
    target = None
    if any(not _same(stated[-1], other) for other in stated):
        target = stated[-1]
        remarks[_DIFFERENT.format(*target)] = None
    elif len(stated) < len(leaks) > 1:
        remarks[_UNSTATED] = None
    found = [_carried(engine, leak, target, scatter["leakage"]) for leak in leaks]
    values = tuple(v for v in found if v)
    if len(values) < len(leaks):
        remarks[_LEFT_OUT] = None
    return Series(cylinder, "leakage", None, "%", values)


_DIFFERENT = (
    "The leakage testers of these visits differ, and a percentage means nothing without its "
    "tester. Each one was turned into the round hole that loses as much air, and is given as the "
    "tester of the last visit ({:g} mm, {:g} kPa, in air of {:.0f} kPa) would show that hole."
)
_UNSTATED = (
    "Not every visit states orifice and supply of its leakage tester: percentages are compared as "
    "if it had been the same one."
)
_LEFT_OUT = (
    "A leakage whose tester is not stated, or of 100 %, cannot be carried over to another tester "
    "and is left out."
)


def _tester(visit: Visit, cylinder: int) -> _Tester | None:
    orifice, supply = visit.told.opened.gauge.orifice_mm, visit.told.supply_kpa(cylinder)
    return None if orifice is None or supply is None else (orifice, supply, visit.told.ambient_kpa)


def _same(one: _Tester, other: _Tester) -> bool:
    return all(abs(a - b) <= SAME_TESTER * a for a, b in zip(one, other, strict=True))


def _carried(engine: Engine, leak: _Leak, target: _Tester | None, known: Scatter) -> Value | None:
    """Return a leakage as the target tester shows it, its scatter along with it.

    What a moved scale leaves open is taken as a rectangular distribution, its half width over
    sqrt(3) (JCGM 100:2008, 4.3.7, from memory).
    """
    percent, scale, as_read = leak.read.percent, 1.0, None
    if target and not (leak.tester and _same(target, leak.tester)):
        if leak.tester is None or percent > MOST_PERCENT:
            return None
        as_read, percent = percent, _percent_on(target, _hole_mm(leak.tester, percent))
        below, above = (max(as_read - 0.5, 0.0), min(as_read + 0.5, MOST_PERCENT))
        low, high = (_percent_on(target, _hole_mm(leak.tester, p)) for p in (below, above))
        scale = (high - low) / (above - below)
    return _value(
        engine,
        leak.visit,
        percent,
        scale * math.hypot(known.set_up, leak.read.bound_percent / math.sqrt(3.0)),
        scale * known.reading / math.sqrt(leak.read.count),
        readings=leak.read.count,
        as_read=as_read,
    )


def _hole_mm(tester: _Tester, percent: float) -> float:
    """Return the hole that a tester shows as `percent` [mm]."""
    orifice, supply, ambient = tester
    size = leak_size(percent, orifice_mm=orifice, supply_kpa=supply, ambient_kpa=ambient)
    return size.hole_mm if size else math.inf


def _percent_on(tester: _Tester, hole_mm: float) -> float:
    """Return what a tester shows for a hole [%]: more for a larger hole, so halving finds it."""
    low, high = 0.0, 100.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _hole_mm(tester, middle) < hole_mm else (low, middle)
    return (low + high) / 2.0


# --- compression -----------------------------------------------------------------------------


def _compression(engine: Engine, cylinder: int, quantity: _Read, scatter: Scatter) -> Series:
    """Follow the mean of the readings of each visit; its scatter is a share of the mean of all."""
    found = [
        (i, repeated(kpa))
        for i, visit in enumerate(engine.visits)
        if (kpa := _kpa(visit, cylinder, quantity))
    ]
    level = math.fsum(read.mean for _, read in found) / max(1, len(found))
    values = tuple(
        _value(
            engine,
            i,
            read.mean,
            max(scatter.set_up * level, LEAST_SCATTER_KPA),
            scatter.reading * level / math.sqrt(len(read.values)),
            readings=len(read.values),
        )
        for i, read in found
    )
    return Series(cylinder, quantity, None, "kPa", values)


# --- hiss ------------------------------------------------------------------------------------


def _points(engine: Engine, cylinder: int) -> list[str]:
    named = {t.point for v in engine.visits for t in v.told.takes if t.cylinder == cylinder}
    return sorted(named)


def _hiss(
    engine: Engine, cylinder: int, point: str, scatter: Scatter, remarks: dict[str, None]
) -> Series:
    """Follow the hiss over the day's noise, from air-cycled takes alone."""
    values = []
    for i, visit in enumerate(engine.visits):
        takes = [t for t in visit.told.takes if (t.cylinder, t.point) == (cylinder, point)]
        heard = [f for t in takes if (f := _counting(t))]
        if any(f.p_value is None for f in heard):
            remarks[_SCREENING] = None
        proofs = [f for f in heard if f.p_value is not None]
        if proofs:
            values.append(_heard(engine, i, proofs[-1], scatter))
    if values:
        remarks[_AGAINST_NOISE] = None
    return Series(cylinder, "hiss", point, "dB", tuple(values))


_SCREENING = (
    "Pairs of recordings only screen and are not compared from visit to visit; air-cycled takes "
    "are."
)
_AGAINST_NOISE = (
    "Hiss is stated against the background noise of its own day and microphone place: a quieter "
    "shop alone makes it look stronger, which the scatter allows for."
)


def _counting(take: Take) -> Finding | None:
    finding = take.finding if take.counts else None
    if finding is None or finding.grade == "undetermined":
        return None
    levels = (finding.excess_db, *finding.interval_db, finding.detectable_db or 0.0)
    return finding if all(abs(db) <= MOST_DB for db in levels) else None


def _heard(engine: Engine, visit: int, finding: Finding, scatter: Scatter) -> Value:
    """Turn a rise into the level of the hiss, its error along with it (dh/dx = (1 + q) / q)."""
    low, high = finding.interval_db
    if finding.grade == "none" or finding.excess_db <= LEAST_RISE_DB:
        most = max(high, finding.detectable_db or 0.0, LEAST_RISE_DB)
        return _value(engine, visit, hiss_level_db(most), scatter.set_up, 0.0, bound=True)
    level = hiss_level_db(finding.excess_db)
    ratio = 10.0 ** (level / 10.0)
    error = (high - low) / (2.0 * NORMAL_95) * (1.0 + ratio) / ratio
    return _value(engine, visit, level, scatter.set_up, error)


def _value(
    engine: Engine, visit: int, value: float, set_up: float, reading: float, **more: Any
) -> Value:
    days = (engine.visits[visit].day - engine.visits[0].day).days
    return Value(visit, float(days), value, set_up, reading, **more)
