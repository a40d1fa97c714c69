"""Shells, rootless voicings and voice-leading."""

import csv
from itertools import combinations, pairwise
from pathlib import Path
from random import Random
from statistics import mean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chord_types import USUAL
from drillgen.theory.chords import Chord, parse_chord, parse_numeral
from drillgen.theory.pitch import Key, Pitch
from drillgen.theory.scales import SCALES, chord_scale
from drillgen.theory.voicings import RUB, rootless, shell, styled, tones, voiced
from tests.examples import examples
from tests.rows import with_each
from tests.theory.names import KEYS, ROOTS, spelled

DATA = Path(__file__).parents[1] / "data"
C = Key.parse("C")
# Forms as every player meets them; common property.
FORMS = [
    "ii7 V7 Imaj7 Imaj7", "iiø7 V7b9 i6 i6", "I6 vi7 ii7 V7", "iii7 V7/ii ii7 subV7",
    "I7 IV7 I7 I7 IV7 IV7 I7 VI7 ii7 V7 I7 V7", "i7 i7 iv7 i7 bVI7 V7alt i6 V7", "I #io7 ii7 V7",
]  # fmt: skip


def degrees(chord: Chord, names: tuple[object, ...]) -> str:
    return " ".join(map(str, names))


def spelled_form(text: str, form: str, size: int, key: Key = C) -> str:
    chord = parse_chord(text)
    voices = rootless(chord, form, size, key)  # type: ignore[arg-type]
    return " ".join(str(chord.root.above(degree)) for degree in voices)


@with_each(
    ("text", "form", "notes"),
    [
        # Published worked examples of a ii V I in C, four notes and three (common property).
        ("Dm9", "A", "F A C E"), ("G13", "B", "F A B E"), ("Cmaj9", "A", "E G B D"),
        ("Dm9", "A", "F C E"), ("G13", "B", "F B E"), ("Cmaj9", "A", "E B D"),
        # The other way about, and symbols that leave the extensions to the player: common practice.
        ("Dm7", "B", "C E F A"), ("G7", "A", "B E F A"), ("Cmaj7", "B", "B D E G"),
        ("C6", "A", "E G A D"), ("Cm(maj7)", "A", "Eb G B D"), ("G7sus4", "A", "C D F A"),
        ("Bm7b5", "A", "D F A B"), ("Bdim7", "A", "D F Ab B"), ("Em7", "A", "G B D E"),
        ("G7b9", "B", "F Ab B E"), ("G7alt", "B", "F A# B Eb"), ("G7#5", "B", "F A B D#"),
        ("A7", "A", "C# F G Bb"),  # V7/ii: b13 and b9
        ("Db7", "B", "Cb Eb F Bb"),
        ("C", "A", "E G C"),
    ],
)  # fmt: skip
def test_rootless_forms(text: str, form: str, notes: str) -> None:
    """Form A has the third lowest, form B the seventh; sizes as in the examples."""
    assert spelled_form(text, form, len(notes.split())) == notes


def test_minor_key_brings_its_tensions() -> None:
    """V7 of a minor key is voiced with b9 and b13, in a major key with 9 and 13."""
    assert spelled_form("G7", "B", 4, Key.parse("C minor")) == "F Ab B Eb"
    assert spelled_form("G7", "B", 4, C) == "F A B E"


@with_each(
    ("text", "plain", "rooted"),
    [("Dm7", "b3 b7", "1 b3 b7"), ("C6", "3 6", "1 3 6"), ("C", "1 3", "1 3"),
     ("G7sus4", "4 b7", "1 4 b7")],
)  # fmt: skip
def test_shells(text: str, plain: str, rooted: str) -> None:
    """A shell is third and seventh, with the root on request; a triad has its root anyway."""
    chord = parse_chord(text)
    assert degrees(chord, shell(chord)) == plain
    assert degrees(chord, shell(chord, root=True)) == rooted


