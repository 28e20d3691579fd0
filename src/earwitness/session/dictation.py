"""Listen to one recording of speech."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.audio.recording import read_recording
from earwitness.speech.dictation import dictate, load_model

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.speech.dictation import Heard
    from earwitness.speech.grammar import Expect


def dictate_file(audio: Path, model: Path | None, expect: Expect) -> list[Heard]:
    """Say what was said in a recording.

    Parameters
    ----------
    audio : Path
        WAV or FLAC at any sample rate; the first channel is used.
    model : Path or None
        Vosk model folder; the shipped one if None.
    expect : str
        "number", "command" or "any": what may be said.

    Raises
    ------
    AudioFileError, ModelError
        If the recording or the model cannot be used.
    """
    recording = read_recording(audio)
    return dictate(
        recording.mono(), recording.sample_rate_hz, load_model(model), expect, name=str(audio)
    )
