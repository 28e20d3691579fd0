"""What is said about the cylinder at hand: the gauge dialogue, and what it asks beyond that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.session import machine
from earwitness.session.equipment.sound import Spoken
from earwitness.session.live.events import Say
from earwitness.session.live.typed import heard_as, heard_from, press_of
from earwitness.session.snapshot import Press

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.session.equipment.headset import Headset
    from earwitness.session.live.inspection import LivePlan
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.live.shown import View
    from earwitness.speech.heard import Heard

STATUS, HELP, MARK, REPEAT = "status", "help", "mark", "repeat"
"""Commands that ask for something to be said or noted, not to be done."""


class Talk:
    """The dialogue with the technician about one cylinder after another.

    Parameters
    ----------
    keeper : Keeper
        The record.
    headset : Headset or None
        None: everything is typed or pressed.
    view : View
        What is shown of it.
    plan : LivePlan
        The engine, its supply, and the language.
    say, ask : callable
        Called with a `Say`, and with what the inspection is asked to do.
    status : callable
        Says where the inspection stands.
    """

    def __init__(
        self,
        keeper: Keeper,
        headset: Headset | None,
        view: View,
        *,
        plan: LivePlan,
        say: Callable[[Say], None],
        ask: Callable[[Press], None],
        status: Callable[[], str],
    ) -> None:
        self._keeper, self._headset, self._view = keeper, headset, view
        self._plan, self._sink, self._ask, self._status = plan, say, ask, status
        self._cylinder = 0
        self._gauge = self._begun(1)

    def go_to(self, cylinder: int) -> None:
        """Begin a recording, and a dialogue, of what is said about a cylinder."""
        self._cylinder, self._gauge = cylinder, self._begun(cylinder)
        self._keeper.new_dialogue()
        self._view.waiting = False
        if self._headset:
            audio = self._keeper.place(f"c{cylinder}-said")
            fs = self._headset.sample_rate_hz
            bext = self._keeper.bext(f"Said about cylinder {cylinder}", fs, "PCM_16", 2)
            self._headset.begin(audio, bext, self._gauge)

    def again(self) -> None:
        """Begin anew after the headset was gone."""
        self.go_to(self._cylinder)

    def _say(self, said: str) -> None:
        self._sink(Say(said))

    def _begun(self, cylinder: int) -> machine.State:
        return machine.begin(
            cylinders=self._plan.layout.cylinders,
            cylinder=cylinder,
            supply_kpa=self._plan.supply_kpa,
        )

    def close(self) -> None:
        """Close the recording."""
        if self._headset:
            self._headset.end()

    def answer(self, press: Press) -> None:
        """Hand over to the gauge dialogue what was pressed or typed."""
        typed = press.action == "reading"
        heard = heard_from(press.value) if typed else heard_as(press.action)
        if heard is None:
            self._say(self._plan.words.text("not_understood", text=press.value))
        elif self._headset:
            self._headset.press(heard)
        else:
            state, effects = machine.step(self._gauge, heard)
            self.spoken(Spoken(None, tuple(effects), state, None))

    def spoken(self, spoken: Spoken) -> None:
        """Keep what was said; do what it asks."""
        self._gauge = spoken.state
        self._keeper.turn(spoken.turn, spoken.effects, spoken.audio)
        self._view.waiting = spoken.state.pending is not None
        for effect in spoken.effects:
            if isinstance(effect, machine.Say):
                self._say(effect.text)
            elif isinstance(effect, machine.Store):
                self._view.verdict = self._keeper.judged()
        if spoken.turn and spoken.turn.heard:
            self._heard(spoken.turn.heard, spoken)

    def _heard(self, heard: Heard, spoken: Spoken) -> None:
        self._view.heard = heard.text
        trusted = not (heard.rejected or heard.needs_confirmation or heard.while_talking)
        unanswered = not spoken.effects or heard.command == "cylinder"
        if trusted and unanswered and spoken.state.awake and not spoken.state.noting:
            self._obey(heard.command, heard.value)

    def _obey(self, command: str | None, value: float | None) -> None:
        """Do what a spoken command asks beyond the gauge dialogue."""
        if command in (STATUS, HELP):
            self._say(self._status() if command == STATUS else self._plan.words.text("help"))
        elif command == MARK:
            self._keeper.note("Marked by word of mouth.")
        elif command == REPEAT:
            self._say(self._view.said)
        else:
            asked = press_of(command, value)
            if asked and asked != Press("cylinder", str(self._cylinder)):
                self._ask(asked)
