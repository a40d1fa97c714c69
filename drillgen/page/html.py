"""The page: a drill as it reads it, and the document.

A drill as the page reads it: JSON values.

Times are samples (44.1 kHz) at the tempo at which a take was planned; lists of whole numbers are
written as steps from one to the next, which keeps them short.

The page's document, and what is written beside it.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from drillgen.chart import Bar, Chart, Span
from drillgen.disk import whole_file
from drillgen.drill.models import Drill
from drillgen.drill.spoken import FAST, QUICK, behind_a_beat, key_words, lasts
from drillgen.page import (
    ALONE,
    FOLDER,
    INDEX,
    POLICY,
    WEB,
    WORKER,
    Licence,
    Picture,
    Reading,
    Stand,
    Take,
)
from drillgen.page.tones import (
    PagePlayer,
    PageStroke,
    Tone,
    gain,
    impulse,
    needs,
    players,
    tones,
    word_tone,
)
from drillgen.performance import LOUDNESS
from drillgen.score import Note, Part, PartName, turn_words
from drillgen.sheet.reader import Reader, read_by
from drillgen.sheet.svg import font_faces
from drillgen.sound.ducking import COMES, GOES, STEP_BACK, YIELDING
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.release import choke_fall, sample_at
from drillgen.sound.samples import Bank, DistinctNote
from drillgen.sound.soundfonts import Soundfont
from drillgen.take import tables
from drillgen.take.asked import as_data, of_track
from drillgen.theory.pitch import Degree
from drillgen.version import VERSION

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
    chart = take.chart
    return {
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
        first = _first_seen(line, read, bars, reader)
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
    """The first note of the line in a key: its name as it sounds, what it is, and its tone."""
    if (note := _first_note(take.score.part("line"), bars)) is None:
        return None
    return {
        "name": _sounding(note),
        "what": _what(note, _under(bars, note)),
        "tone": tone_of.get(note.pitch.midi, -1),
    }


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


def drill(
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


def take(stand: Stand, index: int, players: Sequence[PagePlayer], sounds: Sounds) -> Values:
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


# The page's files: the document, the scripts that play, and scripts that hand it data.
#
# From disk a page may load classic scripts and nothing else (no fetch, no modules: opaque origins,
# HTML Standard), so the data are scripts, each of which hands one value to the page. In a single
# file they are blocks of data in the document, and the scripts are allowed by their hashes.

# In the order in which they build on each other.
SCRIPTS = ("base", "load", "tones", "duck", "band", "player", "turns", "choices", "places", "strip",
           "address", "offline", "keys", "drag", "click", "spoken", "paper", "sight", "bars",
           "room", "desk", "show", "results", "advice", "hearing", "answers", "page")  # fmt: skip
# What runs in the worker that listens; it is loaded when it is asked for.
EAR = ("ear", "notes", "judge", "place", "chirp", "listen")
_CAPTURE = "capture.js"  # on the audio thread, where a page may load it: not from disk
_SAID_AT_ONCE = ("next", "errs", "care")  # of the tables: what the page says before it listens
_STYLE, _CODE = "stand.css", "stand.js"
_APP = "app.webmanifest"  # for pages that a server gives
_COUNT = "count"  # the tones of a count-in, in one file: the first thing that is heard


def document(catalogue: Mapping[str, Any], inlined: Mapping[str, Any] | None = None) -> bytes:
    """The page.  `inlined`: the values of its data scripts, for a page that travels alone."""
    code, style = _code(), _style()
    if inlined is None:
        policy = POLICY.format(scripts="'self'", styles="'self'")
        head = f'<link rel="stylesheet" href="{FOLDER}/{_STYLE}?{_mark(style)}">'
        head += "".join(
            f'\n<link rel="preload" as="script" href="{FOLDER}/{name}.js">'
            for name in _needed_first(catalogue)
        )
        tail = f'<script src="{FOLDER}/{_CODE}?{_mark(code)}"></script>'
    else:
        policy = POLICY.format(scripts=_hashes([code]), styles=_hashes([style]))
        head = f"<style>{style}</style>"
        tail = f"<script>{code}</script>"
    blocks = {"catalogue": catalogue} | dict(inlined or {})
    places = {
        "title": html.escape(str(catalogue["title"])),
        "policy": policy,
        "style": head,
        "data": "\n".join(_block(name, value) for name, value in blocks.items()),
        "scripts": tail,
    }
    page = re.sub(r"\{\{(\w+)\}\}", lambda found: places[found[1]], _text(INDEX))
    return page.encode("utf-8")


def _needed_first(catalogue: Mapping[str, Any]) -> Iterator[str]:
    """The data of the first drill that a browser may fetch while it reads the page's code."""
    for entry in catalogue["drills"][:1]:
        yield from (entry["file"], entry["takes"][0]["file"])
        if entry.get(_COUNT):
            yield entry[_COUNT]


