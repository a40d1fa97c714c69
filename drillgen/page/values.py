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

from drillgen.chart import Chart
from drillgen.drill.models import Drill
from drillgen.drill.spoken import FAST, QUICK, behind_a_beat, key_words, lasts
from drillgen.page import Stand, Take
from drillgen.page.layout import ROLES, Names, Values, layout
from drillgen.page.tones import PagePlayer, PageStroke, Tone, word_tone
from drillgen.performance import LOUDNESS
from drillgen.score import PartName, turn_words
from drillgen.sound.ducking import COMES, GOES, STEP_BACK, YIELDING
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.release import choke_fall, sample_at
from drillgen.sound.samples import DistinctNote
from drillgen.take.asked import as_data, of_track

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
    words = {text: {"lasts": lasts(text), "tones": _word_tones(text)} for text in texts}
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
