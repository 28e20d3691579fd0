"""The live inspection as a pure function: what happened in, what to do out.

It knows no clock, no sound and no disk. The gauge dialogue is `session.machine`; what is said and
pressed for it passes through here as `Answer`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

from earwitness.engine.listening_points import CONTROL, listening_points
from earwitness.session.live.events import (
    Answer,
    BeginTake,
    Cue,
    Due,
    Effect,
    EndTake,
    Event,
    Finish,
    GoTo,
    Note,
    Rest,
    Say,
    Scored,
    Spoilt,
    TakeBegun,
)
from earwitness.session.messages.catalogue import Catalogue, english
from earwitness.session.snapshot import Action, Phase, PlanStep, Press

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from earwitness.engine.layout import EngineLayout
    from earwitness.engine.test_plan import TestPlan

GAUGE = "gauge"
"""Name of the place where the gauge is read."""
IN_TAKE: tuple[Phase, ...] = ("air-off", "air-on")
ANSWERS: tuple[Action, ...] = ("confirm", "no", "scratch-that", "repeat", "reading")
"""What is asked of the gauge dialogue."""
UNDERSTOOD: tuple[Action, ...] = ("understood", "confirm", "next", "start")
"""What says that the cautions are understood: the page's own button, a word, the Enter key."""
CYCLES = 6
"""How often the air is switched on in a take [1]. Chosen: enough to prove at 1 %, decision 0110."""


@dataclass(frozen=True, slots=True)
class State:
    """Where the inspection stands."""

    layout: EngineLayout
    places: tuple[PlanStep, ...]
    at: int | None = 0
    """Index of the place; None if the plan is done."""
    phase: Phase = "move"
    turns: int = 0
    """How often the valve was turned in this take [1]."""
    cycles: int = CYCLES
    scoring: bool = False
    """A take is over and its finding is awaited."""
    last: int | None = None
    """Index of the place that was finished last."""
    understood: bool = False
    """Somebody has said today that the cautions are understood."""
    words: Catalogue = field(default_factory=english)
    """The language in which it speaks."""

    @property
    def place(self) -> PlanStep | None:
        """The place that it is about."""
        return None if self.at is None else self.places[self.at]

    @property
    def cylinder(self) -> int:
        """The cylinder that is under the air."""
        place = self.place or self.places[-1]
        return place.cylinder

    @property
    def air_on(self) -> bool:
        """Whether the valve should be open."""
        return self.phase == "air-on"


Step: TypeAlias = tuple[State, list[Effect]]


def places_of(plan: TestPlan, done: Collection[tuple[int, str]] = ()) -> tuple[PlanStep, ...]:
    """Return the places of a plan, the gauge of each cylinder first; control takes are extra.

    Parameters
    ----------
    plan : TestPlan
        From `engine.test_plan`.
    done : collection of (int, str), optional
        Cylinder and point of what an earlier day has done.
    """
    named = [
        (step.cylinder, point)
        for step in plan.steps
        for point in (GAUGE, *(p.name for p in step.points))
        if point != CONTROL
    ]
    return tuple(PlanStep(n, p, "done" if (n, p) in done else "to-do") for n, p in named)


def begin(
    layout: EngineLayout,
    places: tuple[PlanStep, ...],
    cycles: int = CYCLES,
    words: Catalogue | None = None,
) -> tuple[State, list[Effect]]:
    """Start, or go on with, an inspection at the first place that is not done.

    Before anything else somebody must say that the cautions are understood, on each day anew.
    """
    state = State(layout, places, cycles=cycles, words=words or english())
    first = next((i for i, p in enumerate(places) if p.state == "to-do"), None)
    state, effects = _go(state, first)
    return state, [GoTo(state.cylinder), *effects]


def step(state: State, event: Event) -> Step:
    """Advance the inspection by one event; one that does not fit changes nothing.

    Parameters
    ----------
    state : State
        Where it stands.
    event : Event
        What happened.

    Returns
    -------
    tuple of State and list of Effect
        The new state, and what to do in that order.
    """
    if state.phase == "done":
        return state, []
    if isinstance(event, Press):
        return _pressed(state, event.action, event.value)
    if isinstance(event, Scored):
        return _scored(replace(state, scoring=False), event) if state.scoring else (state, [])
    return _while_recording(state, event)


