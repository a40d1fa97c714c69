"""Soundfonts: those on this machine, and our own.

Which soundfonts are on this machine, what their licences are, and which one is used.

Order of choice: asked for by name or path; the file in DRILLGEN_SOUNDFONT; one that the person put
into a `soundfonts` folder; one in their own data folder; the best of those that the system or a
Python package has.  Within a place the better known and better sounding come first.

A soundfont that somebody chose plays all that it has.  Where nobody did, and for what it lacks,
each instrument is played by the soundfont in which it measures best, and a drill's `sounds` go
before both.

Our own soundfont on this machine: made when it is first needed, and when its recipe changes.

It lies in the cache folder, or, where nothing can be written there, in a folder for this run.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, partial
from pathlib import Path
from typing import Any, NamedTuple

from drillgen.bank import recipe
from drillgen.disk import alone, cache_dir, data_dir, is_regular, whole_file
from drillgen.drill.messages import listed, nearest_word, refuse, show
from drillgen.drill.sheet import INSTRUMENTS, KITS_PLAYED, OWN, AskedSounds, instrument_of
from drillgen.errors import SoundError
from drillgen.sound.soundfont_file import Identity, Outside, check, identity, outside, unchanged

# What is known of well-known free soundfonts: licence and how they sound.
#
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


OURS, OURS_CALLED, OWN_LICENCE = -1, "drillgen's own", "CC0 1.0"  # number, name, licence
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
    "drillgenown": Known(
        OURS_CALLED, OWN_LICENCE, 90, public_domain=True, judgement="basses and drums only"
    ),
    "freepats": Known("FreePats", "", 40, judgement=""),
    "timgm6mb": Known("TimGM6mb", "GPL-2", 45, judgement="small, comes with a Python package"),
}


# What Debian 12 distributes (csound-soundfont 1:6.18.1+dfsg-1, fluid-soundfont 3.1-5.3, musescore-
# general-soundfont and -small 0.2.1-1, timgm6mb-soundfont 1.3-5), and what pretty_midi 0.2.11
# carries.
_BY_CONTENT: dict[str, str] = {
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
        for start, facts in _TABLE.items():
            if plain.startswith(start):
                return facts
    return _UNKNOWN


# SHA-256 of soundfonts, remembered: 148 MB take a third of a second each time.


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file in hexadecimal, from memory while the file is the same.

    Raises SoundError where it cannot be read, or changes while it is.
    """
    try:
        true = path.resolve(strict=True)
        mark = identity(true)
        entry = _remembered().get(str(true))
        if isinstance(entry, list) and len(entry) == 2 and entry == _sealed(mark, str(entry[0])):
            return str(entry[0])
        with true.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise SoundError(f"{path} cannot be read: {error.strerror or error}.") from error
    unchanged(true, mark)
    _remember(str(true), _sealed(mark, digest))
    return digest


def _sealed(mark: Identity, digest: str) -> list[str]:
    """A digest, and what it is worth nothing without: a memory may be damaged, too."""
    return [digest, hashlib.sha256(f"{mark} {digest}".encode()).hexdigest()[:16]]


def _book() -> Path:
    return cache_dir() / "checksums.json"


def _remembered() -> dict[str, Any]:
    try:
        book = _book()
        content = json.loads(book.read_text("utf-8")) if is_regular(book) else {}
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _remember(path: str, entry: list[Any]) -> None:
    """A cache that cannot be written is only slower."""
    with contextlib.suppress(OSError):
        _book().parent.mkdir(parents=True, exist_ok=True)
        with whole_file(_book()) as file:
            file.write(json.dumps(_remembered() | {path: entry}, indent=1).encode("utf-8"))


