"""A drill as the page reads it: JSON values.

Times are samples (44.1 kHz) at the tempo at which a take was planned; lists of whole numbers are
written as steps from one to the next, which keeps them short.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.models import Drill
from drillgen.page import Reading, Stand, Take
from drillgen.page.tones import PagePlayer, PageStroke, Tone, word_tone
from drillgen.performance import LOUDNESS
from drillgen.score import (
    FAST,
    QUICK,
    Note,
    Part,
    PartName,
    behind_a_beat,
    key_words,
    turn_words,
    word_lasts,
)
from drillgen.sheet.reader import Reader, read_by
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.levels import COMES, GOES, STEP_BACK, YIELDING
from drillgen.sound.release import choke_fall, sample_at
from drillgen.sound.samples import DistinctNote
from drillgen.take.asked import as_data, of_track
from drillgen.theory.pitch import Degree

# How a take's bars are laid out, as the page reads it: roles, chords, keys, names of sheets.

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


# In the order in which they stand on the page.
PARTS: dict[PartName, str] = {
    "line": "Line",
    "comping": "Comping",
    "bass": "Bass",
    "drums": "Drums",
    "click": "Count-in",
    "cue": "Starting note",
    "spoken": "Voice",
}


@dataclass(frozen=True, slots=True)
class Sounds:
    """The tones of one drill, and how loud they are together."""

    tones: Mapping[DistinctNote, Tone]
    gain: float  # dB, all parts alike


def drill_values(
    stand: Stand,
    players: Sequence[Sequence[PagePlayer]],
    sounds: Sounds,
    sheets: Sequence[Names],
) -> Values:
    """All of a drill but its strokes; `players` of each take in turn, `sheets`: of each reader."""
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
        "anyOctave": first.line is not None and first.line.instrument == "voice",
        "rate": RATE,
        "gain": sounds.gain,
        "choke": round(choke_fall(), 1),
        "tones": list(_tones(sounds)),
        "parts": [*_parts(stand, players), _voice(first)],
        "spoken": _spoken(first),
        "readers": [[each.name, each.reader.name, each.papers] for each in stand.readings],
        "layouts": [layout(take, stand, sheets, tone_of) for take in _layouts(stand)],
    }


def take_values(stand: Stand, index: int, players: Sequence[PagePlayer], sounds: Sounds) -> Values:
    """When the bars of a take start, and everything that is played in it."""
    numbers = _numbers(sounds)
    chart = stand.takes[index].chart
    starts = [sample_at(chart.seconds_at(bar.start)) for bar in chart.bars]
    return {
        "bars": steps([*starts, sample_at(chart.seconds)]),
        "slowing": slowing(chart),
        "tempos": [float(bar.tempo) for bar in chart.bars] if chart.tempo.step else [],
        "end": sample_at(stand.takes[index].performance.seconds),
        "asked": asked(stand.takes[index]),
        "strokes": {
            player.voice.part: list(_strokes(player.strokes, sounds, numbers)) for player in players
        },
    }


def slowing(chart: Chart) -> list[list[int]]:
    """Each bar that slows: its number, then its beats and its end as steps in samples from its
    start."""
    beat = chart.drill.meter.beat
    found = []
    for bar in (bar for bar in chart.bars if bar.slowing):
        places = [bar.start + number * beat for number in range(len(bar.slowing))]
        seconds = [*map(chart.seconds_at, places), float(chart.bar_seconds[bar.number + 1])]
        first, *later = map(sample_at, seconds)
        found.append([bar.number, *steps([0, *(sample - first for sample in later)])])
    return found


def asked(take: Take) -> list[Values]:
    """What each response asks for (`drillgen.take.asked.as_data`), in milliseconds of the track."""
    if not any(bar.role == "response" for bar in take.chart.bars):
        return []  # a line to play along sounds itself: no microphone could tell them apart
    return [_in_milliseconds(each) for each in as_data(of_track(take.score, take.performance))]


def _in_milliseconds(response: Values) -> Values:
    notes = [
        [round(start * 1000), round(end * 1000), key, name]
        for start, end, key, name in response["notes"]
    ]
    times = {name: round(response[name] * 1000) for name in ("start", "end")}
    return {"bars": response["bars"], **times, "notes": notes}


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
            "pan": player.voice.stands,
            "chokes": chokes,
        }


def _voice(drill: Drill) -> Values:
    """The part of the words: on the page anybody may ask for them."""
    asked = drill.band.spoken
    level = LOUDNESS["spoken"] + asked.level
    place = {"level": round(level, 1), "pan": asked.pan or 0.0, "chokes": {}}
    return {"name": "spoken", "label": PARTS["spoken"], **place}


def _spoken(drill: Drill) -> Values:
    """What the drill asks a voice to say, where words begin behind a beat, the bars of the count-in
    before it begins, what is said of a bar's role, and who steps back meanwhile, and how."""
    roles: dict[int, str] = {}
    for role in ("call", "response") if drill.gaps else ():
        roles[ROLES.index(role)], *_ = turn_words(drill, role)
    return {
        "kind": drill.band.spoken.kind,
        "behind": float(behind_a_beat(drill.meter)),
        "from": int(drill.count_in.starting_note),
        "turns": roles,
        "duck": {"by": STEP_BACK, "comes": COMES, "goes": GOES, "parts": sorted(YIELDING)},
    }


def spoken_words(stand: Stand) -> Values:
    """The words that a drill may need, each usual and quick, and the figures of their rule."""
    drill = stand.takes[0].chart.drill
    texts = dict.fromkeys(word for key in stand.keys for word in key_words(key))
    texts |= dict.fromkeys(_spoken(drill)["turns"].values())
    words = {text: {"lasts": word_lasts(text), "tones": _word_tones(text)} for text in texts}
    return {"quick": QUICK, "fast": FAST, "words": words}


@cache
def _word_tones(text: str) -> tuple[tuple[str, str, int, float], ...]:
    """A word said usually and quickly: name, sound, samples, dB of its level."""
    tones_of = (word_tone(text, quick) for quick in (False, True))
    return tuple(
        (each.name, base64.b64encode(each.mp3).decode("ascii"), each.count, round(each.decibels, 1))
        for each in tones_of
    )


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
    text = " · ".join(facts)
    return text[:1].upper() + text[1:]  # a key's name keeps its capital


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
