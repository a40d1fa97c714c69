"""The band's bass, and what a walking one does between the beats.

Measured in trio recordings (Jazz Trio Database, MIT licence, 17 tracks): 0.93 of the beats are
begun by a note; 0.25 have a note between below 170 a minute and 0.07 above, three quarters of them
in the swung half, one in nine on the first triplet; they come in clusters, the variance of a bar's
count being 1.5 times its mean.  What is played there is common practice: the note itself once more,
dead; or a chord tone below, the octave or the fifth, dropped to through a triplet now and then.

Roots, two-beat, or walking (`walking.py`).

Common practice: roots are held as written, slash basses obeyed; in two, the feel's own figures are
played: root and fifth with a skipped eighth now and then in swing, the bossa nova's
and the samba's own rhythm there.  A feel that does not walk refuses `walking` when it is read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby, pairwise, zip_longest
from random import Random

from quicktions import Fraction

from drillgen.band.feel import (
    Feel,
    FigureNote,
    bar_of,
    bars_of,
    counted,
    drawn,
    feel,
    figure_notes,
    goes_on,
    last_strokes,
    remembering,
)
from drillgen.band.walking import players, walked
from drillgen.chart import Bar, Chart
from drillgen.drill.sheet import BASSES, INSTRUMENTS, open_strings
from drillgen.lines.pass_context import Cell, PassContext, WholeTrack, cells, closest
from drillgen.score import Note, Part, after, plays, runs
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Name, Pitch

# Beats with a note between: below the tempo (quarter notes a minute), and from it on.
_SLOWER, _FASTER, _TURNS = 0.25, 0.07, 170
_CLUSTERED = 2.0  # a bar's share is drawn from a beta distribution whose parameters' sum this is
_TRIPLETS = 0.12  # of them: through a triplet
_TONE_BELOW = 0.3  # of them: a tone below instead of the same one
_RING = 0.16  # of the notes that may be left out, so that about one beat in sixteen is not begun
_LEVEL = -5.0  # dB: it leads the ear to the next note
_TIED = 5  # semitones: further apart, the notes beside one that is left out are no line
_DROP, _FOURTH = 12, 5
_HALF = Fraction(1, 2)


def enlivened(chart: Chart, room: PassContext, notes: Sequence[Note]) -> list[Note]:
    """A walking bass with its skips, and with some notes left to ring, as the density says: none at
    0, as measured at one half."""
    density = 2 * chart.drill.band.bass.density
    chords = {cell.span.start: cell.chord for cell in room.cells}
    return list(_skipping(chart, room, _ringing(room, notes, chords, density), chords, density))


def _ringing(
    room: PassContext, notes: Sequence[Note], chords: dict[Fraction, Chord], density: float
) -> list[Note]:
    """Some inner notes left out, the one before held instead: neither the first of a chord nor the
    one that leads out of it, nor any root."""
    kept = list(notes[:1])
    chord = chords.get(notes[0].start) if notes else None
    for note, following in zip(notes[1:], [*notes[2:], None], strict=False):
        before = kept[-1]
        inner = following is not None and not {note.start, following.start} & chords.keys()
        tied = before.start + room.beat == note.start and before.duration == room.beat
        chord = chords.get(note.start, chord)
        root = chord is not None and note.pitch.name == chord.bass_name
        free = following is not None and inner and tied and _near(before, following)
        if free and not root and room.random.random() < _RING * density:
            kept[-1] = replace(before, duration=2 * room.beat)
        else:
            kept.append(note)
    return kept


def _near(before: Note, following: Note) -> bool:
    return 0 < abs(following.pitch.midi - before.pitch.midi) <= _TIED


def _skipping(
    chart: Chart,
    room: PassContext,
    notes: Sequence[Note],
    chords: dict[Fraction, Chord],
    density: float,
) -> Iterator[Note]:
    bar: Bar | None = None
    chord: Chord | None = None
    skipped: list[bool] = []
    for note, following in zip_longest(notes, notes[1:]):
        here = chart.bar_at(note.start)
        if here is not bar:
            bar, skipped = here, _skips(chart, here, density, room.random)
        chord = chords.get(note.start, chord)
        if note.duration == room.beat and skipped[(note.start - here.start) // room.beat]:
            leads = following is None or following.start in chords
            yield from _skipped(note, room, None if leads else following, chord)
        else:
            yield note


def _skips(chart: Chart, bar: Bar, density: float, random: Random) -> list[bool]:
    """Which of this bar's beats have a note between: one of them stays whole (common practice)."""
    quarters = float(bar.tempo * chart.drill.meter.beat)
    share = min((_SLOWER if quarters < _TURNS else _FASTER) * density, 0.9)
    lively = random.betavariate(_CLUSTERED * share, _CLUSTERED * (1 - share)) if share else 0.0
    found = [random.random() < lively for _ in range(chart.drill.meter.beats)]
    if all(found):
        found[random.randrange(len(found))] = False
    return found


