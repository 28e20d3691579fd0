#!/usr/bin/env python3
"""Check a claim bag without earwitness: Python's standard library and `cryptography` only.

Run as `python verify_bag.py BAG [--key HEX]`; HEX is the SHA-256 of the shop's raw public key, from
a source other than the bag. Prints one JSON object; exit code 0 no defect, 1 defects, 2 wrong use.
These must hold, by their numbers:
1. The bag is complete (RFC 8493): every listed file, no other, no link, no name leading elsewhere.
2. Every file has the digest that the manifests state (SHA-256, FIPS 180-4).
3. The entries of the record follow from one another (RFC 8785), names from their salted digests.
4. The statement is signed (Ed25519, RFC 8032) and states this manifest, chain head and count.
5. Every sound file that the record names is there, with the size and digest stated in its entry.
Not checked: whether the sound can be played; who signed a time stamp; findings, verdict, report.
"""

import base64
import decimal
import hashlib
import json
import os
import re
import stat
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from unicodedata import category, normalize

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_public_key

LARGEST, LONGEST_LINE, NESTING = (1 << 32) + 8, 1 << 20, 32
DECLARED = [b"BagIt-Version: 1.0", b"Tag-File-Character-Encoding: UTF-8"]
MANIFEST, TAGS, INFO = "manifest-sha256.txt", "tagmanifest-sha256.txt", "bag-info.txt"
LOG, NAMES = "data/record/record.jsonl", "data/record/identity.json"
STATEMENT, SIGNATURE = "claim/statement.json", "claim/statement.sig"
KEY, TOKEN = "claim/public-key.pem", "claim/timestamp.tsr"
BESIDE = {"bagit.txt", INFO, MANIFEST, STATEMENT, SIGNATURE, KEY}
OPTIONAL = re.compile(r"claim/(timestamp\.tsr|rotation-[0-9a-f]+\.(json|sig))")
MOMENT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
UNSAFE = re.compile(r"(?ai)^~|[\\:]|(^|[ ./]|(^|/)(con|prn|aux|nul|(com|lpt)\d)(\.[^/]*)?)(/|\Z)")
BROKEN = (ValueError, LookupError, TypeError, AttributeError, RecursionError)
P, Y8 = 2**255 - 19, 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
SMALL_ORDER = {0, 1, P - 1, P, P + 1, Y8, P - Y8}


def sha256(data):
    """Return the digest of bytes or of an open file, as it is written everywhere in a bag."""
    found = hashlib.sha256(data) if isinstance(data, bytes) else hashlib.file_digest(data, "sha256")
    return found.hexdigest()


def canonical(value, level=1):
    """Write JSON as RFC 8785 does."""
    if level > NESTING and isinstance(value, dict | list):
        raise ValueError("nested too deeply")
    if isinstance(value, dict):
        keys = sorted(value, key=lambda k: k.encode("utf-16-be"))
        members = (f"{canonical(k)}:{canonical(value[k], level + 1)}" for k in keys)
        return f"{{{','.join(members)}}}"
    if isinstance(value, list):
        return "[" + ",".join(canonical(v, level + 1) for v in value) + "]"
    return number(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)


def number(x):
    """Write a double as ECMAScript does (RFC 8785, section 3.2.2.3)."""
    if x == 0 or 1e-6 <= abs(x) < 1e21:
        return f"{decimal.Decimal(repr(x + 0.0)):f}".removesuffix(".0")  # minus zero becomes zero
    return re.fullmatch("(.+e[+-])0*(.+)", repr(x)).expand(r"\1\2")  # no match if not finite


def parsed(data):
    """Read a JSON object, and tell whether it is written the canonical way."""
    v = json.loads(data.decode(), parse_int=lambda d: int(d) if abs(int(d)) < 2**53 else float(d))
    return v, canonical(v).encode() == data


def day(text):
    """Return the day in Universal Time of a moment by RFC 3339."""
    return str(datetime.fromisoformat(MOMENT.fullmatch(text)[0].upper()).astimezone(UTC).date())


