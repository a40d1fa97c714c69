"""What a walking bass remembers, so as not to say the same thing again.

Common practice: a player varies; a figure is not used for two chords that are close together, nor
a whole bar of the form played just so chorus after chorus.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterable

from drillgen.chart import Bar
from drillgen.lines.stretch import Cell

Figure = tuple[int, ...]  # melodic intervals in semitones, so that it is the same in every key

_LATELY = 4  # chords
_CHORUSES = 2
_AGAIN = 1.0  # an interval of a figure that one of the last few chords had, too
_AS_BEFORE = 3.0  # … a bar as in one of the last choruses


class Memory:
    """The figures of the last few chords, and of each bar of the form in earlier choruses."""

    def __init__(self, said: set[Hashable], bars: Iterable[Bar], back: int = 0) -> None:
        """`said` is what earlier stretches left behind.  `back`: how many passes before this one
        began the line that it shares with them."""
        self._said = said
        self._bars = {bar.start: bar for bar in bars}
        self._back = back
        self._lately: deque[Figure] = deque(maxlen=_LATELY)
        self._bar: list[Figure] = []  # what was played in this bar so far

    def price(self, cell: Cell, figure: Figure) -> float:
        """What it costs to play a figure over a chord."""
        cost = _AGAIN * len(figure) if figure in self._lately else 0.0
        if self._ends_bar(cell):
            before = (self._place(cell, figure, back) for back in range(1, _CHORUSES + 1))
            cost += _AS_BEFORE if any(place in self._said for place in before) else 0.0
        return cost

    def keep(self, cell: Cell, figure: Figure) -> None:
        """Remember what is played."""
        self._lately.append(figure)
        if self._ends_bar(cell):
            self._said.add(self._place(cell, figure, 0))
            self._bar = []
        else:
            self._bar.append(figure)

    def _ends_bar(self, cell: Cell) -> bool:
        return cell.span.end == self._bars[cell.bar_start].end

    def _place(self, cell: Cell, figure: Figure, back: int) -> Hashable:
        bar = self._bars[cell.bar_start]
        return bar.pass_number + bar.tag - self._back - back, bar.form_bar, (*self._bar, figure)
