"""Where the line is late like a soloist: on the beats of its swung eighths.

The published delays (`timing.py`) were measured in soloists' lines of eighths, where the late beat
and the offbeat that is with the drums make the soloist's own swing.  A held note, a quarter or a
triplet has no such offbeat beside it, and late it would only drag: it goes with the band.  So does
a note in unison with the band's bass, which would be heard twice.
"""

from __future__ import annotations

from drillgen.score import Score


def late_beats(score: Score) -> frozenset[int]:
    """The beats, counted from the track's start, that the line halves or that stand beside one."""
    line, bass = score.part("line"), score.part("bass")
    if line is None:
        return frozenset()
    beat = score.chart.drill.meter.beat
    halved = {note.start // beat for note in line.notes if note.start % beat == beat / 2}
    beside = {number + step for number in halved for step in (-1, 0, 1)}
    low = {(note.start, note.pitch.midi) for note in (bass.notes if bass else ())}
    shared = {n.start // beat for n in line.notes if (n.start, n.pitch.midi) in low}
    return frozenset(beside - shared)
