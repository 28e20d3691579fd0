"""The tag files of a bag, read as the hostile input they may be, and written the plain way.

RFC 8493, The BagIt File Packaging Format (V1.0), sections 2.1, 2.2 and 6. Nothing here raises for
what a bag holds: what is wrong comes back as faults, all of them, beside what could be read.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.record.claim.layout import PAYLOAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

TAG_FILE_BYTES = 16 << 20
"""Longest tag file that is read [bytes]. Chosen: a hundred thousand names of usual length."""

FAULT_MEANINGS: Mapping[str, str] = {
    "bad-declaration": "bagit.txt does not declare BagIt 1.0 in UTF-8",
    "bad-digest": "a manifest line has no SHA-256 of 64 hexadecimal digits",
    "bad-label": "a line of bag-info.txt is not of the form Label: value",
    "byte-order-mark": "a tag file begins with a byte order mark, so another program rewrote it",
    "duplicate-path": "a manifest names one file twice",
    "empty-manifest": "a manifest names no file, and so proves nothing",
    "equal-names": "two names differ only in case or in how Unicode spells them",
    "malformed-line": "a manifest line is not a digest, space and a path",
    "not-utf-8": "a tag file or a file name is not UTF-8 text",
    "special-file": "a thing in the bag is neither a plain file nor a folder",
    "symbolic-link": "a thing in the bag is a link to somewhere else",
    "tag-file-missing": "a tag file is not there",
    "unreadable": "a file or folder cannot be read",
    "unsafe-path": "a manifest names a path that leads out of the bag or that some system refuses",
    "wrong-folder": "a payload manifest names a file outside data, or a tag manifest one inside",
}
"""What each kind of fault means."""

_LINE_BREAK = re.compile(r"\r\n|\r|\n")
_LINE = re.compile(r"([^ \t]+)[ \t]+([^ \t].*)", re.DOTALL)
_DIGEST = re.compile(r"[0-9a-fA-F]{64}", re.ASCII)
_ESCAPE = re.compile(r"%(0[aA]|0[dD]|25)")
_LABEL = re.compile(r"([^\s:][^:]*?)[ \t]*:[ \t]*(.*)", re.DOTALL)
_OXUM = re.compile(r"(\d{1,18})\.(\d{1,12})", re.ASCII)
_DECLARED = ("BagIt-Version: 1.0", "Tag-File-Character-Encoding: UTF-8")
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE | re.ASCII)
"""Names that Windows keeps for devices, with any ending. From memory, not read again."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a tag file or a name."""

    kind: str
    """A key of `FAULT_MEANINGS`."""
    path: str | None
    """The file it is about, relative to the bag; None for the whole."""
    detail: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a manifest lists."""

    entries: Mapping[str, str]
    """Path, relative to the bag, to SHA-256 in lower case; only names that are safe to open."""
    faults: tuple[Fault, ...]
    sha256: str | None
    """Digest of the manifest's own bytes; None if it could not be read."""


@dataclass(frozen=True, slots=True)
class BagInfo:
    """What bag-info.txt says about the bag."""

    fields: tuple[tuple[str, str], ...]
    """Label and value in their order; labels may repeat."""
    faults: tuple[Fault, ...]

    def value(self, label: str) -> str | None:
        """Return the first value of a label, whose case does not matter, or None."""
        said = (value for name, value in self.fields if name.lower() == label.lower())
        return next(said, None)

    @property
    def payload_oxum(self) -> tuple[int, int] | None:
        """Bytes and files of the payload; None if not said, or not as OctetCount.StreamCount."""
        match = _OXUM.fullmatch(self.value("Payload-Oxum") or "")
        return (int(match[1]), int(match[2])) if match else None


@dataclass(frozen=True, slots=True)
class Listing:
    """What lies in a bag."""

    files: Mapping[str, int]
    """Path, relative to the bag, to size [bytes], of every plain file; sorted."""
    faults: tuple[Fault, ...]


def read_manifest(path: Path) -> Manifest:
    """Read a payload or tag manifest, whichever its name says it is.

    Parameters
    ----------
    path : Path
        `manifest-sha256.txt` or `tagmanifest-sha256.txt` of a bag.
    """
    text, faults, digest = _read_text(path)
    if text is None:
        return Manifest({}, faults, digest)
    entries, found = _parsed_lines(path.name, text)
    if not entries:
        empty = Fault("empty-manifest", path.name, f"{path.name} names no file that can be checked")
        found.append(empty)
    return Manifest(entries, (*faults, *found, *name_faults(entries)), digest)


