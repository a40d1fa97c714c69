"""What every kind of line is given: the bars of one pass, the room to write in, and the tones that
lines are made of: chord tones, scale tones and the figures through them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any, NamedTuple

from quicktions import Fraction

from drillgen.chart import Bar, Span
from drillgen.drill.line_options import ChordScales, Named
from drillgen.drill.lines import NoteLength
from drillgen.score import Note
from drillgen.theory.chords import Chord, Numeral
from drillgen.theory.pitch import Degree, Key, Name, Pitch, in_range
from drillgen.theory.scales import SCALES, Scale, chord_scale

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
        return within(pitch, self.low, self.high)


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


def within(pitch: Pitch, low: int, high: int) -> Pitch:
    """A pitch, or its name as close to it as the range allows."""
    return pitch if low <= pitch.midi <= high else closest(pitch.name, pitch.midi, low, high)


# Figures: degrees over a root, given pitches inside the range and laid out in time.

_MOST_ACCIDENTALS = 2  # nobody reads a triple flat


def readable(pitch: Pitch) -> Pitch:
    """Itself, or the simplest name of its sound where it would need three accidentals."""
    if abs(pitch.name.alter) <= _MOST_ACCIDENTALS:
        return pitch
    return Pitch.near(pitch.name.simplest, pitch.midi)


# Neighbours on the next letter, fifths on their own: places on the line of fifths by semitones.
_BESIDE = {-2: -2, -1: 5, 1: -5, 2: 2, -5: 1, 7: 1}


def beside(target: Pitch, semitones: int) -> Pitch:
    """A neighbour (or a fifth above) outside any scale: D# below E, F# a tone above E."""
    name = Name(target.name.fifths + _BESIDE[semitones])
    return Pitch.near(name.simplest if abs(name.alter) > 1 else name, target.midi + semitones)


def outside(root: Pitch, degrees: Iterable[Degree], low: int, high: int) -> int:
    """How many of the degrees over a root the range does not hold."""
    return sum(not low <= root.midi + degree.semitones <= high for degree in degrees)


def roots(root: Name, degrees: Sequence[Degree], low: int, high: int) -> list[Pitch]:
    """The roots over which most of a figure lies in the range: all of it, if it can."""
    heights = [degree.semitones for degree in degrees]
    places = in_range(root, low - max(heights), high - min(heights))
    places = places or in_range(root, low - max(heights), high)
    out = [sum(not low <= each.midi + height <= high for height in heights) for each in places]
    return [pitch for pitch, each in zip(places, out, strict=True) if each == min(out)]


def folded(root: Pitch, degrees: Iterable[Degree], low: int, high: int) -> list[Pitch]:
    """The degrees over a root, those outside the range moved into it by octaves."""
    return [within(readable(root.up(degree)), low, high) for degree in degrees]


