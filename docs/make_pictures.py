"""Make the pictures of the README anew; needs Debian's chromium."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

IMAGES = Path(__file__).parent / "images"
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
SIZE = {"width": 1000, "height": 1250}
"""Part of the report that is shown [CSS pixels]. Chosen: its first printed page."""


def main() -> None:
    """Run the demonstration and photograph the top of its report."""
    IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record"
        demo = [sys.executable, "-m", "earwitness", "demo", "--out", str(record)]
        subprocess.run(demo, check=True, stdout=subprocess.DEVNULL)  # noqa: S603
        photograph(record / "report.html", IMAGES / "report.png")


def photograph(page_file: Path, picture: Path) -> None:
    """Save what a browser shows of a page."""
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport=SIZE)
        page.goto(page_file.as_uri())
        page.screenshot(path=picture)
        browser.close()


if __name__ == "__main__":
    main()
