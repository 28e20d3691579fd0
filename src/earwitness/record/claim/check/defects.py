"""What can be wrong with a claim bag: every kind of defect, in one table, with its step."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Literal

from earwitness.record.claim.manifest import FAULT_MEANINGS

if TYPE_CHECKING:
    from collections.abc import Mapping

SCHEMA = "earwitness.verify/1"
Depth = Literal["quick", "default", "recompute"]
DEPTHS: tuple[Depth, ...] = ("quick", "default", "recompute")
"""From the shallowest to the deepest; each finds all that the one before it finds."""
STEPS: Mapping[int, str] = {
    1: "the bag is complete",
    2: "every file has the digest that the manifests state",
    3: "the entries of the record follow from one another, and names disclosed are those recorded",
    4: "the statement is signed and speaks of this very bag",
    5: "every sound file can be read and is the one its entry names",
    6: "the findings recomputed from the sound equal those recorded",
    7: "the verdict recomputed from findings and readings equals the one recorded",
    8: "the report is that of this record",
}
"""What each step makes sure of."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a defect of one kind means."""

    step: int
    depth: Depth
    """The shallowest depth that finds it."""
    meaning: str


@dataclass(frozen=True, slots=True)
class Defect:
    """One thing that is wrong with a bag."""

    step: int
    kind: str
    path: str | None
    """The file, relative to the bag; None for the bag as a whole."""
    detail: str
    """One sentence with what was expected and what was found."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What checking a bag came to."""

    depth: Depth
    sound: bool
    """Whether nothing at all was found wrong, at this depth."""
    defects: tuple[Defect, ...]
    """All of them, in the order of the steps."""
    fingerprint: str | None
    """Of the key that signed, as people compare it; None if the bag holds no readable key."""
    key_is_known: bool
    """Whether the key is the one the caller gave; False if none was given."""
    facts: tuple[str, ...]
    """What was checked, what was not, and what is left to the reader, in plain sentences."""
    identity: Mapping[str, str | None] = field(default_factory=dict)
    """People and engine as recorded; None for what is withheld."""

    @property
    def unconfirmed(self) -> bool:
        """Whether nothing is wrong but that another version must compute it anew."""
        return not self.sound and {d.kind for d in self.defects} <= BY_ANOTHER_VERSION

    def to_json(self) -> dict[str, object]:
        """Return it as the stable JSON object `earwitness.verify/1`."""
        return {
            "schema": SCHEMA,
            "sound": self.sound,
            "defects": [asdict(d) for d in self.defects],
            "depth": self.depth,
            "fingerprint": self.fingerprint,
            "key_is_known": self.key_is_known,
            "facts": list(self.facts),
            "identity": dict(self.identity),
        }


