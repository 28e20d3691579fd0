"""The statement, its encoding, and the signature under it."""

from __future__ import annotations

import base64
import hashlib
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given
from hypothesis import strategies as st

from earwitness.errors import RecordError
from earwitness.record.canonical import length_prefixed
from earwitness.record.claim import statement as claim
from earwitness.record.claim.statement import Statement

RFC_8032 = {
    "TEST 1": (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e3970"
            "1cf9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    "TEST 2": (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613"
            "d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    "TEST 3": (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760"
            "984dc6594a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
}
"""Secret key, public key, message, signature. RFC 8032, section 7.1, seen in a secondary copy."""

ORDER = 2**252 + 27742317777372353535851937790883648493
"""Order of the base point. RFC 8032, section 5.1."""
STATED = Statement(
    chain_head="a" * 64,
    entries=12,
    manifest_sha256="b" * 64,
    packed_at=datetime(2026, 3, 4, 9, 15, tzinfo=UTC),
    program="earwitness 1.2",
    key="c" * 64,
)


@pytest.fixture
def key() -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


@pytest.mark.parametrize("name", RFC_8032)
def test_the_signature_is_ed25519(name: str) -> None:
    """Against RFC 8032: the message is signed as it is, without a hash before."""
    secret, public, message, signature = (bytes.fromhex(x) for x in RFC_8032[name])
    private = Ed25519PrivateKey.from_private_bytes(secret)
    assert private.public_key().public_bytes_raw() == public
    assert private.sign(message) == signature


@pytest.mark.parametrize("name", RFC_8032)
def test_what_is_signed_is_the_typed_encoding_and_nothing_else(name: str) -> None:
    """The RFC's own keys, and the encoding written out by hand: 18 letters of type, 2 of body."""
    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC_8032[name][0]))
    by_hand = b"\0\0\0\0\0\0\0\x12earwitness.claim/1\0\0\0\0\0\0\0\x02{}"
    assert claim.sign(private, b"{}") == private.sign(by_hand)
    assert claim.sign(private, b"{}") != private.sign(b"{}")
    claim.check(private.public_key(), b"{}", private.sign(by_hand))


PARTS = st.lists(st.binary(max_size=12), max_size=5)


@given(PARTS, PARTS)
def test_no_two_lists_of_parts_encode_alike(one: list[bytes], two: list[bytes]) -> None:
    assert (length_prefixed(one) == length_prefixed(two)) == (one == two)


@given(PARTS, st.data())
def test_parts_cut_elsewhere_encode_otherwise(parts: list[bytes], data: st.DataObject) -> None:
    """The same letters, other borders: joining without lengths would make them one message."""
    letters = b"".join(parts)
    borders = sorted(data.draw(st.lists(st.integers(0, len(letters)), max_size=4)))
    other = [letters[a:b] for a, b in zip([0, *borders], [*borders, len(letters)], strict=True)]
    assert (length_prefixed(other) == length_prefixed(parts)) == (other == parts)


@given(PARTS)
def test_an_encoding_is_read_back_by_its_lengths(parts: list[bytes]) -> None:
    rest, read = length_prefixed(parts), []
    while rest:
        size = int.from_bytes(rest[:8], "big")
        read.append(rest[8 : 8 + size])
        rest = rest[8 + size :]
    assert read == parts


def test_a_statement_is_canonical_json_with_these_fields() -> None:
    """RFC 8785, section 3.2.3: names sorted, no spaces; written out by hand."""
    assert claim.statement_bytes(STATED) == (
        b'{"chain_head":"' + b"a" * 64 + b'","entries":12,"key":"' + b"c" * 64 + b'",'
        b'"manifest_sha256":"' + b"b" * 64 + b'","packed_at":"2026-03-04T09:15:00.000000Z",'
        b'"program":"earwitness 1.2","schema":"earwitness.claim/1"}'
    )


def test_a_statement_is_read_back() -> None:
    assert claim.read_statement(claim.statement_bytes(STATED)) == STATED


@pytest.mark.parametrize("entries", [0, -1])
def test_a_statement_about_nothing_is_not_written(entries: int) -> None:
    with pytest.raises(ValueError, match="not a statement"):
        claim.statement_bytes(Statement("a" * 64, entries, "b" * 64, STATED.packed_at, "p", "c"))