def unsafe(path):
    """Tell whether a path leads elsewhere, or is no name on every system."""
    return UNSAFE.search(path) or any(category(c) in {"Cc", "Cs"} and c not in "\r\n" for c in path)


def one_name(paths):
    """Tell whether some system takes two of the paths for one."""
    return len({normalize("NFC", normalize("NFD", path).casefold()) for path in paths}) < len(paths)


def prefixed(*parts):
    """Join parts, each after its length in eight bytes."""
    return b"".join(len(part).to_bytes(8, "big") + part for part in parts)


def check_signature(key, kind, data, text):
    """Raise an error unless the signature is this key's, written the one way."""
    raw, height = base64.b64decode(text), int.from_bytes(key.public_bytes_raw(), "little") % 2**255
    if height in SMALL_ORDER or base64.b64encode(raw) + b"\n" != text:
        raise ValueError("a key under which any signature fits, or not 88 characters of base64")
    key.verify(raw, prefixed(kind, data))


class Bag:
    """A bag while it is checked."""

    def __init__(self, root, known_key=None):
        self.root, self.known_key, self.defects, self.files = root, known_key, [], {}
        self.head, self.lines, self.entries, self.labels, self.shop = "0" * 64, 0, [], [], {}
        self.walk()
        self.signer, self.digests, self.tags = None, {}, self.manifest(TAGS)
        self.listed = self.manifest(MANIFEST) | self.tags
        steps = {self.complete: 1, self.compare: 2, self.log: 3, self.names: 3}
        steps |= {self.signature: 4, self.keys: 4, self.statement: 4, self.sounds: 5}
        for check, step in steps.items():
            self._try(step, check)

    def _add(self, step, kind, path, detail=""):
        detail = detail.encode("ascii", "backslashreplace").decode()[:300]
        self.defects += [{"step": step, "kind": kind, "path": ascii(path)[1:-1], "detail": detail}]

    def _try(self, step, check, *given):
        try:
            check(*given)
        except (*BROKEN, InvalidSignature, UnsupportedAlgorithm) as e:
            self._add(step, f"{check.__name__.strip('_')}-malformed", "", repr(e))

    def _read(self, path, limit=1 << 20, use=lambda f: f.read()):
        """Use a plain file: no link, no pipe, no more than `limit` bytes; else give nothing."""
        with suppress(OSError, ValueError):
            fd = os.open(self.root / path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            with os.fdopen(fd, "rb") as f:
                if stat.S_ISREG(os.fstat(fd).st_mode) and os.fstat(fd).st_size <= limit:
                    return use(f)
        return b""

    def walk(self):
        """(1) List what lies in the bag, without following a link."""
        for folder, folders, files in os.walk(self.root):
            for place in (Path(folder, name) for name in folders + files):
                path, info = place.relative_to(self.root).as_posix(), place.lstat()
                text = not any("\ud800" <= c <= "\udfff" for c in path)
                if text and stat.S_ISREG(info.st_mode):
                    self.files[path] = info.st_size
                elif not (text and stat.S_ISDIR(info.st_mode)):
                    self._add(1, "special-file", path, "a link, no file, or its name is no text")

    def manifest(self, name):
        """(1) Read a manifest, which must be written the one plain way."""
        text, listed = self._read(name, 16 << 20).decode("utf-8", "surrogateescape"), {}
        for line in text.split("\n")[:-1]:
            path = re.sub("%(0[Aa]|0[Dd]|25)", lambda m: chr(int(m[1], 16)), line[66:])
            plain = re.fullmatch("[0-9a-f]{64}  ", line[:66]) and path not in listed
            if plain and not unsafe(path) and path.startswith("data/") == (name == MANIFEST):
                listed[path] = line[:64]
        codes = str.maketrans({"%": "%25", "\r": "%0D", "\n": "%0A"})
        plain = "".join(f"{listed[path]}  {path.translate(codes)}\n" for path in sorted(listed))
        if not listed or plain != text or one_name(listed):
            self._add(1, "manifest-rewritten", name, "not one safe, sorted line a file")
        return listed

    def complete(self):
        """(1) Hold what is listed to what is there, and the labels to their form."""
        for kind, paths in {
            "required-file-missing": {LOG, "data/report.html", "data/CHECKING.txt", *BESIDE}
            - self.listed.keys(),
            "bad-declaration": ["bagit.txt"] * (self._read("bagit.txt").splitlines() != DECLARED),
            "equal-names": ["of the files"] * one_name(self.files),
            "file-missing": self.listed.keys() - self.files.keys(),
            "file-extra": self.files.keys() - self.listed.keys() - {TAGS},
            "tag-file-unknown": {p for p in self.tags.keys() - BESIDE if not OPTIONAL.fullmatch(p)},
        }.items():
            for path in sorted(paths):
                self._add(1, kind, path)
        info = self._read(INFO).decode("utf-8", "replace").splitlines()
        self.labels = [line.partition(": ")[::2] for line in info]
        sizes = [size for path, size in self.files.items() if path.startswith("data/")]
        oxum = [value for label, value in self.labels if label == "Payload-Oxum"]
        if oxum != [f"{sum(sizes)}.{len(sizes)}"] or not all(value for _, value in self.labels):
            self._add(1, "oxum-differs", INFO, f"stated {oxum}, or a line is no label")

    def compare(self):
        """(2) Hold every listed file to its digest."""
        for path in sorted(self.files):
            self.digests[path] = self._read(path, LARGEST, sha256)
            if path in self.listed and self.digests[path] != self.listed[path]:
                self._add(2, "digest-differs", path, f"listed is {self.listed[path]}")

    def log(self):
        """(3) Hold every line of the log to the one before it."""
        if not (lines := self._read(LOG, 256 << 20).split(b"\n")[:-1]):
            self._add(3, "record-empty", LOG)
        for self.lines, line in enumerate(lines, start=1):
            self._try(3, self._line, line)
            self.head = sha256(b"earwitness.entry/1\0" + line)

    def _line(self, line):
        entry, plain = parsed(line) if len(line) < LONGEST_LINE else ({}, False)
        opening = [entry["kind"], entry["body"].get("schema")]
        for fault, holds in {
            "line-damaged": len(entry) == 5 and re.fullmatch("[a-z][a-z_-]{0,39}", entry["kind"]),
            "line-rewritten": plain and day(entry["time"]),
            "number-wrong": type(entry["seq"]) is int and entry["seq"] == self.lines,
            "link-broken": entry["prev"] == self.head,
            "record-version": self.lines > 1 or opening == ["opened", "earwitness.record/1"],
        }.items():
            if not holds:
                self._add(3, fault, LOG, f"line {self.lines}")
        self.entries.append(entry)

    def names(self):
        """(3) Hold what is told of people and engine to the digests in the first entry."""
        stated = self.entries[0]["body"].get("identity", {}) if self.entries else {}
        data, given, shop = self._read(NAMES), {}, {}
        said = {"schema": "earwitness.identity/1", "fields": given}
        for name, one in (parsed(data)[0]["fields"] if NAMES in self.files else {}).items():
            salt, value = base64.b64decode(one["salt"]), normalize("NFC", one["value"])
            if len(salt) == 32 and value.strip():
                given[name] = {"salt": base64.b64encode(salt).decode(), "value": value}
            digest = sha256(prefixed(said["schema"].encode(), salt, name.encode(), value.encode()))
            if digest != stated.get(name):
                self._add(3, "identity-differs", NAMES, name)
            elif name == "shop":
                shop = {"Source-Organization": " ".join(value.split())}
        ok = all(re.fullmatch("[a-z][a-z_]{0,39}:[0-9a-f]{64}", f"{x}:{stated[x]}") for x in stated)
        if not ok or (NAMES in self.files and (not given or canonical(said).encode() != data)):
            shop = self._add(3, "identity-malformed", NAMES) or {}
        self.shop = shop

    def signature(self):
        """(4) Hold the signature to the key enclosed."""
        key = load_pem_public_key(self._read(KEY))
        self.signer = sha256(key.public_bytes_raw())
        check_signature(key, b"earwitness.claim/1", self._read(STATEMENT), self._read(SIGNATURE))

    def keys(self):
        """(4) Follow the exchanges of keys from the known key to the one enclosed."""
        keys = [self.signer]
        for path in sorted(
            filter(re.compile("claim/rotation-.*json").match, self.files), reverse=True
        ):
            data, text = self._read(path), self._read(path[:-5] + ".sig")
            said, raw = parsed(data)[0], bytes.fromhex(json.loads(data)["public_key"])
            earlier = Ed25519PublicKey.from_public_bytes(raw)
            check_signature(earlier, b"earwitness.rotation/1", data, text)
            if said["next_key"] != keys[-1] or said["key"] != sha256(raw):
                raise ValueError(f"{path} leads to another key")
            keys.append(said["key"])
        if self.known_key not in {None, *keys}:
            self._add(4, "foreign-key", KEY, f"the key enclosed is {self.signer}")

    def statement(self):
        """(4) Hold every field of the statement, and what is not signed, to what is there."""
        said, plain = parsed(data := self._read(STATEMENT))
        there = {"schema": "earwitness.claim/1", "chain_head": self.head, "entries": self.lines}
        there |= {"manifest_sha256": sha256(self._read(MANIFEST, 16 << 20)), "key": self.signer}
        if not plain or said != there | {x: said[x] for x in ("packed_at", "program")}:
            self._add(4, "statement-differs", STATEMENT, f"stated {said}, is {there}")
        expected = {"Bag-Software-Agent": said["program"], "Bagging-Date": day(said["packed_at"])}
        expected |= {"External-Identifier": said["chain_head"]} | self.shop
        labels = sorted(x for x in self.labels if x[0] != "Payload-Oxum" and x[1])
        if labels != sorted(expected.items()):
            self._add(4, "label-differs", INFO)
        digests = (hashlib.new(name, data).digest() for name in ("sha256", "sha384", "sha512"))
        if TOKEN in self.files and not any(digest in self._read(TOKEN) for digest in digests):
            self._add(4, "timestamp-other", TOKEN)

    def sounds(self):
        """(5) Hold every sound file to its entry."""
        entered = set()
        for body in (entry["body"] for entry in self.entries if entry["kind"] == "audio"):
            name, path = str(body.get("path")), f"data/record/{body.get('path')}"
            plain = re.fullmatch("audio/[A-Za-z0-9][A-Za-z0-9._-]*", name)
            stated = (body.get("bytes"), body.get("sha256"))
            there = (self.files.get(path), self.digests.get(path))
            if not plain or name in entered or stated != there:
                self._add(5, "audio-differs", path, f"stated {stated}, is {there}, or named twice")
            entered.add(name)
        said = [e["body"].get("audio") for e in self.entries if e["kind"] in {"take", "utterance"}]
        named = {str(x) for names in said for x in (names if isinstance(names, list) else [names])}
        for name in sorted(named - entered) if entered else ["no sound at all"]:
            self._add(5, "audio-not-entered", name)


def main(bag="", option="--key", key=None, *more):
    """Check the bag named on the command line."""
    if not Path(bag).is_dir() or bag == "" or option != "--key" or more:
        sys.stderr.write(__doc__)
        return 2
    defects = sorted(Bag(Path(bag), key).defects, key=lambda defect: defect["step"])
    found = {"schema": "earwitness.verify/1", "sound": not defects, "scope": __doc__}
    sys.stdout.write(json.dumps(found | {"defects": defects}, indent=1) + "\n")
    return 1 if defects else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
