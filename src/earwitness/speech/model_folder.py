"""Check a speech model folder before Vosk sees it, and read what it carries besides the model."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tomllib
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from earwitness.errors import ModelError
from earwitness.speech.fst_file import is_cut_off
from earwitness.speech.vocabulary import VOCABULARY_FILE, Vocabulary, english, load_vocabulary

if TYPE_CHECKING:
    from pathlib import Path

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
GATE_FILE = "gate.toml"
"""File in a model folder that says how sure this model must be; need not exist."""
PROBE_TIMEOUT_S = 60.0
"""Time that a folder without digests has to load in a process of its own [s]. Chosen: a
hundred times what the shipped one takes."""


@dataclass(frozen=True, slots=True)
class Gate:
    """How sure the recogniser must be; see docs/decisions/0032. A model may carry its own."""

    accept_from: float = 0.7
    """Smallest confidence of a phrase without a number that is not rejected [1]. Chosen:
    benchmarks/dictation_talk.py."""
    number_from: float = 0.7
    """Likewise for what holds a number [1]. Chosen: docs/decisions/0154-heard-twice-alike.md."""
    number_sure_from: float = 0.9
    """Smallest confidence at which a number is read back at once [1]; below, it must be heard twice
    alike. Chosen: docs/decisions/0154-heard-twice-alike.md."""
    sure_from: float = 0.9
    """Smallest confidence at which a command needs no more than an echo [1]."""
    score_scale: float = 0.8
    """Factor on score differences before they become probabilities [1]; below 1 it doubts more.
    Chosen: benchmarks/dictation_grammar.py."""
    shortfall: float = 3.0
    """How far the chosen reading may score below the best, senseless one [nat]. Chosen: odds of
    20."""


def check_folder(path: Path) -> None:
    """Refuse a folder that Vosk could not use.

    Parameters
    ----------
    path : Path
        The model folder.

    Raises
    ------
    ModelError
        If it is missing, lacks a file, or a file is damaged.
    """
    if not path.is_dir():
        raise ModelError(f"The speech model folder {path} does not exist")
    lacking = [f for f in MODEL_FILES if not (path / f).is_file() or not (path / f).stat().st_size]
    if lacking:
        raise ModelError(f"The speech model {path} lacks {', '.join(lacking)}")
    damaged = _damaged_files(path)
    if damaged:
        raise ModelError(f"The speech model {path} is damaged: {', '.join(damaged)}")
    if not (path / CHECKSUMS).is_file() and (_cut_off_graphs(path) or not _loads(path)):
        raise ModelError(
            f"The speech model {path} cannot be loaded: a file in it is damaged or half copied",
            remedy="Copy the whole folder again from where it came.",
        )


def words_known(path: Path) -> frozenset[str]:
    """Return every word that a model knows.

    Parameters
    ----------
    path : Path
        The model folder.

    Raises
    ------
    ModelError
        If the folder has no word list.
    """
    try:
        lines = (path / "graph" / "words.txt").read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as e:
        raise ModelError(f"The speech model {path} has no word list graph/words.txt") from e
    return frozenset(line.split(maxsplit=1)[0] for line in lines if line.strip())


def gate_of(path: Path) -> Gate:
    """Return how sure a model must be, by the `gate.toml` that it carries or by default.

    Raises
    ------
    ModelError
        If the file cannot be read or holds something else.
    """
    file = path / GATE_FILE
    if not file.is_file():
        return Gate()
    known = {f.name for f in fields(Gate)}
    try:
        found = tomllib.loads(file.read_text(encoding="utf-8"))
        stray = sorted(set(found) - known)
        numbers = {k: float(v) for k, v in found.items()}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TypeError, ValueError) as e:
        raise ModelError(f"The speech model's gate {file} cannot be read: {e}") from e
    if stray or not all(v >= 0 for v in numbers.values()):
        wrong = ", ".join(stray) or "a negative number"
        raise ModelError(f"The speech model's gate {file} holds {wrong}; it may hold {known}")
    return Gate(**numbers)


def vocabulary_of(path: Path) -> Vocabulary:
    """Return the language of a model: its own `vocabulary.toml`, or English.

    Raises
    ------
    ModelError
        If its own file cannot be read.
    """
    file = path / VOCABULARY_FILE
    return load_vocabulary(file) if file.is_file() else english()


def _damaged_files(path: Path) -> list[str]:
    """Return the listed files whose digest differs: Vosk may end the program on a cut-off file."""
    listing = path / CHECKSUMS
    if not listing.is_file():
        return []
    pairs = [line.split(maxsplit=1) for line in listing.read_text(encoding="utf-8").splitlines()]
    return [p[1] for p in pairs if len(p) == 2 and _sha256(path / p[1]) != p[0]]


def _cut_off_graphs(path: Path) -> list[str]:
    return [f for f in MODEL_FILES if f.endswith(".fst") and is_cut_off(path / f)]


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _loads(path: Path) -> bool:
    """Tell whether Vosk survives loading a folder and listening with it, in another process.

    Of some damage it only complains, and goes on as if the file were empty.
    """
    trial = (
        "import sys, vosk; vosk.SetLogLevel(-1);"
        "r = vosk.KaldiRecognizer(vosk.Model(sys.argv[1]), 16000, '[\"[unk]\"]');"
        "r.AcceptWaveform(bytes(6400)); r.FinalResult()"
    )
    command = [sys.executable, "-c", trial, str(path)]
    try:
        done = subprocess.run(  # noqa: S603  # this very Python, no shell
            command, capture_output=True, timeout=PROBE_TIMEOUT_S, check=False
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0 and b"ERROR" not in done.stderr
