"""Tampering with signatures and statements, and what even the shop's own key cannot cover."""

from __future__ import annotations

import base64
import json
import struct
from typing import TYPE_CHECKING

import numpy as np
import rfc8785
import soundfile as sf
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from authority import make_authority
from tampering.bench import (
    OTHER_PROGRAM,
    PUBLIC_KEY,
    REPORT,
    SHOP_KEY,
    SIGNATURE,
    STATEMENT,
    STRANGERS_KEY,
    encoded,
    link,
    sha256,
    signature,
)

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.asymmetric.types import PublicKeyTypes

    from tampering.bench import Bench


def signature_deleted(b: Bench) -> None:
    """Remove the signature, and list what is left."""
    b.path(SIGNATURE).unlink()
    b.retag()


def statement_deleted(b: Bench) -> None:
    """Remove the statement, and list what is left."""
    b.path(STATEMENT).unlink()
    b.retag()


def public_key_deleted(b: Bench) -> None:
    """Remove the key, and list what is left."""
    b.path(PUBLIC_KEY).unlink()
    b.retag()


def signature_flipped(b: Bench) -> None:
    """Change one bit of the signature."""
    raw = bytearray(base64.b64decode(b.read(SIGNATURE)))
    raw[7] ^= 1
    b.write(SIGNATURE, base64.b64encode(raw) + b"\n")
    b.retag()


def signature_with_a_larger_scalar(b: Bench) -> None:
    """Add the order of the group to the signature: the same point, another text (RFC 8032, 8.4)."""
    raw = base64.b64decode(b.read(SIGNATURE))
    order = 2**252 + 27742317777372353535851937790883648493
    scalar = int.from_bytes(raw[32:], "little") + order
    b.write(SIGNATURE, base64.b64encode(raw[:32] + scalar.to_bytes(32, "little")) + b"\n")
    b.retag()


def signature_truncated(b: Bench) -> None:
    """Cut the end off the signature."""
    b.change(SIGNATURE, lambda d: d[:40])
    b.retag()


def signature_with_spaces(b: Bench) -> None:
    """Write the same signature on two lines."""
    b.change(SIGNATURE, lambda d: d[:44] + b"\n" + d[44:])
    b.retag()


def signature_as_raw_bytes(b: Bench) -> None:
    """Write the same signature as 64 bytes."""
    b.change(SIGNATURE, base64.b64decode)
    b.retag()


def signature_of_another_statement(b: Bench) -> None:
    """Take a signature that the shop made under another statement."""
    other = rfc8785.dumps(b.statement(entries=1))
    b.write(SIGNATURE, signature(SHOP_KEY, encoded(other)))
    b.retag()


def signature_of_the_bare_statement(b: Bench) -> None:
    """Sign the statement without its type and lengths, with the shop's own key."""
    b.write(SIGNATURE, signature(SHOP_KEY, b.read(STATEMENT)))
    b.retag()


def signature_for_another_purpose(b: Bench) -> None:
    """Sign the statement as something else, with the shop's own key."""
    data = encoded(b.read(STATEMENT), b"earwitness.rotation/1")
    b.write(SIGNATURE, signature(SHOP_KEY, data))
    b.retag()


def public_key_exchanged(b: Bench) -> None:
    """Enclose another key."""
    _enclose(b, _pem(STRANGERS_KEY.public_key()))


def public_key_of_another_kind(b: Bench) -> None:
    """Enclose a key that cannot sign."""
    _enclose(b, _pem(X25519PrivateKey.from_private_bytes(bytes(32)).public_key()))


def public_key_that_fits_any_message(b: Bench) -> None:
    """Enclose the neutral element, under which one signature fits every message."""
    neutral = Ed25519PublicKey.from_public_bytes(b"\x01" + bytes(31))
    _enclose(b, _pem(neutral))
    b.write(SIGNATURE, base64.b64encode(b"\x01" + bytes(63)) + b"\n")
    b.write(STATEMENT, rfc8785.dumps(b.statement(key=sha256(neutral.public_bytes_raw()))))
    b.retag()


def public_key_damaged(b: Bench) -> None:
    """Cut the end off the key."""
    _enclose(b, b.read(PUBLIC_KEY)[:60])


