"""Photograph the bay page through the demonstration; needs Debian's chromium.

python docs/make_bay_pictures.py            the pictures of the documentation
python docs/make_bay_pictures.py FOLDER     every moment in both sizes, to look at

What is shown comes from the code of the live inspection, the recordings of the demonstration and
the verdict on them; only the moments are chosen here.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

from earwitness import display
from earwitness.acoustics.hiss import score_cycled
from earwitness.audio.recording import read_recording
from earwitness.engine.test_plan import test_plan
from earwitness.session import replay
from earwitness.session.equipment.meters import Meters
from earwitness.session.live import steps
from earwitness.session.live.shown import View, shown
from earwitness.session.sheets.sheet import read_sheet
from earwitness.session.snapshot import Board, Engine, Press

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.session.snapshot import Snapshot

DEMO = Path(__file__).parents[1] / "demo_audio"
IMAGES = Path(__file__).parent / "images"
CHROMIUM = "/usr/bin/chromium"
WIDE, TALL = {"width": 1280, "height": 800}, {"width": 800, "height": 1280}
DOCUMENTED = {"air-on": "bay-air-on.png", "verdict": "bay-verdict.png", "gauge": "bay-gauge.png"}
CYLINDER, TAKE = 3, "c3-tailpipe-retake.flac"
DONE = {"gauge": "42 %", "oil-filler": "no hiss"}


def main() -> None:
    """Show every moment, and keep those of the documentation or all."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    board = Board()
    with display.serve(board, lambda _: None) as served, sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport=WIDE)
        page.goto(served.url)
        for number, (name, moment) in enumerate(moments()):
            board.publish(replace(moment, heard=moment.heard or f"{chr(8203) * number}"))
            page.wait_for_timeout(400)
            if folder is not None:
                for size, viewport in (("wide", WIDE), ("tall", TALL)):
                    page.set_viewport_size(viewport)
                    page.screenshot(path=folder / f"{name}-{size}.png")
                page.set_viewport_size(WIDE)
                if moment.points:
                    choose(page, folder / name)
            elif name in DOCUMENTED:
                page.screenshot(path=IMAGES / DOCUMENTED[name])
        browser.close()


def choose(page, name: Path) -> None:  # type: ignore[no-untyped-def]
    """Photograph the choice of another cylinder or place."""
    page.keyboard.press("Alt+o")
    for size, viewport in (("wide", WIDE), ("tall", TALL)):
        page.set_viewport_size(viewport)
        page.screenshot(path=name.with_name(f"{name.name}-choosing-{size}.png"))
    page.set_viewport_size(WIDE)
    page.keyboard.press("Escape")


def moments() -> Iterator[tuple[str, Snapshot]]:
    """Go through the inspection of one cylinder, from the gauge to the verdict."""
    sheet = read_sheet(DEMO / "inspection.toml")
    layout = sheet.engine.layout()
    plan = test_plan(layout, cylinders=[CYLINDER])
    state, _ = steps.begin(layout, steps.places_of(plan))
    view = View(Engine(layout.label, layout.banks, layout.arrangement))
    yield "cautions", shown(state, view, None)
    state, _ = steps.step(state, Press("understood"))
    yield "gauge", shown(state, view, None)
    view.heard, view.said, view.waiting = (
        "leakage forty two percent",
        "Cylinder 3, leakage forty two percent. Confirm?",
        True,
    )
    yield "read-back", shown(state, view, None)
    view.waiting = False
    places = tuple(
        replace(p, state="done", result=DONE[p.point]) if p.point in DONE else p
        for p in state.places
    )
    at = next(i for i, p in enumerate(places) if p.point == "tailpipe")
    state = replace(state, places=places, at=at, phase="move")
    view.heard, view.said = "confirm", "Stored."
    yield "move", shown(state, view, None)
    yield from in_a_take(replace(state, turns=7), view, sheet)
    yield "paused", shown(replace(state, phase="paused"), view, None)
    finished = tuple(replace(p, state="done") for p in state.places)
    state = replace(state, places=finished)
    view.verdict, view.heard, view.said = verdict(), "done", "Exhaust valve."
    yield "verdict", shown(replace(state, at=None, phase="done"), view, None)


def in_a_take(state, view, sheet) -> Iterator[tuple[str, Snapshot]]:  # type: ignore[no-untyped-def]
    """Make the take at the tailpipe: late in an opening, and after the valve is closed."""
    cylinder = next(c for c in sheet.cylinder if c.number == CYLINDER)
    air_on_s = next(t for t in cylinder.take if t.cycled == TAKE).air_on_s
    recording = read_recording(DEMO / TAKE)
    fs, samples = recording.sample_rate_hz, recording.mono()
    meters = Meters(fs)
    meters.air(on=False)
    told = score_cycled(samples, fs, air_on_s, point="tailpipe")
    wanted = {"air-on": air_on_s[3][1] - 0.4, "air-off": air_on_s[3][1] + 1.5}
    for tenth in range(round(10 * wanted["air-off"])):
        on = any(a <= tenth / 10 < b for a, b in air_on_s)
        meters.air(on=on)
        meters.feed(samples[tenth * fs // 10 : (tenth + 1) * fs // 10])
        if tenth == round(10 * wanted["air-on"]) - 1:
            view.seconds_left, view.detectable_db = 0.4, told.detectable_db
            yield "air-on", shown(replace(state, phase="air-on"), view, meters)
    view.seconds_left = 1.6
    yield "air-off", shown(replace(state, phase="air-off", turns=8), view, meters)
    view.seconds_left = None
    view.warnings.append("The recording was overdriven: turn the gain down and take it again.")
    yield "spoiled", shown(replace(state, phase="move"), view, meters)
    view.warnings.clear()


def verdict():  # type: ignore[no-untyped-def]
    """Return that of the demonstration."""
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record"
        demo = [sys.executable, "-m", "earwitness", "demo", "--out", str(record)]
        subprocess.run(demo, check=True, stdout=subprocess.DEVNULL)  # noqa: S603
        return replay.judge(record).verdict


if __name__ == "__main__":
    main()
