"""The form as a drummer marks it, and how he builds over its choruses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drillgen.band.who_plays import after, starts_pass
from drillgen.chart import Bar, Chart

# A light crash at the form's top, a lighter stroke where a section begins, a fill into either.
#
# Common practice: the top of a form is the one place for a crash, and a new section is led into and
# begun with a stroke on the bell of the ride or another stroke that is not the usual one. A form of
# a few bars that goes round and round is felt in phrases of eight: with a crash at every pass it
# would be nothing but crashes.

_CRASHES = 8  # bars from one to the next, at least
_STROKES = 4  # bars from any mark to a lighter one, at least


@dataclass(frozen=True, slots=True)
class FormMarks:
    """Numbers of bars."""

    tops: frozenset[int]  # which a light crash opens
    sections: frozenset[int]  # which a lighter stroke opens

    def leads(self, chart: Chart, bar: Bar) -> bool:
        """Whether a bar leads to the top of the form, into the ending or to the track's end."""
        following = after(chart, bar)
        return following is None or following.form_bar < 0 or following.number in self.tops

    def leads_to_section(self, bar: Bar) -> bool:
        return bar.number + 1 in self.sections


def marks(chart: Chart) -> FormMarks:
    """Where the form begins and where its sections do."""
    tops: list[int] = []
    sections: list[int] = []
    for bar in _begun(chart):
        last = max([*tops[-1:], *sections[-1:]], default=None)
        if starts_pass(chart, bar) and (not tops or bar.number - tops[-1] >= _CRASHES):
            tops.append(bar.number)
        elif last is None or bar.number - last >= _STROKES:
            sections.append(bar.number)
    return FormMarks(frozenset(tops), frozenset(sections))


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


# Each chorus a little stronger than the one before, the last bars strongest (common practice).

_ARC = (-2.0, 0.0, 1.0, 2.0)  # dB, from the first chorus to the last
_LAST_BARS, _LIFT = 8, 1.0  # … and of how many bars at the end how much more
_CHORUS = 16  # bars, at least: a short form goes round several times to one


def arc(chart: Chart) -> dict[int, float]:
    """By number of bar of the form, how much louder than usual the drums are, dB."""
    bars = [bar for bar in chart.bars if bar.form_bar >= 0]
    choruses = max(len(bars) // max(_CHORUS, len(chart.drill.progression.bars)), 1)
    long = len(bars) / choruses
    found = {}
    for number, bar in enumerate(bars):
        at = int(number / long) / max(choruses - 1, 1) * (len(_ARC) - 1)
        below = min(int(at), len(_ARC) - 2)
        rise = _ARC[below] + (at - below) * (_ARC[below + 1] - _ARC[below])
        last = _LIFT if number >= len(bars) - _LAST_BARS else 0.0
        found[bar.number] = (rise if choruses > 1 else 0.0) + last
    return found
