"""The key card: a text file a customer keeps, to know the shop's key again years later."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import KeyStoreError, RecordError
from earwitness.record.claim.statement import (
    fingerprint,
    key_digest,
    public_key_text,
    read_public_key,
)

if TYPE_CHECKING:
    from datetime import date

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

HEADING = "EARWITNESS KEY CARD 1"
"""First line of a card; the number is the version of its form."""

_HOW_TO_COMPARE = """\
How to compare. A claim bag of this shop names its key by the same ten groups. Keep this card where
nobody can exchange it, and do not take it from the bag that you want to check. If you got it by
mail, call the shop on a number you knew before and read the ten groups to each other. All ten must
agree; one wrong letter is another key.

A key may be exchanged. A newer bag then holds, in its folder claim, a statement for each exchange,
signed by the key before; they lead from the key on this card to the key of the bag.
"""
_KEY = re.compile(r"-----BEGIN PUBLIC KEY-----\n.+?\n-----END PUBLIC KEY-----", re.DOTALL)
_SAID = re.compile(r"(Shop|Fingerprint|In use since): *(.*)")
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_REMEDY = "Ask the shop for the card again, by a way you trust."


@dataclass(frozen=True, slots=True)
class KeyCard:
    """What a card says."""

    shop: str
    public_key: Ed25519PublicKey
    since: date
    """Day, in Universal Time, from which the key is in use."""

    @property
    def digest(self) -> str:
        """How statements name the key."""
        return key_digest(self.public_key)


def card_text(card: KeyCard) -> str:
    """Write a card, ready to print or to send.

    Parameters
    ----------
    card : KeyCard
        Shop, public key and day.
    """
    lines = (
        HEADING,
        "",
        f"Shop:          {_one_line(card.shop)}",
        f"Fingerprint:   {fingerprint(card.digest)}",
        f"In use since:  {card.since.isoformat()}",
        "",
        public_key_text(card.public_key).decode("ascii"),
    )
    return "\n".join(lines) + _HOW_TO_COMPARE


def read_card(text: str) -> KeyCard:
    """Read a card back, whatever a mail program did to its line ends.

    Raises
    ------
    KeyStoreError
        If it is no card, something is missing, or the fingerprint is not that of the key.
    """
    lines = [line.strip() for line in text.removeprefix("\ufeff").splitlines()]
    if HEADING not in lines:
        raise KeyStoreError(
            f"This is no key card: no line says {HEADING}",
            remedy="Give the text file the shop handed out, or update earwitness.",
        )
    said = {m[1]: m[2] for line in reversed(lines) if (m := _SAID.fullmatch(line))}
    key = _public_key("\n".join(lines))
    if said.get("Fingerprint", "").split() != fingerprint(key_digest(key)).split():
        raise KeyStoreError(
            "The fingerprint on the key card is not that of the key on it", remedy=_REMEDY
        )
    return KeyCard(said.get("Shop", ""), key, _day(said.get("In use since", "")))


def _public_key(text: str) -> Ed25519PublicKey:
    found = _KEY.findall(text)
    if len(found) != 1:
        raise KeyStoreError(f"The key card holds {len(found)} keys, not one", remedy=_REMEDY)
    try:
        return read_public_key(found[0].encode("utf-8", "replace"))
    except RecordError as e:
        raise KeyStoreError(f"The key card is damaged: {e.fault}", remedy=_REMEDY) from e


def _day(text: str) -> date:
    from datetime import date

    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise KeyStoreError("The key card does not say since when the key is in use", remedy=_REMEDY)


def _one_line(text: str) -> str:
    return " ".join(text.split())
