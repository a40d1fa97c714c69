"""A line fingered: what the rest of the project asks for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby, product
from typing import Literal

from quicktions import Fraction

from drillgen.score import Note
from drillgen.sheet.fingering.basses import (
    OPEN,
    Effort,
    FingeringError,
    Fretboard,
    Grip,
    Moment,
    Stop,
    Where,
    closed,
    follow,
    grips,
    moments,
    near,
)

# The path of least effort through all grips: a shortest path, moment by moment (Viterbi).

_NEVER = float("inf")


class StuckError(Exception):
    """No grip of this moment can follow: a held note keeps the hand where it is."""

    def __init__(self, moment: int) -> None:
        super().__init__(moment)
        self.moment = moment


def least(
    effort: Effort, moments: Sequence[Moment], choices: Sequence[Sequence[Grip]]
) -> list[Grip]:
    """The grips of least total effort, one a moment.  Raises StuckError.

    On a tie, the grip that comes first in its moment's choices, from the end backwards.
    """
    costs = [grip.cost for grip in choices[0]]
    origins: list[list[int]] = []
    for number, moment in enumerate(moments[1:], 1):
        befores = [(c, i, choices[number - 1][i]) for i, c in enumerate(costs) if c < _NEVER]
        reached = [_cheapest(effort, moment, befores, after) for after in choices[number]]
        costs = [cost for cost, _ in reached]
        origins.append([origin for _, origin in reached])
        if min(costs) == _NEVER:
            raise StuckError(number)
    return _backwards(choices, origins, costs.index(min(costs)))


def total(effort: Effort, moments: Sequence[Moment], path: Sequence[Grip]) -> float:
    """The effort of a whole path, one grip a moment; infinite if no hand can follow it."""
    grips = sum(grip.cost for grip in path)
    steps = zip(moments[1:], path, path[1:], strict=False)
    return grips + sum(step(effort, moment, p, q) for moment, p, q in steps)


def _cheapest(
    effort: Effort, moment: Moment, befores: Sequence[tuple[float, int, Grip]], after: Grip
) -> tuple[float, int]:
    """The least cost of arriving at a grip, and the index of the grip it is reached from."""
    best, origin = _NEVER, -1
    for cost, index, before in befores:
        if cost < best and (total := cost + step(effort, moment, before, after)) < best:
            best, origin = total, index
    return best + after.cost, origin


def _backwards(
    choices: Sequence[Sequence[Grip]], origins: Sequence[Sequence[int]], last: int
) -> list[Grip]:
    path = [choices[-1][last]]
    for choice, origin in zip(reversed(choices[:-1]), reversed(origins), strict=True):
        last = origin[last]
        path.append(choice[last])
    return path[::-1]


def step(effort: Effort, moment: Moment, before: Grip, after: Grip) -> float:
    """What going from one grip to the next costs; infinite where a hand can't or mustn't."""
    moved = abs(before.hand - after.hand)
    if moment.repeats and (moved or before.stops != after.stops):
        return _NEVER  # a repeated note keeps its finger
    if moved and after.open:
        return _NEVER  # the hand stays over its position while an open string sounds
    if moment.held and not _kept(moment, before, after):
        return _NEVER
    if moved:
        return _shift(effort, moment, before, after) + _crossing(effort, before, after)
    return _crossing(effort, before, after) + _within(effort, before, after)


def _shift(effort: Effort, moment: Moment, before: Grip, after: Grip) -> float:
    moved = abs(before.hand - after.hand)
    cost = (effort.shift + effort.shift_step * moved) * moment.ease(effort, before.open)
    pairs = product(before.stops, after.stops)
    return cost + effort.smear * any(moved == 1 and _smeared(p, q) for p, q in pairs)


def _smeared(before: Stop, after: Stop) -> bool:
    place = (before.string, before.finger)
    return place == (after.string, after.finger) and abs(before.fret - after.fret) == 1


def _kept(moment: Moment, before: Grip, after: Grip) -> bool:
    """Whether the notes held over stay under their fingers."""
    pairs = [(before.stops[old], after.stops[new]) for old, new in moment.held]
    stays = before.hand == after.hand or all(old.finger == OPEN for old, _ in pairs)
    return stays and all(old == new for old, new in pairs)


def _crossing(effort: Effort, before: Grip, after: Grip) -> float:
    """Between the nearest strings of the two."""
    return effort.crossed(
        min(abs(p.string - q.string) for p, q in product(before.stops, after.stops))
    )


def _within(effort: Effort, before: Grip, after: Grip) -> float:
    """What the fingers do while the hand stays."""
    return sum(_finger(effort, p, q) for p, q in product(before.stops, after.stops))


def _finger(effort: Effort, before: Stop, after: Stop) -> float:
    if not follow(before, after):
        return _NEVER
    if before.finger != after.finger or after.finger == OPEN:
        return 0.0
    if before.fret != after.fret:
        return effort.slide
    return effort.barre if before.string != after.string else 0.0


# The same bar again is played in the same way, unless that costs more than a shift (common
# practice: the hand learns bars, not notes).

BarContent = tuple[tuple[Fraction, tuple[int, ...]], ...]  # places in the bar, and MIDI keys
Stops = tuple[tuple[Stop, ...], ...]  # moment by moment


@dataclass(frozen=True, slots=True)
class BarMemory:
    """Where bars begin, and how each was played so far, through all passes of a track."""

    start_of: Callable[[Note], Fraction]  # where the bar begins in which a note does
    known: dict[BarContent, Stops] = field(default_factory=dict)

    def bars(self, line: Sequence[Moment]) -> list[tuple[range, BarContent]]:
        """The moments of each bar by their indices, and what it has."""
        starts = [self.start_of(max(moment.notes, key=lambda note: note.start)) for moment in line]
        found = []
        for start, indices in groupby(range(len(line)), key=starts.__getitem__):
            inside = list(indices)
            content = tuple(_content(line[index], start) for index in inside)
            found.append((range(inside[0], inside[-1] + 1), content))
        return found

    def learn(self, line: Sequence[Moment], path: Sequence[Grip]) -> None:
        """Remember how each bar that is not known yet is played most often."""
        ways: dict[BarContent, Counter[Stops]] = {}
        for bar, content in self.bars(line):
            ways.setdefault(content, Counter())[tuple(path[i].stops for i in bar)] += 1
        for content, counted in ways.items():
            self.known.setdefault(content, counted.most_common(1)[0][0])


def _content(moment: Moment, start: Fraction) -> tuple[Fraction, tuple[int, ...]]:
    place = max(note.start for note in moment.notes) - start
    return place, tuple(note.pitch.midi for note in moment.notes)


def alike(
    effort: Effort,
    line: Sequence[Moment],
    choices: Sequence[Sequence[Grip]],
    path: Sequence[Grip],
    memory: BarMemory,
) -> list[Grip]:
    """The path with every bar played as it is known, where that costs no more than a shift."""
    bars = {bar.start: (bar, memory.known[content]) for bar, content in memory.bars(line)}
    while bars:
        found = _as_known(effort, line, choices, bars)
        dear = [
            start
            for start, (bar, _) in bars.items()
            if found is not None
            and _around(effort, line, found, bar) > _around(effort, line, path, bar) + effort.shift
        ]
        if found is not None and not dear:
            return found
        for start in dear:
            del bars[start]
    return list(path)


def _as_known(
    effort: Effort,
    line: Sequence[Moment],
    choices: Sequence[Sequence[Grip]],
    bars: dict[int, tuple[range, Stops]],
) -> list[Grip] | None:
    """The least effort with these bars played as they are known; a bar that no hand can come to
    that way is taken out of `bars`, and there is nothing yet."""
    held = list(choices)
    for bar, known in bars.values():
        for index, stops in zip(bar, known, strict=True):
            held[index] = [grip for grip in choices[index] if grip.stops == stops] or choices[index]
    try:
        return least(effort, line, held)
    except StuckError as stuck:
        before = [start for start in bars if start <= stuck.moment]
        del bars[max(before, default=min(bars))]
        return None


def _around(effort: Effort, line: Sequence[Moment], path: Sequence[Grip], bar: range) -> float:
    """The effort of a bar, of coming to it and of leaving it."""
    inside = sum(path[index].cost for index in bar)
    moves = range(max(bar.start, 1), min(bar.stop + 1, len(path)))
    return inside + sum(step(effort, line[i], path[i - 1], path[i]) for i in moves)


OpenStrings = Literal["allowed", "preferred", "avoided"]


@dataclass(frozen=True, slots=True)
class Fingered:
    """A note with the hand that plays it."""

    note: Note
    string: int  # as players count: 1 is the highest
    string_name: str  # of the open string: "G"
    fret: int  # semitones above the open string: the number of a tablature
    finger: str  # "0" open, "1" to "4", "T" thumb
    position: str  # by the school's system: "II-III" (Simandl), "fret 5" (electric)
    hand: int  # the first finger's semitones above the nut, also while an open string sounds
    shift: bool  # the hand moved to get here


def by_beat(note: Note) -> str:
    """Where a note is, for a message, when nobody has said which bar it stands in."""
    return f"quarter note {float(note.start) + 1:g}"


def finger(
    notes: Sequence[Note],
    instrument: Fretboard,
    *,
    open_strings: OpenStrings = "allowed",
    where: Where = by_beat,
    memory: BarMemory | None = None,
) -> tuple[Fingered, ...]:
    """The fingering of least effort, a `Fingered` for each note, in the notes' order.

    A line that lies in one position stays in it.  Notes that sound together are played together.
    `preferred` pays for stopping a note that could be open; `avoided` plays open only what can't
    be stopped.  Where a higher string serves, no note lies far up a low one.  With a `memory`, bars
    alike are played alike, also those of lines that it met before.  `where` names a note's bar in
    a message.  Raises FingeringError, naming the bar and the note, for what cannot be played.
    """
    if not notes:
        return ()
    line = moments(notes)
    choices = [grips(instrument, m, where, open_strings == "preferred") for m in line]
    path = _easiest(instrument, line, choices, open_strings, where, memory)
    return _fingered(instrument, line, path)


def contrasting(
    notes: Sequence[Note],
    instrument: Fretboard,
    *,
    where: Where = by_beat,
    memories: tuple[BarMemory | None, BarMemory | None] = (None, None),
) -> tuple[tuple[Fingered, ...], tuple[Fingered, ...]]:
    """Two solutions that feel different: with open strings, and closed.

    Where the line has no use for open strings, the second is played in other positions, if there
    are any.  Raises FingeringError as `finger` does.
    """
    one, other = memories
    ringing = finger(notes, instrument, open_strings="preferred", where=where, memory=one)
    stopped = finger(notes, instrument, open_strings="avoided", where=where, memory=other)
    if not _alike(ringing, stopped):
        return ringing, stopped
    return ringing, _elsewhere(notes, instrument, stopped, where)


def tablature(fingered: Iterable[Fingered]) -> tuple[tuple[int, int], ...]:
    """String (1 is the highest) and fret (0 is open) of each note."""
    return tuple((each.string, each.fret) for each in fingered)


def _easiest(
    board: Fretboard,
    line: Sequence[Moment],
    choices: Sequence[Sequence[Grip]],
    open_strings: OpenStrings,
    where: Where,
    memory: BarMemory | None = None,
) -> list[Grip]:
    """The least effort; far up low strings, or open where that is avoided, only where a held note
    leaves nothing else."""
    easy = [near(board, each) for each in choices]
    ways: list[Sequence[Sequence[Grip]]] = [easy, choices]
    if open_strings == "avoided":
        ways.insert(0, [closed(each) for each in easy])
    for way in ways:
        try:
            return _path(board.school.effort, line, way, memory)
        except StuckError as stuck:
            note = line[stuck.moment].notes[-1]
    raise FingeringError(
        f"{where(note)}: {note.pitch} is out of the hand's reach on {board.name} "
        "while the note before is held"
    )


def _path(
    effort: Effort,
    line: Sequence[Moment],
    choices: Sequence[Sequence[Grip]],
    memory: BarMemory | None,
) -> list[Grip]:
    """The least effort: without a shift where that can be, else with bars alike played alike."""
    still = _in_one_position(effort, line, choices)
    path = still or least(effort, line, choices)
    if memory is None:
        return path
    memory.learn(line, path)
    return path if still else alike(effort, line, choices, path, memory)


def _in_one_position(
    effort: Effort, line: Sequence[Moment], choices: Sequence[Sequence[Grip]]
) -> list[Grip] | None:
    """The least effort among all ways that never shift; None where there are none."""
    shared = set.intersection(*({grip.hand for grip in each} for each in choices))
    paths = []
    for hand in sorted(shared):
        still = [[grip for grip in each if grip.hand == hand] for each in choices]
        try:
            paths.append(least(effort, line, still))
        except StuckError:
            continue
    return min(paths, key=lambda path: total(effort, line, path), default=None)


def _elsewhere(
    notes: Sequence[Note], board: Fretboard, known: Sequence[Fingered], where: Where
) -> tuple[Fingered, ...]:
    """The least effort in other positions than those of a known solution; else that solution."""
    used = {each.hand for each in known if each.finger != OPEN}
    line = moments(notes)
    choices = [
        [grip for grip in grips(board, moment, where, False) if grip.hand not in used]
        for moment in line
    ]
    if not all(choices):
        return tuple(known)
    return _fingered(board, line, _easiest(board, line, choices, "avoided", where))


def _alike(one: Sequence[Fingered], other: Sequence[Fingered]) -> bool:
    return [(f.string, f.finger) for f in one] == [(f.string, f.finger) for f in other]


def _fingered(
    board: Fretboard, line: Sequence[Moment], path: Sequence[Grip]
) -> tuple[Fingered, ...]:
    found: dict[int, Fingered] = {}
    hand = path[0].hand
    for moment, grip in zip(line, path, strict=True):
        for place, index in enumerate(moment.indices):
            if index not in found:
                found[index] = _one(board, moment.notes[place], grip, place, grip.hand != hand)
        hand = grip.hand
    return tuple(found[index] for index in sorted(found))


def _one(board: Fretboard, note: Note, grip: Grip, place: int, shift: bool) -> Fingered:
    stop = grip.stops[place]
    return Fingered(
        note=note,
        string=board.number(stop.string),
        string_name=str(board.strings[stop.string].name),
        fret=stop.fret,
        finger=stop.finger,
        position=board.position(grip.hand),
        hand=grip.hand,
        shift=shift,
    )
