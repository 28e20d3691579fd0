"""Auditing an archive: every bag, once, whatever dies on the way."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from multiprocessing import active_children
from typing import TYPE_CHECKING

import pytest

from earwitness.errors import EarwitnessError
from earwitness.record.claim.audit import audit, bags_below
from small_bay import refusal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]

BAGS = 6


@pytest.fixture
def archive(bag: Path, tmp_path: Path) -> Path:
    """Six copies of one bag in folders of their own; the fourth one's note was edited."""
    folder = tmp_path / "archive"
    for i in range(BAGS):
        shutil.copytree(bag, folder / f"20{20 + i}" / f"claim-{i}")
    with (folder / "2023/claim-3/data/CHECKING.txt").open("a", encoding="utf-8") as f:
        f.write("all well\n")
    return folder


def rows(table: Path) -> dict[str, dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as f:
        listed = list(csv.DictReader(f))
    assert len({row["bag"] for row in listed}) == len(listed)
    return {row["bag"]: row for row in listed}


def check(table: Path) -> None:
    """All six are in the table and only the edited one is defective."""
    found = rows(table)
    assert len(found) == BAGS
    unsound = {bag: row["kinds"] for bag, row in found.items() if row["sound"] != "True"}
    assert unsound == {"2023/claim-3": "1:oxum-differs 2:digest-differs"}


@pytest.mark.slow
def test_every_bag_is_verified_and_recomputed(
    earwitness: Run, archive: Path, tmp_path: Path
) -> None:
    table = tmp_path / "audit.csv"
    done = earwitness("audit", archive, "--out", table, "--json")
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert (told["schema"], told["bags"], told["unsound"]) == ("earwitness.audit/1", BAGS, 1)
    check(table)
    assert "claim-3: DEFECTIVE, 1:oxum-differs" in done.stderr
    again = json.loads(earwitness("audit", archive, "--out", table, "--json").stdout)
    assert (again["bags"], again["resumed"], again["unsound"]) == (BAGS, BAGS, 1)
    check(table)


@pytest.mark.slow
def test_an_audit_that_was_killed_goes_on_where_it_stopped(archive: Path, tmp_path: Path) -> None:
    table = tmp_path / "audit.csv"
    words = [sys.executable, "-m", "earwitness", "audit", archive, "--out", table, "--jobs", "1"]
    first = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, start_new_session=True)
    assert first.stderr is not None
    first.stderr.readline()
    os.killpg(first.pid, signal.SIGKILL)
    first.wait()
    first.stderr.close()
    before = table.read_bytes()
    assert 1 < before.count(b"\n") < BAGS
    table.write_bytes(before + b"2099/half-a-ro")
    second = subprocess.run(words, capture_output=True, text=True, check=False)
    assert second.returncode == 1
    assert table.read_bytes().startswith(before)
    check(table)


@pytest.mark.slow
def test_a_bag_that_changed_since_is_audited_again(
    earwitness: Run, archive: Path, tmp_path: Path
) -> None:
    table = tmp_path / "audit.csv"
    earwitness("audit", archive, "--out", table, "--no-recompute")
    with (archive / "2020/claim-0/tagmanifest-sha256.txt").open("a", encoding="utf-8") as f:
        f.write("\n")
    told = json.loads(
        earwitness("audit", archive, "--out", table, "--no-recompute", "--json").stdout
    )
    assert (told["bags"], told["unsound"]) == (BAGS, 2)


@pytest.mark.slow
def test_the_table_as_parquet_says_the_same(earwitness: Run, archive: Path, tmp_path: Path) -> None:
    from pyarrow import parquet

    earwitness("audit", archive, "--out", tmp_path / "audit.parquet", "--quick")
    columns = parquet.read_table(tmp_path / "audit.parquet").to_pydict()
    found = rows(tmp_path / "audit.csv")
    assert set(columns["bag"]) == set(found)
    assert columns["sound"] == [row["sound"] == "True" for row in found.values()]


def test_only_bags_are_taken_for_bags(tmp_path: Path) -> None:
    for name in ("claim/2024/bag/bagit.txt", "a/claim/notes.txt", "b/data/claim.txt"):
        file = tmp_path / name
        file.parent.mkdir(parents=True)
        file.touch()
    stripped = tmp_path / "stripped"
    (stripped / "claim").mkdir(parents=True)
    (stripped / "manifest-sha256.txt").touch()
    assert list(bags_below(tmp_path)) == [tmp_path / "claim/2024/bag", stripped]


@pytest.mark.slow
def test_an_audit_whose_worker_is_ended_says_so_and_goes_on(
    earwitness: Run, archive: Path, tmp_path: Path
) -> None:
    table = tmp_path / "audit.csv"

    def end_the_worker(_row: object, _count: int) -> None:
        for worker in active_children():
            worker.kill()

    with pytest.raises(EarwitnessError, match="goes on where it stopped"):
        audit(archive, table, depth="default", jobs=1, tell=end_the_worker)
    assert 0 < len(rows(table)) < BAGS
    assert earwitness("audit", archive, "--out", table, "--no-recompute").exit_code == 1
    check(table)


@pytest.mark.slow
def test_wrong_use_of_audit_is_one_sentence(earwitness: Run, archive: Path, tmp_path: Path) -> None:
    refusal(earwitness("audit", tmp_path / "missing"))
    refusal(earwitness("audit", tmp_path / "van 42", "--out", tmp_path / "empty.csv"))
    refusal(earwitness("audit", archive, "--out", archive / "2020/claim-0/bagit.txt"))
    refusal(earwitness("audit", archive, "--out", tmp_path / "a.csv", "--scheduler", "tcp://x:1"))


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # the cluster's own shutdown warns
def test_a_cluster_that_loses_a_worker_still_audits_every_bag(
    archive: Path, tmp_path: Path
) -> None:
    from distributed import Client, LocalCluster

    table, lost = tmp_path / "audit.csv", []
    with (
        LocalCluster(2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster,
        Client(cluster) as client,
    ):
        pids = list(client.run(os.getpid).values())

        def kill_one(_row: object, _count: int) -> None:
            if not lost:
                lost.append(pids[0])
                os.kill(pids[0], signal.SIGKILL)
                time.sleep(0.5)

        address = cluster.scheduler_address
        told = audit(archive, table, depth="recompute", jobs=1, scheduler=address, tell=kill_one)
    assert lost
    assert (told.bags, told.unsound) == (BAGS, 1)
    check(table)


def test_a_folder_without_bags_is_told_and_leaves_no_table(earwitness: Run, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    table = tmp_path / "audit.csv"
    said = refusal(earwitness("audit", tmp_path / "empty", "--out", table))
    assert "There is no claim bag below" in said
    assert not table.exists()
