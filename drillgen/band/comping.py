"""Comping: what is listened to, and which strokes are played.

The line leaves room where it rests or holds; the strokes are the feel's rhythms, in voicings that
move least (`voicing.py`).
"""

from __future__ import annotations

from bisect import bisect, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp
from random import Random

from quicktions import Fraction

from drillgen.band.feel import (
    PatternStroke,
    Rhythms,
    bar_of,
    bars_of,
    counted,
    drawn,
    feel,
    goes_on,
    last_strokes,
    remembering,
    strokes,
)
from drillgen.band.voicing import Sounded, voicings
from drillgen.chart import Bar, Chart
from drillgen.drill.bars import Meter
from drillgen.score import Note, Part, Touch, after, plays, starts_pass
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key

_ROOM = 2.0  # how much likelier a stroke is where the line rests or holds a note for a beat already
_IN_THE_WAY = 0.3  # … where it strikes a note within a quarter of a beat of it, and moves on


class Listening:
    """What the comping hears of the line."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        notes = sorted(line.notes, key=lambda note: note.start) if line is not None else []
        self._starts = [note.start for note in notes]
        self._notes = notes
        self._beat = chart.drill.meter.beat
        self._known: dict[Fraction, float] = {}  # how well a stroke lies at a place

    def room(self, bar: Bar, placed: Sequence[tuple[PatternStroke, int]]) -> float:
        """How well a bar's strokes lie beside the line."""
        if bar.role == "response" or not self._notes:
            return 1.0
        weight = 1.0
        for stroke, _ in placed:
            place = bar.start + stroke.place
            if place not in self._known:
                self._known[place] = self._at(place)
            weight *= self._known[place]
        return weight

    def _at(self, place: Fraction) -> float:
        index = bisect_right(self._starts, place + self._beat / 4) - 1
        if index < 0:
            return _ROOM
        note = self._notes[index]
        if place - note.start >= self._beat:
            return _ROOM
        moves = note.duration <= self._beat
        return _IN_THE_WAY if moves and abs(place - note.start) <= self._beat / 4 else 1.0


# Comping's rhythm: which cell of the feel is played in a bar, and which chord each stroke plays.
#
# A bar's rhythm must let each of the bar's chords be heard; a stroke on the last half-beat before a
# change already plays the next chord (common practice: an anticipation, or push). In a call one of
# them is enough where a bass sounds the others' roots: a player leaves chords out to make room for
# the line (common practice), but not always where a bar is so long that the hole is heard coming.
# How many strokes a bar has follows the density, and the tempo as the feel's file says.

_Strokes = tuple[tuple[PatternStroke, int], ...]  # each with the number of the chord it plays
_SPREAD = 1.8  # how strictly the number of strokes follows the density; in calls:
_SPREAD_IN_CALLS = 4.0


@dataclass(frozen=True, slots=True)
class Struck:
    """One stroke and the chord it plays."""

    start: Fraction  # quarter notes
    touch: Touch
    chord: Chord
    key: Key
    until: Fraction  # where the chord ends


def struck(chart: Chart, line: Part | None, random: Random) -> Iterator[Struck]:
    """Every stroke of the comping, the ending's left out."""
    rhythms = feel(chart.drill.feel, chart.drill.meter).rhythms(chart.drill.band.comping.kind)
    player = _Rhythm(chart, Listening(chart, line), rhythms, random)
    for bar in chart.bars:
        if bar.form_bar >= 0 and plays(chart, bar, "comping"):
            yield from player.bar(bar)
        else:
            player.rests()


# How full a bar is, and which bars are silent.
#
# Common practice of accompaniment: in a call the comping plays about half as much as in the
# answer, where the line rests or holds; a rhythm is thought over two bars, so that a full bar is
# followed by a lighter one, and one bar in eight is left empty: where the chord goes on, or was
# pushed.

