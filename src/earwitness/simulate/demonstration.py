"""Make the shipped demonstration inspection: every recording and the run sheet, from one seed.

Run `python -m earwitness.simulate.demonstration demo_audio`. The same versions of NumPy, SciPy and
soundfile write the same bytes on any machine; decision record 0021 says why that holds.

The scenario, all of it invented: a delivery van has lost power, cylinder 3 of its four is down.
Its exhaust valve leaks, so faintly that the shop drowns it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from earwitness.simulate.bay import Bay, air_schedule
from earwitness.simulate.operator import render_dictation, time_line
from earwitness.simulate.shop_events import add_at, shop_library
from earwitness.simulate.shops import PRESETS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.units import Floats

SEED = 1353
"""Seed of the demonstration [1]. Chosen: see decision record 0021."""
FS = 48_000
"""Sample rate of the probe microphone [Hz]. Chosen: the rate of ordinary recorders."""
HEADSET_FS = 16_000
"""Sample rate of the headset [Hz]. Chosen: wideband speech."""
CYCLES = 6
"""How often the air is switched on in a cycled take [1]. Chosen: enough to prove at 1 %."""
CYCLED_S = 33.0
"""Length of a cycled take [s]. Chosen: 2.5 s a period, and the whole set stays under 25 MB."""
PAIR_S = 8.0
"""Length of each side of a pair [s]. Chosen: as short as screening allows."""
SHOP = replace(
    PRESETS["busy-drifting"], transients=0.5, radio=1.0, radio_db=(-12.0, -4.0), hum_db=(-8.0, 2.0)
)
"""The shop: drifting like a busy one, half as much hammering, a soft radio, faint hum."""
RING_POINT = "oil-filler"
"""Where the little air comes out that passes any piston rings."""
RING_SNR_DB = -20.0
"""Level of that hiss re the quiet floor [dB]. Chosen: inaudible, like sound rings."""
LEAK_POINT = "tailpipe"
"""Where the air of cylinder 3 comes out: its exhaust valve leaks."""
LEAKS = {
    1: (RING_POINT, RING_SNR_DB),
    2: (RING_POINT, RING_SNR_DB),
    3: (LEAK_POINT, -1.0),
    4: (RING_POINT, RING_SNR_DB),
}
"""Per cylinder: where most of its air comes out, and level of the hiss there re the quiet floor.

Levels in dB. Chosen for cylinder 3: no louder than the fan.
"""
OVERDRIVE_DB = 70.0
"""Level of the wrench that overdrives the first take at the tailpipe re the quiet floor [dB]."""
VOICE_SNR_DB = 25.0
"""Level of the voice in the headset re the shop noise [dB]. Chosen: a close microphone."""
FIRST_SAID = 20
"""Number of the take of cylinder 0's dictation, if it had one [1]. Chosen: decision record 0021."""
PAUSE_S = 1.8
"""Pause after each phrase [s]. Chosen: about the length of a read-back."""
COMPRESSION_LEVEL = 0.25
"""Compression level of FLAC between 0 and 1 [1].

Chosen: up to this level the encoder uses fixed predictors in whole numbers, whose bytes do not
depend on the processor. Decision record 0021.
"""

DICTATION = {
    1: (
        "cylinder one",
        "leakage seven percent",
        "confirm",
        "compression dry one seventy five psi",
        "confirm",
    ),
    2: (
        "cylinder two",
        "leakage nine percent",
        "confirm",
        "compression dry one hundred sixty five psi",
        "confirm",
    ),
    3: (
        "cylinder three",
        "leakage forty two percent",
        "confirm",
        "compression dry one ten psi",
        "confirm",
        "compression wet one fifteen psi",
        "confirm",
    ),
    4: (
        "cylinder four",
        "leakage sixteen percent",
        "confirm",
        "scratch that",
        "leakage six percent",
        "confirm",
        "compression dry one seventy five psi",
        "confirm",
    ),
}
"""What is said about each cylinder. Cylinder 4's first reading is a slip of the tongue."""