@with_each(
    ("progression", "lines"),
    [
        # Published worked example: C to B, and F to E; the other notes stay.
        ("Dm7 G7 Cmaj7", {"C B B", "F F E"}),
        # R. Hutchinson, Music Theory for the 21st-Century Classroom: E7 A7 D7 G7 with
        # substitutes comes down by semitones.
        ("E7 Eb7 D7 Db7", {"G# G F# F", "D Db C B"}),
    ],
)
def test_guide_tones_move_by_step(progression: str, lines: set[str]) -> None:
    """Two voices that take the nearest guide tone of the next chord play the published lines."""
    chords = [parse_chord(text) for text in progression.split()]
    played = [[chords[0].root.above(degree) for degree in chords[0].guide_tones]]
    for chord in chords[1:]:
        names = [chord.root.above(degree) for degree in chord.guide_tones]
        played.append([
            min(names, key=lambda name: min((name.pitch_class - last.pitch_class) % 12,
                                            (last.pitch_class - name.pitch_class) % 12))
            for last in played[-1]
        ])  # fmt: skip
    wanted = {tuple(parse_chord(name).root.pitch_class for name in line.split()) for line in lines}
    voices = zip(*played, strict=True)
    assert {tuple(name.pitch_class for name in voice) for voice in voices} == wanted


def low_interval_limits() -> dict[int, int]:
    """Semitones -> lowest MIDI key of the lower note: a published table (Sweetwater's, converted);
    other tables differ by a semitone or two."""
    rows = csv.DictReader((DATA / "low_interval_limits.csv").open(encoding="utf-8"))
    return {int(row["semitones"]): int(row["lowest_midi"]) for row in rows}


@examples(300)
@given(
    st.sampled_from(ROOTS), st.sampled_from(USUAL), st.sampled_from(KEYS),
    st.integers(28, 60), st.integers(14, 30), st.integers(1, 5), st.none() | st.integers(40, 80),
)  # fmt: skip
def test_voicings_are_clear(root, quality, key, low, width, size, last) -> None:  # type: ignore[no-untyped-def]
    """Voices lie in the register, low to high, no more than asked for, on tones of the chord or its
    scale, without minor ninths (but a dominant's b9 over its root), within two semitones of the low
    interval limits."""
    chord, limits = parse_chord(f"{root}{quality}"), low_interval_limits()
    previous = None if last is None else (Pitch.near(root, last),)
    voices = voiced(chord, key, previous, low=low, high=low + width, size=size)
    keys = [pitch.midi for pitch in voices]
    assert keys == sorted(set(keys))
    assert low <= keys[0]
    assert keys[-1] <= low + width
    assert len(keys) <= size
    allowed = {*chord_scale(chord, key).names(chord.root), *chord.names}
    sounds = {name.pitch_class for name in allowed}
    assert {pitch.name.pitch_class for pitch in voices} <= sounds
    for lower, upper in combinations(keys, 2):
        if upper - lower > 12 and (upper - lower) % 12 == 1:
            assert chord.is_dominant
            assert lower % 12 == chord.root.pitch_class
        assert lower >= limits.get(upper - lower, 0) - 2


@with_each("quality", USUAL)
def test_named_alterations_are_heard(quality: str) -> None:
    """Four voices of a comping register sound every altered tone that a symbol names, in all keys
    (a chord is known by them: common practice)."""
    for root in spelled("C Db D Eb E F Gb G Ab A Bb B"):
        chord = parse_chord(root + quality)
        sounds = {pitch.name for pitch in voiced(chord, C, low=50, high=74, size=4)}
        named = {d for d in chord.played if d.number in (5, 9, 11, 13) and d.alter}
        if quality == "7alt":
            named = {d for d in named if str(d) != "b9"}  # b9 and #9 in one hand: one is enough
        assert {chord.root.above(degree) for degree in named} <= sounds
        third, seventh = chord.guide_tones
        assert chord.root.above(third) in sounds
        assert chord.seventh is None or chord.root.above(seventh) in sounds