def _skipped(
    note: Note, room: PassContext, following: Note | None, chord: Chord | None
) -> Iterator[Note]:
    """A note, and what is played before the next beat: none but itself where that leads out of the
    chord (`following` is None)."""
    drops = room.random.random() < _TRIPLETS
    below = room.random.random() < _TONE_BELOW
    last = _under(note.pitch, room, chord) if below else note.pitch
    if following is None or abs(following.pitch.midi - last.midi) > _DROP:
        last = note.pitch
    if drops:
        third = room.beat / 3
        yield replace(note, duration=third)
        yield _between(note, third, third, note.pitch)
        yield _between(note, 2 * third, third, last)
        return
    yield replace(note, duration=room.beat - _HALF)
    yield _between(note, room.beat - _HALF, _HALF, last)


def _between(note: Note, after: Fraction, length: Fraction, pitch: Pitch) -> Note:
    """A note between a beat's own and the next: dead where it is the beat's once more."""
    start = note.start + after
    if pitch == note.pitch:
        return Note(start, length, pitch, "dead")
    return Note(start, length, pitch, "short", _LEVEL)


def _under(pitch: Pitch, room: PassContext, chord: Chord | None) -> Pitch:
    """The chord's fifth below its root, else the octave below; the note itself where the range has
    neither."""
    if chord is not None and pitch.name == chord.root:
        fifth = Pitch.near(chord.root.above(chord.fifth), pitch.midi - _FOURTH)
        if room.holds(fifth.midi):
            return fifth
    return Pitch(pitch.name, pitch.octave - 1) if room.holds(pitch.midi - _DROP) else pitch


# Bass figures: places in a bar, each with the degree that stands there.
#
# "R:1- 5:2& 5:3- N:4&" is the bass of a bossa nova: root, fifth, fifth, and the next chord's root
# ahead of the barline; in "R:1- /5:3-" the fifth is slid into from below, where a hand can.
# Degrees: R the root (or the slash bass), 3, 5, 6 (or the seventh where the chord has no sixth), 8
# the root in another octave, N the root of the next chord. Places are written as in every pattern.
# Common practice: every chord is begun on its root whatever the figure says; a slash bass is
# obeyed, and a bass note that stays under several chords (a pedal point) is not left.

_GHOST_LEVEL = -5.0  # dB: a skipped note leads the ear to the next one
_OPEN = tuple(string.midi for string in open_strings(None))
_SLIDE = 2  # semitones, as our own basses have it
_SIXTH = 9
_DRAWN = 2  # of how far the hand is from its place: such a part is taken back
_ROOM_BELOW = 8  # semitones: of a lower root the fifth that leads on lies above, a step from there
_BELOW = 3  # semitones: the answer is looked for under the root first
_RISING = "368"  # a figure with one of these goes up from its root
_OCTAVE = 12  # semitones
_HIGHEST_OCTAVE = 50  # MIDI key: above D3 a bass gets in the way of the chords


