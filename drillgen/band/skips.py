"""What a walking bass does between the beats, and the beats that it lets ring.

Measured in trio recordings (Jazz Trio Database, MIT licence, 17 tracks): 0.93 of the beats are
begun by a note; 0.25 have a note between below 170 a minute and 0.07 above, three quarters of them
in the swung half, one in nine on the first triplet; they come in clusters, the variance of a bar's
count being 1.5 times its mean.  What is played there is common practice: the note itself once more,
dead; or a chord tone below, the octave or the fifth, dropped to through a triplet now and then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import zip_longest
from random import Random

from drillgen.chart import Bar, Chart
from drillgen.lines.pass_context import PassContext
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Pitch

# Beats with a note between: below the tempo (quarter notes a minute), and from it on.
_SLOWER, _FASTER, _TURNS = 0.25, 0.07, 170
_CLUSTERED = 2.0  # a bar's share is drawn from a beta distribution whose parameters' sum this is
_TRIPLETS = 0.12  # of them: through a triplet
_BELOW = 0.3  # of them: a tone below instead of the same one
_RING = 0.16  # of the notes that may be left out, so that about one beat in sixteen is not begun
_LEVEL = -5.0  # dB: it leads the ear to the next note
_TIED = 5  # semitones: further apart, the notes beside one that is left out are no line
_OCTAVE, _FOURTH = 12, 5
_HALF = Fraction(1, 2)


def enlivened(chart: Chart, room: PassContext, notes: Sequence[Note]) -> list[Note]:
    """A walking bass with its skips, and with some notes left to ring, as the density says: none at
    0, as measured at one half."""
    density = 2 * chart.drill.band.bass.density
    chords = {cell.span.start: cell.chord for cell in room.cells}
    return list(_skipping(chart, room, _ringing(room, notes, chords, density), chords, density))


def _ringing(
    room: PassContext, notes: Sequence[Note], chords: dict[Fraction, Chord], density: float
) -> list[Note]:
    """Some inner notes left out, the one before held instead: neither the first of a chord nor the
    one that leads out of it, nor any root."""
    kept = list(notes[:1])
    chord = chords.get(notes[0].start) if notes else None
    for note, following in zip(notes[1:], [*notes[2:], None], strict=False):
        before = kept[-1]
        inner = following is not None and not {note.start, following.start} & chords.keys()
        tied = before.start + room.beat == note.start and before.duration == room.beat
        chord = chords.get(note.start, chord)
        root = chord is not None and note.pitch.name == chord.bass_name
        free = following is not None and inner and tied and _near(before, following)
        if free and not root and room.random.random() < _RING * density:
            kept[-1] = replace(before, duration=2 * room.beat)
        else:
            kept.append(note)
    return kept


def _near(before: Note, following: Note) -> bool:
    return 0 < abs(following.pitch.midi - before.pitch.midi) <= _TIED


def _skipping(
    chart: Chart,
    room: PassContext,
    notes: Sequence[Note],
    chords: dict[Fraction, Chord],
    density: float,
) -> Iterator[Note]:
    bar: Bar | None = None
    chord: Chord | None = None
    lively = 0.0
    for note, following in zip_longest(notes, notes[1:]):
        here = chart.bar_at(note.start)
        if here is not bar:
            bar, lively = here, _lively(chart, here, density, room.random)
        chord = chords.get(note.start, chord)
        if note.duration == room.beat and room.random.random() < lively:
            leads = following is None or following.start in chords
            yield from _skipped(note, room, None if leads else following, chord)
        else:
            yield note


def _lively(chart: Chart, bar: Bar, density: float, random: Random) -> float:
    """Of this bar's beats how many have a note between."""
    quarters = float(bar.tempo * chart.drill.meter.beat)
    share = min((_SLOWER if quarters < _TURNS else _FASTER) * density, 0.9)
    return random.betavariate(_CLUSTERED * share, _CLUSTERED * (1 - share)) if share else 0.0


def _skipped(
    note: Note, room: PassContext, following: Note | None, chord: Chord | None
) -> Iterator[Note]:
    """A note, and what is played before the next beat: none but itself where that leads out of the
    chord (`following` is None)."""
    drops = room.random.random() < _TRIPLETS
    below = room.random.random() < _BELOW
    last = _under(note.pitch, room, chord) if below else note.pitch
    if following is None or abs(following.pitch.midi - last.midi) > _OCTAVE:
        last = note.pitch
    if drops:
        third = room.beat / 3
        yield replace(note, duration=third)
        yield Note(note.start + third, third, note.pitch, "short", _LEVEL)
        yield Note(note.start + 2 * third, third, last, "short", _LEVEL)
        return
    yield replace(note, duration=room.beat - _HALF)
    yield Note(note.start + room.beat - _HALF, _HALF, last, "short", _LEVEL)


def _under(pitch: Pitch, room: PassContext, chord: Chord | None) -> Pitch:
    """The chord's fifth below its root, else the octave below; the note itself where the range has
    neither."""
    if chord is not None and pitch.name == chord.root:
        fifth = Pitch.near(chord.root.above(chord.fifth), pitch.midi - _FOURTH)
        if room.holds(fifth.midi):
            return fifth
    return Pitch(pitch.name, pitch.octave - 1) if room.holds(pitch.midi - _OCTAVE) else pitch