def signed_by_a_stranger(b: Bench) -> None:
    """Change a reading, make every digest agree, and sign all with a key of one's own."""
    b.edit("finding", lambda body: body.update(excess_db=0.5))
    b.seal(STRANGERS_KEY)


def resigned_by_a_stranger(b: Bench) -> None:
    """Change nothing, but sign with another key: it is then nobody's word."""
    b.seal(STRANGERS_KEY)


def statement_edited(b: Bench) -> None:
    """Change the time of packing in the statement."""
    b.replace(STATEMENT, b"T17:30", b"T18:30")
    b.retag()


def statement_with_spaces_signed(b: Bench) -> None:
    """Write the statement with spaces, signed with the shop's own key."""
    b.sign(data=json.dumps(b.statement()).encode())


def statement_with_a_key_twice_signed(b: Bench) -> None:
    """Let the statement count its entries twice, signed with the shop's own key."""
    b.sign(data=b.read(STATEMENT).replace(b'"entries":', b'"entries":1,"entries":'))


def statement_with_one_field_more_signed(b: Bench) -> None:
    """Let the statement say more than statements do, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(remark="beyond repair")))


def statement_lacks_a_field_signed(b: Bench) -> None:
    """Let the statement not name the key, signed with the shop's own key."""
    said = b.statement()
    del said["key"]
    b.sign(data=rfc8785.dumps(said))


def statement_with_not_a_number_signed(b: Bench) -> None:
    """Let the statement count NaN entries, signed with the shop's own key."""
    b.sign(data=b.read(STATEMENT).replace(b'"entries":15', b'"entries":NaN'))


def statement_in_capitals_signed(b: Bench) -> None:
    """Write a digest of the statement in capitals, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(key=b.statement()["key"].upper())))


def statement_without_a_time_signed(b: Bench) -> None:
    """Let the statement be made at no time, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(packed_at="yesterday")))


def statement_of_a_later_version_signed(b: Bench) -> None:
    """Say that a later version made the statement, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(schema="earwitness.claim/2")))


def statement_nested_without_end(b: Bench) -> None:
    """Nest lists twenty thousand deep in the statement."""
    b.write(STATEMENT, b'{"schema":' + b"[" * 20_000 + b"]" * 20_000 + b"}")
    b.retag()


def statement_without_end(b: Bench) -> None:
    """Make the statement longer than any."""
    b.write(STATEMENT, b.read(STATEMENT) + b" " * (1 << 20))
    b.retag()


def statement_for_another_manifest_signed(b: Bench) -> None:
    """State the digest of another manifest, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(manifest_sha256=sha256(b"other"))))


def statement_for_another_head_signed(b: Bench) -> None:
    """State the chain head of another record, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(chain_head=sha256(b"other"))))


def statement_counts_wrong_signed(b: Bench) -> None:
    """State another number of entries, signed with the shop's own key."""
    b.sign(data=rfc8785.dumps(b.statement(entries=16)))


def statement_names_another_key_signed(b: Bench) -> None:
    """State another key than the one that signs, which is the shop's own."""
    b.sign(data=rfc8785.dumps(b.statement(STRANGERS_KEY)))


def stale_claim(b: Bench) -> None:
    """Change a reading, make everything agree, and keep the claim of the earlier bag."""
    claim = {name: b.read(name) for name in (STATEMENT, SIGNATURE, PUBLIC_KEY)}
    b.edit("reading", lambda body: body.update(value="12"))
    b.seal()
    for name, data in claim.items():
        b.write(name, data)
    b.retag()


def time_stamp_of_another_statement(b: Bench) -> None:
    """Enclose a true time stamp that was made for something else."""
    b.write("claim/other.json", b"{}")
    stamp = make_authority(b.bag.with_name("authority")).stamp(b.path("claim/other.json"))
    b.write("claim/timestamp.tsr", stamp.read_bytes())
    b.path("claim/other.json").unlink()
    b.retag()


def time_stamp_that_is_none(b: Bench) -> None:
    """Enclose bytes that are no answer of any authority."""
    b.write("claim/timestamp.tsr", b"\x30\x82" + bytes(200))
    b.retag()


