"""Ask which engine it is, before there is a record: by voice, by keys or on the page."""

from __future__ import annotations

import queue
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from earwitness.audio.bext import Bext, coding_history, samples_since_midnight
from earwitness.errors import EquipmentError
from earwitness.session.equipment import sound
from earwitness.session.equipment.ears import manner_of, speaker_of
from earwitness.session.equipment.headset import Answers
from earwitness.session.equipment.voice import Voice
from earwitness.session.live.inspection import MOST_PRESSES, TICK_S
from earwitness.session.live.typed import heard_from
from earwitness.session.messages.catalogue import Catalogue, english
from earwitness.session.set_up import naming
from earwitness.session.snapshot import Action, Engine, Press, Snapshot
from earwitness.speech.heard import Heard

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.record.moment import Clock
    from earwitness.session.equipment.ears import Devices, Equipment
    from earwitness.session.equipment.sound import Source
    from earwitness.session.snapshot import Board
    from earwitness.speech.recogniser import SpeechModel

COMMANDS = ("cylinder", "confirm", "no", "scratch-that", "repeat")
"""What may be said, of the vocabulary of any language."""
SAID = "engine-said"
"""Name of the recording of it."""


class AskEngine:
    """Leads through `naming` until the engine is confirmed or the technician gives up.

    What was said is in `engine-said-1.wav` and, after the headset was gone, further files.

    Parameters
    ----------
    board : Board
        Where everything is shown.
    folder : Path
        Where the recording of what is said is put; it is taken into the record later.
    clock : Clock
        Its time.
    equipment : Equipment
        What it is made with; of the microphones only the headset.
    devices : Devices
        Opens it.
    model : SpeechModel, optional
        Recognises speech; needed where there is a headset.
    words : Catalogue, optional
        The language; English if left out.
    """

    def __init__(
        self,
        board: Board,
        folder: Path,
        *,
        clock: Clock,
        equipment: Equipment,
        devices: Devices,
        model: SpeechModel | None = None,
        words: Catalogue | None = None,
    ) -> None:
        self._board, self._folder, self._clock = board, folder, clock
        self._events: queue.Queue[object] = queue.Queue()
        self._presses: queue.Queue[Press] = queue.Queue(MOST_PRESSES)
        self._naming = naming.Naming(words=words or english())
        self._shown = Snapshot(self._naming.words.text("shown_name"), "set-up")
        self._given_up = False
        self._recordings = 0
        self._headset = self._open_headset(equipment, devices, model)
        spoken = self._naming.words
        manner = manner_of(equipment, spoken)
        speaker = speaker_of(equipment, devices, spoken, self._warn)
        self._voice = Voice(speaker, equipment.voice, self._talks, devices.now, manner)

    def post(self, press: Press) -> None:
        """Take what a page or a keyboard asks; raises queue.Full if too much waits."""
        self._presses.put_nowait(press)
        self._events.put(None)

    def interrupt(self) -> None:
        """Give up, from any thread; `run` then returns None."""
        self._given_up = True

    @property
    def talking(self) -> bool:
        """Whether anything is being said or waits to be."""
        return self._voice.busy

    def run(self) -> naming.Naming | None:
        """Ask until it is known; return the engine, or None if the technician gave up.

        Raises
        ------
        StorageError
            If the disk refuses the recording.
        """
        self._listen()
        if self._headset:
            self._headset.start()
        self._say(naming.question(self._naming))
        try:
            while not (self._given_up or self._naming.asks is None):
                self._turn_over()
            while self._voice.busy and not self._given_up:
                self._turn_over()
        finally:
            self._voice.close()
            if self._headset:
                self._headset.stop()
        return None if self._given_up else self._naming

    def _listen(self) -> None:
        """Begin a recording of what is said, and to understand it."""
        if self._headset is None:
            return
        self._recordings += 1
        now, fs = self._clock(), self._headset.sample_rate_hz
        bext = Bext(
            description="Said when the engine was named",
            originator="earwitness",
            time=now,
            time_reference_samples=samples_since_midnight(now, fs),
            coding_history=coding_history(fs, "PCM_16", 2, "as captured"),
        )
        self._headset.begin(self._folder / f"{SAID}-{self._recordings}.wav", bext)

    def _turn_over(self) -> None:
        try:
            event = self._events.get(timeout=TICK_S)
        except queue.Empty:
            event = None
        while not self._presses.empty():
            self._pressed(self._presses.get())
        match event:
            case Heard():
                self._heard(event)
            case sound.Failed(error):
                raise error
            case sound.Gone():
                self._warn(self._naming.words.text("headset_gone"))
            case sound.Back():
                self._shown = replace(self._shown, warnings=())
                self._listen()
        self._publish()

    def _pressed(self, press: Press) -> None:
        if press.action == "finish":
            self._given_up = True
        elif press.action == "cylinder":
            self._answered("cylinder", int(press.value) if press.value.isdecimal() else None)
        elif press.action == "reading":
            heard = heard_from(press.value)
            number = None if heard is None or heard.value is None else round(heard.value)
            self._answered(None, number)
        else:
            self._answered(press.action, None)

    def _heard(self, heard: Heard) -> None:
        """Take in what was said, unless it may be the tool's own voice."""
        self._shown = replace(self._shown, heard=heard.text)
        if heard.while_talking:
            return
        number = None if heard.value is None else round(heard.value)
        unsure = heard.needs_confirmation and number is None
        if (heard.rejected and not heard.doubtful) or unsure:  # a number is read back anyway
            self._say(self._naming.words.text("name_again") if unsure else "")
            return
        self._answered(heard.command, number)

    def _answered(self, command: str | None, number: int | None) -> None:
        self._naming, said = naming.step(self._naming, command, number)
        self._say(said)

    def _say(self, said: str) -> None:
        if said:
            self._voice.hush()
            self._shown = replace(self._shown, said=said)
            self._voice.say(said)

    def _publish(self) -> None:
        known = self._naming
        actions: tuple[Action, ...] = ("confirm", "no", "repeat", "finish")
        if known.asks == "order" and known.order:
            actions = (*actions, "scratch-that")
        if known.numbers:
            actions = ("cylinder", *actions)
        banks = known.banks or (tuple(range(1, known.cylinders + 1)),)
        self._board.publish(
            replace(
                self._shown,
                detail=naming.question(known),
                engine=Engine("", banks, known.arrangement) if known.cylinders else None,
                actions=actions,
                cylinders=known.numbers,
            )
        )

    def _talks(self, talking: bool) -> None:
        if self._headset:
            self._headset.talks(talking)

    def _interrupted(self) -> None:
        self._voice.interrupt()

    def _warn(self, warning: str) -> None:
        self._shown = replace(self._shown, warnings=(*self._shown.warnings, warning))

    def _open_headset(
        self, equipment: Equipment, devices: Devices, model: SpeechModel | None
    ) -> Answers | None:
        wanted = equipment.headset
        if wanted is None or model is None:
            return None
        opened: Callable[[], Source] = partial(devices.opened, wanted, wanted.channel + 1)
        try:
            return Answers(
                opened,
                self._events.put,
                channel=wanted.channel,
                model=model,
                commands=COMMANDS,
                broke_in=self._interrupted,
            )
        except EquipmentError as e:
            self._warn(self._naming.words.text("device_headset", why=e))
            return None
