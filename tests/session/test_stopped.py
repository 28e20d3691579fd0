"""What was recorded but not scored when the program stopped is scored: at rest, or on resuming."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from earwitness.audio.broadcast_wav import BroadcastWavWriter
from earwitness.engine.test_plan import test_plan as plan_of
from earwitness.errors import AudioFileError
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session import replay
from earwitness.session.equipment.ears import Devices, Equipment
from earwitness.session.equipment.taking import Recorded
from earwitness.session.live.inspection import LiveInspection, LivePlan
from earwitness.session.live.keeping import Keeper
from earwitness.session.live.steps import places_of
from earwitness.session.sheets.sheet import Visit, read_sheet
from earwitness.session.snapshot import Board

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from earwitness.record.model import Inspection

FS = 16_000
AIR_ON_S = tuple((1.5 + 3.0 * n, 3.0 + 3.0 * n) for n in range(5))
VISIT = Visit.model_validate({"engine": {"cylinders": 1, "cooling": "air"}})


class Silence:
    sample_rate_hz, channels = FS, 1

    def start(self) -> None: ...
    def next_block(self, timeout_s: float) -> None: ...
    def close(self) -> None: ...


def clock() -> datetime:
    return datetime(2026, 3, 2, 9, 15, tzinfo=UTC)


def told(folder: Path) -> Inspection:
    return inspection(read_record(folder))


def recorded(keeper: Keeper) -> Recorded:
    """Five cycles of plain noise on disk, as the probe leaves them."""
    file = keeper.place("c1-tailpipe")
    bext = keeper.bext("Cylinder 1 at tailpipe", FS, "FLOAT", 1)
    samples = 1e-2 * np.random.default_rng(4).standard_normal(round(16.5 * FS))
    with BroadcastWavWriter(
        file, sample_rate_hz=FS, channels=1, subtype="FLOAT", bext=bext
    ) as writer:
        writer.append(samples.astype("f4"))
    return Recorded((file,), AIR_ON_S, 16.5, (), "")


def replayed(folder: Path, again: Path) -> Inspection:
    run = replay.Replay(
        read_sheet(folder / "replay.toml"), folder, again, clock=clock, tell=lambda _: None
    )
    run.run("replay.toml")
    return told(again)


def same_as_replayed(folder: Path, again: Path) -> bool:
    findings = [[t.finding for t in i.takes] for i in (told(folder), replayed(folder, again))]
    return findings[0] == findings[1] != [None]


def test_an_inspection_put_to_rest_waits_for_the_score(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper, score = Keeper.create(tmp_path / "record", VISIT, clock=clock), replay.score
    layout, may_score = VISIT.engine.layout(), threading.Event()
    live = LiveInspection(
        LivePlan(layout, places_of(plan_of(layout))),
        keeper,
        Board(),
        rng=np.random.default_rng(1),
        equipment=Equipment(voice="off"),
        devices=Devices(lambda *_: Silence(), lambda _: None),
    )
    monkeypatch.setattr(replay, "score", lambda *what: may_score.wait(10) and score(*what))
    live._takes._taking = (1, "tailpipe")
    live._events.put(recorded(keeper))
    threading.Timer(0.2, may_score.set).start()
    live.interrupt()
    assert live.run() is None
    monkeypatch.setattr(replay, "score", score)
    assert same_as_replayed(keeper.folder, tmp_path / "again")


def test_what_a_kill_left_unscored_is_scored_on_another_day(tmp_path: Path) -> None:
    keeper = Keeper.create(tmp_path / "record", VISIT, clock=clock)
    keeper.take(recorded(keeper), 1, "tailpipe")
    keeper._writer.close()  # all that a killed process leaves: a take without a finding
    assert told(keeper.folder).takes[0].finding is None
    resumed, _ = Keeper.resume(keeper.folder, clock=clock)
    resumed.close()
    assert same_as_replayed(keeper.folder, tmp_path / "again")


def test_a_take_that_nobody_can_score_is_taken_back_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise AudioFileError("The recording cannot be read")

    keeper = Keeper.create(tmp_path / "record", VISIT, clock=clock)
    keeper.take(recorded(keeper), 1, "tailpipe")
    monkeypatch.setattr(replay, "score", refuse)
    keeper.score_the_rest()
    assert told(keeper.folder).takes[0].retracted == "The recording cannot be read"
    keeper.close()
    assert "cylinder.take" not in (keeper.folder / "replay.toml").read_text(encoding="utf-8")
