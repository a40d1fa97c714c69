"""The bones of a walking line: what is left when only roots and guide tones are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drillgen.lines.stretch import Stretch
from drillgen.score import Note


def bare(notes: Sequence[Note], stretch: Stretch) -> list[Note]:
    """A line's roots and guide tones, each held until the next of them or where the line stops."""
    held: list[Note] = []
    for cell in stretch.cells:
        guides = (cell.chord.root.above(degree) for degree in cell.chord.guide_tones)
        kept = {name.pitch_class for name in (cell.chord.root, cell.chord.bass_name, *guides)}
        for note in notes:
            if not cell.span.start <= note.start < cell.span.end:
                continue
            if note.pitch.name.pitch_class in kept:
                held.append(note)
            elif held and held[-1].start + held[-1].duration == note.start:
                held[-1] = replace(held[-1], duration=held[-1].duration + note.duration)
    return held
