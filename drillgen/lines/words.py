"""The line as text, for people: `Dm7: D2 F2 A2 C3 | G7: G2 B2 D3 F3`."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.chart import Bar, Span
from drillgen.score import Note, Score


def in_words(score: Score) -> str:
    """The line bar by bar: chords, and under each the notes that begin while it sounds, with their
    sounding octaves (C4 is middle C); a line of text for each pass.  Bars that the line is never
    played in, responses among them, are left out."""
    part = score.part("line")
    notes = part.notes if part else ()
    return "\n".join(_pass(bars, notes) for bars in score.chart.passes())


def _pass(bars: tuple[Bar, ...], notes: tuple[Note, ...]) -> str:
    return " | ".join(_bar(bar, notes) for bar in bars if bar.role != "response")


def _bar(bar: Bar, notes: tuple[Note, ...]) -> str:
    return "  ".join(" ".join(_words(span, notes)) for span in bar.spans)


def _words(span: Span, notes: tuple[Note, ...]) -> Iterator[str]:
    yield f"{span.chord.text if span.chord else 'N.C.'}:"
    yield from (str(note.pitch) for note in notes if span.start <= note.start < span.end)
