"""How often noise alone is taken for a command.

    python benchmarks/dictation_noise.py [--minutes 10] [--model DIR]

Ten minutes of each kind of noise, at a level drawn anew every 20 s between -50 and -20 dB re full
scale, asleep, awake and waiting for an answer. The kinds: white, pink, air hiss, a compressor, the
benchmark's own shop (motor, hiss, hammer), the simulated bay's blows, ratchet, dropped metal and
radio, and a siren that glides through the range of voices. Counted are stretches that the detector
took for speech, those of them that became a command, and those that may be one but lack the full
confidence (docs/decisions/0032). Seed 35; 10 minutes on one free core.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import dictation_prompts as prompts
from earwitness.simulate.shop_events import (
    add_at,
    air_blast,
    impact_burst,
    metal_drop,
    radio_phrase,
    ratchet,
)
from earwitness.simulate.shop_noise import draw_compressor, draw_floor, shaped_noise
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import load_model
from earwitness.speech.grammar import grammar_in
from earwitness.speech.listener import Listener, Said

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from earwitness.speech.recogniser import SpeechModel

FS = prompts.RATE_HZ
PIECE_S = 20
STATES = ("asleep", "awake", "answer")
DETECTOR = SileroDetector()


def pink(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    f_hz = np.maximum(np.fft.rfftfreq(frames, 1 / FS), 20.0)
    return np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(f_hz), frames)


def hiss(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    noise = np.diff(rng.standard_normal(frames + 1))
    blast = air_blast(min(2.0, frames / FS / 2), 0.3, FS)
    add_at(noise, 3 * blast / np.std(blast), int(rng.integers(0, frames // 2)))
    return noise


def compressor(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    floor = draw_floor(rng, FS, -50.0, hum_db=(-10.0, 10.0))
    return shaped_noise(rng, frames, FS, draw_compressor(rng, FS, floor))


def events(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    noise = 0.02 * pink(frames, rng) / 0.02
    noise /= 20 * np.std(noise)
    for start in rng.integers(0, frames, frames // FS):
        make = (impact_burst, ratchet, metal_drop, radio_phrase)[int(rng.integers(4))]
        part = make(rng, FS)
        add_at(noise, rng.uniform(0.1, 1.0) * part / np.max(np.abs(part)), int(start))
    return noise


def siren(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    t = np.arange(frames) / FS
    pitch_hz = 180 * 2 ** np.sin(2 * np.pi * t / rng.uniform(1.0, 6.0))
    phase = 2 * np.pi * np.cumsum(pitch_hz) / FS
    tone = sum(np.sin(k * phase) / k for k in range(1, 12))
    return np.asarray(tone + 0.1 * rng.standard_normal(frames))


KINDS: dict[str, Callable[[int, np.random.Generator], NDArray[np.float64]]] = {
    "white": lambda frames, rng: rng.standard_normal(frames),
    "pink": pink,
    "air hiss": hiss,
    "compressor": compressor,
    "shop": prompts.shop_noise,
    "blows, ratchet, radio": events,
    "siren": siren,
}


def heard_in(
    noise: NDArray[np.float64], model: SpeechModel, state: str
) -> tuple[int, list[str], list[str]]:
    """Return how many stretches were taken for speech, the commands among them, the suspicions."""
    grammar = grammar_in(state, model.vocabulary)
    listener = Listener(model, grammar, fs=FS, gate=model.gate, detector=DETECTOR)
    found = [*listener.feed(noise), *listener.finish()]
    said = [e for e in found if isinstance(e, Said)]
    taken = [h for e in said for h in e.heard if not h.rejected]
    sure = [h for h in taken if h.value is not None or not h.needs_confirmation]
    return len(said), [h.text for h in sure], [h.text for h in taken if h not in sure]


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--minutes", type=float, default=10.0)
    arguments.add_argument("--model", type=Path)
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(35)
    print("| noise | minutes | state | taken for speech | commands | unsure |")
    for name, make in KINDS.items():
        counts = dict.fromkeys(STATES, 0)
        commands: dict[str, list[str]] = {state: [] for state in STATES}
        unsure: dict[str, list[str]] = {state: [] for state in STATES}
        for _ in range(round(options.minutes * 60 / PIECE_S)):
            noise = make(PIECE_S * FS, rng)
            noise *= 10 ** (-rng.uniform(20, 50) / 20) / np.std(noise)
            for state in STATES:
                count, taken, suspected = heard_in(np.clip(noise, -1, 1), model, state)
                counts[state] += count
                commands[state] += taken
                unsure[state] += suspected
                if not count:
                    break  # no speech was found: no grammar would have changed that
        for state in STATES:
            print(f"| {name} | {options.minutes:g} | {state} | {counts[state]} |", end="")
            for taken in (commands[state], unsure[state]):
                print(f" {' '.join([str(len(taken)), *taken])} |", end="")
            print(flush=True)


if __name__ == "__main__":
    main()