def played(chart: Chart, room: PassContext, feel: Feel) -> list[Note]:
    """The stretch in figures of the feel, one note at a time."""
    notes: list[Note] = []
    pattern: str | None = None
    led: Pitch | None = room.track.led.get(room.bars[0].number)
    by_bar = {start: list(inside) for start, inside in groupby(room.cells, lambda c: c.bar_start)}
    for bar in room.bars:
        pattern = _figure(chart, bar, room, feel, pattern)
        text = bar_of(pattern, counted(chart, bar))
        figure = figure_notes(text, chart.drill.meter)
        inside = by_bar.get(bar.start, [])
        notes += _bar(chart, bar, inside, room, figure, led)
        led = notes[-1].pitch if inside and notes[-1].mark == "approach" else None
    following = after(chart, room.bars[-1])
    if led is not None and following is not None:
        room.track.led[following.number] = led
    return _cut_short(notes)


def _figure(chart: Chart, bar: Bar, room: PassContext, feel: Feel, last: str | None) -> str:
    """A figure by density: at 0 the plainest ones only, at 1 the fuller ones twice as often."""
    if last is not None and goes_on(last, counted(chart, bar)):
        return last
    weights = feel.two_beat.at(float(bar.tempo))
    density = chart.drill.band.bass.density
    fewest = min(_busy(pattern) for pattern in weights)
    by_density = {
        pattern: weight * (1.0 if _busy(pattern) == fewest else 2 * density)
        for pattern, weight in weights.items()
    }
    return drawn(room.random, remembering(by_density, last))


def _busy(pattern: str) -> float:
    """Notes a bar; a slide counts as one more."""
    return (len(pattern.replace("|", " ").split()) + pattern.count("/")) / len(bars_of(pattern))


def _bar(
    chart: Chart,
    bar: Bar,
    inside: list[Cell],
    room: PassContext,
    figure: Sequence[FigureNote],
    led: Pitch | None,
) -> Iterator[Note]:
    """A bar, whose chords are `inside`.  Its first root stays where it was anticipated (`led`)."""
    crowded = any(cell.span.duration < chart.drill.meter.beat for cell in inside)
    leads_on = _goes_on_after(chart, bar)
    rises = any(word.degree in _RISING for word in figure)
    leads = any(word.degree == "N" for word in figure)
    last: Pitch | None = None
    for number, cell in enumerate(inside):
        root, begun = _root(cell, room, None if number else led), False
        up = rises or (leads and root.midi < room.low + _ROOM_BELOW)
        ahead = leads_on or number + 1 < len(inside)
        for word in figure:
            place = bar.start + word.stroke.place
            if not cell.span.start <= place < cell.span.end:
                continue
            at_start = place == cell.span.start
            begun = begun or at_start
            if at_start or not (crowded or _held_over(cell, place, room.beat)):
                degree = "R" if at_start or (word.degree == "N" and not ahead) else word.degree
                if degree == "N" and cell.following:
                    pitch = _ahead(cell.following[0].bass_name, room, last or root)
                else:
                    pitch = _pitch(cell, room, degree, root, up)
                again, last = pitch == last, pitch
                yield _note(cell, room, word, place, degree, pitch, again)
        if not begun:
            yield Note(cell.span.start, cell.span.duration, root, "held")


def _held_over(cell: Cell, place: Fraction, beat: Fraction) -> bool:
    """Whether a chord that begins between the beats is still held at a place: into the next beat,
    as in walking."""
    return bool((cell.span.start - cell.bar_start) % beat) and place - cell.span.start < beat


def _goes_on_after(chart: Chart, bar: Bar) -> bool:
    """Whether the bass plays on after a bar, so that it may lead into what follows."""
    following = after(chart, bar)
    return following is not None and plays(chart, following, "bass")


def _ahead(name: Name, room: PassContext, last: Pitch) -> Pitch:
    """The next bass note ahead of its chord: near the last one, drawn to the hand's place where
    that is no seventh (common practice)."""
    near = last.midi + (room.near - last.midi) // _DRAWN
    pitch = closest(name, near, room.low, room.high)
    far = abs(pitch.midi - last.midi) > _SIXTH
    return closest(name, last.midi, room.low, room.high) if far else pitch


