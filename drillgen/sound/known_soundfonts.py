"""What is known of well-known free soundfonts: licence, how they sound, how they measure; and what
licences ask."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

# Licences are those that the files' own distributions state: Debian's copyright files of csound-
# soundfont, fluid-soundfont and timgm6mb-soundfont, and the makers' licence files. Ranks are by
# ear, for double bass, piano and brushes. A file is known by its content (SHA-256); by its name
# alone it is only taken for what it may be, and said to be so. Every other file is unknown: it is
# asked what it says.


@dataclass(frozen=True, slots=True)
class Known:
    """Facts of one soundfont."""

    title: str
    licence: str  # "" unknown
    rank: int  # lower is better
    public_domain: bool = False
    judgement: str = ""


OURS_CALLED, OWN_LICENCE, OWN_KEY = "drillgen's own", "CC0 1.0", "drillgenown"  # key: in `TABLE`
_UNKNOWN = Known("", "", 50)
_GS_LICENCE = "GeneralUser GS licence (free to use in music, private or commercial)"

# The start of a file's name or of the name inside it, lower case without spaces, _ and -.
TABLE: dict[str, Known] = {
    "fluidr3gm": Known(
        "FluidR3 GM", "MIT", 10, judgement="the best bass, piano and brushes of the free ones"
    ),
    "musescoregeneral": Known("MuseScore General", "MIT", 12, judgement="MIT, a full set"),
    "msbasic": Known("MS Basic", "MIT", 13, judgement="MIT, a full set"),
    "generalusergs": Known("GeneralUser GS", _GS_LICENCE, 14, judgement="a full set"),
    "fluidr3gs": Known("FluidR3 GS", "MIT", 60, judgement="few presets: the GS extras of FluidR3"),
    "sfgmbank": Known(
        "GMbank", "public domain", 30, public_domain=True, judgement="small and public domain"
    ),
    "gmgsbank": Known(
        "GMbank", "public domain", 30, public_domain=True, judgement="small and public domain"
    ),
    "drillgenown": Known(
        OURS_CALLED, OWN_LICENCE, 90, public_domain=True, judgement="basses and drums only"
    ),
    "freepats": Known("FreePats", "", 40, judgement=""),
    "timgm6mb": Known("TimGM6mb", "GPL-2", 45, judgement="small, comes with a Python package"),
}


# What Debian 12 distributes (csound-soundfont 1:6.18.1+dfsg-1, fluid-soundfont 3.1-5.3, musescore-
# general-soundfont and -small 0.2.1-1, timgm6mb-soundfont 1.3-5), and what pretty_midi 0.2.11
# carries.
BY_CONTENT: dict[str, str] = {
    "74594e8f4250680adf590507a306655a299935343583256f3b722c48a1bc1cb0": "fluidr3gm",
    "aadb5597fb95ea5f7d336999e3c68ad32aa6357027aed7d4d9ff0ac75f2988e6": "fluidr3gs",
    "f9a37b36655f23e167c66ec91bef6097c8e99be29286219a54062919eb41aeae": "musescoregeneral",
    "916aaca6b0eb9f9083eb42399614acb2ff4ec72ce28dffff1814592a9696b479": "musescoregeneral",
    "9f39fc53bd3a1a69f13cb486838944eded358b3b6e8afbd6c1c2c33675b2034b": "sfgmbank",
    "82475b91a76de15cb28a104707d3247ba932e228bada3f47bba63c6b31aaf7a1": "timgm6mb",
    "c5378b62028c920cb11e4803327983fee2f2cdff5dc89c708e39da417e51c854": "timgm6mb",
}


def known(stem: str, name: str) -> Known:
    """The facts of a soundfont by its file's stem, else by the name inside the file."""
    for text in (stem, name):
        plain = "".join(char for char in text.lower() if char not in " _-.")
        for start, facts in TABLE.items():
            if plain.startswith(start):
                return facts
    return _UNKNOWN


# How each instrument measures in the soundfonts that are known, by `python -m benchmarks.sounds`:
# through the range of the instrument the worst tuning in cents and the largest step between
# neighbouring keys in dB, the brightness of velocity 110 against 40, and how many seconds of the
# median sample go by before it repeats.


class Figures(NamedTuple):
    """How an instrument measures."""

    cents: float
    step: float  # dB
    brighter: float
    seconds: float

    @property
    def misses(self) -> float:
        """How far it is from what is asked of an instrument, each in parts of itself: in tune by 5
        cents, keys at most 3 dB apart, a quarter brighter, and no repeating within a second, which
        counts twice (common practice).  0 is best."""
        return (
            max(self.cents / 5 - 1, 0)
            + max(self.step / 3 - 1, 0)
            + max((1.25 - self.brighter) / 0.25, 0)
            + 2 * max(1 - self.seconds, 0)
        )

    def __str__(self) -> str:
        return (
            f"{self.cents:g} cents, keys {self.step:g} dB apart, ×{self.brighter:g} brighter with"
            f" strength, {self.seconds:g} s before it repeats"
        )


