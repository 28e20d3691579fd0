"""How probable the spoken units are among all that could have been spoken (lattice-free MMI).

Every unit lasts one frame or more: its first frame has one output, the others another. Both states
are left with probability 1/2. What follows what is a bigram of units.

D. Povey and others (2016), "Purely sequence-trained neural networks for ASR based on lattice-free
MMI", Interspeech; H. Hadian and others (2018), "End-to-end speech recognition using lattice-free
MMI", Interspeech. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from lexicon import SILENCE, SPOKEN_NOISE, UNITS, pronunciations
from torch import Tensor

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.random import Generator
    from numpy.typing import NDArray

Spoken = list[tuple[int, bool]]
"""Units in order, and whether each may be left out."""
LEAVE = 0.5
"""Probability of leaving a state [1]."""
END = len(UNITS)
"""Index in the bigram of the beginning and the end of an utterance."""
AS_UNKNOWN = 0.7
"""Share of unknown words that are labelled as such, the others by their phones [1]."""
NUMBER = {unit: n for n, unit in enumerate(UNITS)}


def units_of(text: str, vocabulary: frozenset[str], rng: Generator) -> Spoken:
    """Return the units of a text, with silence that may be left out around every word.

    One way to say each word is drawn. Words outside the vocabulary become unknown speech, or their
    phones; several in a row are one stretch of unknown speech.
    """
    units: Spoken = [(NUMBER[SILENCE], True)] if text else [(NUMBER[SILENCE], False)]
    for word in text.split():
        if word not in vocabulary and rng.random() < AS_UNKNOWN:
            if len(units) > 1 and units[-2][0] == NUMBER[SPOKEN_NOISE]:
                continue
            units.append((NUMBER[SPOKEN_NOISE], False))
        else:
            ways = pronunciations(word)
            way = ways[0] if rng.random() < 0.5 else ways[rng.integers(len(ways))]
            units += [(NUMBER[phone], False) for phone in way]
        units.append((NUMBER[SILENCE], True))
    return units


def bigram(utterances: Iterable[Spoken], rng: Generator) -> NDArray[np.float64]:
    """Return the probability of each unit after each, shape (units + 1, units + 1).

    Silence that may be left out is, except at the ends of most utterances and between some words.
    """
    counts = np.zeros((END + 1, END + 1))
    for units in utterances:
        row = [END]
        for n, (unit, optional) in enumerate(units):
            outer = n in (0, len(units) - 1)
            if not optional or rng.random() < (0.95 if outer else 0.25):
                row.append(unit)
        np.add.at(counts, (row, [*row[1:], END]), 1)
    counts += 0.02 * counts.sum(1, keepdims=True) / (END + 1) + 0.05
    counts[NUMBER[SILENCE], NUMBER[SILENCE]] = 0.05
    return counts / counts.sum(1, keepdims=True)


@dataclass(frozen=True, slots=True)
class Numerators:
    """The graphs of a batch of utterances: state 2n and 2n + 1 for the n-th unit."""

    outputs: Tensor
    """Output of each state, shape (clips, states)."""
    arcs: Tensor
    """Probability of coming from 4, 3, 2, 1 and 0 states before, shape (clips, states, 5)."""
    begin: Tensor
    end: Tensor
    """Probability of beginning and of ending in a state, shape (clips, states)."""


def numerators(utterances: list[Spoken], follow: NDArray[np.float64]) -> list[NDArray[np.generic]]:
    """Return the fields of `Numerators` as arrays, so that worker processes can make them."""
    shape = (len(utterances), 2 * max(len(u) for u in utterances))
    outputs, arcs = np.zeros(shape, np.int64), np.zeros((*shape, 5))
    begin, end = np.zeros(shape), np.zeros(shape)
    for n, units in enumerate(utterances):
        unit, optional = np.array([u for u, _ in units]), np.array([o for _, o in units])
        last = len(unit) - 1
        outputs[n, : 2 * len(unit)] = np.stack([2 * unit, 2 * unit + 1], 1).ravel()
        arcs[n, 1 : 2 * len(unit) : 2, 3:] = 1 - LEAVE
        step = LEAVE * follow[unit[:-1], unit[1:]]
        arcs[n, 2 : 2 * len(unit) : 2, 2] = arcs[n, 2 : 2 * len(unit) : 2, 3] = step
        leap = LEAVE * follow[unit[:-2], unit[2:]] * optional[1:-1]
        arcs[n, 4 : 2 * len(unit) : 2, 0] = arcs[n, 4 : 2 * len(unit) : 2, 1] = leap
        begin[n, 0], end[n, 2 * last : 2 * last + 2] = (
            follow[END, unit[0]],
            LEAVE * follow[unit[-1], END],
        )
        if last and optional[0]:
            begin[n, 2] = follow[END, unit[1]]
        if last and optional[-1]:
            end[n, 2 * last - 2 : 2 * last] = LEAVE * follow[unit[-2], END]
    return [outputs, arcs, begin, end]


@torch.no_grad()
def numerator(scores: Tensor, graphs: Numerators) -> tuple[Tensor, Tensor]:
    """Return the log probability of what was said, and of each output at each time.

    Parameters
    ----------
    scores : Tensor, shape (clips, times, outputs)
        Log of how well each output fits.
    graphs : Numerators
        What was said.

    Returns
    -------
    Tensor, shape (clips,)
        Log probability; minus infinity where the clip is too short for its text.
    Tensor, shape (clips, times, outputs)
        Posterior probabilities.
    """
    clips, times, _ = scores.shape
    states = graphs.outputs.shape[1]
    picked = scores.double().gather(2, graphs.outputs[:, None].expand(clips, times, states))
    top = picked.amax(2, keepdim=True)
    fit = (picked - top).exp().transpose(0, 1).contiguous()
    forward = fit.new_zeros(times, clips, states + 4)
    sums = fit.new_zeros(times, clips)
    forward[0, :, 4:] = graphs.begin * fit[0]
    for t in range(times):
        if t:
            arrived = (forward[t - 1].unfold(1, 5, 1) * graphs.arcs).sum(2)
            torch.mul(arrived, fit[t], out=forward[t, :, 4:])
        sums[t] = forward[t].sum(1).clamp_min(1e-290)
        forward[t] /= sums[t, :, None]
    backward = fit.new_zeros(times, clips, states + 4)
    backward[-1, :, :states] = graphs.end
    leaving = _turned(graphs.arcs)
    for t in range(times - 2, -1, -1):
        ahead = backward[t + 1].clone()
        ahead[:, :states] *= fit[t + 1]
        came = (ahead.unfold(1, 5, 1) * leaving).sum(2)
        torch.div(came, came.sum(1, keepdim=True).clamp_min(1e-290), out=backward[t, :, :states])
    shares = forward[:, :, 4:] * backward[:, :, :states]
    shares = shares / shares.sum(2, keepdim=True).clamp_min(1e-290)
    posterior = scores.new_zeros(scores.shape, dtype=torch.float64)
    posterior.scatter_add_(
        2, graphs.outputs[:, None].expand(clips, times, states), shares.transpose(0, 1)
    )
    total = (forward[-1, :, 4:] * graphs.end).sum(1).log() + sums.log().sum(0) + top.sum((1, 2))
    return total.float(), posterior.float()


def _turned(arcs: Tensor) -> Tensor:
    """Return the arcs by where they leave from: to 0, 1, 2, 3 and 4 states ahead."""
    states = arcs.shape[1]
    padded = torch.nn.functional.pad(arcs, (0, 0, 0, 4))
    return torch.stack([padded[:, ahead : ahead + states, 4 - ahead] for ahead in range(5)], 2)


@torch.no_grad()
def denominator(scores: Tensor, follow: Tensor) -> tuple[Tensor, Tensor]:
    """Return the log probability of anything at all, and of each output at each time.

    Parameters
    ----------
    scores : Tensor, shape (clips, times, outputs)
        Log of how well each output fits.
    follow : Tensor, shape (units + 1, units + 1)
        The bigram.

    Returns
    -------
    Tensor, shape (clips,)
        Log probability.
    Tensor, shape (clips, times, outputs)
        Posterior probabilities.
    """
    clips, times, _ = scores.shape
    top = scores.amax(2, keepdim=True)
    fit = (scores - top).exp().view(clips, times, END, 2).permute(1, 3, 0, 2).contiguous()
    onward = LEAVE * follow[:END, :END].contiguous()
    forward, sums = torch.empty_like(fit), fit.new_empty(times, clips)
    forward[0, 0], forward[0, 1] = follow[END, :END] * fit[0, 0], 0
    for t in range(times):
        if t:
            either = forward[t - 1, 0] + forward[t - 1, 1]
            torch.mm(either, onward, out=forward[t, 0])
            torch.mul(either, 1 - LEAVE, out=forward[t, 1])
            forward[t] *= fit[t]
        torch.sum(forward[t], (0, 2), out=sums[t])
        forward[t] /= sums[t, :, None]
    backward = fit.new_empty(times, clips, END)
    backward[-1] = LEAVE * follow[:END, END]
    final = (forward[-1].sum(0) * backward[-1]).sum(1)
    for t in range(times - 2, -1, -1):
        ahead = fit[t + 1] * backward[t + 1]
        came = torch.addmm(ahead[1], ahead[0], onward.T, beta=1 - LEAVE)
        torch.div(came, came.sum(1, keepdim=True), out=backward[t])
    shares = forward * backward[:, None]
    shares /= shares.sum((1, 3), keepdim=True)
    posterior = shares.permute(2, 0, 3, 1).reshape(clips, times, 2 * END)
    return final.log() + sums.log().sum(0) + top.sum((1, 2)), posterior