def test_voices_lead_and_stay() -> None:
    """Through thousands of chords in wandering keys the mean motion of a voice stays under two
    semitones (issue: voice-leading), no voice leaves the register, the middle doesn't drift."""
    random, key, previous = Random("voice leading"), C, None
    motions, middles = [], []
    for _ in range(1000):
        key = key.moved(random.choice((5, -2, -1, 3, 7)))
        for numeral in random.choice(FORMS).split():
            voices = voiced(parse_numeral(numeral).in_key(key), key, previous, low=50, high=74)
            keys = [pitch.midi for pitch in voices]
            if previous and len(previous) == len(voices):
                motions.append(mean(abs(a - b.midi) for a, b in zip(keys, previous, strict=True)))
            middles.append(mean(keys))
            assert all(upper - lower <= 12 for lower, upper in pairwise(keys))
            previous = voices
    assert mean(motions) <= 2
    assert abs(mean(middles[:500]) - mean(middles[-500:])) < 3


@with_each("key", KEYS)
def test_cadence_moves_by_step(key: Key) -> None:
    """In ii V I no voice moves more than a whole tone, in any key (common practice)."""
    previous = None
    for numeral in ("ii7", "V7", "Imaj7") if key.mode == "major" else ("iiø7", "V7", "i6"):
        voices = voiced(parse_numeral(numeral).in_key(key), key, previous)
        if previous:
            moves = [abs(a.midi - b.midi) for a, b in zip(voices, previous, strict=True)]
            assert max(moves) <= 2
        previous = voices


def test_same_chord_same_voicing() -> None:
    """A chord struck again is not revoiced, and the same question has the same answer."""
    once = voiced(parse_chord("F7"), C, voiced(parse_chord("Cm7"), C))
    assert voiced(parse_chord("F7"), C, once) == once
    assert voiced(parse_chord("F7"), C, voiced(parse_chord("Cm7"), C)) == once


def test_no_register_no_voicing() -> None:
    """A register that holds none of the chord's tones is an error that names the chord."""
    with pytest.raises(ValueError, match="C7"):
        voiced(parse_chord("C7"), C, low=61, high=61)


def test_tones_put_the_telling_ones_first() -> None:
    """With few voices the guide tones stay, then what the symbol names (common practice)."""
    assert degrees(parse_chord("G7#9"), tones(parse_chord("G7#9"), C)[:3]) == "3 b7 #9"
    assert degrees(parse_chord("G7"), tones(parse_chord("G7"), C)[:2]) == "3 b7"


@with_each(
    ("text", "scale", "notes"),
    [
        # The scale named instead of the key: common practice, as the same dominants with symbols.
        ("G7", "altered", "F Ab B Eb"), ("G7", "half-whole diminished", "F Ab B E"),
        ("G7", "phrygian dominant", "F Ab B Eb"), ("G7", "lydian dominant", "F A B E"),
        ("G7", "mixolydian b13", "F A B Eb"), ("Dm7", "phrygian", "C D F A"),
        ("Cmaj7", "lydian augmented", "B D E G#"),
    ],
)  # fmt: skip
def test_a_chosen_scale_brings_its_tensions(text: str, scale: str, notes: str) -> None:
    """A chord whose scale is chosen is voiced from that scale, its perfect fifth included."""
    chord = parse_chord(text)
    voices = rootless(chord, "B", 4, SCALES[scale])
    assert " ".join(str(chord.root.above(degree)) for degree in voices) == notes


@with_each("melody", range(55, 76))
@with_each("text", ["Dm7", "G7", "Cmaj7", "Bm7b5", "G7alt", "C6"])
@with_each("guitar", [False, True])
def test_a_voicing_keeps_clear_of_a_melody(text: str, melody: int, guitar: bool) -> None:
    """Wherever one note of a melody lies, there is a voicing of at least three voices none of which
    is a semitone from it, with the chord's third and seventh (common practice: perhaps smaller, but
    still that chord)."""
    chord = parse_chord(text)

    def rubs(pitch: Pitch) -> float:
        return RUB if abs(pitch.midi - melody) == 1 else 0.0

    voices = styled(chord, C, None, style="rootless", low=50, high=74, size=4, guitar=guitar,
                    rubs=rubs)  # fmt: skip
    keys = [pitch.midi for pitch in voices]
    assert len(keys) >= 3 and all(abs(key - melody) != 1 for key in keys)
    sounds = {key % 12 for key in keys}
    assert {chord.root.above(degree).pitch_class for degree in chord.guide_tones} <= sounds
