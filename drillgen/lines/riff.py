"""Riffs: a figure in degrees of the tonic, kept over every chord.

A note that contradicts the chord moves by a semitone into it (common practice: over IV7 the tonic's
major third becomes minor, being that chord's seventh).  A note contradicts a chord where it is
neither a tone of the chord nor of its scale and lies a semitone from one of the chord's tones.  It
keeps its letter where the chord or its scale has that letter a semitone away, else it goes to a
chord tone, else to a scale tone; down rather than up.  Blue notes may stay (common practice): the
tonic's b3, b5 and b7 over every chord, and over a dominant chord its own minor third (its #9).
"""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.drill.lines import Riff
from drillgen.lines.develop import developed
from drillgen.lines.melodic import (
    Harmony,
    Placed,
    Tune,
    degree_over,
    over,
    pitch,
    run_ends,
    tonics,
    tune,
)
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch
from drillgen.theory.scales import chord_scale

KIND = "riff"
_BLUE = (3, 6, 10)  # semitones over the tonic: b3, b5, b7
_NINE = Degree(9, 1).semitones  # #9
_HIGH_IN_THE_RANGE = 0.5  # where the riff's middle lies in the first key


def write(stretch: Stretch, options: Riff) -> list[Note]:
    """The riff from the beginning of the pass, as often as there is room."""
    riff = tune(options.notes, stretch.bars[0].length, stretch.home)
    tonic = _tonic(riff, stretch)
    harmony = Harmony(stretch.cells)
    notes = []
    for placed in _rounds(riff, stretch, options.develop):
        found = pitch(tonic, placed.tone.note, stretch.low, stretch.high)
        cell = harmony.under(*placed.heard_in)
        if cell is not None:
            moved = fitted(found, cell, tonic, blue=options.blue)
            found = closest(moved.name, moved.midi, stretch.low, stretch.high)
        mark = str(degree_over(tonic.name, found.name))
        notes.append(Note(placed.start, placed.duration, found, mark=mark))
    return notes


def _tonic(riff: Tune, stretch: Stretch) -> Pitch:
    """The key's tonic, with a semitone to spare at either end for notes that move."""
    steps = {note.semitones for note in riff.notes}
    middle = stretch.low + _HIGH_IN_THE_RANGE * (stretch.high - stretch.low)
    spare = frozenset(step + move for step in steps for move in (-1, 0, 1))
    track = stretch.track
    places = tonics(track.keys, spare, stretch.low, stretch.high, middle)
    return places[stretch.bars[0].key_number]


def _rounds(riff: Tune, stretch: Stretch, develop: str) -> Iterator[Placed]:
    """Each time round; where the riff develops, one change further than the last one heard.

    The changes are the same in every key, which begins with the riff as written.
    """
    bars, track = stretch.bars, stretch.track
    passes = track.passes // len(track.keys)
    count = passes * -(-len(bars) // riff.bars)  # times round in a key, heard or not
    times = developed(riff.tones, develop, count, bars[0].length, f"{track.seed} riff")
    heard = _heard(stretch)
    ends = run_ends(bars)
    for first in range(0, len(bars), riff.bars):
        played = list(over(times[heard], first, bars, ends))
        if played:
            track.said.add((KIND, bars[0].key_number, heard))
            heard += 1
        yield from played


def _heard(stretch: Stretch) -> int:
    """How often the riff has been heard in earlier passes of this key."""
    key = stretch.bars[0].key_number
    return sum(isinstance(what, tuple) and what[:2] == (KIND, key) for what in stretch.track.said)


def fitted(note: Pitch, cell: Cell, tonic: Pitch, *, blue: bool) -> Pitch:
    """The note, or what it becomes where it contradicts the chord."""
    chord = cell.chord
    sharp_nine = chord.is_dominant and (note.midi - _NINE - chord.root.pitch_class) % 12 == 0
    if blue and (sharp_nine or (note.midi - tonic.midi) % 12 in _BLUE):
        return note
    tones = {name.pitch_class: name for name in map(chord.root.above, chord.played)}
    scale = chord_scale(chord, cell.key).names(chord.root)
    known = {name.pitch_class: name for name in scale} | tones
    if note.name.pitch_class in known:
        return note
    near = [step for step in (-1, 1) if (note.midi + step) % 12 in known]
    if not any((note.midi + step) % 12 in tones for step in near):
        return note

    def rank(step: int) -> tuple[bool, bool, int]:
        place = (note.midi + step) % 12
        return known[place].letter != note.name.letter, place not in tones, step

    step = min(near, key=rank)
    return Pitch.near(known[(note.midi + step) % 12], note.midi + step)
