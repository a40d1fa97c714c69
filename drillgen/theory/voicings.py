"""Voicings for comping: shells, rootless voicings, and the one nearest to the last.

Definitions (authors differ in the names): a rootless voicing has four places, third, colour,
seventh and ninth.  **Form A** has the third lowest (3 colour 7 9), **form B** the seventh (7 9 3
colour); so Dm9 A is F A C E, G13 B is F A B E and Cmaj9 A is E G B D.  The colour is the thirteenth
of a dominant and the fifth of everything else; the ninth gives way to the root where the chord
scale has no natural ninth (iii7, half-diminished and diminished chords), and is b9 in a dominant
whose scale has that.  What the symbol names goes before what the scale offers, and a perfect fifth
gives way where the scale that a teacher chose has none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from itertools import combinations, pairwise, product
from typing import Literal

from drillgen.theory.chord_types import Degrees
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Degree, Pitch, in_range
from drillgen.theory.scales import Scale, chord_scale

Form = Literal["A", "B"]
Setting = Key | Scale | None  # what a chord's scale is found by: the key, or that scale itself
Option = tuple[float, tuple[Pitch, ...]]  # a voicing from low to high, and its own cost
# What a voicing, as MIDI keys from low to high, costs a player for other reasons than its motion.
Taste = Callable[[tuple[int, ...]], float]
# The lowest MIDI key on which an interval (semitones) still sounds clear as the lower note of it:
# a published table of low interval limits; other tables differ by a semitone or two.
LOW_INTERVAL_LIMITS = dict(
    zip(range(1, 12), (52, 51, 48, 47, 45, 35, 37, 41, 41, 41, 41), strict=True)
)
WIDEST = 19  # semitones from the lowest to the highest voice: two hands close together
WIDEST_GAP = 9  # semitones between neighbours

# Costs, in semitones of motion a voice.
_NOT_A_FORM = 0.6  # neither third nor seventh lowest
_OPEN = 0.5  # wider than an octave
_HARSH_TOP = 1.0  # a semitone between the two highest voices
_TOP_MOTION = 0.25  # for each semitone that the highest voice, which is heard as a tune, moves
LEAP = 4  # semitones: all voices going further at once the same way is a leap, no voice-leading
_LEAP_TOGETHER = 20.0
_OFF_CENTRE = 0.06  # for each semitone away from the middle of the register

_ROOT, _NINTH, _FIFTH = Degree(1), Degree(9), Degree(5)
_FLAT_NINTH, _ELEVENTH, _SHARP_ELEVENTH = Degree(9, -1), Degree(11), Degree(11, 1)
_THIRTEENTH, _FLAT_THIRTEENTH = Degree(13), Degree(13, -1)


def shell(chord: Chord, *, root: bool = False) -> Degrees:
    """Third and seventh (a triad: third alone with the root), perhaps over the root."""
    third, seventh = chord.guide_tones
    rest = (third, seventh) if seventh != _ROOT else (third,)
    return (_ROOT, *rest) if root or seventh == _ROOT else rest


def scale_in(chord: Chord, setting: Setting) -> Scale:
    """The scale that a chord takes in a key, or the one that somebody chose for it."""
    return setting if isinstance(setting, Scale) else chord_scale(chord, setting)


def rootless(chord: Chord, form: Form = "A", size: int = 4, key: Setting = None) -> Degrees:
    """The degrees of a form from low to high, four or three of them.

    Of three, what matters least is left out: the colour, or a dominant's unnamed ninth.  A chord
    without a seventh is played plain, from its third (A) or its root (B).
    """
    kept = tones(chord, key)[:size]
    third, colour, seventh, ninth = _places(chord, scale_in(chord, key))
    if chord.seventh is None:
        lowest = third.semitones if form == "A" else 0
        return tuple(sorted(kept, key=lambda degree: (degree.semitones - lowest) % 12))
    order = (third, colour, seventh, ninth) if form == "A" else (seventh, ninth, third, colour)
    return _distinct(degree for degree in order if degree in kept)


@lru_cache(maxsize=1024)
def tones(chord: Chord, key: Setting = None) -> Degrees:
    """What to play of a chord, the most telling first: as many as there are voices are taken."""
    scale = scale_in(chord, key)
    third, colour, seventh, ninth = _places(chord, scale)
    by_use = (colour, ninth) if chord.family == "dominant" else (ninth, colour)
    rest = sorted(by_use, key=lambda degree: (degree == _ROOT, not _is_telling(chord, degree)))
    if chord.seventh is None:  # plain: what the symbol says and nothing else
        plain = [degree for degree in (third, seventh, *rest) if degree in chord.degrees]
        return _distinct([*plain, *chord.played])
    fifth = _fifth(chord, scale) if chord.degree(5) else _ROOT
    return _distinct([third, seventh, *rest, fifth, _ROOT])


def _is_telling(chord: Chord, degree: Degree) -> bool:
    """Named by the symbol and not by default: an altered fifth or an extension; never the root."""
    return degree in chord.degrees and (degree.number > 7 or degree.alter != 0)


def _distinct(degrees: Iterable[Degree]) -> Degrees:
    """Each sound once, by the first of its names."""
    found: dict[int, Degree] = {}
    for degree in degrees:
        found.setdefault(degree.semitones % 12, degree)
    return tuple(found.values())


def _places(chord: Chord, scale: Scale) -> tuple[Degree, Degree, Degree, Degree]:
    """Third, colour, seventh and ninth."""
    third, seventh = chord.guide_tones
    if chord.seventh is None:
        return third, chord.fifth, seventh, chord.degree(9) or chord.degree(2) or _ROOT
    if chord.family == "dominant" and _ELEVENTH in chord.played:
        third = _ELEVENTH  # over a major third it would be a minor ninth: played as a sus chord
    ninth = _ninth(chord, scale)
    colour = _colour(chord, scale)
    if {_SHARP_ELEVENTH, _THIRTEENTH} <= set(chord.played) and ninth == _NINTH:
        return third, _THIRTEENTH, seventh, _SHARP_ELEVENTH
    return third, colour, seventh, ninth


def _ninth(chord: Chord, scale: Scale) -> Degree:
    named = [degree for degree in chord.played if degree.number == 9]
    if named:
        return named[-1]  # of b9 and #9 the sharp one
    if chord.family in ("half-diminished", "diminished"):
        return chord.degree(11) or _ROOT
    if scale.has(_NINTH):
        return _NINTH
    return _FLAT_NINTH if chord.family == "dominant" and scale.has(_FLAT_NINTH) else _ROOT


def _colour(chord: Chord, scale: Scale) -> Degree:
    named = {degree.number: degree for degree in chord.played}
    if _FIFTH not in chord.played and 5 in named:
        return named[5]
    wanted = {
        "dominant": (_FLAT_THIRTEENTH, _SHARP_ELEVENTH, _THIRTEENTH),
        "minor": (_THIRTEENTH, _ELEVENTH),
    }.get(chord.family, (_SHARP_ELEVENTH, _THIRTEENTH, _FLAT_THIRTEENTH))
    for degree in wanted:
        if degree in chord.played:
            return degree
    if chord.family == "dominant" and _ELEVENTH not in chord.played:
        offered = [degree for degree in (_THIRTEENTH, _FLAT_THIRTEENTH) if scale.has(degree)]
        return (offered or [_fifth(chord, scale)])[0]
    return _fifth(chord, scale)


def _fifth(chord: Chord, scale: Scale) -> Degree:
    """The chord's fifth, or what a scale without it has in its place."""
    own = [degree for degree in scale.degrees if degree.number == _FIFTH.number]
    return chord.fifth if scale.has(chord.fifth) else (own or [_ROOT])[0]


