"""Scales and the choice of them."""

from hypothesis import given
from hypothesis import strategies as st
from music21 import scale as reference

from drillgen.chart import charts
from drillgen.drill.models import Drill
from drillgen.theory.chord_types import BASES, ChordError
from drillgen.theory.chords import parse_chord, parse_numeral
from drillgen.theory.pitch import Degree, Key, Name
from drillgen.theory.scales import SCALES, chord_scale
from tests.rows import with_each
from tests.theory.names import KEYS, ROOTS, spelled

# Common practice in jazz teaching: numeral -> scale.
IN_MAJOR = {
    "Imaj7": "ionian", "I6": "ionian", "ii7": "dorian", "iii7": "phrygian", "IVmaj7": "lydian",
    "IVmaj13": "lydian", "V7": "mixolydian", "V13": "mixolydian", "vi7": "aeolian",
    "viiø7": "locrian", "iiø7": "locrian natural 2", "V7/V": "mixolydian",
    "V7/ii": "phrygian dominant", "V7/iii": "phrygian dominant", "V7/vi": "phrygian dominant",
    "V9/ii": "mixolydian", "subV7": "lydian dominant", "subV7/ii": "lydian dominant",
    "bVII7": "lydian dominant", "I7": "mixolydian", "IV7": "mixolydian",
    "V7b9": "half-whole diminished", "V13b9": "half-whole diminished",
    "V7#9": "half-whole diminished", "V7alt": "altered", "V7#5#9": "altered", "V7#5": "whole tone",
    "V7#11": "lydian dominant", "V7b9b13": "phrygian dominant", "V7b13": "mixolydian b13",
    "#ivo7": "whole-half diminished", "i(maj7)": "melodic minor", "V9sus4": "mixolydian",
    "Vsusb9": "phrygian", "Imaj7#5": "lydian augmented", "Imaj7#11": "lydian",
}  # fmt: skip
# What a dominant resolves to -> its scale, whatever the key.  Down a fifth: Nettles and Graf, "The
# Chord Scale Theory and Jazz Harmony" (1997), mixolydian with 9 and 13 as the goal has them.  Down
# a semitone, and what the symbols alter: common practice.
RESOLVED = [
    ("B7", "Emaj7", "mixolydian"), ("B7", "E7", "mixolydian"), ("B7", "E7sus4", "mixolydian"),
    ("B7", "Em7", "phrygian dominant"), ("B7", "Em6", "phrygian dominant"),
    ("B7", "Em7b5", "phrygian dominant"), ("B7b9", "Em7", "phrygian dominant"),
    ("B7#9", "Em7", "altered"), ("B7#5", "Em7", "altered"), ("B7b5", "Em7", "altered"),
    ("B7alt", "Em7", "altered"), ("B7b9", "Emaj7", "half-whole diminished"),
    ("B7", "Bbmaj7", "lydian dominant"), ("B7", "Bbm7", "lydian dominant"),
    ("B13", "Em7", "mixolydian"),  # a written 13 is no b13
]  # fmt: skip
IN_MINOR = {
    "V7#9": "altered", "iv6": "melodic minor",
    "iiø7": "locrian", "V7": "phrygian dominant", "V7b9": "phrygian dominant", "V7alt": "altered",
    "V7#5": "altered", "i6": "melodic minor", "i(maj7)": "melodic minor", "i7": "dorian",
    "iv7": "dorian", "bIIImaj7": "ionian", "bVImaj7": "lydian", "bVII7": "mixolydian",
    "subV7": "lydian dominant", "viio7": "whole-half diminished",
}  # fmt: skip
CHANGES = spelled("_ b9 #9 #11 b13 b5 #5 (b9,#11) (b9,b13) (#9,b13) (b9,#9,#11,b13) sus4 add9 (b6)")


@with_each(
    ("mode", "numeral", "scale"),
    [(mode, *each) for mode, table in (("major", IN_MAJOR), ("minor", IN_MINOR))
     for each in table.items()],
)  # fmt: skip
def test_choice(mode: str, numeral: str, scale: str) -> None:
    """Each chord of the key takes the scale that is usually taught with it, in all keys."""
    for key in KEYS:
        if key.mode == mode:
            assert chord_scale(parse_numeral(numeral).in_key(key), key).name == scale


@with_each(("chord", "goal", "scale"), RESOLVED)
def test_a_dominant_by_what_it_resolves_to(chord: str, goal: str, scale: str) -> None:
    """The same scale in every key, major or minor: where it goes decides before where it stands."""
    for key in KEYS:
        found = chord_scale(parse_chord(chord), key, parse_chord(goal))
        assert found.name == scale, str(key)


