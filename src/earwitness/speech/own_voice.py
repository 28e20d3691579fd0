"""Tell the technician's voice from the tool's own, which the microphone hears too."""

from __future__ import annotations

from collections import deque

TAIL_FRAMES = 10
"""Frames after the tool has stopped talking in which its voice may still arrive [1]: 320 ms.
Chosen: sound card buffers and the echo of a workshop."""
ABOVE_OWN_DB = 6.0
"""How much louder than the tool's own voice a word must be to be another's [dB]. Chosen: twice the
amplitude; the loudest word of one sentence is compared with single words of another."""
TIMES = 8
"""How many times of talk are remembered [1]. Chosen: a cue is quieter than a sentence, and a few of
them must not make the next sentence seem another's."""
CREEP_DB = 1.0
"""How much what was learnt rises when somebody breaks in [dB]. Chosen: should it have been the tool
itself after all, it is known again after a few times; the technician loses little by it."""
UNKNOWN_DB = float("inf")
"""Level of the tool's own voice before it was ever heard: nothing is louder [dB]."""


class OwnVoice:
    """Follow when the tool talks and how loud the microphone hears it.

    Its level is the loudest of the last times it talked; while it talks for the first time nobody
    else can be heard. Once learnt, whoever is clearly louder is the technician, breaking in.
    """

    def __init__(self) -> None:
        self._talking = False
        self._left = 0
        self._learnt: deque[float] = deque(maxlen=TIMES)
        self._loudest_db = -UNKNOWN_DB
        self._broken = False

    @property
    def audible(self) -> bool:
        """Whether the tool talks, or its voice may still be in the room."""
        return self._talking or self._left > 0

    def talks(self, talking: bool) -> None:
        """Note that the tool begins or has ceased to talk."""
        if talking and not self.audible:
            self._loudest_db, self._broken = -UNKNOWN_DB, False
        self._left = 0 if talking else TAIL_FRAMES if self._talking else self._left
        self._talking = talking

    def is_own(self, level_db: float) -> bool:
        """Tell whether a frame is to be taken for the tool's own voice.

        Parameters
        ----------
        level_db : float
            Level of the last word's length of sound [dB re full scale].
        """
        if not self.audible:
            return False
        learnt_db = max(self._learnt, default=UNKNOWN_DB)
        self._broken = self._broken or level_db > learnt_db + ABOVE_OWN_DB
        self._loudest_db = max(self._loudest_db, level_db)
        if not self._talking:
            self._left -= 1
        if not self.audible:
            self._learnt.append(learnt_db + CREEP_DB if self._broken else self._loudest_db)
        return not self._broken
