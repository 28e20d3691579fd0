"""Packing: what a bag holds, that other programs can check it, and that no half bag is left."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import bagit
import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from earwitness.audio.broadcast_wav import Bext, write_broadcast_wav
from earwitness.errors import RecordError, StorageError
from earwitness.record import bodies
from earwitness.record.claim.keys.rotation import SignedRotation, read_rotation
from earwitness.record.claim.keys.shop_key import ShopKey, rotate, shop_key
from earwitness.record.claim.make import bag as bags
from earwitness.record.claim.make.bag import pack
from earwitness.record.claim.make.disclosure import disclosure
from earwitness.record.claim.manifest import list_files, read_bag_info, read_manifest
from earwitness.record.claim.statement import (
    check,
    read_public_key,
    read_signature,
    read_statement,
)
from earwitness.record.identity import digests_of, salted
from earwitness.record.reader import read_record
from earwitness.record.store import RecordWriter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

PACKED = datetime(2026, 3, 5, 1, 30, tzinfo=UTC)
PEOPLE = {
    "technician": "D. Okonjo",
    "shop": "Kettle Creek Engine Works",
    "customer": "Marlow Street Bakery",
    "complaint": "Shakes at idle.",
}


def begin(writer: RecordWriter, opened: Body, people: dict[str, str]) -> None:
    """Open a record with people; the same salts every time."""
    identity = salted(people, np.random.default_rng(7).bytes)
    writer.begin({**opened, "identity": digests_of(identity)}, identity)


def packed_at() -> datetime:
    return PACKED


@pytest.fixture
def key() -> ShopKey:
    return ShopKey(Ed25519PrivateKey.from_private_bytes(bytes(range(32))), PACKED)


@pytest.fixture
def record(tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path]) -> Path:
    """A record with two sound files, a note and people."""
    folder = tmp_path / "van-42"
    with RecordWriter.create(folder, clock=clock) as writer:
        begin(writer, opened, PEOPLE)
        writer.add_audio(sound("marlow-c1-off.wav"), name="c1-tailpipe-off")
        writer.add_audio(sound("marlow-c1-on.flac", channels=2), name="c1-tailpipe-on")
        writer.append("note", {"text": "Coolant warm."})
        writer.append("closed", {})
    return folder


@pytest.fixture
def reports(tmp_path: Path) -> dict[str, Path]:
    page = tmp_path / "page.html"
    page.write_text("<!doctype html><title>Report</title>", encoding="utf-8")
    return {"report.html": page}


@pytest.fixture
def bag(record: Path, key: ShopKey, reports: dict[str, Path]) -> Path:
    return pack(record, key=key, clock=packed_at, reports=reports)


def content(folder: Path) -> dict[str, bytes]:
    paths = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in paths}


def test_a_bag_holds_the_record_the_report_and_the_claim(bag: Path, record: Path) -> None:
    assert bag == record.with_name("van-42-claim")
    assert sorted(content(bag)) == [
        "bag-info.txt",
        "bagit.txt",
        "claim/public-key.pem",
        "claim/statement.json",
        "claim/statement.sig",
        "data/CHECKING.txt",
        "data/record/audio/0001-c1-tailpipe-off.wav",
        "data/record/audio/0002-c1-tailpipe-on.flac",
        "data/record/identity.json",
        "data/record/record.jsonl",
        "data/report.html",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
    ]


def test_the_record_in_the_bag_is_the_record_to_the_last_byte(bag: Path, record: Path) -> None:
    assert content(bag / "data" / "record") == content(record)
    assert read_record(bag / "data" / "record").head == read_record(record).head


def test_the_library_of_congress_package_finds_the_bag_valid(bag: Path) -> None:
    """bagit 1.9: an independent reader of RFC 8493."""
    read = bagit.Bag(str(bag))
    assert read.validate()
    assert read.version_info == (1, 0)
    assert read.info["Source-Organization"] == "Kettle Creek Engine Works"
    assert read.info["Bagging-Date"] == "2026-03-05"


@pytest.mark.parametrize("path", ["data/record/record.jsonl", "claim/statement.json"])
def test_that_package_finds_one_flipped_bit(bag: Path, path: str) -> None:
    data = bytearray((bag / path).read_bytes())
    data[len(data) // 2] ^= 1
    (bag / path).write_bytes(data)
    assert not bagit.Bag(str(bag)).is_valid()


def test_both_manifests_name_every_file_and_its_digest(bag: Path) -> None:
    files = content(bag)
    digests = {path: hashlib.sha256(data).hexdigest() for path, data in files.items()}
    payload = read_manifest(bag / "manifest-sha256.txt")
    tags = read_manifest(bag / "tagmanifest-sha256.txt")
    assert (payload.faults, tags.faults) == ((), ())
    assert {**payload.entries, **tags.entries, "tagmanifest-sha256.txt": None} == {
        **digests,
        "tagmanifest-sha256.txt": None,
    }
    assert list(payload.entries) == sorted(payload.entries)


def test_the_bag_info_counts_the_payload(bag: Path, record: Path) -> None:
    payload = content(bag / "data")
    info = read_bag_info(bag / "bag-info.txt")
    assert info.payload_oxum == (sum(map(len, payload.values())), len(payload))
    assert info.value("External-Identifier") == read_record(record).head
    assert str(info.value("Bag-Software-Agent")).startswith("earwitness ")
    assert info.faults == ()


def test_the_statement_vouches_for_the_manifest_and_the_chain(
    bag: Path, record: Path, key: ShopKey
) -> None:
    data = (bag / "claim/statement.json").read_bytes()
    stated, kept = read_statement(data), read_record(record)
    manifest = (bag / "manifest-sha256.txt").read_bytes()
    assert (stated.chain_head, stated.entries) == (kept.head, 5)
    assert stated.manifest_sha256 == hashlib.sha256(manifest).hexdigest()
    assert (stated.packed_at, stated.key) == (PACKED, key.digest)
    public = read_public_key((bag / "claim/public-key.pem").read_bytes())
    check(public, data, read_signature((bag / "claim/statement.sig").read_bytes()))


def test_the_same_record_key_and_clock_give_the_same_bytes(
    tmp_path: Path, record: Path, key: ShopKey, reports: dict[str, Path], bag: Path
) -> None:
    moved = shutil.copytree(record, tmp_path / "elsewhere" / "copy", copy_function=shutil.copyfile)
    again = pack(
        moved, tmp_path / "deep" / "down" / "bag", key=key, clock=packed_at, reports=reports
    )
    assert content(again) == content(bag)


def test_exchanges_of_the_key_travel_with_the_bag(
    tmp_path: Path, record: Path, clock: Clock, reports: dict[str, Path]
) -> None:
    store = tmp_path / "keys"
    made = [shop_key(store, clock=clock), rotate(store, clock=clock), rotate(store, clock=clock)]
    bag = pack(record, key=made[-1], clock=packed_at, reports=reports)
    found = [
        read_rotation(SignedRotation(path.read_bytes(), path.with_suffix(".sig").read_bytes()))
        for path in sorted((bag / "claim").glob("rotation-*.json"))
    ]
    assert [(r.key, r.next_key) for r in found] == [
        (made[0].digest, made[1].digest),
        (made[1].digest, made[2].digest),
    ]
    assert bagit.Bag(str(bag)).validate()
    assert sorted(p.name for p in (bag / "claim").glob("rotation-*")) == [
        "rotation-0001.json",
        "rotation-0001.sig",
        "rotation-0002.json",
        "rotation-0002.sig",
    ]


def test_nothing_of_the_private_key_gets_into_the_bag(bag: Path, key: ShopKey) -> None:
    raw = key.private.private_bytes_raw()
    for data in content(bag).values():
        assert raw not in data
        assert raw.hex().encode() not in data
        assert b"PRIVATE KEY" not in data


def test_a_pdf_goes_beside_the_page(
    record: Path, key: ShopKey, reports: dict[str, Path], tmp_path: Path
) -> None:
    pdf = tmp_path / "x.pdf"
    pdf.write_bytes(b"%PDF-1.7")
    both = {**reports, "report.pdf": pdf}
    bag = pack(record, key=key, clock=packed_at, reports=both)
    assert (bag / "data/report.pdf").read_bytes() == b"%PDF-1.7"
    for wrong in ({}, {"report.pdf": pdf}, {**reports, "../x": pdf}, {**reports, "a.txt": pdf}):
        with pytest.raises(ValueError, match="a bag takes report"):
            pack(record, tmp_path / "no", key=key, clock=packed_at, reports=wrong)


def test_a_bag_of_a_record_without_sound_is_a_bag(
    small_record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    bag = pack(small_record, key=key, clock=packed_at, reports=reports)
    assert bagit.Bag(str(bag)).validate()
    assert read_record(bag / "data/record").entries == read_record(small_record).entries
    assert read_bag_info(bag / "bag-info.txt").value("Source-Organization") is None


def test_what_was_cut_off_is_packed_and_strangers_are_not(
    record: Path, key: ShopKey, clock: Clock, reports: dict[str, Path]
) -> None:
    with (record / "record.jsonl").open("ab") as log:
        log.write(b'{"half": ')
    RecordWriter.open(record, clock=clock).close()
    (record / "shopping.txt").write_text("milk")
    (record / "report.html").write_text("an old page")
    bag = pack(record, key=key, clock=packed_at, reports=reports)
    names = [path.removeprefix("data/record/") for path in content(bag) if "/record/" in path]
    assert "cut-off-0006.lost" in names
    assert "shopping.txt" not in names
    assert "report.html" not in names
    assert any("shopping.txt" in line for line in disclosure(read_record(record)))


def test_a_log_with_a_half_line_is_packed_as_it_is(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    with (record / "record.jsonl").open("ab") as log:
        log.write(b'{"half": ')
    bag = pack(record, key=key, clock=packed_at, reports=reports)
    assert content(bag / "data/record") == content(record)
    stated = read_statement((bag / "claim/statement.json").read_bytes())
    assert stated.chain_head == read_record(record).head


def test_a_broken_record_is_refused_with_its_own_sentence(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    log = record / "record.jsonl"
    log.write_bytes(log.read_bytes().replace(b"Coolant warm", b"Coolant cold"))
    with pytest.raises(RecordError, match="Line 5 of the record does not follow") as e:
        pack(record, key=key, clock=packed_at, reports=reports)
    with pytest.raises(RecordError) as own:
        read_record(record)
    assert str(e.value) == str(own.value)
    assert not record.with_name("van-42-claim").exists()


@pytest.mark.parametrize(
    ("harm", "fault"),
    [
        (lambda p: p.unlink(), "entry 2 names, is missing"),
        (lambda p: p.write_bytes(p.read_bytes()[:-1]), "entry 2 names, was changed"),
        (lambda p: p.write_bytes(b"\0" + p.read_bytes()[1:]), "entry 2 names, was changed"),
    ],
    ids=["missing", "cut", "changed"],
)
def test_no_shop_vouches_for_a_sound_file_that_is_not_what_was_recorded(
    record: Path,
    key: ShopKey,
    reports: dict[str, Path],
    harm: Callable[[Path], object],
    fault: str,
) -> None:
    harm(record / "audio" / "0001-c1-tailpipe-off.wav")
    with pytest.raises(RecordError, match=rf"0001-c1-tailpipe-off[.]wav, which {fault}"):
        pack(record, key=key, clock=packed_at, reports=reports)
    assert not list(record.parent.glob("*claim*"))


@pytest.mark.parametrize("kind", ["folder", "empty folder", "file", "link", "dangling link"])
def test_nothing_that_is_there_is_overwritten(
    record: Path, key: ShopKey, reports: dict[str, Path], tmp_path: Path, kind: str
) -> None:
    out = tmp_path / "out"
    match kind:
        case "folder" | "empty folder":
            out.mkdir()
            if kind == "folder":
                (out / "precious").write_text("x")
        case "file":
            out.write_text("x")
        case _:
            out.symlink_to(record if kind == "link" else "nowhere")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(RecordError, match="out is already there"):
        pack(record, out, key=key, clock=packed_at, reports=reports)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_bag_does_not_go_into_its_record(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    before = content(record)
    for out in (record / "bag", record / "audio" / ".." / "audio" / "bag"):
        with pytest.raises(RecordError, match="lies in the record itself"):
            pack(record, out, key=key, clock=packed_at, reports=reports)
    assert content(record) == before


def test_the_bag_goes_beside_the_record_from_within_it_too(
    record: Path, key: ShopKey, reports: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(record)
    bag = pack(Path(), key=key, clock=packed_at, reports=reports)
    assert bag.samefile(record.with_name("van-42-claim"))


def test_a_record_that_is_being_written_waits(
    record: Path, key: ShopKey, clock: Clock, reports: dict[str, Path]
) -> None:
    with (
        RecordWriter.open(record, clock=clock) as writer,
        pytest.raises(RecordError, match="is being written by another earwitness"),
    ):
        pack(record, key=key, clock=packed_at, reports=reports)
    writer.close()
    pack(record, key=key, clock=packed_at, reports=reports)


@pytest.mark.parametrize(
    ("name", "valid_elsewhere"),
    [
        ("0009-Zündung é 気筒.wav", True),
        ("0009 two  spaces.wav", True),
        ("-rf", True),
        (".0009-hidden.part", True),
        ("line\nbreak.wav", True),
        ("carriage\rreturn.wav", True),
        ("100%.wav", False),
        ("%0A.wav", False),
    ],
)
def test_a_stray_sound_file_of_any_name_is_packed(
    record: Path, key: ShopKey, reports: dict[str, Path], name: str, valid_elsewhere: bool
) -> None:
    """bagit 1.9 does not decode %25, which RFC 8493, section 2.1.3, asks for (from memory)."""
    (record / "audio" / name).write_bytes(b"abc")
    bag = pack(record, key=key, clock=packed_at, reports=reports)
    assert (bag / "data/record/audio" / name).read_bytes() == b"abc"
    listed = read_manifest(bag / "manifest-sha256.txt")
    assert listed.faults == ()
    assert set(listed.entries) == {p for p in list_files(bag).files if p.startswith("data/")}
    assert bagit.Bag(str(bag)).is_valid() == valid_elsewhere


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        (b"back\\slash.wav", "backslash"),
        (b"C:.wav", "colon"),
        (b"nul.wav", "names a device"),
        (b"end.", "full stop"),
        (b"bell\x07.wav", "control character"),
        (b"latin-\xfc.wav", "not UTF-8"),
        (b"0001-C1-TAILPIPE-OFF.WAV", "for one name"),
    ],
)
def test_a_stray_name_that_some_system_refuses_is_refused_first(
    record: Path, key: ShopKey, reports: dict[str, Path], name: bytes, fault: str
) -> None:
    (record / "audio" / os.fsdecode(name)).write_bytes(b"abc")
    with pytest.raises(RecordError, match=fault) as e:
        pack(record, key=key, clock=packed_at, reports=reports)
    assert str(e.value).isprintable()
    assert not list(record.parent.glob("*claim*"))


@pytest.mark.parametrize("what", ["audio/x.wav", "x.lost", "record.jsonl", "audio"])
def test_a_link_in_a_record_is_not_followed(
    record: Path, key: ShopKey, reports: dict[str, Path], tmp_path: Path, what: str
) -> None:
    secret = tmp_path / "secret"
    if (record / what).exists():
        (record / what).rename(secret)
    else:
        secret.write_text("secret")
    (record / what).symlink_to(secret)
    with pytest.raises(RecordError, match="is a link"):
        pack(record, key=key, clock=packed_at, reports=reports)
    assert not list(record.parent.glob("*claim*"))


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_what_is_no_file_among_the_sounds_is_refused(
    record: Path, key: ShopKey, reports: dict[str, Path], make: Callable[[Path], None]
) -> None:
    make(record / "audio" / "x")
    with pytest.raises(RecordError, match="is no file"):
        pack(record, key=key, clock=packed_at, reports=reports)


def test_a_missing_report_is_named(record: Path, key: ShopKey, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"gone.html does not exist"):
        pack(record, key=key, clock=packed_at, reports={"report.html": tmp_path / "gone.html"})
    assert not list(record.parent.glob(".*"))


@pytest.mark.parametrize("shop", ["A\nBagging-Date: 1999-01-01", "Zündkerze\u2028& Söhne", "  "])
def test_no_shop_name_adds_a_line_to_the_bag_info(
    tmp_path: Path, clock: Clock, opened: Body, key: ShopKey, reports: dict[str, Path], shop: str
) -> None:
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        begin(writer, opened, {"shop": shop})
    bag = pack(tmp_path / "r", key=key, clock=packed_at, reports=reports)
    info = read_bag_info(bag / "bag-info.txt")
    assert info.value("Bagging-Date") == "2026-03-05"
    assert [label for label, _ in info.fields].count("Bagging-Date") == 1
    assert info.faults == ()
    assert bagit.Bag(str(bag)).validate()


@contextmanager
def files_no_longer_than(size: int) -> Iterator[None]:
    """Let the system refuse longer files, as a full disk does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("size", [100, 1_000, 20_000, 50_000])
