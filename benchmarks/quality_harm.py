"""Measure whether faults that are not always found make a leak of silence, or hide one.

Takes come from the simulated bay, air-cycled, 44 s, in four shops. Every fault is put into a take
without a leak, scored at three rhythms that the air might have had, and into the same take with a
leak that is found nine times in ten without the fault. *Error*: rise with the fault less rise
without it, in takes in which the leak was found both times: median, and 90 % of its absolute values
lie below. A fault that is found all the same is counted like one that is not.

Run: python benchmarks/quality_harm.py [--takes 25] [--seed 9500]   (about 15 minutes)
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field

import numpy as np

from earwitness.acoustics.hiss import score_cycled
from earwitness.simulate.bay import Bay, air_schedule
from quality import (
    FAULTS,
    FS,
    PEOPLE,
    SECONDS,
    SILENT_RADIO,
    automatic,
    knocked,
    lost,
    moved,
    quantised,
    spoken,
    spoken_by_people,
    stepped,
)

LEAK_DB = {"still": -12.0, "busy": -8.0, "busy-drifting": -4.0, "second-hiss": -3.0}
"""Leaks over the quiet floor [dB]. Chosen: about 3 dB above what is found in nine takes of ten."""
POINTS = ("oil-filler", "tailpipe", "throttle-body", "plug-hole-2")
RHYTHMS, CYCLES = 3, 6
FOUND_P = 0.01
SOFT = (stepped, automatic, lost, moved, knocked, spoken, spoken_by_people)
"""Faults that do not refuse a take."""


@dataclass
class Row:
    """What was seen of one fault."""

    null_p: list[float] = field(default_factory=list)
    leak_p: list[float] = field(default_factory=list)
    error_db: list[float] = field(default_factory=list)

    def printed(self) -> str:
        """Return the row of the table."""
        null, leak = np.array(self.null_p), np.array(self.leak_p)
        shares = (np.mean(null <= FOUND_P), np.mean(null <= 0.05), np.mean(leak <= FOUND_P))
        row = "".join(f"{100 * s:10.1f}" for s in shares)
        if not self.error_db:
            return row
        error = np.array(self.error_db)
        return row + f"{np.median(error):10.2f}{np.quantile(np.abs(error), 0.9):10.2f}"


def faults() -> list[tuple[str, object, float]]:
    """Return the faults that do not refuse a take, and none first."""
    kept = [
        (t, f, s) for t, f, s, _ in FAULTS if f in SOFT and (PEOPLE or f is not spoken_by_people)
    ]
    return [("none", None, 0.0), *kept]


def spoilt(rng: np.random.Generator, fault, x: np.ndarray, size: float) -> np.ndarray:
    y = x.astype(float) if fault is None else fault(rng, x.astype(float), size)
    return quantised(y, 16)


def one_take(rng: np.random.Generator, shop: str, rows: dict[str, Row]) -> None:
    """Put every fault into one take, without a leak and with it."""
    bay, point = Bay(int(rng.integers(2**31)), FS, SILENT_RADIO[shop]), str(rng.choice(POINTS))
    airs = [air_schedule(rng, CYCLES, SECONDS) for _ in range(RHYTHMS)]
    null, leaky = (
        bay.render_cycled(point, level, airs[0], SECONDS, take=0) for level in (None, LEAK_DB[shop])
    )
    gain = 0.35 / max(np.abs(null).max(), np.abs(leaky).max())
    before_db = None
    for title, fault, size in faults():
        seed = int(rng.integers(2**31))
        for air in airs:
            x = spoilt(np.random.default_rng(seed), fault, null * gain, size)
            p = score_cycled(x, FS, air, point=point).p_value
            rows[title].null_p.append(1.0 if p is None else p)
        x = spoilt(np.random.default_rng(seed), fault, leaky * gain, size)
        found = score_cycled(x, FS, airs[0], point=point)
        p = 1.0 if found.p_value is None else found.p_value
        rows[title].leak_p.append(p)
        if title == "none":
            before_db = found.excess_db if p <= FOUND_P else None
        elif before_db is not None and p <= FOUND_P:
            rows[title].error_db.append(found.excess_db - before_db)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=25, help="takes of each shop")
    parser.add_argument("--seed", type=int, default=9500)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    rows = {title: Row() for title, _, _ in faults()}
    for shop in LEAK_DB:
        for _ in range(options.takes):
            one_take(rng, shop, rows)
    number = options.takes * len(LEAK_DB)
    print(f"seed {options.seed}, {options.takes} takes in each of {len(LEAK_DB)} shops\n")
    print(f"{'':32}   without a leak, %     with it: found, %, and error [dB]")
    print(f"{'fault':32}{'p<=.01':>10}{'p<=.05':>10}{'p<=.01':>10}{'median':>10}{'90 %':>10}")
    for title, row in rows.items():
        print(f"{title:32}{row.printed()}")
    print(f"\n{number * RHYTHMS} scorings without a leak and {number} with one a row")


if __name__ == "__main__":
    main()
