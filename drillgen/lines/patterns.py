"""Kinds of line that take each chord by itself: roots, arpeggios, scale patterns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

from drillgen.drill.lines import Arpeggio, Roots, ScalePattern
from drillgen.lines.pass_context import Cell, PassContext, note_length
from drillgen.lines.tones import (
    count,
    degree_in,
    degree_of,
    folded,
    laid,
    lands,
    placed,
    readable,
    scale_in,
    simple,
    step,
    with_passing_note,
)
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Pitch, in_range
from drillgen.theory.scales import Scale

# Roots: the root (or the bass of a slash chord) of each chord, held for its length.


def roots(context: PassContext, options: Roots) -> list[Note]:
    """One note a chord, each close to the one before."""
    notes: list[Note] = []
    near = context.near
    for cell in context.cells:
        pitch = context.closest(cell.chord.bass_name, near)
        # Half-way back to where the line began, so that a cycle of fourths does not climb away.
        near = (pitch.midi + context.near) // 2
        notes.append(Note(cell.span.start, cell.span.duration, pitch, mark="1"))
    return notes


# Arpeggios: the tones of each chord in a stated order.
#
# The order is written in degrees, each as high over the root as its number (1 3 5 7, 7 5 3 1, 3 5 7
# 9, 5 1 3 7; 8 is the upper root); each takes the chord's own third, fifth and so on. A degree that
# the chord lacks is taken from its chord scale, so 1 3 5 7 works over a triad; a suspended chord's
# fourth (or second) stands for its third.

_Tone = TypeVar("_Tone", Degree, Pitch)
_TWO_OCTAVES = 24  # semitones: no figure is wider
_BACKWARDS = 2  # what it costs to play the figure backwards, in semitones to the last note
_FOLDED = 12  # what a folded tone costs, in semitones of distance to the last note


def arpeggio(context: PassContext, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, repeated for as long as the chord lasts, or played
    there and back where it is connected."""
    step = note_length(options.note, context.beat)
    order = inverted(options.order, options.inversion)
    notes: list[Note] = []
    for index, cell in enumerate(context.cells):
        answers = options.direction == "alternating" and index % 2 == 1
        falls = options.direction == "down" or answers
        degrees = [degree_of(cell, number) for number in (order[::-1] if falls else order)]
        if options.connect and notes:
            degrees, pitches = _joined(cell.chord, degrees, notes[-1].pitch.midi, context)
        else:
            # A falling answer to a rising chord begins where that one ended.
            near = notes[-1].pitch.midi if answers else context.near
            pitches = placed(cell.chord.root, degrees, near, context)
        if options.connect:
            degrees, pitches = _there_and_back(degrees), _there_and_back(pitches)
        notes += laid(cell, pitches, [str(degree) for degree in degrees], step)
    return notes


def _there_and_back(figure: list[_Tone]) -> list[_Tone]:
    """So that a connected figure that is repeated goes on without a leap: 1 3 5 7 5 3."""
    return figure + figure[-2:0:-1]


def inverted(order: tuple[int, ...], inversion: int) -> tuple[int, ...]:
    """The same shape from higher tones of the figure: 1 3 5 7 becomes 3 5 7 8, then 5 7 8 10."""
    ladder = sorted({number + 7 * octave for number in order for octave in range(inversion + 1)})
    return tuple(ladder[ladder.index(number) + inversion] for number in order)


def _joined(
    chord: Chord, degrees: list[Degree], last: int, context: PassContext
) -> tuple[list[Degree], list[Pitch]]:
    """The figure turned to begin with the tone nearest to the last note, going on in its own
    direction (5 7 8 10 of a rising 1 3 5 7), or backwards where the range ends."""
    found = [
        (_cost(pitches, last, context) + price, index, tones, pitches)
        for index, (price, tones, pitches) in enumerate(_turns(chord, degrees, context))
    ]
    _, _, tones, pitches = min(found, key=lambda each: each[:2])
    return tones, [context.within(pitch) for pitch in pitches]


def _cost(pitches: list[Pitch], last: int, context: PassContext) -> int:
    outside = sum(not context.holds(pitch.midi) for pitch in pitches)
    return abs(pitches[0].midi - last) + _FOLDED * outside


