"""Walking bass: a note a beat that outlines the chords and leads into each change.

Each chord's notes are the cheapest path from its first note to the next chord's first note, and the
last bar of a pass leads into whatever follows it: the next pass or key, a tag, the ending (common
practice).  What a note and the motion to it cost stands in `walking_search.py`;
what saying something again costs, here.

Where a chord changes between the beats (two chords that share a bar of 3/4 or 5/4), the note before
is held into the change and the change into the next beat: dotted quarters in 3/4, never a lone
eighth beside a change (common practice).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import dropwhile
from random import Random

from drillgen.chart import Bar
from drillgen.drill.lines import Walking
from drillgen.lines.pass_context import Cell, PassContext, cells, stepped
from drillgen.lines.walking_search import (
    Way,
    approaches,
    arrivals,
    begun,
    heading,
    inner,
    intervals,
    leads,
    onward,
    targets,
)
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

# The bones of a walking line: what is left when only roots and guide tones are kept.


def bare(notes: Sequence[Note], context: PassContext) -> list[Note]:
    """A line's roots and guide tones, each held until the next of them or where the line stops."""
    held: list[Note] = []
    for cell in context.cells:
        guides = (cell.chord.root.above(degree) for degree in cell.chord.guide_tones)
        kept = {name.pitch_class for name in (cell.chord.root, cell.chord.bass_name, *guides)}
        for note in notes:
            if not cell.span.start <= note.start < cell.span.end:
                continue
            if note.pitch.name.pitch_class in kept:
                held.append(note)
            elif held and held[-1].start + held[-1].duration == note.start:
                held[-1] = replace(held[-1], duration=held[-1].duration + note.duration)
    return held


# What a walking bass remembers, so as not to say the same thing again.
#
# Common practice: a player varies; a figure is not used for two chords that are close together, nor
# a whole bar of the form played just so chorus after chorus.

Figure = tuple[int, ...]  # melodic intervals in semitones, so that it is the same in every key

_LATELY = 4  # chords
_CHORUSES = 2
_AGAIN = 1.0  # an interval of a figure that one of the last few chords had, too
_AS_BEFORE = 3.0  # … a bar as in one of the last choruses


class Memory:
    """The figures of the last few chords, and of each bar of the form in earlier choruses."""

    def __init__(self, said: set[Hashable], bars: Iterable[Bar], back: int = 0) -> None:
        """`said` is what earlier stretches left behind.  `back`: how many passes before this one
        began the line that it shares with them."""
        self._said = said
        self._bars = {bar.start: bar for bar in bars}
        self._back = back
        self._lately: deque[Figure] = deque(maxlen=_LATELY)
        self._bar: list[Figure] = []  # what was played in this bar so far

    def price(self, cell: Cell, figure: Figure) -> float:
        """What it costs to play a figure over a chord."""
        cost = _AGAIN * len(figure) if figure in self._lately else 0.0
        if self._ends_bar(cell):
            before = (self._place(cell, figure, back) for back in range(1, _CHORUSES + 1))
            cost += _AS_BEFORE if any(place in self._said for place in before) else 0.0
        return cost

    def keep(self, cell: Cell, figure: Figure) -> None:
        """Remember what is played."""
        self._lately.append(figure)
        if self._ends_bar(cell):
            self._said.add(self._place(cell, figure, 0))
            self._bar = []
        else:
            self._bar.append(figure)

    def _ends_bar(self, cell: Cell) -> bool:
        return cell.span.end == self._bars[cell.bar_start].end

    def _place(self, cell: Cell, figure: Figure, back: int) -> Hashable:
        bar = self._bars[cell.bar_start]
        return bar.pass_number + bar.tag - self._back - back, bar.form_bar, (*self._bar, figure)


_UNLED = 3.0  # where a chord goes on: into it by another interval than leads into a change


def write(context: PassContext, options: Walking) -> list[Note]:
    """A walking line as a study; in two, half as many notes.

    Alternating passes share one line: its roots and guide tones first, then all of it.
    """
    shares = options.version == "alternating"
    random = Random(f"{context.seed} {context.turn // 2}") if shares else context.random
    after = _after(context, shares)
    found = tuple(cells(context.bars, after))
    notes = walk(replace(context, random=random, cells=found), options, after)
    is_bare = {"full": False, "bare": True, "alternating": context.turn % 2 == 0}
    return bare(notes, context) if is_bare[options.version] else notes


