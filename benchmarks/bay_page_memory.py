"""How much memory the bay page and its server hold over a working day of events.

python benchmarks/bay_page_memory.py --hours 4

Events come at ten a second as in a live inspection, but here they are sent as fast as the page
draws them. After each tenth the browser's garbage is collected and its heap and elements are
counted, and the resident set of this process, which serves. `drawn` counts what the page showed;
it leaves out what was old before its turn came. Flat is what the last nine tenths show.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

from playwright.sync_api import sync_playwright

from earwitness import display
from earwitness.display import app
from earwitness.session.snapshot import Board, Column, Snapshot

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))
from scripted_inspection import inspection

CHROMIUM = "/usr/bin/chromium"
EVENTS_PER_S = 10
KEPT = 240
PAUSE_S = 0.0015
COUNT = """() => {
  window.drawn = 0;
  new MutationObserver(() => { window.drawn += 1; }).observe(
    document.getElementById('heard'), { childList: true });
}"""
MOMENTS = list(inspection().values())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0)
    events = round(parser.parse_args().hours * 3600 * EVENTS_PER_S)
    app.LOOK_S = 0.001
    board = Board()
    with display.serve(board, lambda _: None) as page, sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        shown = browser.new_page(viewport={"width": 1280, "height": 800})
        shown.goto(page.url)
        cdp = shown.context.new_cdp_session(shown)
        cdp.send("Performance.enable")
        shown.evaluate(COUNT)
        print("events    drawn   page heap, MB   elements   server, MB")
        for number in range(events):
            board.publish(moment(number))
            time.sleep(PAUSE_S)
            if number % 200 == 199 or number == events - 1:
                wait_until_drawn(shown, number)
            if (number + 1) % (events // 10) == 0:
                report(cdp, number + 1, shown.evaluate("window.drawn"))
        browser.close()


def moment(number: int) -> Snapshot:
    """Return one moment of an inspection that goes round, its texts never twice the same."""
    base = MOMENTS[number // 300 % len(MOMENTS)]
    first = max(0, number - KEPT + 1)
    columns = tuple(
        Column(n, bytes((n + b) % 256 for b in range(48))) for n in range(first, number + 1)
    )
    return replace(base, spectrogram=columns, heard=f"event {number}")


def wait_until_drawn(shown, number: int) -> None:  # type: ignore[no-untyped-def]
    text = f"event {number}"
    shown.wait_for_function("t => document.getElementById('heard').textContent === t", arg=text)


def report(cdp, events: int, drawn: int) -> None:  # type: ignore[no-untyped-def]
    cdp.send("HeapProfiler.collectGarbage")
    told = {m["name"]: m["value"] for m in cdp.send("Performance.getMetrics")["metrics"]}
    status = Path("/proc/self/status").read_text(encoding="ascii")
    resident = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
    heap, nodes = told["JSHeapUsedSize"] / 1e6, told["Nodes"]
    print(
        f"{events:6d}   {drawn:6d}   {heap:13.2f}   {nodes:8.0f}   {int(resident) / 1e3:10.1f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