@with_each("goal", ["C", "C minor"])
def test_the_dominants_9_and_13_are_those_of_the_goal(goal: str) -> None:
    """Down a fifth to a tonic chord a plain dominant has the tonic's own sixth for its ninth and
    third for its thirteenth, in music21's major and harmonic minor scale of the goal (Nettles and
    Graf), on twelve roots."""
    for fifths in range(-5, 7):
        key = Key(Name(fifths), "minor" if "minor" in goal else "major")
        tonic = str(key.tonic).replace("b", "-")
        theirs = (reference.HarmonicMinorScale if key.mode == "minor" else reference.MajorScale)(
            tonic
        )
        dominant = parse_numeral("V7").in_key(key)
        ours = chord_scale(dominant, None, parse_numeral("i" if key.mode == "minor" else "I")
                           .in_key(key))  # fmt: skip
        assert {name.pitch_class for name in ours.names(dominant.root)} == {
            pitch.pitchClass for pitch in theirs.getPitches()
        }


def test_line_and_form_agree_on_what_comes_next() -> None:
    """The next chord on another root decides, over bars that repeat and round to the form's
    beginning; nothing after N.C. does."""
    drill = Drill.model_validate({"progression": "E7 | % | A7 A7sus4 | D7 | N.C. | G7alt",
                                  "key": "C", "key_cycle": "C"})  # fmt: skip
    form = [b for b in charts(drill)[0].bars if b.form_bar >= 0 and b.role == "call"]
    found = [span.leads_to and span.leads_to.text for bar in form for span in bar.spans]
    assert found == ["A7", "A7", "D7", "D7", None, None, "E7"]


@given(
    st.sampled_from(KEYS), st.sampled_from(ROOTS), st.sampled_from(sorted(BASES)),
    st.sampled_from(CHANGES), st.sampled_from(["", "Em7", "Bbmaj7", "Ab", "F7", "C#m7b5"]),
)  # fmt: skip
def test_scale_contains_the_chord(key, root, base, change, goal) -> None:  # type: ignore[no-untyped-def]
    """Every tone that a chord is played with lies in its scale, for any quality in any key, before
    any other; but the fifth where the scale is altered, which has none."""
    try:
        chord = parse_chord(f"{root}{base}{change.strip('_')}")
    except ChordError:
        return
    found = chord_scale(chord, key, parse_chord(goal) if goal else None)
    without = {Degree(5)} if found.name == "altered" else set()
    tones = {chord.root.above(each).pitch_class for each in chord.played if each not in without}
    assert tones <= {name.pitch_class for name in found.names(chord.root)}


def test_seven_notes_have_seven_letters() -> None:
    """A scale of seven notes uses each letter once, on every root; `altered` is spelled as the
    dominant that it colours."""
    sevens = [each for each in SCALES.values() if len(each.degrees) == 7 and each.name != "altered"]
    assert len(sevens) > 12
    for scale in sevens:
        for root in ROOTS:
            assert len({name.letter for name in scale.names(root)}) == 7


@with_each(
    ("scale", "of", "step"),
    [
        # mode -> its parent scale and the parent's degree that it starts on (common practice)
        ("dorian", "ionian", 1), ("phrygian", "ionian", 2), ("lydian", "ionian", 3),
        ("mixolydian", "ionian", 4), ("aeolian", "ionian", 5), ("locrian", "ionian", 6),
        ("dorian b2", "melodic minor", 1), ("lydian augmented", "melodic minor", 2),
        ("lydian dominant", "melodic minor", 3), ("mixolydian b13", "melodic minor", 4),
        ("locrian natural 2", "melodic minor", 5), ("altered", "melodic minor", 6),
        ("phrygian dominant", "harmonic minor", 4),
        ("whole-half diminished", "half-whole diminished", 1),
        ("minor pentatonic", "major pentatonic", 4),
    ],
)  # fmt: skip
def test_modes(scale: str, of: str, step: int) -> None:
    """A mode is its parent scale begun on another degree."""
    parent = SCALES[of].semitones
    rotated = {(each - parent[step]) % 12 for each in parent}
    assert {each % 12 for each in SCALES[scale].semitones} == rotated


@with_each(
    ("scale", "root", "names"),
    [
        ("altered", "G", "G Ab A# B C# Eb F"),
        ("lydian dominant", "Db", "Db Eb F G Ab Bb Cb"),
        ("half-whole diminished", "G", "G Ab A# B C# D E F"),
        ("phrygian dominant", "A", "A Bb C# D E F G"),
        ("bebop dominant", "C", "C D E F G A Bb B"),
        ("bebop major", "C", "C D E F G G# A B"),
        ("blues", "C", "C Eb F Gb G Bb"),
    ],
)
def test_spelling(scale: str, root: str, names: str) -> None:
    """Scales are spelled as musicians write them (common practice)."""
    root_name = parse_chord(root).root
    assert [str(name) for name in SCALES[scale].names(root_name)] == spelled(names)


def test_family_decides_without_a_key() -> None:
    """With no key to say where it stands, a chord takes the scale of its family."""
    assert chord_scale(parse_chord("Dm7")).name == "dorian"
    assert chord_scale(parse_chord("Db7"), Key.parse("C")).name == "lydian dominant"
    assert chord_scale(parse_chord("Db7")).name == "mixolydian"
