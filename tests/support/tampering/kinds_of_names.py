"""Tampering with what a bag tells of people and engine, and with what it withholds."""

from __future__ import annotations

import json
import unicodedata
from typing import TYPE_CHECKING, Any

import rfc8785

from tampering.bench import REPORT

if TYPE_CHECKING:
    from tampering.bench import Bench

NAMES = "data/record/identity.json"
INFO = "bag-info.txt"
LABEL = b"Source-Organization: Ferry Lane Engines\n"
NO_SALT = "A" * 43 + "="
"""Base64 of 32 zero bytes."""


def name_edited(b: Bench) -> None:
    """Put another customer in the place of the one recorded."""
    b.replace(NAMES, b"Tarn Boats", b"Fell Boats")


def name_edited_and_listed(b: Bench) -> None:
    """Put another customer in the place of the one recorded, and list the file anew."""
    b.replace(NAMES, b"Tarn Boats", b"Fell Boats")
    b.rehash()


def name_edited_signed(b: Bench) -> None:
    """Put another customer in the place of the one recorded, signed with the shop's own key."""
    b.replace(NAMES, b"Tarn Boats", b"Fell Boats")
    b.seal()


def name_by_one_digit_signed(b: Bench) -> None:
    """Change one digit of the VIN, signed with the shop's own key."""
    b.replace(NAMES, b"1M8GDM9AXKP042788", b"1M8GDM9AXKP042789")
    b.seal()


def name_in_capitals_signed(b: Bench) -> None:
    """Write the technician in capitals, signed with the shop's own key."""
    b.replace(NAMES, b"O. Marsh", b"O. MARSH")
    b.seal()


def name_spelt_otherwise_signed(b: Bench) -> None:
    """Spell an accent another way than the record does, signed with the shop's own key."""
    b.replace(NAMES, b"Tarn Boats", unicodedata.normalize("NFD", "Tärn Boats").encode())
    b.seal()


def name_added_signed(b: Bench) -> None:
    """Tell of something that was never recorded, signed with the shop's own key."""
    fields = _fields(b)
    _write(b, fields | {"engine_id": {"salt": NO_SALT, "value": "Van 1"}})


def name_of_a_new_kind_signed(b: Bench) -> None:
    """Tell of a field that no record has, signed with the shop's own key."""
    _write(b, _fields(b) | {"approved_by": {"salt": NO_SALT, "value": "The maker"}})


def names_exchanged_signed(b: Bench) -> None:
    """Exchange technician and customer, salts and all, signed with the shop's own key."""
    fields = _fields(b)
    fields["technician"], fields["customer"] = fields["customer"], fields["technician"]
    _write(b, fields)


def salt_changed_signed(b: Bench) -> None:
    """State another salt, signed with the shop's own key."""
    fields = _fields(b)
    fields["vin"]["salt"] = NO_SALT
    _write(b, fields)


def salts_exchanged_signed(b: Bench) -> None:
    """Exchange the salts of two values, signed with the shop's own key."""
    fields = _fields(b)
    vin, customer = fields["vin"], fields["customer"]
    vin["salt"], customer["salt"] = customer["salt"], vin["salt"]
    _write(b, fields)


def salt_removed_signed(b: Bench) -> None:
    """Leave a value without its salt, so that nobody can check it; the shop's own key."""
    fields = _fields(b)
    del fields["vin"]["salt"]
    _write(b, fields)


def salt_emptied_signed(b: Bench) -> None:
    """State an empty salt, signed with the shop's own key."""
    fields = _fields(b)
    fields["vin"]["salt"] = ""
    _write(b, fields)


def salt_with_loose_bits_signed(b: Bench) -> None:
    """Write the same salt another way in base64, signed with the shop's own key."""
    fields = _fields(b)
    salt = fields["vin"]["salt"]
    last = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    fields["vin"]["salt"] = f"{salt[:42]}{last[last.index(salt[42]) + 1]}="
    _write(b, fields)


def value_that_is_a_number_signed(b: Bench) -> None:
    """State a number where text should be, signed with the shop's own key."""
    fields = _fields(b)
    fields["vin"]["value"] = 17
    _write(b, fields)


def value_with_one_field_more_signed(b: Bench) -> None:
    """Add a remark to a value, signed with the shop's own key."""
    fields = _fields(b)
    fields["vin"]["checked"] = "yes"
    _write(b, fields)


def names_with_spaces_signed(b: Bench) -> None:
    """Write the values with spaces between, signed with the shop's own key."""
    b.change(NAMES, lambda d: json.dumps(json.loads(d), indent=1).encode())
    b.seal()


