"""Every way in which a hand can take a note or a chord, and what each costs by itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import combinations, product

from drillgen.score import Note
from drillgen.sheet.fingering.basses import LONG, REST, Effort, FingeringError, Fretboard

# A line as the hand meets it: one moment after another, each a note or a chord.

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


OPEN = "0"
_RANK = {"T": 0, "1": 1, "2": 2, "3": 3, "4": 4}


@dataclass(frozen=True, slots=True)
class Stop:
    """One finger on one string, or an open string."""

    string: int  # index: 0 is the lowest
    fret: int  # semitones above the open string
    finger: str  # "0" open, "T", "1" to "4"


@dataclass(frozen=True, slots=True)
class Grip:
    """One place of the hand with a stop for each note of a moment.

    An open string keeps a hand too: the hand stays over its position while the string sounds.
    """

    hand: int  # the first finger's semitones above the nut
    stops: tuple[Stop, ...]
    cost: float
    open: bool  # nothing is stopped: the hand is free

    @property
    def opens(self) -> int:
        return sum(stop.finger == OPEN for stop in self.stops)


def follow(before: Stop, after: Stop) -> bool:
    """Whether both can belong to one hand: fingers keep their order from the nut upwards."""
    if OPEN in (before.finger, after.finger):
        return True
    rank = _RANK[before.finger] - _RANK[after.finger]
    return rank == 0 or rank * (before.fret - after.fret) > 0


def together(one: Stop, other: Stop) -> bool:
    """Whether both can sound at once: two strings; one finger for both only as a barre."""
    if one.string == other.string or not follow(one, other):
        return False
    if one.finger != other.finger or one.finger == OPEN:
        return True
    return one.fret == other.fret and abs(one.string - other.string) == 1


def grips(board: Fretboard, moment: Moment, where: Where, preferred: bool) -> list[Grip]:
    """All grips for a moment, from the lowest hand to the highest, closed before open.

    Raises FingeringError where there is none.
    """
    found = _grips(board, tuple(note.pitch.midi for note in moment.notes), preferred)
    if not found:
        raise FingeringError(_why(board, moment, where))
    return list(found)


@lru_cache(maxsize=4096)
def _grips(board: Fretboard, keys: tuple[int, ...], preferred: bool) -> tuple[Grip, ...]:
    return tuple(
        _grip(board, hand, stops, preferred)
        for hand in board.hands
        for stops in product(*(_stops(board, key, hand) for key in keys))
        if all(together(one, other) for one, other in combinations(stops, 2))
    )


def near(board: Fretboard, choices: Sequence[Grip]) -> list[Grip]:
    """Those with the fewest notes too far up a low string: none, unless a chord needs one."""
    strays = [sum(_strays(board, stop) for stop in grip.stops) for grip in choices]
    fewest = min(strays)
    return [grip for grip, count in zip(choices, strays, strict=True) if count == fewest]


def _strays(board: Fretboard, stop: Stop) -> bool:
    return board.school.strays(board.number(stop.string), stop.fret)


def closed(choices: Sequence[Grip]) -> list[Grip]:
    """Those with the fewest open strings: none, unless a note can't be stopped at all."""
    fewest = min(grip.opens for grip in choices)
    return [grip for grip in choices if grip.opens == fewest]


def _stops(board: Fretboard, key: int, hand: int) -> list[Stop]:
    frame = board.school.frame(hand)
    places = frame.places(hand)
    found = []
    for string, pitch in enumerate(board.strings):
        fret = key - pitch.midi
        if frame.serves(board.number(string)):
            found += [Stop(string, fret, finger) for finger, place in places if place == fret]
        if fret == 0:
            found.append(Stop(string, 0, OPEN))
    return found


def _grip(board: Fretboard, hand: int, stops: tuple[Stop, ...], preferred: bool) -> Grip:
    effort = board.school.effort
    stopped = [stop for stop in stops if stop.finger != OPEN]
    cost = sum(_weight(board, hand, stop) for stop in stopped)
    cost += sum(
        effort.barre for one, other in combinations(stopped, 2) if one.finger == other.finger
    )
    if preferred:
        cost += effort.stopped * sum(_could_be_open(board, stop) for stop in stopped)
    return Grip(hand, stops, cost, not stopped)


def _weight(board: Fretboard, hand: int, stop: Stop) -> float:
    effort = board.school.effort
    high = effort.high * max(0, hand - effort.low_until)
    return effort.fingers[stop.finger] + high + effort.up(board.number(stop.string), stop.fret)


def _could_be_open(board: Fretboard, stop: Stop) -> bool:
    midi = board.strings[stop.string].midi + stop.fret
    return any(midi == pitch.midi for pitch in board.strings)


def _why(board: Fretboard, moment: Moment, where: Where) -> str:
    low, high = board.strings[0], board.strings[-1]
    for note in moment.notes:
        here = f"{where(note)}: {note.pitch}"
        if note.pitch.midi < low.midi:
            return f"{here} lies below the lowest string of {board.name} ({low})"
        if note.pitch.midi > high.midi + board.frets:
            return (
                f"{here} lies above the highest note of {board.name} "
                f"({board.frets} semitones over {high})"
            )
    *most, last = (str(note.pitch) for note in moment.notes)
    if not most and board.within:
        low_hand, high_hand = (board.position(hand) for hand in board.within)
        asked = low_hand if low_hand == high_hand else f"{low_hand} to {high_hand}"
        return f"{where(moment.notes[0])}: {last} does not lie in position {asked} of {board.name}"
    if not most:
        return f"{where(moment.notes[0])}: {last} lies between the strings of {board.name}"
    chord = f"{', '.join(most)} and {last}"
    return f"{where(moment.notes[-1])}: {chord} do not lie under one hand on {board.name}"
