"""Run a live inspection: the loop that does what the steps say, between the threads that hear."""

from __future__ import annotations

import queue
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.acoustics.quality.flags import FLAGS, meaning, remedy
from earwitness.errors import EarwitnessError
from earwitness.session import machine, replay
from earwitness.session.equipment import sound
from earwitness.session.equipment.ears import Ears
from earwitness.session.equipment.taking import Recorded, TakeOrder
from earwitness.session.live import events, steps
from earwitness.session.live.shown import View, shown
from earwitness.session.live.typed import heard_as, heard_from, press_of
from earwitness.session.live.words import text
from earwitness.session.snapshot import Engine, Press

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np

    from earwitness.acoustics.finding import Finding
    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.engine.layout import EngineLayout
    from earwitness.session.equipment.ears import Equipment, Input
    from earwitness.session.equipment.sound import Source
    from earwitness.session.equipment.voice import Speaker
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.snapshot import Board, PlanStep
    from earwitness.speech.recogniser import SpeechModel

TICK_S = 0.1
"""How often the board is brought up to date [s]: ten times a second, as the spectrogram grows."""
MOST_PRESSES = 64
"""Requests of a page or a keyboard that wait at most [1]. Chosen: more than a hand can press."""


@dataclass(frozen=True, slots=True)
class LivePlan:
    """What is to be done."""

    layout: EngineLayout
    places: tuple[PlanStep, ...]
    """From `steps.places_of`."""
    supply_kpa: float | None = None
    """The tester's supply [kPa]."""
    cycles: int = steps.CYCLES
    stays_s: tuple[float, float] = (steps.SHORTEST_S, steps.LONGEST_S)
    """Shortest and longest stay of the valve [s]."""