def test_a_full_disk_leaves_no_bag_and_the_record_untouched(
    record: Path, key: ShopKey, reports: dict[str, Path], size: int
) -> None:
    before = content(record)
    with files_no_longer_than(size), pytest.raises(StorageError, match="the disk is full") as e:
        pack(record, key=key, clock=packed_at, reports=reports)
    assert "the whole record is kept" in str(e.value)
    assert content(record) == before
    assert not list(record.parent.glob("*claim*"))
    pack(record, key=key, clock=packed_at, reports=reports)


def test_a_place_that_cannot_be_written_is_named(
    record: Path, key: ShopKey, reports: dict[str, Path], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "loop").symlink_to("loop")
    for out in (tmp_path / "file" / "bag", tmp_path / ("x" * 250), tmp_path / "loop" / "bag"):
        with pytest.raises(StorageError, match="The disk refused to pack"):
            pack(record, out, key=key, clock=packed_at, reports=reports)


KILL = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from earwitness.record.claim.make.bag import pack
from earwitness.record.claim.keys.shop_key import ShopKey

left, now = int(sys.argv[3]), datetime(2026, 3, 5, 1, 30, tzinfo=UTC)
def counted(name):
    real = getattr(os, name)
    def call(*args, **more):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **more)
    setattr(os, name, call)
