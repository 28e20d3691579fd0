"""Measure which faults of a recording are found, and how often a sound recording is flagged.

Takes come from the simulated bay: half of them with a leak of -10 to 10 dB, air-cycled, 44 s. Each
fault is then put into every take. A dash stands for a fault that no flag is for: lost samples leave
no trace in noise, automatic gain none that reverberation does not hide, and another place sounds
like another machine; the recorder's own count of lost blocks, a raw capture mode and the hand are
the remedy. People speak where the prompts are installed (tests/install_system_parts.sh). The last
column counts flags that the sound takes did not have.
Thresholds were chosen on seed 1; the seed here was not used for that.

Run: python benchmarks/quality.py [--takes 20] [--seed 9100]   (about 6 minutes)
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from bubbles import PROMPTS, g722, operator_clips, recordings
from earwitness.acoustics.hiss import score_cycled
from earwitness.acoustics.quality.flags import FLAGS
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.stream import TakeStream
from earwitness.simulate.bay import PRESETS, Bay, air_schedule

if TYPE_CHECKING:
    from collections.abc import Callable

    Fault = Callable[[np.random.Generator, np.ndarray, float], np.ndarray]

FS = 48_000
SECONDS = 44.0
SHOPS = ("still", "busy", "busy-drifting", "second-hiss")
SILENT_RADIO = {name: replace(PRESETS[name], radio=0.0) for name in SHOPS}
"""A radio is speech, and would hide what the flag for it does by mistake."""
ASIDE = ("few-quiet-frames", "unsteady", "upper-bound", "screening-only", "too-few-cycles")
"""Flags that say something of the shop or of the result, not of the recording."""


def overdriven(rng: np.random.Generator, x: np.ndarray, level: float) -> np.ndarray:
    del rng, level
    limit = np.quantile(np.abs(x), 0.9995)
    return np.clip(x, -limit, limit)


def gap(rng: np.random.Generator, x: np.ndarray, ms: float) -> np.ndarray:
    y, n, at = x.copy(), round(ms * FS / 1000), int(rng.integers(FS, len(x) - FS))
    y[at : at + n] = 0
    return y


def lost(rng: np.random.Generator, x: np.ndarray, samples: float) -> np.ndarray:
    at = int(rng.integers(FS, len(x) - FS))
    return np.concatenate([x[:at], x[at + round(samples) :]])


def twice(rng: np.random.Generator, x: np.ndarray, samples: float) -> np.ndarray:
    n, at = round(samples), int(rng.integers(FS, len(x) - FS))
    return np.concatenate([x[: at + n], x[at : at + n], x[at + n : -n]])


def telephone(rng: np.random.Generator, x: np.ndarray, rate: float) -> np.ndarray:
    del rng
    down = FS // round(rate)
    return signal.resample_poly(signal.resample_poly(x, 1, down), down, 1)


def stepped(rng: np.random.Generator, x: np.ndarray, db: float) -> np.ndarray:
    y, at = x.copy(), int(rng.integers(3 * FS, len(x) - 3 * FS))
    y[at:] *= 10 ** (rng.choice([-1, 1]) * db / 20)
    return y


def automatic(rng: np.random.Generator, x: np.ndarray, release_s: float) -> np.ndarray:
    """Turn the gain down 6:1 above 4 dB over the floor: attack 10 ms, and a slow release."""
    del rng
    hop = FS // 200
    level = np.sqrt(np.mean(x[: len(x) // hop * hop].reshape(-1, hop) ** 2, axis=1))
    over = np.maximum(20 * np.log10(level / np.quantile(level, 0.2)) - 4, 0) * 5 / 6
    gain, down = np.empty_like(over), 0.0
    fast, slow = np.exp(-0.005 / 0.01), np.exp(-0.005 / release_s)
    for i, wanted in enumerate(over):
        keep = fast if wanted > down else slow
        down = wanted + (down - wanted) * keep
        gain[i] = down
    steps = np.interp(np.arange(len(x)) / hop, np.arange(len(gain)) + 0.5, gain)
    return x * 10 ** (-steps / 20)


def spoken(rng: np.random.Generator, x: np.ndarray, db: float) -> np.ndarray:
    """Add three of the operator's clips at this level over the floor between 300 Hz and 3 kHz."""
    return with_voice(rng, x, db, [CLIPS[int(rng.integers(len(CLIPS)))] for _ in range(3)])


