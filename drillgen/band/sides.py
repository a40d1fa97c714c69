"""Which bar of two comes first: the whole band keeps to one side.

The bossa nova's clave and the samba's syncopations stand over two bars that are not alike, and a
track may begin with either.  Whoever plays, plays the same one: a comping figure that belongs to
one bar is wrong in the other, and the two never turn round within a track (common practice).  So a
feel with `sides: true` writes every pattern of two bars with the same bar first, and the side that
a track begins on is drawn once for everybody.
"""

from __future__ import annotations

from random import Random

from drillgen.band.feel import feel
from drillgen.chart import Bar, Chart


def counted(chart: Chart, bar: Bar) -> int:
    """Bars of music before this one, and one more where the track begins with the second bar of
    every pattern: patterns of two bars never turn round in a track."""
    lead_in = chart.drill.count_in.bars + (1 if chart.drill.count_in.starting_note else 0)
    return bar.number - lead_in + _turned(chart)


def _turned(chart: Chart) -> int:
    if not feel(chart.drill.feel, chart.drill.meter).sides:
        return 0
    return Random(f"{chart.drill.luck} side").randrange(2)
