"""A line as the hand meets it: one moment after another, each a note or a chord."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from drillgen.score import Note
from drillgen.sheet.fingering.effort import LONG, REST, Effort

Where = Callable[[Note], str]


@dataclass(frozen=True, slots=True)
class Moment:
    """The notes that sound from one onset on: those that begin and those that are held over."""

    notes: tuple[Note, ...]
    indices: tuple[int, ...]  # of those notes in the line
    held: tuple[tuple[int, int], ...]  # the same note's place in the moment before, and in this
    rest: bool  # a rest lies before it
    long: bool  # the moment before is a long one
    repeats: bool  # the moment before had the same pitches, and no rest parts them

    def ease(self, effort: Effort, after_open: bool) -> float:
        """The share of its cost that a shift into this moment has."""
        shares = [1.0]
        shares += [effort.after_open] * after_open
        shares += [effort.after_rest] * self.rest
        shares += [effort.after_long] * self.long
        return min(shares)


def moments(notes: Sequence[Note]) -> list[Moment]:
    """Divide a line by its onsets, in order of time."""
    starts = sorted({note.start for note in notes})
    found: list[Moment] = []
    order = sorted(range(len(notes)), key=lambda index: notes[index].start)
    sounding: list[int] = []
    end = Fraction(0)  # of everything so far
    for start in starts:
        sounding = [i for i in sounding if notes[i].start + notes[i].duration > start]
        while order and notes[order[0]].start == start:
            sounding.append(order.pop(0))
        found.append(_moment(notes, tuple(sounding), found[-1] if found else None, start, end))
        end = max(notes[i].start + notes[i].duration for i in sounding)
    return found


def _moment(
    notes: Sequence[Note],
    indices: tuple[int, ...],
    before: Moment | None,
    start: Fraction,
    end: Fraction,
) -> Moment:
    chosen = tuple(notes[i] for i in indices)
    if before is None:
        return Moment(chosen, indices, (), rest=False, long=False, repeats=False)
    rest = start - end >= REST
    same = [n.pitch.midi for n in chosen] == [n.pitch.midi for n in before.notes]
    return Moment(
        chosen,
        indices,
        held=tuple(
            (before.indices.index(i), indices.index(i)) for i in indices if i in before.indices
        ),
        rest=rest,
        long=start - max(note.start for note in before.notes) >= LONG,
        repeats=same and not rest,
    )
