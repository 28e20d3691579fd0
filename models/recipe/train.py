"""Train the acoustic model on packs of clips.

    python train.py --packs PACK... --out model.pt --minutes 18 [--width 320] [--narrow 128]
    python train.py --packs PACK... --out model.pt --minutes 18 --taught-by FILE[@LAG]...
    python train.py --packs PACK... --out model.pt --minutes 9 --from earlier.pt --span 0.5 1

The last form goes on with the last half of a training of which another call did the first.

Three stages share the time: units spread evenly over each clip, to begin with; alignments that the
network itself finds probable; and the objective that tells the text from all that could have been
said. A network that is taught by others learns first to score as these do when they hear less
noise, and then both that and the objective (decision record 0160).
Runs on a GPU if there is one; on two CPU cores count in hours where this says minutes.
"""

from __future__ import annotations

import argparse
import copy
import logging
import math
import sys
import time
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import clips
import numpy as np
import rooms
import torch
from features import BANDS, WARPS, cepstra, frames_in
from lexicon import WORDS
from network import Network, kept, loaded
from noises import Noises
from objective import Numerators, bigram, denominator, numerator, units_of
from plans import BATCH_FRAMES, Plan, Plans, assembled
from spoil import Spoiler
from teachers import Teachers
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

log = logging.getLogger("train")
STAGES = {"spread": 0.04, "align": 0.08, "sequence": 1.0}
"""Share of the time at which each stage ends [1]."""
TAUGHT_WEIGHT = 0.01
"""Weight of the squared distance from the teachers' scores, but for a common shift, beside telling
utterances apart [1]: its gradient is a third of the other's, for a network that is trained."""
RATE = {"spread": 1.5e-3, "align": 1.5e-3, "taught": 2e-3, "sequence": 2e-3}
"""Highest step of AdamW in each stage [1]."""
FRAME_WEIGHT = 0.1
"""Weight of telling frames apart beside telling utterances apart [1]."""
LOUDNESS = 2e-4
"""Weight of the squared scores, which keeps them small [1]."""
AVERAGE = 0.999
"""Share of the running average of the weights that is kept at each step [1]."""
MOST_LOST = 20
"""Steps in a row whose gradient is not finite before training gives up [1]."""
ROOMS = 600
BANK_TAKES, BANK_S = 240, 5.0
"""Takes of simulated shop noise, and the length of each [s]."""
TRIAL_FRAMES = 3000
"""Frames in a batch of a trial, such as a processor core works through in a second or two."""
SEED = 4


def main() -> None:
    """Train and save."""
    options = _options()
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stdout)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(SEED)
    torch.set_float32_matmul_precision("high")
    sound, index = clips.read(options.packs)
    log.info(
        "%d clips, %.2f hours, %d speakers",
        len(index),
        sum(c[1] for c in index) / 5.76e7,
        len({c[2] for c in index}),
    )
    follow = _follow(index)
    frames = TRIAL_FRAMES if options.quick else BATCH_FRAMES
    plans = Plans(index, follow, options.seed, frames)
    loader = DataLoader(
        plans,
        batch_size=None,
        num_workers=options.workers,
        prefetch_factor=6 if options.workers else None,
    )
    trainer = Trainer(options, torch.from_numpy(sound).to(device), follow, index)
    trainer.run(iter(loader))
    trainer.save(options.out)


