"""By how many frames two trained networks say the same thing apart.

    python lag.py first.pt second.pt PACK

Networks from different beginnings place the same sound at different moments, and the mean of two
that do not agree is worse than either (decision record 0157). For each lag this prints the overlap
of what the two hold for the sound of the moment, the greatest last: give it to `export.py` as
second.pt@LAG.
"""

from __future__ import annotations

import sys
from pathlib import Path

import clips
import numpy as np
import torch
from features import HOP, RATE_HZ, cepstra
from lexicon import COMMON, UNITS
from network import Network, loaded
from torch import Tensor

LAGS = range(-12, 13)
"""Frames of 10 ms."""
CLIPS = 40
MARGIN = RATE_HZ // 2
"""Samples of noise before and after a clip."""
DITHER = 1e-3
"""Noise in every clip, root mean square of full scale [1]."""
SEED = 3


@torch.no_grad()
def main(first: str, second: str, pack: str) -> None:
    """Print the table."""
    one, other = (loaded(Path(name)) for name in (first, second))
    sound, index = clips.read([Path(pack)])
    rng, overlaps = np.random.default_rng(SEED), dict.fromkeys(LAGS, 0.0)
    for at, length, _, _ in index[:CLIPS]:
        clip = np.pad(sound[at : at + length] / 32_768, MARGIN)
        clip += DITHER * rng.standard_normal(len(clip))
        wanted = _sounds(one, clip)
        for lag in LAGS:
            found = _sounds(other, np.roll(clip, -lag * HOP))
            overlaps[lag] += float((wanted * found).sum(1).mean()) / CLIPS
    for lag in sorted(LAGS, key=overlaps.__getitem__):
        sys.stdout.write(f"{lag:+d} {overlaps[lag]:.3f}\n")


def _sounds(network: Network, clip: np.ndarray) -> Tensor:
    """Return the probability of each phone that all words share, shape (outputs, phones)."""
    scores, _ = network(cepstra(torch.tensor(clip, dtype=torch.float32)[None]))
    chances = scores[0].softmax(1)
    units = UNITS if chances.shape[1] == 2 * len(UNITS) else COMMON
    phones = torch.tensor([COMMON.index(u.split(".")[0]) for u in units]).repeat_interleave(2)
    return torch.zeros(len(chances), len(COMMON)).index_add_(1, phones, chances)


if __name__ == "__main__":
    main(*sys.argv[1:])
