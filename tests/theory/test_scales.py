"""Scales and the choice of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chord_symbols import BASES, ChordError
from drillgen.theory.chords import parse_chord
from drillgen.theory.keys import Key
from drillgen.theory.numerals import parse_numeral
from drillgen.theory.scales import SCALES, chord_scale
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
IN_MINOR = {
    "iiø7": "locrian", "V7": "phrygian dominant", "V7b9": "phrygian dominant", "V7alt": "altered",
    "V7#5": "altered", "i6": "melodic minor", "i(maj7)": "melodic minor", "i7": "dorian",
    "iv7": "dorian", "bIIImaj7": "ionian", "bVImaj7": "lydian", "bVII7": "mixolydian",
    "subV7": "lydian dominant", "viio7": "whole-half diminished",
}  # fmt: skip
CHANGES = spelled("_ b9 #9 #11 b13 b5 #5 (b9,#11) (b9,b13) (#9,b13) (b9,#9,#11,b13) sus4 add9 (b6)")


@pytest.mark.parametrize(
    ("mode", "numeral", "scale"),
    [(mode, *each) for mode, table in (("major", IN_MAJOR), ("minor", IN_MINOR))
     for each in table.items()],
)  # fmt: skip
def test_choice(mode: str, numeral: str, scale: str) -> None:
    """Each chord of the key takes the scale that is usually taught with it, in all keys."""
    for key in KEYS:
        if key.mode == mode:
            assert chord_scale(parse_numeral(numeral).in_key(key), key).name == scale


@given(
    st.sampled_from(KEYS), st.sampled_from(ROOTS), st.sampled_from(sorted(BASES)),
    st.sampled_from(CHANGES),
)  # fmt: skip
def test_scale_contains_the_chord(key, root, base, change) -> None:  # type: ignore[no-untyped-def]
    """Every tone that a chord is played with lies in its scale, for any quality in any key."""
    try:
        chord = parse_chord(f"{root}{base}{change.strip('_')}")
    except ChordError:
        return
    scale = {name.pitch_class for name in chord_scale(chord, key).names(chord.root)}
    assert {chord.root.above(degree).pitch_class for degree in chord.played} <= scale


def test_seven_notes_have_seven_letters() -> None:
    """A scale of seven notes uses each letter once, on every root; `altered` is spelled as the
    dominant that it colours."""
    sevens = [each for each in SCALES.values() if len(each.degrees) == 7 and each.name != "altered"]
    assert len(sevens) > 12
    for scale in sevens:
        for root in ROOTS:
            assert len({name.letter for name in scale.names(root)}) == 7


@pytest.mark.parametrize(
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


@pytest.mark.parametrize(
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