def changed(**fields: object) -> bytes:
    values = json.loads(claim.statement_bytes(STATED))
    values.update(fields)
    kept = {k: v for k, v in values.items() if v is not None}
    return json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (b"", "damaged"),
        (b"\xff", "damaged"),
        (b"[" * 100_000, "damaged"),
        (b'{"entries":NaN}', "damaged"),
        (b"[]", "not one canonical JSON object"),
        (changed() + b"\n", "rewritten"),
        (changed().replace(b":12", b": 12"), "rewritten"),
        (changed().replace(b":12", b":12.0"), "rewritten"),
        (changed().replace(b'{"chain', b'{"chain_head":"x","chain'), "rewritten"),
        (changed(schema="earwitness.claim/2"), "written as earwitness.claim/2"),
        (changed(schema="earwitness.rotation/1"), "schema is 'earwitness.rotation/1'"),
        (changed(schema=None), "schema is None"),
        (changed(extra=1), "other fields"),
        (changed(program=None), "other fields"),
        (changed(entries=True), "not of its form"),
        (changed(entries="12"), "not of its form"),
        (changed(entries=0), "not of its form"),
        (changed(key="C" * 64), "not of its form"),
        (changed(key=["c"]), "not of its form"),
        (changed(chain_head="a" * 63), "not of its form"),
        (changed(packed_at="yesterday"), "not of its form"),
        (changed(packed_at="2026-03-04T10:15:00+01:00"), "not written the one way"),
    ],
)
def test_anything_else_is_no_statement(data: bytes, fault: str) -> None:
    with pytest.raises(RecordError, match=fault):
        claim.read_statement(data)


def test_a_statement_is_in_universal_time_wherever_it_was_made() -> None:
    here = STATED.packed_at.astimezone(timezone(timedelta(hours=5, minutes=45)))
    there = Statement("a" * 64, 12, "b" * 64, here, "earwitness 1.2", "c" * 64)
    assert claim.statement_bytes(there) == claim.statement_bytes(STATED)


def test_a_signature_holds_for_these_bytes_and_this_key_only(key: Ed25519PrivateKey) -> None:
    data = claim.statement_bytes(STATED)
    signature = claim.sign(key, data)
    claim.check(key.public_key(), data, signature)
    another = Ed25519PrivateKey.from_private_bytes(bytes(32)).public_key()
    for public, stated, kind in (
        (another, data, claim.SCHEMA),
        (key.public_key(), changed(entries=13), claim.SCHEMA),
        (key.public_key(), data, "earwitness.rotation/1"),
    ):
        with pytest.raises(RecordError, match="does not belong"):
            claim.check(public, stated, signature, schema=kind)