def time_stamp_that_was_refused(b: Bench) -> None:
    """Enclose the answer of an authority that refused (RFC 3161, section 2.4.2: status 2)."""
    b.write("claim/timestamp.tsr", bytes.fromhex("30053003020102"))
    b.retag()


def time_stamp_without_end(b: Bench) -> None:
    """Enclose two megabytes in the place of a time stamp."""
    b.write("claim/timestamp.tsr", bytes(2 << 20))
    b.retag()


def exchange_of_keys_forged(b: Bench) -> None:
    """Sign with a stranger's key, and let that key itself say that the shop exchanged its own."""
    b.seal(STRANGERS_KEY)
    _exchange(b, signer=STRANGERS_KEY)


def exchange_of_keys_to_nowhere(b: Bench) -> None:
    """Enclose a true exchange of keys that does not lead to the key enclosed."""
    _exchange(b, signer=SHOP_KEY)


def sound_replaced_signed(b: Bench) -> None:
    """Put other sound in a take, with every digest, the chain and the shop's signature anew."""
    name = b.sounds()[1]
    samples, rate = sf.read(b.path(name), dtype="int16")
    louder = (samples.astype(np.float64) * 1.5).astype(np.int16)
    sf.write(b.path(name), louder, rate, subtype="PCM_16")
    b.describe(name)
    b.seal()


def a_moment_replaced_signed(b: Bench) -> None:
    """Repeat a tenth of a second of a take over the next, all signed with the shop's own key."""
    name = b.sounds()[1]
    at, size = 44 + 2 * 48_000, 2 * 2_400
    b.change(name, lambda d: d[: at + size] + d[at : at + size] + d[at + 2 * size :])
    b.describe(name)
    b.seal()


def sounds_exchanged_signed(b: Bench) -> None:
    """Exchange the two recordings of a pair in the take, signed with the shop's own key."""
    b.edit("take", lambda body: body.update(audio=body["audio"][::-1]))
    b.seal()


def sound_that_is_none_signed(b: Bench) -> None:
    """Put a text where a recording should be, signed with the shop's own key."""
    name = b.sounds()[0]
    b.write(name, b"This is no sound.\n" * 100)
    b.describe(name)
    b.seal()


def sound_with_not_a_number_signed(b: Bench) -> None:
    """Record a sample that is no number, signed with the shop's own key."""
    name = b.sounds()[0]
    samples = np.zeros(12_000, np.float32)
    samples[6000] = np.nan
    sf.write(b.path(name), samples, 24_000, subtype="FLOAT")
    b.edit("audio", lambda body: body.update(subtype="FLOAT"), nth=0)
    b.describe(name)
    b.seal()


def sound_of_years_signed(b: Bench) -> None:
    """Let a small compressed file say that it holds a month of sound; the shop's own key."""
    name = b.sounds()[0]
    flac = b.path(name).with_suffix(".flac")
    sf.write(flac, np.zeros(12_000, np.int16), 24_000, subtype="PCM_16")
    data = bytearray(flac.read_bytes())
    flac.unlink()
    # STREAMINFO: the last 36 bits of its bytes 10 to 17 are the number of samples (RFC 9639, 8.2)
    at = data.index(b"fLaC") + 8 + 10
    (packed,) = struct.unpack(">Q", data[at : at + 8])
    data[at : at + 8] = struct.pack(">Q", packed >> 36 << 36 | 2**36 - 1)
    b.write(name, bytes(data))
    b.edit("audio", lambda body: body.update(frames=2**36 - 1), nth=0)
    b.describe(name)
    b.seal()


def rate_of_a_sound_edited_signed(b: Bench) -> None:
    """State another sample rate of a recording in its entry, signed with the shop's own key."""
    b.edit("audio", lambda body: body.update(sample_rate_hz=48_000), nth=1)
    b.seal()


def sound_outside_the_record_signed(b: Bench) -> None:
    """Let an entry name sound outside the record, signed with the shop's own key."""
    b.edit("audio", lambda body: body.update(path="../../../outside.wav"), nth=0)
    b.seal()


def sound_entered_twice_signed(b: Bench) -> None:
    """Describe one recording by two entries, signed with the shop's own key."""
    entries = b.entries()
    first = next(e for e in entries if e["kind"] == "audio")
    b.rechain([*entries[:-2], first, *entries[-2:]])
    b.seal()


