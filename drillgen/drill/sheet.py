"""Instruments, what plays them, how their players read, and what is printed for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Any, Literal, get_args

from drillgen.drill.band import short
from drillgen.drill.fields import (
    OFF,
    WORD,
    YES_NO,
    Model,
    Read,
    Short,
    any_of,
    choice,
    is_off,
    known,
    mapping,
    matching,
    number,
    several,
    text,
    whole,
)
from drillgen.drill.messages import (
    RefusedError,
    Wrongs,
    nearest,
    read_each,
    refuse,
    refuse_keys,
    show,
)
from drillgen.theory.pitch import Pitch

# Instruments that a line can be played on.
#
# Programs are those of General MIDI Level 1, counted from 0.  Ranges are sounding and practical:
# what a student plays with ease rather than all that the instrument has.  Clefs and transpositions
# are those of modern parts: a double bass is written an octave above its sound, a B flat trumpet a
# major second, an alto saxophone a major sixth (all common practice).

Clef = Literal["bass", "treble", "alto", "tenor"]
CLEFS: tuple[Clef, ...] = get_args(Clef)


@dataclass(frozen=True, slots=True)
class Transposition:
    """From how it sounds to how it is written."""

    fifths: int = 0  # along the line of fifths: 2 for a B flat instrument
    semitones: int = 0  # upwards: 2 for a trumpet, 14 for a tenor saxophone

    @property
    def pitch(self) -> str:
        """The name of the note that its C sounds: 'B♭'; '' at concert pitch."""
        return {0: "", 1: "F", 2: "B♭", 3: "E♭"}[self.fifths]


CONCERT = Transposition()
OCTAVE = Transposition(0, 12)
IN_F = Transposition(1, 7)
IN_B_FLAT = Transposition(2, 2)
IN_B_FLAT_LOW = Transposition(2, 14)
IN_E_FLAT = Transposition(3, 9)
IN_E_FLAT_LOW = Transposition(3, 21)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A General MIDI program, the range in which a line for it lies, and how it is written."""

    program: int  # 0-based
    low: Pitch  # sounding
    high: Pitch  # sounding
    clef: Clef = "treble"
    written: Transposition = CONCERT


def _row(
    program: int, low: str, high: str, clef: Clef = "treble", written: Transposition = CONCERT
) -> Instrument:
    return Instrument(program, Pitch.parse(low), Pitch.parse(high), clef, written)


INSTRUMENTS: dict[str, Instrument] = {
    "upright": _row(32, "E1", "G3", "bass", OCTAVE),
    "electric": _row(33, "E1", "G3", "bass", OCTAVE),
    "piano": _row(0, "C3", "C6"),
    "electric piano": _row(4, "C3", "C6"),
    "guitar": _row(26, "E2", "E5", "treble", OCTAVE),
    "vibraphone": _row(11, "F3", "F6"),
    "voice": _row(52, "G2", "D4", "bass"),
    "cello": _row(42, "C2", "G4", "bass"),
    "viola": _row(41, "C3", "E5", "alto"),
    "violin": _row(40, "G3", "E6"),
    "flute": _row(73, "C4", "C7"),
    "clarinet": _row(71, "D3", "C6", "treble", IN_B_FLAT),
    "trumpet": _row(56, "E3", "Bb5", "treble", IN_B_FLAT),
    "horn": _row(60, "C3", "F5", "treble", IN_F),
    "trombone": _row(57, "E2", "Bb4", "bass"),
    "tuba": _row(58, "F1", "F4", "bass"),
    "soprano saxophone": _row(64, "Ab3", "Eb6", "treble", IN_B_FLAT),
    "alto saxophone": _row(65, "Db3", "Ab5", "treble", IN_E_FLAT),
    "tenor saxophone": _row(66, "Ab2", "Eb5", "treble", IN_B_FLAT_LOW),
    "baritone saxophone": _row(67, "Db2", "Ab4", "treble", IN_E_FLAT_LOW),
}

