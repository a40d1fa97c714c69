"""Written melodies: the user's own, the same over the tonic in every key.

A melody moves to each key as a whole, up or down by as little as the cycle allows, and is folded by
octaves as a whole.  Notes by name keep their octave in the first key where the range holds them.
"""

from __future__ import annotations

from drillgen.drill.lines import Written
from drillgen.lines.melodic import degree_over, over, pitch, run_ends, tonics, tune
from drillgen.lines.stretch import Stretch
from drillgen.score import Note

KIND = "written"
_HIGH_IN_THE_RANGE = 0.5  # where the middle of a melody in degrees lies in the first key


def write(stretch: Stretch, options: Written) -> list[Note]:
    """The melody from the beginning of the pass: again and again, or once."""
    bars = stretch.bars
    melody = tune(options.notes, bars[0].length, stretch.home)
    steps = frozenset(note.semitones for note in melody.notes)
    middle = stretch.low + _HIGH_IN_THE_RANGE * (stretch.high - stretch.low)
    places = tonics(stretch.track.keys, steps, stretch.low, stretch.high, middle, melody.tonic)
    tonic = places[bars[0].key_number]
    ends = run_ends(bars)
    times = range(0, len(bars), melody.bars)
    notes = []
    for first in times if options.then == "repeat" else times[:1]:
        for placed in over(melody.tones, first, bars, ends):
            found = pitch(tonic, placed.tone.note, stretch.low, stretch.high)
            mark = str(degree_over(tonic.name, found.name))
            notes.append(Note(placed.start, placed.duration, found, mark=mark))
    return notes
