"""Write the acoustic model in Kaldi's binary form, `final.mdl`, as Vosk reads it.

Layout: the source of Kaldi (src/hmm/transition-model.cc, src/nnet3/nnet-nnet.cc), from memory, and
by trial: what Vosk 0.3.45 loads and decodes as the network computes it, which the tests check.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import numpy as np
from lexicon import PHONES, SILENCE, SPOKEN_NOISE, UNITS, WHOLE, positioned, pronunciations

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

POSITIONS = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
"""Where in its word a phone stands; all positions share the outputs of their unit."""
GREATEST = 2**16 - 1
"""Steps between the least and the greatest number of a matrix [1]."""
STATES = ("first", "rest")
"""Of each phone: the first lasts one frame, the rest any number; each is left with 1/2."""


class Layer(NamedTuple):
    """One affine layer of a network, and what follows it."""

    splice: tuple[int, ...]
    """Frames of the layer before that it sees [10 ms]."""
    weights: NDArray[np.float64]
    """Shape (outputs, inputs), inputs ordered by splice, then by channel."""
    biases: NDArray[np.float64]
    rectified: bool = True
    kept: float = 0.0
    """Share of what came into the layer before that is added [1]."""


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


def write_model(path: Path, networks: Sequence[Sequence[Layer]], left: int, right: int) -> None:
    """Write the transition model and the network, which is the mean of several.

    Parameters
    ----------
    path : Path
        The file, by custom `final.mdl`.
    networks : sequence of sequences of Layer
        The layers of each from input to output.
    left, right : int
        Frames before and after an output that bear on it.
    """
    with path.open("wb") as file:
        file.write(b"\0B")
        _write_transitions(_Writer(file))
        _write_networks(_Writer(file), networks, left, right)


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
        """Write a matrix in Kaldi's compressed form of 16 bits a number, least to greatest."""
        numbers = np.asarray(values, np.float64)
        least, span = float(numbers.min()), float(np.ptp(numbers))
        steps = np.rint((numbers - least) / (span or 1.0) * GREATEST)
        self.tokens("CM2")
        self.file.write(struct.pack("<ffii", least, span, *numbers.shape))
        self.file.write(np.ascontiguousarray(steps, "<u2").tobytes())


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


def _write_networks(
    out: _Writer, networks: Sequence[Sequence[Layer]], left: int, right: int
) -> None:
    inputs = networks[0][0].weights.shape[1] // len(networks[0][0].splice)
    lines, ends, components = [f"input-node name=input dim={inputs}"], [], 0
    for k, layers in enumerate(networks, 1):
        nodes = _nodes(f"n{k}.", layers)
        lines += [f"component-node name={n} component={n} input={seen}" for n, seen in nodes]
        components += len(nodes)
        ends.append(nodes[-1][0])
    together = ends[-1]
    for end in reversed(ends[:-1]):
        together = f"Sum({end}, {together})"
    lines.append(f"output-node name=output input={together} objective=linear")
    out.tokens("<Nnet3>")
    out.file.write(("\n" + "\n".join(lines) + "\n\n").encode())
    out.tokens("<NumComponents>")
    out.integer(components)
    for k, layers in enumerate(networks, 1):
        _write_components(out, f"n{k}.", layers, 1 / len(networks))
    out.tokens("</Nnet3>", "<LeftContext>")
    out.integer(left)
    out.tokens("<RightContext>")
    out.integer(right)
    out.tokens("<Priors>")
    out.vector([])


def _nodes(name: str, layers: Sequence[Layer]) -> list[tuple[str, str]]:
    """Return the name of each part of a network, in order, and what it sees."""
    nodes, ends = [], ["input"]
    for n, layer in enumerate(layers, 1):
        part, before = f"{name}l{n}", ends[-1]
        seen = [before if at == 0 else f"Offset({before}, {at})" for at in layer.splice]
        joined = seen[0] if len(seen) == 1 else f"Append({', '.join(seen)})"
        nodes.append((f"{part}.affine", joined))
        if layer.rectified:
            nodes.append((f"{part}.relu", nodes[-1][0]))
        if layer.kept:
            more = f"Sum({nodes[-1][0]}, Scale({layer.kept:g}, {ends[-2]}))"
            nodes.append((f"{part}.sum", more))
        ends.append(nodes[-1][0])
    return nodes


def _write_components(out: _Writer, name: str, layers: Sequence[Layer], share: float) -> None:
    """Write the layers of a network whose outputs have a share in the sum."""
    for n, layer in enumerate(layers, 1):
        part = share if n == len(layers) else 1.0
        _write_affine(out, f"{name}l{n}.affine", layer.weights * part, layer.biases * part)
        if layer.rectified:
            _write_rectifier(out, f"{name}l{n}.relu", len(layer.biases))
        if layer.kept:
            _write_sum(out, f"{name}l{n}.sum", len(layer.biases))


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


def _write_sum(out: _Writer, name: str, size: int) -> None:
    out.tokens("<ComponentName>", name, "<NoOpComponent>", "<Dim>")
    out.integer(size)
    out.tokens("<BackpropScale>")
    out.real(1.0)
    out.tokens("</NoOpComponent>")
