"""Lines, bars and letters of a picture, as elements of SVG 1.1 (W3C Recommendation, 2011).

Every number is written with the same digits on every machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

FRAME_COLOUR = "#8a9296"
DOTS = {
    "round": "m-1.9 0a1.9 1.9 0 1 0 3.8 0a1.9 1.9 0 1 0 -3.8 0z",
    "square": "m-1.8 -1.8h3.6v3.6h-3.6z",
}
"""Marks on a line, drawn from their middle."""
NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Steps of an axis, up to powers of ten [1]: numbers that people count in."""


@dataclass(frozen=True, slots=True)
class Panel:
    """A frame in the picture [its units]."""

    x: float
    y: float
    width: float
    height: float

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.y + self.height

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.width

    @property
    def middle(self) -> float:
        """Half way across."""
        return self.x + self.width / 2

    @property
    def centre(self) -> float:
        """Half way down."""
        return self.y + self.height / 2

    def down(self, share: float) -> float:
        """Return the height at a share of the way up."""
        return self.bottom - share * self.height

    def image(self, uri: str) -> str:
        """Return an image that fills the frame."""
        place = f'x="{self.x:g}" y="{self.y:g}" width="{self.width:g}" height="{self.height:g}"'
        plain = 'preserveAspectRatio="none" image-rendering="pixelated"'  # PDF/A: no smoothing
        return f'<image {place} {plain} href="{uri}"/>'


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return round numbers from `low` to `high`, about `most` of them and never many more.

    Examples
    --------
    >>> ticks(0, 20, 5), ticks(-83, -59, 5)
    ([0.0, 5.0, 10.0, 15.0, 20.0], [-80.0, -75.0, -70.0, -65.0, -60.0])
    """
    rough = (high - low) / max(1, most)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(n for n in (*NICE, 20.0) if n * power >= rough * 0.999) * power
    return [i * step for i in range(math.ceil(low / step), math.floor(high / step + 1e-9) + 1)]


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    size: float = 12,
    colour: str = "",
    bold: bool = False,
    turned: bool = False,
) -> str:
    """Write our own words; text from outside does not belong in a picture."""
    looks = "" if anchor == "start" else f' text-anchor="{anchor}"'
    looks += "" if size == 12 else f' font-size="{size:g}"'
    looks += f' fill="{colour}"' if colour else ""
    looks += ' font-weight="700"' if bold else ""
    looks += f' transform="rotate(-90 {_n(x)} {_n(y)})"' if turned else ""
    return f'<text x="{_n(x)}" y="{_n(y)}"{looks}>{words}</text>'


def marks(x: float, y: float, words: str, *, below: bool) -> str:
    """Draw a short line on an axis with a number beside it."""
    if below:
        tick = line([(x, y), (x, y + 3)], FRAME_COLOUR, 1)
        return tick + text(x, y + 15, words, anchor="middle", size=11)
    tick = line([(x - 3, y), (x, y)], FRAME_COLOUR, 1)
    return tick + text(x - 6, y + 4, words, anchor="end", size=11)


def bar(x: float, y: float, width: float, height: float, colour: str) -> str:
    """Draw a filled bar."""
    return (
        f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="{colour}"/>'
    )


def outline(panel: Panel) -> str:
    """Draw the frame of a panel."""
    return (
        f'<rect x="{panel.x:g}" y="{panel.y:g}" width="{panel.width:g}" '
        f'height="{panel.height:g}" fill="none" stroke="{FRAME_COLOUR}"/>'
    )


def line(
    points: Sequence[tuple[float, float]],
    colour: str,
    width: float,
    *,
    dash: str = "",
    dots: str = "",
    fill: str = "none",
) -> str:
    """Draw a line through points, with a mark on each if `dots` is "round" or "square"."""
    path = "M" + " L".join(f"{_n(x)} {_n(y)}" for x, y in points)
    looks = f' stroke-dasharray="{dash}"' if dash else ""
    drawn = f'<path d="{path}" fill="{fill}" stroke="{colour}" stroke-width="{width:g}"{looks}/>'
    if dots:
        inner = points if len(points) != 3 else points[1:2]
        shapes = "".join(f"M{_n(x)} {_n(y)}{DOTS[dots]}" for x, y in inner)
        drawn += f'<path d="{shapes}" fill="{colour}"/>'
    return drawn


def _n(value: float) -> str:
    """Write a place to a tenth of a unit, without a negative zero."""
    return f"{round(value, 1) + 0.0:g}"
