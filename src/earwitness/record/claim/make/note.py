"""The note in every bag on how to check it by hand, without this program."""

from __future__ import annotations

from earwitness.record.canonical import LENGTH_BYTES
from earwitness.record.claim.statement import SCHEMA, fingerprint


def checking_text(*, head: str, entries: int, key: str, statement_bytes: int) -> bytes:
    """Write CHECKING.txt for one bag.

    Parameters
    ----------
    head : str
        Chain head of the record.
    entries : int
        Number of its entries.
    key : str
        Digest of the public key; see `Statement.key`.
    statement_bytes : int
        Length of the statement, which is part of what is signed.
    """
    text = _TEXT.format(
        head=head,
        entries=entries,
        fingerprint=fingerprint(key),
        key=key,
        schema=SCHEMA,
        type_length=_printf(len(SCHEMA)),
        statement_length=_printf(statement_bytes),
    )
    return text.encode("utf-8")


def _printf(length: int) -> str:
    """Write a length as the octal escapes of the shell's printf."""
    return "".join(f"\\{byte:03o}" for byte in length.to_bytes(LENGTH_BYTES, "big"))


_TEXT = """\
HOW TO CHECK THIS CLAIM BAG BY HAND

This folder is a bag by RFC 8493 (BagIt 1.0): any BagIt program can check it. What follows needs
only sha256sum and openssl (3.0 or later), in a shell whose current folder is the one that holds
bagit.txt. Each step says what it should print. If you have earwitness, `earwitness verify` with
the name of this folder does all of it, and listens to the sound files again.

1. Nothing is missing and nothing was changed. Every line must end in OK:

    sha256sum --check --strict manifest-sha256.txt
    sha256sum --check --strict tagmanifest-sha256.txt

2. Nothing was added. Both numbers must be the same:

    find data -type f | wc -l
    wc -l < manifest-sha256.txt

3. The statement is about these files. The digest printed must stand in claim/statement.json, after
   "manifest_sha256":

    sha256sum manifest-sha256.txt
    cat claim/statement.json

4. The shop's key signed the statement. The last line must say Signature Verified Successfully:

    base64 -d claim/statement.sig > /tmp/claim-signature
    printf '{type_length}{schema}' > /tmp/claim-message
    printf '{statement_length}' >> /tmp/claim-message
    cat claim/statement.json >> /tmp/claim-message
    openssl pkeyutl -verify -pubin -inkey claim/public-key.pem -rawin \\
        -in /tmp/claim-message -sigfile /tmp/claim-signature

   The signed message is: the length of the next part in eight bytes, the letters {schema},
   the length of the statement in eight bytes, the statement.

5. The key is the shop's. Compare the first forty digits printed with the key card that the shop
   gave you, not with anything in this bag:

    openssl pkey -pubin -in claim/public-key.pem -outform DER | tail -c 32 | sha256sum

   This bag was packed with the key {fingerprint}
   (in full {key}).
   If the card shows an earlier key: each claim/rotation-*.json is a statement by which one key
   names the next, with its signature in the .sig file of the same name.

6. The record was not cut or rewritten. Each line of data/record/record.jsonl names, after "prev",
   the SHA-256 of the letters earwitness.entry/1, a zero byte, and the line before without its line
   break; the first line names 64 zeros. The record has {entries} entries, and the digest of its
   last line is the chain head in the statement, which the report shows too:
   {head}
   This prints it:

    (printf 'earwitness.entry/1\\000'; tail -n 1 data/record/record.jsonl | tr -d '\\n') | sha256sum

7. The sound files are those that were recorded. Step 1 gave their digests; the line of kind
   "audio" in the record names the same digest for each.

8. claim/timestamp.tsr, if it is there, is an answer by RFC 3161 of a time stamp authority: it says
   that the statement existed at its time. Check it with the authority's certificate:

    openssl ts -verify -data claim/statement.json -in claim/timestamp.tsr -CAfile AUTHORITY.pem

9. Names are those that were recorded. data/record/identity.json, if it is there, tells people and
   engine, each value with its salt. For every value, told here or withheld, the first line of the
   record holds a digest after "identity": of four parts, each after its length in eight bytes: the
   letters earwitness.identity/1, the salt, the name of the field, the value. Put in name, salt and
   value, from that file or from one that the shop gave you; the digest printed must stand there:

    name='vin'; salt='SALT'; value='VALUE'
    size() {{ printf "\\\\$(printf %03o $(($1 / 256)))\\\\$(printf %03o $(($1 % 256)))"; }}
    part() {{ printf '\\000\\000\\000\\000\\000\\000'; size $(wc -c < /tmp/part); cat /tmp/part; }}
    printf earwitness.identity/1 > /tmp/part; part > /tmp/name
    printf %s "$salt" | base64 -d > /tmp/part; part >> /tmp/name
    printf %s "$name" > /tmp/part; part >> /tmp/name
    printf %s "$value" > /tmp/part; part >> /tmp/name
    sha256sum < /tmp/name
    head -n 1 data/record/record.jsonl

What no check can show: that the microphone was held where the record says, that the clock of the
machine was right, or what happened before the recording began.
"""
