"""Contrast of the page's colours by the formula of WCAG 2.2."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from earwitness.report.pictures import figures


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    lighter, darker = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),
        ("#767676", "#ffffff", 4.5422),
        ("#777777", "#ffffff", 4.4781),
        ("#595959", "#ffffff", 7.0047),
        ("#ff0000", "#ffffff", 3.9985),
        ("#008000", "#ffffff", 5.1374),
        ("#0000ff", "#ffffff", 8.5925),
        ("#ffff00", "#000000", 19.556),
        ("#949494", "#ffffff", 3.0335),
    ],
)
def test_the_formula_gives_the_known_ratios(one: str, other: str, ratio: float) -> None:
    """WCAG 2.2 formula as calculated by the Python package wcag-contrast-ratio."""
    assert contrast(one, other) == pytest.approx(ratio, abs=5e-4)


def colours() -> dict[str, str]:
    style = (files("earwitness.report") / "templates" / "style.css").read_text()
    found = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", style))
    assert len(found) >= 10
    return found


@pytest.mark.parametrize("ink", ["ink", "soft", "deep", "warn"])
@pytest.mark.parametrize("ground", ["paper", "tint", "caution"])
def test_every_ink_can_be_read_on_every_ground(ink: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.3, AA: 4.5 to 1."""
    assert contrast(colours()[ink], colours()[ground]) >= 4.5


def test_white_on_the_bars_can_be_read() -> None:
    """Titles of the parts, and "air on" in a picture."""
    assert contrast(colours()["deep"], colours()["paper"]) >= 4.5
    assert contrast(figures.INK, "#ffffff") >= 4.5


@pytest.mark.parametrize("line", ["line", "warn", "deep"])
def test_borders_that_mean_something_can_be_seen(line: str) -> None:
    """WCAG 2.2, success criterion 1.4.11: 3 to 1."""
    assert contrast(colours()[line], colours()["paper"]) >= 3.0


@pytest.mark.parametrize(
    "colour", [figures.INK, figures.OFF_COLOUR, figures.ON_COLOUR, figures.FOUND_COLOUR]
)
def test_lines_and_letters_in_pictures_can_be_read(colour: str) -> None:
    assert contrast(colour, "#ffffff") >= 4.5


def test_text_uses_no_colour_outside_the_table() -> None:
    style = (files("earwitness.report") / "templates" / "style.css").read_text()
    assert set(re.findall(r"(#[0-9a-f]+); }", style)) == {colours()["soft"]}  # page numbers
    rules = re.sub(r"@page \{.*?\n\}", "", style[style.index("}") :], flags=re.DOTALL)
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b", rules)
    assert not re.findall(r"\b(?:rgb|hsl|opacity)\b", rules)
