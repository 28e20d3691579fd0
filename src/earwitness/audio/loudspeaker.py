"""Play short sounds, and say when they are in the air."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.audio.portaudio import portaudio, reason_of
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from earwitness.units import Samples

LATENCY_S = 0.05
"""Sound that PortAudio may hold [s]. Chosen: a cue is soon in the air, and a busy machine does not
break it up."""


class Loudspeaker:
    """One output that is kept open, so that a sound starts at once.

    Parameters
    ----------
    device : int, str or None
        PortAudio's number of the device, or a part of its name; the system's own choice if None.
    sample_rate_hz : int, optional
        Sample rate of everything that is played [Hz].

    Raises
    ------
    EquipmentError
        If there is no such device, or it refuses.
    """

    def __init__(self, device: int | str | None, *, sample_rate_hz: int = 48_000) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._lock = threading.Lock()
        self._left: Samples = np.zeros(0, dtype=np.float32)
        self._ended_s = time.monotonic()
        sd = portaudio()
        try:
            self._stream = sd.OutputStream(
                device=device,
                samplerate=sample_rate_hz,
                channels=1,
                dtype="float32",
                latency=LATENCY_S,
                callback=self._on_audio,
            )
            self._stream.start()
        except (sd.PortAudioError, ValueError) as e:
            reason = reason_of(e)
            raise EquipmentError(
                f"The loudspeaker cannot be used ({reason})"
                if reason
                else "No loudspeaker was found",
                remedy="Plug one in, or name another one as `speaker` in the settings.",
            ) from e
        self._latency_s = float(self._stream.latency)

    def play(self, samples: Samples) -> float:
        """Play a sound in the place of what is being played.

        Parameters
        ----------
        samples : ndarray, shape (frames,)
            Relative to full scale [1].

        Returns
        -------
        float
            When it begins to be in the air, on the clock of `time.monotonic` [s].
        """
        with self._lock:
            self._left = samples
            begins_s = time.monotonic() + self._latency_s
            self._ended_s = begins_s + len(samples) / self.sample_rate_hz
        return begins_s

    def stop(self) -> None:
        """Fall silent."""
        with self._lock:
            self._left = self._left[:0]
            self._ended_s = min(self._ended_s, time.monotonic() + self._latency_s)

    @property
    def playing(self) -> bool:
        """Whether anything is still in the air."""
        return time.monotonic() < self._ended_s

    def close(self) -> None:
        """Let the device go; may be called twice."""
        self._stream.close(ignore_errors=True)

    def _on_audio(self, outdata: Any, frames: int, *_: Any) -> None:
        with self._lock:
            now, self._left = self._left[:frames], self._left[frames:]
        outdata[: len(now), 0] = now
        outdata[len(now) :] = 0.0
