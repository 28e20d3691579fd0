"""The tool's voice: espeak-ng where it is installed, short tones otherwise; cues in any case."""

from __future__ import annotations

import io
import shutil
import subprocess
import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.units import Samples

Mood = Literal["plain", "question", "bad"]
"""What kind of sentence it is; where there is no voice, a tone of its own stands for each."""
VoiceKind = Literal["auto", "espeak-ng", "earcons", "off"]
SPEAKER_FS = 48_000
"""Sample rate of everything that is played [Hz]."""
CUE_S = 0.12
"""Length of a cue [s]. Chosen: over before the detector's guard of 0.6 s ends, whatever the echo.
"""
CUE_HZ = {True: (440.0, 880.0), False: (880.0, 440.0)}
"""Where the cue for air on, and for air off, begins and ends [Hz]. Chosen: an octave up and an
octave down, below the 1 kHz from which hiss is looked for."""
EARCONS_HZ: dict[Mood, tuple[float, ...]] = {
    "plain": (660.0,),
    "question": (520.0, 780.0),
    "bad": (390.0, 390.0),
}
"""Tones that stand for a sentence where no voice is installed [Hz]. Chosen, no source."""
CUE_SILENCE = 0.01
"""What is below this share of the loudest sample ends a word [1]."""
CUE_PEAK = 0.5
"""Amplitude of tones [full scale]. Chosen: 6 dB below a full-scale sine."""
WORDS_PER_MINUTE = 165
"""Rate of speech [1/min]. Common practice, no source: that of a calm reader."""
CUE_WORDS_PER_MINUTE = 220
"""Rate of the words of a cue [1/min]. Chosen: "air on" then lasts 0.3 s."""
MOST_CUE_S = 0.5
"""Longest cue, words and all [s]. Chosen: with 0.1 s for its echo it is over before the detector
listens again, 0.6 s after the turn of the valve; benchmarks/spoken_cues.py."""
SPEAK_S = 10.0
"""Longest time that the synthesiser may take for a sentence [s]."""


class Speaker(Protocol):
    """What plays."""

    def play(self, samples: Samples) -> float:
        """Play at once; return when it is in the air, on the clock of `time.monotonic` [s]."""

    def stop(self) -> None:
        """Fall silent."""

    @property
    def playing(self) -> bool:
        """Whether anything is in the air."""

    def close(self) -> None:
        """Let the device go."""


def installed_voice() -> str | None:
    """Return where espeak-ng lies, or None."""
    return shutil.which("espeak-ng")


@dataclass(frozen=True, slots=True)
class Manner:
    """How the tool talks."""

    words_per_minute: int = WORDS_PER_MINUTE
    """Rate of speech [1/min]."""
    language: str = "en"
    """Voice of espeak-ng."""
    air_on: str = ""
    """What is said with the cue to open the valve, at most two short words; nothing if empty."""
    air_off: str = ""


