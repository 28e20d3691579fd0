"""The dictation dialogue as a pure function: what was heard in, what to do out.

A number is stored only after it was read back and confirmed, or said twice alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from earwitness.gauges.leakage import to_kpa
from earwitness.speech.numbers import say_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.record.bodies import Quantity
    from earwitness.speech.dictation import Heard


@dataclass(frozen=True, slots=True)
class Field:
    """One reading that may be dictated: its name in the record and its possible range."""

    quantity: Quantity
    spoken: str
    highest: float
    """Largest value a gauge can show [%, or kPa for a pressure]. Chosen: beyond the scale of any
    common gauge."""


FIELDS: dict[str, Field] = {
    "leakage": Field("leakage", "leakage", 100.0),
    "compression-dry": Field("compression-dry", "dry compression", 4000.0),
    "compression-wet": Field("compression-wet", "wet compression", 4000.0),
    "supply-pressure": Field("supply-pressure", "supply pressure", 2000.0),
    "gauge-reading": Field("cylinder-pressure", "gauge reading", 2000.0),
}
"""Commands of the vocabulary that carry a reading."""

ANSWERS = ("confirm", "yes", "scratch-that", "no")
"""Commands that change what is stored; heard with less than full confidence they are asked for
again."""

BUBBLES = "bubbles:"
"""Start of the command names that report what the eye saw at the radiator."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A value for one cylinder, as it goes into the record."""

    cylinder: int
    quantity: Quantity
    value: str
    unit: str
    spoken: str
    """How the tool reads it back."""


@dataclass(frozen=True, slots=True)
class State:
    """Everything the dialogue remembers."""

    cylinders: int
    only: int | None = None
    """The one cylinder this dictation belongs to, if the run sheet says so."""
    cylinder: int | None = None
    supply_kpa: float | None = None
    """The tester's supply, where none was dictated [kPa]."""
    awake: bool = True
    pending: Reading | None = None
    stored: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Say:
    """Say this to the technician."""

    text: str


@dataclass(frozen=True, slots=True)
class Store:
    """Append this reading to the record."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class Retract:
    """Append a correction that names the last entry of this reading."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class Remark:
    """Append this sentence to the record as a note."""

    text: str


Effect: TypeAlias = Say | Store | Retract | Remark
Step: TypeAlias = tuple[State, list[Effect]]


def begin(*, cylinders: int, cylinder: int | None = None, supply_kpa: float | None = None) -> State:
    """Start a dialogue.

    Parameters
    ----------
    cylinders : int
        How many the engine has.
    cylinder : int, optional
        The one cylinder that the recording belongs to.
    supply_kpa : float, optional
        The tester's supply pressure [kPa].
    """
    return State(cylinders, only=cylinder, cylinder=cylinder, supply_kpa=supply_kpa)


def step(state: State, heard: Heard) -> Step:
    """Advance the dialogue by one utterance.

    Parameters
    ----------
    state : State
        Where the dialogue stands.
    heard : Heard
        The utterance as understood.

    Returns
    -------
    tuple of State and list of Effect
        The new state, and what to do in that order.
    """
    if not state.awake:
        return _wake(state) if heard.command == "wake" and not heard.rejected else (state, [])
    if heard.rejected or (heard.command in ANSWERS and heard.needs_confirmation):
        return state, [Say("say again")]
    if heard.command in _OBEY:
        return _OBEY[heard.command](state, heard)
    return _value(state, heard)


def finish(state: State) -> list[Effect]:
    """End the dialogue; a reading that nobody confirmed is reported, not stored."""
    if state.pending is None:
        return []
    return [Remark(f"Not stored, because it was not confirmed: {state.pending.spoken}.")]


def _wake(state: State) -> Step:
    return replace(state, awake=True), [Say("listening")]


def _sleep(state: State, _: Heard) -> Step:
    return replace(state, awake=False), [Say("asleep")]


def _repeat(state: State, _: Heard) -> Step:
    return state, [Say(state.pending.spoken)] if state.pending else []


