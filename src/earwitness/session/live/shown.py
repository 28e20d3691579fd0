"""What is shown of a live inspection: the snapshot for the page and the terminal."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from earwitness.diagnosis.hypotheses import IN_WORDS, SEALED, UNDETERMINED, parts
from earwitness.diagnosis.verdict import percent_sure
from earwitness.engine.cautions import cautions
from earwitness.engine.listening_points import listening_points
from earwitness.session import snapshot
from earwitness.session.live.steps import GAUGE, IN_TAKE, State, allowed

if TYPE_CHECKING:
    from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict
    from earwitness.engine.listening_points import ListeningPoint
    from earwitness.session.equipment.meters import Meters
    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.snapshot import Snapshot

MOST_WARNINGS = 4
"""Warnings that are shown at a time [1]."""
LEAST, UNDER = 0.01, "under 1 %"
"""A probability below this is told as this."""


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
    instruction, detail = _instruction(state, view, point)
    actions = allowed(state, waiting=view.waiting)
    dangers = cautions("inspect", state.layout)
    phase: snapshot.Phase = "read-back" if view.waiting and state.phase == "gauge" else state.phase
    return snapshot.Snapshot(
        instruction=instruction,
        phase=phase,
        detail=detail,
        engine=view.engine,
        cylinder=state.cylinder,
        point=place.point if place else None,
        point_seal=state.words.told(point.seal) if point else "",
        seconds_left=view.seconds_left if state.phase in IN_TAKE else None,
        cycle=(state.turns // 2, state.cycles) if state.phase in IN_TAKE else None,
        meter=meters.meter(view.detectable_db) if meters else snapshot.Meter(None, None),
        spectrogram=meters.columns() if meters else (),
        band_hz=meters.band_hz if meters else (1000.0, 16000.0),
        heard=view.heard,
        said=view.said,
        plan=tuple(_as_now(state)),
        verdicts=_verdicts(view, state.words),
        warnings=tuple(view.warnings),
        cautions=tuple(state.words.told(c.text) for c in dangers),
        brief_cautions=tuple(state.words.told(c.brief) for c in dangers),
        actions=actions,
        cylinders=_cylinders(state) if "cylinder" in actions else (),
        points=_points(state) if "point" in actions else (),
    )


def _cylinders(state: State) -> tuple[int, ...]:
    """Return the cylinders that may be gone to: those of the plan."""
    return tuple(sorted({p.cylinder for p in state.places}))


def _points(state: State) -> tuple[str, ...]:
    """Return the places that may be gone to at the cylinder at hand."""
    return (GAUGE, *(p.name for p in listening_points(state.layout, state.cylinder)))


def _point(state: State) -> ListeningPoint | None:
    place = state.place
    if place is None:
        return None
    found = listening_points(state.layout, place.cylinder)
    return next((p for p in found if p.name == place.point), None)


def _instruction(state: State, view: View, point: ListeningPoint | None) -> tuple[str, str]:
    """Return the instruction and its detail."""
    place, text = state.place, state.words.text
    if state.phase in ("paused", "cautions"):
        return text(f"shown_{state.phase}"), text(f"{state.phase}_detail")
    if state.phase == "done" or place is None:
        return _words_at_the_end(state, view)
    if state.phase in ("get-ready", *IN_TAKE):
        return _words_in_a_take(state)
    if place.point == GAUGE:
        detail = text("shown_gauge_detail", n=place.cylinder)
        return text("shown_gauge"), view.said if view.waiting else detail
    how = (point.opening, point.how) if point else ()
    move = text("shown_move", point=state.words.point(place.point))
    return move, " ".join([*(state.words.told(h) for h in how if h), text("start")])


def _words_at_the_end(state: State, view: View) -> tuple[str, str]:
    """Return the verdict with its certainty, once there is one."""
    name, text = "done" if state.phase == "done" else "all_done", state.words.text
    if view.verdict is None:
        return text(f"shown_{name}"), text(f"{name}_detail")
    told, found = headline(view.verdict, state.words)
    return told, " ".join(s for s in (found, text(f"{name}_detail")) if s)


def headline(verdict: EngineVerdict, words: Catalogue) -> tuple[str, str]:
    """Return the verdict in one short line with its certainty, and what each leak is."""
    bad = [c for c in verdict.cylinders if c.verdict != SEALED]
    leaks = [c for c in bad if c.verdict != UNDETERMINED]
    if not bad:
        least = min((c.probability for c in verdict.cylinders), default=0.0)
        return words.text("shown_sound", sure=_sure(least, words)), ""
    details = " ".join(_detail(c, words) for c in bad)
    if len(leaks) == 1:
        (leak,) = leaks
        seal = words.seals.get(leak.verdict) or _capital(_named(leak.verdict, words))
        return words.text("shown_leak", seal=seal, sure=_sure(leak.probability, words)), details
    many = words.text("shown_leaks", count=len(leaks)) if leaks else words.text("shown_open")
    return many, details


def _detail(cylinder: CylinderVerdict, words: Catalogue) -> str:
    is_open = cylinder.verdict == UNDETERMINED
    verdict = cylinder.ranking[0].verdict if is_open and cylinder.ranking else cylinder.verdict
    return words.text(
        "likeliest" if is_open else "of_cylinder",
        n=cylinder.cylinder,
        seal=_named(verdict, words),
        sure=_sure(cylinder.probability, words),
    )


def _named(verdict: str, words: Catalogue) -> str:
    """Return a verdict in plain words."""
    return words.text("and").join(words.told(IN_WORDS[part]) for part in parts(verdict))


def _sure(probability: float, words: Catalogue) -> str:
    return words.told(percent_sure(probability) if probability >= LEAST else UNDER)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _words_in_a_take(state: State) -> tuple[str, str]:
    text = state.words.text
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


def _verdicts(view: View, words: Catalogue) -> tuple[snapshot.Verdict, ...]:
    return tuple(_verdict(c, words) for c in view.verdict.cylinders) if view.verdict else ()


def _verdict(cylinder: CylinderVerdict, words: Catalogue) -> snapshot.Verdict:
    ranking = tuple(
        snapshot.Candidate(_named(r.verdict, words), r.probability, _sure(r.probability, words))
        for r in cylinder.ranking[:4]
    )
    check = None if cylinder.next_check is None else words.told(cylinder.next_check)
    sound = cylinder.verdict == SEALED
    said = _named(cylinder.verdict, words)
    return snapshot.Verdict(cylinder.cylinder, said, ranking, check, sound=sound)
