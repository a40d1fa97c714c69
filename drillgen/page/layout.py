"""How a take's bars are laid out, as the page reads it: roles, chords, keys, names of sheets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.spoken import key_words
from drillgen.page import Reading, Stand, Take
from drillgen.score import Note, Part
from drillgen.sheet.reader import Reader, read_by
from drillgen.theory.pitch import Degree

ROLES = ("count-in", "call", "response", "play", "ending")
_DEGREES = {1: "root", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh",
            9: "ninth", 11: "eleventh", 13: "thirteenth"}  # fmt: skip


Values = dict[str, Any]
Names = Sequence[tuple[str, str]]  # of each key's sheets, for wide and for narrow pages


def layout(
    take: Take, stand: Stand, sheets: Sequence[Names], tone_of: Mapping[int, int]
) -> dict[str, Any]:
    """Bars and keys as they sound, and what of them each reader sees otherwise.  `sheets`: of each
    reader; `tone_of`: a tone for each MIDI key."""
    chart, taken = take.chart, take.chart.drill.bars
    return {
        "round": [taken.first, taken.count] if taken else None,  # of a loop: its bars' numbers
        "bars": [_bar(chart, bar) for bar in chart.bars],
        "keys": [_key(take, bars, tone_of) for bars in _by_key(chart)],
        "read": [
            _reading(take, stand, reading, names)
            for reading, names in zip(stand.readings, sheets, strict=True)
        ],
    }


def _reading(take: Take, stand: Stand, reading: Reading, names: Names) -> dict[str, Any]:
    """Sheets, and for a reader who sees other keys than sound, what these and the chords are."""
    chart, reader = take.chart, reading.reader
    split = chart.drill.tracks == "per key"
    places = [stand.keys.index(key) for key in chart.keys] if split else range(len(chart.keys))
    shown_in, prefix = dict(reading.shown_in), f"k{places[0]}" if split else ""
    keys: list[Values] = [{"sheet": names[at][0], "narrow": names[at][1]} for at in places]
    found = {
        "shown": [shown_in.get(f"{prefix}b{bar.number}", "") for bar in chart.bars],
        "keys": keys,
    }
    if not reader.written.fifths:
        return found
    line = take.score.part("line")
    read = line and read_by(chart, line, reader)
    for key, place, bars in zip(keys, places, _by_key(chart), strict=True):
        first = None if _dictated(take) else _first_seen(line, read, bars, reader)
        key |= {"seen": reading.pictures[place].label, "first": first}
    seen = ([reader.span(span, bar.key) for span in bar.spans] for bar in chart.bars)
    return found | {"chords": [[_chord(span) for span in spans] for spans in seen]}


def _bar(chart: Chart, bar: Bar) -> list[Any]:
    """Role, key, pass, bar of the form, and chords with the beat that they start on."""
    beat = chart.drill.meter.beat
    chords = [[_chord(span), float((span.start - bar.start) / beat)] for span in bar.spans]
    return [ROLES.index(bar.role), bar.key_number, bar.pass_number, bar.form_bar, chords]


def _chord(span: Span) -> str:
    return span.chord.pretty if span.chord else "N.C."


def _by_key(chart: Chart) -> Iterator[list[Bar]]:
    for number in range(len(chart.keys)):
        yield [bar for bar in chart.bars if bar.key_number == number and bar.role != "count-in"]


def _key(take: Take, bars: Sequence[Bar], tone_of: Mapping[int, int]) -> dict[str, Any]:
    after = (bar.number for bar in bars if bar.role == "ending" or bar.change)
    held = next(after, bars[-1].number + 1)
    return {
        "label": bars[0].key.pretty,
        "said": key_words(bars[0].key),
        "from": bars[0].number,
        "to": bars[-1].number,
        # The first bar of the last chord or on to another key, or the bar after the last.
        "held": held,
        "first": _first(take, bars, tone_of),
    }


def _first(take: Take, bars: Sequence[Bar], tone_of: Mapping[int, int]) -> dict[str, Any] | None:
    """The first note of the line in a key: its name as it sounds, what it is, and its tone, which
    is all that a dictation gives away."""
    if (note := _first_note(take.score.part("line"), bars)) is None:
        return None
    named = not _dictated(take)
    return {
        "name": _sounding(note) if named else "",
        "what": _what(note, _under(bars, note)) if named else "",
        "tone": tone_of.get(note.pitch.midi, -1),
    }


def _dictated(take: Take) -> bool:
    line = take.chart.drill.line
    return line is not None and line.dictation


def _first_seen(
    line: Part | None, read: Part | None, bars: Sequence[Bar], reader: Reader
) -> dict[str, str] | None:
    """The same for a reader who sees another one: its name as it is written, and what it is."""
    note, seen = _first_note(line, bars), _first_note(read, bars)
    if note is None or seen is None:
        return None
    key, under = bars[0].key, _under(bars, note)
    what = _what(note, under and reader.span(under, key))
    return {
        "name": reader.pitch(seen.pitch, key, under).name.pretty,
        "what": ", ".join(filter(None, (f"concert {_sounding(note)}", what))),
    }


def _first_note(line: Part | None, bars: Sequence[Bar]) -> Note | None:
    inside = (n for n in line.notes if bars[0].start <= n.start < bars[-1].end) if line else ()
    return next(iter(inside), None)


def _sounding(note: Note) -> str:
    return f"{note.pitch.name.pretty}{note.pitch.octave}"


def _under(bars: Sequence[Bar], note: Note) -> Span | None:
    return next((span for bar in bars if (span := bar.span_at(note.start))), None)


def _what(note: Note, under: Span | None) -> str:
    """What a note is in its chord: 'third of Dm7'; "" where it is none of its degrees."""
    chord = under.chord if under else None
    try:
        degree = Degree.parse(note.mark).number
    except ValueError:
        return ""
    if chord is None or degree not in _DEGREES:
        return ""
    return f"{_DEGREES[degree]} of {chord.pretty}"
