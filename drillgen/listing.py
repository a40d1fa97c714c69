"""The chart as text: what a person reads in the terminal before rendering."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from drillgen.chart import Bar, Chart
from drillgen.drill.remarks import remarks

_BARS_A_LINE = 4
_ALIKE = 24  # characters of a bar up to which all columns are equally wide
_PART = 11  # characters of role and section, where they are no longer


@dataclass(frozen=True, slots=True)
class _Columns:
    """How wide the columns of a listing are, in characters."""

    part: int  # role and section
    bars: tuple[int, ...]  # of a line


def listing(chart: Chart, beside: Sequence[Chart] = ()) -> str:
    """Head line, then the bars, four a line, each line with bar number, time, key and role.

    The columns are as wide as in `beside`, the other tracks of the drill.
    """
    columns = _columns((chart, *beside))
    bars = [line for run in _runs(chart) for line in _lines(chart, run, columns)]
    return "\n".join([_head(chart), *bars])


def _columns(charts: Sequence[Chart]) -> _Columns:
    """Wide enough for every key: bars beyond what all columns share widen their own only."""
    widths = [0] * _BARS_A_LINE
    part = _PART
    for chart in charts:
        for run in _runs(chart):
            part = max(part, len(_part(run[0])))
            for index, bar in enumerate(run):
                place = index % _BARS_A_LINE
                widths[place] = max(widths[place], len(_text(chart, bar)))
    alike = min(max(widths), _ALIKE)
    return _Columns(part, tuple(max(width, alike) for width in widths))


def number_of(chart: Chart, bar: Bar) -> int:
    """A bar's number for people, the same in the listing, on the sheet and on the page: 1 is the
    first after the count-in."""
    first = next(each.number for each in chart.bars if each.role != "count-in")
    return bar.number - first + 1


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
    head = [drill.title, f"  {' · '.join(facts)}"]
    head += [f"  {drill.note}"] if drill.note else []
    return "\n".join([*head, *(f"  note: {remark}" for remark in remarks(drill))])


def _runs(chart: Chart) -> Iterator[list[Bar]]:
    """Neighbouring bars alike in key, role, pass and section."""
    alike = groupby(
        chart.bars, key=lambda bar: (bar.key_number, _role(bar), bar.pass_number, bar.section)
    )
    return (list(bars) for _, bars in alike)


def _lines(chart: Chart, run: list[Bar], columns: _Columns) -> Iterator[str]:
    for first in range(0, len(run), _BARS_A_LINE):
        bars = run[first : first + _BARS_A_LINE]
        texts = zip(bars, columns.bars, strict=False)
        cells = " | ".join(_text(chart, bar).ljust(width) for bar, width in texts)
        yield f"{_margin(chart, bars[0], columns.part)} | {cells} |"


def _margin(chart: Chart, bar: Bar, part: int) -> str:
    minutes, seconds = divmod(int(chart.seconds_at(bar.start)), 60)
    time = f"{minutes:>2}:{seconds:02d}"
    number = "" if bar.role == "count-in" else number_of(chart, bar)
    return f"{number:>5}  {time}  {bar.key.short:<4} {_part(bar):<{part}}"


def _part(bar: Bar) -> str:
    return f"{_role(bar)} {bar.section}".rstrip()


def _role(bar: Bar) -> str:
    return "tag" if bar.tag else bar.role


def _text(chart: Chart, bar: Bar) -> str:
    return _counted(chart, bar) or _chords(bar)


def _counted(chart: Chart, bar: Bar) -> str:
    """What is heard in a bar before the first: the starting note, or what counts; else ""."""
    count_in = chart.drill.count_in
    if bar.role != "count-in":
        return ""
    return "note" if count_in.starting_note and bar.number == 0 else count_in.sound


def _chords(bar: Bar) -> str:
    """The bar's chords; a chord that lasts longer than its share is followed by slashes."""
    return "  ".join(span.chord.text if span.chord else "N.C." for span in bar.spans)
