"""The rhythms that the valve's own is compared with, and the least probability they can give."""

from __future__ import annotations

from functools import lru_cache
from math import comb
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

    Bits = NDArray[np.int8]


def labelings(on: tuple[bool, ...], settings: HissSettings) -> Floats:
    """Return the rhythms that a take is compared with.

    Parameters
    ----------
    on : tuple of bool, shape (periods,)
        The true air state of each period.
    settings : HissSettings
        Least number of changes, largest number of labelings, and the seed of the draw.

    Returns
    -------
    ndarray, shape (labelings, periods)
        Ones and zeros, each with as many ones as `on`; row 0 is `on` itself. All that have
        `least_changes` or more, or a fixed draw of them where there are too many.
    """
    return _labelings(on, settings.least_changes, settings.most_labelings, settings.label_seed)


def least_p(on: tuple[bool, ...], settings: HissSettings) -> float:
    """Return the smallest probability that a take of this rhythm can reach."""
    return 1.0 / len(labelings(on, settings))


@lru_cache(maxsize=64)
def _labelings(on: tuple[bool, ...], least_changes: int, most: int, seed: int) -> Floats:
    true = np.array(on, dtype=np.int8)
    many = comb(len(on), int(true.sum())) > most
    rows = _drawn(true, most, np.random.default_rng(seed)) if many else _every(true)
    changes = np.abs(np.diff(rows, axis=1)).sum(axis=1)
    others = (changes >= least_changes) & (rows != true).any(axis=1)
    return np.vstack([true, rows[others]]).astype(np.float64)


def _every(true: Bits) -> Bits:
    """All rows with as many ones as `true`, in the order of their binary value."""
    n = len(true)
    bits = (np.arange(2**n)[:, np.newaxis] >> np.arange(n)) & 1
    return np.asarray(bits[bits.sum(axis=1) == true.sum()], dtype=np.int8)


def _drawn(true: Bits, most: int, rng: np.random.Generator) -> Bits:
    """Distinct random orders of `true`."""
    rows = rng.permuted(np.tile(true, (most, 1)), axis=1)
    return np.asarray(np.unique(rows, axis=0), dtype=np.int8)
