"""Run a live inspection: the loop that does what the steps say, between the threads that hear."""

from __future__ import annotations

import queue
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from earwitness.acoustics.quality.flags import meaning, remedy
from earwitness.errors import EarwitnessError
from earwitness.session.equipment import sound
from earwitness.session.equipment.ears import Ears
from earwitness.session.equipment.taking import Recorded
from earwitness.session.live import events, steps
from earwitness.session.live.shown import View, shown
from earwitness.session.live.takes import LONGEST_S, SHORTEST_S, Found, Takes
from earwitness.session.live.talk import Talk
from earwitness.session.messages.catalogue import Catalogue, english
from earwitness.session.snapshot import Engine, Press

if TYPE_CHECKING:
    import numpy as np

    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.engine.layout import EngineLayout
    from earwitness.session.equipment.ears import Devices, Equipment
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
    stays_s: tuple[float, float] = (SHORTEST_S, LONGEST_S)
    """Shortest and longest stay of the valve [s]."""
    words: Catalogue = field(default_factory=english)
    """The language in which it is led."""


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
    devices : Devices
        Opens it.
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
        devices: Devices,
        model: SpeechModel | None = None,
    ) -> None:
        self._plan, self._keeper, self._board = plan, keeper, board
        self._events: queue.Queue[object] = queue.Queue()
        self._presses: queue.Queue[Press] = queue.Queue(MOST_PRESSES)
        self._state, self._first = steps.begin(plan.layout, plan.places, plan.cycles, plan.words)
        engine = plan.layout
        self._view = View(Engine(engine.label, engine.banks, engine.arrangement))
        self._words = plan.words
        self._waiting: list[events.Effect] = []
        self._gone: set[str] = set()
        self._resting = False
        self.verdict: EngineVerdict | None = None
        self._ears = Ears(equipment, devices, post=self._events.put, model=model, words=plan.words)
        self._takes = Takes(
            keeper,
            self._ears.probe,
            rng,
            ambient=equipment.ambient_channel is not None,
            post=self._events.put,
            words=plan.words,
            now=devices.now,
        )
        self._talk = Talk(
            keeper,
            self._ears.headset,
            self._view,
            plan=plan,
            say=self._say,
            ask=self._step,
            status=self._status,
        )

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
        for warning in self._ears.warnings:
            self._warn(warning)
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
            case sound.Begun() | sound.DueNow() | sound.Damaged() | Recorded() | Found():
                self._of_a_take(event)
            case events.Scored():
                self._step(event)
            case sound.Spoken():
                self._talk.spoken(event)
            case sound.SaidClosed(audio):
                self._keeper.said(audio)
            case sound.Failed(error):
                raise error
            case sound.Gone() | sound.Back():
                self._equipment_changed(event)

    def _of_a_take(self, event: object) -> None:
        match event:
            case sound.Begun():
                self._takes.begun()
                self._step(events.TakeBegun())
                self._ears.meters.air(on=False)
            case sound.DueNow():
                self._step(events.Due())
            case sound.Damaged(flag):
                told = self._words.told
                self._step(events.Spoilt(told(meaning(flag)), told(remedy(flag))))
            case Recorded():
                self._takes.recorded(event)
                if event.lost_s:
                    self._warn(self._words.text("lost"))
            case Found():
                self._found(event)

    def _step(self, event: events.Event) -> None:
        self._state, effects = steps.step(self._state, event)
        self._do_all(effects)

    def _do_all(self, effects: list[events.Effect]) -> None:
        for effect in effects:
            self._do(effect)

    def _do(self, effect: events.Effect) -> None:
        match effect:
            case events.Say():
                self._say(effect)
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
                self._talk.go_to(cylinder)
            case events.Answer(press):
                self._talk.answer(press)
            case events.Note(said):
                self._keeper.note(said)
            case events.Rest():
                self._talk.close()
            case events.Finish():
                self._finish()

    def _say(self, say: events.Say) -> None:
        """Say it now, or after the take that is being made."""
        if self._takes.busy:
            self._waiting.append(say)
            return
        self._view.said = say.text
        self._ears.voice.say(say.text, say.mood)

    def _do_what_waits(self) -> None:
        """Speak after a take; begin a take after speaking."""
        if not self._waiting or self._takes.busy:
            return
        saying = [e for e in self._waiting if isinstance(e, events.Say)]
        for say in saying:
            self._say(say)
        self._waiting = [e for e in self._waiting if not isinstance(e, events.Say)]
        if self._waiting and not self._ears.voice.busy:
            effect = self._waiting.pop(0)
            if isinstance(effect, events.BeginTake):
                self._begin_take(effect)

    def _begin_take(self, effect: events.BeginTake) -> None:
        if "probe" in self._gone:
            text = self._words.text
            self._step(events.Spoilt(text("probe_gone"), text("plug_in")))
            return
        cycles, stays_s = self._state.cycles, self._plan.stays_s
        self._takes.begin(effect.cylinder, effect.point, cycles=cycles, stays_s=stays_s)

    def _end_take(self, why: str) -> None:
        self._waiting = [e for e in self._waiting if not isinstance(e, events.BeginTake)]
        self._ears.meters.air(on=None)
        self._takes.end(why)

    def _found(self, found: Found) -> None:
        scored = self._takes.found(found)
        if found.finding is not None:
            self._view.detectable_db = found.finding.detectable_db
        self._view.verdict = self._keeper.judged()
        self._step(scored)

    def _status(self) -> str:
        place, places, words = self._state.place, self._state.places, self._words
        done = sum(p.state == "done" for p in places)
        point = words.point(place.point) if place else "-"
        n, total = self._state.cylinder, len(places)
        return words.text("status", n=n, point=point, done=done, total=total)

    def _equipment_changed(self, event: sound.Gone | sound.Back) -> None:
        """Say what has gone or come back; the inspection goes on."""
        role, text = event.role, self._words.text
        if isinstance(event, sound.Gone):
            self._gone.add(role)
            self._keeper.note(f"The {role} microphone went.")
            self._warn(text(f"{role}_gone"))
            if role == "probe":
                self._step(events.Spoilt(text("probe_gone"), text("plug_in")))
            return
        self._gone.discard(role)
        self._keeper.note(f"The {role} microphone came back.")
        self._view.warnings.clear()
        self._say(events.Say(text(f"{role}_back")))
        if role == "headset":
            self._talk.again()

    def _warn(self, warning: str) -> None:
        """Show it, and say it."""
        self._view.warnings.append(warning)
        self._say(events.Say(warning, "bad"))

    def _publish(self) -> None:
        self._view.seconds_left = self._takes.seconds_left(self._state.turns)
        if self._ears.guess:
            self._view.heard, self._ears.guess = self._ears.guess, ""
        self._board.publish(shown(self._state, self._view, self._ears.meters))

    def _finish(self) -> None:
        """Stop the microphones, keep what they still had, and judge."""
        self._stop_listening()
        self.verdict = self._view.verdict = self._keeper.close()

    def _stop_listening(self) -> None:
        self._takes.end("the inspection was ended")
        self._ears.stop()
        self._take_in_what_is_left()
        self._takes.settle()
        self._take_in_what_is_left()

    def _take_in_what_is_left(self) -> None:
        while not self._events.empty():
            match self._events.get():
                case Recorded() as recorded:
                    self._takes.recorded(recorded)
                case sound.Spoken() as spoken:
                    self._talk.spoken(spoken)
                case sound.SaidClosed(audio):
                    self._keeper.said(audio)
                case Found() as found:
                    self._takes.found(found)

    def _shut(self) -> None:
        if self.verdict is None:
            self._stop_listening()
            self._keeper.rest()
        self._publish()
