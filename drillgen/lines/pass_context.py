"""What every kind of line is given: the bars of one pass, and the room to write in."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random
from typing import Any

from drillgen.chart import Bar, Span
from drillgen.drill.lines import NoteLength
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key, Name, Pitch, in_range

_C_MAJOR = Key(Name(0))


@dataclass(frozen=True, slots=True)
class Cell:
    """A chord in its place, and the chord that comes after it."""

    span: Span
    chord: Chord
    key: Key
    bar_start: Fraction  # quarter notes from the track's start
    following: tuple[Chord, Key] | None  # None at the end, or before N.C.


@dataclass(frozen=True, slots=True)
class WholeTrack:
    """What a line may know of the track that its pass belongs to."""

    seed: int = 1
    keys: tuple[Key, ...] = ()
    passes: int = 1  # in all keys together
    bars: tuple[Bar, ...] = ()  # those that the line is written over, and the ending's
    led: dict[int, Pitch] = field(default_factory=dict)  # where the bass goes, by a bar's number
    said: set[Hashable] = field(default_factory=set)  # what earlier passes noted for later ones
    called: dict[Hashable, list[Any]] = field(default_factory=dict)  # the calls so far, in order


@dataclass(frozen=True, slots=True)
class PassContext:
    """One pass in one key, as a line is written over it.

    The bars are those that the student hears (or all of them, where call and response trade
    through the form), so their places in time need not touch.
    """

    bars: tuple[Bar, ...]  # calls and play (and, where the form goes on through them, responses)
    cells: tuple[Cell, ...]
    beat: Fraction  # quarter notes
    low: int  # sounding MIDI keys, both included
    high: int
    near: int  # MIDI key that the line should start close to
    random: Random
    turn: int = 0  # which pass in this key, from 0
    progress: float = 0.0  # how far through the track: 0 in its first pass, 1 in its last
    seed: str = ""  # the same for every pass in this key, unlike `random`'s
    home: Key = _C_MAJOR  # the key in which the drill's chord symbols are written
    before: tuple[Note, ...] = ()  # what was written for the pass before
    clear_of: int = 0  # MIDI key below which the band's bass plays: avoided by whoever can
    begin: Fraction = Fraction(0)  # quarter notes into each call before which nothing sounds
    track: WholeTrack = field(default_factory=WholeTrack)

    def holds(self, key: int) -> bool:
        """Whether a MIDI key lies in the range."""
        return self.low <= key <= self.high

    def closest(self, name: Name, near: float) -> Pitch:
        """The pitch of that name in the range that is closest to a MIDI key."""
        return closest(name, near, self.low, self.high)

    def within(self, pitch: Pitch) -> Pitch:
        """A pitch, or its name as close to it as the range allows."""
        return self.closest(pitch.name, pitch.midi)


_EIGHTH = Fraction(1, 2)
_PARTS_OF_A_BEAT: dict[NoteLength, int] = {"quarter": 1, "eighth": 2, "triplet": 3}


def note_length(note: NoteLength, beat: Fraction) -> Fraction:
    """A quarter (a beat), an eighth or an eighth of a triplet, in quarter notes.

    In 6/8 and 12/8 the beat has three eighths, which are written as they are.
    """
    if note == "eighth" and beat % 1:
        return _EIGHTH
    return beat / _PARTS_OF_A_BEAT[note]


def open_spans(bars: Iterable[Bar], begin: Fraction = Fraction(0)) -> list[Span]:
    """The neighbouring bars in which the line may sound, as spans; each opens `begin` quarter
    notes after its first bar does.  Responses are left to the student."""
    spans: list[Span] = []
    for bar in bars:
        if bar.role == "response":
            continue
        if spans and spans[-1].end == bar.start:
            spans[-1] = replace(spans[-1], duration=spans[-1].duration + bar.length)
        else:
            spans.append(Span(bar.start + begin, bar.length - begin, None))
    return spans


Writer = Callable[[PassContext, Any], list[Note]]


def cells(bars: Iterable[Bar], after: Bar | None = None) -> Iterator[Cell]:
    """The chords of some bars, in order, N.C. left out; `after` is the bar that comes next."""
    bars = list(bars)
    tail = [after] if after is not None else []
    places = [(bar, span) for bar in [*bars, *tail] for span in bar.spans]
    count = sum(len(bar.spans) for bar in bars)
    for index, (bar, span) in enumerate(places[:count]):
        if span.chord is not None:
            following = places[index + 1] if index + 1 < len(places) else None
            yield Cell(span, span.chord, bar.key, bar.start, _chord(following))


def stepped(cell: Cell, beat: Fraction, beats: int = 1) -> list[Fraction]:
    """Where a chord's notes begin: on its start, and then every `beats` beats of its bar, at least
    a beat from the note before and from the chord's end."""
    places, step = [cell.span.start], beat * beats
    place = cell.bar_start + step * ((cell.span.start - cell.bar_start) // step + 1)
    while place + beat <= cell.span.end:
        if place - places[-1] >= beat:
            places.append(place)
        place += step
    return places


def _chord(place: tuple[Bar, Span] | None) -> tuple[Chord, Key] | None:
    if place is None or place[1].chord is None:
        return None
    return place[1].chord, place[0].key


def closest(name: Name, near: float, low: int, high: int) -> Pitch:
    """The pitch of that name closest to `near` within the range; the lower one on a tie.

    A range of less than an octave may not hold the name: then the closest to the range is given.
    """
    inside = in_range(name, low, high)
    if not inside:
        return Pitch.near(name, (low + high) / 2)
    return min(inside, key=lambda pitch: (abs(pitch.midi - near), pitch.midi))
