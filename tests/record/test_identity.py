"""Names kept apart from the log: what their digests show, and what they hide."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from earwitness.errors import RecordError, StorageError
from earwitness.record import durable, model
from earwitness.record.identity import (
    FIELDS,
    IDENTITY,
    PEOPLE,
    Salted,
    digest_of,
    digests_of,
    disagreements,
    identity_bytes,
    identity_in,
    in_order,
    read_identity,
    salted,
    stated_digests,
    without,
)
from earwitness.record.reader import read_record
from earwitness.record.store import RecordWriter

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.chain import Body
    from earwitness.record.moment import Clock

VALUES = {
    "shop": "Kettle Creek Engine Works",
    "customer": "Söhne & Co",
    "vin": "1M8GDM9AXKP042788",
    "engine_id": "Van 42",
}
TEXTS = st.dictionaries(st.sampled_from(FIELDS), st.text(max_size=30), max_size=6).filter(
    lambda d: all(_is_utf8(v) for v in d.values())
)


def _is_utf8(text: str) -> bool:
    return not any("\ud800" <= c <= "\udfff" for c in text)


@pytest.fixture
def identity() -> dict[str, Salted]:
    return salted(VALUES, np.random.default_rng(4).bytes)


def test_a_digest_is_sha_256_over_four_parts_each_after_its_length() -> None:
    """Worked out here from FIPS 180-4 and the encoding that decision 0080 describes."""
    salt = bytes(range(32))
    message = (
        b"\0\0\0\0\0\0\0\x15earwitness.identity/1"
        b"\0\0\0\0\0\0\0\x20" + salt + b"\0\0\0\0\0\0\0\x03vin\0\0\0\0\0\0\0\x05W\xc3\xb6 1"
    )
    assert digest_of("vin", Salted("W\u00f6 1", salt)) == hashlib.sha256(message).hexdigest()


def test_an_accent_has_one_digest_however_it_is_spelt() -> None:
    """Unicode form NFC (UAX 15) of both spellings is the same text."""
    made = [salted({"customer": text}, bytes) for text in ("S\u00f6hne", "So\u0308hne")]
    assert made[0] == made[1]
    assert digests_of(made[0]) == digests_of(made[1])


def test_every_field_has_a_salt_of_its_own(identity: dict[str, Salted]) -> None:
    assert len({one.salt for one in identity.values()}) == len(VALUES)
    assert all(len(one.salt) == 32 for one in identity.values())


def test_the_same_value_twice_does_not_show() -> None:
    made = salted({"shop": "Same", "customer": "Same"}, np.random.default_rng(1).bytes)
    assert len(set(digests_of(made).values())) == 2
    again = salted({"shop": "Same"}, np.random.default_rng(2).bytes)
    assert digests_of(again)["shop"] != digests_of(made)["shop"]


def test_blank_values_are_left_out() -> None:
    assert list(salted({"shop": " \t", "customer": "", "vin": "X"}, bytes)) == ["vin"]


def test_a_name_or_salt_of_another_form_is_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="owner"):
        salted({"owner": "x"}, bytes)
    with pytest.raises(ValueError, match="32 bytes"):
        salted({"shop": "x"}, lambda _: b"short")


def test_a_guess_without_the_salt_confirms_nothing(identity: dict[str, Salted]) -> None:
    """Whoever knows the VIN, all other salts and values still cannot tell whether it is this one.

    Every digest that can be built from what a bag without the VIN holds is other than its own.
    """
    there = digest_of("vin", identity["vin"])
    rest = without(identity, ["vin"])
    known_salts = [one.salt for one in rest.values()]
    guesses = [b"", bytes(32), b"\xff" * 32, bytes.fromhex(there), *known_salts]
    guesses += [bytes.fromhex(d) for d in digests_of(identity).values()]
    guesses += [hashlib.sha256(salt).digest() for salt in known_salts]
    guesses += [bytes(x ^ y for x, y in zip(a, b, strict=True)) for a, b in
                itertools.combinations(known_salts, 2)]  # fmt: skip
    assert there not in {digest_of("vin", Salted(VALUES["vin"], salt)) for salt in guesses}
    assert there not in {hashlib.sha256(VALUES["vin"].encode()).hexdigest()}
    assert there == digest_of("vin", identity["vin"])


def test_a_salt_and_value_show_nothing_under_another_name(identity: dict[str, Salted]) -> None:
    assert digest_of("customer", identity["vin"]) != digest_of("vin", identity["vin"])


@given(TEXTS)
def test_what_is_written_comes_back(values: dict[str, str]) -> None:
    made = salted(values, np.random.default_rng(9).bytes)
    if made:
        assert read_identity(identity_bytes(made)) == made
        assert list(disagreements(digests_of(made), made)) == []


def test_the_file_is_canonical_json_with_base64_salts(identity: dict[str, Salted]) -> None:
    data = identity_bytes(identity)
    fields = json.loads(data)["fields"]
    assert rfc8785.dumps(json.loads(data)) == data
    assert fields["vin"]["value"] == VALUES["vin"]
    assert base64.b64decode(fields["vin"]["salt"]) == identity["vin"].salt


@pytest.mark.parametrize("change", [
    lambda d: d + b"\n",
    lambda d: d.replace(b"identity/1", b"identity/2"),
    lambda d: d.replace(b'"value":"Van 42"', b'"value":""'),
    lambda d: d.replace(b'"value":"Van 42"', b'"value":42'),
    lambda d: d.replace("ö".encode(), "o\u0308".encode()),
    lambda d: d.replace(b'"engine_id"', b'"Engine"'),
    lambda d: d.replace(b'"salt":"', b'"salt":"A'),
    lambda d: d.replace(b'"salt"', b'"salz"'),
    lambda _: b'{"fields":{},"schema":"earwitness.identity/1"}',
    lambda _: b'{"fields":{"vin":{"salt":"","value":"x"}},"schema":"earwitness.identity/1"}',
    lambda _: b"",
    lambda _: b"[]",
    lambda _: b"\xff",
    lambda _: b"[" * 100_000,
])  # fmt: skip
def test_any_other_bytes_are_refused(identity: dict[str, Salted], change: object) -> None:
    with pytest.raises(RecordError, match=r"identity\.json is (damaged|not written)"):
        read_identity(change(identity_bytes(identity)))  # type: ignore[operator]


@pytest.mark.parametrize("stated", [
    [], {"VIN": "0" * 64}, {"vin": "0" * 63}, {"vin": "A" * 64}, {"vin": 1}, {"vin": None},
])  # fmt: skip
def test_digests_of_another_form_are_refused(stated: object) -> None:
    with pytest.raises(RecordError, match="identity"):
        stated_digests({"identity": stated})


def test_a_record_without_names_states_no_digest() -> None:
    assert stated_digests({}) == {}


def test_names_come_in_the_order_people_tell_them() -> None:
    assert in_order(["zeta", "vin", "customer", "shop"]) == ("shop", "customer", "vin", "zeta")
    assert set(PEOPLE) < set(FIELDS)


# --- in a record ---


@pytest.fixture
def record(tmp_path: Path, clock: Clock, opened: Body, identity: dict[str, Salted]) -> Path:
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        writer.begin({**opened, "identity": digests_of(identity)}, identity)
        writer.append("closed", {})
    return tmp_path / "r"


def test_the_log_holds_digests_and_no_value(record: Path) -> None:
    log = (record / "record.jsonl").read_bytes()
    assert not [value for value in VALUES.values() if value.encode() in log]
    assert model.inspection(read_record(record)).identity.values == VALUES


def test_without_the_file_every_value_reads_as_withheld(record: Path) -> None:
    before = read_record(record)
    (record / IDENTITY).unlink()
    after = read_record(record)
    told = model.inspection(after)
    assert (after.head, after.lost) == (before.head, None)
    assert told.identity.values == {}
    assert told.identity.withheld == ("shop", "customer", "vin", "engine_id")
    assert told.identity.get("vin") is None


def test_a_wrong_value_is_said_and_reads_as_withheld(record: Path) -> None:
    place = record / IDENTITY
    place.write_bytes(place.read_bytes().replace(b"Van 42", b"Van 43"))
    told = model.inspection(read_record(record))
    assert told.identity.withheld == ("engine_id",)
    assert told.lost == "identity.json: engine_id is not what was recorded."


def test_a_damaged_file_is_said_and_takes_nothing_else_away(record: Path) -> None:
    (record / IDENTITY).write_bytes(b"{}")
    told = model.inspection(read_record(record))
    assert told.entries == 2
    assert len(told.identity.withheld) == 4
    assert "identity.json is damaged" in str(told.lost)


def test_a_file_that_cannot_be_read_is_said(record: Path) -> None:
    (record / IDENTITY).unlink()
    (record / IDENTITY).mkdir()
    identity, faults = identity_in(record, {})
    assert identity == {}
    assert faults == ("identity.json cannot be read (Is a directory).",)


def test_a_value_that_was_never_recorded_is_said(
    tmp_path: Path, clock: Clock, opened: Body, identity: dict[str, Salted]
) -> None:
    with RecordWriter.create(tmp_path / "bare", clock=clock) as writer:
        writer.begin(opened, {})
    assert not (tmp_path / "bare" / IDENTITY).exists()
    (tmp_path / "bare" / IDENTITY).write_bytes(identity_bytes(identity))
    told = model.inspection(read_record(tmp_path / "bare"))
    assert told.identity.values == {}
    assert "vin is given, but the record names none" in str(told.lost)


def test_names_are_on_disk_before_the_entry_that_states_their_digests(
    tmp_path: Path,
    clock: Clock,
    opened: Body,
    identity: dict[str, Salted],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whoever reads an acknowledged first entry finds its values, whatever was killed when."""
    real, seen = durable.write_all, []

    def watched(fd: int, data: bytes) -> None:
        here = (tmp_path / "r" / IDENTITY).exists()
        seen.append((b'"opened"' in data, here))
        real(fd, data)

    monkeypatch.setattr(durable, "write_all", watched)
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        writer.begin({**opened, "identity": digests_of(identity)}, identity)
    assert seen == [(False, False), (True, True)]


