"""Say how busy a simulated shop is: named shops, and what one may be made of."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from earwitness.simulate.shop_noise import Sway

EVENTS = {"impact": (1.5, 8.0, 28.0), "ratchet": (1.0, 0.0, 15.0), "drop": (2.0, 2.0, 22.0)}
"""Per kind: number in 20 s, lowest and highest level re the quiet floor [1, dB, dB]. Guesses."""
AIR_TOOL = (1.5, 3.0, 20.0)
"""The same for an air tool that is used now and then [1, dB, dB]. Guess, record 0020."""
SECOND_HISS_DB = (-10.0, 3.0)
"""Faintest and loudest second hiss re the quiet floor [dB]. Guess, decision record 0020."""
TEXTURE_DB = (-6.0, 6.0)
"""Softest and loudest texture re the quiet floor above 100 Hz [dB]. Guess, record 0022."""
SWITCH_IN_TAKE = 0.15
"""Probability that a compressor or a second hiss starts or stops in a take [1]. Guess, 0020."""


@dataclass(frozen=True, slots=True)
class Preset:
    """How busy a shop is."""

    transients: float = 0.0
    """How often things are hit, dropped and blown relative to a busy shop [1]."""
    radio: float = 0.0
    """Probability that a radio-like voice is on in the bay [1]."""
    radio_db: tuple[float, float] = (-8.0, 8.0)
    """Softest and loudest radio re the quiet floor above 100 Hz [dB]."""
    gain_drift_db: float = 0.0
    """Standard deviation of the fan's level between takes [dB]."""
    tilt_drift_db: float = 0.0
    """Standard deviation of the fan's tilt between takes [dB/octave]."""
    ripple_drift_db: float = 0.0
    """Standard deviation of a smooth ripple of the fan's spectrum between takes [dB]."""
    hum_db: tuple[float, float] = (5.0, 22.0)
    """Faintest and loudest harmonic of the mains re the fan in a 47 Hz band around it [dB]."""
    sway: Sway = field(default_factory=Sway)
    """How the fan's level and tilt wander within a take."""
    compressor: float = 0.0
    """Probability that a compressor runs when a take begins [1]."""
    second_hiss: float = 0.0
    """Probability that another air leak hisses when a take begins [1]."""
    textures: int = 0
    """How many sounds of rain, engines, water or talk go on throughout a take [1]."""

    @property
    def drifts(self) -> bool:
        """True if the fan is not quite the same from take to take."""
        return self.gain_drift_db > 0


_BUSY = Preset(transients=1.0, radio=0.6)
_DRIFTING = replace(
    _BUSY,
    gain_drift_db=0.5,
    tilt_drift_db=0.25,
    ripple_drift_db=0.3,
    sway=Sway(gain_db=0.25, tilt_db=0.1),
    compressor=0.4,
)
PRESETS = {
    "still": Preset(),
    "busy": _BUSY,
    "busy-drifting": _DRIFTING,
    "second-hiss": replace(_DRIFTING, second_hiss=0.25),
    "textured": replace(_DRIFTING, transients=0.5, textures=2),
}
"""Named shops: a closed room with a fan; tools, drops and a radio in it; machines that come and go
besides; another leak that comes and goes besides; half the tools, but rain, engines or talk."""
SCENES = {
    "S0": "still",
    "S1": "busy",
    "S2": "busy-drifting",
    "S3": "second-hiss",
    "S4": "textured",
}
"""The five shops that a detector's figures are stated for, by the preset that renders them."""
