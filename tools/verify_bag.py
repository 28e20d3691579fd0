#!/usr/bin/env python3
"""Check a claim bag without earwitness: Python's standard library and `cryptography` only.

Run as `python verify_bag.py BAG [--key HEX]`; HEX is the SHA-256 of the shop's raw public key, from
a source other than the bag. Prints one JSON object; exit code 0 no defect, 1 defects, 2 wrong use.
These must hold, by their numbers:

1. The bag is complete (RFC 8493): every listed file, no other, no link, no name leading elsewhere.
2. Every file has the digest that the manifests state (SHA-256, FIPS 180-4).
3. The entries of the record follow from one another, in canonical JSON (RFC 8785).
4. The statement is signed (Ed25519, RFC 8032) and states this manifest, chain head and count.
5. Every sound file that the record names is there, with the size and digest stated in its entry.
Not checked: whether the sound can be played; findings, verdict and report.
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
LOG, STATEMENT = "data/record/record.jsonl", "claim/statement.json"
SIGNATURE, KEY, TOKEN = "claim/statement.sig", "claim/public-key.pem", "claim/timestamp.tsr"
PAYLOAD = {LOG, "data/report.html", "data/CHECKING.txt"}
BESIDE = {"bagit.txt", INFO, MANIFEST, STATEMENT, SIGNATURE, KEY}
OPTIONAL = re.compile(r"claim/(timestamp\.tsr|rotation-[0-9a-f]+\.(json|sig))")
MOMENT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE | re.ASCII)
BROKEN = (ValueError, LookupError, TypeError, AttributeError, RecursionError, InvalidSignature)


def opened(path, limit):
    """Open a plain file: no link, no pipe, no more than `limit` bytes."""
    f = os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK), "rb")
    info = os.fstat(f.fileno())
    if not stat.S_ISREG(info.st_mode) or info.st_size > limit:
        f.close()
        raise OSError("no plain file, or too large")
    return f


def sha256(data):
    """Return a digest as it is written everywhere in a bag."""
    return hashlib.sha256(data).hexdigest()


def canonical(value, level=1):
    """Write JSON as RFC 8785 does."""
    if level > NESTING and isinstance(value, dict | list):
        raise ValueError("nested too deeply")
    if isinstance(value, dict):
        keys = sorted(value, key=lambda k: k.encode("utf-16-be"))
        return (
            "{" + ",".join(f"{canonical(k)}:{canonical(value[k], level + 1)}" for k in keys) + "}"
        )
    if isinstance(value, list):
        return "[" + ",".join(canonical(v, level + 1) for v in value) + "]"
    return number(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)


def number(x):
    """Write a double as ECMAScript does (RFC 8785, section 3.2.2.3)."""
    sign, digits, exponent = decimal.Decimal(repr(x)).as_tuple()
    text = "".join(map(str, digits)).lstrip("0")
    n = len(text) + exponent  # the point stands after n digits; of infinity this is a TypeError
    text, minus = text.rstrip("0"), "-" if sign else ""
    if not text:
        return "0"
    if len(text) <= n <= 21:
        return minus + text + "0" * (n - len(text))
    if -6 < n <= 21:
        return f"{minus}{text[:n]}.{text[n:]}" if n > 0 else f"{minus}0.{'0' * -n}{text}"
    return f"{minus}{text[0]}{'.' * (len(text) > 1)}{text[1:]}e{n - 1:+d}"


def parsed(data):
    """Read a JSON object, and tell whether it is written the canonical way."""
    v = json.loads(data.decode(), parse_int=lambda d: int(d) if abs(int(d)) < 2**53 else float(d))
    return v, canonical(v).encode() == data


def day(text):
    """Return the day in Universal Time of a moment by RFC 3339."""
    moment = datetime.fromisoformat(MOMENT.fullmatch(text)[0].upper())
    return moment.astimezone(UTC).date().isoformat()


def unsafe(path):
    """Tell whether a path leads elsewhere, or is no name on every system."""
    odd = any(category(c) in {"Cc", "Cs"} and c not in "\r\n" for c in path)
    names = path.split("/")
    last = {name[-1:] for name in names} & {"", " ", "."}
    return odd or last or re.search(r"^~|[\\:]", path) or any(map(DEVICE.fullmatch, names))


def one_name(paths):
    """Tell whether some system takes two of the paths for one."""
    return len({normalize("NFC", normalize("NFD", path).casefold()) for path in paths}) < len(paths)


def check_signature(key, kind, data, text):
    """Raise one of `BROKEN` unless the signature is this key's, written the one way."""
    if base64.b64encode(raw := base64.b64decode(text)) + b"\n" != text:
        raise ValueError("not 88 characters of base64")
    key.verify(raw, b"".join(len(part).to_bytes(8, "big") + part for part in (kind, data)))


