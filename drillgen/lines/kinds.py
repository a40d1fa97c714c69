"""The table of kinds of line (`WRITERS`), and how the passes of a track are put together.

A writer makes the notes of one pass: `(context, options) -> list[Note]`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import groupby, pairwise
from random import Random

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.lines import (
    Arpeggio,
    Composed,
    Enclosure,
    GuideTones,
    Intervals,
    Line,
    Phrases,
    Riff,
    Roots,
    ScalePattern,
    Walking,
    Written,
)
from drillgen.drill.sheet import BASSES
from drillgen.lines import enclosure, guide_tones, melody, patterns, phrases, walking
from drillgen.lines.arriving import before_gaps, on_the_last_chord
from drillgen.lines.pass_context import (
    Cell,
    PassContext,
    WholeTrack,
    Writer,
    cells,
    closest,
    open_spans,
)
from drillgen.score import Note, Part, after
from drillgen.theory.pitch import Pitch
from drillgen.theory.spelling import LineTone, spelled

# The notes of a line, spelled as a copyist would.


def respelled(notes: Sequence[Note], cells: Sequence[Cell]) -> list[Note]:
    """The same notes, each spelled by where it leads.

    Both are in order of time, notes together from low to high.  A note before the first chord
    belongs to it.
    """
    found = by_voice(notes, _tones(notes, cells))
    return [replace(note, pitch=pitch) for note, pitch in zip(notes, found, strict=True)]


def by_voice(notes: Sequence[Note], tones: Sequence[LineTone]) -> list[Pitch]:
    """How a copyist spells notes, a tone for each; of notes together, voice by voice."""
    voices: dict[int, list[int]] = {}
    for _, together in groupby(range(len(notes)), key=lambda index: notes[index].start):
        for voice, index in enumerate(together):
            voices.setdefault(voice, []).append(index)
    found: dict[int, Pitch] = {}
    for indices in voices.values():
        names = spelled([tones[index] for index in indices])
        found |= dict(zip(indices, names, strict=True))
    return [found[index] for index in range(len(notes))]


def _tones(notes: Sequence[Note], cells: Sequence[Cell]) -> list[LineTone]:
    tones: list[LineTone] = []
    index = 0
    for note in notes:
        while index + 1 < len(cells) and cells[index + 1].span.start <= note.start:
            index += 1
        cell = cells[index]
        passing = note.mark == "approach"
        tones.append(LineTone(note.pitch, cell.chord, cell.key, cell.bar_start, passing))
    return tones


_EIGHTH = Fraction(1, 2)  # quarter notes
_HIGH_IN_THE_RANGE = 0.6  # where a line begins: a little above the middle, where it sings

# How each kind is written out.
WRITERS: dict[type[Line], Writer] = {
    GuideTones: guide_tones.write,
    Roots: patterns.roots,
    Arpeggio: patterns.arpeggio,
    Walking: walking.write,
    ScalePattern: patterns.scale_pattern,
    Enclosure: enclosure.write,
    Intervals: patterns.intervals,
    Riff: melody.write_riff,
    Written: melody.write_melody,
    Phrases: phrases.write,
}


def line(chart: Chart) -> Part | None:
    """The line through a whole track; None where the drill has none.  It is the same at every
    tempo, and written once for all that a drill has."""
    return _line(_at_any_tempo(chart))


def _at_any_tempo(chart: Chart) -> Chart:
    """The same for each of a drill's tempos."""
    bars = tuple(replace(bar, tempo=Fraction(1), slowing=()) for bar in chart.bars)
    whole = chart.whole and _at_any_tempo(chart.whole)
    return replace(chart, tempo=chart.drill.tempos[0], bars=bars, whole=whole)


@lru_cache(maxsize=8)
def _line(chart: Chart) -> Part | None:
    """The line, whatever the tempo.

    Each pass is written anew from the same beginning, close to where the last pass began, so that
    every key is the same exercise and no key change is an octave's leap.
    """
    options = chart.drill.line
    if options is None:
        return None
    if chart.whole is not None:
        return _taken_out(chart, line(chart.whole))
    context = _context(chart, options)
    lead = Fraction(0) if context.begin else options.lead(chart.drill.meter.bar)
    notes: list[Note] = []
    passes = tuple(
        bars
        for bars in chart.passes()
        if not bars[0].change and (not bars[0].tag or _goes_on(chart))
    )
    for number, bars in enumerate(passes):
        context = _in_pass(context, chart, bars, number / max(len(passes) - 1, 1))
        written = WRITERS[type(options)](context, options)
        written = respelled(written, context.cells) if options.of_chords else written
        if written:
            context = replace(context, near=written[0].pitch.midi, before=tuple(written))
        played = _played(written, bars, context.begin - lead)
        played = before_gaps(played, [*bars, after(chart, bars[-1])], context, options)
        notes = _led_up_to(notes, played) if lead and played else [*notes, *played]
    notes += list(_tagged(chart, notes))
    arrival = _arrival(chart, options, notes, context)
    return Part("line", options.instrument, (*notes, *arrival))


def _taken_out(chart: Chart, part: Part | None) -> Part | None:
    """What a whole track's line has in the bars that were taken out of it, as often as they are
    played: what begins there, cut off at their end."""
    if part is None:
        return None
    notes = []
    for bars in chart.passes():
        later, end = bars[0].start - chart.taken_from, bars[-1].end
        for note in part.notes:
            start = note.start + later
            if bars[0].start <= start < end:
                notes.append(replace(note, start=start, duration=min(note.duration, end - start)))
    return replace(part, notes=tuple(notes))


