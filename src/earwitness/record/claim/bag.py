"""A claim bag on disk: its layout, and how a record is packed into one."""

from __future__ import annotations

from earwitness.record.claim.manifest import (
    PAYLOAD,
    BagInfo,
    Fault,
    Listing,
    Manifest,
    file_digest,
    list_files,
    read_bag_info,
    read_declaration,
    read_manifest,
)

__all__ = [
    "PAYLOAD",
    "BagInfo",
    "Fault",
    "Listing",
    "Manifest",
    "file_digest",
    "list_files",
    "read_bag_info",
    "read_declaration",
    "read_manifest",
]

DECLARATION = "bagit.txt"
BAG_INFO = "bag-info.txt"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
RECORD = f"{PAYLOAD}/record"
"""The record folder as it was, file by file."""
REPORT = f"{PAYLOAD}/report.html"
CHECKING = f"{PAYLOAD}/CHECKING.txt"
"""How to check a bag by hand, without this program."""
CLAIM = "claim"
"""The folder of the statement and what vouches for it."""
STATEMENT = f"{CLAIM}/statement.json"
SIGNATURE = f"{CLAIM}/statement.sig"
PUBLIC_KEY = f"{CLAIM}/public-key.pem"
TIMESTAMP = f"{CLAIM}/timestamp.tsr"
"""Optional: an RFC 3161 token over the bytes of the statement."""
ROTATION = f"{CLAIM}/rotation-*.json"
"""Optional: statements by which an earlier key names the one after it; signatures in `.sig`."""
