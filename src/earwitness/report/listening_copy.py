"""A short, loud enough, small copy of a take, so that anyone can hear it from the page.

The copy is derived: cut, resampled, amplified and compressed. The evidence is the original.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.audio.recording import Recording
    from earwitness.units import Samples

COPY_RATE_HZ = 32_000
"""Sample rate of every copy [Hz]: carries the band up to 16 kHz in which findings are reached, and
is a rate that every browser plays."""
LONGEST_S = 10.0
"""Longest copy [s]. Chosen: one whole on and off of the air; forty takes then fit one page."""
LEAD_IN_S = 2.0
"""Sound before the air first comes on [s]. Chosen: enough to hear the floor."""
GAP_S = 0.4
"""Silence between the two recordings of a pair [s]."""
PEAK = 0.5
"""Where the loud end of the take is brought to [full scale]. Chosen: 6 dB of headroom."""
LOUD_END = 0.999
"""Share of the samples that stay below `PEAK` [1]: a single knock must not keep a take quiet."""
MAX_GAIN_DB = 60.0
"""Most a copy is amplified [dB]. Chosen: brings the noise of a quiet room to a normal level."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the copy with the air on or off."""

    start_s: float
    end_s: float
    air_on: bool


@dataclass(frozen=True, slots=True)
class ListeningCopy:
    """What the page plays."""

    mp3: bytes
    seconds: float
    gain_db: float
    """How much louder than the original [dB]."""
    stretches: tuple[Stretch, ...]
    cut_from_s: float
    """Where in the original the copy begins [s]."""


def copy_of_cycled(
    take: Recording,
    air_on_s: Sequence[tuple[float, float]],
    *,
    originals: Sequence[str] = (),
    longest_s: float = LONGEST_S,
    encode: bool = True,
) -> ListeningCopy:
    """Make a copy of an air-cycled take that begins shortly before the air first comes on.

    Parameters
    ----------
    take : Recording
        The take; its first channel is the probe.
    air_on_s : sequence of (float, float)
        When the air was on [s].
    originals : sequence of str
        SHA-256 of the recordings it is made from, for its tag.
    longest_s : float
        Longest copy [s].
    encode : bool
        Whether there is to be any MP3, or only what is said of it.
    """
    start_s = max(0.0, air_on_s[0][0] - LEAD_IN_S) if air_on_s else 0.0
    start_s = 0.0 if start_s >= take.seconds else start_s
    cut = _cut(take, start_s, longest_s)
    seconds = len(cut) / COPY_RATE_HZ
    parts = _stretches(air_on_s, start_s, seconds)
    return _copy(cut, parts, start_s, originals, encode=encode)


def copy_of_pair(
    baseline: Recording,
    pressurised: Recording,
    *,
    originals: Sequence[str] = (),
    longest_s: float = LONGEST_S,
    encode: bool = True,
) -> ListeningCopy:
    """Make a copy of a pair: the baseline, a short silence, then the recording under pressure.

    Arguments as `copy_of_cycled`.
    """
    half_s = (longest_s - GAP_S) / 2
    off, on = (_cut(recording, 0.0, half_s) for recording in (baseline, pressurised))
    gap = np.zeros(round(GAP_S * COPY_RATE_HZ), dtype=np.float32)
    off_s, on_from_s = len(off) / COPY_RATE_HZ, (len(off) + len(gap)) / COPY_RATE_HZ
    end_s = on_from_s + len(on) / COPY_RATE_HZ
    parts = (Stretch(0.0, off_s, False), Stretch(on_from_s, end_s, True))
    return _copy(np.concatenate([off, gap, on]), parts, 0.0, originals, encode=encode)


def comment_of(originals: Sequence[str]) -> str:
    """Say inside the copy that it is one, and of what: in ASCII, which every reader of tags has.

    Examples
    --------
    >>> comment_of(["ab12"])
    'Derived, not evidence: cut, made louder and compressed for listening, from SHA-256 ab12'
    """
    source = f", from SHA-256 {' and '.join(originals)}" if originals else ""
    return f"Derived, not evidence: cut, made louder and compressed for listening{source}"


def _copy(
    sound: Samples,
    stretches: tuple[Stretch, ...],
    cut_from_s: float,
    originals: Sequence[str],
    *,
    encode: bool,
) -> ListeningCopy:
    gain_db = _gain_db(sound)
    louder = np.clip(sound * np.float32(10 ** (gain_db / 20)), -1, 1)
    mp3 = _mp3(louder, comment_of(originals)) if encode else b""
    return ListeningCopy(mp3, len(sound) / COPY_RATE_HZ, gain_db, stretches, cut_from_s)


def _cut(recording: Recording, start_s: float, longest_s: float) -> Samples:
    """Return the probe's channel from `start_s` on, at `COPY_RATE_HZ`."""
    from scipy.signal import resample_poly

    rate = recording.sample_rate_hz
    first = int(start_s * rate)
    sound = np.nan_to_num(recording.mono()[first : first + int(longest_s * rate)])
    sound = np.clip(sound, -1, 1)
    shared = gcd(COPY_RATE_HZ, rate)
    if rate != COPY_RATE_HZ:
        sound = resample_poly(sound, COPY_RATE_HZ // shared, rate // shared)
    return np.asarray(sound, dtype=np.float32)


def _gain_db(sound: Samples) -> float:
    loud = float(np.quantile(np.abs(sound), LOUD_END)) if len(sound) else 0.0
    if loud <= 0:
        return 0.0
    return float(np.clip(np.floor(20 * np.log10(PEAK / loud)), 0, MAX_GAIN_DB))


def _stretches(
    air_on_s: Sequence[tuple[float, float]], start_s: float, seconds: float
) -> tuple[Stretch, ...]:
    inside = [
        (max(0.0, a - start_s), min(seconds, b - start_s))
        for a, b in air_on_s
        if a - start_s < seconds and b > start_s
    ]
    return tuple(Stretch(a, b, True) for a, b in inside)


def _mp3(sound: Samples, comment: str) -> bytes:
    """Encode, with a comment (ID3v2.3, frame COMM) that goes wherever the copy goes."""
    import soundfile as sf

    held = io.BytesIO()
    with sf.SoundFile(
        held,
        "w",
        COPY_RATE_HZ,
        channels=1,
        format="MP3",
        subtype="MPEG_LAYER_III",
        bitrate_mode="VARIABLE",
        compression_level=0.5,
    ) as mp3:
        mp3.title, mp3.comment = "Listening copy", comment
        mp3.write(sound)
    return held.getvalue()
