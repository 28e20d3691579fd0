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
from earwitness.session.equipment.voice import WORDS_PER_MINUTE, Manner, Voice

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from earwitness.session.equipment.sound import Source
    from earwitness.session.equipment.voice import Speaker, VoiceKind
    from earwitness.session.messages.catalogue import Catalogue
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
    words_per_minute: int = WORDS_PER_MINUTE
    """Speed of the voice [1/min]."""
    says_air: bool = True
    """The voice says "air on" and "air off" behind the tones."""


@dataclass(frozen=True, slots=True)
class Devices:
    """How the machine's devices are opened, and the clock that their sound is stamped by."""

    opened: Callable[[Input, int], Source]
    """Opens a microphone with so many channels; raises EquipmentError."""
    speaker: Callable[[int | str | None], Speaker]
    """Opens the loudspeaker; raises EquipmentError."""
    now: Callable[[], float] = time.monotonic
    """The clock [s]."""


def manner_of(equipment: Equipment, words: Catalogue) -> Manner:
    """Return how the tool talks in a language, as it is set."""
    air = [words.text(f"cue_{to}") if equipment.says_air else "" for to in ("on", "off")]
    return Manner(equipment.words_per_minute, words.language, *air)


def speaker_of(
    equipment: Equipment, devices: Devices, words: Catalogue, warn: Callable[[str], None]
) -> Speaker | None:
    """Open the loudspeaker; without one, if it is wanted, warn and return None."""
    if equipment.voice == "off":
        return None
    try:
        return devices.speaker(equipment.speaker)
    except EquipmentError as e:
        warn(words.text("device_speaker", why=e))
        return None


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
    words : Catalogue
        The language.

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
        words: Catalogue,
    ) -> None:
        self.warnings: list[str] = []
        self.guess = ""
        self._devices, self._post, self._model = devices, post, model
        self._words = words
        shared = self._open_probe(equipment)
        self.meters = Meters(self.probe.sample_rate_hz)
        self.headset = self._open_headset(equipment.headset, shared)
        speaker = speaker_of(equipment, devices, words, self.warnings.append)
        self.voice = Voice(
            speaker, equipment.voice, self._talks, devices.now, manner_of(equipment, words)
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
            self.warnings.append(self._words.text("device_rate", wanted=wanted, got=got))
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
                broke_in=self._interrupted,
                guess=self._guessed,
                now=self._devices.now,
            )
        except EquipmentError as e:
            self.warnings.append(self._words.text("device_headset", why=e))
            return None

    def _talks(self, talking: bool) -> None:
        if self.headset:
            self.headset.talks(talking)

    def _interrupted(self) -> None:
        self.voice.interrupt()

    def _metered(self, samples: NDArray[np.float32]) -> None:
        self.meters.feed(samples)

    def _guessed(self, guess: str) -> None:
        self.guess = guess