_ENDINGS = (".sf2", ".sf3")
_SYSTEM = (
    "/usr/share/sounds/sf2",  # Debian, Ubuntu
    "/usr/share/sounds/sf3",
    "/usr/share/soundfonts",  # Fedora, Arch
    "/usr/share/sounds/soundfonts",
    "/usr/share/samples",
    "/usr/local/share/soundfonts",
    "/usr/local/share/sounds/sf2",
    "/opt/homebrew/share/soundfonts",
    "/opt/homebrew/share/sounds/sf2",
    "/Library/Audio/Sounds/Banks",
    "C:/soundfonts",
)
_HELP = (
    "put an .sf2 or .sf3 file into a folder called soundfonts, or name one in DRILLGEN_SOUNDFONT"
    " (soundfonts/README.md says which are free)"
)
# Places in order of choice, and how a choice from each is put into words.
_PLACES = {
    "environment": "DRILLGEN_SOUNDFONT names it",
    "project": "it is in the soundfonts folder",
    "own": "it is in your own soundfonts folder",
    "shared": "it is the best that this machine has",
}
PERCUSSION_BANK = 128  # SoundFont 2.04, 7.2: bank 128 holds percussion
STANDARD_KIT = 0
_BRUSH_KIT = (PERCUSSION_BANK, 40)  # General MIDI 2 and Roland GS: percussion bank, program 40

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


