"""Play every sentence that the tool can say into its own headset, and count what it obeys.

    python benchmarks/own_voice.py

Each sentence is spoken by espeak-ng and heard at several levels, once by a dialogue that waits for
anything and once by one that waits for "confirm". In the column "marked" the program knows when it
talks, as it does; in "unmarked" it does not, which shows what the marks are worth.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

import numpy as np

from earwitness.speech.dictation import load_model
from own_sentences import heard, obeyed, sentences


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seed", type=int, default=3)
    options.add_argument("--every", type=int, default=1, help="take every n-th sentence")
    told = options.parse_args()
    model, rng = load_model(None), np.random.default_rng(told.seed)
    texts = sentences()[:: told.every]
    print(f"{len(texts)} sentences, each heard awake and while a value waits")
    print("loudest sample   marked: obeyed   unmarked: obeyed")
    for level_db in (-3.0, -15.0, -30.0, -45.0):
        counts, which = [0, 0], []
        for text in texts:
            sound, talking = heard(text, level_db, rng)
            for waiting in (False, True):
                for i, marks in enumerate((talking, None)):
                    done = obeyed(model, sound, marks, waiting=waiting)
                    counts[i] += bool(done)
                    which += [f"{text!r}: {done}"] if done and not i else []
        print(f"{level_db:8.0f} dB FS {counts[0]:16d} {counts[1]:18d}", flush=True)
        for line in which:
            print(f"    {line}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