def allowed(state: State, *, waiting: bool) -> tuple[Action, ...]:
    """Return what may be asked now; `waiting` says that a value was read back."""
    if state.phase == "done":
        return ()
    if state.phase == "cautions":
        return ("understood", "pause", "finish")
    if state.phase == "paused":
        return ("resume", "finish")
    if state.phase in ("get-ready", *IN_TAKE):
        return () if state.scoring else ("again", "skip", "pause")
    answers: tuple[Action, ...] = ("confirm", "no", "repeat") if waiting else ()
    start: tuple[Action, ...] = ("start", "skip") if state.phase == "move" and state.place else ()
    return (*answers, *start, "next", "again", "scratch-that", "pause", "finish", *_WITH_VALUE)


_WITH_VALUE: tuple[Action, ...] = ("cylinder", "point", "reading")


def _while_recording(state: State, event: TakeBegun | Due | Spoilt) -> Step:
    match event:
        case TakeBegun() if state.phase == "get-ready":
            return replace(state, phase="air-off", turns=0), []
        case Due() if state.phase in IN_TAKE and not state.scoring:
            return _turn(state)
        case Spoilt(why, remedy) if _is_taking(state):
            return _spoilt(state, why, remedy)
    return state, []


def _is_taking(state: State) -> bool:
    """Tell whether a take is being made or about to be."""
    return state.phase == "get-ready" or (state.phase in IN_TAKE and not state.scoring)


def _pressed(state: State, action: Action, value: str) -> Step:
    if state.phase in ("paused", "cautions"):
        return _before_going_on(state, action)
    if state.scoring:
        return state, []
    if state.phase in IN_TAKE or state.phase == "get-ready":
        return _in_take(state, action)
    if action in ANSWERS:
        return state, [Answer(Press(action, value))]
    if action in ("cylinder", "point"):
        return _named(state, action, value)
    obey = _OBEY.get(action)
    return obey(state) if obey else (state, [])


def _before_going_on(state: State, action: Action) -> Step:
    """Paused, or before the cautions are understood: nothing else is obeyed."""
    if action == "finish":
        return _finish(state)
    if state.phase == "cautions":
        return _cautions(state, action)
    if action != "resume":
        return state, []
    state, effects = _go(state, state.at)
    return state, [GoTo(state.cylinder), *effects]


def _cautions(state: State, action: Action) -> Step:
    if action == "pause":
        return _pause(state)
    if action not in UNDERSTOOD:
        return state, []
    state, effects = _go(replace(state, understood=True), state.at)
    return state, [Note(state.words.text("understood")), *effects]


def _in_take(state: State, action: Action) -> Step:
    """Only what ends the take is obeyed while it is made."""
    if action not in ("again", "skip", "pause", "finish"):
        return state, []
    ending: list[Effect] = [EndTake(f"asked for {action}")]
    state, effects = _OBEY[action](replace(state, phase="move", turns=0))
    return state, ending + effects


def _turn(state: State) -> Step:
    turns = state.turns + 1
    if turns > 2 * state.cycles:
        return replace(state, scoring=True), [EndTake()]
    on = turns % 2 == 1
    return replace(state, turns=turns, phase="air-on" if on else "air-off"), [Cue(on)]


def _scored(state: State, scored: Scored) -> Step:
    place = state.place
    if place is None:
        return state, []
    point = state.words.point(place.point)
    if not scored.usable:
        said = state.words.text("spoiled", point=point, why=scored.why, remedy=scored.remedy)
        state = _marked(replace(state, phase="move"), "spoiled", scored.result)
        return state, [Say(f"{said} {state.words.text('say_again')}", "bad")]
    state = _marked(state, "done", scored.result)
    return _onward(state, Say(state.words.text("enough", point=point, result=scored.result)))


def _spoilt(state: State, why: str, remedy: str) -> Step:
    place = state.place
    point = state.words.point(place.point) if place else ""
    said = state.words.text("spoiled", point=point, why=why, remedy=remedy)
    state = _marked(
        replace(state, phase="move", turns=0), "spoiled", state.words.text("broken_off")
    )
    return state, [EndTake(why), Say(f"{said} {state.words.text('say_again')}", "bad")]


