"""Feels: how time is played, read from `feels/*.yaml`; `swing.yaml` explains the tables.

The file's stem names the feel; adding a file adds a feel.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from random import Random
from typing import Any, Literal, NoReturn, cast, get_args

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.band import CompingKind, feel_file, feel_place
from drillgen.drill.bars import Meter
from drillgen.drill.messages import listed, nearest, show
from drillgen.drill.sheet import KITS_PLAYED
from drillgen.errors import FeelError
from drillgen.score import Touch

# Patterns to draw from, each with its weight and the tempos that it is played at.

_AGAIN = 0.4  # how much rarer a pattern is that was just played


@dataclass(frozen=True, slots=True)
class Tempos:
    """From one tempo to just below another, in beats of the meter a minute."""

    low: float
    below: float

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Tempos:
        return cls(float(table.get("from", 0)), float(table.get("below", inf)))

    def __contains__(self, tempo: float) -> bool:
        return self.low <= tempo < self.below


ALWAYS = Tempos(0.0, inf)


@dataclass(frozen=True, slots=True)
class Choices:
    """Patterns to draw from, with their weights."""

    patterns: tuple[str, ...]
    weights: tuple[float, ...]
    tempos: tuple[Tempos, ...]

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Choices:
        """Read `pattern: weight` or `pattern: {weight:, from:, below:}`."""
        long = {
            str(pattern).strip(): value if isinstance(value, Mapping) else {"weight": value}
            for pattern, value in table.items()
        }
        return cls(
            tuple(long),
            tuple(float(value["weight"]) for value in long.values()),
            tuple(Tempos.of(value) for value in long.values()),
        )

    def at(self, tempo: float) -> dict[str, float]:
        """The weights of the patterns that are played at a tempo."""
        rows = zip(self.patterns, self.weights, self.tempos, strict=True)
        return {pattern: weight for pattern, weight, tempos in rows if tempo in tempos}

    def draw(self, random: Random, tempo: float, last: str | None = None) -> str:
        """A pattern for the tempo, the last one less likely.  There must be one."""
        return drawn(random, remembering(self.at(tempo), last))


def remembering(weights: Mapping[str, float], last: str | None) -> dict[str, float]:
    """The same weights, the pattern that was just played made rarer."""
    return {
        pattern: weight * (_AGAIN if pattern == last else 1.0)
        for pattern, weight in weights.items()
    }


def drawn(random: Random, weights: Mapping[str, float]) -> str:
    """One of the patterns, by its weight."""
    return random.choices(list(weights), list(weights.values()))[0]


# Rhythms as players count them: "1 2> 2& (3) 4-" becomes strokes in quarter notes.
#
# The beat's number, then `&` for its second half or `+1/3` for any other part of a beat; then `>`
# for an accent, `.` short, `-` held; round brackets for a ghost note. Accent, staccato and tenuto
# signs and bracketed ghost notes are notation's own. `|` divides the bars of a longer pattern.

_STROKE = re.compile(r"(\()?(\d+)(&|\+(\d+)/(\d+))?([>.\-])?(\))?")
_TOUCH: dict[str, Touch] = {">": "accent", ".": "short", "-": "held"}


@dataclass(frozen=True, slots=True)
class PatternStroke:
    """One place in a bar."""

    place: Fraction  # quarter notes from the barline
    touch: Touch


@lru_cache(maxsize=4096)
def bars_of(pattern: str) -> tuple[str, ...]:
    """The bars of a pattern, most often one."""
    return tuple(bar.strip() for bar in pattern.split("|"))


def bar_of(pattern: str, count: int) -> str:
    """What a pattern plays in the bar `count` of the music (from 0)."""
    bars = bars_of(pattern)
    return bars[count % len(bars)]


def goes_on(pattern: str | None, count: int) -> bool:
    """Whether bar `count` lies within a pattern of several bars that began before it."""
    return pattern is not None and count % len(bars_of(pattern)) > 0


@lru_cache(maxsize=4096)
def strokes(bar: str, meter: Meter) -> tuple[PatternStroke, ...]:
    """Read one bar for a meter; 'rest' is a bar without strokes.

    Raises FeelError where a stroke cannot be read or lies outside the bar.
    """
    if bar.strip() == "rest":
        return ()
    return tuple(read_stroke(word, meter) for word in bar.split())


def read_stroke(word: str, meter: Meter) -> PatternStroke:
    """Read one stroke: '2&.'.  Raises FeelError as `strokes` does."""
    found = _STROKE.fullmatch(word)
    if not found or bool(found[1]) != bool(found[7]):
        raise FeelError(f"In a feel's file {word!r} is no stroke.")
    part = Fraction(0)
    if found[3]:
        part = Fraction(1, 2) if found[3] == "&" else Fraction(int(found[4]), int(found[5]))
    place = (int(found[2]) - 1 + part) * meter.beat
    if not 0 <= place < meter.bar:
        raise FeelError(f"In a feel's file {word!r} lies outside a bar of {meter.text}.")
    return PatternStroke(place, "ghost" if found[1] else _TOUCH.get(found[6] or "", "normal"))


# The sounds of a kit by their percussion keys (General MIDI Level 1; a brush kit's by Level 2), and
# the kits by their program numbers: what a feel's file may name.

KEYS = {
    "bass drum": 36,
    "side stick": 37,
    "snare": 38,
    "closed hi-hat": 42,
    "low tom": 45,
    "pedal hi-hat": 44,
    "open hi-hat": 46,
    "crash cymbal": 49,
    "high tom": 48,
    "ride cymbal": 51,
    "ride bell": 53,
    "high woodblock": 76,
    "low woodblock": 77,
    # GM2, brush kit
    "brush tap": 38,
    "brush slap": 39,
    "brush swirl": 40,
}

KITS = {"standard": KITS_PLAYED["sticks"], "brush": KITS_PLAYED["brushes"]}

Swing = Literal["published", "straight"] | float
_FILL_LEVEL = -4.0  # dB: a fill in a practice band stays under the line
# The stroke that begins a section, by kit, where the feel has none of its own: sound, level in dB.
_SECTION = {"standard": ("ride bell", -6.0), "brush": ("ride cymbal", -12.0)}
_HELD = {"1-": 1}  # the last chord, where a feel has no other way
_NO_SOUNDS = ("from", "below", "level", "setup")


# After its place a note may have an x, notation's own head of a dead one; before its degree a
# stroke, as notation has one before what is slid into from below.
_FIGURE_NOTE = re.compile(r"(\()?(/)?([RN3568]):(.+?)(x)?")


@dataclass(frozen=True, slots=True)
class FigureNote:
    """One note of a figure."""

    degree: str  # R, 3, 5, 6, 8 or N
    stroke: PatternStroke


@lru_cache(maxsize=1024)
def figure_notes(bar: str, meter: Meter) -> tuple[FigureNote, ...]:
    """Read one bar of a figure.  Raises FeelError where it cannot be read."""
    return tuple(_word(text, meter) for text in bar.split())


def _word(text: str, meter: Meter) -> FigureNote:
    found = _FIGURE_NOTE.fullmatch(text)
    if not found:
        raise FeelError(f"In a feel's file {text!r} is no note of a figure.")
    bracket, slid, degree, place, dead = found.groups(default="")
    stroke = read_stroke(bracket + place, meter)
    manner: Touch = "dead" if dead else "slid" if slid else stroke.touch
    return FigureNote(degree, PatternStroke(stroke.place, manner))


@dataclass(frozen=True, slots=True)
class Layer:
    """One instrument of the kit through a bar."""

    sound: str  # a name of `KEYS`
    level: float  # dB
    choices: Choices
    tempos: Tempos = ALWAYS
    comment: float = 0.0  # how readily it is played now and then, by density; 0: it keeps time
    phrases: float = 1.0  # in how many phrases of four bars it is played
    may: tuple[tuple[PatternStroke, float], ...] = ()  # strokes added now and then: how often


@dataclass(frozen=True, slots=True)
class Fill:
    """What leads into a new pass or section, or ends a track: a pattern for each sound."""

    sounds: Mapping[str, str]
    level: float  # dB
    tempos: Tempos = ALWAYS
    setup: bool = False  # it only prepares what comes: the hand goes on keeping time


@dataclass(frozen=True, slots=True)
class DrumBook:
    """What the drummer plays with sticks, or with brushes."""

    kit: str
    layers: tuple[Layer, ...]
    fills: tuple[Fill, ...]
    opening: tuple[str, float]  # the stroke at the top of the form: sound, level in dB
    section: tuple[str, float]  # the stroke that begins a section
    endings: tuple[Fill, ...]  # under the last chord, over its two bars


@dataclass(frozen=True, slots=True)
class Rhythms:
    """What the comping plays: cells, and how many strokes a bar they should have.

    `strokes` are rows of (from this tempo on, fewest, most): at density 0 and at density 1.
    """

    cells: Choices
    strokes: tuple[tuple[float, float, float], ...]

    def wanted(self, density: float, tempo: float) -> float:
        """Strokes a bar at a density from 0 to 1 and a tempo in beats a minute."""
        _, fewest, most = [row for row in self.strokes if row[0] <= tempo][-1]
        return fewest + (most - fewest) * density


@dataclass(frozen=True, slots=True)
class Feel:
    """A feel in one meter."""

    name: str
    swing: Swing  # "published": the ratio follows the tempo; "straight": none; or the ratio itself
    count: tuple[str, ...]  # the count-in's bars; the first stands for any before these
    drums: Mapping[str, DrumBook]
    comping: Mapping[str, Rhythms]  # "cells" for everybody, or an instrument's own
    two_beat: Choices  # figures of a bass in two
    walks: bool  # whether a bass walks here; what it walks is written by `band/walking.py`
    sides: bool  # patterns of two bars begin with either bar, the whole band's alike
    weight: Mapping[str, Mapping[int, float]]  # dB that a beat weighs more, by sound or part
    last: Choices  # how comping, bass and drums strike the last chord together

    def rhythms(self, instrument: str) -> Rhythms:
        """What an instrument comps: its own rhythms, or everybody's."""
        return self.comping.get(instrument, self.comping["cells"])


