"""A whole live inspection through a sound server: said, heard, recorded, and replayed the same."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import signal
from typer.testing import CliRunner

from earwitness.cli.main import app
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session.equipment.ears import Equipment, Input
from earwitness.session.live.inspection import LivePlan
from earwitness.session.live.keeping import Keeper, done_places
from earwitness.session.replay import Replay
from earwitness.session.runner import live_inspection
from earwitness.session.sheet import Visit, read_sheet
from earwitness.session.snapshot import Board, PlanStep, Press, Snapshot
from earwitness.simulate.bay import Bay
from earwitness.speech.dictation import load_model
from live_operator import Operator, asks, says
from sound_server import FS

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.diagnosis.verdict import EngineVerdict
    from sound_server import SoundServer

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

VISIT = Visit.model_validate(
    {"engine": {"cylinders": 1, "cooling": "air"}, "gauge": {"supply_kpa": 690}}
)
EQUIPMENT = Equipment(Input("probe"), Input("headset", 0, 16_000), None, "loudspeaker")
PLACES = (PlanStep(1, "gauge", "to-do"), PlanStep(1, "tailpipe", "to-do"))


def clock() -> datetime:
    return datetime.now(UTC)  # noqa: TID251  # a live test runs in real time


def is_read_back(s: Snapshot) -> bool:
    return s.phase == "read-back" and "correct" in s.said


def band_power(x: np.ndarray) -> float:
    """Power between 1 and 16 kHz, by Welch's method [full scale squared]."""
    f, density = signal.welch(x, FS, nperseg=4096)
    return float(density[(f >= 1000) & (f <= 16_000)].sum())


@pytest.fixture(scope="module")
def told(server: SoundServer, tmp_path_factory: pytest.TempPathFactory):
    """One inspection: a leakage said and confirmed, one take at a leaking tailpipe, the verdict."""
    folder = tmp_path_factory.mktemp("live") / "record"
    rng, board = np.random.default_rng(5), Board()
    shop = Bay(7, fs=FS, preset="still").render_steady("tailpipe", None, 90.0, take=1)
    server.play(shop, "shop")
    server.play(1e-4 * rng.standard_normal(90 * FS), "room")
    live = live_inspection(
        LivePlan(VISIT.engine.layout(), PLACES, 690.0, cycles=5, stays_s=(1.3, 1.6)),
        Keeper.create(folder, VISIT, clock=clock),
        board,
        rng=rng,
        equipment=EQUIPMENT,
        model=load_model(None),
    )
    white = rng.standard_normal(3 * FS)
    leak = white * np.sqrt(band_power(shop) / band_power(white))
    operator = Operator(
        server,
        board,
        live,
        leak,
        [
            asks(Press("understood"), lambda s: s.phase == "cautions"),
            says("leakage forty two percent", lambda s: s.phase == "gauge", is_read_back),
            says("confirm", is_read_back, lambda s: s.said == "stored"),
            asks(Press("next"), lambda s: s.said == "stored"),
            asks(Press("start"), lambda s: s.phase == "move" and s.point == "tailpipe"),
            asks(Press("finish"), lambda s: s.phase == "move" and s.point is None),
        ],
    )
    operator.start()
    verdict = live.run()
    operator.join(5.0)
    return folder, verdict, operator


Told = tuple["Path", "EngineVerdict", Operator]


def test_a_reading_said_and_confirmed_is_in_the_record(told: Told) -> None:
    found = inspection(read_record(told[0]))
    assert [(r.quantity, r.value, r.origin) for r in found.readings] == [
        ("leakage", "42", "dictated, confirmed")
    ]
    assert not found.lost


def test_a_leak_as_loud_as_the_shop_is_heard_at_the_prompts(told: Told) -> None:
    """Equal powers: a rise of 10 lg 2 = 3.0 dB, less what the valve's delay costs."""
    (take,) = inspection(read_record(told[0])).takes
    assert take.finding is not None
    assert take.finding.p_value is not None
    assert take.finding.p_value <= 0.01
    assert take.finding.excess_db == pytest.approx(3.0, abs=1.5)
    damage = {"clipped", "zero-runs", "repeated-blocks", "clicks", "gain-stepped", "speech"}
    assert not damage & set(take.finding.flags)


