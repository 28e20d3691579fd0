"""Sound whose every sample is known, and an independent reader to the last bit."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile as sf

from earwitness.audio.broadcast_wav import (
    Bext,
    coding_history,
    samples_since_midnight,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


MOMENT = datetime(2026, 3, 4, 9, 15, 7, tzinfo=UTC)
BEXT = Bext(
    description="Cylinder 3, tailpipe",
    originator="earwitness 0.1",
    originator_reference="bay 2, take 17",
    time=MOMENT,
    time_reference_samples=samples_since_midnight(MOMENT, 48_000),
    coding_history=coding_history(48_000, "PCM_24", 1, "as captured"),
)
SUBTYPES = ["PCM_16", "PCM_24", "FLOAT"]
TYPES = {"PCM_16": np.int16, "PCM_24": np.int32, "FLOAT": np.float32}


def ramp(subtype: str, frames: int, channels: int = 1, *, first: int = 0) -> NDArray[Any]:
    """Samples that each differ from their neighbours, and tell where they stand."""
    steps = np.arange(first * channels, (first + frames) * channels).reshape(frames, channels)
    if subtype == "FLOAT":
        return (steps / 7 - 1).astype(np.float32)
    most = 2**15 if subtype == "PCM_16" else 2**23
    return ((steps * 263 + most) % (2 * most) - most).astype(TYPES[subtype])


def as_soundfile_reads(path: Path, subtype: str) -> tuple[NDArray[Any], int]:
    """The samples by libsndfile, as the whole numbers or floats that they are."""
    kind = {"PCM_16": "int16", "PCM_24": "int32", "FLOAT": "float32"}[subtype]
    samples, rate = sf.read(path, dtype=kind, always_2d=True)
    return (samples >> 8 if subtype == "PCM_24" else samples), rate


def same(a: NDArray[Any], b: NDArray[Any]) -> bool:
    """Whether two arrays are equal to the last bit, not-a-numbers too."""
    return a.dtype == b.dtype and a.reshape(-1).tobytes() == b.reshape(-1).tobytes()


def assert_tells(told: Any, bext: Bext) -> None:
    """What wavinfo reads is what was written."""
    assert told.description == bext.description
    assert told.originator == bext.originator
    assert told.originator_ref == bext.originator_reference
    assert told.time_reference == bext.time_reference_samples
    assert told.coding_history == bext.coding_history
    written = bext.time.strftime("%Y-%m-%d %H:%M:%S") if bext.time else " "
    assert f"{told.originator_date} {told.originator_time}" == written
