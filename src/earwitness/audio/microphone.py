"""The microphones this machine has, as PortAudio sees them."""

from __future__ import annotations

from dataclasses import dataclass

from earwitness.errors import EquipmentError


@dataclass(frozen=True, slots=True)
class InputDevice:
    """One device that can record."""

    index: int
    """PortAudio device number."""
    name: str
    host: str
    """Host interface, for example ALSA or Core Audio."""
    channels: int
    default_rate_hz: float
    is_default: bool


@dataclass(frozen=True, slots=True)
class AudioSystem:
    """The sound system and its inputs: what a bug report must carry."""

    library: str
    """Version text of the PortAudio library in use."""
    inputs: tuple[InputDevice, ...]


def audio_system() -> AudioSystem:
    """List every device that can record.

    Raises
    ------
    EquipmentError
        If the PortAudio library is missing or cannot list its devices.
    """
    try:
        import sounddevice as sd
    except OSError as e:
        raise EquipmentError(
            f"The PortAudio library is not installed ({e})",
            remedy="Install it (Debian: apt install libportaudio2) and try again.",
        ) from e
    try:
        return AudioSystem(sd.get_portaudio_version()[1], tuple(_inputs(sd)))
    except sd.PortAudioError as e:
        raise EquipmentError(f"PortAudio could not list its devices ({e})") from e


def _inputs(sd) -> list[InputDevice]:  # type: ignore[no-untyped-def]  # sounddevice has no types
    hosts = sd.query_hostapis()
    default_index = sd.default.device[0]
    return [
        InputDevice(
            index=i,
            name=str(d["name"]),
            host=str(hosts[d["hostapi"]]["name"]),
            channels=int(d["max_input_channels"]),
            default_rate_hz=float(d["default_samplerate"]),
            is_default=i == default_index,
        )
        for i, d in enumerate(sd.query_devices())
        if d["max_input_channels"] > 0
    ]