MEASURED: dict[str, dict[str, Figures]] = {
    "upright": {
        "drillgenown": Figures(0.5, 0.7, 1.77, 1.5),
        "sfgmbank": Figures(2.9, 3.3, 1, 0.06),
        "fluidr3gm": Figures(1.1, 1.9, 1, 1.01),
        "musescoregeneral": Figures(1.1, 1.9, 1.85, 1.01),
        "timgm6mb": Figures(2.9, 0.2, 1, 0.02),
    },
    "electric": {
        "drillgenown": Figures(0.3, 0.8, 1.59, 2.02),
        "sfgmbank": Figures(3.3, 0.3, 1, 0.01),
        "fluidr3gm": Figures(5, 4.9, 1, 3.18),
        "musescoregeneral": Figures(5, 4.9, 1.08, 3.18),
        "timgm6mb": Figures(1.7, 0.3, 1, 0.01),
    },
    "piano": {
        "sfgmbank": Figures(6.7, 5.8, 1, 0.61),
        "fluidr3gm": Figures(3.3, 7.5, 1, 2.69),
        "musescoregeneral": Figures(4.8, 6.3, 2.16, 7.93),
        "timgm6mb": Figures(5.6, 3.9, 1, 0.42),
    },
    "electric piano": {
        "sfgmbank": Figures(3.7, 4.4, 1, 0.02),
        "fluidr3gm": Figures(2.8, 1.9, 1, 2.04),
        "musescoregeneral": Figures(2.8, 2.8, 1.06, 2.04),
        "timgm6mb": Figures(3.7, 4.4, 1, 0.02),
    },
    "guitar": {
        "sfgmbank": Figures(4.1, 3.2, 1, 0.03),
        "fluidr3gm": Figures(10.3, 5.8, 1.87, 1.53),
        "musescoregeneral": Figures(10.3, 5.8, 1.9, 1.53),
        "timgm6mb": Figures(3.1, 3.2, 1, 0.03),
    },
    "vibraphone": {
        "sfgmbank": Figures(5.4, 0.6, 1, 0.1),
        "fluidr3gm": Figures(5.7, 8.3, 3.09, 0.12),
        "musescoregeneral": Figures(5.7, 11.4, 3.26, 0.12),
        "timgm6mb": Figures(5.4, 0.6, 1, 0.1),
    },
    "voice": {
        "sfgmbank": Figures(15.7, 0.3, 1, 0.29),
        "fluidr3gm": Figures(40.2, 5.5, 1, 2.46),
        "musescoregeneral": Figures(15.5, 4.1, 1.1, 2.46),
        "timgm6mb": Figures(12.9, 4.7, 1, 0.42),
    },
    "cello": {
        "sfgmbank": Figures(3.5, 0.9, 1, 0.03),
        "fluidr3gm": Figures(7.8, 3.6, 1, 1.44),
        "musescoregeneral": Figures(12, 3.1, 1.04, 0.95),
        "timgm6mb": Figures(3.5, 0.9, 1, 0.03),
    },
    "viola": {
        "sfgmbank": Figures(3.7, 1.1, 1, 0.03),
        "fluidr3gm": Figures(36.8, 3.9, 1, 1.33),
        "musescoregeneral": Figures(36.8, 3.2, 0.98, 1.33),
        "timgm6mb": Figures(3.7, 1.1, 1, 0.03),
    },
    "violin": {
        "sfgmbank": Figures(3.9, 2.6, 1, 0.03),
        "fluidr3gm": Figures(28.5, 2.8, 1, 1.24),
        "musescoregeneral": Figures(14.5, 1.6, 1.17, 1.24),
        "timgm6mb": Figures(2.4, 2.6, 1, 0.03),
    },
    "flute": {
        "sfgmbank": Figures(7.3, 1.8, 1, 0.07),
        "fluidr3gm": Figures(5.8, 3, 1, 0.74),
        "musescoregeneral": Figures(15.7, 1.9, 1.1, 0.74),
        "timgm6mb": Figures(14.6, 2.5, 1, 0.49),
    },
    "clarinet": {
        "sfgmbank": Figures(4, 1.6, 1, 0.03),
        "fluidr3gm": Figures(2.4, 3.8, 1.04, 0.15),
        "musescoregeneral": Figures(2.9, 1.7, 1.53, 0.15),
        "timgm6mb": Figures(3.5, 1.6, 1, 0.03),
    },
    "trumpet": {
        "sfgmbank": Figures(4.3, 1.9, 1, 0.04),
        "fluidr3gm": Figures(1.4, 1.9, 1.45, 0.42),
        "musescoregeneral": Figures(1.4, 1.8, 1.33, 0.42),
        "timgm6mb": Figures(6, 1.6, 1, 0.92),
    },
    "trombone": {
        "sfgmbank": Figures(4, 1.3, 1, 0.05),
        "fluidr3gm": Figures(1.8, 5.4, 1.18, 0.42),
        "musescoregeneral": Figures(1.8, 5.4, 1.26, 0.42),
        "timgm6mb": Figures(4, 1.3, 1, 0.05),
    },
    "soprano saxophone": {
        "sfgmbank": Figures(3.6, 3, 1, 0.05),
        "fluidr3gm": Figures(10.9, 2.2, 1.25, 1.26),
        "musescoregeneral": Figures(10.9, 2.2, 1.18, 1.26),
        "timgm6mb": Figures(2.9, 5.2, 1, 1),
    },
    "alto saxophone": {
        "sfgmbank": Figures(3.7, 5.4, 1, 0.03),
        "fluidr3gm": Figures(23.9, 2.1, 1.37, 0.74),
        "musescoregeneral": Figures(23.9, 2.5, 1.25, 0.74),
        "timgm6mb": Figures(5.8, 3.2, 1, 0.51),
    },
    "tenor saxophone": {
        "sfgmbank": Figures(3.7, 3.6, 1, 0.04),
        "fluidr3gm": Figures(7.3, 4.7, 1.36, 2.18),
        "musescoregeneral": Figures(7.4, 5.6, 1.35, 2.18),
        "timgm6mb": Figures(3.9, 2.2, 1, 0.04),
    },
    "baritone saxophone": {
        "sfgmbank": Figures(3.9, 3.4, 1, 0.05),
        "fluidr3gm": Figures(5.7, 3.6, 1.37, 2.62),
        "musescoregeneral": Figures(5.7, 4.4, 1.37, 2.57),
        "timgm6mb": Figures(23.4, 3.3, 1, 0.44),
    },
}


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
