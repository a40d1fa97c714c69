"""Where a note stands in the harmony."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from quicktions import Fraction

from drillgen.chart import Bar, Chart, Span
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key
from drillgen.theory.scales import chord_scale

_PUSH = Fraction(1, 2)  # beats: a stroke this shortly before a change may play the next chord


def span_at(chart: Chart, place: Fraction) -> Span | None:
    return next((s for s in chart.bar_at(place).spans if s.start <= place < s.end), None)


def following(chart: Chart, span: Span) -> tuple[Span, Bar] | None:
    """The span after one, and its bar."""
    if span.end >= chart.end:
        return None
    after = span_at(chart, span.end)
    return (after, chart.bar_at(span.end)) if after is not None else None


def sounds(chord: Chord, key: Key, leads_to: Chord | None = None) -> set[int]:
    """Pitch classes of a chord and of its scale before the chord that it leads to."""
    scale = chord_scale(chord, key, leads_to)
    names = {*chord.names, *scale.names(chord.root), chord.bass_name}
    return {name.pitch_class for name in names}


def chords_meant(chart: Chart, place: Fraction) -> Iterator[tuple[Chord, Key, Chord | None]]:
    """The chord under a stroke, its key and what it leads to; then what it may anticipate."""
    span = span_at(chart, place)
    if span is None:
        return
    if span.chord is not None:
        yield span.chord, chart.bar_at(place).key, span.leads_to
    after = following(chart, span)
    if after is not None and span.end - place <= _PUSH * chart.drill.meter.beat:
        chord, bar = after[0].chord, after[1]
        if chord is not None:
            yield chord, bar.key, after[0].leads_to


def strokes(notes: Iterable[Note]) -> list[tuple[Fraction, tuple[int, ...]]]:
    """Place and MIDI keys from low to high of whatever begins together, in order."""
    grouped = groupby(sorted(notes, key=lambda note: note.start), key=lambda note: note.start)
    return [(start, tuple(sorted(n.pitch.midi for n in group))) for start, group in grouped]


def played(bar: Bar) -> bool:
    return bar.form_bar >= 0
