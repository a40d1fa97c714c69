"""What the two hands of the comping think of: roots below, a tune on top.

The comping's top voice, which is heard as a tune.

It goes by step in six strokes of ten, stays in a quarter and goes by a third in the rest; after
three alike it moves (common practice; the shares are a teacher's).  A voicing that was just played
is not the next choice.

Roots where nobody else plays them, and the two hands of a ballad.

Common practice: without a bass in the band the pianist's left hand gives each chord its root, or
root and seventh, in the octave from E2; a guitar plays shapes with the root on a low string, a
vibraphone has it lowest.  A line that is itself a bass needs no other in its calls, nor its player
in the answers.  A ballad is played with two hands, bass or not: root and seventh or root and tenth
in the left, as low as the low interval limits allow.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from fractions import Fraction
from random import Random

from drillgen.chart import Bar, Chart
from drillgen.drill.sheet import BASSES
from drillgen.score import Note, Part
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Name, Pitch, in_range
from drillgen.theory.voicings import LOW_INTERVAL_LIMITS, Taste

_MOVES = ("step", "stay", "third")
_SHARES = (62, 21, 17)
_STAYS = 3  # strokes: longer it does not stay
_REMEMBERED = 4  # voicings
_AGAIN = 1.6  # semitones of motion: one of the last voicings, the very last apart
_BACK_AGAIN = 3.5  # … the one before the very last
_LONGER = 1.0  # … for each stroke that the top voice has stayed already
_TURNED = 0.25  # of the strokes in which a tune turns round
_BACK = 0.35  # semitones of motion: against the way that it is going
# What a motion of the top voice costs where another is wanted, by semitones.
_COSTS = {
    "step": (4.0, 0.0, 0.0, 1.6, 2.0, 3.6, 5.0, 5.0),
    "stay": (0.0, 1.4, 1.4, 2.6, 3.0, 4.2, 5.0, 5.0),
    "third": (4.0, 1.8, 1.6, 0.0, 0.0, 2.0, 3.6, 3.6),
}


class TopVoice:
    """The top voice so far, and what its player would like next."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._top: int | None = None
        self._stayed = 0
        self._way = 1
        self._lately: deque[tuple[int, ...]] = deque(maxlen=_REMEMBERED)

    def taste(self) -> Taste:
        """What the next voicing costs for its top."""
        wish = self._random.choices(_MOVES, _SHARES)[0]
        if wish == "stay" and self._stayed >= _STAYS - 1:
            wish = "step"
        way = -self._way if self._random.random() < _TURNED else self._way
        top, costs, stayed = self._top, _COSTS[wish], self._stayed
        before = tuple(self._lately)[:-1]

        def price(keys: tuple[int, ...]) -> float:
            again = _AGAIN if keys in before else 0.0
            again = _BACK_AGAIN if before and keys == before[-1] else again
            if top is None:
                return again
            moved = keys[-1] - top
            again += 0.0 if moved else _LONGER * stayed
            return again + costs[min(abs(moved), 7)] + (_BACK if moved * way < 0 else 0.0)

        return price

    def went(self, keys: tuple[int, ...]) -> None:
        """Tell it what was played."""
        if self._top is not None:
            moved = keys[-1] - self._top
            self._stayed = self._stayed + 1 if moved == 0 else 0
            self._way = self._way if moved == 0 else (1 if moved > 0 else -1)
        self._top = keys[-1]
        if keys in self._lately:
            self._lately.remove(keys)
        self._lately.append(keys)


PIANOS = ("piano", "electric piano")
_LOWEST, _HIGHEST = 40, 51  # MIDI keys of a left hand's roots, E2 to Eb3
_BALLAD = (36, 47)  # … in a ballad, C2 to B2
_VIBRAPHONE = (53, 64)  # from the lowest bar, F3
_SEVENTHS = 0.45  # of the roots that have room for it: with the seventh
_TENTHS = 0.55  # of a ballad's: with the tenth
_OCTAVE = 12
_CLOSEST = 5  # semitones from the root to the right hand, where the limits leave so little


class OwnRoots:
    """Which chords have no root but the comping's."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        drill = chart.drill
        self._bass = drill.band.bass.plays
        self._line = line is not None and drill.line is not None and drill.line.is_bass
        self._reader = drill.line is not None and drill.line.instrument in BASSES
        self._heard = _by_bar(chart, line.notes) if line is not None and self._line else {}

    def wanted(self, bar: Bar, chord: Chord, start: Fraction, end: Fraction) -> bool:
        """Whether the comping plays a chord's root in the bar that it stands in."""
        if self._bass:
            return False
        if not self._line:
            return True
        if bar.role == "response":
            return not self._reader
        return not any(
            note.pitch.name.pitch_class == chord.bass_name.pitch_class and start <= note.start < end
            for note in self._heard.get(bar.number, ())
        )


def _by_bar(chart: Chart, notes: Sequence[Note]) -> Mapping[int, Sequence[Note]]:
    found: dict[int, list[Note]] = defaultdict(list)
    for note in notes:
        found[chart.bar_at(note.start).number].append(note)
    return found


def zone_of(kind: str, register: tuple[int, int] | None, *, ballad: bool) -> tuple[int, int]:
    """Lowest and highest MIDI key of the roots: an octave."""
    if register is not None:
        return register[0], register[0] + _OCTAVE - 1
    if kind == "vibraphone":
        return _VIBRAPHONE
    return _BALLAD if ballad else (_LOWEST, _HIGHEST)


def low_voices(
    chord: Chord, random: Random, zone: tuple[int, int], kind: str, *, ballad: bool
) -> tuple[Pitch, ...]:
    """A left hand's root, alone or with seventh or tenth."""
    (bass,) = in_range(chord.bass_name, *zone)
    tenth, over = random.random() < _TENTHS, random.random() < _SEVENTHS
    if kind not in PIANOS or (chord.bass is not None and chord.bass != chord.root):
        return (bass,)
    third, seventh = chord.guide_tones
    if ballad:
        upper = [_above(bass, chord, third, _OCTAVE), _above(bass, chord, seventh, 0)]
        upper = upper if tenth else upper[::-1]
    else:
        upper = [_above(bass, chord, seventh, 0)] if over else []
    clear = [each for each in upper if each is not None and _is_clear(bass, each)]
    return (bass, *clear[:1])


def _above(bass: Pitch, chord: Chord, degree: Degree, octave: int) -> Pitch | None:
    if degree.number == 1:
        return None
    name: Name = chord.root.above(degree)
    return Pitch.near(name, bass.midi + degree.semitones % _OCTAVE + octave)


def _is_clear(low: Pitch, high: Pitch) -> bool:
    return low.midi >= LOW_INTERVAL_LIMITS.get(high.midi - low.midi, 0)


def is_clear_over(hand: Sequence[Pitch], voice: Pitch) -> bool:
    """Whether a voice lies above a left hand, and clear of it."""
    return all(low.midi < voice.midi and _is_clear(low, voice) for low in hand)


def lowest_above(hand: Sequence[Pitch], low: int) -> int:
    """The lowest MIDI key of the right hand that sounds clear over a left one."""
    for pitch in hand:
        clear = next(
            gap
            for gap in range(_CLOSEST if pitch is hand[0] else 2, _OCTAVE + 1)
            if all(pitch.midi >= LOW_INTERVAL_LIMITS.get(g, 0) for g in range(gap, _OCTAVE))
        )
        low = max(low, pitch.midi + clear)
    return low