def _select(state: State, heard: Heard) -> Step:
    number = int(heard.value or 0)
    if not 1 <= number <= state.cylinders:
        return state, [Say(f"cylinder {number}? this engine has {state.cylinders}")]
    waiting = finish(state)
    if state.only not in (None, number):
        remark = (
            f"Heard cylinder {number} in the dictation of cylinder {state.only};"
            " readings after it are not stored until its own number is said."
        )
        return replace(state, cylinder=None, pending=None), [*waiting, Remark(remark)]
    return replace(state, cylinder=number, pending=None), [*waiting, Say(f"cylinder {number}")]


def _value(state: State, heard: Heard) -> Step:
    command = heard.command or ""
    if command in FIELDS:
        return _reading(state, heard, FIELDS[command])
    if command.startswith(BUBBLES):
        return _bubbles(state, command.removeprefix(BUBBLES))
    return state, [Say("which gauge?")] if heard.value is not None else []


def _reading(state: State, heard: Heard, field: Field) -> Step:
    if heard.value is None:
        return state, [Say("say the number")]
    unit = heard.unit or ("percent" if field.quantity == "leakage" else "")
    if (unit == "percent") != (field.quantity == "leakage") or not unit:
        return state, [Say("in percent?" if field.quantity == "leakage" else "in which unit?")]
    spoken = f"{field.spoken} {say_number(heard.value)} {unit}"
    if _size(heard.value, unit) > field.highest:
        return state, [Say(f"{spoken}? that is more than the gauge can show")]
    if state.cylinder is None:
        return state, [Say("say the cylinder first")]
    reading = Reading(state.cylinder, field.quantity, f"{heard.value:g}", unit, spoken)
    if _is_above_supply(state, reading):
        return state, [Say(f"{spoken}? the cylinder cannot be above its supply")]
    return _propose(state, reading)


def _size(value: float, unit: str) -> float:
    """Return a reading in the unit of `Field.highest` [%, or kPa]."""
    return value if unit == "percent" else to_kpa(value, unit)


def _is_above_supply(state: State, reading: Reading) -> bool:
    """Tell whether a reading would put the pressure behind the orifice above that before it."""
    pair = {"supply-pressure": state.supply_kpa}
    for r in (*state.stored, reading):
        if r.cylinder == reading.cylinder and r.quantity in (
            "supply-pressure",
            "cylinder-pressure",
        ):
            pair[r.quantity] = to_kpa(float(r.value), r.unit)
    supply, behind = pair["supply-pressure"], pair.get("cylinder-pressure")
    return supply is not None and behind is not None and behind > supply


def _bubbles(state: State, seen: str) -> Step:
    if state.cylinder is None:
        return state, [Say("say the cylinder first")]
    return _propose(state, Reading(state.cylinder, "bubbles", seen, "", f"bubbles {seen}"))


def _propose(state: State, reading: Reading) -> Step:
    """Read a value back and wait; the same value said twice is as good as a confirmation."""
    waiting = state.pending
    if reading == waiting:
        return _confirm(state, None)
    forgotten = finish(state) if waiting and waiting.quantity != reading.quantity else []
    return replace(state, pending=reading), [*forgotten, Say(f"{reading.spoken}, correct?")]


def _confirm(state: State, _: Heard | None) -> Step:
    reading = state.pending
    if reading is None:
        return state, []
    stored = replace(state, pending=None, stored=(*state.stored, reading))
    return stored, [Store(reading), Say("stored")]


def _scratch(state: State, _: Heard) -> Step:
    if state.pending is not None:
        return replace(state, pending=None), [Say("scratched")]
    if not state.stored:
        return state, [Say("nothing to scratch")]
    *kept, last = state.stored
    return replace(state, stored=tuple(kept)), [Retract(last), Say(f"{last.spoken}, scratched")]


_OBEY: dict[str, Callable[[State, Heard], Step]] = {
    "sleep": _sleep,
    "cylinder": _select,
    "confirm": _confirm,
    "yes": _confirm,
    "scratch-that": _scratch,
    "no": _scratch,
    "repeat": _repeat,
}
