"""Listen with Vosk, offline, with a small model folder and run-time grammars."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.errors import ModelError
from earwitness.speech.recogniser import RECOGNISER_RATE_HZ, Alternative, Utterance, Word

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from earwitness.units import Samples

MODEL_FILES = (
    "am/final.mdl",
    "conf/mfcc.conf",
    "conf/model.conf",
    "graph/Gr.fst",
    "graph/HCLr.fst",
    "graph/phones/word_boundary.int",
    "graph/words.txt",
)
"""Files without which Vosk cannot listen with a run-time grammar. Vosk 0.3.45's model layout."""
CHECKSUMS = "SHA256SUMS"
"""File in a model folder that lists its digests, as `sha256sum` writes them; need not exist."""
FEED = RECOGNISER_RATE_HZ // 10
"""Samples handed to Vosk at a time: it looks for the end of an utterance once per call."""
ALTERNATIVES = 30
"""Readings asked for per utterance. Chosen: more than Vosk finds within its lattice beam of 6."""
LOUDEST = 32_767
"""Largest 16-bit sample, which is what Vosk takes."""


class VoskModel:
    """A Vosk model in memory; listens with any grammar whose words it knows.

    Parameters
    ----------
    path : Path
        The model folder.

    Raises
    ------
    ModelError
        If the folder is missing, incomplete or damaged.
    """

    def __init__(self, path: Path) -> None:
        _check_folder(path)
        import vosk

        vosk.SetLogLevel(-1)
        self.path = path
        try:
            self._model = vosk.Model(str(path))
        except Exception as e:  # vosk raises nothing more specific
            raise ModelError(f"{path} cannot be loaded as a speech model") from e

    def recogniser(self, phrases: Sequence[str]) -> VoskRecogniser:
        """Return a fresh recogniser for these phrases.

        Parameters
        ----------
        phrases : sequence of str
            What may be said; copies of a phrase make it likelier.

        Returns
        -------
        VoskRecogniser
            A recogniser for one stream.

        Raises
        ------
        ModelError
            If the model lacks a word; Vosk itself would leave the word out in silence.
        """
        lacking = missing_words(self.path, {w for p in phrases for w in p.split()})
        if lacking:
            raise ModelError(
                f"The speech model {self.path} does not know: {', '.join(lacking)}",
                remedy="Use the model that came with earwitness.",
            )
        import vosk

        recogniser = vosk.KaldiRecognizer(self._model, RECOGNISER_RATE_HZ, json.dumps(phrases))
        recogniser.SetWords(True)
        recogniser.SetMaxAlternatives(ALTERNATIVES)
        return VoskRecogniser(recogniser)


class VoskRecogniser:
    """One stream being listened to; made by `VoskModel.recogniser`."""

    def __init__(self, recogniser: Any) -> None:  # vosk has no types
        self._recogniser = recogniser
        self._waiting = np.zeros(0, dtype=np.float32)

    def feed(self, samples: Samples) -> list[Utterance]:
        """Take samples at 16 kHz, shape (frames,) [1]; return the utterances that ended."""
        waiting = np.concatenate([self._waiting, samples])
        whole = len(waiting) // FEED * FEED
        self._waiting = waiting[whole:]
        ended = [self._accept(block) for block in waiting[:whole].reshape(-1, FEED)]
        return [u for u in ended if u is not None]

    def finish(self) -> list[Utterance]:
        """Return what was still being said when the stream ended."""
        last = [self._accept(self._waiting), _utterance(self._recogniser.FinalResult())]
        self._waiting = np.zeros(0, dtype=np.float32)
        return [u for u in last if u is not None]

    def _accept(self, block: Samples) -> Utterance | None:
        sound = np.round(np.clip(block, -1, 1) * LOUDEST).astype("<i2").tobytes()
        if sound and self._recogniser.AcceptWaveform(sound):
            return _utterance(self._recogniser.Result())
        return None


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
    found = [h / "en-trade-0" for h in homes if (h / "en-trade-0").is_dir()]
    return found[0] if found else homes[0] / "en-trade-0"


def missing_words(model_dir: Path, words: Iterable[str]) -> list[str]:
    """Return the words that a model does not know, sorted.

    Parameters
    ----------
    model_dir : Path
        A Vosk model folder.
    words : iterable of str
        Single words.

    Returns
    -------
    list of str
        Empty if the model knows them all.

    Raises
    ------
    ModelError
        If the folder has no word list.
    """
    try:
        lines = (model_dir / "graph" / "words.txt").read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as e:
        raise ModelError(f"The speech model {model_dir} has no word list graph/words.txt") from e
    return sorted(set(words) - {line.split(maxsplit=1)[0] for line in lines if line.strip()})


def _check_folder(path: Path) -> None:
    if not path.is_dir():
        raise ModelError(f"The speech model folder {path} does not exist")
    lacking = [f for f in MODEL_FILES if not (path / f).is_file() or not (path / f).stat().st_size]
    if lacking:
        raise ModelError(f"The speech model {path} lacks {', '.join(lacking)}")
    damaged = _damaged_files(path)
    if damaged:
        raise ModelError(f"The speech model {path} is damaged: {', '.join(damaged)}")


def _damaged_files(path: Path) -> list[str]:
    """Return the listed files whose digest differs: Vosk may end the program on a cut-off file."""
    listing = path / CHECKSUMS
    if not listing.is_file():
        return []
    pairs = [line.split(maxsplit=1) for line in listing.read_text(encoding="utf-8").splitlines()]
    return [p[1] for p in pairs if len(p) == 2 and _sha256(path / p[1]) != p[0]]


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _utterance(result: str) -> Utterance | None:
    found = tuple(_alternative(a) for a in json.loads(result).get("alternatives", []))
    return Utterance(found) if found and found[0].words else None


def _alternative(found: dict[str, Any]) -> Alternative:
    words = (Word(w["word"], float(w["start"]), float(w["end"])) for w in found.get("result", []))
    return Alternative(tuple(words), float(found["confidence"]))
