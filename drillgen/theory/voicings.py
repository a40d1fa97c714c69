"""Voicings for comping, and how each instrument takes them.

Definitions (authors differ in the names): a rootless voicing has four places, third, colour,
seventh and ninth.  **Form A** has the third lowest (3 colour 7 9), **form B** the seventh (7 9 3
colour); so Dm9 A is F A C E, G13 B is F A B E and Cmaj9 A is E G B D.  The colour is the thirteenth
of a dominant and the fifth of everything else; the ninth gives way to the root where the chord
scale has no natural ninth (iii7, half-diminished and diminished chords), and is b9 in a dominant
whose scale has that.  What the symbol names goes before what the scale offers, and a perfect fifth
gives way where the scale that a teacher chose has none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import combinations, pairwise, product
from math import inf
from typing import Literal

from drillgen.theory.chord_types import Degrees, spelled
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Name, Pitch, in_range
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
    """The option that costs least by itself, in motion from `previous`, and to a player's taste;
    the first of some that cost the same.  What costs as much already is looked at no further."""
    before = tuple(sorted(pitch.midi for pitch in previous or ()))
    least, found = inf, None
    for cost, voicing in options:
        if cost >= least:
            continue
        keys = keys_of(voicing)
        price = cost + _motion(before, keys)
        if price < least and taste:
            price += taste(keys)
        if price < least:
            least, found = price, voicing
    if found is None:
        raise ValueError("nothing to choose from")
    return found


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


# What lies under a guitarist's hand in standard tuning, and the shells of a rhythm guitar.
#
# Common practice for chords: each note on its own string, without open strings, from the first
# finger's fret to the fourth's at most four frets. For the guitar that keeps time with a chord a
# beat: three notes, root or fifth on a low string (the sixth or the fifth) and third and seventh on
# the fourth and third strings, in either order (C7: C3 Bb3 E4, or G2 E3 Bb3); a sixth for a missing
# seventh, the root again for a missing sixth. So no two notes are a semitone apart, and each of
# them rings clear.

STRINGS = (40, 45, 50, 55, 59, 64)  # standard tuning, E2 A2 D3 G3 B3 E4
FRET_SPAN = 4
LAST_FRET = 14  # where the neck meets the body

_SHELL_STRINGS = ((40, 50, 55), (45, 50, 55))  # sixth or fifth, fourth, third
_SHELL_SPAN = 3  # frets from the lowest to the highest: a finger for each
_ON_THE_FIFTH = 0.3  # semitones of motion: the root is the plainer bass


@lru_cache(maxsize=65536)
def is_playable(keys: tuple[int, ...]) -> bool:
    """Whether MIDI keys from low to high lie under a guitarist's hand."""
    return any(_fit(keys, strings, FRET_SPAN) for strings in combinations(STRINGS, len(keys)))


def _fit(keys: Sequence[int], strings: Sequence[int], span: int) -> bool:
    frets = [key - string for key, string in zip(keys, strings, strict=True)]
    return min(frets) >= 1 and max(frets) <= LAST_FRET and max(frets) - min(frets) <= span


@lru_cache(maxsize=1024)
def shells(chord: Chord, low: int, high: int) -> tuple[Option, ...]:
    """A chord's shells between two MIDI keys, each with its own cost."""
    centre = (low + high) / 2
    return tuple(
        (off_centre(keys_of(voicing), centre) + (_ON_THE_FIFTH if bass != _ROOT else 0.0), voicing)
        for bass, voicing in _arranged(chord, low, high)
        if _is_shell(keys_of(voicing))
    )


def _arranged(chord: Chord, low: int, high: int) -> Iterator[tuple[Degree, tuple[Pitch, ...]]]:
    """Bass, and over it third and seventh in either order, in every octave."""
    third, seventh = chord.guide_tones
    for bass, upper in product(_basses(chord), ((third, seventh), (seventh, third))):
        names = [chord.root.above(degree) for degree in (bass, *upper)]
        for voicing in product(*(in_range(name, low, high) for name in names)):
            yield bass, voicing


def _basses(chord: Chord) -> Degrees:
    """The root, and the fifth where it does not sound like another root: an altered one is for a
    chord that has no other."""
    plain = chord.fifth == _FIFTH or chord.family in ("half-diminished", "diminished")
    return (_ROOT, chord.fifth) if plain else (_ROOT,)


