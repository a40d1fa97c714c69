"""Scales, and which of them goes with a chord in a key.

The choice is all in the tables below: what a dominant resolves to first, then the chord's place in
the key, then what its family usually takes; the first scale that contains every tone the chord is
played with.

Sources: M. Sabatella, "A Jazz Improvisation Primer", and its "Almanac" (outsideshore.com), which
says that the melodic minor scale goes with m(maj7) and m6, and half-whole diminished with 7b9;
B. Nettles and R. Graf, "The Chord Scale Theory and Jazz Harmony" (1997), by whom a dominant that
resolves down a fifth takes a mixolydian scale whose 9 and 13 are altered as the goal has them.
All else is common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from drillgen.theory.chord_types import Degrees, ascending, spelled
from drillgen.theory.chords import Chord, Family
from drillgen.theory.pitch import Degree, Key, Mode, Name


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale's degrees over its root, ascending within an octave."""

    name: str
    degrees: Degrees

    @property
    def semitones(self) -> tuple[int, ...]:
        return tuple(degree.semitones for degree in self.degrees)

    def names(self, root: Name) -> tuple[Name, ...]:
        """Spelled on a root; a scale of seven notes from seven letters, `altered` excepted."""
        return tuple(root.above(degree) for degree in self.degrees)

    def has(self, degree: Degree) -> bool:
        """Whether it contains the sound of a degree in any octave: #11 where b5 stands."""
        return degree.semitones % 12 in {semitones % 12 for semitones in self.semitones}

    def holds(self, degrees: Degrees) -> bool:
        return all(self.has(degree) for degree in degrees)


# Names and contents: common practice.  `altered` is spelled as the dominant it colours, with its
# own third, both ninths and #11 (the mode's seven letters would call its third a b4).
SCALES: dict[str, Scale] = {
    name: Scale(name, spelled(degrees))
    for name, degrees in {
        "ionian": "1 2 3 4 5 6 7",
        "dorian": "1 2 b3 4 5 6 b7",
        "phrygian": "1 b2 b3 4 5 b6 b7",
        "lydian": "1 2 3 #4 5 6 7",
        "mixolydian": "1 2 3 4 5 6 b7",
        "aeolian": "1 2 b3 4 5 b6 b7",
        "locrian": "1 b2 b3 4 b5 b6 b7",
        "melodic minor": "1 2 b3 4 5 6 7",
        "harmonic minor": "1 2 b3 4 5 b6 7",
        "harmonic major": "1 2 3 4 5 b6 7",
        "dorian b2": "1 b2 b3 4 5 6 b7",
        "lydian augmented": "1 2 3 #4 #5 6 7",
        "lydian dominant": "1 2 3 #4 5 6 b7",
        "mixolydian b13": "1 2 3 4 5 b6 b7",
        "locrian natural 2": "1 2 b3 4 b5 b6 b7",
        "altered": "1 b2 #2 3 #4 b6 b7",
        "phrygian dominant": "1 b2 3 4 5 b6 b7",  # mixolydian b9 b13
        "whole tone": "1 2 3 #4 #5 b7",
        "half-whole diminished": "1 b2 #2 3 #4 5 6 b7",
        "whole-half diminished": "1 2 b3 4 b5 b6 bb7 7",
        "bebop dominant": "1 2 3 4 5 6 b7 7",
        "bebop major": "1 2 3 4 5 #5 6 7",
        "bebop minor": "1 2 b3 3 4 5 6 b7",  # dorian with a passing major third
        "major pentatonic": "1 2 3 5 6",
        "minor pentatonic": "1 b3 4 5 b7",
        "blues": "1 b3 4 b5 5 b7",
    }.items()
}

# What a dominant resolves to: semitones down to the next root -> scale by the next chord's family.
# A fifth down to a minor chord its b9 and b13 are the minor sixth and third of the goal; to a major
# chord (or one more dominant) 9 and 13 are the major ones.  A semitone down it stands in for the
# dominant a tritone away, whatever follows: its #11 is that one's root.
_TO_MINOR = "phrygian dominant"
RESOLUTIONS: dict[int, dict[Family, str]] = {
    7: {
        **dict.fromkeys(("minor", "half-diminished", "minor-major", "diminished"), _TO_MINOR),
        **dict.fromkeys(("major", "dominant", "suspended", "augmented"), "mixolydian"),
    },
    1: dict.fromkeys(
        ("major", "minor", "dominant", "half-diminished", "diminished", "minor-major",
         "augmented", "suspended"),
        "lydian dominant",
    ),
}  # fmt: skip
# Of a dominant that leads to a minor chord: written so, it is altered altogether.
_ALTERED_BY = (Degree(5, -1), Degree(5, 1), Degree(9, 1))

