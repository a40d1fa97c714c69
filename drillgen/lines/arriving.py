"""How a line ends: on what it comes to rest.

Common practice: a player comes to rest before leaving the word to another, on 1, 3 or 5 of the
chord, by step where that can be, on one of the last two beats, and holds it to the bar line; and
nobody stops before the last chord: every line goes to its nearest 1, 3 or 5 and holds that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.lines import Arpeggio, Enclosure, Line, ScalePattern, Walking
from drillgen.lines.pass_context import (
    PassContext,
    degree_on,
    mark_of,
    open_spans,
    readable,
    scale_of,
)
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Pitch, in_range

# Kinds that run on from note to note.  The others end as they are: what a teacher wrote and what
# phrases say, guide tones and roots that are held anyhow.
_RUNNING = (Arpeggio, ScalePattern, Walking, Enclosure)
_RESTS_ON = (1, 3, 5)
_STEP, _THIRD = 2, 4  # semitones
_STEPWISE = (ScalePattern, Walking)  # what may be led to its last note by another scale tone
_CHANGED = 2  # what that costs
# What a last note costs: each semitone of a move that is no step, and of a line that goes by steps;
# the last note again; another note than the line had there; sooner than on the last beat.
_WIDE, _WIDE_AMONG_STEPS, _AGAIN, _OTHER, _SOON = 1, 4, 5, 2, 1


def before_gaps(
    notes: Sequence[Note], bars: Sequence[Bar | None], context: PassContext, options: Line
) -> list[Note]:
    """The notes of a pass, with an arrival at the end of each call that a response follows; `bars`
    are those of the pass and the one after it, if there is any."""
    found = list(notes)
    if not isinstance(options, _RUNNING):
        return found
    if isinstance(options, Enclosure) and options.fill == "rest":
        return found
    for bar, after in pairwise(bars):
        if bar and after and (bar.role, after.role) == ("call", "response"):
            found = _arrived(found, bar, context, options)
    return found


def _arrived(notes: list[Note], bar: Bar, context: PassContext, options: Line) -> list[Note]:
    """The notes with an arrival at the end of one bar."""
    call = next(span for span in open_spans([bar]))
    heard = [note for note in notes if note.start < bar.end]
    places = [bar.end - 2 * context.beat, bar.end - context.beat]
    if len(heard) < 2 or heard[-1].start < bar.start:
        return notes
    if heard[-1].start < places[0]:  # held already
        held = replace(heard[-1], duration=call.end - heard[-1].start)
        return [*heard[:-1], held, *notes[len(heard) :]]
    stepwise = isinstance(options, _STEPWISE)
    wide = _WIDE_AMONG_STEPS if stepwise else _WIDE
    stride = _THIRD if isinstance(options, Arpeggio) else _STEP
    ways = [way for place in places for way in _ways(heard, place, bar, context, wide, stride)]
    if stepwise:
        ways += [way for place in places for way in _led(heard, place, bar, context, options)]
    if not ways:
        return notes
    _, end = min(ways, key=lambda way: (way[0], [note.pitch.midi for note in way[1]]))
    kept = [_until(note, end[0].start) for note in heard if note.start < end[0].start]
    return [*kept, *end, *notes[len(heard) :]]


def _until(note: Note, end: Fraction) -> Note:
    return replace(note, duration=min(note.duration, end - note.start))


_Way = tuple[float, list[Note]]  # what it costs, and the notes that end the call


def _ways(
    notes: Sequence[Note],
    place: Fraction,
    bar: Bar,
    context: PassContext,
    wide: int,
    stride: int = _STEP,
) -> Iterator[_Way]:
    """Every last note that could fall on a place; `wide` is what each semitone costs of a move that
    is no step, `stride` how far the line's own note there may lie as well: broken chords go by
    thirds."""
    earlier = [note for note in notes if note.start < place]
    span = bar.span_at(place)
    if not earlier or span is None or span.chord is None:
        return
    before = earlier[-1].pitch
    own = next((note.pitch for note in notes if note.start == place), None)
    soon = _SOON * (place < bar.end - context.beat)
    for degree, pitch in _rests(span.chord, bar.key, context.low, context.high):
        away, other = abs(pitch.midi - before.midi), own is None or own.midi != pitch.midi
        near = _STEP if other else stride
        cost = _AGAIN if away == 0 else 0 if away <= near else wide * away
        cost += soon + _OTHER * other
        yield cost, [Note(place, bar.end - place, pitch, mark=mark_of(degree))]


def _led(
    notes: Sequence[Note], place: Fraction, bar: Bar, context: PassContext, options: Line
) -> Iterator[_Way]:
    """Every last note with another one before it than the line had: a scale tone beside it."""
    earlier = [note for note in notes if note.start < place]
    if len(earlier) < 2:
        return
    before, given = earlier[-2:]
    span = bar.span_at(given.start)
    if span is None or span.chord is None:
        return
    scale = scale_of(span.chord, bar.key, context.home, options.chosen_scales, span.leads_to)
    tones = [
        (degree, pitch)
        for degree in scale.degrees
        for pitch in in_range(span.chord.root.above(degree), context.low, context.high)
        if 0 < abs(pitch.midi - before.pitch.midi) <= _THIRD
    ]
    for degree, pitch in tones:
        led = replace(given, pitch=readable(pitch), mark=mark_of(degree))
        changed = [*earlier[:-1], led, *notes[len(earlier) :]]
        for cost, end in _ways(changed, place, bar, context, _WIDE):
            if abs(end[0].pitch.midi - pitch.midi) <= _STEP:
                yield cost + _CHANGED + abs(pitch.midi - given.pitch.midi) / 4, [led, *end]


def _rests(chord: Chord, key: Key, low: int, high: int) -> Iterator[tuple[Degree, Pitch]]:
    """1, 3 and 5 of a chord in every octave of a range."""
    for number in _RESTS_ON:
        degree = degree_on(chord, key, number)
        for pitch in in_range(chord.root.above(degree), low, high):
            yield degree, pitch


def on_the_last_chord(
    chart: Chart, options: Line, notes: Sequence[Note], context: PassContext
) -> Iterator[Note]:
    """What is held through the ending: for each voice the nearest 1, 3 or 5 of the last chord; of a
    line that is made of named notes, one of those that it has in this key."""
    final = chart.ending
    chord = final[0].spans[0].chord if final else None
    if not notes or chord is None:
        return
    start, end = final[0].start, final[-1].end
    choices = list(_rests(chord, final[0].key, context.low, context.high))
    if options.notes_used:
        choices = _named(choices, notes, final[0], chart)
    taken: set[int] = set()
    for before in _voices(notes):
        free = [each for each in choices if each[1].midi not in taken]
        if not free:
            return
        degree, pitch = min(free, key=lambda each: _distance(each, before.pitch))
        taken.add(pitch.midi)
        yield Note(start, end - start, pitch, "held", mark=mark_of(degree))


def _distance(choice: tuple[Degree, Pitch], before: Pitch) -> tuple[int, int]:
    return abs(choice[1].midi - before.midi), choice[1].midi


def _voices(notes: Sequence[Note]) -> list[Note]:
    """What sounded last, from low to high."""
    last = notes[-1].start
    return sorted((n for n in notes if n.start == last), key=lambda note: note.pitch.midi)


def _named(
    choices: Sequence[tuple[Degree, Pitch]], notes: Sequence[Note], final: Bar, chart: Chart
) -> list[tuple[Degree, Pitch]]:
    """The choices that the line has sounded in the last key; its last note where it has none."""
    own = [note for note in notes if chart.bar_at(note.start).key_number == final.key_number]
    keys = {note.pitch.midi for note in own}
    found = [(degree, pitch) for degree, pitch in choices if pitch.midi in keys]
    return found or [(Degree.parse(notes[-1].mark), notes[-1].pitch)]
