"""The notes of a line, spelled as a copyist would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drillgen.lines.stretch import Cell
from drillgen.score import Note
from drillgen.theory.spelling import Tone, spelled


def readable(notes: Sequence[Note], cells: Sequence[Cell]) -> list[Note]:
    """The same notes; what lies between the chord tones is spelled by where it leads.

    Both are in order of time.  A note before the first chord belongs to it.
    """
    tones: list[Tone] = []
    index = 0
    for note in notes:
        while index + 1 < len(cells) and cells[index + 1].span.start <= note.start:
            index += 1
        tones.append(Tone(note.pitch, cells[index].chord, cells[index].key))
    names = zip(notes, spelled(tones), strict=True)
    return [replace(note, pitch=pitch) for note, pitch in names]