for name in ("mkdir", "write", "fsync", "rename"):
    counted(name)
key = ShopKey(Ed25519PrivateKey.from_private_bytes(bytes(range(32))), now)
pack(Path(sys.argv[1]), key=key, clock=lambda: now, reports={"report.html": Path(sys.argv[2])})
print("done")
"""


@pytest.mark.slow
def test_a_kill_at_any_step_leaves_no_half_bag(
    record: Path, reports: dict[str, Path], tmp_path: Path, key: ShopKey
) -> None:
    """Killed before every fifth thing on disk; the next packing takes the remains away."""
    out, before = record.with_name("van-42-claim"), content(record)
    killed = 0
    for steps in range(0, 200, 5):
        run = subprocess.run(
            [sys.executable, "-c", KILL, record, reports["report.html"], str(steps)],
            capture_output=True,
            check=False,
        )
        assert content(record) == before
        if out.exists():
            break
        killed += 1
        assert run.returncode == -signal.SIGKILL
    assert killed > 8
    assert bagit.Bag(str(out)).validate()
    if not run.stdout:
        assert steps > 40
    assert not list(record.parent.glob(".*"))
    whole = pack(record, tmp_path / "whole", key=key, clock=packed_at, reports=reports)
    assert content(whole) == content(out)


def test_the_remains_of_a_kill_do_not_get_into_the_next_bag(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    remains = record.with_name(".van-42-claim.part")
    (remains / "data" / "record" / "audio").mkdir(parents=True)
    (remains / "data" / "record" / "audio" / "stale.wav").write_bytes(b"stale")
    (remains / "link").symlink_to(record)
    bag = pack(record, key=key, clock=packed_at, reports=reports)
    assert bagit.Bag(str(bag)).validate()
    assert not any("stale" in path for path in content(bag))
    assert not (bag / "link").is_symlink()
    assert (record / "record.jsonl").exists()


def test_two_packings_of_one_bag_do_not_mix(
    record: Path, key: ShopKey, reports: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second one begins in the middle of the first, and leaves it alone."""
    real, seen = bags.check_sounds, []

    def in_between(*args: object) -> None:
        monkeypatch.setattr(bags, "check_sounds", real)
        with pytest.raises(RecordError, match="is being packed by another earwitness"):
            pack(record, key=key, clock=packed_at, reports=reports)
        seen.append(args)

    monkeypatch.setattr(bags, "check_sounds", in_between)
    bag = pack(record, key=key, clock=packed_at, reports=reports)
    assert len(seen) == 1
    assert bagit.Bag(str(bag)).validate()


