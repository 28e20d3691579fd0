"""Which clips make up a batch: drawn in worker processes, put together by `assembled`.

All utterances of a batch are equally long. What a clip lacks is filled with the noise of its
surroundings, so that nothing has to be masked. A third of the utterances are several clips of one
speaker, with pauses of up to a second: numbers said word by word, and phrases with a hesitation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from features import FRAME, HOP, RATE_HZ
from lexicon import SILENCE, WORDS
from objective import NUMBER, Spoken, numerators, units_of
from torch import Tensor
from torch.utils.data import IterableDataset

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.random import Generator
    from numpy.typing import NDArray

FRAMES = (150, 210, 300, 420, 600)
"""Lengths of utterances that are batched together [10 ms]."""
BATCH_FRAMES = 120_000
"""Frames in a batch."""
MOST_CLIPS = 4
"""Most clips in one utterance."""
JOINED, NOISE_ONLY = 0.33, 0.06
"""Shares of utterances of several clips, and of none [1]."""
SHORT_S = 1.6
"""Clips up to here are joined [s]."""
SPEEDS = (0.84, 1.2)
"""Slowest and fastest playing of a clip [1], for three in four."""
CUT_S = 0.06
"""Most that is cut off the beginning of one clip in two of those that are joined [s]: its margin,
and the attack of its first sound."""
LEAD_S, TAIL_S = (0.12, 0.5), (0.15, 0.5)
"""Least and most silence before and after, before the rest is filled up [s]."""


@dataclass(slots=True)
class Plan:
    """A batch in the making; all arrays have a row for each utterance."""

    samples: int
    """Length of each utterance."""
    source: NDArray[np.int64]
    """Where each of up to `MOST_CLIPS` clips begins in the store."""
    length: NDArray[np.int64]
    """Samples of it in the store; 0 for none."""
    at: NDArray[np.int64]
    """Where it begins in the utterance."""
    speed: NDArray[np.float32]
    """How fast it is played."""
    gain: NDArray[np.float32]
    graphs: list[NDArray[np.generic]]
    """Fields of `objective.Numerators`."""
    spread: NDArray[np.int64]
    """Units spread evenly over each clip: the first guess of an alignment, one output a 30 ms."""


class Plans(IterableDataset[Plan]):
    """Endless plans from an index of clips (`clips.read`)."""

    def __init__(
        self,
        index: list[tuple[int, int, str, str]],
        follow: NDArray[np.float64],
        seed: int,
        batch_frames: int = BATCH_FRAMES,
    ) -> None:
        self.index, self.follow, self.seed = index, follow, seed
        self.batch_frames = batch_frames
        self.vocabulary = frozenset(WORDS)
        short: dict[str, list[int]] = {}
        for n, (_, length, speaker, _) in enumerate(index):
            if length < SHORT_S * RATE_HZ:
                short.setdefault(speaker, []).append(n)
        self.short = {who: some for who, some in short.items() if len(some) > 1}
        self.speakers = sorted(self.short)

    def __iter__(self) -> Iterator[Plan]:
        worker = torch.utils.data.get_worker_info()
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        waiting: dict[int, list[tuple[int, list[tuple[int, int, float]], list[Spoken]]]] = {
            n: [] for n in FRAMES
        }
        while True:
            chosen = self._chosen(rng)
            if chosen is None:
                continue
            frames, placed = chosen
            waiting[frames].append((frames, placed, [self._units(n, rng) for n, _, _ in placed]))
            if len(waiting[frames]) == self.batch_frames // frames:
                yield self._plan(frames, waiting[frames], rng)
                waiting[frames] = []

    def _units(self, clip: int, rng: Generator) -> Spoken:
        return units_of(self.index[clip][3], self.vocabulary, rng)

    def _chosen(self, rng: Generator) -> tuple[int, list[tuple[int, int, float]]] | None:
        """Draw clips, and where each begins and how fast it is; None if they are too long."""
        kind = rng.random()
        if kind < NOISE_ONLY:
            return FRAMES[rng.integers(len(FRAMES))], []
        if kind < NOISE_ONLY + JOINED:
            some = self.short[self.speakers[rng.integers(len(self.speakers))]]
            clips = [some[rng.integers(len(some))] for _ in range(rng.integers(2, MOST_CLIPS + 1))]
        else:
            clips = [int(rng.integers(len(self.index)))]
        speed = float(np.exp(rng.uniform(*np.log(SPEEDS)))) if rng.random() < 0.75 else 1.0
        at, placed = int(rng.uniform(*LEAD_S) * RATE_HZ), []
        for n in clips:
            placed.append((n, at, speed))
            gap_s = rng.uniform(-0.05, 0.12) if rng.random() < 0.75 else rng.uniform(0.12, 1.0)
            at += int(self.index[n][1] / speed + gap_s * RATE_HZ)
        needed = at + int(rng.uniform(*TAIL_S) * RATE_HZ)
        fitting = [n for n in FRAMES if FRAME + (n - 1) * HOP >= needed]
        if not fitting:
            return None
        spare = FRAME + (fitting[0] - 1) * HOP - needed
        shift = int(rng.uniform(0, max(1, spare)))
        return fitting[0], [(n, start + shift, s) for n, start, s in placed]

    def _plan(
        self,
        frames: int,
        rows: list[tuple[int, list[tuple[int, int, float]], list[Spoken]]],
        rng: Generator,
    ) -> Plan:
        shape = (len(rows), MOST_CLIPS)
        source, length, at = (np.zeros(shape, np.int64) for _ in range(3))
        speed, spread = np.ones(shape, np.float32), np.zeros((len(rows), frames // 3), np.int64)
        spread += 2 * NUMBER[SILENCE] + 1
        spoken = []
        for r, (_, placed, units) in enumerate(rows):
            for k, (n, start, fast) in enumerate(placed):
                cut = int(max(0.0, rng.uniform(-CUT_S, CUT_S)) * RATE_HZ) if len(placed) > 1 else 0
                source[r, k], length[r, k] = self.index[n][0] + cut, self.index[n][1] - cut
                at[r, k], speed[r, k] = start, fast
                _lay(spread[r], units[k], start, start + int(length[r, k] / fast))
            spoken.append(_joined(units))
        gain = 10 ** (rng.uniform(-3, 3, shape) / 20)
        samples = FRAME + (frames - 1) * HOP
        return Plan(
            samples,
            source,
            length,
            at,
            speed,
            gain.astype(np.float32),
            numerators(spoken, self.follow),
            spread,
        )


def assembled(plan: Plan, store: Tensor) -> tuple[Tensor, Tensor]:
    """Return the voices of a batch and where someone speaks, both (clips, samples).

    Clips are played faster or slower by cubic interpolation.
    """
    device = store.device
    source, length, at, speed, gain = (
        torch.from_numpy(getattr(plan, name)).to(device, non_blocking=True)
        for name in ("source", "length", "at", "speed", "gain")
    )
    times = torch.arange(plan.samples, device=device)[None]
    voice = torch.zeros(len(source), plan.samples, device=device)
    present = torch.zeros_like(voice)
    for k in range(MOST_CLIPS):
        if not plan.length[:, k].any():
            break
        place = (times - at[:, k, None]) * speed[:, k, None]
        inside = (place >= 1) & (place < length[:, k, None] - 3)
        whole = place.floor().clamp_min(1)
        part, start = (place - whole), (source[:, k, None] + whole.long()).clamp(1, len(store) - 3)
        a, b, c, d = (store[start + n].float() for n in (-1, 0, 1, 2))
        curve = b + 0.5 * part * (
            c - a + part * (2 * a - 5 * b + 4 * c - d + part * (3 * (b - c) + d - a))
        )
        voice += torch.where(inside, curve, 0.0) * gain[:, k, None] / 32_768
        present += inside
    return voice, present.clamp_max(1)


def _joined(units: list[Spoken]) -> Spoken:
    """Join the units of clips; where two meet there is one silence that may be left out."""
    if not units:
        return [(NUMBER[SILENCE], False)]
    whole = list(units[0])
    for more in units[1:]:
        whole += more[1:]
    return whole


def _lay(row: NDArray[np.int64], units: Spoken, begin: int, end: int) -> None:
    """Spread the units of a clip evenly over its place in a row of outputs."""
    sounds = [u for u, optional in units if not optional]
    edges = np.linspace(begin, end, len(sounds) + 1) / (3 * HOP)
    for unit, a, b in zip(
        sounds, np.rint(edges[:-1]).astype(int), np.rint(edges[1:]).astype(int), strict=True
    ):
        row[a:b] = 2 * unit + 1
        if a < min(b, len(row)):
            row[a] = 2 * unit