def count(cell: Cell, step: Fraction) -> int:
    """How many notes of a length fill a chord; the last may be cut short."""
    return -(-cell.span.duration // step)


def laid(cell: Cell, pitches: Sequence[Pitch], marks: Sequence[str], step: Fraction) -> list[Note]:
    """The pitches one after another, for as long as the chord lasts."""
    span = cell.span
    places = (span.start + index * step for index in range(len(pitches)))
    return [
        Note(place, min(step, span.end - place), pitch, mark=mark)
        for place, pitch, mark in zip(places, pitches, marks, strict=True)
    ]


_LEAST_TELLING = 5  # of a chord's tones


def filled(figure: Sequence[Degree], total: int) -> list[Degree]:
    """A figure for so many notes: there and back instead of leaping to its beginning (1 3 5 7 5 3
    1 …), or as much of it as there is time for, of three notes for four without the fifth."""
    if total == 3 < len(figure):
        telling = [tone for tone in figure if simple(tone).number != _LEAST_TELLING]
        figure = telling if len(telling) == total else figure
    there_and_back = [*figure, *figure[-2:0:-1]]
    return [there_and_back[index % len(there_and_back)] for index in range(total)]


# A chord's scale as a line uses it: chosen by the teacher or the table, and counted in steps.

_SIXTH = Degree(6)
_SHARP_FIFTH = Degree(5, 1)
_SEVENTH = Degree(7)
_MINOR_SEVENTH = Degree(7, -1)


def scale_of(
    chord: Chord, key: Key, home: Key, chosen: ChordScales, leads_to: Chord | None = None
) -> Scale:
    """The teacher's scale for a chord, one named for this very chord first; else the table's.

    `key` is the one that sounds, `home` the one in which the teacher wrote chord symbols;
    `leads_to` is the next chord on another root.
    """
    for named, scale in sorted(chosen, key=lambda each: isinstance(each[0], tuple)):
        if _is_meant(named, chord, key, home):
            return SCALES[scale]
    return chord_scale(chord, key, leads_to)


def scale_in(cell: Cell, context: PassContext, chosen: ChordScales) -> Scale:
    """The scale of a chord in its place."""
    return scale_of(cell.chord, cell.key, context.home, chosen, cell.span.leads_to)


def _is_meant(named: Named, chord: Chord, key: Key, home: Key) -> bool:
    if isinstance(named, Numeral):
        return _same(named.in_key(key), chord)
    if isinstance(named, Chord):
        return _same(named.transposed(key.tonic.fifths - home.tonic.fifths), chord)
    return named == chord.degrees


def _same(named: Chord, chord: Chord) -> bool:
    """Alike but for the bass and for how the root is spelled."""
    alike = named.degrees == chord.degrees
    return alike and named.root.pitch_class == chord.root.pitch_class


def with_passing_note(scale: Scale, chord: Chord) -> Scale:
    """The bebop form of a scale: an eighth note, so that every other one is a chord tone.

    Common practice: a major seventh between minor seventh and root; a sharp fifth where the chord
    has a sixth or major seventh, its sixth counting as a chord tone.  Scales that this cannot do it
    for (those of eight notes, altered, whole tone) stay as they are.
    """
    passing = _SEVENTH if Degree(7, -1) in scale.degrees and not chord.degree(6) else _SHARP_FIFTH
    degrees = sorted({*scale.degrees, passing}, key=lambda degree: degree.semitones)
    longer = Scale(f"{scale.name} with a passing {passing}", tuple(degrees))
    if len(degrees) == 8 > len(scale.degrees) and all(
        lands(longer, chord, degree) for degree in degrees[:8:2]
    ):
        return longer
    return scale


def lands(scale: Scale, chord: Chord, degree: Degree) -> bool:
    """Whether a bebop line rests on this tone: a chord tone, the seventh of a plain triad, or the
    sixth beside a passing sharp fifth."""
    plain = simple(degree)
    sixth = plain == _SIXTH and {Degree(5), _SHARP_FIFTH} <= {*scale.degrees}
    seventh = plain == Degree(7, -1) and chord.seventh is None
    return sixth or seventh or has(chord, degree)


def step(scale: Scale, index: int) -> Degree:
    """The scale's tone so many steps over its root; below it where the index is negative."""
    octave, place = divmod(index, len(scale.degrees))
    return scale.degrees[place].octaves(octave)


def simple(degree: Degree) -> Degree:
    """The same within an octave: 9 is 2, 8 is 1."""
    return Degree((degree.number - 1) % 7 + 1, degree.alter)


def mark_of(degree: Degree) -> str:
    """What a note says of itself: a degree below the root has its name above it, b7."""
    return str(degree if degree.number > 0 else simple(degree))


def degree_in(scale: Scale, chord: Chord, number: int) -> Degree:
    """A degree as the scale has it, the chord's own where it has several; where it has none, the
    tone nearest to the plain degree, the upper one of two (the 5 of an altered scale is its b6)."""
    wanted = (number - 1) % 7 + 1
    found = [degree for degree in scale.degrees if degree.number == wanted]
    own = [degree for degree in found if has(chord, degree)]
    if not found:
        plain = Degree(wanted).semitones
        found = sorted(
            scale.degrees, key=lambda each: (abs(each.semitones - plain), -each.semitones)
        )
    best = (own or found)[0]
    return Degree(best.number + number - wanted, best.alter)


def has(chord: Chord, degree: Degree) -> bool:
    """Whether a degree sounds like one of the chord's, in any octave."""
    return degree.semitones % 12 in {each.semitones % 12 for each in chord.played}


def degree_of(cell: Cell, number: int) -> Degree:
    """The chord's own version of a degree in any octave, else the one of its chord scale."""
    return degree_on(cell.chord, cell.key, number, cell.span.leads_to)


def degree_on(chord: Chord, key: Key, number: int, leads_to: Chord | None = None) -> Degree:
    """The same, of a chord in a key, with the chord that it leads to where that is known."""
    plain = (number - 1) % 7 + 1
    if plain == 3 and chord.is_suspended:
        own = chord.third
        return Degree((own.number if own else 3) + number - plain, own.alter if own else 0)
    own = chord.degree(number) or chord.degree(plain)
    if own is not None:
        return Degree(number, own.alter)
    return degree_in(chord_scale(chord, key, leads_to), chord, number)


def heard_tones(cell: Cell) -> tuple[Degree, Degree | None]:
    """Third and seventh as they are heard: a sus chord as a 7sus where its scale has the seventh,
    a triad as its third alone (common practice)."""
    chord = cell.chord
    third, seventh = chord.guide_tones
    if chord.seventh is not None:
        return third, seventh
    scale = chord_scale(chord, cell.key, cell.span.leads_to)
    return third, _MINOR_SEVENTH if chord.is_suspended and scale.has(_MINOR_SEVENTH) else None


# Filling time with chord tones in eighths, from one note towards another.
#
# A fill climbs or falls through the chord and turns as seldom as it can: once at the end of the
# range or half-way, and then goes on for two tones at least (common practice: back and forth
# between two tones is waiting, not playing). It ends close to what follows, on another note than
# that; of two as good the higher one is played, clear of the bass.

# What a fill costs, in semitones that its end lies from what follows.
_TURN = 3
_BACK_AT_ONCE = 30  # … a turn after one tone only
_SAID_BEFORE = 12  # … an end on a note that comes next or the one after that


class _Fill(NamedTuple):
    """A way through the chords so far."""

    cost: int
    pitches: tuple[Pitch, ...]
    way: int = 0  # 1 rising, -1 falling, 0 before it has moved
    run: int = 0  # tones since it turned, as far as two

    @property
    def depth(self) -> int:
        """How low it lies, as a sum of MIDI keys, the lower the more."""
        return -sum(pitch.midi for pitch in self.pitches)


@dataclass(frozen=True, slots=True)
class Filler:
    """Climbs or falls through the tones of whatever chords sound."""

    context: PassContext

    def lead_in(self, start: Fraction, end: Fraction, aim: Sequence[Pitch]) -> Iterator[Note]:
        """From the root of the chord there; nothing where there is no time."""
        chord = self._chord(start)
        if start < end and chord is not None:
            root = self.context.closest(chord.bass_name, self.context.near)
            yield Note(start, min(_EIGHTH, end - start), root, mark="1")
            yield from self.between((root,), start + _EIGHTH, end, aim)

    def between(
        self, last: Sequence[Pitch], start: Fraction, end: Fraction, aim: Sequence[Pitch]
    ) -> Iterator[Note]:
        """Eighths from `start` to `end` after the last notes, the last of them close to the first
        of what follows."""
        places = [start + _EIGHTH * index for index in range(-((start - end) // _EIGHTH))]
        ways = {(last[-1], 0): _Fill(0, (), *_heading(last))}
        for place in places:
            ways = self._onward(ways, last[-1], place)
        best = min(
            ways.values(), key=lambda fill: (fill.cost + _ends(fill, aim), fill.depth)
        ).pitches
        for place, pitch in zip(places, best, strict=True):
            yield Note(place, min(_EIGHTH, end - place), pitch, mark="")

    def _onward(
        self, ways: dict[tuple[Pitch, int], _Fill], begins: Pitch, place: Fraction
    ) -> dict[tuple[Pitch, int], _Fill]:
        """The cheapest way to each tone, from above and from below."""
        found: dict[tuple[Pitch, int], _Fill] = {}
        for fill in ways.values():
            last = fill.pitches[-1] if fill.pitches else begins
            for way in (1, -1):
                pitch = self._next(last, place, way) or last
                turns = fill.way == -way or pitch == last
                cost = fill.cost + turns * (_TURN if fill.run > 1 else _BACK_AT_ONCE)
                run = 1 if turns else min(fill.run + 1, 2)
                state = pitch, way * run
                if state not in found or cost < found[state].cost:
                    found[state] = _Fill(cost, (*fill.pitches, pitch), way, run)
        return found

    def _next(self, last: Pitch, place: Fraction, way: int) -> Pitch | None:
        """The chord tone next above (way 1) or below (-1) within the range."""
        chord = self._chord(place)
        low, high = (
            (last.midi + 1, self.context.high) if way > 0 else (self.context.low, last.midi - 1)
        )
        tones = [
            pitch
            for name in (chord.names[:4] if chord else ())
            for pitch in in_range(name, low, high)
        ]
        return min(tones, key=lambda pitch: abs(pitch.midi - last.midi), default=None)

    def _chord(self, place: Fraction) -> Chord | None:
        spans = (cell.span for cell in self.context.cells)
        return next((span.chord for span in spans if span.start <= place < span.end), None)


def _heading(last: Sequence[Pitch]) -> tuple[int, int]:
    """Which way the last two notes go: a tone that was approached may be left either way, but not
    by the note that led to it."""
    if len(last) < 2 or last[-2].midi == last[-1].midi:
        return 0, 2
    return (1 if last[-1].midi > last[-2].midi else -1), 2


def _ends(fill: _Fill, aim: Sequence[Pitch]) -> int:
    """What it costs to go on from a fill's end to what follows."""
    if not fill.pitches:
        return 0
    *_, before, last = (None, *(pitch.midi for pitch in fill.pitches))
    said = any(last == pitch.midi for pitch in aim[:2])
    returns = before == aim[0].midi
    return abs(last - aim[0].midi) + _SAID_BEFORE * said + _BACK_AT_ONCE * returns
