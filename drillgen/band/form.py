"""The form as a drummer marks it: a light crash at its top, a lighter stroke where a section
begins, a fill into either.

Common practice: the top of a form is the one place for a crash, and a new section is led into and
begun with a stroke on the bell of the ride or another stroke that is not the usual one.  A form of
a few bars that goes round and round is felt in phrases of eight: with a crash at every pass it
would be nothing but crashes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drillgen.band.room import after, starts_pass
from drillgen.chart import Bar, Chart

_CRASHES = 8  # bars from one to the next, at least
_STROKES = 4  # bars from any mark to a lighter one, at least


@dataclass(frozen=True, slots=True)
class Marks:
    """Numbers of bars."""

    tops: frozenset[int]  # which a light crash opens
    sections: frozenset[int]  # which a lighter stroke opens

    def leads(self, chart: Chart, bar: Bar) -> bool:
        """Whether a bar leads to the top of the form, into the ending or to the track's end."""
        following = after(chart, bar)
        return following is None or following.form_bar < 0 or following.number in self.tops

    def leads_to_section(self, bar: Bar) -> bool:
        return bar.number + 1 in self.sections


def marks(chart: Chart) -> Marks:
    """Where the form begins and where its sections do."""
    tops: list[int] = []
    sections: list[int] = []
    for bar in _begun(chart):
        last = max([*tops[-1:], *sections[-1:]], default=None)
        if starts_pass(chart, bar) and (not tops or bar.number - tops[-1] >= _CRASHES):
            tops.append(bar.number)
        elif last is None or bar.number - last >= _STROKES:
            sections.append(bar.number)
    return Marks(frozenset(tops), frozenset(sections))


def _begun(chart: Chart) -> Iterator[Bar]:
    """Bars in which a pass, a section or the tag begins; not where a response repeats its call."""
    gaps = chart.drill.gaps
    repeats = gaps is not None and gaps.harmony == "repeats"
    tagged = False
    for bar in chart.bars:
        if bar.form_bar < 0 or (repeats and bar.role == "response"):
            continue
        if bar.starts_section or starts_pass(chart, bar) or bar.tag > tagged:
            yield bar
        tagged = bar.tag