@lru_cache(maxsize=64)
def feel(name: str, meter: Meter) -> Feel:
    """The feel as played in a meter.  Raises FeelError where its file cannot be played in it."""
    try:
        _check(name, meter)
        return _feel(name, meter)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        said = f"{error} is missing or unknown" if isinstance(error, KeyError) else str(error)
        if isinstance(error, AttributeError | TypeError):
            said = f"a list, a table or a number stands where another of them belongs ({error})"
        raise FeelError(f"The feel {name} cannot be played in {meter.text}: {said}.") from error


def _feel(name: str, meter: Meter) -> Feel:
    data = feel_file(name)
    table = data["meters"][meter.text]
    return Feel(
        name=name,
        swing=_swing(data["swing"]),
        count=tuple(table["count"]),
        drums={tools: _drum_book(book, meter) for tools, book in table["drums"].items()},
        comping=_comping(table["comping"]),
        two_beat=Choices.of(table["bass"]["two-beat"]),
        walks="walking" in data["basses"],
        sides=data.get("sides", False),
        weight=_weight(data.get("weight", {}), meter),
        last=Choices.of(table.get("last", _HELD)),
    )


# What a file says is read before anything is played, so that `check` and `build` refuse it alike,
# with its place.

_Path = tuple[str | int, ...]
_TEMPOS = ("from", "below")
# What a table may have, by where it stands: what it needs, and what else means something.
_HAVE: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "meter": (("count", "drums", "comping", "bass"), ("last",)),
    "drums": (("sticks", "brushes"), ()),
    "book": (("kit", "layers", "fill", "opening"), ("section", "endings")),
    "layer": (("sound", "level", "patterns"), ("comment", "phrases", "may", *_TEMPOS)),
    "stroke": (("sound", "level"), ()),
    "comping": (("cells", "strokes"), get_args(CompingKind)[:-1]),  # all but "off"
    "rhythms": (("cells", "strokes"), ()),
    "bass": (("two-beat",), ()),
    "patterns": (("patterns",), ()),
    "pattern": (("weight",), _TEMPOS),
}


