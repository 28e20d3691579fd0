"""Let a simulated technician dictate gauge readings in the noise of the shop.

The voice is a set of dry clips in `voice/`, one a phrase; they are placed on a time line with
pauses in which the tool would read back, mixed with shop noise and coloured by a headset.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from earwitness.audio.recording import read_recording
from earwitness.simulate.passage import SOUND_SPEED_M_S
from earwitness.simulate.shop_events import add_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats

VOICE_FOLDER = Path(__file__).parent / "voice"
"""Where the dry clips lie."""
VOICE_DBFS = -24.0
"""Level of the voice over its loud parts relative to full scale [dB].

Chosen: speech peaks some 15 dB above that, which leaves headroom for a blow nearby.
"""
HEADSET_HZ = (120.0, 7000.0)
"""Lower and upper corner of the headset's microphone [Hz]. Common practice, no source."""
MOUTH_M = 0.025
"""Distance from the lips to the headset's microphone [m]. Common practice, no source."""
LEAD_IN_S = 1.0
"""Shop noise before the first word [s]. Chosen: lets a recogniser settle."""


@dataclass(frozen=True, slots=True)
class Utterance:
    """One phrase on the time line."""

    phrase: str
    begin_s: float
    """When it begins [s]."""


def clip_name(phrase: str) -> str:
    """Name the clip of a phrase.

    Examples
    --------
    >>> clip_name("leakage nine percent")
    'leakage-nine-percent.flac'
    """
    return phrase.replace(" ", "-") + ".flac"


def load_clip(phrase: str, fs: int) -> Floats:
    """Load the dry clip of a phrase with unit power over its loud parts.

    Parameters
    ----------
    phrase : str
        What is said.
    fs : int
        Sample rate to convert it to [Hz].

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].

    Raises
    ------
    AudioFileError
        If there is no such clip.
    """
    recording = read_recording(VOICE_FOLDER / clip_name(phrase))
    common = gcd(fs, recording.sample_rate_hz)
    up, down = fs // common, recording.sample_rate_hz // common
    clip = signal.resample_poly(recording.mono().astype(np.float64), up, down)
    scaled: Floats = clip / loud_rms(clip, fs)
    return scaled


def loud_rms(speech: Floats, fs: int) -> float:
    """Root mean square over the 20 ms pieces that are within 30 dB of the loudest.

    Parameters
    ----------
    speech : ndarray, shape (frames,)
        Samples, at least 20 ms of them [1].
    fs : int
        Sample rate [Hz].
    """
    piece = fs // 50
    power = np.mean(speech[: len(speech) // piece * piece].reshape(-1, piece) ** 2, axis=1)
    return float(np.sqrt(np.mean(power[power > 1e-3 * power.max()])))


def time_line(phrases: Sequence[str], fs: int, pause_s: float) -> tuple[list[Utterance], float]:
    """Put phrases one after another.

    Parameters
    ----------
    phrases : sequence of str
        What is said, in order.
    fs : int
        Sample rate [Hz].
    pause_s : float
        Pause after each phrase [s].

    Returns
    -------
    utterances : list of Utterance
        When each begins.
    seconds : float
        Length of the whole, last pause included [s].
    """
    utterances, at = [], LEAD_IN_S
    for phrase in phrases:
        utterances.append(Utterance(phrase, round(at, 3)))
        at += len(load_clip(phrase, fs)) / fs + pause_s
    return utterances, round(at, 3)


def render_dictation(
    utterances: Sequence[Utterance], shop: Floats, fs: int, snr_db: float
) -> Floats:
    """Mix a voice into shop noise, as a headset hears both.

    Parameters
    ----------
    utterances : sequence of Utterance
        What is said, and when.
    shop : ndarray, shape (frames,)
        Shop noise of any level, the length of the whole [1].
    fs : int
        Sample rate [Hz].
    snr_db : float
        Voice over its loud parts re the median power of 20 ms of shop noise, both as they are
        in the finished recording [dB].

    Returns
    -------
    ndarray, shape (frames,)
        Samples relative to full scale [1].
    """
    voice = np.zeros(len(shop))
    for utterance in utterances:
        add_at(voice, load_clip(utterance.phrase, fs), round(utterance.begin_s * fs))
    heard_voice, heard_shop = headset(voice, fs), headset(close_talk(shop, fs), fs)
    noise_gain = 10 ** (-snr_db / 20) / np.sqrt(_median_power(heard_shop, fs))
    level = 10 ** (VOICE_DBFS / 20) / loud_rms(heard_voice, fs)
    mixed: Floats = level * (heard_voice + loud_rms(heard_voice, fs) * noise_gain * heard_shop)
    return mixed


def headset(sound: Floats, fs: int) -> Floats:
    """Colour a sound as the microphone of a headset does, shape (frames,) [1]."""
    corners = [HEADSET_HZ[0], min(HEADSET_HZ[1], 0.45 * fs)]
    band = signal.butter(1, corners, "bandpass", fs=fs, output="sos")
    coloured: Floats = signal.sosfilt(band, sound)
    return coloured


def close_talk(far: Floats, fs: int) -> Floats:
    """Weaken sound from far off as a pressure-gradient microphone at the lips does.

    A gradient microphone hears a source at the distance r louder than one far off by
    sqrt(1 + 1 / (k r)^2), with k = 2 pi f / c: a first-order high-pass at f = c / (2 pi r) for
    all that is not the voice. At 25 mm that is 2.2 kHz.

    Parameters
    ----------
    far : ndarray, shape (frames,)
        Sound from far off [1].
    fs : int
        Sample rate [Hz].

    Returns
    -------
    ndarray, shape (frames,)
        The same sound re a voice at the lips [1].

    References
    ----------
    Gradient of a spherical wave, any textbook of acoustics (proximity effect); from memory.
    """
    corner = SOUND_SPEED_M_S / (2 * np.pi * MOUTH_M)
    high = signal.butter(1, corner, "highpass", fs=fs, output="sos")
    weakened: Floats = signal.sosfilt(high, far)
    return weakened


def _median_power(noise: Floats, fs: int) -> float:
    piece = fs // 50
    pieces = noise[: len(noise) // piece * piece].reshape(-1, piece)
    return float(np.median(np.mean(pieces**2, axis=1)))
