"""Write the acoustic model in Kaldi's binary form, `final.mdl`, as Vosk reads it.

Layout: the source of Kaldi (src/hmm/transition-model.cc, src/nnet3/nnet-nnet.cc), from memory, and
by trial: what Vosk 0.3.45 loads and decodes as the network computes it, which the tests check.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from lexicon import PHONES, SILENCE, SPOKEN_NOISE, UNITS, WHOLE, positioned, pronunciations

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

    Layer = tuple[tuple[int, ...], NDArray[np.float64], NDArray[np.float64]]
    """Splice, weights, biases (`network.folded`)."""

POSITIONS = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
"""Where in its word a phone stands; all positions share the outputs of their unit."""
STATES = ("first", "rest")
"""Of each phone: the first lasts one frame, the rest any number; each is left with 1/2."""


def phones() -> list[tuple[str, int, str]]:
    """Return the name, the unit and the kind of every phone, in order of their numbers."""
    return [
        (SILENCE, UNITS.index(SILENCE), "nonword"),
        (f"{SPOKEN_NOISE}_S", UNITS.index(SPOKEN_NOISE), "singleton"),
        *((f"{p}_{at}", UNITS.index(p), kind) for p in PHONES for at, kind in POSITIONS.items()),
        *(
            (name, UNITS.index(unit), POSITIONS[name[-1]])
            for word in WHOLE
            for way in pronunciations(word)
            for name, unit in zip(positioned(way), way, strict=True)
        ),
    ]


def write_model(path: Path, layers: Sequence[Layer], left: int, right: int) -> None:
    """Write the transition model and the network.

    Parameters
    ----------
    path : Path
        The file, by custom `final.mdl`.
    layers : sequence of (splice, weights, biases)
        From input to output. All but the last are followed by a rectifier.
    left, right : int
        Frames before and after an output that bear on it.
    """
    with path.open("wb") as file:
        file.write(b"\0B")
        _write_transitions(_Writer(file))
        _write_network(_Writer(file), layers, left, right)


class _Writer:
    """Kaldi's binary numbers, each with the size of its type before it."""

    def __init__(self, file: BinaryIO) -> None:
        self.file = file

    def tokens(self, *words: str) -> None:
        self.file.write("".join(f"{w} " for w in words).encode())

    def integer(self, *values: int) -> None:
        self.file.write(b"".join(b"\x04" + struct.pack("<i", v) for v in values))

    def real(self, value: float) -> None:
        self.file.write(b"\x04" + struct.pack("<f", value))

    def count(self, value: float) -> None:
        self.file.write(b"\x08" + struct.pack("<d", value))

    def integers(self, values: Sequence[int]) -> None:
        self.file.write(b"\x04" + struct.pack(f"<i{len(values)}i", len(values), *values))

    def vector(self, values: ArrayLike) -> None:
        numbers = np.asarray(values, "<f4")
        self.tokens("FV")
        self.integer(len(numbers))
        self.file.write(numbers.tobytes())

    def matrix(self, values: ArrayLike) -> None:
        numbers = np.ascontiguousarray(values, "<f4")
        self.tokens("FM")
        self.integer(*numbers.shape)
        self.file.write(numbers.tobytes())


def _write_transitions(out: _Writer) -> None:
    every = phones()
    out.tokens("<TransitionModel>", "<Topology>")
    out.integers(range(1, len(every) + 1))
    out.integers([-1] + [0] * len(every))
    out.integer(1, 3)
    for state in range(len(STATES)):
        out.integer(state, 2)
        for towards in (1, 2):
            out.integer(towards)
            out.real(0.5)
    out.integer(-1, 0)
    out.tokens("</Topology>", "<Triples>")
    out.integer(len(STATES) * len(every))
    for number, (_, unit, _) in enumerate(every, 1):
        for state in range(len(STATES)):
            out.integer(number, state, 2 * unit + state)
    out.tokens("</Triples>", "<LogProbs>")
    out.vector([0.0] + [math.log(0.5)] * (2 * len(STATES) * len(every)))
    out.tokens("</LogProbs>", "</TransitionModel>")


def _write_network(out: _Writer, layers: Sequence[Layer], left: int, right: int) -> None:
    inputs = layers[0][1].shape[1] // len(layers[0][0])
    lines, before = [f"input-node name=input dim={inputs}"], "input"
    for n, (splice, _, _) in enumerate(layers, 1):
        seen = [before if at == 0 else f"Offset({before}, {at})" for at in splice]
        joined = seen[0] if len(seen) == 1 else f"Append({', '.join(seen)})"
        lines.append(f"component-node name=l{n}.affine component=l{n}.affine input={joined}")
        before = f"l{n}.affine"
        if n < len(layers):
            lines.append(f"component-node name=l{n}.relu component=l{n}.relu input={before}")
            before = f"l{n}.relu"
    lines.append(f"output-node name=output input={before} objective=linear")
    out.tokens("<Nnet3>")
    out.file.write(("\n" + "\n".join(lines) + "\n\n").encode())
    out.tokens("<NumComponents>")
    out.integer(2 * len(layers) - 1)
    for n, (_, weights, biases) in enumerate(layers, 1):
        _write_affine(out, f"l{n}.affine", weights, biases)
        if n < len(layers):
            _write_rectifier(out, f"l{n}.relu", len(biases))
    out.tokens("</Nnet3>", "<LeftContext>")
    out.integer(left)
    out.tokens("<RightContext>")
    out.integer(right)
    out.tokens("<Priors>")
    out.vector([])


def _write_affine(out: _Writer, name: str, weights: ArrayLike, biases: ArrayLike) -> None:
    out.tokens("<ComponentName>", name, "<AffineComponent>", "<LearningRate>")
    out.real(0.001)
    out.tokens("<LinearParams>")
    out.matrix(weights)
    out.tokens("<BiasParams>")
    out.vector(biases)
    out.tokens("<IsGradient>")
    out.file.write(b"F")
    out.tokens("</AffineComponent>")


def _write_rectifier(out: _Writer, name: str, size: int) -> None:
    out.tokens("<ComponentName>", name, "<RectifiedLinearComponent>", "<Dim>")
    out.integer(size)
    for part in ("<ValueAvg>", "<DerivAvg>"):
        out.tokens(part)
        out.vector([])
    for part in ("<Count>", "<NumDimsSelfRepaired>", "<NumDimsProcessed>"):
        out.tokens(part)
        out.count(0.0)
    out.tokens("</RectifiedLinearComponent>")
