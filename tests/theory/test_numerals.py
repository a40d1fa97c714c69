"""Roman numerals in their jazz meaning."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chord_types import USUAL
from drillgen.theory.chords import NumeralError, is_numeral, parse_chord, parse_numeral
from drillgen.theory.pitch import Degree, Key
from tests.rows import with_each
from tests.theory.names import KEYS, spelled

ROMANS = spelled("I II III IV V VI VII i ii iii iv v vi vii")

# In C, and some in other keys: common practice.
IN_C = {
    "I": "C", "IV": "F", "ii": "Dm", "vi": "Am",
    "I7": "C7", "IV7": "F7", "V7": "G7", "bII7": "Db7", "bVII7": "Bb7",
    "Imaj7": "Cmaj7", "IΔ7": "Cmaj7", "ii7": "Dm7", "iim7": "Dm7", "ii-7": "Dm7", "IIm7": "Dm7",
    "iiø7": "Dm7b5", "ii7b5": "Dm7b5", "iim7b5": "Dm7b5", "viio7": "Bdim7", "vii°7": "Bdim7",
    "viidim7": "Bdim7", "i6": "Cm6", "i6/9": "Cm6/9", "iadd9": "Cmadd9", "ii11": "Dm11",
    "i(maj7)": "Cm(maj7)", "im(maj7)": "Cm(maj7)", "imin(maj7)": "Cm(maj7)", "iΔ7": "Cm(maj7)",
    "imaj7": "Cm(maj7)", "V7alt": "G7alt", "V7(b9,#11)": "G7(b9,#11)", "Vsus": "Gsus4",
    "V+": "Gaug", "V9sus4": "G9sus4", "♭VIImaj7": "Bbmaj7", "#ivo7": "F#dim7", "♯IVo7": "F#dim7",
    "bIII": "Eb", "bVI7": "Ab7", "iv6": "Fm6", "I6/9": "C6/9",
    "V7/ii": "A7", "V7/V": "D7", "V7/IV": "C7", "V9/vi": "E9", "V7/bIII": "Bb7",
    "viio7/V": "F#dim7", "viio7/ii": "C#dim7", "ii7/V": "Am7", "iiø7/ii": "Em7b5",
    "V7/V/V": "A7", "V7/V/ii": "E7",
    "subV": "Db7", "subV7": "Db7", "subV7/ii": "Eb7", "subV7/V": "Ab7", "subV9/IV": "Gb9",
    "I/3": "C/E", "V7/3": "G7/B", "V7/7": "G7/F", "ii7/3": "Dm7/F", "I/2": "C/D", "I/b7": "C/Bb",
    "V7/ii/3": "A7/C#", "I6/3": "C6/E", "i/b3": "Cm/Eb", "iii7/5": "Em7/B", "I/9": "C/D",
}  # fmt: skip


@with_each(("numeral", "chord"), IN_C.items())
def test_meaning(numeral: str, chord: str) -> None:
    """Each numeral is the chord that a jazz player takes it for, in C (common practice)."""
    assert parse_numeral(numeral).in_key(Key.parse("C")).text == chord


@with_each(
    ("numeral", "key", "chord"),
    [
        ("iiø7", "C minor", "Dm7b5"),
        ("bIIImaj7", "C minor", "Ebmaj7"),
        ("bVI7", "F minor", "Db7"),
        ("VI7", "C minor", "A7"),  # not Ab7: degrees count from the major scale
        ("subV7", "F#", "G7"),
        ("V7/iii", "F#", "E#7"),
        ("subV7", "Cb", "Dbb7"),
        ("bVII7", "Cb", "Bbb7"),
        ("viio7/V", "C#", "F##dim7"),
        ("bIIIo7", "Cb", "Ddim7"),  # Ebb Gbb Bbbb: three flats, so from D
        ("bIIIo7/5", "Cb", "Ddim7/Ab"),
    ],
)
def test_far_keys(numeral: str, key: str, chord: str) -> None:
    """Double accidentals stay where they are right; a chord is respelled only where one of its
    notes would need three."""
    assert parse_numeral(numeral).in_key(Key.parse(key)).text == chord


@given(st.sampled_from(KEYS), st.sampled_from(ROMANS), st.sampled_from(["", "b", "#"]))
def test_substitutes_share_their_guide_tones(key: Key, roman: str, sign: str) -> None:
    """A substitute dominant lies a tritone from the dominant it stands in for, and has its third
    and seventh the other way round (Hutchinson: chords a tritone apart share guide tones)."""
    dominant = parse_numeral(f"V7/{sign}{roman}").in_key(key)
    substitute = parse_numeral(f"subV7/{sign}{roman}").in_key(key)
    theirs = [dominant.root.above(degree).pitch_class for degree in dominant.guide_tones]
    ours = [substitute.root.above(degree).pitch_class for degree in substitute.guide_tones]
    assert ours == theirs[::-1]


@given(st.sampled_from(KEYS), st.sampled_from(ROMANS), st.sampled_from(["", "b", "#"]))
def test_dominants_lead_a_fifth_down(key: Key, roman: str, sign: str) -> None:
    """The applied dominant's root is a fifth above its target's, whatever the target's mode, and is
    a dominant seventh chord."""
    target = parse_numeral(sign + roman).in_key(key)
    dominant = parse_numeral(f"V7/{sign}{roman}").in_key(key)
    assert dominant.root.pitch_class == target.root.above(Degree(5)).pitch_class
    assert dominant.symbol == "7"


@given(st.sampled_from(KEYS), st.sampled_from(ROMANS), st.sampled_from(USUAL))
def test_qualities_are_those_of_symbols(key: Key, roman: str, quality: str) -> None:
    """After a capital a quality means what it means after a chord's root; so it does after a small
    numeral where it says minor."""
    if roman.isupper() or (quality.startswith("m") and not quality.startswith("maj")):
        chord = parse_numeral(roman + quality).in_key(key)
        assert chord.degrees == parse_chord(f"C{quality}").degrees


@given(st.sampled_from(KEYS), st.sampled_from(sorted(IN_C)))
def test_transposition_keeps_the_chord(key: Key, numeral: str) -> None:
    """In every key a numeral is the same chord at the same distance from the tonic."""
    there, home = parse_numeral(numeral).in_key(key), parse_numeral(numeral).in_key(Key.parse("C"))
    assert there.degrees == home.degrees
    moved = there.root.pitch_class - key.tonic.pitch_class
    assert moved % 12 == home.root.pitch_class
    assert (there.bass_name.pitch_class - key.tonic.pitch_class) % 12 == home.bass_name.pitch_class


@with_each(
    ("text", "position", "suggestion"),
    [
        ("ii8", 2, "ii7"),
        ("xii", 0, ""),
        ("IVi", 2, "IV7"),
        ("V7/x", 3, ""),
        ("V7/", 3, ""),
        ("V7/3/ii", 3, ""),
        ("Imja7", 3, "Imaj7"),
        ("", 0, ""),
        ("Dm7", 0, ""),
    ],
)
def test_where_reading_stops(text: str, position: int, suggestion: str) -> None:
    """What is no numeral is refused at the character that makes it none."""
    with pytest.raises(NumeralError) as caught:
        parse_numeral(text)
    assert (caught.value.position, caught.value.suggestion) == (position, suggestion)
    assert caught.value.message.startswith(f'"{text}": ')


@given(st.text(alphabet="IViv#b♭subVm7maj°ø+/(),9135 x", max_size=12) | st.text())
def test_nothing_but_numeral_errors(text: str) -> None:
    """Any text is a numeral, which is a chord in every key, or a NumeralError inside the text."""
    try:
        numeral = parse_numeral(text)
    except NumeralError as error:
        assert 0 <= error.position <= len(text)
        return
    for key in KEYS:
        assert numeral.in_key(key).degrees == numeral.degrees


def test_numerals_are_told_from_symbols() -> None:
    """Numerals start with I, V, i, v, an accidental before them, or sub; symbols with A to G."""
    assert all(is_numeral(text) for text in IN_C)
    assert not any(is_numeral(chord) for chord in IN_C.values())
