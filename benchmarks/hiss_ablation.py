"""What each part of the cycled test is worth: leaks found without it, or with another value.

    nice python benchmarks/hiss_ablation.py --takes 60 --seed 31 --scene S2 --scene S4
    nice python benchmarks/hiss_ablation.py --takes 40 --seed 32 --scene S4 --others 4 \
        --only "as shipped"

Takes, leaks and levels are those of hiss_bound.py; every variant scores the same sounds. Prints per
variant the share found at p <= 0.01 at each level, SNR90, and the gap of it to the matched-weight
bound. With `--others` that many takes at other points of the same bay are rendered too, and the
covariance of the noise is pooled over the air-off periods of them all. *Stop early* looks after the
fifth of six cycles and stops there if p <= 1/221; the sixth then decides at what is left of 0.01.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.acoustics.proof.cycles import periods_from, prove
from earwitness.acoustics.proof.templates import expected_spectrum
from earwitness.acoustics.proof.wander import wander_covariance
from earwitness.acoustics.settings import DEFAULTS
from earwitness.simulate.bay import Bay, air_schedule
from earwitness.simulate.leak import valve_envelope
from earwitness.simulate.shop_noise import frequency_grid
from earwitness.simulate.shops import SCENES
from hiss_bound import CYCLES, LOUD_DB, POINTS, SECONDS, SNR_DB, Leak, Listener, _bound_db, _snr90

HEARD_AT = (POINTS[0], POINTS[2])
LOOK_CYCLES, LOOK_P = 5, 1 / 221
VARIANTS = {
    "as shipped": DEFAULTS,
    "noise that wanders left out": replace(DEFAULTS, wander_share=0.0),
    "one spectrum, not three": replace(DEFAULTS, tilts_db=(0.0,)),
    "five spectra": replace(DEFAULTS, tilts_db=(-4.0, -2.0, 0.0, 2.0, 4.0)),
    "gate by four groups of bands": replace(DEFAULTS, gate_edges_hz=(960.0, 2500.0, 6000.0)),
    "the three as before": replace(
        DEFAULTS, wander_share=0.0, tilts_db=(0.0,), gate_edges_hz=(960.0, 2500.0, 6000.0)
    ),
    "no gate": replace(DEFAULTS, gate_width=100.0, band_width=100.0),
    "guard 0.3 s": replace(DEFAULTS, guard_after_s=0.3),
    "guard 0.9 s": replace(DEFAULTS, guard_after_s=0.9),
    "measured covariance 0.2": replace(DEFAULTS, data_share=0.2),
    "measured covariance 0.8": replace(DEFAULTS, data_share=0.8),
    "no expected drift": replace(DEFAULTS, drift_share=0.0),
    "theory counts 12": replace(DEFAULTS, theory_dof=12.0),
}


@dataclass
class Counts:
    """Hits per variant, point and level, and what stopping early saves."""

    found: dict[tuple[str, str, float], list[bool]] = field(default_factory=dict)
    bound: dict[str, list[float]] = field(default_factory=dict)
    stopped: dict[tuple[str, float], list[bool]] = field(default_factory=dict)
    false: dict[str, list[bool]] = field(default_factory=dict)

    def note(self, name: str, point: str, snr_db: float, p: float, limit: float = 0.01) -> None:
        """Count one scoring."""
        self.found.setdefault((name, point, snr_db), []).append(p <= limit)


def main() -> None:
    args = _arguments()
    for scene in args.scene or ("S2", "S4"):
        counts = Counts()
        for i in range(args.takes):
            _take(counts, scene, [args.seed, int(scene[1]), i], args)
        print(f"{scene}, {args.takes} takes, seed {args.seed}, {args.others} other takes a bay")
        _print(scene, counts)


def _take(counts: Counts, scene: str, seed: list[int], args: argparse.Namespace) -> None:
    ear = Listener(48_000)
    rng = np.random.default_rng(seed)
    bay = Bay(int(rng.integers(2**31)), ear.fs, SCENES[scene])
    noise = ear.spectra(bay.render_cycled(POINTS[0], None, [], SECONDS, take=0))
    power, air = np.square(np.abs(noise)) @ ear.mean, air_schedule(rng, CYCLES, SECONDS)
    pooled = [_off_floors(ear, bay, rng, point) for point in POINTS[1 : 1 + args.others]]
    white = rng.standard_normal(round(SECONDS * ear.fs), dtype=np.float32)
    hiss = ear.spectra(white * valve_envelope(len(white), ear.fs, air))
    _early(counts, ear, power, air, (POINTS[0], None))
    for point in HEARD_AT:
        h = np.interp(ear.f, frequency_grid(ear.fs), bay.hiss_density(point)) * ear.fs / 2
        leak = Leak(ear, noise, power, hiss, h)
        counts.bound.setdefault(point, []).append(_bound_db(bay, point))
        for snr_db in SNR_DB.get(scene, LOUD_DB):
            sound = leak.at(10 ** (snr_db / 10))
            for name in args.only or VARIANTS:
                p = Listener(ear.fs, VARIANTS[name]).score(sound, air, point)[0].p_value
                counts.note(name, point, snr_db, p)
            _early(counts, ear, sound, air, (point, snr_db))
            if pooled:
                _pooled(counts, ear, (sound, air), pooled, (point, snr_db))


def _early(counts: Counts, ear: Listener, sound, air, what) -> None:
    """Look after five cycles: two looks share the one per cent."""
    point, snr_db = what
    end = round(air[LOOK_CYCLES][0] * ear.fs / (ear.n // 2)) - 1
    floors, middle = ear.floors(sound[:end], [*air[:LOOK_CYCLES]])
    first = ear.score((floors, middle), air, point)[0].p_value <= LOOK_P
    last = ear.score(sound, air, point)[0].p_value
    if snr_db is None:
        counts.false.setdefault("as shipped", []).append(last <= 0.01)
        counts.false.setdefault("stop early", []).append(first or last <= 0.01 - LOOK_P)
        return
    counts.note("stop early", point, snr_db, 0.0 if first else last, 0.01 - LOOK_P)
    counts.stopped.setdefault((point, snr_db), []).append(first)


def _off_floors(ear: Listener, bay: Bay, rng: np.random.Generator, point: str):
    """Floors of the air-off periods of another take."""
    sound = bay.render_cycled(point, None, [], SECONDS, take=0)
    power = np.square(np.abs(ear.spectra(sound))) @ ear.mean
    return ear.floors(power, air_schedule(rng, CYCLES, SECONDS))[0][::2]


def _pooled(counts: Counts, ear: Listener, take, pooled, what) -> None:
    """Noise pooled over the air-off periods of all takes, instead of this take's own."""
    (sound, air), (point, snr_db) = take, what
    floors, middle = ear.floors(sound, air)
    on = [bool(i % 2) for i in range(len(floors))]
    periods = periods_from(floors, on, middle, ear.bands, DEFAULTS)
    every = [*floors[::2], *(f for other in pooled for f in other)]
    apart = [np.array([f.log_power for f in other]) for other in [floors[::2], *pooled]]
    d = np.concatenate([x - np.median(x, axis=0) for x in apart])
    between = d.T @ d / (len(d) - len(apart)) / DEFAULTS.wander_share
    variants = {
        "wander pooled over the takes": wander_covariance(every, None, ear.bands, DEFAULTS),
        "scatter pooled over the takes": between,
        "both": (wander_covariance(every, None, ear.bands, DEFAULTS) + between) / 2,
    }
    for name, wander in variants.items():
        own = replace(periods, wander=wander)
        expected = expected_spectrum(point, ear.bands)
        p = prove(own, expected, ear.bands, DEFAULTS, deafness=False).p_value
        counts.note(name, point, snr_db, p)


