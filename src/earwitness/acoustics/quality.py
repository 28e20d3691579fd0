"""Check whether a recording can be trusted: one table of flags, and the checks behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

    Truths = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class QualityFlag:
    """One thing that can be wrong with a take."""

    name: str
    meaning: str
    refuses: bool
    """True if no conclusion may be drawn from the take."""
    remedy: str


FLAGS = (
    QualityFlag(
        "not-finite",
        "Some samples are not numbers, or are far beyond full scale.",
        True,
        "Record the take again.",
    ),
    QualityFlag(
        "too-short", "There is not enough sound.", True, "Record longer, with longer periods."
    ),
    QualityFlag(
        "rates-differ",
        "The two recordings have different sample rates.",
        True,
        "Record both with the same settings.",
    ),
    QualityFlag(
        "channels-differ",
        "The two recordings have different numbers of channels.",
        True,
        "Record both with the same settings.",
    ),
    QualityFlag(
        "silent", "The microphone delivered no sound.", True, "Check the cable, then record again."
    ),
    QualityFlag(
        "clipped",
        "The recording was overdriven: peaks are cut flat.",
        True,
        "Lower the gain or step back, then record again.",
    ),
    QualityFlag(
        "zero-runs",
        "Stretches of the recording are missing: the samples there are exactly zero.",
        True,
        "Switch off noise gates and other programs, then record again.",
    ),
    QualityFlag(
        "repeated-blocks",
        "Stretches of the recording were played twice by the recorder.",
        True,
        "Close other programs, then record again.",
    ),
    QualityFlag(
        "band-limited",
        "The recording holds nothing of the upper octaves, as over a telephone or headset.",
        True,
        "Record at 44.1 or 48 kHz with a wired microphone and no voice processing.",
    ),
    QualityFlag(
        "few-quiet-frames",
        "Shop noise covered most of the take.",
        False,
        "Repeat the take when the shop is quieter.",
    ),
    QualityFlag(
        "reference-ignored",
        "The ambient recording does not fit the take and was left out.",
        False,
        "Record both microphones together, with the same settings.",
    ),
    QualityFlag(
        "too-few-cycles",
        "The air was not switched often enough to prove anything at 1 %.",
        False,
        "Cycle the air at least five times, starting and ending with it off.",
    ),
    QualityFlag(
        "screening-only",
        "Shop noise that changed by itself cannot be told from a leak here.",
        False,
        "Take an air-cycled recording to prove it.",
    ),
    QualityFlag(
        "unsteady",
        "The sound did not come with the air every time.",
        False,
        "Repeat the take, and hold the probe still.",
    ),
    QualityFlag(
        "upper-bound",
        "The rise is below 6 dB: the leak is no louder than stated, and may be fainter.",
        False,
        "Bring the probe closer, or quieten the shop.",
    ),
)
"""Every flag, in the order in which findings list them."""

FLAT_RUN = 3
"""Equal samples at the extreme that make a flat top [1]. Common practice, no source."""
FLAT_STEPS = 8.0
"""A flat top is entered or left by a step of this many quantisation steps [1]; the top of a slow
smooth wave is not. Chosen: a 20 Hz wave of full scale in 16 bits, at 48 kHz, leaves its top by
one step."""
FLAT_PEAK = 0.02
"""Quieter recordings are not clipped [full scale]. Chosen: -34 dB."""
FULL_SCALE = 0.9999
"""Flat tops here are clipped whatever their slope [full scale]."""
SILENT_RMS = 1e-6
"""Without offset, quieter than this is silence [full scale]. Chosen: 24 dB below one 16-bit step
(-96 dB), under the noise of any microphone."""
SAME_SHARE = 0.6
"""Silent too if this share of the samples has one value [1]. Chosen: normal noise of 0.6 converter
steps; below that a converter does not carry the sound."""
THINNING = 7
"""Medians are taken of every seventh sample, for speed [1]."""
FAR_BEYOND = 1e6
"""Samples above this are no sound [full scale]. Chosen: beyond any integer format of 16 bits that
was read without scaling."""
ZERO_RUN_S = 32 / 48_000
"""Exact zeros this long are a gap, if the sound is well above a quantisation step [s]."""
ZERO_RUN_QUIET_S = 0.02
"""Exact zeros this long are a gap in any sound [s]. Chosen: half a period of 25 Hz."""
LOUD_STEPS = 16.0
"""Median magnitude of sound well above the quantisation [steps]. Chosen: a hum of 25 Hz then
stays at zero for 20 samples at 48 kHz."""
REPEAT_LAGS = (64, 128, 192, 240, 256, 441, 480, 512, 882, 960, 1024, 2048, 4096)
"""Buffer sizes of recorders [samples]."""
PROBES = 16
"""Samples compared first in each buffer [1]. Chosen: chance agreement of all is out of the question
even between quiet 16-bit samples."""
MOST_CANDIDATES = 64
"""Places that are then compared sample for sample [1]."""
CUT_EDGES_HZ = (4_000.0, 5_512.5, 8_000.0)
"""Nyquist frequencies of speech channels [Hz]: 8, 11.025 and 16 kHz."""
CUT_DB = 12.0
"""Fall across such an edge that no room has [dB]. Chosen: pink, brown and cubic noise floors fall
by 1 to 4 dB."""
PSD_FRAMES = 240
"""Frames that the spectrum for that is taken from [1]."""


def ordered(names: Iterable[str]) -> tuple[str, ...]:
    """Return flags in the order of the table, each once.

    Raises
    ------
    ValueError
        If one is not in the table.
    """
    found = set(names)
    unknown = found - {f.name for f in FLAGS}
    if unknown:
        raise ValueError(f"no such quality flag: {', '.join(sorted(unknown))}")
    return tuple(f.name for f in FLAGS if f.name in found)


def refuses(names: Iterable[str]) -> bool:
    """Return whether any of these flags forbids a conclusion."""
    found = set(names)
    return any(f.refuses and f.name in found for f in FLAGS)


def meaning(name: str) -> str:
    """Return what a flag means, one sentence."""
    return _named(name).meaning


def remedy(name: str) -> str:
    """Return what to do about a flag, one sentence."""
    return _named(name).remedy


def recording_flags(samples: Floats, sample_rate_hz: int, settings: HissSettings) -> set[str]:
    """Return what is wrong with one channel of sound.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Sound relative to full scale [1]; anything, even empty or not finite.
    sample_rate_hz : int
        Sample rate [Hz].
    settings : HissSettings
        Least length and bandwidth.
    """
    if not is_finite(samples):
        return {"not-finite"}
    if len(samples) < max(2.0, settings.shortest_take_s * sample_rate_hz):
        return {"too-short"}
    if is_silent(samples):
        return {"silent"}
    step = _quantisation_step(samples)
    checks = {
        "clipped": is_clipped(samples, step),
        "zero-runs": has_zero_runs(samples, sample_rate_hz, step),
        "repeated-blocks": has_repeated_blocks(samples),
        "band-limited": is_band_limited(samples, sample_rate_hz, settings.least_bandwidth_hz),
    }
    return {name for name, found in checks.items() if found}


def is_finite(samples: Floats) -> bool:
    """Return whether all samples are numbers that a recorder can deliver."""
    return bool(np.isfinite(samples).all() and np.abs(samples).max(initial=0.0) <= FAR_BEYOND)


def is_silent(samples: Floats) -> bool:
    """Return whether there is no sound but offset and stray bits."""
    middle = np.median(samples[::THINNING])
    same = np.count_nonzero(samples == middle) / len(samples)
    rms = float(np.sqrt(np.mean((samples - middle) ** 2)))
    return bool(same >= SAME_SHARE) or rms < SILENT_RMS


def is_clipped(samples: Floats, step: float) -> bool:
    """Return whether peaks are cut flat, at full scale or anywhere below."""
    return _flat_top(samples, step) or _flat_top(-samples, step)


def has_zero_runs(samples: Floats, sample_rate_hz: int, step: float) -> bool:
    """Return whether sound is missing; quiet 16-bit sound has short runs of zeros by nature."""
    loud = float(np.median(np.abs(samples[::THINNING]))) >= LOUD_STEPS * step
    seconds = ZERO_RUN_S if loud else ZERO_RUN_QUIET_S
    return _longest_run(samples == 0) >= seconds * sample_rate_hz


def has_repeated_blocks(samples: Floats) -> bool:
    """Return whether a recorder's buffer appears twice in a row, sample for sample."""
    return any(_repeats(samples, lag) for lag in REPEAT_LAGS if 2 * lag <= len(samples))