KINDS: Mapping[str, Kind] = {
    # 1. The bag is complete.
    **{kind: Kind(1, "quick", meaning) for kind, meaning in FAULT_MEANINGS.items()},
    "not-a-bag": Kind(1, "quick", "there is no folder of that name, or it holds no bagit.txt"),
    "manifest-rewritten": Kind(
        1, "quick", "a manifest is not sorted, in lower case and two spaces apart, as it was made"
    ),
    "required-file-missing": Kind(
        1, "quick", "the manifests do not list a file that every claim bag has"
    ),
    "file-missing": Kind(1, "quick", "a manifest lists a file that is not there"),
    "file-extra": Kind(1, "quick", "a file lies in the bag that no manifest lists"),
    "tag-file-unknown": Kind(
        1, "quick", "a file beside the payload that no claim bag has, and nothing vouches for"
    ),
    "oxum-missing": Kind(1, "quick", "bag-info.txt does not say how much payload there is"),
    "oxum-differs": Kind(1, "quick", "the payload has other bytes or files than bag-info.txt says"),
    # 2. Digests.
    "digest-differs": Kind(2, "default", "a file was changed after its digest was taken"),
    "file-unread": Kind(2, "default", "a file that a manifest lists cannot be read"),
    "file-too-large": Kind(2, "default", "a file is larger than any recording can be"),
    # 3. The chain.
    "record-missing": Kind(3, "default", "there is no log that can be read"),
    "record-empty": Kind(3, "default", "the log holds no whole entry, and so proves nothing"),
    "record-too-long": Kind(3, "default", "the log or a line of it is longer than any can be"),
    "record-rewritten": Kind(3, "default", "the log begins with a byte order mark"),
    "record-version": Kind(3, "default", "the record is of a version that is not known"),
    "record-not-opened": Kind(3, "default", "the first entry is not the one that opens a record"),
    "line-damaged": Kind(3, "default", "a line is no entry: not JSON, or other fields or values"),
    "line-rewritten": Kind(3, "default", "a line is not the canonical way to write its entry"),
    "number-wrong": Kind(3, "default", "entries are missing, moved or repeated"),
    "link-broken": Kind(3, "default", "an entry does not follow from the line before it"),
    "identity-malformed": Kind(
        3, "default", "the values of people and engine, or their digests, are not of their form"
    ),
    "identity-differs": Kind(3, "default", "a value of people or engine is not what was recorded"),
    "identity-unknown": Kind(
        3, "default", "a value is given of people or engine that was never recorded"
    ),
    # 4. The signature, and what the statement says of the bag.
    "claim-missing": Kind(4, "quick", "the statement, its signature or the key is not there"),
    "claim-unread": Kind(4, "default", "a file of the claim cannot be read, or is far too long"),
    "statement-malformed": Kind(4, "default", "the statement is not canonical JSON of its form"),
    "statement-version": Kind(4, "default", "the statement is of a version that is not known"),
    "key-malformed": Kind(4, "default", "the public key is no Ed25519 key in its usual form"),
    "signature-malformed": Kind(4, "default", "the signature is not 88 characters of base64"),
    "signature-wrong": Kind(4, "default", "the key did not sign this statement"),
    "statement-key": Kind(4, "default", "the statement names another key than the one enclosed"),
    "statement-manifest": Kind(4, "default", "the statement was made for another manifest"),
    "statement-head": Kind(4, "default", "the statement was made for another chain head"),
    "statement-entries": Kind(4, "default", "the statement counts other entries than the record"),
    "label-differs": Kind(
        4, "default", "bag-info.txt says something that statement and record do not"
    ),
    "timestamp-malformed": Kind(4, "default", "the time stamp is no answer by RFC 3161"),
    "timestamp-other": Kind(4, "default", "the time stamp does not speak of this statement"),
    "timestamp-unsigned": Kind(
        4, "default", "the authority whose certificate was given did not sign the time stamp"
    ),
    "rotation-wrong": Kind(
        4, "default", "an exchange of keys is not true, or does not lead to the key enclosed"
    ),
    "foreign-key": Kind(4, "default", "another key signed than the one it should be"),
    # 5. Sound.
    "audio-none": Kind(5, "default", "the record names no sound file"),
    "audio-entry-malformed": Kind(5, "default", "an entry of a sound file lacks what it must say"),
    "audio-path": Kind(5, "default", "an entry names sound outside the audio folder"),
    "audio-entered-twice": Kind(5, "default", "two entries name the same sound file"),
    "audio-not-entered": Kind(5, "default", "a take or utterance names sound that has no entry"),
    "audio-missing": Kind(5, "default", "a sound file that an entry names is not in the bag"),
    "audio-differs": Kind(5, "default", "a sound file has other bytes than its entry says"),
    "audio-unreadable": Kind(5, "default", "a sound file cannot be read as sound to its end"),
    "audio-header": Kind(5, "default", "a sound file has another form than its entry says"),
    # 6. Findings.
    "takes-none": Kind(6, "recompute", "the record holds no take, so no sound speaks for it"),
    "finding-missing": Kind(6, "recompute", "a take was never scored"),
    "finding-differs": Kind(6, "recompute", "the sound does not give the finding recorded"),
    "finding-by-another-version": Kind(
        6, "recompute", "another version recorded the finding, and this one scores otherwise"
    ),
    "finding-not-recomputed": Kind(6, "recompute", "a take cannot be scored again"),
    # 7. The verdict.
    "record-not-understood": Kind(
        7, "default", "an entry says something that no record of this version says"
    ),
    "evidence-none": Kind(7, "default", "no reading and no finding counts, so nothing was judged"),
    "verdict-missing": Kind(7, "default", "the record holds no verdict"),
    "verdict-differs": Kind(7, "default", "readings and findings do not give the verdict recorded"),
    "verdict-by-another-version": Kind(
        7, "default", "another version recorded the verdict, and this one judges otherwise"
    ),
    "verdict-not-recomputed": Kind(7, "default", "the record cannot be judged again"),
    # 8. The report.
    "report-missing": Kind(8, "default", "there is no report that can be read"),
    "report-unmarked": Kind(8, "default", "the report does not say once of which record it is"),
    "report-stale": Kind(8, "default", "the report is that of another record or an earlier state"),
    "report-differs": Kind(8, "recompute", "the report says something else than the record gives"),
    "report-by-another-version": Kind(
        8, "recompute", "another version drew the report, and this one draws it otherwise"
    ),
    "paper-differs": Kind(8, "recompute", "the PDF is not the one that the record gives"),
    "paper-by-another-version": Kind(
        8, "recompute", "another version set the PDF, and this one sets it otherwise"
    ),
    "report-not-compared": Kind(8, "recompute", "the report cannot be drawn again to compare it"),
}
"""Every kind of defect by its name."""

BY_ANOTHER_VERSION = {kind for kind in KINDS if kind.endswith("-by-another-version")}
"""Kinds that speak of no fault: only the version that made the record can confirm it."""


def defect(kind: str, path: str | None, detail: str) -> Defect:
    """Make a defect of a kind of the table.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    path : str or None
        The file, relative to the bag.
    detail : str
        One sentence; it is made printable, because parts of it come from the bag.
    """
    shown = None if path is None else _printable(path)
    return Defect(KINDS[kind].step, kind, shown, _printable(detail))


def reaches(depth: Depth, needed: Depth) -> bool:
    """Return whether a depth includes what another depth checks."""
    return DEPTHS.index(depth) >= DEPTHS.index(needed)


def _printable(text: str) -> str:
    """Escape what could move a cursor, hide or reorder text, or break a line."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
