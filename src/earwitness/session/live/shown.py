"""What is shown of a live inspection: the snapshot for the page and the terminal."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from earwitness.diagnosis.hypotheses import SEALED, UNDETERMINED, in_words
from earwitness.diagnosis.verdict import percent_sure
from earwitness.engine.cautions import cautions
from earwitness.engine.listening_points import listening_points
from earwitness.session import snapshot
from earwitness.session.columns import Columns
from earwitness.session.live.steps import GAUGE, IN_TAKE, State, allowed
from earwitness.session.live.words import SEALS, how_to_hold, spoken_point, text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict
    from earwitness.engine.listening_points import ListeningPoint
    from earwitness.session.snapshot import Snapshot

LOWEST_DB = -160.0
"""Level that stands for silence [dB re full scale]."""
METER_S = 0.5
"""How much sound the level is taken of [s]. Chosen: steady enough to read."""
MOST_WARNINGS = 4
"""Warnings that are shown at a time [1]."""


class Meters:
    """Level and spectrogram of the probe; fed by one thread, read by another."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._columns = Columns(sample_rate_hz)
        self.band_hz = self._columns.band_hz
        self._kept: deque[snapshot.Column] = deque(maxlen=snapshot.MOST_COLUMNS)
        self._now: deque[float] = deque(maxlen=round(10 * METER_S))
        self._by_air: dict[bool, list[float]] = {False: [], True: []}
        self._air: bool | None = None

    def air(self, on: bool | None) -> None:
        """Note how the valve is, None outside takes; a take that begins forgets the one before."""
        if self._air is None and on is not None:
            self._by_air = {False: [], True: []}
        self._air = on

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Take a block of the probe, shape (frames,) [1]."""
        for column in self._columns.feed(samples):
            self._kept.append(column)
            level = level_db(column)
            self._now.append(level)
            if self._air is not None:
                self._by_air[self._air].append(level)

    def columns(self) -> tuple[snapshot.Column, ...]:
        """Return the spectrogram as far as it is kept."""
        return tuple(self._kept)

    def meter(self, detectable_db: float | None) -> snapshot.Meter:
        """Return the levels as they are shown."""
        now = list(self._now)
        off, on = (median(x) if x else None for x in map(list, self._by_air.values()))
        rise = on - off if on is not None and off is not None else None
        return snapshot.Meter(median(now) if now else None, off, rise, detectable_db)


def level_db(column: snapshot.Column) -> float:
    """Return the level of a column, all its bands together [dB re full scale]."""
    levels = np.frombuffer(column.levels, dtype=np.uint8) * (120.0 / 255.0) - 120.0
    power = float((10 ** (levels / 10)).sum())
    return 10 * float(np.log10(power)) if power > 0 else LOWEST_DB


@dataclass(slots=True)
class View:
    """What is shown beside the state of the inspection."""

    engine: snapshot.Engine
    heard: str = ""
    said: str = ""
    waiting: bool = False
    """A value was read back and waits for an answer."""
    seconds_left: float | None = None
    detectable_db: float | None = None
    warnings: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_WARNINGS))
    verdict: EngineVerdict | None = None


def shown(state: State, view: View, meters: Meters | None) -> Snapshot:
    """Return everything that is shown at this moment."""
    place = state.place
    point = _point(state)
    instruction, detail = _words(state, view, point)
    phase: snapshot.Phase = "read-back" if view.waiting and state.phase == "gauge" else state.phase
    return snapshot.Snapshot(
        instruction=instruction,
        phase=phase,
        detail=detail,
        engine=view.engine,
        cylinder=state.cylinder,
        point=place.point if place else None,
        point_seal=point.seal if point else "",
        seconds_left=view.seconds_left if state.phase in IN_TAKE else None,
        cycle=(state.turns // 2, state.cycles) if state.phase in IN_TAKE else None,
        meter=meters.meter(view.detectable_db) if meters else snapshot.Meter(None, None),
        spectrogram=meters.columns() if meters else (),
        band_hz=meters.band_hz if meters else (1000.0, 16000.0),
        heard=view.heard,
        said=view.said,
        plan=tuple(_as_now(state)),
        verdicts=tuple(_verdict(c) for c in view.verdict.cylinders) if view.verdict else (),
        warnings=tuple(view.warnings),
        cautions=tuple(c.text for c in cautions("inspect", state.layout)),
        actions=allowed(state, waiting=view.waiting),
    )


def _point(state: State) -> ListeningPoint | None:
    place = state.place
    if place is None:
        return None
    found = listening_points(state.layout, place.cylinder)
    return next((p for p in found if p.name == place.point), None)


def _words(state: State, view: View, point: ListeningPoint | None) -> tuple[str, str]:
    """Return the instruction and its detail."""
    place = state.place
    if state.phase in ("paused", "cautions"):
        return text(f"shown_{state.phase}"), text(f"{state.phase}_detail")
    if state.phase == "done" or place is None:
        return _words_at_the_end(state, view)
    if state.phase in ("get-ready", *IN_TAKE):
        return _words_in_a_take(state)
    if place.point == GAUGE:
        detail = text("shown_gauge_detail", n=place.cylinder)
        return text("shown_gauge"), view.said if view.waiting else detail
    how = how_to_hold(point) if point else ""
    move = text("shown_move", point=spoken_point(place.point))
    return move, f"{how} {text('start')}".strip()


def _words_at_the_end(state: State, view: View) -> tuple[str, str]:
    """Return the verdict with its certainty, once there is one."""
    name = "done" if state.phase == "done" else "all_done"
    if view.verdict is None:
        return text(f"shown_{name}"), text(f"{name}_detail")
    told, found = headline(view.verdict)
    return told, " ".join(s for s in (found, text(f"{name}_detail")) if s)


def headline(verdict: EngineVerdict) -> tuple[str, str]:
    """Return the verdict in one short line with its certainty, and what each leak is."""
    bad = [c for c in verdict.cylinders if c.verdict != SEALED]
    leaks = [c for c in bad if c.verdict != UNDETERMINED]
    if not bad:
        least = min((c.probability for c in verdict.cylinders), default=0.0)
        return text("shown_sound", sure=percent_sure(least)), ""
    details = " ".join(_detail(c) for c in bad)
    if len(leaks) == 1:
        (leak,) = leaks
        seal = SEALS.get(leak.verdict) or _capital(in_words(leak.verdict))
        return text("shown_leak", seal=seal, sure=percent_sure(leak.probability)), details
    return (text("shown_leaks", count=len(leaks)) if leaks else text("shown_open")), details


def _detail(cylinder: CylinderVerdict) -> str:
    is_open = cylinder.verdict == UNDETERMINED
    named = cylinder.ranking[0].verdict if is_open and cylinder.ranking else cylinder.verdict
    sure = percent_sure(cylinder.probability)
    message = "likeliest" if is_open else "of_cylinder"
    return text(message, n=cylinder.cylinder, seal=in_words(named), sure=sure)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _words_in_a_take(state: State) -> tuple[str, str]:
    if state.scoring:
        return text("shown_scoring"), ""
    if state.phase == "get-ready":
        return text("shown_ready"), ""
    return text("air_on" if state.air_on else "air_off"), text("listening")


def _as_now(state: State) -> list[snapshot.PlanStep]:
    return [
        replace(p, state="now") if i == state.at and p.state == "to-do" else p
        for i, p in enumerate(state.places)
    ]


def _verdict(cylinder: CylinderVerdict) -> snapshot.Verdict:
    ranking = tuple(
        snapshot.Candidate(in_words(r.verdict), r.probability) for r in cylinder.ranking[:4]
    )
    said = in_words(cylinder.verdict)
    sound = cylinder.verdict == SEALED
    return snapshot.Verdict(cylinder.cylinder, said, ranking, cylinder.next_check, sound=sound)