def _turns(
    chord: Chord, degrees: list[Degree], context: PassContext
) -> Iterator[tuple[int, list[Degree], list[Pitch]]]:
    """Every way to begin the figure on one of its tones: what it costs by itself, its degrees and
    its pitches, some of them outside the range."""
    places = in_range(chord.root, context.low - _TWO_OCTAVES, context.high + _TWO_OCTAVES)
    for order, price in ((degrees, 0), (degrees[::-1], _BACKWARDS)):
        for first in range(len(order)):
            tones = order[first:] + order[:first]
            yield from ((price, tones, _turned(order, root, first)) for root in places)


def _turned(degrees: list[Degree], root: Pitch, first: int) -> list[Pitch]:
    """A figure from one of its tones on; what came before that goes on above or below the rest."""
    onward = 1 if degrees[-1].semitones > degrees[0].semitones else -1
    later = [root.up(degree).octaves(onward) for degree in degrees[:first]]
    return [readable(pitch) for pitch in (*map(root.up, degrees[first:]), *later)]


# Scale patterns: 1235, or the scale in steps, thirds, fourths or groups of four.
#
# Each chord takes its own scale (the tables of `theory/scales.py`, or the teacher's choice) and is
# begun anew from its root. A scale goes up its octave and, if the chord lasts longer, down again: 1
# 2 3 4 5 6 7 8 7 6 …; in thirds 1 3 2 4 … 6 8 7 5 6 4 … Connected, it goes on through every change
# with the nearest tone of the new scale and turns at the ends of the range.

# Each pattern as steps over the tone that it is moved along the scale from; rising.
_SHAPES: dict[str, tuple[int, ...]] = {
    "scale": (0,),
    "thirds": (0, 2),
    "fourths": (0, 3),
    "groups of four": (0, 1, 2, 3),
}

_STEPS = (1, 2)  # semitones

_Line = list[tuple[Degree, Pitch]]


@dataclass(frozen=True, slots=True)
class _Walk:
    """A shape moved along a scale, turning back at both ends."""

    shape: tuple[int, ...]
    first: int  # where the shape begins, in scale steps over the root
    lowest: int
    highest: int
    falls: bool

    def steps(self, total: int) -> tuple[list[int], bool]:
        """That many notes, as scale steps over the root, and whether it falls then."""
        place, falls = self.first, self.falls
        found: list[int] = []
        while True:
            found += (place + each for each in (self.shape[::-1] if falls else self.shape))
            falls = place > self.lowest if falls else place >= self.highest
            place += -1 if falls else 1
            if len(found) >= total:
                return found[:total], falls


@dataclass(frozen=True, slots=True)
class _Chord:
    """A chord to be filled."""

    chord: Chord
    scale: Scale
    total: int  # notes
    added: frozenset[Degree] = frozenset()  # passing notes that the scale has been given


def scale_pattern(context: PassContext, options: ScalePattern) -> list[Note]:
    """Each chord's pattern for exactly as long as the chord lasts."""
    length = note_length(options.note, context.beat)
    tasks = [_task(cell, context, options, count(cell, length)) for cell in context.cells]
    through = options.connect and isinstance(options.pattern, str)
    lines = _through(tasks, context, options) if through else _anew(tasks, context, options)
    notes: list[Note] = []
    for cell, line in zip(context.cells, lines, strict=True):
        marks = [str(simple(degree)) for degree, _ in line]
        notes += laid(cell, [pitch for _, pitch in line], marks, length)
    return notes


def _task(cell: Cell, context: PassContext, options: ScalePattern, total: int) -> _Chord:
    scale = scale_in(cell, context, options.scales)
    longer = with_passing_note(scale, cell.chord) if options.bebop else scale
    return _Chord(cell.chord, longer, total, frozenset(longer.degrees) - {*scale.degrees})


def _anew(tasks: list[_Chord], context: PassContext, options: ScalePattern) -> Iterator[_Line]:
    """Each chord from its root; an answer the other way, or a connected figure, begins close to
    where the last chord ended, and after a passing note of a bebop line with the tone that this
    leads to."""
    last: int | None = None
    led_to: set[int] = set()  # pitch classes
    for index, task in enumerate(tasks):
        answers = options.direction == "alternating" and index % 2 == 1
        falls = answers or options.direction == "down"
        degrees = _degrees(task, falls, led_to if answers else set(), options)
        near = last if last and (answers or options.connect) else context.near
        pitches = placed(task.chord.root, degrees, near, context)
        last = pitches[-1].midi
        passes = simple(degrees[-1]) in task.added
        onward = 1 if degrees[-1].semitones > degrees[0].semitones else -1
        led_to = {(last + onward * step) % 12 for step in _STEPS} if passes else set()
        yield list(zip(degrees, pitches, strict=True))