def _check(name: str, meter: Meter) -> None:
    """Raises FeelError at the first word that means nothing in a meter, the first that is missing,
    or the first sound, kit or stroke that nobody can play."""
    table, top = feel_file(name)["meters"][meter.text], ("meters", meter.text)
    for path, kind, found in _tables(table):
        _check_keys(name, (*top, *path), found, *_HAVE[kind])
    for tools, book in table["drums"].items():
        for path, word, known in _named(book):
            if word not in known:
                _refuse_name(name, (*top, "drums", tools, *path), word, known)
    for path, pattern, read in _written(table):
        try:
            for bar in bars_of(pattern):
                read(bar, meter)
        except FeelError as error:
            raise FeelError(f"{feel_place(name, (*top, *path))}: {error}") from error


def _check_keys(
    name: str, path: _Path, found: Any, needed: tuple[str, ...], others: tuple[str, ...]
) -> None:
    allowed = (*needed, *others)
    if not isinstance(found, Mapping):
        raise FeelError(f"{feel_place(name, path)}: here stands a table of {listed(allowed)}")
    for key in found:
        if key not in allowed:
            _refuse_name(name, (*path, key), key, allowed)
    if missing := [key for key in needed if key not in found]:
        raise FeelError(f"{feel_place(name, path)}: {listed(missing)} is missing here")


