"""A simulated technician: watches the board, turns a valve, dictates, and presses.

What it turns is a hiss in the sound server's shop; what it says is a clip played into its room.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

import numpy as np

from earwitness.audio.loudspeaker import Loudspeaker
from earwitness.simulate.operator import load_clip

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.session.live.inspection import LiveInspection
    from earwitness.session.snapshot import Board, Snapshot
    from sound_server import SoundServer

VOICE_FS = 16_000
AGAIN_S = 15.0
"""After how long a phrase that was not understood is said again [s]."""
LOUD = 0.1
"""Level of the voice over its loud parts [full scale]: the -20 dB of a close microphone."""


class Operator(threading.Thread):
    """Does what the board says, in a thread of its own.

    Parameters
    ----------
    server : SoundServer
        Where to be heard.
    board : Board
        What to look at.
    live : LiveInspection
        What to press on.
    leak : ndarray, shape (frames,)
        What comes out while the valve is open [full scale].
    plan : list of callable
        One after another: each gets the snapshot and this operator, and returns True once done.
    """

    def __init__(
        self,
        server: SoundServer,
        board: Board,
        live: LiveInspection,
        leak: np.ndarray,
        plan: list[Callable[[Snapshot, Operator], bool]],
    ) -> None:
        super().__init__(daemon=True)
        self.server, self.board, self.live, self.leak, self.left = server, board, live, leak, plan
        self.seen: list[Snapshot] = []
        self.talked: list[Snapshot] = []
        """What was on the board while the tool talked."""
        self._valve = Loudspeaker("shop")
        self._open = False

    def run(self) -> None:
        number = 0
        while True:
            number, now = self.board.wait_newer(number, 1.0)
            if now is None:
                continue
            self.seen.append(now)
            if self.live.talking:
                self.talked.append(now)
            self._turn(now.phase == "air-on")
            if self.left and self.left[0](now, self):
                self.left.pop(0)
            if now.phase == "done":
                self._valve.close()
                return

    def say(self, phrase: str) -> None:
        """Wait until the tool is silent, then speak."""
        while self.live.talking:
            time.sleep(0.05)
        time.sleep(0.6)
        self.server.play(LOUD * load_clip(phrase, VOICE_FS), "room", VOICE_FS)

    def _turn(self, on: bool) -> None:
        if on and not self._open:
            self._valve.play(self.leak.astype(np.float32))
        elif self._open and not on:
            self._valve.stop()
        self._open = on


def says(
    phrase: str, when: Callable[[Snapshot], bool], until: Callable[[Snapshot], bool]
) -> Callable[[Snapshot, Operator], bool]:
    """Say a phrase once something is on the board, and again until it was understood."""
    said_s: list[float] = []

    def act(now: Snapshot, operator: Operator) -> bool:
        if said_s and until(now):
            return True
        if when(now) and (not said_s or time.monotonic() - said_s[-1] > AGAIN_S):
            said_s.append(time.monotonic())
            threading.Thread(target=operator.say, args=(phrase,), daemon=True).start()
        return False

    return act


def asks(press: object, when: Callable[[Snapshot], bool]) -> Callable[[Snapshot, Operator], bool]:
    """Press once something is on the board."""

    def act(now: Snapshot, operator: Operator) -> bool:
        if when(now):
            operator.live.post(press)  # type: ignore[arg-type]
            return True
        return False

    return act
