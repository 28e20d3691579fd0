"""Pictures of a take: what it sounded like over time, and its floor with the air off and on.

A picture is a drawing in SVG 1.1: lines and lettering stay sharp on paper, and only the spectrogram
inside it is made of dots. Nothing from outside is written into it: only numbers and our own words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.report.pictures.drawing import Panel, bar, line, marks, outline, text, ticks
from earwitness.report.pictures.spectrogram import COLUMNS, image_uri, scale_uri

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.acoustics.finding import Finding
    from earwitness.audio.recording import Recording
    from earwitness.units import Floats, Samples

WIDTH, HEIGHT = 720, 238
"""Size of a picture [its own units]; its lettering is 12 high."""
SOUND = Panel(46, 42, 340, 160)
FLOORS = Panel(502, 42, 210, 160)
SCALE = Panel(394, 42, 9, 160)
TOP_HZ = 20_000.0
"""Highest frequency drawn [Hz]: the end of hearing."""
LEAST_SPAN_DB = 12.0
"""Least height of the floor picture [dB]. Chosen: twice the rise that is called strong, so that
nothing looks like something."""
MARGIN = 0.06
"""Space above and below the floors [share of their span]."""
OCTAVES_KHZ = (0.25, 0.5, 1, 2, 4, 8, 16)
"""Frequencies that are named below the floors [kHz]."""
BROAD = 0.13
"""Share of the time from which the words on a bar are written out [1]."""

INK = "#1d2428"
OFF_COLOUR = "#5b6468"
ON_COLOUR = "#0b4f6c"
FOUND_COLOUR = "#7a3b00"


@dataclass(frozen=True, slots=True)
class Part:
    """One recording of a take as drawn."""

    samples: Samples
    """One channel, shape (frames,)."""
    sample_rate_hz: int
    air_on_s: tuple[tuple[float, float], ...]
    """When the air was on, counted from the start of this recording [s]."""

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return len(self.samples) / self.sample_rate_hz


def parts_of(
    recordings: Sequence[Recording], air_on_s: tuple[tuple[float, float], ...], *, pair: bool
) -> tuple[Part, ...]:
    """Lay out the recordings of a take: a baseline and a pressurised one, or one cycled one."""
    first = recordings[0]
    if not pair:
        return (Part(first.mono(), first.sample_rate_hz, air_on_s),)
    baseline = Part(first.mono(), first.sample_rate_hz, ())
    pressurised = (Part(r.mono(), r.sample_rate_hz, ((0.0, r.seconds),)) for r in recordings[1:2])
    return (baseline, *pressurised)


def take_picture(parts: Sequence[Part], finding: Finding | None, description: str) -> str:
    """Draw a take.

    Parameters
    ----------
    parts : sequence of Part
        The recordings, in the order they are drawn.
    finding : Finding or None
        What the take shows; its band floors are drawn if it has any.
    description : str
        The picture in words, already escaped for an attribute.

    Returns
    -------
    str
        An `svg` element, the same text for the same input.
    """
    drawn = "\n".join((*_sound(parts), *_floors(finding)))
    return (
        f'<svg class="picture" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" aria-label="{description}" font-family="Report Sans, DejaVu Sans, '
        f'sans-serif" font-size="12" fill="{INK}">\n{drawn}\n</svg>'
    )


def _sound(parts: Sequence[Part]) -> Iterator[str]:
    """Draw the spectrogram with its axes, the bars of the air, and the scale of its colours."""
    total = sum(p.seconds for p in parts)
    top_hz = max(min(TOP_HZ, p.sample_rate_hz / 2) for p in parts)
    uri, (low_db, high_db), columns = image_uri(
        [(p.samples, p.sample_rate_hz) for p in parts], top_hz
    )
    yield text(SOUND.x, 14, "What the microphone heard", bold=True)
    yield SOUND.image(uri)
    for part, (first, last) in zip(parts, columns, strict=True):
        at, width = (SOUND.width * c / COLUMNS for c in (first, last - first))
        yield from _air(part, SOUND.x + at, width)
        most = part.seconds if part is parts[-1] else 0.94 * part.seconds
        for second in ticks(0, most, max(1, round(7 * part.seconds / total))):
            where = SOUND.x + at + width * second / part.seconds
            yield marks(where, SOUND.bottom, f"{second:g}", below=True)
    for khz in ticks(0, top_hz / 1000, 5):
        yield marks(SOUND.x, SOUND.down(1000 * khz / top_hz), f"{khz:g}", below=False)
    yield text(SOUND.middle, HEIGHT - 4, "time (s)", anchor="middle")
    yield text(11, SOUND.centre, "frequency (kHz)", anchor="middle", turned=True)
    yield outline(SOUND)
    yield from _scale(low_db, high_db)


def _air(part: Part, x: float, width: float) -> Iterator[str]:
    """Draw a bar with a word above the sound while the air is on."""
    if not part.air_on_s:
        yield text(x + width / 2, 35, "air off", anchor="middle", size=11)
    for start_s, end_s in part.air_on_s:
        inside = max(0.0, min(end_s, part.seconds) - start_s)
        if not inside:
            continue
        begin, long = (width * s / part.seconds for s in (start_s, inside))
        yield bar(x + begin, 25, long, 13, INK)
        word = "air on" if long > BROAD * SOUND.width else "on"
        yield text(x + begin + long / 2, 35, word, anchor="middle", size=10.5, colour="#ffffff")


def _scale(low_db: float, high_db: float) -> Iterator[str]:
    """Draw which colour stands for which level."""
    yield SCALE.image(scale_uri())
    for level in ticks(low_db, high_db, 5):
        place = SOUND.down((level - low_db) / (high_db - low_db))
        yield text(SCALE.right + 4, place + 4, _minus(level), size=11)
    label = "dB re full scale, per bin"
    yield text(444, SOUND.centre, label, anchor="middle", turned=True, size=11)


def _floors(finding: Finding | None) -> Iterator[str]:
    """Draw the floor of every band with the air off and on."""
    yield text(FLOORS.x - 30, 14, "Steady floor by band", bold=True)
    yield text(FLOORS.middle, HEIGHT - 4, "frequency (kHz)", anchor="middle")
    yield text(466, FLOORS.centre, "floor (dB, as left)", anchor="middle", turned=True)
    if finding is None or finding.floors is None or not _all_finite(finding):
        for lower, words in ((-6, "No floor was measured"), (12, "in this take.")):
            yield text(FLOORS.middle, FLOORS.centre + lower, words, anchor="middle")
        yield outline(FLOORS)
        return
    khz = np.asarray(finding.floors.centre_hz) / 1000
    off, on = np.asarray(finding.floors.off_db), np.asarray(finding.floors.on_db)
    found = finding.detectable_db
    edge = off + found if found is not None and math.isfinite(found) else None
    low_db, high_db = _span([off, on] if edge is None else [off, on, edge])
    for level in ticks(low_db, high_db, 5):
        place = FLOORS.down((level - low_db) / (high_db - low_db))
        yield line([(FLOORS.x, place), (FLOORS.right, place)], "#d5d9da", 0.6)
        yield text(FLOORS.x - 4, place + 4, _minus(level), anchor="end", size=11)
    ends = (math.log2(khz.min()) - 0.15, math.log2(khz.max()) + 0.15)
    for octave in OCTAVES_KHZ:
        share = (math.log2(octave) - ends[0]) / (ends[1] - ends[0])
        if 0 <= share <= 1:
            yield marks(FLOORS.x + share * FLOORS.width, FLOORS.bottom, f"{octave:g}", below=True)
    across = FLOORS.x + FLOORS.width * (np.log2(khz) - ends[0]) / (ends[1] - ends[0])

    def curve(levels: Floats) -> list[tuple[float, float]]:
        down = [FLOORS.down((float(v) - low_db) / (high_db - low_db)) for v in levels]
        return list(zip(across.tolist(), down, strict=True))

    yield from _curves(curve(off), curve(on), None if edge is None else curve(edge))
    yield outline(FLOORS)


_Curve = list[tuple[float, float]]


def _curves(off: _Curve, on: _Curve, edge: _Curve | None) -> Iterator[str]:
    """Draw the curves, told apart by dash and mark, and say which is which."""
    yield line([*off, *reversed(on)], "none", 0, fill="#dbe5ea")
    yield line(off, OFF_COLOUR, 1.4, dash="5 3", dots="round")
    yield line(on, ON_COLOUR, 1.6, dots="square")
    x = float(FLOORS.x - 30)
    for words, colour, dash, dots, wide in (
        ("air off", OFF_COLOUR, "5 3", "round", 67),
        ("air on", ON_COLOUR, "", "square", 65),
        ("would be found", FOUND_COLOUR, "1.5 2.5", "", 0),
    ):
        if words == "would be found":
            if edge is None:
                continue
            yield line(edge, colour, 1.6, dash=dash)
        yield line([(x, 31), (x + 10, 31), (x + 20, 31)], colour, 1.6, dash=dash, dots=dots)
        yield text(x + 24, 35, words, size=10.5)
        x += wide


def _all_finite(finding: Finding) -> bool:
    floors = finding.floors
    return (
        floors is not None
        and len(floors.centre_hz) > 0
        and bool(np.isfinite([*floors.off_db, *floors.on_db]).all())
    )


def _span(curves: Sequence[Floats]) -> tuple[float, float]:
    """Return the levels at the foot and the head of the floor picture [dB]."""
    low, high = (float(f(np.concatenate(curves))) for f in (np.min, np.max))
    spare = max((high - low) * MARGIN, (LEAST_SPAN_DB - (high - low)) / 2)
    return low - spare, high + spare


def _minus(level: float) -> str:
    return f"{level:g}".replace("-", "−")
