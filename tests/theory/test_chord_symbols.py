"""How chord symbols are read, spelled and refused."""

from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chord_types import BASES, ChordError
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.pitch import STEPS
from tests.rows import with_each
from tests.theory.names import ROOTS, spelled

# Spellings of one chord -> its notes: common practice on lead sheets.
SPELLINGS = {
    "C CM Cmaj Cma": "C E G",
    "Cm C- Cmin Cmi CMin": "C Eb G",
    "C7 Cdom7": "C E G Bb",
    "Cmaj7 CM7 Cma7 CMaj7 CΔ C△7 CΔ7 Cj7 Cj": "C E G B",
    "Dm7 D-7 Dmin7 Dmi7 DMI7": "D F A C",
    "Bm7b5 Bø Bø7 B-7b5 Bmin7(b5) Bm7(♭5) Bhdim7 Bm7-5": "B D F A",
    "Co C° Cdim Cm(b5) Cmb5": "C Eb Gb",
    "Co7 C°7 Cdim7": "C Eb Gb Bbb",
    "C+ Caug C(#5)": "C E G#",
    "C7#5 C+7 Caug7 C7+ C7(#5) C7+5": "C E G# Bb",
    "Cmaj7#5 C+M7 C+maj7 CΔ7#5": "C E G# B",
    "Cm(maj7) CmM7 Cm△7 C-Δ7 Cmmaj7 Cmin(maj7) C-Δ": "C Eb G B",
    "C6 Cmaj6": "C E G A",
    "Cm6 C-6 Cmin6": "C Eb G A",
    "C6/9 C69 C6(9) C6add9": "C E G A D",
    "Cm6/9 Cm69 C-6/9": "C Eb G A D",
    "C9 C7(9)": "C E G Bb D",
    "C11": "C E G Bb D F",
    "C13": "C E G Bb D F A",
    "Cmaj9 CM9 CΔ9 Cmaj7(9)": "C E G B D",
    "C7b9 C7(b9) C7♭9 C7-9 C7addb9": "C E G Bb Db",
    "C7#9 C7(#9) C7+9": "C E G Bb D#",
    "C7(b9,#11) C7b9#11 C7(♭9♯11) C7(b9)(#11)": "C E G Bb Db F#",
    "C7b9b13": "C E G Bb Db Ab",
    "C7#11 C7(#4)": "C E G Bb F#",
    "C13#11": "C E G Bb D F# A",
    "C13b9": "C E G Bb Db F A",
    "C7b5 C7(b5) C7-5": "C E Gb Bb",
    "C7alt Calt C7(alt)": "C E Bb Db D# Ab",
    "Csus Csus4": "C F G",
    "Csus2": "C D G",
    "C7sus C7sus4 Csus4(add7) Csus4add7": "C F G Bb",
    "C6(b7) C6b7 C7(add13)": "C E G Bb A",
    "C7(13,b9) C7(b9,13)": "C E G Bb Db A",
    "C9sus C9sus4": "C F G Bb D",
    "C13sus C13sus4": "C F G Bb D A",
    "C7susb9 C7sus(b9) C7b9sus4": "C F G Bb Db",
    "Cadd9 C(add9) Cmajadd9": "C E G D",
    "Cm(add9) Cmadd9 Cm(9)": "C Eb G D",
    "Cadd2 C2": "C D E G",
    "Cadd11": "C E G F",
    "Cno3 C5 C(omit3)": "C G",
    "C(no5) Cno5 Comit5": "C E",
    "C7(omit5) C7no5": "C E Bb",
    "Cmaj7(#11) Cmaj7#11 CΔ#11": "C E G B F#",
    "Cm7(11) Cm7add11": "C Eb G Bb F",
    "Cm(b6)": "C Eb G Ab",
    "F#m7b5 F♯ø": "F# A C E",
    # The root is read greedily; a bracket or a space ends it.
    "Bb7 B♭7": "Bb D F Ab",
    "Bb5": "Bb F",
    "Cb9": "Cb Eb Gb Bbb Db",
    "Bbb7 B𝄫7 B♭♭7": "Bbb Db Fb Abb",
    "Fx7 F##7 F𝄪7": "F## A## C## E#",
    "B(b5)": "B D# F",
}
EACH_SPELLING = [(text, notes) for texts, notes in SPELLINGS.items() for text in texts.split()]