# What else they are called.
OTHER_NAMES = {
    "double bass": "upright",
    "contrabass": "upright",
    "string bass": "upright",
    "electric bass": "electric",
    "bass guitar": "electric",
    "french horn": "horn",
}


def _by_any_name(read: Read) -> Read:
    """Reads an instrument by its other names, too."""
    enum = [*read.schema["enum"], *OTHER_NAMES]

    def named(value: Any) -> Any:
        return read.function(OTHER_NAMES.get(value, value) if isinstance(value, str) else value)

    return Read(named, {**read.schema, "enum": enum})


INSTRUMENT = _by_any_name(choice(*INSTRUMENTS))

BASSES = ("upright", "electric")  # what a bass player's hands and register are for

# Which soundfont plays what: `sounds: {bass: own, piano: FluidR3 GM}`.  Which ones there are, only
# the machine knows that plays them.

KITS_PLAYED = {"sticks": 0, "brushes": 40}  # programs: General MIDI 2's standard and brush kit
_TOGETHER: dict[str, tuple[str, ...]] = {"bass": BASSES, "drums": (*KITS_PLAYED,)}
SOUNDS = (*_TOGETHER, *INSTRUMENTS, *KITS_PLAYED)
OWN = "own"  # what drillgen's own soundfont is called here
_FONT = text(100)
_BY_PROGRAM = {each.program: name for name, each in INSTRUMENTS.items()}
_SOUNDS_ALLOWED = "a mapping of instruments and soundfonts: {bass: own, piano: FluidR3 GM}"


def instrument_of(percussion: bool, program: int) -> str:
    """The name of a General MIDI program, or of the kit that it is; "" for one that has none."""
    if not percussion:
        return _BY_PROGRAM.get(program, "")
    return next((name for name, kit in KITS_PLAYED.items() if kit == program), "sticks")


@dataclass(frozen=True, slots=True)
class AskedSounds:
    """The soundfonts that were asked for, by the names that stand in the drill."""

    asked: tuple[tuple[str, str], ...] = ()

    def of(self, instrument: str) -> str:
        """The soundfont that was asked for an instrument or kit: for itself, else for all of its
        sort; "" for none."""
        return next((font for _, font in self.written_for(instrument)), "")

    def written_for(self, instrument: str) -> list[tuple[str, str]]:
        """What is written for an instrument, the nearest first: key and soundfont."""
        names = [instrument, *(sort for sort, all_ in _TOGETHER.items() if instrument in all_)]
        return [(name, font) for name in names for key, font in self.asked if key == name]


def _read_sounds(value: Any) -> AskedSounds:
    if isinstance(value, AskedSounds):
        return value
    if not isinstance(value, dict):
        raise refuse(f"{show(value)} does not fit here", _SOUNDS_ALLOWED)
    refuse_keys(value, SOUNDS, "sounds")
    asked: list[tuple[str, str]] = []
    with Wrongs() as wrongs:
        for key, font in value.items():
            with wrongs.at(key):
                asked.append((str(key), _FONT.function(font)))
    return AskedSounds(tuple(asked))


_WHOSE = "Whose sound it is: a soundfont, by its name in `drillgen soundfonts`, or own."
SOUNDS_READ = Read(
    _read_sounds, mapping({key: {**_FONT.schema, "description": _WHOSE} for key in SOUNDS})
)


# The files that a drill's sound is written to: `audio: {format: mp3, mixes: without bass}`.  Which
# formats and mixes there are, the rooms that write them know.

_NAME = text(40)
LOUDNESS, CEILING = (-40, -5), (-20, 0)  # from and to: LUFS, dBTP
_NAMES_ALLOWED = "a name, several with commas, or a list of names"


def _read_names(value: Any) -> tuple[str, ...]:
    given = value.split(",") if isinstance(value, str) else value
    if not isinstance(given, list | tuple) or not given:
        raise refuse(f"{show(value)} does not fit here", _NAMES_ALLOWED)
    names = read_each(given, lambda name: str(_NAME.function(name)).strip(), at=given is value)
    return tuple(dict.fromkeys(names))