@lru_cache(maxsize=1024)
def rooted(chord: Chord, low: int, high: int, *, shell: bool) -> tuple[Option, ...]:
    """What a guitar plays where nobody else plays the bass: the root (or the written bass) on a low
    string, third and seventh above; as a rhythm guitar its shell."""
    if shell and chord.bass is None:
        found = shells(chord, low, high)
        bass = chord.root.pitch_class
        return tuple(each for each in found if keys_of(each[1])[0] % 12 == bass)
    guides = [chord.root.above(degree) for degree in chord.guide_tones]
    upper = [name for name in guides if name != chord.bass_name]
    if len(upper) < 2 and chord.root.above(chord.fifth) != chord.bass_name:
        upper.append(chord.root.above(chord.fifth))
    found = tuple(
        (off_centre(keys_of(voicing), (low + high) / 2), voicing)
        for order in (upper, upper[::-1])
        for voicing in _on_a_bass(chord.bass_name, order, low, high)
    )
    return tuple(each for each in found if is_playable(keys_of(each[1])))


def _on_a_bass(
    bass: Name, upper: Sequence[Name], low: int, high: int
) -> Iterator[tuple[Pitch, ...]]:
    for lowest in in_range(bass, low, min(low + 12, high)):
        for voices in product(*(in_range(name, lowest.midi + 3, high) for name in upper)):
            keys = (lowest.midi, *(voice.midi for voice in voices))
            rising = all(a < b for a, b in pairwise(keys))
            pairs = combinations(keys, 2)
            if rising and all(a >= LOW_INTERVAL_LIMITS.get(b - a, 0) for a, b in pairs):
                yield (lowest, *voices)


def _is_shell(keys: tuple[int, ...]) -> bool:
    rising = all(upper - lower > 1 for lower, upper in pairwise(keys))
    clear = all(
        lower >= LOW_INTERVAL_LIMITS.get(upper - lower, 0) for lower, upper in combinations(keys, 2)
    )
    return rising and clear and any(_fit(keys, each, _SHELL_SPAN) for each in _SHELL_STRINGS)


# Ways of voicing beside the rootless one: stacks of fourths, upper structures, shells.
#
# All common practice: **Quartal**, over a chord that stays for long: fourths stacked through the
# chord's scale, perfect ones rather than augmented, or fourths with a third on top. Only stacks
# that hold the chord's third (a sus chord's fourth) are played, so that each of them says which
# chord it is: D G C F on Dm7. **Upper structure**, over an altered dominant: third and seventh
# below, and above them a major triad that holds the alterations (on G7alt: Eb major or Db major).
# **Shell**, for a guitar that plays a chord a beat: root or fifth, third and seventh.
# On a guitar all of these keep to what lies under one hand.
#
# Beside a melody (`Rubs`) the nearest voicing without a rub is played: the same tones lying
# otherwise, then the fifth in the place of a tension, then fewer voices; third and seventh go last.

Style = Literal["rootless", "quartal", "upper structure", "shell"]
# What a voice costs beside a melody, in semitones of motion; from `RUB` on it should not sound.
Rubs = Callable[[Pitch], float]
RUB = 100.0

# Scale steps over the lowest note: fourths throughout, and fourths with a third on top.
_STACKS = {3: ((0, 3, 6),), 4: ((0, 3, 6, 9), (0, 3, 6, 8))}
_TRITONE = 0.8  # an augmented fourth in a stack of fourths
_VAGUE = 0.5  # no seventh in it
_DOUBLED = 0.4
_LESS_TELLING = 0.12  # for each choice of tones that goes before, as `tones` orders them
_A_SHELL = 3  # voices, of which one may be the root

# Major triads over a dominant's root: bVI, bV, VI, bIII, II.
TRIADS: tuple[Degrees, ...] = tuple(
    spelled(triad) for triad in ("b13 1 #9", "#11 b7 b9", "13 b9 3", "#9 5 b7", "9 #11 13")
)
_TWO_HANDS = 24  # semitones from the lowest to the highest voice