class Bag:
    """A bag while it is checked."""

    def __init__(self, root, known_key=None):
        self.root, self.known_key, self.defects, self.files = root, known_key, [], {}
        self.head, self.lines, self.entries, self.labels = "0" * 64, 0, [], []
        self.walk()
        self.tags, self.digests = self.manifest(TAGS), {}
        self.listed = self.manifest(MANIFEST) | self.tags
        for step in (self.complete, self.compare, self.log, self.claim, self.sounds):
            step()

    def _add(self, step, kind, path, detail=""):
        detail = detail.encode("ascii", "backslashreplace").decode()[:300]
        self.defects += [{"step": step, "kind": kind, "path": ascii(path)[1:-1], "detail": detail}]

    def _read(self, path, limit=1 << 20):
        with suppress(OSError, ValueError), opened(self.root / path, limit) as f:
            return f.read()
        return b""

    def walk(self):
        """(1) List what lies in the bag, without following a link."""
        for folder, folders, files in os.walk(self.root):
            for place in (Path(folder, name) for name in folders + files):
                path, info = place.relative_to(self.root).as_posix(), place.lstat()
                if any("\ud800" <= c <= "\udfff" for c in path):
                    self._add(1, "not-utf-8", path)
                elif stat.S_ISREG(info.st_mode):
                    self.files[path] = info.st_size
                elif not stat.S_ISDIR(info.st_mode):
                    self._add(1, "special-file", path, "a link, or neither file nor folder")

    def manifest(self, name):
        """(1) Read a manifest, which must be written the one plain way."""
        text, listed = self._read(name, 16 << 20).decode("utf-8", "surrogateescape"), {}
        for line in text.split("\n")[:-1]:
            path = re.sub("%(0[Aa]|0[Dd]|25)", lambda m: chr(int(m[1], 16)), line[66:])
            plain = re.fullmatch("[0-9a-f]{64}  ", line[:66]) and path not in listed
            if not plain or unsafe(path) or path.startswith("data/") != (name == MANIFEST):
                self._add(1, "malformed-line", name, line)
            else:
                listed[path] = line[:64]
        codes = str.maketrans({"%": "%25", "\r": "%0D", "\n": "%0A"})
        plain = "".join(f"{listed[path]}  {path.translate(codes)}\n" for path in sorted(listed))
        if not listed or plain != text or one_name(listed):
            self._add(1, "manifest-rewritten", name, "not there, or not one sorted line a file")
        return listed

    def complete(self):
        """(1) Hold what is listed to what is there, and the labels to their form."""
        for kind, paths in {
            "required-file-missing": (PAYLOAD | BESIDE) - self.listed.keys(),
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
            with suppress(OSError), opened(self.root / path, LARGEST) as f:
                self.digests[path] = hashlib.file_digest(f, "sha256").hexdigest()
            if path in self.listed and self.digests.get(path) != self.listed[path]:
                self._add(2, "digest-differs", path, f"listed is {self.listed[path]}")

    def log(self):
        """(3) Hold every line of the log to the one before it."""
        if not (lines := self._read(LOG, 256 << 20).split(b"\n")[:-1]):
            self._add(3, "record-empty", LOG)
        for self.lines, line in enumerate(lines, start=1):
            try:
                self._line(line)
            except BROKEN as e:
                self._add(3, "line-damaged", LOG, f"line {self.lines}: {e!r}")
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

    def claim(self):
        """(4) Hold signature and statement to the key, and the statement to the bag."""
        data, signer = self._read(STATEMENT), None
        try:
            key = load_pem_public_key(self._read(KEY))
            signer = sha256(key.public_bytes_raw())
            check_signature(key, b"earwitness.claim/1", data, self._read(SIGNATURE))
        except (*BROKEN, UnsupportedAlgorithm) as e:
            self._add(4, "signature-wrong", SIGNATURE, repr(e))
        try:
            if self.known_key not in {None, *self._keys(signer)}:
                self._add(4, "foreign-key", KEY, f"the key enclosed is {signer}")
            self.statement(data, signer)
        except BROKEN as e:
            self._add(4, "statement-malformed", STATEMENT, repr(e))

    def _keys(self, signer):
        keys = [signer]
        paths = (path for path in self.files if re.fullmatch(r"claim/rotation-.*\.json", path))
        for path in sorted(paths, reverse=True):
            data, text = self._read(path), self._read(path[:-5] + ".sig")
            said, raw = parsed(data)[0], bytes.fromhex(json.loads(data)["public_key"])
            earlier = Ed25519PublicKey.from_public_bytes(raw)
            check_signature(earlier, b"earwitness.rotation/1", data, text)
            if said["next_key"] != keys[-1] or said["key"] != sha256(raw):
                raise ValueError(f"{path} leads to another key")
            keys.append(said["key"])
        return keys

    def statement(self, data, signer):
        """(4) Hold every field of the statement, and what is not signed, to what is there."""
        said, plain = parsed(data)
        there = {"schema": "earwitness.claim/1", "chain_head": self.head, "entries": self.lines}
        there |= {"manifest_sha256": sha256(self._read(MANIFEST, 16 << 20)), "key": signer}
        if not plain or said != there | {x: said[x] for x in ("packed_at", "program")}:
            self._add(4, "statement-differs", STATEMENT, f"stated {said}, is {there}")
        people = self.entries[0]["body"].get("people", {}) if self.entries else {}
        shop = " ".join(people.get("shop", "").split())
        expected = [("Bag-Software-Agent", said["program"])]
        expected += [("Bagging-Date", day(said["packed_at"]))]
        expected += [("External-Identifier", said["chain_head"])]
        expected += [("Source-Organization", shop)] * bool(shop)
        if sorted(x for x in self.labels if x[0] != "Payload-Oxum" and x[1]) != expected:
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