def read_declaration(path: Path) -> tuple[Fault, ...]:
    """Check bagit.txt, which must be these two lines and nothing else."""
    text, faults, _ = _read_text(path)
    if text is None or tuple(_lines(text)) == _DECLARED:
        return faults
    wrong = f"{path.name} is not the two lines {_DECLARED[0]!r} and {_DECLARED[1]!r}"
    return (*faults, Fault("bad-declaration", path.name, wrong))


def read_bag_info(path: Path) -> BagInfo:
    """Read bag-info.txt; a line that begins with a space or tab goes on with the value above it."""
    text, faults, _ = _read_text(path)
    fields: list[tuple[str, str]] = []
    found: list[Fault] = []
    for number, line in enumerate(_lines(text or ""), start=1):
        match = _LABEL.fullmatch(line)
        if match:
            fields.append((match[1], match[2].strip()))
        elif fields and line[:1] in (" ", "\t"):
            fields[-1] = (fields[-1][0], f"{fields[-1][1]} {line.strip()}")
        else:
            detail = f"line {number} of {path.name} is not Label: value"
            found.append(Fault("bad-label", path.name, detail))
    return BagInfo(tuple(fields), (*faults, *found))


def list_files(bag: Path) -> Listing:
    """List every plain file below a folder; links are reported and never followed."""
    files: dict[str, int] = {}
    faults: list[Fault] = []
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        try:
            found = sorted(os.scandir(bag / folder), key=lambda e: os.fsencode(e.name))
        except OSError as e:
            faults.append(_unreadable(folder or ".", e))
            continue
        for item in found:
            _sort_in(item, f"{folder}{item.name}", files, faults, waiting)
    return Listing(dict(sorted(files.items())), (*faults, *name_faults(files)))


def file_digest(path: Path) -> tuple[str, int]:
    """Return SHA-256 and size [bytes] of a plain file.

    Raises
    ------
    OSError
        If it is missing, unreadable, a link, or no plain file.
    """
    digest, size = hashlib.sha256(), 0
    for chunk in _chunks(path):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def path_fault(path: str) -> str | None:
    """Say why a relative path is not safe in a bag on every common system, or None.

    Examples
    --------
    >>> path_fault("data/record/audio/0001-c3-tailpipe.wav")
    >>> path_fault("data/../../etc/passwd")
    'has a part ".."'
    """
    if path.startswith(("/", "~")):
        return "begins at a root or a home folder"
    for part in path.split("/"):
        if part in {"", ".", ".."}:
            return f'has a part "{part}"'
        if reason := _part_fault(part):
            return reason
    return None


def name_faults(paths: Iterable[str]) -> tuple[Fault, ...]:
    """Return a fault for each path that a system may take for another one of them.

    References
    ----------
    RFC 8493, section 6.1.2 (from memory): case and Unicode normalisation differ between systems.
    """
    first: dict[str, str] = {}
    faults = []
    for path in paths:
        other = first.setdefault(_spelling(path), path)
        if other != path:
            detail = f"some systems take {path!a} and {other!a} for one name"
            faults.append(Fault("equal-names", path, detail))
    return tuple(faults)


def manifest_text(digests: Mapping[str, str]) -> bytes:
    """Write a manifest, one line a file, sorted by path.

    CR, LF and the percent sign in a name are percent-encoded (RFC 8493, section 2.1.3).
    """
    lines = (f"{digests[path]}  {_escaped(path)}\n" for path in sorted(digests))
    return "".join(lines).encode("utf-8")


def declaration_text() -> bytes:
    """Write bagit.txt."""
    return "".join(f"{line}\n" for line in _DECLARED).encode("utf-8")


def bag_info_text(fields: Iterable[tuple[str, str]]) -> bytes:
    """Write bag-info.txt; a value is put on one line, as its label needs it."""
    lines = (f"{label}: {' '.join(value.split())}\n" for label, value in fields)
    return "".join(lines).encode("utf-8")


