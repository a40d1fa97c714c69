"""Walking bass: a note a beat that outlines the chords and leads into each change.

Each chord's notes are the cheapest path from its first note to the next chord's first note, and the
last bar of a pass leads into whatever follows it: the next pass or key, a tag, the ending (common
practice).  What a note costs on its beat stands in `walking_beats.py`, what the motion between two
notes costs in `walking_way.py`, what saying something again costs in `walking_memory.py`.

Where a chord changes between the beats (two chords that share a bar of 3/4 or 5/4), the note before
is held into the change and the change into the next beat: dotted quarters in 3/4, never a lone
eighth beside a change (common practice).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import dropwhile
from random import Random

from drillgen.chart import Bar
from drillgen.drill.lines import Walking
from drillgen.lines.bare import bare
from drillgen.lines.stretch import Cell, Stretch, cells, closest, stepped
from drillgen.lines.walking_beats import approaches, heading, inner, targets
from drillgen.lines.walking_memory import Memory
from drillgen.lines.walking_way import Way, arrivals, begun, intervals, leads, onward
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

KIND = "walking"

_UNLED = 3.0  # where a chord goes on: into it by another interval than leads into a change


def write(stretch: Stretch, options: Walking) -> list[Note]:
    """A walking line as a study; in two, half as many notes.

    Alternating passes share one line: its roots and guide tones first, then all of it.
    """
    shares = options.version == "alternating"
    random = Random(f"{stretch.seed} {stretch.turn // 2}") if shares else stretch.random
    after = _after(stretch, shares)
    found = tuple(cells(stretch.bars, after))
    notes = walk(replace(stretch, random=random, cells=found), options, after)
    is_bare = {"full": False, "bare": True, "alternating": stretch.turn % 2 == 0}
    return bare(notes, stretch) if is_bare[options.version] else notes


def _after(stretch: Stretch, shares: bool) -> Bar | None:
    """The bar that a pass leads into; a line that two passes share, what follows the second."""
    here = stretch.bars[-1]
    later: Iterable[Bar] = (bar for bar in stretch.track.bars if bar.number > here.number)
    if shares and stretch.turn % 2 == 0:
        second = here.key_number, here.pass_number + 1, False
        later = dropwhile(
            lambda bar: (bar.key_number, bar.pass_number, _is_last(bar)) == second, later
        )
    return next(iter(later), None)


def _is_last(bar: Bar) -> bool:
    """Whether a bar comes after the last pass, whose number it has: in a tag, or in the ending."""
    return bar.tag or bar.role == "ending"


def walk(stretch: Stretch, options: Walking, after: Bar | None) -> list[Note]:
    """A note a beat (in two, every other beat) through every chord of the stretch, and led into
    the bar that comes after it, whose first note the track is told."""
    back = stretch.turn % 2 if options.version == "alternating" else 0
    walker = _Walker(stretch, options, Memory(stretch.track.said, stretch.bars, back))
    notes: list[Note] = []
    # Where the chord begins; None after a rest.
    pitch = stretch.track.led.get(stretch.bars[0].number)
    for index, cell in enumerate(stretch.cells):
        come_from = [notes[-1].pitch] if notes and pitch is not None else []
        if pitch is None:
            pitch = closest(cell.chord.bass_name, stretch.near, stretch.low, stretch.high)
        goes_on = index > 0 and stretch.cells[index - 1].chord == cell.chord
        places = stepped(cell, stretch.beat, 2 if options.two_beat else 1)
        path, target = walker.path(cell, len(places), [*come_from, pitch])
        notes += _noted(cell, places, path, first_mark="" if goes_on else "1")
        pitch = target if cell.following else None
    if after is not None and pitch is not None:
        stretch.track.led[after.number] = pitch
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

    stretch: Stretch
    options: Walking
    memory: Memory

    def path(self, cell: Cell, beats: int, so_far: list[Pitch]) -> tuple[list[Pitch], Pitch]:
        """The cheapest `beats` notes for a chord, and the next chord's first note.

        `so_far` ends with the chord's first note; before it may stand the note that it is reached
        from.
        """
        stretch, first = self.stretch, so_far[-1]
        leads_in = cell.following is not None and cell.following[0] != cell.chord
        middle = range(1, beats - 1 if leads_in else beats)
        aim = heading(cell, stretch)
        ways = onward(begun(so_far), [inner(cell, index, stretch) for index in middle], aim)
        best: tuple[float, list[Pitch], Pitch] | None = None
        for target, price in targets(cell, first, stretch, self.options):
            last = []
            if leads_in and beats > 1:
                last = [approaches(cell, first, target, stretch, self.options)]
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