@pytest.mark.slow
def test_every_command_of_the_note_does_what_the_note_says(
    bag: Path, key: ShopKey, record: Path, tmp_path: Path
) -> None:
    """The indented lines of CHECKING.txt, run as they stand but for the folder of scraps."""
    note = (bag / "data/CHECKING.txt").read_text(encoding="utf-8")
    steps = re.split(r"\n(?=\d\. )", note.replace("/tmp/", f"{tmp_path}/"))[1:]  # noqa: S108
    told = []
    for step in steps:
        commands = "\n".join(line for line in step.splitlines() if line.startswith("    "))
        run = subprocess.run(
            ["bash", "-euc", commands], cwd=bag, capture_output=True, text=True, check=False
        )
        told.append((run.returncode, run.stdout.splitlines(), run.stderr))
    lines = [line for line in told[0][1] if line.endswith(": OK")]
    assert told[0] == (0, lines, "")
    assert len(lines) == len(content(bag)) - 1
    assert len(set(told[1][1])) == 1
    digest = told[2][1][0].split()[0]
    assert f'"manifest_sha256":"{digest}"' in told[2][1][1]
    assert told[3][:2] == (0, ["Signature Verified Successfully"])
    assert told[4][1][0].split()[0] == key.digest
    assert key.fingerprint in steps[4]
    assert told[5][1][0].split()[0] == read_record(record).head
    assert read_record(record).head in steps[5]
    assert len(told) == 9
    stated = json.loads((bag / "claim/statement.json").read_bytes())
    stated["entries"] += 1
    (bag / "claim/statement.json").write_text(json.dumps(stated, separators=(",", ":")))
    commands = "\n".join(line for line in steps[3].splitlines() if line.startswith("    "))
    forged = subprocess.run(["bash", "-euc", commands], cwd=bag, capture_output=True, check=False)
    assert forged.returncode != 0