def spoken_by_people(rng: np.random.Generator, x: np.ndarray, db: float) -> np.ndarray:
    """Add four seconds of each of three recorded human prompts."""
    chosen = [PEOPLE[int(rng.integers(len(PEOPLE)))] for _ in range(3)]
    return with_voice(rng, x, db, [g722(path, rng)[: 4 * FS] for path in chosen])


def with_voice(
    rng: np.random.Generator, x: np.ndarray, db: float, clips: list[np.ndarray]
) -> np.ndarray:
    y, band = x.copy(), signal.butter(2, [300, 3000], "bandpass", fs=FS, output="sos")
    floor = np.median(np.abs(signal.sosfilt(band, x[: 10 * FS]))) / 0.6745
    for clip in clips:
        scale = floor / np.sqrt(np.mean(signal.sosfilt(band, clip) ** 2)) * 10 ** (db / 20)
        at = int(rng.integers(FS, len(x) - len(clip) - FS))
        y[at : at + len(clip)] += clip * scale
    return y


def moved(rng: np.random.Generator, x: np.ndarray, db: float) -> np.ndarray:
    """Make the floor louder about some octave from one moment on, as at another place."""
    f0 = rng.uniform(500, 4000)
    band = signal.butter(1, [f0 / 1.4, min(f0 * 1.4, 20_000)], "bandpass", fs=FS, output="sos")
    y, at = x.copy(), int(rng.integers(3 * FS, len(x) - 3 * FS))
    more = signal.sosfilt(band, x)
    y[at:] += more[at:] * (10 ** (db / 20) - 1)
    return y


def knocked(rng: np.random.Generator, x: np.ndarray, db: float) -> np.ndarray:
    """Add three thumps of 30-150 Hz, 60-150 ms long, at this level over the floor there."""
    band = signal.butter(2, [30, 150], "bandpass", fs=FS, output="sos")
    y, floor = x.copy(), np.median(np.abs(signal.sosfilt(band, x[: 10 * FS]))) / 0.6745
    for _ in range(3):
        n = round(rng.uniform(0.06, 0.15) * FS)
        thump = signal.sosfilt(band, rng.standard_normal(2 * n)) * np.hanning(2 * n)
        thump *= floor / np.sqrt(np.mean(thump**2))
        at = int(rng.integers(FS, len(x) - 2 * n - FS))
        y[at : at + 2 * n] += thump * 10 ** (db / 20)
    return y


def crowded(rng: np.random.Generator, x: np.ndarray, share: float) -> np.ndarray:
    """Cover this share of the take with bursts of loud noise."""
    y, at = x.copy(), 0
    level = 10 * np.std(x)
    while at < len(x):
        n = round(rng.uniform(0.2, 0.6) * FS)
        y[at : at + n] += level * rng.standard_normal(len(y[at : at + n])) * rng.uniform(0.3, 1)
        at += round(n / share)
    return y


FAULTS: tuple[tuple[str, Fault, float, str], ...] = (
    ("overdriven, 0.05 % of samples", overdriven, 0, "clipped"),
    ("gap of 2 ms", gap, 2, "zero-runs"),
    ("gap of 20 ms", gap, 20, "zero-runs"),
    ("1024 samples lost", lost, 1024, ""),
    ("480 samples twice", twice, 480, "repeated-blocks"),
    ("1024 samples twice", twice, 1024, "repeated-blocks"),
    ("777 samples twice", twice, 777, "repeated-blocks"),
    ("captured at 8 kHz", telephone, 8_000, "band-limited"),
    ("captured at 16 kHz", telephone, 16_000, "band-limited"),
    ("gain changed by 1 dB", stepped, 1, "gain-stepped"),
    ("gain changed by 2 dB", stepped, 2, "gain-stepped"),
    ("gain changed by 6 dB", stepped, 6, "gain-stepped"),
    ("automatic gain, 0.3 s", automatic, 0.3, ""),
    ("automatic gain, 1 s", automatic, 1.0, ""),
    ("automatic gain, 3 s", automatic, 3.0, ""),
    ("speech, 10 dB", spoken, 10, "speech"),
    ("speech, 20 dB", spoken, 20, "speech"),
    ("people speaking, 5 dB", spoken_by_people, 5, "speech"),
    ("people speaking, 10 dB", spoken_by_people, 10, "speech"),
    ("probe moved, 3 dB in an octave", moved, 3, ""),
    ("probe knocked, 15 dB", knocked, 15, "knocked"),
    ("probe knocked, 25 dB", knocked, 25, "knocked"),
    ("crowded, 60 % of the time", crowded, 0.6, "few-quiet-frames"),
    ("crowded, 90 % of the time", crowded, 0.9, "few-quiet-frames"),
)