def is_band_limited(samples: Floats, sample_rate_hz: int, least_hz: float) -> bool:
    """Return whether the upper octaves are missing, by sample rate or by an earlier one."""
    from earwitness.acoustics.bands import NYQUIST_SHARE

    if NYQUIST_SHARE * sample_rate_hz / 2 < least_hz:
        return True
    f, level_db = _spectrum(samples, sample_rate_hz)
    return any(_is_cut(f, level_db, edge) for edge in CUT_EDGES_HZ)


def _named(name: str) -> QualityFlag:
    for flag in FLAGS:
        if flag.name == name:
            return flag
    raise ValueError(f"no such quality flag: {name}")


def _quantisation_step(samples: Floats) -> float:
    """Smallest magnitude that is not zero: one step of the converter, or next to nothing."""
    magnitude = np.abs(samples)
    return float(magnitude.min(where=magnitude > 0, initial=np.inf))


def _flat_top(samples: Floats, step: float) -> bool:
    peak = float(samples.max())
    if peak < FLAT_PEAK:
        return False
    starts, ends = _runs(samples == peak)
    long = ends - starts >= FLAT_RUN
    starts, ends = starts[long], ends[long]
    before = peak - samples[np.maximum(starts - 1, 0)]
    after = peak - samples[np.minimum(ends, len(samples) - 1)]
    steep = np.maximum(before, after) >= FLAT_STEPS * step
    return bool(starts.size) and (peak >= FULL_SCALE or bool(steep.any()))