def _tables(table: Any) -> Iterator[tuple[_Path, str, Any]]:
    """Every table of a meter whose words are settled, the outer ones first, with its place and
    its kind in `_HAVE`."""
    yield (), "meter", table
    yield ("drums",), "drums", table["drums"]
    for tools, book in table["drums"].items():
        yield ("drums", tools), "book", book
        for key in ("opening", "section"):
            if key in book:
                yield ("drums", tools, key), "stroke", book[key]
        for number, layer in enumerate(book["layers"]):
            yield ("drums", tools, "layers", number), "layer", layer
            yield from _long(("drums", tools, "layers", number, "patterns"), layer["patterns"])
    yield ("comping",), "comping", table["comping"]
    for who, rhythms in _own_rhythms(table["comping"]):
        yield ("comping", who), "rhythms", rhythms
        yield from _long(("comping", who, "cells"), rhythms["cells"])
    yield from _long(("comping", "cells"), table["comping"]["cells"])
    yield ("bass",), "bass", table["bass"]
    yield from _long(("bass", "two-beat"), table["bass"]["two-beat"])


def _long(path: _Path, patterns: Any) -> Iterator[tuple[_Path, str, Any]]:
    """The patterns that have more than a weight; or what stands there, where it is no table."""
    if not isinstance(patterns, Mapping):
        yield path, "patterns", patterns
        return
    for pattern, value in patterns.items():
        if isinstance(value, Mapping):
            yield (*path, pattern), "pattern", value


def _refuse_name(name: str, path: _Path, word: Any, known: Collection[str]) -> NoReturn:
    what = "kit" if known is KITS else "sound of the kit" if known is KEYS else "word of this table"
    meant = nearest(word, known)
    raise FeelError(
        f"{feel_place(name, path)}: {show(word)} is no {what}; allowed: {listed(known)}"
        + (f"; did you mean {meant}?" if meant else "")
    )


def _named(book: Mapping[str, Any]) -> Iterator[tuple[_Path, Any, Mapping[str, int]]]:
    """Every kit and sound that a drum book names, with its place and what is allowed there."""
    yield ("kit",), book["kit"], KITS
    for key in ("opening", "section"):
        if key in book:
            yield (key, "sound"), book[key]["sound"], KEYS
    for number, layer in enumerate(book["layers"]):
        yield ("layers", number, "sound"), layer["sound"], KEYS
    for key in ("fill", "endings"):
        for number, fill in enumerate(book.get(key, ())):
            for sound in fill:
                if sound not in _NO_SOUNDS:
                    yield (key, number, sound), sound, KEYS


def _written(table: Mapping[str, Any]) -> Iterator[tuple[_Path, str, Callable[..., object]]]:
    """Every pattern in a meter's table, with its place and what reads its bars."""
    for number, bar in enumerate(table["count"]):
        yield ("count", number), bar, strokes
    for pattern in table.get("last", ()):
        yield ("last", pattern), pattern, strokes
    for key, own in (("cells", table["comping"]), *table["comping"].items()):
        for pattern in own["cells"] if isinstance(own, Mapping) and "cells" in own else ():
            where = ("cells",) if key == "cells" else (key, "cells")
            yield ("comping", *where, pattern), pattern, strokes
    for tools, book in table["drums"].items():
        for path, pattern in _of_drums(book):
            yield ("drums", tools, *path), pattern, strokes
    for pattern in table.get("bass", {}).get("two-beat", ()):
        yield ("bass", "two-beat", pattern), pattern, figure_notes


def _of_drums(book: Mapping[str, Any]) -> Iterator[tuple[_Path, str]]:
    for number, layer in enumerate(book["layers"]):
        for key in ("patterns", "may"):
            for pattern in layer.get(key, ()):
                yield ("layers", number, key, pattern), pattern
    for key in ("fill", "endings"):
        for number, fill in enumerate(book.get(key, ())):
            for sound, pattern in fill.items():
                if sound not in _NO_SOUNDS:
                    yield (key, number, sound), pattern


