"""Sound in and out at once with little delay: what a pair of headphones at a probe needs.

The callbacks copy and enqueue, nothing else; whoever takes the blocks makes of them what is to be
heard, and gives it back. In and out are two streams: the devices have clocks of their own, and one
stream for both let parts of a buffer that nobody had filled reach the headphones (decision 0155).
"""

from __future__ import annotations

import queue
from collections import deque
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from earwitness.audio.portaudio import portaudio, reason_of
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

    from earwitness.units import Samples

BLOCK_FRAMES = 128
"""Length of a block [samples]: 2.7 ms at 48 kHz. Chosen: a third of it is spent on the sound."""
SPARE = 1
"""Blocks that may always wait to be heard [1]. Chosen: the two devices call at moments of their
own."""
LOOK_EVERY = 256
"""Blocks played between two looks at how many always wait [1]: 0.7 s at 48 kHz. Chosen: longer than
the bursts in which a busy machine calls."""
MOST_WAITING = 64
"""Blocks that may wait, in and out each [1]: 0.2 s; what is more is left out and counted."""
SILENT_S = 6.0
"""A stream that delivers or takes nothing for so long has stopped, and is opened again [s]. Chosen:
three times the slowest start of a sound server that was seen, 2.0 s at a load of 5."""
LOOK_S = 0.25
"""Time between two looks at whether PortAudio has ended a stream [s]."""
MOST_RESTARTS = 2
"""Restarts in a row after which the device is taken as gone [1]."""
NAMES = ("microphone", "headphones")
"""What the two streams are to the technician, and their options."""


class Line:
    """Blocks on their way to the headphones; as few wait as the machine allows.

    A device that calls in bursts needs as many blocks in line as it takes at once. What is there
    even when the line is shortest only delays, and is left out.

    Attributes
    ----------
    left_out : int
        Blocks that came to be too old.
    """

    def __init__(self) -> None:
        self._blocks: deque[Samples] = deque()
        self._fewest, self._looks = MOST_WAITING, 0
        self.left_out = 0

    def __len__(self) -> int:
        return len(self._blocks)

    def put(self, block: Samples) -> None:
        """Put a block at the end of the line."""
        self._blocks.append(block)
        self._leave_out(len(self._blocks) - MOST_WAITING)

    def take(self) -> Samples | None:
        """Return the next block, or None if there is none."""
        self._fewest = min(self._fewest, len(self._blocks))
        self._looks += 1
        if self._looks == LOOK_EVERY:
            self._leave_out(self._fewest - 1 - SPARE)
            self._fewest, self._looks = MOST_WAITING, 0
        return self._blocks.popleft() if self._blocks else None

    def _leave_out(self, count: int) -> None:
        for _ in range(count):
            self._blocks.popleft()
            self.left_out += 1


class Duplex:
    """A stream from a microphone and one to headphones.

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
        How often a stream had stopped and both were opened again.
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
        self._captured = self._played = self._untaken = 0
        self._in: queue.SimpleQueue[Samples] = queue.SimpleQueue()
        self._out = Line()
        self._streams = self._opened()

    @property
    def device_latency_s(self) -> float:
        """What the devices' own buffers add, in and out, as PortAudio says [s]."""
        return sum(float(stream.latency) for stream in self._streams)

    def next_block(self) -> Samples:
        """Return the next captured block, shape (frames,).

        Streams that have stopped are opened again.

        Raises
        ------
        EquipmentError
            If the microphone stays silent.
        """
        for restart in range(MOST_RESTARTS + 1):
            if restart:
                self._restart()
            for _ in range(round(SILENT_S / LOOK_S)):
                with suppress(queue.Empty):
                    return self._in.get(timeout=LOOK_S)
                if self._ended():
                    break
        raise _stopped("The microphone has stopped sending sound")

    def play(self, samples: Samples) -> None:
        """Put a block in line for the headphones, shape (frames,).

        Raises
        ------
        EquipmentError
            If the headphones take nothing.
        """
        self._out.put(samples)
        self._untaken += 1
        stalls, since = divmod(self._untaken, round(SILENT_S * self.sample_rate_hz / BLOCK_FRAMES))
        if stalls > MOST_RESTARTS:
            raise _stopped("The headphones have stopped taking sound")
        if stalls and not since:
            self._restart()

    def _ended(self) -> bool:
        """Tell whether PortAudio has ended a stream, or somebody has closed it."""
        try:
            return not all(stream.active for stream in self._streams)
        except self._sd.PortAudioError as e:
            raise _stopped("The microphone is no longer listened to") from e

    def _opened(self) -> tuple[Any, Any]:
        microphone, headphones = self._devices
        how = {
            "samplerate": self.sample_rate_hz,
            "dtype": "float32",
            "latency": "low",
            "blocksize": BLOCK_FRAMES,
        }
        with ExitStack() as undo:
            with self._refusals_of(NAMES[0]):
                into = self._sd.InputStream(
                    device=microphone, channels=self._channel + 1, callback=self._on_capture, **how
                )
            undo.callback(into.close, ignore_errors=True)
            with self._refusals_of(NAMES[1]):
                out_of = self._sd.OutputStream(
                    device=headphones, channels=2, callback=self._on_play, **how
                )
            undo.pop_all()
        return into, out_of

    @contextmanager
    def _refusals_of(self, name: str) -> Iterator[None]:
        """Say in words what PortAudio says of a device."""
        try:
            yield
        except (self._sd.PortAudioError, ValueError) as e:
            raise _refusal(name, reason_of(e)) from e

    def _restart(self) -> None:
        self.restarts += 1
        self._close()
        self._out = Line()
        self._captured, self._played = self._in.qsize(), 0
        self._streams = self._opened()
        self.__enter__()

    def _close(self) -> None:
        for stream in self._streams:
            stream.close(ignore_errors=True)

    def __enter__(self) -> Self:
        with ExitStack() as undo:
            undo.callback(self._close)
            for name, stream in zip(NAMES, self._streams, strict=True):
                with self._refusals_of(name):
                    stream.start()
            undo.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._close()

    def _on_capture(self, indata: Any, *_: Any) -> None:
        if self._in.qsize() >= MOST_WAITING:
            self.lost += 1
            return
        self._in.put(indata[:, self._channel].copy())
        self._captured += 1

    def _on_play(self, outdata: Any, frames: int, *_: Any) -> None:
        self._untaken = 0
        block = self._out.take()
        if block is None:
            self.starved += 1
            outdata[:] = 0.0
            return
        outdata[:] = block[:frames, np.newaxis]
        self.delay_frames = (self._captured - self._played - self._out.left_out) * frames
        self._played += 1


def _stopped(what: str) -> EquipmentError:
    return EquipmentError(what, remedy="See that it is plugged in, and start again.")


def _refusal(name: str, reason: str) -> EquipmentError:
    return EquipmentError(
        f"The {name} cannot be used ({reason})" if reason else f"No {name} found",
        remedy=f"Plug one in, or choose with --{name}; `earwitness devices` lists what there is.",
    )
