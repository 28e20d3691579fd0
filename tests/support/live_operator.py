"""A simulated technician: watches the board, turns a valve, dictates, and presses.

What it turns is a hiss in the sound server's shop; what it says is a clip played into its room.
What was not understood it says again, a wrong value it takes back, a spoiled take it makes again.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from earwitness.audio.loudspeaker import Loudspeaker
from earwitness.session.snapshot import Press
from earwitness.simulate.operator import load_clip

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.session.snapshot import Board, Snapshot
    from sound_server import SoundServer

VOICE_FS = 16_000
AGAIN_S = 15.0
"""After how long a phrase that was not understood is said again [s]."""
LOUD = 0.1
"""Level of the voice over its loud parts [full scale]: the -20 dB of a close microphone."""
VOICE_LATENCY_MS = 500
"""Sound that the player of a phrase may hold [ms]: a busy machine must not tear a word."""
MOST_TAKES = 3
"""How often a place is taken at most [1]: a busy machine tears the sound of the shop now and then,
which is flagged as it should be."""


class Led(Protocol):
    """What is led: an inspection, or the naming of its engine."""

    talking: bool

    def post(self, press: Press) -> None:
        """Take a press."""

    def interrupt(self) -> None:
        """Stop."""


class Operator(threading.Thread):
    """Does what the board says, in a thread of its own, until the inspection is done.

    Parameters
    ----------
    server : SoundServer
        Where to be heard.
    board : Board
        What to look at.
    live : Led
        What to press on.
    leak : ndarray, shape (frames,)
        What comes out while the valve is open [full scale].
    plan : list of callable
        One after another: each gets the snapshot and this operator, and returns True once done.
    leaks : callable, optional
        Says of a snapshot whether air comes out there; everywhere if left out.
    valve : str, optional
        The device that the leak is played on.
    mouth : str, optional
        The sink that phrases are played into.
    """

    def __init__(
        self,
        server: SoundServer,
        board: Board,
        live: Led,
        leak: np.ndarray,
        plan: list[Callable[[Snapshot, Operator], bool]],
        *,
        leaks: Callable[[Snapshot], bool] = lambda _: True,
        valve: str = "shop",
        mouth: str = "room",
    ) -> None:
        super().__init__(daemon=True)
        self.server, self.board, self.live, self.leak, self.left = server, board, live, leak, plan
        self.seen: list[Snapshot] = []
        self.talked: list[Snapshot] = []
        """What was on the board while the tool talked."""
        self.error: BaseException | None = None
        """Why it gave up, if it did."""
        self._leaks, self._mouth = leaks, mouth
        self._valve = Loudspeaker(valve)
        self._open = False

    def run(self) -> None:
        try:
            number, phase = 0, ""
            while phase != "done":
                number, now = self.board.wait_newer(number, 1.0)
                if now is not None:
                    self._look(now)
                    phase = now.phase
        except BaseException as e:  # told by whoever waits for the inspection
            self.error = e
            self.live.interrupt()
        self._valve.close()

    def _look(self, now: Snapshot) -> None:
        self.seen.append(now)
        if self.live.talking:
            self.talked.append(now)
        self._turn(now.phase == "air-on" and self._leaks(now))
        if self.left and self.left[0](now, self):
            self.left.pop(0)

    def say(self, phrase: str) -> None:
        """Wait until the tool is silent, then speak."""
        while self.live.talking:
            time.sleep(0.05)
        time.sleep(0.6)
        clip = LOUD * load_clip(phrase, VOICE_FS)
        self.server.play(clip, self._mouth, VOICE_FS, latency_ms=VOICE_LATENCY_MS)

    def _turn(self, on: bool) -> None:
        if on and not self._open:
            self._valve.play(self.leak.astype(np.float32))
        elif self._open and not on:
            self._valve.stop()
        self._open = on


class Phrases:
    """Says one phrase at a time, and the same one again only after a while."""

    def __init__(self) -> None:
        self._said: tuple[str, float] = ("", 0.0)

    def say(self, phrase: str, operator: Operator) -> None:
        """Say a phrase, unless it was said just now."""
        before, at_s = self._said
        if phrase == before and time.monotonic() < at_s + AGAIN_S:
            return
        self._said = (phrase, time.monotonic())
        threading.Thread(target=operator.say, args=(phrase,), daemon=True).start()


def says(
    phrase: str, when: Callable[[Snapshot], bool], until: Callable[[Snapshot], bool]
) -> Callable[[Snapshot, Operator], bool]:
    """Say a phrase once something is on the board, and again until it was understood."""
    phrases = Phrases()

    def act(now: Snapshot, operator: Operator) -> bool:
        if until(now):
            return True
        if when(now):
            phrases.say(phrase, operator)
        return False

    return act


def dictates(reading: str, cylinder: int) -> Callable[[Snapshot, Operator], bool]:
    """Say a reading of a cylinder, look whether it was heard right, and confirm it or drop it."""
    phrases = Phrases()

    def act(now: Snapshot, operator: Operator) -> bool:
        if now.cylinder != cylinder or now.phase not in ("gauge", "read-back"):
            return False
        if now.said == "stored":
            return True
        if now.phase == "gauge":
            phrases.say(reading, operator)
        elif "correct" in now.said:
            phrases.say("confirm" if reading in now.said else "scratch that", operator)
        return False

    return act


def asks(press: Any, when: Callable[[Snapshot], bool]) -> Callable[[Snapshot, Operator], bool]:
    """Press once something is on the board."""

    def act(now: Snapshot, operator: Operator) -> bool:
        if when(now):
            operator.live.post(press)
            return True
        return False

    return act


def takes(cylinder: int, point: str) -> Callable[[Snapshot, Operator], bool]:
    """Start the take at a place, and start it again if it is spoiled."""
    started = 0
    before = ""

    def act(now: Snapshot, operator: Operator) -> bool:
        nonlocal started, before
        here = next(p for p in now.plan if (p.cylinder, p.point) == (cylinder, point))
        changed, before = before != now.phase, now.phase
        if here.state == "done":
            return True
        if (now.cylinder, now.point, now.phase) == (cylinder, point, "move") and changed:
            if started == MOST_TAKES:
                raise AssertionError(f"spoiled {started} times: {here.result}, {now.said}")
            started += 1
            operator.live.post(Press("start"))
        return False

    return act
