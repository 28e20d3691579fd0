"""Check a whole archive of claim bags: each on its own, several at a time, resumable.

One row a bag goes to a CSV file as soon as it is known, so an interrupted audit goes on where it
stopped. Bags are found one by one and rows are not kept, so memory does not grow with the archive.
"""

from __future__ import annotations

import csv
import hashlib
import os
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import astuple, dataclass, fields
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.errors import EarwitnessError, RecordError, StorageError
from earwitness.record.claim.layout import (
    BAG_INFO,
    CLAIM,
    DECLARATION,
    MANIFEST,
    PAYLOAD,
    TAG_MANIFEST,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future
    from typing import Any

    from earwitness.record.claim.check.defects import Depth

WAITING_PER_JOB = 4
"""Bags handed out ahead of each worker [1]. Chosen: enough to keep it busy, too few to pile up."""
RETRIES = 3
"""How often a bag is handed to another worker of a cluster when its worker dies [1]."""
LONGEST_ROW = 1 << 16
"""Most bytes of one row [bytes]. Chosen: the longest path of any file system, many times over."""
PARTS = {BAG_INFO, CLAIM, MANIFEST, PAYLOAD, TAG_MANIFEST}
"""What a claim bag has besides its declaration; two of them make a folder a bag."""
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Settings that keep each worker to one core; the workers are what runs side by side."""

_FLEET = "Install earwitness with its extra: pip install 'earwitness[fleet]'."
Done = dict[str, tuple[str, bool]]
"""By bag: its digest when it was audited, and whether it was sound."""


@dataclass(frozen=True, slots=True)
class Row:
    """What the audit says of one bag."""

    bag: str
    """Path relative to the archive."""
    seal_sha256: str
    """Digest of the bag's tag manifest: tells whether it is the bag that was audited before."""
    sound: bool
    defects: int
    kinds: str
    """Kinds of the defects, each once, as "step:kind" with spaces between."""
    fingerprint: str
    area: str
    """Where the recorded verdict puts the repair; empty if none can be read."""
    probability: str


@dataclass(frozen=True, slots=True)
class Summary:
    """What the audit came to."""

    bags: int
    unsound: int
    resumed: int
    """Bags that an earlier run had already done."""


def audit(
    folder: Path,
    out: Path,
    *,
    depth: Depth,
    jobs: int,
    scheduler: str | None = None,
    tell: Callable[[Row, int], None],
) -> Summary:
    """Check every claim bag below a folder.

    Parameters
    ----------
    folder : Path
        The archive; links are not followed.
    out : Path
        CSV file, one row a bag; rows already there are not done again.
    depth : {"quick", "default", "recompute"}
        As for `verify`.
    jobs : int
        Worker processes on this machine.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same archive, in place of `jobs`.
    tell : callable
        Called with each new row and the number of rows so far.

    Raises
    ------
    RecordError
        If there is no bag, or `out` is the table of something else.
    StorageError
        If a row cannot be kept; the rows before it are.
    EarwitnessError
        If the cluster cannot be reached or its libraries are missing.
    """
    if not folder.is_dir():
        raise RecordError(f"{folder} is not a folder", remedy="Give the folder of an archive.")
    done = _done_in(out)
    if not done and next(bags_below(folder), None) is None:  # before a table is made
        raise RecordError(
            f"There is no claim bag below {folder}",
            remedy="Give the folder that holds them; `earwitness pack` makes one.",
        )
    resumed, unsound = len(done), sum(not sound for _, sound in done.values())
    tasks = ((b, folder, depth) for b in bags_below(folder) if not _is_done(b, folder, done))
    with _workers(jobs, scheduler) as run, _table(out) as keep:
        for row in run(tasks):
            keep(row)
            before = done.get(row.bag)
            unsound += (not row.sound) - (before is not None and not before[1])
            done[row.bag] = (row.seal_sha256, row.sound)
            tell(row, len(done))
    return Summary(len(done), unsound, resumed)


def bags_below(folder: Path) -> Iterator[Path]:
    """Yield every claim bag below a folder, in the order of their names.

    A bag that lost its declaration is still one, so that the loss is found.
    """
    with os.scandir(folder) as found:
        entries = sorted(found, key=lambda e: e.name)
    names = {e.name for e in entries}
    if DECLARATION in names or len(names & PARTS) > 1:
        yield folder
        return
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            yield from bags_below(Path(entry.path))


def audit_one(bag: Path, folder: Path, depth: Depth) -> Row:
    """Check one bag; whatever it holds, there is a row."""
    from earwitness.record.claim.check.verify import verify

    found = verify(bag, depth=depth)
    area, probability = _verdict(bag)
    return Row(
        bag=str(bag.relative_to(folder)),
        seal_sha256=_seal(bag),
        sound=found.sound,
        defects=len(found.defects),
        kinds=" ".join(dict.fromkeys(f"{d.step}:{d.kind}" for d in found.defects)),
        fingerprint=found.fingerprint or "",
        area=area,
        probability=probability,
    )


def _verdict(bag: Path) -> tuple[str, str]:
    from earwitness.record.model import inspection
    from earwitness.record.reader import read_record

    try:
        verdict = inspection(read_record(bag / "data" / "record")).verdict
    except EarwitnessError:
        return "", ""
    return (verdict.area, f"{verdict.probability:.6f}") if verdict else ("", "")


def _seal(bag: Path) -> str:
    try:
        with (bag / "tagmanifest-sha256.txt").open("rb") as f:
            return hashlib.file_digest(f, "sha256").hexdigest()
    except OSError:
        return ""


def _is_done(bag: Path, folder: Path, done: Done) -> bool:
    seal, _ = done.get(str(bag.relative_to(folder)), ("", True))
    return seal != "" and seal == _seal(bag)


# --- the table -------------------------------------------------------------------------------


def _done_in(out: Path) -> Done:
    """Return what an earlier run found; a last row that was cut short is left out."""
    if not out.exists():
        return {}
    head = [f.name for f in fields(Row)]
    try:
        _cut_to_last_line(out)
        with out.open(encoding="utf-8", newline="") as f:
            lines = csv.reader(f)
            if next(lines, head) != head:
                raise RecordError(
                    f"{out} is not the table of an audit", remedy="Choose another --out."
                )
            return {line[0]: (line[1], line[2] == "True") for line in lines if len(line) > 2}
    except (OSError, UnicodeDecodeError, csv.Error) as e:
        raise RecordError(f"{out} cannot be read ({e})", remedy="Choose another --out.") from e


@contextmanager
def _table(out: Path) -> Iterator[Callable[[Row], None]]:
    """Open the table for appending; each row is on disk before the next is asked for."""
    try:
        with out.open("a", encoding="utf-8", newline="") as f:
            writer = csv.writer(f, lineterminator="\n")
            if f.tell() == 0:
                writer.writerow(field.name for field in fields(Row))

            def keep(row: Row) -> None:
                writer.writerow(astuple(row))
                f.flush()
                os.fsync(f.fileno())

            yield keep
    except OSError as e:
        raise StorageError(f"The audit cannot be written to {out} ({e.strerror})") from e


def _cut_to_last_line(out: Path) -> None:
    """Take off a row that an interruption cut short."""
    with out.open("r+b") as f:
        f.seek(max(0, out.stat().st_size - LONGEST_ROW))
        start, tail = f.tell(), f.read()
        if not tail.endswith(b"\n"):
            f.truncate(start + tail.rfind(b"\n") + 1)


def to_parquet(table: Path, out: Path) -> None:
    """Write the table of an audit as Parquet, for those who gather many.

    Raises
    ------
    EarwitnessError
        If the library for it is missing.
    StorageError
        If the file cannot be written.
    """
    try:
        from pyarrow import csv as arrow_csv
        from pyarrow import parquet
    except ImportError as e:
        raise EarwitnessError("The library for Parquet is not installed", remedy=_FLEET) from e
    try:
        parquet.write_table(arrow_csv.read_csv(table), out)
    except OSError as e:
        raise StorageError(f"{out} cannot be written ({e})") from e


# --- the workers -----------------------------------------------------------------------------


@contextmanager
def _workers(
    jobs: int, scheduler: str | None
) -> Iterator[Callable[[Iterator[tuple[Path, Path, Depth]]], Iterator[Row]]]:
    with _cluster(scheduler) if scheduler else _processes(jobs) as run:
        yield run


@contextmanager
def _processes(jobs: int) -> Iterator[Callable[..., Iterator[Row]]]:
    """Run on this machine, a bounded number of bags ahead."""
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    try:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            yield lambda tasks: _bounded(tasks, pool, ahead=jobs * WAITING_PER_JOB)
    except BrokenProcessPool as e:
        raise EarwitnessError(
            "A worker of the audit was ended from outside, perhaps for want of memory",
            remedy="Run the same command again, with fewer --jobs; it goes on where it stopped.",
        ) from e


def _bounded(
    tasks: Iterator[tuple[Path, Path, Depth]], pool: ProcessPoolExecutor, *, ahead: int
) -> Iterator[Row]:
    running: set[Future[Row]] = set()
    for task in tasks:
        running.add(pool.submit(audit_one, *task))
        if len(running) >= ahead:
            ready, running = wait(running, return_when=FIRST_COMPLETED)
            yield from (f.result() for f in ready)
    while running:
        ready, running = wait(running, return_when=FIRST_COMPLETED)
        yield from (f.result() for f in ready)


@contextmanager
def _cluster(scheduler: str) -> Iterator[Callable[..., Iterator[Row]]]:
    """Run on a Dask cluster; a bag whose worker dies goes to another one."""
    try:
        from distributed import Client
    except ImportError as e:
        raise EarwitnessError("The libraries for a cluster are not installed", remedy=_FLEET) from e
    try:
        client = Client(scheduler, timeout="10s")
    except (OSError, ValueError, TimeoutError) as e:
        raise EarwitnessError(
            f"No Dask scheduler answers at {scheduler}",
            remedy="Start one with `dask scheduler`, or leave --scheduler out.",
        ) from e
    with client:
        yield lambda tasks: _spread(tasks, client)


def _spread(tasks: Iterator[tuple[Path, Path, Depth]], client: Any) -> Iterator[Row]:
    from distributed import as_completed

    ahead = WAITING_PER_JOB * max(1, len(client.scheduler_info()["workers"]))
    running = as_completed([_handed(client, task) for task in islice(tasks, ahead)])
    for future in running:
        yield future.result()
        for task in islice(tasks, 1):
            running.add(_handed(client, task))


def _handed(client: Any, task: tuple[Path, Path, Depth]) -> Any:
    return client.submit(audit_one, *task, retries=RETRIES, pure=False)