HEAD = """\
# Demonstration inspection. Shop, people, engine and sound are invented and simulated.
# Made by: python -m earwitness.simulate.demonstration demo_audio

[inspection]
label = "Delivery van, loss of power, rough idle"

[people]
shop = "Kettle Creek Engine Works"
technician = "D. Okonjo"
customer = "Marlow Street Bakery"
complaint = "Shakes at idle and has lost power on hills since last week."

[engine]
label = "Inline four, 2.0 litre petrol"
id = "Marlow van 42"
cylinders = 4
firing_order = [1, 3, 4, 2]
arrangement = "inline"
bore_mm = 84.0
cooling = "liquid"
fuel = "petrol"
tailpipes = 1

[gauge]
orifice_mm = 1.0
supply_kpa = 690

[limits]
leakage_percent = 20
origin = "common practice; the maker gives none"
"""
BUBBLES = {1: "none", 3: "none"}
"""What the eye saw in the radiator neck, by cylinder."""


@dataclass(frozen=True, slots=True)
class Take:
    """One take of the demonstration."""

    cylinder: int
    point: str
    number: int
    """Number of the take, which decides its noise."""
    cycled: bool
    suffix: str = ""
    overdriven: bool = False

    @property
    def stem(self) -> str:
        """Beginning of the names of its files."""
        return f"c{self.cylinder}-{self.point}{self.suffix}"

    @property
    def air_on_s(self) -> list[tuple[float, float]]:
        """When the air is on, for a cycled take [s]."""
        return air_schedule(np.random.default_rng([SEED, self.number]), CYCLES, CYCLED_S)


def takes() -> list[Take]:
    """List all takes of the demonstration in the order they are made."""
    plan = [
        *((1, p, True) for p in ("adapter", *_MAIN, "plug-hole-2")),
        *((2, p, False) for p in _MAIN),
        *((3, p, True) for p in ("adapter", *_MAIN, "plug-hole-2", "plug-hole-4")),
        *((4, p, False) for p in _MAIN),
    ]
    made = [Take(c, p, number, cycled) for number, (c, p, cycled) in enumerate(plan)]
    at = next(i for i, t in enumerate(made) if (t.cylinder, t.point) == (3, LEAK_POINT))
    spoilt = Take(3, LEAK_POINT, len(plan), cycled=True, overdriven=True)
    retake = Take(3, LEAK_POINT, made[at].number, cycled=True, suffix="-retake")
    return [*made[:at], spoilt, retake, *made[at + 1 :]]


def file_names() -> list[str]:
    """List the recordings, in the order of the run sheet."""
    names = [f"c{cylinder}-said.flac" for cylinder in DICTATION]
    for take in takes():
        names += [take.stem + end for end in ((".flac",) if take.cycled else _SIDES)]
    return names


def render(name: str) -> bytes:
    """Render one recording of the demonstration as the bytes of its FLAC file.

    Parameters
    ----------
    name : str
        One of `file_names()`.

    Raises
    ------
    ValueError
        If there is no such recording.
    """
    for cylinder in DICTATION:
        if name == f"c{cylinder}-said.flac":
            return _flac(_said(cylinder), HEADSET_FS)
    for take in takes():
        if take.cycled and name == take.stem + ".flac":
            return _flac(_cycled(take), FS)
        if not take.cycled and name in (take.stem + end for end in _SIDES):
            return _flac(_side(take, pressurised=name.endswith(_SIDES[1])), FS)
    raise ValueError(f"name={name!r} is no recording of the demonstration")


def run_sheet() -> str:
    """Write the run sheet that replays the demonstration."""
    parts = [HEAD]
    for cylinder in DICTATION:
        parts.append(f'\n[[cylinder]]\nnumber = {cylinder}\ndictation = "c{cylinder}-said.flac"\n')
        if cylinder in BUBBLES:
            parts.append(f'bubbles = "{BUBBLES[cylinder]}"\n')
        parts += [_take_table(take) for take in takes() if take.cylinder == cylinder]
    return "".join(parts)


