"""Killed at any instant: what was acknowledged is there, what was lost is said."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from earwitness.errors import RecordError
from earwitness.record.store import RecordWriter, read_record

if TYPE_CHECKING:
    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

KILLING = Path(__file__).parents[2] / "benchmarks/record_kill.py"
POINTS = {
    "write log": ("before", "half-way", "after"),
    "fsync log": ("before", "after"),
    "write sound": ("before", "half-way", "after"),
    "fsync sound": ("before", "after"),
    "rename sound": ("before", "after"),
    "fsync audio folder": ("before", "after"),
    "write cut-off line": ("before", "half-way", "after"),
    "fsync cut-off line": ("before", "after"),
    "ftruncate log": ("before", "after"),
    "fsync folder": ("before", "after"),
    "mkdir folder": ("before", "after"),
    "mkdir audio folder": ("before", "after"),
    "open log": ("before", "after"),
    "pwrite live sound": ("before", "half-way", "after"),
    "ftruncate live sound": ("before", "after"),
    "fsync live sound": ("before", "after"),
    "rename live sound": ("before", "after"),
}


@pytest.mark.slow
def test_every_acknowledged_entry_survives_kill_9(tmp_path: Path) -> None:
    """240 of the rounds of benchmarks/record_kill.py, at each named point and at random times."""
    code, told = _killing("--rounds", "240", "--place", tmp_path)
    assert (code, told["lost"], told["not_reached"]) == (0, [], 0)
    assert sum(told["rounds"].values()) == 240
    met = {name.split(" ", 1)[1] for name in told["rounds"]}
    assert met == {f"{call} {when}" for call, all_ in POINTS.items() for when in all_} | {"timer"}
    assert sum(told["inside"].values()) > 50
    assert told["acknowledged"] > 60  # before named points alone, on a machine however slow


@pytest.mark.slow
def test_the_killing_finds_a_writer_that_acknowledges_too_early(tmp_path: Path) -> None:
    code, told = _killing("--rounds", "40", "--early", "--place", tmp_path)
    assert code == 1
    assert told["lost"]


def _killing(*arguments: object) -> tuple[int, dict[str, Any]]:
    command = [sys.executable, KILLING, "--json", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    return done.returncode, json.loads(done.stdout)


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


def test_another_cut_off_line_is_never_written_over(small_record: Path, clock: Clock) -> None:
    """The note about the first was itself cut short: both halves have the number of entry 7."""
    (small_record / "cut-off-0007.lost").write_bytes(b'{"body":{"cylinder":2,')
    with (small_record / "record.jsonl").open("ab") as log:
        log.write(b'{"body":{"text":"An entry')
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.entries == 8
    assert (small_record / "cut-off-0007.lost").read_bytes() == b'{"body":{"cylinder":2,'
    assert (small_record / "cut-off-0007-2.lost").read_bytes() == b'{"body":{"text":"An entry'
    texts = " ".join(e.body["text"] for e in read_record(small_record).entries[-2:])
    assert "22 bytes are in cut-off-0007.lost" in texts
    assert "25 bytes are in cut-off-0007-2.lost" in texts


def test_a_line_with_blocks_of_zeros_is_one_that_was_cut_short(
    small_record: Path, clock: Clock
) -> None:
    """A power cut may keep the last block of a write and not the one before it."""
    with (small_record / "record.jsonl").open("ab") as log:
        log.write(bytes(4096) + b'"prev":"00"}\n')
    assert "Entry 7 was cut short" in str(read_record(small_record).lost)
    with RecordWriter.open(small_record, clock=clock) as writer:
        assert writer.append("note", {"text": "on it goes"}).seq == 8
    assert (small_record / "cut-off-0007.lost").stat().st_size == 4096 + 13
    assert read_record(small_record).lost is None


def test_zeros_before_the_last_line_are_damage(small_record: Path) -> None:
    """What was followed by another entry was on disk: no interruption takes it back."""
    log = small_record / "record.jsonl"
    first, second, *others = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([first, bytes(len(second) - 1) + b"\n", *others]))
    with pytest.raises(RecordError, match=r"Line 2 .* not JSON"):
        read_record(small_record)