def _degrees(task: _Chord, falls: bool, led_to: set[int], options: ScalePattern) -> list[Degree]:
    """The degrees from the root on, or down to it; of a bebop line also those from the third, or
    from what it is led to, if so the chord tones come on the beats."""
    if isinstance(options.pattern, tuple):
        order = options.pattern[::-1] if falls else options.pattern
        degrees = [degree_in(task.scale, task.chord, number) for number in order]
        return [degrees[index % len(degrees)] for index in range(task.total)]
    shape = _SHAPES[options.pattern]
    if not options.bebop:
        return _octave(task, 0, shape, falls)
    starts = dict.fromkeys((0, _third(task), *range(len(task.scale.degrees) if led_to else 0)))
    lines = [_octave(task, start, shape, falls) for start in starts]

    def wrong(line: list[Degree]) -> tuple[int, bool]:
        begins = task.chord.root.above(line[0]).pitch_class
        return _missed(task, line), bool(led_to) and begins not in led_to

    return min(lines, key=wrong)


def _octave(task: _Chord, lowest: int, shape: tuple[int, ...], falls: bool) -> list[Degree]:
    """The shape up and down the octave over one tone of the scale."""
    highest = lowest + len(task.scale.degrees) - max(shape)
    walk = _Walk(shape, highest if falls else lowest, lowest, highest, falls)
    return [step(task.scale, each) for each in walk.steps(task.total)[0]]


def _third(task: _Chord) -> int:
    """The step of the scale's third; its second step where it has none."""
    thirds = (i for i, each in enumerate(task.scale.degrees) if each == task.chord.degree(3))
    return next(thirds, 1)


def _missed(task: _Chord, eighths: list[Degree]) -> int:
    """How many beats of a bebop line fall on other than chord tones."""
    return sum(not lands(task.scale, task.chord, degree) for degree in eighths[::2])


def _through(tasks: list[_Chord], context: PassContext, options: ScalePattern) -> Iterator[_Line]:
    """One line through all the chords, up and down the whole range."""
    falls = options.direction == "down"
    due = context.closest(tasks[0].chord.root, context.near).midi if tasks else 0
    for task in tasks:
        root = context.closest(task.chord.root, due)
        walk = min(
            _walks(task, root, falls, context, _SHAPES[str(options.pattern)]),
            key=lambda walk: _astray(walk, task, due - root.midi, options),
        )
        steps, falls = walk.steps(task.total + 1)
        *degrees, following = (step(task.scale, each) for each in steps)
        due = root.midi + following.semitones  # what would come next, went this chord on
        pitches = folded(root, degrees, context)
        yield list(zip(degrees, pitches, strict=True))


def _walks(
    task: _Chord, root: Pitch, falls: bool, context: PassContext, shape: tuple[int, ...]
) -> Iterator[_Walk]:
    """Every walk within the range that sets out this way."""
    reach = context.high - context.low + 1  # more steps than any scale has in the range
    inside = [
        each
        for each in range(-reach, reach)
        if context.holds(root.midi + step(task.scale, each).semitones)
    ]
    lowest, highest = inside[0], inside[-1] - max(shape)
    for place in range(lowest, highest + 1):
        yield _Walk(shape, place, lowest, highest, falls)


def _astray(walk: _Walk, task: _Chord, due: int, options: ScalePattern) -> tuple[int, int, int]:
    """What is wrong with a walk: beats without chord tones where these matter, then how far from
    the due note it begins, then that it begins behind it.  `due` is in semitones over the root."""
    degrees = [step(task.scale, each) for each in walk.steps(task.total)[0]]
    missed = _missed(task, degrees) if options.bebop else 0
    beyond = due - degrees[0].semitones if walk.falls else degrees[0].semitones - due
    return missed, abs(beyond), -beyond
