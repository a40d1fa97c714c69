"""Soundfonts: those on this machine, who plays what, and which one is used.

Order of choice: asked for by name or path; the file in DRILLGEN_SOUNDFONT; one that the person put
into a `soundfonts` folder; one in their own data folder; the best of those that the system or a
Python package has.  Within a place the better known and better sounding come first.

A soundfont that somebody chose plays all that it has.  Where nobody did, and for what it lacks,
each instrument is played by the soundfont in which it measures best, and a drill's `sounds` go
before both.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Any, NamedTuple

from drillgen.disk import data_dir
from drillgen.drill.messages import listed, nearest_word, refuse, show
from drillgen.drill.sheet import INSTRUMENTS, KITS_PLAYED, OWN, AskedSounds, instrument_of
from drillgen.errors import SoundError
from drillgen.sound.known_soundfonts import (
    BY_CONTENT,
    FREE,
    MEASURED,
    OURS_CALLED,
    OWN_KEY,
    OWN_LICENCE,
    TABLE,
    UNCHECKED,
    Figures,
    Known,
    known,
    strictest,
)
from drillgen.sound.soundfont_file import Outside, outside, sha256_of

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

# What our own soundfont has, and what of it plays by default: what measures better there than in
# the free ones.  Of its brush kit that are single strokes: tap, slap and sweep, ride and bell.
_OWN_PLAYS = frozenset({(False, 32), (False, 33)})
_OWN_HAS = _OWN_PLAYS | {(True, STANDARD_KIT), (True, KITS_PLAYED["brushes"])}
_OWN_STROKES = frozenset({38, 39, 40, 51, 53})
_OWN_STROKES_WHY = (
    "brushes and ride are drillgen's: the sweep never stops, and no two strokes are alike"
)
OURS = -1  # its number, as `SoundSource` has it

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
        start = BY_CONTENT.get(self.sha256)
        return TABLE[start] if start else None

    @property
    def licence(self) -> str:
        """The licence of a known file; else what its name, or it itself, says of it."""
        if self.checked:
            return self.checked.licence
        if self.facts.licence and self.place == MADE:
            return self.facts.licence
        if self.facts.licence:
            return f"{self.facts.licence}{UNCHECKED}"
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
        known = MEASURED.get(instrument, {})
        start = OWN_KEY if self.place == MADE else BY_CONTENT.get(self.sha256, "")
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
    free = not each.licence.startswith(FREE)
    return (1 + free, figures.misses if figures else _UNMEASURED + each.rank, number)


def who_plays(font: Soundfont) -> Iterator[tuple[str, str, str, str]]:
    """Of each instrument: who plays it where a drill asks for nobody, the licence, and why."""
    for instrument, (number, _) in font.playing(AskedSounds()).items():
        each = None if number == OURS else (font, *font.others)[number]
        figures = each.measured(instrument) if each else MEASURED.get(instrument, {}).get(OWN_KEY)
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
    if number > OURS and not (font, *font.others)[number].licence.startswith(FREE):
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