@pytest.mark.slow
def test_the_note_lets_anybody_check_a_name(bag: Path, record: Path, tmp_path: Path) -> None:
    """Its last step, filled in with each name and run by the plainest shell."""
    note = (bag / "data/CHECKING.txt").read_text(encoding="utf-8")
    step = note.replace("/tmp/", f"{tmp_path}/").split("\n9. ")[1]  # noqa: S108
    identity = read_record(record).identity
    assert len(identity) == len(PEOPLE)
    for name, given in identity.items():
        salt = base64.b64encode(given.salt).decode()
        filled = step.replace("'vin'", f"'{name}'").replace("SALT", salt)
        commands = "\n".join(line for line in filled.splitlines() if line.startswith("    "))
        commands = commands.replace("VALUE", given.value)
        run = subprocess.run(["sh", "-euc", commands], cwd=bag, capture_output=True, check=True)
        digest, opening = run.stdout.decode().splitlines()
        assert json.loads(opening)["body"]["identity"][name] == digest.split()[0]


def test_what_a_bag_discloses_is_said_before(
    tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path]
) -> None:
    from earwitness.speech.dictation import Heard

    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        begin(writer, opened, PEOPLE)
        said = writer.add_audio(sound("okonjo-speaking.wav"), name="c1-said")
        writer.add_audio(sound("take.wav"), name="c1-tailpipe")
        heard = Heard(0.0, 0.4, "thirty four", 0.98, None, 34.0, "percent", False, False)
        writer.append("utterance", bodies.utterance_body(heard, cylinder=1, audio=said["path"]))
        reading = bodies.reading_body(1, "leakage", "34", "percent", origin="typed")
        kept = writer.append("reading", reading)
        writer.append("retraction", bodies.retraction_body(kept.seq, "misread"))
        writer.append("note", {"text": "Customer's dog was in the shop."})
    told = "\n".join(disclosure(read_record(tmp_path / "r")))
    for word in (*PEOPLE.values(), "voice", "1 sound file,", "1 recording of", "1 note", "okonjo"):
        assert word in told
    assert "7 entries" in told
    assert "from 2026-03-04 09:15 to 2026-03-04 09:15" in told
    assert "1 reading or take withdrawn" in told
    assert "signed, not locked" in told


