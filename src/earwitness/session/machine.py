"""The dictation dialogue as a pure function: what was heard in, what to do out.

A number is stored only after it was read back and confirmed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

from earwitness.gauges.correction import MOST_OFF_PERCENT
from earwitness.gauges.leakage import to_kpa
from earwitness.speech.vocabulary import Vocabulary, english

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.record.bodies import Quantity
    from earwitness.speech.heard import Heard


QUANTITIES: dict[str, Quantity] = {
    "leakage": "leakage",
    "compression-dry": "compression-dry",
    "compression-wet": "compression-wet",
    "supply-pressure": "supply-pressure",
    "gauge-reading": "cylinder-pressure",
    "supply-under-flow": "supply-under-flow",
    "zero-check": "zero",
}
"""Commands of the vocabulary that carry a reading, and its name in the record."""
PERCENTAGES = ("leakage", "zero")
"""Quantities in percent; all others that are dictated are pressures."""
ANSWERS = ("confirm", "scratch-that", "no")
"""Commands that change what is stored; heard with less than full confidence they are asked for
again."""
BUBBLES = "bubbles:"
"""Start of the command names that report what the eye saw at the radiator."""
MOST_REREADS = 2
"""How often in a row a value is read again because someone spoke into its reading [1]. Chosen: a
loudspeaker that is heard over and over must fall silent."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A value for one cylinder, as it goes into the record."""

    cylinder: int
    quantity: Quantity
    value: str
    unit: str
    spoken: str
    """How the tool reads it back."""
    command: str = ""
    """The command of the vocabulary that it was said with."""


Doubted: TypeAlias = tuple[str | None, float | None, str | None]
"""Command, value and unit of what was heard."""


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
    """What was read back and waits for an answer."""
    refused: tuple[Reading, ...] = ()
    """What was turned down since something was stored."""
    doubtful: frozenset[Doubted] = frozenset()
    """What was heard once, not surely, since a number was understood."""
    stored: tuple[Reading, ...] = ()
    noting: bool = False
    """What is said next is a note."""
    rereads: int = 0
    """How often in a row the value that waits was read again."""
    vocabulary: Vocabulary = field(default_factory=english)
    """The language of the dialogue."""


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


def begin(
    *,
    cylinders: int,
    cylinder: int | None = None,
    supply_kpa: float | None = None,
    vocabulary: Vocabulary | None = None,
    awake: bool = True,
) -> State:
    """Start a dialogue.

    Parameters
    ----------
    cylinders : int
        How many the engine has.
    cylinder : int, optional
        The one cylinder that the recording belongs to.
    supply_kpa : float, optional
        The tester's supply pressure [kPa].
    vocabulary : Vocabulary, optional
        The language; English if left out.
    awake : bool, optional
        Whether commands are obeyed from the start, as in a recording made for it.
    """
    return State(
        cylinders,
        only=cylinder,
        cylinder=cylinder,
        supply_kpa=supply_kpa,
        awake=awake,
        vocabulary=english() if vocabulary is None else vocabulary,
    )


def listening(state: State) -> str:
    """Return the name of the vocabulary's state that says what may be said now."""
    if not state.awake:
        return "asleep"
    return "awake" if state.pending is None else "answer"


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
        woken = heard.command == "wake" and not heard.rejected and not heard.needs_confirmation
        return _wake(state) if woken else (state, [])
    if state.noting:
        return keep_note(state, heard.start_s, heard.end_s)
    if heard.while_talking:
        return _broken_into(state, heard)
    return _answer(replace(state, rereads=0), heard)


def keep_note(state: State, start_s: float, end_s: float) -> Step:
    """Keep what was just said as a note: as sound, since nothing vouches for its words."""
    remark = Remark(f"Spoken note, from {start_s:.1f} to {end_s:.1f} s of the recording.")
    return replace(state, noting=False), [remark, _say(state, "note_kept")]


def finish(state: State) -> list[Effect]:
    """End the dialogue; a reading that nobody confirmed is reported, not stored."""
    if state.pending is None:
        return []
    return [Remark(f"Not stored, because it was not confirmed: {state.pending.spoken}.")]


