"""How a take's bars are laid out, as the page reads it: roles, chords, keys, names of sheets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drillgen.chart import Bar, Chart
from drillgen.page.models import Stand, Take
from drillgen.score import Note
from drillgen.theory.pitch import Degree

ROLES = ("count-in", "call", "response", "play", "ending")
_DEGREES = {1: "root", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh",
            9: "ninth", 11: "eleventh", 13: "thirteenth"}  # fmt: skip


def layout(
    take: Take, stand: Stand, sheets: Sequence[tuple[str, str]], tone_of: Mapping[int, int]
) -> dict[str, Any]:
    """Bars and keys.  `sheets`: names of each key's sheets; `tone_of`: a tone for each MIDI key."""
    chart = take.chart
    split = chart.drill.tracks == "per key"
    places = [stand.keys.index(key) for key in chart.keys] if split else range(len(chart.keys))
    shown_in, prefix = dict(stand.shown_in), f"k{places[0]}" if split else ""
    return {
        "bars": [_bar(chart, bar) for bar in chart.bars],
        "shown": [shown_in.get(f"{prefix}b{bar.number}", "") for bar in chart.bars],
        "keys": [
            _key(take, bars, sheets[place] if place < len(sheets) else ("", ""), tone_of)
            for bars, place in zip(_by_key(chart), places, strict=True)
        ],
    }


def _bar(chart: Chart, bar: Bar) -> list[Any]:
    """Role, key, pass, bar of the form, and chords with the beat that they start on."""
    beat = chart.drill.meter.beat
    chords = [
        [span.chord.pretty if span.chord else "N.C.", float((span.start - bar.start) / beat)]
        for span in bar.spans
    ]
    return [ROLES.index(bar.role), bar.key_number, bar.pass_number, bar.form_bar, chords]


def _by_key(chart: Chart) -> Iterator[list[Bar]]:
    for number in range(len(chart.keys)):
        yield [bar for bar in chart.bars if bar.key_number == number and bar.role != "count-in"]


def _key(
    take: Take, bars: Sequence[Bar], sheet: tuple[str, str], tone_of: Mapping[int, int]
) -> dict[str, Any]:
    held = next((bar.number for bar in bars if bar.role == "ending"), bars[-1].number + 1)
    return {
        "label": bars[0].key.pretty,
        "from": bars[0].number,
        "to": bars[-1].number,
        "held": held,  # the first bar of the last chord, or the bar after the last
        "sheet": sheet[0],
        "narrow": sheet[1],
        "first": _first(take, bars, tone_of),
    }


def _first(take: Take, bars: Sequence[Bar], tone_of: Mapping[int, int]) -> dict[str, Any] | None:
    """The first note of the line in a key: its name as it sounds, what it is, and its tone."""
    line = take.score.part("line")
    inside = (n for n in line.notes if bars[0].start <= n.start < bars[-1].end) if line else ()
    note = next(iter(inside), None)
    if note is None:
        return None
    return {
        "name": f"{note.pitch.name.pretty}{note.pitch.octave}",
        "what": _what(take, note),
        "tone": tone_of.get(note.pitch.midi, -1),
    }


def _what(take: Take, note: Note) -> str:
    """What a note is in its chord: 'third of Dm7'; "" where it is none of its degrees."""
    spans = (s for b in take.chart.bars for s in b.spans if s.start <= note.start < s.end)
    chord = next((span.chord for span in spans if span.chord), None)
    try:
        degree = Degree.parse(note.mark).number
    except ValueError:
        return ""
    if chord is None or degree not in _DEGREES:
        return ""
    return f"{_DEGREES[degree]} of {chord.pretty}"