def _note(
    cell: Cell,
    room: PassContext,
    word: FigureNote,
    place: Fraction,
    degree: str,
    pitch: Pitch,
    again: bool,
) -> Note:
    """`again`: it is struck a second time."""
    touch = word.stroke.touch
    if touch == "slid" and (again or not _slides_to(pitch)):
        touch = "held"
    ends = cell.span.end
    length = room.beat / 2 if touch in ("short", "ghost", "dead") else ends - place
    level = _GHOST_LEVEL if touch == "ghost" else 0.0
    mark = "approach" if degree == "N" else ""
    return Note(place, min(length, ends - place), pitch, "short" if level else touch, level, mark)


def _slides_to(pitch: Pitch) -> bool:
    """Whether a hand can slide there from two semitones below, on a bass of four strings: an open
    string is not stopped, and below the lowest there is nothing."""
    return pitch.midi not in _OPEN and pitch.midi - _SLIDE >= min(_OPEN)


def _pitch(cell: Cell, room: PassContext, degree: str, root: Pitch, rises: bool) -> Pitch:
    """A degree beside its root: above it in a figure that rises, else the fifth where it is
    closer to hand below (common practice)."""
    if degree in "RN" or (degree != "8" and _is_pedal(cell, room)):
        return root
    if degree == "8":
        other = root.midi + (_OCTAVE if root.midi + _OCTAVE <= _HIGHEST_OCTAVE else -_OCTAVE)
        return Pitch.near(root.name, other) if room.low <= other <= room.high else root
    name = _tone(cell, int(degree))
    above = root.midi + (name.pitch_class - root.midi) % _OCTAVE
    if rises and above <= room.high:
        return Pitch.near(name, above)
    return closest(name, root.midi - _BELOW, room.low, room.high)


def _tone(cell: Cell, number: int) -> Name:
    """The chord's own third, fifth, or sixth (its seventh where it has none); never its bass."""
    chord = cell.chord
    degree = {
        3: chord.degree(3) or chord.fifth,
        5: chord.fifth,
        6: chord.degree(6) or chord.degree(7) or chord.fifth,
    }[number]
    name = chord.root.above(degree)
    return chord.root if name == chord.bass_name else name


def _is_pedal(cell: Cell, room: PassContext) -> bool:
    """A slash bass that the chord before or after stands on, too."""
    if cell.chord.bass is None:
        return False
    index = room.cells.index(cell)
    before = room.cells[index - 1].chord if index else None
    beside = [before, cell.following[0] if cell.following else None]
    return any(
        other is not None and other != cell.chord and other.bass_name == cell.chord.bass_name
        for other in beside
    )


def _root(cell: Cell, room: PassContext, led: Pitch | None = None) -> Pitch:
    """A chord's bass note, near the hand's place or where it was anticipated."""
    if led is not None and led.name == cell.chord.bass_name:
        return led
    return closest(cell.chord.bass_name, room.near, room.low, room.high)


def _cut_short(notes: list[Note]) -> list[Note]:
    """One note at a time: each ends where the next begins."""
    notes = sorted(notes, key=lambda note: note.start)
    cut = [_ended(note, after.start) for note, after in pairwise(notes)]
    return [*cut, *notes[-1:]]


def _ended(note: Note, end: Fraction) -> Note:
    length = min(note.duration, end - note.start)
    return Note(note.start, length, note.pitch, note.touch, note.level, note.mark)


# Pedal points: one bass note under several chords (common practice: the bass stays on it).
#
# A chord stands over a pedal where a neighbour with another harmony has the same bass, and at least
# one of the two is written with it: Dm7/G G7, or C/G F/G.


def over_pedal(cells: Sequence[Cell]) -> tuple[bool, ...]:
    """Whether each chord stands over a pedal."""

    def shares(index: int, other: int) -> bool:
        if not 0 <= other < len(cells):
            return False
        one, two = cells[index].chord, cells[other].chord
        written = one.bass is not None or two.bass is not None
        return written and one.root != two.root and one.bass_name == two.bass_name

    return tuple(shares(i, i - 1) or shares(i, i + 1) for i in range(len(cells)))


