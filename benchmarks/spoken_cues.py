"""See whether it matters that the tool says "air on" and "air off" while a take is made.

    python benchmarks/spoken_cues.py --takes 100

Takes without a leak get the cues of the program as a probe hears them from a loudspeaker in the
same shop: direct sound and an equally strong, decaying echo. Printed are, for tones alone and for
tones with words, how often scoring finds a leak at p <= 0.01 and by how much the rise is moved.
Shop noise is `hiss_scenes`, which shares nothing with the detector. Echoes of 0.5 to 2 s span an
office to a large bare hall; from memory.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy import signal

from earwitness.acoustics.hiss import score_cycled
from earwitness.session.equipment.voice import Manner, cue
from hiss_scenes import null_take

FS = 48_000
SAYS = Manner(air_on="air on", air_off="air off")
KINDS = {
    "tones": {on: cue(on=on, says=False, manner=SAYS) for on in (True, False)},
    "words": {on: cue(on=on, says=True, manner=SAYS) for on in (True, False)},
}


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--takes", type=int, default=100)
    options.add_argument("--seed", type=int, default=21)
    told = options.parse_args()
    print("shop    echo   cue re floor   tones: p<=.01  rise    words: p<=.01  rise")
    for scene in ("steady", "shop"):
        for echo_s in (0.5, 2.0):
            row(scene, echo_s, 40.0, told.takes, told.seed)
    return 0


def row(scene: str, echo_s: float, level_db: float, takes: int, seed: int) -> None:
    """Score the same takes without cues and with both kinds of them."""
    found: dict[str, list[tuple[float, float]]] = {kind: [] for kind in KINDS}
    for n in range(takes):
        rng = np.random.default_rng([seed, n])
        take = null_take(rng, scene, cycles=6)
        bare = score_cycled(take.samples, FS, take.air_on_s)
        room = echo(rng, echo_s)
        for kind, cues in KINDS.items():
            heard = with_cues(take, cues, room, level_db)
            scored = score_cycled(heard, FS, take.air_on_s)
            p = 1.0 if scored.p_value is None else scored.p_value
            found[kind].append((p, scored.excess_db - bare.excess_db))
    told = []
    for rows in found.values():
        p, moved = np.array(rows).T
        told.append(f"{np.mean(p <= 0.01):13.3f} {np.median(moved):+7.2f}")
    print(f"{scene:7s} {echo_s:3.1f} s {level_db:8.0f} dB   {'  '.join(told)}", flush=True)


def echo(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Response of a room: the direct sound, then as much energy of noise, down 60 dB in time."""
    t = np.arange(round(1.2 * seconds * FS)) / FS
    tail = rng.standard_normal(len(t)) * 10 ** (-3 * t / seconds)
    tail /= np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


def with_cues(take, cues: dict[bool, np.ndarray], room: np.ndarray, level_db: float) -> np.ndarray:
    """Add a cue at each turn; its direct sound is so much louder than the floor over 1-16 kHz."""
    line = np.zeros(len(take.samples) + len(room) + FS)
    gain = np.sqrt(take.quiet_power) * 10 ** (level_db / 20) / loudness(cues[True])
    for a, b in take.air_on_s:
        for at_s, on in ((a, True), (b, False)):
            at = round(at_s * FS)
            line[at : at + len(cues[on])] += gain * cues[on]
    heard = take.samples + signal.oaconvolve(line, room)[: len(take.samples)]
    return (heard * min(1.0, 0.9 / np.abs(heard).max())).astype(np.float32)


def loudness(sound: np.ndarray) -> float:
    """Root mean square of a sound as a whole."""
    return float(np.sqrt(np.mean(np.square(sound))))


if __name__ == "__main__":
    raise SystemExit(main())
