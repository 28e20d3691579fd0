"""Steps 1 and 2: whether everything is there that a bag lists, and nothing else, unchanged."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.layout import (
    BAG_INFO,
    CHECKING,
    CLAIM,
    DECLARATION,
    MANIFEST,
    PAYLOAD,
    PUBLIC_KEY,
    RECORD,
    REPORT,
    SIGNATURE,
    STATEMENT,
    TAG_MANIFEST,
)
from earwitness.record.claim.manifest import (
    BagInfo,
    Fault,
    Manifest,
    file_digest,
    list_files,
    manifest_text,
    read_bag_info,
    read_declaration,
    read_manifest,
)
from earwitness.record.reader import LOG

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

LARGEST_FILE_BYTES = (1 << 32) + 8
"""Largest file that is read [bytes]. A RIFF file states its length in 32 bits, after 8 bytes, so no
recording is longer; and whatever a hostile bag holds, the time it takes has an end."""
LOG_PATH = f"{RECORD}/{LOG}"
REQUIRED = {
    MANIFEST: (LOG_PATH, REPORT, CHECKING),
    TAG_MANIFEST: (DECLARATION, BAG_INFO, MANIFEST, STATEMENT, SIGNATURE, PUBLIC_KEY),
}
"""What each manifest must list at least."""
OPTIONAL_TAGS = re.compile(rf"{CLAIM}/(timestamp\.tsr|rotation-[0-9a-f]+\.(json|sig))")
"""What a tag manifest may list besides."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a bag lists and what lies in it."""

    bag: Path
    files: Mapping[str, int]
    """Path to size [bytes] of every plain file that lies there."""
    payload: Manifest
    tags: Manifest
    info: BagInfo
    faults: tuple[Fault, ...]
    """What reading them found."""

    @property
    def listed(self) -> dict[str, str]:
        """Path to stated digest, of both manifests."""
        return {**self.tags.entries, **self.payload.entries}

    @property
    def payload_files(self) -> dict[str, int]:
        """Path to size [bytes] of what lies in the payload folder."""
        return {p: size for p, size in self.files.items() if p.startswith(f"{PAYLOAD}/")}


def look_into(bag: Path) -> Contents:
    """List a bag and read its tag files, whatever they hold."""
    listing = list_files(bag)
    payload, tags = read_manifest(bag / MANIFEST), read_manifest(bag / TAG_MANIFEST)
    info = read_bag_info(bag / BAG_INFO)
    faults = (
        *read_declaration(bag / DECLARATION),
        *info.faults,
        *payload.faults,
        *tags.faults,
        *listing.faults,
    )
    return Contents(bag, listing.files, payload, tags, info, faults)


def read_small(bag: Path, path: str, limit: int) -> bytes:
    """Read a small plain file of a bag.

    Raises
    ------
    OSError
        If it is missing, unreadable, a link, no plain file, or longer than `limit` [bytes].
    """
    fd = os.open(bag / path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as f:
        there = os.fstat(fd)
        if not stat.S_ISREG(there.st_mode):
            raise OSError(None, "it is no plain file")
        if there.st_size > limit:
            raise OSError(None, f"it is longer than {limit} bytes")
        return f.read(there.st_size)


def incomplete(contents: Contents) -> Iterator[Defect]:
    """Step 1: yield what is missing, too much, or not as the bag's own lists say."""
    for fault in contents.faults:
        yield defect(fault.kind, fault.path, fault.detail)
    for name, manifest in ((MANIFEST, contents.payload), (TAG_MANIFEST, contents.tags)):
        yield from _rewritten(name, manifest)
        for path in REQUIRED[name]:
            if path not in manifest.entries:
                yield defect("required-file-missing", path, f"{name} does not list {path}")
    yield from _unmatched(contents)
    yield from _other_oxum(contents)


def changed(contents: Contents) -> tuple[dict[str, str], list[Defect]]:
    """Step 2: take the digest of every listed file and compare it with the one stated.

    Returns
    -------
    digests : dict
        Path to SHA-256 of every file that could be read.
    defects : list of Defect
    """
    digests: dict[str, str] = {}
    defects: list[Defect] = []
    for path, stated in sorted(contents.listed.items()):
        if path not in contents.files:
            continue
        try:
            digests[path] = _digest(contents, path)
        except OSError as e:
            detail = f"{path} cannot be read: {e.strerror or e}"
            defects.append(defect("file-unread", path, detail))
        except ValueError as e:
            defects.append(defect("file-too-large", path, str(e)))
        else:
            if digests[path] != stated:
                detail = f"{path} has the digest {digests[path]}, listed is {stated}"
                defects.append(defect("digest-differs", path, detail))
    return digests, defects


def _digest(contents: Contents, path: str) -> str:
    if contents.files[path] > LARGEST_FILE_BYTES:
        raise ValueError(f"{path} has {contents.files[path]} bytes, more than any recording")
    return file_digest(contents.bag / path)[0]


def _rewritten(name: str, manifest: Manifest) -> Iterator[Defect]:
    """Compare a manifest with the one way to write it, unless a fault has already told."""
    if manifest.sha256 is None or manifest.faults:
        return
    plain = hashlib.sha256(manifest_text(manifest.entries)).hexdigest()
    if plain != manifest.sha256:
        detail = f"{name} is not sorted lines of a digest in lower case, two spaces and a path"
        yield defect("manifest-rewritten", name, detail)


def _unmatched(contents: Contents) -> Iterator[Defect]:
    """Hold what is listed to what is there, both ways."""
    for path in sorted(contents.listed.keys() - contents.files.keys()):
        yield defect("file-missing", path, f"{path} is listed but is not there as a plain file")
    for path in sorted(contents.files.keys() - contents.listed.keys() - {TAG_MANIFEST}):
        yield defect("file-extra", path, f"{path} lies in the bag but no manifest lists it")
    for path in sorted(contents.tags.entries.keys() - set(REQUIRED[TAG_MANIFEST])):
        if not OPTIONAL_TAGS.fullmatch(path):
            yield defect("tag-file-unknown", path, f"{path} is no file of a claim bag")


def _other_oxum(contents: Contents) -> Iterator[Defect]:
    labels = Counter(label.lower() for label, _ in contents.info.fields)
    stated = contents.info.payload_oxum
    if stated is None or labels["payload-oxum"] != 1:
        yield defect("oxum-missing", BAG_INFO, f"{BAG_INFO} does not state one Payload-Oxum")
        return
    there = (sum(contents.payload_files.values()), len(contents.payload_files))
    if stated != there:
        detail = (
            f"the payload has {there[0]} bytes in {there[1]} files, "
            f"stated are {stated[0]} bytes in {stated[1]} files"
        )
        yield defect("oxum-differs", BAG_INFO, detail)