def test_a_full_disk_acknowledges_nothing_and_leaves_no_part(
    tmp_path: Path,
    clock: Clock,
    opened: Body,
    identity: dict[str, Salted],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import errno

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    body = {**opened, "identity": digests_of(identity)}
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        with monkeypatch.context() as patch:
            patch.setattr(durable, "write_all", full)
            with pytest.raises(StorageError, match="the disk is full"):
                writer.begin(body, identity)
        assert writer.entries == 0
        assert sorted(p.name for p in (tmp_path / "r").iterdir()) == ["audio", "record.jsonl"]
        assert writer.begin(body, identity).seq == 1


def test_a_second_beginning_replaces_names_of_a_first_that_was_cut_short(
    tmp_path: Path, clock: Clock, opened: Body, identity: dict[str, Salted]
) -> None:
    RecordWriter.create(tmp_path / "r", clock=clock).close()
    (tmp_path / "r" / IDENTITY).write_bytes(b"left by a kill")
    with RecordWriter.open(tmp_path / "r", clock=clock) as writer:
        writer.begin(opened, {})
    assert not (tmp_path / "r" / IDENTITY).exists()


def test_a_record_is_begun_once_and_by_what_its_entry_states(
    tmp_path: Path, clock: Clock, opened: Body, identity: dict[str, Salted]
) -> None:
    with RecordWriter.create(tmp_path / "r", clock=clock) as writer:
        with pytest.raises(ValueError, match="same identity"):
            writer.begin(opened, identity)
        writer.begin(opened, {})
        with pytest.raises(ValueError, match="begun once"):
            writer.begin(opened, {})
