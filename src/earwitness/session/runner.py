"""The only door to live equipment: which microphones there are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.audio import microphone

if TYPE_CHECKING:
    from earwitness.audio.microphone import AudioSystem


def audio_system() -> AudioSystem:
    """List the inputs of this machine; see `earwitness.audio.microphone.audio_system`."""
    return microphone.audio_system()
