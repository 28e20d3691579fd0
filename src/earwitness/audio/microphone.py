"""The microphones this machine has, as PortAudio sees them, and sound from one of them.

The stream's callback copies, stamps and enqueues, nothing else: whatever takes time is done by
whoever takes the blocks out of the queue.
"""

from __future__ import annotations

import queue
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

from earwitness.audio.portaudio import portaudio, reason_of
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from types import TracebackType

    import numpy as np
    from numpy.typing import NDArray

BLOCK_S = 0.02
"""Length of a block [s]. Chosen: a prompt is placed to within its own length, and fifty a second
cost little."""
LATENCY_S = 0.5
"""Sound that PortAudio may hold before it is lost [s]. Chosen: what a busy machine may be late;
with 0.2 s sound was lost at a load of 7 on two cores, benchmarks/live_soak.py."""
MOST_BLOCKS = round(60 / BLOCK_S)
"""Blocks that wait in the queue at most [1]: one minute. Chosen: longer than any disk hesitates;
what comes on top is counted as lost instead of filling the memory."""
MOST_AGE_S = 2.0
"""A block cannot be older than this when it comes [s]. Chosen: four times `LATENCY_S`."""
SILENT_S = 4.0
"""A stream that delivers nothing for so long has lost its device [s]. Chosen: twice the slowest
start that was seen, 1.6 s."""
SETTLED_S = 2.0
"""Moments of blocks are not compared before this much sound has come [s]. Chosen: they were seen to
be wrong by 0.4 s at the start of a stream."""
LOST_S = 0.25
"""A block that is later than the ones before by more than this follows lost sound [s]. Chosen:
moments of blocks were seen to scatter by 0.1 s."""
GAP_S = 0.6
"""One that is later still is from a device that was gone [s], and the sound system may have put
another in its place. Chosen: a system did so in 0.5 to 1.7 s."""
DRIFT = 2e-4
"""How much faster than the clock a device may lag without having lost sound [1]. Chosen: twice the
100 ppm of a poor crystal."""


@dataclass(frozen=True, slots=True)
class InputDevice:
    """One device that can record."""

    index: int
    """PortAudio device number."""
    name: str
    host: str
    """Host interface, for example ALSA or Core Audio."""
    channels: int
    default_rate_hz: float
    is_default: bool