_NAMES = Read(_read_names, any_of(_NAME.schema, several(_NAME.schema)))


class Audio(Model):
    """How a drill's sound is written; what is not said here stays as in the pack that is there."""

    format: Annotated[tuple[str, ...], _NAMES] = ()
    """wav, flac, mp3, m4a, opus; several are all written, the first is the one to open."""
    mixes: Annotated[tuple[str, ...], _NAMES] = ()
    """Other mixes besides: without bass, drums alone, left and right."""
    loudness: Annotated[float | None, number(*LOUDNESS, "LUFS")] = None
    """How loud the tracks are; -16 by default."""
    ceiling: Annotated[float | None, number(*CEILING, "dBTP")] = None
    """What no peak passes; -1 by default."""


AUDIO = Short(short("format"), (_NAME.schema, several(_NAME.schema)))


# Where the left hand may be: `positions: first`, `half to III`, on an electric bass `1 to 5`.
#
# Upright: the first finger 1 to 12 semitones above the open string (Simandl, after his contents
# page), the hand three semitones wide. What is called the first position in lessons is the half
# position and the first together, in which every note from E1 to B2 lies (common practice).
# Electric: the fret of the first finger, the hand four frets wide.
# Tunings are common practice: fourths from E1, a low B0 for the fifth string, solo tuning a whole
# tone higher.

POSITIONS = (
    *("half", "I", "II", "II-III", "III", "III-IV"),
    *("IV", "V", "V-VI", "VI", "VI-VII", "VII"),
)
OPEN_STRINGS = {"four": "E1 A1 D2 G2", "five": "B0 E1 A1 D2 G2", "solo": "F#1 B1 E2 A2"}
_FIRST = "first"
_FIRST_HANDS = {"upright": (1, POSITIONS.index("I") + 1), "electric": (1, 1)}
_WIDE = {"upright": 3, "electric": 4}  # semitones under the fingers of a hand, the first included
_HIGHEST_FRET = 17  # of the first finger, on an electric bass
_POSITIONS_ALLOWED = (
    f"first, or the lowest and the highest: half to III (upright: {', '.join(POSITIONS)}), "
    f"1 to 5 (electric: frets of the first finger, 1 to {_HIGHEST_FRET})"
)


@dataclass(frozen=True, slots=True)
class Positions:
    """The lowest and the highest position that a hand may take, as they are written."""

    low: str  # "half", "I", …, a fret; "first"
    high: str

    def hands(self, instrument: str) -> tuple[int, int]:
        """The first finger's semitones above the nut.  Raises RefusedError where the positions are
        another instrument's."""
        if self.low == _FIRST:
            return _FIRST_HANDS[instrument]
        if (instrument == "electric") != self.low.isdigit():
            other = "named by their frets" if instrument == "electric" else "named by Simandl"
            raise refuse(f"positions of an {instrument} bass are {other}", _POSITIONS_ALLOWED)
        low, high = (
            int(p) if p.isdigit() else POSITIONS.index(p) + 1 for p in (self.low, self.high)
        )
        return low, high

    def compass(self, instrument: str, strings: Sequence[Pitch]) -> tuple[int, int]:
        """The longest stretch of MIDI keys of which every one lies under the hand or is an open
        string: the lowest and the highest of them."""
        low, high = self.hands(instrument)
        heights = (0, *range(low, high + _WIDE[instrument]))
        keys = sorted({string.midi + height for string in strings for height in heights})
        runs = groupby(enumerate(keys), key=lambda pair: pair[1] - pair[0])
        stretches = [[key for _, key in run] for _, run in runs]
        longest = max(stretches, key=len)
        return longest[0], longest[-1]

    def __str__(self) -> str:
        return self.low if self.low == self.high else f"{self.low} to {self.high}"