def sound_without_an_entry_signed(b: Bench) -> None:
    """Leave out the entry of a recording that a take names, signed with the shop's own key."""
    entries = b.entries()
    last = max(i for i, e in enumerate(entries) if e["kind"] == "audio")
    b.rechain([*entries[:last], *entries[last + 1 :]])
    b.seal()


def entry_of_a_sound_emptied_signed(b: Bench) -> None:
    """Let the entry of a recording say only its path, signed with the shop's own key."""
    b.edit("audio", lambda body: [body.pop(k) for k in list(body) if k != "path"], nth=0)
    b.seal()


def sound_left_out_signed(b: Bench) -> None:
    """Pack without a recording that the record names, signed with the shop's own key."""
    b.path(b.sounds()[0]).unlink()
    b.seal()


def report_deleted_signed(b: Bench) -> None:
    """Pack without the report, signed with the shop's own key."""
    b.path(REPORT).unlink()
    b.rehash()
    b.sign()


def report_of_an_earlier_state_signed(b: Bench) -> None:
    """Add an entry after the report was drawn, signed with the shop's own key."""
    page = b.read(REPORT)
    b.rechain([*b.entries(), {**b.entries()[-1], "kind": "note", "body": {"text": "paid"}}])
    b.relabel()
    b.write(REPORT, page)
    b.rehash()
    b.sign()


def report_of_another_record_signed(b: Bench) -> None:
    """Enclose the report of another record, signed with the shop's own key."""
    head = link(b.lines()[-1]).encode()
    b.replace(REPORT, head, sha256(b"other").encode())
    b.rehash()
    b.sign()


def report_without_a_mark_signed(b: Bench) -> None:
    """Enclose a report that does not say of which record it is; the shop's own key."""
    b.replace(REPORT, b"earwitness-record", b"description")
    b.rehash()
    b.sign()


def report_with_two_marks_signed(b: Bench) -> None:
    """Enclose a report that says of two records that it is theirs; the shop's own key."""
    b.replace(REPORT, b"<body>", b'<body><meta name="earwitness-record" content="x 1">')
    b.rehash()
    b.sign()


def report_that_is_no_text_signed(b: Bench) -> None:
    """Enclose bytes that are no page, signed with the shop's own key."""
    b.write(REPORT, bytes(range(256)))
    b.rehash()
    b.sign()


def report_of_open_tags_signed(b: Bench) -> None:
    """Enclose a page that keeps a reader of HTML busy for days, signed with the shop's own key."""
    b.change(REPORT, lambda d: d + b"<a " * 300_000)
    b.rehash()
    b.sign()


def report_edited_signed(b: Bench) -> None:
    """Change a word of the report, signed with the shop's own key."""
    b.replace(REPORT, b"<li>42 ", b"<li>12 ")
    b.rehash()
    b.sign()


def report_edited_as_of_another_version_signed(b: Bench) -> None:
    """Change a word of the report and say that another version drew it; the shop's own key."""
    b.edit("opened", lambda body: body.update(program=OTHER_PROGRAM))
    b.replace(REPORT, b"<li>42 ", b"<li>12 ")
    b.seal()


def _enclose(b: Bench, pem: bytes) -> None:
    b.write(PUBLIC_KEY, pem)
    b.retag()


def _pem(key: PublicKeyTypes) -> bytes:
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def _exchange(b: Bench, *, signer: Ed25519PrivateKey) -> None:
    """Enclose a statement that the shop's key was exchanged for the stranger's."""
    shop, stranger = (k.public_key().public_bytes_raw() for k in (SHOP_KEY, STRANGERS_KEY))
    said = rfc8785.dumps(
        {
            "schema": "earwitness.rotation/1",
            "key": sha256(shop),
            "public_key": shop.hex(),
            "next_key": sha256(stranger),
            "rotated_at": "2026-03-01T08:00:00.000000Z",
            "program": "earwitness 0",
        }
    )
    name = f"claim/rotation-{sha256(stranger)[:40]}"
    b.write(f"{name}.json", said)
    b.write(f"{name}.sig", signature(signer, encoded(said, b"earwitness.rotation/1")))
    b.retag()
