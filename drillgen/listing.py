"""The chart as text: what a person reads in the terminal before rendering."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from drillgen.chart import Bar, Chart

_BARS_A_LINE = 4
_WIDEST = 24  # characters of a bar


def listing(chart: Chart) -> str:
    """Head line, then the bars, four a line, each line with bar number, time, key and role."""
    bars = [line for run in _runs(chart) for line in _lines(chart, run)]
    return "\n".join([_head(chart), *bars])


def _head(chart: Chart) -> str:
    drill = chart.drill
    minutes, seconds = divmod(round(chart.seconds), 60)
    keys = " ".join(key.short for key in chart.keys)
    facts = [
        drill.feel,
        drill.meter.text,
        f"tempo {chart.tempo}",
        f"keys {keys}",
        f"{len(chart.bars)} bars, {minutes}:{seconds:02d}",
    ]
    head = f"{drill.title}\n  {' · '.join(facts)}"
    return f"{head}\n  {drill.note}" if drill.note else head


def _runs(chart: Chart) -> Iterator[list[Bar]]:
    """Neighbouring bars alike in key, role, pass and section."""
    alike = groupby(
        chart.bars, key=lambda bar: (bar.key_number, _role(bar), bar.pass_number, bar.section)
    )
    return (list(bars) for _, bars in alike)


def _lines(chart: Chart, run: list[Bar]) -> Iterator[str]:
    texts = {bar.number: _counted(chart, bar) or _chords(bar) for bar in chart.bars}
    width = min(max(len(text) for text in texts.values()), _WIDEST)
    for first in range(0, len(run), _BARS_A_LINE):
        bars = run[first : first + _BARS_A_LINE]
        cells = " | ".join(texts[bar.number].ljust(width) for bar in bars)
        yield f"{_margin(chart, bars[0])} | {cells} |"


def _margin(chart: Chart, bar: Bar) -> str:
    minutes, seconds = divmod(int(chart.seconds_at(bar.start)), 60)
    section = f" {bar.section}" if bar.section else ""
    time = f"{minutes:>2}:{seconds:02d}"
    return f"{bar.number + 1:>5}  {time}  {bar.key.short:<4} {_role(bar) + section:<11}"


def _role(bar: Bar) -> str:
    return "tag" if bar.tag else bar.role


def _counted(chart: Chart, bar: Bar) -> str:
    """What is heard in a bar before the first: the starting note, or what counts; else ""."""
    count_in = chart.drill.count_in
    if bar.role != "count-in":
        return ""
    return "note" if count_in.starting_note and bar.number == 0 else count_in.sound


def _chords(bar: Bar) -> str:
    """The bar's chords; a chord that lasts longer than its share is followed by slashes."""
    return "  ".join(span.chord.text if span.chord else "N.C." for span in bar.spans)