NOT_CHORDS = {
    # text: where reading stops, what is found there
    "Dm8": (2, "8"),
    "Cmaj7x": (5, "x"),
    "C/H": (2, "H"),
    "C7/": (3, ""),
    "C7(b9": (2, "(b9"),
    "dm7": (0, "dm7"),
    "H7": (0, "H7"),
    "": (0, ""),
    "B b7": (2, "b7"),
    "C7(maj7)": (3, "maj7)"),
    "C7(no9)": (3, "no9)"),
    "Cm7b3": (3, "b3"),
    "F7#1": (2, "#1"),
}

roots = st.sampled_from(ROOTS)
bases = st.sampled_from(sorted(BASES))
endings = st.lists(
    st.sampled_from(
        spelled("b5 #5 b9 #9 #11 b13 (b9) (9) (11) (13) add9 add2 sus sus2 no5 no3 (b6) (maj7) +")
    ),
    max_size=3,
)


def readable(text: str) -> Chord | None:
    try:
        return parse_chord(text)
    except ChordError:
        return None


@with_each(("text", "notes"), EACH_SPELLING)
def test_spellings(text: str, notes: str) -> None:
    """Each usual way to write a chord gives its notes, spelled (common practice)."""
    assert {str(name) for name in parse_chord(text).names} == set(notes.split())


@with_each("texts", [texts for texts in SPELLINGS if " " in texts])
def test_spellings_of_one_chord_are_equal(texts: str) -> None:
    """However a chord is written, it is the same value with the same canonical text."""
    assert len({parse_chord(text) for text in texts.split()}) == 1


@with_each(
    ("text", "notes"),
    [
        ("Abm7", "Ab Cb Eb Gb"),
        ("Gb7", "Gb Bb Db Fb"),
        ("Cbm7", "Cb Ebb Gb Bbb"),
        ("Bbbm7", "Bbb Dbb Fb Abb"),
        ("G#7", "G# B# D# F#"),
        ("D#maj7", "D# F## A# C##"),
        ("Ebdim7", "Eb Gb Bbb Dbb"),
        ("F#m7b5", "F# A C E"),
        ("A7#9", "A C# E G B#"),
    ],
)
def test_spelling(text: str, notes: str) -> None:
    """Thirds are written as thirds, sevenths as sevenths, with as many accidentals as that takes
    (the rule of stacked thirds, any harmony textbook)."""
    assert [str(name) for name in parse_chord(text).names] == spelled(notes)


@given(roots, bases, endings)
def test_letters_follow_the_degrees(root, base, ends) -> None:  # type: ignore[no-untyped-def]
    """On every root each degree has the letter as many steps up as its number says, and sounds as
    many semitones up as it should; an alteration of a bare root stands in parentheses, as Cb5 is a
    C flat."""
    altered = "".join(ends)
    chord = readable(
        f"{root}{base}{altered}" if base else f"{root}({altered})" if ends else str(root)
    )
    for name, degree in zip(chord.names, chord.degrees, strict=True) if chord else ():
        steps = STEPS.index(name.letter) - STEPS.index(root.letter)
        assert steps % 7 == (degree.number - 1) % 7
        assert (name.pitch_class - root.pitch_class - degree.semitones) % 12 == 0


@given(roots, bases, endings, st.none() | roots)
def test_text_reads_back(root, base, ends, bass) -> None:  # type: ignore[no-untyped-def]
    """A chord's text, and its text for people, read back as the same chord."""
    written = f"{root}{base}{''.join(ends)}" + (f"/{bass}" if bass else "")
    chord = readable(written)
    if chord:
        assert parse_chord(chord.text) == chord
        assert parse_chord(chord.pretty) == chord


def test_every_base_is_read() -> None:
    """Each base spelling gives on its own, over a plain root, the degrees the table gives it."""
    for base, degrees in BASES.items():
        assert parse_chord(f"C{base}").degrees == degrees, base


@given(st.text(alphabet="ABCb#♭♯mMajdino°ø+-Δ()/,0123456789 susalt𝄫x", max_size=12) | st.text())
def test_nothing_but_chord_errors(text: str) -> None:
    """Any text is a chord or a ChordError that says where, what, and what would be allowed."""
    try:
        parse_chord(text)
    except ChordError as error:
        assert 0 <= error.position <= len(text)
        assert text[error.position :].strip().startswith(error.found)
        assert error.allowed
        assert error.message
        assert "\n" not in error.message or "\n" in text
        if error.suggestion:
            parse_chord(error.suggestion)


@with_each(("text", "where"), NOT_CHORDS.items())
def test_where_reading_stops(text: str, where: tuple[int, str]) -> None:
    """What is no chord is refused at the first character that makes it none."""
    with pytest.raises(ChordError) as caught:
        parse_chord(text)
    assert (caught.value.position, caught.value.found) == where


