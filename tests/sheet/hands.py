"""What the fingering's tests ask for: short lines, and a second reckoning of what they cost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from quicktions import Fraction

from drillgen.score import Note
from drillgen.sheet.fingering import Fingered, Fretboard
from drillgen.theory.pitch import Name, Pitch

ORDER = "T1234"
# On an upright's strings, counted from the highest: the height from which each semitone more costs
# half a point, as the rules of the fingering say it (D from 9 semitones, A and E from 6).
DEAR_FROM = {1: 99, 2: 9, 3: 6}


def line(text: str, lengths: Sequence[float] = ()) -> list[Note]:
    """'E1 F#1 - A1' in quarter notes, or in `lengths`; a dash is a rest."""
    notes, now = [], Fraction(0)
    for place, word in enumerate(text.split()):
        length = Fraction(lengths[place]) if lengths else Fraction(1)
        if word != "-":
            notes.append(Note(now, length, Pitch.parse(word)))
        now += length
    return notes


def sounding(midi: int) -> Pitch:
    return Pitch.near(Name(midi * 7 % 12).simplest, midi)


def keys(midis: Sequence[int]) -> list[Note]:
    """MIDI keys as quarter notes."""
    return [Note(Fraction(i), Fraction(1), sounding(midi)) for i, midi in enumerate(midis)]


def fingers(fingered: Sequence[Fingered]) -> str:
    return " ".join(each.finger for each in fingered)


def strings(fingered: Sequence[Fingered]) -> str:
    return " ".join(each.string_name for each in fingered)


def positions(fingered: Sequence[Fingered]) -> list[str]:
    return [each.position for each in fingered]


class Place(NamedTuple):
    string: int  # 1 is the highest
    fret: int
    finger: str
    hand: int


def places(board: Fretboard, midi: int) -> list[Place]:
    """Every way to play one note, from the frames alone."""
    found = []
    for number, pitch in enumerate(reversed(board.strings), 1):
        fret = midi - pitch.midi
        for hand in board.hands:
            frame = board.school.frame(hand)
            if fret == 0:
                found.append(Place(number, 0, "0", hand))
            if frame.strings is None or number <= frame.strings:
                found += [
                    Place(number, fret, finger, hand)
                    for finger, offsets in frame.reach
                    if fret - hand in offsets
                ]
    return found


def reckon(board: Fretboard, notes: Sequence[Note], path: Sequence[Place], mode: str) -> float:
    """The effort of a line of single notes, added up by itself from the cost table."""
    steps = zip(pairwise(notes), pairwise(path), strict=True)
    alone = sum(_alone(board, place, mode) for place in path)
    return alone + sum(_between(board, pair, one, two) for pair, (one, two) in steps)


def _alone(board: Fretboard, place: Place, mode: str) -> float:
    table = board.school.effort
    if place.finger == "0":
        return 0
    cost = table.fingers[place.finger] + table.high * max(0, place.hand - table.low_until)
    if board.school.system == "Simandl":
        cost += max(place.fret - DEAR_FROM[min(place.string, 3)] + 1, 0) / 2
    midi = board.strings[-place.string].midi + place.fret
    if mode == "preferred" and midi in [string.midi for string in board.strings]:
        cost += table.stopped
    return cost


def _between(board: Fretboard, notes: Sequence[Note], one: Place, two: Place) -> float:
    table = board.school.effort
    never = float("inf")
    far = abs(one.hand - two.hand)
    silence = notes[1].start - notes[0].start - notes[0].duration
    if notes[0].pitch.midi == notes[1].pitch.midi and silence < Fraction(1, 2) and one != two:
        return never
    if two.finger == "0" and far:
        return never
    apart = abs(one.string - two.string)
    cost = table.crossing[min(apart, len(table.crossing) - 1)]
    if far:
        ease = 1.0
        if notes[1].start - notes[0].start >= 2:
            ease = min(ease, table.after_long)
        if silence >= Fraction(1, 2):
            ease = min(ease, table.after_rest)
        if one.finger == "0":
            ease = min(ease, table.after_open)
        smeared = far == 1 and apart == 0 and one.finger == two.finger
        smeared = smeared and abs(one.fret - two.fret) == 1
        return cost + ease * (table.shift + far * table.shift_step) + smeared * table.smear
    if "0" in (one.finger, two.finger) or one[:3] == two[:3]:
        return cost
    if one.finger == two.finger:
        return cost + (table.barre if one.fret == two.fret else table.slide)
    rising = ORDER.index(two.finger) > ORDER.index(one.finger)
    in_order = two.fret > one.fret if rising else two.fret < one.fret
    return cost if in_order else never


def every_path(board: Fretboard, notes: Sequence[Note], mode: str) -> Iterator[tuple[bool, float]]:
    """(it shifts, its effort) for each way of playing a line of single notes."""
    choices = [places(board, note.pitch.midi) for note in notes]
    if mode == "avoided":
        choices = [[p for p in each if p.finger != "0"] or each for each in choices]
    yield from _onwards(board, notes, choices, mode, None, 0, False, 0.0)


def _onwards(
    board: Fretboard,
    notes: Sequence[Note],
    choices: Sequence[Sequence[Place]],
    mode: str,
    last: Place | None,
    number: int,
    shifted: bool,
    cost: float,
) -> Iterator[tuple[bool, float]]:
    if number == len(notes):
        yield shifted, cost
        return
    for place in choices[number]:
        more = _alone(board, place, mode)
        if last is not None:
            more += _between(board, notes[number - 1 : number + 1], last, place)
        if more < float("inf"):
            moved = shifted or (last is not None and last.hand != place.hand)
            yield from _onwards(board, notes, choices, mode, place, number + 1, moved, cost + more)