_MEASURED: dict[str, dict[str, Figures]] = {
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
# What our own soundfont has, and what of it plays by default: what measures better there than in
# the free ones.  Of its brush kit that are single strokes: tap, slap and sweep, ride and bell.
_OWN_PLAYS = frozenset({(False, 32), (False, 33)})
_OWN_HAS = _OWN_PLAYS | {(True, STANDARD_KIT), (True, KITS_PLAYED["brushes"])}
_OWN_STROKES = frozenset({38, 39, 40, 51, 53})
_OWN_STROKES_WHY = (
    "brushes and ride are drillgen's: the sweep never stops, and no two strokes are alike"
)
_OWN_KEY = "drillgenown"

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
_FREE = ("public domain", "CC0", "MIT", "GeneralUser GS")
_UNCHECKED = ", by its name, unchecked"


def strictness(licence: str) -> tuple[int, bool]:
    """The place of a licence in `TERMS`; what is unknown is the strictest of all: a work is its
    maker's without any notice (Berne Convention, article 5(2)).  What is said by a name alone comes
    after the same that is known."""
    places = (place for place, start in enumerate(TERMS) if licence.startswith(start.strip()))
    return max(places, default=len(TERMS)), licence.endswith(_UNCHECKED)


def strictest(licences: Iterable[str]) -> str:
    """The licence that asks most."""
    return max(licences, key=strictness)


_GOOD_ENOUGH = 30  # rank: GMbank's, what `make demo` fetches
BETTER = (
    "A better soundfont is free: apt install fluid-soundfont-gm, or put one into a folder called"
    " soundfonts (soundfonts/README.md says which)."
)
MADE = "made"  # the place of our own, which nobody else can have named


@dataclass(frozen=True)
class Soundfont:
    """A soundfont file."""

    path: Path
    place: str  # environment, project, own, shared; or "asked for"
    outside: Outside = field(repr=False)
    facts: Known = field(repr=False)  # by its name, which anybody may have given it
    # What else was found, the best first: it plays what this one lacks.
    others: tuple[Soundfont, ...] = field(default=(), repr=False, compare=False)

    @property
    def name(self) -> str:
        return self.checked.title if self.checked else self.called

    @property
    def called(self) -> str:
        """What it calls itself, or its file is called."""
        return self.facts.title or self.outside.name or self.path.stem

    @cached_property
    def checked(self) -> Known | None:
        """What is known of its content."""
        start = _BY_CONTENT.get(self.sha256)
        return _TABLE[start] if start else None

    @property
    def licence(self) -> str:
        """The licence of a known file; else what its name, or it itself, says of it."""
        if self.checked:
            return self.checked.licence
        if self.facts.licence and self.place == MADE:
            return self.facts.licence
        if self.facts.licence:
            return f"{self.facts.licence}{_UNCHECKED}"
        said = self.outside.copyright or self.outside.comment[:200]
        return f"unknown; the file says: {said}" if said else "unknown; the file does not say"

    @property
    def public_domain(self) -> bool:
        return self.checked is not None and self.checked.public_domain

    @property
    def rank(self) -> int:
        """Lower is better."""
        return self.facts.rank

    @property
    def where(self) -> Path:
        return self.path.parent

    @property
    def chosen(self) -> bool:
        """Whether somebody wanted it: it plays all that it has."""
        return self.place != "shared"

    def measured(self, instrument: str) -> Figures | None:
        """How an instrument measures in it, where that is known."""
        known = _MEASURED.get(instrument, {})
        start = _OWN_KEY if self.place == MADE else _BY_CONTENT.get(self.sha256, "")
        return known.get(start)

    def plays(self, percussion: bool, program: int) -> bool:
        """Whether it has an instrument, or, of a kit, this one."""
        return (PERCUSSION_BANK if percussion else 0, program) in self.outside.presets

    @property
    def whole(self) -> bool:
        """Whether it has every instrument that a drill can ask for, and a kit."""
        programs = {each.program for each in INSTRUMENTS.values()}
        return all(self.plays(False, program) for program in programs) and self.plays(True, 0)

    @property
    def poor(self) -> bool:
        """Whether it is used only because the machine has nothing better."""
        return self.place == "shared" and self.rank > _GOOD_ENOUGH

    def playing(self, asked: AskedSounds) -> dict[str, SoundSource]:
        """Who plays each instrument of a drill that asks for some; those that nobody has are left
        out."""
        everything = [
            *((name, False, each.program) for name, each in INSTRUMENTS.items()),
            *((name, True, program) for name, program in KITS_PLAYED.items()),
        ]
        found = {
            name: next(sources(self, percussion, program, asked.of(name)), None)
            for name, percussion, program in everything
        }
        return {name: source for name, source in found.items() if source is not None}

    def heard_of(self, asked: AskedSounds) -> tuple[Soundfont, ...]:
        """The soundfonts whose sounds may be heard in a drill; our own, which follows from the
        program, apart."""
        numbers = {source.number for source in self.playing(asked).values()} | {0}
        return tuple((self, *self.others)[number] for number in sorted(numbers) if number >= 0)

    @property
    def has_brushes(self) -> bool:
        return _BRUSH_KIT in self.outside.presets

    @cached_property
    def sha256(self) -> str:
        return sha256_of(self.path)


# Who plays an instrument: the soundfont's place in order, as `SoundfontPreset.source` has it.


class SoundSource(NamedTuple):
    """A soundfont, and its program."""

    number: int  # OURS, 0 for the soundfont itself, n for its n-th other
    program: int


def sources(
    font: Soundfont, percussion: bool, program: int, asked: str = ""
) -> Iterator[SoundSource]:
    """Whoever has an instrument, in order of choice.  Any kit is better than none, but the kit that
    is meant in another soundfont better than another kit, unless somebody chose.

    Raises RefusedError: no soundfont is called what was `asked` for.
    """
    numbers = range(OURS, len(font.others) + 1)
    programs = list(dict.fromkeys((program, *([STANDARD_KIT] if percussion else []))))
    wanted = [numbered(font, asked)] if asked else []
    wanted += [0] if font.chosen else []
    by_choice = [SoundSource(number, each) for number in wanted for each in programs]
    by_quality = [
        SoundSource(number, each)
        for each in programs
        for number in sorted(numbers, key=partial(_order, font, percussion, each))
    ]
    for source in dict.fromkeys((*by_choice, *by_quality)):
        if _has(font, source.number, percussion, source.program):
            yield source


def numbered(font: Soundfont, name: str) -> int:
    """The number of a soundfont by its name.  Raises RefusedError, which says what there is."""
    fonts = (font, *font.others)
    known = {each.casefold(): n for n in reversed(range(len(fonts))) for each in _names(fonts[n])}
    known[OWN] = OURS
    if (found := known.get(name.casefold())) is not None:
        return found
    near = nearest_word(name, known)
    meant = near and show(OWN if known[near] == OURS else fonts[known[near]].called)
    called = listed([OWN, *dict.fromkeys(each.called for each in fonts)])
    raise refuse(f"no soundfont is called {show(name)}", called, meant)


def _has(font: Soundfont, number: int, percussion: bool, program: int) -> bool:
    if number == OURS:
        return (percussion, program) in _OWN_HAS
    return (font, *font.others)[number].plays(percussion, program)


def _order(font: Soundfont, percussion: bool, program: int, number: int) -> tuple[Any, ...]:
    """The best first: free ones, by how they measure and then by rank.  Our own plays what it plays
    better, and else what nobody has."""
    if number == OURS:
        return (0,) if (percussion, program) in _OWN_PLAYS else (3,)
    each = (font, *font.others)[number]
    figures = each.measured(instrument_of(percussion, program))
    free = not each.licence.startswith(_FREE)
    return (1 + free, figures.misses if figures else _UNMEASURED + each.rank, number)


def who_plays(font: Soundfont) -> Iterator[tuple[str, str, str, str]]:
    """Of each instrument: who plays it where a drill asks for nobody, the licence, and why."""
    for instrument, (number, _) in font.playing(AskedSounds()).items():
        each = None if number == OURS else (font, *font.others)[number]
        figures = each.measured(instrument) if each else _MEASURED.get(instrument, {}).get(_OWN_KEY)
        name, licence = (each.name, each.licence) if each else (OURS_CALLED, OWN_LICENCE)
        if instrument == "brushes" and own_strokes(font, number):
            both = strictest([licence, OWN_LICENCE])
            yield instrument, f"{name} and {OURS_CALLED}", both, _OWN_STROKES_WHY
        else:
            yield instrument, name, licence, _reason(font, number, figures)


def own_strokes(font: Soundfont, number: int) -> frozenset[int]:
    """The keys of a brush kit that our own soundfont plays beside the one of this number: none
    where somebody chose, or all is our own anyway."""
    return frozenset() if font.chosen or number == OURS else _OWN_STROKES


def _reason(font: Soundfont, number: int, figures: Figures | None) -> str:
    if number == 0 and font.chosen:
        return "it was chosen"
    if number > OURS and not (font, *font.others)[number].licence.startswith(_FREE):
        return "no freer one has it"
    if figures is None:
        return "the best that has it, by what is known of the whole"
    return f"it measures best of the free ones ({figures})"


_UNMEASURED = 100.0  # misses: after all that has been measured


@dataclass(frozen=True)
class SoundfontChoice:
    """The soundfont to use, and why, as the end of a sentence."""

    soundfont: Soundfont
    why: str


def find_soundfonts() -> tuple[Soundfont, ...]:
    """Every whole soundfont found, in order of choice.  Damaged files are left out."""
    found = [each for each in _looked_at() if isinstance(each, Soundfont)]
    order = list(_PLACES)
    return tuple(sorted(found, key=lambda f: (order.index(f.place), f.rank, f.called, str(f.path))))


def damaged_soundfonts() -> tuple[str, ...]:
    """What is wrong with each file that is left out, as a sentence that names it."""
    return tuple(str(each) for each in _looked_at() if isinstance(each, SoundError))


def _looked_at() -> Iterator[Soundfont | SoundError]:
    """Each soundfont file once, or what is wrong with it."""
    known: set[Path] = set()
    for place, file in _files():
        true = file.resolve()  # Debian links default-GM.sf2 to one of the others
        if true not in known:
            known.add(true)
            try:
                yield read_soundfont(true, place)
            except SoundError as error:
                yield error


def choose(request: str | None = None) -> SoundfontChoice:
    """The soundfont to use: `request` is a file's path, or the name of one that was found.

    Raises:
        SoundError: it is not there, it is damaged, or nothing was found at all.
    """
    if request is not None:
        return _requested(request)
    if own := os.environ.get("DRILLGEN_SOUNDFONT"):
        try:
            font = read_soundfont(Path(own).expanduser(), "environment")
        except SoundError as error:
            raise SoundError(f"DRILLGEN_SOUNDFONT={own}: {error}") from error
        return SoundfontChoice(_with_others(font, find_soundfonts()), _PLACES["environment"])
    fonts = find_soundfonts()
    if not fonts:
        raise SoundError(" ".join([f"No soundfont was found: {_HELP}.", *damaged_soundfonts()]))
    best = _with_others(fonts[0], fonts)
    others = sum(font.place == best.place for font in fonts) > 1
    why = _PLACES[best.place]
    if best.place != "shared" and others:
        why += ", and the best there"
    judgement = best.checked.judgement if best.checked else ""
    return SoundfontChoice(best, f"{why} ({judgement})" if judgement else why)


def _with_others(font: Soundfont, found: Sequence[Soundfont]) -> Soundfont:
    """A soundfont beside the others that were found, by how good they are."""
    others = [other for other in found if other.path.resolve() != font.path.resolve()]
    return replace(font, others=tuple(sorted(others, key=lambda other: other.rank)))


def _requested(request: str) -> SoundfontChoice:
    path, fonts = Path(request).expanduser(), find_soundfonts()
    if path.suffix.lower() in _ENDINGS and path.exists():
        font = read_soundfont(path, "asked for")
        return SoundfontChoice(_with_others(font, fonts), "you asked for it")
    names = {name.lower(): font for font in reversed(fonts) for name in _names(font)}
    if found := names.get(request.lower()):
        wanted = replace(found, place="asked for")
        return SoundfontChoice(_with_others(wanted, fonts), "you asked for it")
    if path.is_file():
        raise SoundError(f"{request} is no soundfont: those end in {' or '.join(_ENDINGS)}.")
    near = nearest_word(request, names)
    hint = (
        f"did you mean {names[near].called}"
        if near
        else "found were " + (", ".join(dict.fromkeys(font.called for font in fonts)) or "none")
    )
    raise SoundError(f"There is no soundfont {request!r}: {hint}.")


def _names(font: Soundfont) -> tuple[str, ...]:
    return font.called, font.path.stem, font.path.name


def read_soundfont(path: Path, place: str) -> Soundfont:
    """A file as a soundfont of some place.  Raises SoundError: it is not a whole one."""
    said = outside(path)
    return Soundfont(path, place, said, known(path.stem, said.name))


def _files() -> Iterator[tuple[str, Path]]:
    """Each soundfont file with its place."""
    if own := os.environ.get("DRILLGEN_SOUNDFONT"):
        yield "environment", Path(own).expanduser()
    for place, folder in _folders():
        with suppress(OSError):  # it is not there, or may not be looked into
            files = [file for file in folder.iterdir() if file.suffix.lower() in _ENDINGS]
            yield from [(place, file) for file in sorted(files) if file.is_file()]


def _folders() -> Iterator[tuple[str, Path]]:
    beside = Path(__file__).parents[2]  # the repository, where the package is installed from one
    projects = [beside] if (beside / "pyproject.toml").exists() else []
    with suppress(FileNotFoundError):  # the folder that the person is in may have been removed
        projects.insert(0, Path.cwd())
    yield from (("project", project / "soundfonts") for project in projects)
    yield "own", data_dir() / "soundfonts"
    if sys.platform == "darwin":
        yield "own", Path.home() / "Library" / "Audio" / "Sounds" / "Banks"
    # What `make demo` fetched was nobody's choice: a better one of the system's goes before it.
    yield from (("shared", project / "soundfonts" / "fetched") for project in projects)
    yield from (("shared", Path(folder)) for folder in _SYSTEM)
    spec = importlib.util.find_spec("pretty_midi")  # carries TimGM6mb.sf2; not imported here
    if spec is not None and spec.origin:
        yield "shared", Path(spec.origin).parent


_A_DAY = 86400.0  # seconds


@cache
def own_soundfont() -> Soundfont:
    """Our own soundfont.  Raises SoundError: there is no room for it anywhere."""
    name = f"drillgen-own-{recipe()[:12]}.sf2"
    try:
        return _kept(cache_dir() / "soundfonts", name)
    except OSError:  # a cache that cannot be written is only slower
        return _for_now(name)


def _kept(folder: Path, name: str) -> Soundfont:
    path = folder / name
    if found := _whole(path):
        return found
    folder.mkdir(parents=True, exist_ok=True)
    # Workers need it at the same time: one makes it, and nobody replaces what others play.
    with alone(folder / "drillgen-own.lock"):
        if found := _whole(path):
            return found
        _remove_old(folder, name)
        _make(path)
        return read_soundfont(path, MADE)


def _whole(path: Path) -> Soundfont | None:
    with suppress(SoundError):  # it is not there yet, or somebody has damaged it
        check(path)
        return read_soundfont(path, MADE)
    return None


def _remove_old(folder: Path, name: str) -> None:
    """Those of other versions, unless they may be in use: made less than a day ago."""
    for older in folder.glob("drillgen-own-*.sf2"):
        with suppress(OSError):  # in use, on Windows
            if older.name != name and time.time() - older.stat().st_mtime > _A_DAY:
                older.unlink()


def _for_now(name: str) -> Soundfont:
    try:
        path = Path(_folder_of_this_run().name) / name
        _make(path)
    except OSError as error:
        said = error.strerror or str(error)
        raise SoundError(f"There is no room for our own sounds: {said}.") from error
    return read_soundfont(path, MADE)


def _make(path: Path) -> None:
    from drillgen.bank.make import written  # with NumPy, which not every command needs

    written(path)


@cache
def _folder_of_this_run() -> tempfile.TemporaryDirectory[str]:
    """Removed when the process ends."""
    return tempfile.TemporaryDirectory(prefix="drillgen-")
