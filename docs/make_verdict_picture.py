"""Draw the reliability picture of docs/verdict.md from the table that stands there."""

from __future__ import annotations

import re
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt

DOCS = Path(__file__).parent
ROW = re.compile(r"^([01]\.\d\d) to ([01]\.\d\d) +(\d+) +([01]\.\d+) +([01]\.\d+)$", re.MULTILINE)


def main() -> None:
    """Draw stated against true, and how often each was stated."""
    text = (DOCS / "verdict.md").read_text(encoding="utf-8")
    rows = [[float(x) for x in row] for row in ROW.findall(text)]
    stated, true = [r[3] for r in rows], [r[4] for r in rows]
    error = [1.96 * (t * (1 - t) / r[2]) ** 0.5 for r, t in zip(rows, true, strict=True)]
    figure, (top, bottom) = plt.subplots(
        2, 1, figsize=(5.2, 6.2), height_ratios=(3, 1), sharex=True, layout="constrained"
    )
    top.plot([0.3, 1], [0.3, 1], color="0.6", linewidth=1, label="as stated")
    top.errorbar(stated, true, yerr=error, fmt="o", color="#0b5394", capsize=3, label="came true")
    top.set(ylabel="share that was right", xlim=(0.35, 1.01), ylim=(0.35, 1.01))
    top.legend(frameon=False)
    bottom.bar(stated, [r[2] for r in rows], width=0.018, color="#0b5394")
    bottom.set(xlabel="probability stated", ylabel="cylinders", yscale="log")
    figure.savefig(DOCS / "images" / "verdict_reliability.png", dpi=110)


if __name__ == "__main__":
    main()