def styled(
    chord: Chord,
    key: Setting,
    previous: Sequence[Pitch] | None = None,
    *,
    style: Style = "rootless",
    low: int = 50,
    high: int = 74,
    size: int = 4,
    guitar: bool = False,
    taste: Taste | None = None,
    rubs: Rubs | None = None,
) -> tuple[Pitch, ...]:
    """The voicing of a style that moves least from `previous`, between two MIDI keys.

    `size` is of rootless and quartal voicings; `guitar` keeps to playable shapes; `taste` is what a
    voicing costs for other reasons, and brings more of them to choose from; `rubs` weighs each
    voice beside a melody.  Where the style has nothing to offer, the rootless one is played; where
    every voicing rubs, the one that does so least.  Raises ValueError where the register holds no
    note of the chord.
    """
    leaping: tuple[Pitch, ...] | None = None
    rubbing: list[Option] = []
    before = keys_of(tuple(previous or ()))
    for options in _by_preference(chord, key, style, low, high, size, taste is not None):
        fitting = [each for each in options if is_playable(keys_of(each[1]))] if guitar else options
        weighed = [_weighed(each, rubs) for each in fitting] if rubs else fitting
        clear = [each for each in weighed if each[0] < RUB]
        if clear:
            chosen = nearest_of(clear, previous, taste)
            if not leap_together(before, keys_of(chosen)):
                return chosen
            leaping = leaping or chosen
        rubbing += [each for each in weighed if each[0] >= RUB and len(each[1]) > 1]
    if leaping or not rubbing:
        return leaping or voiced(chord, key, previous, low=low, high=high, size=size)
    steady = [each for each in rubbing if not leap_together(before, keys_of(each[1]))]
    return nearest_of(steady or rubbing, previous)


def _weighed(option: Option, rubs: Rubs) -> Option:
    cost, voicing = option
    return cost + sum(map(rubs, voicing)), voicing


@lru_cache(maxsize=2048)
def full(chord: Chord, key: Setting, low: int, high: int, size: int) -> tuple[Option, ...]:
    """Every arrangement of third, seventh, what the symbol names and, to fill up, any of the
    other tones: so many that the highest voice can go by step."""
    found = tones(chord, key)
    guides = found[:2]
    telling = tuple(each for each in found[2:size] if each.number > 7 and each in chord.degrees)
    kept = (*guides, *telling)
    others = [each for each in (*found[2:], *_passing(chord, key)) if each not in kept]
    options: list[Option] = []
    for rank, more in enumerate(combinations(others, max(size - len(kept), 0))):
        degrees = (*kept, *more)[:size]
        if len(degrees) == size and not _crowded(chord, degrees):
            price = _LESS_TELLING * rank
            options += [(cost + price, v) for cost, v in arrangements(chord, degrees, low, high)]
    return tuple(options)


# What the top voice of a chord with a seventh may also go through, by the chord's family.
_ALSO = {"major": Degree(13), "minor": Degree(11), "dominant": Degree(9)}


def _passing(chord: Chord, key: Setting) -> Degrees:
    degree = _ALSO.get(chord.family)
    offered = degree is not None and chord.seventh is not None and chord.seventh.number == 7
    return (degree,) if degree and offered and scale_in(chord, key).has(degree) else ()


def _crowded(chord: Chord, degrees: Degrees) -> bool:
    """Whether the root or the fifth lies a semitone from another tone that is none of the chord."""
    sounds = {degree.semitones % 12 for degree in degrees}
    return any(
        plain in sounds and (plain + side) % 12 in sounds for plain in (0, 7) for side in (-1, 1)
    )


def _by_preference(
    chord: Chord, key: Setting, style: Style, low: int, high: int, size: int, widely: bool
) -> Iterator[tuple[Option, ...]]:
    if style == "shell":
        yield shells(chord, low, high)
        size = 2  # the guide tones: any other three might be a semitone apart
    if style == "quartal":
        yield quartal(chord, key, low, high, size)
    if style == "upper structure":
        yield upper_structures(chord, key, low, high)
    if widely and size > 2:
        yield full(chord, key, low, high, size)
    for degrees in _chosen_tones(chord, key, size):
        yield arrangements(chord, degrees, low, high)


