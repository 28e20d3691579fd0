"""A clock that ticks, an engine, and a small record to damage."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from earwitness.engine.layout import EngineLayout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record import bodies
from earwitness.record.store import RecordWriter

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

START = datetime(2026, 3, 4, 9, 15, tzinfo=UTC)


@pytest.fixture
def clock() -> Clock:
    """One second later at every look."""
    ticks = iter(range(10_000))
    return lambda: START + timedelta(seconds=next(ticks))


@pytest.fixture
def opened() -> Body:
    layout = EngineLayout(4, (1, 3, 4, 2), label="Four in line")
    return bodies.opened_body(layout, limit=LeakageLimit(20, "common practice, no source"))


@pytest.fixture
def small_record(tmp_path: Path, clock: Clock, opened: Body) -> Path:
    """Six entries without sound."""
    folder = tmp_path / "small"
    with RecordWriter.create(folder, clock=clock) as writer:
        writer.append("opened", opened)
        for number in range(1, 5):
            value = str(10 * number)
            body = bodies.reading_body(number, "leakage", value, "percent", origin="typed")
            writer.append("reading", body)
        writer.append("closed", {})
    return folder


@pytest.fixture
def sound(tmp_path: Path) -> Callable[..., Path]:
    """Write half a second of noise in any format."""
    import soundfile as sf

    def write(name: str = "take.wav", subtype: str = "PCM_24", channels: int = 1) -> Path:
        samples = np.random.default_rng(5).normal(0, 0.1, (24_000, channels))
        path = tmp_path / name
        sf.write(path, samples, 48_000, subtype=subtype)
        return path

    return write