def test_a_replay_of_the_recordings_gives_the_same(told: Told, tmp_path: Path) -> None:
    folder, verdict, _ = told
    sheet = read_sheet(folder / "replay.toml")
    run = Replay(sheet, folder, tmp_path / "again", clock=clock, tell=lambda _: None)
    assert run.run("replay.toml").verdict == verdict
    live, again = (inspection(read_record(f)) for f in (folder, tmp_path / "again"))
    assert [t.finding for t in again.takes] == [t.finding for t in live.takes]
    assert [u.heard for u in again.utterances] == [u.heard for u in live.utterances]
    assert [r.value for r in again.readings] == [r.value for r in live.readings]


def test_its_claim_bag_is_sound_and_recomputes(told: Told, tmp_path: Path) -> None:
    run = CliRunner()
    bag = str(tmp_path / "bag")
    packed = run.invoke(app, ["pack", str(told[0]), "--out", bag, "--keys", str(tmp_path / "keys")])
    assert packed.exit_code == 0, packed.output
    verified = run.invoke(app, ["verify", bag, "--recompute"])
    assert verified.exit_code == 0, verified.output


def test_the_board_showed_every_phase(told: Told) -> None:
    seen = told[2].seen
    assert {s.phase for s in seen} == {
        "cautions", "gauge", "read-back", "move", "get-ready", "air-off", "air-on", "done",
    }  # fmt: skip
    rises = [s.meter.rise_db for s in seen if s.phase == "air-off" and s.meter.rise_db]
    assert rises[-1] == pytest.approx(3.0, abs=1.5)
    assert seen[-1].verdicts[0].cylinder == 1


def test_nothing_was_said_while_the_take_was_made(told: Told) -> None:
    """And the tool's voice is marked in the second channel of what the headset heard."""
    import soundfile as sf

    found = inspection(read_record(told[0]))
    said = next(a for a in found.audio if a.path.endswith("-said.wav"))
    marks = sf.read(told[0] / said.path)[0][:, 1]
    ends = np.flatnonzero(np.diff((marks != 0).astype(int)))
    assert len(ends) >= 4
    assert {s.phase for s in told[2].talked} >= {"cautions", "read-back", "get-ready"}
    assert not {"Air on", "Air off"} & {s.instruction for s in told[2].talked}
    assert set(np.unique(marks)) == {0.0, 0.5}


def test_its_own_voice_in_the_headset_is_no_command(told: Told) -> None:
    """The loudspeaker of these tests plays straight into the room that the headset hears."""
    heard = [u.heard for u in inspection(read_record(told[0])).utterances]
    obeyed = [h.command for h in heard if not (h.rejected or h.while_talking)]
    assert obeyed[-1] == "confirm"
    assert set(obeyed[:-1]) == {"leakage"}


def test_what_is_done_is_done_on_another_day_too(told: Told) -> None:
    assert done_places(inspection(read_record(told[0]))) == {(1, "gauge"), (1, "tailpipe")}


def test_a_second_day_goes_on_where_the_first_was_stopped(
    server: SoundServer, tmp_path: Path
) -> None:
    """Put to rest in the middle of a take, its sound is kept, and its place is still to do."""
    folder, board = tmp_path / "record", Board()
    keeper = Keeper.create(folder, VISIT, clock=clock)
    plan = LivePlan(VISIT.engine.layout(), PLACES[1:], 690.0, cycles=5, stays_s=(1.3, 1.6))
    equipment = Equipment(Input("probe"), None, None, "loudspeaker", "off")
    player = server.play(1e-3 * np.random.default_rng(1).standard_normal(30 * FS), "shop")
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
    told = keeper.told()
    assert [(r.value, r.origin) for r in told.readings] == [("9", "typed")]
    assert (1, "tailpipe") not in done_places(told)
    keeper.close()
    assert read_sheet(folder / "replay.toml").cylinder[0].leakage_percent == (9.0,)