def names_with_a_key_twice_signed(b: Bench) -> None:
    """State two VINs, of which readers of JSON take the last; signed with the shop's own key."""
    b.replace(NAMES, b'"vin":', b'"vin":{"salt":"","value":"9"},"vin":')
    b.seal()


def names_of_a_later_version_signed(b: Bench) -> None:
    """Say that a later version wrote the values, signed with the shop's own key."""
    b.replace(NAMES, b"earwitness.identity/1", b"earwitness.identity/2")
    b.seal()


def names_of_nothing_signed(b: Bench) -> None:
    """Leave a file that tells nothing, signed with the shop's own key; its label goes too."""
    b.replace(INFO, LABEL, b"")
    _write(b, {})


def names_that_are_a_list_signed(b: Bench) -> None:
    """Write a list in the place of the values, signed with the shop's own key."""
    b.write(NAMES, b"[]")
    b.seal()


def names_that_are_no_text_signed(b: Bench) -> None:
    """Write bytes that are no text in the place of the values, signed with the shop's own key."""
    b.write(NAMES, b"\xff\xfe\x00")
    b.seal()


def names_nested_without_end_signed(b: Bench) -> None:
    """Nest lists a hundred thousand deep, signed with the shop's own key."""
    b.write(NAMES, b'{"fields":' + b"[" * 100_000 + b"]" * 100_000 + b"}")
    b.seal()


def names_of_two_megabytes_signed(b: Bench) -> None:
    """Write a longer file than any real one, signed with the shop's own key."""
    fields = _fields(b)
    fields["customer"]["value"] = "a" * (2 << 20)
    _write(b, fields)


def names_removed(b: Bench) -> None:
    """Take the values away without listing what is left."""
    b.path(NAMES).unlink()


def names_removed_and_listed(b: Bench) -> None:
    """Withhold everything after packing, without the shop's key."""
    b.path(NAMES).unlink()
    b.replace(INFO, LABEL, b"")
    b.rehash()


def one_name_removed_and_listed(b: Bench) -> None:
    """Withhold the customer after packing, without the shop's key."""
    fields = _fields(b)
    del fields["customer"]
    b.write(NAMES, rfc8785.dumps({"schema": "earwitness.identity/1", "fields": fields}))
    b.rehash()


def shop_withheld_but_for_the_label_signed(b: Bench) -> None:
    """Withhold the shop, but leave it in the label of the bag; signed with the shop's own key."""
    _write(b, {name: one for name, one in _fields(b).items() if name != "shop"})


def shop_withheld_but_for_the_report_signed(b: Bench) -> None:
    """Withhold the shop, but leave it in the report; signed with the shop's own key."""
    assert b"Ferry Lane Engines" in b.read(REPORT)
    b.replace(INFO, LABEL, b"")
    _write(b, {name: one for name, one in _fields(b).items() if name != "shop"})


def digest_of_a_name_edited_signed(b: Bench) -> None:
    """State another digest of the VIN in the log, signed with the shop's own key."""
    b.edit("opened", lambda body: body["identity"].update(vin="0" * 64))
    b.seal()


def digest_of_a_name_removed_signed(b: Bench) -> None:
    """Let the log name no VIN, signed with the shop's own key."""
    b.edit("opened", lambda body: body["identity"].pop("vin"))
    b.seal()


def digest_of_a_name_in_capitals_signed(b: Bench) -> None:
    """Write a digest in capitals in the log, signed with the shop's own key."""
    b.edit("opened", lambda body: body["identity"].update(vin=body["identity"]["vin"].upper()))
    b.seal()


def name_in_the_place_of_its_digest_signed(b: Bench) -> None:
    """Write the VIN itself into the log, where only its digest belongs; the shop's own key."""
    b.edit("opened", lambda body: body["identity"].update(vin="1M8GDM9AXKP042788"))
    b.seal()


def digests_that_are_a_list_signed(b: Bench) -> None:
    """Write a list in the place of the digests, signed with the shop's own key."""
    b.edit("opened", lambda body: body.update(identity=[]))
    b.seal()


def _fields(b: Bench) -> dict[str, Any]:
    fields: dict[str, Any] = json.loads(b.read(NAMES))["fields"]
    return fields


def _write(b: Bench, fields: dict[str, Any]) -> None:
    """Write the values as the program would, and sign with the shop's own key."""
    b.write(NAMES, rfc8785.dumps({"schema": "earwitness.identity/1", "fields": fields}))
    b.seal()