def _answer(state: State, heard: Heard) -> Step:
    if heard.doubtful:
        return _doubted(state, heard)
    if heard.rejected:
        return _not_understood(state, heard)
    if heard.value is not None:
        state = replace(state, doubtful=frozenset())
    if heard.command in ANSWERS and heard.needs_confirmation:
        return state, [_say(state, "say_again")]
    if heard.command in _OBEY:
        return _OBEY[heard.command](state, heard)
    return _value(state, heard)


def _say(state: State, prompt: str, **slots: object) -> Say:
    return Say(state.vocabulary.prompts[prompt].format(**slots))


def _wake(state: State) -> Step:
    return replace(state, awake=True), [_say(state, "listening")]


def _sleep(state: State, _: Heard) -> Step:
    forgotten = finish(state)
    asleep = replace(state, awake=False, pending=None, noting=False)
    return asleep, [*forgotten, _say(state, "asleep")]


def _broken_into(state: State, heard: Heard) -> Step:
    """Act on what was said into the tool's own voice, which may be that voice itself.

    It never stores: at most it drops what waits, or has it read again.
    """
    if heard.command == "sleep" and not heard.needs_confirmation:
        return _sleep(state, heard)
    if state.pending is None:
        return state, []
    if heard.command in ("no", "scratch-that") and not heard.needs_confirmation:
        return _no(state, heard)
    if state.rereads >= MOST_REREADS:
        return state, []
    return replace(state, rereads=state.rereads + 1), [_read_back(state, state.pending)]


def _doubted(state: State, heard: Heard) -> Step:
    """Take a number that was not surely heard for one that was, the second time it is heard.

    What goes on with a number holds its sound, and is no second time.
    """
    meant = (heard.command, heard.value, heard.unit)
    before = frozenset() if heard.extends else state.doubtful
    if meant in before:
        return _answer(state, replace(heard, rejected=False, doubtful=False))
    state, effects = _not_understood(state, heard)
    return replace(state, doubtful=before | {meant}), effects


def _not_understood(state: State, heard: Heard) -> Step:
    """Ask again, but not after every word that is said in the shop."""
    if heard.extends:
        state = replace(state, doubtful=frozenset())
    if heard.extends and state.pending is not None:
        return replace(state, pending=None), [*finish(state), _say(state, "say_again")]
    if heard.clipped:
        return state, [_say(state, "too_loud")]
    known = any(word in state.vocabulary.words for word in heard.text.split())
    return state, [_say(state, "say_again")] if known or state.pending else []


def _repeat(state: State, _: Heard) -> Step:
    return state, [_read_back(state, state.pending)] if state.pending else []


def _note(state: State, heard: Heard) -> Step:
    openings = [h for e in state.vocabulary.entries if e.kind == "note" for h in e.hear]
    if heard.text not in openings:
        return keep_note(state, heard.start_s, heard.end_s)
    return replace(state, noting=True), [_say(state, "listening_to_note")]


def _select(state: State, heard: Heard) -> Step:
    number = int(heard.value or 0)
    if not 1 <= number <= state.cylinders:
        return state, [_say(state, "no_such_cylinder", n=number, count=state.cylinders)]
    waiting = finish(state)
    if state.only not in (None, number):
        remark = (
            f"Heard cylinder {number} in the dictation of cylinder {state.only};"
            " readings after it are not stored until its own number is said."
        )
        return replace(state, cylinder=None, pending=None), [*waiting, Remark(remark)]
    selected = replace(state, cylinder=number, pending=None)
    return selected, [*waiting, _say(state, "cylinder", n=number)]


def _value(state: State, heard: Heard) -> Step:
    command = heard.command or (state.pending.command if state.pending else "")
    if command in QUANTITIES:
        return _reading(state, heard, command)
    if heard.command and heard.command.startswith(BUBBLES):
        return _bubbles(state, heard.command.removeprefix(BUBBLES))
    return state, [_say(state, "which_gauge")] if heard.value is not None else []


