"""What is known of well-known free soundfonts: licence and how they sound.

Licences are those that the files' own distributions state: Debian's copyright files of
csound-soundfont, fluid-soundfont and timgm6mb-soundfont, and the makers' licence files.  Ranks are
by ear, for double bass, piano and brushes.  Every other file is unknown: it is asked what it says.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Known:
    """Facts of one soundfont."""

    title: str
    licence: str  # "" unknown
    rank: int  # lower is better
    public_domain: bool = False
    judgement: str = ""


_UNKNOWN = Known("", "", 50)
_GS_LICENCE = "GeneralUser GS licence (free to use in music, private or commercial)"

# The start of a file's name or of the name inside it, lower case without spaces, _ and -.
_TABLE: dict[str, Known] = {
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
    "freepats": Known("FreePats", "", 40, judgement=""),
    "timgm6mb": Known("TimGM6mb", "GPL-2", 45, judgement="small, comes with a Python package"),
}


def known(stem: str, name: str) -> Known:
    """The facts of a soundfont by its file's stem, else by the name inside the file."""
    for text in (stem, name):
        plain = "".join(char for char in text.lower() if char not in " _-.")
        for start, facts in _TABLE.items():
            if plain.startswith(start):
                return facts
    return _UNKNOWN