def _print(scene: str, counts: Counts) -> None:
    levels = SNR_DB.get(scene, LOUD_DB)
    print("found at [dB] ".ljust(33), " ".join(f"{s:+5d}" for s in levels), "  SNR90   gap")
    for point in HEARD_AT:
        bound = float(np.median(counts.bound[point]))
        print(f"{point}, bound {bound:.1f} dB")
        for name in dict.fromkeys(key[0] for key in counts.found):
            shares = [np.mean(counts.found[name, point, s]) for s in levels]
            snr90 = _snr90(levels, shares)
            gap = f"{float(snr90) - bound:5.1f}" if snr90[0] not in "<>" else "    -"
            row = " ".join(f"{x:5.2f}" for x in shares)
            print(f"  {name:31} {row}  {snr90:>6} {gap}")
        early = " ".join(f"{np.mean(counts.stopped[point, s]):5.2f}" for s in levels)
        print(f"  {'stopped after the fifth cycle':31} {early}")
    for name, false in counts.false.items():
        print(f"false alarms, {name}: {np.mean(false):.3f} of {len(false)}")
    print(flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60, help="takes a shop")
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--scene", choices=SCENES, action="append")
    parser.add_argument("--only", choices=VARIANTS, action="append")
    parser.add_argument("--others", type=int, default=0, help="other takes of the same bay")
    return parser.parse_args()


if __name__ == "__main__":
    main()
