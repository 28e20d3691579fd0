"""Write a snapshot as the JSON that the bay page reads (ECMA-404), clean and bounded."""

from __future__ import annotations

import base64
import json
import unicodedata
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from earwitness.session.snapshot import Column, Snapshot

MOST_TEXT = 400
"""Most characters of one text [1]. Chosen: four lines that can be read at 3 m hold 120."""
MOST_ROWS = 256
"""Most rows of one list [1]. Chosen: 16 cylinders with ten places each, and room."""


def event(number: int, snapshot: Snapshot, after_column: int) -> tuple[str, int]:
    """Return the server-sent event of a snapshot, and the last column in it.

    Parameters
    ----------
    number : int
        Number of the snapshot on its board.
    snapshot : Snapshot
        What is to be shown.
    after_column : int
        The last column of the spectrogram that this reader has; only newer ones are sent.

    References
    ----------
    WHATWG HTML, Server-sent events: `data:` lines, ended by an empty line.
    """
    columns = [c for c in snapshot.spectrogram if c.number > after_column]
    shown = {**_plain(snapshot), "number": number, "spectrogram": [_column(c) for c in columns]}
    text = json.dumps(shown, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return f"data: {text}\n\n", columns[-1].number if columns else after_column


def clean(text: str) -> str:
    """Return text without control and direction characters, cut to what can be shown.

    Examples
    --------
    >>> clean("34 %" + chr(0x202E) + "x" + chr(0))
    '34 %x'
    """
    kept = "".join(c for c in text[: 4 * MOST_TEXT] if unicodedata.category(c)[0] != "C")
    return kept if len(kept) <= MOST_TEXT else kept[: MOST_TEXT - 1] + "…"


def _column(column: Column) -> list[Any]:
    return [column.number, base64.b64encode(column.levels).decode("ascii")]


def _plain(value: Any) -> Any:
    """Turn dataclasses into dicts, texts into clean texts, what is not finite into None."""
    if is_dataclass(value) and not isinstance(value, type):
        named = {f.name: getattr(value, f.name) for f in fields(value) if f.name != "spectrogram"}
        return {name: _plain(v) for name, v in named.items()}
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, tuple):
        return [_plain(v) for v in value[:MOST_ROWS]]
    if isinstance(value, float):
        return round(value, 3) if abs(value) < float("inf") else None
    return value