@with_each(
    ("text", "meant"),
    [("dm7", "Dm7"), ("Cmaj 7", "Cmaj7"), ("Cmja7", "Cmaj7"), ("B b7", "Bb7"), ("Gsu4", "Gsus4"),
     ("G7atl", "G7alt"), ("Cdmi7", "Cdim7"), ("Xyz", ""), ("G77", "G7"), ("Cmm7", "Cm7"),
     ("Fqqqq", "")],
)  # fmt: skip
def test_suggestions(text: str, meant: str) -> None:
    """A slip of the pen is answered with the chord that was meant, nonsense with nothing."""
    with pytest.raises(ChordError) as caught:
        parse_chord(text)
    assert caught.value.suggestion == meant


def test_message_is_one_sentence() -> None:
    """The message names the text, what was not understood and after what, and the nearest chord."""
    with pytest.raises(ChordError, match='"Dm8": no chord quality "8" after "Dm"; nearest: "Dm7"'):
        parse_chord("Dm8")


@with_each(
    ("text", "bass"),
    [("C/E", "E"), ("Dm7/G", "G"), ("C/Bb", "Bb"), ("F#m7b5/E", "E"), ("C6/9/E", "E"),
     ("C6/9", "C"), ("Gm7/C♯", "C#"), ("C7(b9)/Db", "Db"), ("Cm", "C")],
)  # fmt: skip
def test_slash_basses(text: str, bass: str) -> None:
    """The note after the slash is the lowest; the slash of a six-nine chord is none."""
    assert str(parse_chord(text).bass_name) == bass


# The third, the seventh and the family: common practice.
PLAYERS = [
    ("C", "3 1", "major"),
    ("Cmaj7", "3 7", "major"),
    ("C6", "3 6", "major"),
    ("Cm6", "b3 6", "minor"),
    ("Dm7", "b3 b7", "minor"),
    ("G7", "3 b7", "dominant"),
    ("G7alt", "3 b7", "dominant"),
    ("G9sus4", "4 b7", "suspended"),
    ("Csus2", "2 1", "suspended"),
    ("Bm7b5", "b3 b7", "half-diminished"),
    ("Bdim7", "b3 bb7", "diminished"),
    ("Bdim", "b3 1", "diminished"),
    ("Cm(maj7)", "b3 7", "minor-major"),
    ("C+", "3 1", "augmented"),
    ("Cmaj7#5", "3 7", "augmented"),
    ("C7#5", "3 b7", "dominant"),
    ("C5", "5 1", "suspended"),
    ("Cm(b6)", "b3 1", "minor"),
]


@with_each(("text", "guides", "family"), PLAYERS)
def test_what_players_ask(text: str, guides: str, family: str) -> None:
    """Guide tones are third and seventh; a fourth or second stands for the third of a sus chord, a
    sixth for the seventh of a sixth chord, the root for that of a triad (common practice)."""
    chord = parse_chord(text)
    assert " ".join(map(str, chord.guide_tones)) == guides
    assert chord.family == family


@with_each("text", spelled("C7 C9sus C13 C7alt C7#5 C11 C7sus2"))
def test_dominants(text: str) -> None:
    """Chords with a minor seventh over a major third, or over what suspends it, are dominants."""
    assert parse_chord(text).is_dominant


@with_each("text", spelled("C Cmaj7 Cm7 C6 Csus4 Cdim7 Cm7b5 C5"))
def test_others_are_no_dominants(text: str) -> None:
    """Chords without that seventh or that third are none."""
    assert not parse_chord(text).is_dominant


def test_dominants_keep_root_third_and_seventh() -> None:
    """No alteration moves a dominant's root, third or seventh (Hutchinson, Music Theory for the
    21st-Century Classroom, "Introduction to Jazz Theory")."""
    kept = set(parse_chord("C7no5").names)
    altered = spelled("b5 #5 b9 #9 #11 b13")
    for change in chain(altered, (a + b for a in altered for b in altered)):
        chord = readable(f"C7{change}")
        assert chord is None or kept <= set(chord.names)


@given(roots, bases, roots)
def test_moving_a_chord_keeps_it(root, base, other) -> None:  # type: ignore[no-untyped-def]
    """Moved to another root a chord has the same degrees, and no note with three accidentals where
    a simpler root avoids it."""
    moved = parse_chord(f"{root}{base}").on(other)
    assert moved.degrees == parse_chord(f"C{base}").degrees
    assert moved.root.pitch_class == other.pitch_class
    if moved.root != other:
        assert abs(moved.root.alter) <= 1
        kept = [other.above(degree) for degree in moved.degrees]
        assert max(abs(name.alter) for name in kept) > 2