def last_strokes(chart: Chart) -> tuple[PatternStroke, ...]:
    """How the whole band strikes the last chord, in the first bar of the ending."""
    drill = chart.drill
    choices = feel(drill.feel, drill.meter).last
    pattern = choices.draw(Random(f"{drill.luck} last chord"), float(chart.bars[-1].tempo))
    return strokes(pattern, drill.meter)


def _swing(value: Any) -> Swing:
    if value in ("published", "straight"):
        return cast("Swing", value)
    if not isinstance(value, int | float):
        raise ValueError(f"swing: {show(value)} is none of published, straight or a ratio")
    return float(value)


def _drum_book(book: Mapping[str, Any], meter: Meter) -> DrumBook:
    section = _cymbal(book["section"]) if "section" in book else _SECTION[book["kit"]]
    opening = _cymbal(book["opening"])
    rings = {opening[0]: "1", "bass drum": "1", "level": opening[1]}
    return DrumBook(
        book["kit"],
        tuple(_layer(layer, meter) for layer in book["layers"]),
        tuple(_fill(fill) for fill in book["fill"]),
        opening,
        section,
        tuple(_fill(ending) for ending in (rings, *book.get("endings", ()))),
    )


_WEIGHED = (*KEYS, "comping", "bass")


def _weight(
    table: Mapping[str, Mapping[int, Any]], meter: Meter
) -> Mapping[str, Mapping[int, float]]:
    """What is read of `weight`; beats that the meter has not are left out."""
    for who in table:
        if who not in _WEIGHED:
            raise ValueError(f"weight: {show(who)} is none of {listed(_WEIGHED)}")
    return {
        who: {beat - 1: float(level) for beat, level in beats.items() if beat <= meter.beats}
        for who, beats in table.items()
    }


def _cymbal(stroke: Mapping[str, Any]) -> tuple[str, float]:
    return stroke["sound"], float(stroke["level"])


def _layer(layer: Mapping[str, Any], meter: Meter) -> Layer:
    may = layer.get("may", {})
    return Layer(
        sound=layer["sound"],
        level=float(layer["level"]),
        choices=Choices.of(layer["patterns"]),
        tempos=Tempos.of(layer),
        comment=float(layer.get("comment", 0)),
        phrases=float(layer.get("phrases", 1)),
        may=tuple((read_stroke(word, meter), float(chance)) for word, chance in may.items()),
    )


def _fill(fill: Mapping[str, Any]) -> Fill:
    sounds = {sound: pattern for sound, pattern in fill.items() if sound not in _NO_SOUNDS}
    level = float(fill.get("level", _FILL_LEVEL))
    return Fill(sounds, level, Tempos.of(fill), fill.get("setup", False))


def _comping(table: Mapping[str, Any]) -> Mapping[str, Rhythms]:
    """Everybody's rhythms, and those of instruments that have their own."""
    return {name: _rhythms(each) for name, each in (("cells", table), *_own_rhythms(table))}


def _own_rhythms(table: Mapping[str, Any]) -> list[tuple[str, Any]]:
    return [(name, each) for name, each in table.items() if name not in ("cells", "strokes")]


def _rhythms(table: Mapping[str, Any]) -> Rhythms:
    rows = sorted(table["strokes"].items())
    return Rhythms(
        Choices.of(table["cells"]),
        tuple((float(tempo), float(low), float(high)) for tempo, (low, high) in rows),
    )


# Which bar of two comes first: the whole band keeps to one side.
#
# The bossa nova's clave and the samba's syncopations stand over two bars that are not alike, and a
# track may begin with either. Whoever plays, plays the same one: a comping figure that belongs to
# one bar is wrong in the other, and the two never turn round within a track (common practice). So a
# feel with `sides: true` writes every pattern of two bars with the same bar first, and the side
# that a track begins on is drawn once for everybody.


def counted(chart: Chart, bar: Bar) -> int:
    """Bars of music before this one, and one more where the track begins with the second bar of
    every pattern: patterns of two bars never turn round in a track."""
    lead_in = chart.drill.count_in.bars + (1 if chart.drill.count_in.starting_note else 0)
    return bar.number - lead_in + _turned(chart)


def _turned(chart: Chart) -> int:
    if not feel(chart.drill.feel, chart.drill.meter).sides:
        return 0
    return Random(f"{chart.drill.luck} side").randrange(2)
