"""Time stamps by an authority elsewhere: asked for, put in, and held to statement and authority.

The authority is openssl's (`openssl ts`, RFC 3161), so requests and answers are read and written by
another program too.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import bagit
import pytest

from authority import Authority, make_authority
from earwitness.errors import RecordError
from earwitness.record.claim.check.verify import verify
from earwitness.record.claim.make.stamping import add_timestamp, request_timestamp
from earwitness.record.claim.manifest import read_manifest
from earwitness.record.claim.timestamp import (
    TOKEN_BYTES,
    check_authority,
    read_stamp,
    request_for,
)
from small_bay import refusal
from tampering.small_bag import make_bag

if TYPE_CHECKING:
    from click.testing import Result

STAND_ALONE = Path(__file__).parents[3] / "tools" / "verify_bag.py"
STATEMENT = "claim/statement.json"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return make_authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def other_authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return make_authority(tmp_path_factory.mktemp("other"))


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return make_bag(tmp_path / "bag")


@pytest.fixture(scope="module")
def answer(authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """An answer over the letter x."""
    place = tmp_path_factory.mktemp("x") / "x"
    place.write_bytes(b"x")
    return authority.stamp(place).read_bytes()


def files(folder: Path) -> dict[str, bytes]:
    paths = (p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in paths}


def test_openssl_reads_the_request_as_one_for_these_very_bytes(tmp_path: Path) -> None:
    """SHA-256 of the bytes, the wish for a certificate, no nonce: RFC 3161, section 2.4.1."""
    (tmp_path / "q").write_bytes(request_for(b"abc"))
    words = ["openssl", "ts", "-query", "-in", tmp_path / "q", "-text"]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    # FIPS 180-4, example of SHA-256 of "abc": ba7816bf 8f01cfea ...
    assert "Hash Algorithm: sha256" in told
    assert "ba 78 16 bf 8f 01 cf ea" in told.replace("-", " ")
    assert "Certificate required: yes" in told
    assert "Nonce: unspecified" in told
    assert request_for(b"abc") == request_for(b"abc")


@pytest.mark.slow
def test_asked_answered_put_in_and_checked(bag: Path, tmp_path: Path, authority: Authority) -> None:
    """The whole way, and openssl finds the answer in the bag as true as we do."""
    before = files(bag)
    request_timestamp(bag, tmp_path / "bag.tsq")
    stamp = add_timestamp(
        bag, authority.answer(tmp_path / "bag.tsq"), authority=authority.certificate.read_bytes()
    )
    assert abs((stamp.time - datetime.now(UTC)).total_seconds()) < 600  # noqa: TID251
    after = files(bag)
    assert after.pop("claim/timestamp.tsr") == stamp.answer
    assert {p for p in after if after[p] != before[p]} == {"tagmanifest-sha256.txt"}
    assert bagit.Bag(str(bag)).validate()
    assert read_manifest(bag / "tagmanifest-sha256.txt").faults == ()
    words = f"openssl ts -verify -data {STATEMENT} -in claim/timestamp.tsr -CAfile".split()
    ran = subprocess.run([*words, authority.certificate], cwd=bag, capture_output=True, check=True)
    assert b"Verification: OK" in ran.stdout + ran.stderr
    found = verify(bag, authority=authority.certificate.read_bytes())
    assert found.sound
    assert "by the clock of the authority whose certificate you gave" in " ".join(found.facts)
    assert "if its authority says so" in " ".join(verify(bag).facts)
    assert subprocess.run([sys.executable, STAND_ALONE, bag], check=False).returncode == 0
    with pytest.raises(RecordError, match="already has a time stamp"):
        add_timestamp(bag, tmp_path / "bag.tsr")


@pytest.mark.slow
def test_another_authority_did_not_sign_it(
    bag: Path, authority: Authority, other_authority: Authority
) -> None:
    answer, other = authority.stamp(bag / STATEMENT), other_authority.certificate.read_bytes()
    with pytest.raises(RecordError, match="not signed by the authority"):
        add_timestamp(bag, answer, authority=other)
    assert not (bag / "claim/timestamp.tsr").exists()
    add_timestamp(bag, answer)
    assert verify(bag).sound
    assert [d.kind for d in verify(bag, authority=other).defects] == ["timestamp-unsigned"]


@pytest.mark.parametrize("digest", ["sha256", "sha512"])
def test_longer_digests_are_taken_too(authority: Authority, tmp_path: Path, digest: str) -> None:
    (tmp_path / "s").write_bytes(b"statement")
    stamp = read_stamp(authority.stamp(tmp_path / "s", digest=digest).read_bytes())
    assert (stamp.algorithm, stamp.imprint) == (
        digest, hashlib.new(digest, b"statement").digest(),
    )  # fmt: skip
    assert stamp.speaks_of(b"statement")
    assert not stamp.speaks_of(b"statement ")
    check_authority(stamp, authority.certificate.read_bytes())


def test_a_broken_digest_is_not_taken(authority: Authority, tmp_path: Path) -> None:
    """SHA-1 collides (Stevens et al. 2017, from memory): it says nothing of these bytes."""
    (tmp_path / "s").write_bytes(b"statement")
    answer = authority.stamp(tmp_path / "s", digest="sha1").read_bytes()
    with pytest.raises(RecordError, match="another digest"):
        read_stamp(answer)


def test_a_refusal_is_told_as_one() -> None:
    with pytest.raises(RecordError, match="refused the time stamp"):
        read_stamp(bytes.fromhex("30053003020102"))


def test_no_damage_is_taken_for_a_time_stamp_of_another_time(
    answer: bytes, authority: Authority
) -> None:
    """Every byte is changed once: an error in plain words, or the same time of the same bytes."""
    true, certificate = read_stamp(answer), authority.certificate.read_bytes()
    for at in range(0, len(answer), 3):
        changed = bytearray(answer)
        changed[at] ^= 0x15
        try:
            stamp = read_stamp(bytes(changed))
            check_authority(stamp, certificate)
        except RecordError:
            continue
        assert (stamp.time, stamp.imprint) == (true.time, true.imprint), at


def test_a_time_stamp_cut_short_or_too_long_is_none(answer: bytes) -> None:
    for damaged in (b"", answer[:-1], answer[:100], answer + bytes(TOKEN_BYTES)):
        with pytest.raises(RecordError, match="The time stamp"):
            read_stamp(damaged)


def test_what_is_no_certificate_is_said(answer: bytes) -> None:
    with pytest.raises(RecordError, match="no certificate in PEM"):
        check_authority(read_stamp(answer), b"hello")


@pytest.mark.slow
def test_a_time_stamp_over_something_else_is_refused(
    bag: Path, answer: bytes, tmp_path: Path
) -> None:
    before = files(bag)
    (tmp_path / "x.tsr").write_bytes(answer)
    (tmp_path / "none.tsr").write_bytes(b"\x30" * 200)
    for name, why in {
        "x.tsr": "is no time stamp over this statement",
        "none.tsr": "no answer by RFC 3161",
        "gone.tsr": "cannot be read",
        ".": "cannot be read",
    }.items():
        with pytest.raises(RecordError, match=why):
            add_timestamp(bag, tmp_path / name)
    assert files(bag) == before


@pytest.mark.slow
def test_the_command_asks_and_puts_in(bag: Path, tmp_path: Path, authority: Authority) -> None:
    from typer.testing import CliRunner

    from earwitness.cli.main import app

    def run(*words: object) -> Result:
        return CliRunner().invoke(app, [str(w) for w in words])

    request, trusted = tmp_path / "bag.tsq", ("--authority", authority.certificate)
    asked = run("timestamp", bag, "--request", request, "--json")
    assert json.loads(asked.stdout) == {
        "schema": "earwitness.timestamp/1", "request": str(request), "time": None,
    }  # fmt: skip
    answer = authority.answer(request)
    put = run("timestamp", bag, "--add", answer, *trusted, "--json")
    assert json.loads(put.stdout)["time"] == read_stamp(answer.read_bytes()).time.isoformat()
    checked = run("verify", bag, *trusted)
    assert "by the clock of the authority" in " ".join(checked.stdout.split())
    for words in ([], ["--request", request, "--add", answer]):
        assert "takes either --request or --add" in refusal(run("timestamp", bag, *words))
    assert "already there" in refusal(run("timestamp", bag, "--request", request))
    gone = refusal(run("verify", bag, "--authority", tmp_path / "gone.pem"))
    assert "cannot be read" in gone
    assert "cannot be read" in refusal(run("timestamp", tmp_path, "--request", tmp_path / "q"))
