"""The acoustic models: time-delay networks that hear half a second of cepstra for each 30 ms.

The factored one after D. Povey and others (2018), "Semi-orthogonal low-rank matrix factorization
for deep neural networks", Interspeech, from memory, without the constraint that names it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import torch
from kaldi import Layer
from lexicon import OUTPUTS
from torch import Tensor, nn
from torch.nn import functional

if TYPE_CHECKING:
    from pathlib import Path

COEFFICIENTS = 40
STRIDE = 3
"""Frames of 10 ms for each output."""
PLAIN: tuple[tuple[tuple[int, ...], ...], ...] = (
    ((-2, -1, 0, 1, 2),),
    ((-1, 0, 1),),
    *[((-3, 0, 3),)] * 4,
    ((-6, 0, 3),),
    ((-9, 0, 6),),
)
"""For each layer the frames of the layer below that it sees; from the third on every third is."""
FACTORED: tuple[tuple[tuple[int, ...], ...], ...] = (
    ((-2, -1, 0, 1, 2),),
    ((-1, 0, 1), (0,)),
    *[((-3, 0), (0, 3))] * 8,
    *[((-6, 0), (0,))] * 2,
)
"""The same of a deeper network: where two stand, a narrow layer sees the first, a wide one sees the
second of the narrow one, and what came in is added to what goes out."""
KEPT = 0.66
"""Share of what came into a factored layer that is added [1]: that of the paper."""


class Network(nn.Module):
    """Affine, ReLU, batch normalisation, again and again; then two affine outputs.

    The first output is trained to tell whole utterances apart, the second, used in training only,
    to tell single frames apart.

    Parameters
    ----------
    width : int
        Channels of a layer.
    narrow : int
        Channels of the narrow layer before each; 0 for a plain network.
    outputs : int
        Two for each unit.
    """

    def __init__(self, width: int, narrow: int = 0, outputs: int = OUTPUTS) -> None:
        super().__init__()
        self.width, self.narrow = width, narrow
        self.splices = FACTORED if narrow else PLAIN
        self.left = -sum(s[0] for splices in self.splices for s in splices)
        self.right = sum(s[-1] for splices in self.splices for s in splices)
        sizes = [COEFFICIENTS, *[width] * (len(self.splices) - 1)]
        self.linear = nn.ModuleDict(
            {
                str(depth): nn.Linear(width * len(splices[0]), narrow, bias=False)
                for depth, splices in enumerate(self.splices)
                if len(splices) > 1
            }
        )
        self.affine = nn.ModuleList(
            nn.Linear((narrow if len(splices) > 1 else size) * len(splices[-1]), width)
            for size, splices in zip(sizes, self.splices, strict=True)
        )
        self.normal = nn.ModuleList(nn.BatchNorm1d(width, affine=False) for _ in self.splices)
        self.sequence_output = nn.Linear(width, outputs)
        self.frame_output = nn.Linear(width, outputs)
        self.mean: Tensor
        self.deviation: Tensor
        self.register_buffer("mean", torch.zeros(COEFFICIENTS))
        self.register_buffer("deviation", torch.ones(COEFFICIENTS))

    def forward(self, cepstra: Tensor) -> tuple[Tensor, Tensor]:
        """Return both outputs, shape (clips, frames / 3, outputs).

        Parameters
        ----------
        cepstra : Tensor, shape (clips, frames, 40)
            Frames a multiple of 3. The first and the last are repeated beyond the ends.
        """
        ends = torch.arange(-self.left, cepstra.shape[1] + self.right, device=cepstra.device)
        hidden = cepstra[:, ends.clamp(0, cepstra.shape[1] - 1)]
        hidden = (hidden - self.mean) / self.deviation
        for depth, splices in enumerate(self.splices):
            hidden = self._layer(hidden, depth, splices)
        return self.sequence_output(hidden), self.frame_output(hidden)

    def _layer(self, hidden: Tensor, depth: int, splices: tuple[tuple[int, ...], ...]) -> Tensor:
        step = 1 if depth < 2 else STRIDE
        seen = _spliced(hidden, tuple(o // step for o in splices[0]))
        centre = hidden[:, -splices[0][0] // step :]
        if depth == 1:
            seen, centre = seen[:, ::STRIDE], centre[:, ::STRIDE]
        if len(splices) > 1:
            seen = _spliced(self.linear[str(depth)](seen), tuple(o // STRIDE for o in splices[1]))
        wide = functional.relu(self.affine[depth](seen))
        wide = self.normal[depth](wide.flatten(0, 1)).view_as(wide)
        return wide + KEPT * centre[:, : wide.shape[1]] if len(splices) > 1 else wide


def kept(network: Network) -> dict[str, object]:
    """Return what is saved of a network."""
    return {"network": network.state_dict(), "width": network.width, "narrow": network.narrow}


def loaded(*paths: Path) -> Network:
    """Return the network of a file, or the mean of those that ended the same training."""
    files = [torch.load(path, map_location="cpu", weights_only=True) for path in paths]
    state = {
        name: torch.stack([f["network"][name].double() for f in files]).mean(0).float()
        for name in files[0]["network"]
    }
    outputs = len(state["sequence_output.weight"])
    network = Network(files[0]["width"], files[0].get("narrow", 0), outputs)
    network.load_state_dict(state)
    return network.eval()


def folded(network: Network) -> list[Layer]:
    """Return the layers without normalisation, which is put into weights and biases.

    What a rectifier passes on may be divided before it as well as after it; what is subtracted
    from it is left to the biases of the layers above. Inputs are ordered by splice, then by
    channel.
    """
    state = {k: v.detach().cpu().double().numpy() for k, v in network.state_dict().items()}
    scale, shift = 1 / state["deviation"], -state["mean"] / state["deviation"]
    layers = []
    for depth, splices in enumerate(network.splices):
        weights, biases = state[f"affine.{depth}.weight"], state[f"affine.{depth}.bias"]
        deviation = np.sqrt(state[f"normal.{depth}.running_var"] + network.normal[depth].eps)
        moved = -state[f"normal.{depth}.running_mean"] / deviation
        if len(splices) > 1:
            linear = state[f"linear.{depth}.weight"]
            layers.append(
                Layer(splices[0], linear, linear @ np.tile(shift, len(splices[0])), rectified=False)
            )
            moved = moved + KEPT * shift
        else:
            biases = biases + weights @ np.tile(shift, len(splices[0]))
            weights = weights * np.tile(scale, len(splices[0]))
        layers.append(
            Layer(
                splices[-1],
                weights / deviation[:, None],
                biases / deviation,
                kept=KEPT if len(splices) > 1 else 0.0,
            )
        )
        scale, shift = np.ones_like(moved), moved
    weights, biases = state["sequence_output.weight"], state["sequence_output.bias"]
    return [*layers, Layer((0,), weights, biases + weights @ shift, rectified=False)]


def _spliced(hidden: Tensor, splice: tuple[int, ...]) -> Tensor:
    length = hidden.shape[1] - (splice[-1] - splice[0])
    return torch.cat([hidden[:, o - splice[0] : o - splice[0] + length] for o in splice], 2)