def _chosen_tones(chord: Chord, key: Setting, size: int) -> Iterator[Degrees]:
    """Which tones to play, the most telling first, then others beside third and seventh, then
    fewer; last those without a seventh, and the third alone."""
    found = tones(chord, key)
    third, guides, others = found[:1], found[:2], found[2:]
    for count in range(size, 1, -1):
        yield found[:count]
        colours = [each for each in others if count <= _A_SHELL or each.number != 1]
        yield from ((*guides, *more) for more in combinations(colours, count - 2))
    for count in range(min(size, _A_SHELL), 1, -1):
        yield from ((*third, *more) for more in combinations(others, count - 1))
    yield third


@lru_cache(maxsize=1024)
def quartal(chord: Chord, key: Setting, low: int, high: int, size: int) -> tuple[Option, ...]:
    """Stacks of fourths through the chord's scale; none in scales of other than seven notes."""
    options = (
        (_quartal_cost(voicing, chord, (low + high) / 2), voicing)
        for names in _fourths(chord, scale_in(chord, key).names(chord.root), size)
        for voicing in _stacked(names, low, high)
    )
    return tuple(each for each in options if is_clear(keys_of(each[1])))


def _fourths(chord: Chord, scale: Sequence[Name], size: int) -> Iterator[list[Name]]:
    """The stacks' names from low to high: with the third, or in a sus chord with the fourth that
    replaces it and without a third."""
    third = chord.root.above(chord.guide_tones[0]).pitch_class
    replaced = chord.root.above(Degree(3)).pitch_class if chord.family == "suspended" else None
    for stack in _STACKS.get(size, ()) if len(scale) == 7 else ():
        for first in range(7):
            names = [scale[(first + step) % 7] for step in stack]
            heard = {name.pitch_class for name in names}
            if third in heard and replaced not in heard:
                yield names


def _stacked(names: Sequence[Name], low: int, high: int) -> Iterator[tuple[Pitch, ...]]:
    """The names one above the other, as close as they come, from each place of the lowest."""
    for lowest in in_range(names[0], low, high):
        voices = [lowest]
        for name in names[1:]:
            below = voices[-1].midi
            voices.append(in_range(name, below + 1, below + 12)[0])
        if voices[-1].midi <= high:
            yield tuple(voices)


def _quartal_cost(voicing: tuple[Pitch, ...], chord: Chord, centre: float) -> float:
    keys = keys_of(voicing)
    tritones = sum(upper - lower == 6 for lower, upper in pairwise(keys))
    vague = chord.root.above(chord.guide_tones[1]).pitch_class not in {key % 12 for key in keys}
    return tritones * _TRITONE + vague * _VAGUE + off_centre(keys, centre)


def is_altered(chord: Chord) -> bool:
    """Whether a dominant's symbol alters its ninth, eleventh, thirteenth or fifth."""
    return chord.family == "dominant" and bool(_alterations(chord))


def _alterations(chord: Chord) -> set[int]:
    """The sounds above the root that the symbol names beside the plain dominant's."""
    return {d.semitones % 12 for d in chord.played if d.alter and d.number in (5, 9, 11, 13)}


@lru_cache(maxsize=1024)
def upper_structures(chord: Chord, key: Setting, low: int, high: int) -> tuple[Option, ...]:
    """Third and seventh under a triad, for an altered dominant; none for other chords."""
    if not is_altered(chord):
        return ()
    scale = scale_in(chord, key)
    fitting = [
        triad
        for triad in TRIADS
        if scale.holds(triad)
        and {d.semitones % 12 for d in triad} & _alterations(chord)
        and (Degree(13) not in chord.played or Degree(13) in triad)
    ]
    return tuple(option for triad in fitting for option in _over_guides(chord, triad, low, high))


def _over_guides(chord: Chord, triad: Degrees, low: int, high: int) -> Iterator[Option]:
    guides = [chord.root.above(degree) for degree in chord.guide_tones]
    upper = [chord.root.above(degree) for degree in triad]
    doubled = _DOUBLED * len({n.pitch_class for n in upper} & {n.pitch_class for n in guides})
    for below in (guides, guides[::-1]):
        for turn in range(3):
            for voicing in _stacked([*below, *upper[turn:], *upper[:turn]], low, high):
                keys = keys_of(voicing)
                if is_clear(keys, chord.root.pitch_class, _TWO_HANDS):
                    yield doubled + off_centre(keys, (low + high) / 2), voicing