def _read_text(path: Path) -> tuple[str | None, tuple[Fault, ...], str | None]:
    """Return the text of a tag file, what is wrong with it, and the digest of its bytes."""
    try:
        data = b"".join(_chunks(path, TAG_FILE_BYTES))
    except FileNotFoundError:
        return None, (Fault("tag-file-missing", path.name, f"{path.name} is not there"),), None
    except (OSError, ValueError) as e:
        return None, (_unreadable(path.name, e),), None
    digest = hashlib.sha256(data).hexdigest()
    faults = []
    if data.startswith(b"\xef\xbb\xbf"):
        mark = f"{path.name} begins with a byte order mark"
        faults.append(Fault("byte-order-mark", path.name, mark))
        data = data[3:]
    try:
        return data.decode("utf-8"), tuple(faults), digest
    except UnicodeDecodeError as e:
        wrong = Fault("not-utf-8", path.name, f"{path.name} is not UTF-8 text from byte {e.start}")
        return None, (*faults, wrong), digest


def _chunks(path: Path, limit: int | None = None) -> Iterator[bytes]:
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as f:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise OSError(None, "not a plain file")
        size = 0
        while chunk := f.read(1 << 20):
            size += len(chunk)
            if limit is not None and size > limit:
                raise OSError(None, f"longer than {limit} bytes")
            yield chunk


def _parsed_lines(name: str, text: str) -> tuple[dict[str, str], list[Fault]]:
    entries: dict[str, str] = {}
    faults: list[Fault] = []
    for number, line in enumerate(_lines(text), start=1):
        found = _parsed_line(line, name)
        if isinstance(found, Fault):
            where = f"line {number} of {name}: {found.detail}"
            faults.append(Fault(found.kind, found.path, where))
        elif found[0] in entries:
            twice = f"line {number} of {name}: {found[0]!a} was named before"
            faults.append(Fault("duplicate-path", found[0], twice))
        else:
            entries[found[0]] = found[1]
    return entries, faults


def _parsed_line(line: str, manifest: str) -> tuple[str, str] | Fault:
    match = _LINE.fullmatch(line)
    if match is None:
        return Fault("malformed-line", manifest, "not a digest, space and a path")
    digest, written = match[1], match[2]
    path = _ESCAPE.sub(lambda m: chr(int(m[1], 16)), written)
    if "%" in _ESCAPE.sub("", written):
        return Fault("malformed-line", manifest, "a percent sign that is not written %25")
    if not _DIGEST.fullmatch(digest):
        return Fault("bad-digest", path, f"the digest of {path!a} is not 64 hex digits")
    if reason := path_fault(path):
        return Fault("unsafe-path", path, f"{path!a} {reason}")
    if path.startswith(f"{PAYLOAD}/") == manifest.startswith("tag"):
        return Fault("wrong-folder", path, f"{path!a} does not belong in this manifest")
    return path, digest.lower()


def _lines(text: str) -> list[str]:
    lines = _LINE_BREAK.split(text)
    return lines[:-1] if lines[-1] == "" else lines


def _sort_in(
    item: os.DirEntry[str],
    path: str,
    files: dict[str, int],
    faults: list[Fault],
    waiting: list[str],
) -> None:
    shown = os.fsencode(path).decode("utf-8", "backslashreplace")
    try:
        if item.is_symlink():
            faults.append(Fault("symbolic-link", shown, f"{shown} is a link to somewhere else"))
        elif item.is_dir(follow_symlinks=False):
            waiting.append(f"{path}/")
        elif not item.is_file(follow_symlinks=False):
            faults.append(Fault("special-file", shown, f"{shown} is neither file nor folder"))
        elif not _is_text(path):
            faults.append(Fault("not-utf-8", shown, f"the name {shown} is not UTF-8 text"))
        else:
            files[path] = item.stat(follow_symlinks=False).st_size
    except OSError as e:
        faults.append(_unreadable(shown, e))


def _part_fault(part: str) -> str | None:
    if "\\" in part or ":" in part:
        return "has a backslash or a colon"
    if any(unicodedata.category(c) in {"Cc", "Cs"} and c not in "\r\n" for c in part):
        return "has a control character"
    if part.endswith((" ", ".")):
        return "has a part that ends in a space or a full stop"
    return "has a part that names a device" if _DEVICE.fullmatch(part) else None


def _spelling(path: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", path).casefold())


def _escaped(path: str) -> str:
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _unreadable(path: str, e: Exception) -> Fault:
    shown = os.fsencode(path).decode("utf-8", "backslashreplace")
    if isinstance(e, OSError) and e.errno == errno.ELOOP:
        return Fault("symbolic-link", shown, f"{shown} is a link to somewhere else")
    why = (e.strerror if isinstance(e, OSError) else None) or str(e)
    return Fault("unreadable", shown, f"{shown} cannot be read: {why.lower()}")
