"""How many bars stand on a system.

Four as a rule; a form's section, a new pass, a tag and the ending begin a new one, and so does each
call whose length does not go into four bars.  One bar is never left alone (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from drillgen.chart import Bar
from drillgen.drill.models import Drill

A_SYSTEM = 4  # bars


def system_starts(drill: Drill, bars: Sequence[Bar], most: int = A_SYSTEM) -> frozenset[int]:
    """The indices of the bars that begin a system."""
    edges = [i for i, bar in enumerate(bars) if i == 0 or _breaks(drill, bars[i - 1], bar)]
    lengths = (end - start for start, end in zip(edges, [*edges[1:], len(bars)], strict=True))
    return frozenset(
        start + place
        for start, length in zip(edges, lengths, strict=True)
        for place in _divided(length, most)
    )


def _breaks(drill: Drill, before: Bar, bar: Bar) -> bool:
    if (before.pass_number, before.tag) != (bar.pass_number, bar.tag):
        return True
    if bar.role != before.role:
        return bar.role == "ending" or _uneven(drill, bar)
    return bool(bar.section) and bar.starts_section


def _uneven(drill: Drill, bar: Bar) -> bool:
    """Whether a call or response begins a system because four bars a line would cut it."""
    gaps = drill.gaps
    if gaps is None or A_SYSTEM % (gaps.call + gaps.response) == 0:
        return False
    if gaps.call % A_SYSTEM == 0 and gaps.response % A_SYSTEM == 0:
        return False
    return bar.role == "call" or gaps.call + gaps.response > A_SYSTEM


def _divided(length: int, most: int) -> Iterator[int]:
    """Where the systems of some bars begin: 8 is 4 + 4, 6 is 4 + 2, 5 is 3 + 2."""
    place = 0
    while place < length:
        yield place
        left = length - place
        place += most - 1 if left == most + 1 and most > 2 else most
