"""One device, two listeners: probe and headset on two channels of one interface."""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.audio.microphone import Block
    from earwitness.errors import EquipmentError
    from earwitness.session.equipment.sound import Source

WAIT_S = 0.1
"""How long the pump waits for a block before it looks whether anyone still listens [s]."""


class Shared:
    """Hands every block of one device to all who listen.

    Parameters
    ----------
    opened : callable
        Opens the device.
    """

    def __init__(self, opened: Callable[[], Source]) -> None:
        self._opened = opened
        self._lock = threading.Lock()
        self._taps: list[Tap] = []
        self._source: Source | None = None
        self._started = False

    def tap(self) -> Tap:
        """Return a source of the device's blocks; the first one opens it.

        Raises
        ------
        EquipmentError
            If it cannot be opened.
        """
        with self._lock:
            if self._source is None:
                self._source, self._started = self._opened(), False
            tap = Tap(self, self._source)
            self._taps.append(tap)
            return tap

    def start(self) -> None:
        """Begin to record, once."""
        with self._lock:
            if self._started or self._source is None:
                return
            self._source.start()
            self._started = True
            threading.Thread(target=self._pump, args=(self._source,), daemon=True).start()

    def leave(self, tap: Tap) -> None:
        """Listen no more; the last one closes the device."""
        with self._lock:
            self._taps = [t for t in self._taps if t is not tap]
            if not self._taps and self._source is not None:
                self._source.close()
                self._source = None

    def _pump(self, source: Source) -> None:
        from earwitness.errors import EquipmentError

        while self._source is source:
            try:
                block = source.next_block(WAIT_S)
            except EquipmentError as e:
                self._lose(source, e)
                return
            if block is not None:
                with self._lock:
                    for tap in self._taps:
                        tap.blocks.put(block)

    def _lose(self, source: Source, error: EquipmentError) -> None:
        """Tell everyone that the device is gone."""
        with self._lock:
            gone, self._taps, self._source = self._taps, [], None
        source.close()
        for tap in gone:
            tap.blocks.put(error)


class Tap:
    """A source that shares its device with others."""

    def __init__(self, shared: Shared, source: Source) -> None:
        self._shared, self._source = shared, source
        self.sample_rate_hz, self.channels = source.sample_rate_hz, source.channels
        self.blocks: queue.SimpleQueue[Block | EquipmentError] = queue.SimpleQueue()

    def start(self) -> None:
        """Begin to record."""
        self._shared.start()

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the next block, or None if none came in time; raises EquipmentError if gone."""
        try:
            found = self.blocks.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if isinstance(found, Exception):
            raise found
        return found

    def close(self) -> None:
        """Stop listening."""
        self._shared.leave(self)