def voiced(
    chord: Chord,
    key: Setting = None,
    previous: Sequence[Pitch] | None = None,
    *,
    low: int = 50,
    high: int = 74,
    size: int = 4,
) -> tuple[Pitch, ...]:
    """`size` voices between two MIDI keys, from low to high, that move least from `previous`.

    Fewer voices where the chord has fewer tones, or where the register holds no clear arrangement
    of as many.  Raises ValueError where it holds none at all.
    """
    for count in range(size, 0, -1):
        options = arrangements(chord, tones(chord, key)[:count], low, high)
        if options:
            return nearest_of(options, previous)
    raise ValueError(f"no note of {chord} between MIDI keys {low} and {high}")


@lru_cache(maxsize=65536)
def keys_of(voicing: tuple[Pitch, ...]) -> tuple[int, ...]:
    """A voicing as MIDI keys."""
    return tuple(pitch.midi for pitch in voicing)


def nearest_of(
    options: Iterable[Option], previous: Sequence[Pitch] | None, taste: Taste | None = None
) -> tuple[Pitch, ...]:
    """The option that costs least by itself, in motion from `previous`, and to a player's taste."""
    before = tuple(sorted(pitch.midi for pitch in previous or ()))

    def price(option: Option) -> float:
        keys = keys_of(option[1])
        return option[0] + _motion(before, keys) + (taste(keys) if taste else 0.0)

    return min(options, key=price)[1]


