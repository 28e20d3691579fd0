"""Trained networks that teach another: the mean of their scores.

J. Li and others (2017), "Large-scale domain adaptation via teacher-student learning", Interspeech,
from memory: the teachers hear a clearer recording of what the pupil hears.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import torch
from lexicon import OUTPUTS, outputs_of_shared
from network import loaded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from torch import Tensor


class Teachers:
    """Networks in step with each other.

    Parameters
    ----------
    names : sequence of str
        Files of trained networks, each by itself or as FILE@LAG (see `export.py`).
    device : torch.device
        Where they listen.
    """

    def __init__(self, names: Sequence[str], device: torch.device) -> None:
        self._networks = []
        self._rows = torch.tensor(outputs_of_shared(), device=device)
        for name, _, lag in (name.partition("@") for name in names):
            self._networks.append((loaded(Path(name)).to(device), int(lag or 0)))

    @torch.no_grad()
    def scores(self, cepstra: Tensor) -> Tensor:
        """Return their mean score of each output, shape (clips, frames / 3, outputs)."""
        frames = torch.arange(cepstra.shape[1], device=cepstra.device)
        total = 0.0
        for network, lag in self._networks:
            heard = cepstra[:, (frames + lag).clamp(0, len(frames) - 1)]
            scores, _ = network(heard)
            total = total + (scores if scores.shape[2] == OUTPUTS else scores[..., self._rows])
        return total / len(self._networks)
