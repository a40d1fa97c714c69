"""By which root a chord is written in a key."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chords import as_written, parse_numeral
from drillgen.theory.pitch import Key
from tests.rows import with_each
from tests.theory.names import KEYS

NUMERALS = [
    f"{sign}{roman}{quality}"
    for sign in ("", "b", "#")
    for roman in ("I", "II", "III", "IV", "V", "VI", "VII")
    for quality in ("7", "maj7", "m7", "sus", "o7", "m7b5")
]


@with_each(
    ("key", "numeral", "chord"),
    [
        ("Gb", "iv7", "Bm7"),
        ("Gb", "bVII7", "E7"),
        ("Gb", "bVIImaj7", "Emaj7"),
        ("Gb", "IVmaj7", "Cbmaj7"),
        ("Gb", "IV7", "Cb7"),
        ("Gb", "bII7", "G7"),
        ("Gb", "iv7/b3", "Bm7/D"),
        ("Db", "bIII7", "E7"),
        ("Db", "bVII7", "B7"),
        ("Db", "bVIImaj7", "Bmaj7"),
        ("Ab", "biii7", "Bm7"),
        ("Eb minor", "bVImaj7", "Cbmaj7"),
        ("Eb minor", "bII7", "E7"),
        ("F#", "V7/iii", "E#7"),
        ("F# minor", "viio7", "E#dim7"),
        ("C", "bVI7", "Ab7"),
    ],
)
def test_as_players_write_it(key: str, numeral: str, chord: str) -> None:
    """Cb only where it is the key's own; Fb and double flats as E and so on; a leading note's chord
    keeps its E# (common practice, hand-worked)."""
    there = Key.parse(key)
    assert as_written(parse_numeral(numeral).in_key(there), there).text == chord


@given(st.sampled_from(KEYS), st.sampled_from(NUMERALS))
def test_it_is_the_same_chord(key: Key, numeral: str) -> None:
    """Any chord in any key sounds as before, on a root with one accidental at most, and that is Cb
    or Fb only in a key with as many flats as have it (common practice: the sixth flat of a
    signature is Cb, the seventh Fb)."""
    before = parse_numeral(numeral).in_key(key)
    after = as_written(before, key)
    assert after.degrees == before.degrees
    assert after.root.pitch_class == before.root.pitch_class
    assert abs(after.root.alter) <= 1
    needs = {"Cb": -6, "Fb": -7}.get(str(after.root))
    assert needs is None or key.signature <= needs
