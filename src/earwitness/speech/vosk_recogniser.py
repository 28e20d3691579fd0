"""Listen with Vosk, offline, with a small model folder and run-time grammars."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.errors import ModelError
from earwitness.speech.model_folder import check_folder, gate_of, vocabulary_of, words_known
from earwitness.speech.recogniser import (
    RECOGNISER_RATE_HZ,
    UNKNOWN_WORD,
    Alternative,
    Utterance,
    Word,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from earwitness.units import Samples

FEED = RECOGNISER_RATE_HZ // 10
"""Samples handed to Vosk at a time: it looks for the end of an utterance once per call."""
ALTERNATIVES = 30
"""Readings asked for per utterance. Chosen: more than Vosk finds within its lattice beam of 6."""
JOINED = 6
"""Readings of each piece that are joined when Vosk itself ended an utterance early [1]. Chosen: 36
pairs, about as many as there are readings of an utterance in one piece."""
LOUDEST = 32_767
"""Largest 16-bit sample, which is what Vosk takes."""
SHIPPED = "en-trade-3"
"""Folder of the model that comes with the package."""


class VoskModel:
    """A Vosk model in memory; listens with any grammar whose words it knows.

    Parameters
    ----------
    path : Path
        The model folder.

    Raises
    ------
    ModelError
        If the folder is missing, incomplete or damaged, cannot tell unknown speech, or lacks a
        number word.
    """

    def __init__(self, path: Path) -> None:
        check_folder(path)
        self.path = path
        self._known = words_known(path)
        if UNKNOWN_WORD not in self._known:
            raise ModelError(
                f"The speech model {path} has no word {UNKNOWN_WORD} for unknown speech, so that"
                " it would take any talk for a command",
                remedy="Use a model that has it, for example the one that came with earwitness.",
            )
        self.vocabulary = vocabulary_of(path)
        self.gate = gate_of(path)
        self._check_numbers()
        self._model = _load(path)
        self._idle: dict[tuple[str, ...], list[tuple[Any, int]]] = {}

    def recogniser(self, phrases: Sequence[str]) -> VoskRecogniser:
        """Return a recogniser for one utterance.

        Parameters
        ----------
        phrases : sequence of str
            What may be said; copies of a phrase make it likelier. Phrases with a word that the
            model lacks are left out: Vosk would leave out only the word, in silence.

        Returns
        -------
        VoskRecogniser
            A recogniser for one utterance.

        Raises
        ------
        ModelError
            If no phrase is left.
        """
        key = tuple(phrases)
        idle = self._idle.setdefault(key, [])
        return VoskRecogniser(*(idle.pop() if idle else (self._listener(key), 0)), idle)

    def lacking(self, words: Iterable[str]) -> list[str]:
        """Return those of the words that the model does not know, sorted."""
        return sorted(set(words) - self._known)

    def _check_numbers(self) -> None:
        """Refuse a model that would have to hear one number for another."""
        numbers = self.vocabulary.numbers
        names = (*numbers.digits, *numbers.teens, *numbers.tens, numbers.point)
        lacking = self.lacking(w for name in names for w in name.split())
        if lacking:
            raise ModelError(
                f"The speech model {self.path} cannot hear every number; it does not know:"
                f" {', '.join(lacking)}",
                remedy="Use a model of this language that knows all number words.",
            )

    def _listener(self, phrases: tuple[str, ...]) -> Any:
        import vosk

        possible = [p for p in phrases if self._known.issuperset(p.split())]
        if not set(possible) - {UNKNOWN_WORD}:
            lacking = ", ".join(self.lacking(w for p in phrases for w in p.split()))
            raise ModelError(
                f"The speech model {self.path} does not know: {lacking}",
                remedy="Use the model that came with earwitness.",
            )
        listener = vosk.KaldiRecognizer(self._model, RECOGNISER_RATE_HZ, json.dumps(possible))
        listener.SetWords(True)
        listener.SetMaxAlternatives(ALTERNATIVES)
        return listener


class VoskRecogniser:
    """One utterance being listened to; made by `VoskModel.recogniser`.

    Vosk's own listener is handed back when the utterance is finished, because making one for a
    large grammar takes 50 ms. It counts time on over its whole life: `begun` is where it stands.
    """

    def __init__(self, listener: Any, begun: int, idle: list[tuple[Any, int]]) -> None:
        listener.Reset()  # vosk has no types
        self._listener = listener
        self._begun = self._fed = begun
        self._idle = idle
        self._waiting = np.zeros(0, dtype=np.float32)
        self._pieces: list[tuple[Alternative, ...]] = []

    def feed(self, samples: Samples) -> None:
        """Take samples at 16 kHz, shape (frames,) [1]."""
        waiting = np.concatenate([self._waiting, samples])
        whole = len(waiting) // FEED * FEED
        self._waiting = waiting[whole:]
        for block in waiting[:whole].reshape(-1, FEED):
            self._accept(block)

    def partial(self) -> str:
        """Return the best guess so far, without what is still unknown speech."""
        found = json.loads(self._listener.PartialResult()).get("partial", "")
        before = [p[0].text for p in self._pieces]
        return " ".join(t for t in (*before, found) if t)

    def finish(self) -> Utterance | None:
        """Return what was said, None if nothing was; the recogniser is not used again."""
        self._accept(self._waiting)
        self._keep(self._listener.FinalResult())
        self._idle.append((self._listener, self._fed))
        return Utterance(_joined(self._pieces)) if self._pieces else None

    def _accept(self, block: Samples) -> None:
        sound = np.round(np.clip(block, -1, 1) * LOUDEST).astype("<i2").tobytes()
        self._fed += len(block)
        if sound and self._listener.AcceptWaveform(sound):
            self._keep(self._listener.Result())

    def _keep(self, result: str) -> None:
        found = json.loads(result).get("alternatives", [])
        begun_s = self._begun / RECOGNISER_RATE_HZ
        alternatives = tuple(_alternative(a, begun_s) for a in found)
        if alternatives and alternatives[0].words:
            self._pieces.append(alternatives)


def load_model(path: Path | None = None) -> VoskModel:
    """Load a speech model.

    Parameters
    ----------
    path : Path, optional
        A Vosk model folder; the shipped one if left out.

    Returns
    -------
    VoskModel
        The model.

    Raises
    ------
    ModelError
        If the folder is missing, incomplete or damaged.
    """
    return VoskModel(shipped_model() if path is None else path)


def shipped_model() -> Path:
    """Return the folder of the model that comes with the package, installed or as source."""
    package = Path(__file__).parents[1]
    homes = (package / "models", package.parents[1] / "models")
    found = [h / SHIPPED for h in homes if (h / SHIPPED).is_dir()]
    return found[0] if found else homes[0] / SHIPPED


def _load(path: Path) -> Any:
    import vosk

    vosk.SetLogLevel(-1)
    try:
        return vosk.Model(str(path))
    except Exception as e:  # vosk raises nothing more specific
        raise ModelError(f"{path} cannot be loaded as a speech model") from e


def _alternative(found: dict[str, Any], begun_s: float) -> Alternative:
    words = (
        Word(w["word"], round(w["start"] - begun_s, 2), round(w["end"] - begun_s, 2))
        for w in found.get("result", [])
    )
    return Alternative(tuple(words), float(found["confidence"]))


def _joined(pieces: list[tuple[Alternative, ...]]) -> tuple[Alternative, ...]:
    """Join the readings of the pieces of one utterance, the likeliest first."""
    if len(pieces) == 1:
        return pieces[0]
    chosen = pieces[0][:JOINED]
    for piece in pieces[1:]:
        pairs = product(chosen, piece[:JOINED])
        joined = [Alternative((*a.words, *b.words), a.score + b.score) for a, b in pairs]
        chosen = tuple(sorted(joined, key=lambda a: -a.score))[: JOINED**2]
    return chosen