class Voice:
    """Says one sentence after another in a thread of its own.

    Parameters
    ----------
    speaker : Speaker or None
        None where there is no loudspeaker: then everything is only shown.
    kind : str
        "auto" takes espeak-ng if it is there.
    talks : callable
        Called with True just before anything is said, and with False once the room is silent.
    now : callable, optional
        The clock that says when a cue is in the air if there is no loudspeaker [s].
    manner : Manner, optional
        How it talks.
    """

    def __init__(
        self,
        speaker: Speaker | None,
        kind: VoiceKind,
        talks: Callable[[bool], None],
        now: Callable[[], float] = time.monotonic,
        manner: Manner | None = None,
    ) -> None:
        self._now, self._manner = now, manner or Manner()
        self._speaker = speaker if kind != "off" else None
        self._speaks = kind in ("auto", "espeak-ng") and installed_voice() is not None
        self._cues = {on: cue(on=on, says=self._speaks, manner=self._manner) for on in CUE_HZ}
        self._talks = talks
        self._changed = threading.Condition()
        self._sentences: list[tuple[str, Mood]] = []
        self._talking = self._closed = self._hushed = self._cueing = False
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether anything is being said or waits to be."""
        with self._changed:
            return self._talking or bool(self._sentences)

    def say(self, text: str, mood: Mood = "plain") -> None:
        """Say a sentence after those that wait."""
        if self._speaker is None:
            return
        with self._changed:
            self._sentences.append((text, mood))
            self._changed.notify_all()

    def hush(self) -> None:
        """Stop talking and forget what waits."""
        with self._changed:
            self._sentences.clear()
            self._hushed = True
        if self._speaker is not None:
            self._speaker.stop()

    def interrupt(self) -> None:
        """Stop talking because somebody breaks in; a cue goes on to its end."""
        with self._changed:
            talking = self._talking and not self._cueing
        if talking:
            self.hush()

    def cue(self, *, on: bool) -> float:
        """Sound the signal to turn the valve; return when it is in the air [s].

        It is talk too: a headset may take its word for one of the technician's.
        """
        if self._speaker is None:
            return self._now()
        self._talks(True)
        in_the_air_s = self._speaker.play(self._cues[on])
        with self._changed:
            self._cueing = True
            self._changed.notify_all()
        return in_the_air_s

    def close(self) -> None:
        """Fall silent for good."""
        self.hush()
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join(timeout=SPEAK_S)
        if self._speaker is not None:
            self._speaker.close()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._sentences or self._cueing or self._closed)
                if self._closed:
                    return
            if self._cueing:
                self._cueing = self._hushed = False
                self._wait_for_silence()
            with self._changed:
                if not self._sentences:
                    continue
                sentence, self._talking, self._hushed = self._sentences.pop(0), True, False
            self._utter(*sentence)
            with self._changed:
                self._talking = False

    def _utter(self, sentence: str, mood: Mood) -> None:
        samples = spoken(sentence, self._manner) if self._speaks else None
        samples = tones(sentence, mood) if samples is None else samples
        if self._hushed or self._speaker is None:
            return
        self._talks(True)
        self._speaker.play(samples)
        self._wait_for_silence()

    def _wait_for_silence(self) -> None:
        while self._speaker is not None and self._speaker.playing and not self._hushed:
            time.sleep(0.02)
        self._talks(False)


def cue(*, on: bool, says: bool, manner: Manner) -> Samples:
    """Return the signal to turn the valve, shape (frames,): a tone, then perhaps the word for it.

    Words that would last longer than `MOST_CUE_S`, as they may in another language, are left out:
    they would be taken for hiss, or hide it.
    """
    tone, word = sweep(*CUE_HZ[on]), manner.air_on if on else manner.air_off
    quick = replace(manner, words_per_minute=CUE_WORDS_PER_MINUTE)
    said = spoken(word, quick) if says and word else None
    if said is None:
        return tone
    loud = np.flatnonzero(np.abs(said) > CUE_SILENCE * np.abs(said).max())
    whole = np.concatenate([tone, said[: loud[-1] + 1] if len(loud) else said[:0]])
    return whole if len(whole) <= MOST_CUE_S * SPEAKER_FS else tone


def spoken(sentence: str, manner: Manner) -> Samples | None:
    """Return a sentence as espeak-ng speaks it at `SPEAKER_FS`, shape (frames,); None if it cannot.

    The sentence goes in by the standard input, so that nothing in it is taken for an option.
    """
    import soundfile as sf
    import soxr

    program = installed_voice()
    if program is None:
        return None
    rate = str(manner.words_per_minute)
    command = [program, "--stdin", "--stdout", "-v", manner.language, "-s", rate]
    try:
        done = subprocess.run(  # noqa: S603  # a fixed program, the text by standard input
            command, input=sentence.encode(), capture_output=True, timeout=SPEAK_S, check=True
        )
        samples, fs = sf.read(io.BytesIO(done.stdout), dtype="float32")
    except (OSError, subprocess.SubprocessError, sf.LibsndfileError):
        return None
    resampled: Samples = soxr.resample(samples, fs, SPEAKER_FS).astype(np.float32)
    return resampled


def tones(sentence: str, mood: Mood) -> Samples:
    """Return the tones that stand for a sentence, shape (frames,)."""
    asks = mood == "plain" and sentence.rstrip().endswith("?")
    kind: Mood = "question" if asks else mood
    return np.concatenate([sweep(hz, hz) for hz in EARCONS_HZ[kind]])


def sweep(from_hz: float, to_hz: float) -> Samples:
    """Return a tone that glides, swelling and fading, shape (CUE_S * SPEAKER_FS,)."""
    t = np.arange(round(CUE_S * SPEAKER_FS)) / SPEAKER_FS
    phase = 2 * np.pi * (from_hz * t + (to_hz - from_hz) * t**2 / (2 * CUE_S))
    return (CUE_PEAK * np.sin(np.pi * t / CUE_S) ** 2 * np.sin(phase)).astype(np.float32)
