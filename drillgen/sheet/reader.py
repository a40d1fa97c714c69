"""Who reads a sheet: clef, transposition, and the range that the line is folded into.

A signature that transposing would take beyond six accidentals is written as its enharmonic key: B
major is D flat for a B flat instrument, and A flat (not G sharp) for one in E flat.  A key that a
drill asks for stays as it is for readers at concert pitch.  A chord is written by the root that
players expect in the key that is read, and the notes over it with it (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from drillgen.chart import Chart, Span
from drillgen.drill.models import SheetSpec
from drillgen.drill.sheet import CONCERT, IN_B_FLAT, IN_E_FLAT, INSTRUMENTS, Transposition
from drillgen.score import Note, Part
from drillgen.theory.chords import as_written
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch

MOST_ACCIDENTALS = 6  # of a signature that transposing has made
_CIRCLE = 12  # fifths to the same sound
_PLAYERS = {"upright": "Double bass", "electric": "Bass guitar"}  # where the name is another
_PITCHES = {"Bb": IN_B_FLAT, "Eb": IN_E_FLAT}
# Written notes that lie well for whoever reads a clef, where no instrument is named: three ledger
# lines at most, and what both trumpets and saxophones have (common practice).
_COMPASS = {"treble": "G3 C6", "bass": "E2 G4", "alto": "C3 E5", "tenor": "A2 C5"}
_PITCH_COMPASS = "Bb3 C6"


@dataclass(frozen=True, slots=True)
class Reader:
    """How a sheet is written for somebody."""

    name: str  # for people: "Double bass", "B♭ instruments"
    clef: str
    written: Transposition
    compass: tuple[int, int] | None = None  # sounding MIDI keys; None: the line is left as it is

    def moved(self, key: Key) -> int:
        """How far the key's music is moved along the line of fifths."""
        fifths = self.written.fifths
        signature = key.signature + fifths
        if not fifths or abs(signature) <= MOST_ACCIDENTALS:
            return fifths
        return fifths - (_CIRCLE if signature > 0 else -_CIRCLE)

    def key(self, key: Key) -> Key:
        """The key as this reader sees it."""
        return Key(Name(key.tonic.fifths + self.moved(key)), key.mode)

    def span(self, span: Span, key: Key) -> Span:
        """A chord of a key as this reader sees it."""
        if span.chord is None or not self.written.fifths:
            return span
        chord = span.chord.transposed(self.moved(key))
        return replace(span, chord=as_written(chord, self.key(key)))

    def pitch(self, pitch: Pitch, key: Key, under: Span | None = None) -> Pitch:
        """A sounding pitch as it is written, over a chord of a key."""
        fifths = self.moved(key)
        if under is not None and under.chord is not None:
            seen = self.span(under, key).chord
            assert seen is not None
            respelled = seen.root.fifths - under.chord.root.fifths - fifths
            fifths += respelled
        name = Name(pitch.name.fifths + fifths)
        name = name if abs(name.alter) <= 2 else name.simplest
        return Pitch.near(name, pitch.midi + self.written.semitones)


def reader_of(spec: SheetSpec, player: str) -> Reader:
    """The reader that a drill means; `player` is the instrument that plays the line."""
    named = spec.instrument or player
    if spec.transpose in _PITCHES and not _is_in(spec.transpose, named):
        own = _in_pitch(spec.transpose)
    else:
        own = _instrument(named)
        own = own if spec.instrument and spec.instrument != player else replace(own, compass=None)
    if spec.transpose == "none" and own.written.fifths:
        own = Reader(f"{_player(named)} at concert pitch", own.clef, CONCERT, own.compass)
    return replace(own, clef=spec.clef) if spec.clef else own


def reader_named(name: str) -> Reader:
    """Another reader: an instrument, Bb or Eb, or a clef at concert pitch."""
    if name in _PITCHES:
        return _in_pitch(name)
    if name in INSTRUMENTS:
        return _instrument(name)
    return Reader(f"{name.capitalize()} clef", name, CONCERT, _range(_COMPASS[name], CONCERT))


def _is_in(pitch: str, instrument: str) -> bool:
    return INSTRUMENTS[instrument].written.fifths == _PITCHES[pitch].fifths


def _in_pitch(pitch: str) -> Reader:
    written = _PITCHES[pitch]
    return Reader(
        f"{written.pitch} instruments", "treble", written, _range(_PITCH_COMPASS, written)
    )


def _player(instrument: str) -> str:
    return _PLAYERS.get(instrument, instrument.capitalize())


def _instrument(name: str) -> Reader:
    row = INSTRUMENTS[name]
    pitch = row.written.pitch
    return Reader(
        f"{_player(name)} in {pitch}" if pitch else _player(name),
        row.clef,
        row.written,
        (row.low.midi, row.high.midi),
    )


def _range(text: str, written: Transposition) -> tuple[int, int]:
    low, high = (Pitch.parse(word).midi - written.semitones for word in text.split())
    return low, high


def read_by(chart: Chart, line: Part, reader: Reader) -> Part:
    """The line in the reader's range, moved by octaves.

    Everything moves together by the octaves that leave fewest notes outside; a pass that lies
    better another way moves that way; single notes that are still outside move by themselves.
    """
    if reader.compass is None:
        return line
    low, high = reader.compass
    together = _octaves(line.notes, low, high, near=0)
    moved: list[Note] = []
    for _, found in groupby(line.notes, key=lambda note: chart.bar_at(note.start).pass_number):
        notes = list(found)
        octaves = _octaves(notes, low, high, near=together)
        moved += [_inside(note, octaves, low, high) for note in notes]
    return replace(line, notes=tuple(moved))


_OCTAVES = range(-4, 5)


def _octaves(notes: Sequence[Note], low: int, high: int, near: int) -> int:
    """The move that leaves fewest notes outside, as near as may be."""

    def outside(octaves: int) -> int:
        return sum(not low <= note.pitch.midi + 12 * octaves <= high for note in notes)

    return min(_OCTAVES, key=lambda octaves: (outside(octaves), abs(octaves - near), octaves))


def _inside(note: Note, octaves: int, low: int, high: int) -> Note:
    pitch = note.pitch.octaves(octaves)
    while pitch.midi < low:
        pitch = pitch.octaves(1)
    while pitch.midi > high:
        pitch = pitch.octaves(-1)
    return replace(note, pitch=pitch)