class LiveInspection:
    """One live inspection, from `run` until it is finished or put to rest.

    Parameters
    ----------
    plan : LivePlan
        What to do.
    keeper : Keeper
        Its record.
    board : Board
        Where everything is shown.
    rng : numpy.random.Generator
        Draws the rhythm of the valve.
    equipment : Equipment
        What it is made with.
    opened : callable
        Opens a microphone with so many channels.
    speaker : callable
        Opens the loudspeaker.
    model : SpeechModel, optional
        Recognises speech; needed where there is a headset.

    Raises
    ------
    EquipmentError
        If the probe cannot be opened.
    """

    def __init__(
        self,
        plan: LivePlan,
        keeper: Keeper,
        board: Board,
        *,
        rng: np.random.Generator,
        equipment: Equipment,
        opened: Callable[[Input, int], Source],
        speaker: Callable[[int | str | None], Speaker],
        model: SpeechModel | None = None,
    ) -> None:
        self._plan, self._keeper = plan, keeper
        self._ambient = equipment.ambient_channel is not None
        self._rng, self._board = rng, board
        self._events: queue.Queue[object] = queue.Queue()
        self._presses: queue.Queue[Press] = queue.Queue(MOST_PRESSES)
        self._state, self._first = steps.begin(plan.layout, plan.places, plan.cycles)
        engine = plan.layout
        self._view = View(Engine(engine.label, engine.banks, engine.arrangement))
        self._gauge = self._new_dialogue(self._state.cylinder)
        self._waiting: list[events.Effect] = []
        self._taking: tuple[int, str] | None = None
        self._rhythm_s: tuple[float, ...] = ()
        self._begun_s: float | None = None
        self._resting = False
        self.verdict: EngineVerdict | None = None
        self._ears = Ears(
            equipment, opened=opened, speaker=speaker, post=self._events.put, model=model
        )
        self._view.warnings.extend(self._ears.warnings)

    def post(self, press: Press) -> None:
        """Take what a page or a keyboard asks; raises queue.Full if too much waits."""
        self._presses.put_nowait(press)
        self._events.put(None)

    def interrupt(self) -> None:
        """Put the inspection to rest, from any thread; `run` then returns None."""
        self._resting = True

    @property
    def talking(self) -> bool:
        """Whether anything is being said or waits to be."""
        return self._ears.voice.busy

    def run(self) -> EngineVerdict | None:
        """Lead through the inspection; return the verdict, or None if it was put to rest.

        Put to rest, it keeps what was recorded and can be gone on with; see `interrupt`.

        Raises
        ------
        StorageError
            If the disk refuses; what was recorded before is kept.
        """
        self._begin()
        try:
            while not (self._resting or self.verdict):
                self._turn_over()
            if self._resting:
                self._keeper.note("Stopped by hand.")
        except EarwitnessError:
            with suppress(EarwitnessError):  # the first error is the one to tell
                self._shut()
            raise
        self._shut()
        return self.verdict

    def _begin(self) -> None:
        self._ears.start()
        self._do_all(self._first)
        self._publish()

    def _turn_over(self) -> None:
        """Take in one event, or let a moment pass."""
        try:
            event = self._events.get(timeout=TICK_S)
        except queue.Empty:
            event = None
        while not self._presses.empty():
            self._step(self._presses.get())
        if event is not None:
            self._take_in(event)
        self._do_what_waits()
        self._publish()

    def _take_in(self, event: object) -> None:
        match event:
            case sound.Begun() | sound.DueNow() | sound.Damaged() | Recorded() | _Found():
                self._of_a_take(event)
            case events.Scored():
                self._step(event)
            case sound.Spoken():
                self._spoken(event)
            case sound.SaidClosed(audio):
                self._keeper.said(audio)
            case sound.Failed(error):
                raise error
            case sound.Gone() | sound.Back():
                self._equipment_changed(event)

    def _of_a_take(self, event: object) -> None:
        match event:
            case sound.Begun():
                self._begun_s = time.monotonic()
                self._step(events.TakeBegun())
                self._ears.meters.air(on=False)
            case sound.DueNow():
                self._step(events.Due())
            case sound.Damaged(flag):
                self._step(events.Spoilt(meaning(flag), remedy(flag)))
            case Recorded():
                self._recorded(event)
            case _Found():
                self._found(event)

    def _step(self, event: events.Event) -> None:
        self._state, effects = steps.step(self._state, event)
        self._do_all(effects)

    def _do_all(self, effects: list[events.Effect]) -> None:
        for effect in effects:
            self._do(effect)

    def _do(self, effect: events.Effect) -> None:
        match effect:
            case events.Say(said):
                self._say(said)
            case events.Cue(on):
                self._ears.probe.turned(self._ears.voice.cue(on=on))
                self._ears.meters.air(on=on)
            case events.BeginTake():
                self._waiting.append(effect)
            case events.EndTake(why):
                self._end_take(why)
            case _:
                self._do_beside_takes(effect)

    def _do_beside_takes(self, effect: events.Effect) -> None:
        match effect:
            case events.GoTo(cylinder):
                self._go_to(cylinder)
            case events.Answer(press):
                self._answer(press)
            case events.Note(said):
                self._keeper.note(said)
            case events.Rest():
                self._close_dialogue()
            case events.Finish():
                self._finish()

    def _say(self, said: str) -> None:
        """Say it now, or after the take that is being made."""
        if self._taking is not None:
            self._waiting.append(events.Say(said))
            return
        self._view.said = said
        self._ears.voice.say(said)

    def _do_what_waits(self) -> None:
        """Speak after a take; begin a take after speaking."""
        if not self._waiting or self._taking is not None:
            return
        saying = [e for e in self._waiting if isinstance(e, events.Say)]
        for say in saying:
            self._say(say.text)
        self._waiting = [e for e in self._waiting if not isinstance(e, events.Say)]
        if self._waiting and not self._ears.voice.busy:
            effect = self._waiting.pop(0)
            if isinstance(effect, events.BeginTake):
                self._begin_take(effect)

    def _begin_take(self, effect: events.BeginTake) -> None:
        fs, name = self._ears.probe.sample_rate_hz, f"c{effect.cylinder}-{effect.point}"
        files = [
            self._keeper.place(name),
            *([self._keeper.place(f"{name}-ambient")] * self._ambient),
        ]
        self._rhythm_s = steps.rhythm(self._rng, self._state.cycles, *self._plan.stays_s)
        heard = f"Cylinder {effect.cylinder} at {effect.point}"
        bext = self._keeper.bext(heard, fs, "FLOAT", 1)
        self._taking, self._begun_s = (effect.cylinder, effect.point), None
        self._ears.probe.begin(TakeOrder(tuple(files), bext, self._rhythm_s))

    def _end_take(self, why: str) -> None:
        self._waiting = [e for e in self._waiting if not isinstance(e, events.BeginTake)]
        self._ears.meters.air(on=None)
        if self._taking is not None:
            self._ears.probe.end(why)

    def _recorded(self, recorded: Recorded) -> None:
        if self._taking is None:
            return
        (cylinder, point), self._taking = self._taking, None
        take = self._keeper.take(recorded, cylinder, point)
        if recorded.lost_s:
            self._warn(text("lost"))
        if take is None:
            return
        files = [self._keeper.folder / p for p in self._keeper.told().takes[-1].audio]
        threading.Thread(
            target=self._score, args=(files, point, recorded.air_on_s, take), daemon=True
        ).start()

    def _score(
        self, files: list[Path], point: str, air_on_s: tuple[tuple[float, float], ...], take: int
    ) -> None:
        """Score a take exactly as a replay does."""
        try:
            self._events.put(_Found(replay.score(files, point, air_on_s), take))
        except EarwitnessError as e:
            self._events.put(events.Scored(usable=False, result="", why=e.fault, remedy=e.remedy))

    def _found(self, found: _Found) -> None:
        finding = found.finding
        self._keeper.finding(finding, found.take)
        self._view.detectable_db = finding.detectable_db
        self._view.verdict = self._keeper.judged()
        bad = next((f for f in FLAGS if f.refuses and f.name in finding.flags), None)
        why, what_to_do = (bad.meaning, bad.remedy) if bad else ("", "")
        self._step(events.Scored(finding.usable, replay.in_short(finding), why, what_to_do))

    def _new_dialogue(self, cylinder: int) -> machine.State:
        return machine.begin(
            cylinders=self._plan.layout.cylinders,
            cylinder=cylinder,
            supply_kpa=self._plan.supply_kpa,
        )

    def _go_to(self, cylinder: int) -> None:
        """Begin a recording, and a dialogue, of what is said about a cylinder."""
        self._gauge = self._new_dialogue(cylinder)
        self._keeper.new_dialogue()
        self._view.waiting = False
        if self._ears.headset:
            audio = self._keeper.place(f"c{cylinder}-said")
            fs = self._ears.headset.sample_rate_hz
            bext = self._keeper.bext(f"Said about cylinder {cylinder}", fs, "PCM_16", 2)
            self._ears.headset.begin(audio, bext, self._gauge)

    def _close_dialogue(self) -> None:
        if self._ears.headset:
            self._ears.headset.end()

    def _answer(self, press: Press) -> None:
        """Hand over to the gauge dialogue what was pressed or typed."""
        typed = press.action == "reading"
        heard = heard_from(press.value) if typed else heard_as(press.action)
        if heard is None:
            self._say(text("not_understood", text=press.value))
        elif self._ears.headset:
            self._ears.headset.press(heard)
        else:
            state, effects = machine.step(self._gauge, heard)
            self._spoken(sound.Spoken(None, tuple(effects), state, None))

    def _spoken(self, spoken: sound.Spoken) -> None:
        """Keep what was said; do what it asks of the inspection."""
        self._gauge = spoken.state
        self._keeper.turn(spoken.turn, spoken.effects, spoken.audio)
        self._view.waiting = spoken.state.pending is not None
        for effect in spoken.effects:
            if isinstance(effect, machine.Say):
                self._say(effect.text)
            elif isinstance(effect, machine.Store):
                self._view.verdict = self._keeper.judged()
        heard = spoken.turn.heard if spoken.turn else None
        if heard is None:
            return
        self._view.heard = heard.text
        trusted = not (heard.rejected or heard.needs_confirmation or heard.while_talking)
        unanswered = not spoken.effects or heard.command == "cylinder"
        if trusted and unanswered and spoken.state.awake and not spoken.state.noting:
            self._obey(heard.command, heard.value)

    def _obey(self, command: str | None, value: float | None) -> None:
        """Do what a spoken command asks beyond the gauge dialogue."""
        if command in ("status", "help"):
            self._say(self._status() if command == "status" else text("help"))
        elif command == "mark":
            self._keeper.note("Marked by word of mouth.")
        elif command == "repeat":
            self._say(self._view.said)
        else:
            asked = press_of(command, value)
            if asked and asked != Press("cylinder", str(self._state.cylinder)):
                self._step(asked)

    def _status(self) -> str:
        place, places = self._state.place, self._state.places
        done = sum(p.state == "done" for p in places)
        point = place.point if place else "-"
        return text("status", n=self._state.cylinder, point=point, done=done, total=len(places))

    def _equipment_changed(self, event: sound.Gone | sound.Back) -> None:
        """Say what has gone or come back; the inspection goes on."""
        gone = isinstance(event, sound.Gone)
        self._keeper.note(f"The {event.role} microphone {'went' if gone else 'came back'}.")
        if gone and event.role == "probe":
            self._warn(text("probe_gone"))
            self._step(events.Spoilt(text("probe_gone"), text("plug_in")))
        elif gone:
            self._warn(text("voice_gone"))
            self._say(text("voice_gone"))
        elif event.role == "probe":
            self._view.warnings.clear()
            self._say(text("probe_back"))
        else:
            self._view.warnings.clear()
            self._go_to(self._state.cylinder)

    def _warn(self, warning: str) -> None:
        self._view.warnings.append(warning)

    def _publish(self) -> None:
        self._view.seconds_left = self._seconds_left()
        if self._ears.guess:
            self._view.heard, self._ears.guess = self._ears.guess, ""
        self._board.publish(shown(self._state, self._view, self._ears.meters))

    def _seconds_left(self) -> float | None:
        """Return the time until the next turn of the valve, or the end of the take [s]."""
        if self._begun_s is None or self._state.turns >= len(self._rhythm_s):
            return None
        due_s = self._begun_s + self._rhythm_s[self._state.turns]
        return max(0.0, due_s - time.monotonic())

    def _finish(self) -> None:
        """Stop the microphones, keep what they still had, and judge."""
        self._stop_listening()
        self.verdict = self._view.verdict = self._keeper.close()

    def _stop_listening(self) -> None:
        if self._taking is not None:
            self._ears.probe.end("the inspection was ended")
        self._ears.stop()
        while not self._events.empty():
            event = self._events.get()
            if isinstance(event, Recorded | sound.Spoken | sound.SaidClosed):
                self._take_in(event)

    def _shut(self) -> None:
        if self.verdict is None:
            self._stop_listening()
            self._keeper.rest()
        self._publish()


@dataclass(frozen=True, slots=True)
class _Found:
    """What a take shows, and its entry."""

    finding: Finding
    take: int
