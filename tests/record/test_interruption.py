"""Killed at any instant: what was acknowledged is there, what was lost is said."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf

from earwitness.record.store import RecordWriter, read_record

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

WRITER = """
import sys
from datetime import datetime, UTC
from pathlib import Path
import rfc8785, soundfile  # now, so that the first entry is not late
from earwitness.record.store import RecordWriter
writer = RecordWriter.open(Path(sys.argv[1]), clock=lambda: datetime(2026, 3, 4, tzinfo=UTC))
print("ready", flush=True)
while True:
    body = writer.add_audio(Path(sys.argv[2]), name="take")
    print(writer.entries, body["path"], flush=True)
    print(writer.append("note", {"text": "n" * 3000}).seq, "-", flush=True)
"""

ROUNDS = 25


@pytest.mark.slow
def test_every_acknowledged_entry_survives_kill_9(
    tmp_path: Path, clock: Clock, opened: Body
) -> None:
    """One record, opened and killed 25 times at instants drawn from a fixed seed."""
    rng = np.random.default_rng(20260304)
    folder, source = tmp_path / "r", tmp_path / "s.wav"
    sf.write(source, rng.normal(0, 0.1, 200_000), 48_000, subtype="PCM_16")
    with RecordWriter.create(folder, clock=clock) as writer:
        writer.append("opened", opened)
    acknowledged: dict[int, str] = {1: "-"}
    for _ in range(ROUNDS):
        acknowledged |= _killed_after(float(rng.uniform(0, 0.06)), folder, source)
        record = read_record(folder)
        by_seq = {e.seq: e for e in record.entries}
        assert acknowledged.keys() <= by_seq.keys()
        for seq, path in acknowledged.items():
            assert path == "-" or by_seq[seq].body["path"] == path
            assert path == "-" or (folder / path).stat().st_size == source.stat().st_size
    assert len(acknowledged) > ROUNDS
    with RecordWriter.open(folder, clock=clock) as writer:
        assert writer.append("closed", {}).seq == writer.entries


def _killed_after(delay_s: float, folder: Path, source: Path) -> dict[int, str]:
    """Let the writer run for a moment, kill it, and return what it had acknowledged."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, folder, source], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        time.sleep(delay_s)
        os.kill(writer.pid, signal.SIGKILL)
        said = writer.stdout.read()
    return {int(line.split()[0]): line.split()[1] for line in said.splitlines(keepends=False)}


@pytest.mark.slow
def test_a_log_cut_at_any_byte_opens_and_goes_on(small_record: Path, clock: Clock) -> None:
    """Every length that the file can have while its last line is being written."""
    log = small_record / "record.jsonl"
    whole = log.read_bytes()
    before_last = whole[:-1].rindex(b"\n") + 1
    for size in range(before_last, len(whole)):
        log.write_bytes(whole[:size])
        torn = whole[before_last:size]
        record = read_record(small_record)
        assert len(record.entries) == 5
        assert (f"its {len(torn)} bytes" in (record.lost or "")) == bool(torn)
        with RecordWriter.open(small_record, clock=clock) as writer:
            if torn:
                assert (small_record / "cut-off-0006.lost").read_bytes() == torn
                assert "cut short" in str(writer.recovered)
            assert writer.append("note", {"text": "on"}).seq == (7 if torn else 6)
        assert read_record(small_record).lost is None
        (small_record / "cut-off-0006.lost").unlink(missing_ok=True)


def test_an_interrupted_repair_is_finished_by_the_next(small_record: Path, clock: Clock) -> None:
    """Killed after the cut-off line was put aside and cut off, before the note about it."""
    (small_record / "cut-off-0007.lost").write_bytes(b'{"body":{')
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.entries == 7
    note = read_record(small_record).entries[-1]
    assert note.body == {
        "text": "An entry was cut short by an interruption; its 9 bytes are in cut-off-0007.lost."
    }
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.entries == 7


def test_a_record_killed_before_its_first_entry_can_still_begin(
    tmp_path: Path, clock: Clock, opened: Body
) -> None:
    RecordWriter.create(tmp_path / "r", clock=clock).close()
    (tmp_path / "r" / "record.jsonl").write_bytes(b'{"body":')
    with RecordWriter.open(tmp_path / "r", clock=clock) as writer:
        assert writer.append("opened", opened).seq == 1
    with RecordWriter.open(tmp_path / "r", clock=clock) as writer:
        assert "cut-off-0001.lost" in str(writer.recovered)