def _context(chart: Chart, options: Line) -> PassContext:
    """What all passes have in common, and where the first of them should begin."""
    drill, (low, high) = chart.drill, options.sounding_range
    clear_of = low
    if options.over_the_bass and _meets_a_bass(chart, options):
        lowest, clear_of = options.over_the_bass
        low = max(low, lowest)
    heard = tuple(_heard(chart, tuple(bar for bar in chart.bars if not bar.change)))
    return PassContext(
        bars=(),
        cells=(),
        beat=drill.meter.beat,
        low=low,
        high=high,
        near=round(clear_of + _HIGH_IN_THE_RANGE * (high - clear_of)),
        random=Random(),
        home=drill.key,
        clear_of=clear_of,
        begin=(options.begin_at - 1) * drill.meter.beat,
        track=WholeTrack(drill.seed, chart.keys, len(chart.keys) * drill.passes, heard),
    )


def _in_pass(
    context: PassContext, chart: Chart, bars: tuple[Bar, ...], progress: float
) -> PassContext:
    heard, first, seed = tuple(_heard(chart, bars)), bars[0], chart.drill.seed
    return replace(
        context,
        bars=heard,
        cells=tuple(cells(heard)),
        random=Random(f"{seed} line {first.pass_number}"),
        turn=(first.pass_number - 1) % chart.drill.passes,
        progress=progress,
        seed=f"{seed} line in key {first.key_number}",
    )


def _meets_a_bass(chart: Chart, options: Line) -> bool:
    """Whether the line keeps clear of a bass in the band, which keeps low: on one instrument the
    two would else cross and be held a semitone apart.  So do guide tones, bass or not: in the
    lowest octave two notes are not heard as two (low interval limits)."""
    low = chart.drill.band.bass.plays or options.keeps_up
    return options.instrument in BASSES and options.range is None and low


def _arrival(
    chart: Chart, options: Line, notes: list[Note], context: PassContext
) -> Iterator[Note]:
    """What is held on the last chord: its root, where the line is a bass."""
    final = chart.ending
    if not options.is_bass:
        yield from on_the_last_chord(chart, options, notes, context)
    elif final and notes and (chord := final[0].spans[0].chord) is not None:
        low, high = options.sounding_range
        root = closest(chord.bass_name, notes[-1].pitch.midi, low, high)
        root = context.track.led.get(final[0].number, root)
        yield Note(final[0].start, final[-1].end - final[0].start, root, "held", mark="1")


def _tagged(chart: Chart, notes: list[Note]) -> Iterator[Note]:
    """The line's last bars once more over a tag; after calls and responses the student has it."""
    tag = [bar for bar in chart.bars if bar.tag]
    if not tag or chart.drill.gaps is not None or chart.drill.ending != "tag":
        return
    if _goes_on(chart):
        return
    later = tag[-1].end - tag[0].start
    for note in notes:
        if note.start >= tag[0].start - later:
            yield replace(note, start=note.start + later)


def _goes_on(chart: Chart) -> bool:
    """Whether the line is written over a tag as over a pass: where it walks, since the bars that
    are repeated lead to the tag but the tag leads to the ending; and where the tag has chords of
    its own, unless the line has notes of its own, too."""
    line = chart.drill.line
    own = chart.drill.ending != "tag" and not isinstance(line, Composed | Phrases)
    return line is not None and (line.walks or own) and chart.drill.gaps is None


def _heard(chart: Chart, bars: tuple[Bar, ...]) -> Iterator[Bar]:
    """The bars that the line is written over: not a response that repeats its call."""
    gaps = chart.drill.gaps
    repeats = gaps is not None and gaps.harmony == "repeats"
    return (bar for bar in bars if not (repeats and bar.role == "response"))


def _played(notes: list[Note], bars: tuple[Bar, ...], begin: Fraction) -> list[Note]:
    """Only what begins in a call (or in play throughout): the response is the student's.

    A note may be tied up to the response; one that begins before the call opens, on its beat
    `begin` quarter notes in (negative: as long before as a pick-up lasts), sounds from there.
    Before the track there is no time for a pick-up.
    """
    played = []
    spans = open_spans(bars, begin)
    for note in notes:
        for span in spans:
            start = max(note.start, span.start)
            end = min(note.start + note.duration, span.end)
            inside = span.start - max(begin, Fraction(0)) <= note.start < span.end
            if inside and 0 <= start < end:
                played.append(replace(note, start=start, duration=end - start))
    return played


def _led_up_to(notes: list[Note], played: list[Note]) -> list[Note]:
    """The notes so far and a pass that a pick-up leads to: it cuts short what sounds, but waits for
    a tone that is approached itself."""
    aims = [
        other.start + _EIGHTH
        for one, other in pairwise(notes)
        if one.mark == "approach" != other.mark
    ]
    played = [note for note in played if not aims or note.start >= aims[-1]]
    return [*_until(played[0].start, notes), *played]


def _until(start: Fraction, notes: list[Note]) -> list[Note]:
    """The notes as far as a pick-up to the next pass leaves room for them."""
    return [
        replace(note, duration=min(note.duration, start - note.start))
        for note in notes
        if note.start < start
    ]