class Trainer:
    """The network, its optimiser, and what it is fed with."""

    def __init__(
        self,
        options: argparse.Namespace,
        store: Tensor,
        follow: NDArray[np.float64],
        index: list[tuple[int, int, str, str]],
    ) -> None:
        self.options, self.store, self.device = options, store, store.device
        self.follow = torch.tensor(follow, dtype=torch.float32, device=self.device)
        self.chance = torch.Generator(self.device).manual_seed(options.seed)
        self.spoiler = _spoiler(store, index, self.chance, options.quick)
        self.teachers = Teachers(options.taught_by, self.device) if options.taught_by else None
        network = loaded(options.earlier) if options.earlier else None
        self.network = (network or Network(options.width, options.narrow)).to(self.device)
        self.average = copy.deepcopy(self.network).requires_grad_(requires_grad=False)
        self.lost = 0
        self.optimiser = torch.optim.AdamW(self.network.parameters(), lr=1e-3, weight_decay=1e-4)

    def run(self, batches: Iterator[Plan]) -> None:
        """Train until the time is up, then measure the averaged network's normalisation."""
        if not self.options.earlier:
            self._set_input_scale([self._cepstra(next(batches))[0] for _ in range(4)])
        began, steps, losses = time.monotonic(), 0, []
        first, last = self.options.span
        stages = {"taught": self.options.taught, "sequence": 1.0} if self.teachers else STAGES
        while (spent := (time.monotonic() - began) / 60 / self.options.minutes) < 1:
            share = first + (last - first) * spent
            stage = next(name for name, end in stages.items() if share < end)
            losses.append(self._step(next(batches), stage, share, steps))
            steps += 1
            if steps % 100 == 0:
                mean = float(torch.stack(losses).mean())
                log.info("%6d %5.0f s %-8s %.4f", steps, time.monotonic() - began, stage, mean)
                losses = []
        self._settle(batches)

    def save(self, path: Path) -> None:
        """Write the averaged network."""
        torch.save(kept(self.average), path)
        log.info("saved %s", path)

    @torch.no_grad()
    def _cepstra(self, plan: Plan) -> tuple[Tensor, Tensor | None]:
        """Return what the network hears, and what its teachers hear, if any."""
        voice, present = assembled(plan, self.store)
        clips = len(voice)
        warp = torch.randint(len(WARPS) + 8, (clips,), device=self.device, generator=self.chance)
        warp = warp.clamp_max(len(WARPS))
        heard, clear = self.spoiler.spoiled(voice, present)
        at = self.spoiler.swaying(clips, frames_in(voice.shape[1]))
        at = at[:, :, None].expand(-1, -1, BANDS)
        taught = cepstra(clear, warp, lambda e: e.gather(1, at)) if self.teachers else None
        return cepstra(heard, warp, lambda e: self.spoiler.hidden(e.gather(1, at))), taught

    def _step(self, plan: Plan, stage: str, share: float, steps: int) -> Tensor:
        rate = (
            RATE[stage]
            * min(1, (steps + 1) / 100)
            * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * share)))
        )
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        heard, clear = self._cepstra(plan)
        wanted = self.teachers.scores(clear) if self.teachers and clear is not None else None
        self.network.train()
        loss, shown = self._loss(self.network(heard), plan, stage, wanted)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = nn.utils.clip_grad_norm_(self.network.parameters(), 2.0)
        self._go_on_if_finite(bool(torch.isfinite(norm)))
        keep = min(AVERAGE, steps / (steps + 10))
        for mean, now in zip(self.average.parameters(), self.network.parameters(), strict=True):
            mean.lerp_(now.detach(), 1 - keep)
        return shown.detach()

    def _go_on_if_finite(self, finite: bool) -> None:
        """Take the step, or leave it out if the gradient is not a number; give up after many."""
        self.lost = 0 if finite else self.lost + 1
        if finite:
            self.optimiser.step()
        elif self.lost >= MOST_LOST:
            raise FloatingPointError(
                f"{MOST_LOST} gradients in a row are not finite: begin again with another --seed"
            )

    def _loss(
        self, outputs: tuple[Tensor, Tensor], plan: Plan, stage: str, wanted_scores: Tensor | None
    ) -> tuple[Tensor, Tensor]:
        """Return the loss, and what is logged of it, per output frame."""
        scores, frame_scores = outputs
        logs = functional.log_softmax(frame_scores, 2)
        count = scores.shape[0] * scores.shape[1]
        taught = torch.zeros((), device=self.device)
        if wanted_scores is not None:
            away = scores - wanted_scores
            away = away - away.mean(2, keepdim=True)
            taught = away.square().sum() / count
        if stage == "taught":
            return TAUGHT_WEIGHT * taught, taught
        if stage == "spread":
            spread = torch.from_numpy(plan.spread).to(self.device)
            loss = functional.cross_entropy(frame_scores.flatten(0, 1), spread.flatten())
            return loss + functional.cross_entropy(scores.flatten(0, 1), spread.flatten()), loss
        graphs = Numerators(*[torch.from_numpy(a).to(self.device) for a in plan.graphs])
        if stage == "align":
            _, wanted = numerator(logs.detach(), graphs)
            both = logs + functional.log_softmax(scores, 2)
            return -(wanted * both).sum() / count, -(wanted * logs).sum() / count
        said, wanted = numerator(scores.detach(), graphs)
        any_said, supposed = denominator(scores.detach(), self.follow)
        good = torch.isfinite(said)[:, None, None].float()
        wanted = wanted * good
        loss = -((wanted - supposed * good) * scores).sum() - FRAME_WEIGHT * (wanted * logs).sum()
        loss = loss + LOUDNESS * scores.square().sum()
        shown = torch.where(torch.isfinite(said), said - any_said, 0.0).sum() / count
        return loss / count + TAUGHT_WEIGHT * taught, shown

    def _set_input_scale(self, batches: list[Tensor]) -> None:
        seen = torch.cat([b.flatten(0, 1) for b in batches])
        for network in (self.network, self.average):
            network.mean.copy_(seen.mean(0))
            network.deviation.copy_(seen.std(0))

    @torch.no_grad()
    def _settle(self, batches: Iterator[Plan]) -> None:
        for layer in self.average.normal:
            layer.reset_running_stats()
            layer.momentum = None
        self.average.train()
        for _ in range(3 if self.options.quick else 60):
            self.average(self._cepstra(next(batches))[0])


