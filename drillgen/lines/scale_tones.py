"""A chord's scale as a line uses it: chosen by the teacher or the table, and counted in steps."""

from __future__ import annotations

from drillgen.drill.lines.chord_scales import ChordScales, Named
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.numerals import Numeral
from drillgen.theory.pitch import Degree
from drillgen.theory.scales import SCALES, Scale, chord_scale

_SIXTH = Degree(6)
_SHARP_FIFTH = Degree(5, 1)
_SEVENTH = Degree(7)


def scale_of(chord: Chord, key: Key, home: Key, chosen: ChordScales) -> Scale:
    """The teacher's scale for a chord, one named for this very chord first; else the table's.

    `key` is the one that sounds, `home` the one in which the teacher wrote chord symbols.
    """
    for named, scale in sorted(chosen, key=lambda each: isinstance(each[0], tuple)):
        if _is_meant(named, chord, key, home):
            return SCALES[scale]
    return chord_scale(chord, key)


def _is_meant(named: Named, chord: Chord, key: Key, home: Key) -> bool:
    if isinstance(named, Numeral):
        return _same(named.in_key(key), chord)
    if isinstance(named, Chord):
        return _same(named.transposed(key.tonic.fifths - home.tonic.fifths), chord)
    return named == chord.degrees


def _same(named: Chord, chord: Chord) -> bool:
    """Alike but for the bass and for how the root is spelled."""
    alike = named.degrees == chord.degrees
    return alike and named.root.pitch_class == chord.root.pitch_class


def with_passing_note(scale: Scale, chord: Chord) -> Scale:
    """The bebop form of a scale: an eighth note, so that every other one is a chord tone.

    Common practice: a major seventh between minor seventh and root; a sharp fifth where the chord
    has a sixth or major seventh, its sixth counting as a chord tone.  Scales that this cannot do it
    for (those of eight notes, altered, whole tone) stay as they are.
    """
    passing = _SEVENTH if Degree(7, -1) in scale.degrees and not chord.degree(6) else _SHARP_FIFTH
    degrees = sorted({*scale.degrees, passing}, key=lambda degree: degree.semitones)
    longer = Scale(f"{scale.name} with a passing {passing}", tuple(degrees))
    if len(degrees) == 8 > len(scale.degrees) and all(
        lands(longer, chord, degree) for degree in degrees[:8:2]
    ):
        return longer
    return scale


def lands(scale: Scale, chord: Chord, degree: Degree) -> bool:
    """Whether a bebop line rests on this tone: a chord tone, the seventh of a plain triad, or the
    sixth beside a passing sharp fifth."""
    plain = simple(degree)
    sixth = plain == _SIXTH and {Degree(5), _SHARP_FIFTH} <= {*scale.degrees}
    seventh = plain == Degree(7, -1) and chord.seventh is None
    return sixth or seventh or has(chord, degree)


def step(scale: Scale, index: int) -> Degree:
    """The scale's tone so many steps over its root; below it where the index is negative."""
    octave, place = divmod(index, len(scale.degrees))
    degree = scale.degrees[place]
    return Degree(degree.number + 7 * octave, degree.alter)


def simple(degree: Degree) -> Degree:
    """The same within an octave: 9 is 2, 8 is 1."""
    return Degree((degree.number - 1) % 7 + 1, degree.alter)


def degree_in(scale: Scale, chord: Chord, number: int) -> Degree:
    """A degree as the scale has it, the chord's own where it has several; where it has none, the
    tone nearest to the plain degree, the upper one of two (the 5 of an altered scale is its b6)."""
    wanted = (number - 1) % 7 + 1
    found = [degree for degree in scale.degrees if degree.number == wanted]
    own = [degree for degree in found if has(chord, degree)]
    if not found:
        plain = Degree(wanted).semitones
        found = sorted(
            scale.degrees, key=lambda each: (abs(each.semitones - plain), -each.semitones)
        )
    best = (own or found)[0]
    return Degree(best.number + number - wanted, best.alter)


def has(chord: Chord, degree: Degree) -> bool:
    """Whether a degree sounds like one of the chord's, in any octave."""
    return degree.semitones % 12 in {each.semitones % 12 for each in chord.played}


def degree_of(chord: Chord, key: Key, number: int) -> Degree:
    """The chord's own version of a degree in any octave, else the one of its chord scale."""
    plain = (number - 1) % 7 + 1
    if plain == 3 and chord.is_suspended:
        own = chord.third
        return Degree((own.number if own else 3) + number - plain, own.alter if own else 0)
    own = chord.degree(number) or chord.degree(plain)
    if own is not None:
        return Degree(number, own.alter)
    return degree_in(chord_scale(chord, key), chord, number)
