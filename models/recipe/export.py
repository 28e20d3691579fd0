"""Turn trained networks into a model folder that Vosk loads.

python export.py model.pt[,another.pt ...] [second.pt ...] ../NAME

Of networks joined by commas, which ended the same training differently, the weights are averaged.
Networks given one by one stand side by side, and their scores are averaged (decision record 0150);
one trained with SOUNDS=shared says of a number word's own sounds what it says of the phones.
Trainings from different beginnings place the same sound at different moments: with `second.pt@-6`
all that this network says comes 6 frames of 10 ms later. `lag.py` finds out how many it must be.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from graphs import write_graphs
from kaldi import write_model
from lexicon import UNITS, WORDS, outputs_of_shared

if TYPE_CHECKING:
    from kaldi import Layer

MFCC = """--use-energy=false
--sample-frequency=16000
--num-mel-bins=40
--num-ceps=40
--low-freq=20
--high-freq=-400
--dither=0
"""
"""What `features` computes, as Kaldi's options."""
DECODING = """--min-active=200
--max-active=1500
--beam=11.0
--lattice-beam=6.0
--acoustic-scale=1.0
--frame-subsampling-factor=3
--frames-per-chunk=60
--endpoint.silence-phones=1
--endpoint.rule2.min-trailing-silence=0.5
--endpoint.rule3.min-trailing-silence=0.75
--endpoint.rule4.min-trailing-silence=1.0
"""
DIGESTED = (
    "am/final.mdl",
    "conf/mfcc.conf",
    "conf/model.conf",
    "graph/Gr.fst",
    "graph/HCLr.fst",
    "graph/disambig_tid.int",
    "graph/phones/word_boundary.int",
    "graph/words.txt",
)
"""The files whose digests are checked on loading."""


def main(*trained: str, folder: str) -> None:
    """Write the folder."""
    from network import folded, loaded

    layers, left, right = [], 0, 0
    for names, _, lag in (name.partition("@") for name in trained):
        network, shift = loaded(*map(Path, names.split(","))), int(lag or 0)
        layers.append(_shifted(_spread(folded(network)), shift))
        left, right = max(left, network.left - shift), max(right, network.right + shift)
    write_folder(Path(folder), layers, left, right)


def _shifted(layers: list[Layer], frames: int) -> list[Layer]:
    """Let a network look so many frames further ahead; back, if negative."""
    first = layers[0]
    return [first._replace(splice=tuple(o + frames for o in first.splice)), *layers[1:]]


def _spread(layers: list[Layer]) -> list[Layer]:
    """Give the network of shared phones an output for each sound of a number word, all equal."""
    last = layers[-1]
    if len(last.biases) == 2 * len(UNITS):
        return layers
    rows = outputs_of_shared()
    return [*layers[:-1], last._replace(weights=last.weights[rows], biases=last.biases[rows])]


def write_folder(
    folder: Path, networks: list[list[Layer]], left: int, right: int, words: tuple[str, ...] = WORDS
) -> None:
    """Write all files of a model; see `kaldi.write_model` and `graphs.write_graphs`."""
    for part in ("am", "conf", "graph"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    write_model(folder / "am" / "final.mdl", networks, left, right)
    (folder / "conf" / "mfcc.conf").write_text(MFCC)
    (folder / "conf" / "model.conf").write_text(DECODING)
    write_graphs(folder / "graph", words)
    digests = [f"{hashlib.sha256((folder / f).read_bytes()).hexdigest()}  {f}\n" for f in DIGESTED]
    (folder / "SHA256SUMS").write_text("".join(digests))


if __name__ == "__main__":
    main(*sys.argv[1:-1], folder=sys.argv[-1])
