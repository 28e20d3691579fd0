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

from graphs import write_graphs
from kaldi import write_model
from lexicon import COMMON, UNITS, WORDS

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
    from network import LEFT, RIGHT

    shifts = [int(names.partition("@")[2] or 0) for names in trained]
    networks = [
        _shifted(_spread(_averaged(names.partition("@")[0].split(","))), shift)
        for names, shift in zip(trained, shifts, strict=True)
    ]
    write_folder(Path(folder), networks, LEFT - min(shifts), RIGHT + max(shifts))


def _shifted(layers: list, frames: int) -> list:
    """Let a network look so many frames further ahead; back, if negative."""
    splice, weights, biases = layers[0]
    return [(tuple(o + frames for o in splice), weights, biases), *layers[1:]]


def _averaged(names: list[str]) -> list:
    """Return the layers of the mean of networks, as `network.folded` does."""
    import torch
    from network import Network, folded

    kept = [torch.load(name, map_location="cpu", weights_only=True) for name in names]
    state = {
        name: torch.stack([k["network"][name].double() for k in kept]).mean(0).to(values.dtype)
        for name, values in kept[0]["network"].items()
    }
    network = Network(kept[0]["width"], len(state["sequence_output.weight"]))
    network.load_state_dict(state)
    return folded(network)


def _spread(layers: list) -> list:
    """Give the network of shared phones an output for each sound of a number word, all equal."""
    splice, weights, biases = layers[-1]
    if len(biases) == 2 * len(UNITS):
        return layers
    phones = [COMMON.index(unit.split(".")[0]) for unit in UNITS]
    rows = [2 * phone + state for phone in phones for state in (0, 1)]
    return [*layers[:-1], (splice, weights[rows], biases[rows])]


def write_folder(
    folder: Path, networks: list, left: int, right: int, words: tuple[str, ...] = WORDS
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
