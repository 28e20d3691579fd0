"""Print a catalogue to translate: python -m earwitness.session.messages > messages.toml."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.acoustics.quality.flags import FLAGS
from earwitness.diagnosis.hypotheses import IN_WORDS
from earwitness.engine.cautions import CAUTIONS
from earwitness.engine.layout import engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.session.messages.catalogue import numberless

if TYPE_CHECKING:
    from collections.abc import Iterator


def given() -> list[str]:
    """Return each sentence that the rest of the program has in English, once."""
    return sorted({numberless(sentence) for sentence in _given() if sentence})


def _given() -> Iterator[str]:
    for caution in CAUTIONS:
        yield from (caution.text, caution.brief)
    for pipes in (1, 2):
        layout = engine_layout(4, arrangement="flat", banks=((1, 3), (2, 4)), tailpipes=pipes)
        for point in listening_points(layout, 1):
            yield from (point.how, point.opening, point.seal)
    for flag in FLAGS:
        yield from (flag.meaning, flag.remedy)
    yield from IN_WORDS.values()
    yield from ("more than 99 %", "under 1 %")


def main() -> None:
    """Print the English catalogue, and under `[given]` each sentence twice: as it is, and to be."""
    sys.stdout.write(Path(__file__).with_name("en.toml").read_text(encoding="utf-8"))
    for sentence in given():
        quoted = json.dumps(sentence, ensure_ascii=False)  # a JSON string is a TOML string, too
        sys.stdout.write(f"{quoted} = {quoted}\n")


if __name__ == "__main__":
    main()