_FULLNESS = {"call": 0.42, "response": 1.65, "play": 1.0}  # of the strokes a bar that are wanted
_SILENT = {"call": 0.62, "response": 0.2, "play": 0.62}  # bars, of those that may be silent
_LIGHTER = 0.35  # of the strokes too many in one bar are taken from the next
_AS_BEFORE = 0.25  # of the bars have the rhythm of two bars before, where it fits
_LONG_BAR = 3.0  # seconds
_ALL_CHORDS = 0.15  # of the calls' long bars over a bass have all of them
_PUSHED = 6.0  # how much likelier a rhythm is that pushes into a bar to be silent


@dataclass
class _Rhythm:
    """Who chooses the rhythms, a bar after the other."""

    chart: Chart
    line: Listening
    rhythms: Rhythms
    random: Random
    last: str | None = None
    before: str | None = None  # the rhythm of two bars before
    pushed: bool = False  # the bar's first chord was already played at the end of the bar before
    silent: bool = False  # it was decided that this bar is silent
    spare: bool = False  # … that one of this bar's chords is enough
    rested: bool = True  # the bar before was silent
    over: float = 0.0  # strokes that the last bar had too many
    wanted: float = 0.0  # strokes in this bar
    chord: Chord | None = None  # the last one that was played

    @property
    def _has_bass(self) -> bool:
        return self.chart.drill.band.bass.plays

    def rests(self) -> None:
        """The comping does not play in a bar."""
        self.pushed, self.silent, self.rested, self.chord, self.over = False, False, True, None, 0.0

    def bar(self, bar: Bar) -> Sequence[Struck]:
        """What is played in a bar."""
        count = counted(self.chart, bar)
        self.spare = self._makes_room(bar)
        one_chord = len(bar.spans) == 1 or self.spare
        heard = one_chord and (self.pushed or bar.spans[0].chord == self.chord)
        if self.silent and heard:
            self.pushed, self.silent, self.rested, self.over = False, False, True, -0.5
            return ()
        steady = self._is_steady(bar)
        self.silent = not steady and not self.rested and self._leaves_out_the_next(bar)
        cell = self._cell(bar, count)
        here = _spelled_out(bar) if cell is None else tuple(_in_bar(self.chart, bar, count, cell))
        self.before, self.last, self.rested = self.last, cell, not here
        self.pushed = bool(here) and here[-1].until > bar.end
        self.over = len(here) - self.wanted
        self.chord = bar.spans[-1].chord if here or bar.spans[0].chord == self.chord else None
        if here and not self.pushed:
            self.chord = here[-1].chord
        return here

    def _makes_room(self, bar: Bar) -> bool:
        """Whether all chords of a bar but one are left to the bass."""
        if len(bar.spans) == 1 or bar.role != "call" or not self._has_bass:
            return False
        is_long = bar.length * self.chart.seconds_a_quarter(bar) > _LONG_BAR
        all_chords = is_long and self.random.random() < _ALL_CHORDS
        return plays(self.chart, bar, "bass") and not all_chords

    def _is_steady(self, bar: Bar) -> bool:
        """Whether the instrument plays so many strokes and no others: a chord a beat."""
        tempo = float(bar.tempo)
        return self.rhythms.wanted(0, tempo) == self.rhythms.wanted(1, tempo)

    def _leaves_out_the_next(self, bar: Bar) -> bool:
        following = after(self.chart, bar)
        if following is None or following.form_bar < 0 or starts_pass(self.chart, following):
            return False
        return self.random.random() < _SILENT.get(following.role, 0.0)

    def _cell(self, bar: Bar, count: int) -> str | None:
        """A cell in which each of the bar's chords is heard, by density; None where there is
        none."""
        layout, meter = _laid_out(self.chart, bar), self.chart.drill.meter
        if self.last is not None and goes_on(self.last, count):  # the rest of a longer cell
            here = _placed(layout, bar_of(self.last, count), meter)
            if self._heard(bar, layout, here):
                return self.last
        usable = self._usable(bar, count, layout)
        again = self.before in usable and len(bars_of(self.before or "")) == 1
        if again and self.random.random() < _AS_BEFORE:
            return self.before
        return drawn(self.random, remembering(usable, self.last)) if usable else None

    def _usable(self, bar: Bar, count: int, layout: _Layout) -> dict[str, float]:
        tempo = float(bar.tempo)
        wanted = self.rhythms.wanted(self.chart.drill.band.comping.density, tempo)
        if not self._is_steady(bar):
            wanted *= _FULLNESS.get(bar.role, 1.0)
            wanted = max(wanted - _LIGHTER * self.over, 0.5)
        self.wanted = wanted
        spread = _SPREAD_IN_CALLS if bar.role == "call" else _SPREAD
        usable: dict[str, float] = {}
        for pattern, weight in self.rhythms.cells.at(tempo).items():
            here = _placed(layout, bar_of(pattern, count), self.chart.drill.meter)
            if self._heard(bar, layout, here):
                fits = exp(-spread * (len(here) - wanted) ** 2 / 2)
                push = _PUSHED if self.silent and _pushes(layout, here) else 1.0
                usable[pattern] = weight * fits * push * self.line.room(bar, here)
        return usable

    def _heard(self, bar: Bar, layout: _Layout, placed: _Strokes) -> bool:
        """Whether enough of a bar's chords are played."""
        if self.spare:
            return self.pushed or any(index < len(bar.spans) for _, index in placed)
        return _all_heard(layout, placed, self.pushed)