def _app(title: str) -> Values:
    """What a phone's home screen says of the page (Web Application Manifest, W3C)."""
    mark = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 24 24'>"
        "<rect width='24' height='24' fill='%23ffdf94'/><path d='M8 5v14l11-7z'/></svg>"
    )
    icon = {"src": f"data:image/svg+xml,{mark}", "sizes": "any", "type": "image/svg+xml"}
    about = {"name": title, "start_url": f"../{INDEX}", "scope": "../", "icons": [icon]}
    return about | {"display": "standalone", "background_color": "#fbf8f2"}


def script(name: str, value: Any) -> bytes:
    """A classic script that hands one value to the page."""
    return f'drillgen.take("{name}",{_json(value)});\n'.encode()


def assets() -> dict[str, bytes]:
    """What is the same in every pack, by file name."""
    files = {_STYLE: _style(), _CODE: _code(), _CAPTURE: _text(_CAPTURE)}
    return {name: content.encode("utf-8") for name, content in files.items()}


def value_of(content: bytes) -> Any:
    """The value that a data script hands over."""
    text = content.decode("utf-8")
    return json.loads(text[text.index(",") + 1 : text.rindex(")")])


def _code() -> str:
    """The page's scripts as one: each request costs a slow line's way there and back."""
    return "".join(_text(f"{name}.js") for name in SCRIPTS)


def ear() -> Values:
    """What listens: a worker's code, and the tables of `drillgen.take`."""
    shared = {name: each for name, each in tables().items() if name not in _SAID_AT_ONCE}
    code = "".join(_text(f"{name}.js") for name in EAR)
    return {"code": code, "tables": shared}


def _style() -> str:
    """The page's style, with the font that its sheets are set in."""
    return f"{_text(_STYLE)}{font_faces()}\n"


def _json(value: Any) -> str:
    """JSON that no HTML parser takes for markup."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _block(name: str, value: Any) -> str:
    return f'<script type="application/json" id="{name}">{_json(value)}</script>'


def _hashes(texts: Iterable[str]) -> str:
    digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _mark(text: str) -> str:
    """So that a browser's cache does not serve an older program's file."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:8]


def _text(name: str) -> str:
    return (WEB / name).read_text("utf-8")


# Writing the page: a drill's scripts one by one, then the document that they belong to.
#
# A drill's files have their contents' names, so drills can be written side by side, by any process,
# and share what is the same. `write_index` is quick: it needs the drills' entries alone.

ROOM = "room"
_EAR = "ear"
# How much slower than planned the longest notes can be played to their ends.  The page goes slower
# still; then they end early.
_SLOWED = 2.0
_SLOWEST = 30.0  # beats a minute


def write_drill(out: Path, stand: Stand, soundfont: Soundfont, jobs: int | None = None) -> Values:
    """Write what the page needs of a drill into `out`/page/; returns its entry.

    The entry: `folder`, `title`, `file` and `takes` for the page, and `files`, the names of all
    that it needs, from `out`.  Raises SoundError where a sound is missing; OSError.
    """
    with Bank(soundfont, jobs) as bank:
        played = [players(take, bank) for take in stand.takes]
        wanted = needs(list(zip(played, _slowed(stand), strict=True)), bank)
        made = tones(wanted, bank, jobs)
        length = sample_at(stand.takes[0].performance.seconds)
        level = gain(played[0], wanted, bank, length)
    values: dict[str, Any] = {
        tone.name: base64.b64encode(tone.mp3).decode("ascii") for tone in made.values()
    }
    first = {made[note].name: values[made[note].name] for note in _counted_in(stand, played)}
    entry = _entry(stand, played, Sounds(made, level), values)
    entry[_COUNT] = _named(_COUNT, first, values) if first else ""
    folder = out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, value in values.items():
        _whole(folder / f"{name}.js", script(name, value))
    return entry | {"files": [f"{FOLDER}/{name}.js" for name in values]}


def _counted_in(stand: Stand, played: Sequence[Sequence[PagePlayer]]) -> Iterator[DistinctNote]:
    """The notes of the count-ins."""
    for take, found in zip(stand.takes, played, strict=True):
        lead = next(bar.number for bar in take.chart.bars if bar.role != "count-in")
        for player in found:
            yield from (stroke.note for stroke in player.strokes if stroke.bar < lead)