def _reading(state: State, heard: Heard, command: str) -> Step:
    quantity, waiting = QUANTITIES[command], state.pending
    if heard.value is None:
        return state, [_say(state, "say_the_number")]
    percent = quantity in PERCENTAGES
    unit = heard.unit or ("percent" if percent else "")
    if not unit and heard.command is None and waiting is not None:
        unit = waiting.unit
    if (unit == "percent") != percent or not unit:
        return state, [_say(state, "in_percent" if percent else "which_unit")]
    if state.cylinder is None:
        return state, [_say(state, "cylinder_first")]
    spoken = _spoken(state.vocabulary, command, heard.value, unit)
    reading = Reading(state.cylinder, quantity, f"{heard.value:g}", unit, spoken, command)
    doubt = _doubt(state, reading)
    if doubt is not None:
        return replace(state, pending=None), [*finish(state), _say(state, doubt, reading=spoken)]
    return _propose(state, reading)


def _spoken(vocabulary: Vocabulary, command: str, value: float, unit: str) -> str:
    number = vocabulary.numbers.say(value)
    return f"{vocabulary.spoken[command]} {number} {vocabulary.units[unit].words[0]}"


def _doubt(state: State, reading: Reading) -> str | None:
    """Return the prompt that asks about a value that cannot be, None if it can."""
    unit = state.vocabulary.units[reading.unit]
    if not unit.low <= float(reading.value) <= unit.high:
        return "beyond_gauge"
    if reading.quantity == "zero" and float(reading.value) > MOST_OFF_PERCENT:
        return "zero_far_off"
    return "above_supply" if _is_above_supply(state, reading) else None


def _is_above_supply(state: State, reading: Reading) -> bool:
    """Tell whether a reading would put a pressure above that of the supply.

    That behind the orifice, or that of the supply itself while air flows.
    """
    below = ("cylinder-pressure", "supply-under-flow")
    known = {"supply-pressure": state.supply_kpa}
    for r in (*state.stored, reading):
        if r.cylinder == reading.cylinder and r.quantity in ("supply-pressure", *below):
            known[r.quantity] = to_kpa(float(r.value), r.unit)
    supply = known["supply-pressure"]
    lower = [known[q] or 0.0 for q in below if q in known]
    return supply is not None and max(lower, default=0.0) > supply


def _bubbles(state: State, seen: str) -> Step:
    if state.cylinder is None:
        return state, [_say(state, "cylinder_first")]
    entry = next(e for e in state.vocabulary.entries if e.command == f"{BUBBLES}{seen}")
    reading = Reading(state.cylinder, "bubbles", seen, "", entry.say, entry.command)
    return _propose(state, reading)


def _read_back(state: State, reading: Reading) -> Say:
    return _say(state, "read_back", n=reading.cylinder, reading=reading.spoken)


def _propose(state: State, reading: Reading) -> Step:
    """Read a value back and wait for the answer.

    Saying the same value again is none: whoever hears a wrong value says the right one again, and
    the recogniser hears the same wrong value again. A value that was turned down is not offered a
    second time before another way of saying it was asked for.
    """
    waiting = state.pending
    forgotten = finish(state) if waiting and waiting.quantity != reading.quantity else []
    if reading in state.refused:
        refused = tuple(r for r in state.refused if r != reading)
        asked = _say(state, "otherwise", reading=reading.spoken)
        return replace(state, pending=None, refused=refused), [*forgotten, asked]
    return replace(state, pending=reading), [*forgotten, _read_back(state, reading)]


def _confirm(state: State, _: Heard) -> Step:
    reading = state.pending
    if reading is None:
        return state, []
    stored = replace(state, pending=None, refused=(), stored=(*state.stored, reading))
    return stored, [Store(reading), _say(state, "stored")]


def _no(state: State, _: Heard) -> Step:
    if state.pending is None:
        return state, []
    refused = (*state.refused, state.pending)
    return replace(state, pending=None, refused=refused), [_say(state, "scratched")]


def _scratch(state: State, heard: Heard) -> Step:
    if state.pending is not None:
        return _no(state, heard)
    if not state.stored:
        return state, [_say(state, "nothing_to_scratch")]
    *kept, last = state.stored
    answer = _say(state, "taken_back", reading=last.spoken)
    return replace(state, stored=tuple(kept)), [Retract(last), answer]


_OBEY: dict[str, Callable[[State, Heard], Step]] = {
    "sleep": _sleep,
    "cylinder": _select,
    "confirm": _confirm,
    "scratch-that": _scratch,
    "no": _no,
    "repeat": _repeat,
    "note": _note,
}
