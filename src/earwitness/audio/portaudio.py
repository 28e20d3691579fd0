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


def reason_of(error: Exception) -> str:
    """Return why PortAudio, or the module before it, refuses a device; "" if there is none at all.

    Examples
    --------
    >>> reason_of(ValueError("No input device matching 'probe'."))
    "No input device matching 'probe'"
    >>> reason_of(RuntimeError("Error querying device -1"))
    ''
    """
    reason = str(error.args[0]) if error.args else type(error).__name__
    # -1 is PortAudio's number for: there is no default device
    return "" if "querying device -1" in reason else reason.rstrip(".")
