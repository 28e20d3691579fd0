"""A whole live inspection through a sound server: said, heard, recorded, and replayed the same.

`benchmarks/live_whole.py` does the same with one device for all microphones.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from typer.testing import CliRunner

from earwitness.cli.main import app
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session.equipment.ears import Equipment, Input
from earwitness.session.live.inspection import LivePlan
from earwitness.session.live.keeping import Keeper, done_places
from earwitness.session.replay import Replay
from earwitness.session.runner import live_inspection
from earwitness.session.sheets.sheet import Visit, read_sheet
from earwitness.session.snapshot import Board, PlanStep, Press
from live_operator import Operator, asks
from live_whole import BENCHES, PLACES, Whole, clock, inspect_whole, verdict_bytes
from sound_server import FALTERS_NOT_MS, FS

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.model import Inspection, Take
    from sound_server import SoundServer

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

DAMAGE = {"clipped", "zero-runs", "repeated-blocks", "clicks", "gain-stepped", "speech"}


@pytest.fixture(scope="module")
def whole(server: SoundServer, tmp_path_factory: pytest.TempPathFactory) -> Whole:
    """Probe and headset on two devices."""
    return inspect_whole(server, BENCHES["two-devices"], tmp_path_factory.mktemp("live") / "record")


def told(folder: Path) -> Inspection:
    return inspection(read_record(folder))


def last_takes(found: Inspection) -> dict[tuple[int, str], Take]:
    """By place; a spoiled take was made again."""
    return {(t.cylinder, t.point): t for t in found.takes}


def test_the_engine_was_named_by_voice_and_the_sound_of_it_is_kept(whole: Whole) -> None:
    found = told(whole.folder)
    assert (found.layout.cylinders, found.layout.firing_order) == (2, (1, 2))
    (sound,) = (a for a in found.audio if "engine-said" in a.path)
    assert sound.frames > 3 * sound.sample_rate_hz


def test_what_was_said_and_confirmed_is_in_the_record(whole: Whole) -> None:
    found = told(whole.folder)
    assert [(r.cylinder, r.quantity, r.value, r.origin) for r in found.readings] == [
        (1, "leakage", "42", "dictated, confirmed"),
        (2, "leakage", "9", "dictated, confirmed"),
    ]
    assert not found.lost


def test_a_leak_as_loud_as_the_shop_is_heard_at_the_prompts(whole: Whole) -> None:
    """Equal powers: a rise of 10 lg 2 = 3.0 dB, less what the valve's delay costs."""
    takes = last_takes(told(whole.folder))
    finding = takes.pop((1, "tailpipe")).finding
    assert finding is not None
    assert finding.p_value is not None
    assert finding.p_value <= 0.01
    assert finding.excess_db == pytest.approx(3.0, abs=1.5)
    assert not DAMAGE & set(finding.flags)
    assert set(takes) == {(1, "throttle-body"), (2, "tailpipe")}
    for silent in takes.values():
        assert silent.finding is not None
        assert silent.finding.excess_db < 1.0


def test_the_verdict_names_the_exhaust_valve_of_the_leaking_cylinder(whole: Whole) -> None:
    assert whole.verdict is not None
    first, second = whole.verdict.cylinders
    assert first.ranking[0].verdict == "exhaust-valve"
    assert second.ranking[0].verdict == "sealed"


def test_a_replay_of_the_recordings_gives_the_same_to_the_last_byte(
    whole: Whole, tmp_path: Path
) -> None:
    sheet = read_sheet(whole.folder / "replay.toml")
    run = Replay(sheet, whole.folder, tmp_path / "again", clock=clock, tell=lambda _: None)
    assert run.run("replay.toml").verdict == whole.verdict
    assert verdict_bytes(tmp_path / "again") == verdict_bytes(whole.folder)
    live, again = told(whole.folder), told(tmp_path / "again")
    assert [t.finding for t in again.takes] == [t.finding for t in live.takes]
    assert [u.heard for u in again.utterances] == [u.heard for u in live.utterances]
    assert [r.value for r in again.readings] == [r.value for r in live.readings]


def test_its_claim_bag_is_sound_and_recomputes(whole: Whole, tmp_path: Path) -> None:
    run = CliRunner()
    bag, keys = str(tmp_path / "bag"), str(tmp_path / "keys")
    packed = run.invoke(app, ["pack", str(whole.folder), "--out", bag, "--keys", keys])
    assert packed.exit_code == 0, packed.output
    verified = run.invoke(app, ["verify", bag, "--recompute"])
    assert verified.exit_code == 0, verified.output


