"""The probe: takes on disk as they are made."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from earwitness.session.equipment.sound import Begun, Damaged, DueNow, Worker
from earwitness.session.equipment.taking import Take, TakeOrder

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from earwitness.audio.microphone import Block
    from earwitness.session.equipment.sound import Source


class Probe(Worker):
    """The probe microphone, and the ambient one if it is on the same device.

    Parameters
    ----------
    opened : callable
        Opens the microphone.
    post : callable
        Takes `Begun`, `DueNow`, `Damaged`, `Recorded`, `Gone`, `Back` and `Failed`.
    channels : sequence of int
        Channel of the probe, then perhaps that of the ambient microphone, 0 is the first.
    show : callable
        Called with every block of the probe, shape (frames,), for a display.
    now : callable, optional
        The clock that the blocks are stamped by [s].
    """

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channels: tuple[int, ...],
        show: Callable[[NDArray[np.float32]], None] = lambda _: None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._channels, self._show, self._now = channels, show, now
        self._take: Take | None = None
        super().__init__("probe", opened, post)

    def begin(self, order: TakeOrder) -> None:
        """Record a take from the next block on."""
        self._inbox.put(("begin", order))

    def turned(self, moment_s: float) -> None:
        """Note when the cue to turn the valve was in the air [s of time.monotonic]."""
        self._inbox.put(("turned", moment_s))

    def end(self, why: str = "") -> None:
        """Stop recording; `why` if it is broken off."""
        self._inbox.put(("end", why))

    def _do(self, order: str, *what: Any) -> None:
        if order == "begin" and self._source is not None:
            self._take = Take(what[0], self.sample_rate_hz)
        elif order == "turned" and self._take is not None:
            self._take.turned(what[0])
        elif order == "end":
            self._end(what[0])

    def _hear(self, block: Block) -> None:
        self._show(block.samples[:, self._channels[0]])
        take = self._take
        if take is None:
            return
        first = take.frames == 0
        take.keep(block, self._channels)
        if first:
            self._post(Begun())
        if take.is_due(self._now()):
            self._post(DueNow())
        if flag := take.damage():
            self._post(Damaged(flag))

    def _end(self, why: str = "the recording was cut short") -> None:
        if self._take is not None:
            take, self._take = self._take, None
            self._post(take.close(why))