def moves(before: Sequence[int], after: Sequence[int]) -> list[int]:
    """How far each voice moves, in semitones, upwards positive; voices that join or leave are
    counted from the nearest one."""
    if len(before) == len(after):
        return [new - old for old, new in zip(before, after, strict=True)]
    return [new - min(before, key=lambda old: abs(old - new)) for new in after]


def leap_together(before: Sequence[int], after: Sequence[int]) -> bool:
    """Whether all voices leap the same way at once."""
    return len(before) == len(after) and _leaps(moves(before, after))


def _leaps(moved: Sequence[int]) -> bool:
    return len(moved) > 1 and (min(moved) > LEAP or max(moved) < -LEAP)


@lru_cache(maxsize=65536)
def _motion(before: tuple[int, ...], after: tuple[int, ...]) -> float:
    """Mean semitones a voice, and something more for the highest one."""
    if not before:
        return 0.0
    moved = moves(before, after)
    together = _LEAP_TOGETHER if len(before) == len(after) and _leaps(moved) else 0.0
    return sum(map(abs, moved)) / len(moved) + _TOP_MOTION * abs(before[-1] - after[-1]) + together


@lru_cache(maxsize=4096)
def arrangements(chord: Chord, degrees: Degrees, low: int, high: int) -> tuple[Option, ...]:
    """Every playable arrangement of some tones of a chord with its own cost, in a fixed order."""
    guides = {chord.root.above(degree).pitch_class for degree in chord.guide_tones}
    places = (in_range(chord.root.above(degree), low, high) for degree in degrees)
    found = [tuple(sorted(voices, key=lambda pitch: pitch.midi)) for voices in product(*places)]
    root = chord.root.pitch_class if chord.is_dominant else None
    return tuple(
        (_cost(voicing, guides, (low + high) / 2), voicing)
        for voicing in sorted(found, key=keys_of)
        if is_clear(keys_of(voicing), root)
    )


def is_clear(keys: Sequence[int], root: int | None = None, widest: int = WIDEST) -> bool:
    """Whether MIDI keys from low to high sound clear together: close enough, above the low
    interval limits, and without a minor ninth other than over the pitch class `root`."""
    gaps = [upper - lower for lower, upper in pairwise(keys)]
    if keys[-1] - keys[0] > widest or any(gap > WIDEST_GAP for gap in gaps):
        return False
    for lower, upper in combinations(keys, 2):
        if lower < LOW_INTERVAL_LIMITS.get(upper - lower, 0):
            return False
        if upper - lower > 12 and (upper - lower) % 12 == 1 and lower % 12 != root:
            return False
    return True


def off_centre(keys: Sequence[int], centre: float) -> float:
    return _OFF_CENTRE * abs(sum(keys) / len(keys) - centre)


def _cost(voicing: tuple[Pitch, ...], guides: set[int], centre: float) -> float:
    keys = keys_of(voicing)
    cost = off_centre(keys, centre)
    if voicing[0].name.pitch_class not in guides:
        cost += _NOT_A_FORM
    if keys[-1] - keys[0] > 12:
        cost += _OPEN
    if len(keys) > 2 and keys[-1] - keys[-2] == 1:
        cost += _HARSH_TOP
    return cost