def _after(context: PassContext, shares: bool) -> Bar | None:
    """The bar that a pass leads into; a line that two passes share, what follows the second."""
    here = context.bars[-1]
    later: Iterable[Bar] = (bar for bar in context.track.bars if bar.number > here.number)
    if shares and context.turn % 2 == 0:
        second = here.key_number, here.pass_number + 1, False
        # A tag and the ending have the number of the last pass, which they come after.
        later = dropwhile(
            lambda bar: (
                (bar.key_number, bar.pass_number, bar.tag or bar.role == "ending") == second
            ),
            later,
        )
    return next(iter(later), None)


def walk(context: PassContext, options: Walking, after: Bar | None) -> list[Note]:
    """A note a beat (in two, every other beat) through every chord of the pass, and led into
    the bar that comes after it, whose first note the track is told."""
    back = context.turn % 2 if options.version == "alternating" else 0
    walker = _Walker(context, options, Memory(context.track.said, context.bars, back))
    notes: list[Note] = []
    # Where the chord begins; None after a rest.
    pitch = context.track.led.get(context.bars[0].number)
    for index, cell in enumerate(context.cells):
        come_from = [notes[-1].pitch] if notes and pitch is not None else []
        if pitch is None:
            pitch = context.closest(cell.chord.bass_name, context.near)
        goes_on = index > 0 and context.cells[index - 1].chord == cell.chord
        places = stepped(cell, context.beat, 2 if options.two_beat else 1)
        path, target = walker.path(cell, len(places), [*come_from, pitch])
        notes += _noted(cell, places, path, first_mark="" if goes_on else "1")
        pitch = target if cell.following else None
    if after is not None and pitch is not None:
        context.track.led[after.number] = pitch
    return notes


def _noted(
    cell: Cell, places: Sequence[Fraction], path: Sequence[Pitch], first_mark: str
) -> Iterator[Note]:
    guides = {cell.chord.root.above(degree): str(degree) for degree in cell.chord.guide_tones}
    ends = [*places[1:], cell.span.end]
    for place, end, pitch in zip(places, ends, path, strict=True):
        mark = guides.get(pitch.name, first_mark if place == cell.span.start else "")
        yield Note(place, end - place, pitch, mark=mark)


@dataclass(frozen=True, slots=True)
class _Walker:
    """Who finds the way through one chord after the other."""

    context: PassContext
    options: Walking
    memory: Memory

    def path(self, cell: Cell, beats: int, so_far: list[Pitch]) -> tuple[list[Pitch], Pitch]:
        """The cheapest `beats` notes for a chord, and the next chord's first note.

        `so_far` ends with the chord's first note; before it may stand the note that it is reached
        from.
        """
        context, first = self.context, so_far[-1]
        leads_in = cell.following is not None and cell.following[0] != cell.chord
        middle = range(1, beats - 1 if leads_in else beats)
        aim = heading(cell, context)
        ways = onward(begun(so_far), [inner(cell, index, context) for index in middle], aim)
        best: tuple[float, list[Pitch], Pitch] | None = None
        for target, price in targets(cell, first, context, self.options):
            last = []
            if leads_in and beats > 1:
                last = [approaches(cell, first, target, context, self.options)]
            for cost, way in arrivals(onward(ways, last, aim), target):
                if best is not None and cost + price >= best[0]:
                    break  # the others cost more still
                total = cost + price + self._habits(cell, way, target)
                if best is None or total < best[0]:
                    best = (total, way.path, target)
        assert best is not None  # there is always a target: at least the nearest note
        self.memory.keep(cell, intervals(best[1]))
        return best[1], best[2]

    def _habits(self, cell: Cell, way: Way, target: Pitch) -> float:
        """What a way costs as a whole: saying something again, or not leading into the target."""
        led = cell.following is None or leads(target.midi - way.key)
        return self.memory.price(cell, intervals(way.path)) + (0.0 if led else _UNLED)
