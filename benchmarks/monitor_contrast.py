"""How much more of the step between air off and air on is heard with assisted listening.

python benchmarks/monitor_contrast.py

Leak and shop are noise with the spectra of the simulated bay, drawn anew for air off and air on.
Printed is the largest step of any auditory band below 6 kHz (one ERB wide: Glasberg and Moore 1990,
from memory), above which worn ears are taken to hear nothing, in dB, in the median over the draws.
A step of 1 dB is about what can be heard at all. No listening test: a number, not an experience.
Below it the share of draws in which the ticks had begun within eight seconds of air on, and of
draws without a leak in which they had begun in the same time.
"""

from __future__ import annotations

import argparse

import numpy as np

from earwitness.acoustics.assist.chain import Chain, Choice, mode_for
from earwitness.simulate.leak import jet_density, peak_frequency_hz
from earwitness.simulate.passage import passage_of, power_gain, scattered
from earwitness.simulate.shop_noise import band_power, draw_floor, frequency_grid, shaped_noise

FS = 48_000
SECONDS = 8.0
EARS_END_HZ = 6000.0
RATIOS_DB = (-15, -10, -5, 0)
POINTS = ("oil-filler", "tailpipe", "throttle-body", "plug-hole-2")
GAP_MM = 0.1
LEVEL_DBFS = -50.0
HUM_DB = (-20.0, -10.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=12)
    draws = parser.parse_args().draws
    print(f"largest step of a band in dB, median of {draws} draws; leak over noise in 1-16 kHz")
    print(f"{'point':15s}{'how':22s}" + "".join(f"{r:>7d} dB" for r in RATIOS_DB))
    for point in POINTS:
        for name, choice in ways(point).items():
            steps = [[step(point, choice, r, seed) for seed in range(draws)] for r in RATIOS_DB]
            print(f"{point:15s}{name:22s}" + "".join(f"{np.median(s):10.1f}" for s in steps))
    print(
        "share of draws with ticks"
        + " " * 12
        + "".join(f"{r:>7d} dB" for r in RATIOS_DB)
        + "   no leak"
    )
    for point in POINTS:
        shares = [
            np.mean([ticks(point, r, seed) for seed in range(draws)]) for r in (*RATIOS_DB, None)
        ]
        print(f"{point:37s}" + "".join(f"{s:10.2f}" for s in shares))


def ways(point: str) -> dict[str, Choice | None]:
    mode = mode_for(point)
    return {
        "as it is": None,
        f"{mode}": Choice(mode),
        f"{mode}, subtracted": Choice(mode, subtract=True),
    }


def step(point: str, choice: Choice | None, ratio_db: float, seed: int) -> float:
    rng = np.random.default_rng([seed, 77])
    off, on = (sound(rng, point, ratio, seed) for ratio in (None, ratio_db))
    if choice is not None:
        chain = Chain(FS, choice)
        chain.muted, chain.learning = False, True
        chain.feed(sound(rng, point, None, seed))
        chain.learning = False
        off, on = chain.feed(off), chain.feed(on)
    return float(np.max(bands_db(on) - bands_db(off)))


def ticks(point: str, ratio_db: float | None, seed: int) -> bool:
    """Tell whether the ticks had begun within the air-on time."""
    rng = np.random.default_rng([seed, 79])
    chain = Chain(FS, Choice(mode_for(point), ticks=True))
    chain.learning = True
    chain.feed(sound(rng, point, None, seed))
    chain.learning = False
    begun = False
    for block in np.array_split(sound(rng, point, ratio_db, seed), round(SECONDS / 0.25)):
        chain.feed(block)
        begun = begun or chain.meter.ticking
    return begun


def sound(rng: np.random.Generator, point: str, ratio_db: float | None, seed: int) -> np.ndarray:
    """One stretch; the seed fixes shop and leak, the generator the noise itself."""
    fixed = np.random.default_rng([seed, 78])
    hz = frequency_grid(FS)
    shop = draw_floor(fixed, FS, LEVEL_DBFS, hum_db=HUM_DB).density
    frames = round(SECONDS * FS)
    made = shaped_noise(rng, frames, FS, shop)
    if ratio_db is not None:
        leak = jet_density(hz, peak_frequency_hz(GAP_MM))
        leak = leak * power_gain(scattered(passage_of(point), fixed), hz)
        wanted = band_power(shop, FS, (1000.0, 16_000.0)) * 10 ** (ratio_db / 10)
        leak = leak * (wanted / band_power(leak, FS, (1000.0, 16_000.0)))
        made = made + shaped_noise(rng, frames, FS, leak)
    return made


def bands_db(samples: np.ndarray) -> np.ndarray:
    """Level of each ERB-wide band from 200 Hz up, the first half second left out."""
    part = samples[FS // 2 :]
    power = np.abs(np.fft.rfft(part)) ** 2
    hz = np.fft.rfftfreq(len(part), 1 / FS)
    erb_number = 21.4 * np.log10(1 + 0.00437 * hz)
    inside = (hz >= 200) & (hz < EARS_END_HZ)
    sums = np.bincount(erb_number[inside].astype(int), weights=power[inside])
    return 10 * np.log10(sums[sums > 0])


if __name__ == "__main__":
    main()
