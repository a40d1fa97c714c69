"""The notes of a line, spelled as a copyist would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from drillgen.lines.stretch import Cell
from drillgen.score import Note
from drillgen.theory.spelling import Tone, spelled


def readable(notes: Sequence[Note], cells: Sequence[Cell]) -> list[Note]:
    """The same notes, each spelled by where it leads; of notes together, voice by voice.

    Both are in order of time, notes together from low to high.  A note before the first chord
    belongs to it.
    """
    voices: dict[int, list[int]] = {}
    for _, together in groupby(range(len(notes)), key=lambda index: notes[index].start):
        for voice, index in enumerate(together):
            voices.setdefault(voice, []).append(index)
    tones = _tones(notes, cells)
    found = list(notes)
    for indices in voices.values():
        names = spelled([tones[index] for index in indices])
        for index, pitch in zip(indices, names, strict=True):
            found[index] = replace(notes[index], pitch=pitch)
    return found


def _tones(notes: Sequence[Note], cells: Sequence[Cell]) -> list[Tone]:
    tones: list[Tone] = []
    index = 0
    for note in notes:
        while index + 1 < len(cells) and cells[index + 1].span.start <= note.start:
            index += 1
        cell = cells[index]
        tones.append(Tone(note.pitch, cell.chord, cell.key, cell.bar_start))
    return tones
