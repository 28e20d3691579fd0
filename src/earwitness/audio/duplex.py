"""Sound in and out at once with little delay: what a pair of headphones at a probe needs.

The stream's callback copies and enqueues, nothing else; whoever takes the blocks makes of them what
is to be heard, and gives it back.
"""

from __future__ import annotations

import queue
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from earwitness.audio.portaudio import portaudio
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from types import TracebackType

    from earwitness.units import Samples

BLOCK_FRAMES = 128
"""Length of a block [samples]: 2.7 ms at 48 kHz. Chosen: a third of it is spent on the sound."""
MOST_WAITING = 2
"""Blocks made but not yet heard [1]. Chosen: what is older is left out, so that the delay does not
grow where the machine was late."""
MOST_CAPTURED = 64
"""Blocks captured but not yet looked at [1]: 0.2 s; what is more is left out and counted."""
SILENT_S = 0.5
"""A stream that delivers nothing for so long has stopped, and is opened again [s]."""
MOST_RESTARTS = 4
"""Restarts in a row after which the device is taken as gone [1]. Chosen: a busy machine stops a
stream now and then, an unplugged microphone does not come back within two seconds."""


class Duplex:
    """One stream from a microphone and to headphones.

    Parameters
    ----------
    microphone, headphones : int, str or None
        PortAudio's number of the device, or a part of its name; the system's own choice if None.
    sample_rate_hz : int
        Sample rate of both [Hz].
    channel : int, optional
        The microphone's channel, from 1.

    Raises
    ------
    EquipmentError
        If PortAudio is missing, or the devices refuse.

    Attributes
    ----------
    lost, starved : int
        Blocks that were captured but left out, and blocks that were silent because none was ready.
    restarts : int
        How often the stream had stopped and was opened again.
    delay_frames : int
        From the capture of the first sample of the block that was played last until it was played,
        device buffers apart [samples].
    """

    def __init__(
        self,
        microphone: int | str | None,
        headphones: int | str | None,
        *,
        sample_rate_hz: int,
        channel: int = 1,
    ) -> None:
        self._sd = portaudio()
        self._devices, self._channel = (microphone, headphones), channel - 1
        self.sample_rate_hz = sample_rate_hz
        self.restarts = 0
        self.lost = self.starved = self.delay_frames = 0
        self._captured = self._taken = 0
        self._in: queue.SimpleQueue[Samples] = queue.SimpleQueue()
        self._out: queue.SimpleQueue[Samples] = queue.SimpleQueue()
        self._stream = self._opened()

    @property
    def device_latency_s(self) -> float:
        """What the devices' own buffers add, in and out, as PortAudio says [s]."""
        into, out_of = self._stream.latency
        return float(into) + float(out_of)

    def next_block(self) -> Samples:
        """Return the next captured block, shape (frames,).

        A stream that has stopped is opened again.

        Raises
        ------
        EquipmentError
            If the device stays silent.
        """
        for _ in range(MOST_RESTARTS):
            try:
                return self._in.get(timeout=SILENT_S)
            except queue.Empty:
                self._restart()
        raise EquipmentError(
            "The microphone has stopped sending sound", remedy="Plug it in and start again."
        )

    def play(self, samples: Samples) -> None:
        """Put a block in line for the headphones, shape (frames,)."""
        self._out.put(samples)

    def _opened(self) -> Any:
        try:
            return self._sd.Stream(
                device=self._devices,
                samplerate=self.sample_rate_hz,
                channels=(self._channel + 1, 2),
                dtype="float32",
                latency="low",
                blocksize=BLOCK_FRAMES,
                callback=self._on_audio,
            )
        except (self._sd.PortAudioError, ValueError) as e:
            raise _refusal(e) from e

    def _restart(self) -> None:
        self.restarts += 1
        self._stream.close(ignore_errors=True)
        self._stream = self._opened()
        self.__enter__()

    def __enter__(self) -> Self:
        try:
            self._stream.start()
        except self._sd.PortAudioError as e:
            raise _refusal(e) from e
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._stream.close(ignore_errors=True)

    def _on_audio(self, indata: Any, outdata: Any, frames: int, *_: Any) -> None:
        if self._in.qsize() < MOST_CAPTURED:
            self._in.put(indata[:, self._channel].copy())
            self._captured += 1
        else:
            self.lost += 1
        while self._out.qsize() > MOST_WAITING:
            self._out.get_nowait()
            self._taken += 1
        if self._out.empty():
            self.starved += 1
            outdata[:] = 0.0
        else:
            outdata[:] = self._out.get_nowait()[:frames, np.newaxis]
            self.delay_frames = (self._captured - self._taken) * frames
            self._taken += 1


def _refusal(error: Exception) -> EquipmentError:
    reason = str(error.args[0]) if error.args else type(error).__name__
    return EquipmentError(
        f"Microphone and headphones cannot be used together ({reason.rstrip('.')})",
        remedy="Choose others with --microphone and --headphones; `earwitness devices` lists them.",
    )
