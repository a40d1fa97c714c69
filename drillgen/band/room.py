"""Who plays in which bar: the room that the band leaves for the student."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from drillgen.chart import Bar, Chart
from drillgen.score import PartName

_KEEPS_TIME: tuple[PartName, ...] = ("drums", "click")  # who goes on where only time is kept


def plays(chart: Chart, bar: Bar, part: PartName) -> bool:
    """Whether a part of the band plays in a bar: never in the count-in, else as `gaps` says."""
    if bar.role == "count-in":
        return False
    gaps = chart.drill.gaps
    if bar.role != "response" or gaps is None or gaps.band == "plays":
        return True
    return gaps.band == "time" and part in _KEEPS_TIME


def runs(chart: Chart, part: PartName) -> Iterator[tuple[Bar, ...]]:
    """Stretches of neighbouring bars of the form in which a part plays."""
    played = groupby(chart.bars, key=lambda bar: bar.form_bar >= 0 and plays(chart, bar, part))
    return (tuple(bars) for playing, bars in played if playing)


def after(chart: Chart, bar: Bar) -> Bar | None:
    """The next bar of the track."""
    return chart.bars[bar.number + 1] if bar.number + 1 < len(chart.bars) else None


def ends_pass(chart: Chart, bar: Bar) -> bool:
    """Whether a new pass, the ending or the track's end follows."""
    following = after(chart, bar)
    return (
        following is None
        or following.pass_number != bar.pass_number
        or (following.role == "ending" and bar.role != "ending")
    )


def starts_pass(chart: Chart, bar: Bar) -> bool:
    before = chart.bars[bar.number - 1] if bar.number else None
    return bar.form_bar >= 0 and (before is None or before.pass_number != bar.pass_number)