# Semitones from the tonic to the chord's root -> scale, where the place in the key decides.
_Places = dict[int, str]
_IN_MAJOR: dict[Family, _Places] = {
    "major": {0: "ionian", 1: "lydian", 2: "lydian", 3: "lydian", 5: "lydian", 7: "mixolydian",
              8: "lydian", 10: "lydian"},
    "minor": {0: "dorian", 2: "dorian", 4: "phrygian", 5: "dorian", 7: "dorian", 9: "aeolian"},
    # VI7, III7 and VII7 lead to the minor chords ii, vi and iii; bII7, bIII7, bV7, bVI7 and bVII7
    # stand in for dominants a tritone away or come down to the tonic (bVII7).
    "dominant": {0: "mixolydian", 1: "lydian dominant", 2: "mixolydian", 3: "lydian dominant",
                 4: "phrygian dominant", 5: "mixolydian", 6: "lydian dominant", 7: "mixolydian",
                 8: "lydian dominant", 9: "phrygian dominant", 10: "lydian dominant",
                 11: "phrygian dominant"},
    "diminished": {11: "locrian"},  # the triad; a diminished seventh does not fit in it
    "suspended": {0: "ionian", 2: "dorian", 4: "phrygian", 5: "lydian", 7: "mixolydian",
                  9: "aeolian"},
}  # fmt: skip
_IN_MINOR: dict[Family, _Places] = {
    "major": {0: "ionian", 1: "lydian", 3: "ionian", 5: "lydian", 7: "mixolydian", 8: "lydian",
              10: "mixolydian"},
    "minor": {0: "melodic minor", 2: "dorian", 5: "dorian", 7: "phrygian"},
    # V7 and V7/iv lead to minor chords; so does VI7 (to ii).
    "dominant": {0: "phrygian dominant", 1: "lydian dominant", 2: "mixolydian", 3: "mixolydian",
                 5: "mixolydian", 6: "lydian dominant", 7: "phrygian dominant",
                 8: "lydian dominant", 9: "phrygian dominant", 10: "mixolydian"},
    "diminished": {2: "locrian"},
    "suspended": {0: "dorian", 2: "locrian", 3: "ionian", 5: "dorian", 7: "phrygian", 8: "lydian",
                  10: "mixolydian"},
}  # fmt: skip
PLACES: dict[Mode, dict[Family, _Places]] = {"major": _IN_MAJOR, "minor": _IN_MINOR}

# What each family takes elsewhere, in this order: b9 without b13 is half-whole diminished, #5
# whole tone, b9 or #9 with an altered fifth altered, and so on.
FAMILIES: dict[Family, tuple[str, ...]] = {
    "major": ("ionian", "lydian", "lydian augmented", "harmonic major"),
    "minor": ("dorian", "aeolian", "phrygian", "dorian b2"),
    "dominant": ("mixolydian", "lydian dominant", "half-whole diminished", "whole tone",
                 "altered", "mixolydian b13", "phrygian dominant"),
    "half-diminished": ("locrian", "locrian natural 2"),
    "diminished": ("whole-half diminished", "locrian"),
    "minor-major": ("melodic minor", "harmonic minor"),
    "augmented": ("whole tone", "lydian augmented"),
    "suspended": ("mixolydian", "phrygian", "dorian b2", "ionian", "dorian", "lydian"),
}  # fmt: skip
_KEY_SCALES: dict[Mode, str] = {"major": "ionian", "minor": "aeolian"}


@lru_cache(maxsize=4096)
def chord_scale(chord: Chord, key: Key | None = None, leads_to: Chord | None = None) -> Scale:
    """The scale to play on a chord in a key, before the chord that it leads to (the next one on
    another root).  Every tone of `chord.played` is in it, but for the fifth of an altered 7#9.

    Where no scale of the tables contains the chord, its family's first one with the chord's own
    degrees in the place of those it lacks.  Without a key, its family alone decides.
    """
    found = _resolution(chord, leads_to)
    places = [found] if found else [*(_by_place(chord, key) if key else ())]
    names = [*_by_symbol(chord, places), *FAMILIES[chord.family]]
    for name in names:
        if SCALES[name].holds(chord.played) or _is_altered(name, chord):
            return SCALES[name]
    return _fitted(SCALES[names[0]], chord)


def _by_symbol(chord: Chord, names: Iterable[str]) -> Iterator[str]:
    """What the symbol itself makes of the usual scales of a place."""
    altered_fifth = any(degree.number == 5 and degree.alter for degree in chord.degrees)
    if chord.family == "minor" and chord.degree(6) == Degree(6) and not chord.degree(7):
        yield "melodic minor"
    for name in names:
        if name == _TO_MINOR and any(degree in _ALTERED_BY for degree in chord.degrees):
            yield "altered"
        elif not (chord.family == "dominant" and altered_fifth):
            yield name


def _is_altered(name: str, chord: Chord) -> bool:
    """Whether a chord is meant by the altered scale though its symbol has a plain fifth: 7#9."""
    without = tuple(degree for degree in chord.played if degree != Degree(5))
    return name == "altered" and Degree(9, 1) in without and SCALES[name].holds(without)


def _resolution(chord: Chord, leads_to: Chord | None) -> str | None:
    """The scale of a dominant that resolves; None for other chords and where it does not."""
    if chord.family != "dominant" or leads_to is None:
        return None
    down = (chord.root.pitch_class - leads_to.root.pitch_class) % 12
    return RESOLUTIONS.get(down, {}).get(leads_to.family)


def _by_place(chord: Chord, key: Key) -> Iterator[str]:
    place = (chord.root.pitch_class - key.tonic.pitch_class) % 12
    if found := PLACES[key.mode].get(chord.family, {}).get(place):
        yield found
    if chord.family == "half-diminished" and _is_diatonic(chord.root.above(Degree(9)), key):
        yield "locrian natural 2"


def _is_diatonic(name: Name, key: Key) -> bool:
    scale = SCALES[_KEY_SCALES[key.mode]].names(key.tonic)
    return name.pitch_class in {each.pitch_class for each in scale}


def _fitted(scale: Scale, chord: Chord) -> Scale:
    """The scale with each chord tone put in the place of its own degree of that number."""
    own = [Degree((degree.number - 1) % 7 + 1, degree.alter) for degree in chord.played]
    numbers = {degree.number for degree in own}
    kept = [degree for degree in scale.degrees if degree.number not in numbers]
    degrees = ascending([*kept, *own])
    return Scale(f"{scale.name} with {chord.symbol}", degrees)
