"""A drill as the page reads it: JSON values.

Times are samples (44.1 kHz) at the tempo at which a take was planned; lists of whole numbers are
written as steps from one to the next, which keeps them short.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drillgen.chart import Bar, Chart
from drillgen.page.models import Stand, Take
from drillgen.page.tones import PagePlayer, PageStroke, Tone
from drillgen.score import Note, PartName
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.release import choke_fall
from drillgen.sound.samples import DistinctNote
from drillgen.sound.strokes import sample_at
from drillgen.theory.pitch import Degree

# How a take's bars are laid out, as the page reads it: roles, chords, keys, names of sheets.

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
    after = (bar.number for bar in bars if bar.role == "ending" or bar.change)
    held = next(after, bars[-1].number + 1)
    return {
        "label": bars[0].key.pretty,
        "from": bars[0].number,
        "to": bars[-1].number,
        # The first bar of the last chord or on to another key, or the bar after the last.
        "held": held,
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


Values = dict[str, Any]

# In the order in which they stand on the page.
PARTS: dict[PartName, str] = {
    "line": "Line",
    "comping": "Comping",
    "bass": "Bass",
    "drums": "Drums",
    "click": "Count-in",
    "cue": "Starting note",
}


@dataclass(frozen=True, slots=True)
class Sounds:
    """The tones of one drill, and how loud they are together."""

    tones: Mapping[DistinctNote, Tone]
    gain: float  # dB, all parts alike


def drill(
    stand: Stand,
    players: Sequence[Sequence[PagePlayer]],
    sounds: Sounds,
    sheets: Sequence[tuple[str, str]],
) -> Values:
    """All of a drill but its strokes; `players` of each take in turn, `sheets`: names a key."""
    first = stand.takes[0].chart.drill
    tone_of = _line_tones(players, sounds)
    return {
        "title": first.title,
        "note": first.note,
        "facts": _facts(stand),
        "loops": first.ending == "none",
        "beats": first.meter.beats,
        "byEar": first.line is not None and first.line.by_ear,
        "dictated": first.line is not None and first.line.dictation,
        "rate": RATE,
        "gain": sounds.gain,
        "choke": round(choke_fall(), 1),
        "tones": list(_tones(sounds)),
        "parts": list(_parts(stand, players)),
        "layouts": [layout(take, stand, sheets, tone_of) for take in _layouts(stand)],
        "papers": [list(paper) for paper in stand.papers],
    }


def take(stand: Stand, index: int, players: Sequence[PagePlayer], sounds: Sounds) -> Values:
    """When the bars of a take start, and everything that is played in it."""
    numbers = _numbers(sounds)
    chart = stand.takes[index].chart
    starts = [sample_at(chart.seconds_at(bar.start)) for bar in chart.bars]
    return {
        "bars": steps([*starts, sample_at(chart.seconds)]),
        "tempos": [float(bar.tempo) for bar in chart.bars] if chart.tempo.step else [],
        "end": sample_at(stand.takes[index].performance.seconds),
        "strokes": {
            player.voice.part: list(_strokes(player.strokes, sounds, numbers)) for player in players
        },
    }


def tempos(stand: Stand) -> list[Values]:
    """The takes to choose from."""
    layouts = _layout_numbers(stand)
    return [
        {
            "layout": layouts[each.chart.keys],
            "tempo": each.chart.tempo.start,
            "to": each.chart.tempo.end or each.chart.tempo.start,
        }
        for each in stand.takes
    ]


def steps(numbers: Iterable[int]) -> list[int]:
    """Differences from one number to the next, the first from 0."""
    before, out = 0, []
    for number in numbers:
        out.append(number - before)
        before = number
    return out


def _strokes(
    strokes: Sequence[PageStroke], sounds: Sounds, numbers: Mapping[str, int]
) -> Iterator[int]:
    """Five numbers a stroke: step of its start, hold, tone, tenths of dB, step of its bar."""
    starts = steps(stroke.start for stroke in strokes)
    bars = steps(stroke.bar for stroke in strokes)
    for start, bar, stroke in zip(starts, bars, strokes, strict=True):
        tone = numbers[sounds.tones[stroke.note].name]
        yield from (start, stroke.hold, tone, round(stroke.decibels * 10), bar)


def _numbers(sounds: Sounds) -> dict[str, int]:
    """Each tone's place in the drill's table."""
    names = dict.fromkeys(tone.name for tone in sounds.tones.values())
    return {name: number for number, name in enumerate(names)}


def _tones(sounds: Sounds) -> Iterator[list[Any]]:
    """File, samples, dB of its level, dB a second of its release, MIDI key."""
    for tone in {tone.name: tone for tone in sounds.tones.values()}.values():
        yield [tone.name, tone.count, round(tone.decibels, 1), round(tone.rate, 1), tone.key]


def _parts(stand: Stand, players: Sequence[Sequence[PagePlayer]]) -> Iterator[Values]:
    found = {player.voice.part: player for take in players for player in take}
    clicks = stand.takes[0].chart.drill.band.click.plays
    for name, label in PARTS.items():
        if name not in found:
            continue
        player = found[name]
        chokes: dict[int, list[int]] = {}
        for by, cut in sorted(player.chokes):
            chokes.setdefault(by, []).append(cut)
        yield {
            "name": name,
            "label": "Click" if name == "click" and clicks else label,
            "level": round(player.voice.level, 1),
            "pan": player.voice.pan,
            "chokes": chokes,
        }


def _layout_numbers(stand: Stand) -> dict[Any, int]:
    keys = dict.fromkeys(take.chart.keys for take in stand.takes)
    return {each: number for number, each in enumerate(keys)}


def _layouts(stand: Stand) -> list[Take]:
    """A take for each way in which the bars are laid out, tempos apart."""
    return list({take.chart.keys: take for take in reversed(stand.takes)}.values())[::-1]


def _facts(stand: Stand) -> str:
    drill = stand.takes[0].chart.drill
    keys = len(stand.keys)
    facts = [drill.feel, drill.meter.text, f"{keys} keys" if keys > 1 else stand.keys[0].pretty]
    if drill.passes > 1:
        facts.append(f"{drill.passes} passes a key" if keys > 1 else f"{drill.passes} passes")
    return " · ".join(facts).capitalize()


def _line_tones(players: Sequence[Sequence[PagePlayer]], sounds: Sounds) -> dict[int, int]:
    """A tone for each MIDI key that the line has."""
    numbers = _numbers(sounds)
    return {
        stroke.note.key: numbers[sounds.tones[stroke.note].name]
        for found in players
        for player in found
        if player.voice.part == "line"
        for stroke in player.strokes
    }