def _read_positions(value: Any) -> Positions | None:
    """Read 'first', 'half to III', '1 to 5', 5."""
    if isinstance(value, Positions):
        return value
    if is_off(value):
        return None
    words = str(value).split(" to ") if isinstance(value, str | int) else []
    places = [word.strip() for word in words if not isinstance(value, bool)]
    if places == [_FIRST]:
        return Positions(_FIRST, _FIRST)
    orders = [[*POSITIONS], [str(fret) for fret in range(1, _HIGHEST_FRET + 1)]]
    order = next((each for each in orders if places and places[0] in each), None)
    if order is None or not 1 <= len(places) <= 2 or places[-1] not in order:
        wrong = next((p for p in places if p not in (*POSITIONS, *orders[1])), "")
        near = nearest(wrong, (*POSITIONS, _FIRST)) if wrong else ""
        raise refuse(f"{show(value)} names no positions", _POSITIONS_ALLOWED, near)
    if order.index(places[0]) > order.index(places[-1]):
        turned = f'"{places[1]} to {places[0]}"'
        raise refuse(f"{places[0]} is above {places[1]}: the low one stands first", "", turned)
    return Positions(places[0], places[-1])


_POSITION = "|".join([*POSITIONS, "[0-9]{1,2}"])
POSITIONS_READ = Read(
    _read_positions,
    any_of(
        {"enum": [_FIRST, *OFF]},
        matching(rf"({_POSITION})(\s+to\s+({_POSITION}))?"),
        whole(1, _HIGHEST_FRET).schema,
        examples=[_FIRST, "half to III", "1 to 5"],
    ),
)


# What is printed, and how the left hand plays it.

Tuning = Literal["four", "five", "solo"]
TUNINGS = get_args(Tuning)
_TUNING_ALLOWED = "four, five, solo, or the open strings from low to high: E1 A1 D2 G2"
_FINGERING_ALLOWED = "true, false, or a mapping: {strings: five, open_strings: preferred}"
_MOST_STRINGS = 8


def _none_or(*names: str) -> Read:
    """One of the names, or none."""
    words = choice(*names, "none")
    return Read(
        lambda value: None if is_off(value) else words.function(value), {"enum": [*names, *OFF]}
    )


def _read_strings(value: Any) -> tuple[str, ...] | str:
    """Read a tuning's name, or 'C1 A1 D2 G2', or a list of open strings."""
    if value in TUNINGS:
        return str(value)
    words = value.split() if isinstance(value, str) else value
    if not isinstance(words, list | tuple) or not 1 <= len(words) <= _MOST_STRINGS:
        raise refuse(f"{show(value)} is no tuning", _TUNING_ALLOWED)
    try:
        keys = [Pitch.parse(str(word)).midi for word in words]
    except ValueError:
        raise refuse(f"{show(value)} is no tuning", _TUNING_ALLOWED) from None
    if keys != sorted(set(keys)):
        raise refuse("the strings are not in order", _TUNING_ALLOWED)
    return tuple(str(word) for word in words)


STRINGS = Read(
    _read_strings,
    any_of(
        {"enum": [*TUNINGS]},
        matching(r"[A-G]\S*(\s+[A-G]\S*)*"),
        several({"type": "string"}, 1, _MOST_STRINGS),
        default="four",
        examples=["four", "solo", "C1 A1 D2 G2"],
    ),
)


class Fingering(Model):
    """Finger, string and position of every note, by least effort."""

    strings: Annotated[tuple[str, ...] | Tuning, STRINGS] = "four"
    """Four strings, five, the solo tuning, or the open strings from low to high."""
    open_strings: Annotated[Literal["allowed", "preferred", "avoided"], WORD] = "allowed"
    """Whether open strings are played."""
    solutions: Annotated[Literal["one", "two"], WORD] = "one"
    """One solution, or two that contrast: with open strings, and stopped."""


def open_strings(wanted: Fingering | None) -> tuple[Pitch, ...]:
    """The open strings of a fingering's bass, from low to high."""
    tuning = wanted.strings if wanted else "four"
    names = tuning if isinstance(tuning, tuple) else OPEN_STRINGS[tuning].split()
    return tuple(map(Pitch.parse, names))