@given(st.integers(0, 511))
def test_every_bit_of_a_signature_counts(bit: int) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    data = claim.statement_bytes(STATED)
    signature = bytearray(claim.sign(key, data))
    signature[bit // 8] ^= 1 << bit % 8
    with pytest.raises(RecordError, match="does not belong"):
        claim.check(key.public_key(), data, bytes(signature))


def test_a_signature_cannot_be_written_a_second_way(key: Ed25519PrivateKey) -> None:
    """RFC 8032, section 8.4: S plus the order of the base point must be refused."""
    data = claim.statement_bytes(STATED)
    signature = claim.sign(key, data)
    other = int.from_bytes(signature[32:], "little") + ORDER
    with pytest.raises(RecordError, match="does not belong"):
        claim.check(key.public_key(), data, signature[:32] + other.to_bytes(32, "little"))


@pytest.mark.parametrize("size", [0, 63, 65, 128])
def test_a_signature_has_64_bytes(key: Ed25519PrivateKey, size: int) -> None:
    signature = (claim.sign(key, b"{}") * 2)[:size]
    with pytest.raises(RecordError, match=f"is {size} bytes long, not 64"):
        claim.check(key.public_key(), b"{}", signature)


def test_a_true_signature_under_bytes_that_are_not_canonical_is_refused(
    key: Ed25519PrivateKey,
) -> None:
    loose = b'{ "schema": "earwitness.claim/1" }'
    with pytest.raises(RecordError, match="rewritten"):
        claim.check(key.public_key(), loose, claim.sign(key, loose))


def test_a_signature_is_kept_as_88_characters_and_a_line_feed(key: Ed25519PrivateKey) -> None:
    signature = claim.sign(key, b"{}")
    text = claim.signature_text(signature)
    assert (len(text), text[-1:]) == (89, b"\n")
    assert base64.b64decode(text) == signature
    assert claim.read_signature(text) == signature


@pytest.mark.parametrize("damage", ["cut", "no line feed", "crlf", "space", "bits", "long"])
def test_a_signature_kept_any_other_way_is_refused(key: Ed25519PrivateKey, damage: str) -> None:
    """The last character of the base64 of 64 bytes leaves four bits free (RFC 4648, 3.5)."""
    text = claim.signature_text(claim.sign(key, b"{}"))
    made = {
        "cut": text[:-5] + b"\n",
        "no line feed": text[:-1],
        "crlf": text[:-1] + b"\r\n",
        "space": b" " + text,
        "bits": text[:85] + bytes([text[85] + 1]) + text[86:],
        "long": base64.b64encode(bytes(65)) + b"\n",
    }[damage]
    if damage == "bits":
        assert base64.b64decode(made) == base64.b64decode(text)
        assert made != text
    with pytest.raises(RecordError, match="signature is not"):
        claim.read_signature(made)


def test_a_key_is_named_by_the_digest_of_its_raw_bytes() -> None:
    """Public key of RFC 8032, 7.1, TEST 1; digest by hashlib (FIPS 180-4)."""
    raw = bytes.fromhex(RFC_8032["TEST 1"][1])
    digest = claim.key_digest(Ed25519PublicKey.from_public_bytes(raw))
    assert digest == hashlib.sha256(raw).hexdigest()
    shown = claim.fingerprint(digest)
    assert shown.replace(" ", "") == digest[:40]
    assert [len(group) for group in shown.split(" ")] == [4] * 10


def test_a_public_key_is_kept_as_a_standard_structure() -> None:
    """RFC 8410, section 4: a fixed head of twelve bytes (from memory), then the key itself."""
    raw = bytes.fromhex(RFC_8032["TEST 2"][1])
    text = claim.public_key_text(Ed25519PublicKey.from_public_bytes(raw))
    lines = text.decode().splitlines()
    assert (lines[0], lines[-1]) == ("-----BEGIN PUBLIC KEY-----", "-----END PUBLIC KEY-----")
    assert base64.b64decode(lines[1]) == bytes.fromhex("302a300506032b6570032100") + raw
    assert claim.read_public_key(text).public_bytes_raw() == raw


def test_another_kind_of_key_is_refused_by_name() -> None:
    other = X25519PrivateKey.generate().public_key()
    text = other.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    with pytest.raises(RecordError, match="not an Ed25519 key"):
        claim.read_public_key(text)


@pytest.mark.parametrize("text", [b"", b"\xff", b"-----BEGIN PUBLIC KEY-----\nAAAA\n"])
def test_a_damaged_key_is_refused(text: bytes) -> None:
    with pytest.raises(RecordError, match="public key is damaged"):
        claim.read_public_key(text)


P = 2**255 - 19
D = -121665 * pow(121666, -1, P) % P
"""The curve -x^2 + y^2 = 1 + d x^2 y^2. RFC 8032, section 5.1."""


def doubled(x: int, y: int) -> tuple[int, int]:
    """The addition law of RFC 8032, section 5.1.4, of a point with itself."""
    t = D * x * x * y * y % P
    return (
        2 * x * y * pow(1 + t, -1, P) % P,
        (y * y + x * x) * pow(1 - t, -1, P) % P,
    )


def on_curve(y: int) -> tuple[int, int]:
    """A point of this height (RFC 8032, section 5.1.3)."""
    square = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * pow(2, (P - 1) // 4, P) % P
    assert (x * x - square) % P == 0
    return x, y


def test_the_refused_heights_are_those_of_every_point_of_small_order() -> None:
    """Doubling three times ends at the neutral point; there are eight such points in all."""
    points = set()
    for height in claim._SMALL_ORDER:  # the constant itself is under test
        x, y = on_curve(height % P)
        points |= {(x, y), (-x % P, y)}
        for _ in range(3):
            x, y = doubled(x, y)
        assert (x, y) == (0, 1)
    assert len(points) == 8
    assert all(h % P in claim._SMALL_ORDER for h in (0, 1, P - 1, P, P + 1))


@pytest.mark.parametrize("sign_bit", [0, 1 << 255])
def test_a_key_under_which_one_signature_fits_any_message_is_refused(sign_bit: int) -> None:
    """The neutral point as a key: the library alone accepts it; RFC 8032 leaves it open."""
    neutral = (1).to_bytes(32, "little")
    fits_all = neutral + bytes(32)
    Ed25519PublicKey.from_public_bytes(neutral).verify(fits_all, b"anything")
    weak = Ed25519PublicKey.from_public_bytes((1 | sign_bit).to_bytes(32, "little"))
    with pytest.raises(RecordError, match="fits any message"):
        claim.check(weak, b"{}", fits_all)
    with pytest.raises(RecordError, match="fits any message"):
        claim.read_public_key(claim.public_key_text(weak))
