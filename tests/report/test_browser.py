"""The page in a real browser: quiet console, playing sound, decoded pictures, A4 pages."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from chromium import LEAST_CONTRAST, attentive_page, chromium

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MM_PER_POINT = 25.4 / 72


@pytest.fixture(scope="module")
def browser_page(visit_page: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The page, opened from disk; everything the console says is kept in `said`."""
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(visit_page, encoding="utf-8")
    with chromium() as browser:
        page = attentive_page(browser, 1100, 900)
        page.goto(path.as_uri())
        page.wait_for_function(
            "[...document.querySelectorAll('audio')].every(a => a.readyState >= 1 || a.error)"
        )
        yield page


@pytest.mark.slow
def test_the_browser_has_nothing_to_complain_about(browser_page: Any) -> None:
    assert browser_page.said == []
    assert all(url.startswith(("file:", "data:")) for url in browser_page.asked)


@pytest.mark.slow
def test_every_sound_can_be_played(browser_page: Any) -> None:
    seconds = browser_page.evaluate(
        "[...document.querySelectorAll('audio')].map(a => a.error ? a.error.message : a.duration)"
    )
    assert len(seconds) == 5
    assert all(5 < s <= 10.1 for s in seconds)


@pytest.mark.slow
def test_every_picture_is_decoded_and_keeps_its_shape(browser_page: Any) -> None:
    """Two images in each of five drawings: the spectrogram and its scale."""
    shapes = browser_page.evaluate(
        """async () => Promise.all([...document.querySelectorAll('.picture image')].map(async i => {
             const held = new Image(); held.src = i.getAttribute('href'); await held.decode();
             const box = i.getBoundingClientRect();
             return [held.naturalWidth, box.width / box.height];
           }))"""
    )
    assert [s[0] for s in shapes] == [340, 9] * 5
    assert all(s[1] == pytest.approx(2.125, abs=0.02) for s in shapes[::2])


@pytest.mark.slow
def test_all_text_as_set_can_be_read(browser_page: Any) -> None:
    """WCAG 2.2, 1.4.3 AA, over the colours that the browser computed for each text."""
    assert browser_page.evaluate(LEAST_CONTRAST, "main *:not(svg *)") >= 4.5


@pytest.mark.slow
@pytest.mark.parametrize("width", [320, 1100])
def test_the_page_fits_its_window(browser_page: Any, width: int) -> None:
    """WCAG 2.2, 1.4.10 (from memory): no sideways scrolling at a width of 320 CSS pixels."""
    browser_page.set_viewport_size({"width": width, "height": 900})
    assert browser_page.evaluate("document.documentElement.scrollWidth") <= width
    browser_page.set_viewport_size({"width": 1100, "height": 900})


@pytest.mark.slow
def test_the_page_prints_on_a4(browser_page: Any, tmp_path: Path) -> None:
    """ISO 216: A4 is 210 mm by 297 mm."""
    target = tmp_path / "report.pdf"
    browser_page.pdf(path=str(target), prefer_css_page_size=True, print_background=True)
    told = subprocess.run(["pdfinfo", target], capture_output=True, text=True, check=True).stdout
    facts = dict(line.split(":", 1) for line in told.splitlines() if ":" in line)
    assert 3 <= int(facts["Pages"]) <= 9
    width, height = (float(v) * MM_PER_POINT for v in facts["Page size"].split()[:3:2])
    assert (width, height) == pytest.approx((210, 297), abs=1)
    first = subprocess.run(
        ["pdftotext", "-l", "1", target, "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "The cylinder head" in first
    assert "very likely, 94 %" in first
    assert "Never open a hot cooling system" in first