def write_index(
    out: Path,
    title: str,
    entries: Sequence[Mapping[str, Any]],
    licence: Licence,
    *,
    room: str | float = "small",
) -> list[str]:
    """Write the page over the drills' entries, in their order; returns the names of its files.

    Raises SoundError where there is no such room; OSError.
    """
    files = {f"{FOLDER}/{name}": content for name, content in assets().items()}
    files[f"{FOLDER}/{ROOM}.js"] = script(ROOM, impulse(room))
    files[f"{FOLDER}/{_EAR}.js"] = script(_EAR, ear())
    files[WORKER] = _text(WORKER).encode("utf-8")
    files[f"{FOLDER}/{_APP}"] = _json(_app(title)).encode("utf-8")
    files[INDEX] = document(_catalogue(title, entries, licence))
    (out / FOLDER).mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        _whole(out / name, content)
    return list(files)


def write_alone(
    out: Path,
    pack: Path,
    title: str,
    entries: Sequence[Mapping[str, Any]],
    licence: Licence,
    *,
    room: str | float = "small",
) -> list[str]:
    """Write the whole page into one file, which can travel alone; returns its name.

    The drills' files lie in `pack`.  Raises SoundError where there is no such room; OSError.
    """
    entries = [{**entry, _COUNT: ""} for entry in entries]  # whose tones are in it one by one
    names = dict.fromkeys(
        name
        for entry in entries
        for name in entry["files"]
        if not Path(name).name.startswith(f"{_COUNT}-")
    )
    values = {Path(name).stem: value_of((pack / name).read_bytes()) for name in names}
    catalogue = _catalogue(title, entries, licence)
    _whole(out / ALONE, document(catalogue, values | {ROOM: impulse(room), _EAR: ear()}))
    return [ALONE]


def _catalogue(title: str, entries: Sequence[Mapping[str, Any]], licence: Licence) -> Values:
    return {
        "title": title,
        "program": f"drillgen {VERSION}",
        "licence": [licence.soundfont, licence.text],
        "words": {name: tables()[name] for name in _SAID_AT_ONCE},
        "drills": [
            {k: entry.get(k, "") for k in ("title", "file", "takes", _COUNT)} for entry in entries
        ],
    }


def _slowed(stand: Stand) -> Iterator[float]:
    """How much slower each take may be asked for: down to the next slower one, the slowest more."""
    tempos = sorted({take.chart.tempo.start for take in stand.takes})
    slower = dict(zip(tempos[1:], tempos, strict=False))
    for take in stand.takes:
        tempo = take.chart.tempo.start
        yield tempo / slower.get(tempo, max(tempo / _SLOWED, _SLOWEST))


def _entry(
    stand: Stand,
    played: Sequence[Sequence[PagePlayer]],
    sounds: Sounds,
    values: dict[str, Any],
) -> Values:
    """The drill in the page's catalogue; what it refers to is added to `values`."""
    sheets = [[_sheet(each, values) for each in reading.pictures] for reading in stand.readings]
    entry = drill(stand, played, sounds, sheets)
    entry["spoken"]["file"] = _named("words", spoken_words(stand), values)
    takes = [
        tempo | {"file": _named("take", take(stand, index, played[index], sounds), values)}
        for index, tempo in enumerate(tempos(stand))
    ]
    return {
        "folder": stand.folder,
        "title": entry["title"],
        "file": _named("drill", entry, values),
        "takes": takes,
    }


def _sheet(picture: Picture, values: dict[str, Any]) -> tuple[str, str]:
    """Names of a key's sheet for wide and narrow pages, the latter "" if there is none."""
    sizes = ((picture.wide, picture.answer), (picture.narrow, picture.narrow_answer))
    names = dict(picture.names)
    wide, narrow = (
        _named("sheet", {"sheet": svg, "answer": answer, "names": names}, values) if svg else ""
        for svg, answer in sizes
    )
    return wide, narrow


def _named(kind: str, value: Values, values: dict[str, Any]) -> str:
    """Keep a value under a name that is its content's: no browser shows an old one for a new."""
    content = json.dumps(value, ensure_ascii=False, sort_keys=True).encode("utf-8")
    name = f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}"
    values[name] = value
    return name


def _whole(path: Path, content: bytes) -> None:
    with whole_file(path) as file:
        file.write(content)
