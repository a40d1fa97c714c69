"""Roots: the root (or the bass of a slash chord) of each chord, held for its length."""

from __future__ import annotations

from drillgen.drill.lines import Roots
from drillgen.lines.pass_context import PassContext, closest
from drillgen.score import Note


def write(context: PassContext, options: Roots) -> list[Note]:
    """One note a chord, each close to the one before."""
    notes: list[Note] = []
    near = context.near
    for cell in context.cells:
        pitch = closest(cell.chord.bass_name, near, context.low, context.high)
        # Half-way back to where the line began, so that a cycle of fourths does not climb away.
        near = (pitch.midi + context.near) // 2
        notes.append(Note(cell.span.start, cell.span.duration, pitch, mark="1"))
    return notes
