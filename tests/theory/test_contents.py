"""What chords contain, against published tables and other libraries.

mir_eval is imported where it is needed: that takes a second, and each worker reads this file.
"""

import csv
from pathlib import Path

import pychord
from pychord.constants.qualities import DEFAULT_QUALITIES

from drillgen.theory.chord_types import KINDS
from drillgen.theory.chords import Chord, parse_chord
from tests.rows import with_each
from tests.theory.names import ROOTS, TWELVE

DATA = Path(__file__).parents[1] / "data"
# pychord reads "C4" as an added eleventh where others mean a suspended fourth, so it is refused
# here; and its "7b9b13" has an eleventh that the symbol does not name.
PYCHORD_DIFFERS = {"4", "7b9b13"}


def published_kinds() -> dict[str, set[int]]:
    """Kind -> semitones, empty where the schema's documentation gives no intervals."""
    rows = csv.DictReader((DATA / "musicxml_kind_values.csv").open(encoding="utf-8"))
    return {row["kind"]: {int(each) for each in row["semitones"].split()} for row in rows}


def harte() -> list[str]:
    import mir_eval

    return sorted(quality for quality in mir_eval.chord.QUALITIES if quality)


def harte_extended() -> list[str]:
    """But for 'b9' and the like, which are degrees, not shorthands."""
    import mir_eval

    names = mir_eval.chord.EXTENDED_QUALITY_REDUX
    return sorted(quality for quality in names if not quality.startswith(("b", "#")))


def sounds(chord: Chord) -> set[int]:
    return {name.pitch_class for name in chord.names}


@with_each("quality", harte)
def test_harte_shorthands(quality: str) -> None:
    """Each shorthand of Harte et al. (mir_eval.chord's table) has the sevenths-and-below contents
    that the table gives it, on twelve roots; extensions come on top."""
    import mir_eval

    for root in TWELVE:
        number, bitmap, _ = mir_eval.chord.encode(f"{root}:{quality}")
        published = {(number + step) % 12 for step in range(12) if bitmap[step]}
        chord = parse_chord(root + quality)
        below_the_octave = {name for name, degree in zip(chord.names, chord.degrees, strict=True)
                            if degree.number < 8}  # fmt: skip
        assert {name.pitch_class for name in below_the_octave} == published


@with_each("quality", harte_extended)
def test_harte_extensions(quality: str) -> None:
    """Each extended shorthand is its seventh chord and the degrees mir_eval.chord adds to it."""
    import mir_eval

    base, extensions = mir_eval.chord.EXTENDED_QUALITY_REDUX[quality]
    bitmap = mir_eval.chord.quality_to_bitmap(base)
    for extension in extensions:
        bitmap = bitmap + mir_eval.chord.scale_degree_to_bitmap(extension, modulo=True)
    assert sounds(parse_chord("C" + quality)) == {step for step in range(12) if bitmap[step]}


@with_each("quality", [q for q, _ in DEFAULT_QUALITIES if q not in PYCHORD_DIFFERS])
def test_pychord_agrees(quality: str) -> None:
    """Every quality that pychord reads sounds the same here, on twelve roots."""
    for root in TWELVE:
        theirs = pychord.Chord(root + quality).components(visible=False)
        assert sounds(parse_chord(root + quality)) == {each % 12 for each in theirs}


def test_kinds_are_those_of_musicxml() -> None:
    """The 33 kind values of the MusicXML 4.0 schema (w3c/musicxml, kind-value), and no other."""
    assert set(KINDS) == set(published_kinds())
    assert len(KINDS) == 33


@with_each("kind", [kind for kind, notes in published_kinds().items() if notes])
def test_kind_contents(kind: str) -> None:
    """Each kind contains what the schema's documentation says, and its symbol leads back to it."""
    for root in ROOTS:
        chord = Chord.of(root, KINDS[kind])
        assert {degree.semitones for degree in chord.degrees} == published_kinds()[kind]
        assert parse_chord(chord.text).kind == kind


@with_each(
    ("symbol", "kind", "degrees"),
    [
        ("C7b9", "dominant", [("add", 9, -1)]),
        ("C7sus4", "suspended-fourth", [("add", 7, 0)]),
        ("Csus4(maj7)", "suspended-fourth", [("add", 7, 1)]),
        ("C7b5", "dominant", [("alter", 5, -1)]),
        ("C13#11", "dominant-13th", [("alter", 11, 1)]),
        ("Cm7(11)", "minor-seventh", [("add", 11, 0)]),
        ("C7no5", "dominant", [("subtract", 5, 0)]),
        ("C6/9", "major-sixth", [("add", 9, 0)]),
        ("Cdim(maj7)", "diminished", [("add", 7, 1)]),
    ],
)
def test_musicxml_degrees(symbol: str, kind: str, degrees: list[tuple[str, int, int]]) -> None:
    """What the kind lacks is told as MusicXML counts it: an added degree from a dominant chord
    (so a minor seventh is 0), an altered one from the kind's own (musicxml.xsd, degree-alter)."""
    chord = parse_chord(symbol)
    told = [(change.action, change.degree.number, change.musicxml_alter)
            for change in chord.alterations]  # fmt: skip
    assert (chord.kind, told) == (kind, degrees)


@with_each(
    ("symbol", "semitones"),
    [("C11sus4", {0, 5, 7, 10, 2}), ("C9sus4", {0, 5, 7, 10, 2}), ("Csus2", {0, 2, 7})],
)
def test_what_a_suspension_replaces(symbol: str, semitones: set[int]) -> None:
    """The third goes; beside a suspended fourth no eleventh is named twice (common practice)."""
    chord = parse_chord(symbol)
    assert sounds(chord) == semitones
    assert len(chord.names) == len({name.pitch_class for name in chord.names})
