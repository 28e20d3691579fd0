"""The acoustic model: a time-delay network that hears 0.55 s of cepstra to judge each 30 ms."""

from __future__ import annotations

import numpy as np
import torch
from lexicon import OUTPUTS
from torch import Tensor, nn
from torch.nn import functional

COEFFICIENTS = 40
STRIDE = 3
"""Frames of 10 ms for each output."""
SPLICES: tuple[tuple[int, ...], ...] = (
    (-2, -1, 0, 1, 2),
    (-1, 0, 1),
    (-3, 0, 3),
    (-3, 0, 3),
    (-3, 0, 3),
    (-3, 0, 3),
    (-6, 0, 3),
    (-9, 0, 6),
)
"""For each layer the frames of the layer below that it sees; from the third on every third is."""
LEFT = -sum(s[0] for s in SPLICES)
RIGHT = sum(s[-1] for s in SPLICES)
"""Frames before and after an output that bear on it: 30 and 24."""


class Network(nn.Module):
    """Affine, ReLU, batch normalisation; eight times; then two affine outputs.

    The first output is trained to tell whole utterances apart, the second, used in training only,
    to tell single frames apart.
    """

    def __init__(self, width: int, outputs: int = OUTPUTS) -> None:
        super().__init__()
        self.width = width
        sizes = [COEFFICIENTS, *[width] * (len(SPLICES) - 1)]
        self.affine = nn.ModuleList(
            nn.Linear(n * len(splice), width) for n, splice in zip(sizes, SPLICES, strict=True)
        )
        self.normal = nn.ModuleList(nn.BatchNorm1d(width, affine=False) for _ in SPLICES)
        self.sequence_output = nn.Linear(width, outputs)
        self.frame_output = nn.Linear(width, outputs)
        self.mean: Tensor
        self.deviation: Tensor
        self.register_buffer("mean", torch.zeros(COEFFICIENTS))
        self.register_buffer("deviation", torch.ones(COEFFICIENTS))

    def forward(self, cepstra: Tensor) -> tuple[Tensor, Tensor]:
        """Return both outputs, shape (clips, frames / 3, OUTPUTS).

        Parameters
        ----------
        cepstra : Tensor, shape (clips, frames, 40)
            Frames a multiple of 3. The first and the last are repeated beyond the ends.
        """
        ends = torch.arange(-LEFT, cepstra.shape[1] + RIGHT, device=cepstra.device)
        hidden = cepstra[:, ends.clamp(0, cepstra.shape[1] - 1)]
        hidden = (hidden - self.mean) / self.deviation
        for depth, splice in enumerate(SPLICES):
            step = 1 if depth < 2 else STRIDE
            seen = _spliced(hidden, tuple(o // step for o in splice))
            if depth == 1:
                seen = seen[:, ::STRIDE]
            hidden = functional.relu(self.affine[depth](seen))
            hidden = self.normal[depth](hidden.flatten(0, 1)).view_as(hidden)
        return self.sequence_output(hidden), self.frame_output(hidden)


def folded(network: Network) -> list[tuple[tuple[int, ...], np.ndarray, np.ndarray]]:
    """Return (splice, weights, biases) of each layer, normalisation folded into the next one.

    Weights have the shape (outputs, inputs), inputs ordered by splice, then by channel.
    """
    state = {k: v.detach().cpu().double().numpy() for k, v in network.state_dict().items()}
    scale, shift = 1 / state["deviation"], -state["mean"] / state["deviation"]
    layers = []
    names = [f"affine.{n}" for n in range(len(SPLICES))]
    for depth, (name, splice) in enumerate(
        zip([*names, "sequence_output"], (*SPLICES, (0,)), strict=True)
    ):
        weights, biases = state[f"{name}.weight"], state[f"{name}.bias"]
        biases = biases + weights @ np.tile(shift, len(splice))
        layers.append((splice, weights * np.tile(scale, len(splice)), biases))
        if depth < len(SPLICES):
            deviation = np.sqrt(state[f"normal.{depth}.running_var"] + network.normal[depth].eps)
            scale, shift = 1 / deviation, -state[f"normal.{depth}.running_mean"] / deviation
    return layers


def _spliced(hidden: Tensor, splice: tuple[int, ...]) -> Tensor:
    length = hidden.shape[1] - (splice[-1] - splice[0])
    return torch.cat([hidden[:, o - splice[0] : o - splice[0] + length] for o in splice], 2)