CLIPS = operator_clips()
LEAST_BYTES = 24_000
"""Prompts of three seconds and more [bytes]."""
PEOPLE = [p for p in recordings(PROMPTS, "*.g722") if p.stat().st_size > LEAST_BYTES]


def sound_take(
    rng: np.random.Generator, preset: str
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Make a take as a 16-bit recorder would deliver it, with room above its loudest sound."""
    bay = Bay(int(rng.integers(2**31)), FS, SILENT_RADIO[preset])
    point = str(rng.choice(["oil-filler", "tailpipe", "throttle-body", "plug-hole-2"]))
    leak_db = float(rng.uniform(-10, 10)) if rng.uniform() < 0.5 else None
    air = air_schedule(rng, 6, SECONDS)
    x = bay.render_cycled(point, leak_db, air, SECONDS, take=0)
    x *= 0.5 / np.abs(x).max() * 10 ** (-rng.uniform(0, 10) / 20)
    return quantised(x, 16), air


def quantised(x: np.ndarray, bits: int) -> np.ndarray:
    steps = 2 ** (bits - 1)
    return (np.round(x * steps) / steps).astype(np.float32)


def flags(x: np.ndarray, air: list[tuple[float, float]], *, whole: bool) -> tuple[str, ...]:
    """Return the flags of the recording; with `whole` those of the finding as well."""
    if whole:
        return score_cycled(x, FS, air).flags
    stream = TakeStream(FS, DEFAULTS)
    stream.feed(x)
    return tuple(stream.finish().flags)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=20, help="takes of each preset")
    parser.add_argument("--seed", type=int, default=9100)
    parser.add_argument("--only", default="", help="faults whose name holds this")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    takes = {p: [sound_take(rng, p) for _ in range(options.takes)] for p in SHOPS}
    print(f"seed {options.seed}, {options.takes} takes a preset, {SECONDS:.0f} s, {FS} Hz\n")
    names = [f.name for f in FLAGS if f.name not in ASIDE]
    print("sound takes that are flagged, %")
    print(f"{'':18}" + " ".join(f"{p:>14}" for p in SHOPS))
    seen = {p: Counter(f for x, a in takes[p] for f in flags(x, a, whole=True)) for p in SHOPS}
    for name in [*names, "few-quiet-frames"]:
        if any(seen[p][name] for p in SHOPS):
            shares = (f"{100 * seen[p][name] / options.takes:14.0f}" for p in SHOPS)
            print(f"{name:18}" + " ".join(shares))
    print(f"\nfaults that are found, %{'':8}" + " ".join(f"{p:>14}" for p in SHOPS), " other flags")
    for title, fault, size, name in FAULTS:
        if options.only in title and (PEOPLE or fault is not spoken_by_people):
            one(rng, takes, seen, title, fault, size, name, options.takes)


def one(rng, takes, seen, title, fault, size, name, number) -> None:
    shares, others = [], Counter()
    for preset in SHOPS:
        hits = 0
        for x, air in takes[preset]:
            y = quantised(fault(rng, x.astype(float), size), 16)
            found = set(flags(y, air, whole=name == "few-quiet-frames"))
            hits += name in found
            others.update(found - {name, *ASIDE})
        shares.append(f"{100 * hits / number:14.0f}" if name else f"{'':>13}-")
    for preset in SHOPS:
        others.subtract({k: v for k, v in seen[preset].items() if k in others})
    rest = ", ".join(f"{k} {v:+d}" for k, v in sorted(others.items()) if v > 0)
    print(f"{title:32}" + " ".join(shares), f" {rest}", flush=True)


if __name__ == "__main__":
    main()
