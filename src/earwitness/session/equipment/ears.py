"""The equipment of a live inspection: two microphones, a loudspeaker, and what they show."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from earwitness.errors import EquipmentError
from earwitness.session.equipment.headset import Headset
from earwitness.session.equipment.meters import Meters
from earwitness.session.equipment.probe import Probe
from earwitness.session.equipment.shared import Shared
from earwitness.session.equipment.voice import Voice

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from earwitness.session.equipment.sound import Source
    from earwitness.session.equipment.voice import Speaker, VoiceKind
    from earwitness.speech.recogniser import SpeechModel


@dataclass(frozen=True, slots=True)
class Input:
    """One microphone: a device, and which of its channels."""

    device: int | str | None = None
    """PortAudio's number, or a part of its name; the system's choice if None."""
    channel: int = 0
    """0 is the first [1]."""
    sample_rate_hz: int = 48_000


@dataclass(frozen=True, slots=True)
class Equipment:
    """What the inspection is made with."""

    probe: Input = Input()
    headset: Input | None = None
    """None: readings are typed or pressed."""
    ambient_channel: int | None = None
    """Channel of the probe's device with an ambient microphone, 0 is the first [1]."""
    speaker: int | str | None = None
    voice: VoiceKind = "auto"


@dataclass(frozen=True, slots=True)
class Devices:
    """How the machine's devices are opened, and the clock that their sound is stamped by."""

    opened: Callable[[Input, int], Source]
    """Opens a microphone with so many channels; raises EquipmentError."""
    speaker: Callable[[int | str | None], Speaker]
    """Opens the loudspeaker; raises EquipmentError."""
    now: Callable[[], float] = time.monotonic
    """The clock [s]."""


class Ears:
    """Everything that hears and speaks; only the probe must be there.

    Parameters
    ----------
    equipment : Equipment
        What is wanted.
    devices : Devices
        Opens it.
    post : callable
        Takes what the microphones tell; see `sound`.
    model : SpeechModel or None
        Recognises speech; there is no headset without it.

    Raises
    ------
    EquipmentError
        If the probe cannot be opened.

    Attributes
    ----------
    warnings : list of str
        What is not as wanted, in plain sentences.
    guess : str
        The best guess so far at what is being said.
    """

    def __init__(
        self,
        equipment: Equipment,
        devices: Devices,
        *,
        post: Callable[[object], None],
        model: SpeechModel | None,
    ) -> None:
        self.warnings: list[str] = []
        self.guess = ""
        self._devices, self._post, self._model = devices, post, model
        shared = self._open_probe(equipment)
        self.meters = Meters(self.probe.sample_rate_hz)
        self.headset = self._open_headset(equipment.headset, shared)
        self.voice = Voice(
            self._open_speaker(equipment), equipment.voice, self._talks, self._devices.now
        )

    def start(self) -> None:
        """Begin to listen."""
        self.probe.start()
        if self.headset:
            self.headset.start()

    def stop(self) -> None:
        """Fall silent, close what is being recorded, and let the devices go."""
        self.voice.close()
        self.probe.stop()
        if self.headset:
            self.headset.stop()

    def _open_probe(self, equipment: Equipment) -> Shared | None:
        """Open the probe; return its device if the headset is on it too."""
        probe, headset = equipment.probe, equipment.headset
        ambient = equipment.ambient_channel
        channels = (probe.channel, *(() if ambient is None else (ambient,)))
        together = headset is not None and self._model is not None
        together = together and headset is not None and headset.device == probe.device
        spoken = (headset.channel,) if headset is not None and together else ()
        opened: Callable[[], Source] = partial(
            self._devices.opened, probe, max(*channels, *spoken, probe.channel) + 1
        )
        shared = Shared(opened) if together else None
        if shared:
            opened = shared.tap
        self.probe = Probe(
            opened, self._post, channels=channels, show=self._metered, now=self._devices.now
        )
        wanted, got = probe.sample_rate_hz, self.probe.sample_rate_hz
        if wanted != got:
            self.warnings.append(f"The probe refused {wanted} Hz and records at {got} Hz.")
        return shared

    def _open_headset(self, wanted: Input | None, shared: Shared | None) -> Headset | None:
        if wanted is None or self._model is None:
            return None
        opened: Callable[[], Source] = partial(self._devices.opened, wanted, wanted.channel + 1)
        if shared:
            opened = shared.tap
        try:
            return Headset(
                opened,
                self._post,
                channel=wanted.channel,
                model=self._model,
                guess=self._guessed,
            )
        except EquipmentError as e:
            self.warnings.append(f"{e} Until then readings are typed or pressed.")
            return None

    def _open_speaker(self, equipment: Equipment) -> Speaker | None:
        if equipment.voice == "off":
            return None
        try:
            return self._devices.speaker(equipment.speaker)
        except EquipmentError as e:
            self.warnings.append(f"{e} Until then everything is shown, nothing is said.")
            return None

    def _talks(self, talking: bool) -> None:
        if self.headset:
            self.headset.talks(talking)

    def _metered(self, samples: NDArray[np.float32]) -> None:
        self.meters.feed(samples)

    def _guessed(self, guess: str) -> None:
        self.guess = guess
