"""Keys, signatures and cycles."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.pitch import CYCLES, Key, cycle, shuffled
from tests.rows import with_each
from tests.theory.names import KEYS

keys = st.sampled_from(KEYS)


@with_each(
    ("text", "signature"),
    [("C", 0), ("G", 1), ("F", -1), ("F#", 6), ("Gb", -6), ("C#", 7), ("Cb", -7), ("A minor", 0),
     ("F minor", -4), ("C#m", 4), ("Eb major", -3), ("Ebm", -6), ("A# minor", 7), ("B♭", -2)],
)  # fmt: skip
def test_signatures(text: str, signature: int) -> None:
    """Sharps and flats of the key signatures (circle of fifths, any harmony textbook)."""
    assert Key.parse(text).signature == signature


@with_each("text", ["", "H", "c", "Cmaj7", "C dorian", "bb"])
def test_not_keys(text: str) -> None:
    """What is no key is a ValueError."""
    with pytest.raises(ValueError, match="not a key"):
        Key.parse(text)


@with_each(("text", "better"), [("G#", "Ab major"), ("Fb", "E major")])
def test_keys_that_nobody_writes(text: str, better: str) -> None:
    """A signature of more than seven accidentals is refused with the spelling that is used."""
    with pytest.raises(ValueError, match=better):
        Key.parse(text)


@given(keys)
def test_texts_read_back(key: Key) -> None:
    """A key reads back from its text and from its short form."""
    assert Key.parse(str(key)) == key
    assert Key.parse(key.short) == key


@given(keys, st.integers(-24, 24))
def test_moved(key: Key, semitones: int) -> None:
    """A key moved sounds as much higher, and its signature has six accidentals at most."""
    moved = key.moved(semitones)
    assert (moved.tonic.pitch_class - key.tonic.pitch_class - semitones) % 12 == 0
    assert moved.mode == key.mode
    assert abs(moved.signature) <= 6


@given(keys, st.sampled_from(sorted(CYCLES)))
def test_named_cycles_close(start: Key, name: str) -> None:
    """A named cycle has as many keys as there are before it comes back to the first."""
    move, count = CYCLES[name]
    tonics = [key.tonic.pitch_class for key in cycle(start, move, count)]
    assert len(set(tonics)) == count
    assert cycle(start, move, count + 1)[-1].tonic.pitch_class == tonics[0]


def test_cycle_of_fourths() -> None:
    """Fourths from C go through the flats (common practice)."""
    move, count = CYCLES["fourths"]
    names = " ".join(key.short for key in cycle(Key.parse("C"), move, count))
    assert names == "C F Bb Eb Ab Db Gb B E A D G"


@given(keys, st.integers(0, 10))
def test_shuffled(start: Key, seed: int) -> None:
    """Shuffled keys are all twelve from the first, the same for the same seed."""
    order = shuffled(start, seed)
    assert order[0] == start
    assert {key.tonic.pitch_class for key in order} == set(range(12))
    assert order == shuffled(start, seed)
