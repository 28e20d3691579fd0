"""Listen with help: from a recording into a recording, or from the probe to the headphones."""

from __future__ import annotations

import queue
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from earwitness.acoustics.assist.chain import Chain, Choice, Meter
from earwitness.acoustics.settings import DEFAULTS
from earwitness.audio.broadcast_wav import Bext, coding_history, write_broadcast_wav
from earwitness.audio.duplex import BLOCK_FRAMES, Duplex
from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError, EquipmentError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from earwitness.units import Samples

Order = Literal["mute", "air", "moved", "stop"]
"""What may be asked while listening: silence or sound, the air was turned, the probe was moved."""
TELL_EVERY_S = 0.1
"""Time between two looks at the meter [s]."""


@dataclass(frozen=True, slots=True)
class Listened:
    """What came of listening to a recording."""

    out: Path
    sample_rate_hz: int
    seconds: float
    meter: Meter
    """At its end."""


def listen_to_file(
    source: Path, out: Path, choice: Choice, air_on_s: Sequence[tuple[float, float]]
) -> Listened:
    """Write what would have been heard on the headphones while a recording was made.

    Parameters
    ----------
    source, out : Path
        The recording, and a new WAV file.
    choice : Choice
        What to make audible, and how.
    air_on_s : sequence of (float, float)
        When the air was on [s]; the baseline grows in between. Empty: nothing is learnt.

    Raises
    ------
    AudioFileError
        If the recording cannot be read or its sample rate is too low, or the new file exists.
    """
    recording = read_recording(source)
    fs, samples = recording.sample_rate_hz, recording.mono()
    try:
        chain = Chain(fs, choice)
    except ValueError as e:
        raise AudioFileError(
            f"{source.name}: {e}", remedy="Record at 44.1 kHz or more, or listen to the lower band."
        ) from e
    chain.muted = False
    heard = np.empty(len(samples), dtype=np.float32)
    for first in range(0, len(samples), BLOCK_FRAMES):
        chain.learning = bool(air_on_s) and not _is_on(first / fs, air_on_s)
        part = slice(first, first + BLOCK_FRAMES)
        heard[part] = chain.feed(samples[part].astype(np.float64))
    history = coding_history(fs, "FLOAT", 1, "derived: assisted listening")
    note = Bext(description=f"Assisted listening, {choice.mode}", coding_history=history)
    write_broadcast_wav(out, heard, fs, subtype="FLOAT", bext=note)
    return Listened(out, fs, len(samples) / fs, chain.meter)


class Monitor:
    """Listening at the probe; starts muted, with the air off.

    Parameters
    ----------
    chain : Chain
        What makes the sound audible.
    duplex : Duplex
        Where it comes from and goes to.
    """

    def __init__(self, chain: Chain, duplex: Duplex) -> None:
        self._chain, self._duplex = chain, duplex
        self.orders: queue.SimpleQueue[Order] = queue.SimpleQueue()
        """What is asked; any thread may put something in."""
        chain.learning = True

    @property
    def air_on(self) -> bool:
        """Whether the air is taken to be on."""
        return not self._chain.learning

    @property
    def muted(self) -> bool:
        """Whether the headphones are silent."""
        return self._chain.muted

    def run(
        self, tell: Callable[[Meter], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Listen until `stop` is asked.

        Parameters
        ----------
        tell : callable
            Shows the meter, ten times a second at most.
        clock : callable
            Monotonic time [s].

        Raises
        ------
        EquipmentError
            If the microphone falls silent.
        """
        told_s = clock()
        while self._obey():
            self._duplex.play(self._step(self._duplex.next_block()))
            if clock() - told_s >= TELL_EVERY_S:
                told_s = clock()
                tell(self._chain.meter)

    def _step(self, block: Samples) -> Samples:
        return self._chain.feed(block.astype(np.float64)).astype(np.float32)

    def _obey(self) -> bool:
        """Carry out what was asked; False for the end."""
        while not self.orders.empty():
            order = self.orders.get()
            if order == "mute":
                self._chain.muted = not self._chain.muted
            elif order == "air":
                self._chain.learning = not self._chain.learning
            elif order == "moved":
                self._chain.forget()
                self._chain.learning = True
            else:
                return False
        return True


def monitor(
    choice: Choice,
    *,
    microphone: int | str | None,
    headphones: int | str | None,
    sample_rate_hz: int,
) -> tuple[Monitor, Duplex]:
    """Return a monitor and its stream, which is a context manager.

    Raises
    ------
    EquipmentError
        If the devices refuse, or the sample rate is too low for the band.
    """
    try:
        chain = Chain(sample_rate_hz, choice)
    except ValueError as e:
        raise EquipmentError(f"{e}", remedy="Set a sample rate of 44100 Hz or more.") from e
    duplex = Duplex(microphone, headphones, sample_rate_hz=sample_rate_hz)
    return Monitor(chain, duplex), duplex


def _is_on(moment_s: float, air_on_s: Sequence[tuple[float, float]]) -> bool:
    """Tell whether the air is on, or its last hiss not yet gone."""
    return any(start <= moment_s < end + DEFAULTS.guard_after_s for start, end in air_on_s)
