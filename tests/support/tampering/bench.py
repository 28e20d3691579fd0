"""A bag on the bench of somebody who changes it, with as many keys as he has.

Hashing, chaining and signing are written here once more from the standards (FIPS 180-4, RFC 8032,
RFC 8493, RFC 8785), so that the verifier is not checked against its own code.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from typing import TYPE_CHECKING, Any

import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LOG = "data/record/record.jsonl"
REPORT = "data/report.html"
STATEMENT = "claim/statement.json"
SIGNATURE = "claim/statement.sig"
PUBLIC_KEY = "claim/public-key.pem"
TYPE = b"earwitness.claim/1"
OTHER_PROGRAM = "earwitness 0.0.7"
"""A version that this one is not."""

SHOP_KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
"""The shop's key in every test bag."""
STRANGERS_KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32, 64)))
"""A key that anybody can make."""


class Bench:
    """One bag, opened for changing."""

    def __init__(self, bag: Path) -> None:
        self.bag = bag

    def path(self, name: str) -> Path:
        """Where a file of the bag lies."""
        return self.bag / name

    def read(self, name: str) -> bytes:
        return self.path(name).read_bytes()

    def write(self, name: str, data: bytes) -> None:
        self.path(name).parent.mkdir(parents=True, exist_ok=True)
        self.path(name).write_bytes(data)

    def change(self, name: str, by: Callable[[bytes], bytes]) -> None:
        """Rewrite a file; a change that changes nothing would test nothing."""
        before = self.read(name)
        after = by(before)
        assert after != before
        self.write(name, after)

    def replace(self, name: str, old: bytes, new: bytes) -> None:
        """Replace the first occurrence of some bytes, which must be there."""
        assert old in self.read(name)
        self.change(name, lambda data: data.replace(old, new, 1))

    def sounds(self, suffix: str = ".wav") -> list[str]:
        """Sound files of the record, in their order."""
        folder = self.path("data/record/audio")
        return sorted(f"data/record/audio/{p.name}" for p in folder.glob(f"*{suffix}"))

    # --- the log ---

    def lines(self) -> list[bytes]:
        return self.read(LOG).split(b"\n")[:-1]

    def write_lines(self, lines: list[bytes]) -> None:
        self.write(LOG, b"".join(line + b"\n" for line in lines))

    def entries(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.lines()]

    def last(self, kind: str) -> dict[str, Any]:
        """Body of the last entry of a kind."""
        return [e["body"] for e in self.entries() if e["kind"] == kind][-1]

    def edit(self, kind: str, by: Callable[[dict[str, Any]], object], *, nth: int = -1) -> None:
        """Change the body of one entry of a kind and chain everything anew."""
        entries = self.entries()
        by([e for e in entries if e["kind"] == kind][nth]["body"])
        self.rechain(entries)

    def rechain(self, entries: list[dict[str, Any]]) -> None:
        """Number and link entries anew, as the recorder would have done, references too."""
        prev, lines = "0" * 64, []
        moved = {e["seq"]: number for number, e in reversed(list(enumerate(entries, start=1)))}
        for number, entry in enumerate(entries, start=1):
            for name in ("take", "retracts", "utterance"):
                if entry["body"].get(name) in moved:
                    entry["body"][name] = moved[entry["body"][name]]
            lines.append(rfc8785.dumps({**entry, "seq": number, "prev": prev}))
            prev = link(lines[-1])
        self.write_lines(lines)

    def describe(self, name: str) -> None:
        """Make the entry of a sound file agree with the file as it lies there."""
        data = self.read(name)
        entries = self.entries()
        for entry in entries:
            if f"data/record/{entry['body'].get('path')}" == name:
                entry["body"] |= {"sha256": sha256(data), "bytes": len(data)}
        self.rechain(entries)

    # --- the bag ---

    def rehash(self) -> None:
        """Write Payload-Oxum and both manifests anew, as anybody can without a key."""
        payload = self._digests("data/")
        self.write("manifest-sha256.txt", manifest(payload))
        sizes = [self.path(p).stat().st_size for p in payload]
        oxum = f"Payload-Oxum: {sum(sizes)}.{len(sizes)}".encode()
        info = re.sub(rb"Payload-Oxum: [0-9.]+", oxum, self.read("bag-info.txt"))
        self.write("bag-info.txt", info)
        self.retag()

    def retag(self) -> None:
        """Write the tag manifest anew over everything beside the payload."""
        tags = self._digests("")
        tags = {p: d for p, d in tags.items() if not p.startswith(("data/", "tagmanifest-"))}
        self.write("tagmanifest-sha256.txt", manifest(tags))

    def statement(self, signer: Ed25519PrivateKey = SHOP_KEY, **other: Any) -> dict[str, Any]:
        """What a signer would state of the bag as it lies there, but for some fields."""
        old = json.loads(self.read(STATEMENT)) if self.path(STATEMENT).exists() else {}
        lines = self.lines()
        return {
            "packed_at": "2026-03-04T17:30:00.000000Z",
            "program": "earwitness 0",
            **old,
            "schema": TYPE.decode(),
            "chain_head": link(lines[-1]) if lines else "0" * 64,
            "entries": len(lines),
            "manifest_sha256": sha256(self.read("manifest-sha256.txt")),
            "key": sha256(signer.public_key().public_bytes_raw()),
            **other,
        }

    def sign(self, key: Ed25519PrivateKey = SHOP_KEY, data: bytes | None = None) -> None:
        """Sign, with labels and tag manifest to match; of `data` if given, else of the truth."""
        data = rfc8785.dumps(self.statement(key)) if data is None else data
        self.write(STATEMENT, data)
        self.write(SIGNATURE, signature(key, encoded(data)))
        pem = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        self.write(PUBLIC_KEY, pem)
        self.retag()

    def relabel(self) -> None:
        """Make mark of the report and label of the bag name the chain head of the log."""
        head, entries = link(self.lines()[-1]), len(self.lines())
        mark = f'name="earwitness-record" content="{head} {entries}"'.encode()
        page = re.sub(rb'name="earwitness-record" content="[^"]*"', mark, self.read(REPORT))
        self.write(REPORT, page)
        label = f"External-Identifier: {head}".encode()
        info = re.sub(rb"External-Identifier: [0-9a-f]+", label, self.read("bag-info.txt"))
        self.write("bag-info.txt", info)

    def seal(self, key: Ed25519PrivateKey = SHOP_KEY) -> None:
        """Do all that a shop does when it packs: label, hash, sign."""
        self.relabel()
        self.rehash()
        self.sign(key)

    def _digests(self, below: str) -> dict[str, str]:
        files = (p for p in (self.bag / below).rglob("*") if p.is_file() and not p.is_symlink())
        return {p.relative_to(self.bag).as_posix(): sha256(p.read_bytes()) for p in files}


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def link(line: bytes) -> str:
    """Digest by which the next entry names a line: docs/decisions/0050."""
    return sha256(b"earwitness.entry/1\0" + line)


def manifest(digests: dict[str, str]) -> bytes:
    """Lines as `sha256sum` prints them."""
    return "".join(f"{digests[p]}  {p}\n" for p in sorted(digests)).encode()


def encoded(statement: bytes, kind: bytes = TYPE) -> bytes:
    """The typed, length-prefixed encoding that is signed."""
    return b"".join(len(part).to_bytes(8, "big") + part for part in (kind, statement))


def signature(key: Ed25519PrivateKey, message: bytes) -> bytes:
    return base64.b64encode(key.sign(message)) + b"\n"
