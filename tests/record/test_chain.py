"""The chain: a log that was touched says where."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.errors import RecordError
from earwitness.record.canonical import canonical_bytes
from earwitness.record.chain import GENESIS, check, line_of, link
from earwitness.record.durable import copy_bytes

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def lines(small_record: Path) -> list[bytes]:
    return (small_record / "record.jsonl").read_bytes().splitlines()


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_digests_of_files_are_sha_256(message: bytes, digest: str, tmp_path: Path) -> None:
    """FIPS 180-4 example messages."""
    source = tmp_path / "message"
    source.write_bytes(message)
    assert copy_bytes(source, tmp_path / "copy") == (digest, len(message))
    assert (tmp_path / "copy").read_bytes() == message


def test_a_link_is_sha_256_over_the_prefixed_line() -> None:
    """SHA-256 by hashlib, written out by hand; a bare digest of the line is no link."""
    line = b'{"seq":1}'
    assert link(line) == hashlib.sha256(b"earwitness.entry/1\x00" + line).hexdigest()
    assert link(line) != hashlib.sha256(line).hexdigest()


def test_an_untouched_log_is_read_as_written(lines: list[bytes]) -> None:
    entries = check(lines, head=link(lines[-1]))
    assert [e.seq for e in entries] == list(range(1, 7))
    assert entries[0].prev == GENESIS
    assert [line_of(e) for e in entries] == lines


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
@given(data=st.data())
def test_a_flipped_bit_is_found_and_named(lines: list[bytes], data: st.DataObject) -> None:
    number = data.draw(st.integers(0, len(lines) - 1))
    place = data.draw(st.integers(0, len(lines[number]) - 1))
    bit = data.draw(st.integers(0, 7))
    touched = bytearray(lines[number])
    touched[place] ^= 1 << bit
    with pytest.raises(RecordError) as e:
        check([*lines[:number], bytes(touched), *lines[number + 1 :]], head=link(lines[-1]))
    named = (f"ine {number + 1} ", f"ine {number + 2} ", "chain head")
    assert any(name in e.value.fault for name in named)


@pytest.mark.parametrize("dropped", range(5))
def test_a_dropped_line_is_found(lines: list[bytes], dropped: int) -> None:
    with pytest.raises(RecordError, match=f"Line {dropped + 1} .* missing, moved or repeated"):
        check(lines[:dropped] + lines[dropped + 1 :])


def test_a_dropped_line_is_found_when_the_rest_is_renumbered(lines: list[bytes]) -> None:
    later = json.loads(lines[3])
    later["seq"] = 3
    with pytest.raises(RecordError, match=r"Line 3 .* does not follow from line 2"):
        check([*lines[:2], canonical_bytes(later)])


def test_exchanged_lines_are_found(lines: list[bytes]) -> None:
    with pytest.raises(RecordError, match=r"Line 2 .* says it is entry 3"):
        check([lines[0], lines[2], lines[1], *lines[3:]])


def test_a_repeated_line_is_found(lines: list[bytes]) -> None:
    with pytest.raises(RecordError, match=r"Line 4 .* says it is entry 3"):
        check([*lines[:3], lines[2], *lines[3:]])


@pytest.mark.parametrize("kept", range(6))
def test_lines_cut_off_at_the_end_show_against_the_head(lines: list[bytes], kept: int) -> None:
    """Without the head they cannot show: what is left is a sound, shorter log."""
    assert len(check(lines[:kept])) == kept
    with pytest.raises(RecordError, match=f"ends at line {kept} .* cut off"):
        check(lines[:kept], head=link(lines[-1]))


def test_a_line_from_another_record_is_found(lines: list[bytes]) -> None:
    other = json.loads(lines[2])
    other["prev"] = link(b"another line")
    with pytest.raises(RecordError, match=r"Line 3 .* does not follow from line 2"):
        check([*lines[:2], canonical_bytes(other), *lines[3:]])


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"not json", "it is not JSON"),
        (b"", "it is not JSON"),
        (b"\xff\xfe", "it is not JSON"),
        (b"[" * 100_000, "it is not JSON"),
        (b"9" * 5_000, "it is not JSON"),
        (b"[]", "not a JSON object"),
        (b"{}", "other fields"),
        (b'{"a": 1}', "not canonical JSON"),
        (b'{"a":1,"a":1}', "not canonical JSON"),
        (b'{"a":1e400}', "a value no record keeps"),
        (b'{"a":' + b"9" * 400 + b"}", "a value no record keeps"),
        (b'{"a":NaN}', "a value no record keeps"),
        (b'{"a":9007199254740993}', "not canonical JSON"),
    ],
)
def test_a_damaged_line_is_named(line: bytes, fault: str) -> None:
    with pytest.raises(RecordError, match=f"Line 1 of the record .*{fault}"):
        check([line])


@pytest.mark.parametrize(
    ("field", "value", "fault"),
    [
        ("seq", True, "entries are missing"),
        ("seq", "1", "entries are missing"),
        ("time", "yesterday", "no valid time"),
        ("time", 5, "no valid time"),
        ("kind", "Opened!", "no valid kind"),
        ("kind", None, "no valid kind"),
        ("body", [], "a body that is not a JSON object"),
        ("prev", "1" * 64, "does not follow"),
    ],
)
def test_a_wrong_field_is_named(lines: list[bytes], field: str, value: object, fault: str) -> None:
    first = json.loads(lines[0])
    first[field] = value
    with pytest.raises(RecordError, match=f"Line 1 .*{fault}"):
        check([canonical_bytes(first)])
