"""Licences of sounds: what they ask, and which asks most."""

from __future__ import annotations

from collections.abc import Iterable

# What licences ask, the freest first: the sounds of a pack are as free as the strictest of them.
# The reasons are what is commonly read in each licence's text; it is not legal advice.
TERMS: dict[str, str] = {
    "public domain": "nothing is asked",
    "CC0": "nothing is asked: rights are waived (CC0 1.0, section 2)",
    "MIT": "its notice goes along with copies of the soundfont",
    "GeneralUser GS": "free in music; no warranty that every sample's maker was asked",
    "CC BY ": "the makers are named wherever it is heard (CC BY 4.0, section 3(a))",
    "CC BY-SA": "what is made of it goes on under the same licence (CC BY-SA 4.0, section 3(b))",
    "GPL": "what is made of it goes on under the same licence (GPL-2, section 2b), and whether a"
    " recording is that, is not settled",
}
UNKNOWN = (len(TERMS), False)  # as `strictness` has it
FREE = ("public domain", "CC0", "MIT", "GeneralUser GS")
UNCHECKED = ", by its name, unchecked"


def strictness(licence: str) -> tuple[int, bool]:
    """The place of a licence in `TERMS`; what is unknown is the strictest of all: a work is its
    maker's without any notice (Berne Convention, article 5(2)).  What is said by a name alone comes
    after the same that is known."""
    places = (place for place, start in enumerate(TERMS) if licence.startswith(start.strip()))
    return max(places, default=len(TERMS)), licence.endswith(UNCHECKED)


def strictest(licences: Iterable[str]) -> str:
    """The licence that asks most."""
    return max(licences, key=strictness)
