"""The PortAudio library, or a sentence that it is missing."""

from __future__ import annotations

from typing import Any

from earwitness.errors import EquipmentError


def portaudio() -> Any:
    """Return the module `sounddevice`, which loads the library when it is imported.

    Raises
    ------
    EquipmentError
        If the library is not installed.
    """
    try:
        import sounddevice
    except OSError as e:
        raise EquipmentError(
            f"The PortAudio library is not installed ({e})",
            remedy="Install it (Debian: apt install libportaudio2) and try again.",
        ) from e
    return sounddevice