# --- what a bag withholds ---


@pytest.mark.parametrize("withheld", [["customer"], ["shop", "complaint"], list(PEOPLE)])
def test_a_bag_holds_no_trace_of_what_it_withholds(
    record: Path, key: ShopKey, reports: dict[str, Path], withheld: list[str]
) -> None:
    """Neither value nor salt, as text, in base64 or in hexadecimal, in any file of it."""
    bag = pack(record, key=key, clock=packed_at, reports=reports, withhold=withheld)
    everything = b"\n".join(content(bag).values())
    identity = read_record(record).identity
    for name, given in identity.items():
        traces = [given.value.encode(), given.salt, base64.b64encode(given.salt)]
        traces.append(given.salt.hex().encode())
        assert any(trace in everything for trace in traces) == (name not in withheld)
        assert read_record(bag / "data/record").entries[0].body["identity"][name]
    assert bagit.Bag(str(bag)).validate()
    shop = read_bag_info(bag / "bag-info.txt").value("Source-Organization")
    assert shop == (None if "shop" in withheld else PEOPLE["shop"])
    assert (bag / "data/record/identity.json").exists() == (set(withheld) != set(PEOPLE))


def test_the_record_keeps_what_a_bag_withholds(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    before = content(record)
    pack(record, key=key, clock=packed_at, reports=reports, withhold=list(PEOPLE))
    assert content(record) == before


def test_names_that_are_not_those_recorded_are_not_packed(
    record: Path, key: ShopKey, reports: dict[str, Path]
) -> None:
    place = record / "identity.json"
    place.write_bytes(place.read_bytes().replace(b"Okonjo", b"Okonja"))
    with pytest.raises(RecordError, match="technician is not what was recorded"):
        pack(record, key=key, clock=packed_at, reports=reports)
    assert not record.with_name("van-42-claim").exists()


def test_what_withholding_does_not_cover_is_said(
    tmp_path: Path, clock: Clock, opened: Body, sound: Callable[..., Path]
) -> None:
    """A name that also stands in a note, in the label or in a sound file is told by them."""
    take = tmp_path / "bakery.wav"
    bext = Bext(originator="D. OKONJO", description="Cylinder 1")
    samples = np.zeros(4800, dtype=np.int16)
    write_broadcast_wav(take, samples, 48_000, subtype="PCM_16", bext=bext)
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        begin(writer, {**opened, "label": "Van of the marlow street BAKERY"}, PEOPLE)
        writer.add_audio(take, name="c1")
        writer.append("note", {"text": "Marlow Street Bakery wants it back on Friday."})
    record = read_record(tmp_path / "r")
    told = "\n".join(disclosure(record, ["customer", "technician"]))
    assert "NOT withheld: the customer also stands in entries 1, 3." in told
    assert "Withheld, each known only by a salted digest: technician, customer." in told
    assert "Voices in the recordings, notes, the label and names of files are packed" in told
    assert "Written inside the sound files: D. OKONJO, Cylinder 1." in told
    assert "Label, engine and run sheet as entered: Van of the marlow street BAKERY" in told
    named = "Names and particulars as entered: shop Kettle Creek Engine Works."
    assert named in told
    assert "NOT withheld" not in "\n".join(disclosure(record, ["shop"]))


def test_nothing_is_said_of_what_is_not_there(small_record: Path) -> None:
    told = "\n".join(disclosure(read_record(small_record)))
    for word in ("voice", "complaint", "Names", "note,", "withdrawn", "Not packed"):
        assert word not in told
    assert "6 entries" in told