def _pushes(layout: _Layout, placed: _Strokes) -> bool:
    return bool(placed) and placed[-1][1] == len(layout.chords) - 1


def _spelled_out(bar: Bar) -> tuple[Struck, ...]:
    """Each chord where it begins."""
    return tuple(
        Struck(span.start, "held", span.chord, bar.key, span.end)
        for span in bar.spans
        if span.chord is not None
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """A bar's chords and the one after it; alike bars have the same layout, which is quick."""

    # Where each begins (quarter notes into the bar), and whether it sounds, which N.C. does not; of
    # the one after the bar None where the comping does not go on.
    chords: tuple[tuple[Fraction, bool | None], ...]


_layout = lru_cache(maxsize=4096)(_Layout)


def _laid_out(chart: Chart, bar: Bar) -> _Layout:
    following = _following(chart, bar)
    goes_on = following.spans and plays(chart, following, "comping")
    own = [(span.start - bar.start, span.chord is not None) for span in bar.spans]
    then = following.spans[0].chord is not None if goes_on else None
    return _layout((*own, (bar.length, then)))


def _following(chart: Chart, bar: Bar) -> Bar:
    """The next bar.  A track that is to be looped ends by anticipating its own beginning."""
    return after(chart, bar) or next(each for each in chart.bars if each.form_bar >= 0)


@lru_cache(maxsize=65536)
def _placed(layout: _Layout, pattern: str, meter: Meter) -> _Strokes:
    """A bar's strokes with the chord that each plays: its own, or the next one where it anticipates
    it.  Nothing sounds under N.C., not even what comes next."""
    placed = []
    for stroke in strokes(pattern, meter):
        index = max(i for i, (start, _) in enumerate(layout.chords[:-1]) if start <= stroke.place)
        (start, sounds), (end, following) = layout.chords[index : index + 2]
        if sounds and stroke.place > start and end - stroke.place <= meter.beat / 2:
            sounds, index = (following, index + 1) if following is not None else (sounds, index)
        if sounds:
            placed.append((stroke, index))
    return tuple(placed)


def _all_heard(layout: _Layout, placed: _Strokes, pushed: bool) -> bool:
    heard = {index for _, index in placed} | ({0} if pushed else set())
    return all(i in heard for i, (_, sounds) in enumerate(layout.chords[:-1]) if sounds)


def _in_bar(chart: Chart, bar: Bar, count: int, pattern: str) -> Iterator[Struck]:
    """What a cell plays in the bar `count` of the music."""
    following = _following(chart, bar)
    found = _placed(_laid_out(chart, bar), bar_of(pattern, count), chart.drill.meter)
    for stroke, index in found:
        place = bar.start + stroke.place
        ahead = index == len(bar.spans)
        span, key = (following.spans[0], following.key) if ahead else (bar.spans[index], bar.key)
        until = span.end if span.end > place else bar.end + span.duration
        if span.chord is not None:
            yield Struck(place, stroke.touch, span.chord, key, until)


def comping(chart: Chart, line: Part | None = None) -> Part | None:
    """The comping part of a track, below the line where that is higher; None where it is off."""
    spec = chart.drill.band.comping
    if spec.kind == "off":
        return None
    random = Random(f"{chart.drill.luck} comping")
    strokes = [*struck(chart, line, random), *_ending(chart)]
    ends = [stroke.start for stroke in strokes[1:]]
    ends += [min(stroke.until, chart.end) for stroke in strokes[-1:]]
    beat = chart.drill.meter.beat
    timed = [(each, _length(each, end, beat)) for each, end in zip(strokes, ends, strict=True)]
    rolls = Random(f"{chart.drill.luck} rolls")
    notes = [
        note
        for stroke, voices in zip(strokes, voicings(chart, timed, line), strict=True)
        for note in _notes(chart, stroke, voices, rolls)
    ]
    notes = _one_root_at_a_time(notes)
    return Part("comping", spec.kind.removeprefix("rhythm "), tuple(notes))


# A chord's notes are never struck quite together: a ballad's are rolled from the lowest up.
_ROLLED = (0.05, 0.08)  # seconds from the first to the last note
_APART = 0.006  # seconds at most between the notes of other chords


def _notes(
    chart: Chart, stroke: Struck, voices: Sequence[Sounded], random: Random
) -> Iterator[Note]:
    rolled = chart.drill.feel == "ballad" and stroke.touch == "held"
    whole = random.uniform(*_ROLLED) if rolled else 0.0
    for index, voice in enumerate(voices):
        late = whole * index / max(len(voices) - 1, 1) if rolled else random.uniform(0, _APART)
        loose = chart.drill.timing != "exact" and not voice.after
        touch: Touch = "held" if voice.mark == "root" else stroke.touch
        yield Note(
            stroke.start + voice.after, voice.length, voice.pitch, touch, mark=voice.mark,
            late=round(late, 4) if loose else 0.0,
        )  # fmt: skip


def _one_root_at_a_time(notes: Sequence[Note]) -> list[Note]:
    """In order of time; a left hand holds its notes until it plays the next, and no key twice."""
    found: list[Note] = []
    hands = sorted({note.start for note in notes if note.mark == "root"})
    following: dict[int, Fraction] = {}
    for note in sorted(notes, key=lambda note: note.start, reverse=True):
        end = note.start + note.duration
        limits = [end, following.get(note.pitch.midi, end)]
        if note.mark == "root":
            limits += hands[bisect(hands, note.start) :][:1]
        cut = min(limits)
        if cut > note.start:
            found.append(note if cut == end else replace(note, duration=cut - note.start))
        following[note.pitch.midi] = note.start
    return sorted(found, key=lambda note: (note.start, note.pitch.midi))


def _length(stroke: Struck, following: Fraction, beat: Fraction) -> Fraction:
    """Held strokes last to the next one or the chord's end, others half a beat or a beat."""
    longest = min(following, stroke.until) - stroke.start
    if longest <= 0:
        longest = following - stroke.start
    wanted = {"held": longest, "short": beat / 2}.get(stroke.touch, beat)
    return min(wanted, longest)


def _ending(chart: Chart) -> Iterator[Struck]:
    final = chart.ending
    if not final or final[0].spans[0].chord is None:
        return
    bar, chord, struck_at = final[0], final[0].spans[0].chord, last_strokes(chart)
    ends = [*(bar.start + each.place for each in struck_at[1:]), final[-1].end]
    for each, end in zip(struck_at, ends, strict=True):
        yield Struck(bar.start + each.place, each.touch, chord, bar.key, end)
