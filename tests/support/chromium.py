"""Debian's Chromium, driven by the tests (tests/install_system_parts.sh installs it)."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
LEAST_CONTRAST = """
selector => {
  const lum = c => {
    const linear = v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4;
    const [r, g, b] = c.map(v => linear(v / 255));
    return .2126 * r + .7152 * g + .0722 * b;
  };
  const parse = s => s.match(/[\\d.]+/g).map(Number);
  const ground = e => {
    for (; e; e = e.parentElement) {
      if (e.matches('circle.mine')) return parse(getComputedStyle(e).fill).slice(0, 3);
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c.slice(0, 3);
    }
    return [255, 255, 255];
  };
  let least = 21;
  for (const e of document.querySelectorAll(selector)) {
    if (!e.checkVisibility()) continue;
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    const svg = e.namespaceURI.endsWith('svg');
    const style = getComputedStyle(e);
    const behind = e.matches('text.mine') ? e.parentElement.querySelector('circle.mine') : e;
    const pair = [lum(parse(svg ? style.fill : style.color).slice(0, 3)), lum(ground(behind))];
    least = Math.min(least, (Math.max(...pair) + .05) / (Math.min(...pair) + .05));
  }
  return least;
}
"""
"""WCAG 2.2, contrast ratio and relative luminance: the least of any visible text on its ground."""


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser while the context lasts."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


def attentive_page(browser: Any, width: int, height: int) -> Any:
    """A page of this size that keeps what its console says, and what it asks for."""
    page = browser.new_page(viewport={"width": width, "height": height})
    page.said, page.asked = [], []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    return page