def _follow(index: list[tuple[int, int, str, str]]) -> NDArray[np.float64]:
    rng, vocabulary = np.random.default_rng(SEED), frozenset(WORDS)
    some = rng.choice(len(index), min(20_000, len(index)), replace=False)
    return bigram((units_of(index[n][3], vocabulary, rng) for n in some), rng)


def _spoiler(
    store: Tensor, index: list[tuple[int, int, str, str]], chance: torch.Generator, quick: bool
) -> Spoiler:
    workers = 1 if quick else 8
    with get_context("spawn").Pool(workers) as pool:
        responses = pool.map(_room, range(8 if quick else ROOMS), chunksize=8)
        bank = pool.map(_take, range(2 if quick else BANK_TAKES))
    vocabulary = frozenset(WORDS)
    talk = [
        store[at : at + n] for at, n, _, text in index if not vocabulary.issuperset(text.split())
    ]
    voices = torch.cat(talk).float() / 32_768
    noise = torch.from_numpy(np.concatenate(bank)).to(store.device)
    rooms_there = torch.from_numpy(np.stack(responses)).to(store.device)
    return Spoiler(rooms_there, Noises(noise, voices, chance))


def _room(seed: int) -> NDArray[np.float32]:
    return rooms.response(np.random.default_rng([SEED, seed]))


def _take(seed: int) -> NDArray[np.float32]:
    """Simulate a shop in which nothing is hit or dropped: those sounds are kept for tests."""
    from earwitness.simulate.bay import Bay
    from earwitness.simulate.shop_noise import Sway
    from earwitness.simulate.shops import Preset

    shop = Preset(
        radio=0.5,
        radio_db=(-3, 15),
        gain_drift_db=1.0,
        tilt_drift_db=1.0,
        ripple_drift_db=1.0,
        sway=Sway(gain_db=0.5, tilt_db=0.3),
        compressor=0.4,
        second_hiss=0.3,
    )
    take: Any = Bay(40_000 + seed, 16_000, shop).render_steady("control", None, BANK_S, take=0)
    return (take / np.sqrt(np.mean(take**2)) * 0.1).astype(np.float32)


def _options() -> argparse.Namespace:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--packs", type=Path, nargs="+", required=True)
    options.add_argument("--out", type=Path, required=True)
    options.add_argument("--minutes", type=float, required=True)
    options.add_argument("--width", type=int, default=384)
    options.add_argument("--narrow", type=int, default=0, help="of a factored network, say 128")
    options.add_argument("--taught-by", nargs="+", default=[], metavar="FILE[@LAG]")
    options.add_argument("--taught", type=float, default=0.5, help="share of that stage")
    options.add_argument("--from", dest="earlier", type=Path)
    options.add_argument(
        "--span", type=float, nargs=2, default=(0.0, 1.0), metavar=("FIRST", "LAST")
    )
    options.add_argument("--workers", type=int, default=4)
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument(
        "--quick",
        action="store_true",
        help="little noise and small batches, for a trial",
    )
    return options.parse_args()


if __name__ == "__main__":
    main()
