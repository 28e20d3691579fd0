"""How much memory the bay page and its server hold over a working day of events.

python benchmarks/bay_page_memory.py --hours 4

Events come at ten a second as in a live inspection, but here they are sent as fast as the page
draws them. A process of its own serves, so that what is counted is the server alone: its resident
set, and the objects that Python's collector knows after a collection. After each tenth the
browser's garbage is collected and its heap and elements are counted. `drawn` counts what the page
showed; it leaves out what was old before its turn came. Growth is a straight line through the last
eight tenths.
"""

from __future__ import annotations

import argparse
import gc
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
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
AT_ONCE = 200
"""Events between two waits for the page [1]."""
COUNT = """() => {
  window.drawn = 0;
  new MutationObserver(() => { window.drawn += 1; }).observe(
    document.body, { attributes: true, attributeFilter: ['data-number'] });
}"""
SHOWN = "n => new Promise(done => { const look = () => Number(document.body.dataset.number) >= n ?"
SHOWN += " done(true) : setTimeout(look, 5); look(); })"
HEAD = "events    drawn   page heap, MB   elements   server, MB   its objects"
MOMENTS = list(inspection().values())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--serve", action="store_true", help="be the process that serves")
    told = parser.parse_args()
    if told.serve:
        serve()
        return
    events = round(told.hours * 3600 * EVENTS_PER_S / AT_ONCE) * AT_ONCE
    command = [sys.executable, __file__, "--serve"]
    server = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        growth = followed(server, events)
    finally:
        server.stdin.close()
        server.wait()
    hours = events / EVENTS_PER_S / 3600
    print(f"growth over {hours:.2f} hours of events: ", end="")
    print(", ".join(f"{name} {slope:+.3f}{unit} an hour" for name, unit, slope in growth))


def serve() -> None:
    """Serve; for each line that comes in publish so many events and say what is held."""
    app.LOOK_S = 0.001
    board, number = Board(), 0
    with display.serve(board, lambda _: None) as page:
        print(page.url, flush=True)
        for line in sys.stdin:
            for _ in range(int(line)):
                board.publish(moment(number))
                number += 1
                time.sleep(PAUSE_S)
            gc.collect()
            print(resident_mb(), len(gc.get_objects()), flush=True)


def followed(server, events: int) -> list[tuple[str, str, float]]:  # type: ignore[no-untyped-def]
    """Follow the page through all events; return what grows by how much an hour."""
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        shown = browser.new_page(viewport={"width": 1280, "height": 800})
        shown.goto(server.stdout.readline().strip())
        cdp = shown.context.new_cdp_session(shown)
        cdp.send("Performance.enable")
        shown.evaluate(COUNT)
        print(HEAD, flush=True)
        rows = []
        for number in range(AT_ONCE, events + 1, AT_ONCE):
            server.stdin.write(f"{AT_ONCE}\n")
            server.stdin.flush()
            resident, objects = (float(x) for x in server.stdout.readline().split())
            shown.evaluate(SHOWN, number)
            if number * 10 // events > (number - AT_ONCE) * 10 // events:
                drawn = shown.evaluate("window.drawn")
                rows.append([number, drawn, *page_holds(cdp), resident, objects])
                row = "{:6.0f}   {:6.0f}   {:13.2f}   {:8.0f}   {:10.2f}   {:11.0f}"
                print(row.format(*rows[-1]), flush=True)
        browser.close()
    held = np.array(rows[2:])
    hours = held[:, 0] / EVENTS_PER_S / 3600
    slopes = [float(np.polyfit(hours, held[:, k], 1)[0]) for k in (2, 4, 5)]
    return [
        ("page", " MB", slopes[0]),
        ("server", " MB", slopes[1]),
        ("its objects", "", slopes[2]),
    ]


def moment(number: int) -> Snapshot:
    """Return one moment of an inspection that goes round, its texts never twice the same."""
    base = MOMENTS[number // 300 % len(MOMENTS)]
    first = max(0, number - KEPT + 1)
    columns = tuple(
        Column(n, bytes((n + b) % 256 for b in range(48))) for n in range(first, number + 1)
    )
    return replace(base, spectrogram=columns, heard=f"event {number}")


def page_holds(cdp) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Return the page's heap [MB] and its elements [1] after a collection."""
    cdp.send("HeapProfiler.collectGarbage")
    told = {m["name"]: m["value"] for m in cdp.send("Performance.getMetrics")["metrics"]}
    return told["JSHeapUsedSize"] / 1e6, told["Nodes"]


def resident_mb() -> float:
    """Return the resident set of this process [MB]."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    resident = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
    return int(resident) / 1e3


if __name__ == "__main__":
    main()