def write_demonstration(folder: Path) -> None:
    """Write the run sheet and every recording into a folder, replacing what is there."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "inspection.toml").write_text(run_sheet(), encoding="utf-8")
    for name in file_names():
        (folder / name).write_bytes(render(name))


def main(arguments: list[str]) -> int:
    """Write the demonstration into the folder that is the only argument."""
    if len(arguments) != 1:
        sys.stderr.write("Usage: python -m earwitness.simulate.demonstration FOLDER\n")
        return 2
    write_demonstration(Path(arguments[0]))
    return 0


_MAIN = ("oil-filler", "tailpipe", "throttle-body", "radiator")
_SIDES = ("-off.flac", "-on.flac")


def _bay() -> Bay:
    return Bay(SEED, fs=FS, preset=SHOP)


def _levels_db(cylinder: int, point: str) -> tuple[float | None, float | None]:
    """Levels of the hiss that comes out at a point, and of that which comes through walls."""
    leak_point, leak_db = LEAKS[cylinder]
    if point == leak_point:
        return leak_db, None
    through_walls_db = leak_db + _bay().cross_talk_db(leak_point, point)
    return (RING_SNR_DB if point == RING_POINT else None), through_walls_db


def _cycled(take: Take) -> Floats:
    bay = _bay()
    snr_db, walls_db = _levels_db(take.cylinder, take.point)
    samples = bay.render_cycled(
        take.point, snr_db, take.air_on_s, CYCLED_S, take=take.number, cross_talk_db=walls_db
    )
    if take.overdriven:
        _overdrive(samples, np.sqrt(bay.quiet_power), np.random.default_rng([SEED, 9]))
    return samples


def _overdrive(samples: Floats, quiet: float, rng: np.random.Generator) -> None:
    """Add an impact wrench right beside the probe, four bursts of it, in place."""
    level = quiet * 10 ** (OVERDRIVE_DB / 20)
    for quarter in range(4):
        begin = int((quarter + rng.uniform(0.1, 0.7)) / 4 * len(samples))
        add_at(samples, shop_library(FS).draw(rng, "impact") * level, begin)


def _side(take: Take, *, pressurised: bool) -> Floats:
    snr_db, walls_db = _levels_db(take.cylinder, take.point) if pressurised else (None, None)
    number = 100 * (1 + pressurised) + take.number
    return _bay().render_steady(take.point, snr_db, PAIR_S, take=number, cross_talk_db=walls_db)


def _said(cylinder: int) -> Floats:
    utterances, seconds = time_line(DICTATION[cylinder], HEADSET_FS, PAUSE_S)
    bay = Bay(SEED, fs=HEADSET_FS, preset=SHOP)
    shop = bay.render_steady("control", None, seconds, take=FIRST_SAID + cylinder)
    return render_dictation(utterances, shop, HEADSET_FS, VOICE_SNR_DB)


def _take_table(take: Take) -> str:
    lines = ["", "[[cylinder.take]]", f'point = "{take.point}"']
    if take.cycled:
        periods = ", ".join(f"[{a:.2f}, {b:.2f}]" for a, b in take.air_on_s)
        lines += [f'cycled = "{take.stem}.flac"', f"air_on_s = [{periods}]"]
    else:
        lines += [f'baseline = "{take.stem}-off.flac"', f'pressurised = "{take.stem}-on.flac"']
    return "\n".join(lines) + "\n"


def to_pcm16(samples: Floats) -> NDArray[np.int16]:
    """Round samples to 16 bits and cut them off at full scale, as a converter does."""
    return np.clip(np.rint(samples * 32768), -32768, 32767).astype(np.int16)


def _flac(samples: Floats, fs: int) -> bytes:
    import soundfile as sf

    file = BytesIO()
    sf.write(
        file,
        to_pcm16(samples),
        fs,
        format="FLAC",
        subtype="PCM_16",
        compression_level=COMPRESSION_LEVEL,
    )
    return file.getvalue()


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
