"""Turn a recording into what was said: readings, commands, and what was refused."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Heard:
    """One utterance as understood; the JSON line of `earwitness dictate`."""

    start_s: float
    end_s: float
    text: str
    confidence: float
    """Smallest word confidence of the utterance, 0-1."""
    command: str | None
    value: float | None
    unit: str | None
    needs_confirmation: bool
    rejected: bool