def _fingering(value: Any) -> Any:
    """true is short for a fingering with nothing more said; false and off leave it out."""
    if isinstance(value, dict | Fingering):
        return value
    if is_off(value):
        return None
    try:
        return {} if YES_NO.function(value) else None
    except RefusedError:
        raise refuse(f"{show(value)} is not known", _FINGERING_ALLOWED) from None


WrittenPitch = Literal["Bb", "Eb"]
PITCHES = get_args(WrittenPitch)
_PITCH = choice(*PITCHES, "none")
TRANSPOSE = Read(  # none: at concert pitch, whoever reads it
    lambda value: "none" if is_off(value) else _PITCH.function(value), {"enum": [*PITCHES, *OFF]}
)
# By pitch, by clef, by instrument.  Who writes "alto" in a band may mean the saxophone.
_ALTO = "alto clef"
READERS = (*PITCHES, *(_ALTO if clef == "alto" else clef for clef in CLEFS), *INSTRUMENTS)


def _readers(value: Any) -> tuple[str, ...]:
    """Read one reader or a list of them."""
    if is_off(value):
        return ()
    names = value if isinstance(value, list | tuple) else [value]
    found: list[str] = []
    read_each(names, lambda name: found.append(_reader(name, found)), at=names is value)
    return tuple(found)


def _reader(name: Any, before: Sequence[str] = ()) -> str:
    if name == "alto":
        raise refuse('"alto" may be the clef or the saxophone', f"{_ALTO}, alto saxophone")
    called = OTHER_NAMES.get(name, name) if isinstance(name, str) else name
    if known(called, "reader", READERS) in before:
        raise refuse(f"{show(name)} stands here twice", "each reader once")
    return str(called)


def sheet_for(name: Any) -> dict[str, Any]:
    """What of `sheet` makes it one for a reader, who plays no bass: no fingers, no frets.  Raises
    RefusedError where there is no such reader."""
    called = _reader(name)
    if called in PITCHES:
        return {"transpose": called, **_NO_HANDS}
    if called in INSTRUMENTS:
        return {"instrument": called, **({} if called in BASSES else _NO_HANDS)}
    return {"clef": "alto" if called == _ALTO else called}


_NO_HANDS = {"fingering": "off", "tablature": False}
_READER = {"enum": [*READERS, *OTHER_NAMES]}
ALSO_FOR = Read(
    _readers,
    any_of(
        _READER,
        {"enum": [*OFF]},
        {"type": "array", "items": _READER},
        examples=[["Bb", "Eb", "treble"], "tenor"],
    ),
)


Show = Literal["line", "chords", "both"]


class SheetSpec(Model):
    """What is printed."""

    show: Annotated[Show, WORD] = "both"
    """The line, the chords, or both."""
    clef: Annotated[Clef | None, _none_or(*CLEFS)] = None
    """By default the instrument's own."""
    transpose: Annotated[WrittenPitch | Literal["none"] | None, TRANSPOSE] = None
    """Written for an instrument in this pitch, or at concert pitch; by default as the instrument
    that reads it is written."""
    fingering: Annotated[
        Fingering | None, Short(_fingering, ({"enum": [True, "yes", "on", *OFF]},))
    ] = None
    """Fingers and strings under the staff."""
    degrees: Annotated[bool, YES_NO] = False
    """Each note's degree under the staff, those that the line aims at circled."""
    tablature: Annotated[bool, YES_NO] = False
    """A second staff with strings and frets, for the electric bass."""
    responses: Annotated[Literal["slashes", "empty"], WORD] = "slashes"
    """How the bars to answer in are printed: with slashes, or empty, to write in."""
    instrument: Annotated[str | None, _by_any_name(_none_or(*INSTRUMENTS))] = None
    """Who reads it; by default who plays the line."""
    also_for: Annotated[tuple[str, ...], ALSO_FOR] = ()
    """Other readers who get a sheet of their own: Bb, Eb, a clef or an instrument."""


SHEET = Short(short("show"), ({"enum": [*get_args(Show)]},))
