"""Step 3, second part: whether what a bag discloses of people and engine is what was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.errors import RecordError
from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.check.inventory import LOG_PATH, read_small
from earwitness.record.claim.layout import RECORD
from earwitness.record.identity import (
    IDENTITY,
    MAX_BYTES,
    Identity,
    Salted,
    disagreements,
    in_order,
    read_identity,
    stated_digests,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from earwitness.record.claim.check.inventory import Contents
    from earwitness.record.claim.check.log import Log

IDENTITY_PATH = f"{RECORD}/{IDENTITY}"


class Names:
    """People and engine, as a bag discloses them or somebody else does.

    Parameters
    ----------
    contents : Contents
        The bag.
    log : Log
        Its log, whose first entry states the digests.
    shown : mapping of str to Salted
        Values and salts that came by another way; they must be what was recorded too.

    Attributes
    ----------
    defects : list of Defect
    in_bag : dict of str to Salted
        What the bag discloses and is as it was recorded.
    shown : dict of str to str
        What came by another way and is as it was recorded.
    """

    def __init__(self, contents: Contents, log: Log, shown: Mapping[str, Salted]) -> None:
        self.defects: list[Defect] = []
        self._stated = self._read_stated(log)
        given = self._read_given(contents) if IDENTITY_PATH in contents.files else {}
        self.in_bag = self._held(given, IDENTITY_PATH)
        self.shown = {name: one.value for name, one in self._held(shown, None).items()}

    @property
    def known(self) -> dict[str, str | None]:
        """Every field that was recorded with its value, or None where it stays withheld."""
        values = {name: one.value for name, one in self.in_bag.items()} | self.shown
        return {name: values.get(name) for name in in_order(self._stated)}

    @property
    def identity(self) -> Identity:
        """What the bag itself discloses."""
        values = {name: one.value for name, one in self.in_bag.items()}
        return Identity(values, tuple(n for n in in_order(self._stated) if n not in values))

    def _read_stated(self, log: Log) -> dict[str, str]:
        try:
            return stated_digests(log.entries[0].body) if log.entries else {}
        except RecordError as e:
            self.defects.append(defect("identity-malformed", LOG_PATH, f"entry 1: {e.fault}"))
            return {}

    def _read_given(self, contents: Contents) -> dict[str, Salted]:
        try:
            return read_identity(read_small(contents.bag, IDENTITY_PATH, MAX_BYTES))
        except OSError as e:
            why = f"{IDENTITY_PATH} cannot be read: {e.strerror or e}"
        except RecordError as e:
            why = e.fault
        self.defects.append(defect("identity-malformed", IDENTITY_PATH, why))
        return {}

    def _held(self, given: Mapping[str, Salted], path: str | None) -> dict[str, Salted]:
        """Return what is as the record states it; the rest are defects."""
        wrong = set()
        for kind, name, sentence in disagreements(self._stated, given):
            self.defects.append(defect(kind, path, sentence))
            wrong.add(name)
        return {name: one for name, one in given.items() if name not in wrong}