def _start(state: State) -> Step:
    place = state.place
    if place is None or place.point == GAUGE:
        return _next(state)
    taking = replace(state, phase="get-ready", turns=0)
    return taking, [Say(state.words.text("ready")), BeginTake(place.cylinder, place.point)]


def _next(state: State) -> Step:
    if state.place is None:
        return _finish(state)
    if state.place.point != GAUGE:
        return _start(state)
    return _onward(_marked(state, "done"))


def _again(state: State) -> Step:
    fresh = state.place is not None and state.place.state == "spoiled"
    at = state.at if fresh or state.last is None else state.last
    state, effects = _go(state, at)
    return _start(state) if fresh else (state, effects)


def _skip(state: State) -> Step:
    place = state.place
    if place is None:
        return state, []
    point = state.words.point(place.point)
    note = Note(state.words.text("left_out", point=point, n=place.cylinder))
    state, effects = _onward(
        _marked(state, "skipped"), Say(state.words.text("skipped", point=point))
    )
    return state, [note, *effects]


def _pause(state: State) -> Step:
    return replace(state, phase="paused"), [Say(state.words.text("paused")), Rest()]


def _finish(state: State) -> Step:
    return replace(state, phase="done"), [Finish()]


def _named(state: State, action: Action, value: str) -> Step:
    """Go to a cylinder, or to a listening point of the one at hand."""
    number = state.cylinder
    if action == "cylinder":
        found = [i for i, p in enumerate(state.places) if str(p.cylinder) == value]
        undone = [i for i in found if state.places[i].state != "done"]
        if not found:
            return state, [Say(state.words.text("no_such_cylinder", n=value))]
        number, at = int(value), (undone or found)[0]
    elif value == GAUGE or value in (p.name for p in listening_points(state.layout, number)):
        state, at = _with_place(state, number, value)
    else:
        return state, [
            Say(state.words.text("no_such_place", point=state.words.point(value), n=number))
        ]
    moved = number != state.cylinder
    state, effects = _go(state, at)
    return state, [*([GoTo(number)] if moved else []), *effects]


def _with_place(state: State, cylinder: int, point: str) -> tuple[State, int]:
    """Return the place of a point, added to the plan if it is not there."""
    named = [(p.cylinder, p.point) for p in state.places]
    if (cylinder, point) in named:
        return state, named.index((cylinder, point))
    at = max(i for i, p in enumerate(state.places) if p.cylinder == cylinder) + 1
    added = (*state.places[:at], PlanStep(cylinder, point, "to-do"), *state.places[at:])
    last = state.last + (state.last >= at) if state.last is not None else None
    return replace(state, places=added, last=last), at


def _marked(state: State, mark: str, result: str = "") -> State:
    """Write down what became of the place at hand."""
    if state.at is None:
        return state
    marked = replace(state.places[state.at], state=mark, result=result)  # type: ignore[arg-type]
    places = (*state.places[: state.at], marked, *state.places[state.at + 1 :])
    return replace(state, places=places, last=state.at)


def _onward(state: State, *said: Effect) -> Step:
    """Go to the next place that is not done, round the plan."""
    at = state.at or 0
    order = [*range(at + 1, len(state.places)), *range(at)]
    following = next((i for i in order if state.places[i].state == "to-do"), None)
    before = state.cylinder
    state, effects = _go(state, following)
    moved: list[Effect] = [GoTo(state.cylinder)] if state.cylinder != before else []
    return state, [*said, *moved, *effects]


def _go(state: State, at: int | None) -> Step:
    """Stand at a place and say what to do there."""
    state = replace(state, at=at, turns=0, scoring=False)
    if not state.understood:
        return replace(state, phase="cautions"), [Say(state.words.text("cautions"))]
    place = state.place
    if place is None:
        return replace(state, phase="move"), [Say(state.words.text("all_done"))]
    if place.point == GAUGE:
        return replace(state, phase="gauge"), [Say(state.words.text("gauge", n=place.cylinder))]
    said = state.words.text("move", n=place.cylinder, point=state.words.point(place.point))
    return replace(state, phase="move"), [Say(said)]


def _stay(state: State) -> Step:
    return state, []


_OBEY: dict[Action, Callable[[State], Step]] = {
    "start": _start,
    "next": _next,
    "again": _again,
    "skip": _skip,
    "pause": _pause,
    "resume": _stay,
    "finish": _finish,
}
