"""A whole live inspection through a sound server: named, dictated, recorded, judged.

Two cylinders in line, named by voice. Cylinder 1 leaks 42 % and hisses at the tailpipe as loudly as
the shop; cylinder 2 leaks 9 % and is silent there. The equipment is two devices, or one device with
a channel for each microphone, with or without an ambient one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import signal

from earwitness.cli.preparing import Prepared, begun
from earwitness.session.equipment.ears import Equipment, Input
from earwitness.session.live.inspection import LivePlan
from earwitness.session.runner import ask_engine, live_inspection
from earwitness.session.settings import Settings
from earwitness.session.snapshot import Board, PlanStep, Press
from earwitness.simulate.bay import Bay
from earwitness.speech.dictation import load_model
from live_operator import Operator, asks, dictates, says, takes
from sound_server import FALTERS_NOT_MS, FS

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.diagnosis.verdict import EngineVerdict
    from earwitness.session.snapshot import Snapshot
    from sound_server import SoundServer

PLACES = (
    PlanStep(1, "gauge", "to-do"),
    PlanStep(1, "tailpipe", "to-do"),
    PlanStep(1, "throttle-body", "to-do"),
    PlanStep(2, "gauge", "to-do"),
    PlanStep(2, "tailpipe", "to-do"),
)
STAYS_S = (1.35, 1.6)
"""Shortest and longest stay of the valve [s]: scoring needs 1.1 s; the rest is for a busy machine,
which turns late."""
CYCLES = 5
MINUTES = 5
WORDS_PER_MINUTE = 300
"""Rate of the tool's speech [1/min]: a hasty reader's, so that it is soon over."""
ROOM_LEVEL = 1e-4
"""Noise in the headset [full scale]."""


@dataclass(frozen=True)
class Bench:
    """One way to connect the microphones."""

    equipment: Equipment
    valve: str
    """Device that the leak is played on."""
    mouth: str
    """Sink that phrases are played into."""
    shop: tuple[str, ...]
    """Sinks that the shop's noise is played into, the headset's last or the only one."""


HASTY: dict[str, Any] = {"words_per_minute": WORDS_PER_MINUTE}
BENCHES = {
    "two-devices": Bench(
        Equipment(Input("probe"), Input("headset", 0, 16_000), None, "loudspeaker", **HASTY),
        "shop", "room", ("shop", "room"),
    ),
    "one-device": Bench(
        Equipment(Input("desk"), Input("desk", 3), None, "mouth", **HASTY),
        "valve", "mouth", ("desk",),
    ),
    "one-device-ambient": Bench(
        Equipment(Input("desk"), Input("desk", 3), 2, "mouth", **HASTY),
        "valve", "mouth", ("desk",),
    ),
}  # fmt: skip


@dataclass
class Whole:
    """What came of it."""

    folder: Path
    verdict: EngineVerdict | None
    operator: Operator


class Led:
    """Hands presses to whatever is led now, as the command does."""

    def __init__(self) -> None:
        self.at: Any = None

    @property
    def talking(self) -> bool:
        return self.at is not None and self.at.talking

    def post(self, press: Press) -> None:
        self.at.post(press)

    def interrupt(self) -> None:
        self.at.interrupt()

    def lead(self, at: Any) -> Any:
        self.at = at
        return at.run()


def clock() -> datetime:
    return datetime.now(UTC)  # noqa: TID251  # a live test runs in real time


def inspect_whole(server: SoundServer, bench: Bench, folder: Path, seed: int = 5) -> Whole:
    """Make the inspection; the server must have what the bench needs.

    Raises
    ------
    BaseException
        Whatever made the operator give up.
    """
    rng, board, led = np.random.default_rng(seed), Board(), Led()
    minute = Bay(7, fs=FS, preset="still").render_steady("tailpipe", None, 60.0, take=1)
    shop = np.tile(minute, MINUTES)
    players = _play_shop(server, bench, shop, rng)
    white = rng.standard_normal(3 * FS)
    leak = white * np.sqrt(band_power(shop[: 10 * FS]) / band_power(white))
    operator = Operator(
        server, board, led, leak, _plan(), leaks=_leaks, valve=bench.valve, mouth=bench.mouth
    )
    made: dict[str, Any] = {"equipment": bench.equipment, "model": load_model(None)}

    def name(sounds: Path) -> Any:
        asking = ask_engine(board, sounds, clock=clock, **made)
        led.at = asking
        operator.start()
        return led.lead(asking)

    keeper = begun(Prepared(folder, None), Settings(), name)
    assert keeper is not None, operator.error
    plan = LivePlan(keeper.told().layout, PLACES, 690.0, CYCLES, STAYS_S)
    verdict = led.lead(live_inspection(plan, keeper, board, rng=rng, **made))
    operator.join(10.0)
    for player in players:
        player.terminate()
    if operator.error is not None:
        raise operator.error
    return Whole(folder, verdict, operator)


def band_power(x: np.ndarray) -> float:
    """Power between 1 and 16 kHz, by Welch's method [full scale squared]."""
    f, density = signal.welch(x, FS, nperseg=4096)
    return float(density[(f >= 1000) & (f <= 16_000)].sum())


def _leaks(now: Snapshot) -> bool:
    return (now.cylinder, now.point) == (1, "tailpipe")


def _plan() -> list[Any]:
    named = lambda s: "cylinders: 2" in s.detail  # noqa: E731
    stored = lambda s: s.said == "stored"  # noqa: E731
    return [
        says("cylinder two", lambda s: s.phase == "set-up", named),
        says("confirm", named, lambda s: s.phase != "set-up"),
        asks(Press("understood"), lambda s: s.phase == "cautions"),
        dictates("leakage forty two percent", 1),
        asks(Press("next"), stored),
        takes(1, "tailpipe"),
        takes(1, "throttle-body"),
        dictates("leakage nine percent", 2),
        asks(Press("next"), stored),
        takes(2, "tailpipe"),
        asks(Press("finish"), lambda s: s.phase == "move" and s.point is None),
    ]


def _play_shop(server: SoundServer, bench: Bench, shop: np.ndarray, rng: Any) -> list[Any]:
    """Play the shop to the probe, more softly to the ambient microphone, a hum to the headset."""
    hum = ROOM_LEVEL * rng.standard_normal(len(shop))
    if len(bench.shop) == 2:
        parts = zip(bench.shop, (shop, hum), strict=True)
    else:
        ambient = 0.7 * shop + hum
        four = np.stack([shop, np.zeros_like(shop), ambient, hum], axis=1)
        parts = zip(bench.shop, (four,), strict=True)
    return [server.play(x, sink, latency_ms=FALTERS_NOT_MS) for sink, x in parts]


def verdict_bytes(folder: Path) -> bytes:
    """Return the line of a record that holds its verdict, from its body on, as it is on disk."""
    lines = (folder / "record.jsonl").read_bytes().splitlines()
    (line,) = (x for x in lines if b'"kind":"verdict"' in x)
    return line[line.index(b'"body":') : line.index(b',"kind":"verdict"')]
