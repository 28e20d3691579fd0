"""Make whole live inspections with every way to connect the microphones, and replay them.

    python benchmarks/live_whole.py --times 2

Each inspection goes through a sound server in real time: the engine is named and the readings are
dictated by a recorded voice, the takes are recorded through PortAudio. Printed is what was found,
and whether the replay of the recordings gives the same verdict to the last byte.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session.replay import Replay
from earwitness.session.sheets.sheet import read_sheet
from live_whole import BENCHES, clock, inspect_whole, verdict_bytes
from sound_server import sound_server


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=1)
    told = options.parse_args()
    for name in BENCHES:
        for n in range(told.times):
            with tempfile.TemporaryDirectory() as folder:
                print(f"{name:20s} {one(name, Path(folder), 5 + n)}", flush=True)
    return 0


def one(name: str, folder: Path, seed: int) -> str:
    """Make one inspection, replay it, and say what came of both."""
    (folder / "server").mkdir()
    with sound_server(folder / "server") as server:
        server.plug_in_desk()
        whole = inspect_whole(server, BENCHES[name], folder / "record", seed)
    sheet = read_sheet(whole.folder / "replay.toml")
    again = folder / "again"
    Replay(sheet, whole.folder, again, clock=clock, tell=lambda _: None).run("replay.toml")
    same = verdict_bytes(again) == verdict_bytes(whole.folder)
    live = inspection(read_record(whole.folder))
    readings = ", ".join(f"{r.value} %" for r in live.readings)
    takes = [
        f"c{t.cylinder} {t.point} {t.finding.excess_db:+.2f} dB p {t.finding.p_value:.4f}"
        for t in live.takes
        if t.finding is not None and t.finding.p_value is not None
    ]
    ranked = [f"{c.ranking[0].verdict} {c.ranking[0].probability:.3f}" for c in live_verdict(whole)]
    files = max(len(t.audio) for t in live.takes)
    return (
        f"{readings}; {len(live.takes)} takes of {files} channel(s): {'; '.join(takes)}; "
        f"{', '.join(ranked)}; replay {'the same' if same else 'DIFFERENT'}"
    )


def live_verdict(whole) -> tuple:
    return whole.verdict.cylinders if whole.verdict else ()


if __name__ == "__main__":
    raise SystemExit(main())