def _repeats(samples: Floats, lag: int) -> bool:
    """Whether some `lag` samples equal the `lag` before them; probes first, for speed."""
    stride = lag // PROBES
    probes = samples[lag::stride] == samples[:-lag:stride]
    candidates = np.flatnonzero(_window_all(probes, PROBES - 1))
    for k in candidates[:MOST_CANDIDATES]:
        i = int(k) * stride
        part = samples[max(0, i - stride) : i + 2 * lag + 2 * stride]
        if len(part) > lag and _longest_run(_equal_and_alive(part, lag)) >= lag:
            return True
    return False


def _equal_and_alive(part: Floats, lag: int) -> Truths:
    """Find samples equal to those `lag` earlier, none if the sound does not move at all."""
    equal = np.asarray(part[lag:] == part[:-lag])
    same = part[lag:][equal]
    return equal if same.size and np.ptp(same) > 0 else np.zeros_like(equal)


def _window_all(values: Truths, width: int) -> Truths:
    if len(values) < width:
        return np.zeros(0, dtype=np.bool_)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(values, width).all(axis=1))


def _runs(values: Truths) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First and past-the-last index of each run of true values."""
    padded = np.concatenate([[False], values, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return edges[::2], edges[1::2]


def _longest_run(values: Truths) -> int:
    starts, ends = _runs(values)
    return int((ends - starts).max()) if starts.size else 0


def _spectrum(samples: Floats, sample_rate_hz: int) -> tuple[Floats, Floats]:
    """Median power spectrum over evenly spread frames [Hz, dB]."""
    n = 2 * round(sample_rate_hz / 100)
    starts = np.unique(np.linspace(0, len(samples) - n, PSD_FRAMES).astype(int))
    frames = samples[starts[:, np.newaxis] + np.arange(n)] * np.hanning(n)
    power = np.median(np.abs(scipy.fft.rfft(frames, axis=1)) ** 2, axis=0)
    return np.arange(len(power)) * sample_rate_hz / n, 10 * np.log10(np.maximum(power, 1e-300))


def _is_cut(f: Floats, level_db: Floats, edge_hz: float) -> bool:
    """Whether the spectrum falls off a cliff at an edge and stays down."""
    below = np.median(level_db[(f > 0.80 * edge_hz) & (f < 0.93 * edge_hz)])
    above = np.median(level_db[(f > 1.07 * edge_hz) & (f < 1.25 * edge_hz)])
    beyond = np.percentile(level_db[f > 1.25 * edge_hz], 90)
    return bool(max(above, beyond) < below - CUT_DB)