def with_pedals(notes: Sequence[Note], cells: Sequence[Cell]) -> Iterator[Note]:
    """The notes of a walking bass, those over a pedal all on its first one."""
    held: Note | None = None
    pedal = [cell for cell, over in zip(cells, over_pedal(cells), strict=True) if over]
    for note in notes:
        cell = next((c for c in pedal if c.span.start <= note.start < c.span.end), None)
        if cell is None:
            held = None
            yield note
            continue
        if held is None or held.pitch.name != cell.chord.bass_name:
            held = note  # a chord over a pedal begins on its bass
        yield replace(note, pitch=held.pitch, mark="")


INSTRUMENT = "upright"
_LOW_START = 8  # semitones above the lowest note: where a bass player begins
_UNDER_A_LINE = 4  # … under a line on a bass: from E1 to Eb2, below most of it
_TENTH = 16  # semitones


def bass(chart: Chart) -> Part | None:
    """The bass part of a track; None where it is off."""
    spec = chart.drill.band.bass
    if spec.kind == "off":
        return None
    instrument = INSTRUMENTS[INSTRUMENT]
    low, high = spec.register or (
        instrument.low.midi,
        _ceiling(chart, instrument.low.midi, instrument.high.midi),
    )
    players = {"roots": _roots, "two-beat": _two_beat, "walking": _walking}
    line = chart.drill.line
    start = _UNDER_A_LINE if line is not None and line.instrument in BASSES else _LOW_START
    random, track = Random(f"{chart.drill.luck} bass"), WholeTrack()
    notes: list[Note] = []
    for bars in runs(chart, "bass"):
        found = tuple(cells(bars, after(chart, bars[-1])))
        room = PassContext(
            bars, found, chart.drill.meter.beat, low, high, low + start, random, track=track
        )
        notes += players[spec.kind](chart, room)
    notes += _ending(chart, low, high, low + start, track)
    return Part("bass", INSTRUMENT, tuple(notes))


def _ceiling(chart: Chart, low: int, high: int) -> int:
    """The highest MIDI key of the band's bass that leaves the student's instrument its room.

    Where the line lies on an instrument of the bass's own register, the band's bass keeps to the
    lowest tenth of its range, enough for every root and fifth (common practice: who accompanies
    a bass solo stays low).  Under a voice of the harmony, which may come down to Eb2, a bass that
    does not walk has an octave, enough for every root.
    """
    line = chart.drill.line
    if line is None or line.sounding_range[0] > low + _OCTAVE:
        return high
    under = line.keeps_up and line.range is None and chart.drill.band.bass.kind != "walking"
    return min(high, low + (_OCTAVE - 1 if under else _TENTH))


def _walking(chart: Chart, room: PassContext) -> list[Note]:
    notes = walked(chart, room, after(chart, room.bars[-1]), players())
    return enlivened(chart, room, list(with_pedals(notes, room.cells)))


def _roots(chart: Chart, room: PassContext) -> list[Note]:
    return [
        Note(cell.span.start, cell.span.duration, _root(cell, room), "held") for cell in room.cells
    ]


def _two_beat(chart: Chart, room: PassContext) -> list[Note]:
    return played(chart, room, feel(chart.drill.feel, chart.drill.meter))


def _ending(chart: Chart, low: int, high: int, near: int, track: WholeTrack) -> Iterator[Note]:
    """The last chord's bass, where a bass that walks was led to; held, or struck with the band."""
    final = chart.ending
    if final and final[0].spans[0].chord is not None:
        chord = final[0].spans[0].chord
        pitch = track.led.get(final[0].number) or closest(chord.bass_name, near, low, high)
        for stroke in last_strokes(chart):
            place = final[0].start + stroke.place
            length = (
                chart.drill.meter.beat / 2 if stroke.touch == "short" else final[-1].end - place
            )
            yield Note(place, length, pitch, stroke.touch)