def test_the_board_showed_every_phase(whole: Whole) -> None:
    seen = whole.operator.seen
    assert {s.phase for s in seen} == {
        "set-up", "cautions", "gauge", "read-back", "move", "get-ready", "air-off", "air-on",
        "done",
    }  # fmt: skip
    place = (1, "tailpipe", "air-off")
    rises = [s.meter.rise_db for s in seen if (s.cylinder, s.point, s.phase) == place]
    assert [r for r in rises if r][-1] == pytest.approx(3.0, abs=1.5)
    assert [v.cylinder for v in seen[-1].verdicts] == [1, 2]


def test_nothing_was_said_while_a_take_was_made(whole: Whole) -> None:
    """And the tool's voice is marked in the second channel of what the headset heard."""
    import soundfile as sf

    said = next(a for a in told(whole.folder).audio if a.path.endswith("-c1-said.wav"))
    marks = sf.read(whole.folder / said.path)[0][:, 1]
    ends = np.flatnonzero(np.diff((marks != 0).astype(int)))
    assert len(ends) >= 4
    talked = whole.operator.talked
    assert {s.phase for s in talked} >= {"set-up", "cautions", "read-back", "get-ready"}
    assert not {"Air on", "Air off"} & {s.instruction for s in talked}
    assert set(np.unique(marks)) == {0.0, 0.5}


def test_its_own_voice_in_the_headset_is_no_command(whole: Whole) -> None:
    """The loudspeaker of these tests plays straight into the room that the headset hears."""
    heard = [u.heard for u in told(whole.folder).utterances]
    obeyed = {h.command for h in heard if not (h.rejected or h.while_talking)}
    assert obeyed <= {"leakage", "confirm", "scratch-that"}


def test_what_is_done_is_done_on_another_day_too(whole: Whole) -> None:
    assert done_places(told(whole.folder)) == {(p.cylinder, p.point) for p in PLACES}


VISIT = Visit.model_validate(
    {"engine": {"cylinders": 1, "cooling": "air"}, "gauge": {"supply_kpa": 690}}
)
ONE_PLACE = (PlanStep(1, "tailpipe", "to-do"),)


def test_a_second_day_goes_on_where_the_first_was_stopped(
    server: SoundServer, tmp_path: Path
) -> None:
    """Put to rest in the middle of a take, its sound is kept, and its place is still to do."""
    folder, board = tmp_path / "record", Board()
    keeper = Keeper.create(folder, VISIT, clock=clock)
    plan = LivePlan(VISIT.engine.layout(), ONE_PLACE, 690.0, cycles=5, stays_s=(1.3, 1.6))
    equipment = Equipment(Input("probe"), None, None, "loudspeaker", "off")
    player = server.play(
        1e-3 * np.random.default_rng(1).standard_normal(60 * FS), "shop", latency_ms=FALTERS_NOT_MS
    )
    live = live_inspection(plan, keeper, board, rng=np.random.default_rng(1), equipment=equipment)
    stop = [
        asks(Press("understood"), lambda s: s.phase == "cautions"),
        asks(Press("reading", "leakage 9 percent"), lambda s: s.phase == "move"),
        asks(Press("confirm"), lambda s: "confirm" in s.actions),
        asks(Press("start"), lambda s: s.phase == "move"),
        lambda now, _: now.phase == "air-on" and live.interrupt() is None,
    ]
    operator = Operator(server, board, live, np.zeros(FS), stop)
    operator.start()
    assert live.run() is None
    player.terminate()
    left = inspection(read_record(folder))
    assert left.takes == ()
    assert "Stopped by hand." in {n.text for n in left.notes}
    assert any("broken off" in n.text for n in left.notes)
    assert [(a.frames > FS) for a in left.audio] == [True]
    keeper, lost = Keeper.resume(folder, clock=clock)
    assert lost is None
    kept = keeper.told()
    assert [(r.value, r.origin) for r in kept.readings] == [("9", "typed")]
    assert (1, "tailpipe") not in done_places(kept)
    keeper.close()
    assert read_sheet(folder / "replay.toml").cylinder[0].leakage_percent == (9.0,)
