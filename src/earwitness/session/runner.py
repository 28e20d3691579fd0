"""The only door to live equipment: nothing else opens a microphone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.audio import microphone
from earwitness.audio.loudspeaker import Loudspeaker
from earwitness.errors import EquipmentError
from earwitness.session.equipment.ears import Devices
from earwitness.session.live.inspection import LiveInspection
from earwitness.session.set_up.asking import AskEngine

if TYPE_CHECKING:
    from typing import Any

    from earwitness.audio.microphone import AudioSystem
    from earwitness.session.equipment.ears import Equipment, Input
    from earwitness.session.equipment.sound import Source


def audio_system() -> AudioSystem:
    """List the inputs of this machine; see `earwitness.audio.microphone.audio_system`."""
    return microphone.audio_system()


def live_inspection(*what: Any, equipment: Equipment, **how: Any) -> LiveInspection:
    """Return an inspection with this machine's microphones; see `LiveInspection`.

    Raises
    ------
    EquipmentError
        If the probe cannot be opened.
    """
    devices = Devices(open_microphone, Loudspeaker)
    return LiveInspection(*what, equipment=equipment, devices=devices, **how)


def ask_engine(*what: Any, **how: Any) -> AskEngine:
    """Return what has the engine named with this machine's headset; see `AskEngine`."""
    return AskEngine(*what, devices=Devices(open_microphone, Loudspeaker), **how)


def open_microphone(wanted: Input, channels: int) -> Source:
    """Open a microphone, at the device's own sample rate if it refuses the one wanted.

    Parameters
    ----------
    wanted : Input
        The device and the sample rate.
    channels : int
        How many channels to record, from the first on.

    Raises
    ------
    EquipmentError
        If it cannot be opened at either rate.
    """
    try:
        return microphone.Microphone(
            wanted.device, sample_rate_hz=wanted.sample_rate_hz, channels=channels
        )
    except EquipmentError:
        rate = _own_rate(wanted.device)
        if rate is None or rate == wanted.sample_rate_hz:
            raise
    return microphone.Microphone(wanted.device, sample_rate_hz=rate, channels=channels)


def _own_rate(device: int | str | None) -> int | None:
    found = [
        d
        for d in microphone.audio_system().inputs
        if d.index == device or (isinstance(device, str) and device in d.name)
    ]
    return int(found[0].default_rate_hz) if found else None