@dataclass(frozen=True, slots=True)
class AudioSystem:
    """The sound system and its inputs: what a bug report must carry."""

    library: str
    """Version text of the PortAudio library in use."""
    inputs: tuple[InputDevice, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Sound as it came from one device."""

    samples: NDArray[np.float32]
    """Shape (frames, channels), relative to full scale [1]."""
    first_frame: int
    """Number of its first sample since the stream began, lost ones not counted [1]."""
    captured_s: float
    """When its first sample was in the air, on the clock of `time.monotonic` [s]."""
    overflow: bool = False
    """Sound was lost just before it."""
    gap_s: float = 0.0
    """Time without sound before it, as far as the sound system tells it [s]."""

    def frame_at(self, moment_s: float, sample_rate_hz: int) -> int:
        """Return the number of the sample that is in the air at a moment near this block."""
        return self.first_frame + round((moment_s - self.captured_s) * sample_rate_hz)


class Microphone:
    """Records from one device into a queue, from `start` until `close`.

    Parameters
    ----------
    device : int, str or None
        PortAudio's number of the device, or a part of its name; the system's own choice if None.
    sample_rate_hz : int
        Sample rate [Hz].
    channels : int, optional
        How many channels are recorded, from the first on.
    latency_s : float, optional
        Sound that PortAudio may hold [s].

    Raises
    ------
    EquipmentError
        If there is no such device, or it refuses the rate or the channels, or another program has
        it for itself.

    Attributes
    ----------
    lost : int
        How often sound was lost, by the device or because nobody emptied the queue [1].
    """

    def __init__(
        self,
        device: int | str | None,
        *,
        sample_rate_hz: int,
        channels: int = 1,
        latency_s: float = LATENCY_S,
    ) -> None:
        self._sd = portaudio()
        self.device, self.sample_rate_hz, self.channels = device, sample_rate_hz, channels
        self.lost = 0
        self._frames = 0
        self._begun_s = 0.0
        self._overflow = False
        self._blocks: queue.SimpleQueue[Block] = queue.SimpleQueue()
        self._heard_s = time.monotonic()
        try:
            self._stream = self._sd.InputStream(
                device=device,
                samplerate=sample_rate_hz,
                channels=channels,
                dtype="float32",
                latency=latency_s,
                blocksize=round(BLOCK_S * sample_rate_hz),
                callback=self._on_audio,
            )
            self._latency_s = float(self._stream.latency)
        except (self._sd.PortAudioError, ValueError) as e:
            raise refusal(device, sample_rate_hz, channels, e) from e

    def start(self) -> None:
        """Begin to record; raises EquipmentError if the device refuses."""
        self._heard_s = time.monotonic()
        try:
            self._stream.start()
        except self._sd.PortAudioError as e:
            raise refusal(self.device, self.sample_rate_hz, self.channels, e) from e

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the next block, or None if none came in time.

        Raises
        ------
        EquipmentError
            If the device has fallen silent: it was unplugged, or its driver has stopped.
        """
        try:
            block = self._blocks.get(timeout=timeout_s)
        except queue.Empty:
            if time.monotonic() - self._heard_s > SILENT_S:
                raise EquipmentError(
                    f"The microphone {_name(self.device)} has stopped sending sound",
                    remedy="Plug it in again, then go on.",
                ) from None
            return None
        self._heard_s = time.monotonic()
        if block.gap_s > GAP_S:
            raise EquipmentError(
                f"The microphone {_name(self.device)} was gone for {block.gap_s:.1f} s, and the "
                "sound system may have put another in its place",
                remedy="Plug it in again, then go on.",
            )
        return block

    @property
    def waiting(self) -> int:
        """Blocks in the queue [1]."""
        return self._blocks.qsize()

    def close(self) -> None:
        """Stop recording and let the device go; may be called twice."""
        self._stream.close(ignore_errors=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _on_audio(self, indata: Any, frames: int, times: Any, status: Any) -> None:
        age_s = times.currentTime - times.inputBufferAdcTime
        if not abs(age_s) < MOST_AGE_S:  # some drivers do not tell
            age_s = self._latency_s + frames / self.sample_rate_hz
        captured_s = time.monotonic() - age_s
        gap_s = self._late_s(captured_s, frames)
        lost = bool(status.input_overflow) or gap_s > LOST_S
        self.lost += lost
        if self._blocks.qsize() >= MOST_BLOCKS:
            self.lost, self._overflow = self.lost + 1, True
            return
        lost, self._overflow = lost or self._overflow, False
        self._blocks.put(Block(indata.copy(), self._frames, captured_s, lost, max(0.0, gap_s)))
        self._frames += frames

    def _late_s(self, captured_s: float, frames: int) -> float:
        """Return by how much a block is later than those before promised [s]."""
        begun_s = captured_s - self._frames / self.sample_rate_hz
        late_s = begun_s - self._begun_s
        settled = self._frames >= SETTLED_S * self.sample_rate_hz
        if not settled or late_s < 0 or late_s > LOST_S:
            self._begun_s = begun_s
        else:
            self._begun_s += min(late_s, DRIFT * frames / self.sample_rate_hz)
        return late_s if settled else 0.0


def audio_system() -> AudioSystem:
    """List every device that can record.

    Raises
    ------
    EquipmentError
        If the PortAudio library is missing or cannot list its devices.
    """
    sd = portaudio()
    try:
        return AudioSystem(sd.get_portaudio_version()[1], tuple(_inputs(sd)))
    except sd.PortAudioError as e:
        raise EquipmentError(f"PortAudio could not list its devices ({e})") from e


def _inputs(sd) -> list[InputDevice]:  # type: ignore[no-untyped-def]  # sounddevice has no types
    hosts = sd.query_hostapis()
    default_index = sd.default.device[0]
    return [
        InputDevice(
            index=i,
            name=str(d["name"]),
            host=str(hosts[d["hostapi"]]["name"]),
            channels=int(d["max_input_channels"]),
            default_rate_hz=float(d["default_samplerate"]),
            is_default=i == default_index,
        )
        for i, d in enumerate(sd.query_devices())
        if d["max_input_channels"] > 0
    ]


def _name(device: int | str | None) -> str:
    return "of the system's choice" if device is None else repr(device)


def refusal(
    device: int | str | None, rate_hz: int, channels: int, error: Exception
) -> EquipmentError:
    """Say why a device cannot be opened, and what to do about it."""
    reason = reason_of(error)
    if not reason:
        return EquipmentError("No microphone was found")
    remedies = {
        "Invalid sample rate": "Set a sample rate that it has in the settings.",
        "Invalid number of channels": "Set a channel that it has in the settings.",
        "Device unavailable": "Close the other program that uses it, or choose another device.",
        "No input device": "Plug it in, and see `earwitness devices` for what there is.",
    }
    remedy = next((r for key, r in remedies.items() if key.lower() in reason.lower()), None)
    return EquipmentError(
        f"The microphone {_name(device)} cannot record {channels} channels at {rate_hz} Hz"
        f" ({reason})",
        remedy=remedy,
    )
