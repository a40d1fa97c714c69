"""Whether the bossa nova's chords agree with its clave."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from quicktions import Fraction

from benchmarks.musical.figure import Figure, share
from drillgen.band.feel import KEYS
from drillgen.score import Score

# What belongs to a bar of three strokes (1, & of 2, 4) or of two (2, & of 3) and not to the other.
_THREE, _TWO = {Fraction(3, 2), Fraction(3)}, {Fraction(1), Fraction(5, 2)}


def sides(scores: Iterable[Score]) -> Iterator[Figure]:
    """Strokes of the comping that belong to the other bar of the clave than the cross-stick's."""
    strokes = against = 0
    for score in scores:
        if score.chart.drill.feel == "bossa nova":
            for struck, chords in _bars(score):
                three, two = len(struck & _THREE), len(struck & _TWO)
                strokes += len(chords)
                against += len(chords & (_TWO if three > two else _THREE if two > three else set()))
    label = f"bossa nova: chords against the clave's side, of {strokes}"
    yield Figure(label, share(against, strokes), (0, 0), "common practice", " %")


def _bars(score: Score) -> Iterator[tuple[set[Fraction], set[Fraction]]]:
    """Of each bar, where the cross-stick is struck and where a chord."""
    drums, comping = score.part("drums"), score.part("comping")
    assert drums is not None and comping is not None
    sticks: dict[int, set[Fraction]] = defaultdict(set)
    chords: dict[int, set[Fraction]] = defaultdict(set)
    for hit in drums.hits:
        if hit.key == KEYS["side stick"] and hit.level > -10:  # softer ones are comments
            bar = score.chart.bar_at(hit.start)
            sticks[bar.number].add(hit.start - bar.start)
    for note in comping.notes:
        bar = score.chart.bar_at(note.start)
        chords[bar.number].add(note.start - bar.start)
    yield from ((sticks[number], chords[number]) for number in sorted(sticks))
