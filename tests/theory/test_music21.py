"""Chords, numerals and scales against music21, where its meaning and ours are the same.

music21 reads I7, IV7 and bVII7 as diatonic sevenths and puts its augmented sixths on the tonic, so
those are not compared.  It writes flats as '-'.
"""

import pytest
from music21 import harmony, key, roman, scale

from drillgen.theory.chord_types import KINDS
from drillgen.theory.chords import Chord, NumeralError, parse_chord, parse_numeral
from drillgen.theory.pitch import Key
from drillgen.theory.scales import SCALES
from tests.rows import with_each
from tests.theory.names import KEYS, TWELVE

FUNCTIONAL = {"Neapolitan", "Italian", "French", "German", "other", "none"}
MAJOR_KEYS = [each for each in KEYS if each.mode == "major"]


def theirs(name: str) -> str:
    return name.replace("b", "-")


@with_each("kind", [kind for kind in KINDS if kind not in FUNCTIONAL])
def test_kinds(kind: str) -> None:
    """Each MusicXML kind has music21's notes in music21's spelling, on twelve roots."""
    for root in TWELVE:
        chord = Chord(parse_chord(root).root, KINDS[kind], "", kind)
        reference = harmony.ChordSymbol(root=theirs(root), kind=kind)
        assert {theirs(str(name)) for name in chord.names} == {
            pitch.name for pitch in reference.pitches
        }


@with_each(
    ("ours", "reference"),
    [("ii7", "ii7"), ("V7", "V7"), ("iii7", "iii7"), ("vi7", "vi7"), ("viiø7", "viiø7"),
     ("Imaj7", "I7"), ("IVmaj7", "IV7"), ("V7/ii", "V7/ii"), ("V7/V", "V7/V"), ("V7/vi", "V7/vi"),
     ("viio7/V", "viio7/V"), ("viio7", "viio7")],
)  # fmt: skip
def test_numerals(ours: str, reference: str) -> None:
    """Diatonic sevenths and applied chords are music21's, spelled alike, in fifteen major keys."""
    for each in MAJOR_KEYS:
        chord = parse_numeral(ours).in_key(each)
        figure = roman.RomanNumeral(reference, key.Key(theirs(str(each.tonic))))
        assert [theirs(str(name)) for name in chord.names] == [p.name for p in figure.pitches]


def test_inversions() -> None:
    """V7/3 has in the bass what music21's V65 has: the third of the dominant."""
    for each in MAJOR_KEYS:
        bass = parse_numeral("V7/3").in_key(each).bass_name
        figure = roman.RomanNumeral("V65", key.Key(theirs(str(each.tonic))))
        assert theirs(str(bass)) == figure.bass().name


FIGURES = ["V65", "V43", "V42", "I64", "ii65", "viio43", "vi64", "V65/V", "V43/ii", "viio42"]


@with_each("figure", FIGURES)
def test_figured_numerals_are_explained(figure: str) -> None:
    """What is offered instead of a theory book's numeral has the notes of music21's, and its
    bass."""
    with pytest.raises(NumeralError) as refused:
        parse_numeral(figure)
    for each in MAJOR_KEYS:
        chord = parse_numeral(refused.value.suggestion).in_key(each)
        theory = roman.RomanNumeral(figure, key.Key(theirs(str(each.tonic))))
        assert {theirs(str(name)) for name in chord.names} == {p.name for p in theory.pitches}
        assert theirs(str(chord.bass_name)) == theory.bass().name


@with_each(
    ("name", "reference"),
    [
        ("ionian", scale.MajorScale), ("dorian", scale.DorianScale),
        ("phrygian", scale.PhrygianScale), ("lydian", scale.LydianScale),
        ("mixolydian", scale.MixolydianScale), ("aeolian", scale.MinorScale),
        ("locrian", scale.LocrianScale), ("harmonic minor", scale.HarmonicMinorScale),
    ],
)  # fmt: skip
def test_scales(name: str, reference: type[scale.ConcreteScale]) -> None:
    """Scales that music21 also has are spelled the same on twelve roots."""
    for root in TWELVE:
        names = SCALES[name].names(Key.parse(root).tonic)
        pitches = reference(theirs(root)).getPitches()[:7]
        assert [theirs(str(each)) for each in names] == [pitch.name for pitch in pitches]


@with_each(
    ("name", "reference"),
    [("whole tone", scale.WholeToneScale), ("whole-half diminished", scale.OctatonicScale)],
)
def test_symmetrical_scales(name: str, reference: type[scale.ConcreteScale]) -> None:
    """Whole-tone and diminished scales sound as music21's, which spells them otherwise."""
    for root in TWELVE:
        tonic = Key.parse(root).tonic
        sounds = {each.pitch_class for each in SCALES[name].names(tonic)}
        assert sounds == {pitch.pitchClass for pitch in reference(theirs(root)).getPitches()}
